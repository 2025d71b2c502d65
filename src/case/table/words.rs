//! The words of a header, of units and of cells, each in one table. What is not here is not understood, and never guessed.

use crate::units::{self, Dimension};

/// What the words of a header mean.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Word {
    /// A key of a part.
    Key(&'static str),
    /// The name of the part in a word that also means other things: yields to a column that surely has it.
    PerhapsName,
    /// A winding resistance, typical or largest.
    Resistance,
    /// A current that may be the saturation or the heating current.
    SomeCurrent,
    /// Length, width and height in one cell.
    Size,
    /// A range of temperatures, of which the upper end counts.
    TemperatureRange,
    /// The inductance, if its cells are in henry.
    Value,
    /// The price of one piece.
    Price,
    /// The number of pieces for which the price beside it holds.
    PiecesOfPrice,
    /// Pieces in stock.
    Stock,
    /// A number of pieces that may be those in stock.
    SomeQuantity,
}

use Word::*;

/// Words of a header in lower case, without units, conditions and qualifiers. The keys of the case format are understood beside them.
#[rustfmt::skip] // one meaning a row, as a table
const HEADERS: &[(Word, &[&str])] = &[
    (Key("name"), &["part number", "part no", "part nr", "partnumber", "part num", "partno", "pn", "p n", "mpn", "manufacturer part number", "manufacturer part no", "mfr part number", "mfr part no", "mfg part number", "manufacturer pn", "order code", "ordering code", "order number", "order no", "artikelnummer", "artikel nr", "art nr", "art no", "sachnummer", "sach nr", "bestellnummer", "bestell nr", "teilenummer", "teile nr"]),
    (PerhapsName, &["part", "type", "model", "article", "part name", "product", "inductor", "artikel", "bezeichnung", "bauteil"]),
    (Key("core"), &["core material", "material", "core type", "core family", "werkstoff", "kern", "kernmaterial", "kernwerkstoff"]),
    (Key("inductance"), &["l", "l0", "ln", "induktivität", "nenninduktivität", "initial inductance", "inductance value", "inductance l", "l inductance", "inductance l0"]),
    (Value, &["value", "wert"]),
    (Key("tolerance"), &["tol", "inductance tolerance", "l tolerance", "l tol", "inductance tol", "toleranz", "tolerance of l"]),
    (Resistance, &["dcr", "rdc", "r dc", "dc resistance", "resistance", "winding resistance", "resistance dc", "dc r", "dcr resistance", "dc resistance dcr", "gleichstromwiderstand", "widerstand", "wicklungswiderstand"]),
    (Key("saturation_current"), &["isat", "i sat", "saturation", "sat current", "current saturation", "isat current", "saturation current isat", "sättigungsstrom", "sättigungsstrom isat"]),
    (Key("hot_saturation_current"), &["hot isat", "isat hot", "saturation current hot"]),
    (Key("saturation_drop"), &["inductance drop", "l drop", "drop", "dl"]),
    (Key("heating_current"), &["irms", "i rms", "rms current", "current rms", "itemp", "temperature rise current", "heat rating current", "heating rated current", "thermal current", "irms current", "heating current irms", "erwärmungsstrom"]),
    (Key("heating_rise"), &["temperature rise", "temp rise", "rise", "dt", "erwärmung"]),
    (SomeCurrent, &["rated current", "current", "current rating", "irated", "ir", "i rated", "inom", "i nom", "in", "idc", "rated dc current", "dc current", "max current", "nennstrom", "strom"]),
    (Key("thermal_resistance"), &["rth", "wärmewiderstand"]),
    (TemperatureRange, &["operating temperature", "operating temp", "operating temperature range", "temperature range", "temp range", "operating range", "betriebstemperatur", "temperaturbereich"]),
    (Key("working_voltage"), &["rated voltage", "operating voltage", "voltage rating", "voltage", "nennspannung", "betriebsspannung"]),
    (Key("self_resonance"), &["srf", "self resonant frequency", "self resonance frequency", "resonance frequency", "resonant frequency", "eigenresonanz"]),
    (Size, &["size", "dimensions", "dimension", "body size", "body dimensions", "abmessungen", "maße"]),
    (Key("body_length"), &["length", "länge"]),
    (Key("body_width"), &["width", "breite", "w"]),
    (Key("body_height"), &["height", "thickness", "höhe", "bauhöhe", "profile", "h"]),
    (Key("note"), &["remark", "remarks", "notes", "comment", "comments", "bemerkung"]),
    (Key("shield"), &["shielding", "schirmung"]),
];

