//! The page of the maps: small multiples, a row of parts and one of their differences for each quantity.
//!
//! A cell of a plot is a run. The line of a limit follows the edges of cells: on which side a cell lies is known, where between two of them
//! the limit runs is not.

use super::scale_of;
use crate::condition::figures::Value;
use crate::record::maps::{AxisOf, Blank, Head, MapOf, MapsRecord, PartOf, blank, change, past};
use crate::report::calibration::head as calibrated;
use crate::report::number::{Scale, fixed, quantity};
use crate::visible::visible;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use serde_json::json;
use std::fmt::Write;

const STYLE: &str = concat!(include_str!("../style.css"), include_str!("maps.css"));
const SCRIPT: &str = include_str!("maps.js");

/// Plots side by side.
const ABREAST: usize = 4;
/// Width and height of the cells of a plot, with the room to the left for labels, between plots, above and below.
const SIZE: (f64, f64) = (196.0, 150.0);
const LEFT: f64 = 66.0;
const GAP: f64 = 30.0;
const TOP: f64 = 26.0;
const BOTTOM: f64 = 44.0;
/// Shades of values, and of differences to either side.
const SHADES: usize = 9;
const SIDES: usize = 4;
/// The darkest shade stands for this multiple of a limit, so that both sides of the limit can be told apart.
const DARKEST: f64 = 1.5;
/// Differences are drawn on a scale that reaches at least this share of the values: less is the same to the eye.
const LEAST_DIFFERENCE: f64 = 0.02;

/// The page; complete without script, and from no other place.
pub fn page(record: &MapsRecord) -> String {
    let policy = crate::report::html::policy(SCRIPT);
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy" content=(policy);
                title { "Load steps: " (record.case.title) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                header {
                    h1 { (record.case.title) }
                    @if !record.case.set.is_empty() { p class="sub" { "Set: " code { (record.case.set.join("; ")) } } }
                    @for line in calibrated(record.calibration.as_ref()) { p class="sub" { (line) } }
                    p class="sub" { "Load steps: " (record.setting) " (" (record.setting_reason) "). Own step: " (record.step) "." }
                    @for said in &record.decision { p class="decision" { (said) } }
                }
                main {
                    (parts(record))
                    @for (number, map) in record.maps.iter().enumerate() { (section(record, number, map)) }
                    (explained(record))
                }
                script type="application/json" id="values" { (PreEscaped(values(record))) }
                script { (PreEscaped(SCRIPT)) }
            }
        }
    }
    .into_string()
}

fn parts(record: &MapsRecord) -> Markup {
    html! {
        section id="parts" aria-labelledby="parts-title" {
            h2 id="parts-title" class="first" { "Part by part" }
            div class="cards" { @for part in &record.parts { (card(part)) } }
        }
    }
}

fn card(part: &PartOf) -> Markup {
    html! {
        article class=(if part.within { "verdict pass" } else { "verdict" }) {
            h3 { (part.part) @if part.original { " (fitted)" } }
            @for said in &part.sentences { p { (said) } }
        }
    }
}

fn section(record: &MapsRecord, number: usize, map: &MapOf) -> Markup {
    html! {
        section id=(map.name) aria-labelledby=(format!("{}-title", map.name)) {
            h2 id=(format!("{}-title", map.name)) { (map.title) }
            p class="sub" { (map.columns.label) " to the right, " (map.rows.label) " upwards; " code { (map.name) ".csv" } " has every number." }
            @for which in shown(record, map) { (figure(record, (number, map), which)) }
        }
    }
}

/// The quantities of which a map has a value at all.
fn shown(record: &MapsRecord, map: &MapOf) -> Vec<usize> {
    let has = |which: &usize| map.cells.iter().flatten().flatten().any(|cell| cell[*which].number().is_some());
    (0..record.quantities.len()).filter(has).collect()
}

/// A plot of a figure: values of a part, or their differences from the original.
struct Plot<'a> {
    map: &'a MapOf,
    part: usize,
    which: usize,
    differs: bool,
}

