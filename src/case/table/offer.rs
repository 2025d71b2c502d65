//! Prices and stocks: titles and cells as purchasing departments write them. What cannot be read is not stated; it never leaves a line out.

use super::cell::{self, Cell, Unread};
use super::number::{Fault, Marks};
use super::title::Title;
use super::words::{self, Word};
use crate::model::offer::{Price, Stock};

/// Signs and words of currencies in lower case, and what they stand for. A sign of several currencies stands for itself.
const CURRENCIES: &[(&str, &[&str])] = &[
    ("EUR", &["eur", "euro", "\u{20ac}"]),
    ("USD", &["usd", "us$"]),
    ("GBP", &["gbp", "\u{a3}"]),
    ("CHF", &["chf", "sfr", "sfr."]),
    ("JPY", &["jpy"]),
    ("CNY", &["cny", "rmb"]),
    ("TWD", &["twd", "nt$"]),
    ("HKD", &["hkd", "hk$"]),
    ("SGD", &["sgd"]),
    ("KRW", &["krw", "\u{20a9}"]),
    ("INR", &["inr", "\u{20b9}"]),
    ("CAD", &["cad", "ca$"]),
    ("AUD", &["aud", "au$"]),
    ("SEK", &["sek"]),
    ("NOK", &["nok"]),
    ("DKK", &["dkk"]),
    ("PLN", &["pln", "z\u{142}"]),
    ("CZK", &["czk", "k\u{10d}"]),
    ("HUF", &["huf"]),
    ("$", &["$"]),
    ("\u{a5}", &["\u{a5}"]),
];
/// Words of a title that make it a price.
const PRICES: &[&str] = &[
    "price",
    "preis",
    "cost",
    "kosten",
    "unitprice",
    "st\u{fc}ckpreis",
    "stueckpreis",
    "einzelpreis",
    "nettopreis",
    "bruttopreis",
    "einkaufspreis",
    "verkaufspreis",
    "listenpreis",
    "st\u{fc}ckkosten",
];
/// Words of a title that make it a stock.
const STOCKS: &[&str] = &[
    "stock",
    "bestand",
    "lagerbestand",
    "lager",
    "lagermenge",
    "vorrat",
    "inventory",
    "available",
    "availability",
    "verf\u{fc}gbar",
    "verf\u{fc}gbarkeit",
    "hand",
    "qoh",
];
/// Words of a title that may make it a stock, or a number that somebody needs.
const QUANTITIES: &[&str] = &["qty", "quantity", "menge", "anzahl", "st\u{fc}ckzahl"];
/// Titles of a column that says for how many pieces a price holds.
const PIECES_OF_PRICE: &[&str] = &["pe", "preiseinheit", "price unit", "per", "pro"];
/// Words for a piece.
const PIECES: &[&str] =
    &["piece", "pieces", "pc", "pcs", "ea", "each", "unit", "units", "st\u{fc}ck", "stueck", "stk", "st"];
/// Words that change nothing about either.
const FILLERS: &[&str] = &[
    "in",
    "on",
    "of",
    "a",
    "per",
    "pro",
    "je",
    "net",
    "netto",
    "gross",
    "brutto",
    "list",
    "ek",
    "vk",
    "current",
    "aktuell",
    "aktueller",
    "free",
    "frei",
    "freier",
    "verf\u{fc}gbare",
    "verf\u{fc}gbarer",
    "purchase",
];
/// Cells that say that nothing is in stock.
const NONE_LEFT: &[&str] = &["out of stock", "sold out", "ausverkauft", "nicht verf\u{fc}gbar", "nicht lieferbar"];
/// Signs and words before a number of pieces that may be exceeded.
const MORE_THAN: &[&str] = &[">=", ">", "\u{2265}", "over ", "more than ", "\u{fc}ber ", "mehr als ", "ab "];

/// A currency by its sign or word, in any case.
pub fn currency(text: &str) -> Option<&'static str> {
    let text = text.trim().to_lowercase();
    CURRENCIES.iter().find(|(_, signs)| signs.contains(&text.as_str())).map(|(currency, _)| *currency)
}

/// What a price is in: a currency, and for how many pieces.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Unit {
    currency: &'static str,
    /// `None`: not stated.
    pieces: Option<f64>,
}

/// "EUR", "EUR/100", "€/100 Stk", "USD / pc".
pub fn unit(text: &str) -> Option<Unit> {
    let tokens = tokens(text);
    let (first, rest) = tokens.split_first()?;
    let pieces = if rest.is_empty() { None } else { Some(pieces(rest)?) };
    Some(Unit { currency: currency(first)?, pieces })
}

