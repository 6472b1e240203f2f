//! Bytes turned into deliveries: serial lines, MQTT payloads and the CSV of a logger's memory.
//!
//! Nothing is decided here about trust or storage. A delivery carries readings as the logger said
//! them and refusals with their names; whoever takes it commits it and then acknowledges it.
//! All plant time comes from the caller's [`Clock`]; network time-outs and back-off stay on wall
//! time, because a plant clock may run at another speed.

mod backoff;
pub mod config;
pub mod decode;
mod delivery;
mod mqtt;
mod serial;

pub use config::{
    ConfigError, MqttSource, MqttTable, SerialSource, SerialTable, check_mqtt, check_serial,
};
pub use decode::csv::{CsvError, CsvFormat, CsvOptions, CsvRow, ReplayRow, read_replay_csv};
pub use delivery::{
    AckToken, Clock, Content, Delivery, FaultWord, Item, Refusal, RefusalKind, SourceEvent,
    SourceReading, Via,
};
pub use mqtt::spawn_mqtt;
pub use serial::spawn_serial;
