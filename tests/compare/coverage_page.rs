//! How often a random draw of all doubtful printed data lies within the stated uncertainty of the value shown: docs/coverage.md, written by
//! `PRESOLDER_FREEZE=1 cargo test --release --test compare coverage_page`; without the variable the page is held to what it must
//! show.

use super::corners::{bad, case_with};
use presolder::condition::contract::Condition;
use presolder::condition::figures::Place;
use presolder::condition::known::Known;
use presolder::condition::stand::Stand;
use presolder::condition::{self};
use presolder::corridor::{self, Comparison, Depth};
use presolder::judge::COVERAGE;
use presolder::judge::finding::{Asked, Finding};
use presolder::judge::sight::{Effect, expanded, margin, sights};
use presolder::model::case::Case;
use presolder::model::doubt::{Doubt, Nature, Owner, doubts};
use presolder::quantity::{Limit, Quantity, Side};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};
use rayon::prelude::*;
use std::f64::consts::TAU;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

const BOARDS: [&str; 2] = ["oven-panel", "valve-controller"];
/// The first substitute, beside the original.
const PART: usize = 1;
const SEED: u64 = 40_427;
/// Draws, where the environment asks for no other number.
const DRAWS: u64 = 2000;
/// Share of its limit that a check uses for its printed data to be moved at all: docs/method.md, "tolerances and uncertainty".
const EXAMINED: f64 = 0.6;
/// What twice the standard uncertainty covers of a normal spread is 95.4 %; 2000 draws find it within 0.5 % (one standard deviation), and the
/// root of the sum of squares takes effects as straight lines.
const LEAST_COVERED: f64 = 0.93;
/// More than this share is covered only where one rectangular datum gives most of the variance: its half width covers all of it.
const MOST_COVERED: f64 = 0.97;
/// Standard deviations by which a share found in draws may lie above that.
const BY_CHANCE: f64 = 2.0;
/// Data that are printed of each check.
const PRINTED: usize = 5;

/// A check whose uncertainty is stated.
struct Held {
    quantity: &'static Quantity,
    place: Place,
    shown: f64,
    /// Expanded uncertainty as stated, before its floor: towards what is worse, and towards what is better.
    stated: (f64, f64),
    /// The same of the printed data alone.
    of_data: f64,
    /// Standard uncertainty of the model's own share.
    model: f64,
    /// The largest datum, its share of the variance, and whether it is rectangular.
    largest: Option<(String, f64, bool)>,
    effects: Vec<Effect>,
}

impl Held {
    /// Whether a number lies within the stated uncertainty of the one shown.
    fn holds(&self, number: f64) -> bool {
        let worse = bad(self.quantity.side, number) - bad(self.quantity.side, self.shown);
        -self.stated.1 <= worse && worse <= self.stated.0
    }

    /// The change for one standard uncertainty of a datum, as it is stated.
    fn stated_of(&self, doubt: &Doubt) -> Option<f64> {
        let is_it = |effect: &&Effect| effect.datum.key() == doubt.key && effect.datum.rule.label == doubt.rule.label;
        self.effects.iter().find(is_it).map(|effect| effect.change)
    }
}

/// A check with the shares of draws that its intervals cover.
struct Line {
    held: Held,
    stated: f64,
    of_data: f64,
}

struct Study {
    name: &'static str,
    part: String,
    data: usize,
    draws: u64,
    lines: Vec<Line>,
}

fn page() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/coverage.md")
}

/// Checks that a run decides, close enough to their limit for the doubts about printed data to be looked at.
fn is_held(finding: &&Finding) -> bool {
    let simulated = condition::find(finding.place.condition).is_some_and(|condition| !condition.is_data());
    let close = finding
        .value
        .value
        .exact()
        .zip(finding.limit)
        .is_some_and(|(number, limit)| margin(number, &limit) <= (1.0 - EXAMINED) * limit.value.abs());
    let counts = finding.quantity.unit.is_empty() || finding.stands_in;
    simulated && close && !counts && matches!(finding.asked, Asked::Requirement(_))
}

