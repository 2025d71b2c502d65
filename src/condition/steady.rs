//! Steady state at each load: ripple, currents, losses, temperature, loop.
//!
//! Definitions: docs/physics.md, "steady-state quantities", "slope margin".

use super::contract::{Condition, Found, Setup, Wish};
use super::curves::{Curve, LossSplit, loop_curve, period_curve};
use super::derating;
use super::figures::{Failure, Figures, Note, OffAim, Place, Value, Why};
use super::stand::{Stand, Warm, note_beyond};
use crate::engine::error::EngineError;
use crate::engine::machine::Begin;
use crate::engine::program::Program;
use crate::engine::steady::WATCHED_PERIODS;
use crate::measure::steady::{Conduction, SteadyResult};
use crate::model::board::{Compensator, Modulator};
use crate::model::parts::CapacitorBranch;
use crate::stability::Loop;

/// Share of a range within which something stands at its end: far above rounding, far below what a loop in order keeps.
const AT_A_STOP: f64 = 1e-3;

/// Periodic steady states at every load.
pub(crate) struct Steady;

impl Condition for Steady {
    fn name(&self) -> &'static str {
        "steady"
    }

    fn key(&self) -> &'static str {
        "load.currents"
    }

    fn quantities(&self) -> &'static [&'static str] {
        &[
            "ripple_20mhz",
            "ripple_raw",
            "inductor_ripple",
            "peak_current",
            "inductance_at_peak",
            "inductor_loss",
            "winding_temperature",
            "efficiency",
            "regulation_error",
            "limited_cycles",
        ]
    }

    fn places(&self, stand: &Stand<'_>) -> Vec<Place> {
        stand.case.board.load_a.iter().map(|&load_a| stand.place(self.name(), load_a)).collect()
    }

    fn simulate(&self, stand: &Stand<'_>, place: Place) -> Result<Found, Failure> {
        let load_a = place.load_a.unwrap_or(0.0);
        let mut warm = stand.warm(load_a)?;
        stand.note_winding(warm.winding_degc);
        let mut figures = values(stand, &warm, place);
        let control = match Loop::around(&mut warm.machine, &warm.steady.orbit) {
            Err(EngineError::Interrupted) => return Err(EngineError::Interrupted.into()),
            Err(error) => {
                figures.push("crossover", Value::NotComputed(Why::Failed(error.into())));
                None
            }
            Ok(control) => control,
        };
        let margins = control.as_ref().and_then(Loop::margins);
        if let Some(margins) = margins {
            figures.extend([
                ("crossover", margins.crossover_hz),
                ("phase_margin", margins.phase_deg),
                ("gain_margin", margins.gain_db),
            ]);
        }
        note(stand, &warm, &mut figures);
        // Which waveform runs depends on what came before: the worse of them counts.
        if warm.steady.orbit.repeats {
            for other in stand.others(&mut warm, load_a)? {
                figures.keep_worse(values(stand, &other, place));
                figures.notes.push(Note::SecondWaveform { output_v: other.steady.mean_output_v() });
            }
        }
        let mut found = Found::of(figures);
        found.books.push(warm.steady.book.closing());
        found.peak_a = warm.steady.current.high;
        found.load_error = warm.machine.circuit.load_linearisation_error(warm.steady.output.low);
        if stand.is_watched() || (stand.is_shown() && load_a == stand.full_load_a()) {
            let part = stand.part.name.as_str();
            let losses = warm.budget.iter().map(|budget| LossSplit { part: part.into(), items: budget.items() });
            found.curves.extend(losses.map(Curve::Losses));
            found.curves.push(Curve::Period(period_curve(part, &warm.steady)));
            found.curves.push(Curve::Loop(loop_curve(part, control.as_ref(), margins)));
        }
        Ok(found)
    }

    fn set_up(&self, stand: &Stand<'_>, wish: &Wish) -> Result<Option<Setup>, Failure> {
        let Warm { steady, machine, curve, .. } = stand.warm(wish.load_a.unwrap_or(stand.full_load_a()))?;
        let program = Program::constant(steady.orbit.program_a);
        let begin = Begin::Clock(steady.orbit.x);
        Ok(Some(Setup { machine, curve, begin, program, origin: (0, 0.0), cycles: None }))
    }

    fn is_checked_for_all(&self) -> bool {
        true
    }

    fn takes_load(&self) -> bool {
        true
    }

    fn can_be_read(&self, _: &str) -> bool {
        true
    }
}

