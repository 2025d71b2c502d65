//! From rows of a parts table, in TOML or CSV, to inductors.

use std::collections::HashMap;
use std::path::Path;
use std::sync::Arc;

use super::board::{Context, SATURATION_ERROR, TO_BE_FILLED};
use super::curves;
use super::keys::{Key, Kind, Need, PART};
use super::lists::Listed;
use super::plausible;
use super::source::{Cell, Node, Place, Raw, Sources, nearest};
use super::walk::{Values, origin_of};
use crate::board::Board;
use crate::model::case::Origin;
use crate::model::doubt;
use crate::parts::saturation::{FluxCurve, FluxTable};
use crate::parts::*;
use crate::units::{self, Dimension, show};
use crate::visible::visible;

/// Temperature coefficient of the resistance of copper in 1/K, from 0.00393 at 20 C (IEC 60028) referred to the
/// 25 C of the data sheet.
const COPPER_PER_K: f64 = 0.00393 / (1.0 + 0.00393 * (25.0 - 20.0));

/// The entries `[[part]]` of a TOML file.
pub fn nodes_of_toml(sources: &mut Sources, file: usize) -> Vec<Node> {
    let Some(tree) = sources.toml(file) else { return Vec::new() };
    let Raw::Table(entries) = tree.raw else { return Vec::new() };
    let mut parts = Vec::new();
    for (name, place, node) in entries {
        match (name.as_str(), node.raw) {
            ("part", Raw::List(items)) if !items.is_empty() => parts.extend(items),
            ("part", _) => {
                sources.cause(&node.place, "part", "a list of parts", "begin each part with a line [[part]]")
            }
            _ => sources.cause(
                &place,
                &name,
                "only entries [[part]] in this file",
                "keys of a part stand below its line [[part]]",
            ),
        }
    }
    if parts.is_empty() {
        let place = Place { file, span: 0..0 };
        sources.cause(&place, "part", "at least one part", "begin each part with a line [[part]]");
    }
    parts
}

/// A column of a parts table: the key it stands for, the unit of its cells, and whether that unit is a right one.
struct Column {
    key: Option<String>,
    unit: Option<String>,
    good_unit: bool,
}

/// A table of parts has one column a key; with far more it is no table of parts.
const MOST_COLUMNS: usize = 200;

/// The rows of a CSV file as tables: key from the header, value from the cell with the unit of the header.
pub fn nodes_of_csv(sources: &mut Sources, file: usize) -> Vec<Node> {
    let records = sources.csv(file);
    let Some((header, rows)) = records.split_first() else { return Vec::new() };
    if header.len() > MOST_COLUMNS {
        let expected = format!("at most {MOST_COLUMNS} columns, not {}", header.len());
        sources.cause(&header[0].place, "part", expected, "the first line that is no comment is the header");
        return Vec::new();
    }
    let mut columns: Vec<Column> = Vec::new();
    for cell in header {
        let column = column_of(sources, header, cell);
        if column.key.is_some() && columns.iter().any(|c| c.key == column.key) {
            sources.cause(&cell.place, &cell.text, "each column once", "remove one of the two");
        }
        columns.push(column);
    }
    let missing = if rows.is_empty() { Vec::new() } else { missing_columns(sources, header, &columns) };
    let entry = |((column, cell), head): ((&Column, &Cell), &Cell)| {
        let text = curves::with_unit(&cell.text, column.unit.as_deref());
        let raw = if column.good_unit { Raw::Text(text) } else { Raw::Spoilt };
        let node = Node { raw, place: cell.place.clone() };
        (!cell.text.is_empty()).then_some((column.key.clone()?, head.place.clone(), node))
    };
    let table = |row: &Vec<Cell>| {
        let entries = columns.iter().zip(row).zip(header).filter_map(entry);
        Raw::Table(entries.chain(missing.iter().cloned()).collect())
    };
    rows.iter().map(|row| Node { raw: table(row), place: row[0].place.clone() }).collect()
}

