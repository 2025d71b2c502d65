//! Plots as standalone SVG: original and substitutes on one axis.
//!
//! Every part has a grey level, a dash pattern and a hue of its own, the original is a solid black line:
//! the plots read in grey print and without colour vision. Coordinates are whole pixels, so the plots are
//! drawn large and scaled down by whoever shows them.

mod bars;
mod deciding;
mod events;
pub(super) mod impedance;
mod loads;
mod loop_gain;
mod margins;
pub(super) mod overlay;
mod panels;
mod soak;
mod style;

use super::number::{Scale, quantity};
use super::{ReportError, check_finite};
use crate::record::layout::{Curves, PeriodCurve, Record, StepCurve};
use bars::{Bar, BarChart, Group};
use panels::{Axis, Envelope, Legend, Level, Mark, MarkShape, Panel, Trace};
use style::Stroke;

/// One plot.
#[derive(Clone, Debug, PartialEq)]
pub struct Plot {
    /// File name without extension, also the prefix of the identifiers inside.
    pub name: String,
    /// Title.
    pub title: String,
    /// What is to be seen, for those who do not see it.
    pub description: String,
    /// The drawing.
    pub svg: String,
}

impl Plot {
    /// Whether it shows what decides on one part, and stands beside that part.
    pub fn is_deciding(&self) -> bool {
        self.name.starts_with(DECIDING)
    }
}

/// Begin of the names of plots that decide on a part.
const DECIDING: &str = "deciding-";

/// All plots for which there are curves, in the order in which a reader wants them.
///
/// # Errors
/// [`ReportError::NotFinite`] where a curve is damaged, [`ReportError::Plot`] where drawing fails.
pub fn all(record: &Record, curves: &Curves) -> Result<Vec<Plot>, ReportError> {
    check_finite(curves)?;
    check_finite(&record.quantities)?;
    let plots = [
        margins::draw(record)?,
        steps(curves)?,
        events::draw(curves)?,
        periods(curves)?,
        loop_gain::draw(curves)?,
        saturation(curves)?,
        losses(curves)?,
        events::dropout(curves)?,
        soak::draw(record)?,
    ];
    let deciding = curves.deciding.iter().map(|one| deciding::draw(record, one)).collect::<Result<Vec<_>, _>>()?;
    Ok(plots.into_iter().chain(deciding).flatten().chain(loads::draw(curves)?).collect())
}

/// Name of the plot that decides on the part of that number.
pub(super) fn deciding_name(part: usize) -> String {
    format!("{DECIDING}{part}")
}

fn plot(
    name: &str,
    title: String,
    description: String,
    drawn: Result<String, String>,
) -> Result<Option<Plot>, ReportError> {
    let svg = drawn.map_err(|reason| ReportError::Plot { name: name.into(), reason })?;
    let svg = style::described(&svg, name, &title, &description);
    Ok(Some(Plot { name: name.into(), title, description, svg }))
}

fn legend_of<'a>(parts: impl Iterator<Item = &'a str>) -> Vec<Legend> {
    parts.enumerate().map(|(i, name)| Legend::line(name, Stroke::part(i))).collect()
}

/// One switching period: inductor current and output ripple.
fn periods(curves: &Curves) -> Result<Option<Plot>, ReportError> {
    let parts = &curves.periods;
    if parts.iter().all(|curve| curve.time_s.len() < 2) {
        return Ok(None);
    }
    let time = Axis::new("Time from the clock edge", "s", parts.iter().flat_map(|c| &c.time_s).copied()).tight();
    let panel = |label: &str, unit: &str, values: &dyn Fn(&PeriodCurve) -> Vec<f64>| {
        let traces: Vec<Trace> = parts
            .iter()
            .enumerate()
            .map(|(i, c)| Trace { points: c.time_s.iter().copied().zip(values(c)).collect(), stroke: Stroke::part(i) })
            .collect();
        let all = traces.iter().flat_map(|t| t.points.iter().map(|p| p.1)).collect::<Vec<_>>();
        Panel { traces, ..Panel::new(time.clone(), Axis::new(label, unit, all)) }
    };
    let mut panels = vec![
        panel("Inductor current", "A", &|c| c.current_a.clone()),
        panel("Output, 20 MHz", "V", &|c| deviation(&c.time_s, &c.output_20mhz_v)),
    ];
    if parts.iter().any(differs_at_full_bandwidth) {
        panels.push(panel("Output, unfiltered", "V", &|c| deviation(&c.time_s, &c.output_v)));
    }
    let rows: Vec<Vec<Panel>> = panels.into_iter().map(|panel| vec![panel]).collect();
    let drawn = panels::draw(&rows, &legend_of(parts.iter().map(|c| c.part.as_str())), 340);
    plot(
        "period",
        format!("One switching period: {}", curves.period_condition),
        "Inductor current and the output's deviation from its mean over one switching period, all parts overlaid; \
         the output through a 20 MHz low-pass, and unfiltered where that differs."
            .into(),
        drawn,
    )
}

