//! The command line of `tarplight-sim`.

use std::ffi::OsString;
use std::io::Write;
use std::path::PathBuf;

use anyhow::Context;
use chrono::{NaiveDate, Utc};
use clap::{Args, Parser, Subcommand};
use serde_json::{Value, json};

use crate::clock::{ClockOptions, PlantClock};
use crate::control::{self, Request};
use crate::fault::{FaultKind, Faults};
use crate::history::HistoryOptions;
use crate::link::mqtt::BrokerAddress;
use crate::plan::NightPlan;
use crate::run::{self, RunOptions};
use crate::scenario::Scenario;
use crate::{broker, demo, files, history, lab, paperwork, tied};

/// A simulated precast plant: beds, weather, loggers and faults
#[derive(Debug, Parser)]
#[command(name = "tarplight-sim", version)]
pub struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Run the plant by the shared clock, on serial pseudo-terminals and MQTT
    Run {
        #[command(flatten)]
        night: NightArgs,
        /// Folder for the serial links (tty-<logger>) and the control address
        #[arg(long)]
        dir: PathBuf,
        /// Broker of the MQTT loggers
        #[arg(long, value_name = "HOST:PORT")]
        mqtt: BrokerAddress,
        /// Loopback port for commands; 0 takes a free one
        #[arg(long, default_value_t = 0)]
        control_port: u16,
        #[command(flatten)]
        clock: ClockOptions,
    },
    /// Run a broker on loopback, in this process
    Broker {
        /// Port on 127.0.0.1
        #[arg(long)]
        port: u16,
    },
    /// Build everything and show one night at speed, with people who do what the plan says
    Demo(demo::DemoOptions),
    /// Write the plant file, curves and pours of a night for the daemon
    WritePlant {
        #[command(flatten)]
        night: NightArgs,
        /// Folder for plant.toml, curves/ and pours/; the plant must run in the same folder
        #[arg(long)]
        dir: PathBuf,
        /// Broker of the MQTT loggers
        #[arg(long, value_name = "HOST:PORT", default_value = "127.0.0.1:1883")]
        mqtt: BrokerAddress,
        /// Where the daemon answers
        #[arg(long, value_name = "HOST:PORT", default_value = "127.0.0.1:7871")]
        listen: String,
    },
    /// Write a whole night as files, as fast as it goes
    Night {
        #[command(flatten)]
        night: NightArgs,
        /// Folder for readings.csv, truth.csv, plan.json and faults.json
        #[arg(long)]
        out: PathBuf,
    },
    /// Write many nights of a plant's past: acts, readings and what was true
    History {
        /// Scenario file; the built-in eight beds if absent
        #[arg(long, value_name = "FILE")]
        scenario: Option<PathBuf>,
        #[arg(long, default_value_t = 1)]
        seed: u64,
        /// Local date of the first afternoon
        #[arg(long, value_name = "DATE", default_value = "2026-11-02")]
        first_night: NaiveDate,
        /// Nights, each with a pour on every bed
        #[arg(long, value_name = "N", default_value_t = 25)]
        nights: u32,
        /// Share of pours whose concrete is badly retarded, 0 to 1
        #[arg(long, value_name = "SHARE", default_value_t = 0.06)]
        retarded_share: f64,
        /// Deviation of the logarithm of what a bed's enclosure loses
        #[arg(long, value_name = "DEVIATION", default_value_t = 0.15)]
        bed_spread: f64,
        /// Deviation of the logarithm of each mix's strength from what its curve was built on
        #[arg(long, value_name = "DEVIATION", default_value_t = 0.04)]
        mix_spread: f64,
        /// Share of the required strength at which people think a set worth breaking: below 1 many fail
        #[arg(long, value_name = "SHARE", default_value_t = 1.03)]
        break_at: f64,
        /// Factor on conductivity, on the shape of the heat of hydration and on the thermostat's band
        #[arg(long, value_name = "FACTOR", default_value_t = 1.0)]
        changed_by: f64,
        /// The same nights, but nothing goes wrong: beside the others it shows what the faults did
        #[arg(long)]
        without_faults: bool,
        /// The same nights at their worst: more faults, and nobody mends them for hours
        #[arg(long, conflicts_with = "without_faults")]
        full_faults: bool,
        /// Folder for plant.toml, curves/, pours.jsonl, readings.csv, truth.csv and nights.jsonl
        #[arg(long)]
        out: PathBuf,
    },
    /// Print what the plant will do on a night: pours, loads, heat, cylinders, faults
    Plan {
        #[command(flatten)]
        night: NightArgs,
    },
    /// Print a lab's series of a mix: specimens cured at one temperature, broken by age
    Lab {
        /// Scenario file; the built-in eight beds if absent
        #[arg(long, value_name = "FILE")]
        scenario: Option<PathBuf>,
        #[arg(long, default_value_t = 1)]
        seed: u64,
        #[arg(long)]
        mix: String,
        /// Curing temperature in °C
        #[arg(long, default_value_t = 23.0, allow_negative_numbers = true)]
        cured_c: f64,
        /// Ages in hours since batching
        #[arg(
            long,
            value_delimiter = ',',
            default_value = "8,12,16,24,48,72,168,672"
        )]
        ages_h: Vec<f64>,
        /// Specimens at each age
        #[arg(long, default_value_t = 3)]
        per_age: u32,
    },
    /// Begin a fault in a running plant
    Fault {
        #[command(flatten)]
        plant: PlantArgs,
        kind: FaultKind,
        /// Channel, bed, boiler or logger, by the kind
        target: String,
        /// Plant minutes until it begins
        #[arg(long, default_value_t = 0)]
        in_min: u32,
        /// Plant minutes that it lasts
        #[arg(long, default_value_t = 60)]
        for_min: u32,
        /// Error of a wrong clock in seconds; fast is positive
        #[arg(long, allow_negative_numbers = true)]
        offset_s: Option<i64>,
        /// Start of the stretch that loses its tarp
        #[arg(long, requires = "to_m")]
        from_m: Option<f64>,
        /// End of the stretch that loses its tarp
        #[arg(long, requires = "from_m")]
        to_m: Option<f64>,
    },
    /// End the faults of a target in a running plant
    Mend {
        #[command(flatten)]
        plant: PlantArgs,
        target: String,
        /// Only faults of this kind
        #[arg(long)]
        kind: Option<FaultKind>,
    },
    /// Pull and break cylinders in a running plant; prints strengths and breaking loads
    Break {
        #[command(flatten)]
        plant: PlantArgs,
        #[arg(long)]
        bed: String,
        #[arg(long, default_value_t = 2)]
        specimens: usize,
        /// Only cylinders of this set
        #[arg(long)]
        set: Option<String>,
    },
    /// Print the state of a running plant
    Status {
        #[command(flatten)]
        plant: PlantArgs,
    },
    /// Become a program that ends when the process which starts this one does
    #[command(name = tied::SUBCOMMAND, hide = true)]
    Tied {
        /// The process that starts this one
        parent: u32,
        /// The program and its arguments
        #[arg(trailing_var_arg = true, allow_hyphen_values = true, required = true)]
        program: Vec<OsString>,
    },
}

