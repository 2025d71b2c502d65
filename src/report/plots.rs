//! Plots as standalone SVG: original and substitutes on one axis.
//!
//! Every part has a grey level, a dash pattern and a hue of its own, the original is a solid black line:
//! the plots read in grey print and without colour vision. Coordinates are whole pixels, so the plots are
//! drawn large and scaled down by whoever shows them.

mod bars;
mod panels;
mod style;

use super::number::{Scale, limit_use, percent};
use super::{ReportError, check_finite};
use crate::compare::record::{Curves, Outcome, PeriodCurve, Record, StepCurve};
use bars::{Bar, BarChart, Group};
use panels::{Axis, Envelope, Legend, Level, Mark, MarkShape, Panel, Trace};
use style::Stroke;

/// One plot.
#[derive(Clone, Debug, PartialEq)]
pub struct Plot {
    /// File name without extension, also the prefix of the identifiers inside.
    pub name: &'static str,
    /// Title.
    pub title: String,
    /// What is to be seen, for those who do not see it.
    pub description: String,
    /// The drawing.
    pub svg: String,
}

/// All plots for which there are curves, in the order in which a reader wants them.
///
/// # Errors
/// [`ReportError::NotFinite`] where a curve is damaged, [`ReportError::Plot`] where drawing fails.
pub fn all(record: &Record, curves: &Curves) -> Result<Vec<Plot>, ReportError> {
    check_finite(curves)?;
    check_finite(&record.quantities)?;
    let plots = [margins(record)?, steps(curves)?, periods(curves)?, saturation(curves)?, losses(curves)?];
    Ok(plots.into_iter().flatten().collect())
}

fn plot(
    name: &'static str,
    title: String,
    description: String,
    drawn: Result<String, String>,
) -> Result<Option<Plot>, ReportError> {
    let svg = drawn.map_err(|reason| ReportError::Plot { name: name.into(), reason })?;
    let svg = style::described(&svg, name, &title, &description);
    Ok(Some(Plot { name, title, description, svg }))
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
    let drawn = panels::draw(&panels, &legend_of(parts.iter().map(|c| c.part.as_str())), 340);
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

/// Load step and release: output against its limits, inductor current and load.
fn steps(curves: &Curves) -> Result<Option<Plot>, ReportError> {
    let parts = &curves.steps;
    let Some(original) = parts.first().filter(|curve| curve.time_s.len() > 1) else {
        return Ok(None);
    };
    let time = Axis::new("Time from the start of the step", "s", original.time_s.iter().copied()).tight();
    let period_s = curves.periods.iter().filter_map(|c| Some(c.time_s.last()? - c.time_s.first()?)).fold(0.0, f64::max);
    let envelopes = |low: &dyn Fn(&StepCurve) -> Vec<f64>, high: &dyn Fn(&StepCurve) -> Vec<f64>| {
        let one = |(i, c): (usize, &StepCurve)| Envelope {
            time: c.time_s.clone(),
            low: low(c),
            high: high(c),
            window_s: period_s,
            stroke: Stroke::part(i),
        };
        parts.iter().enumerate().map(one).collect::<Vec<_>>()
    };
    let below = |c: &StepCurve, values: &[f64]| values.iter().map(|v| v - c.mean_low_load_v).collect::<Vec<_>>();
    let output = envelopes(&|c| below(c, &c.output_low_v), &|c| below(c, &c.output_high_v));
    let current = envelopes(&|c| c.current_low_a.clone(), &|c| c.current_high_a.clone());
    let levels = output_levels(curves, original);
    let output_values = output.iter().flat_map(Envelope::values).chain(levels.iter().map(|l| l.at)).collect::<Vec<_>>();
    let current_values = current.iter().flat_map(Envelope::values).chain(original.load_a.iter().copied());
    let current_axis = Axis::new("Inductor current", "A", current_values.collect::<Vec<_>>());
    let load = Trace {
        points: original.time_s.iter().copied().zip(original.load_a.iter().copied()).collect(),
        stroke: Stroke::load(),
    };
    let output_axis = Axis::new("Output deviation", "V", output_values);
    let panels = [
        Panel { envelopes: output, levels, ..Panel::new(time.clone(), output_axis) },
        Panel { envelopes: current, traces: vec![load], ..Panel::new(time, current_axis) },
    ];
    let mut legend = legend_of(parts.iter().map(|c| c.part.as_str()));
    legend.push(Legend::line("load current", Stroke::load()));
    plot(
        "load-step",
        format!("Load step and release: {}", curves.step_condition),
        "Above, the output's deviation from its mean before the step with the recovery band and the allowed \
         deviation; below, inductor current and load current. Each part is a band from its lowest to its highest \
         value within a switching period."
            .into(),
        panels::draw(&panels, &legend, 460),
    )
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
        levels.push(Level::new(final_v + limit, "allowed rise", Stroke::limit()));
        levels.push(Level::new(-limit, "allowed dip", Stroke::limit()));
    }
    levels
}

