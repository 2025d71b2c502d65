//! A table that grows line by line and goes on after an interruption: what is whole is kept, what is torn is dropped.

use super::ReportError;
use super::claim::Claim;
use std::fs::{self, File};
use std::io::{ErrorKind, Seek, SeekFrom, Write};
use std::path::Path;

/// A table that this run alone writes to, as it was found. Nothing has been changed in it yet.
pub struct Journal {
    claim: Claim,
    header: String,
    /// Bytes that are whole; `None` where even the header is to be written.
    whole: Option<u64>,
    lines: Vec<String>,
}

impl Journal {
    /// Claims a place and reads what stands there: nothing, the begin of a header, or a header and lines.
    ///
    /// # Errors
    /// Where another run writes to it, where it cannot be read, or begins otherwise.
    pub fn read(path: &Path, header: &str) -> Result<Journal, ReportError> {
        let claim = Claim::on(path)?;
        let header = header.to_string();
        let found = match fs::symlink_metadata(path) {
            Err(error) if error.kind() == ErrorKind::NotFound => None,
            Ok(found) if !found.is_file() => return Err(foreign(path, "is no file")),
            _ => Some(fs::read(path).map_err(|source| trouble("read", path, source))?),
        };
        let begun = found.unwrap_or_default();
        if header.as_bytes().starts_with(&begun) && begun.len() < header.len() {
            return Ok(Journal { claim, header, whole: None, lines: vec![] });
        }
        let Some(rest) = begun.strip_prefix(header.as_bytes()) else {
            return Err(foreign(path, &difference(&begun, &header)));
        };
        let whole = rest.iter().rposition(|byte| *byte == b'\n').map_or(0, |end| end + 1);
        let Ok(text) = std::str::from_utf8(&rest[..whole]) else {
            return Err(foreign(path, "holds lines that are no text"));
        };
        let lines = text.lines().map(String::from).collect();
        Ok(Journal { claim, whole: Some((begun.len() - rest.len() + whole) as u64), header, lines })
    }

    /// The lines that are whole.
    pub fn lines(&self) -> &[String] {
        &self.lines
    }

    /// A refusal of what was found.
    pub fn refused(&self, reason: &str) -> ReportError {
        foreign(self.claim.target(), reason)
    }

    /// Drops what is torn, and goes on behind what is whole.
    ///
    /// # Errors
    /// Where it cannot be written.
    pub fn go_on(self) -> Result<Writer, ReportError> {
        let path = self.claim.target();
        let open = || -> std::io::Result<File> {
            let mut file = File::options().write(true).create(true).truncate(false).open(path)?;
            file.set_len(self.whole.unwrap_or(0))?;
            file.seek(SeekFrom::End(0))?;
            if self.whole.is_none() {
                file.write_all(self.header.as_bytes())?;
            }
            Ok(file)
        };
        let file = open().map_err(|source| trouble("write", path, source))?;
        Ok(Writer { file, claim: self.claim })
    }
}

/// A table that is being written.
pub struct Writer {
    file: File,
    claim: Claim,
}

impl Writer {
    /// Writes a line with its end, at once.
    ///
    /// # Errors
    /// Where it cannot be written.
    pub fn write(&mut self, line: &str) -> Result<(), ReportError> {
        self.file.write_all(line.as_bytes()).map_err(|source| trouble("write", self.claim.target(), source))
    }
}

fn trouble(action: &'static str, path: &Path, source: std::io::Error) -> ReportError {
    ReportError::File { action, path: path.to_path_buf(), source }
}

fn foreign(path: &Path, reason: &str) -> ReportError {
    let hint = "it is left as it is: give another name, or the arguments with which it began".to_string();
    ReportError::Occupied { path: path.to_path_buf(), reason: reason.into(), hint }
}

/// In what another header differs: its first item that is another.
fn difference(begun: &[u8], header: &str) -> String {
    let begun = String::from_utf8_lossy(begun);
    let items = |text: &str| text.lines().next().unwrap_or_default().split("; ").map(String::from).collect::<Vec<_>>();
    let (theirs, ours) = (items(&begun), items(header));
    let kind = header.split(' ').nth(2).unwrap_or_default();
    if !theirs.first().is_some_and(|first| first.starts_with(&format!("# presolder {kind}"))) {
        return format!("is no table of a {kind}");
    }
    match theirs.iter().zip(&ours).find(|(theirs, ours)| theirs != ours) {
        Some((theirs, ours)) => {
            format!("is of another {kind}: \"{}\" there, \"{ours}\" here", crate::visible::visible(theirs))
        }
        None => format!("is of another {kind}: its columns are others"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HEADER: &str = "# presolder sweep of a case; seed 3\r\nunit,value_v\r\n";
    const LINES: [&str; 3] = ["1,0.25\r\n", "2,at least 3\r\n", "3,\r\n"];

    /// Every cut of a table, gone on with, is the table.
    #[test]
    fn law_a_table_cut_at_any_byte_is_made_whole() {
        let room = tempfile::tempdir().expect("a temporary folder");
        let (path, whole) = (room.path().join("table.csv"), HEADER.to_string() + &LINES.concat());
        for cut in 0..=whole.len() {
            fs::write(&path, &whole[..cut]).expect("a file");
            let journal = Journal::read(&path, HEADER).expect("it is of this sweep");
            assert_eq!(fs::read(&path).expect("the file"), &whole.as_bytes()[..cut], "reading changes nothing");
            let kept = journal.lines().len();
            let mut writer = journal.go_on().expect("it can be written");
            LINES[kept..].iter().for_each(|line| writer.write(line).expect("a line"));
            drop(writer);
            assert_eq!(fs::read_to_string(&path).expect("the file"), whole, "cut at {cut}");
        }
    }

    #[test]
    fn error_what_is_of_another_sweep_stays_as_it_is() {
        let room = tempfile::tempdir().expect("a temporary folder");
        let path = room.path().join("table.csv");
        let others = [
            (HEADER.replace("seed 3", "seed 4"), "\"seed 4\" there, \"seed 3\" here"),
            (HEADER.replace("value_v", "value_a"), "columns"),
            ("notes".into(), "no table"),
            (format!("{HEADER}1,2\r\n").replace("# presolder", "# Presolder"), "no table"),
        ];
        for (content, reason) in others {
            fs::write(&path, &content).expect("a file");
            let told = Journal::read(&path, HEADER).err().expect("it is refused").to_string();
            assert!(told.contains(reason), "{told}");
            assert_eq!(fs::read_to_string(&path).expect("the file"), content);
        }
        let claimed = Journal::read(&room.path().join("new.csv"), HEADER).expect("nothing is there");
        assert!(Journal::read(&room.path().join("new.csv"), HEADER).is_err(), "another run has it");
        drop(claimed);
        assert!(!room.path().join("new.csv").exists(), "nothing is written before it goes on");
    }
}
