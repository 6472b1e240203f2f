//! A plant that runs by the shared clock and speaks over real wires.

use std::collections::HashMap;
use std::path::PathBuf;
use std::sync::atomic::Ordering;
use std::time::Duration;

use anyhow::Context;
use chrono::{NaiveDate, TimeDelta};
use serde_json::{Value, json};
use tokio::sync::mpsc;

use crate::clock::PlantClock;
use crate::control::{self, Asked, Request};
use crate::fault::{self, Fault, FaultKind};
use crate::instruments::Instruments;
use crate::link::mqtt::{BrokerAddress, Publisher};
use crate::link::serial::SerialLine;
use crate::plant::Plant;
use crate::scenario::Scenario;
use crate::wire;

/// Everything that a running plant needs.
#[derive(Debug)]
pub struct RunOptions {
    pub scenario: Scenario,
    pub seed: u64,
    pub night: NaiveDate,
    /// Folder of the serial links and of the control address.
    pub dir: PathBuf,
    pub broker: BrokerAddress,
    pub clock: PlantClock,
    /// Zero means any free port.
    pub control_port: u16,
}

/// Samples sent in one go before others get their turn.
const SAMPLES_AT_ONCE: usize = 60;

/// Runs the plant until `shutdown` resolves.
pub async fn run(options: RunOptions, shutdown: impl Future<Output = ()>) -> anyhow::Result<()> {
    let dir = &options.dir;
    std::fs::create_dir_all(dir).with_context(|| format!("cannot make {}", dir.display()))?;
    let mut running = Running::new(&options)?;
    let listener = control::listen(dir, options.control_port).await?;
    let (asked, mut requests) = mpsc::channel::<Asked>(8);
    let control = tokio::spawn(control::serve(listener, asked));
    tracing::info!(dir = %dir.display(), night = %options.night, seed = options.seed, "running");
    tokio::pin!(shutdown);
    loop {
        let next_at = running.plant.now + running.sample_period();
        let wait_s = options.clock.wall_s_until(next_at);
        tokio::select! {
            () = &mut shutdown => break,
            Some((request, answer)) = requests.recv() => {
                // Whoever asked may have gone; the request has been obeyed all the same.
                drop(answer.send(running.answer(request)));
            }
            () = tokio::time::sleep(Duration::from_secs_f64(wait_s)) => {
                running.catch_up(&options.clock);
            }
        }
    }
    control.abort();
    Ok(())
}

/// The plant with its loggers and their wires.
struct Running {
    plant: Plant,
    instruments: Instruments,
    /// By logger, in the scenario's order.
    links: Vec<(String, Link)>,
}

enum Link {
    Serial(SerialLine),
    Mqtt(Publisher),
}

impl Running {
    /// The plant as it is now by its clock. What happened before is not sent: nobody listened.
    fn new(options: &RunOptions) -> anyhow::Result<Self> {
        let mut plant = Plant::new(options.scenario.clone(), options.seed, options.night);
        let mut instruments = Instruments::new(&plant);
        let now = options.clock.now();
        let period = TimeDelta::seconds(i64::from(plant.scenario.plant.sample_period_s));
        while plant.now + period < now {
            plant.advance();
            instruments.sample(&plant);
        }
        let links = plant.scenario.loggers.iter().map(|logger| {
            let link = if logger.format.is_serial() {
                let line = SerialLine::open(&options.dir, &logger.id).with_context(|| {
                    format!("cannot make the serial line of logger {}", logger.id)
                })?;
                Link::Serial(line)
            } else {
                let client_id = format!("logger-{}", logger.id);
                let has_memory = logger.format.has_clock();
                Link::Mqtt(Publisher::spawn(
                    &client_id,
                    options.broker.clone(),
                    has_memory,
                ))
            };
            Ok((logger.id.clone(), link))
        });
        let links = links.collect::<anyhow::Result<_>>()?;
        Ok(Self {
            plant,
            instruments,
            links,
        })
    }

    fn sample_period(&self) -> TimeDelta {
        TimeDelta::seconds(i64::from(self.plant.scenario.plant.sample_period_s))
    }

