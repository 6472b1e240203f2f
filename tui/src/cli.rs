//! The command line of `tarplight`: without a subcommand the dashboard, with one an act or a question.

mod act_args;
mod acts;
mod ahead;
mod backfill;
mod effect;
mod mend;
mod opening;
mod pour_file;
mod screen;
mod send;
mod show;
mod watch;

pub use show::bed_as_text;

use std::io::IsTerminal as _;
use std::process::ExitCode;

use clap::{Args, Parser, Subcommand, ValueEnum};
use daemon_api::client::DEFAULT_ADDRESS;
use units::UnitSystem;
use uuid::Uuid;

use crate::state::Settings;
use crate::theme::Theme;

/// Wrong use: the command line itself was not understood.
const EXIT_USAGE: u8 = 2;

const EXAMPLES: &str = "\
Examples:
  tarplight                                             the dashboard
  tarplight show                                        the yard as text
  tarplight screen bed N4 --size 140x45                 one frame of the dashboard as text
  tarplight pour open --bed N4 --mix DT-45 --required \"3500 psi\" \\
      --from \"0 ft\" --to \"200 ft\" --first-placement 13:10 --by \"R. Field\"
  tarplight heat on N4 --at 17:30 --by \"R. Field\"
  tarplight break N4 --set A --specimen \"A1 50265 lbf 4 in\" --specimen \"A2 3590 psi\" --by \"Q. Lane\"
  tarplight release N4 --line N4 --by \"Q. Lane\"

Times are of the plant's clock: 21:40 or 9:40 pm (the most recent such time; what is still to come or
before the pour is asked back), \"now\", \"10 min ago\", \"yesterday 21:40\", \"2026-11-25 21:40\", or
instants (2026-11-25T21:40:00-06:00). Every answer repeats what was understood. Quantities carry
their unit. An act names its bed or its pour.
An estimate confirms nothing: cylinders do, and a person signs.

Exit codes: 0 done, 1 refused or failed, 2 the command line was not understood.";

/// Watch the beds cure, and record what was done
#[derive(Debug, Parser)]
#[command(name = "tarplight", version, after_help = EXAMPLES)]
struct Cli {
    /// Address of the daemon, on this machine: host and port
    #[arg(long, global = true, env = "TARPLIGHT_DAEMON", default_value = DEFAULT_ADDRESS)]
    daemon: String,
    /// Units to show; the plant's own if absent
    #[arg(long, global = true)]
    units: Option<UnitChoice>,
    /// Your name, recorded as typed with every act
    #[arg(long, global = true, env = "TARPLIGHT_BY")]
    by: Option<String>,
    #[command(subcommand)]
    command: Option<Command>,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum UnitChoice {
    Si,
    Us,
}

impl From<UnitChoice> for UnitSystem {
    fn from(choice: UnitChoice) -> Self {
        match choice {
            UnitChoice::Si => Self::Si,
            UnitChoice::Us => Self::Us,
        }
    }
}

/// What every act says of itself.
#[derive(Debug, Clone, Args)]
pub struct ActArgs {
    /// When it happened
    #[arg(long, default_value = "now", value_name = "TIME")]
    pub at: String,
    /// The reason, where one is needed
    #[arg(long)]
    pub why: Option<String>,
    /// Say what it would change, and record nothing
    #[arg(long)]
    pub dry_run: bool,
    /// Print the daemon's own answer as JSON
    #[arg(long)]
    pub json: bool,
    /// Record it although this is odd about it: the name that the daemon gave (may be repeated)
    #[arg(long, value_name = "NAME")]
    pub accept: Vec<String>,
    /// Id of an act sent before without an answer, to send the very same act again
    #[arg(long, value_name = "UUID")]
    pub id: Option<Uuid>,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Open or correct a pour
    #[command(subcommand)]
    Pour(opening::PourCommand),
    #[command(flatten)]
    Act(act_args::ActCommand),
    /// Strike an act: it stays in the record without effect; needs --why
    Strike(mend::StrikeArgs),
    /// Correct an act: another stands in its place; needs --why
    Correct(mend::CorrectArgs),
    /// Withdraw the release of a line; needs --why
    Withdraw(mend::WithdrawArgs),
    /// Alarms, the plan, the shift log, and what only the watch needs to know
    #[command(subcommand)]
    Watch(watch::WatchCommand),
    /// Send readings from a logger's memory (CSV: channel,measured_at,value in °C, or replay's header)
    Backfill(backfill::BackfillArgs),
    /// Print the yard, one bed, or one pour, also a finished one
    Show {
        /// The bed or the pour
        bed: Option<String>,
        /// Print what may be expected of each of the bed's positions, hour by hour
        #[arg(long, requires = "bed")]
        ahead: bool,
        /// Print the daemon's own JSON
        #[arg(long)]
        json: bool,
    },
    /// Print one frame of the dashboard as text, without colour
    Screen(screen::ScreenArgs),
    /// Print everything that needs a person
    Troubles {
        /// Print the daemon's own JSON
        #[arg(long)]
        json: bool,
    },
    /// Print the acts on record
    Acts {
        /// Only those of this pour
        #[arg(long)]
        pour: Option<String>,
        /// Print one JSON object per line
        #[arg(long)]
        json: bool,
    },
}

/// Runs the command line of this process.
pub fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(problem) => {
            // Help and version are data on stdout; where even printing fails nothing can be said.
            let _ = problem.print();
            return if problem.use_stderr() {
                ExitCode::from(EXIT_USAGE)
            } else {
                ExitCode::SUCCESS
            };
        }
    };
    let outcome = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .map_err(anyhow::Error::from)
        .and_then(|runtime| runtime.block_on(run(cli)));
    match outcome {
        Ok(()) => ExitCode::SUCCESS,
        Err(problem) if is_closed_pipe(&problem) => ExitCode::SUCCESS,
        Err(problem) => {
            send::talk(&format!("tarplight: {problem:#}"));
            ExitCode::FAILURE
        }
    }
}

