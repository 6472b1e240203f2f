//! Faults on demand: what goes wrong, where, from when until when.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use clap::ValueEnum;
use rand::RngExt;
use rand::seq::{IndexedRandom, SliceRandom};
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};

use crate::scenario::{LocalTime, Scenario};
use crate::streams;

/// What can go wrong. The target of each is named beside it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum FaultKind {
    /// Channel: the thermocouple is broken; the logger says open
    CutWire,
    /// Channel: the value stays what it was
    Stuck,
    /// Channel: single values jump
    Spike,
    /// Channel: the sensor hangs in the air of the bed
    ReadsAir,
    /// Channel: the sensor lies at a steam outlet
    ReadsSteam,
    /// Bed: the tarp is blown off, all of it or a stretch
    TarpOff,
    /// Boiler or bed: no heat arrives
    BoilerTrip,
    /// Logger: no power and no connection; what it would have read is lost
    LoggerUnplugged,
    /// Logger with a clock: its time is off
    ClockWrong,
    /// Logger with a clock: readings are held and delivered when the fault ends
    LateBatch,
    /// Logger: everything is sent twice
    Duplicates,
    /// Logger: bytes are damaged on the way
    GarbledLine,
}

/// What a kind of fault can befall.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Befalls {
    Channel,
    Bed,
    BoilerOrBed,
    Logger,
    LoggerWithClock,
}

impl FaultKind {
    fn befalls(self) -> Befalls {
        match self {
            Self::CutWire | Self::Stuck | Self::Spike | Self::ReadsAir | Self::ReadsSteam => {
                Befalls::Channel
            }
            Self::TarpOff => Befalls::Bed,
            Self::BoilerTrip => Befalls::BoilerOrBed,
            Self::LoggerUnplugged | Self::Duplicates | Self::GarbledLine => Befalls::Logger,
            Self::ClockWrong | Self::LateBatch => Befalls::LoggerWithClock,
        }
    }

    /// The kind's name as it is written in scenarios and commands.
    pub fn name(self) -> String {
        self.to_possible_value()
            .map_or_else(String::new, |value| value.get_name().to_owned())
    }
}

/// A fault in a scenario file, in local times of the night.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FaultWritten {
    pub kind: FaultKind,
    pub target: String,
    pub from: LocalTime,
    pub for_min: u32,
    /// Error of a wrong clock; fast is positive.
    pub offset_s: Option<i64>,
    /// Stretch of the bed that lost its tarp; all of it if absent.
    pub span_m: Option<[f64; 2]>,
}

/// A fault with its instants.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Fault {
    pub kind: FaultKind,
    pub target: String,
    pub from_at: DateTime<Utc>,
    pub until_at: DateTime<Utc>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub offset_s: Option<i64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub span_m: Option<[f64; 2]>,
}

/// How long a bed is without tarp or steam at full length.
const FULL_BED: TimeDelta = TimeDelta::hours(3);
/// How long a sensor misbehaves at full length.
const FULL_SENSOR: TimeDelta = TimeDelta::hours(5);
/// How long a logger misbehaves at full length.
const FULL_LOGGER: TimeDelta = TimeDelta::hours(2);

/// How wrong a clock is when nothing else is said: twenty minutes fast.
const USUAL_OFFSET_S: i64 = 1200;

impl Fault {
    pub fn offset(&self) -> TimeDelta {
        TimeDelta::seconds(self.offset_s.unwrap_or(USUAL_OFFSET_S))
    }
}

/// All faults of a night, in no order that matters.
#[derive(Debug, Clone, Default)]
pub struct Faults(Vec<Fault>);

impl Faults {
    /// Those that the scenario writes and those that the seed adds.
    pub fn of_night(scenario: &Scenario, seed: u64, night: NaiveDate) -> Self {
        let zone = scenario.plant.zone;
        let written = scenario.faults.iter().map(|fault| {
            let from_at = fault.from.on(night, zone);
            Fault {
                kind: fault.kind,
                target: fault.target.clone(),
                from_at,
                until_at: from_at + TimeDelta::minutes(i64::from(fault.for_min)),
                offset_s: fault.offset_s,
                span_m: fault.span_m,
            }
        });
        let noon: DateTime<Utc> = scenario.plant.night_starts.on(night, zone)
            - TimeDelta::minutes(i64::from(scenario.plant.night_starts.minutes_after_noon()));
        let mut faults: Vec<Fault> = written.collect();
        faults.extend(bed_faults(scenario, seed, noon));
        faults.extend(sensor_faults(scenario, seed, noon));
        faults.extend(logger_faults(scenario, seed, noon));
        Self(faults)
    }

