//! Temperature of the winding: the fixed point of heating and loss, and checks against the bench.

use super::copper::{COPPER_ALPHA_20_PER_K, COPPER_ALPHA_25_PER_K};

/// A temperature within this of the fixed point has settled, in K: far below what a bench can see.
const SETTLED_K: f64 = 0.01;
/// Above this a winding counts as run away, in degrees Celsius: solder, varnish and wire are long gone.
pub(crate) const RUNAWAY_DEGC: f64 = 400.0;
/// A loss that changes smoothly settles in three or four evaluations; this many means that it jumps about.
const MAX_EVALUATIONS: usize = 60;
/// The same in K where the waveform never repeats: its loss over a watched span scatters by some percent.
const SETTLED_ROUGHLY_K: f64 = 1.0;
/// Evaluations of such a loss, which costs a long run each and is no better known after more of them.
const MAX_ROUGH_EVALUATIONS: usize = 8;
/// Constant of the rise by resistance for copper in degrees Celsius (IEC 60335-1 and 61558-1 family, from memory).
const COPPER_INTERCEPT_DEGC: f64 = 234.5;

/// Loss at a temperature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Loss {
    /// Loss in W.
    pub loss_w: f64,
    /// Whether the waveform repeats; otherwise the loss scatters from one watched span to the next.
    pub repeats: bool,
}

impl From<f64> for Loss {
    fn from(loss_w: f64) -> Loss {
        Loss { loss_w, repeats: true }
    }
}

/// Where heating and loss come to rest.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Outcome {
    /// They balance.
    Settled(Settled),
    /// Loss grows faster than the cooling, or the balance lies above 400 C.
    Runaway {
        /// Hottest temperature at which the loss was evaluated, in degrees Celsius.
        evaluated_degc: f64,
    },
    /// The loss jumps about so that no balance was found, or it is not a number.
    Unsettled {
        /// Last temperature at which the loss was evaluated, in degrees Celsius.
        evaluated_degc: f64,
    },
}

/// Where a search for the balance begins.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Start {
    /// Temperature in degrees Celsius.
    pub at_degc: f64,
    /// How fast the gap between heating and temperature falls with it, in K/K: 1 where the loss does not depend on the temperature.
    pub fall: f64,
}

impl Start {
    /// A begin of which nothing is known but a temperature in degrees Celsius.
    pub fn at(at_degc: f64) -> Start {
        Start { at_degc, fall: 1.0 }
    }
}

/// A balance of heating and loss.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settled {
    /// Temperature in degrees Celsius, within 0.01 K (1 K where the waveform never repeats); the last one at which the loss was evaluated.
    pub temperature_degc: f64,
    /// Loss in W at that temperature.
    pub loss_w: f64,
    /// Number of evaluations of the loss.
    pub evaluations: usize,
    /// Where a search in a like place begins.
    pub start: Start,
}

/// Equation thermal-settle: T = T_ambient + R_th P(T), solved for T from a begin, as a rule the ambient temperature.
///
/// `rth_k_per_w` in K/W from the winding to the ambient, `loss_at` the loss in W at a temperature in degrees Celsius; it is
/// expensive, so it is evaluated as rarely as a secant search allows. While the loss seen so far rises by 1 K/K or
/// more (no balance ahead on that line) the search follows the heating itself, until it falls behind or passes 400 C.
///
/// # Errors
/// Whatever `loss_at` reports.
pub fn settle<E, L: Into<Loss>>(
    ambient_degc: f64,
    rth_k_per_w: f64,
    start: Start,
    mut loss_at: impl FnMut(f64) -> Result<L, E>,
) -> Result<Outcome, E> {
    let mut search = Search { fall: start.fall, ..Search::default() };
    let mut at_degc = start.at_degc;
    for evaluations in 1..=MAX_EVALUATIONS {
        let Loss { loss_w, repeats } = loss_at(at_degc)?.into();
        let settled_k = if repeats { SETTLED_K } else { SETTLED_ROUGHLY_K };
        let gap_k = ambient_degc + rth_k_per_w * loss_w - at_degc;
        if !gap_k.is_finite() {
            return Ok(Outcome::Unsettled { evaluated_degc: at_degc });
        }
        let next_degc = search.next(at_degc, gap_k);
        if (next_degc - at_degc).abs() <= settled_k && gap_k.abs() <= settled_k {
            let start = Start { at_degc, fall: search.fall };
            return Ok(Outcome::Settled(Settled { temperature_degc: at_degc, loss_w, evaluations, start }));
        }
        if next_degc > RUNAWAY_DEGC {
            return Ok(Outcome::Runaway { evaluated_degc: at_degc });
        }
        if !repeats && evaluations >= MAX_ROUGH_EVALUATIONS {
            break;
        }
        at_degc = next_degc;
    }
    Ok(Outcome::Unsettled { evaluated_degc: at_degc })
}