#[derive(Debug, Args)]
struct NightArgs {
    /// Scenario file; the built-in eight beds if absent
    #[arg(long, value_name = "FILE")]
    scenario: Option<PathBuf>,
    /// The same seed gives the same night
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Local date of the afternoon; if absent, the night that the plant clock is in
    #[arg(long, value_name = "DATE")]
    night: Option<NaiveDate>,
}

#[derive(Debug, Args)]
struct PlantArgs {
    /// Folder of the running plant
    #[arg(long)]
    dir: PathBuf,
}

impl NightArgs {
    fn scenario(&self) -> anyhow::Result<Scenario> {
        Ok(Scenario::load(self.scenario.as_deref())?)
    }

    fn night(&self, scenario: &Scenario, now: chrono::DateTime<Utc>) -> NaiveDate {
        self.night
            .unwrap_or_else(|| NightPlan::night_of(scenario, now))
    }
}

/// Does what the command line says.
pub fn main(cli: Cli) -> anyhow::Result<()> {
    match cli.command {
        Command::Run {
            night,
            dir,
            mqtt,
            control_port,
            clock,
        } => {
            let clock = PlantClock::new(&clock, Utc::now());
            let scenario = night.scenario()?;
            let options = RunOptions {
                seed: night.seed,
                night: night.night(&scenario, clock.now()),
                scenario,
                dir,
                broker: mqtt,
                clock,
                control_port,
            };
            let runtime = tokio::runtime::Builder::new_current_thread()
                .enable_all()
                .build()?;
            runtime.block_on(run::run(options, stop_signal()))
        }
        Command::Broker { port } => broker::run(port),
        Command::Tied { parent, program } => tied::become_tied(parent, &program),
        Command::Demo(options) => demo::run(&options, stop_signal()),
        Command::WritePlant {
            night,
            dir,
            mqtt,
            listen,
        } => {
            let scenario = night.scenario()?;
            let date = night.night(&scenario, Utc::now());
            let plan = NightPlan::new(&scenario, night.seed, date);
            let options = paperwork::PlantFileOptions {
                listen,
                broker: mqtt,
            };
            paperwork::write(&dir, &scenario, &plan, &options)
        }
        Command::Night { night, out } => {
            let scenario = night.scenario()?;
            let date = night.night(&scenario, Utc::now());
            files::write_night(&out, scenario, night.seed, date)
        }
        Command::History {
            scenario,
            seed,
            first_night,
            nights,
            retarded_share,
            bed_spread,
            mix_spread,
            break_at,
            changed_by,
            without_faults,
            full_faults,
            out,
        } => {
            let scenario = Scenario::load(scenario.as_deref())?;
            let options = HistoryOptions {
                seed,
                first_night,
                night_count: nights,
                retarded_share,
                bed_spread,
                mix_spread,
                break_at,
                changed_by,
                without_faults,
                full_faults,
            };
            history::write(&out, &scenario, &options)
        }
        Command::Plan { night } => {
            let scenario = night.scenario()?;
            let date = night.night(&scenario, Utc::now());
            let plan = NightPlan::new(&scenario, night.seed, date);
            let faults = Faults::of_night(&scenario, night.seed, date);
            print(&json!({ "plan": plan, "faults": faults.all() }))
        }
        Command::Lab {
            scenario,
            seed,
            mix,
            cured_c,
            ages_h,
            per_age,
        } => {
            let scenario = Scenario::load(scenario.as_deref())?;
            let mix = scenario.mix(&mix).with_context(|| {
                let known: Vec<_> = scenario.mixes.iter().map(|mix| mix.id.as_str()).collect();
                format!(
                    "there is no mix {mix}; the scenario has {}",
                    known.join(", ")
                )
            })?;
            let breaks = lab::series(mix, &scenario.scatter, seed, cured_c, &ages_h, per_age);
            print(&json!(breaks))
        }
        Command::Fault {
            plant,
            kind,
            target,
            in_min,
            for_min,
            offset_s,
            from_m,
            to_m,
        } => {
            let span_m = from_m.zip(to_m).map(|(from_m, to_m)| [from_m, to_m]);
            ask(
                &plant,
                Request::Fault {
                    kind,
                    target,
                    in_min,
                    for_min,
                    offset_s,
                    span_m,
                },
            )
        }
        Command::Mend {
            plant,
            target,
            kind,
        } => ask(&plant, Request::Mend { target, kind }),
        Command::Break {
            plant,
            bed,
            specimens,
            set,
        } => ask(
            &plant,
            Request::Break {
                bed,
                specimens,
                set,
            },
        ),
        Command::Status { plant } => ask(&plant, Request::Status),
    }
}

fn ask(plant: &PlantArgs, request: Request) -> anyhow::Result<()> {
    print(&control::request(&plant.dir, &request)?)
}

fn print(value: &Value) -> anyhow::Result<()> {
    writeln!(std::io::stdout().lock(), "{value:#}")?;
    Ok(())
}

/// Resolves when the process is asked to end.
async fn stop_signal() {
    use tokio::signal::unix::{SignalKind, signal};
    let handlers = signal(SignalKind::terminate()).and_then(|terminate| {
        // A closed terminal asks too.
        Ok((terminate, signal(SignalKind::hangup())?))
    });
    match handlers {
        Ok((mut terminate, mut hangup)) => {
            tokio::select! {
                _ = tokio::signal::ctrl_c() => {}
                _ = terminate.recv() => {}
                _ = hangup.recv() => {}
            }
        }
        // Without the handlers a signal ends the process at once, as it does by default.
        Err(_) => drop(tokio::signal::ctrl_c().await),
    }
}
