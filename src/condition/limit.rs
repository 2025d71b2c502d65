//! Current that is reached when the current limit trips with its delay, the output shorted: from data, without a run.
//!
//! Definition: docs/physics.md, "limit overshoot".

use super::contract::{Condition, Found, Setup, Wish};
use super::figures::{Failure, Figures, Note, Place};
use super::stand::Stand;
use crate::loss::copper;
use crate::model::case::Case;
use crate::model::corner::Corner;
use crate::model::parts::Inductor;
use crate::model::parts::saturation::FluxCurve;

/// The current at the limit with the hottest winding that occurred.
pub(crate) struct AtLimit;

impl Condition for AtLimit {
    fn name(&self) -> &'static str {
        "limit"
    }

    fn key(&self) -> &'static str {
        "control.current_limit"
    }

    fn quantities(&self) -> &'static [&'static str] {
        &["limit_current", "limit_share"]
    }

    fn places(&self, _: &Stand<'_>) -> Vec<Place> {
        vec![]
    }

    fn simulate(&self, _: &Stand<'_>, place: Place) -> Result<Found, Failure> {
        Ok(Found::of(Figures::at(place, None)))
    }

    fn set_up(&self, _: &Stand<'_>, _: &Wish) -> Result<Option<Setup>, Failure> {
        Ok(None)
    }

    fn is_data(&self) -> bool {
        true
    }

    fn conclude(&self, case: &Case, part: &Inductor, found: &[&Found]) -> Result<Option<Figures>, Failure> {
        // A short circuit that was run tells more.
        if found.iter().any(|found| found.figures.value("short_peak").is_some()) {
            return Ok(None);
        }
        let hottest_degc = hottest_degc(case, found);
        let low = FluxCurve::of_unit(&part.saturation, part.core, hottest_degc, 1.0 - part.tolerance)?;
        let Some(current_a) = at_limit_a(case, part, &low, hottest_degc) else { return Ok(None) };
        let corner = Corner::told("output shorted, hottest winding, low L, highest limit and input");
        let place = Place { condition: self.name(), corner, input_v: None, load_a: None, prebias_v: 0.0, load: 0 };
        let mut figures = Figures::at(place, Some(hottest_degc));
        figures.push("limit_current", current_a);
        figures.push("limit_share", low.inductance_h(current_a) / part.inductance_h);
        figures.note_if(low.is_beyond(current_a), Note::LimitBeyondSaturationData);
        Ok(Some(figures))
    }
}

/// Hottest winding in degrees Celsius that a part reached in a steady state, at least the ambient.
pub(crate) fn hottest_degc(case: &Case, found: &[&Found]) -> f64 {
    let reached = found.iter().filter_map(|found| found.figures.number("winding_temperature"));
    reached.fold(case.board.ambient_degc, f64::max)
}

fn at_limit_a(case: &Case, part: &Inductor, low: &FluxCurve, winding_degc: f64) -> Option<f64> {
    let limit = case.board.control.protection.peak_limit()?;
    let stage = &case.board.stage;
    let winding_ohm = copper::resistance_ohm(part.dcr_typical_ohm, winding_degc);
    let loop_ohm = stage.high_side_ohm * stage.hot_factor + winding_ohm;
    let input_v = case.board.highest_input_v();
    Some(current_after_delay_a(low, limit.threshold.2, input_v, 0.0, loop_ohm, limit.delay_s))
}

/// Current in A that flows when the high side opens `delay_s` after the current has passed `threshold_a`, with the output at
/// `output_v`: the flux linkage grows on by volt-seconds, so that saturation is in it.
///
/// `loop_ohm` is the resistance in the way (high side and winding), taken at the threshold current.
pub(crate) fn current_after_delay_a(
    curve: &FluxCurve,
    threshold_a: f64,
    source_v: f64,
    output_v: f64,
    loop_ohm: f64,
    delay_s: f64,
) -> f64 {
    let drive_v = (source_v - output_v - loop_ohm * threshold_a).max(0.0);
    curve.current_a(curve.flux_wb(threshold_a) + drive_v * delay_s)
}
