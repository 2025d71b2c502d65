//! What screening many parts shows, put into words: one row a part, what decides over all of them, what a datum would decide.

use super::layout::{CalibrationRecord, CaseIdentity, LimitRecord, Outcome, Verdict as VerdictRecord};
use super::words;
use crate::condition::SHEET;
use crate::condition::figures::Value;
use crate::corridor::screen::{Looked, Screen, Stage};
use crate::corridor::tipping::Tipping;
use crate::judge::Verdict;
use crate::judge::finding::Finding;
use crate::model::case::Case;
use crate::model::offer::Offer;
use crate::model::parts::Inductor;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::cmp::Ordering;
use std::collections::{BTreeMap, HashSet};

/// Parts screened beside one original.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ScreenRecord {
    /// Version of this tool.
    pub presolder_version: String,
    /// Instruction set with which it was computed, see [`super::machine::instruction_set`].
    pub instruction_set: String,
    /// Which share of the parts this is, where it is not all of them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shard: Option<Shard>,
    /// The case.
    pub case: CaseIdentity,
    /// What captures have told of the board; absent where they were not used.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub calibration: Option<CalibrationRecord>,
    /// Whether parts that fail early were looked at no further.
    pub staged: bool,
    /// The original's own state.
    pub original: VerdictRecord,
    /// What is read of the original's data.
    pub original_data: Data,
    /// One row a part, the best first.
    pub rows: Vec<Row>,
    /// Data that decide, with the number of parts each decides, most first.
    pub deciding_data: Vec<Decided>,
    /// Checks by which parts fail, with their number, most first.
    pub failing_checks: Vec<Decided>,
    /// Filters that were set.
    #[serde(default)]
    pub filters: Vec<Filter>,
    /// Parts that a filter leaves unexamined, by name.
    pub not_examined: Vec<NotExamined>,
    /// Lines of the lists that cannot be used, with the reason.
    pub left_out: Vec<String>,
    /// What a reader should know of lists and board.
    pub warnings: Vec<String>,
}

/// One of several shares of a list, each screened by itself: which one, counted from 1, of how many.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Shard {
    /// Which one.
    pub number: usize,
    /// Of how many.
    pub of: usize,
}

impl Shard {
    /// The parts of this share among some, in their order: every so many by name, so that it does not matter where they stand in a list.
    pub fn of_parts(self, case: &Case, mut parts: Vec<usize>) -> Vec<usize> {
        let mut by_name = parts.clone();
        by_name.sort_by(|a, b| case.parts[*a].name.cmp(&case.parts[*b].name));
        let mine: HashSet<usize> = by_name.into_iter().skip(self.number - 1).step_by(self.of).collect();
        parts.retain(|part| mine.contains(part));
        parts
    }
}

/// Why shares cannot be joined.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NotJoined {
    /// This one, by its position among those given, holds all parts already.
    Whole(usize),
    /// These two differ in what they were screened with, which is named.
    Differ(usize, usize, &'static str),
    /// These two are the same share and do not say the same.
    Doubled(usize, usize),
    /// These shares are not there.
    Missing(Vec<usize>),
}

/// The shares of a list joined to what one run over all of it comes to; a share may be given twice.
///
/// # Errors
/// [`NotJoined`] where they are not all of the shares of one screening.
pub fn joined(shares: Vec<ScreenRecord>) -> Result<ScreenRecord, NotJoined> {
    let mut known: BTreeMap<usize, usize> = BTreeMap::new();
    let first = shares.first().ok_or(NotJoined::Missing(vec![]))?;
    for (at, share) in shares.iter().enumerate() {
        let shard = share.shard.ok_or(NotJoined::Whole(at))?;
        if let Some(what) = differs(first, share) {
            return Err(NotJoined::Differ(0, at, what));
        }
        match known.get(&shard.number) {
            Some(&other) if shares[other] != *share => return Err(NotJoined::Doubled(other, at)),
            Some(_) => {}
            None => drop(known.insert(shard.number, at)),
        }
    }
    let of = first.shard.map_or(0, |shard| shard.of);
    let missing: Vec<usize> = (1..=of).filter(|number| !known.contains_key(number)).collect();
    if !missing.is_empty() {
        return Err(NotJoined::Missing(missing));
    }
    let rows = known.values().flat_map(|&at| shares[at].rows.iter().cloned()).collect();
    Ok(ScreenRecord { shard: None, ..first.clone() }.with_rows(rows))
}

