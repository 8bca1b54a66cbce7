//! A notice as it goes out: what every way out makes its message from.

use std::fmt::Write;

use ebbmark_core::show;
use ebbmark_core::text::Style;
use ebbmark_core::time::Moment;
use ebbmark_store::model::Notice;
use jiff::tz::TimeZone;

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Letter {
    /// Names it, so that a repeat can be recognised.
    pub id: String,
    /// [`ebbmark_core::notice::NoticeKind::key`], or `several`.
    pub kind: &'static str,
    pub at: Moment,
    pub title: String,
    pub body: String,
    /// Name of the vessel it is about.
    pub vessel: Option<String>,
    /// That vessel as a level of a topic.
    pub slug: Option<String>,
}

impl Letter {
    pub fn new(notice: &Notice, vessel: Option<String>, slug: Option<String>) -> Letter {
        Letter {
            // The time keeps it apart from the same number in an earlier database.
            id: format!("{}-{}", notice.id, notice.at.0),
            kind: notice.kind.key(),
            at: notice.at,
            title: notice.title.clone(),
            body: notice.body.clone(),
            vessel,
            slug,
        }
    }

    /// Many in one, each with its time and title on a line of its own.
    pub fn several(letters: &[Letter], now: Moment, zone: &TimeZone) -> Letter {
        let mut body = String::new();
        let mut vessels: Vec<&str> = Vec::new();
        for letter in letters {
            let when = show::day_and_time(letter.at, now, &Style::usual(zone));
            // Writing to a String cannot fail.
            let _ = writeln!(body, "{when}: {}", letter.title);
            if !letter.body.is_empty() {
                let _ = writeln!(body, "{}", letter.body);
            }
            body.push('\n');
            if let Some(vessel) = &letter.vessel
                && !vessels.contains(&vessel.as_str())
            {
                vessels.push(vessel);
            }
        }
        let ids = |letter: Option<&Letter>| letter.map(|l| l.id.clone()).unwrap_or_default();
        Letter {
            id: format!(
                "{}-{}-{}",
                letters.len(),
                ids(letters.first()),
                ids(letters.last())
            ),
            kind: "several",
            at: letters.iter().map(|l| l.at).max().unwrap_or(now),
            title: format!("{} notices from the cellar", letters.len()),
            body: body.trim_end().to_owned(),
            vessel: (!vessels.is_empty()).then(|| vessels.join(", ")),
            slug: None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn many_in_one_keeps_them_all() {
        let now = Moment::parse_rfc3339("2026-03-01T12:00:00Z").unwrap();
        let letter = |n: i64, vessel: &str| Letter {
            id: n.to_string(),
            kind: "stuck",
            at: Moment(now.0 - n * 60_000),
            title: format!("title {n}"),
            body: if n == 2 {
                String::new()
            } else {
                format!("body {n}")
            },
            vessel: Some(vessel.to_owned()),
            slug: None,
        };
        let one = Letter::several(
            &[letter(3, "Cask"), letter(2, "Jar"), letter(1, "Cask")],
            now,
            &TimeZone::UTC,
        );
        assert_eq!(one.title, "3 notices from the cellar");
        assert_eq!(one.vessel.as_deref(), Some("Cask, Jar"));
        assert_eq!(one.at, Moment(now.0 - 60_000));
        assert_eq!(
            one.body,
            "today 11:57: title 3\nbody 3\n\ntoday 11:58: title 2\n\ntoday 11:59: title 1\nbody 1"
        );
    }
}
