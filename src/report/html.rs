//! The comparison as one self-contained page: no script, nothing loaded from elsewhere, made to be printed.

use super::number::{MARKS, RowFormat, Scale, change_mark, mark, quantity};
use super::plan;
use super::plots::{self, Plot};
use super::text::{cross_check_sentence, energy_sentence, outcome_name};
use super::{ReportError, check_finite, csv};
use crate::compare::record::{
    Cell, ConditionRecord, Curves, Judgement, PartRecord, QuantityRow, Record, ValueRecord, Verdict,
};
use maud::{DOCTYPE, Markup, PreEscaped, html};

const STYLE: &str = include_str!("style.css");
/// Quantities side by side in a table of conditions; more would not fit on paper.
const COLUMNS: usize = 7;
/// Signatures that are asked for.
const ROLES: [&str; 3] = ["Prepared by", "Reviewed by", "Approved by"];

/// The page.
///
/// # Errors
/// [`ReportError::NotFinite`] where record or curves are damaged, [`ReportError::Plot`] where drawing fails.
pub fn page(record: &Record, curves: &Curves) -> Result<String, ReportError> {
    check_finite(record)?;
    Ok(page_with(record, &plots::all(record, curves)?))
}

/// The page around plots that are already drawn.
pub(super) fn page_with(record: &Record, plots: &[Plot]) -> String {
    let title = format!("Inductor comparison: {}", record.case.title);
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'";
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                (header(record, &title))
                main {
                    (verdicts(record))
                    (figures(plots))
                    (comparison(record))
                    (plan::section(&record.bench_plan))
                    (places(record))
                    (conditions(record))
                    (origins(record))
                    (method(record))
                    (cautions(record))
                    (signatures())
                }
            }
        }
    };
    page.into_string()
}

fn header(record: &Record, title: &str) -> Markup {
    html! {
        header {
            h1 { (title) }
            p.sub {
                "Case " (record.case.name) ". Original: "
                @for part in record.parts.iter().filter(|p| p.original) { strong { (part.name) } }
                ". Predicted by presolder " (record.presolder_version) "; record layout " (record.record_version) "."
            }
        }
    }
}

fn verdicts(record: &Record) -> Markup {
    html! {
        section {
            h2 { "Verdicts" }
            @for verdict in &record.verdicts { (one_verdict(verdict)) }
            @if record.verdicts.is_empty() { p { "No substitute was compared." } }
        }
    }
}

fn one_verdict(verdict: &Verdict) -> Markup {
    html! {
        article class={ "verdict " (csv::word(&verdict.outcome)) } {
            h3 { (verdict.part) span.outcome { (outcome_name(verdict.outcome)) } }
            @if verdict.already_failing { p { strong { "Already failing with the original." } } }
            p { (verdict.sentence) }
            @if !verdict.reasons.is_empty() { ul { @for reason in &verdict.reasons { li { (reason) } } } }
            @for note in &verdict.notes { p { strong { "Note. " } (note) } }
            @if !verdict.bench.is_empty() { p.bench { "Bench: " (verdict.bench) } }
        }
    }
}

fn figures(plots: &[Plot]) -> Markup {
    html! {
        section {
            h2 { "Plots" }
            @for plot in plots {
                figure class=(plot.name) {
                    figcaption { (plot.title) }
                    (scroll(&plot.title, html! { (PreEscaped(&plot.svg)) }))
                    p.sub { (plot.description) }
                }
            }
        }
    }
}

/// Content that scrolls sideways on a narrow screen, also by keyboard.
fn scroll(label: &str, content: Markup) -> Markup {
    html! { div.scroll tabindex="0" role="group" aria-label=(label) { (content) } }
}

