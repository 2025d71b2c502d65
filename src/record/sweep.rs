//! What a sweep of the tolerances comes to, for people and programs.

pub mod statistics;

use crate::condition::figures::Value;
use crate::corridor::sweep::draws::{LIMITS, Spread};
use crate::corridor::sweep::{Column, How, Sweep, Unit};
use crate::judge::finding::badness_of;
use crate::judge::requirement::{REQUIREMENTS, Requirement, Yardstick};
use crate::judge::sight;
use crate::judge::state::State;
use crate::model::case::Case;
use crate::model::corner::{End, NOMINAL};
use crate::quantity::{Limit, Quantity};
use serde::Serialize;
use sha2::{Digest, Sha256};
use statistics::{quantile, share_interval};
use std::fmt::Write;

/// Shares at which quantiles are given.
pub const QUANTILES: [f64; 5] = [0.01, 0.05, 0.5, 0.95, 0.99];

/// A sweep and what it comes to. All values in SI.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Summary {
    /// Version of the tool.
    pub version: String,
    /// Name of the case.
    pub case: String,
    /// What tells the case from others: SHA-256 of the hashes of its files, and of what was set.
    pub case_sha256: String,
    /// What was put in place of values of the files, each as `KEY=VALUE`.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub set: Vec<String>,
    /// How units are chosen, in words.
    pub how: String,
    /// Seed of random draws.
    pub seed: Option<u64>,
    /// Tolerances; each stands between 0, its least end, and 1, its greatest.
    pub tolerances: Vec<&'static str>,
    /// Conditions.
    pub conditions: Vec<&'static str>,
    /// Units of each part.
    pub units: usize,
    /// Runs of a condition in all of them.
    pub runs: usize,
    /// Each part.
    pub parts: Vec<PartSummary>,
}

/// What the units of a part show.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PartSummary {
    /// Name.
    pub part: String,
    /// One entry a requirement and quantity.
    pub checks: Vec<CheckSummary>,
}

/// One check over all units of a part.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CheckSummary {
    /// Identifier of the requirement.
    pub requirement: &'static str,
    /// Identifier of the quantity.
    pub quantity: &'static str,
    /// Its label, with the name of the load step or profile where it has one.
    pub label: String,
    /// Its unit.
    pub unit: &'static str,
    /// Limit; none where any value will do.
    pub limit: Option<Limit>,
    /// Units that have the quantity.
    pub units: usize,
    /// Of these: inside the limit.
    pub met: usize,
    /// Beyond it, or failing.
    pub missed: usize,
    /// Not computed, or only a bound that tells nothing.
    pub open: usize,
    /// Share of random draws that are inside.
    pub met_share: Option<Share>,
    /// The worst unit.
    pub worst: Option<Worst>,
    /// Quantiles of random draws that have a number; none where fewer have.
    pub quantiles: Vec<Quantile>,
}

/// A share with its interval of confidence.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Share {
    /// Share.
    pub share: f64,
    /// Lower limit at 95 % confidence.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
}

/// The worst unit of a check.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Worst {
    /// Its value, or why there is none.
    pub value: Value,
    /// Number of the unit, from 1.
    pub unit: usize,
    /// Where its tolerances stand, in words.
    pub combination: String,
    /// The same as positions, in the order of the tolerances.
    pub positions: Vec<f64>,
}

/// A quantile.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Quantile {
    /// Share of the draws that do not exceed the value.
    pub share: f64,
    /// Value.
    pub value: f64,
}

/// What tells the inputs of a run from others: the hash of the names and hashes of the files and of what was set.
pub fn case_hash(case: &Case) -> String {
    let mut hash = Sha256::new();
    case.files.iter().for_each(|file| hash.update(format!("{}  {}\n", file.sha256, file.path)));
    case.set.iter().for_each(|set| hash.update(format!("--set {set}\n")));
    hex(&hash.finalize())
}

