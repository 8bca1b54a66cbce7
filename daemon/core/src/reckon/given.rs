//! Reading the fields of a reckoning.

use std::collections::BTreeMap;

use super::field::{Choice, Field, Kind, Need};
use super::known::{Filling, Known};
use super::{Asker, Fact};
use crate::time::{Moment, read_local};
use crate::units::Quantity;
use crate::words;

/// Longest text of a field that takes words.
const LONGEST: usize = 200;

/// Fields as typed, under their paths.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Asked(BTreeMap<String, String>);

impl Asked {
    /// Of a path that comes twice the last holds.
    pub fn new(pairs: impl IntoIterator<Item = (String, String)>) -> Asked {
        Asked(pairs.into_iter().collect())
    }

    pub(super) fn get(&self, path: &str) -> &str {
        self.0.get(path).map_or("", |text| text.trim())
    }

    /// Whether a row has anything in it.
    pub(super) fn has(&self, prefix: &str) -> bool {
        self.0
            .iter()
            .any(|(path, text)| path.starts_with(prefix) && !text.trim().is_empty())
    }

    /// The path of the first field that nobody asks, when there is one.
    pub fn stranger(&self, fields: &[Field]) -> Option<&str> {
        let known = |path: &str| {
            let mut parts = path.split('.');
            let Some(field) = parts
                .next()
                .and_then(|k| fields.iter().find(|f| f.key == k))
            else {
                return false;
            };
            match (&field.kind, parts.next(), parts.next(), parts.next()) {
                (Kind::Rows { of, most, .. }, Some(n), Some(key), None) => {
                    n.parse::<usize>().is_ok_and(|n| n >= 1 && n <= *most)
                        && of.iter().any(|f| f.key == key)
                }
                (Kind::Rows { .. }, ..) => false,
                (_, None, None, None) => true,
                _ => false,
            }
        };
        self.0.keys().map(String::as_str).find(|path| !known(path))
    }
}

/// What is wrong with one field.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Complaint {
    pub path: String,
    /// A sentence that names the field.
    pub say: String,
}

#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Complaints(Vec<Complaint>);

impl Complaints {
    pub fn iter(&self) -> std::slice::Iter<'_, Complaint> {
        self.0.iter()
    }
}

impl From<Complaint> for Complaints {
    fn from(one: Complaint) -> Complaints {
        Complaints(vec![one])
    }
}

/// Where a value came from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Source {
    Typed,
    /// The record; with words that follow "from".
    Record(String),
    Usual,
}

#[derive(Clone, Debug)]
pub(super) enum Cell {
    Number(f64),
    Choice(&'static Choice),
    Words(String),
    When(Moment),
    /// Each with its number as it was sent.
    Rows(Vec<(usize, Cells)>),
}

/// In the order of the fields; those left empty are not in it.
pub(super) type Cells = Vec<(&'static Field, Cell, Source)>;

/// The fields of one reckoning, read: all that are needed are there and in range.
#[derive(Debug)]
pub struct Given<'a> {
    fields: &'static [Field],
    pub(super) cells: Cells,
    /// Path of what stands before these fields: empty, or "parts.1.".
    prefix: String,
    pub known: &'a Known,
    pub asker: &'a Asker<'a>,
}

impl<'a> Given<'a> {
    pub(super) fn read(
        fields: &'static [Field],
        asked: &Asked,
        known: &'a Known,
        asker: &'a Asker<'a>,
    ) -> Result<Given<'a>, Complaints> {
        let mut reader = Reader {
            asked,
            known,
            asker,
            complaints: Vec::new(),
        };
        let cells = reader.cells(fields, "", &[]);
        if reader.complaints.is_empty() {
            Ok(Given {
                fields,
                cells,
                prefix: String::new(),
                known,
                asker,
            })
        } else {
            Err(Complaints(reader.complaints))
        }
    }

