//! Sampled futures: each steps the air and all positions ahead until every one has got there.

use calibration::{MaturityFunction, PreparedCurve};
use units::constants::{GAS_CONSTANT_J_MOL_K, KELVIN_OFFSET};

use crate::assessment::UnexplainedFall;
use crate::forecast::HORIZON_H;
use crate::forecast::concrete::{Cells, Section, SensorPlace, Slab};
use crate::forecast::draws::Draws;
use crate::forecast::fit::of_position;
use crate::forecast::maturity::PastMaturity;
use crate::forecast::outlook::AirOutlook;
use crate::forecast::squares::Fitted;
use crate::forecast::strength::{StrengthDoubt, reaching};
use crate::forecast::table::{OneRate, RateTable};
use crate::grid::STEP_H;

/// What the model leaves out of a temperature ahead, °C, with the memory it has, h.
const ERROR_SD_C: f64 = 1.6;
const ERROR_MEMORY_H: f64 = 4.0;
/// Without finished pours of the bed that error is larger: its variance grows by this share of one pour's.
const UNLEARNED_SHARE: f64 = 1.0;
/// Without air to fit to it leaves out more.
const UNFITTED_ERROR: f64 = 1.5;
/// Half of that error's variance is shared by all positions.
const SHARED_SHARE: f64 = 0.5;
/// A sensor may be off by this over the whole past, and now, °C.
const SENSOR_SD_C: f64 = 0.25;
const NOW_SD_C: f64 = 0.2;
/// A position that is not believed may be off by so much more for each hour of doubt, °C, up to this;
/// it is taken to be cooler by a little, so that doubt makes no line earlier.
const DOUBT_C_PER_H: f64 = 0.8;
const DOUBT_C_MAX: f64 = 3.0;
const DOUBT_COOLER_C: f64 = 0.3;
/// The activation energy of the curve may be off by this, J/mol.
const ACTIVATION_SD_J_MOL: f64 = 1200.0;
/// How many times ten minutes a step is, up to so many hours from now: what is far ahead is known less well
/// than long steps are wrong.
const STRIDES: [(f64, f64); 3] = [(1.0, 2.0), (6.0, 3.0), (HORIZON_H, 6.0)];

/// What the futures of a pour start from.
pub(super) struct Night<'a> {
    pub(super) seed: u64,
    pub(super) curve: &'a PreparedCurve,
    pub(super) air: AirOutlook<'a>,
    pub(super) is_air_measured: bool,
    /// Finished pours of the bed.
    pub(super) pour_count: usize,
    pub(super) strength: StrengthDoubt,
    pub(super) section: Section,
    pub(super) ripening: &'a OneRate,
    pub(super) rates: &'a Rates,
    /// Of all positions together.
    pub(super) fitted: Fitted,
    pub(super) positions: Vec<PositionOutlook>,
    pub(super) falls: Vec<UnexplainedFall>,
    pub(super) steps: Vec<Step>,
}

/// The curve's rate of maturity, and how it answers to the activation energy, per J/mol.
pub(super) struct Rates(RateTable<2>);

/// What one position starts from.
pub(super) struct PositionOutlook {
    /// `None` where no release waits for it.
    pub(super) required_mpa: Option<f64>,
    /// The maturity at which the curve reaches that; infinite without.
    pub(super) needed: f64,
    /// The maturity of cylinders that passed for it; infinite where it does not wait for one.
    pub(super) catch_up: f64,
    /// How long it has not been believed, h; zero where it is.
    pub(super) doubted_h: f64,
    pub(super) place: SensorPlace,
    pub(super) cells: Cells,
    /// Only where no air was read: the difference between the read trend and the model's.
    pub(super) drift_c_per_h: f64,
    pub(super) past: PastMaturity,
    /// Mean of what it read.
    pub(super) mean_c: f64,
}

/// Sorted times over all futures, hours from now; infinite where a future does not get there.
pub(super) struct Futures {
    /// When the slowest position reaches its required strength by the curve alone.
    pub(super) by_curve: Vec<f64>,
    /// When it truly does.
    pub(super) slowest: Vec<f64>,
    /// When a set broken then would pass for every position.
    pub(super) set_passes: Vec<f64>,
    pub(super) by_position: Vec<Vec<f64>>,
    /// When each position is as mature as cylinders that passed for it.
    pub(super) catch_up: Vec<Vec<f64>>,
}

