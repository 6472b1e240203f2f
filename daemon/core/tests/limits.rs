//! Limits held against whole pours: breaches, piece holds, dispositions, and what the watch calls now.

mod support;

use daemon_core::act::{Act, ActBody, ChannelBinding, ChannelRole, HeatPlan, Load};
use daemon_core::assessment::{PourAssessment, Trouble};
use daemon_core::config::{LimitSet, PlantConfig};
use daemon_core::limits::{Limit, breach_id};
use daemon_core::{Plant, Reading};
use support::{
    act, at, binding, config, open_act, opened, ordinary_c, ordinary_night, plant_of, reading, sign,
};

/// The pour on a plant whose only limit set is this one.
fn plant(limits: LimitSet, acts: &[Act], readings: &[Reading]) -> Plant {
    let limits = LimitSet {
        id: "spec".into(),
        source: "clause 8.3".into(),
        ..limits
    };
    let config = PlantConfig {
        limit_set: None,
        limit_sets: vec![limits],
        ..config()
    };
    plant_of(config, acts, readings)
}

fn judged(plant: &Plant, minute: i64) -> PourAssessment {
    plant.assess_pour("p", at(minute)).expect("the pour")
}

fn ids(pour: &PourAssessment) -> Vec<String> {
    pour.breaches.iter().map(breach_id).collect()
}

fn troubles(plant: &Plant, minute: i64) -> Vec<Trouble> {
    plant.assess(at(minute)).troubles
}

fn kinds(plant: &Plant, minute: i64) -> Vec<String> {
    let troubles = troubles(plant, minute).into_iter();
    troubles.map(|one| one.kind.into_owned()).collect()
}

/// Every minute, so that rates have something to work on.
fn minutely(until: i64, temperature_c: impl Fn(usize, i64) -> f64) -> Vec<Reading> {
    (0..=until)
        .flat_map(|minute| (0..3).map(move |channel| (channel, minute)))
        .map(|(channel, minute)| {
            let value = (temperature_c(channel, minute) * 2.0).round() / 2.0;
            reading(&format!("c{}", channel + 1), minute, value)
        })
        .collect()
}

fn enclosure_binding() -> ActBody {
    ActBody::PlugMoved(ChannelBinding {
        channel: "air".into(),
        role: ChannelRole::Enclosure,
        position: None,
        set: None,
        from_at: Some(at(0)),
    })
}

fn heat(id: u128, minute: i64, on: bool) -> Act {
    act(id, minute, ActBody::HeatSwitched { on })
}

#[test]
fn the_ordinary_night_breaks_nothing() {
    let limits = LimitSet {
        concrete_c_max: Some(70.0),
        rise_c_per_h_max: Some(20.0),
        cooling_c_per_h_max: Some(20.0),
        difference_c_max: Some(20.0),
        concrete_c_min: Some(5.0),
        ..LimitSet::default()
    };
    let plant = plant(limits, &[open_act()], &minutely(900, ordinary_c));
    assert_eq!(ids(&judged(&plant, 900)), Vec::<String>::new());
}

#[test]
fn a_limit_that_was_broken_holds_the_pieces_and_a_limit_that_is_broken_calls_a_person() {
    let limits = LimitSet {
        concrete_c_max: Some(60.0),
        ..LimitSet::default()
    };
    let peak = |channel: usize, minute: i64| {
        let bump_c = 8.0 * (1.0 - (minute - 430).abs() as f64 / 60.0).max(0.0);
        ordinary_c(channel, minute) + if channel == 1 { bump_c } else { 0.0 }
    };
    let plant = plant(limits, &[open_act()], &minutely(700, peak));
    assert!(kinds(&plant, 445).contains(&"too-hot".to_owned()));
    let pour = judged(&plant, 700);
    assert_eq!(ids(&pour), ["too-hot/P2"]);
    assert!(
        pour.piece_holds[0].text.contains("clause 8.3"),
        "{:?}",
        pour.piece_holds
    );
    assert!(pour.release_holds.iter().all(|hold| hold.kind != "too-hot"));
    assert!(
        !kinds(&plant, 700).contains(&"too-hot".to_owned()),
        "it is over"
    );
}

