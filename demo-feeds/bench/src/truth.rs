//! What truly happens in one vessel, hour by hour, and what was still to come at each of them.

use ebbmark_core::deed::What;
use ebbmark_demo_feeds::plant::{Event, Truth};

use crate::world::{Generator, Recipe, World};

/// SG left at which a vessel may be stabilised.
pub const DONE: f64 = 0.002;
/// SG above where the strain could end: it has stalled.
pub const STALLED: f64 = 0.004;
/// SG per day: below it stands still.
pub const STILL: f64 = 0.0002;
/// Days after which nothing more is expected.
const FOR_EVER: f64 = 260.0;
const HOURS_PER_DAY: f64 = 24.0;

/// When the maker (or nature) acts.
#[derive(Clone, Copy, Debug)]
pub enum When {
    /// When this share of the fall since the last act is over.
    Share(f64),
    /// So many hours after 0.001 or less is left.
    Done(f64),
    /// So many hours after it came to stand still.
    Still(f64),
    /// So many hours after the last act.
    After(f64),
}

#[derive(Clone, Copy, Debug)]
pub struct Step {
    pub when: When,
    /// As it is written in the log; `None`: nobody notices.
    pub logged: Option<What>,
    pub event: Event,
}

#[derive(Clone, Copy, Debug)]
pub struct Act {
    pub hour: usize,
    pub logged: Option<What>,
    pub event: Event,
}

/// How long to go on after the last act.
#[derive(Clone, Copy, Debug)]
pub enum Until {
    /// Days after it is done, or after it stopped for good.
    End { after_done: f64, after_stop: f64 },
    /// Days after the last act.
    LastAct(f64),
}

/// A reading of a jar of the mead, kept warm with plenty of fresh yeast.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Jar {
    pub hour: usize,
    pub gravity: f64,
}

/// When a jar is drawn: so long after the pitch, and after sugar or yeast that came later, h.
const JAR: usize = 12;
const JAR_AFTER: usize = 5 * 24;
/// How it is kept: °C, g/L of yeast, mg/L of nitrogen.
const JAR_CELSIUS: f64 = 25.0;
const JAR_YEAST: f64 = 3.0;
const JAR_NITROGEN: f64 = 150.0;
/// It has begun once it has come down by this, SG; after so many days nothing is left to begin with.
const JAR_BEGUN: f64 = 0.003;
const JAR_LAGS: usize = 4;
/// It is read once it falls by less than this, SG a day, and on the two days after. Nobody waits longer,
/// days.
const JAR_STILL: f64 = 0.000_3;
const JAR_LONGEST: usize = 21;

/// One hour. What happens at that hour comes after it.
#[derive(Clone, Copy, Debug)]
pub struct Point {
    pub truth: Truth,
    /// Where it ends if it is left alone from here.
    pub end: f64,
    /// SG the strain could still ferment.
    pub could: f64,
    /// Ends too high.
    pub stalled: bool,
    pub stabilised: bool,
}

#[derive(Clone, Debug)]
pub struct Course {
    pub points: Vec<Point>,
    pub acts: Vec<Act>,
    /// Hour of the last act, 0 with none.
    pub last_act: usize,
    /// What a jar would be drawn of, with the hours.
    drawn: Vec<(usize, World)>,
}

struct Outlook {
    end: f64,
    stalled: bool,
}

/// Runs on from here with nothing more done.
fn outlook(world: &World, from_hour: usize, last_knot: f64, stabilised: bool) -> Outlook {
    let mut world = world.clone();
    let mut day = from_hour as f64 / HOURS_PER_DAY;
    let mut quiet = 0;
    let mut before = world.advance(day * HOURS_PER_DAY).gravity;
    let first_days = day + 10.0;
    while day < FOR_EVER && quiet < 3 {
        day += 1.0;
        let now = world.advance(day * HOURS_PER_DAY).gravity;
        let still = (before - now).abs() < 4e-7;
        quiet = if still && day > first_days && day * HOURS_PER_DAY > last_knot {
            quiet + 1
        } else {
            0
        };
        before = now;
    }
    Outlook {
        end: before,
        stalled: !stabilised && world.could_fall() > STALLED,
    }
}