    pub fn add(&mut self, fault: Fault) {
        self.0.push(fault);
    }

    /// Ends every fault of this target, or only those of one kind; returns how many.
    pub fn end(&mut self, target: &str, kind: Option<FaultKind>, now: DateTime<Utc>) -> usize {
        let running = self.0.iter_mut().filter(|fault| {
            fault.target == target
                && kind.is_none_or(|kind| kind == fault.kind)
                && fault.until_at > now
        });
        running
            .map(|fault| fault.until_at = now.max(fault.from_at))
            .count()
    }

    /// The fault of this kind that the target suffers now, the latest begun if there are several.
    pub fn active(&self, kind: FaultKind, target: &str, now: DateTime<Utc>) -> Option<&Fault> {
        self.0
            .iter()
            .filter(|fault| fault.kind == kind && fault.target == target)
            .filter(|fault| fault.from_at <= now && now < fault.until_at)
            .max_by_key(|fault| fault.from_at)
    }

    pub fn all(&self) -> &[Fault] {
        &self.0
    }
}

/// Why this fault is impossible in this plant, if it is.
pub fn problem(
    scenario: &Scenario,
    kind: FaultKind,
    target: &str,
    offset_s: Option<i64>,
    span_m: Option<[f64; 2]>,
) -> Option<String> {
    if offset_s.is_some() && kind != FaultKind::ClockWrong {
        return Some(format!("{}: only clock-wrong takes an offset", kind.name()));
    }
    match span_m {
        Some(_) if kind != FaultKind::TarpOff => {
            Some(format!("{}: only tarp-off takes a stretch", kind.name()))
        }
        Some([from_m, to_m]) if !(0.0 <= from_m && from_m < to_m) => Some(format!(
            "tarp-off: the stretch {from_m} to {to_m} m is empty"
        )),
        _ => target_problem(scenario, kind, target),
    }
}

fn target_problem(scenario: &Scenario, kind: FaultKind, target: &str) -> Option<String> {
    let is_bed = scenario.bed(target).is_some();
    let (is_known, wanted) = match kind.befalls() {
        Befalls::Channel => (
            scenario.channels().any(|(channel, _)| channel == target),
            "channel",
        ),
        Befalls::Bed => (is_bed, "bed"),
        Befalls::BoilerOrBed => (
            is_bed || scenario.boilers.iter().any(|boiler| boiler.id == target),
            "boiler or bed",
        ),
        Befalls::Logger => (scenario.logger(target).is_some(), "logger"),
        Befalls::LoggerWithClock => (
            scenario
                .logger(target)
                .is_some_and(|logger| logger.format.has_clock()),
            "logger with a clock",
        ),
    };
    (!is_known).then(|| format!("{}: {target} is not a {wanted} of this plant", kind.name()))
}

fn minutes(from: u32, to: u32, rng: &mut ChaCha8Rng) -> TimeDelta {
    TimeDelta::minutes(i64::from(rng.random_range(from..to)))
}

/// The drawn length, or the full one. It is drawn in any case: what is drawn next stays the same.
fn length(scenario: &Scenario, drawn: TimeDelta, full: TimeDelta) -> TimeDelta {
    if scenario.random_faults.full_length {
        full
    } else {
        drawn
    }
}

