//! Copies of the files of a case, kept with its result so that the result can be run again: under which names they stand.
//!
//! Below `inputs` stands the folder of the case with its own layout. What the case names outside of it, and what another system could
//! not bear as a name, stands in `elsewhere` beside it under a name of its own.

use crate::error::Error;
use crate::model::case::Case;
use crate::sha256;
use std::path::{Component, Path, PathBuf};

/// Folder of the copies in a result.
pub const INPUTS: &str = "inputs";
/// Folder beside that of the case.
const ELSEWHERE: &str = "elsewhere";
/// Letters of a hash that tell files of one name apart.
const LETTERS: usize = 12;
/// Signs of a file name that every system bears, besides letters and digits.
const BORNE: &str = "._-+=,@ ()[]";

/// Where copies stand: the folder of the case, and what stands elsewhere.
#[derive(Clone, Debug)]
pub struct Copies {
    /// Folder of the case among the copies.
    pub case: PathBuf,
    /// Folder of what stands outside of it.
    pub elsewhere: PathBuf,
}

impl Copies {
    /// The copies in the folder of a result of a case of some name.
    pub fn of(result: &Path, name: &str) -> Copies {
        let inputs = result.join(INPUTS);
        Copies { case: inputs.join(folder_name(name)), elsewhere: inputs.join(ELSEWHERE) }
    }

    /// Place of the copy of a file that the case names.
    pub fn place(&self, name: &str) -> PathBuf {
        elsewhere(name).map_or_else(|| self.case.join(name), |name| self.elsewhere.join(name))
    }
}

/// Name under which a file of the case stands `elsewhere`; `None` for one inside the folder of the case.
pub fn elsewhere(name: &str) -> Option<String> {
    let is_inside = |part: Component<'_>| matches!(part, Component::CurDir | Component::Normal(_));
    let is_borne = |c: char| c == '/' || c.is_alphanumeric() || BORNE.contains(c);
    if Path::new(name).components().all(is_inside) && name.chars().all(is_borne) {
        return None;
    }
    let last = name.rsplit(['/', '\\']).next().unwrap_or("");
    let last: String = last.chars().map(|c| if is_borne(c) { c } else { '-' }).collect();
    Some(format!("{}-{last}", &sha256::of(name.as_bytes())[..LETTERS]))
}

/// Name of the folder of a case among the copies.
fn folder_name(name: &str) -> String {
    let is_borne = |c: char| c.is_alphanumeric() || BORNE.contains(c);
    let borne: String = name.chars().map(|c| if is_borne(c) { c } else { '-' }).collect();
    if borne.trim_matches(['.', ' ']).is_empty() || borne == ELSEWHERE { "case".into() } else { borne }
}

/// The files of a case as they have just been read, and the tables of its folder that are told of as not read: names in a result, with `/`
/// between folders, and bytes.
///
/// # Errors
/// [`Error::Io`] for a file that cannot be read again, [`Error::Output`] for one that has changed in between.
pub fn collect(folder: &Path, case: &Case, unread: &[String]) -> Result<Vec<(String, Vec<u8>)>, Error> {
    let read = |name: &str| {
        let path = folder.join(name);
        std::fs::read(&path).map_err(|source| Error::Io { path, action: "copy".into(), source })
    };
    let place = |name: &str| match elsewhere(name) {
        None => format!("{INPUTS}/{}/{}", folder_name(&case.name), name.trim_start_matches("./")),
        Some(name) => format!("{INPUTS}/{ELSEWHERE}/{name}"),
    };
    let mut copies: Vec<(String, Vec<u8>)> = vec![];
    for file in &case.files {
        let bytes = read(&file.path)?;
        if sha256::of(&bytes) != file.sha256 {
            return Err(Error::Output(format!("error: {} has changed while it was read: run again", file.path)));
        }
        if copies.iter().all(|(known, _)| *known != place(&file.path)) {
            copies.push((place(&file.path), bytes));
        }
    }
    for name in unread {
        copies.push((place(name), read(name)?));
    }
    Ok(copies)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn law_nothing_stands_outside_of_the_copies() {
        let copies = Copies::of(Path::new("result"), "../../etc");
        for name in
            ["../rules.toml", "/etc/hostname", "a/../../b.csv", "..\\b.csv", "c:\\b.csv", "curves/a.csv", "..", ""]
        {
            let place = copies.place(name);
            assert!(place.starts_with("result/inputs"), "{name}: {}", place.display());
            assert!(!place.components().any(|part| part == Component::ParentDir), "{name}: {}", place.display());
        }
        assert_eq!(copies.place("curves/a b.csv"), Path::new("result/inputs/..-..-etc/curves/a b.csv"));
        assert_ne!(elsewhere("../a/x.csv"), elsewhere("../b/x.csv"));
        for name in ["..", ".", "", "elsewhere"] {
            assert_eq!(Copies::of(Path::new(""), name).case, Path::new("inputs/case"), "{name}");
        }
    }
}
