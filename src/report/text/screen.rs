//! The first screen: the decision, why, what next, in few lines. What decides is never left out; rows that are only close to a limit are,
//! and lists are cut with a count of what is not shown.

use super::place::{joined, parts, short};
use super::{
    CLOSE_ROWS, LEAST_WIDTH, NOT_JUDGED, assumed_sentence, cross_check_sentence, heading, is_close, open_share,
    original_parts, other_reasons, outcome_name, state_name, to_check,
};
use crate::record::layout::{Check, Outcome, Record, State, Verdict};
use crate::record::words::lower;
use crate::report::number::RowFormat;
use crate::report::wrap::{pad_left, pad_right, wrap};

/// Lines of the screen with up to three substitutes, the line of the caller that tells where the rest is included; and for each further one.
const LINES: (usize, usize) = (40, 9);
/// Substitutes of a usual case.
const USUAL_PARTS: usize = 3;
/// Widest name before an outcome, and columns of an outcome.
const NAME: usize = 20;
const OUTCOME: usize = 11;
/// Columns of the words before a list.
const HEAD: usize = 20;
/// Narrowest and widest column of a part in the table.
const PART: (usize, usize) = (9, 13);
/// Narrowest and widest column of the labels, and columns of the limits.
const LABEL: (usize, usize) = (12, 25);
const LIMIT: usize = 6;
/// Doubts about the data that are told in full.
const MOST_DOUBTS: usize = 3;
/// What the signs of a corner say.
const SIGNS: &str = "+ high end, - low end of a tolerance; aged capacitors";

/// The first screen in lines of at most `width` columns; a longer word stands alone on its line.
pub fn comparison(record: &Record, width: usize) -> String {
    let width = width.max(LEAST_WIDTH);
    let most = LINES.0 + LINES.1 * record.verdicts.len().saturating_sub(USUAL_PARTS);
    let table = Table::of(record, width);
    let must: Vec<Vec<String>> = table.must.iter().map(|check| table.row(check)).collect();
    let mut lines = vec![];
    for spacing in [Spacing::Loose, Spacing::Tight, Spacing::Bare] {
        lines = top(record, width, spacing);
        let rest = rest(record, width, spacing);
        let fixed = lines.len() + rest.len() + table.head().len() + must.iter().map(Vec::len).sum::<usize>() + 3;
        if fixed > most && spacing != Spacing::Bare {
            continue;
        }
        let mut rows = must.clone();
        rows.extend(table.may_be(most.saturating_sub(fixed)));
        if !rows.is_empty() {
            lines.push(String::new());
            lines.extend(table.head());
            lines.extend(rows.into_iter().flatten());
        }
        lines.push(String::new());
        lines.extend(rest);
        break;
    }
    lines.iter().map(|line| format!("{}\n", line.trim_end())).collect()
}

/// How much room there is.
#[derive(Clone, Copy, PartialEq)]
enum Spacing {
    /// Everything.
    Loose,
    /// Without further reasons, without empty lines between parts.
    Tight,
    /// Without what a part that fails would need as well.
    Bare,
}

fn top(record: &Record, width: usize, spacing: Spacing) -> Vec<String> {
    let mut lines = vec![one_line(&record.case.title, width)];
    if !record.case.set.is_empty() {
        lines.extend(wrap(&record.case.set.join("; "), width, "Set: ", "  "));
    }
    let doubts: Vec<&String> = to_check(record).collect();
    for doubt in doubts.iter().take(MOST_DOUBTS) {
        lines.extend(wrap(doubt, width, "Check: ", "  "));
    }
    if doubts.len() > MOST_DOUBTS {
        lines.push(format!("Check: {} more (--data)", doubts.len() - MOST_DOUBTS));
    }
    let (begin, groups) = original_parts(&record.original);
    lines.extend(wrap(&begin, width, "", "  "));
    for (state, names) in groups {
        lines.extend(list(&format!("  {state}: "), &names, "; ", width, 1));
    }
    let name = record.verdicts.iter().map(|verdict| verdict.part.chars().count()).max().unwrap_or(0).min(NAME);
    for verdict in &record.verdicts {
        if spacing == Spacing::Loose || verdict.part == record.verdicts[0].part {
            lines.push(String::new());
        }
        lines.extend(block(verdict, (name, width), spacing));
    }
    lines
}

