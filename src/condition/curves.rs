//! Curves that conditions leave behind for plots and files.

use crate::measure::curves::Thinned;
use crate::measure::steady::SteadyResult;
use crate::stability::{Loop, Margins};

/// One curve of one part.
#[derive(Clone, Debug, PartialEq)]
pub enum Curve {
    /// One repetition of a steady state.
    Period(PeriodCurve),
    /// Loop gain in it.
    Loop(LoopCurve),
    /// Losses in it.
    Losses(LossSplit),
    /// The run of a condition of that name.
    Event(&'static str, StepCurve),
    /// Pulses towards light load.
    Light(LightCurve),
}

impl Curve {
    /// The curve of a named load.
    pub(crate) fn of_load(self, name: &str) -> Curve {
        match self {
            Curve::Event(condition, curve) => Curve::Event(condition, StepCurve { load: name.into(), ..curve }),
            other => other,
        }
    }
}

/// Loop gain as a loop analyser shows it, up to half the switching frequency.
#[derive(Clone, Debug, PartialEq)]
pub struct LoopCurve {
    /// Part.
    pub part: String,
    /// Frequency in Hz, ascending.
    pub frequency_hz: Vec<f64>,
    /// Magnitude in dB.
    pub gain_db: Vec<f64>,
    /// Phase in degrees, without jumps of a turn.
    pub phase_deg: Vec<f64>,
    /// Crossover in Hz, where there is one.
    pub crossover_hz: Option<f64>,
}

/// One switching period.
#[derive(Clone, Debug, PartialEq)]
pub struct PeriodCurve {
    /// Part.
    pub part: String,
    /// Time in s from the clock edge, ascending; two entries share a time where a waveform jumps.
    pub time_s: Vec<f64>,
    /// Inductor current in A.
    pub current_a: Vec<f64>,
    /// Output voltage in V.
    pub output_v: Vec<f64>,
    /// Output voltage through the 20 MHz low-pass in V.
    pub output_20mhz_v: Vec<f64>,
    /// Switch-node voltage in V.
    pub switch_v: Vec<f64>,
}

/// Load step and release, thinned so that the extremes of every interval are kept.
#[derive(Clone, Debug, PartialEq)]
pub struct StepCurve {
    /// Part.
    pub part: String,
    /// Name of the load step or profile; empty for the board's own load step, and for what has no such name.
    pub load: String,
    /// Time in s from the begin of the step, ascending.
    pub time_s: Vec<f64>,
    /// Lowest output voltage in the interval that begins at that time, in V.
    pub output_low_v: Vec<f64>,
    /// Highest output voltage in that interval in V.
    pub output_high_v: Vec<f64>,
    /// Lowest inductor current in A.
    pub current_low_a: Vec<f64>,
    /// Highest inductor current in A.
    pub current_high_a: Vec<f64>,
    /// Load current at the begin of the interval in A.
    pub load_a: Vec<f64>,
    /// Final mean of the output at the upper level in V.
    pub mean_high_load_v: f64,
    /// Mean of the output at the lower level in V.
    pub mean_low_load_v: f64,
}

/// Pulses of one part towards light load.
#[derive(Clone, Debug, PartialEq)]
pub struct LightCurve {
    /// Part.
    pub part: String,
    /// (load in A, repetition of the pattern in Hz, ripple in V), load ascending.
    pub points: Vec<(f64, f64, f64)>,
}

/// Losses of one part by cause.
#[derive(Clone, Debug, PartialEq)]
pub struct LossSplit {
    /// Part.
    pub part: String,
    /// (cause, loss in W).
    pub items: Vec<(String, f64)>,
}

/// Waveform from which a quantity is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Signal {
    /// Output voltage.
    Output,
    /// Output voltage through the 20 MHz low-pass.
    Output20Mhz,
    /// Inductor current.
    Current,
    /// Magnitude of the loop gain, over frequency.
    Gain,
    /// Its phase.
    Phase,
    /// Output ripple, over load.
    LightRipple,
    /// Repetition of the pulses, over load.
    LightRate,
}

/// How a quantity is read from a waveform.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reading {
    /// The highest value.
    Highest,
    /// The lowest value.
    Lowest,
    /// The highest value above the mean at the upper level.
    AboveMean,
    /// The lowest value below the mean at the lower level.
    BelowMean,
    /// The highest value above the output aimed at.
    AboveAim,
    /// The largest distance from the output aimed at, either way.
    FromAim,
    /// The largest distance from the mean before the event, either way.
    FromMean,
    /// The highest value less the lowest.
    Width,
    /// From leaving the band around the final mean to the last re-entry.
    Settling,
    /// From the begin to the last entry into the band.
    Start,
    /// The load at which the band is left for good.
    GivesWay,
    /// Margin of the loop: above -180 degrees at the crossover, or below 0 dB.
    Margin,
    /// Frequency of a gain of 0 dB.
    Crossover,
}

