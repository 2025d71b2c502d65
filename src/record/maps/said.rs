//! The sentences of the maps.

use super::super::words::{self, lower, rounded, say};
use super::{Blank, Head, MapOf, PartOf, Repetition, blank, change, past};
use crate::condition::figures::Value;
use crate::corridor::maps::{Along, Cell, Kind, Maps, Swing, Worst, load_range_a};
use crate::model::case::Case;

/// Growth of the swing below which repetition adds nothing: what the model itself leaves open of a transient is half of it.
const GROWS: f64 = 1.05;
/// A repetition within this ratio of the crossover is near it.
const NEAR: f64 = 1.5;
/// Changes against the original below this share of its largest value are not told.
const TOLD: f64 = 0.01;

/// A point of a map with a value of it.
#[derive(Clone, Copy)]
struct Point<'a> {
    maps: &'a Maps,
    map: usize,
    row: usize,
    column: usize,
    value: &'a Value,
}

/// The maps with their values.
#[derive(Clone, Copy)]
pub(super) struct All<'a> {
    pub(super) maps: &'a Maps,
    pub(super) heads: &'a [Head],
    pub(super) values: &'a [MapOf],
}

/// Why the maps stand where they stand.
pub(super) fn reason(case: &Case, worst: Option<&Worst>) -> String {
    let Some(worst) = worst else { return "typical parts at the nominal input".into() };
    let name = &case.parts[worst.part].name;
    match worst.is_limited {
        true => {
            format!(
                "the corner in which {name} comes closest to a limit of its own step: {}",
                lower(worst.quantity.label)
            )
        }
        false => format!("the corner of the largest swing at the own step, that of {name}; the case states no limit"),
    }
}

/// Which parts stay within the limits, and which do not.
pub(super) fn decision(all: &All<'_>, parts: &[PartOf]) -> Vec<String> {
    if all.heads.iter().all(|head| head.limit.is_none()) {
        return vec![
            "The case limits no load step: it states neither limits.step_deviation nor limits.recovery.".into(),
        ];
    }
    let (least_a, most_a) = load_range_a(&all.maps.case.board, &all.maps.own);
    let range = format!("{} to {}", say(least_a, "A"), say(most_a, "A"));
    let names = |is_of: &dyn Fn(&PartOf) -> bool| -> String {
        let names: Vec<&str> = parts.iter().filter(|part| is_of(part)).map(|part| part.part.as_str()).collect();
        names.join(", ")
    };
    let own = |part: &PartOf| is_met(all.heads, &part.own_step);
    let said = [
        ("Misses a limit at the own step", names(&|part| !own(part))),
        ("Meets the limits at the own step, but not everywhere on the maps", names(&|part| own(part) && !part.within)),
        (&*format!("Meets the limits wherever the load goes ({range})"), names(&|part| own(part) && part.within)),
    ];
    said.into_iter().filter(|(_, names)| !names.is_empty()).map(|(said, names)| format!("{said}: {names}.")).collect()
}

/// Everything that is said of a part.
pub(super) fn part(all: &All<'_>, part: usize, own: &Cell, swing: Option<Swing>) -> PartOf {
    let limits: Vec<(Option<String>, bool)> = (0..all.heads.len())
        .flat_map(|number| (0..all.values.len()).map(move |map| of_limit(all, map, part, number)))
        .collect();
    let within = is_met(all.heads, own) && limits.iter().all(|(_, met)| *met);
    let repetition = swing.map(repetition);
    let mut sentences = vec![own_step(all.heads, own)];
    sentences.extend(limits.into_iter().filter_map(|(said, _)| said));
    sentences.extend(largest(all, part));
    sentences.extend(repetition.iter().map(|repetition| repetition.sentence.clone()));
    sentences.extend((part > 0).then(|| against(all, part)));
    sentences.extend(failures(all.values, part));
    let name = all.maps.case.parts[part].name.clone();
    PartOf { part: name, original: part == 0, within, own_step: own.to_vec(), sentences, repetition }
}

