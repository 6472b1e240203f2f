//! A plant's past as files: many nights in a row, with what people wrote down and what was true.
//!
//! Beds differ in what they lose, some pours are badly retarded, wires and tarps fail: there is
//! something to learn from night to night. Nobody in here asks the daemon: cylinders are broken when
//! quality control of the simulated plant thinks that they are strong enough.

mod acts;
mod quality;

use std::fs;
use std::io::Write;
use std::path::Path;

use anyhow::Context;
use chrono::{Days, NaiveDate, TimeDelta};
use rand::RngExt;
use serde::Serialize;

use crate::fault::Fault;
use crate::files::{self, TRUTH_EVERY};
use crate::instruments::Instruments;
use crate::paperwork::{self, PlantFileOptions, stamp};
use crate::plan::NightPlan;
use crate::plant::Plant;
use crate::scenario::{RandomFaults, Scenario};
use crate::streams;

use acts::Diary;
use quality::QualityControl;

/// What kind of past is wanted.
#[derive(Debug, Clone)]
pub struct HistoryOptions {
    pub seed: u64,
    pub first_night: NaiveDate,
    pub night_count: u32,
    /// Share of pours whose concrete is badly retarded.
    pub retarded_share: f64,
    /// Deviation of the logarithm of what a bed's enclosure loses.
    pub bed_spread: f64,
    /// Deviation of the logarithm of each mix's strength from what its curve was built on: cement and
    /// sand of today are not those of the lab's batches.
    pub mix_spread: f64,
    /// Share of the required strength at which people think a set worth breaking.
    pub break_at: f64,
    /// Factor on conductivity, on the shape of the heat of hydration and on the dead band.
    pub changed_by: f64,
    /// Nothing goes wrong, in nights that are otherwise the same.
    pub without_faults: bool,
    /// Every kind of fault at full length, in nights that are otherwise the same.
    pub full_faults: bool,
}

/// A pour's night in a few words, for tables by kind of night.
#[derive(Debug, Serialize)]
struct PourTold<'a> {
    pour: &'a str,
    bed: &'a str,
    mix: &'a str,
    required_mpa: f64,
    /// When the slowest position truly reached the required strength.
    strength_reached_at: Option<String>,
    faults: Vec<String>,
    is_retarded: bool,
    /// Means over the pour's loads: factors on the mix's pace and strength.
    pace_factor: f64,
    strength_factor: f64,
}

/// Writes `plant.toml`, `curves/`, `pours.jsonl`, `readings.csv`, `truth.csv`, `nights.jsonl` and
/// `faults.jsonl`.
///
/// `truth.csv` has the true temperature and strength of each position every five minutes of placed
/// concrete; `nights.jsonl` has a line for each pour, `faults.jsonl` one for each fault with its times.
pub fn write(out: &Path, scenario: &Scenario, options: &HistoryOptions) -> anyhow::Result<()> {
    fs::create_dir_all(out).with_context(|| format!("cannot make the folder {}", out.display()))?;
    let scenario = with_habits(scenario.clone(), options);
    let plant_file = PlantFileOptions {
        listen: "127.0.0.1:7871".to_owned(),
        broker: "127.0.0.1:1883".parse().map_err(anyhow::Error::msg)?,
    };
    paperwork::write_plant(out, &scenario, &plant_file)?;
    let mut pours = files::create(out, "pours.jsonl")?;
    let mut readings = files::create(out, "readings.csv")?;
    let mut truth = files::create(out, "truth.csv")?;
    let mut nights = files::create(out, "nights.jsonl")?;
    let mut faults = files::create(out, "faults.jsonl")?;
    let written = (|| -> anyhow::Result<()> {
        writeln!(readings, "received_at,measured_at,channel,value")?;
        writeln!(truth, "at,pour,position,temperature_c,strength_mpa")?;
        for index in 0..options.night_count {
            let date = options.first_night + Days::new(u64::from(index));
            let name = format!("history/{index}");
            let night_seed = streams::stream(options.seed, &name).random();
            let mut night = Night::new(&scenario, night_seed, date, options.break_at);
            night.pass(&mut readings, &mut truth)?;
            for act in night.diary.finish() {
                writeln!(pours, "{act}")?;
            }
            for fault in night.faults() {
                writeln!(faults, "{}", serde_json::to_string(&fault)?)?;
            }
            for told in night.told() {
                writeln!(nights, "{}", serde_json::to_string(&told)?)?;
            }
        }
        for file in [
            &mut pours,
            &mut readings,
            &mut truth,
            &mut nights,
            &mut faults,
        ] {
            file.flush()?;
        }
        Ok(())
    })();
    written.with_context(|| format!("cannot write the history into {}", out.display()))
}

