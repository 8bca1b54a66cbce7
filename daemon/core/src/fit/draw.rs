//! Numbers that look random and are the same every time.
//!
//! The intervals of a fit come from draws. They must not flicker from one assessment to the
//! next, so the generator counts from a fixed seed: the same readings give the same verdict to
//! the byte, on every machine with IEEE arithmetic.

/// SplitMix64: a counter through a mixing function.
pub(super) struct Draws(u64);

impl Draws {
    pub fn new(seed: u64) -> Self {
        Draws(seed)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Above nought, at most one.
    fn uniform(&mut self) -> f64 {
        ((self.next() >> 11) + 1) as f64 * (1.0 / 9_007_199_254_740_992.0)
    }

    /// Two independent standard normal numbers (polar angle and radius).
    fn normals(&mut self) -> (f64, f64) {
        let r = (-2.0 * self.uniform().ln()).sqrt();
        let (sin, cos) = (std::f64::consts::TAU * self.uniform()).sin_cos();
        (r * cos, r * sin)
    }

    pub fn normal_vector<const N: usize>(&mut self) -> [f64; N] {
        let mut out = [0.0; N];
        for pair in out.chunks_mut(2) {
            let (a, b) = self.normals();
            for (slot, value) in pair.iter_mut().zip([a, b]) {
                *slot = value;
            }
        }
        out
    }

    /// √(N/χ²) with N degrees of freedom: what turns a normal vector into Student's.
    pub fn student_stretch<const N: usize>(&mut self) -> f64 {
        let square: f64 = self.normal_vector::<N>().iter().map(|z| z * z).sum();
        (N as f64 / square).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::Draws;

    #[test]
    fn the_first_numbers_are_the_generators() {
        // As a second implementation gives them: tests/oracles/hashes.py.
        let mut draws = Draws::new(1_234_567);
        assert_eq!(draws.next(), 6_457_827_717_110_365_317);
        assert_eq!(draws.next(), 3_203_168_211_198_807_973);
    }

    #[test]
    fn moments_are_those_of_the_normal() {
        let mut draws = Draws::new(7);
        let n = 20_000;
        let (mut mean, mut square, mut fourth) = (0.0, 0.0, 0.0);
        for _ in 0..n {
            let [z] = draws.normal_vector::<1>();
            mean += z / f64::from(n);
            square += z * z / f64::from(n);
            fourth += z.powi(4) / f64::from(n);
        }
        // Four standard errors each.
        assert!(mean.abs() < 0.029 && (square - 1.0).abs() < 0.04 && (fourth - 3.0).abs() < 0.28);
    }
}
