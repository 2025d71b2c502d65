//! What was typed and is possible, but not likely: one table. Nothing is corrected, and the outcome stays as it is computed.
//!
//! All ranges are common practice, wide enough for every converter that anybody would build so. Losses of a board as a whole come
//! from the simulation and are doubted in the record.

use super::source::Sources;
use super::walk::Values;
use crate::loss::copper::resistance_ohm;
use crate::parts::Inductor;
use crate::units::{Dimension, show};
use Dimension::*;
use std::collections::{HashMap, HashSet};

/// What may be wrong with a datum that passes every check.
pub struct Plausible {
    /// Identifier.
    pub id: &'static str,
    /// Key of the datum that is doubted.
    key: &'static str,
    whose: Whose,
    /// Unit of the datum.
    unit: Dimension,
    /// Number by which it is judged.
    value: fn(&Facts<'_>) -> Option<f64>,
    /// What that number is, and its unit.
    what: (&'static str, Dimension),
    /// Least and most of it that anybody would expect.
    usual: (f64, f64),
    /// Power with which it goes with the datum; 0 where a wrong prefix is no explanation.
    slip: f64,
    /// What it may mean where no prefix explains it.
    meaning: &'static str,
}

/// Where the datum stands.
#[derive(Clone, Copy, PartialEq)]
enum Whose {
    Board,
    Part,
    /// In each entry of this list of the board.
    Each(&'static str),
}

/// What a doubt can look at.
struct Facts<'a> {
    board: &'a Values,
    /// The part in question; for the board itself the original.
    part: &'a Values,
    /// Path of an entry of a list, with its dot.
    entry: String,
}

impl Facts<'_> {
    fn board(&self, key: &str) -> Option<f64> {
        self.board.number(key)
    }

    fn part(&self, key: &str) -> Option<f64> {
        self.part.number(key)
    }

    fn entry(&self, key: &str) -> Option<f64> {
        self.board.number(&format!("{}{key}", self.entry))
    }

    fn full_load_a(&self) -> Option<f64> {
        self.board.numbers("load.currents")?.last().copied()
    }

    /// Winding resistance in ohm: the typical one, else the largest.
    fn dcr_ohm(&self) -> Option<f64> {
        self.part("dcr_typical").or_else(|| self.part("dcr_max"))
    }

    /// Ripple current in A at the nominal input, with the ideal duty.
    fn ripple_a(&self) -> Option<f64> {
        let (input_v, output_v) = (self.board("input.nominal")?, self.board("output.voltage")?);
        let on_s = output_v / input_v / self.board("stage.frequency")?;
        Some((input_v - output_v) * on_s / self.part("inductance")?)
    }

    /// Capacitance in F of all output capacitors.
    fn output_f(&self) -> Option<f64> {
        let bank = "output.capacitors";
        let at = |i: usize, key: &str| self.board(&format!("{bank}[{i}].{key}"));
        let one = |i: usize| Some(at(i, "capacitance")? * at(i, "count").unwrap_or(1.0));
        (0..self.board.count(bank)).map(one).sum()
    }

    fn of_output(&self, key: &str) -> Option<f64> {
        Some(self.board(key)? / self.board("output.voltage")?)
    }

    /// Rise over that of the heating rating, at its current with the stated resistances.
    fn rise(&self) -> Option<f64> {
        let (current_a, rise_k) = (self.part("heating_current")?, self.part("heating_rise")?);
        let warm_ohm = resistance_ohm(self.dcr_ohm()?, 25.0 + rise_k);
        Some(current_a.powi(2) * warm_ohm * self.part("thermal_resistance")? / rise_k)
    }

    /// Capacitance in F that goes with the self-resonance.
    fn winding_f(&self) -> Option<f64> {
        let pulsation = std::f64::consts::TAU * self.part("self_resonance")?;
        Some(1.0 / (pulsation.powi(2) * self.part("inductance")?))
    }

    /// ESR x C of an entry that is of a kind, ceramic or not.
    fn time_constant_s(&self, ceramic: bool) -> Option<f64> {
        let word = |key: &str| self.board.text(&format!("{}{key}", self.entry)).unwrap_or("").to_lowercase();
        let is_ceramic = word("kind") == "ceramic" || (word("kind").is_empty() && word("name").contains("ceramic"));
        (is_ceramic == ceramic).then_some(self.entry("esr")? * self.entry("capacitance")?)
    }
}

/// A datum that is off by less than this factor has hardly a wrong prefix.
const A_SLIP: f64 = 8.0;
const NO_LIMIT: f64 = f64::INFINITY;
/// Terminals stand out of a body by this share of it at the most.
const STANDS_OUT: f64 = 1.1;
/// ESR x C in s above which a capacitor is no ceramic one: three times what the classification takes.
const CERAMIC_S: f64 = 3e-6;

/// Every doubt, those first that explain others.
#[rustfmt::skip] // one row a doubt, as a table
pub const PLAUSIBLE: &[Plausible] = &[
    Plausible { id: "load_step", key: "load.step.to", whose: Whose::Board, unit: Current, value: |f| Some(f.board("load.step.to")? / f.full_load_a()?), what: ("share of the full load", Fraction), usual: (0.02, 2.0), slip: 1.0, meaning: "a step far below the load range shows nothing" },
    Plausible { id: "limit", key: "control.current_limit.typical", whose: Whose::Board, unit: Current, value: |f| Some(f.board("control.current_limit.typical")? / f.full_load_a()?), what: ("share of the full load", Fraction), usual: (1.0, 10.0), slip: 1.0, meaning: "such a limit protects nothing" },
    Plausible { id: "ripple_limit", key: "limits.ripple", whose: Whose::Board, unit: Voltage, value: |f| f.of_output("limits.ripple"), what: ("share of the output voltage", Fraction), usual: (5e-5, 0.2), slip: 1.0, meaning: "no board is held to that" },
    Plausible { id: "step_limit", key: "limits.step_deviation", whose: Whose::Board, unit: Voltage, value: |f| f.of_output("limits.step_deviation"), what: ("share of the output voltage", Fraction), usual: (5e-4, 0.3), slip: 1.0, meaning: "no board is held to that" },
    Plausible { id: "recovery_limit", key: "limits.recovery", whose: Whose::Board, unit: Time, value: |f| Some(f.board("limits.recovery")? * f.board("stage.frequency")?), what: ("in switching periods", Number), usual: (2.0, 20e3), slip: 1.0, meaning: "a loop recovers in some tens of periods" },
    Plausible { id: "output_filter", key: "capacitance", whose: Whose::Each("output.capacitors"), unit: Capacitance, value: output_filter, what: ("switching frequency over the resonance of the output filter", Ratio), usual: (5.0, 1000.0), slip: 0.5, meaning: "inductance, capacitance or frequency may be wrong" },
    Plausible { id: "bias", key: "capacitance", whose: Whose::Each("output.capacitors"), unit: Capacitance, value: |f| Some(f.entry("capacitance")? / f.entry("nominal_capacitance")?), what: ("share of the printed capacitance", Fraction), usual: (0.05, 1.0), slip: 1.0, meaning: "bias takes capacitance away: the two may be swapped" },
    Plausible { id: "bias", key: "capacitance", whose: Whose::Each("input.capacitors"), unit: Capacitance, value: |f| Some(f.entry("capacitance")? / f.entry("nominal_capacitance")?), what: ("share of the printed capacitance", Fraction), usual: (0.05, 1.0), slip: 1.0, meaning: "bias takes capacitance away: the two may be swapped" },
    Plausible { id: "ceramic_esr", key: "esr", whose: Whose::Each("output.capacitors"), unit: Resistance, value: |f| f.time_constant_s(true), what: ("esr x capacitance of a ceramic", Time), usual: (0.0, CERAMIC_S), slip: 1.0, meaning: "that is no ceramic" },
    Plausible { id: "ceramic_esr", key: "esr", whose: Whose::Each("input.capacitors"), unit: Resistance, value: |f| f.time_constant_s(true), what: ("esr x capacitance of a ceramic", Time), usual: (0.0, CERAMIC_S), slip: 1.0, meaning: "that is no ceramic" },
    Plausible { id: "esr", key: "esr", whose: Whose::Each("output.capacitors"), unit: Resistance, value: |f| f.time_constant_s(false), what: ("esr x capacitance", Time), usual: (0.0, 0.5e-3), slip: 1.0, meaning: "no capacitor for a converter has that much" },
    Plausible { id: "esr", key: "esr", whose: Whose::Each("input.capacitors"), unit: Resistance, value: |f| f.time_constant_s(false), what: ("esr x capacitance", Time), usual: (0.0, 0.5e-3), slip: 1.0, meaning: "no capacitor for a converter has that much" },
    Plausible { id: "ripple_ratio", key: "inductance", whose: Whose::Part, unit: Inductance, value: |f| Some(f.ripple_a()? / f.full_load_a()?), what: ("ripple current as a share of the full load", Fraction), usual: (0.05, 1.5), slip: -1.0, meaning: "inductance, frequency or load may be of another board" },
    Plausible { id: "drop", key: "dcr_typical", whose: Whose::Part, unit: Resistance, value: |f| Some(f.dcr_ohm()? * f.full_load_a()? / f.board("output.voltage")?), what: ("share of the output voltage that the winding takes at full load", Fraction), usual: (0.0, 0.05), slip: 1.0, meaning: "the part may be meant for a smaller load" },
    Plausible { id: "winding", key: "dcr_typical", whose: Whose::Part, unit: Resistance, value: |f| Some(f.part("inductance")? / f.dcr_ohm()?), what: ("inductance over winding resistance", Time), usual: (3e-6, 20e-3), slip: -1.0, meaning: "no winding of that inductance has it" },
    Plausible { id: "saturation", key: "saturation_current", whose: Whose::Part, unit: Current, value: |f| Some(f.part("saturation_current")? / f.full_load_a()?), what: ("share of the full load", Fraction), usual: (0.3, 30.0), slip: 1.0, meaning: "the part may be meant for another load" },
    Plausible { id: "heating", key: "heating_current", whose: Whose::Part, unit: Current, value: |f| Some(f.part("heating_current")? / f.full_load_a()?), what: ("share of the full load", Fraction), usual: (0.2, 30.0), slip: 1.0, meaning: "the part may be meant for another load" },
    Plausible { id: "heating_rise", key: "thermal_resistance", whose: Whose::Part, unit: ThermalResistance, value: |f| f.rise(), what: ("rise at the heating current as a share of the stated one", Fraction), usual: (0.65, 1.5), slip: 1.0, meaning: "heating rating, winding resistance and thermal resistance are not of one part" },
    Plausible { id: "resonance", key: "self_resonance", whose: Whose::Part, unit: Frequency, value: |f| Some(f.part("self_resonance")? / f.board("stage.frequency")?), what: ("multiple of the switching frequency", Ratio), usual: (3.0, NO_LIMIT), slip: 1.0, meaning: "the part is hardly an inductance there" },
    Plausible { id: "winding_capacitance", key: "self_resonance", whose: Whose::Part, unit: Frequency, value: |f| f.winding_f(), what: ("winding capacitance that goes with it", Capacitance), usual: (0.05e-12, 5e-9), slip: -2.0, meaning: "no winding has that capacitance" },
    Plausible { id: "core_loss", key: "core_loss", whose: Whose::Part, unit: Power, value: |f| Some(f.part("core_loss")? / (f.board("output.voltage")? * f.full_load_a()?)), what: ("share of the output power", Fraction), usual: (1e-6, 0.2), slip: 1.0, meaning: "the reference point may be far from this board's" },
    Plausible { id: "length", key: "body_length", whose: Whose::Part, unit: Length, value: |f| Some((2.0 * f.part("terminal_length")? + f.part("terminal_gap")?) / f.part("body_length")?), what: ("share of it that the terminals take over all", Fraction), usual: (0.2, STANDS_OUT), slip: -1.0, meaning: "body and terminals may be of two parts" },
    Plausible { id: "width", key: "body_width", whose: Whose::Part, unit: Length, value: |f| Some(f.part("terminal_width")? / f.part("body_width")?), what: ("share of it that a terminal takes", Fraction), usual: (0.05, STANDS_OUT), slip: -1.0, meaning: "body and terminals may be of two parts" },
];

/// How many times the resonance of the output filter fits into the switching frequency; asked of the largest capacitor alone, whose slip
/// would explain it.
fn output_filter(facts: &Facts<'_>) -> Option<f64> {
    let (total_f, inductance_h) = (facts.output_f()?, facts.part("inductance")?);
    let mine_f = facts.entry("capacitance")? * facts.entry("count").unwrap_or(1.0);
    let times = facts.board("stage.frequency")? * std::f64::consts::TAU * (inductance_h * total_f).sqrt();
    (mine_f > 0.5 * total_f).then_some(times)
}

/// What is not likely about parts, gathered part by part: the row of the table, the place, what is said.
#[derive(Default)]
pub struct Unlikely(Vec<(usize, String, String)>);

impl Unlikely {
    /// Looks at one more part.
    pub fn look(&mut self, sources: &Sources, board: &Values, part: &Values) {
        for (number, row) in PLAUSIBLE.iter().enumerate().filter(|(_, row)| row.whose == Whose::Part) {
            let doubt = row.doubt(sources, &facts(board, part, String::new()));
            self.0.extend(doubt.map(|(at, text)| (number, at, text)));
        }
    }

