//! Meads laid over one another: what the page, its file and programs are told.

use ebbmark_core::deed::Deed;
use ebbmark_core::ids::BatchId;
use ebbmark_core::review::band::{self, Band, By, Departure};
use ebbmark_core::time::{Moment, Span};
use ebbmark_store::model::{Batch, Summary};
use ebbmark_store::{Reader, StoreError};

use crate::chart::MOST_LINES;

/// What lies across and what goes up.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum View {
    /// How much of its sugar is left, by days since the pitch.
    Time,
    /// How much of its sugar it uses a day, by how much it has used.
    Sugar,
    /// Gravity by days since the pitch: that of meads that still fall, too.
    Gravity,
}

impl View {
    pub const ALL: [View; 3] = [View::Time, View::Sugar, View::Gravity];

    pub fn key(self) -> &'static str {
        match self {
            View::Time => "time",
            View::Sugar => "sugar",
            View::Gravity => "gravity",
        }
    }

    pub fn label(self) -> &'static str {
        match self {
            View::Time => "Sugar left, by days",
            View::Sugar => "Speed, by sugar used",
            View::Gravity => "Gravity, by days",
        }
    }

    /// What a mead leaves the band by.
    pub fn by(self) -> By {
        match self {
            View::Sugar => By::Sugar,
            View::Time | View::Gravity => By::Time,
        }
    }

    /// Column of the file, with its unit.
    pub fn across(self) -> &'static str {
        match self {
            View::Time | View::Gravity => "days",
            View::Sugar => "sugar_used_percent",
        }
    }

    /// What the values are, with their unit, in the file and for programs.
    pub fn value(self) -> &'static str {
        match self {
            View::Time => "sugar_left_percent",
            View::Sugar => "sugar_a_day_percent",
            View::Gravity => "gravity_sg",
        }
    }
}

/// Which meads, and how, from the query.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Asked {
    pub meads: Vec<BatchId>,
    pub view: View,
}

/// What of a query cannot be done, in words.
pub(crate) struct NotAsked(pub String);

impl Asked {
    pub fn from_pairs(pairs: &[(String, String)]) -> Result<Asked, NotAsked> {
        let mut asked = Asked {
            meads: Vec::new(),
            view: View::Time,
        };
        for (key, value) in pairs {
            match key.as_str() {
                "mead" => {
                    let id = value
                        .trim()
                        .parse()
                        .map(BatchId)
                        .map_err(|_| NotAsked(format!("\"{value}\" is no mead's number")))?;
                    if !asked.meads.contains(&id) {
                        asked.meads.push(id);
                    }
                }
                "by" => {
                    let found = View::ALL.into_iter().find(|v| v.key() == value);
                    asked.view = found.ok_or_else(|| {
                        NotAsked(
                            "meads are laid over one another by time, sugar or gravity".to_owned(),
                        )
                    })?;
                }
                _ => {}
            }
        }
        if asked.meads.len() > MOST_LINES {
            return Err(NotAsked(format!(
                "{} meads are too many to be told apart in one drawing; choose up to {MOST_LINES}",
                asked.meads.len()
            )));
        }
        Ok(asked)
    }

    /// The query again, with another view.
    pub fn query(&self, view: View) -> String {
        let meads: Vec<String> = self.meads.iter().map(|m| format!("mead={m}")).collect();
        format!("{}&by={}", meads.join("&"), view.key())
    }
}

pub(crate) struct Compared {
    pub view: View,
    pub meads: Vec<Mead>,
    /// Of the other meads of the cellar that ended.
    pub band: Option<Band>,
    pub others: usize,
}

pub(crate) struct Mead {
    pub letter: char,
    pub batch: Batch,
    pub summary: Summary,
    pub left: Vec<Left>,
}

/// Where it left the band, and what was done just before.
pub(crate) struct Left {
    pub how: Departure,
    pub at: Moment,
    pub done: Vec<Deed>,
}

const LETTERS: [char; MOST_LINES] = ['A', 'B', 'C', 'D', 'E', 'F'];

