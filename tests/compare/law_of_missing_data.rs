//! The law of missing data (docs/method.md): a datum that is deleted lifts no outcome, except from FAIL to UNDECIDED; and one whose whole
//! range moves no value by more than a tenth of its distance to the next change of state leaves the state as it was. Every deletion goes
//! through the reader of case files.
//!
//! Every run of the tests deletes a few data, other ones with `PRESOLDER_SEED`. All of them, and docs/law-of-missing-data.md anew:
//! `PRESOLDER_FREEZE=1 cargo test --release --test compare law_of_missing_data`, with `PRESOLDER_BOARD=oven-panel` those of one board
//! alone and with `PRESOLDER_WHOLE=1` every condition in place of a few (hours).

#[path = "../support/deletions.rs"]
mod deletions;

use crate::folders::copy;
use crate::random_boards::generator::{Extent, Random, random_case};
use deletions::{Files, Stated};
use presolder::case::Case;
use presolder::condition::figures::AtEnds;
use presolder::corridor::{self, Comparison, Depth};
use presolder::judge::Outcome;
use presolder::judge::finding::Finding;
use presolder::judge::sight::margin;
use presolder::model::doubt::doubts;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

const BOARDS: [&str; 5] = ["ticket-kiosk", "valve-controller", "oven-panel", "river-gauge", "buoy-winch"];
/// Data that an ordinary run deletes on each of them: of the board, of the original, of a substitute. Each costs some seconds, most on
/// the last two boards, which are left to the full run, as is the first.
const FEW: [[usize; 3]; 5] = [[0, 0, 0], [0, 0, 1], [1, 0, 0], [0, 0, 0], [0, 0, 0]];
/// Random boards of an ordinary run, and of a full one; data deleted on each, as above.
const RANDOM: (u64, u64) = (1, 40);
const FEW_ON_RANDOM: [usize; 3] = [1, 0, 0];
/// Begin of the choice.
const SEED: u64 = 11;
/// What the law calls nothing: movement as a share of the distance to the next change of state.
const NOTHING: f64 = 0.1;
/// The page with the counts.
const PAGE: &str = "docs/law-of-missing-data.md";
const HEAD: &str = "# The law of missing data, counted\n\nGenerated; see tests/compare/law_of_missing_data.rs. Each datum that a demo board states is deleted, \
                    alone, and the comparison is made again. *Acts on nothing*: the case is the same without it. A check *moves up* from FAIL over UNDECIDED and NO WORSE to PASS.\n";

fn number_of(name: &str) -> Option<u64> {
    std::env::var(name).ok().and_then(|text| text.parse().ok())
}

/// Whether everything is to be deleted, and the page written.
fn is_freezing() -> bool {
    std::env::var_os("PRESOLDER_FREEZE").is_some()
}

fn seed() -> u64 {
    number_of("PRESOLDER_SEED").unwrap_or(SEED)
}

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).to_path_buf()
}

/// A case to delete from, and a folder in which it is read.
struct Subject {
    name: String,
    files: Files,
    folder: tempfile::TempDir,
}

impl Subject {
    fn of_demo(name: &str) -> Subject {
        let (from, folder) = (root().join("cases").join(name), tempfile::tempdir().expect("a folder"));
        copy(&from, folder.path());
        let mut files = Files::of(&from);
        if number_of("PRESOLDER_WHOLE") != Some(1) {
            files.ask_little(is_freezing());
            files.shorten();
        }
        Subject { name: name.into(), files, folder }
    }

    fn of_random(number: u64) -> Subject {
        let drawn = random_case(seed(), number, Extent::Short);
        let mut files = Files::of_texts(&drawn.board, &drawn.parts);
        files.ask_little(is_freezing());
        let name = format!("random board {number} of seed {}", seed());
        Subject { name, files, folder: tempfile::tempdir().expect("a folder") }
    }

    fn read(&self, files: &Files) -> Result<Case, String> {
        files.read(self.folder.path()).map_err(|error| {
            let all = error.problems().iter().map(|problem| format!("{}: {}", problem.key, problem.expected));
            all.collect::<Vec<_>>().join("; ")
        })
    }
}

/// The case with the original and one of its substitutes, or all of them.
fn with_parts(case: &Case, substitute: Option<&str>) -> Case {
    let mut case = case.clone();
    if let Some(name) = substitute {
        let mut number = 0;
        case.parts.retain(|part| {
            number += 1;
            number == 1 || part.name == name
        });
    }
    case
}

