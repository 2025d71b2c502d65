//! Many parts on one board, each beside the original: first what its data sheet alone says, then the places that decide for the original,
//! then everything. A part that fails early fails in full as well: the check that fails it has been looked at as closely as there.

use super::effort::Effort;
use super::ends::Part;
use super::tipping::{self, Tipping};
use super::{Look, Orbits, base, conclusions, cooling, corners, ends, figures, found};
use crate::condition;
use crate::condition::contract::Found;
use crate::condition::figures::{AtEnds, Datum, Failure, Figures, PartFigures, Place};
use crate::condition::stand::{Stand, prepare};
use crate::judge::finding::Finding;
use crate::judge::requirement::{REQUIREMENTS, Requirement};
use crate::judge::sight::{margin, without_number};
use crate::judge::{self, Outcome, State, Verdict};
use crate::model::case::{Case, DatumOrigin};
use crate::model::corner::End;
use crate::model::parts::Inductor;
use std::collections::HashMap;
use std::ops::Range;
use std::sync::Arc;

/// Most places of one condition in which a part is tried.
const MOST_OF_A_CONDITION: usize = 2;

/// Share of a limit from which on it is missed clearly: what is doubtful seldom turns that.
const CLEARLY: f64 = 0.3;
/// Places in which a part is shown to fail at most, before everything is run.
const MOST_CONFIRMED: usize = 2;

/// How far a part was looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stage {
    /// Its data sheet fails it.
    Paper,
    /// It fails where the original comes closest to its limits.
    Trial,
    /// Everything was run.
    Full,
}

/// A part as far as it was looked at.
pub struct Looked {
    /// The case with the original and this part.
    pub case: Case,
    /// What both show, as far as it was run.
    pub parts: Vec<PartFigures>,
    /// What follows for the part.
    pub verdict: Verdict,
    /// What would turn it.
    pub tipping: Tipping,
    /// Share of the range of the absent datum that decides within which the deciding check is met.
    pub share: Option<f64>,
    /// How far it was looked at.
    pub stage: Stage,
    /// Runs of the closer look that would have taken too long; their checks are open.
    pub left_out: u64,
}

/// All parts of a case, to be posed on its board one by one.
struct All {
    /// The case with its parts, without what it knows of their data.
    case: Case,
    /// The case without parts.
    frame: Case,
    /// What is known of the data of parts, and where it stands for each.
    origins: Vec<DatumOrigin>,
    of_part: HashMap<Arc<str>, Vec<Range<usize>>>,
}

/// Where a part is looked at: a place, and ends of absent data that are tried there besides the data as they are shown.
#[derive(Clone, PartialEq)]
pub(super) struct Spot {
    pub(super) place: Place,
    pub(super) ends: Vec<(Datum, End)>,
}

/// A board with its original, beside which parts are looked at.
pub struct Screen {
    all: All,
    original: PartFigures,
    orbits: Orbits,
    verdict: Verdict,
    trials: Vec<Place>,
}

impl All {
    fn of(mut case: Case) -> All {
        let is_of_part = |origin: &mut DatumOrigin| origin.part.is_some();
        let origins: Vec<DatumOrigin> = case.origins.extract_if(.., is_of_part).collect();
        let mut of_part: HashMap<Arc<str>, Vec<Range<usize>>> = HashMap::new();
        let mut begin = 0;
        for run in origins.chunk_by(|a, b| a.part == b.part) {
            let end = begin + run.len();
            of_part.entry(run[0].part.clone().unwrap_or_default()).or_default().push(begin..end);
            begin = end;
        }
        let frame = case.frame();
        case.origins.clear();
        All { case, frame, origins, of_part }
    }

    /// What is known of the data of a part.
    fn origins(&self, part: &str) -> impl Iterator<Item = &DatumOrigin> {
        self.of_part.get(part).into_iter().flatten().flat_map(|run| &self.origins[run.clone()])
    }