    /// Takes and sends the samples that are due, each with its own time, in order.
    fn catch_up(&mut self, clock: &PlantClock) {
        for _ in 0..SAMPLES_AT_ONCE {
            if self.plant.now + self.sample_period() > clock.now() {
                return;
            }
            self.plant.advance();
            let frames = self.instruments.sample(&self.plant);
            self.set_plugs();
            for frame in frames {
                let link = self
                    .links
                    .iter_mut()
                    .find(|(logger, _)| *logger == frame.logger);
                let Some((logger, link)) = link else { continue };
                for message in wire::encode(&frame) {
                    send(logger, link, message);
                }
            }
        }
    }

    fn set_plugs(&mut self) {
        let now = self.plant.now;
        for (logger, link) in &mut self.links {
            let is_out = self
                .plant
                .faults
                .active(FaultKind::LoggerUnplugged, logger, now)
                .is_some();
            match link {
                Link::Serial(line) => {
                    let done = match (is_out, line.is_plugged_in()) {
                        (true, true) => line.unplug(),
                        (false, false) => line.plug_in(),
                        _ => Ok(()),
                    };
                    if let Err(error) = done {
                        tracing::error!(%logger, %error, "cannot change the plug");
                    }
                }
                Link::Mqtt(publisher) if is_out => publisher.unplug(),
                Link::Mqtt(publisher) => publisher.plug_in(),
            }
        }
    }

    fn answer(&mut self, request: Request) -> Value {
        match request {
            Request::Status => self.status(),
            Request::Fault {
                kind,
                target,
                in_min,
                for_min,
                offset_s,
                span_m,
            } => {
                let scenario = &self.plant.scenario;
                let problem = fault::problem(scenario, kind, &target, offset_s, span_m);
                if let Some(problem) = problem {
                    return json!({ "error": problem });
                }
                let from_at = self.plant.now + TimeDelta::minutes(i64::from(in_min));
                let until_at = from_at + TimeDelta::minutes(i64::from(for_min));
                let fault = Fault {
                    kind,
                    target,
                    from_at,
                    until_at,
                    offset_s,
                    span_m,
                };
                let answer = json!(fault);
                self.plant.faults.add(fault);
                answer
            }
            Request::Mend { target, kind } => {
                let now = self.plant.now;
                json!({ "ended_count": self.plant.faults.end(&target, kind, now) })
            }
            Request::Break {
                bed,
                specimens,
                set,
            } => {
                let pulled_at = self.plant.now;
                match self.plant.break_cylinders(&bed, specimens, set.as_deref()) {
                    Ok(broken) => {
                        json!({ "bed": bed, "pulled_at": pulled_at, "specimens": broken })
                    }
                    Err(error) => json!({ "error": error.to_string() }),
                }
            }
        }
    }

    fn status(&self) -> Value {
        let loggers: HashMap<&str, Value> = self
            .links
            .iter()
            .map(|(logger, link)| {
                let counts = match link {
                    Link::Serial(line) => json!(line.counts),
                    Link::Mqtt(publisher) => json!({
                        "acknowledged_count": publisher.counts.acknowledged.load(Ordering::Relaxed),
                        "waiting_count": publisher.counts.waiting.load(Ordering::Relaxed),
                        "lost_count": publisher.counts.lost.load(Ordering::Relaxed),
                    }),
                };
                (logger.as_str(), counts)
            })
            .collect();
        json!({
            "now": self.plant.now,
            "seed": self.plant.seed,
            "held_count": self.instruments.held_count(),
            "faults": self.plant.faults.all(),
            "loggers": loggers,
        })
    }
}

fn send(logger: &str, link: &mut Link, message: wire::Message) {
    match (link, message.topic) {
        (Link::Serial(line), None) => {
            if let Err(error) = line.send(&message.payload) {
                tracing::error!(%logger, %error, "cannot write to the serial line");
            }
        }
        (Link::Mqtt(publisher), Some(topic)) => publisher.send(topic, message.payload),
        // The format decides both the link and the topic, so they always agree.
        (Link::Serial(_), Some(_)) | (Link::Mqtt(_), None) => {}
    }
}
