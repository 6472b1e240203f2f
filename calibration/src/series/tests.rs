//! Series as labs write them: what is read, what is refused, and how it is said.

use std::collections::BTreeMap;

use units::Millimetre;

use super::*;
use crate::fit::{FitOptions, Form, fit};

const NURSE_SAUL: MaturityFunction = MaturityFunction::TemperatureTimeFactor { datum_c: 0.0 };

fn csv(text: &str) -> Series {
    Series::parse(text, SeriesFormat::Csv, SeriesKind::Cylinders).expect("a series")
}

fn is_near(left: f64, right: f64) -> bool {
    (left - right).abs() <= 1e-9 * right.abs()
}

#[test]
fn the_shortest_series_has_three_columns() {
    let series = csv("age_d,strength_mpa,temperature_c\n1,12.64,20\n3,26.06,20\n");
    assert!(series.bad_rows.is_empty());
    let (rows, bad_rows) = series.data(&NURSE_SAUL, &BTreeMap::new());
    assert!(bad_rows.is_empty());
    assert!(is_near(rows[0].maturity, 480.0) && is_near(rows[1].age_h, 72.0));
    assert_eq!(rows[0].specimen, "line 2");
    let (points, groups) = points(&rows);
    assert_eq!((points.len(), groups.len()), (2, 2));
}

#[test]
fn us_units_and_loads_become_si() {
    let series = csv(
        "specimen,age_h,load_lbf,diameter_in,length_in,temperature_f\n\
                      A1,14,50265,4,8,73.4\n",
    );
    let one = &series.specimens[0];
    assert!(
        (one.strength_mpa - 27.5787).abs() < 1e-3,
        "{}",
        one.strength_mpa
    );
    assert!(is_near(one.diameter_mm.expect("given"), 101.6));
    assert!(matches!(one.temperature, Temperature::Constant(celsius) if is_near(celsius, 23.0)));
}

#[test]
fn every_bad_row_is_named_by_line_column_and_reason() {
    let series = csv(
        "specimen,age_h,strength_mpa,temperature_c,excluded_because,excluded_by\n\
                      A1,14,25.0,20,,\n\
                      A2,fourteen,25.0,20,,\n\
                      A3,14,3500,20,,\n\
                      A4,14,,20,,\n\
                      A5,14,25.0,200,,\n\
                      A6,-1,25.0,20,,\n\
                      A1,15,25.0,20,,\n\
                      A7,14,25.0,20\n\
                      A8,14,25.0,20,cap broke,\n\
                      A9,14,NaN,20,,\n",
    );
    let found: Vec<(usize, &str)> = series
        .bad_rows
        .iter()
        .map(|row| (row.line, row.column.as_str()))
        .collect();
    assert_eq!(
        found,
        [
            (3, "age_h"),
            (4, "strength_mpa"),
            (5, "strength_mpa"),
            (6, "temperature_c"),
            (7, "age_h"),
            (8, "specimen"),
            (9, "excluded_because"),
            (10, "excluded_by"),
            (11, "strength_mpa"),
        ]
    );
    assert_eq!(series.specimens.len(), 1);
    let said = series.bad_rows[1].to_string();
    assert!(said.contains("did you mean 3500 psi?"), "{said}");
}

#[test]
fn a_text_that_is_no_series_is_refused_whole() {
    for (text, expected) in [
        ("", "the file is empty"),
        ("age_d;strength_mpa\n1;2\n", "not parted by commas"),
        (
            "age_d,strenght_mpa,temperature_c\n",
            "did you mean `strength_mpa`?",
        ),
        ("age_d,age_h,strength_mpa,temperature_c\n", "one quantity"),
        (
            "age_d,age_d,strength_mpa,temperature_c\n",
            "stands there twice",
        ),
        (
            "age_d,strength_mpa\n1,20\n",
            "no column gives the temperature",
        ),
    ] {
        let error = Series::parse(text, SeriesFormat::Csv, SeriesKind::Cylinders).expect_err(text);
        assert!(error.to_string().contains(expected), "{error}");
    }
    let error = Series::parse("mixx = 3\n", SeriesFormat::Toml, SeriesKind::Cylinders)
        .expect_err("unknown key");
    assert!(error.to_string().starts_with("line 1"), "{error}");
}

#[test]
fn toml_reads_like_csv_with_keys_for_all_specimens() {
    let text = "temperature_c = 20\ndiameter_in = 4\n\n[[specimen]]\nspecimen = \"A1\"\nage_h = 24\n\
                strength_mpa = 12.5\n\n[[specimen]]\nage_h = 48\nstrength_mpa = 500\n";
    let series = Series::parse(text, SeriesFormat::Toml, SeriesKind::Cylinders).expect("a series");
    assert_eq!(series.specimens[0].specimen, "A1");
    assert!(is_near(
        series.specimens[0].diameter_mm.expect("shared"),
        101.6
    ));
    assert_eq!(series.bad_rows[0].line, 9);
    assert_eq!(series.bad_rows[0].column, "strength_mpa");
}

