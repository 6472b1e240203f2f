//! The specimens behind a curve, as the curve file keeps them: also those that a person left out.

use units::bounds;

use crate::document::{CurveFileError, Section};

/// Where a specimen's result comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum DataSource {
    /// A series made in the lab for the curve.
    #[default]
    Series,
    /// A companion cylinder of a pour of the plant.
    Pour,
}

/// A person's decision to leave a specimen out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Exclusion {
    /// The reason.
    pub because: String,
    /// Who decided it, as written.
    pub by: String,
}

/// One specimen of the data.
#[derive(Debug, Clone, PartialEq)]
pub struct DataRow {
    /// Its identity.
    pub specimen: String,
    /// The group it was broken with.
    pub group: String,
    /// Age when it was broken, h.
    pub age_h: f64,
    /// Maturity when it was broken, in the unit of the curve.
    pub maturity: f64,
    /// Measured strength, MPa.
    pub strength_mpa: f64,
    /// Lowest temperature that it saw, °C.
    pub temperature_min_c: f64,
    /// Highest temperature that it saw, °C.
    pub temperature_max_c: f64,
    /// Kind of fracture, as written.
    pub fracture: Option<String>,
    /// Notes, as written.
    pub notes: Option<String>,
    /// Where the result comes from.
    pub source: DataSource,
    /// Why and by whom it was left out; none when the curve rests on it.
    pub excluded: Option<Exclusion>,
}

pub(super) fn read(root: &Section) -> Result<Vec<DataRow>, CurveFileError> {
    root.sections("data")?.iter().map(read_row).collect()
}

fn read_row(section: &Section) -> Result<DataRow, CurveFileError> {
    section.allow_only(&[
        "specimen",
        "group",
        "age_h",
        "maturity",
        "strength_mpa",
        "temperature_min_c",
        "temperature_max_c",
        "fracture",
        "notes",
        "source",
        "excluded_because",
        "excluded_by",
    ])?;
    let because = section.optional_text("excluded_because")?;
    let by = section.optional_text("excluded_by")?;
    let excluded = match (because, by) {
        (Some(because), Some(by)) => Some(Exclusion { because, by }),
        (None, None) => None,
        (Some(_), None) => {
            return Err(section.error("excluded_by", "is missing: say who left the specimen out"));
        }
        (None, Some(_)) => {
            return Err(section.error("excluded_because", "is missing: say why it was left out"));
        }
    };
    let source = match section.has("source") {
        true => section.choice(
            "source",
            &[("series", DataSource::Series), ("pour", DataSource::Pour)],
        )?,
        false => DataSource::Series,
    };
    Ok(DataRow {
        specimen: section.text("specimen", "the specimen's identity")?,
        group: section.text("group", "the group it was broken with")?,
        age_h: section.positive("age_h", "its age in hours")?,
        maturity: section.positive("maturity", "its maturity when it was broken")?,
        strength_mpa: section.bounded("strength_mpa", &bounds::CONCRETE_STRENGTH_MPA)?,
        temperature_min_c: section.bounded("temperature_min_c", &bounds::CONCRETE_TEMPERATURE_C)?,
        temperature_max_c: section.bounded("temperature_max_c", &bounds::CONCRETE_TEMPERATURE_C)?,
        fracture: section.optional_text("fracture")?,
        notes: section.optional_text("notes")?,
        source,
        excluded,
    })
}
