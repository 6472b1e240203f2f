//! On no screen does an estimate stand without what the cylinders say of it, nor as a permission.

mod support;

use crossterm::event::KeyCode;
use support::{Dashboard, LARGE, SMALL, bed, confirmed, failed, pour, snapshot};

/// Beds whose estimates can be told apart on a screen.
fn yard() -> (
    daemon_api::bed::PlantSnapshot,
    Vec<(String, String, String)>,
) {
    let mut beds = Vec::new();
    let mut expected = Vec::new();
    for (order, name) in ["N1", "N2", "N3"].into_iter().enumerate() {
        let mut pour = match order {
            0 => pour(name),
            1 => confirmed(name),
            _ => failed(name),
        };
        let estimate_mpa = 31.1 + f64::from(u32::try_from(order).expect("few"));
        pour.estimate.estimate_mpa = Some(estimate_mpa);
        pour.confirmation.words = format!("{name}: {}", pour.confirmation.words);
        expected.push((
            name.to_owned(),
            format!("{estimate_mpa:.1}"),
            pour.confirmation.words.clone(),
        ));
        beds.push(bed(order, name, vec![pour]));
    }
    let mut snapshot = snapshot(beds);
    snapshot.plant.units = "si".to_owned();
    (snapshot, expected)
}

/// The states of the cylinders as a row of the yard says them.
const STATES: [&str; 4] = ["no break yet", "passed", "FAILED", "not confirmed"];

#[test]
fn every_row_with_an_estimate_says_what_the_cylinders_said() {
    for size in [SMALL, LARGE, (80, 60)] {
        let (mut snapshot, expected) = yard();
        // Enough beds that rows take one line at the small size too.
        for order in 3..30 {
            snapshot
                .beds
                .push(bed(order, &format!("Z{order}"), Vec::new()));
        }
        for beds in [14, 3] {
            snapshot.beds.truncate(beds);
            let screen = Dashboard::of(snapshot.clone()).screen(size);
            for (name, estimate, _) in expected.iter().filter(|one| one.0 != "N3") {
                let lines: Vec<&str> = screen.lines().collect();
                let row = lines
                    .iter()
                    .find(|line| line.contains(estimate.as_str()))
                    .unwrap_or_else(|| panic!("the estimate of {name} is not shown:\n{screen}"));
                assert!(
                    STATES.iter().any(|state| row.contains(state)),
                    "{row}\n{screen}"
                );
            }
            // Cylinders that failed disagree with the estimate: it is not shown beside them.
            let row = screen.lines().find(|line| line.contains("disagreed/"));
            let row = row.unwrap_or_else(|| panic!("N3 shows what it said:\n{screen}"));
            assert!(
                row.contains("FAILED") && !screen.contains("33.1"),
                "{screen}"
            );
        }
    }
}

#[test]
fn every_cell_of_a_crowded_yard_says_what_the_cylinders_said() {
    let (mut snapshot, expected) = yard();
    for order in 3..40 {
        snapshot
            .beds
            .push(bed(order, &format!("Z{order}"), Vec::new()));
    }
    let screen = Dashboard::of(snapshot).screen(SMALL);
    for (name, ..) in &expected {
        let row = screen
            .lines()
            .find(|line| line.starts_with(&format!(" {name} ")));
        let row = row.unwrap_or_else(|| panic!("{name} is not shown:\n{screen}"));
        let cell: String = row.chars().take(26).collect();
        assert!(
            cell.contains("04:40") && STATES.iter().any(|state| cell.contains(state)),
            "{cell}"
        );
    }
}

#[test]
fn a_bed_and_its_forms_show_the_confirmation_beside_the_estimate() {
    for size in [SMALL, LARGE] {
        let (snapshot, expected) = yard();
        let mut dashboard = Dashboard::of(snapshot);
        for (name, estimate, words) in &expected {
            dashboard.open_bed(name);
            let mut screens = vec![dashboard.screen(size)];
            dashboard.key(KeyCode::PageDown);
            screens.push(dashboard.screen(size));
            dashboard.key(KeyCode::End);
            screens.push(dashboard.screen(size));
            for screen in &screens {
                assert!(screen.contains(estimate.as_str()), "{screen}");
            }
            for key in ['r', 'b', 'h', 'p'] {
                dashboard.key(KeyCode::Char(key));
                screens.push(dashboard.screen(size));
                dashboard.keys(&[KeyCode::Esc, KeyCode::Esc]);
                dashboard.open_bed(name);
            }
            for screen in screens
                .iter()
                .filter(|screen| screen.contains(estimate.as_str()))
            {
                assert!(
                    screen.contains(words.as_str()),
                    "\"{words}\" is missing:\n{screen}"
                );
            }
        }
    }
}

#[test]
fn no_screen_reads_as_a_permission() {
    let (snapshot, _) = yard();
    let mut dashboard = Dashboard::of(snapshot);
    let mut screens = Vec::new();
    for key in ['y', 't', 's', 'n', 'w', 'e', 'i', 'd', 'c', 'f', '?'] {
        dashboard.key(KeyCode::Char(key));
        screens.push(dashboard.screen(LARGE));
    }
    for name in ["N1", "N2", "N3"] {
        dashboard.open_bed(name);
        screens.push(dashboard.screen(LARGE));
        dashboard.key(KeyCode::Char('r'));
        screens.push(dashboard.screen(LARGE));
        dashboard.key(KeyCode::Esc);
    }
    for screen in screens {
        let lower = screen.to_lowercase();
        for words in [
            "ready",
            "may be cut",
            "can be cut",
            "ok to",
            "safe to",
            "clear to",
            "go ahead",
            "reached by",
            "may go off",
            "not detensioning",
            "passed in part",
            "passed, unproven",
        ] {
            assert!(
                !lower.contains(words),
                "\"{words}\" reads as a permission:\n{screen}"
            );
        }
    }
}
