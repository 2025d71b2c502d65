//! Motion within and between switching instants, against closed forms.

use super::{Log, Status};
use crate::support::*;
use presolder::board::Board;
use presolder::engine::machine::{Observer, Stretch};
use presolder::engine::modal::Modal;
use presolder::engine::network::{FLUX_STATE, Path};
use presolder::engine::program::Program;
use presolder::engine::row::{INPUTS, Input, InputVector, MAX_STATES, Row, StateVector};

/// Values are given to 16 digits; the modal form is held to 1e-10 of the matrix exponential.
const INTEGRATOR: f64 = 1e-10;

/// Constant inputs: the number one and a source.
pub fn inputs(source_v: f64) -> InputVector {
    let mut u = [0.0; INPUTS];
    u[Input::One as usize] = 1.0;
    u[Input::Source as usize] = source_v;
    u
}

/// A state vector of the given numbers.
pub fn vector(values: &[f64]) -> StateVector {
    let mut x = [0.0; MAX_STATES];
    x[..values.len()].copy_from_slice(values);
    x
}

/// State after a time.
pub fn propagate(modal: &Modal, x: &StateVector, u: InputVector, t_s: f64) -> StateVector {
    modal.state(&modal.flow(x, u, [0.0; INPUTS]), t_s, &modal.basis(t_s))
}

/// Series circuit at a source: current, capacitor voltage.
pub fn series_rlc(resistance_ohm: f64, inductance_h: f64, capacitance_f: f64, longest_s: f64) -> Modal {
    let (i, v) = (Row::state(0), Row::state(1));
    let rows = [(Row::input(Input::Source) - i * resistance_ohm - v) * (1.0 / inductance_h), i * (1.0 / capacitance_f)];
    Modal::new(&rows, longest_s)
}

pub fn rlc_step(log: &mut Log) {
    log.case(
        "Step of a series circuit (R, L, C)",
        "closed forms evaluated with 30 digits: 5 V, 10 uH, 100 uF; 0.1 ohm, critically damped, 2 ohm",
        Status::Oracle,
    );
    let at = |modal: &Modal, t_s: f64| propagate(modal, &vector(&[0.0]), inputs(5.0), t_s);
    let modal = series_rlc(0.1, 10e-6, 100e-6, 300e-6);
    assert!(!modal.is_dense(), "distinct eigenvalues have a modal form");
    for (t_us, current_a, voltage_v) in [
        (10.0, 4.679235634317492, 0.239875499815423),
        (50.0, 12.47022485588372, 4.339313939431408),
        (100.0, 0.1854313346493395, 8.022828945000076),
        (300.0, 0.2045496614557041, 6.103593532264256),
    ] {
        let x = at(&modal, t_us * 1e-6);
        log.near(format!("underdamped, current at {t_us} us"), x[0], current_a, INTEGRATOR);
        log.near(format!("underdamped, voltage at {t_us} us"), x[1], voltage_v, INTEGRATOR);
    }
    let peak = at(&modal, 100.6114863253916e-6);
    log.near("underdamped, highest voltage", peak[1], 8.023395328471692, INTEGRATOR);

    let x = at(&series_rlc(0.6324555320336759, 10e-6, 100e-6, 50e-6), 50e-6);
    log.near("critically damped, current at 50 us", x[0], 5.143516527095361, INTEGRATOR);
    log.near("critically damped, voltage at 50 us", x[1], 2.344773953746877, INTEGRATOR);

    let x = at(&series_rlc(2.0, 10e-6, 100e-6, 50e-6), 50e-6);
    log.near("overdamped, current at 50 us", x[0], 2.038698538937374, INTEGRATOR);
    log.near("overdamped, voltage at 50 us", x[1], 1.026928808846175, INTEGRATOR);
}

