//! What `measured` comes to, as it is printed and written.

use super::analysis::Overlay;
use serde::Serialize;

/// All captures and readings of a case beside what is predicted for them.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Measured {
    /// Version of this tool.
    pub presolder_version: String,
    /// Case.
    pub case: String,
    /// Values that are set in place of those of the case.
    pub set: Vec<String>,
    /// Board, in the words of its engineer.
    pub board: String,
    /// What each capture or reading shows.
    pub items: Vec<Item>,
    /// Measured changes from the original beside the predicted ones.
    pub changes: Vec<Change>,
    /// What is to be said of all of it.
    pub remarks: Vec<String>,
}

/// One capture, or what was read in one setting.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Item {
    /// Part that is fitted.
    pub part: String,
    /// Condition.
    pub condition: String,
    /// Input in V.
    pub input_v: f64,
    /// Ambient temperature in degrees Celsius.
    pub ambient_degc: f64,
    /// Load for which it is predicted, in words.
    pub load: String,
    /// File; empty for readings.
    pub file: String,
    /// File and line that state it.
    pub stated_at: String,
    /// What was understood of the file.
    pub understood: Vec<String>,
    /// Figures.
    pub figures: Vec<FigureRecord>,
    /// What must be said.
    pub notes: Vec<String>,
    /// Waveforms over each other; they are on the page alone.
    #[serde(skip)]
    pub overlays: Vec<Overlay>,
}

/// A figure as predicted and as measured. Uncertainties are expanded, k = 2.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FigureRecord {
    /// Identifier of the quantity.
    pub quantity: String,
    /// Its label.
    pub label: String,
    /// Its unit in SI.
    pub unit: String,
    /// Prediction for the bench's condition.
    pub predicted: f64,
    /// Its uncertainty.
    pub predicted_uncertainty: f64,
    /// Measured value.
    pub measured: f64,
    /// Its uncertainty.
    pub measured_uncertainty: f64,
    /// Measured minus predicted.
    pub difference: f64,
    /// E_n of ISO/IEC 17043, with the sign of the difference; none where a value is only a bound or nothing is uncertain.
    pub score: Option<f64>,
    /// Whether samples are clipped, so that the measured value is only a bound.
    pub bounded: bool,
    /// Data whose doubt matters most in the prediction, and what one standard uncertainty of each does.
    pub largest: Vec<(String, f64)>,
}

impl FigureRecord {
    /// Whether prediction and measurement agree within both uncertainties.
    pub fn is_inside(&self) -> Option<bool> {
        self.score.map(|score| score.abs() <= 1.0)
    }
}

/// A change from the original.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Change {
    /// Substitute.
    pub part: String,
    /// Condition.
    pub condition: String,
    /// Identifier of the quantity.
    pub quantity: String,
    /// Its label.
    pub label: String,
    /// Its unit in SI.
    pub unit: String,
    /// Measured change, with its expanded uncertainty.
    pub measured: f64,
    /// The latter.
    pub measured_uncertainty: f64,
    /// Predicted change.
    pub predicted: f64,
    /// Its expanded uncertainty.
    pub predicted_uncertainty: f64,
    /// E_n of both.
    pub score: Option<f64>,
    /// Change that is agreed to be harmless, in the same unit; none where there is none.
    pub agreed: Option<f64>,
    /// How the measured change stands to it.
    pub standing: Standing,
    /// Whether both were measured at inputs and loads that differ.
    pub unlike: bool,
}

/// How a measured change stands to the agreed one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// Nothing is agreed.
    NotAgreed,
    /// Within it by more than the uncertainty.
    Within,
    /// Beyond it by more than the uncertainty.
    Beyond,
    /// Too near to tell.
    Open,
}