fn compared(case: &Case) -> Result<Comparison, String> {
    corridor::compare(case, Depth::Full, &|_, _| {}).map_err(|failure| failure.to_string())
}

/// Everything that a comparison rests on.
fn data_of(case: &Case) -> String {
    let of_parts: Vec<_> = (0..case.parts.len()).map(|part| doubts(case, part)).collect();
    format!("{:?} {:?} {:?} {of_parts:?}", case.board, case.parts, case.readings)
}

/// What came of the deletions on one board.
#[derive(Default)]
struct Tally {
    stated: usize,
    acts_on_nothing: usize,
    not_computed: usize,
    refused: BTreeMap<String, usize>,
    compared: usize,
    /// Outcomes of checks: kept, moved down, from FAIL to UNDECIDED.
    kept: usize,
    down: usize,
    to_undecided: usize,
    broken: Vec<String>,
}

impl Tally {
    fn add(&mut self, other: Tally) {
        self.stated += other.stated;
        self.acts_on_nothing += other.acts_on_nothing;
        self.not_computed += other.not_computed;
        self.compared += other.compared;
        self.kept += other.kept;
        self.down += other.down;
        self.to_undecided += other.to_undecided;
        self.broken.extend(other.broken);
        for (what, count) in other.refused {
            *self.refused.entry(what).or_default() += count;
        }
    }

    /// Deletes data from a case and looks at what becomes of the outcomes. `wanted` are the data, each with the substitute that is kept
    /// beside the original; all are kept where none is named.
    fn take(&mut self, subject: &Subject, wanted: &[(Stated, Option<String>)]) {
        let case = subject.read(&subject.files).unwrap_or_else(|error| panic!("{}: {error}", subject.name));
        let mut known: BTreeMap<Option<String>, Option<Comparison>> = BTreeMap::new();
        for (stated, kept) in wanted {
            self.stated += 1;
            let whole = with_parts(&case, kept.as_deref());
            let without = match subject.read(&subject.files.without(stated)) {
                Ok(without) => with_parts(&without, kept.as_deref()),
                Err(_) => {
                    *self.refused.entry(stated.key.path.into()).or_default() += 1;
                    continue;
                }
            };
            if data_of(&whole) == data_of(&without) {
                self.acts_on_nothing += 1;
                continue;
            }
            let before = known.entry(kept.clone()).or_insert_with(|| compared(&whole).ok());
            match (before, compared(&without)) {
                (Some(before), Ok(after)) => self.hold(subject, stated, before, &after),
                _ => self.not_computed += 1,
            }
        }
    }

    fn hold(&mut self, subject: &Subject, stated: &Stated, before: &Comparison, after: &Comparison) {
        self.compared += 1;
        let what = format!("{}: without {}", subject.name, stated.told());
        let mut broken = moved_up(before, after);
        broken.extend(moved_by_nothing(stated, before, after));
        for (was, is) in both(before, after) {
            match (was.outcome, is.outcome) {
                (a, b) if a == b => self.kept += 1,
                (Outcome::Fail, Outcome::Undecided) => self.to_undecided += 1,
                _ => self.down += 1,
            }
        }
        for broken in broken {
            println!("BROKEN {what}: {broken}");
            self.broken.push(format!("{what}: {broken}"));
        }
    }
}

/// Whether an outcome moves up in a way that the law forbids.
fn is_up(before: Outcome, after: Outcome) -> bool {
    after < before && (before, after) != (Outcome::Fail, Outcome::Undecided)
}

/// The findings of all parts that both comparisons have, by part and check.
fn both<'a>(before: &'a Comparison, after: &'a Comparison) -> impl Iterator<Item = (&'a Finding, &'a Finding)> {
    before.verdicts.iter().zip(&after.verdicts).flat_map(|(was, is)| {
        was.findings.iter().filter_map(|old| Some((old, is.findings.iter().find(|new| new.key() == old.key())?)))
    })
}

