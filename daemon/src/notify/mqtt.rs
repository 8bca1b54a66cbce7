//! Notices on MQTT, for whatever else listens in the house.
//!
//! Each notice sets two topics, both to be retained:
//!
//! - `ebbmark/notice/<kind>`: the latest notice of its kind ([`ebbmark_core::notice::NoticeKind::key`]);
//! - `ebbmark/vessel/<slug>/notice`: the latest one about a vessel, if it is about one. For the
//!   slug see [`crate::slug`].
//!
//! For the payload see "Topics under ebbmark/" in DEVELOPERS.md.

use serde::Serialize;

use super::letter::Letter;

#[derive(Serialize)]
struct Payload<'a> {
    kind: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    vessel: Option<&'a str>,
    title: &'a str,
    body: &'a str,
    /// RFC 3339, UTC.
    at: String,
}

/// What is to be published for one notice: topics and their payload.
pub fn publications(letter: &Letter) -> Vec<(String, Vec<u8>)> {
    let payload = Payload {
        kind: letter.kind,
        vessel: letter.vessel.as_deref(),
        title: &letter.title,
        body: &letter.body,
        at: letter.at.to_rfc3339(),
    };
    let payload = serde_json::to_vec(&payload).expect("strings always serialise");
    let mut out = vec![(format!("ebbmark/notice/{}", letter.kind), payload.clone())];
    if let Some(slug) = &letter.slug {
        out.push((format!("ebbmark/vessel/{slug}/notice"), payload));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use ebbmark_core::notice::NoticeKind;
    use ebbmark_core::time::Moment;

    #[test]
    fn one_for_the_kind_and_one_for_the_vessel() {
        let mut letter = Letter {
            vessel: Some("North cask".to_owned()),
            slug: Some("north-cask".to_owned()),
            ..Letter::bare(
                "1".to_owned(),
                NoticeKind::Settled,
                Moment(1_767_225_600_000),
                "North cask has settled".to_owned(),
                "At 0.998.".to_owned(),
            )
        };
        let out = publications(&letter);
        let topics: Vec<&str> = out.iter().map(|(topic, _)| topic.as_str()).collect();
        assert_eq!(
            topics,
            ["ebbmark/notice/settled", "ebbmark/vessel/north-cask/notice"]
        );
        assert_eq!(
            String::from_utf8(out[1].1.clone()).unwrap(),
            r#"{"kind":"settled","vessel":"North cask","title":"North cask has settled","body":"At 0.998.","at":"2026-01-01T00:00:00Z"}"#
        );
        (letter.vessel, letter.slug) = (None, None);
        assert_eq!(publications(&letter).len(), 1);
    }
}
