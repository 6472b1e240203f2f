//! What people of the plant enter during the night because the plan says so, each as a command.

use std::collections::VecDeque;
use std::path::Path;

use chrono::{DateTime, TimeDelta, Utc};

use crate::paperwork::{self, NIGHT_SHIFT, QUALITY, YARD, stamp};
use crate::plan::{BedPlan, NightPlan};
use crate::scenario::{Bed, Scenario};

/// Time after the last placement at which the cylinders are made and marked.
const CYLINDERS_AFTER: TimeDelta = TimeDelta::minutes(5);
/// The cylinder with a sensor is plugged in a little later.
const PLUG_AFTER: TimeDelta = TimeDelta::minutes(7);

/// One entry: when it is made, what it says to a person, and the arguments of `tarplight`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    pub at: DateTime<Utc>,
    pub bed: String,
    pub what: String,
    pub arguments: Vec<String>,
}

/// All planned entries of a night, earliest first.
#[derive(Debug)]
pub struct Agenda {
    waiting: VecDeque<Entry>,
}

impl Agenda {
    /// The entries of every bed; pours are opened from the files in `dir`.
    pub fn new(scenario: &Scenario, plan: &NightPlan, dir: &Path) -> Self {
        let mut entries: Vec<Entry> = scenario
            .beds
            .iter()
            .zip(&plan.beds)
            .flat_map(|(bed, bed_plan)| bed_entries(bed, bed_plan, dir))
            .collect();
        // The sort is stable: what a bed enters at one instant stays in its order.
        entries.sort_by_key(|entry| entry.at);
        Self {
            waiting: entries.into(),
        }
    }

    /// The next entry whose time has come.
    pub fn next_due(&mut self, now: DateTime<Utc>) -> Option<Entry> {
        let is_due = self.waiting.front().is_some_and(|entry| entry.at <= now);
        if is_due {
            self.waiting.pop_front()
        } else {
            None
        }
    }
}

fn bed_entries(bed: &Bed, plan: &BedPlan, dir: &Path) -> Vec<Entry> {
    let mut entries = Vec::new();
    let mut enter = |at: DateTime<Utc>, by: &str, what: String, arguments: &[&str]| {
        let said_by = ["--at", &stamp(at), "--by", by].map(str::to_owned);
        let arguments = arguments.iter().map(|&word| word.to_owned());
        entries.push(Entry {
            at,
            bed: bed.id.clone(),
            what,
            arguments: arguments.chain(said_by).collect(),
        });
    };
    let id = bed.id.as_str();
    let file = dir.join(format!("pours/{id}.toml")).display().to_string();
    enter(
        plan.first_placed_at,
        YARD,
        format!("pour opened, mix {}", bed.mix),
        &["pour", "open", "--file", &file],
    );
    for load in &plan.loads {
        let from = format!("{} m", load.from_m);
        let to = format!("{} m", load.to_m);
        enter(
            load.placed_to_at,
            YARD,
            format!("load {} placed", load.load_id),
            &[
                "load",
                id,
                "--ticket",
                &load.load_id,
                "--batched",
                &stamp(load.batched_at),
                "--placed-from",
                &stamp(load.placed_from_at),
                "--placed-to",
                &stamp(load.placed_to_at),
                "--from",
                &from,
                "--to",
                &to,
            ],
        );
    }
    let last = stamp(plan.last_placed_at);
    let what = "last load down".to_owned();
    enter(
        plan.last_placed_at,
        YARD,
        what,
        &["placement", id, "--last", &last],
    );
    for (set, arguments) in sets_made(id, plan) {
        let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
        enter(
            plan.last_placed_at + CYLINDERS_AFTER,
            QUALITY,
            format!("cylinder set {set} made"),
            &arguments,
        );
    }
    let channel = &bed.companion.channel;
    enter(
        plan.last_placed_at + PLUG_AFTER,
        QUALITY,
        format!("{channel} plugged into the companion cylinder of set A"),
        &[
            "plug",
            "move",
            id,
            "--channel",
            channel,
            "--role",
            "specimen",
            "--set",
            "A",
        ],
    );
    let what = "tarp on".to_owned();
    enter(plan.tarp_on_at, NIGHT_SHIFT, what, &["tarp", "back", id]);
    let what = "heat on".to_owned();
    enter(plan.heat_on_at, NIGHT_SHIFT, what, &["heat", "on", id]);
    let what = "heat off".to_owned();
    enter(plan.heat_off_at, NIGHT_SHIFT, what, &["heat", "off", id]);
    entries
}