/// A missing column is one problem and not one a part: what stands in its place in each row.
fn missing_columns(sources: &mut Sources, header: &[Cell], columns: &[Column]) -> Vec<(String, Place, Node)> {
    let required = PART.iter().filter(|key| key.need == Need::Required && key.parent().is_empty());
    let missing = required.filter(|key| columns.iter().all(|column| column.key.as_deref() != Some(key.path)));
    let place = header[0].place.start();
    let told = |key: &Key| {
        let hint = format!("for example the header {} and below it {}", key.name(), key.example.trim_matches('"'));
        sources.cause(&place, key.path, format!("the column {}: {}", key.name(), key.text.trim_end_matches('.')), hint);
        (key.path.to_string(), place.clone(), Node { raw: Raw::Spoilt, place: place.clone() })
    };
    missing.map(told).collect()
}

/// A misspelled column is one problem and not one a part: its cells are read as those of the key that is meant.
fn column_of(sources: &mut Sources, header: &[Cell], cell: &Cell) -> Column {
    let (name, unit) = curves::split_header(&cell.text);
    if let Some(key) = PART.iter().find(|k| k.path == name && !matches!(k.kind, Kind::Tables | Kind::Rows)) {
        let good_unit = unit.as_ref().is_none_or(|u| check_unit(sources, &cell.place, key, u));
        return Column { key: Some(name), unit, good_unit };
    }
    let given: Vec<String> = header.iter().map(|c| curves::split_header(&c.text).0).collect();
    let near = nearest(&name, PART.iter().map(|k| k.path).filter(|k| given.iter().all(|g| g != k)));
    let hint = near.map_or("names of columns are the keys of a part".into(), |n| format!("did you mean {n}?"));
    sources.cause(&cell.place, &name, "a known column", hint);
    Column { key: near.map(str::to_string), unit, good_unit: true }
}

/// Whether the unit in a header belongs to the key; notes a problem if not.
fn check_unit(sources: &mut Sources, place: &Place, key: &Key, unit: &str) -> bool {
    let refusal = match key.kind {
        Kind::Quantity(d) => units::parse(&format!("1 {unit}"), d).err(),
        _ => Some(units::Refusal { expected: "no unit".into(), hint: "remove it from the header".into() }),
    };
    if let Some(refusal) = &refusal {
        sources.cause(place, key.path, refusal.expected.clone(), refusal.hint.replace("1 ", ""));
    }
    refusal.is_none()
}

/// Name of the part in a tree that has not been checked yet.
pub fn name_of(node: &Node) -> Option<String> {
    let Raw::Table(entries) = &node.raw else { return None };
    entries.iter().find(|(k, _, _)| k == "name").and_then(|(_, _, n)| match &n.raw {
        Raw::Text(t) if !t.trim().is_empty() => Some(visible(t.trim()).into_owned()),
        _ => None,
    })
}

/// Names that a message lists; a case may have thousands.
const NAMES_LISTED: usize = 10;

/// Names are unique, the original is among the parts, and there is something to compare it with.
pub fn check_names(sources: &mut Sources, board: &Values, parts: &[Values], listed: &[Listed], least: usize) {
    let of_own = parts.iter().filter_map(|p| Some((p.text("name")?, p.place("name"))));
    let of_lists = listed.iter().map(|part| (part.inductor.name.as_str(), part.place.clone()));
    let named: Vec<(&str, Place)> = of_own.chain(of_lists).collect();
    let mut first: HashMap<&str, &Place> = HashMap::with_capacity(named.len());
    for (name, place) in &named {
        if let Some(first) = first.get(name) {
            let (file, line) = sources.line(first);
            let hint = format!("the first stands in {file}, line {line}");
            sources.problem(place, &format!("{name}: name"), "a name of its own for each part", hint);
        } else {
            first.insert(name, place);
        }
    }
    if let Some(original) = board.text("original")
        && !named.is_empty()
        && !first.contains_key(original)
    {
        let near = nearest(original, named.iter().map(|(n, _)| *n)).map(|n| format!("did you mean \"{n}\"?"));
        let hint = near.unwrap_or_else(|| format!("the parts are {}", first_names(&named)));
        sources.problem(&board.place("original"), "original", "the name of one of the parts", hint);
    }
    if parts.len() + listed.len() == 1 && least > 1 {
        let hint = "a comparison needs the original and at least one substitute";
        let place =
            parts.first().map(|part| part.place("name")).or_else(|| listed.first().map(|part| part.place.clone()));
        sources.problem(&place.unwrap_or_default(), "part", "at least two parts", hint);
    }
}

