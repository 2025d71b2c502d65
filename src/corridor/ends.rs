//! What nobody printed, and what is printed only as typical: which runs show what it does.
//!
//! Every doubtful datum is moved alone, in the conditions and corners that decide a check. Where absent data could turn a check, all of
//! them are run together at the ends that hurt it, and at the opposite ones, in the place that decides and those that come next. The rule:
//! docs/method.md, "absent data".

mod borrowed;

use super::cooling::KEY;
use super::effort::Step;
use super::{Job, Look, Orbits, conclusions, found, left_out, side_by_side, stands};
use crate::condition::contract::Found;
use crate::condition::figures::{AtEnds, Datum, Failure, Figure, Figures, Moved, PartFigures, Place, Shift, Value};
use crate::condition::stand::Stand;
use crate::condition::{self, CONDITIONS, DATA_SHEET};
use crate::judge::requirement::{REQUIREMENTS, Requirement, Yardstick};
use crate::judge::sight::{margin, without_number};
use crate::judge::state::State;
use crate::judge::{self, finding::badness, requirement};
use crate::model::case::Case;
use crate::model::corner::{Corner, End, same_board};
use crate::model::doubt::{Acts, Doubt, Nature, Owner, Place as Owned, doubts};
use crate::quantity::{self, Quantity};

/// Effects below this share of a limit are none: no bench would see them.
const IMMATERIAL: f64 = 2e-3;
/// Effects of several data may add to more than their sum; beyond this multiple of it a check cannot turn.
const TOGETHER: f64 = 2.0;
/// A value that uses less than this share of its limit is not turned by the spread of typical data.
const FAR_INSIDE: f64 = 0.6;
/// Share of a limit that may be left, or missed, for a check to be close: what is doubtful is run in its own place then.
const CLOSE: f64 = 0.15;
/// Places in which a check is looked at with absent data together: the one that decides, and those that come next.
const MOST_PLACES: usize = 3;
/// Room for the spread of typical data, as a share of a limit, where it is estimated whether a check could turn.
const LEFT_TO_SPREADS: f64 = 0.1;
/// Margin in expanded uncertainties up to which a check is close.
const CLOSE_IN_U: f64 = 3.0;
/// Half width of a rectangular spread in standard uncertainties.
const HALF_WIDTH: f64 = 1.732_050_807_568_877_2;

/// Data of a part at ends or elsewhere, by the number of the doubt.
type Moves = Vec<(usize, f64)>;

/// Ends of absent data that hurt a check, by the number of the doubt, and where they could turn it.
#[derive(Clone, PartialEq)]
struct Pattern {
    ends: Vec<(usize, End)>,
    scope: Scope,
}

/// A check of a part in the place that decides it.
#[derive(Clone, Copy)]
pub(super) struct Check {
    pub(super) quantity: &'static Quantity,
    yardstick: Yardstick,
    pub(super) place: Place,
    /// Share of the limit that is left; infinite where there is none to be left.
    pub(super) room: f64,
}

/// What is doubtful about each part, and what it could turn.
pub(super) struct Part {
    doubts: Vec<Doubt>,
    data: Vec<Datum>,
    checks: Vec<Check>,
}

/// A set of runs of one part.
struct Batch {
    part: usize,
    moves: Moves,
    scope: Scope,
}

/// Where data are moved.
#[derive(Clone, Default, PartialEq)]
struct Scope {
    places: Vec<Place>,
    /// Whether in every steady state besides, for what follows from all of them.
    all_steady: bool,
}

/// Runs what the doubts about the data ask for, and adds it to the figures of the parts. Parts before the first have been looked at.
///
/// # Errors
/// An interruption.
pub(super) fn explore(look: &Look<'_>, parts: &mut [PartFigures], first: usize) -> Result<(), Failure> {
    let case = look.case;
    let all: Vec<Part> = (0..parts.len()).map(|part| Part::of(case, parts, part)).collect();
    alone(look, parts, &all, first)?;
    let of_part = |part: usize| if part < first { vec![] } else { patterns(case, &parts[part], &all[part]) };
    let patterns: Vec<Vec<Pattern>> = (0..parts.len()).map(of_part).collect();
    let wanted = with_counterparts(&all, &parts[0], patterns);
    together(look, parts, &all, &wanted)
}

