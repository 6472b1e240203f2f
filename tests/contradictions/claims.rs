//! What a text claims of a pour's cylinders, heat and time, and which claims do not go together.

use std::sync::LazyLock;

use daemon_api::PourView;
use regex::Regex;

/// A text and where it stands.
pub struct Said {
    pub place: String,
    pub text: String,
}

/// Words that speak of a set to come, of a rule or of the past of one set, and claim nothing of the pour.
const NO_CLAIMS: [&str; 11] = [
    r"(set|broken at the wanted time) passes with",
    r"a set passes by (then|\S+)",
    r"another set would pass",
    r"(would|could) (probably |then )?pass\b",
    r"to pass\b",
    r"if cylinders have not passed",
    r"only (a )?pass(ing|ed)? (set|cylinders)[^.]*",
    r"FAILED[^;]*; a later set made up for it",
    r"FAILED, made up[^.;]*",
    r"chance that[^.;]*",
    r"cylinders that passed",
];

/// Compiled once: thousands of texts are read.
static UNCLAIMING: LazyLock<Regex> = LazyLock::new(|| pattern(&NO_CLAIMS.join("|")));
static PASSED: LazyLock<Regex> = LazyLock::new(|| pattern(r"\b(passed|passes)\b"));
static FAILED: LazyLock<Regex> = LazyLock::new(|| pattern(r"\bfailed\b"));
static CONFIRMS: LazyLock<Regex> = LazyLock::new(|| pattern(r"\bconfirms P\d"));
/// Estimate, lower bound and required strength as a row shows them, and as a sentence does.
static ESTIMATE: LazyLock<Regex> =
    LazyLock::new(|| pattern(r"\b\d{3,5}/\d{3,5}/\d{4}\b|(^|[^(])\bestimate \d[^,]*, lower bound"));

fn pattern(text: &str) -> Regex {
    Regex::new(&format!("(?i){text}")).expect("a pattern")
}

/// Every pair of statements that cannot both be true, as sentences.
pub fn contradictions(pour: &PourView, texts: &[Said]) -> Vec<String> {
    let outcome = pour.confirmation.outcome.as_str();
    let waits = ["not-broken", "failed", "does-not-count", "not-confirmed"].contains(&outcome);
    let failed = outcome.starts_with("failed");
    let mut found = Vec::new();
    let mut wrong = |said: &Said, what: &str| {
        found.push(format!(
            "{outcome}, yet {what} in {}: {}",
            said.place, said.text
        ));
    };
    for said in texts {
        let text = said.text.split_whitespace().collect::<Vec<_>>().join(" ");
        let claims = UNCLAIMING.replace_all(&text, " ");
        if (waits || failed) && PASSED.is_match(&claims) {
            wrong(said, "cylinders pass");
        }
        if !failed && FAILED.is_match(&claims) {
            wrong(said, "cylinders failed");
        }
        if waits && text.contains("QC signs the release") {
            wrong(said, "QC may sign");
        }
        if ["confirmed", "released"].contains(&outcome) && text.contains("do not release") {
            wrong(said, "it must not be released");
        }
        if outcome == "not-broken" && CONFIRMS.is_match(&text) {
            wrong(said, "a set confirms");
        }
        if pour.estimate_disagreed && ESTIMATE.is_match(&text) {
            wrong(said, "an estimate stands bare");
        }
        let is_on = pour.heat.is_some_and(|heat| heat.on);
        if is_on && text.contains("The heat is off") {
            wrong(said, "the heat is off");
        }
        if !is_on
            && pour.heat.is_some()
            && text.contains("Turn the heat of")
            && text.contains(" off.")
        {
            wrong(said, "heat that is off is to be turned off");
        }
    }
    let any = |words: &[&str]| {
        texts
            .iter()
            .find(|said| words.iter().any(|words| said.text.contains(words)))
    };
    let pairs: [(&[&str], &[&str]); 3] = [
        (
            &["Keep the heat"],
            &[
                "turn the heat off",
                "Turn the heat of",
                "is no longer needed",
            ],
        ),
        (&["h before its time", "early"], &["h late;", "h 15 late"]),
        (
            &["Waiting is sooner than another set"],
            &[
                "Another set could confirm it sooner",
                "Break a release set of",
            ],
        ),
    ];
    for (one, other) in pairs {
        if let (Some(one), Some(other)) = (any(one), any(other))
            && is_of_one_kind(one, other)
        {
            found.push(format!(
                "\"{}\" ({}) against \"{}\" ({})",
                one.text, one.place, other.text, other.place
            ));
        }
    }
    found
}

/// Screens hold many sentences of many things: pairs are sought among single sentences.
fn is_of_one_kind(one: &Said, other: &Said) -> bool {
    let is_sentence = |said: &Said| !said.place.starts_with("screen") && said.place != "show";
    is_sentence(one) && is_sentence(other)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pour(outcome: &str) -> PourView {
        let golden = harness::workspace_root().join("daemon/api/tests/golden/pour.json");
        let text = std::fs::read_to_string(golden).expect("a golden pour");
        let mut pour: PourView = serde_json::from_str(&text).expect("a pour");
        pour.confirmation.outcome = outcome.to_owned();
        pour.estimate_disagreed = outcome.starts_with("failed");
        pour
    }

    fn found(outcome: &str, texts: &[&str]) -> Vec<String> {
        let said = |text: &&str| Said {
            place: "answer".to_owned(),
            text: (*text).to_owned(),
        };
        contradictions(&pour(outcome), &texts.iter().map(said).collect::<Vec<_>>())
    }

    #[test]
    fn what_a_night_once_said_of_one_bed_is_found() {
        // Of a pour with a failed set and one judged together with it.
        let rows = [
            "N2: break FAILED, curing",
            "?N2 DT-45 127..136 4050/3520/4000 11:22–15:11–? passed, unproven; cu… 1",
            "set B … 4260 psi of 4000 psi: passes, with the breaks before it 3710 psi",
        ];
        assert!(found("failed", &rows[..1]).is_empty());
        assert_eq!(
            found("failed", &rows[1..2]).len(),
            2,
            "passed, and a bare estimate"
        );
        assert_eq!(found("failed", &rows[2..]).len(), 1);
        assert_eq!(found("not-confirmed", &["passed in part, curing"]).len(), 1);
        assert_eq!(
            found("confirmed", &["Cylinders failed; 2 are left."]).len(),
            1
        );
        let heat = [
            "Do not detension. Keep the heat and the tarp.",
            "See whether the valve is closed, turn the heat off, and record it.",
        ];
        assert_eq!(found("failed", &heat).len(), 1);
        assert!(
            found(
                "failed",
                &["Cylinders FAILED: do not release; another set passes with 90 % from 07:49 on."]
            )
            .is_empty()
        );
        assert!(
            found(
                "confirmed",
                &["3300 psi of 3500 psi: FAILED; a later set made up for it"]
            )
            .is_empty()
        );
    }
}
