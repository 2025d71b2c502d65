//! The widest range of parts that pass on a board: a box around the original in inductance, resistance, saturation current and core loss,
//! grown evenly until a check stops each of its sides, then held against everything.
//!
//! The rule: docs/specifying.md. Growing looks at the places that decide; what a full look at a vertex finds elsewhere is looked at from
//! then on, and the box grows again.

use super::screen::{Screen, Spot};
use crate::condition;
use crate::condition::figures::Failure;
use crate::judge::finding::Finding;
use crate::judge::sight::margin;
use crate::judge::{Outcome, State, Verdict};
use crate::model::case::Case;
use crate::model::family::{self, AXES, Axis, Scales};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};
use rayon::prelude::*;
use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};

/// Largest factor either way that is tried: what no check stops by then does not matter.
const FARTHEST: f64 = 4.0;
/// Nothing of a loss, as good as none.
const NONE: f64 = 1e-3;
/// Exactness of a side, as a share of it.
const EXACT: f64 = 0.005;
/// Room in expanded uncertainties that the places which decide keep beyond what is needed, since a part's own doubts differ a little; it
/// doubles where a full look finds nothing else.
const ROOM_IN_U: f64 = 0.02;
/// Times that the box grows again with what full looks have found.
const MOST_ROUNDS: usize = 6;
/// Distance over which the slope of a margin is taken, as a logarithm.
const SLOPE_OVER: f64 = 0.02;
/// A side that another one lets out by less than this share is no trade-off.
const WORTH_TELLING: f64 = 0.05;
/// Name of the parts that are tried.
const NAME: &str = "a part like the original";

/// A side of the box.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Side {
    /// In which quantity.
    pub axis: Axis,
    /// Whether it is the upper one.
    pub upper: bool,
}

/// The sides that are looked for. More saturation current and less core loss than anybody asks for do no harm; they are vertices all the same.
pub const SIDES: [Side; 6] = [
    Side { axis: Axis::Inductance, upper: false },
    Side { axis: Axis::Inductance, upper: true },
    Side { axis: Axis::Resistance, upper: false },
    Side { axis: Axis::Resistance, upper: true },
    Side { axis: Axis::Saturation, upper: false },
    Side { axis: Axis::CoreLoss, upper: true },
];

/// Least and largest factor of each axis.
pub type Ranges = [(f64, f64); AXES.len()];

/// What stops a side.
#[derive(Clone, Debug)]
pub struct Stop {
    /// The side.
    pub side: Side,
    /// Its factor.
    pub factor: f64,
    /// The check that stops it, at the vertex where it does; `None` where nothing does up to the farthest that is tried.
    pub by: Option<Finding>,
    /// Whether a part that lies outside by the uncertainty of that check fails or is undecided.
    pub holds: bool,
}

/// A side that goes farther where another is not used up.
#[derive(Clone, Debug)]
pub struct Trade {
    /// The side.
    pub side: Side,
    /// How far it goes then.
    pub factor: f64,
    /// The other side.
    pub other: Side,
    /// Where that stands then.
    pub at: f64,
}

/// How a box was held against the board.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Proof {
    /// Vertices compared in full, all of which pass.
    pub vertices: usize,
    /// Random parts inside, and how many of them pass in the places that decide.
    pub random: (usize, usize),
    /// Places in which those were looked at.
    pub places: usize,
}

/// The box, and what is known of it.
pub struct Specification {
    /// The case with the original.
    pub case: Case,
    /// Ranges of parts that pass.
    pub ranges: Ranges,
    /// What stops each side, in the order of [`SIDES`].
    pub stops: Vec<Stop>,
    /// What could be exchanged.
    pub trades: Vec<Trade>,
    /// How it was held against the board.
    pub proof: Proof,
}

/// Why there is no box.
pub enum NoBox {
    /// A part like the original does not pass itself.
    Original(Box<(Case, Verdict)>),
    /// What full looks find does not end.
    NotSettled,
    /// The simulation was stopped.
    Stopped(Failure),
}

impl From<Failure> for NoBox {
    fn from(failure: Failure) -> NoBox {
        NoBox::Stopped(failure)
    }
}

