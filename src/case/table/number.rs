//! Numbers as tables write them: which mark is the decimal one and which groups thousands.

/// What a number with marks tells about them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Evidence {
    /// No mark, or none that tells anything.
    None,
    /// This mark is the decimal one.
    Decimal(char),
    /// This mark groups thousands.
    Thousands(char),
    /// This mark is either.
    Either(char),
    /// Marks that make no number.
    Wrong,
}

/// What the cells of a column say together about their marks.
#[derive(Clone, Copy, Debug, Default)]
pub struct Marks {
    decimal_point: bool,
    decimal_comma: bool,
    groups_point: bool,
    groups_comma: bool,
}

/// Why a text is no number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// Its mark may be a decimal one or group thousands.
    Either,
    /// It is none at all.
    Wrong,
}

impl Marks {
    /// Marks of a table whose decimal mark somebody has stated.
    pub fn stated(decimal: char) -> Marks {
        Marks { decimal_point: decimal == '.', decimal_comma: decimal == ',', ..Marks::default() }
    }

    /// Takes note of one number.
    pub fn see(&mut self, number: &str) {
        let (decimals, groups) = match evidence(number) {
            Evidence::Decimal(mark) => (Some(mark), None),
            Evidence::Thousands(mark) => (None, Some(mark)),
            _ => (None, None),
        };
        self.decimal_point |= decimals == Some('.');
        self.decimal_comma |= decimals == Some(',');
        self.groups_point |= groups == Some('.');
        self.groups_comma |= groups == Some(',');
    }

    /// Takes note that the numbers are whole, and that some have no mark: one that could be either then groups thousands.
    pub fn see_whole(&mut self) {
        self.groups_point |= !self.decimal_point;
        self.groups_comma |= !self.decimal_comma;
    }

    /// Whether a mark that could be either groups thousands; `None` where the column does not tell.
    fn groups(&self, mark: char) -> Option<bool> {
        let (as_decimal, as_group, other_decimal) = match mark {
            '.' => (self.decimal_point, self.groups_point, self.decimal_comma),
            _ => (self.decimal_comma, self.groups_comma, self.decimal_point),
        };
        match (as_decimal, as_group || other_decimal) {
            (true, false) => Some(false),
            (false, true) => Some(true),
            _ => None,
        }
    }

    /// The number with a decimal point and without groups.
    pub fn plain(&self, number: &str) -> Result<String, Fault> {
        let number = number.replace(['\'', '\u{2019}'], " ");
        let decimal = match evidence(&number) {
            Evidence::Wrong => return Err(Fault::Wrong),
            Evidence::None => None,
            Evidence::Decimal(mark) => Some(mark),
            Evidence::Thousands(_) => None,
            Evidence::Either(mark) if self.groups(mark).ok_or(Fault::Either)? => None,
            Evidence::Either(mark) => Some(mark),
        };
        let kept = number.chars().filter(|c| c.is_ascii_digit() || "+-".contains(*c) || Some(*c) == decimal);
        Ok(kept.map(|c| if Some(c) == decimal { '.' } else { c }).collect())
    }
}

/// What one number tells.
fn evidence(number: &str) -> Evidence {
    let body = number.trim_start_matches(['+', '-']);
    let mut marks = body.bytes().filter(|byte| !byte.is_ascii_digit());
    match (marks.next(), marks.next()) {
        (None, _) if !body.is_empty() => return Evidence::None,
        (Some(mark @ (b'.' | b',')), None) if body.len() > 1 => return one_mark(body, char::from(mark)),
        _ => {}
    }
    let body = body.replace(['\'', '\u{2019}'], " ");
    if !body.contains(|c: char| c.is_ascii_digit())
        || body.contains(|c: char| !c.is_ascii_digit() && !"., ".contains(c))
    {
        return Evidence::Wrong;
    }
    let marks: Vec<char> = body.chars().filter(|c| ".,".contains(*c)).collect();
    let spaced = body.contains(' ');
    match marks.as_slice() {
        [] if spaced => {
            if grouped(&body, ' ') {
                Evidence::None
            } else {
                Evidence::Wrong
            }
        }
        [] => Evidence::None,
        [only] if spaced => decimal_behind_groups(&body, *only, ' '),
        [only] => one_mark(&body, *only),
        [first, .., last] if spaced || first != last => decimal_behind_groups(&body, *last, *first),
        [first, ..] => {
            if grouped(&body, *first) {
                Evidence::Thousands(*first)
            } else {
                Evidence::Wrong
            }
        }
    }
}

/// A mark that stands once: between up to three digits and exactly three it may be either.
fn one_mark(body: &str, mark: char) -> Evidence {
    if grouped(body, mark) { Evidence::Either(mark) } else { Evidence::Decimal(mark) }
}

/// "1.234,5": groups, then one decimal mark.
fn decimal_behind_groups(body: &str, decimal: char, group: char) -> Evidence {
    let whole = body.split(decimal).next().unwrap_or("");
    let once = body.matches(decimal).count() == 1;
    let clean = !body.rsplit(decimal).next().unwrap_or("").contains(group) && decimal != group;
    if once && clean && grouped(whole, group) { Evidence::Decimal(decimal) } else { Evidence::Wrong }
}

/// Whether a mark separates groups of three digits, the first of one to three that do not begin with 0.
fn grouped(body: &str, mark: char) -> bool {
    let mut groups = body.split(mark);
    let first = groups.next().unwrap_or("");
    let digits = |text: &str| !text.is_empty() && text.chars().all(|c| c.is_ascii_digit());
    digits(first)
        && first.len() <= 3
        && !first.starts_with('0')
        && groups.all(|group| group.len() == 3 && digits(group))
}
