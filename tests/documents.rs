//! The documents keep step with the source, and no file of the repository speaks of the machine it was made on.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Fewest names of each kind that the collectors must find: a collector that finds nothing proves nothing.
const FEWEST_SECTIONS: usize = 15;
const FEWEST_KEYWORDS: usize = 23;
const FEWEST_LISTED: usize = 20;
const FEWEST_PATHS: usize = 60;
const FEWEST_FILES: usize = 90;
const FEWEST_TEST_FILES: usize = 30;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn read(path: &str) -> String {
    fs::read_to_string(root().join(path)).unwrap_or_else(|error| panic!("{path}: {error}"))
}

/// What git, cargo or `presolder compare` made here, told by what it is: a build folder holds cargo's tag, a result its record. Names alone
/// do not tell, since a folder of the repository or the repository itself may be called anything.
fn is_generated(path: &Path) -> bool {
    let holds = |name: &str| path.join(name).is_file();
    path == root().join(".git") || holds("CACHEDIR.TAG") || (holds("record.json") && holds("report.html"))
}

/// Files below a folder, relative to the repository, with forward slashes.
fn files_below(folder: &str) -> Vec<String> {
    let mut files = vec![];
    let mut waiting = vec![PathBuf::from(folder)];
    while let Some(folder) = waiting.pop() {
        for entry in fs::read_dir(root().join(&folder)).expect("a folder that can be read") {
            let path = entry.expect("an entry").path();
            if is_generated(&path) {
                continue;
            }
            let relative = path.strip_prefix(root()).expect("below the root").to_path_buf();
            if path.is_dir() {
                waiting.push(relative);
            } else {
                files.push(relative.to_string_lossy().replace('\\', "/"));
            }
        }
    }
    files.sort();
    files
}

fn sources() -> Vec<String> {
    files_below("src").into_iter().filter(|file| file.ends_with(".rs")).collect()
}

/// Files under version control; all files where there is none (a source archive).
fn repository_files() -> Vec<String> {
    let listed = Command::new("git").arg("-C").arg(root()).args(["ls-files", "-z"]).output();
    match listed {
        Ok(output) if output.status.success() && !output.stdout.is_empty() => {
            let names = String::from_utf8_lossy(&output.stdout).into_owned();
            names.split('\0').filter(|name| root().join(name).is_file()).map(str::to_string).collect()
        }
        _ => files_below(""),
    }
}

/// Texts between two marks.
fn between(text: &str, mark: char) -> Vec<&str> {
    text.split(mark).skip(1).step_by(2).collect()
}

/// Section names of the physics that comments refer to: `docs/physics.md, "name"`, also several in one sentence.
fn referenced_sections() -> BTreeSet<String> {
    let document = "docs/physics.md";
    let mut names = BTreeSet::new();
    for file in sources() {
        let text = read(&file);
        for line in text.lines().filter(|line| line.trim_start().starts_with("//")) {
            if let Some((_, rest)) = line.split_once(document) {
                let sentence = rest.split(". ").next().unwrap_or(rest);
                names.extend(between(sentence, '"').into_iter().map(str::to_string));
            }
        }
    }
    names
}

/// Keywords of the losses: `Equation keyword:` or `Equation keyword in ...` in their comments.
fn loss_keywords() -> BTreeSet<String> {
    let mut names = BTreeSet::new();
    for file in sources().iter().filter(|file| file.starts_with("src/loss/")) {
        for line in read(file).lines() {
            if let Some(rest) = line.trim_start().strip_prefix("/// Equation ") {
                let name: String = rest.chars().take_while(|c| c.is_ascii_lowercase() || *c == '-').collect();
                names.insert(name);
            }
        }
    }
    names
}

/// The list of equations that goes into every record.
fn listed_equations() -> BTreeSet<String> {
    let text = read("src/record/words.rs");
    let (_, list) = text.split_once("const EQUATIONS: &[&str] = &[").expect("the list of equations");
    let (list, _) = list.split_once("];").expect("the end of the list");
    between(list, '"').into_iter().map(str::to_string).collect()
}

/// Headings of the third level: one a named equation or method.
fn headings() -> Vec<String> {
    read("docs/physics.md").lines().filter_map(|line| line.strip_prefix("### ")).map(str::to_string).collect()
}

#[test]
fn law_every_equation_name_in_the_source_is_a_heading() {
    let (sections, keywords, listed) = (referenced_sections(), loss_keywords(), listed_equations());
    assert!(sections.len() >= FEWEST_SECTIONS, "{sections:?}");
    assert!(keywords.len() >= FEWEST_KEYWORDS, "{keywords:?}");
    assert!(listed.len() >= FEWEST_LISTED, "{listed:?}");
    let headings = headings();
    let missing: Vec<&String> =
        sections.iter().chain(&keywords).chain(&listed).filter(|name| !headings.contains(name)).collect();
    assert!(missing.is_empty(), "docs/physics.md has no section {missing:?}");
}

#[test]
fn law_every_heading_of_an_equation_is_a_name_in_the_source_and_stands_once() {
    let known: BTreeSet<String> =
        referenced_sections().into_iter().chain(loss_keywords()).chain(listed_equations()).collect();
    let headings = headings();
    let unknown: Vec<&String> = headings.iter().filter(|name| !known.contains(*name)).collect();
    assert!(unknown.is_empty(), "nothing in the source refers to {unknown:?}");
    let distinct: BTreeSet<&String> = headings.iter().collect();
    assert_eq!(distinct.len(), headings.len(), "a section stands twice in {headings:?}");
}

