//! Holds and cautions, each with a sentence that says what would end it.

use calibration::{Cured, StrengthEstimate};

use crate::assessment::{
    Confirmation, ConfirmationState, DoubtReason, JudgedBreak, Note, Outcome, PositionEstimate,
    PourAssessment, Standing, Verdict,
};
use crate::config::{PlantConfig, ReleasePolicy, SetScope};
use crate::curve_points::is_hot;
use crate::estimate::ReadyCurve;
use crate::pour::PourRecord;
use crate::release::breaks::{compared, disagrees};
use crate::release::confirm::{is_sampled, load_of};
use crate::say;
use crate::time::UtcMs;

/// What stands against signing the release.
#[must_use]
pub fn release_holds(
    record: &PourRecord,
    policy: &ReleasePolicy,
    breaks: &[JudgedBreak],
    confirmation: &Confirmation,
) -> Vec<Note> {
    if record.release.is_some() {
        return Vec::new();
    }
    let mut holds = Vec::new();
    let mut hold = |kind, text| holds.push(Note { kind, text });
    match confirmation.state {
        ConfirmationState::Confirmed => {}
        ConfirmationState::NoBreak => hold(
            "no-confirming-break",
            "No break confirms the required strength: break a release set.".to_owned(),
        ),
        ConfirmationState::Failed => hold(
            "break-failed",
            if confirmation.release_specimens_left > 0 {
                format!(
                    "{} Wait for the next break time, then break another set of that concrete.",
                    confirmation.words
                )
            } else {
                format!(
                    "{} No release specimens are left: QC and the engineer decide how the strength is \
                     shown.",
                    confirmation.words
                )
            },
        ),
        ConfirmationState::PassedInPart => hold(
            "not-confirmed-everywhere",
            if confirmation.outcome == Outcome::DoesNotCount {
                format!(
                    "{} Break a set that has a temperature record.",
                    confirmation.words
                )
            } else {
                format!(
                    "{} Or leave it out with a reason (`tarplight exclude`).",
                    confirmation.words
                )
            },
        ),
    }
    for broken in breaks {
        let is_open = !record.resolved_breaks.contains(&broken.id);
        if let Some(compared) = compared(broken)
            && disagrees(broken, policy)
            && is_open
        {
            hold(
                "disagreement",
                format!(
                    "Set {} broke at {:.0} % of {}: find out why and resolve it with a reason \
                     (`tarplight resolve`), or correct a mistyped value (`tarplight correct`).",
                    broken.set,
                    100.0 * compared.ratio,
                    compared.with
                ),
            );
        }
    }
    holds
}

/// What a person should know before deciding. A missing estimate is a caution, never a hold.
#[must_use]
pub fn cautions(
    config: &PlantConfig,
    pour: &PourAssessment,
    ready: Option<&ReadyCurve>,
    now: UtcMs,
) -> Vec<Note> {
    let mut cautions = Vec::new();
    if pour.curve.standing == Standing::Superseded || !pour.curve.standing.is_usable() {
        cautions.push(Note {
            kind: "curve",
            text: pour.curve.note.clone(),
        });
    }
    if let Some(advisory) = pour.curve.advisory {
        // Where people spoke of heat, saying `without_heat` would be a mistake.
        let (bed, remedy) = match pour.record.is_said_heated() {
            true => ("this bed is heated", ""),
            false => (
                "nobody has said that this bed gets no heat",
                ", or somebody says so (`without_heat`)",
            ),
        };
        cautions.push(Note {
            kind: "curve-advisory",
            text: format!(
                "The curve only advises here: its specimens were standard-cured and {bed}. The lower \
                 bound is {:.0} % lower until {} pours on heated beds have verified it ({} so \
                 far){remedy}.",
                100.0 * advisory.margin,
                advisory.needed,
                advisory.pour_count
            ),
        });
    }
    if let Some(drift) = &pour.curve.drift {
        cautions.push(Note {
            kind: "curve-drifts",
            text: format!("{drift} Rely on cylinders."),
        });
    }
    if let (Some(ready), Some(required)) = (ready, pour.record.release_strength_mpa())
        && ready.never_reaches(required)
    {
        cautions.push(Note {
            kind: "curve-never-reaches",
            text: format!(
                "Curve {} never reaches the required strength within its data: cylinders alone.",
                ready.name
            ),
        });
    }
    if pour.record.release_strength_mpa().is_none() {
        cautions.push(Note {
            kind: "no-required-strength",
            text: "No release strength is required: correct the pour.".to_owned(),
        });
    }
    if pour
        .record
        .facts
        .last_placement_at
        .is_none_or(|last| last > now)
    {
        cautions.push(Note {
            kind: "last-placement-unknown",
            text: "Nobody has said when the last concrete was placed: record it.".to_owned(),
        });
    }
    cautions.extend(position_cautions(config, pour, ready));
    for broken in &pour.breaks {
        if broken.is_release_set && broken.specimen_maturity.is_none() {
            cautions.push(Note {
                kind: "no-specimen-history",
                text: format!(
                    "The specimens of set {} had no usable temperature history of their own.",
                    broken.set
                ),
            });
        }
    }
    for broken in &pour.breaks {
        let is_resolved = pour.record.resolved_breaks.contains(&broken.id);
        if let Some(compared) = compared(broken)
            && disagrees(broken, &config.release)
            && is_resolved
        {
            cautions.push(Note {
                kind: "disagreement-resolved",
                text: format!(
                    "Set {} broke at {:.0} % of {}: QC resolved it with a reason.",
                    broken.set,
                    100.0 * compared.ratio,
                    compared.with
                ),
            });
        }
    }
    if let Some(text) = withdrawn_sentence(&pour.record) {
        cautions.push(Note {
            kind: "release-withdrawn",
            text,
        });
    }
    cautions
}

