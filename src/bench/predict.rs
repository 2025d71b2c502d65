//! A prediction for a bench with its uncertainty: everything that is doubtful about board and part is moved, one after another, and the
//! same figures are measured again (docs/method.md, "uncertainty").
//!
//! Units differ and only one stands on the bench: tolerances are doubts here, save of what was measured on this board.

use super::score::Known;
use crate::condition::figures::Failure;
use crate::corridor;
use crate::judge::sight::{COVERAGE, expanded};
use crate::model::case::{Case, Origin};
use crate::model::corner::{Corner, End, NOMINAL, Parameter, placed};
use crate::model::doubt::{Acts, Doubt, Nature, Owner};
use crate::model::parts::CapacitorBranch;
use crate::units::Dimension;
use rayon::prelude::*;

/// Half width of a rectangular spread in standard deviations.
const HALF_WIDTH: f64 = 1.732_050_807_568_877_2;
/// Tolerances of the part and of the reference: key of the datum that would be measured, and whether it is the part's own.
const TOLERANCES: [(Parameter, &str, bool); 5] = [
    (Parameter::Inductance, "inductance", true),
    (Parameter::Resistance, "dcr_typical", true),
    (Parameter::CoreLoss, "core_loss", true),
    (Parameter::Reference, "control.compensator.reference", false),
    (Parameter::Frequency, "stage.frequency", false),
];

/// One way of moving one datum.
#[derive(Clone, Debug)]
enum Way {
    Value(Box<Doubt>, f64),
    Corner(Parameter, End),
    /// Factor on the capacitance of a branch of the output bank.
    Capacitance(usize, f64),
}

/// A datum that is moved.
#[derive(Clone, Debug)]
struct Moved {
    name: String,
    of_part: bool,
    /// Each with its direction, 1 for upwards.
    ways: Vec<(Way, f64)>,
    /// Standard deviations that a way is away.
    distance: f64,
    rectangular: bool,
    prior: Prior,
}

/// What is known of a datum before anything is measured.
#[derive(Clone, Debug, PartialEq)]
pub struct Prior {
    /// Key of the datum; with its label where another one has the same key.
    pub name: String,
    /// Key.
    pub key: String,
    /// What it is; empty for a tolerance, which its key tells.
    pub label: String,
    /// Whether it is the part's own.
    pub of_part: bool,
    /// Its value as it is shown, in SI.
    pub shown: f64,
    /// Middle of what it may be, and its standard uncertainty, in the same unit.
    pub middle: f64,
    /// The latter.
    pub standard: f64,
    /// Unit.
    pub unit: Dimension,
}

/// What a datum does to a figure.
#[derive(Clone, Debug, PartialEq)]
pub struct Effect {
    /// Key of the datum.
    pub name: String,
    /// Whether it is the part's own.
    pub of_part: bool,
    /// Change for one standard uncertainty, with its sign.
    pub change: f64,
    /// Half width in standard uncertainties where it is rectangular.
    pub half_width: Option<f64>,
}

/// A figure of a prediction.
#[derive(Clone, Debug, PartialEq)]
pub struct Figure {
    /// Identifier of the quantity.
    pub id: &'static str,
    /// Value.
    pub value: f64,
    /// Standard uncertainty of the model, and of whatever is drawn at random in it.
    pub model: f64,
    /// What each datum does.
    pub effects: Vec<Effect>,
}

impl Figure {
    /// With its expanded uncertainty.
    pub fn known(&self) -> Known {
        let effects = self.effects.iter().map(|effect| (effect.change, effect.half_width));
        Known { value: self.value, uncertainty: expanded(effects, self.model) }
    }

    /// The largest effects first.
    pub fn largest(&self) -> Vec<&Effect> {
        let mut sorted: Vec<&Effect> = self.effects.iter().filter(|effect| effect.change != 0.0).collect();
        sorted.sort_by(|a, b| b.change.abs().total_cmp(&a.change.abs()));
        sorted
    }

    /// The change from one part to another with its expanded uncertainty: the board's data move in both at once. `model` is the standard
    /// uncertainty of a change.
    pub fn change_from(&self, original: &Figure, model: f64) -> Known {
        let common = |effect: &Effect| {
            let other = original.effects.iter().find(|other| !other.of_part && other.name == effect.name);
            let change = effect.change - other.map_or(0.0, |other| other.change);
            (if effect.of_part { effect.change } else { change }, effect.half_width)
        };
        let own = original.effects.iter().filter(|effect| {
            effect.of_part || !self.effects.iter().any(|other| !other.of_part && other.name == effect.name)
        });
        let effects = self.effects.iter().map(common).chain(own.map(|effect| (effect.change, effect.half_width)));
        Known { value: self.value - original.value, uncertainty: expanded(effects, model) }
    }
}

