//! A claim on a place for results: two runs never write to one place at once, and what a killed run left is swept.
//!
//! Beside the place `NAME` stand, while a run lasts, `.NAME.presolder-lock` (held with a lock of the system, which ends with
//! the process however that ends), `.NAME.presolder-draft` (the unfinished file or folder) and, for a moment,
//! `.NAME.presolder-former` (an earlier result that is being replaced). A lock file that nobody holds belongs to a run
//! that was killed: what stands beside it is swept.

use super::ReportError;
use super::contents::{exists, retire};
use std::ffi::{OsStr, OsString};
use std::fs::{self, File, TryLockError};
use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::time::Duration;

const LOCK: &str = "lock";
const DRAFT: &str = "draft";
const FORMER: &str = "former";
/// First word of a lock file: another file of that name is none of ours.
const TOKEN: &str = "presolder";
/// A lock may be held for a moment by a run that is sweeping: so often it is tried again, and so long is waited between.
const ATTEMPTS: (usize, Duration) = (5, Duration::from_millis(20));

/// A place that this run alone may write to; given back when dropped.
#[derive(Debug)]
pub struct Claim {
    target: PathBuf,
    /// `None` where the file system knows no locks; then nothing is swept, and the draft's name alone keeps others away.
    lock: Option<File>,
}

impl Claim {
    /// Claims a place, after sweeping what killed runs left around it.
    ///
    /// # Errors
    /// [`ReportError::Occupied`] where another run is writing to it, [`ReportError::File`] where nothing can be written there.
    pub fn on(target: &Path) -> Result<Claim, ReportError> {
        make_folders_above(target).map_err(|source| ReportError::File {
            action: "create the folder above",
            path: target.to_path_buf(),
            source,
        })?;
        sweep(folder_of(target));
        let lock = match lock(target) {
            Err(ReportError::File { source, .. }) if source.kind() == ErrorKind::Unsupported => None,
            lock => Some(lock?),
        };
        let claim = Claim { target: target.to_path_buf(), lock };
        if claim.lock.is_some() {
            tidy(target);
        }
        Ok(claim)
    }

    /// The place.
    pub fn target(&self) -> &Path {
        &self.target
    }

    /// Where the unfinished file or folder stands.
    pub fn draft(&self) -> PathBuf {
        draft_path(&self.target)
    }

    /// Where an earlier result stands while it is replaced.
    pub fn former(&self) -> PathBuf {
        beside(&self.target, FORMER)
    }
}

impl Drop for Claim {
    fn drop(&mut self) {
        discard(&self.target);
    }
}

/// Folders above places that this process has made, with the place, the deepest first.
static MADE: Mutex<Vec<(PathBuf, Vec<PathBuf>)>> = Mutex::new(Vec::new());

/// Makes the folders above a place that are not there, and notes which they are.
fn make_folders_above(target: &Path) -> std::io::Result<()> {
    let absent = folder_of(target).ancestors().take_while(|folder| !folder.as_os_str().is_empty() && !exists(folder));
    let absent: Vec<PathBuf> = absent.map(Path::to_path_buf).collect();
    let made = fs::create_dir_all(folder_of(target));
    if let Ok(mut known) = MADE.lock()
        && !absent.is_empty()
    {
        known.push((target.to_path_buf(), absent));
    }
    made
}

/// Removes the folders above a place that this process has made and that are empty.
fn remove_folders_above(target: &Path) {
    let Ok(mut known) = MADE.lock() else { return };
    let mine = known.extract_if(.., |(place, _)| place == target);
    // The system refuses to remove a folder that holds anything.
    mine.flat_map(|(_, folders)| folders).for_each(|folder| drop(fs::remove_dir(folder)));
}

/// Where the unfinished file or folder of a place stands.
pub fn draft_path(target: &Path) -> PathBuf {
    beside(target, DRAFT)
}

/// Gives up a claim of this process: removes the draft, puts an earlier result back unless the new one is in its place, and
/// removes the lock, and the folders above it that the process has made and that stay empty. Does nothing where there is nothing to do.
pub fn discard(target: &Path) {
    tidy(target);
    let _ = fs::remove_file(beside(target, LOCK));
    remove_folders_above(target);
}

/// Removes the draft and finishes, or undoes, a replacement. Whatever the system refuses is left for the next time.
fn tidy(target: &Path) {
    let draft = draft_path(target);
    let _ = if draft.symlink_metadata().is_ok_and(|found| found.is_dir()) {
        fs::remove_dir_all(&draft)
    } else {
        fs::remove_file(&draft)
    };
    let former = beside(target, FORMER);
    if !exists(&former) {
        return;
    }
    if exists(target) {
        let _ = retire(&former, target);
    } else {
        let _ = fs::rename(&former, target);
    }
}

/// Sweeps what killed runs left in a folder: everything whose lock file nobody holds.
fn sweep(room: &Path) {
    let Ok(entries) = fs::read_dir(room) else { return };
    for entry in entries.flatten() {
        let Some(name) = claimed_name(&entry.file_name()) else { continue };
        let is_ours = || fs::read_to_string(entry.path()).is_ok_and(|text| text.starts_with(TOKEN));
        // Opening a pipe would wait for ever.
        if !entry.file_type().is_ok_and(|kind| kind.is_file()) || !is_ours() {
            continue;
        }
        if let Ok(file) = File::options().write(true).open(entry.path())
            && file.try_lock().is_ok()
        {
            discard(&room.join(name));
        }
    }
}

