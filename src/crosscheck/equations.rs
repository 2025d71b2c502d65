//! The nonlinear circuit equations, written out as one would on paper.
//!
//! States, in the exact engine's order: flux linkage, capacitor voltages, currents of the branches with inductance, currents
//! of a resistor with leads and of a short circuit, amplifier or ripple network, voltage of a limit sensed on the winding, instrument. The flux linkage is divided by the inductance at zero current, so that every
//! state is of the order of volts or amperes and one absolute tolerance fits all.

use crate::board::{Compensator, Injection, LimitSense, LowSide, Modulator, Ramp};
use crate::engine::compensator::Analog;
use crate::engine::error::EngineError;
use crate::engine::network::{Circuit, Path};
use crate::engine::program::Line;
use crate::engine::row::{MAX_STATES, StateVector};
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
/// Time constant in s with which the current of a short circuit ends when its contact opens.
const CONTACT_OPENS_S: f64 = 1e-7;
/// Voltage in V beyond its forward voltage at which a diode begins to conduct, and the flux linkage with which it does, as a part
/// of the output's volt-seconds in a period: next to none.
const WAKE_V: f64 = 1e-3;
const WAKE_FLUX: f64 = 1e-9;
/// Share of the output aimed at below which a constant-power load is a resistance.
const POWER_ENDS: f64 = 2.0 * 0.09 * 0.1 / (0.09 + 0.1);
/// Step for rates by differences as a part of the period: its square, by which they are off, is nothing beside them.
const DIFFERENCE_STEP: f64 = 1e-6;
/// Most branches of a bank that can occur with the states there are.
/// Largest number of states for which the integration is compiled.
pub const MOST_STATES: usize = 16;
const MOST_BRANCHES: usize = MOST_STATES;

/// What holds during one stretch between two instants. Lines begin with the stretch.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Setting {
    /// Way of the inductor current.
    pub path: Path,
    /// State of the amplifier's output.
    pub amplifier: Analog,
    /// Programmed load current in A.
    pub load_a: Line,
    /// Input voltage in V.
    pub source_v: Line,
    /// Reference of the control in V.
    pub reference_v: Line,
    /// Slope of the modulator's ramp in V/s.
    pub ramp_v_per_s: f64,
    /// Whether the output is shorted.
    pub shorted: bool,
    /// Time of the begin after the clock edge in s.
    pub phase_s: f64,
}

/// Value of a line some time after its begin.
#[inline]
fn along(line: Line, t_s: f64) -> f64 {
    line.value + line.slope_per_s * t_s
}

/// What may end a stretch: a quantity that becomes non-negative.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Watch {
    /// The modulator's comparator.
    Trip,
    /// The comparator of a control without a clock asks for a turn-on.
    Ask,
    /// The current limit.
    Limit,
    /// The current has fallen to the valley limit.
    Valley,
    /// A positive current ends.
    Falls,
    /// A negative current ends.
    Rises,
    /// Without current: the low side's diode begins to conduct.
    WakeLow,
    /// Without current: the high side's diode begins to conduct.
    WakeHigh,
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
pub(crate) struct Point {
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

/// What a load draws.
#[derive(Clone, Copy, Debug)]
struct Drawn {
    /// Current in A.
    drawn_a: f64,
    /// By how much it grows with the voltage in S.
    per_v_s: f64,
    /// Whether all that is programmed is drawn.
    whole: bool,
}

/// The circuit reduced to what the equations need.
pub(crate) struct Equations {
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
    /// Position of the current of a resistor with leads among the states.
    resistor_state: Option<usize>,
    /// Position of a short circuit's current among the states.
    short_state: Option<usize>,
    first_amplifier: usize,
    /// Position and time constant in s of the voltage of a limit that is sensed on the winding.
    sense: Option<(usize, f64)>,
}

impl Equations {
    /// Equations of a circuit on a smooth curve.
    pub(crate) fn new(circuit: &Circuit, curve: FluxCurve) -> Result<Equations, EngineError> {
        let mut next = 1 + circuit.bank.len();
        let all_inductive = circuit.bank.iter().all(|b| b.esl_h > 0.0);
        let eliminates = all_inductive;
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
        let output = match ideal.first() {
            Some(&k) => Output::Ideal(k),
            None if eliminates => Output::Inductive,
            None => Output::Resistive,
        };
        let resistor_state = circuit.resistor.map(|_| next);
        next += usize::from(resistor_state.is_some());
        let short_state = circuit.short.map(|_| next);
        next += usize::from(short_state.is_some());
        let amplifier_states = match &circuit.board.control.compensator {
            Compensator::Open => 0,
            Compensator::Ripple { injection, .. } => 1 + usize::from(injection.is_some()),
            Compensator::Transconductance { .. } => 2,
            Compensator::OpAmp { lead: Some(_), c2_f, .. } => 3 + usize::from(*c2_f > 0.0),
            Compensator::OpAmp { lead: None, c2_f, .. } => 2 + usize::from(*c2_f > 0.0),
        };
        let sense = circuit.winding_sense().map(|(r_ohm, c_f)| (next + amplifier_states, r_ohm * c_f));
        Ok(Equations {
            states: next + amplifier_states + usize::from(sense.is_some()) + usize::from(circuit.instrument),
            period_s: 1.0 / circuit.board.frequency_hz,
            unit_h: curve.inductance_h(0.0),
            high_ohm: circuit.high_side_ohm(),
            low_ohm: circuit.low_side_ohm(),
            diode: circuit.diode(),
            resistor_state,
            short_state,
            first_amplifier: next,
            sense,
            circuit: circuit.clone(),
            curve,
            branches,
            output,
        })
    }