/// A triple eigenvalue has no modal form: the matrix exponential takes its place.
pub fn equal_stages(log: &mut Log) {
    log.case(
        "Three equal low-pass stages in a row",
        "5 V (1 - exp(-a t) (1 + a t + (a t)^2 / 2)), a = 7.3e4 / s",
        Status::Derived,
    );
    let stage = |before: Row, k: usize| (before - Row::state(k)) * 7.3e4;
    let rows = [stage(Row::input(Input::Source), 0), stage(Row::state(0), 1), stage(Row::state(1), 2)];
    let modal = Modal::new(&rows, 40e-6);
    assert!(modal.is_dense(), "a triple eigenvalue has no modal form");
    for t_us in [3.0, 17.0, 40.0] {
        let x = propagate(&modal, &vector(&[0.0]), inputs(5.0), t_us * 1e-6);
        let angle: f64 = 7.3e4 * t_us * 1e-6;
        let expected_v = 5.0 * (1.0 - (-angle).exp() * (1.0 + angle + angle * angle / 2.0));
        log.near(format!("voltage at {t_us} us"), x[2], expected_v, INTEGRATOR);
    }
}

/// Both positions of the switch as affine maps of the current; their periodic point follows from two runs.
pub fn chopper(log: &mut Log) {
    log.case(
        "Chopper with resistance, inductance and back-emf",
        "closed form of the periodic exponentials: 12 V, 3.3 V, 0.05 ohm, 4.7 uH, 2 us, duty 0.29",
        Status::Derived,
    );
    let row = |source: Row| (source - Row::constant(3.3) - Row::state(0) * 0.05) * (1.0 / 4.7e-6);
    let on = Modal::new(&[row(Row::input(Input::Source))], 2e-6);
    let off = Modal::new(&[row(Row::ZERO)], 2e-6);
    let on_s = 0.29 * 2e-6;
    let high = |low_a: f64| propagate(&on, &vector(&[low_a]), inputs(12.0), on_s)[0];
    let cycle = |low_a: f64| propagate(&off, &vector(&[high(low_a)]), inputs(12.0), 2e-6 - on_s)[0];
    let low_a = cycle(0.0) / (1.0 + cycle(0.0) - cycle(1.0));
    log.near("lowest current", low_a, 3.075084906730005, INTEGRATOR);
    log.near("highest current", high(low_a), 4.126480995388892, INTEGRATOR);
    // The inductor's mean voltage is zero, so the mean current is (D V - E) / R.
    log.near("mean current", mean_of_chopper(&on, &off, low_a, on_s), 3.6, INTEGRATOR);
}

/// Mean of the current over a period from the volt-seconds: R times the charge is the source's share minus E minus L times the change.
fn mean_of_chopper(on: &Modal, off: &Modal, low_a: f64, on_s: f64) -> f64 {
    let charge = |modal: &Modal, from_a: f64, volts: f64, t_s: f64| {
        let to_a = propagate(modal, &vector(&[from_a]), inputs(12.0), t_s)[0];
        ((volts - 3.3) * t_s - 4.7e-6 * (to_a - from_a)) / 0.05
    };
    let high_a = propagate(on, &vector(&[low_a]), inputs(12.0), on_s)[0];
    (charge(on, low_a, 12.0, on_s) + charge(off, high_a, 0.0, 2e-6 - on_s)) / 2e-6
}

/// Durations of the stretches by path, and the current at their ends.
#[derive(Default)]
pub struct Steps {
    pub seen: Vec<(Path, f64, f64)>,
}

impl Observer for Steps {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        let end_a = stretch.read(Output::Inductor, stretch.end, stretch.duration_s);
        self.seen.push((stretch.mode.key.path, stretch.duration_s, end_a));
    }
}

/// Runs an open-loop board from a state at a clock edge, without the instrument.
pub fn run_from(
    board: &Board,
    flux: FluxTable,
    load_a: f64,
    x: &[f64],
    cycles: u64,
    observer: &mut impl Observer,
) -> StateVector {
    let mut circuit = Circuit::new(board, flux, 0.0, board.nominal_input_v, 0.0);
    circuit.instrument = false;
    let mut machine = Machine::new(circuit).unwrap();
    let mut state = machine.at_clock(vector(x));
    machine.run(&mut state, cycles, &mut Program::constant(load_a), observer, None).unwrap();
    state.x
}

