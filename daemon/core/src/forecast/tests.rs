//! The forecast against hand arithmetic, against a night made by another model, and by its
//! promises.

mod ahead;
mod night;

use calibration::{CurveFile, Scatter};
use proptest::prelude::*;

use super::*;
use crate::act::{
    Act, ActBody, BreakResult, ChannelBinding, CylinderSet, HeatPlan, PourOpened, Section as Shape,
    SetPurpose, SetStorage, SpecimenResult,
};

/// Strength is `50 k M / (1 + k M)`: 25 MPa at 400 °C·h. Without any scatter of its own.
const TEXT: &str = r#"
schema = 1
name = "test"
mix = "test"
author = "lab"
made_at = 2026-01-01
time_zero = "placed"
maturity = { function = "temperature-time-factor", datum_c = 0 }
range = { maturity_min = 100, maturity_max = 4000, temperature_min_c = 10, temperature_max_c = 70 }
specimens = { cured = "standard", shape = "cylinder", diameter_mm = 100, length_mm = 200 }

[curve]
form = "hyperbolic"
ultimate_mpa = 50
rate_per_unit = 0.0025
offset = 0
covariance = [[0, 0, 0], [0, 0, 0], [0, 0, 0]]
residual_sd_mpa = 0.001
residual_degrees_of_freedom = 10
"#;

const MS_PER_MIN: i64 = 60_000;

fn minute(minute: i64) -> UtcMs {
    UtcMs(minute * MS_PER_MIN)
}

/// The required strength that the curve gives at a maturity, MPa.
fn strength_mpa(maturity: f64) -> f64 {
    50.0 * 0.0025 * maturity / (1.0 + 0.0025 * maturity)
}

fn act(id: u128, body: ActBody) -> Act {
    Act {
        id,
        recorded_at: minute(0),
        happened_at: minute(0),
        by: "qc".to_owned(),
        why: None,
        pour: "pour-1".to_owned(),
        body,
    }
}

fn record(heat_plan: Option<HeatPlan>, more: &[ActBody]) -> PourRecord {
    let positions = (0..3).map(|index| crate::act::Position {
        id: format!("P{index}"),
        station_m: 10.0 * f64::from(index),
        place: "web".to_owned(),
        depth_mm: None,
    });
    let set = CylinderSet {
        set: "A".to_owned(),
        purpose: SetPurpose::Release,
        specimens: vec!["A1".to_owned(), "A2".to_owned()],
        storage: SetStorage::UnderTarp,
        follows_position: None,
        loads: Vec::new(),
        diameter_mm: 100.0,
        length_mm: 200.0,
    };
    let opened = PourOpened {
        bed: "B1".to_owned(),
        line: None,
        layer: None,
        mix: "test".to_owned(),
        curve: None,
        from_station_m: 0.0,
        to_station_m: 30.0,
        first_placement_at: Some(minute(0)),
        last_placement_at: Some(minute(0)),
        required: Vec::new(),
        pieces: Vec::new(),
        positions: positions.collect(),
        channels: Vec::<ChannelBinding>::new(),
        loads: Vec::new(),
        cylinder_sets: vec![set],
        section: Some(Shape {
            name: "slab".to_owned(),
            thickness_mm: Some(200.0),
        }),
        cementitious_kg_m3: Some(400.0),
        fresh: None,
        heat_plan,
        without_heat: false,
        wanted_release_at: None,
        limit_set: None,
    };
    let acts: Vec<Act> = std::iter::once(ActBody::PourOpened(Box::new(opened)))
        .chain(more.iter().cloned())
        .zip(1..)
        .map(|(body, id)| act(id, body))
        .collect();
    PourRecord::fold(&acts)
        .remove("pour-1")
        .expect("the pour was opened")
}

fn prepared(pour_cv: f64, load_cv: f64) -> PreparedCurve {
    let file = CurveFile::parse(TEXT).expect("a good file");
    PreparedCurve::new(&file, Scatter { pour_cv, load_cv })
}

