//! A second truth of another form than [`ebbmark_demo_feeds::plant`], so that nothing is tuned to one:
//! two sugars, logistic growth, alcohol after Luong, temperature by cardinal points.
//!
//! ```text
//! dX/dt = μ·f(T)·lag·X·(1 - X/Xmax)·A         Xmax = pitch + Y·nitrogen given so far
//! dA/dt = -A·(k0 + k1·(E/Emax)²)·d(T)         the share of the yeast that works
//! qG = q·f(T)·G/(KG + G)·I                     I = (1 - E/Emax)^n  (Luong's form)
//! qF = q·f(T)·F/(KF·(1 + G/KI) + F)·I          glucose holds fructose back
//! dG/dt = -qG·X·A   dF/dt = -qF·X·A   dE/dt = Y_E·(qG + qF)·X·A
//! ```
//!
//! f is the cardinal temperature model with inflection (Rosso's form, from memory), 0 below the
//! least and above the greatest temperature. Honey holds somewhat more fructose than glucose, and
//! glucose goes first: the tail is led by fructose. All constants are chosen here or from memory, so
//! that a middling must takes one to three weeks; they describe no real strain.

use ebbmark_demo_feeds::plant::{Event, Temperatures, Truth};

/// Fixed step, h: far below the fastest time constant (about 4 h).
const STEP: f64 = 0.1;

const GROWTH: f64 = 0.28;
const UPTAKE: f64 = 0.55;
const HALF_GLUCOSE: f64 = 3.0;
const HALF_FRUCTOSE: f64 = 9.0;
/// Glucose, g/L, that doubles the half-saturation of fructose.
const GLUCOSE_HINDERS: f64 = 30.0;
/// Yeast grown per g of nitrogen.
const YEAST_PER_NITROGEN: f64 = 28.0;
/// Share of the working yeast lost per hour at 20 °C, and more of it at full strength.
const FADING: f64 = 0.0005;
const FADING_BY_ALCOHOL: f64 = 0.008;
const ETHANOL_YIELD: f64 = 0.482;
/// Glycerol and acids made, per g of sugar.
const BYPRODUCTS: f64 = 0.035;
const WARMEST: f64 = 39.0;
const BEST: f64 = 29.0;
/// Share of an addition that is glucose.
const GLUCOSE_SHARE: f64 = 0.47;

const ETHANOL_PER_ABV: f64 = 7.89;
/// Gravity per g/L (from memory, rough).
const GRAVITY_PER_SUGAR: f64 = 3.84e-4;
const GRAVITY_PER_ETHANOL: f64 = -1.58e-4;
const GRAVITY_PER_BYPRODUCT: f64 = 2.3e-4;

#[derive(Clone, Copy, Debug)]
pub struct Must {
    pub sugar: f64,
    /// Share of the sugar that is glucose.
    pub glucose: f64,
    /// mg/L
    pub nitrogen: f64,
    pub pitch: f64,
    pub body: f64,
    pub lag_hours: f64,
    /// % vol
    pub tolerance: f64,
    /// Luong's exponent.
    pub bend: f64,
    /// How fast the yeast fades, against a middling strain.
    pub fading: f64,
    /// °C below which nothing goes on.
    pub coldest: f64,
}

/// Cells, working share, glucose, fructose, ethanol.
type State = [f64; 5];

#[derive(Clone, Debug)]
pub struct Second {
    must: Must,
    temperatures: Temperatures,
    state: State,
    capacity: f64,
    steps: u64,
    stopped: bool,
    releases: Vec<(f64, f64, f64)>,
}

fn plus(s: State, d: State, h: f64) -> State {
    let mut out = s;
    for (o, d) in out.iter_mut().zip(d) {
        *o = (*o + h * d).max(0.0);
    }
    out
}

impl Second {
    pub fn new(must: Must, temperatures: Temperatures) -> Second {
        Second {
            state: [
                must.pitch,
                1.0,
                must.sugar * must.glucose,
                must.sugar * (1.0 - must.glucose),
                0.0,
            ],
            capacity: must.pitch + YEAST_PER_NITROGEN * must.nitrogen / 1000.0,
            must,
            temperatures,
            steps: 0,
            stopped: false,
            releases: Vec::new(),
        }
    }

    /// The same from here on at one temperature, °C.
    pub fn keep_at(&mut self, celsius: f64) {
        self.temperatures = Temperatures::steady(celsius);
    }

