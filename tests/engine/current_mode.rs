//! Peak current mode against published growth factors and operating points; sources stand in tests/support/validation.

use crate::support;
use support::validation::Log;
use support::validation::current_mode as cases;

#[test]
fn outside_growth_factors() {
    cases::growth_factors(&mut Log::default());
}

#[test]
fn outside_slope_compensation() {
    cases::slope_compensation(&mut Log::default());
}

#[test]
fn outside_operating_point() {
    cases::operating_point(&mut Log::default());
}
