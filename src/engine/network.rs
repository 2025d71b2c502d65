//! The affine network of one mode: which switches conduct, on which piece of the saturation curve the
//! inductor is, and in which state the amplifier and the load are.
//!
//! Equations: docs/physics.md, "power stage", "capacitor bank", "load".

use super::cancel::Cancel;
use super::compensator::{self, Analog};
use super::row::{Input, Row};
use crate::board::{Board, LimitSense, LoadKind, LowSide};
use crate::parts::CapacitorBranch;
use crate::parts::saturation::FluxTable;

/// Which way the inductor current takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Path {
    /// Through the high-side switch.
    High,
    /// Through the low-side switch.
    Low,
    /// Through the low-side diode or body diode.
    LowDiode,
    /// Backwards through the body diode of the high side into the source.
    HighDiode,
    /// Nowhere: no current.
    Idle,
}

/// How much of the programmed load current is drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Sink {
    /// All of it.
    Full,
    /// What the knee's conductance lets through: the output is too low for more.
    Knee,
    /// Nothing: the output is not above zero.
    Off,
}

/// Everything that selects one set of matrices.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct ModeKey {
    /// Way of the current.
    pub path: Path,
    /// Piece of the saturation curve, with the sign of the flux linkage; piece 0 holds both signs.
    pub segment: i32,
    /// State of the amplifier.
    pub analog: Analog,
    /// Cell of the output voltage about which a constant-power load is linearised; 0 for other loads.
    pub load_cell: i32,
    /// How much of the programmed load current is drawn.
    pub sink: Sink,
    /// Whether the output is shorted.
    pub shorted: bool,
}

/// Which of the three thresholds of a current limit a run has.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LimitLevel {
    /// Lowest.
    Lowest,
    /// Typical.
    Typical,
    /// Highest.
    Highest,
}

/// Board and part reduced to what the network needs, for one run.
#[derive(Clone, Debug)]
pub struct Circuit {
    /// Board.
    pub board: Board,
    /// Capacitor branches with the capacitances of this run.
    pub bank: Vec<CapacitorBranch>,
    /// Current against flux linkage at the winding temperature.
    pub flux: FluxTable,
    /// Winding resistance at the winding temperature in ohm.
    pub dcr_ohm: f64,
    /// Input voltage in V.
    pub source_v: f64,
    /// Conductance of a resistive load in S.
    pub load_s: f64,
    /// Power of a constant-power load in W.
    pub load_w: f64,
    /// Threshold of the current limit.
    pub limit_level: LimitLevel,
    /// Resistance in ohm and inductance in H of a load with its leads: beside a bank that is all inductive a bare resistor would
    /// settle within picoseconds.
    pub resistor: Option<(f64, f64)>,
    /// Resistance in ohm and inductance in H of a short circuit at the output that the run's program may close.
    pub short: Option<(f64, f64)>,
    /// Whether the 20 MHz instrument is part of the network.
    pub instrument: bool,
    /// Frequency in Hz of a sine that is added to the comparator's signal, as a loop analyser does. The sine is the last state
    /// but one, its cosine the last: a run starts it by its state.
    pub probe_hz: Option<f64>,
    /// Stops the runs of this circuit.
    pub cancel: Cancel,
}

/// Time in s in which the current of a short circuit ends when its contact opens: short against a period.
const SHORT_OPENS_S: f64 = 1e-7;
/// Relative width of a cell about which a constant-power load is linearised.
const LOAD_CELL: f64 = 0.01;
/// Lowest cell in which a constant-power load is linearised: at a tenth of the output aimed at. Below it the load is the
/// conductance that draws the same there.
const LOWEST_CELL: i32 = -90;
/// Output voltage below which the full load current is no longer drawn, as a share of the output aimed at: an electronic load has a
/// least resistance, and a regulator behind the board a least input (common practice).
pub const LOAD_KNEE: f64 = 0.05;

