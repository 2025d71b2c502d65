//! The waveform by which a part's outcome is decided: the part and the original in the same place, the limit, and the range in which
//! the value lies.

use super::loop_gain;
use super::panels::{self, Axis, Envelope, Legend, Level, MarkShape, Panel, Span, Trace, range};
use super::style::Stroke;
use super::{
    BEFORE_EDGE, FEWEST_PERIODS, Plot, SETTLINGS_SHOWN, deciding_name, plot, release_s, rows_within, settled_s,
};
use crate::record::layout::{DecidingCurves, LightShown, LoopCurve, Reading, Record, Shown, Side, Signal, StepCurve};
use crate::record::words::say;
use crate::report::ReportError;

/// Height of the plot's panel.
const HEIGHT: i32 = 560;
/// Most switching periods shown of a short circuit.
const SHORT_PERIODS: f64 = 40.0;

/// The plot; none where the curves are empty.
pub(super) fn draw(record: &Record, curves: &DecidingCurves) -> Result<Option<Plot>, ReportError> {
    let name_of = |part: usize| record.parts.get(part).map_or("", |part| part.name.as_str());
    let (original, substitute) = (name_of(0), name_of(curves.part));
    if curves.substitute.time_s().len() < 2 {
        return Ok(None);
    }
    match &curves.substitute {
        Shown::Loop(curve) => return margin(record, curves, curve),
        Shown::Light(curve) => return light(record, curves, curve),
        Shown::Period(_) | Shown::Run(_) => {}
    }
    let view = View::of(curves);
    let color = Stroke::part(curves.part).color;
    let (low, high) = (say(curves.least(), &curves.unit), say(curves.most(), &curves.unit));
    let mut legend = vec![];
    if curves.original.is_some() {
        legend.push(Legend::line(original, Stroke::part(0)));
    }
    legend.push(Legend::line(substitute, Stroke::part(curves.part)));
    legend.push(Legend::span(&format!("{low} to {high}: value with its uncertainty"), color));
    plot(
        &deciding_name(curves.part),
        title(record, curves),
        format!(
            "{} of {substitute} where it decides, over the original in the same place. The dashed line is the limit, the shaded range the \
             value with its uncertainty, {low} to {high}.",
            curves.label
        ),
        panels::draw(&[vec![view.panel(curves)]], &legend, HEIGHT),
    )
}

fn title(record: &Record, curves: &DecidingCurves) -> String {
    let name_of = |part: usize| record.parts.get(part).map_or("", |part| part.name.as_str());
    format!("{}: {} against {}, {}", curves.label, name_of(curves.part), name_of(0), curves.condition)
}

/// The loop near its crossover, where a margin decides.
fn margin(record: &Record, curves: &DecidingCurves, substitute: &LoopCurve) -> Result<Option<Plot>, ReportError> {
    let mut loops = vec![];
    if let Some(Shown::Loop(original)) = &curves.original {
        loops.push((0, original));
    }
    loops.push((curves.part, substitute));
    let (low, high) = (say(curves.least(), &curves.unit), say(curves.most(), &curves.unit));
    let side = if curves.limit.side == Side::AtLeast { "at least" } else { "at most" };
    let asked = format!("{side} {}", say(curves.limit.value, &curves.unit));
    // So near half the switching frequency a gain margin is not read off the curve.
    let (reading, limit) = match curves.reading {
        (Signal::Gain, Reading::Margin) => (Reading::Margin, 0.0),
        (_, reading) => (reading, curves.limit.value),
    };
    let word = if limit == 0.0 { "" } else { &asked };
    let rows = loop_gain::near_crossover(&loops, reading, limit, word);
    let mut legend: Vec<Legend> = loops.iter().map(|(i, curve)| Legend::line(&curve.part, Stroke::part(*i))).collect();
    legend.push(Legend::mark("crossover", MarkShape::Dot));
    plot(
        &deciding_name(curves.part),
        title(record, curves),
        format!(
            "Gain and phase of the loop near its crossover where it decides, over the original in the same place. {} is {low} to {high} \
             with its uncertainty, {asked} is asked.",
            curves.label
        ),
        panels::draw(&rows, &legend, HEIGHT / 2),
    )
}

