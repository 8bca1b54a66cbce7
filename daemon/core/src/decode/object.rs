//! A JSON object that a program sent, field by field: ranges are checked and a complaint says where.

use serde_json::{Map, Value};

use crate::reading::{Problem, ProblemKind};
use crate::time::Moment;
use crate::units::{Preferences, Quantity};
use crate::words::{self, LONGEST_NAME};

/// An object, and what its fields' names follow in a complaint: their place as in a JSON Pointer
/// (RFC 6901) without the leading slash.
pub struct Object<'a> {
    object: &'a Map<String, Value>,
    place: String,
}

impl<'a> Object<'a> {
    /// # Errors
    /// It is something else.
    pub fn whole(value: &'a Value) -> Result<Object<'a>, Problem> {
        let Value::Object(object) = value else {
            let detail = "a JSON object is needed";
            return Err(Problem::new(ProblemKind::Unreadable, detail));
        };
        let place = String::new();
        Ok(Object { object, place })
    }

    fn wrong(&self, kind: ProblemKind, name: &str, why: &str) -> Problem {
        Problem::new(kind, format!("{}{name}: {why}", self.place))
    }

    pub fn missing(&self, name: &str) -> Problem {
        self.wrong(ProblemKind::Missing, name, "this is needed")
    }

    /// A name mistyped is not left out in silence.
    pub fn only(&self, known: &[&str]) -> Result<(), Problem> {
        match self.object.keys().find(|k| !known.contains(&k.as_str())) {
            None => Ok(()),
            Some(stranger) => {
                let why = format!("this is not read; there are {}", known.join(", "));
                Err(self.wrong(ProblemKind::Unreadable, stranger, &why))
            }
        }
    }

    pub fn none_of(&self, names: &[&str], with: &str) -> Result<(), Problem> {
        match names.iter().find(|name| self.object.contains_key(**name)) {
            None => Ok(()),
            Some(name) => {
                let why = format!("this does not go with {with}");
                Err(self.wrong(ProblemKind::Conflict, name, &why))
            }
        }
    }

    pub fn key<T>(
        &self,
        name: &str,
        from_key: impl FnOnce(&str) -> Option<T>,
        all: &[&str],
    ) -> Result<T, Problem> {
        let text = match self.object.get(name) {
            None | Some(Value::Null) => return Err(self.missing(name)),
            Some(value) => value.as_str().unwrap_or_default(),
        };
        from_key(text).ok_or_else(|| {
            let why = format!("it has to be one of {}", all.join(", "));
            self.wrong(ProblemKind::WrongType, name, &why)
        })
    }

    pub fn quantity<Q: Quantity>(&self, name: &str) -> Result<Option<Q>, Problem> {
        let read = match self.object.get(name) {
            None | Some(Value::Null) => return Ok(None),
            Some(Value::Number(number)) => Ok(number.as_f64().unwrap_or(f64::NAN)),
            Some(Value::String(text)) => Q::MEASURE.read(text, Preferences::USUAL),
            Some(_) => {
                let why = "a number is needed, or text with a unit";
                return Err(self.wrong(ProblemKind::WrongType, name, why));
            }
        };
        read.and_then(|v| Q::new(v).map_err(|e| e.to_string()))
            .map(Some)
            .map_err(|why| self.wrong(ProblemKind::OutOfRange, name, &why))
    }

    pub fn words(&self, name: &str, most: usize) -> Result<String, Problem> {
        let text = match self.object.get(name) {
            None | Some(Value::Null) => return Ok(String::new()),
            Some(Value::String(text)) => text,
            Some(_) => return Err(self.wrong(ProblemKind::WrongType, name, "text is needed")),
        };
        words::kept(text, most).map_err(|why| self.wrong(ProblemKind::OutOfRange, name, &why))
    }

    /// A quantity that may not be left out.
    pub fn needed<Q: Quantity>(&self, name: &str) -> Result<Q, Problem> {
        self.quantity(name)?.ok_or_else(|| self.missing(name))
    }

    /// Words that may not be left out.
    pub fn name(&self, name: &str) -> Result<String, Problem> {
        let words = self.words(name, LONGEST_NAME)?;
        if words.trim().is_empty() {
            return Err(self.missing(name));
        }
        Ok(words)
    }

    /// RFC 3339.
    pub fn when(&self, name: &str) -> Result<Option<Moment>, Problem> {
        let why = match self.object.get(name) {
            None | Some(Value::Null) => return Ok(None),
            Some(Value::String(text)) => match Moment::parse_rfc3339(text) {
                Ok(at) => return Ok(Some(at)),
                Err(why) => why,
            },
            Some(_) => "RFC 3339 text is needed".to_owned(),
        };
        Err(self.wrong(ProblemKind::BadTime, name, &why))
    }

    /// A whole number from 0 up, as ids are.
    pub fn number(&self, name: &str) -> Result<Option<i64>, Problem> {
        match self.object.get(name) {
            None | Some(Value::Null) => Ok(None),
            Some(value) => match value.as_i64().filter(|n| *n >= 0) {
                Some(n) => Ok(Some(n)),
                None => Err(self.wrong(ProblemKind::WrongType, name, "a whole number is needed")),
            },
        }
    }

    /// False when it is left out.
    pub fn flag(&self, name: &str) -> Result<bool, Problem> {
        match self.object.get(name) {
            None | Some(Value::Null) => Ok(false),
            Some(Value::Bool(yes)) => Ok(*yes),
            Some(_) => Err(self.wrong(ProblemKind::WrongType, name, "true or false is needed")),
        }
    }

    pub fn within(&self, name: &str) -> Result<Option<Object<'a>>, Problem> {
        match self.object.get(name) {
            None | Some(Value::Null) => Ok(None),
            Some(Value::Object(object)) => Ok(Some(Object {
                object,
                place: format!("{}{name}/", self.place),
            })),
            Some(_) => Err(self.wrong(ProblemKind::WrongType, name, "an object is needed")),
        }
    }

    /// Objects; none when it is left out.
    pub fn list(&self, name: &str, most: usize) -> Result<Vec<Object<'a>>, Problem> {
        let list = match self.object.get(name) {
            None | Some(Value::Null) => return Ok(Vec::new()),
            Some(Value::Array(list)) if list.len() <= most => list,
            Some(Value::Array(_)) => {
                let why = format!("at most {most}");
                return Err(self.wrong(ProblemKind::OutOfRange, name, &why));
            }
            Some(_) => return Err(self.wrong(ProblemKind::WrongType, name, "a list is needed")),
        };
        let each = list.iter().enumerate().map(|(n, value)| match value {
            Value::Object(object) => Ok(Object {
                object,
                place: format!("{}{name}/{n}/", self.place),
            }),
            _ => {
                let place = format!("{name}/{n}");
                Err(self.wrong(ProblemKind::WrongType, &place, "an object is needed"))
            }
        });
        each.collect()
    }
}
