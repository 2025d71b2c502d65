//! Doubts about data: one table of what holds for a datum that nobody printed, between which ends it then lies, and how far a printed
//! typical value may be off. The reader of cases fills absent data from it, and judging moves every datum by it.

mod bank;
mod board;
mod features;
mod part;
mod saturation;

use super::board::Board;
use super::case::{Case, DatumOrigin, Origin};
use super::parts::{CapacitorKind, CoreFamily, Inductor};
use crate::units::Dimension;
pub use saturation::{HOT, estimated};
#[cfg(feature = "shell")]
pub(crate) use saturation::{lacks_hot, set_hot_currents};
use std::borrow::Cow;

/// Whose datum it is: common to all parts on the board, or the part's own.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Owner {
    /// Common to all parts.
    Board,
    /// The part's own.
    Part,
}

/// What is doubtful about a datum.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Nature {
    /// Nobody printed it (absent, estimated, assumed), or what is printed has a spread of its own: it lies between two ends, both of
    /// which are run.
    Ends {
        /// Lower end.
        low: f64,
        /// Upper end.
        high: f64,
    },
    /// Printed (typical, digitised, measured): standard uncertainty, in the unit of the value shown.
    Spread {
        /// Standard uncertainty; of a rectangular spread its half width over the square root of 3.
        standard: f64,
        /// Whether the spread is rectangular.
        rectangular: bool,
    },
}

/// What a datum acts on at most: nothing else has to be run again when it moves.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Acts {
    /// A rating: nothing that is simulated.
    Rating,
    /// Losses and, in the inductor, its temperature.
    Loss,
    /// What is drawn from the input: losses outside the inductor, and the ripple current of the input capacitors.
    Supply,
    /// Start and pauses only.
    Start,
    /// What happens at the current limit only.
    Limit,
    /// The loop: everything but steady waveforms in continuous conduction.
    Loop,
    /// Every waveform.
    Waveform,
}

/// What the numbers of a rule hold for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum For {
    /// Everything.
    All,
    /// A family of core materials.
    Core(CoreFamily),
    /// Core materials other than ferrite.
    Powder,
    /// A kind of capacitor.
    Capacitor(CapacitorKind),
}

/// Where a datum stands in a case.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// With the board.
    Board,
    /// With every branch of the output bank; the key begins with "output.capacitors".
    OutputBank,
    /// With every branch of the input bank.
    InputBank,
    /// With the part.
    Part,
}

/// What holds for an absent datum, in units of the rule's base.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Absent {
    /// Value shown and simulated.
    pub shown: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// How far a printed datum may be off.
#[derive(Clone, Copy, Debug)]
pub enum Typical {
    /// Not at all: as printed, or its spread is a corner of tolerances.
    AsPrinted,
    /// Half width of a rectangular spread, as a share of the value shown.
    Share(f64),
    /// Half width of a rectangular spread, in the unit of the datum.
    Width(f64),
    /// Standard uncertainty of a spread that is not rectangular, as a share of the value shown.
    Standard(f64),
    /// Two ends, as multiples of the value shown.
    Ends(f64, f64),
    /// Half width of a rectangular spread that the part states itself: its share of the value shown.
    Stated(fn(&Inductor) -> f64),
}

/// What a datum is at present.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Present {
    /// Its value.
    Value(f64),
    /// It has its place, and nothing is known.
    Missing,
    /// There is no such datum here.
    NotHere,
}

type Slot = for<'a> fn(&'a mut Board, &'a mut Inductor, usize) -> Option<&'a mut f64>;
type OptionSlot = for<'a> fn(&'a mut Board, &'a mut Inductor, usize) -> &'a mut Option<f64>;

/// How a datum is read and set.
#[derive(Clone, Copy)]
enum Datum {
    /// A number.
    Slot(Slot),
    /// A number that may be missing.
    Option(OptionSlot),
    /// By two functions of its own.
    Own { read: fn(&Board, &Inductor, usize) -> Present, set: fn(&mut Board, &mut Inductor, usize, f64) },
}

/// What the numbers of a rule are multiplied by.
#[derive(Clone, Copy)]
pub struct Base {
    /// In words, empty for 1.
    pub text: &'static str,
    /// Whether the unit of the datum is in it, and the numbers of the rule are plain.
    pub has_unit: bool,
    of: fn(&Board, &Inductor, usize) -> f64,
}

