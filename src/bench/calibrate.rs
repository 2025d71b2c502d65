//! What captures of the original tell of the board's data: regularised least squares, linear about where the data stand, and repeated where
//! they come to stand until they stay there (Gauss and Newton).
//!
//! Prior: each datum with its standard uncertainty. Data: figures and points of folded waveforms, with noise, the model's own share, and the
//! gain of each probe as one more unknown. In units of the prior's standard uncertainties the derivatives are the effects by which the
//! prediction's uncertainty is found. A prior that is rectangular counts as a normal one of the same standard uncertainty.

use super::predict::{POINT, Prior, Shifts};
use nalgebra::{DMatrix, DVector};

/// A datum counts as learned where its posterior is at least that much narrower than its prior.
const NARROWER: f64 = 0.8;
/// The misfit may be as large as a chi-square variable is once in 4000, a normal one beyond so many standard deviations.
const MISFIT: f64 = 3.5;
/// Repetitions at most, and the share of its posterior uncertainty within which a datum stays.
pub const ROUNDS: usize = 5;
const STAYS: f64 = 0.1;
/// Figures that are not used: they jump, or follow from others.
const NOT_USED: [&str; 2] = ["recovery", "window"];

/// One figure of a capture, or one point of a folded waveform.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// Number of the capture or setting it belongs to.
    pub source: usize,
    /// Identifier of the quantity.
    pub id: &'static str,
    /// Predicted value.
    pub predicted: f64,
    /// Measured minus what is predicted with each datum in the middle of what it may be.
    pub difference: f64,
    /// Whether it is learned from; else it is only told how well the others predict it.
    pub teaches: bool,
    /// Standard uncertainty of noise and of the model's own share.
    pub own: f64,
    /// Probe that saw it, and the standard uncertainty of its gain as a fraction.
    pub probe: Option<(&'static str, f64)>,
    /// Change by one standard uncertainty of each datum, by its name.
    pub effects: Vec<(String, f64)>,
}

impl Row {
    /// Whether it may be used.
    pub fn is_used(id: &str) -> bool {
        !NOT_USED.contains(&id)
    }
}

/// What became of a datum.
#[derive(Clone, Debug, PartialEq)]
pub struct Learned {
    /// What it was before.
    pub prior: Prior,
    /// Shift of its value in standard uncertainties of the prior.
    pub shift: f64,
    /// Standard uncertainty of the posterior in those of the prior.
    pub left: f64,
}

impl Learned {
    /// Whether enough is known of it to be called learned.
    pub fn is_learned(&self) -> bool {
        self.left <= NARROWER
    }

    /// Where it is now, as far as it may move.
    fn place(&self) -> f64 {
        self.shift.clamp(self.prior.limits.0, self.prior.limits.1)
    }

    /// How far that is from where it was looked at last, among some shifts.
    fn moved(&self, shifts: &Shifts) -> f64 {
        self.place() - self.prior.stands(shifts)
    }

    /// Whether it has stayed there.
    fn stays(&self, shifts: &Shifts) -> bool {
        self.moved(shifts).abs() <= STAYS * self.left
    }

    /// In a place where it may be; what it would have moved beyond, or is still moving, makes it the more doubtful.
    fn at_rest(mut self, shifts: &Shifts) -> Learned {
        let (low, high) = self.prior.limits;
        if low < high {
            let moving = if self.stays(shifts) { 0.0 } else { self.moved(shifts) };
            self.left = self.left.hypot(self.shift - self.place()).hypot(moving);
            self.shift = self.place();
        }
        self
    }
}

/// How a capture is predicted from all others.
#[derive(Clone, Debug, PartialEq)]
pub struct LeftOut {
    /// Number of the capture.
    pub source: usize,
    /// Identifier of the quantity.
    pub id: &'static str,
    /// Difference of the measured value from the prediction, before and after learning from the others.
    pub difference: (f64, f64),
    /// Standard uncertainty of that difference, before and after.
    pub uncertainty: (f64, f64),
}

