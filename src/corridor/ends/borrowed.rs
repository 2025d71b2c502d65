//! What a substitute feels of the board's printed data: taken from the original, and checked where a check is close.
//!
//! There the data that contribute most are moved alone. The others are moved all at once, each the way that hurts: where the values then
//! change as the sum of what the original feels says, what was taken stands; where they do not, each of them is moved alone as well.

use super::{Batch, CLOSE_IN_U, Datum, LARGE_SHARE, Look, Moves, Nature, Owned, Part, Scope, datum, is_borrowed, run};
use crate::condition::figures::{Failure, Figures, Moved, PartFigures, Place, Shift};
use crate::judge::finding::{Asked, Finding, badness};
use crate::judge::sight::{COVERAGE, Sight, margin, sight};
use crate::judge::state::State;
use crate::judge::{self, Verdict};

/// How far off the sum a value may be, in standard uncertainties of the check: a single effect that is off by as much changes the
/// uncertainty by a hundredth.
const AGREES: f64 = 0.15;
/// Data that are moved at once at least: fewer cost as much as the check on them.
const FEWEST: usize = 3;

/// A datum of a part in a place, by the number of its doubt.
type Move = (usize, usize, Place);

/// Data of a part that are moved at once in a place, each up or down.
struct Group {
    part: usize,
    place: Place,
    moves: Vec<(usize, f64)>,
}

/// Gives each substitute what the original feels of the board's printed data; what is to be moved alone.
///
/// # Errors
/// An interruption.
pub(super) fn borrow(look: &Look<'_>, parts: &mut [PartFigures], all: &[Part]) -> Result<Vec<Move>, Failure> {
    let (of_original, others) = parts.split_at_mut(1);
    let of_board: Vec<Moved> =
        of_original[0].spreads.iter().filter(|moved| moved.datum.rule.place != Owned::Part).cloned().collect();
    others.iter_mut().for_each(|part| part.spreads.extend(of_board.iter().cloned()));
    let verdicts = judge::verdicts(look.case, parts);
    let lost = lost(&parts[0], &all[0]);
    let (mut alone, mut groups) = (vec![], vec![]);
    for (part, known) in all.iter().enumerate().skip(1) {
        for (place, numbers) in wanted(known, &verdicts[part], &lost) {
            let seen = seen(&parts[part], &verdicts[part], &place);
            let is_lost = |datum: &Datum| {
                lost.iter().any(|(lost, condition)| lost.is_same_as(datum) && *condition == place.condition)
            };
            let is_small = |number: &usize| {
                let datum = &known.data[*number];
                !is_lost(datum) && is_felt(&parts[part], datum, &place) && seen.iter().all(|seen| seen.is_small(datum))
            };
            let (small, large): (Vec<usize>, Vec<usize>) = numbers.into_iter().partition(is_small);
            alone.extend(large.into_iter().map(|number| (part, number, place)));
            match seen.first().filter(|_| small.len() >= FEWEST) {
                Some(urgent) => groups.push(group(known, (part, place), &small, urgent)),
                None => alone.extend(small.into_iter().map(|number| (part, number, place))),
            }
        }
    }
    let batches: Vec<Batch> = groups.iter().map(|group| group.batch(&all[group.part])).collect();
    for (group, found) in groups.iter().zip(run(look, all, &batches)?) {
        let at = |results: &[Figures]| results.iter().find(|shown| shown.place == group.place).cloned();
        let shift = at(&parts[group.part].results).zip(at(&found)).map(|(shown, found)| Shift::between(&shown, &found));
        let seen = seen(&parts[group.part], &verdicts[group.part], &group.place);
        let agrees = |shift: &Shift| {
            seen.iter().all(|seen| group.agrees(&all[group.part], seen, shift, look.case.board.ambient_degc))
        };
        if !shift.as_ref().is_some_and(agrees) {
            alone.extend(group.moves.iter().map(|(number, _)| (group.part, *number, group.place)));
        }
    }
    Ok(alone)
}

/// Data with which the original has no number in a condition: nothing can be taken from it there.
fn lost(original: &PartFigures, known: &Part) -> Vec<(Datum, &'static str)> {
    let alone = original.ends.iter().filter(|found| matches!(found.data[..], [(datum, _)] if !known.has_ends(&datum)));
    alone.flat_map(|found| found.results.iter().map(|results| (found.data[0].0, results.place.condition))).collect()
}

