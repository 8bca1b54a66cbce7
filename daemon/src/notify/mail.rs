//! Mail through the maker's own mail server.

use std::fmt::Write;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use ebbmark_core::show;
use ebbmark_core::text::Style;
use ebbmark_core::time::Moment;
use lettre::message::header::ContentType;
use lettre::message::{Attachment, Mailbox, Message, MultiPart, SinglePart};
use lettre::transport::smtp::authentication::Credentials;
use lettre::transport::smtp::client::{Certificate, Tls, TlsParameters};
use lettre::transport::smtp::extension::ClientId;
use lettre::{AsyncSmtpTransport, AsyncTransport, Tokio1Executor};

use super::config::{MailConfig, Security};
use super::letter::{Letter, one_line};
use super::{html, trust};

/// For each step of the conversation with the mail server.
const TIMEOUT: Duration = Duration::from_secs(15);

/// Why no mail could be sent just now, in words for the maker.
#[derive(Clone, Debug, PartialEq)]
pub enum NotReached {
    Login(String),
    Other(String),
}

/// A mail server ready to be talked to. Each mail is a conversation of its own: notices are rare,
/// and a connection kept open for days is one more thing to break.
#[derive(Clone)]
pub struct Mail {
    server: AsyncSmtpTransport<Tokio1Executor>,
    from: Mailbox,
    to: Vec<Mailbox>,
}

impl Mail {
    /// # Errors
    /// An address is wrong, or the password file cannot be read; says which.
    pub fn new(config: &MailConfig) -> Result<Mail, String> {
        let mailbox = |key: &str, text: &str| {
            text.parse::<Mailbox>()
                .map_err(|e| format!("{key}: \"{text}\": {e}"))
        };
        let from = mailbox("from", &config.from)?;
        let to = config
            .to
            .iter()
            .map(|to| mailbox("to", to))
            .collect::<Result<_, _>>()?;
        let parameters = || tls_parameters(config);
        let tls = match config.security {
            Security::Starttls => Tls::Required(parameters()?),
            Security::Tls => Tls::Wrapper(parameters()?),
            Security::None => Tls::None,
        };
        let mut server = AsyncSmtpTransport::<Tokio1Executor>::builder_dangerous(&config.host)
            .port(config.port())
            .tls(tls)
            // RFC 5321 wants a name or an address; this machine's name need not mean anything outside.
            .hello_name(ClientId::Domain(from.email.domain().to_owned()))
            .timeout(Some(TIMEOUT));
        if let (Some(user), Some(path)) = (&config.user, &config.password_file) {
            let password = path
                .first_line()
                .map_err(|e| format!("password-file: {e}"))?;
            server = server.credentials(Credentials::new(user.clone(), password));
        }
        Ok(Mail {
            server: server.build(),
            from,
            to,
        })
    }

    /// # Errors
    /// The server did not take it, in words for the maker.
    pub async fn send(
        &self,
        letter: &Letter,
        now: Moment,
        style: &Style<'_>,
    ) -> Result<(), String> {
        let mail = self.message(letter, now, style)?;
        self.server
            .send(mail)
            .await
            .map(drop)
            .map_err(|error| match error.status() {
                Some(_) if error.is_permanent() => format!("the mail server refused: {error}"),
                Some(_) => format!("the mail server put it off: {error}"),
                None => format!("the mail server could not be reached: {error}"),
            })
    }

    /// Connects and signs in as for a mail, and sends none.
    ///
    /// # Errors
    /// How far it went.
    pub async fn reach(&self) -> Result<(), NotReached> {
        /// What RFC 4954 answers a login with that is not taken, and a mail without the one needed.
        const LOGIN: [u16; 4] = [530, 534, 535, 538];
        match self.server.test_connection().await {
            Ok(true) => Ok(()),
            Ok(false) => Err(NotReached::Other("it broke off".to_owned())),
            Err(error) => {
                let login = error
                    .status()
                    .is_some_and(|code| LOGIN.contains(&code.into()));
                Err(if login {
                    NotReached::Login(format!("it does not take this user and password: {error}"))
                } else {
                    NotReached::Other(error.to_string())
                })
            }
        }
    }

