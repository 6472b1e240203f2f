//! An invented plant, pour and readings for the core's tests.

#![allow(dead_code, reason = "each test file uses its own part of it")]

use calibration::{CurveFile, ReleaseBasis, ReleaseRule, digest, parse_records};
use daemon_core::act::{
    Act, ActBody, BreakResult, ChannelBinding, ChannelRole, CylinderSet, Position, PourOpened,
    ReleaseSigned, Requirement, SetPurpose, SetStorage, SpecimenResult, StrengthAct,
};
use daemon_core::config::{
    Bed, EstimateSettings, KnownCurve, LimitSet, Mix, PlantConfig, ReleasePolicy, SetScope,
    TrustSettings, WatchSettings,
};
use daemon_core::time::UtcMs;
use daemon_core::{Content, Plant, Reading};

pub const CURVE: &str = r#"
schema = 1
name = "M45 test"
mix = "M45"
author = "lab"
made_at = 2026-01-02
time_zero = "placed"
[maturity]
function = "equivalent-age"
activation_energy_j_mol = 41570
reference_c = 20
[curve]
form = "exponential"
ultimate_mpa = 58.0
tau = 14.0
shape = 0.85
covariance = [[4.0, 1.0, -0.05], [1.0, 0.6, -0.02], [-0.05, -0.02, 0.002]]
residual_sd_mpa = 1.1
residual_degrees_of_freedom = 12
[range]
maturity_min = 6
maturity_max = 672
temperature_min_c = 5
temperature_max_c = 66
[specimens]
cured = "heat-cured"
shape = "cylinder"
diameter_mm = 101.6
length_mm = 203.2
"#;

/// Minutes after the pour's first placement, which is at 2026-03-01T18:00:00Z.
pub fn at(minute: i64) -> UtcMs {
    UtcMs(1_772_388_000_000 + minute * 60_000)
}

pub fn config() -> PlantConfig {
    let digest = digest(CURVE.as_bytes());
    let records = format!(
        "[[record]]\ndigest = \"{digest}\"\nact = \"approved\"\nby = \"A. Lab\"\nrecorded_at = 2026-01-05T10:00:00Z\n"
    );
    PlantConfig {
        name: "Test yard".into(),
        zone: chrono_tz::UTC,
        beds: vec![
            Bed {
                id: "B1".into(),
                length_m: 100.0,
                limit_set: Some("spec".into()),
                heat_source: None,
            },
            Bed {
                id: "B2".into(),
                length_m: 100.0,
                limit_set: None,
                heat_source: None,
            },
        ],
        mixes: vec![Mix { id: "M45".into() }, Mix { id: "M60".into() }],
        limit_set: None,
        limit_sets: vec![LimitSet {
            id: "spec".into(),
            concrete_c_max: Some(70.0),
            rise_c_per_h_max: Some(22.0),
            source: "invented".into(),
            ..LimitSet::default()
        }],
        release: ReleasePolicy {
            rule: ReleaseRule {
                basis: ReleaseBasis::Average,
                single_min_fraction: 0.85,
                specimen_count_min: 2,
            },
            set_stands_for: SetScope::Loads,
            count_specimens_without_history: true,
            pooled_within_h: 0.75,
            disagreement_fraction: 0.25,
            break_probability: 0.9,
        },
        units: units::UnitSystem::Si,
        trust: TrustSettings::default(),
        estimate: EstimateSettings::default(),
        curves: vec![KnownCurve {
            digest,
            file: CurveFile::parse(CURVE).expect("the curve reads"),
        }],
        curve_records: parse_records(&records).expect("the records read"),
        loggers: Vec::new(),
        watch: WatchSettings::default(),
    }
}

pub fn set(name: &str) -> CylinderSet {
    CylinderSet {
        set: name.into(),
        purpose: SetPurpose::Release,
        specimens: vec![format!("{name}1"), format!("{name}2")],
        storage: SetStorage::UnderTarp,
        follows_position: None,
        loads: Vec::new(),
        diameter_mm: 101.6,
        length_mm: 203.2,
    }
}

pub fn binding(channel: &str, position: &str) -> ChannelBinding {
    ChannelBinding {
        channel: channel.into(),
        role: ChannelRole::Concrete,
        position: Some(position.into()),
        set: None,
        from_at: None,
    }
}

