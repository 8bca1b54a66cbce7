//! Sharing out a vessel: racking loss, other vessels, bottles and kegs, and what is left.
//!
//! Litres at 20 °C of one and the same liquid, so volumes subtract exactly; strength and gravity
//! stay what they are. A glass or a keg filled in a cold cellar holds 0.2 % more of it at 10 °C
//! than at 20 °C, which is let pass.

use crate::units::{Count, Litres};

/// Something it is filled into.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Container {
    /// What goes into one.
    pub each: Litres,
    /// How many there are; as many as get full when not said.
    pub how_many: Option<Count>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Filled {
    pub full: Count,
    /// In one more that does not get full; zero when none is begun.
    pub rest: Litres,
    pub left: Litres,
}

#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ShareError {
    #[error("a loss of {loss:.2} L is more than the {there:.2} L there are")]
    LossTooLarge { loss: f64, there: f64 },
    #[error("nothing goes into it")]
    NoSize,
}

/// What is left after lees and spillage.
///
/// # Errors
/// More than there is.
pub fn after_loss(there: Litres, loss: Litres) -> Result<Litres, ShareError> {
    let (there, loss) = (there.get(), loss.get());
    if loss > there {
        return Err(ShareError::LossTooLarge { loss, there });
    }
    Ok(Litres::computed(there - loss))
}

/// Fills one kind after the other, in order. With a number given, the last of them takes what is
/// left and may stay part full; without one, only full ones are counted.
///
/// # Errors
/// A size of nothing.
pub fn fill(there: Litres, kinds: &[Container]) -> Result<Vec<Filled>, ShareError> {
    let mut left = there.get();
    let mut out = Vec::new();
    for kind in kinds {
        let each = kind.each.get();
        if each <= 0.0 {
            return Err(ShareError::NoSize);
        }
        // A rounding short of a full one is a full one.
        let fit = (left / each + 1e-9).floor();
        let full = kind.how_many.map_or(fit, |n| n.get().floor().min(fit));
        left = (left - full * each).max(0.0);
        let begun = kind.how_many.is_some_and(|n| n.get() >= full + 1.0);
        let rest = if begun { left.min(each) } else { 0.0 };
        left -= rest;
        out.push(Filled {
            full: Count::computed(full),
            rest: Litres::computed(rest),
            left: Litres::computed(left),
        });
    }
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn l(v: f64) -> Litres {
        Litres::new(v).unwrap()
    }

    fn into(each: f64, how_many: Option<f64>) -> Container {
        Container {
            each: l(each),
            how_many: how_many.map(|n| Count::new(n).unwrap()),
        }
    }

    #[test]
    fn vessel_kegs_and_bottles() {
        let there = after_loss(l(50.0), l(1.5)).unwrap();
        let filled = fill(
            there,
            &[
                into(20.0, Some(1.0)),
                into(18.5, Some(1.0)),
                into(0.75, None),
            ],
        )
        .unwrap();
        let full: Vec<f64> = filled.iter().map(|f| f.full.get()).collect();
        assert_eq!(full, [1.0, 1.0, 13.0]);
        assert!((filled[2].left.get() - 0.25).abs() < 1e-9);
    }

    #[test]
    fn the_last_vessel_stays_part_full() {
        let filled = fill(l(15.0), &[into(10.0, Some(3.0)), into(0.5, None)]).unwrap();
        assert_eq!(
            (
                filled[0].full.get(),
                filled[0].rest.get(),
                filled[0].left.get()
            ),
            (1.0, 5.0, 0.0)
        );
        assert_eq!(filled[1].full.get(), 0.0);
    }

    #[test]
    fn thirty_bottles_are_thirty() {
        // 30 · 0.7 is a last bit below 21.
        assert_eq!(
            fill(l(30.0 * 0.7), &[into(0.7, None)]).unwrap()[0]
                .full
                .get(),
            30.0
        );
    }

    #[test]
    fn the_impossible_is_said() {
        assert_eq!(
            after_loss(l(5.0), l(6.0)).unwrap_err().to_string(),
            "a loss of 6.00 L is more than the 5.00 L there are"
        );
        assert_eq!(fill(l(5.0), &[into(0.0, None)]), Err(ShareError::NoSize));
    }
}
