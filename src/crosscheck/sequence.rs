//! The switching sequence as an agenda: what is planned at which time after the clock edge, and which of it comes first.
//!
//! Conventions: docs/physics.md, "switching sequence".

use super::equations::{Equations, Setting, Watch};
use super::sampling::{Outcome, Sampling, Side};
use super::solver::{Passed, Solver};
use crate::board::{LimitSense, LowSide, Modulator};
use crate::engine::compensator::Analog;
use crate::engine::error::EngineError;
use crate::engine::machine::Begin;
use crate::engine::network::Path;
use crate::engine::program::{Instant, Line, Program};
use crate::measure::curves::Sample;
use nalgebra::SVector;

/// Stretches allowed in one cycle.
const STRETCHES_PER_CYCLE: usize = 1000;

/// Plans, as times after the present clock edge in s.
#[derive(Clone, Copy, Debug, Default)]
struct Agenda {
    /// The low side opens for a turn-on.
    turn_on_s: Option<f64>,
    high_on_s: Option<f64>,
    /// From then on the comparators are looked at while the high side conducts.
    look_s: f64,
    /// The modulator opens the high side.
    high_off_s: Option<f64>,
    /// The current limit opens it.
    limit_off_s: Option<f64>,
    /// End of a fixed conduction time.
    duty_off_s: Option<f64>,
    /// Earliest turn-off of the running pulse.
    least_s: f64,
    low_on_s: Option<f64>,
    /// Without a clock: from then on a turn-on may be asked for.
    ask_s: Option<f64>,
}

impl Agenda {
    /// The same plans seen from the next edge of a time base that nothing else depends on.
    fn seen_from_next_edge(self, period_s: f64) -> Agenda {
        let shifted = |at_s: Option<f64>| at_s.map(|at_s| at_s - period_s);
        Agenda {
            turn_on_s: shifted(self.turn_on_s),
            high_on_s: shifted(self.high_on_s),
            look_s: self.look_s - period_s,
            high_off_s: shifted(self.high_off_s),
            limit_off_s: shifted(self.limit_off_s),
            duty_off_s: shifted(self.duty_off_s),
            least_s: self.least_s - period_s,
            low_on_s: shifted(self.low_on_s),
            ask_s: shifted(self.ask_s),
        }
    }
}

/// Which driven switch conducts. For a diode `Low` only means that the high side is done.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Driven {
    High,
    Low,
    Neither,
}

/// What protects and starts the board: where it stands. Edges by their number.
#[derive(Clone, Copy, Debug, Default)]
struct Protection {
    /// Edge at which the reference began to rise.
    rises_from: Option<u64>,
    /// Edge at which a pause ends.
    pauses_until: Option<u64>,
    limited: bool,
    limited_in_a_row: u64,
    /// This cycle's pulse was left out by foldback.
    folded: bool,
    /// A turn-on that was asked for waits for the valley limit.
    held: bool,
    /// The high side has not closed since the start, or the pause, and the low side is left open.
    asleep: bool,
}

impl Protection {
    fn close_the_count(&mut self) {
        if self.folded {
            self.folded = false;
        } else if self.limited {
            self.limited_in_a_row += 1;
        } else {
            self.limited_in_a_row = 0;
        }
        self.limited = false;
    }
}

/// A run under way.
pub(crate) struct Run<'a, const N: usize> {
    solver: Solver<'a>,
    program: Program,
    sampling: Sampling,
    next_sample: u64,
    y: SVector<f64, N>,
    cycle: u64,
    phase_s: f64,
    driven: Driven,
    amplifier: Analog,
    agenda: Agenda,
    protection: Protection,
    /// Input voltage at the last clock edge in V.
    edge_input_v: f64,
    turn_offs: Vec<Instant>,
}

