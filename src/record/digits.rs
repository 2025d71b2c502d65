//! Digits of a published record: ten, finer than what two machines are held to by a factor of ten or more.

use super::layout::Record;
use serde_json::{Number, Value};

/// Digits behind the first one.
const BEHIND_THE_FIRST: usize = 9;

/// A record with its numbers to ten digits, as it is written and read. One that holds a number which is not finite stays as it is:
/// the writer refuses it with its place.
pub(super) fn published(record: Record) -> Record {
    let shortened = serde_json::to_value(&record).map(shortened);
    shortened.and_then(serde_json::from_value).unwrap_or(record)
}

fn shortened(value: Value) -> Value {
    match value {
        Value::Number(number) if number.is_f64() => number.as_f64().map_or(Value::Null, |number| short(number).into()),
        Value::Array(list) => list.into_iter().map(shortened).collect(),
        Value::Object(fields) => fields.into_iter().map(|(name, value)| (name, shortened(value))).collect(),
        other => other,
    }
}

fn short(number: f64) -> Option<Number> {
    format!("{number:.BEHIND_THE_FIRST$e}").parse().ok().and_then(Number::from_f64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn law_ten_digits_stay() {
        let value = json!({"a": [0.004_048_732_998_090_720_5, -1.0, 3], "b": 96.659_072_397_228_17, "c": 0.0});
        let short = json!({"a": [0.004_048_732_998, -1.0, 3], "b": 96.659_072_4, "c": 0.0});
        assert_eq!(shortened(value), short);
    }
}