    /// The case with some of its parts.
    fn posed(&self, parts: &[usize]) -> Case {
        let mut posed = self.frame.clone();
        for part in parts.iter().map(|number| &self.case.parts[*number]) {
            posed.origins.extend(self.origins(&part.name).cloned());
            posed
                .places
                .extend(self.case.places.get_key_value(&part.name).map(|(name, at)| (name.clone(), at.clone())));
            posed.parts.push(part.clone());
        }
        posed
    }
}

impl Screen {
    /// Looks at the original in full.
    ///
    /// # Errors
    /// A compensator that cannot be laid out, or an interruption.
    pub fn new(mut case: Case, progress: &(dyn Fn(usize, usize) + Sync)) -> Result<Screen, Failure> {
        prepare(&mut case)?;
        cooling::learn(&mut case)?;
        let all = All::of(case);
        let whole = looked_at(&all.posed(&[0]), (vec![], Orbits(vec![])), progress)?;
        let trials = trials(&whole);
        let Whole { mut parts, orbits, verdict, .. } = whole;
        Ok(Screen { all, original: parts.remove(0), orbits, verdict, trials })
    }

    /// What is concluded about the original.
    pub fn original(&self) -> (&Verdict, &PartFigures) {
        (&self.verdict, &self.original)
    }

    /// The case with all parts, as it was prepared.
    pub fn case(&self) -> &Case {
        &self.all.case
    }

    /// The case with the original and one part.
    pub fn beside(&self, part: usize) -> Case {
        self.all.posed(&[0, part])
    }

    /// The case with the original and a part of which the same is known as of the original.
    pub(super) fn with(&self, part: Inductor) -> Case {
        let mut posed = self.all.posed(&[0]);
        let known = self.all.origins(&self.all.case.parts[0].name);
        posed
            .origins
            .extend(known.map(|origin| DatumOrigin { part: Some(part.name.as_str().into()), ..origin.clone() }));
        posed.parts.push(part);
        posed
    }

    /// What the last part of a case shows in some spots and on paper, printed data as they are; and what follows.
    ///
    /// # Errors
    /// An interruption.
    pub(super) fn seen_in(&self, case: &Case, spots: &[Spot]) -> Result<Verdict, Failure> {
        let mut shown = figures(case, 1, &[]);
        shown.results.extend(conclusions(case, 1, &[]).into_iter().map(|found| found.figures));
        let doubts = Part::doubts_of(case, 1);
        for Spot { place, ends } in spots {
            if shown.results.iter().all(|known| known.place != *place) {
                shown.results.extend(self.shown_in(case, 1, place)?);
            }
            if !ends.is_empty() {
                let posed = ends::posed_at(case, &doubts, 1, ends, None);
                let results = self.shown_in(&posed, 0, place)?.into_iter().collect();
                shown.ends.push(AtEnds { data: ends.clone(), results });
            }
        }
        let mut verdict = judge::verdict(case, &[self.original.clone(), shown], 1);
        let is_run = |finding: &Finding| {
            let place = &finding.place;
            place.condition == condition::SHEET || spots.iter().any(|spot| spot.place == *place)
        };
        verdict.findings.retain(is_run);
        Ok(verdict)
    }

    /// What a part of a case shows in a place.
    fn shown_in(&self, case: &Case, part: usize, place: &Place) -> Result<Option<Figures>, Failure> {
        let Some(condition) = condition::find(place.condition) else { return Ok(None) };
        let input_v = place.input_v.unwrap_or(case.board.nominal_input_v);
        let job = super::Job { part: 0, corner: place.corner, input_v };
        let stand = Stand::beside(case, &case.parts[part], place.corner, input_v, self.orbits.near(&job).elsewhere());
        Ok(Some(found(condition, &stand, *place)?.figures))
    }

    /// Everything for the last part of a case, and what follows.
    ///
    /// # Errors
    /// An interruption.
    pub(super) fn in_full(&self, case: &Case) -> Result<Verdict, Failure> {
        let known = (vec![self.original.clone()], self.orbits.clone());
        Ok(looked_at(case, known, &|_, _| {})?.verdict)
    }

