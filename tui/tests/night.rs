//! The night on one line of time: readable with a few beds and with forty, never without the cylinders.

mod support;

use crossterm::event::KeyCode;
use support::{Dashboard, LARGE, SMALL, forty_beds, in_minutes, minutes_ago, normal, troubled};

fn night(mut dashboard: Dashboard) -> Dashboard {
    dashboard.key(KeyCode::Char('n'));
    dashboard
}

/// The row of a bed.
fn row(screen: &str, bed: &str) -> String {
    screen
        .lines()
        .find(|line| line.chars().skip(1).collect::<String>().starts_with(bed))
        .unwrap_or_else(|| panic!("{bed} is not on the screen:\n{screen}"))
        .to_owned()
}

/// The column of a sign in a row.
fn column(row: &str, sign: char) -> usize {
    row.chars()
        .position(|c| c == sign)
        .unwrap_or_else(|| panic!("no {sign} in \"{row}\""))
}

#[test]
fn every_forecast_stands_on_one_line_of_time_beside_the_cylinders() {
    let mut dashboard = night(Dashboard::of(troubled()));
    for (name, size) in [("80x24", SMALL), ("140x45", LARGE)] {
        let screen = dashboard.screen(size);
        for line in screen.lines().skip(3).filter(|line| line.contains('◆')) {
            let states = ["no break yet", "passed", "FAILED"];
            assert!(
                states.iter().any(|state| line.contains(state)),
                "{line}\n{screen}"
            );
        }
        insta::assert_snapshot!(format!("night-{name}"), screen);
    }
}

#[test]
fn signs_stand_in_the_order_of_their_times() {
    let mut snapshot = normal();
    let pour = &mut snapshot.beds[0].pours[0];
    pour.forecast.early_at = Some(in_minutes(60));
    pour.forecast.likely_at = Some(in_minutes(120));
    pour.forecast.late_at = Some(in_minutes(200));
    pour.forecast.break_from_at = Some(in_minutes(170));
    pour.wanted_release_at = Some(in_minutes(240));
    let screen = night(Dashboard::of(snapshot)).screen(LARGE);
    let row = row(&screen, "N1");
    let columns = ['│', '├', '◆', 'B', '┤', 'W'].map(|sign| column(&row, sign));
    assert!(columns.is_sorted(), "{columns:?}\n{row}");
}

#[test]
fn a_window_that_leaves_the_line_ends_in_an_arrow() {
    let mut snapshot = normal();
    let pour = &mut snapshot.beds[0].pours[0];
    pour.forecast.early_at = Some(minutes_ago(900));
    pour.forecast.late_at = None;
    let screen = night(Dashboard::of(snapshot)).screen(SMALL);
    let row = row(&screen, "N1");
    assert!(
        row.contains('←') && row.contains('→') && !row.contains('┤'),
        "{row}"
    );
    assert!(column(&row, '←') < column(&row, '◆'), "{row}");
}

#[test]
fn forty_beds_scroll_on_the_line_of_time_and_open_in_depth() {
    let mut dashboard = night(Dashboard::of(forty_beds()));
    let top = dashboard.screen(SMALL);
    assert!(
        top.contains("B01") && top.contains("more below") && !top.contains("B40"),
        "{top}"
    );
    dashboard.key(KeyCode::End);
    let end = dashboard.screen(SMALL);
    assert!(end.contains("B40") && !end.contains("more below"), "{end}");
    dashboard.key(KeyCode::Enter);
    let bed = dashboard.screen(SMALL);
    assert!(
        bed.contains("B40 curing") && bed.contains("lower bound"),
        "{bed}"
    );
}

#[test]
fn the_hours_are_those_of_the_plants_clock() {
    let screen = night(Dashboard::of(normal())).screen(LARGE);
    let hours = screen.lines().nth(1).unwrap_or_default();
    let shown: Vec<&str> = hours.split_whitespace().take(3).collect();
    // It is 02:14 at the plant, and the earliest window begins later.
    assert_eq!(shown, ["01", "02", "03"], "{screen}");
}
