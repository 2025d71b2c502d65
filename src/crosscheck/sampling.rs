//! What a run of the independent integration is asked for and leaves behind.

use crate::engine::network::Path;
use crate::engine::program::Instant;
use crate::engine::row::StateVector;

/// When samples are taken: at `offset_s + k * every_s` after the origin, before `until_s`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sampling {
    /// Instant from which sample times count.
    pub origin: Instant,
    /// Distance of two samples in s.
    pub every_s: f64,
    /// First sample after the origin in s.
    pub offset_s: f64,
    /// No samples from then on, in s after the origin.
    pub until_s: f64,
}

impl Sampling {
    /// No samples at all.
    pub const NONE: Sampling = Sampling { origin: (0, 0.0), every_s: 1.0, offset_s: f64::INFINITY, until_s: 0.0 };
}

/// On which side of the edges of the waveforms a sample lies. The output voltage jumps at these edges where every
/// capacitor branch has inductance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Side {
    /// Way of the inductor current.
    pub path: Path,
    /// Slew of the programmed load current in A/s.
    pub load_slew_a_per_s: f64,
}

/// What a run leaves behind.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// State at the end, in the exact engine's order.
    pub x: StateVector,
    /// Every instant at which the high side opened.
    pub turn_offs: Vec<Instant>,
    /// Steps of the integrator that were accepted, those of the root search and of the samples included.
    pub steps: u64,
}
