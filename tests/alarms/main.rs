//! The load of alarms on simulated nights, and what became of every fault that befell them.
//!
//! The load of three nights is judged with the other tests; thirty nights and every fault that befell
//! them by one command, which prints the whole table:
//!
//! ```sh
//! cargo test --release -p integration-tests --test alarms -- --ignored --nocapture
//! ```

mod effect;
mod measure;

use measure::{Measured, measure};

/// Most alarms an hour on average over the whole plant (seen at second hand: public pages that quote
/// EEMUA 191 give one in ten minutes to one operator).
const RATE_PER_H_MAX: f64 = 6.0;
/// More than this many alarms within ten minutes are a flood (seen at second hand, as above).
const FLOOD_COUNT: usize = 10;

fn is_quiet(measured: &Measured) {
    assert!(
        measured.rate_per_h() < RATE_PER_H_MAX,
        "{:.2} alarms an hour\n{}",
        measured.rate_per_h(),
        measured.report()
    );
    assert!(
        measured.most_in_ten_minutes() <= FLOOD_COUNT,
        "a flood of {} alarms\n{}",
        measured.most_in_ten_minutes(),
        measured.report()
    );
    assert!(measured.stale().is_empty(), "stale: {:?}", measured.stale());
}

#[test]
fn three_simulated_nights_load_a_shift_no_more_than_it_can_bear() {
    is_quiet(&measure(7, 3));
}

#[test]
#[ignore = "thirty nights take some minutes; run by the command above"]
#[expect(clippy::print_stdout, reason = "its result is a table")]
fn thirty_simulated_nights_are_quiet_and_every_fault_that_needs_a_person_calls_one() {
    let measured = measure(8, 30);
    println!("{}", measured.report());
    is_quiet(&measured);
    let missed = measured.missed();
    assert!(missed.is_empty(), "not raised: {missed:?}");
}