    /// Those of further parts behind these.
    pub fn append(&mut self, further: &mut Unlikely) {
        self.0.append(&mut further.0);
    }

    /// Doubts about everything that was typed, in the order of the table; of one place only the first. The board is looked at with its original.
    pub fn doubts(mut self, sources: &Sources, board: &Values, fitted: Option<&Values>) -> Vec<String> {
        for (number, row) in PLAUSIBLE.iter().enumerate() {
            let entries: Vec<String> = match row.whose {
                Whose::Part => continue,
                Whose::Board => vec![String::new()],
                Whose::Each(list) => (0..board.count(list)).map(|i| format!("{list}[{i}].")).collect(),
            };
            let asked = entries.into_iter().filter_map(|entry| Some(facts(board, fitted?, entry)));
            let doubts = asked.filter_map(|facts| row.doubt(sources, &facts));
            self.0.extend(doubts.map(|(at, text)| (number, at, text)));
        }
        self.0.sort_by_key(|(number, ..)| *number); // stable: parts keep their order
        let mut said = HashSet::new();
        self.0.retain(|(_, at, _)| said.insert(at.clone()));
        self.0.into_iter().map(|(_, at, text)| format!("{at}: {text}")).collect()
    }
}

/// Most parts that are named with a doubt that several have.
const NAMED: usize = 4;

/// A doubt about a part: its place, the name of the part, and what is said.
type Told<'a> = (&'a str, &'a str, &'a str);

