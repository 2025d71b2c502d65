//! Doubts about an inductor's own data, saturation apart.

use super::{Acts, Datum, For, PRACTICE, Place, Present, Rule, SHEETS, Slot, Typical};
use crate::loss::copper::ac_ratio;
use crate::model::board::Board;
use crate::model::parts::{AcResistance, CoreFamily, CoreLoss, Inductor};
use crate::units::Dimension::{self, *};
use std::f64::consts::TAU;

const FERRITE: For = For::Core(CoreFamily::Ferrite);
const COMPOSITE: For = For::Core(CoreFamily::Composite);
const IRON_POWDER: For = For::Core(CoreFamily::IronPowder);

const fn row(key: &'static str, label: &'static str, unit: Dimension, datum: Datum) -> Rule {
    Rule::new(key, label, unit, Place::Part, datum)
}

const fn slot(key: &'static str, label: &'static str, unit: Dimension, slot: Slot) -> Rule {
    row(key, label, unit, Datum::Slot(slot))
}

/// Thermal resistance, of which the board has its share: a factor on what the part states.
const THERMAL: Datum = Datum::Own {
    read: |_, _, _| Present::Value(1.0),
    set: |_, part, _, factor| part.thermal_resistance_k_per_w *= factor,
};
const ASK_TEMPERATURE: &str = "read the temperature of the original on its board";
const ASK_LOSS: &str = "ask the maker for the core loss, or measure the input power of both parts";

/// The rows of a part that all parts share, as the board makes them.
pub static COMMON: &[Rule] =
    &[row("thermal_resistance", "factor on the thermal resistance that this board makes", Ratio, THERMAL)
        .common()
        .factor(|part| part.thermal_resistance_k_per_w)
        .absent(1.0, 0.8, 1.2)
        .within(0.20)
        .acts(Acts::Loss)
        .ask(ASK_TEMPERATURE)
        .source("a rating belongs to its maker's board; common practice and judgement")];

/// The rows of a part's own.
#[rustfmt::skip] // one row a paragraph, as a table
pub static RULES: &[Rule] = &[
    slot("tolerance", "tolerance of the inductance", Fraction, |_, p, _| Some(&mut p.tolerance))
        .absent(0.2, 0.15, 0.3).source(PRACTICE),
    slot("dcr_max", "largest winding resistance", Resistance, |_, p, _| Some(&mut p.dcr_max_ohm))
        .per("dcr_typical", |_, p, _| p.dcr_typical_ohm).absent(1.10, 1.05, 1.20).source(SHEETS),
    slot("dcr_typical", "typical winding resistance", Resistance, |_, p, _| Some(&mut p.dcr_typical_ohm))
        .per("dcr_max", |_, p, _| p.dcr_max_ohm).absent(1.0 / 1.10, 1.0 / 1.20, 1.0 / 1.03).source(SHEETS)
        .ask("measure the resistance of a few parts"),
    row("ac_resistance", "excess of the a.c. over the d.c. resistance, as a ratio, at its highest frequency", Ratio,
        Datum::Own { read: read_excess, set: set_excess })
        .times("root(f / 400 kHz)", |b, p, _| (ac_hz(b, p) / 400e3).sqrt()).absent(7.0, 0.0, 14.0).within(0.3)
        .acts(Acts::Loss).source(PRACTICE),
    core_loss(FERRITE, 0.022, 0.004, 0.040),
    core_loss(COMPOSITE, 0.0725, 0.02, 0.125),
    core_loss(IRON_POWDER, 0.145, 0.04, 0.25),
    row("steinmetz_k", "Steinmetz coefficient", PowerDensity, Datum::Own { read: read_steinmetz, set: set_steinmetz })
        .typical(Typical::Stated(|p| p.core_loss_tolerance)).acts(Acts::Loss).ask(ASK_LOSS),
    alpha(FERRITE).absent(1.45, 1.3, 1.6),
    alpha(For::Powder).absent(1.2, 1.1, 1.35),
    beta(FERRITE).absent(2.5, 2.3, 2.7),
    beta(For::Powder).absent(2.15, 2.0, 2.3),
    slot("thermal_resistance", "thermal resistance by the size of the body", ThermalResistance, |_, p, _| Some(&mut p.thermal_resistance_k_per_w))
        .per("61 K/W x (6.6 mm / root(length x width))^0.86", |_, p, _| by_size_k_per_w(p)).absent(1.0, 1.0, 1.0)
        .acts(Acts::Loss).ask(ASK_TEMPERATURE).source("fit to the parts of the demo boards"),
    row("thermal_resistance", "factor on the thermal resistance of the part", Ratio, THERMAL).factor(|part| part.thermal_resistance_k_per_w)
        .absent(1.0, 0.75, 4.0 / 3.0).within(0.22).acts(Acts::Loss).ask(ASK_TEMPERATURE)
        .source("a rating belongs to its maker's board; common practice and judgement"),
    row("max_temperature", "highest temperature with own heating", Temperature, Datum::Option(|_, p, _| &mut p.max_temperature_degc))
        .absent(125.0, 125.0, 155.0).acts(Acts::Rating).source(SHEETS),
    working_voltage(FERRITE).absent(50.0, 50.0, 120.0),
    working_voltage(For::Powder).absent(20.0, 20.0, 60.0),
    row("self_resonance", "self-resonance", Frequency, Datum::Option(|_, p, _| &mut p.self_resonance_hz))
        .times("1 / root(L / 1 uH)", |_, p, _| 1.0 / (p.inductance_h / 1e-6).sqrt()).absent(60e6, 25e6, 110e6).within(0.2)
        .acts(Acts::Rating).source(SHEETS).ask("ask the maker, or measure the impedance of one"),
];

