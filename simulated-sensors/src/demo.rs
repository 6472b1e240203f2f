//! One night at speed: builds the programs, starts them as processes, and does what people would.
//!
//! Everything that a person enters goes through the `tarplight` command, as it would in a plant; the
//! strengths of cylinders come from the simulated testing machine at that moment.

mod agenda;
mod desk;
mod programs;
mod quality;
mod watch;
mod yard;

use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use anyhow::{Context, bail};
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use clap::Args;

use crate::clock::{ClockOptions, PlantClock};
use crate::control::{self, Request};
use crate::paperwork::{self, PlantFileOptions, stamp};
use crate::plan::NightPlan;
use crate::scenario::Scenario;
use crate::tied;

use agenda::Agenda;
use desk::{Desk, Teller};
use programs::{Children, Programs};
use quality::{Quality, Step};
use watch::Watch;

/// The plant clock starts this long before the first load.
const LEAD: TimeDelta = TimeDelta::minutes(10);
/// A program that does not answer by then will not.
const START_WITHIN: Duration = Duration::from_secs(60);
const LOOK_EVERY: Duration = Duration::from_millis(500);

#[derive(Debug, Clone, Args)]
pub struct DemoOptions {
    /// The same seed gives the same pours, weather and faults; another seed another night
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Local date of the afternoon
    #[arg(long, value_name = "DATE", default_value = "2026-11-24")]
    night: NaiveDate,
    /// Seconds of plant time per second of wall time
    #[arg(long, value_name = "N", default_value_t = 150.0, value_parser = crate::clock::speed)]
    speed: f64,
    /// Folder for everything the demo writes, kept afterwards; a temporary one if absent
    #[arg(long)]
    dir: Option<PathBuf>,
    /// Print a line per event and end when one bed is confirmed and one is in trouble
    #[arg(long)]
    no_dashboard: bool,
    /// Give up after so many wall minutes, counted from the start of the programs
    #[arg(
        long,
        value_name = "N",
        default_value_t = 10,
        requires = "no_dashboard"
    )]
    limit_min: u64,
    /// Build optimised programs
    #[arg(long)]
    release: bool,
    /// Folder of the workspace to build
    #[arg(long, value_name = "DIR", default_value = concat!(env!("CARGO_MANIFEST_DIR"), "/.."))]
    workspace: PathBuf,
}

/// Runs the demo until its dashboard is left, what it shows was seen, or `stopped` resolves.
pub fn run(options: &DemoOptions, stopped: impl Future<Output = ()>) -> anyhow::Result<()> {
    let programs = Programs::build(&options.workspace, options.release)?;
    let folder = Folder::make(options.dir.as_deref())?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    runtime.block_on(async {
        let tie = tied::IS_OFFERED.then_some(&*programs.simulator);
        let mut children = Children::new(folder.path.join("logs"), tie)?;
        let ended = tokio::select! {
            ended = night(options, &programs, &folder.path, &mut children) => ended,
            () = stopped => Ok(()),
        };
        children.end().await;
        ended
    })
}

/// The demo's folder; a temporary one goes when it is dropped.
#[derive(Debug)]
struct Folder {
    path: PathBuf,
    is_temporary: bool,
}

impl Folder {
    fn make(given: Option<&Path>) -> anyhow::Result<Self> {
        let path = given.map_or_else(
            || std::env::temp_dir().join(format!("tarplight-demo-{}", std::process::id())),
            Path::to_owned,
        );
        std::fs::create_dir_all(&path)
            .with_context(|| format!("cannot make {}", path.display()))?;
        let path = path.canonicalize()?;
        if path.read_dir()?.next().is_some() {
            bail!(
                "{} is not empty: a night begins in an empty folder, so name another with --dir",
                path.display()
            );
        }
        Ok(Self {
            path,
            is_temporary: given.is_none(),
        })
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        if self.is_temporary
            && let Err(error) = std::fs::remove_dir_all(&self.path)
        {
            tracing::warn!(dir = %self.path.display(), %error, "cannot remove the demo's folder");
        }
    }
}

