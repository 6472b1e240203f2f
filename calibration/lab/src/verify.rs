//! `tarplight-lab verify`: the plant's breaks against the curve they should have followed.

mod report;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, anyhow};
use calibration::series::{History, Series, SeriesKind, Temperature};
use calibration::verification::{
    CurveState, Verification, VerificationPoint, VerificationRules, VerifyingBreak, verify,
};
use calibration::{CurveFile, digest};
use chart::{Chart, Mark, draw, svg};
use chrono::{DateTime, Utc};

use crate::input::{name_bad_rows, read_series};
use crate::options::{self, Units};
use crate::plant::DaemonArguments;
use report::Report;

pub const EXAMPLES: &str = "\
Examples:
  tarplight-lab verify curves/m45.toml breaks.csv
  tarplight-lab verify curves/m45.toml breaks.csv --json
  tarplight-lab verify curves/m45.toml breaks.csv --svg chart.svg --units us
  tarplight-lab verify curves/m45.toml --from-daemon http://127.0.0.1:7871 --heated-only

Columns: pour; broken_at (RFC 3339); strength_mpa, strength_psi, or load_kn or load_lbf with
diameter and length; age_h or age_d; temperature_c, temperature_f or history (readings of the
specimens' own sensor, a FILE beside). One row for each cylinder; those of one pour and one instant
are one break. Without a temperature a break is shown apart. --from-daemon takes the breaks of the
curve's mix from the plant's record, with the temperatures of the cylinders' own sensors; a break
whose sensor does not cover its specimens' time is shown apart, and why is said.

Exit codes: 0 the curve holds or is not verified yet, 1 a file is bad, 2 the command line is wrong,
3 the curve drifts.";

#[derive(clap::Args)]
pub struct VerifyArguments {
    /// The curve file.
    curve: PathBuf,
    /// The breaks, CSV or TOML.
    #[arg(
        required_unless_present = "from_daemon",
        conflicts_with = "from_daemon"
    )]
    breaks: Option<PathBuf>,
    #[command(flatten)]
    daemon: DaemonArguments,
    /// The instant of time zero for histories with instants, as POUR=TIME. May be repeated.
    #[arg(long, value_name = "POUR=TIME", value_parser = options::pair)]
    time_zero_at: Vec<(String, String)>,
    /// Go on without bad rows, and say which they were.
    #[arg(long)]
    skip_bad_rows: bool,
    /// Draw the breaks against the curve as SVG.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
    /// Draw the control chart, the cumulative sums with their limits, as SVG.
    #[arg(long, value_name = "FILE")]
    sums_svg: Option<PathBuf>,
    /// Print one JSON object, in SI units, which its keys name.
    #[arg(long)]
    json: bool,
    /// Show the cumulative sums and draw the control chart in the text too.
    #[arg(long)]
    verbose: bool,
    /// The units of the text.
    #[arg(long, value_enum, default_value_t = Units::Si)]
    units: Units,
}

/// What the command prints, and whether the curve drifts.
pub struct Verified {
    pub data: String,
    pub talk: String,
    pub drifts: bool,
}

/// One cylinder of a break.
struct Broken {
    strength_mpa: f64,
    own_maturity: Option<f64>,
}

/// Runs the command.
pub fn run(arguments: &VerifyArguments) -> anyhow::Result<Verified> {
    let curve_text = options::read_text(&arguments.curve)?;
    let curve = CurveFile::parse(&curve_text)
        .map_err(|error| anyhow!("{}: {error}", arguments.curve.display()))?;
    let mut talk = String::new();
    let breaks = read_breaks(arguments, &curve, &mut talk)?;
    let rules = VerificationRules::default();
    let verification = verify(&curve, &breaks, &rules);
    let picture = breaks_chart(&curve, &verification, &rules);
    let sums = sums_chart(&curve, &verification, &rules);
    for (path, picture) in [(&arguments.svg, &picture), (&arguments.sums_svg, &sums)] {
        if let Some(path) = path {
            options::write_picture(path, &svg(picture))?;
            talk.push_str(&format!("drawn: {}\n", path.display()));
        }
    }
    let report = Report::new(&curve, digest(curve_text.as_bytes()), &verification, &rules);
    let data = if arguments.json {
        serde_json::to_string_pretty(&report)? + "\n"
    } else {
        let text = report.text(arguments.verbose, arguments.units.into());
        match (verification.points.is_empty(), arguments.verbose) {
            (true, _) => text,
            (false, false) => format!("{text}\n{}", draw(&picture)),
            (false, true) => format!("{text}\n{}\n{}", draw(&picture), draw(&sums)),
        }
    };
    Ok(Verified {
        data,
        talk,
        drifts: verification.state == CurveState::Drifts,
    })
}

