//! Addresses that go out with a notice: of its vessel's page, and signed ones by which it is
//! answered without signing in.
//!
//! A signature is HMAC-SHA256 (RFC 2104, FIPS 180-4) over which notice, which answer and until when,
//! with a key that is made once and kept in the settings. Whoever has such an address can give that one
//! answer until then, and nothing else.

use ebbmark_core::ids::{NoticeId, VesselId};
use ebbmark_core::notice::again::Reply;
use ebbmark_core::time::{Moment, Span};
use ebbmark_store::model::Notice;
use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;

use crate::auth::token;

/// Setting under which the key is kept.
pub const KEY_SETTING: &str = "notice-key";

/// How long an address that answers is good.
pub const GOOD_FOR: Span = Span::days(7);

/// A new key, 256 bits, as it is kept.
pub fn new_key() -> String {
    token::long()
}

/// What addresses are made from.
#[derive(Clone, Debug)]
pub struct Links {
    /// Of the page as the maker reaches it, without a slash at the end.
    address: String,
    key: String,
}

impl Links {
    pub fn new(address: &str, key: String) -> Links {
        Links {
            address: address.trim_end_matches('/').to_owned(),
            key,
        }
    }

    pub fn vessel(&self, vessel: VesselId) -> String {
        format!("{}/vessel/{vessel}", self.address)
    }

    pub fn notices(&self) -> String {
        format!("{}/notices", self.address)
    }

    /// Answers the notice; sent at that moment.
    pub fn reply(&self, notice: &Notice, reply: Reply, sent: Moment) -> String {
        let until = sent + GOOD_FOR;
        let sign = sign(&self.key, notice, reply, until);
        format!(
            "{}/answer/{}/{}?until={}&sign={sign}",
            self.address,
            notice.id,
            reply.key(),
            until.0
        )
    }
}

/// What stands in such an address.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Given<'a> {
    pub reply: Reply,
    pub until: Moment,
    pub sign: &'a str,
}

/// Whether it is as we made it; how old it is is another question.
pub(crate) fn is_ours(key: &str, notice: &Notice, given: Given) -> bool {
    // Compared in constant time.
    decode(given.sign).is_some_and(|sign| {
        mac(key, notice, given.reply, given.until)
            .verify_slice(&sign)
            .is_ok()
    })
}

fn sign(key: &str, notice: &Notice, reply: Reply, until: Moment) -> String {
    let bytes = mac(key, notice, reply, until).finalize().into_bytes();
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

fn mac(key: &str, notice: &Notice, reply: Reply, until: Moment) -> Hmac<Sha256> {
    let mut mac =
        Hmac::<Sha256>::new_from_slice(key.as_bytes()).expect("a key of any length is taken");
    let NoticeId(id) = notice.id;
    // None of the parts can hold a space. The time keeps it apart from the same number in another
    // database under the same key.
    let said = format!("answer {id} {} {} {}", notice.at.0, reply.key(), until.0);
    mac.update(said.as_bytes());
    mac
}

fn decode(hex: &str) -> Option<[u8; 32]> {
    let hex = hex.as_bytes();
    if hex.len() != 64 || !hex.iter().all(u8::is_ascii_hexdigit) {
        return None;
    }
    let mut bytes = [0; 32];
    for (byte, pair) in bytes.iter_mut().zip(hex.chunks(2)) {
        *byte = u8::from_str_radix(std::str::from_utf8(pair).ok()?, 16).ok()?;
    }
    Some(bytes)
}

#[cfg(test)]
mod tests {
    use ebbmark_core::notice::NoticeKind;

    use super::*;

    const SENT: Moment = Moment(1_795_600_000_000);

    fn notice() -> Notice {
        Notice {
            id: NoticeId(7),
            kind: NoticeKind::Restarted,
            key: "restarted:1".into(),
            vessel: None,
            at: SENT,
            title: String::new(),
            body: String::new(),
            cleared: None,
            pressing: false,
            seen: None,
            again: None,
            times: 0,
            deliveries: Vec::new(),
        }
    }

    /// Test case 2 of RFC 4231, section 4.3.
    #[test]
    fn the_signature_is_hmac_sha_256() {
        let mut mac = Hmac::<Sha256>::new_from_slice(b"Jefe").unwrap();
        mac.update(b"what do ya want for nothing?");
        let sign = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843";
        assert!(mac.verify_slice(&decode(sign).unwrap()).is_ok());
    }

    #[test]
    fn nothing_in_an_address_can_be_changed() {
        let links = Links::new("https://cellar.example/", "key".into());
        let address = links.reply(&notice(), Reply::Seen, SENT);
        let (path, sign) = address.rsplit_once("&sign=").unwrap();
        let until = SENT + Span::days(7);
        assert_eq!(
            path,
            format!("https://cellar.example/answer/7/seen?until={}", until.0)
        );
        let given = Given {
            reply: Reply::Seen,
            until,
            sign,
        };
        assert!(is_ours("key", &notice(), given));
        assert!(!is_ours("other", &notice(), given));
        let other = Notice {
            id: NoticeId(8),
            ..notice()
        };
        let earlier = Notice {
            at: SENT - Span::days(1),
            ..notice()
        };
        assert!(!is_ours("key", &other, given) && !is_ours("key", &earlier, given));
        for reply in [Reply::InFourHours, Reply::Tomorrow] {
            assert!(!is_ours("key", &notice(), Given { reply, ..given }));
        }
        let until = until + Span(1);
        assert!(!is_ours("key", &notice(), Given { until, ..given }));
        let flipped = format!(
            "{}{}",
            if sign.starts_with('0') { '1' } else { '0' },
            &sign[1..]
        );
        for sign in [
            "",
            "00",
            flipped.as_str(),
            &sign[..63],
            &"g".repeat(64),
            &"é".repeat(32),
        ] {
            assert!(
                !is_ours("key", &notice(), Given { sign, ..given }),
                "{sign}"
            );
        }
    }
}
