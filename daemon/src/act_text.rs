//! What an act says, in a few words of the plant, and what became of it since.

use std::collections::{BTreeMap, HashMap};

use chrono::{DateTime, LocalResult, TimeZone as _, Utc};
use chrono_tz::Tz;
use daemon_api::act::{
    Act, ActBody, BreakResult, ChannelBinding, ChannelRole, Load, SpecimenResult,
};
use daemon_api::effect::{RecordEntry, Struck};
use daemon_core::record::Record;
use daemon_core::say;
use units::{Kilonewton, Millimetre, Show, UnitSystem};
use uuid::Uuid;

use crate::convert::utc;
use crate::history::RecordedAct;

/// Every act on record as people read it.
pub struct Said<'a> {
    acts: &'a [RecordedAct],
    place_of: HashMap<Uuid, usize>,
    records: BTreeMap<&'a str, Record<'a>>,
    units: UnitSystem,
    zone: Tz,
}

impl<'a> Said<'a> {
    /// Acts in the order of the record, told in these units and this zone.
    #[must_use]
    pub fn of(acts: &'a [RecordedAct], units: UnitSystem, zone: Tz) -> Self {
        let mut by_pour: BTreeMap<&str, Vec<&daemon_core::act::Act>> = BTreeMap::new();
        for act in acts {
            by_pour.entry(&act.core.pour).or_default().push(&act.core);
        }
        let places = acts.iter().enumerate();
        Self {
            acts,
            place_of: places.map(|(place, act)| (act.wire.id, place)).collect(),
            records: by_pour
                .into_iter()
                .map(|(pour, acts)| (pour, Record::of(acts)))
                .collect(),
            units,
            zone,
        }
    }

