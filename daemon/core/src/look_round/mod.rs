//! A look round the house: whether what the daemon stands on is as it should be.
//!
//! What was found goes in as plain data ([`Found`]), lines for the maker come out ([`lines`]): what
//! was looked at, how it is, one sentence, and the remedy where one is needed. Finding out is the
//! daemon's (`ebbmark look-round` and the page of that name).

mod backups;
mod board;
mod cellar;
mod certificate;
mod outside;
#[cfg(test)]
mod tests;

use crate::text::Style;
use serde::Serialize;

use crate::time::{Moment, Span};

pub use backups::{Backups, Last};
pub use board::{Database, Door, Folder, PasswordFile, Permissions, Port, Soundness};
pub use cellar::Heard;
pub use certificate::{Certificate, InFiles};
pub use outside::{Address, Errand, To, Trouble};

/// How something is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    Good,
    /// It works, but the maker should know.
    LookAt,
    /// Something does not work.
    Broken,
}

impl State {
    /// As it stands before the line.
    pub fn label(self) -> &'static str {
        match self {
            State::Good => "good",
            State::LookAt => "look at it",
            State::Broken => "broken",
        }
    }
}

/// One thing that was looked at.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Line {
    /// Key of the kind of thing; never changed.
    pub what: &'static str,
    /// Its name as the maker knows it: "clock", "broker house".
    pub name: String,
    pub state: State,
    /// One sentence.
    pub says: String,
    /// What to do about it; there is one whenever the state is not good.
    pub remedy: Option<String>,
}

impl Line {
    fn good(what: &'static str, name: impl Into<String>, says: impl Into<String>) -> Line {
        Line {
            what,
            name: name.into(),
            state: State::Good,
            says: says.into(),
            remedy: None,
        }
    }

    fn look_at(self, says: impl Into<String>, remedy: impl Into<String>) -> Line {
        self.but(State::LookAt, says, remedy)
    }

    fn broken(self, says: impl Into<String>, remedy: impl Into<String>) -> Line {
        self.but(State::Broken, says, remedy)
    }

    fn but(self, state: State, says: impl Into<String>, remedy: impl Into<String>) -> Line {
        Line {
            state,
            says: says.into(),
            remedy: Some(remedy.into()),
            ..self
        }
    }

    /// A configuration that cannot be read, before anything else can be looked at. `why` names the
    /// place.
    pub fn bad_configuration(why: &str) -> Line {
        Line::good("configuration", "configuration", "").broken(
            format!("It cannot be used: {why}."),
            "Put right what is named there, then look round again.",
        )
    }
}

/// What was found.
#[derive(Clone, Debug, PartialEq)]
pub struct Found {
    /// By the board's clock.
    pub now: Moment,
    /// The latest believable instant on record.
    pub latest: Option<Moment>,
    /// The zone days are shown in; `None` when neither the configuration, the page nor the board
    /// names one.
    pub zone: Option<String>,
    pub folder: Folder,
    pub database: Database,
    pub backups: Backups,
    /// Databases that were moved aside, by their paths.
    pub aside: Vec<String>,
    /// Whether a daemon runs on this data folder.
    pub daemon_runs: bool,
    pub password_files: Vec<PasswordFile>,
    pub certificates: Vec<Certificate>,
    pub doors: Vec<Door>,
    pub errands: Vec<Errand>,
    /// The address links in notices begin with; `None` where nothing is sent that could carry one.
    pub address: Option<Address>,
    /// What the database tells; `None` when it could not be asked.
    pub told: Option<Told>,
}

/// What the database tells of the cellar.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Told {
    pub has_password: bool,
    pub feeds: Vec<Heard>,
    /// Topics nobody has claimed.
    pub unclaimed: Vec<String>,
}

/// A clock that reads a little earlier than the newest thing on record is being adjusted; one that
/// reads earlier than by this has lost its time.
pub const CLOCK_BEHIND: Span = Span::minutes(10);

/// Everything, in the order it was looked at.
pub fn lines(found: &Found, style: &Style) -> Vec<Line> {
    let mut lines = vec![
        board::clock(found.now, found.latest, style),
        board::zone(found.zone.as_deref()),
        board::folder(&found.folder),
        board::database(&found.database),
        backups::line(&found.backups, found.now, style),
        board::daemon(found.daemon_runs),
    ];
    lines.extend(found.aside.iter().map(|path| backups::aside(path)));
    lines.extend(found.password_files.iter().map(board::password_file));
    let certificates = found.certificates.iter();
    lines.extend(certificates.map(|c| certificate::line(c, found.now, style)));
    lines.extend(
        found
            .doors
            .iter()
            .map(|door| board::door(door, found.daemon_runs)),
    );
    lines.extend(found.errands.iter().map(outside::errand));
    lines.extend(found.address.as_ref().map(outside::address));
    if let Some(told) = &found.told {
        lines.push(board::password(told.has_password));
        lines.extend(
            told.feeds
                .iter()
                .map(|feed| cellar::feed(feed, found.now, style)),
        );
        lines.push(cellar::topics(&told.unclaimed));
    }
    lines
}

/// The worst of them.
pub fn worst(lines: &[Line]) -> State {
    let states = lines.iter().map(|line| line.state);
    states.max().unwrap_or(State::Good)
}
