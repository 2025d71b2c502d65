//! What a map is drawn over: its axes, and the step that stands at a point of them.

use super::{BEYOND_RANGE, NO_ROOM};
use crate::condition::figures::Why;
use crate::model::board::{Board, LoadStep};

/// Slews of a map as multiples of the case's own: from an edge that the loop follows to one that is a jump for it.
const SLEWS: (f64, f64) = (1.0 / 30.0, 10.0);
/// Slews in A/s between which a case may state one.
const SLEW_RANGE_A_PER_S: (f64, f64) = (1e2, 1e10);
/// The slowest repetition in Hz.
const SLOWEST_HZ: f64 = 1e3;
/// Distance in A to which the upper level of a step is rounded.
const LEVEL_A: f64 = 1e-9;
/// Room for rounding where a level is held against the load range.
const ROUNDING: f64 = 1e-9;

/// Which map.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Slew and amplitude, from the base load of the case's own step.
    SlewAmplitude,
    /// Amplitude and base load, at the case's own slews.
    AmplitudeBase,
    /// How often the case's own step comes again, and for what share of the time its upper level lasts.
    RateShare,
}

/// What an axis is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Along {
    /// Size of the step.
    Amplitude,
    /// Slew of the step.
    Slew,
    /// Load before the step.
    Base,
    /// How often the step comes again.
    Rate,
    /// Share of the time from the begin of the step to the begin of the release.
    Share,
}

/// An axis with its values, in SI units and rising.
#[derive(Clone, Debug, PartialEq)]
pub struct Axis {
    /// What it is about.
    pub along: Along,
    /// Values.
    pub values: Vec<f64>,
    /// Highest load current in A that a step may reach.
    pub most_a: f64,
}

/// Ranges that are asked for in place of the usual ones, in SI units.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Ranges {
    /// Of the amplitude in A.
    pub amplitude_a: Option<(f64, f64)>,
    /// Of the slew in A/s.
    pub slew_a_per_s: Option<(f64, f64)>,
    /// Of the base load in A.
    pub base_a: Option<(f64, f64)>,
    /// Of the repetition in Hz.
    pub rate_hz: Option<(f64, f64)>,
    /// Of the share of time.
    pub share: Option<(f64, f64)>,
}

/// A range that a map cannot be drawn over.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum AxisError {
    /// A range whose ends are not a smaller and a larger positive value.
    NotRising(Along),
    /// A range beyond what is allowed, in the unit of the axis.
    Beyond(Along, (f64, f64)),
    /// Steps from the base load leave no room in the load range.
    NoRoom,
}

impl Kind {
    /// Every map.
    pub const ALL: [Kind; 3] = [Kind::SlewAmplitude, Kind::AmplitudeBase, Kind::RateShare];

    /// The map over a number of columns and rows.
    ///
    /// # Errors
    /// [`AxisError`].
    pub fn over(
        self,
        board: &Board,
        own: &LoadStep,
        ranges: &Ranges,
        (columns, rows): (usize, usize),
    ) -> Result<super::Map, AxisError> {
        let (least_a, most_a) = load_range_a(board, own);
        let room_a = if self == Kind::AmplitudeBase { most_a - least_a } else { most_a - own.from_a };
        let axis = |along: Along, count: usize| {
            let values = match along {
                Along::Amplitude => amplitudes(ranges.amplitude_a, room_a, count),
                Along::Slew => slews(ranges.slew_a_per_s, own.slew_a_per_s, count),
                Along::Base => bases(ranges.base_a, (least_a, most_a), count),
                Along::Rate => rates(ranges.rate_hz, 0.5 * board.frequency_hz, count),
                Along::Share => shares(ranges.share, count),
            };
            values.map(|values| Axis { along, values, most_a })
        };
        let (first, second) = self.axes();
        Ok(super::Map { kind: self, columns: axis(first, columns)?, rows: axis(second, rows)? })
    }

    /// What its columns and rows are about.
    pub fn axes(self) -> (Along, Along) {
        match self {
            Kind::SlewAmplitude => (Along::Slew, Along::Amplitude),
            Kind::AmplitudeBase => (Along::Amplitude, Along::Base),
            Kind::RateShare => (Along::Rate, Along::Share),
        }
    }

    /// The step at a column and a row; `most_a` is the highest load in A.
    ///
    /// # Errors
    /// Why there is none.
    pub fn step(self, own: &LoadStep, column: f64, row: f64, most_a: f64) -> Result<LoadStep, Why> {
        let step = match self {
            Kind::SlewAmplitude => of_slew(LoadStep { to_a: own.from_a + row, ..*own }, column),
            Kind::AmplitudeBase => LoadStep { from_a: row, to_a: row + column, ..*own },
            Kind::RateShare => repeated(own, column, row)?,
        };
        if step.to_a > most_a * (1.0 + ROUNDING) {
            return Err(Why::Told(BEYOND_RANGE.into()));
        }
        // Sums that differ in their rounding are one level.
        let to_a = (step.to_a / LEVEL_A).round() * LEVEL_A;
        Ok(LoadStep { to_a: if self == Kind::RateShare { step.to_a } else { to_a }, ..step })
    }
}

