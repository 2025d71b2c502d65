//! Corners by direction: each check at the combination of tolerances that is its own worst. The rule: docs/method.md, "corners".
//!
//! From the corner that decides a check so far, every tolerance is moved alone; then all of them to the ends that hurt; there those whose
//! effect was small are turned once more, since their direction may differ there. A tolerance that hurts at either end (of what has a limit to both
//! sides, such as the output's distance from its aim) is put at both.

use super::effort::Step;
use super::ends::{Check, checks, difference};
use super::{Job, Look, found, left_out, side_by_side};
use crate::condition;
use crate::condition::figures::{Failure, Figures, PartFigures, Place};
use crate::condition::stand::Stand;
use crate::judge::finding::badness_of;
use crate::judge::sight::without_number;
use crate::judge::state::State;
use crate::model::case::Case;
use crate::model::corner::{CORNERS, Corner, End, PARAMETERS, Parameter};
use crate::quantity::Quantity;

/// Share of a limit that may be left for a check of an event to get a corner of its own: tolerances do not use up more. Steady states
/// are quick and get theirs always.
const WITHIN_REACH: f64 = 0.5;
/// Share of a limit that may be left for the turns to be tried.
const CLOSE: f64 = 0.25;
/// Share of the largest effect of a tolerance below which another's may turn round in the corner.
const MAY_TURN: f64 = 0.3;
/// Tolerances that are put at both ends: each doubles the corners of its check.
const MOST_AT_EITHER: usize = 3;
/// Effects below this share of a value are none.
const NO_EFFECT: f64 = 1e-6;

/// A check that gets a corner of its own.
struct Search {
    part: usize,
    check: Check,
    /// Tolerances that may matter.
    parameters: Vec<Parameter>,
    /// The worst corner so far, with the badness there.
    worst: (Corner, f64),
    /// The corners that are tried next.
    next: Vec<Corner>,
    /// Tolerances whose effect was small, where the check is close.
    may_turn: Vec<Parameter>,
}

/// Runs of parts in places, each once.
struct Runs<'a> {
    look: &'a Look<'a>,
    done: Vec<(usize, Figures)>,
}

/// Finds the corner of each check that is within reach of its limit, and adds what the part and the original show there. Parts before the
/// first have been looked at.
///
/// # Errors
/// An interruption.
pub(super) fn explore(look: &Look<'_>, parts: &mut [PartFigures], first: usize) -> Result<(), Failure> {
    let known =
        parts.iter().enumerate().flat_map(|(part, shown)| shown.results.iter().cloned().map(move |at| (part, at)));
    let mut runs = Runs { look, done: known.collect() };
    let mut searches = searches(look.case, parts, first, &runs);
    let alone: Vec<Vec<Corner>> = searches.iter().map(|search| search.alone()).collect();
    runs.add(searches.iter().zip(&alone).flat_map(|(search, corners)| search.at_all(corners)))?;
    searches.iter_mut().for_each(|search| search.turn_adverse(&runs));
    for (search, alone) in searches.iter_mut().zip(&alone) {
        search.settle(&runs, alone);
    }
    settle_next(&mut searches, &mut runs)?;
    let turned: Vec<Vec<Corner>> = searches.iter().map(Search::turned).collect();
    runs.add(searches.iter().zip(&turned).flat_map(|(search, corners)| search.at_all(corners)))?;
    for (search, turned) in searches.iter_mut().zip(&turned) {
        search.next = vec![search.all_worse(&runs, turned)];
        search.settle(&runs, turned);
    }
    settle_next(&mut searches, &mut runs)?;
    // Beside each part the original on the same board, its own tolerances at either end.
    let alike = searches.iter().filter(|search| search.part > 0).flat_map(|search| {
        CORNERS[1..].iter().map(|own| (0, Place { corner: own.on_board_of(search.worst.0), ..search.check.place }))
    });
    let alike: Vec<(usize, Place)> = alike.collect();
    runs.add(alike.iter().copied())?;
    let worst: Vec<(usize, Place)> = searches.iter().map(|search| search.at(search.worst.0)).collect();
    let unknown: Vec<(usize, Place)> = searches.iter().filter_map(|search| search.unknown(&runs)).collect();
    for (part, place) in worst.into_iter().chain(unknown).chain(alike) {
        let results = &mut parts[part].results;
        if let Some(found) = runs.at(part, &place).filter(|_| results.iter().all(|known| known.place != place)) {
            results.push(found.clone());
        }
    }
    Ok(())
}

