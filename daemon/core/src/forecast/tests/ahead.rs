//! What lies ahead: limits are seen coming, and heat-off advice keeps its promises.

use super::*;
use crate::ahead::{BindingReason, HeatCounsel};
use crate::pour::Switch;

/// Eight hours into a night: heated from the third hour, air at 60 °C, concrete at 45 °C and rising.
struct Evening {
    record: PourRecord,
    curve: PreparedCurve,
    paths: [Vec<(UtcMs, f64)>; 2],
    air: Vec<(UtcMs, f64)>,
    yard: Vec<(UtcMs, f64)>,
    habits: Habits,
}

const NOW_MIN: i64 = 480;

fn ramp(minutes: i64, celsius: impl Fn(f64) -> f64) -> Vec<(UtcMs, f64)> {
    (0..=minutes / 5)
        .map(|index| (minute(index * 5), celsius(index as f64 / 12.0)))
        .collect()
}

impl Evening {
    fn new(off_min: i64, wanted_min: Option<i64>, more: &[ActBody]) -> Self {
        let plan = HeatPlan {
            on_at: Some(minute(180)),
            rise_c_per_h: Some(15.0),
            soak_c: Some(60.0),
            off_at: Some(minute(off_min)),
        };
        let mut record = record(Some(plan), more);
        record.facts.wanted_release_at = wanted_min.map(minute);
        let concrete = |late_h: f64| {
            ramp(NOW_MIN, move |hours: f64| {
                let heated_h = (hours - 3.0 - late_h).max(0.0);
                20.0 + 0.8 * hours + 30.0 * (1.0 - (-heated_h / 4.0).exp())
            })
        };
        Self {
            curve: prepared(0.06, 0.03),
            paths: [concrete(0.0), concrete(0.5)],
            air: ramp(NOW_MIN, |hours| {
                (20.0 + 15.0 * (hours - 3.0).max(0.0)).min(60.0)
            }),
            yard: ramp(NOW_MIN, |_| 8.0),
            habits: unlearned(&record),
            record,
        }
    }

    fn ahead(&self, maturity: f64, limits: AheadLimits) -> Ahead {
        self.asked(maturity, limits, |_| {}).1
    }

