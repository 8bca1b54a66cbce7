//! Single fermentations by kind, as tables: for replay, tests and trying the daemon out.

use std::io::Write;

use ebbmark_core::deed::What;
use ebbmark_core::time::{Moment, Span};

use crate::float::{Faults, Float};
use crate::plant::{Event, Must, Plant, Temperatures, Truth};

/// A kind of course. What a maker would call it, and what the truth is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Kind {
    /// Quick and clean, to dryness.
    Dry,
    /// Ends sweet at the strain's tolerance, ever slower.
    SlowTail,
    /// Too little nitrogen: slow throughout, dry in the end.
    Starved,
    /// Too little nitrogen in a cool cellar: slower still.
    Sluggish,
    /// Stopped by cold with much sugar left, and stays so.
    ColdStall,
    /// The same, warmed up again.
    ColdStallRecovered,
    /// Dry, then sweetened without stabilising: starts again.
    Refermenting,
    /// Dry, stabilised, sweetened: flat.
    Sweetened,
    /// Dry, then put on fruit.
    Fruit,
    /// Stopped by heat; new yeast finishes it.
    Repitched,
}

impl Kind {
    pub const ALL: [Kind; 10] = [
        Kind::Dry,
        Kind::SlowTail,
        Kind::Starved,
        Kind::Sluggish,
        Kind::ColdStall,
        Kind::ColdStallRecovered,
        Kind::Refermenting,
        Kind::Sweetened,
        Kind::Fruit,
        Kind::Repitched,
    ];

    fn must(self) -> Must {
        let base = Must {
            pitch: 0.25,
            body: 0.010,
            lag_hours: 14.0,
            ..Must::plain(235.0, 170.0)
        };
        match self {
            Kind::Dry | Kind::Refermenting | Kind::Sweetened | Kind::Fruit => base,
            Kind::SlowTail => Must {
                sugar: 290.0,
                nitrogen: 200.0,
                tolerance: Some(14.0),
                ..base
            },
            Kind::Starved | Kind::Sluggish => Must {
                nitrogen: 30.0,
                lag_hours: 30.0,
                ..base
            },
            Kind::ColdStall | Kind::ColdStallRecovered => Must {
                nitrogen: 110.0,
                cold_stop: Some(10.0),
                ..base
            },
            Kind::Repitched => Must {
                sugar: 285.0,
                ..base
            },
        }
    }

    fn temperatures(self) -> Temperatures {
        let knots = match self {
            Kind::Sluggish => vec![(0.0, 14.5)],
            Kind::ColdStall => vec![(0.0, 19.0), (76.0, 18.5), (100.0, 8.0)],
            Kind::ColdStallRecovered => vec![
                (0.0, 19.0),
                (76.0, 18.5),
                (100.0, 8.0),
                (340.0, 8.0),
                (364.0, 19.0),
            ],
            Kind::Repitched => vec![(0.0, 35.0), (150.0, 35.0), (180.0, 20.0)],
            _ => vec![(0.0, 19.5), (200.0, 18.5)],
        };
        Temperatures {
            knots,
            daily_swing: 0.3,
        }
    }

    /// (hours, what is written in the log, what it does, note)
    fn deeds(self) -> Vec<(f64, What, Option<Event>, &'static str)> {
        let honey = Event::Sugar {
            grams: 35.0,
            release_hours: 0.0,
        };
        let fruit = Event::Sugar {
            grams: 40.0,
            release_hours: 14.0,
        };
        let mut deeds = vec![(0.0, What::Pitch, None, "pitched")];
        deeds.extend(match self {
            Kind::Dry => vec![(
                30.0,
                What::Nutrient,
                Some(Event::Nutrient(30.0)),
                "nutrient",
            )],
            Kind::Refermenting => vec![(340.0, What::Sweeten, Some(honey), "honey stirred in")],
            Kind::Sweetened => vec![
                (
                    338.0,
                    What::Stabilise,
                    Some(Event::Stabilise),
                    "sulphite and sorbate",
                ),
                (386.0, What::Sweeten, Some(honey), "honey stirred in"),
            ],
            Kind::Fruit => vec![(288.0, What::Addition, Some(fruit), "dried fruit")],
            Kind::Repitched => vec![(
                300.0,
                What::Pitch,
                Some(Event::Repitch(0.5)),
                "new yeast from a starter",
            )],
            Kind::SlowTail
            | Kind::Starved
            | Kind::Sluggish
            | Kind::ColdStall
            | Kind::ColdStallRecovered => Vec::new(),
        });
        deeds
    }