/// One position on its way through one future.
pub(super) struct Body {
    slab: Slab,
    cells: Cells,
    drift_c_per_h: f64,
    own_error: f64,
    was_followed: bool,
    /// By the curve as it is, and as it may be.
    maturity: f64,
    strength_maturity: f64,
    rate: f64,
    strength_rate: f64,
    /// Its temperature without what the model leaves out, °C.
    pub(super) model_c: f64,
    /// What a true sensor would read, with what the model leaves out, °C.
    pub(super) read_c: f64,
    /// `None` where no release waits for it: it goes along for its temperature.
    pub(super) required_mpa: Option<f64>,
    /// How this concrete's strength differs from the curve's, and how much more maturity it needs.
    factor: f64,
    pace: f64,
    curve: Goal,
    strength: Goal,
    set: Goal,
    catch_up: Goal,
}

/// A maturity to reach, and when it was reached, hours from now.
#[derive(Debug, Clone, Copy)]
struct Goal {
    maturity: f64,
    reached_h: Option<f64>,
}

impl Goal {
    /// Within the step from `before` to `after`.
    fn advance(&mut self, before: f64, after: f64, step: &Step) {
        if self.reached_h.is_none() && after >= self.maturity {
            let share = (self.maturity - before) / (after - before);
            self.reached_h = Some(step.from_h + step.hours() * share);
        }
    }

    /// True where it need not be followed any longer: reached, or out of reach.
    fn is_settled(&self) -> bool {
        self.reached_h.is_some() || self.maturity.is_infinite()
    }

    fn hours(&self) -> f64 {
        self.reached_h.unwrap_or(f64::INFINITY)
    }
}

/// One step of all futures.
#[derive(Debug, Clone, Copy)]
pub(super) struct Step {
    pub(super) from_h: f64,
    pub(super) to_h: f64,
    /// What is left after it of what the model was off before.
    kept: f64,
}

impl Step {
    /// All steps up to the horizon.
    pub(super) fn all() -> Vec<Self> {
        let mut steps = Vec::new();
        let mut from_h = 0.0;
        for (until_h, times) in STRIDES {
            let step_h = times * STEP_H;
            let kept = (-step_h / ERROR_MEMORY_H).exp();
            let count = ((until_h - from_h) / step_h).round() as u32;
            steps.extend((0..count).map(|index| Self {
                from_h: from_h + f64::from(index) * step_h,
                to_h: from_h + f64::from(index + 1) * step_h,
                kept,
            }));
            from_h = until_h;
        }
        steps
    }

    fn hours(&self) -> f64 {
        self.to_h - self.from_h
    }
}

/// How far a future is followed, and what people do in it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Course {
    pub(super) until_h: f64,
    /// Positions are followed further than to their required strength.
    pub(super) follows_all: bool,
    /// Heat goes off then, and not when plan and habits say.
    pub(super) off_h: Option<f64>,
}

impl Course {
    /// Until the last position is there.
    pub(super) const TO_STRENGTH: Self = Self {
        until_h: HORIZON_H,
        follows_all: false,
        off_h: None,
    };

    /// So far for every position, with the heat off from a time on where one is given.
    pub(super) const fn of_all(until_h: f64, off_h: Option<f64>) -> Self {
        Self {
            until_h,
            follows_all: true,
            off_h,
        }
    }
}

impl Futures {
    pub(super) fn sample(night: &Night<'_>, course: &Course, member_count: u64) -> Self {
        let mut futures = Self {
            by_curve: Vec::new(),
            slowest: Vec::new(),
            set_passes: Vec::new(),
            by_position: vec![Vec::new(); night.positions.len()],
            catch_up: vec![Vec::new(); night.positions.len()],
        };
        for member in 0..member_count {
            let bodies = night.live(member, course, |_, _, _| {});
            let slowest = |pick: &dyn Fn(&Body) -> f64| {
                judged(&bodies).map(pick).fold(f64::NEG_INFINITY, f64::max)
            };
            futures.by_curve.push(slowest(&|body| body.curve.hours()));
            futures.slowest.push(slowest(&Body::strong_h));
            futures.set_passes.push(slowest(&Body::passes_h));
            for (times, body) in futures.by_position.iter_mut().zip(&bodies) {
                times.push(body.strong_h());
            }
            for (times, body) in futures.catch_up.iter_mut().zip(&bodies) {
                times.push(body.catch_up.hours());
            }
        }
        futures.sort();
        futures
    }

