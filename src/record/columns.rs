//! Lists of like things in the record: the names once, as columns, then a row for each thing. A list of objects repeats every name in
//! every one of them, which takes most of the room.
//!
//! For a field: `#[serde(with = "columns")]`, and `#[schemars(with = "Columns<T>")]` for its schema.

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::de::{DeserializeOwned, Error as _};
use serde::ser::Error as _;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use serde_json::{Map, Value};
use std::borrow::Cow;
use std::marker::PhantomData;

/// Writes a list as columns.
///
/// # Errors
/// What the format says.
pub fn serialize<T: Serialize, S: Serializer>(list: &[T], serializer: S) -> Result<S::Ok, S::Error> {
    let all: Result<Vec<Value>, _> = list.iter().map(serde_json::to_value).collect();
    Table::of(all.map_err(S::Error::custom)?).serialize(serializer)
}

/// Reads a list that was written as columns.
///
/// # Errors
/// What is no table, or holds another thing.
pub fn deserialize<'de, T: DeserializeOwned, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<T>, D::Error> {
    let table = Table::deserialize(deserializer)?;
    let things = table.things().map_err(D::Error::custom)?;
    things.into_iter().map(serde_json::from_value).collect::<Result<_, _>>().map_err(D::Error::custom)
}

/// Things as they stand in the record: a name a column, with a dot where it lies in an object inside; a row for each thing, `null` where
/// there is none. What several things have in common stands before them.
#[derive(Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Table {
    #[serde(default, skip_serializing_if = "Map::is_empty")]
    all: Map<String, Value>,
    columns: Vec<String>,
    rows: Vec<Value>,
}

impl Table {
    /// Objects as a table. What is `null` in all of them has no column.
    pub(super) fn of(things: Vec<Value>) -> Table {
        let flat: Vec<Option<Map<String, Value>>> = things.into_iter().map(flattened).collect();
        let mut columns: Vec<String> = vec![];
        for (name, value) in flat.iter().flatten().flatten() {
            if !value.is_null() && !columns.contains(name) {
                columns.push(name.clone());
            }
        }
        let all = in_common(&flat, &columns);
        columns.retain(|name| !all.contains_key(name));
        let row = |mut cells: Map<String, Value>| {
            Value::Array(columns.iter().map(|name| cells.remove(name).unwrap_or(Value::Null)).collect())
        };
        let rows = flat.into_iter().map(|thing| thing.map_or(Value::Null, row)).collect();
        Table { all, columns, rows }
    }

    /// The objects again. What is `null` is left out.
    pub(super) fn things(self) -> Result<Vec<Value>, String> {
        let Table { all, columns, rows } = self;
        let thing = |row: Value| match row {
            Value::Null => Ok(Value::Null),
            Value::Array(cells) if cells.len() == columns.len() => Ok(gathered(&all, &columns, cells)),
            _ => Err(format!("a row that has not {} cells", columns.len())),
        };
        rows.into_iter().map(thing).collect()
    }
}

/// An object without objects inside; `None` for `null`. An object of a single name is one of several alternatives and stays as it is.
fn flattened(thing: Value) -> Option<Map<String, Value>> {
    let Value::Object(fields) = thing else { return None };
    let mut flat = Map::new();
    for (name, value) in fields {
        match value {
            Value::Object(ref inner) if inner.len() > 1 => {
                for (below, value) in flattened(value).unwrap_or_default() {
                    flat.insert(format!("{name}.{below}"), value);
                }
            }
            value => {
                flat.insert(name, value);
            }
        }
    }
    Some(flat)
}

/// What every one of several things has, and alike.
fn in_common(things: &[Option<Map<String, Value>>], columns: &[String]) -> Map<String, Value> {
    let [Some(first), _, ..] = things else { return Map::new() };
    let value = |name: &String| first.get(name).filter(|value| !value.is_null());
    let is_common = |name: &&String| {
        value(name).is_some()
            && things.iter().all(|thing| thing.as_ref().and_then(|thing| thing.get(*name)) == value(name))
    };
    let common = columns.iter().filter(is_common);
    common.filter_map(|name| Some((name.clone(), value(name)?.clone()))).collect()
}

