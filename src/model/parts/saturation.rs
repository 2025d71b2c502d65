//! Saturation: flux linkage of an inductor whose incremental inductance falls with current.
//!
//! [`FluxCurve`] is the smooth curve; [`FluxTable`] is its piecewise-linear inverse, current against
//! flux linkage, with a stated bound on the current error. A state that carries flux linkage keeps the
//! volt-seconds exact whatever the curve; only the current read from it depends on the table.

use super::{CoreFamily, SaturationCurve};
use std::cell::RefCell;
use thiserror::Error;

/// Temperature in degrees Celsius at which the tolerance of the inductance is stated.
const COLD_DEGC: f64 = 25.0;
/// More segments than this mean that the error asked for makes no sense for the curve.
const MAX_SEGMENTS: usize = 4096;
/// Halvings when looking for the longest segment: its end is then within a millionth of the curve of the best (that of the last
/// one within a millionth of the bound).
const LENGTH_HALVINGS: usize = 20;
/// How far a piece may lie above the curve, as a share of the bound; its ends lie below by the whole of it. Over a piece that bends
/// evenly the mean error is then zero. What waveforms show is mostly the spread of the error, not its offset, which the
/// loop takes out: with a share of 1 the pieces would be fewer by another eighth, and the waveforms off by another third.
const SHARE_ABOVE: f64 = 0.5;
/// Part of an interval to which the place of the largest deviation is found; the deviation is stationary there, so that its own error
/// is of order 1e-14.
const DEVIATION_PLACE: f64 = 1e-7;
/// A safeguarded Newton search that has not settled by then has at least halved its bracket this often.
const NEWTON_STEPS: usize = 100;

/// Tables that a thread remembers.
const REMEMBERED: usize = 12;

thread_local! {
    static LATELY: RefCell<Vec<(FluxCurve, Bound, FluxTable)>> = const { RefCell::new(Vec::new()) };
}

/// Why a curve or table cannot be built.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum SaturationError {
    /// There is no curve, or a curve without points.
    #[error("the saturation curve has no points")]
    Empty,
    /// Currents are not finite and ascending from zero.
    #[error("point {index} of the saturation curve: current {current_a} A; currents must ascend from 0")]
    Current {
        /// Position in the table, from 1.
        index: usize,
        /// Offending current in A.
        current_a: f64,
    },
    /// Inductance is not positive and finite, or it rises with current.
    #[error(
        "point {index} of the saturation curve: inductance {inductance_h} H; it must be positive and must not rise with current"
    )]
    Inductance {
        /// Position in the table, from 1.
        index: usize,
        /// Offending inductance in H.
        inductance_h: f64,
    },
    /// Temperatures are not finite and ascending.
    #[error("the temperatures of the saturation curves must ascend; found {temperature_degc} C")]
    Temperature {
        /// Offending temperature in degrees Celsius.
        temperature_degc: f64,
    },
    /// A number that must be positive is not.
    #[error("{what} is {value}; it must be positive")]
    NotPositive {
        /// Name of the number with its unit.
        what: &'static str,
        /// Its value.
        value: f64,
    },
    /// Samples of current against flux linkage do not ascend from (0, 0).
    #[error("sample {index}: flux linkage and current must both ascend from 0")]
    Samples {
        /// Position among the samples, from 1.
        index: usize,
    },
    /// The error bound would need too many segments.
    #[error("a current error below {error_a} A needs more than {MAX_SEGMENTS} segments")]
    TooFine {
        /// Bound asked for in A.
        error_a: f64,
    },
}

/// One cubic of the incremental inductance, c0 + c1 t + c2 t^2 + c3 t^3 with t = current - `start_a`;
/// it holds until the next piece starts.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Piece {
    start_a: f64,
    start_wb: f64,
    start_j: f64,
    c: [f64; 4],
}

impl Piece {
    fn inductance_h(&self, t: f64) -> f64 {
        let [c0, c1, c2, c3] = self.c;
        c0 + t * (c1 + t * (c2 + t * c3))
    }

    /// Integral of L from the start of the piece.
    fn added_wb(&self, t: f64) -> f64 {
        let [c0, c1, c2, c3] = self.c;
        t * (c0 + t * (c1 / 2.0 + t * (c2 / 3.0 + t * (c3 / 4.0))))
    }

