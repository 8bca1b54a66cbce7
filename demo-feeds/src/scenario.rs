//! An invented cellar of four vessels, each at a moment worth looking at. No vessel, mead, maker
//! or float in it exists.

use ebbmark_core::deed::{Deed, What};
use ebbmark_core::feed::FeedMap;
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::{AbvPercent, Celsius, Gravity, Litres};

use crate::feed::{Message, Watched};
use crate::float::Faults;
use crate::message::Wording;
use crate::plant::{Event, Must, Plant, Temperatures, Truth};

/// How often a float speaks, unless told otherwise.
pub const EVERY: Span = Span::minutes(15);

/// Said in every batch's note, so that nobody takes these for records.
pub const INVENTED: &str = "Invented for the demonstration.";

/// A vessel of the invented cellar with all that a maker would have told the daemon.
#[derive(Clone, Debug)]
pub struct DemoVessel {
    pub name: &'static str,
    pub capacity: Litres,
    pub temperature_low: Celsius,
    pub temperature_high: Celsius,
    pub batch: DemoBatch,
    /// In order of time, all of them before now.
    pub deeds: Vec<DemoDeed>,
    pub feed: DemoFeed,
    now: Moment,
    watched: Watched,
}

#[derive(Clone, Debug)]
pub struct DemoBatch {
    pub name: &'static str,
    pub started: Moment,
    pub original_gravity: Gravity,
    pub expected_final: Gravity,
    pub tolerance: AbvPercent,
    pub volume: Litres,
    pub yeast: &'static str,
    pub note: String,
}

#[derive(Clone, Debug)]
pub struct DemoDeed {
    pub deed: Deed,
    pub hand: Option<DemoHand>,
}

/// How a hand reading was taken.
#[derive(Clone, Copy, Debug)]
pub struct DemoHand {
    pub read: Gravity,
    pub sample: Celsius,
    pub reference: Celsius,
}

#[derive(Clone, Debug)]
pub struct DemoFeed {
    pub topic: &'static str,
    pub name: &'static str,
    pub map: FeedMap,
}

impl DemoVessel {
    /// What its float has sent up to now, in the order it came: the time it speaks of, and the payload.
    pub fn history(&self) -> impl Iterator<Item = (Moment, Vec<u8>)> + use<> {
        let now = self.now;
        self.watched
            .messages()
            .take_while(move |m| m.due <= now)
            .map(|m| (m.at, m.payload))
    }

    /// What its float will send after now, without end.
    pub fn coming(&self) -> impl Iterator<Item = Message> + Send + use<> {
        let now = self.now;
        self.watched.messages().skip_while(move |m| m.due <= now)
    }

    /// Makes its float speak at another interval, from the start: at least every minute, which is
    /// short enough for anything that ferments.
    pub fn speak_every(&mut self, every: Span) {
        self.watched.every = every.max(Span::minutes(1));
    }

    /// As if its float had said nothing yet: all of [`DemoVessel::history`] is then still to come.
    pub fn start_over(&mut self) {
        self.now = self.watched.float_in - Span::minutes(1);
    }

    /// What a perfect instrument would show.
    pub fn truth_at(&self, at: Moment) -> Truth {
        self.watched.truth_at(at)
    }

    /// Where gravity ends if nothing more is done to it: 90 days on.
    pub fn end_gravity(&self) -> f64 {
        self.truth_at(self.now + Span::days(90)).gravity
    }

    /// When the last 0.001 SG of the present fall begins (to the hour); `None` when there is no
    /// fall, or it is long past, at `now`.
    pub fn settles_at(&self) -> Option<Moment> {
        let end = self.end_gravity();
        let mut plant = self.watched.plant.clone();
        let mut gravity_at = |at: Moment| {
            plant
                .advance(at.since(self.watched.pitched).as_hours())
                .gravity
        };
        if gravity_at(self.now) - end <= 0.001 {
            return None;
        }
        (1..90 * 24)
            .map(|h| self.now + Span::hours(h))
            .find(|at| gravity_at(*at) - end <= 0.001)
    }
}

