//! The options of every act on an open pour, as the command line takes them.

use clap::{Args, Subcommand, ValueEnum};
use daemon_api::act::{ChannelRole, SetPurpose, SetStorage};
use uuid::Uuid;

use super::ActArgs;

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
    pub pour: String,
    #[command(flatten)]
    pub act: ActArgs,
}

#[derive(Debug, Args)]
#[command(after_help = "Example: tarplight placement N4 --first 13:10 --last 14:35")]
pub struct PlacementArgs {
    /// Bed or pour
    pub pour: String,
    /// First placement
    #[arg(long, value_name = "TIME")]
    pub first: Option<String>,
    /// Last placement
    #[arg(long, value_name = "TIME")]
    pub last: Option<String>,
    /// Placement stood still: station, from, to, as in "30 m 13:40 14:05"
    #[arg(long, value_name = "\"STATION FROM TO\"")]
    pub stoppage: Vec<String>,
    #[command(flatten)]
    pub act: ActArgs,
}

#[derive(Debug, Args)]
#[command(
    after_help = "Example: tarplight load N4 --ticket 4711 --batched 12:55 --placed-from 13:10 \
                  --placed-to 13:30 --from \"0 ft\" --to \"60 ft\""
)]
pub struct LoadArgs {
    /// Bed or pour
    pub pour: String,
    /// Number of the batch ticket
    #[arg(long)]
    pub ticket: String,
    /// When water met cement
    #[arg(long, value_name = "TIME")]
    pub batched: Option<String>,
    /// When its placement began
    #[arg(long, value_name = "TIME")]
    pub placed_from: String,
    /// When its placement ended
    #[arg(long, value_name = "TIME")]
    pub placed_to: String,
    /// First station it covers
    #[arg(long, value_name = "STATION")]
    pub from: String,
    /// Last station it covers
    #[arg(long, value_name = "STATION")]
    pub to: String,
    #[command(flatten)]
    pub act: ActArgs,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum OnOff {
    On,
    Off,
}

#[derive(Debug, Args)]
pub struct HeatArgs {
    pub turned: OnOff,
    /// Bed or pour
    pub pour: String,
    #[command(flatten)]
    pub act: ActArgs,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum LiftedBack {
    Lifted,
    Back,
}

#[derive(Debug, Args)]
pub struct TarpArgs {
    pub moved: LiftedBack,
    /// Bed or pour
    pub pour: String,
    #[command(flatten)]
    pub act: ActArgs,
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
    pub pour: String,
    #[arg(long)]
    pub set: String,
    /// Names with commas
    #[arg(long)]
    pub specimens: String,
    #[arg(long, value_enum, default_value_t = Purpose::Release)]
    pub purpose: Purpose,
    #[arg(long, value_enum, default_value_t = Storage::UnderTarp)]
    pub storage: Storage,
    /// The position that match-cured specimens follow
    #[arg(long, value_name = "POSITION")]
    pub follows: Option<String>,
    /// Loads they were sampled from, with commas
    #[arg(long, default_value = "")]
    pub loads: String,
    #[arg(long, value_name = "LENGTH")]
    pub diameter: String,
    #[arg(long, value_name = "LENGTH")]
    pub length: String,
    #[command(flatten)]
    pub act: ActArgs,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum Purpose {
    Release,
    Later,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum Storage {
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
    pub pour: String,
    #[arg(long)]
    pub position: String,
    #[arg(long, value_name = "TEMPERATURE")]
    pub temperature: String,
    #[command(flatten)]
    pub act: ActArgs,
}

#[derive(Debug, Args)]
#[command(
    after_help = "Example: tarplight break N4 --set A --specimen \"A1 50265 lbf 4 in\" --specimen \
                  \"A2 3590 psi\" --pulled 04:30 --at 04:45\n\n--at is when they were tested."
)]
pub struct BreakArgs {
    /// Bed or pour
    pub pour: String,
    #[arg(long)]
    pub set: String,
    /// Name, then load or strength, then the diameter if measured
    #[arg(long, required = true, value_name = "\"NAME RESULT\"")]
    pub specimen: Vec<String>,
    /// When they left the tarp; when tested if absent
    #[arg(long, value_name = "TIME")]
    pub pulled: Option<String>,
    #[command(flatten)]
    pub act: ActArgs,
}

#[derive(Debug, Args)]
pub struct PositionArgs {
    /// Bed or pour
    pub pour: String,
    #[arg(long)]
    pub position: String,
    #[command(flatten)]
    pub act: ActArgs,
}

#[derive(Debug, Args)]
pub struct ResolveArgs {
    /// Bed or pour
    pub pour: String,
    /// Id of the act that recorded the break ("tarplight acts" prints it)
    #[arg(long, value_name = "UUID")]
    pub break_id: Uuid,
    #[command(flatten)]
    pub act: ActArgs,
}

#[derive(Debug, Args)]
#[command(
    after_help = "The cylinders decide and a person signs. Follow the engineer's detensioning sequence \
                  and local codes.\nExample: tarplight release N4 --line N4 --by \"Q. Lane\""
)]
pub struct ReleaseArgs {
    /// Bed or pour
    pub pour: String,
    /// The line's name, typed so that no other line is signed by mistake
    #[arg(long)]
    pub line: String,
    /// Ids of the breaks relied upon; those that confirm if absent
    #[arg(long = "break", value_name = "UUID")]
    pub breaks: Vec<Uuid>,
    #[command(flatten)]
    pub act: ActArgs,
}

impl From<Purpose> for SetPurpose {
    fn from(purpose: Purpose) -> Self {
        match purpose {
            Purpose::Release => Self::Release,
            Purpose::Later => Self::Later,
        }
    }
}

impl From<Storage> for SetStorage {
    fn from(storage: Storage) -> Self {
        match storage {
            Storage::UnderTarp => Self::UnderTarp,
            Storage::MatchCured => Self::MatchCured,
            Storage::Standard => Self::Standard,
        }
    }
}