/// Outcome, where, what else, what next.
fn block(verdict: &Verdict, (name, width): (usize, usize), spacing: Spacing) -> Vec<String> {
    let head = format!("{}  {}", pad_right(&verdict.part, name), pad_right(outcome_name(verdict.outcome), OUTCOME));
    let indent = " ".repeat(name + 2);
    let mut lines = wrap(&verdict.sentence, width, &head, &indent);
    if !verdict.condition.is_empty() {
        let long = format!("{indent}at {}", verdict.condition);
        let fits = long.chars().count() <= width;
        lines.extend(if fits {
            vec![long]
        } else {
            wrap(&short(&verdict.condition), width, &format!("{indent}at "), &indent)
        });
    }
    if spacing == Spacing::Loose {
        lines.extend(list(&format!("{indent}also: "), &other_reasons(verdict), "; ", width, 1));
    }
    if spacing != Spacing::Bare || verdict.outcome != Outcome::Fail {
        for more in [&verdict.within, &verdict.next].into_iter().filter(|text| !text.is_empty()) {
            lines.extend(wrap(more, width, &indent, &indent));
        }
    }
    lines
}

/// What decides, and what is close to a limit, of all parts.
struct Table<'a> {
    record: &'a Record,
    /// The original first, in groups that fit beside each other.
    groups: Vec<Vec<&'a Verdict>>,
    must: Vec<&'a Check>,
    may: Vec<&'a Check>,
    label: usize,
    column: usize,
    width: usize,
}

impl<'a> Table<'a> {
    fn of(record: &'a Record, width: usize) -> Table<'a> {
        let mut must: Vec<&Check> = vec![];
        let known = |rows: &[&Check], check: &Check| rows.iter().any(|row| row.key == check.key);
        for check in record.verdicts.iter().filter_map(|verdict| verdict.checks.first()) {
            if !known(&must, check) {
                must.push(check);
            }
        }
        let mut may: Vec<&Check> = vec![];
        let close = |check: &&Check| check.state != State::Met || is_close(check);
        for check in record.verdicts.iter().flat_map(|verdict| &verdict.checks).filter(close) {
            if must.len() + may.len() < CLOSE_ROWS && !known(&must, check) && !known(&may, check) {
                may.push(check);
            }
        }
        // The original and one more part always fit.
        let label = width.saturating_sub(1 + LIMIT + 2 * (PART.0 + 1)).clamp(LABEL.0, LABEL.1);
        let room = width.saturating_sub(label + 1 + LIMIT);
        let fitting = (room / (PART.0 + 1)).max(2) - 1;
        let groups: Vec<Vec<&Verdict>> = record
            .verdicts
            .chunks(fitting)
            .map(|parts| std::iter::once(&record.original).chain(parts).collect())
            .collect();
        let most = groups.iter().map(Vec::len).max().unwrap_or(1);
        let column = (room / most).saturating_sub(1).clamp(PART.0, PART.1);
        Table { record, groups, must, may, label, column, width }
    }

    /// The line of names of the first group; the further groups bring their own.
    fn head(&self) -> Vec<String> {
        self.groups.first().map_or_else(Vec::new, |parts| self.names(parts))
    }

    /// The names of the parts in one line; in two where shortened ones could be mistaken for each other.
    fn names(&self, parts: &[&Verdict]) -> Vec<String> {
        let short: Vec<String> = parts.iter().map(|verdict| shortened(&verdict.part, self.column)).collect();
        let distinct = short.iter().enumerate().all(|(number, name)| !short[..number].contains(name));
        if distinct {
            return vec![self.line("What decides", "limit", &short)];
        }
        let halves = parts.iter().map(|verdict| halves(&verdict.part, self.column));
        let (above, below): (Vec<String>, Vec<String>) = halves.unzip();
        vec![self.line("", "", &above), self.line("What decides", "limit", &below)]
    }

    /// As many of the rows that may be left out as lines are left.
    fn may_be(&self, mut left: usize) -> Vec<Vec<String>> {
        let mut rows = vec![];
        for check in &self.may {
            let row = self.row(check);
            if row.len() <= left {
                left -= row.len();
                rows.push(row);
            }
        }
        rows
    }

    /// One check of all parts.
    fn row(&self, row: &Check) -> Vec<String> {
        let mut lines = vec![];
        for (number, parts) in self.groups.iter().enumerate() {
            if number > 0 {
                lines.extend(self.names(parts));
            }
            lines.extend(self.row_of(row, parts));
        }
        lines
    }

    /// Values, then states, and the condition of each value; the same condition stands once.
    fn row_of(&self, row: &Check, parts: &[&Verdict]) -> Vec<String> {
        let same = |check: &&Check| check.key == row.key;
        let checks: Vec<Option<&Check>> = parts.iter().map(|verdict| verdict.checks.iter().find(same)).collect();
        let format = self.record.quantities.iter().find(|known| known.quantity == row.quantity).map(RowFormat::of);
        let value = |check: &&Check| match (&format, check.value.value.number()) {
            (Some(format), Some(_)) => format.bounded(&check.value.value),
            _ => "none".into(),
        };
        let unit = format.as_ref().map_or(String::new(), |format| format.scale.unit.clone());
        let label = if unit.is_empty() { heading(row) } else { format!("{}, {unit}", heading(row)) };
        let limit = match (&format, row.limit) {
            (Some(format), Some(limit)) if row.stands_in => format.scale.number(limit.value),
            (Some(format), Some(limit)) => format.scale.short(limit.value),
            _ => String::new(),
        };
        let cells = |text: &dyn Fn(&&Check) -> String| -> Vec<String> {
            checks.iter().map(|check| check.as_ref().map_or_else(|| "-".into(), text)).collect()
        };
        let mut labels = wrap(&label, self.label, "", "  ").into_iter();
        let mut lines = vec![self.line(&labels.next().unwrap_or_default(), &limit, &cells(&value))];
        let states = cells(&|check| state_name(check.state).into());
        let conditions = conditions(parts, &checks);
        let mut second = labels.next();
        // A condition that all share stands before the states, where there is room.
        let beside = match &conditions[..] {
            [_] if second.is_none() && told(&conditions).chars().count() + 2 <= self.label + 1 + LIMIT => {
                second = Some(format!("  {}", told(&conditions)));
                true
            }
            _ => false,
        };
        lines.push(self.line(&second.unwrap_or_default(), "", &states));
        lines.extend(labels);
        if !beside && !conditions.is_empty() {
            lines.extend(wrap(&told(&conditions), self.width, "  at ", "    "));
        }
        lines
    }

    fn line(&self, label: &str, limit: &str, cells: &[String]) -> String {
        let room = self.label + 1 + LIMIT;
        let mut line = match limit {
            "" => pad_right(label, room),
            limit => format!("{} {}", pad_right(label, self.label), pad_left(limit, LIMIT)),
        };
        for cell in cells {
            line.push(' ');
            line.push_str(&pad_left(cell, self.column));
        }
        line
    }
}

/// A setting with a corner, and the parts whose value is of it.
type Shared<'a> = ((String, String), Vec<&'a str>);