/// Deviation from the mean over time (trapezoidal rule).
fn deviation(time_s: &[f64], values: &[f64]) -> Vec<f64> {
    let area: f64 = time_s.windows(2).zip(values.windows(2)).map(|(t, v)| (t[1] - t[0]) * (v[0] + v[1]) / 2.0).sum();
    let span = time_s.last().copied().unwrap_or(0.0) - time_s.first().copied().unwrap_or(0.0);
    let mean = if span > 0.0 { area / span } else { values.first().copied().unwrap_or(0.0) };
    values.iter().map(|v| v - mean).collect()
}

fn span_of(values: &[f64]) -> f64 {
    let (low, high) = panels::range(values.iter().copied());
    high - low
}

/// Whether the unfiltered ripple differs by more than a line's width on the plot.
fn differs_at_full_bandwidth(curve: &PeriodCurve) -> bool {
    let (raw, filtered) = (span_of(&curve.output_v), span_of(&curve.output_20mhz_v));
    (raw - filtered).abs() > 0.03 * filtered
}

/// What the plot of the load step shows.
const STEP_SEEN: &str = "Above, the output's deviation from its mean before the step with the recovery band and the allowed \
                         deviation; below, inductor current and load current; left after the step, right after the release, for one and a half \
                         settling times. Where single cycles are too many to tell apart, a part is the band that they fill.";

/// Load step and release: output against its limits, inductor current and load, each edge with its recovery.
fn steps(curves: &Curves) -> Result<Option<Plot>, ReportError> {
    let parts = &curves.steps;
    let Some(original) = parts.first().filter(|curve| curve.time_s.len() > 1) else {
        return Ok(None);
    };
    let edges = [("Time from the start of the step", 0.0), ("Time from the start of the release", release_s(original))];
    let period_s = curves.periods.iter().filter_map(|c| Some(c.time_s.last()? - c.time_s.first()?)).fold(0.0, f64::max);
    let span_s = edge_span_s(parts, edges[1].1, period_s, curves.step_band_v);
    let window = |edge_s: f64| (edge_s - BEFORE_EDGE * span_s, edge_s + span_s);
    let levels = || output_levels(curves, original);
    let near = |values: &dyn Fn(&StepCurve) -> [&Vec<f64>; 2]| {
        let inside = |c: &StepCurve| -> Vec<f64> {
            let rows = edges.iter().flat_map(|(_, edge_s)| rows_within(c, window(*edge_s)));
            rows.flat_map(|k| values(c).map(|column| column[k])).collect()
        };
        parts.iter().flat_map(inside).collect::<Vec<f64>>()
    };
    let deviations = parts.iter().flat_map(|c| {
        let rows = edges.iter().flat_map(|(_, edge_s)| rows_within(c, window(*edge_s)));
        rows.flat_map(|k| [c.output_low_v[k], c.output_high_v[k]]).map(|v| v - c.mean_low_load_v).collect::<Vec<_>>()
    });
    let output_axis =
        Axis::new("Output deviation", "V", deviations.chain(levels().iter().map(|l| l.at)).collect::<Vec<_>>());
    let current_axis =
        Axis::new("Inductor current", "A", near(&|c| [&c.current_low_a, &c.current_high_a]).into_iter().chain([0.0]));
    let mut rows = [vec![], vec![]];
    for (label, edge_s) in edges {
        let (from_s, to_s) = window(edge_s);
        let time = Axis::new(label, "s", [from_s - edge_s, to_s - edge_s]).tight();
        let bands = |low: &dyn Fn(&StepCurve, usize) -> f64, high: &dyn Fn(&StepCurve, usize) -> f64| {
            let one = |(i, c): (usize, &StepCurve)| {
                let kept = rows_within(c, (from_s, to_s));
                Envelope {
                    time: kept.clone().map(|k| c.time_s[k] - edge_s).collect(),
                    low: kept.clone().map(|k| low(c, k)).collect(),
                    high: kept.map(|k| high(c, k)).collect(),
                    window_s: period_s,
                    stroke: Stroke::part(i),
                }
            };
            parts.iter().enumerate().map(one).collect::<Vec<_>>()
        };
        let output =
            bands(&|c, k| c.output_low_v[k] - c.mean_low_load_v, &|c, k| c.output_high_v[k] - c.mean_low_load_v);
        let current = bands(&|c, k| c.current_low_a[k], &|c, k| c.current_high_a[k]);
        let load = rows_within(original, (from_s, to_s)).map(|k| (original.time_s[k] - edge_s, original.load_a[k]));
        let load = Trace { points: load.collect(), stroke: Stroke::load() };
        rows[0].push(Panel { envelopes: output, levels: levels(), ..Panel::new(time.clone(), output_axis.clone()) });
        rows[1].push(Panel { envelopes: current, traces: vec![load], ..Panel::new(time, current_axis.clone()) });
    }
    let mut legend = legend_of(parts.iter().map(|c| c.part.as_str()));
    legend.push(Legend::line("load current", Stroke::load()));
    plot(
        "load-step",
        format!("Load step and release: {}", curves.step_condition),
        STEP_SEEN.into(),
        panels::draw(&rows, &legend, 460),
    )
}