fn bed_faults(scenario: &Scenario, seed: u64, noon: DateTime<Utc>) -> Vec<Fault> {
    let mut rng = streams::stream(seed, "fault/beds");
    let mut beds: Vec<_> = scenario.beds.iter().collect();
    beds.shuffle(&mut rng);
    beds.into_iter()
        .take(scenario.random_faults.bed_count as usize)
        .map(|bed| {
            let from_at = noon + minutes(9 * 60, 14 * 60, &mut rng);
            let is_tarp = rng.random_bool(0.5);
            let until_at = from_at + length(scenario, minutes(50, 170, &mut rng), FULL_BED);
            let edge_m = bed.length_m * rng.random_range(0.3..0.7);
            let span_m = match rng.random_range(0..3) {
                0 => None,
                1 => Some([0.0, edge_m]),
                _ => Some([edge_m, bed.length_m]),
            };
            Fault {
                kind: if is_tarp {
                    FaultKind::TarpOff
                } else {
                    FaultKind::BoilerTrip
                },
                target: bed.id.clone(),
                from_at,
                until_at,
                offset_s: None,
                span_m: span_m.filter(|_| is_tarp),
            }
        })
        .collect()
}

const SENSOR_KINDS: [FaultKind; 5] = [
    FaultKind::CutWire,
    FaultKind::Stuck,
    FaultKind::Spike,
    FaultKind::ReadsAir,
    FaultKind::ReadsSteam,
];

fn sensor_faults(scenario: &Scenario, seed: u64, noon: DateTime<Utc>) -> Vec<Fault> {
    let mut rng = streams::stream(seed, "fault/sensors");
    let mut channels: Vec<&str> = scenario
        .beds
        .iter()
        .flat_map(|bed| {
            bed.positions
                .iter()
                .map(|position| position.channel.as_str())
        })
        .collect();
    channels.shuffle(&mut rng);
    let mut kinds = SENSOR_KINDS;
    kinds.shuffle(&mut rng);
    channels
        .into_iter()
        .zip(kinds.into_iter().cycle())
        .take(scenario.random_faults.sensor_count as usize)
        .map(|(channel, kind)| {
            let from_at = noon + minutes(7 * 60, 15 * 60, &mut rng);
            // A cut wire stays cut; the others may mend themselves.
            let until_at = match kind {
                FaultKind::CutWire => from_at + TimeDelta::hours(24),
                _ => from_at + length(scenario, minutes(60, 300, &mut rng), FULL_SENSOR),
            };
            Fault {
                kind,
                target: channel.to_owned(),
                from_at,
                until_at,
                offset_s: None,
                span_m: None,
            }
        })
        .collect()
}

