//! Reading what was typed into a form. Makers type a comma or a point, with or without the unit;
//! what cannot be read is named with its field and the range it has to be in.

mod take;

pub(crate) use take::{Take, local_text};

/// The fields of a form as sent.
#[derive(Clone, Debug, Default)]
pub(crate) struct Fields(Vec<(String, String)>);

impl Fields {
    pub fn new(pairs: Vec<(String, String)>) -> Fields {
        Fields(pairs)
    }

    /// Without surrounding blanks; empty when it was not sent.
    pub fn get(&self, name: &str) -> &str {
        self.raw(name).trim()
    }

    /// All of them, as sent.
    pub fn pairs(&self) -> impl Iterator<Item = (&str, &str)> {
        self.0.iter().map(|(n, v)| (n.as_str(), v.as_str()))
    }

    /// Exactly as sent: blanks belong to a password.
    pub fn raw(&self, name: &str) -> &str {
        let found = self.0.iter().find(|(n, _)| n == name);
        found.map_or("", |(_, value)| value)
    }
}

/// What is wrong with one field.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Complaint {
    pub field: String,
    pub say: String,
}

/// A form that was refused, to be shown again as it was filled in.
#[derive(Clone, Debug)]
pub(crate) struct Draft {
    pub form: String,
    pub fields: Fields,
    pub complaints: Vec<Complaint>,
}
