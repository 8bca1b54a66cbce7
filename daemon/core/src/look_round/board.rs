//! The board itself: its clock, its disk, its files, its doors.

use crate::text::Style;

use super::{CLOCK_BEHIND, Line};
use crate::show;
use crate::time::Moment;

/// The data folder.
#[derive(Clone, Debug, PartialEq)]
pub enum Folder {
    Missing {
        path: String,
    },
    /// A file could not be written and synced in it.
    NotWritable {
        path: String,
        why: String,
    },
    Ready {
        path: String,
        /// Bytes left for who is not root.
        free: u64,
    },
}

#[derive(Clone, Debug, PartialEq)]
pub enum Database {
    /// There is no file yet.
    NotYet,
    /// It does not open; `why` names the remedy.
    Closed { why: String },
    /// So damaged that it does not even open: how that showed.
    Damaged(String),
    Open {
        schema: i64,
        bytes: u64,
        sound: Soundness,
    },
}

/// What SQLite's own check said.
#[derive(Clone, Debug, PartialEq)]
pub enum Soundness {
    Sound,
    /// Not done in the time there was.
    Unfinished,
    Damaged(String),
}

/// A file with a password, a token or a key in it.
#[derive(Clone, Debug, PartialEq)]
pub struct PasswordFile {
    /// What it is: "password of mail".
    pub of: String,
    pub path: String,
    pub permissions: Permissions,
}

#[derive(Clone, Debug, PartialEq)]
pub enum Permissions {
    Unreadable(String),
    /// Systemd hands it over, but not to whoever looks round now.
    NotHere,
    /// Systemd handed it over, and sees to who may read it.
    HandedOver,
    /// Nothing stands in its first line.
    Empty,
    /// The lower nine bits of its mode.
    Mode(u32),
}

/// An address to listen on.
#[derive(Clone, Debug, PartialEq)]
pub struct Door {
    /// "page", "intake".
    pub of: &'static str,
    pub address: String,
    pub port: Port,
}

#[derive(Clone, Debug, PartialEq)]
pub enum Port {
    Free,
    Taken,
    /// It cannot be opened at all, and why.
    Refused(String),
}

/// Below this little is left for a database that grows by some megabytes a month; the limits are
/// ours, common practice, no source.
const FREE_LITTLE: u64 = 500 << 20;
const FREE_TOO_LITTLE: u64 = 50 << 20;

pub(super) fn clock(now: Moment, latest: Option<Moment>, style: &Style) -> Line {
    let says = show::day_and_time(now, Moment::EARLIEST_BELIEVABLE, style);
    let line = Line::good("clock", "clock", format!("It is {says}."));
    let remedy = "Let the board get its time from the network (timedatectl shows whether it does), or set it by hand. Until then nothing is judged; what comes in is kept and dated afterwards.";
    if now < Moment::EARLIEST_BELIEVABLE {
        return line.broken(format!("It says {says}, which cannot be."), remedy);
    }
    match latest {
        Some(latest) if now < latest - CLOCK_BEHIND => line.broken(
            format!(
                "It says {says}, but something on record happened {}.",
                show::day_and_time(latest, Moment::EARLIEST_BELIEVABLE, style)
            ),
            remedy,
        ),
        _ => line,
    }
}

pub(super) fn zone(name: Option<&str>) -> Line {
    let line = Line::good("zone", "time zone", "");
    match name {
        Some(name) => Line {
            says: format!("Days and times are shown for {name}."),
            ..line
        },
        None => line.look_at(
            "The board does not say in which time zone it stands; days are shown in UTC.",
            "Set one on the settings page, or zone = \"Europe/Vienna\" (yours) in the configuration.",
        ),
    }
}

pub(super) fn folder(folder: &Folder) -> Line {
    let line = |says: String| Line::good("folder", "data folder", says);
    match folder {
        Folder::Missing { path } => line(String::new()).look_at(
            format!("{path} is not there yet."),
            "The daemon makes it at its first start, if it may; else make it and give it to the daemon's user. If it should be there, see whether its disk is mounted and data-folder in the configuration is right.",
        ),
        Folder::NotWritable { path, why } => line(String::new()).broken(
            format!("Nothing can be written in {path}: {why}."),
            "See that the disk is neither full nor mounted read-only, and that the folder belongs to the daemon's user.",
        ),
        Folder::Ready { path, free } => {
            let left = format!("{path} can be written, {} are free.", show::bytes(*free));
            let remedy = "Make room on that disk, or move the data folder to a larger one.";
            match *free {
                f if f < FREE_TOO_LITTLE => line(String::new()).broken(left, remedy),
                f if f < FREE_LITTLE => line(String::new()).look_at(left, remedy),
                _ => line(left),
            }
        }
    }
}