/// Secant search for the zero of the gap between heating and temperature, bracketed once the gap has been negative.
#[derive(Default)]
struct Search {
    last: Option<(f64, f64)>,
    /// 1 minus the slope of the heating.
    fall: f64,
    below: Option<f64>,
    above: Option<f64>,
}

impl Search {
    fn next(&mut self, at_degc: f64, gap_k: f64) -> f64 {
        if gap_k >= 0.0 {
            self.below = Some(at_degc)
        } else {
            self.above = Some(at_degc)
        }
        if let Some((t, g)) = self.last.filter(|(t, _)| *t != at_degc) {
            self.fall = (g - gap_k) / (at_degc - t);
        }
        self.last = Some((at_degc, gap_k));
        // At or below zero the line offers no balance.
        let step_k = if self.fall > 0.0 && self.fall.is_finite() { gap_k / self.fall } else { gap_k };
        let next = at_degc + step_k;
        match (self.below, self.above) {
            (Some(below), Some(above)) if !(below.min(above) < next && next < below.max(above)) => {
                0.5 * (below + above)
            }
            _ => next,
        }
    }
}

/// Equation thermal-linear: rise in K of a copper resistance that loses `loss_at_ambient_w` (in W, at ambient),
/// dT = P0 R_th / (1 - a P0 R_th) with a = a20 / (1 + a20 (T_ambient - 20)); `None` where it runs away.
///
/// The fixed point of [`settle`] when all loss is copper loss at constant current.
pub fn linear_rise_k(loss_at_ambient_w: f64, rth_k_per_w: f64, ambient_degc: f64) -> Option<f64> {
    let alpha_per_k = COPPER_ALPHA_20_PER_K / (1.0 + COPPER_ALPHA_20_PER_K * (ambient_degc - 20.0));
    let cold_rise_k = loss_at_ambient_w * rth_k_per_w;
    let feedback = alpha_per_k * cold_rise_k;
    (feedback < 1.0).then(|| cold_rise_k / (1.0 - feedback))
}

/// Equation thermal-rating: R_th = rise / (I^2 R25 (1 + a25 rise)), in K/W, from a heating rating taken at 25 C ambient.
///
/// Rating current in A, rise in K, winding resistance at 25 C in ohm. The rating belongs to its maker's test board; on
/// another board expect 30 % either way (common practice).
pub fn thermal_resistance_from_rating_k_per_w(current_a: f64, rise_k: f64, dcr_ohm: f64) -> f64 {
    rise_k / (current_a * current_a * dcr_ohm * (1.0 + COPPER_ALPHA_25_PER_K * rise_k))
}

/// Equation thermal-rise-by-resistance: dT = (R2/R1 - 1)(234.5 + T1) - (T2 - T1), in K.
///
/// R1 at the cold start with winding and ambient at `start_degc`, R2 hot, `end_degc` the ambient at the end.
/// Source: formula of the IEC 60335-1 and IEC 61558-1 family, from memory. Copper only.
pub fn rise_by_resistance_k(cold_ohm: f64, start_degc: f64, hot_ohm: f64, end_degc: f64) -> f64 {
    (hot_ohm / cold_ohm - 1.0) * (COPPER_INTERCEPT_DEGC + start_degc) - (end_degc - start_degc)
}

/// Equation thermal-soak: rise(t) = rise_final (1 - exp(-t / tau)), in K; time and time constant in s.
pub fn soak_rise_k(final_rise_k: f64, time_s: f64, time_constant_s: f64) -> f64 {
    -final_rise_k * (-time_s / time_constant_s).exp_m1()
}