/// What moves up where nothing may: parts, checks, and checks that are gone where none that is new is as bad.
fn moved_up(before: &Comparison, after: &Comparison) -> Vec<String> {
    let mut broken = vec![];
    for (was, is) in before.verdicts.iter().zip(&after.verdicts) {
        let name = &before.parts[was.part].name;
        if is_up(was.outcome, is.outcome) {
            broken.push(format!("{name}: {:?} becomes {:?}", was.outcome, is.outcome));
        }
        let find = |all: &'_ [Finding], key: &str| all.iter().position(|finding| finding.key() == key);
        let new = is.findings.iter().filter(|finding| find(&was.findings, &finding.key()).is_none());
        let worst_new = new.map(|finding| finding.outcome).max().unwrap_or(Outcome::Pass);
        for old in &was.findings {
            let outcome = find(&is.findings, &old.key()).map_or(worst_new, |number| is.findings[number].outcome);
            if is_up(old.outcome, outcome) {
                broken.push(format!("{name}: {}: {:?} becomes {outcome:?}", old.key(), old.outcome));
            }
        }
    }
    broken
}

/// States that change although the whole range of the datum moves their value by next to nothing.
fn moved_by_nothing(stated: &Stated, before: &Comparison, after: &Comparison) -> Vec<String> {
    let mut broken = vec![];
    for (was, is) in before.verdicts.iter().zip(&after.verdicts) {
        for old in was.findings.iter().filter(|finding| !finding.stands_in) {
            let Some(new) = is.findings.iter().find(|new| new.key() == old.key()) else { continue };
            let (Some(room), Some(moved)) = (room(old), range_moves(stated, old, before, after, was.part)) else {
                continue;
            };
            if old.state != new.state && moved < NOTHING * room {
                let (name, key) = (&before.parts[was.part].name, old.key());
                broken.push(format!(
                    "{name}: {key}: {:?} becomes {:?} by {moved:.3e} of {room:.3e}",
                    old.state, new.state
                ));
            }
        }
    }
    broken
}

/// Distance of a finding to the next change of its state, in the unit of its quantity.
fn room(finding: &Finding) -> Option<f64> {
    let (limit, uncertainty) = (finding.limit?, finding.value.uncertainty);
    let shown = finding.value.value.number()?;
    let (least, most) = finding.value.ends.unwrap_or((shown, shown));
    let distances = [least, shown, most].map(|number| {
        let margin = margin(number, &limit);
        (margin - uncertainty).abs().min((margin + uncertainty).abs())
    });
    distances.into_iter().reduce(f64::min)
}

/// How far the ends of a deleted datum are from what a part showed with it, in the check's own condition; `None` where it has none.
fn range_moves(stated: &Stated, old: &Finding, before: &Comparison, after: &Comparison, part: usize) -> Option<f64> {
    let alone = |ends: &&AtEnds| matches!(&ends.data[..], [(datum, _)] if datum.key() == stated.place);
    let of = |ends: &AtEnds| {
        let moved = ends.results.iter().filter(|found| found.place.condition == old.place.condition).map(|found| {
            let was = before.parts[part].results.iter().find(|was| was.place == found.place)?;
            Some((found.number(old.quantity.id)? - was.number(old.quantity.id)?).abs())
        });
        moved.reduce(|a, b| Some(a?.max(b?)))?
    };
    let all: Vec<Option<f64>> = after.parts[part].ends.iter().filter(alone).map(of).collect();
    all.into_iter().reduce(|a, b| Some(a?.max(b?)))?
}

/// Every datum, with whom it is looked at: a substitute's own with that substitute, every other with all of them.
fn everything(subject: &Subject, case: &Case) -> Vec<(Stated, Option<String>)> {
    let original = &case.parts[0].name;
    let with = |stated: Stated| {
        let kept = stated.part.clone().filter(|name| name != original);
        (stated, kept)
    };
    subject.files.stated().into_iter().map(with).collect()
}

/// A few data: of the board, of the original and of the first substitute, each looked at with these two parts.
fn few(subject: &Subject, case: &Case, random: &mut Random, counts: [usize; 3]) -> Vec<(Stated, Option<String>)> {
    let [original, substitute] = [0, 1].map(|part| case.parts[part].name.clone());
    let owners = [None, Some(original), Some(substitute.clone())];
    let all = subject.files.stated();
    let mut chosen = vec![];
    for (owner, count) in owners.iter().zip(counts) {
        // What the reader refuses is quick, and told in the full run.
        let mut owned: Vec<&Stated> = all
            .iter()
            .filter(|stated| stated.part == *owner && subject.read(&subject.files.without(stated)).is_ok())
            .collect();
        for _ in 0..count.min(owned.len()) {
            let number = random.next() as usize % owned.len();
            chosen.push((owned.swap_remove(number).clone(), Some(substitute.clone())));
        }
    }
    chosen
}

