//! The `[notify]` part of the configuration.
//!
//! ```toml
//! [notify]
//! log = true                  # a line in the daemon's log
//! mqtt = false                # retained topics, see `notify::mqtt`
//! give-up-after-hours = 24
//! gather-minutes = 2          # a mail or call waits so long for others of the same cause
//! tell-down-after-minutes = 30  # after a start: it had been down for longer than this
//!
//! [notify.mail]
//! host = "mail.example.org"
//! security = "starttls"       # "starttls", "tls", or "none"
//! user = "cellar"
//! password-file = "/etc/ebbmark/mail-password"
//! from = "Cellar <cellar@example.org>"
//! to = ["maker@example.org"]
//!
//! [notify.webhook.phone]      # as many as are wanted, each with a name of its own
//! url = "https://push.example.org/cellar"
//! secrets = { phone = "/etc/ebbmark/phone-token" }
//! headers = { authorization = "Bearer {{secret.phone}}" }
//! body = '{"message":"{{title}}"}'
//! ```

use std::collections::BTreeMap;
use std::fmt;
use std::net::IpAddr;
use std::path::PathBuf;

use ebbmark_core::time::Span;
use lettre::message::Mailbox;
use serde::Deserialize;

use super::secrets::Secrets;
use super::webhook;
use crate::secret::SecretFile;

/// Names of the ways out that are not webhooks.
pub const LOG: &str = "log";
pub const MQTT: &str = "mqtt";
pub const MAIL: &str = "mail";

/// How the maker is told.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(default, rename_all = "kebab-case", deny_unknown_fields)]
pub struct NotifyConfig {
    /// A line in the daemon's log for each notice. Default: yes.
    pub log: bool,
    /// Retained MQTT topics. Default: no.
    pub mqtt: bool,
    /// Hours of trying after which a delivery is given up. Default: 24.
    pub give_up_after_hours: u32,
    /// Minutes a mail or a call waits for other notices that come of the same cause. Default: 2.
    pub gather_minutes: u32,
    /// The daemon tells after its start that it had been down for longer than this. Default: 30.
    pub tell_down_after_minutes: u32,
    /// One mail account to send from. Default: none.
    pub mail: Option<MailConfig>,
    /// Web addresses that are called, by name. Default: none.
    pub webhook: BTreeMap<String, WebhookConfig>,
}

impl Default for NotifyConfig {
    fn default() -> Self {
        NotifyConfig {
            log: true,
            mqtt: false,
            give_up_after_hours: 24,
            gather_minutes: 2,
            tell_down_after_minutes: 30,
            mail: None,
            webhook: BTreeMap::new(),
        }
    }
}

#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct MailConfig {
    /// The mail server that takes our mail.
    pub host: String,
    /// Default: 587 with `starttls`, 465 with `tls`, 25 with `none`.
    #[serde(default)]
    pub port: Option<u16>,
    /// Default: `starttls`.
    #[serde(default)]
    pub security: Security,
    /// With `security = "none"` anyone on the way can read along, so it is taken only for a server
    /// on this machine. `true` lifts that. Default: `false`.
    #[serde(default)]
    pub allow_plaintext: bool,
    /// Default: no login.
    #[serde(default)]
    pub user: Option<String>,
    /// File whose first line is the password. Needed with `user`.
    #[serde(default)]
    pub password_file: Option<SecretFile>,
    /// Certificates (PEM) to trust besides this machine's, for a mail server of one's own.
    /// Default: none.
    #[serde(default)]
    pub ca_file: Option<PathBuf>,
    /// `name@host` or `Name <name@host>`.
    pub from: String,
    pub to: Vec<String>,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Security {
    /// Begins in the clear and insists on TLS before anything is said.
    #[default]
    Starttls,
    /// TLS from the first byte.
    Tls,
    None,
}

#[derive(Clone, PartialEq, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct WebhookConfig {
    /// `https://…` or `http://…`.
    pub url: String,
    /// Files whose first lines stand for `{{secret.NAME}}` in the address, the headers and the body.
    /// Default: none.
    #[serde(default)]
    pub secrets: BTreeMap<String, SecretFile>,
    /// Default: `POST`.
    #[serde(default)]
    pub method: Method,
    /// Default: `content-type: application/json`. Filled in as the body is, on one line.
    #[serde(default)]
    pub headers: BTreeMap<String, String>,
    /// Certificates (PEM) to trust, and no others, for a server of one's own. Default: those of the
    /// public authorities, as built in.
    #[serde(default)]
    pub ca_file: Option<PathBuf>,
    /// What is sent; `{{title}}`, `{{body}}`, `{{vessel}}`, `{{kind}}`, `{{at}}`, `{{gravity}}`
    /// (SG), `{{link}}` (to the page) and `{{answer}}` (an address that answers it) are filled in,
    /// escaped for JSON or a form when the content type says so. Default: a JSON object of them all.
    #[serde(default = "default_body")]
    pub body: String,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "UPPERCASE")]