/// The published numbers hold for a constant output, which a very large capacitor gives.
pub fn zero_crossing(log: &mut Log) {
    const PRINTED: f64 = 1e-6;
    log.case(
        "Instant at which the current reaches zero",
        "operating point with 25 ohm of sect. 15.4.2 of R. W. Erickson, D. Maksimovic, Fundamentals of Power Electronics, 3rd ed., Springer 2020 (inputs seen); straight lines",
        Status::Derived,
    );
    let output_v: f64 = 5.0 * (11.0 + 85.0 + 47.0) / 47.0;
    let (ratio, k): (f64, f64) = (output_v / 28.0, 2.0 * 50e-6 * 100e3 / 25.0);
    let duty = ratio * (k / (1.0 - ratio)).sqrt();
    let mut board = open_loop(28.0, duty, 100e3, vec![branch(1e4, 0.0, 0.0)], 0.0);
    board.load_kind = presolder::board::LoadKind::Current;
    board.stage.low_side = diode(0.0, 0.0);
    let mut steps = Steps::default();
    run_from(&board, linear(50e-6), output_v / 25.0, &[0.0, output_v], 1, &mut steps);
    let paths: Vec<Path> = steps.seen.iter().map(|step| step.0).collect();
    assert_eq!(paths, [Path::High, Path::LowDiode, Path::Idle]);
    log.near("duty", duty, 0.508476, PRINTED);
    log.near("peak current", steps.seen[0].2, 1.300402, PRINTED);
    log.near("time from turn-off to zero current", steps.seen[1].1, 4.27405e-6, PRINTED);
}

/// A capacitor and an inductor ring for a thousand cycles of the converter.
pub fn lossless(log: &mut Log) {
    const AFTER_1000_PERIODS: f64 = 1e-9;
    log.case("Lossless circuit of L and C over 1000 periods", "i = V / Z sin(w t), v = V cos(w t)", Status::Derived);
    let (inductance_h, capacitance_f, start_v) = (4.7e-6, 33e-6, 3.1f64);
    let modal = series_rlc(0.0, inductance_h, capacitance_f, 3.7e-6);
    let omega = 1.0 / (inductance_h * capacitance_f).sqrt();
    let period_s = std::f64::consts::TAU / omega;
    let energy = |x: &StateVector| 0.5 * inductance_h * x[0] * x[0] + 0.5 * capacitance_f * x[1] * x[1];
    let start = vector(&[0.0, start_v]);
    let (mut x, mut largest) = (start, 0.0f64);
    let pieces = (1000.0 * period_s / 3.7e-6).floor() as usize;
    for _ in 0..pieces {
        x = propagate(&modal, &x, inputs(0.0), 3.7e-6);
        largest = largest.max((energy(&x) / energy(&start) - 1.0).abs());
    }
    let angle = omega * 3.7e-6 * pieces as f64;
    log.below("change in energy", largest, AFTER_1000_PERIODS);
    log.below("voltage against the cosine, per volt", x[1] / start_v - angle.cos(), AFTER_1000_PERIODS);
    let impedance_ohm = (inductance_h / capacitance_f).sqrt();
    log.below("current against the sine, per ampere", -x[0] * impedance_ohm / start_v - angle.sin(), 1e-9);
}

/// i = a flux + b flux^3, made to lose 30 % of its incremental inductance at 5 A.
const RAMP_A: f64 = 1e5;
const RAMP_B: f64 = 7.463556851312e12;

