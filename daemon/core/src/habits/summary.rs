//! One finished pour in a few figures, and when it counts as finished.

use crate::act::{Act, ActBody};
use crate::curve_points::CurveBreak;
use crate::forecast::{KnownAt, Lesson, evidence, teach};
use crate::habits::{AHEAD_H, Trial, zone_of};
use crate::pour::PourRecord;
use crate::time::UtcMs;

/// A summary is made this long after the end was recorded: what was late has then mostly arrived, h.
const SETTLED_H: f64 = 1.0;
/// A pour that nobody ends is summarised this long after its opening was recorded, h …
const FORGOTTEN_H: f64 = 48.0;
/// … by its first so many hours.
const NIGHT_H: f64 = 36.0;
/// Heat that stops so long before its plan has failed, h.
const EARLY_H: f64 = 1.5;

/// What one finished pour taught, and when that became known.
#[derive(Debug, Clone, PartialEq)]
pub struct PourSummary {
    pub pour: String,
    pub bed: String,
    pub mix: String,
    pub known_at: UtcMs,
    /// Logarithms of the factors on delay and heat of hydration.
    pub delay_ln: Option<f64>,
    pub heat_ln: Option<f64>,
    pub positions: Vec<PositionSummary>,
    /// Its breaks, held against its curve.
    pub curve_breaks: Vec<CurveBreak>,
    pub air: Option<AirSummary>,
    pub heat: Option<HeatSummary>,
    /// The logarithm of measured over estimated at the first break with a temperature history.
    pub ratio_ln: Option<f64>,
    /// The forecast asked again at each of [`AHEAD_H`] before the curve's time.
    pub trials: [Option<Trial>; AHEAD_H.len()],
}

/// What one position taught.
#[derive(Debug, Clone, PartialEq)]
pub struct PositionSummary {
    pub place: String,
    /// First end, middle, last end: 0, 1, 2.
    pub zone: usize,
    pub film_ln: Option<f64>,
    pub lost_share: Option<f64>,
}

/// How the air followed the heat: share, lift, time constant, rise over plan, hold over plan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AirSummary {
    pub values: [Option<f64>; 5],
}

/// How long heat was on.
#[derive(Debug, Clone, PartialEq)]
pub struct HeatSummary {
    pub duration_h: f64,
    /// The record ended while heat was on.
    pub is_censored: bool,
    pub off_after_plan_h: Option<f64>,
    pub outages_h: Vec<f64>,
    pub stopped_early: bool,
}

/// When a pour's summary is made: a while after its end was recorded, or long after it was opened.
///
/// `in_effect` are its acts that count; a sign-off that was withdrawn ends nothing.
pub(crate) fn learned_at<'a>(
    record: &PourRecord,
    in_effect: impl Iterator<Item = &'a Act>,
) -> UtcMs {
    let is_end = |act: &&Act| match act.body {
        ActBody::ReleaseSigned(_) => record
            .release
            .as_ref()
            .is_some_and(|release| release.act_id == act.id),
        ActBody::Stripped | ActBody::Abandoned => true,
        _ => false,
    };
    let ended = in_effect.filter(is_end).map(|act| act.recorded_at).min();
    let forgotten_at = record.opened_recorded_at.plus_hours(FORGOTTEN_H);
    ended.map_or(forgotten_at, |at| {
        at.plus_hours(SETTLED_H).min(forgotten_at)
    })
}

/// The moment up to which a pour's temperatures are its concrete's.
pub(crate) fn ends_at(record: &PourRecord, known_at: UtcMs) -> UtcMs {
    let signed_at = record.release.as_ref().map(|release| release.at);
    let night_at = record.begins_at().plus_hours(NIGHT_H);
    [
        signed_at,
        record.stripped_at,
        record.abandoned_at,
        Some(night_at),
    ]
    .into_iter()
    .flatten()
    .fold(known_at, UtcMs::min)
}

