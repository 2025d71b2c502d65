//! What one uncertain datum contributes to a quantity, against closed forms; how contributions add is held in `outcomes.rs`.

use crate::must_not_pass::part;
use approx::assert_relative_eq;
use presolder::board::Board;
use presolder::case::Case;
use presolder::corridor::{self, Depth};
use presolder::judge::finding::Finding;
use presolder::parts::{CapacitorBranch, Inductor, SaturationBasis, SaturationCurve};

/// What the closed forms leave out: dead time, drops, the little that a datum moves through the loop.
const WITHIN: f64 = 0.02;
/// Temperature coefficient of copper at 25 C (IEC 60028).
const COPPER: f64 = 0.003854;

/// The original's finding on a quantity, with limits so near that every datum is moved in its place.
fn found(id: &str, inductor: Inductor) -> Finding {
    let bank = vec![CapacitorBranch::new("ceramic", 100e-6, 10e-6, 0.0).expect("a branch")];
    let board = Board::peak_current(12.0, 5.0, 2.0, 400e3, bank).expect("a board");
    let twin = Inductor { name: "Twin".into(), ..inductor.clone() };
    let mut case = Case::new(board, vec![inductor, twin]).expect("a case");
    (case.limits.ripple_v, case.limits.winding_degc) = (Some(6e-3), Some(33.0));
    let mut comparison =
        corridor::compare(&case, Depth::Full, &|_, _| {}).unwrap_or_else(|failure| panic!("{failure}"));
    let all = &mut comparison.verdicts[0].findings;
    all.remove(all.iter().position(|finding| finding.asked.id() == id).unwrap_or_else(|| panic!("{id} is not asked")))
}

fn value(finding: &Finding) -> f64 {
    finding.value.value.number().expect("a number")
}

/// Change of the quantity for one standard uncertainty of a datum.
fn change(finding: &Finding, label: &str) -> f64 {
    let effect = finding.budget.iter().find(|effect| effect.datum.rule.label == label);
    effect.unwrap_or_else(|| panic!("{label} contributes nothing: {:#?}", finding.budget)).change
}

/// An inductor of 10 uH whose printed curve is flat.
fn flat() -> Inductor {
    let curve = SaturationCurve { temperature_degc: 25.0, points: vec![(0.0, 10e-6), (20.0, 10e-6)] };
    Inductor { saturation: vec![curve], saturation_basis: SaturationBasis::Curves, ..part("Flat", 10e-6, 30e-3) }
}

/// The ripple of the output is V (1 - D) / (8 L C f^2). A digitised ordinate is uncertain by 3 %, a typical capacitance by 10 % either way,
/// which is 10 % over the root of 3 as a standard uncertainty.
#[test]
fn closed_form_ripple_goes_with_the_inverse_of_inductance_and_capacitance() {
    let finding = found("ripple", flat());
    let by_capacitance = 1.0 / (1.0 + 0.1 / 3f64.sqrt()) - 1.0;
    let found = change(&finding, "effective capacitance of the branch at its bias") / value(&finding);
    assert_relative_eq!(found, by_capacitance, max_relative = WITHIN);
    let found = change(&finding, "factor on the inductance of the curve") / value(&finding);
    assert_relative_eq!(found, 1.0 / 1.03 - 1.0, max_relative = WITHIN);
}

/// Copper alone heats itself: with the air at 25 C the rise is R P / (1 - a R P), P at 25 C. Of R the part's own share is uncertain by 22 %
/// either way, the board's by 20 %.
#[test]
fn closed_form_the_rise_goes_with_the_thermal_resistance_and_what_it_heats() {
    let finding = found("winding_temperature", part("Warm", 10e-6, 30e-3));
    let rise_k = value(&finding) - 25.0;
    let cold_k = rise_k / (1.0 + COPPER * rise_k);
    for (label, half_width) in [
        ("factor on the thermal resistance of the part", 0.22),
        ("factor on the thermal resistance that this board makes", 0.2),
    ] {
        let moved_k = (1.0 + half_width / 3f64.sqrt()) * cold_k;
        let expected_k = moved_k / (1.0 - COPPER * moved_k) - rise_k;
        assert_relative_eq!(change(&finding, label), expected_k, max_relative = WITHIN);
    }
}