    pub fn plant(self) -> Plant {
        let events: Vec<(f64, Event)> = self
            .deeds()
            .into_iter()
            .filter_map(|(at, _, event, _)| event.map(|e| (at, e)))
            .collect();
        Plant::new(self.must(), self.temperatures(), &events)
    }
}

/// One reading of a table, with the truth beside it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Row {
    pub at: Moment,
    pub gravity: f64,
    pub temperature: f64,
    pub truth: Truth,
}

/// One deed of a table.
#[derive(Clone, Debug, PartialEq)]
pub struct EventRow {
    pub at: Moment,
    pub what: What,
    pub gravity: Option<f64>,
    pub note: &'static str,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    pub rows: Vec<Row>,
    pub events: Vec<EventRow>,
}

/// What to write.
#[derive(Clone, Copy, Debug)]
pub struct Wanted {
    pub kind: Kind,
    pub faults: Faults,
    pub seed: u64,
    pub start: Moment,
    pub days: f64,
    pub every: Span,
}

/// Runs one fermentation with a float in it. Messages that are lost are gaps; a table has no
/// repeats and no garbage.
pub fn series(wanted: &Wanted) -> Series {
    let mut plant = wanted.kind.plant();
    let mut float = Float::new(wanted.faults, wanted.seed);
    let length = Span::from_days(wanted.days);
    let every = wanted.every.0.max(Span::minutes(1).0);
    let mut rows = Vec::new();
    let mut after = 0;
    while after <= length.0 {
        let truth = plant.advance(Span(after).as_hours());
        let sensed = float.sense(&truth, Span(after).as_days());
        if float.fate() != crate::float::Fate::Lost {
            rows.push(Row {
                at: wanted.start + Span(after),
                gravity: sensed.gravity,
                temperature: sensed.temperature,
                truth,
            });
        }
        after += every;
    }
    let mut plant = wanted.kind.plant();
    let events = wanted
        .kind
        .deeds()
        .into_iter()
        .map(|(hours, what, event, note)| {
            let truth = plant.advance(hours);
            EventRow {
                at: wanted.start + Span::from_days(hours / 24.0),
                what,
                // Read after pitching, and after what changes gravity at once.
                gravity: (what == What::Pitch || matches!(event, Some(Event::Sugar { .. })))
                    .then_some((truth.gravity * 1000.0).round() / 1000.0),
                note,
            }
        })
        .filter(|e| e.at.since(wanted.start) <= length)
        .collect();
    Series { rows, events }
}

/// `at,gravity,temperature`, RFC 3339 UTC, SG to four places.
///
/// # Errors
/// The destination cannot be written.
pub fn write_readings(series: &Series, to: impl Write) -> Result<(), csv::Error> {
    let mut out = csv::Writer::from_writer(to);
    out.write_record(["at", "gravity", "temperature"])?;
    for row in &series.rows {
        out.write_record([
            row.at.to_rfc3339(),
            format!("{:.4}", row.gravity),
            format!("{:.2}", row.temperature),
        ])?;
    }
    out.flush()?;
    Ok(())
}

