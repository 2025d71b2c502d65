//! Output impedance as text, as a table, as JSON and as a page.

use super::csv::{field, remark};
use super::plots::{self, Plot};
use super::wrap::push_wrapped;
use super::{ReportError, check_finite};
use crate::record::impedance::{Curve, ImpedanceRecord, PartImpedance};
use crate::record::words::say;
use crate::units::format_si;
use crate::visible::visible_lines;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use std::fmt::Write;

const STYLE: &str = include_str!("style.css");
const SCRIPT: &str = include_str!("readout.js");

/// Columns of parts beside each other in the terminal.
const PARTS_ABREAST: usize = 5;
/// Mantissas of the frequencies in the table of the terminal.
const MANTISSAS: [f64; 3] = [1.0, 2.0, 5.0];
/// What is told under every table.
const MEANING: &str = "Small signals around this load: the component of the output at the frequency of a sine of the load, per ampere. \
                       Clamps and limits that a large step meets are not in it.";

/// For a terminal: the decision first.
pub fn text(record: &ImpedanceRecord, width: usize) -> String {
    let mut out = String::new();
    push_wrapped(&mut out, &format!("Output impedance, loop closed: {}", record.case), width, "", "  ");
    if !record.set.is_empty() {
        push_wrapped(&mut out, &record.set.join("; "), width, "Set: ", "  ");
    }
    push_wrapped(&mut out, &place(record), width, "", "  ");
    push_wrapped(&mut out, &target(record), width, "", "  ");
    out.push('\n');
    record.parts.iter().for_each(|part| push_wrapped(&mut out, &format!("{}.", part.sentence), width, "", "  "));
    for parts in record.parts.chunks(PARTS_ABREAST) {
        out.push('\n');
        push_table(&mut out, record, parts);
    }
    push_changes(&mut out, record, width);
    out.push('\n');
    push_wrapped(&mut out, MEANING, width, "", "");
    out
}

fn place(record: &ImpedanceRecord) -> String {
    let highest = record.frequency_hz.last().map_or(String::new(), |hz| format!("; up to {}", format_si(*hz, "Hz", 3)));
    format!("{} input, load {}, corner {}{highest}", say(record.input_v, "V"), say(record.load_a, "A"), record.corner)
}

fn target(record: &ImpedanceRecord) -> String {
    match &record.target {
        Some(target) => format!("Target {}: {}.", format_si(target.ohm, "ohm", 3), target.because),
        None => "No target: the case states no limit of a load step (limits.step_deviation), and --target gives none."
            .into(),
    }
}

/// Frequencies of the table: round ones within the grid.
fn round_hz(record: &ImpedanceRecord) -> Vec<f64> {
    let (Some(low), Some(high)) = (record.frequency_hz.first(), record.frequency_hz.last()) else { return vec![] };
    let decades = low.log10().floor() as i32..=high.log10().floor() as i32;
    let all = decades.flat_map(|n| MANTISSAS.map(|m| m * 10f64.powi(n)));
    all.filter(|hz| *hz >= 0.999 * low && hz <= high).collect()
}

fn push_table(out: &mut String, record: &ImpedanceRecord, parts: &[PartImpedance]) {
    // Writing to a string cannot fail.
    let _ = write!(out, "{:>10}", "frequency");
    for part in parts {
        let _ = write!(out, " {:>13}", shortened(&part.part, 13));
    }
    out.push('\n');
    for hz in round_hz(record) {
        let _ = write!(out, "{:>10}", format_si(hz, "Hz", 3));
        for part in parts {
            let at = |curve: &Curve| curve.at(&record.frequency_hz, hz);
            let ohm = part.closed.as_ref().and_then(at);
            let beyond = part.beyond_hz.iter().any(|(from, to)| (*from..=*to).contains(&hz));
            let text = ohm.map_or("-".into(), |ohm| format_si(ohm, "ohm", 3));
            let _ = write!(out, " {:>13}", if beyond { format!("{text} !") } else { text });
        }
        out.push('\n');
    }
    if parts.iter().any(|part| !part.beyond_hz.is_empty()) {
        out.push_str("  ! above the target\n");
    }
}

fn push_changes(out: &mut String, record: &ImpedanceRecord, width: usize) {
    let changes = record.parts.iter().filter(|part| !part.original).filter_map(|part| Some((part, part.change?)));
    for (number, (part, change)) in changes.enumerate() {
        if number == 0 {
            out.push('\n');
        }
        let at = format_si(change.frequency_hz, "Hz", 3);
        let text = match change.share {
            0.0 => format!("{}: the same as the original's at every frequency.", part.part),
            share => format!("{}: largest change {:+.1} % of the original's, at {at}.", part.part, 100.0 * share),
        };
        push_wrapped(out, &text, width, "", "  ");
    }
}

