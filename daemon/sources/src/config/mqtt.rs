//! `[[mqtt]]`: a broker and the topics on which loggers publish.

mod check;

use std::path::PathBuf;

use serde::Deserialize;

pub use check::check_mqtt;

use crate::decode::Decoded;
use crate::decode::json::JsonPayload;
use crate::decode::plain::PlainPayload;
use crate::decode::senml::SenmlPayload;
use crate::decode::value::{FaultWords, TemperatureUnit};

/// As written in plant.toml.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MqttTable {
    /// What people call it. Required.
    pub name: String,
    /// The broker's host name or address. Required.
    pub host: String,
    /// Default 1883.
    #[serde(default = "default_port")]
    pub port: u16,
    /// The broker keeps undelivered readings under this name: never change it, never use it twice.
    /// Default `"tarplight"`.
    #[serde(default = "default_client_id")]
    pub client_id: String,
    /// Default none.
    pub username: Option<String>,
    /// A file whose first line is the password. Default none.
    pub password_file: Option<PathBuf>,
    /// An environment variable that holds the password. Default none.
    pub password_env: Option<String>,
    /// How often to make sure that the broker is there. Seconds, 5 to 3600. Default 30.
    #[serde(default = "default_keep_alive_s")]
    pub keep_alive_s: u16,
    /// Larger messages are refused. Bytes, 1024 to 268435455. Default 1048576.
    #[serde(default = "default_max_packet_bytes")]
    pub max_packet_bytes: usize,
    /// `[[mqtt.subscription]]`; at least one.
    #[serde(default)]
    pub subscription: Vec<SubscriptionTable>,
}

/// `[[mqtt.subscription]]`: one form of payload on one topic filter.
///
/// A filter may stand in several subscriptions, where one payload carries several values.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SubscriptionTable {
    /// The topic filter, with `+` for any one level and `#` for all that follow. Required.
    pub topic: String,
    /// `"plain"` (one number), `"json"` or `"senml"`. Required.
    pub payload: PayloadForm,
    /// The channel's name. `{1}`, `{2}`, … stand for topic levels, `{name}` for the name that the
    /// payload gives. Required for plain; default `"{name}"` for senml and for json with
    /// `name_pointer`.
    pub channel: Option<String>,
    /// plain and json: the unit where the payload names none, `"C"`, `"F"` or `"K"`. Default `"C"`.
    pub unit: Option<TemperatureUnit>,
    /// plain and json: `21,5` means 21.5. Default false.
    pub decimal_comma: Option<bool>,
    /// What stands in the value's place for a fault: `{ "OPEN" = "open" }`. Default none.
    #[serde(default)]
    pub fault_words: FaultWords,
    /// json: where an array of records stands; the other pointers then start at each. Default none.
    pub records_pointer: Option<String>,
    /// json: where the value stands, such as `"/temp"`. Required for json.
    pub value_pointer: Option<String>,
    /// json: where the time stands. Without it, the time of arrival counts. Default none.
    pub time_pointer: Option<String>,
    /// json: where the channel's name stands. Default none.
    pub name_pointer: Option<String>,
    /// json: where the unit stands. Default none.
    pub unit_pointer: Option<String>,
    /// json with `time_pointer`: `"rfc3339"`, `"epoch-s"`, `"epoch-ms"` or a pattern. Default
    /// `"rfc3339"`.
    pub time: Option<String>,
    /// `"utc"` or an offset such as `"+02:00"`, for a pattern without an offset.
    pub zone: Option<String>,
    /// senml: `"payload"` where the logger stamps its records, `"arrival"` where it has no clock.
    /// Default `"payload"`.
    pub clock: Option<ClockPlace>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PayloadForm {
    Plain,
    Json,
    Senml,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ClockPlace {
    Payload,
    Arrival,
}

fn default_port() -> u16 {
    1883
}

fn default_client_id() -> String {
    "tarplight".to_owned()
}

fn default_keep_alive_s() -> u16 {
    30
}

fn default_max_packet_bytes() -> usize {
    1 << 20
}

impl MqttSource {
    /// The name by which the broker knows this connection.
    #[must_use]
    pub fn client_id(&self) -> &str {
        &self.client_id
    }
}

/// A broker that can be connected to.
#[derive(Debug, Clone)]
pub struct MqttSource {
    pub name: String,
    pub host: String,
    pub port: u16,
    pub(crate) client_id: String,
    pub(crate) login: Option<Login>,
    pub(crate) keep_alive_s: u16,
    pub(crate) max_packet_bytes: usize,
    /// Loggers that stamp their readings.
    pub(crate) clocked: Vec<Subscription>,
    /// Loggers without a clock.
    pub(crate) clockless: Vec<Subscription>,
}

impl MqttSource {
    /// The names under which its events come: one connection for loggers with a clock, one for
    /// those without.
    pub fn source_names(&self) -> Vec<String> {
        let clocked = (!self.clocked.is_empty()).then(|| self.name.clone());
        let clockless = (!self.clockless.is_empty()).then(|| self.clockless_name());
        clocked.into_iter().chain(clockless).collect()
    }

    pub(crate) fn clockless_name(&self) -> String {
        format!("{} (no clock)", self.name)
    }
}

#[derive(Clone)]
pub(crate) struct Login {
    pub username: String,
    pub password: String,
}

impl std::fmt::Debug for Login {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter
            .debug_struct("Login")
            .field("username", &self.username)
            .finish_non_exhaustive()
    }
}

#[derive(Debug, Clone)]
pub struct Subscription {
    pub(crate) filter: String,
    pub(crate) decoder: Decoder,
}

#[derive(Debug, Clone)]
pub enum Decoder {
    Plain(PlainPayload),
    Json(JsonPayload),
    Senml(SenmlPayload),
}

impl Decoder {
    pub fn decode(&self, topic: &str, payload: &[u8]) -> Vec<Decoded> {
        match self {
            Self::Plain(plain) => vec![plain.decode(topic, payload)],
            Self::Json(json) => json.decode(topic, payload),
            Self::Senml(senml) => senml.decode(topic, payload),
        }
    }
}

#[cfg(test)]
mod tests;
