//! The nonlinear circuit equations, written out as one would on paper.
//!
//! States, in the exact engine's order: flux linkage, capacitor voltages, currents of the branches with inductance,
//! amplifier, instrument. The flux linkage is divided by the inductance at zero current, so that every
//! state is of the order of volts or amperes and one absolute tolerance fits all.

use crate::board::{Compensator, LowSide, Modulator};
use crate::engine::compensator::Analog;
use crate::engine::error::EngineError;
use crate::engine::network::{Circuit, INSTRUMENT_BANDWIDTH_HZ, Path};
use crate::engine::row::StateVector;
use crate::measure::curves::Sample;
use crate::parts::saturation::FluxCurve;
use std::cell::Cell;
use std::f64::consts::TAU;

/// Newton steps from the former current before the bracketing inverse of the curve is asked.
const WARM_NEWTON_STEPS: usize = 6;
/// A Newton step of this relative size leaves an error of its square, which is below rounding.
const LAST_NEWTON_STEP: f64 = 1e-9;
/// Excess over a clamp in V at which the amplifier counts as clamped; leaving a clamp then does not enter it again.
const CLAMP_EXCESS_V: f64 = 1e-9;
/// Most branches of a bank that can occur with the states there are.
const MOST_BRANCHES: usize = super::MOST_STATES;

/// What holds during one stretch between two instants.
#[derive(Clone, Copy, Debug)]
pub struct Setting {
    /// Way of the inductor current.
    pub path: Path,
    /// State of the amplifier's output.
    pub amplifier: Analog,
    /// Programmed load current at the begin in A.
    pub load_a: f64,
    /// Its slew in A/s.
    pub load_slew_a_per_s: f64,
    /// Time of the begin after the clock edge in s.
    pub phase_s: f64,
}

/// What may end a stretch: a quantity that becomes non-negative.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Watch {
    /// The modulator's comparator.
    Trip,
    /// The current limit.
    Limit,
    /// A positive current ends.
    Falls,
    /// A negative current ends.
    Rises,
    /// The amplifier reaches its upper clamp.
    ReachHigh,
    /// The amplifier reaches its lower clamp.
    ReachLow,
    /// The amplifier leaves the clamp at which it is.
    Leave,
}

/// How the output voltage follows from the states.
#[derive(Clone, Copy, Debug)]
enum Output {
    /// It is the voltage of the capacitor without resistance or inductance.
    Ideal(usize),
    /// Kirchhoff's current law, solved for the voltage across the resistances.
    Resistive,
    /// Every branch has inductance: Kirchhoff's current law gives the last branch's current, its derivative the voltage.
    Inductive,
}

#[derive(Clone, Copy, Debug)]
struct Branch {
    capacitance_f: f64,
    esr_ohm: f64,
    esl_h: f64,
    /// Position of its current among the states.
    current_state: Option<usize>,
}

/// Everything that follows from the states at one time.
#[derive(Clone, Copy, Debug)]
pub struct Point {
    /// Inductor current in A.
    pub current_a: f64,
    /// Output voltage in V.
    pub output_v: f64,
    /// Switch-node voltage in V.
    pub switch_v: f64,
    /// Load current in A.
    pub load_a: f64,
    branch_a: [f64; MOST_BRANCHES],
}

/// The circuit reduced to what the equations need.
pub struct Equations {
    /// Number of states.
    pub states: usize,
    /// Switching period in s.
    pub period_s: f64,
    /// The circuit, for the switching sequence.
    pub circuit: Circuit,
    curve: FluxCurve,
    unit_h: f64,
    high_ohm: f64,
    low_ohm: f64,
    diode: (f64, f64),
    branches: Vec<Branch>,
    output: Output,
    first_amplifier: usize,
    ramp_v: f64,
}

