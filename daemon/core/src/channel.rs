//! What one channel has said: readings in time order, conflicts kept, clocks compared.

use std::sync::Arc;

use crate::reading::{Content, Reading, Taken};
use crate::time::UtcMs;

/// Offsets up to this are not corrected: transport and polling explain them, ms.
pub const CLOCK_OFFSET_MS_MAX: i64 = 60_000;
/// An offset is what many stamps agree on: among those received within this of a reading, so that a
/// logger that speaks every quarter of an hour has enough of them, ms …
const OFFSET_WINDOW_MS: i64 = 75 * 60_000;
/// … those that differ by no more than this say the same, ms …
const OFFSET_SPREAD_MS: i64 = 30_000;
/// … received over at least this long, so that a burst is not a wrong clock, ms …
const OFFSET_SPAN_MS_MIN: i64 = 10 * 60_000;
/// … in at least this many different minutes.
const OFFSET_MINUTES_MIN: usize = 5;

/// One identity of a channel with everything that was read for it.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// The identity: as measured, or as received.
    pub at: UtcMs,
    /// When it was first received.
    pub received_at: UtcMs,
    /// Whether the source stamped it.
    pub is_clocked: bool,
    /// Every distinct content; more than one is a conflict.
    pub contents: Contents,
}

/// The distinct contents of one identity; one in all but rare cases.
#[derive(Debug, Clone, PartialEq)]
pub enum Contents {
    One(Content),
    Several(Vec<Content>),
}

impl Entry {
    /// True where its stamp lies after its receipt by more than transport explains.
    fn is_ahead(&self) -> bool {
        self.is_clocked && is_ahead(self.at, self.received_at)
    }
}

fn is_ahead(at: UtcMs, received_at: UtcMs) -> bool {
    at.0 > received_at.0 + CLOCK_OFFSET_MS_MAX
}

impl Contents {
    /// All of them.
    #[must_use]
    pub fn as_slice(&self) -> &[Content] {
        match self {
            Self::One(content) => std::slice::from_ref(content),
            Self::Several(contents) => contents,
        }
    }
}

/// A channel's readings as corrected: what position maths works on.
#[derive(Debug, Clone, PartialEq)]
pub struct Sample {
    /// Corrected time.
    pub at: UtcMs,
    /// Lowest temperature read for that time, °C; `None` where only faults were.
    pub low_c: Option<f64>,
    /// Highest temperature read for that time, °C.
    pub high_c: Option<f64>,
    /// The fault word, where there is no temperature.
    pub fault: Option<Arc<str>>,
    /// True where different contents were read for the same time.
    pub is_conflict: bool,
    /// True where it came later than transport explains: from a logger's memory, a queue, or by a
    /// wrong stamp.
    pub is_late: bool,
}

/// One channel's history.
#[derive(Debug, Clone, Default)]
pub struct ChannelHistory {
    entries: Vec<Entry>,
    /// How many entries are further from their receipt than a right clock explains.
    offset_count: usize,
}

impl ChannelHistory {
    /// Takes one reading in; the order of calls does not matter.
    pub fn take(&mut self, reading: &Reading) -> Taken {
        let at = reading.identity_at();
        // Readings mostly come in order, so look at the end before searching.
        let place = match self.entries.last() {
            Some(last) if last.at < at => Err(self.entries.len()),
            _ => self.entries.binary_search_by_key(&at, |entry| entry.at),
        };
        match place {
            Ok(index) => self.merge(index, reading),
            Err(index) => {
                let entry = Entry {
                    at,
                    received_at: reading.received_at,
                    is_clocked: reading.measured_at.is_some(),
                    contents: Contents::One(reading.content.clone()),
                };
                self.offset_count += usize::from(is_offset(&entry));
                self.entries.insert(index, entry);
                Taken::New
            }
        }
    }

