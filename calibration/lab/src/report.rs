//! What there is to say about a curve file, gathered once for the text and for JSON.

use std::collections::BTreeMap;
use std::fs;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, anyhow};
use calibration::fit::ResidualScatter;
use calibration::{
    Cured, CurveFile, CurveStanding, DataRow, MaturityFunction, PreparedCurve, RequiredMaturity,
    Scatter, TimeZero, digest, parse_records, standing_at,
};
use chrono::{DateTime, Utc};
use serde::Serialize;
use units::Megapascal;

/// The sentence that stands beside every estimate.
pub const CAUTION: &str = "An estimate only tells when to break a cylinder: the broken cylinder \
                           decides, and a person signs.";

/// How many maturities the table shows.
const TABLE_ROW_COUNT: usize = 10;

/// Everything `show` prints; the keys name their units, which are SI.
#[derive(Debug, Serialize)]
pub struct Report {
    pub file: String,
    pub digest: String,
    pub name: String,
    pub mix: String,
    pub author: String,
    pub made_at: DateTime<Utc>,
    pub notes: Option<String>,
    pub asked_at: DateTime<Utc>,
    pub standing: Standing,
    pub time_zero: &'static str,
    pub maturity: Maturity,
    pub form: &'static str,
    pub coefficients: Vec<Coefficient>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub residual_sd_mpa: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub residual_cv: Option<f64>,
    pub residual_degrees_of_freedom: u32,
    pub range: Range,
    pub specimens: Specimens,
    pub materials: BTreeMap<String, String>,
    /// What the fit warned of, by name.
    pub warnings: Vec<String>,
    /// What an approval has to accept by name.
    pub to_accept: Vec<String>,
    pub data: Data,
    pub strengths: Vec<StrengthRow>,
    pub required: Required,
    pub caution: &'static str,
}

/// Whether the curve may be used.
#[derive(Debug, Serialize)]
#[serde(tag = "state", rename_all = "snake_case")]
pub enum Standing {
    Unapproved,
    NotAccepted {
        by: String,
        at: DateTime<Utc>,
        warnings: Vec<String>,
    },
    Approved {
        by: String,
        at: DateTime<Utc>,
    },
    Expired {
        at: DateTime<Utc>,
    },
    Superseded {
        at: DateTime<Utc>,
    },
    Withdrawn {
        at: DateTime<Utc>,
        why: String,
    },
}

/// The maturity function, its unit and its parameters by the curve file's names.
#[derive(Debug, Serialize)]
pub struct Maturity {
    pub function: &'static str,
    pub unit: &'static str,
    pub parameters: BTreeMap<&'static str, f64>,
}

/// One coefficient of the curve; no standard error where the covariance is unknown.
#[derive(Debug, Serialize)]
pub struct Coefficient {
    pub name: &'static str,
    pub value: f64,
    pub standard_error: Option<f64>,
}

/// What the data cover.
#[derive(Debug, Serialize)]
pub struct Range {
    pub maturity_min: f64,
    pub maturity_max: f64,
    pub temperature_min_c: f64,
    pub temperature_max_c: f64,
    pub group_count: Option<u32>,
    pub specimen_count: Option<u32>,
}

/// The cylinders behind the curve.
#[derive(Debug, Serialize)]
pub struct Specimens {
    pub cured: &'static str,
    pub peak_c: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cycle: Option<String>,
    pub diameter_mm: f64,
    pub length_mm: f64,
}

/// The specimens behind the curve.
#[derive(Debug, Serialize)]
pub struct Data {
    /// Whether there are any; a curve without them cannot be checked.
    pub is_behind_curve: bool,
    pub specimens: Vec<Specimen>,
}

/// One specimen against the curve.
#[derive(Debug, Serialize)]
pub struct Specimen {
    pub specimen: String,
    pub group: String,
    pub age_h: f64,
    pub maturity: f64,
    pub strength_mpa: f64,
    /// Measured less the curve.
    pub residual_mpa: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub excluded_because: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub excluded_by: Option<String>,
}

/// One line of the table, with the curve's own scatter only.
#[derive(Debug, Serialize)]
pub struct StrengthRow {
    pub maturity: f64,
    pub estimate_mpa: f64,
    pub lower_90_mpa: f64,
}

