//! Corners of tolerances: which parameters stand at which end, and the one function that puts a board and a part there.

use super::board::{Board, Modulator};
use super::parts::{CapacitorBranch, Inductor};

/// A parameter that differs from unit to unit, or over the life and the weather of one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Parameter {
    /// Inductance of the part.
    Inductance,
    /// Winding resistance of the part.
    Resistance,
    /// Core loss of the part.
    CoreLoss,
    /// Capacitance of both banks: least at the end of the life of a low unit, most in a high one when new.
    Capacitance,
    /// Series resistance of the capacitors: most where they are cold.
    SeriesResistance,
    /// Threshold of the current limit.
    LimitThreshold,
    /// Switching frequency; without a clock the least of it is the longest on-time.
    Frequency,
    /// Output aimed at: reference and divider.
    Reference,
    /// Ambient temperature: the coldest that the case states.
    Ambient,
    /// Winding temperature, where a condition states its range; no corner has it.
    Winding,
}

/// Every parameter that a corner may hold.
pub const PARAMETERS: [Parameter; 9] = [
    Parameter::Inductance,
    Parameter::Resistance,
    Parameter::CoreLoss,
    Parameter::Capacitance,
    Parameter::SeriesResistance,
    Parameter::LimitThreshold,
    Parameter::Frequency,
    Parameter::Reference,
    Parameter::Ambient,
];

/// End of a parameter's range.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum End {
    /// The least value.
    Least,
    /// The greatest value.
    Most,
}

impl End {
    /// The end at the other side.
    pub fn opposite(self) -> End {
        match self {
            End::Least => End::Most,
            End::Most => End::Least,
        }
    }
}

/// A corner of tolerances: each parameter typical or at an end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Corner {
    ends: [Option<End>; PARAMETERS.len()],
    /// Stands for a value that belongs to no corner of this kind.
    told: Option<&'static str>,
}

use End::{Least, Most};
use Parameter::{
    Ambient, Capacitance, CoreLoss, Frequency, Inductance, LimitThreshold, Reference, Resistance, SeriesResistance,
};

/// The corner in which everything is typical.
pub const NOMINAL: Corner = Corner { ends: [None; PARAMETERS.len()], told: None };

/// The corners of every comparison, the nominal one first; where a check is not far from its limit, its own corner is searched from there.
pub const CORNERS: [Corner; 3] = [NOMINAL, aged(Least), aged(Most)];

const fn aged(inductance: End) -> Corner {
    let all = NOMINAL.with(Inductance, Some(inductance)).with(Resistance, Some(Most)).with(CoreLoss, Some(Most));
    all.with(Capacitance, Some(Least)).with(LimitThreshold, Some(Least))
}

impl Parameter {
    /// Whether it is the part's own, not the board's.
    pub const fn is_of_part(self) -> bool {
        matches!(self, Inductance | Resistance | CoreLoss)
    }

    /// Word by which it goes on the command line and in files.
    pub const fn key(self) -> &'static str {
        match self {
            Inductance => "inductance",
            Resistance => "resistance",
            CoreLoss => "core-loss",
            Capacitance => "capacitance",
            SeriesResistance => "series-resistance",
            LimitThreshold => "limit-threshold",
            Frequency => "frequency",
            Reference => "reference",
            Ambient => "ambient",
            Parameter::Winding => "winding",
        }
    }

    /// Whether a board and a part have it, and it is not the same at both ends.
    pub fn is_on(self, board: &Board, part: &Inductor) -> bool {
        let at = |end| placed(&NOMINAL.with(self, Some(end)), &[], board, part);
        match self {
            Parameter::Winding => false,
            LimitThreshold => board.control.protection.current_limit.is_some(),
            _ => at(Least) != at(Most),
        }
    }

    /// What the ends are called.
    fn words(self) -> [&'static str; 3] {
        match self {
            Inductance => ["low L", "typical L", "high L"],
            Resistance => ["low DCR", "typical DCR", "high DCR"],
            CoreLoss => ["low core loss", "typical core loss", "high core loss"],
            Capacitance => ["aged", "new", "high C"],
            SeriesResistance => ["low ESR", "typical ESR", "high ESR"],
            LimitThreshold => ["low limit", "typical limit", "high limit"],
            Frequency => ["low frequency", "typical frequency", "high frequency"],
            Reference => ["low reference", "typical reference", "high reference"],
            Ambient => ["cold", "warm", "warm"],
            Parameter::Winding => ["cold winding", "typical winding", "hot winding"],
        }
    }

    fn word(self, end: Option<End>) -> &'static str {
        let [least, typical, most] = self.words();
        match end {
            None => typical,
            Some(Least) => least,
            Some(Most) => most,
        }
    }
}

impl Corner {
    /// Stands for a value that belongs to no corner, and tells what it belongs to.
    pub const fn told(name: &'static str) -> Corner {
        Corner { told: Some(name), ..NOMINAL }
    }

    /// The same with a parameter elsewhere.
    pub const fn with(mut self, parameter: Parameter, end: Option<End>) -> Corner {
        if (parameter as usize) < PARAMETERS.len() {
            self.ends[parameter as usize] = end;
        }
        self
    }

    /// The part's own parameters as here, the board's as in another.
    pub fn on_board_of(self, other: Corner) -> Corner {
        let of_board = PARAMETERS.into_iter().filter(|parameter| !parameter.is_of_part());
        of_board.fold(self, |corner, parameter| corner.with(parameter, other.end_of(parameter)))
    }

    /// Whether everything is typical.
    pub fn is_nominal(&self) -> bool {
        *self == NOMINAL
    }

    /// The end at which a parameter stands; `None` where it is typical.
    pub fn end_of(&self, parameter: Parameter) -> Option<End> {
        self.ends.get(parameter as usize).copied().flatten()
    }