/// The cellar as it stands at `now`. The same `now` and `seed` give the same bytes.
pub fn cellar(now: Moment, seed: u64) -> Vec<DemoVessel> {
    // Marks on the whole minute, as a float with a set clock sends them.
    let now = Moment(now.0 - now.0.rem_euclid(60_000));
    vec![
        nearly_done(now, seed),
        stopped_by_cold(now, seed),
        on_fruit(now, seed),
        sweetened(now, seed),
    ]
}

/// Writes one vessel: what happens to the must and what stands in the log, from one list.
struct Story {
    now: Moment,
    pitched: Moment,
    must: Must,
    temperatures: Temperatures,
    events: Vec<(f64, Event)>,
    lines: Vec<Line>,
}

struct Line {
    hours: f64,
    what: What,
    note: &'static str,
}

struct Facts {
    name: &'static str,
    capacity: f64,
    band: (f64, f64),
    mead: &'static str,
    expected_final: f64,
    tolerance: f64,
    volume: f64,
    yeast: &'static str,
    note: &'static str,
    topic: &'static str,
    float: &'static str,
    wording: Wording,
    faults: Faults,
    seed: u64,
}

impl Story {
    fn new(now: Moment, age: Span, must: Must, knots: &[(f64, f64)]) -> Story {
        Story {
            now,
            pitched: now - age,
            must,
            temperatures: Temperatures {
                knots: knots.to_vec(),
                daily_swing: 0.25,
            },
            events: Vec::new(),
            lines: Vec::new(),
        }
    }

    /// A line of the log that changes nothing in the must.
    fn line(mut self, hours: f64, what: What, note: &'static str) -> Story {
        self.lines.push(Line { hours, what, note });
        self
    }

    /// A line of the log, and what it does.
    fn deed(mut self, hours: f64, what: What, event: Event, note: &'static str) -> Story {
        self.events.push((hours, event));
        self.line(hours, what, note)
    }

    fn tell(self, facts: Facts) -> DemoVessel {
        let watched = Watched {
            pitched: self.pitched,
            plant: Plant::new(self.must, self.temperatures, &self.events),
            faults: facts.faults,
            seed: facts.seed,
            // The float goes in an hour after pitching, on a whole quarter-hour.
            float_in: quarter_after(self.pitched + Span::hours(1)),
            every: EVERY,
            wording: facts.wording,
        };
        let deeds = self
            .lines
            .iter()
            .map(|line| written(&watched, line))
            .collect();
        DemoVessel {
            name: facts.name,
            capacity: Litres::computed(facts.capacity),
            temperature_low: Celsius::computed(facts.band.0),
            temperature_high: Celsius::computed(facts.band.1),
            batch: DemoBatch {
                name: facts.mead,
                started: self.pitched,
                original_gravity: as_read(watched.plant.truth().gravity),
                expected_final: Gravity::computed(facts.expected_final),
                tolerance: AbvPercent::computed(facts.tolerance),
                volume: Litres::computed(facts.volume),
                yeast: facts.yeast,
                note: format!("{INVENTED} {}", facts.note),
            },
            deeds,
            feed: DemoFeed {
                topic: facts.topic,
                name: facts.float,
                map: facts.wording.map(),
            },
            now: self.now,
            watched,
        }
    }
}

fn written(watched: &Watched, line: &Line) -> DemoDeed {
    let at = watched.pitched + Span::from_days(line.hours / 24.0);
    let hand = (line.what == What::HandReading).then(|| DemoHand {
        read: as_read(watched.truth_at(at).gravity),
        // Let stand in the room until it is at the hydrometer's own temperature.
        sample: Celsius::computed(20.0),
        reference: Celsius::computed(20.0),
    });
    DemoDeed {
        deed: Deed {
            gravity: hand.map(|h| h.read),
            note: line.note.to_owned(),
            ..Deed::new(at, line.what)
        },
        hand,
    }
}

/// A hydrometer is read to 0.001.
fn as_read(gravity: f64) -> Gravity {
    Gravity::computed((gravity * 1000.0).round() / 1000.0)
}

fn quarter_after(at: Moment) -> Moment {
    let quarter = EVERY.0;
    Moment(at.0 + (quarter - at.0.rem_euclid(quarter)) % quarter)
}

