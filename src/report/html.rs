//! The comparison as one self-contained page: nothing loaded from elsewhere, complete without its one script, made to be printed.

mod outcomes;

use super::number::{RowFormat, Scale, bounded, difference_unit, quantity};
use super::plan;
use super::plots::{self, Plot};
use super::text::{cross_check_sentence, energy_sentence, state_name};
use super::wrap::capital;
use super::{ReportError, calibration, json};
use crate::record::layout::{
    Cell, ChangeKind, ConditionRecord, Curves, PartRecord, QuantityRow, Record, Value, ValueRecord,
};
use crate::record::words::{place_of, say_value};
use crate::sha256;
use crate::visible::visible_lines;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use sha2::{Digest, Sha256};

const STYLE: &str = include_str!("style.css");
/// Tells values under the pointer; the page's policy allows this script and no other.
const SCRIPT: &str = include_str!("readout.js");
/// Signatures that are asked for.
const ROLES: [&str; 3] = ["Prepared by", "Reviewed by", "Approved by"];

/// The page.
///
/// # Errors
/// [`ReportError::NotFinite`] where record or curves are damaged, [`ReportError::Plot`] where drawing fails.
pub fn page(record: &Record, curves: &Curves) -> Result<String, ReportError> {
    let hash = sha256::of(json::record(record)?.as_bytes());
    Ok(page_with(record, &plots::all(record, curves)?, &hash))
}

/// The page around plots that are already drawn, for a record with that SHA-256 as it is written.
pub(super) fn page_with(record: &Record, plots: &[Plot], hash: &str) -> String {
    let title = format!("Inductor comparison: {}", record.case.title);
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy" content=(policy(SCRIPT));
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            // On paper the bars of many parts need more height than those of two.
            body class=(if record.parts.len() > 2 { "many" } else { "few" }) {
                (header(record))
                main {
                    (outcomes::section(record))
                    (calibrated(record))
                    (facts(record))
                    (outcomes::evidence(record, plots))
                    (figures(plots))
                    (comparison(record))
                    (plan::section(&record.bench_plan))
                    (places(record))
                    (conditions(record))
                    (origins(record))
                    (method(record))
                    (cautions(record))
                    (signatures(record, hash))
                }
                script { (PreEscaped(SCRIPT)) }
            }
        }
    };
    // A record may come from elsewhere than the case reader, which escapes what a page would obey.
    visible_lines(&page.into_string()).into_owned()
}

/// What a page may load and run: its own style, and its script by the hash (Content Security Policy level 3, section 2.3.1).
pub(super) fn policy(script: &str) -> String {
    let hash = base64(&Sha256::digest(script.as_bytes()));
    format!("default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-{hash}'")
}

/// Base 64 with padding (RFC 4648, section 4).
fn base64(bytes: &[u8]) -> String {
    const SIGNS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let four = |three: &[u8]| {
        let bits = three.iter().enumerate().fold(0_u32, |bits, (k, byte)| bits | u32::from(*byte) << (16 - 8 * k));
        let sign =
            move |k: usize| if k > three.len() { '=' } else { SIGNS[(bits >> (18 - 6 * k) & 63) as usize] as char };
        (0..4).map(sign).collect::<String>()
    };
    bytes.chunks(3).map(four).collect()
}

/// Sections of the page, as the list of contents has them.
const CONTENTS: [(&str, &str); 9] = [
    ("outcomes", "Outcomes"),
    ("parts", "Parts"),
    ("evidence", "Evidence"),
    ("plots", "Plots"),
    ("quantities", "Quantities"),
    ("bench", "Bench"),
    ("data", "Data"),
    ("method", "Method"),
    ("sign", "Sign"),
];

fn header(record: &Record) -> Markup {
    html! {
        header {
            h1 { (record.case.title) }
            p.sub {
                "Inductor comparison, case " (record.case.name) ". Original: "
                @for part in record.parts.iter().filter(|p| p.original) { strong { (part.name) } }
                ". Predicted by presolder " (record.presolder_version) "; record layout " (record.record_version) "."
            }
            @if !record.case.set.is_empty() {
                p {
                    strong { "Set for this run" } ", in place of the values of the files: "
                    @for (number, set) in record.case.set.iter().enumerate() { @if number > 0 { "; " } code { (set) } }
                    "."
                }
            }
        }
        nav aria-label="Contents" { @for (id, title) in CONTENTS { a href={ "#" (id) } { (title) } } }
    }
}

