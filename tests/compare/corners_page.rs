//! docs/corners.md: the corner that compare finds for each check, against every combination of six tolerances at either end, on three boards.
//! Written anew by `PRESOLDER_FREEZE=1 cargo test --release --test compare corners_page`; otherwise the page is held to its own rule. The oven's
//! board is held by a run in `corners.rs`.

use super::corners::{MISSED_REL, bad, case_with};
use presolder::condition::contract::Condition;
use presolder::condition::figures::{Figures, Place};
use presolder::condition::known::Known;
use presolder::condition::stand::Stand;
use presolder::condition::{self};
use presolder::corridor::{self, Comparison, Depth};
use presolder::judge::finding::{Asked, Finding};
use presolder::judge::sight::margin;
use presolder::model::corner::{Corner, End, Parameter};
use presolder::quantity::Quantity;
use rayon::prelude::*;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};

const BOARDS: [&str; 3] = ["oven-panel", "valve-controller", "ticket-kiosk"];
/// The original and one substitute.
const PARTS: usize = 2;
/// Tolerances of a factorial, and the combinations of their ends.
const SIX: usize = 6;
const COMBINATIONS: usize = 1 << SIX;
/// Tolerances in the order in which they are taken.
const MATTERING: [Parameter; 9] = [
    Parameter::Inductance,
    Parameter::Resistance,
    Parameter::Capacitance,
    Parameter::Frequency,
    Parameter::Reference,
    Parameter::SeriesResistance,
    Parameter::CoreLoss,
    Parameter::Ambient,
    Parameter::LimitThreshold,
];
/// Share of a limit left from which an event gets no corner of its own: docs/physics.md, "corners".
const WITHIN_REACH: f64 = 0.5;

/// A check, what compare finds of it, and what the factorial does.
struct Line {
    part: String,
    label: &'static str,
    ours: f64,
    unit: &'static str,
    corner: String,
    worst: f64,
    worst_corner: String,
    missed: f64,
    /// Whether compare looks for a corner of its own.
    searched: bool,
    /// Whether the factorial's worst meets the limit that compare's meets.
    same_side: bool,
}

/// All lines of a board, with the runs of either way.
struct Study {
    name: &'static str,
    lines: Vec<Line>,
    runs: (usize, usize),
}

fn page() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/corners.md")
}

/// Findings that a run decides, with a number and a limit.
fn is_held(finding: &&Finding) -> bool {
    let simulated = condition::find(finding.place.condition).is_some_and(|condition| !condition.is_data());
    let number = finding.value.value.exact().is_some() && !finding.quantity.unit.is_empty();
    simulated
        && number
        && finding.limit.is_some()
        && !finding.stands_in
        && matches!(finding.asked, Asked::Requirement(_))
}

/// The six tolerances of a factorial: those that act on most waveforms, as far as board and part have them.
fn six(comparison: &Comparison, part: usize) -> Vec<Parameter> {
    let is_on = |one: &Parameter| one.is_on(&comparison.case.board, &comparison.case.parts[part]);
    let mut all: Vec<Parameter> = MATTERING.into_iter().filter(is_on).collect();
    all.truncate(SIX);
    all
}

fn combination(six: &[Parameter], from: Corner, number: usize) -> Corner {
    let end = |bit: usize| if number >> bit & 1 == 0 { End::Least } else { End::Most };
    six.iter().enumerate().fold(from, |corner, (bit, one)| corner.with(*one, Some(end(bit))))
}

/// What a part shows in a place; nothing where it cannot be computed.
fn figures(comparison: &Comparison, part: usize, place: Place, known: &Known) -> Option<Figures> {
    let case = &comparison.case;
    let input_v = place.input_v.unwrap_or(case.board.nominal_input_v);
    let stand = Stand::beside(case, &case.parts[part], place.corner, input_v, known.elsewhere());
    let condition: &dyn Condition = condition::find(place.condition)?;
    Some(condition.simulate(&stand, place).ok()?.figures)
}

/// The factorial around a place, each run once; and what the first run knows.
fn factorial(comparison: &Comparison, part: usize, place: Place) -> Vec<Figures> {
    let case = &comparison.case;
    let input_v = place.input_v.unwrap_or(case.board.nominal_input_v);
    let near = Stand::new(case, &case.parts[part], place.corner, input_v);
    let _ = condition::find(place.condition).map(|condition| condition.simulate(&near, place));
    let known = near.into_known();
    let six = six(comparison, part);
    let corners = (0..COMBINATIONS).map(|number| Place { corner: combination(&six, place.corner, number), ..place });
    let places: Vec<Place> = corners.collect();
    places.par_iter().filter_map(|place| figures(comparison, part, *place, &known)).collect()
}

/// The worst value of a quantity among some figures, with its corner.
fn worst<'a>(quantity: &Quantity, found: impl Iterator<Item = &'a Figures>) -> Option<(Corner, f64)> {
    let valued = found.filter_map(|found| Some((found.place.corner, found.number(quantity.id)?)));
    valued.reduce(|a, b| if bad(quantity.side, b.1) > bad(quantity.side, a.1) { b } else { a })
}