/// The meaning of the words of a header.
pub fn header(words: &str) -> Option<Word> {
    let key = super::PART.iter().find(|key| super::is_plain(key) && key.path.replace('_', " ") == words);
    let known = || HEADERS.iter().find(|(_, all)| all.contains(&words)).map(|(word, _)| *word);
    key.map(|key| Key(key.path)).or_else(known)
}

/// What titles are understood, for people: the meaning, and the words that have it.
pub fn documented() -> Vec<(&'static str, &'static [&'static str])> {
    let meaning = |word: Word| match word {
        Key(key) => key,
        PerhapsName => "name, where no other column has it",
        Resistance => "dcr_typical or dcr_max, as the title or the cell says",
        SomeCurrent => {
            "saturation_current with a drop in per cent, heating_current with a rise; else it is asked about"
        }
        Size => "body_length, body_width and body_height in one cell",
        TemperatureRange => "max_temperature, the upper end of the range",
        Value => "inductance, where title or cells are in henry",
        Price | PiecesOfPrice | Stock | SomeQuantity => "", // they have a table of their own
    };
    HEADERS.iter().map(|(word, all)| (meaning(*word), *all)).chain(super::offer::documented()).collect()
}

/// Abbreviations of single words.
const SHORT: &[(&str, &str)] = &[
    ("ind", "inductance"),
    ("tol", "tolerance"),
    ("sat", "saturation"),
    ("temp", "temperature"),
    ("curr", "current"),
    ("freq", "frequency"),
    ("res", "resistance"),
    ("mat", "material"),
];

/// A word in full.
pub fn in_full(word: &str) -> &str {
    SHORT.iter().find(|(short, _)| *short == word).map_or(word, |(_, full)| full)
}

/// Words of a header that change nothing about its meaning.
pub const FILLERS: &[&str] = &[
    "at",
    "of",
    "the",
    "for",
    "with",
    "value",
    "nominal",
    "nom",
    "rated",
    "bei",
    "and",
    "by",
    "drop",
    "rise",
    "dl",
    "dt",
    "l",
    "t",
    "temp",
    "temperature",
    "inductance",
    "test",
    "ambient",
];

/// Words that a title may have and yet say nothing without the title before it.
pub const JOINTS: &[&str] = &["at", "of", "for", "with", "bei", "drop", "rise", "dl", "dt", "l", "t"];

/// Words behind a number of kelvins or degrees that make it a rise.
pub const RISES: &[&str] = &["rise", "dt", "increase", "erwärmung"];

/// What a qualifier says of a value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Qualifier {
    /// Typical, or nominal.
    Typical,
    /// Largest.
    Largest,
    /// Smallest.
    Least,
}

/// A qualifier, in lower case and without its point.
pub fn qualifier(word: &str) -> Option<Qualifier> {
    match word {
        "typ" | "typical" | "nom" | "nominal" => Some(Qualifier::Typical),
        "max" | "maximum" | "maximal" => Some(Qualifier::Largest),
        "min" | "minimum" | "minimal" => Some(Qualifier::Least),
        _ => None,
    }
}

