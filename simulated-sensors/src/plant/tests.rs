//! Whole nights of the plant: plausible, cold at the ends, troubled by faults, and breakable.

use chrono::Duration;

use super::*;
use crate::fault::Fault;

fn quiet() -> Scenario {
    let mut scenario = Scenario::eight_beds().expect("scenario");
    scenario.random_faults.bed_count = 0;
    scenario.random_faults.sensor_count = 0;
    scenario.random_faults.logger_count = 0;
    scenario
}

fn night() -> NaiveDate {
    "2026-11-24".parse().expect("date")
}

fn run_until(plant: &mut Plant, until: DateTime<Utc>) {
    while plant.now < until {
        plant.advance();
    }
}

fn fault(kind: FaultKind, target: &str, from_at: DateTime<Utc>, hours: i64) -> Fault {
    Fault {
        kind,
        target: target.to_owned(),
        from_at,
        until_at: from_at + Duration::hours(hours),
        offset_s: None,
        span_m: None,
    }
}

/// When the slowest position of each bed has its required strength.
fn ready_at(plant: &mut Plant) -> Vec<Option<DateTime<Utc>>> {
    let mut ready = vec![None; plant.beds.len()];
    let ends_at = plant.now + Duration::hours(22);
    while plant.now < ends_at {
        plant.advance();
        for (ready, bed) in ready.iter_mut().zip(&plant.beds) {
            let required_mpa = bed.plan.required_release_mpa;
            let is_ready = bed
                .truths()
                .all(|(_, truth)| truth.is_some_and(|truth| truth.strength_mpa >= required_mpa));
            if is_ready {
                ready.get_or_insert(plant.now);
            }
        }
    }
    ready
}

#[test]
fn quiet_nights_reach_release_strength_in_the_small_hours() {
    for seed in [1, 2, 3] {
        let mut plant = Plant::new(quiet(), seed, night());
        let ready = ready_at(&mut plant);
        for (bed, ready_at) in plant.beds.iter().zip(ready) {
            let early = bed.plan.wanted_release_at - Duration::hours(5);
            let late = bed.plan.wanted_release_at + Duration::hours(3);
            let ready_at = ready_at.expect("ready within the night");
            assert!(
                early < ready_at && ready_at < late,
                "seed {seed}, bed {}: ready at {ready_at}",
                bed.plan.bed_id
            );
        }
    }
}

#[test]
fn concrete_stays_within_what_a_plant_would_see() {
    let mut plant = Plant::new(quiet(), 5, night());
    let ends_at = plant.now + Duration::hours(20);
    let mut peak_c = f64::MIN;
    while plant.now < ends_at {
        plant.advance();
        for bed in &plant.beds {
            for (channel, truth) in bed.truths() {
                let Some(truth) = truth else { continue };
                assert!(
                    (-5.0..80.0).contains(&truth.temperature_c),
                    "{channel}: {truth:?}"
                );
                assert!((0.0..1.0).contains(&truth.alpha), "{channel}: {truth:?}");
                peak_c = peak_c.max(truth.temperature_c);
            }
        }
    }
    assert!(peak_c > 45.0, "the hottest concrete reached only {peak_c}");
}

#[test]
fn positions_near_the_ends_are_colder_than_the_middle() {
    let mut plant = Plant::new(quiet(), 5, night());
    run_until(&mut plant, "2026-11-25T07:00:00Z".parse().expect("instant"));
    let bed = &plant.beds[2];
    let mut truths = bed
        .truths()
        .map(|(_, truth)| truth.expect("placed").temperature_c);
    let end_c = truths.next().expect("end");
    let middle_c = truths.next().expect("middle");
    assert!(end_c < middle_c - 2.0, "end {end_c}, middle {middle_c}");
}

#[test]
fn a_lost_tarp_and_a_boiler_trip_cool_their_own_beds_only() {
    let from_at: DateTime<Utc> = "2026-11-25T05:00:00Z".parse().expect("instant");
    let mut calm = Plant::new(quiet(), 9, night());
    let mut struck = Plant::new(quiet(), 9, night());
    struck
        .faults
        .add(fault(FaultKind::TarpOff, "N1", from_at, 2));
    struck
        .faults
        .add(fault(FaultKind::BoilerTrip, "south", from_at, 2));
    run_until(&mut calm, from_at + Duration::minutes(90));
    run_until(&mut struck, from_at + Duration::minutes(90));
    for (calm, struck) in calm.beds.iter().zip(&struck.beds) {
        let lost_c = calm.enclosure_c() - struck.enclosure_c();
        let bed_id = calm.plan.bed_id.as_str();
        if ["N1", "S3", "S4"].contains(&bed_id) {
            assert!(lost_c > 3.0, "{bed_id} lost only {lost_c}");
        } else if bed_id.starts_with('S') {
            // Hot by its own hydration, a bed hardly misses the steam.
            assert!(lost_c > 0.0, "{bed_id} gained {lost_c}");
        } else {
            // The boiler has heat to spare, so a neighbour in trouble takes none of theirs.
            assert!(lost_c.abs() < 1e-9, "{bed_id} lost {lost_c}");
        }
    }
}

#[test]
fn cylinders_break_once_and_scatter_around_the_truth() {
    let mut plant = Plant::new(quiet(), 4, night());
    assert_eq!(
        plant.break_cylinders("N1", 2, None),
        Err(BreakError::NotMade("N1".to_owned())),
        "before the pour"
    );
    run_until(&mut plant, "2026-11-25T11:00:00Z".parse().expect("instant"));
    let first = plant.break_cylinders("N1", 2, None).expect("broken");
    let ids = |broken: &[BrokenCylinder]| -> Vec<String> {
        broken
            .iter()
            .map(|cylinder| cylinder.specimen_id.clone())
            .collect()
    };
    assert_eq!(ids(&first), ["N1-A1", "N1-A2"]);
    let truth = plant.beds[0].cylinder(0).expect("made");
    for cylinder in &first {
        let ratio = cylinder.strength_mpa / truth.strength_mpa;
        assert!(
            (0.85..1.15).contains(&ratio),
            "{cylinder:?} beside {truth:?}"
        );
        let area_mm2 = std::f64::consts::FRAC_PI_4 * cylinder.diameter_mm.powi(2);
        let again_mpa = cylinder.breaking_load_kn * 1000.0 / area_mm2;
        assert!(
            (again_mpa - cylinder.strength_mpa).abs() < 0.1,
            "{cylinder:?}"
        );
    }
    let second = plant.break_cylinders("N1", 2, Some("B")).expect("broken");
    assert_eq!(ids(&second), ["N1-B1", "N1-B2"]);
    assert_eq!(
        plant.break_cylinders("N1", 3, Some("B")),
        Err(BreakError::TooFew {
            bed: "N1".to_owned(),
            left: 2,
            wanted: 3
        })
    );
    assert_eq!(
        plant.break_cylinders("N9", 1, None),
        Err(BreakError::UnknownBed("N9".to_owned()))
    );
}
