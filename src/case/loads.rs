//! Load steps and load profiles that a case names: values, tables of current against time, or random currents.

use super::curves::{split_header, with_unit};
use super::protection::{current_limit_a, derived_hold_s};
use super::source::{Cell, Place, Sources};
use super::walk::{Fault, Values, range_text};
use crate::board::{Course, LoadProfile, LoadStep, NamedLoad};
use crate::units::{self, Dimension, show};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};
use std::path::Path;

/// The board's own load step, the named ones, the profiles.
const OWN: &str = "load.step";
const STEPS: &str = "load.steps";
const PROFILES: &str = "load.profiles";
/// Most of a period of repetition that edges and upper level take: the lower level has to be there.
const MOST_OF_PERIOD: f64 = 0.99;
/// Currents of a profile in A: without load a converter that never omits a pulse finds no rest.
const CURRENTS_A: (f64, f64) = (1e-3, 1000.0);
/// Most points of a profile: more are a recording that should be thinned first.
const MOST_POINTS: usize = 20_000;
/// Longest profile in s: what it costs to simulate grows with it.
const LONGEST_S: f64 = 10.0;

/// All named loads, steps first; `None` after noting what is wrong.
pub fn read(sources: &mut Sources, folder: &Path, v: &mut Values) -> Option<Vec<NamedLoad>> {
    let steps: Vec<Option<NamedLoad>> =
        (0..v.count(STEPS)).map(|number| step(v, &format!("{STEPS}[{number}]"))).collect();
    let profiles: Vec<Option<NamedLoad>> =
        (0..v.count(PROFILES)).map(|number| profile(sources, folder, v, &format!("{PROFILES}[{number}]"))).collect();
    steps.into_iter().chain(profiles).collect()
}

/// The board's own load step; the hold time is derived where it is not stated.
pub fn own_step(v: &mut Values) -> Option<LoadStep> {
    let hold_s = v.number("load.step.hold").or_else(|| derived_hold_s(v, "load.step.hold"))?;
    let at = |name: &str| v.number(&format!("{OWN}.{name}"));
    Some(LoadStep::once(at("from")?, at("to")?, at("slew")?, hold_s))
}

fn step(v: &mut Values, path: &str) -> Option<NamedLoad> {
    let at = |v: &Values, name: &str| v.number(&format!("{path}.{name}"));
    let (from_a, to_a, slew_a_per_s) = (at(v, "from")?, at(v, "to")?, at(v, "slew")?);
    let release_a_per_s = at(v, "release_slew").unwrap_or(slew_a_per_s);
    let every_s = at(v, "repeat").map(|repeat_hz| 1.0 / repeat_hz);
    let mut step = LoadStep { from_a, to_a, slew_a_per_s, release_a_per_s, hold_s: 0.0, every_s };
    step.hold_s = match (at(v, "hold"), every_s) {
        (Some(hold_s), _) => hold_s,
        (None, None) => derived_hold_s(v, &format!("{path}.hold"))?,
        // Half of the time from the begin of the step to the begin of the release.
        (None, Some(every_s)) => {
            let hold_s = 0.5 * every_s - step.rise_s();
            let rule = "the release begins half a repetition after the step";
            let origin = crate::model::case::Origin::Assumed;
            v.assume(format!("{path}.hold"), show(hold_s, Dimension::Time), origin, rule);
            hold_s
        }
    };
    named(v, path, Course::Step(step))
}

fn named(v: &Values, path: &str, course: Course) -> Option<NamedLoad> {
    let at = |name: &str| v.number(&format!("{path}.{name}"));
    let name = v.text(&format!("{path}.name"))?.to_string();
    Some(NamedLoad { name, course, deviation_v: at("deviation"), recovery_s: at("recovery") })
}

fn profile(sources: &mut Sources, folder: &Path, v: &Values, path: &str) -> Option<NamedLoad> {
    let points = match v.text(&format!("{path}.kind"))? {
        "file" => of_file(sources, folder, v, path)?,
        _ => at_random(v, path)?,
    };
    named(v, path, Course::Profile(LoadProfile { points: points.into() }))
}

