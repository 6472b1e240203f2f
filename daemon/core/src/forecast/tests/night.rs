//! The forecast of heated nights that another model made, against two simple rules.

use super::*;

/// A night by another model than the forecast's: two layers of concrete, an air that a thermostat
/// switches on and off at full power, a first-order hydration that has given half its heat after a
/// day at 20 °C, one-minute steps.
struct TrueNight {
    core: Vec<(UtcMs, f64)>,
    air: Vec<(UtcMs, f64)>,
}

fn true_night(plan: &HeatPlan, power_c_per_h: f64, speed: f64) -> TrueNight {
    let (mut core, mut skin, mut air, mut hydrated, mut warm_h) = (24.0, 24.0, 16.0, 0.0, 0.0);
    let (mut heats, yard, hours) = (false, 8.0, 1.0 / 60.0);
    let mut night = TrueNight {
        core: Vec::new(),
        air: Vec::new(),
    };
    for step in 0..2880 {
        let at = minute(step);
        night.core.push((at, core));
        night.air.push((at, air));
        let on_at = plan.on_at.expect("a planned start");
        let is_on = at >= on_at && plan.off_at.is_none_or(|off_at| at < off_at);
        let set_c = (16.0 + 15.0 * at.hours_since(on_at)).min(plan.soak_c.expect("a soak"));
        heats = is_on
            && if heats {
                air < set_c + 1.5
            } else {
                air < set_c - 1.5
            };
        let power = if heats { power_c_per_h } else { 0.0 };
        warm_h += hours * 2f64.powf((core - 20.0) / 12.0);
        let start = (warm_h / 6.0f64).powi(2).min(1.0);
        let rate = 0.03 * speed * start * (1.0 - hydrated) * 2f64.powf((core - 20.0) / 12.0);
        hydrated += rate * hours;
        let heating = 44.0 * rate;
        core += hours * (1.1 * (skin - core) + heating);
        skin += hours * (1.1 * (core - skin) + 0.45 * (air - skin) + heating);
        air += hours * (power + 2.2 * (skin - air) + 1.0 * (yard - air));
    }
    night
}

impl TrueNight {
    fn reached_at(&self, maturity: f64) -> UtcMs {
        let mut sum = 0.0;
        for pair in self.core.windows(2) {
            sum += FUNCTION.over_segment(pair[0].1, pair[1].1, 1.0 / 60.0);
            if sum >= maturity {
                return pair[1].0;
            }
        }
        panic!("the night is too short for {maturity} °C·h");
    }
}

/// Hours until a maturity is gained when the temperature goes on along a line.
fn line_h(needed: f64, celsius: f64, slope: f64) -> f64 {
    let (mut gained, mut hours) = (0.0, 0.0);
    while gained < needed && hours < 72.0 {
        gained += FUNCTION.rate((celsius + slope * hours).clamp(0.0, 90.0)) / 60.0;
        hours += 1.0 / 60.0;
    }
    hours
}

/// Soak °C, heat off at minute, power °C/h, speed of hydration.
const NIGHTS: [(f64, i64, f64, f64); 6] = [
    (50.0, 720, 90.0, 1.0),
    (55.0, 660, 120.0, 0.8),
    (60.0, 600, 130.0, 1.2),
    (45.0, 900, 90.0, 1.0),
    (55.0, 540, 110.0, 1.3),
    (50.0, 840, 80.0, 0.7),
];