    fn merge(&mut self, index: usize, reading: &Reading) -> Taken {
        let entry = &mut self.entries[index];
        let was_offset = is_offset(entry);
        match (entry.is_ahead(), is_ahead(entry.at, reading.received_at)) {
            // A stamp from before its time says nothing of what was read when that time had come.
            (false, true) => return Taken::Conflict,
            (true, false) => {
                entry.received_at = reading.received_at;
                entry.contents = Contents::One(reading.content.clone());
                self.offset_count -= usize::from(was_offset);
                self.offset_count += usize::from(is_offset(entry));
                return Taken::Conflict;
            }
            _ => entry.received_at = entry.received_at.min(reading.received_at),
        }
        let taken = if entry.contents.as_slice().contains(&reading.content) {
            Taken::Known
        } else {
            let mut contents = entry.contents.as_slice().to_vec();
            contents.push(reading.content.clone());
            entry.contents = Contents::Several(contents);
            Taken::Conflict
        };
        let is_offset_now = is_offset(entry);
        self.offset_count =
            self.offset_count + usize::from(is_offset_now) - usize::from(was_offset);
        taken
    }

    /// Every entry in time order.
    #[must_use]
    pub fn entries(&self) -> &[Entry] {
        &self.entries
    }

    /// Drops what was measured before `before`.
    pub fn forget(&mut self, before: UtcMs) {
        self.entries.retain(|entry| entry.at >= before);
        self.offset_count = self.entries.iter().filter(|entry| is_offset(entry)).count();
    }

    /// True where some reading is further from its receipt than a right clock explains.
    #[must_use]
    pub fn may_be_offset(&self) -> bool {
        self.offset_count > 0
    }
}

fn is_offset(entry: &Entry) -> bool {
    entry.is_clocked && (entry.received_at.0 - entry.at.0).abs() > CLOCK_OFFSET_MS_MAX
}

/// A logger's clock compared with the daemon's, from everything its channels have sent.
///
/// A reading can only arrive after it was measured, so the smallest `received − measured` of many that
/// agree is the clock's offset plus the shortest way. A burst after an outage spans too short a time of
/// receipt to be taken for a wrong clock, and single odd stamps agree with nothing.
#[derive(Debug, Clone, Default)]
pub struct LoggerClock {
    /// `(received, received − measured)` of each message, in order of receipt.
    arrivals: Vec<(i64, i64)>,
}

