//! Verdicts and forecasts from the beginnings of real ferments, against what came after: eighteen
//! red wines of Stellenbosch University (2022) and three agave musts of Valle et al. (2024); sources,
//! licences and caveats at the heads of the files.
//!
//! Gravity is reckoned from sugar and alcohol as in `open_series.rs`. Both series are daily or
//! eight-hourly laboratory samples, a handful before the end, of wine and agave: what they show is
//! that nothing is called finished too early and that ranges are honest, not how soon a mead is done.

use ebbmark_core::deed::{Deed, What};
use ebbmark_core::hours::{Hour, hour_index, roll};
use ebbmark_core::text::Style;
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::{Gravity, Preferences};
use ebbmark_core::verdict::outcome::{Phase, Verdict};
use ebbmark_core::verdict::{Assessor, Case};
use jiff::tz::TimeZone;

const WINE: &str = include_str!("data/series/wine_stellenbosch_2022_sugar.csv");
const AGAVE: &str = include_str!("data/series/agave_valle_2024_sugar_ethanol.csv");
/// g/L of alcohol in 1 % vol: 789.24 kg/m³ (OIML R 22).
const ETHANOL: f64 = 7.8924;
/// g/L still to ferment that a verdict may overlook: the 0.002 it allows itself, which is 4.3 g/L,
/// and what infrared and chromatography leave open.
const OVERLOOKED: f64 = 5.0;

#[derive(Clone, Copy)]
struct Sample {
    days: f64,
    gravity: f64,
    /// g/L.
    sugar: f64,
    celsius: f64,
}

struct Series {
    name: String,
    samples: Vec<Sample>,
}

/// g/L of sugar and of alcohol to SG; slopes of handbook density tables, good to about 0.001.
fn gravity(sugar: f64, alcohol: f64) -> f64 {
    1.0 + 3.86e-4 * sugar - 1.62e-4 * alcohol
}

fn fields(line: &str) -> (&str, Vec<f64>) {
    let mut parts = line.split(',');
    let name = parts.next().unwrap_or_default();
    (name, parts.map(|f| f.parse().unwrap_or(f64::NAN)).collect())
}

fn series() -> Vec<Series> {
    let mut all: Vec<Series> = Vec::new();
    let mut add = |name: String, sample: Sample| match all.last_mut() {
        Some(s) if s.name == name => s.samples.push(sample),
        _ => all.push(Series {
            name,
            samples: vec![sample],
        }),
    };
    let data = |text: &'static str| text.lines().filter(|l| !l.starts_with('#')).skip(1);
    for (name, f) in data(WINE).map(fields) {
        // Columns after the name: cultivar, size, grapes, day, must and skins °C, sugar, glucose,
        // fructose, alcohol.
        let [days, celsius, sugar, alcohol] = [f[3], f[4], f[6], f[9]];
        let sample = Sample {
            days,
            gravity: gravity(sugar, alcohol * ETHANOL),
            sugar,
            celsius,
        };
        // The rise on the last day is an artefact of pressing, as the head says.
        if days < 11.0 {
            add(name.to_string(), sample);
        }
    }
    for (name, f) in data(AGAVE).map(fields) {
        let [hours, alcohol, sugar] = [f[0], f[1], f[4]];
        let sample = Sample {
            days: hours / 24.0,
            gravity: gravity(sugar, alcohol),
            sugar,
            celsius: 28.0,
        };
        add(format!("agave {name}"), sample);
    }
    assert_eq!(all.len(), 21);
    all
}

fn start() -> Moment {
    Moment::parse_rfc3339("2026-01-01T00:00:00Z").expect("a valid instant")
}

fn at(s: &Sample) -> Moment {
    start() + Span::from_days(s.days)
}

