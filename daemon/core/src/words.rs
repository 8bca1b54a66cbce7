//! Words a person or a device sends along, as they are kept.

/// Of a vessel, a mead, a yeast, a honey, something that was put in.
pub const LONGEST_NAME: usize = 80;
/// Of a note, or the reason why a gate was passed over.
pub const LONGEST_NOTE: usize = 500;

/// Without control characters other than line ends, which would only upset a terminal or a mail.
///
/// # Errors
/// What is wrong, to follow the field's name: more than `most` characters.
pub fn kept(text: &str, most: usize) -> Result<String, String> {
    if text.chars().count() > most {
        return Err(format!("at most {most} characters"));
    }
    let fit = |c: &char| !c.is_control() || *c == '\n';
    Ok(text.chars().filter(fit).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_words_are_refused_and_control_characters_dropped() {
        assert_eq!(kept("fig\u{7}s\r\n蜂蜜", 80).unwrap(), "figs\n蜂蜜");
        assert_eq!(kept("蜂蜜", 2).unwrap(), "蜂蜜");
        assert_eq!(kept("蜂蜜酒", 2).unwrap_err(), "at most 2 characters");
    }
}