fn logger_faults(scenario: &Scenario, seed: u64, noon: DateTime<Utc>) -> Vec<Fault> {
    let mut rng = streams::stream(seed, "fault/loggers");
    let mut loggers: Vec<_> = scenario.loggers.iter().collect();
    loggers.shuffle(&mut rng);
    loggers
        .into_iter()
        .take(scenario.random_faults.logger_count as usize)
        .filter_map(|logger| {
            let kinds: &[FaultKind] = if logger.format.has_clock() {
                &[
                    FaultKind::ClockWrong,
                    FaultKind::LateBatch,
                    FaultKind::Duplicates,
                ]
            } else {
                &[
                    FaultKind::LoggerUnplugged,
                    FaultKind::GarbledLine,
                    FaultKind::Duplicates,
                ]
            };
            let kind = *kinds.choose(&mut rng)?;
            let from_at = noon + minutes(8 * 60, 15 * 60, &mut rng);
            let until_at = from_at + length(scenario, minutes(8, 45, &mut rng), FULL_LOGGER);
            let offset_s = rng.random_range(120..5400) * if rng.random_bool(0.5) { 1 } else { -1 };
            Some(Fault {
                kind,
                target: logger.id.clone(),
                from_at,
                until_at,
                offset_s: (kind == FaultKind::ClockWrong).then_some(offset_s),
                span_m: None,
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario::RandomFaults;

    fn night() -> (Scenario, NaiveDate) {
        (
            Scenario::eight_beds().expect("scenario"),
            "2026-11-24".parse().expect("date"),
        )
    }

    #[test]
    fn each_seed_puts_at_least_one_bed_in_trouble_and_seeds_differ() {
        let (scenario, night) = night();
        let mut seen = Vec::new();
        for seed in 0..20 {
            let faults = Faults::of_night(&scenario, seed, night);
            let again = Faults::of_night(&scenario, seed, night);
            assert_eq!(faults.all(), again.all(), "seed {seed}");
            let beds =
                |fault: &&Fault| matches!(fault.kind, FaultKind::TarpOff | FaultKind::BoilerTrip);
            assert!(faults.all().iter().any(|fault| beds(&fault)), "seed {seed}");
            for fault in faults.all() {
                assert!(fault.from_at < fault.until_at, "seed {seed}: {fault:?}");
                assert_eq!(target_problem(&scenario, fault.kind, &fault.target), None);
            }
            assert!(
                !seen.contains(&faults.all().to_vec()),
                "seed {seed} repeats another"
            );
            seen.push(faults.all().to_vec());
        }
    }

    #[test]
    fn at_full_length_a_bed_is_without_tarp_or_steam_for_three_hours_and_every_kind_comes() {
        let (mut scenario, night) = night();
        scenario.random_faults = RandomFaults::FULL;
        let mut seen = Vec::new();
        for seed in 0..30 {
            let faults = Faults::of_night(&scenario, seed, night);
            let of_bed: Vec<&Fault> = faults
                .all()
                .iter()
                .filter(|one| matches!(one.kind, FaultKind::TarpOff | FaultKind::BoilerTrip))
                .collect();
            assert_eq!(of_bed.len(), 3, "seed {seed}");
            for fault in of_bed {
                let lasts = fault.until_at - fault.from_at;
                assert_eq!(lasts, TimeDelta::hours(3), "seed {seed}: {fault:?}");
            }
            for kind in SENSOR_KINDS {
                let is_there = faults.all().iter().any(|one| one.kind == kind);
                assert!(is_there, "seed {seed}: no {}", kind.name());
            }
            seen.extend(faults.all().iter().map(|one| one.kind));
        }
        for kind in FaultKind::value_variants() {
            assert!(seen.contains(kind), "no {} in thirty nights", kind.name());
        }
    }

    #[test]
    fn faults_of_clocks_are_refused_for_loggers_without_one() {
        let (scenario, _) = night();
        let problem = target_problem(&scenario, FaultKind::LateBatch, "N1").expect("refused");
        assert_eq!(
            problem,
            "late-batch: N1 is not a logger with a clock of this plant"
        );
        assert_eq!(target_problem(&scenario, FaultKind::LateBatch, "S1"), None);
        assert!(target_problem(&scenario, FaultKind::Stuck, "N1").is_some());
    }

    #[test]
    fn offsets_and_stretches_belong_to_their_kinds() {
        let (scenario, _) = night();
        let refused = |kind, target, offset_s, span_m| {
            problem(&scenario, kind, target, offset_s, span_m).is_some()
        };
        assert!(!refused(FaultKind::ClockWrong, "S1", Some(-90), None));
        assert!(refused(FaultKind::LateBatch, "S1", Some(-90), None));
        assert!(!refused(FaultKind::TarpOff, "S1", None, Some([0.0, 20.0])));
        assert!(refused(FaultKind::TarpOff, "S1", None, Some([20.0, 20.0])));
        assert!(refused(
            FaultKind::BoilerTrip,
            "S1",
            None,
            Some([0.0, 20.0])
        ));
    }

    #[test]
    fn an_ended_fault_is_no_longer_active() {
        let mut faults = Faults::default();
        let from_at: DateTime<Utc> = "2026-11-25T01:00:00Z".parse().expect("instant");
        let fault = Fault {
            kind: FaultKind::Stuck,
            target: "N1-01".to_owned(),
            from_at,
            until_at: from_at + TimeDelta::hours(2),
            offset_s: None,
            span_m: None,
        };
        faults.add(fault);
        let later = from_at + TimeDelta::hours(1);
        assert!(faults.active(FaultKind::Stuck, "N1-01", later).is_some());
        assert!(faults.active(FaultKind::Stuck, "N1-02", later).is_none());
        assert_eq!(faults.end("N1-01", Some(FaultKind::CutWire), later), 0);
        assert_eq!(faults.end("N1-01", None, later), 1);
        assert!(faults.active(FaultKind::Stuck, "N1-01", later).is_none());
    }
}