impl Part {
    fn of(case: &Case, parts: &[PartFigures], part: usize) -> Part {
        let Part { doubts, data, .. } = Part::doubts_of(case, part);
        let mut checks = checks(case, &parts[part], part);
        // What is held against no limit of its own stands for no other check.
        checks.sort_by(|a, b| a.room.is_infinite().cmp(&b.room.is_infinite()).then(a.room.total_cmp(&b.room)));
        Part { doubts, data, checks }
    }

    /// The doubts alone.
    pub(super) fn doubts_of(case: &Case, part: usize) -> Part {
        let mut doubts = doubts(case, part);
        if let Some(cooling) = case.cooling {
            // Of the original the reading tells both shares at once.
            doubts.retain(|doubt| !(part == 0 && doubt.rule.key == KEY && doubt.owner == Owner::Part));
            let known = if part == 0 { cooling.original } else { cooling.board };
            for doubt in doubts.iter_mut().filter(|doubt| doubt.rule.key == KEY && doubt.owner == Owner::Board) {
                doubt.nature = Nature::Spread { standard: known * doubt.shown, rectangular: false };
            }
        }
        let data = doubts.iter().map(datum).collect();
        Part { doubts, data, checks: vec![] }
    }

    /// The same for others.
    pub(super) fn into_doubts(self) -> Vec<Doubt> {
        self.doubts
    }

    /// The ends between which a datum lies.
    pub(super) fn ends_of(&self, datum: &Datum) -> Option<(f64, f64)> {
        let number = self.with_ends().find(|number| self.data[*number].is_same_as(datum))?;
        Some((self.value_at(number, End::Least), self.value_at(number, End::Most)))
    }

    /// Numbers of the doubts that lie between ends.
    fn with_ends(&self) -> impl Iterator<Item = usize> {
        let ends = |doubt: &Doubt| matches!(doubt.nature, Nature::Ends { .. });
        self.doubts.iter().enumerate().filter(move |(_, doubt)| ends(doubt)).map(|(number, _)| number)
    }

    fn has_ends(&self, datum: &Datum) -> bool {
        self.with_ends().any(|number| self.data[number].is_same_as(datum))
    }

    fn value_at(&self, number: usize, end: End) -> f64 {
        match (self.doubts[number].nature, end) {
            (Nature::Ends { low, .. }, End::Least) => low,
            (Nature::Ends { high, .. }, End::Most) => high,
            (Nature::Spread { .. }, _) => self.doubts[number].shown,
        }
    }

    /// The places in which a datum can turn a check, each once.
    fn places(&self, doubt: &Doubt) -> Vec<Place> {
        let typical = matches!(doubt.nature, Nature::Spread { .. });
        let mut places: Vec<Place> = vec![];
        for check in self.checks.iter().filter(|check| acts_on(doubt, check)) {
            // Typical data do much the same to all checks of a condition and load: the closest of them stands for all that are not close.
            let close = check.room.abs() < CLOSE;
            let known = |place: &Place| match typical && !close {
                true => Place { corner: place.corner, input_v: place.input_v, ..check.place } == *place,
                false => check.place == *place,
            };
            let far_inside = typical && check.room > 1.0 - FAR_INSIDE;
            if !far_inside && !places.iter().any(known) {
                places.push(check.place);
            }
        }
        places
    }
}

/// The checks of a part, each in the place that decides it as the data are shown.
pub(super) fn checks(case: &Case, figures: &PartFigures, part: usize) -> Vec<Check> {
    let mut checks = vec![];
    for requirement in REQUIREMENTS {
        for quantity in requirement.quantities.iter().filter_map(|id| quantity::find(id)) {
            for load in checks_of(requirement, figures) {
                let yardstick = requirement.at_load(case, &case.parts[part], load);
                let is_of = |place: &Place| requirement.check_of(place) == load;
                checks.extend(yardstick.and_then(|yardstick| deciding(figures, quantity, yardstick, &is_of)));
            }
        }
    }
    checks
}

