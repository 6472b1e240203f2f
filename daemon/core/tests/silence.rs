//! Channels that say nothing: when too few are read, what a person left out, which source explains it.

mod support;

use daemon_core::act::ActBody;
use daemon_core::assessment::{Trouble, Urgency};
use daemon_core::plant::PlantAssessment;
use daemon_core::trouble::explain_by_source;
use support::{
    act, at, config, open_act, opened, ordinary_night, plant_of, plant_with, reading,
    specimen_binding,
};

/// P1 read to the end, P2 until 03:20, P3 until 02:30; asked at 06:00.
fn falling_silent(more: &[daemon_core::act::Act]) -> PlantAssessment {
    let until = |channel: &str| match channel {
        "c1" => 360,
        "c2" => 200,
        _ => 150,
    };
    let readings: Vec<_> = ordinary_night(360)
        .into_iter()
        .filter(|reading| reading.received_at <= at(until(&reading.channel)))
        .collect();
    let acts: Vec<_> = [open_act()].iter().chain(more).cloned().collect();
    plant_with(&acts, &readings).assess(at(360))
}

fn of_kind<'a>(found: &'a PlantAssessment, kind: &str) -> Vec<&'a Trouble> {
    let troubles = found.troubles.iter();
    troubles.filter(|one| one.kind == kind).collect()
}

#[test]
fn too_few_positions_are_read_since_the_first_that_was_one_too_many_fell_silent() {
    let found = falling_silent(&[]);
    let few = of_kind(&found, "too-few-positions");
    assert_eq!(few.len(), 1, "{:?}", found.troubles);
    assert_eq!(few[0].what, "Only 1 of 3 positions is read.");
    assert_eq!(few[0].since, at(200));
}

#[test]
fn where_nothing_is_read_it_says_none() {
    let readings: Vec<_> = ordinary_night(150);
    let found = plant_with(&[open_act()], &readings).assess(at(360));
    let few = of_kind(&found, "too-few-positions");
    assert_eq!(few[0].what, "None of 3 positions is read.");
    assert_eq!(few[0].since, at(150));
}

#[test]
fn what_a_person_left_out_is_missed_by_nobody() {
    let mut left_out = act(
        9,
        300,
        ActBody::PositionExcluded {
            position: "P3".into(),
        },
    );
    left_out.why = Some("its wire is cut".into());
    let found = falling_silent(&[left_out]);
    let silent = of_kind(&found, "sensor-silent");
    let places: Vec<_> = silent.iter().map(|one| one.place.as_deref()).collect();
    assert_eq!(places, [Some("P2")]);
    let few = of_kind(&found, "too-few-positions");
    assert_eq!(few[0].what, "Only 1 of 2 positions is read.");
    assert_eq!(
        few[0].explained_by,
        Some(silent[0].id()),
        "one cause rings once"
    );
}

#[test]
fn a_source_that_is_down_explains_the_silence_of_its_channels_and_of_no_others() {
    let readings: Vec<_> = ordinary_night(150);
    let found = plant_with(&[open_act()], &readings).assess(at(360));
    let down = Trouble {
        kind: "source-down".into(),
        urgency: Urgency::Soon,
        bed: None,
        pour: None,
        place: Some("bed 1 logger".into()),
        what: "No readings come from bed 1 logger: unplugged.".into(),
        since: at(150),
        first_act: "Check the cable.".into(),
        explained_by: None,
    };
    let explained = |brings: &dyn Fn(&str) -> bool| {
        let mut troubles = found.troubles.clone();
        for trouble in &mut troubles {
            trouble.explained_by = None;
        }
        explain_by_source(&config(), &found.pours, &down, brings, &mut troubles);
        let explained = troubles.iter().filter(|one| one.explained_by.is_some());
        let mut kinds: Vec<_> = explained.map(|one| one.kind.to_string()).collect();
        kinds.sort();
        kinds
    };
    let all = explained(&|_| true);
    let silent = "sensor-silent";
    assert_eq!(
        all,
        ["bed-silent", silent, silent, silent, "too-few-positions"]
    );
    assert_eq!(explained(&|channel| channel != "c3"), [silent, silent]);
    assert!(explained(&|_| false).is_empty());
}

