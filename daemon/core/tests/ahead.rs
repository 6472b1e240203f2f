//! What lies ahead, over whole pours: a person is called before a limit is passed, and a line that is
//! released too warm holds its pieces.

mod support;

use daemon_core::act::{Act, ActBody, ChannelBinding, ChannelRole, HeatPlan};
use daemon_core::ahead::HeatCounsel;
use daemon_core::config::{LimitSet, PlantConfig};
use daemon_core::limits::breach_id;
use daemon_core::{Plant, Reading};
use support::{act, at, broke, config, opened, ordinary_c, plant_of, reading, sign};

const NOW: i64 = 330;

/// A pour with heat from the third hour, wanted after fourteen.
fn opening() -> Act {
    let mut facts = opened();
    facts.heat_plan = Some(HeatPlan {
        on_at: Some(at(180)),
        rise_c_per_h: Some(20.0),
        soak_c: Some(75.0),
        off_at: Some(at(1200)),
    });
    facts.wanted_release_at = Some(at(840));
    act(1, 0, ActBody::PourOpened(Box::new(facts)))
}

fn plug(id: u128, channel: &str, role: ChannelRole) -> Act {
    let binding = ChannelBinding {
        channel: channel.into(),
        role,
        position: None,
        set: None,
        from_at: Some(at(0)),
    };
    act(id, 0, ActBody::PlugMoved(binding))
}

fn plant(limits: LimitSet, more: &[Act], until: i64) -> Plant {
    let limits = LimitSet {
        id: "spec".into(),
        source: "clause 8.3".into(),
        ..limits
    };
    let config = PlantConfig {
        limit_sets: vec![limits],
        ..config()
    };
    let mut acts = vec![
        opening(),
        plug(2, "air", ChannelRole::Enclosure),
        plug(3, "yard", ChannelRole::Ambient),
    ];
    acts.extend_from_slice(more);
    let concrete = |channel: usize, minute: i64| {
        let heated_h = ((minute - 180).max(0) as f64) / 60.0;
        ordinary_c(channel, minute.min(180)) + 45.0 * (1.0 - (-heated_h / 3.0).exp())
    };
    let readings: Vec<Reading> = (0..=until)
        .step_by(5)
        .flat_map(|minute| {
            let heated_h = ((minute - 180).max(0) as f64) / 60.0;
            let air_c = (20.0 + 20.0 * heated_h).min(75.0);
            let beds = (0..3).map(move |channel| {
                let name = format!("c{}", channel + 1);
                reading(&name, minute, concrete(channel, minute))
            });
            beds.chain([reading("air", minute, air_c), reading("yard", minute, 5.0)])
                .collect::<Vec<_>>()
        })
        .collect();
    plant_of(config, &acts, &readings)
}

fn with_max(limit_c: f64) -> Plant {
    let limits = LimitSet {
        concrete_c_max: Some(limit_c),
        ..LimitSet::default()
    };
    plant(limits, &[], NOW)
}

#[test]
fn a_person_is_called_while_less_heat_still_prevents_what_lies_ahead() {
    let troubles = with_max(62.0).assess(at(NOW)).troubles;
    assert!(troubles.iter().all(|one| one.kind != "too-hot"));
    let ahead = troubles.iter().find(|one| one.kind == "too-hot-ahead");
    let ahead = ahead.expect("it is likely to pass the limit");
    assert!(
        ahead.what.contains("62.0 °C (clause 8.3)"),
        "{}",
        ahead.what
    );
    assert!(ahead.place.is_some());
    let act = ahead.first_act.to_lowercase();
    assert!(act.contains("heat") && act.contains("tarp down"), "{act}");
    let far = with_max(105.0).assess(at(NOW)).troubles;
    assert!(far.iter().all(|one| one.kind != "too-hot-ahead"));
}

#[test]
fn a_limit_that_is_passed_already_is_told_once() {
    let troubles = with_max(30.0).assess(at(NOW)).troubles;
    assert!(troubles.iter().any(|one| one.kind == "too-hot"));
    assert!(troubles.iter().all(|one| one.kind != "too-hot-ahead"));
}

#[test]
fn heat_advice_comes_with_a_wanted_time_and_ends_with_the_cure() {
    let plant = with_max(105.0);
    let pour = plant.assess_pour("p", at(NOW)).expect("the pour");
    let heat = pour.ahead.heat.expect("it is wanted at a time");
    assert_eq!(heat.wanted_at, at(840));
    assert!((0.0..=1.0).contains(&heat.on_time_probability));
    if heat.counsel == HeatCounsel::OffFrom {
        assert!(heat.earliest_off_at.is_some_and(|off_at| off_at <= at(840)));
    }
    let stripped = act(9, NOW, ActBody::Stripped);
    let plant = self::plant(LimitSet::default(), &[stripped], NOW);
    let pour = plant.assess_pour("p", at(NOW)).expect("the pour");
    assert_eq!(pour.ahead.heat, None);
    assert!(pour.ahead.points.is_empty());
}

#[test]
fn a_line_that_is_released_warmer_than_allowed_holds_its_pieces_and_not_the_release() {
    let acts = [broke(10, 600, "A", [30.0, 30.5]), sign(11, 620, &[10])];
    let found = |above_c: f64| {
        let limits = LimitSet {
            released_above_yard_c_max: Some(above_c),
            ..LimitSet::default()
        };
        let plant = plant(limits, &acts, 620);
        plant.assess_pour("p", at(630)).expect("the pour")
    };
    let warm = found(20.0);
    let ids: Vec<String> = warm.breaches.iter().map(breach_id).collect();
    assert_eq!(
        ids,
        [
            "released-too-warm/P1",
            "released-too-warm/P2",
            "released-too-warm/P3"
        ]
    );
    assert!(warm.record.release.is_some());
    assert!(
        warm.piece_holds
            .iter()
            .all(|note| note.kind == "released-too-warm")
    );
    assert!(found(80.0).breaches.is_empty());
}
