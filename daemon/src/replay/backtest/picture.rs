//! Charts: all horizons side by side, and each by itself with its pours in the order of time.

use chart::{Chart, Mark};
use daemon_core::statistics::quantile;

use super::report::STRETCH;
use super::{AHEAD_H, Kept};
use crate::replay::score::{Scored, summary};

/// Horizons that are drawn side by side: each of so many steps, h …
const HORIZON_STEP_H: f64 = 0.5;
const HORIZON_COUNT: u32 = 24;
/// … at which at least so many pours were forecast.
const POUR_COUNT_MIN: usize = 5;

/// How far forecasts were off over how far ahead they were made: the middle eight of ten errors as a
/// band, and what the forecasts themselves said of it as a pair of lines.
pub(super) fn over_horizons(pours: &[Kept]) -> Chart {
    let horizons: Vec<(f64, Vec<Scored>)> = (1..=HORIZON_COUNT)
        .map(|index| {
            let ahead_h = HORIZON_STEP_H * f64::from(index);
            let scores = pours.iter().filter_map(|one| one.scored(ahead_h));
            (ahead_h, scores.collect())
        })
        .filter(|(_, scores): &(f64, Vec<Scored>)| scores.len() >= POUR_COUNT_MIN)
        .collect();
    let at = |share: f64, value: fn(&Scored) -> f64| {
        horizons.iter().filter_map(move |(ahead_h, scores)| {
            let values: Vec<f64> = scores.iter().map(value).collect();
            Some((*ahead_h, quantile(&values, share)?))
        })
    };
    let off = |one: &Scored| one.likely_h;
    let said = [
        |one: &Scored| one.early_h - one.likely_h,
        |one: &Scored| one.late_h - one.likely_h,
    ];
    let covers: Vec<String> = AHEAD_H
        .iter()
        .filter_map(|ahead_h| {
            let scores: Vec<Scored> = pours
                .iter()
                .filter_map(|one| one.scored(*ahead_h))
                .collect();
            let cover = summary(&scores)?.cover;
            Some(format!("{:.0} % at {ahead_h:.0} h", 100.0 * cover))
        })
        .collect();
    Chart {
        title: "Forecast by the curve less what came, over how far ahead".to_owned(),
        x_label: "hours before the line got there".to_owned(),
        y_label: "early is below, late above, h".to_owned(),
        is_x_logarithmic: false,
        band: at(0.1, off)
            .zip(at(0.9, off))
            .map(|((ahead_h, low), (_, high))| (ahead_h, low, high))
            .collect(),
        lines: said.map(|value| at(0.5, value).collect()).to_vec(),
        marks: at(0.5, off).map(|(x, y)| (x, y, Mark::Filled)).collect(),
        levels: vec![(0.0, String::new())],
        places: Vec::new(),
        note: format!(
            "Shade: eight of ten were off by this; dots: the middle. Lines: their windows, which should hold \
             80 %; they held {}. Broken cylinders decide; a person signs.",
            if covers.is_empty() {
                "none yet".to_owned()
            } else {
                covers.join(", ")
            }
        ),
    }
}

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
