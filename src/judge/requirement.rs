//! What is asked of a part: one table. The rule behind it: docs/method.md.

use super::state::State;
use crate::condition::figures::Place;
use crate::model::board::NamedLoad;
use crate::model::case::Case;
use crate::model::parts::{Body, CapacitorBranch, CoreFamily, FilletGoals, Inductor};
use crate::quantity::{Limit, Side};

/// Factor on the highest input that a working voltage must cover for ringing (common practice).
const RINGING: f64 = 1.3;
/// Self-resonance as a multiple of the switching frequency: from the first on the model of an inductance holds, below the second the
/// part is none (common practice).
const RESONANCE: (f64, f64) = (5.0, 2.0);
/// Share of the output voltage within which a mean output counts as regulated, where no band is stated (common practice).
const REGULATED: f64 = 0.01;
/// Share of a terminal's area that should lie on its pad (common practice).
const LEAST_TERMINAL_ON_PAD: f64 = 0.75;

/// Share of the nominal inductance that should be left at the highest current: with a hard knee, with a soft one (common practice).
const USUALLY_LEFT: (f64, f64) = (0.7, 0.5);

/// Winding temperature in degrees Celsius above which iron powder ages, where its maker says nothing (common practice).
const AGES_ABOVE_DEGC: f64 = 100.0;

/// Who asks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Basis {
    /// The case states a limit of the board.
    Board,
    /// The trade never ships without it.
    Always,
    /// A rating of the part itself: the original excuses nothing.
    Rating,
    /// A derating of the company's own from a rating of the part, by the key that states it: the original excuses nothing.
    House(&'static str),
}

/// What a value is held against.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Yardstick {
    /// A limit.
    Limit(Limit),
    /// Met from a limit on, missed only from a worse value on; open between the two.
    Graded {
        /// Met inside it.
        met: Limit,
        /// Missed past it.
        missed: f64,
    },
    /// Nobody states a limit: the most of any of these quantities that the original shows stands in. A part that is no worse is as
    /// good as this says, one beyond it is open. Of a rating, which the original may exceed, it says open: a missing rating shows no more
    /// than that a part is no worse. What the original takes of the room on the board it has for sure: met.
    Original(State),
    /// It must happen at all: any value will do.
    Happens,
}

impl Yardstick {
    /// The limit inside which a value is met, where there is one.
    pub fn limit(&self) -> Option<Limit> {
        match self {
            Yardstick::Limit(limit) | Yardstick::Graded { met: limit, .. } => Some(*limit),
            Yardstick::Original(_) | Yardstick::Happens => None,
        }
    }
}

/// Difference from the original that still counts as no worse.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Allowance {
    /// In the unit of the quantity.
    Fixed(f64),
    /// Share of the limit.
    OfLimit(f64),
}

/// A temperature: what a thermocouple tells apart (common practice).
const KELVINS: Allowance = Allowance::Fixed(3.0);
/// A phase margin in degrees (common practice).
const DEGREES: Allowance = Allowance::Fixed(2.0);
/// A gain margin in dB (common practice).
const DECIBELS: Allowance = Allowance::Fixed(1.0);
/// An efficiency as a difference of fractions (common practice).
const POINTS: Allowance = Allowance::Fixed(0.002);
/// Ripple and deviations (common practice).
const DEVIATION: Allowance = Allowance::OfLimit(0.05);
/// Times (common practice).
const TIME: Allowance = Allowance::OfLimit(0.10);
/// Everything else that is computed (common practice).
const OTHER: Allowance = Allowance::OfLimit(0.02);
/// Counts, data and events.
const NONE: Allowance = Allowance::Fixed(0.0);

