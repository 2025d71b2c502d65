//! Printing, progress, and the folder that results go to.

use crate::case::nearest;
use crate::error::Error;
use crate::model::case::Case;
use crate::report::folder::{self, Reservation};
use crate::report::{ReportError, claim};
use crate::visible::{visible, visible_lines, visible_path};
use std::io::{ErrorKind, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, OnceLock};
use std::time::{Duration, Instant};

/// Narrowest and widest text printed.
const WIDTHS: (usize, usize) = (60, 100);
/// Width where none is known.
const USUAL_WIDTH: usize = 80;

/// Most names in one line of text.
const NAMES_LISTED: usize = 10;

/// Places being written to, so that a second interruption can clear their drafts away.
static TARGETS: Mutex<Vec<PathBuf>> = Mutex::new(Vec::new());
/// Whether a simulation is under way that looks at the flag of interruption.
static SIMULATING: AtomicBool = AtomicBool::new(false);

/// Prints text for people to standard output, with nothing in it that a terminal would obey but line feeds. A reader that
/// has gone away is not an error.
///
/// # Errors
/// Any other trouble with standard output.
pub fn print(text: &str) -> Result<(), Error> {
    print_as_it_is(&visible_lines(text))
}

/// As [`print()`], for programs.
///
/// # Errors
/// Trouble with standard output.
pub fn print_as_it_is(text: &str) -> Result<(), Error> {
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() == ErrorKind::BrokenPipe => Ok(()),
        Err(source) => Err(Error::Io { path: PathBuf::from("standard output"), action: "write to".into(), source }),
        Ok(()) => Ok(()),
    }
}

/// Prints an error, with colour only on a terminal.
pub fn error(error: &Error) {
    let mut out = std::io::stderr().lock();
    let colour = out.is_terminal() && std::env::var_os("NO_COLOR").is_none();
    // A standard error that cannot be written leaves nobody to tell.
    let text = error.to_text(colour);
    // With colour the codes are ours; what stems from a case or an argument has been made visible where it was put in.
    let _ = if colour { writeln!(out, "{text}") } else { writeln!(out, "{}", visible_lines(&text)) };
}

/// Tells on standard error of files that were found in a replaced result and stay.
pub fn note_kept(target: &Path, kept: &[String]) {
    if kept.is_empty() {
        return;
    }
    let more = kept.len().saturating_sub(NAMES_LISTED);
    let and = if more > 0 { format!(" and {more} more") } else { String::new() };
    let names = visible(&kept[..kept.len() - more].join(", ")).into_owned();
    // A standard error that cannot be written leaves nobody to tell.
    let _ = writeln!(
        std::io::stderr().lock(),
        "note: kept in {}: {names}{and} (not written by this tool, or changed since)",
        visible_path(target)
    );
}

/// Tells something on standard error.
pub fn note(text: &str) {
    // A standard error that cannot be written leaves nobody to tell.
    let _ = writeln!(std::io::stderr().lock(), "note: {}", visible(text));
}

/// From here on an interruption is left to the simulation, which looks out for it.
pub fn begin_simulating() {
    SIMULATING.store(true, Ordering::Relaxed);
}

/// Whether a simulation has begun.
pub fn is_simulating() -> bool {
    SIMULATING.load(Ordering::Relaxed)
}

/// Progress on a terminal, in one line that is rewritten; elsewhere a line every ten seconds.
pub fn progress(done: usize, total: usize) {
    let mut out = std::io::stderr().lock();
    if out.is_terminal() {
        let end = if done == total { "\r\x1b[K" } else { "" };
        let _ = write!(out, "\rsimulated {done} of {total}{end}");
        let _ = out.flush();
    } else if is_due() {
        let _ = writeln!(out, "simulated {done} of {total}");
    }
}

/// As [`progress`], of parts, with the time that is left if the others take as long.
pub fn progress_with_time(done: usize, total: usize) {
    let began = BEGAN.get_or_init(Instant::now);
    let left_s = began.elapsed().as_secs_f64() * (total - done) as f64 / done.max(1) as f64;
    let mut out = std::io::stderr().lock();
    if out.is_terminal() {
        let end = if done == total { "\r\x1b[K" } else { "" };
        let _ = write!(out, "\rlooked at {done} of {total} parts, about {left_s:.0} s left \x1b[K{end}");
        let _ = out.flush();
    } else if is_due() {
        let _ = writeln!(out, "looked at {done} of {total} parts, about {left_s:.0} s left");
    }
}

