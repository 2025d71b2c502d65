//! The stand: one part on its board, at a corner and an input voltage, on which a condition runs.

use super::curves::{Curve, step_curve};
use super::figures::{Failure, Figures, Note, Place};
use super::known::Known;
use crate::engine::error::EngineError;
use crate::engine::machine::Machine;
use crate::engine::network::{Circuit, LimitLevel};
use crate::engine::program::Instant;
use crate::engine::steady::{Near, Orbit};
use crate::loss::budget::{Budget, budget};
use crate::loss::thermal::{self, Start};
use crate::loss::{LossError, copper};
use crate::measure::curves::Thinned;
use crate::measure::steady::{self, SteadyResult};
use crate::model::board::Board;
use crate::model::case::Case;
use crate::model::corner::{CORNERS, Corner, End, Parameter, Placed, placed};
use crate::model::parts::Inductor;
use crate::model::parts::saturation::{Bound, FluxCurve, FluxTable};
use crate::stability::synthesis;
use std::cell::{Cell, RefCell};

/// Shortest interval to which a waveform is thinned, in switching periods.
const SHORTEST_INTERVAL: f64 = 0.25;
/// The same close to an edge, where a plot shows single cycles, and how many periods before and after it: more than that fit a plot
/// only as their envelope.
const FINE_INTERVAL: f64 = 1.0 / 16.0;
const FINE_PERIODS: (f64, f64) = (6.0, 64.0);

/// Currents up to this multiple of the full load are those of normal operation, ripple and tolerances included.
const NORMAL: f64 = 1.5;

/// One part on its board.
pub struct Stand<'a> {
    /// Case.
    pub case: &'a Case,
    /// Part.
    pub part: &'a Inductor,
    /// Corner.
    pub corner: Corner,
    /// Input voltage in V.
    pub input_v: f64,
    unit: Placed,
    watched: bool,
    without_curves: bool,
    full_load_degc: Cell<Option<f64>>,
    known: RefCell<Known>,
}

/// A steady state at its own winding temperature.
pub struct Warm {
    /// Measured steady state.
    pub steady: SteadyResult,
    /// Losses, or why there are none.
    pub budget: Result<Budget, LossError>,
    /// Winding temperature in degrees Celsius; the ambient one without losses.
    pub winding_degc: f64,
    /// Machine at that temperature.
    pub machine: Machine,
    /// Smooth curve at that temperature.
    pub curve: FluxCurve,
    /// What is to be said where the temperature did not settle.
    pub unsettled: Option<Note>,
}

