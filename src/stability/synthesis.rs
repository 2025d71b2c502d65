//! A compensator for a controller of which only crossover and phase margin are known.
//!
//! It is laid out once, on the board with its original part, and then stays: the board does not change when the part does.
//! Method: docs/physics.md, "synthesised compensator".

use super::Loop;
use crate::board::{Compensator, LoopAim};
use crate::engine::error::EngineError;
use crate::engine::machine::Machine;
use crate::engine::network::Circuit;
use nalgebra::Complex;
use std::f64::consts::{PI, TAU};
use thiserror::Error;

/// Upper divider resistor in ohm: it only sets the level of the impedances.
const R1_OHM: f64 = 10e3;
/// Gain-bandwidth product in Hz: high enough to take no part.
const GAIN_BANDWIDTH_HZ: f64 = 100e6;
/// Boost of the phase in degrees up to which one zero and one pole do.
const ONE_ZERO_DEG: f64 = 70.0;
/// Largest boost of the phase in degrees that two zeros and two poles give at sensible ratios.
const MOST_BOOST_DEG: f64 = 165.0;
/// Least ratio of pole and zero to the crossover.
const LEAST_RATIO: f64 = 1.05;
/// Shares of the crossover at which the first, slow loop crosses over, tried in this order: the filter's resonance may lift a gain
/// that would be low without it.
const SLOW: [f64; 3] = [0.02, 5e-3, 1e-3];
/// Times that the layout is corrected at most, and the error of gain at which it is good.
const CORRECTIONS: usize = 12;
const GOOD: f64 = 1e-10;
/// Share of the plant's gain below which the output does not follow the control at all: a filter leaves far more of it, rounding less.
const NO_GAIN: f64 = 1e-9;

/// Why no compensator was found.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum SynthesisError {
    /// The engine could not run the board.
    #[error(transparent)]
    Engine(#[from] EngineError),
    /// There is no loop gain to work with.
    #[error(
        "the board has no loop gain at the stated crossover: its cycles do not repeat, or the comparator does not decide them"
    )]
    NoLoop,
    /// More phase is asked for than a compensator adds.
    #[error(
        "the stated phase margin needs {boost_deg:.0} degrees more than an integrator leaves at the crossover: more than {MOST_BOOST_DEG} degrees cannot be added"
    )]
    TooMuch {
        /// Boost that would be needed in degrees.
        boost_deg: f64,
    },
    /// Less phase is asked for than the board has.
    #[error(
        "the stated phase margin is {excess_deg:.0} degrees less than an integrator leaves at the crossover: check crossover and margin"
    )]
    TooLittle {
        /// Phase that would have to be lost in degrees.
        excess_deg: f64,
    },
}

/// Op-amp compensator, type II or III, that gives the circuit's loop the stated crossover and phase margin at a load.
///
/// # Errors
/// Aims out of reach, or a board without a loop.
pub fn fit(circuit: &Circuit, aim: &LoopAim, load_a: f64) -> Result<Compensator, SynthesisError> {
    let frame = Frame::of(circuit, aim);
    let omega = TAU * aim.crossover_hz;
    let gain_of = |compensator: &Compensator| gain_at(circuit, compensator, load_a, aim.crossover_hz);
    let mut compensator = SLOW
        .iter()
        .map(|share| frame.slow(circuit, load_a, *share))
        .find(|slow| gain_of(slow).is_ok())
        .ok_or(SynthesisError::NoLoop)?;
    for _ in 0..CORRECTIONS {
        let gain = gain_of(&compensator)?;
        let rest = gain / transfer(&compensator, omega);
        if rest.norm() <= NO_GAIN * plant_gain(circuit, load_a) {
            return Err(SynthesisError::NoLoop);
        }
        let wanted = Complex::from_polar(1.0, aim.phase_deg.to_radians() - PI);
        if (gain - wanted).norm() < GOOD {
            break;
        }
        compensator = frame.lay_out(omega, wanted / rest)?;
    }
    Ok(compensator)
}

/// Gain from the control voltage to the output at rest.
fn plant_gain(circuit: &Circuit, load_a: f64) -> f64 {
    let board = &circuit.board;
    board.control.modulator.plant_gain(circuit.source_v, board.output_v / load_a)
}