/// The first names, and how many more there are.
fn first_names(named: &[(&str, Place)]) -> String {
    let names: Vec<&str> = named.iter().take(NAMES_LISTED).map(|(name, _)| *name).collect();
    let more = named.len() - names.len();
    let and = if more > 0 { format!(" and {more} more") } else { String::new() };
    names.join(", ") + &and
}

/// One inductor; `None` after noting what is missing.
pub fn build(sources: &mut Sources, folder: &Path, v: &mut Values, context: &Context) -> Option<Inductor> {
    check(sources, v);
    let ratings = ratings(v);
    let (saturation, saturation_basis) = curves::read(sources, folder, v, &ratings);
    let ac_resistance = ac_resistance(sources, v, context.frequency_hz);
    let thermal_resistance_k_per_w = thermal_resistance(sources, v);
    let core_loss = core_loss(v);
    let core_loss_tolerance = or_usual(v, "core_loss_tolerance", 0.25, Dimension::Fraction);
    note_origin(v);
    let part = Inductor {
        name: v.text("name")?.to_string(),
        core: match v.text("core")? {
            "ferrite" => CoreFamily::Ferrite,
            "composite" => CoreFamily::Composite,
            _ => CoreFamily::IronPowder,
        },
        inductance_h: v.number("inductance")?,
        tolerance: v.number("tolerance").unwrap_or(TO_BE_FILLED),
        saturation,
        saturation_basis,
        saturation_ratings: ratings,
        heating_rating: heating(v),
        dcr_typical_ohm: v.number("dcr_typical").unwrap_or(TO_BE_FILLED),
        dcr_max_ohm: v.number("dcr_max").unwrap_or(TO_BE_FILLED),
        ac_resistance,
        core_loss,
        core_loss_tolerance: core_loss_tolerance?,
        thermal_resistance_k_per_w: thermal_resistance_k_per_w?,
        thermal_time_constant_s: v.number("thermal_time_constant"),
        max_temperature_degc: v.number("max_temperature"),
        working_voltage_v: v.number("working_voltage"),
        self_resonance_hz: v.number("self_resonance"),
        body: three(v, "body_length", "body_width", "body_height").map(|(length_m, width_m, height_m)| Body {
            length_m,
            width_m,
            height_m,
        }),
        terminals: three(v, "terminal_length", "terminal_width", "terminal_gap")
            .map(|(length_m, width_m, gap_m)| PadPair { length_m, width_m, gap_m }),
        terminal_tolerance_m: v.number("terminal_tolerance"),
        class: class(v),
    };
    if part.saturation.is_empty() {
        return None;
    }
    check_table(sources, v, &part, context);
    Some(part)
}

/// Fills in what a part does not say, by the table of missing data, and lists it; then says what is doubtful.
pub fn finish(
    sources: &Sources,
    v: &mut Values,
    part: &mut Inductor,
    board: &mut Board,
    context: &Context,
    doubts: &mut Vec<String>,
) {
    let printed = part.saturation.clone();
    follow_hot_rating(v, part, board);
    let lacks_hot = doubt::lacks_hot(part);
    let rated = part.heating_rating.is_some();
    let absent = |key: &str| match key {
        doubt::HOT => lacks_hot,
        "thermal_resistance" => !rated && v.absent(key),
        _ => v.absent(key),
    };
    let filled = doubt::fill(board, part, true, absent);
    list(v, filled, |value, unit| context.shown(value, unit));
    let printed = Inductor { saturation: printed, ..part.clone() };
    say_doubts(&printed, context, &mut |key, text| {
        // A curve may stand in files that another key names.
        let key = if v.absent(key) && v.stated("saturation_files") { "saturation_files" } else { key };
        doubts.push(format!("{}: {}: {key}: {text}", plausible::place(sources, v, key), part.name));
    });
}

