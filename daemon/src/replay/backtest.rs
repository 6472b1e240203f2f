//! How good the forecast was on a plant's own past: errors, cover and loss by horizon, mix and bed, and
//! how they went over time.
//!
//! A forecast by the curve is judged against the moment at which the readings had the slowest position
//! reach the curve's maturity. What the concrete truly had nobody knows between breaks, so of the
//! concrete the breaks are counted: whether a set passed as often as it was said to, and whether sets
//! with a temperature history were as strong beside their curve as was expected.

mod picture;
mod report;

use std::collections::BTreeMap;
use std::fs;
use std::io::Write;
use std::path::PathBuf;

use anyhow::Context;
use daemon_core::assessment::ForecastWindow;
use daemon_core::plant::Plant;
use daemon_core::time::UtcMs;

use crate::config::PlantFile;
use crate::replay::score::Scored;
use crate::replay::{Playback, ReplayOptions};
use report::Report;

/// Horizons at which forecasts are judged, h before the curve's time.
const AHEAD_H: [f64; 4] = [6.0, 4.0, 2.0, 1.0];
/// An answer counts for a horizon when it was asked this near to it, h.
const NEAR_H: f64 = 0.5;
/// Nine of ten of a normal distribution lie below so many deviations.
const TENTH_DEVIATIONS: f64 = 1.2816;

/// How the report is told.
#[derive(Debug, Clone, Default)]
pub struct Telling {
    /// As one JSON object in place of text.
    pub as_json: bool,
    /// A folder for a chart of each horizon, and one of all.
    pub charts: Option<PathBuf>,
}

/// One answer about one pour.
#[derive(Debug, Clone, Copy)]
struct Answer {
    at: UtcMs,
    window: ForecastWindow,
}

/// What is remembered of one pour.
#[derive(Debug, Default)]
struct Kept {
    pour: String,
    bed: String,
    mix: String,
    answers: Vec<Answer>,
    reached_at: Option<UtcMs>,
    /// The probability of passing last said before the first break, and whether it passed.
    said: Option<f64>,
    first_break: Option<(f64, bool)>,
    /// Measured over estimated, as a logarithm with its deviation: what was last expected of the first
    /// break, and what it then was, where its specimens had a temperature history.
    expected_ratio_ln: Option<(f64, f64)>,
    ratio_ln: Option<f64>,
}

/// Plays the past and prints the report; writes the charts where a folder is named for them.
///
/// # Errors
/// What is wrong in which file, or why the report or a chart cannot be written.
pub fn backtest(
    options: &ReplayOptions,
    telling: &Telling,
    out: &mut dyn Write,
) -> anyhow::Result<()> {
    let plant_file = PlantFile::load(&options.plant, &options.curves)?;
    let mut playback = Playback::load(plant_file, options)?;
    if let Some(folder) = &telling.charts {
        // Before the past is played, which takes a while.
        fs::create_dir_all(folder)
            .with_context(|| format!("cannot make the folder {}", folder.display()))?;
    }
    let mut kept: BTreeMap<String, Kept> = BTreeMap::new();
    for at in playback.asked.clone() {
        remember(playback.advance(at), at, &mut kept);
    }
    for (pour, summary) in playback.plant.summaries() {
        if let Some(one) = kept.get_mut(pour) {
            one.ratio_ln = summary.ratio_ln;
        }
    }
    // In the order in which they got there, so that what came of learning is seen.
    let mut pours: Vec<Kept> = kept.into_values().collect();
    pours.sort_by(|a, b| (a.reached_at, &a.pour).cmp(&(b.reached_at, &b.pour)));
    if let Some(folder) = &telling.charts {
        let each = AHEAD_H.map(|ahead_h| {
            let name = format!("ahead-{ahead_h:.0}h.svg");
            (name, picture::of_horizon(&pours, ahead_h))
        });
        let all = (
            "all-horizons.svg".to_owned(),
            picture::over_horizons(&pours),
        );
        for (name, chart) in each.into_iter().chain([all]) {
            let file = folder.join(name);
            fs::write(&file, chart::svg(&chart))
                .with_context(|| format!("cannot write {}", file.display()))?;
        }
    }
    let report = Report::of(&pours);
    let text = if telling.as_json {
        format!("{}\n", serde_json::to_string(&report)?)
    } else {
        report.to_string()
    };
    out.write_all(text.as_bytes())
        .and_then(|()| out.flush())
        .context("cannot write the report")
}

fn remember(plant: &Plant, at: UtcMs, kept: &mut BTreeMap<String, Kept>) {
    for pour in plant.forecasts(at) {
        let one = kept.entry(pour.record.id.clone()).or_default();
        one.pour.clone_from(&pour.record.id);
        one.bed.clone_from(&pour.record.facts.bed);
        one.mix.clone_from(&pour.record.facts.mix);
        let window = pour.forecast.by_curve;
        if pour.forecast.is_curve_reached {
            one.reached_at = window.likely_at;
        } else {
            one.answers.push(Answer { at, window });
        }
        if one.first_break.is_none() {
            let first = pour.breaks.iter().find(|broken| broken.is_release_set);
            match first {
                Some(first) => one.first_break = one.said.map(|said| (said, first.passes)),
                None => {
                    one.said = pour.forecast.pass_probability_now;
                    one.expected_ratio_ln = pour.forecast.next_ratio_ln;
                }
            }
        }
    }
}

impl Kept {
    /// The answer nearest to a horizon, scored; `None` where none was asked near it.
    fn scored(&self, ahead_h: f64) -> Option<Scored> {
        let reached_at = self.reached_at?;
        let off_h = |answer: &&Answer| (reached_at.hours_since(answer.at) - ahead_h).abs();
        let nearest = self
            .answers
            .iter()
            .min_by(|a, b| off_h(a).total_cmp(&off_h(b)))
            .filter(|answer| off_h(answer) <= NEAR_H)?;
        let after_h = |at: UtcMs| at.hours_since(reached_at);
        Some(Scored {
            early_h: after_h(nearest.window.early_at?),
            likely_h: after_h(nearest.window.likely_at?),
            late_h: after_h(nearest.window.late_at?),
        })
    }

    /// What was expected of the first break's strength, less what it was, in parts of the estimate.
    fn scored_ratio(&self) -> Option<Scored> {
        let (expected_ln, sd_ln) = self.expected_ratio_ln?;
        let ratio_ln = self.ratio_ln?;
        let off = |deviations: f64| expected_ln + deviations * sd_ln - ratio_ln;
        Some(Scored {
            early_h: off(-TENTH_DEVIATIONS),
            likely_h: off(0.0),
            late_h: off(TENTH_DEVIATIONS),
        })
    }
}

#[cfg(test)]
mod tests;
