//! The writer's thread: grouping, order, one answer for each batch, and a clean end.

use std::sync::mpsc::{self, Receiver, RecvTimeoutError};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use super::*;
use crate::{CommitReport, Done, GROUP_READING_COUNT, ReadingOutcome, StoreError, StoreHandle};

type Answer = (usize, Result<CommitReport, StoreError>);

/// Long enough for any machine; only a hanging test ever waits for it.
const PATIENCE: Duration = Duration::from_secs(60);

fn next<T>(answers: &Receiver<T>) -> T {
    match answers.recv_timeout(PATIENCE) {
        Ok(answer) => answer,
        Err(RecvTimeoutError::Timeout) => panic!("no answer came"),
        Err(RecvTimeoutError::Disconnected) => panic!("the answers ended"),
    }
}

/// Holds the writer's thread inside a callback until the returned sender is dropped.
fn hold(handle: &StoreHandle) -> mpsc::Sender<()> {
    let (release, held) = mpsc::channel::<()>();
    let (reached, started) = mpsc::channel();
    let done: Done = Box::new(move |result| {
        result.expect("an empty batch commits");
        reached.send(()).expect("the test waits");
        assert!(held.recv().is_err(), "released by dropping");
    });
    handle.submit(Batch::default(), done);
    next(&started);
    release
}

#[test]
fn queued_batches_are_committed_together_and_answered_one_by_one_in_order() {
    let dir = new_dir();
    let writer = open(dir.path());
    let reader = Arc::new(Mutex::new(writer.reader().expect("reader")));
    let handle = StoreHandle::spawn(writer).expect("starts");
    let release = hold(&handle);
    let (answer, answers) = mpsc::channel::<(Answer, usize)>();
    for number in 0..6 {
        let batch = match number {
            2 => readings([reading("a", NIGHT_MS, f64::NAN)]),
            _ => minutes("a", i64::try_from(number).expect("small"), 2),
        };
        let (answer, reader) = (answer.clone(), reader.clone());
        handle.submit(
            batch,
            Box::new(move |result| {
                let reader = reader.lock().expect("lock");
                let visible = reader
                    .readings("a", TIME_MS_MIN..TIME_MS_MAX)
                    .expect("reads")
                    .len();
                answer
                    .send(((number, result), visible))
                    .expect("the test waits");
            }),
        );
    }
    assert_eq!(handle.pending_count(), 6);
    drop(release);
    for expected in 0..6 {
        let ((number, result), visible) = next(&answers);
        assert_eq!(number, expected);
        // Minutes 0 to 6 are all there before the first answer: one transaction held the six.
        assert_eq!(visible, 7);
        match number {
            2 => assert!(
                matches!(result, Err(StoreError::BadRow { .. })),
                "{result:?}"
            ),
            // The first minute of batches 1, 4 and 5 was in the batch before; 3 follows the gap.
            1 | 4 | 5 => assert_eq!(
                result.expect("commits").readings,
                [ReadingOutcome::Known, ReadingOutcome::New]
            ),
            _ => assert_eq!(result.expect("commits").readings, [ReadingOutcome::New; 2]),
        }
    }
    assert_eq!(handle.pending_count(), 0);
}

#[test]
fn a_group_is_closed_once_it_holds_enough_readings() {
    let dir = new_dir();
    let writer = open(dir.path());
    let reader = Arc::new(Mutex::new(writer.reader().expect("reader")));
    let handle = StoreHandle::spawn(writer).expect("starts");
    let release = hold(&handle);
    let (answer, answers) = mpsc::channel();
    let half = i64::try_from(GROUP_READING_COUNT / 2).expect("small");
    for number in 0..3 {
        let (answer, reader) = (answer.clone(), reader.clone());
        let done: Done = Box::new(move |result| {
            result.expect("commits");
            let reader = reader.lock().expect("lock");
            let visible = reader
                .readings("a", TIME_MS_MIN..TIME_MS_MAX)
                .expect("reads")
                .len();
            answer.send(visible).expect("the test waits");
        });
        handle.submit(minutes("a", number * half, half), done);
    }
    drop(release);
    let visible = [next(&answers), next(&answers), next(&answers)];
    assert_eq!(
        visible,
        [
            GROUP_READING_COUNT,
            GROUP_READING_COUNT,
            GROUP_READING_COUNT * 3 / 2
        ]
    );
}

