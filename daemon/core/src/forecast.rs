//! When the slowest position reaches its required strength, from sampled futures of the night.
//!
//! A forecast is never permission: it says when breaking cylinders is worth while. Each future
//! draws an air path (plan, switches, readings), the heat of each position (fitted to its
//! readings), and how far the concrete differs from its curve. The slowest position is taken within
//! each future; early, likely and late are the 10, 50 and 90 % points over them. Nothing is claimed
//! beyond the curve's data. The same inputs give the same answer to the bit.

mod air;
mod concrete;
mod draws;
mod fit;
mod future;
mod strength;
mod track;

use calibration::{MaturityFunction, PreparedCurve, RequiredMaturity};

use crate::assessment::{Forecast, JudgedBreak};
use crate::forecast::air::{AirOutlook, measured_air_c, yard};
use crate::forecast::concrete::{Concrete, Section, ripening};
use crate::forecast::draws::seed_of;
use crate::forecast::fit::{Fitted, History};
use crate::forecast::future::{Futures, Night, PositionOutlook};
use crate::forecast::strength::{StrengthDoubt, curve_cv, reaching};
use crate::forecast::track::{PastMaturity, RateTable, temperature_now_c, trend_c_per_h};
use crate::pour::PourRecord;
use crate::time::UtcMs;

/// Futures advance by this, h.
const STEP_H: f64 = 1.0 / 6.0;
/// Nothing is forecast further ahead than this, h.
const HORIZON_H: f64 = 72.0;
/// Sampled futures; even, because they come in mirrored pairs.
const MEMBER_COUNT: u64 = 200;
const EARLY: f64 = 0.1;
const LIKELY: f64 = 0.5;
const LATE: f64 = 0.9;

/// Everything a forecast may use, known at its moment.
pub struct KnownAt<'a> {
    /// The pour as corrected so far.
    pub record: &'a PourRecord,
    /// `None` where no curve may be used.
    pub curve: Option<KnownCurveUse<'a>>,
    /// How many positions the assessment has.
    pub position_count: usize,
    /// The judged ones only.
    pub positions: Vec<KnownPosition<'a>>,
    /// Believed readings of the air under the tarp, in time order.
    pub enclosure: &'a [(UtcMs, f64)],
    /// Believed readings of the yard, in time order.
    pub ambient: &'a [(UtcMs, f64)],
    pub breaks: &'a [JudgedBreak],
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

/// A judged position.
#[derive(Debug, Clone, Copy)]
pub struct KnownPosition<'a> {
    /// Index into the record's positions.
    pub index: usize,
    pub required_mpa: f64,
    /// `None` while it has no age.
    pub time_zero_at: Option<UtcMs>,
    /// Believed readings in time order, °C.
    pub temperatures: &'a [(UtcMs, f64)],
    /// Up to now, in the curve's unit.
    pub maturity: Option<f64>,
    /// Its last reading is believed and fresh.
    pub believed: bool,
}

/// A position that can be forecast, with what it needs.
struct Usable<'a> {
    known: KnownPosition<'a>,
    zero_at: UtcMs,
    maturity: f64,
}

/// The distribution of the time at which the slowest judged position reaches its required strength.
#[must_use]
pub fn forecast(known: &KnownAt<'_>, now: UtcMs) -> Forecast {
    let none = |reason: String| Forecast {
        position_likely_at: vec![None; known.position_count],
        reason: Some(reason),
        ..Forecast::default()
    };
    let Some(curve) = &known.curve else {
        return none("No usable curve: only broken cylinders can tell.".to_owned());
    };
    if known.positions.is_empty() {
        return none("No position is judged, so there is nothing to forecast.".to_owned());
    }
    let mut usable = Vec::new();
    let mut obstacle = None;
    for position in &known.positions {
        match check(position, known.record, curve.prepared) {
            Ok(one) => usable.push(one),
            Err(reason) => obstacle = obstacle.or(Some(reason)),
        }
    }
    if usable.is_empty() {
        return none(obstacle.unwrap_or_default());
    }
    let futures = Futures::sample(&night(known, curve, &usable, now), MEMBER_COUNT);
    summarise(known, &usable, &futures, obstacle, now)
}