/// The same doubt about several parts once, with their names and places.
pub fn once(doubts: Vec<String>, parts: &[Inductor]) -> Vec<String> {
    let names: HashSet<&str> = parts.iter().map(|part| part.name.as_str()).collect();
    // "file:line: part: doubt"; a name may hold a colon itself.
    fn of_part<'a>(doubt: &'a str, names: &HashSet<&str>) -> Option<Told<'a>> {
        let (at, rest) = doubt.split_once(": ")?;
        let end = rest.match_indices(": ").map(|(end, _)| end).find(|&end| names.contains(&rest[..end]))?;
        Some((at, &rest[..end], &rest[end..]))
    }
    let told: Vec<Option<Told<'_>>> = doubts.iter().map(|doubt| of_part(doubt, &names)).collect();
    let mut alike: HashMap<&str, Vec<&Told<'_>>> = HashMap::new();
    told.iter().flatten().for_each(|one| alike.entry(one.2).or_default().push(one));
    let once = |(doubt, mine): (&String, &Option<Told<'_>>)| {
        let Some(same) = mine.as_ref().and_then(|mine| alike.remove(mine.2)) else {
            // What has been said of several is not said again.
            return mine.is_none().then(|| doubt.clone());
        };
        Some(if same.len() > 1 { of_several(&same) } else { doubt.clone() })
    };
    doubts.iter().zip(&told).filter_map(once).collect()
}

