//! From figures to findings and verdicts. No prose: the record puts findings into sentences.
//!
//! The rule: docs/method.md; the model's own share of the uncertainty: docs/physics.md, "decision rule".

pub mod finding;
pub mod requirement;
pub mod sight;
pub mod state;

use crate::condition::SHEET;
use crate::condition::figures::{PartFigures, Place, Value, Why};
use crate::model::case::Case;
use crate::model::parts::{Inductor, SaturationBasis};
use crate::quantity::{self, Limit, QUANTITIES, Quantity, Side};
use finding::{Asked, Bench, Finding, badness, base_of, counterpart};
use rayon::prelude::*;
use requirement::{BEFORE_ALTERNATION, REQUIREMENTS, Requirement, Yardstick};
pub use sight::COVERAGE;
use sight::{Sight, Sights, sight};
pub use state::{Against, Outcome, State};

/// Most changes that are listed for acceptance.
const MOST_CHANGES: usize = 5;
/// A usual change matters where a quantity uses more than this share of its limit.
const USES_MUCH: f64 = 0.5;

/// Everything that is concluded about one part.
#[derive(Clone, Debug)]
pub struct Verdict {
    /// Number of the part; 0 is the original, whose outcome only tells its own state.
    pub part: usize,
    /// Outcome: the worst over all findings.
    pub outcome: Outcome,
    /// For each requirement and quantity the finding that decides, in the order of deciding: the worst first.
    pub findings: Vec<Finding>,
    /// Requirements of the table that are not asked in this case.
    pub not_asked: Vec<&'static Requirement>,
    /// Changes that do not decide and that a person accepts.
    pub changes: Vec<AcceptedChange>,
    /// Quantities in which the bench would see the change, best first, with the change in what it resolves.
    pub seen: Vec<(&'static Quantity, Place, f64)>,
}

/// A change that is larger than usual, in one condition.
#[derive(Clone, Debug, PartialEq)]
pub struct AcceptedChange {
    /// Quantity.
    pub quantity: &'static Quantity,
    /// Where.
    pub place: Place,
    /// Value of the original there.
    pub original: f64,
    /// Value of the part.
    pub value: f64,
    /// By how much it is worse, in usual changes.
    pub in_usual: f64,
}

impl Verdict {
    /// The finding that decides; `None` where nothing at all is asked.
    pub fn deciding(&self) -> Option<&Finding> {
        self.findings.first()
    }
}

/// The verdicts on all parts, the original's own state first.
pub fn verdicts(case: &Case, parts: &[PartFigures]) -> Vec<Verdict> {
    let all: Vec<Sights<'_>> = parts.iter().map(|part| Sights::new(case, part)).collect();
    (0..parts.len())
        .into_par_iter()
        .map(|part| judged(&Pair { case, part, mine: &all[part], originals: &all[0] }))
        .collect()
}

/// The verdict on one part; the original stands first.
pub fn verdict(case: &Case, parts: &[PartFigures], part: usize) -> Verdict {
    let all: Vec<Sights<'_>> = parts.iter().map(|part| Sights::new(case, part)).collect();
    judged(&Pair { case, part, mine: &all[part], originals: &all[0] })
}

/// A part of a case beside the original: what is judged.
#[derive(Clone, Copy)]
struct Pair<'a, 'b> {
    case: &'a Case,
    /// Number of the part.
    part: usize,
    mine: &'b Sights<'a>,
    originals: &'b Sights<'a>,
}

impl<'a, 'b> Pair<'a, 'b> {
    /// Every value of a quantity: of the part, of the original.
    fn of(&self, quantity: &Quantity) -> (&'b [Sight<'a>], &'b [Sight<'a>]) {
        (self.mine.of(quantity), self.originals.of(quantity))
    }
}

fn judged(pair: &Pair<'_, '_>) -> Verdict {
    let &Pair { case, part, .. } = pair;
    let (mut findings, not_asked) = findings(pair);
    findings.sort_by(Finding::by_urgency);
    // What is not looked at never passes.
    let least = if case.only_conditions.is_some() { Outcome::Undecided } else { Outcome::Pass };
    let outcome = findings.iter().map(|finding| finding.outcome).fold(least, Outcome::max);
    let changes = if part == 0 { vec![] } else { changes(pair, &findings) };
    let seen = if part == 0 { vec![] } else { seen(pair) };
    Verdict { part, outcome, findings, not_asked, changes, seen }
}

