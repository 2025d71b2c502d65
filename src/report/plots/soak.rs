//! A soak: the winding of each part against time, from cold.

use super::panels::{self, Axis, Level, Panel, Trace};
use super::style::Stroke;
use super::{Legend, Plot, plot};
use crate::record::layout::{Record, SoakPart};
use crate::record::words::say;
use crate::report::ReportError;

/// The plot, where the bench plan has a soak.
pub(super) fn draw(record: &Record) -> Result<Option<Plot>, ReportError> {
    let Some(soak) = &record.bench_plan.soak else { return Ok(None) };
    let number = |part: &SoakPart| record.parts.iter().position(|known| known.name == part.part).unwrap_or(0);
    let trace = |part: &SoakPart| Trace {
        points: [(0.0, soak.ambient_degc)]
            .into_iter()
            .chain(part.curve.iter().map(|at| (at.minutes, at.winding_degc.shown)))
            .collect(),
        stroke: Stroke::part(number(part)),
    };
    let traces: Vec<Trace> = soak.parts.iter().map(trace).collect();
    let lowest_degc = soak.parts.iter().map(|part| part.limit_degc).fold(f64::INFINITY, f64::min);
    let limit = Level::new(lowest_degc, format!("lowest limit {}", say(lowest_degc, "degC")), Stroke::limit());
    let points = || traces.iter().flat_map(|trace| trace.points.iter().copied());
    let x = Axis::new("Time from switching on", "min", points().map(|at| at.0).chain([soak.minutes])).tight();
    let y = Axis::new("Winding", "degC", points().map(|at| at.1).chain([lowest_degc]));
    let legend: Vec<Legend> =
        soak.parts.iter().map(|part| Legend::line(&part.part, Stroke::part(number(part)))).collect();
    plot(
        "soak",
        format!("Soak of {:.0} min at {}", soak.minutes, soak.place),
        "Winding temperature against time from cold, all parts overlaid, as expected; the table of the soak has the range of each value."
            .into(),
        panels::draw(&[vec![Panel { levels: vec![limit], traces, ..Panel::new(x, y) }]], &legend, 400),
    )
}
