//! Losses of the switches. Currents and charges come from the simulated waveforms; every result is in W.

/// Equation switch-conduction: P = R / T * integral of i^2 dt over the conduction in one period.
///
/// `square_integral_a2s` in A2 s, `on_ohm` in ohm with its temperature factor, `period_s` in s.
pub fn conduction_w(square_integral_a2s: f64, period_s: f64, on_ohm: f64) -> f64 {
    on_ohm * square_integral_a2s / period_s
}

/// Equation switch-diode: P = V_f / T * integral of |i| dt while a diode conducts (dead time, or a diode as low side).
///
/// `charge_c` in C, `forward_v` in V. A slope resistance adds [`conduction_w`].
pub fn diode_w(charge_c: f64, period_s: f64, forward_v: f64) -> f64 {
    forward_v * charge_c / period_s
}

/// Equation switch-transition: P = V_in (I_valley t_r + I_peak t_f) f / 2.
///
/// Voltage and current taken to change one after the other, so each edge costs half the product; were they to change
/// together it would be a third of that (D. W. Hart, Power Electronics, McGraw-Hill 2011, ch. 6, after its fig. 6-19,
/// from memory). A valley (or peak) below zero swings the node by itself: that edge counts as zero-voltage and costs nothing.
/// Typical accuracy 25 to 40 % (common practice).
pub fn transition_w(input_v: f64, valley_a: f64, peak_a: f64, rise_s: f64, fall_s: f64, frequency_hz: f64) -> f64 {
    0.5 * input_v * (valley_a.max(0.0) * rise_s + peak_a.max(0.0) * fall_s) * frequency_hz
}

/// Equation switch-gate: P = Q_g V_g f, charge in C a cycle, drawn from the gate supply in V.
pub fn gate_w(charge_c: f64, gate_v: f64, frequency_hz: f64) -> f64 {
    charge_c * gate_v * frequency_hz
}

/// Equation switch-recovery: P = Q_rr V_in f.
///
/// Charge at the conditions of its data sheet; it applies where the low-side diode carries the current at high-side
/// turn-on, that is where the valley current is above zero.
pub fn recovery_w(charge_c: f64, input_v: f64, frequency_hz: f64) -> f64 {
    charge_c * input_v * frequency_hz
}

/// Equation switch-output-capacitance: P = C_oss V_in^2 f / 2.
///
/// Energy-equivalent capacitance in F; an upper bound where a negative valley current charges the node.
pub fn output_capacitance_w(capacitance_f: f64, input_v: f64, frequency_hz: f64) -> f64 {
    0.5 * capacitance_f * input_v * input_v * frequency_hz
}
