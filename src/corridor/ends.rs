//! What nobody printed, and what is printed only as typical: which runs show what it does.
//!
//! Every doubtful datum is moved alone, in the nominal corner. Where absent data could turn a check, all of them are run together at the
//! ends that hurt it, and at the opposite ones, in every corner. The rule: docs/method.md, "absent data".

use super::{Job, conclusions};
use crate::condition::contract::{Condition, Found};
use crate::condition::figures::{AtEnds, Datum, Failure, Figures, Moved, PartFigures, Place, Value};
use crate::judge::finding::badness;
use crate::judge::requirement::{REQUIREMENTS, Yardstick};
use crate::judge::sight::margin;
use crate::model::case::Case;
use crate::model::corner::{CORNERS, Corner, End, NOMINAL};
use crate::model::doubt::{Acts, Doubt, Nature, Owner, doubts};
use crate::quantity::{self, Limit, Quantity};
use rayon::prelude::*;

/// Effects below this share of a limit are none: no bench would see them.
const IMMATERIAL: f64 = 2e-3;
/// Effects of several data may add to more than their sum; beyond this multiple of it a check cannot turn.
const TOGETHER: f64 = 2.0;
/// Half width of a rectangular spread in standard uncertainties.
const HALF_WIDTH: f64 = 1.732_050_807_568_877_2;

/// Data of a part at ends or elsewhere, by the number of the doubt.
type Moves = Vec<(usize, f64)>;
/// Ends of absent data by the number of the doubt.
type Pattern = Vec<(usize, End)>;

/// What is doubtful about each part.
struct Part {
    doubts: Vec<Doubt>,
    data: Vec<Datum>,
}

/// A set of runs of one part.
struct Batch {
    part: usize,
    moves: Moves,
    corners: &'static [Corner],
}

