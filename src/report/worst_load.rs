//! The worst load as text, as JSON and as load profiles.

use super::wrap::push_wrapped;
use super::{ReportError, check_finite};
use crate::record::words::say;
use crate::record::worst_load::{PartRecord, SideRecord, WorstLoadRecord};
use crate::units::format_si;
use std::fmt::Write;

/// What is told under every table.
const MEANING: &str = "Bound: exact for the board linearised around the middle of the swing, over all loads within swing, slew and dwell on a grid of \
                       time. Found: clamps, limits and saturation included, improved over the times of the edges, the clock's phase and the base \
                       load; a worse load may exist. Undershoot counts from the mean at the lower level, overshoot from that at the upper.";

/// For a terminal: the decision first.
pub fn text(record: &WorstLoadRecord, width: usize) -> String {
    let mut out = String::new();
    push_wrapped(&mut out, &format!("The worst load: {}", record.case), width, "", "  ");
    if !record.set.is_empty() {
        push_wrapped(&mut out, &record.set.join("; "), width, "Set: ", "  ");
    }
    push_wrapped(&mut out, &place(record), width, "", "  ");
    push_wrapped(&mut out, &limit(record), width, "", "  ");
    out.push('\n');
    record.parts.iter().for_each(|part| push_wrapped(&mut out, &format!("{}.", part.sentence), width, "", "  "));
    out.push('\n');
    // Writing to a string cannot fail.
    let _ = writeln!(
        out,
        "{:<18} {:<10} {:>8} {:>8} {:>8} {:>8} {:>6}",
        "part", "", "bound", "found", "step", "base", "edges"
    );
    for part in &record.parts {
        part.sides.iter().for_each(|side| push_row(&mut out, part, side, record.limit_v));
    }
    if record.parts.iter().any(|part| part.sides.iter().any(|side| beyond(side, record.limit_v))) {
        out.push_str("  ! beyond the limit\n");
    }
    push_random(&mut out, record, width);
    out.push('\n');
    push_wrapped(&mut out, MEANING, width, "", "");
    out
}

fn beyond(side: &SideRecord, limit_v: Option<f64>) -> bool {
    limit_v.is_some_and(|limit_v| side.found_v > limit_v)
}

fn push_row(out: &mut String, part: &PartRecord, side: &SideRecord, limit_v: Option<f64>) {
    let volts = |value: f64| format_si(value, "V", 3);
    let _ = writeln!(
        out,
        "{:<18} {:<10} {:>8} {:>8} {:>8} {:>8} {:>6}{}",
        shortened(&part.part, 18),
        side.side,
        side.bound_v.map_or("-".into(), volts),
        volts(side.found_v),
        volts(side.step_v),
        format_si(side.base_a, "A", 3),
        side.edges,
        if beyond(side, limit_v) { " !" } else { "" }
    );
}

fn shortened(text: &str, most: usize) -> String {
    if text.chars().count() <= most { text.into() } else { text.chars().take(most - 1).chain(['…']).collect() }
}

fn place(record: &WorstLoadRecord) -> String {
    let (low_a, high_a) = record.bases_a;
    let bases = match low_a == high_a {
        true => format!("base load {}", say(low_a, "A")),
        false => format!("base load from {} to {}", say(low_a, "A"), say(high_a, "A")),
    };
    format!(
        "{} input, corner {}; swing up to {}, slew up to {}, dwell {} or longer ({}), {bases}",
        say(record.input_v, "V"),
        record.corner,
        say(record.swing_a, "A"),
        say(record.slew_a_per_s, "A/s"),
        say(record.dwell_s, "s"),
        record.dwell_from
    )
}

fn limit(record: &WorstLoadRecord) -> String {
    match record.limit_v {
        Some(limit_v) => format!("Limit {}, that of the load step.", format_si(limit_v, "V", 3)),
        None => "No limit: the case states none of a load step (limits.step_deviation).".into(),
    }
}

fn push_random(out: &mut String, record: &WorstLoadRecord, width: usize) {
    let sides = record.parts.iter().flat_map(|part| part.sides.iter().map(move |side| (part, side)));
    for (number, (part, side)) in sides.filter(|(_, side)| side.random.count > 0).enumerate() {
        if number == 0 {
            out.push('\n');
        }
        let random = &side.random;
        let linear = match side.bound_v {
            None => String::new(),
            Some(bound_v) => format!(
                "in the linear simulation {} beyond the bound, the furthest {:.0} % of it; ",
                random.beyond_bound,
                100.0 * random.linear_v / bound_v
            ),
        };
        let text = format!(
            "{}, {}: of {} random loads {linear}in full simulation {} beyond the worst found by search, the furthest {}.",
            part.part,
            side.side,
            random.count,
            random.beyond_found,
            format_si(random.full_v, "V", 3)
        );
        push_wrapped(out, &text, width, "", "  ");
    }
}

/// As JSON.
///
/// # Errors
/// [`ReportError::NotFinite`].
pub fn json(record: &WorstLoadRecord) -> Result<String, ReportError> {
    check_finite(record)?;
    Ok(serde_json::to_string_pretty(record)? + "\n")
}

/// A load as the case reads it: a table of time and current.
pub fn profile(side: &SideRecord) -> String {
    let mut out = String::from("time [s],current [A]\r\n");
    for (at_s, load_a) in &side.profile {
        let _ = write!(out, "{at_s:.12e},{load_a:.9e}\r\n");
    }
    out
}

/// Name of the file of a load, and the block of `board.toml` that makes it a condition of the case; `folder` as seen from the case.
pub fn file_and_block(part: &PartRecord, side: &SideRecord, folder: &str) -> (String, String) {
    let file = format!("{}-{}.csv", super::folder::safe_name(&part.part), side.side);
    let name = format!("worst {} of {}", side.side, part.part).replace('\\', "\\\\").replace('"', "\\\"");
    let block = format!("[[load.profiles]]\nname = \"{name}\"\nkind = \"file\"\nfile = \"{folder}/{file}\"\n");
    (file, block)
}