/// What two shares were not both screened with.
fn differs(a: &ScreenRecord, b: &ScreenRecord) -> Option<&'static str> {
    let alike = [
        ("version of this program", a.presolder_version == b.presolder_version),
        ("instruction set", a.instruction_set == b.instruction_set),
        ("number of shares", a.shard.map(|shard| shard.of) == b.shard.map(|shard| shard.of)),
        ("case or lists", a.case == b.case && a.left_out == b.left_out && a.warnings == b.warnings),
        ("filters", a.filters == b.filters && a.not_examined == b.not_examined),
        ("staging", a.staged == b.staged),
        ("original", a.original == b.original && a.original_data == b.original_data),
    ];
    alike.into_iter().find(|(_, alike)| !alike).map(|(what, _)| what)
}

/// A part that was not looked at, and the filter that says so.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct NotExamined {
    /// Part.
    pub part: String,
    /// Why.
    pub reason: String,
}

/// A filter, and what came of it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Filter {
    /// Datum that it looks at: `inductance`, `price` or `stock`.
    pub datum: String,
    /// What it asks.
    pub asks: String,
    /// Parts outside, which are not examined.
    pub outside: usize,
    /// Parts that are examined though the lists do not state that datum, or state it in another currency.
    pub not_stated: usize,
}

/// What a part is offered for: price of one piece and stock. Neither passes or fails a part.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct OfferRecord {
    /// Price of one piece.
    pub price: Option<f64>,
    /// Currency of the price, never converted.
    pub currency: Option<String>,
    /// Pieces in stock.
    pub stock: Option<u64>,
    /// Whether there may be more than that.
    pub or_more: bool,
}

impl From<&Offer> for OfferRecord {
    fn from(offer: &Offer) -> OfferRecord {
        OfferRecord {
            price: offer.price.map(|price| price.amount),
            currency: offer.price.map(|price| price.currency.into()),
            stock: offer.stock.map(|stock| stock.pieces),
            or_more: offer.stock.is_some_and(|stock| stock.or_more),
        }
    }
}

impl OfferRecord {
    /// The lower price first, then the larger stock; what is not stated comes last. Prices of several currencies stand currency by currency.
    pub fn by_preference(&self, other: &OfferRecord) -> Ordering {
        let by_price = match (self.price, other.price) {
            (Some(a), Some(b)) => self.currency.cmp(&other.currency).then(a.total_cmp(&b)),
            (a, b) => b.is_some().cmp(&a.is_some()),
        };
        let stock = |offer: &OfferRecord| (offer.stock, offer.or_more);
        by_price.then(stock(other).cmp(&stock(self)))
    }
}

/// Something that decides on several parts.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Decided {
    /// What it is.
    pub label: String,
    /// Number of parts.
    pub parts: usize,
}

/// Data of a part that a list is looked through by.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Data {
    /// Nominal inductance in H.
    pub inductance_h: f64,
    /// Largest winding resistance at 25 degrees Celsius in ohm.
    pub resistance_ohm: f64,
    /// Saturation current of the first rating in A, and the drop at which it is stated, as a fraction.
    pub saturation: Option<(f64, f64)>,
    /// Length, width and height of the body in m.
    pub body_m: Option<[f64; 3]>,
}

/// One part.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Row {
    /// Part.
    pub part: String,
    /// Outcome.
    pub outcome: Outcome,
    /// How far it was looked at: `paper`, `trial` or `full`.
    pub stage: String,
    /// Checks that are open because the part's list does not say what they need.
    pub missing: Vec<String>,
    /// What decides besides, in one sentence.
    pub decision: String,
    /// Condition of it.
    pub condition: String,
    /// Next step.
    pub next: String,
    /// Within which part of the range it would pass.
    pub within: String,
    /// The check that decides, the same in all parts.
    pub key: String,
    /// Name of the check.
    pub label: String,
    /// Unit of value, uncertainty and limit.
    pub unit: String,
    /// Value of it; none where it could not be computed.
    pub value: Option<f64>,
    /// Expanded uncertainty.
    pub uncertainty: f64,
    /// Limit.
    pub limit: Option<LimitRecord>,
    /// Margin in expanded uncertainties, negative past the limit.
    pub margin_in_u: Option<f64>,
    /// The absent or printed datum that decides.
    pub datum: Option<String>,
    /// Share of that datum's range within which the deciding check is met.
    pub share: Option<f64>,
    /// Data of the part.
    pub data: Data,
    /// What it is offered for.
    #[serde(default)]
    pub offer: OfferRecord,
    /// The first part in the list of ranks whose data are the same in everything, where it is another.
    pub like: Option<String>,
    /// Runs that would have taken too long; their checks are open.
    pub left_out: u64,
    /// SHA-256 of the part's data without its name.
    pub sha256: String,
}

