//! `tarplight pour open` and `tarplight pour correct`, from a file or from flags.

use std::path::{Path, PathBuf};

use anyhow::{Context as _, bail};
use chrono::{DateTime, Utc};
use clap::{Args, Subcommand};
use daemon_api::act::{
    ActBody, ChannelBinding, ChannelRole, HeatPlan, Position, PourCorrected, PourOpened,
    Requirement, StrengthAct,
};
use serde::de::DeserializeOwned;
use units::{Celsius, Megapascal, Metre};

use super::ActArgs;
use super::acts::reasoned;
use super::pour_file::{self, Clock, Said};
use super::send::{Desk, Plant};
use crate::when::{self, Beginning};

#[derive(Debug, Subcommand)]
pub enum PourCommand {
    /// Open a pour, from a file or from flags
    Open(Box<OpenArgs>),
    /// Correct what was said when a pour was opened; what is not given stays
    Correct(Box<CorrectArgs>),
}

#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  tarplight pour open --file pour.toml\n  tarplight pour open --bed N4 --mix DT-45 \
                  --required \"3500 psi\" --from \"0 ft\" --to \"200 ft\" \\\n      --first-placement 13:10 \
                  --heat-on 17:30 --heat-off \"4 am\" \\\n      --position \"P1 20 ft stem\" --channel \"N4-01 P1\" --channel \"N4-09 enclosure\"\n\nIn \
                  the file a quantity is a number under its SI key (strength_mpa = 24.1) or text with its \
                  unit\n(strength = \"3500 psi\"); pour, by, at and why may stand beside it."
)]
pub struct OpenArgs {
    /// TOML file of the pour
    #[arg(long, conflicts_with_all = ["bed", "mix", "required", "from", "to"])]
    file: Option<PathBuf>,
    /// Id of the pour; bed and date if absent
    #[arg(long)]
    pour: Option<String>,
    #[arg(long, required_unless_present = "file")]
    bed: Option<String>,
    #[arg(long, required_unless_present = "file")]
    mix: Option<String>,
    /// Required release strength
    #[arg(long, value_name = "STRENGTH", required_unless_present = "file")]
    required: Option<String>,
    /// First station of the concrete
    #[arg(long, value_name = "STATION", required_unless_present = "file")]
    from: Option<String>,
    /// Last station of the concrete
    #[arg(long, value_name = "STATION", required_unless_present = "file")]
    to: Option<String>,
    /// What is stressed and cut together; the bed's name if absent
    #[arg(long, conflicts_with = "file")]
    line: Option<String>,
    #[arg(long, value_name = "TIME", conflicts_with = "file")]
    first_placement: Option<String>,
    #[arg(long, value_name = "TIME", conflicts_with = "file")]
    last_placement: Option<String>,
    /// When the plant wants to release, the next such time
    #[arg(long, value_name = "TIME", conflicts_with = "file")]
    wanted: Option<String>,
    /// When heat is to go on: the next such time after the first placement
    #[arg(long, value_name = "TIME", conflicts_with = "file")]
    heat_on: Option<String>,
    /// When heat is to go off
    #[arg(long, value_name = "TIME", conflicts_with = "file")]
    heat_off: Option<String>,
    /// Temperature of the air under the tarp that is held meanwhile
    #[arg(long, value_name = "TEMPERATURE", conflicts_with = "file")]
    soak: Option<String>,
    /// This bed gets no heat
    #[arg(long, conflicts_with_all = ["file", "heat_on", "heat_off", "soak"])]
    without_heat: bool,
    /// A measured position: name, station, place in the section
    #[arg(long, value_name = "\"NAME STATION PLACE\"", conflicts_with = "file")]
    position: Vec<String>,
    /// What a channel reads: a position's name, "enclosure" or "ambient"
    #[arg(long, value_name = "\"CHANNEL WHAT\"", conflicts_with = "file")]
    channel: Vec<String>,
    #[command(flatten)]
    act: ActArgs,
}

