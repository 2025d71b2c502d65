//! From results to rows and verdicts.
//!
//! The rule: docs/physics.md, "decision rule".

use super::quantities::{self, QUANTITIES, Quantity, Scope, highest_input_v};
use super::record::{
    Cell, ChangeKind, ConditionRecord, Judgement, LimitRecord, Outcome, PartRecord, QuantityRow, Side, Verdict,
};
use crate::case::{Case, Origin};
use crate::parts::{CoreFamily, Inductor};
use crate::units;

/// Factor on the highest input that a working voltage should cover for ringing (common practice).
const RINGING: f64 = 1.2;
/// A bench sees a change of this many times what it resolves (coverage factor of 95 %).
pub const COVERAGE: f64 = 2.0;
/// Share of a limit below which the original's value is no base for a fraction.
const SMALL_SHARE: f64 = 0.1;
/// Winding temperature in degrees Celsius from which iron powder may age (common practice).
const AGEING_DEGC: f64 = 100.0;

/// A value of a part with the condition in which it stands.
pub(super) struct Found<'a> {
    /// Value in the unit of the quantity.
    pub value: f64,
    /// Condition.
    pub condition: &'a ConditionRecord,
}

/// All rows of the comparison.
pub fn rows(case: &Case, parts: &[PartRecord]) -> Vec<QuantityRow> {
    QUANTITIES
        .iter()
        .map(|quantity| row(case, parts, quantity))
        .filter(|row| row.cells.iter().any(Option::is_some))
        .collect()
}

fn row(case: &Case, parts: &[PartRecord], quantity: &Quantity) -> QuantityRow {
    let original = values(case, &parts[0], quantity);
    let agreed = (quantity.agreed)(&case.limits.changes);
    // A change for the worse is negative where more is better.
    let sign = if quantity.side == Side::AtLeast { -1.0 } else { 1.0 };
    let agreed_change =
        agreed.map(|agreed| LimitRecord { value: sign * agreed.change, side: quantity.side, stated: agreed.stated });
    let cells = parts
        .iter()
        .zip(&case.parts)
        .map(|(part, data)| {
            let found = values(case, part, quantity);
            let base = (!part.original).then_some(original.as_slice());
            cell(case, quantity, data, &found, base, agreed_change.as_ref())
        })
        .collect();
    QuantityRow {
        quantity: quantity.id.into(),
        label: quantity.label.into(),
        unit: quantity.unit.into(),
        change_kind: quantity.change_kind,
        limit: (quantity.limit)(case, &case.parts[0]),
        agreed_change,
        cells,
    }
}

/// Every value of a quantity in its scope.
pub(super) fn values<'a>(case: &Case, part: &'a PartRecord, quantity: &Quantity) -> Vec<Found<'a>> {
    let counts = |condition: &ConditionRecord| {
        let full_load = condition.load_a == case.board.load_a.last().copied();
        match quantity.scope {
            Scope::Everywhere => true,
            Scope::FullLoad => full_load,
            Scope::FullLoadNominal => {
                let nominal_input = condition.input_v == Some(case.board.nominal_input_v);
                full_load && nominal_input && condition.corner == super::record::NOMINAL
            }
        }
    };
    part.results
        .iter()
        .filter(|condition| counts(condition))
        .filter_map(|condition| {
            let value = condition.values.iter().find(|value| value.quantity == quantity.id)?.value;
            Some(Found { value, condition })
        })
        .collect()
}

fn worst<'a, 'b>(side: Side, found: &'b [Found<'a>]) -> Option<&'b Found<'a>> {
    let by = |a: &&Found, b: &&Found| a.value.total_cmp(&b.value);
    match side {
        Side::AtMost | Side::Within => found.iter().rev().max_by(by),
        Side::AtLeast => found.iter().min_by(by),
    }
}