const FUNCTION: MaturityFunction = MaturityFunction::TemperatureTimeFactor { datum_c: 0.0 };

fn maturity_of(path: &[(UtcMs, f64)]) -> f64 {
    path.windows(2)
        .map(|pair| FUNCTION.over_segment(pair[0].1, pair[1].1, pair[1].0.hours_since(pair[0].0)))
        .sum()
}

/// What is asked in most tests: paths per position, one required strength, no breaks.
struct Question<'a> {
    record: &'a PourRecord,
    curve: &'a PreparedCurve,
    paths: &'a [Vec<(UtcMs, f64)>],
    required_mpa: f64,
    enclosure: &'a [(UtcMs, f64)],
    breaks: &'a [JudgedBreak],
    cvs: (f64, f64),
    habits: &'a Habits,
}

/// What is expected where nothing was learned.
fn unlearned(record: &PourRecord) -> Habits {
    Habits::of(record, std::iter::empty(), minute(0))
}

impl Question<'_> {
    fn known(&self) -> KnownAt<'_> {
        let positions = self
            .paths
            .iter()
            .enumerate()
            .map(|(index, path)| KnownPosition {
                index,
                required_mpa: Some(self.required_mpa),
                catches_up_at: None,
                time_zero_at: path.first().map(|first| first.0),
                temperatures: path,
                believed: !path.is_empty(),
                reads_air: false,
            });
        KnownAt {
            units: UnitSystem::Us,
            record: self.record,
            curve: Some(KnownCurveUse {
                prepared: self.curve,
                maturity: FUNCTION,
            }),
            position_count: 3,
            positions: positions.collect(),
            enclosure: self.enclosure,
            ambient: &[],
            breaks: self.breaks,
            habits: self.habits,
            pour_cv: self.cvs.0,
            load_cv: self.cvs.1,
            break_probability: 0.9,
            limits: AheadLimits::default(),
        }
    }
}

fn steady(celsius: f64, minutes: i64) -> Vec<(UtcMs, f64)> {
    (0..=minutes / 5)
        .map(|index| (minute(index * 5), celsius))
        .collect()
}

/// Steady temperatures at two positions, with usual scatter.
fn two_steady(required_mpa: f64, breaks: &[JudgedBreak], more: &[ActBody]) -> Forecast {
    let (record, curve) = (record(None, more), prepared(0.06, 0.04));
    let paths = [steady(40.0, 600), steady(42.0, 600)];
    let habits = unlearned(&record);
    let question = Question {
        record: &record,
        curve: &curve,
        paths: &paths,
        required_mpa,
        enclosure: &[],
        breaks,
        cvs: (0.06, 0.04),
        habits: &habits,
    };
    forecast(&question.known(), minute(600))
}

#[test]
fn a_steady_temperature_gives_the_time_of_hand_arithmetic() {
    // 30 h at 50 °C are 1500 °C·h; two hours later 1600. Hydration is over, so nothing else
    // changes.
    let (record, curve) = (record(None, &[]), prepared(0.0, 0.0));
    let paths = [steady(50.0, 1800)];
    let air = steady(50.0, 1800);
    let habits = unlearned(&record);
    let question = Question {
        record: &record,
        curve: &curve,
        paths: &paths,
        required_mpa: strength_mpa(1600.0),
        enclosure: &air,
        breaks: &[],
        cvs: (0.0, 0.0),
        habits: &habits,
    };
    let got = forecast(&question.known(), minute(1800));
    let likely_at = got.by_curve.likely_at.expect("a time");
    let off_min = (likely_at.0 - minute(1920).0) as f64 / MS_PER_MIN as f64;
    assert!(off_min.abs() < 1.0, "{off_min} min off");
}

