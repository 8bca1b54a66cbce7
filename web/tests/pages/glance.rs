//! The cellar in five seconds, and on the wall.

use axum::http::StatusCode;
use ebbmark_core::verdict::outcome::Phase;

use crate::ask::cellar;

#[tokio::test]
async fn all_well_is_said_in_one_line_and_what_is_wrong_is_named_first() {
    let cellar = cellar().await;
    let cask = cellar.vessel("Cask <1>").await;
    let mead = cellar.mead(cask, "Linden", 9).await;
    cellar.judge(cask, mead, Phase::Active, "Falling.").await;
    let page = cellar.get("/").await.text;
    assert!(page.contains("All is well. Nothing to do today."), "{page}");

    let jar = cellar.vessel("Jar").await;
    let other = cellar.mead(jar, "Heather", 30).await;
    let restarted = "Falling again since yesterday.";
    cellar.judge(jar, other, Phase::Restarted, restarted).await;
    let page = cellar.get("/").await.text;
    assert!(!page.contains("All is well"));
    assert!(page.contains("</a>: falling again."), "{page}");

    cellar
        .judge_as(cask, mead, Phase::Settled, "It has stopped.", |verdict| {
            verdict.gates.rack.open = true;
            verdict.gates.stabilise.open = true;
        })
        .await;
    let page = cellar.get("/").await.text;
    // What is due is not said again among what may be done.
    for said in [
        "To do</dt><dd>#rack it off its lees.",
        "May be done</dt><dd>#stabilise.",
    ] {
        let said = said.replace('#', "<a href=\"/vessel/1\">Cask &lt;1&gt;</a>: ");
        assert!(page.contains(&said), "{said}: {page}");
    }
}

#[tokio::test]
async fn the_wall_shows_what_wants_something_first_and_no_more_than_fits() {
    let cellar = cellar().await;
    for n in 0..10 {
        let vessel = cellar.vessel(&format!("Jar {n}")).await;
        let mead = cellar.mead(vessel, "Linden", 9).await;
        let phase = if n == 9 { Phase::Stuck } else { Phase::Active };
        cellar.judge(vessel, mead, phase, "As it is.").await;
    }
    cellar.vessel("An empty one").await;
    let page = cellar.get("/wall").await.text;
    assert!(page.contains("class=\"wall of-8\""));
    assert_eq!(page.matches("<b class=\"number\">").count(), 8);
    assert!(page.contains("2 more"));
    assert!(!page.contains("An empty one"));
    let (stuck, falling) = (page.find("Jar 9").unwrap(), page.find("Jar 0").unwrap());
    assert!(stuck < falling);
    assert!(page.contains("Stopped too high"));
    assert!(!page.contains("<form") && !page.contains("<nav"));
}

#[tokio::test]
async fn a_phone_finds_the_icons_the_manifest_names() {
    let cellar = cellar().await;
    cellar.lock().await;
    let manifest = cellar.get("/ebbmark.webmanifest").await;
    assert_eq!(manifest.header("content-type"), "application/manifest+json");
    let manifest: serde_json::Value = serde_json::from_str(&manifest.text).unwrap();
    for icon in manifest["icons"].as_array().unwrap() {
        let answer = cellar.get(icon["src"].as_str().unwrap()).await;
        assert_eq!(answer.status, StatusCode::OK);
        assert_eq!(answer.header("content-type"), "image/png");
        // PNG (W3C), 11.2.2: width and height stand in the header chunk, from byte 16 on.
        let side = icon["sizes"].as_str().unwrap().split('x').next().unwrap();
        let side = side.parse::<u32>().unwrap().to_be_bytes();
        let body = answer.bytes;
        assert_eq!(&body[..8], b"\x89PNG\r\n\x1a\n");
        assert_eq!((&body[16..20], &body[20..24]), (&side[..], &side[..]));
    }
}
