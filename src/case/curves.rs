//! Saturation curves: in place, from CSV files, or estimated from ratings.

use std::path::Path;

use super::source::{Cell, Place, Sources};
use super::walk::Values;
use crate::model::case::Origin;
use crate::model::doubt;
use crate::parts::{SaturationBasis, SaturationCurve, SaturationRating};
use crate::units::{self, Dimension, show};

/// Temperatures closer than this are one temperature, in K: a curve for "25 degC" is not told from one for 25.2.
const SAME_TEMPERATURE_K: f64 = 0.5;

/// A point with its place: temperature in degrees Celsius, current in A, inductance in H.
struct Point {
    temperature_degc: f64,
    current_a: f64,
    inductance_h: f64,
    place: Place,
}

/// "Header [unit]" or "Header (unit)": the header in the form of a key, and the unit.
pub fn split_header(text: &str) -> (String, Option<String>) {
    let text = text.trim();
    let (name, unit) = match text.find(['[', '(']) {
        Some(i) => (&text[..i], Some(text[i + 1..].trim_end_matches([']', ')']).trim().to_string())),
        None => (text, None),
    };
    (name.trim().to_lowercase().replace([' ', '-'], "_"), unit)
}

/// Puts the unit of the header behind a bare number.
pub fn with_unit(text: &str, unit: Option<&str>) -> String {
    match unit {
        Some(unit) if !text.is_empty() && !text.ends_with(|c: char| c.is_alphabetic() || c == '%') => {
            format!("{text} {unit}")
        }
        _ => text.to_string(),
    }
}

/// All curves of a part, temperature ascending. Empty after noting what is wrong.
pub fn read(
    sources: &mut Sources,
    folder: &Path,
    v: &mut Values,
    ratings: &[SaturationRating],
) -> (Vec<SaturationCurve>, SaturationBasis) {
    let before = sources.noted;
    let nominal_h = v.number("inductance");
    let mut points = Vec::new();
    for i in 0..v.count("saturation") {
        let path = format!("saturation[{i}]");
        if let (Some(columns), Some(rows)) = (v.texts(&format!("{path}.columns")), v.rows(&format!("{path}.points"))) {
            let fixed = v.number(&format!("{path}.temperature"));
            let key = v.key(&format!("{path}.points"));
            if rows.is_empty() {
                sources.problem(
                    &v.place(&format!("{path}.points")),
                    &key,
                    "at least two points",
                    "an empty curve says nothing",
                );
            }
            points.extend(points_of(sources, &key, columns, rows, fixed, nominal_h));
        }
    }
    for cell in v.texts("saturation_files").unwrap_or_default().to_vec() {
        points.extend(points_of_file(sources, folder, &cell, &v.key("saturation_files"), nominal_h));
    }
    let stated = v.count("saturation") > 0 || v.texts("saturation_files").is_some();
    if let (true, Some(_)) = (stated, v.text("saturation_knee")) {
        let hint = "remove saturation_knee: the curve is there";
        sources.problem(&v.place("saturation_knee"), &v.key("saturation_knee"), "either a curve or a knee", hint);
    }
    let spoilt = ["saturation", "saturation_files", "saturation_knee"].iter().any(|p| v.spoilt(p));
    if !stated && !spoilt && sources.noted == before {
        return estimated(v, ratings, nominal_h);
    }
    if sources.noted > before || spoilt {
        return (Vec::new(), SaturationBasis::Curves); // half a curve would look like a wrong one
    }
    let curves = group(sources, &v.key("saturation"), points);
    (if sources.noted > before { Vec::new() } else { curves }, SaturationBasis::Curves)
}

/// Points of one file; its name may be followed by "@ temperature".
fn points_of_file(sources: &mut Sources, folder: &Path, cell: &Cell, key: &str, nominal_h: Option<f64>) -> Vec<Point> {
    let (name, temperature) = match cell.text.split_once('@') {
        Some((name, temperature)) => (name.trim(), Some(units::parse(temperature, Dimension::Temperature))),
        None => (cell.text.as_str(), None),
    };
    let fixed = match temperature.transpose() {
        Ok(fixed) => fixed,
        Err(refusal) => {
            sources.problem(&cell.place, key, refusal.expected, refusal.hint);
            return Vec::new();
        }
    };
    let Some(file) = sources.read(folder, name, Some((&cell.place, key))) else { return Vec::new() };
    let records = sources.csv(file);
    let Some((header, rows)) = records.split_first() else { return Vec::new() };
    points_of(sources, key, header, rows, fixed, nominal_h)
}

