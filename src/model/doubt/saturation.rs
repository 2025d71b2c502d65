//! Doubts about the saturation of a part, and the curves that are estimated where none is printed.

use super::{Datum, For, PRACTICE, Place, Present, Rule, SHEETS, Typical};
use crate::model::board::Board;
use crate::model::parts::{CoreFamily, Inductor, SaturationBasis, SaturationCurve, SaturationRating};
use crate::units::Dimension::{self, *};

/// Temperature in degrees Celsius of a cold curve where none is stated, and of a hot one.
const COLD_DEGC: f64 = 25.0;
const HOT_DEGC: f64 = 100.0;
/// A curve at this temperature or above says how a part saturates hot.
const SAYS_HOT_DEGC: f64 = 80.0;
/// Temperatures of the curves that are laid out where no hot one is printed: currents are linear in temperature between 25 and 150 C.
const LAID_OUT_DEGC: [f64; 4] = [62.5, HOT_DEGC, 125.0, 150.0];
/// Least factor on the currents of a curve, however hot.
const LEAST_CURRENTS: f64 = 0.1;

const fn row(key: &'static str, label: &'static str, unit: Dimension, datum: Datum) -> Rule {
    Rule::new(key, label, unit, Place::Part, datum)
}

const fn hot(core: CoreFamily, shown: f64, low: f64, high: f64) -> Rule {
    row(
        HOT,
        "factor on the currents of the saturation curve at 100 degC",
        Ratio,
        Datum::Own { read: read_hot, set: set_hot },
    )
    .only(For::Core(core))
    .absent(shown, low, high)
    .source(SHEETS)
    .ask(ASK_HOT)
}

/// Key under which a missing hot curve is listed.
pub const HOT: &str = "hot_saturation_current";
const ASK_HOT: &str = "ask the maker for the saturation curve at 100 degC";
const ASK_CURVE: &str = "ask the maker for the saturation curve";

/// The rows.
#[rustfmt::skip] // one row a paragraph, as a table
pub static RULES: &[Rule] = &[
    row("saturation_knee", "knee of the saturation: 0 soft, 1 hard", Number, Datum::Own { read: read_knee, set: set_knee })
        .only(For::Core(CoreFamily::Ferrite)).absent(1.0, 0.0, 1.0).source(PRACTICE).ask(ASK_CURVE),
    row("saturation_knee", "knee of the saturation: 0 soft, 1 hard", Number, Datum::Own { read: read_knee, set: set_knee })
        .only(For::Powder).absent(0.0, 0.0, 1.0).source(PRACTICE).ask(ASK_CURVE),
    row("saturation", "factor on the inductance of an estimated curve at its rated current", Ratio, Datum::Own { read: read_estimate, set: set_estimate })
        .factor(cold_current_a).typical(Typical::Ends(0.9, 1.1)).source(PRACTICE).ask(ASK_CURVE),
    row("saturation", "factor on the inductance of the curve", Ratio, Datum::Own { read: read_ordinate, set: set_ordinate })
        .factor(|part| part.inductance_h).typical(Typical::Standard(0.03)).source(SHEETS).ask(ASK_CURVE),
    row("saturation", CURRENTS, Ratio, Datum::Own { read: read_currents, set: set_currents })
        .factor(cold_current_a).typical(Typical::Ends(0.9, 1.1)).source(SHEETS).ask("ask the maker for a guaranteed saturation current"),
    hot(CoreFamily::Ferrite, 0.73, 0.58, 0.87),
    hot(CoreFamily::Composite, 0.975, 0.92, 1.03),
    hot(CoreFamily::IronPowder, 0.94, 0.88, 1.00),
    row(HOT, "inductance without current at 100 degC over that at 25 degC", Ratio, Datum::Own { read: read_warm, set: set_warm })
        .only(For::Core(CoreFamily::Ferrite)).absent(1.0, 0.95, 1.08).source(SHEETS).ask(ASK_HOT),
    row(HOT, "inductance without current at 100 degC over that at 25 degC", Ratio, Datum::Own { read: read_warm, set: set_warm })
        .only(For::Powder).absent(1.0, 0.95, 1.05).source(SHEETS).ask(ASK_HOT),
];