#[test]
fn the_plants_limit_set_is_for_pours_where_nobody_names_one() {
    let mut config = config();
    config.limit_set = Some("plant".into());
    let mut of_plant = config.limit_sets[0].clone();
    of_plant.id = "plant".into();
    of_plant.concrete_c_max = Some(60.0);
    config.limit_sets.push(of_plant);
    let limits_on = |bed: &str, named: Option<&str>| {
        let mut facts = opened();
        facts.bed = bed.into();
        facts.limit_set = named.map(Into::into);
        let acts = [act(1, 61, ActBody::PourOpened(Box::new(facts)))];
        let plant = plant_of(config.clone(), &acts, &[reading("c1", 60, 21.0)]);
        plant.limits(&plant.pours()["p"]).map(|set| set.id)
    };
    assert_eq!(limits_on("B2", None).as_deref(), Some("plant"));
    assert_eq!(
        limits_on("B1", None).as_deref(),
        Some("spec"),
        "the bed's own"
    );
    assert_eq!(limits_on("B1", Some("plant")).as_deref(), Some("plant"));
}

#[test]
fn cylinders_sensor_may_be_silent_until_the_cylinders_are_made() {
    let mut facts = opened();
    facts.last_placement_at = Some(at(90));
    facts.channels.push(specimen_binding("companion", "A"));
    let opening = act(1, 61, ActBody::PourOpened(Box::new(facts)));
    let plant = plant_with(&[opening], &ordinary_night(360));
    let silent_at = |minute: i64| {
        let found = plant.assess(at(minute));
        let places = of_kind(&found, "sensor-silent").into_iter();
        places
            .filter_map(|one| one.place.clone())
            .collect::<Vec<_>>()
    };
    assert!(silent_at(140).is_empty(), "{:?}", silent_at(140));
    assert_eq!(silent_at(200), ["companion"]);
}

#[test]
fn a_start_explains_the_silence_before_it_and_no_silence_that_lasts() {
    let mut plant = plant_with(&[open_act()], &ordinary_night(150));
    plant.listens_since(at(360), Some(at(151)));
    // Nothing came for three and a half hours, because nobody listened.
    let found = plant.assess(at(361));
    assert!(found.troubles.is_empty(), "{:?}", found.troubles);
    // A stale value is shown as stale all the same.
    let verdict = found.pours[0].positions[0].trust.verdict;
    assert_eq!(verdict, daemon_core::assessment::Verdict::NoData);
    let found = plant.assess(at(376));
    assert!(!of_kind(&found, "sensor-silent").is_empty());
    assert!(!of_kind(&found, "too-few-positions").is_empty());
    // What was silent while somebody still listened is told at once: its alarm goes on.
    plant.listens_since(at(360), Some(at(359)));
    let found = plant.assess(at(361));
    assert!(!of_kind(&found, "sensor-silent").is_empty());
}

#[test]
fn a_plug_that_was_moved_is_missed_where_it_was_and_since_then_by_nobody() {
    let acts = [
        open_act(),
        act(2, 62, ActBody::PlugMoved(specimen_binding("c9", "A"))),
        // Where P3 was plugged in, nothing reads it for a while; then the specimens' plug does.
        act(3, 200, ActBody::PlugMoved(specimen_binding("c3", "A"))),
    ];
    let mut night = ordinary_night(360);
    night.extend((62..=250).map(|minute| reading("c9", minute, 30.0)));
    let unbound = plant_with(&acts, &night).assess(at(240));
    let found = of_kind(&unbound, "position-unbound");
    assert_eq!(found[0].since, at(200), "since its plug was moved");

    let mut acts = acts.to_vec();
    acts.push(act(
        4,
        250,
        ActBody::PlugMoved(support::binding("c9", "P3")),
    ));
    night.extend((251..=360).map(|minute| reading("c9", minute, 30.0)));
    let moved = plant_with(&acts, &night).assess(at(360));
    let silent = of_kind(&moved, "sensor-silent");
    assert!(silent.is_empty(), "{silent:?}");
}

#[test]
fn a_logger_set_back_is_one_cause_and_not_a_conflict_of_each_channel() {
    let mut config = config();
    config.loggers = vec![daemon_core::config::Logger {
        id: "L1".into(),
        channels: ["c1", "c2", "c3"].map(str::to_owned).to_vec(),
    }];
    let mut night = ordinary_night(200);
    // It was set back by twenty minutes, and stamps them again.
    let again = ordinary_night(206)
        .into_iter()
        .filter(|one| one.received_at > at(200))
        .map(|one| daemon_core::reading::Reading {
            measured_at: Some(daemon_core::time::UtcMs(one.identity_at().0 - 20 * 60_000)),
            ..one
        });
    night.extend(again);
    let found = support::plant_of(config, &[open_act()], &night).assess(at(206));
    let causes = of_kind(&found, "logger-conflict");
    assert_eq!(causes.len(), 1, "{:?}", found.troubles);
    let each = of_kind(&found, "sensor-conflict");
    assert_eq!(each.len(), 3);
    let id = Some(causes[0].id());
    assert!(each.iter().all(|one| one.explained_by == id));
}
