//! A notice as it goes out: what every way out makes its message from.

use std::fmt::Write;
use std::sync::Arc;

use ebbmark_core::notice::NoticeKind;
use ebbmark_core::notice::again::Reply;
use ebbmark_core::show;
use ebbmark_core::text::Style;
use ebbmark_core::time::Moment;
use ebbmark_core::units::Gravity;
use ebbmark_store::model::Notice;
use ebbmark_web::link::Links;

#[derive(Clone, Debug, PartialEq)]
pub struct Letter {
    /// Names it, so that a repeat can be recognised.
    pub id: String,
    /// [`NoticeKind::key`], or `several`.
    pub kind: &'static str,
    pub at: Moment,
    pub title: String,
    pub body: String,
    /// Name of the vessel it is about.
    pub vessel: Option<String>,
    /// That vessel as a level of a topic.
    pub slug: Option<String>,
    /// What was last judged of it.
    pub gravity: Option<Gravity>,
    /// Page to open; `None` where the configuration names no address of the page.
    pub link: Option<String>,
    /// What it is made of, each for itself; more than one where several go as one.
    pub parts: Vec<Part>,
}

/// One notice in a letter.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    pub at: Moment,
    pub title: String,
    pub body: String,
    pub link: Option<String>,
    /// Addresses that answer it.
    pub replies: Vec<(Reply, String)>,
    pub curves: Vec<Curve>,
}

/// The curve of a mead as a picture.
#[derive(Clone, Debug, PartialEq)]
pub struct Curve {
    pub png: Arc<[u8]>,
    pub says: String,
    pub width: u32,
}

/// The vessel a notice is about.
#[derive(Clone, Debug)]
pub struct About {
    pub name: String,
    pub slug: String,
    pub gravity: Option<Gravity>,
}

/// What a letter is put together with.
#[derive(Clone, Copy)]
pub struct Desk<'a> {
    pub now: Moment,
    pub style: Style<'a>,
    pub links: Option<&'a Links>,
}

impl Letter {
    /// Words and nothing else.
    pub fn bare(id: String, kind: NoticeKind, at: Moment, title: String, body: String) -> Letter {
        let part = Part {
            at,
            title: title.clone(),
            body: body.clone(),
            link: None,
            replies: Vec::new(),
            curves: Vec::new(),
        };
        Letter {
            id,
            kind: kind.key(),
            at,
            title,
            body,
            vessel: None,
            slug: None,
            gravity: None,
            link: None,
            parts: vec![part],
        }
    }

    pub fn new(notice: &Notice, about: Option<&About>, curves: Vec<Curve>, desk: &Desk) -> Letter {
        let (title, body) = words(notice, desk);
        let title = one_line(&title);
        // The time keeps it apart from the same number in an earlier database.
        let mut id = format!("{}-{}", notice.id, notice.at.0);
        if notice.times > 0 {
            let _ = write!(id, "-{}", notice.times);
        }
        let mut letter = Letter::bare(id, notice.kind, notice.at, title, body);
        if let Some(about) = about {
            letter.vessel = Some(about.name.clone());
            letter.slug = Some(about.slug.clone());
            letter.gravity = about.gravity;
        }
        letter.link = desk.links.map(|links| match notice.vessel {
            Some(vessel) => links.vessel(vessel),
            None => links.notices(),
        });
        let stands = notice.kind.lasts() && notice.cleared.is_none();
        let replies = desk
            .links
            .filter(|_| stands)
            .map(|links| Reply::ALL.map(|reply| (reply, links.reply(notice, reply, desk.now))));
        for part in &mut letter.parts {
            part.link.clone_from(&letter.link);
            part.replies = replies.iter().flatten().cloned().collect();
        }
        if let Some(part) = letter.parts.first_mut() {
            part.curves = curves;
        }
        letter
    }

