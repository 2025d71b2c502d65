//! The channels of a capture as signals: probe and noise taken into account.

use super::instrument::Instrument;
use super::noise;
use super::run::Seen;
use super::trace::{Trace, range};
use crate::model::capture::{Capture, Probe};

/// A signal that was captured.
#[derive(Clone, Debug, PartialEq)]
pub struct Channel {
    /// Its key: output, inductor or load.
    pub key: &'static str,
    /// V or A.
    pub unit: &'static str,
    /// The signal.
    pub trace: Trace,
    /// What saw it, with the noise that was found.
    pub instrument: Instrument,
    /// Limits of its gain's error, as a fraction.
    pub error: f64,
    /// Share of its samples that are clipped.
    pub clipped: f64,
}

/// A column of a file as it is handed over.
#[derive(Clone, Debug, PartialEq)]
pub struct Column {
    /// Values in the file's unit, on an even grid.
    pub trace: Trace,
    /// Distance of two levels in the same unit; 0 where it is not known.
    pub level: f64,
    /// Share of samples that are clipped.
    pub clipped: f64,
}

impl Channel {
    fn new(key: &'static str, probe: &Probe, column: Column) -> Channel {
        let mut trace = column.trace;
        trace.values.iter_mut().for_each(|value| *value *= probe.scale);
        let level = column.level * probe.scale;
        let noise = noise::floor(&trace, probe.bandwidth_hz, level);
        let (bandwidth_hz, high_pass_hz) = (probe.bandwidth_hz, probe.high_pass_hz);
        let instrument = Instrument { bandwidth_hz, high_pass_hz, noise, level };
        let unit = if key == "output" { "V" } else { "A" };
        Channel { key, unit, trace, instrument, error: probe.error, clipped: column.clipped }
    }

    /// Whether its mean means something.
    pub fn has_mean(&self) -> bool {
        self.instrument.high_pass_hz.is_none()
    }

    /// What it makes of a simulation, without noise.
    pub fn shows(&self, seen: &Seen) -> Trace {
        match self.key {
            // The bandwidth of the output is in the simulation.
            "output" => self.instrument.unlimited().without_noise(&seen.output),
            "inductor" => self.instrument.without_noise(&seen.inductor),
            _ => self.instrument.without_noise(&seen.load),
        }
    }

    /// Peak to peak of its samples.
    pub fn height(&self) -> f64 {
        range(&self.trace.values).map_or(0.0, |(low, high)| high - low)
    }
}

/// The channels of one capture.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Channels {
    /// Output voltage.
    pub output: Option<Channel>,
    /// Inductor current.
    pub inductor: Option<Channel>,
    /// Load current.
    pub load: Option<Channel>,
}

impl Channels {
    /// The channels of a capture from its columns, which are in the order of [`Capture::probes`].
    pub fn new(capture: &Capture, columns: Vec<Column>) -> Channels {
        let mut channels = Channels::default();
        for ((key, probe), column) in capture.probes().zip(columns) {
            let channel = Some(Channel::new(key, probe, column));
            match key {
                "output" => channels.output = channel,
                "inductor" => channels.inductor = channel,
                _ => channels.load = channel,
            }
        }
        channels
    }

    /// Those that are there.
    pub fn all(&self) -> impl Iterator<Item = &Channel> {
        [&self.output, &self.inductor, &self.load].into_iter().flatten()
    }
}