#[test]
fn a_companion_history_gives_the_maturity_and_says_where_it_cannot() {
    let history = History::parse("hours,temperature_c\n0.25,20\n1,20\n2,40\n4,40\n", None)
        .expect("a history");
    let (maturity, low_c, high_c) = history.exposure(&NURSE_SAUL, 3.0).expect("covered");
    assert!(is_near(maturity, 20.0 + 30.0 + 40.0), "{maturity}");
    assert!(is_near(low_c, 20.0) && is_near(high_c, 40.0));
    assert!(matches!(
        history.exposure(&NURSE_SAUL, 6.0),
        Err(HistoryFault::EndsEarly { .. })
    ));
    let late = History::parse("hours,value\n3,20\n4,20\n", None).expect("readable");
    assert!(matches!(
        late.exposure(&NURSE_SAUL, 3.5),
        Err(HistoryFault::BeginsLate { .. })
    ));
    let gap = History::parse("hours,value\n0,20\n5,20\n", None).expect("readable");
    assert!(matches!(
        gap.exposure(&NURSE_SAUL, 4.0),
        Err(HistoryFault::Gap { .. })
    ));
    let zero_at = "2026-03-14T18:00:00Z".parse().expect("an instant");
    let logger = "received_at,measured_at,channel,value\nx,2026-03-14T18:00:00Z,c1,20\n\
                  x,2026-03-14T19:00:00Z,c1,20\n";
    let history = History::parse(logger, Some(zero_at)).expect("a logger's export");
    assert!(is_near(
        history.exposure(&NURSE_SAUL, 1.0).expect("covered").0,
        20.0
    ));
    let error = History::parse(logger, None).expect_err("no time zero");
    assert!(error.to_string().contains("time zero"), "{error}");
    let error = History::parse("hours,value\n0,hot\n", None).expect_err("no number");
    assert!(error.to_string().starts_with("line 2"), "{error}");
}

#[test]
fn a_group_too_far_apart_is_flagged_and_an_exclusion_keeps_its_reason() {
    let mut series = csv("specimen,group,age_h,strength_mpa,temperature_c\n\
                          A1,g1,14,29.0,20\nA2,g1,14,26.0,20\nB1,g2,20,33.0,20\nB2,g2,20,33.5,20\n");
    let precision = |series: &Series| {
        let (rows, _) = series.data(&NURSE_SAUL, &BTreeMap::new());
        group_precisions(&rows, Millimetre(101.6))
    };
    let groups = precision(&series);
    assert!(
        groups[0].is_suspect() && !groups[1].is_suspect(),
        "{groups:?}"
    );
    let exclusion = Exclusion {
        because: "cap broke".to_owned(),
        by: "lab".to_owned(),
    };
    series
        .exclude("A2", exclusion.clone())
        .expect("it is there");
    assert!(series.exclude("A9", exclusion).is_err());
    assert_eq!(precision(&series)[0].specimen_count, 1);
    let (rows, _) = series.data(&NURSE_SAUL, &BTreeMap::new());
    assert_eq!((rows.len(), points(&rows).0.len()), (4, 3));
}

#[test]
fn one_wild_result_stands_out_and_good_ones_do_not() {
    let ages = [
        8.0, 8.0, 11.0, 11.0, 14.0, 14.0, 18.0, 18.0, 26.0, 26.0, 48.0, 48.0,
    ];
    let noise = [
        0.3, -0.4, 0.5, -0.2, 0.1, -0.5, 0.4, -0.3, 0.2, -0.1, 0.3, -0.3,
    ];
    let mut series: Vec<Point> = ages
        .iter()
        .zip(noise)
        .map(|(age_h, noise)| {
            let grown = 0.085 * (age_h - 3.5);
            Point {
                maturity: *age_h,
                strength_mpa: 58.0 * grown / (1.0 + grown) + noise,
                group: *age_h as usize,
            }
        })
        .collect();
    let found = |series: &[Point]| {
        let fit = fit(series, Form::Hyperbolic, FitOptions::default()).expect("a curve");
        outliers(&fit, series)
    };
    assert!(found(&series).is_empty());
    series[6].strength_mpa -= 6.0;
    let flags = found(&series);
    assert_eq!(flags.len(), 1, "{flags:?}");
    assert_eq!(flags[0].point, 6);
    assert!(flags[0].residual_mpa < -3.0);
}

#[test]
fn a_row_has_the_number_that_a_spreadsheet_shows_whatever_ends_its_lines() {
    let text = "# made by hand\nage_h,strength_mpa,temperature_c\n\n1,10.0,20\n2,20.0,20\n# a remark\n3,wrong,20\n,,\n";
    for end in ["\n", "\r\n", "\r"] {
        for mark in ["", "\u{feff}"] {
            let text = format!("{mark}{}", text.replace('\n', end));
            let rows = super::table::read_csv(&text, SeriesKind::Cylinders).expect("a table");
            let lines: Vec<usize> = rows.iter().map(|row| row.line).collect();
            assert_eq!(lines, [4, 5, 7], "{end:?}");
        }
    }
}