    /// The times of every sampled future, each list by itself.
    pub(super) fn all_mut(&mut self) -> impl Iterator<Item = &mut Vec<f64>> {
        [&mut self.by_curve, &mut self.slowest, &mut self.set_passes]
            .into_iter()
            .chain(&mut self.by_position)
    }

    /// Puts each list in order of time.
    pub(super) fn sort(&mut self) {
        for times in self.all_mut() {
            times.sort_by(f64::total_cmp);
        }
        for times in &mut self.catch_up {
            times.sort_by(f64::total_cmp);
        }
    }
}

/// What one future has drawn for all positions alike.
struct Fate {
    parameters: Vec<f64>,
    pour: f64,
    pace: f64,
    set_factor: f64,
    activation_j_mol: f64,
}

impl Night<'_> {
    /// One future; `look` sees its beginning and every step's end, with the hours from now and the
    /// yard's temperature.
    pub(super) fn live(
        &self,
        member: u64,
        course: &Course,
        mut look: impl FnMut(f64, &[Body], f64),
    ) -> Vec<Body> {
        let mut draws = Draws::new(self.seed, member);
        let mut air = self.air.sample(&mut draws);
        if let Some(off_h) = course.off_h {
            air.switch_off(off_h);
        }
        let fate = Fate {
            parameters: self.fitted.sample(&mut draws),
            pour: draws.even_normal(),
            pace: self.strength.pace(&mut draws),
            set_factor: (self.strength.set_cv * draws.normal()).exp(),
            activation_j_mol: ACTIVATION_SD_J_MOL * draws.normal(),
        };
        let mut bodies: Vec<Body> = (0..self.positions.len())
            .map(|index| self.body(index, &fate, &mut draws))
            .collect();
        let error_sd_c = self.error_sd_c();
        let mut shared_error = 0.0;
        let mut running_count = bodies.len();
        // How far the positions that are followed no longer were from those that are, °C.
        let mut left_c = 0.0;
        let mut step_h = STEP_H;
        look(0.0, &bodies, air.yard_c);
        for step in self
            .steps
            .iter()
            .take_while(|one| one.from_h < course.until_h)
        {
            let is_followed = |body: &Body| course.follows_all || !body.is_settled();
            let count = bodies.iter().filter(|body| is_followed(body)).count();
            if count == 0 {
                break;
            }
            if count != running_count {
                left_c += mean_c(&bodies, |body| body.was_followed) - mean_c(&bodies, is_followed);
                running_count = count;
            }
            bodies
                .iter_mut()
                .for_each(|body| body.was_followed = is_followed(body));
            if (step.hours() - step_h).abs() > 1e-9 {
                step_h = step.hours();
                air.lengthen(step_h);
                bodies.iter_mut().for_each(|body| body.lengthen(step_h));
            }
            let fresh_c = error_sd_c * (1.0 - step.kept * step.kept).sqrt();
            let (shared_c, own_c) = (
                fresh_c * SHARED_SHARE.sqrt(),
                fresh_c * (1.0 - SHARED_SHARE).sqrt(),
            );
            let concrete_c = mean_c(&bodies, |body| body.was_followed) + left_c;
            let beside_c = air.step((step.from_h, step.to_h), concrete_c, &mut draws);
            shared_error = step.kept * shared_error + shared_c * draws.normal();
            for body in &mut bodies {
                // Drawn for all alike, so that another required strength draws the same nights.
                let own = own_c * draws.normal();
                if body.was_followed {
                    body.own_error = step.kept * body.own_error + own;
                    body.warm((beside_c, air.yard_c), self.ripening, step);
                }
            }
            // Apart from the heat, because a processor does two short loops sooner than a long one.
            for body in bodies.iter_mut().filter(|body| body.was_followed) {
                body.ripen(self.rates, fate.activation_j_mol, shared_error, step);
            }
            look(step.to_h, &bodies, air.yard_c);
        }
        bodies
    }

    /// What the model leaves out of a temperature far ahead, °C.
    fn error_sd_c(&self) -> f64 {
        let unlearned = (1.0 + UNLEARNED_SHARE / (self.pour_count as f64 + 1.0)).sqrt();
        let unfitted = if self.is_air_measured {
            1.0
        } else {
            UNFITTED_ERROR
        };
        ERROR_SD_C * unlearned * unfitted
    }

    fn body(&self, index: usize, fate: &Fate, draws: &mut Draws) -> Body {
        let position = &self.positions[index];
        let [load, sensor, now, doubt] = std::array::from_fn(|_| draws.normal());
        let slab = Slab::new(
            &self.section,
            position.place,
            &of_position(&fate.parameters, index),
        );
        let mut cells = slab.resumed(&position.cells);
        let doubt_sd_c = (DOUBT_C_PER_H * position.doubted_h).min(DOUBT_C_MAX);
        let cooler_c = if position.doubted_h > 0.0 {
            DOUBT_COOLER_C
        } else {
            0.0
        };
        cells.shift(NOW_SD_C * now + doubt_sd_c * doubt - cooler_c);
        // The sensor's error counts for the whole past, as the maturity gained at its mean; so does
        // what a doubted position may have missed.
        let off_c = SENSOR_SD_C * sensor + 0.5 * (doubt_sd_c * doubt - cooler_c);
        let (rate_aside, _) = self.rates.at(position.mean_c + off_c);
        let (rate, _) = self.rates.at(position.mean_c);
        let past_factor = rate_aside / rate.max(f64::MIN_POSITIVE);
        let past_factor = if past_factor > 0.0 { past_factor } else { 1.0 };
        let factor = self.strength.factor(fate.pour, load);
        let now_maturity = position.past.now() * past_factor;
        let answer = fate.activation_j_mol * position.past.answer();
        let strength_now = (position.past.now() + answer).max(0.0) * past_factor;
        let strength_scale = strength_now / now_maturity.max(f64::MIN_POSITIVE);
        let goal = |maturity: f64, scale: f64| {
            let is_past = maturity <= now_maturity * scale;
            let reached_h = is_past.then(|| {
                position
                    .past
                    .reached_h(maturity / (past_factor * scale))
                    .unwrap_or(0.0)
            });
            Goal {
                maturity,
                reached_h,
            }
        };
        let truly = |asked_mpa: f64, needed: f64| {
            let mut maturity = needed * fate.pace;
            for (pulled_h, had) in &self.strength.failed {
                // Cylinders without a history are taken to stand for this position: it still lacks
                // what they lacked, and has gained since what this position gained.
                let lacked = (reaching(self.curve, asked_mpa) - had).max(0.0);
                maturity = maturity.max(position.past.at(*pulled_h) * past_factor + lacked);
            }
            goal(maturity, strength_scale)
        };
        let temperature_c = slab.sensor_c(&cells);
        let (rate, answer) = self.rates.at(temperature_c);
        let required_mpa = position.required_mpa.unwrap_or(f64::INFINITY);
        let needed = reaching(self.curve, required_mpa / factor);
        let strength = truly(required_mpa, needed);
        // After cylinders that failed more maturity is needed than pace alone says.
        let more = strength.maturity / needed;
        let asked_of_set_mpa = required_mpa / fate.set_factor;
        let needed_by_set = reaching(self.curve, asked_of_set_mpa / factor);
        Body {
            drift_c_per_h: position.drift_c_per_h,
            own_error: 0.0,
            was_followed: true,
            maturity: now_maturity,
            strength_maturity: strength_now,
            rate,
            strength_rate: rate + fate.activation_j_mol * answer,
            model_c: temperature_c,
            read_c: temperature_c,
            required_mpa: position.required_mpa,
            factor,
            pace: if more.is_finite() { more } else { fate.pace },
            curve: goal(position.needed, 1.0),
            strength,
            set: truly(asked_of_set_mpa, needed_by_set),
            catch_up: goal(position.catch_up, 1.0),
            slab,
            cells,
        }
    }
}

