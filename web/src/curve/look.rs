//! What of a curve is asked for, as it stands in an address.

use std::fmt::Write;

use ebbmark_core::time::{Moment, Span};
use serde::{Deserialize, Deserializer};

/// The stretch, what is shown of it, and which readings.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
pub(crate) struct Look {
    #[serde(default)]
    pub span: Stretch,
    /// With `to`, in the place of `span`.
    #[serde(default, deserialize_with = "moment")]
    pub from: Option<Moment>,
    #[serde(default, deserialize_with = "moment")]
    pub to: Option<Moment>,
    #[serde(default)]
    pub view: View,
    #[serde(default)]
    pub readings: Readings,
}

/// Back from now, or from when the mead left.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Stretch {
    Day,
    ThreeDays,
    Week,
    TwoWeeks,
    #[default]
    All,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum View {
    #[default]
    Gravity,
    /// How much it falls a day.
    Fall,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Readings {
    #[default]
    AsSent,
    /// By hand readings, and without the float's jumps.
    PutRight,
}

impl Stretch {
    /// Those the page offers.
    pub const OFFERED: [(Stretch, &str); 3] = [
        (Stretch::Day, "Day"),
        (Stretch::Week, "Week"),
        (Stretch::All, "All of it"),
    ];

    fn key(self) -> &'static str {
        match self {
            Stretch::Day => "day",
            Stretch::ThreeDays => "three-days",
            Stretch::Week => "week",
            Stretch::TwoWeeks => "two-weeks",
            Stretch::All => "all",
        }
    }

    /// From where, of a record that begins at `start` and ends at `end`.
    pub fn from(self, start: Moment, end: Moment) -> Moment {
        match self {
            Stretch::Day => end - Span::days(1),
            Stretch::ThreeDays => end - Span::days(3),
            Stretch::Week => end - Span::days(7),
            Stretch::TwoWeeks => end - Span::days(14),
            Stretch::All => start.min(end - Span::hours(12)),
        }
    }
}

impl Look {
    /// A stretch of its own, if one is asked for.
    pub fn between(&self) -> Option<(Moment, Moment)> {
        self.from.zip(self.to).filter(|(from, to)| from < to)
    }

    /// Back from now.
    pub fn over(&self, span: Stretch) -> Look {
        Look {
            span,
            from: None,
            to: None,
            ..self.clone()
        }
    }

    pub fn within(&self, from: Moment, to: Moment) -> Look {
        Look {
            from: Some(from),
            to: Some(to),
            ..self.clone()
        }
    }

    /// As the query of an address; what is usual is left out but for the stretch.
    pub fn query(&self) -> String {
        let mut text = match self.between() {
            Some((from, to)) => format!("from={}&to={}", from.to_rfc3339(), to.to_rfc3339()),
            None => format!("span={}", self.span.key()),
        };
        // Writing to a string cannot fail.
        if self.view == View::Fall {
            let _ = write!(text, "&view=fall");
        }
        if self.readings == Readings::PutRight {
            let _ = write!(text, "&readings=put-right");
        }
        text
    }
}

fn moment<'de, D: Deserializer<'de>>(from: D) -> Result<Option<Moment>, D::Error> {
    let text = String::deserialize(from)?;
    let at = Moment::parse_rfc3339(&text).map_err(serde::de::Error::custom)?;
    // To the second: an address is kept and sent to others.
    Ok(Some(Moment(at.0 - at.0.rem_euclid(1000))))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(query: &str) -> Result<Look, String> {
        let uri = format!("/?{query}").parse().unwrap();
        axum::extract::Query::<Look>::try_from_uri(&uri)
            .map(|q| q.0)
            .map_err(|e| e.to_string())
    }

    #[test]
    fn an_address_says_the_same_again() {
        for query in [
            "span=all",
            "span=day&view=fall",
            "span=two-weeks&readings=put-right",
            "from=2026-03-01T06:00:00Z&to=2026-03-02T00:00:00Z&view=fall&readings=put-right",
        ] {
            let look = read(query).unwrap();
            assert_eq!(look.query(), query);
        }
        assert_eq!(read("").unwrap(), Look::default());
        let back = read("from=2026-03-02T00:00:00Z&to=2026-03-01T00:00:00Z").unwrap();
        assert_eq!(back.query(), "span=all");
    }

    #[test]
    fn what_is_no_stretch_is_refused() {
        for query in [
            "span=ever",
            "from=yesterday&to=now",
            "to=",
            "view=slope",
            "readings=raw",
        ] {
            assert!(read(query).is_err(), "{query}");
        }
    }
}
