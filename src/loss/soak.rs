//! Temperature of a winding over time: a soak from cold, and what is left of it after switching off.
//!
//! Pure functions; equation keyword: thermal-soak (docs/physics.md).

use super::thermal::RUNAWAY_DEGC;

/// Steps in the shortest time constant: the error of the fourth-order rule is then far below a millikelvin.
const STEPS: f64 = 20.0;
/// Time between kept samples in s: a bench reads no oftener.
const EVERY_S: f64 = 10.0;
/// A rise that would move by less than this in an hour has come to rest, in K.
const AT_REST_K_PER_H: f64 = 1e-4;

/// How a part on its board warms up and cools: two bodies, each with its share of the thermal resistance and a time constant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cooling {
    /// Thermal resistance from the winding to the ambient in K/W.
    pub resistance_k_per_w: f64,
    /// Share of it that is the board's.
    pub board_share: f64,
    /// Time constant of the part above its board in s.
    pub part_s: f64,
    /// Time constant of the board in s.
    pub board_s: f64,
}

/// Rise of a winding above the ambient.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Rise {
    /// Of the part above its board in K.
    pub part_k: f64,
    /// Of the board there in K.
    pub board_k: f64,
}

impl Rise {
    /// Of the winding above the ambient in K.
    pub fn total_k(&self) -> f64 {
        self.part_k + self.board_k
    }

    fn plus(&self, by: Rise, times: f64) -> Rise {
        Rise { part_k: self.part_k + times * by.part_k, board_k: self.board_k + times * by.board_k }
    }
}

impl Cooling {
    /// Equation thermal-soak: tau_i d(rise_i)/dt = R_i P - rise_i, in K/s.
    fn slope(&self, rise: Rise, loss_w: f64) -> Rise {
        let heating_k = self.resistance_k_per_w * loss_w;
        Rise {
            part_k: (heating_k * (1.0 - self.board_share) - rise.part_k) / self.part_s,
            board_k: (heating_k * self.board_share - rise.board_k) / self.board_s,
        }
    }

    /// What is left of a rise some time in s after switching off: rise_i e^(-t / tau_i).
    pub fn cooled(&self, rise: Rise, time_s: f64) -> Rise {
        Rise {
            part_k: rise.part_k * (-time_s / self.part_s).exp(),
            board_k: rise.board_k * (-time_s / self.board_s).exp(),
        }
    }
}

/// Loss in W against winding temperature in degrees Celsius, straight between known points and beyond them.
#[derive(Clone, Debug, PartialEq)]
pub struct Losses(Vec<(f64, f64)>);

impl Losses {
    /// Points in ascending temperature; `None` without any, or where one is not finite.
    pub fn new(points: Vec<(f64, f64)>) -> Option<Losses> {
        let finite = points.iter().all(|(degc, loss_w)| degc.is_finite() && loss_w.is_finite());
        let ascending = points.windows(2).all(|pair| pair[0].0 < pair[1].0);
        (finite && ascending && !points.is_empty()).then_some(Losses(points))
    }

    /// Loss in W at a temperature; never below 0.
    pub fn at_w(&self, degc: f64) -> f64 {
        let points = &self.0;
        let Some(last) = points.len().checked_sub(2) else { return points[0].1 };
        let k = points.partition_point(|point| point.0 <= degc).saturating_sub(1).min(last);
        let ((t0, w0), (t1, w1)) = (points[k], points[k + 1]);
        (w0 + (w1 - w0) * (degc - t0) / (t1 - t0)).max(0.0)
    }
}

/// A soak from cold.
#[derive(Clone, Debug, PartialEq)]
pub struct Soak {
    /// Ambient temperature in degrees Celsius.
    pub ambient_degc: f64,
    cooling: Cooling,
    rises: Vec<Rise>,
    at_rest: bool,
}

