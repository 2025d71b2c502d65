//! The worst load of the parts of a case, for people and programs.

use crate::corridor::worst_load::{Random, Wish, Worst, WorstLoads};
use crate::model::case::Case;
use crate::record::words::say;
use crate::units::format_si;
use serde::Serialize;

/// The worst loads of some parts. All values in SI.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct WorstLoadRecord {
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
    /// Corner, in words.
    pub corner: String,
    /// Swing in A.
    pub swing_a: f64,
    /// Fastest slew in A/s.
    pub slew_a_per_s: f64,
    /// Shortest dwell in s.
    pub dwell_s: f64,
    /// Where the dwell comes from, in words.
    pub dwell_from: String,
    /// Base load in A of the single step.
    pub base_a: f64,
    /// Least and greatest base load in A that are tried.
    pub bases_a: (f64, f64),
    /// Largest undershoot and overshoot in V, where the case states one.
    pub limit_v: Option<f64>,
    /// The parts, in the order of the case.
    pub parts: Vec<PartRecord>,
}

/// The worst loads of one part.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PartRecord {
    /// Part.
    pub part: String,
    /// Whether it is the original.
    pub original: bool,
    /// Why there is none.
    pub failed: Option<String>,
    /// To both sides.
    pub sides: Vec<SideRecord>,
    /// Base loads in A that were tried and from which there is no steady state at one of the levels, with the reason.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub undelivered: Vec<(f64, String)>,
    /// The decision in a sentence.
    pub sentence: String,
}

/// The worst load to one side.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SideRecord {
    /// "undershoot" or "overshoot".
    pub side: &'static str,
    /// Linear bound in V; none where the waveform does not repeat.
    pub bound_v: Option<f64>,
    /// The worst found in full simulation in V.
    pub found_v: f64,
    /// The single step in V.
    pub step_v: f64,
    /// Base load of the worst found in A.
    pub base_a: f64,
    /// Its edges.
    pub edges: usize,
    /// The load: time in s from a clock edge, current in A.
    pub profile: Vec<(f64, f64)>,
    /// Random loads that were run besides.
    pub random: RandomRecord,
}

/// What random loads did.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct RandomRecord {
    /// How many were run.
    pub count: usize,
    /// The furthest in the linear simulation in V.
    pub linear_v: f64,
    /// How many went beyond the linear bound there.
    pub beyond_bound: usize,
    /// The furthest in full simulation in V.
    pub full_v: f64,
    /// How many went beyond the worst found there, before one of them took its place.
    pub beyond_found: usize,
}

impl From<Random> for RandomRecord {
    fn from(random: Random) -> RandomRecord {
        let Random { count, linear_v, beyond_bound, full_v, beyond_found } = random;
        RandomRecord { count, linear_v, beyond_bound, full_v, beyond_found }
    }
}

/// Time in s for which the last level of a profile is held.
const LAST_HELD_PERIODS: f64 = 4.0;

/// The record of what was found. `dwell_from` says where the dwell comes from.
pub fn record(found: &WorstLoads, wish: &Wish, dwell_from: &str) -> WorstLoadRecord {
    let case = &found.case;
    let limit_v = case.limits.step_deviation_v;
    let parts = wish.parts.iter().zip(&found.parts).map(|(part, one)| {
        let sides = one.as_ref().map_or(vec![], |one| {
            let named = ["undershoot", "overshoot"].into_iter().zip(&one.sides);
            named.map(|(name, worst)| side(case, name, worst)).collect()
        });
        let told = PartRecord {
            part: case.parts[*part].name.clone(),
            original: *part == 0,
            failed: one.as_ref().err().cloned(),
            sides,
            undelivered: one.as_ref().map_or(vec![], |one| one.undelivered.clone()),
            sentence: String::new(),
        };
        PartRecord { sentence: sentence(&told, limit_v), ..told }
    });
    WorstLoadRecord {
        presolder_version: env!("CARGO_PKG_VERSION").into(),
        case: case.name.clone(),
        title: case.board.title.clone(),
        set: case.set.clone(),
        input_v: wish.input_v,
        corner: wish.corner.name(),
        swing_a: wish.bounds.swing_a,
        slew_a_per_s: wish.bounds.slew_a_per_s,
        dwell_s: wish.bounds.dwell_s,
        dwell_from: dwell_from.into(),
        base_a: wish.base_a,
        bases_a: wish.bases_a,
        limit_v,
        parts: parts.collect(),
    }
}

fn side(case: &Case, name: &'static str, worst: &Worst) -> SideRecord {
    let mut profile: Vec<(f64, f64)> =
        worst.waveform.points().into_iter().map(|(at_s, load_a)| (at_s, worst.base_a + load_a)).collect();
    // The last level, so that it is one in a file as well.
    let last = profile.last().copied().unwrap_or((0.0, worst.base_a));
    profile.push((last.0 + LAST_HELD_PERIODS / case.board.frequency_hz, last.1));
    SideRecord {
        side: name,
        bound_v: worst.bound_v,
        found_v: worst.found_v,
        step_v: worst.step_v,
        base_a: worst.base_a,
        edges: worst.waveform.edges.len(),
        profile,
        random: worst.random.into(),
    }
}

fn volts(value: f64) -> String {
    format_si(value, "V", 3)
}

/// "linear bound 214 mV; the worst found in full simulation 221 mV; single step 178 mV".
pub fn three(side: &SideRecord) -> String {
    let bound = side.bound_v.map_or("no linear bound (the waveform does not repeat)".into(), |bound_v| {
        format!("linear bound {}", volts(bound_v))
    });
    let (found, step) = (volts(side.found_v), volts(side.step_v));
    format!("{bound}; the worst found in full simulation {found}; single step {step}")
}

fn sentence(told: &PartRecord, limit_v: Option<f64>) -> String {
    let name = if told.original { format!("{} (original)", told.part) } else { told.part.clone() };
    if let Some(failed) = &told.failed {
        return format!("{name}: not computed: {failed}");
    }
    let Some(worst) = told.sides.iter().reduce(|a, b| if b.found_v > a.found_v { b } else { a }) else {
        return format!("{name}: not computed");
    };
    let without =
        told.undelivered.iter().map(|(base_a, why)| format!("; from a base load of {}: {why}", say(*base_a, "A")));
    let what = format!(
        "{}, base load {}: {}{}",
        worst.side,
        say(worst.base_a, "A"),
        three(worst),
        without.collect::<String>()
    );
    match limit_v {
        None => format!("{name}: {what}"),
        Some(limit_v) if worst.found_v > limit_v => {
            let over = 100.0 * (worst.found_v / limit_v - 1.0);
            format!("{name} EXCEEDS the limit by {over:.1} %: {what}")
        }
        Some(limit_v) => {
            let left = 100.0 * (1.0 - worst.found_v / limit_v);
            format!("{name} stays within the limit, {left:.1} % left: {what}")
        }
    }
}
