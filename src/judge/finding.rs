//! A finding: one requirement on one part in one condition, with everything that is said of it.

use super::requirement::{Requirement, Yardstick};
use super::sight::{COVERAGE, Effect, Sight, expanded, margin, without_number};
use super::state::{Against, Outcome, State, all_of, outcome};
use crate::condition::figures::{Datum, Place, Value};
use crate::model::case::{Agreed, Case};
use crate::model::corner::{End, same_board};
use crate::quantity::{ChangeKind, Limit, Quantity, Side};

/// Difference of two printed values, as a share of them, from which their doubts have nothing in common any more.
const NOTHING_IN_COMMON: f64 = 0.10;
/// Least uncertainty by which margins are ranked, as a share of the limit.
const LEAST_FOR_RANKING: f64 = 0.01;
/// Share of a limit below which the original's value is no base for a fraction.
pub(crate) const SMALL_SHARE: f64 = 0.1;

/// What a finding is about.
#[derive(Clone, Copy, Debug)]
pub enum Asked {
    /// A requirement of the table.
    Requirement(&'static Requirement),
    /// An agreed change.
    Change(Agreed),
}

impl Asked {
    /// Identifier in the record.
    pub fn id(&self) -> &'static str {
        match self {
            Asked::Requirement(requirement) => requirement.id,
            Asked::Change(_) => "agreed_change",
        }
    }
}

/// One requirement on one part in one condition.
#[derive(Clone, Debug)]
pub struct Finding {
    /// What is asked.
    pub asked: Asked,
    /// Of which quantity.
    pub quantity: &'static Quantity,
    /// Where.
    pub place: Place,
    /// Winding temperature there in degrees Celsius.
    pub winding_degc: Option<f64>,
    /// Limit that the part has; `None` where any value will do.
    pub limit: Option<Limit>,
    /// Whether nobody states that limit and the original's value stands in.
    pub stands_in: bool,
    /// File and key of the house rule that asks it.
    pub source: Option<String>,
    /// What the part shows.
    pub value: Spread,
    /// What the original shows with the board alike; for the original itself the same.
    pub original: Option<Spread>,
    /// How much worse than the original, where both have numbers.
    pub worse: Option<Worse>,
    /// State of the part.
    pub state: State,
    /// State of the original.
    pub original_state: State,
    /// What follows.
    pub outcome: Outcome,
    /// Margin in units of the uncertainty, by which findings of one state are ranked; negative past the limit.
    pub margin_in_u: f64,
    /// The absent datum that moves the value most, with the values at its two ends.
    pub decides: Option<(Datum, f64, f64)>,
    /// The ends of absent data at which the value is worst; none where it is worst as shown.
    pub worst_ends: Vec<(Datum, End)>,
    /// What printed data contribute, largest first.
    pub budget: Vec<Effect>,
}

impl Finding {
    /// The more urgent first: the worse outcome, the worse state, then the smaller margin.
    pub fn by_urgency(&self, other: &Finding) -> std::cmp::Ordering {
        let worse = other.outcome.cmp(&self.outcome).then(other.state.cmp(&self.state));
        worse.then(self.margin_in_u.total_cmp(&other.margin_in_u))
    }

    /// The same where nothing can be said of the part's value (`mine`) or of the original's; `alike`: of both, and they do the same.
    pub(super) fn opened(mut self, mine: bool, original: bool, alike: bool) -> Finding {
        if alike && matches!(self.asked, Asked::Change(_)) {
            return self;
        }
        if mine {
            self.state = State::Open;
        }
        if original {
            self.original_state = State::Open;
        }
        let against = match (self.worse, self.limit) {
            (Some(worse), Some(_)) if alike => worse.against(),
            // What happens in both alike.
            (Some(_), None) if alike => Against::NoWorse,
            _ => Against::Unknown,
        };
        self.outcome = match &self.asked {
            Asked::Requirement(asked) => outcome(self.state, self.original_state, against, asked.is_alone()),
            Asked::Change(_) => Outcome::Undecided,
        };
        self
    }

    /// Whether the board's owner accepts that this limit is not met.
    pub fn is_waived(&self, case: &Case) -> bool {
        case.waivers.iter().any(|waiver| waiver.requirement == self.asked.id())
    }

