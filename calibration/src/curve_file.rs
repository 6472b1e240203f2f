//! The curve file: a mix's strength-maturity curve as the lab wrote it, checked before use.
//!
//! A curve file is immutable and named by its [`digest`]; whether it may be used stands in the
//! records beside it ([`crate::curve_record`]). Every number carries its unit in its key:
//!
//! ```toml
//! schema = 1
//! name = "M45 spring"
//! mix = "M45"
//! author = "lab"
//! made_at = 2026-03-14
//! time_zero = "placed"              # or "batched"
//!
//! [maturity]
//! function = "equivalent-age"       # "temperature-time-factor": datum_c; "en-1992-age": nothing;
//! activation_energy_j_mol = 41570   # "weighted-maturity": c_value
//! reference_c = 20
//!
//! [curve]
//! form = "exponential"              # "hyperbolic": ultimate_mpa, rate_per_unit, offset
//! ultimate_mpa = 58.0               # "logarithmic": intercept_mpa, slope_mpa
//! tau = 14.0
//! shape = 0.85
//! covariance = [[4.0, 1.0, -0.05], [1.0, 0.6, -0.02], [-0.05, -0.02, 0.002]]
//! residual_sd_mpa = 1.1
//! residual_degrees_of_freedom = 12
//!
//! [range]
//! maturity_min = 6
//! maturity_max = 672
//! temperature_min_c = 18
//! temperature_max_c = 66
//!
//! [specimens]
//! cured = "heat-cured"              # or "standard" or "match-cured"
//! peak_c = 65
//! shape = "cylinder"
//! diameter_mm = 101.6
//! length_mm = 203.2
//! ```
//!
//! Optional besides: `notes`, `range.group_count`, `range.specimen_count`, `specimens.peak_c`,
//! `specimens.cycle` (their cycle in words), a section `[materials]` of free texts,
//! `curve.covariance_known = false` in place of the covariance, and `curve.residual_cv` (a fraction)
//! in place of `residual_sd_mpa` where the scatter grows with the strength. `warnings` lists by name
//! what the fit warned of, and `[[data]]` holds the specimens, one section each, with the ones that
//! a person left out and why; a curve without them has no data behind it, and says so.

mod covariance;
mod data;
mod write;

use std::collections::BTreeMap;
use std::fmt::Write as _;

use chrono::{DateTime, Utc};
use sha2::{Digest as _, Sha256};
use units::bounds;

pub use data::{DataRow, DataSource, Exclusion};

use crate::curve::Curve;
pub use crate::document::CurveFileError;
use crate::document::{Section, read_document};
use crate::fit::ResidualScatter;
use crate::maturity::MaturityFunction;

/// The event from which a curve counts maturity; a position starts at the same event of its load.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TimeZero {
    /// When water met cement.
    Batched,
    /// When the concrete was placed.
    Placed,
}

/// How the specimens of a curve were cured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cured {
    /// At the standard laboratory temperature.
    Standard,
    /// Through a heated cycle of their own.
    HeatCured,
    /// At the temperature of the concrete they stood for.
    MatchCured,
}

/// What the curve's data cover; nothing is claimed outside.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CurveRange {
    /// Maturity of the first break, in the maturity function's unit.
    pub maturity_min: f64,
    /// Maturity of the last break, in the maturity function's unit.
    pub maturity_max: f64,
    /// Lowest temperature that the specimens saw, °C.
    pub temperature_min_c: f64,
    /// Highest temperature that the specimens saw, °C.
    pub temperature_max_c: f64,
    /// Number of ages (or histories) at which specimens were broken.
    pub group_count: Option<u32>,
    /// Number of specimens broken.
    pub specimen_count: Option<u32>,
}

impl CurveRange {
    /// Whether the specimens saw a temperature like this one.
    pub fn covers_temperature(&self, temperature_c: f64) -> bool {
        (self.temperature_min_c..=self.temperature_max_c).contains(&temperature_c)
    }
}