fn values(stand: &Stand<'_>, warm: &Warm, place: Place) -> Figures {
    let steady = &warm.steady;
    let discontinuous = steady.conduction() == Conduction::Discontinuous;
    let mut figures = Figures::at(place, Some(warm.winding_degc));
    figures.extend([
        ("ripple_20mhz", steady.instrument.width()),
        ("ripple_raw", steady.output.width()),
        ("output_mean", steady.mean_output_v()),
        ("duty", steady.duty()),
        ("inductor_ripple", steady.current.width()),
        ("peak_current", steady.current.high),
        ("current_low", steady.current.low),
        ("current_rms", steady.rms_current_a()),
        ("inductance_at_peak", warm.curve.inductance_h(steady.current.high)),
        ("discontinuous", f64::from(u8::from(discontinuous))),
        ("limited_cycles", steady.effort.limited as f64),
    ]);
    derating::of_peak(stand, steady.current.high, &mut figures);
    derating::of_rms(stand, steady.rms_current_a(), &mut figures);
    if is_regulated(stand) {
        figures.push("regulation_error", (steady.mean_output_v() - stand.aim_v()).abs());
    }
    loss_values(stand, warm, &mut figures);
    let largest = steady.orbit.largest_multiplier();
    if largest.is_finite() {
        figures.push("multiplier", largest);
    }
    // Pulses that are left out make another pattern, which the light load follows.
    if steady.effort.omitted == 0 {
        let periods = steady.orbit.periods as f64;
        let counted = if steady.orbit.repeats { Value::Number(periods) } else { Value::AtLeast(periods) };
        figures.push("periods", counted);
    }
    scheme_value(warm, &mut figures);
    if !warm.machine.is_clocked() {
        figures.push("frequency", steady.cycles_hz());
    }
    figures
}

/// Losses, and what follows from them.
fn loss_values(stand: &Stand<'_>, warm: &Warm, figures: &mut Figures) {
    let budget = match &warm.budget {
        Ok(budget) => budget,
        Err(error) => {
            let why = Why::Failed(error.clone().into());
            let missing = ["inductor_loss", "total_loss", "efficiency", "winding_temperature"];
            missing.iter().for_each(|id| figures.push(id, Value::NotComputed(why.clone())));
            figures.notes.push(Note::NotComputed(why));
            return;
        }
    };
    figures.extend([
        ("winding_dc_loss", budget.winding_dc_w),
        ("winding_ac_loss", budget.winding_ac_w),
        ("core_loss", budget.core_w),
        ("inductor_loss", budget.inductor_w()),
        ("total_loss", budget.total_w()),
    ]);
    let board = stand.board();
    capacitor_values(["input_ripple_use", "input_ripple_current"], &board.input_bank, &budget.input_ripple_a, figures);
    capacitor_values(
        ["output_ripple_use", "output_ripple_current"],
        &board.output_bank,
        &budget.output_ripple_a,
        figures,
    );
    if is_delivered(stand, warm) && budget.load_w > 0.0 {
        figures.push("efficiency", budget.efficiency());
    } else {
        figures.push("efficiency", Value::NotComputed(Why::NotDelivered));
        figures.push("undelivered", 1.0);
    }
    let balance = match warm.unsettled {
        None => Value::Number(warm.winding_degc),
        Some(Note::ThermalRunaway) => Value::NotComputed(Why::Runaway),
        Some(_) => Value::NotComputed(Why::NoBalanceFound),
    };
    figures.push("winding_temperature", balance);
}

/// Ripple currents of a bank: the share of its rating that a branch uses most, and the highest current of a branch without rating, or
/// where all have one of any.
fn capacitor_values(ids: [&str; 2], bank: &[CapacitorBranch], ripple_a: &[f64], figures: &mut Figures) {
    let branches = || bank.iter().zip(ripple_a.iter().copied());
    let used = branches().filter_map(|(branch, a)| Some(a / branch.ripple_rating_a?)).reduce(f64::max);
    let unrated = branches().filter(|(branch, _)| branch.ripple_rating_a.is_none()).map(|(_, a)| a).reduce(f64::max);
    let highest = unrated.or(branches().map(|(_, a)| a).reduce(f64::max));
    let values = ids.into_iter().zip([used, highest]);
    values.for_each(|(id, value)| value.into_iter().for_each(|value| figures.push(id, value)));
}

