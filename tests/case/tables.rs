//! Tables as they come: what they hold, what is asked about them, what is refused. The tables and their values stand in
//! `tests/data/tables` and were written before the reader.

use std::path::{Path, PathBuf};

use presolder::case::{self, Case, Origin};
use presolder::error::Error;
use presolder::parts::{CoreFamily, Inductor};
use presolder::units::{Dimension, parse};
use toml::{Table, Value};

use crate::books;
use crate::folders;

/// Values are converted once from decimal text: what is left is rounding; an inch is multiplied in between.
const ROUNDING: f64 = 1e-9;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// What `tables.toml` says of one table.
struct Told {
    table: Table,
}

impl Told {
    fn text(&self, key: &str) -> Option<&str> {
        self.table.get(key).and_then(Value::as_str)
    }

    fn texts(&self, key: &str) -> Vec<&str> {
        self.table.get(key).and_then(Value::as_array).into_iter().flatten().filter_map(Value::as_str).collect()
    }

    fn file(&self) -> &str {
        self.text("file").expect("a file")
    }

    fn parts(&self) -> Table {
        self.table.get("parts").and_then(Value::as_table).cloned().unwrap_or_default()
    }
}

fn told() -> Vec<Told> {
    let text = std::fs::read_to_string(root().join("tests/data/tables/tables.toml")).expect("tables.toml");
    let all: Table = text.parse().expect("it is TOML");
    let tables = all["table"].as_array().expect("a list");
    tables.iter().map(|table| Told { table: table.as_table().expect("a table").clone() }).collect()
}

/// The bytes of a table under the names that it may have: a description of a workbook becomes two workbooks.
fn files(file: &str) -> Vec<(String, Vec<u8>)> {
    let bytes = std::fs::read(root().join("tests/data/tables").join(file)).expect("the table");
    let Some(stem) = file.strip_suffix(".book") else { return vec![(file.to_string(), bytes)] };
    let sheets = books::sheets(std::str::from_utf8(&bytes).expect("text"));
    vec![(format!("{stem}.xlsx"), books::xlsx(&sheets)), (format!("{stem}.ods"), books::ods(&sheets))]
}

/// A demo case whose original stands in `parts.toml`, with a table that `board.toml` names, and answers.
struct Room {
    _keep: tempfile::TempDir,
    folder: PathBuf,
}

impl Room {
    fn of(name: &str, bytes: &[u8], answer: &str) -> Room {
        let keep = tempfile::tempdir().expect("a folder");
        let folder = keep.path().join("kiosk");
        folders::copy(&root().join("cases/ticket-kiosk"), &folder);
        std::fs::write(folder.join(name), bytes).expect("the table");
        let board = std::fs::read_to_string(folder.join("board.toml")).expect("board.toml");
        let named = format!("[parts]\ntable = \"{name}\"\n");
        let parts = if answer.contains("[parts]\n") { answer.replace("[parts]\n", &named) } else { named + answer };
        std::fs::write(folder.join("board.toml"), board + "\n" + &parts).expect("board.toml");
        Room { _keep: keep, folder }
    }

    fn read(&self) -> Result<Case, Error> {
        case::read(&self.folder)
    }
}

/// Parts of the demo case itself.
fn own_parts() -> Vec<String> {
    let case = case::read(&root().join("cases/ticket-kiosk")).expect("the demo case");
    case.parts.iter().map(|part| part.name.clone()).collect()
}

/// What a key of the manifest measures.
fn dimension(key: &str) -> Dimension {
    match key {
        "inductance" => Dimension::Inductance,
        "tolerance" | "saturation_drop" => Dimension::Fraction,
        "dcr_typical" | "dcr_max" => Dimension::Resistance,
        "saturation_current" | "hot_saturation_current" | "heating_current" => Dimension::Current,
        "heating_rise" => Dimension::TemperatureRise,
        "working_voltage" => Dimension::Voltage,
        "self_resonance" => Dimension::Frequency,
        "max_temperature" | "saturation_temperature" | "hot_saturation_temperature" => Dimension::Temperature,
        "body_length" | "body_width" | "body_height" => Dimension::Length,
        other => panic!("{other} is no key that the manifest may have"),
    }
}

