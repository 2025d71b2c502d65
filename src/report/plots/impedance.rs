//! Output impedance over the logarithm of the frequency: loop closed with the target, its phase, loop opened.

use super::panels::{self, Axis, Legend, Level, Panel, Trace};
use super::style::Stroke;
use super::{Plot, legend_of, plot};
use crate::record::impedance::{Curve, ImpedanceRecord, PartImpedance};
use crate::report::ReportError;

/// Height of a panel.
const HEIGHT: i32 = 380;
/// Room above and below the curves on a logarithmic axis.
const ROOM: f64 = 1.25;

/// One curve of a part, where it has one.
type Chosen = fn(&PartImpedance) -> Option<&Curve>;

/// The plot, where there is a curve.
pub(in crate::report) fn draw(record: &ImpedanceRecord) -> Result<Option<Plot>, ReportError> {
    if record.frequency_hz.len() < 2 || record.parts.iter().all(|part| part.closed.is_none()) {
        return Ok(None);
    }
    let target = record.target.as_ref();
    let level = target.map(|target| Level::new(target.ohm.log10(), "target", Stroke::limit()));
    let mut rows = vec![
        vec![magnitude(record, "Loop closed", |part| part.closed.as_ref(), level)],
        vec![phase(record, "Its phase", |part| part.closed.as_ref())],
    ];
    if record.parts.iter().any(|part| part.opened.is_some()) {
        rows.push(vec![magnitude(record, "Loop opened", |part| part.opened.as_ref(), None)]);
    }
    let mut legend = legend_of(record.parts.iter().map(|part| part.part.as_str()));
    legend.extend(target.map(|_| Legend::line("target", Stroke::limit())));
    plot(
        "impedance",
        format!("Output impedance of {}", record.case),
        "Magnitude of the output impedance with the loop closed and its phase, and below with the loop opened at the control \
         voltage, up to half the switching frequency, all parts overlaid. Above the target a load that swings at that \
         frequency moves the output further than the limit of the load step allows for a swing of its size."
            .into(),
        panels::draw(&rows, &legend, HEIGHT),
    )
}

fn axis(record: &ImpedanceRecord) -> Axis {
    let ends = (record.frequency_hz.first(), record.frequency_hz.last());
    Axis::decades("Frequency", "Hz", ends.0.copied().unwrap_or(1.0), ends.1.copied().unwrap_or(10.0))
}

fn traces(record: &ImpedanceRecord, chosen: Chosen, value: impl Fn(&Curve, usize) -> f64) -> Vec<Trace> {
    let line = |(number, part): (usize, &PartImpedance)| {
        let curve = chosen(part)?;
        let points = record.frequency_hz.iter().enumerate().map(|(k, hz)| (hz.log10(), value(curve, k))).collect();
        Some(Trace { points, stroke: Stroke::part(number) })
    };
    record.parts.iter().enumerate().filter_map(line).collect()
}

fn magnitude(record: &ImpedanceRecord, label: &str, chosen: Chosen, level: Option<Level>) -> Panel {
    let traces = traces(record, chosen, |curve, k| curve.magnitude_ohm[k].log10());
    let shown = traces.iter().flat_map(|trace| trace.points.iter().map(|point| point.1));
    let (low, high) = panels::range(shown.chain(level.iter().map(|level| level.at)));
    let y = Axis::decades(label, "ohm", 10f64.powf(low) / ROOM, 10f64.powf(high) * ROOM);
    Panel { traces, levels: level.into_iter().collect(), ..Panel::new(axis(record), y) }
}

fn phase(record: &ImpedanceRecord, label: &str, chosen: Chosen) -> Panel {
    let traces = traces(record, chosen, |curve, k| curve.phase_deg[k]);
    let shown: Vec<f64> = traces.iter().flat_map(|trace| trace.points.iter().map(|point| point.1)).collect();
    Panel { traces, ..Panel::new(axis(record), Axis::new(label, "deg", shown)) }
}
