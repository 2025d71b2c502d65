//! Quantities with units: text to SI values at the inner edge, SI values to text at the outer edge.
//!
//! A quantity is one decimal number and one unit. Digits and the power of ten of the unit are joined as
//! text before the conversion, so that "4.7 uH" is the double nearest to 4.7e-6 and not a product of two
//! rounded numbers. Everything that could be read in two ways is refused with a hint.

use std::borrow::Cow;

/// What a quantity measures. The value is in the SI unit named with each variant.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Dimension {
    /// V
    Voltage,
    /// A
    Current,
    /// ohm
    Resistance,
    /// H
    Inductance,
    /// F
    Capacitance,
    /// Hz
    Frequency,
    /// s
    Time,
    /// A/s
    Slew,
    /// V/s
    VoltageSlew,
    /// degrees Celsius
    Temperature,
    /// K, a difference
    TemperatureRise,
    /// K/W
    ThermalResistance,
    /// W
    Power,
    /// C
    Charge,
    /// V s
    VoltSeconds,
    /// m
    Length,
    /// m2
    Area,
    /// m3
    Volume,
    /// S
    Conductance,
    /// A/V
    CurrentGain,
    /// T
    FluxDensity,
    /// W/m3
    PowerDensity,
    /// degrees
    Angle,
    /// dB
    Level,
    /// A part of a whole, written in per cent: "20 %" is 0.2.
    Fraction,
    /// A difference of two percentages: "0.3 points" is 0.003.
    Points,
    /// A true ratio: a plain number, or per cent.
    Ratio,
    /// A plain number.
    Number,
}

use Dimension::*;

/// All dimensions, for tests and for recognising a unit in the wrong place.
pub const DIMENSIONS: [Dimension; 28] = [
    Voltage,
    Current,
    Resistance,
    Inductance,
    Capacitance,
    Frequency,
    Time,
    Slew,
    VoltageSlew,
    Temperature,
    TemperatureRise,
    ThermalResistance,
    Power,
    Charge,
    VoltSeconds,
    Length,
    Area,
    Volume,
    Conductance,
    CurrentGain,
    FluxDensity,
    PowerDensity,
    Angle,
    Level,
    Fraction,
    Points,
    Ratio,
    Number,
];

impl Dimension {
    /// Name for people.
    pub fn name(self) -> &'static str {
        self.spec().0
    }

    /// SI unit in which the value is held; empty for plain numbers.
    pub fn si_unit(self) -> &'static str {
        match self {
            Fraction | Points | Ratio => "",
            _ => self.spec().1[0],
        }
    }

    /// Unit as it is commonly written for this dimension, for hints.
    pub fn usual_unit(self) -> &'static str {
        self.spec().2
    }

    /// (name, accepted unit forms, usual unit). In a form, "/" divides and a space multiplies.
    fn spec(self) -> (&'static str, &'static [&'static str], &'static str) {
        match self {
            Voltage => ("voltage", &["V"], "V"),
            Current => ("current", &["A"], "A"),
            Resistance => ("resistance", &["ohm"], "mohm"),
            Inductance => ("inductance", &["H"], "uH"),
            Capacitance => ("capacitance", &["F"], "uF"),
            Frequency => ("frequency", &["Hz"], "kHz"),
            Time => ("time", &["s"], "us"),
            Slew => ("slew", &["A/s"], "A/us"),
            VoltageSlew => ("slew of a voltage", &["V/s"], "V/us"),
            Temperature => ("temperature", &["degC"], "degC"),
            TemperatureRise => ("temperature difference", &["K"], "K"),
            ThermalResistance => ("thermal resistance", &["K/W", "degC/W"], "K/W"),
            Power => ("power", &["W"], "mW"),
            Charge => ("charge", &["C"], "nC"),
            VoltSeconds => ("volt-seconds", &["V s", "Wb"], "V us"),
            Length => ("length", &["m"], "mm"),
            Area => ("area", &["m2"], "mm2"),
            Volume => ("volume", &["m3"], "mm3"),
            Conductance => ("transconductance", &["S", "A/V"], "uS"),
            CurrentGain => ("current gain", &["A/V", "S"], "A/V"),
            FluxDensity => ("flux density", &["T"], "mT"),
            PowerDensity => ("power density", &["W/m3"], "kW/m3"),
            Angle => ("angle", &["deg"], "deg"),
            Level => ("level", &["dB"], "dB"),
            Fraction => ("percentage", &["%"], "%"),
            Points => ("percentage points", &["points", "point"], "points"),
            Ratio => ("ratio", &["", "%"], ""),
            Number => ("plain number", &[""], ""),
        }
    }
}