/// One part as it was found. Of one that is undecided, what its data sheet lacks is listed, and what is simulated decides.
pub fn row(looked: &Looked) -> Row {
    let case = &looked.case;
    let (verdict, missing) = without_missing(case, &looked.verdict);
    let verdict = &verdict;
    let said = super::verdict(case, &looked.parts, verdict, &looked.tipping);
    let finding = verdict.deciding();
    let datum = deciding_datum(looked.verdict.outcome, &missing, finding);
    let stage = match looked.stage {
        Stage::Paper => "paper",
        Stage::Trial => "trial",
        Stage::Full => "full",
    };
    Row {
        part: said.part,
        outcome: looked.verdict.outcome,
        missing,
        stage: stage.into(),
        decision: said.sentence,
        condition: said.condition,
        next: said.next,
        within: said.within,
        key: finding.map_or_else(String::new, Finding::key),
        label: finding.map_or_else(String::new, |finding| words::label(case, finding)),
        unit: finding.map_or_else(String::new, |finding| finding.quantity.unit.into()),
        value: finding.and_then(|finding| finding.value.value.number()),
        uncertainty: finding.map_or(0.0, |finding| finding.value.uncertainty),
        limit: finding.and_then(|finding| finding.limit),
        margin_in_u: finding.map(|finding| finding.margin_in_u).filter(|margin| margin.is_finite()),
        datum,
        share: looked.share,
        data: data(&case.parts[1]),
        offer: OfferRecord::default(), // it is the list's and not the part's: a row that is kept has none
        like: None,
        left_out: looked.left_out,
        sha256: hash(case, 1),
    }
}

/// A verdict without the checks that are open since a list does not state what they need, and the names of those.
fn without_missing(case: &Case, verdict: &Verdict) -> (Verdict, Vec<String>) {
    let is_missing = |finding: &&Finding| {
        finding.place.condition == SHEET
            && finding.outcome == Outcome::Undecided
            && finding.value.value.number().is_none()
    };
    let missing = verdict.findings.iter().filter(is_missing).map(|finding| words::label(case, finding)).collect();
    let mut rest = verdict.clone();
    rest.findings.retain(|finding| !is_missing(&finding));
    rest.outcome = rest.findings.iter().map(|finding| finding.outcome).max().unwrap_or(Outcome::Pass);
    (rest, missing)
}

/// What an undecided part hangs on: a datum of what is simulated, else what its list does not state.
fn deciding_datum(outcome: Outcome, missing: &[String], finding: Option<&Finding>) -> Option<String> {
    if outcome != Outcome::Undecided {
        return None;
    }
    let of_simulation = finding.filter(|finding| finding.outcome == Outcome::Undecided).and_then(datum);
    of_simulation.or_else(|| missing.first().map(|label| format!("{label}, not stated")))
}

/// The datum on which an open check hangs: an absent one, else the printed one that contributes most.
fn datum(finding: &Finding) -> Option<String> {
    let unknown = |_: &f64| matches!(finding.value.value, Value::NotComputed(_));
    let absent = finding.decides.map(|(datum, ..)| datum);
    let printed = finding.budget.first().filter(|effect| !unknown(&effect.change)).map(|effect| effect.datum);
    absent.or(printed).map(|datum| datum.rule.label.into())
}

fn data(part: &Inductor) -> Data {
    Data {
        inductance_h: part.inductance_h,
        resistance_ohm: part.dcr_max_ohm,
        saturation: part.saturation_ratings.first().map(|rating| (rating.current_a, rating.drop)),
        body_m: part.body.map(|body| [body.length_m, body.width_m, body.height_m]),
    }
}

