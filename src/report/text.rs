//! The comparison as plain text for a terminal or a pipe: no colour, no control codes. The first screen holds the decision; what it leaves out
//! is printed on request. The sentences here serve the page as well.

mod more;
mod place;
mod screen;

use super::number::quantity;
use super::wrap::capital;
pub use super::wrap::item;
use crate::record::layout::{Check, CrossCheckRecord, Outcome, Record, State, Verdict};
use crate::record::words::lower;
pub use more::{data, part, quantities};
pub use place::short;
pub use screen::comparison;

/// Below this width nothing would fit.
const LEAST_WIDTH: usize = 40;
/// Share of its limit from which a quantity is close to it.
const CLOSE: f64 = 0.9;
/// Rows of what decides and what is close to a limit.
const CLOSE_ROWS: usize = 8;
/// What the tool does not look at.
pub const NOT_JUDGED: &str = "emissions, audible noise, vibration, soldering";

/// Doubts about the data that stand before everything else; what holds for the runs of all parts is no doubt about a datum.
pub(super) fn to_check(record: &Record) -> impl Iterator<Item = &String> {
    record.warnings.iter().filter(|warning| !warning.starts_with("all parts:"))
}

/// Name of an outcome as it is printed.
pub fn outcome_name(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Pass => "PASS",
        Outcome::NoWorse => "NO WORSE",
        Outcome::Undecided => "UNDECIDED",
        Outcome::Fail => "FAIL",
    }
}

/// Name of a state as it is printed.
pub fn state_name(state: State) -> &'static str {
    match state {
        State::Met => "met",
        State::Open => "open",
        State::Missed => "missed",
    }
}

/// How many of the checks of a part are in a state.
pub(super) fn count(verdict: &Verdict, state: State) -> usize {
    verdict.checks.iter().filter(|check| check.state == state).count()
}

/// The original's own state: a sentence, and the names of the checks that it misses and that are open.
fn original_parts(original: &Verdict) -> (String, Vec<(&'static str, Vec<String>)>) {
    let names = |state| {
        let mut labels: Vec<String> = vec![];
        for check in original.checks.iter().filter(|check| check.state == state) {
            let label = lower(&check.label);
            if !labels.contains(&label) {
                labels.push(label);
            }
        }
        labels
    };
    let (met, all) = (count(original, State::Met), original.checks.len());
    let begin = match met == all {
        true => format!("Fitted: {}. It meets all {all} checks.", original.part),
        false => format!("Fitted: {}. It meets {met} of {all} checks.", original.part),
    };
    let groups = [State::Missed, State::Open].map(|state| (state_name(state), names(state)));
    (begin, groups.into_iter().filter(|(_, names)| !names.is_empty()).collect())
}

/// The original's own state in one sentence.
pub(super) fn original_sentence(original: &Verdict) -> String {
    let (begin, groups) = original_parts(original);
    let more = groups.iter().map(|(state, names)| format!(" {}: {}.", capital(state), names.join("; ")));
    begin + &more.collect::<String>()
}

/// Further checks of the same outcome as the one that decides, by name.
pub(super) fn other_reasons(verdict: &Verdict) -> Vec<String> {
    let mut labels: Vec<String> = vec![];
    if verdict.outcome == Outcome::Pass {
        return labels;
    }
    for check in verdict.checks.iter().skip(1).filter(|check| check.outcome == verdict.outcome) {
        let label = lower(&check.label);
        if lower(&verdict.checks[0].label) != label && !labels.contains(&label) {
            labels.push(label);
        }
    }
    labels
}

/// Whether a value is within a tenth of its limit.
fn is_close(check: &Check) -> bool {
    if check.stands_in {
        return false;
    }
    let (Some(limit), Some(value)) = (check.limit, check.value.value.number()) else { return false };
    let share = value.abs() / limit.value.abs();
    share.is_finite() && (share.min(1.0 / share) > CLOSE || share > 1.0 && limit.side != crate::quantity::Side::AtLeast)
}

/// What a row of checks is called: where several quantities are one check, not by the quantity that decides it in one part.
pub(super) fn heading(check: &Check) -> String {
    match check.key.as_str() {
        "pulse_rating" => "Highest current, switches".into(),
        "below_limit" => "Highest current, lowest limit".into(),
        _ => check.label.clone(),
    }
}

/// The proposed bench tests in full.
pub fn bench_tests(record: &Record, width: usize) -> String {
    let mut out = String::new();
    super::plan::push_text(&mut out, &record.bench_plan, width.max(LEAST_WIDTH));
    out
}

/// How many data are assumed.
pub(super) fn assumed_sentence(record: &Record) -> String {
    let of_the_tool = |datum: &str| ["limits.", "bench.", "numerics."].iter().any(|group| datum.contains(group));
    let assumed = record.origins.iter().filter(|origin| {
        ["assumed", "absent", "estimated"].contains(&origin.origin.as_str()) && !of_the_tool(&origin.datum)
    });
    let mut deciding: Vec<&str> = vec![];
    for check in record.verdicts.iter().filter_map(|verdict| verdict.checks.first()) {
        if let Some(datum) = check.decides.as_ref().filter(|datum| !deciding.contains(&datum.label.as_str())) {
            deciding.push(&datum.label);
        }
    }
    match (assumed.count(), deciding.is_empty()) {
        (0, _) => "none".into(),
        (count, true) => format!("{count}, none of which decides"),
        (count, false) => format!("{count}; what decides: {}", deciding.join(", ")),
    }
}

/// Share of the checks that are open.
fn open_share(record: &Record) -> String {
    let all: usize = record.verdicts.iter().map(|verdict| verdict.checks.len()).sum();
    let open: usize = record.verdicts.iter().map(|verdict| count(verdict, State::Open)).sum();
    format!("{open} of {all} for the substitutes")
}

/// The line on the energy book, shared with the page.
pub fn energy_sentence(record: &Record) -> String {
    let book = &record.energy_book;
    format!(
        "Energy balance check of {} runs: largest residual {:.1e} of the energy through the converter (allowed {:.0e}).",
        book.runs, book.worst_residual, book.allowed_residual
    )
}

/// The line on one cross-check, shared with the page.
pub fn cross_check_sentence(check: &CrossCheckRecord) -> String {
    if let Some(why) = &check.not_compared {
        return format!("Independent integration, {}, {}: not compared: {why}.", check.part, check.condition);
    }
    let (volts, amperes) = (quantity(check.output_v, "V"), quantity(check.current_a, "A"));
    let until = check.until_s.map_or_else(String::new, |until_s| {
        let time = quantity(until_s, "s");
        format!(" Compared up to {time}: there a comparator hangs on rounding, and the two go on differently.")
    });
    format!(
        "Independent integration, {}, {}: output differs by at most {volts}, inductor current by {amperes} \
         over {} samples.{until}",
        check.part, check.condition, check.samples
    )
}
