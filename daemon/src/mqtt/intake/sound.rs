//! What MQTT asks of a CONNECT and the protocol library does not look at.

/// Whether flags and strings of a CONNECT of level 4 or 5 are as MQTT says. Of another level, or
/// broken off, it is for the library to refuse.
pub fn connect(frame: &[u8], body_at: usize) -> bool {
    let mut rest = Rest(frame.get(body_at..).unwrap_or_default());
    read(&mut rest).unwrap_or(true)
}

/// `None` where it breaks off.
fn read(rest: &mut Rest<'_>) -> Option<bool> {
    let name = rest.field()?;
    let [level, flags, _, _] = *rest.take(4)? else {
        return None;
    };
    if name != b"MQTT" || !matches!(level, 4 | 5) {
        return Some(true);
    }
    if !flags_agree(level, flags) {
        return Some(false);
    }
    let v5 = level == 5;
    if v5 {
        rest.properties()?;
    }
    let mut is_text = is_text(rest.field()?);
    if flags & WILL != 0 {
        if v5 {
            rest.properties()?;
        }
        let topic = rest.field()?;
        // [MQTT-4.7.3-1]: no topic is empty.
        is_text &= self::is_text(topic) && !topic.is_empty();
        rest.field()?;
    }
    if flags & USER != 0 {
        is_text &= self::is_text(rest.field()?);
    }
    if flags & PASSWORD != 0 {
        rest.field()?;
    }
    Some(is_text && rest.0.is_empty())
}

const RESERVED: u8 = 0x01;
const WILL: u8 = 0x04;
const WILL_QOS: u8 = 0x18;
const WILL_RETAIN: u8 = 0x20;
const PASSWORD: u8 = 0x40;
const USER: u8 = 0x80;

fn flags_agree(level: u8, flags: u8) -> bool {
    let is = |flag: u8| flags & flag != 0;
    // MQTT 5 allows a password by itself.
    let password_has_user = level == 5 || is(USER) || !is(PASSWORD);
    let will_is_whole = is(WILL) || !is(WILL_QOS) && !is(WILL_RETAIN);
    !is(RESERVED) && password_has_user && will_is_whole && flags & WILL_QOS != WILL_QOS
}

fn is_text(bytes: &[u8]) -> bool {
    std::str::from_utf8(bytes).is_ok_and(|text| !text.contains('\0'))
}

struct Rest<'a>(&'a [u8]);

impl<'a> Rest<'a> {
    fn take(&mut self, bytes: usize) -> Option<&'a [u8]> {
        let (taken, rest) = self.0.split_at_checked(bytes)?;
        self.0 = rest;
        Some(taken)
    }

    /// Two bytes of length, and so many bytes.
    fn field(&mut self) -> Option<&'a [u8]> {
        let [high, low] = *self.take(2)? else {
            return None;
        };
        self.take(u16::from_be_bytes([high, low]).into())
    }

    /// A length of up to four bytes, and so many bytes.
    fn properties(&mut self) -> Option<()> {
        let mut length = 0usize;
        for at in 0..4 {
            let [byte] = *self.take(1)? else {
                return None;
            };
            length |= usize::from(byte & 0x7f) << (7 * at);
            if byte & 0x80 == 0 {
                return self.take(length).map(drop);
            }
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn v4(flags: u8, payload: &[u8]) -> Vec<u8> {
        let start = [0, 4, b'M', b'Q', b'T', b'T', 4, flags, 0, 0];
        [&start[..], payload].concat()
    }

    // Statements of MQTT 3.1.1; tests/mqtt/normative.rs says where their numbers are from.
    #[test]
    fn flags() {
        let id = b"\0\x01a";
        assert!(connect(&v4(0x02, id), 0));
        // [MQTT-3.1.2-3], [MQTT-3.1.2-13], [MQTT-3.1.2-15], [MQTT-3.1.2-14], [MQTT-3.1.2-22].
        for flags in [0x03, 0x0A, 0x22, 0x1E, 0x42] {
            assert!(!connect(&v4(flags, id), 0), "{flags:02x}");
        }
        let mut v5 = v4(0x42, b"\0\0\x01a\0\x01p");
        v5[6] = 5;
        assert!(connect(&v5, 0), "MQTT 5 takes a password by itself");
    }

    #[test]
    fn strings() {
        assert!(connect(&v4(0xC2, b"\0\x01a\0\x01u\0\x03p\0\xff"), 0));
        // [MQTT-1.5.3-2] in client id, will topic and user; bytes nobody spoke of.
        for (flags, payload) in [
            (0x02, &b"\0\x02a\0"[..]),
            (0x06, b"\0\x01a\0\x01\0\0\0"),
            (0xC2, b"\0\x01a\0\x01\0\0\x01p"),
            (0x02, b"\0\x01a\0\x01u"),
            (0x06, b"\0\x01a\0\0\0\0"),
        ] {
            assert!(!connect(&v4(flags, payload), 0), "{payload:02x?}");
        }
    }

    #[test]
    fn what_breaks_off_is_left_to_the_library() {
        let whole = v4(0xC6, b"\0\x01a\0\x01t\0\x01w\0\x01u\0\x01p");
        assert!(connect(&whole, 0));
        assert!((0..whole.len()).all(|end| connect(&whole[..end], 0)));
    }
}
