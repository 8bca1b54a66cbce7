//! A vessel's curve over a stretch of time, as its page and the picture of it draw it.

mod plot;
mod words;

use ebbmark_core::hours::Hour;
use ebbmark_core::ids::VesselId;
use ebbmark_core::time::{Moment, Span};
use ebbmark_store::model::{Batch, LogLine, Stay, StoredReading, StoredVerdict, Vessel};
use ebbmark_store::{Reader, StoreError};
use serde::Deserialize;

/// Up to this long every reading is drawn, beyond it the hours are.
const SINGLE_READINGS: Span = Span::days(4);
/// Of an empty vessel that never held a mead, and of one whose mead is younger.
const AT_LEAST: Span = Span::days(14);

/// How much of the record is shown.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Stretch {
    ThreeDays,
    TwoWeeks,
    #[default]
    All,
}

impl Stretch {
    pub const ALL: [(Stretch, &str, &str); 3] = [
        (Stretch::ThreeDays, "three-days", "3 days"),
        (Stretch::TwoWeeks, "two-weeks", "2 weeks"),
        (Stretch::All, "all", "All of it"),
    ];

    pub fn key(self) -> &'static str {
        let found = Stretch::ALL.iter().find(|(which, _, _)| *which == self);
        found.map_or("all", |(_, key, _)| key)
    }

    /// From where, of a record that begins at `start`.
    fn from(self, start: Moment, now: Moment) -> Moment {
        match self {
            Stretch::ThreeDays => now - Span::days(3),
            Stretch::TwoWeeks => now - Span::days(14),
            Stretch::All => start.min(now - Span::hours(12)),
        }
    }
}

/// Where the mead of a vessel was, until now or until it left this vessel.
pub(crate) struct Course {
    /// In order of time, the last in this vessel; none of a vessel that never held a mead.
    pub stays: Vec<Stay>,
    start: Moment,
    /// Whose readings are its own.
    spans: Vec<(VesselId, Moment, Moment)>,
}

impl Course {
    /// `shown`: the mead in it, or of an empty vessel the last one.
    pub fn load(
        reader: &Reader,
        id: VesselId,
        shown: Option<&Batch>,
        now: Moment,
    ) -> Result<Course, StoreError> {
        let mut stays = match shown {
            Some(batch) => reader.stays(batch, now)?,
            None => Vec::new(),
        };
        // Where a mead went from here is not this vessel's record.
        while stays.last().is_some_and(|stay| stay.vessel != id) {
            stays.pop();
        }
        let start = stays.first().map_or(now - AT_LEAST, |s| s.from);
        let mut spans: Vec<_> = stays.iter().map(|s| (s.vessel, s.from, s.to)).collect();
        if stays.len() < 2 {
            // With no other vessel's record before it, this one's may be looked into further.
            spans = vec![(id, start.min(now - AT_LEAST), now)];
        }
        Ok(Course {
            stays,
            start,
            spans,
        })
    }
}

/// What is drawn.
pub(crate) struct Curve {
    pub vessel: Vessel,
    pub stretch: Stretch,
    from: Moment,
    pub hours: Vec<Hour>,
    readings: Option<Vec<StoredReading>>,
    /// What was done with the mead, inherited deeds first; what stands after corrections.
    lines: Vec<LogLine>,
    /// On the mead in it.
    verdict: Option<StoredVerdict>,
}

impl Curve {
    /// `None`: there is no such vessel.
    pub fn of_vessel(
        reader: &Reader,
        id: VesselId,
        stretch: Stretch,
        now: Moment,
    ) -> Result<Option<Curve>, StoreError> {
        let Some(vessel) = reader.vessel(id)? else {
            return Ok(None);
        };
        let last = match &vessel.batch {
            Some(_) => None,
            None => reader.batches(id)?.into_iter().next(),
        };
        let shown = vessel.batch.as_ref().or(last.as_ref());
        let course = Course::load(reader, id, shown, now)?;
        Curve::load(reader, vessel, &course, stretch, now).map(Some)
    }

    pub fn load(
        reader: &Reader,
        vessel: Vessel,
        course: &Course,
        stretch: Stretch,
        now: Moment,
    ) -> Result<Curve, StoreError> {
        let from = stretch.from(course.start, now);
        let mut curve = Curve {
            stretch,
            from,
            hours: Vec::new(),
            readings: (now.since(from) <= SINGLE_READINGS).then(Vec::new),
            lines: Vec::new(),
            verdict: reader
                .verdict(vessel.id)?
                .filter(|v| vessel.batch.as_ref().is_some_and(|b| b.id == v.batch)),
            vessel,
        };
        for (vessel, since, to) in &course.spans {
            let since = (*since).max(from);
            curve
                .hours
                .extend(reader.vessel_hours(*vessel, since, *to)?);
            if let Some(readings) = &mut curve.readings {
                readings.extend(reader.vessel_readings(*vessel, since, *to)?);
            }
            curve.lines.extend(reader.log(*vessel, since, *to)?);
        }
        curve.lines.retain(|line| line.replaced_by.is_none());
        Ok(curve)
    }
}
