//! Which changes of the board make a part pass, and what each costs elsewhere, in words.

use super::layout::{CaseIdentity, Outcome};
use super::words::{self, lower, say, say_value};
use crate::corridor::remedies::{Changes, Found, Hopeless, Kind, Knob, Remedy, Room};
use crate::judge::Verdict;
use crate::judge::finding::Finding;
use crate::judge::sight::margin;
use crate::model::case::Case;
use crate::units::{self, Dimension};
use serde::Serialize;

/// Share of a limit below which no figure tells by how much it is missed.
const LEAST_SAID: f64 = 1e-3;
/// Share of a limit that a check must lose for it to be told as a cost.
const A_COST: f64 = 0.02;
/// Costs of a remedy that are told.
const MOST_COSTS: usize = 4;

/// Remedies for the parts of a case.
#[derive(Clone, Debug, Serialize)]
pub struct RemediesRecord {
    /// Version of this tool.
    pub presolder_version: String,
    /// The case.
    pub case: CaseIdentity,
    /// Keys of the case that were varied, with what is fitted.
    pub varied: Vec<String>,
    /// The parts that were asked about.
    pub parts: Vec<PartOf>,
}

/// What was found for one part.
#[derive(Clone, Debug, Serialize)]
pub struct PartOf {
    /// Part.
    pub part: String,
    /// Outcome on the board as it is.
    pub outcome: Outcome,
    /// What decides there.
    pub sentence: String,
    /// Changes with which it passes, the least first.
    pub remedies: Vec<RemedyOf>,
    /// Why there is none, where there is none.
    pub none: Option<String>,
    /// Changes tried.
    pub tried: usize,
    /// Of those compared in full, how many failed there.
    pub refused: usize,
}

/// A change of the board with which a part passes in full.
#[derive(Clone, Debug, Serialize)]
pub struct RemedyOf {
    /// What to set, each as `KEY=VALUE`.
    pub set: Vec<String>,
    /// The same as from and to.
    pub changes: Vec<String>,
    /// What it does to the checks that were not met.
    pub gains: Vec<String>,
    /// What it costs elsewhere, the most first.
    pub costs: Vec<String>,
    /// The comparison that shows it.
    pub command: String,
}

/// What to set for a change.
pub fn setting(knob: &Knob, value: f64) -> String {
    format!("{}={}", knob.key, shown(knob, value))
}

fn shown(knob: &Knob, value: f64) -> String {
    match knob.kind {
        Kind::Count => format!("{value:.0}"),
        Kind::Resistor => units::show(value, Dimension::Resistance),
        Kind::Capacitor => units::show(value, Dimension::Capacitance),
    }
}

/// A component with its new value.
pub type Changed<'k> = (&'k Knob, f64);

/// Makes the comparison of a part with what is set, as a command line.
pub type Command<'c> = dyn Fn(&str, &[Changed<'_>]) -> String + 'c;

/// Everything together. `command` makes the comparison of a part with what is set.
pub fn record(case: &Case, knobs: &[Knob], found: &[Found], command: &Command<'_>) -> RemediesRecord {
    RemediesRecord {
        presolder_version: env!("CARGO_PKG_VERSION").into(),
        case: super::identity(case),
        varied: knobs.iter().map(|knob| format!("{} (now {})", knob.key, shown(knob, knob.now))).collect(),
        parts: found.iter().map(|found| part(knobs, found, command)).collect(),
    }
}

fn part(knobs: &[Knob], found: &Found, command: &Command<'_>) -> PartOf {
    let (case, verdict) = (&found.before.case, &found.before.verdicts[1]);
    let name = case.parts[1].name.clone();
    let remedies: Vec<RemedyOf> =
        found.remedies.iter().map(|one| remedy(knobs, found, one, &|set| command(&name, set))).collect();
    PartOf {
        part: name,
        outcome: verdict.outcome,
        sentence: words::decision(case, verdict),
        none: remedies.is_empty().then(|| none(knobs, found)),
        remedies,
        tried: found.tried,
        refused: found.refused,
    }
}

fn of_changes<'k>(knobs: &'k [Knob], changes: &Changes) -> Vec<(&'k Knob, f64)> {
    changes.iter().map(|(knob, value)| (&knobs[*knob], *value)).collect()
}