/// That the last sign-off counts no more, while nobody has signed again.
#[must_use]
pub fn withdrawn_sentence(record: &PourRecord) -> Option<String> {
    let last = record
        .withdrawn
        .last()
        .filter(|_| record.release.is_none())?;
    let because = match &last.set {
        Some(set) => format!("the break of set {set} that it rests on was struck or corrected"),
        None => "it was withdrawn".to_owned(),
    };
    Some(format!(
        "The release of \"{}\" that {} signed counts no more: {because} by {} ({}). Do not cut. If \
         strands are cut, tell the engineer.",
        record.id, last.release.by, last.by, last.why
    ))
}

fn position_cautions(
    config: &PlantConfig,
    pour: &PourAssessment,
    ready: Option<&ReadyCurve>,
) -> Vec<Note> {
    let mut cautions = Vec::new();
    let mut caution = |kind, text| cautions.push(Note { kind, text });
    let believed = pour
        .positions
        .iter()
        .filter(|one| one.excluded.is_none())
        .filter(|one| matches!(one.trust.verdict, Verdict::Good | Verdict::Suspect))
        .count();
    if believed < config.estimate.position_count_min {
        caution(
            "too-few-positions",
            match believed {
                0 => "No position is believed now.".to_owned(),
                1 => "Only one position is believed now.".to_owned(),
                _ => format!("Only {believed} positions are believed now."),
            },
        );
    }
    for position in &pour.positions {
        let id = &position.id;
        if let Some(why) = &position.excluded {
            caution("position-excluded", format!("{id} is left out: {why}"));
            continue;
        }
        if position.bridged_h > config.estimate.bridged_h_max {
            let bridged = format!("{:.1} h of {id} were bridged, not read", position.bridged_h);
            // What was accepted stays in sight: the record shows what the estimate rests on.
            match pour.record.gaps_accepted.get(id) {
                Some(until) => caution(
                    "gaps-accepted",
                    format!(
                        "{bridged}; gaps up to {} were accepted.",
                        config.local().day_clock(*until)
                    ),
                ),
                None => caution("gaps", format!("{bridged}: QC accepts them or not.")),
            }
        }
        if position.trust.verdict == Verdict::Rejected
            && position.trust.reason == Some(DoubtReason::ReadsAir)
        {
            caution(
                "reads-air",
                format!("{id} reads air: it governs at the lowest maturity that is credible."),
            );
        }
        let is_unseen = matches!(position.trust.verdict, Verdict::Rejected | Verdict::NoData);
        if is_unseen && position.is_judged() && !position.confirmed {
            let reason = position.trust.reason.map_or("no data", DoubtReason::name);
            caution(
                "sensor-not-believed",
                format!(
                    "{id} waits for a break but its sensor is not believed ({reason}): look at it, \
                     or leave the position out with a reason."
                ),
            );
        }
        match &position.estimate {
            PositionEstimate::Some {
                strength: StrengthEstimate::AboveData { .. },
                ..
            } => caution(
                "above-data",
                format!(
                    "{id} is beyond the curve's data: its strength is at least what the curve says \
                     there, and how much more is not known."
                ),
            ),
            PositionEstimate::None { reason, .. } if ready.is_some() => {
                caution("no-estimate", format!("{id} has no estimate: {reason}."));
            }
            PositionEstimate::Some { .. } | PositionEstimate::None { .. } => {}
        }
        if pour.record.facts.without_heat
            && pour.curve.advisory.is_none()
            && ready.is_some_and(|ready| ready.cured == Cured::Standard)
            && is_hot(position, &config.estimate)
        {
            caution(
                "hot-without-heat",
                format!(
                    "{id} was hotter than {} though this bed is said to get no heat: if it is heated, \
                     correct the pour, because the curve's specimens were standard-cured.",
                    say::temperature(config.estimate.heated_above_c, config.units),
                ),
            );
        }
        let highest = position.highest_c.filter(|_| !position.highest_unproven);
        if let (Some(ready), Some(highest_c)) = (ready, highest)
            && highest_c > ready.temperature_max_c
        {
            caution(
                "hotter-than-specimens",
                format!(
                    "{id} reached {}; the curve's specimens saw {} at most: the lower bound counts no \
                     more than that.",
                    say::temperature(highest_c, config.units),
                    say::temperature(ready.temperature_max_c, config.units),
                ),
            );
        }
        let coldest = position.temperature_c;
        if let (Some(ready), Some(coldest_c)) = (ready, coldest)
            && coldest_c < ready.temperature_min_c
        {
            caution(
                "colder-than-specimens",
                format!(
                    "{id} is at {}; the curve's specimens saw {} at least.",
                    say::temperature(coldest_c, config.units),
                    say::temperature(ready.temperature_min_c, config.units),
                ),
            );
        }
        if let Some(load) = load_of(&pour.record, position)
            && !is_sampled(&pour.record, &load.ticket)
            && !pour.breaks.is_empty()
            && config.release.set_stands_for == SetScope::Loads
        {
            caution(
                "load-not-sampled",
                format!(
                    "Load {} around {id} was not sampled: other loads stand for it.",
                    load.ticket
                ),
            );
        }
    }
    cautions
}
