//! The lab's day as a person runs it: plan, fit, rates, approve, show, verify.

mod support;

use calibration::{CurveFile, CurveStanding, digest, parse_records, standing_at};
use chrono::Utc;
use serde_json::Value;
use support::Lab;

/// Mix A to 28 days: Yeh's concrete data (1998, UCI repository), seen in the R package modeldata.
const MIX_A: &str = "age_d,strength_mpa,temperature_c\n1,12.64,20\n3,26.06,20\n7,33.21,20\n\
                     14,36.94,20\n28,44.09,20\n";

/// An invented series around a release, in US units.
const NIGHT: &str = "specimen,age_h,strength_psi,temperature_f,diameter_in,length_in\n\
    A1,8,2190,73.4,4,8\nA2,8,2320,73.4,4,8\nB1,11,3320,73.4,4,8\nB2,11,3205,73.4,4,8\n\
    B3,11,3420,73.4,4,8\nC1,14,3915,73.4,4,8\nC2,14,4050,73.4,4,8\nC3,14,3330,73.4,4,8\n\
    D1,18,4670,73.4,4,8\nD2,18,4500,73.4,4,8\nE1,26,5525,73.4,4,8\nE2,26,5400,73.4,4,8\n\
    F1,48,6670,73.4,4,8\nF2,48,6540,73.4,4,8\n";

/// Its curve file, with one result left out by a person.
const FIT_NIGHT: [&str; 14] = [
    "fit",
    "night.csv",
    "--form",
    "hyperbolic",
    "--mix",
    "M45",
    "--author",
    "lab",
    "--out",
    "m45.toml",
    "--exclude",
    "C3=cap broke",
    "--by",
    "lab lead",
];

fn is_near(value: &Value, expected: f64, relative: f64) -> bool {
    let value = value.as_f64().expect("a number");
    (value - expected).abs() <= relative * expected.abs()
}

fn lab_with(name: &str, text: &str) -> Lab {
    let lab = Lab::new();
    lab.write(name, text);
    lab
}

/// Coefficients: our computation by scipy and R over days, here in hours at 20 °C.
#[test]
fn the_shortest_fit_prints_what_it_must() {
    let lab = lab_with("SERIES.csv", MIX_A);
    let fit = lab
        .run(&[
            "fit",
            "SERIES.csv",
            "--maturity",
            "equivalent-age",
            "--form",
            "hyperbolic",
            "--json",
        ])
        .json();
    assert_eq!(fit["form"], "hyperbolic");
    assert_eq!(fit["point_count"], 5);
    assert_eq!(fit["maturity"]["function"], "equivalent-age");
    assert_eq!(fit["maturity"]["parameters"]["reference_c"], 20.0);
    let coefficients = &fit["coefficients"];
    for (name, expected) in [
        ("ultimate_mpa", 46.451713),
        ("rate_per_unit", 0.3749833 / 24.0),
        ("offset", -0.0412299 * 24.0),
    ] {
        assert!(
            is_near(&coefficients[name]["value"], expected, 1e-5),
            "{name}"
        );
        let error = coefficients[name]["standard_error"].as_f64();
        assert!(error.is_some_and(|error| error > 0.0), "{name}");
    }
    let sd_mpa = (9.308544_f64 / 2.0).sqrt();
    assert!(is_near(&fit["residual_sd_mpa"], sd_mpa, 1e-6));
    assert_eq!(fit["warnings"][0]["name"], "negative-offset");
    assert_eq!(fit["warnings"][0]["must_be_accepted"], true);
}

#[test]
fn every_form_is_compared_and_a_target_is_told_or_never_reached() {
    let lab = lab_with("a.csv", MIX_A);
    let all = lab
        .run(&[
            "fit",
            "a.csv",
            "--form",
            "all",
            "--target-mpa",
            "24.13",
            "--json",
        ])
        .json();
    let forms = all["forms"].as_array().expect("forms");
    for (form, days) in forms.iter().zip([2.841593, 2.785934, 2.983232]) {
        let target = &form["target"];
        assert_eq!(target["reached"], "within");
        assert!(is_near(&target["maturity"], days * 24.0, 1e-6), "{form}");
        let (early, late) = (target["early_90"].as_f64(), target["late_90"].as_f64());
        assert!(early.is_none_or(|early| early < days * 24.0));
        assert!(late.is_none_or(|late| late > days * 24.0));
    }
    assert_eq!(all["comparison"]["pairs"].as_array().map(Vec::len), Some(3));
    let never = lab
        .run(&[
            "fit",
            "a.csv",
            "--form",
            "hyperbolic",
            "--target-mpa",
            "50",
            "--json",
        ])
        .json();
    assert_eq!(never["target"]["reached"], "never");
    lab.run(&["fit", "a.csv", "--form", "hyperbolic", "--target", "50 MPa"])
        .shows(&["50.0 MPa is never reached: the curve ends at 46.5 MPa"]);
}