impl Equations {
    /// Equations of a circuit on a smooth curve.
    pub fn new(circuit: &Circuit, curve: FluxCurve) -> Result<Equations, EngineError> {
        let mut next = 1 + circuit.bank.len();
        let all_inductive = circuit.bank.iter().all(|b| b.esl_h > 0.0);
        let eliminates = all_inductive && circuit.load_s == 0.0;
        let mut branches = vec![];
        for (k, b) in circuit.bank.iter().enumerate() {
            let has_state = b.esl_h > 0.0 && !(eliminates && k + 1 == circuit.bank.len());
            let current_state = has_state.then_some(next);
            next += usize::from(has_state);
            branches.push(Branch { capacitance_f: b.capacitance_f, esr_ohm: b.esr_ohm, esl_h: b.esl_h, current_state });
        }
        let ideal: Vec<usize> =
            (0..branches.len()).filter(|&k| branches[k].esl_h == 0.0 && branches[k].esr_ohm == 0.0).collect();
        if ideal.len() > 1 {
            return Err(EngineError::TwoIdealBranches);
        }
        if all_inductive && circuit.load_w > 0.0 {
            return Err(EngineError::PowerIntoInductance);
        }
        let output = match ideal.first() {
            Some(&k) => Output::Ideal(k),
            None if eliminates => Output::Inductive,
            None => Output::Resistive,
        };
        let amplifier_states = match &circuit.board.control.compensator {
            Compensator::Open | Compensator::Ripple { .. } => 0,
            Compensator::Transconductance { .. } => 2,
            Compensator::OpAmp { lead: Some(_), c2_f, .. } => 3 + usize::from(*c2_f > 0.0),
            Compensator::OpAmp { lead: None, c2_f, .. } => 2 + usize::from(*c2_f > 0.0),
        };
        Ok(Equations {
            states: next + amplifier_states + usize::from(circuit.instrument),
            period_s: 1.0 / circuit.board.frequency_hz,
            unit_h: curve.inductance_h(0.0),
            high_ohm: circuit.high_side_ohm(),
            low_ohm: circuit.low_side_ohm(),
            diode: circuit.diode(),
            ramp_v: circuit.ramp_v(),
            first_amplifier: next,
            circuit: circuit.clone(),
            curve,
            branches,
            output,
        })
    }

    /// States to integrate from the exact engine's states.
    pub fn scaled(&self, x: &StateVector) -> StateVector {
        let mut y = *x;
        y[0] /= self.unit_h;
        if let Some((low_v, high_v)) = self.clamp_v() {
            y[self.first_amplifier] = y[self.first_amplifier].clamp(low_v, high_v);
        }
        y
    }

    /// The exact engine's states from the integrated ones.
    pub fn unscaled(&self, y: &[f64]) -> StateVector {
        let mut x = [0.0; crate::engine::row::MAX_STATES];
        x[..y.len()].copy_from_slice(y);
        x[0] *= self.unit_h;
        x
    }

    /// Position of the amplifier's output among the states.
    pub fn control_state(&self) -> usize {
        self.first_amplifier
    }

    /// Clamps of the control voltage in V.
    pub fn clamp_v(&self) -> Option<(f64, f64)> {
        match self.circuit.board.control.compensator {
            Compensator::Open | Compensator::Ripple { .. } => None,
            Compensator::OpAmp { clamp_v, .. } | Compensator::Transconductance { clamp_v, .. } => Some(clamp_v),
        }
    }

    /// Current at a scaled flux linkage: Newton's method from the former current. The flux linkage is concave
    /// in the current above zero, so the method comes from below without fail; otherwise the curve's own inverse is used.
    #[inline]
    fn current_a(&self, flux_scaled: f64, former: &Cell<f64>) -> f64 {
        let flux_wb = flux_scaled * self.unit_h;
        let mut current_a = former.get();
        for _ in 0..WARM_NEWTON_STEPS {
            let step_a = (flux_wb - self.curve.flux_wb(current_a)) / self.curve.inductance_h(current_a);
            current_a += step_a;
            if step_a.abs() <= LAST_NEWTON_STEP * (1.0 + current_a.abs()) {
                former.set(current_a);
                return current_a;
            }
        }
        let current_a = self.curve.current_a(flux_wb);
        former.set(current_a);
        current_a
    }

    /// Solves the circuit at a time `t_s` of the stretch.
    #[inline]
    pub fn point(&self, setting: &Setting, t_s: f64, y: &[f64], former: &Cell<f64>) -> Point {
        let circuit = &self.circuit;
        let idle = setting.path == Path::Idle;
        let i = if idle { 0.0 } else { self.current_a(y[0], former) };
        let driven_v = match setting.path {
            Path::High => circuit.source_v - self.high_ohm * i,
            Path::Low => -self.low_ohm * i,
            Path::LowDiode => -self.diode.0 - self.diode.1 * i,
            Path::HighDiode => circuit.source_v + self.diode.0,
            Path::Idle => 0.0,
        };
        let programmed_a = setting.load_a + setting.load_slew_a_per_s * t_s;
        let mut branch_a = [0.0; MOST_BRANCHES];
        let mut left_a = i - programmed_a;
        for (k, branch) in self.branches.iter().enumerate() {
            if let Some(state) = branch.current_state {
                branch_a[k] = y[state];
                left_a -= y[state];
            }
        }
        let output_v = match self.output {
            Output::Ideal(k) => y[1 + k],
            Output::Resistive => self.resistive_output_v(left_a, y),
            Output::Inductive => {
                branch_a[self.branches.len() - 1] = left_a;
                let per_h = if idle { 0.0 } else { 1.0 / self.curve.inductance_h(i) };
                let mut amperes_per_s = (driven_v - circuit.dcr_ohm * i) * per_h - setting.load_slew_a_per_s;
                let mut conducting_per_h = per_h;
                for (k, branch) in self.branches.iter().enumerate() {
                    amperes_per_s += (y[1 + k] + branch.esr_ohm * branch_a[k]) / branch.esl_h;
                    conducting_per_h += 1.0 / branch.esl_h;
                }
                amperes_per_s / conducting_per_h
            }
        };
        let mut load_a = programmed_a + circuit.load_s * output_v;
        if circuit.load_w > 0.0 {
            load_a += circuit.load_w / output_v;
        }
        for (k, branch) in self.branches.iter().enumerate() {
            if branch.esl_h == 0.0 && branch.esr_ohm > 0.0 {
                branch_a[k] = (output_v - y[1 + k]) / branch.esr_ohm;
            }
        }
        if let Output::Ideal(k) = self.output {
            branch_a[k] = i - load_a - branch_a[..self.branches.len()].iter().sum::<f64>();
        }
        Point { current_a: i, output_v, switch_v: if idle { output_v } else { driven_v }, load_a, branch_a }
    }

