//! A capture of a steady state: ripple by folding, mean, currents.

use super::analysis::{Analysis, Compared, LOOP_TOLD, Overlay, gain_of, model_share, say};
use super::channel::{Channel, Channels};
use super::fold::{Folded, fold};
use super::noise::OF_LEVEL;
use super::predict::{Outcome, Prediction, predict};
use super::run::{self, OnBench, Wanted};
use super::trace::{Trace, mean, range};
use crate::condition::figures::Failure;
use crate::model::capture::Capture;
use crate::model::case::Case;
use crate::model::corner::Corner;
use crate::model::doubt::Acts;

/// Most periods and samples that are simulated.
const PERIODS: f64 = 160.0;
const SAMPLES: usize = 100_000;
/// Draws of noise by which it is known what noise adds; and to which share that is known.
const DRAWS: u64 = 3;
const OF_BIAS: f64 = 0.5;
/// A height must be so many of its uncertainties to tell the frequency.
const CLEAR: f64 = 5.0;
/// Widest bandwidth in Hz of what counts as the usual limit for ripple.
const RIPPLE_LIMIT_HZ: f64 = 30e6;

/// Measures a capture and predicts it.
///
/// # Errors
/// A simulation that fails; a capture that is too short is told as `Ok(Err(words))`.
pub fn analyse(case: &Case, capture: &Capture, channels: &Channels) -> Result<Result<Analysis, String>, Failure> {
    let near_hz = case.board.frequency_hz;
    let folds: Vec<(&Channel, Option<Folded>)> = [&channels.output, &channels.inductor]
        .into_iter()
        .flatten()
        .map(|channel| (channel, fold(&channel.trace, near_hz, channel.instrument.noise)))
        .collect();
    if folds.is_empty() {
        return Ok(Err("neither output nor inductor current was captured".into()));
    }
    let mut measured = vec![];
    for (channel, fold) in folds {
        match fold {
            Some(fold) => measured.push((channel, fold)),
            None => return Ok(Err(format!("{}: fewer than four switching periods", channel.key))),
        }
    }
    let clear = |(_, fold): &&(&Channel, Folded)| fold.periods > 0 && fold.height > CLEAR * fold.height_uncertainty;
    let frequency_hz = measured.iter().rev().find(clear).map(|(_, fold)| 1.0 / fold.period_s);
    let at = OnBench {
        part: capture.setting.part,
        input_v: capture.setting.input_v,
        ambient_degc: capture.setting.ambient_degc,
        loop_h: capture.loop_h,
        frequency_hz,
        bandwidth_hz: channels.output.as_ref().and_then(|output| output.instrument.bandwidth_hz),
    };
    let captured_a = channels.load.as_ref().filter(|load| load.has_mean()).and_then(|load| mean(&load.trace.values));
    let load_a = captured_a.or(capture.setting.load_a).unwrap_or(case.board.full_load_a());
    let mut analysis = Analysis { load: say(load_a, "A"), ..Analysis::default() };
    notes(&mut analysis, case, capture, &measured, frequency_hz);
    let bench = at.case(case);
    let step_s = measured[0].0.trace.step_s;
    let count =
        ((PERIODS / bench.board.frequency_hz / step_s) as usize).min(SAMPLES).min(measured[0].0.trace.values.len());
    let wanted = Wanted { from_s: 0.0, step_s, count };
    let channels_of: Vec<&Channel> = measured.iter().map(|(channel, _)| *channel).collect();
    let seen = |case: &Case, corner: Corner| -> Result<Vec<Trace>, Failure> {
        let seen = run::steady(case, &at, corner, load_a, &wanted)?;
        Ok(channels_of.iter().map(|channel| as_seen(channel, &seen)).collect())
    };
    let outcome = |case: &Case, corner: Corner| -> Result<Outcome, Failure> {
        Ok(outcome(&channels_of, &seen(case, corner)?, case.board.frequency_hz))
    };
    let feels = |acts| matches!(acts, Acts::Waveform);
    let (prediction, left_out) = predict(&bench, at.part, feels, &outcome)?;
    analysis.notes.extend(left_out.iter().map(|name| format!("not in the uncertainty, it cannot be run: {name}")));
    analysis.priors.clone_from(&prediction.priors);
    let shown = seen(&bench, crate::model::corner::NOMINAL)?;

    for (number, (channel, fold)) in measured.iter().enumerate() {
        let adds = noise_adds(channel, &shown[number], bench.board.frequency_hz);
        compare(&mut analysis, (channel, fold, &adds), &prediction, capture.setting.ambient_degc);
        analysis.check_clipped(channel);
        overlay(&mut analysis, channel, fold, &prediction, number);
    }
    Ok(Ok(analysis))
}

