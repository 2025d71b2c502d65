//! Crossover, margins and the edge of stability: against closed forms in frequency, averaged models and published loops.
//!
//! Where both switches have the same resistance, dead time is none and the inductor is linear, the power stage is one linear
//! network that the switch node drives. A turn-off that comes `dt` later adds an impulse of `V dt` to it, in every cycle one, and
//! the spectrum of such a train of impulses is known: that gives the loop gain in frequency, without a map, a mode or a state.

use super::regulator::{point_of_load, regulator};
use super::{Log, Status};
use crate::support::demo::{self, DemoBoard};
use crate::support::*;
use nalgebra::Complex;
use presolder::board::{Board, Compensator, LoadKind, LowSide, Modulator, Ramp};
use presolder::engine::linear::{Frame, LinearOrbit};
use presolder::engine::machine::Machine;
use presolder::engine::network::Circuit;
use presolder::measure::steady;
use presolder::parts::saturation::FluxTable;
use presolder::stability::{Loop, Margins};
use std::f64::consts::{PI, TAU};

/// Images of the spectrum that are summed to each side. They fall with the square of their number; what is left out is then
/// below 1e-5 of the sum, which itself is a correction.
const IMAGES: i32 = 60_000;

/// A loop in frequency: a board whose power stage is one linear network.
pub struct InFrequency<'a> {
    pub board: &'a Board,
    pub inductance_h: f64,
    /// Winding and switch in ohm.
    pub series_ohm: f64,
    pub load_a: f64,
    /// High-side conduction in s, from the run.
    pub on_s: f64,
}