    /// Integral of i L di from the start of the piece.
    fn added_j(&self, t: f64) -> f64 {
        let [c0, c1, c2, c3] = self.c;
        let moment = t * t * (c0 / 2.0 + t * (c1 / 3.0 + t * (c2 / 4.0 + t * (c3 / 5.0))));
        self.start_a * self.added_wb(t) + moment
    }

    /// The same cubic about a later start.
    fn about(&self, start_a: f64) -> [f64; 4] {
        let s = start_a - self.start_a;
        let [_, c1, c2, c3] = self.c;
        [self.inductance_h(s), c1 + s * (2.0 * c2 + s * 3.0 * c3), c2 + 3.0 * c3 * s, c3]
    }
}

/// Smooth saturation curve at one temperature, of a typical unit or of one at an end of the tolerance.
///
/// Incremental inductance L(i) by monotone cubic interpolation of every table (F. N. Fritsch, R. E. Carlson,
/// SIAM J. Numer. Anal. 17 (1980) 238; derivatives by the weighted harmonic mean of F. N. Fritsch, J. Butland,
/// SIAM J. Sci. Stat. Comput. 5 (1984) 300, three-point at the ends), linear in temperature between two tables,
/// held constant past the last current and outside the temperatures of the tables. L is even in i, the flux
/// linkage, integral of L di, is odd.
///
/// A unit whose gap is another has another reluctance in series: to the typical unit's current comes `gap_per_h` times the flux
/// linkage. The pieces are the typical unit's.
#[derive(Clone, Debug, PartialEq)]
pub struct FluxCurve {
    pieces: Vec<Piece>,
    gap_per_h: f64,
    last_current_a: f64,
    beyond_temperature: bool,
}

impl FluxCurve {
    /// Curve at `temperature_degc` of a unit whose inductance at no current and 25 C is `factor` times the typical one
    /// (1 for typical, 0.8 for 20 % low).
    ///
    /// A gapped core (ferrite): the tolerance is mostly the gap, a constant added reluctance, so i(flux) = i_typical(flux) +
    /// (1 / factor - 1) flux / L0, and a unit of *high* inductance saturates earlier. A powder core: a low unit has less inductance at
    /// equal current (fill and area), a high one less current at equal flux linkage. Source: derived from the magnetic circuit.
    ///
    /// # Errors
    /// As [`FluxCurve::new`].
    pub fn of_unit(
        curves: &[SaturationCurve],
        core: CoreFamily,
        temperature_degc: f64,
        factor: f64,
    ) -> Result<Self, SaturationError> {
        positive("tolerance factor", factor)?;
        let typical = Self::new(curves, temperature_degc, 1.0)?;
        match core {
            CoreFamily::Ferrite => {
                let cold_h = Self::new(curves, COLD_DEGC, 1.0)?.inductance_h(0.0);
                typical.with_gap((1.0 / factor - 1.0) / cold_h)
            }
            _ if factor < 1.0 => Self::new(curves, temperature_degc, factor),
            _ => Ok(typical.with_less_current(factor)),
        }
    }

    /// The curve with a constant reluctance added, as 1/H.
    fn with_gap(self, gap_per_h: f64) -> Result<Self, SaturationError> {
        positive("inductance of the unit in H", 1.0 + gap_per_h * self.typical_h(0.0))?;
        Ok(Self { gap_per_h, ..self })
    }

    /// The curve with the current at every flux linkage divided by a factor.
    fn with_less_current(mut self, factor: f64) -> Self {
        for piece in &mut self.pieces {
            piece.start_a /= factor;
            let mut power = factor;
            for c in &mut piece.c {
                *c *= power;
                power *= factor;
            }
        }
        Self { pieces: integrate(self.pieces), last_current_a: self.last_current_a / factor, ..self }
    }

