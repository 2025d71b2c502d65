//! Which test would show it: the measurements that tell the parts apart best on the stated bench.
//!
//! The rule: docs/physics.md, "bench plan".

mod safety;
mod settings;
mod soak;

use super::layout::{
    BenchAnswer, BenchExpected, BenchLine, BenchMeasurement, BenchPair, BenchPlan, BenchReading, BenchSoak,
};
use super::words::{self, say};
use crate::condition;
use crate::condition::figures::{Figures, PartFigures, Place};
use crate::condition::stand::Stand;
use crate::judge::sight::sights;
use crate::judge::{COVERAGE, Row};
use crate::model::case::Case;
use crate::model::corner::{CORNERS, NOMINAL};
use crate::quantity::Quantity;
use settings::Method;
pub use settings::step_125;

/// Most measurements that are proposed: a third costs more at the bench than it tells.
const MOST_MEASUREMENTS: usize = 2;

/// A number of a part with the figures in which it stands.
#[derive(Clone, Copy)]
struct Found<'a> {
    value: f64,
    figures: &'a Figures,
}

/// A quantity in one condition: what every part shows there.
struct Reading<'a> {
    quantity: &'static Quantity,
    method: Method,
    /// Number of a part, its value, and the condition of that part.
    values: Vec<(usize, Found<'a>)>,
    pairs: Vec<Pair>,
}

/// Two parts, by number, and how far apart they read.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Pair {
    parts: (usize, usize),
    separation: f64,
    told_apart: bool,
}

/// The plan for the rows of a comparison. Only simulated conditions of nominal parts are proposed, and only such as a bench can set.
pub fn plan(case: &Case, parts: &[PartFigures], rows: &[Row]) -> BenchPlan {
    let mut all: Vec<Reading<'_>> = vec![];
    let mut lines = vec![];
    for quantity in rows.iter().map(|row| row.quantity) {
        let found = Method::of(quantity).map(|method| readings(case, parts, quantity, method));
        lines.push(line(case, parts, quantity, found.as_deref().map_err(|reason| *reason)));
        all.extend(found.unwrap_or_default());
    }
    let mut open = pairs_of(parts.len());
    let mut chosen: Vec<&Reading<'_>> = vec![];
    while chosen.len() < MOST_MEASUREMENTS {
        let Some(next) = best(&all, |pair| open.contains(&pair.parts)).filter(|reading| reading.tells(&open)) else {
            break;
        };
        open.retain(|parts| !next.pairs.iter().any(|pair| pair.parts == *parts && pair.told_apart));
        chosen.push(next);
    }
    let soak = soak::soak(case, parts);
    BenchPlan {
        summary: summary(parts, &chosen, &open),
        measurements: chosen.iter().map(|reading| reading.measurement(case, parts, soak.as_ref())).collect(),
        do_not_run: safety::do_not_run(case, parts),
        left_equal: open.iter().map(|pair| farthest(&all, parts, *pair)).collect(),
        remarks: remarks(case, soak.as_ref()),
        lines,
        soak,
    }
}

fn pairs_of(parts: usize) -> Vec<(usize, usize)> {
    (0..parts).flat_map(|a| (a + 1..parts).map(move |b| (a, b))).collect()
}

/// Every condition in which at least two parts have a value of the quantity.
fn readings<'a>(
    case: &Case,
    parts: &'a [PartFigures],
    quantity: &'static Quantity,
    method: Method,
) -> Vec<Reading<'a>> {
    let mut conditions: Vec<Vec<(usize, Found<'a>)>> = vec![];
    for (index, part) in parts.iter().enumerate() {
        for seen in sights(case, part, quantity) {
            let (Some(value), figures) = (seen.value.exact(), seen.figures) else { continue };
            if !can_be_run(case, quantity.id, (index, part), figures) {
                continue;
            }
            let found = Found { value, figures };
            match conditions.iter_mut().find(|group| group[0].1.figures.place == figures.place) {
                Some(group) => group.push((index, found)),
                None => conditions.push(vec![(index, found)]),
            }
        }
    }
    conditions.into_iter().filter_map(|values| Reading::new(case, quantity, method, values)).collect()
}

