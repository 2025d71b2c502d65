//! The least change of a board with which a part passes on it, over what a technician can change: the rule stands in docs/remedies.md.
//!
//! What decides against the part is run with one change after another, and what it meets closely with those that help; only what survives is
//! compared in full, with all corners.

mod knobs;

use super::ends::{Part, posed_at};
use super::{Comparison, Depth, compare, found, learned};
use crate::condition;
use crate::condition::figures::{Failure, Value};
use crate::condition::stand::Stand;
use crate::judge::finding::{Asked, Finding};
use crate::judge::sight::{margin, without_number};
use crate::judge::state::State;
use crate::judge::{self, Outcome, Verdict};
use crate::model::case::Case;
use crate::quantity::Quantity;
pub use knobs::{Kind, Knob, knobs};
use rayon::prelude::*;
use std::collections::VecDeque;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Remedies that are proposed for a part at the most.
pub const MOST: usize = 5;
/// Checks that a part meets most closely, and that a change must not lose.
const GUARDS: usize = 4;
/// Changes that are tried side by side; fixed, so that the number of threads decides nothing.
const AT_ONCE: usize = 8;
/// Changes of the same parts of the board that are compared in full at the most: what a trial lets pass seldom fails by much.
const FULL_OF_A_SET: usize = 3;
/// Comparisons in full for one part at the most.
const MOST_FULL: usize = 10;

/// Changes of a board: numbers of knobs and their values.
pub type Changes = Vec<(usize, f64)>;

/// The case with changes, read anew with what is set; `None` where it does not stand with them.
pub type Pose<'a> = dyn Fn(&[(&Knob, f64)]) -> Option<Case> + Sync + 'a;

/// What is looked through.
pub struct Search<'a> {
    /// The case with everything laid out.
    pub case: Case,
    /// What can be changed.
    pub knobs: Vec<Knob>,
    pose: &'a Pose<'a>,
    progress: &'a (dyn Fn(usize) + Sync),
}

/// A board on which a part passes.
pub struct Remedy {
    /// What is changed.
    pub changes: Changes,
    /// The comparison of the original and the part on it.
    pub comparison: Comparison,
}

/// What was found for a part.
pub struct Found {
    /// The comparison of the original and the part on the board as it is.
    pub before: Comparison,
    /// Why nothing was looked for.
    pub hopeless: Option<Hopeless>,
    /// Boards on which it passes, the least change first.
    pub remedies: Vec<Remedy>,
    /// Changes tried.
    pub tried: usize,
    /// Of those compared in full, how many failed there.
    pub refused: usize,
    /// The change that came closest, with what was left of what decides.
    pub closest: Option<(Changes, Room)>,
}

/// What is left of a limit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Room {
    /// Share of the limit beyond the uncertainty; negative past it, infinite where there is no number that could come near one.
    pub share: f64,
    /// Whose limit; none where nothing was looked at.
    pub of: Option<&'static Quantity>,
}

/// Why no change of the board is looked for.
#[derive(Clone, Debug, PartialEq)]
pub enum Hopeless {
    /// The part needs none.
    Passes,
    /// The original does no better, or a change is all that is asked about: nothing is missed.
    NoWorse,
    /// Its data decide, whatever the board.
    Data,
    /// The board's loop is only known by its margins.
    Margins,
    /// The board has nothing that could be changed.
    NoKnobs,
}

