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

/// All that is wrong with either.
pub(crate) fn both<A, B>(
    a: Result<A, Vec<Complaint>>,
    b: Result<B, Vec<Complaint>>,
) -> Result<(A, B), Vec<Complaint>> {
    match (a, b) {
        (Ok(a), Ok(b)) => Ok((a, b)),
        (a, b) => Err(a.err().into_iter().chain(b.err()).flatten().collect()),
    }
}

/// The value with this key, of a list as [`crate::page::field::pick`] shows it.
pub(crate) fn of<T: Copy>(all: &[(T, &str, &str)], key: &str) -> Option<T> {
    let found = all.iter().find(|(_, k, _)| *k == key);
    found.map(|(value, ..)| *value)
}
