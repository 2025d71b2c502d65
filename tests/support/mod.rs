//! Boards for tests, built in code.
#![allow(dead_code)]

pub mod checked;
pub mod demo;
pub mod validation;

use presolder::board::{
    Board, Compensator, Control, Events, LoadKind, LowSide, Modulator, Protection, Stage, Tolerances,
};
use presolder::engine::book::Book;
use presolder::engine::machine::{Machine, Output};
use presolder::engine::network::Circuit;
use presolder::engine::steady::Orbit;
use presolder::measure::extremes::Extremes;
use presolder::parts::CapacitorBranch;
use presolder::parts::saturation::FluxTable;

/// A capacitor branch.
pub fn branch(capacitance_f: f64, esr_ohm: f64, esl_h: f64) -> CapacitorBranch {
    CapacitorBranch::new("branch", capacitance_f, esr_ohm, esl_h).expect("a branch that can be used")
}

/// Switches without loss, dead time or delay.
pub fn ideal_stage() -> Stage {
    Stage {
        high_side_ohm: 0.0,
        low_side: LowSide::Switch { on_ohm: 0.0, dead_time_s: 0.0, body_diode_v: 0.7, emulation: false },
        hot_factor: 1.0,
        rise_s: 0.0,
        fall_s: 0.0,
        gate_charge_c: 0.0,
        gate_v: 0.0,
        recovery_charge_c: 0.0,
        output_capacitance_f: 0.0,
        quiescent_a: 0.0,
        pulse_rating_a: None,
    }
}

/// An open-loop board with a resistive load.
pub fn open_loop(source_v: f64, duty: f64, frequency_hz: f64, bank: Vec<CapacitorBranch>, load_a: f64) -> Board {
    Board {
        title: "test".into(),
        input_v: vec![source_v],
        nominal_input_v: source_v,
        output_v: duty * source_v,
        frequency_hz,
        load_a: vec![load_a],
        load_kind: LoadKind::Resistance,
        ambient_degc: 25.0,
        coldest_degc: None,
        tolerances: Tolerances { frequency: 0.1, reference: 0.015, divider: 0.01 },
        stage: ideal_stage(),
        output_bank: bank,
        input_bank: vec![],
        control: Control {
            compensator: Compensator::Open,
            modulator: Modulator::FixedDuty { duty },
            min_on_s: 0.0,
            min_off_s: 0.0,
            protection: Protection::default(),
            aim: None,
        },
        load_step: None,
        loads: vec![],
        events: Events::default(),
        land: None,
        keep_out: None,
        grade: None,
        fillets: None,
        procedure: Default::default(),
    }
}

/// An open-loop board with a load resistor.
pub fn resistive(
    source_v: f64,
    duty: f64,
    frequency_hz: f64,
    bank: Vec<CapacitorBranch>,
    load_ohm: f64,
) -> (Board, f64) {
    let load_a = duty * source_v / load_ohm;
    (open_loop(source_v, duty, frequency_hz, bank, load_a), load_a)
}

/// A diode as low side.
pub fn diode(forward_v: f64, slope_ohm: f64) -> LowSide {
    LowSide::Diode { forward_v, slope_ohm }
}

/// An inductor that does not saturate.
pub fn linear(inductance_h: f64) -> FluxTable {
    FluxTable::linear(inductance_h).expect("the inductance is positive")
}

/// Largest residual of an energy book as a fraction of the energy through the converter: what the quadrature and the
/// propagation leave, with a margin of some thousand over what is seen.
pub const ENERGY_RESIDUAL: f64 = 1e-9;

/// Rounding of the stored energy, which the book takes a difference of: it shows where a capacitor is so large that it
/// holds a million times the energy of a cycle.
pub const STORED_ROUNDING: f64 = 1e-12;

/// What a steady state shows.
pub struct Steady {
    pub orbit: Orbit,
    pub book: Book,
    pub extremes: Extremes,
}

impl Steady {
    pub fn current(&self) -> (f64, f64) {
        let range = self.extremes.range(Output::Inductor);
        (range.low, range.high)
    }
    pub fn voltage(&self) -> (f64, f64) {
        let range = self.extremes.range(Output::Voltage);
        (range.low, range.high)
    }
    pub fn mean_voltage(&self) -> f64 {
        self.book.output_vs / self.book.duration_s
    }
    pub fn mean_current(&self) -> f64 {
        self.book.current.0 / self.book.duration_s
    }
    pub fn ripple(&self) -> f64 {
        self.voltage().1 - self.voltage().0
    }
    pub fn swing(&self) -> f64 {
        self.current().1 - self.current().0
    }
    pub fn duty(&self) -> f64 {
        self.book.high_side_s / self.book.duration_s
    }
    pub fn rms_current(&self) -> f64 {
        (self.book.current.1 / self.book.duration_s).sqrt()
    }
    /// Share of the period in which current flows while the high side is open.
    pub fn freewheeling(&self) -> f64 {
        1.0 - self.duty() - self.book.idle_s / self.book.duration_s
    }
}

/// Steady state of a board with an inductor.
pub fn steady(board: &Board, flux: FluxTable, dcr_ohm: f64, source_v: f64, load_a: f64) -> Steady {
    steady_of(Circuit::new(board, flux, dcr_ohm, source_v, load_a), load_a)
}

/// Steady state of a circuit.
pub fn steady_of(circuit: Circuit, load_a: f64) -> Steady {
    let mut machine = Machine::new(circuit).expect("the circuit is sound");
    let orbit = machine.steady(load_a).expect("a steady state exists");
    let book = Book::new(&machine.circuit);
    let extremes = Extremes::of(&[Output::Inductor, Output::Voltage, Output::Instrument, Output::Control]);
    let mut observer = (book, extremes);
    machine.trace_orbit(&orbit, &mut observer).expect("an orbit runs");
    let (book, extremes) = observer;
    let run = Steady { orbit, book, extremes };
    let stored_j: f64 = machine.circuit.bank.iter().map(|b| 0.5 * b.capacitance_f * run.mean_voltage().powi(2)).sum();
    let allowed = ENERGY_RESIDUAL + STORED_ROUNDING * stored_j / run.book.throughput_j;
    assert!(run.book.residual().abs() <= allowed, "energy residual {:e}", run.book.residual());
    run
}
