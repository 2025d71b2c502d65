//! Temperature over time, against closed forms and balances.

use presolder::loss::copper::COPPER_ALPHA_25_PER_K;
use presolder::loss::soak::{Cooling, Losses, Rise, Soak};

/// A rule of order 4 with twenty steps in the shortest time constant, relative to the rise.
const INTEGRATED: f64 = 1e-6;
/// Straight lines between samples 10 s apart, in s.
const BETWEEN_SAMPLES_S: f64 = 0.3;
const HOURS_S: f64 = 6.0 * 3600.0;

fn cooling(board_share: f64, part_s: f64, board_s: f64) -> Cooling {
    Cooling { resistance_k_per_w: 53.7, board_share, part_s, board_s }
}

fn constant(loss_w: f64) -> Losses {
    Losses::new(vec![(20.0, loss_w), (130.0, loss_w)]).unwrap()
}

#[test]
fn closed_form_constant_losses_warm_up_as_a_sum_of_two_exponentials() {
    for (share, part_s, board_s) in [(0.31, 17.3, 437.0), (0.476, 71.0, 329.0), (0.68, 9.1, 611.0)] {
        let soak = Soak::from_cold(cooling(share, part_s, board_s), 23.7, &constant(0.83), HOURS_S);
        for time_s in [10.0, 60.0, 120.0, 300.0, 1200.0, 1800.0, 5000.0] {
            let part_k = 53.7 * 0.83 * (1.0 - share) * (1.0 - f64::exp(-time_s / part_s));
            let board_k = 53.7 * 0.83 * share * (1.0 - f64::exp(-time_s / board_s));
            let formula_degc = 23.7 + part_k + board_k;
            let found_degc = soak.winding_degc(time_s).unwrap();
            assert!((found_degc - formula_degc).abs() < INTEGRATED * 53.7, "{time_s}: {found_degc} {formula_degc}");
            // After switching off each part falls by itself.
            let late_k = part_k * (1.0 - f64::exp(-7.0 / part_s)) + board_k * (1.0 - f64::exp(-7.0 / board_s));
            assert!((soak.late_k(time_s, 7.0).unwrap() - late_k).abs() < INTEGRATED * 53.7);
        }
    }
}

/// With one time constant the winding moves by rise e^(-t/tau) (e^(span/tau) - 1) in the span before t.
#[test]
fn closed_form_steady_once_the_winding_moves_by_less_than_a_kelvin() {
    let tau_s = 413.0;
    let soak = Soak::from_cold(cooling(0.4, tau_s, tau_s), 31.0, &constant(1.17), HOURS_S);
    let formula_s = tau_s * (53.7 * 1.17 * ((300.0f64 / tau_s).exp() - 1.0)).ln();
    let found_s = soak.steady_s(1.0, 300.0).unwrap();
    // Samples are 10 s apart.
    assert!(found_s >= formula_s && found_s < formula_s + 10.0, "{found_s} {formula_s}");
    // What moves by next to nothing may be called steady as soon as the span is over.
    let cool = Soak::from_cold(cooling(0.4, tau_s, tau_s), 31.0, &constant(1e-4), HOURS_S);
    assert_eq!(cool.steady_s(1.0, 300.0), Some(300.0));
}

/// Copper that heats itself: R P (1 + a (T - 25)) - rise. Below the balance the rise nears R P / (1 - a R P), beyond it grows without end,
/// as R P / (a R P - 1) (e^((a R P - 1) t / tau) - 1).
#[test]
fn closed_form_copper_settles_or_runs_away() {
    let copper = |loss_w: f64| {
        let at = |degc: f64| (degc, loss_w * (1.0 + COPPER_ALPHA_25_PER_K * (degc - 25.0)));
        Losses::new([25.0, 61.0, 97.0, 133.0, 169.0].map(at).to_vec()).unwrap()
    };
    let tau_s = 127.0;
    let heated = |loss_w: f64| Soak::from_cold(cooling(0.5, tau_s, tau_s), 25.0, &copper(loss_w), HOURS_S);
    let calm = heated(1.9);
    let gain = COPPER_ALPHA_25_PER_K * 53.7 * 1.9;
    let settled_degc = 25.0 + 53.7 * 1.9 / (1.0 - gain);
    assert!((calm.winding_degc(HOURS_S).unwrap() / settled_degc - 1.0).abs() < INTEGRATED, "{settled_degc}");
    assert_eq!(calm.passes_s(settled_degc + 0.01), None);
    let wild = heated(6.1);
    let gain = COPPER_ALPHA_25_PER_K * 53.7 * 6.1;
    let formula_s = tau_s / (gain - 1.0) * (1.0 + (125.0 - 25.0) * (gain - 1.0) / (53.7 * 6.1)).ln();
    let found_s = wild.passes_s(125.0).unwrap();
    assert!((found_s - formula_s).abs() < BETWEEN_SAMPLES_S * tau_s / 10.0, "{found_s} {formula_s}");
    // It has no temperature at which it ends, and no time from which on it is steady.
    assert_eq!((wild.winding_degc(HOURS_S), wild.steady_s(1.0, 300.0)), (None, None));
}

/// Heat that came in is stored or has left: of each part, integral of P = tau / R rise + integral of rise / R, here by Simpson's rule.
#[test]
fn balance_of_heat_in_a_soak() {
    let losses = Losses::new(vec![(19.0, 0.61), (47.0, 0.66), (83.0, 0.79), (120.0, 1.01)]).unwrap();
    let cooling = cooling(0.42, 93.0, 541.0);
    let soak = Soak::from_cold(cooling, 19.0, &losses, HOURS_S);
    let until = 180;
    let mut integrals = (0.0, 0.0, 0.0);
    for k in 0..=until {
        let weight = if k == 0 || k == until {
            1.0
        } else if k % 2 == 1 {
            4.0
        } else {
            2.0
        };
        let rise = soak.rise(10.0 * k as f64).unwrap();
        let weight_s = weight * 10.0 / 3.0;
        integrals.0 += weight_s * losses.at_w(19.0 + rise.total_k());
        integrals.1 += weight_s * rise.part_k;
        integrals.2 += weight_s * rise.board_k;
    }
    let (own, board) = (53.7 * (1.0 - 0.42), 53.7 * 0.42);
    let end = soak.rise(10.0 * until as f64).unwrap();
    for gone_j in [(93.0 * end.part_k + integrals.1) / own, (541.0 * end.board_k + integrals.2) / board] {
        assert!((gone_j / integrals.0 - 1.0).abs() < 1e-5, "{gone_j} of {}", integrals.0);
    }
}

#[test]
fn law_cooling_forgets_and_losses_are_straight_lines() {
    let rise = Rise { part_k: 31.0, board_k: 17.0 };
    let left = cooling(0.4, 33.0, 410.0).cooled(rise, 4000.0);
    assert!(left.total_k() < 1e-2 && cooling(0.4, 33.0, 410.0).cooled(rise, 0.0) == rise);
    let losses = Losses::new(vec![(20.0, 0.4), (60.0, 0.8)]).unwrap();
    assert!((losses.at_w(50.0) - 0.7).abs() < 1e-12 && (losses.at_w(80.0) - 1.0).abs() < 1e-12);
    assert_eq!(losses.at_w(-90.0), 0.0);
    assert_eq!(Losses::new(vec![]), None);
    assert_eq!(Losses::new(vec![(20.0, f64::NAN)]), None);
    assert_eq!(Losses::new(vec![(20.0, 1.0), (20.0, 2.0)]), None);
}