/// What a channel makes of a simulation, without noise.
fn as_seen(channel: &Channel, seen: &run::Seen) -> Trace {
    match channel.key {
        // The bandwidth of the output is in the simulation.
        "output" => channel.instrument.unlimited().without_noise(&seen.output),
        "inductor" => channel.instrument.without_noise(&seen.inductor),
        _ => channel.instrument.without_noise(&seen.load),
    }
}

/// Identifiers of what a channel shows: peak to peak, mean, highest value.
fn ids(channel: &Channel) -> [&'static str; 3] {
    match channel.key {
        "output" if channel.instrument.bandwidth_hz.is_some_and(|hz| hz <= RIPPLE_LIMIT_HZ) => {
            ["ripple_20mhz", "output_mean", ""]
        }
        "output" => ["ripple_raw", "output_mean", ""],
        _ => ["inductor_ripple", "", "peak_current"],
    }
}

/// The values of a channel under its identifiers.
fn values(channel: &Channel, trace: &Trace, fold: &Folded) -> Vec<(&'static str, f64)> {
    let [height, middle, highest] = ids(channel);
    let mut values = vec![(height, fold.height)];
    if channel.has_mean() {
        values.extend(mean(&trace.values).map(|mean| (middle, mean)));
        values.extend(range(&fold.wave).map(|range| (highest, range.1)));
    }
    values.retain(|(id, _)| !id.is_empty());
    values
}

fn outcome(channels: &[&Channel], traces: &[Trace], near_hz: f64) -> Outcome {
    let mut outcome = Outcome::default();
    for (channel, trace) in channels.iter().zip(traces) {
        let Some(fold) = fold(trace, near_hz, 0.0) else { continue };
        outcome.figures.extend(values(channel, trace, &fold));
        outcome.curves.push(fold.wave);
    }
    outcome
}