/// As [`progress`], of changes that are tried: how many there will be is not known.
pub fn progress_of_changes(tried: usize) {
    let mut out = std::io::stderr().lock();
    if out.is_terminal() {
        let _ = write!(out, "\rtried {tried} changes \x1b[K");
        let _ = out.flush();
    } else if is_due() {
        let _ = writeln!(out, "tried {tried} changes");
    }
}

/// Clears a line of progress that has no end of its own.
pub fn end_progress() {
    let mut out = std::io::stderr().lock();
    if out.is_terminal() {
        let _ = write!(out, "\r\x1b[K");
        let _ = out.flush();
    }
}

/// When the first part was done.
static BEGAN: OnceLock<Instant> = OnceLock::new();

/// Time between two lines of progress where nobody watches.
const PROGRESS: Duration = Duration::from_secs(10);
/// When the last of them was written; the first comes that long after the begin.
static LAST_PROGRESS: Mutex<Option<Instant>> = Mutex::new(None);

fn is_due() -> bool {
    // Whoever waits for the lock would write the same line.
    let Ok(mut last) = LAST_PROGRESS.try_lock() else { return false };
    let due = last.get_or_insert_with(Instant::now).elapsed() >= PROGRESS;
    if due {
        *last = Some(Instant::now());
    }
    due
}

/// Width for text: that of the terminal as the shell gives it, within reason.
pub fn width() -> usize {
    let told = std::env::var("COLUMNS").ok().and_then(|columns| columns.parse().ok());
    told.unwrap_or(USUAL_WIDTH).clamp(WIDTHS.0, WIDTHS.1)
}

/// A report error as the program's error.
pub fn report_error(error: ReportError) -> Error {
    match error {
        ReportError::File { action, path, source } => Error::Io { path, action: action.into(), source },
        other => Error::Output(format!("error: {other}")),
    }
}

/// Claims a folder that does not exist yet: `presolder-NAME` in the working directory, numbered where that is taken or
/// another run is about to write it.
///
/// # Errors
/// Where no folder can be made at all.
pub fn reserve_free(case_name: &str) -> Result<Reservation, Error> {
    let stem = format!("presolder-{}", folder::safe_name(case_name));
    let numbered = (2..).map(|n| PathBuf::from(format!("{stem}-{n}")));
    let mut names =
        std::iter::once(PathBuf::from(&stem)).chain(numbered).filter(|path| std::fs::symlink_metadata(path).is_err());
    loop {
        let name = names.next().unwrap_or_default();
        match folder::reserve(&name, false) {
            Err(ReportError::Occupied { .. }) if !name.as_os_str().is_empty() => {}
            reserved => return reserved.map_err(report_error),
        }
    }
}

/// Notes which place is about to be written to.
pub fn note_target(target: &Path) {
    if let Ok(mut noted) = TARGETS.lock() {
        noted.push(target.to_path_buf());
    }
}

/// Clears the drafts of the noted places away.
pub fn discard_drafts() {
    let noted = TARGETS.lock().map(|mut noted| std::mem::take(&mut *noted)).unwrap_or_default();
    noted.iter().for_each(|target| claim::discard(target));
}

/// The number of a part that an option names.
///
/// # Errors
/// A name that the case does not have.
pub fn part_index(option: &str, case: &Case, name: &str) -> Result<usize, Error> {
    let names: Vec<&str> = case.parts.iter().map(|part| part.name.as_str()).collect();
    names.iter().position(|part| *part == name).ok_or_else(|| {
        let near = nearest(name, names.iter().copied());
        let near = near.map_or(String::new(), |near| format!("; did you mean {near}?"));
        let known = names.join(", ");
        let text = format!("error: {option} {name}: the case {} has no such part; it has {known}{near}", case.name);
        Error::Output(visible(&text).into_owned())
    })
}