    /// Curve at `temperature_degc`, all inductances multiplied by `factor` at equal current.
    ///
    /// # Errors
    /// Tables that are empty, not ascending, not positive, or rising with current; a factor that is not positive.
    pub fn new(curves: &[SaturationCurve], temperature_degc: f64, factor: f64) -> Result<Self, SaturationError> {
        positive("tolerance factor", factor)?;
        check_temperatures(curves, temperature_degc)?;
        let (cold, hot, weight) = neighbours(curves, temperature_degc).ok_or(SaturationError::Empty)?;
        let (cold_pieces, hot_pieces) = (table_pieces(cold)?, table_pieces(hot)?);
        let pieces = integrate(blend(&cold_pieces, &hot_pieces, weight, factor));
        let mut last_current_a = f64::INFINITY;
        if weight < 1.0 {
            last_current_a = last_start(&cold_pieces);
        }
        if weight > 0.0 {
            last_current_a = last_current_a.min(last_start(&hot_pieces));
        }
        let inside = curves.first().is_some_and(|c| c.temperature_degc <= temperature_degc)
            && curves.last().is_some_and(|c| temperature_degc <= c.temperature_degc);
        Ok(Self { pieces, gap_per_h: 0.0, last_current_a, beyond_temperature: !inside })
    }

    /// Incremental inductance in H at a current in A.
    pub fn inductance_h(&self, current_a: f64) -> f64 {
        let typical_h = self.typical_h(self.typical_a(current_a.abs()));
        typical_h / (1.0 + self.gap_per_h * typical_h)
    }

    /// Flux linkage in V s at a current in A: exact integral of the cubics.
    pub fn flux_wb(&self, current_a: f64) -> f64 {
        self.typical_wb(self.typical_a(current_a.abs())).copysign(current_a)
    }

    /// Magnetic energy in J at a current in A: integral of i d(flux).
    pub fn energy_j(&self, current_a: f64) -> f64 {
        let (piece, t) = self.at_typical(self.typical_a(current_a.abs()));
        let flux_wb = piece.start_wb + piece.added_wb(t);
        piece.start_j + piece.added_j(t) + 0.5 * self.gap_per_h * flux_wb * flux_wb
    }

    /// Current in A at a flux linkage in V s: inverse of [`Self::flux_wb`] to rounding.
    pub fn current_a(&self, flux_wb: f64) -> f64 {
        let flux = flux_wb.abs();
        let k = self.pieces.partition_point(|p| p.start_wb <= flux).max(1) - 1;
        let piece = &self.pieces[k];
        let added = flux - piece.start_wb;
        let t = match self.pieces.get(k + 1) {
            Some(next) => invert(piece, added, next.start_a - piece.start_a),
            None => added / piece.c[0],
        };
        (piece.start_a + t + self.gap_per_h * flux).copysign(flux_wb)
    }

    /// Current in A at which the inductance has fallen by `drop` (0.3 for 30 %) from its value at zero current, as IEC 62024-2
    /// defines the saturation current; `None` if it does not fall so far within the curve.
    ///
    /// The share is part of every rating: 10, 20, 30 and 40 % are all in use (common practice).
    pub fn current_at_drop_a(&self, drop: f64) -> Option<f64> {
        let wanted_h = self.inductance_h(0.0) * (1.0 - drop);
        let (mut low, mut high) = (0.0, self.end_a());
        if wanted_h.is_nan() || self.inductance_h(high) > wanted_h {
            return None;
        }
        // L does not rise, so halving down to neighbouring numbers always ends at the crossing.
        loop {
            let middle = 0.5 * (low + high);
            if middle <= low || middle >= high {
                return Some(high);
            }
            if self.inductance_h(middle) <= wanted_h {
                high = middle;
            } else {
                low = middle;
            }
        }
    }

    /// Last current of the data in A (the lower one where two tables take part); past it the inductance is held.
    pub fn last_current_a(&self) -> f64 {
        self.unit_a(self.last_current_a)
    }

    /// Whether a current lies past the data.
    pub fn is_beyond(&self, current_a: f64) -> bool {
        current_a.abs() > self.last_current_a()
    }

    /// Whether the temperature lies outside the tables, so that the nearest table was held.
    pub fn beyond_temperature(&self) -> bool {
        self.beyond_temperature
    }

