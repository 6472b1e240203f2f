//! `tarplight-lab fit`: from a series of broken cylinders to a curve file.

mod out;
mod picture;
mod report;
mod text;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, anyhow, bail};
use calibration::fit::{
    CurveFit, FitOptions, FitRefusal, Form, Point, ScatterKind, Surroundings, compare, fit,
};
use calibration::series::{BadRow, History, Series, SeriesKind, points};
use calibration::{Cured, DataRow, Exclusion, MaturityFunction, TimeZero};
use chrono::{DateTime, Utc};
use clap::ValueEnum;
use units::{Celsius, Megapascal, Millimetre};

use crate::input::{name_bad_rows, read_series};
use crate::options::{self, MaturityArguments, Units};
use crate::plant::DaemonArguments;
use report::FitReport;

pub const EXAMPLES: &str = "\
Examples:
  tarplight-lab fit series.csv --maturity equivalent-age --form hyperbolic --json
  tarplight-lab fit series.csv --form all --target \"4000 psi\" --units us --beds-peak \"149 °F\"
  tarplight-lab fit series.csv --form exponential --exclude \"A7=cap broke\" --by \"lab lead\" \\
      --mix M45 --author \"lab\" --cured match-cured --out curves/m45-2.toml
  tarplight-lab fit --from-daemon http://127.0.0.1:7871 --mix M45 --since 2026-06-01T00:00:00Z

A series is CSV or TOML. Columns: age_d or age_h; strength_mpa, strength_psi, load_kn or load_lbf
(loads with diameter and length); temperature_c, temperature_f or history (the readings of the
companion sensor, as FILE beside the series); and if you like specimen, group, shape, diameter_mm,
length_mm (or _in), fracture, notes, source, excluded_because, excluded_by.

--from-daemon fits the plant's own companion cylinders: breaks of --mix whose specimens had a sensor.

Exit codes: 0 there is a curve, 1 there is none or a row is bad, 2 the command line is wrong.";

#[derive(clap::Args)]
pub struct FitArguments {
    /// The calibration series, CSV or TOML by its ending.
    #[arg(
        required_unless_present = "from_daemon",
        conflicts_with = "from_daemon"
    )]
    series: Option<PathBuf>,
    #[command(flatten)]
    daemon: DaemonArguments,
    #[command(flatten)]
    maturity: MaturityArguments,
    /// The curve form; `all` fits and compares every one.
    #[arg(long, value_enum, default_value_t = FormChoice::All)]
    form: FormChoice,
    /// Whether the scatter is the same everywhere or grows with the strength.
    #[arg(long, value_enum, default_value_t = Scatter::Constant)]
    scatter: Scatter,
    /// Hold the hyperbolic offset at zero where the data would make it negative.
    #[arg(long)]
    offset_not_negative: bool,
    /// The strength whose maturity is asked, with its unit.
    #[arg(long, value_name = "STRENGTH", value_parser = options::strength)]
    target: Option<Megapascal>,
    /// The same as a number of MPa.
    #[arg(long, value_name = "MPA", value_parser = options::strength_mpa, conflicts_with = "target")]
    target_mpa: Option<Megapascal>,
    /// Go on without bad rows, and say which they were.
    #[arg(long)]
    skip_bad_rows: bool,
    /// Leave a specimen out, with the reason; it stays in the curve file. May be repeated.
    #[arg(long, value_name = "SPECIMEN=REASON", value_parser = options::pair, requires = "by")]
    exclude: Vec<(String, String)>,
    /// Who leaves specimens out.
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// The event from which ages count.
    #[arg(long, value_enum, default_value_t = Event::Placed)]
    time_zero: Event,
    /// The instant of that event, for histories whose readings carry instants (RFC 3339).
    #[arg(long, value_name = "TIME")]
    time_zero_at: Option<DateTime<Utc>>,
    /// How the specimens were cured [default: standard; heat-cured where every break fetched is of
    /// a pour on a heated bed].
    #[arg(long, value_enum)]
    cured: Option<Cure>,
    /// The specimens' cycle of temperature in words, kept in the curve file.
    #[arg(long, value_name = "TEXT")]
    cycle: Option<String>,
    /// The peak of the beds that the curve is for, with its unit.
    #[arg(long, value_name = "TEMPERATURE", value_parser = options::temperature)]
    beds_peak: Option<Celsius>,
    /// Diameter of cylinders whose rows give none.
    #[arg(long, value_name = "LENGTH", default_value = "4 in", value_parser = options::length)]
    diameter: Millimetre,
    /// Length of cylinders whose rows give none.
    #[arg(long, value_name = "LENGTH", default_value = "8 in", value_parser = options::length)]
    length: Millimetre,
    /// Write the curve file here; one form only, and the file must not exist yet.
    #[arg(long, value_name = "FILE", requires = "mix", requires = "author")]
    out: Option<PathBuf>,
    /// The mix, for the curve file.
    #[arg(long)]
    mix: Option<String>,
    /// Who makes the curve, for the curve file.
    #[arg(long)]
    author: Option<String>,
    /// The curve's name [default: the mix and the date].
    #[arg(long)]
    name: Option<String>,
    /// Notes for the curve file.
    #[arg(long)]
    notes: Option<String>,
    /// A material that the curve holds for, such as "cement source=…". May be repeated.
    #[arg(long, value_name = "NAME=TEXT", value_parser = options::pair)]
    material: Vec<(String, String)>,
    /// Draw data, curve, band and target as SVG.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
    /// Draw the residuals as SVG.
    #[arg(long, value_name = "FILE")]
    residuals_svg: Option<PathBuf>,
    /// Print one JSON object, in SI units, which its keys name.
    #[arg(long)]
    json: bool,
    /// Show the statistics in the text too.
    #[arg(long)]
    verbose: bool,
    /// The units of the text and the pictures.
    #[arg(long, value_enum, default_value_t = Units::Si)]
    units: Units,
}

