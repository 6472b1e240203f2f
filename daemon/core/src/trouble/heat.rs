//! Heat that is lost, does not come, or does not go, as troubles: acts held against the air under the tarp.

mod loss;

use crate::assessment::{PourAssessment, Trouble, UnexplainedFall, Urgency, Verdict};
use crate::config::{LimitSet, PlantConfig, WatchSettings};
use crate::path::{slope_c_per_h, temperature_at};
use crate::pour::Switch;
use crate::say;
use crate::time::UtcMs;
use crate::trouble::Air;
use loss::{FALL_H, standing_loss};
use units::UnitSystem;

/// Steam that comes warms the air by at least this, °C.
const RISE_C_MIN: f64 = 2.0;
/// Air that was already warmer than this when the heat came on need not rise, °C.
const WARM_C: f64 = 40.0;
/// Heat that was turned off is gone after this long, h.
const GONE_AFTER_H: f64 = 0.75;
/// Air that rises faster than this after the heat went off is heated, °C/h.
const STILL_RISING_C_PER_H: f64 = 3.0;

/// The kind of the trouble of a bed that loses heat; a lost heat source explains it.
pub const LOSING_HEAT: &str = "losing-heat";

struct Heat<'a> {
    settings: &'a WatchSettings,
    units: UnitSystem,
    pour: &'a PourAssessment,
    enclosure: &'a [(UtcMs, f64)],
    now: UtcMs,
    /// The last switch, and when the plan wants it on and off.
    switch: Option<Switch>,
    planned_on_at: Option<UtcMs>,
    planned_off_at: Option<UtcMs>,
}

/// What is wrong with the heat of one pour.
pub fn heat_troubles(
    config: &PlantConfig,
    pour: &PourAssessment,
    air: &Air<'_>,
    limits: Option<&LimitSet>,
    now: UtcMs,
) -> Vec<Trouble> {
    let record = &pour.record;
    let plan = record.facts.heat_plan;
    // A plan without a time for the heat begins when the preset is over.
    let preset_ends_at = || {
        let preset_h = limits?.preset_h_min?;
        Some(air.tarp.last_batch_at?.plus_hours(preset_h))
    };
    let heat = Heat {
        settings: &config.watch,
        units: config.units,
        pour,
        enclosure: air.enclosure,
        now,
        switch: record.heat.iter().rfind(|switch| switch.at <= now).copied(),
        planned_on_at: plan.and_then(|plan| plan.on_at.or_else(preset_ends_at)),
        // After cylinders that failed the heat is kept, whatever was planned.
        planned_off_at: plan
            .and_then(|plan| plan.off_at)
            .filter(|_| !pour.confirmation.outcome.is_failed()),
    };
    let lost = heat.lost();
    let local = heat.lost_locally(lost.as_ref());
    [lost, local, heat.not_come(), heat.not_gone()]
        .into_iter()
        .flatten()
        .collect()
}

