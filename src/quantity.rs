//! The quantities: one table that drives values, rows, limits and judgements.

use crate::model::case::{Agreed, AgreedChanges, Bench};
#[cfg(feature = "shell")]
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How a change against the original is expressed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "shell", derive(JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum ChangeKind {
    /// As a fraction of the original's value.
    Fraction,
    /// As a difference in the quantity's unit.
    Difference,
}

/// A limit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "shell", derive(JsonSchema), schemars(rename = "LimitRecord"))]
pub struct Limit {
    /// Value: in the quantity's unit, or for a change, with its sign, as its `change_kind` says.
    pub value: f64,
    /// Which side is allowed.
    pub side: Side,
    /// Whether the case states it; otherwise it is a default of this tool.
    pub stated: bool,
}

/// Allowed side of a limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "shell", derive(JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// The value must not exceed the limit.
    AtMost,
    /// The value must not fall below the limit.
    AtLeast,
    /// The change must stay within plus and minus the limit.
    Within,
}

/// Which conditions a quantity is compared in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Scope {
    /// All in which it exists.
    Everywhere,
    /// Full load, any input and corner. At light load the valley of the current comes near zero, where dead time and
    /// discontinuous conduction make it another loop.
    FullLoad,
    /// Full load, nominal input, nominal corner.
    FullLoadNominal,
}

/// What the stated bench resolves of a quantity.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Instrument {
    /// Voltage at the output.
    Voltage,
    /// Current probe.
    Current,
    /// Time base.
    Time,
    /// Thermometer.
    Temperature,
    /// Power meters.
    Efficiency,
    /// Frequency counter.
    Counter,
    /// Loop analyser; its resolution of a frequency is that of a current reading in relative terms.
    Analyser,
    /// Nothing on a working board.
    None,
}

/// Relative (or, for a temperature, of the rise) model uncertainty of a quantity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trust {
    /// Of the value itself, as a fraction of it.
    pub value: f64,
    /// Of a change against the original, as a fraction of the value: the two share board and model.
    pub change: f64,
}

/// A quantity.
#[derive(Debug)]
pub struct Quantity {
    /// Identifier in the record.
    pub id: &'static str,
    /// Label for people.
    pub label: &'static str,
    /// SI unit; "degC" for temperatures, "fraction" for a share of a whole, empty for a count.
    pub unit: &'static str,
    /// What it is, in a sentence; docs/physics.md has the long form.
    pub definition: &'static str,
    /// Whether parts are compared by it, or it only stands in the record.
    pub compared: bool,
    /// How its change is expressed.
    pub change_kind: ChangeKind,
    /// Which side is worse; `Within` where both are.
    pub side: Side,
    /// Where it is compared.
    pub scope: Scope,
    /// Instrument with which a bench would see it.
    pub instrument: Instrument,
    /// Model uncertainty (common practice).
    pub trust: Trust,
    /// Agreed change.
    pub agreed: fn(&AgreedChanges) -> Option<Agreed>,
}

/// Data and geometry: no uncertainty beyond what the case states.
const DATA: Trust = Trust { value: 0.0, change: 0.0 };
/// Steady waveforms: the model's own share beside its data (docs/validation.md; common practice).
const WAVEFORM: Trust = Trust { value: 0.01, change: 0.005 };
/// Mean output: what the loop regulates to is a matter of its data, which the model takes as they are.
const SET_POINT: Trust = Trust { value: 0.01, change: 0.0 };
/// Transients: what the amplifier and its network do beyond their data (common practice).
const TRANSIENT: Trust = Trust { value: 0.02, change: 0.01 };
/// Rise of temperature: one thermal resistance for winding and core (common practice).
const HEATING: Trust = Trust { value: 0.05, change: 0.02 };
/// Losses beyond their data (common practice).
const LOSS: Trust = Trust { value: 0.05, change: 0.02 };
/// Efficiency as a difference of fractions: losses that no datum describes, such as of tracks (common practice).
const EFFICIENCY: Trust = Trust { value: 0.005, change: 0.0005 };

