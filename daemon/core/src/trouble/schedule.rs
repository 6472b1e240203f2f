//! The pour against its wanted time, its breaks and its curve, as troubles.

use crate::ahead::HeatCounsel;
use crate::assessment::{
    ConfirmationState, PourAssessment, PourStatus, Standing, Trouble, Urgency,
};
use crate::release::withdrawn_sentence;
use crate::time::UtcMs;

/// A forecast later than the wanted time by less than this is on time, h.
const LATE_H_MIN: f64 = 0.25;

/// A pour that is on its bed for longer than a cure and a long weekend was probably forgotten, h.
const ON_BED_H_MAX: f64 = 96.0;

/// How late a pour is expected, and how surely; `None` without a wanted time or without a forecast.
#[must_use]
pub fn lateness(pour: &PourAssessment) -> Option<(f64, &'static str)> {
    let wanted_at = pour.record.facts.wanted_release_at?;
    let likely_at = pour.forecast.likely_at?;
    let is_after = |at: Option<UtcMs>| at.is_some_and(|at| at > wanted_at);
    let how_surely = if is_after(pour.forecast.early_at) {
        "in 9 of 10 futures"
    } else if is_after(Some(likely_at)) {
        "more likely than not"
    } else if is_after(pour.forecast.late_at) {
        "less likely than not"
    } else {
        "in fewer than 1 of 10 futures"
    };
    Some((likely_at.hours_since(wanted_at), how_surely))
}

/// What is wrong with the pour's time and its breaks.
pub fn schedule_troubles(pour: &PourAssessment, now: UtcMs) -> Vec<Trouble> {
    let mut troubles = Vec::new();
    if let Some(what) = withdrawn_sentence(&pour.record) {
        let since = pour.record.withdrawn.last().map_or(now, |last| last.at);
        troubles.push(Trouble {
            kind: "release-withdrawn".into(),
            urgency: Urgency::Now,
            what,
            since,
            first_act: "Stop anybody who is about to cut. If strands are cut, tell the engineer."
                .into(),
            ..super::of(pour, now)
        });
    }
    let is_confirmed = pour.confirmation.state == ConfirmationState::Confirmed;
    if let Some((late_h, how_surely)) = lateness(pour)
        && late_h > LATE_H_MIN
        && !is_confirmed
    {
        troubles.push(Trouble {
            kind: "late".into(),
            urgency: Urgency::Soon,
            what: format!(
                "The forecast is {late_h:.1} h after the wanted release time; it is late {how_surely}."
            ),
            first_act: first_act_when_late(pour).into(),
            ..super::of(pour, now)
        });
    }
    if pour.status == PourStatus::BreakDue {
        troubles.push(Trouble {
            kind: "break-due".into(),
            urgency: Urgency::Soon,
            what: "A set broken now would probably pass; only the cylinders decide.".to_owned(),
            first_act: "Ask QC to break a release set.".into(),
            ..super::of(pour, now)
        });
    }
    if pour.confirmation.state == ConfirmationState::Failed {
        let since = pour.breaks.last().map_or(now, |broken| broken.tested_at);
        let left = pour.confirmation.release_specimens_left;
        let what = match left {
            0 => "no release specimens are".to_owned(),
            1 => "one release specimen is".to_owned(),
            left => format!("{left} release specimens are"),
        };
        let first_act = if left == 0 {
            "Do not detension. Keep the heat and the tarp; QC and the engineer decide how the strength \
             is shown."
        } else {
            "Do not detension. Keep the heat and the tarp, and wait for the next break time."
        };
        troubles.push(Trouble {
            kind: "break-failed".into(),
            urgency: Urgency::Soon,
            what: format!("Cylinders failed; {what} left."),
            since,
            first_act: first_act.into(),
            ..super::of(pour, now)
        });
    }
    troubles
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