fn jar(drawn: usize, world: &World) -> Vec<Jar> {
    let mut jar = world.clone();
    jar.keep_at(JAR_CELSIUS);
    jar.happens(Event::Repitch(JAR_YEAST));
    jar.happens(Event::Nutrient(JAR_NITROGEN));
    let start = jar.truth().gravity;
    let mut before = start;
    let mut readings = Vec::new();
    for day in 1..=JAR_LONGEST {
        let hour = drawn + 24 * day;
        let gravity = jar.advance(hour as f64).gravity;
        let begun = start - gravity > JAR_BEGUN || day > JAR_LAGS;
        let still = begun && before - gravity < JAR_STILL;
        before = gravity;
        if still || !readings.is_empty() {
            readings.push(Jar { hour, gravity });
        }
        if readings.len() == 3 {
            break;
        }
    }
    readings
}

impl Course {
    /// `None` when the plan never came to its end.
    pub fn run(
        generator: Generator,
        recipe: &Recipe,
        plan: &[Step],
        until: Until,
        longest_days: f64,
    ) -> Option<Course> {
        let mut world = World::new(generator, recipe);
        let knots = &recipe.temperatures.knots;
        let last_knot = knots.last().map_or(0.0, |k| k.0);
        let mut points: Vec<Point> = Vec::new();
        let mut acts: Vec<Act> = Vec::new();
        let mut plan = plan.iter().copied().peekable();
        let mut stabilised = false;
        let mut drawn: Vec<(usize, World)> = Vec::new();
        let mut jar_at = Some(JAR);
        let mut ahead = outlook(&world, 0, last_knot, stabilised);
        let mut segment = Segment::default();
        let most = (longest_days * HOURS_PER_DAY) as usize;
        for hour in 0..=most {
            let truth = world.advance(hour as f64);
            points.push(Point {
                truth,
                end: ahead.end,
                could: world.could_fall(),
                stalled: ahead.stalled,
                stabilised,
            });
            if jar_at == Some(hour) && !stabilised {
                drawn.push((hour, world.clone()));
            }
            segment.see(&points, hour);
            if plan.peek().is_none() {
                if segment.over(until, hour) {
                    return Some(Course {
                        points,
                        last_act: acts.last().map_or(0, |a| a.hour),
                        acts,
                        drawn,
                    });
                }
                continue;
            }
            while let Some(step) = plan.next_if(|s| segment.due(s.when, &points, hour)) {
                stabilised = match step.event {
                    Event::Stabilise => true,
                    Event::Wake(_) => false,
                    _ => stabilised,
                };
                world.happens(step.event);
                if matches!(step.event, Event::Sugar { .. } | Event::Repitch(_)) {
                    jar_at = Some(hour + JAR_AFTER);
                }
                acts.push(Act {
                    hour,
                    logged: step.logged,
                    event: step.event,
                });
                ahead = outlook(&world, hour, last_knot, stabilised);
                segment = Segment {
                    from: hour,
                    ..Segment::default()
                };
            }
        }
        None
    }

    /// What a maker who draws jars reads, as the same generator ferments them out.
    pub fn jars(&self) -> Vec<Jar> {
        self.drawn.iter().flat_map(|(h, w)| jar(*h, w)).collect()
    }

    pub fn point(&self, hour: usize) -> &Point {
        &self.points[hour.min(self.points.len() - 1)]
    }

    pub fn hours(&self) -> usize {
        self.points.len() - 1
    }

    /// The truth at any time, straight lines between the hours.
    pub fn at(&self, hours: f64) -> Truth {
        let first = hours.max(0.0) as usize;
        let (a, b) = (&self.point(first).truth, &self.point(first + 1).truth);
        let share = hours - first as f64;
        let mix = |x: f64, y: f64| x + share * (y - x);
        Truth {
            hours,
            sugar: mix(a.sugar, b.sugar),
            gravity: mix(a.gravity, b.gravity),
            temperature: mix(a.temperature, b.temperature),
            abv: mix(a.abv, b.abv),
            active: mix(a.active, b.active),
            sugar_rate: mix(a.sugar_rate, b.sugar_rate),
        }
    }