/// Where only the cold curve is printed, the hot rating says how far its currents fall.
fn follow_hot_rating(v: &mut Values, part: &mut Inductor, board: &mut Board) {
    let [.., cold, hot] = &part.saturation_ratings[..] else { return };
    let (ratio, degc) = (hot.current_a / cold.current_a, hot.temperature_degc);
    if !doubt::lacks_hot(part) || degc <= cold.temperature_degc {
        return;
    }
    let at_hot = 1.0 + (ratio - 1.0) * (100.0 - cold.temperature_degc) / (degc - cold.temperature_degc);
    doubt::set_hot_currents(board, part, at_hot);
    let rule = "the cold curve with its currents in proportion to the two ratings, in a line with temperature";
    v.assume(
        "saturation",
        format!("hot curves: currents x {ratio:.3} at {}", show(degc, Dimension::Temperature)),
        Origin::Estimated,
        rule,
    );
}

/// Lists data that were filled in, each with the text of its value.
pub fn list(v: &mut Values, filled: Vec<doubt::Filled>, text: impl Fn(f64, Dimension) -> Arc<str>) {
    for datum in filled {
        let value = if datum.key == doubt::HOT {
            format!("{:.3} ({})", datum.shown, datum.rule.label).into()
        } else if datum.rule.is_feature {
            format!("simulated without, and with {}", datum.rule.label).into()
        } else {
            text(datum.shown, datum.rule.unit)
        };
        v.assume(datum.key, value, Origin::Absent, datum.rule.source);
    }
}

/// The grade that a word of the format stands for.
pub fn grade(word: &str) -> Option<Grade> {
    match word {
        "commercial" => Some(Grade::Commercial),
        "industrial" => Some(Grade::Industrial),
        "automotive" => Some(Grade::Automotive),
        _ => None,
    }
}

/// What a part is, apart from its numbers.
fn class(v: &mut Values) -> Class {
    if let Some("ambient") = v.text("max_temperature_of") {
        let rule = "the printed range leaves the part's own heating out: the winding is held to it all the same";
        v.assume("max_temperature_of", "winding", Origin::Assumed, rule);
    }
    let shield = |word: &str| match word {
        "unshielded" => Some(Shield::Unshielded),
        "partial" => Some(Shield::Partial),
        _ => Some(Shield::Shielded),
    };
    Class {
        grade: v.text("grade").and_then(grade),
        shield: v.text("shield").and_then(shield),
        start_mark: v.flag("start_mark"),
        no_ageing_degc: v.number("no_ageing_below"),
    }
}

fn three(v: &Values, a: &str, b: &str, c: &str) -> Option<(f64, f64, f64)> {
    Some((v.number(a)?, v.number(b)?, v.number(c)?))
}

/// Ratings of the saturation current; their temperatures default to those that data sheets use (common practice).
fn ratings(v: &mut Values) -> Vec<SaturationRating> {
    let mut rating = |current: &str, temperature: &'static str, usual_degc: f64| {
        let (current_a, drop) = (v.number(current)?, v.number("saturation_drop")?);
        let temperature_degc = or_usual(v, temperature, usual_degc, Dimension::Temperature)?;
        Some(SaturationRating { current_a, drop, temperature_degc })
    };
    let cold = rating("saturation_current", "saturation_temperature", 25.0);
    let hot = rating("hot_saturation_current", "hot_saturation_temperature", 100.0);
    [cold, hot].into_iter().flatten().collect()
}

/// The value stated, or the usual one, listed as an assumption; `None` if what is stated is wrong.
fn or_usual(v: &mut Values, path: &'static str, usual: f64, dimension: Dimension) -> Option<f64> {
    if v.number(path).is_none() && !v.spoilt(path) {
        v.assume(path, show(usual, dimension), Origin::Assumed, "common practice");
        return Some(usual);
    }
    v.number(path)
}

fn heating(v: &Values) -> Option<HeatingRating> {
    Some(HeatingRating { current_a: v.number("heating_current")?, rise_k: v.number("heating_rise")? })
}

fn core_loss(v: &Values) -> Option<CoreLoss> {
    if let Some(k_w_per_m3) = v.number("steinmetz_k") {
        return Some(CoreLoss::Steinmetz {
            k_w_per_m3,
            alpha: v.number("steinmetz_alpha")?,
            beta: v.number("steinmetz_beta")?,
            volume_m3: v.number("core_volume")?,
            turns_area_m2: v.number("turns_area")?,
        });
    }
    Some(CoreLoss::VoltSeconds {
        loss_w: v.number("core_loss")?,
        frequency_hz: v.number("core_loss_frequency")?,
        swing_wb: v.number("core_loss_volt_seconds")?,
        alpha: v.number("core_loss_alpha").unwrap_or(TO_BE_FILLED),
        beta: v.number("core_loss_beta").unwrap_or(TO_BE_FILLED),
    })
}

