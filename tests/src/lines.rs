//! What a process says, line by line, kept so that it can be waited for.

use std::io::{BufRead, BufReader, Read};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread;
use std::time::Instant;

use crate::wait::DEADLINE;

#[derive(Clone, Default)]
pub struct Lines {
    shared: Arc<(Mutex<Said>, Condvar)>,
}

#[derive(Default)]
struct Said {
    lines: Vec<String>,
    ended: bool,
}

impl Lines {
    /// Reads `from` to its end on a thread of its own.
    pub fn follow(from: impl Read + Send + 'static) -> Lines {
        let lines = Lines::default();
        let reader = lines.clone();
        thread::spawn(move || {
            let mut from = BufReader::new(from);
            let mut line = Vec::new();
            while matches!(from.read_until(b'\n', &mut line), Ok(n) if n > 0) {
                let text = String::from_utf8_lossy(&line).trim_end().to_owned();
                reader.said().lines.push(text);
                reader.shared.1.notify_all();
                line.clear();
            }
            reader.said().ended = true;
            reader.shared.1.notify_all();
        });
        lines
    }

    fn said(&self) -> MutexGuard<'_, Said> {
        self.shared.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Waits until all is read that a process said which has ended: it ends before its last words are
    /// taken out of the pipe.
    ///
    /// # Panics
    /// Something else holds the pipe for longer than [`DEADLINE`].
    pub fn to_the_end(&self) {
        let (said, timeout) = self
            .shared
            .1
            .wait_timeout_while(self.said(), DEADLINE, |said| !said.ended)
            .unwrap_or_else(PoisonError::into_inner);
        assert!(
            !timeout.timed_out(),
            "the pipe of a process that ended stays open:\n{}",
            said.lines.join("\n")
        );
    }

    /// Everything so far.
    pub fn all(&self) -> Vec<String> {
        self.said().lines.clone()
    }

    pub fn count(&self, part: &str) -> usize {
        let said = self.said();
        said.lines.iter().filter(|l| l.contains(part)).count()
    }

    /// Waits for the first line in which `find` finds something.
    ///
    /// # Panics
    /// The process fell silent for good without it, or [`DEADLINE`] passed.
    pub fn wait_for<T>(&self, what: &str, find: impl Fn(&str) -> Option<T>) -> T {
        self.wait_from(0, what, find)
    }

    /// Waits for a line with `part` in it.
    ///
    /// # Panics
    /// As [`Lines::wait_for`].
    pub fn wait_for_part(&self, part: &str) -> String {
        self.wait_for(part, |line| line.contains(part).then(|| line.to_owned()))
    }

    /// Waits until there are `n` lines.
    ///
    /// # Panics
    /// As [`Lines::wait_for`].
    pub fn wait_for_count(&self, n: usize) {
        if n > 0 {
            self.wait_from(n - 1, "more lines", |_| Some(()));
        }
    }

    fn wait_from<T>(&self, first: usize, what: &str, find: impl Fn(&str) -> Option<T>) -> T {
        let begin = Instant::now();
        let mut next = first;
        let mut said = self.said();
        loop {
            while let Some(line) = said.lines.get(next) {
                if let Some(found) = find(line) {
                    return found;
                }
                next += 1;
            }
            assert!(
                !said.ended,
                "waited for \"{what}\", but the process ended:\n{}",
                said.lines.join("\n")
            );
            let left = DEADLINE.saturating_sub(begin.elapsed());
            assert!(
                !left.is_zero(),
                "waited {DEADLINE:?} for \"{what}\":\n{}",
                said.lines.join("\n")
            );
            said = self
                .shared
                .1
                .wait_timeout(said, left)
                .unwrap_or_else(PoisonError::into_inner)
                .0;
        }
    }
}