fn of_several(alike: &[&Told<'_>]) -> String {
    let first = &alike[..alike.len().min(NAMED)];
    let left = alike.len() - first.len();
    let listed = |all: Vec<&str>, more: &str| {
        all.join(", ") + &if left > 0 { format!("{more}{left} more") } else { String::new() }
    };
    let places = listed(first.iter().map(|one| one.0).collect(), ", and ");
    let names = listed(first.iter().map(|one| one.1).collect(), " and ");
    format!("{names}{} ({places})", alike[0].2)
}

fn facts<'a>(board: &'a Values, part: &'a Values, entry: String) -> Facts<'a> {
    Facts { board, part, entry }
}

impl Plausible {
    /// Where the datum stands and what is doubtful about it; `None` where it is as usual or not known.
    fn doubt(&self, sources: &Sources, facts: &Facts<'_>) -> Option<(String, String)> {
        let value = (self.value)(facts).filter(|value| !self.is_usual(*value))?;
        let values = if self.whose == Whose::Part { facts.part } else { facts.board };
        let stated = format!("{}{}", facts.entry, self.key);
        // Without the typical resistance the largest one is looked at.
        let path =
            if values.number(&stated).is_none() && self.key == "dcr_typical" { "dcr_max".into() } else { stated };
        let datum = values.number(&path)?;
        let (what, unit) = self.what;
        let text = format!(
            "{}: {}: {what} {}, {}; {}",
            values.key(&path),
            show(datum, self.unit),
            show(rounded(value), unit),
            self.usual_text(),
            self.prefix(datum, value).unwrap_or_else(|| self.meaning.into())
        );
        Some((place(sources, values, &path), text))
    }

    fn is_usual(&self, value: f64) -> bool {
        (self.usual.0..=self.usual.1).contains(&value)
    }

    fn usual_text(&self) -> String {
        let at = |value: f64| show(value, self.what.1);
        match self.usual {
            (low, NO_LIMIT) => format!("usual is at least {}", at(low)),
            (0.0, high) => format!("usual is at most {}", at(high)),
            (low, high) => format!("usual is {} to {}", at(low), at(rounded(high))),
        }
    }

    /// By how much the datum would have to be another, as a factor above 1.
    fn off_by(&self, value: f64) -> f64 {
        let off = if value > self.usual.1 { value / self.usual.1 } else { self.usual.0 / value };
        off.powf(1.0 / self.slip.abs())
    }

    /// The power of 1000 that would make it plausible; none where it is nearly so as it stands.
    fn prefix(&self, datum: f64, value: f64) -> Option<String> {
        if self.slip == 0.0 || self.off_by(value) < A_SLIP {
            return None;
        }
        let scale = |power: i32| 1000f64.powi(power);
        let fits = |power: &i32| self.is_usual(value * scale(*power).powf(self.slip));
        let found = [1, -1, 2, -2].into_iter().find(fits)?;
        Some(format!("{} would be plausible: a prefix may be wrong", show(rounded(datum * scale(found)), self.unit)))
    }
}

/// Three significant digits.
fn rounded(value: f64) -> f64 {
    format!("{value:.2e}").parse().unwrap_or(value)
}

/// File and line of a datum.
pub fn place(sources: &Sources, values: &Values, path: &str) -> String {
    sources.told(&values.place(path))
}
