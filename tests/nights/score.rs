//! Errors and cover of the forecasts, by horizon and by kind of night.

use std::collections::BTreeMap;
use std::fmt::Write;

use chrono::{DateTime, TimeDelta, Utc};

use crate::answers::{Said, Window};
use crate::truth::Pour;

/// Hours before the truth at which a forecast is judged.
const HORIZONS_H: [i64; 4] = [6, 4, 2, 1];
/// A forecast older than this is none.
const ASKED_WITHIN: TimeDelta = TimeDelta::minutes(10);

/// One forecast against what came.
#[derive(Debug, Clone, Copy)]
struct Judged {
    /// Forecast minus truth, h.
    error_h: f64,
    width_h: f64,
    is_covered: bool,
}

/// All forecasts judged, and how often there was none.
#[derive(Debug, Default)]
pub struct Table {
    judged: BTreeMap<(&'static str, i64, &'static str), Vec<Judged>>,
    missing: BTreeMap<(&'static str, i64), usize>,
    /// How much later than the curve the concrete got there, h, by seed and mix.
    apart_h: BTreeMap<(u64, String), Vec<f64>>,
    never_count: usize,
}

impl Table {
    /// Judges one pour at each horizon, against both truths.
    pub fn add(&mut self, seed: u64, pour: &Pour, said: &[Said]) {
        if let (Some(curve_at), Some(concrete_at)) = (pour.curve_at, pour.concrete_at) {
            let of_mix = self.apart_h.entry((seed, pour.mix.clone())).or_default();
            of_mix.push(hours(concrete_at - curve_at));
        }
        self.add_one("curve", pour.kind, pour.curve_at, said, |one| one.curve);
        self.add_one("concrete", pour.kind, pour.concrete_at, said, |one| {
            one.concrete
        });
    }

    fn add_one(
        &mut self,
        truth: &'static str,
        kind: &'static str,
        reached_at: Option<DateTime<Utc>>,
        said: &[Said],
        window: impl Fn(&Said) -> Option<Window>,
    ) {
        let Some(reached_at) = reached_at else {
            self.never_count += 1;
            return;
        };
        for horizon_h in HORIZONS_H {
            let asked_at = reached_at - TimeDelta::hours(horizon_h);
            let found = said
                .iter()
                .rfind(|one| one.at <= asked_at && one.at > asked_at - ASKED_WITHIN);
            let Some(window) = found.and_then(&window) else {
                *self.missing.entry((truth, -horizon_h)).or_default() += 1;
                continue;
            };
            let judged = Judged {
                error_h: hours(window.likely_at - reached_at),
                width_h: hours(window.late_at - window.early_at),
                is_covered: (window.early_at..=window.late_at).contains(&reached_at),
            };
            for kind in ["all", kind] {
                let key = (truth, -horizon_h, kind);
                self.judged.entry(key).or_default().push(judged);
            }
        }
    }

    /// A table in words and numbers, hours.
    pub fn report(&self) -> String {
        let mut text = format!(
            "{:<9} {:>2}  {:<15} {:>5} {:>7} {:>6} {:>6} {:>6} {:>7} {:>6} {:>6}\n",
            "against",
            "h",
            "nights",
            "count",
            "median",
            "P90",
            "worst",
            "size",
            "mean",
            "cover",
            "width"
        );
        for ((truth, horizon, kind), judged) in &self.judged {
            let mut sizes: Vec<f64> = judged.iter().map(|one| one.error_h.abs()).collect();
            sizes.sort_by(f64::total_cmp);
            let count = judged.len() as f64;
            // The mean of the sizes, and of the errors with their signs.
            let size = sizes.iter().sum::<f64>() / count;
            let mean = judged.iter().map(|one| one.error_h).sum::<f64>() / count;
            let width = judged.iter().map(|one| one.width_h).sum::<f64>() / count;
            let covered = judged.iter().filter(|one| one.is_covered).count() as f64 / count;
            // Writing into a string cannot fail.
            let _ = writeln!(
                text,
                "{truth:<9} {:>2}  {kind:<15} {:>5} {:>7.2} {:>6.2} {:>6.2} {size:>6.2} {mean:>7.2} {:>5.0}% {width:>6.2}",
                -horizon,
                judged.len(),
                quantile(&sizes, 0.5),
                quantile(&sizes, 0.9),
                quantile(&sizes, 1.0),
                100.0 * covered,
            );
        }
        for ((truth, horizon), count) in &self.missing {
            let _ = writeln!(text, "no forecast {} h before, {truth}: {count}", -horizon);
        }
        let _ = writeln!(text, "never reached in the night: {}", self.never_count);
        text + &self.pour_to_pour()
    }

    /// What nothing but a pour's own pace and breaks can tell.
    fn pour_to_pour(&self) -> String {
        let from_median = |apart_h: &Vec<f64>| {
            let mut sorted = apart_h.clone();
            sorted.sort_by(f64::total_cmp);
            let median_h = quantile(&sorted, 0.5);
            sorted.into_iter().map(move |one| (one - median_h).abs())
        };
        let mut sizes: Vec<f64> = self.apart_h.values().flat_map(from_median).collect();
        if sizes.is_empty() {
            return String::new();
        }
        sizes.sort_by(f64::total_cmp);
        let size = sizes.iter().sum::<f64>() / sizes.len() as f64;
        format!(
            "concrete against the curve's true time, each mix's median difference known: median {:.2}, P90 {:.2}, \
             size {size:.2}\n",
            quantile(&sizes, 0.5),
            quantile(&sizes, 0.9),
        )
    }
}

/// Linear between the sorted values, as numpy's default is.
fn quantile(sorted: &[f64], share: f64) -> f64 {
    let place = share * (sorted.len() - 1) as f64;
    let below = place.floor() as usize;
    let above = place.ceil() as usize;
    sorted[below] + (sorted[above] - sorted[below]) * (place - below as f64)
}

fn hours(span: TimeDelta) -> f64 {
    span.num_milliseconds() as f64 / 3_600_000.0
}
