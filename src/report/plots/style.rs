//! Colours, dash patterns and sizes of the plots, and the finish that the drawing library lacks.

use plotters::prelude::*;
use plotters::style::FontStyle;

/// Width of every plot in pixels of its own coordinates.
pub const WIDTH: i32 = 1600;
/// Text size as the drawing library counts it (1.24 times the font size in the file).
pub const TEXT: i32 = 31;
/// Width of a character at [`TEXT`], on the generous side.
pub const CHARACTER: i32 = 14;

pub const INK: RGBColor = RGBColor(0x22, 0x22, 0x22);
pub const FRAME: RGBColor = RGBColor(0x66, 0x66, 0x66);
pub const GRID: RGBColor = RGBColor(0xdd, 0xdd, 0xdd);
const LIMIT: RGBColor = RGBColor(0x3a, 0x3a, 0x3a);
const BAND: RGBColor = RGBColor(0x77, 0x77, 0x77);
const LOAD: RGBColor = RGBColor(0x88, 0x88, 0x88);

/// Hues of the parts. Their relative luminance rises from black in steps (0, 0.05, 0.13, 0.21, ...) while the
/// contrast against white stays at 3 or more; neighbours differ in blueness as well.
const HUES: [RGBColor; 6] = [
    RGBColor(0x00, 0x00, 0x00),
    RGBColor(0x1c, 0x3f, 0x94),
    RGBColor(0xb8, 0x4a, 0x0c),
    RGBColor(0x1f, 0x8a, 0x7d),
    RGBColor(0xa5, 0x63, 0xc8),
    RGBColor(0xa8, 0x88, 0x10),
];

/// Dash patterns of the parts in pixels; the original's line is solid.
const DASHES: [&str; 6] = ["", "26 9", "9 7", "26 8 5 8", "14 6", "26 6 5 6 5 6"];
const LIMIT_DASH: &str = "3 7";
const BAND_DASH: &str = "2 10";

/// Look of a line.
#[derive(Clone, Copy, Debug)]
pub struct Stroke {
    pub color: RGBColor,
    pub width: u32,
}

impl Stroke {
    /// Line of the part with that number.
    pub fn part(index: usize) -> Self {
        Self { color: part_color(index), width: if index == 0 { 4 } else { 3 } }
    }

    /// Line of a limit.
    pub fn limit() -> Self {
        Self { color: LIMIT, width: 3 }
    }

    /// Line of a band's edge.
    pub fn band() -> Self {
        Self { color: BAND, width: 3 }
    }

    /// Line of the load current.
    pub fn load() -> Self {
        Self { color: LOAD, width: 5 }
    }

    pub fn style(self) -> ShapeStyle {
        self.color.stroke_width(self.width)
    }
}

/// Parts beyond the last hue start over with another dash pattern; the lowest bits of blue keep the colour unique.
fn part_color(index: usize) -> RGBColor {
    let RGBColor(r, g, b) = HUES[index % HUES.len()];
    RGBColor(r, g, b ^ (index / HUES.len()).min(7) as u8)
}

fn part_dash(index: usize) -> &'static str {
    DASHES[(index + index / HUES.len()) % DASHES.len()]
}

pub fn text_style(color: RGBColor) -> TextStyle<'static> {
    (FontFamily::SansSerif, TEXT, FontStyle::Normal).into_font().color(&color)
}

/// Adds what the drawing library cannot: dash patterns, round joins, a white rim around text, title and
/// description for screen readers.
///
/// The library's SVG has no dash pattern, so each dashed line is drawn in a colour of its own and that colour
/// is looked for here.
pub fn described(svg: &str, name: &str, title: &str, description: &str) -> String {
    let mut dashes = vec![(hex(LIMIT), LIMIT_DASH), (hex(BAND), BAND_DASH)];
    dashes.extend((0..HUES.len() * 8).map(|i| (hex(part_color(i)), part_dash(i))).filter(|(_, dash)| !dash.is_empty()));
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

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}