    /// Name in record and tables: what is off the typical, or how it differs from a corner that every comparison has.
    pub fn name(&self) -> String {
        if let Some(told) = self.told {
            return told.into();
        }
        let off = |from: &Corner, told: &[Parameter]| -> Vec<&'static str> {
            let own =
                |parameter: &Parameter| !told.contains(parameter) && self.end_of(*parameter) != from.end_of(*parameter);
            PARAMETERS.into_iter().filter(own).map(|parameter| parameter.word(self.end_of(parameter))).collect()
        };
        let from_nominal = [vec!["nominal"], off(&NOMINAL, &[])].concat();
        let told = [Inductance, Capacitance];
        let from_aged =
            [told.map(|parameter| parameter.word(self.end_of(parameter))).to_vec(), off(&CORNERS[1], &told)].concat();
        let shorter = if from_nominal.len() <= from_aged.len() { from_nominal } else { from_aged };
        shorter.join(", ")
    }
}

impl std::fmt::Display for Corner {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.name())
    }
}

/// Whether the board stands at the same ends in two corners.
pub fn same_board(a: Corner, b: Corner) -> bool {
    a == b || a.told.is_none() && b.told.is_none() && a.on_board_of(b) == a
}

/// The end at which a list puts a parameter.
pub(crate) fn end_of(ends: &[(Parameter, End)], parameter: Parameter) -> Option<End> {
    ends.iter().find(|(known, _)| *known == parameter).map(|(_, end)| *end)
}

/// Board and part at a corner.
#[derive(Clone, Debug, PartialEq)]
pub struct Placed {
    /// Board: this unit's banks, frequency, output aimed at and ambient.
    pub board: Board,
    /// Factor on the inductance of the part.
    pub inductance_factor: f64,
    /// Winding resistance at 25 C in ohm.
    pub dcr_ohm: f64,
    /// Factor on the core loss.
    pub core_factor: f64,
    /// End of the current limit's threshold.
    pub threshold: Option<End>,
}

/// Puts a board and a part at a corner. `further` lists what a condition drives to an end besides, wherever the corner is not the
/// nominal one; it stands before the corner's own ends.
pub fn placed(corner: &Corner, further: &[(Parameter, End)], board: &Board, part: &Inductor) -> Placed {
    let further = if corner.is_nominal() { &[] } else { further };
    let end = |parameter| end_of(further, parameter).or(corner.end_of(parameter));
    Placed {
        board: unit(board, &end),
        inductance_factor: spread(end(Inductance), part.tolerance),
        dcr_ohm: match end(Resistance) {
            None => part.dcr_typical_ohm,
            Some(Most) => part.dcr_max_ohm,
            Some(Least) => least_resistance_ohm(part),
        },
        core_factor: spread(end(CoreLoss), part.core_loss_tolerance),
        threshold: end(LimitThreshold),
    }
}

/// The board of one unit.
fn unit(board: &Board, end: &dyn Fn(Parameter) -> Option<End>) -> Board {
    let mut unit = board.clone();
    let coldest_degc = board.coldest_degc.filter(|_| end(Ambient) == Some(Least));
    unit.ambient_degc = coldest_degc.unwrap_or(board.ambient_degc);
    for branch in unit.output_bank.iter_mut().chain(&mut unit.input_bank) {
        branch.capacitance_f = match end(Capacitance) {
            None => branch.capacitance_f,
            Some(Least) => branch.aged_capacitance_f * (1.0 - branch.tolerance),
            Some(Most) => branch.capacitance_f * (1.0 + branch.tolerance),
        };
        branch.esr_ohm *= series_resistance_factor(branch, end(SeriesResistance), board.coldest_degc);
    }
    let frequency = spread(end(Frequency), board.tolerances.frequency);
    match &mut unit.control.modulator {
        Modulator::ConstantOnTime { on_time_s, .. } => *on_time_s /= frequency,
        Modulator::Hysteretic { .. } => {}
        _ => unit.frequency_hz *= frequency,
    }
    aim_at(&mut unit, spread(end(Reference), output_tolerance(board)));
    unit
}

fn series_resistance_factor(branch: &CapacitorBranch, end: Option<End>, coldest_degc: Option<f64>) -> f64 {
    match end {
        None => 1.0,
        Some(Least) => branch.least_esr,
        Some(Most) => coldest_degc.map_or(1.0, |degc| branch.cold_esr(degc)),
    }
}

/// How far the output may be off by reference and divider, as a fraction: both resistors at their ends (closed form of
/// V = Vref (1 + R1 / R2)).
fn output_tolerance(board: &Board) -> f64 {
    let Some(reference_v) = board.control.compensator.reference_v() else { return 0.0 };
    let divided = (1.0 - reference_v / board.output_v).max(0.0);
    board.tolerances.reference + 2.0 * board.tolerances.divider * divided
}

/// A unit whose output lies elsewhere by a factor: as if by its reference alone.
fn aim_at(unit: &mut Board, factor: f64) {
    if factor != 1.0 {
        unit.output_v *= factor;
        unit.control.compensator.scale_reference(factor);
    }
}

/// Factor at an end of a symmetric tolerance.
fn spread(end: Option<End>, tolerance: f64) -> f64 {
    match end {
        None => 1.0,
        Some(Least) => 1.0 - tolerance,
        Some(Most) => 1.0 + tolerance,
    }
}

/// Least winding resistance at 25 C in ohm: as far below the typical one as the largest is above it (common practice).
fn least_resistance_ohm(part: &Inductor) -> f64 {
    (2.0 * part.dcr_typical_ohm - part.dcr_max_ohm).max(0.85 * part.dcr_typical_ohm)
}
