//! Made-up batches, and the verdicts on them.

use ebbmark_core::deed::{Deed, What};
use ebbmark_core::files::Row;
use ebbmark_core::hours::{Hour, hour_index, roll};
use ebbmark_core::text::Style;
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::{AbvPercent, Celsius, Gravity, Preferences};
use ebbmark_core::verdict::outcome::Verdict;
use ebbmark_core::verdict::{Assessor, Case};
use jiff::tz::TimeZone;
use proptest::prelude::*;

pub fn start() -> Moment {
    Moment::parse_rfc3339("2026-01-01T00:00:00Z").expect("a valid instant")
}

pub fn day(d: f64) -> Moment {
    start() + Span::from_days(d)
}

/// As many cases as usual; more when asked.
pub fn cases(usual: u32) -> ProptestConfig {
    let asked = std::env::var("PROPTEST_CASES").ok();
    ProptestConfig {
        cases: asked.and_then(|n| n.parse().ok()).unwrap_or(usual),
        // Each case is a season of verdicts: a few tries to make it simpler are enough.
        max_shrink_iters: 6,
        failure_persistence: None,
        ..ProptestConfig::default()
    }
}

/// A fall of `drop` from 1.090, steepest on the fourth day.
#[derive(Clone, Copy, Debug)]
pub struct Ferment {
    pub drop: f64,
    pub rate: f64,
    pub seed: u64,
}

pub fn ferment() -> impl Strategy<Value = Ferment> {
    (0.05..0.098f64, 0.6..2.0f64, any::<u64>()).prop_map(|(drop, rate, seed)| Ferment {
        drop,
        rate,
        seed,
    })
}

/// One that ends dry.
pub fn dry() -> impl Strategy<Value = Ferment> {
    (0.0955..0.098f64, 0.8..2.0f64, any::<u64>()).prop_map(|(drop, rate, seed)| Ferment {
        drop,
        rate,
        seed,
    })
}

impl Ferment {
    pub fn gravity(&self, days: f64) -> f64 {
        1.090 - self.drop / (1.0 + (-self.rate * (days - 4.0)).exp())
    }

    pub fn end(&self) -> f64 {
        1.090 - self.drop
    }

    /// Half-hourly, with noise that lingers for some hours, at about 20 °C.
    pub fn float(&self, days: usize) -> Vec<Row> {
        let mut noise = Noise(self.seed);
        let mut slow = 0.0;
        let row = |i: usize| {
            let d = i as f64 / 48.0;
            slow = 0.85 * slow + 0.0002 * noise.next();
            let gravity = self.gravity(d) + slow + 0.0003 * noise.next();
            let warmth = 20.0 + 0.5 * (std::f64::consts::TAU * d).sin();
            Row {
                at: day(d),
                gravity: Gravity::new(gravity).ok(),
                temperature: Celsius::new(warmth).ok(),
            }
        };
        (0..=days * 48).map(row).collect()
    }

    /// A jar of it that has ended where the mead will, read from that day on, three days running.
    pub fn jar(&self, from: f64) -> Vec<Deed> {
        let read = |n: u8| deed(from + f64::from(n), What::TestFerment, Some(self.end()));
        (0..3).map(read).collect()
    }

    /// A hand reading a day, to half a division.
    pub fn by_hand(&self, days: usize) -> Vec<Deed> {
        (1..=days)
            .map(|d| {
                let at = d as f64 + 0.3;
                let read = (self.gravity(at) * 2000.0).round() / 2000.0;
                deed(at, What::HandReading, Some(read))
            })
            .collect()
    }
}

/// Evenly spread, mean nought, sd 1 (Steele & Vigna's splitmix constants).
pub struct Noise(pub u64);

impl Noise {
    pub fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        let even = ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64;
        (even - 0.5) * 12.0_f64.sqrt()
    }
}

pub fn deed(d: f64, what: What, gravity: Option<f64>) -> Deed {
    Deed {
        gravity: gravity.and_then(|g| Gravity::new(g).ok()),
        ..Deed::new(day(d), what)
    }
}

/// All that is known of a batch in the end.
#[derive(Clone, Debug)]
pub struct Batch {
    pub hours: Vec<Hour>,
    pub deeds: Vec<Deed>,
    pub original: Option<f64>,
    pub expected: Option<f64>,
    pub tolerance: Option<f64>,
}

impl Batch {
    /// Pitched at the start with an original gravity of 1.090.
    pub fn new(rows: &[Row], mut deeds: Vec<Deed>) -> Batch {
        deeds.push(deed(0.0, What::Pitch, None));
        deeds.sort_by_key(|d| d.at);
        let mut rows = rows.to_vec();
        rows.sort_by_key(|r| r.at);
        let hour = |rows: &[Row]| {
            let values = |r: &Row| {
                let gravity = r.gravity.map(Gravity::get);
                (r.at, gravity, r.temperature.map(Celsius::get))
            };
            let values: Vec<_> = rows.iter().map(values).collect();
            roll(hour_index(rows.first()?.at), &values)
        };
        Batch {
            hours: rows
                .chunk_by(|a, b| hour_index(a.at) == hour_index(b.at))
                .filter_map(hour)
                .collect(),
            deeds,
            original: Some(1.090),
            expected: None,
            tolerance: None,
        }
    }

    /// What one assessor says at an instant: of the hours that are over.
    pub fn judge(&self, assessor: &mut Assessor, now: Moment) -> Verdict {
        let zone = TimeZone::UTC;
        let style = Style {
            units: Preferences::default(),
            zone: &zone,
        };
        let over = self.hours.partition_point(|h| h.index < hour_index(now));
        let gravity = |g: Option<f64>| g.and_then(|g| Gravity::new(g).ok());
        let case = Case {
            hours: &self.hours[..over],
            deeds: &self.deeds,
            started: Some(start()),
            original: gravity(self.original),
            expected_final: gravity(self.expected),
            tolerance: self.tolerance.and_then(|t| AbvPercent::new(t).ok()),
            learned: None,
        };
        assessor.assess(&case, now, &style)
    }

    /// One assessor's verdicts, so many hours apart.
    pub fn verdicts(&self, every: i64, days: i64) -> Vec<Verdict> {
        let mut assessor = Assessor::default();
        let looks = (1..=days * 24 / every).map(|n| start() + Span::hours(n * every));
        looks.map(|now| self.judge(&mut assessor, now)).collect()
    }
}