/// Whether a bench can set the condition for a quantity and everything survives it: no corners of tolerance, only what the condition
/// itself calls readable, and no rating that is passed in any corner.
fn can_be_run(case: &Case, id: &str, (index, part): (usize, &PartFigures), figures: &Figures) -> bool {
    let ordinary = condition::find(figures.place.condition).is_some_and(|condition| condition.can_be_read(id));
    ordinary && figures.place.corner == NOMINAL && safety::is_safe(case, part, index, &figures.place)
}

/// The expected value at the bench's own ambient, where that is another than the board's.
fn at_the_bench(case: &Case, index: usize, quantity: &Quantity, place: &Place) -> Option<f64> {
    let ambient_degc = case.bench.ambient_degc.filter(|degc| *degc != case.board.ambient_degc)?;
    let mut bench = case.clone();
    bench.board.ambient_degc = ambient_degc;
    let stand = Stand::new(&bench, &bench.parts[index], CORNERS[0], place.input_v?);
    condition::find(place.condition)?.simulate(&stand, *place).ok()?.figures.number(quantity.id)
}

impl<'a> Reading<'a> {
    fn new(
        case: &Case,
        quantity: &'static Quantity,
        method: Method,
        values: Vec<(usize, Found<'a>)>,
    ) -> Option<Reading<'a>> {
        let pairs: Option<Vec<Pair>> = pairs_of(values.len())
            .into_iter()
            .map(|(a, b)| {
                let (a, b) = (&values[a], &values[b]);
                let difference = (a.1.value - b.1.value).abs();
                // The larger reading has the larger error.
                let larger = if a.1.value.abs() > b.1.value.abs() { a.1.value } else { b.1.value };
                let resolution = resolution(case, quantity, larger)?;
                // Below it the model does not know which part is the larger.
                let doubt = quantity.uncertainty_of_difference(larger, case.board.ambient_degc);
                let told_apart = difference >= COVERAGE * resolution && difference > doubt;
                Some(Pair { parts: (a.0, b.0), separation: difference / resolution, told_apart })
            })
            .collect();
        let pairs = pairs.filter(|pairs| !pairs.is_empty())?;
        Some(Reading { quantity, method, values, pairs })
    }

    /// Pairs told apart among the wanted ones; then the smallest separation of these, or where there are none the largest of all.
    fn merit(&self, wanted: impl Fn(&Pair) -> bool) -> (usize, f64) {
        let wanted: Vec<&Pair> = self.pairs.iter().filter(|pair| wanted(pair)).collect();
        let told: Vec<f64> = wanted.iter().filter(|pair| pair.told_apart).map(|pair| pair.separation).collect();
        match told.len() {
            0 => (0, wanted.iter().map(|pair| pair.separation).fold(0.0, f64::max)),
            count => (count, told.into_iter().fold(f64::INFINITY, f64::min)),
        }
    }

    fn tells(&self, open: &[(usize, usize)]) -> bool {
        self.pairs.iter().any(|pair| pair.told_apart && open.contains(&pair.parts))
    }

    fn record(&self, case: &Case, parts: &[PartFigures]) -> BenchReading {
        let at = &self.values[0].1.figures.place;
        let original = self.values.iter().find(|(index, _)| parts[*index].original).map(|(_, found)| found.value);
        let expected = self.values.iter().map(|(index, found)| BenchExpected {
            part: parts[*index].name.clone(),
            value: found.value,
            uncertainty: self.quantity.uncertainty(found.value, case.board.ambient_degc),
            from_original: original.filter(|_| !parts[*index].original).and_then(|original| {
                let larger = found.value.abs().max(original.abs());
                Some((found.value - original) / resolution(case, self.quantity, larger)?)
            }),
        });
        BenchReading {
            condition: words::kind(case, at),
            input_v: at.input_v,
            load_a: at.load_a,
            place: place(case, at),
            expected: expected.collect(),
            pairs: self.pairs.iter().map(|pair| pair.record(parts)).collect(),
            smallest_separation: self.pairs.iter().map(|pair| pair.separation).fold(f64::INFINITY, f64::min),
        }
    }

