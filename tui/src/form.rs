//! Forms by which a person tells the daemon what was done: the fields, the checks, the act they make.

mod build;
mod check;
mod open;
mod watch;

use crossterm::event::{Event as TerminalEvent, KeyCode, KeyEvent};
use daemon_api::act::Act;
use tui_input::Input;
use tui_input::backend::crossterm::EventHandler;
use uuid::Uuid;

pub use build::{Context, FieldProblem};
pub use open::{break_form, exclude_form, fill_specimens, pulled_form, release_form, switch_form};
pub use watch::{AlarmWord, alarm_form, handover_form, note_form};

/// One form in progress.
#[derive(Debug)]
pub struct Form {
    pub kind: FormKind,
    /// Made once per form, so that sending again is the same act.
    pub id: Uuid,
    pub title: String,
    pub bed: String,
    pub pour: String,
    pub fields: Vec<Field>,
    /// The focused field; one past the last is the record button.
    pub focus: usize,
    /// What stands against it, in a sentence.
    pub problem: Option<String>,
    /// True while the answer is awaited.
    pub is_sending: bool,
    /// How far its information is scrolled.
    pub scroll: usize,
    /// What the daemon said it would change.
    check: check::Check,
    /// What was sent before without an answer, with the entries it was made from.
    sent: Option<(Vec<String>, Act)>,
}

/// What a form records.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum FormKind {
    Break,
    Release {
        line: String,
        needs_reason: bool,
    },
    CylindersPulled,
    /// A position left out of the release judgement, or taken back.
    Exclude,
    Switch(Switch),
    /// Something said to an alarm.
    Alarm {
        word: AlarmWord,
        alarm: String,
    },
    Note,
    HandOver,
}

/// The acts of one key.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Switch {
    HeatOn,
    HeatOff,
    TarpLifted,
    TarpBack,
}

impl Switch {
    pub fn words(self) -> &'static str {
        match self {
            Self::HeatOn => "heat on",
            Self::HeatOff => "heat off",
            Self::TarpLifted => "tarp lifted",
            Self::TarpBack => "tarp back",
        }
    }
}

/// What a field is for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum FieldKey {
    By,
    At,
    PulledAt,
    Until,
    To,
    Why,
    Set,
    Position,
    Specimen(String),
    Specimens,
    /// The unit of results typed without one.
    Unit,
    /// What is odd about the act, accepted by its name.
    Accept(String),
    UseBreak(Uuid),
    LineName,
}

/// One row of a form.
#[derive(Debug)]
pub struct Field {
    pub key: FieldKey,
    pub label: String,
    pub hint: &'static str,
    pub control: Control,
}

/// How a field is filled.
#[derive(Debug)]
pub enum Control {
    Text(Input),
    Choice { options: Vec<String>, chosen: usize },
    Check(bool),
}

impl Field {
    fn text(key: FieldKey, label: impl Into<String>, value: &str, hint: &'static str) -> Self {
        let control = Control::Text(Input::new(value.to_owned()));
        Self {
            key,
            label: label.into(),
            hint,
            control,
        }
    }

    /// The entry as text.
    pub fn value(&self) -> String {
        match &self.control {
            Control::Text(input) => input.value().trim().to_owned(),
            Control::Choice { options, chosen } => options[*chosen].clone(),
            Control::Check(is_checked) => is_checked.to_string(),
        }
    }
}

/// What a key did to a form.
#[derive(Debug, PartialEq, Eq)]
pub enum FormStep {
    /// The form stays open.
    Stay,
    /// The chosen set changed: the specimens' fields must be made again.
    SetChanged,
    /// The person put it away.
    Leave,
    /// The person asks to record it.
    Record,
}

