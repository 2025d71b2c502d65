//! The soak of the bench plan as text and on the page.

use super::number::fixed;
use super::wrap::push_wrapped;
use crate::record::layout::{BenchSoak, SoakPart, SoakPoint, SoakRange};
use maud::{Markup, html};

/// Appends the soak as text of at most `width` columns.
pub(super) fn push_text(out: &mut String, soak: &BenchSoak, width: usize) {
    push_wrapped(out, &heading(soak), width, "  ", "     ");
    for part in &soak.parts {
        let points: Vec<String> = part.curve.iter().map(point).collect();
        let line = format!("{}: {}; {}", part.part, points.join(", "), ending(part));
        push_wrapped(out, &line, width, "     - ", "       ");
        push_wrapped(out, &readings(part), width, "       ", "       ");
    }
    for remark in &soak.remarks {
        push_wrapped(out, remark, width, "     ", "     ");
    }
}

/// The soak as a part of the page's section.
pub(super) fn article(soak: &BenchSoak) -> Markup {
    let minutes: Vec<f64> = soak.parts.first().map_or(vec![], |part| part.curve.iter().map(|at| at.minutes).collect());
    html! {
        article.measurement {
            h3 { (heading(soak)) }
            div.scroll tabindex="0" role="group" aria-label="Winding temperature over time" {
                table {
                    thead { tr {
                        th scope="col" { "Part" }
                        @for at in &minutes { th.n scope="col" { (fixed(*at, 0)) " min" } }
                        th.n scope="col" { "Settled" }
                        th.n scope="col" { "Steady" }
                    } }
                    tbody { @for part in &soak.parts { tr {
                        th scope="row" { (part.part) }
                        @for at in &minutes { td.n { (cell(part, *at)) } }
                        td.n { (part.settled_degc.map_or("none".to_string(), |degc| format!("{} °C", fixed(degc, 1)))) }
                        td.n { (part.steady_min.map_or("–".to_string(), |range| format!("{} min", span(&range, 0)))) }
                    } } }
                }
            }
            dl { @for part in &soak.parts {
                dt { (part.part) }
                dd { (ending(part)) @if !readings(part).is_empty() { "; " (readings(part)) } }
            } }
            @for remark in &soak.remarks { p.sub { (remark) } }
        }
    }
}

fn heading(soak: &BenchSoak) -> String {
    format!(
        "Soak at {}, from cold at {} °C: at least {} min; {}",
        soak.place,
        fixed(soak.ambient_degc, 0),
        fixed(soak.minutes, 0),
        soak.rule
    )
}

/// A value with its range, where that can be seen in so many decimals.
fn span(range: &SoakRange, decimals: i32) -> String {
    let [shown, least, most] = [range.shown, range.least, range.most].map(|value| fixed(value, decimals));
    if least == most { shown } else { format!("{shown} ({least} to {most})") }
}

fn point(at: &SoakPoint) -> String {
    format!("{} min {} °C", fixed(at.minutes, 0), span(&at.winding_degc, 0))
}

fn cell(part: &SoakPart, minutes: f64) -> String {
    let at = part.curve.iter().find(|at| at.minutes == minutes);
    at.map_or("–".to_string(), |at| format!("{} °C", span(&at.winding_degc, 0)))
}

/// Where it ends, and when.
fn ending(part: &SoakPart) -> String {
    let over = part
        .over_limit_min
        .map(|range| format!("passes {} °C after {} min: stop before", fixed(part.limit_degc, 0), span(&range, 1)));
    let Some(settled_degc) = part.settled_degc else {
        let over = over.unwrap_or_else(|| format!("stays below {} °C meanwhile", fixed(part.limit_degc, 0)));
        return format!("no settled value, losses and temperature have no balance; {over}");
    };
    let steady = part.steady_min.map(|range| format!("steady after {} min", span(&range, 0)));
    let to_come = part.to_come_k.map(|to_come_k| format!("then at most {} K to come", fixed(to_come_k, 1)));
    let settled = format!("settles at {} °C", fixed(settled_degc, 1));
    [Some(settled), steady, to_come, over].into_iter().flatten().collect::<Vec<_>>().join(", ")
}

/// What resistance method and camera read; empty where nothing settles.
fn readings(part: &SoakPart) -> String {
    let ratio = part.resistance_ratio.map(|ratio| format!("resistance × {}", span(&ratio, 3)));
    let late: Vec<String> =
        part.late.iter().map(|late| format!("{} s {} K", fixed(late.after_s, 0), span(&late.low_k, 1))).collect();
    let late = (!late.is_empty()).then(|| format!("low after switching off by: {}", late.join(", ")));
    let surface = part.surface_degc.map(|at| format!("body {} to {} °C", fixed(at.least, 0), fixed(at.most, 0)));
    [ratio, late, surface].into_iter().flatten().collect::<Vec<_>>().join("; ")
}
