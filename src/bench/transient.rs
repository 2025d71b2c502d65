//! A capture of a load step: the load that was really drawn, the instant of the step, and what follows it.

use super::analysis::{Analysis, Compared, Overlay, model_share, say};
use super::channel::{Channel, Channels};
use super::fold::fold;
use super::noise::{self, Does, Values};
use super::predict::{Asked, Effect, Outcome, Prediction, Shifts, Unit};
use super::run::{self, OnBench, Wanted};
use super::score::of_limits;
use super::step::{self, Drawn, Times};
use super::trace::{Trace, mean, range};
use crate::condition::figures::Failure;
use crate::model::board::LoadStep;
use crate::model::capture::Capture;
use crate::model::case::Case;
use crate::model::doubt::Acts;

/// Most samples that are compared; more are averaged.
const SAMPLES: usize = 250_000;
/// Periods before the step that are looked at.
const BEFORE: f64 = 40.0;
/// Window around the step, in periods, in which waveforms are shifted against each other.
const WINDOW: (f64, f64) = (-3.0, 25.0);
/// Limit of the skew between channels in s.
const SKEW_S: f64 = 100e-9;
/// Share of it from which the shift counts as being at the limit.
const AT_LIMIT: f64 = 0.97;
/// Places in the switching period at which the step may fall, and rounds in which they are halved.
const PHASES: usize = 8;
const ROUNDS: usize = 3;
/// Noise after smoothing, as a share of half the recovery band; and the longest smoothing in periods.
const SMOOTH: (f64, f64) = (0.1, 0.1);
/// Draws of noise.
const DRAWS: u64 = 16;
/// What noise adds to an extreme is known to about that share of it.
const OF_BIAS: f64 = 0.25;
/// A ripple must be so many of its uncertainties high to tell the frequency.
const CLEAR: f64 = 5.0;
/// Share of the stated slew below which a load is slow.
const SLOW: f64 = 0.8;
/// Points of an overlay.
const SHOWN: usize = 1500;
/// A deviation of so many noise deviations, or of this share of the whole range, begins a step that no load channel shows.
const BEGINS: (f64, f64) = (6.0, 0.2);

/// What is known of the step before anything is simulated.
struct Program {
    step: LoadStep,
    /// Begin of the step in the time of the capture, in s, and how far it may be off.
    begin_s: f64,
    reach_s: f64,
    times: Times,
    /// Limits of error of the load's levels, as a fraction.
    error: f64,
}

/// Measures a capture and predicts it.
///
/// # Errors
/// A simulation that fails; a capture without a step is told as `Ok(Err(words))`.
pub fn analyse(
    case: &Case,
    capture: &Capture,
    channels: &Channels,
    shifts: &Shifts,
) -> Result<Result<Analysis, String>, Failure> {
    let Some(main) = channels.output.as_ref().or(channels.inductor.as_ref()) else {
        return Ok(Err("neither output nor inductor current was captured".into()));
    };
    let period_s = 1.0 / case.board.frequency_hz;
    let program = match program(case, channels, main, period_s) {
        Ok(program) => program,
        Err(words) => return Ok(Err(words)),
    };
    let at = OnBench::of(capture, channels, frequency_hz(case, channels, program.begin_s));
    let bench = at.case(case);
    let period_s = 1.0 / bench.board.frequency_hz;
    let lines = lines(channels, &program, period_s);
    let feels = |acts| matches!(acts, Acts::Waveform | Acts::Loop);
    let asked = Asked { case: &bench, part: at.part, feels, shifts };
    let unit = asked.unit();
    let mut work = Work { unit: &unit, at, program, lines, period_s, fraction: 0.0 };
    let mut analysis = Analysis { load: work.load(), ..Analysis::default() };
    let skews = work.place_step()?;
    work.notes(&mut analysis, case, capture, channels, &skews);
    let run = |unit: &Unit| Ok(work.outcome(&work.seen(unit, work.fraction)?));
    let prediction = analysis.predict(&asked, &run)?;
    let noise = work.noise(&work.seen(&unit, work.fraction)?);
    work.compare(&mut analysis, &prediction, &noise, capture.setting.ambient_degc);
    work.overlays(&mut analysis, &prediction);
    Ok(Ok(analysis))
}