const fn core_loss(core: For, shown: f64, low: f64, high: f64) -> Rule {
    row("core_loss", "core loss at its reference point", Power, Datum::Own { read: read_loss, set: set_loss })
        .only(core)
        .per("omega x (1/2) L (swing / 2)^2", stored_w)
        .absent(shown, low, high)
        .typical(Typical::Stated(|part| part.core_loss_tolerance))
        .acts(Acts::Loss)
        .ask(ASK_LOSS)
        .source("quality factor of 25 to 250 (ferrite), 8 to 50 (composite), 4 to 25 (iron powder): derived, common practice")
}

const fn alpha(core: For) -> Rule {
    let datum = Datum::Own {
        read: |_, part, _| exponent(part, |pair| pair.0),
        set: |_, part, _, value| set_exponent(part, |pair| pair.0 = value),
    };
    row("core_loss_alpha", "exponent of the frequency in the core loss", Number, datum)
        .only(core)
        .typical(Typical::Width(0.05))
        .acts(Acts::Loss)
        .ask(ASK_LOSS)
        .source(SHEETS)
}

const fn beta(core: For) -> Rule {
    let datum = Datum::Own {
        read: |_, part, _| exponent(part, |pair| pair.1),
        set: |_, part, _, value| set_exponent(part, |pair| pair.1 = value),
    };
    row("core_loss_beta", "exponent of the swing in the core loss", Number, datum)
        .only(core)
        .typical(Typical::Width(0.1))
        .acts(Acts::Loss)
        .ask(ASK_LOSS)
        .source(SHEETS)
}

const fn working_voltage(core: For) -> Rule {
    row(
        "working_voltage",
        "rated voltage between the terminals",
        Voltage,
        Datum::Option(|_, part, _| &mut part.working_voltage_v),
    )
    .only(core)
    .acts(Acts::Rating)
    .source(SHEETS)
}

/// Thermal resistance in K/W by the size of the body; not a number without one. Derived: a fit to the demo parts, within 15 % of them.
fn by_size_k_per_w(part: &Inductor) -> f64 {
    let side_m = part.body.map_or(f64::NAN, |body| (body.length_m * body.width_m).sqrt());
    61.0 * (6.6e-3 / side_m).powf(0.86)
}

/// Highest frequency in Hz of the data on a.c. resistance; the switching frequency without data.
fn ac_hz(board: &Board, part: &Inductor) -> f64 {
    let points = part.ac_resistance.as_ref().and_then(|data| data.ratio_points.last());
    points.map_or(board.frequency_hz, |point| point.0)
}

