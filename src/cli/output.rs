//! Printing, progress, and the folder that results go to.

use crate::error::Error;
use crate::report::{ReportError, folder};
use std::io::{ErrorKind, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::sync::Mutex;

/// Narrowest and widest text printed.
const WIDTHS: (usize, usize) = (60, 100);
/// Width where none is known.
const USUAL_WIDTH: usize = 80;

/// Folder being written, so that a second interruption can clear its draft away.
static TARGET: Mutex<Option<PathBuf>> = Mutex::new(None);
/// File being written, for the same reason.
static DRAFT_FILE: Mutex<Option<PathBuf>> = Mutex::new(None);

/// Prints to standard output. A reader that has gone away is not an error.
///
/// # Errors
/// Any other trouble with standard output.
pub fn print(text: &str) -> Result<(), Error> {
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
    let _ = writeln!(out, "{}", error.to_text(colour));
}

/// Progress on a terminal, in one line that is rewritten; silent elsewhere.
pub fn progress(done: usize, total: usize) {
    let mut out = std::io::stderr().lock();
    if out.is_terminal() {
        let end = if done == total { "\r\x1b[K" } else { "" };
        let _ = write!(out, "\rsimulated {done} of {total}{end}");
        let _ = out.flush();
    }
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

/// A folder that does not exist yet: `presolder-NAME` in the working directory, numbered where that is taken.
pub fn free_folder(case_name: &str) -> PathBuf {
    let stem = format!("presolder-{}", folder::safe_name(case_name));
    let numbered = (2..).map(|n| PathBuf::from(format!("{stem}-{n}")));
    std::iter::once(PathBuf::from(&stem))
        .chain(numbered)
        .find(|path| std::fs::symlink_metadata(path).is_err())
        .unwrap_or_else(|| PathBuf::from(stem))
}

/// Notes which folder is about to be written.
pub fn note_target(target: &Path) {
    if let Ok(mut noted) = TARGET.lock() {
        *noted = Some(target.to_path_buf());
    }
}

/// Notes which draft of a file is about to be written.
pub fn note_draft_file(draft: &Path) {
    if let Ok(mut noted) = DRAFT_FILE.lock() {
        *noted = Some(draft.to_path_buf());
    }
}

/// Clears the drafts of the noted folder and file away.
pub fn discard_drafts() {
    if let Some(draft) = DRAFT_FILE.lock().ok().and_then(|noted| noted.clone()) {
        // There is none once it has been moved into place.
        let _ = std::fs::remove_file(draft);
    }
    if let Some(target) = TARGET.lock().ok().and_then(|noted| noted.clone()) {
        folder::discard(&target);
    }
}
