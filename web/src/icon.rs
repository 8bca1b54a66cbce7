//! What a phone needs to put the book on its home screen: a manifest (W3C Web Application Manifest)
//! and the mark as pictures.

use std::sync::LazyLock;

use axum::Json;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::{Options, Tree};
use serde_json::json;

use crate::assets;
use crate::fault::Fault;

/// The paper of the light book, which also stands behind the mark.
const PAPER: &str = "#f6f1e6";

type Drawn = LazyLock<Result<Vec<u8>, String>>;

static SMALL: Drawn = LazyLock::new(|| raster(assets::text("mark.svg"), 192));
static LARGE: Drawn = LazyLock::new(|| raster(assets::text("mark.svg"), 512));
static WHOLE: Drawn = LazyLock::new(|| raster(&whole(assets::text("mark.svg")), 512));

/// The mark in the middle of its ground: phones cut it to a shape of their own.
fn whole(mark: &str) -> String {
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 54 54\">\
         <rect width=\"54\" height=\"54\" fill=\"#f4efe4\"/>\
         <svg x=\"11\" y=\"11\" width=\"32\" height=\"32\">{mark}</svg></svg>"
    )
}

/// A drawing without letters, so many pixels wide and high.
fn raster(svg: &str, pixels: u32) -> Result<Vec<u8>, String> {
    let tree = Tree::from_str(svg, &Options::default()).map_err(|e| e.to_string())?;
    let scale = pixels as f32 / tree.size().width();
    let mut picture = Pixmap::new(pixels, pixels).ok_or("an icon of no size")?;
    let to_size = Transform::from_scale(scale, scale);
    resvg::render(&tree, to_size, &mut picture.as_mut());
    picture.encode_png().map_err(|e| e.to_string())
}

pub(crate) async fn small() -> Result<Response, Fault> {
    picture(&SMALL)
}

pub(crate) async fn large() -> Result<Response, Fault> {
    picture(&LARGE)
}

pub(crate) async fn cut_to_shape() -> Result<Response, Fault> {
    picture(&WHOLE)
}

fn picture(drawn: &Drawn) -> Result<Response, Fault> {
    let png = drawn.as_ref().map_err(|e| Fault::broken(e.clone()))?;
    let headers = [
        (header::CONTENT_TYPE, "image/png"),
        (header::CACHE_CONTROL, "public, max-age=86400"),
    ];
    Ok((headers, png.clone()).into_response())
}

pub(crate) async fn manifest() -> Response {
    let icon = |src: &str, sizes: &str, purpose: &str| json!({ "src": src, "sizes": sizes, "type": "image/png", "purpose": purpose });
    let manifest = json!({
        "name": "Ebbmark",
        "short_name": "Ebbmark",
        "description": "The cellar book",
        "start_url": "/",
        "scope": "/",
        "display": "standalone",
        "background_color": PAPER,
        "theme_color": PAPER,
        "icons": [
            icon("/icon-192.png", "192x192", "any"),
            icon("/icon-512.png", "512x512", "any"),
            icon("/icon-512-whole.png", "512x512", "maskable"),
        ],
    });
    let headers = [
        (header::CONTENT_TYPE, "application/manifest+json"),
        (header::CACHE_CONTROL, "public, max-age=86400"),
    ];
    (headers, Json(manifest)).into_response()
}
