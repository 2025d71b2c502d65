//! Folders of cases.

use std::path::Path;

/// Copies a case with everything in its folder.
pub fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).expect("a folder for the copy");
    for entry in std::fs::read_dir(from).expect("the demo case").map(|entry| entry.expect("an entry")) {
        let target = to.join(entry.file_name());
        if entry.path().is_dir() {
            copy(&entry.path(), &target)
        } else {
            std::fs::copy(entry.path(), target).map(drop).expect("a copy")
        }
    }
}
