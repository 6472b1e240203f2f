//! `tarplight-lab rates`: from strengths at several temperatures to datum and activation energy.

use std::collections::BTreeMap;
use std::fmt::{self, Write as _};
use std::path::PathBuf;

use anyhow::anyhow;
use calibration::MaturityFunction;
use calibration::fit::{FitOptions, ScatterKind};
use calibration::rates::{Rates, rates};
use calibration::series::SeriesKind;
use chart::{Chart, Mark, draw, svg};
use serde::Serialize;
use units::{Celsius, CelsiusDifference, Megapascal, Show as _, UnitSystem};

use crate::input::{name_bad_rows, read_series};
use crate::options::{self, Units};

pub const EXAMPLES: &str = "\
Examples:
  tarplight-lab rates mortar.csv
  tarplight-lab rates mortar.csv --beds-peak \"149 °F\" --units us --svg arrhenius.svg
  tarplight-lab rates mortar.csv --json

Columns: temperature_c or temperature_f, age_d or age_h, strength_mpa or strength_psi; three
temperatures or more. Exit codes: 0 there are results, 1 there are none or a row is bad, 2 the
command line is wrong.";

#[derive(clap::Args)]
pub struct RatesArguments {
    /// Strengths of mortar cubes or cylinders kept at constant temperatures, CSV or TOML.
    series: PathBuf,
    /// The peak of the beds, with its unit; a result that does not cover it says so.
    #[arg(long, value_name = "TEMPERATURE", default_value = "65 °C", value_parser = options::temperature)]
    beds_peak: Celsius,
    /// Let the scatter grow with the strength.
    #[arg(long)]
    proportional: bool,
    /// Go on without bad rows, and say which they were.
    #[arg(long)]
    skip_bad_rows: bool,
    /// Draw ln k over one over the temperature as SVG.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
    /// Print one JSON object, in SI units, which its keys name.
    #[arg(long)]
    json: bool,
    /// The units of the text.
    #[arg(long, value_enum, default_value_t = Units::Si)]
    units: Units,
}

#[derive(Serialize)]
struct Report {
    temperatures: Vec<Bath>,
    datum_c: Measured,
    linear_slope_per_day_c: f64,
    linear_intercept_per_day: f64,
    activation_energy_j_mol: Measured,
    arrhenius_slope_k: f64,
    arrhenius_intercept: f64,
    covers_min_c: f64,
    covers_max_c: f64,
    cautions: Vec<Caution>,
}

#[derive(Serialize)]
struct Bath {
    temperature_c: f64,
    rate_per_day: f64,
    rate_standard_error: f64,
    ultimate_mpa: f64,
    offset_d: f64,
    residual_sd_mpa: f64,
    specimen_count: usize,
}

#[derive(Serialize)]
struct Measured {
    value: f64,
    standard_error: f64,
}

#[derive(Serialize)]
struct Caution {
    name: &'static str,
    sentence: String,
}

/// Runs the command: data for standard output and talk for standard error.
pub fn run(arguments: &RatesArguments) -> anyhow::Result<(String, String)> {
    let path = &arguments.series;
    let series = read_series(path, SeriesKind::Mortar)?;
    // Age in hours stands in for a maturity: every bath has its own fit over age.
    let by_age = MaturityFunction::TemperatureTimeFactor { datum_c: -20.0 };
    let (rows, more_bad_rows) = series.data(&by_age, &BTreeMap::new());
    let mut talk = String::new();
    let bad_rows = series.bad_rows.iter().chain(&more_bad_rows);
    name_bad_rows(
        &path.display().to_string(),
        bad_rows,
        arguments.skip_bad_rows,
        &mut talk,
    )?;
    let scatter = if arguments.proportional {
        ScatterKind::Proportional
    } else {
        ScatterKind::Constant
    };
    let found = rates(
        &rows,
        FitOptions {
            scatter,
            ..FitOptions::default()
        },
    )
    .map_err(|refusal| anyhow!("{}: {refusal}", path.display()))?;
    let report = Report::new(&found, arguments.beds_peak);
    let picture = arrhenius(&found);
    if let Some(path) = &arguments.svg {
        options::write_picture(path, &svg(&picture))?;
        talk.push_str(&format!("drawn: {}\n", path.display()));
    }
    let data = if arguments.json {
        serde_json::to_string_pretty(&report)? + "\n"
    } else {
        let mut text = String::new();
        report.write(&mut text, arguments.units.into())?;
        format!("{text}\n{}", draw(&picture))
    };
    Ok((data, talk))
}