/// The deciding finding of each requirement and quantity, and what is not asked.
fn findings(pair: &Pair<'_, '_>) -> (Vec<Finding>, Vec<&'static Requirement>) {
    let mut decided = vec![];
    let mut not_asked = vec![];
    for requirement in REQUIREMENTS {
        let all = requirement.quantities.iter().filter_map(|id| quantity::find(id)).map(|quantity| {
            let all = of_requirement(pair, requirement, quantity);
            let is_whole = !all.iter().any(is_not_asked);
            let asked = all.into_iter().filter(|finding| !is_not_asked(finding)).collect();
            (worst_of_each(requirement, asked), is_whole)
        });
        let all: Vec<(Vec<Finding>, bool)> = all.collect();
        let is_whole = all.iter().all(|(_, is_whole)| *is_whole);
        // Of what was looked at in part, only that it is missed is known.
        let known = |finding: &Finding, is_whole: bool| is_whole || finding.state == State::Missed;
        let found: Vec<Finding> = all
            .into_iter()
            .flat_map(|(worst, is_whole)| worst.into_iter().filter(move |worst| known(worst, is_whole)))
            .collect();
        if found.is_empty() || !is_whole {
            not_asked.push(requirement);
        }
        if requirement.as_one { decided.extend(worst(found)) } else { decided.extend(found) }
    }
    if pair.part > 0 {
        let stated = QUANTITIES.iter().filter_map(|quantity| {
            let agreed = (quantity.agreed)(&pair.case.limits.changes).filter(|agreed| agreed.stated)?;
            worst(of_change(pair, agreed, quantity))
        });
        decided.extend(stated);
    }
    (decided, not_asked)
}

/// Whether a finding is of a condition that is not looked at.
fn is_not_asked(finding: &Finding) -> bool {
    finding.value.value == Value::NotComputed(Why::NotAsked)
}

/// The finding that decides each check of a requirement: one, or where each load is one of its own, one a load.
fn worst_of_each(requirement: &Requirement, findings: Vec<Finding>) -> Vec<Finding> {
    let mut checks: Vec<(usize, Vec<Finding>)> = vec![];
    for finding in findings {
        let check = requirement.check_of(&finding.place);
        match checks.iter_mut().find(|(known, _)| *known == check) {
            Some((_, found)) => found.push(finding),
            None => checks.push((check, vec![finding])),
        }
    }
    checks.into_iter().filter_map(|(_, found)| worst(found)).collect()
}

/// The finding that decides among those of one check; the first of equals.
fn worst(findings: Vec<Finding>) -> Option<Finding> {
    findings.into_iter().min_by(Finding::by_urgency)
}

fn of_requirement(pair: &Pair<'_, '_>, requirement: &'static Requirement, quantity: &'static Quantity) -> Vec<Finding> {
    let &Pair { case, part, .. } = pair;
    let (mine, originals) = pair.of(quantity);
    let bench = Bench { case, is_original: part == 0 };
    let stand_in = match (requirement.yardstick)(case, &case.parts[part]) {
        Some(Yardstick::Original(state)) => most_of_original(pair.originals, requirement).map(|most| (state, most)),
        _ => None,
    };
    let one = |sight: &Sight<'_>| {
        let place = &sight.figures.place;
        let yardstick = requirement.at_load(case, &case.parts[part], place.load)?;
        let own = requirement.at_load(case, &case.parts[0], place.load).unwrap_or(yardstick);
        let original = counterpart(quantity, place, originals);
        Some(match stand_in {
            Some((state, most)) => {
                finding::of_stand_in(&bench, (requirement, state), quantity, (sight, original), &most)
            }
            None => finding::of_requirement(&bench, (requirement, yardstick, own), quantity, sight, original),
        })
    };
    let mut found: Vec<Finding> = mine.iter().filter_map(one).collect();
    if quantity.id == "periods" {
        found.extend(close_to_alternation(&bench, pair, mine));
    }
    found.into_iter().map(|finding| as_far_as_known(case, part, finding)).collect()
}

