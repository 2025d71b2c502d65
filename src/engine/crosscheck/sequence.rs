//! The switching sequence as an agenda: what is planned at which time after the clock edge, and which of it comes first.
//!
//! Conventions: docs/physics.md, "switching sequence".

use super::equations::{Equations, Setting, Watch};
use super::solver::{Passed, Solver};
use super::{Instant, Outcome, Sampling, Side};
use crate::board::{LowSide, Modulator};
use crate::engine::compensator::Analog;
use crate::engine::error::EngineError;
use crate::engine::machine::INTERRUPT;
use crate::engine::network::Path;
use crate::engine::program::Program;
use crate::engine::row::StateVector;
use crate::measure::curves::Sample;
use nalgebra::SVector;
use std::sync::atomic::Ordering;

/// Stretches allowed in one cycle.
const STRETCHES_PER_CYCLE: usize = 1000;

/// Plans of the present cycle, times after its clock edge in s.
#[derive(Clone, Copy, Debug, Default)]
struct Agenda {
    high_on_s: Option<f64>,
    /// From then on the comparators are looked at while the high side conducts.
    look_s: f64,
    high_off_s: Option<f64>,
    /// End of a fixed conduction time.
    duty_off_s: Option<f64>,
    /// Earliest turn-off of the running pulse.
    least_s: f64,
    low_on_s: Option<f64>,
}

/// Which driven switch conducts. For a diode `Low` only means that the high side is done.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Driven {
    High,
    Low,
    Neither,
}

/// A run under way.
pub struct Run<'a, const N: usize> {
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
    turn_offs: Vec<Instant>,
}

impl<'a, const N: usize> Run<'a, N> {
    pub fn new(
        equations: &'a Equations,
        tolerance: f64,
        x0: &StateVector,
        program: Program,
        sampling: Sampling,
    ) -> Self {
        let scaled = equations.scaled(x0);
        let mut run = Run {
            solver: Solver::new(equations, tolerance),
            program,
            sampling,
            next_sample: 0,
            y: SVector::from_fn(|i, _| scaled[i]),
            cycle: 0,
            phase_s: 0.0,
            driven: Driven::Neither,
            amplifier: Analog::Linear,
            agenda: Agenda::default(),
            turn_offs: vec![],
        };
        run.clock_edge();
        run
    }