    /// Several in one, each with its time and title on a line of its own.
    pub fn several(letters: Vec<Letter>, desk: &Desk) -> Letter {
        let mut body = String::new();
        let mut vessels: Vec<&str> = Vec::new();
        for letter in &letters {
            let when = show::day_and_time(letter.at, desk.now, &desk.style);
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
        let id = |letter: Option<&Letter>| letter.map(|l| l.id.clone()).unwrap_or_default();
        Letter {
            id: format!(
                "{}-{}-{}",
                letters.len(),
                id(letters.first()),
                id(letters.last())
            ),
            kind: "several",
            at: letters.iter().map(|l| l.at).max().unwrap_or(desk.now),
            title: headline(&letters),
            body: body.trim_end().to_owned(),
            vessel: (!vessels.is_empty()).then(|| vessels.join(", ")),
            slug: None,
            gravity: None,
            link: desk.links.map(Links::notices),
            parts: letters.into_iter().flat_map(|l| l.parts).collect(),
        }
    }

    /// Address at which it is answered: of several the page they all stand on.
    pub fn answer(&self) -> Option<&str> {
        match self.parts.as_slice() {
            [one] => {
                let seen = one.replies.iter().find(|(reply, _)| *reply == Reply::Seen);
                seen.map(|(_, address)| address.as_str())
            }
            _ => self.link.as_deref(),
        }
    }
}

/// What is over before it could be told is not told as if it stood, and what is told again says so.
fn words(notice: &Notice, desk: &Desk) -> (String, String) {
    let Notice { title, body, .. } = notice;
    let when = |at| show::day_and_time(at, desk.now, &desk.style);
    match notice.cleared.filter(|_| notice.kind.lasts()) {
        Some(over) => {
            let head = if notice.kind == NoticeKind::StepDue {
                "Done or answered since"
            } else {
                "Over again"
            };
            (
                format!("{head}: {title}"),
                format!(
                    "It was so from {} and is over again since {}. What was to be said then:\n{body}",
                    when(notice.at),
                    when(over)
                ),
            )
        }
        None if notice.times > 0 => (
            format!("Still so: {title}"),
            format!("First told {}; it stands.\n{body}", when(notice.at)),
        ),
        None => (title.clone(), body.clone()),
    }
}

/// What a person typed may hold anything; a title, a name and a header are one line.
pub fn one_line(text: &str) -> String {
    let words = text.split(|c: char| c.is_whitespace() || c.is_control());
    words
        .filter(|w| !w.is_empty())
        .collect::<Vec<_>>()
        .join(" ")
}

/// Of what is in it.
fn headline(letters: &[Letter]) -> String {
    let n = letters.len();
    let of = |kind: NoticeKind| letters.iter().filter(move |l| l.kind == kind.key());
    let down = of(NoticeKind::WasDown).next();
    if let Some(down) = down {
        let more = n - 1;
        let s = if more == 1 { "" } else { "s" };
        return format!("{}, and {more} notice{s} more", down.title);
    }
    if of(NoticeKind::FeedSilent).count() == n {
        return format!("{n} feeds have gone quiet together");
    }
    format!("{n} notices from the cellar")
}

#[cfg(test)]
mod tests {
    use ebbmark_core::ids::{NoticeId, VesselId};
    use ebbmark_core::time::Span;

    use jiff::tz::TimeZone;

    use super::*;

    static UTC: TimeZone = TimeZone::UTC;

    fn now() -> Moment {
        Moment::parse_rfc3339("2026-03-01T12:00:00Z").unwrap()
    }

    fn desk(links: Option<&Links>) -> Desk<'_> {
        Desk {
            now: now(),
            style: Style::usual(&UTC),
            links,
        }
    }

    fn letter(n: i64, kind: NoticeKind, vessel: &str) -> Letter {
        let body = if n == 2 {
            String::new()
        } else {
            format!("body {n}")
        };
        let at = now() - Span::minutes(n);
        Letter {
            vessel: Some(vessel.to_owned()),
            ..Letter::bare(n.to_string(), kind, at, format!("title {n}"), body)
        }
    }