/// Units as tables write them, where the case format has another spelling: written, dimension, spelling of the case format, factor.
#[rustfmt::skip] // as a table
const UNITS: &[(&str, Dimension, &str, f64)] = &[
    ("uh", Dimension::Inductance, "uH", 1.0),
    ("UH", Dimension::Inductance, "uH", 1.0),
    ("nh", Dimension::Inductance, "nH", 1.0),
    ("NH", Dimension::Inductance, "nH", 1.0),
    ("mh", Dimension::Inductance, "mH", 1.0),
    ("microhenry", Dimension::Inductance, "uH", 1.0),
    ("microhenries", Dimension::Inductance, "uH", 1.0),
    ("uHenry", Dimension::Inductance, "uH", 1.0),
    ("nanohenry", Dimension::Inductance, "nH", 1.0),
    ("millihenry", Dimension::Inductance, "mH", 1.0),
    ("ohms", Dimension::Resistance, "ohm", 1.0),
    ("Ohms", Dimension::Resistance, "ohm", 1.0),
    ("OHM", Dimension::Resistance, "ohm", 1.0),
    ("OHMS", Dimension::Resistance, "ohm", 1.0),
    ("R", Dimension::Resistance, "ohm", 1.0),
    ("mohms", Dimension::Resistance, "mohm", 1.0),
    ("mOhms", Dimension::Resistance, "mohm", 1.0),
    ("mOHM", Dimension::Resistance, "mohm", 1.0),
    ("mR", Dimension::Resistance, "mohm", 1.0),
    ("milliohm", Dimension::Resistance, "mohm", 1.0),
    ("milliohms", Dimension::Resistance, "mohm", 1.0),
    ("Adc", Dimension::Current, "A", 1.0),
    ("ADC", Dimension::Current, "A", 1.0),
    ("Arms", Dimension::Current, "A", 1.0),
    ("amp", Dimension::Current, "A", 1.0),
    ("amps", Dimension::Current, "A", 1.0),
    ("Amp", Dimension::Current, "A", 1.0),
    ("Amps", Dimension::Current, "A", 1.0),
    ("ampere", Dimension::Current, "A", 1.0),
    ("Ampere", Dimension::Current, "A", 1.0),
    ("Amperes", Dimension::Current, "A", 1.0),
    ("Vdc", Dimension::Voltage, "V", 1.0),
    ("VDC", Dimension::Voltage, "V", 1.0),
    ("volt", Dimension::Voltage, "V", 1.0),
    ("volts", Dimension::Voltage, "V", 1.0),
    ("Volts", Dimension::Voltage, "V", 1.0),
    ("percent", Dimension::Fraction, "%", 1.0),
    ("pct", Dimension::Fraction, "%", 1.0),
    ("1", Dimension::Fraction, "%", 100.0),
    ("C", Dimension::Temperature, "degC", 1.0),
    ("degC", Dimension::TemperatureRise, "K", 1.0),
    ("C", Dimension::TemperatureRise, "K", 1.0),
    ("Mhz", Dimension::Frequency, "MHz", 1.0),
    ("MHZ", Dimension::Frequency, "MHz", 1.0),
    ("in", Dimension::Length, "mm", MM_PER_INCH),
    ("inch", Dimension::Length, "mm", MM_PER_INCH),
    ("inches", Dimension::Length, "mm", MM_PER_INCH),
    ("Inch", Dimension::Length, "mm", MM_PER_INCH),
    ("\"", Dimension::Length, "mm", MM_PER_INCH),
    ("mil", Dimension::Length, "mm", MM_PER_INCH / 1000.0),
    ("mils", Dimension::Length, "mm", MM_PER_INCH / 1000.0),
];

/// The inch of 1959, exact.
const MM_PER_INCH: f64 = 25.4;

/// A unit that is understood: how the case format writes it, and what a number of it is multiplied by.
#[derive(Clone, Debug, PartialEq)]
pub struct Unit {
    /// As the case format writes it.
    pub written: String,
    /// Factor on the number.
    pub factor: f64,
}

/// The unit of a dimension that a text stands for. Upper and lower case matter where they tell milli from mega.
pub fn unit(text: &str, dimension: Dimension) -> Option<Unit> {
    let own = UNITS.iter().find(|(written, d, ..)| *written == text && *d == dimension);
    let listed = own.map(|(_, _, written, factor)| Unit { written: written.to_string(), factor: *factor });
    let accepted = || {
        let plain = !text.starts_with(|c: char| c.is_ascii_digit() || ".,+-\u{b1}".contains(c));
        (plain && units::is_unit(text, dimension)).then(|| Unit { written: text.into(), factor: 1.0 })
    };
    listed.or_else(accepted)
}

