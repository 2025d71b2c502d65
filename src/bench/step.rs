//! A load step in a capture: its edges, what follows them, and how far a waveform is shifted against another.

use super::fold::peak;
use super::trace::{Trace, mean, range};

/// Share of samples below the lower and above the upper level.
const LEVELS: f64 = 0.1;
/// Levels must be so many noise deviations apart: the extremes of a million samples of noise alone are ten.
const APART: f64 = 12.0;
/// Shares of the height between which an edge is fitted by a line.
const EDGE: (f64, f64) = (0.2, 0.8);
/// Share of a level's time over which its mean is taken, at its end.
const SETTLED: f64 = 0.25;
/// Samples of a window that are compared at most, and shifts looked at in the first pass.
const COMPARED: usize = 4000;
const SHIFTS: i64 = 80;
/// Passes, each of which looks in a tenth of the width.
const PASSES: usize = 4;

/// An edge of the load.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Edge {
    /// Time at half its height in s.
    pub at_s: f64,
    /// Whether the load rises.
    pub rises: bool,
    /// Its slew in A/s, without sign; infinite where one sample is on one level and the next on the other.
    pub slew_per_s: f64,
}

/// The load as it was drawn.
#[derive(Clone, Debug, PartialEq)]
pub struct Drawn {
    /// Lower and upper level in A.
    pub levels_a: (f64, f64),
    /// Edges in the order of time.
    pub edges: Vec<Edge>,
}

impl Drawn {
    /// When the line of an edge begins in s.
    pub fn begin_s(&self, edge: &Edge) -> f64 {
        edge.at_s - 0.5 * (self.levels_a.1 - self.levels_a.0) / edge.slew_per_s
    }
}

/// Levels and edges of a load; `None` where no step stands out of the noise.
pub fn drawn(load: &Trace, noise: f64) -> Option<Drawn> {
    let (low, high) = levels(load)?;
    if high - low <= APART * noise || high <= low {
        return None;
    }
    let at = |share: f64| low + share * (high - low);
    let mut edges = vec![];
    // On which level the load is, and since when it has left it.
    let mut upper: Option<bool> = None;
    let mut last = 0;
    for (sample, value) in load.values.iter().enumerate() {
        let now = match value {
            value if *value >= at(EDGE.1) => true,
            value if *value <= at(EDGE.0) => false,
            _ => continue,
        };
        if upper.is_some_and(|upper| upper != now) {
            edges.push(edge(load, (last, sample), now, (low, high)));
        }
        (upper, last) = (Some(now), sample);
    }
    (!edges.is_empty()).then_some(Drawn { levels_a: (low, high), edges })
}

/// The lower and the upper level: the means of what is below and above the middle, without the way between.
fn levels(load: &Trace) -> Option<(f64, f64)> {
    let mut sorted: Vec<f64> = load.values.iter().copied().filter(|value| value.is_finite()).collect();
    sorted.sort_by(f64::total_cmp);
    let (low, high) = (*sorted.first()?, *sorted.last()?);
    let below = sorted.partition_point(|value| *value < low + LEVELS.max(EDGE.0) * (high - low));
    let above = sorted.partition_point(|value| *value < high - LEVELS.max(EDGE.0) * (high - low));
    // The median of each: what overshoots at an edge does not count.
    let median = |part: &[f64]| part.get(part.len() / 2).copied();
    median(&sorted[..below]).zip(median(&sorted[above..]))
}

/// An edge by the least-squares line through the samples on its way.
fn edge(load: &Trace, (last, first): (usize, usize), rises: bool, (low, high): (f64, f64)) -> Edge {
    let between: Vec<(f64, f64)> = (last..=first)
        .filter(|sample| {
            let share = (load.values[*sample] - low) / (high - low);
            (EDGE.0..=EDGE.1).contains(&share)
        })
        .map(|sample| (load.time_s(sample), load.values[sample]))
        .collect();
    let middle = 0.5 * (low + high);
    match line(&between).filter(|(_, slope)| (*slope > 0.0) == rises && *slope != 0.0) {
        Some(((time_s, value), slope)) => {
            Edge { at_s: time_s + (middle - value) / slope, rises, slew_per_s: slope.abs() }
        }
        None => {
            let (before, behind) = (load.values[last], load.values[first]);
            let share = (middle - before) / (behind - before);
            let span_s = (first - last) as f64 * load.step_s;
            // From one level to the other within that span.
            let slew_per_s = if first - last > 1 { (behind - before).abs() / span_s } else { f64::INFINITY };
            Edge { at_s: load.time_s(last) + share.clamp(0.0, 1.0) * span_s, rises, slew_per_s }
        }
    }
}

/// Centre and slope of the least-squares line through points; `None` for fewer than three.
fn line(points: &[(f64, f64)]) -> Option<((f64, f64), f64)> {
    if points.len() < 3 {
        return None;
    }
    let count = points.len() as f64;
    let centre = (points.iter().map(|p| p.0).sum::<f64>() / count, points.iter().map(|p| p.1).sum::<f64>() / count);
    let square: f64 = points.iter().map(|p| (p.0 - centre.0).powi(2)).sum();
    let product: f64 = points.iter().map(|p| (p.0 - centre.0) * (p.1 - centre.1)).sum();
    Some((centre, product / square))
}

