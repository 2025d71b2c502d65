//! The first of the events that may end a stretch.

use super::step::{Ends, Reached};
use crate::engine::crossing::{Node, Track, Unresolved};
use crate::engine::modal::{Flow, Modal};
use crate::engine::mode::{Event, Mode, NO_WATCH};
use crate::engine::network::Sink;
use crate::engine::row::StateVector;
use crate::engine::run_state::{RunState, Stage};

/// Which events count in a stage.
fn is_armed(state: &RunState, event: Event) -> bool {
    let stage = state.stage;
    match event {
        Event::Trip => state.turn_off.modulator_s.is_none() && matches!(stage, Stage::LeadDead { .. } | Stage::On),
        Event::Limit => state.turn_off.limit_s.is_none() && stage == Stage::On,
        Event::Ask => matches!(stage, Stage::Off | Stage::Rest { .. }),
        Event::Valley => stage == Stage::Held,
        // What is programmed below zero makes up for what follows the output: it has no knee.
        Event::Sink(Sink::Knee) => stage != Stage::Edge && (state.sink == Sink::Off || state.programmed_a() > 0.0),
        // An edge takes no time.
        _ => stage != Stage::Edge,
    }
}

/// Moves the present instant, at a time `at` of a stretch that began at the phase `begin_s`, to the next one.
pub(super) fn reach(
    mode: &mut Mode,
    state: &mut RunState,
    begin_s: f64,
    mut ends: Ends,
    at: &mut Node,
    end: &mut StateVector,
) -> Result<Reached, Event> {
    let (now_s, phase_s) = (at.t_s, state.phase_s);
    let time_at = |end_s: f64| now_s + (end_s - phase_s).max(0.0);
    at.t_s = time_at(ends.first_s());
    let mut event = earliest_event(mode, state, (begin_s, now_s), |event| is_armed(state, event), at, end)?;
    if event.is_some_and(Event::is_comparator) && at.t_s < time_at(ends.looked_s) {
        // Too early: what a comparator says as it begins to be looked at counts.
        ends.stage_s = ends.looked_s;
        at.t_s = time_at(ends.first_s());
        let armed = |event: Event| !event.is_comparator() && is_armed(state, event);
        event = earliest_event(mode, state, (begin_s, now_s), armed, at, end)?;
    }
    match event {
        Some(event) => {
            debug_assert!(at.t_s >= now_s, "what is watched was negative up to the present instant");
            state.phase_s += at.t_s - now_s;
            Ok(Reached::Event(event))
        }
        None => {
            state.phase_s = state.phase_s.max(ends.first_s());
            Ok(ends.reached())
        }
    }
}

/// Writes the state at an instant; where no time has passed it is the first one to the last bit.
fn end_state(modal: &Modal, flow: &Flow, at: &Node, end: &mut StateVector) {
    if at.t_s > 0.0 {
        modal.state_into(flow, at.t_s, &at.basis, end);
    } else {
        *end = flow.start;
    }
}

/// The first event before `at`, to which and whose state `at` and `end` are moved; without one `end` is moved to the state at `at`. Up to
/// `passed_s` there is none.
fn earliest_event(
    mode: &mut Mode,
    state: &RunState,
    (begin_s, passed_s): (f64, f64),
    armed: impl Fn(Event) -> bool,
    at: &mut Node,
    end: &mut StateVector,
) -> Result<Option<Event>, Event> {
    let (expected, allowed_s) = (mode.expected[usize::from(state.is_delayed())], at.t_s);
    // As a rule a mode ends as it did in the cycle before. What is left to show is then a shorter stretch.
    let mut found = ends_as_before(mode, expected, state, begin_s, &armed, at).then_some(expected);
    if found.is_none() {
        at.t_s = allowed_s;
        mode.anchors.basis_into(&mode.modal, allowed_s, &mut at.basis);
    }
    let shown_s = at.t_s;
    end_state(&mode.modal, &mode.flow, at, end);
    let clear = if mode.modal.is_dense() { 0 } else { mode.clear_watches(end, shown_s) };
    let (flow, modal) = (&mode.flow, &*mode.modal);
    let before = found;
    // The flux linkage goes straight to that end of its piece: it does not go to the other.
    let opposite = before.and_then(|index| match mode.watches[index].event {
        Event::Knot(direction) => Some(Event::Knot(-direction)),
        _ => None,
    });
    let bounds = &mut mode.bounds;
    for (index, watch) in mode.watches.iter_mut().enumerate() {
        if before == Some(index) || clear.checked_shr(index as u32).unwrap_or(0) & 1 == 1 || !armed(watch.event) {
            continue;
        }
        let slope = watch.ramp.slope(state.input_at_edge_v);
        let line = (slope * begin_s, slope);
        if !modal.is_dense() {
            let start = watch.at(&flow.start, 0.0) + line.0;
            if start < 0.0 && opposite == Some(watch.event) {
                continue;
            }
            // Most watches are far from their threshold all the way, or were met before and are being left: their chord and
            // its bounds say so.
            let shown = watch.at(end, shown_s) + line.0 + slope * shown_s;
            let far = start.max(shown) + bounds.chord(watch, (modal, flow), shown_s) < 0.0;
            if far || (start < 0.0 && start - shown > shown_s * bounds.slope(watch, (modal, flow), shown_s)) {
                continue;
            }
        }
        let track = Track::with_level(modal, flow, &watch.row, watch.level, line);
        at.value = track.value_at_basis(&at.basis, at.t_s);
        if track.first_crossing(at, watch.guess_s, passed_s).map_err(|Unresolved| watch.event)? {
            watch.crossed_at(at.t_s);
            found = Some(index);
        }
    }
    if found != before {
        end_state(modal, flow, at, end);
    }
    mode.expected[usize::from(state.is_delayed())] = found.unwrap_or(NO_WATCH);
    Ok(found.map(|index| mode.watches[index].event))
}

/// Whether the watch that ended the mode before crosses again near the same time, before `at`, which is then moved there.
fn ends_as_before(
    mode: &mut Mode,
    expected: usize,
    state: &RunState,
    begin_s: f64,
    armed: impl Fn(Event) -> bool,
    at: &mut Node,
) -> bool {
    let Some(watch) = mode.watches.get_mut(expected) else { return false };
    let Some(guess_s) = watch.guess_s.filter(|guess_s| *guess_s <= at.t_s && armed(watch.event)) else {
        return false;
    };
    let slope = watch.ramp.slope(state.input_at_edge_v);
    let line = (slope * begin_s, slope);
    let track = Track::with_level(&mode.modal, &mode.flow, &watch.row, watch.level, line);
    let bounds = |width_s: f64| mode.bounds.slope(watch, (&mode.modal, &mode.flow), width_s);
    let found = track.expected_crossing(guess_s, at.t_s, &mut mode.anchors, bounds, at);
    if found {
        watch.crossed_at(at.t_s);
    }
    found
}
