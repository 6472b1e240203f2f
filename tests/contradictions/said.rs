//! Every text about one bed at one moment: answers, plan, alarms, messages, the command and all screens.

use std::time::Duration;

use daemon::notify::{Message, bed_message};
use daemon_api::bed::BedView;
use daemon_core::say::Local;
use serde_json::Value;
use tui::event::{Connection, Event, Page, PageAnswer};
use tui::state::{Screen, Settings, State};

use crate::claims::Said;
use crate::night::Look;

/// Small and large, and long enough for a bed's whole page.
const SIZES: [(u16, u16); 3] = [(80, 24), (140, 45), (140, 160)];

pub fn of_bed(look: &Look, bed: &BedView) -> Vec<Said> {
    let mut said = Vec::new();
    let mut add = |place: &str, text: String| {
        said.push(Said {
            place: place.to_owned(),
            text,
        });
    };
    for pour in &bed.pours {
        let value = serde_json::to_value(pour).expect("it can be written");
        sentences(&value, "answer", &mut add);
    }
    let of_bed = |name: Option<&str>| name == Some(bed.bed.as_str());
    for item in look
        .plan
        .items
        .iter()
        .filter(|item| of_bed(item.bed.as_deref()))
    {
        add("plan", item.text.clone());
    }
    for one in look.plan.schedule.iter().filter(|one| one.bed == bed.bed) {
        add("plan", one.text.clone());
    }
    for trouble in &bed.troubles {
        add("alarm", trouble.what.clone());
        add("alarm", trouble.first_act.clone());
        let message = Message::of("the plant", Local::default(), trouble);
        add("message", message.subject);
        add("message", message.text);
    }
    sentences(&bed_message("the plant", bed), "broker", &mut add);
    add("show", tui::bed_as_text(&look.snapshot, &bed.bed));
    for (place, text) in screens(look, bed) {
        add(&place, text);
    }
    said
}

/// Every sentence of a document, but codes and names.
fn sentences(value: &Value, place: &str, add: &mut impl FnMut(&str, String)) {
    match value {
        Value::Object(fields) => {
            for (key, value) in fields {
                sentences(value, &format!("{place}/{key}"), add);
            }
        }
        Value::Array(items) => items.iter().for_each(|item| sentences(item, place, add)),
        Value::String(text) if text.contains(' ') => add(place, text.clone()),
        _ => {}
    }
}

/// The bed's own page, and its rows on pages of all beds.
fn screens(look: &Look, bed: &BedView) -> Vec<(String, String)> {
    let mut state = State::new(Settings {
        daemon: "http://127.0.0.1:7871".to_owned(),
        units: None,
        by: "Q. Lane".to_owned(),
        looked_at: None,
    });
    let snapshot = Box::new(look.snapshot.clone());
    state.apply(
        Event::Connection(Connection::Snapshot(snapshot)),
        Duration::ZERO,
    );
    let plan = PageAnswer::Plan(Box::new(look.plan.clone()));
    let answer = Event::Page {
        page: Page::Plan,
        answer: Ok(plan),
    };
    state.apply(answer, Duration::ZERO);
    let rows = state.rows();
    let key = rows
        .iter()
        .find(|row| row.bed.bed == bed.bed)
        .map(|row| row.key());
    state.chosen = key;
    let mut screens = Vec::new();
    for (width, height) in SIZES {
        let mut shown = |screen: Screen| {
            state.screen = screen;
            tui::text_of(&state, width, height)
        };
        // The bar over every page tells of whichever bed rang last.
        let page = shown(Screen::Bed);
        let own: Vec<&str> = page
            .lines()
            .filter(|line| !line.starts_with(" NEW "))
            .collect();
        screens.push((format!("screen bed {width}x{height}"), own.join("\n")));
        for (name, screen) in [
            ("yard", Screen::Yard),
            ("night", Screen::Night),
            ("plan", Screen::Plan),
        ] {
            let whole = shown(screen);
            let lines: Vec<&str> = whole.lines().collect();
            for (at, line) in lines.iter().enumerate() {
                // A row begins with the bed, after its sign; a second line of it is indented.
                let is_of_bed = line
                    .get(1..)
                    .is_some_and(|rest| rest.split_whitespace().next() == Some(bed.bed.as_str()));
                if !is_of_bed {
                    continue;
                }
                let second = lines.get(at + 1).filter(|next| next.starts_with("       "));
                let row = format!("{line} {}", second.unwrap_or(&""));
                screens.push((format!("screen {name} {width}x{height}"), row));
            }
        }
    }
    screens
}
