//! What keys and the mouse do to the state.

use crossterm::event::{
    KeyCode, KeyEvent, KeyEventKind, KeyModifiers, MouseButton, MouseEvent, MouseEventKind,
};
use daemon_api::pour::PourView;
use units::UnitSystem;

use super::{Message, Order, Screen, State, is_open};
use crate::event::{Page, Request};
use crate::form::{self, AlarmWord, Context, Form, FormStep, Switch};
use crate::keys::{self, Action};

/// Screens that Esc goes back through.
const SCREENS_BEFORE_MAX: usize = 16;

impl State {
    pub(super) fn key(&mut self, key: &KeyEvent) -> Vec<Request> {
        if key.kind == KeyEventKind::Release {
            return Vec::new();
        }
        if key.modifiers.contains(KeyModifiers::CONTROL) && key.code == KeyCode::Char('c') {
            return vec![Request::Quit];
        }
        if self.form.is_some() {
            return self.form_key(key);
        }
        let Some(action) = keys::action(key) else {
            return Vec::new();
        };
        // A message has been read once the next key is pressed; Esc does nothing but put it away.
        let had_message = self.message.take().is_some();
        if action == Action::Back && had_message {
            self.is_leaving = false;
            return Vec::new();
        }
        if action == Action::Quit {
            return self.leave();
        }
        self.is_leaving = false;
        self.act_on(action)
    }

    fn act_on(&mut self, action: Action) -> Vec<Request> {
        match action {
            Action::Quit => {}
            Action::Yard => self.show(Screen::Yard),
            Action::Night => self.show(Screen::Night),
            Action::Troubles => self.show(Screen::Troubles),
            Action::Sources => self.show(Screen::Sources),
            Action::Mixes => self.show(Screen::Mixes),
            Action::Plan => self.show(Screen::Plan),
            Action::Log => self.show(Screen::Log),
            Action::History => self.show(Screen::History),
            Action::Changes => self.show(Screen::Changes),
            Action::Channels => {
                // Each time the page is opened, movements are counted anew.
                self.pages.channels_since_at = None;
                self.show(Screen::Channels);
            }
            Action::Far => self.show(Screen::Far),
            Action::Order => {
                let (order, sentence) = match self.order {
                    Order::Yard => (
                        Order::Urgency,
                        "Most urgent first: o again for the order of the yard.",
                    ),
                    Order::Urgency => (Order::Yard, "The beds stand in the order of the yard."),
                };
                self.order = order;
                self.message = Some(Message {
                    is_bad: false,
                    lines: vec![sentence.to_owned()],
                });
            }
            Action::Help => self.show(Screen::Help),
            Action::Open if matches!(self.screen, Screen::Yard | Screen::Night) => {
                self.show(Screen::Bed)
            }
            Action::Open if self.screen == Screen::Troubles => self.open_alarms_bed(),
            Action::Open => {}
            Action::Back => {
                let screen = self.before.pop().unwrap_or(Screen::Yard);
                self.screen = screen;
                self.scroll = 0;
            }
            Action::Up => self.step(-1),
            Action::Down => self.step(1),
            Action::PageUp => self.step(-self.page()),
            Action::PageDown => self.step(self.page()),
            Action::First => self.step(isize::MIN / 2),
            Action::Last => self.step(isize::MAX / 2),
            Action::PreviousBed => self.choose_by(-1),
            Action::NextBed => self.choose_by(1),
            Action::Units => {
                self.settings.units = Some(match self.units() {
                    UnitSystem::Si => UnitSystem::Us,
                    UnitSystem::Us => UnitSystem::Si,
                });
            }
            Action::Seen => self.open_alarm_form(AlarmWord::Seen),
            Action::Snooze => self.open_alarm_form(AlarmWord::Snooze),
            Action::Wake => self.open_alarm_form(AlarmWord::Wake),
            Action::PutAway => self.open_alarm_form(AlarmWord::PutAway),
            Action::Note => self.show_form(form::note_form(&self.settings.by)),
            Action::HandOver => {
                self.show_form(form::handover_form(&self.settings.by));
                // What the form shows of the shift comes with the log.
                return vec![Request::Page(Page::Log)];
            }
            Action::HeatOn => {
                self.open_form(|_, pour, by| Ok(form::switch_form(Switch::HeatOn, pour, by)))
            }
            Action::HeatOff => {
                self.open_form(|_, pour, by| Ok(form::switch_form(Switch::HeatOff, pour, by)))
            }
            Action::TarpLifted => {
                self.open_form(|_, pour, by| Ok(form::switch_form(Switch::TarpLifted, pour, by)));
            }
            Action::TarpBack => {
                self.open_form(|_, pour, by| Ok(form::switch_form(Switch::TarpBack, pour, by)))
            }
            Action::Break => {
                self.open_form(|state, pour, by| form::break_form(pour, by, state.units()))
            }
            Action::CylindersPulled => self.open_form(|_, pour, by| form::pulled_form(pour, by)),
            Action::Exclude => self.open_form(|_, pour, by| form::exclude_form(pour, by)),
            Action::Release => self.open_form(|state, pour, by| {
                if let Some(signed) = &pour.release {
                    return Err(format!(
                        "Line {} is released already: {} signed at {}.",
                        pour.line,
                        signed.by,
                        state.zone.clock_near(signed.at, state.plant_now())
                    ));
                }
                let line_pours = state.line_pours(pour);
                Ok(form::release_form(pour, &line_pours, by, state.zone))
            }),
        }
        Vec::new()
    }

