//! What is seen of a channel as its samples pass: range, levels, clipping.

/// Levels that are told apart; a record with more has no coarse resolution.
const LEVELS: usize = 4096;
/// Places for them: a power of two well above.
const PLACES: usize = 4 * LEVELS;
/// Fewest levels of a record in which clipping is judged.
const LEAST_LEVELS: usize = 16;
/// Levels inside of the outermost one that it is held against.
const NEIGHBOURS: usize = 4;
/// A level is clipped where it holds so many times the samples of its neighbours. The peak of a sine that meets its last level head-on
/// holds some two times as many.
const PILED: f64 = 8.0;
/// Fewest samples, and share of all, at the outermost value of a record without coarse levels.
const REPEATED: (u64, f64) = (16, 1e-3);

/// Levels and how often each was met.
#[derive(Clone, Debug)]
pub(super) struct Levels {
    places: Vec<(u64, u64)>,
    count: usize,
    last: usize,
    low: (f64, u64),
    high: (f64, u64),
    pub known: u64,
    pub missing: u64,
}

/// What they come to.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Judged {
    /// Bits that count the levels from lowest to highest; `None` beyond 4096 levels.
    pub bits: Option<u32>,
    /// Distance of two levels; 0 where it is not known.
    pub level: f64,
    /// Share of samples that are clipped.
    pub clipped: f64,
}

impl Levels {
    pub fn new() -> Levels {
        let empty = (f64::INFINITY, 0);
        let places = vec![(0, 0); PLACES];
        Levels { places, count: 0, last: 0, low: empty, high: (f64::NEG_INFINITY, 0), known: 0, missing: 0 }
    }

    pub fn range(&self) -> (f64, f64) {
        (self.low.0, self.high.0)
    }

    #[inline]
    pub fn see(&mut self, value: f64) {
        if value.is_nan() {
            self.missing += 1;
            return;
        }
        self.known += 1;
        if value <= self.low.0 {
            self.low = if value < self.low.0 { (value, 1) } else { (value, self.low.1 + 1) };
        }
        if value >= self.high.0 {
            self.high = if value > self.high.0 { (value, 1) } else { (value, self.high.1 + 1) };
        }
        if self.count <= LEVELS {
            self.note(value);
        }
    }

    /// Open addressing; a place that was never used has the count 0.
    #[inline]
    fn note(&mut self, value: f64) {
        // Both zeros are one level.
        let key = (value + 0.0).to_bits();
        if self.places[self.last].0 == key && self.places[self.last].1 > 0 {
            self.places[self.last].1 += 1;
            return;
        }
        let mut at = (key.wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 50) as usize % PLACES;
        while self.places[at].1 > 0 && self.places[at].0 != key {
            at = (at + 1) % PLACES;
        }
        self.count += usize::from(self.places[at].1 == 0);
        self.places[at] = (key, self.places[at].1 + 1);
        self.last = at;
    }

    pub fn judge(&self) -> Judged {
        if self.count > LEVELS {
            let of = |(_, count): (f64, u64)| if count >= REPEATED.0 { count as f64 / self.known as f64 } else { 0.0 };
            let clipped = [self.low, self.high].map(of).into_iter().filter(|share| *share > REPEATED.1).sum();
            return Judged { bits: None, level: 0.0, clipped };
        }
        let mut levels: Vec<(f64, u64)> =
            self.places.iter().filter(|place| place.1 > 0).map(|(key, count)| (f64::from_bits(*key), *count)).collect();
        levels.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut gaps: Vec<f64> = levels.windows(2).map(|pair| pair[1].0 - pair[0].0).collect();
        gaps.sort_by(f64::total_cmp);
        let Some(usual) = gaps.get(gaps.len() / 2).copied() else {
            return Judged { bits: Some(0), ..Judged::default() };
        };
        let span = levels[levels.len() - 1].0 - levels[0].0;
        // Printed digits make gaps uneven: the whole number of them is even.
        let steps = (span / usual).round().max(1.0);
        let inner = levels.iter().rev().copied().collect::<Vec<_>>();
        let clipped = (piled(&levels) + piled(&inner)) as f64 / self.known as f64;
        Judged { bits: Some((steps + 1.0).log2().ceil() as u32), level: span / steps, clipped }
    }
}

/// Samples at the first of some levels, where they pile up there.
fn piled(levels: &[(f64, u64)]) -> u64 {
    if levels.len() < LEAST_LEVELS {
        return 0;
    }
    let neighbours = levels[1..=NEIGHBOURS].iter().map(|level| level.1).sum::<u64>() as f64 / NEIGHBOURS as f64;
    if levels[0].1 as f64 >= PILED * neighbours { levels[0].1 } else { 0 }
}
