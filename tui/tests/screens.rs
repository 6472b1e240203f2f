//! Whole screens as text at two sizes, and the styles of the cells whose colour means something.

mod support;

use std::time::Duration;

use crossterm::event::KeyCode;
use daemon_api::bed::StoreView;
use daemon_api::event::{PlantChange, PlantEvent};
use daemon_api::pour::AdvisoryView;
use ratatui::buffer::Buffer;
use ratatui::style::{Color, Modifier, Style};
use support::{Dashboard, LARGE, SMALL, break_of, forty_beds, minutes_ago, normal, text, troubled};
use tui::event::{Connection, Event, Loss, Page, PageAnswer, Request};
use tui::theme::Theme;

/// Captures the present screen at both sizes.
fn capture(name: &str, dashboard: &mut Dashboard) {
    for (size_name, size) in [("80x24", SMALL), ("140x45", LARGE)] {
        insta::assert_snapshot!(format!("{name}-{size_name}"), dashboard.screen(size));
    }
}

/// The style of the first cell of `words` on the screen.
fn style_of(buf: &Buffer, words: &str) -> Style {
    let screen = text(buf);
    let (y, line) = screen
        .lines()
        .enumerate()
        .find(|(_, line)| line.contains(words))
        .unwrap_or_else(|| panic!("\"{words}\" is not on the screen:\n{screen}"));
    let before = line
        .split(words)
        .next()
        .expect("the line has it")
        .chars()
        .count();
    let x = u16::try_from(before).expect("a column");
    buf[(x, u16::try_from(y).expect("a row"))].style()
}

fn lost() -> Event {
    Event::Connection(Connection::Lost {
        loss: Loss::Gone,
        retry_in: Duration::from_secs(10),
    })
}

#[test]
fn the_yard_of_a_normal_night() {
    capture("yard-normal", &mut Dashboard::of(normal()));
}

#[test]
fn the_yard_in_trouble() {
    capture("yard-trouble", &mut Dashboard::of(troubled()));
}

#[test]
fn a_bed_in_depth() {
    let mut dashboard = Dashboard::of(troubled());
    dashboard.open_bed("N1");
    capture("bed", &mut dashboard);
    dashboard.screen(SMALL);
    dashboard.key(KeyCode::PageDown);
    insta::assert_snapshot!("bed-second-page-80x24", dashboard.screen(SMALL));
}

#[test]
fn a_confirmed_bed_in_depth() {
    let mut dashboard = Dashboard::of(normal());
    dashboard.open_bed("N4");
    capture("bed-confirmed", &mut dashboard);
}

#[test]
fn troubles_sources_and_help() {
    let mut dashboard = Dashboard::of(troubled());
    for (key, name) in [('t', "troubles"), ('s', "sources"), ('?', "help")] {
        dashboard.key(KeyCode::Char(key));
        capture(name, &mut dashboard);
    }
}

#[test]
fn the_daemon_gone_leaves_the_last_with_its_age() {
    let mut dashboard = Dashboard::of(troubled());
    dashboard.wait(Duration::from_secs(7));
    dashboard.event(lost());
    dashboard.wait(Duration::from_secs(4));
    capture("daemon-gone", &mut dashboard);
    let buf = dashboard.draw(SMALL);
    let alarm = style_of(&buf, "DAEMON GONE");
    assert!(alarm.add_modifier.contains(Modifier::REVERSED));
    assert_eq!(alarm.fg, Some(Color::LightRed));
    // Its return takes the alarm away.
    dashboard.event(Event::Connection(Connection::Snapshot(
        Box::new(troubled()),
    )));
    assert!(!dashboard.screen(SMALL).contains("DAEMON GONE"));
}

