//! Colours, dash patterns and sizes of the plots, and the finish that the drawing library lacks.

use plotters::prelude::*;
use plotters::style::FontStyle;

/// Width of every plot in pixels of its own coordinates.
pub(crate) const WIDTH: i32 = 1600;
/// Text size as the drawing library counts it (1.24 times the font size in the file).
pub(crate) const TEXT: i32 = 31;
/// Width of a character at [`TEXT`], on the generous side.
pub(crate) const CHARACTER: i32 = 14;

pub(crate) const INK: RGBColor = RGBColor(0x22, 0x22, 0x22);
pub(crate) const FRAME: RGBColor = RGBColor(0x66, 0x66, 0x66);
pub(crate) const GRID: RGBColor = RGBColor(0xdd, 0xdd, 0xdd);
const LIMIT: RGBColor = RGBColor(0x3a, 0x3a, 0x3a);
const BAND: RGBColor = RGBColor(0x77, 0x77, 0x77);
const LOAD: RGBColor = RGBColor(0x88, 0x88, 0x88);

/// The original is black and solid.
const ORIGINAL: RGBColor = RGBColor(0x00, 0x00, 0x00);
/// Hues of the substitutes. Relative luminance rises in steps (0.03, 0.08, 0.14, 0.20, 0.28), so that later
/// parts are lighter in grey print; the contrast against white stays above 3.
const HUES: [RGBColor; 5] = [
    RGBColor(0x16, 0x30, 0x6e),
    RGBColor(0x8f, 0x2f, 0x0a),
    RGBColor(0x1c, 0x74, 0x6a),
    RGBColor(0xa3, 0x5f, 0xcb),
    RGBColor(0xb0, 0x8c, 0x10),
];
/// Dash patterns of the substitutes in pixels.
const DASHES: [&str; 5] = ["26 9", "9 7", "26 8 5 8", "14 6", "26 6 5 6 5 6"];
/// Times that the hues are gone through before looks repeat.
const ROUNDS: usize = DASHES.len();
const LIMIT_DASH: &str = "16 7";
const BAND_DASH: &str = "2 10";

/// Look of a line.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Stroke {
    pub color: RGBColor,
    pub width: u32,
}

impl Stroke {
    /// Line of the part with that number.
    pub(crate) fn part(index: usize) -> Self {
        Self { color: part_color(index), width: if index == 0 { 4 } else { 3 } }
    }

    /// Line of a limit.
    pub(crate) fn limit() -> Self {
        Self { color: LIMIT, width: 5 }
    }

    /// Line of a band's edge.
    pub(crate) fn band() -> Self {
        Self { color: BAND, width: 3 }
    }

    /// Line of the load current.
    pub(crate) fn load() -> Self {
        Self { color: LOAD, width: 5 }
    }

    pub(crate) fn style(self) -> ShapeStyle {
        self.color.stroke_width(self.width)
    }
}

/// Substitutes beyond the last hue start over with another dash pattern; the lowest bits of blue keep the
/// colour unique, because [`described`] finds the dash pattern by it.
fn part_color(index: usize) -> RGBColor {
    let Some(substitute) = index.checked_sub(1) else {
        return ORIGINAL;
    };
    let RGBColor(r, g, b) = HUES[substitute % HUES.len()];
    RGBColor(r, g, b ^ (substitute / HUES.len()).min(ROUNDS - 1) as u8)
}

fn part_dash(index: usize) -> &'static str {
    index.checked_sub(1).map_or("", |substitute| DASHES[(substitute + substitute / HUES.len()) % DASHES.len()])
}

pub(crate) fn text_style(color: RGBColor) -> TextStyle<'static> {
    (FontFamily::SansSerif, TEXT, FontStyle::Normal).into_font().color(&color)
}

/// Adds what the drawing library cannot: dash patterns, round joins, a white rim around text, title and
/// description for screen readers.
///
/// The library's SVG has no dash pattern, so each dashed line is drawn in a colour of its own and that colour
/// is looked for here.
pub(crate) fn described(svg: &str, name: &str, title: &str, description: &str) -> String {
    let mut dashes = vec![(hex(LIMIT), LIMIT_DASH), (hex(BAND), BAND_DASH)];
    dashes.extend((1..=HUES.len() * ROUNDS).map(|i| (hex(part_color(i)), part_dash(i))));
    let mut out = String::with_capacity(svg.len() + svg.len() / 8);
    for (number, line) in svg.lines().enumerate() {
        if number == 0 {
            out.push_str(&opening(line, name, title, description));
        } else if line.starts_with("<polyline") {
            out.push_str(&dashed(line, &dashes));
        } else if let Some(rest) = line.strip_prefix("<text") {
            out.push_str("<text paint-order=\"stroke\" stroke=\"#FFFFFF\" stroke-width=\"6\"");
            out.push_str(rest);
        } else {
            out.push_str(line);
        }
        out.push('\n');
    }
    out
}

fn opening(line: &str, name: &str, title: &str, description: &str) -> String {
    let attributes = format!(
        " role=\"img\" aria-labelledby=\"{name}-title {name}-description\" stroke-linejoin=\"round\">\n\
         <title id=\"{name}-title\">{}</title>\n<desc id=\"{name}-description\">{}</desc>\n\
         <rect width=\"100%\" height=\"100%\" fill=\"#FFFFFF\"/>",
        escaped(title),
        escaped(description)
    );
    line.trim_end().trim_end_matches('>').to_string() + &attributes
}

fn dashed(line: &str, dashes: &[(String, &str)]) -> String {
    match dashes.iter().find(|(color, _)| line.contains(color.as_str())) {
        Some((color, dash)) => line.replacen(color.as_str(), &format!("{color} stroke-dasharray=\"{dash}\""), 1),
        None => line.to_string(),
    }
}

fn hex(RGBColor(r, g, b): RGBColor) -> String {
    format!("stroke=\"#{r:02X}{g:02X}{b:02X}\"")
}

pub(crate) fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}
