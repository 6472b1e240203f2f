//! What finished pours teach: summaries, and what they lead to expect of the next pour.
//!
//! A summary is a function of what had been recorded and received when it became known, and counts
//! only from then on. Expectations are medians and robust spreads of summaries, drawn towards what is
//! generally so where there are few: first of the bed or plant, then of the part or zone within it.

mod pool;
mod summary;
mod trials;

pub(crate) use trials::Correction;
pub use trials::{AHEAD_H, Trial};

pub use summary::{AirSummary, HeatSummary, PositionSummary, PourSummary};
pub(crate) use summary::{ends_at, learned_at, summarise};

use crate::act::Position;
use crate::forecast::air::{AirExpectations, generic, planned_rise_c_per_h, planned_soak_c};
use crate::forecast::concrete::Section;
use crate::forecast::outlook::outage_shorter;
use crate::forecast::squares::Expectation;
use crate::habits::pool::{Pooled, pooled};
use crate::pour::PourRecord;
use crate::statistics::median;
use crate::time::UtcMs;

/// Summaries older than this teach nothing any more, days.
pub const KEPT_DAYS: f64 = 180.0;
/// What to expect before anything is learned: logarithms of the factors on delay and heat, and the
/// share of the enclosure's excess that is lost on the way to a position (common practice, no source).
const DELAY: Pooled = Pooled {
    mean: 0.0,
    sd: 0.25,
    count: 0,
};
const HEAT: Pooled = Pooled {
    mean: 0.0,
    sd: 0.20,
    count: 0,
};
const LOST: Pooled = Pooled {
    mean: 0.12,
    sd: 0.20,
    count: 0,
};
/// Measured over estimated before a mix has breaks: a curve may be off by this, as a logarithm.
const CURVE_LN_SD: f64 = 0.067;
/// One pour's first break scatters by this about its mix, and so many breaks weigh as much as none.
const BREAK_LN_SD: f64 = 0.08;
const BREAK_SHRINK: f64 = 4.0;
/// Outages counted before any was seen: resumed, not resumed, and the mean hours of heat between them.
const RESUMED: f64 = 3.0;
const NOT_RESUMED: f64 = 3.0;
const FAILURE_MEAN_H: f64 = 50.0;
/// Heated hours that this rests on.
const FAILURE_WEIGHT: f64 = 2.0;
/// Heat that has outlasted every past one goes on this much longer, h, on average.
const LONGER_MEAN_H: f64 = 3.0;
/// A duration from before its plan ended is an outage, not a shift of the plan, h.
const SHIFT_H_MAX: f64 = 1.5;

/// What finished pours lead to expect of one pour.
#[derive(Debug, Clone)]
pub struct Habits {
    delay: Pooled,
    heat: Pooled,
    film_of_bed: Pooled,
    film_of_part: Vec<(String, Pooled)>,
    lost_of_zone: [Pooled; 3],
    lost_of_bed_zone: [Pooled; 3],
    air: [Pooled; 5],
    pub(crate) heating: HeatHabits,
    pub(crate) correction: Correction,
    ratio_ln: f64,
    ratio_ln_sd: f64,
    break_count: usize,
    pour_count: usize,
}

/// What is expected of heat's duration and failures.
#[derive(Debug, Clone, Default)]
pub(crate) struct HeatHabits {
    /// Durations on this bed, h, and whether the record ended before the heat did.
    durations: Vec<(f64, bool)>,
    /// How far heat went off from its plan, h.
    shifts: Vec<f64>,
    resumed: f64,
    not_resumed: f64,
    heated_h: f64,
}

