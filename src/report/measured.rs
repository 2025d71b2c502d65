//! Predicted against measured, as text, as JSON and as a page.

use super::plots::{self, Plot};
use super::wrap::push_wrapped;
use super::{ReportError, check_finite};
use crate::bench::layout::{Change, FigureRecord, Item, Measured, Standing};
use crate::report::number::Scale;
use crate::units::format_si;
use crate::visible::visible_lines;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use std::fmt::Write;

const STYLE: &str = include_str!("style.css");
/// What E_n means, in words.
const SCORE: &str = "E_n is the difference over the root of both uncertainties squared (ISO/IEC 17043): within both up to 1. Uncertainties are \
                     expanded, k = 2.";

/// A value with its uncertainty, both with one prefix.
fn with_uncertainty(value: f64, uncertainty: f64, unit: &str) -> String {
    let scale = Scale::of([value.abs().max(uncertainty)], unit);
    let (value, uncertainty) = (scale.scaled(value), scale.scaled(uncertainty));
    let largest = value.abs().max(uncertainty).max(1e-9);
    let decimals = (2 - largest.log10().floor() as i32).clamp(0, 6) as usize;
    format!("{value:.decimals$} ± {uncertainty:.decimals$} {}", scale.unit).trim_end().to_string()
}

fn score(score: Option<f64>) -> String {
    score.map_or("-".into(), |score| format!("{score:+.2}"))
}

fn judged(figure: &FigureRecord) -> &'static str {
    match (figure.bounded, figure.is_inside()) {
        (true, _) => "clipped",
        (_, Some(true)) => "inside",
        (_, Some(false)) => "OUTSIDE",
        (_, None) => "",
    }
}

fn standing(change: &Change) -> &'static str {
    match change.standing {
        Standing::NotAgreed => "",
        Standing::Within => "within",
        Standing::Beyond => "BEYOND",
        Standing::Open => "open",
    }
}

fn head(item: &Item) -> String {
    format!(
        "{}, {}: {} input, load {}, ambient {}",
        item.part,
        item.condition,
        format_si(item.input_v, "V", 4),
        item.load,
        format_si(item.ambient_degc, "degC", 3)
    )
}

/// For a terminal.
pub fn text(measured: &Measured, width: usize) -> String {
    let mut out = String::new();
    let board = if measured.board.is_empty() { String::new() } else { format!(", {}", measured.board) };
    push_wrapped(&mut out, &format!("Measured against predicted: {}{board}", measured.case), width, "", "  ");
    if !measured.set.is_empty() {
        push_wrapped(&mut out, &measured.set.join("; "), width, "Set: ", "  ");
    }
    for item in &measured.items {
        out.push('\n');
        push_item(&mut out, item, width);
    }
    push_changes(&mut out, &measured.changes);
    out.push('\n');
    measured.remarks.iter().for_each(|remark| push_wrapped(&mut out, remark, width, "", ""));
    push_wrapped(&mut out, SCORE, width, "", "");
    out
}

fn push_item(out: &mut String, item: &Item, width: usize) {
    push_wrapped(out, &head(item), width, "", "  ");
    if !item.file.is_empty() {
        push_wrapped(out, &format!("read from {}:", item.file), width, "  ", "    ");
    }
    item.understood.iter().for_each(|line| push_wrapped(out, line, width, "    ", "      "));
    // Writing to a string cannot fail.
    let _ = writeln!(out, "  {:<24} {:>17} {:>17} {:>7}", "", "predicted", "measured", "E_n");
    for figure in &item.figures {
        let of = |value, uncertainty| with_uncertainty(value, uncertainty, &figure.unit);
        let _ = writeln!(
            out,
            "  {:<24} {:>17} {:>17} {:>7} {}",
            shortened(&figure.label, 24),
            of(figure.predicted, figure.predicted_uncertainty),
            of(figure.measured, figure.measured_uncertainty),
            score(figure.score),
            judged(figure)
        );
    }
    item.notes.iter().for_each(|note| push_wrapped(out, note, width, "  - ", "    "));
    for figure in item.figures.iter().filter(|figure| figure.is_inside() == Some(false)) {
        let names: Vec<&str> = figure.largest.iter().map(|(name, _)| name.as_str()).collect();
        if !names.is_empty() {
            let doubt = format!("{}: least is known of {}", figure.label, names.join(", "));
            push_wrapped(out, &doubt, width, "  - ", "    ");
        }
    }
}

fn push_changes(out: &mut String, changes: &[Change]) {
    let mut last = None;
    for change in changes {
        let place = (&change.part, &change.condition);
        if last != Some(place) {
            let title = format!("{} against the original, {}", change.part, change.condition);
            let _ = writeln!(out, "\n{}", shortened(&title, 78));
            let _ = writeln!(out, "  {:<20} {:>17} {:>17} {:>7} agreed", "change", "predicted", "measured", "E_n");
            last = Some(place);
        }
        let of = |value, uncertainty| with_uncertainty(value, uncertainty, &change.unit);
        let agreed = change.agreed.map_or(String::new(), |agreed| format_si(agreed, plain_unit(&change.unit), 2));
        let _ = writeln!(
            out,
            "  {:<20} {:>17} {:>17} {:>7} {} {}",
            shortened(&change.label, 20),
            of(change.predicted, change.predicted_uncertainty),
            of(change.measured, change.measured_uncertainty),
            score(change.score),
            standing(change),
            if agreed.is_empty() { String::new() } else { agreed }
        );
    }
    if changes.iter().any(|change| change.unlike) {
        let _ = writeln!(out, "  (some were measured at another input or load than the original)");
    }
}