/// Largest over typical winding resistance, as the table of missing data has it.
const USUAL_MAX: f64 = 1.10;

/// Stated, or from the heating rating: rise / (I^2 R25 (1 + a rise)), direct current only (IEC 62024-2).
fn thermal_resistance(sources: &mut Sources, v: &mut Values) -> Option<f64> {
    let path = "thermal_resistance";
    if let Some(stated) = v.number(path) {
        return Some(stated);
    }
    let Some(rating) = heating(v) else {
        let spoilt = ["heating_current", "heating_rise", path].iter().any(|p| v.spoilt(p));
        if !spoilt && three(v, "body_length", "body_width", "body_height").is_none() {
            let hint = "for example thermal_resistance = \"54.4 K/W\", or heating_current and heating_rise, or the size of the body";
            sources.problem(&v.place("").start(), &v.key(path), "the thermal resistance or the heating rating", hint);
        }
        return (!spoilt).then_some(TO_BE_FILLED);
    };
    let dcr_ohm = v.number("dcr_typical").or_else(|| Some(v.number("dcr_max")? / USUAL_MAX))?;
    let loss_w = rating.current_a.powi(2) * dcr_ohm * (1.0 + COPPER_PER_K * rating.rise_k);
    let derived = rating.rise_k / loss_w;
    v.assume(
        path,
        show(derived, Dimension::ThermalResistance),
        Origin::Estimated,
        "rise / (I^2 x dcr_typical x (1 + 0.00385 /K x rise))",
    );
    Some(derived)
}

/// "3.0" at the switching frequency, or "1.8 @ 100 kHz".
fn ac_resistance(sources: &mut Sources, v: &Values, switching_hz: Option<f64>) -> Option<AcResistance> {
    let cells = v.texts("ac_resistance")?;
    let key = v.key("ac_resistance");
    let mut points: Vec<(f64, f64)> = Vec::new();
    for cell in cells {
        let (ratio, frequency) = cell.text.split_once('@').map_or((cell.text.as_str(), None), |(r, f)| (r, Some(f)));
        let ratio = units::parse(ratio, Dimension::Number);
        let frequency = frequency.map(|f| units::parse(f, Dimension::Frequency)).transpose();
        match (ratio, frequency) {
            (Err(refusal), _) | (_, Err(refusal)) => sources.problem(&cell.place, &key, refusal.expected, refusal.hint),
            (Ok(ratio), _) if !(1.0..=1e3).contains(&ratio) => {
                sources.problem(
                    &cell.place,
                    &key,
                    "a ratio from 1 to 1000",
                    "the resistance does not fall with frequency",
                );
            }
            (Ok(ratio), Ok(frequency)) => {
                let Some(hz) = frequency.or(switching_hz) else { continue };
                if points.last().is_some_and(|last| last.0 >= hz) {
                    sources.problem(&cell.place, &key, "frequencies in ascending order, each once", "sort the list");
                }
                points.push((hz, ratio));
            }
        }
    }
    Some(AcResistance { ratio_points: points })
}

/// Origin stated for the part as a whole.
fn note_origin(v: &mut Values) {
    if let Some(origin) = v.text("origin").and_then(origin_of) {
        let note = v.text("note").unwrap_or("").to_string();
        let value = "all data of the part that do not say otherwise".into();
        v.note("", value, origin, note, None);
    }
}