/// Difference of two inductances, as a share, up to which parts without a word on saturation are taken for the same, a twin's.
const SAME_INDUCTANCE: f64 = 0.01;

/// Without curve and rating nobody knows how much inductance is left at any current: nothing that is simulated is decided then, and a
/// part compares only with one of which as little is known and which is its like.
fn as_far_as_known(case: &Case, part: usize, finding: Finding) -> Finding {
    let [mine, original] = [part, 0].map(|part| &case.parts[part]);
    let unknown = |part: &Inductor| part.saturation_basis == SaturationBasis::Nothing;
    if finding.place.condition == SHEET || !(unknown(mine) || unknown(original)) {
        return finding;
    }
    let off = (mine.inductance_h / original.inductance_h - 1.0).abs();
    let alike = unknown(mine) && unknown(original) && off <= SAME_INDUCTANCE;
    finding.opened(unknown(mine), unknown(original), alike)
}

/// Cycles are alike as the data are shown; where what is printed leaves open whether the inductance is enough for the slope compensation,
/// that is what decides. An event has no uncertainty of its own, only what comes before it has.
fn close_to_alternation(bench: &Bench<'_>, pair: &Pair<'_, '_>, periods: &[Sight<'_>]) -> Vec<Finding> {
    let Some(room) = quantity::find("slope_margin") else { return vec![] };
    let requirement = &BEFORE_ALTERNATION;
    let Some(yardstick) = (requirement.yardstick)(bench.case, &bench.case.parts[pair.part]) else { return vec![] };
    let alike = periods.iter().filter(|sight| sight.value.exact() == Some(1.0));
    let of = |periods: &Sight<'_>| {
        let figures = periods.figures;
        let sight = sight(pair.mine.part, room, figures, figures.value(room.id)?);
        let original = counterpart(room, &figures.place, pair.originals.of(room));
        let finding = finding::of_requirement(bench, (requirement, yardstick, yardstick), room, &sight, original);
        (finding.state != State::Met).then_some(finding)
    };
    alike.filter_map(of).collect()
}

/// The most that the original shows of what a requirement looks at, as a limit.
fn most_of_original(originals: &Sights<'_>, requirement: &Requirement) -> Option<Limit> {
    let quantities = requirement.quantities.iter().filter_map(|id| quantity::find(id));
    let numbers = quantities.flat_map(|quantity| originals.of(quantity)).filter_map(|sight| sight.value.number());
    let value = numbers.reduce(f64::max)?;
    Some(Limit { value, side: Side::AtMost, stated: false })
}

fn of_change(pair: &Pair<'_, '_>, agreed: crate::model::case::Agreed, quantity: &'static Quantity) -> Vec<Finding> {
    let &Pair { case, part, .. } = pair;
    let (mine, originals) = pair.of(quantity);
    let bench = Bench { case, is_original: false };
    let one = |sight: &Sight<'_>| {
        let limit = limit_on(case, part, quantity, sight.figures.place.load);
        let original = counterpart(quantity, &sight.figures.place, originals)?;
        finding::of_change(&bench, agreed, quantity, (sight, original), limit.as_ref())
    };
    mine.iter().filter_map(one).map(|finding| as_far_as_known(case, part, finding)).collect()
}

/// The limit of the first requirement on a quantity, at a load step or profile.
pub fn limit_on(case: &Case, part: usize, quantity: &Quantity, load: usize) -> Option<Limit> {
    let on = REQUIREMENTS.iter().filter(|requirement| requirement.quantities.contains(&quantity.id));
    on.filter_map(|requirement| match requirement.at_load(case, &case.parts[part], load)? {
        Yardstick::Limit(limit) => Some(limit),
        _ => None,
    })
    .next()
}

