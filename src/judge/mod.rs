//! From figures to rows and verdicts. No prose: a verdict is a list of findings, which the record puts into sentences.
//!
//! The rule: docs/physics.md, "decision rule".

use crate::condition::figures::{Figures, PartFigures, Place, Value, Why};
use crate::model::case::{Case, Origin};
use crate::model::corner::NOMINAL;
use crate::model::parts::{CoreFamily, Inductor};
use crate::quantity::{self, ChangeKind, Limit, QUANTITIES, Quantity, Scope, Side};
#[cfg(feature = "shell")]
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Factor on the highest input that a working voltage should cover for ringing (common practice).
pub(crate) const RINGING: f64 = 1.2;
/// A bench sees a change of this many times what it resolves (coverage factor of 95 %).
pub const COVERAGE: f64 = 2.0;
/// Share of a limit below which the original's value is no base for a fraction.
const SMALL_SHARE: f64 = 0.1;
/// A change of that many times the original's value is no ratio any more: the original has none of it.
const LARGEST_RATIO: f64 = 1e6;
/// Winding temperature in degrees Celsius from which iron powder may age (common practice).
pub(crate) const AGEING_DEGC: f64 = 100.0;

/// Judgement of one value against one limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "shell", derive(JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Judgement {
    /// There is no limit.
    NoLimit,
    /// Inside the limit by more than the uncertainty.
    Pass,
    /// The limit lies inside the uncertainty.
    Inconclusive,
    /// Past the limit by more than the uncertainty.
    Fail,
}

/// Outcome for a substitute, from best to worst.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "shell", derive(JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// Every limit is met.
    Pass,
    /// Every limit is met, but data were assumed or an unstated default change is exceeded.
    PassWithNote,
    /// A limit lies inside the uncertainty.
    Inconclusive,
    /// A limit is broken.
    Fail,
}

/// One quantity over all parts.
#[derive(Clone, Debug)]
pub struct Row {
    /// Quantity.
    pub quantity: &'static Quantity,
    /// Absolute limit of the original, where there is one.
    pub limit: Option<Limit>,
    /// Agreed change against the original, where there is one.
    pub agreed_change: Option<Limit>,
    /// One cell a part; `None` where the quantity does not exist for that part.
    pub cells: Vec<Option<Cell>>,
}

/// The worst value of one quantity of one part, and its change.
#[derive(Clone, Debug, PartialEq)]
pub struct Cell {
    /// Worst value.
    pub value: Value,
    /// Its uncertainty, in the same unit.
    pub uncertainty: f64,
    /// Where it occurs.
    pub place: Place,
    /// The part's own absolute limit, where it is another than that of the row.
    pub own_limit: Option<Limit>,
    /// Most adverse change against the original in the same place; `None` for the original.
    pub change: Option<Change>,
    /// Value as a share of the absolute limit.
    pub share_of_limit: Option<f64>,
    /// Judgement against the absolute limit.
    pub absolute: Judgement,
    /// Judgement of the change.
    pub relative: Judgement,
    /// Where it could not be calculated, the first of such places.
    pub gap: Option<Place>,
}

/// Change of one part against the original in one place.
#[derive(Clone, Debug, PartialEq)]
pub struct Change {
    /// Size, as the quantity expresses it.
    pub value: Value,
    /// Difference in the unit of the quantity.
    pub difference: f64,
    /// Where.
    pub place: Place,
    /// Difference in units of what the bench resolves, where it can read the quantity.
    pub in_resolutions: Option<f64>,
}

impl Cell {
    /// Whether the stated bench would see the change; `None` for the original and where a bench cannot read it.
    pub fn bench_sees(&self) -> Option<bool> {
        self.change.as_ref()?.in_resolutions.map(|times| times >= COVERAGE)
    }
}

