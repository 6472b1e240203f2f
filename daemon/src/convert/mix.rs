//! Mixes with their curves as the API shows them.

use calibration::Cured;
use calibration::verification::{CurveState, Verification, VerificationPoint};
use daemon_api::mix::{
    ApartView, CurvePointView, MixCurveView, MixView, MixesAnswer, VerificationView,
};
use daemon_api::trouble::TroubleView;
use daemon_core::config::{KnownCurve, Mix};
use daemon_core::curve_points::{judged_by, pour_count_to_verify, verifies_heated};
use daemon_core::estimate::curve_standing;
use daemon_core::plant::Plant;
use daemon_core::time::UtcMs;

use super::utc;

/// So many points and breaks apart are shown of a curve.
const SHOWN_COUNT: usize = 10;

/// Every mix, in the order of the plant file.
#[must_use]
pub fn mixes(plant: &Plant, troubles: &[TroubleView], now: UtcMs) -> MixesAnswer {
    let of_curves = troubles.iter().filter(|one| {
        one.kind == "curve-drifts"
            || ["curve-file", "curve-list", "curve-record"]
                .iter()
                .any(|kind| one.kind.starts_with(kind))
    });
    MixesAnswer {
        now: utc(now),
        mixes: plant
            .config()
            .mixes
            .iter()
            .map(|one| mix(plant, one, now))
            .collect(),
        troubles: of_curves.cloned().collect(),
    }
}

fn mix(plant: &Plant, mix: &Mix, now: UtcMs) -> MixView {
    let mut curves: Vec<&KnownCurve> = plant
        .config()
        .curves
        .iter()
        .filter(|one| one.file.mix == mix.id)
        .collect();
    curves.sort_by_key(|one| (std::cmp::Reverse(one.file.made_at), &one.digest));
    MixView {
        mix: mix.id.clone(),
        curves: curves.iter().map(|one| curve(plant, one, now)).collect(),
    }
}

fn curve(plant: &Plant, known: &KnownCurve, now: UtcMs) -> MixCurveView {
    let verdict = plant.curve_verdict(&known.digest);
    let settings = &plant.config().estimate;
    let verification = match verdict {
        Some(verdict) => verification(&verdict.of_all, settings.pour_cv),
        None => verification(&judged_by(known, &[], settings), settings.pour_cv),
    };
    let verified = verdict.is_some_and(verifies_heated);
    let (standing, note) = curve_standing(plant.config(), known, now);
    MixCurveView {
        digest: known.digest.clone(),
        name: known.file.name.clone(),
        made_at: known.file.made_at,
        standing: standing.name().to_owned(),
        note,
        cured: match known.file.specimens.cured {
            Cured::Standard => "standard",
            Cured::HeatCured => "heat-cured",
            Cured::MatchCured => "match-cured",
        }
        .to_owned(),
        maturity_unit: known.file.maturity.unit().symbol().to_owned(),
        advises_only: known.file.specimens.cured == Cured::Standard && !verified,
        heated_pour_count: verdict.map_or(0, |one| one.of_heated.points.len()),
        verification,
    }
}

fn verification(judged: &Verification, plant_cv: f64) -> VerificationView {
    let apart = judged.apart.iter().rev().take(SHOWN_COUNT);
    let points = judged.points.iter().rev().take(SHOWN_COUNT);
    VerificationView {
        state: match judged.state {
            CurveState::NotVerified { .. } => "not-verified",
            CurveState::Holds => "holds",
            CurveState::Drifts => "drifts",
        }
        .to_owned(),
        pour_count: judged.points.len(),
        needed_count: pour_count_to_verify(),
        bias: judged.bias,
        bias_half_width: judged.bias_half_width,
        scatter_cv: judged.scatter_cv,
        // Without points estimates count with the plant's own figure, to the last digit.
        pour_cv: if judged.points.is_empty() {
            plant_cv
        } else {
            judged.pour_cv
        },
        run_length_below: judged.run_length_below,
        run_length_above: judged.run_length_above,
        signs: judged.signs.iter().map(|sign| sign.sentence()).collect(),
        points: points.map(point).collect(),
        apart: apart
            .map(|(broken, why)| ApartView {
                pour: broken.pour.clone(),
                broken_at: broken.broken_at,
                measured_mpa: broken.measured_mpa,
                why: why.sentence().to_owned(),
            })
            .collect(),
    }
}

fn point(point: &VerificationPoint) -> CurvePointView {
    CurvePointView {
        pour: point.broken.pour.clone(),
        broken_at: point.broken.broken_at,
        maturity: point.broken.own_maturity.unwrap_or_default(),
        measured_mpa: point.broken.measured_mpa,
        estimated_mpa: point.estimated_mpa,
        difference: point.broken.measured_mpa / point.estimated_mpa - 1.0,
        sum_below: point.sum_below,
        sum_above: point.sum_above,
    }
}
