//! The record: the machine-readable result of a comparison.

use super::checks::{self, Checks};
pub use super::checks::{Check, Contribution, DecidingDatum, Doubtful, WorseRecord};
use super::columns::{self, Columns};
pub use super::curves::*;
use super::results::{self, Parts};
pub use super::results::{ConditionRecord, Fact, PartRecord, ValueRecord};
pub use crate::condition::curves::*;
pub use crate::condition::figures::{Value, Why};
pub use crate::judge::{Outcome, State};
pub use crate::quantity::{ChangeKind, Limit as LimitRecord, Side};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Version of the record's layout; raised when a reader of the former one would go wrong.
pub const RECORD_VERSION: u32 = 4;

/// Result of comparing the original with every substitute on one board.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Record {
    /// Layout version of this record.
    pub record_version: u32,
    /// Version of presolder that wrote it.
    pub presolder_version: String,
    /// What was asked, and on which machine it was computed.
    #[serde(default)]
    pub run: RunRecord,
    /// Which case it is about.
    pub case: CaseIdentity,
    /// Original first, then the substitutes.
    #[serde(with = "results")]
    #[schemars(with = "Parts")]
    pub parts: Vec<PartRecord>,
    /// One row a quantity, one cell a part in the order of `parts`.
    pub quantities: Vec<QuantityRow>,
    /// What the original itself shows against the board's requirements.
    pub original: Verdict,
    /// One verdict a substitute.
    pub verdicts: Vec<Verdict>,
    /// What the board's owner accepts.
    #[serde(default)]
    pub waivers: Vec<WaiverRecord>,
    /// Which test would show that the parts differ.
    #[serde(default)]
    pub bench_plan: BenchPlan,
    /// Origin of the data: every assumed default, and every datum that states its origin.
    #[serde(with = "columns")]
    #[schemars(with = "Columns<OriginRecord>")]
    pub origins: Vec<OriginRecord>,
    /// Doubts about the data.
    pub warnings: Vec<String>,
    /// How well the energy book of the runs closed.
    pub energy_book: EnergyRecord,
    /// What captures have told of the board, and what came of it, where that was asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub calibration: Option<CalibrationRecord>,
    /// Comparison with the independent integration, where it was asked for.
    pub cross_check: Vec<CrossCheckRecord>,
    /// Numerical settings and method, in words.
    pub method: Vec<String>,
    /// Names of the equations used; `docs/physics.md` explains each.
    pub equations: Vec<String>,
    /// Cautions that go with every result.
    pub cautions: Vec<String>,
}

/// What was asked besides the files of the case and what was set, and where it was computed.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RunRecord {
    /// Whether every datum was looked at only as it is shown (`--quick`).
    pub quick: bool,
    /// Substitutes that alone were compared; empty: all.
    pub only: Vec<String>,
    /// Names of the conditions that alone were looked at; empty: all that the case states.
    pub only_conditions: Vec<String>,
    /// Whether the independent integration was asked for.
    pub cross_check: bool,
    /// Whether the data of the board are those that captures told (`--calibrated`).
    #[serde(default)]
    pub calibrated: bool,
    /// Instruction set and system: on another, numbers agree to a part in 1e9.
    pub machine: String,
}

/// What captures have told of the board, and what came of it. The record is that of the board that was captured.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CalibrationRecord {
    /// Which board was captured, in words.
    pub board: String,
    /// Data that stand elsewhere now.
    pub data: Vec<MovedDatum>,
    /// What was learned and not taken: key and reason.
    pub left: Vec<(String, String)>,
    /// Outcomes without it that are others with it: part, outcome without, outcome with.
    pub outcomes: Vec<(String, Outcome, Outcome)>,
    /// Checks that it moves: another state, or an uncertainty that is another by a twentieth or more.
    pub checks: Vec<MovedByCalibration>,
}

/// A datum that captures have moved, in its SI unit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MovedDatum {
    /// Its key.
    pub datum: String,
    /// What it is; empty for a tolerance.
    pub label: String,
    /// SI unit; empty for a factor.
    pub unit: String,
    /// Value and expanded uncertainty before.
    pub before: (f64, f64),
    /// The same now.
    pub after: (f64, f64),
}