/// Ripple or repetition over the load, where light load decides.
fn light(record: &Record, curves: &DecidingCurves, substitute: &LightShown) -> Result<Option<Plot>, ReportError> {
    let signal = curves.reading.0;
    let mut shown = vec![];
    if let Some(Shown::Light(original)) = &curves.original {
        shown.push((0, original));
    }
    shown.push((curves.part, substitute));
    let values =
        |curve: &LightShown| if signal == Signal::LightRate { curve.rate_hz.clone() } else { curve.ripple_v.clone() };
    let trace = |(part, curve): &(usize, &LightShown)| Trace {
        points: curve
            .load_a
            .iter()
            .zip(values(curve))
            .filter(|(a, _)| **a > 0.0)
            .map(|(a, v)| (a.log10(), v))
            .collect(),
        stroke: Stroke::part(*part),
    };
    let traces: Vec<Trace> = shown.iter().map(trace).collect();
    let loads = range(traces.iter().flat_map(|trace| trace.points.iter().map(|at| at.0)));
    if loads.0 >= loads.1 {
        return Ok(None);
    }
    let ends = (curves.least(), curves.most());
    let word = if curves.limit.side == Side::AtLeast { "at least" } else { "limit" };
    let level =
        Level::new(curves.limit.value, format!("{word} {}", say(curves.limit.value, &curves.unit)), Stroke::limit());
    let all = traces.iter().flat_map(|trace| trace.points.iter().map(|at| at.1)).chain([level.at, ends.0, ends.1, 0.0]);
    let label = if signal == Signal::LightRate { "Pulse pattern repeats" } else { "Output ripple" };
    let y = Axis::new(label, &curves.unit, all.collect::<Vec<_>>());
    let x = Axis::decades("Load current", "A", 10_f64.powf(loads.0), 10_f64.powf(loads.1));
    let spans = vec![Span { ends, color: Stroke::part(curves.part).color, upright: false }];
    let panel = Panel { traces, levels: vec![level], spans, ..Panel::new(x, y) };
    let name = |part: usize| record.parts.get(part).map_or("", |part| part.name.as_str());
    let legend: Vec<Legend> = shown.iter().map(|(part, _)| Legend::line(name(*part), Stroke::part(*part))).collect();
    plot(
        &deciding_name(curves.part),
        title(record, curves),
        format!("{label} towards light load, over the original. The dashed line is the limit."),
        panels::draw(&[vec![panel]], &legend, HEIGHT),
    )
}

impl DecidingCurves {
    fn least(&self) -> f64 {
        self.ends.map_or(self.value, |ends| ends.0.min(self.value)) - self.uncertainty
    }

    fn most(&self) -> f64 {
        self.ends.map_or(self.value, |ends| ends.1.max(self.value)) + self.uncertainty
    }

    fn is_upright(&self) -> bool {
        matches!(self.reading.1, Reading::Settling | Reading::Start | Reading::GivesWay)
    }

    /// Whether the axis counts the load that grows, not the time.
    fn is_over_load(&self) -> bool {
        self.reading.1 == Reading::GivesWay
    }
}

/// What of the curves is shown, and how a value of the quantity is found on the axis of values, or of times.
struct View {
    /// Instant from which the time axis counts in s, and what is shown around it.
    edge_s: f64,
    span_s: (f64, f64),
    label: &'static str,
    /// Where a value of nought lies on the axis.
    base: f64,
    /// Direction in which a value is counted.
    sign: f64,
}

impl View {
    fn of(curves: &DecidingCurves) -> View {
        let whole = match &curves.substitute {
            Shown::Run(_) if curves.is_over_load() => over_load(curves),
            Shown::Run(curve) => of_run(curves, curve),
            shown => View {
                edge_s: 0.0,
                span_s: range(shown.time_s().iter().copied()),
                label: "Time from the clock edge",
                base: 0.0,
                sign: 1.0,
            },
        };
        whole.based(curves)
    }