/// When the load of a capture does what, in s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Times {
    /// Begin of the step.
    pub step_s: f64,
    /// Begin of the release; `None` where it is not in the capture.
    pub release_s: Option<f64>,
    /// End of the program.
    pub end_s: f64,
    /// Switching period, over whole numbers of which means are taken.
    pub period_s: f64,
}

/// What a load step shows at the output.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct StepFigures {
    /// Mean before the step minus the least after it, in V.
    pub dip_v: Option<f64>,
    /// Most after the release minus the mean before it, in V.
    pub rise_v: Option<f64>,
    /// Most minus least in V.
    pub window_v: Option<f64>,
    /// From leaving the band around the final mean to the last return, in s: the longer of both edges.
    pub recovery_s: Option<f64>,
}

/// Measures an output whose noise is smoothed over some samples.
pub fn figures(output: &Trace, times: &Times, half_band_v: f64, smooth: usize) -> StepFigures {
    let smoothed = output.smoothed(smooth);
    let until_s = times.release_s.unwrap_or(times.end_s);
    let before = settled_mean(output, (output.start_s, times.step_s), times.period_s, 1.0);
    let upper = settled_mean(output, (times.step_s, until_s), times.period_s, SETTLED);
    let of_step = range(smoothed.between(times.step_s, until_s));
    let release = times.release_s.map(|release_s| (release_s, times.end_s));
    let lower = release.and_then(|span| settled_mean(output, span, times.period_s, SETTLED));
    let of_release = release.and_then(|(from_s, end_s)| range(smoothed.between(from_s, end_s)));
    let recovery =
        |span: (f64, f64), aim: Option<f64>| aim.and_then(|aim| recovery_s(&smoothed, span, aim, half_band_v));
    let recoveries = [recovery((times.step_s, until_s), upper), release.and_then(|span| recovery(span, lower))]
        .into_iter()
        .flatten();
    let whole = [of_step, of_release].into_iter().flatten().reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)));
    StepFigures {
        dip_v: before.zip(of_step).map(|(mean, range)| mean - range.0),
        rise_v: upper.zip(of_release).map(|(mean, range)| range.1 - mean),
        window_v: whole.map(|range| range.1 - range.0),
        recovery_s: recoveries.reduce(f64::max),
    }
}

/// Mean over whole periods at the end of a span; as many as fit the share of it.
fn settled_mean(output: &Trace, (from_s, until_s): (f64, f64), period_s: f64, share: f64) -> Option<f64> {
    let periods = (share * (until_s - from_s) / period_s).floor();
    if periods < 1.0 {
        return mean(output.between(from_s, until_s));
    }
    mean(output.between(until_s - periods * period_s, until_s))
}

/// Time from leaving a band to the last return, in s; 0 where it is never left.
fn recovery_s(output: &Trace, (from_s, until_s): (f64, f64), aim: f64, half_band: f64) -> Option<f64> {
    let values = output.between(from_s, until_s);
    let outside = |value: &f64| (value - aim).abs() > half_band;
    let first = match values.iter().position(outside) {
        None => return (!values.is_empty()).then_some(0.0),
        Some(first) => first,
    };
    let last = values.iter().rposition(outside)?;
    Some((last + 1 - first) as f64 * output.step_s)
}

/// By how much a waveform lies behind another in a window, in s, at most `reach_s`, with a free offset; and the mean square that is left.
/// `None` where they do not overlap.
pub fn shift(measured: &Trace, expected: &Trace, (from_s, until_s): (f64, f64), reach_s: f64) -> Option<(f64, f64)> {
    let window = measured.cut(from_s, until_s);
    let window = window.thinned(window.values.len().div_ceil(COMPARED));
    let (mut best_s, mut width_s) = (0.0, reach_s);
    let mut best = None;
    for _ in 0..PASSES {
        let spacing_s = width_s / SHIFTS as f64;
        let tried: Vec<(f64, f64)> = (-SHIFTS..=SHIFTS)
            .map(|k| best_s + k as f64 * spacing_s)
            .filter(|shift_s| shift_s.abs() <= reach_s * (1.0 + 1e-12))
            .filter_map(|shift_s| Some((shift_s, beside(&window, expected, shift_s)?)))
            .collect();
        let least = tried.iter().copied().reduce(|a, b| if b.1 < a.1 { b } else { a })?;
        let near = [-1.0, 0.0, 1.0].map(|k| beside(&window, expected, least.0 + k * spacing_s));
        let finer = match near {
            [Some(a), Some(b), Some(c)] => peak([-a, -b, -c]) * spacing_s,
            _ => 0.0,
        };
        (best_s, width_s) = (least.0 + finer, 4.0 * spacing_s);
        best = Some((best_s, least.1));
    }
    best
}

/// Mean square of the difference of two waveforms, one of them shifted, without their offset.
fn beside(window: &Trace, expected: &Trace, shift_s: f64) -> Option<f64> {
    let (mut sum, mut squares, mut count) = (0.0, 0.0, 0u32);
    for (sample, value) in window.values.iter().enumerate().filter(|(_, value)| value.is_finite()) {
        let Some(there) = expected.at(window.time_s(sample) - shift_s) else { continue };
        let difference = value - there;
        sum += difference;
        squares += difference * difference;
        count += 1;
    }
    // What overlaps little fits by chance.
    if 2 * count as usize <= window.values.len() {
        return None;
    }
    let count = f64::from(count);
    Some((squares / count - (sum / count).powi(2)).max(0.0))
}