/// Runs the corners that are to be tried next.
fn settle_next(searches: &mut [Search], runs: &mut Runs<'_>) -> Result<(), Failure> {
    runs.add(searches.iter().flat_map(|search| search.at_all(&search.next)))?;
    for search in searches {
        let tried = std::mem::take(&mut search.next);
        search.settle(runs, &tried);
    }
    Ok(())
}

fn searches(case: &Case, parts: &[PartFigures], first: usize, runs: &Runs<'_>) -> Vec<Search> {
    let mut all: Vec<Search> = vec![];
    for (part, shown) in parts.iter().enumerate().skip(first) {
        for check in checks(case, shown, part) {
            let simulated = condition::find(check.place.condition).is_some_and(|condition| !condition.is_data());
            let within_reach = check.room < WITHIN_REACH || check.place.condition == "steady" && check.room.is_finite();
            let new = !all.iter().any(|known| {
                known.part == part && known.check.place == check.place && known.check.quantity.id == check.quantity.id
            });
            if let (true, Some(shown)) = (simulated && within_reach && new, runs.at(part, &check.place)) {
                let (corner, bad) = (check.place.corner, bad(check.quantity, shown));
                let parameters = parameters(case, part, &check);
                all.push(Search { part, check, parameters, worst: (corner, bad), next: vec![], may_turn: vec![] });
            }
        }
    }
    all
}

impl Search {
    fn at(&self, corner: Corner) -> (usize, Place) {
        (self.part, Place { corner, ..self.check.place })
    }

    fn at_all(&self, corners: &[Corner]) -> Vec<(usize, Place)> {
        corners.iter().map(|corner| self.at(*corner)).collect()
    }

    /// How bad the check is in a corner that has been run.
    fn bad(&self, runs: &Runs<'_>, corner: Corner) -> Option<f64> {
        let (part, place) = self.at(corner);
        runs.at(part, &place).map(|found| bad(self.check.quantity, found))
    }

    /// A corner in which the check could not be computed: it may be the worst.
    fn unknown(&self, runs: &Runs<'_>) -> Option<(usize, Place)> {
        let is_mine = |(part, found): &&(usize, Figures)| {
            *part == self.part && found.place == Place { corner: found.place.corner, ..self.check.place }
        };
        let unknown = |(_, found): &&(usize, Figures)| {
            found.value(self.check.quantity.id).is_some_and(|value| without_number(value) == State::Open)
        };
        runs.done.iter().filter(is_mine).find(unknown).map(|(part, found)| (*part, found.place))
    }

    /// The corner that decides the check so far, with each tolerance that may matter at an end at which it does not stand.
    fn alone(&self) -> Vec<Corner> {
        turned(self.check.place.corner, &self.parameters)
    }

    /// Tries next the corner of all ends that hurt, and notes which effects were small.
    fn turn_adverse(&mut self, runs: &Runs<'_>) {
        let (from, shown) = (self.check.place.corner, self.worst.1);
        let (mut effects, mut either, mut adverse) = (vec![], vec![], from);
        for &parameter in &self.parameters {
            let by = |end: End| Some((end, difference(self.bad(runs, from.with(parameter, Some(end)))?, shown)));
            let found: Vec<(End, f64)> = others(from, parameter).filter_map(by).collect();
            let worst = found.iter().copied().reduce(|a, b| if b.1 > a.1 { b } else { a });
            let hurts = |(_, by): &(End, f64)| *by > NO_EFFECT * shown.abs();
            if let Some((end, _)) = worst.filter(hurts) {
                adverse = adverse.with(parameter, Some(end));
            }
            let effect = found.iter().map(|(_, by)| by.abs()).fold(0.0, f64::max);
            if found.len() == 2 && found.iter().all(hurts) {
                either.push((parameter, effect));
            }
            effects.push((parameter, effect));
        }
        self.next = at_either_end(adverse, either);
        let most = effects.iter().map(|effect| effect.1).fold(0.0, f64::max);
        if self.check.room < CLOSE {
            let small = effects.into_iter().filter(|(_, effect)| *effect < MAY_TURN * most);
            self.may_turn = small.map(|(parameter, _)| parameter).collect();
        }
    }

    /// The worst of the corner so far and of some that have been run. What hurts alone may not hurt together.
    fn settle(&mut self, runs: &Runs<'_>, tried: &[Corner]) {
        let valued = tried.iter().filter_map(|corner| Some((*corner, self.bad(runs, *corner)?)));
        self.worst = valued.fold(self.worst, |worst, next| if next.1 > worst.1 { next } else { worst });
    }

    /// The worst corner with each tolerance of small effect turned round.
    fn turned(&self) -> Vec<Corner> {
        turned(self.worst.0, &self.may_turn)
    }