/// The conditions of the values of a row, each once, that of most parts first.
fn conditions<'a>(verdicts: &[&'a Verdict], checks: &[Option<&Check>]) -> Vec<Shared<'a>> {
    let mut groups: Vec<Shared> = vec![];
    for (verdict, check) in verdicts.iter().zip(checks).filter_map(|(verdict, check)| Some((verdict, check.as_ref()?)))
    {
        let place = parts(&check.place);
        match groups.iter_mut().find(|(known, _)| *known == place) {
            Some((_, names)) => names.push(&verdict.part),
            None => groups.push((place, vec![&verdict.part])),
        }
    }
    groups.retain(|((setting, corner), _)| !setting.is_empty() || !corner.is_empty());
    groups.sort_by_key(|(_, names)| std::cmp::Reverse(names.len())); // stable
    groups
}

/// The condition that most parts share, then the others with their parts: only the corner where the setting is the same.
fn told(conditions: &[Shared<'_>]) -> String {
    let Some((first, _)) = conditions.first() else { return String::new() };
    let other = |(place, names): &Shared<'_>| match place.0 == first.0 {
        true => format!("; {} {}", names.join(", "), place.1),
        false => format!("; {} {}", names.join(", "), joined(place)),
    };
    joined(first) + &conditions[1..].iter().map(other).collect::<String>()
}

/// Least letters of the begin of a shortened name.
const BEGIN: usize = 3;
/// What stands for the letters that are left out.
const LEFT_OUT: &str = "..";

/// A name in a column without its middle where it is wider: names often differ in what follows the last dash.
fn shortened(name: &str, column: usize) -> String {
    let letters: Vec<char> = name.chars().collect();
    if letters.len() <= column {
        return name.into();
    }
    let most = column - LEFT_OUT.len() - BEGIN;
    let dash = letters.iter().rposition(|letter| *letter == '-').map(|at| letters.len() - at);
    let end = dash.filter(|end| *end <= most).unwrap_or(most);
    let begin = column - LEFT_OUT.len() - end;
    letters[..begin]
        .iter()
        .chain(&LEFT_OUT.chars().collect::<Vec<_>>())
        .chain(&letters[letters.len() - end..])
        .collect()
}