impl Heat<'_> {
    fn should_be_on(&self) -> bool {
        match self.switch {
            // By the plan it is off from then on, whether somebody has recorded it or not.
            Some(switch) => {
                let is_planned_off = |off: UtcMs| switch.at < off && off <= self.now;
                switch.on && !self.planned_off_at.is_some_and(is_planned_off)
            }
            None => {
                self.planned_on_at.is_some_and(|on| on <= self.now)
                    && self.planned_off_at.is_none_or(|off| self.now < off)
            }
        }
    }

    /// The last temperature of the air, where it is fresh.
    fn air_now_c(&self) -> Option<f64> {
        let last = self.enclosure.last()?;
        (self.now.hours_since(last.0) < FALL_H).then_some(last.1)
    }

    /// The air's rate, where it is fresh.
    fn air_rate_c_per_h(&self) -> Option<f64> {
        self.air_now_c()?;
        slope_c_per_h(self.enclosure, FALL_H)
    }

    /// Highest air since a moment, and when it was.
    fn highest_since(&self, from: UtcMs) -> Option<(UtcMs, f64)> {
        let start = self.enclosure.partition_point(|one| one.0 < from);
        self.enclosure[start..]
            .iter()
            .copied()
            .reduce(|high, one| if one.1 > high.1 { one } else { high })
    }

    /// The tarp is lifted since.
    fn lifted_at(&self) -> Option<UtcMs> {
        let tarp = self.pour.record.tarp.iter();
        let last = tarp.rev().find(|switch| switch.at <= self.now)?;
        last.on.then_some(last.at)
    }

    fn lifted_min(&self) -> Option<f64> {
        self.lifted_at().map(|at| self.now.hours_since(at) * 60.0)
    }

    /// Somebody has said not long ago that the tarp is lifted, or back: the air needs a while to warm.
    fn is_quiet(&self) -> bool {
        let mut tarp = self.pour.record.tarp.iter().rev();
        let last = tarp.find(|switch| switch.at <= self.now);
        last.is_some_and(|last| self.now.hours_since(last.at) * 60.0 < self.settings.tarp_quiet_min)
    }

    /// The air fell though it should hold, and is still cold: the tarp is off, or the steam is lost.
    fn lost(&self) -> Option<Trouble> {
        if !self.should_be_on() || self.is_quiet() {
            return None;
        }
        let now_c = self.air_now_c()?;
        let on_at = self.switch.map(|switch| switch.at).or(self.planned_on_at)?;
        let soak_c = self
            .pour
            .record
            .facts
            .heat_plan
            .and_then(|plan| plan.soak_c);
        let fall_c_per_h = self.settings.enclosure_fall_c_per_h;
        let loss = standing_loss(self.enclosure, on_at, fall_c_per_h, soak_c)?;
        let (was, is) = (
            say::temperature(loss.from.1, self.units),
            say::temperature(now_c, self.units),
        );
        let falling = self.air_rate_c_per_h().filter(|rate| -rate > fall_c_per_h);
        let what = match falling {
            Some(rate) => format!(
                "The air under the tarp falls {} (from {was} to {is})",
                say::rate(-rate, self.units)
            ),
            None => format!("The air under the tarp fell from {was} and is only {is} now,"),
        };
        let lifted = self.lifted_min().map_or_else(String::new, |lifted| {
            format!(
                " The tarp has been lifted for {}.",
                say::span(lifted / 60.0)
            )
        });
        Some(Trouble {
            kind: LOSING_HEAT.into(),
            urgency: Urgency::Now,
            what: format!("{what} though the heat should be on.{lifted}"),
            since: loss.from.0,
            first_act:
                "See whether the tarp is off, then look at the boiler and the valve. Steam burns."
                    .into(),
            ..super::of(self.pour, self.now)
        })
    }

    /// Concrete falls behind its heat balance in places, though the air that is read does not show it.
    fn lost_locally(&self, of_bed: Option<&Trouble>) -> Option<Trouble> {
        if self.is_quiet() {
            return None;
        }
        // A sensor in doubt is told as such.
        let is_trusted = |fall: &&UnexplainedFall| {
            let position = self.pour.positions.get(fall.position);
            position.is_some_and(|one| one.trust.verdict == Verdict::Good)
        };
        let falls = self.pour.forecast.unexplained_falls.iter();
        let falls: Vec<&UnexplainedFall> = falls.filter(is_trusted).collect();
        let fall_c = falls.iter().map(|one| one.fall_c).reduce(f64::max)?;
        let since = falls.iter().map(|one| one.since).min()?;
        let named = falls.iter().filter_map(|one| {
            let position = self.pour.record.facts.positions.get(one.position)?;
            let station = say::station(position.station_m, self.units);
            Some(format!("{} (at {station})", position.id))
        });
        let named: Vec<String> = named.collect();
        let verb = if named.len() > 1 { "have" } else { "has" };
        Some(Trouble {
            kind: "local-heat-loss".into(),
            // A heat balance is wrong more often than a tarp is lost.
            urgency: Urgency::Look,
            what: format!(
                "{} {verb} fallen {} behind the heat balance, though the air that is read does not \
                 show why.",
                named.join(", "),
                say::difference(fall_c, self.units),
            ),
            since,
            first_act:
                "See whether the tarp lies there, then whether the plug is in the concrete. Steam burns."
                    .into(),
            explained_by: of_bed.map(Trouble::id),
            ..super::of(self.pour, self.now)
        })
    }

    /// The heat should have come by now, and the air does not show it.
    fn not_come(&self) -> Option<Trouble> {
        let late_h = self.settings.heat_late_min / 60.0;
        let (from, said) = match self.switch {
            Some(switch) if switch.on => (switch.at, "was turned on"),
            Some(_) => return None,
            None => (self.planned_on_at?, "was planned"),
        };
        let is_planned_off = self.planned_off_at.is_some_and(|off| off <= self.now);
        if self.now.hours_since(from) < late_h || is_planned_off {
            return None;
        }
        let then_c = temperature_at(self.enclosure, from);
        let risen_c = then_c.and_then(|then| Some(self.highest_since(from)?.1 - then));
        let is_warm = then_c.is_some_and(|then| then >= WARM_C);
        let has_come = is_warm || risen_c.is_some_and(|risen| risen >= RISE_C_MIN);
        let ago = say::span(self.now.hours_since(from));
        let (urgency, evidence, first_act) = match (has_come, self.switch, risen_c) {
            (true, Some(_), _) => return None,
            (true, None, _) => (
                Urgency::Look,
                "the air has warmed, but nobody has recorded that it is on".to_owned(),
                "Record when the heat came on.",
            ),
            // Without air that is read, a recorded switch has to be believed.
            (false, Some(_), None) => return None,
            (false, Some(_), Some(risen)) => (
                Urgency::Now,
                format!(
                    "the air has warmed by {} only",
                    say::difference(risen.max(0.0), self.units)
                ),
                "See whether the valve is open and steam comes. Steam burns.",
            ),
            (false, None, _) => (
                Urgency::Soon,
                "nobody has recorded that it is on".to_owned(),
                "Turn the heat on if the preset is over, and record it.",
            ),
        };
        Some(Trouble {
            kind: "heat-not-started".into(),
            urgency,
            what: format!("The heat {said} {ago} ago; {evidence}."),
            since: from,
            first_act: first_act.into(),
            ..super::of(self.pour, self.now)
        })
    }

    /// The heat should be off by now; after cylinders that failed it is kept.
    fn not_gone(&self) -> Option<Trouble> {
        if self.pour.confirmation.outcome.is_failed() {
            return None;
        }
        let late_h = self.settings.heat_late_min / 60.0;
        let switch = self.switch?;
        let rate = self.air_rate_c_per_h();
        let (urgency, since, what) = if switch.on {
            let off_at = self.planned_off_at.filter(|off| switch.at < *off)?;
            if self.now.hours_since(off_at) < late_h {
                return None;
            }
            let is_falling = rate.is_some_and(|rate| -rate > self.settings.enclosure_fall_c_per_h);
            let urgency = if is_falling {
                Urgency::Look
            } else {
                Urgency::Soon
            };
            let ago = say::span(self.now.hours_since(off_at));
            let what = format!(
                "The heat should have gone off {ago} ago by the plan; nobody has recorded that it is off."
            );
            (urgency, off_at, what)
        } else {
            let (rate, now_c) = (rate?, self.air_now_c()?);
            let hottest_c = self
                .pour
                .positions
                .iter()
                .filter_map(|one| one.temperature_c)
                .fold(f64::NEG_INFINITY, f64::max);
            // Warm concrete warms the air, but not above itself.
            let is_heated = rate > STILL_RISING_C_PER_H && now_c > hottest_c;
            if self.now.hours_since(switch.at) < GONE_AFTER_H || !is_heated {
                return None;
            }
            let what = format!(
                "The air under the tarp rises {} (now {}) though the heat was turned off.",
                say::rate(rate, self.units),
                say::temperature(now_c, self.units),
            );
            (Urgency::Soon, switch.at, what)
        };
        Some(Trouble {
            kind: "heat-still-on".into(),
            urgency,
            what,
            since,
            first_act: "See whether the valve is closed, turn the heat off, and record it.".into(),
            ..super::of(self.pour, self.now)
        })
    }
}