/// The verdict after each sample, as a float's readings or as hand readings.
fn verdicts(series: &Series, by_hand: bool) -> Vec<Verdict> {
    let zone = TimeZone::UTC;
    let style = Style {
        units: Preferences::default(),
        zone: &zone,
    };
    let gravity = |s: &Sample| Gravity::new(s.gravity).ok();
    let hour = |s: &Sample| {
        let reading = (at(s), Some(s.gravity), Some(s.celsius));
        roll(hour_index(at(s)), &[reading])
    };
    let hours: Vec<Hour> = series.samples.iter().filter_map(hour).collect();
    let hand = |s: &Sample| Deed {
        gravity: gravity(s),
        ..Deed::new(at(s), What::HandReading)
    };
    let deeds: Vec<Deed> = series.samples.iter().map(hand).collect();
    let mut assessor = Assessor::default();
    let look = |n: usize| {
        let case = Case {
            hours: if by_hand { &[] } else { &hours[..=n] },
            deeds: if by_hand { &deeds } else { &[] },
            started: Some(start()),
            original: gravity(&series.samples[0]),
            expected_final: None,
            tolerance: None,
            learned: None,
        };
        assessor.assess(&case, at(&series.samples[n]), &style)
    };
    (0..series.samples.len()).map(look).collect()
}

/// Mean of the last two samples.
fn end(series: &Series) -> f64 {
    let last = &series.samples[series.samples.len() - 2..];
    last.iter().map(|s| s.gravity).sum::<f64>() / 2.0
}

#[test]
fn nothing_is_called_finished_with_sugar_to_ferment() {
    let mut settled = 0;
    for s in series() {
        let never = s.samples.last().map_or(0.0, |s| s.sugar.max(0.0));
        for by_hand in [false, true] {
            for (v, sample) in verdicts(&s, by_hand).iter().zip(&s.samples) {
                let open = v.gates.stabilise.open || v.gates.seal.open;
                let done = v.phase == Phase::Settled || open;
                settled += usize::from(done);
                let left = sample.sugar - never;
                let told = format!("{} day {}: {:?}", s.name, sample.days, v.phase);
                assert!(!done || left < OVERLOOKED, "{told}, {left} g/L to go");
                assert_ne!(v.phase, Phase::Restarted, "{told}");
            }
        }
    }
    assert!(
        settled > 0,
        "nothing was ever called settled: nothing is tried"
    );
}

#[test]
fn the_rack_gate_opens_in_the_last_third() {
    let mut opened = 0;
    for s in series() {
        let (first, last) = (s.samples[0].gravity, end(&s));
        let racks = verdicts(&s, false).into_iter().zip(&s.samples);
        let racks: Vec<f64> = racks
            .filter(|(v, _)| v.gates.rack.open)
            .map(|(_, sample)| (first - sample.gravity) / (first - last))
            .collect();
        assert!(
            racks.iter().all(|over| *over > 0.67),
            "{}: {racks:?}",
            s.name
        );
        opened += usize::from(!racks.is_empty());
    }
    assert!(opened >= 18, "{opened} of 21");
}

/// The ranges are calibrated on invented meads. On these, whose end lies lower than that of any mead
/// with their original gravity, the range that should hold nine times in ten held 17 of 21 when this
/// was written and the inner one 4; the four were three Cabernets on the day their fall was steepest
/// or just over, and one Shiraz by a hair. Fewer would be a worse forecast than it was.
#[test]
fn ranges_of_the_end_hold_what_came() {
    let (mut all, mut held, mut told) = (0, 0, String::new());
    for s in series() {
        let truth = end(&s);
        for (v, sample) in verdicts(&s, false).iter().zip(&s.samples) {
            // While there is something to foretell.
            let Some(f) = v.final_gravity.filter(|_| sample.gravity > truth + 0.003) else {
                continue;
            };
            all += 1;
            let holds = (f.low..=f.high).contains(&truth);
            held += usize::from(holds);
            if !holds {
                let range = format!("{:.4} to {:.4}, ended at {truth:.4}", f.low, f.high);
                told += &format!("\n{} day {}: {range}", s.name, sample.days);
            }
        }
    }
    assert!(all >= 20, "{all} forecasts");
    assert!(held * 5 >= all * 4, "{held} of {all}{told}");
}