impl PourSummary {
    /// The same pour, teaching nothing from a moment on.
    pub(crate) fn nothing(known: &Self, known_at: UtcMs) -> Self {
        Self {
            known_at,
            delay_ln: None,
            heat_ln: None,
            positions: Vec::new(),
            curve_breaks: Vec::new(),
            air: None,
            heat: None,
            ratio_ln: None,
            trials: [None; AHEAD_H.len()],
            ..known.clone()
        }
    }

    /// A pour that taught nothing.
    pub(crate) fn empty(record: &PourRecord, known_at: UtcMs) -> Self {
        Self {
            pour: record.id.clone(),
            bed: record.facts.bed.clone(),
            mix: record.facts.mix.clone(),
            known_at,
            delay_ln: None,
            heat_ln: None,
            positions: Vec::new(),
            curve_breaks: Vec::new(),
            air: None,
            heat: None,
            ratio_ln: None,
            trials: [None; AHEAD_H.len()],
        }
    }
}

/// The summary of a pour known as it was at `known.1`, ended at `end`.
pub(crate) fn summarise(known: &KnownAt<'_>, end: UtcMs, known_at: UtcMs) -> PourSummary {
    let record = known.record;
    let lesson = teach(known, end);
    let positions = lesson
        .positions
        .iter()
        .filter_map(|(index, film_ln, lost_share)| {
            let position = record.facts.positions.get(*index)?;
            Some(PositionSummary {
                place: position.place.clone(),
                zone: zone_of(record, position),
                film_ln: *film_ln,
                lost_share: *lost_share,
            })
        });
    PourSummary {
        delay_ln: lesson.delay_ln,
        heat_ln: lesson.heat_ln,
        positions: positions.collect(),
        air: lesson.air.map(|values| AirSummary {
            values: relative_to_plan(record, values),
        }),
        heat: heat(record, &lesson, end),
        ratio_ln: first_ratio_ln(known),
        ..PourSummary::empty(record, known_at)
    }
}

fn relative_to_plan(record: &PourRecord, mut values: [Option<f64>; 5]) -> [Option<f64>; 5] {
    use crate::forecast::air::{planned_rise_c_per_h, planned_soak_c};
    values[3] = values[3].map(|rise_ln| rise_ln - planned_rise_c_per_h(record).ln());
    values[4] = values[4].map(|hold_c| hold_c - planned_soak_c(record));
    values
}

/// When heat was on: by what people switched, else by the air.
fn heat(record: &PourRecord, lesson: &Lesson, end: UtcMs) -> Option<HeatSummary> {
    let by_air = lesson.on.as_ref();
    let from_at = record
        .heat
        .iter()
        .find(|switch| switch.on)
        .map(|switch| switch.at)
        .or(by_air.map(|heated| heated.from_at))?;
    let last_switch = record.heat.iter().rfind(|switch| switch.at <= end);
    let switched_off = last_switch
        .filter(|switch| !switch.on)
        .map(|switch| switch.at);
    let seen_off = by_air
        .filter(|heated| !heated.is_censored)
        .map(|heated| heated.to_at);
    let off_at = match (switched_off, seen_off) {
        (Some(a), Some(b)) => Some(a.min(b)),
        (a, b) => a.or(b),
    };
    let planned_off = record.facts.heat_plan.and_then(|plan| plan.off_at);
    let off_after_plan_h = off_at
        .zip(planned_off)
        .map(|(off, planned)| off.hours_since(planned));
    Some(HeatSummary {
        duration_h: off_at.unwrap_or(end).hours_since(from_at).max(0.0),
        is_censored: off_at.is_none(),
        off_after_plan_h,
        outages_h: by_air.map_or_else(Vec::new, |heated| heated.outages_h.clone()),
        stopped_early: switched_off.is_none()
            && off_after_plan_h.is_some_and(|hours| hours < -EARLY_H),
    })
}

/// The first break that has a ratio: later ones are chosen by what the first one said.
fn first_ratio_ln(known: &KnownAt<'_>) -> Option<f64> {
    let curve = known.curve?;
    known
        .breaks
        .iter()
        .filter(|one| one.is_release_set)
        .find_map(|one| evidence(known.record, curve.prepared, curve.maturity, one))
        .map(f64::ln)
}