/// What bears on a verdict.
#[derive(Clone, Debug)]
pub enum Basis {
    /// A value against its absolute limit.
    Limit(&'static Quantity),
    /// A change against the agreed one.
    Change(&'static Quantity),
    /// No working voltage is stated.
    NoWorkingVoltage,
    /// The working voltage in V leaves little for ringing.
    TightWorkingVoltage(f64),
    /// The core may age at its temperature.
    Ageing,
    /// There are no core-loss data.
    NoCoreLoss,
    /// Data of the part that were assumed, by name.
    Assumed(Vec<String>),
    /// A condition that could not be calculated.
    NotComputed {
        /// The first place.
        place: Place,
        /// Why not.
        why: Why,
        /// Further places for the same reason.
        more: usize,
    },
}

/// A finding that bears on a verdict.
#[derive(Clone, Debug)]
pub struct Finding {
    /// What it alone would lead to.
    pub outcome: Outcome,
    /// How far past the limit, as a fraction of it: the worst decides.
    pub excess: f64,
    /// Whether the original has it as well.
    pub shared: bool,
    /// What it is about.
    pub basis: Basis,
}

/// Verdict on a substitute.
#[derive(Clone, Debug)]
pub struct Verdict {
    /// Number of the part.
    pub part: usize,
    /// Outcome.
    pub outcome: Outcome,
    /// A limit that decides is broken by the original as well.
    pub already_failing: bool,
    /// The finding that decides; `None` where there is none at all.
    pub deciding: Option<Finding>,
    /// The other findings, most serious first.
    pub others: Vec<Finding>,
    /// Default limits that part and original both break.
    pub broken_defaults: Vec<&'static Quantity>,
    /// The stated limit of which the most is used, and that share.
    pub nearest: Option<(&'static Quantity, f64)>,
    /// Quantities in which the bench would see the change, best first.
    pub seen: Vec<&'static Quantity>,
}

/// All rows of the comparison.
pub fn rows(case: &Case, parts: &[PartFigures]) -> Vec<Row> {
    let compared = QUANTITIES.iter().filter(|quantity| quantity.compared);
    compared.map(|quantity| row(case, parts, quantity)).filter(|row| row.cells.iter().any(Option::is_some)).collect()
}

/// The row of a quantity.
pub(crate) fn row_of<'a>(rows: &'a [Row], quantity: &Quantity) -> Option<&'a Row> {
    rows.iter().find(|row| row.quantity.id == quantity.id)
}

fn row(case: &Case, parts: &[PartFigures], quantity: &'static Quantity) -> Row {
    let original = values(case, &parts[0], quantity);
    // A change for the worse is negative where more is better.
    let sign = if quantity.side == Side::AtLeast { -1.0 } else { 1.0 };
    let agreed_change = (quantity.agreed)(&case.limits.changes).map(|agreed| Limit {
        value: sign * agreed.change,
        side: quantity.side,
        stated: agreed.stated,
    });
    let cells = parts
        .iter()
        .zip(&case.parts)
        .map(|(part, data)| {
            let found = values(case, part, quantity);
            let base = (!part.original).then_some(original.as_slice());
            cell(case, quantity, data, &found, base, agreed_change.as_ref())
        })
        .collect();
    Row { quantity, limit: (quantity.limit)(case, &case.parts[0]), agreed_change, cells }
}

/// A value of a part with the condition in which it stands.
#[derive(Clone, Copy, Debug)]
pub struct Seen<'a> {
    /// Value in the unit of the quantity.
    pub value: &'a Value,
    /// Figures in which it stands.
    pub figures: &'a Figures,
}

/// Every value of a quantity in its scope.
pub fn values<'a>(case: &Case, part: &'a PartFigures, quantity: &Quantity) -> Vec<Seen<'a>> {
    let counts = |place: &Place| {
        let full_load = place.load_a == case.board.load_a.last().copied();
        match quantity.scope {
            Scope::Everywhere => true,
            Scope::FullLoad => full_load,
            Scope::FullLoadNominal => {
                let nominal_input = place.input_v == Some(case.board.nominal_input_v);
                full_load && nominal_input && place.corner == NOMINAL
            }
        }
    };
    let in_scope = part.results.iter().filter(|figures| counts(&figures.place));
    in_scope.filter_map(|figures| Some(Seen { value: figures.value(quantity.id)?, figures })).collect()
}