/// Checks across keys.
fn check(sources: &mut Sources, v: &Values) {
    if let (Some(typical), Some(max)) = (v.number("dcr_typical"), v.number("dcr_max"))
        && typical > max
    {
        let expected = format!("at most dcr_max = {}", show(max, Dimension::Resistance));
        sources.problem(
            &v.place("dcr_typical"),
            &v.key("dcr_typical"),
            expected,
            "typical and largest value may be swapped",
        );
    }
    together(sources, v, &["heating_current", "heating_rise"]);
    together(sources, v, &["core_loss", "core_loss_frequency", "core_loss_volt_seconds"]);
    if ["dcr_typical", "dcr_max"].iter().all(|path| v.absent(path)) {
        let hint = "for example dcr_max = \"41 mohm\"; one of the two is enough";
        let place = v.place("").start();
        sources.problem(&place, &v.key("dcr_typical"), "the winding resistance: dcr_typical or dcr_max", hint);
    }
    together(sources, v, &["steinmetz_k", "steinmetz_alpha", "steinmetz_beta", "core_volume", "turns_area"]);
    together(sources, v, &["body_length", "body_width", "body_height"]);
    together(sources, v, &["terminal_length", "terminal_width", "terminal_gap"]);
    if v.number("core_loss").is_some() && v.number("steinmetz_k").is_some() {
        let expected = "either core_loss or steinmetz_k";
        sources.problem(&v.place("steinmetz_k"), &v.key("steinmetz_k"), expected, "remove the keys of one of the two");
    }
    let rated = ["saturation_current", "hot_saturation_current"].into_iter().find(|p| v.number(p).is_some());
    if let Some(current) = rated
        && v.number("saturation_drop").is_none()
        && !v.spoilt("saturation_drop")
    {
        let expected = "saturation_drop with it, the percentage by which the inductance has dropped there";
        let hint =
            "makers use 10, 20, 30 or 40 %: the current alone says little; for example saturation_drop = \"30 %\"";
        sources.problem(&v.place(current), &v.key(current), expected, hint);
    }
    if v.text("saturation_knee").is_some() && rated.is_none() && !v.spoilt("saturation_current") {
        let hint = "the curve is estimated from saturation_current and saturation_drop";
        sources.problem(&v.place("saturation_knee"), &v.key("saturation_knee"), "a saturation rating with it", hint);
    }
}

/// Pieces of a curve below which it is not laid out to be counted, far below what the table holds.
const SURELY_FEW: f64 = 1000.0;
/// Between two temperatures the curve may need a few more pieces than at either: it is tried with this part of the error.
const ERROR_SHARE: f64 = 0.8;

/// Whether the engine's table can hold the curves to the error asked for.
fn check_table(sources: &mut Sources, v: &Values, part: &Inductor, context: &Context) {
    let Some((error_a, place)) = &context.saturation_error_a else { return };
    let refused = |curve: &&SaturationCurve| -> bool {
        let smooth = FluxCurve::new(&part.saturation, curve.temperature_degc, 1.0);
        smooth.and_then(|smooth| FluxTable::from_curve(&smooth, ERROR_SHARE * error_a)).is_err()
    };
    let doubtful = |curve: &&SaturationCurve| most_pieces(curve, *error_a) > SURELY_FEW;
    if part.saturation.iter().filter(doubtful).find(refused).is_none() {
        return;
    }
    let error = show(*error_a, Dimension::Current);
    match place {
        Some(place) => {
            let expected = format!("a larger error: the curve of {} would need thousands of pieces", part.name);
            sources.problem(place, SATURATION_ERROR, expected, "leave it out, or try one ten times as large");
        }
        None => {
            let expected = format!("a curve that fewer than thousands of pieces follow to {error}");
            let hint = "state a larger numerics.saturation_error in board.toml, or end the curve at a lower current";
            sources.problem(&v.place("").start(), &v.key("saturation"), expected, hint);
        }
    }
}

/// Upper estimate of the number of straight pieces that follow i(flux) within a band 1.5 e wide: the integral of
/// sqrt(i'' / 12 e) over the flux linkage with i'' = -L'/L^3, by the inequality of Cauchy and Schwarz, and one a point.
fn most_pieces(curve: &SaturationCurve, error_a: f64) -> f64 {
    let (Some(first), Some(last)) = (curve.points.first(), curve.points.last()) else { return 0.0 };
    (last.0 * (first.1 / last.1).ln() / (12.0 * error_a)).sqrt() + curve.points.len() as f64
}

/// Keys that are given all or not at all.
fn together(sources: &mut Sources, v: &Values, paths: &[&str]) {
    let given: Vec<&str> = paths.iter().copied().filter(|p| v.number(p).is_some()).collect();
    let missing: Vec<&str> = paths.iter().copied().filter(|p| v.number(p).is_none() && !v.spoilt(p)).collect();
    if let (Some(first), false) = (given.first(), missing.is_empty()) {
        let expected = format!("{} with it", missing.join(", "));
        sources.problem(&v.place(first), &v.key(first), expected, format!("{} belong together", paths.join(", ")));
    }
}