/// Everything that was learned.
#[derive(Clone, Debug, PartialEq)]
pub struct Calibration {
    /// Each datum, those first of which most is learned.
    pub data: Vec<Learned>,
    /// Gain of each probe: name, shift as a fraction, standard uncertainty as a fraction.
    pub gains: Vec<(&'static str, f64, f64)>,
    /// Misfit, and what is expected of it: the number of figures.
    pub misfit: (f64, usize),
    /// Each capture from all others; empty for a single one.
    pub left_out: Vec<LeftOut>,
    /// Captures from which nothing was learned: their own figures do not agree with each other and with this board.
    pub at_odds: Vec<usize>,
}

impl Calibration {
    /// Whether the figures agree with each other and with the model, so that something may be learned from them.
    pub fn is_sound(&self) -> bool {
        is_sound(self.misfit)
    }

    /// Where the data stand now.
    pub fn shifts(&self) -> Vec<(String, f64)> {
        self.data.iter().map(|datum| (datum.prior.name.clone(), datum.shift)).collect()
    }

    /// Whether all of them have stayed where they were looked at.
    pub fn stays(&self, shifts: &Shifts) -> bool {
        self.data.iter().all(|datum| datum.stays(shifts))
    }

    /// The same with every datum in a place where it may be, and the more doubtful where it has not stayed.
    #[must_use]
    pub fn at_rest(self, shifts: &Shifts) -> Calibration {
        Calibration { data: self.data.into_iter().map(|datum| datum.at_rest(shifts)).collect(), ..self }
    }
}

/// Whether a misfit is no larger than chance makes it, for that many figures: by its quantile after Wilson and Hilferty (1931).
fn is_sound((misfit, count): (f64, usize)) -> bool {
    let spread = 2.0 / (9.0 * count as f64);
    misfit <= count as f64 * (1.0 - spread + MISFIT * spread.sqrt()).powi(3)
}

/// The unknowns, and where each stands.
struct Unknowns {
    names: Vec<String>,
    probes: Vec<(&'static str, f64)>,
}

impl Unknowns {
    fn of(rows: &[Row]) -> Unknowns {
        let mut unknowns = Unknowns { names: vec![], probes: vec![] };
        for row in rows {
            for (name, _) in &row.effects {
                if !unknowns.names.contains(name) {
                    unknowns.names.push(name.clone());
                }
            }
            if let Some(probe) = row.probe.filter(|probe| unknowns.probes.iter().all(|known| known.0 != probe.0)) {
                unknowns.probes.push(probe);
            }
        }
        unknowns
    }

    fn count(&self) -> usize {
        self.names.len() + self.probes.len()
    }