impl Form {
    /// Takes a key in.
    pub fn key(&mut self, key: &KeyEvent) -> FormStep {
        if key.code == KeyCode::Esc {
            return FormStep::Leave;
        }
        if self.is_sending {
            return FormStep::Stay;
        }
        match key.code {
            KeyCode::Tab | KeyCode::Down => self.focus = (self.focus + 1) % (self.fields.len() + 1),
            KeyCode::BackTab | KeyCode::Up => {
                self.focus = self.focus.checked_sub(1).unwrap_or(self.fields.len());
            }
            KeyCode::PageDown => self.scroll += 5,
            KeyCode::PageUp => self.scroll = self.scroll.saturating_sub(5),
            KeyCode::Enter if self.focus == self.fields.len() => return FormStep::Record,
            KeyCode::Enter => self.focus = self.after_enter(),
            _ => return self.field_key(key),
        }
        FormStep::Stay
    }

    /// Enter goes on; on an empty field it goes to Record, or to the name where that is still missing.
    fn after_enter(&self) -> usize {
        let is_empty_text =
            |field: &Field| matches!(field.control, Control::Text(_)) && field.value().is_empty();
        if !self.fields.get(self.focus).is_some_and(is_empty_text) {
            return self.focus + 1;
        }
        let name = self
            .fields
            .iter()
            .position(|field| field.key == FieldKey::By);
        name.filter(|at| *at != self.focus && is_empty_text(&self.fields[*at]))
            .unwrap_or(self.fields.len())
    }

    /// True where the focus is on the choice of the set.
    pub fn is_at_set(&self) -> bool {
        let field = self.fields.get(self.focus);
        field.is_some_and(|field| field.key == FieldKey::Set)
    }

    fn field_key(&mut self, key: &KeyEvent) -> FormStep {
        let Some(field) = self.fields.get_mut(self.focus) else {
            return FormStep::Stay;
        };
        match &mut field.control {
            Control::Text(input) => {
                input.handle_event(&TerminalEvent::Key(*key));
                FormStep::Stay
            }
            Control::Check(is_checked) => {
                if matches!(
                    key.code,
                    KeyCode::Char(' ') | KeyCode::Left | KeyCode::Right
                ) {
                    *is_checked = !*is_checked;
                }
                FormStep::Stay
            }
            Control::Choice { options, chosen } => {
                match key.code {
                    KeyCode::Right | KeyCode::Char(' ') => *chosen = (*chosen + 1) % options.len(),
                    KeyCode::Left => *chosen = chosen.checked_sub(1).unwrap_or(options.len() - 1),
                    _ => return FormStep::Stay,
                }
                FormStep::SetChanged
            }
        }
    }

    /// Takes pasted text into the focused text field, without its line ends.
    pub fn paste(&mut self, text: &str) {
        if let Some(Field {
            control: Control::Text(input),
            ..
        }) = self.fields.get_mut(self.focus)
        {
            for character in text.chars().filter(|c| !c.is_control()) {
                input.handle(tui_input::InputRequest::InsertChar(character));
            }
        }
    }

    /// The entry of a field, empty where the form has none.
    pub fn value(&self, key: &FieldKey) -> String {
        self.fields
            .iter()
            .find(|field| field.key == *key)
            .map_or_else(String::new, Field::value)
    }

    fn values(&self) -> Vec<String> {
        self.fields.iter().map(Field::value).collect()
    }

    /// The act as the entries stand, for a question that records nothing.
    ///
    /// # Errors
    /// The field that is wrong and a sentence that says what to do.
    pub fn draft(&self, context: &Context<'_>) -> Result<Act, FieldProblem> {
        build::act(self, context)
    }

    /// The act this form makes. Entries unchanged since an unanswered sending give the very same
    /// act, so that "now" does not move and the daemon knows it again.
    ///
    /// # Errors
    /// The field that is wrong and a sentence that says what to do.
    pub fn act(&mut self, context: &Context<'_>) -> Result<Act, FieldProblem> {
        let values = self.values();
        if let Some((sent_values, act)) = &self.sent
            && *sent_values == values
        {
            return Ok(act.clone());
        }
        let act = build::act(self, context)?;
        self.sent = Some((values, act.clone()));
        Ok(act)
    }
}
