//! Breaks of the plant's own cylinders, fetched from the daemon, as a series.

use std::collections::BTreeMap;

use anyhow::{Context as _, bail};
use calibration::series::{History, Series, SeriesSpecimen, Temperature};
use calibration::{DataSource, TimeZero};
use chrono::{DateTime, Utc};
use daemon_api::client::Client;
use daemon_api::mix::SpecimenBreakView;

const MS_PER_H: f64 = 3_600_000.0;

/// Where breaks are fetched instead of being read from a file.
#[derive(clap::Args)]
pub struct DaemonArguments {
    /// Fetch the breaks of the plant's own cylinders from the daemon at this address, in place of a
    /// file; `http://127.0.0.1:7871` unless the plant file names another.
    #[arg(long, value_name = "URL")]
    pub from_daemon: Option<String>,
    /// Of those only breaks tested since this instant (RFC 3339).
    #[arg(long, value_name = "TIME", requires = "from_daemon")]
    since: Option<DateTime<Utc>>,
    /// Of those only breaks of pours on heated beds.
    #[arg(long, requires = "from_daemon")]
    heated_only: bool,
}

/// The plant's breaks of one mix.
pub struct PlantBreaks {
    /// What they are, for messages.
    pub name: String,
    breaks: Vec<SpecimenBreakView>,
}

impl DaemonArguments {
    /// Fetches the breaks of a mix; `None` where no daemon was named.
    pub fn fetch(&self, mix: &str) -> anyhow::Result<Option<PlantBreaks>> {
        let Some(url) = &self.from_daemon else {
            return Ok(None);
        };
        let client = Client::new(url)?;
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .context("the client cannot run")?;
        let answer = runtime.block_on(client.mix_breaks(mix, self.since))?;
        let mut breaks = answer.breaks;
        breaks.retain(|one| one.is_heated || !self.heated_only);
        if breaks.is_empty() {
            bail!(
                "{url} knows no such break of mix {mix}: breaks come in with `tarplight break`, and \
                 --since or --heated-only may leave them all out"
            );
        }
        Ok(Some(PlantBreaks {
            name: format!("breaks of mix {mix} from {url}"),
            breaks,
        }))
    }
}

impl PlantBreaks {
    /// Whether every pour lay on a heated bed.
    pub fn are_all_heated(&self) -> bool {
        self.breaks.iter().all(|one| one.is_heated)
    }

    /// Leaves out breaks whose specimens had no sensor; how many those are.
    pub fn drop_without_history(&mut self) -> usize {
        let before = self.breaks.len();
        self.breaks.retain(|one| !one.temperatures.is_empty());
        before - self.breaks.len()
    }

    /// The breaks as a series with the histories of their specimens, by age from `time_zero`.
    pub fn series(&self, time_zero: TimeZero) -> (Series, BTreeMap<String, History>) {
        let mut series = Series::default();
        let mut histories = BTreeMap::new();
        for one in &self.breaks {
            let zero_at = match time_zero {
                TimeZero::Placed => one.placed_at,
                TimeZero::Batched => one.batched_at,
            };
            let hours = |at: DateTime<Utc>| (at - zero_at).num_milliseconds() as f64 / MS_PER_H;
            let tested = one.tested_at.format("%Y-%m-%d %H:%M");
            let group = format!("{} set {} of {tested}", one.pour, one.set);
            // What was read before time zero is of the sampled concrete's way to the cylinder.
            let points = one
                .temperatures
                .iter()
                .map(|point| (hours(point.at), point.temperature_c));
            let history = History::from_points(points.filter(|point| point.0 >= 0.0).collect());
            let temperature = match history {
                Some(history) => {
                    histories.insert(group.clone(), history);
                    Temperature::Companion(group.clone())
                }
                None => Temperature::Unknown,
            };
            for specimen in &one.specimens {
                series.specimens.push(SeriesSpecimen {
                    line: series.specimens.len() + 1,
                    specimen: format!("{}/{}", one.pour, specimen.specimen),
                    group: group.clone(),
                    age_h: hours(one.left_tarp_at),
                    temperature: temperature.clone(),
                    strength_mpa: specimen.strength_mpa,
                    diameter_mm: Some(one.diameter_mm),
                    length_mm: Some(one.length_mm),
                    fracture: None,
                    notes: None,
                    source: DataSource::Pour,
                    excluded: None,
                    pour: Some(one.pour.clone()),
                    broken_at: Some(one.tested_at),
                });
            }
        }
        (series, histories)
    }
}
