//! Limits, breaches, troubles and alarms for the API and the record, and recorded alarms back.

use std::collections::BTreeMap;

use daemon_api::alarm::{AlarmEventView, AlarmView, SnoozedView};
use daemon_api::pour::{BreachView, DispositionView, LimitsView};
use daemon_api::trouble::{TroubleView, Urgency};
use daemon_core::alarm::{Alarm, AlarmChange, Seen, Snoozed};
use daemon_core::assessment::{self as core, Trouble};
use daemon_core::config::LimitSet;
use daemon_core::limits::{Breach, LIMITS, breach_id, disposition_of, pieces_of, sentence};
use daemon_core::pour::PourRecord;
use daemon_core::say::Local;

use super::{utc, utc_option};

/// The limits of a pour, each with its source.
#[must_use]
pub fn limits(set: &LimitSet) -> LimitsView {
    let judged = LIMITS.iter().filter(|row| set.value(row.limit).is_some());
    let sources: BTreeMap<String, String> = judged
        .map(|row| (row.key.to_owned(), set.source_of(row.limit).to_owned()))
        .collect();
    LimitsView {
        name: Some(set.id.clone()),
        concrete_c_max: set.concrete_c_max,
        rise_c_per_h_max: set.rise_c_per_h_max,
        cooling_c_per_h_max: set.cooling_c_per_h_max,
        difference_c_max: set.difference_c_max,
        concrete_c_min: set.concrete_c_min,
        preset_h_min: set.preset_h_min,
        before_set_c_max: set.before_set_c_max,
        enclosure_c_max: set.enclosure_c_max,
        enclosure_c_min: set.enclosure_c_min,
        enclosure_rise_c_per_h_max: set.enclosure_rise_c_per_h_max,
        heat_off_h_max: set.heat_off_h_max,
        heat_off_fall_c_max: set.heat_off_fall_c_max,
        release_h_max: set.release_h_max,
        released_above_yard_c_max: set.released_above_yard_c_max,
        set_required: set.is_set_required,
        sources,
    }
}

/// A breach with what the engineer decided about it.
#[must_use]
pub fn breach(record: &PourRecord, breach: &Breach, local: Local) -> BreachView {
    let row = breach.limit.row();
    let disposition = disposition_of(record, breach).map(|one| DispositionView {
        number: one.number.clone(),
        may_ship: one.may_ship,
        by: one.by.clone(),
        at: utc(one.at),
        why: one.why.clone(),
    });
    BreachView {
        hold: breach_id(breach),
        limit: row.key.to_owned(),
        place: breach.place.clone(),
        limit_value: breach.limit_value,
        worst: breach.worst,
        unit: row.unit.to_owned(),
        source: breach.source.clone(),
        first_at: utc(breach.first_at),
        worst_at: utc(breach.worst_at),
        proven: breach.is_proven,
        pieces: pieces_of(record, breach)
            .into_iter()
            .map(str::to_owned)
            .collect(),
        text: format!("{}.", sentence(breach, local)),
        disposition,
    }
}

/// What is over, but was of the highest urgency and seen by nobody, begins with this.
const UNSEEN: &str = "Over, and seen by nobody: ";

/// An alarm as the trouble that it is about.
#[must_use]
pub fn alarm(alarm: &Alarm) -> TroubleView {
    let trouble = &alarm.trouble;
    TroubleView {
        id: alarm.id.clone(),
        kind: trouble.kind.to_string(),
        urgency: urgency(alarm.urgency()),
        bed: trouble.bed.clone(),
        pour: trouble.pour.clone(),
        place: trouble.place.clone(),
        what: if alarm.needs_a_person() && !alarm.is_active {
            format!("{UNSEEN}{}", trouble.what)
        } else {
            trouble.what.clone()
        },
        since: utc(trouble.since),
        first_act: trouble.first_act.to_string(),
        alarm: Some(AlarmView {
            word: alarm.word().to_owned(),
            active: alarm.is_active,
            raised_at: utc(alarm.raised_at),
            rang_at: (alarm.rang_at != alarm.raised_at).then(|| utc(alarm.rang_at)),
            rang_as: urgency(alarm.rang_as),
            cleared_at: utc_option(alarm.cleared_at),
            seen_by: alarm.seen.as_ref().map(|seen| seen.by.clone()),
            seen_at: alarm.seen.as_ref().map(|seen| utc(seen.at)),
            latched: alarm.is_latched,
            snoozed: alarm.snoozed.as_ref().map(|snoozed| SnoozedView {
                until_at: utc(snoozed.until_at),
                by: snoozed.by.clone(),
                why: snoozed.why.clone(),
            }),
            explained_by: alarm.explained_by.clone(),
        }),
    }
}

fn urgency(urgency: core::Urgency) -> Urgency {
    match urgency {
        core::Urgency::Look => Urgency::Look,
        core::Urgency::Soon => Urgency::Soon,
        core::Urgency::Now => Urgency::Now,
    }
}

/// What happened to an alarm, as it is recorded and answered.
#[must_use]
pub fn event(change: &AlarmChange) -> AlarmEventView {
    AlarmEventView {
        at: utc(change.at),
        event: change.event.name().to_owned(),
        trouble: alarm(&change.alarm),
    }
}

/// A recorded alarm for the core; `None` where it was recorded without its life.
#[must_use]
pub fn recorded(view: TroubleView) -> Option<Alarm> {
    let life = view.alarm?;
    let trouble = Trouble {
        kind: view.kind.into(),
        urgency: match view.urgency {
            Urgency::Look => core::Urgency::Look,
            Urgency::Soon => core::Urgency::Soon,
            Urgency::Now => core::Urgency::Now,
        },
        bed: view.bed,
        pour: view.pour,
        place: view.place,
        what: view
            .what
            .strip_prefix(UNSEEN)
            .unwrap_or(&view.what)
            .to_owned(),
        since: view.since.into(),
        first_act: view.first_act.into(),
        explained_by: life.explained_by.clone(),
    };
    Some(Alarm {
        id: view.id,
        trouble,
        is_active: life.active,
        raised_at: life.raised_at.into(),
        rang_at: life.rang_at.unwrap_or(life.raised_at).into(),
        rang_as: match life.rang_as {
            Urgency::Look => core::Urgency::Look,
            Urgency::Soon => core::Urgency::Soon,
            Urgency::Now => core::Urgency::Now,
        },
        cleared_at: life.cleared_at.map(Into::into),
        seen: life
            .seen_by
            .zip(life.seen_at)
            .map(|(by, at)| Seen { by, at: at.into() }),
        is_latched: life.latched,
        snoozed: life.snoozed.map(|snoozed| Snoozed {
            until_at: snoozed.until_at.into(),
            by: snoozed.by,
            why: snoozed.why,
        }),
        explained_by: life.explained_by,
    })
}