impl<'a> Stand<'a> {
    /// A part of a case at a corner and an input voltage in V.
    pub fn new(case: &'a Case, part: &'a Inductor, corner: Corner, input_v: f64) -> Stand<'a> {
        Stand::beside(case, part, corner, input_v, Known::default())
    }

    /// The same, with what is known from a stand that is like it.
    pub fn beside(case: &'a Case, part: &'a Inductor, corner: Corner, input_v: f64, known: Known) -> Stand<'a> {
        let unit = placed(&corner, &[], &case.board, part);
        Stand {
            case,
            part,
            corner,
            input_v,
            unit,
            watched: false,
            without_curves: false,
            full_load_degc: Cell::new(None),
            known: RefCell::new(known),
        }
    }

    /// The board in this corner.
    pub(crate) fn board(&self) -> &Board {
        &self.unit.board
    }

    /// What it knows in the end.
    pub fn into_known(self) -> Known {
        self.known.into_inner()
    }

    /// What it knows.
    pub(super) fn known(&self) -> &RefCell<Known> {
        &self.known
    }

    /// The steady state of a machine on this stand at a load in A, measured.
    ///
    /// # Errors
    /// No steady state, or an energy book that does not close.
    pub(crate) fn steady(&self, machine: &mut Machine, load_a: f64) -> Result<SteadyResult, EngineError> {
        let near = self.known.borrow().state(machine, load_a).copied();
        let steady = steady::measure_near(machine, load_a, near.as_ref())?;
        self.known.borrow_mut().note_state(machine, load_a, Near::of(&steady.orbit));
        Ok(steady)
    }

    /// The place of a condition at a load in A.
    pub(crate) fn place(&self, condition: &'static str, load_a: f64) -> Place {
        let (corner, input_v) = (self.corner, Some(self.input_v));
        Place { condition, corner, input_v, load_a: Some(load_a), prebias_v: 0.0, load: 0 }
    }

    /// The same with the curves of all that is run on it, wherever it stands.
    #[must_use]
    pub fn watched(mut self) -> Stand<'a> {
        self.watched = true;
        self
    }

    /// The same without any curve.
    #[must_use]
    pub fn without_curves(mut self) -> Stand<'a> {
        self.without_curves = true;
        self
    }

    /// Whether every curve is wanted.
    pub(crate) fn is_watched(&self) -> bool {
        self.watched
    }

    /// Whether curves are wanted: of the nominal corner at the nominal input, and where somebody watches.
    pub(crate) fn is_shown(&self) -> bool {
        self.watched || (self.corner.is_nominal() && self.is_nominal_input() && !self.without_curves)
    }

    /// Whether the input is the nominal one.
    pub(crate) fn is_nominal_input(&self) -> bool {
        self.input_v == self.case.board.nominal_input_v
    }

    /// Full load in A.
    pub fn full_load_a(&self) -> f64 {
        self.case.board.full_load_a()
    }

    /// What the output is held against in V: a band is around what the board is meant to give; without one each unit is held against its
    /// own aim.
    pub(crate) fn aim_v(&self) -> f64 {
        let board = if self.case.limits.output_band.is_some() { &self.case.board } else { self.board() };
        board.output_v
    }

    /// Half the width of the recovery band in V.
    pub fn half_band_v(&self) -> f64 {
        self.case.limits.recovery_band * self.board().output_v
    }

    /// Time in s in which a loop settles.
    pub(crate) fn settling_s(&self) -> f64 {
        let procedure = &self.case.board.procedure;
        let periods_s = procedure.settling_periods / self.board().frequency_hz;
        let of_recovery_s = self.case.limits.recovery_s.map(|recovery_s| procedure.settling_recoveries * recovery_s);
        of_recovery_s.map_or(periods_s, |recoveries_s| periods_s.max(recoveries_s))
    }

    /// The smooth saturation curve of the part at the corner and a winding temperature.
    fn curve(&self, factor: f64, winding_degc: f64) -> Result<FluxCurve, Failure> {
        Ok(FluxCurve::of_unit(&self.part.saturation, self.part.core, winding_degc, factor)?)
    }

    /// The circuit at a steady load and a winding temperature, with the smooth curve behind it. `further` lists what the condition
    /// drives to an end besides the corner.
    fn circuit(
        &self,
        load_a: f64,
        winding_degc: f64,
        further: &[(Parameter, End)],
    ) -> Result<(Circuit, FluxCurve), Failure> {
        let (case, part) = (self.case, self.part);
        let at = placed(&self.corner, further, &case.board, part);
        let curve = self.curve(at.inductance_factor, winding_degc)?;
        let bound = Bound { error_a: case.numerics.saturation_error_a, up_to_a: NORMAL * self.full_load_a() };
        let table = FluxTable::within(&curve, bound)?;
        let dcr_ohm = copper::resistance_ohm(at.dcr_ohm, winding_degc);
        let mut circuit = Circuit::new(&at.board, table, dcr_ohm, self.input_v, load_a);
        circuit.cancel = case.cancel.clone();
        circuit.limit_level = match at.threshold {
            None => LimitLevel::Typical,
            Some(End::Least) => LimitLevel::Lowest,
            Some(End::Most) => LimitLevel::Highest,
        };
        Ok((circuit, curve))
    }

    /// A machine at a steady load in A and a winding temperature in degrees Celsius, with the smooth curve behind it.
    ///
    /// # Errors
    /// A circuit that the engine cannot hold, or a saturation table that cannot be laid.
    pub fn machine(&self, load_a: f64, winding_degc: f64) -> Result<(Machine, FluxCurve), Failure> {
        let (circuit, curve) = self.circuit(load_a, winding_degc, &[])?;
        Ok((Machine::new(circuit)?, curve))
    }

    /// A machine at full load with what a condition changes.
    ///
    /// # Errors
    /// As [`Stand::machine`].
    pub fn changed(
        &self,
        winding_degc: f64,
        further: &[(Parameter, End)],
        change: impl FnOnce(&mut Circuit),
    ) -> Result<(Machine, FluxCurve), Failure> {
        let (mut circuit, curve) = self.circuit(self.full_load_a(), winding_degc, further)?;
        change(&mut circuit);
        Ok((Machine::new(circuit)?, curve))
    }

    /// Steady state and winding temperature together: each depends on the other until both settle.
    ///
    /// # Errors
    /// No steady state, or an energy book that does not close.
    pub fn warm(&self, load_a: f64) -> Result<Warm, Failure> {
        let (board, part, core_factor) = (self.board(), self.part, self.unit.core_factor);
        let at = |winding_degc: f64| -> Result<Warm, Failure> {
            let (mut machine, curve) = self.machine(load_a, winding_degc)?;
            let steady = self.steady(&mut machine, load_a)?;
            let budget = budget(board, part, self.input_v, machine.circuit.dcr_ohm, core_factor, &steady);
            Ok(Warm { steady, budget, winding_degc, machine, curve, unsettled: None })
        };
        let mut last: Option<Warm> = None;
        let start = self.known.borrow().winding(load_a).unwrap_or(Start::at(board.ambient_degc));
        let outcome = thermal::settle(board.ambient_degc, part.thermal_resistance_k_per_w, start, |winding_degc| {
            let warm = at(winding_degc)?;
            // Without a loss nothing can balance, and the search ends where it is.
            let loss_w = warm.budget.as_ref().map_or(f64::NAN, Budget::inductor_w);
            let repeats = warm.steady.orbit.repeats;
            last = Some(warm);
            Ok::<_, Failure>(thermal::Loss { loss_w, repeats })
        })?;
        let unsettled = match outcome {
            thermal::Outcome::Settled(settled) => {
                self.known.borrow_mut().note_winding(load_a, settled.start);
                None
            }
            thermal::Outcome::Runaway { .. } => Some(Note::ThermalRunaway),
            thermal::Outcome::Unsettled { .. } => Some(Note::RoughTemperature),
        };
        match last {
            Some(warm) => Ok(Warm { unsettled: unsettled.filter(|_| warm.budget.is_ok()), ..warm }),
            None => at(board.ambient_degc),
        }
    }

    /// Loss of the inductor in W at a load in A and a winding temperature in degrees Celsius, whatever balance that may be.
    ///
    /// # Errors
    /// No steady state, or losses that cannot be calculated.
    #[cfg(feature = "shell")]
    pub(crate) fn inductor_loss_w(&self, load_a: f64, winding_degc: f64) -> Result<f64, Failure> {
        let (mut machine, _) = self.machine(load_a, winding_degc)?;
        let steady = self.steady(&mut machine, load_a)?;
        let dcr_ohm = machine.circuit.dcr_ohm;
        let budget = budget(self.board(), self.part, self.input_v, dcr_ohm, self.unit.core_factor, &steady)?;
        Ok(budget.inductor_w())
    }

    /// Further stable waveforms at a warm steady state's load, at the temperature that their own losses make of its winding.
    ///
    /// # Errors
    /// As [`Stand::warm`].
    pub(crate) fn others(&self, warm: &mut Warm, load_a: f64) -> Result<Vec<Warm>, Failure> {
        if self.known.borrow().is_alone(load_a) {
            return Ok(vec![]);
        }
        let (board, part, core_factor) = (self.board(), self.part, self.unit.core_factor);
        let orbits = warm.machine.other_orbits(&warm.steady.orbit, load_a)?;
        let at = |orbit: Orbit| -> Result<Warm, Failure> {
            let (mut machine, curve) = self.machine(load_a, warm.winding_degc)?;
            let steady = steady::measure_orbit(&mut machine, orbit)?;
            let budget = budget(board, part, self.input_v, machine.circuit.dcr_ohm, core_factor, &steady);
            let loss_w = budget.as_ref().map_or(0.0, Budget::inductor_w);
            let winding_degc = board.ambient_degc + part.thermal_resistance_k_per_w * loss_w;
            Ok(Warm { steady, budget, winding_degc, machine, curve, unsettled: None })
        };
        if orbits.is_empty() {
            self.known.borrow_mut().note_alone(load_a);
        }
        orbits.into_iter().map(at).collect()
    }

    /// Notes the winding temperature in degrees Celsius at the highest load that has been found so far.
    pub(crate) fn note_winding(&self, winding_degc: f64) {
        self.full_load_degc.set(Some(winding_degc));
    }

    /// Winding temperature in degrees Celsius at full load, or at the highest load that the limit delivers; the ambient one where it
    /// delivers none.
    ///
    /// # Errors
    /// As [`Stand::warm`], except for a load that is not delivered.
    pub(crate) fn full_load_degc(&self) -> Result<f64, Failure> {
        if let Some(known) = self.full_load_degc.get() {
            return Ok(known);
        }
        let winding_degc = match self.warm(self.full_load_a()) {
            Ok(warm) => warm.winding_degc,
            Err(Failure::Engine(EngineError::DoesNotDeliver { .. })) => self.board().ambient_degc,
            Err(failure) => return Err(failure),
        };
        self.note_winding(winding_degc);
        Ok(winding_degc)
    }

    /// A watch for the waveform of a run of a condition where curves are wanted: in intervals of which there are at most `most`,
    /// times counted from `origin`, and cycle by cycle around each of the `edges` of what drives it.
    pub(crate) fn thinned(
        &self,
        wanted: bool,
        machine: &Machine,
        cycles: u64,
        (origin, edges): (Instant, &[Instant]),
        most: f64,
    ) -> Option<Thinned> {
        let period_s = machine.period_s();
        let interval_s = (cycles as f64 * period_s / most).max(SHORTEST_INTERVAL * period_s);
        let since_origin_s = |at: &Instant| (at.0 as f64 - origin.0 as f64) * period_s + at.1 - origin.1;
        let span_s = |at_s: f64| (at_s - FINE_PERIODS.0 * period_s, at_s + FINE_PERIODS.1 * period_s);
        let spans_s = edges.iter().map(since_origin_s).map(span_s).collect();
        let watch = || Thinned::new(origin, period_s, interval_s).finer(spans_s, FINE_INTERVAL * period_s);
        (wanted && self.is_shown()).then(watch)
    }

    /// The curve of a run, where it was watched.
    pub(crate) fn event_curve(
        &self,
        condition: &'static str,
        thinned: Option<Thinned>,
        means_v: (f64, f64),
    ) -> Option<Curve> {
        thinned.map(|thinned| Curve::Event(condition, step_curve(&self.part.name, thinned, means_v)))
    }
}

