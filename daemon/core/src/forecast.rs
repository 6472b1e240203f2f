//! When the slowest position reaches its required strength, from sampled futures of the night.
//!
//! A forecast is never permission: it says when breaking cylinders is worth while. Each future
//! draws an air path (plan, switches, readings, habits), the heat of each position (fitted to its
//! readings), and how far the concrete differs from its curve. The slowest position is taken within
//! each future; early, likely and late are the 10, 50 and 90 % points over them. Two distributions
//! are told: *by the curve*, which takes the curve for true, and *of the concrete*. Nothing is
//! claimed beyond the curve's data. The same inputs give the same answer to the bit.

mod advice;
mod ahead;
pub(crate) mod air;
mod by_position;
pub(crate) mod concrete;
mod draws;
mod fall;
mod fit;
mod future;
mod maturity;
pub(crate) mod outlook;
mod past;
pub(crate) mod squares;
mod strength;
mod table;
mod teach;
mod told;

use calibration::{MaturityFunction, PreparedCurve, RequiredMaturity, TimeZero};
use units::UnitSystem;

use crate::age::age_at;
use crate::ahead::{Ahead, AheadLimits};
use crate::assessment::{Forecast, ForecastLack, JudgedBreak, UnexplainedFall};
use crate::forecast::air::AirPast;
use crate::forecast::concrete::{Section, Slab, ripening_table};
use crate::forecast::draws::seed_of;
use crate::forecast::fall::Read;
use crate::forecast::fit::{ConcreteFit, of_position};
use crate::forecast::future::{Course, Futures, Night, PositionOutlook, Rates, Step};
use crate::forecast::maturity::{PastMaturity, bridged};
use crate::forecast::outlook::AirOutlook;
use crate::forecast::past::{Past, Path, TrackSource, temperature_now_c, trend_c_per_h};
use crate::forecast::squares::Fitted;
use crate::forecast::strength::{StrengthDoubt, reaching};
use crate::forecast::table::OneRate;
use crate::forecast::told::{correct, summarise};
use crate::grid::STEP_H;
use crate::habits::Habits;
use crate::pour::PourRecord;
use crate::say;
use crate::time::UtcMs;

pub(crate) use strength::evidence;
pub(crate) use teach::{Lesson, teach};

/// Nothing is forecast further ahead than this, h.
const HORIZON_H: f64 = 72.0;
/// Sampled futures; even, because they come in mirrored pairs.
const MEMBER_COUNT: u64 = 64;
/// Fewer finished pours, or breaks, than this are few.
const TAUGHT_WELL: usize = 3;
/// A read trend that nothing explains goes on for this long, h.
const UNEXPLAINED_TREND_C_PER_H_MAX: f64 = 6.0;

/// Everything a forecast may use, known at its moment.
pub struct KnownAt<'a> {
    /// The plant's, for sentences.
    pub units: UnitSystem,
    /// The pour as corrected so far.
    pub record: &'a PourRecord,
    /// `None` where no curve may be used.
    pub curve: Option<KnownCurveUse<'a>>,
    /// How many positions the assessment has.
    pub position_count: usize,
    /// The judged ones, and others that are believed now: they are only looked at ahead.
    pub positions: Vec<KnownPosition<'a>>,
    /// Believed readings of the air under the tarp, in time order.
    pub enclosure: &'a [(UtcMs, f64)],
    /// Believed readings of the yard, in time order.
    pub ambient: &'a [(UtcMs, f64)],
    pub breaks: &'a [JudgedBreak],
    /// What finished pours have taught by then.
    pub habits: &'a Habits,
    /// From the pour's limit set.
    pub limits: AheadLimits,
    pub pour_cv: f64,
    pub load_cv: f64,
    /// The probability with which the next set should pass.
    pub break_probability: f64,
}

/// The curve in use.
#[derive(Debug, Clone, Copy)]
pub struct KnownCurveUse<'a> {
    pub prepared: &'a PreparedCurve,
    pub maturity: MaturityFunction,
}

/// One position.
#[derive(Debug, Clone, Copy)]
pub struct KnownPosition<'a> {
    /// Index into the record's positions.
    pub index: usize,
    /// `None` where no release waits for it: a person left it out, or nothing is required of it.
    pub required_mpa: Option<f64>,
    /// The maturity of cylinders that passed for it, where it lacks only that.
    pub catches_up_at: Option<f64>,
    /// `None` while it has no age.
    pub time_zero_at: Option<UtcMs>,
    /// Believed readings in time order, °C.
    pub temperatures: &'a [(UtcMs, f64)],
    /// Its last reading is believed and fresh.
    pub believed: bool,
    /// What it read was the air all along, so that none of it counts.
    pub reads_air: bool,
}