impl Circuit {
    /// Circuit of a board with a part, reduced to `flux` and `dcr_ohm`, at an input voltage and a steady load.
    pub fn new(board: &Board, flux: FluxTable, dcr_ohm: f64, source_v: f64, load_a: f64) -> Circuit {
        let (load_s, load_w) = match board.load_kind {
            LoadKind::Current => (0.0, 0.0),
            LoadKind::Resistance => (load_a / board.output_v, 0.0),
            LoadKind::Power => (0.0, load_a * board.output_v),
        };
        Circuit {
            board: board.clone(),
            bank: board.output_bank.clone(),
            flux,
            dcr_ohm,
            source_v,
            load_s,
            load_w,
            limit_level: LimitLevel::Typical,
            resistor: None,
            short: None,
            instrument: true,
            probe_hz: None,
            cancel: Cancel::default(),
        }
    }

    /// Threshold of the current limit in A, or of one sensed on the winding in V; infinite without a limit.
    pub fn limit_threshold(&self) -> f64 {
        let Some(limit) = self.board.control.protection.current_limit else { return f64::INFINITY };
        match self.limit_level {
            LimitLevel::Lowest => limit.threshold.0,
            LimitLevel::Typical => limit.threshold.1,
            LimitLevel::Highest => limit.threshold.2,
        }
    }

    /// Resistor in ohm and capacitor in F across the inductor of a limit that is sensed on the winding.
    pub fn winding_sense(&self) -> Option<(f64, f64)> {
        match self.board.control.protection.current_limit?.sense {
            LimitSense::Winding { r_ohm, c_f } => Some((r_ohm, c_f)),
            _ => None,
        }
    }

    /// Current that the load program draws when the steady load is `load_a`: the rest is drawn by conductance or power.
    pub fn program_a(&self, load_a: f64) -> f64 {
        let output_v = self.board.output_v;
        load_a - self.load_s * output_v - self.load_w / output_v - self.resistor.map_or(0.0, |(ohm, _)| output_v / ohm)
    }

    /// On-resistance of the high side in ohm, warm.
    pub fn high_side_ohm(&self) -> f64 {
        self.board.stage.high_side_ohm * self.board.stage.hot_factor
    }

    /// On-resistance of the low side in ohm, warm; 0 for a diode.
    pub fn low_side_ohm(&self) -> f64 {
        match self.board.stage.low_side {
            LowSide::Switch { on_ohm, .. } => on_ohm * self.board.stage.hot_factor,
            LowSide::Diode { .. } => 0.0,
        }
    }

    /// Forward voltage in V and slope resistance in ohm of the diode that conducts in dead time or as the low side.
    pub fn diode(&self) -> (f64, f64) {
        match self.board.stage.low_side {
            LowSide::Switch { body_diode_v, .. } => (body_diode_v, 0.0),
            LowSide::Diode { forward_v, slope_ohm } => (forward_v, slope_ohm),
        }
    }

    /// Dead time in s; 0 for a diode.
    pub fn dead_time_s(&self) -> f64 {
        match self.board.stage.low_side {
            LowSide::Switch { dead_time_s, .. } => dead_time_s,
            LowSide::Diode { .. } => 0.0,
        }
    }

    /// Output voltage at the centre of a load cell in V.
    fn cell_centre_v(&self, cell: i32) -> f64 {
        self.board.output_v * (1.0 + LOAD_CELL * f64::from(cell))
    }

    /// Cell of a constant-power load for an output voltage; 0 for other loads.
    pub fn load_cell(&self, output_v: f64) -> i32 {
        if self.load_w == 0.0 {
            return 0;
        }
        let cell = (((output_v / self.board.output_v - 1.0) / LOAD_CELL).round() as i32).max(LOWEST_CELL - 1);
        // Cells meet a little below the middle between their centres.
        let (low_v, high_v) = self.cell_edges_v(cell);
        if output_v > high_v {
            cell + 1
        } else if output_v < low_v {
            cell - 1
        } else {
            cell
        }
    }

    /// Output voltages in V at which the linearisation of a constant-power load changes to the next cell: where both draw the same, so
    /// that the current does not jump.
    pub fn cell_edges_v(&self, cell: i32) -> (f64, f64) {
        let low_v = if cell < LOWEST_CELL { f64::NEG_INFINITY } else { self.cells_meet_v(cell - 1) };
        (low_v, self.cells_meet_v(cell))
    }