    pub fn left(&self, hour: usize) -> f64 {
        let p = self.point(hour);
        p.truth.gravity - p.end
    }

    /// Fall per day, SG, over the hours to come.
    pub fn rate(&self, hour: usize) -> f64 {
        let ahead = (hour + 12).min(self.hours());
        let (a, b) = (hour.min(ahead), ahead);
        if a == b {
            return 0.0;
        }
        (self.points[a].truth.gravity - self.points[b].truth.gravity) * HOURS_PER_DAY
            / (b - a) as f64
    }

    /// Stands still although it is not at its end.
    pub fn halted(&self, hour: usize) -> bool {
        let p = self.point(hour);
        !p.stabilised
            && hour > 4 * 24
            && self.rate(hour) < STILL
            && (p.stalled || p.truth.gravity - p.end > STALLED)
    }

    /// First hour from `from` on after which no more than so much is left, until sugar or yeast
    /// comes or it is stabilised.
    pub fn done_for_good(&self, from: usize, left: f64) -> Option<usize> {
        let next = self
            .acts
            .iter()
            .filter(|a| !matches!(a.event, Event::Nutrient(_)))
            .map(|a| a.hour)
            .find(|h| *h >= from);
        let last = next.unwrap_or(self.hours());
        let above = (from..=last).rev().find(|h| self.left(*h) > left);
        above.map_or(Some(from), |h| Some(h + 1).filter(|h| *h <= last))
    }

    /// First hour at which no more than so much is left, after an hour.
    pub fn done_after(&self, from: usize, left: f64) -> Option<usize> {
        (from..self.points.len()).find(|h| self.left(*h) <= left)
    }
}

#[derive(Default)]
struct Segment {
    from: usize,
    /// Gravity at its start, after what was done.
    start: Option<f64>,
    done: Option<usize>,
    nearly: Option<usize>,
    still: Option<usize>,
}

impl Segment {
    fn see(&mut self, points: &[Point], hour: usize) {
        let p = &points[hour];
        if hour <= self.from && self.from > 0 {
            return;
        }
        let start = *self.start.get_or_insert(p.truth.gravity);
        let left = p.truth.gravity - p.end;
        // Fruit gives its sugar slowly: what looked done may rise again.
        let held = |was: Option<usize>, most: f64| (left <= most).then(|| was.unwrap_or(hour));
        self.done = held(self.done, DONE);
        self.nearly = held(self.nearly, DONE / 2.0);
        let fell = start - p.truth.gravity > 0.01;
        let day_ago = hour.checked_sub(24).filter(|h| *h > self.from);
        let rate = day_ago.map(|h| points[h].truth.gravity - p.truth.gravity);
        if fell && self.still.is_none() && rate.is_some_and(|r| r < STILL) {
            self.still = day_ago;
        }
    }

    fn due(&self, when: When, points: &[Point], hour: usize) -> bool {
        let since = |then: Option<usize>, wait: f64| {
            then.is_some_and(|then| hour as f64 >= then as f64 + wait)
        };
        match when {
            When::Share(share) => self.start.is_some_and(|start| {
                let p = &points[hour];
                start - p.truth.gravity >= share * (start - p.end)
            }),
            When::Done(wait) => since(self.nearly, wait),
            When::Still(wait) => since(self.still, wait),
            When::After(wait) => hour as f64 >= self.from as f64 + wait,
        }
    }

    fn over(&self, until: Until, hour: usize) -> bool {
        match until {
            Until::LastAct(days) => hour as f64 >= self.from as f64 + days * HOURS_PER_DAY,
            Until::End {
                after_done,
                after_stop,
            } => {
                let stopped = self
                    .still
                    .is_some_and(|s| hour as f64 >= s as f64 + after_stop * HOURS_PER_DAY);
                let done = self
                    .done
                    .is_some_and(|d| hour as f64 >= d as f64 + after_done * HOURS_PER_DAY);
                // A stalled one is "done" long before it stands still.
                done && stopped
            }
        }
    }
}