/// Why a text is no quantity of the expected dimension.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refusal {
    /// What was expected, with an example of the unit.
    pub expected: String,
    /// What to write instead, or what is wrong.
    pub hint: String,
}

/// Longest text of a quantity in bytes; a longer one is something else.
const LONGEST: usize = 100;

/// Reads a quantity; the result is in the SI unit of the dimension and always finite.
///
/// The conversion is exact to the last bit of a double: it equals the decimal number written out in SI.
pub fn parse(text: &str, dimension: Dimension) -> Result<f64, Refusal> {
    let refuse = |hint: String| Err(Refusal { expected: expected(dimension), hint });
    let mut rest = text.trim();
    if rest.len() > LONGEST {
        return refuse("write one number and its unit".into());
    }
    for sign in ["+/-", "+-", "±"] {
        if let Some(stripped) = rest.strip_prefix(sign) {
            if dimension != Fraction {
                return refuse("only a tolerance may carry a plus-minus sign; write one value".into());
            }
            rest = stripped.trim_start();
            break;
        }
    }
    let rest = if rest.is_ascii() { Cow::Borrowed(rest) } else { rest.replace('\u{2212}', "-").into() };
    let (digits, exponent_text, unit_text) = split_number(&rest);
    if let Some(hint) = bad_digits(digits, unit_text, dimension) {
        return refuse(hint);
    }
    let unit = normalise_unit(unit_text);
    let Some(unit_exponent) = exponent_of_unit(&unit, dimension) else {
        return refuse(hint_for_unit(digits, exponent_text, &unit, dimension));
    };
    let exponent: i32 = if exponent_text.is_empty() { 0 } else { exponent_text.parse().unwrap_or(i32::MAX) };
    if exponent.unsigned_abs() > 30 || digits.len() > 40 {
        return refuse("the number is out of all proportion".into());
    }
    let value: f64 = format!("{digits}e{}", exponent + unit_exponent).parse().unwrap_or(f64::NAN);
    if value.is_finite() { Ok(value) } else { refuse("write a finite decimal number".into()) }
}

/// Whether a text is a unit of a dimension, as [`parse`] takes it behind a number.
pub fn is_unit(text: &str, dimension: Dimension) -> bool {
    let unit = text.trim();
    let follows_digits = unit.starts_with(|c: char| c.is_ascii_digit());
    unit.len() < LONGEST - 1 && !follows_digits && exponent_of_unit(&normalise_unit(unit), dimension).is_some()
}

/// "resistance, such as "22 mohm"", with the number of the user where there is one.
fn expected(dimension: Dimension) -> String {
    match dimension {
        Number => "a plain number without unit".into(),
        Ratio => "a ratio: a plain number such as 0.45, or per cent such as \"45 %\"".into(),
        _ => format!("{} with its unit, such as \"22 {}\"", dimension.name(), dimension.usual_unit()),
    }
}

/// Splits into the digits, the text of the exponent and what follows.
fn split_number(text: &str) -> (&str, &str, &str) {
    let is_digit_like =
        |(i, c): (usize, char)| c.is_ascii_digit() || ".,'\u{2019}_".contains(c) || (i == 0 && "+-".contains(c));
    let end = text.char_indices().find(|&at| !is_digit_like(at)).map_or(text.len(), |(i, _)| i);
    let (digits, after) = text.split_at(end);
    if let Some(tail) = after.strip_prefix(['e', 'E']) {
        let signed = tail.strip_prefix(['+', '-']).unwrap_or(tail);
        let length = signed.chars().take_while(char::is_ascii_digit).count();
        if length > 0 {
            let cut = tail.len() - signed.len() + length;
            return (digits, &tail[..cut], tail[cut..].trim());
        }
    }
    (digits, "", after.trim())
}

