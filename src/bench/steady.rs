//! A capture of a steady state: ripple by folding, mean, currents.

use super::analysis::{Analysis, Compared, LOOP_TOLD, Overlay, model_share, say};
use super::channel::{Channel, Channels};
use super::fold::{self, Folded, POINTS, fold};
use super::noise::{self, Does, OF_LEVEL, Values};
use super::predict::{Asked, Effect, Figure, Outcome, Prediction, Shifts, Unit};
use super::run::{self, OnBench, Wanted};
use super::trace::{Trace, mean, range};
use crate::condition::figures::Failure;
use crate::model::capture::Capture;
use crate::model::case::Case;
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

/// The instant at which a folded waveform begins is doubtful by that share of its period.
const INSTANT: f64 = 0.5 / POINTS as f64;

/// Measures a capture and predicts it.
///
/// # Errors
/// A simulation that fails; a capture that is too short is told as `Ok(Err(words))`.
pub fn analyse(
    case: &Case,
    capture: &Capture,
    channels: &Channels,
    shifts: &Shifts,
) -> Result<Result<Analysis, String>, Failure> {
    let measured = match measured(case, channels) {
        Ok(measured) => measured,
        Err(words) => return Ok(Err(words)),
    };
    let clear = |(_, fold): &&(&Channel, Folded)| fold.periods > 0 && fold.height > CLEAR * fold.height_uncertainty;
    let frequency_hz = measured.iter().rev().find(clear).map(|(_, fold)| 1.0 / fold.period_s);
    let at = OnBench::of(capture, channels, frequency_hz);
    let captured_a = channels.load.as_ref().filter(|load| load.has_mean()).and_then(|load| mean(&load.trace.values));
    let load_a = captured_a.or(capture.setting.load_a).unwrap_or(case.board.full_load_a());
    let mut analysis = Analysis { load: say(load_a, "A"), ..Analysis::default() };
    notes(&mut analysis, case, capture, &measured, frequency_hz);
    let bench = at.case(case);
    let (step_s, samples) = (measured[0].0.trace.step_s, measured[0].0.trace.values.len());
    let count = ((PERIODS / bench.board.frequency_hz / step_s) as usize).min(SAMPLES).min(samples);
    let wanted = Wanted { from_s: 0.0, step_s, count };
    let seen = |unit: &Unit| -> Result<Vec<Trace>, Failure> {
        let seen = run::steady(unit, &at, load_a, &wanted)?;
        Ok(measured.iter().map(|(channel, _)| channel.shows(&seen)).collect())
    };
    let run = |unit: &Unit| Ok(outcome(&measured, &seen(unit)?, unit.0.board.frequency_hz));
    let asked = Asked { case: &bench, part: at.part, feels: |acts| matches!(acts, Acts::Waveform), shifts };
    let prediction = analysis.predict(&asked, &run)?;
    let shown = seen(&asked.unit())?;
    for (number, (channel, fold)) in measured.iter().enumerate() {
        let noise = noise(channel, &shown[number], bench.board.frequency_hz);
        compare(&mut analysis, (channel, fold, &noise), &prediction, capture.setting.ambient_degc);
        analysis.check_clipped(channel);
        overlay(&mut analysis, channel, fold, &prediction, number);
        let points = prediction.points.get(number * POINTS..(number + 1) * POINTS);
        if let Some((points, wave)) = points.zip(prediction.curves.get(number)) {
            points_beside(&mut analysis, (channel, fold), points, wave, &capture.file);
        }
    }
    Ok(Ok(analysis))
}

