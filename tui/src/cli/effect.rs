//! What an act would change, as text: the answer to a dry run, and what is odd about an act.

use daemon_api::ActAnswer;
use daemon_api::effect::{Odd, PourEffect, PourStanding};
use units::{Megapascal, Show, UnitSystem};

use crate::words;

/// The whole answer to a dry run.
pub fn dry_run(answer: &ActAnswer, units: UnitSystem) -> String {
    let mut lines = vec![format!(
        "dry run, nothing is recorded: {}",
        answer.understood
    )];
    let effect = answer.effect.clone().unwrap_or_default();
    if let Some(broken) = &effect.broken {
        let specimens = broken.specimens.iter().zip(&broken.judged.strengths_mpa);
        let specimens: Vec<String> = specimens
            .map(|(name, mpa)| format!("{name} {}", Megapascal(*mpa).show(units)))
            .collect();
        lines.push(format!("set {}: {}", broken.set, specimens.join(", ")));
        lines.push(format!("  {}", broken.verdict));
        lines.extend(broken.judged.notes.iter().map(|note| format!("  {note}")));
    }
    for pour in &effect.pours {
        lines.extend(of_pour(pour));
    }
    lines.extend(
        answer
            .cautions
            .iter()
            .map(|text| format!("caution: {text}")),
    );
    lines.extend(odd(&answer.odd));
    lines.join("\n") + "\n"
}

/// What was recorded, as the daemon understood it.
pub fn recorded(answer: &ActAnswer) -> String {
    let known = if answer.already_known {
        ", in the record already"
    } else {
        ""
    };
    format!(
        "recorded: {} (number {}{known}, id {})\n",
        answer.understood, answer.sequence, answer.id
    )
}

/// Each odd thing with what accepts it.
pub fn odd(odd: &[Odd]) -> Vec<String> {
    let one = |odd: &Odd| format!("odd: {} If it is meant: --accept {}", odd.text, odd.name);
    odd.iter().map(one).collect()
}

fn of_pour(effect: &PourEffect) -> Vec<String> {
    let name = format!("{}, pour {}", effect.bed, effect.pour);
    let (before, after) = match (&effect.before, &effect.after) {
        (_, None) => return vec![format!("{name}: the pour goes, with everything said of it")],
        (before, Some(after)) => (before.as_ref(), after),
    };
    let status = |standing: &PourStanding| words::status(standing.status);
    let was = before.map(status).filter(|was| *was != status(after));
    let was = was.map_or_else(String::new, |was| format!(", was {was}"));
    let mut lines = vec![format!("{name}: {}{was}", status(after))];
    lines.push(format!("  {}", after.confirmation.words));
    let known = before.map_or(&[][..], |before| &before.confirmed);
    if after.confirmed != known {
        let list = |positions: &[String]| match positions {
            [] => "none".to_owned(),
            positions => positions.join(", "),
        };
        lines.push(format!(
            "  confirmed: {} (was {})",
            list(&after.confirmed),
            list(known)
        ));
    }
    for (what, holds) in [
        ("release hold", &after.release_holds),
        ("piece hold", &after.piece_holds),
    ] {
        lines.extend(holds.iter().map(|hold| format!("  {what}: {}", hold.text)));
    }
    lines
}
