//! One horizon as a chart: each pour's forecast less what came, in the order of time.

use chart::{Chart, Mark};
use daemon_core::statistics::quantile;

use super::Kept;
use super::report::STRETCH;
use crate::replay::score::Scored;

/// Forecast less what came, h, over the pours in the order of time: the window as a band, the likely time
/// as a point, and the size of error that half of the last pours kept within as a pair of lines.
pub(super) fn of_horizon(pours: &[Kept], ahead_h: f64) -> Chart {
    let scores: Vec<Scored> = pours.iter().filter_map(|one| one.scored(ahead_h)).collect();
    let place = |index: usize| (index + 1) as f64;
    let each = || scores.iter().enumerate();
    let is_held = |one: &Scored| one.early_h <= 0.0 && one.late_h >= 0.0;
    let kept_within_h: Vec<(f64, f64)> = (0..scores.len())
        .filter_map(|index| {
            let from = index.checked_sub(STRETCH - 1)?;
            let sizes: Vec<f64> = scores[from..=index]
                .iter()
                .map(|one| one.likely_h.abs())
                .collect();
            Some((place(index), quantile(&sizes, 0.5)?))
        })
        .collect();
    let below = kept_within_h.iter().map(|(x, size_h)| (*x, -size_h));
    let held_count = scores.iter().filter(|one| is_held(one)).count();
    Chart {
        title: format!("Forecast by the curve, {ahead_h:.0} h ahead, less what came"),
        x_label: "pours, in the order of time".to_owned(),
        y_label: "early is below, late above, h".to_owned(),
        is_x_logarithmic: false,
        band: each()
            .map(|(index, one)| (place(index), one.early_h, one.late_h))
            .collect(),
        lines: vec![below.collect(), kept_within_h],
        marks: each()
            .map(|(index, one)| {
                let mark = if is_held(one) {
                    Mark::Filled
                } else {
                    Mark::Open
                };
                (place(index), one.likely_h, mark)
            })
            .collect(),
        // The level of what came; a name would hide the pours that stand near it.
        levels: vec![(0.0, String::new())],
        places: Vec::new(),
        note: format!(
            "Shade: early to late, which should hold 80 %; it held {held_count} of {}, filled; open: \
             missed. Lines: half of the last {STRETCH} pours were off by no more. Broken cylinders \
             decide; a person signs.",
            scores.len()
        ),
    }
}
