//! Acts that mend the record: an earlier one struck or corrected, a sign-off withdrawn.

use std::path::PathBuf;

use anyhow::{Context as _, bail};
use clap::Args;
use daemon_api::act::{ActBody, BreakResult, Replacement};
use daemon_api::effect::RecordEntry;
use uuid::Uuid;

use super::ActArgs;
use super::acts::reasoned;
use super::send::{Desk, Plant};
use crate::entry;
use crate::when::Beginning;

#[derive(Debug, Args)]
#[command(
    after_help = "The entry stays in the record, its effect goes, and everything is judged again.\nA strike can \
                  itself be struck. A sign-off is withdrawn, see \"tarplight withdraw\".\n\nExample: tarplight \
                  strike 25 --why \"typed for the wrong bed\""
)]
pub struct StrikeArgs {
    /// Number or id of the act ("tarplight acts" lists both)
    pub entry: String,
    #[command(flatten)]
    pub act: ActArgs,
}

#[derive(Debug, Args)]
#[command(
    after_help = "The corrected act stays in the record; what is given here stands in its place. What is not \
                  given stays as it was.\n\nExamples:\n  tarplight correct 25 --specimen \"A3 3780 psi\" --why \
                  \"digit dropped\"\n  tarplight correct 31 --happened 17:00 --why \"phone two minutes fast\"\n  \
                  tarplight correct 40 --body load.json --why \"stations exchanged\"\n\nThe file of --body holds \
                  the whole act as JSON, as \"tarplight acts --json\" prints it."
)]
pub struct CorrectArgs {
    /// Number or id of the act ("tarplight acts" lists both)
    pub entry: String,
    /// Of a break: a specimen as it should be; the others stay
    #[arg(long, value_name = "\"NAME RESULT\"", conflicts_with = "body")]
    pub specimen: Vec<String>,
    /// Of a break: when the cylinders left the tarp
    #[arg(long, value_name = "TIME", conflicts_with = "body")]
    pub pulled: Option<String>,
    /// When it happened (a break: when it was tested)
    #[arg(long, value_name = "TIME")]
    pub happened: Option<String>,
    /// JSON file with what was done
    #[arg(long, value_name = "FILE")]
    pub body: Option<PathBuf>,
    #[command(flatten)]
    pub act: ActArgs,
}

#[derive(Debug, Args)]
#[command(
    after_help = "Do not cut. If strands are cut, tell the engineer.\n\nExample: tarplight withdraw N1 --why \
                  \"the wrong cylinders were broken\""
)]
pub struct WithdrawArgs {
    /// Bed or pour
    pub pour: String,
    #[command(flatten)]
    pub act: ActArgs,
}

pub async fn strike(desk: &Desk, args: StrikeArgs) -> anyhow::Result<()> {
    let act = reasoned(args.act)?;
    let plant = desk.plant().await?;
    let entry = find(desk, &args.entry).await?;
    let body = ActBody::ActStruck {
        struck: entry.act.id,
    };
    desk.send(&plant.act(desk, &entry.act.pour, &act, body)?, &act)
        .await
}

pub async fn correct(desk: &Desk, args: CorrectArgs) -> anyhow::Result<()> {
    let act = reasoned(args.act.clone())?;
    let plant = desk.plant().await?;
    let entry = find(desk, &args.entry).await?;
    let said = said(&entry);
    let beginning = plant.beginning(&entry.act.pour);
    let mut happened_at = said.1;
    if let Some(typed) = &args.happened {
        happened_at = Some(plant.past("happened", typed, beginning.as_ref())?);
    }
    let body = match (&args.body, said.0) {
        (Some(path), _) => {
            let text = std::fs::read_to_string(path)
                .with_context(|| format!("cannot read {}", path.display()))?;
            serde_json::from_str(&text)
                .with_context(|| format!("{} is no act as JSON", path.display()))?
        }
        (None, ActBody::BreakRecorded(result)) => {
            ActBody::BreakRecorded(corrected_break(&plant, &args, result, beginning.as_ref())?)
        }
        (None, body) => {
            if !args.specimen.is_empty() || args.pulled.is_some() {
                bail!(
                    "act {} is no break: --specimen and --pulled are of breaks",
                    args.entry
                );
            }
            if args.happened.is_none() {
                bail!(
                    "nothing was given to correct: --happened TIME, or --body FILE with the whole act as \
                     JSON (\"tarplight acts --json\" prints it)"
                );
            }
            body
        }
    };
    let body = ActBody::ActCorrected {
        corrected: entry.act.id,
        replacement: Replacement {
            happened_at,
            why: None,
            body: Box::new(body),
        },
    };
    desk.send(&plant.act(desk, &entry.act.pour, &act, body)?, &act)
        .await
}

