//! Start and short circuit: output and inductor current over time.

use super::super::ReportError;
use super::panels::{self, Axis, Envelope, Panel};
use super::style::Stroke;
use super::{Legend, Plot, legend_of, plot, rows_within};
use crate::record::layout::{Curves, StepCurve};

/// Switching periods shown of a short circuit, and before it.
const SHORT_PERIODS: (f64, f64) = (24.0, 3.0);

/// A column of the plot: what its time counts from, its curves and the span shown.
struct Column<'a> {
    label: &'static str,
    curves: &'a [StepCurve],
    span_s: (f64, f64),
}

/// Start on the left, short circuit on the right, where the board states them.
pub(crate) fn draw(curves: &Curves) -> Result<Option<Plot>, ReportError> {
    let period_s = curves.periods.iter().filter_map(|c| Some(c.time_s.last()? - c.time_s.first()?)).fold(0.0, f64::max);
    let end_s = |all: &[StepCurve]| all.iter().filter_map(|c| c.time_s.last().copied()).fold(0.0, f64::max);
    let short_s = (-SHORT_PERIODS.1 * period_s, (SHORT_PERIODS.0 * period_s).min(end_s(&curves.shorts)));
    let columns = [
        Column { label: "Time from the start", curves: &curves.starts, span_s: (0.0, end_s(&curves.starts)) },
        Column { label: "Time from the short circuit", curves: &curves.shorts, span_s: short_s },
    ];
    let columns: Vec<&Column<'_>> =
        columns.iter().filter(|column| column.span_s.1 > column.span_s.0.max(0.0)).collect();
    let Some(first) = columns.first() else { return Ok(None) };
    let rows = [
        row(&columns, ("Output", "V"), period_s, &|c| (&c.output_low_v, &c.output_high_v)),
        row(&columns, ("Inductor current", "A"), period_s, &|c| (&c.current_low_a, &c.current_high_a)),
    ];
    let legend: Vec<Legend> = legend_of(first.curves.iter().map(|c| c.part.as_str()));
    plot(
        "start-and-short",
        format!("Start and short circuit, nominal: {}", curves.period_condition),
        "Output above, inductor current below: on the left the start at full load, on the right the first periods of a \
         short circuit. Where single cycles are too many to tell apart, a part is the band that they fill."
            .into(),
        panels::draw(&rows, &legend, 420),
    )
}

/// Fall and return of the input, where the board states it.
pub(crate) fn dropout(curves: &Curves) -> Result<Option<Plot>, ReportError> {
    let runs: Vec<StepCurve> =
        curves.events.iter().filter(|(kind, _)| *kind == "input dropout").map(|(_, curve)| curve.clone()).collect();
    let end_s = runs.iter().filter_map(|c| c.time_s.last().copied()).fold(0.0, f64::max);
    let begin_s = runs.iter().filter_map(|c| c.time_s.first().copied()).fold(0.0, f64::min);
    // One curve a part, in their order: else a line would be drawn as another part's.
    if end_s <= 0.0 || runs.len() != curves.periods.len() {
        return Ok(None);
    }
    let period_s = curves.periods.iter().filter_map(|c| Some(c.time_s.last()? - c.time_s.first()?)).fold(0.0, f64::max);
    let column = Column { label: "Time from the begin of the dropout", curves: &runs, span_s: (begin_s, end_s) };
    let rows = [
        row(&[&column], ("Output", "V"), period_s, &|c| (&c.output_low_v, &c.output_high_v)),
        row(&[&column], ("Inductor current", "A"), period_s, &|c| (&c.current_low_a, &c.current_high_a)),
    ];
    plot(
        "input-dropout",
        "Input dropout and return, nominal".into(),
        "Output above, inductor current below, while the input falls and returns. Where single cycles are too many to tell apart, a part \
         is the band that they fill."
            .into(),
        panels::draw(&rows, &legend_of(runs.iter().map(|c| c.part.as_str())), 340),
    )
}

/// Panels side by side on the same axis of values.
fn row<'a>(
    columns: &[&Column<'a>],
    (label, unit): (&str, &str),
    period_s: f64,
    values: &dyn Fn(&'a StepCurve) -> (&'a Vec<f64>, &'a Vec<f64>),
) -> Vec<Panel> {
    let envelope = |column: &Column<'a>, (i, curve): (usize, &'a StepCurve)| {
        let kept = rows_within(curve, column.span_s);
        let (low, high) = values(curve);
        Envelope {
            time: kept.clone().map(|k| curve.time_s[k]).collect(),
            low: kept.clone().map(|k| low[k]).collect(),
            high: kept.map(|k| high[k]).collect(),
            window_s: period_s,
            stroke: Stroke::part(i),
        }
    };
    let drawn: Vec<Vec<Envelope>> = columns
        .iter()
        .map(|column| column.curves.iter().enumerate().map(|numbered| envelope(column, numbered)).collect())
        .collect();
    let shown = drawn.iter().flatten().flat_map(|e| e.low.iter().chain(&e.high)).copied().chain([0.0]);
    let axis = Axis::new(label, unit, shown.collect::<Vec<_>>());
    let panel = |(column, envelopes): (&&Column<'a>, Vec<Envelope>)| {
        let time = Axis::new(column.label, "s", [column.span_s.0, column.span_s.1]).tight();
        Panel { envelopes, ..Panel::new(time, axis.clone()) }
    };
    columns.iter().zip(drawn).map(panel).collect()
}