/// What captures have told of the board, and what that changes.
fn calibrated(record: &Record) -> Markup {
    html! {
        @if let Some(calibration) = &record.calibration {
            section {
                h2 { "Calibrated" }
                p { (calibration::whose(calibration)) }
                ul { @for line in calibration::changes(calibration) { li { (line) } } }
            }
        }
    }
}

/// What changes in the part itself: what differs from the original stands out.
fn facts(record: &Record) -> Markup {
    let mut labels: Vec<&str> = vec![];
    for fact in record.parts.iter().flat_map(|part| &part.facts) {
        if !labels.contains(&fact.label.as_str()) {
            labels.push(&fact.label);
        }
    }
    let value = |part: &'_ PartRecord, label: &str| {
        part.facts.iter().find(|fact| fact.label == label).map_or("–".to_string(), |fact| fact.value.clone())
    };
    html! {
        section #parts {
            h2 { "What changes in the part" }
            (scroll("What changes in the part", html! {
                table {
                    thead { tr {
                        th scope="col" { "Datum" }
                        @for part in &record.parts { th.n scope="col" { (part.name) } }
                    } }
                    tbody { @for label in labels { tr {
                        th scope="row" { (label) }
                        @for part in &record.parts {
                            td.n {
                                @let differs = value(part, label) != value(&record.parts[0], label);
                                @if differs { strong { (value(part, label)) } } @else { (value(part, label)) }
                            }
                        }
                    } } }
                }
            }))
        }
    }
}

fn figures(plots: &[Plot]) -> Markup {
    html! {
        section #plots {
            h2 { "Plots" }
            @for plot in plots.iter().filter(|plot| !plot.is_deciding()) { (figure(plot)) }
        }
    }
}

fn figure(plot: &Plot) -> Markup {
    html! {
        figure class=(plot.name) {
            figcaption { (plot.title) }
            (scroll(&plot.title, html! { (PreEscaped(&plot.svg)) }))
            p.sub { (plot.description) }
        }
    }
}

/// Content that scrolls sideways on a narrow screen, also by keyboard.
fn scroll(label: &str, content: Markup) -> Markup {
    html! { div.scroll tabindex="0" role="group" aria-label=(label) { (content) } }
}

fn comparison(record: &Record) -> Markup {
    html! {
        section.numbers #quantities {
            h2 { "Comparison" }
            p {
                "Of each part the condition that decides, else the worst one, with the share of its limit that is used (above \
                 100 % is past it) and the change from the original in that same condition. A part that has another limit \
                 than the original shows its own."
            }
            div.scroll tabindex="0" role="group" aria-label="Comparison" {
                table {
                    thead { tr {
                        th scope="col" { "Quantity" }
                        @for part in &record.parts {
                            th.n scope="col" { (part.name) @if part.original { small { "original" } } }
                        }
                    } }
                    tbody { @for row in &record.quantities { (comparison_row(record, row)) } }
                }
            }
        }
    }
}

fn comparison_row(record: &Record, row: &QuantityRow) -> Markup {
    let format = RowFormat::of(row);
    html! {
        tr {
            th scope="row" {
                (row.label) @if !format.scale.unit.is_empty() { ", " (format.scale.unit) }
                @if let Some(limit) = format.limit() { small { (limit) } }
            }
            @for i in 0..record.parts.len() {
                @match row.cells.get(i).and_then(Option::as_ref) {
                    Some(cell) => (comparison_cell(&format, cell)),
                    None => td.n { "–" },
                }
            }
        }
    }
}

fn comparison_cell(format: &RowFormat, cell: &Cell) -> Markup {
    let class = cell.state.map_or("n", outcomes::class_of);
    html! {
        td class=(class) {
            span.value { (format.value(cell)) @if let Some(state) = cell.state { " " (state_name(state)) } }
            @if let Some(limit) = format.own_limit(cell) { small { (limit) } }
            @if let Some(used) = format.used(cell) { small { (used) " of limit" } }
            @if let Some(change) = format.change(cell) { small { (change) } }
        }
    }
}

