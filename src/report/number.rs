//! Numbers for people: one prefix a row, three to four significant digits, signs and shares.

use crate::judge::finding::SMALL_SHARE;
use crate::record::layout::{Cell, ChangeKind, LimitRecord, QuantityRow, Side, Value};

/// Units that take a prefix, with the largest power of ten that is usual for them.
const PREFIXED: [(&str, i32); 13] = [
    ("V", 3),
    ("A", 3),
    ("ohm", 6),
    ("m", 0),
    ("H", 0),
    ("F", 0),
    ("s", 0),
    ("Hz", 9),
    ("W", 3),
    ("J", 3),
    ("Wb", 0),
    ("A/s", 9),
    ("V/s", 9),
];

/// Unit of a share of a whole, shown in per cent.
const FRACTION: &str = "fraction";

/// Share of a limit below which a value is rounding and shown as nothing.
const NOTHING: f64 = 1e-9;

/// Magnitudes that are written without an exponent, after the prefix.
const PLAIN: std::ops::Range<f64> = 1e-5..1e7;

/// Prefix and number of decimals that the values of one row or axis share.
#[derive(Clone, Debug, PartialEq)]
pub struct Scale {
    /// Power of ten of the prefix.
    exponent: i32,
    /// Prefix and unit as shown, empty for a pure number.
    pub unit: String,
    decimals: i32,
}

impl Scale {
    /// Scale that suits the largest of `values`, which are in the SI unit `unit`.
    pub fn of(values: impl IntoIterator<Item = f64>, unit: &str) -> Self {
        let largest = values.into_iter().filter(|v| v.is_finite()).fold(0.0, |a: f64, v| a.max(v.abs()));
        let exponent = prefix_exponent(largest, unit);
        let decimals = if largest > 0.0 { (3 - magnitude(largest) + exponent).clamp(0, 6) } else { 0 };
        Self { exponent, unit: format!("{}{}", prefix(exponent), shown_unit(unit)), decimals }
    }

    /// The value in the prefixed unit.
    pub fn scaled(&self, value: f64) -> f64 {
        // Only whole powers of ten, which are exact; 1e-3 is not.
        if self.exponent < 0 { value * 10_f64.powi(-self.exponent) } else { value / 10_f64.powi(self.exponent) }
    }

    /// The number alone: four significant digits for the row's largest value, no less than three for a small one.
    pub fn number(&self, value: f64) -> String {
        let v = self.scaled(value);
        if !v.is_finite() {
            return "invalid".into();
        }
        if v != 0.0 && !PLAIN.contains(&v.abs()) {
            return format!("{v:.2e}");
        }
        let wanted = if v == 0.0 { 0 } else { 2 - magnitude(v) };
        fixed(v, self.decimals.max(wanted.min(self.decimals + 3)))
    }

    /// The number without needless zeros, for a limit that a person wrote.
    pub fn short(&self, value: f64) -> String {
        shortest(self.scaled(value))
    }

    /// An uncertainty in the prefixed unit: two significant digits.
    pub(crate) fn doubt(&self, uncertainty: f64) -> String {
        let v = self.scaled(uncertainty);
        let decimals = if v > 0.0 && v.is_finite() { (1 - magnitude(v)).clamp(0, 6) } else { 0 };
        fixed(v, decimals)
    }

    /// Number and unit.
    pub fn with_unit(&self, value: f64) -> String {
        joined(&self.number(value), &self.unit)
    }
}

fn joined(number: &str, unit: &str) -> String {
    if unit.is_empty() { number.to_string() } else { format!("{number} {unit}") }
}

/// A price as people write it: two decimals, or as many as it needs up to four.
pub fn price(amount: f64, currency: &str) -> String {
    let text = format!("{amount:.4}");
    let cents = text.len() - 2;
    let short = text[cents..].trim_end_matches('0');
    format!("{}{short} {currency}", &text[..cents])
}

/// Value with prefix and unit, standing alone, without needless zeros.
pub fn quantity(value: f64, unit: &str) -> String {
    let scale = Scale::of([value], unit);
    joined(&trimmed(scale.number(value)), &scale.unit)
}

