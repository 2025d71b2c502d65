//! A sweep of the tolerances: many units of each part on many units of the board, each at its own place between the ends.
//!
//! What a unit shows is the worst over all inputs, loads and instants that a comparison looks at; every datum stands as it is shown. Nothing in
//! it depends on the order in which units are run, nor on which have been run before.

pub mod draws;

use super::{cooling, found};
use crate::condition::contract::Condition;
use crate::condition::figures::{Failure, Figures, PartFigures, Place, Value};
use crate::condition::known::Known;
use crate::condition::stand::{Stand, prepared};
use crate::engine::error::EngineError;
use crate::judge::finding::badness;
use crate::judge::requirement::{REQUIREMENTS, is_of_load};
use crate::judge::sight::sights;
use crate::model::between::{Position, between};
use crate::model::case::Case;
use crate::model::corner::{NOMINAL, PARAMETERS, Parameter};
use crate::quantity::{self, Quantity, Side};
use draws::Draws;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};

/// How units are chosen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum How {
    /// Every combination of both ends.
    Factorial,
    /// At random.
    Draws(Draws),
}

/// What is swept.
#[derive(Clone)]
pub struct Plan {
    /// Numbers of the parts.
    pub parts: Vec<usize>,
    /// Tolerances; the others stay typical.
    pub tolerances: Vec<Parameter>,
    /// Conditions.
    pub conditions: Vec<&'static dyn Condition>,
    /// How units are chosen.
    pub how: How,
}

/// One unit of a part, and what it shows.
#[derive(Clone, Debug, PartialEq)]
pub struct Unit {
    /// Number in the sweep.
    pub number: usize,
    /// Number of the part.
    pub part: usize,
    /// Positions of the tolerances, in their order: 0 at the least end, 1 at the greatest.
    pub positions: Vec<f64>,
    /// The worst value of each quantity; `None` where the unit has none.
    pub values: Vec<Option<Value>>,
}

/// What a unit has one value of.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Column {
    /// Quantity.
    pub quantity: &'static Quantity,
    /// Number of the load step or profile; 0 where there is none, or the quantity is the worst of all.
    pub load: usize,
}

/// A sweep that is ready to run.
pub struct Sweep {
    /// The case, with everything laid out that it only describes.
    pub case: Case,
    /// What is swept.
    pub plan: Plan,
    /// Quantities of which something is asked and that a run gives, those of load steps and profiles one a load.
    pub columns: Vec<Column>,
    /// What is known of the typical unit of each part at each input: where the searches of the others begin.
    known: Vec<(usize, f64, Known)>,
}

/// Tolerances that any of some parts has on its board.
pub fn tolerances(case: &Case, parts: &[usize]) -> Vec<Parameter> {
    let is_on = |one: &Parameter| parts.iter().any(|part| one.is_on(&case.board, &case.parts[*part]));
    PARAMETERS.into_iter().filter(is_on).collect()
}

impl Plan {
    /// Units of each part.
    pub fn units(&self) -> usize {
        match self.how {
            How::Factorial => 1 << self.tolerances.len(),
            How::Draws(draws) => draws.count,
        }
    }

    /// Units of all parts.
    pub fn runs(&self) -> usize {
        self.units() * self.parts.len()
    }

    /// Part and positions of a unit. Units of the same draw stand at the same positions: all parts go through the same boards.
    pub fn unit(&self, number: usize) -> (usize, Vec<f64>) {
        let (unit, part) = (number / self.parts.len(), self.parts[number % self.parts.len()]);
        let end = |bit: usize| (unit >> bit & 1) as f64;
        let positions = match self.how {
            How::Factorial => (0..self.tolerances.len()).map(end).collect(),
            How::Draws(draws) => draws.positions(unit, self.tolerances.len()),
        };
        (part, positions)
    }
}

impl Sweep {
    /// Lays everything out, and runs each part typical, with all tolerances at their least and with all at their greatest: which quantities
    /// there are, and where searches begin.
    ///
    /// # Errors
    /// A compensator that cannot be laid out, or an interruption.
    pub fn new(case: &Case, plan: Plan) -> Result<Sweep, Failure> {
        let mut case = prepared(case)?;
        cooling::learn(&mut case)?;
        let mut sweep = Sweep { case, plan, columns: vec![], known: vec![] };
        let mut shown = vec![];
        for part in sweep.plan.parts.clone() {
            let typical = sweep.typical(part)?;
            let ends = [0.0, 1.0].map(|end| sweep.figures(part, &sweep.at(&vec![end; sweep.plan.tolerances.len()])));
            shown.push(typical);
            for end in ends {
                shown.push(end?);
            }
        }
        sweep.columns = asked(&sweep.case, &sweep.plan.parts, &shown);
        Ok(sweep)
    }

    /// Runs all units from a number on; each is handed over in their order as soon as it and all before it are done. `take` answers whether
    /// to go on; `progress` is told how many of how many are done.
    ///
    /// # Errors
    /// An interruption, also by `take`.
    pub fn run(
        &self,
        from: usize,
        take: &mut (dyn FnMut(Unit) -> bool + Send),
        progress: &(dyn Fn(usize, usize) + Sync),
    ) -> Result<(), Failure> {
        let stopped = AtomicBool::new(false);
        let queue = Mutex::new(Queue { next: from, waiting: BTreeMap::new(), take });
        let one = |number: usize| {
            if stopped.load(Ordering::Relaxed) {
                return Err(EngineError::Interrupted.into());
            }
            let unit = self.unit(number)?;
            // A thread that panicked has told why; what it held is whole.
            let mut queue = queue.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
            if !queue.add(unit) {
                stopped.store(true, Ordering::Relaxed);
            }
            progress(queue.next, self.plan.runs());
            Ok(())
        };
        // One after another from the front, so that little waits for its turn.
        let result = (from..self.plan.runs()).par_bridge().try_for_each(one);
        if stopped.into_inner() { Err(EngineError::Interrupted.into()) } else { result }
    }

