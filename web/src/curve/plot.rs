//! From the record to what is drawn of it.

use ebbmark_core::deed::What;
use ebbmark_core::time::Span;
use ebbmark_core::units::Gravity;

use super::{Curve, Stretch};
use crate::chart::{self, Mark, Plot};
use crate::visitor::Visitor;

impl Curve {
    pub fn plot<'a>(&'a self, visitor: &'a Visitor) -> Plot<'a> {
        let (gravity, temperature) = match &self.readings {
            Some(readings) => (
                chart::of_readings(readings, |r| r.gravity),
                chart::of_readings(readings, |r| r.temperature),
            ),
            None => (
                chart::gravity_of_hours(&self.hours),
                chart::temperature_of_hours(&self.hours),
            ),
        };
        let verdict = self.verdict.as_ref().map(|s| &s.verdict);
        let curve = verdict.map_or(&[][..], |v| &v.curve);
        let hand = self
            .lines
            .iter()
            .filter(|l| l.deed.what == What::HandReading)
            .filter_map(|l| l.deed.gravity.map(|g| (l.deed.at, g.get())));
        let marks = self
            .lines
            .iter()
            // Pushed down every other day, the drawing would be all marks.
            .filter(|l| {
                !matches!(
                    l.deed.what,
                    What::HandReading | What::PushDown | What::Clean | What::Taste | What::Remark
                )
            })
            .map(|l| Mark {
                at: l.deed.at,
                label: l.deed.what.label().to_owned(),
            });
        // Ahead of now at most half as far as behind, or the past would be pressed to the side.
        let behind = visitor.now.since(self.from);
        let ahead = curve.last().map_or(Span::ZERO, |p| p.at.since(visitor.now));
        let ahead = Span(ahead.0.clamp(0, behind.0 / 2));
        let batch = self.vessel.batch.as_ref();
        let mut plot = Plot {
            from: self.from,
            to: visitor.now + ahead,
            now: visitor.now,
            zone: &visitor.zone,
            prefs: visitor.prefs,
            gravity,
            temperature,
            curve,
            hand: hand.collect(),
            marks: marks.collect(),
            // In a close look it would only press the readings together.
            expected: batch
                .filter(|_| self.stretch == Stretch::All)
                .and_then(|b| b.facts.expected_final)
                .map(Gravity::get),
            heading: String::new(),
            title: format!("Gravity and temperature of {}", self.vessel.facts.name),
            description: String::new(),
        };
        plot.description = super::words::of(visitor, &plot);
        plot
    }

    /// The curve is that of the mead, beside what the float reads.
    pub fn is_put_right(&self) -> bool {
        let float = self.verdict.as_ref().and_then(|s| s.verdict.float.as_ref());
        float.is_some_and(|f| f.trued.is_some() || !f.jumps.is_empty())
    }
}