#[test]
fn a_strength_reached_in_the_past_keeps_its_time() {
    let (record, curve) = (record(None, &[]), prepared(0.0, 0.0));
    let paths = [steady(50.0, 600)];
    let habits = unlearned(&record);
    let question = Question {
        record: &record,
        curve: &curve,
        paths: &paths,
        required_mpa: strength_mpa(400.0),
        enclosure: &[],
        breaks: &[],
        cvs: (0.0, 0.0),
        habits: &habits,
    };
    let got = forecast(&question.known(), minute(600));
    let likely_at = got.by_curve.likely_at.expect("a time");
    let off_min = (likely_at.0 - minute(480).0) as f64 / MS_PER_MIN as f64;
    assert!(off_min.abs() < 1.0, "{off_min} min off");
    assert!(
        got.pass_probability_now > Some(0.9),
        "{:?}",
        got.pass_probability_now
    );
}

#[test]
fn the_same_inputs_give_the_same_forecast_to_the_bit() {
    assert_eq!(two_steady(28.0, &[], &[]), two_steady(28.0, &[], &[]));
}

#[test]
fn a_position_that_is_not_believed_never_makes_the_line_earlier() {
    let (record, curve) = (record(None, &[]), prepared(0.06, 0.04));
    let paths = [steady(40.0, 600), steady(41.0, 600)];
    let habits = unlearned(&record);
    let question = Question {
        record: &record,
        curve: &curve,
        paths: &paths,
        required_mpa: 28.0,
        enclosure: &[],
        breaks: &[],
        cvs: (0.06, 0.04),
        habits: &habits,
    };
    let mut known = question.known();
    let believed = forecast(&known, minute(600));
    known.positions[1].believed = false;
    let doubted = forecast(&known, minute(600));
    let first = known.positions[0];
    known.positions = vec![first];
    let without = forecast(&known, minute(600));
    let late = |one: &Forecast| one.late_at.expect("a late time");
    assert!(late(&doubted) >= late(&believed));
    let bound = late(&without).max(late(&believed)).plus_hours(-0.1);
    let short_h = bound.hours_since(late(&doubted));
    // Another number of positions draws other nights, so the two differ by what few of them leave open.
    let open_h = 0.15 * late(&without).hours_since(without.early_at.expect("an early time"));
    assert!(short_h <= open_h, "{short_h} h short of {open_h}");
    let own = |one: &Forecast| one.position_likely_at[1].expect("a time");
    // Doubt widens a position's own times; the median of few futures moves by minutes with that.
    let later_h = own(&doubted).hours_since(own(&believed));
    assert!(later_h > -0.05, "{later_h} h");
}

#[test]
fn what_stands_in_the_way_is_said() {
    let (record, curve) = (record(None, &[]), prepared(0.06, 0.04));
    let paths = [steady(40.0, 600), Vec::new()];
    let habits = unlearned(&record);
    let question = Question {
        record: &record,
        curve: &curve,
        paths: &paths,
        required_mpa: 28.0,
        enclosure: &[],
        breaks: &[],
        cvs: (0.06, 0.04),
        habits: &habits,
    };
    let reason = |known: &KnownAt<'_>| {
        let got = forecast(known, minute(600));
        assert_eq!(
            (got.early_at, got.likely_at, got.late_at, got.break_from_at),
            (None, None, None, None)
        );
        assert_eq!(got.pass_probability_now, None);
        assert_eq!(got.position_likely_at.len(), 3);
        (
            got.reason.expect("a reason"),
            got.position_likely_at[0].is_some(),
        )
    };
    let unread = reason(&KnownAt {
        positions: vec![KnownPosition {
            catches_up_at: None,
            time_zero_at: Some(minute(0)),
            ..question.known().positions[1]
        }],
        ..question.known()
    });
    assert!(
        unread.0.contains("Nothing that was read at position P1"),
        "{}",
        unread.0
    );
    let unplaced = reason(&question.known());
    assert!(
        unplaced.0.contains("Position P1 has no age") && unplaced.1,
        "{}",
        unplaced.0
    );
    let only_first = |required_mpa: f64| KnownAt {
        positions: vec![KnownPosition {
            required_mpa: Some(required_mpa),
            ..question.known().positions[0]
        }],
        ..question.known()
    };
    let never = reason(&only_first(55.0)).0;
    assert!(
        never.contains("never reaches the 7980 psi required"),
        "{never}"
    );
    assert!(
        reason(&only_first(46.0))
            .0
            .contains("beyond the curve's last data")
    );
    assert!(
        reason(&KnownAt {
            curve: None,
            ..question.known()
        })
        .0
        .contains("No usable curve")
    );
    assert!(
        reason(&KnownAt {
            positions: Vec::new(),
            ..question.known()
        })
        .0
        .contains("No position")
    );
}