    pub fn hours(&self) -> f64 {
        self.steps as f64 * STEP
    }

    pub fn advance(&mut self, hours: f64) -> Truth {
        let wanted = (hours / STEP).round().max(0.0) as u64;
        while self.steps < wanted {
            self.step();
        }
        self.truth()
    }

    pub fn truth(&self) -> Truth {
        let hours = self.hours();
        let [cells, working, glucose, fructose, ethanol] = self.state;
        let [_, _, g, f, _] = self.slope(hours, self.state, false);
        let eaten = ethanol / ETHANOL_YIELD;
        Truth {
            hours,
            sugar: glucose + fructose,
            gravity: 1.0
                + GRAVITY_PER_SUGAR * (glucose + fructose)
                + GRAVITY_PER_ETHANOL * ethanol
                + GRAVITY_PER_BYPRODUCT * BYPRODUCTS * eaten
                + self.must.body,
            temperature: self.temperatures.at(hours),
            abv: ethanol / ETHANOL_PER_ABV,
            active: cells * working,
            sugar_rate: -(g + f),
        }
    }

    pub fn happens(&mut self, event: Event) {
        match event {
            Event::Nutrient(mg) => self.capacity += YEAST_PER_NITROGEN * mg / 1000.0,
            Event::Repitch(grams) => {
                let [cells, working, ..] = self.state;
                self.state[1] = (cells * working + grams) / (cells + grams);
                self.state[0] += grams;
                self.capacity += grams;
            }
            Event::Sugar {
                grams,
                release_hours,
            } => {
                if release_hours > 0.0 {
                    self.releases.push((self.hours(), grams, release_hours));
                } else {
                    self.state[2] += GLUCOSE_SHARE * grams;
                    self.state[3] += (1.0 - GLUCOSE_SHARE) * grams;
                }
            }
            Event::Stabilise => self.stopped = true,
            Event::Wake(grams) => {
                self.stopped = false;
                self.state[1] = grams / self.state[0].max(grams);
                // What outlived the dose feeds but does not multiply.
                self.capacity = self.state[0];
            }
        }
    }

    /// SG it would still fall if nothing stopped it but its tolerance or the end of the sugar.
    pub fn could_fall(&self) -> f64 {
        let now = self.hours();
        let [_, _, glucose, fructose, ethanol] = self.state;
        let coming: f64 = self
            .releases
            .iter()
            .map(|&(since, grams, tau)| grams * (-(now - since) / tau).exp())
            .sum();
        let borne = ((self.must.tolerance * ETHANOL_PER_ABV - ethanol) / ETHANOL_YIELD).max(0.0);
        (glucose + fructose + coming).min(borne)
            * (GRAVITY_PER_SUGAR
                - GRAVITY_PER_ETHANOL * ETHANOL_YIELD
                - GRAVITY_PER_BYPRODUCT * BYPRODUCTS)
    }

    fn step(&mut self) {
        let (t, s) = (self.hours(), self.state);
        let k1 = self.slope(t, s, true);
        let k2 = self.slope(t + STEP / 2.0, plus(s, k1, STEP / 2.0), true);
        let k3 = self.slope(t + STEP / 2.0, plus(s, k2, STEP / 2.0), true);
        let k4 = self.slope(t + STEP, plus(s, k3, STEP), true);
        let mut mean = [0.0; 5];
        for (i, m) in mean.iter_mut().enumerate() {
            *m = (k1[i] + 2.0 * k2[i] + 2.0 * k3[i] + k4[i]) / 6.0;
        }
        self.state = plus(s, mean, STEP);
        self.steps += 1;
    }

