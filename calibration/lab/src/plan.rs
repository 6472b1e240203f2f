//! `tarplight-lab plan`: how many cylinders to make for a curve, and when to break them.

mod sheet;

use std::fmt::{self, Write as _};
use std::path::PathBuf;

use calibration::MaturityUnit;
use calibration::plan::{Plan, plan};
use chrono::{DateTime, TimeDelta, Utc};
use serde::Serialize;
use units::{Celsius, CelsiusHours, Hours, Show as _, UnitSystem};

use crate::options::{self, MaturityArguments, Units};

pub const EXAMPLES: &str = "\
Examples:
  tarplight-lab plan --mix M45 --release \"14 h\" --cycle-c 0:22,4:25,6:60,7:65,14:65,18:40
  tarplight-lab plan --mix M45 --release \"14 h\" --cycle-f 0:72,4:77,7:149,14:149,18:104 --units us \\
      --placed-at 2026-03-14T18:00:00Z --sheet sheet.svg --csv series.csv

The cycle is HOURS:TEMPERATURE, from time zero, straight in between, the last one held.
--sheet makes a page to print and write on; --csv the file that `fit` reads, ready to fill in.";

#[derive(clap::Args)]
pub struct PlanArguments {
    /// The mix that the curve will be for.
    #[arg(long)]
    mix: String,
    /// When the release is wanted, from time zero, with its unit.
    #[arg(long, value_name = "SPAN", value_parser = span)]
    release: Hours,
    /// The cycle of the cure in °C; a steady 23 °C when no cycle is given.
    #[arg(
        long,
        value_name = "HOURS:TEMPERATURE,…",
        conflicts_with = "cycle_f",
        allow_hyphen_values = true
    )]
    cycle_c: Option<String>,
    /// The cycle of the cure in °F.
    #[arg(long, value_name = "HOURS:TEMPERATURE,…")]
    cycle_f: Option<String>,
    #[command(flatten)]
    maturity: MaturityArguments,
    /// The instant of placement, to print the time of each break (RFC 3339); times are UTC.
    #[arg(long, value_name = "TIME")]
    placed_at: Option<DateTime<Utc>>,
    /// Write the sheet for the lab, an SVG page of A4.
    #[arg(long, value_name = "FILE")]
    sheet: Option<PathBuf>,
    /// Write the series as CSV, ready to be filled in; the file must not exist yet.
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Print one JSON object, in SI units, which its keys name.
    #[arg(long)]
    json: bool,
    /// The units of the text.
    #[arg(long, value_enum, default_value_t = Units::Si)]
    units: Units,
}

fn span(typed: &str) -> Result<Hours, String> {
    Hours::parse(typed).map_err(|error| error.to_string())
}

/// A plan with what is printed beside it.
#[derive(Serialize)]
struct Report {
    mix: String,
    release_h: f64,
    maturity_function: &'static str,
    maturity_unit: &'static str,
    release_maturity: f64,
    peak_c: f64,
    cylinder_count: usize,
    spare_count: usize,
    groups: Vec<Group>,
    advice: Vec<String>,
}

#[derive(Serialize)]
struct Group {
    group: String,
    age_h: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    break_at: Option<DateTime<Utc>>,
    maturity: f64,
    temperature_c: f64,
    specimens: Vec<Specimen>,
}

#[derive(Serialize)]
struct Specimen {
    specimen: String,
    has_sensor: bool,
}

/// Runs the command: data for standard output and talk for standard error.
pub fn run(arguments: &PlanArguments) -> anyhow::Result<(String, String)> {
    let function = arguments.maturity.function()?;
    let cycle = match (&arguments.cycle_c, &arguments.cycle_f) {
        (Some(text), _) => read_cycle(text, |celsius| celsius)?,
        (None, Some(text)) => read_cycle(text, |value| Celsius::from_fahrenheit(value).0)?,
        (None, None) => vec![(0.0, 23.0)],
    };
    let planned = plan(arguments.release.0, &cycle, &function)?;
    let report = Report::new(arguments, &planned, function.name(), function.unit());
    let system = arguments.units.into();
    let mut talk = String::new();
    if let Some(path) = &arguments.sheet {
        options::write_picture(path, &sheet::svg(&report, system))?;
        talk.push_str(&format!("sheet: {}\n", path.display()));
    }
    if let Some(path) = &arguments.csv {
        options::write_new(path, &report.csv(system))?;
        talk.push_str(&format!("series to fill in: {}\n", path.display()));
    }
    let data = if arguments.json {
        serde_json::to_string_pretty(&report)? + "\n"
    } else {
        let mut text = String::new();
        report.write(&mut text, system)?;
        text
    };
    Ok((data, talk))
}

