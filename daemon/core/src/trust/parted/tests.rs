//! Stretches of known nights in which a sensor was away.

use super::*;

fn night(shift: impl Fn(i64) -> f64) -> Vec<(UtcMs, f64)> {
    read_every(5, shift)
}

/// Twelve hours that warm by 1.8 °C/h.
fn read_every(step: usize, shift: impl Fn(i64) -> f64) -> Vec<(UtcMs, f64)> {
    (0..720)
        .step_by(step)
        .map(|minute| {
            let celsius = 20.0 + 0.03 * minute as f64 + shift(minute);
            (UtcMs(minute * 60_000), celsius)
        })
        .collect()
}

fn found(paths: &[Vec<(UtcMs, f64)>]) -> Vec<Partings> {
    found_by(paths, 720)
}

fn found_by<'a>(paths: &'a [Vec<(UtcMs, f64)>], minute: i64) -> Vec<Partings> {
    let aged = |path: &'a Vec<(UtcMs, f64)>| {
        Some(Aged {
            readings: path,
            zero_at: UtcMs(0),
            reads_air: false,
        })
    };
    let sources: Vec<_> = paths.iter().map(aged).collect();
    partings(&sources, UtcMs(minute * 60_000))
}

fn with_others(odd: impl Fn(i64) -> f64) -> [Vec<(UtcMs, f64)>; 4] {
    [night(|_| 0.0), night(|_| 1.0), night(|_| -1.0), night(odd)]
}

/// The same read each minute, beside two others.
fn beside_two(odd: impl Fn(i64) -> f64) -> [Vec<(UtcMs, f64)>; 3] {
    [
        read_every(1, |_| 1.0),
        read_every(1, |_| -1.0),
        read_every(1, odd),
    ]
}

fn minutes(at: UtcMs) -> i64 {
    at.0 / 60_000
}

#[test]
fn a_wire_that_reads_air_for_two_hours_is_left_out_for_these() {
    let loose = |minute: i64| {
        if (300..420).contains(&minute) {
            -12.0
        } else {
            0.0
        }
    };
    let paths = with_others(loose);
    let found = found(&paths);
    assert!(
        found[..3].iter().all(|one| one.stretches.is_empty()),
        "{found:?}"
    );
    let [(from, to)] = found[3].stretches[..] else {
        panic!("{found:?}");
    };
    assert!(
        (270..=305).contains(&minutes(from)) && (415..=440).contains(&minutes(to)),
        "{found:?}"
    );
    assert!(!found[3].is_parted());
    assert!(found[3].without(&paths[3]).iter().all(|one| one.1 > 19.0));
}

#[test]
fn air_that_warms_through_the_concretes_temperature_is_not_back() {
    // It falls by 4 °C, is heated past the concrete at 12 °C/h more than that, and comes back.
    let loose = |minute: i64| match minute {
        300..600 => -4.0 + 0.2 * (minute - 360).max(0) as f64,
        _ => 0.0,
    };
    let paths = with_others(loose);
    let found = found(&paths);
    let [(from, to)] = found[3].stretches[..] else {
        panic!("{found:?}");
    };
    assert!(
        (280..=305).contains(&minutes(from)) && (595..=620).contains(&minutes(to)),
        "{found:?}"
    );
}

#[test]
fn a_wire_that_came_loose_while_nothing_was_read_is_found_afterwards() {
    let mut paths = with_others(|minute| if minute > 360 { 15.0 } else { 0.0 });
    for path in &mut paths {
        path.retain(|one| !(300..450).contains(&minutes(one.0)));
    }
    let found = found(&paths);
    assert!(
        found[..3].iter().all(|one| one.stretches.is_empty()),
        "{found:?}"
    );
    assert!(found[3].is_parted(), "{found:?}");
    let kept = found[3].without(&paths[3]);
    assert!(kept.iter().all(|one| minutes(one.0) < 300), "{kept:?}");
}

#[test]
fn nothing_that_was_read_beside_the_concrete_is_kept_at_the_edges() {
    // Steam until three minutes into a point that is concrete for the rest of it.
    let steam_c = |minute: i64| {
        if (303..488).contains(&minute) {
            12.0
        } else {
            0.0
        }
    };
    let paths = beside_two(steam_c);
    let found = found(&paths);
    assert!(!found[2].is_parted(), "{found:?}");
    let kept = found[2].without(&paths[2]);
    let is_steam = |one: &(UtcMs, f64)| steam_c(minutes(one.0)) > 0.0;
    assert!(kept.len() > 450 && !kept.iter().any(is_steam), "{found:?}");
}

