//! What a service manager is told, with a socket in its place: that the daemon is ready, that it lives,
//! that it is stopping.

use std::os::unix::net::UnixDatagram;
use std::time::Duration;

use ebbmark_tests::cellar::{Cellar, Daemon};
use ebbmark_tests::page::Visitor;
use ebbmark_tests::wait::{DEADLINE, until_true};

use crate::common::{message, publish, publisher};

/// Signs come at half of it. Much shorter than what the writer waits for a database that is locked.
const PATIENCE: Duration = Duration::from_millis(200);

struct Manager(UnixDatagram);

impl Manager {
    fn listen(cellar: &Cellar) -> Manager {
        let socket = UnixDatagram::bind(cellar.path("notify")).expect("a temporary folder");
        Manager(socket)
    }

    fn heard(&self, within: Duration) -> Option<String> {
        self.0.set_read_timeout(Some(within)).expect("not zero");
        let mut told = [0; 256];
        let length = self.0.recv(&mut told).ok()?;
        Some(String::from_utf8_lossy(&told[..length]).trim().to_owned())
    }

    fn next(&self) -> String {
        self.heard(DEADLINE).expect("the daemon tells it something")
    }

    /// Past whatever else it is told.
    fn hears(&self, word: &str) {
        until_true(word, || self.next() == word);
    }
}

fn start(cellar: &Cellar) -> (Daemon, Manager) {
    let manager = Manager::listen(cellar);
    let mut command = cellar.command();
    command
        .arg("run")
        .env("NOTIFY_SOCKET", cellar.path("notify"))
        .env("WATCHDOG_USEC", PATIENCE.as_micros().to_string());
    (Daemon::start(&mut command), manager)
}

#[test]
fn ready_alive_stopping() {
    let cellar = Cellar::new();
    cellar.set_password();
    let (mut daemon, manager) = start(&cellar);
    // Signs of life may come first: the parts are up before the doors are.
    manager.hears("READY=1");
    // From then on nobody is turned away, neither at the page nor at the intake.
    Visitor::signed_in(&daemon.page);
    publish(daemon.intake_port, &[], &[message("shelf/a", "1.050", 1)]);
    for _ in 0..5 {
        assert_eq!(manager.next(), "WATCHDOG=1");
    }
    daemon.process.terminate();
    manager.hears("STOPPING=1");
    daemon.process.must_end_well();
}

#[test]
fn no_sign_while_the_writer_does_not_answer() {
    let cellar = Cellar::new();
    cellar.set_password();
    let (mut daemon, manager) = start(&cellar);
    manager.hears("READY=1");
    let lock = rusqlite::Connection::open(cellar.database_path()).unwrap();
    lock.execute_batch("BEGIN IMMEDIATE").unwrap();
    // Its commit waits for the lock, and the writer with it.
    let mut client = publisher(daemon.intake_port, &["--persistent", "--id", "float"]);
    client.tell(&format!("{}\n", message("shelf/a", "1.050", 1)));
    until_true("the signs stay out", || {
        manager.heard(PATIENCE * 5).is_none()
    });
    lock.execute_batch("ROLLBACK").unwrap();
    manager.hears("WATCHDOG=1");
    client.must_end_well();
    assert_eq!(cellar.database().payloads("intake", "shelf/a").len(), 1);
    daemon.stop();
}

/// Where nobody waits for a sign none is given; a wish that makes no sense is no wish.
#[test]
fn nobody_waits() {
    let cellar = Cellar::new();
    cellar.set_password();
    let manager = Manager::listen(&cellar);
    let mut command = cellar.command();
    command
        .arg("run")
        .env("NOTIFY_SOCKET", cellar.path("notify"))
        .env("WATCHDOG_USEC", "0");
    let mut daemon = Daemon::start(&mut command);
    assert_eq!(manager.next(), "READY=1");
    daemon.stop();
    assert_eq!(manager.next(), "STOPPING=1");
    assert_eq!(manager.heard(PATIENCE), None);
}