fn figure(record: &MapsRecord, (number, map): (usize, &MapOf), which: usize) -> Markup {
    let head = &record.quantities[which];
    let count = record.parts.len();
    let scale = scale_of(record, map, which);
    let plot = |part: usize, differs: bool| Plot { map, part, which, differs };
    let plots: Vec<Plot<'_>> =
        (0..count).map(|part| plot(part, false)).chain((1..count).map(|part| plot(part, true))).collect();
    let (darkest, widest) = (darkest(map, head, which), widest(map, which));
    let rows = places(count).last().map_or(1, |place| place.0 + 1);
    let (width, height) = (LEFT + ABREAST as f64 * (SIZE.0 + GAP), rows as f64 * (TOP + SIZE.1 + BOTTOM));
    html! {
        figure data-map=(number) data-quantity=(which) {
            figcaption { (head.label) ", " (scale.unit) }
            p class="sub legend" { (legend(head, &scale, darkest, widest, count > 1)) }
            div class="scroll" {
                svg viewBox=(format!("0 0 {} {}", at(width), at(height))) role="img" aria-label=(format!("{} of each part: {}", head.label, map.title)) {
                    @for (plot, place) in plots.iter().zip(places(count)) {
                        (panel(record, plot, place, if plot.differs { widest } else { darkest }))
                    }
                }
            }
            p class="told" aria-live="polite" {}
        }
    }
}

/// Row and column of each plot: values first, then differences, each of these below its part where all parts stand in one row.
fn places(count: usize) -> Vec<(usize, usize)> {
    let place = |slot: usize| (slot / ABREAST, slot % ABREAST);
    let rows = count.div_ceil(ABREAST);
    let differences = (1..count).map(|part| {
        let (row, column) = place(part);
        (rows + row, column)
    });
    (0..count).map(place).chain(differences).collect()
}

/// What the darkest shade stands for.
fn darkest(map: &MapOf, head: &Head, which: usize) -> f64 {
    let values = map.cells.iter().flatten().flatten().filter_map(|cell| cell[which].number());
    let most = values.fold(f64::MIN_POSITIVE, f64::max);
    head.limit.map_or(most, |limit| DARKEST * limit)
}

/// The largest difference from the original that is drawn.
fn widest(map: &MapOf, which: usize) -> f64 {
    let original = map.cells[0].iter().flatten();
    let scale = original.clone().filter_map(|cell| cell[which].number()).fold(f64::MIN_POSITIVE, f64::max);
    let of_part = |cells: &Vec<Vec<crate::corridor::maps::Cell>>| {
        let pairs = cells.iter().flatten().zip(original.clone());
        pairs.filter_map(|(cell, original)| change(&cell[which], &original[which])).map(f64::abs).fold(0.0, f64::max)
    };
    map.cells[1..].iter().map(of_part).fold(LEAST_DIFFERENCE * scale, f64::max)
}

fn legend(head: &Head, scale: &Scale, darkest: f64, widest: f64, differs: bool) -> Markup {
    html! {
        span { (swatches("v", 0..SHADES)) " 0 to " (scale.with_unit(darkest)) @if head.limit.is_some() { " and more" } }
        @if let Some(limit) = head.limit { span { svg viewBox="0 0 26 12" width="26" height="12" aria-hidden="true" { path class="limit" d="M1 9h9v-6h15" {} } " limit " (quantity(limit, &head.unit)) } }
        @if differs { span { (swatches("d", 0..2 * SIDES)) " better to worse than the original, up to " (scale.with_unit(widest)) } }
        span { (mark_sample('.')) " no run belongs there" }
        span { (mark_sample('x')) " could not be computed" }
        span { (mark_sample('>')) " at least that" }
        span { (mark_sample('o')) " own step" }
    }
}

