//! Servers that take what the daemon sends out: a web server of our own, and a mail server that
//! is not.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{Ipv4Addr, SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;

use crate::process::Process;
use crate::{ports, tools};

#[derive(Clone, Debug)]
pub struct Call {
    /// The first line: method, path, version.
    pub request: String,
    pub headers: Vec<String>,
    pub body: String,
}

/// Takes every call and remembers it.
pub struct WebSink {
    pub address: SocketAddr,
    calls: Arc<Mutex<Vec<Call>>>,
    stop: Arc<AtomicBool>,
}

impl WebSink {
    /// # Panics
    /// The port is taken.
    pub fn start(port: u16) -> WebSink {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, port)).expect("a free port");
        let sink = WebSink {
            address: listener.local_addr().expect("a bound listener has one"),
            calls: Arc::default(),
            stop: Arc::default(),
        };
        let (calls, stop) = (sink.calls.clone(), sink.stop.clone());
        thread::spawn(move || {
            for stream in listener.incoming() {
                if stop.load(Ordering::Relaxed) {
                    return;
                }
                if let Some(call) = stream.ok().and_then(take) {
                    calls
                        .lock()
                        .unwrap_or_else(PoisonError::into_inner)
                        .push(call);
                }
            }
        });
        sink
    }

    pub fn calls(&self) -> Vec<Call> {
        self.calls
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }
}

impl Drop for WebSink {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        // Wakes the thread, which then ends.
        let _ = TcpStream::connect(self.address);
    }
}

/// One call for each connection.
fn take(stream: TcpStream) -> Option<Call> {
    let mut reader = BufReader::new(stream.try_clone().ok()?);
    let mut line = || {
        let mut text = String::new();
        reader.read_line(&mut text).ok()?;
        Some(text.trim_end().to_owned())
    };
    // Who only knocks has not called.
    let request = line().filter(|text| !text.is_empty())?;
    let mut headers = Vec::new();
    loop {
        let header = line()?;
        if header.is_empty() {
            break;
        }
        headers.push(header);
    }
    let length = headers.iter().find_map(|h| {
        let (name, value) = h.split_once(':')?;
        name.eq_ignore_ascii_case("content-length")
            .then(|| value.trim().parse::<usize>().ok())?
    });
    let mut body = vec![0; length.unwrap_or(0)];
    reader.read_exact(&mut body).ok()?;
    let mut stream = stream;
    stream
        .write_all(b"HTTP/1.1 204 No Content\r\nconnection: close\r\n\r\n")
        .ok()?;
    Some(Call {
        request,
        headers,
        body: String::from_utf8_lossy(&body).into_owned(),
    })
}

/// Python's mail server, saying each mail it takes as a line of JSON.
pub struct MailSink {
    process: Process,
    pub port: u16,
}

impl MailSink {
    pub fn start() -> MailSink {
        MailSink::with(&[])
    }

    /// Takes mail from this user only.
    pub fn guarded(user: &str, password: &str) -> MailSink {
        MailSink::with(&[user, password])
    }

    fn with(login: &[&str]) -> MailSink {
        let port = ports::free();
        let mut command = tools::client("mail_server.py");
        command.arg(port.to_string()).args(login);
        let process = Process::start("the mail server", &mut command);
        process.out.wait_for_part("ready");
        MailSink { process, port }
    }

    /// Mails taken so far.
    ///
    /// # Panics
    /// The server says something that is not JSON.
    pub fn mails(&self) -> Vec<serde_json::Value> {
        let lines = self.process.out.all();
        let mails = lines.iter().filter(|line| line.starts_with('{'));
        mails
            .map(|line| serde_json::from_str(line).expect("a line of JSON"))
            .collect()
    }
}
