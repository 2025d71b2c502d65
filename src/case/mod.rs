//! A case: a folder with the board, its limits and the parts, read and validated into SI values.
//!
//! Nothing physical happens here. The reader collects every problem it can find before it gives up.

mod board;
mod curves;
pub mod docs;
pub mod keys;
mod parts;
mod protection;
mod source;
mod walk;

use std::collections::HashMap;
use std::path::Path;

use crate::board::Board;
use crate::error::Error;
use crate::parts::Inductor;
use crate::visible::visible_path;
use source::{Node, Sources};
use walk::Values;

/// A case that has been read and found consistent.
#[derive(Clone, Debug)]
pub struct Case {
    /// Name: that of the folder.
    pub name: String,
    /// The board.
    pub board: Board,
    /// The original part first, then the substitutes in the order of the files.
    pub parts: Vec<Inductor>,
    /// Limits and agreed changes.
    pub limits: Limits,
    /// What the bench can resolve.
    pub bench: Bench,
    /// Numerical settings.
    pub numerics: Numerics,
    /// Origin of each datum that states one, and each assumed default.
    pub origins: Vec<DatumOrigin>,
    /// Doubts about the data that do not stop a run.
    pub warnings: Vec<String>,
    /// Files that were read, with the SHA-256 of each.
    pub files: Vec<CaseFile>,
}

/// A file of the case.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CaseFile {
    /// Path relative to the case folder.
    pub path: String,
    /// SHA-256 of its bytes, lower-case hexadecimal.
    pub sha256: String,
}

/// Where a datum comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Origin {
    /// Measured on the part or board at hand.
    Measured,
    /// Guaranteed by the part's data sheet.
    Guaranteed,
    /// Typical value of the data sheet.
    Typical,
    /// Read off a printed curve.
    Digitised,
    /// Estimated by a stated rule.
    Estimated,
    /// Assumed: a default of this tool or of the case's author.
    Assumed,
}

/// Origin of one datum.
#[derive(Clone, Debug, PartialEq)]
pub struct DatumOrigin {
    /// Which datum, for people: "board: control.gain_bandwidth" or "Kestrel-10: dcr_max".
    pub datum: String,
    /// Its value as text with unit.
    pub value: String,
    /// Where it comes from.
    pub origin: Origin,
    /// Reason or rule, where one is known.
    pub note: String,
}

/// Absolute limits of the board and agreed changes against the original. `None` in an absolute limit: not stated.
#[derive(Clone, Debug, PartialEq)]
pub struct Limits {
    /// Total band of the output around its aim, as a fraction (0.05 for +-5 %).
    pub output_band: Option<f64>,
    /// Output ripple, peak to peak, at 20 MHz bandwidth, in V.
    pub ripple_v: Option<f64>,
    /// Dip and rise at the load step in V.
    pub step_deviation_v: Option<f64>,
    /// Recovery time in s.
    pub recovery_s: Option<f64>,
    /// Band for the recovery as a fraction of the output voltage.
    pub recovery_band: f64,
    /// Highest winding temperature in degrees Celsius.
    pub winding_degc: Option<f64>,
    /// Least efficiency at full load and nominal input, as a fraction.
    pub efficiency: Option<f64>,
    /// Least phase margin in degrees.
    pub phase_margin_deg: Option<f64>,
    /// Least gain margin in dB.
    pub gain_margin_db: Option<f64>,
    /// Longest time to start in s.
    pub start_s: Option<f64>,
    /// Largest overshoot at the start, as a fraction of the output voltage.
    pub start_overshoot: Option<f64>,
    /// Largest deviation at a step of the input voltage in V.
    pub input_step_v: Option<f64>,
    /// Lowest and highest load in A at which the output may give way.
    pub trip_a: (Option<f64>, Option<f64>),
    /// Agreed changes against the original.
    pub changes: AgreedChanges,
}

/// A change against the original that is agreed to be harmless, and whether the case states it or it is a default.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Agreed {
    /// Size of the change: a fraction of the original's value, or in the quantity's own unit where its name says so.
    pub change: f64,
    /// Stated in the case (`true`) or a default of this tool (`false`).
    pub stated: bool,
}

/// Agreed changes. Defaults are common practice and are printed as defaults.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AgreedChanges {
    /// Output ripple, upwards, fraction.
    pub ripple: Agreed,
    /// Inductor ripple current, either way, fraction.
    pub inductor_ripple: Agreed,
    /// Peak current, upwards, fraction.
    pub peak_current: Agreed,
    /// Crossover of the control loop, either way, fraction.
    pub crossover: Agreed,
    /// Switching frequency of control without a clock, either way, fraction.
    pub frequency: Agreed,
    /// Load at which the output gives way, either way, fraction.
    pub trip: Agreed,
    /// Incremental inductance at peak, downwards, fraction.
    pub inductance: Agreed,
    /// Dip and rise, upwards, fraction.
    pub step_deviation: Agreed,
    /// Recovery time, upwards, fraction.
    pub recovery: Agreed,
    /// Efficiency at full load, downwards, as a difference of fractions (0.003 for 0.3 points).
    pub efficiency: Agreed,
    /// Winding temperature, upwards, in K.
    pub temperature_k: Agreed,
}

