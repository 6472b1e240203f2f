//! Assessments as the views that the API shows.

use calibration::StrengthEstimate;
use daemon_api::ahead::{ChanceView, PassView, WindowView};
use daemon_api::pour::{
    AdvisoryView, BreakTimeView, BreakView, CatchUpView, ChannelView, ConfirmationView, CurveView,
    CylinderSetView, DecidedView, EstimateView, ForecastView, NoteView, PositionView, PourStatus,
    PourView, SignedView, SwitchView, TrustView, WithdrawnView,
};
use daemon_core::act::{Position, SetPurpose};
use daemon_core::assessment::{
    self as core, ChannelAssessment, CurveUse, Forecast, JudgedBreak, PositionAssessment,
    PositionEstimate, PourAssessment,
};
use daemon_core::plant::Plant;
use daemon_core::pour::{PourRecord, Release, Switch, Withdrawn};
use daemon_core::release::status_words;
use uuid::Uuid;

use super::{ahead, noun, utc, utc_option, watch};

/// One pour, whole.
#[must_use]
pub fn pour(plant: &Plant, pour: &PourAssessment) -> PourView {
    let record = &*pour.record;
    let facts = &record.facts;
    PourView {
        pour: record.id.clone(),
        bed: facts.bed.clone(),
        line: record.line().to_owned(),
        line_pours: line_pours(plant, record),
        layer: facts.layer.clone(),
        mix: facts.mix.clone(),
        status: status(pour.status),
        status_words: status_words(pour.status, pour.confirmation.outcome).to_owned(),
        from_station_m: facts.from_station_m,
        to_station_m: facts.to_station_m,
        first_placement_at: utc_option(facts.first_placement_at),
        last_placement_at: utc_option(facts.last_placement_at),
        begins_at: Some(utc(record.begins_at())),
        wanted_release_at: utc_option(facts.wanted_release_at),
        required: facts.required.iter().map(noun::requirement_out).collect(),
        release_strength_mpa: record.release_strength_mpa(),
        pieces: facts.pieces.iter().map(noun::piece_out).collect(),
        loads: record.loads.values().map(noun::load_out).collect(),
        section: facts.section.as_ref().map(noun::section_out),
        heat_plan: facts.heat_plan.as_ref().map(noun::heat_plan_out),
        without_heat: facts.without_heat,
        heat: record.heat.last().map(switch),
        tarp_lifted: record.tarp.last().map(switch),
        limits: plant
            .limits(record)
            .as_ref()
            .map(watch::limits)
            .unwrap_or_default(),
        curve: curve(&pour.curve),
        estimate: governing_estimate(pour),
        estimate_disagreed: pour.confirmation.outcome.is_failed(),
        governing_position: pour.governing.map(|index| pour.positions[index].id.clone()),
        forecast: forecast(plant, pour),
        positions: pour
            .positions
            .iter()
            .zip(&facts.positions)
            .map(|(judged, made)| position(judged, made, &pour.curve))
            .collect(),
        other_channels: pour.other_channels.iter().map(channel).collect(),
        cylinder_sets: cylinder_sets(pour),
        confirmation: confirmation(&pour.confirmation),
        release_holds: notes(&pour.release_holds),
        piece_holds: notes(&pour.piece_holds),
        breaches: pour
            .breaches
            .iter()
            .map(|breach| watch::breach(record, breach, plant.config().local()))
            .collect(),
        cautions: notes(&pour.cautions),
        release: record.release.as_ref().map(signed),
        withdrawn: record.withdrawn.iter().map(withdrawn).collect(),
    }
}

/// Every pour of the same line that is still under cure.
fn line_pours(plant: &Plant, record: &PourRecord) -> Vec<String> {
    let same = |other: &&PourRecord| other.is_under_cure() && other.line() == record.line();
    let pours = plant.pours().values().map(|other| &**other).filter(same);
    pours.map(|other| other.id.clone()).collect()
}

