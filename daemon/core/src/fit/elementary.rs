//! An exponential and a logarithm that a compiler can do several at a time.
//!
//! `f64::exp` is a call into the C library, one number per call, and a call in the middle of a
//! loop keeps the whole loop from being vectorised; it is most of the cost of a fit. These are
//! branch-free. The exponential: reduce to 2^k · e^r with |r| <= ln 2 / 2 (ln 2 in two parts, so r is exact to the
//! last bit), the Taylor sum of e^r to the 13th power (next term below 5e-18), and k put straight
//! into the exponent. Within 2 units in the last place of the library's over the whole range
//! used; held to that by the test below. The argument is clamped to ±700: every caller has an
//! exponential that is either negligible or overwhelming long before. The logarithm: split off the power of
//! two, so that √½ <= m < √2, and sum ln m = 2·artanh((m - 1)/(m + 1)) to the 21st power (next
//! term below 3e-19). For positive normal numbers.

/// 1.5 · 2^52: adding it pushes the fraction out of an `f64` and leaves the nearest integer in the
/// low bits of the representation.
const SHIFT: f64 = 6_755_399_441_055_744.0;
/// ln 2 with its low 20 bits cleared, so that a whole number times it is exact, and the rest.
const LN2_HIGH: f64 = 0.693_147_180_369_123_8;
const LN2_LOW: f64 = 1.908_214_929_270_587_7e-10;

#[inline(always)]
pub fn exp(x: f64) -> f64 {
    // Written this way round, each is one instruction, and not-a-number stays what it is.
    let x = if 700.0 < x { 700.0 } else { x };
    let x = if -700.0 > x { -700.0 } else { x };
    let shifted = x * std::f64::consts::LOG2_E + SHIFT;
    let k = shifted - SHIFT;
    let r = (x - k * LN2_HIGH) - k * LN2_LOW;
    // Estrin's order: short dependency chains.
    let r2 = r * r;
    let r4 = r2 * r2;
    let r8 = r4 * r4;
    let low = (0.5 + r * (1.0 / 6.0)) + r2 * (1.0 / 24.0 + r * (1.0 / 120.0));
    let mid = (1.0 / 720.0 + r * (1.0 / 5_040.0)) + r2 * (1.0 / 40_320.0 + r * (1.0 / 362_880.0));
    let high = (1.0 / 3_628_800.0 + r * (1.0 / 39_916_800.0))
        + r2 * (1.0 / 479_001_600.0 + r * (1.0 / 6_227_020_800.0));
    let sum = 1.0 + (r + r2 * (low + r4 * mid + r8 * high));
    let power = f64::from_bits((shifted.to_bits() << 52).wrapping_add(1.0_f64.to_bits()));
    sum * power
}

#[inline(always)]
pub fn ln(x: f64) -> f64 {
    /// 1 - √½ of the way through a binade, in the bits of the fraction: moves the split to √½.
    const OFFSET: u64 = 0x3fe6_a09e_667f_3bcd;
    const FRACTION: u64 = (1 << 52) - 1;
    /// 2^52, whose low bits read as an integer.
    const WHOLE: u64 = 0x4330_0000_0000_0000;
    let moved = x.to_bits().wrapping_sub(OFFSET);
    // The power of two, biased by 1024 to stay positive, read out of the bits as a number.
    let biased = moved.wrapping_add(1024 << 52) >> 52;
    let k = f64::from_bits(WHOLE | biased) - (4_503_599_627_370_496.0 + 1024.0);
    let m = f64::from_bits((moved & FRACTION).wrapping_add(OFFSET));
    let f = (m - 1.0) / (m + 1.0);
    let f2 = f * f;
    let f4 = f2 * f2;
    let f8 = f4 * f4;
    let low = (1.0 / 3.0 + f2 * (1.0 / 5.0)) + f4 * (1.0 / 7.0 + f2 * (1.0 / 9.0));
    let mid = (1.0 / 11.0 + f2 * (1.0 / 13.0)) + f4 * (1.0 / 15.0 + f2 * (1.0 / 17.0));
    let high = 1.0 / 19.0 + f2 * (1.0 / 21.0);
    let sum = f + f * f2 * (low + f8 * (mid + f8 * high));
    2.0 * sum + k * LN2_LOW + k * LN2_HIGH
}

#[cfg(test)]
mod tests {
    use super::{exp, ln};

    #[test]
    fn logarithm_agrees_with_the_library() {
        for i in 1..200_000 {
            for scale in [1e-5, 1e-3, 1e7, 1e150, 1e-290] {
                let x = f64::from(i) * scale;
                let (ours, theirs) = (ln(x), x.ln());
                let off = (ours - theirs).abs();
                assert!(
                    off <= 4.0 * f64::EPSILON * theirs.abs().max(0.1),
                    "{x}: {ours} against {theirs}"
                );
            }
        }
        assert_eq!(ln(1.0), 0.0);
    }

    #[test]
    fn agrees_with_the_library() {
        for i in -699_999..699_999 {
            let x = f64::from(i) * 1e-3 + 1.7e-7;
            let (ours, theirs) = (exp(x), x.exp());
            assert!(
                (ours - theirs).abs() <= 2.0 * f64::EPSILON * theirs,
                "{x}: {ours} against {theirs}"
            );
        }
        assert_eq!(exp(0.0), 1.0);
        assert!(exp(f64::NAN).is_nan());
        assert_eq!(exp(f64::INFINITY), exp(700.0));
    }
}