/// Hint for digits that are no plain decimal number.
fn bad_digits(digits: &str, unit: &str, dimension: Dimension) -> Option<String> {
    let with = |number: &str| join(number, if unit.is_empty() { dimension.usual_unit() } else { unit });
    let body = digits.trim_start_matches(['+', '-']);
    if !body.contains(|c: char| c.is_ascii_digit()) {
        let special = ["nan", "inf"].iter().any(|s| unit.to_ascii_lowercase().starts_with(s));
        return Some(if special { "write a finite decimal number" } else { "start with a decimal number" }.into());
    }
    let only = |mark: char| body.chars().all(|c| c.is_ascii_digit() || c == mark);
    if body.matches(',').count() == 1 && only(',') && !grouped(body, ',') {
        return Some(format!("write the decimal point: \"{}\"", with(&digits.replace(',', "."))));
    }
    if body.contains([',', '\'', '\u{2019}', '_']) {
        let plain: String = digits.chars().filter(|c| !",'\u{2019}_".contains(*c)).collect();
        let comma = if grouped(body, ',') && body.matches(',').count() == 1 {
            format!(" or, if the comma is a decimal one, \"{}\"", with(&digits.replace(',', ".")))
        } else {
            String::new()
        };
        return Some(format!("write digits without separators: \"{}\"{comma}", with(&plain)));
    }
    if unit.starts_with(|c: char| c.is_ascii_digit()) {
        return Some("write digits without spaces between them, and one value only".into());
    }
    (body.matches('.').count() > 1).then(|| "write one decimal point only".into())
}

/// Whether the mark separates groups of three digits ("1,000").
fn grouped(body: &str, mark: char) -> bool {
    let mut groups = body.split(mark);
    let first = groups.next().unwrap_or("");
    (1..=3).contains(&first.len()) && first != "0" && groups.all(|g| g.len() == 3)
}

fn join(number: &str, unit: &str) -> String {
    if unit.is_empty() { number.to_string() } else { format!("{number} {unit}") }
}

/// One spelling for each unit: micro, ohm, degrees, powers, products.
fn normalise_unit(unit: &str) -> Cow<'_, str> {
    let is_plain = |byte: u8| byte.is_ascii_alphanumeric() || b"%/".contains(&byte);
    if unit.bytes().all(is_plain) && !unit.contains("Ohm") {
        return unit.into();
    }
    let unit = unit
        .replace(['\u{b5}', '\u{3bc}'], "u")
        .replace(['\u{3a9}', '\u{2126}'], "ohm")
        .replace("Ohm", "ohm")
        .replace("\u{b0}C", "degC")
        .replace('\u{2103}', "degC")
        .replace('\u{b2}', "2")
        .replace('\u{b3}', "3")
        .replace('^', "")
        .replace(['\u{b7}', '*', '\u{22c5}'], " ");
    unit.split_whitespace().collect::<Vec<_>>().join(" ").replace(" /", "/").replace("/ ", "/").into()
}

const PREFIXES: [(char, i32); 8] =
    [('p', -12), ('n', -9), ('u', -6), ('m', -3), ('c', -2), ('k', 3), ('M', 6), ('G', 9)];

/// Power of ten that the unit stands for, relative to SI; `None` where it is no unit of the dimension.
fn exponent_of_unit(unit: &str, dimension: Dimension) -> Option<i32> {
    dimension.spec().1.iter().find_map(|form| match_form(unit, form))
}

fn match_form(unit: &str, form: &str) -> Option<i32> {
    match (unit.split_once('/'), form.split_once('/')) {
        (None, None) => match_product(unit, form),
        (Some((un, ud)), Some((fn_, fd))) => Some(match_product(un, fn_)? - match_product(ud, fd)?),
        _ => None,
    }
}

