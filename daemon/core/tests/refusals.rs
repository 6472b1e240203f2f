//! Acts that may not be recorded: the rule that each one breaks, and nothing from the future.

mod support;

use daemon_core::act::{
    Act, ActBody, HeatPlan, Load, Piece, Placement, PourCorrected, PourOpened, Requirement,
    SetStorage, Stoppage, StrengthAct,
};
use daemon_core::config::Logger;
use daemon_core::{Plant, act_check::RefusalKind};
use proptest::prelude::*;
use support::{act, at, binding, broke, config, open_act, opened, plant_with, set};

const NOW: i64 = 600;

type Spoil = fn(&mut PourOpened);

fn refusal(plant: &Plant, act: &Act) -> (RefusalKind, &'static str) {
    let refused = plant
        .check_act(act, at(NOW))
        .expect_err("it must be refused");
    assert!(
        refused.detail.len() > 20,
        "a sentence says what to do: {}",
        refused.detail
    );
    (refused.kind, refused.code)
}

fn load(ticket: &str) -> Load {
    Load {
        ticket: ticket.into(),
        batched_at: Some(at(0)),
        placed_from_at: at(10),
        placed_to_at: at(20),
        from_station_m: 0.0,
        to_station_m: 30.0,
    }
}

#[test]
fn an_opening_is_refused_for_each_thing_that_is_wrong_with_it() {
    let cases: Vec<(&str, Spoil)> = vec![
        ("pour-without-length", |facts| {
            facts.to_station_m = facts.from_station_m
        }),
        ("named-twice", |facts| {
            facts.loads = vec![load("T1"), load("T1")]
        }),
        ("named-twice", |facts| {
            facts.cylinder_sets[1].set = "A".into()
        }),
        ("named-twice", |facts| {
            let piece = Piece {
                mark: "DT-1".into(),
                from_station_m: 0.0,
                to_station_m: 10.0,
                required: Vec::new(),
            };
            facts.pieces = vec![piece.clone(), piece];
        }),
        ("off-the-stations", |facts| {
            facts.pieces = vec![Piece {
                mark: "DT-1".into(),
                from_station_m: 0.0,
                to_station_m: 95.0,
                required: Vec::new(),
            }];
        }),
        ("no-release-strength", |facts| {
            // Only the first piece has one, and P2 and P3 lie beyond it.
            facts.pieces = vec![Piece {
                mark: "DT-1".into(),
                from_station_m: 0.0,
                to_station_m: 10.0,
                required: std::mem::take(&mut facts.required),
            }];
        }),
        ("implausible-strength", |facts| {
            facts.required.push(Requirement {
                act: StrengthAct::Ship,
                strength_mpa: f64::NAN,
            });
        }),
        ("not-a-measure", |facts| {
            facts.cementitious_kg_m3 = Some(f64::INFINITY)
        }),
        ("not-a-measure", |facts| {
            facts.positions[0].depth_mm = Some(-1.0)
        }),
        ("implausible-temperature", |facts| {
            facts.heat_plan = Some(HeatPlan {
                soak_c: Some(140.0),
                ..HeatPlan::default()
            });
        }),
        ("heat-plan-backwards", |facts| {
            facts.heat_plan = Some(HeatPlan {
                on_at: Some(at(9)),
                off_at: Some(at(8)),
                ..HeatPlan::default()
            });
        }),
        ("heat-planned-without-heat", |facts| {
            facts.heat_plan = Some(HeatPlan::default());
            facts.without_heat = true;
        }),
        ("set-empty", |facts| {
            facts.cylinder_sets[0].specimens.clear()
        }),
        ("match-cured-without-position", |facts| {
            facts.cylinder_sets[0].storage = SetStorage::MatchCured;
        }),
        ("unknown-position", |facts| {
            facts.cylinder_sets[0].follows_position = Some("P9".into());
        }),
        ("binding-without-set", |facts| {
            facts.channels[0].role = daemon_core::act::ChannelRole::Specimen;
            facts.channels[0].set = Some("Z".into());
        }),
        ("channel-missing", |facts| {
            facts.channels[0].channel = " ".into()
        }),
        ("future-act", |facts| {
            facts.channels[0].from_at = Some(at(NOW + 5))
        }),
        ("load-batched-late", |facts| {
            facts.loads = vec![Load {
                batched_at: Some(at(15)),
                ..load("T1")
            }];
        }),
        ("ticket-missing", |facts| facts.loads = vec![load("")]),
    ];
    let plant = Plant::new(config());
    for (code, spoil) in cases {
        let mut facts = opened();
        spoil(&mut facts);
        let spoilt = act(1, 61, ActBody::PourOpened(Box::new(facts)));
        assert_eq!(refusal(&plant, &spoilt).1, code);
    }
    let mut nameless = open_act();
    nameless.pour.clear();
    assert_eq!(
        refusal(&plant, &nameless),
        (RefusalKind::Invalid, "pour-missing")
    );
}