fn read_excess(board: &Board, part: &Inductor, _: usize) -> Present {
    let excess = |data| Present::Value(ac_ratio(Some(data), ac_hz(board, part)) - 1.0);
    part.ac_resistance.as_ref().map_or(Present::Missing, excess)
}

/// Scales the excess of every point alike.
fn set_excess(board: &mut Board, part: &mut Inductor, _: usize, excess: f64) {
    let hz = ac_hz(board, part);
    let now = ac_ratio(part.ac_resistance.as_ref(), hz) - 1.0;
    match &mut part.ac_resistance {
        Some(data) if now > 0.0 => {
            data.ratio_points.iter_mut().for_each(|(_, ratio)| *ratio = 1.0 + (*ratio - 1.0) * excess / now)
        }
        data => *data = Some(AcResistance { ratio_points: vec![(hz, 1.0 + excess)] }),
    }
}

/// Frequency in Hz and swing in V s at which the core loss of a part is stated; of the ripple on this board at nominal input without data.
fn reference(board: &Board, part: &Inductor) -> (f64, f64) {
    match part.core_loss {
        Some(CoreLoss::VoltSeconds { frequency_hz, swing_wb, .. }) => (frequency_hz, swing_wb),
        _ => {
            let off = 1.0 - board.output_v / board.nominal_input_v;
            (board.frequency_hz, board.output_v * off / board.frequency_hz)
        }
    }
}

/// Equation: omega (1/2) L (swing / 2)^2 with the swing of the current, in W: the loss of a part of quality factor 1.
fn stored_w(board: &Board, part: &Inductor, _: usize) -> f64 {
    let (frequency_hz, swing_wb) = reference(board, part);
    TAU * frequency_hz * 0.5 * (0.5 * swing_wb).powi(2) / part.inductance_h
}

fn read_loss(_: &Board, part: &Inductor, _: usize) -> Present {
    match part.core_loss {
        None => Present::Missing,
        Some(CoreLoss::VoltSeconds { loss_w, .. }) => Present::Value(loss_w),
        Some(CoreLoss::Steinmetz { .. }) => Present::NotHere,
    }
}

/// Sets the loss at the reference point; without data, at the ripple of this board with customary exponents.
fn set_loss(board: &mut Board, part: &mut Inductor, _: usize, value: f64) {
    if let Some(CoreLoss::VoltSeconds { loss_w, .. }) = &mut part.core_loss {
        *loss_w = value;
    }
    if part.core_loss.is_none() {
        let (frequency_hz, swing_wb) = reference(board, part);
        let (alpha, beta) = if part.core == CoreFamily::Ferrite { (1.45, 2.5) } else { (1.2, 2.15) };
        part.core_loss = Some(CoreLoss::VoltSeconds { loss_w: value, frequency_hz, swing_wb, alpha, beta });
    }
}

fn read_steinmetz(_: &Board, part: &Inductor, _: usize) -> Present {
    match part.core_loss {
        Some(CoreLoss::Steinmetz { k_w_per_m3, .. }) => Present::Value(k_w_per_m3),
        _ => Present::NotHere,
    }
}

fn set_steinmetz(_: &mut Board, part: &mut Inductor, _: usize, value: f64) {
    if let Some(CoreLoss::Steinmetz { k_w_per_m3, .. }) = &mut part.core_loss {
        *k_w_per_m3 = value;
    }
}

/// An exponent of loss against volt-seconds. Those of Steinmetz's equation come with its coefficient, fitted together.
fn exponent(part: &Inductor, pick: fn((f64, f64)) -> f64) -> Present {
    match part.core_loss {
        Some(CoreLoss::VoltSeconds { alpha, beta, .. }) => Present::Value(pick((alpha, beta))),
        _ => Present::NotHere,
    }
}

fn set_exponent(part: &mut Inductor, set: impl FnOnce(&mut (f64, f64))) {
    if let Some(CoreLoss::VoltSeconds { alpha, beta, .. }) = &mut part.core_loss {
        let mut pair = (*alpha, *beta);
        set(&mut pair);
        (*alpha, *beta) = pair;
    }
}
