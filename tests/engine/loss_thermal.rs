//! Evidence for the temperature of the winding.

use presolder::loss::copper::resistance_ohm;
use presolder::loss::thermal::*;
use std::convert::Infallible;

/// Closed forms against closed forms.
const ROUNDING_REL: f64 = 1e-12;
/// Values stated with seven digits.
const SEVEN_DIGITS_REL: f64 = 1e-6;
/// What `settle` promises, in K.
const SETTLED_K: f64 = 0.01;

fn difference(what: &str, ours: f64, reference: f64, tolerance: f64) {
    let relative = ours / reference - 1.0;
    println!("{what}: {ours:.9e}, reference {reference:.9e}, relative difference {relative:.1e}");
    assert!(relative.abs() <= tolerance, "{what}: {ours:e} against {reference:e}");
}

fn settled(ambient_degc: f64, rth_k_per_w: f64, loss_at: impl Fn(f64) -> f64) -> Outcome {
    let Ok(outcome) = settle(ambient_degc, rth_k_per_w, Start::at(ambient_degc), |t| Ok::<f64, Infallible>(loss_at(t)));
    outcome
}

/// Copper that loses `watts` at 40 C.
fn copper_w(watts: f64) -> impl Fn(f64) -> f64 {
    move |degc| watts * resistance_ohm(1.0, degc) / resistance_ohm(1.0, 40.0)
}

/// Source: closed form with 0.00393 /K of IEC 60028: 0.5 W at 40 C over 60 K/W rises 33.68169 K and runs away from 4.57422 W on.
#[test]
fn closed_form_electro_thermal_balance() {
    let rise_k = linear_rise_k(0.5, 60.0, 40.0).expect("settles");
    difference("rise in K", rise_k, 33.68169, SEVEN_DIGITS_REL);
    let Outcome::Settled(found) = settled(40.0, 60.0, copper_w(0.5)) else { panic!("settles") };
    println!("settle: {:.9} C after {} evaluations", found.temperature_degc, found.evaluations);
    assert!((found.temperature_degc - 40.0 - rise_k).abs() < SETTLED_K);
    // The balance holds at the temperature given.
    assert!((found.temperature_degc - 40.0 - 60.0 * found.loss_w).abs() < SETTLED_K);
    assert!(found.evaluations <= 3, "a straight line takes a start, a step and a confirmation");
    assert!(linear_rise_k(4.57421, 60.0, 40.0).is_some() && linear_rise_k(4.57423, 60.0, 40.0).is_none());
    for watts in [4.571, 4.613, 9.7] {
        assert!(matches!(settled(40.0, 60.0, copper_w(watts)), Outcome::Runaway { .. }), "{watts} W");
    }
}

/// Copper plus a core loss with a minimum near 90 C; the balance is checked by substitution.
#[test]
fn law_settled_temperature_balances_heating_and_loss() {
    for scale in [0.13, 0.71, 1.19] {
        let loss = |t: f64| scale * (0.31 * (1.0 + ((t - 91.0) / 60.0).powi(2)) + copper_w(0.43)(t));
        let Outcome::Settled(found) = settled(31.7, 47.0, loss) else { panic!("settles") };
        assert!((31.7 + 47.0 * loss(found.temperature_degc) - found.temperature_degc).abs() < SETTLED_K);
        assert!(found.evaluations <= 6, "{} evaluations", found.evaluations);
    }
    // Strong cooling with heat: plain iteration would swing for ever.
    let Outcome::Settled(found) = settled(25.3, 83.0, |t| 1.7 - 0.013 * (t - 25.3)) else { panic!("settles") };
    let exact = 25.3 + 83.0 * 1.7 / (1.0 + 83.0 * 0.013);
    assert!((found.temperature_degc - exact).abs() < SETTLED_K);
}

/// A loss that climbs steeply and then levels off has a balance beyond the steep part, which is not a runaway; on the way there
/// no temperature below the ambient is asked for.
#[test]
fn law_steep_start_is_followed_to_its_balance() {
    let loss = |t: f64| 0.2 + 1.1 / (1.0 + (-(t - 60.0) / 4.0).exp());
    let mut coldest_degc = f64::INFINITY;
    let Ok(outcome) = settle(46.0, 50.0, Start::at(46.0), |t| {
        coldest_degc = coldest_degc.min(t);
        Ok::<f64, Infallible>(loss(t))
    });
    let Outcome::Settled(found) = outcome else { panic!("settles") };
    assert!((46.0 + 50.0 * loss(found.temperature_degc) - found.temperature_degc).abs() < SETTLED_K);
    assert!(found.temperature_degc > 100.0);
    assert_eq!(coldest_degc, 46.0);
}

