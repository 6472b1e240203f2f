//! The report in numbers, and as text with bars.

use std::collections::BTreeMap;
use std::fmt;

use serde::Serialize;

use super::{AHEAD_H, Kept};
use crate::replay::score::{Scored, Summary, summary};

/// So many pours in the order of time make one stretch of the rolling table.
pub(super) const STRETCH: usize = 20;
/// The horizon at which the rolling table judges, h.
const ROLLING_H: f64 = 4.0;
/// The text's bars are up to so many characters long.
const BAR: f64 = 30.0;

/// How good the forecast was.
#[derive(Debug, Serialize)]
pub(super) struct Report {
    all: Vec<Row>,
    by_mix: BTreeMap<String, Vec<Row>>,
    by_bed: BTreeMap<String, Vec<Row>>,
    /// Pours in the order of time, in stretches.
    rolling: Vec<Stretch>,
    first_sets: Vec<Said>,
    /// First sets with a temperature history: all of them, then by mix.
    first_ratios: Vec<Ratios>,
}

/// One horizon.
#[derive(Debug, Serialize)]
struct Row {
    ahead_h: f64,
    pour_count: usize,
    #[serde(flatten)]
    scores: Summary,
}

/// Some pours that followed each other.
#[derive(Debug, Serialize)]
struct Stretch {
    first_pour: String,
    last_pour: String,
    #[serde(flatten)]
    row: Row,
}

/// First sets that were said to pass about as likely.
#[derive(Debug, Serialize)]
struct Said {
    /// Mean of what was said.
    said: f64,
    set_count: usize,
    passed_count: usize,
}

/// Measured over estimated at first sets, against what was expected of them just before: in parts of
/// the estimate, an error positive where the concrete was weaker.
#[derive(Debug, Serialize)]
struct Ratios {
    /// `None` for all mixes together.
    mix: Option<String>,
    set_count: usize,
    median: f64,
    p90: f64,
    mean: f64,
    /// Of the interval that should hold 80 %.
    cover: f64,
    width: f64,
}

impl Report {
    /// From pours in the order of time.
    pub(super) fn of(pours: &[Kept]) -> Self {
        let (mixes, beds) = (
            grouped(pours, |one| &one.mix),
            grouped(pours, |one| &one.bed),
        );
        let judged = |groups: &BTreeMap<String, Vec<&Kept>>| {
            let judged = groups
                .iter()
                .map(|(name, pours)| (name.clone(), rows(pours.iter().copied())));
            judged.collect()
        };
        Self {
            all: rows(pours.iter()),
            by_mix: judged(&mixes),
            by_bed: judged(&beds),
            rolling: rolling(pours),
            first_sets: first_sets(pours),
            first_ratios: first_ratios(pours, &mixes),
        }
    }
}

fn grouped(pours: &[Kept], pick: fn(&Kept) -> &str) -> BTreeMap<String, Vec<&Kept>> {
    let mut groups: BTreeMap<String, Vec<&Kept>> = BTreeMap::new();
    for one in pours {
        groups.entry(pick(one).to_owned()).or_default().push(one);
    }
    groups
}

fn rows<'a>(pours: impl Iterator<Item = &'a Kept> + Clone) -> Vec<Row> {
    let row = |ahead_h: &f64| row(*ahead_h, pours.clone());
    AHEAD_H.iter().filter_map(row).collect()
}

fn row<'a>(ahead_h: f64, pours: impl Iterator<Item = &'a Kept>) -> Option<Row> {
    let scores: Vec<Scored> = pours.filter_map(|one| one.scored(ahead_h)).collect();
    Some(Row {
        ahead_h,
        pour_count: scores.len(),
        scores: summary(&scores)?,
    })
}

/// Each stretch for itself, so that they can be compared; a short rest stands alone.
fn rolling(pours: &[Kept]) -> Vec<Stretch> {
    let judged: Vec<&Kept> = pours
        .iter()
        .filter(|one| one.scored(ROLLING_H).is_some())
        .collect();
    let stretch = |some: &[&Kept]| {
        Some(Stretch {
            first_pour: some.first()?.pour.clone(),
            last_pour: some.last()?.pour.clone(),
            row: row(ROLLING_H, some.iter().copied())?,
        })
    };
    judged.chunks(STRETCH).filter_map(stretch).collect()
}

/// Of the concrete: how often first sets passed, beside what was said just before.
fn first_sets(pours: &[Kept]) -> Vec<Said> {
    let classes = [(0.0, 0.5), (0.5, 0.8), (0.8, 0.95), (0.95, 1.01)];
    let said = |(from, to): (f64, f64)| {
        let breaks = pours.iter().filter_map(|one| one.first_break);
        let within: Vec<(f64, bool)> = breaks
            .filter(|(said, _)| (from..to).contains(said))
            .collect();
        (!within.is_empty()).then(|| Said {
            said: within.iter().map(|one| one.0).sum::<f64>() / within.len() as f64,
            set_count: within.len(),
            passed_count: within.iter().filter(|one| one.1).count(),
        })
    };
    classes.into_iter().filter_map(said).collect()
}

