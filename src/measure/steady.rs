//! Steady state: ripple, currents, duty, conduction mode.
//!
//! Definitions: docs/physics.md, "steady-state quantities".

use super::curves::PeriodTrace;
use super::extremes::{Extremes, Range};
use crate::engine::book::Book;
use crate::engine::error::EngineError;
use crate::engine::machine::{Effort, Machine, Output};
use crate::engine::steady::{Near, Orbit};

/// Share of the period without current above which conduction counts as discontinuous.
const IDLE_SHARE: f64 = 1e-6;

/// How the inductor conducts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Conduction {
    /// The current never rests at zero.
    Continuous,
    /// The current rests at zero in part of every period.
    Discontinuous,
}

/// A steady state with everything measured on it.
#[derive(Clone, Debug)]
pub struct SteadyResult {
    /// The orbit.
    pub orbit: Orbit,
    /// Integrals over it.
    pub book: Book,
    /// Range of the output voltage in V.
    pub output: Range,
    /// Range of the output voltage at 20 MHz bandwidth in V.
    pub instrument: Range,
    /// Range of the inductor current in A.
    pub current: Range,
    /// Range of the control voltage, or of the tap of ripple-based control, in V.
    pub control: Range,
    /// Waveforms over the orbit.
    pub trace: PeriodTrace,
    /// What happened in the orbit.
    pub effort: Effort,
}

impl SteadyResult {
    /// Mean output voltage in V.
    pub fn mean_output_v(&self) -> f64 {
        self.book.output_vs / self.book.duration_s
    }

    /// Mean inductor current in A.
    pub fn mean_current_a(&self) -> f64 {
        self.book.current.0 / self.book.duration_s
    }

    /// Root mean square of the inductor current in A.
    pub fn rms_current_a(&self) -> f64 {
        (self.book.current.1 / self.book.duration_s).sqrt()
    }

    /// Cycles of the control per second in Hz: the clock's frequency, or without a clock its own.
    pub fn cycles_hz(&self) -> f64 {
        self.orbit.periods as f64 / self.book.duration_s
    }

    /// Share of the time for which the high side conducts.
    pub fn duty(&self) -> f64 {
        self.book.high_side_s / self.book.duration_s
    }

    /// How the inductor conducts.
    pub fn conduction(&self) -> Conduction {
        if self.book.idle_s > IDLE_SHARE * self.book.duration_s {
            Conduction::Discontinuous
        } else {
            Conduction::Continuous
        }
    }
}

/// Finds the steady state at a load and measures it.
///
/// # Errors
/// No steady state, or an energy book that does not close.
pub fn measure(machine: &mut Machine, load_a: f64) -> Result<SteadyResult, EngineError> {
    measure_near(machine, load_a, None)
}

/// As [`measure`], looked for from a waveform that is near.
///
/// # Errors
/// As [`measure`].
pub fn measure_near(machine: &mut Machine, load_a: f64, near: Option<&Near>) -> Result<SteadyResult, EngineError> {
    let orbit = machine.steady_near(load_a, near)?;
    measure_orbit(machine, orbit)
}

/// Measures a steady state that has been found.
///
/// # Errors
/// An energy book that does not close.
pub fn measure_orbit(machine: &mut Machine, orbit: Orbit) -> Result<SteadyResult, EngineError> {
    let extremes = Extremes::of(&[Output::Voltage, Output::Instrument, Output::Inductor, Output::Control]);
    let mut observer = (Book::new(&machine.circuit), (extremes, PeriodTrace::default()));
    let effort = machine.trace_orbit(&orbit, &mut observer)?;
    let (book, (extremes, trace)) = observer;
    book.close()?;
    Ok(SteadyResult {
        orbit,
        book,
        output: extremes.range(Output::Voltage),
        instrument: extremes.range(Output::Instrument),
        current: extremes.range(Output::Inductor),
        control: extremes.range(Output::Control),
        trace,
        effort,
    })
}
