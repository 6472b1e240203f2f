//! Positions that fall behind their own heat balance: heat is lost there that no air sensor shows.

use crate::forecast::STEP_H;

/// A fall counts where a position lost at least this within an hour against its heat balance, °C …
const FALL_C_MIN: f64 = 1.0;
const HOUR_POINTS: usize = 6;
/// … as seen from each of the last so many points.
const SEEN_POINTS: usize = 3;
/// Its beginning is looked for so many points back.
const BACK_POINTS: usize = 18;

/// How much a position lost that the air that was read does not explain.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Fall {
    /// Since so many hours.
    pub(super) since_h: f64,
    pub(super) fall_c: f64,
}

/// Such a fall up to the last point, from what a position read at each and what its sensor would have
/// read by its heat balance.
///
/// The thresholds come from simulated nights of another model: without a fault the difference from
/// reading to balance moves by .3 °C (standard deviation) in an hour.
pub(super) fn unexplained(read_c: &[Option<f64>], model_c: &[f64]) -> Option<Fall> {
    let last = model_c.len().checked_sub(1)?;
    let above_c = |point: usize| Some((*read_c.get(point)?)? - model_c.get(point)?);
    for back in 0..SEEN_POINTS {
        let point = last.checked_sub(back)?;
        let lost_c = above_c(point.checked_sub(HOUR_POINTS)?)? - above_c(point)?;
        if lost_c < FALL_C_MIN {
            return None;
        }
    }
    let (began, highest_c) = (last.saturating_sub(BACK_POINTS)..last)
        .filter_map(|point| Some((point, above_c(point)?)))
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    Some(Fall {
        since_h: (last - began) as f64 * STEP_H,
        fall_c: highest_c - above_c(last)?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A position that was so much above its balance at each point up to now; NaN where it was not read.
    fn fall_of(above_c: &[f64]) -> Option<Fall> {
        let model_c: Vec<f64> = (0..above_c.len())
            .map(|point| 30.0 + point as f64)
            .collect();
        let read = model_c.iter().zip(above_c).map(|(model, above)| {
            let read_c = model + above;
            read_c.is_finite().then_some(read_c)
        });
        unexplained(&read.collect::<Vec<_>>(), &model_c)
    }

    #[test]
    fn a_lasting_fall_counts_from_where_it_began() {
        let mut above_c = vec![0.1; 19];
        above_c.push(0.2);
        above_c.extend((1..=10).map(|point| 0.2 - 0.2 * f64::from(point)));
        let fall = fall_of(&above_c).expect("a fall");
        assert!((fall.fall_c - 2.0).abs() < 1e-9, "{fall:?}");
        assert!((fall.since_h - 10.0 / 6.0).abs() < 1e-9, "{fall:?}");
    }

    #[test]
    fn drift_a_single_low_reading_and_what_nobody_read_are_no_fall() {
        let drifting: Vec<f64> = (0..30).map(|point| -0.1 * f64::from(point)).collect();
        assert_eq!(fall_of(&drifting), None);
        let mut once = vec![0.0; 29];
        once.push(-3.0);
        assert_eq!(fall_of(&once), None);
        let mut unread = vec![0.0; 20];
        unread.extend([f64::NAN; 6]);
        unread.extend([-3.0; 3]);
        assert_eq!(fall_of(&unread), None);
        assert_eq!(fall_of(&[0.0, -1.0, -2.0]), None);
    }
}
