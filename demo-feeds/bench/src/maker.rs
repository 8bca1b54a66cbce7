//! The simulated maker: a log, a hydrometer, and the patience of one who has other things to do.

use std::iter::Peekable;
use std::vec::IntoIter;

use ebbmark_core::deed::{Deed, What};
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::{AbvPercent, Celsius, Gravity};
use ebbmark_core::verdict::outcome::Verdict;
use ebbmark_demo_feeds::plant::Event;

use crate::draw::Draw;
use crate::kinds::Drawn;
use crate::truth::{Course, Jar};

/// One standard deviation of reading a hydrometer, SG.
const READING_ERROR: f64 = 0.0005;

#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Habit {
    /// Ferments a jar of it out, as the page advises.
    Jar,
    /// Reads the hydrometer, and no more.
    Hydrometer,
}

pub struct Maker {
    start: Moment,
    draw: Draw,
    by_hand: bool,
    /// Hour of the next reading by habit, and of one that was asked for.
    habit: f64,
    asked: Option<f64>,
    last: f64,
    next_act: usize,
    /// Test ferments to be read, in time order.
    jars: Peekable<IntoIter<Jar>>,
    jar_draw: Draw,
    pub original: Gravity,
    pub tolerance: Option<AbvPercent>,
    pub deeds: Vec<Deed>,
}

impl Maker {
    /// Jars are read with the same hydrometer, their errors drawn apart.
    pub fn new(
        drawn: &Drawn,
        by_hand: bool,
        start: Moment,
        mut draw: Draw,
        jars: Vec<Jar>,
        jar_draw: Draw,
    ) -> Maker {
        let truth = drawn.course.point(0).truth.gravity;
        let original = Gravity::computed(to(truth + draw.normal(READING_ERROR), 0.001));
        let knows = draw.chance(2.0 / 3.0);
        let habit = if by_hand {
            draw.between(48.0, 96.0)
        } else {
            draw.between(5.0 * 24.0, 8.0 * 24.0)
        };
        Maker {
            start,
            by_hand,
            habit,
            asked: None,
            last: 0.0,
            next_act: 0,
            jars: jars.into_iter().peekable(),
            jar_draw,
            original,
            tolerance: knows.then(|| AbvPercent::computed(drawn.label)),
            deeds: vec![Deed {
                gravity: Some(original),
                ..Deed::new(start, What::Pitch)
            }],
            draw,
        }
    }

    /// Everything done up to this hour goes into the log.
    pub fn live_up_to(&mut self, course: &Course, hour: f64) {
        let before = self.deeds.len();
        while let Some(act) = course.acts.get(self.next_act) {
            if act.hour as f64 > hour {
                break;
            }
            self.next_act += 1;
            if let Some(what) = act.logged {
                let note = match act.event {
                    Event::Nutrient(mg) => format!("{mg:.0} mg of nitrogen per litre"),
                    Event::Sugar { grams, .. } => format!("{grams:.0} g of sugar per litre"),
                    _ => String::new(),
                };
                self.deeds.push(Deed {
                    note,
                    ..Deed::new(self.moment(act.hour as f64), what)
                });
            }
        }
        while let Some(jar) = self.jars.next_if(|j| j.hour as f64 <= hour) {
            let read = to(jar.gravity + self.jar_draw.normal(READING_ERROR), 0.0005);
            self.deeds.push(Deed {
                gravity: Some(Gravity::computed(read)),
                ..Deed::new(self.moment(jar.hour as f64), What::TestFerment)
            });
        }
        while self.habit <= hour {
            self.read(course, self.habit);
            self.habit += if self.by_hand {
                self.draw.between(48.0, 96.0)
            } else {
                self.draw.between(6.0 * 24.0, 8.0 * 24.0)
            };
        }
        if let Some(at) = self.asked.filter(|at| *at <= hour) {
            self.asked = None;
            self.read(course, at);
        }
        self.deeds[before..].sort_by_key(|d| d.at);
    }

    /// Reads the page: a shut gate that wants a hand reading gets one some time soon.
    pub fn look_at(&mut self, verdict: &Verdict, hour: f64) {
        let gates = &verdict.gates;
        let wants = [&gates.rack, &gates.stabilise, &gates.seal]
            .iter()
            .any(|g| !g.open && g.why.contains("hand reading"));
        let rest = if self.by_hand { 24.0 } else { 48.0 };
        if wants && self.asked.is_none() && hour >= self.last + rest - 8.0 {
            let soon = hour + self.draw.between(8.0, 30.0);
            self.asked = Some(soon.max(self.last + rest));
        }
    }

    fn read(&mut self, course: &Course, hour: f64) {
        let truth = course.at(hour);
        let gravity = to(truth.gravity + self.draw.normal(READING_ERROR), 0.0005);
        self.last = hour;
        self.deeds.push(Deed {
            gravity: Some(Gravity::computed(gravity)),
            temperature: Some(Celsius::computed(truth.temperature)),
            ..Deed::new(self.moment(hour), What::HandReading)
        });
    }

    fn moment(&self, hour: f64) -> Moment {
        self.start + Span::from_days(hour / 24.0)
    }
}

fn to(value: f64, step: f64) -> f64 {
    (value / step).round() * step
}
