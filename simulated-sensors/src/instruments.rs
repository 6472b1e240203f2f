//! The loggers: what they read from the plant, and how faults of sensors and loggers change it.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;

use crate::fault::{FaultKind, Faults};
use crate::plant::Plant;
use crate::scenario::WireFormat;
use crate::streams;

/// What a channel says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Value {
    Celsius(f64),
    /// The logger finds no thermocouple.
    Open,
}

/// One value of one channel, with the time that the logger puts on it.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    pub channel: String,
    /// Absent from a logger without a clock.
    pub measured_at: Option<DateTime<Utc>>,
    pub value: Value,
}

/// Readings that a logger took together and sends together.
#[derive(Debug, Clone, PartialEq)]
pub struct Frame {
    pub logger: String,
    pub format: WireFormat,
    pub sent_at: DateTime<Utc>,
    pub readings: Vec<Reading>,
    /// Where the bytes are damaged on the way, as a share of their length.
    pub damage: Option<f64>,
}

/// All loggers of the plant.
#[derive(Debug)]
pub struct Instruments {
    loggers: Vec<LoggerSim>,
}

#[derive(Debug)]
struct LoggerSim {
    id: String,
    format: WireFormat,
    channels: Vec<ChannelSim>,
    /// Frames kept in the logger's memory while it delivers late.
    held: Vec<Frame>,
    rng: ChaCha8Rng,
}

#[derive(Debug)]
struct ChannelSim {
    name: String,
    place: Place,
    bias_c: f64,
    noise_c: f64,
    /// The value at which a stuck sensor stays.
    stuck_at_c: Option<f64>,
    rng: ChaCha8Rng,
}

/// Where a channel's sensor is.
#[derive(Debug, Clone, Copy)]
enum Place {
    Position { bed: usize, index: usize },
    Enclosure { bed: usize },
    Companion { bed: usize },
    Ambient,
}

/// Share of the values that jump while a channel spikes.
const SPIKE_SHARE: f64 = 0.15;

impl Instruments {
    pub fn new(plant: &Plant) -> Self {
        let scenario = &plant.scenario;
        let mut channels: HashMap<&str, Vec<ChannelSim>> = HashMap::new();
        let mut plug = |logger, name: &str, place| {
            channels
                .entry(logger)
                .or_default()
                .push(channel_sim(plant, name, place));
        };
        for (bed, written) in scenario.beds.iter().enumerate() {
            let logger = written.logger.as_str();
            for (index, position) in written.positions.iter().enumerate() {
                plug(logger, &position.channel, Place::Position { bed, index });
            }
            plug(logger, &written.enclosure.channel, Place::Enclosure { bed });
            plug(logger, &written.companion.channel, Place::Companion { bed });
        }
        let ambient = &scenario.plant.ambient;
        plug(ambient.logger.as_str(), &ambient.channel, Place::Ambient);
        let loggers = scenario.loggers.iter().map(|logger| LoggerSim {
            id: logger.id.clone(),
            format: logger.format,
            channels: channels.remove(logger.id.as_str()).unwrap_or_default(),
            held: Vec::new(),
            rng: streams::stream(plant.seed, &format!("logger/{}", logger.id)),
        });
        Self {
            loggers: loggers.collect(),
        }
    }

    /// Reads every channel now; returns what the loggers send, in order.
    pub fn sample(&mut self, plant: &Plant) -> Vec<Frame> {
        self.loggers
            .iter_mut()
            .flat_map(|logger| logger.sample(plant))
            .collect()
    }

    /// The frames that loggers hold back at this moment.
    pub fn held_count(&self) -> usize {
        self.loggers.iter().map(|logger| logger.held.len()).sum()
    }
}

fn channel_sim(plant: &Plant, name: &str, place: Place) -> ChannelSim {
    let scatter = &plant.scenario.scatter;
    let mut rng = streams::stream(plant.seed, &format!("channel/{name}"));
    ChannelSim {
        name: name.to_owned(),
        place,
        bias_c: streams::bounded_normal(&mut rng, 0.0, scatter.sensor_bias_c),
        noise_c: scatter.sensor_noise_c,
        stuck_at_c: None,
        rng,
    }
}

