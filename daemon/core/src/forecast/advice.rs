//! When heat may go off so that the wanted time is still made: advice only, nothing is switched.

use crate::ahead::{BindingReason, HeatAdvice, HeatCounsel};
use crate::forecast::KnownAt;
use crate::forecast::future::{Course, Futures, Night, hottest_c, judged};
use crate::forecast::told::share_by;
use crate::time::UtcMs;

/// Futures asked for each time at which heat might go off; even, as they come in mirrored pairs.
const MEMBER_COUNT: u64 = 40;
/// Times are found this closely, h.
const WITHIN_H: f64 = 1.0 / 6.0;
/// A limit on the highest temperature stands in the way where it is passed this often.
const TOO_HOT_SHARE: f64 = 0.5;

/// What came of heat that goes off at one time, as shares of the futures.
#[derive(Debug, Clone, Copy)]
struct Outcome {
    /// A set broken at the wanted time passes for every position.
    passes: f64,
    /// No position falls further than allowed between heat-off and the wanted time.
    falls_little: f64,
    /// At the wanted time every position is as cool as it must be.
    is_cool: f64,
    /// A position is hotter than allowed at some time.
    too_hot: f64,
}

/// Advice for the wanted time; `None` where that is past.
pub(super) fn advise(
    known: &KnownAt<'_>,
    night: &Night<'_>,
    futures: &Futures,
    wanted_at: UtcMs,
    now: UtcMs,
) -> Option<HeatAdvice> {
    let wanted_h = wanted_at.hours_since(now);
    if wanted_h <= 0.0 {
        return None;
    }
    let mut advice = HeatAdvice {
        wanted_at,
        on_time_probability: share_by(&futures.set_passes, wanted_h),
        aimed_probability: known.break_probability,
        counsel: HeatCounsel::HeatIsOff,
        earliest_off_at: None,
        earliest_is_bound_by: BindingReason::Strength,
        latest_off_at: None,
        longest_heat_probability: None,
    };
    if !night.air.may_heat() {
        return Some(advice);
    }
    let asked = Asked {
        known,
        night,
        wanted_h,
    };
    let longest = asked.outcome(wanted_h);
    advice.longest_heat_probability = Some(longest.passes);
    if longest.passes < known.break_probability {
        advice.counsel = HeatCounsel::NothingHelps;
        return Some(advice);
    }
    let earliest = asked.earliest();
    advice.earliest_off_at = Some(now.plus_hours(earliest.off_h));
    advice.earliest_is_bound_by = earliest.bound_by;
    advice.counsel = if earliest.outcome.too_hot >= TOO_HOT_SHARE {
        HeatCounsel::LimitInTheWay
    } else if known.limits.released_above_yard_c_max.is_none() {
        HeatCounsel::OffFrom
    } else if earliest.outcome.is_cool < known.break_probability {
        HeatCounsel::NoTimeMeetsBoth
    } else {
        let latest_h = asked.latest(earliest.off_h, &longest);
        advice.latest_off_at = Some(now.plus_hours(latest_h));
        HeatCounsel::OffFrom
    };
    Some(advice)
}

/// The futures that are asked about heat going off.
struct Asked<'a> {
    known: &'a KnownAt<'a>,
    night: &'a Night<'a>,
    wanted_h: f64,
}

/// The earliest heat-off that may be advised.
struct Earliest {
    off_h: f64,
    bound_by: BindingReason,
    outcome: Outcome,
}

impl Asked<'_> {
    /// The earliest time that makes it and keeps the limits after heat-off, and what forbids an
    /// earlier one. Heat until the wanted time is known to make it, and leaves nothing to fall.
    fn earliest(&self) -> Earliest {
        let aim = self.known.break_probability;
        let fails = |outcome: &Outcome| {
            if outcome.passes < aim {
                Some(BindingReason::Strength)
            } else {
                (outcome.falls_little < aim).then_some(BindingReason::FallAfterHeat)
            }
        };
        let at_once = self.outcome(0.0);
        let mut bound_by = fails(&at_once);
        let off_h = bound_by.map_or(0.0, |_| {
            self.edge(self.wanted_h, 0.0, |outcome| {
                let failed = fails(outcome);
                bound_by = failed.or(bound_by);
                failed.is_none()
            })
        });
        let spell_h = self.known.limits.heat_off_h_max;
        let spell_h = spell_h.map_or(0.0, |most_h| (self.wanted_h - most_h).max(0.0));
        let (off_h, bound_by) = if spell_h > off_h {
            (spell_h, BindingReason::TimeAfterHeat)
        } else {
            (off_h, bound_by.unwrap_or(BindingReason::Strength))
        };
        Earliest {
            off_h,
            bound_by,
            outcome: self.outcome(off_h),
        }
    }

    /// The latest heat-off after which every position is cool enough; it is so at `from_h`.
    fn latest(&self, from_h: f64, longest: &Outcome) -> f64 {
        let is_cool = |outcome: &Outcome| outcome.is_cool >= self.known.break_probability;
        if is_cool(longest) {
            return self.wanted_h;
        }
        self.edge(from_h, self.wanted_h, is_cool)
    }

    /// The last heat-off for which it holds, on the way from one for which it does to one for which it
    /// does not.
    fn edge(&self, holds_h: f64, fails_h: f64, mut holds: impl FnMut(&Outcome) -> bool) -> f64 {
        let (mut holds_h, mut fails_h) = (holds_h, fails_h);
        while (holds_h - fails_h).abs() > WITHIN_H {
            let middle_h = 0.5 * (holds_h + fails_h);
            if holds(&self.outcome(middle_h)) {
                holds_h = middle_h;
            } else {
                fails_h = middle_h;
            }
        }
        holds_h
    }

    fn outcome(&self, off_h: f64) -> Outcome {
        let limits = self.known.limits;
        let course = Course::of_all(self.wanted_h, Some(off_h));
        let mut counts = [0u32; 4];
        for member in 0..MEMBER_COUNT {
            let mut off_c: Vec<f64> = Vec::new();
            let (mut fall_c, mut above_c, mut peak_c) = (0.0f64, 0.0f64, 0.0f64);
            let bodies = self.night.live(member, &course, |hours, bodies, yard_c| {
                let hottest_c = hottest_c(bodies);
                peak_c = peak_c.max(hottest_c);
                above_c = hottest_c - yard_c;
                if hours <= off_h || off_c.is_empty() {
                    off_c = bodies.iter().map(|body| body.model_c).collect();
                }
                let falls = bodies
                    .iter()
                    .zip(&off_c)
                    .map(|(body, off_c)| off_c - body.model_c);
                fall_c = falls.fold(0.0, f64::max);
            });
            let correction = &self.known.habits.correction;
            let passes = judged(&bodies)
                .all(|body| correction.corrected_h(body.passes_h()) <= self.wanted_h);
            let within = |value: f64, most: Option<f64>| most.is_none_or(|most| value <= most);
            let held = [
                passes,
                within(fall_c, limits.heat_off_fall_c_max),
                within(above_c, limits.released_above_yard_c_max),
                !within(peak_c, limits.concrete_c_max),
            ];
            for (count, held) in counts.iter_mut().zip(held) {
                *count += u32::from(held);
            }
        }
        let [passes, falls_little, is_cool, too_hot] =
            counts.map(|count| f64::from(count) / MEMBER_COUNT as f64);
        Outcome {
            passes,
            falls_little,
            is_cool,
            too_hot,
        }
    }
}
