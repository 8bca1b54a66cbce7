//! The body and the headers of a webhook: text with `{{title}}` and its kin, filled in for each notice.

use std::fmt::Write;

use super::letter::{Letter, one_line};
use super::secrets::{Hidden, Secrets};

/// A body that has been looked through: every placeholder in it is known.
#[derive(Clone, Debug, PartialEq)]
pub struct Template(Vec<Part>);

#[derive(Clone, Debug, PartialEq)]
enum Part {
    Text(String),
    Field(Field),
    Secret(Hidden),
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Field {
    Title,
    Body,
    Vessel,
    Kind,
    At,
    Gravity,
    Link,
    Answer,
}

/// What may stand between double braces.
const FIELDS: [(&str, Field); 8] = [
    ("title", Field::Title),
    ("body", Field::Body),
    ("vessel", Field::Vessel),
    ("kind", Field::Kind),
    ("at", Field::At),
    ("gravity", Field::Gravity),
    ("link", Field::Link),
    ("answer", Field::Answer),
];

/// How values are put in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Escape {
    /// Inside the quotes of a JSON string. `{{gravity}}` is a number or `null` and stands without.
    Json,
    /// A field of a form: percent-encoded.
    Form,
    /// One line, for a header.
    Line,
    None,
}

impl Template {
    /// # Errors
    /// A placeholder that is not known, or is not closed; names it.
    pub fn parse(text: &str, secrets: &Secrets) -> Result<Template, String> {
        let mut parts = Vec::new();
        let mut rest = text;
        while let Some((before, after)) = rest.split_once("{{") {
            let (name, after) = after
                .split_once("}}")
                .ok_or_else(|| format!("a placeholder is not closed: \"{{{{{}\"", first(after)))?;
            parts.push(Part::Text(before.to_owned()));
            parts.push(placeholder(name.trim(), secrets)?);
            rest = after;
        }
        parts.push(Part::Text(rest.to_owned()));
        Ok(Template(parts))
    }

    /// What it says where nothing of a notice stands in it.
    ///
    /// # Errors
    /// Something of a notice does.
    pub fn alone(&self) -> Result<String, String> {
        let each = self.0.iter().map(|part| match part {
            Part::Text(text) => Ok(text.as_str()),
            Part::Secret(secret) => Ok(secret.show()),
            Part::Field(_) => Err("only secrets can be filled in here".to_owned()),
        });
        each.collect()
    }

    pub fn fill(&self, letter: &Letter, escape: Escape) -> String {
        let mut out = String::new();
        for part in &self.0 {
            let field = match part {
                Part::Text(text) => {
                    out.push_str(text);
                    continue;
                }
                Part::Secret(secret) => {
                    put(&mut out, secret.show(), escape);
                    continue;
                }
                Part::Field(field) => field,
            };
            let is_number = *field == Field::Gravity;
            let value = match field {
                Field::Title => letter.title.clone(),
                Field::Body => letter.body.clone(),
                Field::Vessel => letter.vessel.clone().unwrap_or_default(),
                Field::Kind => letter.kind.to_owned(),
                Field::At => letter.at.to_rfc3339(),
                Field::Gravity => match letter.gravity {
                    Some(gravity) => format!("{:.4}", gravity.get()),
                    None if escape == Escape::Json => "null".to_owned(),
                    None => String::new(),
                },
                Field::Link => letter.link.clone().unwrap_or_default(),
                Field::Answer => letter.answer().unwrap_or_default().to_owned(),
            };
            if is_number {
                out.push_str(&value);
            } else {
                put(&mut out, &value, escape);
            }
        }
        out
    }
}

fn placeholder(name: &str, secrets: &Secrets) -> Result<Part, String> {
    if let Some((_, field)) = FIELDS.iter().find(|(known, _)| *known == name) {
        return Ok(Part::Field(*field));
    }
    let secret = name
        .strip_prefix("secret.")
        .and_then(|name| secrets.get(name));
    secret.cloned().map(Part::Secret).ok_or_else(|| {
        let known = FIELDS.iter().map(|(n, _)| (*n).to_owned());
        let known = known.chain(secrets.names().map(|n| format!("secret.{n}")));
        format!(
            "unknown placeholder \"{{{{{name}}}}}\"; there are {}",
            known.collect::<Vec<_>>().join(", ")
        )
    })
}