fn trimmed(number: String) -> String {
    if number.contains('.') { number.trim_end_matches('0').trim_end_matches('.').to_string() } else { number }
}

fn magnitude(value: f64) -> i32 {
    value.abs().log10().floor() as i32
}

fn prefix_exponent(largest: f64, unit: &str) -> i32 {
    if unit == FRACTION {
        return -2;
    }
    let Some((_, most)) = PREFIXED.iter().find(|(name, _)| *name == unit) else {
        return 0;
    };
    if largest == 0.0 { 0 } else { (magnitude(largest).div_euclid(3) * 3).clamp(-12, *most) }
}

fn prefix(exponent: i32) -> &'static str {
    match exponent {
        -12 => "p",
        -9 => "n",
        -6 => "µ",
        -3 => "m",
        3 => "k",
        6 => "M",
        9 => "G",
        _ => "",
    }
}

fn shown_unit(unit: &str) -> &str {
    match unit {
        "degC" => "°C",
        "deg" => "°",
        "ohm" => "Ω",
        "1" => "",
        FRACTION => "%",
        other => other,
    }
}

/// Fixed decimals without a negative zero.
pub(crate) fn fixed(value: f64, decimals: i32) -> String {
    let text = format!("{value:.*}", decimals.max(0) as usize);
    if text.trim_start_matches('-').chars().all(|c| c == '0' || c == '.') { text.replace('-', "") } else { text }
}

/// Up to six significant digits, trailing zeros dropped.
fn shortest(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return fixed(0.0, 0);
    }
    trimmed(fixed(value, (5 - magnitude(value)).clamp(0, 12)))
}

/// A fraction in per cent with three significant digits and a sign: "+15.1", "-0.42", "0".
fn signed_percent(fraction: f64) -> String {
    let percent = 100.0 * fraction;
    if percent.abs() < 0.005 {
        return "0".into();
    }
    // Above ten no decimals.
    let text = fixed(percent, (1 - magnitude(percent)).clamp(0, 2));
    if percent > 0.0 { format!("+{text}") } else { text }
}

/// A share in per cent: whole numbers, one decimal close to 100 so that 99.7 never reads as 100.
pub(crate) fn percent(share: f64) -> String {
    let percent = 100.0 * share;
    match percent {
        p if p > 999.0 => ">999".into(),
        p if (p - 100.0).abs() < 1.0 && p != 100.0 => fixed(p, 1),
        p => fixed(p, 0),
    }
}

/// A value on a scale: a count as a whole number, a bound marked as one.
pub(crate) fn bounded(scale: &Scale, value: &Value, unit: &str) -> String {
    match value {
        Value::AtLeast(_) if unit.is_empty() => "no repeat".into(),
        Value::Number(number) if unit.is_empty() && number.fract() == 0.0 => fixed(*number, 0),
        Value::Number(number) => scale.number(*number),
        Value::AtLeast(number) => format!(">{}", scale.short(*number)),
        Value::AtMost(number) => format!("<{}", scale.short(*number)),
        Value::NotComputed(_) => "not known".into(),
    }
}

/// How the cells of one row of the comparison are shown.
pub struct RowFormat<'a> {
    row: &'a QuantityRow,
    /// Prefix and unit of the row.
    pub scale: Scale,
}

impl<'a> RowFormat<'a> {
    /// Format that suits the cells of `row`.
    pub fn of(row: &'a QuantityRow) -> Self {
        let limit = row.limit.as_ref().map(|limit| limit.value);
        let nothing = limit.map_or(0.0, |limit| NOTHING * limit.abs());
        let cells = row.cells.iter().flatten().filter_map(|cell| cell.value.number());
        let mut cells = cells.filter(|number| number.abs() > nothing).peekable();
        let scale = match (cells.peek(), limit) {
            (None, Some(limit)) => Scale::of([limit], &row.unit),
            _ => Scale::of(cells, &row.unit),
        };
        Self { row, scale }
    }

    /// Value without unit; a count stays a whole number, a bound is marked as one.
    pub fn value(&self, cell: &Cell) -> String {
        self.bounded(&cell.value)
    }

