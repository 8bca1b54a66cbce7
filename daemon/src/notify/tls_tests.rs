//! Mail and webhooks over TLS, against servers with a certificate of their own.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::PathBuf;
use std::sync::{Arc, mpsc};
use std::thread;

use ebbmark_core::text::Style;
use ebbmark_core::time::Moment;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::{ServerConfig, ServerConnection, StreamOwned};

use super::config::{MailConfig, WebhookConfig};
use super::letter::Letter;
use super::mail::Mail;
use super::webhook::Webhook;
use ebbmark_core::notice::NoticeKind;
use jiff::tz::TimeZone;

const NOW: Moment = Moment(1_790_000_000_000);

fn testdata(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("src/notify/testdata")
        .join(name)
}

fn server_config() -> Arc<ServerConfig> {
    let certificate = CertificateDer::from_pem_file(testdata("server.pem")).unwrap();
    let key = PrivateKeyDer::from_pem_file(testdata("server-key.pem")).unwrap();
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_no_client_auth()
        .with_single_cert(vec![certificate], key)
        .unwrap();
    Arc::new(config)
}

fn secure(stream: TcpStream) -> StreamOwned<ServerConnection, TcpStream> {
    StreamOwned::new(ServerConnection::new(server_config()).unwrap(), stream)
}

/// Serves one connection in a thread of its own; gives the port, and what `serve` gives.
fn once<T: Send + 'static>(
    serve: impl FnOnce(TcpStream) -> std::io::Result<T> + Send + 'static,
) -> (u16, mpsc::Receiver<std::io::Result<T>>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let (send, result) = mpsc::channel();
    thread::spawn(move || {
        let served = listener.accept().and_then(|(stream, _)| serve(stream));
        let _ = send.send(served);
    });
    (port, result)
}

/// The mail server's part until QUIT, or until STARTTLS when it offers that. Gives what was said.
fn converse(stream: impl Read + Write, greet: bool, offer: &str) -> std::io::Result<String> {
    let mut stream = BufReader::new(stream);
    if greet {
        stream.get_mut().write_all(b"220 here\r\n")?;
    }
    let mut said = String::new();
    let mut in_mail = false;
    loop {
        let mut line = String::new();
        if stream.read_line(&mut line)? == 0 {
            return Ok(said);
        }
        said.push_str(&line);
        let answer = match line.trim_end() {
            "." => {
                in_mail = false;
                "250 taken".to_owned()
            }
            _ if in_mail => continue,
            "DATA" => {
                in_mail = true;
                "354 go on".to_owned()
            }
            "STARTTLS" => {
                stream.get_mut().write_all(b"220 go on\r\n")?;
                return Ok(said);
            }
            "QUIT" => {
                stream.get_mut().write_all(b"221 bye\r\n")?;
                return Ok(said);
            }
            other if other.starts_with("EHLO") => format!("250-here\r\n250 {offer}"),
            _ => "250 ok".to_owned(),
        };
        stream
            .get_mut()
            .write_all(format!("{answer}\r\n").as_bytes())?;
        stream.get_mut().flush()?;
    }
}

fn letter() -> Letter {
    Letter::bare(
        "1".to_owned(),
        NoticeKind::Test,
        NOW,
        "Settled".to_owned(),
        "Flat for three days.".to_owned(),
    )
}

fn mail(port: u16, security: &str, trusted: bool) -> Mail {
    let mut config: MailConfig = toml::from_str(&format!(
        "host = \"127.0.0.1\"\nport = {port}\nsecurity = \"{security}\"\nfrom = \"cellar@example.org\"\nto = [\"maker@example.org\"]"
    ))
    .unwrap();
    config.ca_file = trusted.then(|| testdata("ca.pem"));
    Mail::new(&config).unwrap()
}

fn hook(port: u16, trusted: bool) -> Webhook {
    let mut config: WebhookConfig =
        toml::from_str(&format!("url = \"https://localhost:{port}/in\"")).unwrap();
    config.ca_file = trusted.then(|| testdata("ca.pem"));
    Webhook::new(&config).unwrap()
}

fn answer_web(stream: TcpStream) -> std::io::Result<String> {
    let mut stream = BufReader::new(secure(stream));
    let mut head = String::new();
    while !head.ends_with("\r\n\r\n") && stream.read_line(&mut head)? > 0 {}
    stream
        .get_mut()
        .write_all(b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\nConnection: close\r\n\r\n")?;
    Ok(head)
}

#[tokio::test]
async fn mail_by_starttls_says_nothing_before_it() {
    let (port, served) = once(|stream| {
        let clear = converse(stream.try_clone()?, true, "STARTTLS")?;
        let secret = converse(secure(stream), false, "8BITMIME")?;
        Ok((clear, secret))
    });
    mail(port, "starttls", true)
        .send(&letter(), NOW, &Style::usual(&TimeZone::UTC))
        .await
        .unwrap();
    let (clear, secret) = served.recv().unwrap().unwrap();
    assert_eq!(clear, "EHLO example.org\r\nSTARTTLS\r\n");
    assert!(secret.contains("RCPT TO:<maker@example.org>"), "{secret}");
    assert!(secret.contains("Flat for three days."), "{secret}");
}

#[tokio::test]
async fn mail_by_tls_from_the_first_byte() {
    let (port, served) = once(|stream| converse(secure(stream), true, "8BITMIME"));
    mail(port, "tls", true)
        .send(&letter(), NOW, &Style::usual(&TimeZone::UTC))
        .await
        .unwrap();
    assert!(
        served
            .recv()
            .unwrap()
            .unwrap()
            .contains("Flat for three days.")
    );
}

#[tokio::test]
async fn mail_goes_to_no_stranger() {
    let (port, served) = once(|stream| converse(secure(stream), true, "8BITMIME"));
    let error = mail(port, "tls", false)
        .send(&letter(), NOW, &Style::usual(&TimeZone::UTC))
        .await
        .unwrap_err();
    assert!(error.contains("certificate"), "{error}");
    // The handshake failed there too, so nothing was said.
    assert!(served.recv().unwrap().is_err());
}

#[test]
fn a_webhook_over_tls() {
    let (port, served) = once(answer_web);
    hook(port, true).send(&letter()).unwrap();
    assert!(
        served
            .recv()
            .unwrap()
            .unwrap()
            .starts_with("POST /in HTTP/1.1")
    );
}

#[test]
fn a_webhook_calls_no_stranger() {
    let (port, served) = once(answer_web);
    let error = hook(port, false).send(&letter()).unwrap_err();
    assert!(error.to_lowercase().contains("certificate"), "{error}");
    assert!(served.recv().unwrap().is_err());
}