/// A position that can be forecast, with what it needs.
struct Usable<'a> {
    known: KnownPosition<'a>,
    zero_at: UtcMs,
    readings: &'a Path,
}

impl Usable<'_> {
    /// What it read last, °C; infinite where it read nothing.
    fn last_c(&self) -> f64 {
        self.readings.last().map_or(f64::INFINITY, |last| last.1)
    }
}

/// The distribution of the time at which the slowest judged position reaches its required strength.
#[must_use]
pub fn forecast(known: &KnownAt<'_>, now: UtcMs) -> Forecast {
    sampled(known, now, |_, _, _| {})
}

/// The same with what else lies ahead in the night; the default of it where there is no forecast.
#[must_use]
pub fn forecast_and_ahead(known: &KnownAt<'_>, now: UtcMs) -> (Forecast, Ahead) {
    let mut found = Ahead::default();
    let forecast = sampled(known, now, |usable, night, futures| {
        found = ahead::look(known, usable, night, futures, now);
    });
    (forecast, found)
}

/// The same with each position by itself.
#[must_use]
pub fn forecast_and_ahead_of_each(known: &KnownAt<'_>, now: UtcMs) -> (Forecast, Ahead) {
    let mut found = Ahead::default();
    let forecast = sampled(known, now, |usable, night, futures| {
        found = ahead::look(known, usable, night, futures, now);
        let until_h = ahead::until_h(known, futures, now);
        found.positions = by_position::look(usable, night, until_h, now);
    });
    (forecast, found)
}

/// Samples the futures; `look` sees what they started from, and them, where there are any.
fn sampled(
    known: &KnownAt<'_>,
    now: UtcMs,
    look: impl FnOnce(&[Usable<'_>], &Night<'_>, &Futures),
) -> Forecast {
    let none = |reason: String| Forecast {
        position_likely_at: vec![None; known.position_count],
        reason: Some(reason),
        ..Forecast::default()
    };
    let Some(curve) = &known.curve else {
        return none("No usable curve: only broken cylinders can tell.".to_owned());
    };
    if known.positions.iter().all(|one| one.required_mpa.is_none()) {
        return none("No position is judged, so there is nothing to forecast.".to_owned());
    }
    let mut usable = Vec::new();
    let mut obstacle = None;
    for position in &known.positions {
        match check(position, known.record, curve.prepared, known.units) {
            Ok(one) => usable.push(one),
            Err(_) if position.required_mpa.is_none() => {}
            Err(reason) => obstacle = obstacle.or(Some(reason)),
        }
    }
    let judged = || usable.iter().filter(|one| one.known.required_mpa.is_some());
    if judged().all(|one| one.readings.is_empty()) {
        let unread = || {
            let id = position_id(known.record, judged().next()?.known.index);
            Some(format!(
                "Nothing that was read at position {id} is believed, nor at any other, so there is \
                 no forecast, and the line waits."
            ))
        };
        return none(obstacle.or_else(unread).unwrap_or_default());
    }
    stand_in(&mut usable, known.enclosure);
    let rates = Rates::new(curve.maturity);
    let ripening = ripening_table(Some(curve.maturity));
    let night = night(known, curve, &usable, (&rates, &ripening), now);
    let mut futures = Futures::sample(&night, &Course::TO_STRENGTH, MEMBER_COUNT);
    correct(&mut futures, &known.habits.correction);
    look(&usable, &night, &futures);
    Forecast {
        lacks: lacks(known, &night),
        next_ratio_ln: Some(night.strength.next_ratio_ln),
        unexplained_falls: night.falls,
        ..summarise(known, &usable, &futures, obstacle, now)
    }
}

/// What this forecast does without.
fn lacks(known: &KnownAt<'_>, night: &Night<'_>) -> Vec<ForecastLack> {
    let plan = known.record.facts.heat_plan;
    let is_planned = plan.is_some_and(|plan| plan.off_at.is_some());
    let lacks = [
        (ForecastLack::Air, !night.is_air_measured),
        (ForecastLack::Yard, known.ambient.is_empty()),
        (
            ForecastLack::HeatPlan,
            !is_planned && !known.record.is_never_heated(),
        ),
        (ForecastLack::BedHistory, night.pour_count < TAUGHT_WELL),
        (
            ForecastLack::MixBreaks,
            known.habits.break_count() < TAUGHT_WELL,
        ),
    ];
    let lacking = lacks.into_iter().filter(|(_, is_lacking)| *is_lacking);
    lacking.map(|(lack, _)| lack).collect()
}

fn position_id(record: &PourRecord, index: usize) -> &str {
    record
        .facts
        .positions
        .get(index)
        .map_or("?", |one| one.id.as_str())
}

/// Whether a position can be forecast, or why not, as a sentence.
fn check<'a>(
    position: &KnownPosition<'a>,
    record: &PourRecord,
    curve: &PreparedCurve,
    units: UnitSystem,
) -> Result<Usable<'a>, String> {
    let id = position_id(record, position.index);
    let required_mpa = position.required_mpa.unwrap_or(0.0);
    match curve.required_maturity(required_mpa) {
        RequiredMaturity::Never => {
            return Err(format!(
                "The curve never reaches the {} required at {id}.",
                say::strength(required_mpa, units)
            ));
        }
        RequiredMaturity::BeyondData { .. } => {
            return Err(format!(
                "What is required at {id}, {}, lies beyond the curve's last data: nothing is \
                 forecast past them.",
                say::strength(required_mpa, units)
            ));
        }
        RequiredMaturity::Within(_) | RequiredMaturity::BeforeData { .. } => {}
    }
    let Some(zero_at) = position.time_zero_at else {
        return Err(format!(
            "Position {id} has no age: it is not placed yet, or nobody has said when it was."
        ));
    };
    Ok(Usable {
        known: *position,
        zero_at,
        readings: if position.reads_air {
            &[]
        } else {
            position.temperatures
        },
    })
}