/// What a run gives: figures, and waveforms of which the band is wanted.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Outcome {
    /// Identifiers and values.
    pub figures: Vec<(&'static str, f64)>,
    /// Waveforms.
    pub curves: Vec<Vec<f64>>,
}

/// A prediction.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Prediction {
    /// Figures.
    pub figures: Vec<Figure>,
    /// Waveforms as the data are shown.
    pub curves: Vec<Vec<f64>>,
    /// Half width of the band around each of them, expanded.
    pub bands: Vec<Vec<f64>>,
    /// What was moved.
    pub priors: Vec<Prior>,
}

/// Which data a run feels.
pub type Feels = fn(Acts) -> bool;

/// Predicts: `run` is given a case and a corner of tolerances. A datum with which it cannot run is left out and named.
///
/// # Errors
/// What stops the run as the data are shown, or an interruption.
pub fn predict(
    case: &Case,
    part: usize,
    feels: Feels,
    run: &(dyn Fn(&Case, Corner) -> Result<Outcome, Failure> + Sync),
) -> Result<(Prediction, Vec<String>), Failure> {
    let shown = run(case, NOMINAL)?;
    let moved = moved(case, part, feels);
    let jobs: Vec<(usize, &(Way, f64))> =
        moved.iter().enumerate().flat_map(|(number, moved)| moved.ways.iter().map(move |way| (number, way))).collect();
    let results: Vec<(usize, f64, Result<Outcome, Failure>)> =
        jobs.par_iter().map(|(number, (way, sign))| (*number, *sign, way.run(case, part, run))).collect();
    let mut prediction = Prediction {
        figures: shown
            .figures
            .iter()
            .map(|(id, value)| Figure { id, value: *value, model: 0.0, effects: vec![] })
            .collect(),
        bands: shown.curves.iter().map(|curve| vec![0.0; curve.len()]).collect(),
        curves: shown.curves.clone(),
        priors: moved.iter().map(|moved| moved.prior.clone()).collect(),
    };
    let mut left_out = vec![];
    for (number, moved) in moved.iter().enumerate() {
        let mut outcomes = vec![];
        for (_, sign, result) in results.iter().filter(|(of, ..)| *of == number) {
            match result {
                Ok(outcome) => outcomes.push((outcome, *sign)),
                Err(failure) if failure.is_interruption() => return Err(failure.clone()),
                Err(_) => left_out.push(moved.name.clone()),
            }
        }
        prediction.add(moved, &shown, &outcomes);
    }
    prediction.bands.iter_mut().flatten().for_each(|square| *square = COVERAGE * square.sqrt());
    Ok((prediction, left_out))
}

impl Prediction {
    fn add(&mut self, moved: &Moved, shown: &Outcome, outcomes: &[(&Outcome, f64)]) {
        let half_width = moved.rectangular.then_some(HALF_WIDTH);
        for (number, figure) in self.figures.iter_mut().enumerate() {
            let changes = outcomes.iter().filter_map(|(outcome, sign)| {
                let value = outcome.figures.iter().find(|(id, _)| *id == figure.id)?.1;
                Some(sign * (value - shown.figures[number].1) / moved.distance)
            });
            let largest = changes.reduce(|a, b| if b.abs() > a.abs() { b } else { a });
            let effect = |change| Effect { name: moved.name.clone(), of_part: moved.of_part, change, half_width };
            figure.effects.extend(largest.map(effect));
        }
        for (number, band) in self.bands.iter_mut().enumerate() {
            for (at, square) in band.iter_mut().enumerate() {
                let changes = outcomes.iter().filter_map(|(outcome, _)| {
                    Some((outcome.curves.get(number)?.get(at)? - shown.curves[number][at]) / moved.distance)
                });
                *square += changes.map(|change| change * change).fold(0.0, f64::max);
            }
        }
    }
}

impl Way {
    fn run(
        &self,
        case: &Case,
        part: usize,
        run: &(dyn Fn(&Case, Corner) -> Result<Outcome, Failure> + Sync),
    ) -> Result<Outcome, Failure> {
        let mut there = case.clone();
        let mut corner = NOMINAL;
        match self {
            Way::Value(doubt, value) => {
                let Case { board, parts, .. } = &mut there;
                doubt.set(board, &mut parts[part], *value);
            }
            Way::Corner(parameter, end) => corner = corner.with(*parameter, Some(*end)),
            Way::Capacitance(branch, factor) => there.board.output_bank[*branch].capacitance_f *= factor,
        }
        run(&there, corner)
    }
}

