//! The pour against its wanted time, its breaks and its curve, as troubles.

use crate::ahead::HeatCounsel;
use crate::assessment::{
    BreakTimeKind, ConfirmationState, Outcome, PourAssessment, PourStatus, Standing, Trouble,
    Urgency,
};
use crate::config::PlantConfig;
use crate::release::withdrawn_sentence;
use crate::say;
use crate::time::UtcMs;

/// A break that comes later than the wanted time by less than this is on time, h.
const LATE_H_MIN: f64 = 0.2;

/// The kind of the trouble of a line that waits for a signature.
const SIGNATURE_DUE: &str = "signature-due";

/// A pour that is on its bed for longer than a cure and a long weekend was probably forgotten, h.
const ON_BED_H_MAX: f64 = 96.0;

/// Heat has had its chance after this long: before, a forecast of the night says little, h.
const HEATED_H: f64 = 2.0;
/// A bed without heat is judged from this long after its last placement on, h.
const UNHEATED_H: f64 = 4.0;
/// And every bed this long before its wanted time, whatever its heat has done, h.
const BEFORE_WANTED_H: f64 = 3.0;

/// A pour against its wanted time, by the time at which the plan has its next set broken.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lateness {
    /// When a set passes with the plant's probability.
    pub break_at: UtcMs,
    /// From the wanted time to then, h; negative where it comes before.
    pub hours: f64,
    /// The chance that a set broken at the wanted time passes.
    pub on_time_probability: Option<f64>,
}

impl Lateness {
    /// True where the break comes so long after the wanted time that somebody should know.
    #[must_use]
    pub fn is_late(&self) -> bool {
        self.hours > LATE_H_MIN
    }

    /// How late or early, in words, with the chance at the wanted time.
    #[must_use]
    pub fn words(&self) -> String {
        let span = say::span(self.hours.abs());
        let chance = self.on_time_probability.map_or_else(String::new, |chance| {
            format!(
                "; a set broken at the wanted time passes with {}",
                say::percent(chance)
            )
        });
        if self.hours.abs() * 60.0 < 1.0 {
            format!("at its wanted time{chance}")
        } else if self.hours > 0.0 {
            format!("{span} after its wanted time{chance}")
        } else {
            format!("{span} before its wanted time{chance}")
        }
    }
}

/// How late a pour is expected; `None` without a wanted time or without a forecast.
#[must_use]
pub fn lateness(pour: &PourAssessment) -> Option<Lateness> {
    let wanted_at = pour.record.facts.wanted_release_at?;
    let forecast = &pour.forecast;
    let break_at = forecast.break_from_at.or(forecast.late_at)?;
    let mut times = forecast.break_times.iter();
    let at_wanted = times.find(|one| one.kind == BreakTimeKind::Wanted);
    Some(Lateness {
        break_at,
        hours: break_at.hours_since(wanted_at),
        on_time_probability: at_wanted.map(|one| one.probability),
    })
}

/// Whether the heat has had its chance, so that lateness is worth a call.
fn has_had_its_chance(pour: &PourAssessment, wanted_at: UtcMs, now: UtcMs) -> bool {
    if wanted_at.hours_since(now) <= BEFORE_WANTED_H {
        return true;
    }
    let record = &pour.record;
    let recorded = record.heat.iter().find(|one| one.on && one.at <= now);
    let planned_at = || record.facts.heat_plan?.on_at;
    let is_heated = record.is_said_heated();
    let (from, hours) = if is_heated {
        (recorded.map(|one| one.at).or_else(planned_at), HEATED_H)
    } else {
        (record.facts.last_placement_at, UNHEATED_H)
    };
    from.is_some_and(|from| now.hours_since(from) >= hours)
}

/// What is wrong with the pour's time and its breaks.
pub fn schedule_troubles(config: &PlantConfig, pour: &PourAssessment, now: UtcMs) -> Vec<Trouble> {
    let troubles = [
        release_withdrawn(pour, now),
        late(config, pour, now),
        break_due(pour, now),
        break_failed(config, pour, now),
        signature_due(pour, now),
        wanted_time_passed(config, pour, now),
    ];
    troubles.into_iter().flatten().collect()
}

