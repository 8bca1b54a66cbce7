//! From the record to what is drawn of it.

use ebbmark_core::deed::What;
use ebbmark_core::line;
use ebbmark_core::time::Moment;
use ebbmark_core::units::{Celsius, Gravity};
use ebbmark_core::verdict::course;
use ebbmark_store::model::LogLine;

use super::{Curve, Readings, Stretch, View, words};
use crate::chart::{self, Mark, MarkKind, Plot, Sample, Upper};
use crate::visitor::Visitor;

/// How wide nine times out of ten is, in errors of one sd.
const NINE_OF_TEN: f64 = 1.645;
/// Places a fall is told at.
const PLACES: usize = 600;

impl Curve {
    pub fn plot<'a>(&'a self, visitor: &'a Visitor) -> Plot<'a> {
        let falls = self.look.view == View::Fall;
        let verdict = self.verdict.as_ref().map(|s| &s.verdict);
        // The fit is of the gravity alone, and so is what was read by hand.
        let fitted = verdict.filter(|_| !falls);
        let facts = &self.vessel.facts;
        let mut plot = Plot {
            from: self.from,
            to: self.to,
            now: visitor.now,
            zone: &visitor.zone,
            prefs: visitor.prefs,
            upper: if falls { Upper::Fall } else { Upper::Gravity },
            gravity: self.upper(visitor),
            unsure: self.whole.is_some(),
            temperature: match &self.readings {
                Some(readings) => chart::of_readings(readings, |r| r.temperature),
                None => chart::temperature_of_hours(&self.hours),
            },
            curve: fitted.map_or(&[][..], |v| &v.curve),
            hand: self.hand().filter(|_| !falls).collect(),
            marks: self.marks(visitor),
            // In a close look it would only press the readings together.
            expected: self
                .expected()
                .filter(|_| !falls && self.look.between().is_none())
                .filter(|_| self.look.span == Stretch::All)
                .map(Gravity::get),
            wanted: (
                facts.temperature_low.map(Celsius::get),
                facts.temperature_high.map(Celsius::get),
            ),
            heading: String::new(),
            title: match falls {
                true => format!("Fall per day and temperature of {}", facts.name),
                false => format!("Gravity and temperature of {}", facts.name),
            },
            description: String::new(),
        };
        plot.description = words::of(visitor, &plot);
        plot
    }

    fn upper(&self, visitor: &Visitor) -> Vec<Sample> {
        let read = || match &self.readings {
            Some(readings) => chart::of_readings(readings, |r| r.gravity),
            None => chart::gravity_of_hours(&self.hours),
        };
        let Some(whole) = &self.whole else {
            return read();
        };
        let examined = course::Course::examine(whole, &self.deeds(), self.start, self.end);
        match (self.look.view, self.look.readings) {
            (View::Fall, _) => {
                let falls = examined.falls(self.from, self.to.min(self.end), PLACES);
                falls.into_iter().map(|f| fall(visitor, f)).collect()
            }
            (View::Gravity, Readings::PutRight) => {
                let right = |s: Sample| put_right(s, examined.correction(s.at)?);
                read().into_iter().filter_map(right).collect()
            }
            (View::Gravity, Readings::AsSent) => read(),
        }
    }

    /// Where a jar of it ended, else where the maker expects it to.
    fn expected(&self) -> Option<Gravity> {
        let judged = self.verdict.as_ref().map(|s| &s.verdict);
        let jar = judged.and_then(|v| v.test_ferment).filter(|j| j.counts());
        let batch = self.vessel.batch.as_ref();
        jar.map(|j| j.gravity)
            .or_else(|| batch.and_then(|b| b.facts.expected_final))
    }

    fn hand(&self) -> impl Iterator<Item = (Moment, f64)> {
        self.lines
            .iter()
            .filter(|l| l.deed.what == What::HandReading)
            .filter_map(|l| l.deed.gravity.map(|g| (l.deed.at, g.get())))
    }

    fn marks(&self, visitor: &Visitor) -> Vec<Mark> {
        let deeds = self
            .lines
            .iter()
            // Pushed down every other day, the drawing would be all marks.
            .filter(|l| {
                !matches!(
                    l.deed.what,
                    What::HandReading | What::PushDown | What::Clean | What::Taste | What::Remark
                )
            })
            .map(|l| deed(visitor, l));
        deeds.chain(self.gates(visitor)).collect()
    }

    /// What may be done, from when it may; of gates that opened at one moment one mark.
    fn gates(&self, visitor: &Visitor) -> Vec<Mark> {
        let Some(verdict) = self.verdict.as_ref().map(|s| &s.verdict) else {
            return Vec::new();
        };
        let gates = [
            ("racked", &verdict.gates.rack),
            ("stabilised", &verdict.gates.stabilise),
            ("sealed", &verdict.gates.seal),
        ];
        let mut opened: Vec<(Moment, String)> = Vec::new();
        for (done, gate) in gates {
            let Some(since) = gate.since.filter(|_| gate.open) else {
                continue;
            };
            match opened.iter_mut().find(|(at, _)| *at == since) {
                Some((_, may)) => *may += &format!(", {done}"),
                None => opened.push((since, format!("may be {done}"))),
            }
        }
        let mark = |(at, label): (Moment, String)| Mark {
            at,
            says: format!("{label} since {}", visitor.day_and_time(at)),
            label,
            leads_to: "#gates".to_owned(),
            kind: MarkKind::Gate,
        };
        opened.into_iter().map(mark).collect()
    }
}

fn deed(visitor: &Visitor, line: &LogLine) -> Mark {
    let words = line::in_words(&line.deed, line.hand.as_ref(), visitor.prefs);
    Mark {
        at: line.deed.at,
        label: line.deed.what.label().to_owned(),
        says: format!("{}: {words}", visitor.day_and_time(line.deed.at)),
        leads_to: format!("#line-{}", line.id),
        kind: MarkKind::Deed,
    }
}

/// With what is not known of the float's error on top of how far its readings spread.
fn put_right(sample: Sample, (by, sd): (f64, f64)) -> Option<Sample> {
    let wide = NINE_OF_TEN * sd;
    wide.is_finite().then_some(Sample {
        at: sample.at,
        low: sample.low + by - wide,
        mid: sample.mid + by,
        high: sample.high + by + wide,
    })
}

/// In the scale this visitor reads, near the gravity it stood at.
fn fall(visitor: &Visitor, fall: course::Fall) -> Sample {
    let shown = |sg| chart::gravity_shown(sg, visitor.prefs);
    let a_day = |by: f64| shown(fall.gravity + by / 2.0) - shown(fall.gravity - by / 2.0);
    Sample {
        at: fall.at,
        low: a_day(fall.a_day.low),
        mid: a_day(fall.a_day.mid),
        high: a_day(fall.a_day.high),
    }
}
