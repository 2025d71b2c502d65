//! A case as data: board, parts, limits, what the bench resolves, numerical settings. Plain values; whoever reads or builds one fills it.

use super::board::Board;
use super::offer::Offer;
use super::parts::{Class, Grade, Inductor, Shield};
use crate::engine::cancel::Cancel;
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::sync::Arc;

/// A case that has been read and found consistent.
#[derive(Clone, Debug)]
pub struct Case {
    /// Name: that of the folder.
    pub name: String,
    /// The board.
    pub board: Board,
    /// The original part first, then the substitutes in the order of the files.
    pub parts: Vec<Inductor>,
    /// The original, where `parts` does not begin with it.
    pub fitted: Option<Box<Inductor>>,
    /// Limits and agreed changes.
    pub limits: Limits,
    /// The company's own deratings; `None` where the case names none.
    pub rules: Option<HouseRules>,
    /// What the board's owner accepts.
    pub waivers: Vec<Waiver>,
    /// What was read on the board with the original fitted.
    pub readings: Vec<Reading>,
    /// What the readings tell of how well the board cools its inductor; `None` without any.
    pub cooling: Option<Cooling>,
    /// Data of the board that captures have told, and that stand there already.
    pub learned: Vec<ToldDatum>,
    /// What the bench can resolve.
    pub bench: Bench,
    /// Numerical settings.
    pub numerics: Numerics,
    /// Every number of the board in SI by its key, such as "load.step.to": what a condition of its own keys reads.
    pub stated: BTreeMap<String, Vec<f64>>,
    /// Origin of each datum that states one, and each assumed default.
    pub origins: Vec<DatumOrigin>,
    /// File and line of each part, by its name; empty for a case that no file holds.
    pub places: BTreeMap<String, String>,
    /// What lists offer each part for, by its name; read for a screening alone.
    pub offers: BTreeMap<String, Vec<Offer>>,
    /// Doubts about the data that do not stop a run.
    pub warnings: Vec<String>,
    /// Lines of lists of parts that cannot be used, each with file, line and reason.
    pub left_out: Vec<String>,
    /// Files that were read, with the SHA-256 of each.
    pub files: Vec<CaseFile>,
    /// Names of the conditions that alone are looked at; `None`: all that the case states.
    pub only_conditions: Option<Vec<&'static str>>,
    /// What was put in place of their values, each as `KEY=VALUE`.
    pub set: Vec<String>,
    /// Stops the runs of this case.
    pub cancel: Cancel,
}

impl Case {
    /// The part that is on the board now; `None` for a case without parts.
    pub fn original(&self) -> Option<&Inductor> {
        self.fitted.as_deref().or(self.parts.first())
    }

    /// A copy without parts and what is said of them alone. It is made without a copy of those, of which there may be very many.
    pub fn frame(&mut self) -> Case {
        let (parts, offers) = (std::mem::take(&mut self.parts), std::mem::take(&mut self.offers));
        let (places, warnings) = (std::mem::take(&mut self.places), std::mem::take(&mut self.warnings));
        let (left_out, origins) = (std::mem::take(&mut self.left_out), std::mem::take(&mut self.origins));
        let of_board = origins.iter().filter(|origin| origin.part.is_none()).cloned().collect();
        let frame = Case { origins: of_board, ..self.clone() };
        (self.parts, self.offers, self.places) = (parts, offers, places);
        (self.warnings, self.left_out, self.origins) = (warnings, left_out, origins);
        frame
    }

    /// Leaves out every substitute that is not among some numbers of parts.
    pub fn keep_parts(&mut self, wanted: &[usize]) {
        let mut number = 0;
        self.parts.retain(|_| {
            number += 1;
            number == 1 || wanted.contains(&(number - 1))
        });
    }

    /// Whether a condition is looked at.
    pub fn looks_at(&self, condition: &str) -> bool {
        self.only_conditions.as_ref().is_none_or(|only| only.contains(&condition))
    }

    /// Grade that is asked of a part, as a number: the board's, else the original's; the highest, where any part states one and nobody
    /// says which is asked.
    pub fn least_grade(&self) -> Option<f64> {
        let known = self.board.grade.or_else(|| self.original()?.class.grade);
        known
            .or_else(|| self.any_states(|class| class.grade.is_some()).then_some(Grade::HIGHEST))
            .map(|grade| f64::from(grade as u8))
    }

    /// Whether it is known which grade is asked of a part.
    pub fn knows_least_grade(&self) -> bool {
        self.board.grade.is_some() || self.original().is_some_and(|original| original.class.grade.is_some())
    }

    /// Shield that is asked of a part, as a number: the original's; the best, where any part states one and the original none.
    pub fn least_shield(&self) -> Option<f64> {
        let known = self.original()?.class.shield;
        known
            .or_else(|| self.any_states(|class| class.shield.is_some()).then_some(Shield::BEST))
            .map(|shield| f64::from(shield as u8))
    }

    /// 1 where the beginning of the winding must be marked: as it is on the original, or where nothing is said of that one but of another.
    pub fn least_mark(&self) -> Option<f64> {
        let known = self.original()?.class.start_mark;
        known.unwrap_or_else(|| self.any_states(|class| class.start_mark.is_some())).then_some(1.0)
    }