/// The checks of a requirement: the loads where each is one of its own.
fn checks_of(requirement: &Requirement, figures: &PartFigures) -> Vec<usize> {
    let mut loads: Vec<usize> = figures.results.iter().map(|found| requirement.check_of(&found.place)).collect();
    loads.sort_unstable();
    loads.dedup();
    loads
}

fn deciding(
    figures: &PartFigures,
    quantity: &'static Quantity,
    yardstick: Yardstick,
    is_of: &dyn Fn(&Place) -> bool,
) -> Option<Check> {
    let limit = yardstick.limit();
    // What happens or not has something that tells how near it is.
    let told_by = quantity::find(precursor(quantity.id)).unwrap_or(quantity);
    let bad = |found: &'_ Figures| {
        let value = found.value(quantity.id)?;
        let number = found.value(told_by.id).and_then(Value::number);
        // What fails or is not known comes first.
        let rank = if without_number(value) == State::Met {
            number.map_or(0.0, |number| badness(told_by.side, number))
        } else {
            f64::INFINITY
        };
        Some(rank)
    };
    let results = figures.results.iter().filter(|found| is_of(&found.place));
    let ranked = results.filter_map(|found| Some((found, bad(found)?)));
    let worst = ranked.reduce(|a, b| if b.1 > a.1 { b } else { a })?;
    let number = worst.0.value(quantity.id).and_then(Value::number);
    let room =
        number.zip(limit).map_or(f64::NEG_INFINITY, |(number, limit)| margin(number, &limit) / limit.value.abs());
    // A count has no room, and is not close to its limit for that.
    let room = if quantity.unit.is_empty() && room >= 0.0 { f64::INFINITY } else { room };
    Some(Check { quantity, yardstick, place: worst.0.place, room })
}

/// The quantity that tells how near an event is.
fn precursor(id: &str) -> &str {
    match id {
        "periods" => "multiplier",
        "limited_cycles" => "peak_current",
        id => id,
    }
}

fn datum(doubt: &Doubt) -> Datum {
    Datum { rule: doubt.rule, branch: doubt.branch, of_part: doubt.owner == Owner::Part, shown: doubt.shown }
}

/// Quantities that tell of what is drawn from the input.
const SUPPLY: [&str; 3] = ["efficiency", "input_ripple_use", "input_ripple_current"];

/// Whether a check changes by a datum that moves alone; what the part's temperature does to other conditions is left to the runs in
/// which absent data move together.
fn acts_on(doubt: &Doubt, check: &Check) -> bool {
    let condition = check.place.condition;
    let is_data = condition::find(condition).is_some_and(|condition| condition.is_data());
    match doubt.rule.acts {
        Acts::Rating => is_data,
        Acts::Loss => condition == "steady",
        Acts::Supply => SUPPLY.contains(&check.quantity.id),
        Acts::Start => condition == "start",
        Acts::Limit => !matches!(condition, "steady" | "light load"),
        Acts::Loop | Acts::Waveform => true,
    }
}

/// Every doubtful datum alone: each part's own, and for the original the board's. A substitute is taken to feel those as the original
/// does; where one of its checks is close or the original does no better, that is checked.
fn alone(look: &Look<'_>, parts: &mut [PartFigures], all: &[Part], first: usize) -> Result<(), Failure> {
    alone_where(look, parts, all, &|part, doubt, _| part >= first && (part == 0 || !is_borrowed(doubt)))?;
    let again = borrowed::borrow(look, parts, all)?;
    let is_again = |part: usize, doubt: &Doubt, place: &Place| {
        let number = |number: usize| all[part].data[number].is_same_as(&datum(doubt));
        again.iter().any(|(known, numbered, there)| *known == part && there == place && number(*numbered))
    };
    alone_where(look, parts, all, &is_again)?;
    either_way(look, parts, all, first)
}

/// Share of the variance of an open check from which a datum is moved the other way as well: a jump goes one way only, and several data
/// may bring it about.
const LARGE_SHARE: f64 = 0.05;

