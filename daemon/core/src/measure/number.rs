//! A number with an optional unit, as people type it.

/// Splits "1,052 SG" into 1.052 and "sg".
///
/// # Errors
/// What is wrong with it, to follow the field's name.
pub fn split(text: &str) -> Result<(f64, String), String> {
    let end = text
        .find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | ',' | '-' | '+' | '\u{2212}')))
        .unwrap_or(text.len());
    let (digits, unit) = text.split_at(end);
    if digits.contains('.') && digits.contains(',') {
        return Err(format!(
            "\"{text}\" has both a point and a comma; write the number with one of them"
        ));
    }
    let plain = digits.replace(',', ".").replace('\u{2212}', "-");
    let number: f64 = plain
        .parse()
        .map_err(|_| format!("\"{text}\" is not a number"))?;
    let unit = unit
        .chars()
        .filter(|c| !c.is_whitespace() && *c != '°' && *c != '.')
        .flat_map(char::to_lowercase)
        .collect();
    Ok((number, unit))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn comma_point_and_unit() {
        assert_eq!(split("1.052"), Ok((1.052, String::new())));
        assert_eq!(split("1,052"), Ok((1.052, String::new())));
        assert_eq!(split("12,9 °Plato"), Ok((12.9, "plato".to_owned())));
        assert_eq!(split("−2 °C"), Ok((-2.0, "c".to_owned())));
        assert_eq!(split("5 US gal."), Ok((5.0, "usgal".to_owned())));
    }

    #[test]
    fn what_cannot_be_read_is_said() {
        assert!(
            split("1,052.3")
                .unwrap_err()
                .contains("both a point and a comma")
        );
        assert_eq!(split("heavy").unwrap_err(), "\"heavy\" is not a number");
        assert!(split("").is_err());
        assert!(
            split("1e9").is_ok_and(|(_, unit)| unit == "e9"),
            "then refused as a unit"
        );
        assert!(split("NaN").is_err());
    }
}
