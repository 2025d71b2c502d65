//! `presolder check`.

use super::given::Given;
use super::{Done, output};
use crate::case::{Case, Origin};
use crate::error::Error;
use crate::model::doubt::{Acts, Nature, doubts};
use crate::record::words::{rounded, say};
use crate::report::calibration::head;
use crate::units::show;
use clap::Args;
use std::fmt::Write;

const EXAMPLE: &str =
    "Example:\n  presolder check cases/valve-controller\n\nExit code: 0 the case can be simulated; 2 it cannot.";

/// Arguments of `check`.
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Check {
    #[command(flatten)]
    given: Given,
    /// Use what captures have told of the board that was captured: calibration.toml in the folder of the case, as calibrate writes it. Says
    /// which data that moves.
    #[arg(long)]
    calibrated: bool,
}

impl Check {
    /// Does it.
    pub fn run(&self) -> Result<Done, Error> {
        let mut case = self.given.read()?;
        let calibration = self.given.calibrated(self.calibrated, &mut case)?;
        let again = self.given.again() + if self.calibrated { " --calibrated" } else { "" };
        output::print(&summary(&mut case, &head(calibration.as_ref()), &again, output::width()))?;
        Ok(Done::Well)
    }
}

fn summary(case: &mut Case, calibrated: &[String], again: &str, width: usize) -> String {
    let frame = case.frame();
    let case = &*case;
    let board = &case.board;
    let list = |values: &[f64], unit: &str| values.iter().map(|v| say(*v, unit)).collect::<Vec<_>>().join(", ");
    let mut text = String::new();
    // Writing to a string cannot fail.
    text.push_str(&labelled("", &board.title, width));
    if !case.set.is_empty() {
        text.push_str(&labelled("Set     ", &case.set.join("; "), width));
    }
    calibrated.iter().for_each(|line| text.push_str(&labelled("", line, width)));
    let inputs = format!(
        "input {} (nominal {}), output {},",
        list(&board.input_v, "V"),
        say(board.nominal_input_v, "V"),
        say(board.output_v, "V")
    );
    let rest = format!(
        "{} switching, load {}, ambient {}",
        say(board.frequency_hz, "Hz"),
        list(&board.load_a, "A"),
        say(board.ambient_degc, "degC")
    );
    let _ = write!(text, "\n{}", labelled("Board   ", &format!("{inputs} {rest}"), width));
    let _ = writeln!(text, "Parts   {} (original)", case.parts[0].name);
    for part in case.parts[1..].iter().take(MANY) {
        let _ = writeln!(text, "        {}", part.name);
    }
    if is_long(case) {
        let _ = writeln!(text, "        and {} more", case.parts.len() - 1 - MANY);
    }
    section(&mut text, "Data to check", case.warnings.iter().cloned(), width);
    push_missing(&mut text, case, &frame, width);
    let mut assumed = grouped(case, Origin::Assumed);
    assumed.retain(|group| !OF_THE_TOOL.iter().any(|begin| group.key.starts_with(begin)));
    section(&mut text, "Assumed", assumed.iter().map(|group| group.told(None)), width);
    section(&mut text, "Estimated", grouped(case, Origin::Estimated).iter().map(|group| group.told(None)), width);
    let _ = writeln!(text, "\nThe case can be simulated: presolder compare {again}");
    text
}

/// What is missing, by what it may change.
fn push_missing(text: &mut String, case: &Case, frame: &Case, width: usize) {
    let mut missing = grouped(case, Origin::Absent);
    // What captures have told is not missing any more.
    missing.retain(|group| !group.parts.is_empty() || case.learned.iter().all(|told| told.key != group.key));
    let told: Vec<(&str, String)> = missing.iter().map(|group| group.missing(case, frame)).collect();
    let mut changed: Vec<&str> = vec![];
    for (what, _) in &told {
        if !changed.contains(what) {
            changed.push(what);
        }
    }
    if changed.is_empty() {
        text.push_str("\nMissing: nothing\n");
    }
    for what in changed {
        let lines = told.iter().filter(|(other, _)| *other == what).map(|(_, line)| line.clone());
        section(text, &format!("Missing, tried at both ends; may change {what}"), lines, width);
    }
}

/// What a datum may change, in words.
fn may_change(acts: Acts) -> &'static str {
    match acts {
        Acts::Rating => "ratings",
        Acts::Loss => "losses, winding temperature",
        Acts::Supply => "efficiency, input ripple",
        Acts::Start => "start-up",
        Acts::Limit => "overload and short circuit",
        Acts::Loop => "load step, loop margins",
        Acts::Waveform => "every waveform",
    }
}

/// Settings of this tool that have a usual value: they are no data of the board (docs/case-format.md has them).
const OF_THE_TOOL: [&str; 4] = ["limits.", "bench.", "numerics.", "measure."];