/// The switching frequency in Hz, as the repetition before the step shows it; `None` where it is not clear.
fn frequency_hz(case: &Case, channels: &Channels, begin_s: f64) -> Option<f64> {
    let lines = [&channels.inductor, &channels.output].into_iter().flatten();
    let folds = lines.filter_map(|line| {
        let before = line.trace.cut(line.trace.start_s, begin_s);
        fold(&before, case.board.frequency_hz, line.instrument.noise).filter(|fold| !fold.exceeds_noise)
    });
    let mut clear = folds.filter(|fold| fold.height > CLEAR * fold.height_uncertainty);
    clear.next().map(|fold| 1.0 / fold.period_s)
}

/// What the load does, by its channel or as the case states it.
fn program(case: &Case, channels: &Channels, main: &Channel, period_s: f64) -> Result<Program, String> {
    let stated = case.board.load_step;
    let Some(load) = channels.load.as_ref() else {
        let step = stated.ok_or("the case states no load step, and the load was not captured")?;
        let begin_s = begin_of(main, period_s).ok_or("step not found: nothing stands out of ripple and noise")?;
        let edge_s = (step.to_a - step.from_a).abs() / step.slew_a_per_s;
        let release_s = edge_s + step.hold_s;
        let end_s = main.trace.end_s() - begin_s;
        let times = Times { step_s: 0.0, release_s: (release_s < end_s).then_some(release_s), end_s, period_s };
        return Ok(Program { step, begin_s, reach_s: period_s, times, error: 0.0 });
    };
    let drawn =
        step::drawn(&load.trace, load.instrument.noise).ok_or("step not found: the load current has no edge")?;
    let first = drawn.edges.iter().position(|edge| edge.rises).ok_or("step not found: the load only falls")?;
    let begin_s = drawn.begin_s(&drawn.edges[first]);
    let rest = &drawn.edges[first + 1..];
    let release_s = rest.first().map(|edge| drawn.begin_s(edge) - begin_s);
    let end_s = rest.get(1).map_or(load.trace.end_s(), |edge| drawn.begin_s(edge)) - begin_s;
    let step = as_drawn(&drawn, first, release_s.unwrap_or(end_s));
    let times = Times { step_s: 0.0, release_s, end_s, period_s };
    Ok(Program { step, begin_s, reach_s: SKEW_S, times, error: load.error })
}

/// The step as the load channel shows it.
fn as_drawn(drawn: &Drawn, first: usize, release_s: f64) -> LoadStep {
    let (from_a, to_a) = drawn.levels_a;
    let slew_a_per_s = drawn.edges[first].slew_per_s;
    let from_a = from_a.max(0.0);
    let hold_s = (release_s - (to_a - from_a) / slew_a_per_s).max(0.0);
    LoadStep::once(from_a, to_a, slew_a_per_s, hold_s)
}

/// When a waveform first leaves what it did before, in s.
fn begin_of(channel: &Channel, period_s: f64) -> Option<f64> {
    let periods = (period_s / channel.trace.step_s).round().max(1.0);
    let smooth = channel.trace.smoothed(periods as usize);
    let (low, high) = range(&smooth.values)?;
    let least = (BEGINS.0 * channel.instrument.noise / periods.sqrt()).max(BEGINS.1 * (high - low));
    let before = mean(smooth.between(smooth.start_s, smooth.start_s + 2.0 * period_s))?;
    let first = smooth.values.iter().position(|value| (value - before).abs() > least)?;
    // Where the whole range is ripple and noise, there is no step.
    (high - low > 2.0 * BEGINS.0 * channel.instrument.noise / periods.sqrt()).then(|| smooth.time_s(first) - period_s)
}

/// Output and inductor current, their time counted from the begin of the step, cut to what is looked at.
fn lines(channels: &Channels, program: &Program, period_s: f64) -> Vec<Channel> {
    let line = |channel: &Channel| {
        let mut line = channel.clone();
        line.trace.start_s -= program.begin_s;
        let from_s = (-BEFORE * period_s).max(line.trace.start_s);
        let until_s = program.times.end_s.min(line.trace.end_s());
        line.trace = line.trace.cut(from_s, until_s);
        let each = line.trace.values.len().div_ceil(SAMPLES);
        line.trace = line.trace.thinned(each);
        line.instrument.noise /= (each as f64).sqrt();
        line
    };
    [&channels.output, &channels.inductor].into_iter().flatten().map(line).collect()
}

/// Everything at hand while a capture is analysed.
struct Work<'a> {
    unit: &'a Unit,
    at: OnBench,
    program: Program,
    lines: Vec<Channel>,
    period_s: f64,
    /// Where in the switching period the step falls.
    fraction: f64,
}