fn read_breaks(
    arguments: &VerifyArguments,
    curve: &CurveFile,
    talk: &mut String,
) -> anyhow::Result<Vec<VerifyingBreak>> {
    let (name, series, histories) = read_plant_or_file(arguments, curve)?;
    let mut bad_rows = series.bad_rows.clone();
    let mut sets: BTreeMap<(String, DateTime<Utc>), Vec<Broken>> = BTreeMap::new();
    for specimen in series.specimens.iter().filter(|one| one.excluded.is_none()) {
        let (Some(pour), Some(broken_at)) = (&specimen.pour, specimen.broken_at) else {
            continue;
        };
        let own_maturity = match &specimen.temperature {
            Temperature::Unknown => None,
            Temperature::Constant(_) | Temperature::Companion(_) => {
                match specimen.maturity(&curve.maturity, &histories) {
                    Ok(maturity) => Some(maturity),
                    // The plant's record is what it is: such a break is shown apart, and said why.
                    Err(bad_row) if arguments.breaks.is_none() => {
                        talk.push_str(&format!(
                            "{}: {}; it is shown apart\n",
                            specimen.specimen, bad_row.reason
                        ));
                        None
                    }
                    Err(bad_row) => {
                        bad_rows.push(bad_row);
                        continue;
                    }
                }
            }
        };
        sets.entry((pour.clone(), broken_at))
            .or_default()
            .push(Broken {
                strength_mpa: specimen.strength_mpa,
                own_maturity,
            });
    }
    name_bad_rows(&name, bad_rows.iter(), arguments.skip_bad_rows, talk)?;
    if !bad_rows.is_empty() {
        talk.push_str(&format!("skipped {} bad rows\n", bad_rows.len()));
    }
    Ok(sets
        .into_iter()
        .map(|((pour, broken_at), specimens)| {
            let count = specimens.len() as f64;
            // One specimen without a history leaves the set's mean without one.
            let own: Option<Vec<f64>> = specimens.iter().map(|one| one.own_maturity).collect();
            VerifyingBreak {
                pour,
                broken_at,
                measured_mpa: specimens.iter().map(|one| one.strength_mpa).sum::<f64>() / count,
                specimen_count: u32::try_from(specimens.len()).unwrap_or(u32::MAX),
                own_maturity: own.map(|own| own.iter().sum::<f64>() / count),
            }
        })
        .collect())
}

/// What the breaks are called, the breaks, and their specimens' histories by name.
fn read_plant_or_file(
    arguments: &VerifyArguments,
    curve: &CurveFile,
) -> anyhow::Result<(String, Series, BTreeMap<String, History>)> {
    if let Some(breaks) = arguments.daemon.fetch(&curve.mix)? {
        let (series, histories) = breaks.series(curve.time_zero);
        return Ok((breaks.name, series, histories));
    }
    let path = arguments.breaks.as_deref().context("no breaks are named")?;
    let series = read_series(path, SeriesKind::Breaks)?;
    let histories = read_histories(arguments, path, &series)?;
    Ok((path.display().to_string(), series, histories))
}

/// Histories are named by their file beside the breaks; one with instants needs the time zero of
/// the pour that names it.
fn read_histories(
    arguments: &VerifyArguments,
    breaks: &Path,
    series: &Series,
) -> anyhow::Result<BTreeMap<String, History>> {
    let folder = breaks.parent().unwrap_or(Path::new(""));
    let mut histories = BTreeMap::new();
    for specimen in &series.specimens {
        let Temperature::Companion(name) = &specimen.temperature else {
            continue;
        };
        if histories.contains_key(name) {
            continue;
        }
        let pour = specimen.pour.as_deref().unwrap_or_default();
        let zero_at = arguments
            .time_zero_at
            .iter()
            .find(|(named, _)| named == pour)
            .map(|(_, at)| {
                DateTime::parse_from_rfc3339(at)
                    .map(|at| at.with_timezone(&Utc))
                    .map_err(|_| anyhow!("--time-zero-at: \"{at}\" is no instant (RFC 3339)"))
            })
            .transpose()?;
        let path = folder.join(name);
        let history = History::parse(&options::read_text(&path)?, zero_at).map_err(|error| {
            anyhow!(
                "{}: {error} (--time-zero-at \"{pour}=TIME\")",
                path.display()
            )
        })?;
        histories.insert(name.clone(), history);
    }
    Ok(histories)
}

fn breaks_chart(
    curve: &CurveFile,
    verification: &Verification,
    rules: &VerificationRules,
) -> Chart {
    let ordinal = |index: usize| (index + 1) as f64;
    let percent = 100.0 * rules.tolerance;
    Chart {
        title: format!("Breaks against curve {}, pour by pour", curve.name),
        x_label: "pour, in order of its break".to_owned(),
        y_label: "measured less estimated, percent of the estimate".to_owned(),
        is_x_logarithmic: false,
        band: Vec::new(),
        lines: Vec::new(),
        marks: verification
            .points
            .iter()
            .enumerate()
            .map(|(index, point)| (ordinal(index), point.difference_percent(), Mark::Filled))
            .collect(),
        levels: vec![
            (percent, format!("tolerance +{percent:.0} %")),
            (0.0, "on the curve".to_owned()),
            (-percent, format!("tolerance -{percent:.0} %")),
        ],
        places: Vec::new(),
        note: "The first break of each pour whose specimens had their own temperature history."
            .to_owned(),
    }
}

/// The sum above goes up, the sum below goes down; a curve that passes a limit drifts.
fn sums_chart(curve: &CurveFile, verification: &Verification, rules: &VerificationRules) -> Chart {
    let sums = |choose: fn(&VerificationPoint) -> f64| -> Vec<(f64, f64)> {
        let begins = std::iter::once((0.0, 0.0));
        let points = verification.points.iter().enumerate();
        begins
            .chain(points.map(|(index, point)| ((index + 1) as f64, choose(point))))
            .collect()
    };
    Chart {
        title: format!("Control chart of curve {}", curve.name),
        x_label: "pour, in order of its break".to_owned(),
        y_label: "cumulative sum, standard deviations".to_owned(),
        is_x_logarithmic: false,
        band: Vec::new(),
        lines: vec![
            sums(|point| point.sum_above),
            sums(|point| -point.sum_below),
        ],
        marks: Vec::new(),
        levels: vec![
            (rules.limit_above, "limit above".to_owned()),
            (-rules.limit_below, "limit below".to_owned()),
        ],
        places: Vec::new(),
        note: format!(
            "Of a curve that holds, one false alarm below in {:.0} pours, above in {:.0}.",
            verification.run_length_below, verification.run_length_above
        ),
    }
}