/// Time shown before an edge of the load, as a share of that shown after it.
const BEFORE_EDGE: f64 = 0.06;
/// Time shown after an edge, in settling times of the part that takes longest.
const SETTLINGS_SHOWN: f64 = 1.5;
/// Fewest switching periods shown after an edge.
const FEWEST_PERIODS: f64 = 20.0;

/// Rows of a load step within a span of time.
fn rows_within(curve: &StepCurve, (from_s, to_s): (f64, f64)) -> std::ops::Range<usize> {
    let first = curve.time_s.partition_point(|t| *t < from_s);
    first..curve.time_s.partition_point(|t| *t <= to_s).max(first)
}

/// Begin of the release: the last interval in which the load still has its highest value.
fn release_s(curve: &StepCurve) -> f64 {
    let most_a = curve.load_a.iter().copied().fold(f64::MIN, f64::max);
    let last = curve.load_a.iter().rposition(|a| *a >= most_a);
    last.map_or(0.0, |k| curve.time_s[k])
}

/// Time in s shown after either edge: one and a half settling times of the part that takes longest, or as far as the largest deviation
/// and current are seen.
fn edge_span_s(parts: &[StepCurve], release_s: f64, period_s: f64, band_v: f64) -> f64 {
    let whole_s = parts.iter().filter_map(|c| c.time_s.last()).copied().fold(0.0, f64::max);
    let of = |curve: &StepCurve| {
        // The last period before the next edge already looks at what comes after it.
        let step_s = settled_s(curve, (0.0, release_s - period_s), (curve.mean_high_load_v, band_v));
        let release = (release_s, whole_s - period_s);
        step_s.max(settled_s(curve, release, (curve.mean_low_load_v, band_v)) - release_s)
    };
    let longest_s = parts.iter().map(of).fold(0.0, f64::max);
    (SETTLINGS_SHOWN * longest_s)
        .max(FEWEST_PERIODS * period_s)
        .min(release_s)
        .min(whole_s - release_s)
        .max(f64::MIN_POSITIVE)
}

/// When the output has come back into a band around a mean in V for good, and the extremes of output and current are over, in s.
fn settled_s(curve: &StepCurve, span_s: (f64, f64), (mean_v, band_v): (f64, f64)) -> f64 {
    let rows = || rows_within(curve, span_s);
    let off_v = |k: usize| (curve.output_high_v[k] - mean_v).max(mean_v - curve.output_low_v[k]);
    let out = rows().rev().find(|k| off_v(*k) > band_v);
    let extreme = |value: &dyn Fn(usize) -> f64| rows().max_by(|a, b| value(*a).total_cmp(&value(*b)));
    let seen = [out, extreme(&off_v), extreme(&|k| curve.current_high_a[k])];
    seen.into_iter().flatten().map(|k| curve.time_s[k]).fold(span_s.0, f64::max)
}

/// Band around the final mean and allowed deviation, relative to the mean before the step.
fn output_levels(curves: &Curves, original: &StepCurve) -> Vec<Level> {
    let final_v = original.mean_high_load_v - original.mean_low_load_v;
    let band = curves.step_band_v;
    let mut levels = Vec::new();
    if band > 0.0 {
        levels.push(Level::new(final_v + band, "recovery band", Stroke::band()));
        levels.push(Level::new(final_v - band, "", Stroke::band()));
    }
    if let Some(limit) = curves.step_limit_v {
        let limit_v = quantity(limit, "V");
        levels.push(Level::new(final_v + limit, format!("overshoot limit {limit_v}"), Stroke::limit()));
        levels.push(Level::new(-limit, format!("undershoot limit {limit_v}"), Stroke::limit()));
    }
    levels
}

