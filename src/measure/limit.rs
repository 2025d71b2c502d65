//! Current that is reached when the current limit trips with its delay.
//!
//! Definition: docs/physics.md, "limit overshoot".

use crate::parts::saturation::FluxCurve;

/// Current in A that flows when the high side opens `delay_s` after the current has passed `threshold_a`, with the output at
/// `output_v`: the flux linkage grows on by volt-seconds, so that saturation is in it.
///
/// `loop_ohm` is the resistance in the way (high side and winding), taken at the threshold current.
pub fn current_after_delay_a(
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