/// Long table: uncertainty and place of every value of the comparison.
fn places(record: &Record) -> Markup {
    html! {
        section.screen {
            h2 { "Where the worst values occur" }
            details {
                summary { "Uncertainty, condition and corner of every value" }
                div.scroll tabindex="0" role="group" aria-label="Where the worst values occur" {
                    table.places {
                        thead { tr {
                            @for head in ["Quantity", "Part"] { th scope="col" { (head) } }
                            @for head in ["Value", "Uncertainty"] { th.n scope="col" { (head) } }
                            @for head in ["Condition", "Original there"] { th scope="col" { (head) } }
                        } }
                        tbody { @for row in &record.quantities { (place_rows(record, row)) } }
                    }
                }
            }
        }
    }
}

/// Uncertainty of a value: of a temperature in kelvins, of a share that is compared by difference in points.
fn doubt(row: &QuantityRow, cell: &Cell) -> String {
    let shown = quantity(cell.uncertainty, &row.unit);
    let (number, unit) = shown.split_once(' ').unwrap_or((&shown, ""));
    match (row.unit.as_str(), row.change_kind) {
        ("degC", _) | (_, ChangeKind::Difference) => format!("±{number} {}", difference_unit(&row.unit, unit)),
        _ => format!("±{shown}"),
    }
}

/// Value with unit; what is no number is said.
fn in_full(cell: &Cell, row: &QuantityRow, scale: &Scale) -> String {
    cell.value.exact().map_or_else(|| say_value(&cell.value, &row.unit), |number| scale.with_unit(number))
}

fn place_rows(record: &Record, row: &QuantityRow) -> Markup {
    let scale = RowFormat::of(row).scale;
    html! {
        @for (part, cell) in record.parts.iter().zip(&row.cells) {
            @if let Some(cell) = cell {
                tr {
                    th scope="row" { (row.label) }
                    td { (part.name) }
                    td.n { (in_full(cell, row, &scale)) }
                    td.n { (doubt(row, cell)) }
                    td { (cell.place) }
                    td { (cell.original.as_ref().map_or("–".into(), |value| say_value(value, &row.unit))) }
                }
            }
        }
    }
}

/// One table a kind of condition: one line a condition, corner and part.
fn conditions(record: &Record) -> Markup {
    let mut kinds: Vec<&str> = Vec::new();
    for result in record.parts.iter().flat_map(|part| &part.results) {
        if !kinds.contains(&result.condition.as_str()) {
            kinds.push(&result.condition);
        }
    }
    html! {
        section.conditions.screen {
            h2 { "Every condition and corner" }
            @for kind in kinds { (condition_kind(record, kind)) }
        }
    }
}

fn condition_kind(record: &Record, kind: &str) -> Markup {
    let of = |part: &'_ PartRecord| part.results.iter().filter(|r| r.condition == kind).count();
    let lines: usize = record.parts.iter().map(of).sum();
    html! {
        details {
            summary { (capital(kind)) ": " (lines) " results" }
            (condition_table(record, kind))
        }
    }
}

/// Identifiers that occur in any of the results, in their order.
fn quantities_of<'a>(results: &[&'a ConditionRecord]) -> Vec<&'a ValueRecord> {
    let mut found: Vec<&ValueRecord> = Vec::new();
    for value in results.iter().flat_map(|result| &result.values) {
        if !found.iter().any(|other| other.quantity == value.quantity) {
            found.push(value);
        }
    }
    found
}

fn condition_table(record: &Record, kind: &str) -> Markup {
    let results: Vec<&ConditionRecord> =
        record.parts.iter().flat_map(|part| &part.results).filter(|result| result.condition == kind).collect();
    let columns = Columns::of(&results);
    html! {
        (columns.constant_sentence(record))
        div.scroll tabindex="0" role="group" aria-label=(kind) {
            table {
                thead { tr {
                    th scope="col" { "Part, corner" }
                    @for (_, head, _) in &columns.settings { th.n scope="col" { span { (head) } } }
                    @for (column, scale) in &columns.values {
                        th.n scope="col" { span {
                            (label_of(record, &column.quantity))
                            @if !scale.unit.is_empty() { ", " (scale.unit) }
                        } }
                    }
                } }
                @for part in &record.parts { (part_body(part, kind, &columns)) }
            }
        }
        (condition_notes(record, kind))
    }
}