#[test]
fn silence_on_an_open_stream_is_said_loudly_and_a_heartbeat_ends_it() {
    let mut dashboard = Dashboard::of(normal());
    dashboard.wait(Duration::from_secs(12));
    assert!(!dashboard.screen(SMALL).contains("NO WORD"));
    dashboard.wait(Duration::from_secs(90));
    capture("stale", &mut dashboard);
    dashboard.event(Event::Plant(Box::new(PlantEvent {
        sequence: 8,
        now: support::in_minutes(2),
        change: PlantChange::Heartbeat {},
    })));
    let screen = dashboard.screen(SMALL);
    assert!(
        !screen.contains("NO WORD") && screen.contains("data 0 s old"),
        "{screen}"
    );
}

#[test]
fn ages_follow_the_simulated_clock() {
    let mut snapshot = normal();
    snapshot.plant.simulated = true;
    snapshot.plant.clock_speed = 60.0;
    let mut dashboard = Dashboard::of(snapshot);
    dashboard.wait(Duration::from_secs(5));
    let screen = dashboard.screen(SMALL);
    assert!(
        screen.contains("SIMULATED ×60") && screen.contains("data 5 min old"),
        "{screen}"
    );
    assert!(screen.contains("02:19:00"), "{screen}");
}

#[test]
fn a_store_that_cannot_write_is_said_on_every_screen() {
    let mut snapshot = normal();
    snapshot.plant.store = StoreView {
        writing: false,
        problem: Some("no space left on the disk".to_owned()),
        since: Some(support::minutes_ago(6)),
    };
    let mut dashboard = Dashboard::of(snapshot);
    for key in ['y', 't', 's', 'n', '?'] {
        dashboard.key(KeyCode::Char(key));
        let screen = dashboard.screen(SMALL);
        assert!(
            screen.contains("NOTHING IS BEING RECORDED since 02:08: no space"),
            "{screen}"
        );
    }
}

#[test]
fn colour_marks_only_what_is_abnormal() {
    let mut dashboard = Dashboard::of(troubled());
    let buf = dashboard.draw(LARGE);
    assert_eq!(style_of(&buf, "P1 is at 162 °F").fg, Some(Color::LightRed));
    assert_eq!(style_of(&buf, "P3 has been silent").fg, Some(Color::Yellow));
    assert_eq!(style_of(&buf, "P2 reads 2 °F").fg, Some(Color::Gray));
    assert_eq!(
        style_of(&buf, "FAILED: 3300 psi of 3500 psi").fg,
        Some(Color::LightRed)
    );
    let passed = style_of(&buf, "passed: 3620 psi of 3500 psi");
    assert_eq!(
        passed.fg,
        Some(Color::Gray),
        "a pass is no permission and has no colour"
    );
    let normal_night = Dashboard::of(normal()).draw(LARGE);
    let has_failed_row = |y: u16| {
        text(&normal_night)
            .lines()
            .nth(y.into())
            .is_some_and(|line| line.contains("FAILED"))
    };
    for y in (0..normal_night.area.height).filter(|y| !has_failed_row(*y)) {
        for x in 0..normal_night.area.width {
            let fg = normal_night[(x, y)].fg;
            assert!(
                matches!(fg, Color::Reset | Color::Gray | Color::DarkGray),
                "{fg:?} at {x},{y}"
            );
        }
    }
}

#[test]
fn no_color_takes_every_colour_and_leaves_every_word() {
    for key in ['y', 't', 's', 'n', '?', 'r'] {
        let mut coloured = Dashboard::of(troubled());
        coloured.key(KeyCode::Char(key));
        let mut plain = Dashboard::of(troubled());
        plain.theme = Theme::from_no_color(Some("1".as_ref()));
        plain.key(KeyCode::Char(key));
        let buf = plain.draw(LARGE);
        assert_eq!(text(&buf), coloured.screen(LARGE));
        for cell in &buf.content {
            assert_eq!((cell.fg, cell.bg), (Color::Reset, Color::Reset));
        }
    }
    let mut bed = Dashboard::of(troubled());
    bed.theme = Theme::PLAIN;
    bed.open_bed("N1");
    assert!(
        bed.draw(LARGE)
            .content
            .iter()
            .all(|cell| cell.fg == Color::Reset)
    );
}