/// A datum of a part as it was read.
fn datum(part: &Inductor, key: &str) -> Option<f64> {
    let hot = |wanted: bool| part.saturation_ratings.iter().find(|rating| (rating.temperature_degc > 60.0) == wanted);
    match key {
        "inductance" => Some(part.inductance_h),
        "tolerance" => Some(part.tolerance),
        "dcr_typical" => Some(part.dcr_typical_ohm),
        "dcr_max" => Some(part.dcr_max_ohm),
        "saturation_current" => hot(false).map(|rating| rating.current_a),
        "saturation_temperature" => hot(false).map(|rating| rating.temperature_degc),
        "hot_saturation_current" => hot(true).map(|rating| rating.current_a),
        "hot_saturation_temperature" => hot(true).map(|rating| rating.temperature_degc),
        "saturation_drop" => part.saturation_ratings.first().map(|rating| rating.drop),
        "heating_current" => part.heating_rating.map(|rating| rating.current_a),
        "heating_rise" => part.heating_rating.map(|rating| rating.rise_k),
        "working_voltage" => part.working_voltage_v,
        "self_resonance" => part.self_resonance_hz,
        "max_temperature" => part.max_temperature_degc,
        "body_length" => part.body.map(|body| body.length_m),
        "body_width" => part.body.map(|body| body.width_m),
        "body_height" => part.body.map(|body| body.height_m),
        _ => None,
    }
}

/// Holds the parts of a case against the values of the manifest: each value, and no other part.
fn check_parts(case: &Case, told: &Told, name: &str) {
    let own = own_parts();
    let expected = told.parts();
    let mut found: Vec<&str> =
        case.parts.iter().map(|p| p.name.as_str()).filter(|p| !own.iter().any(|o| o == p)).collect();
    let mut wanted: Vec<&str> = expected.keys().map(String::as_str).collect();
    found.sort_unstable();
    wanted.sort_unstable();
    assert_eq!(found, wanted, "{name}: {:#?}", case.warnings);
    for (part_name, values) in &expected {
        let part = case.parts.iter().find(|part| part.name == *part_name).expect("it was found");
        for (key, value) in values.as_table().expect("values") {
            check_value(case, part, key, value.as_str().expect("a text"), name);
        }
    }
}

fn check_value(case: &Case, part: &Inductor, key: &str, value: &str, name: &str) {
    let absent = |key: &str| {
        let of_part = |origin: &&case::DatumOrigin| origin.part.as_deref() == Some(&part.name) && origin.key == key;
        case.origins.iter().find(of_part).is_some_and(|origin| origin.origin == Origin::Absent)
    };
    let place = format!("{name}: {}: {key}", part.name);
    if key == "core" {
        let family = match part.core {
            CoreFamily::Ferrite => "ferrite",
            CoreFamily::Composite => "composite",
            CoreFamily::IronPowder => "iron-powder",
        };
        return assert_eq!(family, value, "{place}");
    }
    if value == "none" {
        return assert!(absent(key), "{place} must be absent");
    }
    let expected = parse(value, dimension(key)).expect("a quantity");
    let found = datum(part, key).unwrap_or_else(|| panic!("{place} is missing"));
    assert!((found - expected).abs() <= ROUNDING * expected.abs(), "{place}: {found} and not {expected}");
    assert!(!absent(key), "{place} must not be filled in");
}

#[test]
fn outside_tables_hold_the_values_that_were_written_with_them() {
    for told in told().iter().filter(|told| told.text("refused").is_none() && told.texts("refused").is_empty()) {
        for (name, bytes) in files(told.file()) {
            let room = Room::of(&name, &bytes, told.text("answer").unwrap_or(""));
            let case = room.read().unwrap_or_else(|error| panic!("{name}: {error}"));
            check_parts(&case, told, &name);
            let said = case.warnings.join("\n");
            for text in told.texts("says") {
                assert!(said.contains(text), "{name} must say {text}:\n{said}");
            }
            if let Some(lines) = told.table.get("lines").and_then(Value::as_integer) {
                let are =
                    if lines == 1 { "1 line is left out".to_string() } else { format!("{lines} lines are left out") };
                assert!(said.contains(&are), "{name}: {are}:\n{said}");
            }
        }
    }
}