/// When a required strength is reached.
#[derive(Debug, Serialize)]
pub struct Required {
    pub strength_mpa: f64,
    pub early: Reached,
    pub likely: Reached,
    pub late: Reached,
}

/// A maturity at which a strength is reached, or why there is none.
#[derive(Debug, Clone, Copy, Serialize)]
#[serde(tag = "reached", rename_all = "snake_case")]
pub enum Reached {
    Within { maturity: f64 },
    BeforeData { first_maturity: f64 },
    BeyondData { last_maturity: f64 },
    Never,
}

impl Report {
    /// Reads and checks a curve file and the records beside it; gives the curve besides.
    pub fn read(
        path: &Path,
        records_path: Option<&Path>,
        required: Megapascal,
        asked_at: DateTime<Utc>,
    ) -> anyhow::Result<(Self, CurveFile)> {
        let bytes = fs::read(path)
            .with_context(|| format!("cannot read the curve file {}", path.display()))?;
        let text = std::str::from_utf8(&bytes).map_err(|error| {
            anyhow!(
                "{}: is not UTF-8 text after byte {}",
                path.display(),
                error.valid_up_to()
            )
        })?;
        let curve =
            CurveFile::parse(text).map_err(|error| anyhow!("{}: {error}", path.display()))?;
        let digest = digest(&bytes);
        let records = read_records(path, records_path)?;
        let standing = Standing::from(standing_at(&curve, &digest, &records, asked_at));
        let report = Self::new(path, &curve, digest, standing, required, asked_at);
        Ok((report, curve))
    }

    fn new(
        path: &Path,
        curve: &CurveFile,
        digest: String,
        standing: Standing,
        required: Megapascal,
        asked_at: DateTime<Utc>,
    ) -> Self {
        let prepared = PreparedCurve::new(curve, Scatter::default());
        let interval = prepared.maturity_interval(required.0);
        Self {
            file: path.display().to_string(),
            digest,
            name: curve.name.clone(),
            mix: curve.mix.clone(),
            author: curve.author.clone(),
            made_at: curve.made_at,
            notes: curve.notes.clone(),
            asked_at,
            standing,
            time_zero: match curve.time_zero {
                TimeZero::Batched => "batched",
                TimeZero::Placed => "placed",
            },
            maturity: Maturity::of(curve.maturity),
            form: curve.curve.form(),
            coefficients: coefficients(curve),
            residual_sd_mpa: match curve.residual {
                ResidualScatter::Constant { sd_mpa } => Some(sd_mpa),
                ResidualScatter::Proportional { .. } => None,
            },
            residual_cv: match curve.residual {
                ResidualScatter::Constant { .. } => None,
                ResidualScatter::Proportional { cv } => Some(cv),
            },
            residual_degrees_of_freedom: curve.residual_degrees_of_freedom,
            range: Range {
                maturity_min: curve.range.maturity_min,
                maturity_max: curve.range.maturity_max,
                temperature_min_c: curve.range.temperature_min_c,
                temperature_max_c: curve.range.temperature_max_c,
                group_count: curve.range.group_count,
                specimen_count: curve.range.specimen_count,
            },
            specimens: Specimens {
                cured: match curve.specimens.cured {
                    Cured::Standard => "standard",
                    Cured::HeatCured => "heat-cured",
                    Cured::MatchCured => "match-cured",
                },
                peak_c: curve.specimens.peak_c,
                cycle: curve.specimens.cycle.clone(),
                diameter_mm: curve.specimens.diameter_mm,
                length_mm: curve.specimens.length_mm,
            },
            materials: curve.materials.clone(),
            warnings: curve.warnings.clone(),
            to_accept: curve.to_accept(),
            data: Data {
                is_behind_curve: !curve.data.is_empty(),
                specimens: curve
                    .data
                    .iter()
                    .map(|row| Specimen::of(row, curve))
                    .collect(),
            },
            strengths: strengths(&prepared),
            required: Required {
                strength_mpa: required.0,
                early: interval.early.into(),
                likely: interval.likely.into(),
                late: interval.late.into(),
            },
            caution: CAUTION,
        }
    }
}

impl Specimen {
    fn of(row: &DataRow, curve: &CurveFile) -> Self {
        Self {
            specimen: row.specimen.clone(),
            group: row.group.clone(),
            age_h: row.age_h,
            maturity: row.maturity,
            strength_mpa: row.strength_mpa,
            residual_mpa: row.strength_mpa - curve.curve.strength_mpa(row.maturity),
            excluded_because: row.excluded.as_ref().map(|one| one.because.clone()),
            excluded_by: row.excluded.as_ref().map(|one| one.by.clone()),
        }
    }
}