/// Whether every limit is met for sure.
fn is_met(heads: &[Head], values: &[Value]) -> bool {
    let met = |(head, value): (&Head, &Value)| head.limit.is_none_or(|limit| past(value, limit) == Some(false));
    heads.iter().zip(values).all(met)
}

fn own_step(heads: &[Head], own: &Cell) -> String {
    let one = |(head, value): (&Head, &Value)| {
        let limit = head.limit.map_or_else(String::new, |limit| format!(" (limit {})", say(limit, &head.unit)));
        format!("{} {}{limit}", word(&head.id), say_value(value, &head.unit))
    };
    format!("Own step: {}.", heads.iter().zip(own).map(one).collect::<Vec<_>>().join(", "))
}

/// A value to three digits; a bound says that it is one.
fn say_value(value: &Value, unit: &str) -> String {
    words::say_value(&value.clone().map(rounded), unit)
}

/// A quantity in one word.
pub(super) fn word(id: &str) -> &'static str {
    match id {
        "dip" => "undershoot",
        "rise" => "overshoot",
        "window" => "peak to peak",
        _ => "settling",
    }
}

/// All points of a map of a part, with one of their values.
fn points<'a>(all: &All<'a>, map: usize, part: usize, number: usize) -> impl Iterator<Item = Point<'a>> {
    let maps = all.maps;
    let rows = all.values[map].cells[part].iter().enumerate();
    rows.flat_map(move |(row, cells)| {
        let columns = cells.iter().enumerate();
        columns.map(move |(column, cell)| Point { maps, map, row, column, value: &cell[number] })
    })
}

/// Where a map passes the limit of a quantity first; whether it is met wherever there is a run.
fn of_limit(all: &All<'_>, map: usize, part: usize, number: usize) -> (Option<String>, bool) {
    let head = &all.heads[number];
    let Some(limit) = head.limit else { return (None, true) };
    let has_run = |point: &Point<'_>| blank(point.value) != Some(Blank::NoRun);
    let run: Vec<Point<'_>> = points(all, map, part, number).filter(has_run).collect();
    let past = |point: &&Point<'_>| past(point.value, limit);
    let beyond: Vec<&Point<'_>> = run.iter().filter(|point| past(point) == Some(true)).collect();
    let first = beyond.iter().min_by(|a, b| a.order().total_cmp(&b.order()));
    let said = first.map(|first| {
        let (what, limit) = (capital(word(&head.id)), say(limit, &head.unit));
        format!("{what} above {limit} at {} of {} points, first {}.", beyond.len(), run.len(), first.place())
    });
    (said, run.iter().all(|point| past(&point) == Some(false)))
}

impl Point<'_> {
    fn kind(&self) -> Kind {
        self.maps.maps[self.map].kind
    }

    /// Its place along an axis of its map.
    fn at(&self, along: Along) -> f64 {
        let map = &self.maps.maps[self.map];
        if map.columns.along == along { map.columns.values[self.column] } else { map.rows.values[self.row] }
    }

    /// What makes a point an early one: a small step, a slow repetition.
    fn order(&self) -> f64 {
        self.at(if self.kind() == Kind::RateShare { Along::Rate } else { Along::Amplitude })
    }

    /// In words.
    fn place(&self) -> String {
        let from_a = self.maps.own.from_a;
        match self.kind() {
            Kind::SlewAmplitude => {
                let to_a = from_a + self.at(Along::Amplitude);
                format!("{} to {} at {}", say(from_a, "A"), say(to_a, "A"), say(self.at(Along::Slew), "A/s"))
            }
            Kind::AmplitudeBase => {
                let from_a = self.at(Along::Base);
                format!("{} to {}", say(from_a, "A"), say(from_a + self.at(Along::Amplitude), "A"))
            }
            Kind::RateShare => {
                let up = 100.0 * self.at(Along::Share);
                format!("every {}, {up:.0} % of the time up", say(1.0 / self.at(Along::Rate), "s"))
            }
        }
    }
}

