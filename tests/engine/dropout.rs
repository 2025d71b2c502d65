//! Dropout of the input and its return, against closed forms, laws and the energy book.

use crate::support;
use presolder::board::InputDropout;
use presolder::condition::dropout::{DropoutResult, Timing, run};
use presolder::engine::machine::Machine;
use presolder::engine::network::Circuit;
use presolder::parts::saturation::FluxTable;
use support::demo;

/// Half a recovery band in V.
const HALF_BAND_V: f64 = 0.12;
const LOAD_A: f64 = 2.3;

fn asked(hold_s: f64) -> InputDropout {
    InputDropout { from_v: 48.0, to_v: 9.3, fall_s: 0.37e-3, hold_s, rise_s: 0.19e-3, load_a: LOAD_A }
}

/// The voltage-mode board with a linear inductor and a resistor as load.
fn machine() -> Machine {
    let demo = demo::ticket_kiosk();
    let mut circuit = Circuit::new(&demo.board, FluxTable::linear(33e-6).unwrap(), demo.dcr_ohm, 48.0, 0.0);
    circuit.resistor = Some((demo.board.output_v / LOAD_A, 1e-7));
    Machine::new(circuit).unwrap()
}

fn dropped(asked: &InputDropout) -> DropoutResult {
    let mut machine = machine();
    let orbit = machine.steady(LOAD_A).unwrap();
    let timing = Timing::new(asked, &machine, 2e-3);
    let at = (&orbit.x, orbit.program_a);
    let found = run(&mut machine, (asked, &timing), at, (12.0, HALF_BAND_V), &mut ()).unwrap();
    assert!(found.book.residual < support::ENERGY_RESIDUAL, "{found:?}");
    found
}

/// What half a ripple and the ringing at the end of the fall take, some 10 mV each.
const AT_THE_STOP: f64 = 3e-3;

#[test]
fn closed_form_at_the_end_of_its_range_the_output_is_what_the_resistances_leave() {
    // So slow a fall that the output follows at rest.
    let found = dropped(&InputDropout { fall_s: 0.39, ..asked(9.1e-3) });
    // All of the period but the shortest off-time of 200 ns and a dead time of 35 ns, at 250 kHz; in both dead times the body diode
    // conducts. The switches are warm.
    let (duty, dead) = (1.0 - (200e-9 + 35e-9) * 250e3, 2.0 * 35e-9 * 250e3);
    let load_ohm = 12.0 / LOAD_A;
    let series_ohm = duty * 26e-3 * 1.25 + (1.0 - duty) * 18e-3 * 1.25 + 44e-3;
    let formula_v = (duty * 9.3 - dead * 0.85) * load_ohm / (load_ohm + series_ohm);
    println!("{} V, formula {formula_v} V", found.lowest_v);
    assert!((found.lowest_v / formula_v - 1.0).abs() < AT_THE_STOP);
    assert!(found.returned && found.highest_v > 12.0 + HALF_BAND_V, "{found:?}");
}

/// Amplifiers at their stop and an output at rest: what is left of the way there.
const WOUND_UP: f64 = 2e-3;

#[test]
fn law_once_wound_up_a_longer_dropout_returns_alike() {
    let [short, long] = [9.1e-3, 17.3e-3].map(|hold_s| dropped(&asked(hold_s)));
    assert!((short.highest_v / long.highest_v - 1.0).abs() < WOUND_UP, "{short:?} {long:?}");
    assert!((short.peak_a / long.peak_a - 1.0).abs() < WOUND_UP, "{short:?} {long:?}");
    // Before it has wound up it returns better.
    let brief = dropped(&InputDropout { to_v: 12.9, ..asked(3e-6) });
    assert!(brief.highest_v < short.highest_v && brief.lowest_v > short.lowest_v, "{brief:?}");
}

/// An output that never reaches its band is given up, and does not count as back.
#[test]
fn law_an_output_that_stays_away_has_not_returned() {
    let mut machine = machine();
    let orbit = machine.steady(LOAD_A).unwrap();
    let asked = asked(0.7e-3);
    let timing = Timing::new(&asked, &machine, 0.5e-3);
    let at = (&orbit.x, orbit.program_a);
    let found = run(&mut machine, (&asked, &timing), at, (12.7, 0.05), &mut ()).unwrap();
    assert!(!found.returned && found.watched_s >= 12.0 * 0.5e-3, "{found:?}");
}
