//! Where a check would turn: the value of a datum that decides, and the part of the range within which a part would pass. Found by search
//! on the simulation, with everything else at the ends that hurt the check and its uncertainty in place.

use super::effort::{Effort, Step, run_of};
use super::ends::{Part, posed_at};
use crate::condition;
use crate::condition::figures::{Datum, Failure, Place};
use crate::condition::stand::Stand;
use crate::judge::finding::{Asked, Finding, badness};
use crate::judge::sight::state;
use crate::judge::{Outcome, State, Verdict};
use crate::model::case::Case;
use rayon::prelude::*;

/// Halvings of a range: to less than one part in a hundred of it.
const HALVINGS: usize = 7;
/// Most checks of a part that are followed; a part that misses more has no range worth telling.
const MOST_CHECKS: usize = 6;
/// Ranges that are followed: ambient, load, input.
const RANGES: u64 = 3;
/// Share of the full load down to which it is tried.
const LEAST_LOAD: f64 = 0.1;
/// Coldest ambient in degrees Celsius that is tried.
const COLDEST_DEGC: f64 = -20.0;

/// What would turn the outcome of a part.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Tipping {
    /// The absent datum that decides, and the value at which the deciding check is just met.
    pub datum: Option<Tip>,
    /// Within which part of the range every check would be met that is not.
    pub within: Vec<Within>,
}

/// Value of a datum at which a check turns.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tip {
    /// The datum.
    pub datum: Datum,
    /// Its value there, in its unit.
    pub value: f64,
    /// Whether the check is met below that value, or above it.
    pub met_below: bool,
}

/// A part of the range of use within which a part would pass.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Within {
    /// Ambient up to that in degrees Celsius.
    Ambient(f64),
    /// Load up to that in A.
    Load(f64),
    /// Input from that in V.
    InputFrom(f64),
    /// Input up to that in V.
    InputUpTo(f64),
}

/// What would turn the outcome of each substitute.
///
/// # Errors
/// An interruption.
pub(super) fn search(case: &Case, effort: &Effort, verdicts: &[Verdict]) -> Result<Vec<Tipping>, Failure> {
    verdicts.par_iter().map(|verdict| of_part(case, effort, verdict)).collect()
}

/// The value of the absent datum that decides on a part at which the deciding check is just met.
///
/// # Errors
/// An interruption.
pub(super) fn datum(case: &Case, effort: &Effort, verdict: &Verdict) -> Result<Option<Tip>, Failure> {
    let affordable = |finding: &&Finding| {
        let one = std::iter::once(run_of(verdict.part, &finding.place));
        effort.affords(Step::Ranges, HALVINGS as u64 + 1, one)
    };
    let deciding = verdict.deciding().filter(|finding| can_be_followed(finding)).filter(affordable);
    match deciding.filter(|finding| finding.state == State::Open) {
        Some(finding) => tip(case, &Part::doubts_of(case, verdict.part), verdict.part, finding),
        None => Ok(None),
    }
}

fn of_part(case: &Case, effort: &Effort, verdict: &Verdict) -> Result<Tipping, Failure> {
    if verdict.part == 0 || verdict.outcome <= Outcome::NoWorse {
        return Ok(Tipping::default());
    }
    let doubts = Part::doubts_of(case, verdict.part);
    let datum = datum(case, effort, verdict)?;
    let unmet: Vec<&Finding> = verdict.findings.iter().filter(|finding| finding.outcome > Outcome::NoWorse).collect();
    let runs = (HALVINGS as u64 + 1) * RANGES;
    let each = unmet.iter().map(|finding| run_of(verdict.part, &finding.place));
    let affordable = unmet.len() <= MOST_CHECKS && effort.affords(Step::Ranges, runs, each);
    let within = match affordable && unmet.iter().all(|finding| can_be_followed(finding)) {
        true => within(case, &doubts, verdict.part, &unmet)?,
        false => vec![],
    };
    Ok(Tipping { datum, within })
}

/// Whether a check is of a run that can be repeated elsewhere.
fn can_be_followed(finding: &Finding) -> bool {
    let simulated = condition::find(finding.place.condition).is_some_and(|condition| !condition.is_data());
    simulated && finding.limit.is_some() && !finding.stands_in && matches!(finding.asked, Asked::Requirement(_))
}

