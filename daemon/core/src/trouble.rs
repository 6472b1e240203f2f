//! Troubles: what needs a person, where, since when, and what to do first.

mod ahead;
mod cause;
mod heat;
mod limit;
mod schedule;
mod sensor;
mod silence;

use std::borrow::Cow;

use crate::act::ChannelRole;
use crate::assessment::{PourAssessment, Trouble, Urgency, Verdict};
use crate::config::{LimitSet, PlantConfig};
use crate::limits::{UnderTarp, is_open_unproven};
use crate::time::UtcMs;

pub use cause::{explain, explain_by_source};
pub use schedule::{Lateness, drift_trouble, lateness};
pub use sensor::{clock_trouble, stamps_ahead_trouble};
pub use silence::{Listened, Silences};

/// What is known of the air under a pour's tarp, and of the pours that lie there with it.
pub struct Air<'a> {
    pub enclosure: &'a [(UtcMs, f64)],
    pub tarp: UnderTarp,
}

/// Every trouble of one pour under cure.
#[must_use]
pub fn pour_troubles(
    config: &PlantConfig,
    pour: &PourAssessment,
    air: &Air<'_>,
    limits: Option<&LimitSet>,
    silences: &Silences,
    now: UtcMs,
) -> Vec<Trouble> {
    if !pour.record.is_under_cure() {
        return Vec::new();
    }
    let mut troubles: Vec<Trouble> = pour
        .beyond
        .iter()
        .map(|beyond| limit::beyond_trouble(pour, beyond, config.units, now))
        .collect();
    let unproven = pour.breaches.iter();
    let unproven = unproven.filter(|breach| is_open_unproven(&pour.record, breach));
    troubles
        .extend(unproven.map(|breach| limit::unproven_trouble(pour, breach, config.local(), now)));
    for position in pour.positions.iter().filter(|one| one.excluded.is_none()) {
        let trust = &position.trust;
        if !silences.may_tell(trust) {
            continue;
        }
        troubles.extend(sensor::doubted(
            pour,
            &position.id,
            trust,
            ChannelRole::Concrete,
            now,
        ));
    }
    for other in pour
        .other_channels
        .iter()
        .filter(|one| silences.may_tell(&one.trust))
    {
        troubles.extend(sensor::doubted(
            pour,
            &other.channel,
            &other.trust,
            other.role,
            now,
        ));
    }
    troubles.extend(heat::heat_troubles(config, pour, air, limits, now));
    troubles.extend(ahead::ahead_troubles(pour, limits, config.units, now));
    troubles.extend(schedule::schedule_troubles(config, pour, now));
    troubles.extend(schedule::curve_trouble(pour, now));
    troubles.extend(schedule::not_ended_trouble(pour, now));
    // How many are read is known once each silence is.
    if pour
        .positions
        .iter()
        .all(|one| silences.may_tell(&one.trust))
    {
        troubles.extend(too_few_positions(config, pour, now));
    }
    troubles
}

/// A trouble of this pour with nothing said yet.
fn of(pour: &PourAssessment, now: UtcMs) -> Trouble {
    Trouble {
        kind: Cow::Borrowed(""),
        urgency: Urgency::Look,
        bed: Some(pour.record.facts.bed.clone()),
        pour: Some(pour.record.id.clone()),
        place: None,
        what: String::new(),
        since: now,
        first_act: Cow::Borrowed(""),
        explained_by: None,
    }
}

fn too_few_positions(config: &PlantConfig, pour: &PourAssessment, now: UtcMs) -> Option<Trouble> {
    // What a person left out is missed by nobody.
    let kept: Vec<_> = pour
        .positions
        .iter()
        .filter(|one| one.excluded.is_none())
        .collect();
    let unread: Vec<_> = kept
        .iter()
        .filter(|one| one.trust.verdict == Verdict::NoData)
        .collect();
    let mut unread_since: Vec<UtcMs> = unread
        .iter()
        .map(|one| one.trust.since.unwrap_or(pour.record.begins_at()))
        .collect();
    unread_since.sort_unstable();
    let believed = kept.len() - unread_since.len();
    let is_awaited = now.hours_since(pour.record.begins_at()) * 60.0 > config.trust.silent_min;
    let least = config.estimate.position_count_min;
    if !is_awaited || kept.len() < least || believed >= least {
        return None;
    }
    let count = if believed == 0 {
        "None".to_owned()
    } else {
        format!("Only {believed}")
    };
    let verb = if believed > 1 { "are" } else { "is" };
    // Whoever sees to the only one that is not read sees to this too.
    let explained_by = match unread[..] {
        [one] => sensor::doubted(pour, &one.id, &one.trust, ChannelRole::Concrete, now)
            .map(|one| one.id()),
        _ => None,
    };
    Some(Trouble {
        explained_by,
        kind: "too-few-positions".into(),
        urgency: Urgency::Soon,
        what: format!("{count} of {} positions {verb} read.", kept.len()),
        // They were too few from when the first that was one too many went.
        since: unread_since.get(kept.len() - least).copied().unwrap_or(now),
        first_act: "Check the plugs and the logger of this bed.".into(),
        ..of(pour, now)
    })
}