#[test]
fn error_what_is_not_certain_is_asked_once_in_one_block() {
    for told in told().iter().filter(|told| told.text("answer").is_some()) {
        for (name, bytes) in files(told.file()) {
            let error = Room::of(&name, &bytes, "").read().expect_err("it must be asked about");
            let problems = error.problems();
            assert_eq!(problems.len(), 1, "{name}: {error}");
            let paste = &problems[0].paste;
            for text in told.texts("asks") {
                assert!(paste.contains(text), "{name} must ask {text}:\n{paste}");
            }
            assert!(error.to_string().contains(paste.as_str()), "{name}: the block is shown as it is pasted:\n{error}");
            // The block is TOML, and as it stands it answers nothing.
            let _: Table = paste.parse().unwrap_or_else(|error| panic!("{name}: {error}\n{paste}"));
            let unanswered = Room::of(&name, &bytes, &format!("{paste}\n")).read();
            assert!(unanswered.is_err(), "{name}: a question mark is no answer");
        }
    }
}

#[test]
fn law_a_table_that_needs_no_answer_asks_nothing() {
    for told in told().iter().filter(|told| told.text("answer").is_none() && told.texts("refused").is_empty()) {
        for (name, bytes) in files(told.file()) {
            if let Err(error) = Room::of(&name, &bytes, "").read() {
                panic!("{name}: {error}");
            }
        }
    }
}

#[test]
fn error_what_is_no_list_of_inductors_is_said() {
    for told in told().iter().filter(|told| !told.texts("refused").is_empty()) {
        for (name, bytes) in files(told.file()) {
            let said = Room::of(&name, &bytes, "").read().expect_err("it must be refused").to_string();
            for text in told.texts("refused") {
                assert!(said.contains(text), "{name} must say {text}:\n{said}");
            }
        }
    }
}

/// A table that a reader takes without a question, with its lines.
const PLAIN: &str = "Part;Core;L (uH);DCR max (mOhm);Isat 30% (A);Irms 40K (A)\n";

#[test]
fn error_a_file_that_is_not_what_its_ending_says_is_recognised() {
    let book = books::xlsx(&books::sheets("sheet Data\nPart|L (uH)\nTeal-1|=33"));
    let ods = books::ods(&books::sheets("sheet Data\nPart|L (uH)\nTeal-1|=33"));
    let table = format!("{PLAIN}Teal-1;ferrite;33;49;7,9;4,9\n").into_bytes();
    let cases: [(&str, Vec<u8>, &[&str]); 9] = [
        ("list.csv", book.clone(), &["a workbook (XLSX)", "ends in .xlsx"]),
        ("list.ods", book, &["a workbook (XLSX)", "ends in .xlsx"]),
        ("list.xlsx", ods, &["a workbook (ODS)", "ends in .ods"]),
        ("list.xlsx", table, &["a text file", "ends in .csv"]),
        ("list.xls", vec![0xD0, 0xCF, 0x11, 0xE0, 0xA1, 0xB1, 0x1A, 0xE1], &["old binary kind", "XLSX"]),
        ("list.csv", b"%PDF-1.7".to_vec(), &["a PDF file"]),
        ("list.csv", b"<html><table><tr><td>Part</td></tr></table></html>".to_vec(), &["a web page"]),
        ("list.csv", vec![0x89, b'P', b'N', b'G', 1, 2, 3], &["a picture"]),
        ("list.xlsx", b"PK\x03\x04 and no more".to_vec(), &["cannot be read"]),
    ];
    for (name, bytes, texts) in cases {
        let said = Room::of(name, &bytes, "").read().expect_err("it must be refused").to_string();
        assert!(texts.iter().all(|text| said.contains(text)), "{name}: {texts:?}:\n{said}");
    }
}

#[test]
fn law_lines_that_are_left_out_are_told_to_ten_and_counted() {
    let odd = (0..37).map(|i| format!("Odd-{i};ferrite;ca. 33;49;7,9;4,9\n")).collect::<String>();
    let room = Room::of("list.csv", format!("{PLAIN}Teal-1;ferrite;33;49;7,9;4,9\n{odd}").as_bytes(), "");
    let said = room.read().expect("one part is left").warnings;
    assert_eq!(said.iter().filter(|line| line.contains("ca. 33")).count(), 10, "{said:#?}");
    assert!(said.iter().any(|line| line == "list.csv: 37 lines are left out"), "{said:#?}");
    assert!(said.iter().any(|line| line == "list.csv: and 27 more lines that are left out"), "{said:#?}");
}

