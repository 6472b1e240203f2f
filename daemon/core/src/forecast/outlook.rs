//! The air ahead: what plan, switches, readings and the bed's habits say, and nights sampled from it.

use crate::forecast::air::{AirExpectations, AirFit, AirModel, AirState};
use crate::forecast::draws::{Draws, quantile_normal};
use crate::forecast::squares::Fitted;
use crate::grid::STEP_H;
use crate::habits::HeatHabits;
use crate::pour::PourRecord;
use crate::time::UtcMs;

/// Heat goes off about when it is planned, h.
const OFF_SD_H: f64 = 0.45;
const ON_SD_H: f64 = 0.3;
/// Heat that has outlived its plan goes on this much longer, h, on average.
const OVERDUE_MEAN_H: f64 = 3.0;
/// The logarithm of an outage's duration.
const OUTAGE_MEDIAN_H: f64 = 1.8;
const OUTAGE_LN_SD: f64 = 0.8;
/// A heat that somebody switched off before its plan comes back with this probability.
const RESUME_AFTER_SWITCH: f64 = 0.25;
/// One night in eight does not follow its plan at all.
const ODD_NIGHT_PROBABILITY: f64 = 0.12;
/// The set point still rises where it is this far below its hold, °C.
const RISING_C: f64 = 3.0;
/// The yard wanders, °C in the root of an hour.
const YARD_WANDER_C: f64 = 0.5;
/// Air that nothing reads may be off by this, °C.
const INFERRED_AIR_SD_C: f64 = 4.0;

/// What is known of the air now and ahead.
pub(crate) struct AirOutlook<'a> {
    fitted: Fitted,
    state: AirState,
    is_measured: bool,
    is_rising: bool,
    yard: (f64, f64),
    on_probability: f64,
    /// Hours from now, where planned.
    on_h: Option<f64>,
    off_h: Option<f64>,
    /// How long heat has been on and off, h.
    heated_h: f64,
    off_since_h: Option<f64>,
    was_switched_off: bool,
    habits: &'a HeatHabits,
}

/// One sampled night of air.
pub(crate) struct AirMember {
    state: AirState,
    pub(crate) yard_c: f64,
    model: AirModel,
    /// Hours from now.
    on_from_h: f64,
    on_to_h: f64,
    resumes_h: f64,
    ends_h: f64,
}

impl<'a> AirOutlook<'a> {
    /// With air that was read.
    pub(crate) fn measured(
        record: &PourRecord,
        fit: AirFit,
        yard: (f64, f64),
        habits: &'a HeatHabits,
        now: UtcMs,
    ) -> Self {
        let on_probability = fit.on.last().copied().unwrap_or(0.0);
        let is_on = |on: &f64| *on > 0.5;
        let last_on = fit.on.iter().rposition(is_on);
        let first_on = fit.on.iter().position(is_on);
        let last = fit.on.len().saturating_sub(1);
        let hours = |from: usize| (last - from) as f64 * STEP_H;
        let off_since_h = last_on.filter(|on| *on < last).map(hours);
        let hold_c = fit.fitted.parameters[4];
        Self {
            is_rising: fit.state.set_c < hold_c - RISING_C,
            state: fit.state,
            fitted: fit.fitted,
            on_probability,
            heated_h: first_on.map_or(0.0, hours),
            off_since_h,
            ..Self::unread(record, yard, habits, now)
        }
    }

    /// With air that nothing reads: what would explain the concrete's trend.
    pub(crate) fn inferred(
        record: &PourRecord,
        expectations: &AirExpectations,
        air_c: f64,
        yard: (f64, f64),
        habits: &'a HeatHabits,
        now: UtcMs,
    ) -> Self {
        let fitted = Fitted::expected(expectations);
        let plan = record.facts.heat_plan.unwrap_or_default();
        let says_nothing = plan.on_at.is_none()
            && plan.soak_c.is_none()
            && record.heat.is_empty()
            && !record.facts.without_heat;
        let outlook = Self::unread(record, yard, habits, now);
        // Where nobody says anything of heat, the air stays as it is.
        let mut fitted = fitted;
        if says_nothing {
            fitted.parameters[4] = air_c;
        }
        let hold_c = fitted.parameters[4];
        Self {
            is_rising: air_c < hold_c - RISING_C,
            state: AirState {
                air_c,
                set_c: air_c.min(hold_c),
            },
            fitted,
            is_measured: false,
            ..outlook
        }
    }

