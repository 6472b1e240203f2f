//! Positions that fall behind their own heat balance: heat is lost there that no air sensor shows.
//!
//! A heat balance is never quite right, and what it misses moves all positions alike, or the same one
//! earlier in the night. So a fall counts only where it is larger than the others' and than any before.

use crate::grid::STEP_H;
use crate::statistics::median;

/// A fall counts where a position lost at least this within an hour against its heat balance, °C …
const FALL_C_MIN: f64 = 1.0;
const HOUR_POINTS: usize = 6;
/// … at least so much more than half of the others, of which there must be so many, °C …
const APART_C_MIN: f64 = 0.8;
const OTHER_COUNT_MIN: usize = 3;
/// … as seen from each of the last so many points.
const SEEN_POINTS: usize = 3;
/// Its beginning is looked for so many points back; what came before that was before it.
const BACK_POINTS: usize = 18;

/// What a position read at each point, and what its sensor would have read by its heat balance. Both end
/// now.
pub(super) struct Read<'a> {
    pub(super) read_c: &'a [Option<f64>],
    pub(super) model_c: &'a [f64],
}

/// How much a position lost that the air that was read does not explain.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Fall {
    /// Since so many hours.
    pub(super) since_h: f64,
    pub(super) fall_c: f64,
}

impl Read<'_> {
    /// Reading less balance, so many points ago.
    fn above_c(&self, ago: usize) -> Option<f64> {
        let point = self.model_c.len().checked_sub(ago + 1)?;
        Some((*self.read_c.get(point)?)? - self.model_c[point])
    }

    /// What it lost against its balance in the hour up to so many points ago.
    fn lost_c(&self, ago: usize) -> Option<f64> {
        Some(self.above_c(ago + HOUR_POINTS)? - self.above_c(ago)?)
    }

    /// The most that it moved in any hour before.
    fn moved_before_c(&self) -> f64 {
        (BACK_POINTS..self.model_c.len())
            .filter_map(|ago| self.lost_c(ago))
            .fold(0.0, |most, lost_c| lost_c.abs().max(most))
    }
}

/// Such a fall of one of the positions up to now.
pub(super) fn unexplained(positions: &[Read<'_>], index: usize) -> Option<Fall> {
    let position = positions.get(index)?;
    let before_c = position.moved_before_c();
    for ago in 0..SEEN_POINTS {
        let others = positions
            .iter()
            .enumerate()
            .filter(|(other, _)| *other != index);
        let others: Vec<f64> = others.filter_map(|(_, other)| other.lost_c(ago)).collect();
        let lost_c = position.lost_c(ago)?;
        let is_large = lost_c >= FALL_C_MIN.max(before_c);
        let is_apart = lost_c - median(&others)? >= APART_C_MIN;
        if !is_large || !is_apart || others.len() < OTHER_COUNT_MIN {
            return None;
        }
    }
    let (since, highest_c) = (1..=BACK_POINTS)
        .filter_map(|ago| Some((ago, position.above_c(ago)?)))
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    Some(Fall {
        since_h: since as f64 * STEP_H,
        fall_c: highest_c - position.above_c(0)?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The first of four positions, each so much above its balance at each point up to now; NaN where it
    /// was not read.
    fn fall_of(above_c: &[f64], others_c: &[f64]) -> Option<Fall> {
        let model_c: Vec<f64> = (0..above_c.len())
            .map(|point| 30.0 + point as f64)
            .collect();
        let read = |above_c: &[f64]| -> Vec<Option<f64>> {
            let read = model_c
                .iter()
                .zip(above_c)
                .map(|(model, above)| model + above);
            read.map(|read_c| read_c.is_finite().then_some(read_c))
                .collect()
        };
        let (own, other) = (read(above_c), read(others_c));
        let positions = [&own, &other, &other, &other].map(|read_c| Read {
            read_c,
            model_c: &model_c,
        });
        unexplained(&positions, 0)
    }

    /// Calm, then falling by .2 °C at each of the last ten points.
    fn fallen() -> Vec<f64> {
        let mut above_c = vec![0.1; 29];
        above_c.push(0.2);
        above_c.extend((1..=10).map(|point| 0.2 - 0.2 * f64::from(point)));
        above_c
    }

    #[test]
    fn a_lasting_fall_counts_from_where_it_began() {
        let fall = fall_of(&fallen(), &[0.0; 40]).expect("a fall");
        assert!((fall.fall_c - 2.0).abs() < 1e-9, "{fall:?}");
        assert!((fall.since_h - 10.0 / 6.0).abs() < 1e-9, "{fall:?}");
    }

    #[test]
    fn what_all_do_or_what_it_did_before_is_a_fault_of_the_balance() {
        let mut others_c = vec![0.0; 30];
        others_c.extend((1..=10).map(|point| -0.1 * f64::from(point)));
        assert_eq!(fall_of(&fallen(), &others_c), None);
        let mut restless = fallen();
        restless[2] = 3.0;
        assert_eq!(fall_of(&restless, &[0.0; 40]), None);
        assert_eq!(fall_of(&fallen(), &[f64::NAN; 40]), None, "with no others");
    }

    #[test]
    fn drift_a_single_low_reading_and_what_nobody_read_are_no_fall() {
        let drifting: Vec<f64> = (0..40).map(|point| -0.1 * f64::from(point)).collect();
        assert_eq!(fall_of(&drifting, &[0.0; 40]), None);
        let mut once = vec![0.0; 39];
        once.push(-3.0);
        assert_eq!(fall_of(&once, &[0.0; 40]), None);
        let mut unread = vec![0.0; 31];
        unread.extend([f64::NAN; 6]);
        unread.extend([-3.0; 3]);
        assert_eq!(fall_of(&unread, &[0.0; 40]), None);
        assert_eq!(fall_of(&[0.0, -1.0, -2.0], &[0.0; 3]), None);
    }
}
