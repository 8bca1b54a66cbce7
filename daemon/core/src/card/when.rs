//! Instants as RFC 3339 in a card's JSON.

use serde::{Deserialize, Deserializer, Serializer, de};

use crate::time::Moment;

pub fn serialize<S: Serializer>(at: &Moment, to: S) -> Result<S::Ok, S::Error> {
    to.serialize_str(&at.to_rfc3339())
}

pub fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Moment, D::Error> {
    let text = String::deserialize(from)?;
    Moment::parse_rfc3339(&text).map_err(de::Error::custom)
}

pub mod maybe {
    use super::{Deserialize, Deserializer, Moment, Serializer, de};

    pub fn serialize<S: Serializer>(at: &Option<Moment>, to: S) -> Result<S::Ok, S::Error> {
        match at {
            Some(at) => to.serialize_some(&at.to_rfc3339()),
            None => to.serialize_none(),
        }
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Option<Moment>, D::Error> {
        let text = Option::<String>::deserialize(from)?;
        text.map(|t| Moment::parse_rfc3339(&t).map_err(de::Error::custom))
            .transpose()
    }
}