#[test]
fn a_correction_is_held_to_the_rules_of_an_opening() {
    let plant = plant_with(&[open_act()], &[]);
    let cases = [
        (
            "unknown-mix",
            PourCorrected {
                mix: Some("M99".into()),
                ..PourCorrected::default()
            },
        ),
        (
            "off-the-stations",
            PourCorrected {
                to_station_m: Some(20.0),
                ..PourCorrected::default()
            },
        ),
        (
            "binding-without-position",
            PourCorrected {
                positions: Some(Vec::new()),
                ..PourCorrected::default()
            },
        ),
        (
            "no-release-strength",
            PourCorrected {
                required: Some(Vec::new()),
                ..PourCorrected::default()
            },
        ),
    ];
    for (code, correction) in cases {
        let mut corrected = act(5, 70, ActBody::PourCorrected(Box::new(correction)));
        corrected.why = Some("typed wrong".into());
        assert_eq!(refusal(&plant, &corrected).1, code);
    }
    let missing = PourCorrected {
        curve: Some("sha256:0".into()),
        ..PourCorrected::default()
    };
    let mut corrected = act(5, 70, ActBody::PourCorrected(Box::new(missing)));
    assert_eq!(refusal(&plant, &corrected).1, "reason-needed");
    corrected.why = Some("typed wrong".into());
    let cautions = plant
        .check_act(&corrected, at(NOW))
        .expect("an unknown curve is no refusal");
    assert!(
        cautions.iter().any(|text| text.contains("no estimate")),
        "{cautions:?}"
    );
}

#[test]
fn a_break_is_refused_for_each_thing_that_is_wrong_with_it() {
    let plant = plant_with(&[open_act(), broke(7, 300, "A", [20.0, 20.0])], &[]);
    let spoilt = |spoil: fn(&mut daemon_core::act::BreakResult)| {
        let mut broken = broke(8, 500, "B", [30.0, 30.0]);
        if let ActBody::BreakRecorded(result) = &mut broken.body {
            spoil(result);
        }
        refusal(&plant, &broken).1
    };
    assert_eq!(spoilt(|result| result.specimens.clear()), "no-specimens");
    assert_eq!(
        spoilt(|result| result.specimens[0].specimen = "A1".into()),
        "unknown-specimen"
    );
    assert_eq!(
        spoilt(|result| result.specimens[0].specimen = "B2".into()),
        "specimen-broken-twice"
    );
    assert_eq!(
        spoilt(|result| result.specimens[0].strength_mpa = None),
        "no-result"
    );
    assert_eq!(
        spoilt(|result| result.specimens[0].load_kn = Some(200.0)),
        "strength-and-load"
    );
    assert_eq!(
        spoilt(|result| {
            result.specimens[0].strength_mpa = None;
            result.specimens[0].load_kn = Some(45_000.0);
        }),
        "implausible-load"
    );
    assert_eq!(
        spoilt(|result| result.pulled_at = Some(at(501))),
        "tested-before-pulled"
    );
    assert_eq!(
        spoilt(|result| result.pulled_at = Some(at(-1))),
        "tested-before-placed"
    );
    let again = act(9, 500, ActBody::CylindersMade(set("A")));
    assert_eq!(
        refusal(&plant, &again),
        (RefusalKind::WrongState, "set-already-broken")
    );
    let mut sampled = set("D");
    sampled.loads = vec!["T9".into()];
    let made = act(9, 500, ActBody::CylindersMade(sampled));
    let cautions = plant
        .check_act(&made, at(NOW))
        .expect("its ticket may come later");
    assert!(
        cautions.iter().any(|text| text.contains("T9")),
        "{cautions:?}"
    );
}

#[test]
fn a_strength_in_the_wrong_unit_is_asked_back() {
    let plant = plant_with(&[open_act()], &[]);
    let typed = broke(8, 500, "B", [4350.0, 4400.0]);
    let refused = plant.check_act(&typed, at(NOW)).expect_err("it is in psi");
    assert!(
        refused.detail.contains("did you mean 4350 psi?"),
        "{}",
        refused.detail
    );
}

#[test]
fn a_stoppage_must_end_after_it_began_and_lie_on_the_pour() {
    let plant = plant_with(&[open_act()], &[]);
    let stood = |station_m, from, to| {
        let stoppage = Stoppage {
            station_m,
            from_at: at(from),
            to_at: at(to),
        };
        let placement = Placement {
            stoppages: vec![stoppage],
            ..Placement::default()
        };
        refusal(&plant, &act(5, 70, ActBody::PlacementRecorded(placement))).1
    };
    assert_eq!(stood(10.0, 20, 10), "stoppage-backwards");
    assert_eq!(stood(99.0, 10, 20), "off-the-stations");
}

