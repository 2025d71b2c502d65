//! Stacked panels of curves with a common legend.

use super::style::{CHARACTER, FRAME, GRID, INK, Stroke, TEXT, WIDTH, escaped, text_style};
use crate::report::number::{Scale, fixed};
use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};
use serde_json::json;

/// Columns to which a curve is thinned; each keeps its extremes.
const COLUMNS: usize = 1400;
/// Columns of an envelope.
const ENVELOPE_COLUMNS: usize = 350;
/// Fewer switching periods than this are shown one by one instead of by their envelope; half as many in a panel of half the width.
const PERIODS_SHOWN: f64 = 60.0;
const LEGEND_ROW: i32 = 46;
const SAMPLE: i32 = 84;
const LEFT_LABELS: i32 = 150;
const BOTTOM_LABELS: i32 = 86;
const MARGIN_RIGHT: i32 = 40;
const BETWEEN_PANELS: i32 = 24;
const BETWEEN_COLUMNS: i32 = 40;
/// Opacity of a shaded range.
const SPAN_OPACITY: f64 = 0.22;

/// Maps a point in SI units to the canvas.
type ToPixel<'a> = dyn Fn(&(f64, f64)) -> (i32, i32) + 'a;
type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;

/// Axis with its values in a prefixed unit.
#[derive(Clone, Debug)]
pub(crate) struct Axis {
    label: String,
    scale: Scale,
    low: f64,
    high: f64,
    /// Whether values are powers of ten: the axis then carries their exponents.
    decades: bool,
}

/// Prefixes for the labels of decades, one every third power of ten from 1e-6 on.
const DECADE_PREFIXES: [&str; 6] = ["µ", "m", "", "k", "M", "G"];

impl Axis {
    /// Axis that shows all of `values` (in `unit`) with a little room around them.
    pub(crate) fn new(label: &str, unit: &str, values: impl IntoIterator<Item = f64>) -> Self {
        let (low, high) = range(values);
        let scale = Scale::of([low, high], unit);
        let (low, high) = (scale.scaled(low), scale.scaled(high));
        let room = if high > low { 0.06 * (high - low) } else { 0.5 * high.abs().max(1e-3) };
        Self { label: label.into(), scale, low: low - room, high: high + room, decades: false }
    }

    /// Logarithmic axis between two positive values in `unit`. Its points are given as decimal logarithms.
    pub(crate) fn decades(label: &str, unit: &str, low: f64, high: f64) -> Self {
        let scale = Scale::of([1.0], unit);
        Self { label: label.into(), scale, low: low.log10(), high: high.log10(), decades: true }
    }

    /// Where there are grid lines, with their labels; lines between decades have none.
    fn grid(&self, most: usize) -> Vec<(f64, String)> {
        if !self.decades {
            let (values, decimals) = ticks(self.low, self.high, most);
            return values.into_iter().map(|value| (value, fixed(value, decimals))).collect();
        }
        let exponents = self.low.floor() as i32..=self.high.ceil() as i32;
        let lines = exponents.flat_map(|n| (1..10).map(move |m| (f64::from(n) + f64::from(m).log10(), (n, m))));
        let inside = lines.filter(|(at, _)| *at >= self.low - 1e-9 && *at <= self.high + 1e-9);
        // Fewer decades than this leave room for more labels.
        let narrow = self.high - self.low < NARROW;
        let is_told = |m: i32| m == 1 || (narrow && (m == 2 || m == 5));
        inside.map(|(at, (n, m))| (at, if is_told(m) { decade_label(n, m) } else { String::new() })).collect()
    }

    /// Without room at the ends.
    pub(crate) fn tight(mut self) -> Self {
        let room = 0.06 / 1.12 * (self.high - self.low);
        (self.low, self.high) = (self.low + room, self.high - room);
        self
    }

    /// Beginning at zero.
    pub(crate) fn starting_at_zero(mut self) -> Self {
        self.low = 0.0;
        self
    }

    fn title(&self) -> String {
        format!("{} ({})", self.label, self.scale.unit)
    }
}

/// Decades below which an axis labels twice and five times a power of ten as well.
const NARROW: f64 = 2.2;