/// Crossover: component tolerances move it (common practice).
const LOOP_FREQUENCY: Trust = Trust { value: 0.1, change: 0.02 };
/// Phase margin in degrees (common practice).
const LOOP_PHASE: Trust = Trust { value: 3.0, change: 1.0 };
/// Gain margin in dB (common practice).
const LOOP_GAIN: Trust = Trust { value: 1.0, change: 0.3 };
/// Load at which a limit acts, beyond threshold and data (common practice).
const TRIP: Trust = Trust { value: 0.01, change: 0.005 };
/// What a counter resolves of a frequency that jitters (common practice).
const COUNTER: f64 = 1e-3;

fn unagreed(_: &AgreedChanges) -> Option<Agreed> {
    None
}

const BASE: Quantity = Quantity {
    id: "",
    label: "",
    unit: "",
    definition: "",
    compared: true,
    change_kind: ChangeKind::Fraction,
    side: Side::AtMost,
    scope: Scope::Everywhere,
    instrument: Instrument::None,
    trust: DATA,
    agreed: unagreed,
};

/// All quantities, in the order of the rows.
pub static QUANTITIES: &[Quantity] = &[
    Quantity {
        id: "ripple_20mhz",
        label: "Output ripple, 20 MHz",
        unit: "V",
        definition: "Highest minus lowest output over whole periods of a steady state, through the first-order low-pass of the instrument.",
        instrument: Instrument::Voltage,
        trust: WAVEFORM,
        agreed: |changes| Some(changes.ripple),
        ..BASE
    },
    Quantity {
        id: "ripple_raw",
        label: "Output ripple, unfiltered",
        unit: "V",
        definition: "Highest minus lowest output over whole periods of a steady state.",
        instrument: Instrument::Voltage,
        trust: WAVEFORM,
        ..BASE
    },
    Quantity {
        id: "dip",
        label: "Load-step undershoot",
        unit: "V",
        definition: "Mean output before the load step minus the lowest output after it.",
        instrument: Instrument::Voltage,
        trust: TRANSIENT,
        agreed: |changes| Some(changes.step_deviation),
        ..BASE
    },
    Quantity {
        id: "rise",
        label: "Load-release overshoot",
        unit: "V",
        definition: "Highest output after the release minus the mean output before it.",
        instrument: Instrument::Voltage,
        trust: TRANSIENT,
        agreed: |changes| Some(changes.step_deviation),
        ..BASE
    },
    Quantity {
        id: "window",
        label: "Load-step peak-to-peak",
        unit: "V",
        definition: "Highest minus lowest output over load step and release.",
        instrument: Instrument::Voltage,
        trust: TRANSIENT,
        ..BASE
    },
    Quantity {
        id: "recovery",
        label: "Settling time",
        unit: "s",
        definition: "From leaving the band around the final mean to the last return into it, the longer of step and release.",
        instrument: Instrument::Time,
        trust: TRANSIENT,
        agreed: |changes| Some(changes.recovery),
        ..BASE
    },
    Quantity {
        id: "output_deviation",
        label: "Total output error",
        unit: "V",
        definition: "Largest distance of the output from the voltage aimed at over load step and release.",
        instrument: Instrument::Voltage,
        trust: TRANSIENT,
        ..BASE
    },
    Quantity {
        id: "regulation_error",
        label: "Output voltage error",
        unit: "V",
        definition: "Distance of the mean output of a steady state from the voltage aimed at.",
        instrument: Instrument::Voltage,
        trust: SET_POINT,
        ..BASE
    },
    Quantity {
        id: "limited_cycles",
        label: "Current-limited cycles",
        definition: "Cycles of a steady state or a step that the current limit ended, at its lowest threshold.",
        change_kind: ChangeKind::Difference,
        ..BASE
    },
    Quantity {
        id: "inductor_ripple",
        label: "Inductor ripple current",
        unit: "A",
        definition: "Highest minus lowest inductor current over whole periods of a steady state.",
        side: Side::Within,
        instrument: Instrument::Current,
        trust: WAVEFORM,
        agreed: |changes| Some(changes.inductor_ripple),
        ..BASE
    },
    Quantity {
        id: "peak_current",
        label: "Peak current",
        unit: "A",
        definition: "Highest inductor current in a steady state or a load step.",
        instrument: Instrument::Current,
        trust: WAVEFORM,
        agreed: |changes| Some(changes.peak_current),
        ..BASE
    },
    // Only where house rules ask for them.
    Quantity {
        id: "saturation_use",
        label: "Peak current of the saturation rating",
        unit: "fraction",
        definition: "Highest inductor current of a steady state, a load step or an input step over the part's own saturation current.",
        trust: WAVEFORM,
        ..BASE
    },
    Quantity {
        id: "heating_use",
        label: "Rms current of the heating rating",
        unit: "fraction",
        definition: "Root mean square of the inductor current of a steady state over the part's own heating current.",
        trust: WAVEFORM,
        ..BASE
    },
    Quantity {
        id: "inductance_at_peak",
        label: "Inductance at peak",
        unit: "H",
        definition: "Incremental inductance at the peak current of a steady state.",
        side: Side::AtLeast,
        trust: WAVEFORM,
        agreed: |changes| Some(changes.inductance),
        ..BASE
    },
    Quantity {
        id: "limit_current",
        label: "Peak current at limit, output shorted",
        unit: "A",
        definition: "Current reached with the output shorted when the current limit trips with its delay.",
        trust: WAVEFORM,
        ..BASE
    },
    Quantity {
        id: "limit_share",
        label: "Inductance at current limit",
        unit: "fraction",
        definition: "Incremental inductance at that current as a share of the nominal inductance.",
        side: Side::AtLeast,
        trust: WAVEFORM,
        ..BASE
    },
    // No run gives it where the load is delivered.
    Quantity {
        id: "undelivered",
        label: "Out of regulation",
        definition: "1 where the current limit does not let the load have its current.",
        change_kind: ChangeKind::Difference,
        ..BASE
    },
    Quantity {
        id: "start_time",
        label: "Start-up time",
        unit: "s",
        definition: "From the begin of a start until the output stays in its band.",
        instrument: Instrument::Time,
        trust: TRANSIENT,
        ..BASE
    },
    Quantity {
        id: "start_overshoot",
        label: "Start-up overshoot",
        unit: "V",
        definition: "Highest output of a start above the mean aimed at.",
        instrument: Instrument::Voltage,
        trust: TRANSIENT,
        ..BASE
    },
    Quantity {
        id: "start_fall",
        label: "Start-up sag",
        unit: "V",
        definition: "Largest fall of the output below its highest value so far, on the way up.",
        trust: TRANSIENT,
        ..BASE
    },
    Quantity {
        id: "start_peak",
        label: "Start-up peak current",
        unit: "A",
        definition: "Highest inductor current of a start.",
        instrument: Instrument::Current,
        trust: WAVEFORM,
        agreed: |changes| Some(changes.peak_current),
        ..BASE
    },
    Quantity {
        id: "start_limited",
        label: "Current-limited cycles at start-up",
        definition: "Cycles of a start that the current limit ended.",
        change_kind: ChangeKind::Difference,
        ..BASE
    },
    Quantity {
        id: "input_step_deviation",
        label: "Line-step deviation",
        unit: "V",
        definition: "Largest distance of the output from its mean before an edge of the input voltage.",
        instrument: Instrument::Voltage,
        trust: TRANSIENT,
        agreed: |changes| Some(changes.step_deviation),
        ..BASE
    },
    Quantity {
        id: "trip_lowest",
        label: "Overload trip current, min",
        unit: "A",
        definition: "Load from which on the output is lost, with the lowest threshold and the hottest winding.",
        side: Side::AtLeast,
        trust: TRIP,
        ..BASE
    },
    Quantity {
        id: "trip",
        label: "Overload trip current, typ",
        unit: "A",
        definition: "Load from which on the output is lost, with the typical threshold.",
        side: Side::Within,
        instrument: Instrument::Current,
        trust: TRIP,
        agreed: |changes| Some(changes.trip),
        ..BASE
    },
    Quantity {
        id: "trip_highest",
        label: "Overload trip current, max",
        unit: "A",
        definition: "Load from which on the output is lost, with the highest threshold and the coldest winding.",
        trust: TRIP,
        ..BASE
    },
    Quantity {
        id: "short_peak",
        label: "Short-circuit peak current",
        unit: "A",
        definition: "Highest inductor current of a short circuit and its end.",
        trust: WAVEFORM,
        agreed: |changes| Some(changes.peak_current),
        ..BASE
    },
    Quantity {
        id: "short_share",
        label: "Inductance at short-circuit peak",
        unit: "fraction",
        definition: "Incremental inductance at that current as a share of the nominal inductance.",
        side: Side::AtLeast,
        trust: WAVEFORM,
        ..BASE
    },
    Quantity {
        id: "short_energy",
        label: "Energy, first cycles",
        unit: "J",
        definition: "Energy from the source in the first cycles of a short circuit.",
        trust: TRANSIENT,
        ..BASE
    },
    Quantity {
        id: "short_overshoot",
        label: "Overshoot after short circuit",
        unit: "V",
        definition: "Highest output above its mean after the end of a short circuit.",
        trust: TRANSIENT,
        ..BASE
    },
    Quantity {
        id: "short_recovery",
        label: "Settling after short circuit",
        unit: "s",
        definition: "From the end of a short circuit until the output stays in its band.",
        trust: TRANSIENT,
        ..BASE
    },
    Quantity {
        id: "light_ripple",
        label: "Light-load ripple",
        unit: "V",
        definition: "Largest ripple through the instrument at any load down to the lightest.",
        instrument: Instrument::Voltage,
        trust: TRANSIENT,
        agreed: |changes| Some(changes.ripple),
        ..BASE
    },
    Quantity {
        id: "pattern_frequency",
        label: "Light-load pulse rate",
        unit: "Hz",
        definition: "Repetition of pulses or bursts at the lightest load.",
        side: Side::AtLeast,
        instrument: Instrument::Counter,
        trust: TRANSIENT,
        ..BASE
    },
    Quantity {
        id: "boundary",
        label: "CCM boundary (load current)",
        unit: "A",
        definition: "Load at which the valley of the inductor current comes down to zero.",
        side: Side::Within,
        instrument: Instrument::Current,
        trust: WAVEFORM,
        ..BASE
    },
    Quantity {
        id: "periods",
        label: "Steady waveform (cycles to a repeat)",
        definition: "Switching periods after which the steady waveform repeats.",
        ..BASE
    },
    Quantity {
        id: "multiplier",
        label: "Stability multiplier",
        definition: "Largest eigenvalue, by magnitude, of the linearised map over one repetition.",
        ..BASE
    },
    Quantity {
        id: "slope_margin",
        label: "Inductance / minimum for slope compensation",
        unit: "fraction",
        definition: "Mean inductance over the ripple divided by the least with which cycles do not alternate.",
        side: Side::AtLeast,
        trust: WAVEFORM,
        ..BASE
    },
    Quantity {
        id: "tap_ripple",
        label: "Ripple at the feedback node",
        unit: "V",
        definition: "Highest minus lowest voltage at the divider tap of ripple-based control.",
        side: Side::AtLeast,
        instrument: Instrument::Voltage,
        trust: WAVEFORM,
        ..BASE
    },
    Quantity {
        id: "frequency",
        label: "Switching frequency",
        unit: "Hz",
        definition: "Cycles a second of control without a clock.",
        side: Side::Within,
        scope: Scope::FullLoad,
        instrument: Instrument::Counter,
        trust: WAVEFORM,
        agreed: |changes| Some(changes.frequency),
        ..BASE
    },
    Quantity {
        id: "crossover",
        label: "Crossover, full load",
        unit: "Hz",
        definition: "Frequency at which the loop gain falls through one.",
        side: Side::Within,
        scope: Scope::FullLoad,
        instrument: Instrument::Analyser,
        trust: LOOP_FREQUENCY,
        agreed: |changes| Some(changes.crossover),
        ..BASE
    },
    Quantity {
        id: "phase_margin",
        label: "Phase margin",
        unit: "deg",
        definition: "Phase of the loop gain above -180 degrees at the crossover.",
        change_kind: ChangeKind::Difference,
        side: Side::AtLeast,
        trust: LOOP_PHASE,
        ..BASE
    },
    Quantity {
        id: "gain_margin",
        label: "Gain margin",
        unit: "dB",
        definition: "Loop gain below one where its phase passes -180 degrees.",
        change_kind: ChangeKind::Difference,
        side: Side::AtLeast,
        trust: LOOP_GAIN,
        ..BASE
    },
    Quantity {
        id: "inductor_loss",
        label: "Inductor loss",
        unit: "W",
        definition: "Loss of winding and core.",
        trust: LOSS,
        ..BASE
    },
    Quantity {
        id: "winding_temperature",
        label: "Winding temperature",
        unit: "degC",
        definition: "Temperature at which heating and loss of the part balance.",
        change_kind: ChangeKind::Difference,
        instrument: Instrument::Temperature,
        trust: HEATING,
        agreed: |changes| Some(changes.temperature_k),
        ..BASE
    },
    Quantity {
        id: "efficiency",
        label: "Efficiency, full load",
        unit: "fraction",
        definition: "Power into the load over power from the source, drive and quiescent power included.",
        change_kind: ChangeKind::Difference,
        side: Side::AtLeast,
        scope: Scope::FullLoadNominal,
        instrument: Instrument::Efficiency,
        trust: EFFICIENCY,
        agreed: |changes| Some(changes.efficiency),
        ..BASE
    },
    Quantity {
        id: "input_ripple_use",
        label: "Input capacitors, ripple current of rating",
        unit: "fraction",
        definition: "Root mean square of the current in a branch of the input capacitors over its rating, the highest of all branches with a rating.",
        trust: WAVEFORM,
        ..BASE
    },
    Quantity {
        id: "input_ripple_current",
        label: "Input capacitors, ripple current",
        unit: "A",
        definition: "Root mean square of the current in a branch of the input capacitors, the highest of those without a rating, or where all have one of all.",
        trust: WAVEFORM,
        ..BASE
    },
    Quantity {
        id: "output_ripple_use",
        label: "Output capacitors, ripple current of rating",
        unit: "fraction",
        definition: "Root mean square of the current in a branch of the output capacitors over its rating, the highest of all branches with a rating.",
        trust: WAVEFORM,
        ..BASE
    },
    Quantity {
        id: "output_ripple_current",
        label: "Output capacitors, ripple current",
        unit: "A",
        definition: "Root mean square of the current in a branch of the output capacitors, the highest of those without a rating, or where all have one of all.",
        trust: WAVEFORM,
        ..BASE
    },
    Quantity {
        id: "working_voltage",
        label: "Working voltage rating",
        unit: "V",
        definition: "Rated voltage between the terminals.",
        side: Side::AtLeast,
        ..BASE
    },
    Quantity {
        id: "self_resonance",
        label: "Self-resonance",
        unit: "Hz",
        definition: "Frequency at which the part resonates with its own capacitance.",
        side: Side::AtLeast,
        ..BASE
    },
    Quantity {
        id: "body_height",
        label: "Body height",
        unit: "m",
        definition: "Height of the body above the board.",
        ..BASE
    },
    Quantity {
        id: "body_length",
        label: "Body length",
        unit: "m",
        definition: "Length of the body along the axis through both terminals.",
        ..BASE
    },
    Quantity {
        id: "body_width",
        label: "Body width",
        unit: "m",
        definition: "Width of the body across that axis.",
        ..BASE
    },
    Quantity {
        id: "terminal_on_pad",
        label: "Pad coverage",
        unit: "fraction",
        definition: "Share of a terminal that lies on its pad, both pairs centred.",
        side: Side::AtLeast,
        ..BASE
    },
    Quantity {
        id: "grade",
        label: "Grade (1 commercial, 2 industrial, 3 automotive)",
        definition: "Grade of the part, in the order of what it asks.",
        change_kind: ChangeKind::Difference,
        side: Side::AtLeast,
        ..BASE
    },
    Quantity {
        id: "shield",
        label: "Shield (1 none, 2 partial, 3 full)",
        definition: "How far the field of the part stays in its body.",
        change_kind: ChangeKind::Difference,
        side: Side::AtLeast,
        ..BASE
    },
    Quantity {
        id: "start_mark",
        label: "Beginning of the winding marked (1 yes, 0 no)",
        definition: "Whether the body shows where the winding begins, so that it can be placed as the original is.",
        change_kind: ChangeKind::Difference,
        side: Side::AtLeast,
        ..BASE
    },
    Quantity {
        id: "toe_fillet",
        label: "Toe fillet",
        unit: "m",
        definition: "Extent of the pad beyond the outer end of the terminal, of nominal dimensions, both pairs centred.",
        change_kind: ChangeKind::Difference,
        side: Side::AtLeast,
        ..BASE
    },
    Quantity {
        id: "heel_fillet",
        label: "Heel fillet",
        unit: "m",
        definition: "Extent of the pad beyond the inner end of the terminal, of nominal dimensions, both pairs centred.",
        change_kind: ChangeKind::Difference,
        side: Side::AtLeast,
        ..BASE
    },
    Quantity {
        id: "side_fillet",
        label: "Side fillet",
        unit: "m",
        definition: "Extent of the pad beyond the each side of the terminal, of nominal dimensions, both pairs centred.",
        change_kind: ChangeKind::Difference,
        side: Side::AtLeast,
        ..BASE
    },
    Quantity {
        id: "dropout_minimum",
        label: "Lowest output in an input dropout",
        unit: "V",
        definition: "Lowest output from the begin of a dropout of the input on.",
        side: Side::AtLeast,
        instrument: Instrument::Voltage,
        trust: TRANSIENT,
        ..BASE
    },
    Quantity {
        id: "dropout_overshoot",
        label: "Overshoot as the input returns",
        unit: "V",
        definition: "Highest output from the begin of the input's return on, above the voltage aimed at.",
        instrument: Instrument::Voltage,
        trust: TRANSIENT,
        agreed: |changes| Some(changes.step_deviation),
        ..BASE
    },
    Quantity {
        id: "dropout_settling",
        label: "Settling after input dropout",
        unit: "s",
        definition: "From the end of the input's return until the output stays in its band.",
        instrument: Instrument::Time,
        trust: TRANSIENT,
        ..BASE
    },
    Quantity {
        id: "dropout_peak",
        label: "Input-dropout peak current",
        unit: "A",
        definition: "Highest inductor current of a dropout of the input and its return.",
        instrument: Instrument::Current,
        trust: WAVEFORM,
        agreed: |changes| Some(changes.peak_current),
        ..BASE
    },
    // Recorded and not compared.
    Quantity {
        id: "output_mean",
        label: "Output, mean",
        unit: "V",
        definition: "Mean output of a steady state.",
        compared: false,
        ..BASE
    },
    Quantity {
        id: "duty",
        label: "Duty",
        unit: "fraction",
        definition: "Share of the time for which the high side conducts.",
        compared: false,
        ..BASE
    },
    Quantity {
        id: "current_low",
        label: "Lowest current",
        unit: "A",
        definition: "Lowest inductor current of a steady state.",
        compared: false,
        ..BASE
    },
    Quantity {
        id: "current_rms",
        label: "Current, rms",
        unit: "A",
        definition: "Root mean square of the inductor current of a steady state.",
        compared: false,
        ..BASE
    },
    Quantity {
        id: "discontinuous",
        label: "Discontinuous",
        unit: "",
        definition: "1 where the inductor current rests at zero in part of every period.",
        compared: false,
        ..BASE
    },
    Quantity {
        id: "winding_dc_loss",
        label: "DC copper loss",
        unit: "W",
        definition: "Loss of the winding from the true rms current and its resistance when warm.",
        compared: false,
        ..BASE
    },
    Quantity {
        id: "winding_ac_loss",
        label: "AC copper loss",
        unit: "W",
        definition: "Further loss of the winding by alternating current.",
        compared: false,
        ..BASE
    },
    Quantity {
        id: "core_loss",
        label: "Core loss",
        unit: "W",
        definition: "Loss of the core.",
        compared: false,
        ..BASE
    },
    Quantity {
        id: "total_loss",
        label: "All losses",
        unit: "W",
        definition: "Losses of inductor, switches, drive and capacitors.",
        compared: false,
        ..BASE
    },
    Quantity {
        id: "input_step_recovery",
        label: "Line-step settling",
        unit: "s",
        definition: "From leaving the band around the final mean to the last return, the longer of both edges of the input.",
        compared: false,
        ..BASE
    },
    Quantity {
        id: "input_step_peak",
        label: "Line-step peak current",
        unit: "A",
        definition: "Highest inductor current of a step of the input voltage.",
        instrument: Instrument::Current,
        trust: WAVEFORM,
        ..BASE
    },
    Quantity {
        id: "overload_peak",
        label: "Overload peak current",
        unit: "A",
        definition: "Highest inductor current of an overload.",
        instrument: Instrument::Current,
        trust: WAVEFORM,
        ..BASE
    },
];

