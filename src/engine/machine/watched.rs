//! Everything that may end a stretch, as rows that become non-negative.

use super::Machine;
use crate::board::{Comparator, LimitSense, LowSide};
use crate::engine::compensator::{self, Analog};
use crate::engine::mode::{Event, Ramping};
use crate::engine::network::{FLUX_STATE, ModeKey, Network, Path, Sink};
use crate::engine::row::{Input, Row};

/// Overlap of neighbouring pieces of the saturation curve, relative to the first knot: keeps a crossing from being found again.
pub(super) const KNOT_OVERLAP: f64 = 1e-9;

/// Overlap of the parts of a load's characteristic, relative to the output aimed at, for the same reason.
const LOAD_OVERLAP: f64 = 1e-9;

/// Voltage in V beyond its forward voltage at which a diode begins to conduct, for the same reason.
const WAKE_OVERLAP_V: f64 = 1e-3;

/// Overlap at the amplifier's clamps in V, for the same reason.
const CLAMP_OVERLAP_V: f64 = 1e-9;

impl Machine {
    /// Everything that may end a stretch in a mode, as rows that become non-negative.
    pub(super) fn watched_rows(&self, network: &Network, key: ModeKey) -> Vec<(Event, Row, Ramping)> {
        let still = |(event, row): (Event, Row)| (event, row, Ramping::NONE);
        let mut rows: Vec<(Event, Row, Ramping)> = self.knot_rows(key).into_iter().map(still).collect();
        let current = network.inductor_a;
        let emulation = matches!(self.circuit.board.stage.low_side, LowSide::Switch { emulation: true, .. });
        match key.path {
            Path::LowDiode => rows.push(still((Event::Zero, -current))),
            Path::Low if emulation => rows.push(still((Event::Zero, -current))),
            Path::HighDiode => rows.push(still((Event::Zero, current))),
            _ => {}
        }
        rows.extend(self.comparator(network, key.path).map(|(row, ramp)| (Event::Trip, row, ramp)));
        rows.extend(self.asking_comparator(network, key.path).map(|row| still((Event::Ask, row))));
        rows.extend(self.limit_row(network, key.path));
        rows.extend(self.amplifier_rows(network, key.analog).into_iter().map(still));
        rows.extend(self.load_rows(network, key).into_iter().map(still));
        if key.path == Path::Idle {
            let diode = Row::constant(self.circuit.diode().0 + WAKE_OVERLAP_V);
            rows.push(still((Event::Wake(Path::LowDiode), -network.output_v - diode)));
            rows.push(still((Event::Wake(Path::HighDiode), network.output_v - Row::input(Input::Source) - diode)));
        }
        rows
    }

    /// Where a load that follows the output goes on differently.
    pub(super) fn load_rows(&self, network: &Network, key: ModeKey) -> Vec<(Event, Row)> {
        let mut rows = vec![];
        let overlap_v = LOAD_OVERLAP * self.circuit.board.output_v;
        if self.circuit.load_w > 0.0 {
            let (low_v, high_v) = self.circuit.cell_edges_v(key.load_cell);
            rows.push((Event::LoadCell(1), network.load_v - Row::constant(high_v + overlap_v)));
            if low_v.is_finite() {
                rows.push((Event::LoadCell(-1), Row::constant(low_v - overlap_v) - network.load_v));
            }
        }
        let Some(knee_s) = self.circuit.knee_s() else { return rows };
        let short_of = network.load_v * knee_s - Row::input(Input::Load);
        let (above, overlap_a) = (Row::constant(overlap_v), Row::constant(overlap_v * knee_s));
        match key.sink {
            Sink::Full => rows.push((Event::Sink(Sink::Knee), -short_of - overlap_a)),
            Sink::Knee => {
                rows.push((Event::Sink(Sink::Full), short_of - overlap_a));
                rows.push((Event::Sink(Sink::Off), -network.load_v - above));
            }
            Sink::Off => rows.push((Event::Sink(Sink::Knee), network.load_v - above)),
        }
        rows
    }

