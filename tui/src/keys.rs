//! The one table of keys; the help screen and the line at the foot are made from it.

use crossterm::event::{KeyCode, KeyEvent, KeyModifiers};

/// What a key asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Action {
    Yard,
    Night,
    Troubles,
    Sources,
    Mixes,
    Plan,
    Log,
    History,
    Changes,
    Channels,
    Far,
    Order,
    Help,
    Open,
    Back,
    Up,
    Down,
    PageUp,
    PageDown,
    First,
    Last,
    PreviousBed,
    NextBed,
    Units,
    Quit,
    HeatOn,
    HeatOff,
    TarpLifted,
    TarpBack,
    Break,
    Release,
    CylindersPulled,
    Exclude,
    Seen,
    Snooze,
    Wake,
    PutAway,
    Note,
    HandOver,
}

/// Under which heading of the help a key stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Group {
    Screens,
    Alarms,
    Shift,
    Moving,
    Acts,
}

impl Group {
    /// In the order of the help.
    pub const ALL: [Self; 5] = [
        Self::Screens,
        Self::Alarms,
        Self::Shift,
        Self::Moving,
        Self::Acts,
    ];

    pub fn title(self) -> &'static str {
        match self {
            Self::Screens => "Screens",
            Self::Alarms => "Alarms: the chosen one, or the most urgent of the chosen bed",
            Self::Shift => "The shift",
            Self::Moving => "Moving about",
            Self::Acts => "Acts, recorded for the chosen bed after one more key",
        }
    }
}

/// One row of the table.
#[derive(Debug)]
pub struct Binding {
    pub keys: &'static [KeyCode],
    pub action: Action,
    pub group: Group,
    /// The keys as the help writes them.
    pub label: &'static str,
    pub help: &'static str,
    /// A word for the line at the foot, where the key belongs there.
    pub foot: Option<&'static str>,
}

macro_rules! bindings {
    ($($group:ident { $([$($key:expr),+] $label:literal $action:ident $help:literal $foot:expr;)+ })+) => {
        /// Every key, in the order of the help.
        pub static BINDINGS: &[Binding] = &[$($(Binding {
            keys: &[$($key),+],
            action: Action::$action,
            group: Group::$group,
            label: $label,
            help: $help,
            foot: $foot,
        },)+)+];
    };
}

