//! The body of a webhook: text with `{{title}}` and its kin, filled in for each notice.

use super::letter::Letter;

/// A body that has been looked through: every placeholder in it is known.
#[derive(Clone, Debug, PartialEq)]
pub struct Template(Vec<Part>);

#[derive(Clone, Debug, PartialEq)]
enum Part {
    Text(String),
    Field(Field),
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Field {
    Title,
    Body,
    Vessel,
    Kind,
    At,
}

/// What may stand between double braces.
const FIELDS: [(&str, Field); 5] = [
    ("title", Field::Title),
    ("body", Field::Body),
    ("vessel", Field::Vessel),
    ("kind", Field::Kind),
    ("at", Field::At),
];

/// How values are put in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Escape {
    /// Inside the quotes of a JSON string.
    Json,
    None,
}

impl Template {
    /// # Errors
    /// A placeholder that is not known, or is not closed; names it.
    pub fn parse(text: &str) -> Result<Template, String> {
        let mut parts = Vec::new();
        let mut rest = text;
        while let Some((before, after)) = rest.split_once("{{") {
            let (name, after) = after
                .split_once("}}")
                .ok_or_else(|| format!("a placeholder is not closed: \"{{{{{}\"", first(after)))?;
            let name = name.trim();
            let field = FIELDS
                .iter()
                .find(|(known, _)| *known == name)
                .map(|(_, field)| *field)
                .ok_or_else(|| {
                    let known: Vec<_> = FIELDS.iter().map(|(n, _)| *n).collect();
                    format!(
                        "unknown placeholder \"{{{{{name}}}}}\"; there are {}",
                        known.join(", ")
                    )
                })?;
            parts.push(Part::Text(before.to_owned()));
            parts.push(Part::Field(field));
            rest = after;
        }
        parts.push(Part::Text(rest.to_owned()));
        Ok(Template(parts))
    }

    pub fn fill(&self, letter: &Letter, escape: Escape) -> String {
        let mut out = String::new();
        for part in &self.0 {
            let field = match part {
                Part::Text(text) => {
                    out.push_str(text);
                    continue;
                }
                Part::Field(field) => field,
            };
            let value = match field {
                Field::Title => letter.title.clone(),
                Field::Body => letter.body.clone(),
                Field::Vessel => letter.vessel.clone().unwrap_or_default(),
                Field::Kind => letter.kind.to_owned(),
                Field::At => letter.at.to_rfc3339(),
            };
            match escape {
                Escape::None => out.push_str(&value),
                Escape::Json => {
                    let quoted = serde_json::Value::String(value).to_string();
                    let inner = quoted.strip_prefix('"').and_then(|q| q.strip_suffix('"'));
                    out.push_str(inner.expect("a serialised string stands in quotes"));
                }
            }
        }
        out
    }
}

fn first(text: &str) -> String {
    text.chars().take(20).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use ebbmark_core::time::Moment;

    fn letter() -> Letter {
        Letter {
            id: "1".to_owned(),
            kind: "stuck",
            at: Moment(1_767_225_600_000),
            title: "\"Cask\" is stuck".to_owned(),
            body: "line 1\nline 2 \\ {{title}}".to_owned(),
            vessel: Some("Cask".to_owned()),
            slug: None,
        }
    }

    #[test]
    fn values_go_in_and_are_not_looked_through_again() {
        let t = Template::parse("{{kind}}: {{ title }} ({{vessel}}, {{at}})\n{{body}}").unwrap();
        assert_eq!(
            t.fill(&letter(), Escape::None),
            "stuck: \"Cask\" is stuck (Cask, 2026-01-01T00:00:00Z)\nline 1\nline 2 \\ {{title}}"
        );
    }

    #[test]
    fn json_stays_json_whatever_the_words() {
        let t =
            Template::parse(r#"{"t":"{{title}}","b":"{{body}}","quote":"{{title}}\""}"#).unwrap();
        let v: serde_json::Value = serde_json::from_str(&t.fill(&letter(), Escape::Json)).unwrap();
        assert_eq!(v["t"], letter().title);
        assert_eq!(v["b"], letter().body);
        assert_eq!(v["quote"], "\"Cask\" is stuck\"");
    }

    #[test]
    fn unknown_and_unclosed_placeholders_are_named() {
        let unknown = Template::parse("{{title}} {{colour}}").unwrap_err();
        assert!(
            unknown.contains("{{colour}}") && unknown.contains("vessel"),
            "{unknown}"
        );
        assert!(
            Template::parse("{{title")
                .unwrap_err()
                .contains("not closed")
        );
        // Single braces are JSON's own.
        assert!(Template::parse(r#"{"a":{"b":"{{at}}"}}"#).is_ok());
    }
}