    /// Number of the named load that it is a check of.
    pub fn load(&self) -> Option<usize> {
        match &self.asked {
            Asked::Requirement(requirement) => Some(requirement.check_of(&self.place)).filter(|load| *load > 0),
            Asked::Change(_) => None,
        }
    }

    /// What tells it from the other checks of a part, and is the same in all parts.
    pub fn key(&self) -> String {
        match &self.asked {
            Asked::Requirement(requirement) if requirement.as_one => requirement.id.into(),
            asked => match self.load() {
                None => format!("{}: {}", asked.id(), self.quantity.id),
                Some(load) => format!("{}: {}, load {load}", asked.id(), self.quantity.id),
            },
        }
    }
}

/// A value with what is not known of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Spread {
    /// Value as shown.
    pub value: Value,
    /// Expanded uncertainty from printed data and the model.
    pub uncertainty: f64,
    /// Least and greatest number over the ends of absent data, where there are such.
    pub ends: Option<(f64, f64)>,
}

/// By how much a part is worse than the original, in margins.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Worse {
    /// As shown.
    pub shown: f64,
    /// Least and most over the ends of absent data.
    pub range: (f64, f64),
    /// Expanded uncertainty.
    pub uncertainty: f64,
    /// What still counts as no worse.
    pub allowance: f64,
}

impl Worse {
    /// What it shows.
    pub fn against(&self) -> Against {
        // A rounding of the last digit must not part a twin from the original.
        let slack = 1e-12 * self.allowance.abs();
        if self.range.1 + self.uncertainty <= self.allowance + slack {
            Against::NoWorse
        } else if self.range.0 - self.uncertainty > self.allowance {
            Against::Worse
        } else {
            Against::Unknown
        }
    }
}

/// What all findings of a part have in common.
pub struct Bench<'a> {
    /// Case.
    pub case: &'a Case,
    /// Whether the part is the original itself.
    pub is_original: bool,
}

impl Spread {
    fn of(sight: &Sight<'_>, uncertainty: f64) -> Spread {
        let numbers = || sight.all().filter_map(Value::number);
        let ends = (!sight.ends.is_empty())
            .then(|| (numbers().fold(f64::INFINITY, f64::min), numbers().fold(f64::NEG_INFINITY, f64::max)));
        Spread { value: sight.value.clone(), uncertainty, ends: ends.filter(|ends| ends.0 <= ends.1) }
    }
}

/// How a side counts what is worse.
pub(crate) fn badness(side: Side, number: f64) -> f64 {
    match side {
        Side::AtMost => number,
        Side::AtLeast => -number,
        Side::Within => number.abs(),
    }
}

/// The same of a value: what fails is worse than any number, what could not be computed tells nothing.
pub(crate) fn badness_of(side: Side, value: &Value) -> f64 {
    match value.number() {
        Some(number) => badness(side, number),
        None if without_number(value) == State::Missed => f64::INFINITY,
        None => f64::NEG_INFINITY,
    }
}

/// The original's sight that goes with a part's: the same setting with the board at like ends, the original's own tolerances where they
/// hurt it most.
pub fn counterpart<'b, 'a>(quantity: &Quantity, place: &Place, originals: &'b [Sight<'a>]) -> Option<&'b Sight<'a>> {
    let alike = originals.iter().filter(|sight| {
        let other = &sight.figures.place;
        let setting = Place { corner: place.corner, ..*other };
        setting == *place && same_board(place.corner, other.corner)
    });
    // What has no number is worse than any.
    let bad = |sight: &Sight<'_>| sight.value.number().map_or(f64::INFINITY, |number| badness(quantity.side, number));
    alike.reduce(|a, b| {
        // Of equals the one in the very same corner.
        let same = |sight: &Sight<'_>| sight.figures.place.corner == place.corner;
        match bad(b).total_cmp(&bad(a)) {
            std::cmp::Ordering::Greater => b,
            std::cmp::Ordering::Equal if same(b) && !same(a) => b,
            _ => a,
        }
    })
}