/// In its slow tail: settles in front of the onlooker, in two or three simulated days.
fn nearly_done(now: Moment, seed: u64) -> DemoVessel {
    let must = Must {
        pitch: 0.2,
        body: 0.010,
        lag_hours: 30.0,
        cold_stop: Some(6.0),
        ..Must::plain(255.0, 50.0)
    };
    let knots = [(0.0, 15.5), (150.0, 15.0), (175.0, 17.5)];
    Story::new(now, Span::hours(264), must, &knots)
        .line(0.0, What::Pitch, "2 packets, rehydrated")
        .deed(
            30.0,
            What::Nutrient,
            Event::Nutrient(20.0),
            "first half of the nutrient",
        )
        .deed(
            76.0,
            What::Nutrient,
            Event::Nutrient(20.0),
            "second half of the nutrient",
        )
        .line(77.0, What::Rouse, "stirred, let the gas out")
        .line(118.0, What::HandReading, "cloudy, honey on the nose")
        .line(155.0, What::Remark, "moved up into the warm to finish")
        .line(238.0, What::HandReading, "clearing from the top")
        .tell(Facts {
            name: "Loft carboy",
            capacity: 23.0,
            band: (10.0, 20.0),
            mead: "Hedge blossom, dry",
            expected_final: 0.990,
            tolerance: 18.0,
            volume: 21.0,
            yeast: "a white-wine yeast",
            note: "Spring honey and well water.",
            topic: "loft/carboy/float",
            float: "Loft float",
            wording: Wording::Senml {
                device: "loft-carboy/",
            },
            faults: Faults::ORDINARY,
            seed: seed ^ 0x01,
        })
}

/// The cellar door stood open in a frost: flat, high, and not done.
fn stopped_by_cold(now: Moment, seed: u64) -> DemoVessel {
    let must = Must {
        pitch: 0.25,
        body: 0.010,
        lag_hours: 18.0,
        cold_stop: Some(10.0),
        ..Must::plain(250.0, 70.0)
    };
    let knots = [(0.0, 19.0), (84.0, 18.5), (112.0, 8.5), (300.0, 8.0)];
    Story::new(now, Span::days(18), must, &knots)
        .line(0.0, What::Pitch, "1 packet, strewn dry")
        .deed(
            28.0,
            What::Nutrient,
            Event::Nutrient(40.0),
            "all the nutrient at once",
        )
        .line(70.0, What::HandReading, "working hard")
        .line(120.0, What::Remark, "hard frost, door found open")
        .line(290.0, What::HandReading, "still sweet, no gas")
        .tell(Facts {
            name: "North cask",
            capacity: 60.0,
            band: (14.0, 24.0),
            mead: "Frost harvest",
            expected_final: 0.992,
            tolerance: 18.0,
            volume: 55.0,
            yeast: "a champagne-style wine yeast",
            note: "Late heather honey.",
            topic: "north/cask/float",
            float: "Cask float",
            wording: Wording::Nested,
            faults: Faults {
                offset: -0.0009,
                ..Faults::ORDINARY
            },
            seed: seed ^ 0x02,
        })
}

/// Half of a dry mead drawn off two days ago, the rest put on dried fruit: gravity stepped up as
/// the fruit gave its sugar, and falls again.
fn on_fruit(now: Moment, seed: u64) -> DemoVessel {
    let must = Must {
        pitch: 0.25,
        body: 0.010,
        lag_hours: 18.0,
        cold_stop: Some(8.0),
        ..Must::plain(190.0, 110.0)
    };
    let split = 14.0 * 24.0;
    Story::new(
        now,
        Span::hours(16 * 24),
        must,
        &[(0.0, 17.5), (96.0, 18.5), (160.0, 17.5)],
    )
    .line(0.0, What::Pitch, "1 packet, from a starter")
    .deed(
        26.0,
        What::Nutrient,
        Event::Nutrient(30.0),
        "nutrient, first",
    )
    .deed(
        50.0,
        What::Nutrient,
        Event::Nutrient(30.0),
        "nutrient, second",
    )
    .line(218.0, What::HandReading, "dry, thin")
    .line(split - 1.0, What::HandReading, "unchanged")
    .line(
        split,
        What::Split,
        "10 L drawn off into the small jars, kept plain",
    )
    .deed(
        split + 0.5,
        What::Addition,
        Event::Sugar {
            grams: 42.0,
            release_hours: 9.0,
        },
        "0.9 kg dried fig, chopped, in a bag",
    )
    .line(split + 25.0, What::HandReading, "fig sugar is out")
    .tell(Facts {
        name: "Fig jar",
        capacity: 15.0,
        band: (14.0, 24.0),
        mead: "Fig and thyme",
        expected_final: 0.994,
        tolerance: 18.0,
        volume: 10.0,
        yeast: "a white-wine yeast",
        note: "Base mead split in two.",
        topic: "bench/fig-jar/lean",
        float: "Leaning float",
        wording: Wording::Tilt,
        faults: Faults {
            noise: 0.0006,
            offset: 0.0004,
            ..Faults::ORDINARY
        },
        seed: seed ^ 0x03,
    })
}