fn read_cycle(text: &str, convert: fn(f64) -> f64) -> anyhow::Result<Vec<(f64, f64)>> {
    text.split(',')
        .map(|part| {
            let pair = part.split_once(':').and_then(|(hours, temperature)| {
                let hours: f64 = hours.trim().parse().ok()?;
                let temperature: f64 = temperature.trim().parse().ok()?;
                Some((hours, convert(temperature)))
            });
            pair.ok_or_else(|| {
                anyhow::anyhow!("\"{part}\" in the cycle must read HOURS:TEMPERATURE, such as 7:65")
            })
        })
        .collect()
}

impl Report {
    fn new(
        arguments: &PlanArguments,
        plan: &Plan,
        maturity_function: &'static str,
        unit: MaturityUnit,
    ) -> Self {
        let break_at = |age_h: f64| {
            let span = TimeDelta::seconds((age_h * 3600.0).round() as i64);
            Some(arguments.placed_at? + span)
        };
        Self {
            mix: arguments.mix.clone(),
            release_h: arguments.release.0,
            maturity_function,
            maturity_unit: unit.symbol(),
            release_maturity: plan.release_maturity,
            peak_c: plan.peak_c,
            cylinder_count: plan.cylinder_count,
            spare_count: plan.spare_count,
            groups: plan
                .groups
                .iter()
                .map(|group| Group {
                    group: group.group.clone(),
                    age_h: group.age_h,
                    break_at: break_at(group.age_h),
                    maturity: group.maturity,
                    temperature_c: group.temperature_c,
                    specimens: group
                        .specimens
                        .iter()
                        .map(|specimen| Specimen {
                            specimen: specimen.specimen.clone(),
                            has_sensor: specimen.has_sensor,
                        })
                        .collect(),
                })
                .collect(),
            advice: plan.advice(),
        }
    }

    fn maturity(&self, value: f64, system: UnitSystem) -> String {
        if self.maturity_unit == "h" {
            Hours(value).show(system)
        } else {
            CelsiusHours(value).show(system)
        }
    }

    fn write(&self, out: &mut String, system: UnitSystem) -> fmt::Result {
        writeln!(
            out,
            "Series for mix {}: make {} cylinders, {} of them spare",
            self.mix, self.cylinder_count, self.spare_count
        )?;
        writeln!(
            out,
            "  release wanted at {}, {} of {} if the cycle is kept (peak {})",
            Hours(self.release_h).show(system),
            self.maturity(self.release_maturity, system),
            self.maturity_function,
            Celsius(self.peak_c).show(system)
        )?;
        writeln!(
            out,
            "\n{:>6} {:>9} {:>17} {:>12} {:>8}  cylinders",
            "group", "break at", "clock (UTC)", "maturity", "about"
        )?;
        for group in &self.groups {
            let clock = group
                .break_at
                .map_or(String::new(), |at| at.format("%Y-%m-%d %H:%M").to_string());
            let names: Vec<String> = group
                .specimens
                .iter()
                .map(|specimen| {
                    let sensor = if specimen.has_sensor { " (sensor)" } else { "" };
                    format!("{}{sensor}", specimen.specimen)
                })
                .collect();
            writeln!(
                out,
                "{:>6} {:>7.2} h {clock:>17} {:>12} {:>8}  {}",
                group.group,
                group.age_h,
                self.maturity(group.maturity, system),
                Celsius(group.temperature_c).show(system),
                names.join(", ")
            )?;
        }
        writeln!(out)?;
        for sentence in &self.advice {
            writeln!(out, "* {sentence}")?;
        }
        Ok(())
    }

    /// The series for `fit`, with everything known filled in.
    fn csv(&self, system: UnitSystem) -> String {
        let (load, diameter, length) = match system {
            UnitSystem::Si => ("load_kn", "diameter_mm", "length_mm"),
            UnitSystem::Us => ("load_lbf", "diameter_in", "length_in"),
        };
        let mut text = format!(
            "# Mix {}. Correct age_h to the real time of the break; name the sensor's readings in \
             history.\nspecimen,group,age_h,history,{load},{diameter},{length},fracture,notes\n",
            self.mix
        );
        for group in &self.groups {
            for specimen in &group.specimens {
                text.push_str(&format!(
                    "{},{},{},companion.csv,,,,,\n",
                    specimen.specimen, group.group, group.age_h
                ));
            }
        }
        text
    }
}