/// Where a pour stands.
#[must_use]
pub fn status(status: core::PourStatus) -> PourStatus {
    match status {
        core::PourStatus::Placing => PourStatus::Placing,
        core::PourStatus::Curing => PourStatus::Curing,
        core::PourStatus::BreakDue => PourStatus::BreakDue,
        core::PourStatus::Confirmed => PourStatus::Confirmed,
        core::PourStatus::Released => PourStatus::Released,
        core::PourStatus::Stripped => PourStatus::Stripped,
        core::PourStatus::Abandoned => PourStatus::Abandoned,
    }
}

fn switch(switch: &Switch) -> SwitchView {
    SwitchView {
        on: switch.on,
        since: utc(switch.at),
    }
}

fn curve(curve: &CurveUse) -> CurveView {
    CurveView {
        digest: curve.digest.clone(),
        name: curve.name.clone(),
        standing: curve.standing.name().to_owned(),
        usable: curve.standing.is_usable(),
        maturity_unit: curve.maturity_unit.map(str::to_owned),
        advisory: curve.advisory.map(advisory),
        drift: curve.drift.clone(),
        note: curve.note.clone(),
    }
}

/// Why a curve only advises on a pour.
#[must_use]
pub fn advisory(advisory: core::Advisory) -> AdvisoryView {
    AdvisoryView {
        pour_count: advisory.pour_count,
        needed_count: advisory.needed,
        margin: advisory.margin,
    }
}

/// The estimate at the governing position, or why there is none.
#[must_use]
pub fn governing_estimate(pour: &PourAssessment) -> EstimateView {
    match pour.governing {
        Some(index) => estimate(&pour.positions[index].estimate, &pour.curve),
        None => EstimateView {
            kind: "none".to_owned(),
            reason: Some("No position is judged: none is named, or all are left out.".to_owned()),
            ..EstimateView::default()
        },
    }
}

/// An estimate of one position; a number stands only where the curve's data reach.
#[must_use]
pub fn estimate(estimate: &PositionEstimate, curve: &CurveUse) -> EstimateView {
    let unit = curve.maturity_unit.unwrap_or_default();
    let (strength, maturity, maturity_low) = match estimate {
        PositionEstimate::None { reason, maturity } => {
            return EstimateView {
                kind: "none".to_owned(),
                maturity: *maturity,
                reason: Some(reason.clone()),
                ..EstimateView::default()
            };
        }
        PositionEstimate::Some {
            strength,
            maturity,
            maturity_low,
        } => (strength, *maturity, *maturity_low),
    };
    let (kind, reason) = match strength {
        StrengthEstimate::Within { .. } => ("within", None),
        StrengthEstimate::AboveData { .. } => (
            "at-least",
            Some("Above the curve's data: at least the strength at their end.".to_owned()),
        ),
        StrengthEstimate::BelowData { first_maturity } => (
            "not-yet",
            Some(format!(
                "No estimate yet: the curve's data begin at {first_maturity} {unit}."
            )),
        ),
    };
    EstimateView {
        kind: kind.to_owned(),
        estimate_mpa: estimate.estimate_mpa(),
        lower_90_mpa: estimate.estimate_mpa().map(|_| estimate.lower_90_mpa()),
        maturity: Some(maturity),
        maturity_low: Some(maturity_low),
        reason,
    }
}

/// When the concrete of the slowest position has its required strength.
#[must_use]
pub fn of_concrete(forecast: &Forecast) -> WindowView {
    WindowView {
        early_at: utc_option(forecast.early_at),
        likely_at: utc_option(forecast.likely_at),
        late_at: utc_option(forecast.late_at),
    }
}

/// The same by the curve alone.
#[must_use]
pub fn by_curve(forecast: &Forecast) -> WindowView {
    WindowView {
        early_at: utc_option(forecast.by_curve.early_at),
        likely_at: utc_option(forecast.by_curve.likely_at),
        late_at: utc_option(forecast.by_curve.late_at),
    }
}

