//! The acts on an open pour: from the options to the act, checked before anything is sent.

use anyhow::{Context as _, bail};
use daemon_api::act::{
    ActBody, BreakResult, ChannelBinding, CylinderSet, Load, PlacementRecorded, ReleaseSigned,
    Stoppage,
};
use units::{Celsius, Metre, Millimetre};

use super::ActArgs;
use super::act_args::{
    ActCommand, BreakArgs, CylindersCommand, LiftedBack, LoadArgs, MadeArgs, OnOff, PlacementArgs,
    PlugCommand, PositionArgs, ReleaseArgs, ResolveArgs,
};
use super::send::{Desk, Plant, talk};
use crate::when::Beginning;
use crate::{entry, names, words};

/// The pour as named, what the act says of itself, and what was done.
type Spoken = (String, ActArgs, ActBody);

pub async fn run(desk: &Desk, command: ActCommand) -> anyhow::Result<()> {
    let plant = desk.plant().await?;
    let (named, act, mut body) = spoken(&plant, command)?;
    let pour = plant.pour(&named)?;
    names::as_the_pour_has_them(pour, &mut body);
    let pour = pour.pour.clone();
    desk.send(&plant.act(desk, &pour, &act, body)?, &act).await
}

/// What each command says; the acts that need a reason are not sent without one.
fn spoken(plant: &Plant, command: ActCommand) -> anyhow::Result<Spoken> {
    Ok(match command {
        ActCommand::Placement(args) => {
            let body = placement(plant, &args)?;
            (args.pour, args.act, body)
        }
        ActCommand::Load(args) => {
            let body = load(plant, &args)?;
            (args.pour, args.act, body)
        }
        ActCommand::Heat(args) => {
            let body = match args.turned {
                OnOff::On => ActBody::HeatOn {},
                OnOff::Off => ActBody::HeatOff {},
            };
            (args.pour, args.act, body)
        }
        ActCommand::Tarp(args) => {
            let body = match args.moved {
                LiftedBack::Lifted => ActBody::TarpLifted {},
                LiftedBack::Back => ActBody::TarpBack {},
            };
            (args.pour, args.act, body)
        }
        ActCommand::Cylinders(command) => cylinders(command)?,
        ActCommand::Plug(command) => plug(command),
        ActCommand::Probe(args) => {
            let temperature = Celsius::parse(&args.temperature).context("--temperature")?;
            let (position, temperature_c) = (args.position, temperature.0);
            let body = ActBody::HandProbed {
                position,
                temperature_c,
            };
            (args.pour, args.act, body)
        }
        ActCommand::Break(args) => {
            let body = broken(plant, &args)?;
            (args.pour, args.act, body)
        }
        ActCommand::Exclude(PositionArgs {
            pour,
            position,
            act,
        }) => (pour, reasoned(act)?, ActBody::PositionExcluded { position }),
        ActCommand::Restore(PositionArgs {
            pour,
            position,
            act,
        }) => (pour, act, ActBody::PositionRestored { position }),
        ActCommand::AcceptGaps(PositionArgs {
            pour,
            position,
            act,
        }) => (pour, reasoned(act)?, ActBody::GapsAccepted { position }),
        ActCommand::Resolve(ResolveArgs {
            pour,
            break_id,
            act,
        }) => (
            pour,
            reasoned(act)?,
            ActBody::DisagreementResolved { break_id },
        ),
        ActCommand::Release(mut args) => {
            let body = release(plant, &args)?;
            // The reason is part of the sign-off itself.
            args.act.why = None;
            (args.pour, args.act, body)
        }
        ActCommand::Strip(args) => (args.pour, args.act, ActBody::Stripped {}),
        ActCommand::Abandon(args) => (args.pour, reasoned(args.act)?, ActBody::Abandoned {}),
    })
}

fn cylinders(command: CylindersCommand) -> anyhow::Result<Spoken> {
    Ok(match command {
        CylindersCommand::Made(args) => {
            let body = made(&args)?;
            (args.pour, args.act, body)
        }
        CylindersCommand::Pulled {
            pour,
            set,
            specimens,
            act,
        } => {
            let specimens = entry::names(&specimens);
            (pour, act, ActBody::CylindersPulled { set, specimens })
        }
    })
}

fn plug(command: PlugCommand) -> Spoken {
    let PlugCommand::Move {
        pour,
        channel,
        role,
        position,
        set,
        act,
    } = command;
    let role = role.into();
    let binding = ChannelBinding {
        channel,
        role,
        position,
        set,
        from_at: None,
    };
    (pour, act, ActBody::PlugMoved(binding))
}

/// The act with its reason, where one is needed.
pub(super) fn reasoned(act: ActArgs) -> anyhow::Result<ActArgs> {
    if act.why.as_ref().is_none_or(|why| why.trim().is_empty()) {
        bail!("this act needs its reason: give --why \"REASON\"");
    }
    Ok(act)
}

fn placement(plant: &Plant, args: &PlacementArgs) -> anyhow::Result<ActBody> {
    let beginning = Beginning::of_placing(plant.pour(&args.pour)?);
    let past = |option: &str, typed: &Option<String>, beginning: Option<&Beginning>| {
        typed
            .as_ref()
            .map(|typed| plant.past(option, typed, beginning))
            .transpose()
    };
    let stoppages: Vec<Stoppage> = args
        .stoppage
        .iter()
        .map(|typed| stoppage(plant, typed, beginning.as_ref()))
        .collect::<Result<_, _>>()?;
    if args.first.is_none() && args.last.is_none() && stoppages.is_empty() {
        bail!("nothing was given: --first TIME, --last TIME or --stoppage \"STATION FROM TO\"");
    }
    let first_at = past("first", &args.first, beginning.as_ref())?;
    let first = first_at.map(|at| Beginning::after(at, "--first"));
    Ok(ActBody::PlacementRecorded(PlacementRecorded {
        first_at,
        last_at: past("last", &args.last, first.as_ref().or(beginning.as_ref()))?,
        stoppages,
    }))
}