fn swatches(class: &str, shades: std::ops::Range<usize>) -> Markup {
    let width = 9 * shades.len();
    html! {
        svg viewBox=(format!("0 0 {width} 12")) width=(width) height="12" aria-hidden="true" {
            @for (number, shade) in shades.enumerate() { rect class=(format!("{class}{shade}")) x=(9 * number) y="0" width="9" height="12" {} }
        }
    }
}

fn mark_sample(kind: char) -> Markup {
    html! {
        svg viewBox="0 0 12 12" width="12" height="12" aria-hidden="true" {
            @if kind == 'o' { circle class="own" cx="6" cy="6" r="4" {} } @else { path class="mark" d=(mark(kind, 6.0, 6.0)) {} }
        }
    }
}

/// The path of a mark around a place.
fn mark(kind: char, x: f64, y: f64) -> String {
    match kind {
        '.' => format!("M{} {}h1.2", at(x - 0.6), at(y)),
        'x' => format!("M{} {}l5 5m0 -5l-5 5", at(x - 2.5), at(y - 2.5)),
        _ => format!("M{} {}l3.4 2.6l-3.4 2.6", at(x - 1.7), at(y - 2.6)),
    }
}

/// A coordinate.
fn at(place: f64) -> String {
    fixed(place, 1)
}

impl Plot<'_> {
    fn columns(&self) -> usize {
        self.map.columns.values.len()
    }

    fn rows(&self) -> usize {
        self.map.rows.values.len()
    }

    fn value(&self, row: usize, column: usize) -> &Value {
        &self.map.cells[self.part][row][column][self.which]
    }

    /// Left and upper edge of a cell whose numbers may lie between: rows go upwards.
    fn corner(&self, row: f64, column: f64) -> (f64, f64) {
        (column / self.columns() as f64 * SIZE.0, SIZE.1 - (row + 1.0) / self.rows() as f64 * SIZE.1)
    }

    fn cell_size(&self) -> (f64, f64) {
        (SIZE.0 / self.columns() as f64, SIZE.1 / self.rows() as f64)
    }

    /// The shade of a cell, or the mark that stands there, or both.
    fn look(&self, row: usize, column: usize, most: f64) -> (Option<usize>, Option<char>) {
        let value = self.value(row, column);
        if let Some(blank) = blank(value) {
            return (None, Some(if blank == Blank::NoRun { '.' } else { 'x' }));
        }
        let original = &self.map.cells[0][row][column][self.which];
        if !self.differs {
            let shade = value.number().map(|number| ((number / most * SHADES as f64) as usize).min(SHADES - 1));
            return (shade, value.is_bound().then_some('>'));
        }
        match change(value, original) {
            Some(0.0) => (Some(usize::MAX), None),
            Some(by) => (Some(((0.5 + 0.5 * by / most) * 2.0 * SIDES as f64) as usize), None),
            None if blank(original).is_some() => (None, Some('x')),
            None => (None, Some('>')),
        }
    }

    /// One path a shade, and one of the marks.
    fn cells(&self, most: f64) -> Markup {
        let class = if self.differs { "d" } else { "v" };
        let (width, height) = self.cell_size();
        let mut shades = vec![String::new(); SHADES.max(2 * SIDES)];
        let mut marks = String::new();
        for (row, column) in (0..self.rows()).flat_map(|row| (0..self.columns()).map(move |column| (row, column))) {
            let (x, y) = self.corner(row as f64, column as f64);
            let (shade, sign) = self.look(row, column, most);
            if let Some(shade) = shade.filter(|shade| *shade != usize::MAX) {
                let last = if self.differs { 2 * SIDES - 1 } else { SHADES - 1 };
                // A path is text: writing cannot fail.
                let _ = write!(
                    shades[shade.min(last)],
                    "M{} {}h{}v{}h-{}z",
                    at(x),
                    at(y),
                    at(width),
                    at(height),
                    at(width)
                );
            }
            marks += &sign.map_or_else(String::new, |sign| mark(sign, x + 0.5 * width, y + 0.5 * height));
        }
        html! {
            @for (number, path) in shades.iter().enumerate().filter(|(_, path)| !path.is_empty()) {
                path class=(format!("{class}{number}")) d=(path) {}
            }
            @if !marks.is_empty() { path class="mark" d=(marks) {} }
        }
    }

    /// The edges between cells on either side of a limit.
    fn limit(&self, limit: f64) -> String {
        let side = |row: usize, column: usize| past(self.value(row, column), limit);
        let differ = |a: Option<bool>, b: Option<bool>| matches!((a, b), (Some(a), Some(b)) if a != b);
        let (width, height) = self.cell_size();
        let mut path = String::new();
        for (row, column) in (0..self.rows()).flat_map(|row| (0..self.columns()).map(move |column| (row, column))) {
            let (x, y) = self.corner(row as f64, column as f64);
            let here = side(row, column);
            if column + 1 < self.columns() && differ(here, side(row, column + 1)) {
                let _ = write!(path, "M{} {}v{}", at(x + width), at(y), at(height)); // cannot fail
            }
            if row + 1 < self.rows() && differ(here, side(row + 1, column)) {
                let _ = write!(path, "M{} {}h{}", at(x), at(y), at(width)); // cannot fail
            }
        }
        path
    }
}