    /// Leaves, but asks once where an alarm calls that nobody has seen.
    fn leave(&mut self) -> Vec<Request> {
        let calling = self.calling();
        let Some(first) = calling.first().filter(|_| !self.is_leaving) else {
            return vec![Request::Quit];
        };
        let what = format!(
            "Nobody has seen {} yet: {} {}. Press q again to leave, or t to see them.",
            crate::words::plural(calling.len(), "alarm"),
            first.bed.as_deref().unwrap_or("plant"),
            crate::words::trouble(first),
        );
        self.is_leaving = true;
        self.refuse(what);
        Vec::new()
    }

    /// Goes to the bed of the chosen alarm.
    fn open_alarms_bed(&mut self) {
        let bed = self.chosen_alarm().and_then(|one| one.bed.clone());
        let rows = self.rows();
        let mut rows = rows.iter().map(super::Row::key);
        match bed.and_then(|bed| rows.find(|row| row.bed == bed)) {
            Some(row) => {
                self.chosen = Some(row);
                self.show(Screen::Bed);
            }
            None => self.refuse("This alarm is of the whole plant: it has no bed.".to_owned()),
        }
    }

    fn show(&mut self, screen: Screen) {
        if screen == Screen::Yard {
            self.before.clear();
        } else if screen != self.screen {
            self.before.push(self.screen);
            // Nobody goes further back than this.
            if self.before.len() > SCREENS_BEFORE_MAX {
                self.before.remove(0);
            }
        }
        self.screen = screen;
        self.scroll = 0;
    }

    fn page(&self) -> isize {
        isize::try_from(self.drawn.page_rows.max(2) - 1).unwrap_or(10)
    }

    fn step(&mut self, by: isize) {
        match self.screen {
            Screen::Yard | Screen::Night => self.choose_by(by),
            Screen::Troubles => self.choose_alarm_by(by),
            _ => {
                let scroll = self.scroll.saturating_add_signed(by);
                self.scroll = scroll.min(self.drawn.scroll_max);
            }
        }
    }

    fn choose_by(&mut self, by: isize) {
        let rows = self.rows();
        if !matches!(self.screen, Screen::Yard | Screen::Bed | Screen::Night) || rows.is_empty() {
            return;
        }
        let at = self
            .chosen_at()
            .saturating_add_signed(by)
            .min(rows.len() - 1);
        let chosen = Some(rows[at].key());
        if self.screen == Screen::Bed && chosen != self.chosen {
            self.scroll = 0;
        }
        self.chosen = chosen;
    }

    /// Opens a form for the chosen pour, or says why it cannot be.
    fn open_form(&mut self, make: impl Fn(&Self, &PourView, &str) -> Result<Form, String>) {
        let opened = match self.chosen_row() {
            _ if !matches!(self.screen, Screen::Yard | Screen::Bed | Screen::Night) => {
                Err("Choose the bed first: press y for the yard.".to_owned())
            }
            None => Err("There is no bed to act upon yet.".to_owned()),
            Some(row) => match row.pour {
                None => Err(format!(
                    "Bed {} has no pour: open one with \"tarplight pour open\".",
                    row.bed.bed
                )),
                Some(pour) if !is_open(pour) => Err(format!(
                    "Pour {} is {}.",
                    pour.pour,
                    crate::words::status(pour.status)
                )),
                Some(pour) => make(self, pour, &self.settings.by),
            },
        };
        match opened {
            Ok(form) => self.show_form(form),
            Err(sentence) => self.refuse(sentence),
        }
    }

