//! The one error type, and how a problem in a case file is shown.

use std::fmt;
use std::path::PathBuf;

use crate::engine::error::EngineError;
use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};

/// Why a run could not be carried out.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The case is wrong; every problem that was found.
    #[error("{}", render(.0, false))]
    Case(Vec<Problem>),
    /// A file or folder could not be read or written.
    #[error("error: cannot {action} {}: {source}", .path.display())]
    Io {
        /// File or folder.
        path: PathBuf,
        /// What was being done, completing "cannot ...", such as "read" or "write".
        action: String,
        /// What the operating system says.
        source: std::io::Error,
    },
    /// A simulation cannot be done or trusted.
    #[error("error: {source} ({condition})")]
    Simulation {
        /// What stopped it.
        source: EngineError,
        /// Part, input voltage, load, corner.
        condition: String,
    },
    /// A condition did not come to a result that can be stood behind.
    #[error("error: {what} ({condition})")]
    Unreachable {
        /// What could not be reached.
        what: String,
        /// Part, input voltage, load, corner.
        condition: String,
    },
    /// Arguments that do not fit the case, or results that cannot be put where they should go.
    #[error("{0}")]
    Output(String),
    /// The user interrupted the run.
    #[error("error: interrupted")]
    Interrupted,
}

impl Error {
    /// Exit code of the program: 130 when interrupted (128 + SIGINT), else 2 for "could not run".
    pub fn exit_code(&self) -> u8 {
        if matches!(self, Error::Interrupted) { 130 } else { 2 }
    }

    /// The problems of the case, if that is what is wrong.
    pub fn problems(&self) -> &[Problem] {
        if let Error::Case(problems) = self { problems } else { &[] }
    }

    /// Text for people; with colour codes only where the caller knows that a terminal listens.
    pub fn to_text(&self, colour: bool) -> String {
        match self {
            Error::Case(problems) => render(problems, colour),
            other => other.to_string(),
        }
    }
}

/// One thing wrong in a case, with the place where it stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// File, relative to the case folder.
    pub file: String,
    /// Line, from 1; 0 where the problem concerns the file as a whole.
    pub line: usize,
    /// Column in characters, from 1; 0 with line 0.
    pub column: usize,
    /// The key concerned, such as "stage.frequency" or "Kestrel-10: dcr_max".
    pub key: String,
    /// The offending text.
    pub found: String,
    /// What was expected, with units.
    pub expected: String,
    /// What to do about it.
    pub hint: String,
    /// The whole line of the file, for display.
    pub source_line: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Problem { file, line, column, key, found, expected, hint, .. } = self;
        let place = if *line > 0 { format!("{file}:{line}:{column}") } else { file.clone() };
        write!(f, "{place}: {key}: found {found}, expected {expected}")?;
        if hint.is_empty() { Ok(()) } else { write!(f, " ({hint})") }
    }
}

/// Shows each problem with its line of the source, then the number of problems.
fn render(problems: &[Problem], colour: bool) -> String {
    let renderer = if colour { Renderer::styled() } else { Renderer::plain() };
    let mut text: Vec<String> = problems.iter().map(|p| render_one(p, &renderer)).collect();
    if problems.len() > 1 {
        text.push(format!("error: {} problems in the case", problems.len()));
    }
    text.join("\n\n")
}

fn render_one(problem: &Problem, renderer: &Renderer) -> String {
    let title = format!("{}: expected {}", problem.key, problem.expected);
    let mut group = Group::with_title(Level::ERROR.primary_title(title));
    if problem.line > 0 {
        let start = byte_of_column(&problem.source_line, problem.column);
        let shown = problem.found.trim_end_matches('…');
        let length = if problem.source_line[start..].starts_with(shown) { shown.len() } else { 0 };
        let snippet = Snippet::source(problem.source_line.as_str())
            .path(problem.file.as_str())
            .line_start(problem.line)
            .annotation(AnnotationKind::Primary.span(start..start + length).label(format!("found {}", problem.found)));
        group = group.element(snippet);
    } else {
        group = group
            .element(annotate_snippets::Origin::path(problem.file.as_str()))
            .element(Level::NOTE.message(format!("found {}", problem.found)));
    }
    if !problem.hint.is_empty() {
        group = group.element(Level::HELP.message(problem.hint.as_str()));
    }
    renderer.render(&[group])
}

/// Byte offset of a column counted in characters from 1.
fn byte_of_column(line: &str, column: usize) -> usize {
    line.char_indices().nth(column.saturating_sub(1)).map_or(line.len(), |(i, _)| i)
}
