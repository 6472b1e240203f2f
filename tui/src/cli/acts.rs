//! The acts on an open pour, each a subcommand.

use anyhow::{Context as _, bail};
use clap::{Args, Subcommand, ValueEnum};
use daemon_api::act::{
    ActBody, BreakResult, ChannelBinding, ChannelRole, CylinderSet, Load, PlacementRecorded,
    ReleaseSigned, SetPurpose, SetStorage, Stoppage,
};
use units::{Celsius, Metre, Millimetre};
use uuid::Uuid;

use super::ActArgs;
use super::send::{Desk, Plant, talk};
use crate::{entry, words};

#[derive(Debug, Subcommand)]
pub enum ActCommand {
    /// First or last placement, or a stoppage between them
    Placement(PlacementArgs),
    /// One load (batch ticket) placed
    Load(LoadArgs),
    /// Heat turned on or off
    Heat(HeatArgs),
    /// Tarp lifted or back in place
    Tarp(TarpArgs),
    /// Cylinders made or pulled
    #[command(subcommand)]
    Cylinders(CylindersCommand),
    /// A plug moved to another channel
    #[command(subcommand)]
    Plug(PlugCommand),
    /// A temperature read by hand
    Probe(ProbeArgs),
    /// Cylinders broken
    Break(BreakArgs),
    /// Leave a position out of the release judgement; needs --why
    Exclude(PositionArgs),
    /// Take a position back into the release judgement
    Restore(PositionArgs),
    /// Accept the gaps in a position's record; needs --why
    AcceptGaps(PositionArgs),
    /// Resolve a disagreement between a break and the estimate; needs --why
    Resolve(ResolveArgs),
    /// Sign the release of a line, on passing cylinders
    Release(ReleaseArgs),
    /// Products stripped
    Strip(PlainArgs),
    /// Give the pour up; needs --why
    Abandon(PlainArgs),
}

#[derive(Debug, Args)]
pub struct PlainArgs {
    /// Bed or pour
    pour: String,
    #[command(flatten)]
    act: ActArgs,
}

#[derive(Debug, Args)]
#[command(after_help = "Example: tarplight placement N4 --first 13:10 --last 14:35")]
pub struct PlacementArgs {
    /// Bed or pour
    pour: String,
    /// First placement
    #[arg(long, value_name = "TIME")]
    first: Option<String>,
    /// Last placement
    #[arg(long, value_name = "TIME")]
    last: Option<String>,
    /// Placement stood still: station, from, to, as in "30 m 13:40 14:05"
    #[arg(long, value_name = "\"STATION FROM TO\"")]
    stoppage: Vec<String>,
    #[command(flatten)]
    act: ActArgs,
}

