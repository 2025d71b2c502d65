//! Propagation, switching instants and stored energy against closed forms; sources stand in tests/support/validation.

use crate::support;
use support::validation::Log;
use support::validation::motion as cases;

#[test]
fn outside_series_circuit_step() {
    cases::rlc_step(&mut Log::default());
}

#[test]
fn closed_form_chopper() {
    cases::chopper(&mut Log::default());
}

#[test]
fn closed_form_zero_crossing() {
    cases::zero_crossing(&mut Log::default());
}

#[test]
fn balance_lossless_circuit() {
    cases::lossless(&mut Log::default());
}

#[test]
fn closed_form_saturating_ramp() {
    cases::saturating_ramp(&mut Log::default());
}

#[test]
fn closed_form_ideal_recovery() {
    cases::ideal_recovery(&mut Log::default());
}

#[test]
fn closed_form_charge_balance() {
    cases::charge_balance(&mut Log::default());
}

#[test]
fn closed_form_equal_stages() {
    cases::equal_stages(&mut Log::default());
}