    /// The expected values at the bench's ambient and of temperatures at the end of the soak; which pairs are told apart stays as it was at
    /// the board's ambient and settled.
    fn warm(&self, case: &Case, soak: Option<&BenchSoak>, mut reading: BenchReading) -> BenchReading {
        let place = self.values[0].1.figures.place;
        let ambient_degc = case.bench.ambient_degc.unwrap_or(case.board.ambient_degc);
        for (expected, (index, _)) in reading.expected.iter_mut().zip(&self.values) {
            if let Some(value) = at_the_bench(case, *index, self.quantity, &place) {
                expected.value = value;
                expected.uncertainty = self.quantity.uncertainty(value, ambient_degc);
            }
            let settings = soak.zip(place.input_v.zip(place.load_a)).filter(|_| self.quantity.unit == "degC");
            let to_come_k = settings.and_then(|(soak, at)| soak::still_to_come_k(case, *index, at, soak.minutes));
            expected.value -= to_come_k.unwrap_or(0.0);
        }
        reading
    }

    fn measurement(&self, case: &Case, parts: &[PartFigures], soak: Option<&BenchSoak>) -> BenchMeasurement {
        let at = settings::At {
            case,
            quantity: self.quantity,
            values: self.values.iter().map(|(_, found)| found.value).collect(),
            conditions: self.values.iter().map(|(_, found)| found.figures).collect(),
            names: self.values.iter().map(|(index, _)| parts[*index].name.as_str()).collect(),
            of: self.values.iter().map(|(index, _)| *index).collect(),
            soak,
        };
        BenchMeasurement {
            quantity: self.quantity.id.into(),
            label: self.quantity.label.into(),
            unit: self.quantity.unit.into(),
            reading: self.warm(case, soak, self.record(case, parts)),
            highest: safety::highest(self.values.iter().map(|(index, _)| &parts[*index]), &at.conditions[0].place),
            settings: self.method.settings(&at),
            screen: self.method.screen(&at),
            cautions: self.method.cautions(&at),
        }
    }
}

impl Pair {
    fn record(&self, parts: &[PartFigures]) -> BenchPair {
        BenchPair {
            first: parts[self.parts.0].name.clone(),
            second: parts[self.parts.1].name.clone(),
            separation: self.separation,
            told_apart: self.told_apart,
        }
    }
}

/// What the bench resolves of a quantity at a value; `None` where it states nothing, or nothing that could be divided by.
fn resolution(case: &Case, quantity: &Quantity, value: f64) -> Option<f64> {
    quantity.bench_resolution(&case.bench, value).filter(|resolution| *resolution > 0.0)
}

/// The best reading for the wanted pairs; the first of equals, which is the one earlier in the list of quantities.
fn best<'b, 'a>(all: &'b [Reading<'a>], wanted: impl Fn(&Pair) -> bool) -> Option<&'b Reading<'a>> {
    let better = |a: (usize, f64), b: (usize, f64)| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)).is_gt();
    all.iter().reduce(|kept, next| if better(next.merit(&wanted), kept.merit(&wanted)) { next } else { kept })
}

