//! Every route in one table, and where the daemon answers unless told otherwise.

/// The daemon's address unless the plant file names another; loopback, like every allowed one.
pub const DEFAULT_ADDRESS: &str = "127.0.0.1:7871";

/// `GET`: the whole plant ([`crate::PlantSnapshot`]).
pub const SNAPSHOT: &str = "/v1/plant";
/// `GET`: one bed ([`crate::BedView`]).
pub const BED: &str = "/v1/beds/{bed}";
/// `GET`: one pour, finished ones included ([`crate::PourView`]).
pub const POUR: &str = "/v1/pours/{pour}";
/// `GET ?points=N`: temperatures and strength over time ([`crate::series::SeriesAnswer`]).
pub const SERIES: &str = "/v1/pours/{pour}/series";
/// `POST`: one [`crate::Act`], answered after commit ([`crate::ActAnswer`]); with `?dry_run=true` nothing is
/// recorded and the answer says what it would change. `GET ?pour=P`: acts in order, as recorded.
pub const ACTS: &str = "/v1/acts";
/// `GET ?pour=P`: acts in order with what became of each ([`crate::effect::RecordEntry`]).
pub const RECORD: &str = "/v1/record";
/// `POST`: [`crate::reading::Backfill`], answered after commit.
pub const READINGS: &str = "/v1/readings";
/// `GET`: the event stream ([`crate::event::PlantEvent`]).
pub const EVENTS: &str = "/v1/events";
/// `GET ?at=TIME`: state lines, one JSON line per pour under cure, exactly as replay prints them.
pub const STATE_LINES: &str = "/v1/state-lines";
/// `GET`: every alarm that is not normal ([`crate::alarm::AlarmsAnswer`]).
pub const ALARMS: &str = "/v1/alarms";
/// `GET ?from=TIME&to=TIME`: what happened to alarms ([`crate::alarm::AlarmHistory`]).
pub const ALARM_HISTORY: &str = "/v1/alarms/history";
/// `GET`: what wants a person, in order of time ([`crate::plan::PlanAnswer`]).
pub const PLAN: &str = "/v1/plan";
/// `GET ?from=TIME&to=TIME`: notes, acts and alarms in one account ([`crate::shift::ShiftLog`]).
pub const SHIFT_LOG: &str = "/v1/shift-log";
/// `GET`: mixes with their curves and what breaks say of them ([`crate::mix::MixesAnswer`]).
pub const MIXES: &str = "/v1/mixes";
/// `GET ?since=TIME`: every channel that speaks, in a pour or not ([`crate::channel::ChannelsAnswer`]).
pub const CHANNELS: &str = "/v1/channels";
/// `GET ?from=TIME`: breaks of a mix with their specimens' temperatures ([`crate::mix::BreaksAnswer`]).
pub const MIX_BREAKS: &str = "/v1/mixes/{mix}/breaks";
/// `GET`: readings in receipt order as CSV, exactly as replay reads them.
pub const READINGS_CSV: &str = "/v1/readings.csv";
/// `GET`: every act as JSON lines, exactly as replay reads them.
pub const ACTS_JSONL: &str = "/v1/acts.jsonl";