/// What the columns of a profile are.
const COLUMNS: [(&str, Dimension); 2] = [("time", Dimension::Time), ("current", Dimension::Current)];

/// Points of a table, its first time taken as 0; `None` after noting what is wrong.
fn of_file(sources: &mut Sources, folder: &Path, v: &Values, path: &str) -> Option<Vec<(f64, f64)>> {
    let (path, before) = (format!("{path}.file"), sources.noted);
    let (name, place, key) = (v.text(&path)?, v.place(&path), v.key(&path));
    if Path::new(name).is_absolute() {
        let hint = "for example file = \"loads/radio.csv\": who checks the record has other folders";
        sources.problem(&place, &key, "a path relative to the case", hint);
        return None;
    }
    let file = sources.read(folder, name, Some((&place, &key)))?;
    let records = sources.csv(file);
    let (header, rows) = records.split_first()?;
    let columns = columns(sources, &key, header)?;
    if rows.len() > MOST_POINTS {
        let hint = "keep the corners: between two points the current goes straight";
        sources.problem(&rows[MOST_POINTS][0].place, &key, format!("at most {MOST_POINTS} points"), hint);
        return None;
    }
    let mut points: Vec<(f64, f64)> = vec![];
    for row in rows {
        let [time_s, load_a] = [0, 1].map(|number| cell(sources, &key, &columns[number], row));
        let (Some(time_s), Some(load_a)) = (time_s, load_a) else { continue };
        check_point(sources, v, &key, (time_s, load_a), points.last(), [0, 1].map(|at| &row[columns[at].0].place));
        points.push((time_s, load_a));
    }
    if rows.len() == 1 && sources.noted == before {
        sources.problem(&rows[0][0].place, &key, "at least two points", "between them the current goes straight");
    }
    let first_s = points.first().map_or(0.0, |(time_s, _)| *time_s);
    points.iter_mut().for_each(|(time_s, _)| *time_s -= first_s);
    let last_s = points.last().map_or(0.0, |(time_s, _)| *time_s);
    if last_s > LONGEST_S {
        let expected =
            format!("a profile of at most {}, not {}", show(LONGEST_S, Dimension::Time), show(last_s, Dimension::Time));
        sources.problem(&rows[rows.len() - 1][columns[0].0].place, &key, expected, "check the unit of the column");
    }
    (sources.noted == before).then_some(points)
}

/// A column: where it stands, its dimension, and the unit of cells that have none.
type Column = (usize, Dimension, Option<String>);

fn columns(sources: &mut Sources, key: &str, header: &[Cell]) -> Option<[Column; 2]> {
    let names: Vec<(String, Option<String>)> = header.iter().map(|cell| split_header(&cell.text)).collect();
    let mut found = vec![];
    for (name, dimension) in COLUMNS {
        let Some(at) = names.iter().position(|(other, _)| other == name) else {
            let hint = "the columns are \"time [us]\" and \"current [A]\", each with its unit";
            sources.cause(&header[0].place.start(), key, format!("a column {name}"), hint);
            return None;
        };
        let unit = names[at].1.clone();
        if let Some(Err(refusal)) = unit.as_ref().map(|unit| units::parse(&format!("1 {unit}"), dimension)) {
            sources.cause(&header[at].place, key, refusal.expected, refusal.hint.replace("\"1 ", "\""));
            return None;
        }
        found.push((at, dimension, unit));
    }
    let strange = names.iter().position(|(name, _)| COLUMNS.iter().all(|(known, _)| known != name));
    if let Some(at) = strange {
        sources.cause(&header[at].place, key, "the columns time and current alone", "remove the others");
        return None;
    }
    found.try_into().ok()
}