    /// Where between two currents the inductance has fallen to a value: at an end where it lies above or below it all along.
    fn where_inductance_is(&self, inductance_h: f64, (from_a, to_a): (f64, f64)) -> f64 {
        // L does not rise: the piece in question is the last one that begins above the value.
        let k = self.pieces.partition_point(|p| p.c[0] > inductance_h).max(1) - 1;
        let piece = &self.pieces[k];
        let end_a = self.pieces.get(k + 1).map_or(f64::INFINITY, |next| next.start_a);
        let (mut low, mut high) = (piece.start_a.clamp(from_a, to_a), end_a.clamp(from_a, to_a));
        let settled_a = DEVIATION_PLACE * (to_a - from_a);
        let mut at_a = 0.5 * (low + high);
        for _ in 0..NEWTON_STEPS {
            let t = at_a - piece.start_a;
            let excess_h = piece.inductance_h(t) - inductance_h;
            if excess_h > 0.0 {
                low = at_a
            } else {
                high = at_a
            }
            let [_, c1, c2, c3] = piece.c;
            let newton = at_a - excess_h / (c1 + t * (2.0 * c2 + t * 3.0 * c3));
            let next = if newton > low && newton < high { newton } else { 0.5 * (low + high) };
            let moved_a = (next - at_a).abs();
            at_a = next;
            if moved_a <= settled_a {
                break;
            }
        }
        at_a
    }

    /// Current from which the inductance is constant.
    fn end_a(&self) -> f64 {
        self.unit_a(last_start(&self.pieces))
    }

    /// Current in A of this unit at the flux linkage that a typical one has at a current not below zero.
    fn unit_a(&self, typical_a: f64) -> f64 {
        if typical_a.is_finite() { typical_a + self.gap_per_h * self.typical_wb(typical_a) } else { typical_a }
    }

    /// Current in A of a typical unit at the flux linkage that this one has at a current not below zero. Newton's method: the
    /// inductance does not rise, so from the straight line at no current it comes from one side without fail.
    fn typical_a(&self, current_a: f64) -> f64 {
        if self.gap_per_h == 0.0 {
            return current_a;
        }
        let mut typical_a = current_a / (1.0 + self.gap_per_h * self.typical_h(0.0));
        for _ in 0..NEWTON_STEPS {
            let step_a = (current_a - self.unit_a(typical_a)) / (1.0 + self.gap_per_h * self.typical_h(typical_a));
            typical_a += step_a;
            if step_a.abs() <= 4.0 * f64::EPSILON * typical_a {
                break;
            }
        }
        typical_a
    }

    /// Incremental inductance in H of a typical unit at a current of its own not below zero.
    fn typical_h(&self, typical_a: f64) -> f64 {
        let (piece, t) = self.at_typical(typical_a);
        piece.inductance_h(t)
    }

    /// Flux linkage in V s of a typical unit at a current of its own not below zero.
    fn typical_wb(&self, typical_a: f64) -> f64 {
        let (piece, t) = self.at_typical(typical_a);
        piece.start_wb + piece.added_wb(t)
    }

    fn at_typical(&self, typical_a: f64) -> (&Piece, f64) {
        let k = self.pieces.partition_point(|p| p.start_a <= typical_a).max(1) - 1;
        let piece = &self.pieces[k];
        (piece, typical_a - piece.start_a)
    }
}

fn positive(what: &'static str, value: f64) -> Result<(), SaturationError> {
    if value > 0.0 && value.is_finite() { Ok(()) } else { Err(SaturationError::NotPositive { what, value }) }
}

fn last_start(pieces: &[Piece]) -> f64 {
    pieces.last().map_or(0.0, |p| p.start_a)
}

fn check_temperatures(curves: &[SaturationCurve], wanted_degc: f64) -> Result<(), SaturationError> {
    let mut previous = f64::NEG_INFINITY;
    for t in curves.iter().map(|c| c.temperature_degc) {
        if !(t > previous && t.is_finite()) {
            return Err(SaturationError::Temperature { temperature_degc: t });
        }
        previous = t;
    }
    if wanted_degc.is_finite() { Ok(()) } else { Err(SaturationError::Temperature { temperature_degc: wanted_degc }) }
}

/// The tables on either side of a temperature and the weight of the hotter one.
fn neighbours(curves: &[SaturationCurve], temperature_degc: f64) -> Option<(&SaturationCurve, &SaturationCurve, f64)> {
    let hotter = curves.partition_point(|c| c.temperature_degc <= temperature_degc);
    let cold = curves.get(hotter.saturating_sub(1))?;
    let hot = curves.get(hotter).unwrap_or(cold);
    let span = hot.temperature_degc - cold.temperature_degc;
    let weight = if span > 0.0 { ((temperature_degc - cold.temperature_degc) / span).clamp(0.0, 1.0) } else { 0.0 };
    Some((cold, hot, weight))
}

