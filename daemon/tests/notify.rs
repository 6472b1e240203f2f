//! Calls that really go out: a webhook to a server of the test's own, a mail to a mail server of its own.

use daemon::notify::{Mail, MailTls, Message, Target, Way, send};
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::TcpListener;

fn target(way: Way) -> Target {
    Target {
        name: "night phone".to_owned(),
        way,
    }
}

/// Takes one HTTP request, answers it with a status, and gives its head and its body.
async fn one_request(listener: TcpListener, status: &str) -> (String, String) {
    let (stream, _) = listener.accept().await.expect("somebody calls");
    let mut stream = BufReader::new(stream);
    let (mut head, mut length) = (String::new(), 0);
    loop {
        let mut line = String::new();
        stream.read_line(&mut line).await.expect("a line");
        if let Some(value) = line.to_lowercase().strip_prefix("content-length:") {
            length = value.trim().parse().expect("a length");
        }
        if line == "\r\n" {
            break;
        }
        head.push_str(&line);
    }
    let mut body = vec![0; length];
    stream.read_exact(&mut body).await.expect("a body");
    let answer = format!("HTTP/1.1 {status}\r\ncontent-length: 0\r\nconnection: close\r\n\r\n");
    stream.write_all(answer.as_bytes()).await.expect("answered");
    (head, String::from_utf8(body).expect("UTF-8"))
}

#[tokio::test]
async fn a_webhook_gets_the_message_as_json() {
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let address = listener.local_addr().expect("its address");
    let taken = tokio::spawn(one_request(listener, "204 No Content"));
    let url = format!("http://{address}/hook/s3cret");
    let message = Message::test("Larkfield yard");
    send(&target(Way::Webhook { url }), &message)
        .await
        .expect("it goes through");
    let (head, body) = taken.await.expect("it was taken");
    assert!(head.starts_with("POST /hook/s3cret "), "{head}");
    let body: serde_json::Value = serde_json::from_str(&body).expect("JSON");
    assert_eq!(body["plant"], "Larkfield yard");
    let text = body["text"].as_str().expect("a text");
    assert!(text.contains("broken cylinders confirm"), "{text}");
}

#[tokio::test]
async fn a_refused_or_dead_webhook_says_so_without_its_address() {
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let address = listener.local_addr().expect("its address");
    let taken = tokio::spawn(one_request(listener, "403 Forbidden"));
    let hook = |address| {
        let url = format!("http://{address}/hook/s3cret");
        target(Way::Webhook { url })
    };
    let message = Message::test("Larkfield yard");
    let refused = send(&hook(address), &message).await.expect_err("refused");
    assert_eq!(refused, "the webhook answered 403");
    taken.await.expect("it was taken");
    let dead = send(&hook(address), &message)
        .await
        .expect_err("nobody listens");
    assert!(!dead.contains("s3cret"), "{dead}");
    assert!(!format!("{:?}", hook(address)).contains("s3cret"));
}

/// Speaks just enough SMTP to take one mail.
async fn one_mail(listener: TcpListener) -> String {
    let (stream, _) = listener.accept().await.expect("somebody calls");
    let (read, mut write) = stream.into_split();
    let mut lines = BufReader::new(read).lines();
    write
        .write_all(b"220 mail.example\r\n")
        .await
        .expect("greeted");
    let (mut mail, mut is_data) = (String::new(), false);
    while let Ok(Some(line)) = lines.next_line().await {
        let answer = match (is_data, line.as_str()) {
            (true, ".") => {
                is_data = false;
                "250 taken"
            }
            (true, _) => {
                mail.push_str(&line);
                mail.push('\n');
                continue;
            }
            (false, "DATA") => {
                is_data = true;
                "354 go on"
            }
            (false, "QUIT") => "221 bye",
            (false, _) => "250 yes",
        };
        write
            .write_all(format!("{answer}\r\n").as_bytes())
            .await
            .expect("answered");
        if answer.starts_with("250 taken") {
            break;
        }
    }
    mail
}

#[tokio::test]
async fn a_mail_reaches_a_mail_server_with_what_to_do_first() {
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let port = listener.local_addr().expect("its address").port();
    let taken = tokio::spawn(one_mail(listener));
    let mail = Mail {
        from: "yard@plant.example".to_owned(),
        to: "night@plant.example".to_owned(),
        host: "127.0.0.1".to_owned(),
        port,
        tls: MailTls::None,
        login: None,
    };
    let message = Message::test("Larkfield yard");
    send(&target(Way::Mail(mail)), &message)
        .await
        .expect("it goes through");
    let mail = taken.await.expect("it was taken");
    assert!(mail.contains("To: night@plant.example"), "{mail}");
    assert!(
        mail.contains("Subject: Larkfield yard: a test call"),
        "{mail}"
    );
    // Long lines are broken on the way, at any place.
    let whole = mail.replace("=\n", "");
    assert!(whole.contains("a person signs"), "{mail}");
}

#[tokio::test]
async fn a_mail_server_that_wants_no_tls_is_refused_where_tls_is_asked_for() {
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let port = listener.local_addr().expect("its address").port();
    let taken = tokio::spawn(one_mail(listener));
    let mail = Mail {
        from: "yard@plant.example".to_owned(),
        to: "night@plant.example".to_owned(),
        host: "127.0.0.1".to_owned(),
        port,
        tls: MailTls::Starttls,
        login: Some(("yard".to_owned(), "s3cret".to_owned())),
    };
    let message = Message::test("Larkfield yard");
    let problem = send(&target(Way::Mail(mail)), &message)
        .await
        .expect_err("no TLS there");
    assert!(!problem.contains("s3cret"), "{problem}");
    assert_eq!(
        taken.await.expect("it hung up"),
        "",
        "nothing was sent in the clear"
    );
}
