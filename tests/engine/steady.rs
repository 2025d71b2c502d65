//! Steady states of the engine against closed forms, matrix exponentials and published examples; sources stand in tests/support/validation.

use crate::support;
use support::validation::Log;
use support::validation::steady as cases;

#[test]
fn outside_hart_6_1_exact_waveform() {
    cases::hart_6_1(&mut Log::default());
}

#[test]
fn outside_hart_6_1_with_series_resistance() {
    cases::hart_6_1_esr(&mut Log::default());
}

#[test]
fn outside_hart_6_9_discontinuous() {
    cases::hart_6_9(&mut Log::default());
}

#[test]
fn closed_form_ripple_in_three_regimes() {
    cases::esr_ripple(&mut Log::default());
}

#[test]
fn closed_form_diode_drop_in_both_modes() {
    cases::diode_drop(&mut Log::default());
}

#[test]
fn outside_published_power_stage() {
    cases::power_stage(&mut Log::default());
}

#[test]
fn closed_form_winding_divider() {
    cases::winding_divider(&mut Log::default());
}

#[test]
fn balance_every_conduction_loss() {
    cases::lossy_buck(&mut Log::default());
}

#[test]
fn outside_point_of_load_stage() {
    cases::pol_stage(&mut Log::default());
}

#[test]
fn closed_form_rms_currents() {
    cases::trapezoids(&mut Log::default());
}
