//! Words around the numbers: units, titles, settings.

use super::number;

/// Units by their spelling: what they measure in SI, and the factor.
const UNITS: [(&str, &str, f64); 28] = [
    ("s", "s", 1.0),
    ("sec", "s", 1.0),
    ("second", "s", 1.0),
    ("seconds", "s", 1.0),
    ("ms", "s", 1e-3),
    ("us", "s", 1e-6),
    ("ns", "s", 1e-9),
    ("ps", "s", 1e-12),
    ("v", "V", 1.0),
    ("volt", "V", 1.0),
    ("volts", "V", 1.0),
    ("mv", "V", 1e-3),
    ("uv", "V", 1e-6),
    ("kv", "V", 1e3),
    ("a", "A", 1.0),
    ("amp", "A", 1.0),
    ("amps", "A", 1.0),
    ("ampere", "A", 1.0),
    ("amperes", "A", 1.0),
    ("ma", "A", 1e-3),
    ("ua", "A", 1e-6),
    ("ka", "A", 1e3),
    ("hz", "Hz", 1.0),
    ("khz", "Hz", 1e3),
    ("mhz", "Hz", 1e6),
    ("ghz", "Hz", 1e9),
    ("w", "W", 1.0),
    ("mw", "W", 1e-3),
];
/// Titles of a column of time.
const TIME: [&str; 5] = ["t", "time", "zeit", "temps", "tiempo"];
/// Titles of a column that counts.
const COUNT: [&str; 9] = ["sample", "samples", "index", "no", "no.", "nr", "nr.", "point", "n"];
/// What the time between samples is called, how often there is one, and the time of the first one.
const STEP: [&str; 8] =
    ["increment", "interval", "sample period", "sampling period", "time step", "delta t", "x incr", "dt"];
const RATE: [&str; 6] =
    ["sample rate", "sampling rate", "samplerate", "samples per second", "abtastrate", "sampling frequency"];
const START: [&str; 6] = ["start", "origin", "t0", "x zero", "xzero", "first sample"];
/// Settings of the other axis.
const OTHER_AXIS: [&str; 4] = ["vert", "volt", "y ", "y-"];

/// A unit in SI and its factor.
pub(super) fn unit(text: &str) -> Option<(&'static str, f64)> {
    let bare = text.trim().trim_matches('"').trim_matches(['(', ')', '[', ']', ' ']);
    let plain = bare.replace(['\u{b5}', '\u{3bc}'], "u");
    // MHz is no mHz, and MV no mV: among letters that stand alone only the first may be a prefix, and M is none that is meant here.
    if plain.starts_with('M') && !plain.eq_ignore_ascii_case("mhz") {
        return None;
    }
    let known = UNITS.iter().find(|(spelling, _, _)| plain.eq_ignore_ascii_case(spelling))?;
    Some((known.1, known.2))
}

/// A title without its unit, and the unit.
pub(super) fn titled(text: &str) -> (String, Option<(&'static str, f64)>) {
    let text = text.trim().trim_matches('"').trim();
    for (open, close) in [('(', ")"), ('[', "]"), ('/', "")] {
        let Some((name, behind)) = text.rsplit_once(open) else { continue };
        let Some(inside) = behind.strip_suffix(close) else { continue };
        if let (Some(unit), false) = (unit(inside), name.trim().is_empty()) {
            return (name.trim().to_string(), Some(unit));
        }
    }
    (text.to_string(), unit(text))
}

/// Whether a title is that of a column of time.
pub(super) fn is_time(title: &str) -> bool {
    TIME.iter().any(|word| title.eq_ignore_ascii_case(word))
}

/// Whether a title is that of a column that counts.
pub(super) fn is_count(title: &str) -> bool {
    COUNT.iter().any(|word| title.eq_ignore_ascii_case(word))
}

/// The stem of a title that says least or most, and whether it says most.
pub(super) fn end_of(title: &str) -> Option<(&str, bool)> {
    let (stem, end) = title.rsplit_once([' ', '_', '-', '.'])?;
    match end.to_ascii_lowercase().as_str() {
        "min" | "minimum" | "low" => Some((stem.trim(), false)),
        "max" | "maximum" | "high" => Some((stem.trim(), true)),
        _ => None,
    }
}

/// What a line above the numbers says of their time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Setting {
    Start(f64),
    Step(f64),
}

/// The setting in a line, in s.
pub(super) fn setting(line: &str) -> Option<Setting> {
    let line = line.to_lowercase();
    let (key, value) = line.split_once([':', '=', ';', ',', '\t'])?;
    if OTHER_AXIS.iter().any(|word| key.trim_start().starts_with(word)) {
        return None;
    }
    let has = |words: &[&str]| words.iter().any(|word| key.contains(word));
    let (number, unit) = valued(value)?;
    if has(&RATE) {
        return (number > 0.0).then(|| Setting::Step(1.0 / (number * rate(&unit))));
    }
    let seconds = number * self::unit(&unit).filter(|unit| unit.0 == "s").map_or(1.0, |unit| unit.1);
    if has(&STEP) {
        return (seconds > 0.0).then_some(Setting::Step(seconds));
    }
    has(&START).then_some(Setting::Start(seconds))
}

/// Factor of a rate by the letter before its unit, in lower case.
fn rate(unit: &str) -> f64 {
    match unit.bytes().next() {
        Some(b'k') => 1e3,
        Some(b'm') => 1e6,
        Some(b'g') => 1e9,
        _ => 1.0,
    }
}

/// The first number of a text, and the word behind it.
fn valued(text: &str) -> Option<(f64, String)> {
    let text = text.trim_start_matches([' ', '"', ';', ',', '\t', '=', ':']);
    let is_exponent = |at: usize| {
        let rest = &text.as_bytes()[at + 1..];
        rest.first().is_some_and(|byte| byte.is_ascii_digit())
            || (matches!(rest.first(), Some(b'-' | b'+')) && rest.get(1).is_some_and(u8::is_ascii_digit))
    };
    let belongs = |(at, letter): (usize, char)| match letter {
        '0'..='9' | '.' | '-' | '+' | '\u{2212}' => true,
        ',' => text[at + 1..].starts_with(|next: char| next.is_ascii_digit()),
        'e' => is_exponent(at),
        _ => false,
    };
    let end = text.char_indices().find(|at| !belongs(*at)).map_or(text.len(), |(at, _)| at);
    let comma = text[..end].contains(',');
    let value = number::cell(&text[..end], comma).filter(|value| value.is_finite())?;
    let behind = text[end..].trim_matches([' ', '"', ';', ',', '\t']);
    let unit = behind.split([' ', ';', ',', '\t', '"']).next().unwrap_or("");
    Some((value, unit.to_string()))
}