/// What waiting changes: the probability that a set broken later would pass.
#[must_use]
pub fn passes(forecast: &Forecast) -> Vec<PassView> {
    forecast
        .pass_probabilities
        .iter()
        .map(|(in_h, probability)| PassView {
            in_h: *in_h,
            probability: *probability,
        })
        .collect()
}

fn break_times(forecast: &Forecast) -> Vec<BreakTimeView> {
    let times = forecast.break_times.iter();
    times
        .map(|time| BreakTimeView {
            at: utc(time.at),
            probability: time.probability,
            kind: time.kind.name().to_owned(),
            words: time.words(),
        })
        .collect()
}

fn forecast(plant: &Plant, pour: &PourAssessment) -> ForecastView {
    let forecast = &pour.forecast;
    // Once cylinders have passed no further set is advised.
    let is_open = pour.confirmation.outcome.waits_for_cylinders();
    ForecastView {
        early_at: utc_option(forecast.early_at),
        likely_at: utc_option(forecast.likely_at),
        late_at: utc_option(forecast.late_at),
        pass_probability_now: forecast.pass_probability_now.filter(|_| is_open),
        break_from_at: utc_option(forecast.break_from_at.filter(|_| is_open)),
        break_probability: plant.config().release.break_probability,
        break_times: break_times(forecast),
        unproven_since: utc_option(forecast.unproven_since),
        reason: forecast.reason.clone(),
        by_curve: by_curve(forecast),
        chances: forecast
            .chances
            .iter()
            .map(|(probability, at)| ChanceView {
                probability: *probability,
                at: utc_option(*at),
            })
            .collect(),
        passes: if is_open {
            passes(forecast)
        } else {
            Vec::new()
        },
        lacks: forecast
            .lacks
            .iter()
            .map(|lack| lack.sentence().to_owned())
            .collect(),
        pours_of_bed: forecast.pour_count,
        breaks_of_mix: forecast.break_count,
        ahead: ahead::ahead(pour),
    }
}

fn position(judged: &PositionAssessment, made: &Position, curve: &CurveUse) -> PositionView {
    PositionView {
        position: judged.id.clone(),
        station_m: made.station_m,
        place: made.place.clone(),
        depth_mm: made.depth_mm,
        channel: judged.channel.clone(),
        temperature_c: judged.temperature_c,
        measured_at: utc_option(judged.measured_at),
        rate_c_per_h: judged.rate_c_per_h,
        highest_c: judged.highest_c,
        highest_unproven: judged.highest_unproven,
        time_zero_at: utc_option(judged.time_zero_at),
        required_mpa: judged.required_mpa,
        estimate: estimate(&judged.estimate, curve),
        likely_at: utc_option(judged.likely_at),
        trust: trust(&judged.trust),
        bridged_h: judged.bridged_h,
        excluded: judged.excluded.clone(),
        confirmed: judged.confirmed,
    }
}

fn trust(trust: &core::Trust) -> TrustView {
    TrustView {
        verdict: trust.verdict.name().to_owned(),
        reason: trust.reason.map(|reason| reason.name().to_owned()),
        evidence: trust.evidence.clone(),
        since: utc_option(trust.since),
    }
}

fn channel(judged: &ChannelAssessment) -> ChannelView {
    ChannelView {
        channel: judged.channel.clone(),
        role: noun::role_out(judged.role),
        set: judged.set.clone(),
        temperature_c: judged.temperature_c,
        measured_at: utc_option(judged.measured_at),
        trust: trust(&judged.trust),
    }
}