/// What the columns of a curve may be.
const COLUMNS: [(&str, Dimension); 3] =
    [("current", Dimension::Current), ("inductance", Dimension::Inductance), ("temperature", Dimension::Temperature)];

/// Points from rows below a header; nothing after noting what is wrong with the header.
fn points_of(
    sources: &mut Sources,
    key: &str,
    header: &[Cell],
    rows: &[Vec<Cell>],
    fixed_degc: Option<f64>,
    nominal_h: Option<f64>,
) -> Vec<Point> {
    let Some(units) = check_header(sources, key, header, fixed_degc.is_some()) else { return Vec::new() };
    let mut points = Vec::new();
    for row in rows {
        if row.len() != header.len() {
            let place = row.first().or(header.first()).map_or(Place::default(), |c| c.place.clone());
            sources.problem(&place, key, format!("{} numbers in each row", header.len()), "one for each column");
            continue;
        }
        let mut read = |name: &str, dimension| {
            let i = units.iter().position(|(n, _)| n == name)?;
            quantity(sources, key, &row[i], units[i].1.as_deref(), dimension, nominal_h)
        };
        let [current_a, inductance_h, temperature_degc] = COLUMNS.map(|(name, dimension)| read(name, dimension));
        if let (Some(temperature_degc), Some(current_a), Some(inductance_h)) =
            (fixed_degc.or(temperature_degc), current_a, inductance_h)
        {
            points.push(Point { temperature_degc, current_a, inductance_h, place: row[0].place.clone() });
        }
    }
    points
}

/// Name and unit of each column: current, inductance and, unless the temperature is fixed, temperature, each once.
/// A wrong header is one problem and not one a row; `None` then.
fn check_header(
    sources: &mut Sources,
    key: &str,
    header: &[Cell],
    fixed: bool,
) -> Option<Vec<(String, Option<String>)>> {
    let before = sources.noted;
    let names: Vec<(String, Option<String>)> = header.iter().map(|c| split_header(&c.text)).collect();
    for (i, (cell, (name, unit))) in header.iter().zip(&names).enumerate() {
        let Some((_, dimension)) = COLUMNS.iter().find(|(n, _)| n == name) else {
            let hint = "each with its unit: \"current [A]\"";
            sources.cause(&cell.place, key, "a column current, inductance or temperature", hint);
            continue;
        };
        let percent = name == "inductance" && unit.as_deref() == Some("%");
        let dimension = if percent { Dimension::Fraction } else { *dimension };
        if let Some(Err(refusal)) = unit.as_ref().map(|u| units::parse(&format!("1 {u}"), dimension)) {
            sources.cause(&cell.place, key, refusal.expected, refusal.hint.replace("\"1 ", "\""));
        } else if names[..i].iter().any(|(n, _)| n == name) {
            sources.cause(&cell.place, key, "each column once", "remove one of the two");
        }
    }
    if sources.noted == before {
        let has = |name: &str| names.iter().any(|(n, _)| n == name);
        let start = header.first().map_or(Place::default(), |c| c.place.start());
        for name in ["current", "inductance"].into_iter().filter(|n| !has(n)) {
            let hint = "for example \"current [A]\" and \"inductance [uH]\"";
            sources.cause(&start, key, format!("a column {name}"), hint);
        }
        if has("temperature") == fixed {
            let hint = "a column \"temperature [degC]\", or one temperature for the whole curve";
            sources.cause(&start, key, "the temperature of the curve, stated once", hint);
        }
    }
    (sources.noted == before).then_some(names)
}

/// One number of a curve within sensible bounds; an inductance in per cent is one of the nominal value.
fn quantity(
    sources: &mut Sources,
    key: &str,
    cell: &Cell,
    unit: Option<&str>,
    d: Dimension,
    nominal_h: Option<f64>,
) -> Option<f64> {
    let text = with_unit(&cell.text, unit);
    let percent = d == Dimension::Inductance && text.ends_with('%');
    let parsed = if percent { units::parse(&text, Dimension::Fraction) } else { units::parse(&text, d) };
    let range = match d {
        Dimension::Current => (0.0, 1e4),
        Dimension::Inductance if percent => (1e-3, 2.0),
        Dimension::Inductance => (1e-10, 0.1),
        _ => (-65.0, 250.0),
    };
    match parsed {
        Ok(value) if (range.0..=range.1).contains(&value) => {
            if percent {
                nominal_h.map(|h| h * value)
            } else {
                Some(value)
            }
        }
        Ok(_) => {
            let expected = format!(
                "{} {}",
                d.name(),
                super::walk::range_text(range, if percent { Dimension::Fraction } else { d })
            );
            sources.problem(&cell.place, key, expected, "check the unit of the column");
            None
        }
        Err(refusal) => {
            sources.problem(&cell.place, key, refusal.expected, refusal.hint);
            None
        }
    }
}

