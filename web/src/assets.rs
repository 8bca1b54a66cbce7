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

const ALL: [Asset; 3] = [
    Asset {
        name: "style.css",
        kind: "text/css; charset=utf-8",
        text: include_str!("../assets/style.css"),
    },
    Asset {
        name: "live.js",
        kind: "text/javascript; charset=utf-8",
        text: include_str!("../assets/live.js"),
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