/// Inductance against current, cold and hot, with the highest peak and the current at the limit.
fn saturation(curves: &Curves) -> Result<Option<Plot>, ReportError> {
    let parts = &curves.saturation;
    if parts.iter().all(|part| part.cold.len() < 2 && part.hot.len() < 2) {
        return Ok(None);
    }
    let marks = |(i, part): (usize, &crate::record::layout::SaturationPlot)| {
        let peak = Mark { at: part.peak, shape: MarkShape::Dot, stroke: Stroke::part(i) };
        let limit = part.limit.map(|at| Mark { at, shape: MarkShape::Cross, stroke: Stroke::part(i) });
        [Some(peak), limit].into_iter().flatten().collect::<Vec<_>>()
    };
    let points = || parts.iter().flat_map(|p| p.cold.iter().chain(&p.hot).chain([&p.peak]).chain(&p.limit));
    let current = Axis::new("Current", "A", points().map(|p| p.0).chain([0.0])).tight();
    let axis = |label: &str| Axis::new(label, "H", points().map(|p| p.1).chain([0.0])).starting_at_zero();
    let traces = |of: &dyn Fn(&crate::record::layout::SaturationPlot) -> Vec<(f64, f64)>| {
        let trace = |(i, p)| Trace { points: of(p), stroke: Stroke::part(i) };
        parts.iter().enumerate().map(trace).collect::<Vec<_>>()
    };
    let hottest = |sign: f64| parts.iter().map(|p| sign * p.hot_degc).fold(f64::MIN, f64::max) * sign;
    let hot_label = match (hottest(-1.0), hottest(1.0)) {
        (low, high) if high - low < 1.0 => format!("Inductance, {high:.0} °C"),
        (low, high) => format!("Inductance, {low:.0} to {high:.0} °C"),
    };
    let panels = [
        Panel { traces: traces(&|p| p.cold.clone()), ..Panel::new(current.clone(), axis("Inductance, 25 °C")) },
        Panel {
            traces: traces(&|p| p.hot.clone()),
            marks: parts.iter().enumerate().flat_map(marks).collect(),
            ..Panel::new(current, axis(&hot_label))
        },
    ];
    let mut legend = legend_of(parts.iter().map(|c| c.part.as_str()));
    legend.push(Legend::mark("highest peak current", MarkShape::Dot));
    if parts.iter().any(|part| part.limit.is_some()) {
        legend.push(Legend::mark("in a short circuit, or at the limit with its delay", MarkShape::Cross));
    }
    plot(
        "inductance",
        "Incremental inductance against current".into(),
        "Inductance of every part against current at 25 °C and at the hottest winding temperature that occurred; \
         dots mark the highest peak current, crosses the current reached in a short circuit, or at the limit \
         with its delay where no short circuit is simulated."
            .into(),
        panels::draw(&panels.map(|panel| vec![panel]), &legend, 400),
    )
}

/// Losses by cause, one bar a part; causes for which the plot would grow beyond a screen stand together at the end.
fn losses(curves: &Curves) -> Result<Option<Plot>, ReportError> {
    let parts = &curves.losses;
    let Some(first) = parts.first().filter(|split| !split.items.is_empty()) else {
        return Ok(None);
    };
    let item = |part: usize, i: usize| parts[part].items.get(i).map_or(0.0, |(_, loss)| *loss);
    let total = |part: usize| parts[part].items.iter().map(|(_, loss)| loss).sum::<f64>();
    let scale = Scale::of((0..parts.len()).map(total), "W");
    let bar = |value: f64| Some(Bar { value: scale.scaled(value), text: scale.number(value) });
    let group = |label: &str, of: &dyn Fn(usize) -> f64| Group {
        label: label.to_string(),
        bars: (0..parts.len()).map(|part| bar(of(part))).collect(),
    };
    let largest = |i: usize| (0..parts.len()).map(|part| item(part, i)).fold(0.0, f64::max);
    let mut ranked: Vec<usize> = (0..first.items.len()).collect();
    ranked.sort_by(|a, b| largest(*b).total_cmp(&largest(*a)));
    let room = bars::most_groups(parts.len()).saturating_sub(2).max(1);
    let (shown, rest) = ranked.split_at(if ranked.len() > room + 1 { room } else { ranked.len() });
    let mut groups = vec![group("all losses", &total)];
    groups.extend(shown.iter().map(|i| group(&first.items[*i].0, &|part| item(part, *i))));
    if !rest.is_empty() {
        groups.push(group("all others", &|part| rest.iter().map(|i| item(part, *i)).sum()));
    }
    let chart = BarChart {
        groups,
        axis: format!("Loss ({})", scale.unit),
        parts: parts.iter().map(|split| split.part.clone()).collect(),
    };
    plot(
        "losses",
        format!("Losses by cause: {}", curves.loss_condition),
        "Loss of every part by cause as bars: the sum, then the causes, the largest first.".into(),
        chart.draw(),
    )
}
