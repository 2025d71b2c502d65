//! Values with everything that is not known of them: ends of absent data, uncertainty of printed ones.

use super::finding::badness;
use super::state::{State, all_of};
use crate::condition::figures::{Datum, Figures, Moved, PartFigures, Place, Shift, Value};
use crate::model::case::Case;
use crate::model::corner::{End, NOMINAL};
use crate::quantity::{Limit, QUANTITIES, Quantity, Scope, Side};
use std::sync::OnceLock;

/// Coverage factor of expanded uncertainties (JCGM 100, 6.2).
pub const COVERAGE: f64 = 2.0;

/// A value of a part in one place.
#[derive(Clone, Debug)]
pub struct Sight<'a> {
    /// Figures in which it stands.
    pub figures: &'a Figures,
    /// Value with every datum as it is shown.
    pub value: &'a Value,
    /// Values with absent data at their ends.
    pub ends: Vec<(&'a [(Datum, End)], &'a Value)>,
    /// What moving each printed datum by its standard uncertainty changes, in the unit of the quantity.
    pub effects: Vec<Effect>,
}

/// What a printed datum changes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Effect {
    /// The datum.
    pub datum: Datum,
    /// Change for one standard uncertainty.
    pub change: f64,
    /// Change for one the other way, where it was run; otherwise it is the opposite.
    pub back: Option<f64>,
    /// Half width in standard uncertainties where it is rectangular.
    pub half_width: Option<f64>,
}

impl Effect {
    /// Size of the change towards a limit: where both ways were run, by the one that leads there.
    fn towards(&self, quantity: &Quantity, number: f64, limit: Option<&Limit>) -> f64 {
        let (Some(back), Some(limit)) = (self.back, limit) else { return self.change.abs() };
        let outwards = if margin(number, limit) >= 0.0 { 1.0 } else { -1.0 };
        let by = |change: f64| outwards * (badness(quantity.side, number + change) - badness(quantity.side, number));
        by(self.change).max(by(back)).max(0.0)
    }
}

/// Whether a quantity is compared in a place.
fn counts(case: &Case, quantity: &Quantity, place: &Place) -> bool {
    let full_load = place.load_a == case.board.load_a.last().copied();
    match quantity.scope {
        Scope::Everywhere => true,
        Scope::FullLoad => full_load,
        Scope::FullLoadNominal => {
            full_load && place.input_v == Some(case.board.nominal_input_v) && place.corner == NOMINAL
        }
    }
}

/// Every value of a part in its scope, quantity by quantity: each is made when it is first asked for, once for all who ask.
pub struct Sights<'a> {
    case: &'a Case,
    /// What the part shows.
    pub part: &'a PartFigures,
    of: Vec<OnceLock<Vec<Sight<'a>>>>,
}

impl<'a> Sights<'a> {
    /// Of a part.
    pub fn new(case: &'a Case, part: &'a PartFigures) -> Sights<'a> {
        Sights { case, part, of: QUANTITIES.iter().map(|_| OnceLock::new()).collect() }
    }

    /// Of a quantity of the table.
    pub fn of(&self, quantity: &Quantity) -> &[Sight<'a>] {
        let number = QUANTITIES.iter().position(|known| known == quantity);
        number.map_or(&[], |number| self.of[number].get_or_init(|| sights(self.case, self.part, quantity)))
    }
}

/// Every value of a quantity in its scope.
pub fn sights<'a>(case: &Case, part: &'a PartFigures, quantity: &Quantity) -> Vec<Sight<'a>> {
    let in_scope = part.results.iter().filter(|figures| counts(case, quantity, &figures.place));
    in_scope.filter_map(|figures| Some(sight(part, quantity, figures, figures.value(quantity.id)?))).collect()
}

