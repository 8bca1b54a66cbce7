//! Numbers and lists as bytes.
//!
//! Whole numbers take as many bytes as they need, seven bits in each (LEB128, as in DWARF 5, section
//! 7.6); a signed one is folded first, so that small ones of either sign are short. Rows of numbers
//! are written as differences. What is written is deflated (RFC 1951) where that makes it smaller.

use miniz_oxide::deflate::compress_to_vec;
use miniz_oxide::inflate::decompress_to_vec_with_limit;

use super::Unreadable;

/// The first byte of everything packed: how the rest lies there.
const PLAIN: u8 = 1;
const DEFLATED: u8 = 2;
/// Beyond this little more is gained, and a small board has to do it.
const EFFORT: u8 = 6;
/// Most bytes one packed value unfolds to: far more than is ever put into one.
const MOST: usize = 64 << 20;

#[derive(Default)]
pub struct Sink(Vec<u8>);

impl Sink {
    pub fn byte(&mut self, byte: u8) {
        self.0.push(byte);
    }

    pub fn raw(&mut self, bytes: &[u8]) {
        self.0.extend_from_slice(bytes);
    }

    pub fn whole(&mut self, mut n: u64) {
        while n >= 0x80 {
            self.0.push((n & 0x7f) as u8 | 0x80);
            n >>= 7;
        }
        self.0.push(n as u8);
    }

    pub fn signed(&mut self, n: i64) {
        self.whole(((n << 1) ^ (n >> 63)).cast_unsigned());
    }

    /// Each as its distance from the one before.
    pub fn steps(&mut self, all: impl Iterator<Item = i64>) {
        let mut before = 0_i64;
        for n in all {
            self.signed(n.wrapping_sub(before));
            before = n;
        }
    }

    /// Each as how much its step differs from the step before: what comes evenly takes one byte.
    pub fn even_steps(&mut self, all: impl Iterator<Item = i64>) {
        let (mut before, mut step) = (0_i64, 0_i64);
        for n in all {
            let now = n.wrapping_sub(before);
            self.signed(now.wrapping_sub(step));
            (before, step) = (n, now);
        }
    }

    /// Eight to a byte.
    pub fn flags(&mut self, all: impl Iterator<Item = bool>) {
        let all: Vec<bool> = all.collect();
        for eight in all.chunks(8) {
            let bits = eight.iter().enumerate();
            self.byte(bits.fold(0, |byte, (n, set)| byte | (u8::from(*set) << n)));
        }
    }

    pub fn close(self) -> Vec<u8> {
        let deflated = compress_to_vec(&self.0, EFFORT);
        let (form, body) = if deflated.len() < self.0.len() {
            (DEFLATED, deflated)
        } else {
            (PLAIN, self.0)
        };
        let mut packed = Vec::with_capacity(body.len() + 1);
        packed.push(form);
        packed.extend_from_slice(&body);
        packed
    }
}

type Read<T> = Result<T, Unreadable>;

/// What [`Sink::close`] gave, unfolded.
pub fn open(packed: &[u8]) -> Read<Vec<u8>> {
    match packed.split_first() {
        Some((&PLAIN, body)) => Ok(body.to_vec()),
        Some((&DEFLATED, body)) => {
            decompress_to_vec_with_limit(body, MOST).map_err(|_| Unreadable("not deflated"))
        }
        Some(_) => Err(Unreadable("of a form that is not known here")),
        None => Err(Unreadable("empty")),
    }
}

pub struct Source<'a>(pub &'a [u8]);

impl<'a> Source<'a> {
    pub fn byte(&mut self) -> Read<u8> {
        let (first, rest) = self.0.split_first().ok_or(Unreadable("cut short"))?;
        self.0 = rest;
        Ok(*first)
    }

    pub fn raw(&mut self, length: usize) -> Read<&'a [u8]> {
        let (bytes, rest) = self
            .0
            .split_at_checked(length)
            .ok_or(Unreadable("cut short"))?;
        self.0 = rest;
        Ok(bytes)
    }

    pub fn whole(&mut self) -> Read<u64> {
        let mut n = 0;
        for shift in (0..64).step_by(7) {
            let byte = self.byte()?;
            let bits = u64::from(byte & 0x7f);
            if shift == 63 && bits > 1 {
                break;
            }
            n |= bits << shift;
            if byte & 0x80 == 0 {
                return Ok(n);
            }
        }
        Err(Unreadable("a number too large"))
    }

    pub fn signed(&mut self) -> Read<i64> {
        let n = self.whole()?;
        Ok((n >> 1).cast_signed() ^ -(n & 1).cast_signed())
    }

    /// How many of something follow, each of which takes at least a bit.
    pub fn count(&mut self) -> Read<usize> {
        let n = usize::try_from(self.whole()?).map_err(|_| Unreadable("too many"))?;
        if n / 8 > self.0.len() {
            return Err(Unreadable("more than there is room for"));
        }
        Ok(n)
    }

    pub fn steps(&mut self, n: usize) -> Read<Vec<i64>> {
        let mut before = 0_i64;
        (0..n)
            .map(|_| {
                before = before.wrapping_add(self.signed()?);
                Ok(before)
            })
            .collect()
    }

    pub fn even_steps(&mut self, n: usize) -> Read<Vec<i64>> {
        let (mut before, mut step) = (0_i64, 0_i64);
        (0..n)
            .map(|_| {
                step = step.wrapping_add(self.signed()?);
                before = before.wrapping_add(step);
                Ok(before)
            })
            .collect()
    }

    pub fn flags(&mut self, n: usize) -> Read<Vec<bool>> {
        let bytes = self.raw(n.div_ceil(8))?;
        let set = |n: usize| bytes.get(n / 8).is_some_and(|b| b >> (n % 8) & 1 == 1);
        Ok((0..n).map(set).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn numbers_as_the_standard_writes_them() {
        // DWARF 5, table 7.7 (section 7.6): examples of unsigned LEB128.
        for (n, bytes) in [
            (2_u64, &[2_u8][..]),
            (127, &[127]),
            (128, &[0x80, 1]),
            (129, &[0x81, 1]),
            (12_857, &[0xb9, 0x64]),
        ] {
            let mut sink = Sink::default();
            sink.whole(n);
            assert_eq!(sink.0, bytes, "{n}");
            assert_eq!(Source(bytes).whole().unwrap(), n);
        }
    }

    proptest! {
        #[test]
        fn numbers_come_back(all in proptest::collection::vec(any::<i64>(), 0..40)) {
            let mut sink = Sink::default();
            sink.steps(all.iter().copied());
            sink.even_steps(all.iter().copied());
            sink.flags(all.iter().map(|n| n % 2 == 0));
            let body = open(&sink.close()).unwrap();
            let mut source = Source(&body);
            prop_assert_eq!(source.steps(all.len()).unwrap(), all.clone());
            prop_assert_eq!(source.even_steps(all.len()).unwrap(), all.clone());
            let even: Vec<bool> = all.iter().map(|n| n % 2 == 0).collect();
            prop_assert_eq!(source.flags(all.len()).unwrap(), even);
            prop_assert!(source.0.is_empty());
        }

        #[test]
        fn nonsense_is_refused_and_no_panic(bytes in proptest::collection::vec(any::<u8>(), 0..80)) {
            let _ = open(&bytes);
            let mut source = Source(&bytes);
            let n = source.count().unwrap_or(0);
            let _ = source.steps(n);
            let _ = source.flags(n);
        }
    }
}
