//! Payloads of one topic, as they came, one after the other: a float says nearly the same each time.
//!
//! What only counts while the time of arrival is not known (the run, its monotonic clock) is not
//! among it: a payload that waits for its time is not packed.

use super::Unreadable;
use super::block::{count, given, places};
use super::bytes::{Sink, Source, open};

/// One payload as it is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Kept {
    pub id: i64,
    pub wall: i64,
    /// Peer and packet id of an MQTT delivery in one number.
    pub delivery: Option<i64>,
    pub retained: bool,
    pub payload: Vec<u8>,
}

/// In order of their numbers.
pub fn pack(payloads: &[Kept]) -> Vec<u8> {
    let mut sink = Sink::default();
    sink.whole(payloads.len() as u64);
    sink.even_steps(payloads.iter().map(|p| p.id));
    sink.even_steps(payloads.iter().map(|p| p.wall));
    let deliveries: Vec<Option<i64>> = payloads.iter().map(|p| p.delivery).collect();
    let deliveries = given(&mut sink, &deliveries);
    sink.steps(deliveries.into_iter());
    sink.flags(payloads.iter().map(|p| p.retained));
    sink.steps(payloads.iter().map(|p| p.payload.len() as i64));
    for p in payloads {
        sink.raw(&p.payload);
    }
    sink.close()
}

pub fn unpack(packed: &[u8]) -> Result<Vec<Kept>, Unreadable> {
    let body = open(packed)?;
    let mut source = Source(&body);
    let n = source.count()?;
    let ids = source.even_steps(n)?;
    let walls = source.even_steps(n)?;
    let told = places(&mut source, n)?;
    let mut deliveries = source.steps(count(&told))?.into_iter();
    let retained = source.flags(n)?;
    let lengths = source.steps(n)?;
    let mut payloads = Vec::with_capacity(n);
    for (((id, wall), told), (retained, length)) in ids
        .into_iter()
        .zip(walls)
        .zip(told)
        .zip(retained.into_iter().zip(lengths))
    {
        let length = usize::try_from(length).map_err(|_| Unreadable("a length below nothing"))?;
        payloads.push(Kept {
            id,
            wall,
            delivery: if told { deliveries.next() } else { None },
            retained,
            payload: source.raw(length)?.to_vec(),
        });
    }
    Ok(payloads)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn kept() -> impl Strategy<Value = Kept> {
        let payload = prop::collection::vec(any::<u8>(), 0..50);
        (
            any::<i64>(),
            any::<i64>(),
            any::<Option<i64>>(),
            any::<bool>(),
            payload,
        )
            .prop_map(|(id, wall, delivery, retained, payload)| Kept {
                id,
                wall,
                delivery,
                retained,
                payload,
            })
    }

    proptest! {
        #[test]
        fn payloads_come_back_as_they_came(all in prop::collection::vec(kept(), 0..40)) {
            prop_assert_eq!(unpack(&pack(&all)).unwrap(), all);
        }

        #[test]
        fn a_damaged_bundle_is_refused_and_no_panic(
            all in prop::collection::vec(kept(), 1..10),
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
}