/// Table of the cubic with that many equal steps up to 60 uWb.
pub fn cubic_table(steps: usize) -> FluxTable {
    let sample = |k: usize| {
        let flux = 60e-6 * k as f64 / steps as f64;
        (flux, RAMP_A * flux + RAMP_B * flux.powi(3))
    };
    FluxTable::from_samples(&(0..=steps).map(sample).collect::<Vec<_>>()).unwrap()
}

/// Largest current error of a chord of the cubic over the range of the table.
pub fn cubic_bound_a(steps: usize) -> f64 {
    let step_wb = 60e-6 / steps as f64;
    step_wb * step_wb / 8.0 * 6.0 * RAMP_B * 60e-6
}

/// Current at a time of a ramp by 8 V with the switch held on, and the energy from the source until then.
pub fn ramp(steps: usize, t_s: f64) -> (f64, f64, f64) {
    let mut board = open_loop(8.0, 1.0, 1.0 / t_s, vec![branch(1e7, 0.0, 0.0)], 0.0);
    board.load_kind = presolder::board::LoadKind::Current;
    let flux = cubic_table(steps);
    let mut book = Book::new(&Circuit::new(&board, flux.clone(), 0.0, 8.0, 0.0));
    let x = run_from(&board, flux.clone(), 0.0, &[0.0, 0.0], 1, &mut book);
    assert!(book.residual().abs() <= ENERGY_RESIDUAL, "energy residual {:e}", book.residual());
    (flux.current_a(x[FLUX_STATE]), book.source_j, x[FLUX_STATE])
}

pub fn saturating_ramp(log: &mut Log) {
    const STEPS: usize = 4000;
    log.case(
        "Saturating inductor under constant voltage",
        "i = a flux + b flux^3 with flux = 8 V t, energy a flux^2 / 2 + b flux^4 / 4; in a table of 4000 straight pieces",
        Status::Derived,
    );
    for (t_us, current_a) in [(1.0, 0.8038213411), (3.0, 2.5031762099), (5.0, 4.4776676385), (7.0, 6.9107200)] {
        let (ours_a, source_j, flux) = ramp(STEPS, t_us * 1e-6);
        let bound = cubic_bound_a(STEPS);
        log.near(format!("current at {t_us} us"), ours_a, current_a, bound / current_a + 1e-9);
        let energy_j = RAMP_A * flux.powi(2) / 2.0 + RAMP_B * flux.powi(4) / 4.0;
        log.near(format!("energy at {t_us} us"), source_j, energy_j, bound * flux / energy_j + 1e-9);
    }
}

/// No controller can do better than a switch held on (or off): the state then moves on a circle.
pub fn ideal_recovery(log: &mut Log) {
    const CLOSED_FORM: f64 = 1e-6;
    log.case(
        "Least dip and rise that any control could reach",
        "circle in the plane of current times impedance and voltage: sqrt((Vin - Vo)^2 + Z^2 dI^2) - (Vin - Vo)",
        Status::Derived,
    );
    for (source_v, output_v, inductance_h, capacitance_f, step_a, dip_mv, rise_mv) in [
        (5.0, 1.8, 1e-6, 200e-6, 2.5, 4.879093, 8.659725),
        (28.0, 15.0, 50e-6, 500e-6, 3.5, 47.03031, 40.77791),
        (12.0, 1.2, 0.47e-6, 300e-6, 10.0, 7.250653, 63.59276),
    ] {
        let period_s = std::f64::consts::TAU * f64::sqrt(inductance_h * capacitance_f);
        let low_a = 1.3;
        for (duty, from_a, to_a) in [(1.0, low_a, low_a + step_a), (0.0, low_a + step_a, low_a)] {
            let mut board = open_loop(source_v, duty, 1.0 / period_s, vec![branch(capacitance_f, 0.0, 0.0)], 0.0);
            board.load_kind = presolder::board::LoadKind::Current;
            let mut extremes = Extremes::of(&[Output::Voltage]);
            run_from(&board, linear(inductance_h), to_a, &[from_a * inductance_h, output_v], 1, &mut extremes);
            let range = extremes.range(Output::Voltage);
            if duty == 1.0 {
                log.near(
                    format!("dip, {source_v} V to {output_v} V"),
                    output_v - range.low,
                    dip_mv * 1e-3,
                    CLOSED_FORM,
                );
            } else {
                log.near(
                    format!("rise, {source_v} V to {output_v} V"),
                    range.high - output_v,
                    rise_mv * 1e-3,
                    CLOSED_FORM,
                );
            }
        }
    }
}