/// A requirement on some quantities.
#[derive(Debug)]
pub struct Requirement {
    /// Identifier in the record.
    pub id: &'static str,
    /// Quantities that must meet it, wherever they occur.
    pub quantities: &'static [&'static str],
    /// Who asks.
    pub basis: Basis,
    /// What they are held against; `None` where it is not asked on this board.
    pub yardstick: fn(&Case, &Inductor) -> Option<Yardstick>,
    /// Default allowance against the original.
    pub allowance: Allowance,
    /// Whether its quantities are one check, which the worst of them decides.
    pub as_one: bool,
    /// Where every load step and profile is a check of its own: the limit that a named one has in place of the yardstick.
    pub of_load: Option<fn(&NamedLoad) -> Option<f64>>,
}

/// What comes before cycles that alternate: asked where they are alike, and what is printed leaves open whether they stay so.
pub(super) static BEFORE_ALTERNATION: Requirement =
    of(Basis::Always, "cycles_alike", &["slope_margin"], |_, _| least(1.0), OTHER);

/// Every requirement, those first whose failure explains others.
pub static REQUIREMENTS: &[Requirement] = &[
    of(Basis::Always, "regulation", &["regulation_error"], |case, _| regulated(case), DEVIATION),
    of(Basis::Always, "cycles_alike", &["periods"], |_, _| most(1.0), NONE),
    of(Basis::Always, "thermal_balance", &["winding_temperature"], |_, _| Some(Yardstick::Happens), NONE),
    of(
        Basis::Rating,
        "winding_rating",
        &["winding_temperature"],
        |_, part| part.max_temperature_degc.and_then(most),
        KELVINS,
    ),
    of(
        Basis::Board,
        "winding_temperature",
        &["winding_temperature"],
        |case, _| case.limits.winding_degc.and_then(most),
        KELVINS,
    ),
    of(Basis::Rating, "ageing", &["winding_temperature"], |_, part| ageing(part), KELVINS),
    of(
        Basis::Always,
        "limit_not_acting",
        &["limited_cycles"],
        |case, _| has_limit(case).then(|| most(0.0)).flatten(),
        NONE,
    ),
    Requirement {
        as_one: true,
        ..of(Basis::Always, "below_limit", &["peak_current", "input_step_peak"], |case, _| lowest_peak(case), OTHER)
    },
    Requirement { as_one: true, ..of(Basis::Always, "pulse_rating", PEAKS, |case, _| Some(pulse_rating(case)), OTHER) },
    of(
        Basis::Board,
        "ripple",
        &["ripple_20mhz", "light_ripple"],
        |case, _| case.limits.ripple_v.and_then(most),
        DEVIATION,
    ),
    Requirement {
        of_load: Some(|load| load.deviation_v),
        ..of(
            Basis::Board,
            "step_deviation",
            &["dip", "rise"],
            |case, _| case.limits.step_deviation_v.and_then(most),
            DEVIATION,
        )
    },
    Requirement {
        of_load: Some(|load| load.recovery_s),
        ..of(Basis::Board, "settling", &["recovery"], |case, _| case.limits.recovery_s.and_then(most), TIME)
    },
    // The total band is what everything behind the board is made for: no load has another one.
    Requirement {
        of_load: Some(|_| None),
        ..of(
            Basis::Board,
            "output_band",
            &["output_deviation"],
            |case, _| in_volt(case, case.limits.output_band),
            DEVIATION,
        )
    },
    of(
        Basis::Board,
        "line_step",
        &["input_step_deviation"],
        |case, _| case.limits.input_step_v.and_then(most),
        DEVIATION,
    ),
    of(Basis::Always, "dropout_return", &["dropout_settling"], |_, _| Some(Yardstick::Happens), NONE),
    of(
        Basis::Board,
        "dropout_overshoot",
        &["dropout_overshoot"],
        |case, _| in_volt(case, case.limits.dropout_overshoot.or(case.limits.output_band)),
        DEVIATION,
    ),
    of(Basis::Always, "starts", &["start_time"], |_, _| Some(Yardstick::Happens), NONE),
    of(Basis::Board, "start_time", &["start_time"], |case, _| case.limits.start_s.and_then(most), TIME),
    of(
        Basis::Board,
        "start_overshoot",
        &["start_overshoot"],
        |case, _| in_volt(case, case.limits.start_overshoot),
        DEVIATION,
    ),
    of(Basis::Always, "delivers_full_load", &["trip_lowest"], |case, _| lowest_trip(case), OTHER),
    of(Basis::Board, "trip_highest", &["trip_highest"], |case, _| case.limits.trip_a.1.and_then(most), OTHER),
    of(
        Basis::Board,
        "phase_margin",
        &["phase_margin"],
        |case, _| case.limits.phase_margin_deg.and_then(least),
        DEGREES,
    ),
    of(Basis::Board, "gain_margin", &["gain_margin"], |case, _| case.limits.gain_margin_db.and_then(least), DECIBELS),
    of(Basis::Board, "efficiency", &["efficiency"], |case, _| case.limits.efficiency.and_then(least), POINTS),
    of(Basis::Board, "input_ripple_rating", &["input_ripple_use"], |_, _| most(1.0), OTHER),
    of(
        Basis::Always,
        "input_ripple_current",
        &["input_ripple_current"],
        |case, _| unrated(&case.board.input_bank),
        OTHER,
    ),
    of(Basis::Board, "output_ripple_rating", &["output_ripple_use"], |_, _| most(1.0), OTHER),
    of(
        Basis::Always,
        "output_ripple_current",
        &["output_ripple_current"],
        |case, _| unrated(&case.board.output_bank),
        OTHER,
    ),
    of(
        Basis::Rating,
        "working_voltage",
        &["working_voltage"],
        |case, _| least(RINGING * case.board.highest_input_v()),
        NONE,
    ),
    of(Basis::Rating, "self_resonance", &["self_resonance"], |case, _| resonance(case), NONE),
    of(Basis::Rating, "body", &["body_length"], |case, _| room(case, |room| room.length_m), NONE),
    of(Basis::Rating, "body_across", &["body_width"], |case, _| room(case, |room| room.width_m), NONE),
    of(Basis::Rating, "body_height", &["body_height"], |case, _| room(case, |room| room.height_m), NONE),
    of(Basis::Rating, "toe_fillet", &["toe_fillet"], |case, part| fillet(case, part, |goals| goals.toe_m), NONE),
    of(Basis::Rating, "heel_fillet", &["heel_fillet"], |case, part| fillet(case, part, |goals| goals.heel_m), NONE),
    of(Basis::Rating, "side_fillet", &["side_fillet"], |case, part| fillet(case, part, |goals| goals.side_m), NONE),
    of(Basis::Rating, "grade", &["grade"], |case, _| grade(case), NONE),
    of(Basis::Rating, "shield", &["shield"], |case, _| met_from(case.least_shield()), NONE),
    of(Basis::Rating, "start_mark", &["start_mark"], |case, _| met_from(case.least_mark()), NONE),
    house("inductance_left", "house_inductance_left", &["limit_share", "short_share"], OTHER, |case, _| {
        case.rules.as_ref()?.inductance_left.and_then(least)
    }),
    house("inductance_left", "house_inductance_at_peak", &["inductance_at_peak"], OTHER, |case, part| {
        least(case.rules.as_ref()?.inductance_left? * part.inductance_h)
    }),
    house("saturation_share", "house_saturation", &["saturation_use"], OTHER, |case, _| {
        case.rules.as_ref()?.saturation_share.and_then(most)
    }),
    house("heating_share", "house_heating", &["heating_use"], OTHER, |case, _| {
        case.rules.as_ref()?.heating_share.and_then(most)
    }),
    house("winding_margin", "house_winding", &["winding_temperature"], KELVINS, |case, part| {
        most(part.max_temperature_degc? - case.rules.as_ref()?.winding_margin_k?)
    }),
    house("resonance_ratio", "house_resonance", &["self_resonance"], NONE, |case, _| {
        least(case.rules.as_ref()?.resonance_ratio? * case.board.frequency_hz)
    }),
    house("voltage_share", "house_voltage", &["working_voltage"], NONE, |case, _| {
        least(case.board.highest_input_v() / case.rules.as_ref()?.voltage_share?)
    }),
    of(Basis::Rating, "pads", &["terminal_on_pad"], |case, _| Some(pads(case)), NONE),
];

