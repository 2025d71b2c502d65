//! What a condition finds: values, some of them only bounds or not to be had, and typed notes. No prose.

use crate::engine::error::EngineError;
use crate::loss::LossError;
use crate::loss::core::CoreCaution;
use crate::model::corner::{Corner, End};
use crate::model::doubt::Rule;
use crate::model::parts::saturation::SaturationError;
use crate::quantity::{self, Quantity, Side};
use crate::stability::synthesis::SynthesisError;
#[cfg(feature = "shell")]
use schemars::JsonSchema;
use serde::{Deserialize, Serialize, Serializer};
use std::fmt;

/// Why something could not be calculated.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Failure {
    /// The engine stopped.
    #[error(transparent)]
    Engine(#[from] EngineError),
    /// A loss equation could not use data or waveform.
    #[error(transparent)]
    Loss(#[from] LossError),
    /// The saturation curve could not be laid.
    #[error(transparent)]
    Saturation(#[from] SaturationError),
    /// No compensator was found for the stated loop.
    #[error(transparent)]
    Synthesis(#[from] SynthesisError),
}

impl Failure {
    /// Whether the user stopped it: the one failure that ends everything.
    pub fn is_interruption(&self) -> bool {
        let stopped = EngineError::Interrupted;
        *self == Failure::Engine(stopped.clone()) || *self == Failure::Synthesis(SynthesisError::Engine(stopped))
    }
}

/// Why there is no value.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(from = "String")]
pub enum Why {
    /// A calculation failed.
    Failed(Failure),
    /// The load does not get its current, or the output its voltage.
    NotDelivered,
    /// Losses and temperature have no balance.
    Runaway,
    /// The losses jump about so that no balance was found.
    NoBalanceFound,
    /// A start does not come to its end.
    NeverStarts,
    /// The output does not come back after the input has.
    NeverReturns,
    /// A closer look would have taken too long.
    LeftOut,
    /// The condition is none of those that alone are looked at.
    NotAsked,
    /// Neither maker nor case states it.
    NotStated,
    /// A share of nothing: the original's value is zero, or too small to divide by.
    NoBase,
    /// As a record tells it.
    Told(String),
}

impl Why {
    /// Whether there is no value because the board fails, not because a computation does.
    pub fn is_event(&self) -> bool {
        matches!(self, Why::NotDelivered | Why::Runaway | Why::NeverStarts | Why::NeverReturns)
    }
}

impl fmt::Display for Why {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Why::Failed(failure) => write!(f, "{failure}"),
            Why::NotDelivered => f.write_str("the load is not delivered"),
            Why::Runaway => f.write_str("thermal runaway: losses and temperature have no balance"),
            Why::NoBalanceFound => f.write_str("the losses jump about, no balance of losses and temperature was found"),
            Why::LeftOut => f.write_str("not looked at: one run takes too long for all that would be asked of it"),
            Why::NotAsked => f.write_str("not asked"),
            Why::NotStated => f.write_str("not stated"),
            Why::NeverStarts => f.write_str("the output never stays in its band"),
            Why::NeverReturns => f.write_str("the output does not come back to stay in its band"),
            Why::NoBase => f.write_str("the original has next to none of it"),
            Why::Told(why) => f.write_str(why),
        }
    }
}

impl From<String> for Why {
    fn from(why: String) -> Why {
        Why::Told(why)
    }
}

impl Serialize for Why {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

#[cfg(feature = "shell")]
impl JsonSchema for Why {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Why".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({ "description": "Why there is no value, in words.", "type": "string" })
    }
}

/// A value, or what is known in its place.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "shell", derive(JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Value {
    /// At least that much: what it counts had not come to its end when the watch ended.
    AtLeast(f64),
    /// At most that much.
    AtMost(f64),
    /// There is no value.
    NotComputed(Why),
    /// A number.
    #[serde(untagged)]
    Number(f64),
}

impl From<f64> for Value {
    fn from(number: f64) -> Value {
        Value::Number(number)
    }
}

impl Value {
    /// The number where there is one, be it a bound.
    pub fn number(&self) -> Option<f64> {
        match self {
            Value::Number(number) | Value::AtLeast(number) | Value::AtMost(number) => Some(*number),
            Value::NotComputed(_) => None,
        }
    }

    /// The number where it is no bound.
    pub fn exact(&self) -> Option<f64> {
        if let Value::Number(number) = self { Some(*number) } else { None }
    }

    /// Whether the value is only a bound.
    pub fn is_bound(&self) -> bool {
        matches!(self, Value::AtLeast(_) | Value::AtMost(_))
    }