/// A signed release no longer stands: somebody may be about to cut.
fn release_withdrawn(pour: &PourAssessment, now: UtcMs) -> Option<Trouble> {
    Some(Trouble {
        kind: "release-withdrawn".into(),
        urgency: Urgency::Now,
        what: withdrawn_sentence(&pour.record)?,
        since: pour.record.withdrawn.last().map_or(now, |last| last.at),
        first_act: "Stop anybody who is about to cut. If strands are cut, tell the engineer."
            .into(),
        ..super::of(pour, now)
    })
}

fn late(config: &PlantConfig, pour: &PourAssessment, now: UtcMs) -> Option<Trouble> {
    let wanted_at = pour.record.facts.wanted_release_at.filter(|at| *at > now)?;
    let late = lateness(pour).filter(Lateness::is_late)?;
    let is_decided = !pour.confirmation.outcome.waits_for_cylinders();
    if is_decided || !has_had_its_chance(pour, wanted_at, now) {
        return None;
    }
    let local = config.local();
    Some(Trouble {
        kind: "late".into(),
        urgency: Urgency::Soon,
        what: format!(
            "It is wanted at {}; by the plan its set is broken at {}, {} later.",
            local.clock(wanted_at),
            local.clock(late.break_at),
            say::span(late.hours)
        ),
        first_act: first_act_when_late(pour).into(),
        ..super::of(pour, now)
    })
}

fn break_due(pour: &PourAssessment, now: UtcMs) -> Option<Trouble> {
    (pour.status == PourStatus::BreakDue).then(|| Trouble {
        kind: "break-due".into(),
        urgency: Urgency::Soon,
        what: "A set broken now would probably pass; only the cylinders decide.".to_owned(),
        first_act: "Ask QC to break a release set.".into(),
        ..super::of(pour, now)
    })
}

/// Cylinders that failed while strands are still stressed: nobody may act on the estimate any more.
fn break_failed(config: &PlantConfig, pour: &PourAssessment, now: UtcMs) -> Option<Trouble> {
    if pour.confirmation.state != ConfirmationState::Failed {
        return None;
    }
    let since = pour.breaks.last().map_or(now, |broken| broken.tested_at);
    let left = pour.confirmation.release_specimens_left;
    let left_words = match left {
        0 => "No release specimens are left.".to_owned(),
        1 => "One release specimen is left.".to_owned(),
        left => format!("{left} release specimens are left."),
    };
    let next_at = pour.forecast.break_from_at.filter(|_| left > 0);
    let next = next_at.map_or_else(String::new, |at| {
        let clock = config.local().clock(at.max(now));
        let chance = say::percent(config.release.break_probability);
        format!(" The next set passes with {chance} from {clock}.")
    });
    let first_act = if left == 0 {
        "Do not detension. Keep the heat and the tarp; QC and the engineer decide how the strength \
         is shown."
    } else {
        "Do not detension. Keep the heat and the tarp, and wait for the next break time."
    };
    Some(Trouble {
        kind: "break-failed".into(),
        urgency: Urgency::Now,
        what: format!("Cylinders failed.{next} {left_words}"),
        since,
        first_act: first_act.into(),
        ..super::of(pour, now)
    })
}

/// Cylinders have passed, and the line waits for a person.
fn signature_due(pour: &PourAssessment, now: UtcMs) -> Option<Trouble> {
    if pour.confirmation.outcome != Outcome::Confirmed || pour.record.release.is_some() {
        return None;
    }
    let tested_at = pour.breaks.iter().map(|broken| broken.tested_at).max();
    let (what, first_act) = match pour.release_holds.first() {
        None => (
            "Cylinders passed; nobody has signed the release.".to_owned(),
            "QC signs, or says why not. Detension only after that, in the engineer's sequence.",
        ),
        Some(hold) => (
            format!("Cylinders passed, and a release hold stands: {}", hold.text),
            "QC resolves the hold before anybody signs. Do not detension.",
        ),
    };
    Some(Trouble {
        kind: SIGNATURE_DUE.into(),
        urgency: Urgency::Soon,
        what,
        since: tested_at.unwrap_or(now),
        first_act: first_act.into(),
        ..super::of(pour, now)
    })
}