#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  tarplight pour correct N4 --mix DT-50 --why \"ticket 4711 says so\"\n  tarplight \
                  pour correct N4 --file correction.toml --why \"plugs were mixed up\"\n\nWhat is not named stays: \
                  channels are told apart by what they read and since when, positions by id,\npieces by mark. \
                  What is no longer there is named under [remove]: channels, positions, pieces."
)]
pub struct CorrectArgs {
    /// Bed or pour
    named: String,
    /// TOML file with the fields to correct
    #[arg(long)]
    file: Option<PathBuf>,
    #[arg(long, conflicts_with = "file")]
    mix: Option<String>,
    #[arg(long, conflicts_with = "file")]
    line: Option<String>,
    /// Required release strength
    #[arg(long, value_name = "STRENGTH", conflicts_with = "file")]
    required: Option<String>,
    /// First station of the concrete
    #[arg(long, value_name = "STATION", conflicts_with = "file")]
    from: Option<String>,
    /// Last station of the concrete
    #[arg(long, value_name = "STATION", conflicts_with = "file")]
    to: Option<String>,
    /// When the plant wants to release, the next such time
    #[arg(long, value_name = "TIME", conflicts_with = "file")]
    wanted: Option<String>,
    /// Whether this bed gets no heat
    #[arg(long, value_name = "true|false", conflicts_with = "file")]
    without_heat: Option<bool>,
    /// A channel that reads nothing of this pour any more
    #[arg(long, value_name = "CHANNEL")]
    remove_channel: Vec<String>,
    #[command(flatten)]
    act: ActArgs,
}

pub async fn run(desk: &Desk, command: PourCommand) -> anyhow::Result<()> {
    let plant = desk.plant().await?;
    match command {
        PourCommand::Open(args) => {
            let (said, opened) = match &args.file {
                Some(path) => read::<PourOpened>(&plant, path)?,
                None => (Said::default(), opened(&plant, &args)?),
            };
            let pour = args.pour.clone().or_else(|| said.pour.clone());
            let pour = pour.unwrap_or_else(|| new_id(&plant, &opened.bed));
            let act = with_said(args.act, &said);
            let body = ActBody::PourOpened(Box::new(opened));
            send(desk, &plant, &said, &pour, &act, body).await
        }
        PourCommand::Correct(args) => {
            let (said, corrected) = match &args.file {
                Some(path) => read::<PourCorrected>(&plant, path)?,
                None => (Said::default(), corrected(&plant, &args)?),
            };
            let pour = plant.pour(&args.named)?.pour.clone();
            if said.pour.as_ref().is_some_and(|said| *said != pour) {
                bail!("the file corrects another pour than {pour}: name the same one in both");
            }
            let mut corrected = corrected;
            corrected.remove.channels.extend(args.remove_channel);
            if corrected == PourCorrected::default() {
                bail!("nothing was given to correct: use --file or a flag such as --mix");
            }
            // What is not named stays; taking something out is said by `remove`.
            corrected.merge = true;
            let act = reasoned(with_said(args.act, &said))?;
            let body = ActBody::PourCorrected(Box::new(corrected));
            send(desk, &plant, &said, &pour, &act, body).await
        }
    }
}

fn read<T: DeserializeOwned>(plant: &Plant, path: &Path) -> anyhow::Result<(Said, T)> {
    let name = path.display().to_string();
    let text = std::fs::read_to_string(path).with_context(|| format!("{name} cannot be read"))?;
    pour_file::read(
        &name,
        &text,
        Clock {
            zone: plant.zone,
            now: plant.now,
        },
    )
}

/// The command line counts before the file.
fn with_said(mut act: ActArgs, said: &Said) -> ActArgs {
    if act.at == "now"
        && let Some(at) = &said.at
    {
        act.at.clone_from(at);
    }
    act.why = act.why.or_else(|| said.why.clone());
    act
}