/// Bytes in lower-case hexadecimal.
pub(super) fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut text, byte| {
        // Writing to a string cannot fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}

/// How units are chosen, in words.
pub fn how(sweep: &Sweep) -> String {
    match sweep.plan.how {
        How::Factorial => "every combination of both ends".into(),
        How::Draws(draws) => {
            format!("random draws, each tolerance by itself, {}, seed {}", spread(draws.spread), draws.seed)
        }
    }
}

fn spread(spread: Spread) -> String {
    match spread {
        Spread::Uniform => "uniform between its ends".into(),
        Spread::Normal => format!("normal with its ends at k = {LIMITS}, truncated there"),
    }
}

/// Everything that the units of a sweep come to.
pub fn summary(sweep: &Sweep, units: &[Unit]) -> Summary {
    let plan = &sweep.plan;
    Summary {
        version: env!("CARGO_PKG_VERSION").into(),
        case: sweep.case.name.clone(),
        case_sha256: case_hash(&sweep.case),
        set: sweep.case.set.clone(),
        how: how(sweep),
        seed: if let How::Draws(draws) = plan.how { Some(draws.seed) } else { None },
        tolerances: plan.tolerances.iter().map(|one| one.key()).collect(),
        conditions: plan.conditions.iter().map(|condition| condition.name()).collect(),
        units: plan.units(),
        runs: plan.units() * plan.parts.iter().map(|part| sweep.runs_in(*part)).sum::<usize>(),
        parts: plan.parts.iter().map(|part| part_summary(sweep, *part, units)).collect(),
    }
}

fn part_summary(sweep: &Sweep, part: usize, units: &[Unit]) -> PartSummary {
    let own: Vec<&Unit> = units.iter().filter(|unit| unit.part == part).collect();
    let of = |requirement: &'static Requirement| {
        let of_quantity = move |id: &'static str| sweep.columns.iter().filter(move |column| column.quantity.id == id);
        let columns = requirement.quantities.iter().flat_map(move |id| of_quantity(id));
        let of_load = requirement.of_load.is_some();
        columns.filter(move |column| of_load || column.load == 0).filter_map(move |column| {
            Some((requirement, requirement.at_load(&sweep.case, &sweep.case.parts[part], column.load)?, column))
        })
    };
    let asked = REQUIREMENTS.iter().flat_map(of);
    let checks =
        asked.filter_map(|(requirement, yardstick, column)| check(sweep, requirement, &yardstick, column, &own));
    PartSummary { part: sweep.case.parts[part].name.clone(), checks: checks.collect() }
}

/// One check; `None` where no unit has the quantity, or nobody states a limit and the original's value would stand in.
fn check(
    sweep: &Sweep,
    requirement: &'static Requirement,
    yardstick: &Yardstick,
    of: &Column,
    units: &[&Unit],
) -> Option<CheckSummary> {
    let (quantity, column) = (of.quantity, sweep.columns.iter().position(|known| known == of)?);
    let named = sweep.case.board.named(of.load).map(|named| format!("{}, {}", quantity.label, named.name));
    let shown: Vec<(&Unit, &Value)> =
        units.iter().filter_map(|unit| Some((*unit, unit.values[column].as_ref()?))).collect();
    if shown.is_empty() || matches!(yardstick, Yardstick::Original(_)) {
        return None;
    }
    let states: Vec<State> = shown.iter().map(|(_, value)| state(yardstick, value)).collect();
    let count = |wanted: State| states.iter().filter(|state| **state == wanted).count();
    let met = count(State::Met);
    let is_random = matches!(sweep.plan.how, How::Draws(_));
    let (low, high) = share_interval(met, shown.len());
    Some(CheckSummary {
        requirement: requirement.id,
        quantity: quantity.id,
        label: named.unwrap_or_else(|| quantity.label.into()),
        unit: quantity.unit,
        limit: yardstick.limit(),
        units: shown.len(),
        met,
        missed: count(State::Missed),
        open: count(State::Open),
        met_share: is_random.then(|| Share { share: met as f64 / shown.len() as f64, low, high }),
        worst: worst(sweep, quantity, &shown),
        quantiles: if is_random { quantiles(&shown) } else { vec![] },
    })
}

/// State of one unit, whose data are taken as they are.
fn state(yardstick: &Yardstick, value: &Value) -> State {
    match yardstick.limit() {
        Some(limit) => sight::state(value, 0.0, &limit),
        None => sight::without_number(value),
    }
}

fn worst(sweep: &Sweep, quantity: &Quantity, shown: &[(&Unit, &Value)]) -> Option<Worst> {
    let bad = |value: &Value| badness_of(quantity.side, value);
    let (unit, value) = shown.iter().reduce(|a, b| if bad(b.1) > bad(a.1) { b } else { a })?;
    Some(Worst {
        value: (*value).clone(),
        unit: unit.number / sweep.plan.parts.len() + 1,
        combination: combination(sweep, &unit.positions),
        positions: unit.positions.clone(),
    })
}

/// Where tolerances stand: both ends by the name of their corner, else each by its position.
fn combination(sweep: &Sweep, positions: &[f64]) -> String {
    let all = || sweep.plan.tolerances.iter().zip(positions);
    match sweep.plan.how {
        How::Factorial => {
            let end = |position: f64| if position < 0.5 { End::Least } else { End::Most };
            all().fold(NOMINAL, |corner, (one, position)| corner.with(*one, Some(end(*position)))).name()
        }
        How::Draws(_) => {
            all().map(|(one, position)| format!("{} {position:.2}", one.key())).collect::<Vec<_>>().join(", ")
        }
    }
}

fn quantiles(shown: &[(&Unit, &Value)]) -> Vec<Quantile> {
    let mut numbers: Vec<f64> = shown.iter().filter_map(|(_, value)| value.number()).collect();
    numbers.sort_by(f64::total_cmp);
    // With failures among the draws the quantiles of the others would flatter.
    if numbers.len() < shown.len() {
        return vec![];
    }
    QUANTILES.iter().filter_map(|&share| Some(Quantile { share, value: quantile(&numbers, share)? })).collect()
}
