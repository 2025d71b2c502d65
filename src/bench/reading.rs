//! Numbers that were read, and power meters, beside what the simulation gives for the same condition.

use super::analysis::{Analysis, Compared, model_share, say};
use super::predict::{Asked, Feels, Outcome, Shifts, Unit};
use super::run::OnBench;
use super::score::{Meters, of_limits};
use crate::condition;
use crate::condition::figures::Failure;
use crate::model::capture::{Captures, Metered, Reading, Setting};
use crate::model::case::Case;
use crate::model::doubt::Acts;

/// What was read in one setting: identifier, value, standard uncertainty.
type Read = (&'static str, f64, f64);

/// Every setting in which something was read, with its readings.
pub fn settings(captures: &Captures) -> Vec<(&Setting, Vec<Read>)> {
    let of_reading = |reading: &'_ Reading| (reading.quantity, reading.value, of_limits(reading.error));
    let readings = captures.readings.iter().map(|reading| (&reading.setting, of_reading(reading)));
    let meters = captures.meters.iter().map(|metered| {
        let (efficiency, uncertainty) = efficiency(metered);
        (&metered.setting, ("efficiency", efficiency, uncertainty))
    });
    let mut settings: Vec<(&Setting, Vec<Read>)> = vec![];
    for (setting, read) in readings.chain(meters) {
        let same = |other: &&mut (&Setting, Vec<Read>)| is_same(other.0, setting);
        match settings.iter_mut().find(same) {
            Some((_, reads)) => reads.push(read),
            None => settings.push((setting, vec![read])),
        }
    }
    settings
}

fn is_same(a: &Setting, b: &Setting) -> bool {
    let of =
        |setting: &Setting| (setting.part, setting.condition, setting.input_v, setting.load_a, setting.ambient_degc);
    of(a) == of(b)
}

fn efficiency(metered: &Metered) -> (f64, f64) {
    let uncertainties = metered.errors.map(of_limits);
    Meters { values: metered.values, uncertainties, correlation: metered.correlation }.efficiency()
}

/// Predicts what was read in a setting. `Ok(Err(words))` where the condition gives no such number.
///
/// # Errors
/// A simulation that fails.
pub fn analyse(
    case: &Case,
    setting: &Setting,
    reads: &[Read],
    shifts: &Shifts,
) -> Result<Result<Analysis, String>, Failure> {
    let at = OnBench {
        part: setting.part,
        input_v: setting.input_v,
        ambient_degc: setting.ambient_degc,
        loop_h: 0.0,
        frequency_hz: None,
        bandwidth_hz: None,
    };
    let load_a = match (setting.condition, case.board.load_step) {
        ("load step", Some(step)) => step.to_a,
        _ => setting.load_a.unwrap_or(case.board.full_load_a()),
    };
    let run = |unit: &Unit| -> Result<Outcome, Failure> {
        let stand = at.stand(unit);
        let place = stand.place(setting.condition, load_a);
        let Some(condition) = condition::find(setting.condition) else { return Ok(Outcome::default()) };
        let found = condition.simulate(&stand, place)?;
        let figures = reads.iter().filter_map(|(id, _, _)| Some((*id, found.figures.number(id)?)));
        Ok(Outcome { figures: figures.collect(), ..Outcome::default() })
    };
    let feels: Feels = match setting.condition {
        "steady" => |acts| matches!(acts, Acts::Waveform | Acts::Loss | Acts::Supply),
        _ => |acts| matches!(acts, Acts::Waveform | Acts::Loop),
    };
    let mut analysis = Analysis { load: say(load_a, "A"), ..Analysis::default() };
    let prediction = analysis.predict(&Asked { case: &at.case(case), part: at.part, feels, shifts }, &run)?;
    for (id, measured, uncertainty) in reads {
        let Some(figure) = prediction.figures.iter().find(|figure| figure.id == *id) else {
            return Ok(Err(format!("the simulation gives no {id} there")));
        };
        let mut predicted = figure.clone();
        predicted.model = model_share(id, predicted.value, setting.ambient_degc);
        analysis.figures.push(Compared {
            id,
            predicted,
            measured: *measured,
            noise: *uncertainty,
            gain: 0.0,
            probe: None,
            bounded: false,
        });
    }
    Ok(Ok(analysis))
}