impl InFrequency<'_> {
    fn period_s(&self) -> f64 {
        1.0 / self.board.frequency_hz
    }

    fn source_v(&self) -> f64 {
        self.board.nominal_input_v
    }

    /// Bank and load in parallel.
    fn output_ohm(&self, s: Complex<f64>) -> Complex<f64> {
        let branches = self.board.output_bank.iter();
        let bank: Complex<f64> = branches.map(|b| 1.0 / (s * b.esl_h + b.esr_ohm + 1.0 / (s * b.capacitance_f))).sum();
        let load_s = if self.board.load_kind == LoadKind::Resistance { self.load_a / self.board.output_v } else { 0.0 };
        1.0 / (bank + load_s)
    }

    /// Inductor current per volt at the switch node.
    fn current_s(&self, s: Complex<f64>) -> Complex<f64> {
        1.0 / (self.output_ohm(s) + s * self.inductance_h + self.series_ohm)
    }

    /// Fall of the control voltage per volt at the output, from the values of the parts.
    fn compensator(&self, s: Complex<f64>) -> Complex<f64> {
        match self.board.control.compensator {
            Compensator::OpAmp { r1_ohm, rb_ohm, lead, r2_ohm, c1_f, c2_f, gain_bandwidth_hz, .. } => {
                let lead_s = lead.map_or(Complex::new(0.0, 0.0), |(r3_ohm, c3_f)| 1.0 / (1.0 / (s * c3_f) + r3_ohm));
                let input_s = lead_s + 1.0 / r1_ohm;
                let feedback_s = 1.0 / (1.0 / (s * c1_f) + r2_ohm) + s * c2_f;
                let node_s = input_s + feedback_s + 1.0 / rb_ohm;
                let open = TAU * gain_bandwidth_hz / s;
                input_s / node_s * open / (open * feedback_s / node_s + 1.0)
            }
            Compensator::Transconductance { reference_v, gm_s, ro_ohm, rc_ohm, cc_f, chf_f, .. } => {
                let load_s = 1.0 / (1.0 / (s * cc_f) + rc_ohm) + s * chf_f + 1.0 / ro_ohm;
                gm_s * reference_v / self.board.output_v / load_s
            }
            _ => panic!("these boards have a linear compensator"),
        }
    }

    /// Fall of the control voltage per volt at the switch node.
    fn control(&self, s: Complex<f64>) -> Complex<f64> {
        self.current_s(s) * self.output_ohm(s) * self.compensator(s)
    }

    /// (factor of the control voltage, of the current, slope of the ramp, delay in s) of the comparator.
    fn comparator(&self) -> (f64, f64, f64, f64) {
        match self.board.control.modulator {
            Modulator::VoltageMode { ramp, delay_s } => {
                let ramp_v = match ramp {
                    Ramp::Fixed(ramp_v) => ramp_v,
                    Ramp::InputOver(divisor) => self.source_v() / divisor,
                };
                (1.0, 0.0, ramp_v / self.period_s(), delay_s)
            }
            Modulator::PeakCurrent { gain_a_per_v, slope_a_per_s, delay_s } => {
                (gain_a_per_v, 1.0, slope_a_per_s, delay_s)
            }
            _ => panic!("these boards have a modulator with a clock"),
        }
    }

    /// Sum over all images of a response, delayed, at an angular frequency; for no delay the value just before the instant.
    fn images(&self, response: impl Fn(Complex<f64>) -> Complex<f64>, omega: f64, delay_s: f64) -> Complex<f64> {
        let clock = TAU * self.board.frequency_hz;
        let at = |n: i32| {
            let s = Complex::new(0.0, omega + f64::from(n) * clock);
            if s.im == 0.0 { Complex::new(0.0, 0.0) } else { response(s) * (-s * delay_s).exp() }
        };
        let sum: Complex<f64> = (1..=IMAGES).map(|n| at(n) + at(-n)).sum::<Complex<f64>>() + at(0);
        // A Fourier sum gives the middle of a jump.
        let jump = if delay_s == 0.0 { first_value(&response) } else { 0.0 };
        sum / self.period_s() - 0.5 * jump
    }

    /// Slope at the trip, just before it where there is no delay, of the steady response to the switch node.
    fn slope(&self, response: impl Fn(Complex<f64>) -> Complex<f64>, delay_s: f64) -> f64 {
        let (on_s, clock) = (self.on_s, TAU * self.board.frequency_hz);
        let at = |n: i32| {
            let s = Complex::new(0.0, f64::from(n) * clock);
            response(s) * (1.0 - (-s * on_s).exp()) * (s * (on_s - delay_s)).exp()
        };
        let sum: f64 = (1..=IMAGES).map(|n| 2.0 * at(n).re).sum();
        let jump = if delay_s == 0.0 { first_value(&response) } else { 0.0 };
        self.source_v() * (sum / self.period_s() + 0.5 * jump)
    }

    /// Loop gain (between samples at the trip, as an analyser shows it), exact for this class of boards.
    pub fn exact(&self, frequency_hz: f64) -> (Complex<f64>, Complex<f64>) {
        let (gain, sense, ramp, delay_s) = self.comparator();
        let (omega, source_v) = (TAU * frequency_hz, self.source_v());
        let (control, current) = (|s| self.control(s), |s| self.current_s(s));
        let mut rise = Complex::new(ramp + gain * self.slope(control, delay_s), 0.0);
        if sense != 0.0 {
            rise += self.slope(current, delay_s) + source_v * self.images(current, omega, delay_s);
        }
        let all = gain * source_v * self.images(control, omega, delay_s);
        let s = Complex::new(0.0, omega);
        let own = gain * source_v / self.period_s() * control(s) * (-s * delay_s).exp();
        (all / rise, own / (rise + all - own))
    }

    /// Output impedance with the duty held: winding and inductor parallel to bank and load.
    fn held_ohm(&self, s: Complex<f64>) -> Complex<f64> {
        self.output_ohm(s) * (s * self.inductance_h + self.series_ohm) * self.current_s(s)
    }

    /// Rise of the comparator's signal per ampere of the load with the duty held.
    fn seen(&self, s: Complex<f64>) -> Complex<f64> {
        let (gain, sense, ..) = self.comparator();
        self.output_ohm(s) * self.current_s(s) * sense - gain * self.compensator(s) * self.held_ohm(s)
    }

    /// Output impedance (loop opened at the control voltage, loop closed), exact for this class of boards: a shift of a turn-off is
    /// an impulse at the switch node, whose component at the load's own frequency counts, and all of whose images come back.
    pub fn impedance(&self, frequency_hz: f64) -> [Complex<f64>; 2] {
        let (gain, sense, ramp, delay_s) = self.comparator();
        let (omega, source_v) = (TAU * frequency_hz, self.source_v());
        let (control, current) = (|s| self.control(s), |s| self.current_s(s));
        let mut rise = Complex::new(ramp + gain * self.slope(control, delay_s), 0.0);
        if sense != 0.0 {
            rise += self.slope(current, delay_s) + source_v * self.images(current, omega, delay_s);
        }
        let all = gain * source_v * self.images(control, omega, delay_s);
        let s = Complex::new(0.0, omega);
        let output = self.output_ohm(s) * self.current_s(s) * (-s * delay_s).exp() * source_v / self.period_s();
        let opened = sense * self.output_ohm(s) * self.current_s(s);
        [self.held_ohm(s) + output * opened / rise, self.held_ohm(s) + output * self.seen(s) / (rise + all)]
    }

    /// The same by the averaged model.
    pub fn averaged_impedance(&self, frequency_hz: f64) -> [Complex<f64>; 2] {
        let (gain, sense, ..) = self.comparator();
        let s = Complex::new(0.0, TAU * frequency_hz);
        let duty = self.averaged_duty(s);
        let through = self.output_ohm(s) * self.current_s(s) * duty;
        let current = sense * duty * self.current_s(s) + 1.0;
        let opened = sense * self.output_ohm(s) * self.current_s(s);
        let closed = current + gain * duty * self.control(s);
        [self.held_ohm(s) + through * opened / current, self.held_ohm(s) + through * self.seen(s) / closed]
    }

    /// Voltage at the switch node per unit of the comparator's signal, in the mean.
    fn averaged_duty(&self, s: Complex<f64>) -> Complex<f64> {
        let (_, sense, ramp, delay_s) = self.comparator();
        // Voltages that raise and lower the current, in the mean.
        let down = self.board.output_v + self.load_a * self.series_ohm;
        let up = self.source_v() - down;
        let per_period = (ramp + sense * 0.5 * (up - down) / self.inductance_h) * self.period_s();
        self.source_v() * (-s * delay_s).exp() / per_period
    }

    /// Averaged model, in current mode with the modulator's gain after the shape of the mean current.
    pub fn averaged(&self, frequency_hz: f64) -> Complex<f64> {
        let (gain, sense, ..) = self.comparator();
        let s = Complex::new(0.0, TAU * frequency_hz);
        let duty = self.averaged_duty(s);
        gain * duty * self.control(s) / (sense * duty * self.current_s(s) + 1.0)
    }
}