    /// Comparator of the current limit, where it is looked at.
    pub(super) fn limit_row(&self, network: &Network, path: Path) -> Option<(Event, Row, Ramping)> {
        let limit = self.circuit.board.control.protection.current_limit?;
        let threshold = Row::constant(self.circuit.limit_threshold());
        match (limit.sense, path) {
            (LimitSense::Peak { falls_with_slope }, Path::High) => {
                let slope = if falls_with_slope { self.modulator().slope_compensation_a_per_s() } else { 0.0 };
                Some((Event::Limit, network.inductor_a - threshold, Ramping::fixed(slope)))
            }
            (LimitSense::Winding { .. }, Path::High) => {
                Some((Event::Limit, network.sense_v - threshold, Ramping::NONE))
            }
            (LimitSense::Valley, Path::Low | Path::LowDiode) => {
                Some((Event::Valley, threshold - network.inductor_a, Ramping::NONE))
            }
            _ => None,
        }
    }

    pub(super) fn knot_rows(&self, key: ModeKey) -> Vec<(Event, Row)> {
        let table = &self.circuit.flux;
        if table.segments() == 1 || key.path == Path::Idle {
            return vec![];
        }
        let overlap = KNOT_OVERLAP * table.segment(0).flux_high_wb;
        let piece = table.segment(key.segment.unsigned_abs() as usize);
        let (low, high) = match key.segment {
            0 => (-piece.flux_high_wb, piece.flux_high_wb),
            k if k > 0 => (piece.flux_low_wb, piece.flux_high_wb),
            _ => (-piece.flux_high_wb, -piece.flux_low_wb),
        };
        let flux = Row::state(FLUX_STATE);
        let mut rows = vec![];
        if high.is_finite() {
            rows.push((Event::Knot(1), flux - Row::constant(high + overlap)));
        }
        if low.is_finite() {
            rows.push((Event::Knot(-1), Row::constant(low - overlap) - flux));
        }
        rows
    }

    /// Comparator that ends a pulse, where it is looked at: its row, and the slope of its ramp per second of phase.
    pub(super) fn comparator(&self, network: &Network, path: Path) -> Option<(Row, Ramping)> {
        let comparator = self.modulator().turn_off(self.period_s)?;
        let ramp = Ramping { fixed: comparator.ramp, per_input_v: comparator.ramp_per_input_v };
        (comparator.always || path == Path::High).then(|| (comparator_row(&comparator, network) + network.probe, ramp))
    }

    /// Comparator that asks for a turn-on where there is no clock.
    pub(super) fn asking_comparator(&self, network: &Network, path: Path) -> Option<Row> {
        let comparator = self.modulator().turn_on()?;
        (path != Path::High).then(|| comparator_row(&comparator, network))
    }

    pub(super) fn amplifier_rows(&self, network: &Network, analog: Analog) -> Vec<(Event, Row)> {
        let Some((low_v, high_v)) = compensator::clamp_v(&self.circuit.board.control.compensator) else {
            return vec![];
        };
        let control = network.control_v;
        match analog {
            Analog::Linear => vec![
                (Event::Amplifier(Analog::ClampHigh), control - Row::constant(high_v + CLAMP_OVERLAP_V)),
                (Event::Amplifier(Analog::ClampLow), Row::constant(low_v - CLAMP_OVERLAP_V) - control),
            ],
            Analog::ClampHigh => vec![(Event::Amplifier(Analog::Linear), -network.drive)],
            Analog::ClampLow => vec![(Event::Amplifier(Analog::Linear), network.drive)],
        }
    }
}

/// What a comparator sees, without its ramp.
fn comparator_row(comparator: &Comparator, network: &Network) -> Row {
    network.inductor_a * comparator.current
        + network.control_v * comparator.control
        + Row::input(Input::Reference) * comparator.reference
        + Row::constant(comparator.constant)
}