/// A multiple of a power of ten with a prefix, as "10 k".
fn decade_label(exponent: i32, times: i32) -> String {
    let group = (exponent.div_euclid(3) + 2).clamp(0, DECADE_PREFIXES.len() as i32 - 1);
    let digits = f64::from(times) * 10_f64.powi(exponent - 3 * (group - 2));
    format!("{digits} {}", DECADE_PREFIXES[group as usize]).trim_end().to_string()
}

/// Lowest and highest finite value; (0, 0) where there is none.
pub(crate) fn range(values: impl IntoIterator<Item = f64>) -> (f64, f64) {
    let bounds = values.into_iter().filter(|v| v.is_finite());
    let (low, high) = bounds.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    if low <= high { (low, high) } else { (0.0, 0.0) }
}

/// A line through points.
pub(crate) struct Trace {
    pub points: Vec<(f64, f64)>,
    pub stroke: Stroke,
}

/// A band between the lowest and the highest value of each interval.
pub(crate) struct Envelope {
    pub time: Vec<f64>,
    pub low: Vec<f64>,
    pub high: Vec<f64>,
    /// Switching period.
    pub window_s: f64,
    pub stroke: Stroke,
}

impl Envelope {
    /// Whether the periods are few enough to be shown one by one.
    fn is_single(&self, width: i32) -> bool {
        let (first, last) = range(self.time.iter().copied());
        last - first < PERIODS_SHOWN * self.window_s * f64::from(width) / f64::from(WIDTH - LEFT_LABELS - MARGIN_RIGHT)
    }

    /// One line that passes the lowest and the highest value of each column, in the order in which the waveform goes on.
    fn line(columns: &[(f64, f64, f64)]) -> Vec<(f64, f64)> {
        let middle = |column: &(f64, f64, f64)| 0.5 * (column.1 + column.2);
        let next = columns.iter().skip(1).chain(columns.last());
        let both = |(column, next): (&(f64, f64, f64), &(f64, f64, f64))| {
            let (time, low, high) = *column;
            if middle(next) >= middle(column) { [(time, low), (time, high)] } else { [(time, high), (time, low)] }
        };
        columns.iter().zip(next).flat_map(both).collect()
    }

    /// (time, low, high) of columns; each looks at least half a switching period to both sides unless `single`, so that the
    /// ripple does not turn into a comb.
    fn columns(&self, single: bool) -> Vec<(f64, f64, f64)> {
        let rows = self.time.len().min(self.low.len()).min(self.high.len());
        let group = rows.div_ceil(if single { COLUMNS } else { ENVELOPE_COLUMNS }).max(1);
        let reach_s = if single { 0.0 } else { 0.5 * self.window_s };
        let column = |start: usize| {
            let end = (start + group).min(rows);
            let from = self.time[..start].partition_point(|t| *t < self.time[start] - reach_s);
            let to = end + self.time[end..rows].partition_point(|t| *t <= self.time[end - 1] + reach_s);
            let (low, high) =
                (range(self.low[from..to].iter().copied()).0, range(self.high[from..to].iter().copied()).1);
            (self.time[start], low, high)
        };
        (0..rows).step_by(group).map(column).collect()
    }
}

/// A straight line across a panel with a name, which may be empty: at a value, or upright at a time.
pub(crate) struct Level {
    pub at: f64,
    name: String,
    stroke: Stroke,
    upright: bool,
}

impl Level {
    pub(crate) fn new(at: f64, name: impl Into<String>, stroke: Stroke) -> Self {
        Self { at, name: name.into(), stroke, upright: false }
    }

    /// The same at a time instead of a value.
    pub(crate) fn upright(self) -> Self {
        Self { upright: true, ..self }
    }

    /// Whether it stands at a time.
    pub(crate) fn is_upright(&self) -> bool {
        self.upright
    }
}

/// A shaded range of values, or of times.
pub(crate) struct Span {
    pub ends: (f64, f64),
    pub color: RGBColor,
    pub upright: bool,
}

/// Shape of a mark.
#[derive(Clone, Copy, Debug)]
pub(crate) enum MarkShape {
    Dot,
    Cross,
}

/// A marked point.
pub(crate) struct Mark {
    pub at: (f64, f64),
    pub shape: MarkShape,
    pub stroke: Stroke,
}

