//! What an instrument makes of a waveform: bandwidth, coupling, noise, levels. A simulation goes through it before it is measured.

use super::noise;
use super::trace::{Trace, mean};
use std::f64::consts::TAU;

/// One channel of an instrument.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Instrument {
    /// First-order low-pass in Hz; `None` where there is none to speak of.
    pub bandwidth_hz: Option<f64>,
    /// First-order high-pass of an a.c. coupling in Hz.
    pub high_pass_hz: Option<f64>,
    /// Standard deviation of the noise, levels included.
    pub noise: f64,
    /// Distance of two levels; 0 for none.
    pub level: f64,
}

impl Instrument {
    /// A waveform as the channel shows it, its noise drawn by a seed. Before its first sample it was at its mean.
    pub fn sees(&self, trace: &Trace, seed: u64) -> Trace {
        self.with_levels(self.with_noise(self.without_noise(trace), seed))
    }

    /// Bandwidth and coupling alone.
    pub fn without_noise(&self, trace: &Trace) -> Trace {
        let mut seen = trace.clone();
        if let Some(hz) = self.bandwidth_hz {
            low_pass(&mut seen, hz);
        }
        if let Some(hz) = self.high_pass_hz {
            high_pass(&mut seen, hz);
        }
        seen
    }

    /// The same waveform, the bandwidth of which is in it already.
    #[must_use]
    pub fn unlimited(self) -> Instrument {
        Instrument { bandwidth_hz: None, ..self }
    }

    /// Adds the noise that the levels do not make themselves.
    fn with_noise(&self, mut trace: Trace, seed: u64) -> Trace {
        let own = (self.noise.powi(2) - (noise::OF_LEVEL * self.level).powi(2)).max(0.0).sqrt();
        if own > 0.0 {
            let noise = noise::draw(trace.values.len(), trace.step_s, own, self.bandwidth_hz, seed);
            trace.values.iter_mut().zip(noise).for_each(|(value, noise)| *value += noise);
        }
        trace
    }

    fn with_levels(&self, mut trace: Trace) -> Trace {
        if self.level > 0.0 {
            trace.values.iter_mut().for_each(|value| *value = (*value / self.level).round() * self.level);
        }
        trace
    }
}

/// First-order low-pass of a waveform that is straight between its samples, exact for such a one.
fn low_pass(trace: &mut Trace, hz: f64) {
    let x = TAU * hz * trace.step_s;
    let kept = (-x).exp();
    // Weights of the sample before and of the new one, for a ramp between them.
    let ramp = (1.0 - kept) / x;
    let (old, new) = (ramp - kept, 1.0 - ramp);
    let Some(&first) = trace.values.first() else { return };
    let (mut before, mut seen) = (first, first);
    for value in &mut trace.values {
        seen = kept * seen + old * before + new * *value;
        before = *value;
        *value = seen;
    }
}

/// First-order high-pass; what the waveform was at before is taken as its mean.
fn high_pass(trace: &mut Trace, hz: f64) {
    let kept = (-TAU * hz * trace.step_s).exp();
    let Some(mut held) = mean(&trace.values) else { return };
    for value in &mut trace.values {
        let now = *value;
        *value = now - held;
        held = kept * held + (1.0 - kept) * now;
    }
}