#[test]
fn an_engineers_disposition_with_its_number_lifts_the_hold_and_never_barred_detensioning() {
    let limits = LimitSet {
        concrete_c_max: Some(50.0),
        ..LimitSet::default()
    };
    let broken = support::broke(7, 16 * 60 - 5, "A", [45.0, 46.0]);
    let mut plant = plant(limits, &[open_act(), broken], &ordinary_night(16 * 60));
    let now = 16 * 60;
    let pour = judged(&plant, now);
    assert!(!pour.piece_holds.is_empty());
    plant
        .check_act(&sign(9, now, &[7]), at(now))
        .expect("piece holds bar no release");
    let disposed = |id, number: &str, hold: &str, may_ship| Act {
        why: Some("peak within the mix's approval".into()),
        ..act(
            id,
            now + 1,
            ActBody::HoldDisposed {
                hold: hold.into(),
                number: number.into(),
                may_ship,
            },
        )
    };
    let refused = |act: &Act| plant.check_act(act, at(now + 1)).expect_err("refused").code;
    assert_eq!(
        refused(&disposed(20, "D-7", "too-hot/P9", true)),
        "unknown-hold"
    );
    assert_eq!(
        refused(&disposed(20, "", "too-hot/P1", true)),
        "number-missing"
    );
    let held = disposed(20, "D-7", "too-hot/P1", false);
    plant
        .check_act(&held, at(now + 1))
        .expect("it may be recorded");
    plant.take_act(held);
    let text = judged(&plant, now + 2).piece_holds[0].text.clone();
    assert!(text.contains("D-7"), "{text}");
    for (id, place) in [(21, "P1"), (22, "P2"), (23, "P3")] {
        plant.take_act(disposed(id, "D-8", &format!("too-hot/{place}"), true));
    }
    let pour = judged(&plant, now + 2);
    assert!(pour.piece_holds.is_empty(), "{:?}", pour.piece_holds);
    let settled = pour
        .cautions
        .iter()
        .filter(|one| one.kind == "breach-disposed");
    assert!(settled.count() >= 1, "it stays in sight");
}

#[test]
fn a_rise_that_is_too_fast_is_found_and_named_with_its_clause() {
    let limits = LimitSet {
        rise_c_per_h_max: Some(20.0),
        ..LimitSet::default()
    };
    let steep = |channel: usize, minute: i64| {
        let rate = if channel == 2 { 25.0 } else { 15.0 };
        21.0 + rate * (minute - 240).clamp(0, 90) as f64 / 60.0
    };
    let plant = plant(limits, &[open_act()], &minutely(400, steep));
    let first = (240..=400)
        .find(|minute| kinds(&plant, *minute).contains(&"heating-too-fast".to_owned()))
        .expect("it is found");
    assert!((240..=260).contains(&first), "found at minute {first}");
    assert_eq!(ids(&judged(&plant, 400)), ["heating-too-fast/P3"]);
}

#[test]
fn the_preset_counts_from_the_batch_of_the_last_load_unless_initial_set_is_recorded() {
    let limits = LimitSet {
        preset_h_min: Some(3.0),
        ..LimitSet::default()
    };
    let load = |id, ticket: &str, batched: i64| {
        let load = Load {
            ticket: ticket.into(),
            batched_at: Some(at(batched)),
            placed_from_at: at(batched + 20),
            placed_to_at: at(batched + 40),
            from_station_m: 0.0,
            to_station_m: 90.0,
        };
        act(id, batched + 60, ActBody::LoadPlaced(load))
    };
    let acts = [
        open_act(),
        load(2, "1", 0),
        load(3, "2", 60),
        heat(4, 230, true),
    ];
    let night = minutely(300, ordinary_c);
    let early = plant(limits.clone(), &acts, &night);
    let pour = judged(&early, 232);
    assert_eq!(ids(&pour), ["heated-too-early"]);
    assert!(
        pour.breaches[0].detail.contains("batch time"),
        "{:?}",
        pour.breaches
    );
    assert!((pour.breaches[0].worst - 170.0 / 60.0).abs() < 1e-9);
    assert!(kinds(&early, 232).contains(&"heated-too-early".to_owned()));
    assert!(
        !kinds(&early, 241).contains(&"heated-too-early".to_owned()),
        "the preset is over"
    );
    let mut set = acts.to_vec();
    set.push(act(5, 225, ActBody::InitialSetReached));
    let known = plant(limits, &set, &night);
    assert!(ids(&judged(&known, 300)).is_empty());
}