/// Quantities that a curve of their condition shows.
const READINGS: [(&str, Signal, Reading); 25] = [
    ("ripple_20mhz", Signal::Output20Mhz, Reading::Width),
    ("ripple_raw", Signal::Output, Reading::Width),
    ("inductor_ripple", Signal::Current, Reading::Width),
    ("peak_current", Signal::Current, Reading::Highest),
    ("dip", Signal::Output, Reading::BelowMean),
    ("rise", Signal::Output, Reading::AboveMean),
    ("window", Signal::Output, Reading::Width),
    ("recovery", Signal::Output, Reading::Settling),
    ("output_deviation", Signal::Output, Reading::FromAim),
    ("start_time", Signal::Output, Reading::Start),
    ("start_overshoot", Signal::Output, Reading::AboveMean),
    ("start_peak", Signal::Current, Reading::Highest),
    ("short_peak", Signal::Current, Reading::Highest),
    ("dropout_minimum", Signal::Output, Reading::Lowest),
    ("dropout_overshoot", Signal::Output, Reading::AboveAim),
    ("dropout_peak", Signal::Current, Reading::Highest),
    ("input_step_deviation", Signal::Output, Reading::FromMean),
    ("trip", Signal::Output, Reading::GivesWay),
    ("trip_lowest", Signal::Output, Reading::GivesWay),
    ("trip_highest", Signal::Output, Reading::GivesWay),
    ("phase_margin", Signal::Phase, Reading::Margin),
    ("gain_margin", Signal::Gain, Reading::Margin),
    ("crossover", Signal::Gain, Reading::Crossover),
    ("light_ripple", Signal::LightRipple, Reading::Highest),
    ("pattern_frequency", Signal::LightRate, Reading::Lowest),
];

/// How a quantity is read from a curve; `None` where no curve shows it.
pub fn reading_of(quantity: &str) -> Option<(Signal, Reading)> {
    READINGS.iter().find(|(id, _, _)| *id == quantity).map(|(_, signal, reading)| (*signal, *reading))
}

/// A steady state as it is shown.
pub(crate) fn period_curve(part: &str, steady: &SteadyResult) -> PeriodCurve {
    let trace = steady.trace.clone();
    PeriodCurve {
        part: part.into(),
        time_s: trace.time_s,
        current_a: trace.current_a,
        output_v: trace.output_v,
        output_20mhz_v: trace.instrument_v,
        switch_v: trace.switch_v,
    }
}

/// A thinned run as it is shown, with the means of the output at the lower and the upper level in V.
pub(crate) fn step_curve(part: &str, thinned: Thinned, means_v: (f64, f64)) -> StepCurve {
    let split = |pairs: Vec<(f64, f64)>| pairs.into_iter().unzip();
    let (output_low_v, output_high_v) = split(thinned.output_v);
    let (current_low_a, current_high_a) = split(thinned.current_a);
    StepCurve {
        part: part.into(),
        load: String::new(),
        time_s: thinned.time_s,
        output_low_v,
        output_high_v,
        current_low_a,
        current_high_a,
        load_a: thinned.load_a,
        mean_high_load_v: means_v.1,
        mean_low_load_v: means_v.0,
    }
}

/// Loop gain for a plot, the phase without jumps of a turn; empty where there is no loop.
pub(crate) fn loop_curve(part: &str, control: Option<&Loop>, margins: Option<Margins>) -> LoopCurve {
    let mut gains = control.map(Loop::curve).unwrap_or_default();
    // A pulse of least length does not answer to the control: no gain, which has no decibels.
    gains.retain(|(_, gain)| gain.norm() > 0.0);
    let mut curve = LoopCurve {
        part: part.to_owned(),
        frequency_hz: vec![],
        gain_db: vec![],
        phase_deg: vec![],
        crossover_hz: margins.map(|margins| margins.crossover_hz),
    };
    for (frequency_hz, gain) in gains {
        let phase_deg = gain.arg().to_degrees();
        let before_deg = curve.phase_deg.last().copied().unwrap_or(phase_deg);
        curve.frequency_hz.push(frequency_hz);
        curve.gain_db.push(20.0 * gain.norm().log10());
        curve.phase_deg.push(phase_deg - 360.0 * ((phase_deg - before_deg) / 360.0).round());
    }
    curve
}
