//! Forms of the watch: what a person says to an alarm, a note, and the end of a shift.

use daemon_api::act::ActBody;
use daemon_api::trouble::TroubleView;
use uuid::Uuid;

use super::build::{Context, FieldProblem, problem};
use super::open::{AT_HINT, by_field};
use super::{Field, FieldKey, Form, FormKind};
use crate::state::is_snoozed;
use crate::when;

/// What can be said to an alarm.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AlarmWord {
    Seen,
    Snooze,
    Wake,
    PutAway,
}

impl AlarmWord {
    pub fn words(self) -> &'static str {
        match self {
            Self::Seen => "seen",
            Self::Snooze => "snooze",
            Self::Wake => "wake",
            Self::PutAway => "put away",
        }
    }

    /// What it does and does not do.
    pub fn meaning(self) -> &'static str {
        match self {
            Self::Seen => {
                "You know of it and see to it: the bell and the calls stop. It stays in sight until it is over."
            }
            Self::Snooze => {
                "It is quiet until then and rings again if it still stands, or at once where it becomes worse."
            }
            Self::Wake => "It rings again at once.",
            Self::PutAway => "It is over and goes out of sight; the shift log keeps it.",
        }
    }
}

fn form(kind: FormKind, title: String, bed: &str, fields: Vec<Field>) -> Form {
    Form {
        kind,
        id: Uuid::now_v7(),
        title,
        bed: bed.to_owned(),
        pour: String::new(),
        fields,
        focus: 0,
        problem: None,
        is_sending: false,
        scroll: 0,
        check: Default::default(),
        sent: None,
    }
}

/// Something said to an alarm, or a sentence why that cannot be said to it.
pub fn alarm_form(word: AlarmWord, trouble: &TroubleView, by: &str) -> Result<Form, String> {
    let Some(alarm) = &trouble.alarm else {
        return Err("This daemon keeps no alarms: nothing can be said to it.".to_owned());
    };
    let is_snoozed = is_snoozed(trouble);
    match word {
        AlarmWord::Wake if !is_snoozed => {
            return Err("It is not snoozed: there is nothing to wake.".to_owned());
        }
        AlarmWord::PutAway if alarm.active => {
            return Err("It still stands: see to it first, or snooze it with z.".to_owned());
        }
        AlarmWord::Seen if alarm.word == "seen" => {
            let by = alarm.seen_by.as_deref().unwrap_or("somebody");
            return Err(format!("{by} has seen it already."));
        }
        _ => {}
    }
    // What is over but does not stay in sight by rule goes once it is seen.
    let word = match word {
        AlarmWord::PutAway if !alarm.latched => AlarmWord::Seen,
        word => word,
    };
    let mut fields = vec![by_field(by)];
    if word == AlarmWord::Snooze {
        let hint = "a span such as 45 min, or a clock time; 8 h ahead at most";
        fields.insert(0, Field::text(FieldKey::Until, "until", "30 min", hint));
        let hint = "needed: what is being done meanwhile";
        fields.insert(1, Field::text(FieldKey::Why, "why", "", hint));
    } else {
        fields.push(Field::text(FieldKey::Why, "why", "", "may stay empty"));
    }
    let bed = trouble.bed.as_deref().unwrap_or("plant");
    let title = format!("{bed}: {}", word.words());
    let kind = FormKind::Alarm {
        word,
        alarm: trouble.id.clone(),
    };
    let mut form = form(kind, title, bed, fields);
    if word != AlarmWord::Snooze && !by.is_empty() {
        form.focus = form.fields.len();
    }
    Ok(form)
}

/// A note for the shift log.
pub fn note_form(by: &str) -> Form {
    let fields = vec![
        Field::text(
            FieldKey::Why,
            "note",
            "",
            "what the next person should know",
        ),
        Field::text(FieldKey::At, "at", "now", AT_HINT),
        by_field(by),
    ];
    form(
        FormKind::Note,
        "A note for the shift log".to_owned(),
        "plant",
        fields,
    )
}

/// The end of a shift.
pub fn handover_form(by: &str) -> Form {
    let hint = "what the next shift must know; may stay empty";
    let fields = vec![
        Field::text(FieldKey::To, "to", "", "who takes it over"),
        Field::text(FieldKey::Why, "note", "", hint),
        by_field(by),
    ];
    form(
        FormKind::HandOver,
        "Hand the shift over".to_owned(),
        "plant",
        fields,
    )
}

/// What is said to an alarm, as an act.
pub(super) fn alarm_said(
    form: &Form,
    context: &Context<'_>,
    word: AlarmWord,
    alarm: &str,
) -> Result<ActBody, FieldProblem> {
    let alarm = alarm.to_owned();
    Ok(match word {
        AlarmWord::Seen => ActBody::AlarmSeen { alarm },
        AlarmWord::Wake => ActBody::AlarmWoken { alarm },
        AlarmWord::PutAway => ActBody::AlarmReset { alarm },
        AlarmWord::Snooze => {
            let typed = form.value(&FieldKey::Until);
            let until_at = when::snoozed_until(context.zone, &typed, context.now)
                .map_err(|wrong| problem(form, &FieldKey::Until, wrong.to_string()))?;
            if form.value(&FieldKey::Why).is_empty() {
                let sentence = "A snooze needs its reason: type what is being done meanwhile.";
                return Err(problem(form, &FieldKey::Why, sentence));
            }
            ActBody::AlarmSnoozed { alarm, until_at }
        }
    })
}
