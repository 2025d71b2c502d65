//! Curves of a comparison, for the plots and the waveform files. Not part of the record.

use crate::condition::curves::{LightCurve, LoopCurve, LossSplit, PeriodCurve, StepCurve};

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