    fn asked(
        &self,
        maturity: f64,
        limits: AheadLimits,
        change: impl FnOnce(&mut Vec<KnownPosition<'_>>),
    ) -> (Forecast, Ahead) {
        self.asked_by(forecast_and_ahead, maturity, limits, |known| {
            change(&mut known.positions);
        })
    }

    fn asked_by(
        &self,
        looks_ahead: fn(&KnownAt<'_>, UtcMs) -> (Forecast, Ahead),
        maturity: f64,
        limits: AheadLimits,
        change: impl FnOnce(&mut KnownAt<'_>),
    ) -> (Forecast, Ahead) {
        let question = Question {
            record: &self.record,
            curve: &self.curve,
            paths: &self.paths,
            required_mpa: strength_mpa(maturity),
            enclosure: &self.air,
            breaks: &[],
            cvs: (0.06, 0.03),
            habits: &self.habits,
        };
        let mut known = KnownAt {
            ambient: &self.yard,
            limits,
            ..question.known()
        };
        change(&mut known);
        looks_ahead(&known, minute(NOW_MIN))
    }
}

#[test]
fn the_fans_begin_at_now_and_strength_grows() {
    let ahead = Evening::new(900, None, &[]).ahead(600.0, AheadLimits::default());
    let first = ahead.points.first().expect("a point at now");
    assert_eq!(first.at, minute(NOW_MIN));
    assert!(ahead.points.len() >= 4, "{}", ahead.points.len());
    for pair in ahead.points.windows(2) {
        assert!(pair[1].strength_mpa.middle >= pair[0].strength_mpa.middle);
        assert!((pair[1].at.hours_since(pair[0].at) - 1.0).abs() < 1e-9);
    }
    for point in &ahead.points {
        for spread in [point.coolest_c, point.hottest_c, point.strength_mpa] {
            assert!(spread.low <= spread.middle && spread.middle <= spread.high);
        }
        assert!(point.coolest_c.middle <= point.hottest_c.middle);
    }
    assert!(ahead.heat.is_none(), "nobody wants it at a time");
}

#[test]
fn what_a_forecast_does_without_is_named() {
    use ForecastLack::{Air, BedHistory, HeatPlan, MixBreaks, Yard};
    let planned = Evening::new(900, None, &[]);
    let mut unplanned = Evening::new(900, None, &[]);
    unplanned.record.facts.heat_plan = None;
    let lacks = |evening: &Evening, change: fn(&mut KnownAt<'_>)| {
        let limits = AheadLimits::default();
        let asked = evening.asked_by(forecast_and_ahead, 600.0, limits, change);
        asked.0.lacks
    };
    assert_eq!(lacks(&planned, |_| {}), [BedHistory, MixBreaks]);
    assert_eq!(
        lacks(&planned, |known| known.ambient = &[]),
        [Yard, BedHistory, MixBreaks]
    );
    assert_eq!(
        lacks(&planned, |known| known.enclosure = &[]),
        [Air, BedHistory, MixBreaks]
    );
    assert_eq!(lacks(&unplanned, |_| {}), [HeatPlan, BedHistory, MixBreaks]);
    let never = lacks(&planned, |known| {
        known
            .positions
            .iter_mut()
            .for_each(|one| one.time_zero_at = None);
    });
    assert!(
        never.is_empty(),
        "nothing is forecast, so it rests on nothing"
    );
}

#[test]
fn each_position_has_a_course_of_its_own_within_that_of_the_pour() {
    let evening = Evening::new(900, None, &[]);
    let limits = AheadLimits::default();
    let (forecast, ahead) = evening.asked_by(forecast_and_ahead_of_each, 600.0, limits, |_| {});
    let (same, without) = evening.asked(600.0, limits, |_| {});
    assert_eq!((&forecast, &ahead.points), (&same, &without.points));
    assert!(without.positions.is_empty());
    let [first, second] = &ahead.positions[..] else {
        panic!("{:?}", ahead.positions);
    };
    assert_eq!((first.position, second.position), (0, 1));
    for ((first, second), pour) in first.points.iter().zip(&second.points).zip(&ahead.points) {
        assert_eq!((first.at, second.at), (pour.at, pour.at));
        // The second began to warm half an hour later: the pour's strength is that of the weaker.
        assert!(second.maturity.middle < first.maturity.middle);
        assert!(pour.strength_mpa.middle <= second.strength_mpa.middle);
        for one in [first, second] {
            assert!(pour.coolest_c.low <= one.temperature_c.low);
            assert!(one.temperature_c.high <= pour.hottest_c.high);
        }
    }
    for position in [first, second] {
        assert_eq!(position.points.len(), ahead.points.len());
        for pair in position.points.windows(2) {
            assert!(pair[1].maturity.low > pair[0].maturity.low);
            assert!(pair[1].strength_mpa.high >= pair[0].strength_mpa.high);
        }
    }
    // Where one is at the maturity needed, the forecast has it there by the curve.
    let reached = first
        .points
        .iter()
        .position(|one| one.maturity.middle >= 600.0);
    let reached = reached.expect("within the night");
    let likely_at = forecast.position_likely_at[0].expect("a likely time");
    let before = first.points[reached - 1].at.plus_hours(-1.0);
    let after = first.points[reached].at.plus_hours(1.0);
    assert!(before < likely_at && likely_at < after, "{likely_at:?}");
}

#[test]
fn a_limit_just_below_the_soak_is_seen_coming_and_one_far_above_is_not() {
    let evening = Evening::new(1200, None, &[]);
    let with = |limit_c: f64| {
        let limits = AheadLimits {
            concrete_c_max: Some(limit_c),
            ..AheadLimits::default()
        };
        evening.ahead(1500.0, limits).hottest.expect("a position")
    };
    let near = with(54.0);
    let share = near.beyond_probability.expect("a limit");
    assert!(share > 0.7, "{near:?}");
    assert!(near.likely_at > minute(NOW_MIN), "{near:?}");
    // The heat alone carries it there: off now, it stays below.
    let left = near
        .probability_without_heat
        .expect("asked, as it is likely");
    assert!(left < 0.6 * share, "{left} of {share}");
    let far = with(90.0);
    assert!(far.beyond_probability < Some(0.05), "{far:?}");
    assert_eq!(far.probability_without_heat, None);
}

#[test]
fn a_position_that_no_release_waits_for_is_looked_at_ahead_and_holds_nothing_up() {
    let mut evening = Evening::new(1200, Some(960), &[]);
    // By far the coolest at the end of the bed, and the hottest.
    evening.paths = [
        ramp(NOW_MIN, |hours| 20.0 + 0.5 * hours),
        ramp(NOW_MIN, |hours| 20.0 + 3.5 * hours),
    ];
    let limits = AheadLimits {
        concrete_c_max: Some(60.0),
        ..AheadLimits::default()
    };
    let asked = |left_out: Option<usize>| {
        evening.asked(600.0, limits, |positions| {
            if let Some(index) = left_out {
                positions[index].required_mpa = None;
            }
        })
    };
    let (all, _) = asked(None);
    let (without_coolest, _) = asked(Some(0));
    let earlier_h = all
        .late_at
        .expect("late")
        .hours_since(without_coolest.late_at.expect("late"));
    assert!(earlier_h > 2.0, "{earlier_h}");
    assert_eq!(without_coolest.position_likely_at[0], None);
    assert!(without_coolest.position_likely_at[1].is_some());
    let (_, without_hottest) = asked(Some(1));
    let hottest = without_hottest.hottest.expect("a position");
    assert_eq!(hottest.position, 1);
    // Its strength stands beside none that is asked for: the fan is of the other.
    let strength_mpa = without_hottest.points[0].strength_mpa.middle;
    assert!(strength_mpa < 0.8 * asked(Some(0)).1.points[0].strength_mpa.middle);
}

#[test]
fn heat_may_go_off_earlier_the_later_the_wanted_time_is() {
    let off_at = |wanted_min: i64| {
        let heat = Evening::new(1200, Some(wanted_min), &[])
            .ahead(420.0, AheadLimits::default())
            .heat
            .expect("a wanted time that is ahead");
        assert_eq!(heat.counsel, HeatCounsel::OffFrom, "{heat:?}");
        assert_eq!(heat.earliest_is_bound_by, BindingReason::Strength);
        assert_eq!(heat.latest_off_at, None);
        heat.earliest_off_at.expect("a time")
    };
    let (early, late) = (off_at(870), off_at(960));
    assert!(late < early, "{late:?} {early:?}");
    assert!(early < minute(870), "{early:?}");
}

#[test]
fn a_pour_that_gets_no_heat_is_forecast_without_any_whatever_its_air_does() {
    let asked = |without_heat: bool| {
        let mut evening = Evening::new(1200, Some(960), &[]);
        evening.record.facts.heat_plan = None;
        evening.record.facts.without_heat = without_heat;
        evening.habits = unlearned(&evening.record);
        evening.ahead(600.0, AheadLimits::default())
    };
    let (said, unsaid) = (asked(true), asked(false));
    let heat = said.heat.expect("a wanted time that is ahead");
    assert_eq!(heat.counsel, HeatCounsel::HeatIsOff);
    let last_c = |ahead: &Ahead| ahead.points.last().map(|point| point.hottest_c.middle);
    assert!(last_c(&said) < last_c(&unsaid), "{:?}", last_c(&said));
}

#[test]
fn a_wanted_time_that_no_heat_makes_is_called_so() {
    let heat = Evening::new(1200, Some(600), &[])
        .ahead(1500.0, AheadLimits::default())
        .heat
        .expect("a wanted time that is ahead");
    assert_eq!(heat.counsel, HeatCounsel::NothingHelps);
    assert_eq!(heat.earliest_off_at, None);
    assert!(heat.longest_heat_probability < Some(heat.aimed_probability));
}

#[test]
fn no_advice_leaves_a_stressed_line_cooling_longer_than_its_limit() {
    // Reached long before it is wanted: strength would allow heat-off at once.
    let evening = Evening::new(1200, Some(1200), &[]);
    let limits = AheadLimits {
        heat_off_h_max: Some(2.0),
        ..AheadLimits::default()
    };
    let heat = evening.ahead(300.0, limits).heat.expect("ahead");
    assert_eq!(heat.earliest_off_at, Some(minute(1080)));
    assert_eq!(heat.earliest_is_bound_by, BindingReason::TimeAfterHeat);
    let limits = AheadLimits {
        heat_off_fall_c_max: Some(3.0),
        ..AheadLimits::default()
    };
    let heat = evening.ahead(300.0, limits).heat.expect("ahead");
    assert_eq!(heat.earliest_is_bound_by, BindingReason::FallAfterHeat);
    assert!(heat.earliest_off_at > Some(minute(NOW_MIN)), "{heat:?}");
}

#[test]
fn where_cool_down_comes_first_there_is_a_latest_heat_off_or_none_that_meets_both() {
    let evening = Evening::new(1200, Some(1500), &[]);
    let with = |above_c: f64| {
        let limits = AheadLimits {
            released_above_yard_c_max: Some(above_c),
            ..AheadLimits::default()
        };
        evening.ahead(500.0, limits).heat.expect("ahead")
    };
    let loose = with(42.0);
    assert_eq!(loose.counsel, HeatCounsel::OffFrom, "{loose:?}");
    let latest = loose.latest_off_at.expect("cool-down wants one");
    assert!(latest >= loose.earliest_off_at.expect("a time"));
    assert!(latest < minute(1500), "{loose:?}");
    assert_eq!(with(2.0).counsel, HeatCounsel::NoTimeMeetsBoth);
}

#[test]
fn heat_that_is_off_for_the_night_gets_no_time() {
    let mut evening = Evening::new(360, Some(900), &[]);
    evening.record.heat = vec![
        Switch {
            at: minute(180),
            on: true,
        },
        Switch {
            at: minute(360),
            on: false,
        },
    ];
    evening.air = ramp(NOW_MIN, |hours| {
        let cooled_h = (hours - 6.0).max(0.0);
        let heated_c = (20.0 + 15.0 * (hours - 3.0).max(0.0)).min(60.0);
        30.0 + (heated_c - 30.0) * (-cooled_h / 0.4).exp()
    });
    let heat = evening.ahead(560.0, AheadLimits::default()).heat;
    let heat = heat.expect("a wanted time that is ahead");
    assert_eq!(heat.counsel, HeatCounsel::HeatIsOff);
    assert_eq!(heat.earliest_off_at, None);
}