impl Rates {
    pub(super) fn new(maturity: MaturityFunction) -> Self {
        let answer = |celsius: f64, rate: f64| match maturity {
            MaturityFunction::EquivalentAge { reference_c, .. } => {
                let inverse = |celsius: f64| 1.0 / (celsius + KELVIN_OFFSET);
                let warmer = inverse(reference_c) - inverse(celsius);
                rate * warmer / GAS_CONSTANT_J_MOL_K
            }
            _ => 0.0,
        };
        Self(RateTable::new(|celsius| {
            let rate = maturity.rate(celsius);
            [rate, answer(celsius, rate)]
        }))
    }

    /// The rate, and how it answers to the activation energy.
    #[inline]
    pub(super) fn at(&self, temperature_c: f64) -> (f64, f64) {
        self.0.at(temperature_c).into()
    }
}

/// Those that a release waits for.
pub(super) fn judged(bodies: &[Body]) -> impl Iterator<Item = &Body> {
    bodies.iter().filter(|body| body.required_mpa.is_some())
}

/// The hottest of the positions, °C.
pub(super) fn hottest_c(bodies: &[Body]) -> f64 {
    let temperatures = bodies.iter().map(|body| body.read_c);
    temperatures.fold(f64::NEG_INFINITY, f64::max)
}