    /// A part by its number, as far as is needed to decide; `staged` false runs everything for every part.
    ///
    /// # Errors
    /// An interruption.
    pub fn look(&self, part: usize, staged: bool) -> Result<Looked, Failure> {
        let case = self.beside(part);
        if staged {
            if let Some(looked) = self.on_paper(&case) {
                return Ok(looked);
            }
            if let Some(looked) = self.tried(&case)? {
                return Ok(looked);
            }
        }
        let known = (vec![self.original.clone()], self.orbits.clone());
        let whole = looked_at(&case, known, &|_, _| {})?;
        let tipping =
            Tipping { datum: tipping::datum(&case, &whole.effort, &simulated(&whole.verdict))?, within: vec![] };
        let share = share(&case, &whole.verdict, &tipping);
        let left_out = whole.effort.left_out();
        let (verdict, parts) = (whole.verdict, whole.parts);
        Ok(Looked { case, parts, verdict, tipping, share, stage: Stage::Full, left_out })
    }

    /// What the data sheet alone fails.
    fn on_paper(&self, case: &Case) -> Option<Looked> {
        let sheet: Vec<Found> = conclusions(case, 1, &[]);
        let is_sheet = |found: &&Found| found.figures.place.condition == condition::SHEET;
        let results = sheet.iter().filter(is_sheet).map(|found| found.figures.clone()).collect();
        self.failed(case, results, Stage::Paper)
    }

    /// A part where the original comes closest to its limits; what it misses most is looked at with all that is doubtful about it.
    fn tried(&self, case: &Case) -> Result<Option<Looked>, Failure> {
        let mut missed: Vec<(f64, Figures)> = vec![];
        for place in &self.trials {
            let Some(shown) = self.shown_in(case, 1, place)? else { continue };
            missed.extend(missed_by(case, &shown).map(|by| (by, shown)));
        }
        // Of what is missed clearly the cheapest run comes first, then what is missed most.
        missed.sort_by(|a, b| b.0.min(CLEARLY).total_cmp(&a.0.min(CLEARLY)));
        for (_, shown) in missed.into_iter().take(MOST_CONFIRMED) {
            if let Some(looked) = self.confirmed(case, shown)? {
                return Ok(Some(looked));
            }
        }
        Ok(None)
    }

    /// What a part fails in one place with all that is doubtful about it.
    fn confirmed(&self, case: &Case, shown: Figures) -> Result<Option<Looked>, Failure> {
        let effort = Effort::of(&[vec![], vec![]]);
        let Some(mut looked) = self.failed(case, vec![shown], Stage::Trial) else { return Ok(None) };
        let orbits = Orbits(vec![]);
        ends::explore(&Look { case, orbits: &orbits, effort: &effort, progress: &|_, _| {} }, &mut looked.parts, 1)?;
        Ok(verdict_of(case, looked.parts, Stage::Trial))
    }

    fn failed(&self, case: &Case, results: Vec<Figures>, stage: Stage) -> Option<Looked> {
        let mut shown = figures(case, 1, &[]);
        shown.results = results;
        verdict_of(case, vec![self.original.clone(), shown], stage)
    }
}

/// A part that fails by what has been run.
fn verdict_of(case: &Case, parts: Vec<PartFigures>, stage: Stage) -> Option<Looked> {
    let mut verdict = judge::verdict(case, &parts, 1);
    if verdict.outcome != Outcome::Fail {
        return None;
    }
    // What has not been run says nothing yet.
    verdict.findings.retain(|finding| finding.outcome == Outcome::Fail);
    let (case, tipping) = (case.clone(), Tipping::default());
    Some(Looked { case, parts, verdict, tipping, share: None, stage, left_out: 0 })
}

/// Everything that was run for the last part of a case.
struct Whole {
    parts: Vec<PartFigures>,
    orbits: Orbits,
    verdict: Verdict,
    effort: Effort,
    costs: HashMap<&'static str, u64>,
}