/// Where a loss collapses within a kelvin or two the secant leaves the bracket, and halving it has to help.
#[test]
fn law_collapsing_loss_is_bracketed() {
    for width_k in [0.7, 0.31, 0.13] {
        let loss = |t: f64| 0.1 + 1.3 / (1.0 + ((t - 60.3) / width_k).exp());
        let Outcome::Settled(found) = settled(27.0, 41.0, loss) else { panic!("settles") };
        println!("width {width_k} K: {} evaluations", found.evaluations);
        assert!((27.0 + 41.0 * loss(found.temperature_degc) - found.temperature_degc).abs() < SETTLED_K);
        assert!(found.evaluations <= 20);
    }
}

#[test]
fn error_loss_that_fails_or_jumps_is_reported() {
    let refused: Result<Outcome, &str> =
        settle(25.0, 41.0, Start::at(25.0), |t| if t > 30.0 { Err("no cycle") } else { Ok(0.7) });
    assert_eq!(refused, Err("no cycle"));
    assert_eq!(settled(27.0, 41.0, |_| f64::NAN), Outcome::Unsettled { evaluated_degc: 27.0 });
    let jumps = settled(27.0, 41.0, |t| if t > 41.3 { 0.1 } else { 0.9 });
    assert!(matches!(jumps, Outcome::Unsettled { .. }));
    let Outcome::Settled(cold) = settled(27.0, 41.0, |_| 0.0) else { panic!("settles") };
    assert_eq!((cold.temperature_degc, cold.evaluations), (27.0, 1));
}

/// Source: rise by resistance of the IEC 60335-1 and IEC 61558-1 family, formula from memory, figures computed independently.
#[test]
fn closed_form_rise_by_resistance() {
    for (cold, start, hot, end, rise_k) in [
        (10e-3, 25.0, 11.6e-3, 25.0, 41.520),
        (10e-3, 20.0, 11.572e-3, 20.0, 40.007),
        (8.2e-3, 23.0, 9.5e-3, 25.0, 38.823),
    ] {
        // Stated to a thousandth of a kelvin.
        difference("rise by resistance", rise_by_resistance_k(cold, start, hot, end), rise_k, 2e-5);
    }
    // The bench's formula finds the temperature from which the resistance came; the two copper lines differ by 5e-5.
    let found = rise_by_resistance_k(0.0187, 22.0, resistance_ohm(0.0187, 83.0) / resistance_ohm(1.0, 22.0), 22.0);
    difference("round trip", found, 61.0, 1e-3);
}

/// Source: closed form of the exponential rise; 63.212, 86.466, 95.021, 98.168 and 99.326 % after one to five time constants.
#[test]
fn closed_form_soak() {
    for (k, percent) in [(1.0, 63.212), (2.0, 86.466), (3.0, 95.021), (4.0, 98.168), (5.0, 99.326)] {
        difference("soak in percent", soak_rise_k(100.0, k * 731.0, 731.0), percent, 1e-5);
    }
    // Short times keep their digits: the rise starts as final * t / tau.
    difference("start", soak_rise_k(37.0, 1e-9, 731.0), 37.0 * 1e-9 / 731.0, ROUNDING_REL);
}

/// The rating current, lost in the hot winding over the resistance found, gives back the rated rise.
#[test]
fn balance_heating_rating() {
    let (current_a, rise_k, dcr_ohm) = (5.9, 40.0, 0.0213);
    let rth = thermal_resistance_from_rating_k_per_w(current_a, rise_k, dcr_ohm);
    let hot_w = current_a * current_a * resistance_ohm(dcr_ohm, 25.0 + rise_k);
    difference("rise", rth * hot_w, rise_k, ROUNDING_REL);
    let rise = linear_rise_k(current_a * current_a * dcr_ohm, rth, 25.0).expect("settles");
    difference("rise with feedback", rise, rise_k, ROUNDING_REL);
}
