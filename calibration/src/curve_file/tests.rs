//! A good curve file is read whole; each faulty one is refused with its line, key and advice.

use super::*;

pub(crate) const GOOD: &str = r#"schema = 1
name = "M45 spring"
mix = "M45"
author = "lab"
made_at = 2026-03-14
time_zero = "placed"
notes = "invented"

[maturity]
function = "equivalent-age"
activation_energy_j_mol = 41570
reference_c = 20

[curve]
form = "exponential"
ultimate_mpa = 58.0
tau = 14.0
shape = 0.85
covariance = [[4.0, 1.0, -0.05], [1.0, 0.6, -0.02], [-0.05, -0.02, 0.002]]
residual_sd_mpa = 1.1
residual_degrees_of_freedom = 12

[range]
maturity_min = 6
maturity_max = 672
temperature_min_c = 18
temperature_max_c = 66
group_count = 5

[specimens]
cured = "heat-cured"
peak_c = 65
shape = "cylinder"
diameter_mm = 101.6
length_mm = 203.2

[materials]
cement = "plant silo 2"
"#;

#[test]
fn a_good_file_is_read_whole() {
    let file = CurveFile::parse(GOOD).expect("a good file");
    assert_eq!(file.name, "M45 spring");
    assert_eq!(file.made_at.to_rfc3339(), "2026-03-14T00:00:00+00:00");
    assert_eq!(file.time_zero, TimeZero::Placed);
    assert_eq!(
        file.maturity,
        MaturityFunction::EquivalentAge {
            activation_energy_j_mol: 41_570.0,
            reference_c: 20.0
        }
    );
    assert_eq!(
        file.curve,
        Curve::Exponential {
            ultimate_mpa: 58.0,
            tau: 14.0,
            shape: 0.85
        }
    );
    assert_eq!(
        file.covariance.map(|matrix| matrix[2]),
        Some([-0.05, -0.02, 0.002])
    );
    assert_eq!(file.range.group_count, Some(5));
    assert_eq!(file.range.specimen_count, None);
    assert_eq!(file.specimens.cured, Cured::HeatCured);
    assert_eq!(
        file.materials.get("cement").map(String::as_str),
        Some("plant silo 2")
    );
    assert!(file.range.covers_temperature(66.0) && !file.range.covers_temperature(66.5));
}

#[test]
fn every_function_and_form_is_read() {
    let functions = [
        (
            "function = \"temperature-time-factor\"\ndatum_c = -10",
            MaturityFunction::TemperatureTimeFactor { datum_c: -10.0 },
        ),
        (
            "function = \"weighted-maturity\"\nc_value = 1.3",
            MaturityFunction::WeightedMaturity { c_value: 1.3 },
        ),
        ("function = \"en-1992-age\"", MaturityFunction::En1992Age),
    ];
    for (text, expected) in functions {
        let text = GOOD.replace(
            "function = \"equivalent-age\"\nactivation_energy_j_mol = 41570\nreference_c = 20",
            text,
        );
        assert_eq!(
            CurveFile::parse(&text).expect("a good file").maturity,
            expected
        );
    }
    let coefficients = "form = \"exponential\"\nultimate_mpa = 58.0\ntau = 14.0\nshape = 0.85";
    let hyperbolic = "form = \"hyperbolic\"\nultimate_mpa = 58\nrate_per_unit = 0.05\noffset = -2";
    assert_eq!(
        CurveFile::parse(&GOOD.replace(coefficients, hyperbolic))
            .expect("a good file")
            .curve,
        Curve::Hyperbolic {
            ultimate_mpa: 58.0,
            rate_per_unit: 0.05,
            offset: -2.0
        }
    );
    let logarithmic = GOOD
        .replace(
            coefficients,
            "form = \"logarithmic\"\nintercept_mpa = -8\nslope_mpa = 9.5",
        )
        .replace(
            "[[4.0, 1.0, -0.05], [1.0, 0.6, -0.02], [-0.05, -0.02, 0.002]]",
            "[[1, 0.2], [0.2, 0.1]]",
        );
    let file = CurveFile::parse(&logarithmic).expect("a good file");
    assert_eq!(
        file.curve,
        Curve::Logarithmic {
            intercept_mpa: -8.0,
            slope_mpa: 9.5
        }
    );
    assert_eq!(
        file.covariance,
        Some([[1.0, 0.2, 0.0], [0.2, 0.1, 0.0], [0.0; 3]])
    );
}

