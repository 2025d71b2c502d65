//! Two records held against each other: which inputs changed, which outcomes and checks moved, which figures.

use super::layout::{Check, Outcome, PartRecord, Record, State, Value, Verdict};
use crate::units::format_si;
use serde::Serialize;

/// Relative difference up to which two figures are the same on two machines.
pub const SAME: f64 = 1e-9;
/// Digits by which a datum is told.
const DIGITS: usize = 6;

/// What is different in a newer record.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Difference {
    /// Inputs that changed: version, options, files, what was set, what captures told, data with their origin, data of parts.
    pub inputs: Vec<Changed>,
    /// Parts that only one of the two has.
    pub parts: Vec<Changed>,
    /// Outcomes that moved.
    pub outcomes: Vec<MovedOutcome>,
    /// Checks whose state or outcome moved.
    pub checks: Vec<MovedCheck>,
    /// Figures that differ by more than [`SAME`], the largest relative difference first.
    pub figures: Vec<MovedFigure>,
    /// Figures that both have.
    pub compared: usize,
}

/// Something that was one and is another; nothing where it was not there.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Changed {
    /// What.
    pub what: String,
    /// As it was.
    pub old: Option<String>,
    /// As it is.
    pub new: Option<String>,
}

/// An outcome that moved, with what decided.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct MovedOutcome {
    /// Part.
    pub part: String,
    /// Outcome and what decided, as it was.
    pub old: (Outcome, String),
    /// As it is.
    pub new: (Outcome, String),
}

/// A check that moved.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct MovedCheck {
    /// Part.
    pub part: String,
    /// Check.
    pub label: String,
    /// Unit of the values.
    pub unit: String,
    /// State, value and condition, as they were; nothing where it was not asked.
    pub old: Option<Stand>,
    /// As they are.
    pub new: Option<Stand>,
}

/// How a check stands.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Stand {
    /// State.
    pub state: State,
    /// Value.
    pub value: Value,
    /// Condition.
    pub place: String,
}

/// A figure that differs.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct MovedFigure {
    /// Part, condition, corner and quantity.
    pub what: String,
    /// Unit.
    pub unit: String,
    /// As it was.
    pub old: Value,
    /// As it is.
    pub new: Value,
    /// Relative difference; absent where one of the two has no number.
    pub relative: Option<f64>,
}

impl Difference {
    /// What is different in the newer of two records.
    pub fn between(old: &Record, new: &Record) -> Difference {
        let mut all = Difference { inputs: inputs(old, new), ..Difference::default() };
        for verdict in std::iter::once(&new.original).chain(&new.verdicts) {
            match verdict_of(old, &verdict.part) {
                Some(before) => all.add_verdict(before, verdict),
                None => all.parts.push(Changed { what: verdict.part.clone(), old: None, new: Some("compared".into()) }),
            }
        }
        for verdict in std::iter::once(&old.original).chain(&old.verdicts) {
            if verdict_of(new, &verdict.part).is_none() {
                all.parts.push(Changed { what: verdict.part.clone(), old: Some("compared".into()), new: None });
            }
        }
        for part in &new.parts {
            if let Some(before) = old.parts.iter().find(|before| before.name == part.name) {
                all.add_figures(before, part);
            }
        }
        let size = |figure: &MovedFigure| figure.relative.unwrap_or(f64::INFINITY);
        all.figures.sort_by(|a, b| size(b).total_cmp(&size(a)));
        all
    }

    /// Whether inputs, outcomes, checks and figures are the same.
    pub fn is_none(&self) -> bool {
        self.inputs.is_empty()
            && self.parts.is_empty()
            && self.outcomes.is_empty()
            && self.checks.is_empty()
            && self.figures.is_empty()
    }

    fn add_verdict(&mut self, old: &Verdict, new: &Verdict) {
        if old.outcome != new.outcome {
            let of = |verdict: &Verdict| (verdict.outcome, verdict.sentence.clone());
            self.outcomes.push(MovedOutcome { part: new.part.clone(), old: of(old), new: of(new) });
        }
        let keys = old.checks.iter().chain(&new.checks).map(|check| &check.key);
        let mut seen: Vec<&String> = vec![];
        for key in keys {
            if seen.contains(&key) {
                continue;
            }
            seen.push(key);
            let [before, now] = [old, new].map(|verdict| verdict.checks.iter().find(|check| check.key == *key));
            let stands = |check: Option<&Check>| check.map(|check| (check.state, check.outcome));
            if stands(before) != stands(now)
                && let Some(check) = now.or(before)
            {
                let (part, label, unit) = (new.part.clone(), check.label.clone(), check.unit.clone());
                self.checks.push(MovedCheck { part, label, unit, old: before.map(stand), new: now.map(stand) });
            }
        }
    }

