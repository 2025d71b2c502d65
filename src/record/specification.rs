//! A purchasing specification, put into words: what a part must have to pass on a board, and what sets each limit.

use super::layout::CaseIdentity;
use super::words;
use crate::condition::SHEET;
use crate::corridor::specify::{Ranges, Side, Specification, Stop, Trade};
use crate::judge::requirement::REQUIREMENTS;
use crate::model::family::{AXES, Axis};
use crate::model::parts::{CoreFamily, CoreLoss, Inductor};
use crate::quantity::{self, Side as Way};
use crate::units::{Dimension, show};
use serde::Serialize;

/// Drops of the inductance at which a saturation current is asked for where the original has no rating: those in use (common practice).
const USUAL_DROP: f64 = 0.3;

/// What to buy for a board.
#[derive(Clone, Debug, Serialize)]
pub struct SpecificationRecord {
    /// Version of this tool.
    pub presolder_version: String,
    /// The case.
    pub case: CaseIdentity,
    /// The original, of whose kind the parts are.
    pub original: String,
    /// What is asked, in the order of a data sheet.
    pub lines: Vec<Line>,
    /// What could be exchanged.
    pub trades: Vec<String>,
    /// What is taken to be as with the original.
    pub same: Vec<String>,
    /// Vertices of the range that were compared in full, all of which pass.
    pub vertices_in_full: usize,
    /// Random parts inside the range.
    pub random_parts: usize,
    /// How many of those pass in the places that decide.
    pub random_passes: usize,
    /// Number of those places.
    pub places: usize,
    /// Sides that a check sets, and how many of them fail or are undecided when they alone are moved out by its uncertainty.
    pub sides: (usize, usize),
}

/// One datum that is asked for.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Line {
    /// What it is.
    pub label: String,
    /// Under which conditions it is stated.
    pub at: String,
    /// Least value, where there is one.
    pub least: Option<f64>,
    /// Largest value, where there is one.
    pub most: Option<f64>,
    /// Unit of both.
    pub unit: String,
    /// The same in words.
    pub said: String,
    /// What sets its ends, where a check does.
    pub set_by: Vec<String>,
}

/// A specification in words.
pub fn record(found: &Specification) -> SpecificationRecord {
    let case = &found.case;
    let original = &case.parts[0];
    let mut lines = vec![inductance(found, original), resistance(found, original)];
    // What sets the saturation is told once, however often it is rated.
    let told_once = |(number, line): (usize, Line)| if number == 0 { line } else { Line { set_by: vec![], ..line } };
    lines.extend(saturation(found, original).into_iter().enumerate().map(told_once));
    lines.extend(core_loss(found, original));
    lines.extend(on_paper(found, original));
    let set: Vec<&Stop> = found.stops.iter().filter(|stop| stop.by.is_some()).collect();
    SpecificationRecord {
        presolder_version: env!("CARGO_PKG_VERSION").into(),
        case: super::identity(case),
        original: original.name.clone(),
        lines,
        trades: found.trades.iter().map(|trade| told(original, trade)).collect(),
        same: same(original),
        vertices_in_full: found.proof.vertices,
        random_parts: found.proof.random.0,
        random_passes: found.proof.random.1,
        places: found.proof.places,
        sides: (set.len(), set.iter().filter(|stop| stop.holds).count()),
    }
}

/// Whether a side of the box is set, as opposed to being as far as was tried.
fn end(found: &Specification, axis: Axis, upper: bool) -> Option<&Stop> {
    found.stops.iter().find(|stop| stop.side == Side { axis, upper } && stop.by.is_some())
}

fn set_by(found: &Specification, axis: Axis) -> Vec<String> {
    let of = |upper: bool| {
        let finding = end(found, axis, upper)?.by.as_ref()?;
        let at = words::condition(&found.case, finding);
        let end = if upper { "at most" } else { "at least" };
        Some(format!(
            "{end}: {}{}",
            words::said(&found.case, finding),
            if at.is_empty() { at } else { format!("; {at}") }
        ))
    };
    [false, true].into_iter().filter_map(of).collect()
}

/// A line whose ends are a value of the original times the ends of an axis.
fn line(found: &Specification, axis: Axis, value: f64, dimension: Dimension) -> Line {
    let (low, high) = range(&found.ranges, axis);
    let least = end(found, axis, false).map(|_| rounded_up(value * low));
    let most = end(found, axis, true).map(|_| rounded_down(value * high));
    let shown = |value: f64| show(value, dimension);
    let said = match (least, most) {
        (Some(least), Some(most)) => format!("{} to {}", shown(least), shown(most)),
        (Some(least), None) => format!("at least {}", shown(least)),
        (None, Some(most)) => format!("at most {}", shown(most)),
        (None, None) => format!("any up to {}", shown(value * high)),
    };
    Line { least, most, unit: dimension.si_unit().into(), said, set_by: set_by(found, axis), ..Line::default() }
}

fn range(ranges: &Ranges, axis: Axis) -> (f64, f64) {
    AXES.iter().position(|known| *known == axis).map_or((1.0, 1.0), |number| ranges[number])
}

/// To three digits, inside the range.
fn rounded_up(value: f64) -> f64 {
    let step = step(value);
    (value / step - 1e-9).ceil() * step
}

fn rounded_down(value: f64) -> f64 {
    let step = step(value);
    (value / step + 1e-9).floor() * step
}

fn step(value: f64) -> f64 {
    10f64.powf(value.abs().log10().floor() - 2.0)
}