/// One panel.
pub(crate) struct Panel {
    pub x: Axis,
    pub y: Axis,
    pub traces: Vec<Trace>,
    pub envelopes: Vec<Envelope>,
    pub levels: Vec<Level>,
    pub marks: Vec<Mark>,
    pub spans: Vec<Span>,
}

impl Panel {
    pub(crate) fn new(x: Axis, y: Axis) -> Self {
        Self { x, y, traces: vec![], envelopes: vec![], levels: vec![], marks: vec![], spans: vec![] }
    }
}

/// One entry of the legend.
pub(crate) struct Legend {
    name: String,
    sample: Sample,
}

enum Sample {
    Line(Stroke),
    Mark(MarkShape),
    Box(RGBColor),
    Span(RGBColor),
}

impl Legend {
    pub(crate) fn line(name: &str, stroke: Stroke) -> Self {
        Self { name: name.into(), sample: Sample::Line(stroke) }
    }

    pub(crate) fn mark(name: &str, shape: MarkShape) -> Self {
        Self { name: name.into(), sample: Sample::Mark(shape) }
    }

    pub(crate) fn span(name: &str, color: RGBColor) -> Self {
        Self { name: name.into(), sample: Sample::Span(color) }
    }

    pub(crate) fn filled(name: &str, color: RGBColor) -> Self {
        Self { name: name.into(), sample: Sample::Box(color) }
    }
}

/// Draws rows of panels below each other. Only the last row labels its horizontal axes, only the first panel of a row its
/// vertical one: the panels of a row share it.
pub(crate) fn draw(rows: &[Vec<Panel>], legend: &[Legend], panel_height: i32) -> Result<String, String> {
    let head = legend_height(legend);
    let height = head + rows.len() as i32 * panel_height + BOTTOM_LABELS;
    let svg = draw_on(height, |root| {
        draw_legend(root, legend)?;
        for (i, row) in rows.iter().enumerate() {
            let top = head + i as i32 * panel_height;
            for (k, panel) in row.iter().enumerate() {
                let place = Place::of(k, row.len(), (top, panel_height));
                draw_panel(root, panel, &place, k == 0, i + 1 == rows.len())?;
            }
        }
        Ok(())
    })?;
    Ok(svg.replace("</svg>", &format!("<metadata>{}</metadata>\n</svg>", read_out(rows, legend, (head, panel_height)))))
}

/// What a script needs to tell values under a pointer: each panel's frame, ranges and units, and the part of each colour.
fn read_out(rows: &[Vec<Panel>], legend: &[Legend], (head, panel_height): (i32, i32)) -> String {
    let panel = |(i, k, count, panel): (usize, usize, usize, &Panel)| {
        let place = Place::of(k, count, (head + i as i32 * panel_height, panel_height));
        let Place { left, right, top, bottom } = place;
        let ends = [panel.x.low, panel.x.high, panel.y.low, panel.y.high].map(rounded);
        json!({ "frame": [left, right, top, bottom], "ends": ends, "units": [panel.x.scale.unit, panel.y.scale.unit],
            "name": panel.y.label, "decades": panel.x.decades, "upright": panel.y.decades })
    };
    let numbered = |(i, row): (usize, &Vec<Panel>)| {
        let count = row.len();
        row.iter().enumerate().map(|(k, one)| panel((i, k, count, one))).collect::<Vec<_>>()
    };
    let lines = legend.iter().filter_map(|entry| match entry.sample {
        Sample::Line(Stroke { color: RGBColor(r, g, b), .. }) => {
            Some(json!([format!("#{r:02X}{g:02X}{b:02X}"), entry.name]))
        }
        _ => None,
    });
    let panels = rows.iter().enumerate().flat_map(numbered).collect::<Vec<_>>();
    escaped(&json!({ "panels": panels, "lines": lines.collect::<Vec<_>>() }).to_string())
}

/// To more digits than a plot resolves, without those that are rounding.
fn rounded(value: f64) -> f64 {
    format!("{value:.7e}").parse().unwrap_or(value)
}

/// Left and right edge of one of several columns.
fn column(k: usize, count: usize) -> (i32, i32) {
    let count = count as i32;
    let width = (WIDTH - MARGIN_RIGHT - LEFT_LABELS - (count - 1) * BETWEEN_COLUMNS) / count;
    let left = LEFT_LABELS + k as i32 * (width + BETWEEN_COLUMNS);
    (left, left + width)
}

