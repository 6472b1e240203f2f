//! Breaks of a mix with their specimens' temperatures, read back from the record for the lab.

use std::collections::BTreeSet;

use daemon_api::mix::{BreaksAnswer, BrokenSpecimenView, OwnTemperature, SpecimenBreakView};
use daemon_core::act::{ChannelRole, SetPurpose};
use daemon_core::plant::{Plant, SpecimenBreak};
use daemon_core::pour::PourRecord;
use daemon_core::time::UtcMs;
use daemon_store::{Reader, StoreError};

use crate::convert::reading::stored;
use crate::convert::utc;
use crate::live::Live;

/// Readings are read back from this long before a pour began, h: they tell whether a clock was wrong.
const BEFORE_BEGIN_H: f64 = 1.0;

/// The breaks of a mix that were tested since `from`, or all, in order of testing.
pub fn mix_breaks(live: &Live, mix: &str, from: Option<UtcMs>) -> Result<BreaksAnswer, StoreError> {
    let is_asked = |record: &PourRecord| {
        let is_since = |at: UtcMs| from.is_none_or(|from| at >= from);
        let mut breaks = record.breaks.iter();
        record.facts.mix == mix && breaks.any(|broken| is_since(broken.result.tested_at))
    };
    let (mut plant, pours) = {
        let known = live.plant();
        let records = known.pours().values().filter(|record| is_asked(record));
        let pours: Vec<(PourRecord, bool)> = records
            .map(|record| (PourRecord::clone(record), known.is_known_heated(&record.id)))
            .collect();
        (Plant::new(known.config().clone()), pours)
    };
    let names: BTreeSet<&str> = pours.iter().map(|(record, _)| &*record.id).collect();
    for act in live.acts().in_order() {
        if names.contains(&*act.core.pour) {
            plant.take_act(act.core.clone());
        }
    }
    let reader = Reader::open(&live.data_dir)?;
    let mut breaks = Vec::new();
    for (record, is_heated) in pours {
        take_specimen_readings(&mut plant, &reader, &record)?;
        let of_pour = plant.specimen_breaks(&record.id).into_iter();
        let since = of_pour.filter(|one| from.is_none_or(|from| one.tested_at >= from));
        breaks.extend(since.map(|one| view(&record.id, is_heated, one)));
    }
    breaks.sort_by(|a, b| (a.tested_at, &a.pour, &a.set).cmp(&(b.tested_at, &b.pour, &b.set)));
    Ok(BreaksAnswer {
        now: utc(live.clock.now()),
        mix: mix.to_owned(),
        breaks,
    })
}

/// Gives the plant what the sensors of a pour's cylinders measured.
fn take_specimen_readings(
    plant: &mut Plant,
    reader: &Reader,
    record: &PourRecord,
) -> Result<(), StoreError> {
    let from = record.begins_at().plus_hours(-BEFORE_BEGIN_H);
    let tested = record.breaks.iter().map(|broken| broken.result.tested_at);
    let to = tested.max().unwrap_or(from);
    let of_specimens = record
        .bindings
        .iter()
        .filter(|binding| binding.role == ChannelRole::Specimen);
    for binding in of_specimens {
        for row in reader.readings(&binding.channel, from.0..to.0 + 1)? {
            plant.take_reading(&stored(&row));
        }
    }
    Ok(())
}

fn view(pour: &str, is_heated: bool, one: SpecimenBreak) -> SpecimenBreakView {
    let specimens = one.strengths.into_iter();
    let temperatures = one.temperatures.into_iter();
    SpecimenBreakView {
        pour: pour.to_owned(),
        set: one.set,
        purpose: match one.purpose {
            SetPurpose::Release => daemon_api::act::SetPurpose::Release,
            SetPurpose::Later => daemon_api::act::SetPurpose::Later,
        },
        is_heated,
        tested_at: utc(one.tested_at),
        left_tarp_at: utc(one.left_tarp_at),
        placed_at: utc(one.placed_at),
        batched_at: utc(one.batched_at),
        diameter_mm: one.diameter_mm,
        length_mm: one.length_mm,
        specimens: specimens
            .map(|(specimen, strength_mpa)| BrokenSpecimenView {
                specimen,
                strength_mpa,
            })
            .collect(),
        temperatures: temperatures
            .map(|(at, temperature_c)| OwnTemperature {
                at: utc(at),
                temperature_c,
            })
            .collect(),
    }
}