/// Currents that the switches must bear.
const PEAKS: &[&str] =
    &["peak_current", "input_step_peak", "dropout_peak", "start_peak", "overload_peak", "short_peak", "limit_current"];

/// What no rule asks of a quantity and the trade keeps to: less of it is a change to accept where the original has more.
pub fn customary(case: &Case, part: &Inductor, quantity: &str) -> Option<Limit> {
    let ruled = case.rules.as_ref().is_some_and(|rules| rules.inductance_left.is_some());
    let (hard, soft) = USUALLY_LEFT;
    let value = if part.core == CoreFamily::Ferrite { hard } else { soft };
    let left = matches!(quantity, "limit_share" | "short_share");
    (left && !ruled).then_some(Limit { value, side: Side::AtLeast, stated: false })
}

type Asked = fn(&Case, &Inductor) -> Option<Yardstick>;

const fn of(
    basis: Basis,
    id: &'static str,
    quantities: &'static [&'static str],
    yardstick: Asked,
    allowance: Allowance,
) -> Requirement {
    Requirement { id, quantities, basis, yardstick, allowance, as_one: false, of_load: None }
}

/// A house rule, by the key that states it.
const fn house(
    key: &'static str,
    id: &'static str,
    quantities: &'static [&'static str],
    allowance: Allowance,
    yardstick: Asked,
) -> Requirement {
    of(Basis::House(key), id, quantities, yardstick, allowance)
}

