//! The record as JSON, and its schema.

use super::{ReportError, check_finite};
use crate::record::layout::Record;

/// The record as indented JSON with a final line feed.
///
/// # Errors
/// [`ReportError::NotFinite`] where the record holds a number that JSON cannot write.
pub fn record(record: &Record) -> Result<String, ReportError> {
    check_finite(record)?;
    Ok(serde_json::to_string_pretty(record)? + "\n")
}

/// JSON Schema (draft 2020-12) of the record, indented, with a final line feed.
pub fn record_schema() -> String {
    let mut text = format!("{:#}", schemars::schema_for!(Record).as_value());
    text.push('\n');
    text
}