/// The wanted time has passed, and the line is not released.
fn wanted_time_passed(config: &PlantConfig, pour: &PourAssessment, now: UtcMs) -> Option<Trouble> {
    let wanted_at = pour
        .record
        .facts
        .wanted_release_at
        .filter(|at| *at <= now)?;
    let next = match pour.forecast.break_from_at {
        Some(at) if pour.confirmation.outcome.waits_for_cylinders() => format!(
            " By the plan a set is broken at {}.",
            config.local().clock(at.max(now))
        ),
        _ => String::new(),
    };
    let signature = signature_due(pour, now);
    Some(Trouble {
        kind: "overdue".into(),
        urgency: Urgency::Soon,
        what: format!(
            "It was wanted at {}; cylinders: {}.{next}",
            config.local().clock(wanted_at),
            pour.confirmation.short
        ),
        since: wanted_at,
        first_act: "Tell the morning crew; only the cylinders and QC decide.".into(),
        // Whoever signs it answers both.
        explained_by: signature.as_ref().map(Trouble::id),
        ..super::of(pour, now)
    })
}

/// A pour that nobody has ended. While it is on its bed every reading since it began stays in memory,
/// and is read back at each start.
pub fn not_ended_trouble(pour: &PourAssessment, now: UtcMs) -> Option<Trouble> {
    let begins_at = pour.record.begins_at();
    let hours = now.hours_since(begins_at);
    (hours > ON_BED_H_MAX).then(|| Trouble {
        kind: "not-ended".into(),
        urgency: Urgency::Look,
        what: format!(
            "On its bed for {:.0} days, neither stripped nor abandoned.",
            (hours / 24.0).floor()
        ),
        since: begins_at.plus_hours(ON_BED_H_MAX),
        first_act: "If it has left the bed, record it as stripped, or as abandoned with a reason."
            .into(),
        ..super::of(pour, now)
    })
}

const fn first_act_when_late(pour: &PourAssessment) -> &'static str {
    let Some(advice) = pour.ahead.heat else {
        return "Tell QC and the morning crew; look at the coldest position first.";
    };
    match advice.counsel {
        HeatCounsel::NothingHelps => {
            "Tell QC and the morning crew: even heat to the end may not make it."
        }
        HeatCounsel::HeatIsOff => {
            "Tell QC and the morning crew: the heat is off, and QC may want it on again."
        }
        HeatCounsel::OffFrom => "Tell QC and the morning crew: longer heat still makes it.",
        HeatCounsel::LimitInTheWay | HeatCounsel::NoTimeMeetsBoth => {
            "Tell QC and the morning crew: what would make it breaks a limit."
        }
    }
}

/// A curve from which no estimate may be made any more.
pub fn curve_trouble(pour: &PourAssessment, now: UtcMs) -> Option<Trouble> {
    let urgency = match pour.curve.standing {
        Standing::Withdrawn => Urgency::Now,
        Standing::Expired | Standing::Missing => Urgency::Soon,
        Standing::Approved | Standing::Superseded | Standing::NotApproved | Standing::None => {
            return None;
        }
    };
    Some(Trouble {
        kind: "curve-not-usable".into(),
        urgency,
        what: pour.curve.note.clone(),
        // A curve that ended before the pour began troubles the pour from its beginning.
        since: pour.curve.since.map_or(pour.record.opened_at, |since| {
            since.max(pour.record.opened_at)
        }),
        first_act: "Tell QC: this pour goes on by cylinders alone.".into(),
        ..super::of(pour, now)
    })
}

/// A curve that no longer holds by the plant's breaks: a new one is proposed, never made.
#[must_use]
pub fn drift_trouble(name: &str, what: String, since: UtcMs) -> Trouble {
    Trouble {
        kind: "curve-drifts".into(),
        urgency: Urgency::Soon,
        bed: None,
        pour: None,
        place: Some(name.to_owned()),
        what,
        since,
        first_act:
            "Tell the lab: a new curve is proposed. Until one is approved rely on cylinders.".into(),
        explained_by: None,
    }
}