fn from_to(changes: &[(&Knob, f64)]) -> Vec<String> {
    changes
        .iter()
        .map(|(knob, value)| format!("{} {} to {}", knob.key, shown(knob, knob.now), shown(knob, *value)))
        .collect()
}

fn remedy(knobs: &[Knob], found: &Found, remedy: &Remedy, command: &dyn Fn(&[Changed<'_>]) -> String) -> RemedyOf {
    let changes = of_changes(knobs, &remedy.changes);
    let (before, after) = (&found.before.verdicts[1], &remedy.comparison.verdicts[1]);
    RemedyOf {
        set: changes.iter().map(|(knob, value)| setting(knob, *value)).collect(),
        changes: from_to(&changes),
        gains: gains(&found.before.case, before, after),
        costs: costs(&found.before.case, before, after),
        command: command(&changes),
    }
}

/// The same check after a change, where it is still the same quantity that decides it.
fn same<'v>(verdict: &'v Verdict, finding: &Finding) -> Option<&'v Finding> {
    verdict.findings.iter().find(|other| other.key() == finding.key() && other.quantity.id == finding.quantity.id)
}

fn gains(case: &Case, before: &Verdict, after: &Verdict) -> Vec<String> {
    let unmet = before.findings.iter().filter(|finding| finding.outcome > Outcome::NoWorse);
    unmet.filter_map(|finding| Some(moved(case, finding, same(after, finding)?))).collect()
}

fn costs(case: &Case, before: &Verdict, after: &Verdict) -> Vec<String> {
    let lost = |finding: &Finding| {
        let now = same(after, finding)?;
        let by = share_left(finding)? - share_left(now)?;
        (by > A_COST && finding.outcome <= Outcome::NoWorse).then(|| (by, moved(case, finding, now)))
    };
    let mut all: Vec<(f64, String)> = before.findings.iter().filter_map(lost).collect();
    all.sort_by(|a, b| b.0.total_cmp(&a.0));
    all.into_iter().take(MOST_COSTS).map(|(_, said)| said).collect()
}

fn share_left(finding: &Finding) -> Option<f64> {
    let limit = finding.limit?;
    Some(margin(finding.value.value.number()?, &limit) / limit.value.abs().max(f64::MIN_POSITIVE))
}

fn moved(case: &Case, before: &Finding, after: &Finding) -> String {
    let unit = before.quantity.unit;
    let limit = after.limit.map_or_else(String::new, |limit| format!(" (limit {})", say(limit.value, unit)));
    let [from, to] = [before, after].map(|finding| say_value(&finding.value.value, unit));
    format!("{} {from} to {to}{limit}", lower(&words::label(case, before)))
}

/// Why there is no remedy.
fn none(knobs: &[Knob], found: &Found) -> String {
    match &found.hopeless {
        Some(Hopeless::Passes) => return "It passes on the board as it is.".into(),
        Some(Hopeless::NoWorse) => {
            return "It is no worse than the original, which no change of the board is asked to better.".into();
        }
        Some(Hopeless::Data) => {
            return "None within these: what its data sheet says decides, or leaves open, and no change of the board turns that.".into();
        }
        Some(Hopeless::Margins) => {
            return "None within these: the loop is known by crossover and phase margin alone; state the compensator's components.".into();
        }
        Some(Hopeless::NoKnobs) => return "None within these: the case has no component that could be changed.".into(),
        None => {}
    }
    let closest = match &found.closest {
        Some((changes, Room { share, of: Some(quantity) })) if share.is_finite() && *share < 0.0 => {
            let changes = from_to(&of_changes(knobs, changes)).join(", ");
            let by = if *share > -LEAST_SAID { "less than 0.1".into() } else { format!("{:.1}", -100.0 * share) };
            let label = lower(quantity.label);
            format!(" The closest, {changes}, misses the limit of the {label} by {by} % of it, uncertainty included.")
        }
        _ => String::new(),
    };
    let full = match found.refused {
        0 => String::new(),
        1 => ", 1 compared in full".into(),
        refused => format!(", {refused} compared in full"),
    };
    format!("None within these: {} changes tried, one part of the board and two{full}.{closest}", found.tried)
}