#[test]
fn people_see_data_curve_release_maturity_and_the_worst_miss() {
    let lab = lab_with("night.csv", NIGHT);
    let ran = lab.run(&[
        "fit",
        "night.csv",
        "--form",
        "hyperbolic",
        "--target",
        "4000 psi",
        "--units",
        "us",
        "--beds-peak",
        "149 °F",
        "--svg",
        "curve.svg",
        "--residuals-svg",
        "residuals.svg",
    ]);
    ran.shows(&[
        "14 specimens in 6 groups",
        "group 14 h, 23 °C: 3 specimens, mean 3760 psi, range 19.1 % (limit 10.6 %): LOOK AT",
        "STANDS OUT: C3",
        "4000 psi is reached at",
        "worst miss: C3",
        "WARNING cured-unlike-beds",
        "note standard-cured",
        "- required 4000 psi",
        "the broken cylinder decides",
    ]);
    assert!(
        lab.read("curve.svg").contains("<polygon"),
        "the band is drawn"
    );
    assert!(lab.read("residuals.svg").contains("<circle"));
}

#[test]
fn bad_rows_stop_the_command_or_are_skipped_aloud() {
    let lab = lab_with("a.csv", &format!("{MIX_A}90,fifty,20\n180,7400,20\n"));
    lab.run(&["fit", "a.csv"]).fails_with(
        1,
        &[
            "a.csv: line 7, column `strength_mpa`: \"fifty\" is not a plain number",
            "a.csv: line 8, column `strength_mpa`",
            "did you mean 7400 psi?",
            "2 bad rows",
        ],
    );
    let skipped = lab.run(&[
        "fit",
        "a.csv",
        "--skip-bad-rows",
        "--form",
        "exponential",
        "--json",
    ]);
    assert!(skipped.stderr().contains("skipped 2 bad rows"));
    let fit = skipped.json();
    assert_eq!(fit["skipped_rows"][0]["line"], 7);
    assert_eq!(fit["point_count"], 5);
    lab.run(&["fit", "none.csv"])
        .fails_with(1, &["cannot read none.csv"]);
    lab.run(&["fit", "a.csv", "--form", "cubic"])
        .fails_with(2, &["cubic"]);
}

#[test]
fn data_without_a_curve_end_with_their_reason() {
    let lab = lab_with(
        "flat.csv",
        "age_d,strength_mpa,temperature_c\n1,20,20\n2,20,20\n3,20,20\n4,20,20\n5,20,20\n",
    );
    lab.run(&["fit", "flat.csv"])
        .fails_with(1, &["the strengths do not rise with maturity"]);
}

#[test]
fn a_curve_file_keeps_its_data_and_is_approved_by_name() {
    let lab = lab_with("night.csv", NIGHT);
    let material = ["--material", "cement source=invented works"];
    let out = [&FIT_NIGHT[..], &material].concat();
    let ran = lab.run(&out);
    assert_eq!(ran.code(), Some(0), "{}", ran.stderr());
    let text = lab.read("m45.toml");
    assert!(ran.stderr().contains(&digest(text.as_bytes())));
    let file = CurveFile::parse(&text).expect("the daemon's reader takes it");
    assert_eq!((file.data.len(), file.range.specimen_count), (14, Some(13)));
    let excluded: Vec<&str> = file
        .data
        .iter()
        .filter_map(|row| row.excluded.as_ref())
        .map(|excluded| excluded.because.as_str())
        .collect();
    assert_eq!(excluded, ["cap broke"]);
    // Immutable: a second fit must not write over it.
    lab.run(&out).fails_with(1, &["it must not exist yet"]);
    assert_eq!(lab.read("m45.toml"), text);

    lab.run(&[
        "approve",
        "m45.toml",
        "--by",
        "lab lead",
        "--until",
        "2099-01-01T00:00:00Z",
    ])
    .shows(&[
        "approved by lab lead",
        "name not verified",
        "the broken cylinder decides",
    ]);
    lab.run(&["show", "m45.toml"]).shows(&[
        "approved by lab lead",
        "left out: C3 (23.0 MPa) by lab lead: cap broke",
        "worst miss: B3",
        "cement source: invented works",
        "●",
    ]);
    let drawn = lab.run(&["show", "m45.toml", "--json", "--svg", "curve.svg"]);
    assert_eq!(drawn.json()["data"]["specimens"][0]["specimen"], "A1");
    assert!(lab.read("curve.svg").contains("<circle"));
    let records = parse_records(&lab.read("m45.records.toml")).expect("records");
    let name = digest(text.as_bytes());
    let curve = CurveFile::parse(&text).expect("the curve");
    let standing = standing_at(&curve, &name, &records, Utc::now());
    assert!(
        matches!(standing, CurveStanding::Approved { .. }),
        "{standing:?}"
    );
    lab.run(&[
        "approve",
        "m45.toml",
        "--by",
        "lab lead",
        "--act",
        "withdrawn",
    ])
    .fails_with(1, &["a withdrawal needs --why"]);
    let why = [
        "approve",
        "m45.toml",
        "--by",
        "lab lead",
        "--act",
        "withdrawn",
        "--why",
        "new cement",
    ];
    assert_eq!(lab.run(&why).code(), Some(0));
    lab.run(&["approve", "m45.toml", "--by", "lab lead"])
        .fails_with(1, &["new cement", "final"]);
    lab.run(&["show", "m45.toml"])
        .shows(&["WITHDRAWN", "new cement"]);
}