#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
enum FormChoice {
    Hyperbolic,
    Exponential,
    Logarithmic,
    All,
}

#[derive(Clone, Copy, ValueEnum)]
enum Scatter {
    Constant,
    Proportional,
}

#[derive(Clone, Copy, ValueEnum)]
enum Event {
    Placed,
    Batched,
}

#[derive(Clone, Copy, ValueEnum)]
enum Cure {
    Standard,
    HeatCured,
    MatchCured,
}

impl From<Cure> for Cured {
    fn from(cure: Cure) -> Self {
        match cure {
            Cure::Standard => Self::Standard,
            Cure::HeatCured => Self::HeatCured,
            Cure::MatchCured => Self::MatchCured,
        }
    }
}

/// A series after every decision about its rows, and what the fits made of it.
pub struct Fitted {
    /// Where the rows come from.
    pub name: String,
    pub cured: Cured,
    pub function: MaturityFunction,
    pub rows: Vec<DataRow>,
    pub points: Vec<Point>,
    pub groups: Vec<String>,
    pub bad_rows: Vec<BadRow>,
    pub target_mpa: Option<f64>,
    pub surroundings: Surroundings,
    pub scatter: ScatterKind,
    pub diameter: Millimetre,
    pub forms: Vec<(Form, Result<CurveFit, FitRefusal>)>,
}

/// What the command prints: data for standard output and talk for standard error.
pub struct Printed {
    pub data: String,
    pub talk: String,
    /// Whether a curve came out.
    pub has_curve: bool,
}

/// Runs the command.
pub fn run(arguments: &FitArguments, now: DateTime<Utc>) -> anyhow::Result<Printed> {
    let mut talk = String::new();
    let fitted = read_and_fit(arguments, &mut talk)?;
    let fits: Vec<&CurveFit> = fitted
        .forms
        .iter()
        .filter_map(|(_, fit)| fit.as_ref().ok())
        .collect();
    let comparison = (fitted.forms.len() > 1).then(|| compare(&fits));
    let report = FitReport::new(&fitted, comparison.as_ref());
    let system = arguments.units.into();
    // The pictures show one curve: the only one, or the one that told left-out groups best.
    let shown = comparison
        .as_ref()
        .and_then(|comparison| comparison.least_error)
        .and_then(|form| fits.iter().find(|fit| fit.form == form))
        .or(fits.first())
        .copied();
    let mut data = if arguments.json {
        serde_json::to_string_pretty(&report)? + "\n"
    } else {
        text::render(&report, &fitted, arguments.verbose, system)
    };
    if let Some(shown) = shown {
        let picture = picture::curve(&fitted, shown, system);
        let residuals = picture::residuals(&fitted, shown, system);
        if !arguments.json {
            data.push('\n');
            data.push_str(&chart::draw(&picture));
            if arguments.verbose {
                data.push('\n');
                data.push_str(&chart::draw(&residuals));
            }
            data.push_str(&format!("\n{}\n", crate::report::CAUTION));
        }
        for (path, picture) in [
            (&arguments.svg, picture),
            (&arguments.residuals_svg, residuals),
        ] {
            if let Some(path) = path {
                options::write_picture(path, &chart::svg(&picture))?;
                talk.push_str(&format!("drawn: {}\n", path.display()));
            }
        }
    }
    if let Some(path) = &arguments.out {
        let [(_, fit)] = fitted.forms.as_slice() else {
            bail!("--out writes one curve: choose a --form");
        };
        if let Ok(fit) = fit {
            let digest = out::write(path, arguments, &fitted, fit, now)?;
            talk.push_str(&format!(
                "written: {}, {digest}\nIt gives no estimate until somebody approves it: \
                 tarplight-lab approve {} --help\n",
                path.display(),
                path.display()
            ));
        }
    }
    for (form, refusal) in &fitted.forms {
        if let Err(refusal) = refusal {
            talk.push_str(&format!("no {form} curve: {refusal}\n"));
        }
    }
    Ok(Printed {
        data,
        talk,
        has_curve: !fits.is_empty(),
    })
}

