//! What every condition answers.

use super::curves::Curve;
use super::figures::{Failure, Figures, Place};
use super::stand::Stand;
use crate::engine::book::Closing;
use crate::engine::machine::{Begin, Machine};
use crate::engine::program::{Instant, Program};
use crate::model::case::Case;
use crate::model::corner::Parameter;
use crate::model::parts::Inductor;
use crate::model::parts::saturation::FluxCurve;

/// Something that is done to a board, and what it shows.
pub trait Condition: Sync {
    /// Name in the record.
    fn name(&self) -> &'static str;

    /// Key of the case that states it.
    fn key(&self) -> &'static str;

    /// Identifiers of the quantities that every run of it gives.
    fn quantities(&self) -> &'static [&'static str];

    /// The places in which it runs on a stand; none where the case does not state it.
    fn places(&self, stand: &Stand<'_>) -> Vec<Place>;

    /// Simulates and measures it.
    ///
    /// # Errors
    /// Whatever stops a run.
    fn simulate(&self, stand: &Stand<'_>, place: Place) -> Result<Found, Failure>;

    /// The condition as a run by itself, for waveforms and the cross-check; `None` where the case does not state it, or there is
    /// nothing to run.
    ///
    /// # Errors
    /// Whatever stops the runs that come before.
    fn set_up(&self, stand: &Stand<'_>, wish: &Wish) -> Result<Option<Setup>, Failure>;

    /// What follows for a part once everything has run.
    ///
    /// # Errors
    /// Data that cannot be used.
    fn conclude(&self, _case: &Case, _part: &Inductor, _found: &[&Found]) -> Result<Option<Figures>, Failure> {
        Ok(None)
    }

    /// Whether the cross-check runs it for the substitutes too.
    fn is_checked_for_all(&self) -> bool {
        false
    }

    /// Whether data alone tell it, without a run.
    fn is_data(&self) -> bool {
        false
    }

    /// Whether a load current may be wished for.
    fn takes_load(&self) -> bool {
        false
    }

    /// Tolerances that the condition itself drives to an end in every corner but the nominal one.
    fn drives(&self) -> &'static [Parameter] {
        &[]
    }

    /// Whether a bench can set it up to read a quantity, and the part survives it.
    fn can_be_read(&self, _quantity: &str) -> bool {
        false
    }
}

/// What a condition found in one place.
#[derive(Clone, Debug)]
pub struct Found {
    /// Values and notes.
    pub figures: Figures,
    /// How the energy books of its runs stand.
    pub books: Vec<Closing>,
    /// Highest inductor current in A in ordinary use; 0 where it is none.
    pub peak_a: f64,
    /// Error of a linearised load as a share of its current.
    pub load_error: f64,
    /// Curves, where they are shown.
    pub curves: Vec<Curve>,
    /// How much work it was to find all this, see `engine::machine::work`.
    pub work: u64,
}

impl Found {
    /// These figures and nothing besides.
    pub fn of(figures: Figures) -> Found {
        Found { figures, books: vec![], peak_a: 0.0, load_error: 0.0, curves: vec![], work: 0 }
    }
}

/// A run that is ready to go.
pub struct Setup {
    /// Machine.
    pub machine: Machine,
    /// Smooth saturation curve behind it.
    pub curve: FluxCurve,
    /// Where the run begins.
    pub begin: Begin,
    /// What drives it.
    pub program: Program,
    /// Instant from which its time counts.
    pub origin: Instant,
    /// Whole cycles of the run; `None` where it goes on as long as anyone looks.
    pub cycles: Option<u64>,
}

/// What is wanted of a run by itself.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Wish {
    /// Load current in A in place of the full load, for a condition that takes one.
    pub load_a: Option<f64>,
    /// Number of the load step or profile; `None`: the first that the condition has.
    pub load: Option<usize>,
    /// Time in s to be shown before the instant from which the run's time counts, where the condition can.
    pub before_s: f64,
}