async fn send(
    desk: &Desk,
    plant: &Plant,
    said: &Said,
    pour: &str,
    act: &ActArgs,
    body: ActBody,
) -> anyhow::Result<()> {
    let desk = desk.with_default_by(said.by.as_deref());
    desk.send(&plant.act(&desk, pour, act, body)?, act).await
}

/// Bed and date, with a number where that day's is taken.
fn new_id(plant: &Plant, bed: &str) -> String {
    let plain = format!("{bed}-{}", plant.zone.date(plant.now));
    let is_taken = |id: &str| {
        plant
            .snapshot
            .beds
            .iter()
            .flat_map(|bed| &bed.pours)
            .any(|pour| pour.pour == id)
    };
    (2..)
        .map(|number| format!("{plain}-{number}"))
        .find(|id| !is_taken(id))
        .filter(|_| is_taken(&plain))
        .unwrap_or(plain)
}

fn station(option: &str, typed: Option<&String>) -> anyhow::Result<Option<f64>> {
    typed
        .map(|typed| Metre::parse(typed).map(|station| station.0))
        .transpose()
        .with_context(|| format!("--{option}"))
}

fn release_strength(typed: Option<&String>) -> anyhow::Result<Option<Vec<Requirement>>> {
    typed
        .map(|typed| {
            let strength_mpa = Megapascal::parse(typed).context("--required")?.0;
            Ok(vec![Requirement {
                act: StrengthAct::Release,
                strength_mpa,
            }])
        })
        .transpose()
}

fn opened(plant: &Plant, args: &OpenArgs) -> anyhow::Result<PourOpened> {
    let first_placement_at = args
        .first_placement
        .as_ref()
        .map(|typed| when::placed(plant.zone, typed, plant.now))
        .transpose()
        .context("--first-placement")?;
    let first = first_placement_at.map(|at| Beginning::after(at, "--first-placement"));
    let last_placement_at = args
        .last_placement
        .as_ref()
        .map(|typed| plant.past("last-placement", typed, first.as_ref()))
        .transpose()?;
    Ok(PourOpened {
        bed: args.bed.clone().context("--bed is missing")?,
        line: args.line.clone(),
        layer: None,
        mix: args.mix.clone().context("--mix is missing")?,
        curve: None,
        from_station_m: station("from", args.from.as_ref())?.context("--from is missing")?,
        to_station_m: station("to", args.to.as_ref())?.context("--to is missing")?,
        first_placement_at,
        last_placement_at,
        required: release_strength(args.required.as_ref())?.context("--required is missing")?,
        pieces: Vec::new(),
        positions: args
            .position
            .iter()
            .map(|typed| position(typed))
            .collect::<Result<_, _>>()?,
        channels: args
            .channel
            .iter()
            .map(|typed| channel(typed))
            .collect::<Result<_, _>>()?,
        loads: Vec::new(),
        cylinder_sets: Vec::new(),
        section: None,
        cementitious_kg_m3: None,
        fresh: None,
        heat_plan: heat_plan(plant, args, first_placement_at)?,
        without_heat: args.without_heat,
        wanted_release_at: next(plant, "wanted", args.wanted.as_ref(), first_placement_at)?,
        limit_set: None,
    })
}

fn heat_plan(
    plant: &Plant,
    args: &OpenArgs,
    first_placement_at: Option<DateTime<Utc>>,
) -> anyhow::Result<Option<HeatPlan>> {
    let on_at = next(plant, "heat-on", args.heat_on.as_ref(), first_placement_at)?;
    let off_at = next(
        plant,
        "heat-off",
        args.heat_off.as_ref(),
        on_at.or(first_placement_at),
    )?;
    let soak = args.soak.as_ref().map(|typed| Celsius::parse(typed));
    let soak_c = soak.transpose().context("--soak")?.map(|soak| soak.0);
    let plan = HeatPlan {
        on_at,
        rise_c_per_h: None,
        soak_c,
        off_at,
    };
    Ok((plan != HeatPlan::default()).then_some(plan))
}