fn check_points(points: &[(f64, f64)]) -> Result<(), SaturationError> {
    let (mut last_a, mut last_h) = (f64::NEG_INFINITY, f64::INFINITY);
    for (k, &(current_a, inductance_h)) in points.iter().enumerate() {
        let ascending = if k == 0 { current_a == 0.0 } else { current_a > last_a && current_a.is_finite() };
        if !ascending {
            return Err(SaturationError::Current { index: k + 1, current_a });
        }
        if !(inductance_h > 0.0 && inductance_h.is_finite() && inductance_h <= last_h) {
            return Err(SaturationError::Inductance { index: k + 1, inductance_h });
        }
        (last_a, last_h) = (current_a, inductance_h);
    }
    if points.is_empty() { Err(SaturationError::Empty) } else { Ok(()) }
}

/// Cubics of one table, the constant continuation last; their integrals are filled in by [`integrate`].
fn table_pieces(curve: &SaturationCurve) -> Result<Vec<Piece>, SaturationError> {
    let points = &curve.points;
    check_points(points)?;
    let slopes = monotone_slopes(points);
    let mut pieces: Vec<Piece> = points
        .windows(2)
        .zip(slopes.windows(2))
        .map(|(p, m)| {
            let h = p[1].0 - p[0].0;
            let secant = (p[1].1 - p[0].1) / h;
            let c2 = (3.0 * secant - 2.0 * m[0] - m[1]) / h;
            let c3 = (m[0] + m[1] - 2.0 * secant) / (h * h);
            piece(p[0].0, [p[0].1, m[0], c2, c3])
        })
        .collect();
    pieces.extend(points.last().map(|&(i, l)| piece(i, [l, 0.0, 0.0, 0.0])));
    Ok(pieces)
}

fn piece(start_a: f64, c: [f64; 4]) -> Piece {
    Piece { start_a, start_wb: 0.0, start_j: 0.0, c }
}

/// Derivatives of the monotone cubic at the points.
fn monotone_slopes(points: &[(f64, f64)]) -> Vec<f64> {
    let h: Vec<f64> = points.windows(2).map(|p| p[1].0 - p[0].0).collect();
    let d: Vec<f64> = points.windows(2).map(|p| (p[1].1 - p[0].1) / (p[1].0 - p[0].0)).collect();
    let n = d.len();
    if n < 2 {
        return vec![d.first().copied().unwrap_or(0.0); points.len()];
    }
    let mut slopes = vec![end_slope(h[0], h[1], d[0], d[1])];
    slopes.extend((1..n).map(|k| inner_slope(h[k - 1], h[k], d[k - 1], d[k])));
    slopes.push(end_slope(h[n - 1], h[n - 2], d[n - 1], d[n - 2]));
    slopes
}

/// Weighted harmonic mean of the secants either side; zero at a flat spot.
fn inner_slope(h0: f64, h1: f64, d0: f64, d1: f64) -> f64 {
    if d0 * d1 <= 0.0 {
        return 0.0;
    }
    let (w0, w1) = (2.0 * h1 + h0, h1 + 2.0 * h0);
    (w0 + w1) / (w0 / d0 + w1 / d1)
}

/// Three-point derivative at an end, limited so that the end piece stays monotone.
fn end_slope(h0: f64, h1: f64, d0: f64, d1: f64) -> f64 {
    let slope = ((2.0 * h0 + h1) * d0 - h0 * d1) / (h0 + h1);
    if slope * d0 <= 0.0 {
        0.0
    } else if d0 * d1 <= 0.0 && slope.abs() > 3.0 * d0.abs() {
        3.0 * d0
    } else {
        slope
    }
}

/// Weighted sum of two piecewise cubics on the union of their starts.
fn blend(cold: &[Piece], hot: &[Piece], weight: f64, factor: f64) -> Vec<Piece> {
    let mut starts: Vec<f64> = Vec::new();
    if weight < 1.0 {
        starts.extend(cold.iter().map(|p| p.start_a));
    }
    if weight > 0.0 {
        starts.extend(hot.iter().map(|p| p.start_a));
    }
    starts.sort_by(f64::total_cmp);
    starts.dedup();
    starts
        .into_iter()
        .map(|start_a| {
            let (a, b) = (holding(cold, start_a).about(start_a), holding(hot, start_a).about(start_a));
            piece(start_a, std::array::from_fn(|k| factor * ((1.0 - weight) * a[k] + weight * b[k])))
        })
        .collect()
}