/// The curve nearest to 25 C.
fn cold(part: &Inductor) -> Option<&SaturationCurve> {
    let off = |curve: &&SaturationCurve| (curve.temperature_degc - COLD_DEGC).abs();
    part.saturation.iter().min_by(|a, b| off(a).total_cmp(&off(b)))
}

/// The first curve that says how the part saturates hot, beside a cold one.
fn hot_curve(part: &Inductor) -> Option<&SaturationCurve> {
    let cold_degc = cold(part)?.temperature_degc;
    part.saturation.iter().find(|curve| curve.temperature_degc >= SAYS_HOT_DEGC && curve.temperature_degc > cold_degc)
}

/// Whether a curve falls at all.
fn falls(part: &Inductor) -> bool {
    part.saturation_basis != SaturationBasis::Nothing && cold(part).is_some_and(|curve| curve.points.len() > 1)
}

/// Whether a part says nothing of how it saturates hot.
pub(crate) fn lacks_hot(part: &Inductor) -> bool {
    falls(part) && hot_curve(part).is_none() && cold(part).is_some_and(|curve| curve.temperature_degc < SAYS_HOT_DEGC)
}

/// Current in A at which a curve has fallen by a share; its last one where it does not fall so far.
fn at_drop_a(curve: &SaturationCurve, drop: f64) -> f64 {
    let wanted_h = curve.points[0].1 * (1.0 - drop);
    let crossing = curve.points.windows(2).find(|pair| pair[1].1 <= wanted_h);
    let between =
        |pair: &[(f64, f64)]| pair[0].0 + (pair[1].0 - pair[0].0) * (pair[0].1 - wanted_h) / (pair[0].1 - pair[1].1);
    crossing.map_or(curve.points[curve.points.len() - 1].0, between)
}

/// Drop at which curves of two temperatures are compared.
const COMPARED_DROP: f64 = 0.3;

/// Current in A at which the cold curve has fallen by 30 %.
fn cold_current_a(part: &Inductor) -> f64 {
    cold(part).map_or(f64::NAN, |curve| at_drop_a(curve, COMPARED_DROP))
}

/// Key of the rated current, and what the doubt about the currents of a curve is called.
pub(super) const RATED: &str = "saturation_current";
pub(super) const CURRENTS: &str = "factor on the currents of the curve";

/// The rated current over that at which the cold curve has fallen as far; 1 without a rating.
pub(super) fn rated_share(part: &Inductor) -> f64 {
    let share = |rating: &SaturationRating| Some(rating.current_a / at_drop_a(cold(part)?, rating.drop));
    part.saturation_ratings.first().and_then(share).unwrap_or(1.0)
}

/// A number of 1 at the cold curve and `at_hot` at 100 C, in a line, at a temperature.
fn in_line(part: &Inductor, at_hot: f64, temperature_degc: f64) -> f64 {
    let cold_degc = cold(part).map_or(COLD_DEGC, |curve| curve.temperature_degc);
    (1.0 + (at_hot - 1.0) * (temperature_degc - cold_degc) / (HOT_DEGC - cold_degc)).max(LEAST_CURRENTS)
}

/// The number at 100 C that makes `in_line` a value at a temperature.
fn at_hot(part: &Inductor, value: f64, temperature_degc: f64) -> f64 {
    let cold_degc = cold(part).map_or(COLD_DEGC, |curve| curve.temperature_degc);
    1.0 + (value - 1.0) * (HOT_DEGC - cold_degc) / (temperature_degc - cold_degc)
}

fn read_hot(_: &Board, part: &Inductor, _: usize) -> Present {
    match (cold(part), hot_curve(part)) {
        _ if !falls(part) => Present::NotHere,
        (Some(cold), Some(hot)) => {
            let ratio = at_drop_a(hot, COMPARED_DROP) / at_drop_a(cold, COMPARED_DROP);
            Present::Value(at_hot(part, ratio, hot.temperature_degc))
        }
        _ if lacks_hot(part) => Present::Missing,
        _ => Present::NotHere,
    }
}

/// Sets how the currents of the curve change with temperature: curves hotter than the cold one are scaled, or laid out from it.
fn set_hot(board: &mut Board, part: &mut Inductor, _: usize, value: f64) {
    if lacks_hot(part) {
        lay_out(part);
    }
    let Present::Value(now) = read_hot(board, part, 0) else { return };
    let factors: Vec<f64> = of_hotter(part, |part, degc| in_line(part, value, degc) / in_line(part, now, degc));
    for (curve, factor) in part.saturation.iter_mut().zip(factors) {
        curve.points.iter_mut().for_each(|(current_a, _)| *current_a *= factor);
    }
}

