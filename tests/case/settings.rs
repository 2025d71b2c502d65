//! Values set on the command line: refused in the words of the reader, with the argument in place of file and line; else as if they
//! stood in the files.

use crate::folders::copy;
use presolder::case::keys::{BOARD, Key, Kind, PART, RULES};
use presolder::case::{self, Case};
use presolder::error::{Error, Problem};
use std::path::{Path, PathBuf};

const VALVE: &str = "valve-controller";
const KIOSK: &str = "ticket-kiosk";

fn demo(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("cases").join(name)
}

fn read(name: &str, set: &[&str]) -> Result<Case, Error> {
    case::read_with(&demo(name), &set.iter().map(ToString::to_string).collect::<Vec<_>>())
}

fn problems(name: &str, set: &[&str]) -> Vec<Problem> {
    let error = read(name, set).expect_err("the setting is wrong");
    assert_eq!(error.exit_code(), 2);
    error.problems().to_vec()
}

/// Demo case, argument, key, what was found, what was expected, hint.
type Wrong = [&'static str; 6];

#[test]
#[rustfmt::skip]
fn error_settings_are_told_with_the_argument_as_their_place() {
    let all: &[Wrong] = &[
        [VALVE, "load.step", "--set", "load.step", "a key, = and its value", "load.step.hold"],
        [VALVE, "=3 A", "--set", "=3 A", "a key, = and its value", "load.step.hold"],
        [VALVE, "load.step.to=", "load.step.to", "nothing", "a value in one line behind =", ""],
        [VALVE, "load.step.to=3 A\ntitle=x", "load.step.to", "3 A", "a value in one line behind =", ""],
        [VALVE, "load.step.too=3 A", "load.step.too", "load.step.too", "a known key", "did you mean load.step.to?"],
        [VALVE, "laod.step.to=3 A", "laod.step.to", "laod.step.to", "a known key", "did you mean load.step.to?"],
        [VALVE, "step.slew=3 A/us", "step.slew", "step.slew", "a known key", "input.step.slew or load.step.slew"],
        [VALVE, "inductance=9.1 uH", "inductance", "inductance", "a known key", "parts.NAME.inductance"],
        [VALVE, "load.step.to.value=3 A", "load.step.to.value", "load.step.to.value", "a known key", "load.step.to has no keys below it"],
        [VALVE, "qqqq=3", "qqqq", "qqqq", "a known key", "known here: title, original"],
        [VALVE, "load.step.to=3 V", "load.step.to", "3 V", "current with its unit", "unit of voltage"],
        [VALVE, "load.step.to=3", "load.step.to", "3", "current with its unit", "\"3 A\""],
        [VALVE, "load.step.to=-3 A", "load.step.to", "-3 A", "current from 1 mA to 1 kA", ""],
        [VALVE, "load.step.to=nan A", "load.step.to", "nan A", "current", "finite"],
        [VALVE, "load.step.to=0.3 A", "load.step.to", "0.3 A", "above from = 500 mA", "release"],
        [VALVE, "load.step=3 A", "load.step", "3 A", "a table", "[load.step]"],
        [VALVE, "load.step={ from = \"1 A\"", "load.step", "{ from = \"1 A\"", "a value of TOML", "single ones"],
        [VALVE, "output.capacitors[0].count=four", "output.capacitors[0].count", "four", "a whole number", "count = 3"],
        [VALVE, "output.capacitors[0].count=0", "output.capacitors[0].count", "0", "a whole number from 1 to 1000", ""],
        [VALVE, "output.capacitors[2].count=4", "output.capacitors[2].count", "output.capacitors[2].count", "by its number, 0 to 1, or one of ceramic", "output.capacitors[0].name"],
        [VALVE, "output.capacitors.cermic.count=4", "output.capacitors.cermic.count", "output.capacitors.cermic.count", "one of ceramic", "did you mean output.capacitors.ceramic.count?"],
        [VALVE, "output.capacitors.ceramic.cuont=4", "output.capacitors.ceramic.cuont", "output.capacitors.ceramic.cuont", "a known key", "did you mean output.capacitors.ceramic.count?"],
        [VALVE, "output.capacitors.count=4", "output.capacitors.count", "output.capacitors.count", "an entry of the list", "output.capacitors[0].name"],
        [VALVE, "stage.low_side.emulation=no", "stage.low_side.emulation", "no", "true or false", "emulation = true"],
        [VALVE, "control.modulator.kind=peak", "control.modulator.kind", "peak", "one of fixed-duty", "did you mean \"peak-current\"?"],
        [VALVE, "control.modulator.duty=0.2", "control.modulator.duty", "control.modulator.duty", "no such key with kind = \"peak-current\"", "fixed-duty"],
        [VALVE, "input.voltages=24 V, 18 V, 32 V", "input.voltages", "18 V", "ascending order", "before 24 V"],
        [VALVE, "parts.Kestrel-10.inductence=9.1 uH", "parts.Kestrel-10.inductence", "parts.Kestrel-10.inductence", "a known key", "did you mean parts.Kestrel-10.inductance?"],
        [VALVE, "parts.Kestrel10.inductance=9.1 uH", "parts.Kestrel10.inductance", "parts.Kestrel10.inductance", "the name of a part", "did you mean parts.Kestrel-10?"],
        [VALVE, "parts.Kestrel-10=9.1 uH", "parts.Kestrel-10", "parts.Kestrel-10", "a known key", "add a key of it"],
        [VALVE, "parts.Kestrel-10.inductance=9.1 uA", "Kestrel-10: inductance", "9.1 uA", "inductance with its unit", ""],
        [KIOSK, "parts.Alder-33.dcr_typical=54 mohm", "Alder-33: dcr_typical", "54 mohm", "at most dcr_max = 50 mohm", "swapped"],
        [VALVE, "rules.winding_margin=12 K", "rules.winding_margin", "rules.winding_margin", "a case with house rules", "--set rules=FILE"],
        [VALVE, "original=Kestrel", "original", "Kestrel", "the name of one of the parts", "\"Kestrel-10\""],
        [VALVE, "rules=none.toml", "rules", "none.toml", "a readable file", "names are relative"],
    ];
    for [name, set, key, found, expected, hint] in all {
        let problems = problems(name, &[set]);
        assert_eq!(problems.len(), 1, "{set}: {problems:#?}");
        let p = &problems[0];
        assert_eq!((p.key.as_str(), p.found.as_str(), p.line), (*key, *found, 0), "{set}: {p}");
        assert!(p.file.starts_with(&format!("--set {}", set.split('\n').next().unwrap_or(""))), "{p}");
        assert!(p.expected.contains(expected), "{p}\nlacks {expected}");
        assert!(p.hint.contains(hint), "{p}\nlacks {hint}");
        let shown = Error::Case(problems.clone()).to_string();
        assert!(shown.contains("--set ") && !shown.contains(".toml:"), "{shown}");
    }
}

#[test]
fn error_a_key_is_set_once_and_a_table_needs_all_of_its_keys() {
    let twice = problems(VALVE, &["load.step.to=2.8 A", "load.step.to=2.9 A"]);
    assert_eq!(twice.len(), 1, "{twice:?}");
    assert!(twice[0].file.ends_with("2.9 A") && twice[0].expected == "each key once", "{}", twice[0]);
    let waiver = problems(VALVE, &["waiver[0].requirement=ripple"]);
    assert_eq!(waiver.len(), 3, "by, date and reason: {waiver:?}");
    assert!(waiver.iter().all(|p| p.file == "--set waiver[0].requirement=ripple"), "{waiver:?}");
    // What is wrong in the files stays where it is, told with file and line.
    let of_file = problems(VALVE, &["input.nominal=26 V", "input.voltages=20 V, 26 V, 28 V"]);
    assert!(of_file.iter().all(|p| p.file == "board.toml" && p.line > 0), "{of_file:?}");
}

/// What a case comes to, without what tells where it was read from.
fn content(mut case: Case) -> String {
    (case.files, case.set, case.places) = (vec![], vec![], Default::default());
    format!("{case:?}")
}

/// Arguments; file, what stands in it, and what stands there instead.
type Alike = (&'static str, &'static [&'static str], &'static str, &'static str, &'static str);

#[test]
fn law_a_value_that_is_set_is_as_good_as_one_in_the_file() {
    let all: &[Alike] = &[
        (KIOSK, &["load.step.to=3.3 A"], "board.toml", "to   = \"3.5 A\"", "to = \"3.3 A\""),
        (KIOSK, &["load.step.to=\"3.3A\""], "board.toml", "to   = \"3.5 A\"", "to = \"3.3 A\""),
        (
            KIOSK,
            &["input.voltages=36 V,47 V, 57 V", "input.nominal=47 V"],
            "board.toml",
            "[\"36 V\", \"48 V\", \"56 V\"]\nnominal  = \"48 V\"",
            "[\"36 V\", \"47 V\", \"57 V\"]\nnominal = \"47 V\"",
        ),
        (KIOSK, &["input.capacitors[0].count=3"], "board.toml", "count         = 4", "count = 3"),
        (KIOSK, &["parts.Alder-33.inductance=31 uH"], "parts.toml", "\"33 uH\"", "\"31 uH\""),
        (KIOSK, &["parts.\"Alder-33\".inductance = '31 uH'"], "parts.toml", "\"33 uH\"", "\"31 uH\""),
        (
            KIOSK,
            &["parts[Alder-33].dcr_max={ value = \"51 mohm\", origin = \"measured\", uncertainty = \"3 %\" }"],
            "parts.toml",
            "{ value = \"50 mohm\", origin = \"guaranteed\" }",
            "{ value = \"51 mohm\", origin = \"measured\", uncertainty = \"3 %\" }",
        ),
        (
            KIOSK,
            &["control.without=foldback; hiccup"],
            "board.toml",
            "[\"hiccup\", \"foldback\"]",
            "[\"foldback\", \"hiccup\"]",
        ),
        (
            KIOSK,
            &["limits.winding_temperature=103 degC"],
            "board.toml",
            "winding_temperature = \"115 degC\"",
            "winding_temperature = \"103 degC\"",
        ),
        (VALVE, &["parts.Kestrel-10.dcr_max=53 mohm"], "parts.csv", "", ""),
    ];
    for (name, set, file, old, new) in all {
        let keep = tempfile::tempdir().expect("a temporary folder");
        let folder = keep.path().join(name);
        copy(&demo(name), &folder);
        let text = std::fs::read_to_string(folder.join(file)).expect("a file of the case");
        assert!(text.contains(old), "{file} has no {old:?}");
        let edited = match (*name, *set) {
            // The value of one cell among others.
            (VALVE, _) => with_cell(&text, "Kestrel-10", "dcr_max", "53 mohm"),
            _ => text.replacen(old, new, 1),
        };
        assert_ne!(edited, text);
        std::fs::write(folder.join(file), edited).expect("the edited file");
        let by_file = case::read(&folder).unwrap_or_else(|error| panic!("{set:?}: {error}"));
        let by_set = read(name, set).unwrap_or_else(|error| panic!("{error}"));
        assert_eq!(by_set.set.len(), set.len());
        assert!(content(by_set) == content(by_file), "{set:?} is not what the file makes of it");
    }
}

/// A table with another cell.
fn with_cell(text: &str, part: &str, column: &str, value: &str) -> String {
    let header = text.lines().find(|line| line.starts_with("name")).expect("a header");
    let at = header.split(',').position(|title| title.starts_with(column)).expect("the column");
    let line = |line: &str| match line.starts_with(&format!("{part},")) {
        true => {
            let cells = line.split(',').enumerate().map(|(number, cell)| if number == at { value } else { cell });
            cells.collect::<Vec<_>>().join(",") + "\n"
        }
        false => format!("{line}\n"),
    };
    text.lines().map(line).collect()
}

#[test]
fn law_nothing_set_is_nothing_changed_and_something_set_changes_the_hash() {
    let plain = case::read(&demo(KIOSK)).expect("a case");
    let none = read(KIOSK, &[]).expect("a case");
    assert_eq!(content(plain.clone()), content(none));
    let hash = |set: &[&str]| presolder::record::sweep::case_hash(&read(KIOSK, set).expect("a case"));
    let hashes = [hash(&[]), hash(&["load.step.to=3.3 A"]), hash(&["load.step.to=3.4 A"])];
    assert!(hashes[0] != hashes[1] && hashes[1] != hashes[2] && hashes[0] != hashes[2], "{hashes:?}");
    assert_eq!(hashes[0], presolder::record::sweep::case_hash(&plain));
}

/// Every key of the tables is found under its path: whatever else may be wrong with the example of a key on that board, it is known.
#[test]
fn law_every_key_of_the_tables_can_be_set() {
    let on_board = BOARD.iter().map(|key| (path(BOARD, key), key));
    let of_part = PART.iter().map(|key| (format!("parts.Alder-33.{}", path(PART, key)), key));
    let of_rules = RULES.iter().map(|key| (format!("rules.{}", key.path), key));
    let is_value = |key: &Key| !matches!(key.kind, Kind::Table | Kind::Tables);
    for (path, key) in on_board.chain(of_part).chain(of_rules).filter(|(_, key)| is_value(key)) {
        let set = format!("{path}={}", key.example);
        let problems = read(KIOSK, &[&set]).err().map(|error| error.problems().to_vec()).unwrap_or_default();
        let refused =
            |p: &&Problem| p.file.starts_with("--set") && (p.expected == "a known key" || p.expected.contains("TOML"));
        let refused: Vec<&Problem> = problems.iter().filter(refused).collect();
        assert!(refused.is_empty(), "{set}: {refused:?}");
    }
}

/// The path of a key with the first entry of each list on its way.
fn path(keys: &[Key], key: &Key) -> String {
    let steps: Vec<&str> = key.path.split('.').collect();
    let step = |at: usize| {
        let until = steps[..=at].join(".");
        let is_list =
            at + 1 < steps.len() && keys.iter().any(|other| other.path == until && other.kind == Kind::Tables);
        if is_list { format!("{}[0]", steps[at]) } else { steps[at].to_string() }
    };
    (0..steps.len()).map(step).collect::<Vec<_>>().join(".")
}
