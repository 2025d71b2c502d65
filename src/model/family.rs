//! Parts that differ from a known one in size only: the same core and make with another inductance, resistance, saturation and loss.

use super::parts::{CoreLoss, Inductor};

/// What parts of a family differ in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Axis {
    /// Nominal inductance.
    Inductance,
    /// Winding resistance, typical and largest.
    Resistance,
    /// Saturation current, at every drop and temperature.
    Saturation,
    /// Core loss at the same frequency and volt-seconds.
    CoreLoss,
}

/// All of them, in the order of [`Scales`].
pub const AXES: [Axis; 4] = [Axis::Inductance, Axis::Resistance, Axis::Saturation, Axis::CoreLoss];

/// A factor on each axis, in the order of [`AXES`], against the known part.
pub type Scales = [f64; AXES.len()];

/// A part of the family with that name. Its resistance for alternating current is the same multiple of the direct one, its thermal
/// resistance and everything on paper are those of the known part; the heating current follows from both.
pub fn like(known: &Inductor, [inductance, resistance, saturation, core_loss]: Scales, name: &str) -> Inductor {
    let mut part = Inductor { name: name.into(), ..known.clone() };
    part.inductance_h *= inductance;
    for (current_a, inductance_h) in part.saturation.iter_mut().flat_map(|curve| &mut curve.points) {
        *current_a *= saturation;
        *inductance_h *= inductance;
    }
    part.saturation_ratings.iter_mut().for_each(|rating| rating.current_a *= saturation);
    part.dcr_typical_ohm *= resistance;
    part.dcr_max_ohm *= resistance;
    if let Some(rating) = &mut part.heating_rating {
        rating.current_a /= resistance.sqrt();
    }
    match &mut part.core_loss {
        Some(CoreLoss::VoltSeconds { loss_w, .. }) => *loss_w *= core_loss,
        Some(CoreLoss::Steinmetz { k_w_per_m3, .. }) => *k_w_per_m3 *= core_loss,
        None => {}
    }
    part
}