fn inductance(found: &Specification, original: &Inductor) -> Line {
    let at = format!("nominal, tolerance at most ±{:.0} %, of a {} core", 100.0 * original.tolerance, core(original));
    Line {
        label: "Inductance".into(),
        at,
        ..line(found, Axis::Inductance, original.inductance_h, Dimension::Inductance)
    }
}

fn core(original: &Inductor) -> &'static str {
    match original.core {
        CoreFamily::Ferrite => "ferrite",
        _ => "powder or composite",
    }
}

fn resistance(found: &Specification, original: &Inductor) -> Line {
    let at = "largest value at 25 °C".into();
    Line {
        label: "Winding resistance".into(),
        at,
        ..line(found, Axis::Resistance, original.dcr_max_ohm, Dimension::Resistance)
    }
}

/// One line for each rating of the original, or where it has none for the usual drop on each of its curves.
fn saturation(found: &Specification, original: &Inductor) -> Vec<Line> {
    let ratings: Vec<(f64, f64, f64)> = match original.saturation_ratings.is_empty() {
        false => original.saturation_ratings.iter().map(|at| (at.current_a, at.drop, at.temperature_degc)).collect(),
        true => read_off(original),
    };
    let of = |(current_a, drop, degc): (f64, f64, f64)| {
        let at = format!("inductance down by {:.0} % at {degc:.0} °C", 100.0 * drop);
        Line { label: "Saturation current".into(), at, ..line(found, Axis::Saturation, current_a, Dimension::Current) }
    };
    ratings.into_iter().map(of).collect()
}

/// Currents at the usual drop on the curves, with drop and temperature.
fn read_off(original: &Inductor) -> Vec<(f64, f64, f64)> {
    let of = |degc: f64| {
        let curve = crate::model::parts::saturation::FluxCurve::new(&original.saturation, degc, 1.0).ok()?;
        Some((curve.current_at_drop_a(USUAL_DROP)?, USUAL_DROP, degc))
    };
    original.saturation.iter().filter_map(|curve| of(curve.temperature_degc)).collect()
}

fn core_loss(found: &Specification, original: &Inductor) -> Option<Line> {
    let (value, dimension, at) = match original.core_loss? {
        CoreLoss::VoltSeconds { loss_w, frequency_hz, swing_wb, .. } => {
            let (frequency, swing) = (show(frequency_hz, Dimension::Frequency), show(swing_wb, Dimension::VoltSeconds));
            (loss_w, Dimension::Power, format!("at {frequency} and {swing}, symmetric triangle"))
        }
        CoreLoss::Steinmetz { .. } => (1.0, Dimension::Ratio, "multiple of the original's".into()),
    };
    Some(Line { label: "Core loss".into(), at, ..line(found, Axis::CoreLoss, value, dimension) })
}

/// What a data sheet alone is held against.
fn on_paper(found: &Specification, original: &Inductor) -> Vec<Line> {
    let case = &found.case;
    let asked = REQUIREMENTS.iter().filter_map(|asked| {
        let quantity = asked.quantities.iter().find_map(|id| quantity::find(id))?;
        let is_paper = crate::condition::find(SHEET).is_some_and(|sheet| sheet.quantities().contains(&quantity.id));
        let limit = (asked.yardstick)(case, original)?.limit()?;
        is_paper.then_some((quantity, limit))
    });
    let of = |(quantity, limit): (&quantity::Quantity, quantity::Limit)| {
        let at_least = limit.side == Way::AtLeast;
        let (least, most) = (at_least.then_some(limit.value), (!at_least).then_some(limit.value));
        let said = format!("at {} {}", if at_least { "least" } else { "most" }, words::say(limit.value, quantity.unit));
        Line { label: quantity.label.into(), least, most, unit: quantity.unit.into(), said, ..Line::default() }
    };
    asked.map(of).collect()
}

/// What is taken to be as with the original.
fn same(original: &Inductor) -> Vec<String> {
    let thermal = rounded_down(original.thermal_resistance_k_per_w);
    let mut all = vec![format!("thermal resistance at most {}", show(thermal, Dimension::ThermalResistance))];
    if original.ac_resistance.is_some() {
        all.push("resistance for alternating current the same multiple of the direct one".into());
    }
    if let Some(degc) = original.max_temperature_degc {
        all.push(format!("rated up to {degc:.0} °C with its own heating"));
    }
    all.push("saturation as soft as the original's, and as much earlier when hot".into());
    all
}

/// "the winding resistance is at most 52 mohm where the inductance is at least 10 uH".
fn told(original: &Inductor, trade: &Trade) -> String {
    format!("{} where {}", side(original, trade.side, trade.factor), side(original, trade.other, trade.at))
}

/// A side in words.
fn side(original: &Inductor, side: Side, factor: f64) -> String {
    let round = if side.upper { rounded_down } else { rounded_up };
    let times = |value: f64, dimension: Dimension| show(round(value * factor), dimension);
    let (what, end) = match side.axis {
        Axis::Inductance => ("inductance", times(original.inductance_h, Dimension::Inductance)),
        Axis::Resistance => ("winding resistance", times(original.dcr_max_ohm, Dimension::Resistance)),
        Axis::Saturation => {
            let rated_a = original.saturation_ratings.first().map(|rating| rating.current_a);
            let rated_a = rated_a.or_else(|| read_off(original).first().map(|read| read.0));
            ("saturation current", times(rated_a.unwrap_or(1.0), Dimension::Current))
        }
        Axis::CoreLoss => match original.core_loss {
            Some(CoreLoss::VoltSeconds { loss_w, .. }) => ("core loss", times(loss_w, Dimension::Power)),
            _ => ("core loss", format!("{:.2} times the original's", round(factor))),
        },
    };
    format!("the {what} is {} {end}", if side.upper { "at most" } else { "at least" })
}
