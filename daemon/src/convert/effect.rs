//! What an act would change, as the answer to a dry run.

use daemon_api::effect::{ActEffect, BrokenEffect, PourEffect, PourStanding};
use daemon_core::act::Act;
use daemon_core::assessment::PourAssessment;
use daemon_core::plant::PourChange;

use super::view;

/// What an act changes of each pour that it bears on.
#[must_use]
pub fn effect(act: &Act, changes: &[PourChange]) -> ActEffect {
    let pours = changes.iter().filter_map(|change| {
        let known = change.after.as_ref().or(change.before.as_ref())?;
        Some(PourEffect {
            pour: change.pour.clone(),
            bed: known.record.facts.bed.clone(),
            before: change.before.as_ref().map(standing),
            after: change.after.as_ref().map(standing),
        })
    });
    let after = changes.iter().filter_map(|change| change.after.as_ref());
    let mut broken = after.filter_map(|pour| broken_by(act, pour));
    ActEffect {
        pours: pours.collect(),
        broken: broken.next(),
    }
}

fn standing(pour: &PourAssessment) -> PourStanding {
    let confirmed = pour.positions.iter().filter(|one| one.confirmed);
    PourStanding {
        status: view::status(pour.status),
        confirmation: view::confirmation(&pour.confirmation),
        confirmed: confirmed.map(|one| one.id.clone()).collect(),
        release_holds: view::notes(&pour.release_holds),
        piece_holds: view::notes(&pour.piece_holds),
        release: pour.record.release.as_ref().map(view::signed),
    }
}

/// The break that an act records or corrects.
fn broken_by(act: &Act, pour: &PourAssessment) -> Option<BrokenEffect> {
    let judged = pour.breaks.iter().find(|one| one.id == act.id)?;
    let recorded = pour.record.breaks.iter().find(|one| one.id == act.id)?;
    let purpose = pour.record.sets.get(&judged.set)?.purpose;
    let specimens = recorded.result.specimens.iter();
    Some(BrokenEffect {
        set: judged.set.clone(),
        specimens: specimens.map(|one| one.specimen.clone()).collect(),
        judged: view::judged_break(judged, purpose),
        verdict: judged.words.clone(),
    })
}
