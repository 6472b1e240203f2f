//! The watch at the command line: alarms and what is said to them, the plan, the shift log, limits.

use anyhow::{Context as _, bail};
use clap::{Args, Subcommand};
use daemon_api::act::{ActBody, LimitKey};
use daemon_api::plan::PlanItemView;
use daemon_api::shift::ShiftLog;
use daemon_api::trouble::TroubleView;
use serde::Serialize;
use serde::de::IntoDeserializer;
use serde::de::value::Error as ValueError;

use super::ActArgs;
use super::send::{Desk, Plant, print};
use crate::times::span_text;
use crate::{names, when, words};

/// How long an alarm is quiet where nothing else is said.
const SNOOZE_SPAN: &str = "30 min";

const EXAMPLES: &str = "\
Examples:
  tarplight watch alarms
  tarplight watch seen losing-heat/N4/N4-0301 --by \"R. Field\"
  tarplight watch snooze losing-heat/N4/N4-0301 --until 03:30 --why \"the boiler is being started\"
  tarplight watch note \"tarp of N4 tied down again\"
  tarplight watch log --from 18:00
  tarplight watch limit N4 concrete_c_max 65 --why \"letter 12 of the engineer\"
  tarplight watch dispose N4 \"too-hot/P2\" --number D-118 --may-ship --why \"within the approval\"

A piece hold bars shipping, never detensioning; only broken cylinders confirm, and a person signs.";

#[derive(Debug, Subcommand)]
#[command(after_help = EXAMPLES)]
pub enum WatchCommand {
    /// Print every alarm that is not normal, snoozed and explained ones included
    Alarms(Json),
    /// Print what happened to alarms
    History(WindowArgs),
    /// Say that you have seen an alarm and see to it
    Seen(AlarmArgs),
    /// Make an alarm quiet until a time; needs --why
    Snooze {
        #[command(flatten)]
        alarm: AlarmArgs,
        /// Until when, 8 h at most: a clock time or a span such as "45 min"
        #[arg(long, value_name = "TIME", default_value = SNOOZE_SPAN)]
        until: String,
    },
    /// Let a snoozed alarm ring again
    Wake(AlarmArgs),
    /// Put away an alarm that is over but stays in sight
    Reset(AlarmArgs),
    /// Print what wants a person, in order of time
    Plan(Json),
    /// Print the shift log: what happened, what stands, what is next
    Log(WindowArgs),
    /// Write a note into the shift log
    Note {
        /// The note
        text: String,
        /// When it happened
        #[arg(long, default_value = "now", value_name = "TIME")]
        at: String,
    },
    /// Hand the shift over
    Handover {
        /// Who takes it over
        #[arg(long)]
        to: String,
        #[command(flatten)]
        act: ActArgs,
    },
    /// Record that initial set was measured
    InitialSet {
        /// Bed or pour
        pour: String,
        #[command(flatten)]
        act: ActArgs,
    },
    /// State a limit of one pour alone; needs --why, which names the clause
    Limit {
        /// Bed or pour
        pour: String,
        /// The limit's key in a plant file, such as concrete_c_max
        key: String,
        /// Its value in the unit that the key names; none: not judged in this pour
        value: Option<f64>,
        #[command(flatten)]
        act: ActArgs,
    },
    /// Record what an engineer decided about a piece hold; needs --why
    Dispose {
        /// Bed or pour
        pour: String,
        /// The hold, as "tarplight watch alarms" and the piece holds name it
        hold: String,
        /// The engineer's number
        #[arg(long)]
        number: String,
        /// The pieces may ship; without it they stay held
        #[arg(long)]
        may_ship: bool,
        #[command(flatten)]
        act: ActArgs,
    },
}

#[derive(Debug, Args)]
pub struct Json {
    /// Print the daemon's own JSON
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Args)]
pub struct WindowArgs {
    /// From when; the last 12 h if absent
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// To when; now if absent
    #[arg(long, value_name = "TIME")]
    to: Option<String>,
    /// Print the daemon's own JSON
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Args)]
pub struct AlarmArgs {
    /// The alarm's id, as "tarplight watch alarms" prints it
    alarm: String,
    #[command(flatten)]
    act: ActArgs,
}

