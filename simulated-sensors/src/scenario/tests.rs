//! What a scenario may say, and how it is told what it may not.

use super::*;

fn refusal(from: &str, to: &str) -> String {
    assert!(EIGHT_BEDS.contains(from), "the scenario has no {from}");
    let text = EIGHT_BEDS.replacen(from, to, 1);
    Scenario::parse(&text, "bad.toml")
        .expect_err("refused")
        .to_string()
}

#[test]
fn the_built_in_scenario_has_eight_beds_with_all_their_channels() {
    let scenario = Scenario::eight_beds().expect("scenario");
    let ids: Vec<_> = scenario.beds.iter().map(|bed| bed.id.as_str()).collect();
    assert_eq!(ids, ["N1", "N2", "N3", "N4", "S1", "S2", "S3", "S4"]);
    for bed in &scenario.beds {
        assert!((5..=8).contains(&bed.positions.len()), "{}", bed.id);
        assert!((3..=6).contains(&bed.load_count), "{}", bed.id);
    }
    let serial = scenario
        .loggers
        .iter()
        .filter(|logger| logger.format.is_serial())
        .count();
    assert_eq!((serial, scenario.loggers.len()), (4, 8));
}

#[test]
fn a_misspelt_key_is_refused_with_its_line() {
    let error = refusal("sample_period_s", "sampling_period_s");
    assert!(
        error.starts_with("bad.toml: TOML parse error at line"),
        "{error}"
    );
    assert!(
        error.contains("unknown field `sampling_period_s`"),
        "{error}"
    );
}

#[test]
fn names_that_lead_nowhere_are_refused() {
    assert!(refusal("mix = \"DT-45\"", "mix = \"DT-46\"").contains("bed N1: no mix DT-46"));
    let error = refusal("place = \"web\"", "place = \"wing\"");
    assert!(error.contains("has no place wing"), "{error}");
    let error = refusal("logger = \"N2\"", "logger = \"N9\"");
    assert!(error.contains("no logger N9"), "{error}");
}

#[test]
fn impossible_numbers_are_refused() {
    let error = refusal("channel = \"N1-02\"", "channel = \"N1-01\"");
    assert!(error.contains("channel N1-01 is used twice"), "{error}");
    let error = refusal("first_placed = \"13:00\"", "first_placed = \"23:00\"");
    assert!(error.contains("bed N1: last_placed"), "{error}");
    let error = refusal("tau_h = ", "tau_h = -");
    assert!(error.contains("tau_h"), "{error}");
    let error = refusal("\"13:00\"", "\"25:00\"");
    assert!(error.contains("HH:MM"), "{error}");
}