impl Habits {
    /// What is expected of a pour at `now`.
    #[must_use]
    pub fn of<'a>(
        record: &PourRecord,
        summaries: impl Iterator<Item = &'a PourSummary>,
        now: UtcMs,
    ) -> Self {
        let oldest = now.plus_hours(-24.0 * KEPT_DAYS);
        let known: Vec<&PourSummary> = summaries
            .filter(|one| one.known_at <= now && one.known_at >= oldest && one.pour != record.id)
            .collect();
        let of_bed: Vec<&PourSummary> = known
            .iter()
            .filter(|one| one.bed == record.facts.bed)
            .copied()
            .collect();
        let of_mix: Vec<&PourSummary> = known
            .iter()
            .filter(|one| one.mix == record.facts.mix)
            .copied()
            .collect();
        let films = |place: Option<&str>| -> Vec<f64> {
            let positions = of_bed.iter().flat_map(|one| &one.positions);
            positions
                .filter(|one| place.is_none_or(|place| one.place == place))
                .filter_map(|one| one.film_ln)
                .collect()
        };
        let film = Pooled {
            mean: 0.0,
            sd: Section::of(record).film_ln_sd(),
            count: 0,
        };
        let film_of_bed = pooled(&films(None), film);
        let mut places: Vec<&str> = record
            .facts
            .positions
            .iter()
            .map(|one| one.place.as_str())
            .collect();
        places.sort_unstable();
        places.dedup();
        let film_of_part = places
            .into_iter()
            .map(|place| (place.to_owned(), pooled(&films(Some(place)), film_of_bed)))
            .collect();
        let lost = |from: &[&PourSummary], zone: usize| -> Vec<f64> {
            let positions = from.iter().flat_map(|one| &one.positions);
            positions
                .filter(|one| one.zone == zone)
                .filter_map(|one| one.lost_share)
                .collect()
        };
        let lost_of_zone = std::array::from_fn(|zone| pooled(&lost(&known, zone), LOST));
        let values = |pick: &dyn Fn(&PourSummary) -> Option<f64>| -> Vec<f64> {
            of_mix.iter().filter_map(|one| pick(one)).collect()
        };
        let ratios: Vec<f64> = of_mix.iter().filter_map(|one| one.ratio_ln).collect();
        let (ratio_ln, ratio_ln_sd) = ratio(&ratios);
        Self {
            delay: pooled(&values(&|one| one.delay_ln), DELAY),
            heat: pooled(&values(&|one| one.heat_ln), HEAT),
            film_of_bed,
            film_of_part,
            lost_of_bed_zone: std::array::from_fn(|zone| {
                pooled(&lost(&of_bed, zone), lost_of_zone[zone])
            }),
            lost_of_zone,
            air: air(record, &of_bed),
            heating: HeatHabits::of(&of_bed, &known),
            correction: Correction::of(&known, &of_mix, &of_bed),
            ratio_ln,
            ratio_ln_sd,
            break_count: ratios.len(),
            pour_count: of_bed.len(),
        }
    }

    /// What is expected of the concrete: the shared parameters, then two for each of the positions.
    pub(crate) fn concrete(&self, record: &PourRecord, positions: &[usize]) -> Vec<Expectation> {
        let one = |pooled: &Pooled, min: f64, max: f64| Expectation {
            mean: pooled.mean,
            sd: pooled.sd,
            min,
            max,
        };
        let mut all = vec![one(&self.delay, -1.5, 1.5), one(&self.heat, -1.5, 1.0)];
        for index in positions {
            let position = record.facts.positions.get(*index);
            let film = position
                .and_then(|position| {
                    self.film_of_part
                        .iter()
                        .find(|(place, _)| *place == position.place)
                })
                .map_or(&self.film_of_bed, |found| &found.1);
            let zone = position.map_or(1, |position| zone_of(record, position));
            all.push(one(film, -2.0, 2.0));
            all.push(one(&self.lost_of_bed_zone[zone], -0.5, 0.8));
        }
        all
    }

    /// What is expected of the air.
    pub(crate) fn air(&self, record: &PourRecord) -> AirExpectations {
        let mut expected = generic(record);
        for (one, learned) in expected.iter_mut().zip(&self.air) {
            (one.mean, one.sd) = (learned.mean, learned.sd);
        }
        expected
    }

    /// The same without what trials correct: what trials themselves are asked with.
    pub(crate) fn uncorrected(mut self) -> Self {
        self.correction = Correction::of(&[], &[], &[]);
        self
    }

    /// The habit of the mix's delay, and how well it is known.
    pub(crate) fn delay(&self) -> (f64, f64) {
        let known_sd = self.delay.sd / ((self.delay.count + 1) as f64).sqrt();
        (self.delay.mean, known_sd)
    }

    /// The logarithm of measured over estimated for the mix, and how well it is known.
    pub(crate) const fn ratio_ln(&self) -> (f64, f64) {
        (self.ratio_ln, self.ratio_ln_sd)
    }

    /// Breaks of the mix that this rests on.
    #[must_use]
    pub const fn break_count(&self) -> usize {
        self.break_count
    }

    /// Finished pours of the bed that this rests on.
    #[must_use]
    pub const fn pour_count(&self) -> usize {
        self.pour_count
    }

    /// Every figure with its name, as (name, mean, spread, count): what a person may look at.
    #[must_use]
    pub fn figures(&self) -> Vec<(String, f64, f64, usize)> {
        let one = |name: &str, value: &Pooled| (name.to_owned(), value.mean, value.sd, value.count);
        let mut all = vec![
            one("delay_ln_of_mix", &self.delay),
            one("heat_ln_of_mix", &self.heat),
            one("film_ln_of_bed", &self.film_of_bed),
        ];
        for (place, film) in &self.film_of_part {
            all.push(one(&format!("film_ln_of_bed_at_{place}"), film));
        }
        let zones = ["first_end", "middle", "last_end"];
        for (zone, (plant, bed)) in zones
            .iter()
            .zip(self.lost_of_zone.iter().zip(&self.lost_of_bed_zone))
        {
            all.push(one(&format!("lost_share_of_plant_{zone}"), plant));
            all.push(one(&format!("lost_share_of_bed_{zone}"), bed));
        }
        let names = [
            "concrete_share",
            "lift_ln",
            "follow_ln",
            "rise_ln_over_plan",
            "hold_c_over_plan",
        ];
        for (name, value) in names.iter().zip(&self.air) {
            all.push(one(&format!("air_{name}"), value));
        }
        let ratio = Pooled {
            mean: self.ratio_ln,
            sd: self.ratio_ln_sd,
            count: self.break_count,
        };
        all.push(one("measured_over_estimated_ln_of_mix", &ratio));
        all.extend(self.correction.figures());
        all
    }
}

