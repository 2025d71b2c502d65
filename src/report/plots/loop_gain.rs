//! Loop gain: magnitude and phase over the logarithm of the frequency.

use super::panels::{self, Axis, Level, Mark, MarkShape, Panel, Trace};
use super::style::Stroke;
use super::{Legend, Plot, legend_of, plot};
use crate::record::layout::{Curves, LoopCurve};
use crate::report::ReportError;

/// Lowest frequency drawn, as a share of the highest: below, an integrator goes on as a straight line.
const LOWEST: f64 = 2e-3;

/// The plot, where there is a loop.
pub(crate) fn draw(curves: &Curves) -> Result<Option<Plot>, ReportError> {
    let loops = &curves.loops;
    let (_, highest_hz) = panels::range(loops.iter().flat_map(|curve| curve.frequency_hz.iter().copied()));
    if loops.iter().all(|curve| curve.frequency_hz.len() < 2) {
        return Ok(None);
    }
    let lowest_hz = LOWEST * highest_hz;
    let panel = |label: &str, unit: &str, values: &dyn Fn(&LoopCurve) -> &Vec<f64>, level: Level| {
        let within = |curve: &LoopCurve| -> Vec<(f64, f64)> {
            let points = curve.frequency_hz.iter().zip(values(curve)).filter(|(hz, _)| **hz >= lowest_hz);
            points.map(|(hz, value)| (hz.log10(), *value)).collect()
        };
        let numbered = || loops.iter().enumerate();
        let traces: Vec<Trace> =
            numbered().map(|(i, curve)| Trace { points: within(curve), stroke: Stroke::part(i) }).collect();
        let marks = numbered().filter_map(|(i, curve)| {
            let hz = curve.crossover_hz?;
            Some(Mark {
                at: (hz.log10(), at(curve, values(curve), hz)?),
                shape: MarkShape::Dot,
                stroke: Stroke::part(i),
            })
        });
        let shown = traces.iter().flat_map(|trace| trace.points.iter().map(|point| point.1)).chain([level.at]);
        let y = Axis::new(label, unit, shown.collect::<Vec<_>>());
        let x = Axis::decades("Frequency", "Hz", lowest_hz, highest_hz);
        Panel { marks: marks.collect(), levels: vec![level], traces, ..Panel::new(x, y) }
    };
    let rows = vec![
        vec![panel("Loop gain", "dB", &|curve| &curve.gain_db, Level::new(0.0, "0 dB", Stroke::limit()))],
        vec![panel("Phase", "deg", &|curve| &curve.phase_deg, Level::new(-180.0, "", Stroke::limit()))],
    ];
    let mut legend = legend_of(loops.iter().map(|curve| curve.part.as_str()));
    legend.push(Legend::mark("crossover", MarkShape::Dot));
    plot(
        "loop-gain",
        format!("Loop gain: {}", curves.period_condition),
        "Magnitude and phase of the loop gain as a loop analyser shows them, up to half the switching frequency, all parts \
         overlaid. Dots mark the crossover; the phase there above -180 degrees is the phase margin. The gain margin of the table \
         is the factor on the gain that ends stability: so near half the switching frequency it cannot be read off this curve."
            .into(),
        panels::draw(&rows, &legend, 340),
    )
}

/// Value at a frequency, between two points of the curve.
fn at(curve: &LoopCurve, values: &[f64], hz: f64) -> Option<f64> {
    let last = curve.frequency_hz.len().checked_sub(1).filter(|last| *last > 0)?;
    let k = curve.frequency_hz.partition_point(|f| *f < hz).clamp(1, last);
    let (low, high) = (curve.frequency_hz[k - 1], curve.frequency_hz[k]);
    let share = (hz / low).ln() / (high / low).ln();
    Some(values[k - 1] + share * (values[k] - values[k - 1]))
}