const ONE: Base = Base { text: "", has_unit: false, of: |_, _, _| 1.0 };

/// One row of the table: a datum, and what is known of it before anybody states it.
#[derive(Clone, Copy)]
pub struct Rule {
    /// Key in a case, without the number of a branch.
    pub key: &'static str,
    /// Which parts or capacitors the row is for.
    pub holds_for: For,
    /// What the datum is, for people.
    pub label: &'static str,
    /// Its dimension; everything is in SI.
    pub unit: Dimension,
    /// Whose doubt it is.
    pub owner: Owner,
    /// Where the datum stands.
    pub place: Place,
    /// What the numbers are multiplied by.
    pub base: Base,
    /// What none of them exceeds.
    pub most: Option<Base>,
    /// What holds where it is absent; `None`: it is asked for.
    pub absent: Option<Absent>,
    /// How far a printed value may be off.
    pub typical: Typical,
    /// Whether the value is a factor that is multiplied on: every setting multiplies.
    pub is_factor: bool,
    /// Whether the datum is something that a controller has or has not: 1 or 0.
    pub is_feature: bool,
    /// What is printed, where that is not the value.
    printed: Option<fn(&Inductor) -> f64>,
    /// What it acts on.
    pub acts: Acts,
    /// Who can give the datum, and how.
    pub ask: &'static str,
    /// Where the numbers come from.
    pub source: &'static str,
    datum: Datum,
}

impl std::fmt::Debug for Rule {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} {:?}", self.key, self.holds_for)
    }
}

/// The table, groups in the order in which [`doubts`] lists them.
pub static RULES: &[&[Rule]] =
    &[board::RULES, features::RULES, bank::OUTPUT, bank::INPUT, part::COMMON, part::RULES, saturation::RULES];

/// Every rule.
pub fn rules() -> impl Iterator<Item = &'static Rule> {
    RULES.iter().copied().flatten()
}

/// A doubt about one datum of a board and a part.
#[derive(Clone, Debug)]
pub struct Doubt {
    /// Its rule.
    pub rule: &'static Rule,
    /// Whose datum it is.
    pub owner: Owner,
    /// Branch of the bank, where the datum belongs to one.
    pub branch: usize,
    /// Key in the case, with the number of the branch.
    pub key: String,
    /// Value that is simulated, in SI; 1 for a factor.
    pub shown: f64,
    /// What is printed about it, by which it is told how much two parts' doubts have in common: the value shown, or of a factor the
    /// number on which it acts.
    pub printed: f64,
    /// What is doubtful about it.
    pub nature: Nature,
    /// Origin that counts; `None` where none is stated, which counts as typical.
    pub origin: Option<Origin>,
}

impl Doubt {
    /// Sets the datum of a board and a part to a value in the unit of `shown`. Several doubts may be set one after another, in the order
    /// in which [`doubts`] lists them; a factor is multiplied on.
    pub fn set(&self, board: &mut Board, part: &mut Inductor, value: f64) {
        self.rule.set(board, part, self.branch, value);
    }

    /// Whether two parts' doubts are about the same datum of the same branch.
    pub fn is_same_as(&self, other: &Doubt) -> bool {
        self.key == other.key && self.rule.label == other.rule.label
    }
}

impl Rule {
    const fn new(key: &'static str, label: &'static str, unit: Dimension, place: Place, datum: Datum) -> Rule {
        Rule {
            key,
            holds_for: For::All,
            label,
            unit,
            owner: if matches!(place, Place::Part) { Owner::Part } else { Owner::Board },
            place,
            base: ONE,
            most: None,
            absent: None,
            typical: Typical::AsPrinted,
            is_factor: false,
            is_feature: false,
            printed: None,
            acts: Acts::Waveform,
            ask: MAKER,
            source: PRACTICE,
            datum,
        }
    }

    const fn only(self, holds_for: For) -> Rule {
        Rule { holds_for, ..self }
    }

    const fn absent(self, shown: f64, low: f64, high: f64) -> Rule {
        Rule { absent: Some(Absent { shown, low, high }), ..self }
    }

    const fn typical(self, typical: Typical) -> Rule {
        Rule { typical, ..self }
    }