impl PartialEq for Quantity {
    /// By identifier, which the table has once.
    fn eq(&self, other: &Quantity) -> bool {
        self.id == other.id
    }
}

impl Quantity {
    /// Smallest change in the quantity's unit that the bench resolves at a value; `None` where a bench cannot read it.
    pub fn bench_resolution(&self, bench: &Bench, value: f64) -> Option<f64> {
        match self.instrument {
            Instrument::Voltage => Some(bench.voltage_v + bench.voltage * value.abs()),
            Instrument::Current | Instrument::Analyser => Some(bench.current * value.abs()),
            Instrument::Time => Some(bench.time_s),
            Instrument::Counter => Some(COUNTER * value.abs()),
            Instrument::Temperature => Some(bench.temperature_k),
            Instrument::Efficiency => Some(bench.efficiency),
            Instrument::None => None,
        }
    }

    /// Uncertainty of a value in its unit: a share of it, of the rise for a temperature, or as it stands where changes are
    /// differences.
    pub fn uncertainty(&self, value: f64, ambient_degc: f64) -> f64 {
        self.trust.value * self.trust_base(value, ambient_degc)
    }

    /// Uncertainty of a change, expressed as the change is.
    pub fn change_uncertainty(&self, value: f64, ambient_degc: f64) -> f64 {
        match self.change_kind {
            ChangeKind::Fraction => self.trust.change,
            ChangeKind::Difference => self.trust.change * self.trust_base(value, ambient_degc),
        }
    }

    /// Uncertainty of a change between two values of about a size, in the quantity's unit.
    pub fn uncertainty_of_difference(&self, value: f64, ambient_degc: f64) -> f64 {
        let of = if self.change_kind == ChangeKind::Fraction { value.abs() } else { 1.0 };
        self.change_uncertainty(value, ambient_degc) * of
    }

    fn trust_base(&self, value: f64, ambient_degc: f64) -> f64 {
        match (self.unit, self.change_kind) {
            ("degC", _) => (value - ambient_degc).abs(),
            (_, ChangeKind::Fraction) => value.abs(),
            (_, ChangeKind::Difference) => 1.0,
        }
    }
}

/// The quantity with an identifier.
pub fn find(id: &str) -> Option<&'static Quantity> {
    QUANTITIES.iter().find(|quantity| quantity.id == id)
}