fn held(comparison: &Comparison, finding: &Finding) -> Option<Held> {
    let (case, quantity) = (&comparison.case, finding.quantity);
    let all = sights(case, &comparison.parts[PART], quantity);
    let sight = all.iter().find(|sight| sight.figures.place == finding.place)?;
    let (shown, ambient_degc) = (sight.value.exact()?, case.board.ambient_degc);
    let model = quantity.uncertainty(shown, ambient_degc) / COVERAGE;
    // A limit that is far away to either side: each side of U is of its own direction.
    let towards = |is_worse: bool| {
        let far = if is_worse == (quantity.side == Side::AtLeast) { f64::NEG_INFINITY } else { f64::INFINITY };
        sight.uncertainty(quantity, ambient_degc, Some(&Limit { value: far, side: quantity.side, stated: false }))
    };
    Some(Held {
        quantity,
        place: finding.place,
        shown,
        stated: (towards(true), towards(false)),
        of_data: expanded(sight.effects.iter().map(|effect| (effect.change, effect.half_width)), 0.0),
        model,
        largest: largest(&sight.effects, model),
        effects: sight.effects.clone(),
    })
}

fn largest(effects: &[Effect], model: f64) -> Option<(String, f64, bool)> {
    let variance = effects.iter().map(|effect| effect.change.powi(2)).sum::<f64>() + model * model;
    let most = effects.iter().max_by(|a, b| a.change.abs().total_cmp(&b.change.abs()))?;
    Some((most.datum.rule.label.into(), most.change.powi(2) / variance, most.half_width.is_some()))
}

/// What is doubtful about the part, as a comparison takes it: a reading of the original tells of the board's cooling.
fn doubts_of(case: &Case) -> Vec<Doubt> {
    let mut all = doubts(case, PART);
    if let Some(cooling) = case.cooling {
        let of_cooling = |doubt: &&mut Doubt| doubt.rule.key == "thermal_resistance" && doubt.owner == Owner::Board;
        for doubt in all.iter_mut().filter(of_cooling) {
            doubt.nature = Nature::Spread { standard: cooling.board * doubt.shown, rectangular: false };
        }
    }
    all.retain(|doubt| matches!(doubt.nature, Nature::Spread { .. }));
    all
}

/// A number between 0 and 1, neither of them.
fn uniform(random: &mut ChaCha8Rng) -> f64 {
    ((random.next_u64() >> 12) as f64 + 0.5) / (1u64 << 52) as f64
}

/// A standard normal number, by the method of Box and Muller.
fn normal(random: &mut ChaCha8Rng) -> f64 {
    (-2.0 * uniform(random).ln()).sqrt() * (TAU * uniform(random)).cos()
}

/// The case with its part and board as one draw has them, each datum as the rule means it, and by how many standard uncertainties each is off.
fn drawn(case: &Case, all: &[Doubt], random: &mut ChaCha8Rng) -> (Case, Vec<f64>) {
    let fitted = case.original().cloned().map(Box::new);
    let mut drawn = Case { parts: vec![case.parts[PART].clone()], fitted, ..case.clone() };
    let mut off = vec![];
    for doubt in all {
        let Nature::Spread { standard, rectangular } = doubt.nature else { continue };
        let by = if rectangular { 3f64.sqrt() * (2.0 * uniform(random) - 1.0) } else { normal(random) };
        doubt.set(&mut drawn.board, &mut drawn.parts[0], doubt.shown + by * standard);
        off.push(by);
    }
    (drawn, off)
}

/// Numbers of the checks in one draw, with what the model adds and without.
fn numbers(drawn: &Case, all: &[Held], known: &[(Place, Known)], random: &mut ChaCha8Rng) -> Draw {
    let run = |(place, known): &(Place, Known)| {
        let input_v = place.input_v.unwrap_or(drawn.board.nominal_input_v);
        let stand = Stand::beside(drawn, &drawn.parts[0], place.corner, input_v, known.elsewhere());
        let condition: &dyn Condition = condition::find(place.condition)?;
        Some((*place, condition.simulate(&stand, *place).ok()?.figures))
    };
    let found: Vec<_> = known.iter().filter_map(run).collect();
    let number = |held: &Held| {
        let by_model = held.model * normal(random);
        let figures = &found.iter().find(|(place, _)| *place == held.place)?.1;
        let number = figures.value(held.quantity.id)?.exact()?;
        Some((number + by_model, number))
    };
    all.iter().map(number).collect()
}

/// Each place once, with what a run of it as the data are shown knows.
fn places(case: &Case, all: &[Held]) -> Vec<(Place, Known)> {
    let mut places: Vec<(Place, Known)> = vec![];
    for held in all {
        if places.iter().all(|(place, _)| *place != held.place) {
            let input_v = held.place.input_v.unwrap_or(case.board.nominal_input_v);
            let stand = Stand::new(case, &case.parts[PART], held.place.corner, input_v);
            let _ = condition::find(held.place.condition).map(|condition| condition.simulate(&stand, held.place));
            places.push((held.place, stand.into_known()));
        }
    }
    places
}

