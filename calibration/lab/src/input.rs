//! Series files as every command reads them, and what it says of their bad rows.

use std::path::Path;

use anyhow::{anyhow, bail};
use calibration::series::{BadRow, Series, SeriesFormat, SeriesKind};

use crate::options;

/// A series file, CSV or TOML by its ending.
pub fn read_series(path: &Path, kind: SeriesKind) -> anyhow::Result<Series> {
    let text = options::read_text(path)?;
    let format = match path.extension().and_then(|extension| extension.to_str()) {
        Some("toml") => SeriesFormat::Toml,
        _ => SeriesFormat::Csv,
    };
    Series::parse(&text, format, kind).map_err(|error| anyhow!("{}: {error}", path.display()))
}

/// Names every bad row in `talk`; ends with them unless they may be skipped.
pub fn name_bad_rows<'r>(
    name: &str,
    bad_rows: impl Iterator<Item = &'r BadRow>,
    may_skip: bool,
    talk: &mut String,
) -> anyhow::Result<()> {
    let mut count = 0;
    for row in bad_rows {
        count += 1;
        talk.push_str(&format!("{name}: {row}\n"));
    }
    if count > 0 && !may_skip {
        let rows = if count == 1 { "row" } else { "rows" };
        bail!(
            "{talk}{count} bad {rows} in {name}: put them right, or go on without them by \
             --skip-bad-rows"
        );
    }
    Ok(())
}
