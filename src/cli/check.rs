//! `presolder check`.

use super::{Done, output};
use crate::case::{self, Case, Origin};
use crate::error::Error;
use crate::record::words::say;
use crate::visible::visible_path;
use clap::Args;
use std::fmt::Write;
use std::path::{Path, PathBuf};

const EXAMPLE: &str =
    "Example:\n  presolder check cases/valve-controller\n\nExit code: 0 the case can be simulated; 2 it cannot.";

/// Arguments of `check`.
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Check {
    /// Folder of the case: board.toml with parts.toml or parts.csv.
    case: PathBuf,
}

impl Check {
    /// Does it.
    pub fn run(&self) -> Result<Done, Error> {
        let case = case::read(&self.case)?;
        output::print(&summary(&case, &self.case, output::width()))?;
        Ok(Done::Well)
    }
}

fn summary(case: &Case, folder: &Path, width: usize) -> String {
    let board = &case.board;
    let list = |values: &[f64], unit: &str| values.iter().map(|v| say(*v, unit)).collect::<Vec<_>>().join(", ");
    let mut text = String::new();
    // Writing to a string cannot fail.
    text.push_str(&labelled("", &board.title, width));
    let inputs = format!(
        "input {} (nominal {}), output {},",
        list(&board.input_v, "V"),
        say(board.nominal_input_v, "V"),
        say(board.output_v, "V")
    );
    let rest = format!(
        "{} switching, load {}, ambient {}",
        say(board.frequency_hz, "Hz"),
        list(&board.load_a, "A"),
        say(board.ambient_degc, "degC")
    );
    let _ = write!(text, "\n{}", labelled("Board   ", &format!("{inputs} {rest}"), width));
    let _ = writeln!(text, "Parts   {} (original)", case.parts[0].name);
    for part in &case.parts[1..] {
        let _ = writeln!(text, "        {}", part.name);
    }
    section(&mut text, "Doubts about the data", case.warnings.iter().cloned(), width);
    let of = |wanted: Origin| {
        case.origins.iter().filter(move |datum| datum.origin == wanted).map(|datum| {
            let note = if datum.note.is_empty() { String::new() } else { format!(" ({})", datum.note) };
            format!("{}: {}{note}", datum.datum, datum.value)
        })
    };
    section(&mut text, "Absent", of(Origin::Absent), width);
    section(&mut text, "Assumed", of(Origin::Assumed), width);
    section(&mut text, "Estimated", of(Origin::Estimated), width);
    let _ = writeln!(text, "\nThe case can be simulated: presolder compare {}", visible_path(folder));
    text
}

/// Wrapped lines, a label before the first and room for it before the others.
fn labelled(label: &str, text: &str, width: usize) -> String {
    // Wrapped as an item of a list is, whose mark the label takes the place of.
    let mark = "  - ".len();
    let item = crate::report::text::item(text, width + mark - label.len());
    let mut before = label.to_string();
    let mut lines = String::new();
    for line in item.lines() {
        let _ = writeln!(lines, "{before}{}", line.chars().skip(mark).collect::<String>());
        before = " ".repeat(label.len());
    }
    lines
}

fn section(text: &mut String, title: &str, lines: impl Iterator<Item = String>, width: usize) {
    let lines: Vec<String> = lines.collect();
    if lines.is_empty() {
        let _ = writeln!(text, "\n{title}: nothing");
        return;
    }
    let _ = writeln!(text, "\n{title}:");
    for line in lines {
        let _ = writeln!(text, "{}", crate::report::text::item(&line, width));
    }
}
