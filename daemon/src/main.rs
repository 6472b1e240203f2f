//! `tarplightd`: run the daemon, check a plant file, replay a night, back up, check integrity.

use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::Context;
use chrono::{DateTime, TimeDelta, Utc};
use clap::{Args, Parser, Subcommand};
use daemon::clock::{ClockOptions, PlantClock};
use daemon::config::PlantFile;
use daemon::notify::{Message, send, test_status};
use daemon::replay::{Asked, ReplayOptions, Telling, backtest, parse_span, print_habits, replay};
use daemon::run::{Parts, run};
use daemon::watch::load::{AlarmReplay, replay_alarms};
use daemon_store::{ChainCheck, IntegrityReport, Reader};
use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;
use tracing_subscriber::EnvFilter;

/// Collects the temperatures of curing concrete, estimates its strength, keeps the record.
/// An estimate never releases anything: broken cylinders confirm, and a person signs.
#[derive(Debug, Parser)]
#[command(name = "tarplightd", version)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Run the daemon until it is told to stop
    Run(RunArgs),
    /// Read a plant file and the curve files it names, and say what is wrong
    Check {
        /// The plant file
        #[arg(long, value_name = "FILE")]
        plant: PathBuf,
    },
    /// Say what would have been said at past moments, from files: one JSON line per pour under cure
    Replay(ReplayArgs),
    /// Play the past from files and say how good the forecast was: error, cover and loss by horizon, mix
    /// and bed, and as time went on. Ask with --every 30m or closer
    Backtest {
        #[command(flatten)]
        files: ReplayArgs,
        /// Print one JSON object in place of text
        #[arg(long)]
        json: bool,
        /// Write a chart of each horizon, and one of them all, as SVG into this folder
        #[arg(long, value_name = "DIR")]
        charts: Option<PathBuf>,
    },
    /// Say what finished pours had taught by the last asked moment: a JSON line per pour, then one per bed
    /// and mix with what is expected of the next
    Habits(ReplayArgs),
    /// Say what the alarms of past nights would have been, from files: one JSON line per event
    ReplayAlarms {
        /// The plant file
        #[arg(long, value_name = "FILE")]
        plant: PathBuf,
        /// The pour file: acts as JSON lines, each with recorded_at
        #[arg(long, value_name = "FILE")]
        pours: PathBuf,
        /// Readings as CSV: received_at,measured_at,channel,value
        #[arg(long, value_name = "FILE", required = true)]
        readings: Vec<PathBuf>,
        /// Look at the plant this often (30s, 1m)
        #[arg(long, value_name = "SPAN", value_parser = parse_span, default_value = "1m")]
        every: TimeDelta,
    },
    /// Send a test call to everyone whom the plant file names for alarms, and say how each went
    TestNotify {
        /// The plant file
        #[arg(long, value_name = "FILE")]
        plant: PathBuf,
        /// Only this target
        #[arg(long, value_name = "NAME")]
        target: Option<String>,
    },
    /// Copy the record to a new file, beside a running daemon, and check the copy
    Backup {
        /// The data directory
        #[arg(long, value_name = "DIR")]
        data: PathBuf,
        /// The new file
        #[arg(long, value_name = "FILE")]
        to: PathBuf,
    },
    /// Check the record: the file's structure, the chain of acts, the documents
    Integrity {
        /// The data directory
        #[arg(long, value_name = "DIR")]
        data: PathBuf,
    },
}

#[derive(Debug, Args)]
struct RunArgs {
    /// The plant file
    #[arg(long, value_name = "FILE")]
    plant: PathBuf,
    /// The data directory, in place of the plant file's
    #[arg(long, value_name = "DIR")]
    data: Option<PathBuf>,
    /// The address to answer at, in place of the plant file's; loopback only, port 0 takes a free one
    #[arg(long, value_name = "ADDRESS")]
    listen: Option<String>,
    #[command(flatten)]
    clock: ClockOptions,
}