#[test]
fn the_chosen_row_is_reversed() {
    let mut dashboard = Dashboard::of(normal());
    dashboard.keys(&[KeyCode::Down, KeyCode::Down, KeyCode::Down]);
    let buf = dashboard.draw(SMALL);
    let style = style_of(&buf, "cylinders passed, not released");
    assert!(style.add_modifier.contains(Modifier::REVERSED));
    assert!(
        !style_of(&buf, "placing")
            .add_modifier
            .contains(Modifier::REVERSED)
    );
}

#[test]
fn more_beds_than_a_screen_holds_scroll_and_forty_keep_their_order() {
    let mut dashboard = Dashboard::of(forty_beds());
    let end = dashboard.screen(SMALL);
    assert!(!end.contains("more below"), "{end}");
    let mut many = forty_beds();
    for order in 40..80 {
        let name = format!("B{:02}", order + 1);
        many.beds
            .push(support::bed(order, &name, vec![support::pour(&name)]));
    }
    let mut crowded = Dashboard::of(many);
    let top = crowded.screen(SMALL);
    assert!(
        top.contains("B01") && top.contains("more below") && !top.contains("B80"),
        "{top}"
    );
    crowded.key(KeyCode::End);
    let end = crowded.screen(SMALL);
    assert!(
        end.contains("B80") && !end.contains("B01") && !end.contains("more below"),
        "{end}"
    );
    dashboard.key(KeyCode::End);
    let large = dashboard.screen(LARGE);
    let shown: Vec<&str> = large
        .lines()
        .filter_map(|line| line.split_whitespace().next())
        .filter(|word| word.starts_with('B'))
        .collect();
    assert!(shown.len() > 30 && shown.is_sorted(), "{large}");
}

#[test]
fn a_gap_in_a_series_is_left_empty() {
    let mut snapshot = normal();
    // The dashes of the limit would cross the gap.
    snapshot.beds[0].pours[0].limits.concrete_c_max = None;
    let mut dashboard = Dashboard::of(snapshot);
    dashboard.open_bed("N1");
    let mut answer = support::series("N1-77");
    answer.series.retain(|series| series.name == "P3");
    answer.strength.clear();
    answer.ahead.clear();
    dashboard.event(Event::Series {
        pour: "N1-77".to_owned(),
        answer: Ok(Box::new(answer)),
    });
    let screen = dashboard.screen(LARGE);
    let chart: Vec<Vec<char>> = screen
        .lines()
        .skip_while(|line| !line.contains("temperature °F"))
        .take(14)
        .map(|line| line.chars().take(70).collect())
        .collect();
    let is_drawn = |x: usize| {
        chart.iter().any(|line| {
            line.get(x)
                .is_some_and(|c| ('\u{2801}'..='\u{28ff}').contains(c))
        })
    };
    // P3 has no reading from 300 to 420 of 720 minutes.
    let plot_width = 84.0 - 1.0 - 6.0 - 14.0;
    let column = |minute: f64| {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a screen column"
        )]
        let column = (6.0 + minute / 720.0 * plot_width) as usize;
        column
    };
    assert!((column(20.0)..column(290.0)).all(is_drawn), "{screen}");
    assert!(!(column(315.0)..column(405.0)).any(is_drawn), "{screen}");
    assert!((column(430.0)..column(700.0)).all(is_drawn), "{screen}");
}

#[test]
fn a_clock_change_reads_right() {
    let mut snapshot = normal();
    // 01:14 daylight time on the night on which the clock goes back at 02:00.
    snapshot.plant.now = "2026-11-01T06:14:00Z".parse().expect("an instant");
    let forecast = &mut snapshot.beds[0].pours[0].forecast;
    forecast.early_at = "2026-11-01T06:40:00Z".parse().ok();
    forecast.likely_at = "2026-11-01T07:10:00Z".parse().ok();
    forecast.late_at = "2026-11-01T08:05:00Z".parse().ok();
    let mut dashboard = Dashboard::of(snapshot);
    for size in [SMALL, LARGE] {
        let screen = dashboard.screen(size);
        assert!(screen.contains("01:40 CDT–01:10 CST–02:05"), "{screen}");
        assert!(screen.contains("01:14:00 CDT"), "{screen}");
    }
}