/// Everything that is doubtful and that a run feels.
fn moved(case: &Case, part: usize, feels: Feels) -> Vec<Moved> {
    let doubts = corridor::doubts(case, part).into_iter().filter(|doubt| feels(doubt.rule.acts));
    let mut all: Vec<Moved> = doubts.map(of_doubt).collect();
    tell_apart(&mut all);
    let name = &case.parts[part].name;
    for (parameter, key, of_part) in TOLERANCES {
        let whose = of_part.then_some(name.as_str());
        if is_felt(parameter, feels)
            && parameter.is_on(&case.board, &case.parts[part])
            && !is_measured(case, whose, key)
        {
            all.push(of_tolerance(case, part, parameter, of_part));
        }
    }
    all.extend(case.board.output_bank.iter().enumerate().filter_map(|(number, branch)| of_bank(case, number, branch)));
    all
}

/// Gives data that have one key names of their own.
fn tell_apart(all: &mut [Moved]) {
    let keys: Vec<String> = all.iter().map(|moved| moved.prior.key.clone()).collect();
    let is_twice = |moved: &Moved| keys.iter().filter(|key| **key == moved.prior.key).count() > 1;
    for moved in all.iter_mut().filter(|moved| is_twice(moved)) {
        moved.name = format!("{}: {}", moved.prior.key, moved.prior.label);
        moved.prior.name.clone_from(&moved.name);
    }
}

fn is_felt(parameter: Parameter, feels: Feels) -> bool {
    match parameter {
        Parameter::CoreLoss | Parameter::Resistance => feels(Acts::Loss),
        _ => feels(Acts::Waveform),
    }
}

fn is_measured(case: &Case, part: Option<&str>, key: &str) -> bool {
    case.origin_of(part, key).is_some_and(|origin| origin.origin == Origin::Measured)
}

/// Half width of a tolerance as a factor.
fn half_width(case: &Case, part: usize, parameter: Parameter) -> f64 {
    let (board, part) = (&case.board, &case.parts[part]);
    match parameter {
        Parameter::Inductance => part.tolerance,
        Parameter::Resistance => part.dcr_max_ohm / part.dcr_typical_ohm - 1.0,
        Parameter::CoreLoss => part.core_loss_tolerance,
        Parameter::Frequency => board.tolerances.frequency,
        _ => {
            let at = |end| placed(&NOMINAL.with(parameter, Some(end)), &[], board, part).board.output_v;
            0.5 * (at(End::Most) - at(End::Least)) / board.output_v
        }
    }
}

fn of_tolerance(case: &Case, part: usize, parameter: Parameter, of_part: bool) -> Moved {
    let name = format!("{} tolerance", parameter.key());
    let ways = vec![(Way::Corner(parameter, End::Least), -1.0), (Way::Corner(parameter, End::Most), 1.0)];
    let prior = factor(name.clone(), of_part, half_width(case, part, parameter));
    Moved { name, of_part, ways, distance: HALF_WIDTH, rectangular: true, prior }
}

/// A factor that is 1 as the data are shown.
fn factor(name: String, of_part: bool, half_width: f64) -> Prior {
    let (key, label, standard) = (name.clone(), String::new(), half_width / HALF_WIDTH);
    Prior { name, key, label, of_part, shown: 1.0, middle: 1.0, standard, unit: Dimension::Number }
}

fn of_doubt(doubt: Doubt) -> Moved {
    let of = |value: f64| Way::Value(Box::new(doubt.clone()), value);
    let (ways, distance, rectangular, middle, standard) = match doubt.nature {
        Nature::Ends { low, high } => (
            vec![(of(low), -1.0), (of(high), 1.0)],
            HALF_WIDTH,
            true,
            0.5 * (low + high),
            0.5 * (high - low) / HALF_WIDTH,
        ),
        Nature::Spread { standard, rectangular } => {
            (vec![(of(doubt.shown + standard), 1.0)], 1.0, rectangular, doubt.shown, standard)
        }
    };
    let (name, of_part) = (doubt.key.clone(), doubt.owner == Owner::Part);
    let unit = if doubt.rule.is_factor { Dimension::Number } else { doubt.rule.unit };
    let (key, label) = (name.clone(), doubt.rule.label.to_string());
    let prior = Prior { name: name.clone(), key, label, of_part, shown: doubt.shown, middle, standard, unit };
    Moved { name, of_part, ways, distance, rectangular, prior }
}

/// The tolerance of a branch's capacitance as it is new: a board on a bench has not aged.
fn of_bank(case: &Case, number: usize, branch: &CapacitorBranch) -> Option<Moved> {
    let key = format!("output.capacitors[{number}].capacitance");
    if branch.tolerance == 0.0 || is_measured(case, None, &key) {
        return None;
    }
    let way = |by: f64| (Way::Capacitance(number, 1.0 + by * branch.tolerance), by);
    let ways = vec![way(-1.0), way(1.0)];
    let name = format!("output.capacitors[{number}].tolerance");
    let prior = factor(name.clone(), false, branch.tolerance);
    Some(Moved { name, of_part: false, ways, distance: HALF_WIDTH, rectangular: true, prior })
}