#[derive(Debug, Args)]
#[command(group(clap::ArgGroup::new("asked").required(true).multiple(true).args(["every", "at"])))]
struct ReplayArgs {
    /// The plant file
    #[arg(long, value_name = "FILE")]
    plant: PathBuf,
    /// Curve files beside those that the plant file names
    #[arg(long, value_name = "FILE")]
    curve: Vec<PathBuf>,
    /// The pour file: acts as JSON lines, each with recorded_at
    #[arg(long, value_name = "FILE")]
    pours: PathBuf,
    /// Readings as CSV: received_at,measured_at,channel,value
    #[arg(long, value_name = "FILE", required = true)]
    readings: Vec<PathBuf>,
    /// Ask at each multiple of this since midnight UTC (15m, 30s, 1h)
    #[arg(long, value_name = "SPAN", value_parser = parse_span)]
    every: Option<TimeDelta>,
    /// Ask at this moment (RFC 3339); may be given many times
    #[arg(long, value_name = "TIME")]
    at: Vec<DateTime<Utc>>,
    /// With --every: not before (RFC 3339; the first placement if absent)
    #[arg(long, value_name = "TIME", requires = "every")]
    from: Option<DateTime<Utc>>,
    /// With --every: not after (RFC 3339; until all pours are done or the files end if absent)
    #[arg(long, value_name = "TIME", requires = "every")]
    to: Option<DateTime<Utc>>,
}

fn main() -> ExitCode {
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new("info"));
    tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_ansi(io::stderr().is_terminal())
        .with_writer(io::stderr)
        // Told about a log that cannot be written, standard error would panic: a full disk would
        // then end the daemon.
        .log_internal_errors(false)
        .init();
    let command = Cli::parse().command;
    let is_daemon = matches!(command, Command::Run(_));
    let done = match command {
        Command::Run(args) => run_daemon(&args).map(|()| ExitCode::SUCCESS),
        Command::Check { plant } => check(&plant),
        Command::Replay(args) => play_files(args, replay),
        Command::Backtest {
            files,
            json,
            charts,
        } => {
            let telling = Telling {
                as_json: json,
                charts,
            };
            play_files(files, |options, out| backtest(options, &telling, out))
        }
        Command::Habits(args) => play_files(args, print_habits),
        Command::ReplayAlarms {
            plant,
            pours,
            readings,
            every,
        } => {
            let options = AlarmReplay {
                plant,
                pours,
                readings,
                every,
            };
            replay_alarms(&options, &mut io::BufWriter::new(io::stdout().lock()))
                .map(|()| ExitCode::SUCCESS)
        }
        Command::TestNotify { plant, target } => test_notify(&plant, target.as_deref()),
        Command::Backup { data, to } => backup(&data, &to),
        Command::Integrity { data } => integrity(&data),
    };
    done.unwrap_or_else(|error| {
        if is_daemon {
            tracing::error!("{error:#}");
        } else {
            // Where standard error is closed there is nobody to tell.
            let _ = writeln!(io::stderr(), "{error:#}");
        }
        ExitCode::FAILURE
    })
}

fn say(line: &str) -> anyhow::Result<()> {
    writeln!(io::stdout(), "{line}").context("cannot write to standard output")
}

fn run_daemon(args: &RunArgs) -> anyhow::Result<()> {
    let plant = PlantFile::load(&args.plant, &[])?;
    for warning in &plant.warnings {
        tracing::warn!("{warning}");
    }
    let listen = match &args.listen {
        Some(text) => daemon_http::check_listen(text)
            .map_err(anyhow::Error::msg)
            .context("--listen")?,
        None => plant.listen,
    };
    let data_dir = args.data.clone().unwrap_or_else(|| plant.data_dir.clone());
    let clock = PlantClock::new(&args.clock, Utc::now());
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .context("cannot start the runtime")?;
    runtime.block_on(async {
        let listener = TcpListener::bind(listen).await.with_context(|| {
            format!("cannot listen on {listen}; does another daemon run there?")
        })?;
        let address = listener
            .local_addr()
            .context("the listener has no address")?;
        tracing::info!(
            "answers on http://{address}, keeps its record in {}",
            data_dir.display()
        );
        say(&format!("http://{address}"))?;
        let stop = CancellationToken::new();
        tokio::spawn(stop_on_signal(stop.clone()));
        #[cfg(unix)]
        tokio::spawn(outlive_hang_ups());
        run(
            Parts {
                plant,
                data_dir,
                listener,
                clock,
            },
            stop,
        )
        .await
    })
}

/// A hang-up ends no daemon: curves are read again by themselves, and the rest of a changed plant file
/// waits for a start, which a trouble says.
#[cfg(unix)]
async fn outlive_hang_ups() {
    use tokio::signal::unix::{SignalKind, signal};
    match signal(SignalKind::hangup()) {
        Ok(mut signals) => {
            while signals.recv().await.is_some() {
                tracing::info!(
                    "SIGHUP: curve files are read again by themselves; what else was changed in the \
                     plant file counts from the next start"
                );
            }
        }
        Err(error) => tracing::warn!("SIGHUP will end the daemon without a word: {error}"),
    }
}