/// The cylinders behind a curve.
#[derive(Debug, Clone, PartialEq)]
pub struct Specimens {
    /// How they were cured.
    pub cured: Cured,
    /// Their highest temperature, °C, when it was noted.
    pub peak_c: Option<f64>,
    /// Their cycle of temperature in words, when it was noted.
    pub cycle: Option<String>,
    /// Diameter, mm.
    pub diameter_mm: f64,
    /// Length, mm.
    pub length_mm: f64,
}

/// A curve file that passed every check, or one about to be written.
#[derive(Debug, Clone, PartialEq)]
pub struct CurveFile {
    /// The curve's name.
    pub name: String,
    /// The mix it belongs to.
    pub mix: String,
    /// Who made it, as written.
    pub author: String,
    /// When it was made; a bare date counts from its beginning, UTC.
    pub made_at: DateTime<Utc>,
    /// Free text.
    pub notes: Option<String>,
    /// The maturity function that its maturities were computed with.
    pub maturity: MaturityFunction,
    /// The event from which it counts.
    pub time_zero: TimeZero,
    /// Form and coefficients.
    pub curve: Curve,
    /// Covariance of the coefficients in their order (unused rows and columns are zero); none when
    /// the lab does not know it.
    pub covariance: Option<[[f64; 3]; 3]>,
    /// Residual scatter of specimens about the curve.
    pub residual: ResidualScatter,
    /// Degrees of freedom of that scatter: specimens or groups less coefficients.
    pub residual_degrees_of_freedom: u32,
    /// What the data cover.
    pub range: CurveRange,
    /// The cylinders behind it.
    pub specimens: Specimens,
    /// Cement source and the like, by name.
    pub materials: BTreeMap<String, String>,
    /// What the fit warned of, by name, as written in the file.
    pub warnings: Vec<String>,
    /// The specimens behind the curve; none when the lab had only its coefficients.
    pub data: Vec<DataRow>,
}

/// The name under which a curve without its data must be accepted.
pub const NO_DATA: &str = "no-data-behind-it";

/// The name under which a curve whose coefficients are not those of its data must be accepted.
pub const NOT_ITS_DATA: &str = "not-its-data";

/// A curve misses its own data by no more than this many times the scatter that it states (our
/// computation: a fit's misses are its scatter, and a digit lost in copying is far more).
const MISS_RATIO_MAX: f64 = 1.5;

impl CurveFile {
    /// What speaks against the curve's own numbers: the serious warnings of its fit, and a negative
    /// offset wherever it came from. An approval that does not accept each by name is none.
    pub fn serious_warnings(&self) -> Vec<String> {
        let mut names: Vec<String> = self
            .warnings
            .iter()
            .filter(|name| !crate::fit::NEED_NOT_BE_ACCEPTED.contains(&name.as_str()))
            .cloned()
            .collect();
        let has_negative_offset =
            matches!(self.curve, Curve::Hyperbolic { offset, .. } if offset < 0.0);
        if has_negative_offset && !names.iter().any(|known| known == "negative-offset") {
            names.push("negative-offset".to_owned());
        }
        names
    }

    /// What whoever approves this curve is asked to accept by name: its serious warnings, that there
    /// are no data behind it, which is a mark on the curve and no doubt about its numbers, and that its
    /// coefficients are not those of its data.
    ///
    /// An approval that was recorded before it was asked for this stands, as every record means what it
    /// meant.
    pub fn to_accept(&self) -> Vec<String> {
        let mut names = self.serious_warnings();
        let mut add = |name: &str| {
            if !names.iter().any(|known| known == name) {
                names.push(name.to_owned());
            }
        };
        if self.data.is_empty() {
            add(NO_DATA);
        }
        if self
            .miss_ratio()
            .is_some_and(|ratio| ratio > MISS_RATIO_MAX)
        {
            add(NOT_ITS_DATA);
        }
        names
    }

