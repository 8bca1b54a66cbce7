//! The style sheet, the script and the mark, carried in the program. The address holds a hash
//! of the content, so a browser may keep them for ever and still never shows an old one.

use std::sync::LazyLock;

use axum::extract::Path;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use sha2::{Digest, Sha256};

use crate::fault::Fault;

struct Asset {
    name: &'static str,
    kind: &'static str,
    text: &'static str,
}

const ALL: [Asset; 8] = [
    Asset {
        name: "style.css",
        kind: "text/css; charset=utf-8",
        text: include_str!("../assets/style.css"),
    },
    Asset {
        name: "card.css",
        kind: "text/css; charset=utf-8",
        text: include_str!("../assets/card.css"),
    },
    Asset {
        name: "live.js",
        kind: "text/javascript; charset=utf-8",
        text: include_str!("../assets/live.js"),
    },
    Asset {
        name: "send.js",
        kind: "text/javascript; charset=utf-8",
        text: include_str!("../assets/send.js"),
    },
    Asset {
        name: "reckon.js",
        kind: "text/javascript; charset=utf-8",
        text: include_str!("../assets/reckon.js"),
    },
    Asset {
        name: "read-out.js",
        kind: "text/javascript; charset=utf-8",
        text: include_str!("../assets/read-out.js"),
    },
    Asset {
        name: "closer.js",
        kind: "text/javascript; charset=utf-8",
        text: include_str!("../assets/closer.js"),
    },
    Asset {
        name: "mark.svg",
        kind: "image/svg+xml",
        text: include_str!("../assets/mark.svg"),
    },
];

/// One hash over all of them: they change together, with the program.
static HASH: LazyLock<String> = LazyLock::new(|| {
    let mut hash = Sha256::new();
    for asset in &ALL {
        hash.update(asset.text);
    }
    hash.finalize()
        .iter()
        .take(6)
        .map(|b| format!("{b:02x}"))
        .collect()
});

pub(crate) fn address(name: &str) -> String {
    format!("/assets/{}/{name}", *HASH)
}

/// What a file that stands alone carries in itself.
pub(crate) fn text(name: &str) -> &'static str {
    let found = ALL.iter().find(|a| a.name == name);
    found.map_or("", |a| a.text)
}

pub(crate) async fn serve(Path((hash, name)): Path<(String, String)>) -> Result<Response, Fault> {
    let asset = ALL
        .iter()
        .find(|a| a.name == name && hash == *HASH)
        .ok_or_else(|| Fault::missing("file"))?;
    let headers = [
        (header::CONTENT_TYPE, asset.kind),
        (header::CACHE_CONTROL, "public, max-age=31536000, immutable"),
    ];
    Ok((headers, asset.text).into_response())
}

#[cfg(test)]
mod tests {
    use std::collections::HashMap;

    use super::*;

    /// Relative luminance and contrast ratio as defined in WCAG 2.1.
    fn luminance(colour: &str) -> f64 {
        let part = |i: usize| {
            let c = f64::from(u8::from_str_radix(&colour[i..i + 2], 16).unwrap()) / 255.0;
            if c <= 0.03928 {
                c / 12.92
            } else {
                ((c + 0.055) / 1.055).powf(2.4)
            }
        };
        0.2126 * part(1) + 0.7152 * part(3) + 0.0722 * part(5)
    }

    fn contrast(a: &str, b: &str) -> f64 {
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    /// The colours of the light and of the dark book.
    fn books() -> Vec<HashMap<&'static str, &'static str>> {
        let style = ALL[0].text;
        style
            .split(":root {")
            .skip(1)
            .map(|block| {
                let block = block.split('}').next().unwrap();
                let lines = block
                    .lines()
                    .filter_map(|line| line.trim().strip_prefix("--"));
                lines
                    .filter_map(|line| line.trim_end_matches(';').split_once(": "))
                    .filter(|(_, value)| value.starts_with('#'))
                    .collect()
            })
            .collect()
    }

    #[test]
    fn words_and_lines_stand_out_in_light_and_dark() {
        let books = books();
        assert_eq!(books.len(), 2);
        assert!((contrast("#000000", "#ffffff") - 21.0).abs() < 1e-9);
        for book in books {
            // WCAG 2.1, 1.4.3 for text and 1.4.11 for what a drawing is read by, level AA.
            let text = ["ink", "soft", "honey", "wax", "moss"];
            let lines = [
                "gravity",
                "gravity-spread",
                "temperature",
                "temperature-spread",
                "curve",
                "hand",
                "moss",
            ];
            let wanted = text
                .map(|n| (n, 4.5))
                .into_iter()
                .chain(lines.map(|n| (n, 3.0)));
            for (name, least) in wanted {
                let is = contrast(book[name], book["paper"]);
                assert!(is >= least, "{name} {} on paper: {is:.2}", book[name]);
            }
            for name in text {
                let is = contrast(book[name], book["leaf"]);
                assert!(is >= 4.5, "{name} on a leaf: {is:.2}");
            }
            // What lies on a shading stands out from that too.
            for (line, shading) in [
                ("temperature", "wanted"),
                ("moss", "wanted"),
                ("curve", "band"),
            ] {
                let is = contrast(book[line], book[shading]);
                assert!(is >= 3.0, "{line} on {shading}: {is:.2}");
            }
            let button = contrast(book["paper"], book["honey"]);
            assert!(button >= 4.5, "a button's words: {button:.2}");
        }
    }

    #[test]
    fn the_scripts_stay_small() {
        for asset in ALL.iter().filter(|a| a.name.ends_with(".js")) {
            assert!(asset.text.len() < 5 * 1024, "{}", asset.name);
        }
    }
}
