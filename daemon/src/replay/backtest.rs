//! How good the forecast was on a plant's own past: errors, cover and loss by horizon, mix and bed.
//!
//! A forecast by the curve is judged against the moment at which the readings had the slowest position
//! reach the curve's maturity. What the concrete truly had nobody knows between breaks, so of the
//! concrete the breaks are counted: whether a set passed as often as it was said to.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::io::Write;

use anyhow::Context;
use daemon_core::assessment::ForecastWindow;
use daemon_core::plant::Plant;
use daemon_core::time::UtcMs;

use crate::config::PlantFile;
use crate::replay::score::{Scored, summary};
use crate::replay::{Playback, ReplayOptions};

/// Horizons at which forecasts are judged, h before the curve's time.
const AHEAD_H: [f64; 4] = [6.0, 4.0, 2.0, 1.0];
/// An answer counts for a horizon when it was asked this near to it, h.
const NEAR_H: f64 = 0.5;
/// The chart's bars are up to so many characters long.
const BAR: f64 = 30.0;

/// One answer about one pour.
#[derive(Debug, Clone, Copy)]
struct Answer {
    at: UtcMs,
    window: ForecastWindow,
}

/// What is remembered of one pour.
#[derive(Debug, Default)]
struct Kept {
    bed: String,
    mix: String,
    answers: Vec<Answer>,
    reached_at: Option<UtcMs>,
    /// The probability of passing last said before the first break, and whether it passed.
    said: Option<f64>,
    first_break: Option<(f64, bool)>,
}

/// Plays the past and prints the report as text with bars.
///
/// # Errors
/// What is wrong in which file, or why the report cannot be written.
pub fn backtest(options: &ReplayOptions, out: &mut dyn Write) -> anyhow::Result<()> {
    let plant_file = PlantFile::load(&options.plant, &options.curves)?;
    let mut playback = Playback::load(plant_file, options)?;
    let mut kept: BTreeMap<String, Kept> = BTreeMap::new();
    for at in playback.asked.clone() {
        remember(playback.advance(at), at, &mut kept);
    }
    out.write_all(report(&kept).as_bytes())
        .and_then(|()| out.flush())
        .context("cannot write the report")
}

fn remember(plant: &Plant, at: UtcMs, kept: &mut BTreeMap<String, Kept>) {
    for pour in plant.assess(at).pours {
        if !pour.record.is_under_cure() {
            continue;
        }
        let one = kept.entry(pour.record.id.clone()).or_default();
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
                None => one.said = pour.forecast.pass_probability_now,
            }
        }
    }
}

/// Each answer nearest to a horizon, scored.
fn scored(kept: &Kept, ahead_h: f64) -> Option<Scored> {
    let reached_at = kept.reached_at?;
    let off_h = |answer: &&Answer| (reached_at.hours_since(answer.at) - ahead_h).abs();
    let nearest = kept
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

fn report(kept: &BTreeMap<String, Kept>) -> String {
    let mut text = String::from(
        "Forecast by the curve, against when the readings had the slowest position there.\n\
         Hours; cover of the interval that should hold 80 %; a bar is the median error.\n",
    );
    section(&mut text, "all pours", kept.values());
    let groups = |pick: &dyn Fn(&Kept) -> String| -> BTreeMap<String, Vec<&Kept>> {
        let mut groups: BTreeMap<String, Vec<&Kept>> = BTreeMap::new();
        for one in kept.values() {
            groups.entry(pick(one)).or_default().push(one);
        }
        groups
    };
    for (mix, pours) in groups(&|one| one.mix.clone()) {
        section(&mut text, &format!("mix {mix}"), pours.into_iter());
    }
    for (bed, pours) in groups(&|one| one.bed.clone()) {
        section(&mut text, &format!("bed {bed}"), pours.into_iter());
    }
    breaks(&mut text, kept);
    text
}

fn section<'a>(text: &mut String, name: &str, pours: impl Iterator<Item = &'a Kept> + Clone) {
    let _ = writeln!(
        text,
        "\n{name}\n  ahead  pours  median    P90   mean   cover   width    loss"
    );
    let rows: Vec<_> = AHEAD_H
        .iter()
        .filter_map(|ahead_h| {
            let scores: Vec<Scored> = pours
                .clone()
                .filter_map(|one| scored(one, *ahead_h))
                .collect();
            Some((ahead_h, scores.len(), summary(&scores)?))
        })
        .collect();
    let longest = rows.iter().map(|row| row.2.median_h).fold(1e-9, f64::max);
    for (ahead_h, count, row) in &rows {
        let bar = "█".repeat((BAR * row.median_h / longest).round() as usize);
        let _ = writeln!(
            text,
            "  {ahead_h:>3.0} h  {count:>5}  {:>6.2} {:>6.2} {:>+6.2}  {:>4.0} %  {:>6.2}  {:>6.3}  {bar}",
            row.median_h,
            row.p90_h,
            row.mean_h,
            100.0 * row.cover,
            row.width_h,
            row.loss_h,
        );
    }
    if rows.is_empty() {
        text.push_str("  no forecast could be judged\n");
    }
}

/// Of the concrete: how often first sets passed, beside what was said just before.
fn breaks(text: &mut String, kept: &BTreeMap<String, Kept>) {
    text.push_str("\nFirst sets broken, by the probability of passing that was said before\n");
    for (from, to) in [(0.0, 0.5), (0.5, 0.8), (0.8, 0.95), (0.95, 1.01)] {
        let within: Vec<(f64, bool)> = kept
            .values()
            .filter_map(|one| one.first_break)
            .filter(|(said, _)| (from..to).contains(said))
            .collect();
        if within.is_empty() {
            continue;
        }
        let count = within.len() as f64;
        let said = within.iter().map(|one| one.0).sum::<f64>() / count;
        let passed = within.iter().filter(|one| one.1).count();
        let _ = writeln!(
            text,
            "  said {:>3.0} %: {passed} of {} passed ({:.0} %)",
            100.0 * said,
            within.len(),
            100.0 * passed as f64 / count
        );
    }
}
