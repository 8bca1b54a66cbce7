//! The truth: a fermentation as five balances of matter, after Coleman, Fish & Block 2007,
//! "Temperature-dependent kinetic model for nitrogen-limited wine fermentations",
//! Appl. Environ. Microbiol. 73:5875-5884, doi 10.1128/AEM.00670-07.
//!
//! ```text
//! dX /dt = μ·XA                μ  = μmax·N/(K_N+N)
//! dXA/dt = μ·XA - kd·XA        kd = k'd·E
//! dN /dt = -μ·XA/Y_XN          β  = βmax·S/(K_S+S)
//! dE /dt =  β·XA
//! dS /dt = -β·XA/Y_ES          t in h, concentrations in g/L, T in °C
//! ```
//!
//! Chosen because it is no closed curve: whatever family of curves the daemon fits, this is
//! not one of them, and "finished" or "stopped short" follows from the sugar left.
//!
//! The forms of μ and β and some constants are quoted second-hand, the rest is from memory
//! (marked at each). The paper was fitted at 11-35 °C to wine musts of 265-300 g/L sugar; honey
//! must lies outside that, which does not matter for made-up cellars.
//!
//! Added here, each off unless asked for and none of it from the paper: a lag, nutrient and
//! yeast given later, sugar added at once or slowly, a stop near the strain's alcohol
//! tolerance, a stop in the cold, and stabilising.

/// Fixed step, h. Three minutes: a whole number of steps in every reading interval in use, and
/// far below the fastest time constant of the equations (about 0.7 h at 35 °C).
pub const STEP_HOURS: f64 = 0.05;

/// Ethanol yield behind `k'd` and `βmax`, g/g (from memory). Above what sugar can give (0.511), so
/// it stays inside the kinetics.
const KINETIC_YIELD: f64 = 0.5499103577216016; // exp(-0.598)

/// Ethanol that really comes of sugar, g/g; what density is reckoned from.
const REAL_YIELD: f64 = 0.48;

/// Grams of ethanol per litre in one per cent by volume (density of ethanol at 20 °C, 0.789 g/mL).
const ETHANOL_PER_ABV: f64 = 7.89;

/// Slopes of gravity with sugar and with ethanol, per g/L: linear, rough, 20 °C (from handbook
/// slopes, from memory). Good enough for a cellar that does not exist.
const GRAVITY_PER_SUGAR: f64 = 3.86e-4;
const GRAVITY_PER_ETHANOL: f64 = -1.62e-4;

/// ln μmax = a0 + a1·T, 1/h (quoted second-hand).
const MU_MAX: [f64; 2] = [-3.92, 0.0782];
/// ln βmax = a0 + a1·T, g/(g·h) (from memory; agrees with a second-hand βmax/Y_ES of 0.85 at 20 °C).
const BETA_MAX: [f64; 2] = [-2.30, 0.0771];
/// ln k'd = a0 + a1·T + a2·T², L/(g·h) (from memory; the quadratic form is quoted second-hand).
const DEATH: [f64; 3] = [-9.81, -0.108, 0.00478];
/// ln Y_XN = a0 + a1·N0, g/g, N0 in mg/L (from memory; log-linear form quoted second-hand).
const NITROGEN_YIELD: [f64; 2] = [3.50, -0.00361];
/// ln K_N, g/L (from memory; agrees with a second-hand 0.0088 g/L).
const HALF_NITROGEN: f64 = -4.73;
/// ln K_S, g/L (from memory; agrees with a second-hand 10.3 g/L).
const HALF_SUGAR: f64 = 2.33;

/// Below this many kelvins above its cold stop a strain works ever less.
const COLD_RAMP_KELVIN: f64 = 3.0;

/// How sharply the rate falls off as alcohol nears tolerance: `1 - (abv/tolerance)^this`.
const TOLERANCE_POWER: i32 = 6;