    /// The acts in the order of the record.
    #[must_use]
    pub fn acts(&self) -> &'a [RecordedAct] {
        self.acts
    }

    fn recorded(&self, id: Uuid) -> Option<&'a RecordedAct> {
        self.acts.get(*self.place_of.get(&id)?)
    }

    /// An act with what became of it.
    #[must_use]
    pub fn entry(&self, act: &RecordedAct) -> RecordEntry {
        RecordEntry {
            sequence: act.sequence,
            text: self.text(&act.wire),
            struck: self.struck(act.wire.id),
            act: act.wire.clone(),
        }
    }

    /// Who took an act's effect away, where somebody did.
    #[must_use]
    pub fn struck(&self, id: Uuid) -> Option<Struck> {
        let record = self.records.get(&*self.recorded(id)?.core.pour)?;
        let by = record.struck_by(id.as_u128())?;
        let wire = &self.recorded(Uuid::from_u128(by.id))?.wire;
        let replaced_by = match &wire.body {
            ActBody::ActCorrected { replacement, .. } => Some(self.body_text(&replacement.body)),
            _ => None,
        };
        Some(Struck {
            by_act: wire.id,
            by: wire.by.clone(),
            at: utc(by.recorded_at),
            why: wire.why.clone().unwrap_or_default(),
            replaced_by,
        })
    }

    /// What an act says, with its reason.
    #[must_use]
    pub fn text(&self, act: &Act) -> String {
        if let ActBody::ShiftNoted {} = act.body {
            return act.why.clone().unwrap_or_default();
        }
        let what = self.body_text(&act.body);
        match act.why.as_deref() {
            Some(why) if !why.trim().is_empty() => format!("{what} ({why})"),
            _ => what,
        }
    }

    /// What was understood of an act: what was done, where and when, as every answer repeats it.
    #[must_use]
    pub fn understood(&self, act: &Act, bed: Option<&str>, now: DateTime<Utc>) -> String {
        let (what, bed, at) = match &act.body {
            ActBody::PourOpened(one) => {
                let what = format!("pour {} opened, mix {}", act.pour, one.mix);
                (what, Some(&*one.bed), act.happened_at)
            }
            // Its own time stands at the end, like that of every other act.
            ActBody::BreakRecorded(result) => (self.set_broken(result), bed, result.tested_at),
            ActBody::ShiftNoted {} => (self.text(act), bed, act.happened_at),
            body => (self.body_text(body), bed, act.happened_at),
        };
        let bed = bed.map_or_else(String::new, |bed| format!(", {bed}"));
        format!("{what}{bed}, {}", self.day_and_clock(at, now))
    }

    fn body_text(&self, body: &ActBody) -> String {
        match body {
            ActBody::PourOpened(one) => format!("pour opened, mix {}", one.mix),
            ActBody::PourCorrected(_) => "pour corrected".to_owned(),
            ActBody::PlacementRecorded(one) => {
                let times = [("first", one.first_at), ("last", one.last_at)];
                let times = times
                    .iter()
                    .filter_map(|(name, at)| Some(format!(", {name} {}", self.clock((*at)?))));
                format!("placement recorded{}", times.collect::<String>())
            }
            ActBody::LoadPlaced(load) => self.load(load),
            ActBody::HeatOn {} => "heat on".to_owned(),
            ActBody::HeatOff {} => "heat off".to_owned(),
            ActBody::TarpLifted {} => "tarp lifted".to_owned(),
            ActBody::TarpBack {} => "tarp back".to_owned(),
            ActBody::CylindersMade(set) => {
                format!(
                    "cylinders made, set {}: {}",
                    set.set,
                    set.specimens.join(", ")
                )
            }
            ActBody::CylindersPulled { set, specimens } if specimens.is_empty() => {
                format!("cylinders pulled, set {set}")
            }
            ActBody::CylindersPulled { set, specimens } => {
                format!("cylinders pulled, set {set}: {}", specimens.join(", "))
            }
            ActBody::PlugMoved(binding) => self.plug(binding),
            ActBody::HandProbed {
                position,
                temperature_c,
            } => format!(
                "{position} read by hand: {}",
                say::temperature(*temperature_c, self.units)
            ),
            ActBody::BreakRecorded(result) => self.broken(result),
            ActBody::PositionExcluded { position } => format!("{position} left out"),
            ActBody::PositionRestored { position } => format!("{position} taken back in"),
            ActBody::GapsAccepted { position } => format!("gaps of {position} accepted"),
            ActBody::DisagreementResolved { .. } => "disagreement resolved".to_owned(),
            ActBody::ReleaseSigned(_) => "release signed".to_owned(),
            ActBody::Stripped {} => "stripped".to_owned(),
            ActBody::Abandoned {} => "given up".to_owned(),
            ActBody::InitialSetReached {} => "initial set reached".to_owned(),
            ActBody::LimitStated { value, .. } => match value {
                Some(value) => format!("a limit of this pour stated: {value}"),
                None => "a limit of this pour taken away".to_owned(),
            },
            ActBody::HoldDisposed {
                hold,
                number,
                may_ship,
            } => {
                let ships = if *may_ship { "may ship" } else { "are held" };
                format!("disposition {number} of {hold}: the pieces {ships}")
            }
            ActBody::ShiftNoted {} => "note".to_owned(),
            ActBody::ShiftHandedOver { to } => format!("shift handed over to {to}"),
            ActBody::AlarmSeen { alarm } => format!("alarm seen: {alarm}"),
            ActBody::AlarmSnoozed { alarm, until_at } => {
                format!("alarm snoozed until {}: {alarm}", self.clock(*until_at))
            }
            ActBody::AlarmWoken { alarm } => format!("alarm woken: {alarm}"),
            ActBody::AlarmReset { alarm } => format!("alarm put away: {alarm}"),
            ActBody::ActStruck { struck } => {
                format!("struck {}", self.named(*struck))
            }
            ActBody::ActCorrected {
                corrected,
                replacement,
            } => {
                let at = replacement.happened_at;
                let at = at.map_or_else(String::new, |at| format!(" at {}", self.clock(at)));
                format!(
                    "corrected {}: now {}{at}",
                    self.named(*corrected),
                    self.body_text(&replacement.body)
                )
            }
            ActBody::ReleaseWithdrawn { .. } => "release withdrawn".to_owned(),
        }
    }

    /// An act by its number and what it said.
    fn named(&self, id: Uuid) -> String {
        let Some(act) = self.recorded(id) else {
            return format!("act {id}");
        };
        // What mends another act is told by its number alone, or a chain would never end.
        let what = match &act.wire.body {
            ActBody::ActStruck { .. } | ActBody::ActCorrected { .. } => String::new(),
            body => format!(" ({})", self.body_text(body)),
        };
        format!("act {}{what}", act.sequence)
    }

    fn load(&self, load: &Load) -> String {
        format!(
            "load {} placed {} to {}, {} to {}",
            load.ticket,
            self.clock(load.placed_from_at),
            self.clock(load.placed_to_at),
            say::station(load.from_station_m, self.units),
            say::station(load.to_station_m, self.units)
        )
    }

    fn plug(&self, binding: &ChannelBinding) -> String {
        let what = match binding.role {
            ChannelRole::Concrete => binding.position.as_deref().unwrap_or("concrete").to_owned(),
            ChannelRole::Enclosure => "the air under the tarp".to_owned(),
            ChannelRole::Ambient => "the air of the yard".to_owned(),
            ChannelRole::Specimen => {
                format!("set {}", binding.set.as_deref().unwrap_or_default())
            }
        };
        format!("plug moved: channel {} reads {what}", binding.channel)
    }

    fn broken(&self, result: &BreakResult) -> String {
        let tested = self.clock(result.tested_at);
        format!("{}, tested {tested}", self.set_broken(result))
    }

    fn set_broken(&self, result: &BreakResult) -> String {
        let specimens: Vec<String> = result
            .specimens
            .iter()
            .map(|one| self.specimen(one))
            .collect();
        format!("set {} broken: {}", result.set, specimens.join(", "))
    }

    /// `today 17:00`, `yesterday 17:00`, `28 Nov 17:00`; with the zone's abbreviation where the clock shows
    /// it twice.
    fn day_and_clock(&self, at: DateTime<Utc>, now: DateTime<Utc>) -> String {
        let local = at.with_timezone(&self.zone);
        let today = now.with_timezone(&self.zone).date_naive();
        let day = match (today - local.date_naive()).num_days() {
            0 => "today".to_owned(),
            1 => "yesterday".to_owned(),
            _ => local.format("%-d %b %Y").to_string(),
        };
        let is_twice = matches!(
            self.zone.from_local_datetime(&local.naive_local()),
            LocalResult::Ambiguous(..)
        );
        let clock = if is_twice { "%H:%M %Z" } else { "%H:%M" };
        format!("{day} {}", local.format(clock))
    }

    fn specimen(&self, one: &SpecimenResult) -> String {
        let result = match (one.strength_mpa, one.load_kn) {
            (Some(strength_mpa), _) => say::strength(strength_mpa, self.units),
            (None, Some(load_kn)) => Kilonewton(load_kn).show(self.units),
            (None, None) => "no result".to_owned(),
        };
        let diameter = one.diameter_mm.map_or_else(String::new, |diameter_mm| {
            format!(" on {}", Millimetre(diameter_mm).show(self.units))
        });
        format!("{} {result}{diameter}", one.specimen)
    }

    fn clock(&self, at: DateTime<Utc>) -> String {
        at.with_timezone(&self.zone).format("%a %H:%M").to_string()
    }
}

