//! Whom to call, checked: each target has one way, and secrets come from files or the environment.

use std::path::Path;
use std::time::Duration;

use daemon_core::assessment::Urgency;

use super::check::{Result, require, require_text};
use super::document::Document;
use super::document::Step::{self, Entry, Key};
use super::written::{NotifyTable, StatusTable, TargetTable, TlsWord, UrgencyWord};
use crate::notify::{Mail, MailTls, NotifySettings, StatusSettings, Target, Way};

/// Nobody waits longer than this for the next target unless told otherwise, min.
const ESCALATE_MIN: f64 = 10.0;
/// The broker knows the publisher of the state by this name.
const CLIENT_ID: &str = "tarplight-status";
/// The plant's state stands under this topic.
const TOPIC: &str = "tarplight";
/// After one and a half of these without a word the broker says that the daemon is gone, s.
const KEEP_ALIVE_S: u16 = 10;

/// Whom to call, in the order of the file.
pub(super) fn settings(
    document: &Document,
    folder: &Path,
    table: NotifyTable,
) -> Result<NotifySettings> {
    let escalate_min = table.escalate_min.unwrap_or(ESCALATE_MIN);
    let at = [Key("notify"), Key("escalate_min")];
    let targets = table.target.into_iter().enumerate();
    let targets: Result<Vec<Target>> = targets
        .map(|(index, table)| target(document, folder, index, table))
        .collect();
    Ok(NotifySettings {
        escalate_min: require(document, &at, escalate_min, 1.0..=240.0),
        least: table.least.map(|word| match word {
            UrgencyWord::Look => Urgency::Look,
            UrgencyWord::Soon => Urgency::Soon,
            UrgencyWord::Now => Urgency::Now,
        }),
        targets: targets?,
        status: table
            .mqtt
            .map(|table| status(document, folder, table))
            .transpose()?,
    })
}

/// Where the plant's state stands as retained messages.
fn status(document: &Document, folder: &Path, table: StatusTable) -> Result<StatusSettings> {
    let at = |key| [Key("notify"), Key("mqtt"), Key(key)];
    require_text(document, &at("host"), &table.host);
    let client_id = table.client_id.unwrap_or_else(|| CLIENT_ID.to_owned());
    require_text(document, &at("client_id"), &client_id);
    let topic = table.topic.unwrap_or_else(|| TOPIC.to_owned());
    let is_topic = !topic.is_empty()
        && !topic.starts_with(['/', '$'])
        && !topic.ends_with('/')
        && !topic.contains(['+', '#', '\0']);
    if !is_topic {
        let problem = "must be levels such as \"yard/tarplight\", without + and # and without a slash \
                       at either end";
        return Err(document.error_at(&at("topic"), problem));
    }
    let keep_alive_s = f64::from(table.keep_alive_s.unwrap_or(KEEP_ALIVE_S));
    let keep_alive_s = require(document, &at("keep_alive_s"), keep_alive_s, 5.0..=3600.0);
    let password = Secret {
        written: None,
        file: table.password_file.as_deref(),
        variable: table.password_env.as_deref(),
        key: "password",
    };
    let password = password.read(document, folder, &at("password_file"))?;
    let login = match (table.username, password) {
        (Some(user), Some(password)) => Some((user, password)),
        (None, None) => None,
        (Some(_), None) | (None, Some(_)) => {
            let problem = "a user and a password go together: give both or neither";
            return Err(document.error_at(&at("username"), problem));
        }
    };
    Ok(StatusSettings {
        host: table.host,
        port: table.port.unwrap_or(1883),
        client_id,
        topic,
        login,
        keep_alive: Duration::from_secs_f64(keep_alive_s),
    })
}

fn target(document: &Document, folder: &Path, index: usize, table: TargetTable) -> Result<Target> {
    let at = |key| [Key("notify"), Key("target"), Entry(index), Key(key)];
    require_text(document, &at("name"), &table.name);
    let webhook = Secret {
        written: table.webhook.as_deref(),
        file: table.webhook_file.as_deref(),
        variable: table.webhook_env.as_deref(),
        key: "webhook",
    };
    let is_webhook = webhook.is_there();
    let way = match (&table.mail_to, is_webhook) {
        (None, true) => {
            let url = webhook.read(document, folder, &at("webhook"))?;
            let url = url.unwrap_or_default();
            if !url.starts_with("https://") && !url.starts_with("http://") {
                let problem =
                    "must begin with `https://` or `http://`; its address is not shown here";
                return Err(document.error_at(&at("webhook"), problem));
            }
            Way::Webhook { url }
        }
        (Some(to), false) => Way::Mail(mail(document, folder, index, to, &table)?),
        (None, false) => {
            let problem =
                "has no way: give `webhook`, or `mail_to` with `mail_from` and `smtp_host`";
            return Err(document.error_at(&at("name"), problem));
        }
        (Some(_), true) => {
            let problem = "has two ways, a webhook and mail: make two targets of it";
            return Err(document.error_at(&at("mail_to"), problem));
        }
    };
    Ok(Target {
        name: table.name,
        way,
    })
}