fn part_body(part: &PartRecord, kind: &str, columns: &Columns) -> Markup {
    let span = 1 + columns.settings.len() + columns.values.len();
    html! {
        tbody {
            tr { th.part scope="rowgroup" colspan=(span) { (part.name) @if part.original { " (original)" } } }
            @for result in part.results.iter().filter(|r| r.condition == kind) { tr {
                th scope="row" { (result.corner) }
                @for (setting, _, unit) in &columns.settings {
                    td.n { (setting(result).map_or("–".to_string(), |v| quantity(v, unit))) }
                }
                @for (column, scale) in &columns.values { td.n { (shown(result, &column.quantity, scale)) } }
            } }
        }
    }
}

/// A setting of a condition, its heading and unit.
type Setting = (fn(&ConditionRecord) -> Option<f64>, &'static str, &'static str);

/// What a table of conditions shows in its columns; what is the same in every line stands above it once.
struct Columns<'a> {
    settings: Vec<Setting>,
    values: Vec<(&'a ValueRecord, Scale)>,
    constant: Vec<(&'a ValueRecord, Scale)>,
}

impl<'a> Columns<'a> {
    fn of(results: &[&'a ConditionRecord]) -> Columns<'a> {
        let settings: [Setting; 3] = [
            (|result| result.input_v, "Input", "V"),
            (|result| result.load_a, "Load", "A"),
            (|result| result.winding_degc, "Winding", "degC"),
        ];
        // The winding temperature of a steady state stands among its values.
        let repeated =
            |head: &str| head == "Winding" && results.iter().all(|r| value_of(r, "winding_temperature").is_some());
        let settings = settings
            .into_iter()
            .filter(|(setting, head, _)| results.iter().any(|r| setting(r).is_some()) && !repeated(head));
        let (constant, values) = quantities_of(results)
            .into_iter()
            .map(|column| {
                let values = results.iter().filter_map(|result| value_of(result, &column.quantity)?.number());
                (column, Scale::of(values, &column.unit))
            })
            .partition(|(column, _)| {
                results.len() > 1 && results.iter().all(|r| value_of(r, &column.quantity) == Some(&column.value))
            });
        Columns { settings: settings.collect(), values, constant }
    }

    fn constant_sentence(&self, record: &Record) -> Markup {
        let each = self.constant.iter().map(|(column, scale)| {
            let unit = if scale.unit.is_empty() { String::new() } else { format!(" {}", scale.unit) };
            format!("{} {}{unit}", label_of(record, &column.quantity), plain(&column.quantity, &column.value, scale))
        });
        let each = each.collect::<Vec<_>>().join("; ");
        html! { @if !each.is_empty() { p { "The same in every line: " (each) "." } } }
    }
}

/// A value of a table of conditions, in words where it is not a measure.
fn shown(result: &ConditionRecord, id: &str, scale: &Scale) -> String {
    value_of(result, id).map_or_else(|| "–".into(), |value| plain(id, value, scale))
}

fn plain(id: &str, value: &Value, scale: &Scale) -> String {
    match (id, value) {
        ("discontinuous", Value::Number(number)) if *number > 0.5 => "yes".into(),
        ("discontinuous", Value::Number(_)) => "no".into(),
        _ => bounded(scale, value, &scale.unit),
    }
}

fn value_of<'a>(result: &'a ConditionRecord, id: &str) -> Option<&'a Value> {
    result.values.iter().find(|value| value.quantity == id).map(|value| &value.value)
}

/// Label of a quantity; an identifier that nobody gave a label is at least written as words.
fn label_of(record: &Record, id: &str) -> String {
    let compared = record.quantities.iter().find(|row| row.quantity == id).map(|row| row.label.as_str());
    let known = || crate::quantity::find(id).map(|quantity| quantity.label);
    compared.or_else(known).map_or_else(|| capital(&id.replace('_', " ")), str::to_string)
}

/// Where a result stands, in words.
fn at(result: &ConditionRecord) -> String {
    place_of(&result.condition, &result.corner, result.input_v, result.load_a)
}

/// Places of a note that are named; the others are counted.
const PLACES_NAMED: usize = 3;

/// Notes of the results of a kind, each once with the parts and places where it applies.
fn condition_notes(record: &Record, kind: &str) -> Markup {
    let of_kind = |part: &'_ PartRecord| part.results.iter().filter(|r| r.condition == kind).count();
    let mut notes: Vec<&str> = Vec::new();
    for note in
        record.parts.iter().flat_map(|part| &part.results).filter(|r| r.condition == kind).flat_map(|r| &r.notes)
    {
        if !notes.contains(&note.as_str()) {
            notes.push(note);
        }
    }
    let places = |note: &str, part: &PartRecord| {
        let noted = |result: &&ConditionRecord| result.condition == kind && result.notes.iter().any(|own| own == note);
        let places = part.results.iter().filter(noted).map(at).collect::<Vec<_>>();
        match places.len() {
            0 => None,
            count if count == of_kind(part) => Some(format!("{}: everywhere", part.name)),
            count if count <= PLACES_NAMED + 1 => Some(format!("{}: {}", part.name, places.join("; "))),
            count => {
                let named = places[..PLACES_NAMED].join("; ");
                Some(format!("{}: {named} and {} more", part.name, count - PLACES_NAMED))
            }
        }
    };
    let all = |note: &str| record.parts.iter().filter_map(|part| places(note, part)).collect::<Vec<_>>().join(". ");
    html! { @if !notes.is_empty() { ul { @for note in notes { li { (note) " (" (all(note)) ")" } } } } }
}

/// Whether nobody stated a datum: on paper these alone are listed, the record holds all.
fn is_assumed(origin: &str) -> bool {
    ["assumed", "absent", "estimated"].contains(&origin)
}

fn origins(record: &Record) -> Markup {
    html! {
        section #data {
            h2 { "Data and their origin" }
            @if !record.warnings.is_empty() {
                h3 { "Data to check" }
                ul { @for warning in &record.warnings { li { (warning) } } }
            }
            h3 { "Assumed data and stated origins" }
            div.scroll tabindex="0" role="group" aria-label="Origins" {
                table.origins {
                    thead { tr { @for head in ["Datum", "Value", "Origin", "Reason"] { th scope="col" { (head) } } } }
                    tbody { @for origin in &record.origins { tr class=(if is_assumed(&origin.origin) { "" } else { "stated" }) {
                        th scope="row" { (origin.datum) }
                        td { (origin.value) }
                        td { @if origin.origin == "assumed" { strong { "assumed" } } @else { (origin.origin) } }
                        td { (origin.note) }
                    } } }
                }
            }
            h3 { "Files" }
            dl { @for file in &record.case.files {
                dt { (file.path) } dd { code { "SHA-256 " (file.sha256) } }
            }
            @if !record.case.set.is_empty() { dt { "all of them, and what was set" } dd { code { "SHA-256 " (record.case.sha256) } } } }
        }
    }
}

