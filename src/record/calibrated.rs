//! What a calibration changes: the data of the board, and the same comparison without it and with it, check by check.

use super::layout::{CalibrationRecord, Check, MovedByCalibration, MovedDatum, Record, Verdict};
use crate::corridor::calibrated::Taken;
use crate::model::case::Calibration;

/// Share by which an uncertainty must change to be told.
const TOLD: f64 = 0.05;

/// What was taken of a calibration, for a result without another beside it.
pub fn taken(calibration: &Calibration, taken: Taken) -> CalibrationRecord {
    let datum = |moved: crate::corridor::calibrated::Moved| MovedDatum {
        datum: moved.key,
        label: moved.label,
        unit: moved.unit.si_unit().into(),
        before: moved.before,
        after: moved.after,
    };
    CalibrationRecord {
        board: calibration.board.clone(),
        data: taken.moved.into_iter().map(datum).collect(),
        left: taken.left.into_iter().map(|(key, why)| (key, why.to_string())).collect(),
        ..CalibrationRecord::default()
    }
}

/// The same with what came of it.
pub(super) fn record(of_board: CalibrationRecord, without: &Record, with: &Record) -> CalibrationRecord {
    let all = |record: &Record| std::iter::once(&record.original).chain(&record.verdicts).cloned().collect::<Vec<_>>();
    let (before, after) = (all(without), all(with));
    let pairs: Vec<(&Verdict, &Verdict)> = before.iter().zip(&after).collect();
    let outcomes = pairs.iter().filter(|(before, after)| before.outcome != after.outcome);
    CalibrationRecord {
        outcomes: outcomes.map(|(before, after)| (after.part.clone(), before.outcome, after.outcome)).collect(),
        checks: pairs.iter().flat_map(|(before, after)| moved(before, after)).collect(),
        ..of_board
    }
}

fn moved(before: &Verdict, after: &Verdict) -> Vec<MovedByCalibration> {
    let same = |check: &Check| before.checks.iter().find(|other| other.key == check.key);
    let pairs = after.checks.iter().filter_map(|check| Some((same(check)?, check)));
    let is_told = |(before, after): &(&Check, &Check)| {
        let (old, new) = (before.value.uncertainty, after.value.uncertainty);
        before.state != after.state || (new - old).abs() > TOLD * old.max(new)
    };
    let stand = |check: &Check| (check.state, check.value.value.clone(), check.value.uncertainty);
    let moved = |(old, new): (&Check, &Check)| MovedByCalibration {
        part: after.part.clone(),
        label: new.label.clone(),
        unit: new.unit.clone(),
        before: stand(old),
        after: stand(new),
    };
    pairs.filter(is_told).map(moved).collect()
}