/// Doubts that do not stop a run, beside those of the table of what is plausible.
fn say_doubts(part: &Inductor, context: &Context, say: &mut dyn FnMut(&str, String)) {
    doubt_trade(part, say);
    doubt_curves(part, context, say);
}

/// What the trade sells as moulded composite parts (common practice): outside it, a slip of the pen is likely.
fn doubt_trade(part: &Inductor, say: &mut dyn FnMut(&str, String)) {
    if part.core != CoreFamily::Composite {
        return;
    }
    let mut within = |key: &str, value: f64, low: f64, high: f64, d: Dimension| {
        if !(low..=high).contains(&value) {
            say(
                key,
                format!(
                    "{} is outside what moulded composite parts are sold with, {} (common practice)",
                    show(value, d),
                    super::walk::range_text((low, high), d)
                ),
            );
        }
    };
    within("inductance", part.inductance_h, 0.1e-6, 47e-6, Dimension::Inductance);
    within("tolerance", part.tolerance, 0.2, 0.2, Dimension::Fraction);
    within("dcr_typical", part.dcr_typical_ohm, 1.5e-3, 350e-3, Dimension::Resistance);
    for rating in &part.saturation_ratings {
        within("saturation_current", rating.current_a, 2.0, 35.0, Dimension::Current);
    }
    if let Some(max_degc) = part.max_temperature_degc {
        within("max_temperature", max_degc, -55.0, 155.0, Dimension::Temperature);
    }
}

fn doubt_curves(part: &Inductor, context: &Context, say: &mut dyn FnMut(&str, String)) {
    let curves = &part.saturation;
    let degc = |t: f64| show(t, Dimension::Temperature);
    for rating in &part.saturation_ratings {
        let Some(curve) = curves.iter().find(|c| (c.temperature_degc - rating.temperature_degc).abs() < 0.5) else {
            continue;
        };
        let drop = 1.0 - curves::at(curve, rating.current_a) / curve.points[0].1;
        if (drop - rating.drop).abs() > 0.03 {
            let at = show(rating.current_a, Dimension::Current);
            say(
                "saturation",
                format!(
                    "at {at} and {} the curve has dropped by {:.1} %, the rating says {:.1} %; curve and rating may be of two parts",
                    degc(curve.temperature_degc),
                    100.0 * drop,
                    100.0 * rating.drop
                ),
            );
        }
    }
    let room =
        curves.iter().min_by(|a, b| (a.temperature_degc - 25.0).abs().total_cmp(&(b.temperature_degc - 25.0).abs()));
    if let Some(curve) = room
        && let off = curve.points[0].1 / part.inductance_h
        && (off - 1.0).abs() > part.tolerance
    {
        let fits = |scale: &f64| (off * scale - 1.0).abs() <= part.tolerance;
        let prefix = [1e-3, 1e3].into_iter().find(fits);
        let meaning = prefix.map_or("part and curve may not belong together".into(), |scale| {
            let would = show(curve.points[0].1 * scale, Dimension::Inductance);
            format!("{would} would be plausible: a prefix may be wrong")
        });
        say(
            "saturation",
            format!(
                "without current the curve at {} begins at {}, outside the tolerance of the nominal inductance; {meaning}",
                degc(curve.temperature_degc),
                show(curve.points[0].1, Dimension::Inductance)
            ),
        );
    }
    if part.core == CoreFamily::Ferrite && curves.iter().all(|c| c.temperature_degc < 80.0) {
        say(
            "saturation",
            "no hot curve; a gapped ferrite saturates a fifth to a quarter earlier at 100 degC (common practice)"
                .into(),
        );
    }
    for curve in curves {
        let end_a = curve.points.last().map_or(0.0, |p| p.0);
        if let Some(need_a) = context.highest_current_a.filter(|need_a| end_a < *need_a) {
            say(
                "saturation",
                format!(
                    "the curve at {} ends at {}, below the {} that the current limit lets through",
                    degc(curve.temperature_degc),
                    show(end_a, Dimension::Current),
                    show(need_a, Dimension::Current)
                ),
            );
        }
    }
}