#[test]
fn below_the_smallest_size_a_sentence_says_so() {
    let screen = Dashboard::of(normal()).screen((60, 20));
    insta::assert_snapshot!(screen.trim_end(), @"
    Nothing needs a person.
    N1: curing
    N2: placing
    N3: no pour
    N4: cylinders passed, not released
    S1: break due
    S2: break FAILED, curing
    tarplight needs 80 columns and 24 lines; this terminal has
    60 and 20. Make it larger, or use \"tarplight show\".
    ");
}

#[test]
fn no_screen_between_the_two_sizes_fails_to_draw() {
    for width in (80..=140).step_by(7) {
        for height in (24..=45).step_by(7) {
            let mut dashboard = Dashboard::of(troubled());
            for key in ['y', 't', 's', 'n', '?', 'r', 'b'] {
                dashboard.key(KeyCode::Esc);
                dashboard.key(KeyCode::Char('y'));
                dashboard.key(KeyCode::Char(key));
                assert!(dashboard.screen((width, height)).contains("Larkfield"));
            }
            dashboard.key(KeyCode::Esc);
            dashboard.open_bed("N1");
            assert!(
                dashboard
                    .screen((width, height))
                    .contains("only a passing set can confirm")
            );
        }
    }
}

#[test]
fn both_unit_systems_are_shown() {
    let mut dashboard = Dashboard::of(normal());
    assert!(dashboard.screen(SMALL).contains("3150/2860/3500"));
    dashboard.key(KeyCode::Char('u'));
    let screen = dashboard.screen(SMALL);
    assert!(
        screen.contains("21.7/19.7/24.1") && screen.contains("est/low/req MPa"),
        "{screen}"
    );
    assert!(
        screen.contains("now °C") && screen.contains("49..58"),
        "{screen}"
    );
}

#[test]
fn a_snapshot_renders_to_text() {
    let screen = tui::render_to_text(normal(), 80, 24);
    assert!(
        screen.contains("cylinders passed, not released"),
        "{screen}"
    );
}

#[test]
fn screens_say_of_cylinders_only_what_the_daemon_says() {
    let mut snapshot = normal();
    let pour = &mut snapshot.beds[5].pours[0];
    // A later set that passes by itself changes nothing: the daemon has judged them together.
    let later = break_of(25.0, true);
    pour.cylinder_sets[0].breaks.push(later);
    for size in [SMALL, LARGE] {
        let screen = Dashboard::of(snapshot.clone()).screen(size);
        let rows = screen.lines().skip_while(|line| !line.contains("S2 "));
        let row: String = rows.take(2).collect();
        assert!(
            row.contains("FAILED") && !row.contains("passed"),
            "{screen}"
        );
        assert!(screen.contains("break FAILED, curing"), "{screen}");
    }
}

#[test]
fn a_window_that_is_past_without_a_break_never_reads_as_an_arrival() {
    let mut snapshot = normal();
    let forecast = &mut snapshot.beds[0].pours[0].forecast;
    forecast.early_at = Some(minutes_ago(90));
    forecast.likely_at = Some(minutes_ago(60));
    forecast.late_at = Some(minutes_ago(20));
    forecast.unproven_since = forecast.likely_at;
    for size in [SMALL, LARGE] {
        let mut dashboard = Dashboard::of(snapshot.clone());
        let yard = dashboard.screen(size);
        assert!(yard.contains("01:14, not proven"), "{yard}");
        dashboard.key(KeyCode::Char('n'));
        let night = dashboard.screen(size);
        assert!(night.contains("01:14, not proven: break a set"), "{night}");
        dashboard.open_bed("N1");
        let bed = dashboard.screen(size);
        assert!(
            bed.contains("likely since 01:14, not proven: break a set"),
            "{bed}"
        );
        for screen in [yard, night, bed] {
            assert!(!screen.contains("00:44–01:14"), "{screen}");
        }
    }
}

#[test]
fn what_is_nearly_sure_is_never_said_to_be_sure() {
    let mut snapshot = normal();
    for (probability, words) in [(0.9996, "more than 99 %"), (0.0003, "less than 1 %")] {
        snapshot.beds[0].pours[0].forecast.pass_probability_now = Some(probability);
        let mut dashboard = Dashboard::of(snapshot.clone());
        dashboard.open_bed("N1");
        let screen = dashboard.screen(LARGE);
        assert!(
            screen.contains(words) && !screen.contains("100 %"),
            "{screen}"
        );
    }
}

#[test]
fn what_is_sent_by_command_is_not_said_to_be_down() {
    let mut snapshot = normal();
    let source = &mut snapshot.sources[0];
    source.source = "back-fill".to_owned();
    source.via = "csv".to_owned();
    source.up = false;
    snapshot.sources.truncate(1);
    let mut dashboard = Dashboard::of(snapshot);
    dashboard.key(KeyCode::Char('s'));
    let screen = dashboard.screen(SMALL);
    assert!(
        screen.contains("by command") && !screen.contains("DOWN"),
        "{screen}"
    );
}

#[test]
fn the_keys_at_the_foot_are_whole_or_left_out() {
    let mut dashboard = Dashboard::of(normal());
    dashboard.keys(&[KeyCode::Down, KeyCode::Down, KeyCode::Char('b')]);
    for width in 80..120 {
        let screen = dashboard.screen((width, 24));
        let foot = screen.trim_end().lines().last().unwrap_or_default();
        assert!(
            foot.contains("Esc put away") && !foot.contains('…'),
            "{foot}"
        );
    }
}

fn page(page: Page, answer: PageAnswer) -> Event {
    let answer = Ok(answer);
    Event::Page { page, answer }
}

/// The mixes of the contract's golden file.
fn mixes() -> Event {
    let text = include_str!("../../daemon/api/tests/golden/mixes.json");
    let answer = serde_json::from_str(text).expect("the golden file is an answer");
    page(Page::Mixes, PageAnswer::Mixes(Box::new(answer)))
}

#[test]
fn mixes_with_their_curves_and_the_last_breaks_against_them() {
    let mut dashboard = Dashboard::of(normal());
    let asked = dashboard.key(KeyCode::Char('m'));
    assert_eq!(asked, [Request::Page(Page::Mixes)]);
    assert!(dashboard.screen(SMALL).contains("Asking the daemon."));
    dashboard.event(mixes());
    capture("mixes", &mut dashboard);
    dashboard.event(Event::Page {
        page: Page::Mixes,
        answer: Err("it does not answer".to_owned()),
    });
    let screen = dashboard.screen(LARGE);
    assert!(
        screen.contains("may be old: it does not answer") && screen.contains("P-207"),
        "{screen}"
    );
}

#[test]
fn a_curve_that_only_advises_is_marked_in_the_yard_and_on_the_bed() {
    let mut plant = normal();
    let pour = &mut plant.beds[0].pours[0];
    pour.curve.advisory = Some(AdvisoryView {
        pour_count: 2,
        needed_count: 10,
        margin: 0.15,
    });
    let (bed, mix) = (pour.bed.clone(), format!("*{}", pour.mix));
    let mut dashboard = Dashboard::of(plant);
    for size in [SMALL, LARGE] {
        let yard = dashboard.screen(size);
        let row = yard.lines().find(|line| line.contains(&mix[..4]));
        assert!(row.is_some(), "{yard}");
    }
    assert!(dashboard.screen(LARGE).contains("* its curve only advises"));
    dashboard.open_bed(&bed);
    for size in [SMALL, LARGE] {
        let screen = dashboard.screen(size);
        assert!(screen.contains("The curve only advises here"), "{screen}");
    }
}