/// Times that data are moved either way: where one place of a check is settled, another may be open.
const MOST_TURNS: usize = 3;

/// Moves the data that keep a check open either way, in the very place of it, until none is left.
fn either_way(look: &Look<'_>, parts: &mut [PartFigures], all: &[Part], first: usize) -> Result<(), Failure> {
    for _ in 0..MOST_TURNS {
        if !moved_either_way(look, parts, all, first)? {
            break;
        }
    }
    Ok(())
}

/// Moves the data that keep a check open, as far as they have not been moved in its place; whether there were any.
fn moved_either_way(look: &Look<'_>, parts: &mut [PartFigures], all: &[Part], first: usize) -> Result<bool, Failure> {
    let mut wanted: Vec<(usize, usize, Place)> = vec![];
    for verdict in judge::verdicts(look.case, parts).into_iter().skip(first) {
        let open = verdict.findings.iter().filter(|finding| finding.state == State::Open && finding.limit.is_some());
        for finding in open {
            let total: f64 = finding.budget.iter().map(|effect| effect.change.powi(2)).sum();
            for effect in finding.budget.iter().filter(|effect| effect.change.powi(2) > LARGE_SHARE * total) {
                let known = &all[verdict.part];
                let number = known.data.iter().position(|datum| datum.is_same_as(&effect.datum));
                let is_moved = |moved: &Moved| {
                    moved.datum.is_same_as(&effect.datum) && moved.back.iter().any(|shift| shift.place == finding.place)
                };
                let number = number.filter(|_| !parts[verdict.part].spreads.iter().any(is_moved));
                let move_it = number.map(|number| (verdict.part, number, finding.place));
                wanted.extend(move_it.filter(|move_it| !wanted.contains(move_it)));
            }
        }
    }
    let moved = |way: f64| {
        move |&(part, number, place): &(usize, usize, Place)| {
            let doubt = &all[part].doubts[number];
            let standard = match doubt.nature {
                Nature::Spread { standard, .. } => standard,
                Nature::Ends { .. } => 0.0,
            };
            let scope = Scope { places: vec![place], all_steady: false };
            Batch { part, moves: vec![(number, doubt.shown + way * standard)], scope }
        }
    };
    let batches: Vec<Batch> = wanted.iter().map(moved(1.0)).chain(wanted.iter().map(moved(-1.0))).collect();
    let results = run(look, all, &batches)?;
    for (number, (batch, results)) in batches.iter().zip(results).enumerate() {
        let datum = all[batch.part].data[batch.moves[0].0];
        let PartFigures { results: shown, spreads, .. } = &mut parts[batch.part];
        let Some(known) = spreads.iter_mut().find(|known| known.datum.is_same_as(&datum)) else { continue };
        let list = if number < wanted.len() { &mut known.shifts } else { &mut known.back };
        for found in results {
            let Some(shown) = shown.iter().find(|shown| shown.place == found.place) else { continue };
            list.retain(|shift| shift.place != found.place);
            list.push(Shift::between(shown, &found));
        }
    }
    Ok(!wanted.is_empty())
}

/// Whether a substitute is taken to feel a doubt as the original does, until its own check is close.
fn is_borrowed(doubt: &Doubt) -> bool {
    doubt.rule.place != Owned::Part && matches!(doubt.nature, Nature::Spread { .. })
}