/// Edges of a panel's frame on the canvas.
struct Place {
    left: i32,
    right: i32,
    top: i32,
    bottom: i32,
}

impl Place {
    /// Of one of several columns, in a row that begins at a height and is that high.
    fn of(k: usize, count: usize, (top, height): (i32, i32)) -> Place {
        let (left, right) = column(k, count);
        Place { left, right, top, bottom: top + height - BETWEEN_PANELS }
    }
}

/// Runs `drawing` on a canvas of the given height and returns the SVG.
pub(crate) fn draw_on(height: i32, drawing: impl Fn(&Area) -> Result<(), String>) -> Result<String, String> {
    let mut svg = String::new();
    {
        let root = SVGBackend::with_string(&mut svg, (WIDTH as u32, height as u32)).into_drawing_area();
        drawing(&root)?;
        root.present().map_err(text_of)?;
    }
    Ok(svg)
}

pub(crate) fn text_of(error: impl std::fmt::Display) -> String {
    error.to_string()
}

/// Positions of the legend's entries, several rows where they do not fit into one.
fn legend_places(legend: &[Legend]) -> Vec<(i32, i32)> {
    let (mut x, mut y) = (LEFT_LABELS, LEGEND_ROW / 2);
    let mut places = Vec::new();
    for entry in legend {
        let width = SAMPLE + 16 + CHARACTER * entry.name.chars().count() as i32 + 30;
        if x > LEFT_LABELS && x + width > WIDTH {
            (x, y) = (LEFT_LABELS, y + LEGEND_ROW);
        }
        places.push((x, y));
        x += width;
    }
    places
}

/// Height that [`draw_legend`] needs.
pub(crate) fn legend_height(legend: &[Legend]) -> i32 {
    legend_places(legend).last().map_or(0, |(_, y)| y + LEGEND_ROW / 2) + 10
}

pub(crate) fn draw_legend(root: &Area, legend: &[Legend]) -> Result<(), String> {
    let style = text_style(INK).pos(Pos::new(HPos::Left, VPos::Center));
    for (entry, (x, y)) in legend.iter().zip(legend_places(legend)) {
        match entry.sample {
            Sample::Line(stroke) => {
                root.draw(&PathElement::new(vec![(x, y), (x + SAMPLE, y)], stroke.style())).map_err(text_of)?;
            }
            Sample::Mark(shape) => draw_mark(root, (x + SAMPLE / 2, y), shape, INK)?,
            Sample::Box(color) => {
                root.draw(&Rectangle::new([(x + 40, y - 12), (x + SAMPLE, y + 12)], color.filled()))
                    .map_err(text_of)?;
            }
            Sample::Span(color) => {
                root.draw(&Rectangle::new([(x, y - 14), (x + SAMPLE, y + 14)], color.mix(SPAN_OPACITY).filled()))
                    .map_err(text_of)?;
            }
        }
        root.draw(&Text::new(entry.name.clone(), (x + SAMPLE + 16, y), style.clone())).map_err(text_of)?;
    }
    Ok(())
}

fn draw_mark(root: &Area, at: (i32, i32), shape: MarkShape, color: RGBColor) -> Result<(), String> {
    match shape {
        MarkShape::Dot => root.draw(&Circle::new(at, 10, color.filled())),
        MarkShape::Cross => root.draw(&Cross::new(at, 11, color.stroke_width(5))),
    }
    .map_err(text_of)
}

/// Where the values of a panel lie on the canvas.
struct Frame {
    x: (f64, f64),
    y: (f64, f64),
    left: i32,
    right: i32,
    top: i32,
    bottom: i32,
}

impl Frame {
    /// Pixel of a point in prefixed units.
    fn pixel(&self, x: f64, y: f64) -> (i32, i32) {
        let along = |value: f64, range: (f64, f64), from: i32, to: i32| {
            let share = (value - range.0) / (range.1 - range.0);
            // A value far outside must not overflow; inside, this changes nothing.
            f64::from(from) + (share * f64::from(to - from)).clamp(-1e5, 1e5)
        };
        let (px, py) = (along(x, self.x, self.left, self.right), along(y, self.y, self.bottom, self.top));
        (px.round() as i32, py.round() as i32)
    }
}