#[test]
fn law_losses_are_listed_under_keywords_that_their_comments_have() {
    let (sections, keywords) = (referenced_sections(), loss_keywords());
    let own = ["flux linkage"].map(String::from); // explained in src/model/parts/saturation.rs without a keyword
    let strangers: Vec<String> = listed_equations()
        .into_iter()
        .filter(|name| !sections.contains(name) && !keywords.contains(name) && !own.contains(name))
        .collect();
    assert!(strangers.is_empty(), "src/record/words.rs lists {strangers:?}, which no comment names");
}

/// What a text between backticks names, if it is a path of this repository: it holds a slash or is a known file of the root, and
/// nothing else that a path does not have.
fn as_path(text: &str) -> Option<&str> {
    let plain = text.chars().all(|c| c.is_ascii_alphanumeric() || "/._-".contains(c));
    let tops = ["src/", "tests/", "docs/", "cases/", "benches/", ".ci/"];
    (plain && tops.iter().any(|top| text.starts_with(top))).then_some(text)
}

fn paths_in_developers() -> BTreeSet<String> {
    let text = read("DEVELOPERS.md");
    let prose: Vec<&str> = text.lines().filter(|line| !line.starts_with("    ")).collect();
    between(&prose.join("\n"), '`').into_iter().filter_map(as_path).map(str::to_string).collect()
}

#[test]
fn law_every_path_in_developers_exists() {
    let paths = paths_in_developers();
    assert!(paths.len() >= FEWEST_PATHS, "{paths:?}");
    let missing: Vec<&String> = paths.iter().filter(|path| !root().join(path).exists()).collect();
    assert!(missing.is_empty(), "DEVELOPERS.md names {missing:?}, which do not exist");
}

#[test]
fn law_every_source_file_is_listed_in_developers() {
    let paths = paths_in_developers();
    let unlisted: Vec<String> = sources().into_iter().filter(|file| !paths.contains(file)).collect();
    assert!(unlisted.is_empty(), "DEVELOPERS.md does not list {unlisted:?}");
}

/// Every variable of the environment that a test reads is explained.
#[test]
fn law_every_switch_of_the_tests_is_in_developers() {
    let guide = read("DEVELOPERS.md");
    let mut found = 0;
    for file in files_below("tests").iter().filter(|file| file.ends_with(".rs")) {
        for rest in read(file).split("env::var_os(\"").skip(1) {
            let name = rest.split('"').next().unwrap_or_default();
            if name.chars().all(|c| c.is_ascii_uppercase() || c == '_') && !name.is_empty() {
                found += 1;
                assert!(guide.contains(&format!("{name}=1")), "DEVELOPERS.md does not explain {name} ({file})");
            }
        }
    }
    assert!(found > 0, "no switch was found");
}

/// A file in a folder of `tests` that its program's `main.rs` does not name would be a test that never runs.
#[test]
fn law_every_test_file_is_a_module_of_its_program() {
    let files = files_below("tests");
    let mut seen = 0;
    for main in files.iter().filter(|file| file.ends_with("/main.rs")) {
        let folder = main.strip_suffix("main.rs").expect("it ends so");
        let text = read(main);
        let modules = files.iter().filter_map(|file| file.strip_prefix(folder)?.strip_suffix(".rs"));
        for module in modules.filter(|module| *module != "main" && !module.contains('/')) {
            seen += 1;
            assert!(text.lines().any(|line| line == format!("mod {module};")), "{main} does not name {module}");
        }
    }
    assert!(seen >= FEWEST_TEST_FILES, "only {seen} test files were looked at");
}

/// Words that name a place of one machine. They are put together here so that this file does not hold them.
fn forbidden_words() -> Vec<String> {
    let parts: [&[&str]; 6] = [
        &["/", "work", "/"],
        &["..", "/shared"],
        &["/", "home", "/"],
        &["/", "root", "/"],
        &["/", "Users", "/"],
        &["C:", "\\Users"],
    ];
    parts.iter().map(|words| words.concat()).collect()
}

#[test]
fn law_no_file_speaks_of_the_machine_it_was_made_on() {
    let files = repository_files();
    assert!(files.len() >= FEWEST_FILES, "only {} files were looked at", files.len());
    let words = forbidden_words();
    let mut found = vec![];
    for file in &files {
        let bytes = fs::read(root().join(file)).expect("a file that can be read");
        let text = String::from_utf8_lossy(&bytes);
        found.extend(words.iter().filter(|word| text.contains(*word)).map(|word| format!("{file}: {word}")));
        found.extend(words.iter().filter(|word| file.contains(*word)).map(|word| format!("name {file}: {word}")));
    }
    assert!(found.is_empty(), "{found:?}");
}

#[test]
fn law_both_licences_of_the_manifest_are_there() {
    let manifest = read("Cargo.toml");
    assert!(manifest.contains("license = \"MIT OR Apache-2.0\""), "the manifest states other licences");
    assert!(read("LICENSE-MIT").contains("presolder contributors"));
    let apache = read("LICENSE-APACHE");
    assert!(apache.contains("Version 2.0, January 2004") && apache.contains("END OF TERMS AND CONDITIONS"));
}