/// The largest value of each quantity over all maps, with its place.
fn largest(all: &All<'_>, part: usize) -> Option<String> {
    let most = |number: usize| {
        let every = (0..all.values.len()).flat_map(|map| points(all, map, part, number));
        let valued = every.filter_map(|point| Some((point, point.value.number()?)));
        let (point, _) = valued.reduce(|a, b| if b.1 > a.1 { b } else { a })?;
        let head = &all.heads[number];
        Some(format!("{} {} ({})", word(&head.id), say_value(point.value, &head.unit), point.place()))
    };
    let said: Vec<String> = (0..all.heads.len()).filter_map(most).collect();
    (!said.is_empty()).then(|| format!("Largest: {}.", said.join("; ")))
}

fn repetition(swing: Swing) -> Repetition {
    let Swing { rate_hz, share, largest, slowest, crossover_hz } = swing;
    let [slow, fast] = [&slowest.1, &largest].map(|value| say_value(value, "V"));
    let grows = match (slowest.1.number(), largest.number()) {
        (Some(slow), Some(fast)) => fast > GROWS * slow,
        _ => true,
    };
    let sentence = match grows {
        true => {
            let every = say(1.0 / rate_hz, "s");
            format!("Repeated every {every} the swing grows from {slow} to {fast}{}.", near(rate_hz, crossover_hz))
        }
        false => format!("Repetition adds nothing: the swing stays at {fast} and below."),
    };
    Repetition {
        rate_hz,
        share,
        swing_v: largest,
        slowest_hz: slowest.0,
        slow_swing_v: slowest.1,
        crossover_hz,
        sentence,
    }
}

/// Where a repetition stands to the crossover.
fn near(rate_hz: f64, crossover_hz: Option<f64>) -> String {
    let Some(crossover_hz) = crossover_hz else { return String::new() };
    let side = match rate_hz / crossover_hz {
        ratio if (1.0 / NEAR..=NEAR).contains(&ratio) => "near",
        ratio if ratio < 1.0 => "below",
        _ => "above",
    };
    format!(": {side} the crossover, {}", say(crossover_hz, "Hz"))
}

/// The largest changes against the original.
fn against(all: &All<'_>, part: usize) -> String {
    let one = |number: usize| {
        let pairs = (0..all.values.len())
            .flat_map(|map| points(all, map, part, number).zip(points(all, map, 0, number)))
            .filter_map(|(point, original)| {
                Some((point, change(point.value, original.value)?, original.value.exact()?))
            });
        let both: Vec<(Point<'_>, f64, f64)> = pairs.collect();
        let scale = both.iter().map(|(.., original)| original.abs()).fold(0.0, f64::max);
        let (point, by, _) = both.into_iter().reduce(|a, b| if b.1 > a.1 { b } else { a })?;
        let head = &all.heads[number];
        (by > TOLD * scale)
            .then(|| format!("{} up to +{} ({})", word(&head.id), say(rounded(by), &head.unit), point.place()))
    };
    let said: Vec<String> = (0..all.heads.len()).filter_map(one).collect();
    let name = &all.maps.case.parts[0].name;
    match said.is_empty() {
        true => format!("Against {name}: no point is worse by more than {:.0} %.", 100.0 * TOLD),
        false => format!("Against {name}: {}.", said.join("; ")),
    }
}

/// Points that could not be computed, and why the first of them.
fn failures(all: &[MapOf], part: usize) -> Option<String> {
    let cells = all.iter().flat_map(|map| map.cells[part].iter().flatten());
    let failed = |cell: &Cell| cell.iter().find(|value| blank(value) == Some(Blank::Failed)).cloned();
    let failed: Vec<Value> = cells.filter_map(failed).collect();
    let Value::NotComputed(why) = failed.first()? else { return None };
    let points = if failed.len() == 1 { "1 point has".into() } else { format!("{} points have", failed.len()) };
    Some(format!("{points} no value: {why}."))
}

fn capital(word: &str) -> String {
    let (first, rest) = word.split_at(1);
    first.to_uppercase() + rest
}