fn comparison(record: &Record) -> Markup {
    html! {
        section.numbers {
            h2 { "Comparison" }
            p {
                "Worst value of each part over all conditions and corners; below it the share of its limit that is \
                 used (above 100 % is past it), then the change from the original in the same condition and corner."
            }
            p.marks { @for (sign, meaning) in MARKS { span { strong { (sign) } " " (meaning) } } }
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
                @if let Some(agreed) = format.agreed_change() { small { (agreed) } }
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
    let judged = |wanted| cell.absolute == wanted || cell.relative == wanted;
    let class = match () {
        () if judged(Judgement::Fail) => "n past",
        () if judged(Judgement::Inconclusive) => "n open",
        () => "n",
    };
    html! {
        td class=(class) {
            span.value { (format.value(cell)) @if !mark(cell.absolute).is_empty() { " " (mark(cell.absolute)) } }
            @if let Some(used) = format.used(cell) { small { (used) " of limit" } }
            @if let Some(change) = format.change(cell) { small { (change) " " (change_mark(cell)) } }
        }
    }
}

/// Long table: uncertainty and place of every value of the comparison.
fn places(record: &Record) -> Markup {
    html! {
        section {
            h2 { "Where the worst values occur" }
            details {
                summary { "Uncertainty, condition and corner of every value" }
                div.scroll tabindex="0" role="group" aria-label="Where the worst values occur" {
                    table {
                        thead { tr {
                            @for head in ["Quantity", "Part"] { th scope="col" { (head) } }
                            @for head in ["Value", "Uncertainty"] { th.n scope="col" { (head) } }
                            @for head in ["Worst at", "Largest change at", "Bench sees change"] { th scope="col" { (head) } }
                        } }
                        tbody { @for row in &record.quantities { (place_rows(record, row)) } }
                    }
                }
            }
        }
    }
}

fn place_rows(record: &Record, row: &QuantityRow) -> Markup {
    let scale = RowFormat::of(row).scale;
    let bench = |cell: &Cell| match cell.bench_sees {
        Some(true) => "yes",
        Some(false) => "no",
        None => "–",
    };
    html! {
        @for (part, cell) in record.parts.iter().zip(&row.cells) {
            @if let Some(cell) = cell {
                tr {
                    th scope="row" { (row.label) }
                    td { (part.name) }
                    td.n { (scale.with_unit(cell.value)) }
                    td.n { "±" (quantity(cell.uncertainty, &row.unit)) }
                    td { (cell.place) }
                    td { (cell.change_place.as_deref().unwrap_or("–")) }
                    td { (bench(cell)) }
                }
            }
        }
    }
}

fn conditions(record: &Record) -> Markup {
    html! {
        section {
            h2 { "Every condition and corner" }
            @for part in &record.parts { (part_conditions(record, part)) }
        }
    }
}

fn part_conditions(record: &Record, part: &PartRecord) -> Markup {
    let mut kinds: Vec<&str> = Vec::new();
    for result in &part.results {
        if !kinds.contains(&result.condition.as_str()) {
            kinds.push(&result.condition);
        }
    }
    html! {
        details {
            summary { (part.name) @if part.original { " (original)" } ": " (part.results.len()) " results" }
            @for kind in kinds {
                @let results = part.results.iter().filter(|r| r.condition == kind).collect::<Vec<_>>();
                @for columns in quantities_of(&results).chunks(COLUMNS) {
                    (condition_table(record, kind, &results, columns))
                }
                (condition_notes(&results))
            }
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

fn condition_table(record: &Record, kind: &str, results: &[&ConditionRecord], columns: &[&ValueRecord]) -> Markup {
    let values = |id: &str| results.iter().filter_map(|r| value_of(r, id)).collect::<Vec<_>>();
    let scales = columns.iter().map(|c| Scale::of(values(&c.quantity), &c.unit)).collect::<Vec<_>>();
    let shown = |value: Option<f64>, unit: &str| value.map_or("–".to_string(), |v| quantity(v, unit));
    html! {
        div.scroll tabindex="0" role="group" aria-label=(kind) {
            table {
                caption { "Condition: " (kind) }
                thead { tr {
                    th scope="col" { "Corner" }
                    @for head in ["Input", "Load", "Winding"] { th.n scope="col" { (head) } }
                    @for (column, scale) in columns.iter().zip(&scales) {
                        th.n scope="col" {
                            (label_of(record, &column.quantity))
                            @if !scale.unit.is_empty() { ", " (scale.unit) }
                        }
                    }
                } }
                tbody { @for result in results { tr {
                    th scope="row" { (result.corner) }
                    td.n { (shown(result.input_v, "V")) }
                    td.n { (shown(result.load_a, "A")) }
                    td.n { (shown(result.winding_degc, "degC")) }
                    @for (column, scale) in columns.iter().zip(&scales) {
                        td.n { (value_of(result, &column.quantity).map_or("–".to_string(), |v| scale.number(v))) }
                    }
                } } }
            }
        }
    }
}

fn value_of(result: &ConditionRecord, id: &str) -> Option<f64> {
    result.values.iter().find(|value| value.quantity == id).map(|value| value.value)
}

fn label_of<'a>(record: &'a Record, id: &'a str) -> &'a str {
    record.quantities.iter().find(|row| row.quantity == id).map_or(id, |row| &row.label)
}

/// Notes of the results, each once with the places where it applies.
fn condition_notes(results: &[&ConditionRecord]) -> Markup {
    let mut notes: Vec<(&str, Vec<String>)> = Vec::new();
    for result in results {
        for note in &result.notes {
            let place = place_of(result);
            match notes.iter_mut().find(|(text, _)| text == note) {
                Some((_, places)) => places.push(place),
                None => notes.push((note, vec![place])),
            }
        }
    }
    html! { @if !notes.is_empty() { ul { @for (note, places) in notes { li { (note) " (" (places.join("; ")) ")" } } } } }
}

fn place_of(result: &ConditionRecord) -> String {
    let numbers = [result.input_v.map(|v| quantity(v, "V")), result.load_a.map(|a| quantity(a, "A"))];
    numbers.into_iter().flatten().chain([result.corner.clone()]).collect::<Vec<_>>().join(", ")
}

fn origins(record: &Record) -> Markup {
    html! {
        section {
            h2 { "Data and their origin" }
            @if !record.warnings.is_empty() {
                h3 { "Doubts about the data" }
                ul { @for warning in &record.warnings { li { (warning) } } }
            }
            h3 { "Assumed data and stated origins" }
            div.scroll tabindex="0" role="group" aria-label="Origins" {
                table {
                    thead { tr { @for head in ["Datum", "Value", "Origin", "Reason"] { th scope="col" { (head) } } } }
                    tbody { @for origin in &record.origins { tr {
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
            } }
        }
    }
}

fn method(record: &Record) -> Markup {
    html! {
        section {
            h2 { "Method and numerics" }
            ul { @for line in &record.method { li { (line) } } }
            p { (energy_sentence(record)) }
            @for check in &record.cross_check { p { (cross_check_sentence(check)) } }
            @if record.cross_check.is_empty() { p { "No independent integration was asked for." } }
            h3 { "Equations used" }
            ul { @for name in &record.equations { li { (name) } } }
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

fn signatures() -> Markup {
    html! {
        section {
            h2 { "Signatures" }
            table.sign {
                thead { tr { @for head in ["Role", "Name", "Date", "Signature"] { th scope="col" { (head) } } } }
                tbody { @for role in ROLES { tr { th scope="row" { (role) } td {} td {} td {} } } }
            }
        }
    }
}
