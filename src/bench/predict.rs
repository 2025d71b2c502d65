//! A prediction for a bench with its uncertainty: everything that is doubtful about board and part is moved, one after another, and the
//! same figures are measured again (docs/method.md, "uncertainty").
//!
//! Units differ and only one stands on the bench: tolerances are doubts here, save of what was measured on this board.

use super::score::Known;
use crate::condition::figures::Failure;
use crate::corridor;
use crate::judge::sight::{COVERAGE, expanded};
use crate::model::between::between;
use crate::model::case::{Case, Origin};
use crate::model::corner::{Corner, End, NOMINAL, Parameter, placed};
use crate::model::doubt::{Acts, Doubt, Nature, Owner};
use crate::model::parts::CapacitorBranch;
use crate::units::Dimension;
use rayon::prelude::*;

/// Identifier of a point of a folded waveform.
pub const POINT: &str = "point";
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

/// How far a datum that stands elsewhere than it is shown is moved from there, in standard uncertainties.
const STEP: f64 = 0.5;
/// A value above zero is not looked for below that share of what is shown.
const LEAST: f64 = 0.1;

/// By what a datum is moved.
#[derive(Clone, Debug)]
enum Lever {
    Value(Box<Doubt>),
    Tolerance(Parameter),
    /// Capacitance of a branch of the output bank.
    Capacitance(usize),
}

/// A datum that is moved.
#[derive(Clone, Debug)]
struct Moved {
    lever: Lever,
    /// Where it is looked at, in standard uncertainties from the middle.
    ways: Vec<f64>,
    /// Standard uncertainties by which each of them is away.
    distance: f64,
    rectangular: bool,
    prior: Prior,
}

/// Where data stand, by their names, in standard uncertainties from the middle of what they may be.
pub type Shifts = [(String, f64)];

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
    /// Least and greatest place at which it is looked at, in standard uncertainties from the middle.
    pub limits: (f64, f64),
}

impl Prior {
    /// Where it stands among some shifts, in standard uncertainties from the middle: as it is shown where none of them names it.
    pub fn stands(&self, shifts: &Shifts) -> f64 {
        let shifted = shifts.iter().find(|(name, _)| *name == self.name).map(|(_, shift)| *shift);
        shifted
            .map_or(stands(self.shown, self.middle, self.standard), |shift| shift.clamp(self.limits.0, self.limits.1))
    }
}

/// Where a value stands, in standard uncertainties from the middle.
fn stands(value: f64, middle: f64, standard: f64) -> f64 {
    if standard > 0.0 { (value - middle) / standard } else { 0.0 }
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
    /// Points of folded waveforms.
    pub points: Vec<f64>,
    /// Waveforms.
    pub curves: Vec<Vec<f64>>,
}

/// A prediction.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Prediction {
    /// Figures.
    pub figures: Vec<Figure>,
    /// Points of folded waveforms.
    pub points: Vec<Figure>,
    /// Waveforms as the data are shown.
    pub curves: Vec<Vec<f64>>,
    /// Half width of the band around each of them, expanded.
    pub bands: Vec<Vec<f64>>,
    /// What was moved.
    pub priors: Vec<Prior>,
}

/// Which data a run feels.
pub type Feels = fn(Acts) -> bool;

/// What a prediction is of.
#[derive(Clone, Copy)]
pub struct Asked<'a> {
    /// The case as the bench has it.
    pub case: &'a Case,
    /// Number of the part.
    pub part: usize,
    /// Which data the runs feel.
    pub feels: Feels,
    /// Where data stand that do not stand as they are shown.
    pub shifts: &'a Shifts,
}

/// A case and the corner in which a part of it is the unit that is meant.
pub type Unit = (Case, Corner);

/// A simulation of a unit.
pub type Run<'a> = dyn Fn(&Unit) -> Result<Outcome, Failure> + Sync + 'a;

impl Asked<'_> {
    /// What is known of every datum that the runs feel.
    pub fn priors(&self) -> Vec<Prior> {
        moved(self).into_iter().map(|moved| moved.prior).collect()
    }

    /// The unit whose data stand at the shifts.
    pub fn unit(&self) -> Unit {
        self.unit_of(&moved(self), None)
    }

    /// The same with one datum, by its number, elsewhere.
    fn unit_of(&self, all: &[Moved], moved: Option<(usize, f64)>) -> Unit {
        let mut unit = (self.case.clone(), NOMINAL);
        for (number, one) in all.iter().enumerate() {
            match moved.filter(|(of, _)| *of == number) {
                Some((_, shift)) => one.put(&mut unit, self.part, shift),
                None if self.is_shifted(one) => one.put(&mut unit, self.part, one.prior.stands(self.shifts)),
                None => {}
            }
        }
        unit
    }

    fn is_shifted(&self, moved: &Moved) -> bool {
        self.shifts.iter().any(|(name, _)| *name == moved.prior.name)
    }
}