/// What an act says now: a correction says what stands in the place of another.
fn said(entry: &RecordEntry) -> (ActBody, Option<chrono::DateTime<chrono::Utc>>) {
    match &entry.act.body {
        ActBody::ActCorrected { replacement, .. } => {
            ((*replacement.body).clone(), replacement.happened_at)
        }
        body => (body.clone(), None),
    }
}

fn corrected_break(
    plant: &Plant,
    args: &CorrectArgs,
    mut result: BreakResult,
    beginning: Option<&Beginning>,
) -> anyhow::Result<BreakResult> {
    if args.specimen.is_empty() && args.pulled.is_none() && args.happened.is_none() {
        bail!(
            "nothing was given to correct: --specimen \"NAME RESULT\", --pulled TIME or --happened TIME"
        );
    }
    for typed in &args.specimen {
        let right =
            entry::named_specimen(typed).with_context(|| format!("--specimen \"{typed}\""))?;
        let known = result
            .specimens
            .iter_mut()
            .find(|one| one.specimen == right.specimen);
        let Some(known) = known else {
            let names: Vec<&str> = result.specimens.iter().map(|one| &*one.specimen).collect();
            bail!(
                "--specimen \"{typed}\": the break has no specimen {}; it has {}",
                right.specimen,
                names.join(", ")
            );
        };
        *known = right;
    }
    if let Some(typed) = &args.pulled {
        result.pulled_at = Some(plant.past("pulled", typed, beginning)?);
    }
    if let Some(typed) = &args.happened {
        result.tested_at = plant.past("happened", typed, beginning)?;
    }
    Ok(result)
}

pub async fn withdraw(desk: &Desk, args: WithdrawArgs) -> anyhow::Result<()> {
    let act = reasoned(args.act)?;
    let plant = desk.plant().await?;
    let pour = plant.pour(&args.pour)?;
    let Some(release) = &pour.release else {
        bail!(
            "{} is not released: there is nothing to withdraw",
            args.pour
        );
    };
    // One signature covers the line: all the pours that it released.
    let pours = plant.snapshot.beds.iter().flat_map(|bed| &bed.pours);
    let signed = pours.filter(|one| {
        let same = |other: &daemon_api::pour::SignedView| {
            (other.at, &other.by) == (release.at, &release.by)
        };
        one.line == pour.line && one.release.as_ref().is_some_and(same)
    });
    let body = ActBody::ReleaseWithdrawn {
        pours: signed.map(|one| one.pour.clone()).collect(),
    };
    desk.send(&plant.act(desk, &pour.pour, &act, body)?, &act)
        .await
}

/// The act that a person names by its number or its id.
async fn find(desk: &Desk, named: &str) -> anyhow::Result<RecordEntry> {
    let id = named.parse::<Uuid>().ok();
    let number = named.parse::<i64>().ok();
    if id.is_none() && number.is_none() {
        bail!(
            "\"{named}\" is neither the number nor the id of an act: \"tarplight acts\" lists both"
        );
    }
    let record = desk.client.record(None).await?;
    let is_named = |entry: &RecordEntry| Some(entry.act.id) == id || Some(entry.sequence) == number;
    record.into_iter().find(is_named).with_context(|| {
        format!("there is no act {named}: \"tarplight acts\" lists what is on record")
    })
}
