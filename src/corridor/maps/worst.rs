//! The corner that decides the case's own load step: from the search of corners on that condition alone.

use super::super::effort::Effort;
use super::super::{Failure, Look, base, corners, figures};
use super::Setting;
use crate::condition::contract::Condition;
use crate::condition::figures::{PartFigures, Place};
use crate::condition::load_step::LoadStepAndRelease;
use crate::judge::{self, finding::Finding};
use crate::model::case::Case;
use crate::quantity::{self, Quantity};

/// The setting in which a part comes closest to a limit of the case's own load step, or exceeds it most.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Worst {
    /// The setting.
    pub setting: Setting,
    /// Number of the part.
    pub part: usize,
    /// Which quantity.
    pub quantity: &'static Quantity,
    /// Whether a limit is behind it; else it is the largest swing of all.
    pub is_limited: bool,
}

impl Worst {
    /// Looks for it over all parts of a case that has been laid out; nothing but the own load step is run.
    ///
    /// # Errors
    /// An interruption.
    pub fn of(case: &Case, progress: &(dyn Fn(usize, usize) + Sync)) -> Result<Option<Worst>, Failure> {
        let mut case = case.clone();
        case.only_conditions = Some(vec![LoadStepAndRelease.name()]);
        case.board.loads.clear();
        let (found, orbits) = base(&case, 0, progress)?;
        let mut parts: Vec<PartFigures> =
            (0..case.parts.len()).map(|part| figures(&case, part, &found[part])).collect();
        let effort = Effort::of(&found);
        corners::explore(&Look { case: &case, orbits: &orbits, effort: &effort, progress }, &mut parts, 0)?;
        Ok(closest(&case, &parts).or_else(|| largest(&case, &parts)))
    }
}

fn is_own_step(place: &Place) -> bool {
    place.condition == LoadStepAndRelease.name() && place.load == 0
}

fn setting(case: &Case, place: &Place) -> Setting {
    Setting { corner: place.corner, input_v: place.input_v.unwrap_or(case.board.nominal_input_v) }
}

/// The part and place of the least margin to a limit on what a map shows.
fn closest(case: &Case, parts: &[PartFigures]) -> Option<Worst> {
    let verdicts = judge::verdicts(case, parts);
    let of_part = |part: usize| verdicts[part].findings.iter().map(move |finding| (part, finding));
    let asked = |(_, finding): &(usize, &Finding)| {
        is_own_step(&finding.place) && finding.limit.is_some() && super::QUANTITIES.contains(&finding.quantity.id)
    };
    let all = (0..parts.len()).flat_map(of_part).filter(asked);
    let least = all.min_by(|a, b| a.1.margin_in_u.total_cmp(&b.1.margin_in_u))?;
    let (part, finding) = least;
    Some(Worst { setting: setting(case, &finding.place), part, quantity: finding.quantity, is_limited: true })
}

/// Without any limit the largest swing of all.
fn largest(case: &Case, parts: &[PartFigures]) -> Option<Worst> {
    let quantity = quantity::find("window")?;
    let of_part = |part: usize| {
        let own = parts[part].results.iter().filter(|found| is_own_step(&found.place));
        own.filter_map(move |found| Some((part, found.place, found.number(quantity.id)?)))
    };
    let (part, place, _) = (0..parts.len()).flat_map(of_part).max_by(|a, b| a.2.total_cmp(&b.2))?;
    Some(Worst { setting: setting(case, &place), part, quantity, is_limited: false })
}