/// What is in the vessel at pitching, and what the strain bears.
#[derive(Clone, Copy, Debug)]
pub struct Must {
    /// Fermentable sugar, g/L.
    pub sugar: f64,
    /// Assimilable nitrogen, mg/L.
    pub nitrogen: f64,
    /// Yeast pitched, g/L.
    pub pitch: f64,
    /// Gravity from what no yeast takes, SG above 1 (0.002 is two points).
    pub body: f64,
    /// Hours until the yeast works at full rate; it starts at half of that.
    pub lag_hours: f64,
    /// Per cent by volume at which the strain stops; `None`: only the equations stop it.
    pub tolerance: Option<f64>,
    /// °C at which the strain drops out; `None`: cold only slows it.
    pub cold_stop: Option<f64>,
}

impl Must {
    /// Plain must with nothing added to the published equations.
    pub const fn plain(sugar: f64, nitrogen: f64) -> Must {
        Must {
            sugar,
            nitrogen,
            pitch: 0.2,
            body: 0.0,
            lag_hours: 0.0,
            tolerance: None,
            cold_stop: None,
        }
    }
}

/// Temperature of the must over time.
#[derive(Clone, Debug)]
pub struct Temperatures {
    /// (hours, °C), in order of time; straight lines between, flat before and after.
    pub knots: Vec<(f64, f64)>,
    /// Half the daily swing of the room as it reaches the must, K.
    pub daily_swing: f64,
}

impl Temperatures {
    pub fn steady(celsius: f64) -> Temperatures {
        Temperatures {
            knots: vec![(0.0, celsius)],
            daily_swing: 0.0,
        }
    }

    pub fn at(&self, hours: f64) -> f64 {
        let swing = self.daily_swing * (std::f64::consts::TAU * hours / 24.0).sin();
        swing + self.base(hours)
    }

    fn base(&self, hours: f64) -> f64 {
        let after = self.knots.partition_point(|&(at, _)| at <= hours);
        match (
            after.checked_sub(1).and_then(|i| self.knots.get(i)),
            self.knots.get(after),
        ) {
            (Some(&(t0, a)), Some(&(t1, b))) => a + (b - a) * (hours - t0) / (t1 - t0),
            (Some(&(_, a)), None) | (None, Some(&(_, a))) => a,
            (None, None) => 20.0,
        }
    }
}

/// Something done to the vessel that changes its course.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Event {
    /// Assimilable nitrogen, mg/L. Y_XN stays that of the must at pitching.
    Nutrient(f64),
    /// Yeast, g/L, active.
    Repitch(f64),
    /// Sugar in g/L, given off with this time constant in hours (0: at once). Volume is taken as
    /// unchanged: right for dried fruit, a little off for honey.
    Sugar { grams: f64, release_hours: f64 },
    /// The yeast is stopped for good.
    Stabilise,
    /// Stabilising failed: so much yeast, g/L, works again.
    Wake(f64),
}

/// The five states, g/L.
#[derive(Clone, Copy, Debug, PartialEq)]
struct State {
    cells: f64,
    active: f64,
    nitrogen: f64,
    ethanol: f64,
    sugar: f64,
}

impl State {
    fn plus(self, d: State, h: f64) -> State {
        State {
            cells: self.cells + h * d.cells,
            active: self.active + h * d.active,
            nitrogen: self.nitrogen + h * d.nitrogen,
            ethanol: self.ethanol + h * d.ethanol,
            sugar: self.sugar + h * d.sugar,
        }
    }

    fn clamped(self) -> State {
        State {
            nitrogen: self.nitrogen.max(0.0),
            sugar: self.sugar.max(0.0),
            ..self
        }
    }
}

/// What a perfect instrument would show.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Truth {
    pub hours: f64,
    /// Fermentable sugar dissolved, g/L.
    pub sugar: f64,
    pub gravity: f64,
    pub temperature: f64,
    pub abv: f64,
    /// Yeast that works, g/L.
    pub active: f64,
    /// Sugar taken up, g/(L·h): gas, and so bubbles on a float, go with it.
    pub sugar_rate: f64,
}