impl<'a, const N: usize> Run<'a, N> {
    pub(crate) fn new(
        equations: &'a Equations,
        tolerance: f64,
        begin: Begin,
        program: Program,
        sampling: Sampling,
    ) -> Self {
        let (x0, driven) = match begin {
            Begin::Clock(x) => (x, Driven::Low),
            Begin::Rest(output_v) => (equations.at_rest(output_v), Driven::Neither),
        };
        let scaled = equations.scaled(&x0);
        let mut run = Run {
            solver: Solver::new(equations, tolerance),
            program,
            sampling,
            next_sample: 0,
            y: SVector::from_fn(|i, _| scaled[i]),
            cycle: 0,
            phase_s: 0.0,
            driven,
            amplifier: Analog::Linear,
            agenda: Agenda::default(),
            protection: Protection::default(),
            edge_input_v: equations.circuit.source_v,
            turn_offs: vec![],
        };
        if let Begin::Rest(_) = begin {
            run.start_rising();
        }
        match begin {
            _ if run.has_clock() => run.decide_pulse(),
            Begin::Clock(_) => run.agenda.turn_on_s = Some(run.comparator_delay_s()),
            Begin::Rest(_) => run.agenda.ask_s = Some(0.0),
        }
        run
    }

    fn equations(&self) -> &'a Equations {
        self.solver.equations
    }

    fn has_clock(&self) -> bool {
        let modulator = &self.equations().circuit.board.control.modulator;
        !matches!(modulator, Modulator::ConstantOnTime { .. } | Modulator::Hysteretic { .. })
    }

    fn comparator_delay_s(&self) -> f64 {
        match self.equations().circuit.board.control.modulator {
            Modulator::FixedDuty { .. } => 0.0,
            Modulator::VoltageMode { delay_s, .. }
            | Modulator::PeakCurrent { delay_s, .. }
            | Modulator::ConstantOnTime { delay_s, .. }
            | Modulator::Hysteretic { delay_s, .. } => delay_s,
        }
    }

    /// Latest time for the high side to open; without a clock there is none.
    fn latest_off_s(&self) -> f64 {
        if !self.has_clock() {
            return f64::INFINITY;
        }
        let circuit = &self.equations().circuit;
        let by_clock_s = self.equations().period_s - circuit.board.control.min_off_s.max(circuit.dead_time_s());
        self.agenda.duty_off_s.map_or(by_clock_s, |off_s| off_s.min(by_clock_s))
    }

    pub(crate) fn go(mut self, cycles: u64, sink: &mut dyn FnMut(&Sample, Side)) -> Result<Outcome, EngineError> {
        let mut stretches = 0;
        while self.cycle < cycles {
            let before = self.cycle;
            self.stretch(sink)?;
            stretches += 1;
            if self.cycle != before {
                stretches = 0;
                if self.equations().circuit.cancel.is_cancelled() {
                    return Err(EngineError::Interrupted);
                }
            } else if stretches > STRETCHES_PER_CYCLE {
                let (cycle, phase_s) = (self.cycle, self.phase_s);
                return Err(EngineError::Chatter { cycle, phase_s });
            }
        }
        let x = self.equations().unscaled(self.y.as_slice());
        Ok(Outcome { x, turn_offs: self.turn_offs, steps: self.solver.steps.get() })
    }

    fn stretch(&mut self, sink: &mut dyn FnMut(&Sample, Side)) -> Result<(), EngineError> {
        let (setting, given_until_s) = self.setting();
        let (watches, count) = self.watches(setting.path);
        let planned_s = self.next_planned_s();
        let until_s = planned_s.min(given_until_s);
        let span_s = (until_s - self.phase_s).max(0.0);
        let passed = self.solver.pass(&setting, &watches[..count], span_s, self.y).map_err(|why| {
            let at = format!("cycle {}, {:.4e} s after the clock edge", self.cycle, self.phase_s);
            EngineError::CrossCheck(format!("{why} ({at})"))
        })?;
        self.take_samples(&setting, &passed, sink)?;
        self.y = passed.end;
        match passed.event {
            Some(watch) => {
                self.phase_s += passed.end_s;
                self.happens(watch);
            }
            None => {
                self.phase_s = until_s;
                if planned_s <= given_until_s {
                    self.carry_out();
                }
            }
        }
        Ok(())
    }

    /// What holds from now on, and until when by what is given from outside.
    fn setting(&mut self) -> (Setting, f64) {
        let equations = self.equations();
        let drive = self.program.at(self.cycle, self.phase_s, equations.period_s);
        let constant = |value| Line { value, slope_per_s: 0.0 };
        let (reference_v, rising_until_s) = self.reference();
        let setting = Setting {
            path: self.path(),
            amplifier: self.amplifier,
            load_a: drive.load_a,
            source_v: drive.source_v.unwrap_or(constant(equations.circuit.source_v)),
            reference_v,
            ramp_v_per_s: equations.ramp_v_per_s(self.edge_input_v),
            shorted: drive.shorted,
            phase_s: self.phase_s,
        };
        (setting, drive.until_s(self.cycle).min(rising_until_s))
    }

    /// Reference from now on, and the time after the clock edge until which that holds.
    fn reference(&self) -> (Line, f64) {
        let full_v = self.equations().full_reference_v();
        let constant = |value| (Line { value, slope_per_s: 0.0 }, f64::INFINITY);
        if self.protection.pauses_until.is_some() {
            return constant(0.0);
        }
        let soft_start_s = self.equations().circuit.board.control.protection.soft_start_s;
        match self.protection.rises_from {
            None => constant(full_v),
            Some(from) => {
                let top_s = soft_start_s - (self.cycle - from) as f64 * self.equations().period_s;
                if self.phase_s >= top_s {
                    return constant(full_v);
                }
                let slope_per_s = full_v / soft_start_s;
                (Line { value: full_v - slope_per_s * (top_s - self.phase_s), slope_per_s }, top_s)
            }
        }
    }

    fn path(&self) -> Path {
        let is_switch = matches!(self.equations().circuit.board.stage.low_side, LowSide::Switch { .. });
        match self.driven {
            Driven::High => Path::High,
            Driven::Low if is_switch => Path::Low,
            _ if self.y[0] > 0.0 => Path::LowDiode,
            _ if self.y[0] < 0.0 => Path::HighDiode,
            _ => Path::Idle,
        }
    }

    fn limit_sense(&self) -> Option<LimitSense> {
        self.equations().circuit.board.control.protection.current_limit.map(|limit| limit.sense)
    }

    /// Whether a turn-on may be asked for now: without a clock, nothing under way, rested.
    fn may_ask(&self) -> bool {
        let agenda = &self.agenda;
        let idle = agenda.turn_on_s.is_none() && agenda.high_on_s.is_none() && agenda.low_on_s.is_none();
        !self.has_clock()
            && self.driven != Driven::High
            && idle
            && agenda.ask_s.is_some_and(|at_s| self.phase_s >= at_s)
    }

    /// Everything that may happen by itself now.
    fn watches(&self, path: Path) -> ([Watch; 6], usize) {
        let mut list = [Watch::Trip; 6];
        let mut count = 0;
        let mut add = |watch| {
            list[count] = watch;
            count += 1;
        };
        let control = &self.equations().circuit.board.control;
        let undecided = self.agenda.high_off_s.is_none();
        let sighted = path == Path::High && self.phase_s >= self.agenda.look_s;
        let looking = undecided && sighted;
        let early = undecided && self.agenda.high_on_s.is_some();
        match control.modulator {
            Modulator::VoltageMode { .. } if looking || early => add(Watch::Trip),
            Modulator::PeakCurrent { .. } | Modulator::Hysteretic { .. } if looking => add(Watch::Trip),
            _ => {}
        }
        let unlimited = self.agenda.limit_off_s.is_none();
        if sighted
            && unlimited
            && matches!(self.limit_sense(), Some(LimitSense::Peak { .. } | LimitSense::Winding { .. }))
        {
            add(Watch::Limit);
        }
        if self.protection.held {
            add(Watch::Valley);
        } else if self.may_ask() {
            add(Watch::Ask);
        }
        match path {
            Path::LowDiode => add(Watch::Falls),
            Path::Low if self.equations().emulates_diode() => add(Watch::Falls),
            Path::HighDiode => add(Watch::Rises),
            Path::Idle => {
                add(Watch::WakeLow);
                add(Watch::WakeHigh);
            }
            _ => {}
        }
        match (self.equations().clamp_v(), self.amplifier) {
            (None, _) => {}
            (Some(_), Analog::Linear) => {
                add(Watch::ReachHigh);
                add(Watch::ReachLow);
            }
            (Some(_), _) => add(Watch::Leave),
        }
        (list, count)
    }

    /// Time of the next plan; the clock edge at the latest.
    fn next_planned_s(&self) -> f64 {
        let agenda = &self.agenda;
        let mut next_s = self.equations().period_s;
        let mut consider = |at_s: f64| next_s = next_s.min(at_s);
        [agenda.turn_on_s, agenda.high_on_s, agenda.low_on_s].into_iter().flatten().for_each(&mut consider);
        agenda.ask_s.into_iter().filter(|at_s| self.phase_s < *at_s).for_each(&mut consider);
        if self.driven == Driven::High {
            consider(self.off_s());
            if self.phase_s < agenda.look_s {
                consider(agenda.look_s);
            }
        }
        next_s
    }

    /// When the high side opens: the modulator, the current limit or the longest conduction, whichever comes first.
    fn off_s(&self) -> f64 {
        let planned = [self.agenda.high_off_s, self.agenda.limit_off_s];
        planned.into_iter().flatten().fold(self.latest_off_s(), f64::min).max(self.phase_s)
    }

    /// Carries out what is planned for now.
    fn carry_out(&mut self) {
        let now_s = self.phase_s;
        let due = |at_s: Option<f64>| at_s.is_some_and(|at_s| at_s <= now_s);
        if now_s >= self.equations().period_s {
            self.clock_edge();
        } else if due(self.agenda.turn_on_s) {
            self.turn_on();
        } else if due(self.agenda.high_on_s) {
            self.close_high_side();
        } else if due(self.agenda.low_on_s) {
            self.agenda.low_on_s = None;
            self.close_low_side();
        } else if self.driven == Driven::High && now_s >= self.off_s() {
            self.open_high_side();
        }
    }

    /// An edge of the clock, or of the time base.
    fn clock_edge(&mut self) {
        let period_s = self.equations().period_s;
        self.edge_input_v = self.input_v();
        self.cycle += 1;
        self.phase_s = 0.0;
        let soft_start_s = self.equations().circuit.board.control.protection.soft_start_s;
        let risen = |from: u64| (self.cycle - from) as f64 * period_s >= soft_start_s;
        if self.protection.rises_from.is_some_and(risen) {
            self.protection.rises_from = None;
        }
        if !self.has_clock() {
            self.agenda = self.agenda.seen_from_next_edge(period_s);
        }
        match self.protection.pauses_until {
            Some(until) if self.cycle < until => return,
            Some(_) => {
                self.start_rising();
                self.agenda.ask_s = Some(0.0);
            }
            None => {
                if self.must_pause() {
                    return;
                }
            }
        }
        if self.has_clock() {
            self.decide_pulse();
        }
    }

    /// Input voltage in V now.
    fn input_v(&mut self) -> f64 {
        let drive = self.program.at(self.cycle, self.phase_s, self.equations().period_s);
        drive.source_v.map_or(self.equations().circuit.source_v, |line| line.value)
    }

    /// The reference begins to rise; the low side is left open until the first pulse.
    fn start_rising(&mut self) {
        let soft = self.equations().circuit.board.control.protection.soft_start_s > 0.0;
        self.protection = Protection { rises_from: soft.then_some(self.cycle), asleep: true, ..Protection::default() };
        self.driven = Driven::Neither;
        self.agenda = Agenda::default();
    }

    /// Counts limited cycles at an edge and begins a pause where there are enough.
    fn must_pause(&mut self) -> bool {
        if self.has_clock() {
            self.protection.close_the_count();
        }
        let equations = self.equations();
        let Some(hiccup) = equations.circuit.board.control.protection.current_limit.and_then(|limit| limit.hiccup)
        else {
            return false;
        };
        if self.protection.limited_in_a_row < hiccup.cycles {
            return false;
        }
        let periods = (hiccup.pause_s / equations.period_s).ceil().max(1.0) as u64;
        self.note_turn_off();
        self.protection = Protection { pauses_until: Some(self.cycle + periods), ..Protection::default() };
        self.driven = Driven::Neither;
        self.agenda = Agenda::default();
        true
    }

    /// At a clock edge: a pulse, or none.
    fn decide_pulse(&mut self) {
        if self.omits_pulse() {
            self.note_turn_off();
            if self.driven == Driven::High || self.agenda.low_on_s.is_some() {
                self.driven = Driven::Low;
            }
            self.agenda = Agenda::default();
        } else {
            self.turn_on();
        }
    }

    fn omits_pulse(&mut self) -> bool {
        let equations = self.equations();
        let control = &equations.circuit.board.control;
        let protection = &control.protection;
        let command_v = equations.control_v(self.y.as_slice());
        let too_little = match control.modulator {
            Modulator::PeakCurrent { gain_a_per_v, .. } if protection.skip_below_a > 0.0 => {
                command_v < protection.skip_below_a / gain_a_per_v
            }
            Modulator::PeakCurrent { .. } | Modulator::VoltageMode { .. } => command_v <= 0.0,
            _ => false,
        };
        if too_little {
            return true;
        }
        // The side of the edge that has just ended: the program is asked for it, the path is still the old one.
        let (setting, _) = self.setting();
        let point = equations.point(&setting, 0.0, self.y.as_slice(), &self.solver.former);
        let low = |below: f64| point.output_v < below * equations.circuit.board.output_v;
        if protection.foldback.is_some_and(|fold| !self.cycle.is_multiple_of(fold.divisor) && low(fold.below)) {
            self.protection.folded = true;
            return true;
        }
        let inhibit_a = protection.current_limit.and_then(|limit| limit.inhibit_a);
        let inhibited = inhibit_a.is_some_and(|inhibit_a| point.current_a > inhibit_a);
        self.protection.limited |= inhibited;
        inhibited
    }

    /// A turn-on begins: the low side opens, the high side closes a dead time later.
    fn turn_on(&mut self) {
        self.note_turn_off();
        self.agenda =
            Agenda { high_on_s: Some(self.phase_s + self.equations().circuit.dead_time_s()), ..Agenda::default() };
        self.driven = Driven::Neither;
        if self.equations().circuit.dead_time_s() == 0.0 {
            self.close_high_side();
        }
    }

    fn close_high_side(&mut self) {
        let equations = self.equations();
        let control = &equations.circuit.board.control;
        let now_s = self.phase_s;
        self.agenda.high_on_s = None;
        let earliest_off_s = now_s + control.min_on_s;
        self.agenda.least_s = earliest_off_s;
        // A ramp comparator is never blanked; the shortest pulse then only delays the turn-off.
        let blanked = matches!(control.modulator, Modulator::PeakCurrent { .. } | Modulator::Hysteretic { .. });
        self.agenda.look_s = if blanked { earliest_off_s } else { now_s };
        match control.modulator {
            Modulator::FixedDuty { duty } => self.agenda.duty_off_s = Some(now_s + duty * equations.period_s),
            Modulator::ConstantOnTime { on_time_s, .. } => {
                let input_v = self.input_v();
                let on_s = on_time_s * equations.circuit.board.nominal_input_v / input_v;
                self.agenda.high_off_s = Some(now_s + on_s);
            }
            _ => {
                if let Some(off_s) = self.agenda.high_off_s {
                    // The comparator has already tripped, in the dead time: a shortest pulse, or none.
                    let off_s = off_s.max(earliest_off_s).min(self.latest_off_s().max(now_s));
                    self.agenda.high_off_s = Some(off_s);
                    if off_s <= now_s {
                        self.driven = if self.protection.asleep { Driven::Neither } else { Driven::Low };
                        return;
                    }
                }
            }
        }
        self.driven = Driven::High;
        self.protection.asleep = false;
    }

    fn open_high_side(&mut self) {
        self.note_turn_off();
        let others_s = self.agenda.high_off_s.unwrap_or(f64::INFINITY).min(self.latest_off_s());
        self.protection.limited |= self.agenda.limit_off_s.is_some_and(|limit_s| limit_s < others_s);
        (self.agenda.high_off_s, self.agenda.limit_off_s) = (None, None);
        let circuit = &self.equations().circuit;
        let (dead_s, rest_s) = (circuit.dead_time_s(), circuit.board.control.min_off_s);
        self.driven = Driven::Neither;
        self.agenda.ask_s = Some(self.phase_s + rest_s.max(dead_s));
        if dead_s > 0.0 {
            self.agenda.low_on_s = Some(self.phase_s + dead_s);
        } else {
            self.close_low_side();
        }
    }

    fn note_turn_off(&mut self) {
        if self.driven == Driven::High {
            self.turn_offs.push((self.cycle, self.phase_s));
        }
    }

    fn close_low_side(&mut self) {
        let ended = self.equations().emulates_diode() && self.y[0] <= 0.0;
        self.driven = if ended { Driven::Neither } else { Driven::Low };
    }

    /// Something watched has come about.
    fn happens(&mut self, watch: Watch) {
        let clamp_v = self.equations().clamp_v().unwrap_or((0.0, 0.0));
        let control_state = self.equations().control_state();
        match watch {
            Watch::Trip => self.ask_turn_off(self.comparator_delay_s()),
            Watch::Limit => {
                let limit = self.equations().circuit.board.control.protection.current_limit;
                let off_s = self.phase_s + limit.map_or(0.0, |limit| limit.delay_s);
                self.agenda.limit_off_s = Some(off_s.max(self.agenda.least_s));
            }
            Watch::WakeLow => self.y[0] = self.equations().waking_flux(),
            Watch::WakeHigh => self.y[0] = -self.equations().waking_flux(),
            Watch::Ask if self.valley_is_too_high() => {
                self.protection.held = true;
                self.protection.limited = true;
            }
            Watch::Ask => self.accept_turn_on(),
            Watch::Valley => {
                self.protection.held = false;
                if self.still_asks() {
                    self.accept_turn_on();
                }
            }
            Watch::Falls | Watch::Rises => {
                self.y[0] = 0.0;
                if self.driven == Driven::Low && self.equations().emulates_diode() {
                    self.driven = Driven::Neither;
                }
            }
            Watch::ReachHigh => {
                self.amplifier = Analog::ClampHigh;
                self.y[control_state] = clamp_v.1;
            }
            Watch::ReachLow => {
                self.amplifier = Analog::ClampLow;
                self.y[control_state] = clamp_v.0;
            }
            Watch::Leave => self.amplifier = Analog::Linear,
        }
    }

    fn valley_is_too_high(&self) -> bool {
        let equations = self.equations();
        self.limit_sense() == Some(LimitSense::Valley)
            && equations.current_a(self.y[0], &self.solver.former) > equations.circuit.limit_threshold()
    }

    fn still_asks(&mut self) -> bool {
        let (setting, _) = self.setting();
        self.equations().watched(Watch::Ask, &setting, 0.0, self.y.as_slice(), &self.solver.former) >= 0.0
    }

    fn accept_turn_on(&mut self) {
        self.protection.close_the_count();
        self.agenda.turn_on_s = Some(self.phase_s + self.comparator_delay_s());
    }

    fn ask_turn_off(&mut self, delay_s: f64) {
        let wanted_s = (self.phase_s + delay_s).max(self.agenda.least_s);
        self.agenda.high_off_s = Some(wanted_s.min(self.latest_off_s().max(self.phase_s)));
    }

    fn take_samples(
        &mut self,
        setting: &Setting,
        passed: &Passed<N>,
        sink: &mut dyn FnMut(&Sample, Side),
    ) -> Result<(), EngineError> {
        let origin = self.sampling.origin;
        let equations = self.equations();
        let begin_s = (self.cycle as f64 - origin.0 as f64) * equations.period_s + self.phase_s - origin.1;
        let mut node = 0;
        loop {
            let time_s = self.sampling.offset_s + self.sampling.every_s * self.next_sample as f64;
            let t_s = time_s - begin_s;
            if t_s >= passed.end_s || time_s >= self.sampling.until_s {
                return Ok(());
            }
            self.next_sample += 1;
            if t_s < 0.0 {
                continue;
            }
            while passed.nodes.get(node + 1).is_some_and(|next| next.0 <= t_s) {
                node += 1;
            }
            let y = self.solver.step_to(setting, &passed.nodes[node], t_s).map_err(EngineError::CrossCheck)?;
            let sample = equations.sample(time_s, setting, t_s, y.as_slice(), &self.solver.former);
            sink(&sample, Side { path: setting.path, load_slew_a_per_s: setting.load_a.slope_per_s });
        }
    }
}
