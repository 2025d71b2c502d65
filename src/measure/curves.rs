//! Waveforms for plots and files: a period in full, a load step thinned so that extremes are kept, samples on a grid.

use crate::engine::machine::{Observer, Output, Stretch};
use crate::engine::network::Path;
use crate::engine::row::StateVector;

/// Samples a stretch in a period's trace.
const SAMPLES_PER_STRETCH: usize = 24;

/// Waveforms over a periodic steady state. Where a waveform jumps two samples share a time.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PeriodTrace {
    /// Time in s.
    pub time_s: Vec<f64>,
    /// Inductor current in A.
    pub current_a: Vec<f64>,
    /// Flux linkage in Wb.
    pub flux_wb: Vec<f64>,
    /// Output voltage in V.
    pub output_v: Vec<f64>,
    /// Output voltage at 20 MHz bandwidth in V.
    pub instrument_v: Vec<f64>,
    /// Switch-node voltage in V.
    pub switch_v: Vec<f64>,
    /// High-side conduction: (begin, end) in s with the inductor current at both in A.
    pub high_side: Vec<((f64, f64), (f64, f64))>,
    passed_s: f64,
}

impl Observer for PeriodTrace {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        let idle = stretch.mode.key.path == Path::Idle;
        for k in 0..=SAMPLES_PER_STRETCH {
            let t_s = match k {
                SAMPLES_PER_STRETCH => stretch.duration_s,
                _ => stretch.duration_s * k as f64 / SAMPLES_PER_STRETCH as f64,
            };
            let x = match k {
                0 => stretch.flow.start,
                SAMPLES_PER_STRETCH => *stretch.end,
                _ => stretch.state(t_s),
            };
            self.time_s.push(self.passed_s + t_s);
            self.current_a.push(stretch.read(Output::Inductor, &x, t_s));
            // Without current there is no flux: what rounding leaves would pass for a flux that moves.
            self.flux_wb.push(if idle { 0.0 } else { stretch.read(Output::Flux, &x, t_s) });
            self.output_v.push(stretch.read(Output::Voltage, &x, t_s));
            self.instrument_v.push(stretch.read(Output::Instrument, &x, t_s));
            self.switch_v.push(stretch.read(Output::SwitchNode, &x, t_s));
        }
        if stretch.mode.key.path == Path::High {
            self.note_high_side(stretch.duration_s);
        }
        self.passed_s += stretch.duration_s;
    }

    fn samples(&self) -> bool {
        true
    }
}

impl PeriodTrace {
    fn note_high_side(&mut self, duration_s: f64) {
        let last = self.current_a.len() - 1;
        let begin = (self.passed_s, self.current_a[last - SAMPLES_PER_STRETCH]);
        let end = (self.passed_s + duration_s, self.current_a[last]);
        match self.high_side.last_mut() {
            Some((_, former_end)) if former_end.0 == begin.0 => *former_end = end,
            _ => self.high_side.push((begin, end)),
        }
    }

    /// (time in s, value) pairs of one of the waveforms.
    pub fn samples(&self, values: &[f64]) -> Vec<(f64, f64)> {
        self.time_s.iter().copied().zip(values.iter().copied()).collect()
    }
}

/// Lowest and highest values in equal intervals: the rule by which long waveforms are thinned.
#[derive(Clone, Debug)]
pub struct Thinned {
    origin: (u64, f64),
    period_s: f64,
    interval_s: f64,
    /// Spans of time from the origin in s that are kept in intervals of another width in s.
    fine: (Vec<(f64, f64)>, f64),
    /// Begin of each interval from the origin in s.
    pub time_s: Vec<f64>,
    /// (lowest, highest) output voltage in V.
    pub output_v: Vec<(f64, f64)>,
    /// (lowest, highest) inductor current in A.
    pub current_a: Vec<(f64, f64)>,
    /// Load current at the begin of the interval in A.
    pub load_a: Vec<f64>,
    /// What was included since the latest round began, see [`Observer::repeat`].
    round: Vec<Included>,
}

/// Time from the origin in s, output voltage in V, inductor and load current in A.
type Included = (f64, f64, f64, f64);

impl Thinned {
    /// Intervals of that width, times counted from an instant.
    pub fn new(origin: (u64, f64), period_s: f64, interval_s: f64) -> Thinned {
        let empty = (vec![], vec![], vec![], vec![]);
        Thinned {
            origin,
            period_s,
            interval_s,
            fine: (vec![], interval_s),
            time_s: empty.0,
            output_v: empty.1,
            current_a: empty.2,
            load_a: empty.3,
            round: vec![],
        }
    }

    /// The same with shorter intervals in some spans of time from the origin in s: close to an edge the single cycle counts.
    #[must_use]
    pub fn finer(mut self, spans_s: Vec<(f64, f64)>, interval_s: f64) -> Thinned {
        self.fine = (spans_s, interval_s.min(self.interval_s));
        self
    }

    /// Width in s of the interval at a time.
    fn interval_at(&self, at_s: f64) -> f64 {
        let is_fine = self.fine.0.iter().any(|span| (span.0..span.1).contains(&at_s));
        if is_fine { self.fine.1 } else { self.interval_s }
    }