#[test]
fn an_abandoned_pour_takes_nothing_more_and_frees_its_stations_and_channels() {
    let mut given_up = act(5, 70, ActBody::Abandoned);
    given_up.why = Some("opened on the wrong bed".into());
    let plant = plant_with(&[open_act(), given_up], &[]);
    let broken = broke(8, 500, "B", [30.0, 30.0]);
    assert_eq!(
        refusal(&plant, &broken),
        (RefusalKind::WrongState, "pour-finished")
    );
    let mut again = open_act();
    again.pour = "q".into();
    plant
        .check_act(&again, at(NOW))
        .expect("the same bed may be opened again");
}

/// Every kind of act with one of its past instants moved to `minute`.
fn acts_at(minute: i64) -> Vec<Act> {
    let opening = |change: &dyn Fn(&mut PourOpened)| {
        let mut facts = opened();
        facts.channels.clear();
        change(&mut facts);
        let mut opening = act(
            5,
            61,
            ActBody::PourOpened(Box::new(PourOpened {
                bed: "B2".into(),
                ..facts
            })),
        );
        opening.pour = "q".into();
        opening
    };
    let stoppage = Stoppage {
        station_m: 10.0,
        from_at: at(10),
        to_at: at(minute),
    };
    let placed = |placement| act(5, 70, ActBody::PlacementRecorded(placement));
    let mut pulled = broke(5, minute, "B", [30.0, 30.0]);
    pulled.happened_at = at(70);
    let mut plug = binding("c9", "P1");
    plug.from_at = Some(at(minute));
    let last_load = Load {
        placed_to_at: at(minute),
        ..load("T1")
    };
    vec![
        opening(&|facts| facts.last_placement_at = Some(at(minute))),
        opening(&|facts| facts.loads = vec![last_load.clone()]),
        opening(&|facts| {
            facts.channels = vec![plug.clone()];
        }),
        reasoned(act(
            5,
            70,
            ActBody::PourCorrected(Box::new(PourCorrected {
                channels: Some(vec![plug.clone()]),
                ..PourCorrected::default()
            })),
        )),
        placed(Placement {
            last_at: Some(at(minute)),
            ..Placement::default()
        }),
        placed(Placement {
            stoppages: vec![stoppage],
            ..Placement::default()
        }),
        act(5, 70, ActBody::LoadPlaced(last_load)),
        act(5, 70, ActBody::PlugMoved(plug)),
        pulled,
        act(5, minute, ActBody::HeatSwitched { on: true }),
        act(5, minute, ActBody::TarpMoved { lifted: true }),
        act(5, minute, ActBody::CylindersMade(set("D"))),
        act(
            5,
            minute,
            ActBody::CylindersPulled {
                set: "B".into(),
                specimens: Vec::new(),
            },
        ),
        act(
            5,
            minute,
            ActBody::HandProbed {
                position: "P1".into(),
                temperature_c: 40.0,
            },
        ),
        reasoned(act(
            5,
            minute,
            ActBody::PositionExcluded {
                position: "P1".into(),
            },
        )),
    ]
}

fn reasoned(act: Act) -> Act {
    Act {
        why: Some("its sensor reads air".into()),
        ..act
    }
}

#[test]
fn every_one_of_these_acts_is_accepted_in_the_past() {
    let plant = plant_with(&[open_act()], &[]);
    for act in acts_at(300) {
        plant
            .check_act(&act, at(NOW))
            .unwrap_or_else(|refused| panic!("{act:?}: {refused:?}"));
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn no_act_is_accepted_whose_times_are_in_the_future(ahead in 2i64..1_000_000, which in 0usize..15) {
        let plant = plant_with(&[open_act()], &[]);
        let act = &acts_at(NOW + ahead)[which];
        prop_assert_eq!(refusal(&plant, act), (RefusalKind::Invalid, "future-act"));
    }
}

#[test]
fn a_channel_that_no_logger_has_is_a_caution_that_names_it() {
    let mut config = config();
    config.loggers = vec![Logger {
        id: "L".to_owned(),
        channels: opened()
            .channels
            .iter()
            .map(|one| one.channel.clone())
            .collect(),
    }];
    let plant = Plant::new(config.clone());
    let about_loggers = |cautions: Vec<String>| {
        let about = cautions
            .into_iter()
            .filter(|one| one.contains("[[logger]]"));
        about.collect::<Vec<_>>()
    };
    let accepted = plant.check_act(&open_act(), at(NOW)).expect("accepted");
    assert!(about_loggers(accepted).is_empty());

    let mut slipped = opened();
    slipped.channels[0].channel = "c9".to_owned();
    let slipped = act(1, 61, ActBody::PourOpened(Box::new(slipped)));
    let cautions = about_loggers(plant.check_act(&slipped, at(NOW)).expect("accepted"));
    assert!(
        cautions.len() == 1 && cautions[0].contains("\"c9\""),
        "{cautions:?}"
    );
    let mut plant = Plant::new(config);
    plant.take_act(open_act());
    let moved = act(5, 70, ActBody::PlugMoved(binding("c9", "P1")));
    let cautions = about_loggers(plant.check_act(&moved, at(NOW)).expect("accepted"));
    assert_eq!(cautions.len(), 1);
}
