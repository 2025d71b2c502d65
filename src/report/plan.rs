//! The bench plan as text and on the page.

use super::number::{Scale, difference_unit, fixed, quantity, separation};
use super::soak;
use super::wrap::{capital, pad_right, push_wrapped};
use crate::judge::COVERAGE;
use crate::record::layout::{
    BenchAnswer, BenchDanger, BenchExpected, BenchHighest, BenchLine, BenchMeasurement, BenchPair, BenchPlan,
    BenchReading,
};
use maud::{Markup, html};

/// Heading of the section, a question that a person at the bench asks.
const HEADING: &str = "Bench tests";
/// Answers in the order in which they are told.
const ANSWERS: [(&str, BenchAnswer); 3] = [
    ("Differs", BenchAnswer::Differs),
    ("Equal for all", BenchAnswer::EqualForAll),
    ("No reading proposed", BenchAnswer::NoInstrument),
];

/// Appends the plan as text of at most `width` columns.
pub(super) fn push_text(out: &mut String, plan: &BenchPlan, width: usize) {
    if plan.lines.is_empty() {
        return;
    }
    out.push('\n');
    push_wrapped(out, &format!("{HEADING}: {}.", plan.summary), width, "", "  ");
    for (number, measurement) in plan.measurements.iter().enumerate() {
        push_measurement(out, number + 1, measurement, width);
    }
    if let Some(at) = &plan.soak {
        soak::push_text(out, at, width);
    }
    for danger in &plan.do_not_run {
        push_wrapped(out, &forbidden(danger), width, "  ", "    ");
    }
    for pair in &plan.left_equal {
        push_wrapped(out, &left_equal(pair), width, "  ", "    ");
    }
    for (heading, answer) in ANSWERS {
        let labels = plan.lines.iter().filter(|line| line.answer == answer).map(|line| line.label.as_str());
        let labels = labels.collect::<Vec<_>>().join("; ");
        if !labels.is_empty() {
            push_wrapped(out, &format!("{heading}: {labels}."), width, "  ", "    ");
        }
    }
    for remark in &plan.remarks {
        push_wrapped(out, remark, width, "  ", "    ");
    }
}

fn push_measurement(out: &mut String, number: usize, measurement: &BenchMeasurement, width: usize) {
    let head = format!("{number}. {}: {}", measurement.label, measurement.reading.place);
    push_wrapped(out, &head, width, "  ", "     ");
    let expected = &measurement.reading.expected;
    let scale = scale_of(&measurement.reading, &measurement.unit);
    let names = expected.iter().map(|part| part.part.chars().count()).max().unwrap_or(0);
    for part in expected {
        let value = value_with_doubt(&scale, part, &measurement.unit);
        let apart = part.from_original.map_or_else(String::new, |times| format!(", {}", from_original(times)));
        let line = format!("     - {} {value}{apart}", pad_right(&format!("{}:", part.part), names + 1));
        // The column of the names stays where the line fits; otherwise the words are wrapped.
        match line.chars().count() <= width {
            true => out.push_str(&(line + "\n")),
            false => push_wrapped(out, &format!("{}: {value}{apart}", part.part), width, "     - ", "       "),
        }
    }
    push_wrapped(out, &told(&measurement.reading), width, "     ", "     ");
    push_wrapped(out, &at_worst(&measurement.highest), width, "     ", "     ");
    for setting in &measurement.settings {
        push_wrapped(out, &format!("{}: {}", setting.what, setting.setting), width, "     ", "       ");
    }
    for caution in &measurement.cautions {
        push_wrapped(out, &format!("Caution: {caution}"), width, "     ", "       ");
    }
}

/// What a test asks of the board at its worst; empty where nothing is known.
fn at_worst(highest: &BenchHighest) -> String {
    let of = |value: Option<f64>, unit: &str| value.map(|value| quantity(value, unit));
    let known = [of(highest.current_a, "A"), of(highest.voltage_v, "V"), of(highest.winding_degc, "degC")];
    let known: Vec<String> = known.into_iter().flatten().collect();
    if known.is_empty() { String::new() } else { format!("At most, in any corner: {}.", known.join(", ")) }
}

/// A test that is not to be run.
fn forbidden(danger: &BenchDanger) -> String {
    let BenchDanger { condition, parts, reason } = danger;
    format!("Do not run {condition} with {}; decided on paper because {reason}.", parts.join(", "))
}

fn scale_of(reading: &BenchReading, unit: &str) -> Scale {
    Scale::of(reading.expected.iter().map(|part| part.value), unit)
}

/// Value and uncertainty with one unit, or with two where the uncertainty of a value has another name.
fn value_with_doubt(scale: &Scale, part: &BenchExpected, unit: &str) -> String {
    let (value, doubt) = (scale.number(part.value), scale.doubt(part.uncertainty));
    match difference_unit(unit, &scale.unit) {
        same if same == scale.unit => format!("{value} ±{doubt} {same}").trim_end().to_string(),
        other => format!("{value} {} ±{doubt} {other}", scale.unit),
    }
}

fn from_original(times: f64) -> String {
    let way = if times < 0.0 { "lower" } else { "higher" };
    match separation(times.abs()).as_str() {
        "0.0" => "the same".into(),
        times => format!("{times} times the resolution {way}"),
    }
}

/// How well a reading tells the parts apart.
fn told(reading: &BenchReading) -> String {
    let (told, total) = (reading.pairs.iter().filter(|pair| pair.told_apart).count(), reading.pairs.len());
    match reading.closest_told_apart() {
        None => format!("Distinguishes none of {total} pairs."),
        Some(pair) if total == 1 => {
            format!("Distinguishes them by {} times what the bench resolves.", separation(pair.separation))
        }
        Some(pair) => format!(
            "Distinguishes {told} of {total} pairs; the closest of them, {} and {}, by {} times what the bench resolves.",
            pair.first,
            pair.second,
            separation(pair.separation)
        ),
    }
}