/// A reader such as `head` that has seen enough is no failure.
fn is_closed_pipe(problem: &anyhow::Error) -> bool {
    problem
        .downcast_ref::<std::io::Error>()
        .is_some_and(|error| error.kind() == std::io::ErrorKind::BrokenPipe)
}

async fn run(cli: Cli) -> anyhow::Result<()> {
    let units = cli.units.map(UnitSystem::from);
    let settings = Settings {
        daemon: cli.daemon,
        units,
        by: cli.by.clone().unwrap_or_default(),
        looked_at: None,
    };
    let Some(command) = cli.command else {
        if !std::io::stdout().is_terminal() || !std::io::stdin().is_terminal() {
            anyhow::bail!(
                "the dashboard needs a terminal: \"tarplight show\" prints the yard as text"
            );
        }
        let theme = Theme::from_no_color(std::env::var_os("NO_COLOR").as_deref());
        return crate::app::run(settings, theme).await;
    };
    let desk = send::Desk::open(&settings.daemon, units, cli.by)?;
    match command {
        Command::Pour(command) => opening::run(&desk, command).await,
        Command::Act(command) => acts::run(&desk, command).await,
        Command::Strike(args) => mend::strike(&desk, args).await,
        Command::Correct(args) => mend::correct(&desk, args).await,
        Command::Withdraw(args) => mend::withdraw(&desk, args).await,
        Command::Watch(command) => watch::run(&desk, command).await,
        Command::Backfill(args) => backfill::run(&desk, &args).await,
        Command::Show {
            bed: Some(bed),
            ahead: true,
            json,
        } => ahead::ahead(&desk, &bed, json).await,
        Command::Show { bed, json, .. } => show::show(&desk, bed.as_deref(), json).await,
        Command::Screen(args) => screen::run(settings, &args).await,
        Command::Troubles { json } => show::troubles(&desk, json).await,
        Command::Acts { pour, json } => show::acts(&desk, pour.as_deref(), json).await,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_command_line_is_consistent() {
        Cli::command().debug_assert();
    }

    #[test]
    fn without_a_subcommand_it_is_the_dashboard() {
        let cli = Cli::try_parse_from(["tarplight", "--units", "us"]).expect("a command line");
        assert!(cli.command.is_none());
        assert!(matches!(cli.units, Some(UnitChoice::Us)));
    }
}