/// A check that a calibration moves.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MovedByCalibration {
    /// Part.
    pub part: String,
    /// Check.
    pub label: String,
    /// SI unit.
    pub unit: String,
    /// State, value and expanded uncertainty without it.
    pub before: (State, Value, f64),
    /// The same with it.
    pub after: (State, Value, f64),
}

/// A limit that the board's owner accepts not to be met.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WaiverRecord {
    /// Identifier of the requirement.
    pub requirement: String,
    /// Who accepts it.
    pub by: String,
    /// When.
    pub date: String,
    /// Why.
    pub reason: String,
}

/// Identity of a case.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CaseIdentity {
    /// Name of the case folder.
    pub name: String,
    /// Title of the board.
    pub title: String,
    /// Files and their SHA-256.
    pub files: Vec<FileRecord>,
    /// What was put in place of their values for this run, each as `KEY=VALUE`.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub set: Vec<String>,
    /// SHA-256 over the hashes and names of the files and what was set: the same for the same inputs, in hexadecimal.
    #[serde(default)]
    pub sha256: String,
}

/// A file that was read.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FileRecord {
    /// Path relative to the case folder.
    pub path: String,
    /// SHA-256 of its bytes in hexadecimal.
    pub sha256: String,
}

/// One quantity over all parts: of each part the condition that decides, else the worst one.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct QuantityRow {
    /// Identifier.
    pub quantity: String,
    /// Label for people.
    pub label: String,
    /// SI unit; "degC" for temperatures, "fraction" for a share of a whole, empty for a count.
    pub unit: String,
    /// How a change against the original is expressed.
    pub change_kind: ChangeKind,
    /// Limit of the original, where there is one.
    pub limit: Option<LimitRecord>,
    /// One cell a part; `None` where the quantity does not exist for that part.
    #[serde(with = "columns")]
    #[schemars(with = "Columns<Option<Cell>>")]
    pub cells: Vec<Option<Cell>>,
}

/// Value of one quantity for one part: everything in it is of one condition.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Cell {
    /// Value, a bound, or why there is none.
    pub value: Value,
    /// Its expanded uncertainty (k = 2) from printed data and the model, in the same unit.
    pub uncertainty: f64,
    /// Least and greatest value over the ends of data that nobody printed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ends: Option<(f64, f64)>,
    /// The condition, in words: "32 V, 3 A, low L, aged".
    pub place: String,
    /// The part's own limit, where it is another than that of the row, which is the original's.
    #[serde(default)]
    pub own_limit: Option<LimitRecord>,
    /// Value of the original in the same condition; `None` for the original.
    pub original: Option<Value>,
    /// State against what is asked; absent where nothing is.
    pub state: Option<State>,
}

/// Conclusion on a part.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Verdict {
    /// Name of the part.
    pub part: String,
    /// Outcome; for the original it only tells its own state.
    pub outcome: Outcome,
    /// Whether every check that is only no worse than the original is accepted by the board's owner.
    pub waived: bool,
    /// What decides, in one sentence.
    pub sentence: String,
    /// The condition of it, in words.
    pub condition: String,
    /// Within which part of the range it would pass; empty where it passes, or nowhere.
    pub within: String,
    /// What to do next.
    pub next: String,
    /// Every check, the deciding one first: of each the condition that decides it.
    #[serde(with = "checks")]
    #[schemars(with = "Checks")]
    pub checks: Vec<Check>,
    /// What is not asked in this case.
    pub not_asked: Vec<String>,
    /// Changes that do not decide and that a person accepts.
    pub changes: Vec<String>,
    /// What a person must know about the runs of this part.
    pub notes: Vec<String>,
    /// Whether and where the bench could see the change.
    pub bench: String,
}

/// Which test would show that parts differ: what to measure, where, with which settings, and what to expect.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BenchPlan {
    /// The answer in one sentence.
    pub summary: String,
    /// One line a compared quantity, in the order of `quantities`.
    #[serde(with = "columns")]
    #[schemars(with = "Columns<BenchLine>")]
    pub lines: Vec<BenchLine>,
    /// The measurements that tell the most pairs of parts apart, best first; empty where the parts are equal for this bench.
    pub measurements: Vec<BenchMeasurement>,
    /// Tests that a rating forbids.
    #[serde(default)]
    pub do_not_run: Vec<BenchDanger>,
    /// Pairs of parts that these measurements leave equal.
    #[serde(with = "columns")]
    #[schemars(with = "Columns<BenchPair>")]
    pub left_equal: Vec<BenchPair>,
    /// Temperature over time; absent where no part could be followed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub soak: Option<BenchSoak>,
    /// What holds for every reading.
    pub remarks: Vec<String>,
}

