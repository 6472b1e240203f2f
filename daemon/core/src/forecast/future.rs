//! Sampled futures: each steps the air and all positions ahead until every one has got there.

use calibration::PreparedCurve;

use crate::forecast::air::AirOutlook;
use crate::forecast::concrete::{Concrete, Section};
use crate::forecast::draws::Draws;
use crate::forecast::fit::Fitted;
use crate::forecast::strength::{StrengthDoubt, reaching};
use crate::forecast::track::{PastMaturity, RateTable};
use crate::forecast::{HORIZON_H, STEP_H};

/// What the model leaves out of a temperature ahead, °C, with the memory it has, h.
const ERROR_SD_C: f64 = 1.8;
const ERROR_MEMORY_H: f64 = 4.0;
/// Half of that error's variance is shared by all positions.
const SHARED_SHARE: f64 = 0.5;
/// A sensor may be off by this over the whole past, °C.
const SENSOR_SD_C: f64 = 0.25;
/// The temperature of a position that is not believed may be off by this, °C.
const UNBELIEVED_SD_C: f64 = 5.0;
/// A difference between the read trend and the model's dies away in this time, h.
const DRIFT_MEMORY_H: f64 = 1.5;

/// What the futures of a pour start from.
pub(super) struct Night<'a> {
    pub(super) seed: u64,
    pub(super) curve: &'a PreparedCurve,
    pub(super) air: AirOutlook,
    pub(super) is_air_measured: bool,
    pub(super) strength: StrengthDoubt,
    pub(super) section: Section,
    pub(super) ripening: RateTable,
    pub(super) rate: RateTable,
    pub(super) positions: Vec<PositionOutlook>,
}

/// What one position starts from.
pub(super) struct PositionOutlook {
    pub(super) required_mpa: f64,
    pub(super) is_believed: bool,
    pub(super) temperature_c: f64,
    pub(super) trend_c_per_h: Option<f64>,
    /// Equivalent age of its hydration, h.
    pub(super) age_h: f64,
    pub(super) past: PastMaturity,
    /// Mean of what it read.
    pub(super) mean_c: f64,
    pub(super) maturity: f64,
    pub(super) fitted: Fitted,
}

/// Sorted times over all futures, hours from now; infinite where a future does not get there.
pub(super) struct Futures {
    /// When the slowest position reaches its required strength.
    pub(super) slowest: Vec<f64>,
    /// When a set broken then would pass for every position.
    pub(super) set_passes: Vec<f64>,
    pub(super) by_position: Vec<Vec<f64>>,
}

/// One position on its way through one future.
struct Body {
    concrete: Concrete,
    temperature_c: f64,
    age_h: f64,
    drift_c_per_h: f64,
    own_error: f64,
    maturity: f64,
    rate: f64,
    strength: Goal,
    set: Goal,
}

/// A maturity to reach, and when it was reached, hours from now.
#[derive(Debug, Clone, Copy)]
struct Goal {
    maturity: f64,
    reached_h: Option<f64>,
}

impl Goal {
    /// Within the step from `before` to `after`, which ends `hours` from now.
    fn advance(&mut self, before: f64, after: f64, hours: f64) {
        if self.reached_h.is_none() && after >= self.maturity {
            let share = (self.maturity - before) / (after - before);
            self.reached_h = Some(hours - STEP_H * (1.0 - share));
        }
    }

    /// True where it need not be followed any longer: reached, or out of reach.
    fn is_settled(&self) -> bool {
        self.reached_h.is_some() || self.maturity.is_infinite()
    }
}

impl Futures {
    pub(super) fn sample(night: &Night<'_>, member_count: u64) -> Self {
        let position_count = night.positions.len();
        let mut futures = Self {
            slowest: Vec::new(),
            set_passes: Vec::new(),
            by_position: vec![Vec::new(); position_count],
        };
        for member in 0..member_count {
            let bodies = night.live(Draws::new(night.seed, member));
            let hours = |goal: &Goal| goal.reached_h.unwrap_or(f64::INFINITY);
            let slowest =
                |times: &mut dyn Iterator<Item = f64>| times.fold(f64::NEG_INFINITY, f64::max);
            futures.slowest.push(slowest(
                &mut bodies.iter().map(|body| hours(&body.strength)),
            ));
            futures
                .set_passes
                .push(slowest(&mut bodies.iter().map(|body| hours(&body.set))));
            for (times, body) in futures.by_position.iter_mut().zip(&bodies) {
                times.push(hours(&body.strength));
            }
        }
        let all = [&mut futures.slowest, &mut futures.set_passes];
        for times in all.into_iter().chain(&mut futures.by_position) {
            times.sort_by(f64::total_cmp);
        }
        futures
    }
}