fn cell(sources: &mut Sources, key: &str, (at, dimension, unit): &Column, row: &[Cell]) -> Option<f64> {
    let cell = row.get(*at)?;
    match units::parse(&with_unit(&cell.text, unit.as_deref()), *dimension) {
        Ok(value) => Some(value),
        Err(refusal) => {
            sources.problem(&cell.place, key, refusal.expected, refusal.hint);
            None
        }
    }
}

/// Time rises, and the current is one that the board may be asked for.
fn check_point(
    sources: &mut Sources,
    v: &Values,
    key: &str,
    (time_s, load_a): (f64, f64),
    before: Option<&(f64, f64)>,
    [of_time, of_load]: [&Place; 2],
) {
    if let Some((before_s, _)) = before.filter(|(before_s, _)| time_s <= *before_s) {
        let expected = format!("a time above {} of the row before", show(*before_s, Dimension::Time));
        let hint = "sort the rows by time, each time once; a jump takes some time as well, such as 10 ns";
        sources.problem(of_time, key, expected, hint);
    }
    if !(CURRENTS_A.0..=CURRENTS_A.1).contains(&load_a) {
        let expected = format!("a current {}", range_text(CURRENTS_A, Dimension::Current));
        sources.problem(of_load, key, expected, "a converter that never omits a pulse finds no rest without load");
    } else if let Some((expected, hint)) = beyond_board(v, load_a) {
        sources.problem(of_load, key, expected, hint);
    }
}

/// Whether a load is one that the board is not made for: what is expected, and a hint.
pub fn beyond_board(v: &Values, load_a: f64) -> Option<(String, &'static str)> {
    let current = |a| show(a, Dimension::Current);
    if let Some((lowest_a, _, _)) = current_limit_a(v).filter(|limit| load_a >= limit.0) {
        let expected = format!("below the lowest current-limit threshold of {}", current(lowest_a));
        return Some((expected, "the step would only show the limit at work"));
    }
    let full_a = v.numbers("load.currents")?.last().copied().filter(|full_a| load_a > 2.0 * full_a)?;
    Some((format!("at most twice the full load of {}", current(full_a)), "check the unit"))
}

/// Jumps between two levels with edges of a slew, each level held for a random time: as many short ones as long ones by ratio.
fn at_random(v: &Values, path: &str) -> Option<Vec<(f64, f64)>> {
    let at = |name: &str| v.number(&format!("{path}.{name}"));
    let (from_a, to_a, slew_a_per_s) = (at("from")?, at("to")?, at("slew")?);
    let (shortest_s, longest_s, duration_s) = (at("shortest")?, at("longest")?, at("duration")?);
    if !(to_a > from_a && shortest_s <= longest_s && longest_s <= duration_s) {
        // Which has been told.
        return None;
    }
    let edge_s = (to_a - from_a) / slew_a_per_s;
    let mut random = ChaCha8Rng::seed_from_u64(at("seed")? as u64);
    let mut uniform = || ((random.next_u64() >> 12) as f64 + 0.5) / (1u64 << 52) as f64;
    let (mut points, mut now_s, mut levels) = (vec![(0.0, from_a)], 0.0, (from_a, to_a));
    while now_s < duration_s && points.len() < MOST_POINTS {
        now_s += shortest_s * (longest_s / shortest_s).powf(uniform());
        points.push((now_s, levels.0));
        now_s += edge_s;
        levels = (levels.1, levels.0);
        points.push((now_s, levels.0));
    }
    Some(points)
}

/// Checks across keys.
pub fn check(v: &Values, fault: &mut Fault<'_>, doubts: &mut Vec<String>) {
    let paths = |list: &'static str| (0..v.count(list)).map(move |number| format!("{list}[{number}]"));
    check_levels(v, OWN, fault, doubts);
    for path in paths(STEPS) {
        check_levels(v, &path, fault, doubts);
        check_repetition(v, &path, fault);
    }
    for path in paths(PROFILES) {
        check_levels(v, &path, fault, doubts);
        check_times(v, &path, fault);
    }
    check_names(v, paths(STEPS).chain(paths(PROFILES)).collect(), fault);
}

