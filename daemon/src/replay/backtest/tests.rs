//! Reports and pictures of pours whose forecasts were off by known times.

use serde_json::Value;

use super::*;

const MS_PER_H: f64 = 3_600_000.0;

/// A pour that got there at its hour, forecast `off_h` too late four hours before, an hour either side.
fn kept(number: usize, off_h: f64) -> Kept {
    let reached_h = 24.0 * number as f64;
    let at = |hours: f64| UtcMs((hours * MS_PER_H) as i64);
    let likely_h = reached_h + off_h;
    Kept {
        pour: format!("P-{number:03}"),
        bed: format!("B{}", number % 2),
        mix: "M".to_owned(),
        answers: vec![Answer {
            at: at(reached_h - 4.0),
            window: ForecastWindow {
                early_at: Some(at(likely_h - 1.0)),
                likely_at: Some(at(likely_h)),
                late_at: Some(at(likely_h + 1.0)),
            },
        }],
        reached_at: Some(at(reached_h)),
        said: None,
        first_break: Some((0.9, number != 3)),
        // Every tenth set was weaker by more than nine of ten should be.
        expected_ratio_ln: Some((0.0, 0.05)),
        ratio_ln: Some(if number.is_multiple_of(10) {
            -0.1
        } else {
            0.02
        }),
    }
}

/// Fifty pours; the first thirty were off by two hours, the others by a quarter.
fn pours() -> Vec<Kept> {
    let off_h = |number: usize| if number <= 30 { 2.0 } else { 0.25 };
    (1..=50).map(|number| kept(number, off_h(number))).collect()
}

#[test]
fn stretches_follow_each_other_and_show_what_came_of_learning() {
    let report = serde_json::to_value(Report::of(&pours())).expect("JSON");
    let stretches = report["rolling"].as_array().expect("stretches");
    let told: Vec<_> = stretches
        .iter()
        .map(|one| {
            (
                one["first_pour"].as_str().expect("a pour"),
                one["pour_count"].as_u64().expect("a count"),
                one["median_h"].as_f64().expect("hours"),
                one["cover"].as_f64().expect("a share"),
            )
        })
        .collect();
    assert_eq!(told[0], ("P-001", 20, 2.0, 0.0));
    assert_eq!((told[1].0, told[1].1, told[1].3), ("P-021", 20, 0.5));
    assert_eq!(told[2], ("P-041", 10, 0.25, 1.0));
    assert_eq!(report["all"].as_array().map(Vec::len), Some(1), "4 h only");
    assert_eq!(report["by_bed"]["B1"][0]["pour_count"], 25);
    assert_eq!(report["first_sets"][0]["set_count"], 50);
    assert_eq!(report["first_sets"][0]["passed_count"], 49);
    let ratios = &report["first_ratios"][0];
    assert_eq!(
        (&ratios["mix"], &ratios["set_count"]),
        (&Value::Null, &50.into())
    );
    let figure = |key: &str| ratios[key].as_f64().expect("a number");
    assert!((figure("cover") - 0.9).abs() < 1e-9, "{ratios}");
    // Nine sets stronger by .02 for one weaker by .1.
    assert!(
        (figure("mean") - (0.1 - 9.0 * 0.02) / 10.0).abs() < 1e-9,
        "{ratios}"
    );
    assert!(
        (figure("width") - 2.0 * 1.2816 * 0.05).abs() < 1e-9,
        "{ratios}"
    );
}

#[test]
fn all_horizons_stand_beside_each_other_where_enough_was_forecast() {
    let chart = picture::over_horizons(&pours());
    // Answers were asked four hours ahead, and count within half an hour of it.
    let hours: Vec<f64> = chart.band.iter().map(|one| one.0).collect();
    assert_eq!(hours, [3.5, 4.0, 4.5]);
    // Thirty of fifty were off by two hours, the others by a quarter; the window is an hour either side.
    assert_eq!(chart.band[1], (4.0, 0.25, 2.0));
    assert_eq!(chart.lines[0][1], (4.0, -1.0));
    assert_eq!(chart.lines[1][1], (4.0, 1.0));
    assert!(chart.note.contains("40 % at 4 h"), "{}", chart.note);
    let none = picture::over_horizons(&[]);
    assert!(none.note.contains("none yet"), "{}", none.note);
}

#[test]
fn a_picture_has_each_pour_and_names_what_was_held() {
    let chart = picture::of_horizon(&pours(), 4.0);
    assert_eq!((chart.band.len(), chart.marks.len()), (50, 50));
    assert!(chart.note.contains("held 20 of 50"), "{}", chart.note);
    // The first line is there once twenty pours are.
    assert_eq!(chart.lines[1].first(), Some(&(20.0, 2.0)));
    assert_eq!(chart.lines[1].last(), Some(&(50.0, 0.25)));
    let empty = chart::svg(&picture::of_horizon(&pours(), 1.0));
    assert!(empty.contains("held 0 of 0"), "{empty}");
}
