//! A vessel's curve over a stretch of time, as its page and the picture of it draw it.

mod look;
mod plot;
pub(crate) mod read_out;
mod words;

use ebbmark_core::deed::Deed;
use ebbmark_core::hours::Hour;
use ebbmark_core::ids::VesselId;
use ebbmark_core::time::{Moment, Span};
use ebbmark_store::model::{Batch, LogLine, Stay, StoredReading, StoredVerdict, Vessel};
use ebbmark_store::{Reader, StoreError};

pub(crate) use look::{Look, Readings, Stretch, View};

/// Up to this long every reading is drawn, beyond it the hours are.
const SINGLE_READINGS: Span = Span::days(4);
/// Of an empty vessel that never held a mead, and of one whose mead is younger.
const AT_LEAST: Span = Span::days(14);
/// No stretch is shorter.
const SHORTEST: Span = Span::hours(1);

/// Where the mead of a vessel was, until now or until it left this vessel.
pub(crate) struct Course {
    /// In order of time, the last in this vessel; none of a vessel that never held a mead.
    pub stays: Vec<Stay>,
    start: Moment,
    /// Now, or when it left.
    end: Moment,
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
        let end = stays.last().map_or(now, |s| s.to.min(now));
        let mut spans: Vec<_> = stays.iter().map(|s| (s.vessel, s.from, s.to)).collect();
        if stays.len() < 2 {
            // With no other vessel's record before it, this one's may be looked into further.
            spans = vec![(id, start.min(end - AT_LEAST), now)];
        }
        Ok(Course {
            stays,
            start,
            end,
            spans,
        })
    }

    fn hours(&self, reader: &Reader, from: Moment, to: Moment) -> Result<Vec<Hour>, StoreError> {
        let mut hours = Vec::new();
        for (vessel, since, until) in &self.spans {
            let (since, until) = ((*since).max(from), (*until).min(to));
            if since < until {
                hours.extend(reader.vessel_hours(*vessel, since, until)?);
            }
        }
        Ok(hours)
    }
}

/// What is drawn.
pub(crate) struct Curve {
    pub vessel: Vessel,
    pub look: Look,
    pub from: Moment,
    pub to: Moment,
    /// How far one may look.
    pub earliest: Moment,
    pub latest: Moment,
    pub hours: Vec<Hour>,
    readings: Option<Vec<StoredReading>>,
    /// Of some of this stretch, of some of the whole time, only hours are kept.
    pub only_hours: bool,
    pub thinned: bool,
    /// All hours of the mead, where its float has to be known.
    whole: Option<Vec<Hour>>,
    start: Moment,
    end: Moment,
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
        look: Look,
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
        Curve::load(reader, vessel, &course, look, now).map(Some)
    }

    pub fn load(
        reader: &Reader,
        vessel: Vessel,
        course: &Course,
        look: Look,
        now: Moment,
    ) -> Result<Curve, StoreError> {
        let verdict = reader
            .verdict(vessel.id)?
            .filter(|v| vessel.batch.as_ref().is_some_and(|b| b.id == v.batch));
        let told = verdict.as_ref().and_then(|v| v.verdict.curve.last());
        // A fall is told of what was read alone.
        let told = told.filter(|_| look.view == View::Gravity);
        let latest = told.map_or(course.end, |p| p.at.max(course.end));
        let begins = course.spans.first().map_or(course.start, |s| s.1);
        let earliest = begins.min(latest - SHORTEST);
        let (from, to) = match look.between() {
            Some((from, to)) => {
                let from = from.clamp(earliest, latest - SHORTEST);
                (from, to.clamp(from + SHORTEST, latest))
            }
            None => {
                let from = look.span.from(course.start, course.end);
                // Ahead at most half as far as behind, or the past would be pressed to the side.
                let most = Span(course.end.since(from).0 / 2);
                (from, latest.min(course.end + most))
            }
        };
        let until = to.min(now);
        let mut readings = None;
        let mut lines = Vec::new();
        let (mut only_hours, mut thinned) = (false, false);
        for (vessel, since, span_to) in &course.spans {
            let (near, far) = ((*since).max(from), (*span_to).min(until));
            only_hours |= near < far && reader.is_only_hours(*vessel, near, far)?;
            thinned |= reader.is_only_hours(*vessel, *since, *span_to)?;
            if to.since(from) <= SINGLE_READINGS {
                let (since, to) = ((*since).max(from), (*span_to).min(until));
                let found: &mut Vec<StoredReading> = readings.get_or_insert_default();
                if since < to {
                    found.extend(reader.vessel_readings(*vessel, since, to)?);
                }
            }
            lines.extend(reader.log(*vessel, *since, *span_to)?);
        }
        if only_hours {
            readings = None;
        }
        lines.retain(|line| line.replaced_by.is_none());
        let examined = look.view == View::Fall || look.readings == Readings::PutRight;
        let whole = match examined {
            true => Some(course.hours(reader, earliest, now)?),
            false => None,
        };
        Ok(Curve {
            hours: course.hours(reader, from, until)?,
            whole,
            start: course.start,
            end: course.end,
            from,
            to,
            earliest,
            latest,
            readings,
            only_hours,
            thinned,
            lines,
            look,
            verdict,
            vessel,
        })
    }

    fn deeds(&self) -> Vec<Deed> {
        self.lines.iter().map(|line| line.deed.clone()).collect()
    }

    /// Not of hours, each with its extremes.
    pub fn is_of_single_readings(&self) -> bool {
        self.readings.is_some()
    }

    /// The curve is that of the mead, beside what the float reads.
    pub fn is_put_right(&self) -> bool {
        let float = self.verdict.as_ref().and_then(|s| s.verdict.float.as_ref());
        float.is_some_and(|f| f.trued.is_some() || !f.jumps.is_empty())
    }
}