/// A name in a column on two lines, the second its end.
fn halves(name: &str, column: usize) -> (String, String) {
    let letters: Vec<char> = name.chars().collect();
    let (begin, end) = letters.split_at(letters.len().saturating_sub(column));
    (begin.iter().rev().take(column).rev().collect(), end.iter().collect())
}

fn rest(record: &Record, width: usize, spacing: Spacing) -> Vec<String> {
    let mut lines = vec![];
    let head = |text: &str| pad_right(text, HEAD);
    let mut say = |title: &str, items: &[String], between: &str, most: usize| {
        lines.extend(list(&head(title), items, between, width, most));
    };
    let roomy = if spacing == Spacing::Loose { 2 } else { 1 };
    // Nobody accepts the changes of a part that fails.
    let accepted = record.verdicts.iter().filter(|verdict| verdict.outcome != Outcome::Fail);
    let changes: Vec<String> =
        accepted.filter_map(|verdict| Some(format!("{}: {}", verdict.part, verdict.changes.first()?))).collect();
    say("Changes to accept", &changes, "; ", roomy);
    say("Assumed data", &[assumed_sentence(record)], "", roomy);
    let tests = record.bench_plan.measurements.iter().enumerate();
    let mut tests: Vec<String> =
        tests.map(|(i, test)| format!("{}. {} ({})", i + 1, lower(&test.label), test.reading.place)).collect();
    if let (Some(first), Some(soak)) = (tests.first_mut(), soak_first(record)) {
        *first = format!("{soak}, then {first}");
    }
    say("Bench tests", &tests, "  ", roomy);
    say("Do not run", &forbidden(record), "; ", roomy);
    say("Not asked", &record.original.not_asked, ", ", 1);
    say("Not judged", &[NOT_JUDGED.into()], "", 1);
    say("Open checks", &[open_share(record)], "", 1);
    if record.verdicts.iter().flat_map(|verdict| &verdict.checks).any(|check| short(&check.place) != check.place) {
        say("Corners", &[SIGNS.into()], "", 1);
    }
    for check in &record.cross_check {
        lines.extend(wrap(&cross_check_sentence(check), width, &head("Cross-check"), &head("")));
    }
    lines.extend(wrap("--quantities, --part NAME, --bench-tests, --data", width, &head("More"), &head("")));
    lines
}

/// How long the board is to run before anything that heat moves is read.
fn soak_first(record: &Record) -> Option<String> {
    let soak = record.bench_plan.soak.as_ref()?;
    let steady = soak.parts.iter().filter_map(|part| part.steady_min);
    let (least, most) = steady.map(|at| (at.least, at.most)).reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))?;
    Some(format!("soak {:.0} min (steady after {least:.0} to {most:.0})", soak.minutes))
}

/// What is not to be run, with the parts with which it is not.
fn forbidden(record: &Record) -> Vec<String> {
    let mut all: Vec<(&str, Vec<&str>)> = vec![];
    for danger in &record.bench_plan.do_not_run {
        let parts = danger.parts.iter().map(String::as_str);
        match all.iter_mut().find(|(condition, _)| *condition == danger.condition) {
            Some((_, known)) => known.extend(parts),
            None => all.push((&danger.condition, parts.collect())),
        }
    }
    let whose = |parts: &[&str]| match record.parts.iter().all(|part| parts.contains(&part.name.as_str())) {
        true => "any part".to_string(),
        false => parts.join(", "),
    };
    all.iter_mut()
        .map(|(condition, parts)| {
            parts.dedup();
            format!("{condition} with {}", whose(parts))
        })
        .collect()
}

/// Items in a row, on at most some lines; what does not fit is counted. Nothing where there are none.
fn list(head: &str, items: &[String], between: &str, width: usize, most: usize) -> Vec<String> {
    let rest = " ".repeat(head.chars().count());
    let with = |count: usize| {
        let mut text = items[..count].join(between);
        if count < items.len() {
            text += &format!("{between}and {} more", items.len() - count);
        }
        wrap(&text, width, head, &rest)
    };
    if items.is_empty() || items.iter().all(String::is_empty) {
        return vec![];
    }
    // The first is always told.
    (1..=items.len()).rev().map(with).find(|lines| lines.len() <= most).unwrap_or_else(|| with(1))
}

/// A text on one line, cut at a word where it is too long.
fn one_line(text: &str, width: usize) -> String {
    let lines = wrap(text, width, "", "");
    match &lines[..] {
        [line] => line.clone(),
        _ => wrap(text, width.saturating_sub(4), "", "")[0].clone() + " ...",
    }
}