/// Runs what the doubts about the data ask for, and adds it to the figures of the parts.
///
/// # Errors
/// An interruption.
pub(super) fn explore(
    case: &Case,
    parts: &mut [PartFigures],
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Result<(), Failure> {
    let all: Vec<Part> = (0..parts.len()).map(|part| Part::of(case, part)).collect();
    alone(case, parts, &all, progress)?;
    let patterns: Vec<Vec<Pattern>> = (0..parts.len()).map(|part| patterns(case, &parts[part], &all[part], part)).collect();
    together(case, parts, &all, &with_counterparts(&all, patterns), progress)
}

impl Part {
    fn of(case: &Case, part: usize) -> Part {
        let doubts = doubts(case, part);
        let data = doubts.iter().map(datum).collect();
        Part { doubts, data }
    }

    /// Numbers of the doubts that lie between ends.
    fn with_ends(&self) -> impl Iterator<Item = (usize, (f64, f64))> {
        self.doubts.iter().enumerate().filter_map(|(number, doubt)| match doubt.nature {
            Nature::Ends { low, high } => Some((number, (low, high))),
            Nature::Spread { .. } => None,
        })
    }

    fn value_at(&self, number: usize, end: End) -> f64 {
        match (self.doubts[number].nature, end) {
            (Nature::Ends { low, .. }, End::Least) => low,
            (Nature::Ends { high, .. }, End::Most) => high,
            (Nature::Spread { .. }, _) => self.doubts[number].shown,
        }
    }
}

fn datum(doubt: &Doubt) -> Datum {
    Datum { rule: doubt.rule, branch: doubt.branch, of_part: doubt.owner == Owner::Part, shown: doubt.shown }
}

/// Every doubtful datum alone.
fn alone(
    case: &Case,
    parts: &mut [PartFigures],
    all: &[Part],
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Result<(), Failure> {
    let nominal = &CORNERS[..1];
    let mut batches = vec![];
    for (part, known) in all.iter().enumerate() {
        for (number, doubt) in known.doubts.iter().enumerate() {
            let values = match doubt.nature {
                Nature::Ends { low, high } => vec![low, high],
                Nature::Spread { standard, .. } => vec![doubt.shown + standard],
            };
            batches.extend(values.into_iter().map(|value| Batch { part, moves: vec![(number, value)], corners: nominal }));
        }
    }
    for (batch, results) in batches.iter().zip(run(case, all, &batches, progress)?) {
        let (number, value) = batch.moves[0];
        let datum = all[batch.part].data[number];
        match all[batch.part].doubts[number].nature {
            Nature::Ends { low, .. } => {
                let end = if value == low { End::Least } else { End::Most };
                parts[batch.part].ends.push(AtEnds { data: vec![(datum, end)], results });
            }
            Nature::Spread { rectangular, .. } => {
                parts[batch.part].spreads.push(Moved { datum, half_width: rectangular.then_some(HALF_WIDTH), results });
            }
        }
    }
    Ok(())
}

/// Patterns of ends that hurt a check of a part which absent data could turn; each fits several checks.
fn patterns(case: &Case, figures: &PartFigures, part: &Part, number: usize) -> Vec<Pattern> {
    let mut merged: Vec<Pattern> = vec![];
    for requirement in REQUIREMENTS {
        let Some(yardstick) = (requirement.yardstick)(case, &case.parts[number]) else { continue };
        for quantity in requirement.quantities.iter().filter_map(|id| quantity::find(id)) {
            for place in figures.results.iter().filter(|found| found.place.corner == NOMINAL).map(|found| found.place) {
                let pattern = pattern(case, figures, part, quantity, &place, &yardstick);
                if !pattern.is_empty() {
                    merge(&mut merged, pattern);
                }
            }
        }
    }
    merged
}

/// The ends that hurt a quantity in a place; none where they cannot turn the check.
fn pattern(
    case: &Case,
    figures: &PartFigures,
    part: &Part,
    quantity: &Quantity,
    place: &Place,
    yardstick: &Yardstick,
) -> Pattern {
    let value_in = |results: &[Figures]| {
        results.iter().find(|found| found.place == *place).and_then(|found| found.value(quantity.id)).cloned()
    };
    let Some(shown) = value_in(&figures.results) else { return vec![] };
    let limit = match yardstick {
        Yardstick::Limit(limit) | Yardstick::Graded { met: limit, .. } => Some(*limit),
        Yardstick::Original(_) | Yardstick::Happens => None,
    };
    let scale = limit.map_or(shown.number().unwrap_or(0.0), |limit| limit.value).abs();
    let bad = |value: &Value| value.number().map_or(f64::INFINITY, |number| badness(quantity.side, number));
    let mut pattern = vec![];
    let mut sum = 0.0;
    for (doubt, _) in part.with_ends() {
        let at = |end: End| {
            let found = figures.ends.iter().find(|found| found.data == [(part.data[doubt], end)])?;
            Some(difference(bad(&value_in(&found.results)?), bad(&shown)))
        };
        let (Some(low), Some(high)) = (at(End::Least), at(End::Most)) else { continue };
        let (worst, end) = if high >= low { (high, End::Most) } else { (low, End::Least) };
        if worst > IMMATERIAL * scale || low.min(high) < -IMMATERIAL * scale {
            pattern.push((doubt, end));
            sum += low.abs().max(high.abs());
        }
    }
    // The worst corner of the same setting decides whether the data could turn the check.
    let setting = figures.results.iter().filter(|found| Place { corner: NOMINAL, ..found.place } == *place);
    let margins = setting.filter_map(|found| Some(margin_of(found.value(quantity.id)?, limit.as_ref(), &shown)));
    let ambient_degc = case.board.ambient_degc;
    let doubt = shown.number().map_or(0.0, |number| quantity.uncertainty(number, ambient_degc)) + 0.05 * scale;
    let could_turn = margins.fold(false, |could, margin| could || margin.abs() <= TOGETHER * sum + doubt);
    if could_turn || !sum.is_finite() { pattern } else { vec![] }
}

/// Distance to the limit; where there is none, none is left.
fn margin_of(value: &Value, limit: Option<&Limit>, shown: &Value) -> f64 {
    match (value.number(), limit) {
        (Some(number), Some(limit)) => margin(number, limit),
        (Some(_), None) if shown.number().is_some() => f64::INFINITY,
        _ => 0.0,
    }
}

/// A difference of badness; nothing between two that are infinitely bad.
fn difference(a: f64, b: f64) -> f64 {
    if a == b { 0.0 } else { a - b }
}

/// Adds a pattern to the first with which it agrees, or as one of its own.
fn merge(merged: &mut Vec<Pattern>, pattern: Pattern) {
    let agrees = |known: &Pattern| {
        pattern.iter().all(|(doubt, end)| known.iter().all(|(other, at)| other != doubt || at == end))
    };
    match merged.iter_mut().find(|known| agrees(known)) {
        Some(known) => {
            let new: Vec<_> = pattern.into_iter().filter(|moved| !known.contains(moved)).collect();
            known.extend(new);
        }
        None => merged.push(pattern),
    }
}

/// With each pattern its opposite, and for the original what the differences of the others need: the board's data at the same ends, its
/// own where they stand in the part, at the opposite, and as shown.
fn with_counterparts(all: &[Part], patterns: Vec<Vec<Pattern>>) -> Vec<Vec<Pattern>> {
    let opposite = |pattern: &Pattern| pattern.iter().map(|(doubt, end)| (*doubt, other(*end))).collect::<Pattern>();
    let mut wanted: Vec<Vec<Pattern>> = patterns
        .into_iter()
        .map(|patterns| patterns.into_iter().flat_map(|pattern| [opposite(&pattern), pattern]).collect())
        .collect();
    let mut of_original = std::mem::take(&mut wanted[0]);
    for (part, patterns) in wanted.iter().enumerate() {
        for pattern in patterns {
            let theirs = |own: &dyn Fn(End) -> Option<End>| -> Pattern {
                let moved = pattern.iter().filter_map(|(doubt, end)| {
                    let datum = all[part].data[*doubt];
                    let number = all[0].with_ends().find(|(number, _)| all[0].data[*number].is_same_as(&datum))?.0;
                    Some((number, if datum.of_part { own(*end)? } else { *end }))
                });
                moved.collect()
            };
            of_original.extend([theirs(&Some), theirs(&|end| Some(other(end))), theirs(&|_| None)]);
        }
    }
    wanted[0] = of_original;
    for patterns in &mut wanted {
        let mut distinct: Vec<Pattern> = vec![];
        for mut pattern in std::mem::take(patterns) {
            pattern.sort_by_key(|(doubt, _)| *doubt);
            if !pattern.is_empty() && !distinct.contains(&pattern) {
                distinct.push(pattern);
            }
        }
        *patterns = distinct;
    }
    wanted
}

fn other(end: End) -> End {
    match end {
        End::Least => End::Most,
        End::Most => End::Least,
    }
}

/// Absent data together, in every corner.
fn together(
    case: &Case,
    parts: &mut [PartFigures],
    all: &[Part],
    patterns: &[Vec<Pattern>],
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Result<(), Failure> {
    let mut batches = vec![];
    let mut data = vec![];
    for (part, patterns) in patterns.iter().enumerate() {
        for pattern in patterns {
            let moves = pattern.iter().map(|(doubt, end)| (*doubt, all[part].value_at(*doubt, *end))).collect();
            data.push(pattern.iter().map(|(doubt, end)| (all[part].data[*doubt], *end)).collect::<Vec<_>>());
            batches.push(Batch { part, moves, corners: &CORNERS });
        }
    }
    for ((batch, data), results) in batches.iter().zip(data).zip(run(case, all, &batches, progress)?) {
        let ends = &mut parts[batch.part].ends;
        match ends.iter_mut().find(|known| known.data == data) {
            // Alone in every corner: it has been run in the nominal one.
            Some(known) => known.results = results,
            None => ends.push(AtEnds { data, results }),
        }
    }
    Ok(())
}

/// The results of each batch, all places in the order of corners and inputs.
fn run(
    case: &Case,
    all: &[Part],
    batches: &[Batch],
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Result<Vec<Vec<Figures>>, Failure> {
    let bare = Case { parts: vec![], ..case.clone() };
    let posed: Vec<Case> = batches.iter().map(|batch| posed(&bare, case, &all[batch.part], batch)).collect();
    let jobs: Vec<(usize, Corner, f64)> = batches
        .iter()
        .enumerate()
        .flat_map(|(number, batch)| {
            let inputs = move |corner: &Corner| {
                let corner = *corner;
                case.board.input_v.iter().map(move |&input_v| (number, corner, input_v))
            };
            batch.corners.iter().flat_map(inputs).collect::<Vec<_>>()
        })
        .collect();
    let done = std::sync::atomic::AtomicUsize::new(0);
    let results: Vec<Result<Vec<Found>, Failure>> = jobs
        .par_iter()
        .map(|&(number, corner, input_v)| {
            let batch = &batches[number];
            let wanted = |condition: &dyn Condition| is_touched(condition, &all[batch.part], batch);
            let found = Job { part: 0, corner, input_v }.run(&posed[number], &wanted);
            progress(done.fetch_add(1, std::sync::atomic::Ordering::Relaxed) + 1, jobs.len());
            found
        })
        .collect();
    let mut found: Vec<Vec<Found>> = batches.iter().map(|_| vec![]).collect();
    for ((number, _, _), result) in jobs.iter().zip(results) {
        found[*number].extend(result?);
    }
    let concluded = |(number, mut found): (usize, Vec<Found>)| {
        let more = conclusions(&posed[number], 0, &found);
        found.extend(more);
        found.into_iter().map(|found| found.figures).collect()
    };
    Ok(found.into_iter().enumerate().map(concluded).collect())
}

/// The case with one part, data moved.
fn posed(bare: &Case, case: &Case, part: &Part, batch: &Batch) -> Case {
    let mut posed = Case { parts: vec![case.parts[batch.part].clone()], ..bare.clone() };
    let mut moves = batch.moves.clone();
    moves.sort_by_key(|(doubt, _)| *doubt);
    for (doubt, value) in moves {
        part.doubts[doubt].set(&mut posed.board, &mut posed.parts[0], value);
    }
    posed
}

/// Whether a condition can change by what a batch moves. The inductor's losses change its temperature, and with that everything.
fn is_touched(condition: &dyn Condition, part: &Part, batch: &Batch) -> bool {
    let alone = batch.corners.len() == 1;
    batch.moves.iter().any(|(number, _)| {
        let doubt = &part.doubts[*number];
        match doubt.rule.acts {
            Acts::Rating => false,
            Acts::Loss => condition.name() == "steady" || (doubt.owner == Owner::Part && !alone),
            Acts::Start => condition.name() == "start",
            Acts::Limit => !matches!(condition.name(), "steady" | "light load"),
            Acts::Loop | Acts::Waveform => true,
        }
    })
}