/// The name of the place to which a lock file belongs.
fn claimed_name(lock_file: &OsStr) -> Option<OsString> {
    let name = lock_file.to_str()?.strip_prefix('.')?.strip_suffix(&format!(".presolder-{LOCK}"))?;
    (!name.is_empty()).then(|| name.into())
}

/// Makes and locks the lock file.
fn lock(target: &Path) -> Result<File, ReportError> {
    let path = beside(target, LOCK);
    let failed = |source| ReportError::File { action: "create", path: target.to_path_buf(), source };
    let (attempts, pause) = ATTEMPTS;
    for _ in 0..attempts {
        let mut file = File::options().write(true).create(true).truncate(false).open(&path).map_err(failed)?;
        match file.try_lock() {
            Ok(()) if is_mine(&mut file, &path).map_err(failed)? => return Ok(file),
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => std::thread::sleep(pause),
            Err(TryLockError::Error(source)) => {
                let _ = fs::remove_file(&path);
                return Err(failed(source));
            }
        }
    }
    Err(ReportError::Occupied {
        path: target.to_path_buf(),
        reason: "is being written by another run".into(),
        hint: "wait for it to end, or give another name".into(),
    })
}

/// Whether the file that was locked is the one that stands there now: its former owner may have removed it between the two.
fn is_mine(file: &mut File, path: &Path) -> std::io::Result<bool> {
    let token = format!("{TOKEN} {}\n", std::process::id());
    file.set_len(0)?;
    file.write_all(token.as_bytes())?;
    Ok(match fs::read_to_string(path) {
        Ok(text) => text == token,
        // Where a lock also keeps readers out, nobody can have removed the file either.
        Err(error) => error.kind() != ErrorKind::NotFound,
    })
}

fn folder_of(target: &Path) -> &Path {
    target.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

fn beside(target: &Path, kind: &str) -> PathBuf {
    let mut name = OsString::from(".");
    name.push(target.file_name().unwrap_or(OsStr::new("result")));
    name.push(format!(".presolder-{kind}"));
    target.with_file_name(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn law_a_place_is_claimed_once_and_given_back() {
        let room = tempfile::tempdir().expect("a temporary folder");
        let target = room.path().join("result");
        let claim = Claim::on(&target).expect("it is free");
        fs::create_dir(claim.draft()).expect("a draft");
        let refused = Claim::on(&target).expect_err("it is taken").to_string();
        assert!(refused.contains("another run"), "{refused}");
        assert!(claim.draft().is_dir(), "the draft of a live run stays");
        drop(claim);
        assert_eq!(fs::read_dir(room.path()).expect("a folder").count(), 0);
        Claim::on(&target).expect("it is free again");
    }

    #[test]
    fn law_folders_above_a_place_go_with_a_claim_that_came_to_nothing() {
        let room = tempfile::tempdir().expect("a temporary folder");
        let [old, new] = ["old", "new/deep"].map(|name| room.path().join(name));
        fs::create_dir(&old).expect("a folder");
        drop(Claim::on(&old.join("made/result")).expect("it is free"));
        let claim = Claim::on(&new.join("result")).expect("it is free");
        fs::create_dir(claim.target()).expect("a result");
        drop(claim);
        assert!(new.join("result").is_dir(), "what holds a result stays");
        assert_eq!(fs::read_dir(&old).expect("what was there stays").count(), 0);
    }

    #[test]
    fn law_what_a_killed_run_left_is_swept_by_a_claim_on_another_place() {
        let room = tempfile::tempdir().expect("a temporary folder");
        let at = |name: &str| room.path().join(name);
        for (lock, draft) in
            [(".a.presolder-lock", ".a.presolder-draft"), (".b.csv.presolder-lock", ".b.csv.presolder-draft")]
        {
            fs::write(at(lock), "presolder 1\n").expect("a file");
            fs::create_dir(at(draft)).expect("a draft");
        }
        // None of ours: no lock, or one that somebody else wrote.
        fs::create_dir(at(".c.presolder-draft")).expect("a folder");
        fs::write(at(".d.presolder-lock"), "mine").expect("a file");
        fs::write(at(".d.presolder-draft"), "mine").expect("a file");
        drop(Claim::on(&at("other")).expect("it is free"));
        let mut left: Vec<_> =
            fs::read_dir(room.path()).expect("a folder").map(|entry| entry.expect("an entry").file_name()).collect();
        left.sort();
        assert_eq!(left, [".c.presolder-draft", ".d.presolder-draft", ".d.presolder-lock"]);
    }

    #[test]
    fn law_a_former_result_comes_back_after_an_interruption() {
        let room = tempfile::tempdir().expect("a temporary folder");
        let target = room.path().join("result");
        fs::create_dir(beside(&target, FORMER)).expect("a folder");
        discard(&target);
        assert!(target.is_dir() && !exists(&beside(&target, FORMER)));
        fs::create_dir(beside(&target, FORMER)).expect("a folder");
        discard(&target);
        assert!(target.is_dir() && !exists(&beside(&target, FORMER)));
    }
}