fn stoppage(plant: &Plant, typed: &str, beginning: Option<&Beginning>) -> anyhow::Result<Stoppage> {
    let words: Vec<&str> = typed.split_whitespace().collect();
    let [station @ .., from, to] = &words[..] else {
        bail!("--stoppage \"{typed}\": give the station, from and to, as in \"30 m 13:40 14:05\"");
    };
    let from_at = plant.past("stoppage", from, beginning)?;
    let began = Beginning::after(from_at, "its own beginning");
    Ok(Stoppage {
        station_m: Metre::parse(&station.join(" "))
            .context("--stoppage, station")?
            .0,
        from_at,
        to_at: plant.past("stoppage", to, Some(&began))?,
    })
}

fn load(plant: &Plant, args: &LoadArgs) -> anyhow::Result<ActBody> {
    let beginning = Beginning::of_placing(plant.pour(&args.pour)?);
    let placed_from_at = plant.past("placed-from", &args.placed_from, beginning.as_ref())?;
    let began = Beginning::after(placed_from_at, "--placed-from");
    Ok(ActBody::LoadPlaced(Load {
        ticket: args.ticket.clone(),
        batched_at: args
            .batched
            .as_ref()
            .map(|typed| plant.past("batched", typed, beginning.as_ref()))
            .transpose()?,
        placed_from_at,
        placed_to_at: plant.past("placed-to", &args.placed_to, Some(&began))?,
        from_station_m: Metre::parse(&args.from).context("--from")?.0,
        to_station_m: Metre::parse(&args.to).context("--to")?.0,
    }))
}

fn made(args: &MadeArgs) -> anyhow::Result<ActBody> {
    let specimens = entry::names(&args.specimens);
    if specimens.is_empty() {
        bail!("--specimens names none: give names with commas, such as A1,A2,A3");
    }
    Ok(ActBody::CylindersMade(CylinderSet {
        set: args.set.clone(),
        purpose: args.purpose.into(),
        specimens,
        storage: args.storage.into(),
        follows_position: args.follows.clone(),
        loads: entry::names(&args.loads),
        diameter_mm: Millimetre::parse(&args.diameter).context("--diameter")?.0,
        length_mm: Millimetre::parse(&args.length).context("--length")?.0,
    }))
}

fn broken(plant: &Plant, args: &BreakArgs) -> anyhow::Result<ActBody> {
    let specimens = args
        .specimen
        .iter()
        .map(|typed| {
            entry::named_specimen(typed).with_context(|| format!("--specimen \"{typed}\""))
        })
        .collect::<Result<Vec<_>, _>>()?;
    let beginning = Beginning::of(plant.pour(&args.pour)?);
    let tested_at = plant.past("at", &args.act.at, beginning.as_ref())?;
    let pulled_at = args
        .pulled
        .as_ref()
        .map(|typed| plant.past("pulled", typed, beginning.as_ref()))
        .transpose()?;
    if pulled_at.is_some_and(|pulled_at| pulled_at > tested_at) {
        bail!("--pulled is after --at: cylinders leave the tarp before they are tested");
    }
    Ok(ActBody::BreakRecorded(BreakResult {
        set: args.set.clone(),
        pulled_at,
        tested_at,
        specimens,
    }))
}

fn release(plant: &Plant, args: &ReleaseArgs) -> anyhow::Result<ActBody> {
    let pour = plant.pour(&args.pour)?;
    if !args.line.trim().eq_ignore_ascii_case(&pour.line) {
        bail!(
            "--line says {}, but pour {} is cut with line {}: nothing was signed",
            args.line,
            pour.pour,
            pour.line
        );
    }
    let line_pours = || {
        plant
            .snapshot
            .beds
            .iter()
            .flat_map(|bed| &bed.pours)
            .filter(|one| pour.line_pours.contains(&one.pour))
    };
    let breaks = if args.breaks.is_empty() {
        line_pours()
            .flat_map(|one| one.confirmation.breaks.clone())
            .collect()
    } else {
        args.breaks.clone()
    };
    for one in line_pours() {
        talk(&format!("{}: {}", one.pour, one.confirmation.words));
        talk(&format!(
            "{}: {}, required {}",
            one.pour,
            words::estimate_of(one, plant.units),
            words::strength(one.release_strength_mpa, plant.units)
        ));
        for position in &one.positions {
            if let Some(reason) = &position.excluded {
                talk(&format!(
                    "{}: EXCLUDED {}: {reason}",
                    one.pour, position.position
                ));
            }
        }
        for note in one.release_holds.iter().chain(&one.cautions) {
            talk(&format!("{}: {}", one.pour, note.text));
        }
    }
    for caution in words::RELEASE_CAUTIONS {
        talk(caution);
    }
    Ok(ActBody::ReleaseSigned(ReleaseSigned {
        pours: pour.line_pours.clone(),
        breaks,
        reason_without_estimate: args.act.why.clone(),
    }))
}