/// A pair with the largest separation that any reading has for it.
fn farthest(all: &[Reading<'_>], parts: &[PartFigures], wanted: (usize, usize)) -> BenchPair {
    let none = Pair { parts: wanted, separation: 0.0, told_apart: false };
    let order = |a: &Pair, b: &Pair| a.told_apart.cmp(&b.told_apart).then(a.separation.total_cmp(&b.separation));
    let pairs = all.iter().flat_map(|reading| &reading.pairs).filter(|pair| pair.parts == wanted).copied();
    pairs.max_by(order).unwrap_or(none).record(parts)
}

fn line(
    case: &Case,
    parts: &[PartFigures],
    quantity: &Quantity,
    readings: Result<&[Reading<'_>], &'static str>,
) -> BenchLine {
    let (answer, reason, reading) = match readings.map(|readings| best(readings, |_| true)) {
        Err(reason) => (BenchAnswer::NoInstrument, Some(reason), None),
        Ok(None) => (BenchAnswer::NoInstrument, Some("no condition that a bench can set holds two values of it"), None),
        Ok(Some(reading)) if reading.pairs.iter().any(|pair| pair.told_apart) => {
            (BenchAnswer::Differs, None, Some(reading))
        }
        Ok(Some(reading)) => (BenchAnswer::EqualForAll, None, Some(reading)),
    };
    BenchLine {
        quantity: quantity.id.into(),
        label: quantity.label.into(),
        unit: quantity.unit.into(),
        answer,
        reason: reason.map(str::to_string),
        reading: reading.map(|reading| reading.record(case, parts)),
    }
}

/// What to set, in words.
fn place(case: &Case, at: &Place) -> String {
    let input = at.input_v.map_or_else(String::new, |input_v| format!("{} input, ", say(input_v, "V")));
    match (at.condition, case.board.step(at.load), case.board.profile(at.load)) {
        ("load step", Some(step), _) => {
            let held = if step.every_s.is_some() { "the upper level" } else { "each level" };
            let (kind, levels) = (words::kind(case, at), words::step_levels(&step));
            format!("{input}{kind} {levels}, {held} held for {}", say(step.hold_s, "s"))
        }
        ("load profile", _, Some(profile)) => {
            format!("{input}{} {}", words::kind(case, at), words::profile_levels(profile))
        }
        _ => format!("{input}{} load", say(at.load_a.unwrap_or(0.0), "A")),
    }
}

fn summary(parts: &[PartFigures], chosen: &[&Reading<'_>], open: &[(usize, usize)]) -> String {
    let total = pairs_of(parts.len()).len();
    if total == 0 {
        return "there is only one part".into();
    }
    if chosen.is_empty() {
        return "equal for all candidates: in no condition that a bench can set does the stated bench tell two of these parts apart"
            .into();
    }
    let what: Vec<String> = chosen.iter().map(|reading| format!("\"{}\"", reading.quantity.label)).collect();
    let told = match (total - open.len(), total) {
        (1, 1) => "tells the two parts apart".to_string(),
        (told, _) if told == total => format!("tells all {total} pairs of parts apart"),
        (told, _) => format!("tells {told} of {total} pairs of parts apart"),
    };
    let rest = match (open.is_empty(), chosen.len()) {
        (true, _) => "",
        (false, MOST_MEASUREMENTS) => "; the rest is left equal by these two",
        (false, _) => "; the rest is equal for this bench",
    };
    format!("{} {}{rest}", what.join(", then "), if what.len() > 1 { told.replace("tells", "tell") } else { told })
}

fn remarks(case: &Case, soak: Option<&BenchSoak>) -> Vec<String> {
    let tolerance = case.parts.iter().map(|part| part.tolerance).fold(0.0, f64::max);
    let mut remarks = vec![
        format!(
            "Told apart: at least {COVERAGE} times what the stated bench resolves, and more than the model's uncertainty of \
             a difference."
        ),
        format!(
            "Expected values hold for parts of nominal data, fresh capacitors, {} ambient and a board that has run warm for {:.0} min; \
             most of their uncertainty is common to all parts.",
            say(case.bench.ambient_degc.unwrap_or(case.board.ambient_degc), "degC"),
            soak.map_or(settings::WARM_UP_MIN, |soak| soak.minutes)
        ),
    ];
    if tolerance > 0.0 {
        remarks.push(format!(
            "A part in hand may be off by its tolerance (up to ±{} in inductance), which can hide or feign a difference: \
             measure inductance and resistance of each part first, and test on the same board.",
            say(tolerance, "fraction").replace(".0 %", " %")
        ));
    }
    remarks.push("Settings of instruments are common practice, chosen from the expected values.".into());
    remarks
}
