//! An `[[mqtt]]` table checked, key by key, and its subscriptions parted by who has a clock.

use std::collections::HashMap;
use std::net::Ipv6Addr;

use super::{
    ClockPlace, Decoder, Login, MqttSource, MqttTable, PayloadForm, Subscription, SubscriptionTable,
};
use crate::config::{ConfigError, check_names};
use crate::decode::channel::ChannelTemplate;
use crate::decode::json::{JsonPayload, Pointer};
use crate::decode::plain::PlainPayload;
use crate::decode::senml::SenmlPayload;
use crate::decode::time::TimeFormat;
use crate::decode::value::ValueRule;

/// The largest packet that the protocol can carry.
const PROTOCOL_PACKET_BYTES_MAX: usize = 268_435_455;

/// A key and what is wrong with it.
type Wrong = (&'static str, String);

impl MqttTable {
    pub fn check(self) -> Result<MqttSource, ConfigError> {
        check_names("mqtt", std::iter::once(self.name.as_str()))?;
        let wrong = |(key, problem): Wrong| ConfigError::new("mqtt", &self.name, key, problem);
        self.check_own_values().map_err(wrong)?;
        let login = self.login().map_err(wrong)?;
        let mut clocked = Vec::new();
        let mut clockless = Vec::new();
        for (index, table) in self.subscription.iter().enumerate() {
            let (place, checked) = table.check().map_err(|(key, problem)| {
                let key = format!("subscription {} ({}): {key}", index + 1, table.topic);
                ConfigError::new("mqtt", &self.name, key, problem)
            })?;
            match place {
                ClockPlace::Payload => clocked.push(checked),
                ClockPlace::Arrival => clockless.push(checked),
            }
        }
        for subscriptions in [&clocked, &clockless] {
            check_overlaps(subscriptions).map_err(wrong)?;
        }
        Ok(MqttSource {
            name: self.name,
            // The client library joins host and port with a colon, of which an address has many.
            host: match self.host.parse::<Ipv6Addr>() {
                Ok(address) => format!("[{address}]"),
                Err(_) => self.host,
            },
            port: self.port,
            client_id: self.client_id,
            login,
            keep_alive_s: self.keep_alive_s,
            max_packet_bytes: self.max_packet_bytes,
            clocked,
            clockless,
        })
    }

    fn check_own_values(&self) -> Result<(), Wrong> {
        if self.host.trim().is_empty() {
            return Err((
                "host",
                "it is empty; give the broker's name or address".to_owned(),
            ));
        }
        if self.port == 0 {
            return Err(("port", "0 is no port; 1883 is usual".to_owned()));
        }
        let id = &self.client_id;
        if id.is_empty() || id.len() > 64 || id.chars().any(|c| c.is_control() || c.is_whitespace())
        {
            let problem = "it must have 1 to 64 characters without spaces";
            return Err(("client_id", problem.to_owned()));
        }
        if !(5..=3600).contains(&self.keep_alive_s) {
            let problem = format!("{} is not between 5 and 3600", self.keep_alive_s);
            return Err(("keep_alive_s", problem));
        }
        if !(1024..=PROTOCOL_PACKET_BYTES_MAX).contains(&self.max_packet_bytes) {
            let given = self.max_packet_bytes;
            let problem = format!("{given} is not between 1024 and {PROTOCOL_PACKET_BYTES_MAX}");
            return Err(("max_packet_bytes", problem));
        }
        if self.subscription.is_empty() {
            let problem = "there is none; add [[mqtt.subscription]] with `topic` and `payload`";
            return Err(("subscription", problem.to_owned()));
        }
        let mut topics = std::collections::HashSet::new();
        if let Some(twice) = self
            .subscription
            .iter()
            .find(|one| !topics.insert(&one.topic))
        {
            let problem = format!(
                "two of them have the topic \"{}\", and each message would be read twice; keep one",
                twice.topic
            );
            return Err(("subscription", problem));
        }
        Ok(())
    }

    fn login(&self) -> Result<Option<Login>, Wrong> {
        let password = match (&self.password_file, &self.password_env) {
            (Some(_), Some(_)) => {
                let problem = "`password_file` is given too; keep one";
                return Err(("password_env", problem.to_owned()));
            }
            (Some(path), None) => {
                let text = std::fs::read_to_string(path).map_err(|error| {
                    (
                        "password_file",
                        format!("{} cannot be read: {error}", path.display()),
                    )
                })?;
                Some(text.lines().next().unwrap_or_default().to_owned())
            }
            (None, Some(variable)) => Some(std::env::var(variable).map_err(|_| {
                (
                    "password_env",
                    format!("the environment has no variable {variable}"),
                )
            })?),
            (None, None) => None,
        };
        match (&self.username, password) {
            (Some(username), password) => {
                let password = password.unwrap_or_default();
                Ok(Some(Login {
                    username: username.clone(),
                    password,
                }))
            }
            (None, Some(_)) => Err(("username", "a password is given without it".to_owned())),
            (None, None) => Ok(None),
        }
    }
}

impl SubscriptionTable {
    fn check(&self) -> Result<(ClockPlace, Subscription), Wrong> {
        if !rumqttc::valid_filter(&self.topic) {
            let problem = "it is no topic filter; `#` stands only at the end, `+` alone in a level";
            return Err(("topic", problem.to_owned()));
        }
        if self.topic.starts_with('$') {
            return Err((
                "topic",
                "topics that start with `$` are the broker's own".to_owned(),
            ));
        }
        if self.fault_words.has_blank() {
            return Err(("fault_words", "a word is empty".to_owned()));
        }
        self.refuse_keys_of_other_forms()?;
        let channel = self.channel_template()?;
        let (place, decoder) = match self.payload {
            PayloadForm::Plain => {
                let plain = PlainPayload {
                    channel,
                    value: self.value_rule(),
                };
                (ClockPlace::Arrival, Decoder::Plain(plain))
            }
            PayloadForm::Json => {
                let json = self.json(channel)?;
                let has_time = json.time.is_some();
                let place = if has_time {
                    ClockPlace::Payload
                } else {
                    ClockPlace::Arrival
                };
                (place, Decoder::Json(json))
            }
            PayloadForm::Senml => {
                let senml = SenmlPayload {
                    channel,
                    rule: self.value_rule(),
                };
                (
                    self.clock.unwrap_or(ClockPlace::Payload),
                    Decoder::Senml(senml),
                )
            }
        };
        Ok((
            place,
            Subscription {
                filter: self.topic.clone(),
                decoder,
            },
        ))
    }

    /// A key that would be passed over in silence is a mistake of whoever wrote it.
    fn refuse_keys_of_other_forms(&self) -> Result<(), Wrong> {
        let is_json = self.payload == PayloadForm::Json;
        let is_senml = self.payload == PayloadForm::Senml;
        let given = [
            (
                "records_pointer",
                self.records_pointer.is_some(),
                is_json,
                "json",
            ),
            (
                "value_pointer",
                self.value_pointer.is_some(),
                is_json,
                "json",
            ),
            ("time_pointer", self.time_pointer.is_some(), is_json, "json"),
            ("name_pointer", self.name_pointer.is_some(), is_json, "json"),
            ("unit_pointer", self.unit_pointer.is_some(), is_json, "json"),
            ("time", self.time.is_some(), is_json, "json"),
            ("zone", self.zone.is_some(), is_json, "json"),
            ("unit", self.unit.is_some(), !is_senml, "plain and json"),
            (
                "decimal_comma",
                self.decimal_comma.is_some(),
                !is_senml,
                "plain and json",
            ),
            ("clock", self.clock.is_some(), is_senml, "senml"),
        ];
        let misplaced = given
            .into_iter()
            .find(|(_, is_given, fits, _)| *is_given && !fits);
        match misplaced {
            Some((key, _, _, form)) => Err((key, format!("it is for payloads of {form} only"))),
            None => Ok(()),
        }
    }

    fn channel_template(&self) -> Result<ChannelTemplate, Wrong> {
        let has_name = match self.payload {
            PayloadForm::Plain => false,
            PayloadForm::Json => self.name_pointer.is_some(),
            PayloadForm::Senml => true,
        };
        let template = match &self.channel {
            Some(text) => ChannelTemplate::parse(text).map_err(|problem| ("channel", problem))?,
            None if has_name => ChannelTemplate::name_only(),
            None => {
                let problem = "it is missing; make it of topic levels, such as \"{2}/{3}\"";
                return Err(("channel", problem.to_owned()));
            }
        };
        if template.uses_name() && !has_name {
            let problem =
                "the payload gives no {name}; use topic levels, or `name_pointer` in json";
            return Err(("channel", problem.to_owned()));
        }
        if self.payload == PayloadForm::Json && has_name && !template.uses_name() {
            return Err((
                "name_pointer",
                "`channel` does not use it; add {name}".to_owned(),
            ));
        }
        let level_count = self.topic.split('/').count();
        if template.deepest_level() > level_count && !self.topic.ends_with('#') {
            let deepest = template.deepest_level();
            let problem = format!(
                "{{{deepest}}} is no level of the topic, which has {level_count}; the first is {{1}}"
            );
            return Err(("channel", problem));
        }
        Ok(template)
    }

    fn value_rule(&self) -> ValueRule {
        ValueRule {
            unit: self.unit.unwrap_or_default(),
            decimal_comma: self.decimal_comma.unwrap_or(false),
            fault_words: self.fault_words.clone(),
        }
    }

    fn json(&self, channel: ChannelTemplate) -> Result<JsonPayload, Wrong> {
        let pointer = |key: &'static str, text: &Option<String>| {
            text.as_deref()
                .map(Pointer::parse)
                .transpose()
                .map_err(|problem| (key, problem))
        };
        let value = pointer("value_pointer", &self.value_pointer)?.ok_or_else(|| {
            (
                "value_pointer",
                "it is missing; say where the value stands, such as \"/temp\"".to_owned(),
            )
        })?;
        let time = match pointer("time_pointer", &self.time_pointer)? {
            Some(pointer) => {
                let format = self.time.as_deref().unwrap_or("rfc3339");
                Some((pointer, TimeFormat::check(format, self.zone.as_deref())?))
            }
            None if self.time.is_some() || self.zone.is_some() => {
                let problem =
                    "it is missing; say where the time stands, or leave out time and zone";
                return Err(("time_pointer", problem.to_owned()));
            }
            None => None,
        };
        Ok(JsonPayload {
            records: pointer("records_pointer", &self.records_pointer)?,
            value,
            time,
            name: pointer("name_pointer", &self.name_pointer)?,
            unit: pointer("unit_pointer", &self.unit_pointer)?,
            channel,
            rule: self.value_rule(),
        })
    }
}

