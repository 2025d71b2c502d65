//! Two published regulators in steady state and under load steps; sources stand in tests/support/validation.

use crate::support;
use support::validation::Log;
use support::validation::regulator as cases;

#[test]
fn outside_operating_points() {
    cases::operating_points(&mut Log::default());
}

#[test]
fn outside_load_step() {
    cases::load_step(&mut Log::default());
}

#[test]
fn outside_averaged_load_step() {
    cases::averaged_load_step(&mut Log::default());
}

#[test]
fn outside_point_of_load_step() {
    cases::point_of_load_step(&mut Log::default());
}

#[test]
fn closed_form_input_network() {
    cases::input_network(&mut Log::default());
}
