//! How far the concrete of this pour may differ from its curve, and what its breaks say of that.

use calibration::{MaturityFunction, PreparedCurve, RequiredMaturity};

use crate::act::SetPurpose;
use crate::assessment::JudgedBreak;
use crate::forecast::KnownCurveUse;
use crate::forecast::draws::Draws;
use crate::habits::Habits;
use crate::pour::PourRecord;
use crate::time::UtcMs;

/// Slow concrete is slow in strength as in heat: the logarithm of the factor on its needed age, for
/// ordinary batches and for retarded ones, and how often these are (our computation, from simulated
/// nights of another model).
const ORDINARY_LN: (f64, f64) = (0.0, 0.05);
const RETARDED_LN: (f64, f64) = (0.33, 0.09);
const RETARDED_SHARE: f64 = 0.06;
/// How well the delay of heat measures that.
const DELAY_MEASURES_SD: f64 = 0.085;
/// Scatter of one specimen about its concrete, a fraction (common practice, no source).
const SPECIMEN_CV: f64 = 0.04;
/// Fresh concrete where nobody measured it, °C.
const FRESH_C: f64 = 20.0;
/// Specimens of the next set where none is recorded.
const SPECIMEN_COUNT: usize = 2;

/// The pour's factor on its curve, as the logarithm's mean and deviation, with the scatter beside
/// it.
#[derive(Debug, Clone)]
pub(super) struct StrengthDoubt {
    pour_ln: f64,
    pour_ln_sd: f64,
    load_cv: f64,
    /// Scatter of the mean of the next set's specimens.
    pub(super) set_cv: f64,
    pace: Pace,
    /// What the next set is expected to show against its own temperature history: the logarithm of
    /// measured over estimated, and its deviation.
    pub(super) next_ratio_ln: (f64, f64),
    /// When cylinders without a history were pulled (hours from now), and the curve's maturity at
    /// the strength they had: none where they were below its data.
    pub(super) failed: Vec<(f64, f64)>,
}