/// Substitutes that are listed one by one; of a longer list a datum stands once, whatever its values.
const MANY: usize = 12;

fn is_long(case: &Case) -> bool {
    case.parts.len() - 1 > MANY
}

/// One datum of the board, or of all parts that have the same value of it.
struct Group<'a> {
    key: &'a str,
    value: &'a str,
    /// Whether it stands for other values as well.
    has_others: bool,
    note: String,
    parts: Vec<&'a str>,
}

/// The data of an origin, each once with its parts.
fn grouped(case: &Case, wanted: Origin) -> Vec<Group<'_>> {
    let mut groups: Vec<Group> = vec![];
    for datum in case.origins.iter().filter(|datum| datum.origin == wanted) {
        let (key, value) = (datum.key.as_ref(), datum.value.as_ref());
        let same = |group: &&mut Group| {
            let alike = (group.key, group.parts.is_empty()) == (key, datum.part.is_none());
            alike && (group.value == value || is_long(case) && datum.part.is_some())
        };
        match (groups.iter_mut().find(same), &datum.part) {
            (Some(group), Some(part)) => {
                group.has_others |= group.value != value;
                group.parts.push(part);
            }
            (Some(_), None) => {}
            (None, part) => {
                let note = datum.note().into_owned();
                groups.push(Group {
                    key,
                    value,
                    has_others: false,
                    note,
                    parts: part.as_deref().into_iter().collect(),
                });
            }
        }
    }
    groups
}

/// Names of parts that are told; the others are counted.
const NAMED: usize = 3;

impl Group<'_> {
    fn told(&self, ends: Option<String>) -> String {
        let more = self.parts.len().saturating_sub(NAMED);
        let named = self.parts.iter().take(NAMED).copied().collect::<Vec<_>>().join(", ");
        let whose = match (self.parts.len(), more) {
            (0, _) => String::new(),
            (_, 0) => format!("{named}: "),
            _ => format!("{named} and {more} more: "),
        };
        let key = if self.key.is_empty() { "all data" } else { self.key };
        let ends = ends.map_or(String::new(), |ends| format!(", {ends}"));
        // Where ends are told, the table of missing data has the rest.
        let note = if ends.is_empty() && !self.note.is_empty() { format!(" ({})", self.note) } else { String::new() };
        let others = if self.has_others { " and others" } else { "" };
        format!("{whose}{key}: {}{others}{ends}{note}", self.value)
    }

    /// What a missing datum may change, and between which ends it lies.
    fn missing(&self, case: &Case, frame: &Case) -> (&'static str, String) {
        let part = case.parts.iter().find(|part| self.parts.first() == Some(&part.name.as_str()));
        let part = part.unwrap_or(&case.parts[0]);
        let of_part = case.origins.iter().filter(|origin| origin.part.as_deref() == Some(part.name.as_str()));
        let origins = frame.origins.iter().chain(of_part).cloned().collect();
        let all = doubts(&Case { parts: vec![part.clone()], origins, ..frame.clone() }, 0);
        let doubt = all.iter().find(|doubt| doubt.key == self.key);
        let ends = doubt.filter(|doubt| !doubt.rule.is_factor && !doubt.rule.is_feature).and_then(|doubt| {
            let shown = |value: f64| show(rounded(value), doubt.rule.unit);
            match doubt.nature {
                Nature::Ends { low, high } => Some(format!("{} to {}", shown(low), shown(high))),
                Nature::Spread { .. } => None,
            }
        });
        // The ends are those of the first part.
        let ends = ends.filter(|_| !self.has_others);
        let label = doubt.map_or_else(String::new, |doubt| format!(" ({})", doubt.rule.label));
        let what = doubt.map_or("every waveform", |doubt| may_change(doubt.rule.acts));
        (what, self.told(ends) + &label)
    }
}

/// Wrapped lines, a label before the first and room for it before the others.
fn labelled(label: &str, text: &str, width: usize) -> String {
    // Wrapped as an item of a list is, whose mark the label takes the place of.
    let mark = "  - ".len();
    let item = crate::report::text::item(text, width + mark - label.len());
    let mut before = label.to_string();
    let mut lines = String::new();
    for line in item.lines() {
        let _ = writeln!(lines, "{before}{}", line.chars().skip(mark).collect::<String>());
        before = " ".repeat(label.len());
    }
    lines
}

fn section(text: &mut String, title: &str, lines: impl Iterator<Item = String>, width: usize) {
    let lines: Vec<String> = lines.collect();
    if lines.is_empty() {
        let _ = writeln!(text, "\n{title}: nothing");
        return;
    }
    let _ = write!(text, "\n{}", labelled("", &format!("{title}:"), width));
    for line in lines {
        let _ = writeln!(text, "{}", crate::report::text::item(&line, width));
    }
}