    /// Half width of a printed typical value as a share of it.
    const fn within(self, share: f64) -> Rule {
        self.typical(Typical::Share(share))
    }

    const fn per(self, text: &'static str, of: fn(&Board, &Inductor, usize) -> f64) -> Rule {
        Rule { base: Base { text, has_unit: true, of }, ..self }
    }

    /// As [`Rule::per`], of a base without a unit.
    const fn times(self, text: &'static str, of: fn(&Board, &Inductor, usize) -> f64) -> Rule {
        Rule { base: Base { text, has_unit: false, of }, ..self }
    }

    /// Nothing exceeds this.
    const fn at_most(self, text: &'static str, of: fn(&Board, &Inductor, usize) -> f64) -> Rule {
        Rule { most: Some(Base { text, has_unit: true, of }), ..self }
    }

    /// A factor on what is printed.
    const fn factor(self, printed: fn(&Inductor) -> f64) -> Rule {
        Rule { is_factor: true, printed: Some(printed), ..self }
    }

    const fn common(self) -> Rule {
        Rule { owner: Owner::Board, ..self }
    }

    const fn acts(self, acts: Acts) -> Rule {
        Rule { acts, ..self }
    }

    const fn ask(self, ask: &'static str) -> Rule {
        Rule { ask, ..self }
    }

    const fn source(self, source: &'static str) -> Rule {
        Rule { source, ..self }
    }

    /// Branches of a board to which the rule applies: 0 alone where it is not about branches.
    pub fn branches(&self, board: &Board) -> usize {
        match self.place {
            Place::OutputBank => board.output_bank.len(),
            Place::InputBank => board.input_bank.len(),
            Place::Board | Place::Part => 1,
        }
    }

    /// Key of the datum with the number of its branch.
    pub fn key_of(&self, branch: usize) -> String {
        self.key_in_place(branch).into_owned()
    }

    fn key_in_place(&self, branch: usize) -> Cow<'static, str> {
        match self.place {
            Place::OutputBank | Place::InputBank => {
                self.key.replace("capacitors.", &format!("capacitors[{branch}].")).into()
            }
            Place::Board | Place::Part => self.key.into(),
        }
    }

    /// Whether the rule is for this part or branch.
    pub fn is_for(&self, board: &Board, part: &Inductor, branch: usize) -> bool {
        match self.holds_for {
            For::All => true,
            For::Core(core) => core == part.core,
            For::Powder => part.core != CoreFamily::Ferrite,
            For::Capacitor(kind) => bank::branch(self.place, board, branch).is_some_and(|branch| branch.kind == kind),
        }
    }

    /// What holds where the datum is absent, in its unit.
    pub fn absent_here(&self, board: &Board, part: &Inductor, branch: usize) -> Option<Absent> {
        let base = (self.base.of)(board, part, branch);
        let most = self.most.map_or(f64::INFINITY, |most| (most.of)(board, part, branch));
        let of = |number: f64| (base * number).min(most);
        let scaled = |absent: Absent| Absent { shown: of(absent.shown), low: of(absent.low), high: of(absent.high) };
        self.absent.map(scaled)
    }

    /// The datum at present, in SI; `None` where it is missing or has no place on this board.
    pub fn value(&self, board: &Board, part: &Inductor, branch: usize) -> Option<f64> {
        let here = self.is_for(board, part, branch);
        match self.read(board, part, branch) {
            Present::Value(value) if here => Some(value),
            _ => None,
        }
    }

    fn read(&self, board: &Board, part: &Inductor, branch: usize) -> Present {
        match self.datum {
            Datum::Own { read, .. } => read(board, part, branch),
            _ => self.read_in_place(&mut board.clone(), &mut part.clone(), branch),
        }
    }

    /// The same without copies: a slot is found by what may also be written. Nothing is written here.
    fn read_in_place(&self, board: &mut Board, part: &mut Inductor, branch: usize) -> Present {
        match self.datum {
            Datum::Own { read, .. } => read(board, part, branch),
            Datum::Slot(slot) => slot(board, part, branch).map_or(Present::NotHere, |value| Present::Value(*value)),
            Datum::Option(slot) => slot(board, part, branch).map_or(Present::Missing, Present::Value),
        }
    }

    fn set(&self, board: &mut Board, part: &mut Inductor, branch: usize, value: f64) {
        match self.datum {
            Datum::Own { set, .. } => set(board, part, branch, value),
            Datum::Slot(slot) => {
                if let Some(place) = slot(board, part, branch) {
                    *place = value;
                }
            }
            Datum::Option(slot) => *slot(board, part, branch) = Some(value),
        }
    }
}