fn alone_where(
    look: &Look<'_>,
    parts: &mut [PartFigures],
    all: &[Part],
    is_wanted: &dyn Fn(usize, &Doubt, &Place) -> bool,
) -> Result<(), Failure> {
    let mut batches = vec![];
    for (part, known) in all.iter().enumerate() {
        for (number, doubt) in known.doubts.iter().enumerate() {
            let values = match doubt.nature {
                Nature::Ends { low, high } => vec![low, high],
                Nature::Spread { standard, .. } => vec![doubt.shown + standard],
            };
            let mut scope = Scope { places: known.places(doubt), all_steady: false };
            scope.places.retain(|place| is_wanted(part, doubt, place));
            if scope.places.is_empty() {
                continue;
            }
            for value in values {
                match value == doubt.shown {
                    true => parts[part].ends.push(as_shown(&parts[part].results, known, number, &scope)),
                    false => batches.push(Batch { part, moves: vec![(number, value)], scope: scope.clone() }),
                }
            }
        }
    }
    for (batch, results) in batches.iter().zip(run(look, all, &batches)?) {
        let (number, value) = batch.moves[0];
        let datum = all[batch.part].data[number];
        match all[batch.part].doubts[number].nature {
            Nature::Ends { low, .. } => {
                let end = if value == low { End::Least } else { End::Most };
                parts[batch.part].ends.push(AtEnds { data: vec![(datum, end)], results });
            }
            Nature::Spread { rectangular, .. } => {
                let shown = &parts[batch.part].results;
                let shift = |found: &Figures| {
                    Some(Shift::between(shown.iter().find(|shown| shown.place == found.place)?, found))
                };
                let shifts: Vec<Shift> = results.iter().filter_map(shift).collect();
                let moved = Moved { datum, half_width: rectangular.then_some(HALF_WIDTH), shifts, back: vec![] };
                // What has no number there cannot be a change of one: it counts as it is.
                let without: Vec<Figures> = results
                    .iter()
                    .filter(|found| shown.iter().any(|shown| shown.place == found.place && loses_numbers(shown, found)))
                    .cloned()
                    .collect();
                if !without.is_empty() {
                    parts[batch.part].ends.push(AtEnds { data: vec![(datum, End::Most)], results: without });
                }
                own(&mut parts[batch.part].spreads, moved);
            }
        }
    }
    Ok(())
}

/// A datum at an end at which it is shown: that has been run.
fn as_shown(shown: &[Figures], known: &Part, number: usize, scope: &Scope) -> AtEnds {
    let is_least = known.value_at(number, End::Least) == known.doubts[number].shown;
    let end = if is_least { End::Least } else { End::Most };
    let results = shown.iter().filter(|found| scope.places.contains(&found.place)).cloned().collect();
    AtEnds { data: vec![(known.data[number], end)], results }
}

/// Whether something that had a number has none any more.
fn loses_numbers(shown: &Figures, found: &Figures) -> bool {
    let lost = |figure: &Figure| {
        let before = shown.value(figure.quantity.id);
        figure.value.number().is_none() && before.is_some_and(|value| value.number().is_some())
    };
    found.values.iter().any(lost)
}

/// Adds what a part feels itself; what was taken from the original for those conditions goes.
fn own(spreads: &mut Vec<Moved>, moved: Moved) {
    match spreads.iter_mut().find(|known| known.datum.is_same_as(&moved.datum)) {
        Some(known) => {
            let again = |shift: &Shift| moved.shifts.iter().any(|new| new.place.condition == shift.place.condition);
            known.shifts.retain(|shift| !again(shift));
            known.shifts.extend(moved.shifts);
        }
        None => spreads.push(moved),
    }
}

/// Patterns of ends that hurt a check of a part which absent data could turn; each fits several checks.
fn patterns(case: &Case, figures: &PartFigures, part: &Part) -> Vec<Pattern> {
    let mut merged: Vec<Pattern> = vec![];
    for check in &part.checks {
        let pattern = pattern(case, figures, part, check);
        if !pattern.ends.is_empty() {
            merge(&mut merged, pattern);
        }
    }
    merged
}