/// What a draw gives of each check: with what the model adds, and without.
type Draw = Vec<Option<(f64, f64)>>;

/// Prints which data move a check most over all draws (the slope of a straight line through them), beside the change that is stated of each.
fn print_effects(number: usize, held: &Held, data: &[Doubt], offs: &[Vec<f64>], found: &[Draw]) {
    let pairs: Vec<(&Vec<f64>, f64)> =
        offs.iter().zip(found).filter_map(|(off, draw)| Some((off, draw[number]?.1))).collect();
    let count = pairs.len() as f64;
    let mean = pairs.iter().map(|(_, value)| value).sum::<f64>() / count;
    let deviation = (pairs.iter().map(|(_, value)| (value - mean).powi(2)).sum::<f64>() / count).sqrt();
    println!(
        "{} in {}: shown {:.5e}, mean {mean:.5e}, standard deviation {deviation:.3e}, U of the data {:.3e}",
        held.quantity.id, held.place.corner, held.shown, held.of_data
    );
    let slope = |datum: usize| {
        let square = pairs.iter().map(|(off, _)| off[datum].powi(2)).sum::<f64>();
        pairs.iter().map(|(off, value)| off[datum] * (value - mean)).sum::<f64>() / square
    };
    let mut slopes: Vec<(usize, f64)> = (0..data.len()).map(|datum| (datum, slope(datum))).collect();
    slopes.sort_by(|a, b| b.1.abs().total_cmp(&a.1.abs()));
    for (datum, slope) in slopes.into_iter().take(PRINTED) {
        let stated = held.stated_of(&data[datum]).map_or("none".into(), |change| format!("{change:.3e}"));
        println!("    {} ({}): {slope:.3e} over the draws, {stated} stated", data[datum].key, data[datum].rule.label);
    }
}

fn study(name: &'static str, draws: u64) -> Study {
    let case = case_with(name, PART + 1);
    let comparison = corridor::compare(&case, Depth::Full, &|_, _| {}).unwrap_or_else(|failure| panic!("{failure}"));
    let case = &comparison.case;
    let findings = comparison.verdicts[PART].findings.iter().filter(is_held);
    let mut all: Vec<Held> = findings.filter_map(|finding| held(&comparison, finding)).collect();
    // What two requirements ask stands once.
    let mut met = vec![];
    all.retain(|held| {
        let new = !met.contains(&(held.quantity.id, held.place));
        met.push((held.quantity.id, held.place));
        new
    });
    let (data, known) = (doubts_of(case), places(case, &all));
    let one = |number: u64| {
        let mut random = ChaCha8Rng::seed_from_u64(SEED);
        random.set_stream(number);
        let (drawn, off) = drawn(case, &data, &mut random);
        (off, numbers(&drawn, &all, &known, &mut random))
    };
    let (offs, found): (Vec<Vec<f64>>, Vec<Draw>) = (0..draws).into_par_iter().map(one).unzip();
    all.iter().enumerate().for_each(|(number, held)| print_effects(number, held, &data, &offs, &found));
    let share = |number: usize, within: &dyn Fn((f64, f64)) -> bool| {
        found.iter().filter(|draw| draw[number].is_some_and(within)).count() as f64 / draws as f64
    };
    let shares: Vec<(f64, f64)> = all
        .iter()
        .enumerate()
        .map(|(number, held)| {
            let stated = share(number, &|(with, _)| held.holds(with));
            (stated, share(number, &|(_, data)| (data - held.shown).abs() <= held.of_data))
        })
        .collect();
    let lines = all.into_iter().zip(shares).map(|(held, (stated, of_data))| Line { held, stated, of_data });
    Study { name, part: case.parts[PART].name.clone(), data: data.len(), draws, lines: lines.collect() }
}

impl Study {
    fn section(&self) -> String {
        let mut text = format!(
            "\n## {}\n\n{}: {} printed data drawn, {} draws, seed {SEED}.\n\n",
            self.name, self.part, self.data, self.draws
        );
        text.push_str("| check | where | shown | U | within U, % | U of the data | within, % | largest datum | of the variance, % | |\n");
        text.push_str("|---|---|---|---|---|---|---|---|---|---|\n");
        for line in &self.lines {
            let Line { held: Held { quantity, place, shown, stated: (stated, _), of_data, largest, .. }, .. } = line;
            let (label, unit) = (quantity.label, quantity.unit);
            let (datum, share, rectangular) = largest.clone().unwrap_or_else(|| ("none".into(), 0.0, false));
            let (within, within_data) = (100.0 * line.stated, 100.0 * line.of_data);
            let kind = if rectangular { "rectangular" } else { "" };
            writeln!(
                text,
                "| {label} | {}, {} | {shown:.5} {unit} | {stated:.3e} | {within:.2} | {of_data:.3e} | {within_data:.2} | {datum} | {:.0} | {kind} |",
                place.condition,
                place.corner.name(),
                100.0 * share
            )
            .expect("a string");
        }
        text
    }
}

