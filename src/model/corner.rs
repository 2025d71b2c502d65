//! Corners of tolerances: which parameters stand at which end, and the one function that puts a board and a part there.

use super::board::Board;
use super::parts::{CapacitorBranch, Inductor};

/// A parameter that differs from unit to unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Parameter {
    /// Inductance of the part.
    Inductance,
    /// Winding resistance of the part.
    Resistance,
    /// Core loss of the part.
    CoreLoss,
    /// Capacitance of the output bank: least at the end of its life.
    Capacitance,
    /// Threshold of the current limit.
    LimitThreshold,
    /// Winding temperature, where a condition states its range.
    Winding,
}

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

/// A corner of tolerances. What is not listed is typical.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Corner {
    /// Name in record and tables.
    pub name: &'static str,
    /// Parameters that are off their typical value.
    pub ends: &'static [(Parameter, End)],
}

/// Name of the corner in which everything is typical.
pub const NOMINAL: &str = "nominal";

use End::{Least, Most};
use Parameter::{Capacitance, CoreLoss, Inductance, LimitThreshold, Resistance};

/// The corners of every comparison, the nominal one first.
pub const CORNERS: [Corner; 3] = [
    Corner { name: NOMINAL, ends: &[] },
    Corner {
        name: "low L, aged",
        ends: &[
            (Inductance, Least),
            (Resistance, Most),
            (CoreLoss, Most),
            (Capacitance, Least),
            (LimitThreshold, Least),
        ],
    },
    Corner {
        name: "high L, aged",
        ends: &[
            (Inductance, Most),
            (Resistance, Most),
            (CoreLoss, Most),
            (Capacitance, Least),
            (LimitThreshold, Least),
        ],
    },
];

impl Parameter {
    /// Whether it is the part's own, not the board's.
    pub fn is_of_part(self) -> bool {
        matches!(self, Parameter::Inductance | Parameter::Resistance | Parameter::CoreLoss)
    }
}

/// Whether the board stands at the same ends in two corners; a name that is no corner is alike only itself.
pub fn same_board(a: &str, b: &str) -> bool {
    let of_board = |name: &str| {
        let corner = CORNERS.iter().find(|corner| corner.name == name)?;
        Some(corner.ends.iter().filter(|(parameter, _)| !parameter.is_of_part()).copied().collect::<Vec<_>>())
    };
    a == b || of_board(a).is_some_and(|ends| of_board(b) == Some(ends))
}

impl Corner {
    /// Whether everything is typical.
    pub fn is_nominal(&self) -> bool {
        self.ends.is_empty()
    }

    /// The end at which a parameter stands; `None` where it is typical.
    pub(crate) fn end_of(&self, parameter: Parameter) -> Option<End> {
        end_of(self.ends, parameter)
    }
}

/// The end at which a list puts a parameter.
pub(crate) fn end_of(ends: &[(Parameter, End)], parameter: Parameter) -> Option<End> {
    ends.iter().find(|(known, _)| *known == parameter).map(|(_, end)| *end)
}

/// Board and part at a corner, as far as tolerances move them.
#[derive(Clone, Debug, PartialEq)]
pub struct Placed {
    /// Factor on the inductance of the part.
    pub inductance_factor: f64,
    /// Winding resistance at 25 C in ohm.
    pub dcr_ohm: f64,
    /// Factor on the core loss.
    pub core_factor: f64,
    /// Output bank.
    pub bank: Vec<CapacitorBranch>,
    /// End of the current limit's threshold.
    pub threshold: Option<End>,
}

/// Puts a board and a part at a corner. `further` lists what a condition drives to an end besides, wherever the corner is not the
/// nominal one; it stands before the corner's own ends.
pub fn placed(corner: &Corner, further: &[(Parameter, End)], board: &Board, part: &Inductor) -> Placed {
    let further = if corner.is_nominal() { &[] } else { further };
    let end = |parameter| end_of(further, parameter).or(corner.end_of(parameter));
    let mut bank = board.output_bank.clone();
    if end(Capacitance) == Some(Least) {
        bank.iter_mut().for_each(|branch| branch.capacitance_f = branch.aged_capacitance_f);
    }
    Placed {
        inductance_factor: spread(end(Inductance), part.tolerance),
        dcr_ohm: match end(Resistance) {
            None => part.dcr_typical_ohm,
            Some(Most) => part.dcr_max_ohm,
            Some(Least) => least_resistance_ohm(part),
        },
        core_factor: spread(end(CoreLoss), part.core_loss_tolerance),
        bank,
        threshold: end(LimitThreshold),
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