fn holding(pieces: &[Piece], current_a: f64) -> &Piece {
    &pieces[pieces.partition_point(|p| p.start_a <= current_a).max(1) - 1]
}

fn integrate(mut pieces: Vec<Piece>) -> Vec<Piece> {
    for k in 1..pieces.len() {
        let before = pieces[k - 1];
        let t = pieces[k].start_a - before.start_a;
        pieces[k].start_wb = before.start_wb + before.added_wb(t);
        pieces[k].start_j = before.start_j + before.added_j(t);
    }
    pieces
}

/// Where a piece of the given length has gathered `added_wb`: Newton kept inside a shrinking bracket.
fn invert(piece: &Piece, added_wb: f64, length_a: f64) -> f64 {
    let (mut low, mut high) = (0.0, length_a);
    let mut t = (added_wb / piece.c[0]).clamp(low, high);
    for _ in 0..NEWTON_STEPS {
        let excess = piece.added_wb(t) - added_wb;
        if excess > 0.0 {
            high = t
        } else {
            low = t
        }
        let newton = t - excess / piece.inductance_h(t);
        let next = if newton >= low && newton <= high { newton } else { 0.5 * (low + high) };
        let settled = (next - t).abs() <= f64::EPSILON * (piece.start_a + t);
        t = next;
        if settled {
            break;
        }
    }
    t
}

/// One straight piece of a [`FluxTable`]: current = `offset_a` + `slope_a_per_wb` * flux linkage.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Segment {
    /// Flux linkage in V s where the segment begins.
    pub flux_low_wb: f64,
    /// Flux linkage in V s where it ends; infinite on the last one.
    pub flux_high_wb: f64,
    /// Slope in A/(V s), the reciprocal of the inductance on the segment.
    pub slope_a_per_wb: f64,
    /// Current in A of the prolonged segment at zero flux linkage.
    pub offset_a: f64,
}

impl Segment {
    fn through(low: (f64, f64), flux_high_wb: f64, slope_a_per_wb: f64) -> Self {
        Self { flux_low_wb: low.0, flux_high_wb, slope_a_per_wb, offset_a: low.1 - slope_a_per_wb * low.0 }
    }

    /// Current in A at a flux linkage in V s not below zero.
    fn current_a(&self, flux_wb: f64) -> f64 {
        self.offset_a + self.slope_a_per_wb * flux_wb
    }

    /// Integral of the current from the start of the segment.
    fn added_j(&self, flux_wb: f64) -> f64 {
        0.5 * (self.current_a(self.flux_low_wb) + self.current_a(flux_wb)) * (flux_wb - self.flux_low_wb)
    }
}

/// How far the current of a table may be off.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bound {
    /// Largest error in A.
    pub error_a: f64,
    /// Current in A up to which that holds; beyond, the bound grows as the fourth power of the current, to [`Bound::MOST`] of it.
    pub up_to_a: f64,
}

impl Bound {
    /// Largest multiple of the error, far beyond.
    pub const MOST: f64 = 25.0;

    /// Largest error in A of a piece that begins at a current.
    fn at(&self, current_a: f64) -> f64 {
        self.error_a * (current_a / self.up_to_a).powi(4).clamp(1.0, Bound::MOST)
    }
}

/// Piecewise-linear current against flux linkage, continuous, for flux linkage from 0 to infinity.
///
/// The table stands for an odd function: for negative flux linkage take segment and current at the
/// magnitude and turn the sign of the current.
#[derive(Clone, Debug, PartialEq)]
pub struct FluxTable {
    segments: Vec<Segment>,
    start_j: Vec<f64>,
    max_error_a: f64,
}

