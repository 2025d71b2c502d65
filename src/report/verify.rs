//! What became of a result, as text and JSON.

use super::difference::{change, section};
use super::wrap::push_wrapped;
use super::{ReportError, check_finite};
use crate::record::verify::{Agreement, Verification};

/// Everything as JSON.
///
/// # Errors
/// [`ReportError::NotFinite`] where it holds a number that is not finite.
pub fn json(verification: &Verification) -> Result<String, ReportError> {
    check_finite(verification)?;
    Ok(serde_json::to_string_pretty(verification)? + "\n")
}

/// The answer first, then why.
pub fn text(verification: &Verification, width: usize) -> String {
    let mut text = String::new();
    push_wrapped(&mut text, answer(verification), width, "", "");
    push_wrapped(&mut text, &format!("record.json SHA-256 {}", verification.record_sha256), width.max(90), "", "");
    for (what, (old, new)) in [("version", &verification.versions), ("machine", &verification.machines)] {
        if old != new {
            push_wrapped(
                &mut text,
                &format!("Another {what}: recorded with {old}, run again with {new}."),
                width,
                "",
                "",
            );
        }
    }
    section(
        &mut text,
        "Inputs that are not those of the record",
        verification.inputs.iter().map(change).collect(),
        width,
    );
    let altered = verification.altered.iter().map(|altered| format!("{}: {}", altered.file, altered.what));
    section(&mut text, "Files that are not what was written", altered.collect(), width);
    if !verification.moved.is_none() {
        text += &format!("\n{}", super::difference::text(&verification.moved, width));
    }
    let values = verification.values.iter().map(change).collect();
    section(&mut text, "Values of the record that differ (recorded -> run again)", values, width);
    text
}

fn answer(verification: &Verification) -> &'static str {
    match (verification.agreement, verification.is_sound()) {
        (Agreement::Identical, true) => {
            "Identical: run again from the copies of its inputs, the record is the same to the last digit."
        }
        (Agreement::Equal, true) => {
            "Equal: run again from the copies of its inputs, the record is the same to a part in 1e9."
        }
        (Agreement::Differs, _) => "DIFFERS: run again from the copies of its inputs, the record is another.",
        (_, false) => "ALTERED: the record can be run again, but something beside it is not what was written.",
    }
}
