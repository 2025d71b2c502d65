//! Output impedance of the parts of a case, for people and programs.

use crate::corridor::impedance::{Impedance, Impedances, Wish};
use crate::model::case::Case;
use crate::record::words::say;
use crate::units::format_si;
use nalgebra::Complex;
use serde::Serialize;

/// Output impedance of some parts. All values in SI.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ImpedanceRecord {
    /// Version of the tool.
    pub presolder_version: String,
    /// Name of the case.
    pub case: String,
    /// Its title.
    pub title: String,
    /// What was put in place of values of the files, each as `KEY=VALUE`.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub set: Vec<String>,
    /// Input voltage in V.
    pub input_v: f64,
    /// Load in A around which the board is linearised.
    pub load_a: f64,
    /// Corner, in words.
    pub corner: String,
    /// What the impedance is held against, where there is such a thing.
    pub target: Option<Target>,
    /// Frequencies in Hz, ascending up to half the switching frequency.
    pub frequency_hz: Vec<f64>,
    /// The parts, in the order of the case.
    pub parts: Vec<PartImpedance>,
}

/// What the impedance is held against.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Target {
    /// In ohm.
    pub ohm: f64,
    /// What it follows from.
    pub because: String,
}

/// Impedance of one part.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PartImpedance {
    /// Part.
    pub part: String,
    /// Whether it is the original.
    pub original: bool,
    /// Why there is none.
    pub failed: Option<String>,
    /// Loop closed.
    pub closed: Option<Curve>,
    /// Loop opened at the control voltage; none where there is no control voltage.
    pub opened: Option<Curve>,
    /// The largest, loop closed.
    pub largest: Option<Peak>,
    /// From where to where in Hz it exceeds the target, loop closed.
    pub beyond_hz: Vec<(f64, f64)>,
    /// Where it differs most from the original, loop closed: the difference as a share of the original's.
    pub change: Option<Change>,
    /// Switching periods after which the waveform repeats.
    pub periods: Option<u64>,
    /// The decision in a sentence.
    pub sentence: String,
}

/// Impedance over the frequencies.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Curve {
    /// Magnitude in ohm.
    pub magnitude_ohm: Vec<f64>,
    /// Phase in degrees, without jumps of a turn.
    pub phase_deg: Vec<f64>,
}

/// A value and where it is.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Peak {
    /// In ohm.
    pub ohm: f64,
    /// In Hz.
    pub frequency_hz: f64,
}

/// A change against the original and where it is.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Change {
    /// Of the magnitude, as a share of the original's.
    pub share: f64,
    /// In Hz.
    pub frequency_hz: f64,
}

impl Curve {
    fn of(values: &[Complex<f64>]) -> Option<Curve> {
        let mut curve = Curve { magnitude_ohm: vec![], phase_deg: vec![] };
        for value in values {
            let phase_deg = value.arg().to_degrees();
            let before_deg = curve.phase_deg.last().copied().unwrap_or(phase_deg);
            curve.magnitude_ohm.push(value.norm());
            curve.phase_deg.push(phase_deg - 360.0 * ((phase_deg - before_deg) / 360.0).round());
        }
        (!values.is_empty()).then_some(curve)
    }

    /// Magnitude in ohm at a frequency, between two of the grid on a straight line of logarithms.
    pub fn at(&self, grid_hz: &[f64], hz: f64) -> Option<f64> {
        let last = grid_hz.len().checked_sub(1).filter(|last| *last > 0)?;
        let k = grid_hz.partition_point(|f| *f < hz).clamp(1, last);
        let share = (hz / grid_hz[k - 1]).ln() / (grid_hz[k] / grid_hz[k - 1]).ln();
        let [low, high] = [k - 1, k].map(|k| self.magnitude_ohm[k].ln());
        Some((low + share * (high - low)).exp())
    }
}

/// The target: what is told in its place, or the limit of the board's load step over that step.
pub fn target(case: &Case, told_ohm: Option<f64>) -> Option<Target> {
    if let Some(ohm) = told_ohm {
        return Some(Target { ohm, because: "as told".into() });
    }
    let (limit_v, step) = (case.limits.step_deviation_v?, case.board.load_step.as_ref()?);
    let step_a = step.to_a - step.from_a;
    let because = format!("the limit of {} over the load step of {}", say(limit_v, "V"), say(step_a, "A"));
    Some(Target { ohm: limit_v / step_a, because })
}