fn draw_panel(root: &Area, panel: &Panel, place: &Place, first: bool, last: bool) -> Result<(), String> {
    let &Place { left, right, top, bottom } = place;
    let frame = Frame { x: (panel.x.low, panel.x.high), y: (panel.y.low, panel.y.high), left, right, top, bottom };
    draw_axes(root, panel, &frame, first, last)?;
    let pixel = |p: &(f64, f64)| frame.pixel(panel.x.scale.scaled(p.0), panel.y.scale.scaled(p.1));
    for span in &panel.spans {
        draw_span(root, panel, &frame, span)?;
    }
    for envelope in &panel.envelopes {
        draw_envelope(root, envelope, right - left, &pixel)?;
    }
    for level in &panel.levels {
        match level.upright {
            true => draw_upright(root, level, &frame, frame.pixel(panel.x.scale.scaled(level.at), 0.0).0)?,
            false => draw_level(root, level, &frame, frame.pixel(0.0, panel.y.scale.scaled(level.at)).1)?,
        }
    }
    for trace in &panel.traces {
        let points = thinned(trace.points.iter().map(pixel));
        root.draw(&PathElement::new(points, trace.stroke.style())).map_err(text_of)?;
    }
    for mark in &panel.marks {
        draw_mark(root, pixel(&mark.at), mark.shape, mark.stroke.color)?;
    }
    Ok(())
}

/// Grid, tick labels, frame and titles.
fn draw_axes(root: &Area, panel: &Panel, frame: &Frame, first: bool, last: bool) -> Result<(), String> {
    let line = |points: Vec<(i32, i32)>, style: ShapeStyle| root.draw(&PathElement::new(points, style));
    let text =
        |label: String, at: (i32, i32), style: &TextStyle<'static>| root.draw(&Text::new(label, at, style.clone()));
    let below = text_style(INK).pos(Pos::new(HPos::Center, VPos::Top));
    let beside = text_style(INK).pos(Pos::new(HPos::Right, VPos::Center));
    let most = if frame.right - frame.left > WIDTH / 2 { 12 } else { 7 };
    for (tick, label) in panel.x.grid(most) {
        let x = frame.pixel(tick, 0.0).0;
        line(vec![(x, frame.top), (x, frame.bottom)], GRID.stroke_width(2)).map_err(text_of)?;
        if last {
            text(label, (x, frame.bottom + 10), &below).map_err(text_of)?;
        }
    }
    for (tick, label) in panel.y.grid(6) {
        let y = frame.pixel(0.0, tick).1;
        line(vec![(frame.left, y), (frame.right, y)], GRID.stroke_width(2)).map_err(text_of)?;
        if first {
            text(label, (frame.left - 12, y), &beside).map_err(text_of)?;
        }
    }
    let corners = [(frame.left, frame.top), (frame.right, frame.bottom)];
    root.draw(&Rectangle::new(corners, FRAME.stroke_width(2))).map_err(text_of)?;
    let upright = below.clone().transform(FontTransform::Rotate270);
    if first {
        text(panel.y.title(), (8, (frame.top + frame.bottom) / 2), &upright).map_err(text_of)?;
    }
    if last {
        text(panel.x.title(), ((frame.left + frame.right) / 2, frame.bottom + 48), &below).map_err(text_of)?;
    }
    Ok(())
}

fn draw_span(area: &Area, panel: &Panel, frame: &Frame, span: &Span) -> Result<(), String> {
    let at = |value: f64| {
        let (x, y) = frame.pixel(panel.x.scale.scaled(value), panel.y.scale.scaled(value));
        if span.upright { x.clamp(frame.left, frame.right) } else { y.clamp(frame.top, frame.bottom) }
    };
    let (low, high) = (at(span.ends.0), at(span.ends.1));
    // As wide as a line at least: what is certain is still seen.
    let (low, high) = (low.min(high) - 1, low.max(high) + 1);
    let corners =
        if span.upright { [(low, frame.top), (high, frame.bottom)] } else { [(frame.left, low), (frame.right, high)] };
    area.draw(&Rectangle::new(corners, span.color.mix(SPAN_OPACITY).filled())).map_err(text_of)
}

