//! Checks of a part, and how they stand in the record: as columns, with the data on which they depend named once.

use super::columns::{Columns, Table};
use crate::condition::figures::Value;
use crate::judge::{Outcome, State};
use crate::quantity::Limit as LimitRecord;
use schemars::JsonSchema;
use serde::de::Error as _;
use serde::ser::Error as _;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use serde_json::{Value as Json, json};

/// One check of one part: everything in it is of one condition.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Check {
    /// What tells it from the other checks of a part, and is the same in all parts.
    pub key: String,
    /// Identifier of the requirement.
    pub requirement: String,
    /// Identifier of the quantity.
    pub quantity: String,
    /// Label for people.
    pub label: String,
    /// SI unit; "degC" for temperatures, "fraction" for a share of a whole, empty for a count.
    pub unit: String,
    /// The condition, in words.
    pub place: String,
    /// Winding temperature there in degrees Celsius.
    pub winding_degc: Option<f64>,
    /// Limit; absent where any value will do.
    pub limit: Option<LimitRecord>,
    /// Whether nobody states that limit and the original's own value stands in.
    pub stands_in: bool,
    /// File and key of the house rule that asks it; absent for all other checks.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source: Option<String>,
    /// What the part shows.
    pub value: Doubtful,
    /// What the original shows with the board alike, its own tolerances where they hurt it most.
    pub original: Option<Doubtful>,
    /// By how much the part is worse, where both have numbers.
    pub worse: Option<WorseRecord>,
    /// State of the part.
    pub state: State,
    /// State of the original.
    pub original_state: State,
    /// What follows.
    pub outcome: Outcome,
    /// Margin in units of the uncertainty (at least 1 % of the limit); negative past the limit, absent where there is no number.
    pub margin_in_u: Option<f64>,
    /// Of the data that nobody printed the one that alone moves the value most.
    pub decides: Option<DecidingDatum>,
    /// What printed data contribute to the uncertainty, the largest first.
    pub budget: Vec<Contribution>,
}

/// A value with what is not known of it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Doubtful {
    /// Value, a bound, or why there is none.
    pub value: Value,
    /// Expanded uncertainty (k = 2) from printed data and the model.
    pub uncertainty: f64,
    /// Least and greatest value over the ends of data that nobody printed.
    pub ends: Option<(f64, f64)>,
}

/// By how much a part is worse than the original, in the unit of the quantity.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WorseRecord {
    /// With every datum as it is shown.
    pub shown: f64,
    /// Least over the ends of data that nobody printed.
    pub least: f64,
    /// Most over them.
    pub most: f64,
    /// Expanded uncertainty.
    pub uncertainty: f64,
    /// What still counts as no worse.
    pub allowance: f64,
}

/// A datum that nobody printed, and what it does to a value.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DecidingDatum {
    /// Key of the datum.
    pub datum: String,
    /// Its name.
    pub label: String,
    /// Whether it is the part's own, not the board's.
    pub of_part: bool,
    /// Value of the quantity with the datum at its least.
    pub at_least: f64,
    /// With the datum at its most.
    pub at_most: f64,
}

/// Contribution of a printed datum to an uncertainty.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Contribution {
    /// Key of the datum.
    pub datum: String,
    /// Its name.
    pub label: String,
    /// Change of the quantity for one standard uncertainty, in its unit.
    pub change: f64,
}

/// Checks as they stand in the record. In place of the key and label of a datum its number among `data` stands: in `decides.datum`, and in
/// each entry of `budget`, which is a pair of it and the change.
#[derive(JsonSchema)]
#[schemars(rename = "Checks")]
pub struct Checks {
    /// Key and label of each datum.
    #[expect(dead_code, reason = "for the schema")]
    data: Vec<(String, String)>,
    /// The checks.
    #[expect(dead_code, reason = "for the schema")]
    table: Columns<Check>,
}

/// [`Checks`] as they are written.
#[derive(Serialize, Deserialize)]
struct Written {
    data: Vec<(String, String)>,
    table: Table,
}

/// Writes checks.
///
/// # Errors
/// What the format says.
pub fn serialize<S: Serializer>(checks: &[Check], serializer: S) -> Result<S::Ok, S::Error> {
    let mut data = vec![];
    let all: Result<Vec<Json>, _> = checks.iter().map(|check| numbered(check, &mut data)).collect();
    Written { table: Table::of(all.map_err(S::Error::custom)?), data }.serialize(serializer)
}

/// Reads checks.
///
/// # Errors
/// What is no list of checks.
pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<Check>, D::Error> {
    let Written { data, table } = Written::deserialize(deserializer)?;
    let checks = table.things().map_err(D::Error::custom)?.into_iter().map(|check| {
        let check = named(check, &data).ok_or_else(|| D::Error::custom("a check with a datum that is not listed"))?;
        serde_json::from_value(check).map_err(D::Error::custom)
    });
    checks.collect()
}

/// A check with numbers in place of its data.
fn numbered(check: &Check, data: &mut Vec<(String, String)>) -> Result<Json, serde_json::Error> {
    let mut number = |datum: &String, label: &String| {
        let known = data.iter().position(|(key, words)| key == datum && words == label);
        known.unwrap_or_else(|| {
            data.push((datum.clone(), label.clone()));
            data.len() - 1
        })
    };
    let mut written = serde_json::to_value(check)?;
    if let Some(decides) = &check.decides {
        written["decides"]["datum"] = json!(number(&decides.datum, &decides.label));
        written["decides"]["label"] = Json::Null;
    }
    let budget: Vec<Json> =
        check.budget.iter().map(|one| json!([number(&one.datum, &one.label), one.change])).collect();
    written["budget"] = if budget.is_empty() { Json::Null } else { budget.into() };
    Ok(written)
}

/// The same the other way round; `None` where a number has no datum.
fn named(mut check: Json, data: &[(String, String)]) -> Option<Json> {
    let datum = |number: &Json| data.get(usize::try_from(number.as_u64()?).ok()?);
    if check.get("decides").is_some() {
        let (key, label) = datum(&check["decides"]["datum"])?;
        check["decides"]["datum"] = json!(key);
        check["decides"]["label"] = json!(label);
    }
    let budget = check.get("budget").and_then(Json::as_array).cloned().unwrap_or_default();
    let one = |pair: &Json| {
        let (key, label) = datum(pair.get(0)?)?;
        Some(json!({ "datum": key, "label": label, "change": pair.get(1)? }))
    };
    check["budget"] = budget.iter().map(one).collect::<Option<Vec<Json>>>()?.into();
    Some(check)
}
