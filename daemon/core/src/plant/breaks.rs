//! Breaks with the temperatures that their specimens had, for the lab, and what they say in words.

use calibration::{StrengthEstimate, TimeZero};

use super::Plant;
use crate::act::{BreakResult, SetPurpose, SetStorage};
use crate::age::specimen_zero;
use crate::assessment::{
    Beside, Confirmation, Forecast, JudgedBreak, Outcome, PositionAssessment, PositionEstimate,
    Verdict,
};
use crate::estimate::ReadyCurve;
use crate::positions::{Readings, judge_channels, left_tarp_at, specimen_maturity, specimen_path};
use crate::pour::{PourRecord, RecordedBreak};
use crate::release::{self, Telling, strength_mpa};
use crate::time::UtcMs;

/// One break of a pour.
#[derive(Debug, Clone, PartialEq)]
pub struct SpecimenBreak {
    pub set: String,
    pub purpose: SetPurpose,
    pub tested_at: UtcMs,
    /// When the specimens left the tarp: their history ends there.
    pub left_tarp_at: UtcMs,
    /// Their time zero by placement and by batching.
    pub placed_at: UtcMs,
    pub batched_at: UtcMs,
    pub diameter_mm: f64,
    pub length_mm: f64,
    /// Specimens with their strengths, MPa; those without a usable strength are left out.
    pub strengths: Vec<(String, f64)>,
    /// Their own temperatures, °C; empty without a sensor.
    pub temperatures: Vec<(UtcMs, f64)>,
}

impl Plant {
    /// Says when what waits will be confirmed, and chooses the words of all breaks.
    pub(super) fn tell_cylinders(
        &self,
        (record, ready, readings): (&PourRecord, Option<&ReadyCurve>, &Readings<'_>),
        positions: &[PositionAssessment],
        forecast: &mut Forecast,
        (breaks, confirmation): (&mut [JudgedBreak], &mut Confirmation),
        now: UtcMs,
    ) {
        let policy = &self.config.release;
        for one in &mut confirmation.catch_up {
            let at = forecast.position_catches_up_at.get(one.index);
            one.likely_at = at.copied().flatten();
        }
        if confirmation.outcome == Outcome::NotConfirmed {
            let maturity_now = |set: &str| {
                let broken_now = RecordedBreak {
                    id: 0,
                    by: String::new(),
                    why: None,
                    recorded_at: now,
                    result: BreakResult {
                        set: set.to_owned(),
                        pulled_at: None,
                        tested_at: now,
                        specimens: Vec::new(),
                    },
                };
                specimen_maturity(&self.config, record, ready?, readings, &broken_now)
            };
            // `None` is after every time: what is not known to come is waited for longest.
            let last_at = |at: Option<UtcMs>| at.map_or(i64::MAX, |at| at.0);
            let waits_until = confirmation.catch_up.iter();
            let waits_until = waits_until.map(|one| last_at(one.likely_at)).max();
            let breaks_from = last_at(forecast.break_from_at);
            confirmation.is_break_sooner = waits_until.is_some_and(|until| breaks_from < until)
                && release::could_confirm_the_rest(record, policy, positions, &maturity_now);
        }
        if confirmation.outcome.waits_for_cylinders() {
            let is_past = forecast.late_at.is_some_and(|late_at| late_at <= now);
            forecast.unproven_since = forecast.likely_at.filter(|_| is_past);
        } else {
            forecast.break_times.clear();
        }
        let telling = Telling {
            units: self.config.units,
            clock: &|at| self.config.local().clock(at),
            next_set_from: forecast.break_from_at.map(|from| from.max(now)),
        };
        release::tell(record, policy, &telling, breaks, confirmation);
    }

    /// The breaks of a pour in order of testing.
    #[must_use]
    pub fn specimen_breaks(&self, pour: &str) -> Vec<SpecimenBreak> {
        let Some(record) = self.pours.get(pour) else {
            return Vec::new();
        };
        let clocks = self.clocks();
        let readings = self.readings(&clocks);
        let breaks = record.breaks.iter().filter_map(|broken| {
            let set = record.sets.get(&broken.result.set)?;
            let strengths = broken.result.specimens.iter().filter_map(|specimen| {
                let strength = strength_mpa(record, &set.set, specimen);
                let strength = strength.filter(|strength| *strength > 0.0)?;
                Some((specimen.specimen.clone(), strength))
            });
            let placed_at = specimen_zero(record, &set.loads, TimeZero::Placed);
            let batched_at = specimen_zero(record, &set.loads, TimeZero::Batched);
            let from = placed_at.min(batched_at);
            Some(SpecimenBreak {
                set: set.set.clone(),
                purpose: set.purpose,
                tested_at: broken.result.tested_at,
                left_tarp_at: left_tarp_at(broken),
                placed_at,
                batched_at,
                diameter_mm: set.diameter_mm,
                length_mm: set.length_mm,
                strengths: strengths.collect(),
                temperatures: specimen_path(&self.config, record, &readings, broken, from),
            })
        });
        breaks.collect()
    }

    /// Breaks whose specimens have no history of their own are held against the positions beside which
    /// they lay, as those stood when the specimens left the tarp.
    pub(super) fn hold_beside(
        &self,
        record: &PourRecord,
        ready: Option<&ReadyCurve>,
        readings: &Readings<'_>,
        breaks: &mut [JudgedBreak],
    ) {
        if ready.is_none() {
            return;
        }
        for (judged, broken) in breaks.iter_mut().zip(&record.breaks) {
            let made = record.sets.get(&judged.set);
            let is_beside = made.is_some_and(|set| set.storage != SetStorage::Standard);
            if judged.specimen_maturity.is_some() || !judged.is_release_set || !is_beside {
                continue;
            }
            let follows = made.and_then(|set| set.follows_position.as_ref());
            let then = judge_channels(&self.config, record, ready, readings, left_tarp_at(broken));
            let believed = then
                .positions
                .iter()
                .map(|one| &one.assessment)
                .filter(|one| {
                    one.is_judged()
                        && matches!(one.trust.verdict, Verdict::Good | Verdict::Suspect)
                        && follows.is_none_or(|position| *position == one.id)
                });
            judged.beside = beside(believed);
        }
    }

    /// Whether a pour lay on a heated bed, as far as it is known: by what people said, or by what was
    /// learned from it once it was finished.
    #[must_use]
    pub fn is_known_heated(&self, pour: &str) -> bool {
        let said = self.pours.get(pour).is_some_and(|one| one.is_said_heated());
        let learned = self.summaries.get(pour);
        said || learned.is_some_and(|one| one.curve_breaks.iter().any(|point| point.is_heated))
    }
}

/// The lowest and highest estimate of positions; `None` where none has one.
fn beside<'a>(positions: impl Iterator<Item = &'a PositionAssessment>) -> Option<Beside> {
    let mut found: Option<Beside> = None;
    for position in positions {
        let Some(estimate_mpa) = position.estimate.estimate_mpa() else {
            continue;
        };
        let is_beyond = matches!(
            position.estimate,
            PositionEstimate::Some {
                strength: StrengthEstimate::AboveData { .. },
                ..
            }
        );
        let highest_mpa = (!is_beyond).then_some(estimate_mpa);
        found = Some(match found {
            None => Beside {
                lowest_mpa: estimate_mpa,
                highest_mpa,
            },
            Some(so_far) => Beside {
                lowest_mpa: so_far.lowest_mpa.min(estimate_mpa),
                highest_mpa: so_far.highest_mpa.zip(highest_mpa).map(|(a, b)| a.max(b)),
            },
        });
    }
    found
}