#[cfg(test)]
mod tests {
    use daemon_api::act::ACT_VERSION;

    use super::*;

    fn utc(text: &str) -> DateTime<Utc> {
        text.parse().expect("an instant")
    }

    fn act(happened_at: &str, body: ActBody) -> Act {
        Act {
            id: Uuid::nil(),
            version: ACT_VERSION,
            recorded_at: None,
            happened_at: utc(happened_at),
            by: "R. Field".to_owned(),
            why: None,
            accept: Vec::new(),
            pour: "N2-2026-12-01".to_owned(),
            body,
        }
    }

    fn understood(now: &str, act: &Act) -> String {
        Said::of(&[], UnitSystem::Us, chrono_tz::America::Chicago).understood(
            act,
            Some("N2"),
            utc(now),
        )
    }

    #[test]
    fn what_was_understood_names_act_bed_and_moment_in_the_plants_zone() {
        let heat = |at| act(at, ActBody::HeatOn {});
        // 18:00 of the first of December at the plant.
        let now = "2026-12-02T00:00:00Z";
        for (at, said) in [
            ("2026-12-01T23:00:00Z", "heat on, N2, today 17:00"),
            ("2026-11-30T23:00:00Z", "heat on, N2, yesterday 17:00"),
            ("2026-11-28T23:00:00Z", "heat on, N2, 28 Nov 2026 17:00"),
            ("2026-11-01T06:30:00Z", "heat on, N2, 1 Nov 2026 01:30 CDT"),
        ] {
            assert_eq!(understood(now, &heat(at)), said);
        }
    }

    #[test]
    fn what_was_understood_of_a_break_repeats_each_result_and_when_it_was_tested() {
        let specimen = |name: &str, strength_mpa, load_kn| SpecimenResult {
            specimen: name.to_owned(),
            strength_mpa,
            load_kn,
            diameter_mm: None,
            as_typed: None,
            fracture: None,
        };
        let broken = ActBody::BreakRecorded(BreakResult {
            set: "A".to_owned(),
            pulled_at: None,
            tested_at: utc("2026-12-01T10:54:00Z"),
            specimens: vec![
                specimen("A1", Some(26.406_949), None),
                specimen("A2", None, Some(20.608_611)),
            ],
        });
        assert_eq!(
            understood("2026-12-01T11:00:00Z", &act("2026-12-01T10:54:00Z", broken)),
            "set A broken: A1 3830 psi, A2 4633 lbf, N2, today 04:54"
        );
    }
}