/// Number of pieces behind a currency: "/ pc", "/ 100", "/ 100 pcs", "/ 1k".
fn pieces(tokens: &[String]) -> Option<f64> {
    let words: Vec<&str> = tokens.iter().map(String::as_str).collect();
    match words.as_slice() {
        ["/" | "per" | "pro" | "je", word] if PIECES.contains(word) => Some(1.0),
        ["/" | "per" | "pro" | "je", count] => whole(count),
        ["/" | "per" | "pro" | "je", count, word] if PIECES.contains(word) => whole(count),
        _ => None,
    }
}

/// A number of pieces above 0, with "k" for thousands.
fn whole(text: &str) -> Option<f64> {
    let (digits, times) = text.strip_suffix('k').map_or((text, 1), |digits| (digits, 1000));
    let count: u32 = digits.parse().ok()?;
    (count > 0).then(|| f64::from(count) * f64::from(times))
}

/// Words, numbers, signs of currencies and slashes, in lower case.
fn tokens(text: &str) -> Vec<String> {
    let spaced = text.to_lowercase().replace('/', " / ").replace('\u{20ac}', " \u{20ac} ").replace("us$", " us$ ");
    let is_gap = |c: char| c.is_whitespace() || "()[]{},;:|_-".contains(c);
    spaced
        .split(is_gap)
        .map(|token| token.trim_end_matches('.'))
        .filter(|token| !token.is_empty())
        .map(String::from)
        .collect()
}

/// The title of a column of prices or stocks; `None` where some word of it is of neither.
pub fn title(text: &str) -> Option<Title> {
    let all = tokens(text);
    let has = |words: &[&str]| all.iter().any(|token| words.contains(&token.as_str()));
    let word = if PIECES_OF_PRICE.contains(&all.join(" ").as_str()) {
        Word::PiecesOfPrice
    } else if has(PRICES) || unit(text).is_some_and(|unit| unit.pieces.is_some()) {
        Word::Price
    } else if has(STOCKS) {
        Word::Stock
    } else if has(QUANTITIES) {
        Word::SomeQuantity
    } else {
        return None;
    };
    let mut found = Title { word: Some(word), ..Title::default() };
    let mut at = 0;
    while at < all.len() {
        // The longest run that is a unit, so that "€/100 pcs" is one.
        let run =
            (at + 1..=all.len()).rev().find(|end| word == Word::Price && unit(&all[at..*end].join(" ")).is_some());
        let token = all[at].as_str();
        match run {
            Some(end) => found.unit = Some(all[at..end].join(" ")),
            None if token.starts_with(|c: char| c.is_ascii_digit()) || token == "@" => found.odd.push(token.into()),
            None if token == "/" || is_known(token) || word == Word::PiecesOfPrice => {}
            None => return None,
        }
        at = run.unwrap_or(at + 1);
    }
    Some(found)
}

fn is_known(token: &str) -> bool {
    [PRICES, STOCKS, QUANTITIES, PIECES, FILLERS].iter().any(|words| words.contains(&token))
}

