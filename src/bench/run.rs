//! Simulated waveforms for a bench's condition, on the grid of a capture.

use super::channel::Channels;
use super::predict::Unit;
use super::trace::Trace;
use crate::condition::figures::Failure;
use crate::condition::load_step::Timing;
use crate::condition::stand::{Stand, Warm};
use crate::engine::machine::{Begin, Machine};
use crate::engine::program::Program;
use crate::measure::curves::{Grid, Sample};
use crate::model::board::{LoadStep, Modulator};
use crate::model::capture::Capture;
use crate::model::case::Case;

/// A low-pass forgets its begin to 1e-13 in so many of its time constants.
const FORGOTTEN: f64 = 30.0;
/// Fewest periods before the first sample.
const LEAD: f64 = 2.0;

/// One part on its board as a bench has it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OnBench {
    /// Number of the part.
    pub part: usize,
    /// Input in V.
    pub input_v: f64,
    /// Ambient temperature in degrees Celsius.
    pub ambient_degc: f64,
    /// Inductance in H that the probe's wire loop adds.
    pub loop_h: f64,
    /// Switching frequency in Hz as the capture shows it; `None` for the board's own.
    pub frequency_hz: Option<f64>,
    /// Bandwidth in Hz of the output's channel.
    pub bandwidth_hz: Option<f64>,
}

impl OnBench {
    /// As a capture states and shows it.
    pub fn of(capture: &Capture, channels: &Channels, frequency_hz: Option<f64>) -> OnBench {
        OnBench {
            part: capture.setting.part,
            input_v: capture.setting.input_v,
            ambient_degc: capture.setting.ambient_degc,
            loop_h: capture.loop_h,
            frequency_hz,
            bandwidth_hz: channels.output.as_ref().and_then(|output| output.instrument.bandwidth_hz),
        }
    }

    /// The case as it is there.
    pub fn case(&self, case: &Case) -> Case {
        let mut there = case.clone();
        there.board.ambient_degc = self.ambient_degc;
        // A frequency that was seen is the clock's; without a clock it follows from everything else.
        let has_clock =
            !matches!(there.board.control.modulator, Modulator::ConstantOnTime { .. } | Modulator::Hysteretic { .. });
        if let Some(hz) = self.frequency_hz.filter(|_| has_clock) {
            there.board.frequency_hz = hz;
            there.board.tolerances.frequency = 0.0;
        }
        if let Some(hz) = self.bandwidth_hz {
            there.board.procedure.instrument_hz = hz;
        }
        let curves = there.parts[self.part].saturation.iter_mut();
        curves.flat_map(|curve| &mut curve.points).for_each(|point| point.1 += self.loop_h);
        there
    }

    /// A unit there.
    pub fn stand<'a>(&self, (case, corner): &'a Unit) -> Stand<'a> {
        Stand::new(case, &case.parts[self.part], *corner, self.input_v)
    }
}

/// The grid on which a waveform is wanted; times count from the begin of the step, or from a clock edge.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wanted {
    /// First sample in s.
    pub from_s: f64,
    /// Time between samples in s.
    pub step_s: f64,
    /// Number of samples.
    pub count: usize,
}

/// What a bench can see.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Seen {
    /// Output in V.
    pub output: Trace,
    /// Inductor current in A.
    pub inductor: Trace,
    /// Load current in A.
    pub load: Trace,
}

/// Periods before the first sample until a bandwidth has forgotten the begin.
fn lead(bandwidth_hz: Option<f64>, period_s: f64) -> f64 {
    let forgotten = bandwidth_hz.map_or(0.0, |hz| FORGOTTEN / (std::f64::consts::TAU * hz * period_s));
    forgotten.ceil().max(LEAD)
}

fn sampled(
    machine: &mut Machine,
    begin: Begin,
    program: &mut Program,
    origin: (u64, f64),
    wanted: &Wanted,
    limited: bool,
) -> Result<Seen, Failure> {
    let period_s = machine.period_s();
    let end_s = wanted.from_s + wanted.step_s * wanted.count as f64;
    let cycles = ((end_s + origin.0 as f64 * period_s + origin.1) / period_s).ceil().max(0.0) as u64 + 1;
    let empty = || Trace { start_s: wanted.from_s, step_s: wanted.step_s, values: Vec::with_capacity(wanted.count) };
    let mut seen = Seen { output: empty(), inductor: empty(), load: empty() };
    let sink = |sample: Sample| {
        seen.output.values.push(if limited { sample.instrument_v } else { sample.output_v });
        seen.inductor.values.push(sample.current_a);
        seen.load.values.push(sample.load_a);
    };
    let mut grid = Grid::new(origin, period_s, wanted.step_s, (wanted.from_s, end_s), sink);
    let mut state = machine.begin(begin);
    machine.run(&mut state, cycles, program, &mut grid, None)?;
    [&mut seen.output, &mut seen.inductor, &mut seen.load]
        .into_iter()
        .for_each(|trace| trace.values.truncate(wanted.count));
    Ok(seen)
}

/// The steady state at a load in A, from a clock edge on.
///
/// # Errors
/// No steady state.
pub fn steady(unit: &Unit, at: &OnBench, load_a: f64, wanted: &Wanted) -> Result<Seen, Failure> {
    let stand = at.stand(unit);
    let Warm { steady, mut machine, .. } = stand.warm(load_a)?;
    let origin = (lead(at.bandwidth_hz, machine.period_s()) as u64, 0.0);
    let mut program = Program::constant(steady.orbit.program_a);
    sampled(&mut machine, Begin::Clock(steady.orbit.x), &mut program, origin, wanted, at.bandwidth_hz.is_some())
}

/// A load step that begins at a fraction of the period after a clock edge.
///
/// # Errors
/// No steady state, or a run that stops.
pub fn load_step(unit: &Unit, at: &OnBench, step: &LoadStep, fraction: f64, wanted: &Wanted) -> Result<Seen, Failure> {
    let stand = at.stand(unit);
    let Warm { mut machine, .. } = stand.warm(step.to_a)?;
    let low = machine.steady(step.from_a)?;
    let period_s = machine.period_s();
    let mut timing = Timing::new(step, period_s, fraction);
    let before = (-wanted.from_s / period_s).max(0.0).ceil() + lead(at.bandwidth_hz, period_s);
    // Whole orbits, so that the step meets the phase that it meets without them.
    let more = (before as u64).next_multiple_of(low.periods.max(1));
    timing.step.0 += more;
    timing.release.0 += more;
    let mut program = timing.program(step, &machine);
    sampled(&mut machine, Begin::Clock(low.x), &mut program, timing.step, wanted, at.bandwidth_hz.is_some())
}
