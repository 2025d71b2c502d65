//! Leaps: where nothing is left of a transient but its slowest mode, which dies out over thousands of cycles, it is laid on instead of
//! being simulated.
//!
//! A run is looked at every few cycles. Where its states move in one direction, each time by the same share less, the run may leap ahead
//! along that course. It has to stand a test first: one look is simulated from where the leap ends, in which the same must happen as
//! before and the states must move as the course says. Method: docs/physics.md, "leaps".

use super::Machine;
use crate::engine::error::EngineError;
use crate::engine::program::{Instant, Program};
use crate::engine::row::{MAX_STATES, StateVector};
use crate::engine::run_state::{Effort, RunState};
use crate::engine::stretch::{Observer, ROUND, Seen};

/// Looks in a round, after which a run may be found to repeat itself.
pub(super) const LOOKS: u64 = 4;
/// Control cycles from one look to the next: clock edges, or turn-ons asked for.
const LOOK: u64 = ROUND / LOOKS;
/// Looks between the three states through which a course is laid.
const APART: usize = 4;
const POINTS: usize = 2 * APART + 1;
/// Part of a movement that may point elsewhere: what is left of quicker modes.
const ASIDE: f64 = 1e-3;
/// How far off its course a run may end, as a share of a state's size.
const OFF_COURSE: f64 = 1e-6;
/// A leap takes the slow mode down by this exponent: its rate changes little as far.
const EXPONENT: f64 = 0.5;
/// Leaps of fewer looks cost what they save.
const SHORTEST: u64 = 16;

/// By how much the next leap may be longer than the last one, and how much shorter it is after one that went off course.
const LONGER: u64 = 3;
const SHORTER: u64 = 4;

/// The course of a run: where it stood at the latest looks.
pub(super) struct Trail {
    marks: Vec<Mark>,
    /// Count of control cycles at which the next look is due.
    due: u64,
    /// Looks that are leapt at most.
    most: u64,
}

/// A run at a look.
struct Mark {
    time_s: f64,
    state: RunState,
    /// What has happened since the look before.
    since: Option<Effort>,
    until: Instant,
}

/// One mode that dies out: what is left of the latest movement after as many looks more, and that movement of the states and in time.
struct Course {
    left: f64,
    moved: StateVector,
    gained_s: f64,
    look_s: f64,
}

impl Trail {
    pub(super) const NEW: Trail = Trail { marks: vec![], due: 0, most: u64::MAX };

    /// Whether a look continues those before: driven by the same, with the same happening in it.
    fn goes_on(&self, mark: &Mark) -> bool {
        self.marks.last().is_none_or(|before| {
            before.until == mark.until
                && before.since.is_none_or(|since| Some(since) == mark.since)
                && before.state.switches() == mark.state.switches()
        })
    }

    /// The course of the run, if it is one of a single slow mode; sizes of the states, of which there are `sizes.len()`.
    fn course(&self, sizes: &[f64]) -> Option<Course> {
        if self.marks.len() < POINTS {
            return None;
        }
        let [first, middle, last] = [0, APART, 2 * APART].map(|k| &self.marks[k]);
        let moved = |from: &Mark, to: &Mark, k: usize| (to.state.x[k] - from.state.x[k]) / sizes[k];
        let sum = |term: &dyn Fn(usize) -> f64| (0..sizes.len()).map(term).sum::<f64>();
        let before = sum(&|k| moved(first, middle, k).powi(2));
        let left = sum(&|k| moved(first, middle, k) * moved(middle, last, k)) / before;
        let aside = sum(&|k| (moved(middle, last, k) - left * moved(first, middle, k)).powi(2)).sqrt();
        if !(left > 0.0 && left < 1.0 && aside <= ASIDE * before.sqrt()) {
            return None;
        }
        let mut course = Course { left, moved: [0.0; MAX_STATES], gained_s: 0.0, look_s: 0.0 };
        (0..sizes.len()).for_each(|k| course.moved[k] = last.state.x[k] - middle.state.x[k]);
        course.look_s = (last.time_s - middle.time_s) / APART as f64;
        course.gained_s = course.look_s - (middle.time_s - first.time_s) / APART as f64;
        Some(course)
    }
}

impl Course {
    /// Looks in which the mode loses a good part of what is left of it.
    fn looks(&self) -> u64 {
        (EXPONENT * APART as f64 / -self.left.ln()) as u64
    }

    /// Movement from the last look until some looks later, in movements over [`APART`] looks.
    fn sum(&self, looks: f64) -> f64 {
        self.left * (1.0 - self.left.powf(looks / APART as f64)) / (1.0 - self.left)
    }

    /// Duration of some looks from the last on, in s. Without a clock each takes a little longer or shorter than the one before.
    fn duration_s(&self, looks: f64) -> f64 {
        let still_s = self.gained_s * self.left / (1.0 - self.left);
        (self.look_s + still_s) * looks - still_s * self.sum(looks) * APART as f64
    }
}

