//! The configuration file: how the daemon is set up on this board. What is in the cellar
//! (vessels, meads, feeds) is not here but in the database, changed on the page.
//!
//! Read strictly: an unknown key is an error that names it, so that a typing slip cannot turn
//! into a default. Everything has a default; without a file the daemon runs on loopback.

mod check;

use std::fs::DirBuilder;
use std::net::{Ipv4Addr, SocketAddr};
use std::os::unix::fs::DirBuilderExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::{Context, Result};
use ebbmark_core::time::Span;
use ebbmark_store::Options;
use ebbmark_store::shelf_life::ShelfLife;
use jiff::tz::TimeZone;
use serde::Deserialize;

use crate::backup::BackupConfig;
use crate::heartbeat::HeartbeatConfig;
use crate::logging::LogConfig;
use crate::mqtt::broker::BrokerConfig;
use crate::mqtt::intake::IntakeConfig;
use crate::notify::NotifyConfig;
use crate::secret::SecretFile;
use crate::tls::{self, TlsConfig};

#[derive(Clone, Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct Config {
    /// Folder for the database. Default: `$STATE_DIRECTORY` (set by systemd), else `ebbmark-data`
    /// in the working directory.
    pub data_folder: Option<PathBuf>,
    /// IANA time zone for days and times on the page and in notices, until one is set on the
    /// page. Default: the system's.
    pub zone: Option<String>,
    pub page: PageConfig,
    /// Floats that publish straight to us. An empty `listen` turns it off.
    pub intake: IntakeConfig,
    /// Brokers we fetch from, none by default.
    pub broker: Vec<BrokerConfig>,
    pub notify: NotifyConfig,
    /// The daemon's own log.
    pub log: LogConfig,
    /// An address called as long as the daemon lives. Default: none.
    pub heartbeat: Option<HeartbeatConfig>,
    pub store: StoreConfig,
    /// Copies of the database.
    pub backup: BackupConfig,
    /// How long what is kept.
    pub shelf_life: ShelfLifeConfig,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct PageConfig {
    /// Addresses of the page and the HTTP intake. Until a password is set only loopback ones are
    /// opened.
    pub listen: Vec<SocketAddr>,
    /// How the maker reaches the page, such as `https://cellar.example.org`: what links in notices
    /// begin with. Default: none, and notices carry no links.
    pub address: Option<String>,
    /// Addresses where TLS is spoken, besides. Default: none.
    pub tls: Option<TlsConfig>,
    /// A proxy in front speaks TLS: cookies are then marked to be sent over TLS only.
    pub behind_tls: bool,
}

impl Default for PageConfig {
    fn default() -> Self {
        PageConfig {
            listen: vec![(Ipv4Addr::LOCALHOST, 8420).into()],
            address: None,
            tls: None,
            behind_tls: false,
        }
    }
}

impl PageConfig {
    /// All addresses, in the clear and over TLS.
    pub fn addresses(&self) -> impl Iterator<Item = &SocketAddr> {
        tls::addresses(&self.listen, self.tls.as_ref())
    }
}

#[derive(Clone, Debug, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct ShelfLifeConfig {
    /// Days messages are kept as they came (30 to 36500; 0: for ever).
    pub message_days: u32,
    /// Days single readings are kept (60 to 36500, no fewer than messages; 0: for ever). Hours always are.
    pub reading_days: u32,
}

impl Default for ShelfLifeConfig {
    fn default() -> Self {
        ShelfLifeConfig {
            message_days: 366,
            reading_days: 0,
        }
    }
}

impl ShelfLifeConfig {
    pub fn shelf_life(&self) -> ShelfLife {
        let span = |days: u32| (days > 0).then(|| Span::days(days.into()));
        ShelfLife {
            payloads: span(self.message_days),
            readings: span(self.reading_days),
        }
    }

    fn check(&self) -> Vec<String> {
        let mut problems = Vec::new();
        let (messages, readings) = (self.message_days, self.reading_days);
        for (key, days, least) in [
            ("message-days", messages, 30),
            // A feed's habit is told from its last forty days.
            ("reading-days", readings, 60),
        ] {
            if days != 0 && !(least..=36_500).contains(&days) {
                problems.push(format!(
                    "shelf-life: {key} is {days}; it must lie between {least} and 36500, or be 0 (for ever)"
                ));
            }
        }
        if readings != 0 && (messages == 0 || messages > readings) {
            problems.push(
                "shelf-life: reading-days is less than message-days; messages that are kept longer than \
                 their readings would be of no use"
                    .to_owned(),
            );
        }
        problems
    }
}

