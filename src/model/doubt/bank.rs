//! Doubts about capacitors. Values are those of a whole branch, its equal capacitors combined.

use super::{Acts, Datum, For, Place, Present, Rule, SHEETS};
use crate::model::board::Board;
use crate::model::parts::{CapacitorBranch, CapacitorKind};
use crate::units::Dimension::{self, *};

/// A branch of the bank of a rule.
pub(super) fn branch(place: Place, board: &Board, branch: usize) -> Option<&CapacitorBranch> {
    match place {
        Place::OutputBank => board.output_bank.get(branch),
        Place::InputBank => board.input_bank.get(branch),
        Place::Board | Place::Part => None,
    }
}

fn read(bank: &[CapacitorBranch], branch: usize, datum: fn(&CapacitorBranch) -> f64) -> Present {
    bank.get(branch).map_or(Present::NotHere, |branch| Present::Value(datum(branch)))
}

/// Sets the capacitance; the share of it that is left at the end of life is another datum.
fn set_capacitance(bank: &mut [CapacitorBranch], branch: usize, capacitance_f: f64) {
    if let Some(branch) = bank.get_mut(branch) {
        branch.aged_capacitance_f *= capacitance_f / branch.capacitance_f;
        branch.capacitance_f = capacitance_f;
    }
}

fn set_aged(bank: &mut [CapacitorBranch], branch: usize, share: f64) {
    if let Some(branch) = bank.get_mut(branch) {
        branch.aged_capacitance_f = share * branch.capacitance_f;
    }
}

/// What the cold does to the series resistance matters only where the board works in the cold.
fn read_cold(board: &Board, branch: Option<&CapacitorBranch>) -> Present {
    match branch.filter(|_| board.coldest_degc.is_some()) {
        Some(branch) => branch.stated_cold_esr.map_or(Present::Missing, Present::Value),
        None => Present::NotHere,
    }
}

fn set_cold(branch: Option<&mut CapacitorBranch>, ratio: f64) {
    if let Some(branch) = branch {
        branch.stated_cold_esr = Some(ratio);
    }
}

const ASK_BIAS: &str = "read the maker's curve of capacitance against bias";
const ASK_LIFE: &str = "look in the data sheet under endurance or ageing";
const ASK_IMPEDANCE: &str = "read the maker's curve of impedance against frequency, or measure one";

/// The rows of one bank: of each kind of capacitor (ceramic, polymer, electrolytic) what differs between them.
macro_rules! rows {
    ($place:expr, $bank:ident, $keys:literal, $acts:expr) => {{
        const fn of(key: &'static str, label: &'static str, unit: Dimension, datum: Datum) -> Rule {
            Rule::new(key, label, unit, $place, datum).acts($acts).source(SHEETS)
        }
        const AGED: Rule = of(
            concat!($keys, "aged_capacitance"),
            "share of the capacitance that is left at the end of life",
            Ratio,
            Datum::Own {
                read: |b, _, i| read(&b.$bank, i, |branch| branch.aged_capacitance_f / branch.capacitance_f),
                set: |b, _, i, share| set_aged(&mut b.$bank, i, share),
            },
        )
        .within(0.05)
        .ask(ASK_LIFE);
        const ESR: Rule = of(
            concat!($keys, "esr"),
            "series resistance of the branch",
            Resistance,
            Datum::Slot(|b, _, i| b.$bank.get_mut(i).map(|branch| &mut branch.esr_ohm)),
        )
        .within(0.3)
        .times("one over the number in parallel", |b, _, i| b.$bank.get(i).map_or(1.0, |branch| 1.0 / branch.count))
        .ask(ASK_IMPEDANCE);
        const ESL: Rule = of(
            concat!($keys, "esl"),
            "series inductance of the branch",
            Inductance,
            Datum::Slot(|b, _, i| b.$bank.get_mut(i).map(|branch| &mut branch.esl_h)),
        )
        .within(0.3)
        .times("one over the number in parallel", |b, _, i| b.$bank.get(i).map_or(1.0, |branch| 1.0 / branch.count))
        .ask(ASK_IMPEDANCE);
        &[
            of(
                concat!($keys, "capacitance"),
                "effective capacitance of the branch at its bias",
                Capacitance,
                Datum::Own {
                    read: |b, _, i| read(&b.$bank, i, |branch| branch.capacitance_f),
                    set: |b, _, i, value| set_capacitance(&mut b.$bank, i, value),
                },
            )
            .within(0.1)
            .ask(ASK_BIAS),
            of(
                concat!($keys, "tolerance"),
                "tolerance of the effective capacitance",
                Fraction,
                Datum::Slot(|b, _, i| b.$bank.get_mut(i).map(|branch| &mut branch.tolerance)),
            )
            .absent(0.2, 0.2, 0.2),
            AGED.only(CERAMIC).absent(0.87, 0.80, 0.95),
            AGED.only(POLYMER).absent(0.85, 0.70, 1.0),
            AGED.only(ELECTROLYTIC).absent(0.75, 0.60, 0.90),
            ESR.only(CERAMIC).absent(3e-3, 1e-3, 6e-3),
            ESR.only(POLYMER).absent(15e-3, 5e-3, 40e-3),
            ESR.only(ELECTROLYTIC).absent(0.15, 20e-3, 0.4),
            of(
                concat!($keys, "esr_cold"),
                "series resistance at -20 degC over that at 20 degC",
                Ratio,
                Datum::Own {
                    read: |b, _, i| read_cold(b, b.$bank.get(i)),
                    set: |b, _, i, ratio| set_cold(b.$bank.get_mut(i), ratio),
                },
            )
            .within(0.3)
            .only(ELECTROLYTIC)
            .absent(5.0, 3.0, 10.0)
            .ask(ASK_IMPEDANCE),
            ESL.only(CERAMIC).absent(0.5e-9, 0.3e-9, 1e-9),
            ESL.only(POLYMER).absent(3e-9, 1.5e-9, 5e-9),
            ESL.only(ELECTROLYTIC).absent(12e-9, 8e-9, 20e-9),
        ]
    }};
}

const CERAMIC: For = For::Capacitor(CapacitorKind::Ceramic);
const POLYMER: For = For::Capacitor(CapacitorKind::Polymer);
const ELECTROLYTIC: For = For::Capacitor(CapacitorKind::Electrolytic);

/// The rows of the output bank.
pub static OUTPUT: &[Rule] = rows!(Place::OutputBank, output_bank, "output.capacitors.", Acts::Waveform);
/// The rows of the input bank, of which ripple current and loss are calculated.
pub static INPUT: &[Rule] = rows!(Place::InputBank, input_bank, "input.capacitors.", Acts::Supply);