/// Finished, stabilised and sweetened a week ago: flat since.
fn sweetened(now: Moment, seed: u64) -> DemoVessel {
    let must = Must {
        pitch: 0.25,
        body: 0.010,
        lag_hours: 16.0,
        cold_stop: Some(8.0),
        ..Must::plain(225.0, 90.0)
    };
    Story::new(
        now,
        Span::days(38),
        must,
        &[(0.0, 19.0), (240.0, 18.0), (600.0, 17.0)],
    )
    .line(0.0, What::Pitch, "1 packet, rehydrated")
    .deed(
        24.0,
        What::Nutrient,
        Event::Nutrient(40.0),
        "nutrient, first",
    )
    .deed(
        48.0,
        What::Nutrient,
        Event::Nutrient(30.0),
        "nutrient, second",
    )
    .line(240.0, What::HandReading, "dry")
    .line(19.0 * 24.0, What::Rack, "off the lees, 1 L lost")
    .line(
        28.0 * 24.0,
        What::HandReading,
        "bright, unchanged since racking",
    )
    .deed(
        28.0 * 24.0 + 1.0,
        What::Stabilise,
        Event::Stabilise,
        "sulphite and sorbate, weighed",
    )
    .deed(
        31.0 * 24.0,
        What::Sweeten,
        Event::Sugar {
            grams: 38.0,
            release_hours: 0.0,
        },
        "0.9 kg lime honey, stirred in",
    )
    .line(31.0 * 24.0 + 2.0, What::HandReading, "after sweetening")
    .tell(Facts {
        name: "Window demijohn",
        capacity: 20.0,
        band: (12.0, 22.0),
        mead: "Lime flower, sweet",
        expected_final: 1.007,
        tolerance: 16.0,
        volume: 18.0,
        yeast: "a red-wine yeast",
        note: "Sweetened to taste after stabilising.",
        topic: "window/demijohn/extract",
        float: "Window float",
        wording: Wording::SenmlPlato {
            device: "window-demijohn/",
        },
        faults: Faults {
            drift_per_day: 0.000_005,
            ..Faults::ORDINARY
        },
        seed: seed ^ 0x04,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashSet;

    const NOW: Moment = Moment(1_790_000_000_000);

    fn gravity(v: &DemoVessel, hours: i64) -> f64 {
        v.truth_at(NOW + Span::hours(hours)).gravity
    }

    #[test]
    fn the_first_settles_in_front_of_the_onlooker() {
        let v = &cellar(NOW, 1)[0];
        let end = v.end_gravity();
        let now = gravity(v, 0);
        assert!(now - end > 0.001 && now - end < 0.006, "{now} {end}");
        // Past the steep part, and yet to be seen falling.
        let fastest = (-264..-24)
            .step_by(6)
            .map(|h| gravity(v, h) - gravity(v, h + 24))
            .fold(0.0, f64::max);
        let coming = now - gravity(v, 24);
        assert!(coming < 0.4 * fastest, "{coming} {fastest}");
        for hours in 12..=60 {
            assert!(gravity(v, hours) - end < 0.001);
        }
        let settles = v.settles_at().unwrap().since(NOW).as_hours();
        assert!((2.0..=12.0).contains(&settles), "{settles}");
        // Falls by less than 0.0002 a day from a day and a half on.
        assert!(gravity(v, 36) - gravity(v, 60) < 0.0002);
        assert!(v.truth_at(NOW + Span::hours(72)).sugar < 2.0);
    }

    #[test]
    fn the_second_is_flat_high_and_cold() {
        let v = &cellar(NOW, 1)[1];
        assert!((gravity(v, -10 * 24) - gravity(v, 0)).abs() < 1e-9);
        let t = v.truth_at(NOW);
        assert!(t.sugar > 40.0, "{}", t.sugar);
        assert!(t.gravity > v.batch.expected_final.get() + 0.02);
        assert!(t.temperature < v.temperature_low.get());
        assert_eq!(v.settles_at(), None);
    }

    #[test]
    fn the_third_stepped_up_on_fruit_and_falls_again() {
        let v = &cellar(NOW, 1)[2];
        let before = gravity(v, -49);
        let top = (-48..0).map(|h| gravity(v, h)).fold(0.0, f64::max);
        assert!(top - before > 0.005, "{before} {top}");
        let fall = gravity(v, -12) - gravity(v, 0);
        assert!(fall > 0.0004, "{fall}");
        assert!(gravity(v, 0) > before + 0.002);
        let split = v.deeds.iter().find(|d| d.deed.what == What::Split).unwrap();
        assert_eq!(NOW.since(split.deed.at).as_days().round(), 2.0);
    }

    #[test]
    fn the_fourth_was_sweetened_and_stays() {
        let v = &cellar(NOW, 1)[3];
        assert!((gravity(v, -6 * 24) - gravity(v, 30 * 24)).abs() < 1e-9);
        assert!(gravity(v, -6 * 24) - gravity(v, -8 * 24) > 0.01);
        let order: Vec<What> = v.deeds.iter().map(|d| d.deed.what).collect();
        let place = |w| order.iter().position(|x| *x == w).unwrap();
        assert!(place(What::Stabilise) < place(What::Sweeten));
    }

    #[test]
    fn the_cellar_hangs_together() {
        let cellar = cellar(NOW, 1);
        assert_eq!(cellar.len(), 4);
        let topics: HashSet<_> = cellar.iter().map(|v| v.feed.topic).collect();
        assert_eq!(topics.len(), 4);
        for v in &cellar {
            let days = NOW.since(v.batch.started).as_days();
            assert!((10.0..=40.0).contains(&days), "{}: {days}", v.name);
            assert!(v.deeds.iter().all(|d| d.deed.at < NOW), "{}", v.name);
            assert!(v.deeds.windows(2).all(|w| w[0].deed.at <= w[1].deed.at));
            assert!(v.batch.volume.get() <= v.capacity.get());
            assert!(v.batch.note.starts_with(INVENTED));
            assert!(v.truth_at(NOW).abv < v.batch.tolerance.get());
            let n = v.history().count();
            let marks = (days * 96.0) as usize;
            assert!(n > marks * 9 / 10 && n < marks * 11 / 10, "{n} {marks}");
            let next = v.coming().next().unwrap();
            assert!(next.due > NOW && next.due <= NOW + Span::hours(2));
        }
    }

    #[test]
    fn floats_speak_as_often_as_told() {
        let mut v = cellar(NOW, 1).remove(0);
        let quarters = v.history().count();
        v.speak_every(Span::hours(1));
        let hours = v.history().count();
        assert!(hours * 4 > quarters * 9 / 10 && hours * 4 < quarters * 11 / 10);
        let mut coming = v.coming().map(|m| m.at).take(50).collect::<Vec<_>>();
        coming.sort_unstable();
        coming.dedup();
        assert!(
            coming
                .windows(2)
                .all(|w| w[1].since(w[0]).0 % Span::hours(1).0 == 0)
        );
    }

    #[test]
    fn the_same_moment_and_seed_give_the_same_bytes() {
        let bytes = |seed| -> Vec<_> {
            cellar(NOW, seed)
                .iter()
                .flat_map(|v| v.history().take(300).collect::<Vec<_>>())
                .collect()
        };
        assert_eq!(bytes(1), bytes(1));
        assert_ne!(bytes(1), bytes(2));
    }
}