/// Mean absolute errors at some hours before the true time: forecast, last temperature, last trend;
/// and in how many nights the true time lay between early and late.
fn errors_h(before_h: f64, has_air: bool) -> ([f64; 3], usize) {
    let (mut sums, mut covered) = ([0.0f64; 3], 0);
    for (soak_c, off_min, power, speed) in NIGHTS {
        let plan = HeatPlan {
            on_at: Some(minute(180)),
            rise_c_per_h: Some(15.0),
            soak_c: Some(soak_c),
            off_at: Some(minute(off_min)),
        };
        let night = true_night(&plan, power, speed);
        let (record, curve) = (record(Some(plan), &[]), prepared(0.0, 0.0));
        let reached_at = night.reached_at(600.0);
        let index = (reached_at.plus_hours(-before_h).0 / MS_PER_MIN) as usize;
        let now = minute(index as i64);
        let paths = [night.core[..=index].to_vec()];
        let habits = unlearned(&record);
        let question = Question {
            record: &record,
            curve: &curve,
            paths: &paths,
            required_mpa: strength_mpa(600.0),
            enclosure: if has_air { &night.air[..=index] } else { &[] },
            breaks: &[],
            cvs: (0.0, 0.0),
            habits: &habits,
        };
        let got = forecast(&question.known(), now);
        let needed = 600.0 - maturity_of(&paths[0]);
        let last_c = night.core[index].1;
        let slope = last_c - night.core[index - 60].1;
        let times = [
            got.by_curve.likely_at.expect("a time"),
            now.plus_hours(line_h(needed, last_c, 0.0)),
            now.plus_hours(line_h(needed, last_c, slope)),
        ];
        for (sum, at) in sums.iter_mut().zip(times) {
            *sum += at.hours_since(reached_at).abs() / NIGHTS.len() as f64;
        }
        let late = got.by_curve.late_at >= Some(reached_at);
        covered += usize::from(late && got.by_curve.early_at <= Some(reached_at));
    }
    (sums, covered)
}

#[test]
fn a_heated_night_is_forecast_better_than_by_its_last_temperature_or_trend() {
    let mut covered = 0;
    for before_h in [6.0, 4.0] {
        let ([likely_h, hold_h, trend_h], covered_here) = errors_h(before_h, true);
        let told = format!("{before_h} h before: {likely_h} {hold_h} {trend_h}");
        assert!(
            likely_h < 0.5 * hold_h && likely_h < 0.7 * trend_h,
            "{told}"
        );
        covered += covered_here;
    }
    // Of twelve intervals that should hold eight in ten.
    assert!(covered >= 8, "{covered} covered");
}

#[test]
fn without_air_readings_a_heated_night_is_still_forecast_better() {
    for before_h in [6.0, 4.0] {
        let ([likely_h, hold_h, trend_h], covered) = errors_h(before_h, false);
        let told = format!("{before_h} h before: {likely_h} {hold_h} {trend_h}, {covered} covered");
        assert!(likely_h < hold_h && likely_h < trend_h, "{told}");
        assert!(covered >= 3, "{told}");
    }
}

#[test]
fn without_air_a_position_that_fell_silent_goes_on_as_the_coolest_of_the_others() {
    let warming = |offset_c: f64, until: i64| -> Vec<(UtcMs, f64)> {
        (0..=until / 5)
            .map(|index| {
                let hours = index as f64 / 12.0;
                (minute(index * 5), 20.0 + offset_c + 2.5 * hours)
            })
            .collect()
    };
    let (record, curve) = (record(None, &[]), prepared(0.0, 0.0));
    let habits = unlearned(&record);
    let asked = |last_read: i64| {
        let paths = [
            warming(0.0, 480),
            warming(1.5, 480),
            warming(-1.0, last_read),
        ];
        let question = Question {
            record: &record,
            curve: &curve,
            paths: &paths,
            required_mpa: strength_mpa(500.0),
            enclosure: &[],
            breaks: &[],
            cvs: (0.0, 0.0),
            habits: &habits,
        };
        let mut known = question.known();
        known.positions[2].believed = last_read == 480;
        let said = forecast(&known, minute(480));
        said.by_curve.likely_at.expect("a time")
    };
    // Held at its last, as it was read four hours ago, it would be late by hours.
    let off_h = asked(240).hours_since(asked(480));
    assert!((-0.1..0.8).contains(&off_h), "{off_h} h later");
}