    /// How far the curve misses the specimens behind it, root mean square, in units of the scatter that
    /// it states; `None` without such specimens.
    pub fn miss_ratio(&self) -> Option<f64> {
        let used = self.data.iter().filter(|row| row.excluded.is_none());
        let misses = used.map(|row| {
            let told_mpa = self.curve.strength_mpa(row.maturity);
            let sd_mpa = self.residual.sd_mpa_at(told_mpa);
            let miss_mpa = row.strength_mpa - told_mpa;
            // Where the curve has no strength and so no scatter, any miss is one.
            (miss_mpa / sd_mpa.max(f64::MIN_POSITIVE)).powi(2)
        });
        let misses: Vec<f64> = misses.collect();
        let mean = misses.iter().sum::<f64>() / misses.len() as f64;
        (!misses.is_empty()).then(|| mean.sqrt())
    }
}

/// The name of a curve file: `sha256:` and the SHA-256 of its bytes in lower-case hexadecimal.
pub fn digest(bytes: &[u8]) -> String {
    Sha256::digest(bytes)
        .iter()
        .fold("sha256:".to_owned(), |mut name, byte| {
            write!(name, "{byte:02x}").expect("writing to a string cannot fail");
            name
        })
}

const ROOT_KEYS: &[&str] = &[
    "schema",
    "name",
    "mix",
    "author",
    "made_at",
    "notes",
    "time_zero",
    "maturity",
    "curve",
    "range",
    "specimens",
    "materials",
    "warnings",
    "data",
];

impl CurveFile {
    /// Reads and checks the text of a curve file.
    ///
    /// # Errors
    /// The first fault found, with its line, key and what to write instead: unknown or missing
    /// keys, values of a wrong kind or beyond [`units::bounds`], coefficients that do not rise over
    /// the whole range, a covariance that is none.
    pub fn parse(text: &str) -> Result<Self, CurveFileError> {
        read_document(text, Self::read)
    }

    fn read(root: &Section) -> Result<Self, CurveFileError> {
        root.allow_only(ROOT_KEYS)?;
        let schema = root.count("schema", "schema = 1")?;
        if schema != 1 {
            return Err(root.error("schema", format!("is {schema}, but only schema 1 is known")));
        }
        let maturity = read_maturity(&root.section("maturity")?)?;
        let range = read_range(&root.section("range")?)?;
        let section = root.section("curve")?;
        let curve = read_curve(&section)?;
        check_rise(&section, &curve, &range)?;
        let materials = match root.optional_section("materials")? {
            Some(section) => section.all_texts()?.into_iter().collect(),
            None => BTreeMap::new(),
        };
        Ok(Self {
            name: root.text("name", "the curve's name")?,
            mix: root.text("mix", "the mix the curve belongs to")?,
            author: root.text("author", "who made the curve")?,
            made_at: root.date_or_instant("made_at")?,
            notes: root.optional_text("notes")?,
            maturity,
            time_zero: root.choice(
                "time_zero",
                &[("batched", TimeZero::Batched), ("placed", TimeZero::Placed)],
            )?,
            curve,
            covariance: covariance::read(&section, &curve)?,
            residual: read_residual(&section)?,
            residual_degrees_of_freedom: section.count(
                "residual_degrees_of_freedom",
                "the number of results less the number of coefficients",
            )?,
            range,
            specimens: read_specimens(&root.section("specimens")?)?,
            materials,
            warnings: root.optional_texts("warnings")?,
            data: data::read(root)?,
        })
    }
}

