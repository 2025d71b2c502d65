//! Maps of load steps: text, one table a map, JSON, and a page (`page`).

mod page;

use super::calibration::{self, push_head};
use super::csv::{number, remark};
use super::number::Scale;
use super::wrap::push_wrapped;
use super::{ReportError, check_finite};
use crate::condition::figures::Value;
use crate::corridor::maps::Cell;
use crate::record::maps::{MapOf, MapsRecord, change};
pub use page::page;

/// Everything as JSON.
///
/// # Errors
/// [`ReportError::NotFinite`] where it holds a number that is not finite.
pub fn json(record: &MapsRecord) -> Result<String, ReportError> {
    check_finite(record)?;
    Ok(serde_json::to_string(record)? + "\n")
}

/// What follows from the maps, for people: the decision first.
pub fn text(record: &MapsRecord, width: usize) -> String {
    let mut text = String::new();
    push_wrapped(&mut text, &record.case.title, width, "", "");
    if !record.case.set.is_empty() {
        push_wrapped(&mut text, &format!("Set: {}.", record.case.set.join("; ")), width, "", "  ");
    }
    push_head(&mut text, record.calibration.as_ref(), width);
    record.decision.iter().for_each(|said| push_wrapped(&mut text, said, width, "", "  "));
    for part in &record.parts {
        let fitted = if part.original { " (fitted)" } else { "" };
        push_wrapped(&mut text, &format!("{}{fitted}", part.part), width, "\n", "");
        part.sentences.iter().for_each(|said| push_wrapped(&mut text, said, width, "    ", "      "));
    }
    push_wrapped(&mut text, &format!("Own step: {}.", record.step), width, "\n", "  ");
    push_wrapped(&mut text, &format!("Where: {} ({}).", record.setting, record.setting_reason), width, "", "  ");
    push_wrapped(&mut text, &method(record), width, "", "  ");
    text
}

/// What the numbers are.
fn method(record: &MapsRecord) -> String {
    let points: usize = record.maps.iter().map(|map| map.columns.values.len() * map.rows.values.len()).sum();
    format!(
        "{points} points a part, each the worst of {} begins within the switching period. Every datum is taken as it is shown: what is \
         doubtful, and every other corner, is the matter of presolder compare.",
        record.phases
    )
}

/// A map as a table: a line a part and point, in SI units. An empty value has its reason beside it; a bound says that it is one.
///
/// # Errors
/// [`ReportError::Csv`].
pub fn csv(record: &MapsRecord, map: &MapOf) -> Result<String, ReportError> {
    let mut table = ::csv::WriterBuilder::new().terminator(::csv::Terminator::CRLF).from_writer(vec![]);
    let mut header = vec!["part".to_string(), map.columns.key.clone(), map.rows.key.clone()];
    for head in &record.quantities {
        let (name, unit) = (column_name(&head.id), head.unit.to_lowercase());
        header.extend([format!("{name}_{unit}"), format!("{name}_is"), format!("{name}_change_{unit}")]);
    }
    table.write_record(&header)?;
    for (part, rows) in map.cells.iter().enumerate() {
        for (row, cells) in rows.iter().enumerate() {
            for (column, cell) in cells.iter().enumerate() {
                let place = [map.columns.values[column], map.rows.values[row]].map(|at| number(at).unwrap_or_default());
                let mut fields = vec![record.parts[part].part.clone()];
                fields.extend(place);
                fields.extend(values(cell, (part > 0).then(|| &map.cells[0][row][column])));
                table.write_record(&fields)?;
            }
        }
    }
    let bytes = table.into_inner().map_err(|error| ::csv::Error::from(error.into_error()))?;
    let set = record.case.set.iter().map(|set| remark(set));
    let remarks = set.chain(calibration::remarks(record.calibration.as_ref())).map(|line| line + "\r\n");
    Ok(remarks.collect::<String>() + &String::from_utf8_lossy(&bytes))
}

/// Value, what it is, and change against the original, of each quantity.
fn values(cell: &Cell, original: Option<&Cell>) -> Vec<String> {
    let told = |value: Option<f64>| value.and_then(number).unwrap_or_default();
    let one = |(which, value): (usize, &Value)| {
        let kind = match value {
            Value::Number(_) => "value".into(),
            Value::AtLeast(_) => "at least".into(),
            Value::AtMost(_) => "at most".into(),
            Value::NotComputed(why) => why.to_string(),
        };
        let change = original.and_then(|original| change(value, &original[which]));
        [told(value.number()), kind, told(change)]
    };
    cell.iter().enumerate().flat_map(one).collect()
}

/// The name of a quantity in tables.
fn column_name(id: &str) -> &'static str {
    match id {
        "dip" => "undershoot",
        "rise" => "overshoot",
        "window" => "peak_to_peak",
        _ => "settling",
    }
}

/// Unit and prefix that suit all values of a quantity on a map.
fn scale_of(record: &MapsRecord, map: &MapOf, which: usize) -> Scale {
    let cells = map.cells.iter().flatten().flatten();
    Scale::of(cells.filter_map(|cell| cell[which].number()), &record.quantities[which].unit)
}
