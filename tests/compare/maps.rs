//! Maps of load steps: every point is a run by itself.

use presolder::board::{Board, LoadStep};
use presolder::case::Case;
use presolder::condition;
use presolder::condition::figures::{Figures, Value};
use presolder::condition::stand::Stand;
use presolder::corridor::maps::{
    Along, AxisError, BEYOND_RANGE, Cell, Job, Kind, LEAST_PHASES, Maps, NO_REST, NO_ROOM, QUANTITIES, Ranges, Setting,
    Worst,
};
use presolder::model::corner::{CORNERS, NOMINAL};
use presolder::parts::{CapacitorBranch, Inductor};
use rayon::ThreadPoolBuilder;
use rayon::prelude::*;

const STEP: LoadStep =
    LoadStep { from_a: 0.6, to_a: 1.9, slew_a_per_s: 1.3e6, release_a_per_s: 0.9e6, hold_s: 310e-6, every_s: None };
/// Columns and rows.
const GRID: (usize, usize) = (6, 5);
/// Points that are held against runs by themselves.
const DRAWN: usize = 10;

fn case() -> Case {
    let bank = vec![CapacitorBranch::new("ceramic", 61e-6, 2.3e-3, 0.0).expect("a branch")];
    let board = Board::peak_current(12.0, 5.0, 2.1, 400e3, bank).expect("a board");
    let part = |name: &str, inductance_h: f64| Inductor::new(name, inductance_h, 27e-3).expect("a part");
    // The second is the first once more.
    let parts = vec![part("Fescue-10", 10e-6), part("Fescue-10 twin", 10e-6), part("Sorrel-7", 7.3e-6)];
    let mut case = Case::new(Board { load_step: Some(STEP), ..board }, parts).expect("a case");
    case.limits.step_deviation_v = Some(0.13);
    case
}

fn maps_of(case: &Case, setting: Setting, kinds: &[Kind]) -> Maps {
    let over = |kind: &Kind| kind.over(&case.board, &STEP, &Ranges::default(), GRID).expect("axes");
    Maps::new(case, STEP, setting, kinds.iter().map(over).collect())
}

fn lines(maps: &Maps, map: usize, part: usize) -> Vec<Vec<Cell>> {
    let jobs: Vec<Job> = maps.jobs().into_iter().filter(|job| (job.map, job.part) == (map, part)).collect();
    jobs.par_iter().map(|job| maps.line(*job).expect("a line")).collect()
}

fn cells(maps: &Maps, map: usize, part: usize) -> Vec<Vec<Cell>> {
    maps.laid_out(map, &lines(maps, map, part))
}

/// A step as the condition runs it by itself, on a stand that knows nothing.
fn single(maps: &Maps, part: usize, step: LoadStep) -> Figures {
    let mut case = maps.case.clone();
    case.board.load_step = Some(step);
    let stand = Stand::new(&case, &case.parts[part], maps.setting.corner, maps.setting.input_v);
    let condition = condition::find("load step").expect("the condition");
    let place = condition.places(&stand)[0];
    condition.simulate(&stand, place).unwrap_or_else(|failure| panic!("{failure}")).figures
}

/// Places drawn by a linear congruence: the same on every machine.
fn drawn(maps: &Maps, map: usize) -> Vec<(usize, usize)> {
    let mut seed = 77_u64;
    let mut draw = |below: usize| {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed >> 33) as usize % below
    };
    let mut places = vec![];
    while places.len() < DRAWN {
        let (row, column) = (draw(GRID.1), draw(GRID.0));
        if maps.maps[map].step(&STEP, column, row).is_ok() {
            places.push((row, column));
        }
    }
    places
}

/// In a corner nobody looks at curves, and at the nominal one a run by itself leaves some behind: both give the same numbers to the last bit.
#[test]
fn law_points_of_maps_are_runs_by_themselves_to_the_last_bit() {
    let case = case();
    let corner = Setting { corner: CORNERS[1], input_v: 12.0 };
    for setting in [Setting::nominal(&case), corner] {
        let maps = maps_of(&case, setting, &Kind::ALL);
        for map in 0..maps.maps.len() {
            let cells = cells(&maps, map, 2);
            for (row, column) in drawn(&maps, map) {
                let step = maps.maps[map].step(&STEP, column, row).expect("a step");
                let alone = single(&maps, 2, step);
                for (number, id) in QUANTITIES.into_iter().enumerate() {
                    let shown = &cells[row][column][number];
                    match alone.value(id) {
                        Some(value) if step.every_s.is_none() || id != "recovery" => {
                            assert_eq!(shown.number(), value.number(), "{map} {row} {column} {id}");
                        }
                        _ => assert_eq!(shown.number(), None),
                    }
                }
            }
        }
    }
}

#[test]
fn law_a_twin_differs_nowhere() {
    let case = case();
    let maps = maps_of(&case, Setting::nominal(&case), &Kind::ALL);
    for map in 0..maps.maps.len() {
        assert_eq!(cells(&maps, map, 0), cells(&maps, map, 1), "map {map}");
    }
}

