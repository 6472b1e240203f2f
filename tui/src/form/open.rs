//! Forms as they open, filled with what is known.

use daemon_api::act::SetPurpose;
use daemon_api::pour::{CylinderSetView, PourView};
use units::UnitSystem;
use uuid::Uuid;

use super::{Control, Field, FieldKey, Form, FormKind, Switch};
use crate::times::Zone;
use crate::words;

pub(super) const AT_HINT: &str = "\"now\", a clock time such as 21:40, or an instant";
const BY_HINT: &str = "your name; recorded as typed, nobody verifies it";

fn form(kind: FormKind, title: String, pour: &PourView, fields: Vec<Field>) -> Form {
    Form {
        kind,
        id: Uuid::now_v7(),
        title,
        bed: pour.bed.clone(),
        pour: pour.pour.clone(),
        fields,
        focus: 0,
        problem: None,
        is_sending: false,
        scroll: 0,
        check: Default::default(),
        sent: None,
    }
}

pub(super) fn by_field(by: &str) -> Field {
    Field::text(FieldKey::By, "by", by, BY_HINT)
}

/// Heat on or off, tarp lifted or back. With a name known it waits for one more key only.
pub fn switch_form(switch: Switch, pour: &PourView, by: &str) -> Form {
    let fields = vec![
        by_field(by),
        Field::text(FieldKey::At, "at", "now", AT_HINT),
        Field::text(FieldKey::Why, "why", "", "may stay empty"),
    ];
    let title = format!("{}: {}", pour.bed, switch.words());
    let mut form = form(FormKind::Switch(switch), title, pour, fields);
    if !by.is_empty() {
        form.focus = form.fields.len();
    }
    form
}

/// A break of one set, or a sentence why none can be entered.
pub fn break_form(pour: &PourView, by: &str, units: UnitSystem) -> Result<Form, String> {
    let sets: Vec<&CylinderSetView> = pour
        .cylinder_sets
        .iter()
        .filter(|set| set.left_count > 0)
        .collect();
    if sets.is_empty() {
        return Err(format!(
            "Pour {} has no cylinders left to break: record the set first with \"tarplight cylinders \
             made\".",
            pour.pour
        ));
    }
    let chosen = sets
        .iter()
        .position(|set| set.made.purpose == SetPurpose::Release)
        .unwrap_or(0);
    let options = sets.iter().map(|set| set.made.set.clone()).collect();
    let fields = vec![
        Field {
            key: FieldKey::Set,
            label: "set".to_owned(),
            hint: "← → choose",
            control: Control::Choice { options, chosen },
        },
        Field {
            key: FieldKey::Unit,
            label: "unit".to_owned(),
            hint: "← → choose; of results typed without a unit",
            control: Control::Choice {
                options: match units {
                    UnitSystem::Us => ["psi", "lbf", "MPa", "kN"],
                    UnitSystem::Si => ["MPa", "kN", "psi", "lbf"],
                }
                .map(str::to_owned)
                .to_vec(),
                chosen: 0,
            },
        },
        Field::text(
            FieldKey::PulledAt,
            "pulled at",
            "",
            "when they left the tarp; empty: when tested",
        ),
        Field::text(FieldKey::At, "tested at", "now", AT_HINT),
        by_field(by),
        Field::text(
            FieldKey::Why,
            "why",
            "",
            "needed for a set that was not made for release",
        ),
    ];
    let title = format!("{}: enter a break", pour.bed);
    let mut form = form(FormKind::Break, title, pour, fields);
    fill_specimens(&mut form, pour);
    // Set and unit are chosen already; the first result is what is typed first.
    form.focus = SPECIMENS_AT;
    Ok(form)
}

/// The specimens stand after the set and the unit.
const SPECIMENS_AT: usize = 2;

/// Makes the specimens' fields of the chosen set, after the set itself.
pub fn fill_specimens(form: &mut Form, pour: &PourView) {
    form.fields
        .retain(|field| !matches!(field.key, FieldKey::Specimen(_)));
    let set_name = form.value(&FieldKey::Set);
    let Some(set) = pour
        .cylinder_sets
        .iter()
        .find(|set| set.made.set == set_name)
    else {
        return;
    };
    let fields = set.made.specimens.iter().map(|name| {
        Field::text(
            FieldKey::Specimen(name.clone()),
            name.clone(),
            "",
            "\"3590\" in the unit above, \"50265 lbf\" or \"50265 lbf 4 in\"; empty: not broken",
        )
    });
    form.fields.splice(SPECIMENS_AT..SPECIMENS_AT, fields);
}