#[derive(Debug, Args)]
#[command(
    after_help = "Example: tarplight load N4 --ticket 4711 --batched 12:55 --placed-from 13:10 \
                  --placed-to 13:30 --from \"0 ft\" --to \"60 ft\""
)]
pub struct LoadArgs {
    /// Bed or pour
    pour: String,
    /// Number of the batch ticket
    #[arg(long)]
    ticket: String,
    /// When water met cement
    #[arg(long, value_name = "TIME")]
    batched: Option<String>,
    /// When its placement began
    #[arg(long, value_name = "TIME")]
    placed_from: String,
    /// When its placement ended
    #[arg(long, value_name = "TIME")]
    placed_to: String,
    /// First station it covers
    #[arg(long, value_name = "STATION")]
    from: String,
    /// Last station it covers
    #[arg(long, value_name = "STATION")]
    to: String,
    #[command(flatten)]
    act: ActArgs,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum OnOff {
    On,
    Off,
}

#[derive(Debug, Args)]
pub struct HeatArgs {
    turned: OnOff,
    /// Bed or pour
    pour: String,
    #[command(flatten)]
    act: ActArgs,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum LiftedBack {
    Lifted,
    Back,
}

#[derive(Debug, Args)]
pub struct TarpArgs {
    moved: LiftedBack,
    /// Bed or pour
    pour: String,
    #[command(flatten)]
    act: ActArgs,
}

#[derive(Debug, Subcommand)]
pub enum CylindersCommand {
    /// A set of cylinders made
    Made(MadeArgs),
    /// Cylinders taken from under the tarp
    Pulled {
        /// Bed or pour
        pour: String,
        #[arg(long)]
        set: String,
        /// Names with commas; the whole set if absent
        #[arg(long, default_value = "")]
        specimens: String,
        #[command(flatten)]
        act: ActArgs,
    },
}

#[derive(Debug, Args)]
#[command(
    after_help = "Example: tarplight cylinders made N4 --set A --specimens A1,A2,A3 --diameter \"4 in\" \
                  --length \"8 in\""
)]
pub struct MadeArgs {
    /// Bed or pour
    pour: String,
    #[arg(long)]
    set: String,
    /// Names with commas
    #[arg(long)]
    specimens: String,
    #[arg(long, value_enum, default_value_t = Purpose::Release)]
    purpose: Purpose,
    #[arg(long, value_enum, default_value_t = Storage::UnderTarp)]
    storage: Storage,
    /// The position that match-cured specimens follow
    #[arg(long, value_name = "POSITION")]
    follows: Option<String>,
    /// Loads they were sampled from, with commas
    #[arg(long, default_value = "")]
    loads: String,
    #[arg(long, value_name = "LENGTH")]
    diameter: String,
    #[arg(long, value_name = "LENGTH")]
    length: String,
    #[command(flatten)]
    act: ActArgs,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Purpose {
    Release,
    Later,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Storage {
    UnderTarp,
    MatchCured,
    Standard,
}

#[derive(Debug, Subcommand)]
pub enum PlugCommand {
    /// From --at on the channel reads what is stated
    Move {
        /// Bed or pour
        pour: String,
        #[arg(long)]
        channel: String,
        #[arg(long, value_enum, default_value_t = Role::Concrete)]
        role: Role,
        /// The position, for concrete
        #[arg(long)]
        position: Option<String>,
        /// The cylinder set, for a specimen
        #[arg(long)]
        set: Option<String>,
        #[command(flatten)]
        act: ActArgs,
    },
}

#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum Role {
    Concrete,
    Enclosure,
    Ambient,
    Specimen,
}

impl From<Role> for ChannelRole {
    fn from(role: Role) -> Self {
        match role {
            Role::Concrete => Self::Concrete,
            Role::Enclosure => Self::Enclosure,
            Role::Ambient => Self::Ambient,
            Role::Specimen => Self::Specimen,
        }
    }
}

#[derive(Debug, Args)]
#[command(
    after_help = "Example: tarplight probe N4 --position P3 --temperature \"58 °C\" --at 02:10"
)]
pub struct ProbeArgs {
    /// Bed or pour
    pour: String,
    #[arg(long)]
    position: String,
    #[arg(long, value_name = "TEMPERATURE")]
    temperature: String,
    #[command(flatten)]
    act: ActArgs,
}

#[derive(Debug, Args)]
#[command(
    after_help = "Example: tarplight break N4 --set A --specimen \"A1 50265 lbf 4 in\" --specimen \
                  \"A2 3590 psi\" --pulled 04:30 --at 04:45\n\n--at is when they were tested."
)]
pub struct BreakArgs {
    /// Bed or pour
    pour: String,
    #[arg(long)]
    set: String,
    /// Name, then load or strength, then the diameter if measured
    #[arg(long, required = true, value_name = "\"NAME RESULT\"")]
    specimen: Vec<String>,
    /// When they left the tarp; when tested if absent
    #[arg(long, value_name = "TIME")]
    pulled: Option<String>,
    #[command(flatten)]
    act: ActArgs,
}

#[derive(Debug, Args)]
pub struct PositionArgs {
    /// Bed or pour
    pour: String,
    #[arg(long)]
    position: String,
    #[command(flatten)]
    act: ActArgs,
}

#[derive(Debug, Args)]
pub struct ResolveArgs {
    /// Bed or pour
    pour: String,
    /// Id of the act that recorded the break ("tarplight acts" prints it)
    #[arg(long, value_name = "UUID")]
    break_id: Uuid,
    #[command(flatten)]
    act: ActArgs,
}

#[derive(Debug, Args)]
#[command(
    after_help = "The cylinders decide and a person signs. Follow the engineer's detensioning sequence \
                  and local codes.\nExample: tarplight release N4 --line N4 --by \"Q. Lane\""
)]
pub struct ReleaseArgs {
    /// Bed or pour
    pour: String,
    /// The line's name, typed so that no other line is signed by mistake
    #[arg(long)]
    line: String,
    /// Ids of the breaks relied upon; those that confirm if absent
    #[arg(long = "break", value_name = "UUID")]
    breaks: Vec<Uuid>,
    #[command(flatten)]
    act: ActArgs,
}

