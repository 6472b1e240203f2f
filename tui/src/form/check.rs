//! What the daemon says an act would change, read in the form before it is recorded.

use daemon_api::act::ActAnswer;
use daemon_api::effect::Odd;

use super::{Control, Field, FieldKey, Form, FormKind};
use crate::event::ActFailure;

/// How far the check of a form has come.
#[derive(Debug, Default)]
pub enum Check {
    #[default]
    None,
    /// Asked for these entries.
    Asked(Vec<String>),
    /// Answered for these entries.
    Answered(Vec<String>, Box<ActAnswer>),
}

impl Form {
    /// The entries on which the check depends: all but what is accepted.
    fn entries(&self) -> Vec<String> {
        let fields = self.fields.iter();
        fields
            .filter(|field| !matches!(field.key, FieldKey::Accept(_)))
            .map(Field::value)
            .collect()
    }

    /// The answer to what stands in the form now.
    pub fn checked(&self) -> Option<&ActAnswer> {
        match &self.check {
            Check::Answered(entries, answer) if *entries == self.entries() => Some(answer),
            _ => None,
        }
    }

    /// True while the answer is awaited.
    pub fn is_checking(&self) -> bool {
        matches!(&self.check, Check::Asked(entries) if *entries == self.entries())
    }

    /// True where the act must be checked before it may be recorded.
    pub fn needs_check(&self) -> bool {
        self.kind == FormKind::Break && self.checked().is_none()
    }

    /// True where the check should be asked now: everything stands and Record is reached.
    pub fn wants_check(&self) -> bool {
        let is_asked = matches!(&self.check, Check::Asked(entries) | Check::Answered(entries, _)
            if *entries == self.entries());
        self.kind == FormKind::Break
            && self.focus == self.fields.len()
            && !self.is_sending
            && !is_asked
    }

    /// Notes that the check was asked for.
    pub fn begin_check(&mut self) {
        self.check = Check::Asked(self.entries());
    }

    /// Takes the answer in; what is odd becomes a box to tick each.
    pub fn take_check(&mut self, answer: Result<ActAnswer, ActFailure>) {
        let Check::Asked(entries) = std::mem::take(&mut self.check) else {
            return;
        };
        if entries != self.entries() {
            return;
        }
        match answer {
            Ok(answer) => {
                self.add_boxes(&answer.odd);
                self.check = Check::Answered(entries, Box::new(answer));
            }
            Err(ActFailure::Odd(odd)) => self.ask_about(&odd),
            Err(ActFailure::Refused(sentence)) => {
                self.problem = Some(format!("It would be refused: {sentence}"));
            }
            Err(ActFailure::Unanswered(sentence)) => {
                self.problem = Some(format!(
                    "It could not be checked ({sentence}), and nothing is recorded. Record it again when the \
                     daemon is back."
                ));
            }
        }
    }

    /// Asks about what is odd where the act was not taken for it.
    pub fn ask_about(&mut self, odd: &[Odd]) {
        self.add_boxes(odd);
        let told: Vec<&str> = odd.iter().map(|odd| odd.text.as_str()).collect();
        self.problem = Some(format!(
            "Not recorded, something is odd: {} Correct it, or accept each by Space if it is meant.",
            told.join(" ")
        ));
    }

    /// A box for each odd thing, in place of those that were there.
    fn add_boxes(&mut self, odd: &[Odd]) {
        let was_at_record = self.focus >= self.fields.len();
        self.fields
            .retain(|field| !matches!(field.key, FieldKey::Accept(_)));
        self.fields.extend(odd.iter().map(|odd| Field {
            key: FieldKey::Accept(odd.name.clone()),
            label: format!("it is meant: {}", odd.name),
            hint: "Space: accept this although it is odd",
            control: Control::Check(false),
        }));
        if was_at_record || self.focus > self.fields.len() {
            self.focus = self.fields.len();
        }
    }

    /// The first odd thing that is not accepted: the place of its box.
    pub fn not_accepted(&self) -> Option<usize> {
        self.fields.iter().position(|field| {
            matches!(field.key, FieldKey::Accept(_))
                && matches!(field.control, Control::Check(false))
        })
    }

    /// The names of what is accepted.
    pub fn accepted(&self) -> Vec<String> {
        let fields = self.fields.iter();
        let accepted = fields.filter_map(|field| match (&field.key, &field.control) {
            (FieldKey::Accept(name), Control::Check(true)) => Some(name.clone()),
            _ => None,
        });
        accepted.collect()
    }

    /// What the cylinders say by it, in one sentence.
    pub fn verdict(&self) -> Option<&str> {
        let broken = self.checked()?.effect.as_ref()?.broken.as_ref()?;
        Some(&broken.verdict)
    }
}