#[test]
fn on_a_full_disk_every_member_of_the_group_is_told_and_may_submit_again() {
    let dir = new_dir();
    let writer = open(dir.path());
    let limit = |writer: &Writer, pages: i64| {
        writer
            .connection()
            .pragma_update_and_check(None, "max_page_count", pages, |_| Ok(()))
            .expect("max_page_count");
    };
    limit(&writer, 1);
    let handle = StoreHandle::spawn(writer).expect("starts");
    let release = hold(&handle);
    let (answer, answers) = mpsc::channel::<Answer>();
    let batches: Vec<Arc<Batch>> = (0..3)
        .map(|number| Arc::new(minutes("a", number * 900, 900)))
        .collect();
    let submit_all = |handle: &StoreHandle| {
        for (number, batch) in batches.iter().enumerate() {
            let answer = answer.clone();
            let done: Done =
                Box::new(move |result| answer.send((number, result)).expect("the test waits"));
            handle.submit(batch.clone(), done);
        }
    };
    submit_all(&handle);
    drop(release);
    for expected in 0..3 {
        let (number, result) = next(&answers);
        assert_eq!(number, expected);
        assert!(
            result.as_ref().is_err_and(StoreError::is_full),
            "{result:?}"
        );
    }
    let writer = handle.finish().expect("stops");
    assert!(all_received(&writer).is_empty());
    limit(&writer, 1_000_000);
    let handle = StoreHandle::spawn(writer).expect("starts");
    submit_all(&handle);
    for _ in 0..3 {
        next(&answers).1.expect("there is room again");
    }
}

#[test]
fn dropping_the_handle_writes_what_is_queued_first() {
    let dir = new_dir();
    let handle = StoreHandle::spawn(open(dir.path())).expect("starts");
    let (answer, answers) = mpsc::channel();
    for number in 0..50 {
        let answer = answer.clone();
        let done: Done = Box::new(move |result| {
            answer.send(result.is_ok()).expect("the test waits");
        });
        handle.submit(minutes("a", number, 1), done);
    }
    drop((handle, answer));
    assert_eq!(answers.iter().collect::<Vec<_>>(), [true; 50]);
    assert_eq!(
        all_received(&open(dir.path())).len(),
        50,
        "and the lock is free again"
    );
}

#[test]
fn a_callback_that_panics_stops_nobody_else() {
    let dir = new_dir();
    let handle = StoreHandle::spawn(open(dir.path())).expect("starts");
    handle.submit(Batch::default(), Box::new(|_| panic!("a caller's mistake")));
    let (answer, answers) = mpsc::channel();
    handle.submit(
        minutes("a", 0, 1),
        Box::new(move |result| answer.send(result.is_ok()).expect("the test waits")),
    );
    assert!(next(&answers));
    assert_eq!(handle.pending_count(), 0);
}

#[test]
fn the_last_owner_may_let_go_inside_a_callback() {
    let dir = new_dir();
    let handle = Arc::new(StoreHandle::spawn(open(dir.path())).expect("starts"));
    let release = hold(&handle);
    let (answer, answers) = mpsc::channel();
    let owned = handle.clone();
    handle.submit(
        minutes("a", 0, 1),
        Box::new(move |result| {
            drop(owned);
            answer.send(result.is_ok()).expect("the test waits");
        }),
    );
    drop(handle);
    drop(release);
    assert!(next(&answers));
}