/// SHA-256 of everything that is known of a part of a case, its name left out.
pub fn hash(case: &Case, part: usize) -> String {
    let known = &case.parts[part];
    let nameless = Inductor { name: String::new(), ..known.clone() };
    let origins = case.origins.iter().filter(|origin| origin.part.as_deref() == Some(known.name.as_str()));
    let origins: Vec<_> = origins.map(|origin| (&origin.key, &origin.value, origin.origin)).collect();
    super::sweep::hex(&Sha256::digest(format!("{nameless:?}{origins:?}")))
}

/// SHA-256 of the board with everything that is asked of it, and of the original.
pub fn board_hash(case: &Case) -> String {
    let Case { board, limits, rules, waivers, readings, learned, bench, numerics, .. } = case;
    let of_board = case.origins.iter().filter(|origin| origin.part.is_none());
    let origins: Vec<_> = of_board.map(|origin| (&origin.key, &origin.value, origin.origin)).collect();
    let board =
        format!("{board:?}{limits:?}{rules:?}{waivers:?}{readings:?}{learned:?}{bench:?}{numerics:?}{origins:?}");
    super::sweep::hex(&Sha256::digest(format!("{board}{}", hash(case, 0))))
}

/// What was looked at, and how.
pub struct Scope {
    /// Filters that were set.
    pub filters: Vec<Filter>,
    /// Parts that a filter leaves out.
    pub not_examined: Vec<NotExamined>,
    /// Whether parts that fail early were looked at no further.
    pub staged: bool,
    /// The share of the parts, where it is not all of them.
    pub shard: Option<Shard>,
}

/// Everything together, the best part first; the order in which parts come does not matter.
pub fn record(screen: &Screen, rows: Vec<Row>, scope: Scope) -> ScreenRecord {
    let (verdict, figures) = screen.original();
    let case = screen.case();
    let record = ScreenRecord {
        presolder_version: env!("CARGO_PKG_VERSION").into(),
        instruction_set: super::machine::instruction_set(),
        shard: scope.shard,
        case: super::identity(case),
        calibration: None,
        staged: scope.staged,
        original: super::verdict(case, std::slice::from_ref(figures), verdict, &Tipping::default()),
        original_data: data(&case.parts[0]),
        rows: vec![],
        deciding_data: vec![],
        failing_checks: vec![],
        filters: scope.filters,
        not_examined: scope.not_examined,
        left_out: case.left_out.clone(),
        warnings: case.warnings.clone(),
    };
    record.with_rows(rows)
}

impl ScreenRecord {
    /// The same with these rows, ranked and counted.
    fn with_rows(self, mut rows: Vec<Row>) -> ScreenRecord {
        rows.sort_by(by_rank);
        let mut first: BTreeMap<String, String> = BTreeMap::new();
        for row in &mut rows {
            row.like = first.get(&row.sha256).cloned();
            first.entry(row.sha256.clone()).or_insert_with(|| row.part.clone());
        }
        let open = rows.iter().filter(|row| row.outcome == Outcome::Undecided);
        let deciding_data = counted(open.filter_map(|row| row.datum.clone()));
        let fails = rows.iter().filter(|row| row.outcome == Outcome::Fail);
        let failing_checks = counted(fails.map(|row| row.label.clone()));
        ScreenRecord { rows, deciding_data, failing_checks, ..self }
    }
}

/// The order in which parts are proposed: the outcome; of open ones the share of what is not known within which they pass; the margin; what
/// they are offered for; then the name.
fn by_rank(a: &Row, b: &Row) -> Ordering {
    let more = |a: Option<f64>, b: Option<f64>| {
        let or_least = |value: Option<f64>| value.unwrap_or(f64::NEG_INFINITY);
        or_least(b).total_cmp(&or_least(a))
    };
    let by_outcome = a.outcome.cmp(&b.outcome);
    let by_margin = by_outcome.then(more(a.share, b.share)).then(more(a.margin_in_u, b.margin_in_u));
    by_margin.then_with(|| a.offer.by_preference(&b.offer)).then_with(|| a.part.cmp(&b.part))
}

fn counted(labels: impl Iterator<Item = String>) -> Vec<Decided> {
    let mut counts: BTreeMap<String, usize> = BTreeMap::new();
    labels.for_each(|label| *counts.entry(label).or_default() += 1);
    let mut all: Vec<Decided> = counts.into_iter().map(|(label, parts)| Decided { label, parts }).collect();
    all.sort_by(|a, b| b.parts.cmp(&a.parts).then(a.label.cmp(&b.label)));
    all
}
