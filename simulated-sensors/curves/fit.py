"""Fits the curves of the demo's mixes to lab series of the simulated plant.

The series come from `tarplight-sim lab`, the digests are SHA-256 of the files written. Run, in this
folder, with numpy and scipy installed (any virtual environment) and the simulator built:

    cargo build -p simulated-sensors
    python3 fit.py --sim ../../target/debug/tarplight-sim

For each mix this writes the data (MIX.csv), the curve (MIX.toml) and its approval
(MIX.records.toml). For each curing temperature it runs, with ages that give every temperature the
same equivalent ages,

    tarplight-sim lab --mix MIX --seed 90 --cured-c TEMPERATURE --ages-h AGES --per-age 2

and fits strength = ultimate * exp(-(tau / age)^shape) by least squares in two steps: with the
activation energy free, to choose it (rounded to 100 J/mol), and then with it held. The covariance is
that of the second step. All names are invented.
"""

import argparse
import csv
import hashlib
import json
import math
import pathlib
import subprocess

import numpy
from scipy.optimize import curve_fit

GAS_CONSTANT = 8.314462618
KELVIN_AT_0_C = 273.15
REFERENCE_C = 20.0
SEED = 90
PER_AGE = 2
# The series lean towards the temperatures of a heated bed, because heat costs strength; 12 and 62 °C
# are there so that neither a cold bed end nor a warm core lies outside what the specimens saw.
TEMPERATURES_C = [12.0, 30.0, 40.0, 50.0, 62.0]
# Dense around release, in hours of equivalent age at the reference temperature.
EQUIVALENT_AGES_H = [8.0, 10.0, 13.0, 16.0, 20.0, 25.0, 30.0, 36.0, 44.0, 60.0, 90.0]
NOMINAL_ACTIVATION_J_MOL = 40_000.0
# Mix, who approved the curve, when it was recorded.
MIXES = [
    ("DT-45", "M. Harrow", "2026-10-05T15:10:00Z"),
    ("PL-40", "M. Harrow", "2026-10-05T15:25:00Z"),
    ("BM-60", "T. Oakley", "2026-10-12T14:05:00Z"),
    ("PI-50", "T. Oakley", "2026-10-12T14:20:00Z"),
]


def rate(temperature_c, activation_j_mol):
    """Hours of equivalent age in one hour at a temperature."""
    reference_k = REFERENCE_C + KELVIN_AT_0_C
    temperature_k = temperature_c + KELVIN_AT_0_C
    return numpy.exp(activation_j_mol / GAS_CONSTANT * (1.0 / reference_k - 1.0 / temperature_k))


def strength(age_h, ultimate_mpa, tau_h, shape):
    """The exponential form of a curve file."""
    return ultimate_mpa * numpy.exp(-((tau_h / age_h) ** shape))


def lab_series(sim, mix):
    """Specimens of all temperatures: age in hours, temperature, strength."""
    rows = []
    for temperature_c in TEMPERATURES_C:
        pace = rate(temperature_c, NOMINAL_ACTIVATION_J_MOL)
        ages = ",".join(f"{age / pace:.2f}" for age in EQUIVALENT_AGES_H)
        command = [sim, "lab", "--mix", mix, "--seed", str(SEED), "--cured-c", str(temperature_c)]
        command += ["--ages-h", ages, "--per-age", str(PER_AGE)]
        printed = subprocess.run(command, check=True, capture_output=True, text=True).stdout
        rows += [(b["age_h"], b["temperature_c"], b["strength_mpa"]) for b in json.loads(printed)]
    return rows


def fit(rows):
    """Activation energy, coefficients, covariance, residual scatter, equivalent ages."""
    age_h, temperature_c, strength_mpa = (numpy.array(column) for column in zip(*rows))

    def free(ages_h, ultimate_mpa, tau_h, shape, activation_kj_mol):
        paces = rate(temperature_c, activation_kj_mol * 1e3)
        return strength(ages_h * paces, ultimate_mpa, tau_h, shape)

    start = [55.0, 20.0, 0.9, NOMINAL_ACTIVATION_J_MOL / 1e3]
    chosen, _ = curve_fit(free, age_h, strength_mpa, p0=start)
    activation_j_mol = round(chosen[3] * 10.0) * 100.0
    equivalent_h = age_h * rate(temperature_c, activation_j_mol)
    best, covariance = curve_fit(strength, equivalent_h, strength_mpa, p0=chosen[:3])
    residuals = strength_mpa - strength(equivalent_h, *best)
    degrees = len(rows) - 3
    residual_sd_mpa = math.sqrt(float(residuals @ residuals) / degrees)
    return activation_j_mol, best, covariance, residual_sd_mpa, degrees, equivalent_h


def number(value):
    """Ten digits: enough for a covariance to stay one."""
    return f"{value:.10g}"


def curve_text(mix, made_on, rows, fitted):
    """The curve file."""
    activation_j_mol, best, covariance, residual_sd_mpa, degrees, equivalent_h = fitted
    matrix = ", ".join("[" + ", ".join(number(v) for v in row) + "]" for row in covariance)
    return f"""# Fitted by fit.py to {mix}.csv; an invented mix of the simulated plant.
schema = 1
name = "{mix} autumn"
mix = "{mix}"
author = "Larkfield lab"
made_at = {made_on}
notes = "Lab series at {", ".join(f"{t:g}" for t in TEMPERATURES_C)} °C, two specimens an age"
time_zero = "batched"

[maturity]
function = "equivalent-age"
activation_energy_j_mol = {activation_j_mol:.0f}
reference_c = {REFERENCE_C:.0f}

[curve]
form = "exponential"
ultimate_mpa = {number(best[0])}
tau = {number(best[1])}
shape = {number(best[2])}
covariance = [{matrix}]
residual_sd_mpa = {number(residual_sd_mpa)}
residual_degrees_of_freedom = {degrees}

[range]
maturity_min = {min(equivalent_h):.3f}
maturity_max = {max(equivalent_h):.3f}
temperature_min_c = {min(TEMPERATURES_C):g}
temperature_max_c = {max(TEMPERATURES_C):g}
group_count = {len(rows) // PER_AGE}
specimen_count = {len(rows)}

[specimens]
cured = "heat-cured"
peak_c = {max(TEMPERATURES_C):g}
shape = "cylinder"
diameter_mm = 100
length_mm = 200
"""


def records_text(text, approved_by, recorded_at):
    """The approval beside it."""
    digest = hashlib.sha256(text.encode()).hexdigest()
    return f"""# The approval of the curve beside this file; the names are invented.
[[record]]
digest = "sha256:{digest}"
act = "approved"
by = "{approved_by}"
recorded_at = {recorded_at}
why = "agrees with the breaks of two trial pours"
"""


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sim", required=True, help="the program tarplight-sim")
    sim = str(pathlib.Path(parser.parse_args().sim).resolve())
    folder = pathlib.Path(__file__).parent
    for mix, approved_by, recorded_at in MIXES:
        rows = lab_series(sim, mix)
        with open(folder / f"{mix}.csv", "w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(["age_h", "temperature_c", "strength_mpa"])
            writer.writerows(rows)
        fitted = fit(rows)
        text = curve_text(mix, recorded_at[:10], rows, fitted)
        (folder / f"{mix}.toml").write_text(text, encoding="utf-8")
        records = records_text(text, approved_by, recorded_at)
        (folder / f"{mix}.records.toml").write_text(records, encoding="utf-8")
        print(mix, f"{fitted[0]:.0f} J/mol", fitted[1], f"scatter {fitted[3]:.2f} MPa")


if __name__ == "__main__":
    main()
