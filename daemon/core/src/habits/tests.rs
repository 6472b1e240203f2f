//! What is learned counts only from when it became known, and little history moves little.

use proptest::prelude::*;

use super::*;
use crate::act::{Act, ActBody, PourOpened};

fn record() -> PourRecord {
    let position = |id: &str, station_m: f64| crate::act::Position {
        id: id.to_owned(),
        station_m,
        place: "web".to_owned(),
        depth_mm: None,
    };
    let opened = PourOpened {
        bed: "B1".to_owned(),
        line: None,
        layer: None,
        mix: "M".to_owned(),
        curve: None,
        from_station_m: 0.0,
        to_station_m: 100.0,
        first_placement_at: Some(UtcMs(0)),
        last_placement_at: Some(UtcMs(0)),
        required: Vec::new(),
        pieces: Vec::new(),
        positions: vec![position("A", 5.0), position("B", 50.0), position("C", 95.0)],
        channels: Vec::new(),
        loads: Vec::new(),
        cylinder_sets: Vec::new(),
        section: None,
        cementitious_kg_m3: None,
        fresh: None,
        heat_plan: None,
        without_heat: false,
        wanted_release_at: None,
        limit_set: None,
    };
    let act = Act {
        id: 1,
        recorded_at: UtcMs(0),
        happened_at: UtcMs(0),
        by: "qc".to_owned(),
        why: None,
        pour: "now".to_owned(),
        body: ActBody::PourOpened(Box::new(opened)),
    };
    PourRecord::fold([&act])
        .remove("now")
        .expect("the pour was opened")
}

fn summary(index: usize, hour: i64, value: f64) -> PourSummary {
    PourSummary {
        pour: format!("p{index}"),
        bed: if index.is_multiple_of(3) { "B2" } else { "B1" }.to_owned(),
        mix: if index.is_multiple_of(2) { "M" } else { "N" }.to_owned(),
        known_at: UtcMs(hour * 3_600_000),
        delay_ln: Some(value),
        heat_ln: Some(-value),
        positions: vec![PositionSummary {
            place: "web".to_owned(),
            zone: index % 3,
            film_ln: Some(value),
            lost_share: Some(0.2 * value),
        }],
        curve_breaks: Vec::new(),
        air: Some(AirSummary {
            values: [Some(0.7), None, Some(-1.0), Some(0.1 * value), Some(value)],
        }),
        heat: Some(HeatSummary {
            duration_h: 8.0 + value,
            is_censored: index.is_multiple_of(2),
            off_after_plan_h: Some(0.3 * value),
            outages_h: vec![1.0; index % 2],
            stopped_early: false,
        }),
        ratio_ln: Some(0.1 * value),
        trials: [Some(Trial {
            error_h: 0.1 * value,
            before_h: 0.2,
            after_h: 0.3,
        }); AHEAD_H.len()],
    }
}

proptest! {
    #[test]
    fn what_becomes_known_later_changes_no_earlier_expectation(
        values in prop::collection::vec((0i64..400, -1.0..1.0f64), 0..25),
        at_hour in 0i64..400,
    ) {
        let all: Vec<PourSummary> = values
            .iter()
            .enumerate()
            .map(|(index, (hour, value))| summary(index, *hour, *value))
            .collect();
        let now = UtcMs(at_hour * 3_600_000);
        let known: Vec<PourSummary> =
            all.iter().filter(|one| one.known_at <= now).cloned().collect();
        let record = record();
        let figures = |from: &[PourSummary]| {
            let habits = Habits::of(&record, from.iter(), now);
            format!("{:?} {:?}", habits.figures(), habits)
        };
        prop_assert_eq!(figures(&all), figures(&known));
    }
}

#[test]
fn one_pour_moves_an_expectation_by_a_quarter_and_many_by_nearly_all() {
    let record = record();
    let delay = |count: usize| {
        let summaries: Vec<PourSummary> =
            (0..count).map(|index| summary(2 * index, 1, 0.4)).collect();
        Habits::of(&record, summaries.iter(), UtcMs(7_200_000))
            .delay
            .mean
    };
    assert!((delay(0)).abs() < 1e-12);
    assert!((delay(1) - 0.1).abs() < 1e-9, "{}", delay(1));
    assert!(delay(60) > 0.37);
}

#[test]
fn a_summary_half_a_year_old_teaches_no_more() {
    let record = record();
    let old = [summary(2, 0, 0.4)];
    let at = UtcMs(0).plus_hours(24.0 * KEPT_DAYS);
    assert_eq!(Habits::of(&record, old.iter(), at).delay.count, 1);
    assert_eq!(
        Habits::of(&record, old.iter(), at.plus_hours(0.1))
            .delay
            .count,
        0
    );
}

#[test]
fn heat_without_a_plan_outlasts_what_past_nights_saw_of_it() {
    // Three nights ended while heat was on after 6 h; one lasted 10 h. Counting the three as whole
    // would say 6 h; the survival estimate says that nothing ends before 10 h.
    let heat = HeatHabits {
        durations: vec![(6.0, true), (6.0, true), (6.0, true), (10.0, false)],
        ..HeatHabits::default()
    };
    for uniform in [0.05, 0.5, 0.95] {
        assert!(heat.remaining_h(2.0, uniform) >= 8.0 - 1e-9, "{uniform}");
    }
    assert!(heat.remaining_h(12.0, 0.5) > 0.0);
    assert!(HeatHabits::default().remaining_h(1.0, 0.5).is_infinite());
}

#[test]
fn an_outage_is_the_less_likely_to_end_the_longer_it_lasts() {
    let heat = HeatHabits::default();
    let mut before = heat.resume_share(0.0);
    assert!((before - 0.5).abs() < 1e-9);
    for hours in [0.5, 1.0, 2.0, 4.0, 8.0] {
        let share = heat.resume_share(hours);
        assert!(share < before, "{hours} h: {share} after {before}");
        before = share;
    }
}