/// Sets how the currents of the curve change with temperature, as a factor at 100 C.
#[cfg(feature = "shell")]
pub(crate) fn set_hot_currents(board: &mut Board, part: &mut Inductor, value: f64) {
    set_hot(board, part, 0, value);
}

/// A factor for every curve: 1 up to the cold one.
fn of_hotter(part: &Inductor, factor: impl Fn(&Inductor, f64) -> f64) -> Vec<f64> {
    let cold_degc = cold(part).map_or(COLD_DEGC, |curve| curve.temperature_degc);
    let of = |curve: &SaturationCurve| match curve.temperature_degc {
        degc if degc > cold_degc => factor(part, degc),
        _ => 1.0,
    };
    part.saturation.iter().map(of).collect()
}

/// Curves for hot cores that are the cold one.
fn lay_out(part: &mut Inductor) {
    let Some(cold) = cold(part).cloned() else { return };
    let hotter = LAID_OUT_DEGC.into_iter().filter(|degc| *degc > cold.temperature_degc + 1.0);
    part.saturation.extend(hotter.map(|temperature_degc| SaturationCurve { temperature_degc, ..cold.clone() }));
    part.saturation.sort_by(|a, b| a.temperature_degc.total_cmp(&b.temperature_degc));
}

fn read_warm(_: &Board, part: &Inductor, _: usize) -> Present {
    match (cold(part), hot_curve(part)) {
        _ if !falls(part) => Present::NotHere,
        (Some(cold), Some(hot)) => {
            Present::Value(at_hot(part, hot.points[0].1 / cold.points[0].1, hot.temperature_degc))
        }
        _ if lacks_hot(part) => Present::Missing,
        _ => Present::NotHere,
    }
}

fn set_warm(board: &mut Board, part: &mut Inductor, _: usize, value: f64) {
    if lacks_hot(part) {
        lay_out(part);
    }
    let Present::Value(now) = read_warm(board, part, 0) else { return };
    let factors: Vec<f64> = of_hotter(part, |part, degc| in_line(part, value, degc) / in_line(part, now, degc));
    for (curve, factor) in part.saturation.iter_mut().zip(factors) {
        curve.points.iter_mut().for_each(|(_, inductance_h)| *inductance_h *= factor);
    }
}

fn read_ordinate(_: &Board, part: &Inductor, _: usize) -> Present {
    let printed = falls(part) && part.saturation_basis == SaturationBasis::Curves;
    if printed { Present::Value(1.0) } else { Present::NotHere }
}

fn set_ordinate(_: &mut Board, part: &mut Inductor, _: usize, factor: f64) {
    part.saturation
        .iter_mut()
        .flat_map(|curve| &mut curve.points)
        .for_each(|(_, inductance_h)| *inductance_h *= factor);
}

fn read_currents(_: &Board, part: &Inductor, _: usize) -> Present {
    if falls(part) { Present::Value(1.0) } else { Present::NotHere }
}

/// Scales the currents of all curves and, where the curves rest on them, of the ratings.
fn set_currents(_: &mut Board, part: &mut Inductor, _: usize, factor: f64) {
    part.saturation.iter_mut().flat_map(|curve| &mut curve.points).for_each(|(current_a, _)| *current_a *= factor);
    if matches!(part.saturation_basis, SaturationBasis::Ratings { .. }) {
        part.saturation_ratings.iter_mut().for_each(|rating| rating.current_a *= factor);
    }
}

fn read_knee(_: &Board, part: &Inductor, _: usize) -> Present {
    match part.saturation_basis {
        SaturationBasis::Ratings { hard } => Present::Value(f64::from(u8::from(hard))),
        SaturationBasis::Curves | SaturationBasis::Nothing => Present::NotHere,
    }
}