impl Soak {
    /// From a winding at the ambient temperature until it has come to rest, has run away, or a time in s is over. The losses are those of the
    /// temperature that the winding has at the moment (fourth-order Runge-Kutta rule).
    pub fn from_cold(cooling: Cooling, ambient_degc: f64, losses: &Losses, until_s: f64) -> Soak {
        let steps = (STEPS * EVERY_S / cooling.part_s.min(cooling.board_s)).ceil().max(1.0);
        let slope = |rise: Rise| cooling.slope(rise, losses.at_w(ambient_degc + rise.total_k()));
        let mut soak = Soak { ambient_degc, cooling, rises: vec![Rise::default()], at_rest: false };
        let mut rise = Rise::default();
        while !soak.at_rest && soak.watched_s() < until_s && ambient_degc + rise.total_k() < RUNAWAY_DEGC {
            (0..steps as u64).for_each(|_| rise = step(rise, EVERY_S / steps, &slope));
            soak.rises.push(rise);
            let left = slope(rise);
            soak.at_rest = 3600.0 * left.part_k.abs().max(left.board_k.abs()) < AT_REST_K_PER_H;
        }
        soak
    }

    /// Time in s that was followed.
    pub fn watched_s(&self) -> f64 {
        (self.rises.len() - 1) as f64 * EVERY_S
    }

    /// Rise some time in s after the begin; beyond what was followed only where it had come to rest.
    pub fn rise(&self, time_s: f64) -> Option<Rise> {
        let last = self.rises.len() - 1;
        let at = time_s / EVERY_S;
        let k = at.floor() as usize;
        match self.rises.get(k + 1) {
            Some(next) => Some(self.rises[k].plus(next.plus(self.rises[k], -1.0), at - k as f64)),
            None if self.at_rest || at <= last as f64 => Some(self.rises[last]),
            None => None,
        }
    }

    /// Winding temperature in degrees Celsius some time in s after the begin.
    pub fn winding_degc(&self, time_s: f64) -> Option<f64> {
        self.rise(time_s).map(|rise| self.ambient_degc + rise.total_k())
    }

    /// Time in s from which on the winding never again moves by `within_k` or more in a span in s: what a bench that waits for that calls
    /// steady. `None` where that was not seen.
    pub fn steady_s(&self, within_k: f64, span_s: f64) -> Option<f64> {
        let span = (span_s / EVERY_S).round() as usize;
        let moved_k = |k: usize| (self.rises[k].total_k() - self.rises[k - span].total_k()).abs();
        let ends = self.rises.len();
        let unsteady = (span..ends).rev().find(|k| moved_k(*k) >= within_k);
        let first = unsteady.map_or(span, |k| k + 1);
        (first < ends || self.at_rest).then(|| first.max(span) as f64 * EVERY_S)
    }

    /// Time in s at which the winding passes a temperature in degrees Celsius.
    pub fn passes_s(&self, degc: f64) -> Option<f64> {
        let above_k = |rise: &Rise| self.ambient_degc + rise.total_k() - degc;
        let after = self.rises.iter().position(|rise| above_k(rise) > 0.0)?;
        let Some(before) = after.checked_sub(1) else { return Some(0.0) };
        let (low_k, high_k) = (above_k(&self.rises[before]), above_k(&self.rises[after]));
        Some((before as f64 - low_k / (high_k - low_k)) * EVERY_S)
    }

    /// By how much a reading is low that is taken some time in s after switching off a soak of a duration in s, in K.
    pub fn late_k(&self, soaked_s: f64, late_s: f64) -> Option<f64> {
        let rise = self.rise(soaked_s)?;
        Some(rise.total_k() - self.cooling.cooled(rise, late_s).total_k())
    }
}

/// A step of the classical rule of order 4.
fn step(rise: Rise, by_s: f64, slope: &impl Fn(Rise) -> Rise) -> Rise {
    let a = slope(rise);
    let b = slope(rise.plus(a, 0.5 * by_s));
    let c = slope(rise.plus(b, 0.5 * by_s));
    let d = slope(rise.plus(c, by_s));
    rise.plus(a, by_s / 6.0).plus(b, by_s / 3.0).plus(c, by_s / 3.0).plus(d, by_s / 6.0)
}