    /// Where the tangents of a cell and the next one up meet, in V: the harmonic mean of their centres.
    fn cells_meet_v(&self, cell: i32) -> f64 {
        let (below_v, above_v) = (self.cell_centre_v(cell), self.cell_centre_v(cell + 1));
        2.0 * below_v * above_v / (below_v + above_v)
    }

    /// Conductance in S through which the programmed current is drawn at a low output; `None` where nothing is programmed.
    pub fn knee_s(&self) -> Option<f64> {
        let full_a = self.board.load_a.last().copied().unwrap_or(0.0);
        (self.resistor.is_none() && full_a > 0.0).then(|| full_a / (LOAD_KNEE * self.board.output_v))
    }

    /// Largest relative error of the current of a constant-power load by its linearisation where the output does not fall
    /// below a voltage: ((v - v_c) / v_c)^2 at the lower edge of that voltage's cell.
    pub fn load_linearisation_error(&self, lowest_v: f64) -> f64 {
        if self.load_w == 0.0 {
            return 0.0;
        }
        let cell = self.load_cell(lowest_v).max(LOWEST_CELL);
        (self.cells_meet_v(cell - 1) / self.cell_centre_v(cell) - 1.0).powi(2)
    }

    /// Conductance in S and additional current in A of the load in a cell.
    pub fn load_line(&self, cell: i32) -> (f64, f64) {
        if self.load_w == 0.0 {
            return (self.load_s, 0.0);
        }
        let v = self.cell_centre_v(cell.max(LOWEST_CELL));
        if cell < LOWEST_CELL {
            let edge_v = self.cell_edges_v(LOWEST_CELL).0;
            return (self.load_s + (2.0 * self.load_w / v - self.load_w / (v * v) * edge_v) / edge_v, 0.0);
        }
        (self.load_s - self.load_w / (v * v), 2.0 * self.load_w / v)
    }
}

/// Affine equations of one mode.
#[derive(Clone, Debug)]
pub struct Network {
    /// Number of states.
    pub states: usize,
    /// Number of states of the power stage, which come first.
    pub plant_states: usize,
    /// Time derivative of each state.
    pub derivative: Vec<Row>,
    /// Inductor current in A.
    pub inductor_a: Row,
    /// Output voltage in V.
    pub output_v: Row,
    /// Output voltage as the instrument shows it, in V.
    pub instrument_v: Row,
    /// Switch-node voltage in V.
    pub switch_v: Row,
    /// Control voltage in V.
    pub control_v: Row,
    /// Signal of a loop analyser at the comparator.
    pub probe: Row,
    /// Drive of the amplifier's output.
    pub drive: Row,
    /// Voltage in V of a limit that is sensed on the winding; zero without one.
    pub sense_v: Row,
    /// Current into the load in A, all kinds and a short circuit together.
    pub load_a: Row,
    /// Voltage in V that a load reads which follows the output: the output itself, or with inductance in every branch what is behind the
    /// least of them, since no such load follows what rings within nanoseconds.
    pub load_v: Row,
    /// Current into each capacitor branch in A.
    pub branch_a: Vec<Row>,
    /// Index of the state that holds each branch's capacitor voltage.
    pub branch_state: Vec<usize>,
}

/// Index of the flux linkage among the states.
pub const FLUX_STATE: usize = 0;

/// Which branches have their own current state: every branch with inductance, but one of them follows from
/// Kirchhoff's current law where there is no other kind.
pub(super) fn current_states(bank: &[CapacitorBranch]) -> Vec<bool> {
    let mut own: Vec<bool> = bank.iter().map(|branch| branch.esl_h > 0.0).collect();
    if own.iter().all(|&has| has) {
        *own.last_mut().expect("a bank has at least one branch") = false;
    }
    own
}

/// Branch that is nearest to the output: least inductance.
pub fn nearest_branch(bank: &[CapacitorBranch]) -> usize {
    (0..bank.len()).min_by(|&a, &b| bank[a].esl_h.total_cmp(&bank[b].esl_h)).expect("a bank has at least one branch")
}