/// Gives each bed its own losses and each mix its own strength, for all nights alike, and changes the
/// physics as asked.
fn with_habits(mut scenario: Scenario, options: &HistoryOptions) -> Scenario {
    for bed in &mut scenario.beds {
        let mut rng = streams::stream(options.seed, &format!("habit/{}", bed.id));
        bed.loss_factor *= streams::factor(&mut rng, options.bed_spread);
        bed.heat.dead_band_c *= options.changed_by;
    }
    for mix in &mut scenario.mixes {
        mix.conductivity_w_m_k *= options.changed_by;
        mix.beta *= options.changed_by;
        let mut rng = streams::stream(options.seed, &format!("habit/{}", mix.id));
        mix.final_mpa *= streams::factor(&mut rng, options.mix_spread);
    }
    scenario.scatter.retarded_share = options.retarded_share;
    if options.full_faults {
        scenario.random_faults = RandomFaults::FULL;
    }
    if options.without_faults {
        scenario.faults.clear();
        scenario.random_faults = RandomFaults::default();
    }
    scenario
}

/// One night while it passes.
struct Night {
    plan: NightPlan,
    plant: Plant,
    instruments: Instruments,
    diary: Diary,
    quality: Vec<QualityControl>,
}

impl Night {
    fn new(scenario: &Scenario, seed: u64, date: NaiveDate, break_at: f64) -> Self {
        let plan = NightPlan::new(scenario, seed, date);
        let plant = Plant::new(scenario.clone(), seed, date);
        let instruments = Instruments::new(&plant);
        let of_bed = |bed| QualityControl::new(seed, bed, break_at);
        let quality = plan.beds.iter().map(of_bed);
        Self {
            quality: quality.collect(),
            diary: Diary::planned(scenario, &plan),
            instruments,
            plant,
            plan,
        }
    }

    /// Lets the night pass; readings and truth are written as they come.
    fn pass(&mut self, readings: &mut impl Write, truth: &mut impl Write) -> anyhow::Result<()> {
        let mut sample_count = 0;
        while self.plant.now < self.plan.ends_at {
            self.plant.advance();
            for frame in self.instruments.sample(&self.plant) {
                files::write_frame(readings, &frame)?;
            }
            sample_count += 1;
            if sample_count % TRUTH_EVERY == 0 {
                self.write_truth(truth)?;
                for (index, quality) in self.quality.iter_mut().enumerate() {
                    quality.look(&mut self.plant, index, &self.plan, &mut self.diary)?;
                }
            }
        }
        for (quality, bed) in self.quality.iter().zip(&self.plan.beds) {
            if !quality.is_stripped() {
                let pour = paperwork::pour_id(&self.plan, &bed.bed_id);
                self.diary
                    .give_up(&pour, self.plan.ends_at - TimeDelta::minutes(1));
            }
        }
        Ok(())
    }

    fn write_truth(&self, out: &mut impl Write) -> std::io::Result<()> {
        let at = stamp(self.plant.now);
        for bed in &self.plant.beds {
            let pour = paperwork::pour_id(&self.plan, &bed.plan.bed_id);
            for (index, (_, truth)) in bed.truths().enumerate() {
                let Some(truth) = truth else { continue };
                let position = paperwork::position_id(index);
                writeln!(
                    out,
                    "{at},{pour},{position},{:.3},{:.3}",
                    truth.temperature_c, truth.strength_mpa
                )?;
            }
        }
        Ok(())
    }