pub enum Method {
    #[default]
    Post,
    Put,
    Patch,
}

// Address, headers and body may hold secrets, which must not reach a log through `{:?}`.
impl fmt::Debug for WebhookConfig {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("WebhookConfig")
            .field("method", &self.method)
            .field("secrets", &self.secrets)
            .finish_non_exhaustive()
    }
}

fn default_body() -> String {
    concat!(
        r#"{"title":"{{title}}","body":"{{body}}","vessel":"{{vessel}}","kind":"{{kind}}","at":"{{at}}","#,
        r#""gravity":{{gravity}},"link":"{{link}}","answer":"{{answer}}"}"#
    )
    .to_owned()
}

impl NotifyConfig {
    /// Names of the ways out that are on: what a notice is queued for.
    pub fn channels(&self) -> Vec<String> {
        let mut names = Vec::new();
        names.extend(self.log.then(|| LOG.to_owned()));
        names.extend(self.mqtt.then(|| MQTT.to_owned()));
        names.extend(self.mail.is_some().then(|| MAIL.to_owned()));
        names.extend(self.webhook.keys().cloned());
        names
    }

    pub fn gather(&self) -> Span {
        Span::minutes(i64::from(self.gather_minutes))
    }

    pub fn give_up_after(&self) -> Span {
        Span::hours(i64::from(self.give_up_after_hours))
    }

    pub fn tell_down_after(&self) -> Span {
        Span::minutes(i64::from(self.tell_down_after_minutes))
    }

    /// Everything that is wrong, each with where it stands; empty when all is well.
    pub fn check(&self) -> Vec<String> {
        let mut problems = Vec::new();
        if let Some(mail) = &self.mail {
            problems.extend(mail.check().into_iter().map(|p| format!("notify.mail.{p}")));
        }
        for (name, hook) in &self.webhook {
            let place = format!("notify.webhook.{name}");
            if [LOG, MQTT, MAIL].contains(&name.as_str()) {
                problems.push(format!("{place}: this name is taken; give it another"));
            }
            if name.is_empty()
                || !name
                    .chars()
                    .all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-')
            {
                problems.push(format!(
                    "{place}: a name is made of a to z, 0 to 9 and hyphens"
                ));
            }
            problems.extend(hook.check().into_iter().map(|p| format!("{place}.{p}")));
        }
        problems
    }
}

impl MailConfig {
    pub fn port(&self) -> u16 {
        self.port.unwrap_or(match self.security {
            Security::Starttls => 587,
            Security::Tls => 465,
            Security::None => 25,
        })
    }

    fn check(&self) -> Vec<String> {
        let mut problems = Vec::new();
        if self.host.trim().is_empty() {
            problems.push("host: say which mail server to use".to_owned());
        }
        if self.security == Security::None && !self.allow_plaintext && !is_loopback(&self.host) {
            problems.push(format!(
                "security: \"none\" would send in the clear to {}; use \"starttls\" or \"tls\", or set allow-plaintext = true",
                self.host
            ));
        }
        match (&self.user, &self.password_file) {
            (Some(_), None) => problems.push("password-file: needed with user".to_owned()),
            (None, Some(_)) => problems.push("user: needed with password-file".to_owned()),
            _ => {}
        }
        if let Err(error) = self.from.parse::<Mailbox>() {
            problems.push(format!("from: \"{}\": {error}", self.from));
        }
        if self.to.is_empty() {
            problems.push("to: name at least one address".to_owned());
        }
        for to in &self.to {
            if let Err(error) = to.parse::<Mailbox>() {
                problems.push(format!("to: \"{to}\": {error}"));
            }
        }
        problems
    }
}

impl WebhookConfig {
    fn check(&self) -> Vec<String> {
        let mut problems = Vec::new();
        let secrets = Secrets::unread(&self.secrets);
        problems.extend(webhook::url(&self.url, &secrets).err());
        problems.extend(webhook::headers(self, &secrets).err());
        if let Err(problem) = webhook::body(self, &secrets) {
            problems.push(format!("body: {problem}"));
        }
        problems
    }
}