/// `at,what,gravity,note`; gravity empty where none was measured.
///
/// # Errors
/// The destination cannot be written.
pub fn write_events(series: &Series, to: impl Write) -> Result<(), csv::Error> {
    let mut out = csv::Writer::from_writer(to);
    out.write_record(["at", "what", "gravity", "note"])?;
    for event in &series.events {
        out.write_record([
            event.at.to_rfc3339(),
            event.what.key().to_owned(),
            event.gravity.map(|g| format!("{g:.3}")).unwrap_or_default(),
            event.note.to_owned(),
        ])?;
    }
    out.flush()?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sugar(kind: Kind, days: f64) -> f64 {
        kind.plant().advance(days * 24.0).sugar
    }

    fn days_to_dry(kind: Kind) -> f64 {
        let mut plant = kind.plant();
        (0..90 * 24)
            .map(|h| plant.advance(f64::from(h)))
            .find(|t| t.sugar < 2.0)
            .map_or(f64::INFINITY, |t| t.hours / 24.0)
    }

    #[test]
    fn each_kind_does_what_it_is_called() {
        let dry = days_to_dry(Kind::Dry);
        assert!(dry < 10.0, "{dry}");
        let starved = days_to_dry(Kind::Starved);
        assert!(starved > 1.8 * dry && starved.is_finite(), "{starved}");
        let sluggish = days_to_dry(Kind::Sluggish);
        assert!(
            sluggish > 1.3 * starved && sluggish.is_finite(),
            "{sluggish}"
        );

        let cold = sugar(Kind::ColdStall, 40.0);
        assert!(cold > 40.0, "{cold}");
        assert!((cold - sugar(Kind::ColdStall, 8.0)).abs() < 0.01);
        assert!(sugar(Kind::ColdStallRecovered, 14.0) > 40.0);
        assert!(sugar(Kind::ColdStallRecovered, 40.0) < 2.0);

        // Near its tolerance it creeps: sugar left, and less than 0.0005 SG a day.
        let (a, b) = (sugar(Kind::SlowTail, 25.0), sugar(Kind::SlowTail, 26.0));
        assert!(b > 20.0 && a - b < 1.0, "{a} {b}");

        let mut again = Kind::Refermenting.plant();
        let before = again.advance(339.0).gravity;
        let sweetened = again.advance(341.0).gravity;
        let later = again.advance(341.0 + 5.0 * 24.0).gravity;
        assert!(sweetened - before > 0.012);
        assert!(sweetened - later > 0.004, "{sweetened} {later}");

        let mut flat = Kind::Sweetened.plant();
        let (a, b) = (flat.advance(390.0).gravity, flat.advance(900.0).gravity);
        assert!((a - b).abs() < 1e-12);

        assert!(sugar(Kind::Fruit, 13.5) > 10.0 && sugar(Kind::Fruit, 11.9) < 2.0);
        assert!(sugar(Kind::Repitched, 12.0) > 10.0);
        assert!(sugar(Kind::Repitched, 40.0) < 2.0);
    }

    fn wanted(kind: Kind, seed: u64) -> Wanted {
        Wanted {
            kind,
            faults: Faults::ORDINARY,
            seed,
            start: Moment::parse_rfc3339("2026-01-01T00:00:00Z").unwrap(),
            days: 20.0,
            every: Span::minutes(15),
        }
    }

    fn table(wanted: &Wanted) -> String {
        let mut bytes = Vec::new();
        write_readings(&series(wanted), &mut bytes).unwrap();
        String::from_utf8(bytes).unwrap()
    }

    #[test]
    fn tables_are_the_same_every_time_and_differ_by_seed() {
        for kind in Kind::ALL {
            let once = table(&wanted(kind, 3));
            assert_eq!(once, table(&wanted(kind, 3)));
            assert_ne!(once, table(&wanted(kind, 4)));
            assert!(once.starts_with("at,gravity,temperature\n2026-01-01T00:00:00Z,1."));
        }
    }

    #[test]
    fn a_float_stays_near_the_truth() {
        for kind in Kind::ALL {
            let rows = series(&wanted(kind, 3)).rows;
            // About one in a hundred is lost.
            assert!(rows.len() > 1850 && rows.len() < 1921, "{}", rows.len());
            let mut off: Vec<f64> = rows
                .iter()
                .map(|r| (r.gravity - r.truth.gravity).abs())
                .collect();
            off.sort_by(f64::total_cmp);
            assert!(
                off[off.len() / 2] < 0.0025,
                "{kind:?} {}",
                off[off.len() / 2]
            );
        }
    }

    #[test]
    fn events_are_readable_back() {
        let series = series(&wanted(Kind::Sweetened, 3));
        let mut bytes = Vec::new();
        write_events(&series, &mut bytes).unwrap();
        let text = String::from_utf8(bytes).unwrap();
        assert_eq!(
            text.lines().nth(2),
            Some("2026-01-15T02:00:00Z,stabilise,,sulphite and sorbate")
        );
        assert_eq!(text.lines().count(), 4);
    }
}
