//! What one channel has said: readings in time order, conflicts kept, clocks compared.

use std::sync::Arc;

use crate::reading::{Content, Reading, Taken};
use crate::time::UtcMs;

/// Offsets up to this are not corrected: transport and polling explain them, ms.
pub const CLOCK_OFFSET_MS_MAX: i64 = 60_000;
/// An offset is estimated from what was received within this of a reading, ms …
const OFFSET_WINDOW_MS: i64 = 30 * 60_000;
/// … and only where that was received over at least this long, so that a burst is not a wrong clock, ms.
const OFFSET_SPAN_MS_MIN: i64 = 10 * 60_000;
/// … and counts at least this many readings.
const OFFSET_COUNT_MIN: usize = 5;

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
        entry.received_at = entry.received_at.min(reading.received_at);
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
/// A reading can only arrive after it was measured, so the smallest `received − measured` among
/// readings received around it is the clock's offset plus the shortest way. A burst after an outage
/// spans too short a time of receipt to be taken for a wrong clock.
#[derive(Debug, Clone, Default)]
pub struct LoggerClock {
    /// `(received, received − measured)` in order of receipt.
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
        Self { arrivals }
    }

    /// The correction to add to a stamp received at that time, ms; zero for a right clock.
    #[must_use]
    pub fn offset_ms(&self, received_at: UtcMs) -> i64 {
        let from = self
            .arrivals
            .partition_point(|one| one.0 < received_at.0 - OFFSET_WINDOW_MS);
        let to = self
            .arrivals
            .partition_point(|one| one.0 <= received_at.0 + OFFSET_WINDOW_MS);
        let window = &self.arrivals[from..to];
        let (Some(first), Some(last)) = (window.first(), window.last()) else {
            return 0;
        };
        if window.len() < OFFSET_COUNT_MIN || last.0 - first.0 < OFFSET_SPAN_MS_MIN {
            return 0;
        }
        let smallest = window.iter().map(|one| one.1).min().unwrap_or(0);
        if smallest.abs() > CLOCK_OFFSET_MS_MAX {
            smallest
        } else {
            0
        }
    }

    /// The correction at the last receipt, ms.
    #[must_use]
    pub fn latest_offset_ms(&self) -> i64 {
        self.arrivals
            .last()
            .map_or(0, |last| self.offset_ms(UtcMs(last.0)))
    }
}

/// The samples of a channel within `[from, to)`, as corrected, in time order.
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
        .map(|entry| {
            let offset_ms = if is_right || !entry.is_clocked {
                0
            } else {
                clock.offset_ms(entry.received_at)
            };
            sample(entry, UtcMs(entry.at.0 + offset_ms))
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
}