fn draw_envelope(area: &Area, band: &Envelope, width: i32, pixel: &ToPixel) -> Result<(), String> {
    let single = band.is_single(width);
    let columns = band.columns(single);
    if single {
        let line = Envelope::line(&columns).iter().map(pixel).collect::<Vec<_>>();
        return area.draw(&PathElement::new(line, band.stroke.style())).map_err(text_of);
    }
    let lower = columns.iter().map(|(t, low, _)| pixel(&(*t, *low))).collect::<Vec<_>>();
    let upper = columns.iter().map(|(t, _, high)| pixel(&(*t, *high))).collect::<Vec<_>>();
    let outline = lower.iter().chain(upper.iter().rev()).copied().collect::<Vec<_>>();
    area.draw(&Polygon::new(outline, band.stroke.color.mix(0.09).filled())).map_err(text_of)?;
    for edge in [lower, upper] {
        area.draw(&PathElement::new(edge, band.stroke.style())).map_err(text_of)?;
    }
    Ok(())
}

/// An upright line, its name beside its upper end, where there is room.
fn draw_upright(root: &Area, level: &Level, frame: &Frame, x: i32) -> Result<(), String> {
    let line = vec![(x, frame.top), (x, frame.bottom)];
    root.draw(&PathElement::new(line, level.stroke.style())).map_err(text_of)?;
    let room = CHARACTER * level.name.chars().count() as i32 + 20;
    let (place, x) = if x + room > frame.right { (HPos::Right, x - 10) } else { (HPos::Left, x + 10) };
    let style = text_style(INK).pos(Pos::new(place, VPos::Top));
    root.draw(&Text::new(level.name.clone(), (x, frame.top + 8), style)).map_err(text_of)
}

fn draw_level(root: &Area, level: &Level, frame: &Frame, y: i32) -> Result<(), String> {
    let line = vec![(frame.left, y), (frame.right, y)];
    root.draw(&PathElement::new(line, level.stroke.style())).map_err(text_of)?;
    if level.name.is_empty() {
        return Ok(());
    }
    let below = y - frame.top < TEXT + 8;
    let (place, y) = if below { (VPos::Top, y + 8) } else { (VPos::Bottom, y - 4) };
    let style = text_style(INK).pos(Pos::new(HPos::Right, place));
    root.draw(&Text::new(level.name.clone(), (frame.right - 8, y), style)).map_err(text_of)
}

/// Keeps first, lowest, highest and last point of every pixel column.
fn thinned(points: impl Iterator<Item = (i32, i32)>) -> Vec<(i32, i32)> {
    let all: Vec<(i32, i32)> = points.collect();
    if all.len() <= COLUMNS {
        return all;
    }
    let mut kept: Vec<(i32, i32)> = Vec::new();
    for column in all.chunk_by(|a, b| a.0 == b.0) {
        let low = column.iter().map(|p| p.1).min().unwrap_or(column[0].1);
        let high = column.iter().map(|p| p.1).max().unwrap_or(column[0].1);
        let x = column[0].0;
        for point in [column[0], (x, low), (x, high), column[column.len() - 1]] {
            if kept.last() != Some(&point) {
                kept.push(point);
            }
        }
    }
    kept
}

/// At most `most` multiples of 1, 2 or 5 times a power of ten between two values, and their decimals.
pub(crate) fn ticks(low: f64, high: f64, most: usize) -> (Vec<f64>, i32) {
    let span = high - low;
    if !span.is_finite() || span <= 0.0 {
        return (vec![], 0);
    }
    let rough = span / most as f64;
    let power = rough.log10().floor() as i32;
    let fits = |step: f64| span / step <= most as f64;
    let unit = 10_f64.powi(power);
    let step = [1.0, 2.0, 5.0].iter().map(|m| m * unit).find(|s| fits(*s)).unwrap_or(10.0 * unit);
    let (first, last) = ((low / step - 1e-9).ceil() as i64, (high / step + 1e-9).floor() as i64);
    let decimals = -(step.log10() + 1e-9).floor() as i32;
    ((first..=last).map(|n| n as f64 * step).collect(), decimals.max(0))
}