/// The record of what was found.
pub fn record(found: &Impedances, wish: &Wish, target: Option<Target>) -> ImpedanceRecord {
    let (case, grid_hz) = (&found.case, &found.frequencies_hz);
    let original = wish.parts.iter().position(|part| *part == 0).and_then(|at| found.parts[at].as_ref().ok());
    let parts = wish.parts.iter().zip(&found.parts).map(|(part, one)| {
        let told = PartImpedance {
            part: case.parts[*part].name.clone(),
            original: *part == 0,
            failed: one.as_ref().err().cloned(),
            closed: one.as_ref().ok().and_then(|one| Curve::of(&one.closed_ohm)),
            opened: one.as_ref().ok().and_then(|one| Curve::of(&one.opened_ohm)),
            largest: one.as_ref().ok().and_then(|one| largest(grid_hz, one)),
            beyond_hz: vec![],
            change: one.as_ref().ok().zip(original).and_then(|(one, original)| change(grid_hz, one, original)),
            periods: one.as_ref().ok().map(|one| one.periods),
            sentence: String::new(),
        };
        decided(told, grid_hz, target.as_ref())
    });
    ImpedanceRecord {
        presolder_version: env!("CARGO_PKG_VERSION").into(),
        case: case.name.clone(),
        title: case.board.title.clone(),
        set: case.set.clone(),
        input_v: wish.input_v,
        load_a: wish.load_a,
        corner: wish.corner.name(),
        parts: parts.collect(),
        frequency_hz: grid_hz.clone(),
        target,
    }
}

fn largest(grid_hz: &[f64], one: &Impedance) -> Option<Peak> {
    let all = grid_hz.iter().zip(&one.closed_ohm).map(|(hz, value)| Peak { ohm: value.norm(), frequency_hz: *hz });
    all.max_by(|a, b| a.ohm.total_cmp(&b.ohm))
}

fn change(grid_hz: &[f64], one: &Impedance, original: &Impedance) -> Option<Change> {
    let both = one.closed_ohm.iter().zip(&original.closed_ohm);
    let all = grid_hz
        .iter()
        .zip(both)
        .map(|(hz, (one, original))| Change { share: one.norm() / original.norm() - 1.0, frequency_hz: *hz });
    all.max_by(|a, b| a.share.abs().total_cmp(&b.share.abs()))
}

/// The same with where it exceeds the target, and the sentence.
fn decided(mut told: PartImpedance, grid_hz: &[f64], target: Option<&Target>) -> PartImpedance {
    if let (Some(curve), Some(target)) = (&told.closed, target) {
        told.beyond_hz = beyond(grid_hz, &curve.magnitude_ohm, target.ohm);
    }
    told.sentence = sentence(&told, target);
    told
}

/// Ranges in which a curve is above a level; their ends on a straight line of logarithms between two points.
fn beyond(grid_hz: &[f64], magnitude_ohm: &[f64], level_ohm: f64) -> Vec<(f64, f64)> {
    let mut ranges: Vec<(f64, f64)> = vec![];
    let mut from_hz = None;
    for (k, (hz, ohm)) in grid_hz.iter().zip(magnitude_ohm).enumerate() {
        let crossed_hz = |k: usize| {
            let (low, high) = (magnitude_ohm[k - 1], magnitude_ohm[k]);
            let share = (level_ohm / low).ln() / (high / low).ln();
            grid_hz[k - 1] * (grid_hz[k] / grid_hz[k - 1]).powf(share)
        };
        match (from_hz, *ohm > level_ohm) {
            (None, true) => from_hz = Some(if k == 0 { *hz } else { crossed_hz(k) }),
            (Some(from), false) => {
                ranges.push((from, crossed_hz(k)));
                from_hz = None;
            }
            _ => {}
        }
    }
    ranges.extend(from_hz.zip(grid_hz.last().copied()));
    ranges
}

fn hz(value: f64) -> String {
    format_si(value, "Hz", 3)
}

fn sentence(told: &PartImpedance, target: Option<&Target>) -> String {
    let name = if told.original { format!("{} (original)", told.part) } else { told.part.clone() };
    if let Some(failed) = &told.failed {
        return format!("{name}: not computed: {failed}");
    }
    let Some(largest) = told.largest else { return format!("{name}: not computed: no frequency to look at") };
    let at = format!("{} at {}", format_si(largest.ohm, "ohm", 3), hz(largest.frequency_hz));
    match target {
        None => format!("{name}: largest {at}"),
        Some(_) if told.beyond_hz.is_empty() => format!("{name} stays below the target: largest {at}"),
        Some(target) => {
            let ranges: Vec<String> =
                told.beyond_hz.iter().map(|(from, to)| format!("from {} to {}", hz(*from), hz(*to))).collect();
            let times = largest.ohm / target.ohm;
            format!("{name} EXCEEDS the target {}: largest {at}, {times:.2} times the target", ranges.join(" and "))
        }
    }
}