impl StrengthDoubt {
    /// `required_mpa` is the highest strength to be reached; the curve's own doubt is taken there.
    pub(super) fn new(
        record: &PourRecord,
        (known_curve, required_mpa): (&KnownCurveUse<'_>, f64),
        breaks: &[JudgedBreak],
        (pour_cv, load_cv): (f64, f64),
        (habits, delay): (&Habits, (f64, f64)),
        now: UtcMs,
    ) -> Self {
        let curve = known_curve.prepared;
        let tested = || breaks.iter().filter(|broken| broken.tested_at <= now);
        let maturity = reaching(curve, required_mpa);
        let (ratio_ln, ratio_ln_sd) = habits.ratio_ln();
        let curve_cv = curve_cv(curve, maturity, pour_cv, load_cv);
        let curve_ln_sd = ratio_ln_sd.max(curve_cv / ((habits.break_count() + 1) as f64).sqrt());
        let mut doubt = Self {
            pour_ln: ratio_ln,
            pour_ln_sd: if pour_cv > 0.0 {
                pour_cv.hypot(curve_ln_sd)
            } else {
                curve_cv
            },
            load_cv,
            set_cv: SPECIMEN_CV / (next_specimen_count(record) as f64).sqrt(),
            failed: Vec::new(),
            pace: Pace::new(delay, habits.delay()),
            next_ratio_ln: (0.0, 0.0),
        };
        if tested().any(|broken| broken.ratio.is_some()) {
            doubt.fold_pace_in(curve, maturity);
        }
        for broken in tested() {
            match evidence(record, curve, known_curve.maturity, broken) {
                Some(ratio) => {
                    let count = broken.strengths_mpa.len().max(1) as f64;
                    let loads = record
                        .sets
                        .get(&broken.set)
                        .map_or(1, |set| set.loads.len().max(1));
                    let load_sd = load_cv / (loads as f64).sqrt();
                    doubt.learn(ratio.ln(), load_sd.hypot(SPECIMEN_CV / count.sqrt()));
                }
                None if has_failed(broken) => {
                    let pulled_at = record
                        .breaks
                        .iter()
                        .find(|one| one.id == broken.id)
                        .and_then(|one| one.result.pulled_at)
                        .unwrap_or(broken.tested_at);
                    let had = reaching(curve, broken.mean_mpa);
                    doubt
                        .failed
                        .push((pulled_at.hours_since(now).min(0.0), had));
                }
                None => {}
            }
        }
        // What is slow in the concrete of some loads its cylinders show as weak.
        let (ln, ln_sd) = doubt
            .with_pace(curve, maturity)
            .unwrap_or((doubt.pour_ln, doubt.pour_ln_sd));
        let own = doubt.load_cv.hypot(doubt.set_cv);
        doubt.next_ratio_ln = (ln, ln_sd.hypot(own));
        doubt
    }

    /// Turns slowness into weakness at the required strength, so that breaks can speak of both at once.
    fn fold_pace_in(&mut self, curve: &PreparedCurve, maturity: f64) {
        if let Some(folded) = self.with_pace(curve, maturity) {
            (self.pour_ln, self.pour_ln_sd) = folded;
            self.pace = Pace::default();
        }
    }

    /// The pour's factor with its slowness as weakness; none where the curve does not tell how.
    fn with_pace(&self, curve: &PreparedCurve, maturity: f64) -> Option<(f64, f64)> {
        let aside = 1.02;
        let gained = (curve.strength_at(maturity * aside) / curve.strength_at(maturity)).ln();
        let elasticity = gained / f64::ln(aside);
        let (mean, sd) = self.pace.moments();
        elasticity.is_finite().then(|| {
            let ln_sd = self.pour_ln_sd.hypot(elasticity * sd);
            (self.pour_ln - elasticity * mean, ln_sd)
        })
    }

    /// The factor on the maturity needed in one future.
    pub(super) fn pace(&self, draws: &mut Draws) -> f64 {
        let (uniform, normal) = (draws.uniform(), draws.normal());
        let kind = &self.pace.kinds[usize::from(uniform < self.pace.retarded)];
        (kind.0 + kind.1 * normal).exp()
    }

    /// Shrinks one measured ratio towards what was expected: normal with normal, in logarithms.
    fn learn(&mut self, ratio_ln: f64, ratio_sd: f64) {
        let expected_variance = self.pour_ln_sd * self.pour_ln_sd;
        let weight = expected_variance / (expected_variance + ratio_sd * ratio_sd);
        if weight.is_finite() {
            self.pour_ln += weight * (ratio_ln - self.pour_ln);
            self.pour_ln_sd *= (1.0 - weight).sqrt();
        }
    }

    /// The factor on the curve's strength at one position, from two standard normal numbers.
    pub(super) fn factor(&self, pour: f64, load: f64) -> f64 {
        (self.pour_ln + self.pour_ln_sd * pour + self.load_cv * load).exp()
    }
}

/// Measured over estimated as evidence of the concrete; `None` where the specimens had no history.
///
/// A break is judged by the youngest load that was sampled, so that the comparison cannot flatter the
/// concrete. As evidence it is taken at the mean age of all sampled loads, or it would teach that every
/// pour is stronger than its curve.
pub(crate) fn evidence(
    record: &PourRecord,
    curve: &PreparedCurve,
    function: MaturityFunction,
    broken: &JudgedBreak,
) -> Option<f64> {
    let ratio = broken.ratio.filter(|ratio| *ratio > 0.0)?;
    let (Some(maturity), Some(set)) = (broken.specimen_maturity, record.sets.get(&broken.set))
    else {
        return Some(ratio);
    };
    let sampled: Vec<UtcMs> = record
        .loads
        .values()
        .filter(|load| set.loads.contains(&load.ticket))
        .map(|load| load.placed_from_at)
        .collect();
    let Some(youngest) = sampled.iter().max() else {
        return Some(ratio);
    };
    let older_h: f64 = sampled.iter().map(|at| youngest.hours_since(*at)).sum();
    let fresh_c = record
        .facts
        .fresh
        .and_then(|fresh| fresh.temperature_c)
        .unwrap_or(FRESH_C);
    let older = function.rate(fresh_c) * older_h / sampled.len() as f64;
    let gained = curve.strength_at(maturity + older) / curve.strength_at(maturity);
    Some(if gained.is_finite() {
        ratio / gained
    } else {
        ratio
    })
}

/// How slow the concrete may be beside its curve, from how late its heat comes.
#[derive(Debug, Clone, Default)]
struct Pace {
    /// Ordinary, retarded: logarithms with their deviations.
    kinds: [(f64, f64); 2],
    /// The probability of the second.
    retarded: f64,
}

impl Pace {
    /// From the pour's delay and its mix's, both as logarithms with their deviations.
    fn new((delay_ln, delay_sd): (f64, f64), (habit_ln, habit_sd): (f64, f64)) -> Self {
        let late_ln = delay_ln - habit_ln;
        let measure_sd = DELAY_MEASURES_SD.hypot(delay_sd).hypot(habit_sd);
        let mut weights = [1.0 - RETARDED_SHARE, RETARDED_SHARE];
        let kinds = [ORDINARY_LN, RETARDED_LN];
        let kinds = std::array::from_fn(|index| {
            let (mean, sd) = kinds[index];
            let total = sd * sd + measure_sd * measure_sd;
            let off = late_ln - mean;
            weights[index] *= (-0.5 * off * off / total).exp() / total.sqrt();
            let share = sd * sd / total;
            (mean + share * off, sd * (1.0 - share).sqrt())
        });
        let sum = weights[0] + weights[1];
        Self {
            kinds,
            retarded: if sum > 0.0 {
                weights[1] / sum
            } else {
                RETARDED_SHARE
            },
        }
    }

