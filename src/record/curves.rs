//! Curves of a comparison, for the plots and the waveform files. Not part of the record.

use crate::condition::curves::{Curve, LightCurve, LoopCurve, LossSplit, PeriodCurve, Reading, Signal, StepCurve};
use crate::quantity::Limit;

/// Curves of all parts for the plots and the waveform files.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Curves {
    /// One switching period in steady state, one entry a part.
    pub periods: Vec<PeriodCurve>,
    /// In words: "24 V in, 3 A, nominal".
    pub period_condition: String,
    /// Load step and release, one entry a part; empty where the board states no step.
    pub steps: Vec<StepCurve>,
    /// In words.
    pub step_condition: String,
    /// Recovery band around the final mean in V (half width).
    pub step_band_v: f64,
    /// Allowed deviation at the step in V, where stated.
    pub step_limit_v: Option<f64>,
    /// Start at full load, one entry a part; empty where the board states none.
    pub starts: Vec<StepCurve>,
    /// Short circuit and its end, one entry a part; empty where the board states none.
    pub shorts: Vec<StepCurve>,
    /// Runs of further conditions, each with the name of its condition.
    pub events: Vec<(&'static str, StepCurve)>,
    /// Pulses towards light load, one entry a part; empty where the board states none.
    pub light: Vec<LightCurve>,
    /// Inductance against current, one entry a part.
    pub saturation: Vec<SaturationPlot>,
    /// Loop gain in the condition of the periods, one entry a part, without points where it has no loop.
    pub loops: Vec<LoopCurve>,
    /// Loss split, one entry a part, the same items in the same order for every part.
    pub losses: Vec<LossSplit>,
    /// In words.
    pub loss_condition: String,
    /// What decides on the parts that fail or are open, where a curve shows it.
    pub deciding: Vec<DecidingCurves>,
}

/// The waveforms by which the outcome of a part is decided.
#[derive(Clone, Debug, PartialEq)]
pub struct DecidingCurves {
    /// Number of the part, the original being 0.
    pub part: usize,
    /// The check.
    pub label: String,
    /// Its condition and corner in words.
    pub condition: String,
    /// Name of the condition.
    pub kind: &'static str,
    /// Unit of its quantity.
    pub unit: String,
    /// Waveform from which the quantity is read, and how.
    pub reading: (Signal, Reading),
    /// Its limit.
    pub limit: Limit,
    /// Value of the part as shown, in the unit.
    pub value: f64,
    /// Expanded uncertainty.
    pub uncertainty: f64,
    /// Least and greatest value over the ends of absent data, where there are such.
    pub ends: Option<(f64, f64)>,
    /// Output voltage aimed at in V.
    pub aim_v: f64,
    /// Half the width of the recovery band in V.
    pub band_v: f64,
    /// Switching period in s.
    pub period_s: f64,
    /// The part there.
    pub substitute: Shown,
    /// The original there, where it runs.
    pub original: Option<Shown>,
}

/// A curve of one part in the place that decides.
#[derive(Clone, Debug, PartialEq)]
pub enum Shown {
    /// A steady state.
    Period(PeriodCurve),
    /// A run.
    Run(StepCurve),
    /// The gain of the loop.
    Loop(LoopCurve),
    /// Ripple and repetition of the pulses, over load.
    Light(LightShown),
}

/// Pulses towards light load, column by column.
#[derive(Clone, Debug, PartialEq)]
pub struct LightShown {
    /// Load in A, ascending.
    pub load_a: Vec<f64>,
    /// Repetition of the pattern in Hz.
    pub rate_hz: Vec<f64>,
    /// Ripple in V.
    pub ripple_v: Vec<f64>,
}

impl LightShown {
    fn of(curve: &LightCurve) -> LightShown {
        let column = |of: fn(&(f64, f64, f64)) -> f64| curve.points.iter().map(of).collect();
        LightShown { load_a: column(|at| at.0), rate_hz: column(|at| at.1), ripple_v: column(|at| at.2) }
    }
}

