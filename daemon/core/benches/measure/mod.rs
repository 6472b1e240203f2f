//! What the benchmarks measure with.

use std::time::Duration;

/// What this thread has run so far, which other work on the machine does not lengthen; `None` where
/// the system does not tell.
pub fn ran() -> Option<Duration> {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").ok()?;
    let nanoseconds = text.split_whitespace().next()?.parse().ok()?;
    Some(Duration::from_nanos(nanoseconds))
}

/// The middle of the times, ms.
pub fn median_ms(mut times: Vec<Duration>) -> f64 {
    times.sort();
    times[times.len() / 2].as_secs_f64() * 1000.0
}