#[test]
fn a_strength_below_the_first_data_waits_for_the_first_data() {
    let (record, curve) = (record(None, &[]), prepared(0.0, 0.0));
    let paths = [steady(20.0, 240)];
    let habits = unlearned(&record);
    let question = Question {
        record: &record,
        curve: &curve,
        paths: &paths,
        required_mpa: 1.0,
        enclosure: &[],
        breaks: &[],
        cvs: (0.0, 0.0),
        habits: &habits,
    };
    // 80 of the 100 °C·h where data begin: about an hour at 20 °C is still to come.
    let likely_at = forecast(&question.known(), minute(240))
        .likely_at
        .expect("a time");
    assert!(
        (0.7..1.1).contains(&likely_at.hours_since(minute(240))),
        "{likely_at:?}"
    );
}

fn broken(mean_mpa: f64, ratio: Option<f64>) -> JudgedBreak {
    JudgedBreak {
        id: 3,
        set: "A".to_owned(),
        by: "qc".to_owned(),
        tested_at: minute(590),
        strengths_mpa: vec![mean_mpa, mean_mpa],
        mean_mpa,
        required_mpa: 25.0,
        passes: mean_mpa >= 25.0,
        decided: crate::assessment::Decided::default(),
        pooled: None,
        specimen_maturity: None,
        estimate_mpa: None,
        ratio,
        beside: None,
        is_release_set: true,
        confirms: Vec::new(),
        says: crate::assessment::BreakSays::default(),
        words: String::new(),
        short: String::new(),
        notes: Vec::new(),
    }
}

#[test]
fn a_failed_break_moves_the_next_set_later() {
    // 10 h at 40 °C are 400 °C·h, the curve's 25 MPa: without a break that is just reached.
    let result = BreakResult {
        set: "A".to_owned(),
        pulled_at: Some(minute(580)),
        tested_at: minute(590),
        specimens: vec![SpecimenResult {
            specimen: "A1".to_owned(),
            strength_mpa: Some(22.0),
            load_kn: None,
            diameter_mm: None,
        }],
    };
    let more = [ActBody::BreakRecorded(result)];
    let plain = two_steady(25.0, &[], &[]);
    let untold = two_steady(25.0, &[broken(22.0, None)], &more);
    let told = two_steady(25.0, &[broken(22.0, Some(0.88))], &more);
    let passed = two_steady(25.0, &[broken(27.0, Some(1.08))], &more);
    let next = |one: &Forecast| one.break_from_at.expect("a time");
    assert!(next(&untold) > next(&plain) && next(&told) > next(&plain));
    assert!(next(&passed) < next(&plain));
    assert!(untold.likely_at > plain.likely_at && told.likely_at > plain.likely_at);
    assert!(untold.pass_probability_now < plain.pass_probability_now);
    // 22 MPa are 314 °C·h on the curve: 86 short of 400, so more than 1.5 h after they were pulled.
    assert!(
        untold.likely_at > Some(minute(580 + 90)),
        "{:?}",
        untold.likely_at
    );
}

#[test]
fn a_break_narrows_what_may_be() {
    let width = |one: &Forecast| {
        one.late_at
            .expect("late")
            .hours_since(one.early_at.expect("early"))
    };
    let more = [];
    let plain = two_steady(28.0, &[], &more);
    let told = two_steady(28.0, &[broken(25.0, Some(1.0))], &more);
    assert!(
        width(&told) < width(&plain),
        "{} {}",
        width(&told),
        width(&plain)
    );
}

