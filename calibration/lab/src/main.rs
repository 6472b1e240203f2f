//! tarplight-lab: the lab's command, from broken cylinders to an approved curve and its watch.

mod approve;
mod fit;
mod input;
mod options;
mod picture;
mod plan;
mod plant;
mod rates;
mod report;
mod text;
mod verify;

use std::io::{self, Write as _};
use std::path::PathBuf;
use std::process::ExitCode;

use chrono::{DateTime, Utc};
use clap::{Parser, Subcommand};
use units::Megapascal;

use fit::FitArguments;
use options::Units;
use report::Report;

const ALL_EXAMPLES: &str = "\
Examples:
  tarplight-lab plan --mix M45 --release \"14 h\" --cycle-c 0:22,4:25,7:65,14:65,18:40 --sheet sheet.svg
  tarplight-lab fit series.csv --form all --target \"4000 psi\"
  tarplight-lab rates mortar.csv --beds-peak \"65 °C\"
  tarplight-lab approve curves/m45.toml --by \"lab lead\"
  tarplight-lab verify curves/m45.toml breaks.csv
  tarplight-lab show curves/m45.toml

Data go to standard output, talk to standard error. Exit codes: 0 good, 1 a file is not good or there
is no result, 2 the command line is wrong, 3 a verified curve drifts.";

const EXAMPLES: &str = "\
Examples:
  tarplight-lab show curves/m45.toml
  tarplight-lab show curves/m45.toml --units us --required \"3500 psi\"
  tarplight-lab show curves/m45.toml --json
  tarplight-lab show curves/m45.toml --records approvals.toml --at 2026-03-14T06:00:00Z

Exit codes: 0 the file is good, 1 the file or its records are not, 2 the command line is not.";

#[derive(Parser)]
#[command(name = "tarplight-lab", version, about, after_help = ALL_EXAMPLES)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Plan a series: how many cylinders, when to break each group, which carry a sensor.
    #[command(after_help = plan::EXAMPLES)]
    Plan(Box<plan::PlanArguments>),
    /// Fit curves to a series of broken cylinders, say how good they are, and write a curve file.
    #[command(after_help = fit::EXAMPLES)]
    Fit(Box<FitArguments>),
    /// Datum temperature and activation energy from strengths at three or more temperatures.
    #[command(after_help = rates::EXAMPLES)]
    Rates(rates::RatesArguments),
    /// Hold a curve against the plant's breaks: bias, scatter, control chart, drift.
    #[command(after_help = verify::EXAMPLES)]
    Verify(verify::VerifyArguments),
    /// Record that a curve is approved, expires, is superseded or withdrawn.
    #[command(after_help = approve::EXAMPLES)]
    Approve(approve::ApproveArguments),
    /// Check a curve file and show what it says: form, range, standing, strengths with their
    /// bounds.
    #[command(after_help = EXAMPLES)]
    Show(ShowArguments),
}

#[derive(clap::Args)]
struct ShowArguments {
    /// The curve file.
    file: PathBuf,
    /// The records beside it [default: FILE with .toml replaced by .records.toml, when it exists].
    #[arg(long, value_name = "FILE")]
    records: Option<PathBuf>,
    /// Print one JSON object instead of text; always in SI units, which its keys name.
    #[arg(long)]
    json: bool,
    /// The units of the text.
    #[arg(long, value_enum, default_value_t = Units::Si)]
    units: Units,
    /// A required strength with its unit; the maturity at which it is reached is shown.
    #[arg(
        long,
        value_name = "STRENGTH",
        default_value = "3500 psi",
        value_parser = options::strength
    )]
    required: Megapascal,
    /// The instant at which the standing is asked (RFC 3339) [default: now].
    #[arg(long, value_name = "TIME")]
    at: Option<DateTime<Utc>>,
    /// Draw data, curve, lower bound and required strength as SVG.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
}

fn main() -> ExitCode {
    match run(Arguments::parse().command) {
        Ok(code) => ExitCode::from(code),
        Err(error) => {
            say(&format!("tarplight-lab: {error:#}\n"));
            ExitCode::from(1)
        }
    }
}

/// Runs one command and gives its exit code.
fn run(command: Command) -> anyhow::Result<u8> {
    match command {
        Command::Plan(arguments) => {
            let (data, talk) = plan::run(&arguments)?;
            say(&talk);
            print(&data)?;
            Ok(0)
        }
        Command::Fit(arguments) => {
            let printed = fit::run(&arguments, Utc::now())?;
            say(&printed.talk);
            print(&printed.data)?;
            Ok(u8::from(!printed.has_curve))
        }
        Command::Rates(arguments) => {
            let (data, talk) = rates::run(&arguments)?;
            say(&talk);
            print(&data)?;
            Ok(0)
        }
        Command::Verify(arguments) => {
            let verified = verify::run(&arguments)?;
            say(&verified.talk);
            print(&verified.data)?;
            Ok(if verified.drifts { 3 } else { 0 })
        }
        Command::Approve(arguments) => {
            print(&approve::run(&arguments, Utc::now())?)?;
            Ok(0)
        }
        Command::Show(arguments) => {
            print(&show(&arguments)?)?;
            Ok(0)
        }
    }
}

/// Talk goes to standard error; nothing is left to do when even that is gone.
fn say(text: &str) {
    let _ = io::stderr().write_all(text.as_bytes());
}

fn print(text: &str) -> anyhow::Result<()> {
    match io::stdout().lock().write_all(text.as_bytes()) {
        // A reader such as `head` may have had enough.
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        result => Ok(result?),
    }
}

fn show(arguments: &ShowArguments) -> anyhow::Result<String> {
    let (report, curve) = Report::read(
        &arguments.file,
        arguments.records.as_deref(),
        arguments.required,
        arguments.at.unwrap_or_else(Utc::now),
    )?;
    let system = arguments.units.into();
    let picture = picture::of_file(&curve, arguments.required, system);
    if let Some(path) = &arguments.svg {
        options::write_picture(path, &chart::svg(&picture))?;
        say(&format!("drawn: {}\n", path.display()));
    }
    if arguments.json {
        Ok(serde_json::to_string_pretty(&report)? + "\n")
    } else {
        let text = text::render(&report, system);
        Ok(format!("{text}\n{}", chart::draw(&picture)))
    }
}
