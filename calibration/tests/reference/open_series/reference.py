#!/usr/bin/env python3
"""Fits every mix of open_strength_series.csv with scipy and prints reference.csv.

    python3 reference.py > reference.csv        (scipy 1.17.1 made the file that is checked in)

An independent reference: MINPACK through scipy, natural coefficients, derivatives by the formulas
below, many starts. `converged` is no when no start ended at a stationary point with an ultimate
strength from 1 to 300 MPa; then the tests only ask that our fit states its reason.
"""
import collections
import csv
import itertools
import sys

import numpy as np
from scipy.optimize import least_squares

HERE = __file__.rsplit("/", 1)[0] if "/" in __file__ else "."


def hyperbolic(b, x):
    one = 1 + b[1] * (x - b[2])
    value = b[0] * b[1] * (x - b[2]) / one
    jac = [b[1] * (x - b[2]) / one, b[0] * (x - b[2]) / one**2, -b[0] * b[1] / one**2]
    return value, np.array(jac).T


def exponential(b, x):
    with np.errstate(all="ignore"):
        power = (b[1] / x) ** b[2]
        share = np.exp(-power)
        jac = [share, -b[0] * share * power * b[2] / b[1], -b[0] * share * power * np.log(b[1] / x)]
    return b[0] * share, np.nan_to_num(np.array(jac).T)


def logarithmic(b, x):
    return b[0] + b[1] * np.log(x), np.array([np.ones_like(x), np.log(x)]).T


FORMS = {
    "hyperbolic": (hyperbolic, [[20, 40, 60, 90], [0.02, 0.1, 0.5, 2], [-2, 0, 0.5]]),
    "exponential": (exponential, [[30, 50, 80, 120], [0.5, 2, 6, 20], [0.3, 0.6, 1, 2]]),
    "logarithmic": (logarithmic, [[0], [5]]),
}


def fit(form, x, y):
    model, grid = FORMS[form]
    best = None
    for start in itertools.product(*grid):
        try:
            with np.errstate(all="ignore"):
                got = least_squares(
                    lambda b: np.nan_to_num(model(b, x)[0], nan=1e6, posinf=1e6, neginf=-1e6) - y,
                    start,
                    jac=lambda b: np.nan_to_num(model(b, x)[1]),
                    method="lm", ftol=1e-15, xtol=1e-15, gtol=1e-15, max_nfev=5000, x_scale="jac",
                )
        except ValueError:
            continue
        jac, residual = got.jac, got.fun
        norms = np.linalg.norm(jac, axis=0) * np.linalg.norm(residual)
        if not np.all(np.isfinite(norms)) or np.any(norms == 0):
            continue
        cosine = np.max(np.abs(jac.T @ residual) / norms)
        if cosine > 1e-6 or (form != "logarithmic" and not 1 <= got.x[0] <= 300):
            continue
        if form == "hyperbolic" and (got.x[1] <= 0 or got.x[2] >= x.min()):
            continue
        if form == "exponential" and (got.x[1] <= 0 or got.x[2] <= 0):
            continue
        if best is None or got.cost < best.cost:
            best = got
    return best


def main():
    mixes = collections.OrderedDict()
    with open(f"{HERE}/open_strength_series.csv") as lines:
        rows = csv.DictReader(line for line in lines if not line.startswith("#"))
        for row in rows:
            mixes.setdefault(row["mix"], []).append((float(row["age_d"]), float(row["strength_mpa"])))
    print("# By reference.py with scipy; b are the coefficients in the order of curve files.")
    print("mix,form,converged,rss,b1,b2,b3,sd1,sd2,sd3")
    for mix, points in mixes.items():
        x, y = np.array(points).T
        for form in FORMS:
            size = len(FORMS[form][1])
            best = fit(form, x, y) if len(x) > size else None
            if best is None:
                print(f"{mix},{form},no,,,,,,,")
                continue
            rss = 2 * best.cost
            _, triangle = np.linalg.qr(best.jac)
            inverse = np.linalg.inv(triangle)
            sd = np.sqrt(np.diag(inverse @ inverse.T) * rss / (len(x) - size))
            pad = [""] * (3 - size)
            cells = [f"{v:.12g}" for v in best.x] + pad + [f"{v:.10g}" for v in sd] + pad
            print(f"{mix},{form},yes,{rss:.12g}," + ",".join(cells))


if __name__ == "__main__":
    sys.exit(main())