/// Where no air was read that a heat balance could start from, a position without readings is taken to
/// be like the coolest of the others.
fn stand_in(usable: &mut [Usable<'_>], enclosure: &Path) {
    if !enclosure.is_empty() {
        return;
    }
    let coolest = usable
        .iter()
        .filter(|one| !one.readings.is_empty())
        .min_by(|a, b| a.last_c().total_cmp(&b.last_c()))
        .map_or(&[][..], |one| one.readings);
    for one in usable.iter_mut().filter(|one| one.readings.is_empty()) {
        one.readings = coolest;
    }
}

fn past_of(known: &KnownAt<'_>, usable: &[Usable<'_>], section: &Section, now: UtcMs) -> Past {
    let facts = &known.record.facts;
    let sources: Vec<TrackSource<'_>> = usable
        .iter()
        .map(|one| {
            let position = facts.positions.get(one.known.index);
            let placed =
                position.and_then(|position| age_at(known.record, position, TimeZero::Placed, now));
            TrackSource {
                readings: one.readings,
                zero_at: one.zero_at,
                placed_at: placed.map_or(one.zero_at, |age| age.zero_at),
                place: section.place(position.and_then(|position| position.depth_mm)),
            }
        })
        .collect();
    let fresh_c = facts.fresh.and_then(|fresh| fresh.temperature_c);
    Past::new(&sources, (known.enclosure, known.ambient), fresh_c, now)
}

/// Gathers what the futures start from.
fn night<'a>(
    known: &'a KnownAt<'a>,
    curve: &KnownCurveUse<'a>,
    usable: &[Usable<'_>],
    (rates, ripening): (&'a Rates, &'a OneRate),
    now: UtcMs,
) -> Night<'a> {
    let section = Section::of(known.record);
    let past = past_of(known, usable, &section, now);
    let indices: Vec<usize> = usable.iter().map(|one| one.known.index).collect();
    let expectations = known.habits.concrete(known.record, &indices);
    let fit = ConcreteFit {
        section: &section,
        past: &past,
        ripening,
    };
    let fitted = fit.fit(&expectations);
    let outlook =
        |index| position_outlook(&fit, &fitted, (usable, index), (curve.prepared, rates), now);
    let (mut positions, traces): (Vec<PositionOutlook>, Vec<Vec<f64>>) =
        (0..usable.len()).map(outlook).unzip();
    let falls = falls(&past, usable, &traces, now);
    let yard = (past.yard_now_c(), past.yard_sd_c);
    let air = if past.has_air() {
        let concrete_c = mean_trace(&past, &traces);
        let air_fit = AirPast {
            past: &past,
            concrete_c: &concrete_c,
        }
        .fit(known.record, &known.habits.air(known.record));
        AirOutlook::measured(known.record, air_fit, yard, &known.habits.heating, now)
    } else {
        let air_c = inferred_air_c(&fit, &fitted, usable, &mut positions, now);
        let expected = known.habits.air(known.record);
        AirOutlook::inferred(
            known.record,
            &expected,
            air_c,
            yard,
            &known.habits.heating,
            now,
        )
    };
    let required_mpa = usable
        .iter()
        .filter_map(|one| one.known.required_mpa)
        .fold(0.0, f64::max);
    let delay = (fitted.parameters[0], fitted.sd(0));
    let strength = StrengthDoubt::new(
        known.record,
        (curve, required_mpa),
        known.breaks,
        (known.pour_cv, known.load_cv),
        (known.habits, delay),
        now,
    );
    Night {
        seed: seed_of(&known.record.id),
        curve: curve.prepared,
        air,
        is_air_measured: past.has_air(),
        pour_count: known.habits.pour_count(),
        strength,
        section,
        ripening,
        rates,
        fitted,
        positions,
        falls,
        steps: Step::all(),
    }
}

