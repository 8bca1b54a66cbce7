//! Every target over what is kept of it, and over changed copies: for a moment, always the same
//! ones. The long form is `tests/fuzz/run`.

use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use ebbmark_fuzz::ALL;

/// What is worth putting in anywhere.
const TELLING: [&[u8]; 16] = [
    b"\0",
    b"\xff\xff\xff\xff",
    b"\x80",
    b"\x7f",
    b"-1",
    b"1e308",
    b"NaN",
    b"[[[[",
    b"{\"",
    b"\"",
    b"\r\n",
    b"\xf0\x9f\x8d\xaf",
    b"\xed\xa0\x80",
    b"%00",
    b"9223372036854775807",
    b"9999-12-31T23:59:59Z",
];
const LONGEST: usize = 4096;

/// Marsaglia's xorshift: the same numbers in every run.
struct Dice(u64);

impl Dice {
    fn roll(&mut self, below: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        usize::try_from(self.0 % (below.max(1) as u64)).unwrap_or_default()
    }
}

/// A copy with some bytes other, gone, doubled, or from elsewhere.
fn changed(dice: &mut Dice, kept: &[Vec<u8>]) -> Vec<u8> {
    let mut copy = kept[dice.roll(kept.len())].clone();
    for _ in 0..=dice.roll(4) {
        let at = dice.roll(copy.len());
        let end = (at + 1 + dice.roll(16)).min(copy.len());
        match dice.roll(6) {
            0 if !copy.is_empty() => copy[at] ^= 1 << dice.roll(8),
            1 if !copy.is_empty() => copy[at] = dice.roll(256) as u8,
            2 if at < end => drop(copy.drain(at..end)),
            3 if at < end => {
                let piece = copy[at..end].to_vec();
                copy.splice(at..at, piece);
            }
            4 => {
                let piece = TELLING[dice.roll(TELLING.len())];
                copy.splice(at..at, piece.iter().copied());
            }
            _ => {
                let other = &kept[dice.roll(kept.len())];
                let from = dice.roll(other.len());
                copy.truncate(at);
                copy.extend(&other[from..]);
            }
        }
    }
    copy.truncate(LONGEST);
    copy
}

fn holds(target: fn(&[u8]), name: &str, input: &[u8]) {
    if catch_unwind(AssertUnwindSafe(|| target(input))).is_err() {
        panic!("{name} does not hold for \"{}\"", input.escape_ascii());
    }
}

fn short(name: &str, changes: usize) {
    let (_, target) = ALL
        .into_iter()
        .find(|(known, _)| *known == name)
        .expect("a target of that name");
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("corpus")
        .join(name);
    let mut files: Vec<_> = fs::read_dir(&folder)
        .expect("what is kept of it")
        .map(|entry| entry.expect("a file").path())
        .collect();
    files.sort();
    let kept: Vec<Vec<u8>> = files.iter().map(|f| fs::read(f).expect("a file")).collect();
    assert!(kept.len() > 2, "{} hold next to nothing", folder.display());
    for input in &kept {
        holds(target, name, input);
    }
    let mut dice = Dice(0x9e37_79b9_7f4a_7c15);
    for _ in 0..changes {
        holds(target, name, &changed(&mut dice, &kept));
    }
}

#[test]
fn config() {
    short("config", 3000);
}

#[test]
fn csv() {
    short("csv", 3000);
}

#[test]
fn decode() {
    short("decode", 5000);
}

#[test]
fn http() {
    short("http", 300);
}

#[test]
fn line() {
    short("line", 5000);
}

#[test]
fn mqtt() {
    short("mqtt", 2000);
}

#[test]
fn reckon() {
    short("reckon", 2000);
}