    /// Opens a form for the alarm in view, or says why it cannot be.
    fn open_alarm_form(&mut self, word: AlarmWord) {
        let by = &self.settings.by;
        let opened = match self.alarm_for(word) {
            Some(trouble) => form::alarm_form(word, trouble, by),
            None => Err("No alarm is chosen: press t for all of them.".to_owned()),
        };
        match opened {
            Ok(form) => self.show_form(form),
            Err(sentence) => self.refuse(sentence),
        }
    }

    fn show_form(&mut self, form: Form) {
        self.message = None;
        self.form = Some(form);
    }

    fn refuse(&mut self, sentence: String) {
        self.message = Some(Message {
            is_bad: true,
            lines: vec![sentence],
        });
    }

    fn form_key(&mut self, key: &KeyEvent) -> Vec<Request> {
        let Some(mut form) = self.form.take() else {
            return Vec::new();
        };
        let mut requests = Vec::new();
        match form.key(key) {
            FormStep::Leave => {
                if form.is_sending {
                    let lines = vec![format!(
                        "{}: put away before an answer came; see the bed whether it was recorded.",
                        form.title
                    )];
                    self.message = Some(Message {
                        is_bad: true,
                        lines,
                    });
                }
                return requests;
            }
            FormStep::Stay => {}
            FormStep::SetChanged => {
                if let Some(pour) = self.pour(&form.pour)
                    && form.is_at_set()
                    && form.kind == form::FormKind::Break
                {
                    form::fill_specimens(&mut form, pour);
                }
            }
            FormStep::Record => {
                requests.extend(self.record(&mut form));
                self.form = Some(form);
                return requests;
            }
        }
        // What it would say is asked as soon as everything stands, so that it is read before Record.
        if form.wants_check() {
            let at_record = form.focus;
            requests.extend(self.check(&mut form));
            // The focus goes to what is wrong when Record is pressed.
            form.focus = at_record;
        }
        self.form = Some(form);
        requests
    }

    fn record(&mut self, form: &mut Form) -> Option<Request> {
        let pour = self.pour(&form.pour);
        if pour.is_none() && !form.pour.is_empty() {
            form.problem = Some(format!("Pour {} is no longer on the bed.", form.pour));
            return None;
        }
        if form.needs_check() {
            return self.check(form);
        }
        if let Some(odd) = form.not_accepted() {
            form.focus = odd;
            form.problem = Some(
                "Something is odd about it: correct it, or accept each by Space if it is meant."
                    .to_owned(),
            );
            return None;
        }
        let context = Context {
            now: self.plant_now(),
            zone: self.zone,
            pour,
        };
        match form.act(&context) {
            Ok(act) => {
                form.problem = None;
                form.is_sending = true;
                if !act.by.is_empty() {
                    self.settings.by.clone_from(&act.by);
                }
                Some(Request::Act(Box::new(act)))
            }
            Err(wrong) => {
                form.focus = wrong.field;
                form.problem = Some(wrong.sentence);
                None
            }
        }
    }

    /// Asks what the act would change.
    fn check(&self, form: &mut Form) -> Option<Request> {
        let context = Context {
            now: self.plant_now(),
            zone: self.zone,
            pour: self.pour(&form.pour),
        };
        match form.draft(&context) {
            Ok(act) => {
                form.problem = None;
                form.begin_check();
                Some(Request::DryRun(Box::new(act)))
            }
            Err(wrong) => {
                form.focus = wrong.field;
                form.problem = Some(wrong.sentence);
                None
            }
        }
    }

    pub(super) fn mouse(&mut self, mouse: &MouseEvent) -> Vec<Request> {
        if let Some(form) = &mut self.form {
            match mouse.kind {
                MouseEventKind::ScrollDown => form.scroll += 1,
                MouseEventKind::ScrollUp => form.scroll = form.scroll.saturating_sub(1),
                _ => {}
            }
            return Vec::new();
        }
        match mouse.kind {
            MouseEventKind::ScrollDown => self.step(1),
            MouseEventKind::ScrollUp => self.step(-1),
            MouseEventKind::Down(MouseButton::Left) => {
                let hit = self.drawn.hits.iter().find(|hit| {
                    (hit.y..hit.y + hit.height).contains(&mouse.row)
                        && (hit.x..hit.x + hit.width).contains(&mouse.column)
                });
                let Some(row) = hit.map(|hit| hit.row.clone()) else {
                    return Vec::new();
                };
                // A click chooses, a second one on the same row opens.
                if self.screen != Screen::Bed && self.chosen.as_ref() == Some(&row) {
                    self.show(Screen::Bed);
                }
                self.chosen = Some(row);
            }
            _ => {}
        }
        Vec::new()
    }
}