/// Predicts what runs show. A datum with which none can run is left out and named.
///
/// # Errors
/// What stops the run as the data stand, or an interruption.
pub fn predict(asked: &Asked<'_>, run: &Run<'_>) -> Result<(Prediction, Vec<String>), Failure> {
    let moved = moved(asked);
    let shown = run(&asked.unit_of(&moved, None))?;
    let jobs: Vec<(usize, f64)> =
        moved.iter().enumerate().flat_map(|(number, moved)| moved.ways.iter().map(move |way| (number, *way))).collect();
    let results: Vec<((usize, f64), Result<Outcome, Failure>)> =
        jobs.par_iter().map(|job| (*job, run(&asked.unit_of(&moved, Some(*job))))).collect();
    let mut prediction = Prediction::of(&shown, &moved);
    let mut left_out = vec![];
    for (number, moved) in moved.iter().enumerate() {
        let stands = moved.prior.stands(asked.shifts);
        let mut outcomes = vec![];
        for ((_, way), result) in results.iter().filter(|((of, _), _)| *of == number) {
            match result {
                Ok(outcome) => outcomes.push((outcome, (way - stands).signum() * moved.distance)),
                Err(failure) if failure.is_interruption() => return Err(failure.clone()),
                Err(_) => left_out.push(moved.prior.name.clone()),
            }
        }
        prediction.add(moved, &shown, &outcomes);
    }
    prediction.bands.iter_mut().flatten().for_each(|square| *square = COVERAGE * square.sqrt());
    Ok((prediction, left_out))
}

impl Prediction {
    /// As the data stand.
    fn of(shown: &Outcome, moved: &[Moved]) -> Prediction {
        let figure = |id, value| Figure { id, value, model: 0.0, effects: vec![] };
        Prediction {
            figures: shown.figures.iter().map(|(id, value)| figure(id, *value)).collect(),
            points: shown.points.iter().map(|value| figure(POINT, *value)).collect(),
            bands: shown.curves.iter().map(|curve| vec![0.0; curve.len()]).collect(),
            curves: shown.curves.clone(),
            priors: moved.iter().map(|moved| moved.prior.clone()).collect(),
        }
    }

    /// What a datum does, from runs with it elsewhere: each with the standard uncertainties by which it is away.
    fn add(&mut self, moved: &Moved, shown: &Outcome, outcomes: &[(&Outcome, f64)]) {
        let largest =
            |changes: &mut dyn Iterator<Item = f64>| changes.reduce(|a, b| if b.abs() > a.abs() { b } else { a });
        let effect = |change| Effect {
            name: moved.prior.name.clone(),
            of_part: moved.prior.of_part,
            change,
            half_width: moved.rectangular.then_some(HALF_WIDTH),
        };
        for (figure, (id, value)) in self.figures.iter_mut().zip(&shown.figures) {
            let mut changes = outcomes.iter().filter_map(|(outcome, by)| {
                Some((outcome.figures.iter().find(|(other, _)| other == id)?.1 - value) / by)
            });
            figure.effects.extend(largest(&mut changes).map(effect));
        }
        for (number, (point, value)) in self.points.iter_mut().zip(&shown.points).enumerate() {
            let mut changes =
                outcomes.iter().filter_map(|(outcome, by)| Some((outcome.points.get(number)? - value) / by));
            point.effects.extend(largest(&mut changes).map(effect));
        }
        for (number, band) in self.bands.iter_mut().enumerate() {
            for (at, square) in band.iter_mut().enumerate() {
                let changes = outcomes.iter().filter_map(|(outcome, by)| {
                    Some((outcome.curves.get(number)?.get(at)? - shown.curves[number][at]) / by)
                });
                *square += changes.map(|change| change * change).fold(0.0, f64::max);
            }
        }
    }
}

impl Moved {
    /// Puts it into a unit, so many standard uncertainties from the middle.
    fn put(&self, (case, corner): &mut Unit, part: usize, shift: f64) {
        let Prior { middle, standard, .. } = self.prior;
        let value = middle + standard * shift;
        match &self.lever {
            Lever::Value(doubt) => {
                // Rounding does not carry it past an end.
                let value = if let Nature::Ends { low, high } = doubt.nature { value.clamp(low, high) } else { value };
                doubt.set(&mut case.board, &mut case.parts[part], value);
            }
            Lever::Tolerance(parameter) => {
                let position = 0.5 * (1.0 + shift / HALF_WIDTH);
                let (unit, own) = between(case, part, &[(*parameter, position)]);
                *case = unit;
                *corner = corner.with(*parameter, own.end_of(*parameter));
            }
            Lever::Capacitance(branch) => case.board.output_bank[*branch].capacitance_f *= value,
        }
    }