impl Report {
    fn new(rates: &Rates, beds_peak: Celsius) -> Self {
        let (covers_min_c, covers_max_c) = rates.covers_c();
        let measured = |measured: calibration::rates::Measured| Measured {
            value: measured.value,
            standard_error: measured.standard_error,
        };
        Self {
            temperatures: rates
                .temperatures
                .iter()
                .map(|bath| Bath {
                    temperature_c: bath.temperature_c,
                    rate_per_day: bath.rate_per_day,
                    rate_standard_error: bath.rate_standard_error,
                    ultimate_mpa: bath.ultimate_mpa,
                    offset_d: bath.offset_d,
                    residual_sd_mpa: bath.residual_sd_mpa,
                    specimen_count: bath.specimen_count,
                })
                .collect(),
            datum_c: measured(rates.datum_c),
            linear_slope_per_day_c: rates.linear_slope,
            linear_intercept_per_day: rates.linear_intercept,
            activation_energy_j_mol: measured(rates.activation_energy_j_mol),
            arrhenius_slope_k: rates.arrhenius_slope_k,
            arrhenius_intercept: rates.arrhenius_intercept,
            covers_min_c,
            covers_max_c,
            cautions: rates
                .cautions(beds_peak.0)
                .iter()
                .map(|caution| Caution {
                    name: caution.name(),
                    sentence: caution.to_string(),
                })
                .collect(),
        }
    }

    fn write(&self, out: &mut String, system: UnitSystem) -> fmt::Result {
        writeln!(
            out,
            "{:>12} {:>12} {:>10} {:>12} {:>8} {:>6}",
            "temperature", "k per day", "± error", "ultimate", "begins", "broken"
        )?;
        for bath in &self.temperatures {
            writeln!(
                out,
                "{:>12} {:>12.5} {:>10.5} {:>12} {:>6.2} d {:>6}",
                Celsius(bath.temperature_c).show(system),
                bath.rate_per_day,
                bath.rate_standard_error,
                Megapascal(bath.ultimate_mpa).show(system),
                bath.offset_d,
                bath.specimen_count
            )?;
        }
        // A datum is typed into a curve's measure, so it needs its tenths.
        let (datum, error) = match system {
            UnitSystem::Si => (self.datum_c.value, self.datum_c.standard_error),
            UnitSystem::Us => (
                Celsius(self.datum_c.value).to_fahrenheit(),
                CelsiusDifference(self.datum_c.standard_error).to_fahrenheit(),
            ),
        };
        writeln!(
            out,
            "\nDatum temperature   {datum:.1} {} ± {error:.1} (for the temperature-time factor)",
            Celsius::unit(system)
        )?;
        writeln!(
            out,
            "Activation energy   {:.0} J/mol ± {:.0} (for equivalent age)",
            self.activation_energy_j_mol.value, self.activation_energy_j_mol.standard_error
        )?;
        writeln!(
            out,
            "Holds for concrete  {} to {}",
            Celsius(self.covers_min_c).show(system),
            Celsius(self.covers_max_c).show(system)
        )?;
        for caution in &self.cautions {
            writeln!(out, "  CAUTION {}: {}", caution.name, caution.sentence)?;
        }
        Ok(())
    }
}

fn arrhenius(rates: &Rates) -> Chart {
    let inverse = |bath: &calibration::rates::RateAtTemperature| {
        1000.0 / (bath.temperature_c + units::constants::KELVIN_OFFSET)
    };
    let line = |x: f64| {
        (
            x,
            rates.arrhenius_intercept + rates.arrhenius_slope_k * x / 1000.0,
        )
    };
    let places = || rates.temperatures.iter().map(inverse);
    let (low, high) = (
        places().fold(f64::INFINITY, f64::min),
        places().fold(f64::NEG_INFINITY, f64::max),
    );
    Chart {
        title: "Rate constant against temperature, as Arrhenius draws it".to_owned(),
        x_label: "1000 / temperature, 1/K (hot is left)".to_owned(),
        y_label: "ln of k per day".to_owned(),
        is_x_logarithmic: false,
        band: Vec::new(),
        lines: vec![vec![line(low), line(high)]],
        marks: rates
            .temperatures
            .iter()
            .map(|bath| (inverse(bath), bath.rate_per_day.ln(), Mark::Filled))
            .collect(),
        levels: Vec::new(),
        places: Vec::new(),
        note: "The slope times R is the activation energy; nothing is known outside the points."
            .to_owned(),
    }
}
