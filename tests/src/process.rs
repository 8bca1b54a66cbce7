//! A child process that does not outlive its test.

use std::io::Write;
use std::process::{Child, ChildStdin, Command, ExitStatus, Stdio};

use crate::lines::Lines;
use crate::wait::until;

pub struct Process {
    name: String,
    child: Child,
    pub out: Lines,
    pub err: Lines,
}

impl Process {
    /// # Panics
    /// It cannot be started.
    pub fn start(name: &str, command: &mut Command) -> Process {
        let mut child = command
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap_or_else(|e| panic!("{name} cannot be started: {e}"));
        let out = child.stdout.take().expect("stdout is piped");
        let err = child.stderr.take().expect("stderr is piped");
        Process {
            name: name.to_owned(),
            out: Lines::follow(out),
            err: Lines::follow(err),
            child,
        }
    }

    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// Writes to its standard input and closes that.
    ///
    /// # Panics
    /// It does not read.
    pub fn tell(&mut self, text: &str) {
        let mut input = self.input();
        input
            .write_all(text.as_bytes())
            .unwrap_or_else(|e| panic!("{} does not read: {e}", self.name));
    }

    /// # Panics
    /// It was taken before.
    pub fn input(&mut self) -> ChildStdin {
        self.child.stdin.take().expect("the input is taken once")
    }

    /// SIGKILL: what a power cut looks like to a process.
    ///
    /// # Panics
    /// It cannot be killed.
    pub fn kill(&mut self) {
        self.child.kill().expect("a child of ours can be killed");
        self.child
            .wait()
            .expect("a child of ours can be waited for");
    }

    /// SIGTERM: what a service manager sends.
    ///
    /// # Panics
    /// There is no such process any more.
    pub fn terminate(&self) {
        let sent = Command::new("kill")
            .args(["-TERM", &self.id().to_string()])
            .status()
            .expect("kill is part of every system");
        assert!(sent.success(), "{} is not running", self.name);
    }

    pub fn is_running(&mut self) -> bool {
        matches!(self.child.try_wait(), Ok(None))
    }

    /// Waits for it to end by itself, and for its last words.
    ///
    /// # Panics
    /// It does not.
    pub fn wait(&mut self) -> ExitStatus {
        let name = self.name.clone();
        let status = until(&format!("the end of {name}"), || {
            self.child.try_wait().expect("a child of ours")
        });
        self.out.to_the_end();
        self.err.to_the_end();
        status
    }

    /// # Panics
    /// It ends with a failure.
    pub fn must_end_well(&mut self) {
        let status = self.wait();
        assert!(
            status.success(),
            "{}: {status}\n{}\n{}",
            self.name,
            self.out.all().join("\n"),
            self.err.all().join("\n")
        );
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
        if std::thread::panicking() {
            let said = self.err.all();
            let tail = &said[said.len().saturating_sub(40)..];
            eprintln!("--- {} said last:\n{}", self.name, tail.join("\n"));
        }
    }
}