    /// Words, the same as HTML, and the pictures that stands in: `multipart/related` of a
    /// `multipart/alternative` and its images (RFC 2046, 5.1.4; RFC 2387).
    fn message(&self, letter: &Letter, now: Moment, style: &Style<'_>) -> Result<Message, String> {
        let sent = UNIX_EPOCH
            .checked_add(Duration::from_millis(now.0.max(0).cast_unsigned()))
            .unwrap_or_else(SystemTime::now);
        // The same on every try: a mail that was taken although we did not hear so is recognised.
        let id = format!("<notice-{}@{}>", letter.id, self.from.email.domain());
        let mut mail = Message::builder()
            .from(self.from.clone())
            .subject(one_line(&letter.title))
            .date(sent)
            .message_id(Some(id));
        for to in &self.to {
            mail = mail.to(to.clone());
        }
        let words = MultiPart::alternative()
            .singlepart(SinglePart::plain(plain(letter, now, style)))
            .singlepart(SinglePart::html(html::page(letter, now, style)));
        let mut whole = MultiPart::related().multipart(words);
        let png = ContentType::parse("image/png").map_err(|e| e.to_string())?;
        let curves = letter.parts.iter().flat_map(|part| &part.curves);
        for (number, curve) in (1..).zip(curves) {
            let name = html::content_id(number);
            let picture = Attachment::new_inline_with_name(name.clone(), format!("{name}.png"));
            whole = whole.singlepart(picture.body(curve.png.to_vec(), png.clone()));
        }
        mail.multipart(whole)
            .map_err(|e| format!("the mail could not be made up: {e}"))
    }
}

fn tls_parameters(config: &MailConfig) -> Result<TlsParameters, String> {
    let mut parameters = TlsParameters::builder(config.host.clone());
    if let Some(path) = &config.ca_file {
        for der in trust::certificates(path)? {
            let certificate = Certificate::from_der(der.to_vec())
                .map_err(|e| format!("ca-file: {}: {e}", path.display()))?;
            parameters = parameters.add_root_certificate(certificate);
        }
    }
    parameters.build().map_err(|e| format!("host: {e}"))
}

/// A letter in words.
fn plain(letter: &Letter, now: Moment, style: &Style<'_>) -> String {
    let several = letter.parts.len() > 1;
    let mut text = String::new();
    // Writing to a String cannot fail.
    for part in &letter.parts {
        if several {
            let when = show::day_and_time(part.at, now, style);
            let _ = writeln!(text, "{when}: {}", part.title);
        }
        let body = Some(&part.body).filter(|b| !b.is_empty());
        match body {
            Some(body) => {
                let _ = writeln!(text, "{body}");
            }
            None if several => {}
            None => {
                let _ = writeln!(text, "{}", part.title);
            }
        }
        for curve in &part.curves {
            let _ = writeln!(text, "\nThe curve: {}", curve.says);
        }
        if let Some(link) = &part.link {
            let _ = writeln!(text, "\nThe page: {link}");
        }
        for (reply, address) in &part.replies {
            let _ = writeln!(text, "{}: {address}", reply.label());
        }
        text.push('\n');
    }
    text.truncate(text.trim_end().len());
    text.push('\n');
    text
}

#[cfg(test)]
mod tests {
    use std::fs;
    use std::path::Path;

    use jiff::tz::TimeZone;

    use super::*;
    use crate::notify::sink;
    use ebbmark_core::notice::NoticeKind;

    const NOW: Moment = Moment(1_767_225_600_000);

    fn config(port: u16) -> MailConfig {
        toml::from_str(&format!(
            r#"
            host = "127.0.0.1"
            port = {port}
            security = "none"
            from = "Cellar <cellar@example.org>"
            to = ["maker@example.org", "two@example.org"]
            "#
        ))
        .unwrap()
    }

    fn letter() -> Letter {
        Letter {
            vessel: Some("North cask".to_owned()),
            ..Letter::bare(
                "7-1767225600000".to_owned(),
                NoticeKind::Stuck,
                NOW,
                "North cask\r\nBcc: x@example.org".to_owned(),
                "Flat at 1.046.\n.\nToo cold.".to_owned(),
            )
        }
    }

    #[tokio::test]
    async fn a_mail_arrives_whole() {
        let mut sink = sink::smtp(0).await;
        let mail = Mail::new(&config(sink.port)).unwrap();
        mail.send(&letter(), NOW, &Style::usual(&TimeZone::UTC))
            .await
            .unwrap();
        let came = sink.came.recv().await.unwrap();
        assert!(came.head.contains("EHLO example.org\r\n"), "{}", came.head);
        assert!(
            came.head.contains("MAIL FROM:<cellar@example.org>"),
            "{}",
            came.head
        );
        assert!(
            came.head.contains("RCPT TO:<maker@example.org>"),
            "{}",
            came.head
        );
        assert!(
            came.head.contains("RCPT TO:<two@example.org>"),
            "{}",
            came.head
        );
        let (head, body) = came.body.split_once("\r\n\r\n").unwrap();
        // A line break in a title must not become a header.
        assert!(
            head.contains("Subject: North cask Bcc: x@example.org"),
            "{head}"
        );
        assert!(!head.contains("\nBcc:"), "{head}");
        assert!(
            head.contains("Message-ID: <notice-7-1767225600000@example.org>"),
            "{head}"
        );
        assert!(
            head.contains("Date: Thu, 01 Jan 2026 00:00:00 +0000"),
            "{head}"
        );
        // A lone dot is doubled on the wire (RFC 5321, 4.5.2).
        assert!(
            body.contains("\r\n\r\nFlat at 1.046.\r\n..\r\nToo cold.\r\n"),
            "{body}"
        );
    }