    fn any_states(&self, states: impl Fn(&Class) -> bool) -> bool {
        self.parts.iter().any(|part| states(&part.class))
    }

    /// A number that the case states or defaults, in SI, by its key.
    pub fn number(&self, key: &str) -> Option<f64> {
        self.stated.get(key)?.first().copied()
    }

    /// The entry about a datum of a part, or of the board where `part` is `None`; else the one about all data of the part.
    pub fn origin_of(&self, part: Option<&str>, key: &str) -> Option<&DatumOrigin> {
        let of = |key: &str| self.origins.iter().find(|origin| origin.part.as_deref() == part && origin.key == key);
        of(key).or_else(|| part.and_then(|_| of("")))
    }
}

/// A limit that the board's owner accepts not to be met, or not to be shown to be met.
#[derive(Clone, Debug, PartialEq)]
pub struct Waiver {
    /// Identifier of the requirement.
    pub requirement: String,
    /// Who accepts it.
    pub by: String,
    /// When.
    pub date: String,
    /// Why.
    pub reason: String,
    /// How much worse than the original still counts as no worse, as a fraction of the limit.
    pub allowance: Option<f64>,
}

/// The company's own deratings. They bind; what is `None` is not asked.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct HouseRules {
    /// File that states them, as the case names it.
    pub file: String,
    /// Least share of the nominal inductance that is left at the highest current.
    pub inductance_left: Option<f64>,
    /// Most of the saturation rating that a peak of ordinary use takes, as a fraction.
    pub saturation_share: Option<f64>,
    /// Most of the heating rating that an rms current takes, as a fraction.
    pub heating_share: Option<f64>,
    /// Distance in K that the winding keeps from the part's own maximum.
    pub winding_margin_k: Option<f64>,
    /// Least self-resonance as a multiple of the switching frequency.
    pub resonance_ratio: Option<f64>,
    /// Most of the rated working voltage that the highest input takes, as a fraction.
    pub voltage_share: Option<f64>,
}

/// A winding temperature that was read with the original fitted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// Winding temperature in degrees Celsius.
    pub winding_degc: f64,
    /// Input voltage in V.
    pub input_v: f64,
    /// Load in A.
    pub load_a: f64,
    /// Ambient temperature in degrees Celsius.
    pub ambient_degc: f64,
    /// Standard uncertainty of the reading in K.
    pub uncertainty_k: f64,
}

/// Relative standard uncertainties of a thermal resistance once a reading of the original is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cooling {
    /// Of what is the board's own.
    pub board: f64,
    /// Of the original's as a whole.
    pub original: f64,
}

/// What captures of the original have told, as `calibration.toml` states it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Calibration {
    /// Which board was captured, in words.
    pub board: String,
    /// What was learned.
    pub data: Vec<ToldDatum>,
}

/// A datum that captures have told.
#[derive(Clone, Debug, PartialEq)]
pub struct ToldDatum {
    /// Its key.
    pub key: String,
    /// What it is, which tells it from others of that key.
    pub label: String,
    /// Whether it is the own datum of the part that was fitted.
    pub of_part: bool,
    /// Its value in SI.
    pub value: f64,
    /// Standard uncertainty in the same unit.
    pub standard: f64,
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
    /// Nobody stated it: a rule of [`super::doubt`] holds, with its two ends.
    Absent,
}

/// Origin of one datum. A long list has a dozen of them a part: what many have in common stands once.
#[derive(Clone, Debug, PartialEq)]
pub struct DatumOrigin {
    /// Whose datum it is: the part of that name, or the board where there is none.
    pub part: Option<Arc<str>>,
    /// Its key, such as `stage.rise_time` or `output.capacitors[0].esr`; empty for all data of the part that do not say otherwise.
    pub key: Cow<'static, str>,
    /// Whether the files state the value, or this tool took or derived it.
    pub stated: bool,
    /// Standard uncertainty that the files state with it, as a share of the value.
    pub uncertainty: Option<f64>,
    /// Its value as text with unit.
    pub value: Arc<str>,
    /// Where it comes from.
    pub origin: Origin,
    /// Reason or rule, where one is known.
    pub reason: Cow<'static, str>,
}

impl DatumOrigin {
    /// Which datum, for people: "board: control.gain_bandwidth" or "Kestrel-10: dcr_max".
    pub fn datum(&self) -> String {
        match &self.part {
            None => format!("board: {}", self.key),
            Some(part) if self.key.is_empty() => part.to_string(),
            Some(part) => format!("{part}: {}", self.key),
        }
    }

    /// Reason or rule, for people.
    pub fn note(&self) -> Cow<'_, str> {
        if self.stated { Cow::Borrowed(&self.reason) } else { format!("not in the case: {}", self.reason).into() }
    }
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
    /// Largest overshoot as the input returns from a dropout, as a fraction of the output voltage; the total band without it.
    pub dropout_overshoot: Option<f64>,
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
    /// Ambient temperature of the bench in degrees Celsius; `None` where it is that of the board.
    pub ambient_degc: Option<f64>,
    /// Length of the wire loop for a current probe in m.
    pub probe_loop_m: f64,
}

impl Bench {
    /// Length in m of a wire loop that a clamp-on probe just fits into (common practice).
    pub const USUAL_LOOP_M: f64 = 0.06;
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