fn of_demo(name: &str, number: usize, whole: bool) -> Tally {
    let subject = Subject::of_demo(name);
    let case = subject.read(&subject.files).unwrap_or_else(|error| panic!("{name}: {error}"));
    let wanted = match whole {
        true => everything(&subject, &case),
        false => few(&subject, &case, &mut Random::of(seed(), number as u64), FEW[number]),
    };
    let mut tally = Tally::default();
    tally.take(&subject, &wanted);
    tally
}

fn of_random(boards: u64) -> Tally {
    let mut tally = Tally::default();
    for number in 0..boards {
        let subject = Subject::of_random(number);
        let Ok(case) = subject.read(&subject.files) else { continue };
        let mut random = Random::of(seed() + 1, number);
        let wanted = few(&subject, &case, &mut random, FEW_ON_RANDOM);
        tally.take(&subject, &wanted);
    }
    tally
}

fn section(name: &str, tally: &Tally) -> String {
    let refused: usize = tally.refused.values().sum();
    let mut text = format!("\n## {name}\n\n| | |\n|---|---|\n");
    for (what, count) in [
        ("data deleted, one by one", tally.stated),
        ("refused by the reader: the key is required, or stands for others", refused),
        ("acts on nothing", tally.acts_on_nothing),
        ("not computed", tally.not_computed),
        ("compared anew", tally.compared),
        ("outcomes of checks kept", tally.kept),
        ("moved down", tally.down),
        ("from FAIL to UNDECIDED", tally.to_undecided),
        ("violations", tally.broken.len()),
    ] {
        writeln!(text, "| {what} | {count} |").expect("a string");
    }
    let names: Vec<&str> = tally.refused.keys().map(String::as_str).collect();
    if !names.is_empty() {
        writeln!(text, "\nRefused: {}.", names.join(", ")).expect("a string");
    }
    tally.broken.iter().for_each(|broken| writeln!(text, "\n- {broken}").expect("a string"));
    text
}

/// Puts sections into the page, each in place of the one of that name.
fn write_page(sections: &[(String, String)]) {
    let path = root().join(PAGE);
    let old = std::fs::read_to_string(&path).unwrap_or_else(|_| HEAD.into());
    let mut parts: BTreeMap<String, String> = BTreeMap::new();
    for part in old.split("\n## ").skip(1) {
        let name = part.lines().next().unwrap_or_default().to_string();
        parts.insert(name, format!("\n## {part}"));
    }
    parts.extend(sections.iter().cloned());
    let order = |name: &str| BOARDS.iter().position(|board| *board == name).unwrap_or(BOARDS.len());
    let mut parts: Vec<(String, String)> = parts.into_iter().collect();
    parts.sort_by_key(|(name, _)| order(name));
    let text: String = parts.into_iter().map(|(_, part)| format!("{}\n", part.trim_end())).collect();
    std::fs::write(path, format!("{HEAD}{text}")).expect("the page");
}

#[test]
fn law_a_deleted_datum_lifts_no_outcome() {
    let freeze = is_freezing();
    let only = std::env::var("PRESOLDER_BOARD").ok();
    let boards = BOARDS.iter().enumerate().filter(|(_, name)| only.as_deref().is_none_or(|only| only == **name));
    let mut sections = vec![];
    let mut all = Tally::default();
    for (number, name) in boards {
        let tally = of_demo(name, number, freeze);
        sections.push((name.to_string(), section(name, &tally)));
        all.add(tally);
        if freeze {
            write_page(&sections);
        }
    }
    println!("{}", section("all", &all));
    assert!(all.broken.is_empty(), "{:#?}", all.broken);
    assert!(all.compared > 0, "a law over nothing proves nothing");
}

#[test]
fn law_a_deleted_datum_lifts_no_outcome_on_random_boards() {
    let freeze = is_freezing();
    let tally = of_random(if freeze { RANDOM.1 } else { RANDOM.0 });
    let name = "random boards";
    println!("{}", section(name, &tally));
    if freeze {
        write_page(&[(name.into(), section(name, &tally))]);
    }
    assert!(tally.broken.is_empty(), "{:#?}", tally.broken);
    assert!(tally.compared > 0, "a law over nothing proves nothing");
}