    fn equations(&self) -> &'a Equations {
        self.solver.equations
    }

    /// Latest time for the high side to open.
    fn latest_off_s(&self) -> f64 {
        let circuit = &self.equations().circuit;
        let by_clock_s = self.equations().period_s - circuit.board.control.min_off_s.max(circuit.dead_time_s());
        self.agenda.duty_off_s.map_or(by_clock_s, |off_s| off_s.min(by_clock_s))
    }

    pub fn go(mut self, cycles: u64, sink: &mut dyn FnMut(&Sample, Side)) -> Result<Outcome, EngineError> {
        let mut stretches = 0;
        while self.cycle < cycles {
            let before = self.cycle;
            self.stretch(sink)?;
            stretches += 1;
            if self.cycle != before {
                stretches = 0;
                if INTERRUPT.load(Ordering::Relaxed) {
                    return Err(EngineError::Interrupted);
                }
            } else if stretches > STRETCHES_PER_CYCLE {
                let (cycle, phase_s) = (self.cycle, self.phase_s);
                return Err(EngineError::Chatter { cycle, phase_s, limit: STRETCHES_PER_CYCLE });
            }
        }
        let x = self.equations().unscaled(self.y.as_slice());
        Ok(Outcome { x, turn_offs: self.turn_offs, steps: self.solver.steps.get() })
    }

    fn stretch(&mut self, sink: &mut dyn FnMut(&Sample, Side)) -> Result<(), EngineError> {
        let load = self.program.at(self.cycle, self.phase_s, self.equations().period_s);
        let setting = Setting {
            path: self.path(),
            amplifier: self.amplifier,
            load_a: load.load_a.value,
            load_slew_a_per_s: load.load_a.slope_per_s,
            phase_s: self.phase_s,
        };
        let (watches, count) = self.watches(setting.path);
        let planned_s = self.next_planned_s();
        let until_s = planned_s.min(load.until_s);
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
                if planned_s <= load.until_s {
                    self.carry_out();
                }
            }
        }
        Ok(())
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
        let looking = undecided && path == Path::High && self.phase_s >= self.agenda.look_s;
        let early = undecided && self.agenda.high_on_s.is_some();
        match control.modulator {
            Modulator::VoltageMode { .. } if looking || early => add(Watch::Trip),
            Modulator::PeakCurrent { .. } if looking => add(Watch::Trip),
            _ => {}
        }
        if looking && control.protection.current_limit.is_some() {
            add(Watch::Limit);
        }
        match path {
            Path::LowDiode => add(Watch::Falls),
            Path::Low if self.equations().emulates_diode() => add(Watch::Falls),
            Path::HighDiode => add(Watch::Rises),
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
        agenda.high_on_s.into_iter().for_each(&mut consider);
        agenda.low_on_s.into_iter().for_each(&mut consider);
        if self.driven == Driven::High {
            consider(agenda.high_off_s.unwrap_or(self.latest_off_s()));
            if self.phase_s < agenda.look_s {
                consider(agenda.look_s);
            }
        }
        next_s
    }

    /// Carries out what is planned for now.
    fn carry_out(&mut self) {
        let now_s = self.phase_s;
        let due = |at_s: Option<f64>| at_s.is_some_and(|at_s| at_s <= now_s);
        if now_s >= self.equations().period_s {
            self.cycle += 1;
            self.phase_s = 0.0;
            self.clock_edge();
        } else if due(self.agenda.high_on_s) {
            self.close_high_side();
        } else if due(self.agenda.low_on_s) {
            self.agenda.low_on_s = None;
            self.close_low_side();
        } else if self.driven == Driven::High && now_s >= self.agenda.high_off_s.unwrap_or(self.latest_off_s()) {
            self.open_high_side();
        }
    }

    fn clock_edge(&mut self) {
        let dead_s = self.equations().circuit.dead_time_s();
        self.agenda = Agenda { high_on_s: Some(dead_s), ..Agenda::default() };
        if dead_s > 0.0 {
            self.note_turn_off();
            self.driven = Driven::Neither;
        } else {
            self.close_high_side();
        }
    }

    fn close_high_side(&mut self) {
        let control = &self.equations().circuit.board.control;
        let now_s = self.phase_s;
        self.agenda.high_on_s = None;
        let earliest_off_s = now_s + control.min_on_s;
        self.agenda.least_s = earliest_off_s;
        // A ramp comparator is never blanked; the shortest pulse then only delays the turn-off.
        let blanked = matches!(control.modulator, Modulator::PeakCurrent { .. });
        self.agenda.look_s = if blanked { earliest_off_s } else { now_s };
        if let Modulator::FixedDuty { duty } = control.modulator {
            self.agenda.duty_off_s = Some(now_s + duty * self.equations().period_s);
        } else if let Some(off_s) = self.agenda.high_off_s {
            // The comparator has already tripped, in the dead time: a shortest pulse, or none.
            let off_s = off_s.max(earliest_off_s).min(self.latest_off_s().max(now_s));
            self.agenda.high_off_s = Some(off_s);
            if off_s <= now_s {
                self.driven = Driven::Low;
                return;
            }
        }
        self.driven = Driven::High;
    }

    fn open_high_side(&mut self) {
        self.note_turn_off();
        let dead_s = self.equations().circuit.dead_time_s();
        self.driven = Driven::Neither;
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
        let control = &self.equations().circuit.board.control;
        let clamp_v = self.equations().clamp_v().unwrap_or((0.0, 0.0));
        let control_state = self.equations().control_state();
        match watch {
            Watch::Trip => {
                let delay_s = match control.modulator {
                    Modulator::VoltageMode { delay_s, .. } | Modulator::PeakCurrent { delay_s, .. } => delay_s,
                    _ => 0.0,
                };
                self.ask_turn_off(delay_s);
            }
            Watch::Limit => self.ask_turn_off(control.protection.current_limit.map_or(0.0, |limit| limit.delay_s)),
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
            sink(&sample, Side { path: setting.path, load_slew_a_per_s: setting.load_slew_a_per_s });
        }
    }
}