/// The ends that hurt a check; none where they cannot turn it.
fn pattern(case: &Case, figures: &PartFigures, part: &Part, check: &Check) -> Pattern {
    let quantity = check.quantity;
    let all_steady = condition::find(check.place.condition).is_some_and(|condition| condition.is_data());
    let mut pattern = Pattern { ends: vec![], scope: Scope { places: vec![check.place], all_steady } };
    let value_in = |results: &[Figures]| {
        results.iter().find(|found| found.place == check.place).and_then(|found| found.value(quantity.id)).cloned()
    };
    let Some(shown) = value_in(&figures.results) else { return pattern };
    let limit = check.yardstick.limit();
    let scale = limit.map_or(shown.number().unwrap_or(0.0), |limit| limit.value).abs();
    let bad = |value: &Value| value.number().map_or(f64::INFINITY, |number| badness(quantity.side, number));
    let mut sum = 0.0;
    for doubt in part.with_ends() {
        let at = |end: End| {
            let found = figures.ends.iter().find(|found| found.data == [(part.data[doubt], end)])?;
            Some(difference(bad(&value_in(&found.results)?), bad(&shown)))
        };
        let (Some(low), Some(high)) = (at(End::Least), at(End::Most)) else { continue };
        let (worst, end) = if high >= low { (high, End::Most) } else { (low, End::Least) };
        if worst > IMMATERIAL * scale || low.min(high) < -IMMATERIAL * scale {
            pattern.ends.push((doubt, end));
            sum += low.abs().max(high.abs());
        }
    }
    let uncertainty = shown.number().map_or(0.0, |number| quantity.uncertainty(number, case.board.ambient_degc));
    let reach = TOGETHER * sum + uncertainty + LEFT_TO_SPREADS * scale;
    let could_turn = |value: &Value| match (value.number(), limit) {
        (Some(number), Some(limit)) => margin(number, &limit).abs() <= reach,
        _ => true,
    };
    if !could_turn(&shown) {
        pattern.ends.clear();
    }
    // What comes next to the place that decides could decide then.
    let of_load = requirement::is_of_load(quantity.id);
    let is_alike =
        |place: &Place| place.condition == check.place.condition && (!of_load || place.load == check.place.load);
    let alike = figures.results.iter().filter(|found| is_alike(&found.place));
    let valued = alike.filter_map(|found| Some((found.place, found.value(quantity.id)?)));
    let mut next: Vec<(Place, &Value)> = valued.filter(|(_, value)| could_turn(value)).collect();
    next.sort_by(|a, b| bad(b.1).total_cmp(&bad(a.1)));
    pattern.scope.add(&Scope { places: next.iter().take(MOST_PLACES).map(|(place, _)| *place).collect(), all_steady });
    pattern
}

/// A difference of badness; nothing between two that are infinitely bad.
pub(super) fn difference(a: f64, b: f64) -> f64 {
    if a == b { 0.0 } else { a - b }
}

/// Adds a pattern to the first with which it agrees, or as one of its own.
fn merge(merged: &mut Vec<Pattern>, pattern: Pattern) {
    let agrees = |known: &Pattern| {
        pattern.ends.iter().all(|(doubt, end)| known.ends.iter().all(|(other, at)| other != doubt || at == end))
    };
    let Some(known) = merged.iter_mut().find(|known| agrees(known)) else {
        merged.push(pattern);
        return;
    };
    let ends: Vec<_> = pattern.ends.into_iter().filter(|moved| !known.ends.contains(moved)).collect();
    known.ends.extend(ends);
    known.scope.add(&pattern.scope);
}

/// With each pattern its opposite, and for the original what the differences of the others need: the board's data at the same ends, its
/// own where they stand in the part, at the opposite, and as shown.
fn with_counterparts(all: &[Part], original: &PartFigures, patterns: Vec<Vec<Pattern>>) -> Vec<Vec<Pattern>> {
    let opposite = |pattern: &Pattern| Pattern {
        ends: pattern.ends.iter().map(|(doubt, end)| (*doubt, end.opposite())).collect(),
        scope: pattern.scope.clone(),
    };
    let mut wanted: Vec<Vec<Pattern>> = patterns
        .into_iter()
        .map(|patterns| patterns.into_iter().flat_map(|pattern| [opposite(&pattern), pattern]).collect())
        .collect();
    let mut of_original = std::mem::take(&mut wanted[0]);
    for (part, patterns) in wanted.iter().enumerate() {
        for pattern in patterns {
            let theirs = |own: &dyn Fn(End) -> Option<End>| {
                let moved = pattern.ends.iter().filter_map(|(doubt, end)| {
                    let datum = all[part].data[*doubt];
                    let number = all[0].with_ends().find(|number| all[0].data[*number].is_same_as(&datum))?;
                    Some((number, if datum.of_part { own(*end)? } else { *end }))
                });
                Pattern { ends: moved.collect(), scope: pattern.scope.on_like_boards(original) }
            };
            of_original.extend([theirs(&Some), theirs(&|end| Some(end.opposite())), theirs(&|_| None)]);
        }
    }
    wanted[0] = of_original;
    wanted.into_iter().map(distinct).collect()
}