/// Everything for the last part of a case; what is known of those before it is given.
fn looked_at(
    case: &Case,
    (mut parts, mut orbits): (Vec<PartFigures>, Orbits),
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Result<Whole, Failure> {
    let first = parts.len();
    let (mut found, new) = base(case, first, progress)?;
    orbits.0.extend(new.0);
    let last = found.len() - 1;
    let concluded = conclusions(case, last, &found[last]);
    found[last].extend(concluded);
    parts.push(figures(case, last, &found[last]));
    let effort = Effort::of(&found);
    let look = Look { case, orbits: &orbits, effort: &effort, progress };
    corners::explore(&look, &mut parts, first)?;
    ends::explore(&look, &mut parts, first)?;
    let mut costs = HashMap::new();
    for found in &found[last] {
        let cost: &mut u64 = costs.entry(found.figures.place.condition).or_default();
        *cost = found.work.max(*cost);
    }
    let verdict = judge::verdict(case, &parts, last);
    Ok(Whole { parts, orbits, verdict, effort, costs })
}

/// The places in which parts are tried: where the original comes closest to its limits, the cheap ones first.
fn trials(whole: &Whole) -> Vec<Place> {
    let is_run = |finding: &&Finding| {
        let simulated = condition::find(finding.place.condition).is_some_and(|condition| !condition.is_data());
        simulated && finding.limit.is_some()
    };
    let mut close: Vec<&Finding> = whole.verdict.findings.iter().filter(is_run).collect();
    close.sort_by(|a, b| a.margin_in_u.total_cmp(&b.margin_in_u));
    let mut places: Vec<Place> = vec![];
    for finding in close {
        let alike = places.iter().filter(|place| place.condition == finding.place.condition).count();
        if alike < MOST_OF_A_CONDITION && !places.contains(&finding.place) {
            places.push(finding.place);
        }
    }
    places.sort_by_key(|place| whole.costs.get(place.condition).copied().unwrap_or(u64::MAX));
    places
}

/// By what share of its limit a value misses it most; infinite where something has no number and that is a failure.
fn missed_by(case: &Case, shown: &Figures) -> Option<f64> {
    let part = &case.parts[1];
    let of = |requirement: &Requirement| {
        let limit = requirement.at_load(case, part, shown.place.load)?.limit();
        let values = requirement.quantities.iter().filter_map(|id| shown.value(id));
        let missed = values.filter_map(|value| match (value.number(), limit) {
            (Some(number), Some(limit)) => Some(-margin(number, &limit) / limit.value.abs().max(f64::MIN_POSITIVE)),
            (Some(_), None) => None,
            (None, _) => (without_number(value) == State::Missed).then_some(f64::INFINITY),
        });
        missed.filter(|by| *by > 0.0).reduce(f64::max)
    };
    REQUIREMENTS.iter().filter_map(of).reduce(f64::max)
}

/// A verdict without what the data sheet alone says.
fn simulated(verdict: &Verdict) -> Verdict {
    let mut simulated = verdict.clone();
    simulated.findings.retain(|finding| finding.place.condition != condition::SHEET);
    simulated.outcome = simulated.findings.iter().map(|finding| finding.outcome).max().unwrap_or(Outcome::Pass);
    simulated
}

/// Share of the range of the datum that decides, on the side on which the check is met; all of it where nothing that is simulated is open.
fn share(case: &Case, verdict: &Verdict, tipping: &Tipping) -> Option<f64> {
    if verdict.outcome != Outcome::Undecided {
        return None;
    }
    if simulated(verdict).outcome <= Outcome::NoWorse {
        return Some(1.0);
    }
    let tip = tipping.datum?;
    let (low, high) = Part::doubts_of(case, 1).ends_of(&tip.datum)?;
    let met = if tip.met_below { tip.value - low } else { high - tip.value };
    Some((met / (high - low)).clamp(0.0, 1.0))
}
