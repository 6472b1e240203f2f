//! From the entries of a form to the act, with a sentence for every entry that is wrong.

use chrono::{DateTime, Utc};
use daemon_api::act::{ACT_VERSION, Act, ActBody, BreakResult, ReleaseSigned};
use daemon_api::pour::PourView;

use super::{Control, FieldKey, Form, FormKind, Switch, watch};
use crate::entry;
use crate::times::Zone;
use crate::when::{self, Beginning};

/// What the checks need to know besides the form.
#[derive(Debug)]
pub struct Context<'a> {
    pub now: DateTime<Utc>,
    pub zone: Zone,
    /// Absent for what is of the whole plant.
    pub pour: Option<&'a PourView>,
}

/// A wrong entry: where the focus goes, and what to do.
#[derive(Debug, PartialEq, Eq)]
pub struct FieldProblem {
    pub field: usize,
    pub sentence: String,
}

pub fn act(form: &Form, context: &Context<'_>) -> Result<Act, FieldProblem> {
    let by = form.value(&FieldKey::By);
    if by.is_empty() {
        return Err(problem(
            form,
            &FieldKey::By,
            "Type your name: every act says who did it.",
        ));
    }
    let why = Some(form.value(&FieldKey::Why)).filter(|why| !why.is_empty());
    let (body, why, happened_at) = match &form.kind {
        FormKind::Switch(switch) => {
            let body = match switch {
                Switch::HeatOn => ActBody::HeatOn {},
                Switch::HeatOff => ActBody::HeatOff {},
                Switch::TarpLifted => ActBody::TarpLifted {},
                Switch::TarpBack => ActBody::TarpBack {},
            };
            (body, why, time(form, context, &FieldKey::At)?)
        }
        FormKind::CylindersPulled => {
            let set = form.value(&FieldKey::Set);
            let specimens = entry::names(&form.value(&FieldKey::Specimens));
            let body = ActBody::CylindersPulled { set, specimens };
            (body, why, time(form, context, &FieldKey::At)?)
        }
        FormKind::Exclude => {
            let body = excluded(form, context, why.is_none())?;
            (body, why, time(form, context, &FieldKey::At)?)
        }
        FormKind::Break => {
            let result = break_result(form, context)?;
            let tested_at = result.tested_at;
            (ActBody::BreakRecorded(result), why, tested_at)
        }
        FormKind::Alarm { word, alarm } => {
            let body = watch::alarm_said(form, context, *word, alarm)?;
            (body, why, context.now)
        }
        FormKind::Note => {
            if why.is_none() {
                let sentence = "Type the note: what the next person should know.";
                return Err(problem(form, &FieldKey::Why, sentence));
            }
            (
                ActBody::ShiftNoted {},
                why,
                time(form, context, &FieldKey::At)?,
            )
        }
        FormKind::HandOver => {
            let to = form.value(&FieldKey::To);
            if to.is_empty() {
                let sentence = "Type the name of the person who takes the shift over.";
                return Err(problem(form, &FieldKey::To, sentence));
            }
            (ActBody::ShiftHandedOver { to }, why, context.now)
        }
        FormKind::Release { line, needs_reason } => {
            let body = release(form, context, line, *needs_reason)?;
            (ActBody::ReleaseSigned(body), None, context.now)
        }
    };
    Ok(Act {
        id: form.id,
        version: ACT_VERSION,
        recorded_at: None,
        happened_at,
        by,
        why,
        accept: form.accepted(),
        pour: form.pour.clone(),
        body,
    })
}

/// What is left out is taken back by the same form.
fn excluded(
    form: &Form,
    context: &Context<'_>,
    lacks_reason: bool,
) -> Result<ActBody, FieldProblem> {
    let position = form.value(&FieldKey::Position);
    let mut positions = context.pour.iter().flat_map(|pour| &pour.positions);
    let is_excluded = positions.any(|one| one.position == position && one.excluded.is_some());
    if is_excluded {
        return Ok(ActBody::PositionRestored { position });
    }
    if lacks_reason {
        let sentence = "Type why it is left out: the reason stands in the release.";
        return Err(problem(form, &FieldKey::Why, sentence));
    }
    Ok(ActBody::PositionExcluded { position })
}

pub(super) fn problem(form: &Form, key: &FieldKey, sentence: impl Into<String>) -> FieldProblem {
    let field = form
        .fields
        .iter()
        .position(|field| field.key == *key)
        .unwrap_or(0);
    FieldProblem {
        field,
        sentence: sentence.into(),
    }
}

fn time(form: &Form, context: &Context<'_>, key: &FieldKey) -> Result<DateTime<Utc>, FieldProblem> {
    let typed = form.value(key);
    let beginning = context.pour.and_then(Beginning::of);
    when::done(context.zone, &typed, context.now, beginning.as_ref())
        .map_err(|wrong| problem(form, key, format!("{wrong}.")))
}

fn break_result(form: &Form, context: &Context<'_>) -> Result<BreakResult, FieldProblem> {
    let set = form.value(&FieldKey::Set);
    let mut specimens = Vec::new();
    for (at, field) in form.fields.iter().enumerate() {
        let FieldKey::Specimen(name) = &field.key else {
            continue;
        };
        let typed = field.value();
        if typed.is_empty() {
            continue;
        }
        let typed = entry::with_unit(&typed, &form.value(&FieldKey::Unit));
        specimens.push(entry::specimen(name, &typed).map_err(|wrong| FieldProblem {
            field: at,
            sentence: wrong.to_string(),
        })?);
    }
    if specimens.is_empty() {
        let sentence = "No result was typed: give each broken specimen's load or strength.";
        return Err(FieldProblem {
            field: 1.min(form.fields.len() - 1),
            sentence: sentence.into(),
        });
    }
    let tested_at = time(form, context, &FieldKey::At)?;
    let pulled_at = if form.value(&FieldKey::PulledAt).is_empty() {
        None
    } else {
        Some(time(form, context, &FieldKey::PulledAt)?)
    };
    if pulled_at.is_some_and(|pulled_at| pulled_at > tested_at) {
        let sentence = "They were pulled after they were tested: correct one of the two times.";
        return Err(problem(form, &FieldKey::PulledAt, sentence));
    }
    Ok(BreakResult {
        set,
        pulled_at,
        tested_at,
        specimens,
    })
}

fn release(
    form: &Form,
    context: &Context<'_>,
    line: &str,
    needs_reason: bool,
) -> Result<ReleaseSigned, FieldProblem> {
    let breaks: Vec<_> = form
        .fields
        .iter()
        .filter_map(|field| match (&field.key, &field.control) {
            (FieldKey::UseBreak(id), Control::Check(true)) => Some(*id),
            _ => None,
        })
        .collect();
    if breaks.is_empty() {
        let sentence = "No break is chosen: a release rests on cylinders that were broken.";
        return Err(FieldProblem {
            field: 0,
            sentence: sentence.into(),
        });
    }
    let reason = form.value(&FieldKey::Why);
    if needs_reason && reason.is_empty() {
        let sentence = "No estimate supports this release: give the reason for signing it.";
        return Err(problem(form, &FieldKey::Why, sentence));
    }
    if !form.value(&FieldKey::LineName).eq_ignore_ascii_case(line) {
        let sentence = format!("Type the line's name as it stands: {line}");
        return Err(problem(form, &FieldKey::LineName, sentence));
    }
    Ok(ReleaseSigned {
        pours: context
            .pour
            .map_or_else(Vec::new, |pour| pour.line_pours.clone()),
        breaks,
        reason_without_estimate: Some(reason).filter(|reason| !reason.is_empty()),
    })
}