/// A broker may send a message once per overlapping filter, so each reading would come twice.
fn check_overlaps(subscriptions: &[Subscription]) -> Result<(), Wrong> {
    for (index, one) in subscriptions.iter().enumerate() {
        for other in &subscriptions[index + 1..] {
            if one.filter != other.filter && filters_overlap(&one.filter, &other.filter) {
                let problem = format!(
                    "the topics `{}` and `{}` overlap: part them, or write the same one twice",
                    one.filter, other.filter
                );
                return Err(("subscription", problem));
            }
        }
    }
    Ok(())
}

/// Whether some topic matches both filters.
pub(super) fn filters_overlap(one: &str, other: &str) -> bool {
    let mut ones = one.split('/');
    let mut others = other.split('/');
    loop {
        match (ones.next(), others.next()) {
            // `a/#` matches `a` too, so it overlaps with a filter that ends just there.
            (Some("#"), _) | (_, Some("#")) | (None, None) => return true,
            (None, Some(_)) | (Some(_), None) => return false,
            (Some(one), Some(other)) => {
                if one != other && one != "+" && other != "+" {
                    return false;
                }
            }
        }
    }
}

/// Checks all tables and what they have to agree on.
pub fn check_mqtt(tables: Vec<MqttTable>) -> Result<Vec<MqttSource>, ConfigError> {
    check_names("mqtt", tables.iter().map(|table| table.name.as_str()))?;
    let mut owners = HashMap::new();
    for table in &tables {
        let place = (table.host.as_str(), table.port, table.client_id.as_str());
        if let Some(owner) = owners.insert(place, table.name.as_str()) {
            let problem =
                format!("\"{owner}\" uses it at the same broker; they would throw each other off");
            return Err(ConfigError::new("mqtt", &table.name, "client_id", problem));
        }
    }
    tables.into_iter().map(MqttTable::check).collect()
}