    /// The worst corner with everything turned that is worse turned.
    fn all_worse(&self, runs: &Runs<'_>, turned: &[Corner]) -> Corner {
        let (from, known) = self.worst;
        let worse =
            |corner: &&Corner| self.bad(runs, **corner).is_some_and(|bad| bad > known + NO_EFFECT * known.abs());
        let moved = |corner: &Corner| PARAMETERS.into_iter().find(|one| corner.end_of(*one) != from.end_of(*one));
        turned.iter().filter(worse).fold(from, |all, corner| {
            moved(corner).map_or(all, |parameter| all.with(parameter, corner.end_of(parameter)))
        })
    }
}

/// Tolerances that may matter to a check of a part.
fn parameters(case: &Case, part: usize, check: &Check) -> Vec<Parameter> {
    let driven = condition::find(check.place.condition).map_or(&[][..], |condition| condition.drives());
    let on = |parameter: &Parameter| parameter.is_on(&case.board, &case.parts[part]) && !driven.contains(parameter);
    let acts = |parameter: &Parameter| acts(*parameter, check.quantity, check.place.condition);
    PARAMETERS.into_iter().filter(on).filter(acts).collect()
}

/// A corner with those parameters that hurt at either end, the largest effects of them, in all combinations of their ends.
fn at_either_end(from: Corner, mut either: Vec<(Parameter, f64)>) -> Vec<Corner> {
    either.sort_by(|a, b| b.1.total_cmp(&a.1));
    either.truncate(MOST_AT_EITHER);
    either.into_iter().fold(vec![from], |corners, (parameter, _)| {
        let both = |corner: Corner| [End::Least, End::Most].map(|end| corner.with(parameter, Some(end)));
        corners.into_iter().flat_map(both).collect()
    })
}

/// A corner with each of some parameters, alone, at an end at which it does not stand.
fn turned(from: Corner, parameters: &[Parameter]) -> Vec<Corner> {
    let moved = |&parameter: &Parameter| others(from, parameter).map(move |end| from.with(parameter, Some(end)));
    parameters.iter().flat_map(moved).collect()
}

/// The ends at which a parameter does not stand in a corner.
fn others(corner: Corner, parameter: Parameter) -> impl Iterator<Item = End> {
    let now = corner.end_of(parameter);
    [End::Least, End::Most].into_iter().filter(move |end| Some(*end) != now)
}

impl Runs<'_> {
    fn at(&self, part: usize, place: &Place) -> Option<&Figures> {
        self.done.iter().find(|(known, found)| *known == part && found.place == *place).map(|(_, found)| found)
    }

    /// Runs what has not been run.
    fn add(&mut self, wanted: impl IntoIterator<Item = (usize, Place)>) -> Result<(), Failure> {
        let mut new: Vec<(usize, Place)> = vec![];
        for (part, place) in wanted {
            if self.at(part, &place).is_none() && !new.contains(&(part, place)) {
                new.push((part, place));
            }
        }
        let Look { case, orbits, effort, progress } = *self.look;
        let admitted = effort.admit(Step::Corners, &new);
        let wanted: Vec<((usize, Place), bool)> = new.iter().copied().zip(admitted).collect();
        let run = |&((part, place), admitted): &((usize, Place), bool)| {
            if !admitted {
                return Ok(condition::find(place.condition).map(|condition| left_out(condition, place)));
            }
            let input_v = place.input_v.unwrap_or(case.board.nominal_input_v);
            let known = orbits.near(&Job { part, corner: place.corner, input_v });
            let stand = Stand::beside(case, &case.parts[part], place.corner, input_v, known);
            condition::find(place.condition).map(|condition| found(condition, &stand, place)).transpose()
        };
        let results = side_by_side(&wanted, progress, run)?;
        for ((part, _), found) in new.into_iter().zip(results) {
            self.done.extend(found.map(|found| (part, found.figures)));
        }
        Ok(())
    }
}

/// How bad a quantity is in some figures: what fails is worse than any number. What could not be computed tells nothing.
fn bad(quantity: &Quantity, figures: &Figures) -> f64 {
    figures.value(quantity.id).map_or(f64::NEG_INFINITY, |value| badness_of(quantity.side, value))
}

/// Whether a tolerance can act on a quantity at all.
fn acts(parameter: Parameter, quantity: &Quantity, condition: &str) -> bool {
    match parameter {
        Parameter::CoreLoss => ["inductor_loss", "winding_temperature", "efficiency"].contains(&quantity.id),
        // What the limit does in a steady state is told by how near it is to acting, which needs no corner.
        Parameter::LimitThreshold => !matches!(condition, "steady" | "light load"),
        _ => true,
    }
}