fn read_maturity(section: &Section) -> Result<MaturityFunction, CurveFileError> {
    #[derive(Clone, Copy)]
    enum Function {
        TemperatureTimeFactor,
        EquivalentAge,
        WeightedMaturity,
        En1992Age,
    }
    let function = section.choice(
        "function",
        &[
            ("temperature-time-factor", Function::TemperatureTimeFactor),
            ("equivalent-age", Function::EquivalentAge),
            ("weighted-maturity", Function::WeightedMaturity),
            ("en-1992-age", Function::En1992Age),
        ],
    )?;
    match function {
        Function::TemperatureTimeFactor => {
            section.allow_only(&["function", "datum_c"])?;
            let datum_c = section.bounded("datum_c", &bounds::DATUM_TEMPERATURE_C)?;
            Ok(MaturityFunction::TemperatureTimeFactor { datum_c })
        }
        Function::EquivalentAge => {
            section.allow_only(&["function", "activation_energy_j_mol", "reference_c"])?;
            Ok(MaturityFunction::EquivalentAge {
                activation_energy_j_mol: section
                    .bounded("activation_energy_j_mol", &bounds::ACTIVATION_ENERGY_J_MOL)?,
                reference_c: section.bounded("reference_c", &bounds::REFERENCE_TEMPERATURE_C)?,
            })
        }
        Function::WeightedMaturity => {
            section.allow_only(&["function", "c_value"])?;
            let c_value = section.bounded("c_value", &bounds::C_VALUE)?;
            Ok(MaturityFunction::WeightedMaturity { c_value })
        }
        Function::En1992Age => {
            section.allow_only(&["function"])?;
            Ok(MaturityFunction::En1992Age)
        }
    }
}

/// Keys of `[curve]` that every form has.
const CURVE_KEYS: [&str; 6] = [
    "form",
    "covariance",
    "covariance_known",
    "residual_sd_mpa",
    "residual_cv",
    "residual_degrees_of_freedom",
];

fn read_curve(section: &Section) -> Result<Curve, CurveFileError> {
    #[derive(Clone, Copy)]
    enum Form {
        Hyperbolic,
        Exponential,
        Logarithmic,
    }
    let form = section.choice(
        "form",
        &[
            ("hyperbolic", Form::Hyperbolic),
            ("exponential", Form::Exponential),
            ("logarithmic", Form::Logarithmic),
        ],
    )?;
    let allow = |coefficients: &[&str]| section.allow_only(&[&CURVE_KEYS, coefficients].concat());
    match form {
        Form::Hyperbolic => {
            allow(&["ultimate_mpa", "rate_per_unit", "offset"])?;
            Ok(Curve::Hyperbolic {
                ultimate_mpa: section.bounded("ultimate_mpa", &bounds::CURVE_ULTIMATE_MPA)?,
                rate_per_unit: section
                    .positive("rate_per_unit", "the rate k per unit of maturity")?,
                offset: section.number("offset", "the maturity at which strength begins")?,
            })
        }
        Form::Exponential => {
            allow(&["ultimate_mpa", "tau", "shape"])?;
            Ok(Curve::Exponential {
                ultimate_mpa: section.bounded("ultimate_mpa", &bounds::CURVE_ULTIMATE_MPA)?,
                tau: section.positive("tau", "the characteristic maturity")?,
                shape: section.positive("shape", "the shape exponent")?,
            })
        }
        Form::Logarithmic => {
            allow(&["intercept_mpa", "slope_mpa"])?;
            Ok(Curve::Logarithmic {
                intercept_mpa: section
                    .number("intercept_mpa", "the strength at maturity 1 in MPa")?,
                slope_mpa: section
                    .positive("slope_mpa", "the gain in MPa for each e-fold of maturity")?,
            })
        }
    }
}

fn read_residual(section: &Section) -> Result<ResidualScatter, CurveFileError> {
    match section.optional_bounded("residual_cv", &bounds::COEFFICIENT_OF_VARIATION)? {
        Some(_) if section.has("residual_sd_mpa") => Err(section.error(
            "residual_cv",
            "stands beside residual_sd_mpa: scatter is either constant or proportional",
        )),
        Some(cv) if cv > 0.0 => Ok(ResidualScatter::Proportional { cv }),
        Some(_) => Err(section.error("residual_cv", "must be above 0: no fit is exact")),
        None => Ok(ResidualScatter::Constant {
            sd_mpa: section.positive("residual_sd_mpa", "the scatter of the fit in MPa")?,
        }),
    }
}