    fn include(&mut self, (at_s, output_v, current_a, load_a): Included) {
        let interval_s = self.interval_at(at_s);
        let begin_s = (at_s / interval_s).floor() * interval_s;
        if self.time_s.last().is_none_or(|last| begin_s > last + 0.5 * interval_s) {
            self.time_s.push(begin_s);
            self.output_v.push((output_v, output_v));
            self.current_a.push((current_a, current_a));
            self.load_a.push(load_a);
        }
        let last = self.time_s.len() - 1;
        let widen = |range: &mut (f64, f64), value: f64| *range = (range.0.min(value), range.1.max(value));
        widen(&mut self.output_v[last], output_v);
        widen(&mut self.current_a[last], current_a);
    }
}

impl Thinned {
    fn see(&mut self, stretch: &Stretch<'_>, (begin_s, t_s): (f64, f64), x: &StateVector) {
        let read = |output| stretch.read(output, x, t_s);
        let seen = (begin_s + t_s, read(Output::Voltage), read(Output::Inductor), read(Output::Load));
        self.include(seen);
        self.round.push(seen);
    }
}

impl Observer for Thinned {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        let begin_s = (stretch.cycle as f64 - self.origin.0 as f64) * self.period_s + stretch.phase_s - self.origin.1;
        let mut between = vec![];
        for output in [Output::Voltage, Output::Inductor] {
            // Most stretches go straight from end to end.
            if !stretch.is_monotone(output, stretch.ends(output)) {
                stretch.track(output).turning_points(stretch.duration_s, stretch.end_basis, |t| between.push(t));
            }
        }
        let interval_s = self.interval_at(begin_s);
        let mut edge_s = ((begin_s / interval_s).floor() + 1.0) * interval_s - begin_s;
        while edge_s < stretch.duration_s {
            between.push(edge_s.max(0.0));
            edge_s += self.interval_at(begin_s + edge_s);
        }
        between.sort_by(f64::total_cmp);
        self.see(stretch, (begin_s, 0.0), &stretch.flow.start);
        between.into_iter().for_each(|t_s| self.see(stretch, (begin_s, t_s), &stretch.state(t_s)));
        self.see(stretch, (begin_s, stretch.duration_s), stretch.end);
    }

    fn knows_repeats(&self) -> bool {
        true
    }

    fn begin_round(&mut self) {
        self.round.clear();
    }

    /// A line joins what is seen.
    fn knows_leaps(&self) -> bool {
        true
    }

    fn repeat(&mut self, times: u64, round_s: f64) {
        let round = std::mem::take(&mut self.round);
        for later_s in (1..=times).map(|k| k as f64 * round_s) {
            round.iter().for_each(|seen| self.include((seen.0 + later_s, seen.1, seen.2, seen.3)));
        }
    }
}

/// A watch that is only there where its curve is wanted.
impl Observer for Option<Thinned> {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        self.iter_mut().for_each(|thinned| thinned.stretch(stretch));
    }

    fn knows_repeats(&self) -> bool {
        self.as_ref().is_none_or(Observer::knows_repeats)
    }

    fn knows_leaps(&self) -> bool {
        true
    }

    fn begin_round(&mut self) {
        self.iter_mut().for_each(Observer::begin_round);
    }

    fn repeat(&mut self, times: u64, round_s: f64) {
        self.iter_mut().for_each(|thinned| thinned.repeat(times, round_s));
    }
}

/// One sample on a grid.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// Time from the origin in s.
    pub time_s: f64,
    /// Output voltage in V.
    pub output_v: f64,
    /// Output voltage at 20 MHz bandwidth in V.
    pub instrument_v: f64,
    /// Inductor current in A.
    pub current_a: f64,
    /// Load current in A.
    pub load_a: f64,
    /// Switch-node voltage in V.
    pub switch_v: f64,
    /// Control voltage in V.
    pub control_v: f64,
}

/// Samples at `offset + k * every` from an instant, handed on one by one: nothing is held.
pub struct Grid<F: FnMut(Sample)> {
    origin: (u64, f64),
    period_s: f64,
    every_s: f64,
    offset_s: f64,
    until_s: f64,
    next: i64,
    sink: F,
}

impl<F: FnMut(Sample)> Grid<F> {
    /// Samples from `span_s.0` to `span_s.1` after the origin.
    pub fn new(origin: (u64, f64), period_s: f64, every_s: f64, span_s: (f64, f64), sink: F) -> Grid<F> {
        Grid { origin, period_s, every_s, offset_s: span_s.0, until_s: span_s.1, next: 0, sink }
    }
}

impl<F: FnMut(Sample)> Observer for Grid<F> {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        let begin_s = (stretch.cycle as f64 - self.origin.0 as f64) * self.period_s + stretch.phase_s - self.origin.1;
        loop {
            let time_s = self.offset_s + self.next as f64 * self.every_s;
            let t_s = time_s - begin_s;
            if t_s >= stretch.duration_s || time_s > self.until_s * (1.0 + 1e-12) {
                return;
            }
            self.next += 1;
            if t_s < 0.0 {
                continue;
            }
            let x = stretch.state(t_s);
            let read = |output| stretch.read(output, &x, t_s);
            (self.sink)(Sample {
                time_s,
                output_v: read(Output::Voltage),
                instrument_v: read(Output::Instrument),
                current_a: read(Output::Inductor),
                load_a: read(Output::Load),
                switch_v: read(Output::SwitchNode),
                control_v: read(Output::Control),
            });
        }
    }
}