    /// Output voltage from the current that the resistive branches and the load must take up. With constant power this is
    /// the upper root of a quadratic: the lower one is beyond the load's point of collapse.
    fn resistive_output_v(&self, left_a: f64, y: &[f64]) -> f64 {
        let mut conductance_s = self.circuit.load_s;
        let mut short_circuit_a = left_a;
        for (k, branch) in self.branches.iter().enumerate() {
            if branch.esl_h == 0.0 {
                conductance_s += 1.0 / branch.esr_ohm;
                short_circuit_a += y[1 + k] / branch.esr_ohm;
            }
        }
        if self.circuit.load_w == 0.0 {
            return short_circuit_a / conductance_s;
        }
        let root_a = (short_circuit_a * short_circuit_a - 4.0 * conductance_s * self.circuit.load_w).sqrt();
        (short_circuit_a + root_a) / (2.0 * conductance_s)
    }

    /// Right side of the differential equations.
    #[inline]
    pub fn rates(&self, setting: &Setting, t_s: f64, y: &[f64], rate: &mut [f64], former: &Cell<f64>) {
        let point = self.point(setting, t_s, y, former);
        let across_v = point.switch_v - self.circuit.dcr_ohm * point.current_a - point.output_v;
        rate[0] = if setting.path == Path::Idle { 0.0 } else { across_v / self.unit_h };
        for (k, branch) in self.branches.iter().enumerate() {
            let current_a = point.branch_a[k];
            rate[1 + k] = current_a / branch.capacitance_f;
            if let Some(state) = branch.current_state {
                rate[state] = (point.output_v - y[1 + k] - branch.esr_ohm * current_a) / branch.esl_h;
            }
        }
        self.amplifier_rates(point.output_v, y, rate);
        if setting.amplifier != Analog::Linear {
            rate[self.first_amplifier] = 0.0;
        }
        if self.circuit.instrument {
            let last = self.states - 1;
            rate[last] = TAU * INSTRUMENT_BANDWIDTH_HZ * (point.output_v - y[last]);
        }
    }

    /// Rates of the amplifier's states, its output taken as free.
    #[inline]
    fn amplifier_rates(&self, output_v: f64, y: &[f64], rate: &mut [f64]) {
        let a = self.first_amplifier;
        match &self.circuit.board.control.compensator {
            Compensator::Open | Compensator::Ripple { .. } => {}
            Compensator::Transconductance { reference_v, gm_s, ro_ohm, rc_ohm, cc_f, chf_f, .. } => {
                let sensed_v = output_v * reference_v / self.circuit.board.output_v;
                let series_a = (y[a] - y[a + 1]) / rc_ohm;
                rate[a] = (gm_s * (reference_v - sensed_v) - y[a] / ro_ohm - series_a) / chf_f;
                rate[a + 1] = series_a / cc_f;
            }
            Compensator::OpAmp { reference_v, r1_ohm, rb_ohm, lead, r2_ohm, c1_f, c2_f, gain_bandwidth_hz, .. } => {
                let (v_c, v_c1) = (y[a], y[a + 1]);
                let has_c2 = *c2_f > 0.0;
                let lead_state = a + 2 + usize::from(has_c2);
                let v_minus = if has_c2 {
                    v_c - y[a + 2]
                } else {
                    // No capacitor holds the node: the currents through R1, R3, R_b and R2 add up to zero.
                    let (lead_s, lead_a) = match lead {
                        Some((r3_ohm, _)) => (1.0 / r3_ohm, (output_v - y[lead_state]) / r3_ohm),
                        None => (0.0, 0.0),
                    };
                    let into_a = output_v / r1_ohm + lead_a + (v_c + v_c1) / r2_ohm;
                    into_a / (1.0 / r1_ohm + lead_s + 1.0 / rb_ohm + 1.0 / r2_ohm)
                };
                let feedback_a = (v_minus - v_c - v_c1) / r2_ohm;
                let mut input_a = (output_v - v_minus) / r1_ohm - v_minus / rb_ohm;
                if let Some((r3_ohm, c3_f)) = lead {
                    let lead_a = (output_v - v_minus - y[lead_state]) / r3_ohm;
                    rate[lead_state] = lead_a / c3_f;
                    input_a += lead_a;
                }
                rate[a] = TAU * gain_bandwidth_hz * (reference_v - v_minus);
                rate[a + 1] = feedback_a / c1_f;
                if has_c2 {
                    rate[a + 2] = (feedback_a - input_a) / c2_f;
                }
            }
        }
    }