    /// Where a value lies: a peak-to-peak one counts from the lowest value, a deviation from its mean.
    fn based(self, curves: &DecidingCurves) -> View {
        let (low, _) = curves.substitute.bounds(curves.reading.0);
        let lowest = || range(low.iter().copied()).0;
        let (base, sign) = match curves.reading.1 {
            Reading::Highest | Reading::Lowest => (0.0, 1.0),
            Reading::AboveMean => (0.0, 1.0),
            Reading::BelowMean => (0.0, -1.0),
            Reading::AboveAim => (curves.aim_v, 1.0),
            Reading::FromAim => (curves.aim_v, sign_from(curves, curves.aim_v)),
            Reading::FromMean => (0.0, sign_from(curves, curves.substitute.means_v().0)),
            Reading::Width => (lowest() - curves.mean_v(&curves.substitute), 1.0),
            _ => (self.base, 1.0),
        };
        View { base, sign, ..self }
    }

    fn at(&self, value: f64) -> f64 {
        self.base + self.sign * value
    }

    fn panel(&self, curves: &DecidingCurves) -> Panel {
        let shown: Vec<(usize, &Shown)> =
            curves.original.iter().map(|shown| (0, shown)).chain([(curves.part, &curves.substitute)]).collect();
        let drawn: Vec<Envelope> = shown.iter().map(|(part, shown)| self.envelope(curves, *part, shown)).collect();
        let ends = (self.at(curves.least()), self.at(curves.most()));
        let mut levels = self.limits(curves);
        let upright = curves.is_upright();
        let values = drawn.iter().flat_map(|one| one.low.iter().chain(&one.high)).copied().collect::<Vec<_>>();
        let marks = levels.iter().map(|level| level.at).chain([ends.0, ends.1]).filter(|_| !upright);
        let (label, unit) = curves.axis();
        let bands = self.bands(curves);
        let y = Axis::new(label, unit, values.into_iter().chain(marks).chain(bands.iter().map(|level| level.at)));
        let times = [self.span_s.0, self.span_s.1].map(|at_s| at_s - self.edge_s);
        let x = if curves.is_over_load() { "A" } else { "s" };
        let x = Axis::new(self.label, x, times).tight();
        levels.extend(bands);
        let ends = (ends.0.min(ends.1), ends.0.max(ends.1));
        let spans = vec![Span { ends, color: Stroke::part(curves.part).color, upright }];
        let (envelopes, traces) = match &curves.substitute {
            Shown::Run(_) => (drawn, vec![]),
            _ => (vec![], drawn.into_iter().map(trace).collect()),
        };
        Panel { envelopes, traces, levels, spans, ..Panel::new(x, y) }
    }

    fn envelope(&self, curves: &DecidingCurves, part: usize, shown: &Shown) -> Envelope {
        let (low, high) = shown.bounds(curves.reading.0);
        let base = curves.mean_v(shown);
        let (time_s, window) = match shown {
            Shown::Run(curve) if curves.is_over_load() => (&curve.load_a[..], curves.period_s * slew(curve)),
            _ => (shown.time_s(), curves.period_s),
        };
        let rows = time_s.partition_point(|t| *t < self.span_s.0)..time_s.partition_point(|t| *t <= self.span_s.1);
        Envelope {
            time: rows.clone().map(|k| time_s[k] - self.edge_s).collect(),
            low: rows.clone().map(|k| low[k] - base).collect(),
            high: rows.map(|k| high[k] - base).collect(),
            window_s: window,
            stroke: Stroke::part(part),
        }
    }

    /// The line of the limit; two where either way counts.
    fn limits(&self, curves: &DecidingCurves) -> Vec<Level> {
        let limit = &curves.limit;
        let word = match limit.side {
            Side::AtLeast => "at least",
            _ => "limit",
        };
        let line = |at: f64| Level::new(at, format!("{word} {}", say(limit.value, &curves.unit)), Stroke::limit());
        let one = line(self.at(limit.value));
        match curves.reading.1 {
            Reading::FromAim | Reading::FromMean => vec![one, line(self.base - self.sign * limit.value)],
            _ if curves.is_upright() => vec![one.upright()],
            _ => vec![one],
        }
    }