fn read_and_fit(arguments: &FitArguments, talk: &mut String) -> anyhow::Result<Fitted> {
    let function = arguments.maturity.function()?;
    let Input {
        name,
        mut series,
        histories,
        cured,
    } = read_input(arguments, talk)?;
    for (specimen, because) in &arguments.exclude {
        let exclusion = Exclusion {
            because: because.clone(),
            by: arguments.by.clone().unwrap_or_default(),
        };
        series.exclude(specimen, exclusion).map_err(|known| {
            anyhow!(
                "--exclude: {name} has no specimen \"{specimen}\"; it has {}",
                known.join(", ")
            )
        })?;
    }
    let (rows, more_bad_rows) = series.data(&function, &histories);
    let mut bad_rows = series.bad_rows.clone();
    bad_rows.extend(more_bad_rows);
    bad_rows.sort_by_key(|row| row.line);
    name_bad_rows(&name, bad_rows.iter(), arguments.skip_bad_rows, talk)?;
    if !bad_rows.is_empty() {
        talk.push_str(&format!("skipped {} bad rows\n", bad_rows.len()));
    }
    let (points, groups) = points(&rows);
    let scatter = match arguments.scatter {
        Scatter::Constant => ScatterKind::Constant,
        Scatter::Proportional => ScatterKind::Proportional,
    };
    let fit_options = FitOptions {
        scatter,
        offset_not_negative: arguments.offset_not_negative,
    };
    let wanted: Vec<Form> = match arguments.form {
        FormChoice::Hyperbolic => vec![Form::Hyperbolic],
        FormChoice::Exponential => vec![Form::Exponential],
        FormChoice::Logarithmic => vec![Form::Logarithmic],
        FormChoice::All => Form::ALL.to_vec(),
    };
    let target_mpa = arguments.target.or(arguments.target_mpa).map(|mpa| mpa.0);
    let used = || rows.iter().filter(|row| row.excluded.is_none());
    let specimens_low_c = used().map(|row| row.temperature_min_c).reduce(f64::min);
    let specimens_peak_c = used().map(|row| row.temperature_max_c).reduce(f64::max);
    Ok(Fitted {
        name,
        cured,
        function,
        forms: wanted
            .into_iter()
            .map(|form| (form, fit(&points, form, fit_options)))
            .collect(),
        surroundings: Surroundings {
            target_mpa,
            cured: Some(cured),
            specimens_low_c,
            specimens_peak_c,
            beds_peak_c: arguments.beds_peak.map(|celsius| celsius.0),
        },
        diameter: series
            .specimens
            .iter()
            .find_map(|specimen| specimen.diameter_mm)
            .map_or(arguments.diameter, Millimetre),
        rows,
        points,
        groups,
        bad_rows,
        target_mpa,
        scatter,
    })
}

/// What is fitted, before any decision about its rows.
struct Input {
    name: String,
    series: Series,
    histories: BTreeMap<String, History>,
    cured: Cured,
}

fn read_input(arguments: &FitArguments, talk: &mut String) -> anyhow::Result<Input> {
    let stated = arguments.cured.map(Cured::from);
    let Some(path) = &arguments.series else {
        return fetch_input(arguments, stated, talk);
    };
    let series = read_series(path, SeriesKind::Cylinders)?;
    Ok(Input {
        name: path.display().to_string(),
        histories: read_histories(path, &series, arguments.time_zero_at)?,
        series,
        cured: stated.unwrap_or(Cured::Standard),
    })
}

/// The plant's own companion cylinders.
fn fetch_input(
    arguments: &FitArguments,
    stated: Option<Cured>,
    talk: &mut String,
) -> anyhow::Result<Input> {
    let mix = arguments.mix.as_deref();
    let mix = mix.context("--from-daemon needs --mix: whose breaks are fitted?")?;
    let breaks = arguments.daemon.fetch(mix)?;
    let mut breaks = breaks.context("neither a series nor a daemon is named")?;
    let dropped_count = breaks.drop_without_history();
    if dropped_count > 0 {
        talk.push_str(&format!(
            "{dropped_count} breaks are not used: their specimens had no sensor\n"
        ));
    }
    let by_beds = match breaks.are_all_heated() {
        true => Cured::HeatCured,
        false => Cured::Standard,
    };
    let (series, histories) = breaks.series(time_zero(arguments.time_zero));
    Ok(Input {
        name: breaks.name,
        series,
        histories,
        cured: stated.unwrap_or(by_beds),
    })
}

/// Histories are named by their file, beside the series.
fn read_histories(
    series_path: &Path,
    series: &Series,
    time_zero_at: Option<DateTime<Utc>>,
) -> anyhow::Result<BTreeMap<String, History>> {
    let folder = series_path.parent().unwrap_or(Path::new(""));
    let mut histories = BTreeMap::new();
    for name in series.history_names() {
        let path = folder.join(name);
        let history = History::parse(&options::read_text(&path)?, time_zero_at)
            .map_err(|error| anyhow!("{}: {error}", path.display()))?;
        histories.insert(name.to_owned(), history);
    }
    Ok(histories)
}

fn time_zero(event: Event) -> TimeZero {
    match event {
        Event::Placed => TimeZero::Placed,
        Event::Batched => TimeZero::Batched,
    }
}