    /// The same kind of value with another number.
    pub fn map(self, change: impl FnOnce(f64) -> f64) -> Value {
        match self {
            Value::Number(number) => Value::Number(change(number)),
            Value::AtLeast(number) => Value::AtLeast(change(number)),
            Value::AtMost(number) => Value::AtMost(change(number)),
            none => none,
        }
    }
}

/// Where a result stands: condition, corner and setting.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Place {
    /// Name of the condition.
    pub condition: &'static str,
    /// Corner.
    pub corner: Corner,
    /// Input voltage in V; `None` where it plays no part.
    pub input_v: Option<f64>,
    /// Load current in A, or the upper level of a step.
    pub load_a: Option<f64>,
    /// Voltage in V that is already at the output of a start; 0 elsewhere.
    pub prebias_v: f64,
    /// Number of the load step or profile: a named one of the board, from 1 on; 0 for its own step and elsewhere.
    pub load: usize,
}

/// Value of one quantity.
#[derive(Clone, Debug, PartialEq)]
pub struct Figure {
    /// Quantity.
    pub quantity: &'static Quantity,
    /// Value in its unit.
    pub value: Value,
}

impl Figure {
    /// Whether a value lies on the worse side of another of the same quantity; what is not computed is worse than any value.
    fn is_worse_than(&self, other: &Figure) -> bool {
        match (self.value.number(), other.value.number(), self.quantity.side) {
            (None, other, _) => other.is_some(),
            (Some(_), None, _) => false,
            (Some(a), Some(b), Side::AtLeast) => a < b,
            (Some(a), Some(b), Side::AtMost | Side::Within) => a > b,
        }
    }
}

/// What one part shows in one place.
#[derive(Clone, Debug, PartialEq)]
pub struct Figures {
    /// Where.
    pub place: Place,
    /// Winding temperature in degrees Celsius at which it ran.
    pub winding_degc: Option<f64>,
    /// Values.
    pub values: Vec<Figure>,
    /// What is to be known about them.
    pub notes: Vec<Note>,
}

impl Figures {
    /// Nothing yet.
    pub fn at(place: Place, winding_degc: Option<f64>) -> Figures {
        Figures { place, winding_degc, values: vec![], notes: vec![] }
    }

    /// Adds a value.
    ///
    /// # Panics
    /// For an identifier that the table of quantities does not have.
    pub fn push(&mut self, id: &str, value: impl Into<Value>) {
        let quantity = quantity::find(id).unwrap_or_else(|| panic!("{id} is no quantity of the table"));
        self.values.push(Figure { quantity, value: value.into() });
    }

    /// Adds values.
    ///
    /// # Panics
    /// As [`Figures::push`].
    pub fn extend<const N: usize>(&mut self, values: [(&str, f64); N]) {
        values.into_iter().for_each(|(id, value)| self.push(id, value));
    }

    /// Adds a note where it applies.
    pub fn note_if(&mut self, applies: bool, note: Note) {
        if applies {
            self.notes.push(note);
        }
    }

    /// Keeps of each quantity the worse of two values; one that is missing here is taken over.
    pub(crate) fn keep_worse(&mut self, other: Figures) {
        for figure in other.values {
            match self.values.iter_mut().find(|known| known.quantity.id == figure.quantity.id) {
                None => self.values.push(figure),
                Some(known) if figure.is_worse_than(known) => *known = figure,
                Some(_) => {}
            }
        }
    }

    /// Value of a quantity.
    pub fn value(&self, id: &str) -> Option<&Value> {
        self.values.iter().find(|figure| figure.quantity.id == id).map(|figure| &figure.value)
    }

    /// Number of a quantity, be it a bound.
    pub fn number(&self, id: &str) -> Option<f64> {
        self.value(id).and_then(Value::number)
    }
}

/// What one part shows in all conditions.
#[derive(Clone, Debug, PartialEq)]
pub struct PartFigures {
    /// Name.
    pub name: String,
    /// Whether it is the original.
    pub original: bool,
    /// Results in the order of the corners.
    pub results: Vec<Figures>,
    /// The same with data that nobody printed at the ends between which they lie.
    pub ends: Vec<AtEnds>,
    /// What moving each printed datum by its standard uncertainty changes.
    pub spreads: Vec<Moved>,
}

/// Results with data at an end.
#[derive(Clone, Debug, PartialEq)]
pub struct AtEnds {
    /// Which data, and at which end.
    pub data: Vec<(Datum, End)>,
    /// Results.
    pub results: Vec<Figures>,
}