/// A channel that reads specimens of a set.
pub fn specimen_binding(channel: &str, set: &str) -> ChannelBinding {
    ChannelBinding {
        channel: channel.into(),
        role: ChannelRole::Specimen,
        position: None,
        set: Some(set.into()),
        from_at: None,
    }
}

pub fn opened() -> PourOpened {
    let position = |id: &str, station_m| Position {
        id: id.into(),
        station_m,
        place: "stem".into(),
        depth_mm: None,
    };
    PourOpened {
        bed: "B1".into(),
        line: None,
        layer: None,
        mix: "M45".into(),
        curve: None,
        from_station_m: 0.0,
        to_station_m: 90.0,
        first_placement_at: Some(at(0)),
        last_placement_at: Some(at(60)),
        required: vec![Requirement {
            act: StrengthAct::Release,
            strength_mpa: 24.13,
        }],
        pieces: Vec::new(),
        positions: vec![
            position("P1", 5.0),
            position("P2", 45.0),
            position("P3", 85.0),
        ],
        channels: vec![
            binding("c1", "P1"),
            binding("c2", "P2"),
            binding("c3", "P3"),
        ],
        loads: Vec::new(),
        cylinder_sets: vec![set("A"), set("B"), set("C")],
        section: None,
        cementitious_kg_m3: None,
        fresh: None,
        heat_plan: None,
        without_heat: false,
        wanted_release_at: None,
        limit_set: None,
    }
}

pub fn act(id: u128, minute: i64, body: ActBody) -> Act {
    Act {
        id,
        recorded_at: at(minute),
        happened_at: at(minute),
        by: "Q. Person".into(),
        why: None,
        pour: "p".into(),
        body,
    }
}

pub fn open_act() -> Act {
    act(1, 61, ActBody::PourOpened(Box::new(opened())))
}

pub fn broke(id: u128, minute: i64, set: &str, strengths_mpa: [f64; 2]) -> Act {
    let specimens = strengths_mpa
        .iter()
        .enumerate()
        .map(|(index, strength_mpa)| SpecimenResult {
            specimen: format!("{set}{}", index + 1),
            strength_mpa: Some(*strength_mpa),
            load_kn: None,
            diameter_mm: None,
        })
        .collect();
    let result = BreakResult {
        set: set.into(),
        pulled_at: None,
        tested_at: at(minute),
        specimens,
    };
    act(id, minute, ActBody::BreakRecorded(result))
}

pub fn sign(id: u128, minute: i64, breaks: &[u128]) -> Act {
    act(
        id,
        minute,
        ActBody::ReleaseSigned(ReleaseSigned {
            pours: vec!["p".into()],
            breaks: breaks.to_vec(),
            reason_without_estimate: None,
        }),
    )
}

pub fn reading(channel: &str, minute: i64, value: f64) -> Reading {
    Reading {
        channel: channel.into(),
        measured_at: Some(at(minute)),
        received_at: at(minute),
        content: Content::TemperatureC(value),
    }
}

/// The temperature of an ordinary heated bed, °C, with a tenth of a degree of life in it.
pub fn ordinary_c(channel: usize, minute: i64) -> f64 {
    let hours = minute as f64 / 60.0;
    let rise = (hours - 3.0).clamp(0.0, 2.5) * 14.0;
    let place = [1.0, 0.0, -3.0][channel];
    ((21.0 + rise + place + 0.1 * ((minute % 3) as f64)) * 10.0).round() / 10.0
}

pub fn ordinary_night(until_minute: i64) -> Vec<Reading> {
    (0..=until_minute)
        .step_by(5)
        .flat_map(|minute| {
            (0..3).map(move |channel| {
                reading(
                    &format!("c{}", channel + 1),
                    minute,
                    ordinary_c(channel, minute),
                )
            })
        })
        .collect()
}

pub fn plant_with(acts: &[Act], readings: &[Reading]) -> Plant {
    plant_of(config(), acts, readings)
}

/// A plant that knows these acts and readings.
pub fn plant_of(config: PlantConfig, acts: &[Act], readings: &[Reading]) -> Plant {
    let mut plant = Plant::new(config);
    for act in acts {
        plant.take_act(act.clone());
    }
    for reading in readings {
        plant.take_reading(reading);
    }
    plant
}
