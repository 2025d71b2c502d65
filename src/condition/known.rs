//! What is known of a stand from one that is like it: where searches begin, and what need not be searched again.

use crate::engine::machine::Machine;
use crate::engine::row::StateVector;
use crate::engine::steady::Near;
use crate::loss::thermal::Start;

/// Steady states and temperatures near which those of a stand are looked for first.
#[derive(Clone, Debug, Default)]
pub struct Known {
    states: Vec<(Key, Near)>,
    windings: Vec<(f64, Start)>,
    /// Loads in A at which no other stable waveform was found.
    alone: Vec<f64>,
    /// Load in A of the largest ripple at light load.
    light_a: Option<f64>,
    /// Load in A of a steady state somewhat below the one from which an overload grew, and its state.
    growth: Option<(f64, StateVector)>,
}

/// What tells one machine's steady state from another's on the same stand.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Key {
    states: usize,
    instrument: bool,
    short: bool,
    resistor_ohm: Option<f64>,
    source_v: f64,
    load_a: f64,
}

impl Key {
    fn of(machine: &Machine, load_a: f64) -> Key {
        let circuit = &machine.circuit;
        Key {
            states: machine.states,
            instrument: circuit.instrument,
            short: circuit.short.is_some(),
            resistor_ohm: circuit.resistor.map(|(ohm, _)| ohm),
            source_v: circuit.source_v,
            load_a,
        }
    }
}

impl Known {
    /// As far as it holds in another corner: where to begin, not what was found there.
    pub fn elsewhere(&self) -> Known {
        Known { alone: vec![], light_a: None, ..self.clone() }
    }

    /// The last steady state of such a machine.
    pub(super) fn state(&self, machine: &Machine, load_a: f64) -> Option<&Near> {
        get(&self.states, &Key::of(machine, load_a))
    }

    pub(super) fn note_state(&mut self, machine: &Machine, load_a: f64, state: Near) {
        put(&mut self.states, Key::of(machine, load_a), state);
    }

    /// Where the search for the winding temperature at a load begins.
    pub(super) fn winding(&self, load_a: f64) -> Option<Start> {
        get(&self.windings, &load_a).copied()
    }

    pub(super) fn note_winding(&mut self, load_a: f64, start: Start) {
        put(&mut self.windings, load_a, start);
    }

    /// Whether it was found that there is no other stable waveform at a load.
    pub(super) fn is_alone(&self, load_a: f64) -> bool {
        self.alone.contains(&load_a)
    }

    pub(super) fn note_alone(&mut self, load_a: f64) {
        self.alone.push(load_a);
    }

    /// Load in A at which the ripple at light load was the largest.
    pub(super) fn light_a(&self) -> Option<f64> {
        self.light_a
    }

    /// Where the search begins for the steady state from which an overload grows.
    pub(super) fn growth(&self) -> Option<(f64, StateVector)> {
        self.growth
    }

    pub(super) fn note_growth(&mut self, from: (f64, StateVector)) {
        self.growth = Some(from);
    }

    pub(super) fn note_light_a(&mut self, load_a: f64) {
        self.light_a = Some(load_a);
    }
}

fn get<'a, K: PartialEq, V>(list: &'a [(K, V)], key: &K) -> Option<&'a V> {
    list.iter().find(|(known, _)| known == key).map(|(_, value)| value)
}

fn put<K: PartialEq, V>(list: &mut Vec<(K, V)>, key: K, value: V) {
    match list.iter_mut().find(|(known, _)| *known == key) {
        Some(entry) => entry.1 = value,
        None => list.push((key, value)),
    }
}
