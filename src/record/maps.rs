//! What maps of load steps come to: values point by point, and what follows in words.

mod said;

use super::layout::{CalibrationRecord, CaseIdentity};
use super::words;
use crate::condition::contract::Condition;
use crate::condition::figures::{Place, Value};
use crate::condition::load_step::LoadStepAndRelease;
use crate::corridor::maps::{
    Along, Axis, BEYOND_RANGE, Cell, Job, Kind, Map, Maps, NO_REST, NO_ROOM, QUANTITIES, Swing, Worst,
};
use crate::model::case::Case;
use crate::quantity;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

/// Maps of all parts of a case.
#[derive(Clone, Debug, Serialize)]
pub struct MapsRecord {
    /// Version of this tool.
    pub presolder_version: String,
    /// The case.
    pub case: CaseIdentity,
    /// What captures have told of the board; absent where they were not used.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub calibration: Option<CalibrationRecord>,
    /// What follows, in few sentences.
    pub decision: Vec<String>,
    /// Where the maps stand: input and corner.
    pub setting: String,
    /// Why there.
    pub setting_reason: String,
    /// The case's own step.
    pub step: String,
    /// Its size in A, base load in A, and slew in A/s.
    pub own_step: [f64; 3],
    /// Begins of each step within the switching period that were tried; the worst counts.
    pub phases: u64,
    /// What stands at each point, in this order.
    pub quantities: Vec<Head>,
    /// The parts, the original first.
    pub parts: Vec<PartOf>,
    /// The maps.
    pub maps: Vec<MapOf>,
}

/// A quantity of the maps.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Head {
    /// Identifier.
    pub id: String,
    /// Name.
    pub label: String,
    /// Unit of its values.
    pub unit: String,
    /// Limit of the case: more is past it.
    pub limit: Option<f64>,
}

/// What the maps say of one part.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PartOf {
    /// Part.
    pub part: String,
    /// Whether it is the original.
    pub original: bool,
    /// Whether every limit is met at every point that has a run.
    pub within: bool,
    /// The case's own step, in the order of the quantities.
    pub own_step: Vec<Value>,
    /// What is to be said of it, the most important first.
    pub sentences: Vec<String>,
    /// How its swing grows with the repetition, where that was looked at.
    pub repetition: Option<Repetition>,
}

/// The worst repetition of the case's own step.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Repetition {
    /// Repetition in Hz.
    pub rate_hz: f64,
    /// Share of the time of the upper level.
    pub share: f64,
    /// Peak to peak there in V.
    pub swing_v: Value,
    /// Slowest repetition of the map in Hz.
    pub slowest_hz: f64,
    /// Peak to peak there in V.
    pub slow_swing_v: Value,
    /// Crossover of the loop in Hz.
    pub crossover_hz: Option<f64>,
    /// In words.
    pub sentence: String,
}

/// One map of all parts.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct MapOf {
    /// Name of the map, as it goes on the command line and into files.
    pub name: String,
    /// What it shows.
    pub title: String,
    /// Columns.
    pub columns: AxisOf,
    /// Rows.
    pub rows: AxisOf,
    /// Values of the quantities by part, row, column.
    pub cells: Vec<Vec<Vec<Cell>>>,
}

/// An axis of a map.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct AxisOf {
    /// Name of its column in tables, with the unit.
    pub key: String,
    /// Label.
    pub label: String,
    /// Unit of the values.
    pub unit: String,
    /// Whether the values go in equal ratios.
    pub in_ratio: bool,
    /// Values.
    pub values: Vec<f64>,
}

/// A line of a map of one part, as it is kept on the way.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LineOf {
    /// Number of the map.
    pub map: usize,
    /// Number of the part.
    pub part: usize,
    /// Number of the line.
    pub line: usize,
    /// Values point by point.
    pub cells: Vec<Cell>,
}

impl LineOf {
    /// What has been run.
    pub fn of(job: Job, cells: Vec<Cell>) -> LineOf {
        LineOf { map: job.map, part: job.part, line: job.line, cells }
    }

    /// What was run.
    pub fn job(&self) -> Job {
        Job { map: self.map, part: self.part, line: self.line }
    }
}

/// What a point is, where it has no number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Blank {
    /// No run belongs there.
    NoRun,
    /// Its run was stopped by something.
    Failed,
}

/// Why a value has no number; `None` where it has one.
pub fn blank(value: &Value) -> Option<Blank> {
    let Value::NotComputed(why) = value else { return None };
    let told = why.to_string();
    let no_run = [BEYOND_RANGE, NO_ROOM, NO_REST].contains(&told.as_str());
    Some(if no_run { Blank::NoRun } else { Blank::Failed })
}

/// By how much a value is past a limit; `None` where that is not known.
pub fn past(value: &Value, limit: f64) -> Option<bool> {
    match value {
        Value::Number(number) => Some(*number > limit),
        Value::AtLeast(number) => (*number > limit).then_some(true),
        Value::AtMost(number) => (*number <= limit).then_some(false),
        Value::NotComputed(why) => why.is_event().then_some(true),
    }
}

