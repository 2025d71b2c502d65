//! Text from outside made safe to show: the one place for characters on which a terminal or a page would act instead of
//! showing them.
//!
//! A part's name may hold a colour code, a line feed, a zero byte, or a mark that turns the order of writing round. Each of
//! them is shown as the escape by which TOML and JSON write it (`\u001b`), so that nothing is hidden and nothing is obeyed.

use std::borrow::Cow;
use std::fmt::Write;
use std::path::Path;

/// One line of text: every character that would be obeyed is escaped, line feeds and tabs included.
pub fn visible(text: &str) -> Cow<'_, str> {
    escaped(text, is_obeyed)
}

/// Text of several lines: as [`visible`], but its line feeds stay.
pub fn visible_lines(text: &str) -> Cow<'_, str> {
    escaped(text, |c| is_obeyed(c) && c != '\n')
}

/// A path as one line.
pub fn visible_path(path: &Path) -> String {
    visible(&path.display().to_string()).into_owned()
}

fn escaped(text: &str, obeyed: impl Fn(char) -> bool) -> Cow<'_, str> {
    if !text.contains(&obeyed) {
        return Cow::Borrowed(text);
    }
    let mut shown = String::with_capacity(text.len() + 8);
    for c in text.chars() {
        if obeyed(c) { push_escape(&mut shown, c) } else { shown.push(c) }
    }
    Cow::Owned(shown)
}

fn push_escape(shown: &mut String, c: char) {
    let code = u32::from(c);
    // Writing to a string cannot fail.
    let _ = match c {
        '\n' => shown.write_str("\\n"),
        '\r' => shown.write_str("\\r"),
        '\t' => shown.write_str("\\t"),
        _ if code <= 0xffff => write!(shown, "\\u{code:04x}"),
        _ => write!(shown, "\\U{code:08x}"),
    };
}

/// Control characters, line and paragraph separators, marks and overrides of the direction of writing, invisible
/// characters of no width, and tags (Unicode Standard, general categories Cc, Zl, Zp and the harmful ones of Cf).
fn is_obeyed(c: char) -> bool {
    c.is_control()
        || matches!(
            c,
            '\u{61c}'
                | '\u{200b}'
                | '\u{200e}'
                | '\u{200f}'
                | '\u{2028}'..='\u{202e}'
                | '\u{2060}'..='\u{206f}'
                | '\u{feff}'
                | '\u{fff9}'..='\u{fffb}'
                | '\u{e0000}'..='\u{e007f}'
        )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn law_nothing_that_would_be_obeyed_is_left_and_the_rest_stays() {
        let bad = "a\u{1b}[31mb\nc\td\u{202e}e\0f\u{7f}g\u{9b}h\u{e0041}i\u{feff}";
        let shown = visible(bad);
        assert_eq!(shown, "a\\u001b[31mb\\nc\\td\\u202ee\\u0000f\\u007fg\\u009bh\\U000e0041i\\ufeff");
        assert_eq!(visible(&shown), shown, "what is shown is shown as it is");
        assert_eq!(visible_lines("a\nb\r\n"), "a\nb\\r\n");
        let good = "Müller & Söhne, 10 µH ±20 % – Ω 電感 👩‍🔧";
        assert!(matches!(visible(good), Cow::Borrowed(text) if text == good));
    }
}
