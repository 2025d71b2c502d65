//! Loop gain: magnitude and phase over the logarithm of the frequency.

use super::panels::{self, Axis, Level, Mark, MarkShape, Panel, Trace};
use super::style::Stroke;
use super::{Legend, Plot, legend_of, plot};
use crate::record::layout::{Curves, LoopCurve, Reading};
use crate::report::ReportError;

/// Lowest frequency drawn, as a share of the highest: below, an integrator goes on as a straight line.
const LOWEST: f64 = 2e-3;

/// Share of the lowest crossover down to which what decides is drawn.
const BELOW_CROSSOVER: f64 = 0.1;

/// The plot, where there is a loop.
pub(crate) fn draw(curves: &Curves) -> Result<Option<Plot>, ReportError> {
    let loops: Vec<(usize, &LoopCurve)> = curves.loops.iter().enumerate().collect();
    if loops.iter().all(|(_, curve)| curve.frequency_hz.len() < 2) {
        return Ok(None);
    }
    let rows = rows(&loops, LOWEST * highest_hz(&loops), [vec![], vec![]]);
    let mut legend = legend_of(loops.iter().map(|(_, curve)| curve.part.as_str()));
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

/// Gain and phase of some parts near the crossover, with what is asked of a margin; both panels on one axis of frequency.
pub(super) fn near_crossover(
    loops: &[(usize, &LoopCurve)],
    reading: Reading,
    limit: f64,
    word: &str,
) -> Vec<Vec<Panel>> {
    let crossovers = loops.iter().filter_map(|(_, curve)| curve.crossover_hz);
    let lowest_hz = BELOW_CROSSOVER * crossovers.fold(f64::INFINITY, f64::min).min(highest_hz(loops));
    let line = |at: f64| Level::new(at, word, Stroke::limit());
    let levels = match reading {
        Reading::Margin => [vec![], vec![line(-180.0 + limit)]],
        _ => [vec![line(limit.log10()).upright()], vec![]],
    };
    rows(loops, lowest_hz.max(LOWEST * highest_hz(loops)), levels)
}

fn highest_hz(loops: &[(usize, &LoopCurve)]) -> f64 {
    panels::range(loops.iter().flat_map(|(_, curve)| curve.frequency_hz.iter().copied())).1
}

/// Gain above, phase below, from a frequency on, each with levels of its own.
fn rows(loops: &[(usize, &LoopCurve)], lowest_hz: f64, [gains, phases]: [Vec<Level>; 2]) -> Vec<Vec<Panel>> {
    let zero = Level::new(0.0, "0 dB", Stroke::limit());
    let gains = gains.into_iter().chain([zero]).collect();
    let phases = phases.into_iter().chain([Level::new(-180.0, "", Stroke::limit())]).collect();
    vec![
        vec![panel(loops, lowest_hz, ("Loop gain", "dB"), &|curve| &curve.gain_db, gains)],
        vec![panel(loops, lowest_hz, ("Phase", "deg"), &|curve| &curve.phase_deg, phases)],
    ]
}

fn panel(
    loops: &[(usize, &LoopCurve)],
    lowest_hz: f64,
    (label, unit): (&str, &str),
    values: &dyn Fn(&LoopCurve) -> &Vec<f64>,
    levels: Vec<Level>,
) -> Panel {
    let within = |curve: &LoopCurve| -> Vec<(f64, f64)> {
        let points = curve.frequency_hz.iter().zip(values(curve)).filter(|(hz, _)| **hz >= lowest_hz);
        points.map(|(hz, value)| (hz.log10(), *value)).collect()
    };
    let traces: Vec<Trace> =
        loops.iter().map(|(i, curve)| Trace { points: within(curve), stroke: Stroke::part(*i) }).collect();
    let marks = loops.iter().filter_map(|(i, curve)| {
        let hz = curve.crossover_hz?;
        let at = (hz.log10(), at(curve, values(curve), hz)?);
        Some(Mark { at, shape: MarkShape::Dot, stroke: Stroke::part(*i) })
    });
    let across = levels.iter().filter(|level| !level.is_upright()).map(|level| level.at);
    let shown = traces.iter().flat_map(|trace| trace.points.iter().map(|point| point.1)).chain(across);
    let y = Axis::new(label, unit, shown.collect::<Vec<_>>());
    let x = Axis::decades("Frequency", "Hz", lowest_hz, highest_hz(loops));
    Panel { marks: marks.collect(), levels, traces, ..Panel::new(x, y) }
}

/// Value at a frequency, between two points of the curve.
fn at(curve: &LoopCurve, values: &[f64], hz: f64) -> Option<f64> {
    let last = curve.frequency_hz.len().checked_sub(1).filter(|last| *last > 0)?;
    let k = curve.frequency_hz.partition_point(|f| *f < hz).clamp(1, last);
    let (low, high) = (curve.frequency_hz[k - 1], curve.frequency_hz[k]);
    let share = (hz / low).ln() / (high / low).ln();
    Some(values[k - 1] + share * (values[k] - values[k - 1]))
}
