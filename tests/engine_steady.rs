//! Steady states of the engine against closed forms and published examples.

mod support;

use approx::assert_relative_eq;
use presolder::parts::saturation::FluxTable;
use support::{branch, open_loop, steady};

/// Exact periodic states are given to twelve digits; the engine's orbit residual is 1e-10.
const EXACT: f64 = 1e-8;

/// D. W. Hart, Power Electronics (2011), example 6-1: 50 V, duty 0.4, 400 uH, 100 uF, 20 kHz, 20 ohm. Reference: matrix
/// exponential in 30 digits (mpmath).
#[test]
fn outside_hart_6_1_exact_waveform() {
    let board = open_loop(50.0, 0.4, 20e3, vec![branch(100e-6, 0.0, 0.0)], 1.0);
    let run = steady(&board, FluxTable::linear(400e-6).unwrap(), 0.0, 50.0, 1.0);
    assert_relative_eq!(run.current().0, 0.249062190379, max_relative = EXACT);
    assert_relative_eq!(run.current().1, 1.75094005652, max_relative = EXACT);
    assert_relative_eq!(run.voltage().0, 19.9499231517, max_relative = EXACT);
    assert_relative_eq!(run.voltage().1, 20.0438241379, max_relative = EXACT);
    assert_relative_eq!(run.mean_voltage(), 20.0, max_relative = EXACT);
    println!("{:?} {:e}", run.orbit, run.book.residual());
}
