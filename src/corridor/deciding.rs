//! The waveforms by which an outcome is decided: the run of the most urgent check that a curve shows, repeated with its curve kept, and
//! the original beside it on the same board.

use super::ends::{Part, posed_at};
use crate::condition;
use crate::condition::curves::{Curve, Reading, Signal, reading_of};
use crate::condition::figures::Failure;
use crate::condition::stand::Stand;
use crate::judge::finding::{Asked, Finding};
use crate::judge::{Outcome, Verdict};
use crate::model::case::Case;
use rayon::prelude::*;

/// What decides on a part, as a waveform.
pub struct Deciding {
    /// Number of the part.
    pub part: usize,
    /// Number of the finding among those of its verdict.
    pub finding: usize,
    /// Waveform from which its quantity is read, and how.
    pub reading: (Signal, Reading),
    /// What runs of the part in that place show; several where the condition begins at several phases.
    pub substitute: Vec<Curve>,
    /// The same of the original.
    pub original: Vec<Curve>,
}

/// The curves of every substitute that fails or is open on a check that a curve shows.
///
/// # Errors
/// An interruption.
pub(super) fn search(case: &Case, verdicts: &[Verdict]) -> Result<Vec<Deciding>, Failure> {
    let found: Vec<Result<Option<Deciding>, Failure>> =
        verdicts.par_iter().map(|verdict| of_part(case, verdict)).collect();
    Ok(found.into_iter().collect::<Result<Vec<_>, Failure>>()?.into_iter().flatten().collect())
}

fn of_part(case: &Case, verdict: &Verdict) -> Result<Option<Deciding>, Failure> {
    if verdict.part == 0 || verdict.outcome <= Outcome::NoWorse {
        return Ok(None);
    }
    let Some(number) = verdict.findings.iter().position(is_shown_by_a_curve) else { return Ok(None) };
    let finding = &verdict.findings[number];
    let Some(reading) = reading_of(finding.quantity.id) else { return Ok(None) };
    let substitute = curves(case, verdict.part, finding)?;
    if substitute.is_empty() {
        return Ok(None);
    }
    let original = curves(case, 0, finding)?;
    Ok(Some(Deciding { part: verdict.part, finding: number, reading, substitute, original }))
}

fn is_shown_by_a_curve(finding: &Finding) -> bool {
    // An agreed change is held against what the original shows.
    let original = || finding.original.as_ref().is_some_and(|original| original.value.number().is_some());
    let asked = finding.limit.is_some() && (matches!(finding.asked, Asked::Requirement(_)) || original());
    let valued = finding.value.value.number().is_some();
    asked && valued && finding.outcome > Outcome::NoWorse && reading_of(finding.quantity.id).is_some()
}

/// The run of a finding, with absent data at the ends that hurt it: of another part those of the board.
fn curves(case: &Case, part: usize, finding: &Finding) -> Result<Vec<Curve>, Failure> {
    let place = finding.place;
    let Some(condition) = condition::find(place.condition) else { return Ok(vec![]) };
    let ends = finding.worst_ends.iter().filter(|(datum, _)| part != 0 || !datum.of_part).copied().collect::<Vec<_>>();
    let posed = posed_at(case, &Part::doubts_of(case, part), part, &ends, None);
    let input_v = place.input_v.unwrap_or(posed.board.nominal_input_v);
    let stand = Stand::new(&posed, &posed.parts[0], place.corner, input_v).watched();
    Ok(super::found(condition, &stand, place)?.curves)
}
