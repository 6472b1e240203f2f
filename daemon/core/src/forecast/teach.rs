//! What one finished pour teaches: its own heat and air, fitted without any habit.

use crate::forecast::air::{AIR_COUNT, AirPast, generic};
use crate::forecast::concrete::{Section, ripening_table};
use crate::forecast::fit::{ConcreteFit, OWN_COUNT, SHARED_COUNT, of_position};
use crate::forecast::squares::{Expectation, Fitted};
use crate::forecast::{KnownAt, Usable, mean_trace, past_of};
use crate::grid::STEP_H;
use crate::habits::Habits;
use crate::time::UtcMs;

/// A figure teaches where the readings brought its doubt below this share of what it was before.
const TAUGHT_SHARE: f64 = 0.7;
/// Less than this much of a night teaches nothing, in points.
const POINT_COUNT_MIN: usize = 24;
/// A pause of heat shorter than this is cycling, in points.
const OUTAGE_POINTS_MIN: usize = 4;

/// What a pour's temperatures say of its concrete and its air.
#[derive(Debug, Clone, Default)]
pub(crate) struct Lesson {
    pub(crate) delay_ln: Option<f64>,
    pub(crate) heat_ln: Option<f64>,
    /// Index of the position, film, lost share.
    pub(crate) positions: Vec<(usize, Option<f64>, Option<f64>)>,
    pub(crate) air: Option<[Option<f64>; AIR_COUNT]>,
    pub(crate) on: Option<Heated>,
}

/// When heat was on, by the air.
#[derive(Debug, Clone)]
pub(crate) struct Heated {
    pub(crate) from_at: UtcMs,
    pub(crate) to_at: UtcMs,
    /// It was still on when the record ended.
    pub(crate) is_censored: bool,
    pub(crate) outages_h: Vec<f64>,
}

/// Fits a pour as it was at `end`; positions whose sensors were doubted teach nothing.
pub(crate) fn teach(known: &KnownAt<'_>, end: UtcMs) -> Lesson {
    let usable: Vec<Usable<'_>> = known
        .positions
        .iter()
        .filter(|one| one.required_mpa.is_some() && one.believed)
        .filter(|one| !one.reads_air && !one.temperatures.is_empty())
        .filter_map(|one| {
            Some(Usable {
                known: *one,
                zero_at: one.time_zero_at?,
                readings: one.temperatures,
            })
        })
        .collect();
    if usable.is_empty() {
        return Lesson::default();
    }
    let section = Section::of(known.record);
    let past = past_of(known, &usable, &section, end);
    if !past.has_air() || past.grid.count < POINT_COUNT_MIN {
        return Lesson::default();
    }
    let nothing_learned = Habits::of(known.record, std::iter::empty(), end);
    let indices: Vec<usize> = usable.iter().map(|one| one.known.index).collect();
    let expectations = nothing_learned.concrete(known.record, &indices);
    let ripening = ripening_table(known.curve.map(|curve| curve.maturity));
    let fit = ConcreteFit {
        section: &section,
        past: &past,
        ripening: &ripening,
    };
    let fitted = fit.fit(&expectations);
    let traces: Vec<Vec<f64>> = (0..usable.len())
        .map(|index| {
            let mut trace = Vec::new();
            let parameters = of_position(&fitted.parameters, index);
            fit.run(index, &parameters, |_, model_c| trace.push(model_c));
            trace
        })
        .collect();
    let concrete_c = mean_trace(&past, &traces);
    let air_expectations = generic(known.record);
    let air = AirPast {
        past: &past,
        concrete_c: &concrete_c,
    }
    .fit(known.record, &air_expectations);
    let on = heated(&air.on, &past);
    let taught = taught(&fitted, &expectations);
    let air_taught = self::taught(&air.fitted, &air_expectations);
    Lesson {
        delay_ln: taught[0],
        heat_ln: taught[1],
        positions: indices
            .iter()
            .enumerate()
            .map(|(place, index)| {
                let own = SHARED_COUNT + OWN_COUNT * place;
                (*index, taught[own], taught[own + 1])
            })
            .collect(),
        air: on
            .as_ref()
            .map(|_| std::array::from_fn(|index| air_taught[index])),
        on,
    }
}

/// Each parameter where the readings said something of it.
fn taught(fitted: &Fitted, expectations: &[Expectation]) -> Vec<Option<f64>> {
    fitted
        .parameters
        .iter()
        .zip(expectations)
        .enumerate()
        .map(|(index, (value, expected))| {
            (fitted.sd(index) < TAUGHT_SHARE * expected.sd).then_some(*value)
        })
        .collect()
}

/// The stretch in which heat was on, with its pauses.
fn heated(on: &[f64], past: &crate::forecast::past::Past) -> Option<Heated> {
    let is_on = |on: &f64| *on > 0.5;
    let first = on.iter().position(is_on)?;
    let last = on.iter().rposition(is_on)?;
    let mut outages_h = Vec::new();
    let mut off_count = 0;
    for probability in &on[first..=last] {
        if is_on(probability) {
            if off_count >= OUTAGE_POINTS_MIN {
                outages_h.push(f64::from(u32::try_from(off_count).unwrap_or(u32::MAX)) * STEP_H);
            }
            off_count = 0;
        } else {
            off_count += 1;
        }
    }
    Some(Heated {
        from_at: past.grid.at(first),
        to_at: past.grid.at(last),
        is_censored: last + 1 >= on.len(),
        outages_h,
    })
}