/// The load as a resistor that draws a current in A at the output aimed at: a sink would pull an empty output below zero.
pub(crate) fn into_resistance(circuit: &mut Circuit, load_a: f64) {
    (circuit.load_s, circuit.load_w) = (0.0, 0.0);
    let ohm = circuit.board.output_v / load_a;
    circuit.resistor = Some((ohm, circuit.board.procedure.leads_s * ohm));
}

/// Notes a peak current in A that lies beyond the saturation data.
pub(crate) fn note_beyond(curve: &FluxCurve, peak_a: f64, figures: &mut Figures) {
    figures.note_if(curve.is_beyond(peak_a), Note::BeyondSaturationData);
}

/// The case with everything laid out that it only describes: a compensator that is known by its loop.
///
/// # Errors
/// A loop that cannot be had on the original part.
pub fn prepared(case: &Case) -> Result<Case, Failure> {
    let mut case = case.clone();
    prepare(&mut case)?;
    Ok(case)
}

/// The same in place.
///
/// # Errors
/// As [`prepared`].
pub fn prepare(case: &mut Case) -> Result<(), Failure> {
    let Some(aim) = case.board.control.aim else { return Ok(()) };
    let board = &case.board;
    let stand = Stand::new(case, &case.parts[0], CORNERS[0], board.nominal_input_v);
    let full_a = stand.full_load_a();
    let (circuit, _) = stand.circuit(full_a, board.ambient_degc, &[])?;
    let compensator = synthesis::fit(&circuit, &aim, full_a)?;
    case.board.control.compensator = compensator;
    Ok(())
}