fn line(comparison: &Comparison, part: usize, finding: &Finding, found: &[Figures]) -> Option<Line> {
    let (side, limit) = (finding.quantity.side, finding.limit?);
    // A record shows the corner with the least margin in units of its uncertainty, which need not be the one with the worst value.
    let alike = |found: &&Figures| Place { corner: finding.place.corner, ..found.place } == finding.place;
    let (corner, ours) = worst(finding.quantity, comparison.parts[part].results.iter().filter(alike))?;
    let worst = worst(finding.quantity, found.iter())?;
    let room = margin(ours, &limit) / limit.value.abs();
    Some(Line {
        part: comparison.case.parts[part].name.clone(),
        label: finding.quantity.label,
        ours,
        unit: finding.quantity.unit,
        corner: corner.name(),
        worst: worst.1,
        worst_corner: worst.0.name(),
        missed: ((bad(side, worst.1) - bad(side, ours)) / worst.1.abs()).max(0.0),
        searched: room < WITHIN_REACH || finding.place.condition == "steady",
        same_side: (margin(ours, &limit) >= 0.0) == (margin(worst.1, &limit) >= 0.0),
    })
}

fn study(name: &'static str) -> Study {
    let ours = AtomicUsize::new(0);
    let count = |_: usize, _: usize| {
        ours.fetch_add(1, Ordering::Relaxed);
    };
    let case = case_with(name, PARTS);
    let comparison = corridor::compare(&case, Depth::Full, &count).unwrap_or_else(|failure| panic!("{failure}"));
    let mut known: Vec<((usize, Place), Vec<Figures>)> = vec![];
    let (mut lines, mut runs) = (vec![], 0);
    for verdict in &comparison.verdicts {
        for finding in verdict.findings.iter().filter(is_held) {
            // The six ends do not matter: the factorial has them all.
            let corner = combination(&six(&comparison, verdict.part), finding.place.corner, 0);
            let key = (verdict.part, Place { corner, ..finding.place });
            if !known.iter().any(|(other, _)| *other == key) {
                known.push((key, factorial(&comparison, key.0, key.1)));
                runs += COMBINATIONS;
            }
            let found = known.iter().find(|(other, _)| *other == key).map_or(&[][..], |(_, found)| found);
            lines.extend(line(&comparison, verdict.part, finding, found));
        }
    }
    // A check that two requirements make stands once.
    lines.dedup_by(|a, b| (&a.part, a.label, &a.corner, a.ours) == (&b.part, b.label, &b.corner, b.ours));
    Study { name, lines, runs: (ours.into_inner(), runs) }
}

impl Study {
    fn section(&self) -> String {
        let mut text = format!(
            "\n## {}\n\n{} runs of compare in all, its doubts about data included; {} of the factorial.\n\n",
            self.name, self.runs.0, self.runs.1
        );
        text.push_str(
            "| part | check | compare | in | factorial | in | missed, % | |\n|---|---|---|---|---|---|---|---|\n",
        );
        for line in &self.lines {
            let Line { part, label, ours, unit, corner, worst, worst_corner, missed, .. } = line;
            let note = if line.searched { "" } else { "far inside" };
            let missed = 100.0 * missed;
            writeln!(
                text,
                "| {part} | {label} | {ours:.5} {unit} | {corner} | {worst:.5} {unit} | {worst_corner} | {missed:.3} | {note} |"
            )
            .expect("a string");
        }
        text
    }
}

fn head(studies: &[Study]) -> String {
    let searched = || studies.iter().flat_map(|study| &study.lines).filter(|line| line.searched);
    let most = searched().map(|line| line.missed).fold(0.0, f64::max);
    let (ours, theirs) = studies.iter().fold((0, 0), |sum, study| (sum.0 + study.runs.0, sum.1 + study.runs.1));
    format!(
        "# The corners of checks against the full factorial\n\n\
         Generated; see tests/compare/corners_page.rs. Each check of the original and the first substitute in the setting that decides it: the corner \
         that compare finds by direction, and the worst of all 64 combinations of six tolerances at either end: inductance, winding resistance, \
         capacitance, switching frequency (or on-time), reference, and series resistance where the board states its spread, else core loss. A check of an event that leaves more than half of its limit gets no corner of its own (*far \
         inside*): there the factorial's worst must lie on the same side of the limit.\n\n\
         Checks that get a corner: {}. Largest miss: {:.3} %. Runs: {ours} of compare in all, {theirs} of the factorial in these settings alone.\n",
        searched().count(),
        100.0 * most
    )
}

fn assert_holds(line: &Line) {
    let Line { part, label, ours, worst, worst_corner, .. } = line;
    let holds = if line.searched { line.missed <= MISSED_REL } else { line.same_side };
    assert!(holds, "{label} of {part}: {ours} is found, {worst} in {worst_corner}");
}

#[test]
fn balance_corners_page() {
    if std::env::var_os("PRESOLDER_FREEZE").is_some() {
        let studies: Vec<Study> = BOARDS.into_iter().map(study).collect();
        let text = head(&studies) + &studies.iter().map(Study::section).collect::<String>();
        std::fs::write(page(), text).expect("the page");
        studies.iter().flat_map(|study| &study.lines).for_each(assert_holds);
        return;
    }
    let text = std::fs::read_to_string(page()).expect("the page");
    BOARDS
        .iter()
        .for_each(|name| assert!(text.contains(&format!("\n## {name}\n")), "{name} is missing from docs/corners.md"));
    for row in text.lines().filter(|row| row.starts_with("| ") && !row.starts_with("| part")) {
        let cells: Vec<&str> = row.split('|').map(str::trim).collect();
        let missed: f64 = cells[7].parse().expect("a number");
        assert!(missed <= 100.0 * MISSED_REL || cells[8] == "far inside", "{row}");
    }
}