impl Shown {
    /// The curve in which a quantity is the worst.
    pub(crate) fn worst(curves: &[Curve], reading: (Signal, Reading), aim_v: f64) -> Option<Shown> {
        let shown = |curve: &Curve| match (curve, reading.0) {
            (Curve::Loop(curve), Signal::Gain | Signal::Phase) => Some(Shown::Loop(curve.clone())),
            (Curve::Light(curve), Signal::LightRipple | Signal::LightRate) => Some(Shown::Light(LightShown::of(curve))),
            (_, Signal::Gain | Signal::Phase | Signal::LightRipple | Signal::LightRate) => None,
            (Curve::Period(curve), _) => Some(Shown::Period(curve.clone())),
            (Curve::Event(_, curve), _) => Some(Shown::Run(curve.clone())),
            _ => None,
        };
        let badness = |shown: &Shown| shown.read(reading, aim_v);
        curves.iter().filter_map(shown).max_by(|a, b| badness(a).total_cmp(&badness(b)))
    }

    /// Times in s; of a loop its frequencies in Hz, of light load the loads in A.
    pub fn time_s(&self) -> &[f64] {
        match self {
            Shown::Period(curve) => &curve.time_s,
            Shown::Run(curve) => &curve.time_s,
            Shown::Loop(curve) => &curve.frequency_hz,
            Shown::Light(curve) => &curve.load_a,
        }
    }

    /// Lowest and highest values of a waveform at these times.
    pub fn bounds(&self, signal: Signal) -> (&[f64], &[f64]) {
        match (self, signal) {
            (Shown::Period(curve), Signal::Current) => (&curve.current_a, &curve.current_a),
            (Shown::Period(curve), Signal::Output) => (&curve.output_v, &curve.output_v),
            (Shown::Period(curve), _) => (&curve.output_20mhz_v, &curve.output_20mhz_v),
            (Shown::Loop(curve), Signal::Phase) => (&curve.phase_deg, &curve.phase_deg),
            (Shown::Loop(curve), _) => (&curve.gain_db, &curve.gain_db),
            (Shown::Light(curve), Signal::LightRate) => (&curve.rate_hz, &curve.rate_hz),
            (Shown::Light(curve), _) => (&curve.ripple_v, &curve.ripple_v),
            (Shown::Run(curve), Signal::Current) => (&curve.current_low_a, &curve.current_high_a),
            (Shown::Run(curve), _) => (&curve.output_low_v, &curve.output_high_v),
        }
    }

    /// Mean outputs at the lower and the upper level in V; zeros for a steady state, which has one.
    pub fn means_v(&self) -> (f64, f64) {
        match self {
            Shown::Run(curve) => (curve.mean_low_load_v, curve.mean_high_load_v),
            _ => (0.0, 0.0),
        }
    }

    /// How bad a quantity is in the curve as it stands there, for telling the worst of several; times are not read.
    fn read(&self, (signal, reading): (Signal, Reading), aim_v: f64) -> f64 {
        let (low, high) = self.bounds(signal);
        let lowest = low.iter().copied().fold(f64::INFINITY, f64::min);
        let highest = high.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        match reading {
            Reading::Highest | Reading::AboveMean | Reading::AboveAim => highest,
            Reading::Lowest | Reading::BelowMean => -lowest,
            Reading::FromAim => (highest - aim_v).max(aim_v - lowest),
            _ => highest - lowest,
        }
    }
}

/// Inductance against current of one part.
#[derive(Clone, Debug, PartialEq)]
pub struct SaturationPlot {
    /// Part.
    pub part: String,
    /// (A, H) at 25 C.
    pub cold: Vec<(f64, f64)>,
    /// (A, H) at the hottest winding temperature that occurred.
    pub hot: Vec<(f64, f64)>,
    /// That temperature in degrees Celsius.
    pub hot_degc: f64,
    /// Highest peak current in steady state and load step in A, and the hot inductance there in H.
    pub peak: (f64, f64),
    /// Current reached at the limit with its delay, where there is a limit, in A, and the hot inductance there in H.
    pub limit: Option<(f64, f64)>,
}
