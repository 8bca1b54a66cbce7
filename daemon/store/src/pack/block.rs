//! An hour of one feed's readings: column beside column, each in the shortest form that gives its
//! values back to the last bit.
//!
//! A sensor says decimals: 1.0423 is the 10423 of its column where that has four of them, and a
//! column of small whole numbers, written as differences, takes a byte a value. A column in which
//! one value is no such decimal (reckoned from a tilt, say) keeps the eight bytes of each.

use super::Unreadable;
use super::bytes::{Sink, Source, open};
use crate::rows::Values;

/// One reading as it is kept.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Single {
    pub at: i64,
    /// The payload it came from; `None` for an imported one, which no re-reading touches.
    pub raw: Option<i64>,
    pub values: Values,
}

/// How a column lies there.
const NONE: u8 = 0;
const ALL: u8 = 1;
const SOME: u8 = 2;
/// Instead of a number of decimals.
const AS_THEY_ARE: u8 = 255;
/// Powers of ten up to this one are whole, and what is divided by them is rounded once.
const MOST_DECIMALS: u8 = 12;
/// Whole numbers below are kept exactly by an f64.
const EXACT: f64 = 9_007_199_254_740_992.0;

pub fn pack(readings: &[Single]) -> Vec<u8> {
    let mut sink = Sink::default();
    sink.whole(readings.len() as u64);
    sink.even_steps(readings.iter().map(|r| r.at));
    sink.steps(readings.iter().map(|r| r.values.kinds));
    let raws: Vec<Option<i64>> = readings.iter().map(|r| r.raw).collect();
    let raws = given(&mut sink, &raws);
    sink.steps(raws.into_iter());
    for column in COLUMNS {
        let values: Vec<Option<f64>> = readings.iter().map(|r| *column(&r.values)).collect();
        let values = given(&mut sink, &values);
        numbers(&mut sink, &values);
    }
    sink.close()
}

pub fn unpack(packed: &[u8]) -> Result<Vec<Single>, Unreadable> {
    let body = open(packed)?;
    let mut source = Source(&body);
    let n = source.count()?;
    let instants = source.even_steps(n)?;
    let kinds = source.steps(n)?;
    let given = places(&mut source, n)?;
    let mut raws = source.steps(count(&given))?.into_iter();
    let mut readings: Vec<Single> = instants
        .into_iter()
        .zip(kinds)
        .zip(given)
        .map(|((at, kinds), given)| Single {
            at,
            raw: if given { raws.next() } else { None },
            values: Values {
                kinds,
                ..Values::default()
            },
        })
        .collect();
    for column in COLUMNS_MUT {
        let given = places(&mut source, n)?;
        let mut values = read_numbers(&mut source, count(&given))?.into_iter();
        for (reading, given) in readings.iter_mut().zip(given) {
            *column(&mut reading.values) = if given { values.next() } else { None };
        }
    }
    Ok(readings)
}

const COLUMNS: [fn(&Values) -> &Option<f64>; 5] = [
    |v| &v.gravity,
    |v| &v.temperature,
    |v| &v.tilt,
    |v| &v.battery,
    |v| &v.signal,
];
const COLUMNS_MUT: [fn(&mut Values) -> &mut Option<f64>; 5] = [
    |v| &mut v.gravity,
    |v| &mut v.temperature,
    |v| &mut v.tilt,
    |v| &mut v.battery,
    |v| &mut v.signal,
];

/// Says which places of a column are filled, and gives what fills them.
pub(super) fn given<T: Copy>(sink: &mut Sink, column: &[Option<T>]) -> Vec<T> {
    let values: Vec<T> = column.iter().copied().flatten().collect();
    if values.is_empty() {
        sink.byte(NONE);
    } else if values.len() == column.len() {
        sink.byte(ALL);
    } else {
        sink.byte(SOME);
        sink.flags(column.iter().map(Option::is_some));
    }
    values
}

pub(super) fn places(source: &mut Source<'_>, n: usize) -> Result<Vec<bool>, Unreadable> {
    match source.byte()? {
        NONE => Ok(vec![false; n]),
        ALL => Ok(vec![true; n]),
        SOME => source.flags(n),
        _ => Err(Unreadable("a column of a form that is not known here")),
    }
}

pub(super) fn count(given: &[bool]) -> usize {
    given.iter().filter(|g| **g).count()
}

fn numbers(sink: &mut Sink, values: &[f64]) {
    if values.is_empty() {
        return;
    }
    for decimals in 0..=MOST_DECIMALS {
        let whole: Option<Vec<i64>> = values.iter().map(|v| scaled(*v, decimals)).collect();
        if let Some(whole) = whole {
            sink.byte(decimals);
            sink.steps(whole.into_iter());
            return;
        }
    }
    sink.byte(AS_THEY_ARE);
    // First bytes first: those of neighbours are alike, and lie together so.
    for place in 0..8 {
        for value in values {
            sink.byte(value.to_be_bytes()[place]);
        }
    }
}

