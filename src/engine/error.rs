//! What can stop a simulation.

use thiserror::Error;

/// A simulation that cannot be done or trusted.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum EngineError {
    /// Switching instants without end.
    #[error(
        "the control chatters: switching instants without end in cycle {cycle}, near {phase_s:.3e} s after the clock edge; a band, a delay or a shortest off-time above what the output steps by at an edge ends it"
    )]
    Chatter {
        /// Cycle in which it happened.
        cycle: u64,
        /// Time after the clock edge in s.
        phase_s: f64,
    },
    /// A search for a switching instant that was given up.
    #[error(
        "the search for {event} was given up after 100 000 intervals, in cycle {cycle} from {phase_s:.3e} s after the clock edge on: something rings too fast for its bounds"
    )]
    Unresolved {
        /// What was searched for.
        event: &'static str,
        /// Cycle in which it happened.
        cycle: u64,
        /// Time after the clock edge in s.
        phase_s: f64,
    },
    /// Too many stretches that only the matrix exponential propagates.
    #[error(
        "the run was given up in cycle {cycle}: {stretches} stretches between switching instants were propagated by the matrix exponential, which is slow; time constants of bank and amplifier that are further apart, or less far than many decades, end that"
    )]
    TooSlow {
        /// Cycle in which it happened.
        cycle: u64,
        /// Stretches propagated so.
        stretches: u64,
    },
    /// The state grew beyond all bounds.
    #[error("the simulation ran away in cycle {cycle}: the state is no longer finite")]
    RanAway {
        /// Cycle in which it happened.
        cycle: u64,
    },
    /// No periodic steady state.
    #[error(
        "no steady state was found: after {cycles} cycles the state still changes by {residual:.1e} (relative) from period to period"
    )]
    NoSteadyState {
        /// Cycles that were run.
        cycles: u64,
        /// Relative change from period to period.
        residual: f64,
    },
    /// The limit does not let the load have its current.
    #[error("the current limit does not deliver the load: {how}")]
    DoesNotDeliver {
        /// What happens instead.
        how: &'static str,
    },
    /// Two ideal capacitors in parallel.
    #[error("two capacitor branches have neither resistance nor inductance: join them into one")]
    TwoIdealBranches,
    /// More states than the engine holds.
    #[error("the network has {states} states, more than the {limit} that the engine holds: join capacitor branches")]
    TooManyStates {
        /// States needed.
        states: usize,
        /// States held.
        limit: usize,
    },
    /// The energy book does not close.
    #[error(
        "the energy book does not close: residual {residual:.1e} of the energy through the converter, allowed {allowed:.0e}"
    )]
    EnergyBook {
        /// Residual as a fraction.
        residual: f64,
        /// Allowed fraction.
        allowed: f64,
    },
    /// Stopped by the user.
    #[error("interrupted")]
    Interrupted,
    /// The independent integration failed.
    #[error("the independent integration failed: {0}")]
    CrossCheck(String),
}