    /// Looked at from where it stands, not as it is shown.
    fn from(mut self, shifts: &Shifts) -> Moved {
        let (low, high) = self.prior.limits;
        if low < high && shifts.iter().any(|(name, _)| *name == self.prior.name) {
            let stands = self.prior.stands(shifts);
            (self.ways, self.distance) =
                (vec![if stands + STEP <= high { stands + STEP } else { stands - STEP }], STEP);
        }
        self
    }
}

/// Everything that is doubtful and that a run feels.
fn moved(asked: &Asked<'_>) -> Vec<Moved> {
    let Asked { case, part, feels, shifts } = *asked;
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
            let name = format!("{} tolerance", parameter.key());
            all.push(of_tolerance(Lever::Tolerance(parameter), name, of_part, half_width(case, part, parameter)));
        }
    }
    all.extend(case.board.output_bank.iter().enumerate().filter_map(|(number, branch)| of_bank(case, number, branch)));
    all.into_iter().map(|moved| moved.from(shifts)).collect()
}

/// Gives data that have one key names of their own.
fn tell_apart(all: &mut [Moved]) {
    let keys: Vec<String> = all.iter().map(|moved| moved.prior.key.clone()).collect();
    let is_twice = |moved: &Moved| keys.iter().filter(|key| **key == moved.prior.key).count() > 1;
    for moved in all.iter_mut().filter(|moved| is_twice(moved)) {
        moved.prior.name = format!("{}: {}", moved.prior.key, moved.prior.label);
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

/// A factor that is 1 as the data are shown.
fn of_tolerance(lever: Lever, name: String, of_part: bool, half_width: f64) -> Moved {
    let prior = Prior {
        key: name.clone(),
        name,
        label: String::new(),
        of_part,
        shown: 1.0,
        middle: 1.0,
        standard: half_width / HALF_WIDTH,
        unit: Dimension::Number,
        limits: (-HALF_WIDTH, HALF_WIDTH),
    };
    Moved { lever, ways: vec![-HALF_WIDTH, HALF_WIDTH], distance: HALF_WIDTH, rectangular: true, prior }
}

fn of_doubt(doubt: Doubt) -> Moved {
    let (middle, standard, rectangular) = match doubt.nature {
        Nature::Ends { low, high } => (0.5 * (low + high), 0.5 * (high - low) / HALF_WIDTH, true),
        Nature::Spread { standard, rectangular } => (doubt.shown, standard, rectangular),
    };
    let stands = stands(doubt.shown, middle, standard);
    let limits = match doubt.nature {
        // Nothing stands between having a feature and not having it.
        _ if doubt.rule.is_feature => (stands, stands),
        _ if rectangular => (-HALF_WIDTH, HALF_WIDTH),
        _ if doubt.shown > 0.0 => ((LEAST - 1.0) * doubt.shown / standard, f64::INFINITY),
        _ => (f64::NEG_INFINITY, f64::INFINITY),
    };
    let (ways, distance) = match doubt.nature {
        Nature::Ends { .. } => (vec![-HALF_WIDTH, HALF_WIDTH], HALF_WIDTH),
        Nature::Spread { .. } => (vec![1.0], 1.0),
    };
    let prior = Prior {
        name: doubt.key.clone(),
        key: doubt.key.clone(),
        label: doubt.rule.label.to_string(),
        of_part: doubt.owner == Owner::Part,
        shown: doubt.shown,
        middle,
        standard,
        unit: if doubt.rule.is_factor { Dimension::Number } else { doubt.rule.unit },
        limits,
    };
    Moved { lever: Lever::Value(Box::new(doubt)), ways, distance, rectangular, prior }
}

/// The tolerance of a branch's capacitance as it is new: a board on a bench has not aged.
fn of_bank(case: &Case, number: usize, branch: &CapacitorBranch) -> Option<Moved> {
    let key = format!("output.capacitors[{number}].capacitance");
    if branch.tolerance == 0.0 || is_measured(case, None, &key) {
        return None;
    }
    let name = format!("output.capacitors[{number}].tolerance");
    Some(of_tolerance(Lever::Capacitance(number), name, false, branch.tolerance))
}