pub async fn run(desk: &Desk, command: ActCommand) -> anyhow::Result<()> {
    let plant = desk.plant().await?;
    let (named, act, body) = match command {
        ActCommand::Placement(args) => {
            let body = placement(&plant, &args)?;
            (args.pour, args.act, body)
        }
        ActCommand::Load(args) => {
            let body = load(&plant, &args)?;
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
        ActCommand::Cylinders(CylindersCommand::Made(args)) => {
            let body = made(&args)?;
            (args.pour, args.act, body)
        }
        ActCommand::Cylinders(CylindersCommand::Pulled {
            pour,
            set,
            specimens,
            act,
        }) => (
            pour,
            act,
            ActBody::CylindersPulled {
                set,
                specimens: entry::names(&specimens),
            },
        ),
        ActCommand::Plug(PlugCommand::Move {
            pour,
            channel,
            role,
            position,
            set,
            act,
        }) => {
            let role = role.into();
            (
                pour,
                act,
                ActBody::PlugMoved(ChannelBinding {
                    channel,
                    role,
                    position,
                    set,
                    from_at: None,
                }),
            )
        }
        ActCommand::Probe(args) => {
            let temperature_c = Celsius::parse(&args.temperature)
                .context("--temperature")?
                .0;
            (
                args.pour,
                args.act,
                ActBody::HandProbed {
                    position: args.position,
                    temperature_c,
                },
            )
        }
        ActCommand::Break(args) => {
            let body = broken(&plant, &args)?;
            (args.pour, args.act, body)
        }
        ActCommand::Exclude(args) => (
            args.pour,
            reasoned(args.act)?,
            ActBody::PositionExcluded {
                position: args.position,
            },
        ),
        ActCommand::Restore(args) => (
            args.pour,
            args.act,
            ActBody::PositionRestored {
                position: args.position,
            },
        ),
        ActCommand::AcceptGaps(args) => (
            args.pour,
            reasoned(args.act)?,
            ActBody::GapsAccepted {
                position: args.position,
            },
        ),
        ActCommand::Resolve(args) => {
            let body = ActBody::DisagreementResolved {
                break_id: args.break_id,
            };
            (args.pour, reasoned(args.act)?, body)
        }
        ActCommand::Release(args) => {
            let body = release(&plant, &args)?;
            // The reason is part of the sign-off itself.
            (
                args.pour,
                ActArgs {
                    why: None,
                    ..args.act
                },
                body,
            )
        }
        ActCommand::Strip(args) => (args.pour, args.act, ActBody::Stripped {}),
        ActCommand::Abandon(args) => (args.pour, reasoned(args.act)?, ActBody::Abandoned {}),
    };
    let pour = plant.pour(&named)?.pour.clone();
    desk.send(&plant.act(desk, &pour, &act, body)?).await
}

/// The act with its reason, where one is needed.
fn reasoned(act: ActArgs) -> anyhow::Result<ActArgs> {
    if act.why.as_ref().is_none_or(|why| why.trim().is_empty()) {
        bail!("this act needs its reason: give --why \"REASON\"");
    }
    Ok(act)
}

fn placement(plant: &Plant, args: &PlacementArgs) -> anyhow::Result<ActBody> {
    let past = |option: &str, typed: &Option<String>| {
        typed
            .as_ref()
            .map(|typed| plant.past(option, typed))
            .transpose()
    };
    let stoppages: Vec<Stoppage> = args
        .stoppage
        .iter()
        .map(|typed| stoppage(plant, typed))
        .collect::<Result<_, _>>()?;
    if args.first.is_none() && args.last.is_none() && stoppages.is_empty() {
        bail!("nothing was given: --first TIME, --last TIME or --stoppage \"STATION FROM TO\"");
    }
    Ok(ActBody::PlacementRecorded(PlacementRecorded {
        first_at: past("first", &args.first)?,
        last_at: past("last", &args.last)?,
        stoppages,
    }))
}

fn stoppage(plant: &Plant, typed: &str) -> anyhow::Result<Stoppage> {
    let words: Vec<&str> = typed.split_whitespace().collect();
    let [station @ .., from, to] = &words[..] else {
        bail!("--stoppage \"{typed}\": give the station, from and to, as in \"30 m 13:40 14:05\"");
    };
    Ok(Stoppage {
        station_m: Metre::parse(&station.join(" "))
            .context("--stoppage, station")?
            .0,
        from_at: plant.past("stoppage", from)?,
        to_at: plant.past("stoppage", to)?,
    })
}

fn load(plant: &Plant, args: &LoadArgs) -> anyhow::Result<ActBody> {
    Ok(ActBody::LoadPlaced(Load {
        ticket: args.ticket.clone(),
        batched_at: args
            .batched
            .as_ref()
            .map(|typed| plant.past("batched", typed))
            .transpose()?,
        placed_from_at: plant.past("placed-from", &args.placed_from)?,
        placed_to_at: plant.past("placed-to", &args.placed_to)?,
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
        purpose: match args.purpose {
            Purpose::Release => SetPurpose::Release,
            Purpose::Later => SetPurpose::Later,
        },
        specimens,
        storage: match args.storage {
            Storage::UnderTarp => SetStorage::UnderTarp,
            Storage::MatchCured => SetStorage::MatchCured,
            Storage::Standard => SetStorage::Standard,
        },
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
    let tested_at = plant.past("at", &args.act.at)?;
    let pulled_at = args
        .pulled
        .as_ref()
        .map(|typed| plant.past("pulled", typed))
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
    if args.line != pour.line {
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
            words::estimate(&one.estimate, plant.units),
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
