//! The quantities: one table that drives values, rows, limits and judgements.

use crate::model::case::{Agreed, AgreedChanges, Bench, Case};
use crate::model::parts::{CoreFamily, Inductor};
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
    /// Absolute limit of a part on the board.
    pub limit: fn(&Case, &Inductor) -> Option<Limit>,
    /// Agreed change.
    pub agreed: fn(&AgreedChanges) -> Option<Agreed>,
}

/// Data and geometry: no uncertainty beyond what the case states.
const DATA: Trust = Trust { value: 0.0, change: 0.0 };
/// Steady waveforms (common practice: a switched model with good data is within a few per cent).
const WAVEFORM: Trust = Trust { value: 0.03, change: 0.01 };
/// Load step: depends on the tolerance of compensation parts too (common practice).
const TRANSIENT: Trust = Trust { value: 0.05, change: 0.02 };
/// Rise of temperature: the thermal resistance comes from the maker's board (common practice: 15 % on a similar board).
const HEATING: Trust = Trust { value: 0.15, change: 0.03 };
/// Losses, relative (common practice).
const LOSS: Trust = Trust { value: 0.2, change: 0.02 };
/// Efficiency as a difference of fractions (common practice: 1 to 2 points absolute, 0.3 points between two inductors; the
/// copper part of the difference is known much better).
const EFFICIENCY: Trust = Trust { value: 0.01, change: 0.0005 };

/// Crossover: component tolerances move it (common practice).
const LOOP_FREQUENCY: Trust = Trust { value: 0.1, change: 0.02 };
/// Phase margin in degrees (common practice).
const LOOP_PHASE: Trust = Trust { value: 3.0, change: 1.0 };
/// Gain margin in dB (common practice).
const LOOP_GAIN: Trust = Trust { value: 1.0, change: 0.3 };
/// Phase margin in degrees that is usually asked for (common practice; 45 to 60 degrees).
const USUAL_PHASE_MARGIN_DEG: f64 = 45.0;
/// Gain margin in dB that is usually asked for at the least (common practice).
const USUAL_GAIN_MARGIN_DB: f64 = 6.0;

/// Load at which a limit acts: the threshold's spread is in the conditions, what remains is the model (common practice).
const TRIP: Trust = Trust { value: 0.03, change: 0.01 };
/// Overshoot of a start as a share of the output voltage that is usually accepted (common practice; 2 to 5 %).
const USUAL_OVERSHOOT: f64 = 0.05;
/// Fall of the output on its way up, as a share of the output voltage, from which a start is no longer called monotonic (common
/// practice).
const USUAL_FALL: f64 = 0.05;
/// Least ripple in V on which a comparator without an amplifier works without double pulses (design guides ask for 20 mV or more).
const USUAL_TAP_RIPPLE_V: f64 = 20e-3;
/// What a counter resolves of a frequency that jitters (common practice).
const COUNTER: f64 = 1e-3;

/// A lowest value that the case states, or the usual one.
fn stated_or(stated: Option<f64>, usual: f64) -> Limit {
    at_least(stated.unwrap_or(usual), stated.is_some())
}

fn unstated_at_most(value: f64) -> Limit {
    Limit { value, side: Side::AtMost, stated: false }
}

fn overshoot_limit(case: &Case) -> Limit {
    let share = case.limits.start_overshoot;
    Limit { value: share.unwrap_or(USUAL_OVERSHOOT) * case.board.output_v, side: Side::AtMost, stated: share.is_some() }
}

/// A board that gives way below its full load does not deliver it.
fn lowest_trip(case: &Case) -> Limit {
    let full_a = case.board.full_load_a();
    at_least(case.limits.trip_a.0.unwrap_or(full_a), true)
}

fn none(_: &Case, _: &Inductor) -> Option<Limit> {
    None
}

fn unagreed(_: &AgreedChanges) -> Option<Agreed> {
    None
}

fn at_most(value: Option<f64>) -> Option<Limit> {
    value.map(|value| Limit { value, side: Side::AtMost, stated: true })
}

