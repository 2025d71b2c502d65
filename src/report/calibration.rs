//! What captures of the original tell of the board's data, as text and as `calibration.toml`.

use super::number::quantity;
use super::text::{outcome_name, state_name};
use super::wrap::push_wrapped;
use crate::bench::calibrate::{Calibration, Learned, LeftOut};
use crate::bench::predict::Prior;
use crate::record::layout::{CalibrationRecord, MovedByCalibration, MovedDatum, Record, State, Value};
use crate::units::{format_si, show};
use crate::visible::visible;
use std::fmt::Write;

/// Data that are not learned and told all the same.
const TOLD: usize = 6;

/// For a terminal.
pub fn text(calibration: &Calibration, captures: &[String], width: usize) -> String {
    let mut out = String::from("What the captures of the original tell\n\n");
    let (misfit, count) = calibration.misfit;
    push_wrapped(
        &mut out,
        &format!("Misfit {misfit:.1}, expected about {count} for {count} figures and points of waveforms."),
        width,
        "",
        "",
    );
    if !calibration.is_sound() {
        let words = "The figures do not agree with each other or with this board: nothing is learned from them. Look at presolder measured \
                     first: another board, part or condition, or a wrong scale?";
        push_wrapped(&mut out, words, width, "", "");
        return out;
    }
    for source in &calibration.at_odds {
        let name = captures.get(*source).map_or("", String::as_str);
        let words = format!("Not used: {name}: its figures do not agree with each other and with this board.");
        push_wrapped(&mut out, &words, width, "", "");
    }
    let (learned, rest): (Vec<&Learned>, Vec<&Learned>) = calibration.data.iter().partition(|datum| datum.is_learned());
    // Writing to a string cannot fail.
    let _ = writeln!(out, "\n{:<34} {:>20} {:>20}", "learned", "before", "after");
    learned.iter().for_each(|datum| push_datum(&mut out, datum));
    if learned.is_empty() {
        out.push_str("  nothing: no datum is known a fifth better than before\n");
    }
    out.push_str("\nnot learned (known less than a fifth better than before)\n");
    rest.iter().take(TOLD).for_each(|datum| push_datum(&mut out, datum));
    let more = rest.len().saturating_sub(TOLD);
    if more > 0 {
        let _ = writeln!(out, "  and {more} more");
    }
    for (probe, shift, doubt) in &calibration.gains {
        let _ = writeln!(out, "gain of {probe}: {:+.1} ± {:.1} %", 100.0 * shift, 200.0 * doubt);
    }
    push_left_out(&mut out, &calibration.left_out, captures);
    out.push_str("\nUncertainties are expanded, k = 2.\n");
    out
}

fn push_datum(out: &mut String, datum: &Learned) {
    let prior = &datum.prior;
    let (value, standard) = after(datum);
    let _ = writeln!(
        out,
        "  {:<32} {:>20} {:>20}",
        shortened(&prior.name),
        valued(prior, prior.middle, prior.standard),
        valued(prior, value, standard)
    );
}

fn shortened(name: &str) -> String {
    let count = name.chars().count();
    if count <= 32 { name.into() } else { format!("..{}", name.chars().skip(count - 30).collect::<String>()) }
}

/// Value and standard uncertainty of a datum as it is known now.
fn after(datum: &Learned) -> (f64, f64) {
    let prior = &datum.prior;
    (prior.middle + datum.shift * prior.standard, datum.left * prior.standard)
}

fn valued(prior: &Prior, value: f64, standard: f64) -> String {
    let unit = prior.unit.si_unit();
    if prior.middle == 0.0 {
        return format!("{} ±{}", format_si(value, unit, 3), format_si(2.0 * standard, unit, 2));
    }
    format!("{} ±{:.1} %", format_si(value, unit, 3), 200.0 * (standard / prior.middle).abs())
}

fn push_left_out(out: &mut String, left_out: &[LeftOut], captures: &[String]) {
    if left_out.is_empty() {
        out.push_str("\nOne capture alone: nothing could be predicted from the others.\n");
        return;
    }
    let _ = writeln!(out, "\n{:<48} {:>14} {:>14}", "each capture from the others: E_n", "before", "after");
    for one in left_out {
        let score = |(difference, uncertainty): (f64, f64)| 0.5 * difference / uncertainty;
        let capture = captures.get(one.source).map_or("", String::as_str);
        let before = score((one.difference.0, one.uncertainty.0));
        let behind = score((one.difference.1, one.uncertainty.1));
        let _ = writeln!(
            out,
            "  {:<46} {before:>+14.2} {behind:>+14.2}",
            shortened_to(&format!("{capture}: {}", one.id), 46)
        );
    }
}

fn shortened_to(text: &str, most: usize) -> String {
    text.chars().take(most).collect()
}

/// What a calibration changed in a comparison, for a terminal; empty where none was used.
pub fn change(record: &Record, width: usize) -> String {
    let Some(calibration) = &record.calibration else { return String::new() };
    let mut out = String::new();
    push_wrapped(&mut out, &whose(calibration), width, "", "");
    for line in changes(calibration) {
        push_wrapped(&mut out, &line, width, "  ", "    ");
    }
    out.push('\n');
    out
}

/// What stands in the head of any other result that rests on captures, a line each; none where it rests on none.
pub fn head(calibration: Option<&CalibrationRecord>) -> Vec<String> {
    let of = |calibration| std::iter::once(of_board(calibration) + ".").chain(data_lines(calibration));
    calibration.into_iter().flat_map(of).collect()
}