fn plain_unit(unit: &str) -> &str {
    if unit == "fraction" {
        ""
    } else if unit == "degC" {
        "K"
    } else {
        unit
    }
}

fn shortened(text: &str, most: usize) -> String {
    if text.chars().count() <= most { text.into() } else { text.chars().take(most - 1).chain(['.']).collect() }
}

/// As JSON.
///
/// # Errors
/// [`ReportError::NotFinite`] for a number that JSON cannot write.
pub fn json(measured: &Measured) -> Result<String, ReportError> {
    check_numbers(measured)?;
    Ok(serde_json::to_string_pretty(measured)? + "\n")
}

/// Gaps in waveforms are no numbers and no fault.
fn check_numbers(measured: &Measured) -> Result<(), ReportError> {
    let mut numbers = measured.clone();
    numbers.items.iter_mut().for_each(|item| item.overlays.clear());
    check_finite(&numbers)
}

/// As a page of its own.
///
/// # Errors
/// [`ReportError::NotFinite`], or [`ReportError::Plot`] where drawing fails.
pub fn page(measured: &Measured) -> Result<String, ReportError> {
    check_numbers(measured)?;
    let mut plots: Vec<Vec<Plot>> = vec![];
    for (number, item) in measured.items.iter().enumerate() {
        let drawn =
            item.overlays.iter().enumerate().map(|(k, overlay)| plots::overlay::draw((number, k), item, overlay));
        plots.push(drawn.collect::<Result<Vec<_>, _>>()?.into_iter().flatten().collect());
    }
    let title = format!("Measured against predicted: {}", measured.case);
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
                header {
                    h1 { (title) }
                    p.sub { (measured.board) @if !measured.board.is_empty() { ". " } "presolder " (measured.presolder_version) "." }
                }
                main {
                    section {
                        @if !measured.set.is_empty() { p { "Set: " (measured.set.join("; ")) } }
                        @for remark in &measured.remarks { p.next { (remark) } } p { (SCORE) } }
                    (changes(&measured.changes))
                    @for (item, plots) in measured.items.iter().zip(&plots) { (section(item, plots)) }
                }
            }
        }
    };
    Ok(visible_lines(&page.into_string()).into_owned())
}

fn section(item: &Item, plots: &[Plot]) -> Markup {
    let of = |figure: &FigureRecord, value, uncertainty| with_uncertainty(value, uncertainty, &figure.unit);
    html! {
        section {
            h2 { (head(item)) }
            @if !item.file.is_empty() {
                p.sub { "Read from " (item.file) " (" (item.stated_at) "):" }
                ul { @for line in &item.understood { li { (line) } } }
            }
            table {
                thead { tr {
                    th scope="col" { "Figure" } th.n scope="col" { "Predicted" } th.n scope="col" { "Measured" }
                    th.n scope="col" { "E_n" } th scope="col" { "" } th scope="col" { "What the prediction knows least" }
                } }
                tbody { @for figure in &item.figures { tr {
                    th scope="row" { (figure.label) }
                    td.n { (of(figure, figure.predicted, figure.predicted_uncertainty)) }
                    td.n { (of(figure, figure.measured, figure.measured_uncertainty)) }
                    td.n { (score(figure.score)) }
                    td { (judged(figure)) }
                    td { (figure.largest.iter().map(|(name, _)| name.as_str()).collect::<Vec<_>>().join(", ")) }
                } } }
            }
            ul { @for note in &item.notes { li { (note) } } }
            @for plot in plots {
                figure { figcaption { (plot.title) } (PreEscaped(&plot.svg)) p.sub { (plot.description) } }
            }
        }
    }
}

fn changes(changes: &[Change]) -> Markup {
    if changes.is_empty() {
        return html! {};
    }
    let of = |change: &Change, value, uncertainty| with_uncertainty(value, uncertainty, &change.unit);
    html! {
        section {
            h2 { "Substitutes against the original" }
            table {
                thead { tr {
                    th scope="col" { "Part" } th scope="col" { "Condition" } th scope="col" { "Change of" }
                    th.n scope="col" { "Predicted" } th.n scope="col" { "Measured" } th.n scope="col" { "E_n" }
                    th.n scope="col" { "Agreed" } th scope="col" { "" }
                } }
                tbody { @for change in changes { tr {
                    th scope="row" { (change.part) } td { (change.condition) } td { (change.label) }
                    td.n { (of(change, change.predicted, change.predicted_uncertainty)) }
                    td.n { (of(change, change.measured, change.measured_uncertainty)) }
                    td.n { (score(change.score)) }
                    td.n { (change.agreed.map_or("–".into(), |agreed| format_si(agreed, plain_unit(&change.unit), 3))) }
                    td { (standing(change)) @if change.unlike { " (another input or load)" } }
                } } }
            }
        }
    }
}