/// Whether the output has what it is regulated to, or next to it.
fn is_delivered(stand: &Stand<'_>, warm: &Warm) -> bool {
    let least_v = stand.case.board.procedure.gives_way * stand.board().output_v;
    !is_regulated(stand) || warm.steady.mean_output_v() > least_v
}

fn is_regulated(stand: &Stand<'_>) -> bool {
    !matches!(stand.case.board.control.compensator, Compensator::Open)
}

/// What matters in the control scheme at hand: the ripple that it lives on, or the room that the slope compensation leaves.
fn scheme_value(warm: &Warm, figures: &mut Figures) {
    let (circuit, steady) = (&warm.machine.circuit, &warm.steady);
    match circuit.board.control.modulator {
        Modulator::ConstantOnTime { .. } => figures.push("tap_ripple", steady.control.width()),
        Modulator::PeakCurrent { slope_a_per_s, .. } if steady.conduction() == Conduction::Continuous => {
            let least = least_inductance_h(circuit.source_v, circuit.board.output_v, slope_a_per_s);
            let Some(least_h) = least else { return };
            let current = steady.current;
            let linkage_wb = warm.curve.flux_wb(current.high) - warm.curve.flux_wb(current.low);
            figures.push("slope_margin", linkage_wb / current.width() / least_h);
        }
        _ => {}
    }
}

/// Least inductance in H with which cycles of a peak current loop do not alternate: (2 Vout - Vin) / (2 Se); `None` where the duty is
/// below a half and any inductance will do. Equation: docs/physics.md, "slope margin".
pub fn least_inductance_h(input_v: f64, output_v: f64, slope_a_per_s: f64) -> Option<f64> {
    let excess_v = 2.0 * output_v - input_v;
    (excess_v > 0.0 && slope_a_per_s > 0.0).then(|| excess_v / (2.0 * slope_a_per_s))
}

fn note(stand: &Stand<'_>, warm: &Warm, figures: &mut Figures) {
    let steady = &warm.steady;
    let one_curve = stand.part.saturation.len() == 1;
    figures.notes.extend(warm.unsettled.clone());
    note_beyond(&warm.curve, steady.current.high, figures);
    figures.note_if(warm.curve.beyond_temperature() && !one_curve, Note::BeyondTemperatures);
    figures.note_if(one_curve, Note::OneTemperature);
    figures.notes.extend(pattern(warm));
    figures.notes.extend(off_aim(stand, warm));
    let cautions = warm.budget.iter().flat_map(|budget| &budget.core_cautions);
    figures.notes.extend(cautions.map(|caution| Note::Core(*caution)));
}

/// What the cycles do where they are not all alike.
fn pattern(warm: &Warm) -> Option<Note> {
    let (effort, orbit) = (&warm.steady.effort, &warm.steady.orbit);
    if effort.omitted > 0 {
        Some(Note::EdgesLeftOut)
    } else if !orbit.repeats {
        Some(Note::NoRepetition { watched: WATCHED_PERIODS })
    } else {
        (orbit.periods > 1).then_some(Note::Alternates { periods: orbit.periods })
    }
}

fn off_aim(stand: &Stand<'_>, warm: &Warm) -> Option<Note> {
    let share = (warm.steady.mean_output_v() / stand.board().output_v - 1.0).abs();
    (share > stand.case.board.procedure.off_aim && is_regulated(stand))
        .then(|| Note::OffAim { share, cause: cause(stand, &warm.steady) })
}

/// Why an output is off its aim.
fn cause(stand: &Stand<'_>, steady: &SteadyResult) -> OffAim {
    let control = &stand.board().control;
    // The high side opens for no longer than it must in a cycle.
    let off_s = (1.0 - steady.duty()) / steady.cycles_hz();
    let below_v = steady.mean_output_v() < stand.board().output_v;
    if below_v && off_s <= control.min_off_s * (1.0 + AT_A_STOP) + AT_A_STOP / steady.cycles_hz() {
        return OffAim::Dropout;
    }
    let clamp_v = match control.compensator {
        Compensator::OpAmp { clamp_v, .. } | Compensator::Transconductance { clamp_v, .. } => clamp_v,
        Compensator::Open | Compensator::Ripple { .. } => return OffAim::FiniteGain,
    };
    let near_v = AT_A_STOP * (clamp_v.1 - clamp_v.0);
    let stopped = steady.control.high >= clamp_v.1 - near_v || steady.control.low <= clamp_v.0 + near_v;
    if stopped { OffAim::EndStop } else { OffAim::FiniteGain }
}