/// The same as lines before the header of a table.
pub fn remarks(calibration: Option<&CalibrationRecord>) -> Vec<String> {
    head(calibration).iter().map(|line| format!("# {}", visible(line))).collect()
}

/// The same for a terminal.
pub(super) fn push_head(out: &mut String, calibration: Option<&CalibrationRecord>, width: usize) {
    head(calibration).iter().for_each(|line| push_wrapped(out, line, width, "", "  "));
}

/// Of which board it is.
fn of_board(calibration: &CalibrationRecord) -> String {
    let CalibrationRecord { board, data, .. } = calibration;
    let board = if board.is_empty() { String::new() } else { format!(" ({board})") };
    format!("Calibrated: for the board that was captured{board}, no other. {} data moved", data.len())
}

/// Of which board it is, and how much it moves.
pub fn whose(calibration: &CalibrationRecord) -> String {
    let checks = &calibration.checks;
    let moved =
        |from: State, to: State| checks.iter().filter(|check| (check.before.0, check.after.0) == (from, to)).count();
    let closed = moved(State::Open, State::Met) + moved(State::Open, State::Missed);
    let opened = moved(State::Met, State::Open) + moved(State::Missed, State::Open);
    format!(
        "{}; {closed} checks closed, {opened} opened, of {} whose state or uncertainty changed.",
        of_board(calibration),
        checks.len()
    )
}

/// What moved, a line each: data, outcomes, checks.
pub fn changes(calibration: &CalibrationRecord) -> Vec<String> {
    let outcomes = calibration.outcomes.iter();
    let outcomes = outcomes.map(|(part, old, new)| format!("{part}: {} -> {}", outcome_name(*old), outcome_name(*new)));
    data_lines(calibration).chain(outcomes).chain(calibration.checks.iter().map(check_line)).collect()
}

/// What moved, and what was not taken.
fn data_lines(calibration: &CalibrationRecord) -> impl Iterator<Item = String> {
    let left = calibration.left.iter().map(|(key, why)| format!("{key}: not taken: {why}"));
    calibration.data.iter().map(datum_line).chain(left)
}

fn datum_line(moved: &MovedDatum) -> String {
    let of = |(value, uncertainty): (f64, f64)| {
        format!("{} ± {}", format_si(value, &moved.unit, 4), format_si(uncertainty, &moved.unit, 2))
    };
    let label = if moved.label.is_empty() { String::new() } else { format!(" ({})", moved.label) };
    format!("{}{label}: {} -> {}", moved.datum, of(moved.before), of(moved.after))
}

fn check_line(check: &MovedByCalibration) -> String {
    let of = |(state, value, uncertainty): &(State, Value, f64)| {
        let shown = value.number().map_or("no value".into(), |number| quantity(number, &check.unit));
        let unit = if check.unit == "degC" { "K" } else { &check.unit };
        format!("{} {shown} ± {}", state_name(*state), quantity(*uncertainty, unit))
    };
    format!("{}, {}: {} -> {}", check.part, check.label, of(&check.before), of(&check.after))
}

/// What a calibration is of.
#[derive(Clone, Debug, Default)]
pub struct Of {
    /// Name of the case.
    pub case: String,
    /// SHA-256 of the data of board and original.
    pub data_sha256: String,
    /// Which board was captured.
    pub board: String,
}

/// As `calibration.toml`: what was learned, and the files that it rests on with the SHA-256 of each.
pub fn toml(calibration: &Calibration, of: &Of, files: &[(String, String)]) -> String {
    let mut out = format!("# Written by presolder {} calibrate.\n", env!("CARGO_PKG_VERSION"));
    let (misfit, count) = calibration.misfit;
    let Of { case, data_sha256, board } = of;
    let _ = writeln!(out, "case = {}\ndata_sha256 = \"{data_sha256}\"", quoted(case));
    push_stated(&mut out, "board", board);
    let _ = writeln!(out, "misfit = \"{misfit:.3}\"\nfigures = {count}\nsound = {}", calibration.is_sound());
    for (name, sha256) in files {
        let _ = writeln!(out, "\n[[file]]\nname = {}\nsha256 = \"{sha256}\"", quoted(name));
    }
    let learned = calibration.data.iter().filter(|datum| calibration.is_sound() && datum.is_learned());
    for datum in learned {
        let (value, standard) = after(datum);
        let prior = &datum.prior;
        let of_part = prior.of_part;
        let _ = writeln!(
            out,
            "\n[[learned]]\nkey = {}\nof_part = {of_part}\nvalue = \"{}\"\nuncertainty = \"{}\"   # standard\n\
             before = \"{}\"\nbefore_uncertainty = \"{}\"",
            quoted(&prior.key),
            show(value, prior.unit),
            show(standard, prior.unit),
            show(prior.middle, prior.unit),
            show(prior.standard, prior.unit)
        );
        push_stated(&mut out, "label", &prior.label);
    }
    out
}

/// A key whose value is not empty.
fn push_stated(out: &mut String, key: &str, value: &str) {
    if !value.is_empty() {
        let _ = writeln!(out, "{key} = {}", quoted(value));
    }
}

fn quoted(name: &str) -> String {
    format!("\"{}\"", visible(name).replace('\\', "\\\\").replace('"', "\\\""))
}