/// A fermentation, stepped forward as far as it is asked about.
#[derive(Clone, Debug)]
pub struct Plant {
    must: Must,
    temperatures: Temperatures,
    /// In order of time.
    events: Vec<(f64, Event)>,
    done_events: usize,
    state: State,
    steps: u64,
    stopped: bool,
    /// Slow sugar: (since, grams, time constant).
    releases: Vec<(f64, f64, f64)>,
}

impl Plant {
    pub fn new(must: Must, temperatures: Temperatures, events: &[(f64, Event)]) -> Plant {
        let mut events = events.to_vec();
        events.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut plant = Plant {
            must,
            temperatures,
            events,
            done_events: 0,
            state: State {
                cells: must.pitch,
                active: must.pitch,
                nitrogen: must.nitrogen / 1000.0,
                ethanol: 0.0,
                sugar: must.sugar,
            },
            steps: 0,
            stopped: false,
            releases: Vec::new(),
        };
        plant.take_events();
        plant
    }

    /// The same from here on at one temperature, °C.
    pub fn keep_at(&mut self, celsius: f64) {
        self.temperatures = Temperatures::steady(celsius);
    }

    pub fn hours(&self) -> f64 {
        self.steps as f64 * STEP_HOURS
    }

    /// Steps up to `hours` (to the nearest step; never back) and tells how things stand.
    pub fn advance(&mut self, hours: f64) -> Truth {
        let wanted = (hours / STEP_HOURS).round().max(0.0) as u64;
        while self.steps < wanted {
            self.step();
        }
        self.truth()
    }

    pub fn truth(&self) -> Truth {
        let hours = self.hours();
        let s = self.state;
        let ethanol = real_ethanol(&s);
        Truth {
            hours,
            sugar: s.sugar,
            gravity: 1.0
                + GRAVITY_PER_SUGAR * s.sugar
                + GRAVITY_PER_ETHANOL * ethanol
                + self.must.body,
            temperature: self.temperatures.at(hours),
            abv: ethanol / ETHANOL_PER_ABV,
            active: s.active,
            sugar_rate: self.uptake(hours, &s),
        }
    }

    fn step(&mut self) {
        let (t, h) = (self.hours(), STEP_HOURS);
        let s = self.state;
        let k1 = self.slope(t, &s);
        let k2 = self.slope(t + h / 2.0, &s.plus(k1, h / 2.0).clamped());
        let k3 = self.slope(t + h / 2.0, &s.plus(k2, h / 2.0).clamped());
        let k4 = self.slope(t + h, &s.plus(k3, h).clamped());
        self.state = s
            .plus(k1, h / 6.0)
            .plus(k2, h / 3.0)
            .plus(k3, h / 3.0)
            .plus(k4, h / 6.0)
            .clamped();
        self.steps += 1;
        self.take_events();
    }

    fn take_events(&mut self) {
        let now = self.hours();
        while let Some(&(at, event)) = self.events.get(self.done_events) {
            // Half a step of slack: an event falls on the nearest step.
            if at > now + STEP_HOURS / 2.0 {
                break;
            }
            self.done_events += 1;
            self.happens(event);
        }
    }

    /// Does it now, for those who decide as they go what is done to the vessel.
    pub fn happens(&mut self, event: Event) {
        match event {
            Event::Nutrient(mg) => self.state.nitrogen += mg / 1000.0,
            Event::Repitch(grams) => {
                self.state.cells += grams;
                self.state.active += grams;
            }
            Event::Sugar {
                grams,
                release_hours,
            } => {
                if release_hours > 0.0 {
                    self.releases.push((self.hours(), grams, release_hours));
                } else {
                    self.state.sugar += grams;
                }
            }
            Event::Stabilise => self.stopped = true,
            Event::Wake(grams) => {
                self.stopped = false;
                self.state.active = grams;
            }
        }
    }

    /// SG it would still fall if nothing stopped it but its tolerance or the end of the sugar.
    pub fn could_fall(&self) -> f64 {
        let now = self.hours();
        let coming: f64 = self
            .releases
            .iter()
            .map(|&(since, grams, tau)| grams * (-(now - since) / tau).exp())
            .sum();
        let sugar = self.state.sugar + coming;
        let borne = self.must.tolerance.map_or(f64::INFINITY, |limit| {
            ((limit * ETHANOL_PER_ABV - real_ethanol(&self.state)) / REAL_YIELD).max(0.0)
        });
        sugar.min(borne) * (GRAVITY_PER_SUGAR - GRAVITY_PER_ETHANOL * REAL_YIELD)
    }