impl LoggerClock {
    /// Compares the clock of the logger behind these channels; cheap where nothing looks offset.
    #[must_use]
    pub fn of<'a>(channels: impl Iterator<Item = &'a ChannelHistory> + Clone) -> Self {
        if !channels.clone().any(ChannelHistory::may_be_offset) {
            return Self::default();
        }
        let mut arrivals: Vec<(i64, i64)> = channels
            .flat_map(|channel| channel.entries.iter())
            .filter(|entry| entry.is_clocked)
            .map(|entry| (entry.received_at.0, entry.received_at.0 - entry.at.0))
            .collect();
        arrivals.sort_unstable();
        // The channels of one message say the same.
        arrivals.dedup();
        Self { arrivals }
    }

    /// The correction to add to that stamp, received at that time, ms: what it and many others around
    /// it agree on; zero for a right clock, and for a stamp that agrees with few.
    #[must_use]
    pub fn offset_ms(&self, received_at: UtcMs, stamp: UtcMs) -> i64 {
        let own = received_at.0 - stamp.0;
        if own.abs() <= CLOCK_OFFSET_MS_MAX {
            return 0;
        }
        let agreeing: Vec<(i64, i64)> = self
            .received_around(received_at)
            .iter()
            .copied()
            .filter(|one| (one.1 - own).abs() <= OFFSET_SPREAD_MS)
            .collect();
        let (Some(first), Some(last)) = (agreeing.first(), agreeing.last()) else {
            return 0;
        };
        let mut minutes: Vec<i64> = agreeing.iter().map(|one| one.0 / 60_000).collect();
        minutes.dedup();
        if minutes.len() < OFFSET_MINUTES_MIN || last.0 - first.0 < OFFSET_SPAN_MS_MIN {
            return 0;
        }
        agreeing.iter().map(|one| one.1).min().unwrap_or(0)
    }

    fn received_around(&self, received_at: UtcMs) -> &[(i64, i64)] {
        let within = |limit_ms: i64| self.arrivals.partition_point(|one| one.0 < limit_ms);
        let from = within(received_at.0 - OFFSET_WINDOW_MS);
        let to = within(received_at.0 + OFFSET_WINDOW_MS + 1);
        &self.arrivals[from..to]
    }

    /// The correction at the last receipt, ms.
    #[must_use]
    pub fn latest_offset_ms(&self) -> i64 {
        self.arrivals.last().map_or(0, |last| {
            self.offset_ms(UtcMs(last.0), UtcMs(last.0 - last.1))
        })
    }

    /// How many messages received since `since` were stamped later than they came, as corrected, and by
    /// how much the furthest of them, ms: a time that cannot be true.
    #[must_use]
    pub fn ahead_since(&self, since: UtcMs) -> Option<(usize, i64)> {
        let start = self.arrivals.partition_point(|one| one.0 < since.0);
        let ahead = self.arrivals[start..].iter().filter_map(|one| {
            let (received_at, stamp) = (UtcMs(one.0), UtcMs(one.0 - one.1));
            let ahead_ms = -one.1 + self.offset_ms(received_at, stamp);
            (ahead_ms > CLOCK_OFFSET_MS_MAX).then_some(ahead_ms)
        });
        let ahead: Vec<i64> = ahead.collect();
        Some((ahead.len(), ahead.into_iter().max()?))
    }
}

/// The samples of a channel within `[from, to)`, as corrected, in time order.
///
/// A reading whose stamp lies after its receipt, even as corrected, is left out: nobody knows when it
/// was measured, so it takes part in nothing, before that time or after it.
#[must_use]
pub fn samples(
    history: &ChannelHistory,
    clock: &LoggerClock,
    from: UtcMs,
    to: UtcMs,
) -> Vec<Sample> {
    let is_right = clock.arrivals.is_empty();
    let entries = if is_right {
        let start = history.entries.partition_point(|entry| entry.at < from);
        let end = history.entries.partition_point(|entry| entry.at < to);
        &history.entries[start..end.max(start)]
    } else {
        &history.entries[..]
    };
    let mut samples: Vec<Sample> = entries
        .iter()
        .filter_map(|entry| {
            let offset_ms = if is_right || !entry.is_clocked {
                0
            } else {
                clock.offset_ms(entry.received_at, entry.at)
            };
            let at = UtcMs(entry.at.0 + offset_ms);
            let is_ahead = entry.is_clocked && is_ahead(at, entry.received_at);
            (!is_ahead).then(|| sample(entry, at))
        })
        .collect();
    if !is_right {
        samples.retain(|sample| sample.at >= from && sample.at < to);
        samples.sort_by_key(|sample| sample.at);
    }
    samples
}

