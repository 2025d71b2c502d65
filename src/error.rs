//! The one error type, and how a problem in a case file is shown.

use std::collections::HashMap;
use std::fmt;
use std::ops::Range;
use std::path::PathBuf;

use crate::engine::error::EngineError;
use crate::visible::{visible, visible_lines, visible_path};
use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};

/// Most problems shown at a time: who mends the first ten sees the rest after the next run.
const MOST_SHOWN: usize = 10;

/// Why a run could not be carried out.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The case is wrong; every problem that was found.
    #[error("{}", render(.0, false))]
    Case(Vec<Problem>),
    /// A file or folder could not be read or written.
    #[error("error: cannot {action} {}: {source}", visible_path(.path))]
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
    /// The line of the file, for display; of a very long one the part around the offending text.
    pub source_line: String,
    /// Column in characters, from 1, at which the offending text begins in `source_line`; 0 with line 0.
    pub shown_column: usize,
    /// Whether others may follow from it: it concerns a whole file, the grammar of one or the header of a table.
    pub explains: bool,
    /// Number of further problems of the same kind in the same file that are counted but not told one by one.
    pub alike: usize,
    /// Lines that answer it, to paste into a file of the case; empty where there are none.
    pub paste: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Problem { file, line, column, key, found, expected, hint, .. } = self;
        let place = if *line > 0 { format!("{file}:{line}:{column}") } else { file.clone() };
        let hint = if hint.is_empty() { String::new() } else { format!(" ({hint})") };
        f.write_str(&visible(&format!("{place}: {key}: found {found}, expected {expected}{hint}")))
    }
}

/// Shows the problems with their lines of the source, those first from which others may follow, and then how many there are.
fn render(problems: &[Problem], colour: bool) -> String {
    let renderer = if colour { Renderer::styled() } else { Renderer::plain() };
    let total: usize = problems.iter().map(|p| 1 + p.alike).sum();
    let mut text: Vec<String> = first(problems).into_iter().map(|p| render_one(p, &renderer)).collect();
    let more = total.saturating_sub(text.len());
    if more > 0 {
        text.push(format!("error: {total} problems in the case: the {} above, and {more} more", text.len()));
    } else if total > 1 {
        text.push(format!("error: {total} problems in the case"));
    }
    text.join("\n\n")
}

/// The problems that are shown: all in their order if they are few, else those that explain others, then one of each kind,
/// then the rest.
fn first(problems: &[Problem]) -> Vec<&Problem> {
    let mut met: HashMap<(&str, &str), usize> = HashMap::new();
    let mut ranked: Vec<((bool, usize), &Problem)> = Vec::with_capacity(problems.len());
    for problem in problems {
        let earlier = met.entry((&problem.file, kind_of(&problem.key))).or_default();
        ranked.push(((!problem.explains, *earlier), problem));
        *earlier += 1;
    }
    if problems.len() > MOST_SHOWN {
        ranked.sort_by_key(|(rank, _)| *rank); // stable: within a rank in the order of the files
    }
    ranked.into_iter().take(MOST_SHOWN).map(|(_, problem)| problem).collect()
}

/// The key without the part's name in front of it: what problems of one kind have in common.
pub fn kind_of(key: &str) -> &str {
    key.rsplit(": ").next().unwrap_or(key)
}

fn render_one(problem: &Problem, renderer: &Renderer) -> String {
    let title = format!("{}: expected {}", problem.key, problem.expected);
    let (title, file, found) = (visible(&title), visible(&problem.file), visible(&problem.found));
    let hint = visible(&problem.hint);
    let mut group = Group::with_title(Level::ERROR.primary_title(title));
    let (line, span) = marked(problem);
    if problem.line > 0 {
        let mark = AnnotationKind::Primary.span(span).label(format!("found {found}"));
        let snippet = Snippet::source(line).line_start(problem.line).annotation(mark);
        // Of a line that is shown in part, the place is told apart from it: columns would be counted from the part's begin.
        group = if problem.shown_column == problem.column {
            group.element(snippet.path(file))
        } else {
            let place = annotate_snippets::Origin::path(file).line(problem.line).char_column(problem.column);
            group.element(place).element(snippet)
        };
    } else {
        group =
            group.element(annotate_snippets::Origin::path(file)).element(Level::NOTE.message(format!("found {found}")));
    }
    if !hint.is_empty() {
        group = group.element(Level::HELP.message(hint));
    }
    let shown = renderer.render(&[group]);
    if problem.paste.is_empty() { shown } else { format!("{shown}\n\n{}", visible_lines(&problem.paste)) }
}

/// The line as it is shown, and where the offending text lies in it.
fn marked(problem: &Problem) -> (String, Range<usize>) {
    let line = &problem.source_line;
    let start = byte_of_column(line, problem.shown_column);
    let found = problem.found.trim_end_matches('…');
    let length = if line[start..].starts_with(found) { found.len() } else { 0 };
    // Escapes are longer than what they stand for; tabs are left to the layout of the line.
    let shown = |text: &str| text.split('\t').map(visible).collect::<Vec<_>>().join("\t");
    let (before, marked) = (shown(&line[..start]), shown(&line[start..start + length]));
    let span = before.len()..before.len() + marked.len();
    (before + &marked + &shown(&line[start + length..]), span)
}

/// Byte offset of a column counted in characters from 1.
fn byte_of_column(line: &str, column: usize) -> usize {
    line.char_indices().nth(column.saturating_sub(1)).map_or(line.len(), |(i, _)| i)
}
