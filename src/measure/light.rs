//! Light load: how often pulses come, their ripple, and where conduction stops being continuous.
//!
//! Definitions: docs/physics.md, "light load".

use super::extremes::{Extremes, Range};
use crate::engine::error::EngineError;
use crate::engine::machine::{Effort, Machine, Output};
use crate::engine::program::Program;

/// Cycles of the control that the pattern is given to settle in.
const SETTLING: u64 = 400;
/// Pulses or bursts over which a pattern is averaged.
const COUNTED: u64 = 40;
/// Periods after which counting ends in any case.
const LONGEST: u64 = 60_000;
/// Halvings of the interval in which the boundary of continuous conduction lies.
const HALVINGS: usize = 24;

/// Pulses at one load.
#[derive(Clone, Copy, Debug)]
pub struct LightResult {
    /// Load in A.
    pub load_a: f64,
    /// Pulses per second in Hz.
    pub pulses_hz: f64,
    /// Repetition of the pattern in Hz: of bursts where clock edges are left out, otherwise of pulses.
    pub pattern_hz: f64,
    /// Output range at 20 MHz bandwidth in V.
    pub ripple: Range,
    /// What happened.
    pub effort: Effort,
}

/// Follows the pulses at a load that has been settled from a guess.
///
/// # Errors
/// Whatever stops a run.
pub fn run(machine: &mut Machine, load_a: f64) -> Result<LightResult, EngineError> {
    let program_a = machine.circuit.program_a(load_a);
    let mut state = machine.at_clock(machine.first_guess(load_a));
    let mut program = Program::constant(program_a);
    let settle_until = |effort: &Effort| effort.pulses >= SETTLING;
    while !settle_until(&state.effort) && state.cycle < LONGEST {
        machine.run(&mut state, 64, &mut program, &mut (), None)?;
    }
    let (begin, before) = (state.cycle, state.effort);
    let mut extremes = Extremes::of(&[Output::Instrument]);
    let bursts = |effort: &Effort| {
        let omits = effort.omitted > before.omitted;
        if omits { effort.bursts - before.bursts } else { effort.pulses - before.pulses }
    };
    while (bursts(&state.effort) < COUNTED || state.cycle - begin < 64) && state.cycle - begin < LONGEST {
        machine.run(&mut state, 16, &mut program, &mut extremes, None)?;
    }
    let seconds = (state.cycle - begin) as f64 * machine.period_s();
    Ok(LightResult {
        load_a,
        pulses_hz: (state.effort.pulses - before.pulses) as f64 / seconds,
        pattern_hz: bursts(&state.effort) as f64 / seconds,
        ripple: extremes.range(Output::Instrument),
        effort: state.effort,
    })
}

/// Load in A at which the valley of the inductor current comes down to zero, between two loads; `None` where it does not.
///
/// # Errors
/// No steady state.
pub fn continuous_down_to(machine: &mut Machine, from_a: f64, to_a: f64) -> Result<Option<f64>, EngineError> {
    let mut is_continuous = |load_a: f64| -> Result<bool, EngineError> {
        let orbit = machine.steady(load_a)?;
        let mut extremes = Extremes::of(&[Output::Inductor]);
        machine.trace_orbit(&orbit, &mut extremes)?;
        Ok(extremes.range(Output::Inductor).low > 0.0)
    };
    if is_continuous(from_a)? || !is_continuous(to_a)? {
        return Ok(None);
    }
    let (mut low_a, mut high_a) = (from_a, to_a);
    for _ in 0..HALVINGS {
        let middle_a = 0.5 * (low_a + high_a);
        if is_continuous(middle_a)? { high_a = middle_a } else { low_a = middle_a }
    }
    Ok(Some(high_a))
}
