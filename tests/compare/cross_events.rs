//! Every event and every kind of protection through the independent integration.

use presolder::board::{Foldback, Injection, InputDropout};
use presolder::case::{self, Case};
use presolder::condition;
use presolder::condition::contract::{Setup, Wish};
use presolder::condition::stand::Stand;
use presolder::crosscheck::{Difference, compare};
use presolder::model::corner::{CORNERS, NOMINAL};
use std::path::Path;

/// Bound of the piecewise-linear current in A, and tolerance of the integrator.
const BOUND_A: f64 = 2e-5;
const TOLERANCE: f64 = 1e-9;
/// Samples a period and offset of the first: none falls on a clock edge.
const SAMPLES: f64 = 11.0;
const OFFSET: f64 = 0.0137;

/// Conditions that befall a board.
const EVENTS: [&str; 6] = ["start", "input step", "input dropout", "overload", "short circuit", "light load"];

/// A demo case with a finer table and everything slow made short, for the sake of the test's time.
fn short_case(name: &str) -> Case {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("cases").join(name);
    let mut case = case::read(&path).unwrap_or_else(|error| panic!("{error}"));
    case.numerics.saturation_error_a = BOUND_A;
    let period_s = 1.0 / case.board.frequency_hz;
    let protection = &mut case.board.control.protection;
    protection.soft_start_s = 230.0 * period_s;
    if let Some(hiccup) = protection.current_limit.as_mut().and_then(|limit| limit.hiccup.as_mut()) {
        hiccup.cycles = hiccup.cycles.min(23);
        hiccup.pause_s = 61.0 * period_s;
    }
    let events = &mut case.board.events;
    events.short.iter_mut().for_each(|short| short.hold_s = 53.0 * period_s);
    let full_a = case.board.load_a.last().copied().unwrap();
    events.overload.iter_mut().for_each(|overload| overload.slew_a_per_s = full_a / (430.0 * period_s));
    events.input_step.iter_mut().for_each(|step| step.hold_s = 120.0 * period_s);
    // Below the output, so that nothing can regulate it.
    let (fall_s, hold_s, rise_s) = (17.3 * period_s, 61.7 * period_s, 11.9 * period_s);
    let (from_v, to_v) = (case.board.nominal_input_v, 0.83 * case.board.output_v);
    events.input_dropout = Some(InputDropout { from_v, to_v, fall_s, hold_s, rise_s, load_a: full_a });
    case.limits.recovery_s = None;
    case
}

fn through(case: &Case, event: &str) -> (Setup, Difference) {
    let stand = Stand::new(case, &case.parts[0], CORNERS[0], case.board.nominal_input_v);
    let ready = condition::find(event).expect("a condition").set_up(&stand, &Wish::default());
    let mut ready = ready.unwrap_or_else(|error| panic!("{error}")).expect("the case states it");
    let cycles = ready.cycles.expect("an end");
    let period_s = ready.machine.period_s();
    let (every_s, offset_s) = (period_s / SAMPLES, OFFSET * period_s);
    let found =
        compare(&mut ready.machine, &ready.curve, ready.begin, cycles, &ready.program, every_s, offset_s, TOLERANCE)
            .unwrap();
    println!("{}, {}: {} cycles, {found:?}", case.name, event, cycles);
    (ready, found)
}

/// Largest differences over a whole run in V and A: what a saturation table of 20 uA leaves, times the few that limits and skipped
/// pulses make of it.
const WHOLE_RUN: (f64, f64) = (1e-4, 1e-3);

/// Every decision falls the same way in both, and the waveforms agree.
fn holds(case: &Case, event: &str, (output_v, current_a): (f64, f64)) {
    let (_, found) = through(case, event);
    assert!(found.output_v < output_v && found.current_a < current_a, "{}: {found:?}", event);
    assert_eq!(found.parted, None, "{}: they part", event);
}

#[test]
fn outside_events_of_voltage_mode_with_inhibit() {
    let case = short_case("ticket-kiosk");
    EVENTS.iter().for_each(|event| holds(&case, event, WHOLE_RUN));
}

#[test]
fn outside_events_of_peak_current_mode_with_skipping_and_hiccup() {
    let case = short_case("valve-controller");
    EVENTS.iter().for_each(|event| holds(&case, event, WHOLE_RUN));
}

#[test]
fn outside_events_of_a_limit_that_falls_with_the_slope() {
    let case = short_case("river-gauge");
    EVENTS.iter().for_each(|event| holds(&case, event, WHOLE_RUN));
}

#[test]
fn outside_events_of_a_limit_on_the_winding() {
    let case = short_case("buoy-winch");
    EVENTS.iter().for_each(|event| holds(&case, event, WHOLE_RUN));
}

/// Without a clock the instants drift apart, by 8 ns at the end of the overload, in which the current moves by 0.19 A.
const DRIFTING: (f64, f64) = (3e-4, 0.4);

#[test]
fn outside_events_of_constant_on_time_with_valley_limit() {
    let case = short_case("oven-panel");
    EVENTS.iter().for_each(|event| holds(&case, event, DRIFTING));
}

#[test]
fn outside_ripple_across_the_inductor() {
    let mut case = short_case("oven-panel");
    let presolder::board::Compensator::Ripple { injection, .. } = &mut case.board.control.compensator else {
        unreachable!()
    };
    *injection = Some(Injection::Inductor { r_ohm: 2.7e3, c_f: 22e-9, coupling_f: 3.3e-9 });
    holds(&case, "input step", DRIFTING);
    holds(&case, "start", DRIFTING);
}

#[test]
fn outside_foldback_in_a_short_circuit() {
    let mut case = short_case("ticket-kiosk");
    case.board.control.protection.foldback = Some(Foldback { below: 0.43, divisor: 3 });
    holds(&case, "short circuit", WHOLE_RUN);
    holds(&case, "start", WHOLE_RUN);
}

#[test]
fn law_every_case_states_every_event() {
    for name in ["ticket-kiosk", "valve-controller", "river-gauge", "buoy-winch", "oven-panel"] {
        let events = short_case(name).board.events;
        assert!(events.start.is_some() && events.input_step.is_some() && events.overload.is_some(), "{name}");
        assert!(events.short.is_some() && events.light_load_a.is_some(), "{name}");
    }
    assert_eq!(CORNERS[0], NOMINAL);
}