/// Response of an output to a step of the load, where its impedance is of second order: the filter itself, its switch node held at
/// ground, with a resistor across the output.
pub fn second_order_step(log: &mut Log) {
    /// The table has seven digits.
    const PRINTED: f64 = 1e-6;
    log.case(
        "Peak of the output after a load step, output impedance of second order",
        "eq. 9.47 to 9.50 of R. W. Erickson, D. Maksimovic, Fundamentals of Power Electronics, 3rd ed., Springer 2020; peaks relative to I0 R0 over Q",
        Status::Seen,
    );
    let (inductance_h, capacitance_f, step_a) = (1.9e-6f64, 37e-6f64, 1.7);
    let impedance_ohm = (inductance_h / capacitance_f).sqrt();
    for (q, peak) in [
        (0.1, 0.0963562),
        (0.3, 0.2532786),
        (0.5, 0.3678794),
        (0.75, 0.4712933),
        (1.0, 0.5462930),
        (2.0, 0.7115311),
        (4.0, 0.8335081),
        (10.0, 0.9266920),
    ] {
        let frequency_hz = 1.0 / (9.0 * (inductance_h * capacitance_f).sqrt());
        let mut board = open_loop(12.0, 0.0, frequency_hz, vec![branch(capacitance_f, 0.0, 0.0)], 0.0);
        board.load_kind = presolder::board::LoadKind::Current;
        let mut circuit = Circuit::new(&board, linear(inductance_h), 0.0, 12.0, 0.0);
        circuit.instrument = false;
        circuit.load_s = 1.0 / (q * impedance_ohm);
        let mut machine = Machine::new(circuit).unwrap();
        let mut extremes = Extremes::of(&[Output::Voltage]);
        let mut state = machine.at_clock(vector(&[0.0, 0.0]));
        machine.run(&mut state, 1, &mut Program::constant(step_a), &mut extremes, None).unwrap();
        let ours = -extremes.range(Output::Voltage).low / (step_a * impedance_ohm);
        log.near(format!("peak at Q = {q}"), ours, peak, PRINTED);
    }
}

/// A source so high that the inductor's slew does not feel the dip.
pub fn charge_balance(log: &mut Log) {
    const STRAIGHT_SLEW: f64 = 1e-6;
    log.case(
        "Dip of a capacitor with series resistance while the inductor slews",
        "charge balance: dI^2 / (2 m C) + m ESR^2 C / 2, or ESR dI when ESR C is longer than dI / m; confirmed by brute force",
        Status::Derived,
    );
    let slew_a_per_s = 10.8 / 0.47e-6;
    let source_v = 9.1e4;
    for (esr_mohm, dip_mv) in [(0.0, 7.253086), (0.5, 8.114789), (1.0, 10.699895), (1.4, 14.008831), (2.0, 20.0)] {
        let mut board = open_loop(source_v, 1.0, 1.3e6, vec![branch(300e-6, esr_mohm * 1e-3, 0.0)], 0.0);
        board.load_kind = presolder::board::LoadKind::Current;
        let mut extremes = Extremes::of(&[Output::Voltage]);
        run_from(&board, linear(source_v / slew_a_per_s), 10.0, &[0.0, 0.0], 1, &mut extremes);
        log.near(
            format!("dip with {esr_mohm} mohm"),
            -extremes.range(Output::Voltage).low,
            dip_mv * 1e-3,
            STRAIGHT_SLEW,
        );
    }
}
