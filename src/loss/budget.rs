//! The losses of a steady state, item by item.

use super::core::{CoreCaution, core_loss};
use super::{LossError, capacitors, copper, switches};
use crate::board::{Board, LowSide};
use crate::measure::steady::SteadyResult;
use crate::parts::Inductor;

/// Harmonics counted for the alternating copper loss; a triangle has less than 1e-5 of its power beyond.
const HARMONICS: usize = 40;

/// Losses in W.
#[derive(Clone, Debug, PartialEq)]
pub struct Budget {
    /// Winding, from the true rms current and the resistance at the winding temperature (equation copper-dc).
    pub winding_dc_w: f64,
    /// Winding, additional by alternating current (copper-ac).
    pub winding_ac_w: f64,
    /// Core (core-igse); 0 without data.
    pub core_w: f64,
    /// Both switches while they conduct (switch-conduction).
    pub conduction_w: f64,
    /// Diodes: dead time, or the low-side diode (switch-diode).
    pub diode_w: f64,
    /// Edges: transition, recovery, output capacitance (switch-transition, switch-recovery, switch-output-capacitance).
    pub switching_w: f64,
    /// Gates and quiescent current (switch-gate).
    pub drive_w: f64,
    /// Output and input capacitors (capacitor-esr, capacitor-share).
    pub capacitors_w: f64,
    /// Ripple current (rms) in A of each branch of the input bank.
    pub input_ripple_a: Vec<f64>,
    /// Ripple current (rms) in A of each branch of the output bank.
    pub output_ripple_a: Vec<f64>,
    /// Power into the load.
    pub load_w: f64,
    /// What limits the trust in the core loss.
    pub core_cautions: Vec<CoreCaution>,
}

impl Budget {
    /// Loss in the inductor in W.
    pub fn inductor_w(&self) -> f64 {
        self.winding_dc_w + self.winding_ac_w + self.core_w
    }

    /// All losses in W.
    pub fn total_w(&self) -> f64 {
        self.inductor_w() + self.conduction_w + self.diode_w + self.switching_w + self.drive_w + self.capacitors_w
    }

    /// Load power over source power.
    pub fn efficiency(&self) -> f64 {
        self.load_w / (self.load_w + self.total_w())
    }

    /// (cause, loss in W) for people, the same causes in the same order always.
    pub fn items(&self) -> Vec<(String, f64)> {
        [
            ("winding, direct current", self.winding_dc_w),
            ("winding, alternating current", self.winding_ac_w),
            ("core", self.core_w),
            ("switches conducting", self.conduction_w),
            ("diodes in dead time", self.diode_w),
            ("switching edges", self.switching_w),
            ("gates and quiescent", self.drive_w),
            ("capacitors", self.capacitors_w),
        ]
        .map(|(cause, loss)| (cause.to_string(), loss))
        .to_vec()
    }
}

/// Losses of a part on a board in a steady state. `dcr_ohm` is the winding resistance of the run, `core_factor` the factor on the
/// core loss of the corner.
///
/// # Errors
/// Data or waveforms that an equation cannot use.
pub fn budget(
    board: &Board,
    part: &Inductor,
    source_v: f64,
    dcr_ohm: f64,
    core_factor: f64,
    steady: &SteadyResult,
) -> Result<Budget, LossError> {
    let book = &steady.book;
    let mean_w = |energy_j: f64| energy_j / book.duration_s;
    let trace = &steady.trace;
    let winding_ac_w = alternating_w(part, dcr_ohm, steady)?;
    let mut flux = trace.samples(&trace.flux_wb);
    let first = flux.first().copied();
    if let (false, Some(first), Some(last)) = (steady.orbit.repeats, first, flux.last_mut()) {
        // A waveform that does not repeat is closed over its last sample: one stroke among hundreds.
        last.1 = first.1;
    }
    let core = part.core_loss.map(|data| core_loss(&data, &flux)).transpose()?;
    let output_w: f64 = book.branch_j.iter().map(|j| mean_w(*j)).sum();
    let input_ripple_a = input_ripple_a(board, steady)?;
    let input = input_ripple_a.iter().zip(&board.input_bank);
    let input_w: f64 = input.map(|(a, branch)| capacitors::esr_loss_w(*a, branch.esr_ohm)).sum();
    let stage = &board.stage;
    Ok(Budget {
        winding_dc_w: mean_w(book.winding_j),
        winding_ac_w,
        core_w: core.as_ref().map_or(0.0, |core| core.loss_w * core_factor),
        conduction_w: mean_w(book.high_side_j + book.low_side_j),
        diode_w: mean_w(book.diode_j),
        switching_w: edges_w(board, source_v, steady),
        drive_w: switches::gate_w(stage.gate_charge_c, stage.gate_v, steady.cycles_hz()) + stage.quiescent_a * source_v,
        capacitors_w: output_w + input_w,
        input_ripple_a,
        output_ripple_a: output_ripple_a(board, steady)?,
        load_w: mean_w(book.load_j),
        core_cautions: core.map(|core| core.cautions).unwrap_or_default(),
    })
}