    /// One unit.
    ///
    /// # Errors
    /// An interruption.
    pub fn unit(&self, number: usize) -> Result<Unit, Failure> {
        let (part, positions) = self.plan.unit(number);
        let results = self.figures(part, &self.at(&positions))?;
        let shown = PartFigures { results, ..self.part_figures(part) };
        let values = self.columns.iter().map(|column| worst(&self.case, &shown, column)).collect();
        Ok(Unit { number, part, positions, values })
    }

    /// Runs in one unit of a part: conditions in places.
    pub fn runs_in(&self, part: usize) -> usize {
        let inputs = self.case.board.input_v.iter();
        let of = |input_v: &f64| {
            let stand = Stand::new(&self.case, &self.case.parts[part], NOMINAL, *input_v);
            self.plan.conditions.iter().map(|condition| condition.places(&stand).len()).sum::<usize>()
        };
        inputs.map(of).sum()
    }

    fn part_figures(&self, part: usize) -> PartFigures {
        let name = self.case.parts[part].name.clone();
        PartFigures { name, original: part == 0, results: vec![], ends: vec![], spreads: vec![] }
    }

    fn at(&self, positions: &[f64]) -> Vec<Position> {
        self.plan.tolerances.iter().copied().zip(positions.iter().copied()).collect()
    }

    /// The typical unit of a part; what it knows is kept.
    fn typical(&mut self, part: usize) -> Result<Vec<Figures>, Failure> {
        let mut all = vec![];
        for &input_v in &self.case.board.input_v {
            let stand = Stand::new(&self.case, &self.case.parts[part], NOMINAL, input_v);
            all.extend(self.on(&stand)?);
            self.known.push((part, input_v, stand.into_known()));
        }
        Ok(all)
    }

    /// What a unit of a part shows at every input.
    fn figures(&self, part: usize, positions: &[Position]) -> Result<Vec<Figures>, Failure> {
        let (unit, corner) = between(&self.case, part, positions);
        let mut all = vec![];
        for &input_v in &self.case.board.input_v {
            let known = self.known.iter().find(|(other, at_v, _)| (*other, *at_v) == (part, input_v));
            let known = known.map_or_else(Known::default, |(_, _, known)| known.elsewhere());
            all.extend(self.on(&Stand::beside(&unit, &unit.parts[part], corner, input_v, known))?);
        }
        Ok(all)
    }

    /// Every condition on a stand, where the typical unit of the case has it. A unit is no corner of another: its place is the nominal one.
    fn on(&self, stand: &Stand<'_>) -> Result<Vec<Figures>, Failure> {
        let typical = Stand::new(&self.case, stand.part, NOMINAL, stand.input_v);
        let mut all = vec![];
        for condition in &self.plan.conditions {
            for place in condition.places(&typical) {
                let mut figures = found(*condition, stand, Place { corner: stand.corner, ..place })?.figures;
                figures.place = place;
                all.push(figures);
            }
        }
        Ok(all)
    }
}

/// Units that wait for those before them.
struct Queue<'a> {
    next: usize,
    waiting: BTreeMap<usize, Unit>,
    take: &'a mut (dyn FnMut(Unit) -> bool + Send),
}

impl Queue<'_> {
    /// Adds a unit and hands over what is next; whether to go on.
    fn add(&mut self, unit: Unit) -> bool {
        self.waiting.insert(unit.number, unit);
        while let Some(unit) = self.waiting.remove(&self.next) {
            self.next += 1;
            if !(self.take)(unit) {
                return false;
            }
        }
        true
    }
}

/// Quantities of which a requirement asks something of any of the parts, as far as the runs give them.
fn asked(case: &Case, parts: &[usize], shown: &[Vec<Figures>]) -> Vec<Column> {
    let mut all: Vec<Column> = vec![];
    for requirement in REQUIREMENTS {
        for quantity in requirement.quantities.iter().filter_map(|id| quantity::find(id)) {
            let given = shown.iter().flatten().filter(|figures| figures.value(quantity.id).is_some());
            let mut loads: Vec<usize> = given.map(|figures| requirement.check_of(&figures.place)).collect();
            loads.sort_unstable();
            loads.dedup();
            let is_asked =
                |load: &usize| parts.iter().any(|part| requirement.at_load(case, &case.parts[*part], *load).is_some());
            for column in loads.into_iter().filter(is_asked).map(|load| Column { quantity, load }) {
                if !all.contains(&column) {
                    all.push(column);
                }
            }
        }
    }
    all
}

/// The worst value of a quantity: what fails is worse than what could not be computed, and that worse than any number.
fn worst(case: &Case, shown: &PartFigures, column: &Column) -> Option<Value> {
    let Column { quantity, load } = *column;
    let of_load = is_of_load(quantity.id);
    let sights = sights(case, shown, quantity).into_iter();
    let values = sights.filter(|sight| !of_load || sight.figures.place.load == load).map(|sight| sight.value.clone());
    values.reduce(|a, b| if rank(quantity.side, &b) > rank(quantity.side, &a) { b } else { a })
}

/// How bad a value is: first what kind, then by its number.
fn rank(side: Side, value: &Value) -> (u8, f64) {
    match value {
        Value::NotComputed(why) if why.is_event() => (2, 0.0),
        Value::NotComputed(_) => (1, 0.0),
        Value::Number(number) | Value::AtLeast(number) | Value::AtMost(number) => (0, badness(side, *number)),
    }
}