/// A curve that starts at nothing, stands still or passes what concrete can be is a slip in a unit
/// or a coefficient, and would otherwise give a plausible number somewhere.
fn check_rise(section: &Section, curve: &Curve, range: &CurveRange) -> Result<(), CurveFileError> {
    let mut strength_before_mpa = 0.0;
    for (index, maturity) in grid(range, 512).enumerate() {
        let strength_mpa = curve.strength_mpa(maturity);
        if strength_mpa <= strength_before_mpa {
            let problem = if index == 0 {
                format!(
                    "the curve has no strength at range.maturity_min = {maturity}: check the \
                     coefficients against the unit of maturity"
                )
            } else {
                format!(
                    "the curve does not rise at maturity {maturity:.6}, inside its range: check \
                     the coefficients"
                )
            };
            return Err(section.error("form", problem));
        }
        strength_before_mpa = strength_mpa;
    }
    let limit_mpa = bounds::CONCRETE_STRENGTH_MPA.max;
    if strength_before_mpa > limit_mpa {
        let problem = format!(
            "the curve gives {strength_before_mpa:.1} MPa at range.maturity_max, more than \
             {limit_mpa} MPa: check that the coefficients are in MPa"
        );
        return Err(section.error("form", problem));
    }
    Ok(())
}

/// Maturities over a curve's range, both ends included, each a constant ratio above the one before.
pub(crate) fn grid(range: &CurveRange, node_count: usize) -> impl Iterator<Item = f64> + use<> {
    let CurveRange {
        maturity_min,
        maturity_max,
        ..
    } = *range;
    let last = node_count - 1;
    (0..node_count).map(move |index| {
        if index == last {
            maturity_max
        } else {
            maturity_min * (maturity_max / maturity_min).powf(index as f64 / last as f64)
        }
    })
}

fn read_range(section: &Section) -> Result<CurveRange, CurveFileError> {
    section.allow_only(&[
        "maturity_min",
        "maturity_max",
        "temperature_min_c",
        "temperature_max_c",
        "group_count",
        "specimen_count",
    ])?;
    let maturity_min = section.positive("maturity_min", "the maturity of the first break")?;
    let maturity_max = section.positive("maturity_max", "the maturity of the last break")?;
    if maturity_max <= maturity_min {
        let problem = format!("must be above maturity_min = {maturity_min}, not {maturity_max}");
        return Err(section.error("maturity_max", problem));
    }
    let temperature_min_c =
        section.bounded("temperature_min_c", &bounds::CONCRETE_TEMPERATURE_C)?;
    let temperature_max_c =
        section.bounded("temperature_max_c", &bounds::CONCRETE_TEMPERATURE_C)?;
    if temperature_max_c < temperature_min_c {
        let problem = format!(
            "must not be below temperature_min_c = {temperature_min_c}, not {temperature_max_c}"
        );
        return Err(section.error("temperature_max_c", problem));
    }
    Ok(CurveRange {
        maturity_min,
        maturity_max,
        temperature_min_c,
        temperature_max_c,
        group_count: section.optional_count("group_count")?,
        specimen_count: section.optional_count("specimen_count")?,
    })
}

fn read_specimens(section: &Section) -> Result<Specimens, CurveFileError> {
    section.allow_only(&[
        "cured",
        "peak_c",
        "cycle",
        "shape",
        "diameter_mm",
        "length_mm",
    ])?;
    let cured = section.choice(
        "cured",
        &[
            ("standard", Cured::Standard),
            ("heat-cured", Cured::HeatCured),
            ("match-cured", Cured::MatchCured),
        ],
    )?;
    section.choice("shape", &[("cylinder", ())])?;
    let specimens = Specimens {
        cured,
        peak_c: section.optional_bounded("peak_c", &bounds::CONCRETE_TEMPERATURE_C)?,
        cycle: section.optional_text("cycle")?,
        diameter_mm: section.bounded("diameter_mm", &bounds::CYLINDER_DIAMETER_MM)?,
        length_mm: section.bounded("length_mm", &bounds::CYLINDER_LENGTH_MM)?,
    };
    bounds::LENGTH_DIAMETER_RATIO
        .check(specimens.length_mm / specimens.diameter_mm)
        .map_err(|refused| section.error("length_mm", refused.to_string()))?;
    Ok(specimens)
}

#[cfg(test)]
mod tests;