/// A form with a space is a product of two symbols; the unit may be written with or without a space.
fn match_product(unit: &str, form: &str) -> Option<i32> {
    let Some((left, right)) = form.split_once(' ') else { return match_symbol(unit, form) };
    unit.char_indices().skip(1).find_map(|(i, _)| {
        Some(match_symbol(unit[..i].trim_end(), left)? + match_symbol(unit[i..].trim_start(), right)?)
    })
}

fn match_symbol(unit: &str, symbol: &str) -> Option<i32> {
    let prefix = unit.strip_suffix(symbol)?;
    if prefix.is_empty() {
        return Some(if matches!(symbol, "%" | "points" | "point") { -2 } else { 0 });
    }
    let metric = symbol.starts_with('m');
    let bare = matches!(symbol, "" | "%" | "degC" | "K" | "points" | "point");
    let mut chars = prefix.chars();
    let (first, None) = (chars.next()?, chars.next()) else { return None };
    let power = if symbol.ends_with('2') {
        2
    } else if symbol.ends_with('3') {
        3
    } else {
        1
    };
    PREFIXES.iter().find(|(c, _)| *c == first && !bare && (first != 'c' || metric)).map(|(_, e)| e * power)
}

fn hint_for_unit(digits: &str, exponent: &str, unit: &str, dimension: Dimension) -> String {
    let number = if exponent.is_empty() { digits.to_string() } else { format!("{digits}e{exponent}") };
    let usual = dimension.usual_unit();
    let suggestion = format!("\"{}\"", join(&number, usual));
    if unit.is_empty() {
        return format!("the unit is missing; write for example {suggestion}");
    }
    if usual.is_empty() {
        return format!("remove the unit: {suggestion}");
    }
    if let Some(spelled) = same_but_case(unit, dimension) {
        return format!("upper and lower case matter; did you mean \"{number} {spelled}\"?");
    }
    let first_word = unit.split(' ').next().unwrap_or(unit);
    if first_word != unit && exponent_of_unit(first_word, dimension).is_some() {
        return format!("remove what follows the unit: \"{number} {first_word}\"");
    }
    if let (Some((_, _)), true) = (PREFIXES.iter().find(|(c, _)| unit == c.to_string()), unit != "c") {
        let symbol = dimension.spec().1[0];
        if !symbol.contains(['/', ' ']) && match_symbol(&format!("{unit}{symbol}"), symbol).is_some() {
            return format!("\"{unit}\" alone is no unit of {}; write \"{number} {unit}{symbol}\"", dimension.name());
        }
    }
    match DIMENSIONS.iter().find(|d| exponent_of_unit(unit, **d).is_some()) {
        Some(other) => format!("\"{unit}\" is a unit of {}; write for example {suggestion}", other.name()),
        None => format!("\"{unit}\" is no unit known here; write for example {suggestion}"),
    }
}

/// The accepted spelling that differs from the text in upper and lower case only.
fn same_but_case(unit: &str, dimension: Dimension) -> Option<String> {
    let forms = dimension.spec().1.iter();
    forms
        .flat_map(|f| PREFIXES.iter().map(move |(c, _)| format!("{c}{f}")).chain([f.to_string()]))
        .filter(|spelled| exponent_of_unit(spelled, dimension).is_some())
        .filter(|spelled| spelled.eq_ignore_ascii_case(unit))
        // "MHZ" means MHz and not mHz: the spelling that shares most letters wins.
        .max_by_key(|spelled| spelled.chars().zip(unit.chars()).filter(|(a, b)| a == b).count())
}