#[test]
fn an_unknown_covariance_must_be_said() {
    let covariance = "covariance = [[4.0, 1.0, -0.05], [1.0, 0.6, -0.02], [-0.05, -0.02, 0.002]]";
    let said = GOOD.replace(covariance, "covariance_known = false");
    assert_eq!(
        CurveFile::parse(&said).expect("a good file").covariance,
        None
    );
    let both = GOOD.replace(
        covariance,
        &format!("{covariance}\ncovariance_known = false"),
    );
    assert_eq!(CurveFile::parse(&both).expect_err("both").line, 20);
}

/// What is replaced, by what, and how the refusal begins.
const FAULTS: &[(&str, &str, &str)] = &[
    (
        "schema = 1",
        "schema = 2",
        "line 1, `schema`: is 2, but only schema 1 is known",
    ),
    (
        "schema = 1\n",
        "",
        "line 1, `schema`: is missing: give schema = 1",
    ),
    (
        "author =",
        "autor =",
        "line 4, `autor`: is not a known key here; did you mean `author`?",
    ),
    (
        "notes =",
        "quux_value =",
        "line 7, `quux_value`: is not a known key here; known here: schema, ",
    ),
    (
        "name = \"M45 spring\"",
        "name = 45",
        "line 2, `name`: must be a text that is not empty, in quotes, not 45",
    ),
    (
        "name = \"M45 spring\"",
        "name = \"M45",
        "line 2: this is not valid TOML: ",
    ),
    (
        "name = \"M45 spring\"\n",
        "name = \"M45\"\nname = \"M46\"\n",
        "line 3: this is not valid TOML: duplicate key",
    ),
    (
        "2026-03-14",
        "\"last spring\"",
        "line 5, `made_at`: must be a date such as 2026-03-14",
    ),
    (
        "\"placed\"",
        "\"poured\"",
        "line 6, `time_zero`: must be \"batched\" or \"placed\", not \"poured\"",
    ),
    (
        "\"equivalent-age\"",
        "\"equivalent_age\"",
        "line 10, `maturity.function`: must be \"temperature-time-factor\" or ",
    ),
    (
        "activation_energy_j_mol = 41570",
        "activation_energy_j_mol = 41.57",
        "line 11, `maturity.activation_energy_j_mol`: activation energy must be from 15000",
    ),
    (
        "reference_c = 20",
        "datum_c = 0",
        "line 12, `maturity.datum_c`: is not a known key here; ",
    ),
    (
        "reference_c = 20\n",
        "",
        "line 9, `maturity.reference_c`: is missing: give the reference temperature in °C",
    ),
    (
        "tau = 14.0",
        "tau = -3",
        "line 17, `curve.tau`: must be above 0, not -3: give the characteristic maturity",
    ),
    (
        "tau = 14.0",
        "tau = nan",
        "line 17, `curve.tau`: must be a finite number, not nan",
    ),
    (
        "tau = 14.0",
        "tau_h = 14.0",
        "line 17, `curve.tau_h`: is not a known key here; did you mean `tau`?",
    ),
    (
        "ultimate_mpa = 58.0",
        "ultimate_mpa = 8400",
        "line 16, `curve.ultimate_mpa`: a curve's ultimate strength must be from 1 to 300 MPa",
    ),
    (
        "tau = 14.0",
        "tau = 1e9",
        "line 15, `curve.form`: the curve has no strength at range.maturity_min = 6",
    ),
    (
        "shape = 0.85",
        "shape = 90",
        "line 15, `curve.form`: the curve has no strength",
    ),
    (
        "form = \"exponential\"\nultimate_mpa = 58.0\ntau = 14.0\nshape = 0.85",
        "form = \"logarithmic\"\nintercept_mpa = -900\nslope_mpa = 1200",
        "line 15, `curve.form`: the curve gives 6912.3 MPa at range.maturity_max",
    ),
    (
        "[1.0, 0.6, -0.02]",
        "[1.5, 0.6, -0.02]",
        "line 19, `curve.covariance`: is not symmetric: row 1, column 2 is 1, its",
    ),
    (
        "[1.0, 0.6, -0.02]",
        "[1.0, -0.6, -0.02]",
        "line 19, `curve.covariance`: is not a covariance: the variance in row 2 is -0.6",
    ),
    (
        "[1.0, 0.6, -0.02]",
        "[1.0, 0.6]",
        "line 19, `curve.covariance`: each row must have 3 numbers, not 2",
    ),
    (
        "[1.0, 0.6, -0.02], ",
        "",
        "line 19, `curve.covariance`: must have 3 rows, not 2",
    ),
    (
        "0.6, -0.02]",
        "0.2, -0.02]",
        "line 19, `curve.covariance`: is not positive semi-definite: row 1, column 2 is 1",
    ),
    (
        "[[4.0, 1.0, -0.05], [1.0, 0.6, -0.02], [-0.05, -0.02, 0.002]]",
        "[[1, 0.9, -0.9], [0.9, 1, 0.9], [-0.9, 0.9, 1]]",
        "line 19, `curve.covariance`: is not positive semi-definite: the determinant",
    ),
    (
        "covariance = [[4.0, 1.0, -0.05], [1.0, 0.6, -0.02], [-0.05, -0.02, 0.002]]\n",
        "",
        "line 14, `curve.covariance`: is missing",
    ),
    (
        "residual_sd_mpa = 1.1",
        "residual_sd_mpa = 0",
        "line 20, `curve.residual_sd_mpa`: must be above 0, not 0",
    ),
    (
        "residual_degrees_of_freedom = 12",
        "residual_degrees_of_freedom = 0",
        "line 21, `curve.residual_degrees_of_freedom`: must be a whole number of at least 1, not 0",
    ),
    (
        "maturity_max = 672",
        "maturity_max = 6",
        "line 25, `range.maturity_max`: must be above maturity_min = 6, not 6",
    ),
    (
        "temperature_max_c = 66",
        "temperature_max_c = 12",
        "line 27, `range.temperature_max_c`: must not be below",
    ),
    (
        "cured = \"heat-cured\"",
        "cured = true",
        "line 31, `specimens.cured`: must be \"standard\" or \"heat-cured\" or ",
    ),
    (
        "length_mm = 203.2",
        "length_mm = 95",
        "line 35, `specimens.length_mm`: length over diameter must be from 1 to 2.2",
    ),
    (
        "\"cylinder\"",
        "\"cube\"",
        "line 33, `specimens.shape`: must be \"cylinder\", not \"cube\"",
    ),
    (
        "cement = \"plant silo 2\"",
        "cement = 2",
        "line 38, `materials.cement`: must be a text",
    ),
    (
        "[specimens]",
        "[specimen]",
        "line 30, `specimen`: is not a known key here; did you mean `specimens`?",
    ),
];

#[test]
fn every_fault_is_refused_with_its_line_its_key_and_advice() {
    for (from, to, expected) in FAULTS {
        assert!(GOOD.contains(from), "{from} is not in the good file");
        let refused = CurveFile::parse(&GOOD.replacen(from, to, 1)).expect_err(expected);
        let message = refused.to_string();
        assert!(
            message.starts_with(expected),
            "\n     got {message}\nexpected {expected}"
        );
    }
}

#[test]
fn the_digest_is_that_of_the_bytes() {
    // FIPS 180-2, example B.1 (from memory, confirmed with sha256sum).
    assert_eq!(
        digest(b"abc"),
        "sha256:ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    );
    assert_ne!(
        digest(GOOD.as_bytes()),
        digest(GOOD.replace("58.0", "58").as_bytes())
    );
}

#[test]
fn the_documented_example_is_a_good_file() {
    let example = crate::document::documented_example(include_str!("../curve_file.rs"));
    let file = CurveFile::parse(&example).expect("the example in the documentation");
    assert_eq!(
        (file.mix.as_str(), file.specimens.peak_c),
        ("M45", Some(65.0))
    );
}