#[test]
fn a_limit_stated_for_one_pour_goes_before_the_sets_and_names_who_stated_it() {
    let limits = LimitSet {
        concrete_c_max: Some(70.0),
        ..LimitSet::default()
    };
    let stated = Act {
        why: Some("letter 12".into()),
        ..act(
            2,
            70,
            ActBody::LimitStated {
                limit: Limit::ConcreteMax,
                value: Some(50.0),
            },
        )
    };
    let plant = plant(
        limits,
        &[open_act(), stated.clone()],
        &minutely(600, ordinary_c),
    );
    let pour = judged(&plant, 600);
    assert!(
        pour.piece_holds[0]
            .text
            .contains("letter 12, stated by Q. Person")
    );
    let refused = |change: &dyn Fn(&mut Act)| {
        let mut act = stated.clone();
        change(&mut act);
        plant.check_act(&act, at(600)).expect_err("refused").code
    };
    assert_eq!(refused(&|act| act.why = None), "reason-needed");
    assert_eq!(
        refused(&|act| {
            act.body = ActBody::LimitStated {
                limit: Limit::ConcreteMax,
                value: Some(700.0),
            };
        }),
        "limit-out-of-range"
    );
}

#[test]
fn after_the_heat_is_off_time_and_fall_until_detensioning_are_limited() {
    let limits = LimitSet {
        heat_off_h_max: Some(1.0),
        heat_off_fall_c_max: Some(5.0),
        ..LimitSet::default()
    };
    let falling = |channel, minute: i64| {
        ordinary_c(channel, minute.min(400)) - 6.0 * (minute - 400).max(0) as f64 / 60.0
    };
    let acts = [open_act(), heat(2, 200, true), heat(3, 400, false)];
    let plant = plant(limits, &acts, &minutely(480, falling));
    assert!(ids(&judged(&plant, 440)).is_empty());
    let late = ids(&judged(&plant, 480));
    assert!(late.contains(&"heat-off-too-long".to_owned()), "{late:?}");
    assert!(late.contains(&"fell-too-far/P1".to_owned()), "{late:?}");
}

#[test]
fn readings_that_come_late_ring_no_bell_but_are_breaches_all_the_same() {
    let limits = LimitSet {
        concrete_c_max: Some(60.0),
        ..LimitSet::default()
    };
    let mut night = minutely(600, ordinary_c);
    night.retain(|one| {
        let minute = one.measured_at.map_or(0, |at| (at.0 - at_zero()) / 60_000);
        !(one.channel.as_ref() == "c2" && (300..420).contains(&minute))
    });
    let mut plant = plant(limits, &[open_act()], &night);
    assert!(ids(&judged(&plant, 600)).is_empty());
    for minute in 300..420 {
        let bump = 8.0 - (minute - 360_i64).abs() as f64 / 7.5;
        plant.take_reading(&reading(
            "c2",
            minute,
            ordinary_c(1, minute) + bump.max(0.0),
        ));
    }
    assert_eq!(ids(&judged(&plant, 600)), ["too-hot/P2"]);
    assert!(!kinds(&plant, 600).contains(&"too-hot".to_owned()));
}

fn at_zero() -> i64 {
    at(0).0
}