/// Sorts points into curves by temperature and checks each curve.
fn group(sources: &mut Sources, key: &str, points: Vec<Point>) -> Vec<SaturationCurve> {
    let mut curves: Vec<(SaturationCurve, Place)> = Vec::new();
    for p in points {
        let near =
            |c: &&mut (SaturationCurve, Place)| (c.0.temperature_degc - p.temperature_degc).abs() < SAME_TEMPERATURE_K;
        let point = (p.current_a, p.inductance_h);
        let Some((curve, last)) = curves.iter_mut().find(near) else {
            if p.current_a != 0.0 {
                sources.problem(&p.place, key, "a first point at 0 A", "the curve begins without current");
            }
            curves.push((SaturationCurve { temperature_degc: p.temperature_degc, points: vec![point] }, p.place));
            continue;
        };
        let before = curve.points.last().copied().unwrap_or(point);
        if point.0 <= before.0 {
            let expected = format!("a current above {} of the row before", show(before.0, Dimension::Current));
            sources.problem(&p.place, key, expected, "sort the rows by current, each current and temperature once");
        } else if point.1 > before.1 {
            let expected =
                format!("an inductance not above {} of the row before", show(before.1, Dimension::Inductance));
            sources.problem(
                &p.place,
                key,
                expected,
                "the incremental inductance does not rise with current; smooth the reading",
            );
        }
        curve.points.push(point);
        *last = p.place;
    }
    for (curve, place) in &curves {
        if curve.points.len() < 2 {
            let hint = format!("the curve at {} has only one", show(curve.temperature_degc, Dimension::Temperature));
            sources.problem(place, key, "at least two points", hint);
        }
    }
    curves.sort_by(|a, b| a.0.temperature_degc.total_cmp(&b.0.temperature_degc));
    curves.into_iter().map(|c| c.0).collect()
}

/// Curves from ratings, one a rated temperature; without any rating the inductance is held, and nothing can be said of any current.
fn estimated(
    v: &mut Values,
    ratings: &[SaturationRating],
    nominal_h: Option<f64>,
) -> (Vec<SaturationCurve>, SaturationBasis) {
    let Some(nominal_h) = nominal_h else { return (Vec::new(), SaturationBasis::Nothing) };
    if ratings.is_empty() {
        let value = "held at the nominal inductance".to_string();
        v.assume("saturation", value, Origin::Absent, "neither curve nor rating: no check on a current can be decided");
        let points = vec![(0.0, nominal_h)];
        return (vec![SaturationCurve { temperature_degc: COLD_DEGC, points }], SaturationBasis::Nothing);
    }
    let hard = v.text("saturation_knee").map_or(v.text("core") == Some("ferrite"), |knee| knee == "hard");
    let rule = if hard {
        "L0 (0.1 + 0.9 / (1 + k (i/Isat)^10)) through the stated drop"
    } else {
        "L0 / (1 + k (i/Isat)^2) through the stated drop"
    };
    v.assume("saturation", format!("{} knee", if hard { "hard" } else { "soft" }), Origin::Estimated, rule);
    (doubt::estimated(ratings, nominal_h, hard), SaturationBasis::Ratings { hard })
}

/// Temperature of a curve that is held, in degrees Celsius.
const COLD_DEGC: f64 = 25.0;

/// Inductance of a curve in H at a current in A, linear between the points, held beyond the last.
pub fn at(curve: &SaturationCurve, current_a: f64) -> f64 {
    let points = &curve.points;
    let next = points.iter().position(|p| p.0 >= current_a).unwrap_or(points.len() - 1).max(1);
    let ((i0, l0), (i1, l1)) = (points[next - 1], points[next]);
    l0 + (l1 - l0) * ((current_a - i0) / (i1 - i0)).clamp(0.0, 1.0)
}