    /// What befell the night, each fault with the part of it that the readings saw: a wire that stays
    /// cut is spliced before the next night's pours.
    fn faults(&self) -> Vec<Fault> {
        let faults = self.plant.faults.all().iter();
        let seen = faults.filter(|fault| fault.from_at < self.plan.ends_at);
        seen.map(|fault| Fault {
            until_at: fault.until_at.min(self.plan.ends_at),
            ..fault.clone()
        })
        .collect()
    }

    fn told(&self) -> Vec<serde_json::Value> {
        let beds = self.plan.beds.iter().zip(&self.quality);
        beds.map(|(bed, quality)| {
            let told = PourTold {
                pour: &paperwork::pour_id(&self.plan, &bed.bed_id),
                bed: &bed.bed_id,
                mix: &bed.mix,
                required_mpa: bed.required_release_mpa,
                strength_reached_at: quality.strength_reached_at().map(stamp),
                faults: self.faults_of(&bed.bed_id),
                is_retarded: quality.is_retarded(),
                pace_factor: bed.mean_over_loads(|load| load.pace_factor),
                strength_factor: bed.mean_over_loads(|load| load.strength_factor),
            };
            serde_json::json!(told)
        })
        .collect()
    }

    /// What befell this bed, its channels, its logger or its boiler.
    fn faults_of(&self, bed_id: &str) -> Vec<String> {
        let Some(bed) = self.plant.scenario.bed(bed_id) else {
            return Vec::new();
        };
        let befalls = |target: &str| {
            target == bed.id
                || target == bed.logger
                || target == bed.boiler
                || bed.channels().any(|channel| channel == target)
        };
        let faults = self.plant.faults.all().iter();
        let faults = faults.filter(|fault| befalls(&fault.target));
        let mut names: Vec<_> = faults.map(|fault| fault.kind.name()).collect();
        names.sort_unstable();
        names.dedup();
        names
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_history_repeats_with_its_seed_and_tells_every_pour_from_opening_to_stripping() {
        let write_one = |seed| {
            let out = tempfile::tempdir().expect("folder");
            let scenario = Scenario::eight_beds().expect("scenario");
            let options = HistoryOptions {
                seed,
                first_night: "2026-11-02".parse().expect("date"),
                night_count: 2,
                retarded_share: 0.0,
                bed_spread: 0.15,
                mix_spread: 0.04,
                break_at: 1.03,
                changed_by: 1.0,
                without_faults: false,
                full_faults: false,
            };
            write(out.path(), &scenario, &options).expect("history");
            let read = |name: &str| fs::read_to_string(out.path().join(name)).expect("file");
            [
                read("pours.jsonl"),
                read("readings.csv"),
                read("truth.csv"),
                read("nights.jsonl"),
                read("faults.jsonl"),
            ]
        };
        let one = write_one(5);
        assert!(one == write_one(5), "seed 5 did not repeat");
        assert!(one != write_one(6));
        let count = |act: &str| one[0].matches(&format!("\"act\":\"{act}\"")).count();
        assert_eq!(count("pour-opened"), 16);
        assert_eq!(count("stripped") + count("abandoned"), 16);
        assert!(count("break-recorded") >= 12, "{}", count("break-recorded"));
        assert!(count("release-signed") >= 10, "{}", count("release-signed"));
        assert_eq!(one[3].lines().count(), 16);
        let last_reading = one[1].lines().last().expect("readings");
        for line in one[4].lines() {
            let fault: Fault = serde_json::from_str(line).expect("a fault");
            let until = stamp(fault.until_at - TimeDelta::minutes(5));
            assert!(
                until.as_str() <= last_reading,
                "{line} outlives its readings"
            );
        }
    }
}