    fn field(&self, key: &str) -> Option<&'static Field> {
        self.fields.iter().find(|field| field.key == key)
    }

    fn cell(&self, key: &str) -> Option<&Cell> {
        self.cells
            .iter()
            .find(|(field, ..)| field.key == key)
            .map(|(_, cell, _)| cell)
    }

    /// A quantity that may have been left empty.
    pub fn maybe<Q: Quantity>(&self, key: &str) -> Option<Q> {
        match self.cell(key) {
            // Its range was checked when it was read.
            Some(Cell::Number(v)) => Q::new(*v).ok(),
            _ => None,
        }
    }

    /// # Errors
    /// It was left empty.
    pub fn need<Q: Quantity>(&self, key: &str) -> Result<Q, Complaint> {
        self.maybe(key)
            .ok_or_else(|| self.complain(key, "this is needed"))
    }

    /// The key of what was chosen; empty without a choice.
    pub fn choice(&self, key: &str) -> &'static str {
        match self.cell(key) {
            Some(Cell::Choice(choice)) => choice.key,
            _ => "",
        }
    }

    /// Empty when nothing was written.
    pub fn words(&self, key: &str) -> &str {
        match self.cell(key) {
            Some(Cell::Words(words)) => words,
            _ => "",
        }
    }

    pub fn when(&self, key: &str) -> Option<Moment> {
        match self.cell(key) {
            Some(Cell::When(at)) => Some(*at),
            _ => None,
        }
    }

    /// The rows that have anything in them, in order.
    pub fn rows(&self, key: &str) -> Vec<Given<'a>> {
        let Some(Cell::Rows(rows)) = self.cell(key) else {
            return Vec::new();
        };
        let fields = match self.field(key).map(|f| &f.kind) {
            Some(Kind::Rows { of, .. }) => *of,
            _ => &[],
        };
        rows.iter()
            .map(|(n, cells)| Given {
                fields,
                cells: cells.clone(),
                prefix: format!("{}{key}.{n}.", self.prefix),
                known: self.known,
                asker: self.asker,
            })
            .collect()
    }

    /// Whether the maker typed this field (it is not from the record, not what is usual).
    pub fn typed(&self, key: &str) -> bool {
        self.cells
            .iter()
            .any(|(field, _, source)| field.key == key && *source == Source::Typed)
    }

    /// What is wrong with a field, named: "Present gravity: it lies above the original".
    pub fn complain(&self, key: &str, why: &str) -> Complaint {
        let label = self.field(key).map_or(key, |field| field.label);
        Complaint {
            path: format!("{}{key}", self.prefix),
            say: format!("{label}: {why}"),
        }
    }
}

struct Reader<'a> {
    asked: &'a Asked,
    known: &'a Known,
    asker: &'a Asker<'a>,
    complaints: Vec<Complaint>,
}