const HEAD: &str = "# What the stated uncertainty covers\n\n\
Generated; see tests/compare/coverage_page.rs. All doubtful printed data are drawn at random, each by itself: a normal spread where a standard \
uncertainty is stated, a rectangular one where the rule says so. Each draw is run in the place that decides the check, in its corner. *U* is the \
expanded uncertainty that stands in a record, before its floor, with the model's own share, which is drawn from a normal spread as well; *U of the \
data* is that of the data alone, with nothing added to the draws. Data that nobody printed stay as they are shown: they have ends, not an \
uncertainty. Measured before typical data were run in the own places of close checks, and not measured again since. Held are the checks that use at least 60 % of their limit.\n";

/// Checks of a board that are outside the bounds, and why.
const OUTSIDE: &[(&str, &str, &str)] = &[
    (
        "oven-panel",
        "Load-release overshoot",
        "covered too well: changes by one standard uncertainty are larger than the slopes over all draws (aged capacitance 1.7 and 1.2 mV, capacitor across the divider +1.2 and -0.2 mV). Why is not established.",
    ),
    (
        "valve-controller",
        "Short-circuit peak current",
        "not covered: for the gain from control voltage to current 6.8 mA are stated, from a move to one side; the slope over all draws is 45 mA. Why is not established.",
    ),
    (
        "valve-controller",
        "Total output error",
        "not covered: what the data change is not taken in this corner but in that of the undershoot (aged capacitance 2.6 mV; over the draws 5.5 mV).",
    ),
    (
        "valve-controller",
        "Output ripple, 20 MHz",
        "covered too well: most likely a jump between pulses left out and not; the mean over all draws is 10.6 mV, and the level below which pulses are left out moves it most.",
    ),
    (
        "valve-controller",
        "Overload trip current, min",
        "not covered: no change by any datum is known of it, so that only the model's share is stated; the saturation curve alone makes 16 mA.",
    ),
];

fn outside() -> String {
    let told = |(board, label, why): &(&str, &str, &str)| format!("- {board}, {label}: {why}\n");
    format!("\n## Outside the bounds\n\n{}", OUTSIDE.iter().map(told).collect::<String>())
}

/// Whether a row is within the bounds, as far as so many draws tell.
fn is_within(cells: &[&str], draws: f64) -> bool {
    let number = |cell: usize| cells[cell].parse::<f64>().expect("a number") / 100.0;
    let (share, bounded) = (number(5), number(9) > 0.5 && cells[10] == "rectangular");
    let by_chance = BY_CHANCE * (MOST_COVERED * (1.0 - MOST_COVERED) / draws).sqrt();
    share >= LEAST_COVERED && (bounded || share <= MOST_COVERED + by_chance)
}

/// Every row of a board's section that is outside the bounds is explained, and no other.
fn assert_explained(name: &str, section: &str) {
    let (before, _) = section.split_once(" draws, seed").expect("the number of draws");
    let draws: f64 = before.rsplit(' ').next().and_then(|draws| draws.parse().ok()).expect("a number");
    for row in section.lines().filter(|row| row.starts_with("| ") && !row.starts_with("| check")) {
        let cells: Vec<&str> = row.split('|').map(str::trim).collect();
        let explained = OUTSIDE.iter().any(|(board, label, _)| (*board, *label) == (name, cells[1]));
        assert!(is_within(&cells, draws) != explained, "{name}: {row}");
    }
}

#[test]
fn balance_coverage_page() {
    if std::env::var_os("PRESOLDER_FREEZE").is_some() {
        let told = std::env::var("PRESOLDER_DRAWS").ok().and_then(|draws| draws.parse().ok());
        let draws = told.unwrap_or(DRAWS);
        let sections: String = BOARDS.into_iter().map(|name| study(name, draws).section()).collect();
        std::fs::write(page(), format!("{HEAD}{sections}{}", outside())).expect("the page");
    }
    let text = std::fs::read_to_string(page()).expect("the page");
    assert!(text.ends_with(&outside()), "the reasons on the page are those of this file");
    for name in BOARDS {
        let section = text.split("\n## ").find(|section| section.starts_with(name));
        assert_explained(name, section.unwrap_or_else(|| panic!("{name} is missing from docs/coverage.md")));
    }
}