/// Who can give a datum.
const MAKER: &str = "ask the maker, or look for a fuller data sheet";
const BOARD_MAKER: &str = "look in the data sheet of the device on the board, or ask its maker";
/// Where numbers come from.
const PRACTICE: &str = "common practice, no source";
const SHEETS: &str = "range of ordinary data sheets, common practice";

/// Every doubt about a part of the case: the board's common ones first, the part's own after. A part that does not exist has none.
pub fn doubts(case: &Case, part: usize) -> Vec<Doubt> {
    let Some(inductor) = case.parts.get(part) else { return vec![] };
    let mut all: Vec<Doubt> =
        places(&case.board, inductor).filter_map(|(rule, branch)| doubt(case, inductor, rule, branch)).collect();
    all.sort_by_key(|doubt| doubt.owner == Owner::Part); // stable
    all.iter_mut().for_each(|doubt| narrow(doubt, case));
    all
}

/// What captures have told of a datum of the board is all that is doubtful about it.
fn narrow(doubt: &mut Doubt, case: &Case) {
    let is_it = |told: &&super::case::ToldDatum| told.key == doubt.key && told.label == doubt.rule.label;
    if let Some(told) = case.learned.iter().find(is_it).filter(|_| doubt.owner == Owner::Board) {
        doubt.nature = Nature::Spread { standard: told.standard, rectangular: false };
        doubt.origin = Some(Origin::Measured);
    }
}

/// Every rule that is for a board and a part, with the branch.
fn places<'a>(board: &'a Board, part: &'a Inductor) -> impl Iterator<Item = (&'static Rule, usize)> + 'a {
    let all = rules().flat_map(|rule| (0..rule.branches(board)).map(move |branch| (rule, branch)));
    all.filter(|(rule, branch)| rule.is_for(board, part, *branch))
}

fn doubt(case: &Case, part: &Inductor, rule: &'static Rule, branch: usize) -> Option<Doubt> {
    let key = rule.key_of(branch);
    // What is common is common to all parts: where it depends on one, on the original.
    let part = if rule.place == Place::Part { part } else { &case.parts[0] };
    let (present, entry) = (rule.read(&case.board, part, branch), entry(case, part, rule, &key));
    let stated = entry.map(|entry| entry.origin);
    let absent = rule.absent_here(&case.board, part, branch);
    let (shown, origin) = match present {
        Present::Value(shown) => (shown, stated),
        Present::Missing => (absent?.shown, Some(Origin::Absent)),
        Present::NotHere => return None,
    };
    let nature = match origin {
        Some(Origin::Absent) => absent.map(|absent| held(absent.low, absent.high, shown)),
        // What this tool derived from printed data is as good as they are.
        Some(Origin::Estimated | Origin::Assumed) if entry.is_some_and(|entry| entry.stated) => {
            around(rule, shown, absent)
        }
        Some(Origin::Measured) => Some(measured(shown, entry.and_then(|entry| entry.uncertainty))),
        Some(Origin::Guaranteed) if !rule.is_factor => None,
        _ => printed(rule, part, shown),
    };
    let nature = nature.filter(|nature| match nature {
        Nature::Ends { low, high } => low < high,
        Nature::Spread { standard, .. } => *standard > 0.0,
    });
    let nature = guaranteed(case, part, rule, nature?);
    let printed = rule.printed.map_or(shown, |printed| printed(part));
    Some(Doubt { rule, owner: rule.owner, branch, key, shown, printed, nature, origin })
}

/// The entry of the case about a datum.
fn entry<'a>(case: &'a Case, part: &Inductor, rule: &Rule, key: &str) -> Option<&'a DatumOrigin> {
    let of_part = matches!(rule.place, Place::Part).then_some(part.name.as_str());
    case.origin_of(of_part, key)
}