    fn slope(&self, t: f64, s: State, with_release: bool) -> State {
        let [cells, working, glucose, fructose, ethanol] = s;
        let celsius = self.temperatures.at(t);
        let warm = cardinal(celsius, self.must.coldest);
        let strength = ethanol / (self.must.tolerance * ETHANOL_PER_ABV);
        let bears = (1.0 - strength).max(0.0).powf(self.must.bend);
        let awake = if self.must.lag_hours > 0.0 {
            // Half awake at the end of the lag, fully at one and a half of it.
            1.0 / (1.0 + (-(t - self.must.lag_hours) * 6.0 / self.must.lag_hours).exp())
        } else {
            1.0
        };
        let going = if self.stopped { 0.0 } else { warm * awake };
        let grown = GROWTH * going * cells * (1.0 - cells / self.capacity).max(0.0) * bears;
        let eating = UPTAKE * going * bears * cells * working;
        let g = eating * glucose / (HALF_GLUCOSE + glucose) / 2.0;
        let f = eating * fructose
            / (HALF_FRUCTOSE * (1.0 + glucose / GLUCOSE_HINDERS) + fructose)
            / 2.0;
        let fading = self.must.fading
            * (FADING + FADING_BY_ALCOHOL * strength.powi(3))
            * (0.09 * (celsius - 20.0)).exp();
        // The young are all at work.
        let renewed = if cells > 0.0 {
            grown / cells * (1.0 - working)
        } else {
            0.0
        };
        let released: f64 = if with_release {
            self.releases
                .iter()
                .map(|&(since, grams, tau)| grams / tau * (-(t - since) / tau).exp())
                .sum()
        } else {
            0.0
        };
        [
            grown,
            renewed - fading * working,
            GLUCOSE_SHARE * released - g,
            (1.0 - GLUCOSE_SHARE) * released - f,
            ETHANOL_YIELD * (g + f),
        ]
    }
}

/// 0 at and below the coldest and from the warmest on, 1 at the best.
fn cardinal(t: f64, coldest: f64) -> f64 {
    if t <= coldest || t >= WARMEST {
        return 0.0;
    }
    let over = t - coldest;
    let span = BEST - coldest;
    let below = span * (span * (t - BEST) - (BEST - WARMEST) * (BEST + coldest - 2.0 * t));
    ((t - WARMEST) * over * over / below).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn must() -> Must {
        Must {
            sugar: 220.0,
            glucose: 0.46,
            nitrogen: 200.0,
            pitch: 0.25,
            body: 0.003,
            lag_hours: 12.0,
            tolerance: 16.0,
            bend: 0.9,
            fading: 0.3,
            coldest: 4.0,
        }
    }

    #[test]
    fn sugar_becomes_alcohol_and_nothing_is_lost() {
        let mut w = Second::new(must(), Temperatures::steady(20.0));
        for day in 0..30 {
            let t = w.advance(24.0 * f64::from(day));
            let eaten = 220.0 - t.sugar;
            assert!((t.abv * ETHANOL_PER_ABV - eaten * ETHANOL_YIELD).abs() < 1e-6);
        }
        let end = w.truth();
        assert!(end.sugar < 5.0, "{}", end.sugar);
        // What it could still fall is what it falls.
        let (g, could) = (end.gravity, w.could_fall());
        let later = w.advance(200.0 * 24.0);
        assert!(g - later.gravity <= could + 1e-9);
    }

    #[test]
    fn glucose_goes_first() {
        let mut w = Second::new(must(), Temperatures::steady(20.0));
        w.advance(8.0 * 24.0);
        let [_, _, glucose, fructose, _] = w.state;
        assert!(fructose > 2.0 * glucose, "{glucose} {fructose}");
    }

    #[test]
    fn it_stops_at_its_tolerance() {
        let mut w = Second::new(
            Must {
                tolerance: 10.0,
                ..must()
            },
            Temperatures::steady(20.0),
        );
        let end = w.advance(60.0 * 24.0);
        assert!(end.abv < 10.0 && end.abv > 9.5, "{}", end.abv);
    }

    #[test]
    fn cardinal_points() {
        assert_eq!(cardinal(4.0, 4.0), 0.0);
        assert_eq!(cardinal(40.0, 4.0), 0.0);
        assert!((cardinal(BEST, 4.0) - 1.0).abs() < 1e-12);
        assert!(cardinal(12.0, 4.0) < cardinal(20.0, 4.0));
    }

    #[test]
    fn a_smaller_step_would_tell_the_same() {
        // Against explicit Euler with a hundredth of the step, over the steep part.
        let mut w = Second::new(must(), Temperatures::steady(20.0));
        let mut s = w.state;
        let h = STEP / 100.0;
        for i in 0..(72.0 / h) as u64 {
            s = plus(s, w.slope(i as f64 * h, s, true), h);
        }
        let there = w.advance(72.0);
        assert!((s[2] + s[3] - there.sugar).abs() < 0.05, "{s:?} {there:?}");
    }
}