#[test]
fn a_negative_offset_must_be_accepted_by_name_and_can_be_held_instead() {
    let lab = lab_with("a.csv", MIX_A);
    let fit = |out: &str, more: &[&str]| {
        let mut arguments = vec![
            "fit",
            "a.csv",
            "--form",
            "hyperbolic",
            "--mix",
            "A",
            "--author",
            "lab",
            "--out",
            out,
        ];
        arguments.extend(more);
        assert_eq!(lab.run(&arguments).code(), Some(0));
    };
    fit("free.toml", &[]);
    lab.run(&["approve", "free.toml", "--by", "lead"])
        .fails_with(1, &["negative-offset", "--accept negative-offset"]);
    assert!(!lab.path("free.records.toml").exists());
    lab.run(&[
        "approve",
        "free.toml",
        "--by",
        "lead",
        "--accept",
        "lack-of-fit",
    ])
    .fails_with(1, &["no such warning; it has negative-offset"]);
    let accept = [
        "approve",
        "free.toml",
        "--by",
        "lead",
        "--accept",
        "negative-offset",
        "--json",
    ];
    let report = lab.run(&accept).json();
    assert_eq!(report["standing"]["state"], "approved");
    let records = parse_records(&lab.read("free.records.toml")).expect("records");
    assert_eq!(records[0].accepts, ["negative-offset"]);
    fit("held.toml", &["--offset-not-negative"]);
    lab.run(&["show", "held.toml"])
        .shows(&["offset                        0", "coefficient-at-bound"]);
}

#[test]
fn companion_histories_give_each_specimen_its_own_maturity() {
    let lab = Lab::new();
    lab.write(
        "companion.csv",
        "hours,temperature_c\n0,20\n2,20\n4,40\n6,60\n8,60\n10,60\n12,60\n14,60\n\
               16,60\n18,50\n20,40\n22,40\n24,40\n26,40\n",
    );
    let rows: String = [
        (8, 18.0),
        (10, 24.5),
        (12, 29.0),
        (14, 32.5),
        (18, 37.0),
        (24, 40.2),
    ]
    .iter()
    .map(|(age_h, mpa)| format!("S{age_h},{age_h},{mpa},companion.csv\n"))
    .collect();
    lab.write(
        "series.csv",
        &format!("specimen,age_h,strength_mpa,history\n{rows}"),
    );
    let arguments = [
        "fit",
        "series.csv",
        "--maturity",
        "temperature-time-factor",
        "--form",
        "exponential",
        "--cured",
        "match-cured",
        "--mix",
        "M",
        "--author",
        "lab",
        "--out",
        "m.toml",
        "--json",
    ];
    let fit = lab.run(&arguments).json();
    // 2 h at 20, 4 h rising to 60, 2 h at 60: 40 + 160 + 120 °C·h.
    assert!(is_near(&fit["maturity_min"], 320.0, 1e-9), "{fit}");
    let file = CurveFile::parse(&lab.read("m.toml")).expect("a curve file");
    assert!((file.range.temperature_max_c - 60.0).abs() < 1e-9);
    lab.write(
        "series.csv",
        "age_h,strength_mpa,history\n8,18,absent.csv\n",
    );
    lab.run(&["fit", "series.csv"])
        .fails_with(1, &["cannot read", "absent.csv"]);
}

