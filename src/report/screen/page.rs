//! The page of a screening: the shortlist, the margins of all parts by the check that decides each, inductance against footprint.

use super::{data_words, decision, offered};
use crate::record::layout::Outcome;
use crate::record::screen::{Data, Row, ScreenRecord};
use crate::report::calibration::head;
use crate::report::number::{Scale, fixed, quantity};
use crate::report::text::outcome_name;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use std::collections::BTreeMap;

const STYLE: &str = concat!(include_str!("../style.css"), include_str!("screen.css"));
const SCRIPT: &str = include_str!("screen.js");

/// Parts in the shortlist of the page.
const SHORTLIST: usize = 40;
/// Parts in the plots: more cannot be told apart.
const MOST_DRAWN: usize = 4000;
/// Width of the plots, the room for labels, and the height of a strip.
const WIDTH: f64 = 960.0;
const LEFT: f64 = 300.0;
const STRIP: f64 = 46.0;
/// Largest distance from a limit that is drawn to scale, as a share of it.
const FURTHEST: f64 = 1.0;
/// Values at an axis at least.
const FEWEST_TICKS: usize = 3;
/// Height of the plot of inductance against footprint, and room for its axes.
const HEIGHT: f64 = 420.0;
const AXIS: f64 = 56.0;

/// The page; complete without script, and from no other place.
pub fn page(record: &ScreenRecord) -> String {
    let policy = crate::report::html::policy(SCRIPT);
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy" content=(policy);
                title { "Parts for " (record.case.title) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                header {
                    h1 { (record.case.title) }
                    @if !record.case.set.is_empty() { p class="sub" { "Set: " code { (record.case.set.join("; ")) } } }
                    @for line in head(record.calibration.as_ref()) { p class="sub" { (line) } }
                    p class="sub" { "Fitted: " (record.original.part) "; " (record.original.sentence) "." }
                    p { (super::counts(record)) }
                }
                main {
                    (strips(record))
                    (footprint(record))
                    (shortlist(record))
                    (left_out(record))
                    (cautions())
                }
                script { (PreEscaped(SCRIPT)) }
            }
        }
    }
    .into_string()
}

/// What a point says under the pointer, and to who does not see it.
fn told(row: &Row) -> String {
    format!("{}: {}. {}. {}", row.part, outcome_name(row.outcome), decision(row), data_words(row))
}

/// The mark of an outcome: its shape tells it without colour.
fn mark(outcome: Outcome, x: f64, y: f64) -> Markup {
    let class = class_of(outcome);
    match outcome {
        Outcome::Pass => html! { circle class=(class) cx=(at(x)) cy=(at(y)) r="5" {} },
        Outcome::NoWorse => {
            html! { rect class=(class) x=(at(x - 4.5)) y=(at(y - 4.5)) width="9" height="9" {} }
        }
        Outcome::Undecided => {
            let points =
                format!("{},{} {},{} {},{}", at(x), at(y - 6.0), at(x + 5.5), at(y + 4.0), at(x - 5.5), at(y + 4.0));
            html! { polygon class=(class) points=(points) {} }
        }
        Outcome::Fail => {
            let line = format!("M{} {}l7 7m0 -7l-7 7", at(x - 3.5), at(y - 3.5));
            html! { path class=(class) d=(line) {} }
        }
    }
}

fn class_of(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Pass => "pass",
        Outcome::NoWorse => "no-worse",
        Outcome::Undecided => "undecided",
        Outcome::Fail => "fail",
    }
}

/// A coordinate.
fn at(place: f64) -> String {
    fixed(place, 1)
}

fn legend() -> Markup {
    let all = [Outcome::Pass, Outcome::NoWorse, Outcome::Undecided, Outcome::Fail];
    html! {
        p class="legend" {
            @for outcome in all {
                span { svg viewBox="0 0 16 16" width="16" height="16" aria-hidden="true" { (mark(outcome, 8.0, 8.0)) } " " (outcome_name(outcome)) }
            }
            span { svg viewBox="0 0 16 16" width="16" height="16" aria-hidden="true" { path class="original" d="M8 1v14" {} } " the original" }
        }
    }
}

/// Margin to the limit as a share of it; at most what is drawn to scale.
fn share(row: &Row) -> Option<f64> {
    let limit = row.limit.filter(|limit| limit.value != 0.0)?;
    Some(crate::judge::sight::margin(row.value?, &limit) / limit.value.abs())
}