/// `None` where one of the meads is not there.
pub(crate) fn load(
    reader: &Reader,
    asked: &Asked,
    now: Moment,
) -> Result<Option<Compared>, StoreError> {
    let mut meads = Vec::new();
    for (id, letter) in asked.meads.iter().zip(LETTERS) {
        let Some(batch) = reader.batch(*id)? else {
            return Ok(None);
        };
        let summary = reader.summary(&batch, now)?;
        meads.push(Mead {
            letter,
            batch,
            summary,
            left: Vec::new(),
        });
    }
    let others = reader.paces(&asked.meads)?;
    let band = band::usual(&others);
    for mead in &mut meads {
        let (Some(band), Some(pace)) = (&band, &mead.summary.pace) else {
            continue;
        };
        let departures = band.left(pace, asked.view.by());
        if departures.is_empty() {
            continue;
        }
        let deeds = reader.deeds(&mead.batch, now)?;
        mead.left = departures
            .into_iter()
            .map(|how| {
                let at = mead.summary.review.pitched + Span::from_days(how.from);
                let done = band::done_before(&deeds, at).cloned().collect();
                Left { how, at, done }
            })
            .collect();
    }
    Ok(Some(Compared {
        view: asked.view,
        meads,
        band,
        others: others.len(),
    }))
}

/// Shares a curve is drawn at, in hundredths.
const HUNDREDTHS: std::ops::RangeInclusive<u8> = 1..=99;
/// Of nothing around them there is no speed.
const SPEEDS: std::ops::RangeInclusive<u8> = 3..=97;

impl Mead {
    /// Its curve: x and value in the units of [`View::across`] and [`View::value`]. Empty where that
    /// cannot be told.
    pub fn curve(&self, view: View) -> Vec<(f64, f64)> {
        let pace = self.summary.pace.as_ref();
        match view {
            View::Gravity => {
                let points = self.summary.points.iter();
                points.map(|p| (p.days, p.gravity)).collect()
            }
            View::Time => pace.map_or_else(Vec::new, |pace| {
                let used = HUNDREDTHS.map(|h| {
                    let share = f64::from(h) / 100.0;
                    (pace.at_share(share), 100.0 - f64::from(h))
                });
                std::iter::once((0.0, 100.0)).chain(used).collect()
            }),
            View::Sugar => pace.map_or_else(Vec::new, |pace| {
                let speed = |h: u8| (f64::from(h), 100.0 * pace.speed_at(f64::from(h) / 100.0));
                SPEEDS.map(speed).collect()
            }),
        }
    }

    /// Its temperature, °C, over the same x.
    pub fn warmth(&self, view: View) -> Vec<(f64, f64)> {
        let pace = self.summary.pace.as_ref();
        let x = |days: f64| match view {
            View::Time | View::Gravity => Some(days),
            View::Sugar => pace
                .map(|p| 100.0 * p.share_after(days))
                .filter(|s| *s < 99.0),
        };
        let points = self.summary.points.iter();
        points
            .filter_map(|p| Some((x(p.days)?, p.warmth?)))
            .collect()
    }
}

impl Compared {
    /// The band: x, low, middle, high, in the units of the curves. A band of gravities there is
    /// none: meads begin at many.
    pub fn usual(&self) -> Vec<[f64; 4]> {
        let places = |by: By| self.band.iter().flat_map(move |b| b.places(by));
        match self.view {
            View::Gravity => Vec::new(),
            // Much of it used is little of it left.
            View::Time => places(By::Time)
                .map(|p| {
                    let left = |used: f64| 100.0 * (1.0 - used);
                    [p.x, left(p.high), left(p.middle), left(p.low)]
                })
                .collect(),
            View::Sugar => places(By::Sugar)
                .map(|p| [p.x, p.low, p.middle, p.high].map(|v| 100.0 * v))
                .collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pairs(query: &[(&str, &str)]) -> Result<Asked, String> {
        let pairs: Vec<(String, String)> = query
            .iter()
            .map(|(k, v)| ((*k).to_owned(), (*v).to_owned()))
            .collect();
        Asked::from_pairs(&pairs).map_err(|e| e.0)
    }

    #[test]
    fn what_is_asked_is_read_from_the_query() {
        let asked = pairs(&[("mead", "3"), ("mead", "5"), ("mead", "3"), ("by", "sugar")]).unwrap();
        assert_eq!(asked.meads, [BatchId(3), BatchId(5)]);
        assert_eq!(asked.view, View::Sugar);
        assert_eq!(asked.query(View::Gravity), "mead=3&mead=5&by=gravity");
        assert_eq!(pairs(&[]).unwrap().view, View::Time);
        assert!(pairs(&[("mead", "x")]).unwrap_err().contains("\"x\""));
        assert!(pairs(&[("by", "x")]).is_err());
        let seven: Vec<String> = (0..7).map(|n| n.to_string()).collect();
        let seven: Vec<(&str, &str)> = seven.iter().map(|n| ("mead", n.as_str())).collect();
        assert!(pairs(&seven).unwrap_err().contains("up to 6"));
    }
}