/// The most adverse of some numbers.
fn worst<'a, 'b>(side: Side, found: &'b [Seen<'a>]) -> Option<(&'b Seen<'a>, f64)> {
    let numbers = found.iter().filter_map(|seen| Some((seen, seen.value.number()?)));
    let by = |a: &(&Seen, f64), b: &(&Seen, f64)| a.1.total_cmp(&b.1);
    match side {
        Side::AtMost | Side::Within => numbers.rev().max_by(by),
        Side::AtLeast => numbers.min_by(by),
    }
}

fn cell(
    case: &Case,
    quantity: &Quantity,
    part: &Inductor,
    found: &[Seen<'_>],
    original: Option<&[Seen<'_>]>,
    agreed: Option<&Limit>,
) -> Option<Cell> {
    let gap =
        found.iter().chain(original.unwrap_or(&[])).find(|seen| is_gap(seen.value)).map(|seen| seen.figures.place);
    let Some((worst, number)) = worst(quantity.side, found) else { return not_computed(found) };
    let ambient_degc = case.board.ambient_degc;
    let uncertainty = quantity.uncertainty(number, ambient_degc);
    let limit = (quantity.limit)(case, part);
    // A count that does not end has nothing that could have changed elsewhere.
    let counts = !(worst.value.is_bound() && quantity.unit.is_empty());
    let change =
        original.filter(|_| counts).and_then(|original| worst_change(case, quantity, found, original, limit.as_ref()));
    let relative = match (&change, agreed) {
        (Some(change), Some(agreed)) => judge(&change.value, quantity.change_uncertainty(number, ambient_degc), agreed),
        _ => Judgement::NoLimit,
    };
    Some(Cell {
        value: worst.value.clone(),
        uncertainty,
        place: worst.figures.place,
        own_limit: limit.filter(|_| limit != (quantity.limit)(case, &case.parts[0])),
        change,
        share_of_limit: limit.filter(|limit| limit.value != 0.0).map(|limit| number / limit.value),
        absolute: open_at(&gap, limit.map_or(Judgement::NoLimit, |limit| judge(worst.value, uncertainty, &limit))),
        relative: open_at(&gap, relative),
        gap,
    })
}

/// Whether a value is missing because something could not be calculated. What is not delivered is judged as such.
fn is_gap(value: &Value) -> bool {
    matches!(value, Value::NotComputed(why) if *why != Why::NotDelivered)
}

/// What is not known in one place is not within its limit.
fn open_at(gap: &Option<Place>, judgement: Judgement) -> Judgement {
    if gap.is_some() && judgement == Judgement::Pass { Judgement::Inconclusive } else { judgement }
}

/// The cell of a quantity that has no number anywhere.
fn not_computed(found: &[Seen<'_>]) -> Option<Cell> {
    let first = found.iter().find(|seen| is_gap(seen.value))?;
    Some(Cell {
        value: first.value.clone(),
        uncertainty: 0.0,
        place: first.figures.place,
        own_limit: None,
        change: None,
        share_of_limit: None,
        absolute: Judgement::Inconclusive,
        relative: Judgement::NoLimit,
        gap: Some(first.figures.place),
    })
}

/// The most adverse change over all places that both parts share.
fn worst_change(
    case: &Case,
    quantity: &Quantity,
    found: &[Seen<'_>],
    original: &[Seen<'_>],
    limit: Option<&Limit>,
) -> Option<Change> {
    let changes = found.iter().filter_map(|mine| {
        let base = original.iter().find(|base| base.figures.place == mine.figures.place)?;
        // Nothing can be referred to what had not come.
        let (base, number) = (base.value.exact()?, mine.value.number()?);
        let difference = number - base;
        let resolution = quantity.bench_resolution(&case.bench, base).filter(|resolution| *resolution > 0.0);
        let value = match relative_to(quantity, base, difference, limit) {
            Some(change) => mine.value.clone().map(|_| change),
            None => Value::NotComputed(Why::NoBase),
        };
        Some(Change {
            value,
            difference,
            place: mine.figures.place,
            in_resolutions: resolution.map(|resolution| (difference / resolution).abs()),
        })
    });
    let adverse = |change: &Change| {
        // Without a ratio it is larger than any.
        let number = change.value.number().unwrap_or(change.difference.signum() * f64::INFINITY);
        match quantity.side {
            Side::AtMost => number,
            Side::AtLeast => -number,
            Side::Within => number.abs(),
        }
    };
    changes.reduce(|a, b| if adverse(&b) > adverse(&a) { b } else { a })
}

/// A difference as the quantity expresses changes; `None` where the original has next to nothing to refer to.
fn relative_to(quantity: &Quantity, base: f64, difference: f64, limit: Option<&Limit>) -> Option<f64> {
    if quantity.change_kind == ChangeKind::Difference || difference == 0.0 {
        return Some(difference);
    }
    // Where the original uses less than a tenth of a limit, a change is a fraction of that tenth: 2 us after 0 us is no
    // change of any weight where 300 us are allowed.
    let base = limit.map_or(base.abs(), |limit| base.abs().max(SMALL_SHARE * limit.value));
    (difference.abs() <= LARGEST_RATIO * base).then(|| difference / base)
}

/// A value against a limit: past it by more than the uncertainty, inside by more, or neither. A bound is past or inside only where
/// all that it leaves open is.
pub fn judge(value: &Value, uncertainty: f64, limit: &Limit) -> Judgement {
    let Some(number) = value.number() else { return Judgement::Inconclusive };
    let margin = match limit.side {
        Side::AtMost => limit.value - number,
        Side::AtLeast => number - limit.value,
        Side::Within => limit.value - number.abs(),
    };
    let open = match (value, limit.side) {
        (Value::Number(_), _) => None,
        (Value::AtLeast(_), Side::AtLeast) | (Value::AtMost(_), Side::AtMost) => Some(Judgement::Fail),
        _ => Some(Judgement::Pass),
    };
    let judgement = if margin >= uncertainty {
        Judgement::Pass
    } else if margin < -uncertainty {
        Judgement::Fail
    } else {
        Judgement::Inconclusive
    };
    if open == Some(judgement) { Judgement::Inconclusive } else { judgement }
}

/// The verdict on one substitute (`part` among the parts).
pub fn verdict(case: &Case, rows: &[Row], parts: &[PartFigures], part: usize) -> Verdict {
    let mut findings: Vec<Finding> = rows.iter().flat_map(|row| findings_of(case, row, part)).collect();
    findings.extend(data_findings(case, rows, part));
    findings.extend(gaps(&parts[part]));
    findings.sort_by(|a, b| b.outcome.cmp(&a.outcome).then(b.excess.total_cmp(&a.excess)));
    let already_failing = findings.iter().any(|finding| finding.shared && finding.outcome == Outcome::Fail);
    let outcome = findings
        .iter()
        .map(|finding| if finding.shared { Outcome::PassWithNote } else { finding.outcome })
        .max()
        .unwrap_or(Outcome::Pass);
    let decides = |finding: &Finding| !finding.shared && finding.outcome == outcome;
    let first = findings.iter().position(decides).or((!findings.is_empty()).then_some(0));
    let deciding = first.map(|first| findings.remove(first));
    Verdict {
        part,
        outcome,
        already_failing,
        deciding,
        others: findings,
        broken_defaults: rows.iter().filter(|row| breaks_default(case, row, part)).map(|row| row.quantity).collect(),
        nearest: nearest_limit(rows, part),
        seen: seen(rows, part),
    }
}

fn findings_of(case: &Case, row: &Row, part: usize) -> Vec<Finding> {
    let Some(cell) = row.cells[part].as_ref() else { return vec![] };
    limit_finding(case, row, part, cell).into_iter().chain(change_finding(row, cell)).collect()
}

fn limit_finding(case: &Case, row: &Row, part: usize, cell: &Cell) -> Option<Finding> {
    let limit = (row.quantity.limit)(case, &case.parts[part])?;
    // Of what could not be calculated there is a finding for the condition.
    let open = cell.gap.is_some() && cell.absolute == Judgement::Inconclusive;
    let outcome = outcome_of(cell.absolute, limit.stated).filter(|_| !open)?;
    let original_fails = row.cells[0].as_ref().is_some_and(|cell| cell.absolute == Judgement::Fail);
    let shared = (cell.absolute == Judgement::Fail && original_fails) || is_as_open(case, row, cell);
    // A default that the working board breaks as well is no yardstick for this board.
    if shared && !limit.stated {
        return None;
    }
    let number = cell.value.number().unwrap_or(limit.value);
    let excess = match limit.side {
        Side::AtLeast => limit.value / number - 1.0,
        _ => number / limit.value - 1.0,
    };
    Some(Finding { outcome, excess, shared, basis: Basis::Limit(row.quantity) })
}

/// Whether the limit lies inside the uncertainty for the original as well, and the part is no further from it than a change can be
/// told from none: what is open about the board is then not the part's.
fn is_as_open(case: &Case, row: &Row, cell: &Cell) -> bool {
    let (quantity, Some(original)) = (row.quantity, row.cells[0].as_ref()) else { return false };
    let (Some(base), Some(number)) = (original.value.number(), cell.value.number()) else { return false };
    let both = [original, cell].iter().all(|cell| cell.absolute == Judgement::Inconclusive);
    let slack = quantity.change_uncertainty(base, case.board.ambient_degc);
    let slack = if quantity.change_kind == ChangeKind::Fraction { slack * base.abs() } else { slack };
    let worse = match quantity.side {
        Side::AtMost => number - base,
        Side::AtLeast => base - number,
        Side::Within => (number - base).abs(),
    };
    both && worse <= slack
}

/// Whether a default limit is broken by the original as well: no yardstick for this board, but a person must know of it.
fn breaks_default(case: &Case, row: &Row, part: usize) -> bool {
    let (Some(original), Some(cell)) = (row.cells[0].as_ref(), row.cells[part].as_ref()) else { return false };
    let default = (row.quantity.limit)(case, &case.parts[part]).is_some_and(|limit| !limit.stated);
    default && [original, cell].iter().all(|cell| cell.absolute == Judgement::Fail)
}

fn change_finding(row: &Row, cell: &Cell) -> Option<Finding> {
    let (agreed, change) = (row.agreed_change.as_ref()?, cell.change.as_ref()?);
    let open = cell.gap.is_some() && cell.relative == Judgement::Inconclusive;
    let unrelated = change.value == Value::NotComputed(Why::NoBase);
    let outcome = outcome_of(cell.relative, agreed.stated).or(unrelated.then_some(Outcome::PassWithNote));
    let outcome = outcome.filter(|_| !open)?;
    let excess = change.value.number().map_or(0.0, |change| (change / agreed.value).abs() - 1.0);
    Some(Finding { outcome, excess, shared: false, basis: Basis::Change(row.quantity) })
}

/// Conditions of a part that could not be calculated, each reason once: there is no pass without them.
fn gaps(part: &PartFigures) -> Vec<Finding> {
    let mut gaps: Vec<(Place, Why, usize)> = vec![];
    for figures in &part.results {
        let Some(why) = figures.values.iter().find_map(|figure| match &figure.value {
            Value::NotComputed(why) if is_gap(&figure.value) => Some(why),
            _ => None,
        }) else {
            continue;
        };
        match gaps.iter_mut().find(|(_, known, _)| kind_of(known) == kind_of(why)) {
            Some((_, _, more)) => *more += 1,
            None => gaps.push((figures.place, why.clone(), 0)),
        }
    }
    let finding = |(place, why, more)| Finding {
        outcome: Outcome::Inconclusive,
        excess: 0.0,
        shared: false,
        basis: Basis::NotComputed { place, why, more },
    };
    gaps.into_iter().map(finding).collect()
}

/// A reason without its numbers.
fn kind_of(why: &Why) -> String {
    why.to_string().chars().take_while(|c| !c.is_ascii_digit()).collect()
}

/// What a judgement means for the outcome: limits that nobody stated lead to a note only.
fn outcome_of(judgement: Judgement, stated: bool) -> Option<Outcome> {
    match (judgement, stated) {
        (Judgement::NoLimit | Judgement::Pass, _) => None,
        (Judgement::Inconclusive, true) => Some(Outcome::Inconclusive),
        (Judgement::Fail, true) => Some(Outcome::Fail),
        (Judgement::Fail, false) => Some(Outcome::PassWithNote),
        (Judgement::Inconclusive, false) => None,
    }
}

/// Findings from data that no row holds.
fn data_findings(case: &Case, rows: &[Row], part: usize) -> Vec<Finding> {
    let data = &case.parts[part];
    let mut bases = vec![];
    let input_v = case.board.highest_input_v();
    match data.working_voltage_v {
        None => bases.push(Basis::NoWorkingVoltage),
        Some(rating_v) if rating_v >= input_v && rating_v < RINGING * input_v => {
            bases.push(Basis::TightWorkingVoltage(rating_v));
        }
        Some(_) => {}
    }
    let hottest = quantity::find("winding_temperature").and_then(|quantity| row_of(rows, quantity));
    let hottest_degc = hottest.and_then(|row| row.cells[part].as_ref()?.value.number());
    if data.core == CoreFamily::IronPowder && hottest_degc.is_some_and(|degc| degc > AGEING_DEGC) {
        bases.push(Basis::Ageing);
    }
    if data.core_loss.is_none() {
        bases.push(Basis::NoCoreLoss);
    }
    let assumed = assumed_data(case, data);
    if !assumed.is_empty() {
        bases.push(Basis::Assumed(assumed));
    }
    let note = |basis| Finding { outcome: Outcome::PassWithNote, excess: -1.0, shared: false, basis };
    bases.into_iter().map(note).collect()
}

/// Names of the data of a part that were assumed.
fn assumed_data(case: &Case, part: &Inductor) -> Vec<String> {
    let own = format!("{}: ", part.name);
    let assumed = case.origins.iter().filter(|origin| origin.origin == Origin::Assumed);
    assumed.filter_map(|origin| origin.datum.strip_prefix(&own)).map(str::to_string).collect()
}

/// The stated limit of which a part uses the most, and that share.
fn nearest_limit(rows: &[Row], part: usize) -> Option<(&'static Quantity, f64)> {
    let used = |row: &Row| {
        let cell = row.cells[part].as_ref()?;
        let share = cell.share_of_limit?;
        // Defaults are no limits of this board, and counts that sit on their limit say nothing about the margin.
        let stated = cell.own_limit.or(row.limit).is_some_and(|limit| limit.stated);
        if !stated || row.quantity.id == "periods" {
            return None;
        }
        Some((row.quantity, if row.quantity.side == Side::AtLeast { 1.0 / share } else { share }))
    };
    rows.iter().filter_map(used).max_by(|a, b| a.1.total_cmp(&b.1))
}

/// Quantities in which the bench would see that the part was changed, best first.
fn seen(rows: &[Row], part: usize) -> Vec<&'static Quantity> {
    let times = |row: &Row| {
        let change = row.cells[part].as_ref()?.change.as_ref()?;
        Some((change.in_resolutions.filter(|times| *times >= COVERAGE)?, row.quantity))
    };
    let mut seen: Vec<(f64, &'static Quantity)> = rows.iter().filter_map(times).collect();
    seen.sort_by(|a, b| b.0.total_cmp(&a.0));
    seen.into_iter().map(|(_, quantity)| quantity).collect()
}