impl<'a> Search<'a> {
    /// A search on a case as it was read. `progress` is told how many changes have been tried.
    ///
    /// # Errors
    /// A compensator that cannot be laid out, or an interruption.
    pub fn new(case: &Case, pose: &'a Pose<'a>, progress: &'a (dyn Fn(usize) + Sync)) -> Result<Search<'a>, Failure> {
        Ok(Search { knobs: knobs(&case.board), case: learned(case)?, pose, progress })
    }

    /// The least changes with which a part passes.
    ///
    /// # Errors
    /// An interruption.
    pub fn look(&self, part: usize) -> Result<Found, Failure> {
        let mut alone = (self.pose)(&[]).unwrap_or_else(|| self.case.clone());
        alone.keep_parts(&[part]);
        let before = compare(&alone, Depth::Full, &|_, _| {})?;
        let mut found = Found { hopeless: None, before, remedies: vec![], tried: 0, refused: 0, closest: None };
        found.hopeless = self.hopeless(&found.before.verdicts[1]);
        if found.hopeless.is_some() {
            return Ok(found);
        }
        let mut trial = Trial::of(&found.before);
        let singles = (0..self.knobs.len())
            .flat_map(|knob| self.values(knob, 0).into_iter().map(move |value| vec![(knob, value)]));
        self.go_through(part, &mut trial, self.sorted(singles.collect()), &mut found)?;
        if found.remedies.is_empty() {
            self.go_through(part, &mut trial, self.sorted(self.pairs()), &mut found)?;
        }
        Ok(found)
    }

    fn hopeless(&self, verdict: &Verdict) -> Option<Hopeless> {
        let missed = |finding: &&Finding| finding.outcome > Outcome::NoWorse;
        let of_data = |finding: &Finding| condition::find(finding.place.condition).is_some_and(|one| one.is_data());
        match verdict.outcome {
            Outcome::Pass => Some(Hopeless::Passes),
            Outcome::NoWorse => Some(Hopeless::NoWorse),
            _ if verdict.findings.iter().filter(missed).any(of_data) => Some(Hopeless::Data),
            _ if self.case.board.control.aim.is_some() => Some(Hopeless::Margins),
            _ if self.knobs.is_empty() => Some(Hopeless::NoKnobs),
            _ => None,
        }
    }

    /// Values of a knob, every one or with that many left out between two.
    fn values(&self, knob: usize, left_out: usize) -> Vec<f64> {
        let all = self.knobs[knob].values();
        // Up and down from what is fitted, so that the next ones are among them.
        let (below, above): (Vec<f64>, Vec<f64>) = all.into_iter().partition(|value| *value < self.knobs[knob].now);
        let step = left_out + 1;
        let near = below.into_iter().rev().skip(left_out / 2).step_by(step);
        near.chain(above.into_iter().skip(left_out / 2).step_by(step)).collect()
    }

    fn pairs(&self) -> Vec<Changes> {
        let coarse: Vec<Vec<f64>> =
            (0..self.knobs.len()).map(|knob| self.values(knob, self.knobs[knob].coarseness())).collect();
        let mut all = vec![];
        for first in 0..coarse.len() {
            for second in first + 1..coarse.len() {
                for &a in &coarse[first] {
                    all.extend(coarse[second].iter().map(|&b| vec![(first, a), (second, b)]));
                }
            }
        }
        all
    }

    /// The least relative change first.
    fn sorted(&self, mut all: Vec<Changes>) -> Vec<Changes> {
        let size = |changes: &Changes| {
            changes.iter().map(|(knob, value)| (value / self.knobs[*knob].now).ln().abs()).sum::<f64>()
        };
        all.sort_by(|a, b| size(a).total_cmp(&size(b)));
        all
    }

    /// Tries changes in their order, and compares in full what does; of each set of knobs the least change counts.
    fn go_through(&self, part: usize, trial: &mut Trial, all: Vec<Changes>, found: &mut Found) -> Result<(), Failure> {
        let mut full: Vec<Vec<usize>> = vec![];
        let mut left: VecDeque<Changes> = all.into();
        while found.remedies.len() < MOST && full.len() < MOST_FULL && !left.is_empty() {
            left.retain(|changes| !is_done(changes, &found.remedies, &full));
            let next: Vec<Changes> = left.drain(..AT_ONCE.min(left.len())).collect();
            let rooms = self.rooms(trial, &next, found.tried)?;
            found.tried += next.len();
            let known = trial.checks.len();
            for (changes, room) in next.into_iter().zip(rooms) {
                if found.closest.as_ref().is_none_or(|(_, known)| room.share > known.share) {
                    found.closest = Some((changes.clone(), room));
                }
                let is_enough = found.remedies.len() == MOST || full.len() == MOST_FULL;
                if room.share < 0.0 || is_enough || is_done(&changes, &found.remedies, &full) {
                    continue;
                }
                // It was tried before the latest of what is looked at was known.
                if trial.checks.len() > known && self.room(trial, &changes)?.share < 0.0 {
                    continue;
                }
                full.push(set_of(&changes));
                match self.verified(part, &changes, &found.before)? {
                    Verified::Passes(comparison) => found.remedies.push(Remedy { changes, comparison: *comparison }),
                    Verified::Fails(unmet) => {
                        found.refused += 1;
                        // What has failed in full is looked at in what is tried from here on.
                        trial.add(unmet);
                    }
                }
            }
        }
        Ok(())
    }

    /// What is left of the limits with some changes, side by side.
    fn rooms(&self, trial: &Trial, all: &[Changes], tried: usize) -> Result<Vec<Room>, Failure> {
        let count = AtomicUsize::new(tried);
        let one = |changes: &Changes| {
            let room = self.room(trial, changes);
            (self.progress)(count.fetch_add(1, Ordering::Relaxed) + 1);
            room
        };
        let rooms: Vec<Result<Room, Failure>> = all.par_iter().map(one).collect();
        rooms.into_iter().collect()
    }

    fn posed(&self, changes: &Changes) -> Option<Case> {
        let set: Vec<(&Knob, f64)> = changes.iter().map(|(knob, value)| (&self.knobs[*knob], *value)).collect();
        (self.pose)(&set)
    }

    /// What is left to the worst of what decides and what must not be lost; the first that is missed ends it.
    fn room(&self, trial: &Trial, changes: &Changes) -> Result<Room, Failure> {
        let Some(changed) = self.posed(changes) else { return Ok(Room { share: f64::NEG_INFINITY, of: None }) };
        // What readings tell of the board's cooling stays.
        let case = Case { board: changed.board, ..trial.case.clone() };
        let doubts = Part::doubts_of(&case, 1);
        let mut least = Room { share: f64::INFINITY, of: None };
        for finding in &trial.checks {
            let share = room_of(&case, &doubts, finding)?;
            if share < least.share {
                least = Room { share, of: Some(finding.quantity) };
            }
            if share < 0.0 {
                break;
            }
        }
        Ok(least)
    }

    /// The comparison on a changed board, where the part passes and the original keeps what it met; else what is not met.
    fn verified(&self, part: usize, changes: &Changes, before: &Comparison) -> Result<Verified, Failure> {
        let Some(mut changed) = self.posed(changes) else { return Ok(Verified::Fails(vec![])) };
        changed.keep_parts(&[part]);
        let after = compare(&changed, Depth::Full, &|_, _| {})?;
        let passes = after.verdicts[1].outcome == Outcome::Pass;
        // No worse than the original on the board that is changed is one thing, than on the board as it was another.
        let parts = [before.parts[0].clone(), after.parts[1].clone()];
        let as_it_was = judge::verdict(&after.case, &parts, 1).outcome != Outcome::Fail;
        if passes && as_it_was && keeps(&before.verdicts[0], &after.verdicts[0]) {
            return Ok(Verified::Passes(Box::new(after)));
        }
        let unmet =
            after.verdicts[1].findings.iter().filter(|finding| finding.outcome != Outcome::Pass && can_be_run(finding));
        Ok(Verified::Fails(unmet.cloned().collect()))
    }
}

/// How a change came out in full.
enum Verified {
    Passes(Box<Comparison>),
    Fails(Vec<Finding>),
}

fn set_of(changes: &Changes) -> Vec<usize> {
    changes.iter().map(|(knob, _)| *knob).collect()
}

/// Whether a smaller change of the same parts of the board, or of some of them, does already, or enough of them have been compared in full.
fn is_done(changes: &Changes, remedies: &[Remedy], full: &[Vec<usize>]) -> bool {
    let set = set_of(changes);
    let contains = |remedy: &Remedy| remedy.changes.iter().all(|(knob, _)| set.contains(knob));
    remedies.iter().any(contains) || full.iter().filter(|known| **known == set).count() >= FULL_OF_A_SET
}

/// Whether a part meets after a change what it met before.
fn keeps(before: &Verdict, after: &Verdict) -> bool {
    let met = before.findings.iter().filter(|finding| finding.state == State::Met);
    let still = |finding: &Finding| {
        let now = after.findings.iter().find(|other| other.key() == finding.key());
        now.is_none_or(|now| now.state == State::Met)
    };
    met.into_iter().all(still)
}

/// What a change is tried on.
struct Trial {
    case: Case,
    /// What decides, the most urgent first, then what is met most closely.
    checks: Vec<Finding>,
}

impl Trial {
    fn of(before: &Comparison) -> Trial {
        let all = before.verdicts[1].findings.iter().filter(|finding| can_be_run(finding));
        let (mut unmet, mut met): (Vec<&Finding>, Vec<&Finding>) =
            all.partition(|finding| finding.outcome > Outcome::NoWorse);
        unmet.sort_by(|a, b| a.by_urgency(b));
        met.sort_by(|a, b| a.margin_in_u.total_cmp(&b.margin_in_u));
        let mut trial = Trial { case: before.case.clone(), checks: vec![] };
        trial.add(unmet.into_iter().cloned().collect());
        trial.add(met.into_iter().take(GUARDS).cloned().collect());
        trial
    }