/// The words of titles, for people: the meaning, and the words that have it.
pub fn documented() -> [(&'static str, &'static [&'static str]); 4] {
    [
        ("price of one piece, in `presolder screen`", PRICES),
        ("pieces in stock, in `presolder screen`", STOCKS),
        ("pieces in stock, in `presolder screen`, where nothing else is; asked about", QUANTITIES),
        ("number of pieces for which a price holds, in `presolder screen`", PIECES_OF_PRICE),
    ]
}

fn because<T>(text: &str) -> Result<T, Unread> {
    Err(Unread::Because(text.into()))
}

/// What the cell of a price says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Priced {
    /// Amount for so many pieces as it holds for.
    amount: f64,
    /// Currency, where the cell has it.
    currency: Option<&'static str>,
    /// Number of pieces, where the cell has it.
    pieces: Option<f64>,
}

impl Priced {
    /// Whether the cell names its currency.
    pub fn has_currency(&self) -> bool {
        self.currency.is_some()
    }

    /// The price of one piece. What the cell says counts before the unit of the title, and both before a number of pieces beside it.
    pub fn of_one(&self, of_title: Option<Unit>, beside: Option<f64>) -> Option<Price> {
        let currency = self.currency.or(of_title.map(|unit| unit.currency))?;
        let pieces = self.pieces.or(of_title.and_then(|unit| unit.pieces)).or(beside).unwrap_or(1.0);
        Some(Price { amount: self.amount / pieces, currency })
    }
}

/// The price in a cell; `None` where it says nothing, as 0 does.
///
/// # Errors
/// [`Unread`] where it is no price, or its marks may be read in two ways.
pub fn price(cell: &Cell, marks: &Marks) -> Result<Option<Priced>, Unread> {
    let (amount, around) = match cell {
        Cell::Empty => return Ok(None),
        Cell::Number(amount) => (*amount, String::new()),
        Cell::Date | Cell::Error(_) => return because(NO_PRICE),
        Cell::Text(text) if words::is_nothing(text) => return Ok(None),
        Cell::Text(text) => amount(&words::plain(text), marks)?,
    };
    let tokens = tokens(&around);
    let (currency, pieces) = match (unit(&around), pieces(&tokens)) {
        (Some(own), _) => (Some(own.currency), own.pieces),
        (None, Some(pieces)) => (None, Some(pieces)),
        (None, None) if tokens.is_empty() => (None, None),
        (None, None) => return because(NO_PRICE),
    };
    match amount {
        amount if !amount.is_finite() || amount < 0.0 => because(NO_PRICE),
        // Nobody gives parts away: it is how a list says that it does not know.
        0.0 => Ok(None),
        amount => Ok(Some(Priced { amount, currency, pieces })),
    }
}

const NO_PRICE: &str = "no price";

/// The first number of a text, and what stands around it.
fn amount(text: &str, marks: &Marks) -> Result<(f64, String), Unread> {
    let Some(digit) = text.find(|c: char| c.is_ascii_digit()) else { return because(NO_PRICE) };
    let begin = digit - usize::from(text[..digit].ends_with(['.', ',']));
    let end = begin + cell::number_length(&text[begin..]);
    if text[..begin].contains('-') {
        return because(NO_PRICE);
    }
    let number = marks.plain(&text[begin..end]).map_err(|fault| unread(fault, NO_PRICE))?;
    // "5,-" is five of the currency.
    let behind = text[end..].trim_start_matches([',', '.']).trim_start_matches('-');
    Ok((number.parse().unwrap_or(f64::NAN), format!("{} {behind}", &text[..begin])))
}

fn unread(fault: Fault, why: &str) -> Unread {
    match fault {
        Fault::Either => Unread::Marks,
        Fault::Wrong => Unread::Because(why.into()),
    }
}

/// The pieces in stock that a cell states; `None` where it says nothing.
///
/// # Errors
/// [`Unread`] where it is no number of pieces, or its marks may be read in two ways.
pub fn stock(cell: &Cell, marks: &Marks) -> Result<Option<Stock>, Unread> {
    let (pieces, or_more) = match cell {
        Cell::Empty => return Ok(None),
        Cell::Number(number) => (*number, false),
        Cell::Date | Cell::Error(_) => return because(NO_STOCK),
        Cell::Text(text) if words::is_nothing(text) => return Ok(None),
        Cell::Text(text) => in_stock(&words::plain(text).to_lowercase(), marks)?,
    };
    if !(0.0..=MOST_PIECES).contains(&pieces) || pieces.fract() != 0.0 {
        return because(NO_STOCK);
    }
    Ok(Some(Stock { pieces: pieces as u64, or_more }))
}

const NO_STOCK: &str = "no number of pieces";
/// More pieces than that are no stock.
const MOST_PIECES: f64 = 1e12;

/// Number of pieces, and whether there may be more.
fn in_stock(text: &str, marks: &Marks) -> Result<(f64, bool), Unread> {
    if NONE_LEFT.contains(&text) {
        return Ok((0.0, false));
    }
    let (rest, above) = above(text);
    let length = cell::number_length(rest);
    let number = marks.plain(&rest[..length]).map_err(|fault| unread(fault, NO_STOCK))?;
    let behind = rest[length..].trim();
    let (word, plus) = behind.strip_prefix('+').map_or((behind, false), |word| (word.trim(), true));
    if !word.is_empty() && !PIECES.contains(&word.trim_end_matches('.')) {
        return because(NO_STOCK);
    }
    Ok((number.parse().unwrap_or(f64::NAN), above || plus))
}

/// What follows a sign or words for "more than", and whether there was one.
fn above(text: &str) -> (&str, bool) {
    let behind = MORE_THAN.iter().find_map(|sign| text.strip_prefix(sign));
    behind.map_or((text, false), |rest| (rest.trim_start(), true))
}