/// What noise and levels add to each value of a channel in the mean.
fn noise_adds(channel: &Channel, trace: &Trace, near_hz: f64) -> Vec<(&'static str, f64)> {
    let of = |trace: &Trace, noise: f64| fold(trace, near_hz, noise).map(|fold| values(channel, trace, &fold));
    let drawn = |seed: u64| of(&channel.instrument.unlimited().sees(trace, seed), channel.instrument.noise);
    let draws: Vec<Vec<(&'static str, f64)>> = (1..=DRAWS).filter_map(drawn).collect();
    let adds = |(id, clean): (&'static str, f64)| {
        let all: Vec<f64> = draws.iter().flatten().filter(|(other, _)| *other == id).map(|(_, value)| *value).collect();
        Some((id, mean(&all)? - clean))
    };
    of(trace, 0.0).into_iter().flatten().filter_map(adds).collect()
}

fn compare(
    analysis: &mut Analysis,
    (channel, fold, adds): (&Channel, &Folded, &[(&'static str, f64)]),
    prediction: &Prediction,
    ambient_degc: f64,
) {
    let level =
        if channel.instrument.noise < channel.instrument.level { OF_LEVEL * channel.instrument.level } else { 0.0 };
    for (id, raw) in values(channel, &channel.trace, fold) {
        let adds = adds.iter().find(|(other, _)| *other == id).map_or(0.0, |(_, adds)| *adds);
        let measured = raw - adds;
        let Some(figure) = prediction.figures.iter().find(|figure| figure.id == id) else { continue };
        let mut predicted = figure.clone();
        predicted.model = model_share(id, predicted.value, ambient_degc);
        if id == ids(channel)[0] {
            analysis.check_scale(channel, measured, predicted.value);
        }
        analysis.figures.push(Compared {
            id,
            predicted,
            measured,
            noise: fold.height_uncertainty.hypot(level).hypot(OF_BIAS * adds),
            gain: gain_of(channel),
            probe: Some(channel.key),
            bounded: channel.clipped > 0.0 && id != "output_mean",
        });
    }
}

fn notes(
    analysis: &mut Analysis,
    case: &Case,
    capture: &Capture,
    measured: &[(&Channel, Folded)],
    frequency_hz: Option<f64>,
) {
    let notes = &mut analysis.notes;
    if let Some(hz) = frequency_hz {
        let board_hz = case.board.frequency_hz;
        notes.push(format!(
            "repeats at {}; the board states {}",
            crate::units::format_si(hz, "Hz", 4),
            say(board_hz, "Hz")
        ));
    }
    for (channel, fold) in measured {
        let (key, unit) = (channel.key, channel.unit);
        notes.push(format!(
            "{key}: noise {}, which would have added {} to the peak to peak of {}",
            say(channel.instrument.noise, unit),
            say((fold.raw_height - fold.height).max(0.0), unit),
            say(fold.height, unit)
        ));
        if fold.periods > 1 {
            notes.push(format!("{key}: repeats after {} periods, not after one", fold.periods));
        }
        if fold.exceeds_noise {
            notes.push(format!(
                "{key}: {} are left after folding, more than the noise: not all cycles are alike; raw peak to peak {}",
                say(fold.left, unit),
                say(fold.raw_height, unit)
            ));
        }
    }
    loop_note(notes, case, capture);
}

/// What the probe's wire loop does.
pub(super) fn loop_note(notes: &mut Vec<String>, case: &Case, capture: &Capture) {
    let share = capture.loop_h / case.parts[capture.setting.part].inductance_h;
    if share > LOOP_TOLD {
        notes.push(format!(
            "the probe's wire loop adds {} to the inductance; it is in the prediction",
            say(100.0 * share, "%")
        ));
    }
}

/// One round of the folded waveforms over each other, their means taken off.
fn overlay(analysis: &mut Analysis, channel: &Channel, fold: &Folded, prediction: &Prediction, number: usize) {
    let (Some(curve), Some(band)) = (prediction.curves.get(number), prediction.bands.get(number)) else { return };
    let count = curve.len();
    let middle = |values: &[f64]| mean(values).unwrap_or(0.0);
    let (of_measured, of_predicted) = (middle(&fold.wave), middle(curve));
    // The measured wave on the bins of the predicted one, begun where both agree best.
    let measured: Vec<f64> = (0..count).map(|bin| fold.wave[bin * fold.wave.len() / count] - of_measured).collect();
    let predicted: Vec<f64> = curve.iter().map(|value| value - of_predicted).collect();
    let off =
        |by: usize| -> f64 { (0..count).map(|bin| (measured[(bin + by) % count] - predicted[bin]).powi(2)).sum() };
    let by = (0..count).min_by(|a, b| off(*a).total_cmp(&off(*b))).unwrap_or(0);
    let step_s = fold.period_s * fold.periods as f64 / count as f64;
    analysis.overlays.push(Overlay {
        label: if channel.key == "output" { "Output ripple".into() } else { "Inductor ripple".into() },
        unit: channel.unit,
        time_s: (0..count).map(|bin| bin as f64 * step_s).collect(),
        measured: (0..count).map(|bin| measured[(bin + by) % count]).collect(),
        predicted,
        band: band.clone(),
    });
}
