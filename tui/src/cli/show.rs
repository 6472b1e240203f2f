//! Questions at the command line: the yard, a bed, the troubles and the acts as text or JSON.

use anyhow::bail;
use daemon_api::bed::{BedView, PlantSnapshot};
use daemon_api::client::ClientError;
use daemon_api::effect::RecordEntry;
use daemon_api::pour::PourView;
use units::{Celsius, Show};

use super::send::{Desk, Plant, print};
use crate::times::span_text;
use crate::{names, words};

pub async fn show(desk: &Desk, bed: Option<&str>, json: bool) -> anyhow::Result<()> {
    let Some(name) = bed else {
        let plant = desk.plant().await?;
        if json {
            return Ok(print(
                &(serde_json::to_string_pretty(&plant.snapshot)? + "\n"),
            )?);
        }
        return Ok(print(&yard_text(&plant))?);
    };
    let plant = desk.plant().await?;
    let Some(bed) = names::find(&plant.snapshot.beds, name, |bed| &bed.bed) else {
        return pour(desk, &plant, name, json).await;
    };
    let view = desk.client.bed(&bed.bed).await?;
    if json {
        return Ok(print(&(serde_json::to_string_pretty(&view)? + "\n"))?);
    }
    Ok(print(&bed_text(&plant, &view))?)
}

/// One pour, on its bed or finished.
async fn pour(desk: &Desk, plant: &Plant, name: &str, json: bool) -> anyhow::Result<()> {
    // A finished pour is known to the daemon alone; those on the beds are found in any case.
    let pours: Vec<&PourView> = plant
        .snapshot
        .beds
        .iter()
        .flat_map(|bed| &bed.pours)
        .collect();
    let known = names::find(&pours, name, |pour| &pour.pour).map_or(name, |pour| &pour.pour);
    let view = match desk.client.pour(known).await {
        Ok(view) => view,
        Err(ClientError::Problem(problem)) => {
            let beds: Vec<&str> = plant.snapshot.beds.iter().map(|bed| &*bed.bed).collect();
            bail!("{problem} The beds are {}.", beds.join(", "))
        }
        Err(other) => return Err(other.into()),
    };
    if json {
        return Ok(print(&(serde_json::to_string_pretty(&view)? + "\n"))?);
    }
    Ok(print(&pour_in_depth(plant, &view))?)
}

/// A bed as `tarplight show BED` prints it; empty where the plant has no such bed.
#[must_use]
pub fn bed_as_text(snapshot: &PlantSnapshot, bed: &str) -> String {
    let plant = Plant::of(snapshot.clone(), None);
    let view = snapshot.beds.iter().find(|view| view.bed == bed);
    view.map_or_else(String::new, |view| bed_text(&plant, view))
}

/// The yard, a paragraph per pour: an estimate never stands without what the cylinders say.
fn yard_text(plant: &Plant) -> String {
    let mut text = format!(
        "{}, {}\n",
        plant.snapshot.plant.name,
        plant.zone.full(plant.now)
    );
    if !plant.snapshot.plant.store.writing {
        text.push_str("NOTHING IS BEING RECORDED: the store cannot write\n");
    }
    text.push_str(&format!(
        "{}\n",
        words::plural(plant.snapshot.troubles.len(), "trouble")
    ));
    for bed in &plant.snapshot.beds {
        if bed.pours.is_empty() {
            text.push_str(&format!("{}: no pour\n", bed.bed));
        }
        for pour in &bed.pours {
            text.push_str(&pour_text(plant, pour));
        }
    }
    text
}

fn pour_text(plant: &Plant, pour: &PourView) -> String {
    let units = plant.units;
    let mut text = format!(
        "{}, concrete {} {}\n",
        words::pour_heading(pour),
        words::temperatures_short(pour, units),
        Celsius::unit(units),
    );
    text.push_str(&format!(
        "    {}, required {}\n    {}\n    {}\n",
        words::estimate_of(pour, units),
        words::strength(pour.release_strength_mpa, units),
        pour.confirmation.words,
        words::forecast(&pour.forecast, plant.zone, plant.now),
    ));
    for hold in &pour.release_holds {
        text.push_str(&format!("    release hold: {}\n", hold.text));
    }
    for hold in &pour.piece_holds {
        text.push_str(&format!(
            "    piece hold (do not ship until the engineer decides): {}\n",
            hold.text
        ));
    }
    text
}