/// Index of the current of a resistor with its leads, where there is one.
pub(super) fn resistor_state(circuit: &Circuit) -> usize {
    let own = current_states(&circuit.bank);
    1 + circuit.bank.len() + own.iter().filter(|&&has| has).count()
}

/// Number of states of the power stage.
fn plant_state_count(circuit: &Circuit) -> usize {
    resistor_state(circuit) + usize::from(circuit.resistor.is_some()) + usize::from(circuit.short.is_some())
}

/// Index of the first state of the compensator.
pub fn compensator_state(circuit: &Circuit) -> usize {
    plant_state_count(circuit)
}

/// Index of the voltage of a limit that is sensed on the winding, where there is one.
pub fn sense_state(circuit: &Circuit) -> usize {
    compensator_state(circuit) + compensator::state_count(&circuit.board.control.compensator)
}

/// Index of the instrument's reading, where there is an instrument.
pub fn instrument_state(circuit: &Circuit) -> usize {
    sense_state(circuit) + usize::from(circuit.winding_sense().is_some())
}

/// Number of states of the whole network.
pub fn state_count(circuit: &Circuit) -> usize {
    instrument_state(circuit) + usize::from(circuit.instrument) + if circuit.probe_hz.is_some() { 2 } else { 0 }
}

/// Inductor current on a piece of the saturation curve, and its slope 1/L in A/Wb.
fn inductor_current(flux: &FluxTable, segment: i32) -> (Row, f64) {
    let piece = flux.segment(segment.unsigned_abs() as usize);
    let sign = f64::from(segment.signum());
    let row = Row::state(FLUX_STATE) * piece.slope_a_per_wb + Row::constant(sign * piece.offset_a);
    (row, piece.slope_a_per_wb)
}

/// Switch-node voltage with the current known; `None` when nothing conducts.
fn switch_voltage(circuit: &Circuit, path: Path, current: &Row) -> Option<Row> {
    let source = Row::input(Input::Source);
    let (diode_v, diode_ohm) = circuit.diode();
    match path {
        Path::High => Some(source - *current * circuit.high_side_ohm()),
        Path::Low => Some(-(*current * circuit.low_side_ohm())),
        Path::LowDiode => Some(-(*current * diode_ohm) - Row::constant(diode_v)),
        Path::HighDiode => Some(source + Row::constant(diode_v)),
        Path::Idle => None,
    }
}

/// The power stage of a mode while it is written down: what is known before the output voltage is.
struct PowerStage<'a> {
    circuit: &'a Circuit,
    key: ModeKey,
    /// Conductance of the load in S.
    conductance_s: f64,
    inductor_a: Row,
    /// Slope of the inductor current in flux linkage in A/Wb; 0 without current.
    slope_a_per_wb: f64,
    /// Switch-node voltage, where something conducts.
    driven_v: Option<Row>,
    /// Capacitor voltages.
    voltage_v: Vec<Row>,
    resistor_a: Row,
    short_a: Row,
    /// Current into the load that does not follow the output.
    sink_a: Row,
    /// Currents of the branches that are states.
    stateful_a: Vec<Option<Row>>,
    /// Number of states.
    states: usize,
}

