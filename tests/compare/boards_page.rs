//! docs/boards.md: what the boards of `cases/` come to in full. Written anew by
//! `PRESOLDER_FREEZE=1 cargo test --release --test compare boards_page`; otherwise the page is held against one board, in full.

use presolder::corridor::Depth;
use presolder::record::layout::{Check, Record, State, Verdict};
use presolder::report::text::outcome_name;
use presolder::{case, record};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

const BOARDS: [&str; 5] = ["ticket-kiosk", "valve-controller", "oven-panel", "river-gauge", "buoy-winch"];
/// Board of which every run of the tests goes through the original and the first substitute in full.
const HELD: &str = "oven-panel";
const HEAD: &str = "# What the demo boards come to\n\nGenerated; see tests/compare/boards_page.rs. Margins are in units of the expanded \
                    uncertainty, the least over the ends of absent data; contributions are the change for one standard uncertainty of a datum.\n";

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).to_path_buf()
}

fn compared(name: &str, parts: usize) -> Record {
    let mut case = case::read(&root().join("cases").join(name)).unwrap_or_else(|error| panic!("{error}"));
    case.parts.truncate(parts);
    record::compare(&case, Depth::Full, &|_, _| {}).unwrap_or_else(|error| panic!("{error}")).0
}

fn section(name: &str, record: &Record) -> String {
    let mut page = format!("\n## {name}\n\n{}\n\n", record.case.title);
    let all: Vec<&Check> = record.verdicts.iter().flat_map(|verdict| &verdict.checks).collect();
    let open = all.iter().filter(|check| check.state == State::Open).count();
    writeln!(page, "Open: {open} of {} checks of the substitutes.\n", all.len()).expect("a string");
    page.push_str(
        "| part | outcome | what decides | where | closest | largest contributions |\n|---|---|---|---|---|---|\n",
    );
    for verdict in std::iter::once(&record.original).chain(&record.verdicts) {
        let cells = [
            verdict.part.clone(),
            outcome_name(verdict.outcome).into(),
            verdict.sentence.clone(),
            verdict.condition.clone(),
            closest(verdict),
            contributions(verdict),
        ];
        writeln!(page, "| {} |", cells.join(" | ")).expect("a string");
    }
    page
}

/// The three least margins.
fn closest(verdict: &Verdict) -> String {
    let mut checks: Vec<(&str, f64)> =
        verdict.checks.iter().filter_map(|check| Some((check.label.as_str(), check.margin_in_u?))).collect();
    checks.sort_by(|a, b| a.1.total_cmp(&b.1));
    checks.iter().take(3).map(|(label, margin)| format!("{label} {margin:.1}")).collect::<Vec<_>>().join("; ")
}

/// The three largest contributions of printed data to the uncertainty of what decides.
fn contributions(verdict: &Verdict) -> String {
    let budget = verdict.checks.first().map_or(&[][..], |check| &check.budget);
    budget.iter().take(3).map(|item| item.label.clone()).collect::<Vec<_>>().join("; ")
}

#[test]
fn frozen_boards_page() {
    let path = root().join("docs/boards.md");
    if std::env::var_os("PRESOLDER_FREEZE").is_some() {
        let sections: Vec<String> = BOARDS.iter().map(|name| section(name, &compared(name, usize::MAX))).collect();
        std::fs::write(&path, format!("{HEAD}{}", sections.concat())).expect("the page");
        return;
    }
    let page = std::fs::read_to_string(&path).expect("the page");
    for name in BOARDS {
        assert!(page.contains(&format!("\n## {name}\n")), "{name} is missing from docs/boards.md");
    }
    let held = section(HELD, &compared(HELD, 2));
    // Outcome, mechanism and place of each part; the rest of a line may move in its last digit.
    let lines = |text: &str| -> Vec<String> {
        let of_part = |line: &&str| line.starts_with("| ") && !line.starts_with("| part");
        text.lines().filter(of_part).map(|line| line.split(" | ").take(2).collect::<Vec<_>>().join(" | ")).collect()
    };
    // The page has the other parts as well.
    let written = page.split("\n## ").find(|part| part.starts_with(HELD)).unwrap_or_default();
    let (held_lines, mut written) = (lines(&held), lines(written));
    written.truncate(held_lines.len());
    assert_eq!(held_lines, written, "docs/boards.md: {held}");
}