impl FluxTable {
    /// Fewest straight pieces, laid greedily from zero, whose current is nowhere off from that of the smooth curve by more
    /// than `error_a` to either side.
    ///
    /// i(flux) is convex, so each piece is a chord moved down: the bound too low at both ends, half of it too high in between.
    /// The table is exact at zero, as an odd function must be. The last segment begins where the inductance of the curve
    /// becomes constant and has exactly that inductance, so the error does not grow beyond the data.
    ///
    /// # Errors
    /// A bound that is not positive, or so small that it needs thousands of segments.
    pub fn from_curve(curve: &FluxCurve, error_a: f64) -> Result<Self, SaturationError> {
        Self::within(curve, Bound { error_a, up_to_a: f64::INFINITY })
    }

    /// The same with a bound that widens where currents are beyond what is carried in normal operation.
    ///
    /// # Errors
    /// As [`Self::from_curve`].
    pub fn within(curve: &FluxCurve, bound: Bound) -> Result<Self, SaturationError> {
        // A corner of a part asks for the same table for every event.
        let known = LATELY.with_borrow(|lately| {
            lately.iter().find(|(of, known, _)| of == curve && *known == bound).map(|(_, _, table)| table.clone())
        });
        if let Some(table) = known {
            return Ok(table);
        }
        let table = Self::laid(curve, bound)?;
        LATELY.with_borrow_mut(|lately| {
            lately.truncate(REMEMBERED - 1);
            lately.insert(0, (curve.clone(), bound, table.clone()));
        });
        Ok(table)
    }

    fn laid(curve: &FluxCurve, bound: Bound) -> Result<Self, SaturationError> {
        positive("current error in A", bound.error_a)?;
        // A gap adds a straight line in flux linkage to every piece, and nothing to its error.
        let end_a = last_start(&curve.pieces);
        let mut low = Knot { curve_a: 0.0, off_a: 0.0 };
        let (mut knots, mut max_error_a) = (vec![low.point(curve)], 0.0_f64);
        while low.curve_a < end_a {
            let error_a = bound.at(low.curve_a);
            let high = furthest_knot(curve, low, end_a, error_a);
            // No progress means that the bound is below the rounding of the curve.
            if knots.len() >= MAX_SEGMENTS || high.curve_a <= low.curve_a {
                return Err(SaturationError::TooFine { error_a });
            }
            max_error_a = max_error_a.max(excess_a(curve, low, high)).max(-high.off_a);
            knots.push(high.point(curve));
            low = high;
        }
        knots.iter_mut().for_each(|(flux_wb, current_a)| *current_a += curve.gap_per_h * *flux_wb);
        Ok(Self::through_knots(&knots, 1.0 / curve.typical_h(end_a) + curve.gap_per_h, max_error_a))
    }

    /// Straight lines through samples (flux linkage in V s, current in A) ascending from (0, 0); the last slope continues.
    ///
    /// # Errors
    /// Fewer than two samples, or samples that do not ascend from (0, 0).
    pub fn from_samples(samples: &[(f64, f64)]) -> Result<Self, SaturationError> {
        if samples.first() != Some(&(0.0, 0.0)) {
            return Err(SaturationError::Samples { index: 1 });
        }
        let rises = |w: &[(f64, f64)]| w[1].0 > w[0].0 && w[1].1 > w[0].1 && w[1].0.is_finite() && w[1].1.is_finite();
        if let Some(k) = samples.windows(2).position(|w| !rises(w)) {
            return Err(SaturationError::Samples { index: k + 2 });
        }
        let &[.., before, last] = samples else {
            return Err(SaturationError::Samples { index: 2 });
        };
        let inner = &samples[..samples.len() - 1];
        Ok(Self::through_knots(inner, (last.1 - before.1) / (last.0 - before.0), 0.0))
    }

    /// Constant inductance in H: one segment.
    ///
    /// # Errors
    /// An inductance that is not positive.
    pub fn linear(inductance_h: f64) -> Result<Self, SaturationError> {
        positive("inductance in H", inductance_h)?;
        Ok(Self::through_knots(&[(0.0, 0.0)], 1.0 / inductance_h, 0.0))
    }

    fn through_knots(knots: &[(f64, f64)], last_slope_a_per_wb: f64, max_error_a: f64) -> Self {
        let mut segments: Vec<Segment> =
            knots.windows(2).map(|w| Segment::through(w[0], w[1].0, (w[1].1 - w[0].1) / (w[1].0 - w[0].0))).collect();
        segments.extend(knots.last().map(|&k| Segment::through(k, f64::INFINITY, last_slope_a_per_wb)));
        let mut start_j = vec![0.0];
        for segment in &segments[..segments.len() - 1] {
            start_j.push(start_j[start_j.len() - 1] + segment.added_j(segment.flux_high_wb));
        }
        Self { segments, start_j, max_error_a }
    }