/// The channels with what repeats in each.
fn measured<'a>(case: &Case, channels: &'a Channels) -> Result<Vec<(&'a Channel, Folded)>, String> {
    let mut measured = vec![];
    for channel in [&channels.output, &channels.inductor].into_iter().flatten() {
        let fold = fold(&channel.trace, case.board.frequency_hz, channel.instrument.noise)
            .ok_or_else(|| format!("{}: fewer than four switching periods", channel.key))?;
        measured.push((channel, fold));
    }
    if measured.is_empty() { Err("neither output nor inductor current was captured".into()) } else { Ok(measured) }
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

fn outcome(measured: &[(&Channel, Folded)], traces: &[Trace], near_hz: f64) -> Outcome {
    let mut outcome = Outcome::default();
    for ((channel, _), trace) in measured.iter().zip(traces) {
        let Some(fold) = fold(trace, near_hz, 0.0) else { continue };
        outcome.figures.extend(values(channel, trace, &fold));
        outcome.points.extend(fold::points(&fold, 0.0));
        outcome.curves.push(fold.wave);
    }
    outcome
}

/// What noise and levels do to each value of a channel.
fn noise(channel: &Channel, trace: &Trace, near_hz: f64) -> Vec<(&'static str, Does)> {
    let of = |trace: &Trace, noise: f64| -> Values {
        fold(trace, near_hz, noise).map_or(vec![], |fold| values(channel, trace, &fold))
    };
    let drawn = |seed: u64| of(&channel.instrument.unlimited().sees(trace, seed), channel.instrument.noise);
    noise::does(of(trace, 0.0), DRAWS, drawn)
}

/// Standard uncertainty that levels leave where noise does not blur them.
fn level_left(channel: &Channel) -> f64 {
    let Channel { instrument, .. } = channel;
    if instrument.noise < instrument.level { OF_LEVEL * instrument.level } else { 0.0 }
}

fn compare(
    analysis: &mut Analysis,
    (channel, fold, noise): (&Channel, &Folded, &[(&'static str, Does)]),
    prediction: &Prediction,
    ambient_degc: f64,
) {
    for (id, raw) in values(channel, &channel.trace, fold) {
        let Some(figure) = prediction.figures.iter().find(|figure| figure.id == id) else { continue };
        let adds = noise::done(noise, id).adds;
        let own = fold.height_uncertainty.hypot(level_left(channel)).hypot(OF_BIAS * adds);
        let compared = Compared::of(channel, figure, raw - adds, own, model_share(id, figure.value, ambient_degc));
        if id == ids(channel)[0] {
            analysis.check_scale(channel, compared.measured, figure.value);
        }
        analysis.figures.push(compared);
    }
}

/// The points of the folded waveform beside the predicted ones, begun where both agree best. A waveform that takes several periods, or of
/// which not all cycles are alike, has none.
fn points_beside(
    analysis: &mut Analysis,
    (channel, fold): (&Channel, &Folded),
    predicted: &[Figure],
    wave: &[f64],
    file: &str,
) {
    let Some(height) =
        analysis.figures.iter().find(|figure| figure.probe == Some(channel.key) && figure.id == ids(channel)[0])
    else {
        return;
    };
    if fold.periods > 1 || fold.exceeds_noise || height.bounded {
        return;
    }
    let model = height.predicted.model;
    let values: Vec<f64> = predicted.iter().map(|point| point.value).collect();
    let measured = fold::points_like(fold, &values);
    let apart = noise::apart(channel.instrument.bandwidth_hz, channel.trace.step_s);
    let samples = channel.trace.values.len() as f64 / (apart * POINTS) as f64;
    let noise = (fold.left / samples.max(1.0).sqrt()).hypot(level_left(channel));
    let [early, late] = [-INSTANT, INSTANT].map(|by| fold::points_of(wave, by));
    for (number, (point, measured)) in predicted.iter().zip(measured).enumerate() {
        let mut compared = Compared::of(channel, point, measured, noise, model);
        let name = format!("instant of {} in {file}", channel.key);
        let change = 0.5 * (late[number] - early[number]);
        compared.predicted.effects.push(Effect { name, of_part: false, change, half_width: None });
        analysis.points.push(compared);
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
