//! What captures have told of the board, taken into a case: the data of the board stand at what was learned, with what is still doubtful.
//!
//! It is the one board that was captured: where a tolerance was learned, it is that board's own place within it. Data of parts stay as they
//! are printed: no unit of a substitute has been measured, and the original's own is taken off.

use crate::model::case::{Case, ToldDatum};
use crate::model::doubt::{Doubt, Nature, Owner, Place, doubts};
use crate::units::Dimension;

/// Half width of a rectangular spread in standard deviations.
const HALF_WIDTH: f64 = 1.732_050_807_568_877_2;
/// Coverage factor of expanded uncertainties.
const COVERAGE: f64 = 2.0;
/// Behind the key of a tolerance.
const TOLERANCE: &str = " tolerance";

/// A datum that has moved.
#[derive(Clone, Debug, PartialEq)]
pub struct Moved {
    /// Its key.
    pub key: String,
    /// What it is, for people.
    pub label: String,
    /// Its dimension.
    pub unit: Dimension,
    /// Value and expanded uncertainty before.
    pub before: (f64, f64),
    /// The same now.
    pub after: (f64, f64),
}

/// What was taken, and what was not, with why.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Taken {
    /// Data of the board that stand elsewhere now.
    pub moved: Vec<Moved>,
    /// Key and reason.
    pub left: Vec<(String, &'static str)>,
}

/// Takes what was learned into a case.
pub fn take(case: &mut Case, told: &[ToldDatum]) -> Taken {
    let mut taken = Taken::default();
    for datum in told {
        match take_one(case, datum) {
            Ok(moved) => taken.moved.push(moved),
            Err(why) => taken.left.push((datum.key.clone(), why)),
        }
    }
    taken
}

fn take_one(case: &mut Case, datum: &ToldDatum) -> Result<Moved, &'static str> {
    if datum.of_part {
        return Err("a datum of the part that was fitted, which is taken off");
    }
    if datum.key == "thermal_resistance" && !case.readings.is_empty() {
        return Err("the readings in board.toml tell it");
    }
    let is_it =
        |doubt: &Doubt| doubt.owner == Owner::Board && doubt.key == datum.key && doubt.rule.label == datum.label;
    let Some(doubt) = doubts(case, 0).into_iter().find(is_it) else { return take_tolerance(case, datum) };
    if doubt.shown > 0.0 && datum.value <= 0.0 {
        return Err("what was learned is not possible: it must be above 0");
    }
    let before = match doubt.nature {
        Nature::Spread { standard, .. } => (doubt.shown, COVERAGE * standard),
        Nature::Ends { low, high } => (0.5 * (low + high), COVERAGE * 0.5 * (high - low) / HALF_WIDTH),
    };
    // What is common stands in each part where it depends on it.
    let parts = if doubt.rule.place == Place::Part { case.parts.len() } else { 1 };
    for part in 0..parts {
        let of_part = doubts(case, part).into_iter().find(is_it);
        let Case { board, parts, .. } = &mut *case;
        of_part.iter().for_each(|doubt| doubt.set(board, &mut parts[part], datum.value));
    }
    // A factor is 1 from here on: the value has taken it up.
    let standard = if doubt.rule.is_factor { datum.standard / datum.value } else { datum.standard };
    case.learned.push(ToldDatum { standard, ..datum.clone() });
    let after = (datum.value, COVERAGE * datum.standard);
    let unit = if doubt.rule.is_factor { Dimension::Number } else { doubt.rule.unit };
    Ok(Moved { key: datum.key.clone(), label: datum.label.clone(), unit, before, after })
}

/// A tolerance: the board's own place within it, as a factor.
fn take_tolerance(case: &mut Case, datum: &ToldDatum) -> Result<Moved, &'static str> {
    let half_width = HALF_WIDTH * datum.standard;
    let board = &mut case.board;
    let (value, width) = match (datum.key.strip_suffix(TOLERANCE), branch_of(&datum.key)) {
        (Some("frequency"), _) => (&mut board.frequency_hz, &mut board.tolerances.frequency),
        (_, Some(number)) => {
            let branch = board.output_bank.get_mut(number).ok_or("the board has no such branch")?;
            (&mut branch.capacitance_f, &mut branch.tolerance)
        }
        _ => return Err("a tolerance that is left as it is, or a datum that nothing doubts"),
    };
    let before = (1.0, COVERAGE * *width / HALF_WIDTH);
    *value *= datum.value;
    *width = width.min(half_width);
    let after = (datum.value, COVERAGE * datum.standard);
    Ok(Moved { key: datum.key.clone(), label: datum.label.clone(), unit: Dimension::Number, before, after })
}

/// Number of the branch whose capacitance has a tolerance of that key.
fn branch_of(key: &str) -> Option<usize> {
    key.strip_prefix("output.capacitors[")?.strip_suffix("].tolerance")?.parse().ok()
}