fn method(record: &Record) -> Markup {
    html! {
        section.method #method {
            h2 { "Method and numerics" }
            ul { @for line in &record.method { li { (line) } } }
            p { (energy_sentence(record)) }
            @for check in &record.cross_check { p { (cross_check_sentence(check)) } }
            @if record.cross_check.is_empty() { p { "No independent integration was asked for." } }
            h3 { "Equations used" }
            p { (record.equations.join("; ")) "." }
        }
    }
}

fn cautions(record: &Record) -> Markup {
    html! {
        section {
            h2 { "Cautions" }
            ul { @for caution in &record.cautions { li { (caution) } } }
        }
    }
}

/// What is signed is the record: its hash stands with the names.
fn signatures(record: &Record, hash: &str) -> Markup {
    html! {
        section #sign {
            h2 { "Signatures" }
            p {
                "For " (record.case.name) ", record.json with SHA-256 " code { (hash) } ", computed by presolder "
                (record.presolder_version) " on " (record.run.machine) ". " code { "presolder verify" }
                " with the name of this folder runs it again from the copies of its inputs and tells whether anything differs."
            }
            table.sign {
                thead { tr { @for head in ["Role", "Name", "Date", "Signature"] { th scope="col" { (head) } } } }
                tbody { @for role in ROLES { tr { th scope="row" { (role) } td {} td {} td {} } } }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::base64;

    /// RFC 4648, section 10.
    #[test]
    fn outside_base64_of_the_standard() {
        for (text, wanted) in [("", ""), ("f", "Zg=="), ("fo", "Zm8="), ("foo", "Zm9v"), ("foobar", "Zm9vYmFy")] {
            assert_eq!(base64(text.as_bytes()), wanted);
        }
    }
}