    fn unread(record: &PourRecord, yard: (f64, f64), habits: &'a HeatHabits, now: UtcMs) -> Self {
        let plan = record.facts.heat_plan.unwrap_or_default();
        let switch = record.heat.iter().rfind(|switch| switch.at <= now);
        let began_at = record
            .heat
            .iter()
            .find(|one| one.on)
            .map(|one| one.at)
            .or(plan.on_at);
        Self {
            fitted: Fitted::expected(&[]),
            state: AirState {
                air_c: 0.0,
                set_c: 0.0,
            },
            is_measured: true,
            is_rising: false,
            yard,
            on_probability: expected_on(record, now),
            on_h: plan.on_at.map(|at| at.hours_since(now)),
            off_h: plan.off_at.map(|at| at.hours_since(now)),
            heated_h: began_at.map_or(0.0, |at| now.hours_since(at).max(0.0)),
            off_since_h: None,
            was_switched_off: switch.is_some_and(|switch| !switch.on),
            habits,
        }
    }

    /// Whether heat is on, or still expected to come on.
    pub(crate) fn may_heat(&self) -> bool {
        let is_to_come = |on_h: f64| on_h > -ON_SD_H && self.off_since_h.is_none();
        self.on_probability > 0.5 || self.on_h.is_some_and(is_to_come)
    }

    /// One night of air. The number of draws is the same whatever they say.
    pub(crate) fn sample(&self, draws: &mut Draws) -> AirMember {
        let [
            is_on,
            is_odd,
            odd_rise,
            odd_hold,
            resumes,
            lasts,
            ends,
            fails,
        ] = std::array::from_fn(|_| draws.uniform());
        let [yard, on, off, air] = std::array::from_fn(|_| draws.normal());
        let mut parameters = self.fitted.sample(draws);
        if self.is_rising && is_odd < ODD_NIGHT_PROBABILITY {
            parameters[3] = (14.0 + 31.0 * odd_rise).ln();
            parameters[4] += -8.0 + 28.0 * odd_hold;
        }
        let model = AirModel::new(&parameters);
        let off_from_now_h = self.off_from_now_h(off, ends);
        let failure_h = -self.habits.failure_mean_h() * fails.ln();
        let outage_h = (OUTAGE_MEDIAN_H.ln() + OUTAGE_LN_SD * quantile_normal(lasts)).exp();
        let (on_from_h, resumes_h) = if is_on < self.on_probability {
            // A running heat may fail, and then mostly comes back.
            let back_h = if resumes < self.habits.resume_share(0.0) {
                outage_h
            } else {
                f64::INFINITY
            };
            (f64::NEG_INFINITY, failure_h + back_h)
        } else {
            (self.starts_h(on, resumes, lasts), f64::INFINITY)
        };
        let mut state = self.state;
        if !self.is_measured {
            state.air_c += INFERRED_AIR_SD_C * air;
        }
        if !self.is_rising {
            state.set_c = parameters[4];
        }
        AirMember {
            state,
            yard_c: self.yard.0 + self.yard.1 * yard,
            model,
            on_from_h,
            on_to_h: on_from_h.max(0.0) + failure_h,
            resumes_h: resumes_h.max(on_from_h),
            ends_h: off_from_now_h.max(if on_from_h > 0.0 { on_from_h } else { 0.0 }),
        }
    }

    /// When heat goes off for the night: by plan, else by what past nights on this bed lasted.
    fn off_from_now_h(&self, normal: f64, uniform: f64) -> f64 {
        let overdue_h = -OVERDUE_MEAN_H * uniform.ln();
        match self.off_h {
            Some(off_h) => {
                let (shift_h, sd_h) = self.habits.off_shift(OFF_SD_H);
                let off_h = off_h + shift_h + sd_h * normal;
                if off_h > 0.0 {
                    off_h
                } else if self.off_h.is_some_and(|off_h| off_h < -sd_h) {
                    overdue_h
                } else {
                    0.25 * overdue_h
                }
            }
            None => self.habits.remaining_h(self.heated_h, uniform),
        }
    }

