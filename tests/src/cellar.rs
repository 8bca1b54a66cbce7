//! A data folder and a configuration of their own, and the daemon on them.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use tempfile::TempDir;

use crate::database::Database;
use crate::page::Visitor;
use crate::process::Process;
use crate::{ports, tools};

pub const PASSWORD: &str = "drei Fässer im Keller";

/// The same ports over every restart, so that clients find the daemon again.
pub struct Cellar {
    folder: TempDir,
    pub page_port: u16,
    pub intake_port: u16,
}

impl Cellar {
    pub fn new() -> Cellar {
        Cellar::with("")
    }

    /// With more tables in the configuration.
    ///
    /// # Panics
    /// The temporary folder cannot be written.
    pub fn with(tables: &str) -> Cellar {
        let cellar = Cellar {
            folder: TempDir::with_prefix("ebbmark-test-").expect("a temporary folder"),
            page_port: ports::free(),
            intake_port: ports::free(),
        };
        cellar.configure(tables);
        cellar
    }

    /// Writes the configuration anew; the next start reads it.
    ///
    /// # Panics
    /// The temporary folder cannot be written.
    pub fn configure(&self, tables: &str) {
        // Tests wait for what they sent, however it was sent.
        let store = if tables.contains("[store]") {
            ""
        } else {
            "[store]\nleisure-seconds = 0\n\n"
        };
        let text = format!(
            "data-folder = {:?}\nzone = \"UTC\"\n\n[page]\nlisten = [\"127.0.0.1:{}\"]\naddress = \"http://127.0.0.1:{}\"\n\n[intake]\nlisten = [\"127.0.0.1:{}\"]\n\n{store}{tables}\n",
            self.path("data"),
            self.page_port,
            self.page_port,
            self.intake_port
        );
        std::fs::write(self.path("ebbmark.toml"), text).expect("a temporary folder");
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Writes a file beside the configuration.
    ///
    /// # Panics
    /// The temporary folder cannot be written.
    pub fn file(&self, name: &str, content: impl AsRef<[u8]>) -> PathBuf {
        let path = self.path(name);
        std::fs::write(&path, content).expect("a temporary folder");
        path
    }

    pub fn database_path(&self) -> PathBuf {
        self.path("data/ebbmark.sqlite3")
    }

    pub fn database(&self) -> Database {
        Database::open(&self.database_path())
    }

    pub fn command(&self) -> Command {
        with_config(&self.path("ebbmark.toml"))
    }

    /// Runs the program with a subcommand to its end.
    ///
    /// # Panics
    /// It cannot be started.
    pub fn ebbmark<S: AsRef<std::ffi::OsStr>>(&self, arguments: &[S]) -> Output {
        let mut command = self.command();
        command.args(arguments);
        command.output().expect("the built program starts")
    }

    /// Takes the readings of a file into a vessel.
    ///
    /// # Panics
    /// The program cannot be started.
    pub fn import(&self, file: &Path, vessel: &str) -> Output {
        let file = file.as_os_str();
        self.ebbmark(&[
            "import".as_ref(),
            file,
            "--vessel".as_ref(),
            vessel.as_ref(),
        ])
    }

    /// # Panics
    /// The program does not take it.
    pub fn set_password(&self) {
        let mut child = self
            .command()
            .arg("password")
            .stdin(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the built program starts");
        let mut input = child.stdin.take().expect("stdin is piped");
        writeln!(input, "{PASSWORD}").expect("it reads the password");
        drop(input);
        let output = child.wait_with_output().expect("it ends");
        assert!(output.status.success(), "{output:?}");
    }

    /// Starts the daemon and waits until it listens.
    pub fn start(&self) -> Daemon {
        Daemon::start(self.command().arg("run"))
    }

    /// Sets the password, starts the daemon, and signs in.
    pub fn open(&self) -> (Daemon, Visitor) {
        self.set_password();
        let daemon = self.start();
        let visitor = Visitor::signed_in(&daemon.page);
        (daemon, visitor)
    }
}

impl Default for Cellar {
    fn default() -> Self {
        Cellar::new()
    }
}

/// The program with a configuration file.
pub fn with_config(file: &Path) -> Command {
    let mut command = Command::new(tools::built("ebbmark"));
    command
        .arg("--config")
        .arg(file)
        // The surroundings of whoever runs the tests must not matter.
        .env_remove("STATE_DIRECTORY")
        .env_remove("RUST_LOG")
        .env_remove("NOTIFY_SOCKET");
    command
}

/// In a structured log a quotation mark ends it.
fn unquoted(address: &str) -> &str {
    address.split('"').next().unwrap_or_default()
}

/// A running daemon.
pub struct Daemon {
    pub process: Process,
    /// Address of the page, without a slash at the end.
    pub page: String,
    pub intake_port: u16,
}

impl Daemon {
    /// # Panics
    /// It does not come up.
    pub fn start(command: &mut Command) -> Daemon {
        let process = Process::start("ebbmark", command);
        let page = process.err.wait_for("the page is at", |line| {
            let (_, address) = line.split_once("the page is at ")?;
            Some(unquoted(address).trim_end_matches('/').to_owned())
        });
        let intake_port = process.err.wait_for("floats may publish to", |line| {
            let (_, address) = line.split_once("floats may publish to mqtt://")?;
            unquoted(address).rsplit_once(':')?.1.parse().ok()
        });
        Daemon {
            process,
            page,
            intake_port,
        }
    }

    /// SIGTERM, and waits for a clean end.
    ///
    /// # Panics
    /// It ends with a failure, or not at all.
    pub fn stop(&mut self) {
        self.process.terminate();
        self.process.must_end_well();
    }

    /// Memory it holds now, in KiB, as the kernel counts it.
    ///
    /// # Panics
    /// It is not running.
    pub fn resident_kib(&self) -> u64 {
        self.memory_kib("VmRSS:")
    }

    /// The most it has held so far, likewise.
    ///
    /// # Panics
    /// It is not running.
    pub fn peak_kib(&self) -> u64 {
        self.memory_kib("VmHWM:")
    }

    fn memory_kib(&self, what: &str) -> u64 {
        let path = format!("/proc/{}/status", self.process.id());
        let status = std::fs::read_to_string(path).expect("a running process");
        status
            .lines()
            .find_map(|line| line.strip_prefix(what))
            .and_then(|rest| rest.split_whitespace().next())
            .and_then(|kib| kib.parse().ok())
            .expect("the kernel says how much memory a process holds")
    }
}
