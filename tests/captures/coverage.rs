//! How often calibrations cover the truth: boards whose every doubtful datum is drawn at random, integrated step by step, captured through
//! probes of random gain, calibrated on the original, and a substitute predicted with what was learned.
//!
//! `PRESOLDER_FREEZE=1 cargo test --test captures coverage_page -- --nocapture` draws a hundred and writes docs/captures-coverage.md;
//! `PRESOLDER_DRAWS` draws others. In every run of the tests a few are drawn.

use crate::invented::{self, Random, Truth, USUAL};
use crate::measured::{Bench, bench, entry, true_step};
use presolder::bench::calibrate::Calibration;
use presolder::bench::predict::{Asked, Prior, Shifts};
use presolder::bench::run::OnBench;
use presolder::bench::{files, measured};
use presolder::case::{self, Case, calibration, captures};
use presolder::corridor::{self, calibrated};
use presolder::model::corner::placed;
use presolder::model::doubt::Acts;
use presolder::report::calibration as report;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::fmt::Write;

/// Draws of the page, and of every run of the tests.
const DRAWS: u64 = 100;
const FEW: u64 = 2;
/// Draws that run side by side.
const AT_ONCE: usize = 4;
/// 95 % of a normal distribution lie within that many standard deviations; of a rectangular one within the same share of its half width.
const WITHIN: f64 = 1.959_964;
const WITHIN_ENDS: f64 = 0.95 * HALF_WIDTH;
/// Shares that are asked for.
const ASKED: (f64, f64) = (0.90, 0.99);
/// Limits of the probes' gains: output, inductor, load.
const GAINS: [f64; 3] = [0.02, 0.03, 0.01];
/// The winding is about so much warmer than where its resistance is printed.
const WARMER: f64 = 1.0 + 0.0039 * 20.0;
/// Ends of a rectangular distribution in standard deviations.
const HALF_WIDTH: f64 = 1.732_050_807_568_877_2;
const SUBSTITUTE: &str = "Kestrel-10";
/// Figures of a load step, in the order of their plain definition.
const FIGURES: [&str; 2] = ["dip", "rise"];

fn feels(acts: Acts) -> bool {
    matches!(acts, Acts::Waveform | Acts::Loop)
}

/// A bench whose board nobody has measured before: all that is printed of output bank and controller is typical.
fn unmeasured(captures: &str) -> Bench {
    let bench = bench(captures);
    let file = bench.folder.join("board.toml");
    let text = std::fs::read_to_string(&file).expect("the board");
    let (before, behind) = text.split_once("[[output.capacitors]]").expect("an output bank");
    let behind = behind.replace("origin = \"measured\"", "origin = \"typical\"");
    std::fs::write(file, format!("{before}[[output.capacitors]]{behind}")).expect("room");
    bench
}

/// The case as the bench has it.
fn on_bench(case: &Case, part: usize) -> Case {
    let at = OnBench {
        part,
        input_v: USUAL.input_v,
        ambient_degc: 23.0,
        loop_h: 0.0,
        frequency_hz: None,
        bandwidth_hz: Some(20e6),
    };
    at.case(&corridor::learned(case).expect("a case"))
}

/// A place for a datum: even between its ends, or normal.
fn drawn(prior: &Prior, random: &mut Random) -> f64 {
    let (low, high) = prior.limits;
    if high == HALF_WIDTH { HALF_WIDTH * (2.0 * random.even() - 1.0) } else { random.normal().clamp(low, high) }
}

/// A place for every datum of a board and a part; data of the board stand where they stand already.
fn draw(case: &Case, part: usize, known: &[(Prior, f64)], random: &mut Random) -> Vec<(Prior, f64)> {
    let priors = Asked { case, part, feels, shifts: &[] }.priors();
    let mut place = |prior: Prior| {
        let of_board = known.iter().find(|(other, _)| !prior.of_part && other.name == prior.name);
        let shift = of_board.map_or_else(|| drawn(&prior, random), |(_, shift)| *shift);
        (prior, shift)
    };
    priors.into_iter().map(&mut place).collect()
}

/// A datum after a calibration.
#[derive(Clone, Debug)]
struct Datum {
    name: String,
    is_learned: bool,
    /// How far the truth is away, in standard uncertainties of the posterior.
    off: f64,
    /// Whether that is within its 95 %: of what stayed between its ends as it was those of a rectangular distribution.
    is_within: bool,
}

/// A figure of the substitute, predicted before and after the calibration.
#[derive(Clone, Debug)]
struct Band {
    /// Half width of the band, in V.
    width: [f64; 2],
    /// How far the truth is away, in half widths of the band.
    off: [f64; 2],
}

impl Band {
    fn holds(&self, which: usize) -> bool {
        self.off[which].abs() <= 1.0
    }
}

/// What one draw has come to.
struct Drawn {
    data: Vec<Datum>,
    figures: Vec<Band>,
    is_sound: bool,
}

