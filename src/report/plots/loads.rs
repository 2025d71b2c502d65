//! Named load steps and load profiles: output, inductor current and load over all of it, one plot a load.

use super::panels::{self, Axis, Envelope, Panel, Trace};
use super::style::Stroke;
use super::{Legend, Plot, legend_of, plot};
use crate::record::layout::{Curves, StepCurve};
use crate::report::ReportError;
use crate::report::folder::safe_name;

/// What these plots show.
const SEEN: &str = "Above, the output's deviation from its mean at the least current; below, inductor current and load current, over the \
                    whole course. Where single cycles are too many to tell apart, a part is the band that they fill.";

/// One plot for each named load, in the order of the case.
pub(super) fn draw(curves: &Curves) -> Result<Vec<Plot>, ReportError> {
    let mut names: Vec<(&str, &str)> = vec![];
    for (condition, curve) in curves.events.iter().filter(|(_, curve)| !curve.load.is_empty()) {
        if !names.contains(&(condition, &curve.load)) {
            names.push((condition, &curve.load));
        }
    }
    let mut plots: Vec<Plot> = vec![];
    for (condition, name) in names {
        let of_load = curves.events.iter().filter(|(_, curve)| curve.load == name).map(|(_, curve)| curve);
        // Names that differ by what no file name may hold.
        let file = format!("{}-{}", safe_name(condition), safe_name(name));
        let alike = plots.iter().filter(|plot| plot.name.starts_with(&file)).count();
        let file = if alike == 0 { file } else { format!("{file}-{}", alike + 1) };
        plots.extend(one(file, (condition, name), &of_load.collect::<Vec<_>>())?);
    }
    Ok(plots)
}

fn one(file: String, (condition, name): (&str, &str), parts: &[&StepCurve]) -> Result<Option<Plot>, ReportError> {
    let Some(original) = parts.first().filter(|curve| curve.time_s.len() > 1) else { return Ok(None) };
    let time = Axis::new("Time from its begin", "s", parts.iter().flat_map(|c| &c.time_s).copied()).tight();
    let bands = |low: &dyn Fn(&StepCurve) -> Vec<f64>, high: &dyn Fn(&StepCurve) -> Vec<f64>| {
        let band = |(i, c): (usize, &&StepCurve)| Envelope {
            time: c.time_s.clone(),
            low: low(c),
            high: high(c),
            window_s: 0.0,
            stroke: Stroke::part(i),
        };
        parts.iter().enumerate().map(band).collect::<Vec<_>>()
    };
    let from_mean = |c: &StepCurve, values: &[f64]| values.iter().map(|v| v - c.mean_low_load_v).collect::<Vec<_>>();
    let output = bands(&|c| from_mean(c, &c.output_low_v), &|c| from_mean(c, &c.output_high_v));
    let current = bands(&|c| c.current_low_a.clone(), &|c| c.current_high_a.clone());
    let all = |bands: &[Envelope]| bands.iter().flat_map(|b| b.low.iter().chain(&b.high)).copied().collect::<Vec<_>>();
    let (of_output, of_current) = (all(&output), all(&current));
    let load = original.time_s.iter().copied().zip(original.load_a.iter().copied()).collect();
    let load = Trace { points: load, stroke: Stroke::load() };
    let axis = Axis::new("Inductor current", "A", of_current.into_iter().chain([0.0]));
    let rows = [
        vec![Panel { envelopes: output, ..Panel::new(time.clone(), Axis::new("Output deviation", "V", of_output)) }],
        vec![Panel { envelopes: current, traces: vec![load], ..Panel::new(time, axis) }],
    ];
    let mut legend = legend_of(parts.iter().map(|c| c.part.as_str()));
    legend.push(Legend::line("load current", Stroke::load()));
    let mut title = format!("{condition} {name}");
    title[..1].make_ascii_uppercase();
    plot(&file, title, SEEN.into(), panels::draw(&rows, &legend, 460))
}