    /// Derivative of each row by each unknown, in standard uncertainties of the prior.
    fn derivatives(&self, rows: &[Row]) -> DMatrix<f64> {
        DMatrix::from_fn(rows.len(), self.count(), |row, column| {
            let row = &rows[row];
            match self.names.get(column) {
                Some(name) => row.effects.iter().filter(|(other, _)| other == name).map(|(_, change)| change).sum(),
                None => {
                    let probe = self.probes[column - self.names.len()].0;
                    row.probe.filter(|(own, _)| *own == probe).map_or(0.0, |(_, gain)| gain * row.predicted)
                }
            }
        })
    }
}

/// Posterior of all unknowns: shifts and covariance, in standard uncertainties of the prior. `None` where the figures have no
/// uncertainty of their own.
fn posterior(unknowns: &Unknowns, rows: &[Row]) -> Option<(DVector<f64>, DMatrix<f64>)> {
    let derivatives = unknowns.derivatives(rows);
    let mut weighted = derivatives.clone();
    for (number, row) in rows.iter().enumerate() {
        if row.own <= 0.0 {
            return None;
        }
        weighted.row_mut(number).scale_mut(1.0 / row.own.powi(2));
    }
    let differences = DVector::from_iterator(rows.len(), rows.iter().map(|row| row.difference));
    let information = DMatrix::identity(unknowns.count(), unknowns.count()) + derivatives.transpose() * &weighted;
    // The identity of the prior makes it positive definite.
    let covariance = information.cholesky()?.inverse();
    Some((&covariance * weighted.transpose() * differences, covariance))
}

/// Misfit of figures with the unknowns shifted, and what is expected of it.
fn misfit(unknowns: &Unknowns, rows: &[Row], shifts: &DVector<f64>) -> (f64, usize) {
    let rest = unknowns.derivatives(rows) * shifts;
    let of_rows: f64 = rows.iter().zip(rest.iter()).map(|(row, fit)| ((row.difference - fit) / row.own).powi(2)).sum();
    (of_rows + shifts.norm_squared(), rows.len())
}

/// Captures of several figures that do not agree with each other and with the board, whatever the others say.
fn at_odds(rows: &[Row]) -> Vec<usize> {
    let mut sources: Vec<usize> = rows.iter().map(|row| row.source).collect();
    sources.dedup();
    let is_at_odds = |source: &usize| {
        let own: Vec<Row> = rows.iter().filter(|row| row.teaches && row.source == *source).cloned().collect();
        let unknowns = Unknowns::of(&own);
        let shifts = posterior(&unknowns, &own).map(|(shifts, _)| shifts);
        own.len() > 1 && shifts.is_some_and(|shifts| !is_sound(misfit(&unknowns, &own, &shifts)))
    };
    sources.into_iter().filter(is_at_odds).collect()
}

/// Learns from figures, save those of a capture that disagrees with itself. `None` where there are none, or none with an uncertainty of its
/// own.
pub fn learn(priors: &[Prior], rows: &[Row]) -> Option<Calibration> {
    let at_odds = at_odds(rows);
    let used: Vec<Row> = rows.iter().filter(|row| !at_odds.contains(&row.source)).cloned().collect();
    // Where that leaves nothing, the misfit of all of them says so.
    let all = if used.is_empty() { rows } else { &used };
    let rows = &teaching(all);
    if rows.is_empty() {
        return None;
    }
    let unknowns = Unknowns::of(all);
    let (shifts, covariance) = posterior(&unknowns, rows)?;
    let mut data: Vec<Learned> = unknowns
        .names
        .iter()
        .enumerate()
        .filter_map(|(number, name)| {
            let prior = priors.iter().find(|prior| prior.name == *name)?.clone();
            Some(Learned { prior, shift: shifts[number], left: covariance[(number, number)].sqrt() })
        })
        .collect();
    data.sort_by(|a, b| a.left.total_cmp(&b.left));
    let first = unknowns.names.len();
    let gain = |(number, (name, gain)): (usize, &(&'static str, f64))| {
        let at = first + number;
        (*name, gain * shifts[at], gain * covariance[(at, at)].sqrt())
    };
    Some(Calibration {
        data,
        gains: unknowns.probes.iter().enumerate().map(gain).collect(),
        misfit: misfit(&unknowns, rows, &shifts),
        left_out: left_out(&unknowns, all),
        at_odds,
    })
}

fn teaching(rows: &[Row]) -> Vec<Row> {
    rows.iter().filter(|row| row.teaches).cloned().collect()
}

/// The figures of each source predicted from all others.
fn left_out(unknowns: &Unknowns, rows: &[Row]) -> Vec<LeftOut> {
    let mut sources: Vec<usize> = rows.iter().map(|row| row.source).collect();
    sources.dedup();
    if sources.len() < 2 {
        return vec![];
    }
    let mut all = vec![];
    for source in sources {
        let (mut own, others): (Vec<Row>, Vec<Row>) = rows.iter().cloned().partition(|row| row.source == source);
        own.retain(|row| row.id != POINT);
        let Some((shifts, covariance)) = posterior(unknowns, &teaching(&others)) else { continue };
        let derivatives = unknowns.derivatives(&own);
        let fits = &derivatives * &shifts;
        let after = &derivatives * covariance * derivatives.transpose();
        let before = &derivatives * derivatives.transpose();
        for (number, row) in own.iter().enumerate() {
            let of = |spread: f64| (spread + row.own.powi(2)).sqrt();
            all.push(LeftOut {
                source,
                id: row.id,
                difference: (row.difference, row.difference - fits[number]),
                uncertainty: (of(before[(number, number)]), of(after[(number, number)])),
            });
        }
    }
    all
}
