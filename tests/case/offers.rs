//! Prices and stocks of lists: what titles and cells say, what is asked about them, and that they change nothing else. What each list holds
//! was written beside it by hand.

use crate::folders;
use presolder::case::{self, Case};
use presolder::error::Error;
use std::fs;
use std::path::Path;

/// The columns that every list begins with, and the same of each line behind its name.
const TITLES: &str = "Part;Core;L [uH];DCR max [mOhm];Isat 30% [A];Irms 40K [A]";
const DATA: &str = "composite;10;38;6.9;4.2";

/// A list whose parts are Teal-1, Teal-2 and so on, with further columns.
fn list(titles: &str, cells: &[&str]) -> String {
    let lines = cells.iter().enumerate().map(|(at, cells)| format!("Teal-{};{DATA};{cells}\n", at + 1));
    format!("{TITLES};{titles}\n{}", lines.collect::<String>())
}

/// The valve board with some lists, as a screening reads them, and further lines of `board.toml`.
fn read(lists: &[String], answer: &str) -> Result<Case, Error> {
    let keep = tempfile::tempdir().expect("a folder");
    let board = keep.path().join("board");
    folders::copy(&Path::new(env!("CARGO_MANIFEST_DIR")).join("cases/valve-controller"), &board);
    let text = fs::read_to_string(board.join("board.toml")).expect("the board");
    fs::write(board.join("board.toml"), format!("{text}\n{answer}\n")).expect("a file");
    let write = |(at, list): (usize, &String)| {
        let path = keep.path().join(format!("list-{at}.csv"));
        fs::write(&path, list).expect("a file");
        path
    };
    let paths: Vec<_> = lists.iter().enumerate().map(write).collect();
    case::read_with_lists(&board, &paths, &[])
}

/// What a part is offered for, as text: amount, currency, pieces; a bar between offers, a dash for what is not stated.
fn told(case: &Case, part: &str) -> String {
    let offers = case.offers.get(part).map_or(&[][..], Vec::as_slice);
    let one = |offer: &presolder::model::offer::Offer| {
        let price = offer.price.map_or("-".into(), |price| format!("{} {}", price.amount, price.currency));
        let more = |or_more: bool| if or_more { "+" } else { "" };
        let stock = offer.stock.map_or("-".into(), |stock| format!("{}{}", stock.pieces, more(stock.or_more)));
        format!("{price}, {stock}")
    };
    offers.iter().map(one).collect::<Vec<_>>().join(" | ")
}

#[test]
fn outside_titles_and_cells_say_what_people_write() {
    let cases: &[(&str, &[&str], &[&str])] = &[
        ("Price [EUR];Stock", &["0.42;1200", "1.05;0"], &["0.42 EUR, 1200", "1.05 EUR, 0"]),
        ("Preis \u{20ac};Lagerbestand", &["0,42;12.400", "1.234,56;880"], &["0.42 EUR, 12400", "1234.56 EUR, 880"]),
        ("Unit price (USD);Qty available", &["0.42;1,200", "1,234.50;90"], &["0.42 USD, 1200", "1234.5 USD, 90"]),
        (
            "St\u{fc}ckpreis;Bestand [Stk]",
            &["0,42 \u{20ac};3.150 Stk", "\u{20ac} 0,5;90 St."],
            &["0.42 EUR, 3150", "0.5 EUR, 90"],
        ),
        ("Price;In stock", &["$0.45;>1000", "0.5 $;1000+"], &["0.45 $, 1000+", "0.5 $, 1000+"]),
        (
            "EK-Preis netto [CHF];verf\u{fc}gbar",
            &["5,-;ausverkauft", "4,25;mehr als 500"],
            &["5 CHF, 0", "4.25 CHF, 500+"],
        ),
        ("Preis \u{20ac}/100;Lager", &["42,00;7", "43,50 \u{20ac};9"], &["0.42 EUR, 7", "0.435 EUR, 9"]),
        (
            "\u{20ac}/Stk;Menge verf\u{fc}gbar",
            &["0,42;7", "12,50 \u{20ac}/100 Stk;9"],
            &["0.42 EUR, 7", "0.125 EUR, 9"],
        ),
        ("Preis;W\u{e4}hrung;PE;Bestand", &["42,00;EUR;100;7", "0,45;USD;1;9"], &["0.42 EUR, 7", "0.45 USD, 9"]),
        ("Price [EUR] per 1000 pcs", &["420"], &["0.42 EUR, -"]),
        // What says nothing is not stated: words, nothing, a price of nothing, a bound from above, a date, minus, two numbers.
        ("Price [EUR];Stock", &["on request;yes", ";-", "0;<10", "n/a;2 reels"], &["", "", "", ""]),
        ("Price [EUR];Stock", &["-0.5;-3", "0.42 / 0.38;1.5", "1+: 0.42;5"], &["", "", "-, 5"]),
    ];
    for (titles, cells, expected) in cases {
        let case = read(&[list(titles, cells)], "").unwrap_or_else(|error| panic!("{titles}: {error}"));
        for (at, expected) in expected.iter().enumerate() {
            assert_eq!(told(&case, &format!("Teal-{}", at + 1)), *expected, "{titles}: {}", cells[at]);
        }
    }
}

#[test]
fn law_what_is_not_read_is_said_and_leaves_no_part_out() {
    let case = read(&[list("Price [EUR];Stock", &["on request;yes", "0.42;5"])], "").expect("a list");
    assert!(case.parts.iter().any(|part| part.name == "Teal-1"), "{:?}", case.left_out);
    let said = case.warnings.join("\n");
    assert!(said.contains("line 2, \"Stock\": yes, and 1 more"), "{said}");
}