#[test]
fn the_probability_of_passing_rises_through_the_night() {
    let (record, curve) = (record(None, &[]), prepared(0.06, 0.04));
    let mut before = -1.0;
    for minutes in [420, 480, 540, 600, 660, 720, 780, 900, 1020] {
        let paths = [steady(40.0, minutes)];
        let habits = unlearned(&record);
        let question = Question {
            record: &record,
            curve: &curve,
            paths: &paths,
            required_mpa: 25.0,
            enclosure: &[],
            breaks: &[],
            cvs: (0.06, 0.04),
            habits: &habits,
        };
        let got = forecast(&question.known(), minute(minutes));
        let probability = got.pass_probability_now.expect("a probability");
        assert!(
            probability >= before,
            "{probability} after {before} at minute {minutes}"
        );
        before = probability;
    }
    assert!(before > 0.9, "{before}");
}

#[test]
fn heat_that_was_switched_off_makes_the_line_later_than_heat_that_runs() {
    let plan = HeatPlan {
        on_at: Some(minute(0)),
        rise_c_per_h: None,
        soak_c: Some(55.0),
        off_at: Some(minute(1500)),
    };
    let curve = prepared(0.0, 0.0);
    let paths = [steady(40.0, 400)];
    let likely = |on: bool| {
        let record = record(Some(plan), &[ActBody::HeatSwitched { on }]);
        let habits = unlearned(&record);
        let question = Question {
            record: &record,
            curve: &curve,
            paths: &paths,
            required_mpa: strength_mpa(600.0),
            enclosure: &[],
            breaks: &[],
            cvs: (0.0, 0.0),
            habits: &habits,
        };
        forecast(&question.known(), minute(400))
            .likely_at
            .expect("a time")
    };
    assert!(likely(false) > likely(true).plus_hours(0.25));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn early_likely_and_late_stand_in_order_and_a_higher_strength_comes_later(
        start_c in 10.0..40.0f64,
        rise in -2.0..4.0f64,
        minutes in 60i64..900,
        asked in 120.0..1500.0f64,
        has_air in any::<bool>(),
        has_plan in any::<bool>(),
        second_is_believed in any::<bool>(),
    ) {
        let path: Vec<_> = (0..=minutes / 5)
            .map(|index| (minute(index * 5), (start_c + rise * index as f64 / 12.0).clamp(2.0, 75.0)))
            .collect();
        let plan = has_plan.then(|| HeatPlan {
            on_at: Some(minute(200)),
            rise_c_per_h: None,
            soak_c: Some(50.0),
            off_at: Some(minute(800)),
        });
        let (record, curve) = (record(plan, &[]), prepared(0.06, 0.04));
        let air = if has_air { path.clone() } else { Vec::new() };
        let paths = [path.clone(), path];
        let ask = |maturity: f64| {
            let habits = unlearned(&record);
            let question = Question {
                record: &record,
                curve: &curve,
                paths: &paths,
                required_mpa: strength_mpa(maturity),
                enclosure: &air,
                breaks: &[],
                cvs: (0.06, 0.04),
                habits: &habits,
            };
            let mut known = question.known();
            known.positions[1].believed = second_is_believed;
            forecast(&known, minute(minutes))
        };
        let (sooner, later) = (ask(asked), ask(asked * 1.1));
        let hours = |at: Option<UtcMs>| at.map_or(f64::INFINITY, |at| at.hours_since(minute(0)));
        for one in [&sooner, &later] {
            prop_assert!(hours(one.early_at) <= hours(one.likely_at));
            prop_assert!(hours(one.likely_at) <= hours(one.late_at));
            prop_assert!(one.late_at.is_some() == one.reason.is_none());
        }
        prop_assert!(hours(sooner.likely_at) <= hours(later.likely_at));
        prop_assert!(hours(sooner.late_at) <= hours(later.late_at));
        prop_assert!(hours(sooner.break_from_at) <= hours(later.break_from_at));
        prop_assert!(sooner.pass_probability_now >= later.pass_probability_now);
    }
}
