//! Which plug is which, and whether channels that lie in one air agree: for the hour before a pour.

use std::sync::Arc;

use crate::channel::Sample;
use crate::statistics::median;
use crate::time::UtcMs;

/// A junction warmed in the hand moves at least this far against all others, °C.
const MOVED_C_MIN: f64 = 2.0;
/// The next channel may move by this part of it: else nobody can say which of the two it was.
const NEXT_FRACTION_MAX: f64 = 0.5;

/// What one channel last said, and how far it has moved since a moment.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelNow {
    pub channel: Arc<str>,
    /// Its last word; `None` where nothing came.
    pub last: Option<Sample>,
    /// °C; `None` where it said nothing before that moment or nothing since.
    pub moved_c: Option<f64>,
}

impl ChannelNow {
    /// From the samples of a channel, those before the moment included.
    #[must_use]
    pub fn of(channel: Arc<str>, samples: &[Sample], since: UtcMs) -> Self {
        let began_at = samples.partition_point(|sample| sample.at <= since);
        let (before, after) = samples.split_at(began_at);
        let earlier = before.iter().rev().find_map(|sample| sample.low_c);
        // A plug that was not in at that moment has moved since it first spoke.
        let first = earlier.or_else(|| after.iter().find_map(|sample| sample.low_c));
        let last_c = after.last().and_then(|sample| sample.low_c);
        Self {
            channel,
            last: samples.last().cloned(),
            moved_c: first.zip(last_c).map(|(first, last)| last - first),
        }
    }
}

/// The one channel that has moved against the middle of all others, and how far, °C.
#[must_use]
pub fn stands_out(channels: &[ChannelNow]) -> Option<(Arc<str>, f64)> {
    let moved: Vec<(&ChannelNow, f64)> = channels
        .iter()
        .filter_map(|one| Some((one, one.moved_c?)))
        .collect();
    let middle_c = median(&moved.iter().map(|one| one.1).collect::<Vec<_>>())?;
    let mut against: Vec<(&ChannelNow, f64)> = moved
        .into_iter()
        .map(|(one, moved_c)| (one, moved_c - middle_c))
        .collect();
    against.sort_by(|one, other| other.1.abs().total_cmp(&one.1.abs()));
    let (first, first_c) = *against.first()?;
    let next_c = against.get(1).map_or(0.0, |next| next.1.abs());
    // Of two channels each stands as far from the middle as the other: a third is needed to tell.
    let is_alone = next_c <= first_c.abs() * NEXT_FRACTION_MAX && against.len() > 2;
    (first_c.abs() >= MOVED_C_MIN && is_alone).then(|| (Arc::clone(&first.channel), first_c))
}

/// How channels that lie in one air read together.
#[derive(Debug, Clone, PartialEq)]
pub struct Agreement {
    pub middle_c: f64,
    /// How far the furthest of those that agree is from the middle, °C.
    pub within_c: f64,
    /// Places in what was asked, of those that are further from the middle than sensors may differ.
    pub apart: Vec<usize>,
}

/// Compares what channels read now with their middle; `None` where none reads.
///
/// Two sensors that are both right within `tolerance_c` differ by twice that at most.
#[must_use]
pub fn agreement(read_c: &[Option<f64>], tolerance_c: f64) -> Option<Agreement> {
    let middle_c = median(&read_c.iter().copied().flatten().collect::<Vec<_>>())?;
    let from_middle = |read: &Option<f64>| read.map(|read| (read - middle_c).abs());
    let is_apart = |read: &Option<f64>| from_middle(read).is_some_and(|c| c > 2.0 * tolerance_c);
    let apart = (0..read_c.len()).filter(|at| is_apart(&read_c[*at]));
    let agree = read_c.iter().filter(|read| !is_apart(read));
    Some(Agreement {
        middle_c,
        within_c: agree.filter_map(from_middle).fold(0.0, f64::max),
        apart: apart.collect(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn channel(name: &str, read_c: &[Option<f64>]) -> ChannelNow {
        let samples: Vec<Sample> = (0..)
            .zip(read_c)
            .map(|(minute, read_c)| Sample {
                at: UtcMs(minute * 60_000),
                low_c: *read_c,
                high_c: *read_c,
                fault: None,
                is_conflict: false,
                is_late: false,
            })
            .collect();
        ChannelNow::of(name.into(), &samples, UtcMs(90_000))
    }

    fn steady(name: &str) -> ChannelNow {
        channel(name, &[Some(14.0), Some(14.1), Some(14.0), Some(14.2)])
    }

    #[test]
    fn the_channel_whose_junction_is_warmed_in_the_hand_stands_out() {
        let warmed = channel("3", &[Some(14.0), Some(14.1), Some(19.0), Some(26.0)]);
        let found = stands_out(&[steady("1"), steady("2"), warmed]).expect("one stands out");
        assert_eq!(&*found.0, "3");
        assert!((found.1 - 11.8).abs() < 1e-9, "{}", found.1);
    }

    #[test]
    fn nobody_is_named_where_two_move_or_all_do_or_none() {
        let warmed = |name: &str| channel(name, &[Some(14.0), Some(14.0), Some(20.0), Some(24.0)]);
        let two = [steady("1"), steady("2"), warmed("3"), warmed("4")];
        assert_eq!(stands_out(&two), None);
        let all = [warmed("1"), warmed("2"), warmed("3")];
        assert_eq!(stands_out(&all), None);
        assert_eq!(stands_out(&[steady("1"), steady("2"), steady("3")]), None);
        assert_eq!(stands_out(&[steady("1"), warmed("2")]), None);
        assert_eq!(stands_out(&[]), None);
    }

    #[test]
    fn a_plug_put_in_later_has_moved_since_it_first_spoke() {
        let late = channel("3", &[None, None, Some(14.0), Some(21.0)]);
        assert_eq!(late.moved_c, Some(7.0));
        let fell_silent = channel("3", &[Some(14.0)]);
        assert_eq!(fell_silent.moved_c, None);
    }

    #[test]
    fn a_channel_apart_from_the_middle_is_named_and_a_silent_one_is_not_judged() {
        let read = [Some(14.0), Some(14.6), None, Some(19.0), Some(14.2)];
        let found = agreement(&read, 1.0).expect("four read");
        assert_eq!(found.apart, [3]);
        assert!((found.middle_c - 14.4).abs() < 1e-9);
        assert!((found.within_c - 0.4).abs() < 1e-9);
        assert_eq!(agreement(&[None, None], 1.0), None);
    }
}