fn first_ratios(pours: &[Kept], mixes: &BTreeMap<String, Vec<&Kept>>) -> Vec<Ratios> {
    let ratios = |mix: Option<&str>, scores: Vec<Scored>| {
        let found = summary(&scores)?;
        Some(Ratios {
            mix: mix.map(str::to_owned),
            set_count: scores.len(),
            median: found.median_h,
            p90: found.p90_h,
            mean: found.mean_h,
            cover: found.cover,
            width: found.width_h,
        })
    };
    let all = ratios(None, pours.iter().filter_map(Kept::scored_ratio).collect());
    let each = mixes.iter().filter_map(|(mix, pours)| {
        let scores = pours.iter().filter_map(|one| one.scored_ratio());
        ratios(Some(mix), scores.collect())
    });
    all.into_iter().chain(each).collect()
}

impl fmt::Display for Report {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(
            "Forecast by the curve, against when the readings had the slowest position there.\n\
             Hours; cover of the interval that should hold 80 %; a bar is the median error.\n",
        )?;
        section(f, "all pours", &self.all)?;
        for (mix, rows) in &self.by_mix {
            section(f, &format!("mix {mix}"), rows)?;
        }
        for (bed, rows) in &self.by_bed {
            section(f, &format!("bed {bed}"), rows)?;
        }
        writeln!(
            f,
            "\nas time went on, {ROLLING_H:.0} h ahead, {STRETCH} pours each"
        )?;
        let stretches = || self.rolling.iter().map(|stretch| &stretch.row);
        let longest_h = longest_h(stretches());
        for stretch in &self.rolling {
            line(f, &stretch.row, longest_h)?;
            writeln!(
                f,
                "         {} to {}",
                stretch.first_pour, stretch.last_pour
            )?;
        }
        if self.rolling.is_empty() {
            f.write_str("  no forecast could be judged\n")?;
        }
        f.write_str(
            "\nFirst sets broken, by the probability that was said before for the slowest position; cylinders\n\
             that ran ahead of it pass earlier, and confirm nothing until it has caught up\n",
        )?;
        for said in &self.first_sets {
            writeln!(
                f,
                "  said {:>3.0} %: {} of {} passed ({:.0} %)",
                100.0 * said.said,
                said.passed_count,
                said.set_count,
                100.0 * said.passed_count as f64 / said.set_count as f64
            )?;
        }
        f.write_str(
            "\nFirst sets with a temperature history: what was expected of measured over estimated, less what it\n\
             was, in % of the estimate (plus: weaker than expected)\n  mix          sets  median    P90   mean   cover   width\n",
        )?;
        for one in &self.first_ratios {
            writeln!(
                f,
                "  {:<10}  {:>5}  {:>6.1} {:>6.1} {:>+6.1}  {:>4.0} %  {:>6.1}",
                one.mix.as_deref().unwrap_or("all"),
                one.set_count,
                100.0 * one.median,
                100.0 * one.p90,
                100.0 * one.mean,
                100.0 * one.cover,
                100.0 * one.width
            )?;
        }
        Ok(())
    }
}

fn longest_h<'a>(rows: impl Iterator<Item = &'a Row>) -> f64 {
    rows.map(|row| row.scores.median_h).fold(1e-9, f64::max)
}

fn section(f: &mut fmt::Formatter<'_>, name: &str, rows: &[Row]) -> fmt::Result {
    writeln!(
        f,
        "\n{name}\n  ahead  pours  median    P90   mean   cover   width    loss"
    )?;
    for row in rows {
        line(f, row, longest_h(rows.iter()))?;
    }
    if rows.is_empty() {
        f.write_str("  no forecast could be judged\n")?;
    }
    Ok(())
}

fn line(f: &mut fmt::Formatter<'_>, row: &Row, longest_h: f64) -> fmt::Result {
    let scores = &row.scores;
    writeln!(
        f,
        "  {:>3.0} h  {:>5}  {:>6.2} {:>6.2} {:>+6.2}  {:>4.0} %  {:>6.2}  {:>6.3}  {}",
        row.ahead_h,
        row.pour_count,
        scores.median_h,
        scores.p90_h,
        scores.mean_h,
        100.0 * scores.cover,
        scores.width_h,
        scores.loss_h,
        "█".repeat((BAR * scores.median_h / longest_h).round() as usize)
    )
}