/// An object from what all have and from its cells.
fn gathered(all: &Map<String, Value>, columns: &[String], cells: Vec<Value>) -> Value {
    let mut thing = Map::new();
    all.iter().for_each(|(name, value)| put(&mut thing, name, value.clone()));
    for (name, cell) in columns.iter().zip(cells).filter(|(_, cell)| !cell.is_null()) {
        put(&mut thing, name, cell);
    }
    Value::Object(thing)
}

fn put(thing: &mut Map<String, Value>, name: &str, cell: Value) {
    let Some((first, rest)) = name.split_once('.') else {
        thing.insert(name.into(), cell);
        return;
    };
    if let Value::Object(inner) = thing.entry(first).or_insert_with(|| Map::new().into()) {
        put(inner, rest, cell);
    }
}

/// For the schema: a list of `T` as columns.
pub struct Columns<T>(PhantomData<T>);

impl<T: JsonSchema> JsonSchema for Columns<T> {
    fn schema_name() -> Cow<'static, str> {
        format!("Columns_of_{}", T::schema_name()).into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        // The thing itself stays among the definitions: what its columns mean is told there.
        let _ = generator.subschema_for::<T>();
        let meaning = format!(
            "A list of {0}: names of its fields as columns, one in an object inside with a dot, and a row of values for each thing; what \
             all have alike stands before them. What is null in a row is absent; a row that is null is no thing. See the definition of {0}.",
            T::schema_name().trim_start_matches("Nullable_")
        );
        json_schema!({
            "description": meaning,
            "type": "object",
            "properties": {
                "all": { "type": "object" },
                "columns": { "type": "array", "items": { "type": "string" } },
                "rows": { "type": "array", "items": { "type": ["array", "null"] } }
            },
            "required": ["columns", "rows"]
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn law_things_come_back_from_their_columns() {
        let things = vec![
            json!({"key": "a", "value": {"value": 1.5, "ends": [1.0, 2.5]}, "limit": {"value": 3.0, "stated": true}}),
            Value::Null,
            json!({"key": "b", "value": {"value": {"at_least": 0.7}, "uncertainty": 0.1}, "list": []}),
        ];
        let table = Table::of(things.clone());
        assert_eq!(
            table.columns,
            ["key", "value.value", "value.ends", "limit.value", "limit.stated", "value.uncertainty", "list"]
        );
        assert_eq!(table.things().expect("they come back"), things);
    }

    #[test]
    fn law_what_is_nowhere_has_no_column() {
        let table = Table::of(vec![json!({"key": 1, "none": null}), json!({"key": null, "none": null})]);
        assert_eq!(
            table,
            Table { all: Map::new(), columns: vec!["key".into()], rows: vec![json!([1]), json!([null])] }
        );
    }

    #[test]
    fn law_what_all_have_alike_stands_once() {
        let things = vec![json!({"a": {"b": 1, "c": "x"}, "d": 2}), json!({"a": {"b": 3, "c": "x"}, "d": 2})];
        let table = Table::of(things.clone());
        assert_eq!((table.all.len(), table.columns.len()), (2, 1), "{table:?}");
        assert_eq!(table.things().expect("they come back"), things);
        assert!(Table::of(vec![json!({"a": 1}), Value::Null]).all.is_empty(), "what is not there has nothing");
    }

    #[test]
    fn error_a_row_that_is_too_short_or_no_row() {
        for row in [json!([1]), json!("b")] {
            let table = Table { all: Map::new(), columns: vec!["a".into(), "b".into()], rows: vec![row] };
            assert!(table.things().expect_err("it is refused").contains("not 2 cells"));
        }
    }
}
