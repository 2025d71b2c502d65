//! What a reading of the original tells: how well this board cools its inductor.
//!
//! The rise of a winding is the thermal resistance times the loss. A reading of the original fixes that product for the original, and of
//! the share that is the board's as much as the doubts about the original's own share and its loss leave. Combined with what was known
//! before by weights (JCGM 100, 5.1.2; normal doubts).

use crate::condition::figures::Failure;
use crate::condition::stand::Stand;
use crate::model::case::{Case, Cooling, Reading};
use crate::model::corner::CORNERS;
use crate::model::doubt::{Nature, Owner, doubts};
use crate::model::parts::Inductor;

/// Relative standard uncertainty of a part's calculated loss at full load (common practice).
const LOSS: f64 = 0.05;
/// Key of the thermal resistance.
pub(super) const KEY: &str = "thermal_resistance";

/// Relative standard uncertainties of the thermal resistance before any reading: the board's share, and the original's own.
fn before(case: &Case) -> (f64, f64) {
    let of = |owner: Owner| {
        doubts(case, 0).iter().find(|doubt| doubt.rule.key == KEY && doubt.owner == owner).map_or(0.0, |doubt| {
            match doubt.nature {
                Nature::Spread { standard, .. } => standard / doubt.shown.abs(),
                Nature::Ends { low, high } => (high - low) / (2.0 * 3f64.sqrt() * doubt.shown.abs()),
            }
        })
    };
    (of(Owner::Board), of(Owner::Part))
}

/// Takes the readings of the original into the case: its thermal resistance and those of all parts, and what is still doubtful about them.
///
/// # Errors
/// An interruption. A reading whose condition cannot be simulated is doubted, and all else goes on.
pub(super) fn learn(case: &mut Case) -> Result<(), Failure> {
    if case.readings.is_empty() || case.parts.is_empty() {
        return Ok(());
    }
    let mut alone = case.frame();
    let name = case.parts[0].name.clone();
    alone.origins.extend(case.origins.iter().filter(|origin| origin.part.as_deref() == Some(&name)).cloned());
    alone.parts.push(case.parts[0].clone());
    for reading in case.readings.clone() {
        let place = format!("{} V, {} A, {} degC", reading.input_v, reading.load_a, reading.ambient_degc);
        match take(&mut alone, &mut case.parts[1..], &reading) {
            Err(failure) if failure.is_interruption() => return Err(failure),
            Err(failure) => case.warnings.push(format!("reading at {place}: not used, since it cannot be simulated: {failure}")),
            Ok(Used::No) => case.warnings.push(format!(
                "reading at {place}: not used; the simulation finds no balance of losses and temperature there, or no rise"
            )),
            Ok(Used::Yes) => {}
        }
    }
    case.parts[0] = alone.parts.remove(0);
    case.cooling = alone.cooling;
    Ok(())
}

/// Whether a reading told anything.
enum Used {
    Yes,
    No,
}

/// Takes a reading into the case with the original alone, and what it tells of the board into the other parts.
fn take(case: &mut Case, others: &mut [Inductor], reading: &Reading) -> Result<Used, Failure> {
    let mut there = case.clone();
    there.board.ambient_degc = reading.ambient_degc;
    let stand = Stand::new(&there, &there.parts[0], CORNERS[0], reading.input_v);
    let warm = stand.warm(reading.load_a)?;
    let rise_k = warm.winding_degc - reading.ambient_degc;
    let read_k = reading.winding_degc - reading.ambient_degc;
    if warm.unsettled.is_some() || rise_k <= 0.0 || read_k <= 0.0 {
        return Ok(Used::No);
    }
    let (board, own) = match case.cooling {
        None => before(case),
        Some(known) => (known.board, (known.original.powi(2) - known.board.powi(2)).max(0.0).sqrt()),
    };
    let of_reading = reading.uncertainty_k / read_k;
    let off = read_k / rise_k - 1.0;
    // The original as a whole: its loss is part of what was read, so that its doubt does not count against it.
    let (for_original, original) = combined(board.hypot(own), of_reading);
    let (for_board, left) = combined(board, of_reading.hypot(own).hypot(LOSS));
    case.parts[0].thermal_resistance_k_per_w *= 1.0 + off * for_original;
    for part in others {
        part.thermal_resistance_k_per_w *= 1.0 + off * for_board;
    }
    case.cooling = Some(Cooling { board: left, original });
    Ok(Used::Yes)
}

/// Weight of a new finding beside what was known, and the standard uncertainty that is left.
fn combined(known: f64, new: f64) -> (f64, f64) {
    let sum = known.powi(2) + new.powi(2);
    if sum == 0.0 { (0.0, 0.0) } else { (known.powi(2) / sum, known * new / sum.sqrt()) }
}