fn sample(entry: &Entry, at: UtcMs) -> Sample {
    let contents = entry.contents.as_slice();
    let temperatures = || {
        contents.iter().filter_map(|content| match content {
            Content::TemperatureC(value) => Some(*value),
            Content::Fault(_) => None,
        })
    };
    let low_c = temperatures().reduce(f64::min);
    let fault = contents.iter().find_map(|content| match content {
        Content::Fault(word) if low_c.is_none() => Some(Arc::clone(word)),
        _ => None,
    });
    Sample {
        at,
        low_c,
        high_c: temperatures().reduce(f64::max),
        fault,
        is_conflict: contents.len() > 1,
        is_late: entry.received_at.0 - at.0 > CLOCK_OFFSET_MS_MAX,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading(at_min: i64, received_min: i64, value: f64) -> Reading {
        Reading {
            channel: "c".into(),
            measured_at: Some(UtcMs(at_min * 60_000)),
            received_at: UtcMs(received_min * 60_000),
            content: Content::TemperatureC(value),
        }
    }

    fn history(readings: &[Reading]) -> ChannelHistory {
        let mut history = ChannelHistory::default();
        for reading in readings {
            history.take(reading);
        }
        history
    }

    #[test]
    fn readings_are_placed_in_order_whatever_order_they_come_in() {
        let forward = history(&[
            reading(1, 1, 20.0),
            reading(2, 2, 21.0),
            reading(3, 3, 22.0),
        ]);
        let backward = history(&[
            reading(3, 3, 22.0),
            reading(1, 1, 20.0),
            reading(2, 2, 21.0),
        ]);
        assert_eq!(forward.entries(), backward.entries());
    }

    #[test]
    fn an_equal_value_again_changes_nothing_and_another_is_a_conflict_read_low() {
        let mut one = history(&[reading(1, 1, 20.0)]);
        assert_eq!(one.take(&reading(1, 5, 20.0)), Taken::Known);
        assert_eq!(one.take(&reading(1, 6, 18.0)), Taken::Conflict);
        assert_eq!(one.take(&reading(1, 7, 18.0)), Taken::Known);
        let seen = samples(&one, &LoggerClock::default(), UtcMs(0), UtcMs(i64::MAX));
        assert_eq!(seen.len(), 1);
        assert_eq!((seen[0].low_c, seen[0].high_c), (Some(18.0), Some(20.0)));
        assert!(seen[0].is_conflict);
    }

    #[test]
    fn a_clock_ten_minutes_behind_is_corrected_and_a_burst_is_not() {
        let late: Vec<Reading> = (0..60)
            .map(|minute| reading(minute, minute + 10, 20.0))
            .collect();
        let behind = history(&late);
        assert_eq!(
            LoggerClock::of([&behind].into_iter()).latest_offset_ms(),
            600_000
        );
        let burst: Vec<Reading> = (0..60).map(|minute| reading(minute, 70, 20.0)).collect();
        let burst = history(&burst);
        assert_eq!(LoggerClock::of([&burst].into_iter()).latest_offset_ms(), 0);
    }

    #[test]
    fn one_stamp_two_days_ahead_shifts_no_other_reading_and_counts_for_nothing() {
        let mut readings: Vec<Reading> = (0..60)
            .map(|minute| reading(minute, minute, 20.0))
            .collect();
        readings.push(reading(2 * 24 * 60, 30, 44.0));
        let history = history(&readings);
        let clock = LoggerClock::of([&history].into_iter());
        assert_eq!(clock.latest_offset_ms(), 0);
        assert_eq!(
            clock.ahead_since(UtcMs(0)),
            Some((1, (2 * 24 * 60 - 30) * 60_000))
        );
        let seen = samples(&history, &clock, UtcMs(0), UtcMs(i64::MAX));
        assert_eq!(seen.len(), 60);
        assert!(seen.iter().enumerate().all(|(minute, sample)| {
            sample.at == UtcMs(minute as i64 * 60_000) && !sample.is_late
        }));
    }

    #[test]
    fn a_clock_that_jumps_ahead_is_corrected_from_its_jump_on() {
        let readings: Vec<Reading> = (0..60)
            .map(|minute| {
                let ahead = if minute < 30 { 0 } else { 120 };
                reading(minute + ahead, minute, 20.0)
            })
            .collect();
        let history = history(&readings);
        let clock = LoggerClock::of([&history].into_iter());
        let seen = samples(&history, &clock, UtcMs(0), UtcMs(i64::MAX));
        let minutes: Vec<i64> = seen.iter().map(|sample| sample.at.0 / 60_000).collect();
        assert_eq!(minutes, (0..60).collect::<Vec<i64>>());
    }
}