impl LoggerSim {
    fn sample(&mut self, plant: &Plant) -> Vec<Frame> {
        let now = plant.now;
        let suffers = |kind| plant.faults.active(kind, &self.id, now);
        let clock_error = suffers(FaultKind::ClockWrong).map(crate::fault::Fault::offset);
        let is_unplugged = suffers(FaultKind::LoggerUnplugged).is_some();
        let is_holding = suffers(FaultKind::LateBatch).is_some();
        let is_doubling = suffers(FaultKind::Duplicates).is_some();
        let is_garbling = suffers(FaultKind::GarbledLine).is_some();
        // Everyone draws at every sample, fault or not, so that a fault shifts no other number.
        let damage: f64 = self.rng.random_range(0.15..0.85);
        let is_hit = self.rng.random_bool(0.6);
        let stamp = now + clock_error.unwrap_or_default();
        let measured_at = self.format.has_clock().then_some(stamp);
        let readings = self
            .channels
            .iter_mut()
            .map(|channel| Reading {
                channel: channel.name.clone(),
                measured_at,
                value: channel.read(plant, &plant.faults),
            })
            .collect();
        if is_unplugged {
            return Vec::new();
        }
        let frame = Frame {
            logger: self.id.clone(),
            format: self.format,
            sent_at: now,
            readings,
            damage: (is_garbling && is_hit).then_some(damage),
        };
        if is_holding {
            self.held.push(frame);
            return Vec::new();
        }
        let mut frames = std::mem::take(&mut self.held);
        for late in &mut frames {
            late.sent_at = now;
        }
        if is_doubling {
            frames.push(frame.clone());
        }
        frames.push(frame);
        frames
    }
}

impl ChannelSim {
    fn read(&mut self, plant: &Plant, faults: &Faults) -> Value {
        let noise_c = streams::normal(&mut self.rng, self.noise_c);
        let is_spike = self.rng.random_bool(SPIKE_SHARE);
        let spike_c =
            self.rng.random_range(15.0..60.0) * if self.rng.random_bool(0.5) { 1.0 } else { -1.0 };
        let suffers = |kind| faults.active(kind, &self.name, plant.now).is_some();
        let true_c = if suffers(FaultKind::ReadsSteam) {
            self.place.outlet_c(plant)
        } else if suffers(FaultKind::ReadsAir) {
            self.place.air_c(plant)
        } else {
            self.place.temperature_c(plant)
        };
        let mut shown_c = true_c + self.bias_c + noise_c;
        if suffers(FaultKind::Spike) && is_spike {
            shown_c += spike_c;
        }
        if suffers(FaultKind::Stuck) {
            shown_c = *self.stuck_at_c.get_or_insert(shown_c);
        } else {
            self.stuck_at_c = None;
        }
        if suffers(FaultKind::CutWire) {
            return Value::Open;
        }
        // Loggers show hundredths; rounding here keeps files and wires equal.
        Value::Celsius((shown_c * 100.0).round() / 100.0)
    }
}

impl Place {
    fn temperature_c(self, plant: &Plant) -> f64 {
        match self {
            Self::Position { bed, index } => plant.beds[bed].position_c(index),
            Self::Enclosure { bed } => plant.beds[bed].enclosure_c(),
            Self::Companion { bed } => plant.beds[bed].companion_c(),
            Self::Ambient => plant.ambient_c(),
        }
    }

    /// Where the sensor hangs when it has slipped out of its concrete.
    fn air_c(self, plant: &Plant) -> f64 {
        match self {
            Self::Position { bed, index } => plant.beds[bed].air_at_position_c(index),
            Self::Enclosure { bed } | Self::Companion { bed } => plant.beds[bed].enclosure_c(),
            Self::Ambient => plant.ambient_c(),
        }
    }

    /// Beside the nearest steam outlet. There is none in the yard.
    fn outlet_c(self, plant: &Plant) -> f64 {
        match self {
            Self::Position { bed, index } => plant.beds[bed].outlet_at_position_c(index),
            Self::Enclosure { bed } | Self::Companion { bed } => {
                plant.beds[bed].outlet_at_position_c(0)
            }
            Self::Ambient => plant.ambient_c(),
        }
    }
}

#[cfg(test)]
mod tests;
