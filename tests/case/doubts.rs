//! The table of missing data against its own laws and the demo boards.

use presolder::board::Board;
use presolder::case::{Case, read};
use presolder::model::case::Origin;
use presolder::model::doubt::{Doubt, Nature, Owner, doubts, rules};
use presolder::parts::Inductor;
use std::path::Path;

/// Rounding of a few multiplications and divisions.
const ROUNDING: f64 = 1e-12;
/// Fewest doubts about each part of the demo boards: a law over nothing proves nothing.
const FEWEST_DOUBTS: usize = 25;

fn demo(name: &str) -> Case {
    read(&Path::new(env!("CARGO_MANIFEST_DIR")).join("cases").join(name)).expect("a demo board can be read")
}

fn demos() -> Vec<Case> {
    ["buoy-winch", "oven-panel", "river-gauge", "ticket-kiosk", "valve-controller"].map(demo).to_vec()
}

/// Every number of board and part as text of full precision, in the order of the structures.
fn numbers(board: &Board, part: &Inductor) -> Vec<f64> {
    let text = format!("{board:?} {part:?}");
    let words = text.split(|c: char| !(c.is_ascii_digit() || "+-.e".contains(c)));
    words
        .filter(|word| word.starts_with(|c: char| c.is_ascii_digit() || c == '-'))
        .filter_map(|word| word.parse().ok())
        .collect()
}

fn ends(doubt: &Doubt) -> (f64, f64) {
    match doubt.nature {
        Nature::Ends { low, high } => (low, high),
        Nature::Spread { standard, .. } => (doubt.shown - standard, doubt.shown + standard),
    }
}

/// Cases without any origin, or with one origin for everything, so that every rule shows its ends.
fn with_origin(mut case: Case, origin: Option<Origin>) -> Case {
    case.origins.clear();
    let Some(origin) = origin else { return case };
    let board = rules().flat_map(|rule| (0..rule.branches(&case.board)).map(|branch| rule.key_of(branch)));
    let keys: Vec<String> = board.collect();
    let owners: Vec<Option<String>> = case.parts.iter().map(|part| Some(part.name.clone())).chain([None]).collect();
    for (key, part) in keys.iter().flat_map(|key| owners.iter().map(move |part| (key, part))) {
        case.origins.push(presolder::case::DatumOrigin {
            part: part.as_deref().map(Into::into),
            key: key.clone().into(),
            stated: true,
            uncertainty: None,
            value: "".into(),
            origin,
            reason: "".into(),
        });
    }
    case
}

fn every_doubt(mut look: impl FnMut(&Case, &Inductor, &Doubt)) {
    for origin in [None, Some(Origin::Absent), Some(Origin::Assumed), Some(Origin::Measured), Some(Origin::Digitised)] {
        for case in demos() {
            let case = with_origin(case, origin);
            for (index, part) in case.parts.iter().enumerate() {
                let all = doubts(&case, index);
                let fewest = if origin.is_some() { FEWEST_DOUBTS } else { FEWEST_DOUBTS - 5 };
                assert!(all.len() >= fewest, "{}: {} doubts", part.name, all.len());
                all.iter().for_each(|doubt| look(&case, part, doubt));
            }
        }
    }
}

#[test]
fn law_the_value_shown_lies_between_its_ends() {
    every_doubt(|case, part, doubt| {
        let (low, high) = ends(doubt);
        let what = format!("{} {}: {} ({})", case.name, part.name, doubt.key, doubt.rule.label);
        assert!(low.is_finite() && high.is_finite() && doubt.shown.is_finite(), "{what}: {doubt:?}");
        assert!(low <= doubt.shown && doubt.shown <= high && low < high, "{what}: {low} {} {high}", doubt.shown);
    });
    for rule in rules() {
        let Some(absent) = rule.absent else { continue };
        assert!(absent.low <= absent.shown && absent.shown <= absent.high, "{rule:?}");
    }
}