/// One strip for each check that decides on parts: the margin of each of them.
fn strips(record: &ScreenRecord) -> Markup {
    let mut by_check: BTreeMap<&str, Vec<(&Row, f64)>> = BTreeMap::new();
    for row in record.rows.iter().take(MOST_DRAWN) {
        if let Some(share) = share(row) {
            by_check.entry(&row.key).or_default().push((row, share));
        }
    }
    let mut strips: Vec<Vec<(&Row, f64)>> = by_check.into_values().collect();
    strips.sort_by_key(|strip| std::cmp::Reverse(strip.len()));
    let height = strips.len() as f64 * STRIP + AXIS;
    let unplaced = record.rows.iter().filter(|row| share(row).is_none()).count();
    html! {
        section id="margins" aria-labelledby="margins-title" {
            h2 id="margins-title" class="first" { "Each part by the check that decides it" }
            (legend())
            figure {
                figcaption { "Margin to the limit in % of it: left of the line the limit is past. What lies beyond 100 % is drawn at the edge." }
                svg viewBox=(format!("0 0 {WIDTH} {}", at(height))) role="img" aria-label="Margin of each part to the limit of the check that decides it" {
                    @for (number, strip) in strips.iter().enumerate() { (strip_of(record, number, strip)) }
                    (margin_axis(strips.len() as f64 * STRIP))
                }
                p class="told" aria-live="polite" {}
            }
            @if unplaced > 0 { p class="sub" { (unplaced) " parts are decided by something without a number, and stand in the table alone." } }
        }
    }
}

fn margin_x(share: f64) -> f64 {
    let middle = 0.5 * (LEFT + WIDTH - 20.0);
    middle + share.clamp(-FURTHEST, FURTHEST) / FURTHEST * (WIDTH - 20.0 - middle)
}

fn strip_of(record: &ScreenRecord, number: usize, strip: &[(&Row, f64)]) -> Markup {
    let top = number as f64 * STRIP;
    let middle = top + 0.5 * STRIP;
    let check = record.original.checks.iter().find(|check| check.key == strip[0].0.key);
    let original = check.and_then(|check| {
        let limit = check.limit.filter(|limit| limit.value != 0.0)?;
        Some(crate::judge::sight::margin(check.value.value.number()?, &limit) / limit.value.abs())
    });
    html! {
        text x=(at(LEFT - 12.0)) y=(at(middle + 5.0)) text-anchor="end" { (strip[0].0.label) " (" (strip.len()) ")" }
        line class="grid" x1=(at(LEFT)) x2=(at(WIDTH - 20.0)) y1=(at(top + STRIP)) y2=(at(top + STRIP)) {}
        @if let Some(original) = original {
            line class="original" x1=(at(margin_x(original))) x2=(at(margin_x(original))) y1=(at(top + 6.0)) y2=(at(top + STRIP - 6.0)) {}
        }
        // Points that would lie on each other are spread over the height of the strip, in the order of their ranks.
        @for (k, (row, share)) in strip.iter().enumerate() {
            g tabindex="-1" data-part=(row.part) { title { (told(row)) }
                (mark(row.outcome, margin_x(*share), middle + (k % 5) as f64 * 6.0 - 12.0)) }
        }
    }
}

fn margin_axis(bottom: f64) -> Markup {
    let ticks = [-1.0, -0.5, 0.0, 0.5, 1.0];
    html! {
        line class="limit" x1=(at(margin_x(0.0))) x2=(at(margin_x(0.0))) y1="0" y2=(at(bottom)) {}
        @for tick in ticks {
            // The last one ends where the plot does.
            text x=(at(margin_x(tick))) y=(at(bottom + 20.0)) text-anchor=(if tick < FURTHEST { "middle" } else { "end" }) { (fixed(100.0 * tick, 0)) " %" }
        }
        text x=(at(margin_x(0.0))) y=(at(bottom + 42.0)) text-anchor="middle" { "margin to the limit" }
    }
}

/// Inductance against the area that a part covers.
fn footprint(record: &ScreenRecord) -> Markup {
    let area_mm2 = |data: &Data| data.body_m.map(|[length_m, width_m, _]| 1e6 * length_m * width_m);
    let placed: Vec<(&Row, f64)> =
        record.rows.iter().take(MOST_DRAWN).filter_map(|row| Some((row, area_mm2(&row.data)?))).collect();
    if placed.is_empty() {
        return html! {};
    }
    let original = area_mm2(&record.original_data).map(|area| (area, record.original_data.inductance_h));
    let areas = || placed.iter().map(|(_, area)| *area).chain(original.map(|(area, _)| area));
    let inductances = || placed.iter().map(|(row, _)| row.data.inductance_h).chain(original.map(|(_, henry)| henry));
    let (x_ends, y_ends) = (ends(areas()), ends(inductances()));
    let x = |area: f64| 70.0 + (area.ln() - x_ends.0.ln()) / (x_ends.1.ln() - x_ends.0.ln()) * (WIDTH - 110.0);
    let y =
        |henry: f64| HEIGHT - 20.0 - (henry.ln() - y_ends.0.ln()) / (y_ends.1.ln() - y_ends.0.ln()) * (HEIGHT - 50.0);
    let scale = Scale::of(inductances(), "H");
    html! {
        section id="footprint" aria-labelledby="footprint-title" {
            h2 id="footprint-title" { "Inductance against footprint" }
            (legend())
            figure {
                svg viewBox=(format!("0 0 {WIDTH} {}", at(HEIGHT + AXIS))) role="img" aria-label="Inductance of each part against the area that it covers" {
                    @for area in ticks(x_ends) {
                        line class="grid" x1=(at(x(area))) x2=(at(x(area))) y1="20" y2=(at(HEIGHT - 10.0)) {}
                        text x=(at(x(area))) y=(at(HEIGHT + 10.0)) text-anchor="middle" { (short(area)) }
                    }
                    @for henry in ticks(y_ends) {
                        line class="grid" x1="60" x2=(at(WIDTH - 30.0)) y1=(at(y(henry))) y2=(at(y(henry))) {}
                        text x="54" y=(at(y(henry) + 4.0)) text-anchor="end" { (scale.number(henry)) }
                    }
                    text x=(at(0.5 * WIDTH)) y=(at(HEIGHT + 34.0)) text-anchor="middle" { "length x width, mm²" }
                    text x="8" y="14" { "inductance, " (scale.unit) }
                    @if let Some((area, henry)) = original {
                        path class="original" d=(format!("M{} {}v20m-10 -10h20", at(x(area)), at(y(henry) - 10.0))) {}
                    }
                    @for (row, area) in &placed {
                        g tabindex="-1" data-part=(row.part) { title { (told(row)) } (mark(row.outcome, x(*area), y(row.data.inductance_h))) }
                    }
                }
                p class="told" aria-live="polite" {}
            }
        }
    }
}