/// Changes that are larger than usual and than their uncertainty, in quantities that use more than half of their limit or have none.
fn changes(pair: &Pair<'_, '_>, findings: &[Finding]) -> Vec<AcceptedChange> {
    let mut all: Vec<AcceptedChange> = QUANTITIES
        .iter()
        .filter_map(|quantity| {
            let usual = (quantity.agreed)(&pair.case.limits.changes).filter(|agreed| !agreed.stated)?;
            let decides = |finding: &&Finding| finding.quantity == quantity && finding.outcome > Outcome::NoWorse;
            if findings.iter().any(|finding| decides(&finding)) {
                return None;
            }
            largest_change(pair, quantity, usual.change)
        })
        .collect();
    all.extend(below_customary(pair));
    all.sort_by(|a, b| b.in_usual.total_cmp(&a.in_usual));
    all.truncate(MOST_CHANGES);
    all
}

fn largest_change(pair: &Pair<'_, '_>, quantity: &'static Quantity, usual: f64) -> Option<AcceptedChange> {
    let &Pair { case, part, .. } = pair;
    let (mine, originals) = pair.of(quantity);
    let ambient_degc = case.board.ambient_degc;
    let of = |sight: &Sight<'_>| {
        let limit = limit_on(case, part, quantity, sight.figures.place.load);
        let original = same_place(&sight.figures.place, originals)?;
        let (value, base) = (sight.value.exact()?, original.value.exact()?);
        let size = base_of(quantity, base, limit.as_ref());
        let worse = match quantity.side {
            Side::Within => (value - base).abs(),
            side => badness(side, value) - badness(side, base),
        };
        let doubt = quantity.uncertainty_of_difference(value, ambient_degc);
        let matters = limit.is_none_or(|limit| uses_much(value, &limit));
        let in_usual = worse / (usual * size).max(f64::MIN_POSITIVE);
        (in_usual > 1.0 && worse > doubt && matters).then_some(AcceptedChange {
            quantity,
            place: sight.figures.place,
            original: base,
            value,
            in_usual,
        })
    };
    mine.iter().filter_map(of).reduce(|a, b| if b.in_usual > a.in_usual { b } else { a })
}

/// Where a part has less than the trade keeps to and the original has more of it: of each quantity the least.
fn below_customary(pair: &Pair<'_, '_>) -> Vec<AcceptedChange> {
    let &Pair { case, part, .. } = pair;
    let of = |quantity: &'static Quantity| {
        let least = requirement::customary(case, &case.parts[part], quantity.id)?.value;
        let (mine, originals) = pair.of(quantity);
        let below = |sight: &Sight<'_>| {
            let original = same_place(&sight.figures.place, originals)?.value.exact()?;
            let value = sight.value.exact().filter(|value| *value < least)?;
            let doubt = quantity.uncertainty_of_difference(value, case.board.ambient_degc);
            let in_usual = (original - value) / (case.limits.changes.inductance.change * original);
            let place = sight.figures.place;
            (original - value > doubt).then_some(AcceptedChange { quantity, place, original, value, in_usual })
        };
        mine.iter().filter_map(below).reduce(|a, b| if b.value < a.value { b } else { a })
    };
    QUANTITIES.iter().filter_map(of).collect()
}

/// The original's sight in the very same place: which tolerance is worse is ambiguous where a change either way counts, and a twin
/// changes nothing.
fn same_place<'b, 'a>(place: &Place, originals: &'b [Sight<'a>]) -> Option<&'b Sight<'a>> {
    originals.iter().find(|sight| sight.figures.place == *place)
}

/// Whether a value uses more than half of a limit.
fn uses_much(value: f64, limit: &Limit) -> bool {
    match limit.side {
        Side::AtLeast => value * USES_MUCH < limit.value,
        _ => value.abs() > USES_MUCH * limit.value.abs(),
    }
}