pub(super) fn database(database: &Database) -> Line {
    let line = Line::good("database", "database", "");
    match database {
        Database::NotYet => line.look_at(
            "There is none yet.",
            "It is made at the first start of `ebbmark run`. If there should be one, see whether data-folder in the configuration is right.",
        ),
        Database::Closed { why } => line.broken(
            format!("It does not open: {why}."),
            "Nothing is kept until this is put right. Leave the file as it is, and copy it before anything is tried on it.",
        ),
        Database::Open { schema, bytes: size, sound } => {
            let size = show::bytes(*size);
            match sound {
                Soundness::Sound => Line {
                    says: format!("It opens and is sound: schema {schema}, {size}."),
                    ..line
                },
                Soundness::Unfinished => line.look_at(
                    format!("It opens (schema {schema}, {size}), but looking through it was not done in time."),
                    "It is large, or the disk is slow; look round on the command line, which takes more time for it.",
                ),
                Soundness::Damaged(what) => damaged(line, what),
            }
        }
        Database::Damaged(what) => damaged(line, what),
    }
}

fn damaged(line: Line, what: &str) -> Line {
    line.broken(
        format!("It is damaged: {what}."),
        "Restart the daemon: it will restore the last good backup, with what can still be read of this one, and keep this one aside. Without a backup copy the whole data folder first; then `ebbmark restore FILE` with a copy from elsewhere, or sqlite3's .recover, which saves what can be read. Then find out why: a dying card or a power cut on a disk that does not keep its word.",
    )
}

pub(super) fn daemon(runs: bool) -> Line {
    let line = Line::good("daemon", "daemon", "It runs.");
    if runs {
        return line;
    }
    line.look_at(
        "It does not run on this data folder.",
        "Start it: systemctl start ebbmark, or ebbmark run with the same --config.",
    )
}

pub(super) fn password(is_set: bool) -> Line {
    let line = Line::good("password", "password of the page", "It is set.");
    if is_set {
        return line;
    }
    line.look_at(
        "None is set: the page can be read from this board only, and nothing can be changed on it.",
        "Run `ebbmark password` with the daemon's --config.",
    )
}

/// Where systemd hands passwords over; only the service itself sees them there.
const HANDED_OVER: &str = "/run/credentials/";

const ASK_THE_SERVICE: &str = "systemd shows it to the service alone; look round on the settings page, which the service does itself.";

pub(super) fn password_file(file: &PasswordFile) -> Line {
    let path = &file.path;
    let line = Line::good(
        "password-file",
        file.of.clone(),
        format!("{path} can be read by its owner alone."),
    );
    match &file.permissions {
        Permissions::Unreadable(why) if path.starts_with(HANDED_OVER) => line.look_at(
            format!("{path} cannot be read from here: {why}."),
            ASK_THE_SERVICE,
        ),
        Permissions::NotHere => {
            line.look_at(format!("{path} cannot be read from here."), ASK_THE_SERVICE)
        }
        Permissions::HandedOver => Line {
            says: format!("{path} is handed over by systemd to the service alone."),
            ..line
        },
        Permissions::Unreadable(why) => line.broken(
            format!("{path} cannot be read: {why}."),
            "See that the file is there and belongs to the daemon's user.",
        ),
        Permissions::Empty => line.broken(
            format!("The first line of {path} is empty."),
            "Write the secret into it.",
        ),
        Permissions::Mode(mode) if mode & 0o077 != 0 => line.look_at(
            format!("Others on this board may read or change {path} (mode {mode:03o})."),
            format!("chmod 600 {path}"),
        ),
        Permissions::Mode(_) => line,
    }
}

pub(super) fn door(door: &Door, daemon_runs: bool) -> Line {
    let Door { of, address, port } = door;
    let line = Line::good("port", format!("{of} on {address}"), "");
    let elsewhere = format!("choose another address under [{of}] listen");
    match (port, daemon_runs) {
        (Port::Taken, true) => Line {
            says: "The daemon listens there.".into(),
            ..line
        },
        (Port::Free, false) => Line {
            says: "It is free for the daemon.".into(),
            ..line
        },
        (Port::Taken, false) => line.broken(
            "Another program listens there.",
            format!("Stop that one (ss -ltnp names it), or {elsewhere}."),
        ),
        (Port::Free, true) => line.look_at(
            "The daemon runs but does not listen there.",
            "Restart it if the configuration was changed. An address other than loopback is opened once a password is set.",
        ),
        (Port::Refused(why), _) => line.broken(
            format!("It cannot be opened: {why}."),
            format!("Ports below 1024 are for root, and the address has to be one of this board's; else {elsewhere}."),
        ),
    }
}