/// What is asked of a box.
pub struct Wish {
    /// Weight of each side: a side of twice the weight grows twice as fast.
    pub weights: [f64; SIDES.len()],
    /// Random parts that are tried inside.
    pub random: usize,
    /// Where those begin.
    pub seed: u64,
}

/// The widest box of parts that pass beside a board's original.
///
/// # Errors
/// [`NoBox`].
pub fn specify(screen: &Screen, wish: &Wish, progress: &(dyn Fn(&str) + Sync)) -> Result<Specification, NoBox> {
    let mut search = Search::new(screen, wish)?;
    for _ in 0..MOST_ROUNDS {
        progress("widening the range");
        let reach = search.grown()?;
        progress("looking at the vertices in full");
        if search.finds_nothing_new(&reach)? {
            progress("trying random parts inside");
            return search.finish(screen, reach);
        }
    }
    Err(NoBox::NotSettled)
}

/// How far each side goes, as a logarithm, and the vertex at which it is stopped.
#[derive(Clone, Debug)]
struct Reach {
    sides: [f64; SIDES.len()],
    stopped_at: [Option<Scales>; SIDES.len()],
}

struct Search<'a> {
    screen: &'a Screen,
    wish: &'a Wish,
    /// Where parts are looked at.
    spots: Vec<Spot>,
    /// Expanded uncertainty of each check, as full looks have found it.
    doubts: HashMap<String, f64>,
    /// Room that a check must keep beyond that, as a share of it.
    room: f64,
    /// Vertices that have failed: those are looked at first.
    critical: Mutex<Vec<usize>>,
    /// What has been seen since the last full look.
    known: Mutex<Known>,
}

/// What parts miss, by the bits of their factors.
type Known = HashMap<[u64; AXES.len()], Option<Finding>>;

impl Side {
    /// A factor on its axis by how far it goes.
    fn factor(self, reach: f64) -> f64 {
        if self.upper { reach.exp() } else { (-reach).exp() }
    }
}

impl Reach {
    fn ranges(&self) -> Ranges {
        let mut ranges = [(1.0, 1.0), (1.0, 1.0), (1.0, FARTHEST), (NONE, 1.0)];
        for (side, reach) in SIDES.iter().zip(self.sides) {
            let range = &mut ranges[axis_number(side.axis)];
            let end = if side.upper { &mut range.1 } else { &mut range.0 };
            *end = side.factor(reach);
        }
        ranges
    }

    fn with(&self, side: usize, reach: f64) -> Reach {
        let mut moved = self.clone();
        moved.sides[side] = reach;
        moved
    }
}

/// A vertex of some ranges, each bit of its number an axis.
fn vertex(ranges: &Ranges, number: usize) -> Scales {
    std::array::from_fn(|axis| if number >> axis & 1 == 1 { ranges[axis].1 } else { ranges[axis].0 })
}

/// Number of vertices.
const VERTICES: usize = 1 << AXES.len();

fn axis_number(axis: Axis) -> usize {
    AXES.iter().position(|known| *known == axis).unwrap_or(0)
}