/// What is different from the original; `None` where one of the two is no exact number.
pub fn change(value: &Value, original: &Value) -> Option<f64> {
    Some(value.exact()? - original.exact()?)
}

/// Everything together. `cells` are by map, part and row; `own` and `swings` by part.
pub fn record(
    maps: &Maps,
    worst: Option<&Worst>,
    cells: Vec<Vec<Vec<Vec<Cell>>>>,
    own: Vec<Cell>,
    swings: Vec<Option<Swing>>,
) -> MapsRecord {
    let case = &maps.case;
    let values: Vec<MapOf> = maps.maps.iter().zip(cells).map(|(map, cells)| map_of(maps, map, cells)).collect();
    let heads: Vec<Head> = QUANTITIES.iter().map(|id| head(case, id)).collect();
    let all = said::All { maps, heads: &heads, values: &values };
    let each = own.iter().zip(swings).enumerate();
    let parts: Vec<PartOf> = each.map(|(part, (own, swing))| said::part(&all, part, own, swing)).collect();
    let decision = said::decision(&all, &parts);
    MapsRecord {
        presolder_version: env!("CARGO_PKG_VERSION").into(),
        case: super::identity(case),
        calibration: None,
        decision,
        setting: setting(maps),
        setting_reason: said::reason(case, worst),
        step: words::step_levels(&maps.own),
        own_step: [maps.own.to_a - maps.own.from_a, maps.own.from_a, maps.own.slew_a_per_s],
        phases: case.board.procedure.step_phases,
        quantities: heads,
        parts,
        maps: values,
    }
}

/// What rows belong to: everything that a number depends on.
pub fn hash(maps: &Maps) -> String {
    let Maps { case, own, setting, maps } = maps;
    let parts: Vec<String> = (0..case.parts.len()).map(|part| super::screen::hash(case, part)).collect();
    let names: Vec<&str> = case.parts.iter().map(|part| part.name.as_str()).collect();
    let board = super::screen::board_hash(case);
    super::sweep::hex(&Sha256::digest(format!("{board}{parts:?}{names:?}{own:?}{setting:?}{maps:?}")))
}

fn setting(maps: &Maps) -> String {
    let place = Place {
        condition: LoadStepAndRelease.name(),
        corner: maps.setting.corner,
        input_v: Some(maps.setting.input_v),
        load_a: None,
        prebias_v: 0.0,
        load: 0,
    };
    let told = words::place(&maps.case, &place);
    told.strip_prefix("load step, ").map_or(told.clone(), String::from)
}

fn head(case: &Case, id: &str) -> Head {
    let quantity = quantity::find(id).expect("quantities of the maps are in the table");
    let limit = match id {
        "dip" | "rise" => case.limits.step_deviation_v,
        "recovery" => case.limits.recovery_s,
        _ => None,
    };
    Head { id: id.into(), label: quantity.label.into(), unit: quantity.unit.into(), limit }
}

/// The name of a map on the command line.
pub fn name(kind: Kind) -> &'static str {
    match kind {
        Kind::SlewAmplitude => "slew-amplitude",
        Kind::AmplitudeBase => "amplitude-base",
        Kind::RateShare => "rate-share",
    }
}

fn map_of(maps: &Maps, map: &Map, cells: Vec<Vec<Vec<Cell>>>) -> MapOf {
    let own = &maps.own;
    let say = |value: f64, unit: &str| words::say(value, unit);
    let title = match map.kind {
        Kind::SlewAmplitude => format!("Steps from {} and back: amplitude and slew", say(own.from_a, "A")),
        Kind::AmplitudeBase => format!(
            "Steps at {} and back within {} to {}: base load and amplitude",
            say(own.slew_a_per_s, "A/s"),
            say(map.rows.values[0], "A"),
            say(map.columns.most_a, "A")
        ),
        Kind::RateShare => format!(
            "{} to {} again and again: how often, and for what share of the time",
            say(own.from_a, "A"),
            say(own.to_a, "A")
        ),
    };
    MapOf { name: name(map.kind).into(), title, columns: axis(&map.columns), rows: axis(&map.rows), cells }
}

fn axis(axis: &Axis) -> AxisOf {
    let (key, label, unit) = match axis.along {
        Along::Amplitude => ("amplitude_a", "amplitude", "A"),
        Along::Slew => ("slew_a_per_s", "slew", "A/s"),
        Along::Base => ("base_a", "base load", "A"),
        Along::Rate => ("repetition_hz", "repetition", "Hz"),
        Along::Share => ("share_of_time", "share of time", "fraction"),
    };
    let in_ratio = matches!(axis.along, Along::Slew | Along::Rate);
    AxisOf { key: key.into(), label: label.into(), unit: unit.into(), in_ratio, values: axis.values.clone() }
}