/// A soak from cold at full load: the winding against time, and what a bench would read of it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BenchSoak {
    /// What to set, in words: where a part of nominal data gets hottest at full load.
    pub place: String,
    /// Input voltage in V.
    pub input_v: f64,
    /// Load current in A.
    pub load_a: f64,
    /// Ambient temperature in degrees Celsius, at which it begins.
    pub ambient_degc: f64,
    /// Least duration in minutes after which every part that settles may be called steady.
    pub minutes: f64,
    /// What steady means.
    pub rule: String,
    /// Each part that could be followed.
    pub parts: Vec<SoakPart>,
    /// What holds for all of it.
    pub remarks: Vec<String>,
}

/// A part in a soak.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SoakPart {
    /// Part.
    pub part: String,
    /// Its time constant above its board in s.
    pub time_constant_s: SoakRange,
    /// Winding against time.
    #[serde(with = "columns")]
    #[schemars(with = "Columns<SoakPoint>")]
    pub curve: Vec<SoakPoint>,
    /// Where it settles, in degrees Celsius; absent where losses and temperature have no balance.
    pub settled_degc: Option<f64>,
    /// Minutes after which the bench may call it steady.
    pub steady_min: Option<SoakRange>,
    /// What the winding may still rise after the least duration, in K.
    pub to_come_k: Option<f64>,
    /// Lowest limit of the winding in degrees Celsius: the part's own or the board's.
    pub limit_degc: f64,
    /// Minutes after which the winding passes it.
    pub over_limit_min: Option<SoakRange>,
    /// Winding resistance at the end of the least duration over that at the begin, without time to cool.
    pub resistance_ratio: Option<SoakRange>,
    /// By how much a reading of the resistance is low some time after switching off.
    pub late: Vec<SoakLate>,
    /// What a camera or a thermocouple on the body reads at the end of the least duration, in degrees Celsius.
    pub surface_degc: Option<SoakRange>,
}

/// A winding at a time.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SoakPoint {
    /// Minutes after the begin.
    pub minutes: f64,
    /// Winding temperature in degrees Celsius.
    pub winding_degc: SoakRange,
}

/// A reading after switching off.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SoakLate {
    /// Seconds after switching off.
    pub after_s: f64,
    /// By how much it is low, in K.
    pub low_k: SoakRange,
}

/// A value with the range that the time constants leave.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SoakRange {
    /// As shown.
    pub shown: f64,
    /// Least.
    pub least: f64,
    /// Most.
    pub most: f64,
}

/// What the stated bench can tell by one quantity.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BenchLine {
    /// Identifier of the quantity.
    pub quantity: String,
    /// Label for people.
    pub label: String,
    /// SI unit of the expected values.
    pub unit: String,
    /// Whether it tells parts apart.
    pub answer: BenchAnswer,
    /// Why no instrument reads it.
    pub reason: Option<String>,
    /// The condition in which it tells the parts apart best; absent where no instrument reads it.
    pub reading: Option<BenchReading>,
}

/// Whether a quantity tells parts apart on the stated bench.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum BenchAnswer {
    /// At least two parts differ by more than the bench resolves.
    Differs,
    /// No two parts do, in any condition that a bench can set.
    EqualForAll,
    /// The bench cannot read it.
    NoInstrument,
}

/// One quantity in one condition, with parts of nominal data.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BenchReading {
    /// Kind of condition, as in the results of a part.
    pub condition: String,
    /// Input voltage in V.
    pub input_v: Option<f64>,
    /// Load current in A, or the upper level of the step.
    pub load_a: Option<f64>,
    /// What to set, in words.
    pub place: String,
    /// What each part should show there; parts that cannot be run there are missing.
    #[serde(with = "columns")]
    #[schemars(with = "Columns<BenchExpected>")]
    pub expected: Vec<BenchExpected>,
    /// Every pair of these parts.
    #[serde(with = "columns")]
    #[schemars(with = "Columns<BenchPair>")]
    pub pairs: Vec<BenchPair>,
    /// The smallest difference between any two of these parts in units of what the bench resolves.
    pub smallest_separation: f64,
}

