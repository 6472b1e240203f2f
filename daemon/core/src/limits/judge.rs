//! A pour's temperatures and acts held against its limits: what was broken, and what is broken now.

use crate::config::LimitSet;
use crate::limits::rates::side_by_side;
use crate::limits::{Beyond, Breach, Limit, robust_rates};
use crate::path::temperature_at;
use crate::pour::PourRecord;
use crate::time::UtcMs;

/// A value older than this says nothing of now, h.
const FRESH_H: f64 = 0.5;
/// A position is settled this long after its age began: before, the sensor takes the concrete's
/// temperature, which is neither a rise nor a difference within it, h.
const SETTLED_H: f64 = 1.0;

/// One position's readings as they are judged.
pub struct Limited<'a> {
    pub id: &'a str,
    pub believed: &'a [(UtcMs, f64)],
    pub zero_at: Option<UtcMs>,
    /// The highest temperature, and whether it rests on readings that are not believed.
    pub highest: Option<(f64, bool)>,
    pub is_excluded: bool,
}

/// What all pours under one enclosure have in common.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct UnderTarp {
    /// Batch time of the last load of any of them.
    pub last_batch_at: Option<UtcMs>,
    /// False where a placement stands for a batch time that nobody recorded.
    pub is_batch_known: bool,
    /// When the last of them had its initial set, once each has.
    pub set_at: Option<UtcMs>,
}

impl UnderTarp {
    /// Of pours that lie under one enclosure at one time.
    #[must_use]
    pub fn of<'a>(pours: impl Iterator<Item = &'a PourRecord>, now: UtcMs) -> Self {
        let mut tarp = Self {
            is_batch_known: true,
            ..Self::default()
        };
        let mut sets = Vec::new();
        for pour in pours {
            sets.push(pour.initial_set_at.filter(|at| *at <= now));
            let loads = pour.loads.values();
            let batches = loads.map(|load| {
                (
                    load.batched_at.unwrap_or(load.placed_to_at),
                    load.batched_at.is_some(),
                )
            });
            // Without loads the last placement stands for the batch time; while placing, now does.
            let placed_at = pour.facts.last_placement_at.unwrap_or(now);
            let (at, is_batch) = batches.max().unwrap_or((placed_at, false));
            if tarp.last_batch_at.is_none_or(|known| at >= known) {
                tarp.last_batch_at = Some(at);
                tarp.is_batch_known = is_batch;
            }
        }
        tarp.set_at = sets
            .into_iter()
            .collect::<Option<Vec<_>>>()
            .and_then(|all| all.into_iter().max());
        tarp
    }
}

/// What was found.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct LimitFindings {
    pub breaches: Vec<Breach>,
    pub beyond: Vec<Beyond>,
}

struct Judge<'a> {
    record: &'a PourRecord,
    limits: &'a LimitSet,
    tarp: UnderTarp,
    now: UtcMs,
    /// Release, or now: afterwards the concrete is no longer cured by us.
    ends_at: UtcMs,
    found: LimitFindings,
}

