//! A service manager stops the daemon: it ends well, whoever is still connected.

use std::io::{BufRead, BufReader, Write};
use std::net::TcpStream;

use ebbmark_tests::cellar::Cellar;
use ebbmark_tests::mosquitto;
use ebbmark_tests::wait::until_true;

use crate::common::publisher;

#[test]
fn sigterm_ends_it_with_a_page_and_floats_connected() {
    let cellar = Cellar::new();
    let (mut daemon, visitor) = cellar.open();

    let host = visitor.base().trim_start_matches("http://").to_owned();
    let mut page = TcpStream::connect(&host).unwrap();
    write!(
        page,
        "GET /live HTTP/1.1\r\nHost: {host}\r\nCookie: {}\r\n\r\n",
        visitor.cookie()
    )
    .unwrap();
    let mut page = BufReader::new(page);
    let mut status = String::new();
    page.read_line(&mut status).unwrap();
    assert!(status.contains(" 200 "), "{status}");

    let _float = publisher(daemon.intake_port, &["--persistent", "--id", "float-1"]);
    let _listener = mosquitto::subscribe(daemon.intake_port, &["-t", "ebbmark/#"]);
    until_true("both connected", || {
        visitor.page("/feeds").contains("2 connected")
    });

    daemon.stop();
    let said = daemon.process.err.all().join("\n");
    assert!(!said.contains("were cut"), "{said}");
    assert!(!said.contains("panicked"), "{said}");
    // Closed cleanly: the log of changes was merged into the database.
    assert_eq!(cellar.database().integrity(), "ok");
}

#[test]
fn a_port_that_is_taken_is_named() {
    let cellar = Cellar::new();
    let _other = std::net::TcpListener::bind(("127.0.0.1", cellar.page_port)).unwrap();
    let output = cellar.ebbmark(&["run"]);
    assert!(!output.status.success());
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(said.contains(&cellar.page_port.to_string()), "{said}");
    assert!(said.contains("[page] listen"), "{said}");
}