/// The range of values, a little wider.
fn ends(values: impl Iterator<Item = f64>) -> (f64, f64) {
    let (low, high) = values.fold((f64::INFINITY, 0.0_f64), |(low, high), value| (low.min(value), high.max(value)));
    (low / 1.15, high * 1.15)
}

/// Round values of a range: 1, 2, 5 and their decades; more of them where those are few.
fn ticks(range: (f64, f64)) -> Vec<f64> {
    let coarse = round_values(range, &[1.0, 2.0, 5.0]);
    if coarse.len() < FEWEST_TICKS { round_values(range, &[1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0]) } else { coarse }
}

fn round_values((low, high): (f64, f64), steps: &[f64]) -> Vec<f64> {
    let decades = low.log10().floor() as i32..=high.log10().ceil() as i32;
    let all = decades.flat_map(|decade| steps.iter().map(move |step| step * 10f64.powi(decade)));
    all.filter(|value| (low..=high).contains(value)).collect()
}

/// A round number without a tail of zeros.
fn short(value: f64) -> String {
    fixed(value, if value < 1.0 { 2 } else { 0 })
}

fn shortlist(record: &ScreenRecord) -> Markup {
    html! {
        section id="shortlist" aria-labelledby="shortlist-title" {
            h2 id="shortlist-title" { "Shortlist" }
            p class="sub" { "In the order in which they are proposed: outcome, share of what is not known within which a part passes, margin, price, stock. Every part stands in screen.csv." }
            div class="scroll" tabindex="0" role="region" aria-label="Shortlist" {
                table {
                    thead { tr {
                        th scope="col" class="n" { "Rank" } th scope="col" { "Part" } th scope="col" { "Outcome" } th scope="col" { "What decides" }
                        th scope="col" class="n" { "Margin in U" } th scope="col" { "Price and stock" } th scope="col" { "Next step" } th scope="col" { "Data" }
                    } }
                    tbody { @for (rank, row) in record.rows.iter().take(SHORTLIST).enumerate() { (line(rank + 1, row)) } }
                }
            }
        }
    }
}

fn line(rank: usize, row: &Row) -> Markup {
    html! {
        tr class=(class_of(row.outcome)) {
            td class="n" { (rank) }
            th scope="row" { (row.part) @if let Some(like) = &row.like { small { "data as " (like) } } }
            td { span class="outcome" { (outcome_name(row.outcome)) } }
            td { (decision(row)) small { (row.condition) } }
            td class="n" { @if let Some(margin) = row.margin_in_u { (fixed(margin, 1)) } }
            td { (offered(&row.offer)) }
            td { (row.next) @if !row.within.is_empty() { small { (row.within) } } }
            td { (data_words(row)) @if let Some(body) = row.data.body_m { small { (body.map(|side| quantity(side, "m")).join(" x ")) } } }
        }
    }
}

fn left_out(record: &ScreenRecord) -> Markup {
    html! {
        @if !record.left_out.is_empty() || !record.not_examined.is_empty() {
            section id="left-out" aria-labelledby="left-out-title" {
                h2 id="left-out-title" { "Not looked at" }
                @for filter in &record.filters { p { (super::filtered(filter)) } }
                p { (record.not_examined.len()) " parts by the filters, " (record.left_out.len()) " lines that cannot be used; each with its reason in left_out.csv." }
                ul { @for line in record.left_out.iter().take(SHORTLIST) { li { (line) } } }
            }
        }
    }
}

fn cautions() -> Markup {
    html! {
        section id="cautions" aria-labelledby="cautions-title" {
            h2 id="cautions-title" { "Before anything is soldered" }
            p { "A screening proposes; it signs nothing. Run " code { "presolder compare" } " on the parts you choose: its report has the bench tests, the doubts and the cautions." }
            ul { @for caution in crate::record::words::CAUTIONS { li { (caution) } } }
        }
    }
}
