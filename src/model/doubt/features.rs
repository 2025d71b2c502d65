//! What a controller may have and nobody says: run with and without. The board is simulated without; a datum of 1 has it.

use super::{Acts, BOARD_MAKER, Datum, Place, Present, Rule};
use crate::model::board::{Board, Compensator, CurrentLimit, Foldback, Hiccup, LimitSense, Modulator, Protection};
use crate::model::parts::Inductor;
use crate::units::Dimension::Number;

/// Limited cycles before a pause, the fewest that are usual, and the pause in soft starts.
const HICCUP: (u64, f64) = (4, 10.0);
/// Inhibit as a share of the typical threshold of a limit that is stated as a current, as a multiple of the full load where it is not, and
/// at least: the board delivers it.
const INHIBIT: (f64, f64, f64) = (0.85, 1.3, 1.05);
/// Frequency foldback: share of the output below which it acts, and every which clock edge is left.
const FOLDBACK: Foldback = Foldback { below: 0.5, divisor: 4 };
/// Peak current below which a pulse is left out, as a share of the typical threshold of the limit, or of the full load where there is none.
const SKIPPING: (f64, f64) = (0.12, 0.2);

/// A row of the table: the board is shown without the feature.
const fn feature(
    key: &'static str,
    label: &'static str,
    read: fn(&Board, &Inductor, usize) -> Present,
    set: fn(&mut Board, &mut Inductor, usize, f64),
) -> Rule {
    let rule = Rule::new(key, label, Number, Place::Board, Datum::Own { read, set }).absent(0.0, 0.0, 1.0);
    Rule { is_feature: true, ..rule.ask(BOARD_MAKER) }
}

/// The rows.
#[rustfmt::skip] // one row a paragraph, as a table
pub static RULES: &[Rule] = &[
    feature("control.current_limit.hiccup_cycles", "hiccup: a pause after 4 limited cycles", |b, _, _| asked(limit(b).is_some(), protection(b).unanswered.hiccup),
        |b, _, _, value| if has(value) { set_hiccup(b) }).acts(Acts::Limit),
    feature("control.current_limit.inhibit", "inhibit: no pulse while the low side carries 0.85 of the threshold", |b, _, _| asked(is_clocked(b) && limit(b).is_some(), protection(b).unanswered.inhibit),
        |b, _, _, value| if has(value) { set_inhibit(b) }).acts(Acts::Limit),
    feature("control.foldback", "frequency foldback by 4 below half the output", |b, _, _| asked(is_clocked(b) && is_regulated(b), protection(b).unanswered.foldback),
        |b, _, _, value| if has(value) { b.control.protection.foldback = Some(FOLDBACK) }).acts(Acts::Limit),
    feature("control.modulator.skip_below", "pulse skipping at light load", |b, _, _| asked(matches!(b.control.modulator, Modulator::PeakCurrent { .. }), protection(b).unanswered.skipping),
        |b, _, _, value| if has(value) { set_skipping(b) }),
];

fn protection(board: &Board) -> &Protection {
    &board.control.protection
}

fn limit(board: &Board) -> Option<CurrentLimit> {
    protection(board).current_limit
}

fn is_clocked(board: &Board) -> bool {
    !matches!(board.control.modulator, Modulator::ConstantOnTime { .. } | Modulator::Hysteretic { .. })
}

fn is_regulated(board: &Board) -> bool {
    board.control.compensator != Compensator::Open || board.control.aim.is_some()
}

fn asked(has_place: bool, is_unanswered: bool) -> Present {
    if has_place && is_unanswered { Present::Missing } else { Present::NotHere }
}

/// Half way stands for neither.
fn has(value: f64) -> bool {
    value > 0.5
}

/// Typical threshold in A; `None` without a limit, or with one that looks at the voltage across the winding.
fn typical_a(board: &Board) -> Option<f64> {
    let by_current = |limit: &CurrentLimit| !matches!(limit.sense, LimitSense::Winding { .. });
    limit(board).filter(by_current).map(|limit| limit.threshold.1)
}

fn set_hiccup(board: &mut Board) {
    let pause_s = HICCUP.1 * board.control.protection.soft_start_s.max(1.0 / board.frequency_hz);
    if let Some(limit) = &mut board.control.protection.current_limit {
        limit.hiccup = Some(Hiccup { cycles: HICCUP.0, pause_s });
    }
}

fn set_inhibit(board: &mut Board) {
    let full_a = board.full_load_a();
    let inhibit_a =
        typical_a(board).map_or(INHIBIT.1 * full_a, |typical_a| (INHIBIT.0 * typical_a).max(INHIBIT.2 * full_a));
    if let Some(limit) = &mut board.control.protection.current_limit {
        limit.inhibit_a = Some(inhibit_a);
    }
}

fn set_skipping(board: &mut Board) {
    let by_load_a = SKIPPING.1 * board.full_load_a();
    board.control.protection.skip_below_a = typical_a(board).map_or(by_load_a, |typical_a| SKIPPING.0 * typical_a);
}
