//! `calibration.toml`: what captures of the original have told, as `calibrate` writes it. It holds for one board: another, or one whose
//! data have changed since, is refused.

use super::keys::{Key, Kind, Need};
use super::source::Sources;
use super::walk::{Values, walk};
use crate::error::Error;
use crate::model::case::{Calibration, Case, ToldDatum};
use crate::model::doubt::{doubts, rules};
use crate::sha256;
use crate::units::{self, Dimension};
use std::path::Path;

/// Name of the file, in the folder of the case.
pub const FILE: &str = "calibration.toml";
const AGAIN: &str = "presolder calibrate writes it anew: remove the file, then calibrate with --out";

const fn key(path: &'static str, kind: Kind, example: &'static str, text: &'static str) -> Key {
    let range = (f64::NEG_INFINITY, f64::INFINITY);
    Key::new(path, kind, Need::Required, range, example, text)
}

const fn may(path: &'static str, kind: Kind, text: &'static str) -> Key {
    Key { need: Need::Optional("nothing"), ..key(path, kind, "", text) }
}

use Kind::{Count, Flag, Tables, Text};

/// Keys of `calibration.toml`.
pub const KEYS: &[Key] = &[
    key("case", Text, "\"valve-controller\"", "Case of which it is."),
    key("data_sha256", Text, "\"9f2c...\"", "SHA-256 of the data of board and original."),
    may("board", Text, "Which board was captured."),
    key("misfit", Text, "\"7.1\"", "Misfit of all of them."),
    key("figures", Count, "9", "Number of figures and of points of folded waveforms."),
    key("sound", Flag, "true", "Whether the figures agree with each other and with this board."),
    may("file", Tables, "A file that it rests on."),
    key("file.name", Text, "\"captures.toml\"", "Its name."),
    key("file.sha256", Text, "\"9f2c...\"", "SHA-256 of it."),
    may("learned", Tables, "A datum that was learned."),
    key("learned.key", Text, "\"output.capacitors[0].esr\"", "Its key."),
    may("learned.label", Text, "What it is; none for a tolerance, which the key tells."),
    key("learned.of_part", Flag, "false", "Whether it is the part's own."),
    key("learned.value", Text, "\"3.1 mohm\"", "Its value."),
    key("learned.uncertainty", Text, "\"0.2 mohm\"", "Standard uncertainty of it."),
    key("learned.before", Text, "\"4 mohm\"", "Its value before."),
    key("learned.before_uncertainty", Text, "\"0.7 mohm\"", "Standard uncertainty of that."),
];

/// SHA-256 of the data of board and original on which a calibration rests: limits, load, ambient and the other parts may change.
pub fn data_hash(case: &Case) -> String {
    let board = &case.board;
    let doubtful = doubts(case, 0).into_iter().map(|doubt| (doubt.key, doubt.rule.label, doubt.shown, doubt.nature));
    let doubtful: Vec<_> = doubtful.collect();
    let others = (board.output_v, board.frequency_hz, &board.output_bank, board.tolerances, case.original());
    sha256::of(format!("{doubtful:?}{others:?}").as_bytes())
}

/// Reads the calibration of a case, which stands in its folder then among its files.
///
/// # Errors
/// [`Error::Case`] with everything that is wrong: no such file, another board or case, captures that have changed since, figures that did
/// not agree.
pub fn read(folder: &Path, case: &mut Case) -> Result<Calibration, Error> {
    let mut sources = Sources::default();
    let found = sources.read(folder, FILE, None).and_then(|file| {
        let tree = sources.toml(file)?;
        let values = walk(&mut sources, KEYS, &tree, "");
        sources.problems.is_empty().then(|| Reader { sources: &mut sources, values }.all(folder, case))
    });
    match found {
        Some(calibration) if sources.problems.is_empty() => {
            case.files.extend(sources.hashes);
            Ok(calibration)
        }
        _ => Err(Error::Case(sources.problems)),
    }
}

struct Reader<'a> {
    sources: &'a mut Sources,
    values: Values,
}

impl Reader<'_> {
    fn all(mut self, folder: &Path, case: &Case) -> Calibration {
        self.check_case(case);
        let each = |list: &str| (0..self.values.count(list)).map(|i| format!("{list}[{i}]")).collect::<Vec<_>>();
        let (files, data) = (each("file"), each("learned"));
        files.iter().for_each(|path| self.check_file(folder, path));
        Calibration {
            board: self.values.text("board").unwrap_or("").into(),
            data: data.iter().filter_map(|path| self.datum(path)).collect(),
        }
    }

    fn problem(&mut self, path: &str, expected: impl Into<String>, hint: impl Into<String>) {
        let place = self.values.place(path);
        self.sources.problem(&place, path, expected, hint);
    }

    /// That it is of this case, and of its board as it is now.
    fn check_case(&mut self, case: &Case) {
        if self.values.text("case") != Some(&case.name) {
            self.problem("case", format!("a calibration of the case {}", case.name), "it is that of another board");
        } else if self.values.text("data_sha256") != Some(&data_hash(case)) {
            let expected = "a calibration of the board and the original as their data are now";
            self.problem(
                "data_sha256",
                expected,
                format!("their data have changed since, or another version wrote it; {AGAIN}"),
            );
        }
        if self.values.flag("sound") == Some(false) {
            let hint = "presolder measured shows which do not: nothing is learned from them";
            self.problem("sound", "captures that agree with each other and with this board", hint);
        }
    }

    /// That a file is what it was, where it is there: captures are large, and not every copy of a case has them.
    fn check_file(&mut self, folder: &Path, path: &str) {
        let text = |key: &str| self.values.text(&format!("{path}.{key}")).unwrap_or("").to_string();
        let (name, sha256) = (text("name"), text("sha256"));
        if sha256::of_file(&folder.join(&name)).is_ok_and(|now| now != sha256) {
            self.problem(
                &format!("{path}.sha256"),
                format!("{name} as it is now"),
                format!("it has changed since; {AGAIN}"),
            );
        }
    }

    fn datum(&mut self, path: &str) -> Option<ToldDatum> {
        let text = |key: &str| self.values.text(&format!("{path}.{key}")).map(str::to_string);
        let (key, label) = (text("key")?, text("label").unwrap_or_default());
        let of_part = self.values.flag(&format!("{path}.of_part"))?;
        let rule = rules().find(|rule| rule.label == label && !rule.is_factor);
        let unit = rule.map_or(Dimension::Number, |rule| rule.unit);
        let value = self.quantity(&format!("{path}.value"), unit);
        let standard = self.quantity(&format!("{path}.uncertainty"), unit);
        if standard.is_some_and(|standard| standard <= 0.0) {
            self.problem(&format!("{path}.uncertainty"), "more than 0", "nothing is known without any doubt");
        }
        Some(ToldDatum { key, label, of_part, value: value?, standard: standard? })
    }

    fn quantity(&mut self, path: &str, dimension: Dimension) -> Option<f64> {
        match units::parse(self.values.text(path)?, dimension) {
            Ok(value) => Some(value),
            Err(refusal) => {
                self.problem(path, refusal.expected, refusal.hint);
                None
            }
        }
    }
}