fn limit(value: f64, side: Side) -> Option<Yardstick> {
    Some(Yardstick::Limit(Limit { value, side, stated: true }))
}

fn most(value: f64) -> Option<Yardstick> {
    limit(value, Side::AtMost)
}

fn least(value: f64) -> Option<Yardstick> {
    limit(value, Side::AtLeast)
}

/// A share of the output voltage.
fn in_volt(case: &Case, share: Option<f64>) -> Option<Yardstick> {
    most(share? * case.board.output_v)
}

fn regulated(case: &Case) -> Option<Yardstick> {
    most(case.limits.output_band.unwrap_or(REGULATED) * case.board.output_v)
}

fn has_limit(case: &Case) -> bool {
    case.board.control.protection.current_limit.is_some()
}

/// The lowest threshold of a limit of the peak current; where nobody says whether there is a limit the original's current stands in.
fn lowest_peak(case: &Case) -> Option<Yardstick> {
    let protection = &case.board.control.protection;
    match protection.current_limit {
        None if protection.is_unlimited => None,
        None => Some(Yardstick::Original(State::Open)),
        Some(_) => protection.lowest_peak_a().and_then(most),
    }
}

fn pulse_rating(case: &Case) -> Yardstick {
    let stated = case.board.stage.pulse_rating_a.and_then(most);
    stated.unwrap_or(Yardstick::Original(State::Open))
}

/// Ripple current of capacitors whose rating nobody states: the original's stands in.
fn unrated(bank: &[CapacitorBranch]) -> Option<Yardstick> {
    bank.iter().any(|branch| branch.ripple_rating_a.is_none()).then_some(Yardstick::Original(State::Open))
}

/// Room for the body; where the board states none, what fits it now stands in, and a larger body is open.
fn room(case: &Case, pick: fn(&Body) -> f64) -> Option<Yardstick> {
    case.board.keep_out.map_or(Some(Yardstick::Original(State::Met)), |room| most(pick(&room)))
}

/// Terminals on their pads; where the board states no land, the terminals that fit it now stand in, and less is open.
fn pads(case: &Case) -> Yardstick {
    let met = Limit { value: LEAST_TERMINAL_ON_PAD, side: Side::AtLeast, stated: true };
    match case.board.land {
        Some(_) => Yardstick::Limit(met),
        None => Yardstick::Graded { met, missed: f64::NEG_INFINITY },
    }
}