    #[tokio::test]
    async fn other_letters_than_ascii_survive() {
        let mut sink = sink::smtp(0).await;
        let mail = Mail::new(&config(sink.port)).unwrap();
        let letter = Letter::bare(
            "8".to_owned(),
            NoticeKind::Stuck,
            NOW,
            "Fässchen: 18 °C".to_owned(),
            "18 °C, größer".to_owned(),
        );
        mail.send(&letter, NOW, &Style::usual(&TimeZone::UTC))
            .await
            .unwrap();
        let came = sink.came.recv().await.unwrap();
        // RFC 2047 encoded word in the subject; the body in a transfer encoding that says so.
        assert!(came.body.contains("Subject: =?utf-8?"), "{}", came.body);
        assert!(came.body.contains("charset=utf-8"), "{}", came.body);
        assert!(
            came.body.contains("Content-Transfer-Encoding: "),
            "{}",
            came.body
        );
    }

    #[tokio::test]
    async fn put_off_and_refused_are_told_apart() {
        let sink = sink::smtp(0).await;
        sink.answer(&["451 try later", "554 not wanted here"]);
        let mail = Mail::new(&config(sink.port)).unwrap();
        let error = mail
            .send(&letter(), NOW, &Style::usual(&TimeZone::UTC))
            .await
            .unwrap_err();
        assert!(
            error.contains("put it off") && error.contains("try later"),
            "{error}"
        );
        let error = mail
            .send(&letter(), NOW, &Style::usual(&TimeZone::UTC))
            .await
            .unwrap_err();
        assert!(
            error.contains("refused") && error.contains("not wanted here"),
            "{error}"
        );
        assert_eq!(
            mail.send(&letter(), NOW, &Style::usual(&TimeZone::UTC))
                .await,
            Ok(())
        );
    }

    #[tokio::test]
    async fn logs_in_with_the_password_from_the_file() {
        let mut sink = sink::smtp(0).await;
        let file = tempfile::NamedTempFile::new().unwrap();
        fs::write(file.path(), "honey\n").unwrap();
        let config = MailConfig {
            user: Some("cellar".to_owned()),
            password_file: Some(file.path().into()),
            ..config(sink.port)
        };
        Mail::new(&config)
            .unwrap()
            .send(&letter(), NOW, &Style::usual(&TimeZone::UTC))
            .await
            .unwrap();
        let came = sink.came.recv().await.unwrap();
        // RFC 4616: NUL cellar NUL honey, in base 64.
        assert!(
            came.head.contains("AUTH PLAIN AGNlbGxhcgBob25leQ==\r\n"),
            "{}",
            came.head
        );
    }

    #[tokio::test]
    async fn what_is_wrong_is_named_at_the_start() {
        let missing = MailConfig {
            user: Some("cellar".to_owned()),
            password_file: Some(Path::new("/nowhere/password").into()),
            ..config(25)
        };
        let error = Mail::new(&missing).err().unwrap();
        assert!(error.contains("/nowhere/password"), "{error}");
    }

    #[tokio::test]
    async fn never_in_the_clear_when_tls_was_asked_for() {
        let mut sink = sink::smtp(0).await;
        let config = MailConfig {
            security: Security::Starttls,
            ..config(sink.port)
        };
        // This server offers no STARTTLS.
        let error = Mail::new(&config)
            .unwrap()
            .send(&letter(), NOW, &Style::usual(&TimeZone::UTC))
            .await
            .unwrap_err();
        assert!(error.to_ascii_lowercase().contains("starttls"), "{error}");
        assert!(sink.came.try_recv().is_err());
    }

    #[tokio::test]
    async fn refused_then_back() {
        let port = sink::free_port().await;
        let mail = Mail::new(&config(port)).unwrap();
        let error = mail
            .send(&letter(), NOW, &Style::usual(&TimeZone::UTC))
            .await
            .unwrap_err();
        assert!(error.contains("could not be reached"), "{error}");
        let _sink = sink::smtp(port).await;
        assert_eq!(
            mail.send(&letter(), NOW, &Style::usual(&TimeZone::UTC))
                .await,
            Ok(())
        );
    }
}
