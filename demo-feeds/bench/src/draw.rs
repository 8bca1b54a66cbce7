//! Random draws in order from one lane, so that a run is its seed.

use ebbmark_demo_feeds::rng::Lane;

#[derive(Clone, Debug)]
pub struct Draw {
    lane: Lane,
    drawn: u64,
}

impl Draw {
    pub fn new(seed: u64, lane: u64) -> Draw {
        Draw {
            lane: Lane::new(seed, lane),
            drawn: 0,
        }
    }

    fn next(&mut self) -> u64 {
        self.drawn += 1;
        self.drawn
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        let n = self.next();
        low + (high - low) * self.lane.uniform(n)
    }

    /// Evenly spread over orders of magnitude.
    pub fn scale(&mut self, low: f64, high: f64) -> f64 {
        self.between(low.ln(), high.ln()).exp()
    }

    pub fn normal(&mut self, sd: f64) -> f64 {
        let n = self.next();
        sd * self.lane.normal(n)
    }

    pub fn chance(&mut self, share: f64) -> bool {
        self.between(0.0, 1.0) < share
    }

    pub fn one_of<T: Copy>(&mut self, first: T, others: &[T]) -> T {
        let i = self.between(0.0, (others.len() + 1) as f64) as usize;
        i.checked_sub(1)
            .and_then(|i| others.get(i))
            .copied()
            .unwrap_or(first)
    }

    pub fn seed(&mut self) -> u64 {
        // All the bits of a double's fraction.
        (self.between(0.0, 1.0) * (1u64 << 53) as f64) as u64
    }
}