#[derive(Clone, Debug, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct StoreConfig {
    /// Most messages in one commit (1 to 10000).
    pub commit_messages: usize,
    /// Longest a message waits for others to share its commit, ms (0 to 10000).
    pub commit_window_ms: u64,
    /// A commit is made once nothing more has come for this long, ms (0 to 10000).
    pub quiet_gap_ms: u64,
    /// Messages whose senders wait for no answer are committed once in so long on the whole, s (0 to 600).
    pub leisure_seconds: u64,
}

impl Default for StoreConfig {
    fn default() -> Self {
        let o = Options::default();
        StoreConfig {
            commit_messages: o.commit_count,
            commit_window_ms: o.commit_window.as_millis() as u64,
            quiet_gap_ms: o.quiet_gap.as_millis() as u64,
            leisure_seconds: o.leisure.as_secs(),
        }
    }
}

impl StoreConfig {
    pub fn options(&self) -> Options {
        Options {
            commit_count: self.commit_messages,
            commit_window: Duration::from_millis(self.commit_window_ms),
            quiet_gap: Duration::from_millis(self.quiet_gap_ms),
            leisure: Duration::from_secs(self.leisure_seconds),
            ..Options::default()
        }
    }
}

impl Config {
    /// Reads the file and checks it. `None`: the defaults.
    ///
    /// # Errors
    /// The file cannot be read, is not TOML, has an unknown key, or asks for what cannot work.
    pub fn load(file: Option<&Path>) -> Result<Config> {
        let Some(file) = file else {
            return Ok(Config::default());
        };
        let text = std::fs::read_to_string(file)
            .with_context(|| format!("cannot read the configuration {}", file.display()))?;
        let config: Config =
            toml::from_str(&text).with_context(|| format!("in {}", file.display()))?;
        let problems = config.problems();
        if !problems.is_empty() {
            anyhow::bail!("in {}:\n  {}", file.display(), problems.join("\n  "));
        }
        Ok(config)
    }

    /// Every file that holds a secret, with what needs it in words.
    pub fn secrets(&self) -> Vec<(String, &SecretFile)> {
        let of_intake = self.intake.credentials.iter();
        let of_intake = of_intake.map(|c| ("password of the intake".to_owned(), &c.password_file));
        let of_brokers = self.broker.iter().filter_map(|broker| {
            let credentials = broker.credentials.as_ref()?;
            Some((
                format!("password of broker {}", broker.name),
                &credentials.password_file,
            ))
        });
        let of_mail = self.notify.mail.iter();
        let of_mail = of_mail.map(|m| ("password of mail".to_owned(), &m.password_file));
        let passwords = of_intake.chain(of_brokers).chain(of_mail);
        let of_calls = self.notify.webhook.iter().flat_map(|(name, hook)| {
            let each = hook.secrets.iter();
            each.map(move |(secret, file)| (format!("{secret} of webhook {name}"), file))
        });
        let of_heartbeat = self.heartbeat.iter().flat_map(|h| &h.secrets);
        let of_heartbeat = of_heartbeat.map(|(s, file)| (format!("{s} of the heartbeat"), file));
        passwords
            .filter_map(|(of, file)| Some((of, file.as_ref()?)))
            .chain(of_calls)
            .chain(of_heartbeat)
            .collect()
    }

    pub fn data_folder(&self) -> PathBuf {
        match (&self.data_folder, std::env::var_os("STATE_DIRECTORY")) {
            (Some(folder), _) => folder.clone(),
            (None, Some(folder)) if !folder.is_empty() => folder.into(),
            _ => "ebbmark-data".into(),
        }
    }

    /// Makes the data folder, for its owner alone: passwords' hashes and the key of signed links are in it.
    /// One that is there stays as it is.
    ///
    /// # Errors
    /// It cannot be made; names it.
    pub fn make_data_folder(&self) -> Result<PathBuf> {
        let folder = self.data_folder();
        let mut made = DirBuilder::new();
        made.recursive(true).mode(0o700);
        made.create(&folder)
            .with_context(|| format!("cannot make the data folder {}", folder.display()))?;
        Ok(folder)
    }

    pub fn database(&self) -> PathBuf {
        self.data_folder().join("ebbmark.sqlite3")
    }

    pub fn backup_folder(&self) -> PathBuf {
        let usual = || self.data_folder().join("backup");
        self.backup.folder.clone().unwrap_or_else(usual)
    }

    /// The zone to start with; `problems` has refused an unknown one.
    pub fn zone(&self) -> TimeZone {
        self.zone
            .as_deref()
            .and_then(|name| TimeZone::get(name).ok())
            .unwrap_or_else(TimeZone::system)
    }
}