pub async fn run(desk: &Desk, command: WatchCommand) -> anyhow::Result<()> {
    let plant = desk.plant().await?;
    match command {
        WatchCommand::Alarms(args) => alarms(desk, &plant, args.json).await,
        WatchCommand::History(args) => history(desk, &plant, &args).await,
        WatchCommand::Plan(args) => plan(desk, &plant, args.json).await,
        WatchCommand::Log(args) => log(desk, &plant, &args).await,
        said => {
            let (named, args, mut body) = spoken(&plant, said)?;
            let pour = match named {
                Some(named) => {
                    let pour = plant.pour(&named)?;
                    names::as_the_pour_has_them(pour, &mut body);
                    pour.pour.clone()
                }
                None => String::new(),
            };
            desk.send(&plant.act(desk, &pour, &args, body)?, &args)
                .await
        }
    }
}

/// The pour as named, where there is one, what the act says of itself, and what was said.
type Spoken = (Option<String>, ActArgs, ActBody);

fn spoken(plant: &Plant, command: WatchCommand) -> anyhow::Result<Spoken> {
    Ok(match command {
        WatchCommand::Seen(AlarmArgs { alarm, act }) => (None, act, ActBody::AlarmSeen { alarm }),
        WatchCommand::Snooze {
            alarm: AlarmArgs { alarm, act },
            until,
        } => {
            let until_at = when::snoozed_until(plant.zone, &until, plant.now).context("--until")?;
            (
                None,
                reasoned(act)?,
                ActBody::AlarmSnoozed { alarm, until_at },
            )
        }
        WatchCommand::Wake(AlarmArgs { alarm, act }) => (None, act, ActBody::AlarmWoken { alarm }),
        WatchCommand::Reset(AlarmArgs { alarm, act }) => (None, act, ActBody::AlarmReset { alarm }),
        WatchCommand::Note { text, at } => {
            let act = ActArgs {
                at,
                why: Some(text),
                dry_run: false,
                json: false,
                accept: Vec::new(),
                id: None,
            };
            (None, act, ActBody::ShiftNoted {})
        }
        WatchCommand::Handover { to, act } => (None, act, ActBody::ShiftHandedOver { to }),
        WatchCommand::InitialSet { pour, act } => (Some(pour), act, ActBody::InitialSetReached {}),
        WatchCommand::Limit {
            pour,
            key,
            value,
            act,
        } => {
            let limit = limit_key(&key)?;
            (
                Some(pour),
                reasoned(act)?,
                ActBody::LimitStated { limit, value },
            )
        }
        WatchCommand::Dispose {
            pour,
            hold,
            number,
            may_ship,
            act,
        } => {
            let body = ActBody::HoldDisposed {
                hold,
                number,
                may_ship,
            };
            (Some(pour), reasoned(act)?, body)
        }
        WatchCommand::Alarms(_)
        | WatchCommand::History(_)
        | WatchCommand::Plan(_)
        | WatchCommand::Log(_) => bail!("this only asks: it records nothing"),
    })
}

/// The limit of that key, or the keys that there are.
fn limit_key(key: &str) -> anyhow::Result<LimitKey> {
    use serde::Deserialize;
    LimitKey::deserialize(IntoDeserializer::<ValueError>::into_deserializer(key))
        .with_context(|| format!("{key} is no limit"))
}

fn reasoned(act: ActArgs) -> anyhow::Result<ActArgs> {
    match act.why.as_deref().map(str::trim) {
        Some(why) if !why.is_empty() => Ok(act),
        _ => bail!("this needs a reason: give --why \"…\""),
    }
}

fn print_json(answer: &impl Serialize) -> anyhow::Result<()> {
    Ok(print(&(serde_json::to_string_pretty(answer)? + "\n"))?)
}

async fn alarms(desk: &Desk, plant: &Plant, json: bool) -> anyhow::Result<()> {
    let answer = desk.client.alarms().await?;
    if json {
        return print_json(&answer);
    }
    let mut text = format!(
        "{}; {} rang in the last hour\n",
        words::plural(answer.alarms.len(), "alarm"),
        answer.rang_last_hour
    );
    for alarm in &answer.alarms {
        text.push_str(&alarm_text(plant, alarm));
    }
    Ok(print(&text)?)
}

fn alarm_text(plant: &Plant, trouble: &TroubleView) -> String {
    let clock = |at| plant.zone.clock_near(at, plant.now);
    let state = trouble.alarm.as_ref().map_or_else(String::new, |life| {
        let by = life.seen_by.as_deref().filter(|by| !by.is_empty());
        match (&life.snoozed, &life.explained_by, by) {
            (Some(snoozed), _, _) => format!(
                "snoozed until {} by {}: {}",
                clock(snoozed.until_at),
                snoozed.by,
                snoozed.why
            ),
            (None, Some(cause), _) => format!("explained by {cause}"),
            (None, None, Some(by)) => format!("{}, seen by {by}", life.word),
            (None, None, None) => life.word.clone(),
        }
    });
    format!(
        "{:<5} {:<6} {state}, since {} ({}): {}{}\n      First: {}\n      id {}\n",
        words::urgency(trouble.urgency),
        trouble.bed.as_deref().unwrap_or("plant"),
        clock(trouble.since),
        span_text(plant.now - trouble.since),
        trouble
            .place
            .as_deref()
            .map_or_else(String::new, |place| format!("{place}: ")),
        trouble.what,
        trouble.first_act,
        trouble.id,
    )
}