/// A capture of a unit in a file of a bench.
fn capture(
    case: &Case,
    truth: &Truth,
    places: &[(Prior, f64)],
    bench: &Bench,
    file: &str,
    gains: [f64; 3],
) -> [f64; 3] {
    let shifts: Vec<(String, f64)> = places.iter().map(|(prior, shift)| (prior.name.clone(), *shift)).collect();
    let shifts: &Shifts = &shifts;
    let (unit, corner) = Asked { case, part: truth.part, feels, shifts }.unit();
    let part = &unit.parts[truth.part];
    let at = placed(&corner, &[], &unit.board, part);
    let truth = Truth {
        inductance: at.inductance_factor,
        dcr_ohm: WARMER * at.dcr_ohm,
        frequency: at.board.frequency_hz / 400e3,
        ..*truth
    };
    let seen = invented::capture_of(&at.board, part, &truth);
    invented::write_through(&seen, &bench.folder.join(file), truth.seed, gains);
    true_step(&seen, &truth)
}

fn one(seed: u64) -> Drawn {
    let mut random = Random(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15).max(1));
    for _ in 0..8 {
        random.even();
    }
    let entries = entry("Larkspur-10", "steady", "ripple.csv") + &entry("Larkspur-10", "load-step", "step.csv");
    let bench = unmeasured(&entries);
    let case = case::read(&bench.folder).expect("the case");
    let gains = GAINS.map(|limit| 1.0 + limit * (2.0 * random.even() - 1.0));
    let there = on_bench(&case, 0);
    let places = draw(&there, 0, &[], &mut random);
    let steady = Truth { load_a: (2.87, 2.87 + 1e-9), length_s: 300e-6, seed: 3 * seed, ..USUAL };
    let jitter_s = 2.5e-6 * random.even();
    let (step_s, release_s) = USUAL.step_s;
    let step = Truth { step_s: (step_s + jitter_s, release_s + jitter_s), seed: 3 * seed + 1, ..USUAL };
    capture(&there, &steady, &places, &bench, "ripple.csv", gains);
    capture(&there, &step, &places, &bench, "step.csv", gains);
    let found = calibrate(&bench, &case);
    let of = |(prior, shift): &(Prior, f64)| {
        let datum = found.data.iter().find(|datum| datum.prior.name == prior.name)?;
        let (is_learned, off) = (datum.is_learned(), (datum.shift - shift) / datum.left);
        let within = if prior.limits.1 == HALF_WIDTH && !is_learned { WITHIN_ENDS } else { WITHIN };
        Some(Datum { name: prior.name.clone(), is_learned, off, is_within: off.abs() <= within })
    };
    let data = places.iter().filter(|(prior, _)| prior.limits.0 < prior.limits.1).filter_map(of).collect();
    let figures = substitute(&bench, &found, &places, (&step, gains), &mut random);
    Drawn { data, figures, is_sound: found.is_sound() }
}

fn calibrate(bench: &Bench, case: &Case) -> Calibration {
    let captures = captures::read(&bench.folder, case).expect("the captures");
    let taken = files::take(&bench.folder, &captures).expect("the files");
    measured::calibrate(case, &captures, taken, &|_, _| {}).expect("a run").0.expect("something to learn from")
}

/// The load step of a substitute on that board: whether the bands before and after hold the truth, and how wide they are.
fn substitute(
    bench: &Bench,
    found: &Calibration,
    places: &[(Prior, f64)],
    (step, gains): (&Truth, [f64; 3]),
    random: &mut Random,
) -> Vec<Band> {
    let plain = case::read(&bench.folder).expect("the case");
    let part = plain.parts.iter().position(|part| part.name == SUBSTITUTE).expect("it is there");
    let there = on_bench(&plain, part);
    let own = draw(&there, part, places, random);
    let truth = Truth { part, seed: step.seed + 1, ..*step };
    let setup = "[setup]\nambient = \"23 degC\"\nboard = \"serial 0007\"\n";
    let of = report::Of { case: plain.name.clone(), data_sha256: calibration::data_hash(&plain), board: String::new() };
    std::fs::write(bench.folder.join(calibration::FILE), report::toml(found, &of, &[])).expect("room");
    std::fs::write(
        bench.folder.join("captures.toml"),
        setup.to_string() + &entry(SUBSTITUTE, "load-step", "other.csv"),
    )
    .expect("room");
    let expected = capture(&there, &truth, &own, bench, "other.csv", gains);
    let mut learned = plain.clone();
    if found.is_sound() {
        let read = calibration::read(&bench.folder, &mut learned).expect("a calibration");
        calibrated::take(&mut learned, &read.data);
    }
    let predicted = [&plain, &learned].map(|case| {
        let captures = captures::read(&bench.folder, case).expect("the captures");
        let taken = files::take(&bench.folder, &captures).expect("the files");
        measured::measure(case, &captures, taken, &|_, _| {}).expect("a result").items.remove(0).figures
    });
    let band = |(id, expected): (&str, f64)| {
        let of = |case: usize| predicted[case].iter().find(|figure| figure.quantity == id).expect("a figure");
        let width = [0, 1].map(|case| of(case).predicted_uncertainty);
        Band { width, off: [0, 1].map(|case| (of(case).predicted - expected) / width[case]) }
    };
    FIGURES.into_iter().zip(expected).map(band).collect()
}