/// Value of an impulse response at its begin.
fn first_value(response: impl Fn(Complex<f64>) -> Complex<f64>) -> f64 {
    const BEYOND_EVERY_POLE: f64 = 1e16;
    (response(Complex::new(BEYOND_EVERY_POLE, 0.0)) * BEYOND_EVERY_POLE).re
}

/// The loop of a board at nominal input with a linear inductor.
pub fn loop_of(board: &Board, inductance_h: f64, dcr_ohm: f64, load_a: f64) -> Loop {
    let flux = FluxTable::linear(inductance_h).unwrap();
    let mut machine = Machine::new(Circuit::new(board, flux, dcr_ohm, board.nominal_input_v, load_a)).unwrap();
    let orbit = steady::measure(&mut machine, load_a).unwrap().orbit;
    Loop::around(&mut machine, &orbit).unwrap().expect("there is a loop")
}

fn margins_of(board: &Board, inductance_h: f64, dcr_ohm: f64, load_a: f64) -> Margins {
    loop_of(board, inductance_h, dcr_ohm, load_a).margins().expect("the loop crosses over")
}

/// A demo board with equal switches, without dead time or emulation: one linear network.
fn one_network(mut demo: DemoBoard, clock: f64) -> (DemoBoard, f64) {
    let on_ohm = demo.board.stage.high_side_ohm;
    demo.board.stage.low_side = LowSide::Switch { on_ohm, dead_time_s: 0.0, body_diode_v: 0.7, emulation: false };
    demo.board.frequency_hz *= clock;
    if let Modulator::PeakCurrent { slope_a_per_s, .. } = &mut demo.board.control.modulator {
        *slope_a_per_s *= clock;
    }
    let series_ohm = demo.dcr_ohm + on_ohm * demo.board.stage.hot_factor;
    (demo, series_ohm)
}