fn cell(
    case: &Case,
    quantity: &Quantity,
    part: &Inductor,
    found: &[Found<'_>],
    original: Option<&[Found<'_>]>,
    agreed: Option<&LimitRecord>,
) -> Option<Cell> {
    let worst = worst(quantity.side, found)?;
    let ambient = case.board.ambient_degc;
    let uncertainty = quantity.uncertainty(worst.value, ambient);
    let bound = is_bound(quantity.id, worst.condition);
    let limit = (quantity.limit)(case, part);
    let row_limit = (quantity.limit)(case, &case.parts[0]);
    // A waveform that does not repeat somewhere has no count that could have changed elsewhere.
    let counts = !(bound && quantity.id == "periods");
    let change =
        original.filter(|_| counts).and_then(|original| worst_change(case, quantity, found, original, limit.as_ref()));
    let relative = match (&change, agreed) {
        (Some(change), Some(agreed)) => judge(change.change, quantity.change_uncertainty(worst.value, ambient), agreed),
        _ => Judgement::NoLimit,
    };
    Some(Cell {
        value: worst.value,
        uncertainty,
        bound,
        place: place(worst.condition),
        own_limit: limit.clone().filter(|_| limit != row_limit),
        change: change.as_ref().map(|change| change.change),
        change_bound: change.as_ref().is_some_and(|change| is_bound(quantity.id, change.condition)),
        change_place: change.as_ref().map(|change| place(change.condition)),
        share_of_limit: limit.as_ref().filter(|limit| limit.value != 0.0).map(|limit| worst.value / limit.value),
        absolute: limit.as_ref().map_or(Judgement::NoLimit, |limit| {
            let judgement = judge(worst.value, uncertainty, limit);
            // What had not come when the watch ended is not within its limit.
            if bound && judgement == Judgement::Pass { Judgement::Inconclusive } else { judgement }
        }),
        relative,
        change_in_resolutions: change.as_ref().and_then(|change| change.in_resolutions),
        bench_sees: change.as_ref().and_then(|change| change.in_resolutions).map(|times| times >= COVERAGE),
    })
}

/// Whether two parts were in the same condition, corner, input and load.
pub(super) fn same_setting(a: &ConditionRecord, b: &ConditionRecord) -> bool {
    a.condition == b.condition && a.corner == b.corner && a.input_v == b.input_v && a.load_a == b.load_a
}

/// Begin of the note on an output that is not back in its band when the next edge comes.
pub const NOT_BACK: &str = "the output was not back in its band";
/// Begin of the note on a waveform that does not repeat.
pub const NO_REPETITION: &str = "long and short cycles follow each other without a rule";

/// Whether a value of a condition is only the end of what was watched, because what it counts had not happened by then.
pub fn is_bound(quantity: &str, condition: &ConditionRecord) -> bool {
    let noted = |begin: &str| condition.notes.iter().any(|note| note.starts_with(begin));
    match quantity {
        "recovery" => noted(NOT_BACK),
        "periods" => noted(NO_REPETITION),
        _ => false,
    }
}

/// The change of one part in one condition.
struct Change<'a> {
    change: f64,
    /// Difference in units of what the bench resolves, where it can read the quantity.
    in_resolutions: Option<f64>,
    condition: &'a ConditionRecord,
}

/// The most adverse change over all conditions that both parts share.
fn worst_change<'a>(
    case: &Case,
    quantity: &Quantity,
    found: &[Found<'a>],
    original: &[Found<'_>],
    limit: Option<&LimitRecord>,
) -> Option<Change<'a>> {
    // Where the original uses less than a tenth of a limit, a change is a fraction of that tenth: 2 us after 0 us is no
    // change of any weight where 300 us are allowed.
    let least_base = limit.map_or(f64::MIN_POSITIVE, |limit| SMALL_SHARE * limit.value);
    let changes = found.iter().filter_map(|mine| {
        let base = original.iter().find(|base| same_setting(base.condition, mine.condition))?;
        // Nothing can be referred to what had not come.
        if is_bound(quantity.id, base.condition) {
            return None;
        }
        let difference = mine.value - base.value;
        let resolution = quantity.bench_resolution(&case.bench, base.value);
        let change = match quantity.change_kind {
            ChangeKind::Difference => difference,
            ChangeKind::Fraction => difference / base.value.abs().max(least_base),
        };
        Some(Change { change, in_resolutions: resolution.map(|r| (difference / r).abs()), condition: mine.condition })
    });
    let adverse = |change: &Change| match quantity.side {
        Side::AtMost => change.change,
        Side::AtLeast => -change.change,
        Side::Within => change.change.abs(),
    };
    changes.reduce(|a, b| if adverse(&b) > adverse(&a) { b } else { a })
}

/// A value against a limit: past it by more than the uncertainty, inside by more, or neither.
pub fn judge(value: f64, uncertainty: f64, limit: &LimitRecord) -> Judgement {
    let margin = match limit.side {
        Side::AtMost => limit.value - value,
        Side::AtLeast => value - limit.value,
        Side::Within => limit.value - value.abs(),
    };
    if margin >= uncertainty {
        Judgement::Pass
    } else if margin < -uncertainty {
        Judgement::Fail
    } else {
        Judgement::Inconclusive
    }
}

/// A condition in words.
pub fn place(condition: &ConditionRecord) -> String {
    let mut words = vec![];
    if !["steady", "data"].contains(&condition.condition.as_str()) {
        words.push(condition.condition.clone());
    }
    words.extend(condition.input_v.map(|v| say(v, "V")));
    if condition.condition == "steady" {
        words.extend(condition.load_a.map(|a| say(a, "A")));
    }
    if condition.condition != "data" {
        words.push(condition.corner.clone());
    } else {
        words = vec![condition.corner.clone()];
    }
    words.join(", ")
}

/// A value with its unit for sentences.
pub fn say(value: f64, unit: &str) -> String {
    match unit {
        "degC" => format!("{value:.1} °C"),
        "K" => format!("{value:.1} K"),
        "deg" => format!("{value:.1}°"),
        "dB" => format!("{value:.1} dB"),
        "fraction" => format!("{:.1} %", 100.0 * value),
        // The trade writes slews in amperes per microsecond.
        "A/s" if value < 1e4 => format!("{} A/ms", say(1e-3 * value, "")),
        "A/s" => format!("{} A/µs", say(1e-6 * value, "")),
        "" => {
            let text = format!("{value:.3}");
            text.trim_end_matches('0').trim_end_matches('.').to_string()
        }
        _ => {
            let text = units::format_si(value, unit, 4);
            match text.split_once(' ') {
                Some((number, unit)) if number.contains('.') => {
                    format!("{} {unit}", number.trim_end_matches('0').trim_end_matches('.'))
                }
                _ => text,
            }
        }
    }
}

/// A change in words, with its sign.
fn say_change(quantity: &Quantity, change: f64) -> String {
    match (quantity.change_kind, quantity.id) {
        (ChangeKind::Fraction, _) => format!("{:+.1} %", 100.0 * change),
        (ChangeKind::Difference, "efficiency") => format!("{:+.2} points", 100.0 * change),
        (ChangeKind::Difference, "winding_temperature") => format!("{change:+.1} K"),
        (ChangeKind::Difference, "phase_margin") => format!("{change:+.1}°"),
        (ChangeKind::Difference, "gain_margin") => format!("{change:+.1} dB"),
        (ChangeKind::Difference, _) => format!("{}{}", if change > 0.0 { "+" } else { "" }, say(change, quantity.unit)),
    }
}

/// An uncertainty in words: of a temperature in kelvins, of an efficiency in points.
fn say_uncertainty(quantity: &Quantity, uncertainty: f64) -> String {
    match (quantity.unit, quantity.change_kind) {
        ("degC", _) => say(uncertainty, "K"),
        ("fraction", ChangeKind::Difference) => format!("{:.1} points", 100.0 * uncertainty),
        (unit, _) => say(uncertainty, unit),
    }
}

/// A finding that bears on a verdict.
struct Finding {
    outcome: Outcome,
    /// How far past the limit, as a fraction of it: the worst decides.
    excess: f64,
    sentence: String,
    shared: bool,
}

/// The verdict on one substitute (`index` among the parts).
pub fn verdict(case: &Case, rows: &[QuantityRow], index: usize, parts: &[PartRecord]) -> Verdict {
    let part = &parts[index];
    let mut findings: Vec<Finding> = rows.iter().flat_map(|row| findings_of(case, row, index)).collect();
    findings.extend(data_findings(case, rows, index));
    findings.sort_by(|a, b| b.outcome.cmp(&a.outcome).then(b.excess.total_cmp(&a.excess)));
    let already_failing = findings.iter().any(|finding| finding.shared && finding.outcome == Outcome::Fail);
    let outcome = findings
        .iter()
        .map(|finding| if finding.shared { Outcome::PassWithNote } else { finding.outcome })
        .max()
        .unwrap_or(Outcome::Pass);
    let decides = |finding: &&Finding| !finding.shared && finding.outcome == outcome;
    let sentence = match findings.iter().find(decides).or(findings.first()) {
        Some(finding) => finding.sentence.clone(),
        None => nearest_limit(rows, index),
    };
    let (reasons, notes): (Vec<&Finding>, Vec<&Finding>) = findings
        .iter()
        .filter(|finding| finding.sentence != sentence)
        .partition(|finding| finding.outcome >= Outcome::Inconclusive);
    let mut notes: Vec<String> = notes.iter().map(|finding| finding.sentence.clone()).collect();
    notes.extend(rows.iter().filter_map(|row| broken_default(case, row, index)));
    let shared = shared_notes(parts);
    notes.extend(condition_notes(part, |note| !shared.contains(&note.to_string())));
    Verdict {
        part: part.name.clone(),
        outcome,
        already_failing,
        sentence,
        reasons: reasons.iter().map(|finding| finding.sentence.clone()).collect(),
        notes,
        bench: bench_sentence(rows, index),
    }
}

fn findings_of(case: &Case, row: &QuantityRow, index: usize) -> Vec<Finding> {
    let (Some(quantity), Some(cell)) = (quantities::find(&row.quantity), row.cells[index].as_ref()) else {
        return vec![];
    };
    let against_limit = limit_finding(case, quantity, row, index, cell);
    against_limit.into_iter().chain(change_finding(quantity, row, cell)).collect()
}

fn limit_finding(case: &Case, quantity: &Quantity, row: &QuantityRow, index: usize, cell: &Cell) -> Option<Finding> {
    let limit = (quantity.limit)(case, &case.parts[index])?;
    let outcome = outcome_of(cell.absolute, limit.stated)?;
    let original_fails = row.cells[0].as_ref().is_some_and(|cell| cell.absolute == Judgement::Fail);
    let shared = (cell.absolute == Judgement::Fail && original_fails) || is_as_open(case, quantity, row, cell);
    // A default that the working board breaks as well is no yardstick for this board.
    if shared && !limit.stated {
        return None;
    }
    let excess = match limit.side {
        Side::AtLeast => limit.value / cell.value - 1.0,
        _ => cell.value / limit.value - 1.0,
    };
    Some(Finding { outcome, excess, sentence: limit_sentence(quantity, cell, &limit, shared), shared })
}

/// Whether the limit lies inside the uncertainty for the original as well, and the part is no further from it than a change can be
/// told from none: what is open about the board is then not the part's.
fn is_as_open(case: &Case, quantity: &Quantity, row: &QuantityRow, cell: &Cell) -> bool {
    let Some(original) = row.cells[0].as_ref() else { return false };
    let both = [original, cell].iter().all(|cell| cell.absolute == Judgement::Inconclusive);
    let ambient_degc = case.board.ambient_degc;
    let slack = match quantity.change_kind {
        ChangeKind::Fraction => quantity.change_uncertainty(original.value, ambient_degc) * original.value.abs(),
        ChangeKind::Difference => quantity.change_uncertainty(original.value, ambient_degc),
    };
    let worse = match quantity.side {
        Side::AtMost => cell.value - original.value,
        Side::AtLeast => original.value - cell.value,
        Side::Within => (cell.value - original.value).abs(),
    };
    both && worse <= slack
}

/// A default limit that the original breaks as well: no yardstick for this board, but a person must know of it.
fn broken_default(case: &Case, row: &QuantityRow, index: usize) -> Option<String> {
    let quantity = quantities::find(&row.quantity)?;
    let (original, cell) = (row.cells[0].as_ref()?, row.cells[index].as_ref()?);
    let limit = (quantity.limit)(case, &case.parts[index]).filter(|limit| !limit.stated)?;
    let broken = [original, cell].iter().all(|cell| cell.absolute == Judgement::Fail);
    broken.then(|| {
        let sentence = limit_sentence(quantity, cell, &limit, false);
        format!(
            "{sentence}; so is the original with {}: no yardstick for this board",
            say(original.value, quantity.unit)
        )
    })
}

fn change_finding(quantity: &Quantity, row: &QuantityRow, cell: &Cell) -> Option<Finding> {
    let (agreed, change) = (row.agreed_change.as_ref()?, cell.change?);
    let outcome = outcome_of(cell.relative, agreed.stated)?;
    let relation = if cell.relative == Judgement::Fail { "more than" } else { "which cannot be told from" };
    let sentence = format!(
        "{}: {}{} against the original, {relation} the {} {} ({})",
        quantity.label,
        if cell.change_bound { "at least " } else { "" },
        say_change(quantity, change),
        if agreed.stated { "agreed" } else { "default" },
        say_change(quantity, agreed.value.abs()).trim_start_matches('+'),
        cell.change_place.as_deref().unwrap_or("data")
    );
    Some(Finding { outcome, excess: (change / agreed.value).abs() - 1.0, sentence, shared: false })
}

/// What a judgement means for the outcome: limits that nobody stated lead to a note only.
fn outcome_of(judgement: Judgement, stated: bool) -> Option<Outcome> {
    match (judgement, stated) {
        (Judgement::NoLimit | Judgement::Pass, _) => None,
        (Judgement::Inconclusive, true) => Some(Outcome::Inconclusive),
        (Judgement::Fail, true) => Some(Outcome::Fail),
        (Judgement::Fail, false) => Some(Outcome::PassWithNote),
        (Judgement::Inconclusive, false) => None,
    }
}

/// What is said of a value that is only a bound: "does not repeat", "not within 1.2 ms".
pub fn say_bound(quantity: &str, value: f64, unit: &str) -> String {
    match quantity {
        "periods" => "does not repeat".into(),
        _ => format!("not within {}", say(value, unit)),
    }
}

fn limit_sentence(quantity: &Quantity, cell: &Cell, limit: &LimitRecord, shared: bool) -> String {
    let value = say(cell.value, quantity.unit);
    let bound = say(limit.value, quantity.unit);
    if cell.bound {
        let what = if limit.stated { "limit" } else { "default" };
        let flag = if shared { "; already failing with the original" } else { "" };
        let said = say_bound(quantity.id, cell.value, quantity.unit);
        return format!("{}: {said}, where the {what} is {bound} ({}){flag}", quantity.label, cell.place);
    }
    let relation = match (cell.absolute, limit.side) {
        (Judgement::Inconclusive, _) => {
            let flag = if shared { "; the same with the original" } else { "" };
            return format!(
                "{}: {value} with an uncertainty of {} cannot be told from the limit of {bound} ({}){flag}",
                quantity.label,
                say_uncertainty(quantity, cell.uncertainty),
                cell.place
            );
        }
        (_, Side::AtLeast) => "is below",
        _ => "is past",
    };
    let what = if limit.stated { "its limit" } else { "the default" };
    let flag = if shared { "; already failing with the original" } else { "" };
    format!("{}: {value} {relation} {what} of {bound} ({}){flag}", quantity.label, cell.place)
}

/// Findings from data that no row holds.
fn data_findings(case: &Case, rows: &[QuantityRow], index: usize) -> Vec<Finding> {
    let part = &case.parts[index];
    let mut notes = vec![];
    let input_v = highest_input_v(&case.board);
    match part.working_voltage_v {
        None => notes.push("no working voltage is stated: ask the maker".to_string()),
        Some(rating) if rating >= input_v && rating < RINGING * input_v => notes.push(format!(
            "working voltage {} leaves less than 20 % above the highest input for ringing (common practice)",
            say(rating, "V")
        )),
        Some(_) => {}
    }
    let hottest =
        rows.iter().find(|row| row.quantity == "winding_temperature").and_then(|row| row.cells[index].as_ref());
    if part.core == CoreFamily::IronPowder && hottest.is_some_and(|cell| cell.value > AGEING_DEGC) {
        notes
            .push("iron powder above 100 °C may age: its core loss can rise over months (common practice)".to_string());
    }
    if part.core_loss.is_none() {
        notes.push("no core-loss data: losses and temperature are too low by the core's share".to_string());
    }
    let own = format!("{}: ", part.name);
    let assumed: Vec<&str> = case
        .origins
        .iter()
        .filter(|origin| origin.origin == Origin::Assumed)
        .filter_map(|origin| origin.datum.strip_prefix(&own))
        .collect();
    if !assumed.is_empty() {
        notes.push(format!("assumed data of the part: {}", assumed.join(", ")));
    }
    notes
        .into_iter()
        .map(|sentence| Finding { outcome: Outcome::PassWithNote, excess: -1.0, sentence, shared: false })
        .collect()
}

/// Notes that the results of every part carry: they say something about the data or the model, not about a part.
pub fn shared_notes(parts: &[PartRecord]) -> Vec<String> {
    let has = |part: &PartRecord, note: &String| part.results.iter().any(|result| result.notes.contains(note));
    let mut shared: Vec<String> = vec![];
    for note in parts[0].results.iter().flat_map(|result| &result.notes) {
        if !shared.contains(note) && parts.iter().all(|part| has(part, note)) {
            shared.push(note.clone());
        }
    }
    shared
}

/// Notes of the conditions that are wanted, each once, with the first place where it arose.
fn condition_notes(part: &PartRecord, wanted: impl Fn(&str) -> bool) -> Vec<String> {
    let mut notes: Vec<(String, String, usize)> = vec![];
    for condition in &part.results {
        for note in condition.notes.iter().filter(|note| wanted(note)) {
            match notes.iter_mut().find(|(known, _, _)| known == note) {
                Some((_, _, count)) => *count += 1,
                None => notes.push((note.clone(), place(condition), 1)),
            }
        }
    }
    notes
        .into_iter()
        .map(|(note, place, count)| match count {
            1 => format!("{note} ({place})"),
            _ => format!("{note} ({place} and {} more)", count - 1),
        })
        .collect()
}

/// For a part without findings: which limit is nearest.
fn nearest_limit(rows: &[QuantityRow], index: usize) -> String {
    let used = |row: &QuantityRow| {
        let cell = row.cells[index].as_ref()?;
        let share = cell.share_of_limit?;
        let quantity = quantities::find(&row.quantity)?;
        // Defaults are no limits of this board, and counts that sit on their limit say nothing about the margin.
        let stated = cell.own_limit.as_ref().or(row.limit.as_ref()).is_some_and(|limit| limit.stated);
        if !stated || quantity.id == "periods" {
            return None;
        }
        Some((if quantity.side == Side::AtLeast { 1.0 / share } else { share }, quantity.label, cell.place.clone()))
    };
    match rows.iter().filter_map(used).max_by(|a, b| a.0.total_cmp(&b.0)) {
        Some((share, label, place)) => {
            format!("every limit is met; nearest to its limit: {label}, {:.0} % of it ({place})", 100.0 * share)
        }
        None => "no limit is stated that could be broken".into(),
    }
}

/// Whether, and where best, the bench sees that the part was changed.
fn bench_sentence(rows: &[QuantityRow], index: usize) -> String {
    let mut seen: Vec<(f64, String)> = rows
        .iter()
        .filter_map(|row| {
            let (quantity, cell) = (quantities::find(&row.quantity)?, row.cells[index].as_ref()?);
            let (Some(change), Some(place), Some(true)) = (cell.change, &cell.change_place, cell.bench_sees) else {
                return None;
            };
            let what = format!("{} {} ({place})", quantity.label, say_change(quantity, change));
            Some((cell.change_in_resolutions?, what))
        })
        .collect();
    seen.sort_by(|a, b| b.0.total_cmp(&a.0));
    match seen.first() {
        None => "the stated bench would not see a difference from the original in any of these quantities".into(),
        Some((times, what)) => format!(
            "the bench would see the change best in: {what}, about {times:.0} times what it resolves; {} of {} quantities differ visibly",
            seen.len(),
            rows.iter().filter(|row| row.cells[index].as_ref().is_some_and(|cell| cell.bench_sees.is_some())).count()
        ),
    }
}