/// A requirement on a part in one place.
pub fn of_requirement(
    bench: &Bench<'_>,
    (requirement, yardstick, own): (&'static Requirement, Yardstick, Yardstick),
    quantity: &'static Quantity,
    sight: &Sight<'_>,
    original: Option<&Sight<'_>>,
) -> Finding {
    let ambient_degc = bench.case.board.ambient_degc;
    let limit = yardstick.limit();
    let floor = limit.map_or(0.0, |limit| 0.5 * requirement.allowance.at(limit.value));
    let uncertain = |sight: &Sight<'_>| match limit {
        Some(limit) => sight.uncertainty(quantity, ambient_degc, Some(&limit)).max(floor),
        None => 0.0,
    };
    let uncertainty = uncertain(sight);
    let state = state_against(&yardstick, sight, uncertainty);
    let original_state = original.map_or(State::Open, |other| state_against(&own, other, uncertain(other)));
    let allowance = limit.map_or(0.0, |limit| allowance(bench.case, requirement, limit.value));
    let worse = original.and_then(|other| {
        let shift = own.limit().zip(limit).map_or(0.0, |(own, limit)| shift(&own, &limit));
        worse(quantity, sight, other, (allowance, floor, shift), bench)
    });
    let against = against(worse.as_ref(), sight, original);
    Finding {
        asked: Asked::Requirement(requirement),
        quantity,
        place: sight.figures.place,
        winding_degc: sight.figures.winding_degc,
        limit,
        stands_in: false,
        source: source(bench.case, requirement),
        value: Spread::of(sight, uncertainty),
        original: original.map(|other| Spread::of(other, uncertain(other))),
        worse,
        state,
        original_state,
        outcome: outcome(state, original_state, against, requirement.is_alone()),
        margin_in_u: rank(quantity, sight, limit.as_ref(), uncertainty),
        decides: decides(sight),
        worst_ends: worst_ends(quantity, sight),
        budget: budget(sight),
    }
}

/// Where a house rule stands.
fn source(case: &Case, requirement: &Requirement) -> Option<String> {
    Some(format!("{}, {}", case.rules.as_ref()?.file, requirement.house_key()?))
}