/// A demo board as one network at a load: its loop, and the same in frequency.
fn both(demo: &DemoBoard, series_ohm: f64, load_a: f64) -> (Loop, InFrequency<'_>) {
    let inductance_h = demo.inductance[0].1;
    let run = steady(&demo.board, linear(inductance_h), demo.dcr_ohm, demo.board.nominal_input_v, load_a);
    let on_s = run.duty() / demo.board.frequency_hz;
    let control = loop_of(&demo.board, inductance_h, demo.dcr_ohm, load_a);
    (control, InFrequency { board: &demo.board, inductance_h, series_ohm, load_a, on_s })
}

fn degrees(ratio: Complex<f64>) -> f64 {
    ratio.arg() * 180.0 / PI
}

/// A gain as magnitude and phase.
fn gain(log: &mut Log, words: &str, ours: Complex<f64>, reference: Complex<f64>, tolerance: f64) {
    log.near(format!("{words}, magnitude"), ours.norm(), reference.norm(), tolerance);
    // A phase in radians moves as much as the magnitude does in relative terms.
    log.near(format!("{words}, phase in degrees"), degrees(ours), degrees(ours) - degrees(ours / reference), tolerance);
}

/// Margins against a published crossover and phase margin.
fn published(log: &mut Log, words: &str, ours: Margins, reference: (f64, f64), allowed: (f64, f64)) {
    log.near(format!("{words}, crossover"), ours.crossover_hz, reference.0, allowed.0);
    log.near(format!("{words}, phase margin in degrees"), ours.phase_deg, reference.1, allowed.1 / reference.1);
}

pub fn exact_loop_gain(log: &mut Log) {
    /// What the images left out leave: little behind a delay and a second-order fall, more at the jumps of a current loop.
    const EXACT: [f64; 2] = [1e-8, 1e-5];
    log.case(
        "Loop gain of the demo boards as one linear network (equal switches, no dead time)",
        "spectrum of a train of impulses at the turn-off, with all images and the ripple's slope at the comparator, in closed form from the values of the parts",
        Status::Derived,
    );
    for (demo, tolerance) in [demo::ticket_kiosk(), demo::valve_controller()].into_iter().zip(EXACT) {
        let (demo, series_ohm) = one_network(demo, 1.0);
        let (control, frequency) = both(&demo, series_ohm, demo.steady_a);
        for frequency_hz in [1.1e3, 9.7e3, 43e3, 97e3] {
            let (sampled, shown) = frequency.exact(frequency_hz);
            let at = format!("{}, {frequency_hz} Hz", demo.name);
            gain(log, &format!("{at}, analyser"), control.analyser(frequency_hz).unwrap(), shown, tolerance);
            gain(log, &format!("{at}, between samples"), control.sampled(frequency_hz).unwrap(), sampled, tolerance);
        }
    }
}

pub fn averaged_loop_gain(log: &mut Log) {
    log.case(
        "Loop gain of the demo boards against averaged models, well below crossover",
        "method of Erickson, Maksimovic, as above, ch. 8, 9 and 18, with the networks of the boards; the ripple at the comparator is not in it and must die away with a faster clock",
        Status::Derived,
    );
    // At the faster clock the pulse of the kiosk is still longer than its delay.
    const CLOCKS: [(f64, f64); 2] = [(1.0, 0.03), (4.0, 1e-3)];
    for (demo, loads_a) in [(demo::ticket_kiosk(), [1.3, 3.7]), (demo::valve_controller(), [1.1, 2.4])] {
        for (clock, tolerance) in CLOCKS {
            let (demo, series_ohm) = one_network(demo.clone(), clock);
            for load_a in loads_a {
                let (control, frequency) = both(&demo, series_ohm, load_a);
                for frequency_hz in [310.0, 2.3e3] {
                    let words = format!("{}, clock times {clock}, {load_a} A, {frequency_hz} Hz", demo.name);
                    let shown = control.analyser(frequency_hz).unwrap();
                    gain(log, &words, shown, frequency.averaged(frequency_hz), tolerance);
                }
            }
        }
    }
}

