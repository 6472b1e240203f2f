//! Getting a person: who is called about which alarm, in which order, and what stands at a broker.

mod caller;
mod send;
mod status;

use daemon_api::trouble::TroubleView;
use daemon_core::assessment::Urgency;
use daemon_core::say::Local;
use serde::Serialize;

pub use caller::{Call, Caller};
pub use send::send;
pub use status::{StatusHealth, StatusSettings, bed_message, spawn_status, test_status};

/// Whom to call, in this order.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct NotifySettings {
    /// The next one is called when nobody has seen the alarm for this long, min.
    pub escalate_min: f64,
    /// Nobody is called about less than this.
    pub least: Option<Urgency>,
    pub targets: Vec<Target>,
    /// Where the plant's state stands as retained messages.
    pub status: Option<StatusSettings>,
}

/// One way to a person.
#[derive(Debug, Clone, PartialEq)]
pub struct Target {
    pub name: String,
    pub way: Way,
}

/// How a message goes.
#[derive(Clone, PartialEq)]
pub enum Way {
    /// A POST of the message as JSON. The address may hold a secret.
    Webhook {
        url: String,
    },
    Mail(Mail),
}

/// A mailbox and the server that takes mail to it.
#[derive(Clone, PartialEq)]
pub struct Mail {
    pub from: String,
    pub to: String,
    pub host: String,
    pub port: u16,
    pub tls: MailTls,
    /// User and password.
    pub login: Option<(String, String)>,
}

/// How the way to the mail server is kept secret.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MailTls {
    /// From the first byte.
    Tls,
    /// By STARTTLS, and not at all without it.
    Starttls,
    /// Not: for a server on this machine only.
    None,
}

// Addresses and passwords are secrets: neither a log nor an error may show them.
impl std::fmt::Debug for Way {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Webhook { .. } => out.write_str("Webhook"),
            Self::Mail(mail) => write!(out, "Mail to {} by {}", mail.to, mail.host),
        }
    }
}

/// What a person is told.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Message {
    pub plant: String,
    /// One line that says where and what.
    pub subject: String,
    /// The whole of it as text.
    pub text: String,
    /// The alarm; absent in a test.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub alarm: Option<TroubleView>,
}

/// What stands under every message: nobody may take one for permission.
const WORDS: &str =
    "An alarm and an estimate permit nothing: broken cylinders confirm, and a person signs.";

impl Message {
    /// The message about an alarm, in the plant's time.
    #[must_use]
    pub fn of(plant: &str, local: Local, alarm: &TroubleView) -> Self {
        let bed = alarm.bed.as_deref().unwrap_or("plant");
        let place = alarm
            .place
            .as_deref()
            .map_or_else(String::new, |place| format!(" {place}"));
        let since = local.moment(alarm.since.into());
        Self {
            plant: plant.to_owned(),
            subject: format!("{bed}{place}: {}", alarm.kind.replace('-', " ")),
            text: format!(
                "{plant}, {bed}{place}, since {since}.\n{}\nFirst: {}\n\n{WORDS}\n",
                alarm.what, alarm.first_act
            ),
            alarm: Some(alarm.clone()),
        }
    }

    /// A message that only shows that the way works.
    #[must_use]
    pub fn test(plant: &str) -> Self {
        Self {
            plant: plant.to_owned(),
            subject: format!("{plant}: a test call"),
            text: format!("{plant}: this is a test; nothing has happened.\n\n{WORDS}\n"),
            alarm: None,
        }
    }
}
