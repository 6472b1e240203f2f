//! The curve file that a fit becomes.

use std::path::Path;

use anyhow::{anyhow, bail};
use calibration::fit::{CurveFit, warnings};
use calibration::{CurveFile, CurveRange, Specimens, digest};
use chrono::{DateTime, SubsecRound as _, Utc};

use super::{FitArguments, Fitted, time_zero};
use crate::options::write_new;

/// Writes the curve file, checked by the reader that the daemon uses, and gives its digest.
pub fn write(
    path: &Path,
    arguments: &FitArguments,
    fitted: &Fitted,
    fit: &CurveFit,
    now: DateTime<Utc>,
) -> anyhow::Result<String> {
    let (Some(mix), Some(author)) = (&arguments.mix, &arguments.author) else {
        bail!("--out needs --mix and --author");
    };
    let kept = || fitted.rows.iter().filter(|row| row.excluded.is_none());
    let extreme = |value: fn(&calibration::DataRow) -> f64, choose: fn(f64, f64) -> f64| {
        kept().map(value).reduce(choose).unwrap_or(f64::NAN)
    };
    let temperature_max_c = extreme(|row| row.temperature_max_c, f64::max);
    let count = |count: usize| u32::try_from(count).ok();
    let found = warnings(fit, &fitted.points, &fitted.surroundings);
    let mut file = CurveFile {
        name: arguments
            .name
            .clone()
            .unwrap_or_else(|| format!("{mix} {}", now.format("%Y-%m-%d"))),
        mix: mix.clone(),
        author: author.clone(),
        made_at: now.trunc_subsecs(0),
        notes: arguments.notes.clone(),
        maturity: fitted.function,
        time_zero: time_zero(arguments.time_zero),
        curve: fit.curve,
        covariance: Some(fit.covariance),
        residual: fit.scatter,
        residual_degrees_of_freedom: fit.degrees_of_freedom,
        range: CurveRange {
            maturity_min: fit.maturity_range.0,
            maturity_max: fit.maturity_range.1,
            temperature_min_c: extreme(|row| row.temperature_min_c, f64::min),
            temperature_max_c,
            group_count: count(fit.group_count),
            specimen_count: count(fit.point_count),
        },
        specimens: Specimens {
            cured: fitted.cured,
            peak_c: Some(temperature_max_c),
            cycle: arguments.cycle.clone(),
            diameter_mm: fitted.diameter.0,
            length_mm: arguments.length.0,
        },
        materials: arguments.material.iter().cloned().collect(),
        warnings: found
            .iter()
            .map(|warning| warning.name().to_owned())
            .collect(),
        data: fitted.rows.clone(),
    };
    // Where the offset was held, the interval must not pretend to know it better than that; the
    // covariance has a row of zeros for it, which the reader takes.
    file.notes = match (file.notes, fit.is_offset_held) {
        (notes, false) => notes,
        (None, true) => Some("the offset was held at 0".to_owned()),
        (Some(notes), true) => Some(format!("{notes}; the offset was held at 0")),
    };
    let text = file.to_toml();
    CurveFile::parse(&text).map_err(|error| {
        anyhow!("this fit cannot be a curve file: {error}; another form may serve")
    })?;
    write_new(path, &text)?;
    Ok(digest(text.as_bytes()))
}