async fn stop_on_signal(stop: CancellationToken) {
    #[cfg(unix)]
    let terminated = async {
        use tokio::signal::unix::{SignalKind, signal};
        match signal(SignalKind::terminate()) {
            Ok(mut signals) => {
                signals.recv().await;
            }
            Err(error) => {
                tracing::warn!("SIGTERM will end the daemon without a word: {error}");
                std::future::pending::<()>().await;
            }
        }
    };
    #[cfg(not(unix))]
    let terminated = std::future::pending::<()>();
    tokio::select! {
        _ = tokio::signal::ctrl_c() => {}
        () = terminated => {}
    }
    tracing::info!("told to stop");
    stop.cancel();
}

fn check(plant: &Path) -> anyhow::Result<ExitCode> {
    let file = PlantFile::load(plant, &[])?;
    for warning in &file.warnings {
        say(&format!("warning: {warning}"))?;
    }
    let core = &file.core;
    say(&format!(
        "{} can be used: {} beds, {} mixes, {} curves, {} limit sets, {} serial ports, {} brokers",
        plant.display(),
        core.beds.len(),
        core.mixes.len(),
        core.curves.len(),
        core.limit_sets.len(),
        file.serial.len(),
        file.mqtt.len()
    ))?;
    Ok(ExitCode::SUCCESS)
}

fn play_files(
    args: ReplayArgs,
    play: impl Fn(&ReplayOptions, &mut dyn Write) -> anyhow::Result<()>,
) -> anyhow::Result<ExitCode> {
    let options = ReplayOptions {
        plant: args.plant,
        curves: args.curve,
        pours: args.pours,
        readings: args.readings,
        asked: Asked {
            at: args.at,
            every: args.every,
            from: args.from,
            to: args.to,
        },
    };
    play(&options, &mut io::BufWriter::new(io::stdout().lock()))?;
    Ok(ExitCode::SUCCESS)
}

/// By this name `test-notify` knows the broker of `[notify.mqtt]`.
const STATUS_NAME: &str = "status";

fn test_notify(plant: &Path, only: Option<&str>) -> anyhow::Result<ExitCode> {
    let file = PlantFile::load(plant, &[])?;
    let targets = file.notify.targets.iter();
    let targets: Vec<_> = targets
        .filter(|target| only.is_none_or(|only| target.name == only))
        .collect();
    let status = file.notify.status.as_ref();
    let status = status.filter(|_| only.is_none_or(|only| only == STATUS_NAME));
    if targets.is_empty() && status.is_none() {
        anyhow::bail!(
            "{} names {} to call: add a table [[notify.target]] or [notify.mqtt]",
            plant.display(),
            only.unwrap_or("nobody")
        );
    }
    let runtime = tokio::runtime::Runtime::new().context("cannot start the runtime")?;
    let message = Message::test(&file.core.name);
    let mut tried: Vec<(&str, Result<(), String>)> = Vec::new();
    for target in targets {
        tried.push((&target.name, runtime.block_on(send(target, &message))));
    }
    if let Some(status) = status {
        let outcome = runtime.block_on(test_status(status, &file.core.name));
        tried.push((STATUS_NAME, outcome));
    }
    let are_all_called = tried.iter().all(|(_, outcome)| outcome.is_ok());
    for (name, outcome) in tried {
        match outcome {
            Ok(()) => say(&format!("{name}: called"))?,
            Err(problem) => say(&format!("{name}: NOT called: {problem}"))?,
        }
    }
    Ok(if are_all_called {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    })
}

fn backup(data: &Path, to: &Path) -> anyhow::Result<ExitCode> {
    let report = Reader::open(data)?.backup(to, &mut |done, all| {
        tracing::info!("{done} of {all} pages copied");
    })?;
    say(&format!("{} is a sound copy", to.display()))?;
    tell(&report)
}

fn integrity(data: &Path) -> anyhow::Result<ExitCode> {
    tell(&Reader::open(data)?.integrity_check()?)
}

fn tell(report: &IntegrityReport) -> anyhow::Result<ExitCode> {
    for problem in &report.problems {
        say(&format!("problem: {problem}"))?;
    }
    if let ChainCheck::Sound { .. } = &report.chain {
        say("the chain of acts is whole")?;
    }
    if report.is_sound() {
        say("the record is sound")?;
        Ok(ExitCode::SUCCESS)
    } else {
        Ok(ExitCode::FAILURE)
    }
}