/// Dimensions of the columns of parts tables.
const DIMENSIONS: [Dimension; 10] = [
    Dimension::Inductance,
    Dimension::Resistance,
    Dimension::Current,
    Dimension::Fraction,
    Dimension::Length,
    Dimension::Voltage,
    Dimension::Frequency,
    Dimension::Temperature,
    Dimension::TemperatureRise,
    Dimension::ThermalResistance,
];

/// Whether the text is a unit that a column of a parts table may have.
pub fn is_unit(text: &str) -> bool {
    let of_data = || DIMENSIONS.iter().chain(&super::OTHER_DIMENSIONS).any(|d| unit(text, *d).is_some());
    !text.is_empty() && (of_data() || super::offer::unit(text).is_some())
}

/// The one spelling of micro, ohm, degrees, minus and of signs that look like a space.
pub fn plain(text: &str) -> String {
    let is_plain = |byte: u8| byte.is_ascii() && !byte.is_ascii_control();
    if text.bytes().all(is_plain) && !text.contains("+/-") && !text.contains("+-") {
        return text.trim().to_string();
    }
    let text = text.replace(['\u{b5}', '\u{3bc}'], "u").replace(['\u{3a9}', '\u{2126}'], "ohm");
    let text = text.replace("\u{b0}C", "degC").replace("\u{b0} C", "degC").replace('\u{2103}', "degC");
    let text = text.replace(['\u{394}', '\u{2206}'], "d").replace(['\u{2212}', '\u{2013}'], "-");
    let text = text.replace("+/-", "\u{b1}").replace("+-", "\u{b1}");
    let text = text.replace('\u{2019}', "'");
    text.replace(['\u{a0}', '\u{202f}', '\u{2009}', '\n', '\r', '\t'], " ").trim().to_string()
}

/// Cells that say that there is no value.
pub fn is_nothing(text: &str) -> bool {
    // None of them begins with a digit, and most cells do.
    if text.trim_start().starts_with(|c: char| c.is_ascii_digit()) {
        return false;
    }
    const NOTHING: &[&str] = &[
        "", "-", "--", "---", "\u{2014}", "n/a", "na", "n.a.", "n.a", "tbd", "t.b.d.", "none", "k.a.", "k. a.", "?",
        "/", ".",
    ];
    NOTHING.contains(&text.trim().to_lowercase().as_str())
}

/// First words of lines that sum up others.
pub fn sums_up(name: &str) -> bool {
    const SUMS: &[&str] = &[
        "total",
        "totals",
        "sum",
        "subtotal",
        "grand total",
        "average",
        "avg",
        "mean",
        "median",
        "count",
        "min",
        "max",
        "minimum",
        "maximum",
        "summe",
        "gesamt",
        "zwischensumme",
        "mittelwert",
        "anzahl",
    ];
    SUMS.contains(&name.trim().trim_end_matches(':').to_lowercase().as_str())
}

/// Letters for a tolerance in per cent (IEC 60062; from memory).
pub fn tolerance_letter(text: &str) -> Option<&'static str> {
    match text.trim() {
        "J" => Some("5"),
        "K" => Some("10"),
        "M" => Some("20"),
        "N" => Some("30"),
        _ => None,
    }
}

/// Whether a title says that its cells are the units of the column before it.
pub fn is_title_of_units(title: &str) -> bool {
    ["unit", "units", "uom", "einheit", "currency", "curr", "w\u{e4}hrung"]
        .contains(&title.trim().to_lowercase().as_str())
}

/// The family of a core that a cell names.
pub fn core(text: &str) -> Option<&'static str> {
    let word = text.trim().to_lowercase().replace(['-', '_'], " ");
    match word.as_str() {
        "ferrite" | "ferrit" | "mnzn ferrite" | "nizn ferrite" | "ferrite core" => Some("ferrite"),
        "composite" | "metal composite" | "moulded composite" | "molded composite" | "metal alloy composite" => {
            Some("composite")
        }
        "iron powder" | "powdered iron" | "eisenpulver" => Some("iron-powder"),
        _ => None,
    }
}