    /// When a heat that is off comes on; infinite for never.
    fn starts_h(&self, normal: f64, uniform: f64, lasts: f64) -> f64 {
        if let Some(on_h) = self
            .on_h
            .filter(|on_h| *on_h > -ON_SD_H && self.off_since_h.is_none())
        {
            return (on_h + ON_SD_H * normal).max(0.0);
        }
        let is_wanted = self.off_h.is_none_or(|off_h| off_h > 0.5) && self.on_h.is_some();
        let off_since_h = self.off_since_h.unwrap_or(0.0);
        let share = if self.was_switched_off {
            RESUME_AFTER_SWITCH
        } else {
            self.habits.resume_share(off_since_h)
        };
        if !is_wanted || uniform > share {
            return f64::INFINITY;
        }
        // An outage that has lasted so long already lasts longer than that.
        let past = outage_shorter(off_since_h);
        let level = past + (1.0 - past) * lasts;
        let total_h = (OUTAGE_MEDIAN_H.ln() + OUTAGE_LN_SD * quantile_normal(level)).exp();
        (total_h - off_since_h).max(0.0)
    }
}

/// The share of outages that are over before so many hours.
pub(crate) fn outage_shorter(hours: f64) -> f64 {
    if hours <= 0.0 {
        return 0.0;
    }
    let deviations = (hours / OUTAGE_MEDIAN_H).ln() / OUTAGE_LN_SD;
    0.5 * statrs::function::erf::erfc(-deviations / std::f64::consts::SQRT_2)
}

/// Whether heat is on, before the air is looked at: the last switch, else the plan.
fn expected_on(record: &PourRecord, now: UtcMs) -> f64 {
    if record.is_never_heated() {
        return 0.0;
    }
    let plan = record.facts.heat_plan.unwrap_or_default();
    match record.heat.iter().rfind(|switch| switch.at <= now) {
        Some(switch) if switch.on => 0.97,
        Some(_) => 0.03,
        None => match (plan.on_at, plan.off_at) {
            (Some(on_at), _) if now < on_at => 0.03,
            (_, Some(off_at)) if now >= off_at => 0.15,
            _ => 0.9,
        },
    }
}

impl AirMember {
    /// Somebody turns the heat off then, if it is on, and it stays off.
    pub(crate) fn switch_off(&mut self, off_h: f64) {
        self.ends_h = off_h;
    }

    /// From here on steps take so long.
    pub(crate) fn lengthen(&mut self, step_h: f64) {
        self.model.lengthen(step_h);
    }

    /// The air one step on, over the hours from now; `concrete_c` is the concrete's mean. Its mean
    /// over the step.
    pub(crate) fn step(
        &mut self,
        (from_h, to_h): (f64, f64),
        concrete_c: f64,
        draws: &mut Draws,
    ) -> f64 {
        self.yard_c += YARD_WANDER_C * (to_h - from_h).sqrt() * draws.normal();
        let after = |is_on: bool| {
            let mut state = self.state;
            let mean_c = self.model.step(&mut state, is_on, concrete_c, self.yard_c);
            (state, mean_c)
        };
        // Steps are longer than a heat-off is advised closely: one in which the heat is switched is
        // partly heated.
        let share = self.heated_share(from_h, to_h);
        let (state, mean_c) = if share > 0.0 && share < 1.0 {
            let ((without, without_c), (with, with_c)) = (after(false), after(true));
            let mean_c = without_c + (with_c - without_c) * share;
            (without.towards(&with, share), mean_c)
        } else {
            after(share > 0.0)
        };
        self.state = state;
        mean_c
    }

    /// The share of a step during which heat is on.
    fn heated_share(&self, from_h: f64, to_h: f64) -> f64 {
        let within =
            |on_h: f64, off_h: f64| (off_h.min(self.ends_h).min(to_h) - on_h.max(from_h)).max(0.0);
        // A heat that resumes before it has failed runs on.
        let first_h = within(self.on_from_h, self.on_to_h.min(self.resumes_h));
        let second_h = within(self.resumes_h, f64::INFINITY);
        (first_h + second_h) / (to_h - from_h)
    }
}