/// A slew as a load's data sheet has it.
fn slew(a_per_s: f64) -> String {
    if a_per_s.is_finite() { format!("{:.3} A/us", 1e-6 * a_per_s) } else { "a jump".into() }
}

impl Work<'_> {
    fn load(&self) -> String {
        let LoadStep { from_a, to_a, slew_a_per_s, .. } = self.program.step;
        format!("{} to {}, {}", say(from_a, "A"), say(to_a, "A"), slew(slew_a_per_s))
    }

    /// What each line makes of a simulation, without noise.
    fn seen(&self, unit: &Unit, fraction: f64) -> Result<Vec<Trace>, Failure> {
        let trace = &self.lines[0].trace;
        let wanted = Wanted { from_s: trace.start_s, step_s: trace.step_s, count: trace.values.len() };
        let seen = run::load_step(unit, &self.at, &self.program.step, fraction, &wanted)?;
        Ok(self.lines.iter().map(|line| line.shows(&seen)).collect())
    }

    /// Finds where in the switching period the step falls, and the skew of each line: by least squares of the first one. The lines are
    /// moved by their skews.
    fn place_step(&mut self) -> Result<Vec<f64>, Failure> {
        let mut spacing = 1.0 / PHASES as f64;
        let mut tried: Vec<f64> = (0..PHASES).map(|phase| phase as f64 * spacing).collect();
        let mut best = (f64::INFINITY, 0.0);
        for _ in 0..ROUNDS {
            for fraction in tried {
                let left = self.left(fraction)?;
                if left < best.0 {
                    best = (left, fraction);
                }
            }
            spacing *= 0.5;
            tried = [-spacing, spacing].iter().map(|by| (best.1 + by).rem_euclid(1.0)).collect();
        }
        self.fraction = best.1;
        let seen = self.seen(self.unit, self.fraction)?;
        let window = self.window();
        let reach_s = self.program.reach_s;
        let skew = |(line, seen): (&mut Channel, &Trace)| {
            let skew_s = step::shift(&line.trace, seen, window, reach_s).map_or(0.0, |(shift_s, _)| shift_s);
            line.trace.start_s -= skew_s;
            skew_s
        };
        Ok(self.lines.iter_mut().zip(&seen).map(skew).collect())
    }

    fn window(&self) -> (f64, f64) {
        let until_s = self.program.times.release_s.unwrap_or(self.program.times.end_s);
        (WINDOW.0 * self.period_s, (WINDOW.1 * self.period_s).min(until_s))
    }

    /// Mean square that is left of the first line with the step at a place in the period.
    fn left(&self, fraction: f64) -> Result<f64, Failure> {
        let seen = self.seen(self.unit, fraction)?;
        let shift = step::shift(&self.lines[0].trace, &seen[0], self.window(), self.program.reach_s);
        Ok(shift.map_or(f64::INFINITY, |(_, left)| left))
    }

    fn half_band_v(&self) -> f64 {
        self.unit.0.limits.recovery_band * self.unit.0.board.output_v
    }

    /// Samples over which a line is smoothed, so that noise takes little of the band.
    fn smooth(&self, line: &Channel) -> usize {
        let wanted = (line.instrument.noise / (SMOOTH.0 * self.half_band_v())).powi(2).ceil();
        let most = (SMOOTH.1 * self.period_s / line.trace.step_s).floor();
        wanted.min(most).max(1.0) as usize
    }

    fn values(&self, line: &Channel, trace: &Trace) -> Values {
        let smooth = self.smooth(line);
        if line.key != "output" {
            let highest = range(trace.smoothed(smooth).between(0.0, self.program.times.end_s));
            let highest = highest.filter(|_| line.has_mean()).map(|range| ("peak_current", range.1));
            return highest.into_iter().collect();
        }
        let found = step::figures(trace, &self.program.times, self.half_band_v(), smooth);
        let all =
            [("dip", found.dip_v), ("rise", found.rise_v), ("window", found.window_v), ("recovery", found.recovery_s)];
        all.into_iter().filter_map(|(id, value)| Some((id, value?))).collect()
    }

    fn outcome(&self, traces: &[Trace]) -> Outcome {
        let each = self.lines[0].trace.values.len().div_ceil(SHOWN);
        let figures = self.lines.iter().zip(traces).flat_map(|(line, trace)| self.values(line, trace)).collect();
        let curves = traces.iter().map(|trace| trace.thinned(each).values).collect();
        Outcome { figures, curves, ..Outcome::default() }
    }

    /// What noise and levels do to each figure.
    fn noise(&self, traces: &[Trace]) -> Vec<(&'static str, Does)> {
        let draw = |seed: u64| -> Values {
            let lines = self.lines.iter().zip(traces);
            lines.flat_map(|(line, trace)| self.values(line, &line.instrument.unlimited().sees(trace, seed))).collect()
        };
        noise::does(self.outcome(traces).figures, DRAWS, draw)
    }

    fn compare(
        &self,
        analysis: &mut Analysis,
        prediction: &Prediction,
        noise: &[(&'static str, Does)],
        ambient_degc: f64,
    ) {
        for line in &self.lines {
            for (id, raw) in self.values(line, &line.trace) {
                let Some(figure) = prediction.figures.iter().find(|figure| figure.id == id) else { continue };
                let Does { adds, scatter } = noise::done(noise, id);
                let model = model_share(id, figure.value, ambient_degc);
                let mut compared = Compared::of(line, figure, raw - adds, scatter.hypot(OF_BIAS * adds), model);
                if id == "recovery" {
                    // It jumps by the ripple's period, and no gain moves it.
                    compared.predicted.model = model.hypot(of_limits(self.period_s));
                    (compared.gain, compared.noise) = (0.0, compared.noise.hypot(line.trace.step_s));
                } else {
                    compared.predicted.effects.push(self.load_effect(figure.value));
                }
                if matches!(id, "window" | "peak_current") {
                    analysis.check_scale(line, compared.measured, figure.value);
                }
                analysis.figures.push(compared);
            }
            analysis.check_clipped(line);
        }
    }

    /// What the error of the captured load does to a figure.
    fn load_effect(&self, value: f64) -> Effect {
        let change = of_limits(self.program.error) * value;
        Effect { name: "load as captured".into(), of_part: false, change, half_width: None }
    }

    fn notes(&self, analysis: &mut Analysis, case: &Case, capture: &Capture, channels: &Channels, skews: &[f64]) {
        let notes = &mut analysis.notes;
        let is_captured = channels.load.is_some();
        let stated = case.board.load_step.map_or(f64::INFINITY, |step| step.slew_a_per_s);
        let slew = self.program.step.slew_a_per_s;
        if !is_captured {
            notes.push("the load was not captured: it is taken as the case states it".into());
        } else if slew < SLOW * stated && stated.is_finite() {
            notes.push(format!(
                "the load rose at {}, not at {}: an easier step than the case states; it is predicted as drawn",
                self::slew(slew),
                self::slew(stated)
            ));
        }
        for (line, skew_s) in self.lines.iter().zip(skews).filter(|_| is_captured) {
            let is_at_limit = skew_s.abs() > AT_LIMIT * SKEW_S;
            let more = if is_at_limit { ": at the limit of 100 ns, the real one may be larger" } else { "" };
            notes.push(format!("{}: fits best {} behind the load{more}", line.key, say(*skew_s, "s")));
        }
        for line in &self.lines {
            notes.push(format!("{}: noise {}", line.key, say(line.instrument.noise, line.unit)));
        }
        super::steady::loop_note(notes, case, capture);
    }

    fn overlays(&self, analysis: &mut Analysis, prediction: &Prediction) {
        let each = self.lines[0].trace.values.len().div_ceil(SHOWN);
        let curves = prediction.curves.iter().zip(&prediction.bands);
        for (line, (predicted, band)) in self.lines.iter().zip(curves) {
            let measured = line.trace.thinned(each);
            let count = measured.values.len().min(predicted.len());
            // An offset of the channel says nothing here: both are held at their mean before the step.
            let before = |values: &[f64]| {
                let until = (0..count).take_while(|k| measured.time_s(*k) < 0.0).count();
                mean(&values[..until]).unwrap_or(0.0)
            };
            let is_output = line.key == "output";
            let (of_measured, of_predicted) =
                if is_output { (before(&measured.values), before(predicted)) } else { (0.0, 0.0) };
            analysis.overlays.push(Overlay {
                label: if is_output {
                    "Output, from its mean before the step".into()
                } else {
                    "Inductor current".into()
                },
                unit: line.unit,
                time_s: (0..count).map(|k| measured.time_s(k)).collect(),
                measured: measured.values[..count].iter().map(|value| value - of_measured).collect(),
                predicted: predicted[..count].iter().map(|value| value - of_predicted).collect(),
                band: band[..count].to_vec(),
            });
        }
    }
}
