//! One stretch by `ode_solvers::Dopri5`, and where an event ends it.
//!
//! Only the ends of the integrator's own steps are taken from it (its interpolated output is not used). What lies
//! within a step, an event or a sample, is reached by one more step of the right length from the step's begin. The watched
//! quantities are looked at at the end of every step; between two ends a cubic through values and rates tells whether
//! one of them may have risen above zero and fallen again, and the state is then re-stepped to its top.

use super::equations::{Equations, Setting, Watch};
use nalgebra::SVector;
use ode_solvers::dop_shared::OutputType;
use ode_solvers::{Dopri5, System};
use std::cell::Cell;

/// Longest step as a fraction of the switching period: the ends of steps are where events are looked for.
const LONGEST_STEP: f64 = 1.0 / 20.0;
/// Steps allowed in one stretch.
const MOST_STEPS: u32 = 100_000;
/// Width of the last bracket around an instant as a fraction of the period: 4e-17 s at 250 kHz.
const INSTANT: f64 = 1e-11;
/// Steps of the root search; each at least halves the bracket in the long run.
const ROOT_STEPS: usize = 100;
/// Durations below this part of the time from the begin of the stretch are nothing to the integrator.
const NOTHING: f64 = 1e-14;

/// Watched quantities at the end of a step with their rates.
type Seen = [(f64, f64); 6];

/// Time and state at the ends of steps.
type Nodes<const N: usize> = Vec<(f64, SVector<f64, N>)>;

/// The right side in the form that the integrator asks for.
struct Motion<'a> {
    equations: &'a Equations,
    setting: &'a Setting,
    former: &'a Cell<f64>,
    watches: &'a [Watch],
    seen: Seen,
    seen_s: f64,
    hit: &'a Cell<Option<Hit>>,
}

/// Why a step ended the integration: an event at its end, or perhaps one at this time within it.
#[derive(Clone, Copy, Debug)]
enum Hit {
    AtEnd,
    PerhapsAt(f64),
}

impl Motion<'_> {
    fn look(&self, t_s: f64, y: &[f64], rate: &[f64]) -> Seen {
        let mut seen = [(f64::NEG_INFINITY, 0.0); 6];
        for (entry, &watch) in seen.iter_mut().zip(self.watches) {
            let value = self.equations.watched(watch, self.setting, t_s, y, self.former);
            *entry = (value, self.equations.watched_rate(watch, self.setting, t_s, (y, rate), self.former));
        }
        seen
    }
}

impl<const N: usize> System<f64, SVector<f64, N>> for Motion<'_> {
    fn system(&self, t_s: f64, y: &SVector<f64, N>, rate: &mut SVector<f64, N>) {
        self.equations.rates(self.setting, t_s, y.as_slice(), rate.as_mut_slice(), self.former);
    }

    fn solout(&mut self, t_s: f64, y: &SVector<f64, N>, rate: &SVector<f64, N>) -> bool {
        if self.watches.is_empty() {
            return false;
        }
        let now = self.look(t_s, y.as_slice(), rate.as_slice());
        if now.iter().any(|(value, _)| *value >= 0.0) {
            self.hit.set(Some(Hit::AtEnd));
            return true;
        }
        let step_s = t_s - self.seen_s;
        let top = self.seen.iter().zip(&now).find_map(|(before, after)| top_above_zero(*before, *after, step_s));
        if let Some(part) = top {
            self.hit.set(Some(Hit::PerhapsAt(self.seen_s + part * step_s)));
            return true;
        }
        self.seen = now;
        self.seen_s = t_s;
        false
    }
}

/// Where, as a part of the step, the cubic through two negative values with a rise before and a fall after has its top, if that
/// is above zero.
fn top_above_zero((g0, r0): (f64, f64), (g1, r1): (f64, f64), step_s: f64) -> Option<f64> {
    let (m0, m1) = (r0 * step_s, r1 * step_s);
    if !(m0 > 0.0 && m1 < 0.0) {
        return None;
    }
    // Cubic g0 + m0 s + b s^2 + a s^3 on 0..1; its slope falls through zero once there.
    let b = 3.0 * (g1 - g0) - 2.0 * m0 - m1;
    let a = m0 + m1 - 2.0 * (g1 - g0);
    let root = (b * b - 3.0 * a * m0).max(0.0).sqrt();
    let s = m0 / (root - b);
    let top = g0 + s * (m0 + s * (b + s * a));
    (s > 0.0 && s < 1.0 && top >= 0.0).then_some(s)
}