#[test]
fn one_that_left_slowly_and_jumped_back_was_away_all_the_while() {
    // It falls behind by 4 °C/h, as under a lost tarp, and then is where the others led.
    let slow = |minute: i64| match minute {
        300..480 => -4.0 * (minute - 300) as f64 / 60.0,
        _ => 0.0,
    };
    let paths = with_others(slow);
    let found = found(&paths);
    let [(from, to)] = found[3].stretches[..] else {
        panic!("{found:?}");
    };
    assert!(
        minutes(from) <= 360 && (475..=500).contains(&minutes(to)),
        "{found:?}"
    );
}

/// What a thermostat's air does about its mean, read each minute.
fn swing_c(minute: i64) -> f64 {
    1.3 * (minute as f64 * std::f64::consts::TAU / 3.7).sin()
}

#[test]
fn one_that_flutters_has_parted_without_a_jump_until_it_is_back() {
    // It slides off by 2 °C/h, stands still from 480 on as air may, and is back from 540 on.
    let loose = |minute: i64| match minute {
        300..480 => swing_c(minute) - (minute - 300) as f64 / 30.0,
        480..540 => -6.0,
        _ => 0.0,
    };
    let paths = beside_two(loose);
    let until = |minute: i64| {
        let known = paths.each_ref().map(|path| {
            let end = path.partition_point(|one| one.0 <= UtcMs(minute * 60_000));
            path[..end].to_vec()
        });
        found_by(&known, minute).remove(2)
    };
    assert!(!until(310).is_parted());
    // The verdict outlasts the swinging.
    for minute in [350, 450, 530] {
        let since = until(minute).flutters_from().map(minutes);
        assert!(
            since.is_some_and(|since| (270..=305).contains(&since)),
            "{minute}: {since:?}"
        );
    }
    let found = until(719);
    assert!(!found.is_parted(), "{found:?}");
    let kept = found.without(&paths[2]);
    let is_loose = |one: &(UtcMs, f64)| (310..540).contains(&minutes(one.0));
    assert!(kept.len() > 400 && !kept.iter().any(is_loose), "{found:?}");
}

#[test]
fn air_that_swings_through_the_concretes_temperature_is_not_back() {
    let loose = |minute: i64| if minute < 300 { 0.0 } else { swing_c(minute) };
    let paths = beside_two(loose);
    let found = found(&paths);
    assert!(found[2].flutters_from().is_some(), "{found:?}");
}

#[test]
fn one_that_never_was_in_concrete_has_not_parted_when_its_air_begins_to_swing() {
    // Cold air until the heat comes on.
    let air = |minute: i64| if minute < 300 { -15.0 } else { swing_c(minute) };
    let paths = beside_two(air);
    let sources = paths.each_ref().map(|path| {
        Some(Aged {
            readings: path,
            zero_at: UtcMs(0),
            reads_air: path[0].1 < 10.0,
        })
    });
    let found = partings(&sources, UtcMs(400 * 60_000));
    assert!(found.iter().all(|one| !one.is_parted()), "{found:?}");
}

#[test]
fn what_all_channels_do_is_the_loggers_flutter() {
    let noisy = |_| read_every(1, |minute| if minute < 300 { 0.0 } else { swing_c(minute) });
    let paths: Vec<_> = (0..3).map(noisy).collect();
    let found = found(&paths);
    assert!(
        found.iter().all(|one| one.stretches.is_empty()),
        "{found:?}"
    );
}

#[test]
fn one_that_came_back_a_moment_ago_is_still_parted() {
    let loose = |minute: i64| {
        if (300..700).contains(&minute) {
            -12.0
        } else {
            0.0
        }
    };
    let found = found(&with_others(loose));
    assert!(found[3].is_parted(), "{found:?}");
}

#[test]
fn a_stretch_that_slowly_cools_is_believed() {
    let found = found(&with_others(|minute| -0.1 * (minute - 300).max(0) as f64));
    assert!(
        found.iter().all(|one| one.stretches.is_empty()),
        "{found:?}"
    );
}

#[test]
fn what_befalls_all_at_once_parts_nobody() {
    let cold = |minute: i64| if minute > 300 { -12.0 } else { 0.0 };
    let paths = [night(cold), night(cold), night(cold), night(cold)];
    assert!(found(&paths).iter().all(|one| one.stretches.is_empty()));
}

#[test]
fn with_one_other_position_nothing_is_left_out() {
    let loose = |minute: i64| if minute > 300 { -12.0 } else { 0.0 };
    let found = found(&[night(|_| 0.0), night(loose)]);
    assert!(
        found.iter().all(|one| one.stretches.is_empty()),
        "{found:?}"
    );
}