fn bed_text(plant: &Plant, bed: &BedView) -> String {
    let mut text = String::new();
    if bed.pours.is_empty() {
        text.push_str(&format!("{}: no pour\n", bed.bed));
    }
    for pour in &bed.pours {
        text.push_str(&pour_in_depth(plant, pour));
    }
    for trouble in &bed.troubles {
        text.push_str(&format!(
            "    {}: {} First: {}\n",
            words::urgency(trouble.urgency),
            trouble.what,
            trouble.first_act
        ));
    }
    text
}

fn pour_in_depth(plant: &Plant, pour: &PourView) -> String {
    let units = plant.units;
    let mut text = pour_text(plant, pour);
    for caution in &pour.cautions {
        text.push_str(&format!("    caution: {}\n", caution.text));
    }
    text.push_str(&format!(
        "    {}\n",
        words::heat_and_tarp(pour, plant.zone, plant.now)
    ));
    for position in &pour.positions {
        let governs = if pour.governing_position.as_ref() == Some(&position.position) {
            ", governs"
        } else {
            ""
        };
        text.push_str(&format!(
            "    position {}: {}, {}, {}{governs}\n",
            position.position,
            words::temperature(position.temperature_c, units),
            words::trust(&position.trust),
            words::estimate_at(pour, &position.estimate, units),
        ));
        if let Some(reason) = &position.excluded {
            text.push_str(&format!("        EXCLUDED: {reason}\n"));
        }
    }
    for set in &pour.cylinder_sets {
        text.push_str(&format!("    {}\n", words::set_words(set, units)));
        for result in &set.breaks {
            text.push_str(&format!(
                "        {}: {}; by {} (not verified), id {}\n",
                plant.zone.clock_near(result.tested_at, plant.now),
                result.words,
                result.by,
                result.id,
            ));
        }
    }
    text
}

pub async fn troubles(desk: &Desk, json: bool) -> anyhow::Result<()> {
    let plant = desk.plant().await?;
    if json {
        return Ok(print(
            &(serde_json::to_string_pretty(&plant.snapshot.troubles)? + "\n"),
        )?);
    }
    let mut text = String::new();
    for trouble in &plant.snapshot.troubles {
        text.push_str(&format!(
            "{:<5} {:<6} since {} ({}): {}\n      First: {}\n",
            words::urgency(trouble.urgency),
            trouble.bed.as_deref().unwrap_or("plant"),
            plant.zone.clock_near(trouble.since, plant.now),
            span_text(plant.now - trouble.since),
            trouble.what,
            trouble.first_act,
        ));
    }
    if text.is_empty() {
        text.push_str("Nothing needs a person.\n");
    }
    Ok(print(&text)?)
}

pub async fn acts(desk: &Desk, pour: Option<&str>, json: bool) -> anyhow::Result<()> {
    let mut text = String::new();
    if json {
        for act in &desk.client.acts(pour).await? {
            text.push_str(&(serde_json::to_string(act)? + "\n"));
        }
        return Ok(print(&text)?);
    }
    let plant = desk.plant().await?;
    for entry in &desk.client.record(pour).await? {
        text.push_str(&entry_text(&plant, entry));
    }
    Ok(print(&text)?)
}

fn entry_text(plant: &Plant, entry: &RecordEntry) -> String {
    let act = &entry.act;
    let pour = match &*act.pour {
        "" => String::new(),
        pour => format!(", pour {pour}"),
    };
    let struck = entry.struck.as_ref().map_or_else(String::new, |struck| {
        let replaced = struck.replaced_by.as_ref();
        let what =
            replaced.map_or_else(|| "STRUCK".to_owned(), |now| format!("CORRECTED to {now}"));
        format!(
            "\n     {what}, by {} {} {} (not verified), because {}",
            struck.by,
            plant.zone.date(struck.at),
            plant.zone.clock(struck.at),
            struck.why
        )
    });
    format!(
        "{:>4} {} {}: {}{pour}, by {} (not verified), id {}{struck}\n",
        entry.sequence,
        plant.zone.date(act.happened_at),
        plant.zone.clock(act.happened_at),
        entry.text,
        act.by,
        act.id,
    )
}