impl BenchReading {
    /// The pair told apart by the least.
    pub fn closest_told_apart(&self) -> Option<&BenchPair> {
        let told = self.pairs.iter().filter(|pair| pair.told_apart);
        told.min_by(|a, b| a.separation.total_cmp(&b.separation))
    }
}

/// What one part should show.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BenchExpected {
    /// Part.
    pub part: String,
    /// Expected value with nominal data, in the unit of the quantity.
    pub value: f64,
    /// Model uncertainty of that value, in the same unit.
    pub uncertainty: f64,
    /// Difference from the original, with its sign, in units of what the bench resolves; absent for the original.
    pub from_original: Option<f64>,
}

/// How far apart two parts are.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BenchPair {
    /// One part.
    pub first: String,
    /// The other.
    pub second: String,
    /// Their difference in units of what the bench resolves.
    pub separation: f64,
    /// Whether the bench tells them apart: see docs/physics.md, "bench plan".
    pub told_apart: bool,
}

/// A measurement worth doing.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BenchMeasurement {
    /// Identifier of the quantity.
    pub quantity: String,
    /// Label for people.
    pub label: String,
    /// SI unit of the expected values.
    pub unit: String,
    /// Condition and expected values.
    pub reading: BenchReading,
    /// The highest that the simulation expects there of any of these parts, in any corner.
    #[serde(default)]
    pub highest: BenchHighest,
    /// Settings of the instruments in words (common practice).
    pub settings: Vec<BenchSetting>,
    /// The screen of an oscilloscope, where one is used.
    pub screen: Option<BenchScreen>,
    /// What can hurt.
    pub cautions: Vec<String>,
}

/// What a test asks of board and parts at its worst. Absent where the condition has no such value.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BenchHighest {
    /// Inductor current in A.
    pub current_a: Option<f64>,
    /// Input voltage in V, which lies across switches and inductor; ringing of the switch node comes on top.
    pub voltage_v: Option<f64>,
    /// Winding temperature in degrees Celsius.
    pub winding_degc: Option<f64>,
}

/// A test that is not to be run, because a rating would be passed in some corner: it is decided on paper.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BenchDanger {
    /// Condition.
    pub condition: String,
    /// Parts with which.
    pub parts: Vec<String>,
    /// Why, with the worst of them and its condition.
    pub reason: String,
}

/// One setting.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BenchSetting {
    /// Of what.
    pub what: String,
    /// How.
    pub setting: String,
}

/// Settings of an oscilloscope's screen of 8 by 10 divisions.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BenchScreen {
    /// Vertical scale in the quantity's electrical unit (V or A) a division.
    pub per_division: f64,
    /// Share of the screen's height that the largest expected trace fills.
    pub fill: f64,
    /// Time base in s a division.
    pub time_per_division_s: f64,
    /// Least sample rate in Hz.
    pub sample_rate_hz: f64,
    /// Least record length in samples.
    pub record_points: f64,
}

/// Origin of a datum.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct OriginRecord {
    /// Which datum.
    pub datum: String,
    /// Value as text.
    pub value: String,
    /// measured, guaranteed, typical, digitised, estimated or assumed.
    pub origin: String,
    /// Reason.
    pub note: String,
}

/// Energy book over all runs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct EnergyRecord {
    /// Number of runs.
    pub runs: usize,
    /// Residual as a fraction of the energy through the converter, of the run that comes nearest to what it is allowed.
    pub worst_residual: f64,
    /// Residual above which that run would be an error: what rounding makes of its length.
    pub allowed_residual: f64,
}

/// Comparison of the exact engine with the independent integration of the smooth curve.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CrossCheckRecord {
    /// Part.
    pub part: String,
    /// Condition in words.
    pub condition: String,
    /// Largest difference of the output voltage over all samples in V.
    pub output_v: f64,
    /// Largest difference of the inductor current over all samples in A.
    pub current_a: f64,
    /// Number of samples.
    pub samples: usize,
    /// Time in s after the begin of the run at which the two came to different decisions (a comparator that hangs on rounding);
    /// nothing is compared from there. Absent where they never did.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until_s: Option<f64>,
    /// Why nothing was compared, where one of the two could not run.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub not_compared: Option<String>,
}