#[test]
fn error_a_table_of_which_no_line_can_be_used_is_refused() {
    for (lines, text) in
        [("", "a header without rows"), ("Odd-1;ferrite;ca. 33;49;7,9;4,9\n", "no line that can be used")]
    {
        let said = Room::of("list.csv", format!("{PLAIN}{lines}").as_bytes(), "")
            .read()
            .expect_err("nothing is left")
            .to_string();
        assert!(said.contains(text), "{said}");
    }
}

#[test]
fn error_an_original_that_is_left_out_is_said() {
    let room = Room::of(
        "list.csv",
        format!("{PLAIN}Teal-1;ferrite;33;49;7,9;4,9\nTeal-2;ferrite;ca. 33;49;7,9;4,9\n").as_bytes(),
        "",
    );
    let board = std::fs::read_to_string(room.folder.join("board.toml")).expect("board.toml");
    std::fs::write(room.folder.join("board.toml"), board.replace("original = \"Alder-33\"", "original = \"Teal-2\""))
        .expect("written");
    let said = room.read().expect_err("the original is missing").to_string();
    assert!(said.contains("list.csv, line 3, cannot be used") && said.contains("ca. 33"), "{said}");
}

#[test]
fn law_a_table_that_nothing_names_is_mentioned() {
    let room = Room::of("list.csv", format!("{PLAIN}Teal-1;ferrite;33;49;7,9;4,9\n").as_bytes(), "");
    std::fs::write(room.folder.join("old list.xlsx"), "whatever").expect("a file");
    let said = room.read().expect("it reads").warnings.join("\n");
    assert!(said.contains("old list.xlsx: a table that is not read") && !said.contains("list.csv: a table"), "{said}");
}

/// A folder with the board of the demo case, an original from the table, and the files given.
fn folder_with(files: &[(&str, &[u8])]) -> (tempfile::TempDir, Result<Case, Error>) {
    let keep = tempfile::tempdir().expect("a folder");
    let board = std::fs::read_to_string(root().join("cases/ticket-kiosk/board.toml")).expect("board.toml");
    let board = board.replace("original = \"Alder-33\"", "original = \"Teal-1\"");
    std::fs::write(keep.path().join("board.toml"), board).expect("board.toml");
    files.iter().for_each(|(name, bytes)| std::fs::write(keep.path().join(name), bytes).expect("a file"));
    let case = case::read(keep.path());
    (keep, case)
}

#[test]
fn law_usual_names_are_read_without_being_named() {
    let text = format!("{PLAIN}Teal-1;ferrite;33;49;7,9;4,9\nTeal-2;ferrite;27;41;8,7;5,4\n");
    let rows = text.replace(';', "|").replace(',', ".");
    let sheets = books::sheets(&format!("sheet Data\n{rows}"));
    let (xlsx, ods) = (books::xlsx(&sheets), books::ods(&sheets));
    for (name, bytes) in
        [("parts.csv", text.as_bytes()), ("parts.tsv", text.as_bytes()), ("parts.xlsx", &xlsx), ("parts.ods", &ods)]
    {
        let (_keep, case) = folder_with(&[(name, bytes)]);
        let case = case.unwrap_or_else(|error| panic!("{name}: {error}"));
        assert_eq!(
            case.parts.iter().map(|part| part.name.as_str()).collect::<Vec<_>>(),
            ["Teal-1", "Teal-2"],
            "{name}"
        );
        assert!(case.files.iter().any(|file| file.path == name), "{name} must stand in the record");
    }
}

#[test]
fn law_a_workbook_beside_the_file_that_came_of_it_is_mentioned_and_not_read() {
    let text = format!("{PLAIN}Teal-1;ferrite;33;49;7,9;4,9\nTeal-2;ferrite;27;41;8,7;5,4\n");
    let (_keep, case) = folder_with(&[("parts.csv", text.as_bytes()), ("parts.xlsx", b"no matter what")]);
    let said = case.expect("parts.csv is read").warnings.join("\n");
    assert!(said.contains("parts.xlsx: a table that is not read"), "{said}");
}