/// The believed positions that lost heat which the air that was read does not explain.
fn falls(
    past: &Past,
    usable: &[Usable<'_>],
    traces: &[Vec<f64>],
    now: UtcMs,
) -> Vec<UnexplainedFall> {
    if !past.has_air() {
        return Vec::new();
    }
    let believed: Vec<usize> = (0..usable.len())
        .filter(|index| usable[*index].known.believed)
        .collect();
    let read = |index: &usize| Read {
        read_c: &past.tracks[*index].read_c,
        model_c: &traces[*index],
    };
    let positions: Vec<Read<'_>> = believed.iter().map(read).collect();
    let falls = believed.iter().enumerate().filter_map(|(place, index)| {
        let fall = fall::unexplained(&positions, place)?;
        Some(UnexplainedFall {
            position: usable[*index].known.index,
            since: now.plus_hours(-fall.since_h),
            fall_c: fall.fall_c,
        })
    });
    falls.collect()
}

/// One position's start into the futures, and its temperature at each point of the past.
fn position_outlook(
    fit: &ConcreteFit<'_>,
    fitted: &Fitted,
    (usable, index): (&[Usable<'_>], usize),
    (curve, rates): (&PreparedCurve, &Rates),
    now: UtcMs,
) -> (PositionOutlook, Vec<f64>) {
    let (past, one) = (fit.past, &usable[index]);
    let track = &past.tracks[index];
    let parameters = of_position(&fitted.parameters, index);
    let mut model = Vec::new();
    let (slab, mut cells) = if past.has_air() {
        fit.run(index, &parameters, |point, model_c| {
            model.push((past.grid.at(point), model_c))
        })
    } else {
        let slab = Slab::new(fit.section, track.place, &parameters);
        let temperature_c = temperature_now_c(one.readings, now).unwrap_or(track.start_c);
        let age_h = PastMaturity::age_h(one.readings, one.zero_at, fit.ripening, now);
        (slab, slab.uniform(temperature_c, age_h))
    };
    let path = if past.has_air() {
        bridged(one.readings, &model, (one.zero_at, now))
    } else {
        let beside = coolest_beside(past, usable, index);
        bridged(one.readings, &beside, (one.zero_at, now))
    };
    let last = one.readings.last();
    if let Some(last_at) = last.map(|last| last.0) {
        let doubted_h = if one.known.believed {
            0.0
        } else {
            now.hours_since(last_at)
        };
        let read_c = if doubted_h > past::GAP_H {
            path.last().map(|last| last.1)
        } else {
            temperature_now_c(one.readings, now)
        };
        cells.shift(read_c.map_or(0.0, |read_c| read_c - slab.sensor_c(&cells)));
    }
    let doubted_h = match last {
        _ if one.known.believed => 0.0,
        Some(last) if !one.known.reads_air => now.hours_since(last.0).max(0.5),
        _ => now.hours_since(one.zero_at),
    };
    let trace = if model.is_empty() {
        past::filled(&track.read_c).unwrap_or_default()
    } else {
        model.iter().map(|one| one.1).collect()
    };
    let outlook = PositionOutlook {
        required_mpa: one.known.required_mpa,
        needed: one
            .known
            .required_mpa
            .map_or(f64::INFINITY, |mpa| reaching(curve, mpa)),
        catch_up: one.known.catches_up_at.unwrap_or(f64::INFINITY),
        doubted_h,
        place: track.place,
        cells,
        drift_c_per_h: 0.0,
        mean_c: path.iter().map(|one| one.1).sum::<f64>() / path.len().max(1) as f64,
        past: PastMaturity::new(&path, one.zero_at, rates, now),
    };
    (outlook, trace)
}

/// What the coolest of the other believed positions read: where no air was read, it stands for what the heat
/// balance would say of a position that is not.
fn coolest_beside(past: &Past, usable: &[Usable<'_>], index: usize) -> Vec<(UtcMs, f64)> {
    let coolest = (0..usable.len())
        .filter(|other| *other != index && usable[*other].known.believed)
        .min_by(|a, b| usable[*a].last_c().total_cmp(&usable[*b].last_c()));
    let Some(track) = coolest.map(|other| &past.tracks[other]) else {
        return Vec::new();
    };
    let read = track.read_c.iter().enumerate();
    read.filter_map(|(point, read_c)| Some((past.grid.at(track.start + point), (*read_c)?)))
        .collect()
}

/// The mean over the positions at each point: of what was read, else of the model.
fn mean_trace(past: &Past, traces: &[Vec<f64>]) -> Vec<f64> {
    let mut sums = vec![(0.0, 0u32); past.grid.count];
    for (track, trace) in past.tracks.iter().zip(traces) {
        for (index, model_c) in trace.iter().enumerate() {
            let read_c = track.read_c.get(index).copied().flatten();
            if let Some(sum) = sums.get_mut(track.start + index) {
                *sum = (sum.0 + read_c.unwrap_or(*model_c), sum.1 + 1);
            }
        }
    }
    let means: Vec<Option<f64>> = sums
        .into_iter()
        .map(|(sum, n)| (n > 0).then(|| sum / f64::from(n)))
        .collect();
    past::filled(&means).unwrap_or_else(|| vec![20.0; past.grid.count])
}

/// The air that would explain the present trends: the median over the positions, °C. What of a trend
/// it does not explain at a position stays its own.
fn inferred_air_c(
    fit: &ConcreteFit<'_>,
    fitted: &Fitted,
    usable: &[Usable<'_>],
    positions: &mut [PositionOutlook],
    now: UtcMs,
) -> f64 {
    let yard_c = fit.past.yard_now_c();
    let mut airs = Vec::new();
    let mut trends = Vec::new();
    for (index, (one, outlook)) in usable.iter().zip(positions.iter()).enumerate() {
        let parameters = of_position(&fitted.parameters, index);
        let slab = Slab::new(fit.section, outlook.place, &parameters);
        let temperature_c = slab.sensor_c(&outlook.cells);
        let trend = trend_c_per_h(one.readings, now).filter(|_| one.known.believed);
        let age_h = outlook.cells.age_h();
        let state = (temperature_c, trend.unwrap_or(0.0));
        let air_c = slab.air_behind_c(state, age_h, fit.ripening, yard_c);
        airs.push((one.known.believed, air_c.clamp(-20.0, 90.0)));
        trends.push((slab, trend));
    }
    // Believed positions speak for the air; the others only where there are no such.
    airs.sort_by(|a, b| b.0.cmp(&a.0).then(a.1.total_cmp(&b.1)));
    let believed = airs.iter().filter(|one| one.0).count();
    let speaking = if believed > 0 { believed } else { airs.len() };
    let air_c = airs[(speaking - 1) / 2].1;
    let limit = UNEXPLAINED_TREND_C_PER_H_MAX;
    let drifts: Vec<Option<f64>> = positions
        .iter()
        .zip(trends)
        .map(|(outlook, (slab, trend))| {
            let mut ahead = outlook.cells;
            slab.step(&mut ahead, (air_c, yard_c), fit.ripening);
            let expected = (slab.sensor_c(&ahead) - slab.sensor_c(&outlook.cells)) / STEP_H;
            trend.map(|trend| (trend - expected).clamp(-limit, limit))
        })
        .collect();
    // A position that is not believed shares what the others' trends are off the model.
    let known: Vec<f64> = drifts.iter().copied().flatten().collect();
    let shared = known.iter().sum::<f64>() / known.len().max(1) as f64;
    for (outlook, drift) in positions.iter_mut().zip(drifts) {
        outlook.drift_c_per_h = drift.unwrap_or(shared);
    }
    air_c
}

#[cfg(test)]
mod tests;
