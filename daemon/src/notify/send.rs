//! A message on its way: one try by webhook or mail, and what went wrong without any secret in it.

use std::time::Duration;

use lettre::message::Mailbox;
use lettre::transport::smtp::authentication::Credentials;
use lettre::{AsyncSmtpTransport, AsyncTransport, Tokio1Executor};

use super::{Mail, MailTls, Message, Target, Way};

/// One try may take this long, in wall time.
const TRY_WAIT_MAX: Duration = Duration::from_secs(20);

/// Sends a message once.
///
/// # Errors
/// What went wrong, in words that hold neither an address with a secret nor a password.
pub async fn send(target: &Target, message: &Message) -> Result<(), String> {
    let sent = async {
        match &target.way {
            Way::Webhook { url } => webhook(url, message).await,
            Way::Mail(mail) => by_mail(mail, message).await,
        }
    };
    match tokio::time::timeout(TRY_WAIT_MAX, sent).await {
        Ok(sent) => sent,
        Err(_) => Err(format!("no answer within {} s", TRY_WAIT_MAX.as_secs())),
    }
}

async fn webhook(url: &str, message: &Message) -> Result<(), String> {
    let body = serde_json::to_string(message).map_err(|error| error.to_string())?;
    let url = url.to_owned();
    let posted = tokio::task::spawn_blocking(move || {
        let config = ureq::Agent::config_builder()
            .timeout_global(Some(TRY_WAIT_MAX))
            .max_redirects(0)
            .build();
        let agent = ureq::Agent::new_with_config(config);
        let posted = agent
            .post(&url)
            .header("content-type", "application/json")
            .send(body);
        posted.map(|_| ()).map_err(|error| match error {
            ureq::Error::StatusCode(status) => format!("the webhook answered {status}"),
            // Its other words may repeat the address, which may be a secret.
            ureq::Error::Timeout(_) => "the webhook does not answer in time".to_owned(),
            ureq::Error::HostNotFound => "the webhook's host is not known".to_owned(),
            ureq::Error::Tls(_) | ureq::Error::Rustls(_) => {
                "the webhook's host is not trusted".to_owned()
            }
            _ => "the webhook cannot be reached".to_owned(),
        })
    });
    posted
        .await
        .unwrap_or_else(|_| Err("the try failed inside the daemon".to_owned()))
}

async fn by_mail(mail: &Mail, message: &Message) -> Result<(), String> {
    let mailbox = |text: &str| {
        let parsed = text.parse::<Mailbox>();
        parsed.map_err(|error| format!("{text} is no mail address: {error}"))
    };
    let letter = lettre::Message::builder()
        .from(mailbox(&mail.from)?)
        .to(mailbox(&mail.to)?)
        .subject(message.subject.clone())
        .body(message.text.clone())
        .map_err(|error| format!("the mail cannot be written: {error}"))?;
    let builder = match mail.tls {
        MailTls::Tls => AsyncSmtpTransport::<Tokio1Executor>::relay(&mail.host),
        MailTls::Starttls => AsyncSmtpTransport::<Tokio1Executor>::starttls_relay(&mail.host),
        MailTls::None => Ok(AsyncSmtpTransport::<Tokio1Executor>::builder_dangerous(
            &mail.host,
        )),
    };
    let mut builder = builder
        .map_err(|error| format!("TLS to {} cannot be prepared: {error}", mail.host))?
        .port(mail.port)
        .timeout(Some(TRY_WAIT_MAX));
    if let Some((user, password)) = &mail.login {
        builder = builder.credentials(Credentials::new(user.clone(), password.clone()));
    }
    let sent = builder.build().send(letter).await;
    sent.map(|_| ()).map_err(|error| {
        if let Some(status) = error.status() {
            format!("the mail server {} answered {status}", mail.host)
        } else if error.is_timeout() {
            format!("the mail server {} does not answer in time", mail.host)
        } else if error.is_tls() {
            format!("the mail server {} is not trusted", mail.host)
        } else {
            format!("the mail server {} cannot be reached", mail.host)
        }
    })
}
