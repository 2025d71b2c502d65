//! Samples kept in bounded memory: as they are, or as means of 2, 4, 8, ... of them with their least and most.

/// The samples of a channel.
#[derive(Clone, Debug)]
pub(super) struct Kept {
    pub values: Vec<f32>,
    pub ends: Option<(Vec<f32>, Vec<f32>)>,
    /// Samples of a point.
    pub each: u32,
    most: usize,
    open: Open,
}

/// The point that is being filled.
#[derive(Clone, Copy, Debug)]
struct Open {
    sum: f64,
    known: u32,
    seen: u32,
    low: f64,
    high: f64,
}

impl Open {
    const EMPTY: Open = Open { sum: 0.0, known: 0, seen: 0, low: f64::INFINITY, high: f64::NEG_INFINITY };
}

impl Kept {
    /// Room for an even number of points.
    pub fn new(most: usize, has_ends: bool) -> Kept {
        let ends = has_ends.then(|| (vec![], vec![]));
        Kept { values: vec![], ends, each: 1, most: most.max(2) / 2 * 2, open: Open::EMPTY }
    }

    /// One sample.
    #[inline]
    pub fn push(&mut self, value: f64) {
        if self.each == 1 && self.ends.is_none() && self.values.len() < self.most {
            self.values.push(value as f32);
        } else {
            self.push_between(value, value);
        }
    }

    /// The least and the most of a span.
    pub fn push_between(&mut self, low: f64, high: f64) {
        if self.values.len() == self.most {
            self.halve();
        }
        let open = &mut self.open;
        open.seen += 1;
        if !(low.is_nan() || high.is_nan()) {
            open.sum += 0.5 * (low + high);
            open.known += 1;
            open.low = open.low.min(low);
            open.high = open.high.max(high);
        }
        if open.seen == self.each {
            self.close();
        }
    }

    fn close(&mut self) {
        let open = std::mem::replace(&mut self.open, Open::EMPTY);
        let is_known = open.known > 0;
        let or_none = |value: f64| if is_known { value as f32 } else { f32::NAN };
        self.values.push(or_none(open.sum / f64::from(open.known)));
        if let Some((low, high)) = &mut self.ends {
            low.push(or_none(open.low));
            high.push(or_none(open.high));
        }
    }

    /// Two points become one.
    fn halve(&mut self) {
        let (low, high) = self.ends.take().unwrap_or_else(|| (self.values.clone(), self.values.clone()));
        let joined = |values: &[f32], join: fn(f32, f32) -> f32| -> Vec<f32> {
            values.chunks_exact(2).map(|pair| if pair[0].is_nan() { pair[1] } else { join(pair[0], pair[1]) }).collect()
        };
        let mean = |a: f32, b: f32| if b.is_nan() { a } else { ((f64::from(a) + f64::from(b)) * 0.5) as f32 };
        self.ends = Some((joined(&low, f32::min), joined(&high, f32::max)));
        self.values = joined(&self.values, mean);
        self.each *= 2;
    }
}