/// The state of a check with data as they hurt it, some of them elsewhere, and the case changed.
fn state_at(
    case: &Case,
    doubts: &Part,
    part: usize,
    finding: &Finding,
    moved: Option<(Datum, f64)>,
    change: &dyn Fn(&mut Case, &mut Place),
) -> Result<State, Failure> {
    let mut place = finding.place;
    let mut posed = posed_at(case, doubts, part, &finding.worst_ends, moved);
    change(&mut posed, &mut place);
    let (Some(condition), Some(limit)) = (condition::find(place.condition), finding.limit) else {
        return Ok(State::Open);
    };
    let stand = Stand::new(&posed, &posed.parts[0], place.corner, place.input_v.unwrap_or(posed.board.nominal_input_v));
    match super::found(condition, &stand, place)?.figures.value(finding.quantity.id) {
        Some(value) => Ok(state(value, finding.value.uncertainty, &limit)),
        None => Ok(State::Open),
    }
}

/// Follows the datum that alone moves the value most from the end that hurts to the other.
fn tip(case: &Case, doubts: &Part, part: usize, finding: &Finding) -> Result<Option<Tip>, Failure> {
    let Some((datum, at_least, at_most)) = finding.decides else { return Ok(None) };
    let Some((low, high)) = doubts.ends_of(&datum) else { return Ok(None) };
    let hurts_high = badness(finding.quantity.side, at_most) > badness(finding.quantity.side, at_least);
    let (hurting, helping) = if hurts_high { (high, low) } else { (low, high) };
    let is_met = |value: f64| {
        Ok::<bool, Failure>(state_at(case, doubts, part, finding, Some((datum, value)), &|_, _| {})? == State::Met)
    };
    Ok(edge(helping, hurting, is_met)?.map(|value| Tip { datum, value, met_below: hurts_high }))
}

/// The last value on the way from a good one to a bad one at which something holds; `None` where it never does.
fn edge(good: f64, bad: f64, holds: impl Fn(f64) -> Result<bool, Failure>) -> Result<Option<f64>, Failure> {
    if !holds(good)? {
        return Ok(None);
    }
    let (mut good, mut bad) = (good, bad);
    for _ in 0..HALVINGS {
        let middle = 0.5 * (good + bad);
        if holds(middle)? { good = middle } else { bad = middle }
    }
    Ok(Some(good))
}

/// How one of the quantities of use is set in a case and a place.
type Set = fn(&mut Case, &mut Place, f64);

fn within(case: &Case, doubts: &Part, part: usize, unmet: &[&Finding]) -> Result<Vec<Within>, Failure> {
    let board = &case.board;
    let inputs = (board.input_v[0], board.highest_input_v());
    let full_a = board.full_load_a();
    let all_met = |set: Set, value: f64| -> Result<bool, Failure> {
        for finding in unmet {
            let change = |case: &mut Case, place: &mut Place| set(case, place, value);
            if state_at(case, doubts, part, finding, None, &change)? != State::Met {
                return Ok(false);
            }
        }
        Ok(true)
    };
    let at_input = unmet.iter().all(|finding| finding.place.input_v.is_some());
    let at_load =
        unmet.iter().all(|finding| finding.place.condition == "steady" && finding.place.load_a == Some(full_a));
    let mut found = vec![];
    let coldest_degc = COLDEST_DEGC.min(board.ambient_degc);
    if let Some(degc) = edge(coldest_degc, board.ambient_degc, |value| all_met(set_ambient, value))? {
        found.push(Within::Ambient(degc));
    }
    if at_load && let Some(load_a) = edge(LEAST_LOAD * full_a, full_a, |value| all_met(set_load, value))? {
        found.push(Within::Load(load_a));
    }
    if at_input && inputs.0 < inputs.1 {
        // Which end of the range hurts is where the checks decide.
        let high_hurts = unmet.iter().all(|finding| finding.place.input_v == Some(inputs.1));
        let (helping, hurting) = if high_hurts { inputs } else { (inputs.1, inputs.0) };
        if let Some(input_v) = edge(helping, hurting, |value| all_met(set_input, value))? {
            found.push(if high_hurts { Within::InputUpTo(input_v) } else { Within::InputFrom(input_v) });
        }
    }
    Ok(found)
}

fn set_ambient(case: &mut Case, _: &mut Place, degc: f64) {
    case.board.ambient_degc = degc;
}

fn set_load(case: &mut Case, place: &mut Place, load_a: f64) {
    if let Some(full) = case.board.load_a.last_mut() {
        *full = load_a;
    }
    place.load_a = Some(load_a);
}

fn set_input(_: &mut Case, place: &mut Place, input_v: f64) {
    place.input_v = Some(input_v);
}