/// Holds one pour against its limits, with the air under its tarp and that of the yard.
#[must_use]
pub fn judge_limits(
    record: &PourRecord,
    limits: &LimitSet,
    positions: &[Limited<'_>],
    enclosure: &[(UtcMs, f64)],
    ambient: &[(UtcMs, f64)],
    tarp: UnderTarp,
    now: UtcMs,
) -> LimitFindings {
    let released_at = record.release.as_ref().map(|release| release.at);
    let mut judge = Judge {
        record,
        limits,
        tarp,
        now,
        ends_at: released_at.map_or(now, |at| at.min(now)),
        found: LimitFindings::default(),
    };
    for position in positions {
        judge.position(position);
    }
    judge.difference(positions);
    judge.enclosure(enclosure);
    judge.preset();
    judge.after_heat(positions);
    judge.at_release(positions, ambient);
    judge.found
}

/// How values ran against one limit.
#[derive(Debug, Clone, Copy)]
struct Track {
    worst: f64,
    worst_at: UtcMs,
    first_at: UtcMs,
    last_at: UtcMs,
    /// The last value and since when, where it has not come back.
    beyond: Option<(f64, UtcMs)>,
}

impl Judge<'_> {
    fn track(&self, limit: Limit, points: impl Iterator<Item = (UtcMs, f64)>) -> Option<Track> {
        let height = self.limits.value(limit)?;
        let row = limit.row();
        let mut track: Option<Track> = None;
        let mut out_since = None;
        let mut last = None;
        for (at, value) in points {
            last = Some((at, value));
            if row.is_broken(value, height) {
                out_since = out_since.or(Some(at));
                let known = track.get_or_insert(Track {
                    worst: value,
                    worst_at: at,
                    first_at: at,
                    last_at: at,
                    beyond: None,
                });
                known.last_at = at;
                if row
                    .worse(value, known.worst)
                    .total_cmp(&known.worst)
                    .is_ne()
                {
                    known.worst = value;
                    known.worst_at = at;
                }
            } else if !row.is_still_beyond(value, height) {
                out_since = None;
            }
        }
        let mut track = track?;
        let is_fresh = |at: &UtcMs| self.now.hours_since(*at) <= FRESH_H;
        track.beyond = match (last, out_since) {
            (Some((at, value)), Some(since)) if is_fresh(&at) => Some((value, since)),
            _ => None,
        };
        Some(track)
    }

    fn keep(&mut self, limit: Limit, place: Option<&str>, track: Track, detail: &str) {
        let Some(limit_value) = self.limits.value(limit) else {
            return;
        };
        let source = self.limits.source_of(limit).to_owned();
        let place = place.map(str::to_owned);
        if let Some((value, since)) = track.beyond {
            self.found.beyond.push(Beyond {
                limit,
                place: place.clone(),
                limit_value,
                source: source.clone(),
                value,
                since,
                detail: detail.to_owned(),
            });
        }
        self.found.breaches.push(Breach {
            limit,
            place,
            limit_value,
            source,
            worst: track.worst,
            first_at: track.first_at,
            worst_at: track.worst_at,
            last_at: track.last_at,
            is_proven: true,
            detail: detail.to_owned(),
        });
    }

    fn position(&mut self, position: &Limited<'_>) {
        let place = Some(position.id);
        let Some(zero_at) = position.zero_at else {
            return;
        };
        let from_zero = || {
            position
                .believed
                .iter()
                .copied()
                .filter(|one| one.0 >= zero_at)
        };
        let ends_at = self.ends_at;
        let under_cure = || from_zero().filter(|one| one.0 <= ends_at);
        let track = self.track(Limit::ConcreteMax, from_zero());
        self.hottest(position, zero_at, track);
        if let Some(track) = self.track(Limit::ConcreteMin, under_cure()) {
            self.keep(Limit::ConcreteMin, place, track, "");
        }
        if let Some(until) = self.set_by()
            && let Some(track) =
                self.track(Limit::BeforeSet, under_cure().filter(|one| one.0 <= until))
        {
            self.keep(Limit::BeforeSet, place, track, "");
        }
        let of_interest = self.of_interest(&[Limit::Rise, Limit::Cooling]);
        if of_interest.is_infinite() {
            return;
        }
        let settled_at = zero_at.plus_hours(SETTLED_H);
        let start = position.believed.partition_point(|one| one.0 < settled_at);
        let rates = robust_rates(&position.believed[start..], of_interest, self.now);
        let under_cure = || rates.iter().copied().filter(|one| one.0 <= ends_at);
        if let Some(track) = self.track(Limit::Rise, under_cure()) {
            self.keep(Limit::Rise, place, track, "");
        }
        let cooling = under_cure().map(|one| (one.0, -one.1));
        if let Some(track) = self.track(Limit::Cooling, cooling) {
            self.keep(Limit::Cooling, place, track, "");
        }
    }

    /// Rates below this neither break one of these limits nor keep one broken, °C/h.
    fn of_interest(&self, limits: &[Limit]) -> f64 {
        let rows = limits.iter().filter_map(|limit| {
            let height = self.limits.value(*limit)?;
            Some(height - limit.row().deadband)
        });
        rows.fold(f64::INFINITY, f64::min).max(0.0)
    }

    /// A high reading counts against the highest temperature even where it is not believed; a breach that
    /// is proven needs no other.
    fn hottest(&mut self, position: &Limited<'_>, zero_at: UtcMs, track: Option<Track>) {
        let Some(most_c) = self.limits.concrete_c_max else {
            return;
        };
        if let Some(track) = track {
            self.keep(Limit::ConcreteMax, Some(position.id), track, "");
        }
        let unproven = position
            .highest
            .filter(|highest| highest.1 && highest.0 > most_c);
        let Some((highest_c, _)) = unproven else {
            return;
        };
        let is_proven = self.found.breaches.iter().any(|breach| {
            breach.limit == Limit::ConcreteMax && breach.place.as_deref() == Some(position.id)
        });
        if !is_proven {
            self.found.breaches.push(Breach {
                limit: Limit::ConcreteMax,
                place: Some(position.id.to_owned()),
                limit_value: most_c,
                source: self.limits.source_of(Limit::ConcreteMax).to_owned(),
                worst: highest_c,
                // When it was read is not kept: only that it was, since the concrete came.
                first_at: zero_at,
                worst_at: zero_at,
                last_at: zero_at,
                is_proven: false,
                detail: String::new(),
            });
        }
    }

    /// The end of the time before initial set: as recorded, else the end of the preset.
    fn set_by(&self) -> Option<UtcMs> {
        self.tarp.set_at.or_else(|| self.preset_ends_at())
    }

    fn preset_ends_at(&self) -> Option<UtcMs> {
        Some(
            self.tarp
                .last_batch_at?
                .plus_hours(self.limits.preset_h_min?),
        )
    }

    fn difference(&mut self, positions: &[Limited<'_>]) {
        if self.limits.difference_c_max.is_none() {
            return;
        }
        let judged: Vec<&Limited<'_>> = positions
            .iter()
            .filter(|one| !one.is_excluded && one.zero_at.is_some())
            .collect();
        let latest_zero = judged.iter().filter_map(|one| one.zero_at).max();
        let Some(from) = latest_zero.map(|zero| zero.plus_hours(SETTLED_H)) else {
            return;
        };
        let paths: Vec<&[(UtcMs, f64)]> = judged.iter().map(|one| one.believed).collect();
        let mut widest: Option<(f64, String)> = None;
        let mut points = Vec::new();
        for (at, values) in side_by_side(&paths, self.now) {
            if at < from || at > self.ends_at {
                continue;
            }
            let by_value = |one: &&(usize, f64), other: &&(usize, f64)| one.1.total_cmp(&other.1);
            let (Some(low), Some(high)) = (
                values.iter().min_by(by_value),
                values.iter().max_by(by_value),
            ) else {
                continue;
            };
            let difference_c = high.1 - low.1;
            points.push((at, difference_c));
            if widest.as_ref().is_none_or(|widest| difference_c > widest.0) {
                let between = format!("between {} and {}", judged[high.0].id, judged[low.0].id);
                widest = Some((difference_c, between));
            }
        }
        if let Some(track) = self.track(Limit::Difference, points.into_iter()) {
            let detail = widest.map(|one| one.1).unwrap_or_default();
            self.keep(Limit::Difference, None, track, &detail);
        }
    }

    fn enclosure(&mut self, enclosure: &[(UtcMs, f64)]) {
        let Some(placed_at) = self.record.facts.last_placement_at else {
            return;
        };
        let ends_at = self.ends_at;
        let under_cure = || {
            let air = enclosure.iter().copied();
            air.filter(move |one| one.0 >= placed_at && one.0 <= ends_at)
        };
        let heat_on_at = self.first_heat_on();
        if let Some(track) = self.track(Limit::EnclosureMax, under_cure()) {
            self.keep(Limit::EnclosureMax, None, track, "");
        }
        let waiting = under_cure().filter(|one| heat_on_at.is_none_or(|on| one.0 < on));
        if let Some(track) = self.track(Limit::EnclosureMin, waiting) {
            self.keep(Limit::EnclosureMin, None, track, "");
        }
        let Some(on_at) = heat_on_at else {
            return;
        };
        let heated: Vec<_> = under_cure().filter(|one| one.0 >= on_at).collect();
        let rates = robust_rates(&heated, self.of_interest(&[Limit::EnclosureRise]), self.now);
        if let Some(track) = self.track(Limit::EnclosureRise, rates.into_iter()) {
            self.keep(Limit::EnclosureRise, None, track, "");
        }
    }

    fn first_heat_on(&self) -> Option<UtcMs> {
        let heat = self.record.heat.iter();
        heat.filter(|one| one.on && one.at <= self.now)
            .map(|one| one.at)
            .next()
    }

    /// Heat before the preset is over and before a recorded initial set.
    fn preset(&mut self) {
        let has_preset = self.limits.preset_h_min.is_some();
        if !has_preset && !self.limits.is_set_required {
            return;
        }
        let (Some(on_at), Some(batch_at)) = (self.first_heat_on(), self.tarp.last_batch_at) else {
            return;
        };
        let is_set_by = |at: UtcMs| self.tarp.set_at.is_some_and(|set_at| set_at <= at);
        let is_over_by = |at: UtcMs| self.preset_ends_at().is_some_and(|ends| ends <= at);
        if is_set_by(on_at) || is_over_by(on_at) {
            return;
        }
        let counted_from = if self.tarp.is_batch_known {
            "the batch time of the last load"
        } else {
            "the last placement, because no batch time is recorded"
        };
        let set = match self.tarp.set_at {
            Some(_) => "initial set was recorded only later",
            None => "no initial set is recorded",
        };
        let detail = format!("counted from {counted_from}; {set}");
        // While concrete is still being placed nothing has passed yet.
        let hours = on_at.hours_since(batch_at).max(0.0);
        let is_heated = self.record.heat.iter().rfind(|one| one.at <= self.now);
        let is_still = is_heated.is_some_and(|one| one.on)
            && !is_set_by(self.now)
            && !is_over_by(self.now)
            && self.record.is_under_cure();
        let source = self.limits.source_of(Limit::Preset).to_owned();
        let limit_value = self.limits.preset_h_min.unwrap_or_default();
        if is_still {
            self.found.beyond.push(Beyond {
                limit: Limit::Preset,
                place: None,
                limit_value,
                source: source.clone(),
                value: hours,
                since: on_at,
                detail: detail.clone(),
            });
        }
        self.found.breaches.push(Breach {
            limit: Limit::Preset,
            place: None,
            limit_value,
            source,
            worst: hours,
            first_at: on_at,
            worst_at: on_at,
            last_at: on_at,
            is_proven: true,
            detail,
        });
    }

    /// Between the last heat-off and detensioning, and from the last load to detensioning.
    fn after_heat(&mut self, positions: &[Limited<'_>]) {
        if let Some(batch_at) = self.tarp.last_batch_at {
            self.spell(Limit::ReleaseHours, batch_at);
        }
        let last = self.record.heat.iter().rfind(|one| one.at <= self.now);
        let Some(off_at) = last.filter(|one| !one.on).map(|one| one.at) else {
            return;
        };
        if off_at >= self.ends_at {
            return;
        }
        self.spell(Limit::HeatOffHours, off_at);
        for position in positions.iter().filter(|one| !one.is_excluded) {
            let Some(off_c) = temperature_at(position.believed, off_at) else {
                continue;
            };
            let start = position.believed.partition_point(|one| one.0 <= off_at);
            let after = position.believed[start..].iter();
            let falls = after
                .take_while(|one| one.0 <= self.ends_at)
                .map(|one| (one.0, off_c - one.1));
            if let Some(track) = self.track(Limit::HeatOffFall, falls) {
                self.keep(Limit::HeatOffFall, Some(position.id), track, "");
            }
        }
    }

    /// How much warmer than the yard each position was when it was released.
    fn at_release(&mut self, positions: &[Limited<'_>], ambient: &[(UtcMs, f64)]) {
        let released_at = self.record.release.as_ref().map(|release| release.at);
        let Some(at) = released_at.filter(|at| *at <= self.now) else {
            return;
        };
        let Some(yard_c) = temperature_at(ambient, at) else {
            return;
        };
        for position in positions.iter().filter(|one| !one.is_excluded) {
            let above = temperature_at(position.believed, at).map(|celsius| (at, celsius - yard_c));
            if let Some(track) = self.track(Limit::ReleasedAboveYard, above.into_iter()) {
                let track = Track {
                    beyond: None,
                    ..track
                };
                self.keep(Limit::ReleasedAboveYard, Some(position.id), track, "");
            }
        }
    }

    /// A spell that has lasted from `from` to the release, or to now.
    fn spell(&mut self, limit: Limit, from: UtcMs) {
        let Some(most_h) = self.limits.value(limit) else {
            return;
        };
        let broken_at = from.plus_hours(most_h);
        if self.ends_at <= broken_at {
            return;
        }
        let hours = self.ends_at.hours_since(from);
        let beyond = self.record.is_under_cure().then_some((hours, broken_at));
        let track = Track {
            worst: hours,
            worst_at: self.ends_at,
            first_at: broken_at,
            last_at: self.ends_at,
            beyond,
        };
        self.keep(limit, None, track, "");
    }
}