/// Each set of ends once, wherever it is wanted.
fn distinct(patterns: Vec<Pattern>) -> Vec<Pattern> {
    let mut distinct: Vec<Pattern> = vec![];
    for mut pattern in patterns.into_iter().filter(|pattern| !pattern.ends.is_empty()) {
        pattern.ends.sort_by_key(|(doubt, _)| *doubt);
        match distinct.iter_mut().find(|known| known.ends == pattern.ends) {
            Some(known) => known.scope.add(&pattern.scope),
            None => distinct.push(pattern),
        }
    }
    distinct
}

/// Absent data together, wherever they could turn a check.
fn together(
    look: &Look<'_>,
    parts: &mut [PartFigures],
    all: &[Part],
    patterns: &[Vec<Pattern>],
) -> Result<(), Failure> {
    let mut batches = vec![];
    let mut data = vec![];
    for (part, patterns) in patterns.iter().enumerate() {
        for pattern in patterns {
            let moves = pattern.ends.iter().map(|(doubt, end)| (*doubt, all[part].value_at(*doubt, *end))).collect();
            data.push(pattern.ends.iter().map(|(doubt, end)| (all[part].data[*doubt], *end)).collect::<Vec<_>>());
            batches.push(Batch { part, moves, scope: pattern.scope.clone() });
        }
    }
    for ((batch, data), results) in batches.iter().zip(data).zip(run(look, all, &batches)?) {
        let ends = &mut parts[batch.part].ends;
        match ends.iter_mut().find(|known| known.data == data) {
            // Alone: some places have been run already.
            Some(known) => {
                let new = results.into_iter().filter(|found| known.results.iter().all(|old| old.place != found.place));
                let new: Vec<_> = new.collect();
                known.results.extend(new);
            }
            None => ends.push(AtEnds { data, results }),
        }
    }
    Ok(())
}

/// The results of each batch.
fn run(look: &Look<'_>, all: &[Part], batches: &[Batch]) -> Result<Vec<Vec<Figures>>, Failure> {
    let case = look.case;
    let bare = bare(case);
    let (batches, skipped) = worth_while(look, batches);
    let posed: Vec<Case> = batches.iter().map(|batch| posed(&bare, case, &all[batch.part], batch)).collect();
    let jobs: Vec<(usize, Corner, f64)> = batches
        .iter()
        .enumerate()
        .flat_map(|(number, batch)| {
            batch.stands(case).into_iter().map(move |(corner, input_v)| (number, corner, input_v))
        })
        .collect();
    let results = side_by_side(&jobs, look.progress, |&(number, corner, input_v)| {
        batches[number].run(&posed[number], look.orbits, corner, input_v)
    })?;
    let mut found: Vec<Vec<Found>> = batches.iter().map(|_| vec![]).collect();
    jobs.iter().zip(results).for_each(|((number, _, _), result)| found[*number].extend(result));
    let concluded = |(number, mut found): (usize, Vec<Found>)| {
        // What follows from steady states needs all of them.
        let is_whole = |found: &Found| found.figures.place.corner == DATA_SHEET || batches[number].scope.all_steady;
        let more: Vec<Found> = conclusions(&posed[number], 0, &found).into_iter().filter(is_whole).collect();
        found.extend(more);
        found.extend(
            skipped[number].iter().filter_map(|place| Some(left_out(condition::find(place.condition)?, *place))),
        );
        found.into_iter().map(|found| found.figures).collect()
    };
    Ok(found.into_iter().enumerate().map(concluded).collect())
}