/// Loop gain of a circuit with a compensator at a frequency, as a loop analyser shows it.
fn gain_at(
    circuit: &Circuit,
    compensator: &Compensator,
    load_a: f64,
    frequency_hz: f64,
) -> Result<Complex<f64>, SynthesisError> {
    let mut circuit = circuit.clone();
    circuit.board.control.compensator = compensator.clone();
    let mut machine = Machine::new(circuit)?;
    let orbit = machine.steady(load_a)?;
    let control = Loop::around(&mut machine, &orbit)?.ok_or(SynthesisError::NoLoop)?;
    control.analyser(frequency_hz).filter(|gain| gain.norm() > 0.0).ok_or(SynthesisError::NoLoop)
}

/// What is the same for every layout.
struct Frame {
    reference_v: f64,
    rb_ohm: f64,
    clamp_v: (f64, f64),
    crossover_hz: f64,
}

impl Frame {
    fn of(circuit: &Circuit, aim: &LoopAim) -> Frame {
        let output_v = circuit.board.output_v;
        let rb_ohm = R1_OHM * aim.reference_v / (output_v - aim.reference_v);
        Frame { reference_v: aim.reference_v, rb_ohm, clamp_v: aim.clamp_v, crossover_hz: aim.crossover_hz }
    }

    fn op_amp(&self, lead: Option<(f64, f64)>, r2_ohm: f64, c1_f: f64, c2_f: f64) -> Compensator {
        let Frame { reference_v, rb_ohm, clamp_v, .. } = *self;
        Compensator::OpAmp {
            reference_v,
            r1_ohm: R1_OHM,
            rb_ohm,
            lead,
            r2_ohm,
            c1_f,
            c2_f,
            gain_bandwidth_hz: GAIN_BANDWIDTH_HZ,
            clamp_v,
        }
    }

    /// Next to an integrator, so slow that the loop is stable whatever the filter does.
    fn slow(&self, circuit: &Circuit, load_a: f64, share: f64) -> Compensator {
        self.one_zero(LEAST_RATIO, TAU * share * self.crossover_hz, 1.0 / plant_gain(circuit, load_a))
    }

    /// One zero and one pole at equal ratios `k` below and above `omega`, with a gain there.
    fn one_zero(&self, k: f64, omega: f64, gain: f64) -> Compensator {
        let sum_f = k / (R1_OHM * gain * omega);
        let c2_f = sum_f / (k * k);
        let c1_f = sum_f - c2_f;
        self.op_amp(None, k / (omega * c1_f), c1_f, c2_f)
    }

    /// Two zeros and two poles at the ratio `sqrt(k)` below and above `omega`, with a gain there.
    fn two_zeros(&self, k: f64, omega: f64, gain: f64) -> Compensator {
        let sum_f = k / (R1_OHM * gain * omega);
        let c2_f = sum_f / k;
        let c1_f = sum_f - c2_f;
        let r3_ohm = R1_OHM / (k - 1.0);
        let c3_f = 1.0 / (omega * k.sqrt() * r3_ohm);
        self.op_amp(Some((r3_ohm, c3_f)), k.sqrt() / (omega * c1_f), c1_f, c2_f)
    }

    /// The compensator with a given transfer at `omega`: an integrator, and zeros and poles around `omega` that add the phase.
    fn lay_out(&self, omega: f64, wanted: Complex<f64>) -> Result<Compensator, SynthesisError> {
        // An integrator lags by 90 degrees.
        let boost_deg = (wanted * Complex::i()).arg().to_degrees();
        if boost_deg > MOST_BOOST_DEG {
            return Err(SynthesisError::TooMuch { boost_deg });
        }
        if boost_deg < -1.0 {
            return Err(SynthesisError::TooLittle { excess_deg: -boost_deg });
        }
        let half = |share: f64| (share * boost_deg + 45.0).to_radians().tan();
        Ok(if boost_deg <= ONE_ZERO_DEG {
            self.one_zero(half(0.5).max(LEAST_RATIO), omega, wanted.norm())
        } else {
            self.two_zeros(half(0.25).powi(2), omega, wanted.norm())
        })
    }
}

/// Transfer of an op-amp compensator from the output to the control voltage, its sign left out.
fn transfer(compensator: &Compensator, omega: f64) -> Complex<f64> {
    let Compensator::OpAmp { r1_ohm, lead, r2_ohm, c1_f, c2_f, .. } = compensator else { unreachable!() };
    let s = Complex::new(0.0, omega);
    let one = Complex::new(1.0, 0.0);
    let feedback = one / (s * *c2_f + one / (one / (s * *c1_f) + *r2_ohm));
    let input = one / *r1_ohm + lead.map_or(Complex::new(0.0, 0.0), |(r3, c3)| one / (one / (s * c3) + r3));
    feedback * input
}
