//! Curve records beside a running daemon: what the lab decides at night counts at once.

mod support;

use std::path::{Path, PathBuf};
use std::time::Duration;

use daemon_api::bed::PlantSnapshot;
use daemon_api::mix::{BreaksAnswer, MixesAnswer, SpecimenBreakView};
use daemon_api::pour::PourView;
use daemon_api::reading::Backfill;
use daemon_api::trouble::{TroubleView, Urgency};
use support::{Running, acts, clocked_readings, example, time};
use tokio::time::Instant;

const NIGHT: &str = "2026-01-21T05:00:00Z";
const DIGEST: &str = "sha256:356869cacff17fb1163bd6e3957742072efeea2537d795d411c3e05445b8784b";
const WAIT_MAX: Duration = Duration::from_secs(60);

/// The worked example's plant in a folder of its own, whose curve files are read again each second.
fn plant_in(folder: &Path) -> PathBuf {
    std::fs::create_dir(folder.join("curves")).expect("a folder");
    for name in ["curves/m45.toml", "curves/m45.records.toml"] {
        std::fs::copy(example(name), folder.join(name)).expect("copied");
    }
    let plant = std::fs::read_to_string(example("plant.toml")).expect("the plant file");
    let often = "[curves]\nread_again_s = 1\n";
    let path = folder.join("plant.toml");
    std::fs::write(&path, plant.replace("[curves]\n", often)).expect("written");
    path
}

async fn start(folder: &Path, clock_start: &str) -> Running {
    Running::start(
        &folder.join("plant.toml"),
        &folder.join("data"),
        time(clock_start),
    )
    .await
}

impl Running {
    /// Waits until the plant is as told; says its troubles if it never is.
    async fn until(&self, what: &str, is_so: impl Fn(&PlantSnapshot) -> bool) -> PlantSnapshot {
        let end = Instant::now() + WAIT_MAX;
        loop {
            let snapshot = self.client.snapshot().await.expect("a snapshot");
            if is_so(&snapshot) {
                return snapshot;
            }
            assert!(
                Instant::now() < end,
                "never {what}: {:?}",
                snapshot.troubles
            );
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
    }

    /// Sends the readings and the acts of the example's night up to a moment.
    async fn feed(&self, until: &str) {
        let mut readings = clocked_readings();
        readings.retain(|reading| reading.measured_at <= time(until));
        let backfill = Backfill {
            by: "Q. Example".to_owned(),
            origin: "readings.csv".to_owned(),
            readings,
        };
        self.client.backfill(&backfill).await.expect("kept");
        for act in acts() {
            if act.happened_at <= time(until) {
                self.client.act(&act).await.expect("recorded");
            }
        }
    }
}

fn pour(snapshot: &PlantSnapshot) -> &PourView {
    let bed = snapshot.beds.first().expect("the first bed");
    bed.pours.first().expect("its pour")
}

fn standing(snapshot: &PlantSnapshot) -> Option<&str> {
    let bed = snapshot.beds.first()?;
    Some(bed.pours.first()?.curve.standing.as_str())
}

fn trouble<'a>(snapshot: &'a PlantSnapshot, kind: &str) -> Option<&'a TroubleView> {
    snapshot.troubles.iter().find(|one| one.kind == kind)
}

/// The mean strength of the first break with a sensor, as the lab is given it.
fn own_break_mpa(answer: &BreaksAnswer) -> f64 {
    let own = |one: &&SpecimenBreakView| !one.temperatures.is_empty();
    let first = answer.breaks.iter().find(own).expect("one with a sensor");
    assert_eq!(first.pour, "P-101");
    assert!(first.is_heated, "{first:?}");
    let mut times = first.temperatures.iter().map(|one| one.at);
    assert!(
        times.all(|at| (first.batched_at..=first.left_tarp_at).contains(&at)),
        "{first:?}"
    );
    let strengths = first.specimens.iter().map(|one| one.strength_mpa);
    strengths.sum::<f64>() / first.specimens.len() as f64
}