    fn notice() -> Notice {
        Notice {
            id: NoticeId(7),
            kind: NoticeKind::FeedSilent,
            key: "feed-silent:1".into(),
            vessel: Some(VesselId(3)),
            at: now() - Span::hours(10),
            title: "North float: no readings".into(),
            body: "Look at its battery.".into(),
            cleared: None,
            pressing: false,
            seen: None,
            again: None,
            times: 0,
            deliveries: Vec::new(),
        }
    }

    #[test]
    fn several_in_one_keep_them_all() {
        let stuck = NoticeKind::Stuck;
        let letters = vec![
            letter(3, stuck, "Cask"),
            letter(2, stuck, "Jar"),
            letter(1, stuck, "Cask"),
        ];
        let one = Letter::several(letters, &desk(None));
        assert_eq!(one.title, "3 notices from the cellar");
        assert_eq!(one.vessel.as_deref(), Some("Cask, Jar"));
        assert_eq!(one.at, now() - Span::minutes(1));
        assert_eq!(
            one.body,
            "today 11:57: title 3\nbody 3\n\ntoday 11:58: title 2\n\ntoday 11:59: title 1\nbody 1"
        );
        assert_eq!(one.parts.len(), 3);
    }

    #[test]
    fn the_headline_names_the_cause() {
        let silent = |n| letter(n, NoticeKind::FeedSilent, "Cask");
        let of = |letters| Letter::several(letters, &desk(None)).title;
        assert_eq!(
            of(vec![silent(3), silent(1)]),
            "2 feeds have gone quiet together"
        );
        let down = letter(4, NoticeKind::WasDown, "");
        assert_eq!(
            of(vec![silent(3), down.clone()]),
            "title 4, and 1 notice more"
        );
        assert_eq!(
            of(vec![silent(3), silent(1), down]),
            "title 4, and 2 notices more"
        );
    }

    #[test]
    fn what_is_over_is_not_told_as_if_it_stood() {
        let over = Notice {
            cleared: Some(now() - Span::hours(8)),
            ..notice()
        };
        let links = Links::new("https://cellar.example", "key".into());
        let letter = Letter::new(&over, None, Vec::new(), &desk(Some(&links)));
        assert_eq!(letter.title, "Over again: North float: no readings");
        assert_eq!(
            letter.body,
            "It was so from today 02:00 and is over again since today 04:00. What was to be said then:\n\
             Look at its battery."
        );
        assert_eq!(letter.answer(), None, "there is nothing to answer");
        // A time down is of the past from the start.
        let down = Notice {
            kind: NoticeKind::WasDown,
            ..over
        };
        let letter = Letter::new(&down, None, Vec::new(), &desk(None));
        assert_eq!(letter.title, down.title);
    }

    #[test]
    fn what_is_told_again_says_so_under_a_name_of_its_own() {
        let first = Letter::new(&notice(), None, Vec::new(), &desk(None));
        let again = Notice {
            times: 1,
            ..notice()
        };
        let again = Letter::new(&again, None, Vec::new(), &desk(None));
        assert_eq!(again.title, "Still so: North float: no readings");
        assert!(again.body.starts_with("First told today 02:00; it stands."));
        assert_ne!(first.id, again.id);
    }

    #[test]
    fn links_only_where_the_page_has_an_address() {
        let bare = Letter::new(&notice(), None, Vec::new(), &desk(None));
        assert_eq!((bare.link.as_ref(), bare.answer()), (None, None));
        let links = Links::new("https://cellar.example", "key".into());
        let letter = Letter::new(&notice(), None, Vec::new(), &desk(Some(&links)));
        assert_eq!(
            letter.link.as_deref(),
            Some("https://cellar.example/vessel/3")
        );
        let seen = letter.answer().unwrap();
        assert!(
            seen.starts_with("https://cellar.example/answer/7/seen?"),
            "{seen}"
        );
        let two = Letter::several(vec![letter.clone(), letter], &desk(Some(&links)));
        assert_eq!(two.answer(), Some("https://cellar.example/notices"));
    }
}
