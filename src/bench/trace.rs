//! A waveform on an even grid of time, captured or simulated: one kind for both.

/// A waveform on an even grid.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Trace {
    /// Time of the first sample in s.
    pub start_s: f64,
    /// Time between samples in s.
    pub step_s: f64,
    /// Values in V or A; not a number where there is none.
    pub values: Vec<f64>,
}

impl Trace {
    /// Time of a sample in s.
    pub fn time_s(&self, sample: usize) -> f64 {
        self.start_s + self.step_s * sample as f64
    }

    /// Time of the last sample in s.
    pub fn end_s(&self) -> f64 {
        self.time_s(self.values.len().saturating_sub(1))
    }

    /// The first sample at or after a time, within the trace.
    fn sample_at(&self, time_s: f64) -> usize {
        // A sample that is meant by a time is not left out by its rounding.
        let place = ((time_s - self.start_s) / self.step_s - 1e-6).ceil();
        (place.max(0.0) as usize).min(self.values.len())
    }

    /// The samples from one time on until before another.
    pub fn between(&self, from_s: f64, until_s: f64) -> &[f64] {
        let (begin, end) = (self.sample_at(from_s), self.sample_at(until_s));
        &self.values[begin..end.max(begin)]
    }

    /// The same as a trace.
    pub fn cut(&self, from_s: f64, until_s: f64) -> Trace {
        let start_s = self.time_s(self.sample_at(from_s));
        Trace { start_s, step_s: self.step_s, values: self.between(from_s, until_s).to_vec() }
    }

    /// The value at a time, by a line between samples; `None` outside, or next to a gap.
    pub fn at(&self, time_s: f64) -> Option<f64> {
        let place = (time_s - self.start_s) / self.step_s;
        if !(0.0..=self.values.len().saturating_sub(1) as f64).contains(&place) {
            return None;
        }
        let first = place.floor() as usize;
        let share = place - first as f64;
        let next = *self.values.get(first + 1).unwrap_or(&self.values[first]);
        let value = self.values[first] + if share > 0.0 { share * (next - self.values[first]) } else { 0.0 };
        value.is_finite().then_some(value)
    }

    /// The mean of `count` samples around each one; at the ends and in gaps of those that are there.
    #[must_use]
    pub fn smoothed(&self, count: usize) -> Trace {
        if count <= 1 {
            return self.clone();
        }
        let (before, behind) = ((count - 1) / 2, count / 2);
        let base = mean(&self.values).unwrap_or(0.0);
        // Sums of differences from the mean, so that no digits are lost.
        let mut sums = Vec::with_capacity(self.values.len() + 1);
        let mut counts = Vec::with_capacity(self.values.len() + 1);
        let (mut sum, mut known) = (0.0, 0u32);
        sums.push(sum);
        counts.push(known);
        for value in &self.values {
            if value.is_finite() {
                sum += value - base;
                known += 1;
            }
            sums.push(sum);
            counts.push(known);
        }
        let of = |sample: usize| {
            let (begin, end) = (sample.saturating_sub(before), (sample + behind + 1).min(self.values.len()));
            base + (sums[end] - sums[begin]) / f64::from(counts[end] - counts[begin])
        };
        Trace { values: (0..self.values.len()).map(of).collect(), ..*self }
    }

    /// Means of `count` samples each: a shorter trace of the same span.
    #[must_use]
    pub fn thinned(&self, count: usize) -> Trace {
        let count = count.max(1);
        let values = self.values.chunks_exact(count).map(|chunk| mean(chunk).unwrap_or(f64::NAN)).collect();
        let start_s = self.start_s + 0.5 * (count - 1) as f64 * self.step_s;
        Trace { start_s, step_s: count as f64 * self.step_s, values }
    }
}

/// Mean of the values that are there.
pub fn mean(values: &[f64]) -> Option<f64> {
    let (sum, count) = values
        .iter()
        .filter(|value| value.is_finite())
        .fold((0.0, 0u32), |(sum, count), value| (sum + value, count + 1));
    (count > 0).then(|| sum / f64::from(count))
}

/// Least and most of the values that are there.
pub fn range(values: &[f64]) -> Option<(f64, f64)> {
    let all = values.iter().copied().filter(|value| value.is_finite());
    all.fold(None, |range, value| {
        Some(range.map_or((value, value), |(low, high): (f64, f64)| (low.min(value), high.max(value))))
    })
}
