//! What several commands ask on the command line, and how they read and write files.

use std::fs::{self, OpenOptions};
use std::io::Write as _;
use std::path::Path;

use anyhow::{Context as _, anyhow, bail};
use calibration::MaturityFunction;
use clap::ValueEnum;
use units::{Celsius, Megapascal, Millimetre, UnitSystem, bounds, utf8_text};

/// The units of the text.
#[derive(Clone, Copy, ValueEnum)]
pub enum Units {
    /// °C, MPa, mm.
    Si,
    /// °F, psi, in.
    Us,
}

impl From<Units> for UnitSystem {
    fn from(units: Units) -> Self {
        match units {
            Units::Si => Self::Si,
            Units::Us => Self::Us,
        }
    }
}

/// A maturity measure with its parameters.
#[derive(clap::Args)]
pub struct MaturityArguments {
    /// The maturity measure.
    #[arg(long, value_enum, default_value_t = Measure::EquivalentAge)]
    maturity: Measure,
    /// Datum temperature of the temperature-time factor, with its unit.
    #[arg(
        long,
        value_name = "TEMPERATURE",
        default_value = "0 °C",
        value_parser = temperature,
        allow_hyphen_values = true
    )]
    datum: Celsius,
    /// Apparent activation energy of equivalent age, J/mol (41570 is Q = 5000 K).
    #[arg(long, value_name = "J/MOL", default_value_t = 41_570.0)]
    activation_energy: f64,
    /// Reference temperature of equivalent age, with its unit.
    #[arg(long, value_name = "TEMPERATURE", default_value = "20 °C", value_parser = temperature)]
    reference: Celsius,
    /// C-value of the cement, for weighted maturity.
    #[arg(long, value_name = "C")]
    c_value: Option<f64>,
}

#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Measure {
    TemperatureTimeFactor,
    EquivalentAge,
    WeightedMaturity,
    #[value(name = "en-1992-age")]
    En1992Age,
}

impl MaturityArguments {
    /// The maturity function asked for, its parameters checked.
    pub fn function(&self) -> anyhow::Result<MaturityFunction> {
        Ok(match self.maturity {
            Measure::TemperatureTimeFactor => MaturityFunction::TemperatureTimeFactor {
                datum_c: bounds::DATUM_TEMPERATURE_C.check(self.datum.0)?,
            },
            Measure::EquivalentAge => MaturityFunction::EquivalentAge {
                activation_energy_j_mol: bounds::ACTIVATION_ENERGY_J_MOL
                    .check(self.activation_energy)?,
                reference_c: bounds::REFERENCE_TEMPERATURE_C.check(self.reference.0)?,
            },
            Measure::WeightedMaturity => {
                let Some(c_value) = self.c_value else {
                    bail!("weighted maturity needs the cement's C-value: give --c-value");
                };
                MaturityFunction::WeightedMaturity {
                    c_value: bounds::C_VALUE.check(c_value)?,
                }
            }
            Measure::En1992Age => MaturityFunction::En1992Age,
        })
    }
}

/// A temperature typed with its unit.
pub fn temperature(typed: &str) -> Result<Celsius, String> {
    let celsius = Celsius::parse(typed).map_err(|error| error.to_string())?;
    bounds::CONCRETE_TEMPERATURE_C
        .check(celsius.0)
        .map_err(|error| error.to_string())?;
    Ok(celsius)
}

/// A strength typed with its unit.
pub fn strength(typed: &str) -> Result<Megapascal, String> {
    let strength = Megapascal::parse(typed).map_err(|error| error.to_string())?;
    calibration::check_plausible(strength).map_err(|error| error.to_string())
}

/// A strength typed as a number of MPa.
pub fn strength_mpa(typed: &str) -> Result<Megapascal, String> {
    let mpa = typed
        .parse()
        .map_err(|_| format!("\"{typed}\" is not a plain number of MPa"))?;
    calibration::check_plausible(Megapascal(mpa)).map_err(|error| error.to_string())
}

/// A cylinder's diameter or length typed with its unit.
pub fn length(typed: &str) -> Result<Millimetre, String> {
    Millimetre::parse(typed).map_err(|error| error.to_string())
}

/// A `NAME=TEXT` pair, both not empty.
pub fn pair(typed: &str) -> Result<(String, String), String> {
    match typed.split_once('=') {
        Some((name, text)) if !name.trim().is_empty() && !text.trim().is_empty() => {
            Ok((name.trim().to_owned(), text.trim().to_owned()))
        }
        _ => Err(format!("\"{typed}\" must read NAME=TEXT")),
    }
}

/// The text of a file.
pub fn read_text(path: &Path) -> anyhow::Result<String> {
    let bytes = fs::read(path).with_context(|| format!("cannot read {}", path.display()))?;
    utf8_text(bytes).map_err(|problem| anyhow!("{}, {problem}", path.display()))
}

/// Writes a file that must not exist yet.
pub fn write_new(path: &Path, text: &str) -> anyhow::Result<()> {
    let mut file = OpenOptions::new()
        .write(true)
        .create_new(true)
        .open(path)
        .with_context(|| {
            format!(
                "cannot make {}: it must not exist yet, so that nothing is overwritten",
                path.display()
            )
        })?;
    file.write_all(text.as_bytes())
        .and_then(|()| file.sync_all())
        .with_context(|| format!("cannot write {}", path.display()))
}

/// Writes a picture, over an older one of the same name.
pub fn write_picture(path: &Path, text: &str) -> anyhow::Result<()> {
    fs::write(path, text).with_context(|| format!("cannot write {}", path.display()))
}