impl Machine {
    /// Leaps ahead at most to the clock edge `last` where the run is on a course, and the observer need not see more of it. To be called
    /// after every look, with the same trail. Whether it leapt.
    ///
    /// # Errors
    /// [`EngineError::Interrupted`].
    pub(super) fn leap(
        &mut self,
        state: &mut RunState,
        trail: &mut Trail,
        last: u64,
        program: &mut Program,
        observer: &mut impl Observer,
    ) -> Result<bool, EngineError> {
        if !observer.knows_leaps() {
            return Ok(false);
        }
        self.mark(state, trail, program);
        let full_a = self.circuit.board.load_a.last().copied().unwrap_or(0.0);
        let sizes = &self.scales(full_a)[..self.states];
        let Some(course) = trail.course(sizes) else { return Ok(false) };
        let looks = course.looks().min(self.looks_ahead(trail, &course, last)).min(trail.most);
        if looks < SHORTEST {
            return Ok(false);
        }
        let there = self.laid_on(state, trail, &course, looks);
        let leaps = self.is_on_course(&there, trail, (&course, looks), sizes, (last, program), observer)?;
        if leaps {
            *state = there;
            observer.leapt();
            trail.most = looks * LONGER;
        } else {
            trail.most = (looks / SHORTER).max(SHORTEST);
        }
        trail.marks.clear();
        Ok(leaps)
    }

    /// Control cycles from look to look: foldback counts clock edges.
    pub(super) fn look(&self) -> u64 {
        let foldback = self.circuit.board.control.protection.foldback.filter(|_| self.is_clocked());
        LOOK * foldback.map_or(1, |foldback| foldback.divisor.max(1))
    }

    pub(super) fn control_cycle(&self, state: &RunState) -> u64 {
        if self.is_clocked() { state.cycle } else { state.turn_ons }
    }

    /// Notes where the run stands, if a look is due.
    fn mark(&self, state: &RunState, trail: &mut Trail, program: &mut Program) {
        let now = self.control_cycle(state);
        let drive = program.at(state.cycle, state.phase_s, self.period_s);
        let counts = self.circuit.board.control.protection.current_limit.is_some_and(|limit| limit.hiccup.is_some());
        let mark = Mark {
            time_s: state.cycle as f64 * self.period_s + state.phase_s,
            state: state.clone(),
            since: trail.marks.last().map(|before| state.effort.happened_since(&before.state.effort)),
            until: drive.until,
        };
        let counting = counts && mark.since.is_some_and(|since| since.limited > 0);
        if now != trail.due || !drive.is_level() || !state.guard.is_steady() || counting || !trail.goes_on(&mark) {
            trail.marks.clear();
        }
        trail.due = now + self.look();
        trail.marks.push(mark);
        if trail.marks.len() > POINTS {
            trail.marks.remove(0);
        }
    }

    /// Looks that are left before the run ends or is driven otherwise, but for those in which it is simulated.
    fn looks_ahead(&self, trail: &Trail, course: &Course, last: u64) -> u64 {
        let now = &trail.marks[POINTS - 1];
        let left_s = now.until.0.min(last) as f64 * self.period_s - now.time_s;
        (left_s / course.look_s - 3.0).max(0.0) as u64
    }

    /// The run some looks later on its course.
    fn laid_on(&self, state: &RunState, trail: &Trail, course: &Course, looks: u64) -> RunState {
        let mut there = state.clone();
        let moved = course.sum(looks as f64);
        (0..self.states).for_each(|k| there.x[k] += moved * course.moved[k]);
        there.effort = state.effort.with(&trail.marks[POINTS - 1].since.unwrap_or_default(), looks);
        let control_cycles = looks * self.look();
        if !self.is_clocked() {
            there.turn_ons += control_cycles;
        }
        self.move_on(&mut there, (control_cycles, course.duration_s(looks as f64)));
        there
    }

    /// Whether a run goes on along its course from where a leap ends, and the observer misses nothing.
    fn is_on_course(
        &mut self,
        there: &RunState,
        trail: &Trail,
        (course, looks): (&Course, u64),
        sizes: &[f64],
        (last, program): (u64, &mut Program),
        observer: &impl Observer,
    ) -> Result<bool, EngineError> {
        let (mut tried, mut seen) = (there.clone(), Seen::NOTHING);
        let next = self.control_cycle(there) + self.look();
        let until = if self.is_clocked() { (next, u64::MAX) } else { (last, next) };
        match self.run_until(&mut tried, until, program, &mut seen, None) {
            Err(EngineError::Interrupted) => return Err(EngineError::Interrupted),
            Err(_) => return Ok(false),
            Ok(()) => {}
        }
        let step = course.sum(looks as f64 + 1.0) - course.sum(looks as f64);
        let off = |k: usize| (tried.x[k] - there.x[k] - step * course.moved[k]) / sizes[k];
        // What is off along the course has grown over the leap and added up; the rest heals.
        let along = |k: usize| course.moved[k] / sizes[k];
        let sum = |term: &dyn Fn(usize) -> f64| (0..sizes.len()).map(term).sum::<f64>();
        let drift = sum(&|k| off(k) * along(k)) / sum(&|k| along(k).powi(2)).sqrt() * looks as f64 / 2.0;
        let now = &trail.marks[POINTS - 1];
        Ok(now.since == Some(tried.effort.happened_since(&there.effort))
            && tried.switches() == now.state.switches()
            && (0..sizes.len()).all(|k| off(k).abs() <= OFF_COURSE)
            && drift.abs() <= OFF_COURSE
            && observer.may_leap(&seen))
    }
}