/// Each cylinder set with the command that says it was made.
fn sets_made(bed_id: &str, plan: &BedPlan) -> Vec<(String, Vec<String>)> {
    let diameter = format!("{} mm", paperwork::CYLINDER_DIAMETER_MM);
    let length = format!("{} mm", paperwork::CYLINDER_LENGTH_MM);
    let made = plan.sets().into_iter().map(|set| {
        let specimens = set.specimens.join(",");
        let loads = set.loads.join(",");
        let arguments = [
            "cylinders",
            "made",
            bed_id,
            "--set",
            &set.name,
            "--specimens",
            &specimens,
            "--loads",
            &loads,
            "--diameter",
            &diameter,
            "--length",
            &length,
        ]
        .map(str::to_owned);
        (set.name, arguments.to_vec())
    });
    made.collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn night() -> (Scenario, NightPlan) {
        let scenario = Scenario::eight_beds().expect("scenario");
        let plan = NightPlan::new(&scenario, 1, "2026-11-24".parse().expect("date"));
        (scenario, plan)
    }

    fn whole(scenario: &Scenario, plan: &NightPlan) -> Vec<Entry> {
        let mut agenda = Agenda::new(scenario, plan, Path::new("/plant"));
        std::iter::from_fn(|| agenda.next_due(plan.ends_at)).collect()
    }

    #[test]
    fn nothing_is_entered_before_its_time() {
        let (scenario, plan) = night();
        let mut agenda = Agenda::new(&scenario, &plan, Path::new("/plant"));
        let first_at = plan.beds.iter().map(|bed| bed.first_placed_at).min();
        let first_at = first_at.expect("a bed");
        assert_eq!(agenda.next_due(first_at - TimeDelta::seconds(1)), None);
        let first = agenda.next_due(first_at).expect("a pour is opened");
        assert_eq!(first.arguments[..2], ["pour", "open"]);
        assert_eq!(agenda.next_due(first_at), None);
    }

    #[test]
    fn entries_come_in_order_of_time_and_a_bed_opens_its_pour_first() {
        let (scenario, plan) = night();
        let entries = whole(&scenario, &plan);
        assert!(entries.windows(2).all(|pair| pair[0].at <= pair[1].at));
        for bed in &scenario.beds {
            let of_bed: Vec<_> = entries.iter().filter(|entry| entry.bed == bed.id).collect();
            assert_eq!(of_bed[0].arguments[..2], ["pour", "open"]);
            let words = |index: usize| of_bed[index].arguments[0].as_str();
            assert_eq!(words(bed.load_count as usize + 1), "placement");
            assert_eq!(of_bed[of_bed.len() - 1].what, "heat off");
            let made = of_bed
                .iter()
                .filter(|entry| entry.arguments[0] == "cylinders");
            assert_eq!(made.count(), bed.cylinders.set_count as usize);
        }
    }

    #[test]
    fn every_entry_says_when_and_by_whom() {
        let (scenario, plan) = night();
        for entry in whole(&scenario, &plan) {
            let last = &entry.arguments[entry.arguments.len() - 4..];
            assert_eq!((last[0].as_str(), last[2].as_str()), ("--at", "--by"));
            assert_eq!(last[1], stamp(entry.at), "{entry:?}");
        }
    }
}