/// Writes a value in SI with a prefix: rounded to `digits` significant digits first, then the prefix is
/// chosen, so that the mantissa always lies in [1, 1000). Temperatures, per cent and plain numbers keep
/// their unit; beyond the prefixes p to G the power of ten is written out.
pub fn format_si(value: f64, unit: &str, digits: usize) -> String {
    let digits = digits.clamp(1, 17);
    if value == 0.0 || !value.is_finite() {
        return join(&if value == 0.0 { "0".to_string() } else { value.to_string() }, unit);
    }
    let scientific = format!("{value:.*e}", digits - 1);
    let (mantissa, exponent) = scientific.split_once('e').unwrap_or((&scientific, "0"));
    let exponent: i32 = exponent.parse().unwrap_or(0);
    let bare = matches!(unit, "" | "%" | "degC" | "\u{b0}C" | "K" | "K/W" | "points" | "dB");
    let prefixed = if bare { 0 } else { exponent.div_euclid(3) * 3 };
    let prefix = match prefixed {
        -12 => "p",
        -9 => "n",
        -6 => "\u{b5}",
        -3 => "m",
        0 => "",
        3 => "k",
        6 => "M",
        9 => "G",
        _ => return join(&scientific, unit),
    };
    if bare && !(-6..17).contains(&exponent) {
        return join(&scientific, unit);
    }
    join(&shift_point(mantissa, exponent - prefixed), &format!("{prefix}{unit}"))
}

/// Moves the decimal point of "d.ddd" by `places`.
fn shift_point(mantissa: &str, places: i32) -> String {
    let (sign, body) = mantissa.strip_prefix('-').map_or(("", mantissa), |b| ("-", b));
    let digits: String = body.chars().filter(|c| *c != '.').collect();
    if places < 0 {
        return format!("{sign}0.{}{digits}", "0".repeat((-places - 1) as usize));
    }
    let whole = places as usize + 1;
    if digits.len() <= whole {
        return format!("{sign}{digits}{}", "0".repeat(whole - digits.len()));
    }
    format!("{sign}{}.{}", &digits[..whole], &digits[whole..])
}

/// Writes a value of a dimension for messages and tables: at most six digits, no trailing zeros.
pub fn show(value: f64, dimension: Dimension) -> String {
    let (scaled, unit) = match dimension {
        Fraction => (value * 100.0, "%"),
        Points => (value * 100.0, "points"),
        _ => (value, dimension.si_unit()),
    };
    // A prefix on an area or a volume would have to be squared or cubed; powers of ten say the same safely.
    let text = match dimension {
        Area | Volume if value != 0.0 => join(&format!("{scaled:.5e}"), unit),
        _ => format_si(scaled, unit, 6),
    };
    let (number, unit) = text.split_once(' ').unwrap_or((&text, ""));
    let (mantissa, power) = number.split_once('e').map_or((number, String::new()), |(m, p)| (m, format!("e{p}")));
    let mantissa = if mantissa.contains('.') { mantissa.trim_end_matches('0').trim_end_matches('.') } else { mantissa };
    join(&format!("{mantissa}{power}"), unit)
}

/// The same number with another prefix that brings it into the range: for hints at slips such as mHz for MHz.
pub fn other_prefix(text: &str, dimension: Dimension, range: (f64, f64)) -> Option<String> {
    let (digits, exponent, unit) = split_number(text.trim());
    let unit = normalise_unit(unit);
    let symbol = dimension.spec().1[0];
    // m and M are the usual slip; else the nearest prefix is the likeliest.
    let slip = match unit.chars().next() {
        Some('m') => 'M',
        Some('M') => 'm',
        _ => ' ',
    };
    let own = exponent_of_unit(&unit, dimension).unwrap_or(0);
    let mut prefixes: Vec<(String, i32)> =
        PREFIXES.iter().map(|(c, e)| (c.to_string(), *e)).chain([(String::new(), 0)]).collect();
    prefixes.sort_by_key(|(p, e)| (!p.starts_with(slip), (e - own).abs()));
    let number = if exponent.is_empty() { digits.to_string() } else { format!("{digits}e{exponent}") };
    prefixes
        .iter()
        .map(|(p, _)| format!("{number} {p}{symbol}"))
        .find(|candidate| parse(candidate, dimension).is_ok_and(|v| v != 0.0 && (range.0..=range.1).contains(&v)))
}