/// Whether a position can be forecast, or why not, as a sentence.
fn check<'a>(
    position: &KnownPosition<'a>,
    record: &PourRecord,
    curve: &PreparedCurve,
) -> Result<Usable<'a>, String> {
    let id = record
        .facts
        .positions
        .get(position.index)
        .map_or("?", |one| one.id.as_str());
    let required_mpa = position.required_mpa;
    match curve.required_maturity(required_mpa) {
        RequiredMaturity::Never => {
            return Err(format!(
                "The curve never reaches the {required_mpa:.1} MPa required at {id}."
            ));
        }
        RequiredMaturity::BeyondData { .. } => {
            return Err(format!(
                "The {required_mpa:.1} MPa required at {id} lie beyond the curve's last data: \
                 nothing is forecast past them."
            ));
        }
        RequiredMaturity::Within(_) | RequiredMaturity::BeforeData { .. } => {}
    }
    let Some(zero_at) = position.time_zero_at else {
        return Err(format!(
            "Position {id} has no age: it is not placed yet, or nobody has said when it was."
        ));
    };
    match position.maturity {
        Some(maturity) if !position.temperatures.is_empty() => Ok(Usable {
            known: *position,
            zero_at,
            maturity,
        }),
        _ => Err(format!(
            "Nothing that was read at position {id} is believed, so it has no forecast, and the \
             line waits for it."
        )),
    }
}

/// Gathers what the futures start from.
fn night<'a>(
    known: &'a KnownAt<'a>,
    curve: &KnownCurveUse<'a>,
    usable: &[Usable<'_>],
    now: UtcMs,
) -> Night<'a> {
    let section = Section::of(known.record);
    let ripening = RateTable::new(ripening);
    let rate = RateTable::new(|celsius| curve.maturity.rate(celsius));
    let yard = yard(known.ambient, now);
    let measured_c = measured_air_c(known.enclosure, now);
    let air_path = if measured_c.is_some() {
        known.enclosure
    } else {
        &[]
    };
    let mut positions: Vec<PositionOutlook> = usable
        .iter()
        .map(|one| {
            let readings = one.known.temperatures;
            let history = History::new(
                readings,
                air_path,
                (known.ambient, yard.0),
                one.zero_at,
                &ripening,
                now,
            );
            let trend = one
                .known
                .believed
                .then(|| trend_c_per_h(readings, now))
                .flatten();
            let fitted = match &history {
                Some(history) if one.known.believed => Fitted::new(&section, history),
                _ => Fitted::expected(&section),
            };
            PositionOutlook {
                required_mpa: one.known.required_mpa,
                is_believed: one.known.believed,
                temperature_c: temperature_now_c(readings, trend.unwrap_or(0.0), now)
                    .unwrap_or(yard.0),
                trend_c_per_h: trend,
                age_h: history.map_or(0.0, |history| history.age_h),
                past: PastMaturity::new(readings, one.zero_at, one.maturity, &rate, now),
                mean_c: readings.iter().map(|one| one.1).sum::<f64>() / readings.len() as f64,
                maturity: one.maturity,
                fitted,
            }
        })
        .collect();
    cool_unbelieved(&mut positions, measured_c);
    let count = positions.len() as f64;
    let concrete_c = positions.iter().map(|one| one.temperature_c).sum::<f64>() / count;
    let air_c = measured_c.unwrap_or_else(|| inferred_air_c(&positions, &section, &ripening));
    let cvs = usable.iter().map(|one| {
        let maturity = reaching(curve.prepared, one.known.required_mpa);
        curve_cv(curve.prepared, maturity, known.pour_cv, known.load_cv)
    });
    let scatter = (known.pour_cv, known.load_cv, cvs.fold(0.0, f64::max));
    Night {
        seed: seed_of(&known.record.id),
        curve: curve.prepared,
        air: AirOutlook::new(known.record, air_path, (air_c, yard, concrete_c), now),
        is_air_measured: measured_c.is_some(),
        strength: StrengthDoubt::new(known.record, curve.prepared, known.breaks, scatter, now),
        section,
        ripening,
        rate,
        positions,
    }
}