impl<'a> PowerStage<'a> {
    fn new(circuit: &'a Circuit, key: ModeKey) -> PowerStage<'a> {
        let (load_s, extra_a) = circuit.load_line(key.load_cell);
        let knee_s = if key.sink == Sink::Knee { circuit.knee_s().unwrap_or(0.0) } else { 0.0 };
        let (inductor_a, slope_a_per_wb) = match key.path {
            Path::Idle => (Row::ZERO, 0.0),
            _ => inductor_current(&circuit.flux, key.segment),
        };
        let mut states = 1 + circuit.bank.len();
        let mut next_state = |is_there: bool| {
            states += usize::from(is_there);
            is_there.then(|| Row::state(states - 1))
        };
        let stateful_a = current_states(&circuit.bank).into_iter().map(&mut next_state).collect();
        let resistor_a = next_state(circuit.resistor.is_some()).unwrap_or(Row::ZERO);
        let short_a = next_state(circuit.short.is_some()).unwrap_or(Row::ZERO);
        PowerStage {
            circuit,
            key,
            conductance_s: load_s + knee_s,
            inductor_a,
            slope_a_per_wb,
            driven_v: switch_voltage(circuit, key.path, &inductor_a),
            voltage_v: (0..circuit.bank.len()).map(|k| Row::state(1 + k)).collect(),
            resistor_a,
            short_a,
            sink_a: programmed(key, Input::Load) + Row::constant(extra_a) + resistor_a + short_a,
            stateful_a,
            states,
        }
    }

    /// Current that is left for the load that follows the output and for the branches whose currents are no states.
    fn free_a(&self) -> Row {
        let stateful = self.stateful_a.iter().flatten().fold(Row::ZERO, |sum, row| sum + *row);
        self.inductor_a - self.sink_a - stateful
    }

    /// Output voltage, the voltage that the load reads, and the current of each branch.
    fn output(&self) -> (Row, Row, Vec<Row>) {
        let bank = &self.circuit.bank;
        let ideal = (0..bank.len()).find(|&k| bank[k].esl_h == 0.0 && bank[k].esr_ohm == 0.0);
        let eliminated = (0..bank.len()).find(|&k| bank[k].esl_h > 0.0 && self.stateful_a[k].is_none());
        if let Some(k) = eliminated {
            return self.behind_inductances(k);
        }
        let output_v = ideal.map_or_else(|| self.across_resistances(), |k| self.voltage_v[k]);
        let mut branch_a: Vec<Row> = (0..bank.len())
            .map(|k| self.stateful_a[k].unwrap_or_else(|| (output_v - self.voltage_v[k]) * (1.0 / bank[k].esr_ohm)))
            .collect();
        if let Some(k) = ideal {
            branch_a[k] = Row::ZERO;
            let others = branch_a.iter().fold(Row::ZERO, |sum, row| sum + *row);
            branch_a[k] = self.inductor_a - self.sink_a - output_v * self.conductance_s - others;
        }
        (output_v, output_v, branch_a)
    }

    /// Kirchhoff's current law, solved for the voltage across the purely resistive branches and the load.
    fn across_resistances(&self) -> Row {
        let (mut sum, mut weight) = (self.free_a(), self.conductance_s);
        for (k, branch) in self.circuit.bank.iter().enumerate().filter(|(_, branch)| branch.esl_h == 0.0) {
            sum = sum + self.voltage_v[k] * (1.0 / branch.esr_ohm);
            weight += 1.0 / branch.esr_ohm;
        }
        sum * (1.0 / weight)
    }

    /// With inductance in every branch the current of the one without a state follows from the law itself, the output from the
    /// law differentiated. A load that follows the output reads it behind the least inductance.
    fn behind_inductances(&self, eliminated: usize) -> (Row, Row, Vec<Row>) {
        let bank = &self.circuit.bank;
        let (n, free, g) = (nearest_branch(bank), self.free_a(), self.conductance_s);
        let read_of = |current: Row| self.voltage_v[n] + current * bank[n].esr_ohm;
        let left = match self.stateful_a[n] {
            None => (free - self.voltage_v[n] * g) * (1.0 / (1.0 + g * bank[n].esr_ohm)),
            Some(nearest) => free - read_of(nearest) * g,
        };
        let mut branch_a: Vec<Row> = self.stateful_a.iter().map(|current| current.unwrap_or(Row::ZERO)).collect();
        branch_a[eliminated] = left;
        let (nearest_a, load_v) = (branch_a[n], read_of(branch_a[n]));
        let across = self
            .driven_v
            .map_or(Row::ZERO, |v_sw| (v_sw - self.inductor_a * self.circuit.dcr_ohm) * self.slope_a_per_wb);
        let follows = g * bank[n].esr_ohm / bank[n].esl_h;
        let mut sum =
            across - programmed(self.key, Input::LoadSlew) - nearest_a * (g / bank[n].capacitance_f) + load_v * follows;
        let mut weight = self.slope_a_per_wb + follows;
        let mut add = |behind_v: Row, henry: f64| {
            sum = sum + behind_v * (1.0 / henry);
            weight += 1.0 / henry;
        };
        for (k, branch) in bank.iter().enumerate() {
            add(self.voltage_v[k] + branch_a[k] * branch.esr_ohm, branch.esl_h);
        }
        if let Some((ohm, henry)) = self.circuit.resistor {
            add(self.resistor_a * ohm, henry);
        }
        match self.circuit.short {
            Some((ohm, henry)) if self.key.shorted => add(self.short_a * ohm, henry),
            _ => sum = sum + self.short_a * (1.0 / SHORT_OPENS_S),
        }
        (sum * (1.0 / weight), load_v, branch_a)
    }

    /// Rates of the states of the power stage.
    fn derivative(&self, output_v: Row, branch_a: &[Row]) -> Vec<Row> {
        let bank = &self.circuit.bank;
        let across = |v_sw: Row| v_sw - self.inductor_a * self.circuit.dcr_ohm - output_v;
        let mut rates = vec![self.driven_v.map_or(Row::ZERO, across)];
        rates.extend(branch_a.iter().zip(bank).map(|(current, branch)| *current * (1.0 / branch.capacitance_f)));
        for k in (0..bank.len()).filter(|&k| self.stateful_a[k].is_some()) {
            let behind_v = self.voltage_v[k] + branch_a[k] * bank[k].esr_ohm;
            rates.push((output_v - behind_v) * (1.0 / bank[k].esl_h));
        }
        if let Some((ohm, henry)) = self.circuit.resistor {
            rates.push((output_v - self.resistor_a * ohm) * (1.0 / henry));
        }
        if let Some((ohm, henry)) = self.circuit.short {
            let closed = (output_v - self.short_a * ohm) * (1.0 / henry);
            rates.push(if self.key.shorted { closed } else { -self.short_a * (1.0 / SHORT_OPENS_S) });
        }
        rates
    }
}

/// A programmed input of the load, where all of it is drawn.
fn programmed(key: ModeKey, input: Input) -> Row {
    if key.sink == Sink::Full { Row::input(input) } else { Row::ZERO }
}

/// Adds a first-order low-pass of a signal with a corner in rad/s; its reading.
fn low_pass(derivative: &mut Vec<Row>, signal: Row, corner_per_s: f64) -> Row {
    let reading = Row::state(derivative.len());
    derivative.push((signal - reading) * corner_per_s);
    reading
}

/// Builds the network of a mode.
pub fn assemble(circuit: &Circuit, key: ModeKey) -> Network {
    let stage = PowerStage::new(circuit, key);
    let (output_v, load_v, branch_a) = stage.output();
    let switch_v = stage.driven_v.unwrap_or(output_v);
    let mut derivative = stage.derivative(output_v, &branch_a);
    let control = &circuit.board.control;
    let ratio = compensator::reference_v(&control.compensator) / circuit.board.output_v;
    let amplifier = compensator::rows(&control.compensator, stage.states, (&output_v, &switch_v), ratio, key.analog);
    derivative.extend(amplifier.derivative);
    let sense_v = circuit
        .winding_sense()
        .map_or(Row::ZERO, |(r_ohm, c_f)| low_pass(&mut derivative, switch_v - output_v, 1.0 / (r_ohm * c_f)));
    let instrument_per_s = std::f64::consts::TAU * circuit.board.procedure.instrument_hz;
    let instrument_v =
        if circuit.instrument { low_pass(&mut derivative, output_v, instrument_per_s) } else { output_v };
    let probe = circuit.probe_hz.map_or(Row::ZERO, |hz| {
        let (sine, cosine) = (Row::state(derivative.len()), Row::state(derivative.len() + 1));
        derivative.push(cosine * (std::f64::consts::TAU * hz));
        derivative.push(-sine * (std::f64::consts::TAU * hz));
        sine
    });
    Network {
        states: derivative.len(),
        plant_states: stage.states,
        derivative,
        inductor_a: stage.inductor_a,
        output_v,
        instrument_v,
        switch_v,
        control_v: amplifier.control,
        probe,
        drive: amplifier.drive,
        sense_v,
        load_a: stage.sink_a + load_v * stage.conductance_s,
        load_v,
        branch_a,
        branch_state: (1..=circuit.bank.len()).collect(),
    }
}
