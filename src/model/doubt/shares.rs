//! The core-loss model's own share of doubt, which depends on the waveform and so has no row of its own.

use crate::model::parts::CoreFamily;

/// Factors on the core loss between which it lies under direct-current bias, where the data are without bias.
///
/// `linkage_ratio`: flux linkage at the mean current over that at the current of the 30 % drop. `drop`: share by which the inductance at
/// the mean current lies below that without current. The middle of the two is the best estimate, the spread is rectangular. Source:
/// measured losses of a ferrite, 2.4 times as high where its permeability is down to 0.81; for composites common practice.
pub fn bias_factor(core: CoreFamily, linkage_ratio: f64, drop: f64) -> (f64, f64) {
    match core {
        CoreFamily::Ferrite if linkage_ratio < 0.3 => (0.9, 1.3),
        CoreFamily::Ferrite if linkage_ratio < 0.6 => (1.0, 2.0),
        CoreFamily::Ferrite => (1.2, 3.0),
        CoreFamily::Composite | CoreFamily::IronPowder if drop > 0.15 => (0.9, 1.8),
        CoreFamily::Composite | CoreFamily::IronPowder => (0.9, 1.4),
    }
}

/// Factors on the core loss between which it lies at a duty (0 to 1): 5 % either way, upwards growing in a line to 17 % at a duty of 0.2
/// or 0.8 and held beyond; rectangular. Source: open measurements of a ferrite with triangles of several duties.
pub fn duty_factor(duty: f64) -> (f64, f64) {
    let off = ((duty - 0.5).abs() / 0.3).min(1.0);
    (0.95, 1.05 + 0.12 * off)
}
