//! The daemon's own log, on standard error: as text, or as one JSON object a line.

use std::io::{self, IsTerminal, Write, stderr};

use serde::Deserialize;
use tracing::{Level, Metadata};
use tracing_subscriber::filter::{FilterExt, filter_fn};
use tracing_subscriber::fmt::layer;
use tracing_subscriber::prelude::*;
use tracing_subscriber::{EnvFilter, registry};

#[derive(Clone, Copy, Debug, Default, Deserialize, PartialEq, Eq)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct LogConfig {
    /// Default: text.
    pub form: Form,
}

#[derive(Clone, Copy, Debug, Default, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "kebab-case")]
pub enum Form {
    #[default]
    Text,
    /// `timestamp`, `level`, `target`, and `fields` with `message` and what else belongs to it.
    Json,
}

/// Begins to log. How much is said by `RUST_LOG`; without it from `info` upwards.
pub fn begin(form: Form) {
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new("info"));
    let filter = filter.and(filter_fn(is_discreet));
    let log = layer().with_writer(|| OneLine(stderr()));
    let log = match form {
        Form::Text => log
            .with_target(false)
            .with_ansi(stderr().is_terminal())
            .boxed(),
        Form::Json => log
            .json()
            .with_current_span(false)
            .with_span_list(false)
            .boxed(),
    };
    registry().with(log.with_filter(filter)).init();
    if form == Form::Json {
        // Every line is to be JSON, the last words of a part that broke too.
        std::panic::set_hook(Box::new(|broke| tracing::error!("{broke}")));
    }
}

/// Libraries that write down what they are given when they talk much: the addresses that are called,
/// which may hold a secret.
const TALKATIVE: [&str; 2] = ["ureq", "ureq_proto"];

fn is_discreet(metadata: &Metadata<'_>) -> bool {
    let part = metadata.target().split("::").next().unwrap_or_default();
    *metadata.level() <= Level::INFO || !TALKATIVE.contains(&part)
}

/// Keeps what is written at once on one line: words of persons and devices stand in the log, and must
/// not look like lines of their own.
struct OneLine<W>(W);

impl<W: Write> Write for OneLine<W> {
    fn write(&mut self, said: &[u8]) -> io::Result<usize> {
        let (words, end) = match said.strip_suffix(b"\n") {
            Some(words) => (words, "\n"),
            None => (said, ""),
        };
        let mut line = Vec::with_capacity(said.len());
        for byte in words {
            match byte {
                b'\n' => line.extend(b"\\n"),
                b'\r' => line.extend(b"\\r"),
                byte => line.push(*byte),
            }
        }
        line.extend(end.as_bytes());
        self.0.write_all(&line)?;
        Ok(said.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.0.flush()
    }
}

/// Says why the program ends.
pub fn last_word(form: Form, error: &anyhow::Error) {
    match form {
        Form::Text => eprintln!("ebbmark: {error:#}"),
        Form::Json => tracing::error!("{error:#}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_with_line_ends_stay_on_their_line() {
        let mut line = OneLine(Vec::new());
        line.write_all(b"vessel=Keg\r\n2026-11-26 ERROR not one\n")
            .unwrap();
        assert_eq!(line.0, b"vessel=Keg\\r\\n2026-11-26 ERROR not one\n");
    }
}