/// Output impedance of a board at nominal input with a linear inductor at some frequencies: (opened, closed).
fn impedances_of(
    board: &Board,
    (inductance_h, dcr_ohm): (f64, f64),
    load_a: f64,
    frequencies_hz: &[f64],
) -> Vec<[Complex<f64>; 2]> {
    let flux = FluxTable::linear(inductance_h).unwrap();
    let mut machine = Machine::new(Circuit::new(board, flux, dcr_ohm, board.nominal_input_v, load_a)).unwrap();
    let orbit = steady::measure(&mut machine, load_a).unwrap().orbit;
    let closed = LinearOrbit::around(&mut machine, &orbit).unwrap().expect("it repeats");
    let both = [closed.opened(), closed].map(|orbit| (orbit.map(Frame::Absolute), orbit));
    let at = |hz: &f64| both.each_ref().map(|(map, orbit)| orbit.impedance_ohm(map, *hz).expect("a solution"));
    frequencies_hz.iter().map(at).collect()
}

pub fn exact_impedance(log: &mut Log) {
    /// As of the loop gain; the impedance is in places a small rest of large terms.
    const EXACT: [f64; 2] = [3e-8, 3e-5];
    log.case(
        "Output impedance of the demo boards as one linear network (equal switches, no dead time)",
        "bank, winding and inductor in parallel, less what a train of impulses at the turn-off makes of it, with all images, in closed form from the values of the parts",
        Status::Derived,
    );
    for (demo, tolerance) in [demo::ticket_kiosk(), demo::valve_controller()].into_iter().zip(EXACT) {
        let (demo, series_ohm) = one_network(demo, 1.0);
        let (_, frequency) = both(&demo, series_ohm, demo.steady_a);
        let frequencies_hz = [0.9e3, 9.7e3, 43e3, 97e3, 0.47 * demo.board.frequency_hz];
        let part = (demo.inductance[0].1, demo.dcr_ohm);
        let ours = impedances_of(&demo.board, part, demo.steady_a, &frequencies_hz);
        for (hz, ours) in frequencies_hz.into_iter().zip(ours) {
            let reference = frequency.impedance(hz);
            for (k, words) in ["loop opened", "loop closed"].into_iter().enumerate() {
                let words = format!("{}, {hz} Hz, {words}", demo.name);
                gain(log, &words, ours[k], reference[k], tolerance);
            }
        }
    }
}

pub fn textbook_impedance(log: &mut Log) {
    /// Below a tenth of the clock the ripple at the comparator and the images count for this much.
    const BELOW_A_TENTH: f64 = 0.03;
    log.case(
        "Output impedance of textbook regulators, below a tenth of the clock",
        "Erickson, Maksimovic, as above, sect. 9.2 (voltage mode, 5 kHz loop: Z over 1 + T) and sect. 18.6.2 (current mode, 40 kHz loop) with the averaged model of ch. 18; the book gives the method and the circuit, the values are computed by it",
        Status::Memory,
    );
    let lead = Board { load_kind: LoadKind::Resistance, ..lead_regulator(500.0) };
    let boards =
        [("voltage mode", lead, (50e-6, 0.0), 5.0), ("current mode", current_mode_regulator(), (35e-6, 0.05), 0.8)];
    for (name, board, part, load_a) in boards {
        let run = steady(&board, linear(part.0), part.1, board.nominal_input_v, load_a);
        let on_s = run.duty() / board.frequency_hz;
        let frequency = InFrequency { board: &board, inductance_h: part.0, series_ohm: part.1, load_a, on_s };
        let shares = [0.003, 0.01, 0.03, 0.09];
        let frequencies_hz = shares.map(|share| share * board.frequency_hz);
        for (hz, ours) in frequencies_hz.into_iter().zip(impedances_of(&board, part, load_a, &frequencies_hz)) {
            let reference = frequency.averaged_impedance(hz);
            for (k, words) in ["loop opened", "loop closed"].into_iter().enumerate() {
                let words = format!("{name}, {hz} Hz, {words}, magnitude");
                log.near(words, ours[k].norm(), reference[k].norm(), BELOW_A_TENTH);
            }
        }
    }
}

/// The published regulator with a compensator of one zero and pole; `integrator_hz` adds an inverted zero.
fn lead_regulator(integrator_hz: f64) -> Board {
    let (gain, zero_hz, pole_hz) = (3.689 / 3.0, 1721.6, 14521.0);
    let mut board = regulator();
    board.output_v = 15.0;
    board.stage.low_side = ideal_stage().low_side;
    if let Compensator::OpAmp { r1_ohm, rb_ohm, lead, r2_ohm, c1_f, .. } = &mut board.control.compensator {
        let lead_f = (1.0 / zero_hz - 1.0 / pole_hz) / (TAU * *r1_ohm);
        *lead = Some((1.0 / (TAU * pole_hz * lead_f), lead_f));
        *rb_ohm = *r1_ohm * 5.0 / 10.0;
        *r2_ohm = gain * *r1_ohm;
        *c1_f = 1.0 / (TAU * integrator_hz * *r2_ohm);
    }
    board
}