/// The least and the highest load current in A of a board, its own step included.
pub fn load_range_a(board: &Board, own: &LoadStep) -> (f64, f64) {
    let least_a = board.load_a.first().copied().unwrap_or(own.from_a);
    (least_a.min(own.from_a), board.full_load_a().max(own.to_a))
}

/// A step at another slew; that of its release changes in the same ratio.
fn of_slew(step: LoadStep, slew_a_per_s: f64) -> LoadStep {
    let ratio = slew_a_per_s / step.slew_a_per_s;
    LoadStep { slew_a_per_s, release_a_per_s: step.release_a_per_s * ratio, ..step }
}

/// A step that comes again and again, its upper level for a share of the time from the begin of the step to the begin of the release.
fn repeated(own: &LoadStep, rate_hz: f64, share: f64) -> Result<LoadStep, Why> {
    let every_s = 1.0 / rate_hz;
    let hold_s = share * every_s - own.rise_s();
    let rest_s = (1.0 - share) * every_s - own.fall_s();
    if hold_s < 0.0 || rest_s < 0.0 {
        return Err(Why::Told(NO_ROOM.into()));
    }
    Ok(LoadStep { hold_s, every_s: Some(every_s), ..*own })
}

fn amplitudes(asked: Option<(f64, f64)>, room_a: f64, count: usize) -> Result<Vec<f64>, AxisError> {
    if room_a <= 0.0 {
        return Err(AxisError::NoRoom);
    }
    let usual_a = (room_a / count as f64, room_a);
    Ok(even(within(Along::Amplitude, asked, usual_a, (0.0, room_a))?, count))
}

fn slews(asked: Option<(f64, f64)>, own_a_per_s: f64, count: usize) -> Result<Vec<f64>, AxisError> {
    let (least, most) = SLEW_RANGE_A_PER_S;
    let usual = ((SLEWS.0 * own_a_per_s).max(least), (SLEWS.1 * own_a_per_s).min(most));
    Ok(in_ratio(within(Along::Slew, asked, usual, SLEW_RANGE_A_PER_S)?, count))
}

fn bases(asked: Option<(f64, f64)>, (least_a, most_a): (f64, f64), count: usize) -> Result<Vec<f64>, AxisError> {
    let usual_a = (least_a, most_a - (most_a - least_a) / count as f64);
    Ok(even(within(Along::Base, asked, usual_a, (least_a, most_a))?, count))
}

fn rates(asked: Option<(f64, f64)>, most_hz: f64, count: usize) -> Result<Vec<f64>, AxisError> {
    Ok(in_ratio(within(Along::Rate, asked, (SLOWEST_HZ, most_hz), (1.0, most_hz))?, count))
}

fn shares(asked: Option<(f64, f64)>, count: usize) -> Result<Vec<f64>, AxisError> {
    let edge = 0.5 / count as f64;
    Ok(even(within(Along::Share, asked, (edge, 1.0 - edge), (0.0, 1.0))?, count))
}

/// A range that is asked for, or the usual one.
fn within(
    along: Along,
    asked: Option<(f64, f64)>,
    usual: (f64, f64),
    allowed: (f64, f64),
) -> Result<(f64, f64), AxisError> {
    let Some((low, high)) = asked else { return Ok(usual) };
    let rises = low > 0.0 && high > low && high.is_finite();
    if !rises {
        return Err(AxisError::NotRising(along));
    }
    if low < allowed.0 * (1.0 - ROUNDING) || high > allowed.1 * (1.0 + ROUNDING) {
        return Err(AxisError::Beyond(along, allowed));
    }
    Ok((low, high))
}

/// Values in equal distances, both ends included.
fn even((low, high): (f64, f64), count: usize) -> Vec<f64> {
    let share = |number: usize| number as f64 / (count - 1).max(1) as f64;
    (0..count).map(|number| if number + 1 == count { high } else { low + share(number) * (high - low) }).collect()
}

/// Values in equal ratios, both ends included.
fn in_ratio((low, high): (f64, f64), count: usize) -> Vec<f64> {
    even((low.ln(), high.ln()), count)
        .into_iter()
        .enumerate()
        .map(|(number, log)| match number {
            0 => low,
            _ if number + 1 == count => high,
            _ => log.exp(),
        })
        .collect()
}
