//! tarplight-lab: the lab's command, which reads, checks and shows curve files.

mod chart;
mod fit;
mod options;
mod report;
mod text;

use std::io::{self, Write as _};
use std::path::PathBuf;
use std::process::ExitCode;

use chrono::{DateTime, Utc};
use clap::{Parser, Subcommand};
use units::Megapascal;

use fit::FitArguments;
use options::Units;
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
    /// Fit curves to a series of broken cylinders, say how good they are, and write a curve file.
    #[command(after_help = fit::EXAMPLES)]
    Fit(Box<FitArguments>),
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
}

fn main() -> ExitCode {
    let outcome = match Arguments::parse().command {
        Command::Fit(arguments) => fit::run(&arguments, Utc::now()).and_then(|printed| {
            say(&printed.talk);
            print(&printed.data)?;
            Ok(printed.has_curve)
        }),
        Command::Show(arguments) => show(&arguments)
            .and_then(|text| print(&text))
            .map(|()| true),
    };
    match outcome {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::from(1),
        Err(error) => {
            say(&format!("tarplight-lab: {error:#}\n"));
            ExitCode::from(1)
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
    let report = Report::read(
        &arguments.file,
        arguments.records.as_deref(),
        arguments.required,
        arguments.at.unwrap_or_else(Utc::now),
    )?;
    if arguments.json {
        Ok(serde_json::to_string_pretty(&report)? + "\n")
    } else {
        Ok(text::render(&report, arguments.units.into()))
    }
}
