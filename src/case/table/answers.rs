//! What a person has said about a table, and what is still to be asked.

/// Answers, from the table `[parts]` of `board.toml`.
#[derive(Clone, Debug, Default)]
pub struct Answers {
    /// Sheets to be read, where a workbook has several lists.
    pub sheets: Vec<String>,
    /// Line of the header.
    pub header: Option<usize>,
    /// The decimal mark of all numbers that are text.
    pub decimal: Option<char>,
    /// What a column is, by its title or its letter.
    pub columns: Vec<(String, String)>,
    /// What holds for every part of the table that says nothing of it: keys and values of a part.
    pub all: Vec<(String, String)>,
    /// Which line counts for a part that stands in several.
    pub lines: Vec<(String, usize)>,
    /// Whether prices and stocks are read.
    pub offers: bool,
}

/// What stands where an answer is missing.
pub const OPEN: &str = "?";
/// The answer for a column that is not to be read.
pub const LEAVE: &str = "-";

impl Answers {
    /// What somebody has said of a column.
    pub fn column(&self, letters: &str, title: &str) -> Option<&str> {
        let of_letter = format!("column {letters}");
        let is = |name: &str| same(name, title) || same(name, &of_letter);
        let found = self.columns.iter().find(|(name, _)| is(name))?;
        Some(found.1.trim()).filter(|answer| *answer != OPEN)
    }

    /// The value that holds for all parts, if somebody has stated it.
    pub fn constant(&self, key: &str) -> Option<&str> {
        self.all.iter().find(|(name, value)| name == key && value.trim() != OPEN).map(|(_, value)| value.as_str())
    }

    /// The line that counts for a part.
    pub fn line_of(&self, part: &str) -> Option<usize> {
        self.lines.iter().find(|(name, _)| name == part).map(|(_, line)| *line)
    }
}

/// Whether two titles are the same but for case and spaces.
pub fn same(a: &str, b: &str) -> bool {
    let words = |text: &str| text.to_lowercase().split_whitespace().collect::<Vec<_>>().join(" ");
    words(a) == words(b)
}

/// The tables of `board.toml` into which answers go.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Section {
    /// `[parts]`
    Parts,
    /// `[parts.columns]`
    Columns,
    /// `[parts.all]`
    All,
    /// `[parts.lines]`
    Lines,
}

/// One thing that is not certain.
#[derive(Clone, Debug, PartialEq)]
pub struct Question {
    /// Where its answer goes.
    pub section: Section,
    /// Key of the answer.
    pub key: String,
    /// What is asked, for a remark behind it.
    pub remark: String,
}

/// Questions about parts that stand twice, beyond which they are counted.
const MOST_LINES: usize = 10;

/// All questions as one block to paste, each with a "?" in place of its answer.
pub fn block(questions: &[Question]) -> String {
    let sections = [
        (Section::Parts, "parts"),
        (Section::Columns, "parts.columns"),
        (Section::All, "parts.all"),
        (Section::Lines, "parts.lines"),
    ];
    let mut text = Vec::new();
    for (section, name) in sections {
        let asked: Vec<&Question> = questions.iter().filter(|question| question.section == section).collect();
        if asked.is_empty() {
            continue;
        }
        text.push(format!("[{name}]"));
        let most = if section == Section::Lines { MOST_LINES } else { asked.len() };
        text.extend(asked.iter().take(most).map(|question| line(question)));
        if asked.len() > most {
            text.push(format!("# and {} more parts like these", asked.len() - most));
        }
    }
    text.join("\n")
}

fn line(question: &Question) -> String {
    let bare = question.section == Section::Parts || question.section == Section::All;
    let key = if bare { question.key.clone() } else { quoted(&question.key) };
    let remark = question.remark.replace(['\n', '\r'], " ");
    format!("{key} = \"{OPEN}\"   # {remark}")
}

/// A text as TOML writes it.
fn quoted(text: &str) -> String {
    format!("\"{}\"", crate::visible::visible(&text.replace('\\', "\\\\").replace('"', "\\\"")))
}