/// A time that is planned: the next such one after what comes before it.
fn next(
    plant: &Plant,
    option: &str,
    typed: Option<&String>,
    after: Option<DateTime<Utc>>,
) -> anyhow::Result<Option<DateTime<Utc>>> {
    let from = after.unwrap_or(plant.now);
    typed
        .map(|typed| when::planned(plant.zone, typed, plant.now, from))
        .transpose()
        .with_context(|| format!("--{option}"))
}

/// `P1 20 ft stem`: a name, a station with its unit, the place in the section.
fn position(typed: &str) -> anyhow::Result<Position> {
    let words: Vec<&str> = typed.split_whitespace().collect();
    let advice =
        || format!("--position \"{typed}\": give name, station and place, as in \"P1 20 ft stem\"");
    let [id, rest @ ..] = &words[..] else {
        bail!(advice())
    };
    // The unit stands in the station's own word ("20ft") or in the next one ("20 ft").
    let (station, place) = match rest {
        [number, rest @ ..] if Metre::parse(number).is_ok() => (Metre::parse(number), rest),
        [number, unit, rest @ ..] => (Metre::parse(&format!("{number} {unit}")), rest),
        _ => bail!(advice()),
    };
    Ok(Position {
        id: (*id).to_owned(),
        station_m: station.with_context(advice)?.0,
        place: place.join(" "),
        depth_mm: None,
    })
}

/// `N4-01 P1`, `N4-09 enclosure`.
fn channel(typed: &str) -> anyhow::Result<ChannelBinding> {
    let words: Vec<&str> = typed.split_whitespace().collect();
    let [channel, what] = words[..] else {
        bail!(
            "--channel \"{typed}\": give the channel and what it reads, as in \"N4-01 P1\" or \"N4-09 enclosure\""
        );
    };
    let (role, position) = match what {
        "enclosure" => (ChannelRole::Enclosure, None),
        "ambient" => (ChannelRole::Ambient, None),
        position => (ChannelRole::Concrete, Some(position.to_owned())),
    };
    Ok(ChannelBinding {
        channel: channel.to_owned(),
        role,
        position,
        set: None,
        from_at: None,
    })
}

fn corrected(plant: &Plant, args: &CorrectArgs) -> anyhow::Result<PourCorrected> {
    Ok(PourCorrected {
        line: args.line.clone(),
        mix: args.mix.clone(),
        required: release_strength(args.required.as_ref())?,
        from_station_m: station("from", args.from.as_ref())?,
        to_station_m: station("to", args.to.as_ref())?,
        wanted_release_at: args
            .wanted
            .as_ref()
            .map(|typed| plant.future("wanted", typed))
            .transpose()?,
        without_heat: args.without_heat,
        ..PourCorrected::default()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_position_is_read_with_or_without_a_space_before_the_unit() {
        for typed in ["P1 20 ft end block", "P1 20ft end block"] {
            let position = position(typed).expect(typed);
            assert_eq!(position.id, "P1");
            assert!((position.station_m - 6.096).abs() < 1e-9);
            assert_eq!(position.place, "end block");
        }
        let refused = position("P1 stem").expect_err("no station").to_string();
        assert!(refused.contains("as in \"P1 20 ft stem\""), "{refused}");
    }

    #[test]
    fn a_channel_reads_a_position_or_the_air() {
        let bound = channel("N4-01 P1").expect("a binding");
        assert_eq!(
            (bound.role, bound.position.as_deref()),
            (ChannelRole::Concrete, Some("P1"))
        );
        assert_eq!(
            channel("N4-09 enclosure").expect("a binding").role,
            ChannelRole::Enclosure
        );
        assert!(channel("N4-01").is_err());
    }
}