/// The zone of a position: an end of the pour (0, 2) or its middle (1).
pub(crate) fn zone_of(record: &PourRecord, position: &Position) -> usize {
    let (from, to) = (record.facts.from_station_m, record.facts.to_station_m);
    let share = (position.station_m - from) / (to - from);
    match share {
        share if share < 0.15 => 0,
        share if share > 0.85 => 2,
        _ => 1,
    }
}

/// Rise and hold are learned relative to the plan, so that another plan moves them.
fn air(record: &PourRecord, of_bed: &[&PourSummary]) -> [Pooled; 5] {
    let generic = generic(record);
    let plan = [
        0.0,
        0.0,
        0.0,
        planned_rise_c_per_h(record).ln(),
        planned_soak_c(record),
    ];
    std::array::from_fn(|index| {
        let values: Vec<f64> = of_bed
            .iter()
            .filter_map(|one| one.air.as_ref()?.values[index])
            .collect();
        let expected = generic[index];
        let relative = Pooled {
            mean: expected.mean - plan[index],
            sd: expected.sd,
            count: 0,
        };
        let learned = pooled(&values, relative);
        Pooled {
            mean: learned.mean + plan[index],
            ..learned
        }
    })
}

/// The mix's ratio: a normal mean, drawn towards no difference.
fn ratio(ratios: &[f64]) -> (f64, f64) {
    let count = ratios.len() as f64;
    let median = median(ratios).unwrap_or(0.0);
    let shrunk = median * count / (count + BREAK_SHRINK);
    let variance = 1.0 / (CURVE_LN_SD.powi(-2) + count * BREAK_LN_SD.powi(-2));
    (shrunk, variance.sqrt())
}

impl HeatHabits {
    fn of(of_bed: &[&PourSummary], all: &[&PourSummary]) -> Self {
        let heats = || of_bed.iter().filter_map(|one| one.heat.as_ref());
        let mut habits = Self {
            durations: heats()
                .map(|heat| (heat.duration_h, heat.is_censored))
                .collect(),
            shifts: heats()
                .filter(|heat| !heat.is_censored)
                .filter_map(|heat| heat.off_after_plan_h)
                .filter(|shift| shift.abs() < SHIFT_H_MAX)
                .collect(),
            ..Self::default()
        };
        habits.durations.sort_by(|a, b| a.0.total_cmp(&b.0));
        for heat in all.iter().filter_map(|one| one.heat.as_ref()) {
            habits.heated_h += heat.duration_h;
            habits.resumed += heat.outages_h.len() as f64;
            habits.not_resumed += f64::from(u8::from(heat.stopped_early));
        }
        habits
    }

    /// The probability that heat that has been off for so long comes back.
    pub(crate) fn resume_share(&self, off_since_h: f64) -> f64 {
        let longer = 1.0 - outage_shorter(off_since_h);
        let resumed = (RESUMED + self.resumed) * longer;
        resumed / (resumed + NOT_RESUMED + self.not_resumed)
    }

    /// Mean hours of heat between failures.
    pub(crate) fn failure_mean_h(&self) -> f64 {
        let seen = self.resumed + self.not_resumed;
        (FAILURE_MEAN_H * FAILURE_WEIGHT + self.heated_h) / (FAILURE_WEIGHT + seen)
    }

    /// How far heat goes off from its plan on this bed, h.
    pub(crate) fn off_shift(&self, sd_h: f64) -> (f64, f64) {
        let learned = pooled(
            &self.shifts,
            Pooled {
                mean: 0.0,
                sd: sd_h,
                count: 0,
            },
        );
        (learned.mean, learned.sd.max(0.1))
    }

    /// How much longer heat that has run so long goes on, without a plan: a draw from the survival
    /// estimate of past durations, whose records often end before the heat does.
    pub(crate) fn remaining_h(&self, heated_h: f64, uniform: f64) -> f64 {
        if self.durations.is_empty() {
            return f64::INFINITY;
        }
        let mut surviving = 1.0;
        let mut last_h = heated_h;
        for (index, (duration_h, is_censored)) in self.durations.iter().enumerate() {
            if *duration_h <= heated_h {
                continue;
            }
            last_h = *duration_h;
            if !is_censored {
                surviving *= 1.0 - 1.0 / (self.durations.len() - index) as f64;
                if surviving < uniform {
                    return duration_h - heated_h;
                }
            }
        }
        last_h - heated_h - LONGER_MEAN_H * (uniform / surviving).ln()
    }
}

#[cfg(test)]
mod tests;
