//! The forms of a page, read as a browser without scripts does. Only for pages of ours, whose
//! attributes all stand in double quotes.

/// A form with what it would send as it stands.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Form {
    pub action: String,
    pub fields: Vec<(String, String)>,
    /// Boxes that are not ticked, with what each would send.
    boxes: Vec<(String, String)>,
}

impl Form {
    pub fn get(&self, name: &str) -> Option<&str> {
        let found = self.fields.iter().find(|(n, _)| n == name);
        found.map(|(_, value)| value.as_str())
    }

    /// Fills in a field.
    ///
    /// # Panics
    /// The form has no such field.
    #[must_use]
    pub fn with(mut self, name: &str, value: &str) -> Form {
        let action = self.action.clone();
        let field = self
            .fields
            .iter_mut()
            .find(|(n, _)| n == name)
            .unwrap_or_else(|| panic!("the form for {action} has no field \"{name}\""));
        field.1 = value.to_owned();
        self
    }
}

impl Form {
    /// Ticks a box.
    ///
    /// # Panics
    /// The form has no such box, or it is ticked.
    #[must_use]
    pub fn tick(mut self, name: &str) -> Form {
        let at = self.boxes.iter().position(|(n, _)| n == name);
        let at = at.unwrap_or_else(|| panic!("the form for {} has no box \"{name}\"", self.action));
        self.fields.push(self.boxes.remove(at));
        self
    }
}

/// All forms of a page, in order.
pub fn forms(html: &str) -> Vec<Form> {
    let mut forms = Vec::new();
    let mut form: Option<Form> = None;
    let mut select: Option<String> = None;
    for (tag, after) in tags(html) {
        let name = tag.split([' ', '\n']).next().unwrap_or_default();
        match (name, &mut form) {
            ("form", _) => {
                form = Some(Form {
                    action: attribute(tag, "action").unwrap_or_default(),
                    ..Form::default()
                });
            }
            ("/form", _) => forms.extend(form.take()),
            // A box that is not ticked sends nothing.
            ("input", Some(form)) => {
                if let Some(field) = attribute(tag, "name") {
                    let value = attribute(tag, "value").unwrap_or_default();
                    let is_box = attribute(tag, "type").as_deref() == Some("checkbox");
                    if is_box && !tag.contains(" checked") {
                        form.boxes.push((field, value));
                    } else {
                        form.fields.push((field, value));
                    }
                }
            }
            ("textarea", Some(form)) => {
                if let Some(field) = attribute(tag, "name") {
                    form.fields.push((field, unescape(after)));
                }
            }
            ("select", Some(form)) => {
                select = attribute(tag, "name");
                if let Some(field) = &select {
                    form.fields.push((field.clone(), String::new()));
                }
            }
            ("/select", _) => select = None,
            ("option", Some(form)) if select.is_some() && tag.ends_with(" selected") => {
                if let Some(last) = form.fields.last_mut() {
                    last.1 = attribute(tag, "value").unwrap_or_default();
                }
            }
            _ => {}
        }
    }
    forms
}

/// What stands between `<` and `>`, and the text after it.
fn tags(html: &str) -> impl Iterator<Item = (&str, &str)> {
    html.split('<')
        .skip(1)
        .filter_map(|part| part.split_once('>'))
}

fn attribute(tag: &str, name: &str) -> Option<String> {
    let (_, rest) = tag.split_once(&format!(" {name}=\""))?;
    let (value, _) = rest.split_once('"')?;
    Some(unescape(value))
}

pub fn unescape(text: &str) -> String {
    text.replace("&lt;", "<")
        .replace("&gt;", ">")
        .replace("&quot;", "\"")
        .replace("&amp;", "&")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_form_as_it_stands() {
        let page = r#"<form method="post" action="/a"><input type="hidden" name="mark" value="1&amp;2">
            <label><input type="text" name="n"></label>
            <select name="s"><option value="">x</option><option value="b" selected>y</option></select>
            <textarea name="t" rows="2">so &lt;</textarea></form><form action="/b"></form>"#;
        let found = forms(page);
        assert_eq!(found.len(), 2);
        assert_eq!(found[0].action, "/a");
        assert_eq!(found[0].get("mark"), Some("1&2"));
        assert_eq!(found[0].get("n"), Some(""));
        assert_eq!(found[0].get("s"), Some("b"));
        assert_eq!(found[0].get("t"), Some("so <"));
        assert_eq!(found[1].fields, []);
    }
}