    /// Value of a watched quantity, non-negative once its event has come.
    pub fn watched(&self, watch: Watch, setting: &Setting, t_s: f64, y: &[f64], former: &Cell<f64>) -> f64 {
        let phase_s = setting.phase_s + t_s;
        let control = &self.circuit.board.control;
        match (watch, &control.modulator) {
            (Watch::Trip, Modulator::VoltageMode { .. }) => self.ramp_v * phase_s / self.period_s - self.control_v(y),
            (Watch::Trip, Modulator::PeakCurrent { gain_a_per_v, slope_a_per_s, .. }) => {
                self.current_a(y[0], former) + slope_a_per_s * phase_s - gain_a_per_v * self.control_v(y)
            }
            (Watch::Trip, _) => f64::NEG_INFINITY,
            (Watch::Limit, _) => {
                let limit_a = self.circuit.limit_threshold();
                self.current_a(y[0], former) - limit_a
            }
            (Watch::Falls, _) => -y[0],
            (Watch::Rises, _) => y[0],
            (Watch::ReachHigh | Watch::ReachLow, _) => {
                let (low_v, high_v) = self.clamp_v().unwrap_or((f64::NEG_INFINITY, f64::INFINITY));
                let v_c = y[self.first_amplifier];
                let excess_v = if watch == Watch::ReachHigh { v_c - high_v } else { low_v - v_c };
                excess_v - CLAMP_EXCESS_V
            }
            (Watch::Leave, _) => {
                let output_v = self.point(setting, t_s, y, former).output_v;
                let mut rate = [0.0; super::MOST_STATES];
                self.amplifier_rates(output_v, y, &mut rate);
                let drive = rate[self.first_amplifier] / (TAU * INSTRUMENT_BANDWIDTH_HZ);
                if setting.amplifier == Analog::ClampHigh { -drive } else { drive }
            }
        }
    }

    /// Rate of a watched quantity, `None` where the rates of the states do not give it.
    pub fn watched_rate(&self, watch: Watch, y: &[f64], rate: &[f64], former: &Cell<f64>) -> Option<f64> {
        let control_rate = self.control_v(rate);
        let current_rate = || {
            let i = self.current_a(y[0], former);
            rate[0] * self.unit_h / self.curve.inductance_h(i)
        };
        match (watch, &self.circuit.board.control.modulator) {
            (Watch::Trip, Modulator::VoltageMode { .. }) => Some(self.ramp_v / self.period_s - control_rate),
            (Watch::Trip, Modulator::PeakCurrent { gain_a_per_v, slope_a_per_s, .. }) => {
                Some(current_rate() + slope_a_per_s - gain_a_per_v * control_rate)
            }
            (Watch::Trip, _) => None,
            (Watch::Limit, _) => Some(current_rate()),
            (Watch::Falls, _) => Some(-rate[0]),
            (Watch::Rises, _) => Some(rate[0]),
            (Watch::ReachHigh, _) => Some(control_rate),
            (Watch::ReachLow, _) => Some(-control_rate),
            (Watch::Leave, _) => None,
        }
    }

    /// Control voltage in V (or its rate, from rates), 0 in an open loop.
    fn control_v(&self, y: &[f64]) -> f64 {
        match self.circuit.board.control.compensator {
            Compensator::Open => 0.0,
            _ => y[self.first_amplifier],
        }
    }

    /// Whether the low side opens when its current ends.
    pub fn emulates_diode(&self) -> bool {
        matches!(self.circuit.board.stage.low_side, LowSide::Switch { emulation: true, .. })
    }

    /// Everything that is sampled.
    pub fn sample(&self, time_s: f64, setting: &Setting, t_s: f64, y: &[f64], former: &Cell<f64>) -> Sample {
        let point = self.point(setting, t_s, y, former);
        Sample {
            time_s,
            output_v: point.output_v,
            instrument_v: if self.circuit.instrument { y[self.states - 1] } else { point.output_v },
            current_a: point.current_a,
            load_a: point.load_a,
            switch_v: point.switch_v,
            control_v: self.control_v(y),
        }
    }
}
