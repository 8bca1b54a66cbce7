//! A letter as HTML, for mail: plain and small, to be read on a phone, in the dark and with pictures
//! off. Nothing in it is fetched from anywhere.

use ebbmark_core::show;
use ebbmark_core::text::Style;
use ebbmark_core::time::Moment;
use ebbmark_web::link::GOOD_FOR;
use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::letter::{Letter, Part};

/// Mail programs keep little of a style sheet: what matters stands in the elements, and the colours of
/// the dark are for those that know how to change them.
const STYLE: &str = "\
    body{margin:0;padding:0;background:#f6f1e6;color:#2b251d}\
    .leaf{background:#fffcf5}.soft{color:#655a4a}a{color:#85480a}\
    @media (prefers-color-scheme:dark){\
    body{background:#191613!important;color:#ebe3d4!important}\
    .leaf{background:#221e19!important;border-color:#423a2f!important}\
    h1,p,li{color:#ebe3d4!important}.soft{color:#b5a994!important}\
    a{color:#e2a651!important}.open{background:#e2a651!important;color:#191613!important}}";

const LEAF: &str = "max-width:600px;margin:0 auto 16px;padding:16px 20px;border:1px solid #d5c9b2;border-radius:3px";
const FONT: &str =
    "font-family:Georgia,'Iowan Old Style',serif;font-size:17px;line-height:1.5;padding:16px 8px";
const HEAD: &str =
    "font-size:21px;line-height:1.3;margin:0 0 8px;font-weight:600;overflow-wrap:anywhere";
const TEXT: &str = "margin:0 0 10px;overflow-wrap:anywhere";
const SOFT: &str = "margin:0 0 12px;font-size:14px";
const OPEN: &str = "display:inline-block;padding:10px 18px;border-radius:3px;background:#85480a;color:#fffcf5;text-decoration:none;font-size:16px";
const REPLY: &str = "display:inline-block;margin-right:24px;padding:10px 0;font-size:15px";

/// The name of the picture with this number within the mail.
pub fn content_id(number: usize) -> String {
    format!("curve-{number}")
}

pub fn page(letter: &Letter, now: Moment, style: &Style<'_>) -> String {
    let mut pictures = 0;
    let several = letter.parts.len() > 1;
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                meta name="supported-color-schemes" content="light dark";
                title { (letter.title) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                div style=(FONT) {
                    @if several {
                        div style="max-width:600px;margin:0 auto 12px" { h1 style=(HEAD) { (letter.title) } }
                    }
                    @for part in &letter.parts { (leaf(part, several, &mut pictures, now, style)) }
                    div style="max-width:600px;margin:0 auto" {
                        p.soft style=(SOFT) {
                            "Ebbmark, in the cellar."
                            @if letter.parts.iter().any(|p| !p.replies.is_empty()) {
                                " What answers a notice asks before it does anything, and is good for " (show::span(GOOD_FOR)) "."
                            }
                        }
                    }
                }
            }
        }
    };
    page.into_string()
}

fn leaf(
    part: &Part,
    several: bool,
    pictures: &mut usize,
    now: Moment,
    style: &Style<'_>,
) -> Markup {
    html! {
        div.leaf style=(LEAF) {
            h1 style=(HEAD) { (part.title) }
            @if several { p.soft style=(SOFT) { (show::day_and_time(part.at, now, style)) } }
            (paragraphs(&part.body))
            @for curve in &part.curves {
                p style="margin:0 0 12px" {
                    img src={ "cid:" (number(pictures)) } alt=(curve.says) width="560"
                        style="display:block;width:100%;max-width:560px;height:auto;border:0;border-radius:3px;background:#ffffff;color:#2b251d;font-size:14px";
                }
            }
            @let open = part.link.as_ref();
            @if let Some(link) = open.filter(|_| !several) {
                p style="margin:0 0 4px" { a.open href=(link) style=(OPEN) { "Open the page" } }
            }
            @if several || !part.replies.is_empty() {
                p style="margin:0" {
                    @if let Some(link) = open.filter(|_| several) { a href=(link) style=(REPLY) { "Open the page" } }
                    @for (reply, address) in &part.replies {
                        a href=(address) style=(REPLY) { (reply.short()) }
                    }
                }
            }
        }
    }
}

fn number(pictures: &mut usize) -> String {
    *pictures += 1;
    content_id(*pictures)
}

/// Each line is a paragraph: on a phone a sentence is one. Lines that begin with a hyphen are a list.
fn paragraphs(body: &str) -> Markup {
    html! {
        @for block in body.split("\n\n").filter(|b| !b.trim().is_empty()) {
            @let (items, lines): (Vec<&str>, Vec<&str>) = block.lines().partition(|l| l.starts_with("- "));
            @for line in &lines { p style=(TEXT) { (line) } }
            @if !items.is_empty() {
                ul style="margin:0 0 12px;padding-left:20px" {
                    @for item in items { li style="overflow-wrap:anywhere" { (item.trim_start_matches("- ")) } }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use ebbmark_core::notice::NoticeKind;

    use jiff::tz::TimeZone;

    use super::*;

    #[test]
    fn what_a_person_typed_is_words_and_nothing_is_fetched() {
        let at = Moment(1_767_225_600_000);
        let title = "<img src=x onerror=1> & \"jar\"\nsecond: stuck".to_owned();
        let body = "Flat.\nStill.\n\nTo do:\n- <script>1</script>\n- second".to_owned();
        let mut letter = Letter::bare("1".into(), NoticeKind::Stuck, at, title, body);
        letter.parts[0].curves = vec![super::super::letter::Curve {
            png: [1].into(),
            says: "At \"1.050\" <now>".into(),
            width: 900,
        }];
        let page = page(&letter, at, &Style::usual(&TimeZone::UTC));
        assert!(
            !page.contains("<script") && !page.contains("<img src=x"),
            "{page}"
        );
        assert!(
            page.contains("&lt;img src=x onerror=1&gt; &amp; &quot;jar&quot;"),
            "{page}"
        );
        assert!(
            page.contains("Flat.</p>") && page.contains("Still.</p>"),
            "{page}"
        );
        assert!(
            page.contains("&lt;script&gt;1&lt;/script&gt;</li>"),
            "{page}"
        );
        assert!(
            page.contains("alt=\"At &quot;1.050&quot; &lt;now&gt;\""),
            "{page}"
        );
        let sources: Vec<&str> = page
            .split("src=\"")
            .skip(1)
            .map(|s| s.split('"').next().unwrap())
            .collect();
        assert_eq!(sources, ["cid:curve-1"]);
        for fetched in ["http:", "https:", "url(", "@import", "<link"] {
            assert!(!page.contains(fetched), "{fetched}");
        }
    }
}