/// A list that leaves something open: further titles, cells, what is asked, the answers, and what then holds of the first part.
type Open = (&'static str, &'static [&'static str], &'static [&'static str], &'static str, &'static str);

const OPEN: &[Open] = &[
    (
        "Price",
        &["0.42"],
        &["\"Price\"", "price [EUR] or another currency"],
        "\"Price\" = \"price [GBP]\"",
        "0.42 GBP, -",
    ),
    (
        "Price 1000 [EUR]",
        &["420"],
        &["1000", "price [EUR/100]"],
        "\"Price 1000 [EUR]\" = \"price [EUR/1000]\"",
        "0.42 EUR, -",
    ),
    (
        "Price 1+ [EUR];Price 100+ [EUR]",
        &["0.42;0.38"],
        &["Price 1+ [EUR]", "Price 100+ [EUR]"],
        "\"Price 1+ [EUR]\" = \"price\"\n\"Price 100+ [EUR]\" = \"-\"",
        "0.42 EUR, -",
    ),
    ("Preis [EUR];Preis netto [EUR]", &["0,42;0,35"], &["as well"], "\"Preis [EUR]\" = \"-\"", "0.35 EUR, -"),
    ("Menge", &["500"], &["stock, if so many pieces are there"], "\"Menge\" = \"stock\"", "-, 500"),
];

#[test]
fn error_what_is_not_certain_is_asked_once() {
    for (titles, cells, asks, answer, expected) in OPEN {
        let list = list(titles, cells);
        let error = read(std::slice::from_ref(&list), "").expect_err("it must be asked about");
        assert_eq!(error.problems().len(), 1, "{titles}: {error}");
        let paste = &error.problems()[0].paste;
        asks.iter().for_each(|asked| assert!(paste.contains(asked), "{titles} must ask {asked}:\n{paste}"));
        assert!(read(std::slice::from_ref(&list), paste).is_err(), "{titles}: a question mark is no answer");
        let case =
            read(&[list], &format!("[parts.columns]\n{answer}")).unwrap_or_else(|error| panic!("{titles}: {error}"));
        assert_eq!(told(&case, "Teal-1"), *expected, "{titles}");
    }
}

#[test]
fn error_a_mark_that_may_be_either_is_asked_about() {
    // Twelve pieces as some systems print them, or twelve thousand.
    let list = list("Bestand", &["12,000", "3,000"]);
    let error = read(std::slice::from_ref(&list), "").expect_err("it must be asked about");
    assert!(error.problems()[0].paste.contains("decimal"), "{error}");
    let answered = |decimal: &str| {
        let case = read(std::slice::from_ref(&list), &format!("[parts]\ndecimal = \"{decimal}\"")).expect("a list");
        told(&case, "Teal-1")
    };
    assert_eq!((answered("comma").as_str(), answered("point").as_str()), ("-, 12", "-, 12000"));
}

#[test]
fn law_a_number_whose_title_says_nothing_is_no_price() {
    for titles in ["100", "", "Code", "EUR pallet", "Price list 7 of store", "Mindestbestand", "Lead time"] {
        let case = read(&[list(&format!("{titles};Remark"), &["100;x"])], "")
            .unwrap_or_else(|error| panic!("{titles}: {error}"));
        assert_eq!(told(&case, "Teal-1"), "", "{titles}");
    }
}

#[test]
fn law_prices_and_stocks_change_nothing_about_the_parts() {
    let with = read(&[list("Price [EUR];Stock", &["0.42;1200", "x;"])], "").expect("a list");
    let without = read(&[list("Colour;Shelf", &["red;A", "blue;B"])], "").expect("a list");
    assert_eq!(with.parts, without.parts);
    assert_eq!(with.origins, without.origins);
}

#[test]
fn law_a_part_has_the_offers_of_all_its_lines() {
    let first = format!("{TITLES};Price [EUR];Stock\nTeal-1;{DATA};0.42;5\nTeal-1;{DATA};0.55;900\n");
    let second = format!("{TITLES};Preis [CHF]\nTeal-1;{DATA};0,39\n");
    let case = read(&[first, second], "").expect("lists");
    assert_eq!(told(&case, "Teal-1"), "0.42 EUR, 5 | 0.55 EUR, 900 | 0.39 CHF, -");
}

#[test]
fn error_a_core_that_no_line_names_is_asked_for_once() {
    let title = "Part;Material;L [uH];DCR max [mOhm];Isat 30% [A];Irms 40K [A]\n";
    let of = |core: &str| -> String {
        let line = |at: usize| format!("Teal-{at};{core};10;38;6.9;4.2\n");
        title.to_string() + &(1..=30).map(line).collect::<String>()
    };
    let parts = |case: &Case| case.parts.iter().filter(|part| part.name.starts_with("Teal-")).count();
    for core in ["", "n/a", "3K9"] {
        let error = read(&[of(core)], "").expect_err("it must be asked about");
        let paste = &error.problems()[0].paste;
        assert_eq!(error.problems().len(), 1, "{error}");
        assert!(paste.contains("[parts.all]\ncore = \"?\"") && paste.contains("none of 30 lines"), "{paste}");
        let leave = if core == "3K9" { "[parts.columns]\n\"Material\" = \"-\"\n" } else { "" };
        assert_eq!(paste.contains("\"Material\" = \"?\""), !leave.is_empty(), "{paste}");
        let case = read(&[of(core)], &format!("{leave}[parts.all]\ncore = \"composite\"")).expect("an answer");
        assert_eq!(parts(&case), 30, "{core}");
    }
    // Where some lines name it, the others are counted once, with what answers for them.
    let mixed = of("").replacen(";;", ";ferrite;", 1);
    let case = read(&[mixed], "").expect("a list");
    let said = case.warnings.join("\n");
    assert!(said.contains("29 of them name no core family") && said.contains("[parts.all]"), "{said}");
}
