//! The page docs/validation.md: every check against a reference from outside, written by the run that makes it.

use crate::support;
use support::validation::*;

const PAGE: &str = "docs/validation.md";

/// Runs every case in order.
fn all() -> Log {
    let mut log = Log::default();
    for check in [
        steady::hart_6_1,
        steady::hart_6_1_esr,
        steady::hart_6_9,
        steady::diode_drop,
        steady::power_stage,
        steady::winding_divider,
        steady::lossy_buck,
        steady::pol_stage,
        steady::esr_ripple,
        steady::trapezoids,
        motion::rlc_step,
        motion::equal_stages,
        motion::chopper,
        motion::lossless,
        motion::zero_crossing,
        motion::saturating_ramp,
        motion::second_order_step,
        motion::ideal_recovery,
        motion::charge_balance,
        regulator::input_network,
        regulator::operating_points,
        regulator::load_step,
        regulator::averaged_load_step,
        regulator::point_of_load_step,
        current_mode::growth_factors,
        current_mode::slope_compensation,
        current_mode::operating_point,
        stability::exact_loop_gain,
        stability::averaged_loop_gain,
        stability::exact_impedance,
        stability::textbook_impedance,
        stability::published_voltage_mode,
        stability::published_point_of_load,
        stability::published_current_mode,
        stability::least_inductance,
        derivation::demo_boards,
        losses::core_loss,
        losses::copper_loss,
        losses::temperature,
    ] {
        check(&mut log);
    }
    log
}

#[test]
fn frozen_validation_page() {
    let page = all().page();
    if std::env::var_os("PRESOLDER_FREEZE").is_some() {
        std::fs::write(PAGE, &page).expect("the page can be written");
    }
    let kept = std::fs::read_to_string(PAGE).expect("the page is there");
    assert!(
        same_page(&kept, &page),
        "the page has changed: set PRESOLDER_FREEZE to write the new one and look at the difference"
    );
}