    /// The band that a time of settling ends in.
    fn bands(&self, curves: &DecidingCurves) -> Vec<Level> {
        if !curves.is_upright() {
            return vec![];
        }
        let (low_v, high_v) = curves.substitute.means_v();
        // After a release the mean at the lower level is the final one.
        let final_v = if self.edge_s > 0.0 { low_v } else { high_v } - curves.mean_v(&curves.substitute);
        let edge = |at: f64, name: &str| Level::new(at, name, Stroke::band());
        vec![edge(final_v + curves.band_v, "settling band"), edge(final_v - curves.band_v, "")]
    }
}

impl DecidingCurves {
    /// What is taken from the values of a curve in V, so that the axis shows deviations.
    fn mean_v(&self, shown: &Shown) -> f64 {
        let (low_v, high_v) = shown.means_v();
        match (self.reading, shown) {
            ((Signal::Current, _), _) => 0.0,
            ((_, Reading::BelowMean | Reading::FromMean | Reading::Width | Reading::Settling), Shown::Run(_)) => low_v,
            ((_, Reading::AboveMean), Shown::Run(_)) => high_v,
            ((signal, _), Shown::Period(curve)) => {
                let values = shown.bounds(signal).0;
                values
                    .iter()
                    .zip(&super::deviation(&curve.time_s, values))
                    .next()
                    .map_or(0.0, |(value, off)| value - off)
            }
            _ => 0.0,
        }
    }

    fn axis(&self) -> (&'static str, &'static str) {
        match self.reading {
            (Signal::Current, _) => ("Inductor current", "A"),
            (Signal::Output20Mhz, Reading::Width) if matches!(self.substitute, Shown::Period(_)) => {
                ("Output deviation, 20 MHz", "V")
            }
            (_, Reading::BelowMean | Reading::AboveMean | Reading::FromMean | Reading::Width | Reading::Settling) => {
                ("Output deviation", "V")
            }
            _ => ("Output", "V"),
        }
    }
}

/// Up, or down where the output goes further below a value than above it.
fn sign_from(curves: &DecidingCurves, from_v: f64) -> f64 {
    let (low, high) = curves.substitute.bounds(curves.reading.0);
    let (lowest, highest) = (range(low.iter().copied()).0, range(high.iter().copied()).1);
    if from_v - lowest > highest - from_v { -1.0 } else { 1.0 }
}

/// How fast the load grows in A/s.
fn slew(curve: &StepCurve) -> f64 {
    let ends = |values: &[f64]| values.last().zip(values.first()).map_or(0.0, |(last, first)| last - first);
    ends(&curve.load_a) / ends(&curve.time_s).max(f64::MIN_POSITIVE)
}

/// A load that grows until the output gives way: the loads at which the two parts do, and what is allowed.
fn over_load(curves: &DecidingCurves) -> View {
    let shown = curves.original.iter().chain([&curves.substitute]);
    let loads = shown.flat_map(|shown| if let Shown::Run(curve) = shown { curve.load_a.clone() } else { vec![] });
    let marks = [curves.least(), curves.most(), curves.limit.value];
    let span_s = range(loads.chain(marks));
    let room = 0.02 * (span_s.1 - span_s.0);
    View { edge_s: 0.0, span_s: (span_s.0, span_s.1 + room), label: "Load current, growing", base: 0.0, sign: 1.0 }
}

fn trace(envelope: Envelope) -> Trace {
    Trace { points: envelope.time.into_iter().zip(envelope.high).collect(), stroke: envelope.stroke }
}