/// Synthetic, exactly recoverable: our computation from Ea / R = 5000 K.
#[test]
fn rates_give_datum_and_activation_energy_and_say_what_they_do_not_cover() {
    let ages = [1, 2, 4, 8, 16, 32];
    let baths = [
        (10, [0.6134, 5.9378, 13.4960, 22.2860, 30.4212, 36.5058]),
        (23, [5.9485, 13.3311, 21.6610, 29.1363, 34.5861, 37.9866]),
        (40, [13.8772, 21.2576, 27.3914, 31.5997, 34.1213, 35.5114]),
    ];
    let rows: String = baths
        .iter()
        .flat_map(|(celsius, strengths)| {
            ages.iter()
                .zip(strengths)
                .map(move |(age_d, mpa)| format!("{celsius},{age_d},{mpa},cube\n"))
        })
        .collect();
    let lab = lab_with(
        "mortar.csv",
        &format!("temperature_c,age_d,strength_mpa,shape\n{rows}"),
    );
    let rates = lab.run(&["rates", "mortar.csv", "--json"]).json();
    assert!(is_near(
        &rates["activation_energy_j_mol"]["value"],
        41_570.0,
        2e-4
    ));
    assert!(is_near(&rates["datum_c"]["value"], 5.2010, 1e-3));
    assert_eq!(rates["covers_max_c"], 40.0);
    lab.run(&["rates", "mortar.csv", "--units", "us", "--svg", "k.svg"])
        .shows(&[
            "Datum temperature   41.4 °F",
            "Activation energy   41570 J/mol",
            "CAUTION beds-are-hotter",
            "CAUTION not-interchangeable",
        ]);
    assert!(lab.read("k.svg").contains("<polyline"));
    let two: String = rows
        .lines()
        .take(12)
        .map(|line| format!("{line}\n"))
        .collect();
    lab.write(
        "two.csv",
        &format!("temperature_c,age_d,strength_mpa,shape\n{two}"),
    );
    lab.run(&["rates", "two.csv"])
        .fails_with(1, &["2 temperatures are too few"]);
}

#[test]
fn a_plan_is_dense_around_release_and_its_series_can_be_filled_in() {
    let lab = Lab::new();
    let arguments = [
        "plan",
        "--mix",
        "M45",
        "--release",
        "14 h",
        "--cycle-c",
        "0:22,4:25,6:60,7:65,14:65,16:50,18:40",
        "--placed-at",
        "2026-03-14T18:00:00Z",
        "--sheet",
        "sheet.svg",
        "--csv",
        "series.csv",
    ];
    lab.run(&arguments).shows(&[
        "make 20 cylinders, 2 of them spare",
        "14.00 h  2026-03-15 08:00",
        "G1 (sensor), G2 (sensor)",
        "they are the wrong data for this question",
        "match-cured",
    ]);
    assert!(
        lab.read("sheet.svg")
            .contains("Calibration series, mix M45")
    );
    assert_eq!(lab.read("series.csv").lines().count(), 2 + 18);
    let plan = lab
        .run(&["plan", "--mix", "M45", "--release", "14 h", "--json"])
        .json();
    assert_eq!(plan["groups"].as_array().map(Vec::len), Some(7));
    lab.run(&[
        "plan",
        "--mix",
        "M45",
        "--release",
        "14 h",
        "--cycle-c",
        "0:22,4",
    ])
    .fails_with(1, &["\"4\" in the cycle must read HOURS:TEMPERATURE"]);
}

#[test]
fn breaks_verify_a_curve_or_show_its_drift() {
    let lab = lab_with("night.csv", NIGHT);
    assert_eq!(lab.run(&FIT_NIGHT).code(), Some(0));
    let head = "pour,broken_at,strength_mpa,age_h,temperature_c\n";
    let breaks = |strengths: &[f64]| -> String {
        let rows = strengths
            .iter()
            .enumerate()
            .map(|(day, mpa)| format!("P{day:02},2026-04-{:02}T05:00:00Z,{mpa},14,23\n", day + 1));
        format!("{head}{}", rows.collect::<String>())
    };
    lab.write("few.csv", &breaks(&[27.9, 26.8]));
    lab.run(&["verify", "m45.toml", "few.csv"])
        .shows(&["NOT VERIFIED: 2 pours of 10"]);
    lab.write(
        "good.csv",
        &breaks(&[27.9, 26.8, 28.1, 27.0, 26.5, 27.6, 27.3, 28.0, 26.9, 27.4]),
    );
    let good = lab
        .run(&["verify", "m45.toml", "good.csv", "--json"])
        .json();
    assert_eq!(good["state"], "holds");
    assert!(
        good["in_control_run_length_below"]
            .as_f64()
            .is_some_and(|length| length > 300.0)
    );
    let late = "P09,2026-04-10T09:00:00Z,30,18,23\nP10,2026-04-11T05:00:00Z,27,,\n";
    lab.write("bad.csv", &format!("{}{late}", breaks(&[27.9, 24.0, 23.9])));
    let bad = lab.run(&[
        "verify",
        "m45.toml",
        "bad.csv",
        "--svg",
        "breaks.svg",
        "--sums-svg",
        "sums.svg",
    ]);
    assert_eq!(bad.code(), Some(3), "{}", bad.stderr());
    for part in [
        "DRIFTS",
        "2 consecutive breaks were below the tolerance, the last of pour P02",
        "nothing is changed by itself",
        "its specimens had no temperature history of their own",
    ] {
        assert!(bad.stdout().contains(part), "{}", bad.stdout());
    }
    assert!(lab.read("breaks.svg").contains("tolerance -10 %"));
    assert!(lab.read("sums.svg").contains("limit below"));
    lab.write("wrong.csv", &format!("{head}P1,yesterday,27,14,23\n"));
    lab.run(&["verify", "m45.toml", "wrong.csv"])
        .fails_with(1, &["line 2, column `broken_at`", "2026-03-15T05:10:00Z"]);
}

