//! A real broker on a port of its own.

use std::net::{Ipv4Addr, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use tempfile::TempDir;

use crate::process::Process;
use crate::wait::until_true;
use crate::{ports, tools};

pub struct Mosquitto {
    folder: TempDir,
    pub port: u16,
    process: Option<Process>,
}

impl Mosquitto {
    /// It keeps sessions over a clean restart.
    ///
    /// # Panics
    /// It does not come up.
    pub fn start() -> Mosquitto {
        Mosquitto::with("allow_anonymous true\n", |_| {})
    }

    /// Lets nobody in but this user.
    ///
    /// # Panics
    /// It does not come up.
    pub fn guarded(user: &str, password: &str) -> Mosquitto {
        Mosquitto::with("allow_anonymous false\n", |folder| {
            let file = folder.join("passwords");
            passwords(&file, &[(user, password)]);
            let config = format!("password_file {}\n", file.display());
            let path = folder.join("mosquitto.conf");
            let all = std::fs::read_to_string(&path).expect("it was just written") + &config;
            std::fs::write(&path, all).expect("a temporary folder");
        })
    }

    fn with(who: &str, more: impl FnOnce(&Path)) -> Mosquitto {
        let mut broker = Mosquitto {
            folder: TempDir::with_prefix("ebbmark-broker-").expect("a temporary folder"),
            port: ports::free(),
            process: None,
        };
        let config = format!(
            "listener {} 127.0.0.1\n{who}persistence true\npersistence_location {}/\nautosave_interval 1\nautosave_on_changes true\nmax_queued_messages 0\nmax_inflight_messages 20\n",
            broker.port,
            broker.folder.path().display()
        );
        std::fs::write(broker.config(), config).expect("a temporary folder");
        // As root it would become a user of its own, who may not write here.
        open_to_all(broker.folder.path(), 0o777);
        more(broker.folder.path());
        broker.again();
        broker
    }

    /// By a configuration beside what Debian's own file says, made for a folder of its own and a port.
    ///
    /// # Panics
    /// It does not come up.
    pub fn configured(config: impl FnOnce(&Path, u16) -> String) -> Mosquitto {
        let mut broker = Mosquitto {
            folder: TempDir::with_prefix("ebbmark-broker-").expect("a temporary folder"),
            port: ports::free(),
            process: None,
        };
        // As root it would become a user of its own, who may not write here.
        open_to_all(broker.folder.path(), 0o777);
        let folder = broker.folder.path();
        let beside = folder.join("conf.d");
        std::fs::create_dir(&beside).expect("a temporary folder");
        std::fs::write(beside.join("example.conf"), config(folder, broker.port))
            .expect("a temporary folder");
        // As /etc/mosquitto/mosquitto.conf of the Debian package has it, but for the folder.
        let own = format!(
            "persistence true\npersistence_location {0}/\ninclude_dir {0}/conf.d\n",
            folder.display()
        );
        std::fs::write(broker.config(), own).expect("a temporary folder");
        broker.again();
        broker
    }

    fn config(&self) -> PathBuf {
        self.folder.path().join("mosquitto.conf")
    }

    /// Starts it again on the same port.
    ///
    /// # Panics
    /// It does not come up.
    pub fn again(&mut self) {
        let mut command = Command::new(tools::system("mosquitto"));
        command.arg("-c").arg(self.config());
        self.process = Some(Process::start("mosquitto", &mut command));
        until_true("mosquitto listening", || {
            TcpStream::connect((Ipv4Addr::LOCALHOST, self.port)).is_ok()
        });
    }

    /// Ends it cleanly.
    ///
    /// # Panics
    /// It is not running.
    pub fn stop(&mut self) {
        let mut process = self.process.take().expect("it is running");
        process.terminate();
        process.wait();
    }
}

/// A file of users with their passwords.
///
/// # Panics
/// The broker's program for that does not make it.
pub fn passwords(file: &Path, users: &[(&str, &str)]) {
    std::fs::write(file, "").expect("a temporary folder");
    open_to_all(file, 0o600);
    for (user, password) in users {
        let made = Command::new(tools::system("mosquitto_passwd"))
            .arg("-b")
            .arg(file)
            .args([user, password])
            .status()
            .expect("mosquitto_passwd starts");
        assert!(made.success());
    }
    open_to_all(file, 0o644);
}

fn open_to_all(path: &Path, mode: u32) {
    let permissions = std::os::unix::fs::PermissionsExt::from_mode(mode);
    std::fs::set_permissions(path, permissions).expect("a file of ours");
}

/// Runs `mosquitto_pub` against a port of this machine; it must end well.
///
/// # Panics
/// It does not.
pub fn publish(port: u16, arguments: &[&str]) -> Output {
    let output = Command::new(tools::system("mosquitto_pub"))
        .args(["-h", "127.0.0.1", "-p", &port.to_string()])
        .args(arguments)
        .output()
        .expect("mosquitto_pub starts");
    assert!(output.status.success(), "{output:?}");
    output
}

/// `mosquitto_sub`, saying each message as `topic payload`.
pub fn subscribe(port: u16, arguments: &[&str]) -> Process {
    let mut command = Command::new(tools::system("mosquitto_sub"));
    command
        .args(["-h", "127.0.0.1", "-p", &port.to_string()])
        .args(["-F", "%r %t %p"])
        .args(arguments);
    Process::start("mosquitto_sub", &mut command)
}
