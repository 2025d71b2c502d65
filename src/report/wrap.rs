//! Text laid out in columns: wrapping, padding.

/// Appends a text wrapped at a width, with the given indents.
pub(crate) fn push_wrapped(out: &mut String, text: &str, width: usize, first: &str, rest: &str) {
    for line in wrap(text, width, first, rest) {
        out.push_str(line.trim_end());
        out.push('\n');
    }
}

/// One item of a list, wrapped at a width.
pub fn item(text: &str, width: usize) -> String {
    wrap(text, width, "  - ", "    ").join("\n")
}

/// Breaks `text` at spaces into lines of at most `width` characters with the given indents.
///
/// A number keeps its unit: a space behind a digit is not a place to break.
pub(crate) fn wrap(text: &str, width: usize, first: &str, rest: &str) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = first.to_string();
    let mut empty = true;
    for word in words(text) {
        for piece in broken(&word, width.saturating_sub(rest.chars().count()).max(1)) {
            let gap = usize::from(!empty);
            if !empty && line.chars().count() + gap + piece.chars().count() > width {
                lines.push(std::mem::replace(&mut line, rest.to_string()));
                empty = true;
            }
            if !empty {
                line.push(' ');
            }
            line.push_str(&piece);
            empty = false;
        }
    }
    lines.push(line);
    lines
}

/// Words of a text; a short word behind a number (its unit) stays with it.
fn words(text: &str) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match out.last_mut() {
            Some(last) if last.ends_with(|c: char| c.is_ascii_digit()) && word.chars().count() <= 4 => {
                last.push(' ');
                last.push_str(word);
            }
            _ => out.push(word.to_string()),
        }
    }
    out
}

/// Pieces of at most `width` characters.
pub(crate) fn broken(word: &str, width: usize) -> Vec<String> {
    let chars: Vec<char> = word.chars().collect();
    if chars.is_empty() {
        return vec![String::new()];
    }
    chars.chunks(width).map(|piece| piece.iter().collect()).collect()
}

/// A text with spaces behind it.
pub(crate) fn pad_right(text: &str, width: usize) -> String {
    text.to_string() + &" ".repeat(width.saturating_sub(text.chars().count()))
}

/// A text with spaces before it.
pub(crate) fn pad_left(text: &str, width: usize) -> String {
    " ".repeat(width.saturating_sub(text.chars().count())) + text
}

/// A text with a capital at its begin.
pub(crate) fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| first.to_uppercase().chain(chars).collect())
}