/// The mean of what sensors would read at some of the positions; zero without any.
fn mean_c(bodies: &[Body], picks: impl Fn(&Body) -> bool) -> f64 {
    let picked = || bodies.iter().filter(|body| picks(body));
    let sum: f64 = picked().map(|body| body.model_c).sum();
    sum / picked().count().max(1) as f64
}

impl Body {
    /// True where it need not be followed any longer.
    fn is_settled(&self) -> bool {
        let goals = [&self.curve, &self.strength, &self.set, &self.catch_up];
        goals.iter().all(|goal| goal.is_settled())
    }

    fn lengthen(&mut self, step_h: f64) {
        self.slab.lengthen(step_h, &mut self.cells);
    }

    /// Its temperature at the end of a step.
    fn warm(&mut self, beside: (f64, f64), ripening: &OneRate, step: &Step) {
        self.slab.step(&mut self.cells, beside, ripening);
        if self.drift_c_per_h != 0.0 {
            self.cells.shift(self.drift_c_per_h * step.hours());
        }
        self.model_c = self.slab.sensor_c(&self.cells);
    }

    /// What it gained in a step that has warmed it.
    fn ripen(&mut self, rates: &Rates, activation_j_mol: f64, shared_error: f64, step: &Step) {
        let hours = step.hours();
        self.read_c = self.model_c + shared_error + self.own_error;
        let (rate, answer) = rates.at(self.read_c);
        let strength_rate = (rate + activation_j_mol * answer).max(0.0);
        let (before, strength_before) = (self.maturity, self.strength_maturity);
        self.maturity += 0.5 * (self.rate + rate) * hours;
        self.strength_maturity += 0.5 * (self.strength_rate + strength_rate) * hours;
        (self.rate, self.strength_rate) = (rate, strength_rate);
        self.curve.advance(before, self.maturity, step);
        self.catch_up.advance(before, self.maturity, step);
        self.strength
            .advance(strength_before, self.strength_maturity, step);
        self.set
            .advance(strength_before, self.strength_maturity, step);
    }

    /// Hours from now at which the concrete has its required strength; infinite for never.
    pub(super) fn strong_h(&self) -> f64 {
        self.strength.hours()
    }

    /// Hours from now at which a set would pass for it; infinite for never.
    pub(super) fn passes_h(&self) -> f64 {
        self.set.hours()
    }

    /// By the curve as it is, in the curve's unit.
    pub(super) fn maturity(&self) -> f64 {
        self.maturity
    }

    /// Strength of its concrete, MPa; beyond the curve's data that of its last.
    pub(super) fn strength_mpa(&self, curve: &PreparedCurve) -> f64 {
        let maturity = self.strength_maturity / self.pace;
        let last = curve.range().maturity_max;
        self.factor * curve.strength_at(maturity.min(last))
    }
}