/// What is to be said of a pair that the measurements leave equal.
fn left_equal(pair: &BenchPair) -> String {
    let (names, times) = (format!("{} and {}", pair.first, pair.second), separation(pair.separation));
    match (pair.told_apart, pair.separation < COVERAGE) {
        (true, _) => format!("Left equal by these: {names}; another reading distinguishes them ({times} times)."),
        (false, true) => {
            format!("Equal for this bench: {names}; at most {times} times what it resolves in any reading.")
        }
        (false, false) => {
            format!("Not known: {names}; {times} times what the bench resolves, but within the model's uncertainty.")
        }
    }
}

/// The plan as a section of the page.
pub(super) fn section(plan: &BenchPlan) -> Markup {
    html! {
        @if !plan.lines.is_empty() {
            section.plan #bench {
                h2 { (HEADING) }
                p { strong { (capital(&plan.summary)) "." } }
                @for (number, measurement) in plan.measurements.iter().enumerate() {
                    (measurement_article(number + 1, measurement))
                }
                @if let Some(at) = &plan.soak { (soak::article(at)) }
                @if !plan.do_not_run.is_empty() {
                    ul { @for danger in &plan.do_not_run { li { strong { (forbidden(danger)) } } } }
                }
                @if !plan.left_equal.is_empty() { ul { @for pair in &plan.left_equal { li { (left_equal(pair)) } } } }
                @for remark in &plan.remarks { p.sub { (remark) } }
                div.scroll tabindex="0" role="group" aria-label="Every quantity on the bench" {
                    table {
                        caption { "Every quantity, in the condition in which it tells the parts apart best" }
                        thead { tr {
                            @for head in ["Quantity", "Answer", "Condition"] { th scope="col" { (head) } }
                            @for head in ["Pairs distinguishable", "Closest of these"] { th.n scope="col" { (head) } }
                        } }
                        tbody { @for line in &plan.lines { (line_row(line)) } }
                    }
                }
                @for (reason, labels) in unread(plan) { p.sub { "No instrument reads (" (reason) "): " (labels) "." } }
            }
        }
    }
}

fn measurement_article(number: usize, measurement: &BenchMeasurement) -> Markup {
    let scale = scale_of(&measurement.reading, &measurement.unit);
    html! {
        article.measurement {
            h3 { (number) ". " (measurement.label) ": " (measurement.reading.place) }
            div.scroll tabindex="0" role="group" aria-label=(measurement.label) {
                table {
                    thead { tr {
                        th scope="col" { "Part" }
                        th.n scope="col" { "Expected" }
                        th.n scope="col" { "Against the original" }
                    } }
                    tbody { @for part in &measurement.reading.expected { tr {
                        th scope="row" { (part.part) }
                        td.n { (value_with_doubt(&scale, part, &measurement.unit)) }
                        td.n { (part.from_original.map_or_else(|| "–".to_string(), from_original)) }
                    } } }
                }
            }
            p { (told(&measurement.reading)) " " (at_worst(&measurement.highest)) }
            dl {
                @for setting in &measurement.settings { dt { (setting.what) } dd { (setting.setting) } }
                @for caution in &measurement.cautions { dt { "Caution" } dd { strong { (caution) } } }
            }
        }
    }
}

/// A line of a quantity that can be read.
fn line_row(line: &BenchLine) -> Markup {
    let answer = ANSWERS.iter().find(|(_, answer)| *answer == line.answer).map_or("", |(text, _)| *text);
    html! {
        @if let Some(reading) = &line.reading {
            tr {
                th scope="row" { (line.label) }
                td { (answer) }
                td { (short_place(reading)) }
                td.n { (reading.pairs.iter().filter(|pair| pair.told_apart).count()) " of " (reading.pairs.len()) }
                td.n { (closest(reading)) }
            }
        }
    }
}

/// Condition in few words: a step or profile is told by its name, and that of the board by none.
fn short_place(reading: &BenchReading) -> String {
    let input = reading.input_v.map(|input_v| quantity(input_v, "V"));
    let load = match reading.condition.as_str() {
        condition if ["load step", "load profile"].iter().any(|load| condition.starts_with(load)) => {
            Some(condition.into())
        }
        _ => reading.load_a.map(|load_a| quantity(load_a, "A")),
    };
    [input, load].into_iter().flatten().collect::<Vec<_>>().join(", ")
}

/// Labels of what cannot be read, by reason.
fn unread(plan: &BenchPlan) -> Vec<(&str, String)> {
    let mut found: Vec<(&str, String)> = vec![];
    for line in plan.lines.iter().filter(|line| line.reading.is_none()) {
        let reason = line.reason.as_deref().unwrap_or("no reason is stated");
        match found.iter_mut().find(|(known, _)| *known == reason) {
            Some((_, labels)) => *labels = format!("{labels}; {}", line.label),
            None => found.push((reason, line.label.clone())),
        }
    }
    found
}

/// The separation of the closest pair told apart; where none is, that of the farthest pair.
fn closest(reading: &BenchReading) -> String {
    let farthest = || reading.pairs.iter().map(|pair| pair.separation).fold(0.0, f64::max);
    match reading.closest_told_apart() {
        Some(pair) => format!("{} × resolution", separation(pair.separation)),
        None => format!("({} × at most)", fixed(farthest(), 1)),
    }
}