/// A record made just now by the plant's clock.
fn record(act: &str, now: &PlantSnapshot, more: &str) -> String {
    format!(
        "\n[[record]]\ndigest = \"{DIGEST}\"\nact = \"{act}\"\nby = \"lab lead\"\n\
         recorded_at = {}\n{more}",
        now.plant.now.to_rfc3339()
    )
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_running_daemon_hears_of_superseding_and_withdrawal_and_remembers_them() {
    let folder = tempfile::tempdir().expect("a folder");
    plant_in(folder.path());
    let file = folder.path().join("curves/m45.records.toml");
    let approved = std::fs::read_to_string(&file).expect("the records");
    let running = start(folder.path(), NIGHT).await;
    running.feed(NIGHT).await;
    let before = running
        .until("an estimate", |now| {
            standing(now) == Some("approved") && pour(now).estimate.estimate_mpa.is_some()
        })
        .await;
    assert_eq!(pour(&before).curve.digest.as_deref(), Some(DIGEST));

    let superseded = approved.clone() + &record("superseded", &before, "");
    std::fs::write(&file, &superseded).expect("written");
    let kept = running
        .until("superseded", |now| standing(now) == Some("superseded"))
        .await;
    assert!(
        pour(&kept).estimate.estimate_mpa.is_some(),
        "a pour keeps the version that it began with"
    );

    let why = "why = \"the cement source changed\"\n";
    let withdrawn = superseded.clone() + &record("withdrawn", &kept, why);
    std::fs::write(&file, &withdrawn).expect("written");
    let told = running
        .until("told of the withdrawal", |now| {
            trouble(now, "curve-not-usable").is_some()
        })
        .await;
    let trouble_now = trouble(&told, "curve-not-usable").expect("it stands");
    assert_eq!(trouble_now.urgency, Urgency::Now);
    assert_eq!(trouble_now.pour.as_deref(), Some("P-101"));
    assert!(
        trouble_now.what.contains("the cement source changed"),
        "{}",
        trouble_now.what
    );
    assert!(
        trouble_now.first_act.contains("cylinders alone"),
        "{}",
        trouble_now.first_act
    );
    assert_eq!(pour(&told).estimate.kind, "none");
    assert!(
        pour(&told)
            .release_holds
            .iter()
            .all(|hold| hold.kind != "curve")
    );

    let broken = withdrawn.clone() + "\n[[record]]\ndigest = \"sha256:3568";
    std::fs::write(&file, &broken).expect("written");
    let line = broken.lines().count();
    let unread = running
        .until("told of a broken file", |now| {
            trouble(now, "curve-records-unreadable").is_some()
        })
        .await;
    let what = &trouble(&unread, "curve-records-unreadable")
        .expect("it stands")
        .what;
    assert!(
        what.contains("m45.records.toml") && what.contains(&format!("line {line}")),
        "{what}"
    );
    assert_eq!(standing(&unread), Some("withdrawn"));
    running.stop().await;

    std::fs::write(&file, &approved).expect("written");
    let resumed = start(folder.path(), "2026-01-21T05:10:00Z").await;
    let again = resumed
        .until("told of records that are gone", |now| {
            trouble(now, "curve-record-gone").is_some()
        })
        .await;
    assert_eq!(standing(&again), Some("withdrawn"));
    resumed.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_curve_file_altered_after_its_approval_is_said_so_while_running_and_at_a_start() {
    let folder = tempfile::tempdir().expect("a folder");
    plant_in(folder.path());
    let file = folder.path().join("curves/m45.toml");
    let running = start(folder.path(), NIGHT).await;
    running.feed(NIGHT).await;
    let text = std::fs::read_to_string(&file).expect("the curve");
    std::fs::write(&file, text + "\n# a word added\n").expect("written");
    let told = running
        .until("told of the alteration", |now| {
            trouble(now, "curve-file-altered").is_some()
        })
        .await;
    let what = &trouble(&told, "curve-file-altered")
        .expect("it stands")
        .what;
    assert!(
        what.contains("m45.toml") && what.contains("sha256:356869ca"),
        "{what}"
    );
    running.stop().await;

    let resumed = start(folder.path(), NIGHT).await;
    let again = resumed
        .until("told at the start", |now| {
            trouble(now, "curve-file-altered").is_some()
        })
        .await;
    assert_eq!(standing(&again), Some("not-approved"));
    assert_eq!(pour(&again).estimate.kind, "none");
    resumed.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_curve_that_is_listed_while_the_daemon_runs_counts_and_a_bad_one_changes_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    let plant = plant_in(folder.path());
    let running = start(folder.path(), NIGHT).await;
    running.feed(NIGHT).await;
    let listed = std::fs::read_to_string(&plant).expect("the plant file");
    let list = |files: &str| {
        let text = listed.replace("\"curves/m45.toml\"", files);
        assert_ne!(text, listed);
        std::fs::write(&plant, text).expect("written");
    };
    let good = std::fs::read_to_string(folder.path().join("curves/m45.toml")).expect("the curve");
    let later = folder.path().join("curves/m45-later.toml");

    list("\"curves/m45.toml\", \"curves/m45-later.toml\"");
    std::fs::write(&later, good.replace("ultimate_mpa", "ultimate_mpaa")).expect("written");
    let told = running
        .until("told of a curve that cannot be read", |now| {
            trouble(now, "curve-file-unreadable")
                .is_some_and(|one| one.what.contains("ultimate_mpaa"))
        })
        .await;
    let what = &trouble(&told, "curve-file-unreadable")
        .expect("it stands")
        .what;
    assert!(
        what.contains("m45-later.toml") && what.contains("line "),
        "{what}"
    );
    assert_eq!(standing(&told), Some("approved"));

    list("\"curves/m45.toml\", 45");
    let told = running
        .until("told of a bad list", |now| {
            trouble(now, "curve-list-unreadable").is_some()
        })
        .await;
    let what = &trouble(&told, "curve-list-unreadable")
        .expect("it stands")
        .what;
    assert!(
        what.contains("plant.toml") && what.contains("curves.files[2]"),
        "{what}"
    );

    let text = good.clone() + "\n# a later version\n";
    std::fs::write(&later, &text).expect("written");
    let digest = calibration::digest(text.as_bytes());
    let record = record("approved", &told, "").replace(DIGEST, &digest);
    std::fs::write(later.with_extension("records.toml"), record).expect("written");
    list("\"curves/m45.toml\", \"curves/m45-later.toml\"");
    running
        .until("free of troubles with curves", |now| {
            trouble(now, "curve-list-unreadable").is_none()
        })
        .await;
    let curves = running.client.mixes().await.expect("the mixes").mixes[0]
        .curves
        .clone();
    let added = curves.iter().find(|one| one.digest == digest);
    assert_eq!(added.expect("it is known").standing, "approved");
    let kept = running.until("judged", |now| standing(now).is_some()).await;
    assert_eq!(
        pour(&kept).curve.digest.as_deref(),
        Some(DIGEST),
        "a pour keeps the version that it began with"
    );

    list("\"curves/m45-later.toml\"");
    let told = running
        .until("told of a curve that is no longer listed", |now| {
            trouble(now, "curve-file-not-listed").is_some()
        })
        .await;
    assert_eq!(standing(&told), Some("approved"));
    running.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn breaks_of_finished_pours_verify_their_curve_and_a_restart_says_the_same() {
    let folder = tempfile::tempdir().expect("a folder");
    plant_in(folder.path());
    let morning = "2026-01-21T12:00:00Z";
    let running = start(folder.path(), morning).await;
    running.feed(morning).await;
    let before = running.client.mixes().await.expect("the mixes");
    let of = |answer: &MixesAnswer| answer.mixes[0].curves[0].clone();
    assert_eq!(of(&before).standing, "approved");
    assert_eq!(of(&before).digest, DIGEST);
    assert_eq!(
        of(&before).verification.pour_count,
        0,
        "a break counts once its pour is learned from"
    );
    running.stop().await;

    let mut said = Vec::new();
    let mut own_breaks = None;
    // The last start comes after all else that finished pours teach is out of date.
    for clock_start in [
        "2026-01-21T13:30:00Z",
        "2026-01-21T13:40:00Z",
        "2027-03-01T13:40:00Z",
    ] {
        let resumed = start(folder.path(), clock_start).await;
        let end = Instant::now() + WAIT_MAX;
        let curve = loop {
            let curve = of(&resumed.client.mixes().await.expect("the mixes"));
            if curve.verification.pour_count > 0 {
                break curve;
            }
            assert!(Instant::now() < end, "never a point: {curve:?}");
            tokio::time::sleep(Duration::from_millis(100)).await;
        };
        let breaks = resumed.client.mix_breaks("M45", None).await;
        own_breaks = Some(breaks.expect("the breaks"));
        let unknown = resumed.client.mix_breaks("M4", None).await;
        let refused = unknown.expect_err("no such mix").to_string();
        assert!(refused.contains("M45"), "{refused}");
        resumed.stop().await;
        said.push(curve);
    }
    assert_eq!(said[0], said[1]);
    assert_eq!(said[0], said[2]);
    let verification = &said[0].verification;
    assert_eq!(verification.state, "not-verified");
    let [point] = verification.points.as_slice() else {
        panic!("one point: {:?}", verification.points);
    };
    assert_eq!(point.pour, "P-101");
    assert!(
        (point.difference - (point.measured_mpa / point.estimated_mpa - 1.0)).abs() < 1e-12,
        "{point:?}"
    );
    let given_mpa = own_break_mpa(&own_breaks.expect("they were asked"));
    assert!((given_mpa - point.measured_mpa).abs() < 1e-9, "{point:?}");
    assert_eq!(said[0].heated_pour_count, 1, "heat was on over this bed");
    assert!(!said[0].advises_only, "its specimens were heat-cured");
}