/// The batches without the places that would take too long, and those places.
fn worth_while(look: &Look<'_>, batches: &[Batch]) -> (Vec<Batch>, Vec<Vec<Place>>) {
    let runs: Vec<(usize, Place)> =
        batches.iter().flat_map(|batch| batch.scope.places.iter().map(|place| (batch.part, *place))).collect();
    let mut admitted = look.effort.admit(Step::Doubts, &runs).into_iter();
    let split = |batch: &Batch| {
        let (kept, skipped) = batch.scope.places.iter().copied().partition(|_| admitted.next().unwrap_or(false));
        let scope = Scope { places: kept, all_steady: batch.scope.all_steady };
        (Batch { part: batch.part, moves: batch.moves.clone(), scope }, skipped)
    };
    batches.iter().map(split).unzip()
}

impl Batch {
    /// Corners and input voltages on which it runs, the original order kept.
    fn stands(&self, case: &Case) -> Vec<(Corner, f64)> {
        let Scope { places, all_steady } = &self.scope;
        let mut all: Vec<(Corner, f64)> = if *all_steady { stands(case).collect() } else { vec![] };
        for place in places {
            let stand = (place.corner, place.input_v.unwrap_or(case.board.nominal_input_v));
            if !all.contains(&stand) {
                all.push(stand);
            }
        }
        all
    }

    fn run(&self, case: &Case, orbits: &Orbits, corner: Corner, input_v: f64) -> Result<Vec<Found>, Failure> {
        let known = orbits.near(&Job { part: self.part, corner, input_v });
        let stand = Stand::beside(case, &case.parts[0], corner, input_v, known);
        let mut all = vec![];
        // In the order of the conditions: the first tells the others how warm the winding is.
        for condition in CONDITIONS {
            let here = |place: &&Place| place.condition == condition.name() && is_on(place, case, corner, input_v);
            let mut places: Vec<Place> = self.scope.places.iter().filter(here).copied().collect();
            if self.scope.all_steady && condition.name() == "steady" {
                let more: Vec<Place> =
                    condition.places(&stand).into_iter().filter(|place| !places.contains(place)).collect();
                places.extend(more);
            }
            for place in places {
                all.push(found(*condition, &stand, place)?);
            }
        }
        Ok(all)
    }
}

/// Whether a place is run on a stand; a condition with input voltages of its own runs at the nominal one.
fn is_on(place: &Place, case: &Case, corner: Corner, input_v: f64) -> bool {
    (place.corner, place.input_v.unwrap_or(case.board.nominal_input_v)) == (corner, input_v)
}

impl Scope {
    fn add(&mut self, other: &Scope) {
        for place in &other.places {
            if !self.places.contains(place) {
                self.places.push(*place);
            }
        }
        self.all_steady |= other.all_steady;
    }

    /// The same settings in every corner of the original in which the board stands at like ends: what hurts one part may not hurt another.
    fn on_like_boards(&self, original: &PartFigures) -> Scope {
        let mut all = Scope { places: vec![], all_steady: self.all_steady };
        for place in &self.places {
            let corners =
                original.results.iter().filter(|found| Place { corner: place.corner, ..found.place } == *place);
            let alike = corners.filter(|found| same_board(found.place.corner, place.corner));
            all.add(&Scope { places: alike.map(|found| found.place).collect(), all_steady: false });
        }
        all
    }
}

/// The case with one part, data at ends and one of them elsewhere.
pub(super) fn posed_at(
    case: &Case,
    known: &Part,
    part: usize,
    ends: &[(Datum, End)],
    moved: Option<(Datum, f64)>,
) -> Case {
    let number = |datum: &Datum| known.with_ends().find(|number| known.data[*number].is_same_as(datum));
    let mut moves: Moves = ends
        .iter()
        .filter_map(|(datum, end)| number(datum).map(|number| (number, known.value_at(number, *end))))
        .collect();
    if let Some((number, value)) = moved.and_then(|(datum, value)| Some((number(&datum)?, value))) {
        moves.retain(|(other, _)| *other != number);
        moves.push((number, value));
    }
    let bare = bare(case);
    posed(&bare, case, known, &Batch { part, moves, scope: Scope::default() })
}

/// The case without parts; it still knows what is on the board.
fn bare(case: &Case) -> Case {
    Case { parts: vec![], fitted: case.original().cloned().map(Box::new), ..case.clone() }
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