/// The lower level first, and both within what the board is made for.
fn check_levels(v: &Values, path: &str, fault: &mut Fault<'_>, doubts: &mut Vec<String>) {
    let at = |name: &str| v.number(&format!("{path}.{name}"));
    let (Some(from_a), Some(to_a)) = (at("from"), at("to")) else { return };
    let current = |a| show(a, Dimension::Current);
    let to = format!("{path}.to");
    if to_a <= from_a {
        let hint = "the release is simulated as well; write the smaller current first";
        fault(&to, format!("above from = {}", current(from_a)), hint);
    }
    let full = v.numbers("load.currents").and_then(|loads| loads.last().copied());
    if let Some((expected, hint)) = beyond_board(v, to_a) {
        fault(&to, expected, hint);
    } else if let Some(full_a) = full.filter(|full_a| to_a > *full_a) {
        doubts.push(format!("{to}: the step goes to {}, beyond the full load of {}", current(to_a), current(full_a)));
    }
}

/// What comes again has time for both edges and levels, and the board sees it: not faster than half the switching frequency.
fn check_repetition(v: &Values, path: &str, fault: &mut Fault<'_>) {
    let at = |name: &str| v.number(&format!("{path}.{name}"));
    let Some(repeat_hz) = at("repeat") else { return };
    let key = |name: &str| format!("{path}.{name}");
    if let Some(frequency_hz) = v.number("stage.frequency").filter(|frequency_hz| 2.0 * repeat_hz > *frequency_hz) {
        let expected =
            format!("at most half the switching frequency, {}", show(0.5 * frequency_hz, Dimension::Frequency));
        fault(&key("repeat"), expected, "what is faster than that a converter meets as if it were slower");
    }
    if at("recovery").is_some() {
        let hint = "a step that comes again leaves the output no time of its own: leave out recovery or repeat";
        fault(&key("recovery"), "no such key with repeat".into(), hint);
    }
    let (Some(from_a), Some(to_a), Some(slew_a_per_s)) = (at("from"), at("to"), at("slew")) else { return };
    let every_s = 1.0 / repeat_hz;
    let (rise_s, fall_s) =
        [slew_a_per_s, at("release_slew").unwrap_or(slew_a_per_s)].map(|slew| (to_a - from_a) / slew).into();
    let hold_s = at("hold").unwrap_or(0.5 * every_s - rise_s);
    let most_s = MOST_OF_PERIOD * every_s;
    if to_a > from_a && (hold_s <= 0.0 || rise_s + hold_s + fall_s > most_s) {
        let expected = format!(
            "edges of {} and {} and the upper level within {}, the time of a repetition",
            show(rise_s, Dimension::Time),
            show(fall_s, Dimension::Time),
            show(every_s, Dimension::Time)
        );
        let which = if at("hold").is_some() { "hold" } else { "repeat" };
        fault(&key(which), expected, "repeat it less often, hold it shorter, or let the load move faster");
    }
}

/// Times of a random profile in their order.
fn check_times(v: &Values, path: &str, fault: &mut Fault<'_>) {
    let at = |name: &str| v.number(&format!("{path}.{name}"));
    for (name, least) in [("longest", "shortest"), ("duration", "longest")] {
        if let (Some(time_s), Some(least_s)) = (at(name), at(least))
            && time_s < least_s
        {
            let expected = format!("at least {least} = {}", show(least_s, Dimension::Time));
            fault(&format!("{path}.{name}"), expected, "are the two swapped?");
        }
    }
}

/// A name is told from the others in every table.
fn check_names(v: &Values, paths: Vec<String>, fault: &mut Fault<'_>) {
    let name = |path: &String| v.text(&format!("{path}.name"));
    for (number, path) in paths.iter().enumerate() {
        if name(path).is_some() && paths[..number].iter().any(|other| name(other) == name(path)) {
            fault(
                &format!("{path}.name"),
                "a name of its own for each load step and profile".into(),
                "give it another one",
            );
        }
    }
}