    /// States to integrate from the exact engine's states.
    pub(crate) fn scaled(&self, x: &StateVector) -> StateVector {
        let mut y = *x;
        y[0] /= self.unit_h;
        if let Some((low_v, high_v)) = self.clamp_v() {
            y[self.first_amplifier] = y[self.first_amplifier].clamp(low_v, high_v);
        }
        y
    }

    /// States before a start (in the exact engine's order): the output at a voltage, no inductor current, the amplifier's output
    /// at its lower clamp, no current in any capacitor but the share of a resistive or constant-power load.
    pub(crate) fn at_rest(&self, output_v: f64) -> StateVector {
        let mut x = [0.0; MAX_STATES];
        let total_f: f64 = self.branches.iter().map(|branch| branch.capacitance_f).sum();
        let power_a = if self.circuit.load_w > 0.0 { self.circuit.load_w / output_v } else { 0.0 };
        let resistor_a = self.circuit.resistor.map_or(0.0, |(ohm, _)| output_v / ohm);
        if let Some(state) = self.resistor_state {
            x[state] = resistor_a;
        }
        let drawn_a = self.circuit.load_s * output_v + power_a + resistor_a;
        for (k, branch) in self.branches.iter().enumerate() {
            x[1 + k] = output_v;
            if let Some(state) = branch.current_state {
                x[state] = -drawn_a * branch.capacitance_f / total_f;
            }
        }
        let a = self.first_amplifier;
        let low_v = self.clamp_v().map_or(0.0, |clamp_v| clamp_v.0);
        match &self.circuit.board.control.compensator {
            Compensator::Open => {}
            Compensator::Transconductance { .. } => x[a..a + 2].fill(low_v),
            Compensator::OpAmp { r1_ohm, rb_ohm, lead, c2_f, .. } => {
                let minus_v = output_v / (1.0 + r1_ohm / rb_ohm);
                let mut voltages = vec![low_v, minus_v - low_v];
                voltages.extend((*c2_f > 0.0).then_some(low_v - minus_v));
                voltages.extend(lead.map(|_| output_v - minus_v));
                x[a..a + voltages.len()].copy_from_slice(&voltages);
            }
            Compensator::Ripple { r1_ohm, rb_ohm, injection, .. } => {
                x[a] = output_v / (1.0 + rb_ohm / r1_ohm);
                if let Some(Injection::SwitchNode { .. }) = injection {
                    x[a + 1] = x[a];
                }
            }
        }
        if self.circuit.instrument {
            x[self.states - 1] = output_v;
        }
        x
    }

    /// The exact engine's states from the integrated ones.
    pub(crate) fn unscaled(&self, y: &[f64]) -> StateVector {
        let mut x = [0.0; MAX_STATES];
        x[..y.len()].copy_from_slice(y);
        x[0] *= self.unit_h;
        x
    }

    /// Position of the amplifier's output among the states.
    pub(crate) fn control_state(&self) -> usize {
        self.first_amplifier
    }