#[test]
fn law_a_larger_step_moves_the_output_further() {
    let case = case();
    let maps = maps_of(&case, Setting::nominal(&case), &[Kind::SlewAmplitude]);
    let cells = cells(&maps, 0, 0);
    for column in 0..GRID.0 {
        for quantity in 0..3 {
            let by_amplitude: Vec<f64> =
                cells.iter().map(|row| row[column][quantity].exact().expect("a number")).collect();
            assert!(by_amplitude.windows(2).all(|pair| pair[1] > pair[0]), "{column} {quantity}: {by_amplitude:?}");
        }
    }
}

#[test]
fn law_threads_do_not_change_a_bit() {
    let case = case();
    let maps = maps_of(&case, Setting::nominal(&case), &[Kind::AmplitudeBase]);
    let with = |threads: usize| {
        let pool = ThreadPoolBuilder::new().num_threads(threads).build().expect("threads");
        pool.install(|| lines(&maps, 0, 2))
    };
    assert_eq!(with(1), with(3));
    // Nor does it matter which line comes first.
    let mut jobs: Vec<Job> = maps.jobs().into_iter().filter(|job| job.part == 2).collect();
    jobs.reverse();
    let mut backwards: Vec<Vec<Cell>> = jobs.iter().map(|job| maps.line(*job).expect("a line")).collect();
    backwards.reverse();
    assert_eq!(backwards, with(1));
}

#[test]
fn law_where_no_run_belongs_there_is_no_number_and_a_reason() {
    let case = case();
    let maps = maps_of(&case, Setting::nominal(&case), &[Kind::AmplitudeBase, Kind::RateShare]);
    assert!(maps.case.board.procedure.step_phases >= LEAST_PHASES);
    for (map, reason) in [(0, BEYOND_RANGE), (1, NO_ROOM)] {
        let cells = cells(&maps, map, 0);
        let places = (0..GRID.1).flat_map(|row| (0..GRID.0).map(move |column| (row, column)));
        let mut blanks = 0;
        for (row, column) in places {
            let dip = &cells[row][column][0];
            match maps.maps[map].step(&STEP, column, row) {
                Ok(step) => {
                    assert!(dip.number().is_some(), "{map} {row} {column}");
                    assert!(step.to_a <= 2.1 + 1e-9);
                }
                Err(why) => {
                    blanks += 1;
                    assert_eq!((why.to_string().as_str(), dip.number()), (reason, None));
                }
            }
        }
        assert!(blanks > 0, "map {map} has no such point");
    }
    let repeated = cells(&maps, 1, 0);
    let settled = repeated.iter().flatten().find(|cell| cell[0].number().is_some()).expect("a run");
    assert!(matches!(&settled[3], Value::NotComputed(why) if why.to_string() == NO_REST));
}

/// The refined repetition is at least as bad as any of the map, and lies between the neighbours of its largest point.
#[test]
fn law_the_worst_repetition_is_no_better_than_the_map() {
    let case = case();
    let maps = maps_of(&case, Setting::nominal(&case), &[Kind::RateShare]);
    let cells = cells(&maps, 0, 2);
    let swing = maps.swing(2, 0, &cells).expect("a swing").expect("a repetition");
    let largest = cells.iter().flatten().filter_map(|cell| cell[2].number()).fold(0.0, f64::max);
    assert!(swing.largest.number().expect("a number") >= largest);
    assert!((1e3..=200e3).contains(&swing.rate_hz) && swing.crossover_hz.is_some());
}

/// The corner of the own step is one that the search for it may find, and worse there than at the nominal one.
#[test]
fn law_the_worst_corner_is_worse_than_the_nominal_one() {
    let case = case();
    let worst = Worst::of(&case, &|_, _| {}).expect("a search").expect("a corner");
    assert!(worst.is_limited && worst.setting.corner != NOMINAL);
    let value = |setting: Setting| {
        let maps = maps_of(&case, setting, &[]);
        let number = QUANTITIES.iter().position(|id| *id == worst.quantity.id).expect("one of the maps");
        maps.own_step(worst.part).expect("a run")[number].number().expect("a number")
    };
    assert!(value(worst.setting) > value(Setting::nominal(&case)));
}

#[test]
fn error_ranges_that_no_map_can_be_drawn_over() {
    let case = case();
    let over = |kind: Kind, ranges: Ranges| kind.over(&case.board, &STEP, &ranges, GRID).map(|_| ());
    let slew = |range| Ranges { slew_a_per_s: Some(range), ..Ranges::default() };
    assert_eq!(over(Kind::SlewAmplitude, slew((0.0, 1e6))), Err(AxisError::NotRising(Along::Slew)));
    assert_eq!(over(Kind::SlewAmplitude, slew((2e6, 1e6))), Err(AxisError::NotRising(Along::Slew)));
    let amplitude = Ranges { amplitude_a: Some((0.5, 1.7)), ..Ranges::default() };
    assert!(matches!(over(Kind::SlewAmplitude, amplitude), Err(AxisError::Beyond(Along::Amplitude, _))));
    let rate = Ranges { rate_hz: Some((5e3, 250e3)), ..Ranges::default() };
    assert!(matches!(over(Kind::RateShare, rate), Err(AxisError::Beyond(Along::Rate, _))));
    let full = LoadStep { from_a: 2.1, to_a: 2.1, ..STEP };
    let none = Kind::SlewAmplitude.over(&case.board, &full, &Ranges::default(), GRID);
    assert_eq!(none.map(|_| ()), Err(AxisError::NoRoom));
}