/// Starts everything and works through the night.
async fn night(
    options: &DemoOptions,
    programs: &Programs,
    dir: &Path,
    children: &mut Children,
) -> anyhow::Result<()> {
    let scenario = Scenario::eight_beds()?;
    let plan = NightPlan::new(&scenario, options.seed, options.night);
    let [broker_port, daemon_port] = free_ports()?;
    let listen = format!("127.0.0.1:{daemon_port}");
    let plant_file = PlantFileOptions {
        listen: listen.clone(),
        broker: format!("127.0.0.1:{broker_port}")
            .parse()
            .map_err(anyhow::Error::msg)?,
    };
    paperwork::write(dir, &scenario, &plan, &plant_file)?;

    let port = broker_port.to_string();
    children.start("broker", &programs.simulator, ["broker", "--port", &port])?;
    until("the broker", children, async || {
        TcpStream::connect((Ipv4Addr::LOCALHOST, broker_port))?;
        Ok(())
    })
    .await?;

    let clock_options = clock_options(&plan, options.speed, Utc::now());
    let clock = PlantClock::new(&clock_options, Utc::now());
    let dir_text = dir.display().to_string();
    let mqtt = format!("127.0.0.1:{broker_port}");
    let seed = options.seed.to_string();
    let date = options.night.to_string();
    let mut arguments = vec![
        "run", "--dir", &dir_text, "--mqtt", &mqtt, "--seed", &seed, "--night", &date,
    ];
    let shared = clock_arguments(&clock_options);
    arguments.extend(shared.iter().map(String::as_str));
    children.start("plant", &programs.simulator, &arguments)?;
    until("the plant", children, async || {
        control::request(dir, &Request::Status).map(drop)
    })
    .await?;

    let file = dir.join("plant.toml").display().to_string();
    let mut arguments = vec!["run", "--plant", &file];
    arguments.extend(shared.iter().map(String::as_str));
    children.start("daemon", &programs.daemon, &arguments)?;
    let desk = Desk::new(&programs.dashboard, &format!("http://{listen}"));
    until("the daemon", children, async || desk.yard().await.map(drop)).await?;

    let teller = if options.no_dashboard {
        Teller::to_stdout(scenario.plant.zone)
    } else {
        let teller = Teller::to_file(scenario.plant.zone, &dir.join("logs/events.log"))?;
        children.start_foreground("dashboard", &programs.dashboard, desk.dashboard_arguments())?;
        teller
    };
    let limit = options
        .no_dashboard
        .then(|| Instant::now() + Duration::from_secs(60 * options.limit_min));
    let agenda = Agenda::new(&scenario, &plan, dir);
    let mut people = People {
        dir,
        clock,
        desk,
        teller,
        agenda,
        quality: Quality::default(),
        watch: Watch::default(),
    };
    people.work(children, limit).await
}

/// The three options that every process of the demo shares.
fn clock_options(plan: &NightPlan, speed: f64, wall_now: DateTime<Utc>) -> ClockOptions {
    let first_at = plan.beds.iter().map(|bed| bed.first_placed_at).min();
    ClockOptions {
        clock_start_wall: Some(wall_now),
        clock_start: Some(first_at.unwrap_or(plan.starts_at) - LEAD),
        clock_speed: speed,
    }
}

fn clock_arguments(options: &ClockOptions) -> Vec<String> {
    let instants = [
        ("--clock-start-wall", options.clock_start_wall),
        ("--clock-start", options.clock_start),
    ];
    let mut arguments: Vec<String> = instants
        .into_iter()
        .filter_map(|(option, at)| Some([option.to_owned(), stamp(at?)]))
        .flatten()
        .collect();
    arguments.extend(["--clock-speed".to_owned(), options.clock_speed.to_string()]);
    arguments
}

/// Two ports that are free now; the program that is told of one says so if it was taken meanwhile.
fn free_ports() -> anyhow::Result<[u16; 2]> {
    // Both are held until both are known, so that they differ.
    let bind = || TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).context("no port is free");
    let (one, other) = (bind()?, bind()?);
    Ok([one.local_addr()?.port(), other.local_addr()?.port()])
}

