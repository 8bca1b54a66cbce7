//! Which meads are asked for, from a query: the page's and the programs' alike.

use ebbmark_core::ids::BatchId;
use ebbmark_core::time::Moment;
use ebbmark_store::model::Wanted;
use jiff::civil::Date;
use jiff::tz::TimeZone;

/// Longer than anyone's search.
const LONGEST: usize = 200;

/// The query's fields as they were typed, to be shown again.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Query {
    pub words: String,
    pub yeast: String,
    pub from: String,
    pub until: String,
    pub state: String,
    /// Counted from 0.
    pub page: u32,
    /// Chosen to be compared.
    pub meads: Vec<BatchId>,
}

/// Those that ended or did not.
pub(crate) const STATES: [(Option<bool>, &str, &str); 3] = [
    (None, "", "all"),
    (Some(false), "going", "still going"),
    (Some(true), "finished", "finished"),
];

impl Query {
    /// What is no field of it is passed over; a page that is no number is the first.
    pub fn from_pairs(pairs: Vec<(String, String)>) -> Query {
        let mut query = Query::default();
        for (key, value) in pairs {
            let value = value.trim();
            let typed = || value.chars().take(LONGEST).collect::<String>();
            match key.as_str() {
                "words" => query.words = typed(),
                "yeast" => query.yeast = typed(),
                "from" => query.from = typed(),
                "until" => query.until = typed(),
                "state" => query.state = typed(),
                "page" => query.page = value.parse().unwrap_or(0),
                "mead" => query.meads.extend(value.parse().map(BatchId)),
                _ => {}
            }
        }
        query.meads.sort_unstable();
        query.meads.dedup();
        query
    }

    /// # Errors
    /// What is wrong with it, in words.
    pub fn wanted(&self, zone: &TimeZone) -> Result<Wanted, Vec<String>> {
        let mut wrong = Vec::new();
        let mut day = |label: &str, text: &str, later: bool| match day_begins(text, zone, later) {
            Ok(at) => at,
            Err(say) => {
                wrong.push(format!("{label}: {say}"));
                None
            }
        };
        let from = day("Begun from", &self.from, false);
        // The day that is named is among them.
        let until = day("Begun until", &self.until, true);
        let state = STATES.iter().find(|(_, key, _)| *key == self.state);
        if state.is_none() {
            wrong.push(format!("\"{}\" is neither going nor finished", self.state));
        }
        match state {
            Some((ended, ..)) if wrong.is_empty() => Ok(Wanted {
                words: self.words.clone(),
                yeast: self.yeast.clone(),
                from,
                until,
                ended: *ended,
            }),
            _ => Err(wrong),
        }
    }
}

/// The first moment of a day, or of the one after it; `None` of an empty field.
fn day_begins(text: &str, zone: &TimeZone, later: bool) -> Result<Option<Moment>, String> {
    if text.is_empty() {
        return Ok(None);
    }
    let day = text.parse::<Date>().and_then(|day| {
        let day = if later { day.tomorrow()? } else { day };
        day.at(0, 0, 0, 0).to_zoned_datetime(zone.clone())
    });
    let day = day.map_err(|_| format!("\"{text}\" is not a day like 2026-03-01"))?;
    Ok(Some(Moment(day.timestamp().as_millisecond())))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn query(pairs: &[(&str, &str)]) -> Query {
        let pairs = pairs
            .iter()
            .map(|(k, v)| ((*k).to_owned(), (*v).to_owned()));
        Query::from_pairs(pairs.collect())
    }

    #[test]
    fn a_day_is_the_day_here_and_the_last_one_counts_whole() {
        let zone = TimeZone::get("Europe/Warsaw").unwrap();
        let q = query(&[
            ("words", "  figs "),
            ("from", "2026-03-01"),
            ("until", "2026-03-29"),
            ("state", "finished"),
            ("page", "2"),
            ("mead", "9"),
            ("mead", "4"),
            ("mead", "9"),
            ("mead", "x"),
        ]);
        assert_eq!(q.meads, [BatchId(4), BatchId(9)]);
        assert_eq!(q.page, 2);
        let wanted = q.wanted(&zone).unwrap();
        let at = |text| Some(Moment::parse_rfc3339(text).unwrap());
        assert_eq!(wanted.words, "figs");
        assert_eq!(wanted.from, at("2026-02-28T23:00:00Z"));
        // The clocks went forward that day.
        assert_eq!(wanted.until, at("2026-03-29T22:00:00Z"));
        assert_eq!(wanted.ended, Some(true));
    }

    #[test]
    fn what_is_wrong_is_named() {
        let q = query(&[("from", "1st of May"), ("state", "gone"), ("page", "-1")]);
        let wrong = q.wanted(&TimeZone::UTC).unwrap_err();
        assert_eq!(wrong.len(), 2);
        assert!(wrong[0].contains("1st of May"), "{wrong:?}");
        assert_eq!(q.page, 0);
        assert_eq!(
            query(&[]).wanted(&TimeZone::UTC).unwrap(),
            Wanted::default()
        );
    }
}
