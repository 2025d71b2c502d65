//! A measured waveform over the predicted one with its band.

use super::panels::{self, Axis, Legend, Panel, Trace};
use super::style::Stroke;
use super::{Plot, plot};
use crate::bench::analysis::Overlay;
use crate::bench::layout::Item;
use crate::report::ReportError;

/// Height of the plot's panel.
const HEIGHT: i32 = 460;

/// The plot; none for a waveform without points. Numbers of item and waveform make its name.
pub(in crate::report) fn draw(
    (item_number, number): (usize, usize),
    item: &Item,
    overlay: &Overlay,
) -> Result<Option<Plot>, ReportError> {
    if overlay.time_s.len() < 2 {
        return Ok(None);
    }
    let line = |values: Vec<f64>, stroke| {
        let points = overlay.time_s.iter().copied().zip(values).filter(|point| point.1.is_finite());
        Trace { points: points.collect(), stroke }
    };
    let edge =
        |sign: f64| overlay.predicted.iter().zip(&overlay.band).map(|(value, band)| value + sign * band).collect();
    let traces = vec![
        line(edge(-1.0), Stroke::band()),
        line(edge(1.0), Stroke::band()),
        line(overlay.measured.clone(), Stroke::part(1)),
        line(overlay.predicted.clone(), Stroke::part(0)),
    ];
    let shown: Vec<f64> = traces.iter().flat_map(|trace| trace.points.iter().map(|point| point.1)).collect();
    let time = Axis::new("Time", "s", overlay.time_s.iter().copied()).tight();
    let panel = Panel { traces, ..Panel::new(time, Axis::new(&overlay.label, overlay.unit, shown)) };
    let legend = [
        Legend::line("predicted", Stroke::part(0)),
        Legend::line("measured", Stroke::part(1)),
        Legend::line("uncertainty of the prediction", Stroke::band()),
    ];
    plot(
        &format!("overlay-{item_number}-{number}"),
        format!("{}: {}, {}", overlay.label, item.part, item.condition),
        "The measured waveform over the predicted one; the dotted lines are the prediction with its expanded uncertainty.".into(),
        panels::draw(&[vec![panel]], &legend, HEIGHT),
    )
}