/// A fillet: met where it keeps its goal with all tolerances against it, missed where it does not with all of them for it.
fn fillet(case: &Case, part: &Inductor, goal: fn(&FilletGoals) -> f64) -> Option<Yardstick> {
    let goals = case.board.fillets.filter(|_| case.board.land.is_some())?;
    let (goal_m, spread_m) = (goal(&goals), goals.spread_m(part));
    let met = Limit { value: goal_m + spread_m, side: Side::AtLeast, stated: true };
    Some(Yardstick::Graded { met, missed: goal_m - spread_m })
}

/// The grade that the board asks for, or the original has. Where nobody says which only the highest is met for sure, and nothing is missed.
fn grade(case: &Case) -> Option<Yardstick> {
    let asked = case.least_grade();
    if case.knows_least_grade() { asked.and_then(least) } else { met_from(asked) }
}

/// Met where it is as good as the original; what is less than that needs a look at the board: open.
fn met_from(original: Option<f64>) -> Option<Yardstick> {
    let met = Limit { value: original?, side: Side::AtLeast, stated: true };
    Some(Yardstick::Graded { met, missed: f64::NEG_INFINITY })
}

/// The binder of pressed iron powder ages when hot, and its losses grow for good. Up to what temperature it does not is the maker's to say;
/// without a word it is open above the customary one.
fn ageing(part: &Inductor) -> Option<Yardstick> {
    let met = Limit { value: AGES_ABOVE_DEGC, side: Side::AtMost, stated: false };
    match (part.core, part.class.no_ageing_degc) {
        (CoreFamily::IronPowder, Some(stated_degc)) => most(stated_degc),
        (CoreFamily::IronPowder, None) => Some(Yardstick::Graded { met, missed: f64::INFINITY }),
        _ => None,
    }
}

/// A board that gives way below its full load does not deliver it.
fn lowest_trip(case: &Case) -> Option<Yardstick> {
    least(case.limits.trip_a.0.unwrap_or(case.board.full_load_a()))
}

fn resonance(case: &Case) -> Option<Yardstick> {
    let multiple = |times: f64| times * case.board.frequency_hz;
    let met = Limit { value: multiple(RESONANCE.0), side: Side::AtLeast, stated: false };
    Some(Yardstick::Graded { met, missed: multiple(RESONANCE.1) })
}

/// Whether every load step and profile is a check of its own for a quantity.
pub fn is_of_load(quantity: &str) -> bool {
    REQUIREMENTS.iter().any(|asked| asked.of_load.is_some() && asked.quantities.contains(&quantity))
}

impl Requirement {
    /// What the quantities of a part are held against at a load step or profile; `None` where it is not asked. A named load may have a
    /// limit of its own.
    pub fn at_load(&self, case: &Case, part: &Inductor, load: usize) -> Option<Yardstick> {
        let own = self.of_load.zip(case.board.named(load)).and_then(|(own, named)| own(named));
        own.and_then(most).or_else(|| (self.yardstick)(case, part))
    }

    /// Which of its checks a place belongs to: the number of the load where each is one of its own.
    pub fn check_of(&self, place: &Place) -> usize {
        if self.of_load.is_some() { place.load } else { 0 }
    }

    /// Whether a part is judged alone.
    pub fn is_alone(&self) -> bool {
        matches!(self.basis, Basis::Rating | Basis::House(_))
    }

    /// The key of the house rule that it is.
    pub fn house_key(&self) -> Option<&'static str> {
        if let Basis::House(key) = self.basis { Some(key) } else { None }
    }
}

impl Allowance {
    /// In the unit of a quantity, for a limit.
    pub fn at(self, limit: f64) -> f64 {
        match self {
            Allowance::Fixed(size) => size,
            Allowance::OfLimit(share) => share * limit.abs(),
        }
    }
}
