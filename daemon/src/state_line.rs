//! One JSON line that says where a pour stands at one moment; replay and HTTP print the same.
//!
//! Keys stand in the order of the fields; numbers are the shortest text that reads back to the very
//! same number, so that two equal states are equal byte for byte.

use chrono::{DateTime, Utc};
use daemon_api::ahead::{AheadView, PassView, WindowView};
use daemon_api::pour::{AdvisoryView, ConfirmationView, NoteView, PourStatus};
use daemon_core::assessment::{PositionAssessment, PourAssessment};
use daemon_core::plant::Plant;
use daemon_core::time::UtcMs;
use serde::Serialize;

use crate::convert::{ahead, utc, utc_option, view};

/// A pour at a moment. An estimate is never permission: `confirmation` says what still decides.
#[derive(Debug, Clone, Serialize)]
pub struct StateLine {
    pub at: DateTime<Utc>,
    pub pour: String,
    pub bed: String,
    pub line: String,
    pub mix: String,
    pub status: PourStatus,
    pub estimate_kind: String,
    pub estimate_mpa: Option<f64>,
    pub lower_90_mpa: Option<f64>,
    pub maturity: Option<f64>,
    pub maturity_unit: Option<&'static str>,
    pub governing_position: Option<String>,
    pub required_mpa: Option<f64>,
    pub early_at: Option<DateTime<Utc>>,
    pub likely_at: Option<DateTime<Utc>>,
    pub late_at: Option<DateTime<Utc>>,
    pub pass_probability_now: Option<f64>,
    pub break_from_at: Option<DateTime<Utc>>,
    pub forecast_reason: Option<String>,
    pub estimate_reason: Option<String>,
    pub curve: Option<String>,
    pub curve_standing: &'static str,
    pub positions: Vec<PositionLine>,
    pub confirmation: ConfirmationView,
    pub release_holds: Vec<NoteView>,
    pub cautions: Vec<NoteView>,
    /// When the slowest position gets there, as two distributions.
    pub of_concrete: WindowView,
    pub by_curve: WindowView,
    pub curve_reached: bool,
    pub pass_probabilities: Vec<PassView>,
    /// The highest temperature and the fastest fall ahead, and when heat may go off.
    pub ahead: AheadView,
    pub doubted_positions: Vec<DoubtLine>,
    pub sampled_count: usize,
    pub learned_from: LearnedLine,
    /// What the forecast does without.
    pub lacks: Vec<&'static str>,
    /// Present only where the curve only advises, or where breaks speak against it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub curve_advisory: Option<AdvisoryView>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub curve_drift: Option<String>,
}

/// A position whose sensor is not believed, carried on by the heat balance.
#[derive(Debug, Clone, Serialize)]
pub struct DoubtLine {
    pub position: String,
    pub reason: Option<&'static str>,
}

/// What the forecast has learned from.
#[derive(Debug, Clone, Serialize)]
pub struct LearnedLine {
    pub pours_of_bed: usize,
    pub breaks_of_mix: usize,
}

/// A position at a moment.
#[derive(Debug, Clone, Serialize)]
pub struct PositionLine {
    pub position: String,
    pub channel: Option<String>,
    pub temperature_c: Option<f64>,
    pub maturity: Option<f64>,
    pub maturity_low: Option<f64>,
    pub estimate_mpa: Option<f64>,
    pub lower_90_mpa: Option<f64>,
    pub required_mpa: Option<f64>,
    pub trust: &'static str,
    pub reason: Option<&'static str>,
    pub time_zero_at: Option<DateTime<Utc>>,
    pub likely_at: Option<DateTime<Utc>>,
    pub excluded: Option<String>,
    pub confirmed: bool,
}

impl StateLine {
    /// The line of one assessed pour.
    #[must_use]
    pub fn of(pour: &PourAssessment, at: UtcMs) -> Self {
        let record = &pour.record;
        let estimate = view::governing_estimate(pour);
        let governing = pour.governing.map(|index| &pour.positions[index]);
        let forecast = &pour.forecast;
        Self {
            at: utc(at),
            pour: record.id.clone(),
            bed: record.facts.bed.clone(),
            line: record.line().to_owned(),
            mix: record.facts.mix.clone(),
            status: view::status(pour.status),
            estimate_kind: estimate.kind,
            estimate_mpa: estimate.estimate_mpa,
            lower_90_mpa: estimate.lower_90_mpa,
            maturity: estimate.maturity,
            maturity_unit: pour.curve.maturity_unit,
            governing_position: governing.map(|position| position.id.clone()),
            required_mpa: governing.and_then(|position| position.required_mpa),
            early_at: utc_option(forecast.early_at),
            likely_at: utc_option(forecast.likely_at),
            late_at: utc_option(forecast.late_at),
            pass_probability_now: forecast.pass_probability_now,
            break_from_at: utc_option(forecast.break_from_at),
            forecast_reason: forecast.reason.clone(),
            estimate_reason: estimate.reason,
            curve: pour.curve.digest.clone(),
            curve_standing: pour.curve.standing.name(),
            positions: pour
                .positions
                .iter()
                .map(|position| line(position, pour))
                .collect(),
            confirmation: view::confirmation(&pour.confirmation),
            release_holds: view::notes(&pour.release_holds),
            cautions: view::notes(&pour.cautions),
            of_concrete: view::of_concrete(forecast),
            by_curve: view::by_curve(forecast),
            curve_reached: forecast.is_curve_reached,
            pass_probabilities: view::passes(forecast),
            ahead: ahead::ahead(pour),
            doubted_positions: forecast
                .doubted_positions
                .iter()
                .filter_map(|index| pour.positions.get(*index))
                .map(|position| DoubtLine {
                    position: position.id.clone(),
                    reason: position.trust.reason.map(|reason| reason.name()),
                })
                .collect(),
            sampled_count: forecast.sampled_count,
            learned_from: LearnedLine {
                pours_of_bed: forecast.pour_count,
                breaks_of_mix: forecast.break_count,
            },
            lacks: forecast.lacks.iter().map(|lack| lack.name()).collect(),
            curve_advisory: pour.curve.advisory.map(view::advisory),
            curve_drift: pour.curve.drift.clone(),
        }
    }
}

fn line(position: &PositionAssessment, pour: &PourAssessment) -> PositionLine {
    let estimate = view::estimate(&position.estimate, &pour.curve);
    PositionLine {
        position: position.id.clone(),
        channel: position.channel.clone(),
        temperature_c: position.temperature_c,
        maturity: estimate.maturity,
        maturity_low: estimate.maturity_low,
        estimate_mpa: estimate.estimate_mpa,
        lower_90_mpa: estimate.lower_90_mpa,
        required_mpa: position.required_mpa,
        trust: position.trust.verdict.name(),
        reason: position.trust.reason.map(|reason| reason.name()),
        time_zero_at: utc_option(position.time_zero_at),
        likely_at: utc_option(position.likely_at),
        excluded: position.excluded.clone(),
        confirmed: position.confirmed,
    }
}

/// The lines of every pour under cure at `at`, each ended by a line feed.
///
/// The plant must know exactly what was received and recorded by `at`.
///
/// # Errors
/// A number that JSON cannot hold.
pub fn state_lines(plant: &Plant, at: UtcMs) -> Result<String, serde_json::Error> {
    let mut text = String::new();
    for pour in plant.assess(at).pours {
        if pour.record.is_under_cure() {
            text.push_str(&serde_json::to_string(&StateLine::of(&pour, at))?);
            text.push('\n');
        }
    }
    Ok(text)
}
