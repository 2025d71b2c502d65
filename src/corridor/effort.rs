//! How much a closer look simulates: what the base has cost tells what each further run will, and what would take too long is left out.
//! What is left out leaves its checks open.

use crate::condition::contract::Found;
use crate::condition::figures::Place;
use std::sync::atomic::{AtomicU64, Ordering};

/// Work of a closer look at each part at most, in plain stretches: half a minute of one core. Ordinary boards take up to two thirds of it.
const MOST: u64 = 20_000_000;

/// Steps of a closer look, with the share of what is left that each may use: corners are looked for first, and come in four turns.
#[derive(Clone, Copy)]
pub(super) enum Step {
    Corners,
    Doubts,
    Ranges,
}

impl Step {
    fn share(self) -> f64 {
        match self {
            Step::Corners => 0.2,
            Step::Doubts => 0.6,
            Step::Ranges => 0.2,
        }
    }
}

/// A part, a condition and the number of its load step or profile.
pub(super) type Run = (usize, &'static str, usize);

/// The run of a part in a place.
pub(super) fn run_of(part: usize, place: &Place) -> Run {
    (part, place.condition, place.load)
}

/// What is left to be simulated, and what a run costs.
pub(super) struct Effort {
    /// Mean work of a run of each part in each condition and load.
    costs: Vec<(Run, u64)>,
    left: AtomicU64,
    left_out: AtomicU64,
}

impl Effort {
    /// What a base has cost, part by part.
    pub(super) fn of(found: &[Vec<Found>]) -> Effort {
        let mut sums: Vec<(Run, (u64, u64))> = vec![];
        for (part, found) in found.iter().enumerate() {
            for found in found {
                let key = run_of(part, &found.figures.place);
                match sums.iter_mut().find(|(known, _)| *known == key) {
                    Some((_, sum)) => *sum = (sum.0 + found.work, sum.1 + 1),
                    None => sums.push((key, (found.work, 1))),
                }
            }
        }
        let costs = sums.into_iter().map(|(key, (work, runs))| (key, work / runs)).collect();
        Effort { costs, left: AtomicU64::new(MOST * found.len() as u64), left_out: AtomicU64::new(0) }
    }

    fn cost(&self, run: Run) -> u64 {
        self.costs.iter().find(|(key, _)| *key == run).map_or(0, |(_, cost)| *cost)
    }

    /// Runs that were left out so far.
    pub(super) fn left_out(&self) -> u64 {
        self.left_out.load(Ordering::Relaxed)
    }

    /// Whether some runs of each of these parts and conditions are worth their time in a step.
    pub(super) fn affords(&self, step: Step, runs: u64, of: impl Iterator<Item = Run>) -> bool {
        let cost: u64 = of.map(|run| runs * self.cost(run)).sum();
        cost as f64 <= self.left.load(Ordering::Relaxed) as f64 * step.share()
    }

    /// Which of some runs are worth their time in a step: the cheap ones first.
    pub(super) fn admit(&self, step: Step, runs: &[(usize, Place)]) -> Vec<bool> {
        let costs: Vec<u64> = runs.iter().map(|(part, place)| self.cost(run_of(*part, place))).collect();
        let mut order: Vec<usize> = (0..runs.len()).collect();
        order.sort_by_key(|&number| costs[number]);
        let left = self.left.load(Ordering::Relaxed);
        let most = (left as f64 * step.share()) as u64;
        let (mut admitted, mut spent) = (vec![false; runs.len()], 0);
        for number in order {
            if spent + costs[number] > most {
                break;
            }
            spent += costs[number];
            admitted[number] = true;
        }
        self.left.store(left - spent, Ordering::Relaxed);
        let left_out = admitted.iter().filter(|admitted| !**admitted).count();
        self.left_out.fetch_add(left_out as u64, Ordering::Relaxed);
        admitted
    }
}