/// Air under the tarp each minute.
fn air(from: i64, to: i64, temperature_c: impl Fn(i64) -> f64) -> Vec<Reading> {
    (from..=to)
        .map(|minute| reading("air", minute, temperature_c(minute)))
        .collect()
}

#[test]
fn falling_air_under_a_heated_tarp_calls_a_person_unless_the_tarp_was_lifted_just_now() {
    let acts = vec![
        open_act(),
        act(2, 62, enclosure_binding()),
        heat(3, 240, true),
    ];
    let mut night = minutely(420, ordinary_c);
    night.extend(air(0, 420, |minute| match minute {
        ..240 => 15.0,
        240..360 => 15.0 + (minute - 240) as f64 / 3.0,
        _ => 55.0 - (minute - 360) as f64 / 3.0,
    }));
    let open = plant(LimitSet::default(), &acts, &night);
    assert!(!kinds(&open, 355).contains(&"losing-heat".to_owned()));
    assert!(kinds(&open, 390).contains(&"losing-heat".to_owned()));
    let mut lifted = acts.clone();
    lifted.push(act(4, 362, ActBody::TarpMoved { lifted: true }));
    let lifted = plant(LimitSet::default(), &lifted, &night);
    assert!(
        !kinds(&lifted, 390).contains(&"losing-heat".to_owned()),
        "it is known"
    );
    let late = troubles(&lifted, 400);
    let losing = late
        .iter()
        .find(|one| one.kind == "losing-heat")
        .expect("quiet ends");
    assert!(losing.what.contains("lifted for 38 min"), "{}", losing.what);
}

/// Concrete and air, minute by minute, of a night by another model than the forecast's: two layers, heat
/// from minute 240 on up to 50 °C, and hydration that has given half its heat after a day at 20 °C.
fn heated_night(until: usize) -> (Vec<f64>, Vec<f64>) {
    let (mut core, mut skin, mut air, mut hydrated, mut warm_h) = (21.0, 21.0, 15.0, 0.0, 0.0);
    let hours = 1.0 / 60.0;
    let (mut concrete_c, mut air_c) = (Vec::new(), Vec::new());
    for minute in 0..=until {
        concrete_c.push(core);
        air_c.push(air);
        let speed = 2f64.powf((core - 20.0) / 12.0);
        warm_h += hours * speed;
        let start = (warm_h / 6.0_f64).powi(2).min(1.0);
        let rate = 0.03 * start * (1.0 - hydrated) * speed;
        hydrated += rate * hours;
        let set_c = (15.0 + (minute as f64 - 240.0) / 4.0).clamp(15.0, 50.0);
        core += hours * (1.1 * (skin - core) + 44.0 * rate);
        skin += hours * (1.1 * (core - skin) + 0.45 * (air - skin) + 44.0 * rate);
        air += hours * 3.0 * (set_c - air);
    }
    (concrete_c, air_c)
}