fn share(inside: impl Iterator<Item = bool>) -> (f64, usize) {
    let all: Vec<bool> = inside.collect();
    (all.iter().filter(|inside| **inside).count() as f64 / all.len().max(1) as f64, all.len())
}

#[test]
fn outside_a_few_drawn_boards_are_covered() {
    for drawn in (1..=FEW).map(one) {
        assert!(drawn.is_sound);
        let (inside, count) = share(drawn.data.iter().map(|datum| datum.is_within));
        assert!(inside >= ASKED.0 && count >= 10, "{inside} of {count}: {:?}", drawn.data);
        for (id, band) in FIGURES.into_iter().zip(drawn.figures) {
            assert!(band.holds(1) && band.width[1] < band.width[0], "{id}: {band:?}");
        }
    }
}

/// One line of the page: name, draws in which it was learned, share within, root mean square of the distance.
fn line(name: &str, all: &[&Datum]) -> String {
    let learned = all.iter().filter(|datum| datum.is_learned).count();
    let (inside, _) = share(all.iter().map(|datum| datum.is_within));
    let spread = (all.iter().map(|datum| datum.off.powi(2)).sum::<f64>() / all.len() as f64).sqrt();
    format!("| `{name}` | {learned} of {} | {:.0} % | {spread:.2} |\n", all.len(), 100.0 * inside)
}

#[test]
fn coverage_page() {
    if std::env::var_os("PRESOLDER_FREEZE").is_none() {
        return;
    }
    let draws = std::env::var("PRESOLDER_DRAWS").ok().map_or(DRAWS, |text| text.parse().expect("a number of draws"));
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/captures-coverage.md");
    let seeds: Vec<u64> = (1..=draws).collect();
    let mut all = vec![];
    // The page is written as the draws come: an interrupted run leaves those that it has.
    for some in seeds.chunks(AT_ONCE) {
        all.extend(some.par_iter().map(|seed| one(*seed)).collect::<Vec<_>>());
        println!("{} of {draws}", all.len());
        std::fs::write(&path, page(&all)).expect("room for the page");
    }
    println!("{}", page(&all));
}

fn page(all: &[Drawn]) -> String {
    let data = || all.iter().flat_map(|drawn| &drawn.data);
    let mut by_name: BTreeMap<&str, Vec<&Datum>> = BTreeMap::new();
    data().for_each(|datum| by_name.entry(&datum.name).or_default().push(datum));
    let (inside, pairs) = share(data().map(|datum| datum.is_within));
    let (of_learned, learned) = share(data().filter(|datum| datum.is_learned).map(|datum| datum.is_within));
    let sound = all.iter().filter(|drawn| drawn.is_sound).count();
    let mut page = format!(
        "# How often calibrations cover the truth\n\n\
         Written by `tests/captures/coverage.rs`: {} boards whose every doubtful datum that acts on waveforms or loop is drawn at random (normal, \
         or even between its ends), integrated step by step by code that shares nothing with engine and reader, seen through 8 bits, noise, \
         offset, trigger jitter and probes of random gain; a ripple and a load step of the original are calibrated on, then the load step of a \
         substitute is predicted with what was learned.\n\n\
         - {sound} of {} calibrations are sound.\n\
         - {:.1} % of {pairs} pairs of datum and draw lie within the 95 % of the posterior.\n\
         - {:.1} % of the {learned} of them that count as learned.\n",
        all.len(),
        all.len(),
        100.0 * inside,
        100.0 * of_learned
    );
    for (number, id) in FIGURES.into_iter().enumerate() {
        let bands = || all.iter().map(|drawn| &drawn.figures[number]);
        let held = [0, 1].map(|which| bands().filter(|band| band.holds(which)).count());
        let root =
            [0, 1].map(|which| (bands().map(|band| band.off[which].powi(2)).sum::<f64>() / all.len() as f64).sqrt());
        let narrower = bands().map(|band| band.width[1] / band.width[0]).sum::<f64>() / all.len() as f64;
        let _ = writeln!(
            page,
            "- The band of the substitute's {id} holds the truth in {} before and {} after, and is {:.0} % as wide after. Half of it, a standard \
             uncertainty, is {:.2} times the root mean square distance of the truth before, {:.2} times after.",
            held[0],
            held[1],
            100.0 * narrower,
            0.5 / root[0],
            0.5 / root[1]
        );
    }
    page += "\nDistance of the truth in standard uncertainties of the posterior; 1 is expected, less is caution.\n\n\
             | datum | learned | within 95 % | root mean square |\n|---|---|---|---|\n";
    by_name.iter().for_each(|(name, all)| page += &line(name, all));
    page
}