/// What the bench can resolve: standard uncertainty of a difference between two readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bench {
    /// Voltages at the output: fixed part in V.
    pub voltage_v: f64,
    /// Voltages at the output: part of the reading, fraction.
    pub voltage: f64,
    /// Currents: part of the reading, fraction.
    pub current: f64,
    /// Times in s.
    pub time_s: f64,
    /// Temperatures in K.
    pub temperature_k: f64,
    /// Efficiency as a difference of fractions.
    pub efficiency: f64,
}

/// Numerical settings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Numerics {
    /// Largest error in A of the piecewise-linear current against flux linkage.
    pub saturation_error_a: f64,
}

/// Error of the piecewise-linear current that is allowed where none is stated, in A, for a full load in A: a fiftieth of what a bench
/// resolves of a current, and as many pieces of the curve for a large board as for a small one.
pub fn usual_saturation_error_a(full_load_a: f64) -> f64 {
    (2e-4 * full_load_a).max(1e-4)
}

/// File with the board.
const BOARD_FILE: &str = "board.toml";
/// Files with the parts; one of them or both.
const PART_FILES: [&str; 2] = ["parts.toml", "parts.csv"];

/// Reads and validates a case. All values of the result are in SI units.
///
/// # Errors
/// [`Error::Io`] if the folder cannot be read, [`Error::Case`] with every problem found if the case is wrong.
pub fn read(folder: &Path) -> Result<Case, Error> {
    let io = |source| Error::Io { path: folder.to_path_buf(), action: "read the case folder".into(), source };
    std::fs::read_dir(folder).map_err(io)?;
    let name = folder.canonicalize().map_err(io)?.file_name().map_or("case".into(), |n| visible_path(Path::new(n)));
    let mut sources = Sources::default();
    let mut doubts = Vec::new();
    let board = read_board(&mut sources, folder);
    let mut parts = read_parts(&mut sources, folder);
    let context = board.as_ref().map(board::context).unwrap_or_default();
    let mut values = board;
    let built = values.as_mut().and_then(|v| board::build(&mut sources, v, &mut doubts));
    let inductors: Vec<Option<Inductor>> =
        parts.iter_mut().map(|p| parts::build(&mut sources, folder, p, &context, &mut doubts)).collect();
    if let Some(values) = &values {
        parts::check_names(&mut sources, values, &parts);
    }
    let complete: Option<Vec<Inductor>> = inductors.into_iter().collect();
    let (Some(values), Some((board, limits, bench, numerics)), Some(mut inductors)) = (values, built, complete) else {
        return Err(Error::Case(sorted(sources)));
    };
    if !sources.problems.is_empty() {
        return Err(Error::Case(sorted(sources)));
    }
    let original = values.text("original").unwrap_or("");
    inductors.sort_by_key(|p| p.name != original); // stable: substitutes keep the order of the files
    let origins = values.origins.into_iter().chain(parts.into_iter().flat_map(|p| p.origins)).collect();
    let files = sources.hashes;
    Ok(Case { name, board, parts: inductors, limits, bench, numerics, origins, warnings: doubts, files })
}

/// Problems in the order of the files, for people who mend them from top to bottom.
fn sorted(sources: Sources) -> Vec<crate::error::Problem> {
    let places: HashMap<&str, usize> = sources.hashes.iter().enumerate().map(|(i, h)| (h.path.as_str(), i)).collect();
    let order = |file: &str| places.get(file).copied().unwrap_or(usize::MAX);
    let mut problems = sources.problems;
    problems.sort_by_key(|p| (order(&p.file), p.line, p.column));
    problems.dedup();
    problems
}

fn read_board(sources: &mut Sources, folder: &Path) -> Option<Values> {
    let file = sources.read(folder, BOARD_FILE, None)?;
    let tree = sources.toml(file)?;
    Some(walk::walk(sources, keys::BOARD, &tree, ""))
}

/// The values of each part, from `parts.toml` first.
fn read_parts(sources: &mut Sources, folder: &Path) -> Vec<Values> {
    let present: Vec<&str> = PART_FILES.into_iter().filter(|f| folder.join(f).try_exists().unwrap_or(true)).collect();
    if present.is_empty() {
        let hint = "the parts stand in parts.toml, in parts.csv, or in both";
        sources.file_problem(PART_FILES[0], "neither parts.toml nor parts.csv", "a file with the parts", hint);
    }
    let mut nodes: Vec<Node> = Vec::new();
    for name in present {
        let Some(file) = sources.read(folder, name, None) else { continue };
        nodes.extend(if name.ends_with(".csv") {
            parts::nodes_of_csv(sources, file)
        } else {
            parts::nodes_of_toml(sources, file)
        });
    }
    let label = |i: usize, node: &Node| parts::name_of(node).unwrap_or(format!("part {}", i + 1));
    nodes.iter().enumerate().map(|(i, node)| walk::walk(sources, keys::PART, node, &label(i, node))).collect()
}