/// A requirement for which the original's `most` stands in: no worse than that is as good as it says, beyond it is open.
pub fn of_stand_in(
    bench: &Bench<'_>,
    (requirement, as_good_as): (&'static Requirement, State),
    quantity: &'static Quantity,
    (sight, original): (&Sight<'_>, Option<&Sight<'_>>),
    most: &Limit,
) -> Finding {
    let asked = Yardstick::Limit(*most);
    let mut finding = of_requirement(bench, (requirement, asked, asked), quantity, sight, original);
    let allowance = allowance(bench.case, requirement, most.value);
    let doubt = finding.worse.map_or(finding.value.uncertainty, |worse| worse.uncertainty);
    let beyond = |value: &Value| value.number().map_or(f64::INFINITY, |number| -margin(number, most));
    let worst = sight.all().map(beyond).fold(f64::NEG_INFINITY, f64::max);
    // What fails in both alike instead of giving a current is not this check's.
    let alike = sight.value.number().is_none() && against(None, sight, original) == Against::NoWorse;
    // No worse in the same setting, with the board's data at like ends, is within what the original shows.
    let no_worse = finding.worse.is_some_and(|worse| worse.against() == Against::NoWorse);
    let within = bench.is_original || alike || no_worse || worst + doubt <= allowance;
    finding.stands_in = true;
    finding.original_state = as_good_as;
    finding.state = if within { as_good_as } else { State::Open };
    if within {
        // What stands in is no limit to be close to.
        finding.margin_in_u = f64::INFINITY;
    }
    finding.outcome = match (within, as_good_as) {
        (true, State::Met) => Outcome::Pass,
        (true, _) => Outcome::NoWorse,
        (false, _) => Outcome::Undecided,
    };
    finding
}

/// What counts as no worse: the default, or what a waiver of this very limit says.
fn allowance(case: &Case, requirement: &Requirement, limit: f64) -> f64 {
    let waiver = case.waivers.iter().find(|waiver| waiver.requirement == requirement.id);
    match waiver.and_then(|waiver| waiver.allowance) {
        Some(share) => share * limit.abs(),
        None => requirement.allowance.at(limit),
    }
}

/// A change against the original that the case agrees to.
pub fn of_change(
    bench: &Bench<'_>,
    agreed: Agreed,
    quantity: &'static Quantity,
    (sight, original): (&Sight<'_>, &Sight<'_>),
    limit: Option<&Limit>,
) -> Option<Finding> {
    let base = original.value.exact()?;
    let of = base_of(quantity, base, limit);
    let allowed = agreed.change * of;
    let worse = worse(quantity, sight, original, (allowed, 0.0, 0.0), bench);
    let worse = if quantity.side == Side::Within { worse.map(either_way) } else { worse };
    let state = match worse.map(|worse| worse.against()) {
        Some(Against::NoWorse) => State::Met,
        Some(Against::Worse) => State::Missed,
        _ => State::Open,
    };
    let outcome = match state {
        State::Met => Outcome::Pass,
        State::Open => Outcome::Undecided,
        State::Missed => Outcome::Fail,
    };
    let uncertainty = worse.map_or(0.0, |worse| worse.uncertainty);
    let least = LEAST_FOR_RANKING * allowed.abs();
    Some(Finding {
        asked: Asked::Change(agreed),
        quantity,
        place: sight.figures.place,
        winding_degc: sight.figures.winding_degc,
        limit: Some(Limit { value: allowed, side: quantity.side, stated: true }),
        stands_in: false,
        source: None,
        value: Spread::of(sight, uncertainty),
        original: Some(Spread::of(original, 0.0)),
        worse,
        state,
        original_state: State::Met,
        outcome,
        margin_in_u: worse.map_or(0.0, |worse| (allowed - worse.range.1) / worse.uncertainty.max(least)),
        decides: decides(sight),
        worst_ends: worst_ends(quantity, sight),
        budget: budget(sight),
    })
}

/// What a fraction of a change is of: the original's value, at least a tenth of the limit.
pub(crate) fn base_of(quantity: &Quantity, base: f64, limit: Option<&Limit>) -> f64 {
    match quantity.change_kind {
        ChangeKind::Difference => 1.0,
        ChangeKind::Fraction => limit.map_or(base.abs(), |limit| base.abs().max(SMALL_SHARE * limit.value.abs())),
    }
}

/// By how much the part's own limit is tighter than the original's.
fn shift(original: &Limit, part: &Limit) -> f64 {
    match part.side {
        Side::AtLeast => part.value - original.value,
        _ => original.value - part.value,
    }
}

fn state_against(yardstick: &Yardstick, sight: &Sight<'_>, uncertainty: f64) -> State {
    match yardstick {
        Yardstick::Limit(limit) => sight.state(limit, uncertainty),
        Yardstick::Graded { met, missed } => {
            let graded = |value: &Value| match value.number() {
                None => without_number(value),
                Some(number) if margin(number, met) >= uncertainty => State::Met,
                Some(number) if margin(number, &Limit { value: *missed, ..*met }) < -uncertainty => State::Missed,
                Some(_) => State::Open,
            };
            all_of(sight.all().map(graded))
        }
        // What the original does is not known either.
        Yardstick::Original(_) => State::Open,
        Yardstick::Happens => all_of(sight.all().map(without_number)),
    }
}

/// How a part compares, also where one of the two has no number: what fails alike in both is no worse, what fails in the part alone is.
fn against(worse: Option<&Worse>, sight: &Sight<'_>, original: Option<&Sight<'_>>) -> Against {
    let Some(original) = original else { return Against::Unknown };
    match (worse, without_number(sight.value), without_number(original.value)) {
        (Some(worse), _, _) => worse.against(),
        (None, State::Missed, State::Missed) if sight.value == original.value => Against::NoWorse,
        (None, State::Missed, State::Met) => Against::Worse,
        (None, State::Met, State::Missed) => Against::NoWorse,
        _ => Against::Unknown,
    }
}

/// Differences over the ends of absent data: common data at like ends in both parts; own data at like ends as far as the two share the
/// doubt, and each at its own end for the rest. `shift` is by how much the part's own limit is tighter.
fn worse(
    quantity: &Quantity,
    sight: &Sight<'_>,
    original: &Sight<'_>,
    (allowance, floor, shift): (f64, f64, f64),
    bench: &Bench<'_>,
) -> Option<Worse> {
    let of = |mine: &Value, other: &Value| difference(quantity, mine, other).map(|difference| difference + shift);
    let shown = of(sight.value, original.value)?;
    let mut like = (shown, shown);
    let mut apart = (shown, shown);
    let widen = |range: &mut (f64, f64), by: f64| *range = (range.0.min(by), range.1.max(by));
    for (data, value) in std::iter::once((&[][..], sight.value)).chain(sight.ends.iter().copied()) {
        let common: Vec<_> = data.iter().filter(|(datum, _)| !datum.of_part).collect();
        for (others, other) in std::iter::once((&[][..], original.value)).chain(original.ends.iter().copied()) {
            let board_alike = common.len() == others.iter().filter(|(datum, _)| !datum.of_part).count()
                && common.iter().all(|moved| others.contains(moved));
            if !board_alike {
                continue;
            }
            let by = of(value, other)?;
            widen(&mut apart, by);
            if is_counterpart(data, others, original) {
                widen(&mut like, by);
            }
        }
    }
    let share = share_in_common(sight, original);
    let blend = |like: f64, apart: f64| share * like + (1.0 - share) * apart;
    let range = (blend(like.0, apart.0), blend(like.1, apart.1));
    let uncertainty = uncertainty_of_difference(quantity, sight, original, bench.case).max(floor);
    Some(Worse { shown, range, uncertainty, allowance })
}

/// Whether the original's data stand at the ends at which a part's do, as far as they are doubtful in the original at all.
fn is_counterpart(data: &[(Datum, End)], others: &[(Datum, End)], original: &Sight<'_>) -> bool {
    let same = |a: &(Datum, End), b: &(Datum, End)| a.0.is_same_as(&b.0) && a.1 == b.1;
    let doubtful = |moved: &&(Datum, End)| {
        original.ends.iter().any(|(data, _)| data.iter().any(|(datum, _)| datum.is_same_as(&moved.0)))
    };
    let wanted: Vec<_> = data.iter().filter(doubtful).collect();
    wanted.len() == others.len() && wanted.iter().all(|moved| others.iter().any(|other| same(moved, other)))
}

/// Share of the doubt in own data that both parts have in common: all of it where the values are the same, none from a tenth of
/// difference on, or where only one of the two lacks the datum.
fn share_in_common(sight: &Sight<'_>, original: &Sight<'_>) -> f64 {
    let mine = own_data(sight);
    let others = own_data(original);
    if mine.is_empty() && others.is_empty() {
        return 1.0;
    }
    let share = |datum: &Datum, among: &[Datum]| {
        among.iter().find(|other| other.is_same_as(datum)).map_or(0.0, |other| in_common(datum.shown, other.shown))
    };
    let shares = mine.iter().map(|datum| share(datum, &others)).chain(others.iter().map(|datum| share(datum, &mine)));
    shares.fold(1.0, f64::min)
}

fn own_data(sight: &Sight<'_>) -> Vec<Datum> {
    let mut data: Vec<Datum> = vec![];
    for (datum, _) in sight.ends.iter().flat_map(|(data, _)| data.iter()) {
        if datum.of_part && data.iter().all(|known| !known.is_same_as(datum)) {
            data.push(*datum);
        }
    }
    data
}

fn in_common(a: f64, b: f64) -> f64 {
    let larger = a.abs().max(b.abs());
    if larger == 0.0 { 1.0 } else { (1.0 - (a - b).abs() / (NOTHING_IN_COMMON * larger)).max(0.0) }
}

/// How much worse a value is than another; `None` without numbers. Two bounds of one kind compare as far as both were watched; a bound
/// beside a number only where what it leaves open cannot turn the comparison.
fn difference(quantity: &Quantity, mine: &Value, other: &Value) -> Option<f64> {
    let (a, b) = (mine.number()?, other.number()?);
    let alike = std::mem::discriminant(mine) == std::mem::discriminant(other);
    // Where either way is worse the difference has a sign: what is agreed on looks at its size.
    let worse =
        if quantity.side == Side::Within { a - b } else { badness(quantity.side, a) - badness(quantity.side, b) };
    (alike || (other.is_bound() && mine.exact().is_some() && worse <= 0.0)).then_some(worse)
}

/// A difference of either sign by its size.
fn either_way(worse: Worse) -> Worse {
    let (least, most) = worse.range;
    let spans = least <= 0.0 && most >= 0.0;
    let sizes = (least.abs(), most.abs());
    let range = (if spans { 0.0 } else { sizes.0.min(sizes.1) }, sizes.0.max(sizes.1));
    Worse { shown: worse.shown.abs(), range, ..worse }
}

/// Expanded uncertainty of a difference: common data move both, own data each by itself, as far as the two do not share the doubt.
fn uncertainty_of_difference(quantity: &Quantity, sight: &Sight<'_>, original: &Sight<'_>, case: &Case) -> f64 {
    let mut contributions = vec![];
    for mine in &sight.effects {
        let other = original.effects.iter().find(|other| other.datum.is_same_as(&mine.datum));
        let theirs = other.map_or(0.0, |other| other.change);
        let share = match other {
            Some(other) if mine.datum.of_part => in_common(mine.datum.shown, other.datum.shown),
            Some(_) => 1.0,
            None => 0.0,
        };
        let square = mine.change.powi(2) + theirs.powi(2) - 2.0 * share * mine.change * theirs;
        contributions.push((square.max(0.0).sqrt(), mine.half_width));
    }
    let unmatched =
        original.effects.iter().filter(|other| sight.effects.iter().all(|mine| !mine.datum.is_same_as(&other.datum)));
    contributions.extend(unmatched.map(|other| (other.change, other.half_width)));
    // The model errs alike in parts that are alike.
    let (Some(a), Some(b)) = (sight.value.number(), original.value.number()) else { return 0.0 };
    let share = in_common(a, b);
    let size = if quantity.change_kind == ChangeKind::Fraction { a.abs().max(b.abs()) } else { a };
    let model = quantity.uncertainty_of_difference(size, case.board.ambient_degc) / COVERAGE;
    expanded(contributions.into_iter(), (1.0 - share).sqrt() * model)
}

/// Margin in units of the uncertainty, over the worst of the ends.
fn rank(quantity: &Quantity, sight: &Sight<'_>, limit: Option<&Limit>, uncertainty: f64) -> f64 {
    let Some(limit) = limit else {
        return if sight.value.number().is_some() { f64::INFINITY } else { f64::NEG_INFINITY };
    };
    // One more is the least by which a count can be off.
    let least = if quantity.unit.is_empty() { 1.0 } else { LEAST_FOR_RANKING * limit.value.abs() };
    let unit = uncertainty.max(least).max(f64::MIN_POSITIVE);
    let margins = sight.all().map(|value| value.number().map_or(f64::NEG_INFINITY, |number| margin(number, limit)));
    let least = margins.fold(f64::INFINITY, f64::min);
    // A count that is as it must be is not close to anything.
    if quantity.unit.is_empty() && least >= 0.0 { f64::INFINITY } else { least / unit }
}

/// The absent datum that alone moves the value most.
fn decides(sight: &Sight<'_>) -> Option<(Datum, f64, f64)> {
    let single = |end: End| {
        move |datum: &Datum| {
            let at =
                sight.ends.iter().find(|(data, _)| matches!(data, [(one, at)] if one.is_same_as(datum) && *at == end));
            at.and_then(|(_, value)| value.number())
        }
    };
    let data =
        sight.ends.iter().filter_map(|(data, _)| if let [(datum, End::Least)] = data { Some(*datum) } else { None });
    let moved = data.filter_map(|datum| Some((datum, single(End::Least)(&datum)?, single(End::Most)(&datum)?)));
    moved.max_by(|a, b| (a.1 - a.2).abs().total_cmp(&(b.1 - b.2).abs())).filter(|(_, low, high)| low != high)
}

fn worst_ends(quantity: &Quantity, sight: &Sight<'_>) -> Vec<(Datum, End)> {
    let bad = |value: &Value| value.number().map_or(f64::INFINITY, |number| badness(quantity.side, number));
    let worst = sight.ends.iter().max_by(|a, b| bad(a.1).total_cmp(&bad(b.1)));
    worst.filter(|(_, value)| bad(value) > bad(sight.value)).map_or_else(Vec::new, |(data, _)| data.to_vec())
}

fn budget(sight: &Sight<'_>) -> Vec<Effect> {
    let mut effects = sight.effects.clone();
    effects.retain(|effect| effect.change != 0.0);
    effects.sort_by(|a, b| b.change.abs().total_cmp(&a.change.abs()));
    effects
}