/// The part of a run that matters: from the edge that the value follows to one and a half settling times after it.
fn of_run(curves: &DecidingCurves, curve: &StepCurve) -> View {
    let end_s = curve.time_s.last().copied().unwrap_or(0.0);
    let is_step = curves.kind == "load step";
    let release_s = if is_step { release_s(curve) } else { end_s };
    let both = curves.reading.1 == Reading::Width;
    let at_s = decisive_s(curves, curve);
    let after_release = !both && release_s < end_s && at_s >= release_s;
    let (edge_s, next_s) = if after_release { (release_s, end_s) } else { (0.0, if both { end_s } else { release_s }) };
    let mean_v = if after_release || both { curve.mean_low_load_v } else { curve.mean_high_load_v };
    let settled_s = settled_s(curve, (edge_s, next_s - curves.period_s), (mean_v, curves.band_v)) - edge_s;
    let most_s = if curves.kind == "short circuit" { SHORT_PERIODS * curves.period_s } else { f64::INFINITY };
    let left_s = left_band_s(curve, edge_s, (mean_v, curves.band_v));
    let needed_s = match curves.is_upright() {
        true => left_s - edge_s + 1.1 * curves.limit.value.max(curves.most()),
        false => 1.2 * (at_s - edge_s),
    };
    let span_s = (SETTLINGS_SHOWN * settled_s).max(FEWEST_PERIODS * curves.period_s).min(most_s).max(needed_s);
    let until_s = (edge_s + span_s).min(if curves.is_upright() { end_s.max(edge_s + needed_s) } else { next_s });
    View {
        edge_s,
        span_s: (edge_s - BEFORE_EDGE * (until_s - edge_s), until_s),
        label: match curves.kind {
            "load step" if after_release => "Time from the start of the release",
            "load step" => "Time from the start of the step",
            "short circuit" => "Time from the short circuit",
            "start" => "Time from the start",
            "input step" => "Time from the start of the input step",
            "load profile" => "Time from the begin of the load",
            _ => "Time from the dropout",
        },
        base: if curves.reading.1 == Reading::Settling { left_s - edge_s } else { 0.0 },
        sign: 1.0,
    }
}

/// When the value that decides is reached in s: the extreme, or the last time out of the band.
fn decisive_s(curves: &DecidingCurves, curve: &StepCurve) -> f64 {
    let (low, high) = curves.substitute.bounds(curves.reading.0);
    let highest = |value: &dyn Fn(usize) -> f64| {
        (0..curve.time_s.len()).max_by(|a, b| value(*a).total_cmp(&value(*b))).map_or(0.0, |k| curve.time_s[k])
    };
    match curves.reading.1 {
        Reading::Highest | Reading::AboveMean | Reading::AboveAim | Reading::Width => highest(&|k| high[k]),
        Reading::Lowest | Reading::BelowMean => highest(&|k| -low[k]),
        Reading::FromAim => highest(&|k| (high[k] - curves.aim_v).max(curves.aim_v - low[k])),
        Reading::FromMean => highest(&|k| (high[k] - curve.mean_low_load_v).max(curve.mean_low_load_v - low[k])),
        Reading::Start | Reading::GivesWay | Reading::Margin | Reading::Crossover => 0.0,
        Reading::Settling => {
            let (release_s, end_s) = (release_s(curve), curve.time_s.last().copied().unwrap_or(0.0));
            let step_s = settled_s(curve, (0.0, release_s - curves.period_s), (curve.mean_high_load_v, curves.band_v));
            let release = (release_s, end_s - curves.period_s);
            let back_s = settled_s(curve, release, (curve.mean_low_load_v, curves.band_v));
            if back_s - release_s > step_s { back_s } else { step_s }
        }
    }
}

/// When the output leaves the band around its final mean after an edge, in s.
fn left_band_s(curve: &StepCurve, edge_s: f64, (mean_v, band_v): (f64, f64)) -> f64 {
    let mut rows = rows_within(curve, (edge_s, f64::INFINITY));
    let left = rows.find(|k| curve.output_high_v[*k] - mean_v > band_v || mean_v - curve.output_low_v[*k] > band_v);
    left.map_or(edge_s, |k| curve.time_s[k])
}
