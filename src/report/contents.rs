//! The list of what was written into a result folder, with a hash of each file, kept in the folder; and what it is for:
//! telling this tool's files from those of people.

use super::ReportError;
use crate::sha256;
use std::collections::HashMap;
use std::ffi::OsString;
use std::fs;
use std::path::{Path, PathBuf};

/// Name of the list; in the form that the usual tools for checksums read.
pub const CONTENTS: &str = "contents.sha256";
/// First line of the list, by which it is recognised.
const HEAD: &str = "# Written by presolder. Files that are not listed, or changed since, are never removed.";

/// The list of files that are named with `/` between folders.
pub fn list(files: &[(String, Vec<u8>)]) -> String {
    let lines = files.iter().map(|(name, bytes)| format!("{}  {name}\n", sha256::of(bytes)));
    std::iter::once(format!("{HEAD}\n")).chain(lines).collect()
}

/// Files of a result that are no longer what was written, with what became of them, in the order of their names. `None` without a list.
pub fn altered(folder: &Path) -> Option<Vec<(String, &'static str)>> {
    let contents = Contents::of(folder)?;
    let state = |name: &String| match exists(&folder.join(name)) {
        false => Some("missing"),
        true => (!contents.wrote(name, &folder.join(name))).then_some("changed since it was written"),
    };
    let mut altered: Vec<(String, &str)> =
        contents.hashes.keys().filter_map(|name| Some((name.clone(), state(name)?))).collect();
    altered.sort();
    Some(altered)
}

/// Whether a folder holds such a list.
pub fn is_listed(folder: &Path) -> bool {
    Contents::of(folder).is_some()
}

/// Whether a file beside such a list is another than it names: changed since, or put there by somebody.
pub fn is_changed(file: &Path) -> bool {
    let own = file.parent().and_then(Contents::of);
    let name = file.file_name().unwrap_or_default().to_string_lossy();
    own.is_some_and(|own| !own.wrote(&name, file))
}

/// Text of an ordinary file, which a pipe or a link is not.
pub fn text_of(path: &Path) -> Option<String> {
    path.symlink_metadata().is_ok_and(|found| found.is_file()).then(|| fs::read_to_string(path).ok()).flatten()
}

/// Whether anything has that name, a dangling link included.
pub fn exists(path: &Path) -> bool {
    path.symlink_metadata().is_ok()
}

/// Removes a result that has been replaced: its own files go, all others move to the result in its place. Returns
/// the names of these. May be taken up again after an interruption.
///
/// # Errors
/// [`ReportError::File`] where the system refuses.
pub fn retire(former: &Path, target: &Path) -> Result<Vec<String>, ReportError> {
    let own = Contents::of(former);
    let mut kept = Vec::new();
    retire_folder(former, target, "", own.as_ref(), &mut kept).map_err(failed(former))?;
    // The list goes last: without it nothing in the folder could be told from the files of people.
    if own.is_some() {
        fs::remove_file(former.join(CONTENTS)).map_err(failed(former))?;
    }
    fs::remove_dir(former).map_err(failed(former))?;
    Ok(kept)
}

fn failed(former: &Path) -> impl FnOnce(std::io::Error) -> ReportError + '_ {
    move |source| ReportError::File { action: "clear away the earlier result in", path: former.to_path_buf(), source }
}

fn retire_folder(
    from: &Path,
    to: &Path,
    prefix: &str,
    own: Option<&Contents>,
    kept: &mut Vec<String>,
) -> std::io::Result<()> {
    let mut entries = fs::read_dir(from)?.collect::<Result<Vec<_>, _>>()?;
    entries.sort_by_key(fs::DirEntry::file_name);
    for entry in entries {
        let (path, name) = (entry.path(), format!("{prefix}{}", entry.file_name().to_string_lossy()));
        if name == CONTENTS && own.is_some() {
            continue;
        }
        let beside = to.join(entry.file_name());
        if entry.file_type()?.is_dir() && (own.is_some_and(|own| own.has_folder(&name)) || beside.is_dir()) {
            retire_folder(&path, &beside, &format!("{name}/"), own, kept)?;
            fs::remove_dir(&path)?;
        } else if own.is_some_and(|own| own.wrote(&name, &path)) {
            fs::remove_file(&path)?;
        } else {
            fs::create_dir_all(to)?;
            let place = free_name(&beside);
            fs::rename(&path, &place)?;
            kept.push(format!("{prefix}{}", place.file_name().unwrap_or_default().to_string_lossy()));
        }
    }
    Ok(())
}

/// The name itself where it is free, else with ".kept" behind it, numbered where that is taken too.
fn free_name(path: &Path) -> PathBuf {
    let with = |ending: String| {
        let mut name = OsString::from(path.file_name().unwrap_or_default());
        name.push(ending);
        path.with_file_name(name)
    };
    let numbered = (2..).map(|n| with(format!(".kept-{n}")));
    [path.to_path_buf(), with(".kept".into())].into_iter().chain(numbered).find(|p| !exists(p)).unwrap_or_default()
}

/// A list that was read back.
struct Contents {
    hashes: HashMap<String, String>,
}

impl Contents {
    fn of(folder: &Path) -> Option<Contents> {
        let text = text_of(&folder.join(CONTENTS))?;
        let lines = text.strip_prefix(HEAD)?.lines();
        let hashes = lines.filter_map(|line| line.split_once("  ")).map(|(hash, name)| (name.into(), hash.into()));
        Some(Contents { hashes: hashes.collect() })
    }

    fn has_folder(&self, name: &str) -> bool {
        self.hashes.keys().any(|file| file.strip_prefix(name).is_some_and(|rest| rest.starts_with('/')))
    }

    /// Whether a file is listed and still what was written.
    fn wrote(&self, name: &str, path: &Path) -> bool {
        let Some(listed) = self.hashes.get(name) else { return false };
        path.symlink_metadata().is_ok_and(|found| found.is_file())
            && fs::read(path).is_ok_and(|bytes| sha256::of(&bytes) == *listed)
    }
}