/// The places in which what is taken from the original is not enough, each with the numbers of the doubts that act there.
fn wanted(known: &Part, verdict: &Verdict, lost: &[(Datum, &'static str)]) -> Vec<(Place, Vec<usize>)> {
    let mut all: Vec<(Place, Vec<usize>)> = vec![];
    for (number, doubt) in known.doubts.iter().enumerate().filter(|(_, doubt)| is_borrowed(doubt)) {
        for place in known.places(doubt) {
            let is_lost =
                |(lost, condition): &(Datum, &str)| lost.is_same_as(&datum(doubt)) && *condition == place.condition;
            if close_in(verdict, place.condition).is_empty() && !lost.iter().any(is_lost) {
                continue;
            }
            match all.iter_mut().find(|(known, _)| *known == place) {
                Some((_, numbers)) => numbers.push(number),
                None => all.push((place, vec![number])),
            }
        }
    }
    all
}

/// Findings of a condition that are close to their limit, or in which the original does no better; the most urgent first.
fn close_in<'a>(verdict: &'a Verdict, condition: &str) -> Vec<&'a Finding> {
    let of_it =
        verdict.findings.iter().filter(|finding| finding.place.condition == condition && finding.limit.is_some());
    let is_close = |finding: &&Finding| {
        let both = finding.state != State::Met && finding.original_state != State::Met;
        finding.margin_in_u.abs() < CLOSE_IN_U || both || comes_close(finding)
    };
    of_it.filter(is_close).collect()
}

/// Whether a value comes close to its limit, or past it, as shown or anywhere between the ends of absent data: what is missed by far at
/// one end may be open at the other.
fn comes_close(finding: &Finding) -> bool {
    let (Some(limit), Some(shown), Asked::Requirement(_)) =
        (finding.limit, finding.value.value.number(), &finding.asked)
    else {
        return false;
    };
    let (least, most) = finding.value.ends.unwrap_or((shown, shown));
    let margins = [least, shown, most].map(|number| margin(number, &limit));
    let is_near = margins.iter().any(|margin| margin.abs() < CLOSE_IN_U * finding.value.uncertainty);
    is_near || margins.iter().any(|margin| (*margin < 0.0) != (margins[0] < 0.0))
}

/// Whether something is known of what a datum does in a place's condition.
fn is_felt(part: &PartFigures, datum: &Datum, place: &Place) -> bool {
    let moved = part.spreads.iter().find(|moved| moved.datum.is_same_as(datum));
    moved.is_some_and(|moved| moved.shifts.iter().any(|shift| shift.place.condition == place.condition))
}

/// A close check as it stands in some place of its condition, with what its data are taken to do there.
struct Seen<'a> {
    finding: &'a Finding,
    sight: Sight<'a>,
}

fn seen<'a>(part: &'a PartFigures, verdict: &'a Verdict, place: &Place) -> Vec<Seen<'a>> {
    let Some(figures) = part.results.iter().find(|shown| shown.place == *place) else { return vec![] };
    let see = |finding: &'a Finding| {
        let quantity = finding.quantity;
        Some(Seen { finding, sight: sight(part, quantity, figures, figures.value(quantity.id)?) })
    };
    close_in(verdict, place.condition).into_iter().filter_map(see).collect()
}

impl Seen<'_> {
    /// What a datum is taken to change.
    fn change(&self, datum: &Datum) -> f64 {
        self.sight.effects.iter().find(|effect| effect.datum.is_same_as(datum)).map_or(0.0, |effect| effect.change)
    }

    fn is_small(&self, datum: &Datum) -> bool {
        let total: f64 = self.sight.effects.iter().map(|effect| effect.change.powi(2)).sum();
        self.sight.value.exact().is_some() && self.change(datum).powi(2) <= LARGE_SHARE * total
    }

    /// Whether more of a datum hurts.
    fn hurts_upwards(&self, datum: &Datum) -> bool {
        let bad = |number: f64| badness(self.finding.quantity.side, number);
        self.sight.value.number().is_none_or(|number| bad(number + self.change(datum)) >= bad(number))
    }
}

/// Some data, each the way in which it hurts the most urgent check.
fn group(known: &Part, (part, place): (usize, Place), small: &[usize], urgent: &Seen<'_>) -> Group {
    let way = |number: usize| if urgent.hurts_upwards(&known.data[number]) { 1.0 } else { -1.0 };
    Group { part, place, moves: small.iter().map(|&number| (number, way(number))).collect() }
}

impl Group {
    fn batch(&self, known: &Part) -> Batch {
        let moved = |(number, way): &(usize, f64)| {
            let doubt = &known.doubts[*number];
            let standard = match doubt.nature {
                Nature::Spread { standard, .. } => standard,
                Nature::Ends { .. } => 0.0,
            };
            (*number, doubt.shown + way * standard)
        };
        let moves: Moves = self.moves.iter().map(moved).collect();
        Batch { part: self.part, moves, scope: Scope { places: vec![self.place], all_steady: false } }
    }

    /// Whether a check changes as the sum of what its data are taken to do.
    fn agrees(&self, known: &Part, seen: &Seen<'_>, shift: &Shift, ambient_degc: f64) -> bool {
        let quantity = seen.finding.quantity;
        let sum: f64 = self.moves.iter().map(|(number, way)| way * seen.change(&known.data[*number])).sum();
        let standard = seen.sight.uncertainty(quantity, ambient_degc, seen.finding.limit.as_ref()) / COVERAGE;
        let found = shift.by.iter().find(|(id, _)| *id == quantity.id);
        found.is_some_and(|(_, found)| (found - sum).abs() <= AGREES * standard)
    }
}