    /// A value on the scale of the row.
    pub fn bounded(&self, value: &Value) -> String {
        let limit = self.row.limit.as_ref().map_or(0.0, |limit| limit.value.abs());
        match value {
            Value::Number(number) if number.abs() <= NOTHING * limit => {
                bounded(&self.scale, &Value::Number(0.0), &self.row.unit)
            }
            value => bounded(&self.scale, value, &self.row.unit),
        }
    }

    /// Change against the original in the same condition: "+15.1 %" where the original uses enough of its limit to be a base, else a
    /// difference in the row's unit; shares differ by points. `None` where one of the two is no number.
    pub fn change(&self, cell: &Cell) -> Option<String> {
        let (value, base) = (cell.value.exact()?, cell.original.as_ref()?.exact()?);
        let limit = cell.own_limit.as_ref().or(self.row.limit.as_ref()).map_or(0.0, |limit| limit.value.abs());
        let is_base = base != 0.0 && base.abs() >= SMALL_SHARE * limit;
        Some(match self.row.change_kind {
            ChangeKind::Fraction if is_base => format!("{} %", signed_percent((value - base) / base.abs())),
            _ if self.row.unit == FRACTION => format!("{} points", self.signed(value - base)),
            _ => joined(&self.signed(value - base), difference_unit(&self.row.unit, &self.scale.unit)),
        })
    }

    /// A difference with the decimals of the row, which is what both values were shown with.
    fn signed(&self, change: f64) -> String {
        let text = fixed(self.scale.scaled(change), self.scale.decimals);
        match change {
            _ if !text.chars().any(|c| c.is_ascii_digit() && c != '0') => "0".into(),
            c if c > 0.0 => format!("+{text}"),
            _ => text,
        }
    }

    /// How much of the absolute limit the value uses: "47 %".
    pub fn used(&self, cell: &Cell) -> Option<String> {
        limit_use(self.row, cell).map(|share| format!("{} %", percent(share)))
    }

    /// The absolute limit in words: "max 30 mV".
    pub fn limit(&self) -> Option<String> {
        self.row.limit.as_ref().map(|limit| self.limit_words(limit))
    }

    /// The part's own limit in words, where it is not that of the row.
    pub fn own_limit(&self, cell: &Cell) -> Option<String> {
        cell.own_limit.as_ref().map(|limit| self.limit_words(limit))
    }

    fn limit_words(&self, limit: &LimitRecord) -> String {
        let number = joined(&self.scale.short(limit.value), &self.scale.unit);
        sided(limit, &number)
    }
}

/// Unit of a difference: temperatures differ by kelvins, shares by points.
pub(crate) fn difference_unit<'a>(unit: &str, shown: &'a str) -> &'a str {
    match unit {
        "degC" => "K",
        FRACTION => "points",
        _ => shown,
    }
}

pub(crate) fn sided(limit: &LimitRecord, number: &str) -> String {
    match limit.side {
        Side::AtMost => format!("max {number}"),
        Side::AtLeast => format!("min {number}"),
        Side::Within => format!("±{number}"),
    }
}

/// Share of the absolute limit that a value uses, so that more than 1 is always past it: value over
/// limit, and limit over value where the limit is a lowest allowed value.
///
/// A waveform that does not repeat has no count of periods that could be a share of the limit.
pub(crate) fn limit_use(row: &QuantityRow, cell: &Cell) -> Option<f64> {
    let number = cell.value.number().filter(|_| !(cell.value.is_bound() && row.unit.is_empty()))?;
    let limit = cell.own_limit.as_ref().or(row.limit.as_ref())?;
    let share = match limit.side {
        Side::AtMost | Side::Within => number / limit.value,
        Side::AtLeast if number > 0.0 && limit.value > 0.0 => limit.value / number,
        Side::AtLeast => return None,
    };
    share.is_finite().then_some(share)
}

/// A difference in units of a resolution: whole from 10 on, one decimal below, so that 2 is told from 1.6.
pub(crate) fn separation(times: f64) -> String {
    fixed(times, if times.abs() < 9.95 { 1 } else { 0 })
}