/// The value of a quantity in some figures of a part, with all that is not known of it.
pub(crate) fn sight<'a>(
    part: &'a PartFigures,
    quantity: &Quantity,
    figures: &'a Figures,
    value: &'a Value,
) -> Sight<'a> {
    let there = |results: &'a [Figures], place: &Place| {
        results.iter().find(|other| other.place == *place).and_then(|other| other.value(quantity.id))
    };
    let ends = part.ends.iter().filter_map(|end| Some((end.data.as_slice(), there(&end.results, &figures.place)?)));
    // What a datum does is known from the places that decide a check: the same, else another of the same condition.
    let near = |place: &Place| {
        let same_input = u8::from(place.input_v != figures.place.input_v);
        let same_load = (place.load, place.load_a) != (figures.place.load, figures.place.load_a);
        (u8::from(same_load), same_input, u8::from(place.corner != figures.place.corner))
    };
    let nearest = |shifts: &[Shift]| {
        let alike = shifts.iter().filter(|shift| shift.place.condition == figures.place.condition);
        let known = alike.filter_map(|shift| {
            let by = shift.by.iter().find(|(id, _)| *id == quantity.id)?;
            Some((shift.place, by.1))
        });
        known.min_by_key(|(place, _)| near(place))
    };
    let effect = |moved: &Moved| {
        let (place, change) = nearest(&moved.shifts)?;
        let back = nearest(&moved.back).filter(|(other, _)| *other == place).map(|(_, back)| back);
        Some(Effect { datum: moved.datum, change, back, half_width: moved.half_width })
    };
    Sight { figures, value, ends: ends.collect(), effects: part.spreads.iter().filter_map(effect).collect() }
}

impl Sight<'_> {
    /// The value and all those with data at an end.
    pub fn all(&self) -> impl Iterator<Item = &Value> {
        std::iter::once(self.value).chain(self.ends.iter().map(|(_, value)| *value))
    }

    /// Expanded uncertainty of the value in its unit towards a limit, or either way without one: what the printed data leave open, and the
    /// model's own share.
    pub fn uncertainty(&self, quantity: &Quantity, ambient_degc: f64, limit: Option<&Limit>) -> f64 {
        let Some(number) = self.value.number() else { return 0.0 };
        let model = quantity.uncertainty(number, ambient_degc) / COVERAGE;
        let towards = |effect: &Effect| (effect.towards(quantity, number, limit), effect.half_width);
        expanded(self.effects.iter().map(towards), model)
    }

    /// State against a limit.
    pub fn state(&self, limit: &Limit, uncertainty: f64) -> State {
        all_of(self.all().map(|value| state(value, uncertainty, limit)))
    }
}

/// Expanded uncertainty from standard contributions, each perhaps rectangular, and a model share: twice the root of the sum of
/// squares, or where it is less the half width of the largest rectangular one and twice the rest (JCGM 100, G.2.2).
pub fn expanded(contributions: impl Iterator<Item = (f64, Option<f64>)>, model: f64) -> f64 {
    let contributions: Vec<(f64, Option<f64>)> = contributions.collect();
    let total: f64 = contributions.iter().map(|(change, _)| change * change).sum::<f64>() + model * model;
    let normal = COVERAGE * total.sqrt();
    let rectangular = contributions.iter().filter_map(|(change, half)| Some((change.abs(), half.as_ref()?)));
    let largest = rectangular.max_by(|a, b| a.0.total_cmp(&b.0));
    let bounded = largest.map(|(change, half)| half * change + COVERAGE * (total - change * change).max(0.0).sqrt());
    bounded.map_or(normal, |bounded| bounded.min(normal))
}

/// Distance of a number to a limit, positive inside.
pub fn margin(number: f64, limit: &Limit) -> f64 {
    match limit.side {
        Side::AtMost => limit.value - number,
        Side::AtLeast => number - limit.value,
        Side::Within => limit.value - number.abs(),
    }
}

/// State of one value against a limit. A bound is met or missed only where all that it leaves open is.
pub fn state(value: &Value, uncertainty: f64, limit: &Limit) -> State {
    let Some(number) = value.number() else { return without_number(value) };
    let margin = margin(number, limit);
    let state = if margin >= uncertainty {
        State::Met
    } else if margin < -uncertainty {
        State::Missed
    } else {
        State::Open
    };
    let leaves_open = match (value, limit.side) {
        (Value::AtLeast(_), Side::AtLeast) | (Value::AtMost(_), Side::AtMost) => State::Missed,
        (Value::AtLeast(_) | Value::AtMost(_), _) => State::Met,
        _ => return state,
    };
    if state == leaves_open { State::Open } else { state }
}

/// What fails instead of giving a number is missed; what could not be computed is open.
pub fn without_number(value: &Value) -> State {
    match value {
        Value::NotComputed(why) if why.is_event() => State::Missed,
        Value::NotComputed(_) => State::Open,
        _ => State::Met,
    }
}