fn at_least(value: f64, stated: bool) -> Limit {
    Limit { value, side: Side::AtLeast, stated }
}

/// Share of the nominal inductance that should be left at the limit current (common practice: 70 % with a hard knee, 50 %
/// with soft saturation).
fn least_share_at_limit(part: &Inductor) -> f64 {
    match part.core {
        CoreFamily::Ferrite => 0.7,
        CoreFamily::Composite | CoreFamily::IronPowder => 0.5,
    }
}

fn winding_limit(case: &Case, part: &Inductor) -> Option<Limit> {
    let limits = [case.limits.winding_degc, part.max_temperature_degc];
    at_most(limits.into_iter().flatten().reduce(f64::min))
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
    limit: none,
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
        limit: |case, _| at_most(case.limits.ripple_v),
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
        label: "Dip at the load step",
        unit: "V",
        definition: "Mean output before the load step minus the lowest output after it.",
        instrument: Instrument::Voltage,
        trust: TRANSIENT,
        limit: |case, _| at_most(case.limits.step_deviation_v),
        agreed: |changes| Some(changes.step_deviation),
        ..BASE
    },
    Quantity {
        id: "rise",
        label: "Rise at the release",
        unit: "V",
        definition: "Highest output after the release minus the mean output before it.",
        instrument: Instrument::Voltage,
        trust: TRANSIENT,
        limit: |case, _| at_most(case.limits.step_deviation_v),
        agreed: |changes| Some(changes.step_deviation),
        ..BASE
    },
    Quantity {
        id: "window",
        label: "Window of the load step",
        unit: "V",
        definition: "Highest minus lowest output over load step and release.",
        instrument: Instrument::Voltage,
        trust: TRANSIENT,
        ..BASE
    },
    Quantity {
        id: "recovery",
        label: "Recovery into the band",
        unit: "s",
        definition: "From leaving the band around the final mean to the last return into it, the longer of step and release.",
        instrument: Instrument::Time,
        trust: TRANSIENT,
        limit: |case, _| at_most(case.limits.recovery_s),
        agreed: |changes| Some(changes.recovery),
        ..BASE
    },
    Quantity {
        id: "output_deviation",
        label: "Output off its aim, all in",
        unit: "V",
        definition: "Largest distance of the output from the voltage aimed at over load step and release.",
        instrument: Instrument::Voltage,
        trust: TRANSIENT,
        limit: |case, _| at_most(case.limits.output_band.map(|band| band * case.board.output_v)),
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
        limit: |case, _| at_most(case.board.control.protection.lowest_peak_a()),
        agreed: |changes| Some(changes.peak_current),
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
        label: "Peak at limit, shorted",
        unit: "A",
        definition: "Current reached with the output shorted when the current limit trips with its delay.",
        trust: WAVEFORM,
        limit: |case, _| at_most(case.board.stage.pulse_rating_a),
        ..BASE
    },
    Quantity {
        id: "limit_share",
        label: "Inductance left at limit",
        unit: "fraction",
        definition: "Incremental inductance at that current as a share of the nominal inductance.",
        side: Side::AtLeast,
        trust: WAVEFORM,
        limit: |_, part| Some(at_least(least_share_at_limit(part), false)),
        ..BASE
    },
    // No run gives it where the load is delivered.
    Quantity {
        id: "undelivered",
        label: "Loads not delivered",
        definition: "1 where the current limit does not let the load have its current.",
        limit: |_, _| at_most(Some(0.0)),
        change_kind: ChangeKind::Difference,
        ..BASE
    },
    Quantity {
        id: "start_time",
        label: "Time to start",
        unit: "s",
        definition: "From the begin of a start until the output stays in its band.",
        instrument: Instrument::Time,
        trust: TRANSIENT,
        limit: |case, _| at_most(case.limits.start_s),
        ..BASE
    },
    Quantity {
        id: "start_overshoot",
        label: "Overshoot at the start",
        unit: "V",
        definition: "Highest output of a start above the mean aimed at.",
        instrument: Instrument::Voltage,
        trust: TRANSIENT,
        limit: |case, _| Some(overshoot_limit(case)),
        ..BASE
    },
    Quantity {
        id: "start_fall",
        label: "Fall on the way up",
        unit: "V",
        definition: "Largest fall of the output below its highest value so far, on the way up.",
        trust: TRANSIENT,
        limit: |case, _| Some(unstated_at_most(USUAL_FALL * case.board.output_v)),
        ..BASE
    },
    Quantity {
        id: "start_peak",
        label: "Peak current at the start",
        unit: "A",
        definition: "Highest inductor current of a start.",
        instrument: Instrument::Current,
        trust: WAVEFORM,
        agreed: |changes| Some(changes.peak_current),
        ..BASE
    },
    Quantity {
        id: "start_limited",
        label: "Limited cycles at the start",
        definition: "Cycles of a start that the current limit ended.",
        change_kind: ChangeKind::Difference,
        limit: |_, _| Some(unstated_at_most(0.0)),
        ..BASE
    },
    Quantity {
        id: "input_step_deviation",
        label: "Deviation at input step",
        unit: "V",
        definition: "Largest distance of the output from its mean before an edge of the input voltage.",
        instrument: Instrument::Voltage,
        trust: TRANSIENT,
        limit: |case, _| at_most(case.limits.input_step_v),
        agreed: |changes| Some(changes.step_deviation),
        ..BASE
    },
    Quantity {
        id: "trip_lowest",
        label: "Gives way at, earliest",
        unit: "A",
        definition: "Load from which on the output is lost, with the lowest threshold and the hottest winding.",
        side: Side::AtLeast,
        trust: TRIP,
        limit: |case, _| Some(lowest_trip(case)),
        ..BASE
    },
    Quantity {
        id: "trip",
        label: "Gives way at, typical",
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
        label: "Gives way at, latest",
        unit: "A",
        definition: "Load from which on the output is lost, with the highest threshold and the coldest winding.",
        trust: TRIP,
        limit: |case, _| at_most(case.limits.trip_a.1),
        ..BASE
    },
    Quantity {
        id: "short_peak",
        label: "Peak in a short circuit",
        unit: "A",
        definition: "Highest inductor current of a short circuit and its end.",
        trust: WAVEFORM,
        limit: |case, _| at_most(case.board.stage.pulse_rating_a),
        agreed: |changes| Some(changes.peak_current),
        ..BASE
    },
    Quantity {
        id: "short_share",
        label: "Inductance left in short",
        unit: "fraction",
        definition: "Incremental inductance at that current as a share of the nominal inductance.",
        side: Side::AtLeast,
        trust: WAVEFORM,
        limit: |_, part| Some(at_least(least_share_at_limit(part), false)),
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
        label: "Overshoot after short",
        unit: "V",
        definition: "Highest output above its mean after the end of a short circuit.",
        trust: TRANSIENT,
        limit: |case, _| Some(overshoot_limit(case)),
        ..BASE
    },
    Quantity {
        id: "short_recovery",
        label: "Recovery after short",
        unit: "s",
        definition: "From the end of a short circuit until the output stays in its band.",
        trust: TRANSIENT,
        ..BASE
    },
    Quantity {
        id: "light_ripple",
        label: "Ripple towards light load",
        unit: "V",
        definition: "Largest ripple through the instrument at any load down to the lightest.",
        instrument: Instrument::Voltage,
        trust: TRANSIENT,
        limit: |case, _| at_most(case.limits.ripple_v),
        agreed: |changes| Some(changes.ripple),
        ..BASE
    },
    Quantity {
        id: "pattern_frequency",
        label: "Pulses at lightest load",
        unit: "Hz",
        definition: "Repetition of pulses or bursts at the lightest load.",
        side: Side::AtLeast,
        instrument: Instrument::Counter,
        trust: TRANSIENT,
        ..BASE
    },
    Quantity {
        id: "boundary",
        label: "Conducts on down to",
        unit: "A",
        definition: "Load at which the valley of the inductor current comes down to zero.",
        side: Side::Within,
        instrument: Instrument::Current,
        trust: WAVEFORM,
        ..BASE
    },
    Quantity {
        id: "periods",
        label: "Periods until it repeats",
        definition: "Switching periods after which the steady waveform repeats.",
        limit: |_, _| at_most(Some(1.0)),
        ..BASE
    },
    Quantity {
        id: "multiplier",
        label: "Largest multiplier",
        definition: "Largest eigenvalue, by magnitude, of the linearised map over one repetition.",
        ..BASE
    },
    Quantity {
        id: "slope_margin",
        label: "Inductance over least",
        unit: "fraction",
        definition: "Mean inductance over the ripple divided by the least with which cycles do not alternate.",
        side: Side::AtLeast,
        trust: WAVEFORM,
        limit: |_, _| Some(at_least(1.0, false)),
        ..BASE
    },
    Quantity {
        id: "tap_ripple",
        label: "Ripple at the tap",
        unit: "V",
        definition: "Highest minus lowest voltage at the divider tap of ripple-based control.",
        side: Side::AtLeast,
        instrument: Instrument::Voltage,
        trust: WAVEFORM,
        limit: |_, _| Some(at_least(USUAL_TAP_RIPPLE_V, false)),
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
        limit: |case, _| Some(stated_or(case.limits.phase_margin_deg, USUAL_PHASE_MARGIN_DEG)),
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
        limit: |case, _| Some(stated_or(case.limits.gain_margin_db, USUAL_GAIN_MARGIN_DB)),
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
        limit: winding_limit,
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
        limit: |case, _| case.limits.efficiency.map(|least| at_least(least, true)),
        agreed: |changes| Some(changes.efficiency),
        ..BASE
    },
    Quantity {
        id: "working_voltage",
        label: "Working voltage rating",
        unit: "V",
        definition: "Rated voltage between the terminals.",
        side: Side::AtLeast,
        limit: |case, _| Some(at_least(case.board.highest_input_v(), true)),
        ..BASE
    },
    Quantity {
        id: "body_height",
        label: "Body height",
        unit: "m",
        definition: "Height of the body above the board.",
        limit: |case, _| at_most(case.board.keep_out.map(|room| room.height_m)),
        ..BASE
    },
    Quantity {
        id: "body_length",
        label: "Body length",
        unit: "m",
        definition: "Length of the body along the axis through both terminals.",
        limit: |case, _| at_most(case.board.keep_out.map(|room| room.length_m)),
        ..BASE
    },
    Quantity {
        id: "body_width",
        label: "Body width",
        unit: "m",
        definition: "Width of the body across that axis.",
        limit: |case, _| at_most(case.board.keep_out.map(|room| room.width_m)),
        ..BASE
    },
    Quantity {
        id: "terminal_on_pad",
        label: "Terminal area on the pads",
        unit: "fraction",
        definition: "Share of a terminal that lies on its pad, both pairs centred.",
        side: Side::AtLeast,
        limit: |_, _| Some(at_least(LEAST_TERMINAL_ON_PAD, false)),
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
        label: "Winding loss, direct current",
        unit: "W",
        definition: "Loss of the winding from the true rms current and its resistance when warm.",
        compared: false,
        ..BASE
    },
    Quantity {
        id: "winding_ac_loss",
        label: "Winding loss, alternating current",
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
        label: "Recovery after input step",
        unit: "s",
        definition: "From leaving the band around the final mean to the last return, the longer of both edges of the input.",
        compared: false,
        ..BASE
    },
    Quantity {
        id: "input_step_peak",
        label: "Peak at input step",
        unit: "A",
        definition: "Highest inductor current of a step of the input voltage.",
        compared: false,
        ..BASE
    },
    Quantity {
        id: "overload_peak",
        label: "Peak in overload",
        unit: "A",
        definition: "Highest inductor current of an overload.",
        compared: false,
        ..BASE
    },
];

/// Share of a terminal's area that should lie on its pad (common practice).
const LEAST_TERMINAL_ON_PAD: f64 = 0.75;

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
