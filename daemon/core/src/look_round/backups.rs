//! The copies of the database.

use super::Line;
use crate::show;
use crate::text::Style;
use crate::time::{Moment, Span};

#[derive(Clone, Debug, PartialEq)]
pub enum Backups {
    /// None are made by themselves.
    Off,
    /// The folder cannot be looked into.
    NoFolder { path: String, why: String },
    Made {
        path: String,
        every: Span,
        last: Option<Last>,
        /// How many there are.
        count: usize,
        /// On the data's own disk; `None` when that cannot be told.
        same_disk: Option<bool>,
    },
}

/// The newest copy.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Last {
    pub at: Moment,
    pub bytes: u64,
}

pub(super) fn line(backups: &Backups, now: Moment, style: &Style) -> Line {
    let line = Line::good("backup", "backups", "");
    let try_it = "Run `ebbmark backup` with the daemon's --config as the daemon's user: it makes one now, or says what is wrong.";
    let (path, every, last, count, same_disk) = match backups {
        Backups::Off => {
            return line.look_at(
                "None are made: off = true under [backup].",
                "Take that out, unless something else copies the cellar; a card in a damp cellar dies some day.",
            );
        }
        Backups::NoFolder { path, why } => {
            return line.broken(
                format!("{path} cannot be looked into: {why}."),
                "Plug in and mount its disk, or make the folder and give it to the daemon's user; or name another under [backup] folder.",
            );
        }
        Backups::Made {
            path,
            every,
            last,
            count,
            same_disk,
        } => (path, *every, last, *count, *same_disk),
    };
    let Some(last) = last else {
        return line.look_at(
            format!("There is none in {path} yet."),
            format!("The running daemon makes the first one soon after its start. {try_it}"),
        );
    };
    let others = match count {
        0 | 1 => String::new(),
        2 => ", with an older one".to_owned(),
        n => format!(", with {} older ones", n - 1),
    };
    let age = Span(now.since(last.at).0.max(0));
    let says = format!(
        "The last good one is of {} ({} ago), {}, in {path}{others}.",
        show::day_and_time(last.at, now, style),
        show::span(age),
        show::bytes(last.bytes),
    );
    if age > every + every {
        return line.broken(
            format!("{says} One should come every {}.", show::span(every)),
            try_it,
        );
    }
    if same_disk == Some(true) {
        return line.look_at(
            format!("{says} That is the disk of the cellar itself: if it dies, both are gone."),
            "Put a stick in and name a folder on it under [backup] folder, or have [backup] after carry each copy to another house.",
        );
    }
    Line { says, ..line }
}

/// A database that was there before another took its place.
pub(super) fn aside(path: &str) -> Line {
    Line::good("aside", "database moved aside", "").look_at(
        format!("{path} is kept: it was damaged and Ebbmark went on from a copy, or a copy was restored."),
        "Once nothing is missing any more, take it away, with the files whose names go on with -wal and -shm.",
    )
}