/// Additional winding loss by alternating current in W: by harmonics, or where the waveform does not repeat with all of it at
/// the switching frequency.
fn alternating_w(part: &Inductor, dcr_ohm: f64, steady: &SteadyResult) -> Result<f64, LossError> {
    let data = part.ac_resistance.as_ref();
    if !steady.orbit.repeats {
        let ripple = steady.rms_current_a().powi(2) - steady.mean_current_a().powi(2);
        return Ok(dcr_ohm * ripple.max(0.0) * (copper::ac_ratio(data, steady.cycles_hz()) - 1.0));
    }
    // Harmonics count from the orbit's frequency, which alternating cycles divide.
    let harmonics = HARMONICS * steady.orbit.periods as usize;
    let samples = steady.trace.samples(&steady.trace.current_a);
    Ok(copper::ac_extra(&samples, harmonics, dcr_ohm, data)?.extra_w)
}

/// Loss of the switching edges in W, pulse by pulse.
fn edges_w(board: &Board, source_v: f64, steady: &SteadyResult) -> f64 {
    let stage = &board.stage;
    // A diode's charge recovers also without a driven switch; only a current that flows at the turn-on leaves charge behind.
    let has_charge = stage.recovery_charge_c > 0.0 || matches!(stage.low_side, LowSide::Diode { .. });
    let pulses_hz = 1.0 / steady.book.duration_s;
    steady
        .trace
        .high_side
        .iter()
        .map(|&((_, valley_a), (_, peak_a))| {
            let edge = switches::transition_w(source_v, valley_a, peak_a, stage.rise_s, stage.fall_s, pulses_hz);
            let recovers = has_charge && valley_a > 0.0;
            let recovery =
                if recovers { switches::recovery_w(stage.recovery_charge_c, source_v, pulses_hz) } else { 0.0 };
            // A negative valley current has charged the node through the body diode before the switch closes.
            let charged = valley_a < 0.0;
            let node = if charged {
                0.0
            } else {
                switches::output_capacitance_w(stage.output_capacitance_f, source_v, pulses_hz)
            };
            edge + recovery + node
        })
        .sum()
}

/// Ripple current of each branch of the input bank in A: it delivers the alternating part of the source current.
fn input_ripple_a(board: &Board, steady: &SteadyResult) -> Result<Vec<f64>, LossError> {
    if board.input_bank.is_empty() {
        return Ok(vec![]);
    }
    let book = &steady.book;
    let mean_a = book.source_current.0 / book.duration_s;
    let rms_a = (book.source_current.1 / book.duration_s - mean_a * mean_a).max(0.0).sqrt();
    capacitors::share_a(rms_a, &board.input_bank, steady.cycles_hz())
}

/// Ripple current of each branch of the output bank in A: as simulated, or without resistance its share of the inductor's ripple.
fn output_ripple_a(board: &Board, steady: &SteadyResult) -> Result<Vec<f64>, LossError> {
    let rms_a = (steady.rms_current_a().powi(2) - steady.mean_current_a().powi(2)).max(0.0).sqrt();
    let shares = capacitors::share_a(rms_a, &board.output_bank, steady.cycles_hz())?;
    let simulated = |(branch, share)| steady.book.branch_rms_a(branch).unwrap_or(share);
    Ok(shares.into_iter().enumerate().map(simulated).collect())
}