impl<'a> Search<'a> {
    /// A search that has looked at a part like the original.
    fn new(screen: &'a Screen, wish: &'a Wish) -> Result<Search<'a>, NoBox> {
        let mut search = Search {
            screen,
            wish,
            spots: vec![],
            doubts: HashMap::new(),
            room: ROOM_IN_U,
            critical: Mutex::new(vec![]),
            known: Mutex::new(HashMap::new()),
        };
        let case = search.case_of([1.0; AXES.len()]);
        let verdict = screen.in_full(&case)?;
        if verdict.outcome > Outcome::NoWorse {
            return Err(NoBox::Original(Box::new((case, verdict))));
        }
        search.doubts = verdict.findings.iter().map(|finding| (finding.key(), finding.value.uncertainty)).collect();
        search.looks_at(screen.original().0);
        search.looks_at(&verdict);
        Ok(search)
    }

    fn case_of(&self, scales: Scales) -> Case {
        self.screen.with(family::like(&self.screen.case().parts[0], scales, NAME))
    }

    /// Looks where a verdict is decided from now on.
    fn looks_at(&mut self, verdict: &Verdict) {
        for finding in verdict.findings.iter().filter(|finding| is_simulated(finding)) {
            self.adds(finding);
        }
    }

    /// Looks from now on where a finding is from; whether that is new.
    fn adds(&mut self, finding: &Finding) -> bool {
        let spot = Spot { place: finding.place, ends: finding.worst_ends.clone() };
        let is_new = !self.spots.contains(&spot);
        if is_new {
            self.spots.push(spot);
        }
        is_new
    }

    fn seen(&self, scales: Scales) -> Result<Verdict, Failure> {
        self.screen.seen_in(&self.case_of(scales), &self.spots)
    }

    /// The check that a part does not meet with room to spare, the worst first; `None` where it meets all.
    fn missed(&self, scales: Scales) -> Result<Option<Finding>, Failure> {
        let key = scales.map(f64::to_bits);
        let known = self.known.lock().unwrap_or_else(PoisonError::into_inner).get(&key).cloned();
        if let Some(found) = known {
            return Ok(found);
        }
        let unmet = |finding: Finding| self.lacks(&finding).map(|lacks| (lacks, finding));
        let unmet = self.seen(scales)?.findings.into_iter().filter_map(unmet);
        let found = unmet.reduce(|a, b| if b.0 > a.0 { b } else { a }).map(|(_, finding)| finding);
        self.known.lock().unwrap_or_else(PoisonError::into_inner).insert(key, found.clone());
        Ok(found)
    }

    /// What a check that is not met lacks, in uncertainties: those that full looks have found, and some room; infinite where it is
    /// missed otherwise.
    fn lacks(&self, finding: &Finding) -> Option<f64> {
        if finding.outcome > Outcome::NoWorse && finding.state != State::Open {
            return Some(f64::INFINITY);
        }
        let (Some(margin), true) = (least_margin(finding), finding.state != State::Missed) else {
            return (finding.outcome > Outcome::NoWorse).then_some(f64::INFINITY);
        };
        let doubt = self.doubt(finding);
        if doubt == 0.0 {
            // A count, or an event: what comes before it has the doubt.
            return (finding.outcome > Outcome::NoWorse).then_some(f64::INFINITY);
        }
        let lacks = 1.0 + self.room - margin / doubt;
        (is_simulated(finding) && lacks > 0.0 || finding.outcome > Outcome::NoWorse).then_some(lacks)
    }

    /// Expanded uncertainty of a check.
    fn doubt(&self, finding: &Finding) -> f64 {
        self.doubts.get(&finding.key()).map_or(finding.value.uncertainty, |known| known.max(finding.value.uncertainty))
    }

    /// A vertex of the box that does not pass; those that failed before are asked first.
    fn failing(&self, reach: &Reach) -> Result<Option<Scales>, Failure> {
        let ranges = reach.ranges();
        let known = self.critical.lock().unwrap_or_else(PoisonError::into_inner).clone();
        let others = (0..VERTICES).filter(|number| !known.contains(number)).collect();
        for group in [known.clone(), others] {
            let fails = |&number: &usize| Ok(self.missed(vertex(&ranges, number))?.is_some());
            let found = group.par_iter().map(fails).collect::<Result<Vec<bool>, Failure>>()?;
            let failed: Vec<usize> =
                group.iter().zip(found).filter(|(_, fails)| *fails).map(|(number, _)| *number).collect();
            if let Some(&number) = failed.first() {
                let mut critical = self.critical.lock().unwrap_or_else(PoisonError::into_inner);
                critical.extend(failed.iter().filter(|number| !known.contains(number)));
                return Ok(Some(vertex(&ranges, number)));
            }
        }
        Ok(None)
    }

    fn passes(&self, reach: &Reach) -> Result<bool, Failure> {
        Ok(self.failing(reach)?.is_none())
    }

    /// The box grown until each side is stopped.
    fn grown(&self) -> Result<Reach, Failure> {
        let farthest = FARTHEST.ln();
        let mut reach = Reach { sides: [0.0; SIDES.len()], stopped_at: [None; SIDES.len()] };
        let mut growing: Vec<usize> = (0..SIDES.len()).collect();
        let mut grown = 0.0;
        while !growing.is_empty() {
            let at = |by: f64| {
                let mut moved = reach.clone();
                growing.iter().for_each(|&side| moved.sides[side] = (by * self.wish.weights[side]).min(farthest));
                moved
            };
            let most = growing.iter().map(|&side| farthest / self.wish.weights[side]).fold(0.0, f64::max);
            grown = last_that_holds(grown, most, |by| self.passes(&at(by)))?;
            reach = at(grown);
            let stopped = self.stopped(&mut reach, &growing)?;
            growing.retain(|side| !stopped.contains(side));
        }
        Ok(reach)
    }

    /// Which of some sides are stopped where they stand: at the farthest, or by a check when they alone go on.
    fn stopped(&self, reach: &mut Reach, growing: &[usize]) -> Result<Vec<usize>, Failure> {
        let farthest = FARTHEST.ln();
        let mut stopped = vec![];
        for &side in growing {
            if reach.sides[side] >= farthest {
                stopped.push(side);
            } else if let Some(at) = self.failing(&reach.with(side, reach.sides[side] + 2.0 * EXACT))? {
                reach.stopped_at[side] = Some(at);
                stopped.push(side);
            }
        }
        if stopped.is_empty() {
            // Only together do they go too far: none of them goes on.
            return Ok(growing.to_vec());
        }
        Ok(stopped)
    }

    /// Looks at the vertices in full, those that have failed before first; where one does not pass is looked at from now on. Whether all
    /// pass.
    fn finds_nothing_new(&mut self, reach: &Reach) -> Result<bool, Failure> {
        let ranges = reach.ranges();
        let known = self.critical.lock().unwrap_or_else(PoisonError::into_inner).clone();
        let others = (0..VERTICES).filter(|number| !known.contains(number)).collect();
        for group in [known, others] {
            let in_full = |&number: &usize| self.screen.in_full(&self.case_of(vertex(&ranges, number)));
            let found = group.par_iter().map(in_full).collect::<Result<Vec<Verdict>, Failure>>()?;
            let (mut all_pass, mut anything_new) = (true, false);
            for finding in found.iter().flat_map(|verdict| &verdict.findings) {
                if finding.outcome > Outcome::NoWorse {
                    all_pass = false;
                    anything_new |= self.learns(finding);
                }
            }
            if !all_pass {
                self.room *= if anything_new { 1.0 } else { 2.0 };
                self.known.lock().unwrap_or_else(PoisonError::into_inner).clear();
                return Ok(false);
            }
        }
        Ok(true)
    }

    /// From a check that does not pass in full: where to look besides, or how doubtful it is. Whether that is new.
    fn learns(&mut self, finding: &Finding) -> bool {
        if is_simulated(finding) && self.adds(finding) {
            return true;
        }
        let (known, found) = (self.doubt(finding), finding.value.uncertainty);
        let is_more = finding.state == State::Open
            && found > (1.0 + self.room) * self.doubts.get(&finding.key()).copied().unwrap_or(0.0);
        if is_more {
            self.doubts.insert(finding.key(), found.max(known));
        }
        is_more
    }

    fn finish(&self, screen: &Screen, reach: Reach) -> Result<Specification, NoBox> {
        let ranges = reach.ranges();
        let stops = (0..SIDES.len()).map(|side| self.stop(&reach, side)).collect::<Result<Vec<_>, Failure>>()?;
        let trades = self.trades(&reach, &stops)?;
        let inside = self.random_inside(&ranges);
        let passes =
            |scales: &Scales| Ok(self.seen(*scales)?.findings.iter().all(|found| found.outcome <= Outcome::NoWorse));
        let passed = inside.par_iter().map(passes).collect::<Result<Vec<bool>, Failure>>()?;
        let passed = passed.into_iter().filter(|passes| *passes).count();
        let proof = Proof { vertices: VERTICES, random: (inside.len(), passed), places: self.spots.len() };
        Ok(Specification { case: screen.case().clone(), ranges, stops, trades, proof })
    }

    /// What stops a side, and whether it does: beyond it by the uncertainty of the check a part does not pass.
    fn stop(&self, reach: &Reach, side: usize) -> Result<Stop, Failure> {
        let factor = SIDES[side].factor(reach.sides[side]);
        let stop = |by, holds| Stop { side: SIDES[side], factor, by, holds };
        let Some(at) = reach.stopped_at[side] else { return Ok(stop(None, true)) };
        let Some(mut by) = self.missed(at)? else { return Ok(stop(None, false)) };
        by.value.uncertainty = self.doubt(&by);
        let axis = axis_number(SIDES[side].axis);
        let moved = |by: f64| {
            let mut scales = at;
            scales[axis] = SIDES[side].factor(reach.sides[side] + by);
            scales
        };
        let margin = |scales: Scales| -> Result<Option<f64>, Failure> {
            Ok(self.seen(scales)?.findings.iter().find(|known| known.key() == by.key()).and_then(least_margin))
        };
        // How far out the check uses up another uncertainty, by its slope.
        let (Some(here), Some(inside)) = (margin(at)?, margin(moved(-SLOPE_OVER))?) else {
            return Ok(stop(Some(by), true));
        };
        let per_log = (inside - here) / (SLOPE_OVER + 2.0 * EXACT);
        let out = if per_log > 0.0 { self.doubt(&by) / per_log } else { f64::INFINITY };
        let outside = self.seen(moved(out.clamp(2.0 * EXACT, FARTHEST.ln())))?;
        // Without the room that growing keeps.
        let is_unmet = |finding: &Finding| {
            finding.outcome > Outcome::NoWorse
                || least_margin(finding).is_some_and(|margin| margin < self.doubt(finding))
        };
        let holds = outside.findings.iter().filter(|finding| is_simulated(finding)).any(is_unmet);
        Ok(stop(Some(by), holds))
    }

    /// For each side that a check stops, how far it goes where one other side is left at the original.
    fn trades(&self, reach: &Reach, stops: &[Stop]) -> Result<Vec<Trade>, Failure> {
        let mut trades = vec![];
        for (side, stop) in stops.iter().enumerate().filter(|(_, stop)| stop.by.is_some()) {
            for other in (0..SIDES.len()).filter(|other| SIDES[*other].axis != stop.side.axis) {
                let held = reach.with(other, 0.0);
                let from = reach.sides[side];
                if !self.passes(&held.with(side, from + WORTH_TELLING))? {
                    continue;
                }
                let to = last_that_holds(from + WORTH_TELLING, FARTHEST.ln(), |by| self.passes(&held.with(side, by)))?;
                let (side, other) = (stop.side, SIDES[other]);
                trades.push(Trade { side, factor: side.factor(to), other, at: 1.0 });
            }
        }
        Ok(trades)
    }

    /// Parts inside the ranges, even in the logarithm of each factor.
    fn random_inside(&self, ranges: &Ranges) -> Vec<Scales> {
        let mut random = ChaCha8Rng::seed_from_u64(self.wish.seed);
        let mut share = move || (random.next_u64() >> 11) as f64 / (1u64 << 53) as f64;
        (0..self.wish.random)
            .map(|_| std::array::from_fn(|axis| ranges[axis].0 * (ranges[axis].1 / ranges[axis].0).powf(share())))
            .collect()
    }
}

/// Margin to the limit with absent data at the end that hurts.
fn least_margin(finding: &Finding) -> Option<f64> {
    let limit = finding.limit?;
    let number = finding.value.value.number()?;
    let (low, high) = finding.value.ends.unwrap_or((number, number));
    Some([number, low, high].map(|value| margin(value, &limit)).into_iter().fold(f64::INFINITY, f64::min))
}

fn is_simulated(finding: &Finding) -> bool {
    condition::find(finding.place.condition).is_some_and(|condition| !condition.is_data())
}

/// The last of two numbers and those between at which something holds, found by halving; it holds at the first.
fn last_that_holds(from: f64, to: f64, holds: impl Fn(f64) -> Result<bool, Failure>) -> Result<f64, Failure> {
    if holds(to)? {
        return Ok(to);
    }
    let (mut good, mut bad) = (from, to);
    while bad - good > EXACT {
        let middle = 0.5 * (good + bad);
        if holds(middle)? { good = middle } else { bad = middle }
    }
    Ok(good)
}
