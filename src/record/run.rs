//! A comparison as it was asked for, so that it can be run once more.

use super::curves::Curves;
use super::digits;
use super::layout::{Record, RunRecord};
use super::machine::instruction_set;
use crate::condition::CONDITIONS;
use crate::corridor::{Depth, calibrated};
use crate::error::Error;
use crate::model::case::{Calibration, Case};

/// Compares what is asked of a case, for people: the record as it is published. With a calibration it compares without and with it.
/// `progress` is told how many of how many jobs have been done.
///
/// # Errors
/// Those of [`super::compare`] and of [`super::cross_check`].
pub fn compare(
    mut case: Case,
    calibration: Option<&Calibration>,
    asked: &RunRecord,
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Result<(Record, Curves), Error> {
    let number = |name: &String| case.parts.iter().position(|part| part.name == *name);
    let wanted: Vec<usize> = asked.only.iter().filter_map(number).collect();
    if !wanted.is_empty() {
        case.keep_parts(&wanted);
    }
    if !asked.only_conditions.is_empty() {
        let names = CONDITIONS.iter().map(|condition| condition.name());
        case.only_conditions =
            Some(names.filter(|name| asked.only_conditions.iter().any(|only| only == name)).collect());
    }
    let depth = if asked.quick { Depth::Quick } else { Depth::Full };
    let without = match calibration {
        Some(_) => Some(super::compare(&case, depth, progress)?.0),
        None => None,
    };
    let taken = calibrated::take(&mut case, calibration.map_or(&[], |calibration| &calibration.data));
    let (mut record, curves) = super::compare(&case, depth, progress)?;
    if let Some((calibration, without)) = calibration.zip(without) {
        let of_board = super::calibrated::taken(calibration, taken);
        record.calibration = Some(super::calibrated::record(of_board, &without, &record));
    }
    if asked.cross_check {
        record.cross_check = super::cross_check(&case)?;
    }
    record.run = RunRecord { machine: machine(), ..asked.clone() };
    Ok((digits::published(record), curves))
}

/// Instruction set and system, on which the last digits depend.
fn machine() -> String {
    format!("{}, {}", instruction_set(), std::env::consts::OS)
}