/// Waits until a program answers; fails when it ended, or with its last answer when time is up.
async fn until(
    what: &str,
    children: &mut Children,
    answers: impl AsyncFn() -> anyhow::Result<()>,
) -> anyhow::Result<()> {
    let deadline = Instant::now() + START_WITHIN;
    loop {
        let Err(error) = answers().await else {
            return Ok(());
        };
        children.check()?;
        if Instant::now() > deadline {
            return Err(error.context(format!("{what} does not answer")));
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
}

/// Yard, night shift and quality control: they know what the daemon shows and what the plan says.
#[derive(Debug)]
struct People<'a> {
    dir: &'a Path,
    clock: PlantClock,
    desk: Desk,
    teller: Teller,
    agenda: Agenda,
    quality: Quality,
    watch: Watch,
}

impl People<'_> {
    /// Works until the dashboard is left or, with a limit, until all was seen.
    async fn work(
        &mut self,
        children: &mut Children,
        limit: Option<Instant>,
    ) -> anyhow::Result<()> {
        loop {
            while let Some(entry) = self.agenda.next_due(self.clock.now()) {
                let entered = self.desk.enter(&entry.arguments).await;
                self.tell(&entry.bed, &entry.what, entered)?;
            }
            // A daemon that cannot be asked just now is asked again; one that ended is found below.
            if let Ok(yard) = self.desk.yard().await {
                for news in self.watch.look(&yard) {
                    self.teller.tell(self.clock.now(), &news.bed, &news.what)?;
                }
                for step in self.quality.next_steps(&yard) {
                    self.take(step).await?;
                }
            }
            if children.check()? {
                return Ok(());
            }
            if let Some(limit) = limit {
                if self.watch.has_seen_all() {
                    return Ok(());
                }
                if Instant::now() > limit {
                    bail!("time is up, and {}", self.watch.missing());
                }
            }
            tokio::time::sleep(LOOK_EVERY).await;
        }
    }

    async fn take(&mut self, step: Step) -> anyhow::Result<()> {
        match step {
            Step::Break {
                bed,
                set,
                specimen_count,
            } => {
                let broken = self.break_set(&bed, &set, specimen_count).await;
                self.tell(&bed, &format!("set {set} broken"), broken)
            }
            Step::Sign { bed, line } => {
                let signed = self.desk.sign(&bed, &line).await;
                if signed.is_err() {
                    self.quality.signature_refused(&bed);
                }
                let what = format!("release of line {line} signed by {}", paperwork::QUALITY);
                self.tell(&bed, &what, signed)
            }
            Step::OutOfCylinders { bed } => {
                let what = "a break is due and no whole set is left: the engineer must decide";
                self.teller.tell(self.clock.now(), &bed, what)
            }
        }
    }

    async fn break_set(&self, bed: &str, set: &str, specimen_count: usize) -> anyhow::Result<()> {
        let request = Request::Break {
            bed: bed.to_owned(),
            specimens: specimen_count,
            set: Some(set.to_owned()),
        };
        let answer = control::request(self.dir, &request)?;
        let tested_at = self.clock.now();
        let arguments = desk::break_arguments(bed, set, tested_at, &answer)?;
        self.desk.enter(&arguments).await
    }

    /// Says what was entered, or why it was refused: a refusal is part of the night, not its end.
    fn tell(&mut self, bed: &str, what: &str, entered: anyhow::Result<()>) -> anyhow::Result<()> {
        let now = self.clock.now();
        match entered {
            Ok(()) => self.teller.tell(now, bed, what),
            Err(error) => self
                .teller
                .tell(now, bed, &format!("NOT {what}: {error:#}")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_plant_clock_starts_shortly_before_the_first_load() {
        let scenario = Scenario::eight_beds().expect("scenario");
        let plan = NightPlan::new(&scenario, 1, "2026-11-24".parse().expect("date"));
        let wall = "2026-11-30T10:00:00.250Z".parse().expect("instant");
        let options = clock_options(&plan, 120.0, wall);
        let clock = PlantClock::new(&options, wall);
        let first_at = plan.beds.iter().map(|bed| bed.first_placed_at).min();
        assert_eq!(
            clock.at(wall + TimeDelta::seconds(5)),
            first_at.expect("a bed")
        );
        let arguments = clock_arguments(&options);
        assert_eq!(
            arguments[..2],
            ["--clock-start-wall", "2026-11-30T10:00:00.250Z"]
        );
        assert_eq!(arguments[4..], ["--clock-speed", "120"]);
    }

    #[test]
    fn a_folder_with_something_in_it_is_refused_and_left_alone() {
        let dir = tempfile::tempdir().expect("folder");
        std::fs::write(dir.path().join("plant.toml"), "kept").expect("written");
        let error = Folder::make(Some(dir.path())).expect_err("not empty");
        assert!(error.to_string().contains("is not empty"), "{error}");
        assert!(dir.path().join("plant.toml").exists());
    }

    #[test]
    fn a_temporary_folder_goes_with_the_demo_and_a_given_one_stays() {
        let temporary = Folder::make(None).expect("folder");
        let path = temporary.path.clone();
        drop(temporary);
        assert!(!path.exists());
        let parent = tempfile::tempdir().expect("folder");
        let given = parent.path().join("night");
        drop(Folder::make(Some(&given)).expect("folder"));
        assert!(given.exists());
    }
}