pub fn published_voltage_mode(log: &mut Log) {
    /// The figures are those of averaged models with exact arithmetic; the switched loop differs by the ripple.
    const AVERAGED: (f64, f64) = (0.02, 2.0);
    log.case(
        "Published voltage-mode loops",
        "Erickson, Maksimovic, as above, sect. 9.5.4 (5 kHz, 52 degrees by asymptotes) and 15.4.2 (5.3 kHz, 47 degrees; 390 Hz, 55 degrees); further digits by the averaged model without asymptotes",
        Status::Seen,
    );
    // The amplifier with a lead only has its integrator far below everything.
    for (words, integrator_hz, reference) in
        [("lead", 0.05, (5272.0, 53.34)), ("lead and integrator", 500.0, (5290.0, 47.93))]
    {
        let mut board = lead_regulator(integrator_hz);
        board.load_kind = LoadKind::Resistance;
        published(log, words, margins_of(&board, 50e-6, 0.0, 5.0), reference, AVERAGED);
    }
    let board = Board { load_kind: LoadKind::Resistance, ..regulator() };
    for (load_ohm, reference) in [(3.0, (5351.8, 48.48)), (25.0, (390.36, 55.82))] {
        let ours = margins_of(&board, 50e-6, 0.0, board.output_v / load_ohm);
        published(log, &format!("circuit values, {load_ohm} ohm"), ours, reference, AVERAGED);
    }
}

pub fn published_point_of_load(log: &mut Log) {
    /// The loop crosses at a tenth of the clock, where ripple and images matter.
    const AT_A_TENTH: (f64, f64) = (0.05, 2.0);
    log.case(
        "Point-of-load regulator, and what a delay costs",
        "Erickson, Maksimovic, as above, sect. 19.3: 100 kHz, 52 degrees; 360 f t degrees for a delay t (eq. 19.14); further digits by the averaged model. The book's delays are those of a computation; a comparator's must be shorter than the pulse",
        Status::Seen,
    );
    for (words, gain, reference) in [("5.45", 5.45, (104.89e3, 51.64)), ("5.2374", 5.2374, (101.54e3, 51.62))] {
        for delay_s in [0.0, 0.11e-6, 0.23e-6] {
            let mut board = point_of_load(gain);
            board.control.modulator = Modulator::VoltageMode { ramp: Ramp::Fixed(1.0), delay_s };
            let ours = margins_of(&board, 1e-6, 30e-3, 3.1);
            let phase_deg = reference.1 - 360.0 * ours.crossover_hz * delay_s;
            let words = format!("gain {words}, delay {delay_s:e} s");
            published(log, &words, ours, (reference.0, phase_deg), AT_A_TENTH);
        }
    }
}

/// Published current-mode loop, 12 V to 8 V at 200 kHz; sensed at 1 ohm, artificial ramp 0.6 V.
fn current_mode_regulator() -> Board {
    let (rc_ohm, gain) = (67.08e3, 67.08);
    let mut board = open_loop(12.0, 8.0 / 12.0, 200e3, vec![branch(100e-6, 0.0, 0.0)], 0.8);
    board.control.modulator = Modulator::PeakCurrent { gain_a_per_v: 1.0, slope_a_per_s: 0.6 * 200e3, delay_s: 0.0 };
    board.control.compensator = Compensator::Transconductance {
        reference_v: 3.0,
        gm_s: gain / rc_ohm,
        ro_ohm: 1e12,
        rc_ohm,
        // Inverted zero at a third of the crossover.
        cc_f: 1.0 / (TAU * 40e3 / 3.0 * rc_ohm),
        chf_f: 1e-14,
        clamp_v: (0.0, 10.0),
    };
    board
}

