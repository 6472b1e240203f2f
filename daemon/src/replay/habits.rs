//! What finished pours have taught, printed: a JSON line per pour, then one per bed and mix.

use std::collections::BTreeMap;
use std::io::Write;

use anyhow::Context;
use chrono::{DateTime, Utc};
use daemon_core::habits::{PourSummary, Trial};
use daemon_core::plant::Plant;
use daemon_core::time::UtcMs;
use serde::Serialize;

use crate::config::PlantFile;
use crate::convert::utc;
use crate::replay::{Playback, ReplayOptions};

/// One finished pour.
#[derive(Serialize)]
struct PourLine<'a> {
    kind: &'static str,
    known_at: DateTime<Utc>,
    pour: &'a str,
    bed: &'a str,
    mix: &'a str,
    delay_ln: Option<f64>,
    heat_ln: Option<f64>,
    positions: Vec<PositionLine<'a>>,
    air: Option<[Option<f64>; 5]>,
    heat_h: Option<f64>,
    heat_is_censored: Option<bool>,
    outages_h: &'a [f64],
    measured_over_estimated_ln: Option<f64>,
    true_less_forecast_h: Vec<Option<f64>>,
}

#[derive(Serialize)]
struct PositionLine<'a> {
    place: &'a str,
    zone: usize,
    film_ln: Option<f64>,
    lost_share: Option<f64>,
}

/// What is expected of the next pour of a mix on a bed.
#[derive(Serialize)]
struct HabitLine<'a> {
    kind: &'static str,
    at: DateTime<Utc>,
    bed: &'a str,
    mix: &'a str,
    pours_of_bed: usize,
    figures: BTreeMap<String, FigureLine>,
}

#[derive(Serialize)]
struct FigureLine {
    mean: f64,
    spread: f64,
    count: usize,
}

/// Prints what had been learned by the last asked moment.
///
/// # Errors
/// What is wrong in which file, or why the lines cannot be written.
pub fn print_habits(options: &ReplayOptions, out: &mut dyn Write) -> anyhow::Result<()> {
    let plant_file = PlantFile::load(&options.plant, &options.curves)?;
    let mut playback = Playback::load(plant_file, options)?;
    let at = playback
        .asked
        .last()
        .copied()
        .context("nothing is asked: give a time with --at that is not before the first pour")?;
    let plant = playback.advance(at);
    write_habits(plant, at, out)
}

/// Prints what a plant has learned.
pub(crate) fn write_habits(plant: &Plant, at: UtcMs, out: &mut dyn Write) -> anyhow::Result<()> {
    let mut summaries: Vec<&PourSummary> = plant.summaries().values().collect();
    summaries.sort_by_key(|one| (one.known_at, &one.pour));
    let mut line = |text: String| writeln!(out, "{text}").context("cannot write the lines");
    let mut latest = BTreeMap::new();
    for one in summaries {
        line(serde_json::to_string(&pour_line(one))?)?;
        latest.insert((&*one.bed, &*one.mix), &one.pour);
    }
    for ((bed, mix), pour) in latest {
        let Some(record) = plant.pours().get(pour.as_str()) else {
            continue;
        };
        let habits = plant.habits(record, at);
        let figures = habits
            .figures()
            .into_iter()
            .map(|(name, mean, spread, count)| {
                let figure = FigureLine {
                    mean,
                    spread,
                    count,
                };
                (name, figure)
            });
        line(serde_json::to_string(&HabitLine {
            kind: "habits",
            at: utc(at),
            bed,
            mix,
            pours_of_bed: habits.pour_count(),
            figures: figures.collect(),
        })?)?;
    }
    out.flush().context("cannot write the lines")
}

fn pour_line(one: &PourSummary) -> PourLine<'_> {
    let positions = one.positions.iter().map(|position| PositionLine {
        place: &position.place,
        zone: position.zone,
        film_ln: position.film_ln,
        lost_share: position.lost_share,
    });
    let error_h = |trial: &Option<Trial>| trial.map(|trial| trial.error_h);
    PourLine {
        kind: "pour",
        known_at: utc(one.known_at),
        pour: &one.pour,
        bed: &one.bed,
        mix: &one.mix,
        delay_ln: one.delay_ln,
        heat_ln: one.heat_ln,
        positions: positions.collect(),
        air: one.air.map(|air| air.values),
        heat_h: one.heat.as_ref().map(|heat| heat.duration_h),
        heat_is_censored: one.heat.as_ref().map(|heat| heat.is_censored),
        outages_h: one.heat.as_ref().map_or(&[], |heat| &heat.outages_h),
        measured_over_estimated_ln: one.ratio_ln,
        true_less_forecast_h: one.trials.iter().map(error_h).collect(),
    }
}
