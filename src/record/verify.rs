//! A record held against what the copies of its inputs give now: whether it is the same, and where it is not.

use super::columns::Table;
use super::difference::{Changed, Difference, SAME};
use super::layout::Record;
use serde::Serialize;
use serde_json::Value;

/// Fields by which an entry of a list is named.
const NAMES: [&str; 6] = ["part", "name", "key", "datum", "path", "quantity"];
/// What rounding leaves: another machine leaves another rest.
const REST: &str = "worst_residual";

/// How far the result of the copies agrees with the record.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Agreement {
    /// To the last digit.
    Identical,
    /// To a part in 1e9, words to the letter.
    Equal,
    /// Something differs.
    Differs,
}

/// A file of a result that is not what it should be.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Altered {
    /// Its name in the folder.
    pub file: String,
    /// What is the matter.
    pub what: String,
}

/// What became of a result.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Verification {
    /// SHA-256 of the record's file as it stands there.
    pub record_sha256: String,
    /// Versions that wrote the record and that ran it again.
    pub versions: (String, String),
    /// Machines on which that was done.
    pub machines: (String, String),
    /// How far both agree.
    pub agreement: Agreement,
    /// Copies of inputs that are not those of the record: SHA-256 in the record, and of the copy.
    pub inputs: Vec<Changed>,
    /// Other files of the result that are not what was written, or not what the record gives.
    pub altered: Vec<Altered>,
    /// What moved from the record to the run: outcomes, checks, figures.
    pub moved: Difference,
    /// Every value of the record that differs, with its place.
    pub values: Vec<Changed>,
}

impl Verification {
    /// Whether nothing is the matter: a reader may rely on the record, the page and the inputs beside it.
    pub fn is_sound(&self) -> bool {
        self.agreement != Agreement::Differs && self.inputs.is_empty() && self.altered.is_empty()
    }
}

/// Values of a record that another does not have, with their places; who wrote it and where is no value of it.
///
/// # Errors
/// A record that is no JSON.
pub fn values(old: &Record, new: &Record) -> Result<Vec<Changed>, serde_json::Error> {
    let plain = |record: &Record| {
        let mut record = record.clone();
        record.presolder_version.clear();
        record.run.machine.clear();
        serde_json::to_value(record).map(plain)
    };
    let mut found = vec![];
    compare(&plain(old)?, &plain(new)?, "", Scale::default(), &mut found);
    Ok(found)
}

/// A value with its tables as lists of things.
fn plain(value: Value) -> Value {
    let is_table =
        value.as_object().is_some_and(|fields| ["columns", "rows"].iter().all(|name| fields.contains_key(*name)));
    if is_table
        && let Ok(things) =
            serde_json::from_value::<Table>(value.clone()).map_err(drop).and_then(|table| table.things().map_err(drop))
    {
        return things.into_iter().map(plain).collect();
    }
    match value {
        Value::Array(list) => list.into_iter().map(plain).collect(),
        Value::Object(fields) => fields.into_iter().map(|(name, value)| (name, plain(value))).collect(),
        other => other,
    }
}

/// What numbers are held against.
#[derive(Clone, Copy, Default)]
struct Scale {
    /// Magnitude of the value that they belong to, such as contributions to its uncertainty; 0 where they stand for themselves.
    value: f64,
    /// What rounding may leave.
    rest: f64,
}

impl Scale {
    /// That of what lies in a value.
    fn inside(self, value: &Value) -> Scale {
        let number = |of: &Value| of.get("value").and_then(Value::as_f64);
        let own = number(value).or_else(|| number(value.get("value")?));
        let rest = value.get("allowed_residual").and_then(Value::as_f64);
        Scale { value: own.map_or(self.value, f64::abs), rest: rest.unwrap_or(0.0) }
    }

    fn is_same(self, old: f64, new: f64) -> bool {
        (old - new).abs() <= SAME * old.abs().max(new.abs()).max(self.value)
    }
}

fn compare(old: &Value, new: &Value, place: &str, scale: Scale, found: &mut Vec<Changed>) {
    match (old, new) {
        (Value::Object(before), Value::Object(now)) => {
            let scale = scale.inside(old);
            let names = before.keys().chain(now.keys().filter(|name| !before.contains_key(*name)));
            for name in names {
                let at = if place.is_empty() { name.clone() } else { format!("{place}.{name}") };
                let of = |fields: &serde_json::Map<String, Value>| fields.get(name).cloned().unwrap_or(Value::Null);
                compare(&of(before), &of(now), &at, scale, found);
            }
        }
        (Value::Array(before), Value::Array(now)) => {
            if before.len() != now.len() {
                let entries = |list: &[Value]| Some(format!("{} entries", list.len()));
                found.push(Changed { what: place.into(), old: entries(before), new: entries(now) });
            }
            for (number, (before, now)) in before.iter().zip(now).enumerate() {
                let name = NAMES.iter().find_map(|field| before.get(field)?.as_str());
                let at = name.map_or_else(|| format!("{place}[{number}]"), |name| format!("{place}[{name}]"));
                compare(before, now, &at, scale, found);
            }
        }
        _ if is_same(old, new, place, scale) => {}
        _ => found.push(Changed { what: place.into(), old: told(old), new: told(new) }),
    }
}

fn is_same(old: &Value, new: &Value, place: &str, scale: Scale) -> bool {
    let Some((before, now)) = old.as_f64().zip(new.as_f64()) else { return old == new };
    let rest = if place.ends_with(REST) { scale.rest } else { 0.0 };
    scale.is_same(before, now) || (before.abs() <= rest && now.abs() <= rest)
}

fn told(value: &Value) -> Option<String> {
    match value {
        Value::Null => None,
        Value::String(text) => Some(text.clone()),
        other => Some(other.to_string()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn differences(old: Value, new: Value) -> Vec<String> {
        let mut found = vec![];
        compare(&plain(old), &plain(new), "", Scale::default(), &mut found);
        found.into_iter().map(|changed| changed.what).collect()
    }

    #[test]
    fn law_a_value_that_differs_is_found_with_its_place() {
        let old = json!({"verdicts": [{"part": "Teal-10", "checks": {"columns": ["key", "value.value", "margin"], "rows": [["dip", 0.31, 1.7]]}}]});
        let mut new = old.clone();
        new["verdicts"][0]["checks"]["rows"][0][1] = json!(0.310_000_1);
        assert_eq!(differences(old.clone(), new), ["verdicts[Teal-10].checks[dip].value.value"]);
        let mut new = old.clone();
        new["verdicts"][0]["checks"]["rows"] = json!([]);
        assert_eq!(differences(old, new), ["verdicts[Teal-10].checks"]);
    }

    /// A contribution that is small beside its value carries the rounding of the value.
    #[test]
    fn law_numbers_are_held_against_what_they_belong_to() {
        let record = |value: f64, change: f64, residual: f64| json!({"check": {"value": value, "budget": [{"change": change}]}, "book": {"worst_residual": residual, "allowed_residual": 1e-6}});
        let old = record(96.7, 3.1e-8, 2e-10);
        assert_eq!(differences(old.clone(), record(96.7 * (1.0 + 0.9e-9), 3.9e-8, 7e-10)), [""; 0]);
        assert_eq!(differences(old.clone(), record(96.7 * (1.0 + 1.1e-9), 3.1e-8, 2e-10)), ["check.value"]);
        assert_eq!(differences(old, record(96.7, 3.1e-7, 2e-6)), ["check.budget[0].change", "book.worst_residual"]);
    }
}
