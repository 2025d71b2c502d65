//! Corners by direction: each check at the combination of tolerances that is its own worst. The rule: docs/method.md, "corners".
//!
//! From the corner that decides a check so far, every tolerance is moved alone; then all of them to the ends that hurt; there those whose
//! effect was small are turned once more, since their direction may differ there.

use super::ends::{Check, checks};
use super::{Job, Orbits, found, side_by_side};
use crate::condition::figures::{Failure, Figures, PartFigures, Place};
use crate::condition::stand::Stand;
use crate::condition::{self, CONDITIONS};
use crate::judge::finding::badness;
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
/// Effects below this share of a value are none.
const NO_EFFECT: f64 = 1e-6;

/// A check that gets a corner of its own.
struct Search {
    part: usize,
    check: Check,
    /// The worst corner so far, with the badness there.
    corner: Corner,
    bad: f64,
    /// Tolerances whose effect was small, where the check is close.
    may_turn: Vec<Parameter>,
}

/// Runs of parts in places, each once.
struct Runs<'a> {
    case: &'a Case,
    orbits: &'a Orbits,
    progress: &'a (dyn Fn(usize, usize) + Sync),
    done: Vec<(usize, Figures)>,
}

/// Finds the corner of each check that is within reach of its limit, and adds what the part and the original show there.
///
/// # Errors
/// An interruption.
pub(super) fn explore(
    case: &Case,
    parts: &mut [PartFigures],
    orbits: &Orbits,
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Result<(), Failure> {
    let known =
        parts.iter().enumerate().flat_map(|(part, shown)| shown.results.iter().cloned().map(move |at| (part, at)));
    let mut runs = Runs { case, orbits, progress, done: known.collect() };
    let mut searches = searches(case, parts, &runs);
    runs.add(searches.iter().flat_map(|search| search.alone(case)))?;
    searches.iter_mut().for_each(|search| search.turn_adverse(case, &runs));
    runs.add(searches.iter().map(Search::place).collect::<Vec<_>>())?;
    searches.iter_mut().for_each(|search| search.settle(&runs, &[]));
    runs.add(searches.iter().flat_map(|search| search.turned()))?;
    let worse: Vec<Corner> = searches.iter().map(|search| search.all_worse(&runs)).collect();
    runs.add(searches.iter().zip(&worse).map(|(search, corner)| search.at(*corner)))?;
    for (search, worse) in searches.iter_mut().zip(worse) {
        let turned: Vec<Corner> = search.turned().map(|(_, place)| place.corner).chain([worse]).collect();
        search.settle(&runs, &turned);
    }
    // Beside each part the original on the same board, its own tolerances at either end.
    let alike = searches.iter().filter(|search| search.part > 0).flat_map(|search| {
        CORNERS[1..].iter().map(|own| (0, Place { corner: own.on_board_of(search.corner), ..search.check.place }))
    });
    let alike: Vec<(usize, Place)> = alike.collect();
    runs.add(alike.iter().copied())?;
    for (part, place) in searches.iter().map(Search::place).chain(alike) {
        let results = &mut parts[part].results;
        if let Some(found) = runs.at(part, &place).filter(|_| results.iter().all(|known| known.place != place)) {
            results.push(found.clone());
        }
    }
    Ok(())
}

fn searches(case: &Case, parts: &[PartFigures], runs: &Runs<'_>) -> Vec<Search> {
    let mut all: Vec<Search> = vec![];
    for (part, shown) in parts.iter().enumerate() {
        for check in checks(case, shown, part) {
            let simulated = condition::find(check.place.condition).is_some_and(|condition| !condition.is_data());
            let within_reach = check.room < WITHIN_REACH || check.place.condition == "steady" && check.room.is_finite();
            let new = !all.iter().any(|known| {
                known.part == part && known.check.place == check.place && known.check.quantity.id == check.quantity.id
            });
            if let (true, Some(shown)) = (simulated && within_reach && new, runs.at(part, &check.place)) {
                let bad = bad(check.quantity, shown);
                all.push(Search { part, check, corner: check.place.corner, bad, may_turn: vec![] });
            }
        }
    }
    all
}

impl Search {
    fn at(&self, corner: Corner) -> (usize, Place) {
        (self.part, Place { corner, ..self.check.place })
    }

    fn place(&self) -> (usize, Place) {
        self.at(self.corner)
    }

    /// Every tolerance that may matter, alone at the ends at which it does not stand.
    fn alone(&self, case: &Case) -> Vec<(usize, Place)> {
        let of = |parameter: Parameter| self.others(parameter).map(move |end| self.corner.with(parameter, Some(end)));
        self.parameters(case).into_iter().flat_map(of).map(|corner| self.at(corner)).collect()
    }

    fn others(&self, parameter: Parameter) -> impl Iterator<Item = End> {
        let now = self.corner.end_of(parameter);
        [End::Least, End::Most].into_iter().filter(move |end| Some(*end) != now)
    }

    fn parameters(&self, case: &Case) -> Vec<Parameter> {
        let part = &case.parts[self.part];
        let driven = condition::find(self.check.place.condition).map_or(&[][..], |condition| condition.drives());
        let acts = |parameter: &Parameter| acts(*parameter, self.check.quantity, self.check.place.condition);
        let on = |parameter: &Parameter| parameter.is_on(&case.board, part) && !driven.contains(parameter);
        PARAMETERS.into_iter().filter(on).filter(acts).collect()
    }

    /// Goes to the corner of all ends that hurt.
    fn turn_adverse(&mut self, case: &Case, runs: &Runs<'_>) {
        let mut effects = vec![];
        let mut corner = self.corner;
        for parameter in self.parameters(case) {
            let mut worst: Option<(f64, End)> = None;
            let mut largest = 0.0;
            for end in self.others(parameter) {
                let Some(found) = runs.at(self.part, &self.at(self.corner.with(parameter, Some(end))).1) else {
                    continue;
                };
                let by = difference(bad(self.check.quantity, found), self.bad);
                largest = f64::max(largest, by.abs());
                if by > NO_EFFECT * self.bad.abs() && worst.is_none_or(|(known, _)| by > known) {
                    worst = Some((by, end));
                }
            }
            if let Some((_, end)) = worst {
                corner = corner.with(parameter, Some(end));
            }
            effects.push((parameter, largest));
        }
        let most = effects.iter().map(|effect| effect.1).fold(0.0, f64::max);
        if self.check.room < CLOSE {
            let small = effects.into_iter().filter(|(_, effect)| *effect < MAY_TURN * most);
            self.may_turn = small.map(|(parameter, _)| parameter).collect();
        }
        // What hurts alone may not hurt together: the corner counts only where it is the worst.
        self.settle_alone(case, runs);
        self.may_turn.retain(|_| corner != self.check.place.corner);
        self.corner = corner;
    }

    /// The worst of the corners with one tolerance moved.
    fn settle_alone(&mut self, case: &Case, runs: &Runs<'_>) {
        let tried: Vec<Corner> = self.alone(case).into_iter().map(|(_, place)| place.corner).collect();
        let mut best = (self.check.place.corner, self.bad);
        for corner in tried {
            if let Some(found) = runs.at(self.part, &self.at(corner).1) {
                let bad = bad(self.check.quantity, found);
                if bad > best.1 {
                    best = (corner, bad);
                }
            }
        }
        (self.check.place.corner, self.bad) = best;
    }

    /// The worst of the corner that decided so far, the present one and some more.
    fn settle(&mut self, runs: &Runs<'_>, more: &[Corner]) {
        let before = (self.check.place.corner, self.bad);
        let tried = std::iter::once(self.corner).chain(more.iter().copied());
        let valued = tried
            .filter_map(|corner| Some((corner, bad(self.check.quantity, runs.at(self.part, &self.at(corner).1)?))));
        let worst = valued.fold(before, |worst, next| if next.1 > worst.1 { next } else { worst });
        (self.corner, self.bad) = worst;
        self.check.place.corner = worst.0;
    }

    /// Tolerances of small effect, each turned round in the corner.
    fn turned(&self) -> impl Iterator<Item = (usize, Place)> {
        let of = |parameter: &Parameter| {
            let end = self.corner.end_of(*parameter).map(End::opposite);
            let ends = end.map_or(vec![End::Least, End::Most], |end| vec![end]);
            let parameter = *parameter;
            ends.into_iter().map(move |end| (parameter, end)).collect::<Vec<_>>()
        };
        let all: Vec<(Parameter, End)> = self.may_turn.iter().flat_map(of).collect();
        all.into_iter().map(|(parameter, end)| self.at(self.corner.with(parameter, Some(end))))
    }

    /// The corner with everything turned that is worse turned.
    fn all_worse(&self, runs: &Runs<'_>) -> Corner {
        let mut corner = self.corner;
        for (part, place) in self.turned() {
            let worse = runs
                .at(part, &place)
                .is_some_and(|found| bad(self.check.quantity, found) > self.bad + NO_EFFECT * self.bad.abs());
            if worse {
                let moved = PARAMETERS.into_iter().find(|one| place.corner.end_of(*one) != self.corner.end_of(*one));
                corner = moved.map_or(corner, |parameter| corner.with(parameter, place.corner.end_of(parameter)));
            }
        }
        corner
    }
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
        let (case, orbits) = (self.case, self.orbits);
        let run = |&(part, place): &(usize, Place)| {
            let input_v = place.input_v.unwrap_or(case.board.nominal_input_v);
            let known = orbits.near(&Job { part, corner: place.corner, input_v });
            let stand = Stand::beside(case, &case.parts[part], place.corner, input_v, known);
            let condition = CONDITIONS.iter().find(|condition| condition.name() == place.condition);
            condition.map(|condition| found(*condition, &stand, place)).transpose()
        };
        let results = side_by_side(&new, self.progress, run)?;
        for ((part, _), found) in new.into_iter().zip(results) {
            self.done.extend(found.map(|found| (part, found.figures)));
        }
        Ok(())
    }
}

/// How bad a quantity is in some figures: what fails is worse than any number. What could not be computed tells nothing.
fn bad(quantity: &Quantity, figures: &Figures) -> f64 {
    match figures.value(quantity.id) {
        Some(value) if without_number(value) == State::Missed => f64::INFINITY,
        Some(value) => value.number().map_or(f64::NEG_INFINITY, |number| badness(quantity.side, number)),
        None => f64::NEG_INFINITY,
    }
}

fn difference(a: f64, b: f64) -> f64 {
    if a == b { 0.0 } else { a - b }
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
