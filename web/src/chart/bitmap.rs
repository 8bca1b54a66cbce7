//! The finished SVG as a PNG: the style sheet of the pages colours it, a font carried in the
//! program writes it. Light colours on white, whatever the reader's screen: it is sent and printed.

use std::sync::{Arc, LazyLock};

use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::{Options, Tree, fontdb};

use super::pen::FINE;
use crate::assets;

/// Pixels per unit of the drawing: sharp on a phone's fine screen too.
const SCALE: f32 = 2.0;

const FONT: &[u8] = include_bytes!("../../assets/font/DejaVuSans-part.ttf");
/// What the font was cut down to, see `make` beside it.
const CHARACTERS: &str = include_str!("../../assets/font/characters.txt");

static FONTS: LazyLock<Arc<fontdb::Database>> = LazyLock::new(|| {
    let mut fonts = fontdb::Database::new();
    fonts.load_font_data(FONT.to_vec());
    Arc::new(fonts)
});

/// The rules for what is drawn, with the light colours put in.
static STYLE: LazyLock<String> = LazyLock::new(|| style(assets::text("style.css")));

fn style(sheet: &str) -> String {
    let light = sheet.split('}').next().unwrap_or_default();
    let colours = light
        .lines()
        .filter_map(|line| line.trim().strip_prefix("--")?.strip_suffix(';'))
        .filter_map(|line| line.split_once(": "));
    let mut rules: String = sheet
        .lines()
        .filter(|line| line.starts_with(".f-") || line.starts_with(".s-"))
        .collect();
    rules = rules.replace("var(--paper)", "#ffffff");
    for (name, colour) in colours {
        rules = rules.replace(&format!("var(--{name})"), colour);
    }
    rules
}

/// Whether the font has every letter of it.
pub(crate) fn can_write(text: &str) -> bool {
    let number = |hex: &str| u32::from_str_radix(hex, 16).ok();
    let within = |c: char, line: &str| {
        let (first, last) = line.split_once('-').unwrap_or((line, line));
        number(first)
            .zip(number(last))
            .is_some_and(|(first, last)| (first..=last).contains(&u32::from(c)))
    };
    let ranges = || CHARACTERS.lines().filter_map(|l| l.strip_prefix("U+"));
    text.chars().all(|c| ranges().any(|line| within(c, line)))
}

/// The picture's bytes, width and height.
pub(super) fn of(svg: &str) -> Result<(Vec<u8>, u32, u32), String> {
    let (head, body) = svg.split_once('>').ok_or("the drawing is empty")?;
    let svg = format!(
        "{head}><style>{}</style><rect width=\"100%\" height=\"100%\" fill=\"#ffffff\"/>{body}",
        *STYLE
    );
    let options = Options {
        font_family: "DejaVu Sans".to_owned(),
        fontdb: FONTS.clone(),
        ..Options::default()
    };
    let tree = Tree::from_str(&svg, &options).map_err(|e| e.to_string())?;
    let scale = SCALE / FINE as f32;
    let size = tree
        .size()
        .to_int_size()
        .scale_by(scale)
        .ok_or("the drawing has no size")?;
    let (width, height) = (size.width(), size.height());
    let mut picture = Pixmap::new(width, height).ok_or("the drawing has no size")?;
    resvg::render(
        &tree,
        Transform::from_scale(scale, scale),
        &mut picture.as_mut(),
    );
    let png = written(&picture).map_err(|e| e.to_string())?;
    Ok((png, width, height))
}

/// Flat surfaces and thin lines: unfiltered they come out smallest and soonest.
fn written(picture: &Pixmap) -> Result<Vec<u8>, png::EncodingError> {
    // The paper covers all, so no pixel lets anything through.
    let colours = picture.pixels().iter();
    let colours: Vec<u8> = colours
        .flat_map(|p| [p.red(), p.green(), p.blue()])
        .collect();
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, picture.width(), picture.height());
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_filter(png::Filter::NoFilter);
    let mut writer = encoder.write_header()?;
    writer.write_image_data(&colours)?;
    writer.finish()?;
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::super::paint::Paint;
    use super::*;

    #[test]
    fn every_paint_has_a_rule_and_every_rule_a_colour() {
        for paint in Paint::ALL {
            let class = paint.class();
            let stroke =
                STYLE.contains(&format!(".s-{class} ")) || STYLE.contains(&format!(".s-{class}, "));
            let fill =
                STYLE.contains(&format!(".f-{class} ")) || STYLE.contains(&format!(".f-{class}, "));
            assert!(stroke || fill, "{class}");
        }
        assert!(!STYLE.contains("var("), "{}", *STYLE);
    }

    #[test]
    fn the_font_has_what_it_says() {
        let fonts = &*FONTS;
        assert_eq!(fonts.len(), 1);
        for text in ["Met z gryki, żółć", "Ακακία", "Вереск", "“x” – …"] {
            assert!(can_write(text), "{text}");
        }
        for text in ["蜂蜜", "عسل", "🍯"] {
            assert!(!can_write(text), "{text}");
        }
    }
}