    /// Mean and deviation over both kinds.
    fn moments(&self) -> (f64, f64) {
        let weights = [1.0 - self.retarded, self.retarded];
        let both = || self.kinds.iter().zip(weights);
        let mean: f64 = both().map(|(kind, weight)| weight * kind.0).sum();
        let square: f64 = both()
            .map(|(kind, weight)| weight * (kind.0 * kind.0 + kind.1 * kind.1))
            .sum();
        (mean, (square - mean * mean).max(0.0).sqrt())
    }
}

fn has_failed(broken: &JudgedBreak) -> bool {
    let passes_pooled = broken.pooled.as_ref().is_some_and(|pooled| pooled.passes);
    broken.is_release_set && !broken.passes && !passes_pooled
}

/// Specimens of the first release set that is not all broken.
fn next_specimen_count(record: &PourRecord) -> usize {
    record
        .sets
        .values()
        .filter(|set| set.purpose == SetPurpose::Release)
        .map(|set| {
            set.specimens
                .len()
                .saturating_sub(record.broken_specimens(&set.set).len())
        })
        .find(|left| *left > 0)
        .unwrap_or(SPECIMEN_COUNT)
}

/// The curve's relative uncertainty at a strength, without the scatter between pours and loads.
fn curve_cv(curve: &PreparedCurve, maturity: f64, pour_cv: f64, load_cv: f64) -> f64 {
    let strength_mpa = curve.strength_at(maturity);
    let relative = curve.sd_at(maturity) / strength_mpa;
    let own = relative * relative - pour_cv * pour_cv - load_cv * load_cv;
    if own.is_finite() {
        own.max(0.0).sqrt()
    } else {
        0.0
    }
}

/// The maturity at which the curve reaches a strength: that of its first data where that is below
/// them, and infinite where its data do not reach it.
pub(super) fn reaching(curve: &PreparedCurve, strength_mpa: f64) -> f64 {
    match curve.required_maturity(strength_mpa) {
        RequiredMaturity::Within(maturity)
        | RequiredMaturity::BeforeData {
            first_maturity: maturity,
        } => maturity,
        RequiredMaturity::BeyondData { .. } | RequiredMaturity::Never => f64::INFINITY,
    }
}
