//! tarplight-lab: the lab's command, which reads, checks and shows curve files.

mod report;
mod text;

use std::io::{self, Write as _};
use std::path::PathBuf;
use std::process::ExitCode;

use chrono::{DateTime, Utc};
use clap::{Parser, Subcommand, ValueEnum};
use units::{Megapascal, UnitSystem};

use report::Report;

const EXAMPLES: &str = "\
Examples:
  tarplight-lab show curves/m45.toml
  tarplight-lab show curves/m45.toml --units us --required \"3500 psi\"
  tarplight-lab show curves/m45.toml --json
  tarplight-lab show curves/m45.toml --records approvals.toml --at 2026-03-14T06:00:00Z

Exit codes: 0 the file is good, 1 the file or its records are not, 2 the command line is not.";

#[derive(Parser)]
#[command(name = "tarplight-lab", version, about, after_help = EXAMPLES)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
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
        value_parser = required_strength
    )]
    required: Megapascal,
    /// The instant at which the standing is asked (RFC 3339) [default: now].
    #[arg(long, value_name = "TIME")]
    at: Option<DateTime<Utc>>,
}

#[derive(Clone, Copy, ValueEnum)]
enum Units {
    /// °C, MPa, mm.
    Si,
    /// °F, psi, in.
    Us,
}

fn required_strength(typed: &str) -> Result<Megapascal, String> {
    let strength = Megapascal::parse(typed).map_err(|error| error.to_string())?;
    calibration::check_plausible(strength).map_err(|error| error.to_string())
}

fn main() -> ExitCode {
    let Command::Show(arguments) = Arguments::parse().command;
    match show(&arguments) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            // Nothing is left to do when even standard error is gone.
            let _ = writeln!(io::stderr(), "tarplight-lab: {error:#}");
            ExitCode::from(1)
        }
    }
}

fn show(arguments: &ShowArguments) -> anyhow::Result<()> {
    let asked_at = arguments.at.unwrap_or_else(Utc::now);
    let report = Report::read(
        &arguments.file,
        arguments.records.as_deref(),
        arguments.required,
        asked_at,
    )?;
    let output = if arguments.json {
        serde_json::to_string_pretty(&report)? + "\n"
    } else {
        let system = match arguments.units {
            Units::Si => UnitSystem::Si,
            Units::Us => UnitSystem::Us,
        };
        text::render(&report, system)
    };
    match io::stdout().lock().write_all(output.as_bytes()) {
        // A reader such as `head` may have had enough.
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        result => Ok(result?),
    }
}