fn panel(record: &MapsRecord, plot: &Plot<'_>, (row, column): (usize, usize), most: f64) -> Markup {
    let (x, y) = (LEFT + column as f64 * (SIZE.0 + GAP), TOP + row as f64 * (TOP + SIZE.1 + BOTTOM));
    let head = &record.quantities[plot.which];
    let name = visible(&record.parts[plot.part].part);
    let title = if plot.differs { format!("{name} less {}", record.parts[0].part) } else { name.into_owned() };
    let limit = head.limit.filter(|_| !plot.differs).map(|limit| plot.limit(limit)).filter(|path| !path.is_empty());
    html! {
        g class="plot" data-part=(plot.part) data-differs=[plot.differs.then_some("yes")] transform=(format!("translate({} {})", at(x), at(y))) {
            title { (title) }
            text class="name" x="0" y="-8" { (title) }
            rect class="frame" x="0" y="0" width=(at(SIZE.0)) height=(at(SIZE.1)) {}
            (plot.cells(most))
            @if let Some(path) = limit { path class="limit" d=(path) {} }
            @if let Some((x, y)) = own(record, plot) { circle class="own" cx=(at(x)) cy=(at(y)) r="4" {} }
            (labels(&plot.map.columns, true))
            @if column == 0 || plot.differs && plot.part == 1 { (labels(&plot.map.rows, false)) }
        }
    }
}

/// Where the own step stands on a plot.
fn own(record: &MapsRecord, plot: &Plot<'_>) -> Option<(f64, f64)> {
    let [amplitude, base, slew] = record.own_step;
    let of = |axis: &AxisOf| match axis.key.as_str() {
        "amplitude_a" => Some(amplitude),
        "base_a" => Some(base),
        "slew_a_per_s" => Some(slew),
        _ => None,
    };
    let column = place_on(&plot.map.columns, of(&plot.map.columns)?)?;
    let row = place_on(&plot.map.rows, of(&plot.map.rows)?)?;
    let (width, height) = plot.cell_size();
    let (x, y) = plot.corner(row, column);
    Some((x + 0.5 * width, y + 0.5 * height))
}

/// The number of a value along an axis, between two of its own where it is none of them.
fn place_on(axis: &AxisOf, value: f64) -> Option<f64> {
    let next = axis.values.iter().position(|other| *other >= value)?;
    if next == 0 {
        return (axis.values[0] == value).then_some(0.0);
    }
    let (low, high) = (axis.values[next - 1], axis.values[next]);
    let share = if axis.in_ratio { (value / low).ln() / (high / low).ln() } else { (value - low) / (high - low) };
    Some(next as f64 - 1.0 + share)
}