fn put(out: &mut String, value: &str, escape: Escape) {
    match escape {
        Escape::None => out.push_str(value),
        Escape::Line => out.push_str(&one_line(value)),
        Escape::Form => out.push_str(&encoded(value)),
        Escape::Json => {
            let quoted = serde_json::Value::from(value).to_string();
            let inner = quoted.strip_prefix('"').and_then(|q| q.strip_suffix('"'));
            out.push_str(inner.expect("a serialised string stands in quotes"));
        }
    }
}

/// Everything but unreserved characters (RFC 3986, 2.3) percent-encoded: good in any form.
fn encoded(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
            out.push(char::from(byte));
        } else {
            // Writing to a String cannot fail.
            let _ = write!(out, "%{byte:02X}");
        }
    }
    out
}

fn first(text: &str) -> String {
    text.chars().take(20).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str) -> Result<Template, String> {
        Template::parse(text, &Secrets::default())
    }
    use ebbmark_core::notice::NoticeKind;
    use ebbmark_core::time::Moment;
    use ebbmark_core::units::Gravity;

    fn letter() -> Letter {
        Letter {
            vessel: Some("Cask".to_owned()),
            gravity: Gravity::new(1.046).ok(),
            ..Letter::bare(
                "1".to_owned(),
                NoticeKind::Stuck,
                Moment(1_767_225_600_000),
                "\"Cask\" is stuck".to_owned(),
                "line 1\nline 2 \\ {{title}}".to_owned(),
            )
        }
    }

    #[test]
    fn values_go_in_and_are_not_looked_through_again() {
        let t = parse("{{kind}}: {{ title }} ({{vessel}}, {{at}})\n{{body}}").unwrap();
        assert_eq!(
            t.fill(&letter(), Escape::None),
            "stuck: \"Cask\" is stuck (Cask, 2026-01-01T00:00:00Z)\nline 1\nline 2 \\ {{title}}"
        );
    }

    #[test]
    fn json_stays_json_whatever_the_words() {
        let t = parse(r#"{"t":"{{title}}","b":"{{body}}","quote":"{{title}}\""}"#).unwrap();
        let v: serde_json::Value = serde_json::from_str(&t.fill(&letter(), Escape::Json)).unwrap();
        assert_eq!(v["t"], letter().title);
        assert_eq!(v["b"], letter().body);
        assert_eq!(v["quote"], "\"Cask\" is stuck\"");
    }

    #[test]
    fn a_number_is_a_number_and_what_is_not_known_is_null() {
        let t = parse(r#"{"g":{{gravity}},"link":"{{link}}"}"#).unwrap();
        let read = |letter: &Letter| -> serde_json::Value {
            serde_json::from_str(&t.fill(letter, Escape::Json)).unwrap()
        };
        assert_eq!(read(&letter())["g"], 1.046);
        let unknown = Letter {
            gravity: None,
            ..letter()
        };
        assert_eq!(read(&unknown)["g"], serde_json::Value::Null);
        assert_eq!(t.fill(&unknown, Escape::None), r#"{"g":,"link":""}"#);
    }

    #[test]
    fn forms_and_headers_cannot_be_broken_out_of() {
        let typed = Letter {
            title: "a&b=c +%\r\nX-More: 1 \u{7f}é".to_owned(),
            ..letter()
        };
        let t = parse("title={{title}}&kind={{kind}}").unwrap();
        assert_eq!(
            t.fill(&typed, Escape::Form),
            "title=a%26b%3Dc%20%2B%25%0D%0AX-More%3A%201%20%7F%C3%A9&kind=stuck"
        );
        let t = parse("{{title}}").unwrap();
        assert_eq!(t.fill(&typed, Escape::Line), "a&b=c +% X-More: 1 é");
    }

    #[test]
    fn unknown_and_unclosed_placeholders_are_named() {
        let unknown = parse("{{title}} {{colour}}").unwrap_err();
        assert!(
            unknown.contains("{{colour}}") && unknown.contains("vessel"),
            "{unknown}"
        );
        assert!(parse("{{title").unwrap_err().contains("not closed"));
        // Single braces are JSON's own.
        assert!(parse(r#"{"a":{"b":"{{at}}"}}"#).is_ok());
    }
}