fn mail(
    document: &Document,
    folder: &Path,
    index: usize,
    to: &str,
    table: &TargetTable,
) -> Result<Mail> {
    let at = |key| [Key("notify"), Key("target"), Entry(index), Key(key)];
    let address = |key, text: &Option<String>| {
        let text = text.clone().unwrap_or_default();
        if text.parse::<lettre::message::Mailbox>().is_ok() {
            return Ok(text);
        }
        let problem = "must be a mail address such as \"yard@plant.example\"";
        Err(document.error_at(&at(key), problem))
    };
    let host = table.smtp_host.clone().unwrap_or_default();
    require_text(document, &at("smtp_host"), &host);
    let tls = match table.smtp_tls.unwrap_or(TlsWord::Starttls) {
        TlsWord::Tls => MailTls::Tls,
        TlsWord::Starttls => MailTls::Starttls,
        TlsWord::None => MailTls::None,
    };
    let is_here = ["localhost", "127.0.0.1", "::1"].contains(&host.as_str());
    if tls == MailTls::None && !is_here {
        let problem =
            "\"none\" is for a mail server on this machine only; use \"starttls\" or \"tls\"";
        return Err(document.error_at(&at("smtp_tls"), problem));
    }
    let password = Secret {
        written: None,
        file: table.smtp_password_file.as_deref(),
        variable: table.smtp_password_env.as_deref(),
        key: "smtp_password",
    };
    let password = password.read(document, folder, &at("smtp_password_file"))?;
    let login = match (table.smtp_user.clone(), password) {
        (Some(user), Some(password)) => Some((user, password)),
        (None, None) => None,
        (Some(_), None) | (None, Some(_)) => {
            let problem = "a user and a password go together: give both or neither";
            return Err(document.error_at(&at("smtp_user"), problem));
        }
    };
    Ok(Mail {
        from: address("mail_from", &table.mail_from)?,
        to: address("mail_to", &Some(to.to_owned()))?,
        host,
        port: table.smtp_port.unwrap_or(match tls {
            MailTls::Tls => 465,
            MailTls::Starttls => 587,
            MailTls::None => 25,
        }),
        tls,
        login,
    })
}

/// Something secret, from the plant file, a file of its own or the environment.
struct Secret<'a> {
    written: Option<&'a str>,
    file: Option<&'a Path>,
    variable: Option<&'a str>,
    key: &'static str,
}

impl Secret<'_> {
    fn is_there(&self) -> bool {
        self.written.is_some() || self.file.is_some() || self.variable.is_some()
    }

    fn read(&self, document: &Document, folder: &Path, at: &[Step<'_>]) -> Result<Option<String>> {
        let key = self.key;
        match (self.written, self.file, self.variable) {
            (None, None, None) => Ok(None),
            (Some(text), None, None) => Ok(Some(text.trim().to_owned())),
            (None, Some(file), None) => {
                let path = folder.join(file);
                let text = std::fs::read_to_string(&path).map_err(|error| {
                    document.error_at(at, format!("{} cannot be read: {error}", path.display()))
                })?;
                let line = text.lines().next().unwrap_or_default().trim().to_owned();
                if line.is_empty() {
                    let problem = format!("{} has nothing in its first line", path.display());
                    return Err(document.error_at(at, problem));
                }
                Ok(Some(line))
            }
            (None, None, Some(variable)) => match std::env::var(variable) {
                Ok(text) if !text.trim().is_empty() => Ok(Some(text.trim().to_owned())),
                _ => {
                    let problem = format!("the environment variable {variable} is not set");
                    Err(document.error_at(at, problem))
                }
            },
            _ => {
                let problem = format!("is given twice: use one of {key}, {key}_file and {key}_env");
                Err(document.error_at(at, problem))
            }
        }
    }
}
