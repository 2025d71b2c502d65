//! Hand-made results for tests of the bench plan and of verdicts. Nothing here is simulated.
#![allow(dead_code)] // every test file uses another part of it

use presolder::case::{self, Case};
use presolder::condition::figures::{Figures, PartFigures, Place};
use presolder::judge::Row;
use presolder::model::corner::Corner;
use presolder::quantity::QUANTITIES;

/// Names of the made-up parts, the original first.
pub const NAMES: [&str; 4] = ["Lark-22", "Finch-22", "Wagtail-27", "Siskin-33"];

/// What a part shows in one condition.
pub struct Shown {
    /// Kind of condition.
    pub condition: &'static str,
    /// Corner.
    pub corner: Corner,
    /// Input voltage in V.
    pub input_v: f64,
    /// Load in A.
    pub load_a: f64,
    /// (quantity, value in its unit).
    pub values: Vec<(&'static str, f64)>,
}

/// A board for the plan: that of a demo, at other voltages and loads, with as many of its parts.
pub fn case_of(parts: usize) -> Case {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("cases/ticket-kiosk");
    let mut case = case::read(&folder).unwrap_or_else(|error| panic!("{error}"));
    case.board.nominal_input_v = 47.0;
    case.board.input_v = vec![36.0, 47.0, 53.0];
    case.board.load_a = vec![0.7, 3.9];
    case.parts.truncate(parts);
    // One of the parts is rated for less than these inputs, which forbids every test of it.
    case.parts.iter_mut().for_each(|part| part.working_voltage_v = Some(120.0));
    case
}

/// A part with these results.
pub fn part(index: usize, shown: &[Shown]) -> PartFigures {
    let results = shown.iter().map(|shown| {
        let (condition, corner) = (shown.condition, shown.corner);
        let (input_v, load_a) = (Some(shown.input_v), Some(shown.load_a));
        let mut figures =
            Figures::at(Place { condition, corner, input_v, load_a, prebias_v: 0.0, load: 0 }, Some(83.0));
        shown.values.iter().for_each(|(quantity, value)| figures.push(quantity, *value));
        figures
    });
    with_results(index, results.collect())
}

/// A part with these figures, every datum as it is shown.
pub fn with_results(index: usize, results: Vec<Figures>) -> PartFigures {
    PartFigures { name: NAMES[index].into(), original: index == 0, results, ends: vec![], spreads: vec![] }
}

/// A row without cells for every quantity: the plan looks at which there are, and at the results.
pub fn rows() -> Vec<Row> {
    let compared = QUANTITIES.iter().filter(|quantity| quantity.compared);
    compared.map(|quantity| Row { quantity, cells: vec![] }).collect()
}