#[test]
fn a_curve_with_coefficients_only_says_that_no_data_stand_behind_it() {
    let lab = lab_with(
        "old.toml",
        "schema = 1\nname = \"old\"\nmix = \"M\"\nauthor = \"lab\"\nmade_at = 2026-03-14\n\
         time_zero = \"placed\"\n[maturity]\nfunction = \"en-1992-age\"\n[curve]\n\
         form = \"logarithmic\"\nintercept_mpa = -20\nslope_mpa = 16\ncovariance_known = false\n\
         residual_cv = 0.05\nresidual_degrees_of_freedom = 8\n[range]\nmaturity_min = 6\n\
         maturity_max = 700\ntemperature_min_c = 15\ntemperature_max_c = 25\n[specimens]\n\
         cured = \"standard\"\nshape = \"cylinder\"\ndiameter_mm = 100\nlength_mm = 200\n",
    );
    lab.run(&["show", "old.toml"]).shows(&[
        "NO DATA BEHIND IT",
        "residual scatter 5.0 % of the strength",
        "an approval must accept by name: no-data-behind-it",
    ]);
    lab.run(&["approve", "old.toml", "--by", "lead"])
        .fails_with(1, &["--accept no-data-behind-it"]);
}

#[test]
fn every_command_has_help_with_examples() {
    let lab = Lab::new();
    for command in ["plan", "fit", "rates", "verify", "approve", "show"] {
        let ran = lab.run(&[command, "--help"]);
        ran.shows(&["Examples:", "tarplight-lab"]);
    }
}

#[test]
fn temperatures_typed_in_the_other_unit_are_a_warning_that_an_approval_must_take_on() {
    // 23 °C under temperature_f is -5 °C; 73.4 °F under temperature_c is hotter than any standard cure.
    let slips = [
        (NIGHT.replace(",73.4,", ",23,"), "no-curing-temperature"),
        (
            NIGHT.replace("temperature_f", "temperature_c"),
            "not-at-standard-temperature",
        ),
    ];
    for (text, warning) in slips {
        let lab = lab_with("night.csv", &text);
        lab.run(&FIT_NIGHT).shows(&[]);
        lab.run(&["approve", "m45.toml", "--by", "lab lead"])
            .fails_with(1, &[warning]);
    }
}

#[test]
fn a_coefficient_raised_by_hand_is_not_its_datas_and_is_not_approved_unseen() {
    let lab = lab_with("night.csv", NIGHT);
    lab.run(&FIT_NIGHT).shows(&[]);
    let text = lab.read("m45.toml");
    let line = text
        .lines()
        .find(|line| line.starts_with("ultimate_mpa"))
        .expect("the coefficient");
    let value: f64 = line
        .split('=')
        .nth(1)
        .and_then(|value| value.trim().parse().ok())
        .expect("a number");
    let raised = text.replace(line, &format!("ultimate_mpa = {}", value + 20.0));
    lab.write("m45.toml", &raised);
    lab.run(&["approve", "m45.toml", "--by", "lab lead"])
        .fails_with(1, &["--accept not-its-data"]);
}

#[test]
fn a_datum_below_zero_is_typed_as_it_is_written() {
    let lab = lab_with("night.csv", NIGHT);
    let datum = ["--maturity", "temperature-time-factor", "--datum", "-10 °C"];
    let run = [&["fit", "night.csv", "--form", "hyperbolic"][..], &datum].concat();
    lab.run(&run).shows(&["-10"]);
}
