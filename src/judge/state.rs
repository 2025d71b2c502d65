//! States of a check and outcomes of a part: the table of the decision rule.

#[cfg(feature = "shell")]
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// State of one check of one part, from best to worst.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "shell", derive(JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// Inside the limit by at least the expanded uncertainty, whatever is not known.
    Met,
    /// Neither met nor missed, or not computed.
    Open,
    /// Past the limit by more than the expanded uncertainty, whatever is not known.
    Missed,
}

/// Outcome of a check or of a part, from best to worst.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "shell", derive(JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// Met.
    Pass,
    /// Not met, and shown no worse than the original.
    NoWorse,
    /// The data decide neither way.
    Undecided,
    /// Missed, and not shown no worse than the original.
    Fail,
}

/// How a part compares with the original in one check.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Against {
    /// Shown no worse, within the allowance.
    NoWorse,
    /// Neither.
    Unknown,
    /// Shown worse, beyond the allowance.
    Worse,
}

/// Outcome of a check from the states of the substitute and the original. Against its own ratings (`alone`) a part is judged alone:
/// the original excuses nothing there.
pub fn outcome(substitute: State, original: State, against: Against, alone: bool) -> Outcome {
    match (substitute, original, against) {
        (State::Met, _, _) => Outcome::Pass,
        (State::Open, _, _) if alone => Outcome::Undecided,
        (State::Missed, _, _) if alone => Outcome::Fail,
        (State::Open, _, Against::NoWorse) => Outcome::NoWorse,
        (State::Open, _, _) => Outcome::Undecided,
        (State::Missed, State::Met, _) => Outcome::Fail,
        (State::Missed, _, Against::NoWorse) => Outcome::NoWorse,
        (State::Missed, _, Against::Worse) => Outcome::Fail,
        (State::Missed, _, Against::Unknown) => Outcome::Undecided,
    }
}

/// What all of some states allow to say together: met only if all are met, missed only if all are missed.
pub fn all_of(states: impl IntoIterator<Item = State>) -> State {
    let mut states = states.into_iter();
    let Some(first) = states.next() else { return State::Open };
    if states.all(|state| state == first) { first } else { State::Open }
}
