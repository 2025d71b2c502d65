//! A unit whose tolerances stand between their ends: what a corner puts at an end, anywhere in between.
//!
//! Where a tolerance stands is told by its position: 0 at its least end, 1 at its greatest. The case of the unit is one whose *end* is the
//! value that was asked for, so that everything that knows corners knows such a unit as well.

use super::case::Case;
use super::corner::{Corner, End, NOMINAL, Parameter, placed};
use super::parts::CapacitorBranch;

/// Where a tolerance stands: 0 at its least end, 1 at its greatest.
pub type Position = (Parameter, f64);

/// The case with the tolerances of its board and of one part at these positions, and the corner in which that part is this unit.
pub fn between(case: &Case, part: usize, positions: &[Position]) -> (Case, Corner) {
    let mut unit = case.clone();
    let mut corner = NOMINAL;
    for &(parameter, position) in positions {
        let end = put(&mut unit, case, part, parameter, position);
        corner = corner.with(parameter, Some(end));
    }
    (unit, corner)
}

/// Puts one tolerance of a unit, taken from a case, at a position; returns the end at which the corner must have it.
///
/// - Inductance, core loss, frequency (without a clock: on-time), reference with its divider: a share of the typical value either way, in a
///   line. A value between the ends is a unit that is off by less.
/// - Winding resistance: in a line from the least to the largest, not through the typical one.
/// - Capacitance: in a line from the aged low unit to the new high one, all branches alike: age and spread are one number.
/// - Series resistance: its logarithm in a line, from a good warm unit to the coldest, since it grows by the same factor with every kelvin.
/// - Threshold of the limit: in a line from the lowest to the highest. A unit has one threshold, so that all three of its case are it.
/// - Ambient temperature: in a line from the coldest to the highest.
fn put(unit: &mut Case, case: &Case, part: usize, parameter: Parameter, position: f64) -> End {
    let off = 2.0 * position - 1.0;
    let end = if off < 0.0 { End::Least } else { End::Most };
    let inductor = &mut unit.parts[part];
    match parameter {
        Parameter::Inductance => inductor.tolerance *= off.abs(),
        Parameter::CoreLoss => inductor.core_loss_tolerance *= off.abs(),
        Parameter::Frequency => unit.board.tolerances.frequency *= off.abs(),
        Parameter::Reference => {
            unit.board.tolerances.reference *= off.abs();
            unit.board.tolerances.divider *= off.abs();
        }
        Parameter::Resistance => {
            // A unit has one resistance, at whichever end a condition looks for it.
            let own_ohm = in_line(ends(case, part, parameter, |at| at.dcr_ohm), position);
            (inductor.dcr_typical_ohm, inductor.dcr_max_ohm) = (own_ohm, own_ohm);
        }
        Parameter::Capacitance => {
            branches(unit, case).for_each(|(unit, branch)| put_capacitance(unit, branch, position));
            return End::Least;
        }
        Parameter::SeriesResistance => {
            let coldest_degc = case.board.coldest_degc;
            branches(unit, case).for_each(|(unit, branch)| put_resistance(unit, branch, coldest_degc, position));
        }
        Parameter::LimitThreshold => put_threshold(unit, position),
        Parameter::Ambient => {
            let ends_degc = ends(case, part, parameter, |at| at.board.ambient_degc);
            unit.board.coldest_degc = Some(in_line(ends_degc, position));
            return End::Least;
        }
        // No corner has it.
        Parameter::Winding => {}
    }
    end
}

fn in_line((least, most): (f64, f64), position: f64) -> f64 {
    least * (1.0 - position) + most * position
}

/// What a corner puts at the two ends of a tolerance.
fn ends(case: &Case, part: usize, parameter: Parameter, of: impl Fn(super::corner::Placed) -> f64) -> (f64, f64) {
    let at = |end| of(placed(&NOMINAL.with(parameter, Some(end)), &[], &case.board, &case.parts[part]));
    (at(End::Least), at(End::Most))
}

/// Branches of both banks, each beside the one of the case.
fn branches<'a>(
    unit: &'a mut Case,
    case: &'a Case,
) -> impl Iterator<Item = (&'a mut CapacitorBranch, &'a CapacitorBranch)> {
    let outputs = unit.board.output_bank.iter_mut().zip(&case.board.output_bank);
    outputs.chain(unit.board.input_bank.iter_mut().zip(&case.board.input_bank))
}

fn put_capacitance(unit: &mut CapacitorBranch, branch: &CapacitorBranch, position: f64) {
    let ends_f =
        (branch.aged_capacitance_f * (1.0 - branch.tolerance), branch.capacitance_f * (1.0 + branch.tolerance));
    unit.aged_capacitance_f = in_line(ends_f, position);
    unit.tolerance = 0.0;
}

/// The resistance itself is this unit's; neither end changes it any more.
fn put_resistance(unit: &mut CapacitorBranch, branch: &CapacitorBranch, coldest_degc: Option<f64>, position: f64) {
    let coldest = coldest_degc.map_or(1.0, |degc| branch.cold_esr(degc));
    unit.esr_ohm *= branch.least_esr.powf(1.0 - position) * coldest.powf(position);
    unit.least_esr = 1.0;
    unit.stated_cold_esr = Some(1.0);
}

fn put_threshold(unit: &mut Case, position: f64) {
    if let Some(limit) = &mut unit.board.control.protection.current_limit {
        let (least, _, most) = limit.threshold;
        let own = in_line((least, most), position);
        limit.threshold = (own, own, own);
    }
}