#[test]
fn error_answers_that_are_none() {
    let table = format!("{PLAIN}Teal-1;ferrite;33;49;7,9;4,9\n");
    let cases = [
        ("[parts.columns]\n\"Isat\" = \"-\"\n", "the title of a column"),
        ("[parts.columns]\n\"L (uH)\" = \"coils\"\n", "no list of inductors"),
        ("[parts.columns]\n\"Core\" = \"coils\"\n", "is not understood"),
        ("[parts.all]\nworking_volts = \"60 V\"\n", "did you mean working_voltage?"),
        ("[parts.all]\nworking_voltage = \"60 A\"\n", "voltage with its unit"),
        ("[parts.lines]\n\"Teal-1\" = \"the second\"\n", "the number of a line"),
        ("[parts]\nsheets = \"Data\"\n", "no sheet \"Data\""),
    ];
    for (answer, text) in cases {
        let said = Room::of("list.csv", table.as_bytes(), answer).read().expect_err("it must be refused").to_string();
        assert!(said.contains(text), "{answer}: {text}:\n{said}");
    }
}

#[test]
fn law_a_workbook_and_the_same_table_as_text_hold_the_same_parts() {
    let rows = "Part|Core|L (uH)|DCR max (mOhm)|Isat 30% (A)|Irms 40K (A)\nTeal-1|ferrite|=33.5|=49.25|=7.95|=4.85";
    let sheets = books::sheets(&format!("sheet Data\n{rows}"));
    let text = rows.replace('=', "").replace('|', ";");
    let comma = text.replace('.', ",");
    let files = [
        ("list.xlsx", books::xlsx(&sheets)),
        ("list.ods", books::ods(&sheets)),
        ("list.csv", text.into_bytes()),
        ("list.tsv", comma.into_bytes()),
    ];
    let read = |(name, bytes): &(&str, Vec<u8>)| {
        Room::of(name, bytes, "").read().unwrap_or_else(|error| panic!("{name}: {error}")).parts
    };
    let all: Vec<Vec<Inductor>> = files.iter().map(read).collect();
    assert!(all.iter().all(|parts| *parts == all[0]));
}

#[test]
fn law_answers_make_a_header_of_titles_that_nobody_understands() {
    let bytes = std::fs::read(root().join("tests/data/tables/other_language.csv")).expect("the table");
    let refused = Room::of("list.csv", &bytes, "").read().expect_err("one title is understood").to_string();
    assert!(refused.contains("no list of inductors"), "{refused}");
    let answer = "[parts.columns]\n\"Référence\" = \"name\"\n\"Noyau\" = \"core\"\n\"Résistance DC max (mΩ)\" = \"dcr_max\"\n\
        \"Courant de saturation 30% (A)\" = \"saturation_current\"\n\"Courant efficace 40K (A)\" = \"heating_current\"\n";
    let case = Room::of("list.csv", &bytes, answer).read().unwrap_or_else(|error| panic!("{error}"));
    let part = case.parts.iter().find(|part| part.name == "Pansy-1").expect("the part");
    assert_eq!((part.dcr_max_ohm, part.saturation_ratings[0].drop), (0.049, 0.3));
}

/// Mutants of each table.
const MUTANTS: u64 = 25;

#[test]
fn error_damaged_tables_do_not_panic() {
    let mut state = 20_261_128_u64; // any odd-looking seed; the same tables every time
    let mut draw = |below: usize| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as usize % below.max(1)
    };
    const PIECES: [&[u8]; 12] =
        [b";", b",", b"\"", b"\n", b"\xb5", b"\0", b" x ", b"/", b"max", b"1.000,5", b"\xc2\xb1", b"typ. ("];
    for (name, bytes) in told().iter().flat_map(|told| files(told.file())) {
        for _ in 0..MUTANTS {
            let mut mutant = bytes.clone();
            for _ in 0..=draw(4) {
                let at = draw(mutant.len());
                let until = (at + draw(4)).min(mutant.len());
                mutant.splice(at..until, PIECES[draw(PIECES.len())].iter().copied());
            }
            // Read, asked about or refused; what counts is that it comes back, and that no part is without a name.
            if let Ok(list) = case::table::read(&name, &mutant, &case::table::Answers::default()) {
                assert!(list.parts.iter().all(|part| !part.name.is_empty()), "{name}");
            }
        }
    }
}