impl Night<'_> {
    /// One future, until every position has got there or the horizon ends it.
    fn live(&self, mut draws: Draws) -> Vec<Body> {
        let mut air = self.air.sample(&mut draws);
        let pour = draws.normal();
        let set_factor = (self.strength.set_cv * draws.normal()).exp();
        let mut bodies: Vec<Body> = self
            .positions
            .iter()
            .map(|one| self.body(one, (air.air_c, air.yard_c), (pour, set_factor), &mut draws))
            .collect();
        let kept = (-STEP_H / ERROR_MEMORY_H).exp();
        let fresh_c = ERROR_SD_C * (1.0 - kept * kept).sqrt();
        let drift_kept = if self.is_air_measured {
            (-STEP_H / DRIFT_MEMORY_H).exp()
        } else {
            1.0
        };
        let mut shared_error = 0.0;
        for step in 1..=(HORIZON_H / STEP_H).round() as u32 {
            if bodies
                .iter()
                .all(|body| body.strength.is_settled() && body.set.is_settled())
            {
                break;
            }
            let hours = f64::from(step) * STEP_H;
            let concrete_c =
                bodies.iter().map(|body| body.temperature_c).sum::<f64>() / bodies.len() as f64;
            let air_before_c = air.air_c;
            air.step(hours, concrete_c, &mut draws);
            let air_c = 0.5 * (air_before_c + air.air_c);
            shared_error = kept * shared_error + fresh_c * SHARED_SHARE.sqrt() * draws.normal();
            for body in &mut bodies {
                let own = fresh_c * (1.0 - SHARED_SHARE).sqrt() * draws.normal();
                body.own_error = kept * body.own_error + own;
                body.step(self, (air_c, air.yard_c), shared_error, hours);
                body.drift_c_per_h *= drift_kept;
            }
        }
        bodies
    }

    fn body(
        &self,
        position: &PositionOutlook,
        (air_c, yard_c): (f64, f64),
        (pour, set_factor): (f64, f64),
        draws: &mut Draws,
    ) -> Body {
        let concrete = Concrete::new(&self.section, &position.fitted.sample(draws));
        let [load, sensor, cooler] = std::array::from_fn(|_| draws.normal());
        let cooler_c = if position.is_believed {
            0.0
        } else {
            UNBELIEVED_SD_C * f64::abs(cooler)
        };
        let temperature_c = position.temperature_c - cooler_c;
        let heating = concrete.hydration_c_per_h(position.age_h, self.ripening.at(temperature_c));
        let expected =
            concrete.slope_c_per_h(temperature_c, concrete.air_c(air_c, yard_c), heating);
        let factor = self.strength.factor(pour, load);
        // The sensor's error counts for the whole past, as the maturity gained at its mean.
        let past_factor = self.rate.at(position.mean_c + SENSOR_SD_C * sensor)
            / self.rate.at(position.mean_c).max(f64::MIN_POSITIVE);
        let past_factor = if past_factor > 0.0 { past_factor } else { 1.0 };
        let goal = |set_factor: f64| {
            let asked_mpa = position.required_mpa / set_factor;
            let mut maturity = reaching(self.curve, asked_mpa / factor);
            for (pulled_h, had) in &self.strength.failed {
                // Cylinders without a history are taken to stand for this position: it still lacks
                // what they lacked, and has gained since what this position gained.
                let lacked = (reaching(self.curve, asked_mpa) - had).max(0.0);
                maturity = maturity.max(position.past.at(*pulled_h) * past_factor + lacked);
            }
            let is_past = maturity <= position.maturity * past_factor;
            let reached_h = is_past.then(|| {
                position
                    .past
                    .reached_h(maturity / past_factor)
                    .unwrap_or(0.0)
            });
            Goal {
                maturity,
                reached_h,
            }
        };
        Body {
            concrete,
            temperature_c,
            age_h: position.age_h,
            drift_c_per_h: position.trend_c_per_h.map_or(0.0, |trend| trend - expected),
            own_error: 0.0,
            maturity: position.maturity * past_factor,
            rate: self.rate.at(temperature_c),
            strength: goal(1.0),
            set: goal(set_factor),
        }
    }
}

impl Body {
    fn step(
        &mut self,
        night: &Night<'_>,
        (air_c, yard_c): (f64, f64),
        shared_error: f64,
        hours: f64,
    ) {
        let ripening = night.ripening.at(self.temperature_c);
        let heating = self.concrete.hydration_c_per_h(self.age_h, ripening) + self.drift_c_per_h;
        self.age_h += ripening * STEP_H;
        let beside_c = self.concrete.air_c(air_c, yard_c);
        self.temperature_c = self.concrete.step(self.temperature_c, beside_c, heating);
        let rate = night
            .rate
            .at(self.temperature_c + shared_error + self.own_error);
        let before = self.maturity;
        self.maturity += 0.5 * (self.rate + rate) * STEP_H;
        self.rate = rate;
        self.strength.advance(before, self.maturity, hours);
        self.set.advance(before, self.maturity, hours);
    }
}