    fn add_figures(&mut self, old: &PartRecord, new: &PartRecord) {
        for now in &new.results {
            let same_place = |before: &&super::layout::ConditionRecord| {
                (&before.condition, &before.corner, before.input_v, before.load_a)
                    == (&now.condition, &now.corner, now.input_v, now.load_a)
            };
            let Some(before) = old.results.iter().find(same_place) else { continue };
            for value in &now.values {
                let Some(was) = before.values.iter().find(|was| was.quantity == value.quantity) else { continue };
                self.compared += 1;
                let relative = relative(&was.value, &value.value);
                if was.value == value.value || relative.is_some_and(|relative| relative <= SAME) {
                    continue;
                }
                let what = format!("{}: {}, {}: {}", new.name, now.condition, now.corner, value.quantity);
                let (old, new) = (was.value.clone(), value.value.clone());
                self.figures.push(MovedFigure { what, unit: value.unit.clone(), old, new, relative });
            }
        }
    }
}

fn verdict_of<'a>(record: &'a Record, part: &str) -> Option<&'a Verdict> {
    std::iter::once(&record.original).chain(&record.verdicts).find(|verdict| verdict.part == part)
}

fn stand(check: &Check) -> Stand {
    Stand { state: check.state, value: check.value.value.clone(), place: check.place.clone() }
}

/// Relative difference of two exact numbers.
fn relative(old: &Value, new: &Value) -> Option<f64> {
    let (old, new) = (old.exact()?, new.exact()?);
    if old == new {
        return Some(0.0);
    }
    Some((new - old).abs() / old.abs().max(new.abs()))
}

/// Names with their values.
type Pairs = Vec<(String, String)>;

/// Options of the command, and what was given for each.
fn options(record: &Record) -> Pairs {
    let run = &record.run;
    let flag = |is_given: bool| if is_given { "given" } else { "not given" }.to_string();
    let list = |names: &[String]| if names.is_empty() { "all".into() } else { names.join(", ") };
    let all = [
        ("--quick", flag(run.quick)),
        ("--only", list(&run.only)),
        ("--only-condition", list(&run.only_conditions)),
        ("--calibrated", flag(run.calibrated)),
        ("--cross-check", flag(run.cross_check)),
    ];
    all.map(|(option, given)| (format!("option {option}"), given)).to_vec()
}

/// Inputs that changed.
fn inputs(old: &Record, new: &Record) -> Vec<Changed> {
    let version = |record: &Record| vec![("version of presolder".to_string(), record.presolder_version.clone())];
    let files = |record: &Record| {
        let of = |file: &super::layout::FileRecord| (format!("file {}", file.path), format!("SHA-256 {}", file.sha256));
        record.case.files.iter().map(of).collect::<Vec<_>>()
    };
    let told = |record: &Record| {
        let data = record.calibration.iter().flat_map(|calibration| &calibration.data);
        let of = |datum: &super::layout::MovedDatum| {
            let shown = |value: f64| format_si(value, &datum.unit, DIGITS);
            let (value, uncertainty) = datum.after;
            (format!("captures told {}", datum.datum), format!("{} ± {}", shown(value), shown(uncertainty)))
        };
        data.map(of).collect::<Vec<_>>()
    };
    let set = |record: &Record| {
        let of = |set: &String| {
            let (key, value) = set.split_once('=').unwrap_or((set, ""));
            (format!("set {key}"), value.to_string())
        };
        record.case.set.iter().map(of).collect::<Vec<_>>()
    };
    let data = |record: &Record| {
        let of = |origin: &super::layout::OriginRecord| {
            (origin.datum.clone(), format!("{} ({})", origin.value, origin.origin))
        };
        record.origins.iter().map(of).collect::<Vec<_>>()
    };
    let facts = |record: &Record| {
        let of = |part: &PartRecord| {
            let name = part.name.clone();
            part.facts
                .iter()
                .map(move |fact| (format!("{name}: {}", fact.label), fact.value.clone()))
                .collect::<Vec<_>>()
        };
        record.parts.iter().flat_map(of).collect::<Vec<_>>()
    };
    let kinds: [&dyn Fn(&Record) -> Pairs; 7] = [&version, &options, &files, &set, &told, &data, &facts];
    kinds.into_iter().flat_map(|kind| changed(&kind(old), &kind(new))).collect()
}

/// Pairs of name and value that are not the same in both.
fn changed(old: &[(String, String)], new: &[(String, String)]) -> Vec<Changed> {
    let value = |list: &[(String, String)], what: &str| {
        list.iter().find(|(name, _)| name == what).map(|(_, value)| value.clone())
    };
    let gone = old.iter().filter(|(what, _)| value(new, what).is_none());
    let mut all: Vec<Changed> = new
        .iter()
        .filter(|(what, now)| value(old, what).as_ref() != Some(now))
        .map(|(what, now)| Changed { what: what.clone(), old: value(old, what), new: Some(now.clone()) })
        .collect();
    all.extend(gone.map(|(what, was)| Changed { what: what.clone(), old: Some(was.clone()), new: None }));
    all
}