    /// Clamps of the control voltage in V.
    pub(crate) fn clamp_v(&self) -> Option<(f64, f64)> {
        match self.circuit.board.control.compensator {
            Compensator::Open | Compensator::Ripple { .. } => None,
            Compensator::OpAmp { clamp_v, .. } | Compensator::Transconductance { clamp_v, .. } => Some(clamp_v),
        }
    }

    /// Current at a scaled flux linkage: Newton's method from the former current. The flux linkage is concave
    /// in the current above zero, so the method comes from below without fail; otherwise the curve's own inverse is used.
    #[inline]
    pub(crate) fn current_a(&self, flux_scaled: f64, former: &Cell<f64>) -> f64 {
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

    /// Output voltage in V where every branch has inductance: the slopes of all currents add up to nothing.
    fn inductive_output_v(
        &self,
        setting: &Setting,
        (i, driven_v, programmed_a): (f64, f64, f64),
        (left_a, resistor_a, short_a): (f64, f64, f64),
        branch_a: &mut [f64; MOST_BRANCHES],
        y: &[f64],
    ) -> (f64, f64) {
        // The load reads what is behind the inductance of the nearest branch, v_n + r_n i_n.
        let n = self.nearest();
        let (nearest, last) = (self.branches[n], self.branches.len() - 1);
        let state_a = nearest.current_state.map(|state| y[state]);
        let (load, nearest_a) = self.inductive_load(programmed_a, left_a, y[1 + n], nearest.esr_ohm, state_a);
        branch_a[last] = if n == last { nearest_a } else { left_a - load.drawn_a };
        let per_h = if setting.path == Path::Idle { 0.0 } else { 1.0 / self.curve.inductance_h(i) };
        let program_a_per_s = if load.whole { setting.load_a.slope_per_s } else { 0.0 };
        let read_v = y[1 + n] + nearest.esr_ohm * nearest_a;
        let follows_a_per_s =
            load.per_v_s * (nearest_a / nearest.capacitance_f - nearest.esr_ohm * read_v / nearest.esl_h);
        let mut amperes_per_s = (driven_v - self.circuit.dcr_ohm * i) * per_h - program_a_per_s - follows_a_per_s;
        let mut conducting_per_h = per_h + load.per_v_s * nearest.esr_ohm / nearest.esl_h;
        for (k, branch) in self.branches.iter().enumerate() {
            amperes_per_s += (y[1 + k] + branch.esr_ohm * branch_a[k]) / branch.esl_h;
            conducting_per_h += 1.0 / branch.esl_h;
        }
        if let Some((ohm, henry)) = self.circuit.resistor {
            amperes_per_s += resistor_a * ohm / henry;
            conducting_per_h += 1.0 / henry;
        }
        match self.circuit.short {
            Some((ohm, henry)) if setting.shorted => {
                amperes_per_s += short_a * ohm / henry;
                conducting_per_h += 1.0 / henry;
            }
            _ => amperes_per_s += short_a / CONTACT_OPENS_S,
        }
        (amperes_per_s / conducting_per_h, load.drawn_a)
    }

    /// Solves the circuit at a time `t_s` of the stretch.
    #[inline]
    pub(crate) fn point(&self, setting: &Setting, t_s: f64, y: &[f64], former: &Cell<f64>) -> Point {
        let idle = setting.path == Path::Idle;
        let i = if idle { 0.0 } else { self.current_a(y[0], former) };
        let source_v = along(setting.source_v, t_s);
        let driven_v = match setting.path {
            Path::High => source_v - self.high_ohm * i,
            Path::Low => -self.low_ohm * i,
            Path::LowDiode => -self.diode.0 - self.diode.1 * i,
            Path::HighDiode => source_v + self.diode.0,
            Path::Idle => 0.0,
        };
        let short_a = self.short_state.map_or(0.0, |state| y[state]);
        let resistor_a = self.resistor_state.map_or(0.0, |state| y[state]);
        let programmed_a = along(setting.load_a, t_s);
        let sink_a = resistor_a + short_a;
        let mut branch_a = [0.0; MOST_BRANCHES];
        let mut left_a = i - sink_a;
        for (k, branch) in self.branches.iter().enumerate() {
            if let Some(state) = branch.current_state {
                branch_a[k] = y[state];
                left_a -= y[state];
            }
        }
        let mut inductive_load_a = 0.0;
        let output_v = match self.output {
            Output::Ideal(k) => y[1 + k],
            Output::Resistive => self.resistive_output_v(left_a, programmed_a, y),
            Output::Inductive => {
                let currents = (left_a, resistor_a, short_a);
                let found = self.inductive_output_v(setting, (i, driven_v, programmed_a), currents, &mut branch_a, y);
                inductive_load_a = found.1;
                found.0
            }
        };
        let load_a = sink_a
            + match self.output {
                Output::Inductive => inductive_load_a,
                _ => self.drawn(programmed_a, output_v).drawn_a,
            };
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

    /// Branch of least inductance, behind which a load reads the output that cannot follow the output itself.
    fn nearest(&self) -> usize {
        let mut nearest = 0;
        for (k, branch) in self.branches.iter().enumerate() {
            if branch.esl_h < self.branches[nearest].esl_h {
                nearest = k;
            }
        }
        nearest
    }

    /// The load behind the inductance of the nearest branch, and that branch's current: a state, or what the load leaves of `left_a`.
    fn inductive_load(
        &self,
        programmed_a: f64,
        left_a: f64,
        capacitor_v: f64,
        esr_ohm: f64,
        state_a: Option<f64>,
    ) -> (Drawn, f64) {
        if let Some(current_a) = state_a {
            return (self.drawn(programmed_a, capacitor_v + esr_ohm * current_a), current_a);
        }
        // left = i + drawn(v + r i): Newton's method, one step where the load is straight.
        let mut current_a = left_a - self.drawn(programmed_a, capacitor_v).drawn_a;
        for _ in 0..WARM_NEWTON_STEPS {
            let load = self.drawn(programmed_a, capacitor_v + esr_ohm * current_a);
            let excess_a = current_a + load.drawn_a - left_a;
            current_a -= excess_a / (1.0 + load.per_v_s * esr_ohm);
        }
        (self.drawn(programmed_a, capacitor_v + esr_ohm * current_a), current_a)
    }

    /// What a load draws that reads a voltage: programmed, resistive and of constant power together.
    fn drawn(&self, programmed_a: f64, read_v: f64) -> Drawn {
        let (power_a, power_s) = self.power_drawn(read_v);
        let (follows_a, follows_s) = (power_a + self.circuit.load_s * read_v, power_s + self.circuit.load_s);
        match self.circuit.knee_s().filter(|_| programmed_a > 0.0) {
            Some(knee_s) if knee_s * read_v < programmed_a && read_v > 0.0 => {
                Drawn { drawn_a: follows_a + knee_s * read_v, per_v_s: follows_s + knee_s, whole: false }
            }
            Some(knee_s) if knee_s * read_v < programmed_a => {
                Drawn { drawn_a: follows_a, per_v_s: follows_s, whole: false }
            }
            _ => Drawn { drawn_a: follows_a + programmed_a, per_v_s: follows_s, whole: true },
        }
    }

    /// Current in A of a constant-power load, and by how much it grows with the voltage in S.
    fn power_drawn(&self, read_v: f64) -> (f64, f64) {
        let ends_v = POWER_ENDS * self.circuit.board.output_v;
        if read_v > ends_v {
            (self.circuit.load_w / read_v, -self.circuit.load_w / (read_v * read_v))
        } else {
            let conductance_s = self.circuit.load_w / (ends_v * ends_v);
            (conductance_s * read_v, conductance_s)
        }
    }

    /// Output voltage from the current that the resistive branches and the load must take up: with all that is programmed, or
    /// through the knee, or without it.
    fn resistive_output_v(&self, left_a: f64, programmed_a: f64, y: &[f64]) -> f64 {
        let mut conductance_s = self.circuit.load_s;
        let mut short_circuit_a = left_a;
        for (k, branch) in self.branches.iter().enumerate() {
            if branch.esl_h == 0.0 {
                conductance_s += 1.0 / branch.esr_ohm;
                short_circuit_a += y[1 + k] / branch.esr_ohm;
            }
        }
        let whole_v = self.powered_output_v(short_circuit_a - programmed_a, conductance_s);
        let Some(knee_s) = self.circuit.knee_s() else { return whole_v };
        if knee_s * whole_v >= programmed_a {
            return whole_v;
        }
        let knee_v = self.powered_output_v(short_circuit_a, conductance_s + knee_s);
        if knee_v > 0.0 { knee_v } else { self.powered_output_v(short_circuit_a, conductance_s) }
    }

    /// Output voltage of a source with a conductance and perhaps a constant-power load: the upper root of a quadratic, since the
    /// lower one is beyond the load's point of collapse; where there is none the load is a resistance.
    fn powered_output_v(&self, short_circuit_a: f64, conductance_s: f64) -> f64 {
        if self.circuit.load_w == 0.0 {
            return short_circuit_a / conductance_s;
        }
        let ends_v = POWER_ENDS * self.circuit.board.output_v;
        let root_a = (short_circuit_a * short_circuit_a - 4.0 * conductance_s * self.circuit.load_w).sqrt();
        let upper_v = (short_circuit_a + root_a) / (2.0 * conductance_s);
        // Not a number where there is no root.
        if upper_v > ends_v {
            upper_v
        } else {
            short_circuit_a / (conductance_s + self.circuit.load_w / (ends_v * ends_v))
        }
    }

    /// Scaled flux linkage with which a diode begins to conduct after no current.
    pub(crate) fn waking_flux(&self) -> f64 {
        WAKE_FLUX * self.circuit.board.output_v * self.period_s / self.unit_h
    }

    /// Right side of the differential equations.
    #[inline]
    pub(crate) fn rates(&self, setting: &Setting, t_s: f64, y: &[f64], rate: &mut [f64], former: &Cell<f64>) {
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
        if let (Some(state), Some((ohm, henry))) = (self.resistor_state, self.circuit.resistor) {
            rate[state] = (point.output_v - ohm * y[state]) / henry;
        }
        if let (Some(state), Some((ohm, henry))) = (self.short_state, self.circuit.short) {
            let closed = (point.output_v - ohm * y[state]) / henry;
            rate[state] = if setting.shorted { closed } else { -y[state] / CONTACT_OPENS_S };
        }
        self.amplifier_rates(&point, along(setting.reference_v, t_s), y, rate);
        if setting.amplifier != Analog::Linear {
            rate[self.first_amplifier] = 0.0;
        }
        if let Some((state, time_s)) = self.sense {
            rate[state] = (point.switch_v - point.output_v - y[state]) / time_s;
        }
        if self.circuit.instrument {
            let last = self.states - 1;
            rate[last] = TAU * self.circuit.board.procedure.instrument_hz * (point.output_v - y[last]);
        }
    }

    /// Rates of the tap of ripple-based control and of what is injected there.
    fn ripple_rates(&self, point: &Point, y: &[f64], rate: &mut [f64]) {
        let Compensator::Ripple { r1_ohm, rb_ohm, cff_f, injection, .. } = &self.circuit.board.control.compensator
        else {
            return;
        };
        let (a, output_v) = (self.first_amplifier, point.output_v);
        let into_tap_a = |tap_v: f64| tap_v / rb_ohm - y[a] / r1_ohm;
        let left_a = into_tap_a(output_v - y[a]);
        let injected_a = match injection {
            None => 0.0,
            Some(Injection::SwitchNode { r_ohm, c_f }) => {
                let injected_a = (point.switch_v - y[a + 1] - (output_v - y[a])) / r_ohm;
                rate[a + 1] = injected_a / c_f;
                injected_a
            }
            Some(Injection::Inductor { r_ohm, c_f, coupling_f }) => {
                // The junction's voltage is the output and what is across its capacitor. The coupling capacitor lies between
                // junction and tap: i_B = C_B d/dt (v_A + v_ff), with both rates from the currents into the two nodes.
                let arriving_a = (point.switch_v - (output_v + y[a + 1])) / r_ohm;
                let free_v_per_s = arriving_a / c_f + left_a / cff_f;
                let coupled_a = coupling_f * free_v_per_s / (1.0 + coupling_f / c_f + coupling_f / cff_f);
                rate[a + 1] = (arriving_a - coupled_a) / c_f;
                coupled_a
            }
        };
        rate[a] = (left_a - injected_a) / cff_f;
    }

    /// Rates of the amplifier's states, its output taken as free.
    #[inline]
    fn amplifier_rates(&self, point: &Point, reference_now_v: f64, y: &[f64], rate: &mut [f64]) {
        let a = self.first_amplifier;
        let output_v = point.output_v;
        match &self.circuit.board.control.compensator {
            Compensator::Open => {}
            Compensator::Ripple { .. } => self.ripple_rates(point, y, rate),
            Compensator::Transconductance { reference_v, gm_s, ro_ohm, rc_ohm, cc_f, chf_f, .. } => {
                let sensed_v = output_v * reference_v / self.circuit.board.output_v;
                let series_a = (y[a] - y[a + 1]) / rc_ohm;
                rate[a] = (gm_s * (reference_now_v - sensed_v) - y[a] / ro_ohm - series_a) / chf_f;
                rate[a + 1] = series_a / cc_f;
            }
            Compensator::OpAmp { r1_ohm, rb_ohm, lead, r2_ohm, c1_f, c2_f, gain_bandwidth_hz, .. } => {
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
                rate[a] = TAU * gain_bandwidth_hz * (reference_now_v - v_minus);
                rate[a + 1] = feedback_a / c1_f;
                if has_c2 {
                    rate[a + 2] = (feedback_a - input_a) / c2_f;
                }
            }
        }
    }

    /// Value of a watched quantity, non-negative once its event has come.
    pub(crate) fn watched(&self, watch: Watch, setting: &Setting, t_s: f64, y: &[f64], former: &Cell<f64>) -> f64 {
        match watch {
            Watch::Trip => self.trip(setting, t_s, y, former),
            Watch::Ask => {
                let tap_v = self.point(setting, t_s, y, former).output_v - y[self.first_amplifier];
                along(setting.reference_v, t_s) - self.half_band_v() - tap_v
            }
            Watch::Limit => {
                let sensed = match (self.sense, self.limit_slope_a_per_s()) {
                    (Some((state, _)), _) => y[state],
                    (None, slope_a_per_s) => self.current_a(y[0], former) + slope_a_per_s * (setting.phase_s + t_s),
                };
                sensed - self.circuit.limit_threshold()
            }
            Watch::Valley => self.circuit.limit_threshold() - self.current_a(y[0], former),
            Watch::Falls => -y[0],
            Watch::Rises => y[0],
            Watch::WakeLow => -self.point(setting, t_s, y, former).output_v - self.diode.0 - WAKE_V,
            Watch::WakeHigh => {
                let above_v = self.point(setting, t_s, y, former).output_v - along(setting.source_v, t_s);
                above_v - self.diode.0 - WAKE_V
            }
            Watch::ReachHigh | Watch::ReachLow => {
                let (low_v, high_v) = self.clamp_v().unwrap_or((f64::NEG_INFINITY, f64::INFINITY));
                let v_c = y[self.first_amplifier];
                let excess_v = if watch == Watch::ReachHigh { v_c - high_v } else { low_v - v_c };
                excess_v - CLAMP_EXCESS_V
            }
            Watch::Leave => {
                let point = self.point(setting, t_s, y, former);
                let mut rate = [0.0; MOST_STATES];
                self.amplifier_rates(&point, along(setting.reference_v, t_s), y, &mut rate);
                let drive = rate[self.first_amplifier] / (TAU * self.circuit.board.procedure.instrument_hz);
                if setting.amplifier == Analog::ClampHigh { -drive } else { drive }
            }
        }
    }

    /// The modulator's comparator that opens the high side.
    fn trip(&self, setting: &Setting, t_s: f64, y: &[f64], former: &Cell<f64>) -> f64 {
        let phase_s = setting.phase_s + t_s;
        match self.circuit.board.control.modulator {
            Modulator::VoltageMode { .. } => setting.ramp_v_per_s * phase_s - self.control_v(y),
            Modulator::PeakCurrent { gain_a_per_v, slope_a_per_s, .. } => {
                self.current_a(y[0], former) + slope_a_per_s * phase_s - gain_a_per_v * self.control_v(y)
            }
            Modulator::Hysteretic { .. } => {
                let tap_v = self.point(setting, t_s, y, former).output_v - y[self.first_amplifier];
                tap_v - along(setting.reference_v, t_s) - self.half_band_v()
            }
            Modulator::FixedDuty { .. } | Modulator::ConstantOnTime { .. } => f64::NEG_INFINITY,
        }
    }

    /// Distance of a hysteretic comparator's thresholds from the reference in V; 0 for others.
    fn half_band_v(&self) -> f64 {
        match self.circuit.board.control.modulator {
            Modulator::Hysteretic { band_v, .. } => 0.5 * band_v,
            _ => 0.0,
        }
    }

    /// Slope in A/s by which the limit falls during the conduction.
    fn limit_slope_a_per_s(&self) -> f64 {
        let control = &self.circuit.board.control;
        let sense = control.protection.current_limit.map(|limit| limit.sense);
        match (sense, &control.modulator) {
            (Some(LimitSense::Peak { falls_with_slope: true }), Modulator::PeakCurrent { slope_a_per_s, .. }) => {
                *slope_a_per_s
            }
            _ => 0.0,
        }
    }

    /// Rate of a watched quantity. Where the rates of the states do not give it (the output voltage has no state), it is taken
    /// from a short way along them.
    pub(crate) fn watched_rate(
        &self,
        watch: Watch,
        setting: &Setting,
        t_s: f64,
        (y, rate): (&[f64], &[f64]),
        former: &Cell<f64>,
    ) -> f64 {
        let control_rate = self.control_v(rate);
        let current_rate = || {
            let i = self.current_a(y[0], former);
            rate[0] * self.unit_h / self.curve.inductance_h(i)
        };
        match (watch, &self.circuit.board.control.modulator) {
            (Watch::Trip, Modulator::VoltageMode { .. }) => setting.ramp_v_per_s - control_rate,
            (Watch::Trip, Modulator::PeakCurrent { gain_a_per_v, slope_a_per_s, .. }) => {
                current_rate() + slope_a_per_s - gain_a_per_v * control_rate
            }
            (Watch::Limit, _) => match self.sense {
                Some((state, _)) => rate[state],
                None => current_rate() + self.limit_slope_a_per_s(),
            },
            (Watch::Valley, _) => -current_rate(),
            (Watch::Falls, _) => -rate[0],
            (Watch::Rises, _) => rate[0],
            (Watch::ReachHigh, _) => control_rate,
            (Watch::ReachLow, _) => -control_rate,
            (Watch::Trip | Watch::Ask | Watch::Leave | Watch::WakeLow | Watch::WakeHigh, _) => {
                let step_s = DIFFERENCE_STEP * self.period_s;
                let mut ahead = [0.0; MOST_STATES];
                (0..y.len()).for_each(|k| ahead[k] = y[k] + step_s * rate[k]);
                let now = self.watched(watch, setting, t_s, y, former);
                (self.watched(watch, setting, t_s + step_s, &ahead[..y.len()], former) - now) / step_s
            }
        }
    }

    /// Control voltage in V (or its rate, from rates); 0 where there is no amplifier.
    pub(crate) fn control_v(&self, y: &[f64]) -> f64 {
        match self.circuit.board.control.compensator {
            Compensator::Open | Compensator::Ripple { .. } => 0.0,
            Compensator::OpAmp { .. } | Compensator::Transconductance { .. } => y[self.first_amplifier],
        }
    }

    /// Full reference in V; 0 in an open loop.
    pub(crate) fn full_reference_v(&self) -> f64 {
        match self.circuit.board.control.compensator {
            Compensator::Open => 0.0,
            Compensator::OpAmp { reference_v, .. }
            | Compensator::Transconductance { reference_v, .. }
            | Compensator::Ripple { reference_v, .. } => reference_v,
        }
    }

    /// Slope of the modulator's ramp in V/s after an edge at which the input was at a voltage.
    pub(crate) fn ramp_v_per_s(&self, input_v: f64) -> f64 {
        let amplitude_v = match self.circuit.board.control.modulator {
            Modulator::VoltageMode { ramp: Ramp::Fixed(amplitude_v), .. } => amplitude_v,
            Modulator::VoltageMode { ramp: Ramp::InputOver(n), .. } => input_v / n,
            _ => 0.0,
        };
        amplitude_v / self.period_s
    }

    /// Whether the low side opens when its current ends.
    pub(crate) fn emulates_diode(&self) -> bool {
        matches!(self.circuit.board.stage.low_side, LowSide::Switch { emulation: true, .. })
    }

    /// Everything that is sampled.
    pub(crate) fn sample(&self, time_s: f64, setting: &Setting, t_s: f64, y: &[f64], former: &Cell<f64>) -> Sample {
        let point = self.point(setting, t_s, y, former);
        Sample {
            time_s,
            output_v: point.output_v,
            instrument_v: if self.circuit.instrument { y[self.states - 1] } else { point.output_v },
            current_a: point.current_a,
            load_a: point.load_a,
            switch_v: point.switch_v,
            control_v: match self.circuit.board.control.compensator {
                Compensator::Ripple { .. } => point.output_v - y[self.first_amplifier],
                _ => self.control_v(y),
            },
        }
    }
}
