//! One line as a row of numbers.

use super::number;

/// What stands between cells.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Separator {
    Tab,
    Semicolon,
    Comma,
    Blanks,
}

impl Separator {
    pub const ALL: [Separator; 4] = [Separator::Tab, Separator::Semicolon, Separator::Comma, Separator::Blanks];

    pub fn name(self) -> &'static str {
        match self {
            Separator::Tab => "tabs",
            Separator::Semicolon => "semicolons",
            Separator::Comma => "commas",
            Separator::Blanks => "blanks",
        }
    }

    fn byte(self) -> u8 {
        match self {
            Separator::Tab => b'\t',
            Separator::Semicolon => b';',
            Separator::Comma => b',',
            Separator::Blanks => b' ',
        }
    }

    /// The cells of a line; a separator in quotation marks is none.
    pub fn split(self, line: &str) -> Vec<&str> {
        if self == Separator::Blanks {
            return line.split_whitespace().collect();
        }
        let mut quoted = false;
        let mark = char::from(self.byte());
        line.split(move |letter| {
            quoted ^= letter == '"';
            letter == mark && !quoted
        })
        .collect()
    }
}

/// How rows are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Form {
    pub separator: Separator,
    pub decimal_comma: bool,
}

impl Form {
    /// The cells of a line as numbers; `None` where one of them is none, or all are empty.
    pub fn row(self, line: &str, into: &mut Vec<f64>) -> Option<()> {
        into.clear();
        for text in self.separator.split(line) {
            into.push(number::cell(text, self.decimal_comma)?);
        }
        into.iter().any(|cell| !cell.is_nan()).then_some(())
    }

    /// The same for the line that begins at some bytes, with the length of the line and its end, where every one of `into` has a short
    /// number and nothing else stands in the line.
    #[inline]
    pub fn short_row(self, bytes: &[u8], into: &mut [f64]) -> Option<usize> {
        let point = if self.decimal_comma { b',' } else { b'.' };
        let by_blanks = self.separator == Separator::Blanks;
        let mark = self.separator.byte();
        let last = into.len() - 1;
        let mut at = skip_blanks(bytes, 0);
        for (number, cell) in into.iter_mut().enumerate() {
            let (value, length) = number::short(&bytes[at..], point)?;
            *cell = value;
            at += length;
            let behind = skip_blanks(bytes, at);
            if number == last {
                at = behind;
            } else if by_blanks {
                at = if behind > at { behind } else { return None };
            } else {
                at = if bytes.get(behind) == Some(&mark) { skip_blanks(bytes, behind + 1) } else { return None };
            }
        }
        match (bytes.get(at), bytes.get(at + 1)) {
            (Some(b'\n'), _) => Some(at + 1),
            (Some(b'\r'), Some(b'\n')) => Some(at + 2),
            _ => None,
        }
    }
}

#[inline]
fn skip_blanks(bytes: &[u8], mut at: usize) -> usize {
    while bytes.get(at) == Some(&b' ') {
        at += 1;
    }
    at
}

/// The first line of some bytes without its end, and its length with it.
pub(super) fn first_line(bytes: &[u8]) -> (&[u8], usize) {
    match bytes.iter().position(|byte| *byte == b'\n' || *byte == b'\r') {
        None => (bytes, bytes.len()),
        Some(end) => {
            let both = bytes[end] == b'\r' && bytes.get(end + 1) == Some(&b'\n');
            (&bytes[..end], end + 1 + usize::from(both))
        }
    }
}