/// What moving a datum by its standard uncertainty changes.
#[derive(Clone, Debug, PartialEq)]
pub struct Moved {
    /// Which datum.
    pub datum: Datum,
    /// Half width in standard uncertainties where it is rectangular.
    pub half_width: Option<f64>,
    /// Changes, each in one place.
    pub shifts: Vec<Shift>,
    /// Changes by a move the other way, where the first could not stand for it.
    pub back: Vec<Shift>,
}

/// Changes of values in one place.
#[derive(Clone, Debug, PartialEq)]
pub struct Shift {
    /// Where.
    pub place: Place,
    /// Change of each quantity in its unit, by its identifier.
    pub by: Vec<(&'static str, f64)>,
}

impl Shift {
    /// What changes from one result to another of the same place; quantities without an exact number in both have none.
    pub fn between(from: &Figures, to: &Figures) -> Shift {
        let change = |figure: &Figure| {
            let from = from.value(figure.quantity.id)?.exact()?;
            Some((figure.quantity.id, figure.value.exact()? - from))
        };
        Shift { place: to.place, by: to.values.iter().filter_map(change).collect() }
    }
}

/// A doubtful datum, as a result knows it.
#[derive(Clone, Copy, Debug)]
pub struct Datum {
    /// Its rule.
    pub rule: &'static Rule,
    /// Branch of a bank, where it belongs to one.
    pub branch: usize,
    /// Whether it is the part's own, not the board's.
    pub of_part: bool,
    /// Its value where no end is meant.
    pub shown: f64,
}

impl Datum {
    /// Whether two are about the same datum, of whatever part.
    pub fn is_same_as(&self, other: &Datum) -> bool {
        (self.rule.key, self.rule.label, self.branch) == (other.rule.key, other.rule.label, other.branch)
    }

    /// Its key in the case.
    pub fn key(&self) -> String {
        self.rule.key_of(self.branch)
    }
}

impl PartialEq for Datum {
    fn eq(&self, other: &Datum) -> bool {
        self.is_same_as(other) && self.shown == other.shown
    }
}

/// Why an output is off its aim.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OffAim {
    /// The high side conducts as long as it may: the input is too low for the output and its drops.
    Dropout,
    /// The amplifier stands at an end of its range.
    EndStop,
    /// The gain of the loop at rest is finite.
    FiniteGain,
}

/// What a reader must know about the values of a condition.
#[derive(Clone, Debug, PartialEq)]
pub enum Note {
    /// The winding temperature runs away.
    ThermalRunaway,
    /// The loss changes from stretch to stretch, so that no temperature balances it closely.
    RoughTemperature,
    /// A peak current lies beyond the saturation data.
    BeyondSaturationData,
    /// The current at the limit does.
    LimitBeyondSaturationData,
    /// The winding is outside the temperatures of the saturation data.
    BeyondTemperatures,
    /// There are saturation data at one temperature only.
    OneTemperature,
    /// Clock edges are left out.
    EdgesLeftOut,
    /// Long and short cycles follow each other without a rule.
    NoRepetition {
        /// Periods that were watched.
        watched: u64,
    },
    /// There is a further stable waveform; of each quantity the worse value counts.
    SecondWaveform {
        /// Its mean output in V.
        output_v: f64,
    },
    /// Long and short cycles alternate.
    Alternates {
        /// Periods after which the waveform repeats.
        periods: u64,
    },
    /// The mean output is off its aim.
    OffAim {
        /// By that share of it.
        share: f64,
        /// Why.
        cause: OffAim,
    },
    /// What limits the trust in a core loss.
    Core(CoreCaution),
    /// The output was not back in its band before the next edge.
    NotBack,
    /// The same at an edge of the input.
    NotBackAtInput,
    /// The load program ends before everything has settled.
    NotSettled,
    /// A start did not come to its end.
    NoStart {
        /// Time watched in s.
        within_s: f64,
    },
    /// A start trips the limit for so long that it pauses.
    StartPauses,
    /// The output is not back after a short circuit.
    NotBackAfterShort,
    /// The output is not back after a dropout of the input.
    NotBackAfterDropout {
        /// Time watched after the return in s.
        within_s: f64,
    },
    /// The return of the input trips the limit for so long that it pauses.
    ReturnPauses,
    /// The output does not give way.
    HoldsUpTo {
        /// Highest load tried in A.
        load_a: f64,
    },
    /// The output gives way before the current limit acts.
    GivesWayBeforeLimit,
    /// Pulses come in a pattern to which the ear is most sensitive.
    MostAudible {
        /// Lowest and highest frequency of that range in Hz.
        range_hz: (f64, f64),
    },
    /// Pulses come in a pattern that may be heard.
    Audible,
    /// The current limit does not deliver the load.
    NotDelivered {
        /// What happens instead.
        how: &'static str,
    },
    /// Something could not be calculated.
    NotComputed(Why),
}