/// Inductance against current, cold and hot, with the highest peak and the current at the limit.
fn saturation(curves: &Curves) -> Result<Option<Plot>, ReportError> {
    let parts = &curves.saturation;
    if parts.iter().all(|part| part.cold.len() < 2 && part.hot.len() < 2) {
        return Ok(None);
    }
    let marks = |(i, part): (usize, &crate::compare::record::SaturationPlot)| {
        let peak = Mark { at: part.peak, shape: MarkShape::Dot, stroke: Stroke::part(i) };
        let limit = part.limit.map(|at| Mark { at, shape: MarkShape::Cross, stroke: Stroke::part(i) });
        [Some(peak), limit].into_iter().flatten().collect::<Vec<_>>()
    };
    let points = || parts.iter().flat_map(|p| p.cold.iter().chain(&p.hot).chain([&p.peak]).chain(&p.limit));
    let current = Axis::new("Current", "A", points().map(|p| p.0).chain([0.0])).tight();
    let axis = |label: &str| Axis::new(label, "H", points().map(|p| p.1).chain([0.0])).starting_at_zero();
    let traces = |of: &dyn Fn(&crate::compare::record::SaturationPlot) -> Vec<(f64, f64)>| {
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
        legend.push(Legend::mark("current at the limit with its delay", MarkShape::Cross));
    }
    plot(
        "inductance",
        "Incremental inductance against current".into(),
        "Inductance of every part against current at 25 °C and at the hottest winding temperature that occurred; \
         dots mark the highest peak current, crosses the current reached at the current limit."
            .into(),
        panels::draw(&panels, &legend, 400),
    )
}

/// Losses by cause, one bar a part.
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
    let mut groups = vec![group("all losses", &total)];
    groups.extend(first.items.iter().enumerate().map(|(i, (cause, _))| group(cause, &|part| item(part, i))));
    let chart = BarChart {
        groups,
        axis: format!("Loss ({})", scale.unit),
        parts: parts.iter().map(|split| split.part.clone()).collect(),
        line: None,
        most: None,
    };
    plot(
        "losses",
        format!("Losses by cause: {}", curves.loss_condition),
        "Loss of every part by cause as bars, the sum first.".into(),
        chart.draw(),
    )
}

/// Largest share of a limit that is drawn to scale.
const LARGEST_SHARE: f64 = 2.0;

/// Share of its limit that each quantity uses, worst quantity first.
fn margins(record: &Record) -> Result<Option<Plot>, ReportError> {
    let mut rows = Vec::new();
    for row in &record.quantities {
        let shares = row.cells.iter().map(|cell| limit_use(row, cell.as_ref()?)).collect::<Vec<_>>();
        let worst = shares.iter().flatten().copied().fold(f64::NEG_INFINITY, f64::max);
        if worst.is_finite() {
            rows.push((worst, row, shares));
        }
    }
    if rows.is_empty() {
        return Ok(None);
    }
    rows.sort_by(|a, b| b.0.total_cmp(&a.0));
    let bar = |share: f64| Bar { value: 100.0 * share.max(0.0), text: percent(share) };
    let group = |(_, row, shares): &(f64, &crate::compare::record::QuantityRow, Vec<Option<f64>>)| Group {
        label: row.label.clone(),
        bars: shares.iter().map(|share| share.map(bar)).collect(),
    };
    let chart = BarChart {
        groups: rows.iter().map(group).collect(),
        axis: "Share of the limit that is used (%)".into(),
        parts: record.parts.iter().map(|part| part.name.clone()).collect(),
        line: Some(100.0),
        most: Some(100.0 * LARGEST_SHARE),
    };
    let failing = record.verdicts.iter().filter(|v| v.outcome == Outcome::Fail).count();
    plot(
        "margins",
        "How much of each limit is used, worst first".into(),
        format!(
            "Share of its limit that each quantity uses for every part; beyond 100 % the limit is broken. {failing} \
             of {} substitutes fail.",
            record.verdicts.len()
        ),
        chart.draw(),
    )
}