    /// dS/dt from the yeast alone, as a positive number.
    fn uptake(&self, t: f64, s: &State) -> f64 {
        let temperature = self.temperatures.at(t);
        let beta = (BETA_MAX[0] + BETA_MAX[1] * temperature).exp() * s.sugar
            / (HALF_SUGAR.exp() + s.sugar);
        beta * s.active * self.vigour(t, temperature, s) / KINETIC_YIELD
    }

    fn slope(&self, t: f64, s: &State) -> State {
        let temperature = self.temperatures.at(t);
        let mu = (MU_MAX[0] + MU_MAX[1] * temperature).exp() * s.nitrogen
            / (HALF_NITROGEN.exp() + s.nitrogen);
        let grown = mu * s.active * self.vigour(t, temperature, s);
        let uptake = self.uptake(t, s);
        let death = (DEATH[0] + DEATH[1] * temperature + DEATH[2] * temperature * temperature)
            .exp()
            * s.ethanol;
        let nitrogen_yield = (NITROGEN_YIELD[0] + NITROGEN_YIELD[1] * self.must.nitrogen).exp();
        let released: f64 = self
            .releases
            .iter()
            .map(|&(since, grams, tau)| grams / tau * (-(t - since) / tau).exp())
            .sum();
        State {
            cells: grown,
            active: grown - death * s.active,
            nitrogen: -grown / nitrogen_yield,
            ethanol: uptake * KINETIC_YIELD,
            sugar: released - uptake,
        }
    }

    /// What the added stops leave of the published rates, 0 to 1. Exactly 1 when none is asked for.
    fn vigour(&self, t: f64, temperature: f64, s: &State) -> f64 {
        if self.stopped {
            return 0.0;
        }
        let lag = if self.must.lag_hours > 0.0 {
            let half = self.must.lag_hours / 2.0;
            smooth_step((t - half) / half)
        } else {
            1.0
        };
        let cold = self.must.cold_stop.map_or(1.0, |stop| {
            smooth_step((temperature - stop) / COLD_RAMP_KELVIN)
        });
        let alcohol = self.must.tolerance.map_or(1.0, |limit| {
            let share = real_ethanol(s) / ETHANOL_PER_ABV / limit;
            (1.0 - share.powi(TOLERANCE_POWER)).max(0.0)
        });
        lag * cold * alcohol
    }
}

fn real_ethanol(s: &State) -> f64 {
    s.ethanol / KINETIC_YIELD * REAL_YIELD
}