/// Records that were asked for must be there; those beside the file may be absent.
fn read_records(
    curve_path: &Path,
    records_path: Option<&Path>,
) -> anyhow::Result<Vec<calibration::CurveRecord>> {
    let beside: PathBuf = curve_path.with_extension("records.toml");
    let path = records_path.unwrap_or(&beside);
    let text = match fs::read_to_string(path) {
        Ok(text) => text,
        Err(error) if error.kind() == ErrorKind::NotFound && records_path.is_none() => {
            return Ok(Vec::new());
        }
        Err(error) => {
            return Err(error)
                .with_context(|| format!("cannot read the records {}", path.display()));
        }
    };
    parse_records(&text).map_err(|error| anyhow!("{}: {error}", path.display()))
}

fn coefficients(curve: &CurveFile) -> Vec<Coefficient> {
    let named = curve.curve.coefficients().into_iter().enumerate();
    named
        .map(|(index, (name, value))| Coefficient {
            name,
            value,
            standard_error: curve.covariance.map(|matrix| matrix[index][index].sqrt()),
        })
        .collect()
}

/// Maturities at even ratios over the range, rounded to three digits where that stays inside it.
fn strengths(prepared: &PreparedCurve) -> Vec<StrengthRow> {
    let (first, last) = (prepared.range().maturity_min, prepared.range().maturity_max);
    let mut maturities: Vec<f64> = (0..TABLE_ROW_COUNT)
        .map(|row| {
            let exponent = row as f64 / (TABLE_ROW_COUNT - 1) as f64;
            three_digits(first * (last / first).powf(exponent)).clamp(first, last)
        })
        .collect();
    maturities[0] = first;
    maturities[TABLE_ROW_COUNT - 1] = last;
    // A very short range rounds several rows to one.
    maturities.dedup();
    maturities
        .into_iter()
        .map(|maturity| StrengthRow {
            maturity,
            estimate_mpa: prepared.strength_at(maturity),
            lower_90_mpa: prepared.lower_90_mpa(maturity),
        })
        .collect()
}

fn three_digits(value: f64) -> f64 {
    let step = 10f64.powf(value.log10().floor() - 2.0);
    (value / step).round() * step
}

impl Maturity {
    pub fn of(function: MaturityFunction) -> Self {
        Self {
            function: function.name(),
            unit: function.unit().symbol(),
            parameters: function.parameters().into_iter().collect(),
        }
    }
}

impl Standing {
    /// The standing in a few words.
    pub fn word(&self) -> String {
        match self {
            Self::Unapproved => "not approved".to_owned(),
            Self::NotAccepted { by, warnings, .. } => {
                format!("not approved: {by} did not accept {}", warnings.join(", "))
            }
            Self::Approved { by, .. } => format!("approved by {by}"),
            Self::Expired { .. } => "its approval has expired".to_owned(),
            Self::Superseded { .. } => "superseded".to_owned(),
            Self::Withdrawn { why, .. } => format!("withdrawn: {why}"),
        }
    }
}

impl From<CurveStanding> for Standing {
    fn from(standing: CurveStanding) -> Self {
        match standing {
            CurveStanding::Unapproved => Self::Unapproved,
            CurveStanding::NotAccepted { by, at, warnings } => {
                Self::NotAccepted { by, at, warnings }
            }
            CurveStanding::Approved { by, at } => Self::Approved { by, at },
            CurveStanding::Expired { at } => Self::Expired { at },
            CurveStanding::Superseded { at } => Self::Superseded { at },
            CurveStanding::Withdrawn { at, why } => Self::Withdrawn { at, why },
        }
    }
}

impl From<RequiredMaturity> for Reached {
    fn from(required: RequiredMaturity) -> Self {
        match required {
            RequiredMaturity::Within(maturity) => Self::Within { maturity },
            RequiredMaturity::BeforeData { first_maturity } => Self::BeforeData { first_maturity },
            RequiredMaturity::BeyondData { last_maturity } => Self::BeyondData { last_maturity },
            RequiredMaturity::Never => Self::Never,
        }
    }
}