#[test]
fn a_stretch_that_falls_behind_its_heat_balance_calls_a_person_though_the_air_shows_nothing() {
    let mut facts = opened();
    let mut fourth = facts.positions[2].clone();
    (fourth.id, fourth.station_m) = ("P4".to_owned(), 25.0);
    facts.positions.push(fourth);
    facts.channels.push(binding("c4", "P4"));
    let acts = vec![
        act(1, 61, ActBody::PourOpened(Box::new(facts))),
        act(2, 62, enclosure_binding()),
        heat(3, 240, true),
    ];
    // From minute 540 on the tarp is off over the second position, where the concrete cools by 2 °C/h.
    let (concrete_c, air_c) = heated_night(700);
    let night = |lost_c_per_min: f64| {
        let read = |channel: usize, minute: i64| {
            let lost_min = if channel == 1 {
                (minute - 540).max(0)
            } else {
                0
            };
            concrete_c[minute as usize] - lost_c_per_min * lost_min as f64
        };
        let mut night = minutely(700, read);
        night.extend((0..=700).map(|minute| reading("c4", minute, read(3, minute))));
        night.extend(air(0, 700, |minute| air_c[minute as usize]));
        night
    };
    let kind = "local-heat-loss".to_owned();
    let whole = plant(LimitSet::default(), &acts, &night(0.0));
    let torn = plant(LimitSet::default(), &acts, &night(2.0 / 60.0));
    for minute in (240..=700).step_by(20) {
        assert!(!kinds(&whole, minute).contains(&kind), "at {minute}");
    }
    assert!(!kinds(&torn, 550).contains(&kind), "too early to know");
    let troubles = troubles(&torn, 650);
    let local = troubles.iter().find(|one| one.kind == kind);
    let local = local.unwrap_or_else(|| panic!("{troubles:?}"));
    assert!(local.what.starts_with("P2 (at "), "{}", local.what);
    let began_min = (local.since.0 - at_zero()) / 60_000;
    assert!((500..=570).contains(&began_min), "since {began_min}");
    let mut lifted = acts;
    lifted.push(act(4, 640, ActBody::TarpMoved { lifted: true }));
    let lifted = plant(LimitSet::default(), &lifted, &night(2.0 / 60.0));
    assert!(!kinds(&lifted, 650).contains(&kind), "it is known");
}

#[test]
fn heat_that_does_not_come_and_heat_that_does_not_go_call_a_person() {
    let mut facts = opened();
    facts.heat_plan = Some(HeatPlan {
        on_at: Some(at(240)),
        off_at: Some(at(500)),
        ..HeatPlan::default()
    });
    let opening = act(1, 61, ActBody::PourOpened(Box::new(facts)));
    let acts = vec![opening, act(2, 62, enclosure_binding())];
    let mut night = minutely(620, ordinary_c);
    night.extend(air(0, 620, |minute| 15.0 + 0.1 * (minute % 3) as f64));
    let none = plant(LimitSet::default(), &acts, &night);
    assert!(!kinds(&none, 255).contains(&"heat-not-started".to_owned()));
    assert!(kinds(&none, 262).contains(&"heat-not-started".to_owned()));
    let mut cold = acts.clone();
    cold.push(heat(3, 250, true));
    let cold = plant(LimitSet::default(), &cold, &night);
    let found = troubles(&cold, 275);
    let trouble = found
        .iter()
        .find(|one| one.kind == "heat-not-started")
        .expect("cold air");
    assert!(
        trouble.what.contains("warmed by 0.1 °C only"),
        "{}",
        trouble.what
    );
    assert!(kinds(&cold, 525).contains(&"heat-still-on".to_owned()));
    let mut off = acts;
    off.extend([heat(3, 250, true), heat(4, 505, false)]);
    let off = plant(LimitSet::default(), &off, &night);
    assert!(!kinds(&off, 560).contains(&"heat-still-on".to_owned()));
}

#[test]
fn a_silent_logger_explains_its_channels() {
    let mut config = config();
    config.loggers = vec![daemon_core::config::Logger {
        id: "L1".into(),
        channels: vec!["c1".into(), "c2".into(), "c3".into()],
    }];
    let mut plant = Plant::new(config);
    plant.take_act(open_act());
    for reading in minutely(300, ordinary_c) {
        plant.take_reading(&reading);
    }
    let found = troubles(&plant, 330);
    let cause = found
        .iter()
        .find(|one| one.kind == "logger-silent")
        .expect("a cause");
    let silent: Vec<_> = found
        .iter()
        .filter(|one| one.kind == "sensor-silent")
        .collect();
    assert_eq!(silent.len(), 3);
    assert!(
        silent
            .iter()
            .all(|one| one.explained_by == Some(cause.id())),
        "{silent:?}"
    );
    assert!(
        !found.iter().any(|one| one.kind == "bed-silent"),
        "the logger explains it"
    );
}