/// First, middle and last value of an axis, with its label.
fn labels(axis: &AxisOf, along: bool) -> Markup {
    let last = axis.values.len() - 1;
    let scale = Scale::of(axis.values.iter().copied(), &axis.unit);
    let say = |number: usize| short(&scale, axis, axis.values[number]);
    let share = |number: usize| (number as f64 + 0.5) / (last + 1) as f64;
    let unit = if scale.unit.is_empty() { String::new() } else { format!(", {}", unit_of(axis, &scale)) };
    html! {
        @for number in [0, last / 2, last] {
            @if along { text x=(at(share(number) * SIZE.0)) y=(at(SIZE.1 + 14.0)) text-anchor="middle" { (say(number)) } }
            @else { text x="-5" y=(at((1.0 - share(number)) * SIZE.1 + 4.0)) text-anchor="end" { (say(number)) } }
        }
        @if along { text class="axis" x=(at(0.5 * SIZE.0)) y=(at(SIZE.1 + 29.0)) text-anchor="middle" { (axis.label) (unit) } }
        @else { text class="axis" text-anchor="middle" transform=(format!("translate(-50 {}) rotate(-90)", at(0.5 * SIZE.1))) { (axis.label) (unit) } }
    }
}

/// Slews stand in amperes per microsecond, everything else with the prefix of its axis.
fn short(scale: &Scale, axis: &AxisOf, value: f64) -> String {
    let value = if axis.unit == "A/s" { 1e-6 * value } else { scale.scaled(value) };
    let digits = if value == 0.0 { 0 } else { (1 - value.abs().log10().floor() as i32).clamp(0, 4) };
    let text = fixed(value, digits);
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').into() } else { text }
}

fn unit_of<'a>(axis: &AxisOf, scale: &'a Scale) -> &'a str {
    if axis.unit == "A/s" { "A/µs" } else { &scale.unit }
}

/// What the read-out tells, as data for the script.
fn values(record: &MapsRecord) -> String {
    let axis = |axis: &AxisOf| {
        let scale = Scale::of(axis.values.iter().copied(), &axis.unit);
        let told: Vec<String> = axis
            .values
            .iter()
            .map(|value| format!("{} {}", short(&scale, axis, *value), unit_of(axis, &scale)))
            .collect();
        json!({ "label": axis.label, "values": told })
    };
    let told = |map: &MapOf, which: usize| {
        let scale = scale_of(record, map, which);
        let one = |value: &Value| match value {
            Value::Number(number) => scale.number(*number),
            Value::AtLeast(number) => format!("at least {}", scale.number(*number)),
            Value::AtMost(number) => format!("at most {}", scale.number(*number)),
            Value::NotComputed(why) => why.to_string(),
        };
        let of_part = |cells: &Vec<Vec<crate::corridor::maps::Cell>>| {
            cells.iter().map(|row| row.iter().map(|cell| one(&cell[which])).collect()).collect::<Vec<Vec<String>>>()
        };
        json!({ "label": record.quantities[which].label, "unit": scale.unit, "cells": map.cells.iter().map(of_part).collect::<Vec<_>>() })
    };
    let map = |map: &MapOf| {
        let quantities: Vec<serde_json::Value> = (0..record.quantities.len()).map(|which| told(map, which)).collect();
        json!({ "columns": axis(&map.columns), "rows": axis(&map.rows), "quantities": quantities })
    };
    let names: Vec<&str> = record.parts.iter().map(|part| part.part.as_str()).collect();
    let all =
        json!({ "parts": names, "size": [SIZE.0, SIZE.1], "maps": record.maps.iter().map(map).collect::<Vec<_>>() });
    // No text of it can end the element that it stands in.
    all.to_string().replace('<', "\\u003c")
}

fn explained(record: &MapsRecord) -> Markup {
    html! {
        section id="method" aria-labelledby="method-title" {
            h2 id="method-title" { "What the maps are" }
            p { (super::method(record)) }
            p { "Every cell is a simulation at its own point; nothing is interpolated, and the line of a limit follows the edges of cells. All parts stand in one corner." }
            ul { @for caution in crate::record::words::CAUTIONS { li { (caution) } } }
        }
    }
}