/// A position left out of the release judgement or taken back, or a sentence why there is none.
pub fn exclude_form(pour: &PourView, by: &str) -> Result<Form, String> {
    if pour.positions.is_empty() {
        return Err(format!("Pour {} has no measured position.", pour.pour));
    }
    let options = pour.positions.iter().map(|one| one.position.clone());
    let fields = vec![
        Field {
            key: FieldKey::Position,
            label: "position".to_owned(),
            hint: "← → choose",
            control: Control::Choice {
                options: options.collect(),
                chosen: 0,
            },
        },
        Field::text(
            FieldKey::Why,
            "why",
            "",
            "needed to leave it out: what is wrong with it",
        ),
        Field::text(FieldKey::At, "at", "now", AT_HINT),
        by_field(by),
    ];
    let title = format!("{}: leave a position out, or take it back", pour.bed);
    Ok(form(FormKind::Exclude, title, pour, fields))
}

/// Cylinders taken from under the tarp.
pub fn pulled_form(pour: &PourView, by: &str) -> Result<Form, String> {
    if pour.cylinder_sets.is_empty() {
        return Err(format!(
            "Pour {} has no cylinders: record the set first with \"tarplight cylinders made\".",
            pour.pour
        ));
    }
    let options = pour
        .cylinder_sets
        .iter()
        .map(|set| set.made.set.clone())
        .collect();
    let fields = vec![
        Field {
            key: FieldKey::Set,
            label: "set".to_owned(),
            hint: "← → choose",
            control: Control::Choice { options, chosen: 0 },
        },
        Field::text(
            FieldKey::Specimens,
            "specimens",
            "",
            "names with commas; empty: the whole set",
        ),
        by_field(by),
        Field::text(FieldKey::At, "at", "now", AT_HINT),
    ];
    let title = format!("{}: cylinders pulled", pour.bed);
    Ok(form(FormKind::CylindersPulled, title, pour, fields))
}

/// The release of the pour's line: every break of the line can be chosen, those that confirm are.
pub fn release_form(pour: &PourView, line_pours: &[&PourView], by: &str, zone: Zone) -> Form {
    let mut fields = Vec::new();
    for one in line_pours {
        for set in &one.cylinder_sets {
            for result in &set.breaks {
                fields.push(Field {
                    key: FieldKey::UseBreak(result.id),
                    label: format!(
                        "{} set {} {}: {}",
                        one.pour,
                        set.made.set,
                        zone.clock(result.tested_at),
                        result.short,
                    ),
                    hint: "Space: rely on this break or not",
                    control: Control::Check(one.confirmation.breaks.contains(&result.id)),
                });
            }
        }
    }
    let needs_reason = line_pours.iter().any(|one| words::lacks_estimate(one));
    fields.push(by_field(by));
    // Only where it is needed: what stands in the record as the reason is nothing else.
    if needs_reason {
        fields.push(Field::text(
            FieldKey::Why,
            "reason without estimate",
            "",
            "needed: why it may be released though no estimate supports it",
        ));
    }
    fields.push(Field::text(
        FieldKey::LineName,
        format!("type the line's name, {}", pour.line),
        "",
        "so that no other line is signed by mistake",
    ));
    let title = format!("Sign the release of line {}", pour.line);
    let kind = FormKind::Release {
        line: pour.line.clone(),
        needs_reason,
    };
    let mut form = form(kind, title, pour, fields);
    let first = [FieldKey::By, FieldKey::Why, FieldKey::LineName];
    let empty = first.iter().find(|key| {
        let mut fields = form.fields.iter();
        fields.any(|field| field.key == **key && field.value().is_empty())
    });
    // What must be typed comes first; breaks that confirm are ticked already.
    let at = empty.and_then(|key| form.fields.iter().position(|field| field.key == *key));
    form.focus = at.unwrap_or(0);
    form
}