fn shortened(text: &str, most: usize) -> String {
    if text.chars().count() <= most { text.into() } else { text.chars().take(most - 1).chain(['…']).collect() }
}

/// As a table (RFC 4180): frequency, target, then magnitude and phase of each part, loop closed and opened.
///
/// # Errors
/// [`ReportError::NotFinite`].
pub fn csv(record: &ImpedanceRecord) -> Result<String, ReportError> {
    check_finite(record)?;
    let mut out: String = record.set.iter().map(|set| remark(set) + "\r\n").collect();
    let curves: Vec<(String, &Curve)> = record.parts.iter().flat_map(named).collect();
    let mut head = vec!["frequency_hz".to_string()];
    head.extend(record.target.as_ref().map(|_| "target_ohm".to_string()));
    head.extend(curves.iter().flat_map(|(name, _)| ["ohm", "deg"].map(|unit| field(&name.replace("UNIT", unit)))));
    out.push_str(&(head.join(",") + "\r\n"));
    for (k, hz) in record.frequency_hz.iter().enumerate() {
        let mut line = format!("{hz:.9e}");
        record.target.iter().for_each(|target| line.push_str(&format!(",{:.9e}", target.ohm)));
        for (_, curve) in &curves {
            line.push_str(&format!(",{:.9e},{:.6}", curve.magnitude_ohm[k], curve.phase_deg[k]));
        }
        out.push_str(&(line + "\r\n"));
    }
    Ok(out)
}

/// The curves of a part with the names of their columns, in which `UNIT` stands for the unit.
fn named(part: &PartImpedance) -> Vec<(String, &Curve)> {
    let both = [("closed", &part.closed), ("opened", &part.opened)];
    both.into_iter().filter_map(|(word, curve)| Some((format!("{word}_UNIT:{}", part.part), curve.as_ref()?))).collect()
}

/// As JSON.
///
/// # Errors
/// [`ReportError::NotFinite`].
pub fn json(record: &ImpedanceRecord) -> Result<String, ReportError> {
    check_finite(record)?;
    Ok(serde_json::to_string_pretty(record)? + "\n")
}

/// The plot alone, as SVG; none where there is no curve.
///
/// # Errors
/// [`ReportError::NotFinite`], or [`ReportError::Plot`] where drawing fails.
pub fn plot(record: &ImpedanceRecord) -> Result<Option<Plot>, ReportError> {
    check_finite(record)?;
    plots::impedance::draw(record)
}

/// As a page of its own.
///
/// # Errors
/// As [`plot`].
pub fn page(record: &ImpedanceRecord) -> Result<String, ReportError> {
    let plot = plot(record)?;
    let title = format!("Output impedance: {}", record.case);
    let policy = super::html::policy(SCRIPT);
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy" content=(policy);
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                header {
                    h1 { (title) }
                    p.sub { (record.title) }
                    p.sub { (place(record)) ". presolder " (record.presolder_version) "." }
                    @if !record.set.is_empty() { p.sub { "Set: " code { (record.set.join("; ")) } } }
                }
                main {
                    section {
                        p { (target(record)) }
                        ul { @for part in &record.parts { li { (part.sentence) "." } } }
                        @if let Some(plot) = &plot {
                            figure { figcaption { (plot.title) } (PreEscaped(&plot.svg)) p.sub { (plot.description) } }
                        }
                        (table(record))
                        p { (MEANING) }
                    }
                }
                script { (PreEscaped(SCRIPT)) }
            }
        }
    };
    Ok(visible_lines(&page.into_string()).into_owned())
}

fn table(record: &ImpedanceRecord) -> Markup {
    html! {
        table {
            thead { tr {
                th scope="col" { "Frequency" }
                @for part in &record.parts { th.n scope="col" { (part.part) } }
            } }
            tbody { @for hz in round_hz(record) { tr {
                th scope="row" { (format_si(hz, "Hz", 3)) }
                @for part in &record.parts {
                    td.n { (part.closed.as_ref().and_then(|curve| curve.at(&record.frequency_hz, hz)).map_or("-".into(), |ohm| format_si(ohm, "ohm", 3))) }
                }
            } } }
        }
    }
}