#[test]
fn a_spike_that_nobody_believes_asks_for_a_look_and_holds_no_piece() {
    let set = LimitSet {
        concrete_c_max: Some(70.0),
        source: "clause 5".into(),
        ..LimitSet::default()
    };
    // A loose wire: one channel jumps to 90 °C for four hours and comes back.
    let read = |channel: usize, minute: i64| {
        let is_loose = channel == 1 && (300..540).contains(&minute);
        if is_loose {
            90.0
        } else {
            ordinary_c(channel, minute)
        }
    };
    let spiked = plant(set, &[open_act()], &minutely(600, read));
    let pour = spiked.assess_pour("p", at(600)).expect("it is known");
    assert!(pour.piece_holds.is_empty(), "{:?}", pour.piece_holds);
    let told = pour.cautions.iter().find(|one| one.kind == "not-believed");
    let told = &told.expect("it is never silent").text;
    assert!(told.starts_with("P2 reached 90.0"), "{told}");
    let look = troubles(&spiked, 600);
    let look = look.iter().find(|one| one.kind == "unproven-high");
    assert_eq!(look.expect("a look").place.as_deref(), Some("P2"));

    // The engineer finds that it was true.
    let mut held = act(
        9,
        590,
        ActBody::HoldDisposed {
            hold: "too-hot/P2".into(),
            number: "E-7".into(),
            may_ship: false,
        },
    );
    held.why = Some("probed: it was hot".into());
    let set = LimitSet {
        concrete_c_max: Some(70.0),
        source: "clause 5".into(),
        ..LimitSet::default()
    };
    let said = plant(set, &[open_act(), held], &minutely(600, read));
    let pour = said.assess_pour("p", at(600)).expect("it is known");
    assert_eq!(pour.piece_holds.len(), 1, "{:?}", pour.piece_holds);
}

#[test]
fn a_sensor_struck_by_steam_breaks_no_rate_by_readings_that_are_not_its_concretes() {
    let set = LimitSet {
        rise_c_per_h_max: Some(22.0),
        source: "clause 6".into(),
        ..LimitSet::default()
    };
    // It is washed free at 05:00: it rises by 40 °C/h, faster than any concrete beside it, and flutters.
    let read = |channel: usize, minute: i64| {
        let own_c = ordinary_c(channel, minute);
        if channel == 1 && minute >= 300 {
            let risen_c =
                (f64::from(u32::try_from(minute - 300).unwrap_or(0)) * 40.0 / 60.0).min(30.0);
            own_c + risen_c + if minute % 2 == 0 { 1.5 } else { -1.5 }
        } else {
            own_c
        }
    };
    let struck = plant(set, &[open_act()], &minutely(480, read));
    let pour = struck.assess_pour("p", at(480)).expect("it is known");
    assert!(pour.piece_holds.is_empty(), "{:?}", pour.piece_holds);
}

#[test]
fn an_air_sensor_that_stands_still_while_concrete_moves_is_stuck_and_rings_for_no_lost_heat() {
    let acts = [
        open_act(),
        act(2, 62, enclosure_binding()),
        heat(3, 120, true),
    ];
    let air_c = |minute: i64| match minute {
        // It sticks at 300 and comes back at 420, colder: the air had fallen slowly.
        300..420 => 60.0,
        _ => {
            (20.0 + 0.3 * (minute - 120).max(0) as f64).min(60.0)
                - if minute >= 420 { 8.0 } else { 0.0 }
                + 0.1 * (minute % 3) as f64
        }
    };
    let mut night = minutely(480, ordinary_c);
    night.extend(air(0, 480, air_c));
    let plant = plant(LimitSet::default(), &acts, &night);
    let stuck = troubles(&plant, 400);
    let stuck = stuck.iter().find(|one| one.kind == "sensor-stuck");
    let stuck = stuck.expect("the air sensor is watched");
    assert_eq!(stuck.urgency, daemon_core::assessment::Urgency::Soon);
    assert!(
        stuck.what.contains("the concrete moved by"),
        "{}",
        stuck.what
    );
}
