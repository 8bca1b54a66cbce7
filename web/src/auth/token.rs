//! Random tokens and what is derived from them.

use sha2::{Digest, Sha256};
use subtle::ConstantTimeEq;

/// 256 bits, as 64 hexadecimal digits.
pub(crate) fn long() -> String {
    random::<32>()
}

/// 128 bits: a form's once-token.
pub(crate) fn medium() -> String {
    random::<16>()
}

/// 32 bits: enough to find a request in the log.
pub(crate) fn short() -> String {
    random::<4>()
}

/// "7K3F-2M9Q": 40 bits, enough where guesses are kept slow. Without I, O, 0 and 1.
pub(crate) fn code() -> String {
    const SIGNS: &[u8; 32] = b"23456789ABCDEFGHJKLMNPQRSTUVWXYZ";
    let mut bytes = [0u8; 8];
    getrandom::fill(&mut bytes).expect("the operating system gives random bytes");
    let signs = bytes.map(|b| char::from(SIGNS[usize::from(b) % SIGNS.len()]));
    let (first, second) = signs.split_at(4);
    first.iter().chain(&['-']).chain(second).collect()
}

fn random<const N: usize>() -> String {
    let mut bytes = [0u8; N];
    getrandom::fill(&mut bytes).expect("the operating system gives random bytes");
    hex(&bytes)
}

/// What is stored of a session. The password's hash goes in, so that a new password ends every
/// session made under the old one.
pub(crate) fn session_hash(token: &str, password_hash: &str) -> Vec<u8> {
    digest(&["session", token, password_hash])
}

/// The mark each form of a session carries; a page of another site cannot know it.
pub(crate) fn form_mark(session_token: &str) -> String {
    hex(&digest(&["form", session_token]))
}

/// What is stored of a program's or a sender's token.
pub(crate) fn program_hash(token: &str) -> String {
    hex(&digest(&["program", token]))
}

/// What may be stored of it: tokens made before they had names were hashed by what they were for.
pub(crate) fn program_hashes(token: &str) -> [String; 3] {
    ["program", "intake", "api"].map(|made_for| hex(&digest(&[made_for, token])))
}

/// What is stored of the calendar's key.
pub(crate) fn calendar_hash(key: &str) -> String {
    hex(&digest(&["calendar", key]))
}

pub(crate) fn same(a: &str, b: &str) -> bool {
    a.as_bytes().ct_eq(b.as_bytes()).into()
}

/// Parts are kept apart by their length, so that no two lists of parts hash alike.
fn digest(parts: &[&str]) -> Vec<u8> {
    let mut hash = Sha256::new();
    for part in parts {
        hash.update((part.len() as u64).to_le_bytes());
        hash.update(part.as_bytes());
    }
    hash.finalize().to_vec()
}

/// As lower-case digits.
pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

/// What [`hex`] wrote.
pub(crate) fn from_hex(text: &str) -> Option<Vec<u8>> {
    let digits: Option<Vec<u8>> = text
        .chars()
        .map(|c| c.to_digit(16).and_then(|d| u8::try_from(d).ok()))
        .collect();
    let (pairs, []) = digits.as_ref()?.as_chunks::<2>() else {
        return None;
    };
    Some(pairs.iter().map(|[high, low]| high << 4 | low).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tokens_differ_and_have_their_length() {
        assert_eq!(long().len(), 64);
        assert_ne!(long(), long());
        assert_ne!(medium(), medium());
    }

    #[test]
    fn a_new_password_makes_an_old_session_unknown() {
        assert_ne!(session_hash("t", "old"), session_hash("t", "new"));
        assert_ne!(form_mark("t"), form_mark("u"));
        assert_ne!(digest(&["ab", "c"]), digest(&["a", "bc"]));
    }

    #[test]
    fn digits_there_and_back() {
        assert_eq!(from_hex(&hex(&[0, 15, 255])), Some(vec![0, 15, 255]));
        assert_eq!(from_hex("abc"), None);
        assert_eq!(from_hex("xy"), None);
    }

    #[test]
    fn comparison() {
        assert!(same("abc", "abc"));
        assert!(!same("abc", "abd"));
        assert!(!same("abc", "abcd"));
    }
}