/// Estimates the curves anew with another knee; what is said about hot cores stays.
fn set_knee(board: &mut Board, part: &mut Inductor, _: usize, value: f64) {
    if !matches!(part.saturation_basis, SaturationBasis::Ratings { .. }) {
        return;
    }
    let laid_out = part.saturation.len() > part.saturation_ratings.len();
    let (hot, warm) = (read_hot(board, part, 0), read_warm(board, part, 0));
    let hard = value >= 0.5;
    part.saturation_basis = SaturationBasis::Ratings { hard };
    part.saturation = estimated(&part.saturation_ratings, part.inductance_h, hard);
    if let (true, Present::Value(hot), Present::Value(warm)) = (laid_out, hot, warm) {
        set_hot(board, part, 0, hot);
        set_warm(board, part, 0, warm);
    }
}

fn read_estimate(_: &Board, part: &Inductor, _: usize) -> Present {
    match part.saturation_basis {
        SaturationBasis::Ratings { .. } if !part.saturation_ratings.is_empty() => Present::Value(1.0),
        _ => Present::NotHere,
    }
}

/// An estimated curve may be off by 10 % at the rated current and by two and a half times as much from one and a half times it on.
const BEYOND: (f64, f64) = (1.5, 2.5);

/// Bends estimated curves: the factor holds at the rated current, its excess over 1 is two and a half times as large well beyond.
fn set_estimate(_: &mut Board, part: &mut Inductor, _: usize, factor: f64) {
    let ratings = part.saturation_ratings.clone();
    for curve in &mut part.saturation {
        let off = |rating: &&SaturationRating| (rating.temperature_degc - curve.temperature_degc).abs();
        let Some(rating) = ratings.iter().min_by(|a, b| off(a).total_cmp(&off(b))) else { continue };
        let mut most_h = f64::INFINITY;
        for (current_a, inductance_h) in &mut curve.points {
            let bend = 1.0 + (factor - 1.0) * share_of_bend(*current_a / rating.current_a);
            // The inductance does not rise with current.
            *inductance_h = (*inductance_h * bend).min(most_h);
            most_h = *inductance_h;
        }
    }
}

/// Share of the doubt at a multiple of the rated current: none without current, 1 at the rated one, 2.5 well beyond.
fn share_of_bend(ratio: f64) -> f64 {
    let (end, most) = BEYOND;
    match ratio {
        ratio if ratio < 1.0 => ratio * ratio,
        ratio if ratio < end => 1.0 + (most - 1.0) * (ratio - 1.0) / (end - 1.0),
        _ => most,
    }
}

/// Number of points of an estimated curve.
const ESTIMATED_POINTS: usize = 25;
/// An estimated curve ends at this multiple of the rated current.
const ESTIMATED_END: f64 = 3.0;
/// What remains of the inductance of a gapped ferrite deep in saturation, as a part of the nominal value (common practice).
const HARD_FLOOR: f64 = 0.1;
/// Steepness of the hard knee; with 10 the drop is 4.6 % at four fifths of a current rated for 30 % (common practice).
const HARD_EXPONENT: i32 = 10;

/// Curves from ratings, one a rated temperature, temperature ascending: of a nominal inductance in H.
pub fn estimated(ratings: &[SaturationRating], nominal_h: f64, hard: bool) -> Vec<SaturationCurve> {
    let point = |rating: &SaturationRating, k: usize| {
        let ratio = ESTIMATED_END * k as f64 / (ESTIMATED_POINTS - 1) as f64;
        (ratio * rating.current_a, nominal_h * remaining(ratio, rating.drop, hard))
    };
    let curve = |rating: &SaturationRating| SaturationCurve {
        temperature_degc: rating.temperature_degc,
        points: (0..ESTIMATED_POINTS).map(|k| point(rating, k)).collect(),
    };
    let mut curves: Vec<SaturationCurve> = ratings.iter().map(curve).collect();
    curves.sort_by(|a, b| a.temperature_degc.total_cmp(&b.temperature_degc));
    curves
}

/// Inductance at `ratio` times the rated current as a part of L0; 1 - `drop` at ratio 1.
fn remaining(ratio: f64, drop: f64, hard: bool) -> f64 {
    if hard {
        let k = drop / (1.0 - HARD_FLOOR - drop);
        HARD_FLOOR + (1.0 - HARD_FLOOR) / (1.0 + k * ratio.powi(HARD_EXPONENT))
    } else {
        1.0 / (1.0 + drop / (1.0 - drop) * ratio * ratio)
    }
}