/// A position that is not believed is taken to be as cool as the coolest that is.
fn cool_unbelieved(positions: &mut [PositionOutlook], air_c: Option<f64>) {
    let believed = positions.iter().filter(|one| one.is_believed);
    let Some(coolest_c) = believed
        .map(|one| one.temperature_c)
        .reduce(f64::min)
        .or(air_c)
    else {
        return;
    };
    for one in positions.iter_mut().filter(|one| !one.is_believed) {
        one.temperature_c = one.temperature_c.min(coolest_c);
    }
}

/// The air that would explain the present trends: the median over the positions, °C.
fn inferred_air_c(positions: &[PositionOutlook], section: &Section, ripening: &RateTable) -> f64 {
    let mut airs: Vec<f64> = positions
        .iter()
        .map(|one| {
            let concrete = Concrete::new(section, &one.fitted.parameters);
            let hydration = concrete.hydration_c_per_h(one.age_h, ripening.at(one.temperature_c));
            let excess = (one.trend_c_per_h.unwrap_or(0.0) - hydration) / concrete.coupling_per_h();
            (one.temperature_c + excess).clamp(-20.0, 90.0)
        })
        .collect();
    airs.sort_by(f64::total_cmp);
    airs[airs.len() / 2]
}

fn summarise(
    known: &KnownAt<'_>,
    usable: &[Usable<'_>],
    futures: &Futures,
    obstacle: Option<String>,
    now: UtcMs,
) -> Forecast {
    let at = |hours: f64| hours.is_finite().then(|| now.plus_hours(hours));
    let mut position_likely_at = vec![None; known.position_count];
    for (one, times) in usable.iter().zip(&futures.by_position) {
        if let Some(likely_at) = position_likely_at.get_mut(one.known.index) {
            *likely_at = at(quantile(times, LIKELY));
        }
    }
    if obstacle.is_some() {
        return Forecast {
            position_likely_at,
            reason: obstacle,
            ..Forecast::default()
        };
    }
    let passing = futures
        .set_passes
        .iter()
        .filter(|hours| **hours <= 0.0)
        .count();
    let likely_at = at(quantile(&futures.slowest, LIKELY));
    let late_at = at(quantile(&futures.slowest, LATE));
    let reason = match (likely_at, late_at) {
        (Some(_), Some(_)) => None,
        (Some(_), None) => Some(format!(
            "In more than one of ten sampled nights the slowest position does not get there within \
             {HORIZON_H:.0} h or the curve's data, so there is no late time."
        )),
        (None, _) => Some(format!(
            "The slowest position is not expected to get there within {HORIZON_H:.0} h and the \
             curve's data."
        )),
    };
    Forecast {
        early_at: at(quantile(&futures.slowest, EARLY)),
        likely_at,
        late_at,
        pass_probability_now: Some(passing as f64 / futures.set_passes.len() as f64),
        break_from_at: at(reached_by_share(
            &futures.set_passes,
            known.break_probability,
        )),
        position_likely_at,
        reason,
    }
}

/// A point of sorted times, hours from now; infinite where a neighbour is.
fn quantile(sorted: &[f64], share: f64) -> f64 {
    let place = share * (sorted.len() - 1) as f64;
    let (below, above) = (
        sorted[place.floor() as usize],
        sorted[place.ceil() as usize],
    );
    if above.is_finite() {
        below + (above - below) * place.fract()
    } else {
        f64::INFINITY
    }
}

/// The first time by which at least that share has arrived.
fn reached_by_share(sorted: &[f64], share: f64) -> f64 {
    let needed = (share * sorted.len() as f64).ceil() as usize;
    if needed > sorted.len() {
        return f64::INFINITY;
    }
    sorted[needed.max(1) - 1]
}

#[cfg(test)]
mod tests;
