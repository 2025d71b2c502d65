//! Parts and their results, and how they stand in the record: the results of all parts in a condition below one another in one table, so
//! that quantities, units, corners and notes are named once.

use crate::condition::figures::Value;
use schemars::JsonSchema;
use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// Everything that was found for one part.
#[derive(Clone, Debug, PartialEq)]
pub struct PartRecord {
    /// Name.
    pub name: String,
    /// Whether it is the original.
    pub original: bool,
    /// What its data say, as they are shown: inductance, resistance, ratings, size.
    pub facts: Vec<Fact>,
    /// Results, one a condition and corner.
    pub results: Vec<ConditionRecord>,
}

/// A datum of a part, for people.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Fact {
    /// What it is.
    pub label: String,
    /// Its value with unit.
    pub value: String,
}

/// Results of one part in one condition at one corner.
#[derive(Clone, Debug, PartialEq)]
pub struct ConditionRecord {
    /// Kind of condition: "steady", "load step", "data"; of a named load step or profile with its name.
    pub condition: String,
    /// Corner in words: "nominal", "low inductance, worn", ...
    pub corner: String,
    /// Input voltage in V; absent where it plays no part.
    pub input_v: Option<f64>,
    /// Load current in A (steady) or the upper level of the step.
    pub load_a: Option<f64>,
    /// Winding temperature in degrees Celsius at which it ran.
    pub winding_degc: Option<f64>,
    /// Values by quantity.
    pub values: Vec<ValueRecord>,
    /// What the reader must know about these values.
    pub notes: Vec<String>,
}

/// A value.
#[derive(Clone, Debug, PartialEq)]
pub struct ValueRecord {
    /// Identifier of the quantity, for example "ripple_20mhz".
    pub quantity: String,
    /// Value in the unit, a bound, or why there is none.
    pub value: Value,
    /// SI unit; "degC" for temperatures, "fraction" for a share of a whole, empty for a count.
    pub unit: String,
}

/// Parts as they stand in the record.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Parts {
    /// Original first, then the substitutes.
    pub list: Vec<PartHead>,
    /// What was found for them.
    pub results: Vec<ResultTable>,
}

/// A part without its results.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PartHead {
    /// Name.
    pub name: String,
    /// Whether it is the original.
    pub original: bool,
    /// What its data say, as they are shown: inductance, resistance, ratings, size.
    pub facts: Vec<Fact>,
}

/// Results in one condition: of all parts, in several corners and settings.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ResultTable {
    /// Kind of condition: "steady", "load step", "data"; of a named load step or profile with its name.
    pub condition: String,
    /// Identifiers of the quantities.
    pub quantities: Vec<String>,
    /// Their SI units; "degC" for temperatures, "fraction" for a share of a whole, empty for a count.
    pub units: Vec<String>,
    /// Corners in words: "nominal", "low inductance, worn", ...
    pub corners: Vec<String>,
    /// What the reader must know about some of the values.
    pub notes: Vec<String>,
    /// One row a result.
    pub rows: Vec<ResultRow>,
}

/// A result: number of its part in the list; its number among the results of that part; number of its corner; input voltage in V, load in A
/// or the upper level of the step, winding temperature in degrees Celsius (`null` where they play no part); numbers of its notes; its values
/// in the order of the quantities, `null` for one that it has not.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ResultRow(usize, usize, usize, Option<f64>, Option<f64>, Option<f64>, Vec<usize>, Vec<Option<Value>>);

/// Writes parts.
///
/// # Errors
/// What the format says.
pub fn serialize<S: Serializer>(parts: &[PartRecord], serializer: S) -> Result<S::Ok, S::Error> {
    let head =
        |part: &PartRecord| PartHead { name: part.name.clone(), original: part.original, facts: part.facts.clone() };
    Parts { list: parts.iter().map(head).collect(), results: tables(parts) }.serialize(serializer)
}

/// Reads parts.
///
/// # Errors
/// What is no such list, or has rows that do not fit.
pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<PartRecord>, D::Error> {
    let Parts { list, results } = Parts::deserialize(deserializer)?;
    parts(list, &results).ok_or_else(|| D::Error::custom("a table of results with rows that do not fit"))
}

fn tables(parts: &[PartRecord]) -> Vec<ResultTable> {
    let mut tables: Vec<ResultTable> = vec![];
    let of_parts = parts.iter().enumerate();
    let results = of_parts
        .flat_map(|(part, record)| record.results.iter().enumerate().map(move |(number, found)| (part, number, found)));
    // The columns first: a later result may bring another one.
    let all: Vec<(usize, (usize, usize, &ConditionRecord))> =
        results.map(|result| (table_for(&mut tables, result.2), result)).collect();
    for (table, (part, number, result)) in all {
        tables[table].push(part, number, result);
    }
    tables
}

/// Number of the table in which a result stands.
fn table_for(tables: &mut Vec<ResultTable>, result: &ConditionRecord) -> usize {
    let taken = tables.iter_mut().position(|table| table.condition == result.condition && table.takes(result));
    taken.unwrap_or_else(|| {
        let mut table = ResultTable { condition: result.condition.clone(), ..ResultTable::default() };
        table.takes(result);
        tables.push(table);
        tables.len() - 1
    })
}

impl ResultTable {
    /// Makes room for the quantities of a result in the order that it has them in; `false`, and nothing done, where another result has them
    /// in another order.
    fn takes(&mut self, result: &ConditionRecord) -> bool {
        let (mut quantities, mut units) = (self.quantities.clone(), self.units.clone());
        let mut next = 0;
        for value in &result.values {
            match quantities.iter().position(|known| *known == value.quantity) {
                Some(at) if at >= next && units[at] == value.unit => next = at + 1,
                Some(_) => return false,
                None => {
                    quantities.insert(next, value.quantity.clone());
                    units.insert(next, value.unit.clone());
                    next += 1;
                }
            }
        }
        (self.quantities, self.units) = (quantities, units);
        true
    }