bindings! {
    Screens {
        [KeyCode::Char('y'), KeyCode::Char('1')] "y 1" Yard "the yard: every bed" Some("yard");
        [KeyCode::Enter] "Enter" Open "the chosen bed in depth; of alarms, the bed of the chosen one" Some("bed");
        [KeyCode::Char('t'), KeyCode::Char('2')] "t 2" Troubles "what needs a person: alarms, new, seen, snoozed, cleared" Some("troubles");
        [KeyCode::Char('s'), KeyCode::Char('3')] "s 3" Sources "where readings come from, and what was refused" None;
        [KeyCode::Char('n'), KeyCode::Char('4')] "n 4" Night "every forecast on one line of time" None;
        [KeyCode::Char('m'), KeyCode::Char('5')] "m 5" Mixes "mixes: their curves, and what breaks say of them" None;
        [KeyCode::Char('w'), KeyCode::Char('6')] "w 6" Plan "the plan: what wants a person, by time" Some("plan");
        [KeyCode::Char('e'), KeyCode::Char('7')] "e 7" Log "the shift log: what stands, what is next, what happened" None;
        [KeyCode::Char('d'), KeyCode::Char('8')] "d 8" Changes "what changed since you last looked" None;
        [KeyCode::Char('c'), KeyCode::Char('9')] "c 9" Channels "channels: which plug is this, and does a bed agree" None;
        [KeyCode::Char('i'), KeyCode::Char('0')] "i 0" History "what happened to alarms" None;
        [KeyCode::Char('f')] "f" Far "one word in big letters, to be read from across the room" Some("far");
        [KeyCode::Char('o')] "o" Order "beds in yard order, or what needs a person most first" None;
        [KeyCode::Char('?'), KeyCode::F(1)] "? F1" Help "this help" Some("help");
        [KeyCode::Char('u')] "u" Units "change between SI and US customary units" None;
        [KeyCode::Esc, KeyCode::Backspace] "Esc" Back "put a message away, or go one page back" None;
        [KeyCode::Char('q')] "q Ctrl-C" Quit "leave; the daemon goes on (asked once while an alarm calls)" Some("quit");
    }
    Alarms {
        [KeyCode::Char('a')] "a" Seen "seen: you know of it and see to it" Some("seen");
        [KeyCode::Char('z')] "z" Snooze "snooze: quiet until a time, for a reason" Some("snooze");
        [KeyCode::Char('Z')] "Z" Wake "wake: let a snoozed one ring again" Some("wake");
        [KeyCode::Char('x')] "x" PutAway "put away what is over but stays in sight" Some("put away");
    }
    Shift {
        [KeyCode::Char('N')] "N" Note "write a note into the shift log" Some("note");
        [KeyCode::Char('O')] "O" HandOver "hand the shift over" Some("hand over");
    }
    Moving {
        [KeyCode::Up, KeyCode::Char('k')] "↑ k" Up "up" None;
        [KeyCode::Down, KeyCode::Char('j')] "↓ j" Down "down" None;
        [KeyCode::PageUp] "PgUp" PageUp "a page up" None;
        [KeyCode::PageDown, KeyCode::Char(' ')] "PgDn Space" PageDown "a page down" None;
        [KeyCode::Home, KeyCode::Char('g')] "Home g" First "to the top" None;
        [KeyCode::End, KeyCode::Char('G')] "End G" Last "to the end" None;
        [KeyCode::Char('['), KeyCode::Left] "[ ←" PreviousBed "the bed before" None;
        [KeyCode::Char(']'), KeyCode::Right] "] →" NextBed "the next bed" None;
    }
    Acts {
        [KeyCode::Char('b')] "b" Break "enter a break" Some("break");
        [KeyCode::Char('r')] "r" Release "sign the release" Some("sign");
        [KeyCode::Char('p')] "p" CylindersPulled "cylinders pulled from under the tarp" None;
        [KeyCode::Char('X')] "X" Exclude "leave a position out of the release judgement, or take it back" None;
        [KeyCode::Char('h')] "h" HeatOn "heat on" None;
        [KeyCode::Char('H')] "H" HeatOff "heat off" None;
        [KeyCode::Char('l')] "l" TarpLifted "tarp lifted" None;
        [KeyCode::Char('L')] "L" TarpBack "tarp back" None;
    }
}

/// The action of a key, where it has one.
pub fn action(key: &KeyEvent) -> Option<Action> {
    if key.modifiers.contains(KeyModifiers::CONTROL) {
        return (key.code == KeyCode::Char('c')).then_some(Action::Quit);
    }
    BINDINGS
        .iter()
        .find(|binding| binding.keys.contains(&key.code))
        .map(|binding| binding.action)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_key_has_two_meanings() {
        let mut seen: Vec<KeyCode> = Vec::new();
        for binding in BINDINGS {
            for key in binding.keys {
                assert!(!seen.contains(key), "{key:?} is bound twice");
                seen.push(*key);
            }
        }
    }

    #[test]
    fn control_c_leaves_and_other_control_keys_do_nothing() {
        let with_control = |c| KeyEvent::new(KeyCode::Char(c), KeyModifiers::CONTROL);
        assert_eq!(action(&with_control('c')), Some(Action::Quit));
        assert_eq!(action(&with_control('h')), None);
        let plain = KeyEvent::new(KeyCode::Char('H'), KeyModifiers::SHIFT);
        assert_eq!(action(&plain), Some(Action::HeatOff));
    }
}