/// Quantities in which the bench would see that the part was changed, best first.
fn seen(pair: &Pair<'_, '_>) -> Vec<(&'static Quantity, Place, f64)> {
    let best = |quantity: &'static Quantity| {
        let (mine, originals) = pair.of(quantity);
        // A corner of tolerances is not in anybody's hands.
        let of = |sight: &Sight<'_>| {
            let nominal = Some(sight).filter(|sight| sight.figures.place.corner.is_nominal());
            let original = same_place(&nominal?.figures.place, originals)?;
            let (value, base) = (sight.value.exact()?, original.value.exact()?);
            let resolution =
                quantity.bench_resolution(&pair.case.bench, base).filter(|resolution| *resolution > 0.0)?;
            let times = ((value - base) / resolution).abs();
            (times >= COVERAGE).then_some((quantity, sight.figures.place, times))
        };
        mine.iter().filter_map(of).reduce(|a, b| if b.2 > a.2 { b } else { a })
    };
    let mut all: Vec<_> = QUANTITIES.iter().filter(|quantity| quantity.compared).filter_map(best).collect();
    all.sort_by(|a, b| b.2.total_cmp(&a.2));
    all
}

/// One quantity over all parts: of each the condition that decides, with all that is said of it.
#[derive(Clone, Debug)]
pub struct Row {
    /// Quantity.
    pub quantity: &'static Quantity,
    /// One cell a part; `None` where the quantity does not exist for that part.
    pub cells: Vec<Option<Cell>>,
}

/// A quantity of a part in one condition.
#[derive(Clone, Debug, PartialEq)]
pub struct Cell {
    /// Where.
    pub place: Place,
    /// Value.
    pub value: Value,
    /// Its expanded uncertainty.
    pub uncertainty: f64,
    /// Ends between which absent data leave it.
    pub ends: Option<(f64, f64)>,
    /// What the original shows in the same condition; `None` for the original.
    pub original: Option<Value>,
    /// Limit, where there is one.
    pub limit: Option<Limit>,
    /// State against it, where something is asked.
    pub state: Option<State>,
}

/// All rows of the comparison.
pub fn rows(case: &Case, parts: &[PartFigures], verdicts: &[Verdict]) -> Vec<Row> {
    let all: Vec<Sights<'_>> = parts.iter().map(|part| Sights::new(case, part)).collect();
    let pair = |part: usize| Pair { case, part, mine: &all[part], originals: &all[0] };
    let compared = QUANTITIES.iter().filter(|quantity| quantity.compared);
    let row = |quantity: &'static Quantity| Row {
        quantity,
        cells: (0..parts.len()).map(|part| cell(&pair(part), quantity, &verdicts[part])).collect(),
    };
    compared.map(row).filter(|row| row.cells.iter().any(Option::is_some)).collect()
}

fn cell(pair: &Pair<'_, '_>, quantity: &'static Quantity, verdict: &Verdict) -> Option<Cell> {
    let part = pair.part;
    // A limit tells more than that something happens at all.
    let of = |with_limit: bool| {
        verdict.findings.iter().find(move |finding| {
            finding.quantity == quantity
                && matches!(finding.asked, Asked::Requirement(_))
                && finding.limit.is_some() == with_limit
        })
    };
    let asked = of(true).or(of(false));
    if let Some(finding) = asked {
        return Some(Cell {
            place: finding.place,
            value: finding.value.value.clone(),
            uncertainty: finding.value.uncertainty,
            ends: finding.value.ends,
            original: finding.original.as_ref().filter(|_| part > 0).map(|original| original.value.clone()),
            limit: finding.limit.filter(|_| !finding.stands_in),
            state: Some(finding.state),
        });
    }
    let (mine, originals) = pair.of(quantity);
    let looked_at = mine.iter().filter(|sight| *sight.value != Value::NotComputed(Why::NotAsked));
    let worst = looked_at.reduce(|a, b| if is_worse(quantity, b.value, a.value) { b } else { a })?;
    let original = counterpart(quantity, &worst.figures.place, originals).filter(|_| part > 0);
    Some(Cell {
        place: worst.figures.place,
        value: worst.value.clone(),
        uncertainty: worst.uncertainty(quantity, pair.case.board.ambient_degc, None),
        ends: None,
        original: original.map(|original| original.value.clone()),
        limit: None,
        state: None,
    })
}

fn is_worse(quantity: &Quantity, a: &Value, b: &Value) -> bool {
    match (a.number(), b.number()) {
        (None, _) => false,
        (Some(_), None) => true,
        (Some(a), Some(b)) if quantity.side == Side::AtLeast => a < b,
        (Some(a), Some(b)) => a > b,
    }
}