    fn push(&mut self, part: usize, number: usize, result: &ConditionRecord) {
        let corner = number_of(&mut self.corners, &result.corner);
        let notes = result.notes.iter().map(|note| number_of(&mut self.notes, note)).collect();
        let value = |quantity: &String| {
            let found = result.values.iter().find(|value| value.quantity == *quantity);
            found.map(|value| value.value.clone())
        };
        let values = self.quantities.iter().map(value).collect();
        let ConditionRecord { input_v, load_a, winding_degc, .. } = *result;
        self.rows.push(ResultRow(part, number, corner, input_v, load_a, winding_degc, notes, values));
    }

    /// A row as a result; `None` where it does not fit.
    fn result(
        &self,
        ResultRow(_, _, corner, input_v, load_a, winding_degc, own, values): &ResultRow,
    ) -> Option<ConditionRecord> {
        let fits = values.len() == self.quantities.len() && values.len() == self.units.len();
        let heads = self.quantities.iter().zip(&self.units).zip(values);
        let valued = |((quantity, unit), value): ((&String, &String), &Option<Value>)| {
            Some(ValueRecord { quantity: quantity.clone(), value: value.clone()?, unit: unit.clone() })
        };
        Some(ConditionRecord {
            condition: self.condition.clone(),
            corner: self.corners.get(*corner)?.clone(),
            input_v: *input_v,
            load_a: *load_a,
            winding_degc: *winding_degc,
            values: fits.then(|| heads.filter_map(valued).collect())?,
            notes: own.iter().map(|number| self.notes.get(*number).cloned()).collect::<Option<_>>()?,
        })
    }
}

/// Number of a text in a list, where it is put if it is not there.
fn number_of(list: &mut Vec<String>, text: &str) -> usize {
    list.iter().position(|known| known == text).unwrap_or_else(|| {
        list.push(text.into());
        list.len() - 1
    })
}

/// The parts again; `None` where a row does not fit.
fn parts(list: Vec<PartHead>, tables: &[ResultTable]) -> Option<Vec<PartRecord>> {
    let mut found: Vec<Vec<(usize, ConditionRecord)>> = list.iter().map(|_| vec![]).collect();
    for (table, row) in tables.iter().flat_map(|table| table.rows.iter().map(move |row| (table, row))) {
        found.get_mut(row.0)?.push((row.1, table.result(row)?));
    }
    let part = |(head, mut found): (PartHead, Vec<(usize, ConditionRecord)>)| {
        found.sort_by_key(|(number, _)| *number);
        let results = found.into_iter().map(|(_, result)| result).collect();
        PartRecord { name: head.name, original: head.original, facts: head.facts, results }
    };
    Some(list.into_iter().zip(found).map(part).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::condition::figures::Why;
    use serde_json::{Value as Json, json};

    fn result(condition: &str, corner: &str, values: &[(&str, Value)], notes: &[&str]) -> ConditionRecord {
        let valued = |(quantity, value): &(&str, Value)| ValueRecord {
            quantity: (*quantity).into(),
            value: value.clone(),
            unit: "V".into(),
        };
        ConditionRecord {
            condition: condition.into(),
            corner: corner.into(),
            input_v: Some(23.7),
            load_a: None,
            winding_degc: Some(41.9),
            values: values.iter().map(valued).collect(),
            notes: notes.iter().map(ToString::to_string).collect(),
        }
    }

    fn some() -> Vec<PartRecord> {
        let number = |number: f64| Value::Number(number);
        let results = vec![
            result("steady", "nominal", &[("ripple", number(0.013)), ("mean", Value::AtLeast(4.97))], &["a", "b"]),
            result("load step", "aged", &[("dip", Value::NotComputed(Why::Told("no".into())))], &[]),
            result(
                "steady",
                "aged",
                &[("ripple", number(0.017)), ("duty", number(0.22)), ("mean", number(4.93))],
                &["b"],
            ),
            result("steady", "aged", &[("mean", number(4.91)), ("ripple", number(0.019))], &["c"]),
        ];
        let part = |name: &str, original, results| PartRecord { name: name.into(), original, facts: vec![], results };
        let other = vec![result("steady", "nominal", &[("mean", number(4.89))], &[])];
        vec![part("Teal-10", true, results), part("Dunlin-10", false, other), part("Knot-10", false, vec![])]
    }

    fn written() -> Json {
        serialize(&some(), serde_json::value::Serializer).expect("JSON")
    }

    #[test]
    fn law_results_come_back_from_their_tables_in_their_order() {
        let written = written();
        assert_eq!(deserialize(&written).expect("it reads back"), some());
        let tables = written["results"].as_array().expect("tables");
        assert_eq!(tables.len(), 3, "one for steady states, one for those in another order, one for steps");
        assert_eq!(tables[0]["quantities"], json!(["ripple", "duty", "mean"]));
    }

    #[test]
    fn error_rows_that_do_not_fit_are_refused() {
        for damage in ["notes", "corners", "quantities", "units"] {
            let mut written = written();
            written["results"][0][damage] = json!([]);
            assert!(deserialize(&written).is_err(), "{damage}");
        }
        let mut written = written();
        written["list"] = json!([]);
        assert!(deserialize(&written).is_err(), "a part that is not there");
    }
}