fn read_numbers(source: &mut Source<'_>, n: usize) -> Result<Vec<f64>, Unreadable> {
    if n == 0 {
        return Ok(Vec::new());
    }
    match source.byte()? {
        AS_THEY_ARE => {
            let bytes = source.raw(n.checked_mul(8).ok_or(Unreadable("too many"))?)?;
            let value =
                |i: usize| f64::from_be_bytes(std::array::from_fn(|place| bytes[place * n + i]));
            Ok((0..n).map(value).collect())
        }
        decimals @ 0..=MOST_DECIMALS => {
            let by = power(decimals);
            let whole = source.steps(n)?;
            Ok(whole.into_iter().map(|w| w as f64 / by).collect())
        }
        _ => Err(Unreadable("numbers of a form that is not known here")),
    }
}

/// The whole number that is this value with so many decimals, if it comes back from it exactly.
fn scaled(value: f64, decimals: u8) -> Option<i64> {
    let by = power(decimals);
    let whole = (value * by).round();
    // Not so of what is no number either.
    if whole.abs() >= EXACT || whole.is_nan() {
        return None;
    }
    let whole = whole as i64;
    // By their bits: -0.0 and 0.0 are equal, and are not the same.
    (whole as f64 / by)
        .to_bits()
        .eq(&value.to_bits())
        .then_some(whole)
}

fn power(decimals: u8) -> f64 {
    10_f64.powi(i32::from(decimals))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    type Bits = (i64, Option<i64>, [Option<u64>; 5], i64);

    /// Equal to the last bit: what is no number is equal to itself here.
    fn bits(readings: &[Single]) -> Vec<Bits> {
        let of = |r: &Single| {
            let columns = COLUMNS.map(|c| c(&r.values).map(f64::to_bits));
            (r.at, r.raw, columns, r.values.kinds)
        };
        readings.iter().map(of).collect()
    }

    fn value() -> impl Strategy<Value = Option<f64>> {
        prop_oneof![
            2 => Just(None),
            4 => (-20_000_i64..20_000, 0_i32..6).prop_map(|(n, d)| Some(n as f64 / 10_f64.powi(d))),
            1 => any::<u64>().prop_map(|bits| Some(f64::from_bits(bits))),
            1 => prop::sample::select(vec![
                0.0, -0.0, f64::NAN, f64::INFINITY, f64::MIN, f64::MIN_POSITIVE, 1.1 / 3.0,
            ])
            .prop_map(Some),
        ]
    }

    fn single() -> impl Strategy<Value = Single> {
        let values = (value(), value(), value(), value(), value(), any::<i64>());
        (any::<i64>(), any::<Option<i64>>(), values).prop_map(
            |(at, raw, (gravity, temperature, tilt, battery, signal, kinds))| Single {
                at,
                raw,
                values: Values {
                    gravity,
                    temperature,
                    tilt,
                    battery,
                    signal,
                    kinds,
                },
            },
        )
    }

    proptest! {
        #[test]
        fn readings_come_back_to_the_last_bit(all in prop::collection::vec(single(), 0..70)) {
            let back = unpack(&pack(&all)).unwrap();
            prop_assert_eq!(bits(&back), bits(&all));
        }

        #[test]
        fn a_damaged_block_is_refused_and_no_panic(
            all in prop::collection::vec(single(), 1..20),
            place in any::<prop::sample::Index>(),
            with in any::<u8>(),
        ) {
            let mut packed = pack(&all);
            let at = place.index(packed.len());
            packed[at] = with;
            let _ = unpack(&packed);
            packed.truncate(at);
            prop_assert!(unpack(&packed).is_err());
        }
    }

    #[test]
    fn an_hour_of_a_float_takes_some_bytes_a_reading() {
        let all: Vec<Single> = (0..60)
            .map(|n: i64| Single {
                at: 1_772_344_800_000 + n * 60_000 + n * 7_919 % 500,
                raw: Some(1_000 + n * 50),
                values: Values {
                    gravity: Some((10_600 - n / 3) as f64 / 10_000.0),
                    temperature: Some((1_800 + n * 31 % 40) as f64 / 100.0),
                    battery: Some(4.1),
                    kinds: 1,
                    ..Values::default()
                },
            })
            .collect();
        let packed = pack(&all);
        assert_eq!(bits(&unpack(&packed).unwrap()), bits(&all));
        assert!(packed.len() < 60 * 8, "{} bytes", packed.len());
    }
}
