//! What one capture comes to: its figures beside the predicted ones, what must be said of it, and waveforms over each other.

use super::channel::Channel;
use super::predict::{Asked, Figure, Prediction, Prior, Run, predict};
use super::score::{Known, of_limits, root};
use crate::condition::figures::Failure;
use crate::judge::sight::COVERAGE;
use crate::quantity;
use crate::units::format_si;

/// Factors by which a probe's scale is usually wrong, and how near to one a ratio must come.
const FACTORS: [f64; 9] = [1e-3, 0.01, 0.1, 0.2, 0.5, 2.0, 5.0, 10.0, 100.0];
const NEAR_FACTOR: f64 = 0.15;
/// From this share of the inductance on a probe's wire loop is told of.
pub const LOOP_TOLD: f64 = 0.05;

/// A figure as it is predicted and as it was measured.
#[derive(Clone, Debug, PartialEq)]
pub struct Compared {
    /// Identifier of the quantity.
    pub id: &'static str,
    /// Prediction for the bench's condition.
    pub predicted: Figure,
    /// Measured value.
    pub measured: f64,
    /// Standard uncertainty from noise, levels and the instant of the trigger.
    pub noise: f64,
    /// Standard uncertainty of the gain, as a fraction: common to all that one probe sees.
    pub gain: f64,
    /// Key of the probe that saw it; `None` for a reading.
    pub probe: Option<&'static str>,
    /// Whether samples are clipped, so that the value is only a bound.
    pub bounded: bool,
}

impl Compared {
    /// What a channel measured beside its prediction.
    pub fn of(channel: &Channel, predicted: &Figure, measured: f64, noise: f64, model: f64) -> Compared {
        Compared {
            id: predicted.id,
            predicted: Figure { model, ..predicted.clone() },
            measured,
            noise,
            gain: of_limits(channel.error),
            probe: Some(channel.key),
            bounded: channel.clipped > 0.0 && predicted.id != "output_mean",
        }
    }

    /// The measured value with its expanded uncertainty.
    pub fn measured(&self) -> Known {
        Known::new(self.measured, &[self.noise, self.gain * self.measured])
    }

    /// E_n; `None` for a bound.
    pub fn score(&self) -> Option<f64> {
        self.predicted.known().score(&self.measured()).filter(|_| !self.bounded)
    }

    /// The measured change from another part, whose gain is the same.
    pub fn measured_change(&self, original: &Compared) -> Known {
        let change = self.measured - original.measured;
        let gain = self.gain.max(original.gain) * change;
        Known { value: change, uncertainty: COVERAGE * root(&[self.noise, original.noise, gain]) }
    }

    /// The predicted change from another part.
    pub fn predicted_change(&self, original: &Compared) -> Known {
        let model = quantity::find(self.id)
            .map_or(0.0, |quantity| quantity.uncertainty_of_difference(self.predicted.value, 0.0) / COVERAGE);
        self.predicted.change_from(&original.predicted, model)
    }
}

/// Standard uncertainty of the model of a quantity.
pub fn model_share(id: &str, value: f64, ambient_degc: f64) -> f64 {
    quantity::find(id).map_or(0.0, |quantity| quantity.uncertainty(value, ambient_degc) / COVERAGE)
}

/// A measured waveform over the predicted one with its band.
#[derive(Clone, Debug, PartialEq)]
pub struct Overlay {
    /// What it shows.
    pub label: String,
    /// V or A.
    pub unit: &'static str,
    /// Time in s.
    pub time_s: Vec<f64>,
    /// As measured; not a number in a gap.
    pub measured: Vec<f64>,
    /// As predicted.
    pub predicted: Vec<f64>,
    /// Expanded uncertainty of the prediction.
    pub band: Vec<f64>,
}

/// All of it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Analysis {
    /// Load for which it was predicted, in words.
    pub load: String,
    /// Figures.
    pub figures: Vec<Compared>,
    /// Points of folded waveforms.
    pub points: Vec<Compared>,
    /// What must be said.
    pub notes: Vec<String>,
    /// Waveforms.
    pub overlays: Vec<Overlay>,
    /// What is known of the data that the prediction rests on.
    pub priors: Vec<Prior>,
}

impl Analysis {
    /// Predicts, and keeps what is known of the data and what stood in the way.
    ///
    /// # Errors
    /// A simulation that fails.
    pub fn predict(&mut self, asked: &Asked<'_>, run: &Run<'_>) -> Result<Prediction, Failure> {
        let (prediction, left_out) = predict(asked, run)?;
        self.notes.extend(left_out.iter().map(|name| format!("not in the uncertainty, it cannot be run: {name}")));
        self.priors.clone_from(&prediction.priors);
        Ok(prediction)
    }

    /// Says how a channel's height stands to what is predicted, where that looks like a wrong scale.
    pub fn check_scale(&mut self, channel: &Channel, measured: f64, predicted: f64) {
        if let Some(factor) = wrong_factor(measured / predicted) {
            self.notes.push(format!(
                "{}: {} measured for {} predicted; is the probe's scale wrong? one of {} of what it is would fit",
                channel.key,
                say(measured, channel.unit),
                say(predicted, channel.unit),
                plain(1.0 / factor)
            ));
        }
    }

    /// Says what was clipped.
    pub fn check_clipped(&mut self, channel: &Channel) {
        if channel.clipped > 0.0 {
            self.notes.push(format!(
                "{}: {} of its samples are clipped; what rests on its extremes is only a bound",
                channel.key,
                format_si(100.0 * channel.clipped, "%", 2)
            ));
        }
    }
}

/// The usual factor that a ratio is near.
pub fn wrong_factor(ratio: f64) -> Option<f64> {
    FACTORS.into_iter().find(|factor| (ratio / factor - 1.0).abs() < NEAR_FACTOR)
}

fn plain(factor: f64) -> String {
    format!("{factor}").chars().take(6).collect()
}

/// A value with its unit in three digits.
pub fn say(value: f64, unit: &str) -> String {
    format_si(value, unit, 3)
}