/// What the demo boards state must be possible before it is stated: ends that do not hold it would be wrong.
#[test]
fn law_the_ends_hold_what_the_demo_boards_state() {
    for case in demos() {
        for part in &case.parts {
            for (rule, branch) in rules().flat_map(|rule| (0..rule.branches(&case.board)).map(move |b| (rule, b))) {
                let Some(value) = rule.value(&case.board, part, branch) else { continue };
                let key = rule.key_of(branch);
                let of_part = (rule.place == presolder::model::doubt::Place::Part).then_some(part.name.as_str());
                let origin = case.origin_of(of_part, &key).map(|origin| origin.origin);
                let guessed = matches!(origin, Some(Origin::Absent | Origin::Assumed | Origin::Estimated));
                let absent = rule.absent_here(&case.board, part, branch).filter(|absent| absent.low < absent.high);
                if let (false, Some(absent)) = (guessed, absent) {
                    let held = absent.low <= value * (1.0 + ROUNDING) && value <= absent.high * (1.0 + ROUNDING);
                    assert!(
                        held,
                        "{} {}: {key} is {value}, not {} to {}",
                        case.name, part.name, absent.low, absent.high
                    );
                }
            }
        }
    }
}

#[test]
fn law_setting_what_is_shown_changes_nothing() {
    every_doubt(|case, part, doubt| {
        let (mut board, mut moved) = (case.board.clone(), part.clone());
        doubt.set(&mut board, &mut moved, doubt.shown);
        let (before, after) = (numbers(&case.board, part), numbers(&board, &moved));
        assert_eq!(before.len(), after.len(), "{}", doubt.key);
        for (a, b) in before.iter().zip(&after) {
            assert!(
                (a - b).abs() <= ROUNDING * a.abs(),
                "{} {}: {} became {b} from {a}",
                case.name,
                part.name,
                doubt.key
            );
        }
    });
}

#[test]
fn law_setting_an_end_changes_that_datum_alone() {
    every_doubt(|case, part, doubt| {
        let (low, high) = ends(doubt);
        for value in [low, high].into_iter().filter(|value| *value != doubt.shown) {
            let (mut board, mut moved) = (case.board.clone(), part.clone());
            doubt.set(&mut board, &mut moved, value);
            assert_ne!(numbers(&case.board, part), numbers(&board, &moved), "{} {}", part.name, doubt.key);
            if doubt.rule.place != presolder::model::doubt::Place::Part {
                assert_eq!(&moved, part, "{}: a datum of the board does not touch the part", doubt.key);
            } else {
                assert_eq!(board, case.board, "{}: a datum of the part does not touch the board", doubt.key);
            }
            for rule in rules().filter(|rule| rule.key != doubt.rule.key) {
                let mine = doubt.rule.place == rule.place;
                let (was, is) = (rule.value(&case.board, part, 0), rule.value(&board, &moved, 0));
                assert!(!mine || close(was, is), "{} moved {}: {was:?} to {is:?}", doubt.key, rule.key);
            }
        }
    });
}

fn close(a: Option<f64>, b: Option<f64>) -> bool {
    a == b || a.zip(b).is_some_and(|(a, b)| (a - b).abs() <= ROUNDING * a.abs())
}

/// Setting two doubts one after the other gives the same in either order.
#[test]
fn law_doubts_compose() {
    for case in demos() {
        let case = with_origin(case, Some(Origin::Absent));
        let part = &case.parts[0];
        let all = doubts(&case, 0);
        for (first, second) in all.iter().flat_map(|a| all.iter().map(move |b| (a, b))) {
            let set = |order: [&Doubt; 2]| {
                let (mut board, mut moved) = (case.board.clone(), part.clone());
                order.iter().for_each(|doubt| doubt.set(&mut board, &mut moved, ends(doubt).1));
                numbers(&board, &moved)
            };
            let (a, b) = (set([first, second]), set([second, first]));
            let same = a.len() == b.len() && a.iter().zip(&b).all(|(a, b)| (a - b).abs() <= 1e3 * ROUNDING * a.abs());
            let (x, y) = (first.rule.label, second.rule.label);
            assert!(same || first.key == second.key, "{}: {x} and {y}", case.name);
        }
    }
}

/// A doubt is common or own; the common ones come first, in the same order for every part.
#[test]
fn law_common_doubts_come_first() {
    for case in demos() {
        let common = |part: usize| -> Vec<String> {
            let all = doubts(&case, part);
            let first_own = all.iter().position(|doubt| doubt.owner == Owner::Part).expect("a doubt of its own");
            assert!(all[first_own..].iter().all(|doubt| doubt.owner == Owner::Part));
            all[..first_own].iter().map(|doubt| doubt.key.clone()).collect()
        };
        assert!((1..case.parts.len()).all(|part| common(part) == common(0)), "{}", case.name);
    }
}