/// A guaranteed saturation current replaces the lower end of a typical curve's currents.
fn guaranteed(case: &Case, part: &Inductor, rule: &Rule, nature: Nature) -> Nature {
    let entry = case.origin_of(Some(&part.name), saturation::RATED);
    let is_guaranteed = entry.is_some_and(|entry| entry.key == saturation::RATED && entry.origin == Origin::Guaranteed);
    match nature {
        Nature::Ends { high, .. } if is_guaranteed && rule.label == saturation::CURRENTS => {
            Nature::Ends { low: saturation::rated_share(part).min(1.0), high }
        }
        nature => nature,
    }
}

/// Relative standard uncertainty of an instrument where none is stated (common practice).
const INSTRUMENT: f64 = 0.02;

fn measured(shown: f64, stated: Option<f64>) -> Nature {
    Nature::Spread { standard: stated.unwrap_or(INSTRUMENT) * shown.abs(), rectangular: false }
}

/// Ends that hold the value shown.
fn held(low: f64, high: f64, shown: f64) -> Nature {
    Nature::Ends { low: low.min(shown), high: high.max(shown) }
}

/// Ends around a value that somebody estimated, in the proportion that the rule has. A value of nothing has no proportion: the rule's own
/// ends hold then.
fn around(rule: &Rule, shown: f64, absent: Option<Absent>) -> Option<Nature> {
    match (absent, rule.typical) {
        (Some(absent), _) if shown == 0.0 || absent.shown == 0.0 => Some(held(absent.low, absent.high, shown)),
        (Some(absent), _) => Some(held(shown * absent.low / absent.shown, shown * absent.high / absent.shown, shown)),
        (None, Typical::Share(share)) => Some(held(shown * (1.0 - share), shown * (1.0 + share), shown)),
        (None, Typical::Width(width)) => Some(held(shown - width, shown + width, shown)),
        (None, Typical::Standard(share)) => Some(held(shown * (1.0 - 2.0 * share), shown * (1.0 + 2.0 * share), shown)),
        (None, Typical::Ends(low, high)) => Some(held(shown * low, shown * high, shown)),
        (None, Typical::AsPrinted | Typical::Stated(_)) => None,
    }
}

/// The doubt about a value that is printed as typical, or without an origin.
fn printed(rule: &Rule, part: &Inductor, shown: f64) -> Option<Nature> {
    let rectangular = |half_width: f64| {
        let standard = half_width.abs() / 3f64.sqrt();
        (standard > 0.0).then_some(Nature::Spread { standard, rectangular: true })
    };
    match rule.typical {
        Typical::AsPrinted => None,
        Typical::Share(share) => rectangular(share * shown),
        Typical::Width(width) => rectangular(width),
        Typical::Stated(share) => rectangular(share(part) * shown),
        Typical::Standard(share) => Some(Nature::Spread { standard: share * shown.abs(), rectangular: false }),
        Typical::Ends(low, high) => Some(held(shown * low, shown * high, shown)),
    }
}

/// A datum that was filled in.
#[derive(Clone, Debug)]
pub struct Filled {
    /// Its rule.
    pub rule: &'static Rule,
    /// Its key, with the number of the branch.
    pub key: Cow<'static, str>,
    /// Value that holds now.
    pub shown: f64,
}

/// Fills what is absent from board (`of_part` false) or part (`of_part` true) by the rules; `is_absent` tells it by the key. Factors are
/// not filled: whoever derives one datum from another does it.
pub fn fill(board: &mut Board, part: &mut Inductor, of_part: bool, is_absent: impl Fn(&str) -> bool) -> Vec<Filled> {
    let wanted = |(rule, _): &(&'static Rule, usize)| matches!(rule.place, Place::Part) == of_part && !rule.is_factor;
    let rules: Vec<(&'static Rule, usize)> = places(board, part).filter(wanted).collect();
    let mut filled = vec![];
    for (rule, branch) in rules {
        let key = rule.key_in_place(branch);
        if !is_absent(&key) || rule.read_in_place(board, part, branch) == Present::NotHere {
            continue;
        }
        if let Some(absent) = rule.absent_here(board, part, branch) {
            rule.set(board, part, branch, absent.shown);
            filled.push(Filled { rule, key, shown: absent.shown });
        }
    }
    filled
}
