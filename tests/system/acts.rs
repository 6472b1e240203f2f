//! Acts over HTTP: the same one again is one, and of two signatures one stands.

use chrono::{TimeDelta, Utc};
use harness::broker::Broker;
use harness::daemon::Daemon;
use harness::plant::{PlantFile, act, open_pour};
use serde_json::json;

#[test]
fn one_break_posted_five_times_is_one_and_two_signatures_give_one_release() {
    let folder = tempfile::tempdir().expect("a folder");
    let broker = Broker::start(&folder.path().join("broker"));
    let plant = PlantFile::new(broker.port()).write(&folder.path().join("plant"));
    let mut daemon = Daemon::start(&plant, &folder.path().join("data"));
    let now = Utc::now();
    let placed_at = now - TimeDelta::hours(14);
    let opened = open_pour("p", placed_at, &["c1"]);
    daemon
        .ask(async |client| client.act(&opened).await)
        .expect("the pour opens");
    let broken = act(
        "p",
        now,
        json!({ "act": "break-recorded", "set": "A", "tested_at": now, "specimens": [
            { "specimen": "A1", "strength_mpa": 27.0 }, { "specimen": "A2", "strength_mpa": 27.5 } ] }),
    );
    for round in 0..5 {
        let answer = daemon
            .ask(async |client| client.act(&broken).await)
            .expect("it is accepted");
        assert_eq!(answer.already_known, round > 0);
    }
    let mut other = broken.clone();
    other.by = "Somebody Else".to_owned();
    let reused = daemon
        .ask(async |client| client.act(&other).await)
        .expect_err("the id is taken");
    assert!(!reused.is_empty());

    let signature = |why: &str| {
        act(
            "p",
            now,
            json!({ "act": "release-signed", "pours": ["p"], "breaks": [broken.id],
                "reason_without_estimate": why }),
        )
    };
    let (one, two) = (
        signature("no sensor was read"),
        signature("no sensor was read, twice"),
    );
    let answers = daemon
        .ask(async |client| Ok(tokio::join!(client.act(&one), client.act(&two))))
        .expect("both are answered");
    let accepted = [answers.0.is_ok(), answers.1.is_ok()];
    assert_eq!(accepted.iter().filter(|ok| **ok).count(), 1, "{answers:?}");
    let refused = if accepted[0] {
        answers.1.expect_err("refused")
    } else {
        answers.0.expect_err("refused")
    };
    match refused {
        daemon_api::client::ClientError::Problem(problem) => {
            assert_eq!(problem.code, "already-released");
        }
        other => panic!("a named refusal was expected: {other}"),
    }
    // A restart answers the same.
    let before = daemon
        .ask(async |client| client.pour("p").await)
        .expect("the pour is known");
    daemon.kill();
    daemon.resume();
    let after = daemon
        .ask(async |client| client.pour("p").await)
        .expect("the pour is known");
    assert_eq!(before.release, after.release);
    assert_eq!(before.cylinder_sets, after.cylinder_sets);
    let acts = daemon
        .ask(async |client| client.acts(Some("p")).await)
        .expect("the acts are kept");
    assert_eq!(acts.len(), 3, "opened, broken, signed");
}