fn cylinder_sets(pour: &PourAssessment) -> Vec<CylinderSetView> {
    let sets = pour.record.sets.values().map(|set| {
        let broken_count = pour.record.broken_specimens(&set.set).len();
        CylinderSetView {
            made: noun::cylinder_set_out(set),
            broken_count,
            left_count: set.specimens.len().saturating_sub(broken_count),
            breaks: pour
                .breaks
                .iter()
                .filter(|broken| broken.set == set.set)
                .map(|broken| judged_break(broken, set.purpose))
                .collect(),
        }
    });
    sets.collect()
}

/// A break judged, as the set's purpose has it.
#[must_use]
pub fn judged_break(broken: &JudgedBreak, purpose: SetPurpose) -> BreakView {
    let mut notes = broken.notes.clone();
    if purpose == SetPurpose::Later {
        notes.push("This set was made for a later age.".to_owned());
    }
    BreakView {
        id: Uuid::from_u128(broken.id),
        by: broken.by.clone(),
        tested_at: utc(broken.tested_at),
        strengths_mpa: broken.strengths_mpa.clone(),
        mean_mpa: broken.mean_mpa,
        required_mpa: broken.required_mpa,
        passes: broken.passes,
        says: broken.says.name().to_owned(),
        words: broken.words.clone(),
        short: broken.short.clone(),
        confirms: broken.confirms.clone(),
        decided: Some(decided(broken.decided())),
        pooled_mean_mpa: broken.pooled.as_ref().map(|pooled| pooled.mean_mpa),
        estimate_mpa: broken.estimate_mpa,
        ratio: broken.ratio,
        has_history: broken.specimen_maturity.is_some(),
        notes,
    }
}

/// What the cylinders have said.
#[must_use]
pub fn confirmation(said: &core::Confirmation) -> ConfirmationView {
    ConfirmationView {
        state: said.state.name().to_owned(),
        outcome: said.outcome.name().to_owned(),
        words: said.words.clone(),
        short: said.short.clone(),
        shortest: said.shortest.to_owned(),
        decided: said.decided.as_ref().map(decided),
        catch_up: said.catch_up.iter().map(catch_up).collect(),
        break_is_sooner: said.is_break_sooner,
        breaks: said.breaks.iter().map(|id| Uuid::from_u128(*id)).collect(),
        waiting_for: said.waiting_for.clone(),
        release_specimens_left: said.release_specimens_left,
    }
}

fn decided(decided: &core::Decided) -> DecidedView {
    DecidedView {
        by: decided.by.name().to_owned(),
        sets: decided.sets.clone(),
        specimen: decided.specimen.clone(),
        value: decided.value,
        needed: decided.needed,
    }
}

fn catch_up(one: &core::CatchUp) -> CatchUpView {
    CatchUpView {
        position: one.position.clone(),
        maturity: one.maturity,
        likely_at: utc_option(one.likely_at),
    }
}

/// Holds or cautions.
#[must_use]
pub fn notes(notes: &[core::Note]) -> Vec<NoteView> {
    let note = |note: &core::Note| NoteView {
        kind: note.kind.to_owned(),
        text: note.text.clone(),
    };
    notes.iter().map(note).collect()
}

/// A sign-off that counts no more.
fn withdrawn(one: &Withdrawn) -> WithdrawnView {
    let because = match &one.set {
        Some(set) => format!("the break of set {set} was struck or corrected"),
        None => "withdrawn".to_owned(),
    };
    WithdrawnView {
        signed: signed(&one.release),
        by: one.by.clone(),
        at: utc(one.at),
        text: format!("{because} by {}: {}", one.by, one.why),
    }
}

/// A sign-off.
#[must_use]
pub fn signed(release: &Release) -> SignedView {
    let left_out = |(position, why): &(String, String)| format!("{position}: {why}");
    SignedView {
        by: release.by.clone(),
        at: utc(release.at),
        breaks: release
            .breaks
            .iter()
            .map(|id| Uuid::from_u128(*id))
            .collect(),
        excluded: release.excluded.iter().map(left_out).collect(),
        reason_without_estimate: release.reason_without_estimate.clone(),
    }
}