pub fn published_current_mode(log: &mut Log) {
    /// The print takes the output as 8 V and leaves the winding's drop out of the slopes.
    const AVERAGED: f64 = 1e-2;
    log.case(
        "Published current-mode loop",
        "Erickson, Maksimovic, as above, sect. 18.6.2: 59 degrees at 40 kHz; 40.99 kHz and 58.98 degrees by the averaged model without asymptotes; compensator with its inverted zero at a third of that, which gives these figures",
        Status::Seen,
    );
    let board = current_mode_regulator();
    let (inductance_h, dcr_ohm, load_a) = (35e-6, 0.05, 0.8);
    let run = steady(&board, linear(inductance_h), dcr_ohm, 12.0, load_a);
    let on_s = run.duty() / board.frequency_hz;
    let frequency = InFrequency { board: &board, inductance_h, series_ohm: dcr_ohm, load_a, on_s };
    let averaged = frequency.averaged(40.99e3);
    log.near("averaged model of the mapped circuit, gain at 40.99 kHz", averaged.norm(), 1.0, AVERAGED);
    log.near("averaged model, phase margin in degrees", degrees(-averaged), 58.98, AVERAGED);
    let control = loop_of(&board, inductance_h, dcr_ohm, load_a);
    // At its own clock the loop has more gain than the averaged model: the sampling of the current, and the ripple at the comparator,
    // which the compensator's gain of 67 brings there.
    for frequency_hz in [1.1e3, 40.99e3] {
        let shown = control.analyser(frequency_hz).unwrap();
        gain(log, &format!("switched loop, {frequency_hz} Hz"), shown, frequency.exact(frequency_hz).1, 1e-5);
    }
}

/// A current loop whose regulator is so slow that it takes no part.
fn slow_current_mode(source_v: f64, output_v: f64, slope_a_per_s: f64) -> Board {
    let mut board = open_loop(source_v, output_v / source_v, 100e3, vec![branch(0.1, 0.0, 0.0)], 3.7);
    board.control.modulator = Modulator::PeakCurrent { gain_a_per_v: 1.0, slope_a_per_s, delay_s: 0.0 };
    board.control.compensator = Compensator::Transconductance {
        reference_v: 1.0,
        gm_s: 1e-6,
        ro_ohm: 1e11,
        rc_ohm: 1e3,
        cc_f: 1e-3,
        chf_f: 1e-6,
        clamp_v: (0.0, 1e3),
    };
    board
}

pub fn least_inductance(log: &mut Log) {
    log.case(
        "Quality of the current loop, and the inductance at which it loses it",
        "Q = 1 / (pi (m_c D' - 1/2)) (R. B. Ridley, IEEE Trans. Power Electron. 6 (1991) 271, from memory; the same as eq. 18.175 of Erickson, Maksimovic); a multiplier of -1 at (2 Vo - Vin) / (2 Se)",
        Status::Memory,
    );
    let (source_v, output_v) = (10.0, 6.3);
    for slope in [0.31e6, 0.47e6] {
        let up = (source_v - output_v) / 5e-6;
        let alpha = super::current_mode::growth(source_v, output_v, slope)[0];
        let quality = 1.0 / (PI * ((1.0 + slope / up) * (1.0 - output_v / source_v) - 0.5));
        log.near(format!("slope {slope:e} A/s, quality"), 2.0 / PI * (1.0 - alpha) / (1.0 + alpha), quality, 1e-5);
    }
    for slope in [0.26e6, 0.19e6] {
        let expected_h = (2.0 * output_v - source_v) / (2.0 * slope);
        let board = slow_current_mode(source_v, output_v, slope);
        let steady = |inductance_h: f64| {
            let circuit = Circuit::new(&board, linear(inductance_h), 0.0, source_v, 3.7);
            Machine::new(circuit).unwrap().steady(3.7).is_ok_and(|orbit| orbit.periods == 1)
        };
        let (mut unstable_h, mut stable_h) = (0.93 * expected_h, 1.06 * expected_h);
        assert!(!steady(unstable_h) && steady(stable_h));
        for _ in 0..12 {
            let middle_h = 0.5 * (unstable_h + stable_h);
            if steady(middle_h) { stable_h = middle_h } else { unstable_h = middle_h }
        }
        // The capacitor is finite: T^2 / (L C) is some 2e-4.
        log.near(format!("slope {slope:e} A/s, least inductance"), stable_h, expected_h, 1e-3);
    }
}
