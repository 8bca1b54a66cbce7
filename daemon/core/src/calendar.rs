//! A calendar as text, by RFC 5545 (iCalendar); name and refresh by RFC 7986.
//!
//! Each entry is an event with an alarm, not a to-do: the calendars of phones show the events of a feed
//! they follow and pass its to-dos over (common practice, no source). An event in the past would be
//! scrolled out of sight, so what is overdue is handed over as an event of the whole day it is now.

use jiff::civil::Date;

use crate::time::Moment;

/// Longest line in octets without its end (RFC 5545, 3.1).
const LINE: usize = 75;

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    /// The same for the same thing at every fetch, and nowhere else in the world.
    pub uid: String,
    pub start: Start,
    pub summary: String,
    pub description: String,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Start {
    /// Half an hour from then on, with an alarm when it begins.
    At(Moment),
    /// The whole day; no alarm, for it would ring at midnight.
    On(Date),
}

/// The calendar as it is `now`.
pub fn write(name: &str, entries: &[Entry], now: Moment) -> String {
    let mut out = String::new();
    let mut line = |text: &str| fold(&mut out, text);
    line("BEGIN:VCALENDAR");
    line("VERSION:2.0");
    line("PRODID:-//Ebbmark//Tasks//EN");
    line(&format!("NAME:{}", escaped(name)));
    line("REFRESH-INTERVAL;VALUE=DURATION:PT1H");
    for entry in entries {
        line("BEGIN:VEVENT");
        line(&format!("UID:{}", escaped(&entry.uid)));
        line(&format!("DTSTAMP:{}", utc(now)));
        match entry.start {
            Start::At(at) => {
                line(&format!("DTSTART:{}", utc(at)));
                line("DURATION:PT30M");
            }
            Start::On(day) => line(&format!("DTSTART;VALUE=DATE:{}", day.strftime("%Y%m%d"))),
        }
        line(&format!("SUMMARY:{}", escaped(&entry.summary)));
        line(&format!("DESCRIPTION:{}", escaped(&entry.description)));
        line("TRANSP:TRANSPARENT");
        if matches!(entry.start, Start::At(_)) {
            line("BEGIN:VALARM");
            line("ACTION:DISPLAY");
            line(&format!("DESCRIPTION:{}", escaped(&entry.summary)));
            line("TRIGGER:PT0S");
            line("END:VALARM");
        }
        line("END:VEVENT");
    }
    line("END:VCALENDAR");
    out
}

/// Date with UTC time (3.3.5). An instant no calendar has a date for cannot be reached by a task.
fn utc(at: Moment) -> String {
    at.timestamp()
        .map_or_else(String::new, |t| t.strftime("%Y%m%dT%H%M%SZ").to_string())
}

/// A text value (3.3.11); control characters, which it may not hold, are left out.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '\\' | ';' | ',' => {
                out.push('\\');
                out.push(c);
            }
            '\n' => out.push_str("\\n"),
            c if c.is_control() => {}
            c => out.push(c),
        }
    }
    out
}

/// A content line (3.1): what is longer goes on in the next one after a space, which counts.
fn fold(out: &mut String, line: &str) {
    let mut room = LINE;
    for c in line.chars() {
        if c.len_utf8() > room {
            out.push_str("\r\n ");
            room = LINE - 1;
        }
        out.push(c);
        room -= c.len_utf8();
    }
    out.push_str("\r\n");
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_lines_fold_at_75_octets_and_unfold_to_what_they_were() {
        for text in ["x".repeat(300), "Fässer und 蜂蜜 ".repeat(30)] {
            let mut out = String::new();
            fold(&mut out, &text);
            let lines: Vec<&str> = out.trim_end_matches("\r\n").split("\r\n").collect();
            assert!(lines.len() > 3);
            assert!(lines.iter().all(|l| l.len() <= LINE), "{lines:?}");
            // Full but for a character that does not fit.
            assert!(lines[1].len() > LINE - 4);
            assert_eq!(out.replace("\r\n ", ""), format!("{text}\r\n"));
        }
    }

    #[test]
    fn the_example_of_the_standard_for_text() {
        // RFC 5545, 3.3.11.
        let text = "Project XYZ Final Review\nConference Room - 3B\nCome Prepared.";
        assert_eq!(
            escaped(text),
            "Project XYZ Final Review\\nConference Room - 3B\\nCome Prepared."
        );
        assert_eq!(escaped("a,b;c\\d\u{7}"), "a\\,b\\;c\\\\d");
    }

    #[test]
    fn times_are_utc() {
        // RFC 5545, 3.3.5, form 2.
        let at = Moment::parse_rfc3339("1998-01-19T07:00:00Z").unwrap();
        assert_eq!(utc(at), "19980119T070000Z");
    }
}
