//! The certificates our own doors show.

use crate::show;
use crate::text::Style;
use crate::time::{Moment, Span};

use super::Line;

/// What stands in the files of a certificate and its key.
#[derive(Clone, Debug, PartialEq)]
pub struct Certificate {
    /// Whose it is: "page", "intake".
    pub of: &'static str,
    pub found: InFiles,
}

#[derive(Clone, Debug, PartialEq)]
pub enum InFiles {
    Pair {
        from: Moment,
        until: Moment,
    },
    /// It cannot be used, and why; names the file.
    Unusable(String),
    /// Only the service can read it, and why.
    NotHere(String),
}

/// A certificate is renewed weeks before it ends, one that is made for days sooner: it is late when
/// less than this and less than a third of its time is left. Common practice, no source.
const LATE: Span = Span::days(10);

pub(super) fn line(certificate: &Certificate, now: Moment, style: &Style) -> Line {
    let of = certificate.of;
    let line = Line::good("certificate", format!("certificate of the {of}"), "");
    let day = |at| show::day_and_time(at, now, style);
    let renew = format!(
        "Renew it; the daemon takes the new files up within a minute. They are named under [{of}.tls]."
    );
    match &certificate.found {
        InFiles::NotHere(why) => line.look_at(
            format!("It cannot be looked at from here: {why}."),
            "Look round on the settings page, which the service does itself.",
        ),
        InFiles::Unusable(why) => line.broken(
            format!("It cannot be used: {why}."),
            format!(
                "Put the files named under [{of}.tls] right. A daemon that runs goes on with the certificate it has until it is restarted."
            ),
        ),
        // A clock that has lost its time tells nothing of it.
        InFiles::Pair { until, .. } if now < Moment::EARLIEST_BELIEVABLE => Line {
            says: format!("It is good until {}.", day(*until)),
            ..line
        },
        InFiles::Pair { until, .. } if *until < now => {
            line.broken(format!("It ended {}: nobody who checks it comes in.", day(*until)), renew)
        }
        InFiles::Pair { from, .. } if *from > now => line.broken(
            format!("It is good only from {}.", day(*from)),
            "See that the board's clock is right, else have a new one made.",
        ),
        InFiles::Pair { from, until } => {
            let left = until.since(now);
            let says = format!("It is good until {}, {} more.", day(*until), show::span(left));
            if left < LATE && left.0 < until.since(*from).0 / 3 {
                line.look_at(says, renew)
            } else {
                Line { says, ..line }
            }
        }
    }
}