    /// Number of segments, at least one.
    pub fn segments(&self) -> usize {
        self.segments.len()
    }

    /// Segment `k`, counted from zero flux linkage; a larger number than there is gives the last one.
    pub fn segment(&self, k: usize) -> Segment {
        self.segments[k.min(self.segments.len() - 1)]
    }

    /// Number of the segment that holds the magnitude of a flux linkage in V s; a knot belongs to the segment above it.
    pub fn locate(&self, flux_wb: f64) -> usize {
        let flux = flux_wb.abs();
        self.segments.partition_point(|s| s.flux_low_wb <= flux).max(1) - 1
    }

    /// Current in A at a flux linkage in V s of either sign.
    pub fn current_a(&self, flux_wb: f64) -> f64 {
        let flux = flux_wb.abs();
        self.segments[self.locate(flux)].current_a(flux).copysign(flux_wb)
    }

    /// Flux linkage in V s at a current in A of either sign: inverse of [`Self::current_a`].
    pub fn flux_wb(&self, current_a: f64) -> f64 {
        let current = current_a.abs();
        let k = self.segments.partition_point(|s| s.current_a(s.flux_low_wb) <= current).max(1) - 1;
        let segment = &self.segments[k];
        ((current - segment.offset_a) / segment.slope_a_per_wb).copysign(current_a)
    }

    /// Magnetic energy in J at a flux linkage in V s: exact integral of the piecewise-linear current.
    pub fn energy_j(&self, flux_wb: f64) -> f64 {
        let (flux, k) = (flux_wb.abs(), self.locate(flux_wb));
        self.start_j[k] + self.segments[k].added_j(flux)
    }

    /// Largest difference in A between the current of the table and that of the curve it was made from
    /// (0 for a table that was not made from a curve).
    pub fn max_error_a(&self) -> f64 {
        self.max_error_a
    }
}

/// End of a straight piece: where it lies on the curve of a typical unit, and by how much the table is off there (never above zero).
#[derive(Clone, Copy)]
struct Knot {
    curve_a: f64,
    off_a: f64,
}

impl Knot {
    /// (flux linkage in V s, current of the table in A).
    fn point(self, curve: &FluxCurve) -> (f64, f64) {
        (curve.typical_wb(self.curve_a), self.curve_a + self.off_a)
    }
}

/// End of the longest piece from `low` that stays within the bound: the bound below the curve, or at the end of the data
/// as little below it as possible.
fn furthest_knot(curve: &FluxCurve, low: Knot, end_a: f64, error_a: f64) -> Knot {
    let fits = |high: &Knot| excess_a(curve, low, *high) <= SHARE_ABOVE * error_a;
    let on_curve = Knot { curve_a: end_a, off_a: 0.0 };
    if fits(&on_curve) {
        return on_curve;
    }
    let below = |curve_a: f64| Knot { curve_a, off_a: -error_a };
    let (mut good, mut bad) =
        if fits(&below(end_a)) { (below(end_a), on_curve) } else { (below(low.curve_a), below(end_a)) };
    for _ in 0..LENGTH_HALVINGS {
        let middle = Knot { curve_a: 0.5 * (good.curve_a + bad.curve_a), off_a: 0.5 * (good.off_a + bad.off_a) };
        if fits(&middle) { good = middle } else { bad = middle }
    }
    good
}

/// Largest excess in A of a straight piece over the curve.
///
/// L does not rise, so i(flux) is convex and the excess has one maximum, where L equals the piece's inductance (at an end,
/// where L is on one side of it throughout); it is read as a function of current, which needs no inversion.
fn excess_a(curve: &FluxCurve, low: Knot, high: Knot) -> f64 {
    let (from, to) = (low.point(curve), high.point(curve));
    let piece_a_per_wb = (to.1 - from.1) / (to.0 - from.0);
    let at_a = curve.where_inductance_is(1.0 / piece_a_per_wb, (low.curve_a, high.curve_a));
    from.1 + (curve.typical_wb(at_a) - from.0) * piece_a_per_wb - at_a
}