/// By name or address, without asking anyone.
fn is_loopback(host: &str) -> bool {
    host.eq_ignore_ascii_case("localhost")
        || host
            .trim_start_matches('[')
            .trim_end_matches(']')
            .parse::<IpAddr>()
            .is_ok_and(|ip| ip.is_loopback())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str) -> NotifyConfig {
        toml::from_str(text).unwrap()
    }

    const MAIL_OK: &str = r#"
        [mail]
        host = "mail.example.org"
        user = "cellar"
        password-file = "/etc/ebbmark/mail-password"
        from = "Cellar <cellar@example.org>"
        to = ["maker@example.org", "Second <two@example.org>"]
    "#;

    #[test]
    fn the_defaults() {
        let config = parse("");
        assert_eq!(config, NotifyConfig::default());
        assert_eq!(config.channels(), ["log"]);
        assert_eq!(config.give_up_after(), Span::hours(24));
        assert_eq!(config.check(), Vec::<String>::new());
        let mail = parse(MAIL_OK).mail.unwrap();
        assert_eq!((mail.security, mail.port()), (Security::Starttls, 587));
    }

    #[test]
    fn the_example_above_is_right() {
        let source = include_str!("config.rs");
        let example: String = source
            .lines()
            .skip_while(|l| *l != "//! ```toml")
            .skip(1)
            .take_while(|l| *l != "//! ```")
            .map(|l| format!("{}\n", l.trim_start_matches("//!")))
            .collect();
        #[derive(Deserialize)]
        struct Whole {
            notify: NotifyConfig,
        }
        let whole: Whole = toml::from_str(&example).unwrap();
        assert_eq!(whole.notify.check(), Vec::<String>::new());
        assert_eq!(whole.notify.channels(), ["log", "mail", "phone"]);
    }

    #[test]
    fn all_of_them_by_name() {
        let config = parse(&format!(
            "mqtt = true\n{MAIL_OK}\n[webhook.phone]\nurl = \"https://a.example/x\"\n[webhook.bell]\nurl = \"http://b.example\""
        ));
        assert_eq!(config.channels(), ["log", "mqtt", "mail", "bell", "phone"]);
        assert_eq!(config.check(), Vec::<String>::new());
    }

    #[test]
    fn unknown_keys_are_refused() {
        for text in [
            "pigeon = true",
            "[mail]\nhost=\"a\"\nfrom=\"a@b\"\nto=[]\npasword-file=\"x\"",
            "[webhook.a]\nurl=\"http://a\"\nretry=3",
        ] {
            assert!(toml::from_str::<NotifyConfig>(text).is_err(), "{text}");
        }
    }

    /// Each is wrong in one way, and told so at its place.
    #[test]
    fn problems_are_named_with_their_place() {
        for (text, place, word) in [
            (
                MAIL_OK.replace(
                    "host = \"mail.example.org\"",
                    "host = \"m.example\"\nsecurity = \"none\"",
                ),
                "notify.mail.security",
                "in the clear to m.example",
            ),
            (
                MAIL_OK.replace("user = \"cellar\"", ""),
                "notify.mail.user",
                "needed",
            ),
            (
                MAIL_OK.replace("password-file = \"/etc/ebbmark/mail-password\"", ""),
                "notify.mail.password-file",
                "needed",
            ),
            (
                MAIL_OK.replace("Cellar <cellar@example.org>", "cellar"),
                "notify.mail.from",
                "\"cellar\"",
            ),
            (
                MAIL_OK.replace("maker@example.org", "maker at home"),
                "notify.mail.to",
                "maker at home",
            ),
            (
                "[webhook.a]\nurl = \"ftp://a.example\"".to_owned(),
                "notify.webhook.a.url",
                "https://host/path",
            ),
            (
                "[webhook.a]\nurl = \"https://a.example\"\nbody = \"{{smell}}\"".to_owned(),
                "notify.webhook.a.body",
                "{{smell}}",
            ),
            (
                "[webhook.a]\nurl = \"https://a.example\"\nbody = '{\"a\": {{title}}}'".to_owned(),
                "notify.webhook.a.body",
                "JSON",
            ),
            (
                "[webhook.a]\nurl = \"https://a.example\"\nheaders = { \"a b\" = \"1\" }"
                    .to_owned(),
                "notify.webhook.a.headers",
                "a b",
            ),
            (
                "[webhook.mail]\nurl = \"https://a.example\"".to_owned(),
                "notify.webhook.mail",
                "taken",
            ),
            (
                "[webhook.\"my phone\"]\nurl = \"https://a.example\"".to_owned(),
                "notify.webhook.my phone",
                "hyphens",
            ),
        ] {
            let problems = parse(&text).check();
            assert_eq!(problems.len(), 1, "{problems:?}");
            assert!(
                problems[0].starts_with(place) && problems[0].contains(word),
                "{problems:?}"
            );
        }
    }

    #[test]
    fn in_the_clear_only_to_this_machine_or_on_purpose() {
        let with = |host: &str, more: &str| {
            parse(&format!(
                "[mail]\nhost=\"{host}\"\nsecurity=\"none\"\nfrom=\"a@b.example\"\nto=[\"c@d.example\"]\n{more}"
            ))
            .check()
            .len()
        };
        assert_eq!(with("localhost", ""), 0);
        assert_eq!(with("127.0.0.1", ""), 0);
        assert_eq!(with("::1", ""), 0);
        assert_eq!(with("192.168.1.5", ""), 1);
        assert_eq!(with("192.168.1.5", "allow-plaintext=true"), 0);
    }
}