impl Reader<'_> {
    fn cells(
        &mut self,
        fields: &'static [Field],
        prefix: &str,
        filled: &[(&'static str, Filling, String)],
    ) -> Cells {
        let mut cells = Vec::new();
        for field in fields {
            let path = format!("{prefix}{}", field.key);
            let fill = filled
                .iter()
                .find(|(key, ..)| *key == field.key)
                .map(|(_, filling, from)| (filling, from.as_str()))
                .or_else(|| field.fill.and_then(|fact: Fact| self.known.get(fact)));
            if let Some((cell, source)) = self.cell(field, &path, fill) {
                cells.push((field, cell, source));
            }
        }
        cells
    }

    fn cell(
        &mut self,
        field: &'static Field,
        path: &str,
        fill: Option<(&Filling, &str)>,
    ) -> Option<(Cell, Source)> {
        if let Kind::Rows { of, least, most } = &field.kind {
            return self.rows(field, path, of, *least, *most, fill);
        }
        match standing(field, self.asked.get(path), fill, self.asker) {
            Some(Standing::Record { cell, from, .. }) => {
                Some((cell, Source::Record(from.to_owned())))
            }
            Some(Standing::Text(text, source)) => {
                self.take(field, path, text).map(|cell| (cell, source))
            }
            None => {
                if matches!(field.need, Need::Needed) {
                    self.complain(field, path, "this is needed");
                }
                None
            }
        }
    }

    fn take(&mut self, field: &'static Field, path: &str, text: &str) -> Option<Cell> {
        let read = match &field.kind {
            Kind::Number(measure) => measure.read(text, self.asker.style.units).map(Cell::Number),
            Kind::Choice(choices) => choices
                .iter()
                .find(|c| c.key == text)
                .map(Cell::Choice)
                .ok_or_else(|| {
                    let keys: Vec<&str> = choices.iter().map(|c| c.key).collect();
                    format!("\"{text}\" is none of {}", keys.join(", "))
                }),
            Kind::Words => words::kept(text, LONGEST).map(Cell::Words),
            Kind::When => read_local(text, self.asker.style.zone).map(Cell::When),
            Kind::Rows { .. } => return None,
        };
        match read {
            Ok(cell) => Some(cell),
            Err(why) => {
                self.complain(field, path, &why);
                None
            }
        }
    }

    fn rows(
        &mut self,
        field: &'static Field,
        path: &str,
        of: &'static [Field],
        least: usize,
        most: usize,
        fill: Option<(&Filling, &str)>,
    ) -> Option<(Cell, Source)> {
        let typed = self.asked.has(&format!("{path}."));
        let mut rows = Vec::new();
        match fill {
            Some((Filling::Rows(filled), from)) if !typed => {
                for (i, row) in filled.iter().take(most).enumerate() {
                    let filled: Vec<_> = row
                        .iter()
                        .map(|(key, filling)| (*key, filling.clone(), from.to_owned()))
                        .collect();
                    rows.push((
                        i + 1,
                        self.cells(of, &format!("{path}.{}.", i + 1), &filled),
                    ));
                }
                if !rows.is_empty() {
                    return Some((Cell::Rows(rows), Source::Record(from.to_owned())));
                }
            }
            _ => {
                for n in 1..=most {
                    let prefix = format!("{path}.{n}.");
                    if self.asked.has(&prefix) {
                        rows.push((n, self.cells(of, &prefix, &[])));
                    }
                }
            }
        }
        if rows.len() < least {
            let what = match least {
                1 => "at least one is needed".to_owned(),
                n => format!("at least {n} are needed"),
            };
            self.complain(field, path, &what);
            return None;
        }
        (!rows.is_empty()).then_some((Cell::Rows(rows), Source::Typed))
    }

    fn complain(&mut self, field: &Field, path: &str, why: &str) {
        self.complaints.push(Complaint {
            path: path.to_owned(),
            say: format!("{}: {why}", field.label),
        });
    }
}

/// What stands in a field.
pub(super) enum Standing<'a> {
    Record {
        cell: Cell,
        text: String,
        from: &'a str,
    },
    /// Typed, or what is usual.
    Text(&'a str, Source),
}

/// What is typed goes before what is on record, and that before what is usual; what is on record and
/// cannot be read into the field is as if it were not. `None` where nothing is left.
pub(super) fn standing<'a>(
    field: &'static Field,
    typed: &'a str,
    fill: Option<(&Filling, &'a str)>,
    asker: &Asker,
) -> Option<Standing<'a>> {
    let record = fill.and_then(|(filling, from)| {
        let cell = from_record(field, filling)?;
        let text = field_text(field, filling, asker)?;
        Some((cell, text, from))
    });
    match (record, &field.need) {
        // A form sends back what it was filled with: that still is what the record says, with all
        // the digits that were not shown.
        (Some((cell, text, from)), _) if typed.is_empty() || typed == text => {
            Some(Standing::Record { cell, text, from })
        }
        (_, Need::Usual(usual)) if typed.is_empty() || typed == *usual => {
            Some(Standing::Text(usual, Source::Usual))
        }
        _ if typed.is_empty() => None,
        _ => Some(Standing::Text(typed, Source::Typed)),
    }
}

fn from_record(field: &'static Field, filling: &Filling) -> Option<Cell> {
    match (&field.kind, filling) {
        (Kind::Number(measure), Filling::Number(v)) => {
            measure.holds(*v).then_some(Cell::Number(*v))
        }
        (Kind::Choice(choices), Filling::Words(key)) => {
            choices.iter().find(|c| c.key == key).map(Cell::Choice)
        }
        (Kind::Words, Filling::Words(words)) => Some(Cell::Words(words.clone())),
        (Kind::When, Filling::When(at)) => Some(Cell::When(*at)),
        _ => None,
    }
}

/// What a form's field is filled with.
fn field_text(field: &Field, filling: &Filling, asker: &Asker) -> Option<String> {
    match (&field.kind, filling) {
        (Kind::Number(measure), Filling::Number(v)) => Some(measure.field(*v, asker.style.units)),
        (Kind::Choice(_) | Kind::Words, Filling::Words(words)) => Some(words.clone()),
        (Kind::When, Filling::When(at)) => crate::time::local_text(*at, asker.style.zone),
        _ => None,
    }
}