/// What a stretch gave.
pub(crate) struct Passed<const N: usize> {
    /// Ends of the steps: time from the begin in s and state. The last may lie behind the end.
    pub nodes: Nodes<N>,
    /// Time of the end in s.
    pub end_s: f64,
    /// State at the end.
    pub end: SVector<f64, N>,
    /// What ended the stretch before its time, if anything did.
    pub event: Option<Watch>,
}

/// The integrator with its settings.
pub(crate) struct Solver<'a> {
    pub equations: &'a Equations,
    pub tolerance: f64,
    /// Former current, where Newton's method for the saturation curve begins.
    pub former: Cell<f64>,
    /// Length of the last full step, where the integrator begins.
    step_s: Cell<f64>,
    /// Steps accepted so far.
    pub steps: Cell<u64>,
}

impl<'a> Solver<'a> {
    pub(crate) fn new(equations: &'a Equations, tolerance: f64) -> Solver<'a> {
        let zero = Cell::new(0.0);
        Solver { equations, tolerance, former: zero.clone(), step_s: zero, steps: Cell::new(0) }
    }

    /// Steps from `from_s` to `to_s` until something watched becomes non-negative: (time, state) at the ends of all steps.
    fn nodes<const N: usize>(
        &self,
        setting: &Setting,
        watches: &[Watch],
        (from_s, to_s): (f64, f64),
        y: SVector<f64, N>,
        first_step_s: f64,
    ) -> Result<(Nodes<N>, Option<Hit>), String> {
        let hit = Cell::new(None);
        let mut motion = Motion {
            equations: self.equations,
            setting,
            former: &self.former,
            watches,
            seen: [(0.0, 0.0); 6],
            seen_s: from_s,
            hit: &hit,
        };
        if !watches.is_empty() {
            let mut rate = SVector::<f64, N>::zeros();
            motion.system(from_s, &y, &mut rate);
            motion.seen = motion.look(from_s, y.as_slice(), rate.as_slice());
        }
        let longest_s = LONGEST_STEP * self.equations.period_s;
        let step_s = first_step_s.min(to_s - from_s);
        let (safety, beta, least, most) = (0.9, 0.04, 0.2, 10.0);
        let tolerance = self.tolerance;
        // The stiffness test is put out of reach: it only gives up earlier than the count of steps does.
        let mut solver = Dopri5::from_param(
            motion,
            from_s,
            to_s,
            0.0,
            y,
            tolerance,
            tolerance,
            safety,
            beta,
            least,
            most,
            longest_s,
            step_s,
            MOST_STEPS,
            u32::MAX,
            OutputType::Sparse,
        );
        let stats = solver.integrate().map_err(|error| error.to_string())?;
        self.steps.set(self.steps.get() + u64::from(stats.accepted_steps));
        let (times, states) = solver.results().get();
        Ok((times.iter().copied().zip(states.iter().copied()).collect(), hit.get()))
    }

    /// State at a time after a node, by one step from it.
    pub(crate) fn step_to<const N: usize>(
        &self,
        setting: &Setting,
        node: &(f64, SVector<f64, N>),
        t_s: f64,
    ) -> Result<SVector<f64, N>, String> {
        if t_s - node.0 <= NOTHING * t_s {
            return Ok(node.1);
        }
        let (nodes, _) = self.nodes(setting, &[], (node.0, t_s), node.1, t_s - node.0)?;
        Ok(nodes.last().expect("an integration has at least its begin").1)
    }

    /// The watched quantity that is furthest on: its value and which it is.
    fn foremost<const N: usize>(
        &self,
        setting: &Setting,
        watches: &[Watch],
        t_s: f64,
        y: &SVector<f64, N>,
    ) -> (f64, Option<Watch>) {
        let mut foremost = (f64::NEG_INFINITY, None);
        for &watch in watches {
            let value = self.equations.watched(watch, setting, t_s, y.as_slice(), &self.former);
            if value > foremost.0 {
                foremost = (value, Some(watch));
            }
        }
        foremost
    }

    /// Integrates a stretch of at most `span_s`, with everything watched that may end it.
    pub(crate) fn pass<const N: usize>(
        &self,
        setting: &Setting,
        watches: &[Watch],
        span_s: f64,
        y: SVector<f64, N>,
    ) -> Result<Passed<N>, String> {
        let (value, watch) = self.foremost(setting, watches, 0.0, &y);
        if value >= 0.0 || span_s <= NOTHING * setting.phase_s {
            let event = watch.filter(|_| value >= 0.0);
            return Ok(Passed {
                nodes: vec![(0.0, y)],
                end_s: if event.is_some() { 0.0 } else { span_s },
                end: y,
                event,
            });
        }
        let mut nodes = vec![(0.0, y)];
        loop {
            let begin = nodes[nodes.len() - 1];
            let (new, hit) = self.nodes(setting, watches, (begin.0, span_s), begin.1, self.step_s.get())?;
            self.remember_step(&new);
            nodes.extend_from_slice(&new[1..]);
            let last = nodes[nodes.len() - 1];
            match hit {
                None => return Ok(Passed { nodes, end_s: span_s, end: last.1, event: None }),
                Some(Hit::AtEnd) => {
                    let node = nodes[nodes.len() - 2];
                    let (end_s, end, event) = self.locate(setting, watches, &node, last)?;
                    return Ok(Passed { nodes, end_s, end, event });
                }
                Some(Hit::PerhapsAt(top_s)) => {
                    nodes.pop();
                    let node = nodes[nodes.len() - 1];
                    let top = (top_s, self.step_to(setting, &node, top_s)?);
                    if self.foremost(setting, watches, top_s, &top.1).0 >= 0.0 {
                        let (end_s, end, event) = self.locate(setting, watches, &node, top)?;
                        return Ok(Passed { nodes, end_s, end, event });
                    }
                    nodes.push(top);
                }
            }
        }
    }

    /// Keeps the longest of the last two steps: the very last one is cut to the end of the stretch.
    fn remember_step<const N: usize>(&self, nodes: &[(f64, SVector<f64, N>)]) {
        if let [.., a, b, _] = nodes {
            self.step_s.set(b.0 - a.0);
        }
    }

    /// The instant between a node and a later state at which the foremost watched quantity becomes zero: regula falsi in
    /// the Illinois form (M. Dowell, P. Jarratt, BIT 11 (1971) 168), each value by a step from the node.
    fn locate<const N: usize>(
        &self,
        setting: &Setting,
        watches: &[Watch],
        node: &(f64, SVector<f64, N>),
        high: (f64, SVector<f64, N>),
    ) -> Result<(f64, SVector<f64, N>, Option<Watch>), String> {
        let (mut a_s, mut b_s) = (node.0, high.0);
        let mut g_a = self.foremost(setting, watches, a_s, &node.1).0;
        let (mut g_b, mut event) = self.foremost(setting, watches, b_s, &high.1);
        let mut end = high.1;
        let mut end_s = b_s;
        let mut last_side = 0;
        for _ in 0..ROOT_STEPS {
            if b_s - a_s <= INSTANT * self.equations.period_s || g_b == 0.0 {
                break;
            }
            let guess_s = b_s - g_b * (b_s - a_s) / (g_b - g_a);
            let t_s = if guess_s > a_s && guess_s < b_s { guess_s } else { 0.5 * (a_s + b_s) };
            let y = self.step_to(setting, node, t_s)?;
            let (g, watch) = self.foremost(setting, watches, t_s, &y);
            let moved_s = (t_s - end_s).abs();
            (end_s, end) = (t_s, y);
            event = watch;
            if moved_s <= INSTANT * self.equations.period_s {
                break;
            }
            if g >= 0.0 {
                (b_s, g_b) = (t_s, g);
                if last_side == 1 {
                    g_a *= 0.5;
                }
                last_side = 1;
            } else {
                (a_s, g_a) = (t_s, g);
                if last_side == -1 {
                    g_b *= 0.5;
                }
                last_side = -1;
            }
        }
        Ok((end_s, end, event))
    }
}