/// 0 up to 0, 1 from 1 on, smooth between.
fn smooth_step(x: f64) -> f64 {
    let x = x.clamp(0.0, 1.0);
    x * x * (3.0 - 2.0 * x)
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde::Deserialize;

    /// Reference values computed with scipy LSODA from the same equations
    /// (oracle/plant_scipy.py): they check the integrator, not the paper.
    #[derive(Deserialize)]
    struct Oracle {
        points: Vec<Point>,
        days: Vec<Days>,
    }

    #[derive(Deserialize)]
    struct Point {
        celsius: f64,
        nitrogen: f64,
        sugar: f64,
        hours: f64,
        left: f64,
    }

    #[derive(Deserialize)]
    struct Days {
        celsius: f64,
        nitrogen: f64,
        sugar: f64,
        days_to_2_g: Option<f64>,
        left_after_60_days: Option<f64>,
    }

    fn oracle() -> Oracle {
        serde_json::from_str(include_str!("../oracle/plant_scipy.json")).unwrap()
    }

    fn plain(sugar: f64, nitrogen: f64, celsius: f64) -> Plant {
        Plant::new(
            Must::plain(sugar, nitrogen),
            Temperatures::steady(celsius),
            &[],
        )
    }

    fn days_to_2_g(mut plant: Plant) -> Option<f64> {
        (0..60 * 24 * 20)
            .map(|i| plant.advance(f64::from(i) * STEP_HOURS))
            .find(|t| t.sugar < 2.0)
            .map(|t| t.hours / 24.0)
    }

    #[test]
    fn sugar_left_agrees_with_another_integrator() {
        let points = oracle().points;
        assert_eq!(points.len(), 15);
        for p in points {
            let left = plain(p.sugar, p.nitrogen, p.celsius).advance(p.hours).sugar;
            assert!(
                (left - p.left).abs() < 1e-4,
                "{} °C, N {}, {} h: {left} against {}",
                p.celsius,
                p.nitrogen,
                p.hours,
                p.left
            );
        }
    }

    #[test]
    fn days_to_dryness_agree_with_another_integrator() {
        let days = oracle().days;
        assert_eq!(days.len(), 42);
        for d in days {
            let plant = plain(d.sugar, d.nitrogen, d.celsius);
            let what = format!("{} g/L, N {}, {} °C", d.sugar, d.nitrogen, d.celsius);
            match (days_to_2_g(plant.clone()), d.days_to_2_g) {
                // Half a step late on average, and the oracle interpolates.
                (Some(ours), Some(theirs)) => {
                    assert!((ours - theirs).abs() < 0.004, "{what}: {ours} {theirs}");
                }
                (None, None) => {
                    let left = { plant }.advance(60.0 * 24.0).sugar;
                    let theirs = d.left_after_60_days.unwrap();
                    assert!((left - theirs).abs() < 1e-3, "{what}: {left} {theirs}");
                }
                other => panic!("{what}: one dries and the other does not: {other:?}"),
            }
        }
    }

    /// The abstract of the paper: sluggish at 11 °C, normal between, stuck at 35 °C.
    #[test]
    fn cold_is_sluggish_and_heat_sticks() {
        let cold = days_to_2_g(plain(265.0, 170.0, 11.0)).unwrap();
        let mild = days_to_2_g(plain(265.0, 170.0, 20.0)).unwrap();
        assert!(cold > 1.8 * mild);
        assert_eq!(days_to_2_g(plain(265.0, 170.0, 35.0)), None);
    }

    #[test]
    fn a_gram_of_sugar_is_about_half_a_point() {
        let mut plant = plain(220.0, 170.0, 20.0);
        let (start, end) = (plant.truth(), plant.advance(20.0 * 24.0));
        let per_gram = (start.gravity - end.gravity) / (start.sugar - end.sugar);
        assert!((per_gram - 4.64e-4).abs() < 1e-6, "{per_gram}");
        // 220 g/L at 0.48 g/g and 7.89 g/L per cent.
        assert!((end.abv - 220.0 * 0.48 / 7.89).abs() < 0.01, "{}", end.abv);
    }

    #[test]
    fn a_lag_delays_the_fall() {
        let mut must = Must::plain(240.0, 200.0);
        let prompt = days_to_2_g(Plant::new(must, Temperatures::steady(20.0), &[])).unwrap();
        must.lag_hours = 48.0;
        let mut late = Plant::new(must, Temperatures::steady(20.0), &[]);
        assert_eq!(late.advance(24.0).sugar, 240.0);
        let late = days_to_2_g(late).unwrap();
        assert!(
            late > prompt + 1.0 && late < prompt + 2.0,
            "{prompt} {late}"
        );
    }

    #[test]
    fn nutrient_hurries_a_starved_must() {
        let must = Must::plain(240.0, 40.0);
        let starved = days_to_2_g(Plant::new(must, Temperatures::steady(20.0), &[])).unwrap();
        let given = [(72.0, Event::Nutrient(120.0))];
        let given = days_to_2_g(Plant::new(must, Temperatures::steady(20.0), &given)).unwrap();
        assert!(given < 0.8 * starved, "{starved} {given}");
    }

    #[test]
    fn new_yeast_finishes_what_heat_stopped() {
        let must = Must::plain(265.0, 170.0);
        let temperatures = Temperatures {
            knots: vec![(0.0, 35.0), (200.0, 35.0), (220.0, 20.0)],
            daily_swing: 0.0,
        };
        let mut left = Plant::new(must, temperatures.clone(), &[]);
        assert!(left.advance(60.0 * 24.0).sugar > 10.0);
        let mut again = Plant::new(must, temperatures, &[(240.0, Event::Repitch(0.5))]);
        assert!(again.advance(60.0 * 24.0).sugar < 2.0);
    }

    #[test]
    fn tolerance_stops_it_short_and_smoothly() {
        let must = Must {
            tolerance: Some(12.0),
            ..Must::plain(290.0, 250.0)
        };
        let mut plant = Plant::new(must, Temperatures::steady(20.0), &[]);
        let end = plant.advance(60.0 * 24.0);
        assert!(end.abv > 11.0 && end.abv < 12.0, "{}", end.abv);
        assert!(end.sugar > 80.0, "{}", end.sugar);
    }

    #[test]
    fn the_cold_stops_it_and_warmth_wakes_it() {
        let must = Must {
            cold_stop: Some(11.0),
            ..Must::plain(240.0, 150.0)
        };
        let knots = vec![(0.0, 19.0), (72.0, 19.0), (96.0, 8.0)];
        let cold = Temperatures {
            knots: knots.clone(),
            daily_swing: 0.3,
        };
        let mut stays = Plant::new(must, cold, &[]);
        let before = stays.advance(120.0).sugar;
        assert!(before > 40.0, "{before}");
        assert_eq!(stays.advance(30.0 * 24.0).sugar, before);

        let mut knots = knots;
        knots.extend([(300.0, 8.0), (324.0, 20.0)]);
        let warmed = Temperatures {
            knots,
            daily_swing: 0.3,
        };
        assert!(Plant::new(must, warmed, &[]).advance(60.0 * 24.0).sugar < 2.0);
    }

    #[test]
    fn sugar_comes_at_once_or_slowly_and_all_of_it_counts() {
        let must = Must::plain(200.0, 200.0);
        let sugar = |release_hours| {
            [
                (240.0, Event::Stabilise),
                (
                    250.0,
                    Event::Sugar {
                        grams: 30.0,
                        release_hours,
                    },
                ),
            ]
        };
        let at = |release_hours, hours| {
            Plant::new(must, Temperatures::steady(20.0), &sugar(release_hours))
                .advance(hours)
                .sugar
        };
        let base = at(0.0, 249.0);
        assert!((at(0.0, 250.1) - base - 30.0).abs() < 1e-9);
        assert!((at(24.0, 250.1) - base) < 0.2);
        // One time constant on, 1 - 1/e of it is out.
        assert!((at(24.0, 274.0) - base - 30.0 * (1.0 - (-1.0f64).exp())).abs() < 1e-6);
        assert!((at(24.0, 900.0) - base - 30.0).abs() < 1e-6);
    }

    #[test]
    fn what_it_could_fall_is_what_it_falls() {
        let must = Must::plain(180.0, 250.0);
        let mut plant = Plant::new(must, Temperatures::steady(20.0), &[]);
        let start = plant.advance(48.0).gravity;
        let could = plant.could_fall();
        let end = plant.advance(60.0 * 24.0).gravity;
        assert!(
            (start - end - could).abs() < 1e-5,
            "{could} {}",
            start - end
        );
    }

    #[test]
    fn what_was_stabilised_can_wake() {
        let mut plant = Plant::new(Must::plain(180.0, 250.0), Temperatures::steady(18.0), &[]);
        plant.advance(20.0 * 24.0);
        plant.happens(Event::Stabilise);
        plant.happens(Event::Sugar {
            grams: 40.0,
            release_hours: 0.0,
        });
        let quiet = plant.advance(40.0 * 24.0).sugar;
        assert_eq!(plant.advance(41.0 * 24.0).sugar, quiet);
        plant.happens(Event::Wake(0.2));
        assert!(plant.advance(43.0 * 24.0).sugar < quiet - 2.0);
    }
}