    /// Adds checks that are new.
    fn add(&mut self, findings: Vec<Finding>) {
        for finding in findings {
            let is_it = |other: &Finding| (other.place, other.quantity.id) == (finding.place, finding.quantity.id);
            if !self.checks.iter().any(is_it) {
                self.checks.push(finding);
            }
        }
    }
}

/// Whether a check is of a run against a limit.
fn can_be_run(finding: &Finding) -> bool {
    let simulated = condition::find(finding.place.condition).is_some_and(|condition| !condition.is_data());
    simulated && finding.limit.is_some() && !finding.stands_in && matches!(finding.asked, Asked::Requirement(_))
}

/// Share of its limit that is left to a check on a changed board beyond its uncertainty, in the place and with the data that decide it.
fn room_of(case: &Case, doubts: &Part, finding: &Finding) -> Result<f64, Failure> {
    let (Some(condition), Some(limit)) = (condition::find(finding.place.condition), finding.limit) else {
        return Ok(f64::INFINITY);
    };
    let posed = posed_at(case, doubts, 1, &finding.worst_ends, None);
    let input_v = finding.place.input_v.unwrap_or(posed.board.nominal_input_v);
    let stand = Stand::new(&posed, &posed.parts[0], finding.place.corner, input_v);
    let shown = found(condition, &stand, finding.place)?.figures;
    Ok(match shown.value(finding.quantity.id) {
        Some(value @ (Value::Number(_) | Value::AtLeast(_) | Value::AtMost(_))) => {
            let left = margin(value.number().unwrap_or(f64::NAN), &limit) - finding.value.uncertainty;
            left / limit.value.abs().max(f64::MIN_POSITIVE)
        }
        Some(value) if without_number(value) == State::Met => f64::INFINITY,
        _ => f64::NEG_INFINITY,
    })
}
