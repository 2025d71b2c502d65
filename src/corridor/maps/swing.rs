//! The repetition at which the output swings most: the largest point of a map, refined.

use super::{Cell, Failure, Kind, Maps};
use crate::condition;
use crate::condition::figures::Value;

/// Place of the swing, `window`, among the values of a point.
const SWING: usize = 2;
/// Steps of the refinement, each of which leaves 0.618 of the interval: a twentieth of a grid's distance is left.
const REFINEMENTS: usize = 7;
/// Share that a golden section keeps.
const GOLDEN: f64 = 0.618_033_988_749_894_9;

/// How the swing grows with the repetition.
#[derive(Clone, Debug, PartialEq)]
pub struct Swing {
    /// Repetition in Hz at which it is the largest.
    pub rate_hz: f64,
    /// Share of the time of the upper level there.
    pub share: f64,
    /// Peak to peak in V there.
    pub largest: Value,
    /// Slowest repetition of the map in Hz, and the swing in V there at the same share.
    pub slowest: (f64, Value),
    /// Crossover of the loop in Hz at the upper level; none where it has none.
    pub crossover_hz: Option<f64>,
}

impl Maps {
    /// The worst repetition of a part: from the rows of its map over repetition and share.
    ///
    /// # Errors
    /// An interruption.
    pub fn swing(&self, part: usize, map: usize, rows: &[Vec<Cell>]) -> Result<Option<Swing>, Failure> {
        let rates = &self.maps[map].columns.values;
        let of_row = |row: usize| rows[row].iter().enumerate().map(move |(column, cell)| (row, column, &cell[SWING]));
        let points =
            (0..rows.len()).flat_map(of_row).filter_map(|(row, column, value)| Some((row, column, value.number()?)));
        let Some((row, column, _)) = points.max_by(|a, b| a.2.total_cmp(&b.2)) else { return Ok(None) };
        let share = self.maps[map].rows.values[row];
        let ends = (rates[column.saturating_sub(1)], rates[(column + 1).min(rates.len() - 1)]);
        let known = (rates[column], rows[row][column][SWING].clone());
        let (rate_hz, largest) = self.refined(part, share, ends, known)?;
        let slowest = rows[row].iter().position(|cell| cell[SWING].number().is_some()).unwrap_or(column);
        let slowest = (rates[slowest], rows[row][slowest][SWING].clone());
        Ok(Some(Swing { rate_hz, share, largest, slowest, crossover_hz: self.crossover_hz(part)? }))
    }

    /// The largest swing between two repetitions in Hz by golden section in their logarithm; the known one where nothing is larger.
    fn refined(
        &self,
        part: usize,
        share: f64,
        ends_hz: (f64, f64),
        known: (f64, Value),
    ) -> Result<(f64, Value), Failure> {
        let most_a = self.own.to_a;
        let at = |log: f64| -> Result<(f64, Value), Failure> {
            let step = Kind::RateShare.step(&self.own, log.exp(), share, most_a);
            let mut cells = self.run(part, std::iter::once(step))?;
            Ok((log, cells.remove(0)[SWING].clone()))
        };
        let size = |(_, value): &(f64, Value)| value.number().unwrap_or(f64::NEG_INFINITY);
        let (mut low, mut high) = (ends_hz.0.ln(), ends_hz.1.ln());
        let mut inner = [at(high - GOLDEN * (high - low))?, at(low + GOLDEN * (high - low))?];
        let mut all = inner.to_vec();
        for _ in 0..REFINEMENTS {
            let next = if size(&inner[0]) >= size(&inner[1]) {
                high = inner[1].0;
                let next = at(high - GOLDEN * (high - low))?;
                inner = [next.clone(), inner[0].clone()];
                next
            } else {
                low = inner[0].0;
                let next = at(low + GOLDEN * (high - low))?;
                inner = [inner[1].clone(), next.clone()];
                next
            };
            all.push(next);
        }
        let refined = all.into_iter().map(|(log, value)| (log.exp(), value));
        Ok(refined.fold(known, |best, next| if size(&next) > size(&best) { next } else { best }))
    }

    /// Crossover of the loop in Hz at the stated load that is closest to the upper level of the step.
    fn crossover_hz(&self, part: usize) -> Result<Option<f64>, Failure> {
        let stand = self.stand(part);
        let Some(steady) = condition::find("steady") else { return Ok(None) };
        let distance = |load_a: Option<f64>| (load_a.unwrap_or(f64::INFINITY) - self.own.to_a).abs();
        let places = steady.places(&stand).into_iter();
        let Some(place) = places.min_by(|a, b| distance(a.load_a).total_cmp(&distance(b.load_a))) else {
            return Ok(None);
        };
        match steady.simulate(&stand, place) {
            Ok(found) => Ok(found.figures.value("crossover").and_then(Value::exact)),
            Err(failure) if failure.is_interruption() => Err(failure),
            Err(_) => Ok(None),
        }
    }
}