async fn history(desk: &Desk, plant: &Plant, args: &WindowArgs) -> anyhow::Result<()> {
    let answer = desk.client.alarm_history(window(plant, args)?).await?;
    if args.json {
        return print_json(&answer);
    }
    let mut text = String::new();
    for event in &answer.events {
        text.push_str(&format!(
            "{} {:<9} {} {}\n",
            plant.zone.clock_near(event.at, plant.now),
            event.event,
            event.trouble.id,
            event.trouble.what,
        ));
    }
    if text.is_empty() {
        text.push_str("No alarm has changed.\n");
    }
    Ok(print(&text)?)
}

fn window(plant: &Plant, args: &WindowArgs) -> anyhow::Result<daemon_api::client::Window> {
    let read = |option: &str, typed: &Option<String>| {
        let typed = typed.as_deref();
        let read = typed.map(|typed| when::asked(plant.zone, typed, plant.now));
        read.transpose().with_context(|| format!("--{option}"))
    };
    Ok((read("from", &args.from)?, read("to", &args.to)?))
}

async fn plan(desk: &Desk, plant: &Plant, json: bool) -> anyhow::Result<()> {
    let answer = desk.client.plan().await?;
    if json {
        return print_json(&answer);
    }
    let mut text = items_text(plant, &answer.items);
    text.push_str("Against the wanted times:\n");
    for pour in &answer.schedule {
        let said = &pour.confirmation.words;
        text.push_str(&format!("  {}: {} {said}\n", pour.bed, pour.text));
    }
    Ok(print(&text)?)
}

fn items_text(plant: &Plant, items: &[PlanItemView]) -> String {
    let mut text = String::new();
    for item in items {
        let overdue = if item.overdue { "OVERDUE " } else { "" };
        text.push_str(&format!(
            "  {} {overdue}{}\n",
            plant.zone.clock_near(item.at, plant.now),
            item.text
        ));
    }
    if text.is_empty() {
        text.push_str("  Nothing is due.\n");
    }
    text
}

async fn log(desk: &Desk, plant: &Plant, args: &WindowArgs) -> anyhow::Result<()> {
    let answer = desk.client.shift_log(window(plant, args)?).await?;
    if args.json {
        return print_json(&answer);
    }
    Ok(print(&log_text(plant, &answer))?)
}

fn log_text(plant: &Plant, log: &ShiftLog) -> String {
    let clock = |at| plant.zone.clock_near(at, plant.now);
    let mut text = format!(
        "{}: the shift from {} to {}\nWhat happened:\n",
        plant.snapshot.plant.name,
        plant.zone.full(log.from_at),
        plant.zone.full(log.to_at)
    );
    for entry in &log.entries {
        let known = entry
            .known_at
            .map_or_else(String::new, |at| format!(" (recorded {})", clock(at)));
        let by = entry
            .by
            .as_ref()
            .map_or_else(String::new, |by| format!(", by {by} (not verified)"));
        text.push_str(&format!(
            "  {}{known} {:<6} {}: {}{by}\n",
            clock(entry.at),
            entry.bed.as_deref().unwrap_or("plant"),
            entry.kind,
            entry.text,
        ));
    }
    if log.entries.is_empty() {
        text.push_str("  Nothing was recorded.\n");
    }
    text.push_str("What stands:\n");
    for trouble in &log.stands {
        text.push_str(&alarm_text(plant, trouble));
    }
    if log.stands.is_empty() {
        text.push_str("  Nothing needs a person.\n");
    }
    text.push_str("What is next:\n");
    text.push_str(&items_text(plant, &log.next));
    text.push_str("Only broken cylinders confirm; QC signs each release.\n");
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_limit_is_named_by_its_key_and_an_unknown_key_names_those_there_are() {
        assert_eq!(
            limit_key("heat_off_fall_c_max").expect("a key"),
            LimitKey::HeatOffFallCMax
        );
        let unknown = format!("{:#}", limit_key("concrete_max").expect_err("no key"));
        assert!(unknown.contains("concrete_c_max"), "{unknown}");
    }
}
