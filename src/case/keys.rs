//! The table of all keys. Validation, the JSON Schema and the documentation of the format follow from it.

use crate::units::Dimension::{self, *};

/// What a key holds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Kind {
    /// Free text.
    Text,
    /// One of the listed words.
    Choice(&'static [&'static str]),
    /// true or false.
    Flag,
    /// A whole number.
    Count,
    /// One quantity.
    Quantity(Dimension),
    /// A list of quantities, strictly ascending.
    Quantities(Dimension),
    /// A list of texts.
    Texts,
    /// Rows of numbers, one number for each entry of `columns`.
    Rows,
    /// A table whose keys are free and whose values are texts.
    Pairs,
    /// A table with keys of its own.
    Table,
    /// A list of tables.
    Tables,
}

/// Whether a key must be given, and what holds if it is not.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Need {
    /// Must be given.
    Required,
    /// May be absent; the text says what that means.
    Optional(&'static str),
    /// (value taken, reason): listed among the assumptions.
    Default(&'static str, &'static str),
    /// Calculated by the stated rule; listed among the assumptions.
    Derived(&'static str),
    /// By the table of missing data ([`crate::model::doubt`]); listed as absent.
    Ruled,
}

/// One row of the table.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Key {
    /// Path from the root of the file; a list of tables counts as one step.
    pub path: &'static str,
    /// What it holds.
    pub kind: Kind,
    /// Required, or what holds without it.
    pub need: Need,
    /// Lowest and highest value allowed, in SI.
    pub range: (f64, f64),
    /// Example, as written in TOML.
    pub example: &'static str,
    /// Meaning.
    pub text: &'static str,
    /// The key belongs only to these values of the sibling key `kind`; empty: always.
    pub only: &'static [&'static str],
    /// Length of the path of the table that holds the key: looked for once, since every value of a long list is held against the table.
    pub(super) parent_length: usize,
}

impl Key {
    /// Last step of the path.
    pub fn name(&self) -> &'static str {
        if self.parent_length == 0 { self.path } else { &self.path[self.parent_length + 1..] }
    }

    /// Path of the table that holds the key; empty at the root.
    pub fn parent(&self) -> &'static str {
        &self.path[..self.parent_length]
    }

    /// A row for all kinds.
    pub const fn new(
        path: &'static str,
        kind: Kind,
        need: Need,
        range: (f64, f64),
        example: &'static str,
        text: &'static str,
    ) -> Key {
        Key { path, kind, need, range, example, text, only: &[], parent_length: parent_of(path) }
    }

    const fn only(mut self, kinds: &'static [&'static str]) -> Key {
        self.only = kinds;
        self
    }
}

/// Rows whose parent is the given table.
pub fn children<'a, 'k>(keys: &'k [Key], parent: &'a str) -> impl Iterator<Item = &'k Key> + 'a
where
    'k: 'a,
{
    keys.iter().filter(move |k| k.parent() == parent)
}

use Kind::*;
use Need::{Default as Std, Derived, Optional as Opt, Required as Req, Ruled};

/// Bytes before the last point of a path; 0 where it has none.
const fn parent_of(path: &str) -> usize {
    let mut at = path.len();
    while at > 0 {
        at -= 1;
        if path.as_bytes()[at] == b'.' {
            return at;
        }
    }
    0
}

const fn key(path: &'static str, kind: Kind, need: Need, example: &'static str, text: &'static str) -> Key {
    Key::new(path, kind, need, (f64::NEG_INFINITY, f64::INFINITY), example, text)
}

/// A quantity with its range in SI.
const fn q(
    path: &'static str,
    d: Dimension,
    need: Need,
    low: f64,
    high: f64,
    example: &'static str,
    text: &'static str,
) -> Key {
    Key::new(path, Quantity(d), need, (low, high), example, text)
}

const OP_AMP: &[&str] = &["op-amp"];
const OTA: &[&str] = &["transconductance"];
const ANY_AMPLIFIER: &[&str] = &["op-amp", "transconductance", "margins"];
const RIPPLE: &[&str] = &["ripple"];
/// With a divider whose resistors the case states.
const DIVIDER: &[&str] = &["op-amp", "ripple"];
/// With a comparator that holds something against a reference.
const REFERENCE: &[&str] = &["op-amp", "transconductance", "ripple", "margins"];
const RANDOM: &[&str] = &["random"];
const COMPARATOR: &[&str] = &["voltage-mode", "peak-current", "constant-on-time", "hysteretic"];
const BY_CURRENT: &[&str] = &["peak", "valley"];
const BY_WINDING: &[&str] = &["winding"];
const ANY_LIMIT: &[&str] = &["peak", "valley", "winding"];
/// Requirements that a waiver can name.
const REQUIREMENTS: &[&str] = &[
    "regulation",
    "cycles_alike",
    "winding_temperature",
    "limit_not_acting",
    "below_limit",
    "pulse_rating",
    "ripple",
    "step_deviation",
    "settling",
    "output_band",
    "line_step",
    "dropout_overshoot",
    "start_time",
    "start_overshoot",
    "delivers_full_load",
    "trip_highest",
    "phase_margin",
    "gain_margin",
    "efficiency",
    "input_ripple_rating",
    "input_ripple_current",
    "output_ripple_rating",
    "output_ripple_current",
];
const CP: &str = "common practice";
const UNANSWERED: &str = "simulated without and with it (missing-data.md), unless `control.without` names it";
const FILLETS: &str = "usual density of IPC-7351 for end terminals, from memory of the trade: check against your copy";

/// Keys of `board.toml`.
#[rustfmt::skip] // one row a line, as a table
pub const BOARD: &[Key] = &[
    key("title", Text, Req, "\"Pump controller, 24 V to 5 V\"", "Title of the board and the question, for people."),
    key("original", Text, Req, "\"Teal-10\"", "Name of the part now on the board. All other parts are substitutes, in the order of the files."),
    key("rules", Text, Opt("no house rules bind"), "\"rules.toml\"", "File with the company's own deratings, relative to the case; `../rules.toml` serves several cases. Its hash stands in the record."),
    key("input", Table, Req, "", "Input."),
    Key { range: (1.0, 1000.0), ..key("input.voltages", Quantities(Voltage), Req, "[\"18 V\", \"24 V\", \"32 V\"]", "Input voltages to be simulated, ascending.") },
    q("input.nominal", Voltage, Req, 1.0, 1000.0, "\"24 V\"", "Nominal input voltage, one of `input.voltages`."),
    key("input.capacitors", Tables, Opt("the ripple current and loss of the input capacitors are not calculated"), "", "Input capacitors, one entry a type."),
    key("input.capacitors.name", Text, Req, "\"ceramic\"", "Name for tables."),
    Key { range: (1.0, 1000.0), ..key("input.capacitors.count", Count, Opt("one capacitor"), "2", "Number of equal capacitors in parallel; the values below are of one of them.") },
    q("input.capacitors.capacitance", Capacitance, Req, 1e-10, 1.0, "\"5.5 uF\"", "Effective capacitance of one at its bias, not the printed one."),
    q("input.capacitors.nominal_capacitance", Capacitance, Opt("`capacitance` is not held against it"), 1e-10, 1.0, "\"10 uF\"", "Printed capacitance of one, without bias: only to tell that `capacitance` is not above it."),
    key("input.capacitors.kind", Choice(&["ceramic", "polymer", "electrolytic"]), Derived("by `esr` x `capacitance`: below 1 us ceramic, below 12 us polymer, else electrolytic; without `esr` as `name` says"), "\"ceramic\"", "Kind, which decides what holds for data that are not given."),
    q("input.capacitors.tolerance", Fraction, Ruled, 0.0, 0.9, "\"10 %\"", "Tolerance of the effective capacitance, either way."),
    q("input.capacitors.aged_capacitance", Capacitance, Ruled, 1e-10, 1.0, "\"5 uF\"", "The same at the end of life."),
    q("input.capacitors.esr", Resistance, Ruled, 0.0, 100.0, "\"3 mohm\"", "Series resistance of one."),
    q("input.capacitors.esr_cold", Resistance, Opt("with a coldest ambient: an electrolytic capacitor has five times as much at -20 degC, others as warm"), 0.0, 1000.0, "\"0.9 ohm\"", "Series resistance of one at -20 degC."),
    q("input.capacitors.esl", Inductance, Ruled, 0.0, 1e-6, "\"0.6 nH\"", "Series inductance of one."),
    q("input.capacitors.ripple_rating", Current, Opt("the ripple current with the original stands in: a substitute with more of it is undecided"), 1e-3, 1000.0, "\"2 A\"", "Rated ripple current (rms) of one, at the switching frequency and the hottest ambient."),
    q("input.capacitors.voltage_rating", Voltage, Opt("no test is held against it"), 1.0, 1e4, "\"50 V\"", "Rated voltage of one: no test above it is proposed."),
    key("input.step", Table, Opt("no step of the input voltage is simulated"), "", "Step of the input voltage and back."),
    q("input.step.from", Voltage, Req, 1.0, 1000.0, "\"18 V\"", "Voltage before the step."),
    q("input.step.to", Voltage, Req, 1.0, 1000.0, "\"32 V\"", "Voltage after the step; the way back is simulated as well."),
    q("input.step.slew", VoltageSlew, Req, 1.0, 1e9, "\"0.5 V/us\"", "Slew of both edges."),
    q("input.step.load", Current, Opt("the full load"), 1e-3, 1000.0, "\"2 A\"", "Load during the step."),
    q("input.step.hold", Time, Derived("as `load.step.hold`"), 1e-6, 10.0, "\"2 ms\"", "Time for which each level is held."),
    key("input.dropout", Table, Opt("no dropout of the input is simulated"), "", "Dropout of the input below its range, and its return. The controller keeps working meanwhile: state no voltage below its lockout."),
    q("input.dropout.from", Voltage, Opt("`input.nominal`"), 1.0, 1000.0, "\"24 V\"", "Voltage before and after."),
    q("input.dropout.to", Voltage, Req, 0.5, 1000.0, "\"4.5 V\"", "Voltage to which it falls, below the lowest of `input.voltages`."),
    q("input.dropout.fall", Time, Req, 1e-7, 1.0, "\"0.5 ms\"", "Time of the fall."),
    q("input.dropout.hold", Time, Req, 1e-7, 1.0, "\"2 ms\"", "Time for which it stays down."),
    q("input.dropout.rise", Time, Req, 1e-7, 1.0, "\"0.1 ms\"", "Time of the return."),
    q("input.dropout.load", Current, Opt("the full load"), 1e-3, 1000.0, "\"2 A\"", "Load meanwhile: a resistance that draws this at `output.voltage`."),
    key("output", Table, Req, "", "Output."),
    q("output.voltage", Voltage, Req, 0.1, 1000.0, "\"5 V\"", "Output voltage aimed at."),
    key("output.capacitors", Tables, Req, "", "Output capacitors, one entry a type."),
    key("output.capacitors.name", Text, Req, "\"ceramic\"", "Name for tables."),
    Key { range: (1.0, 1000.0), ..key("output.capacitors.count", Count, Opt("one capacitor"), "3", "Number of equal capacitors in parallel; the values below are of one of them.") },
    q("output.capacitors.capacitance", Capacitance, Req, 1e-10, 1.0, "\"15 uF\"", "Effective capacitance of one at its bias, not the printed one."),
    q("output.capacitors.nominal_capacitance", Capacitance, Opt("`capacitance` is not held against it"), 1e-10, 1.0, "\"22 uF\"", "Printed capacitance of one, without bias: only to tell that `capacitance` is not above it."),
    key("output.capacitors.kind", Choice(&["ceramic", "polymer", "electrolytic"]), Derived("by `esr` x `capacitance`: below 1 us ceramic, below 12 us polymer, else electrolytic; without `esr` as `name` says"), "\"ceramic\"", "Kind, which decides what holds for data that are not given."),
    q("output.capacitors.tolerance", Fraction, Ruled, 0.0, 0.9, "\"10 %\"", "Tolerance of the effective capacitance, either way."),
    q("output.capacitors.aged_capacitance", Capacitance, Ruled, 1e-10, 1.0, "\"13 uF\"", "The same at the end of life."),
    q("output.capacitors.esr", Resistance, Ruled, 0.0, 100.0, "\"3.6 mohm\"", "Series resistance of one. May be 0 in one entry without inductance."),
    q("output.capacitors.esr_cold", Resistance, Opt("with a coldest ambient: an electrolytic capacitor has five times as much at -20 degC, others as warm"), 0.0, 1000.0, "\"0.9 ohm\"", "Series resistance of one at -20 degC."),
    q("output.capacitors.esl", Inductance, Ruled, 0.0, 1e-6, "\"0.9 nH\"", "Series inductance of one."),
    q("output.capacitors.ripple_rating", Current, Opt("the ripple current with the original stands in: a substitute with more of it is undecided"), 1e-3, 1000.0, "\"2 A\"", "Rated ripple current (rms) of one, at the switching frequency and the hottest ambient."),
    key("load", Table, Req, "", "Load."),
    Key { range: (1e-3, 1000.0), ..key("load.currents", Quantities(Current), Req, "[\"0.15 A\", \"2 A\", \"3 A\"]", "Load currents of the steady states, ascending, at least 1 mA (a converter that never omits a pulse finds no rest without load); the last is the full load.") },
    key("load.kind", Choice(&["current", "resistance", "power"]), Std("current", "a current sink, the usual bench load"), "\"current\"", "What draws the currents above: a sink, a resistor or a constant power that draws them at `output.voltage`."),
    key("load.step", Table, Opt("no load step is simulated"), "", "Load step and release. The step is always a current sink."),
    q("load.step.from", Current, Req, 1e-3, 1000.0, "\"0.5 A\"", "Current before the step."),
    q("load.step.to", Current, Req, 1e-3, 1000.0, "\"2.5 A\"", "Current after the step, above `from`; the release is simulated as well."),
    q("load.step.slew", Slew, Req, 1e2, 1e10, "\"1 A/us\"", "Slew of both edges."),
    q("load.step.hold", Time, Derived("the larger of 8 x `limits.recovery` and 120 switching periods, in whole periods"), 1e-6, 10.0, "\"1 ms\"", "Time for which each level is held."),
    key("load.steps", Tables, Opt("no further load step is simulated"), "", "Further load steps, one entry a step: each is simulated like `load.step`. What is not stated in an entry is the board's: its undershoot and overshoot are held against `deviation` or else `limits.step_deviation`, its settling against `recovery` or else `limits.recovery`, and in any case the output against `limits.output_band`."),
    key("load.steps.name", Text, Req, "\"motor\"", "Name for tables, unique among steps and profiles."),
    q("load.steps.from", Current, Req, 1e-3, 1000.0, "\"0.5 A\"", "Current before the step."),
    q("load.steps.to", Current, Req, 1e-3, 1000.0, "\"2.5 A\"", "Current after the step, above `from`."),
    q("load.steps.slew", Slew, Req, 1e2, 1e10, "\"1 A/us\"", "Slew of the step."),
    q("load.steps.release_slew", Slew, Opt("as `slew`"), 1e2, 1e10, "\"0.2 A/us\"", "Slew of the release."),
    q("load.steps.hold", Time, Derived("as `load.step.hold`; of a step that repeats, the release begins half a repetition after the step"), 1e-8, 10.0, "\"1 ms\"", "Time from the end of the step to the begin of the release; of a step that comes once the lower level is held as long."),
    q("load.steps.repeat", Frequency, Opt("it comes once"), 1.0, 1e7, "\"10 kHz\"", "How often it comes again, up to half the switching frequency, until the swing has settled. The settling time is not asked then: the output has none of its own."),
    q("load.steps.deviation", Voltage, Opt("`limits.step_deviation` binds it"), 1e-4, 100.0, "\"300 mV\"", "Largest undershoot and overshoot at this step, in place of `limits.step_deviation`. The total band binds all the same."),
    q("load.steps.recovery", Time, Opt("`limits.recovery` binds it"), 1e-7, 1.0, "\"150 us\"", "Longest settling time after this step, in place of `limits.recovery`."),
    key("load.profiles", Tables, Opt("no load profile is simulated"), "", "Load profiles, one entry each: a current sink that follows a current against time, from rest at the first current on. The limits are those of `load.steps`, without the settling time."),
    key("load.profiles.name", Text, Req, "\"radio\"", "Name for tables, unique among steps and profiles."),
    key("load.profiles.kind", Choice(&["file", "random"]), Req, "\"file\"", "Points of a table, or jumps at random times between two levels."),
    key("load.profiles.file", Text, Req, "\"loads/radio.csv\"", "CSV file with the columns `time [us]` and `current [A]`, relative to the case: time rising, at least 1 mA, straight from point to point. The first time is taken as 0.").only(&["file"]),
    q("load.profiles.from", Current, Req, 1e-3, 1000.0, "\"0.5 A\"", "Lower level.").only(RANDOM),
    q("load.profiles.to", Current, Req, 1e-3, 1000.0, "\"2.5 A\"", "Upper level.").only(RANDOM),
    q("load.profiles.slew", Slew, Req, 1e2, 1e10, "\"1 A/us\"", "Slew of all edges.").only(RANDOM),
    q("load.profiles.shortest", Time, Req, 1e-8, 1.0, "\"5 us\"", "Shortest time for which a level is held.").only(RANDOM),
    q("load.profiles.longest", Time, Req, 1e-8, 1.0, "\"200 us\"", "Longest time for which a level is held; the times between are alike by ratio.").only(RANDOM),
    q("load.profiles.duration", Time, Req, 1e-6, 10.0, "\"2 ms\"", "Length of the profile.").only(RANDOM),
    Key { range: (0.0, 4e9), ..key("load.profiles.seed", Count, Req, "7", "Seed of the random times: the same seed, the same profile on every machine.").only(RANDOM) },
    q("load.profiles.deviation", Voltage, Opt("`limits.step_deviation` binds it"), 1e-4, 100.0, "\"300 mV\"", "Largest undershoot below the mean at the least current, and overshoot above that at the largest, in place of `limits.step_deviation`. The total band binds all the same."),
    q("load.lightest", Current, Opt("light load is not followed"), 1e-3, 1000.0, "\"5 mA\"", "The frequency and ripple of the pulses are followed down to this load, and the boundary of continuous conduction is found."),
    key("load.overload", Table, Opt("no overload is simulated"), "", "Overload by a current sink that grows from the full load until the output gives way."),
    q("load.overload.slew", Slew, Std("0.5 A/ms", "slow against control and sensing, common practice"), 1.0, 1e6, "\"1 A/ms\"", "Slew of the load."),
    q("load.overload.coldest_winding", Temperature, Req, -65.0, 250.0, "\"-20 degC\"", "Coldest winding at which it may come: with the highest threshold and the least inductance the output gives way last."),
    q("load.overload.hottest_winding", Temperature, Req, -65.0, 250.0, "\"100 degC\"", "Hottest winding at which it may come, with the lowest threshold."),
    key("load.short", Table, Opt("no short circuit is simulated"), "", "Short circuit at the output, from the full load, and its end."),
    q("load.short.resistance", Resistance, Req, 1e-5, 10.0, "\"30 mohm\"", "Resistance of the short circuit."),
    q("load.short.inductance", Inductance, Std("100 nH", "10 cm of wire, common practice"), 1e-9, 1e-3, "\"100 nH\"", "Inductance of the short circuit."),
    q("load.short.hold", Time, Std("1 ms", "longer than any turn-off"), 1e-6, 1.0, "\"2 ms\"", "Time for which it lasts."),
    key("start", Table, Opt("no start is simulated"), "", "Start at full load, taken as a resistance, from an empty output."),
    Key { range: (1e-3, 1000.0), ..key("start.prebias", Quantities(Voltage), Opt("no start into a charged output is simulated"), "[\"2 V\"]", "Voltages that are already at the output, at a hundredth of the full load: one further start each.") },
    key("stage", Table, Req, "", "Power stage."),
    q("stage.frequency", Frequency, Req, 1e4, 2e7, "\"400 kHz\"", "Switching frequency; where there is no clock the frequency aimed at, which only serves as a unit of time."),
    q("stage.ambient", Temperature, Req, -65.0, 175.0, "\"60 degC\"", "Ambient temperature at the inductor."),
    q("stage.thermal_time_constant", Time, Opt("3 to 10 min"), 1.0, 1e5, "\"360 s\"", "Time constant with which the board itself warms up; only for the soak of the bench plan."),
    q("stage.coldest_ambient", Temperature, Opt("only `stage.ambient` is simulated"), -65.0, 175.0, "\"-10 degC\"", "Coldest ambient temperature at which the board works; a corner."),
    q("stage.frequency_tolerance", Fraction, Ruled, 0.0, 0.5, "\"5 %\"", "Tolerance of the switching frequency, or of the on-time, either way; a corner."),
    q("stage.high_side_resistance", Resistance, Req, 1e-5, 100.0, "\"75 mohm\"", "On-resistance of the high side at 25 degC."),
    q("stage.hot_factor", Ratio, Ruled, 1.0, 3.0, "1.25", "Factor on the on-resistances for a warm board."),
    q("stage.rise_time", Time, Ruled, 0.0, 1e-6, "\"7 ns\"", "Rise time of the switch node."),
    q("stage.fall_time", Time, Ruled, 0.0, 1e-6, "\"5 ns\"", "Fall time of the switch node."),
    q("stage.gate_charge", Charge, Ruled, 0.0, 1e-6, "\"9 nC\"", "Total gate charge a cycle."),
    q("stage.gate_supply", Voltage, Ruled, 1.0, 30.0, "\"5 V\"", "Supply voltage of the gate drivers."),
    q("stage.recovery_charge", Charge, Ruled, 0.0, 1e-5, "\"12 nC\"", "Recovery charge of the low-side diode."),
    q("stage.output_capacitance", Capacitance, Ruled, 0.0, 1e-7, "\"140 pF\"", "Output capacitance at the switch node."),
    q("stage.quiescent_current", Current, Ruled, 0.0, 1.0, "\"1 mA\"", "Quiescent current drawn from the input."),
    q("stage.pulse_rating", Current, Opt("the peak current is not held against the switches"), 1e-3, 1e4, "\"6.2 A\"", "Pulse current rating of the switches."),
    key("stage.low_side", Table, Req, "", "What conducts while the high side is off."),
    key("stage.low_side.kind", Choice(&["switch", "diode"]), Req, "\"switch\"", "A driven switch or a diode."),
    q("stage.low_side.resistance", Resistance, Req, 1e-5, 100.0, "\"45 mohm\"", "On-resistance at 25 degC.").only(&["switch"]),
    q("stage.low_side.dead_time", Time, Ruled, 0.0, 1e-6, "\"22 ns\"", "Dead time at each edge.").only(&["switch"]),
    q("stage.low_side.body_diode", Voltage, Ruled, 0.1, 3.0, "\"0.8 V\"", "Forward voltage of either body diode.").only(&["switch"]),
    key("stage.low_side.emulation", Flag, Req, "true", "true: opens when its current falls to zero (diode emulation); false: conducts on with negative current (forced continuous).").only(&["switch"]),
    q("stage.low_side.forward_voltage", Voltage, Req, 0.05, 3.0, "\"0.45 V\"", "Forward voltage at zero current.").only(&["diode"]),
    q("stage.low_side.slope_resistance", Resistance, Std("0 ohm", "forward voltage constant"), 0.0, 10.0, "\"30 mohm\"", "Slope resistance.").only(&["diode"]),
    key("control", Table, Req, "", "Control."),
    q("control.min_on", Time, Ruled, 0.0, 1e-4, "\"90 ns\"", "Shortest high-side conduction, blanking included. Constant on-time has its own."),
    q("control.min_off", Time, Ruled, 0.0, 1e-4, "\"110 ns\"", "Shortest time from high-side turn-off to the next clock edge, or without a clock to the next turn-on."),
    key("control.modulator", Table, Req, "", "What turns the control voltage into pulses."),
    key("control.modulator.kind", Choice(&["fixed-duty", "voltage-mode", "peak-current", "constant-on-time", "hysteretic"]), Req, "\"peak-current\"", "Pulse forming: a fixed duty; a ramp comparator; a comparator of the peak current; or without a clock on the divided output: turn-on at the reference for a fixed time, or within a band around the reference."),
    q("control.modulator.duty", Ratio, Req, 0.01, 0.99, "0.231", "Conduction time of the high side as a part of the period.").only(&["fixed-duty"]),
    q("control.modulator.ramp_amplitude", Voltage, Opt("`ramp_divisor` must be given"), 1e-2, 100.0, "\"1.5 V\"", "Amplitude of a fixed ramp.").only(&["voltage-mode"]),
    q("control.modulator.ramp_divisor", Number, Opt("`ramp_amplitude` must be given"), 0.1, 1e3, "10", "Input feed-forward: the ramp's amplitude is the input voltage divided by this number.").only(&["voltage-mode"]),
    q("control.modulator.current_gain", CurrentGain, Ruled, 1e-3, 1e4, "\"5 A/V\"", "Peak current commanded per volt of control voltage.").only(&["peak-current"]),
    q("control.modulator.slope", Slew, Ruled, 0.0, 1e10, "\"0.45 A/us\"", "Slope compensation.").only(&["peak-current"]),
    q("control.modulator.skip_below", Current, Opt(UNANSWERED), 1e-3, 1e4, "\"0.7 A\"", "Pulse skipping: a clock edge at which less peak current is commanded begins no pulse.").only(&["peak-current"]),
    q("control.modulator.on_time", Time, Req, 1e-8, 1e-4, "\"167 ns\"", "Conduction time of the high side at `input.nominal`; at other inputs it goes with their inverse.").only(&["constant-on-time"]),
    q("control.modulator.band", Voltage, Req, 1e-4, 10.0, "\"20 mV\"", "Width of the band around the reference, at the divider tap.").only(&["hysteretic"]),
    q("control.modulator.delay", Time, Ruled, 0.0, 1e-5, "\"40 ns\"", "Comparator and driver delay.").only(COMPARATOR),
    key("control.compensator", Table, Req, "", "Error amplifier and its network."),
    key("control.compensator.kind", Choice(&["open", "op-amp", "transconductance", "ripple", "margins"]), Req, "\"transconductance\"", "None (open loop), operational amplifier type II or III, transconductance amplifier type II, none but a divider that passes ripple on to the comparator, or one of which only crossover and phase margin are known: it is laid out once, on the original part, and then kept."),
    q("control.compensator.reference", Voltage, Req, 0.05, 100.0, "\"0.8 V\"", "Reference voltage.").only(REFERENCE),
    q("control.compensator.reference_tolerance", Fraction, Ruled, 0.0, 0.2, "\"1 %\"", "Tolerance of the reference over temperature, either way; a corner.").only(REFERENCE),
    q("control.compensator.divider_tolerance", Fraction, Ruled, 0.0, 0.2, "\"0.5 %\"", "Tolerance of each resistor of the output divider, either way; a corner.").only(REFERENCE),
    q("control.compensator.crossover", Frequency, Req, 10.0, 1e7, "\"32 kHz\"", "Crossover of the loop with the original part, at full load and nominal input.").only(&["margins"]),
    q("control.compensator.phase_margin", Angle, Req, 5.0, 120.0, "\"58 deg\"", "Phase margin there.").only(&["margins"]),
    q("control.compensator.r1", Resistance, Req, 1.0, 1e8, "\"20 kohm\"", "Upper divider resistor, from the output to the inverting input or the tap.").only(DIVIDER),
    q("control.compensator.rb", Resistance, Derived("from `reference`, `r1` and `output.voltage`; with constant on-time the tap's mean lies half the injected ripple above the reference"), 1.0, 1e10, "\"1.43 kohm\"", "Lower divider resistor, from the inverting input or the tap to ground.").only(DIVIDER),
    q("control.compensator.r3", Resistance, Opt("type II: no lead network"), 1.0, 1e8, "\"1 kohm\"", "Lead network across R1 (type III): series resistor.").only(OP_AMP),
    q("control.compensator.c3", Capacitance, Opt("type II: no lead network"), 1e-12, 1e-3, "\"1.2 nF\"", "Lead network across R1 (type III): series capacitor.").only(OP_AMP),
    q("control.compensator.r2", Resistance, Req, 1.0, 1e8, "\"56 kohm\"", "Feedback: series resistor.").only(OP_AMP),
    q("control.compensator.c1", Capacitance, Req, 1e-12, 1e-3, "\"1.2 nF\"", "Feedback: series capacitor.").only(OP_AMP),
    q("control.compensator.c2", Capacitance, Std("0 F", "none fitted"), 0.0, 1e-3, "\"27 pF\"", "Feedback: parallel capacitor.").only(OP_AMP),
    q("control.compensator.gain_bandwidth", Frequency, Ruled, 1e4, 1e10, "\"8 MHz\"", "Gain-bandwidth product of the amplifier.").only(OP_AMP),
    q("control.compensator.cff", Capacitance, Req, 1e-13, 1e-3, "\"470 pF\"", "Capacitor across R1: it passes the output's ripple on and turns injected current into ripple.").only(RIPPLE),
    q("control.compensator.injection_resistance", Resistance, Opt("no ripple is injected"), 1.0, 1e8, "\"75 kohm\"", "Ripple injection from the switch node to the tap: series resistor.").only(RIPPLE),
    q("control.compensator.injection_capacitance", Capacitance, Opt("no ripple is injected"), 1e-12, 1e-3, "\"100 nF\"", "Ripple injection from the switch node to the tap: series capacitor.").only(RIPPLE),
    q("control.compensator.coupling_capacitance", Capacitance, Opt("the injection capacitor ends at the tap"), 1e-12, 1e-3, "\"2.2 nF\"", "Ripple injection across the inductor instead: the resistor leads from the switch node to a junction, the capacitor from there to the output, and this one from the junction to the tap.").only(RIPPLE),
    q("control.compensator.gm", Conductance, Req, 1e-7, 1.0, "\"240 uS\"", "Transconductance.").only(OTA),
    q("control.compensator.ro", Resistance, Ruled, 1e3, 1e10, "\"4 Mohm\"", "Output resistance of the amplifier.").only(OTA),
    q("control.compensator.rc", Resistance, Req, 1.0, 1e8, "\"51 kohm\"", "Series resistor to ground.").only(OTA),
    q("control.compensator.cc", Capacitance, Req, 1e-12, 1e-3, "\"330 pF\"", "Series capacitor to ground.").only(OTA),
    q("control.compensator.chf", Capacitance, Ruled, 1e-13, 1e-3, "\"15 pF\"", "Parallel capacitor to ground.").only(OTA),
    q("control.compensator.clamp_low", Voltage, Std("0 V", CP), -10.0, 100.0, "\"0 V\"", "Lowest control voltage.").only(ANY_AMPLIFIER),
    q("control.compensator.clamp_high", Voltage, Derived("voltage mode: 1.1 x the ramp's amplitude at the highest input; peak current mode: 1.2 x the highest current-limit threshold / `current_gain`"), 1e-3, 1e3, "\"1.2 V\"", "Highest control voltage.").only(ANY_AMPLIFIER),
    key("control.without", Texts, Opt("what is not stated is simulated without and with"), "[\"hiccup\", \"foldback\"]", "What the controller has not: `hiccup`, `inhibit`, `foldback`, `skipping`."),
    q("control.soft_start", Time, Ruled, 1e-6, 10.0, "\"4 ms\"", "Time in which the reference rises from nothing, at the start and after a pause."),
    key("control.foldback", Table, Opt(UNANSWERED), "", "Frequency foldback while the output is low."),
    q("control.foldback.below", Fraction, Req, 0.01, 0.99, "\"40 %\"", "Share of `output.voltage` below which it acts."),
    Key { range: (2.0, 1000.0), ..key("control.foldback.divisor", Count, Req, "4", "Every which clock edge is left.") },
    key("control.current_limit", Table, Opt("simulated without one; nobody says that there is none, so that peaks above the original's are undecided"), "", "Limit of the inductor current."),
    key("control.current_limit.kind", Choice(&["peak", "valley", "winding", "none"]), Req, "\"peak\"", "`none`: the board has no limit. Else what is held against the threshold: the current in the high side, which it opens; the current in the low side, which holds the turn-on back (constant on-time); or the voltage across the winding resistance, through a resistor and a capacitor across the inductor, which opens the high side."),
    q("control.current_limit.typical", Current, Req, 1e-3, 1e4, "\"4.9 A\"", "Typical threshold.").only(BY_CURRENT),
    q("control.current_limit.lowest", Current, Ruled, 1e-3, 1e4, "\"4.4 A\"", "Lowest threshold.").only(BY_CURRENT),
    q("control.current_limit.highest", Current, Ruled, 1e-3, 1e4, "\"5.4 A\"", "Highest threshold.").only(BY_CURRENT),
    q("control.current_limit.typical_voltage", Voltage, Req, 1e-4, 10.0, "\"170 mV\"", "Typical threshold across the winding.").only(BY_WINDING),
    q("control.current_limit.lowest_voltage", Voltage, Ruled, 1e-4, 10.0, "\"160 mV\"", "Lowest threshold across the winding.").only(BY_WINDING),
    q("control.current_limit.highest_voltage", Voltage, Ruled, 1e-4, 10.0, "\"180 mV\"", "Highest threshold across the winding.").only(BY_WINDING),
    q("control.current_limit.sense_resistance", Resistance, Req, 1.0, 1e8, "\"8.2 kohm\"", "Resistor from the switch node to the sense capacitor.").only(BY_WINDING),
    q("control.current_limit.sense_capacitance", Capacitance, Req, 1e-12, 1e-3, "\"100 nF\"", "Sense capacitor to the output.").only(BY_WINDING),
    q("control.current_limit.delay", Time, Ruled, 0.0, 1e-5, "\"100 ns\"", "Delay from the threshold to turn-off.").only(&["peak", "winding"]),
    key("control.current_limit.falls_with_slope", Flag, Opt("the threshold is the same all through the conduction"), "true", "Whether the slope compensation is in the limited signal, so that the limit falls during the conduction.").only(&["peak"]),
    q("control.current_limit.inhibit", Current, Opt(UNANSWERED), 1e-3, 1e4, "\"4.1 A\"", "Current in the low side above which a clock edge begins no pulse.").only(ANY_LIMIT),
    Key { range: (1.0, 1e6), ..key("control.current_limit.hiccup_cycles", Count, Opt(UNANSWERED), "64", "Limited cycles in a row after which both switches open for a pause.").only(ANY_LIMIT) },
    q("control.current_limit.hiccup_pause", Time, Opt("must be given with `hiccup_cycles`"), 1e-6, 100.0, "\"40 ms\"", "Length of that pause, after which a soft start follows.").only(ANY_LIMIT),
    key("mechanics", Table, Opt("the fit of the parts is not checked"), "", "Land and room on the board."),
    key("mechanics.grade", Choice(GRADES), Opt("the original's grade stands in"), "\"industrial\"", "Grade that the parts on this board must have at least."),
    key("mechanics.land", Table, Opt("the fit of the terminals is not checked"), "", "The two pads of the inductor."),
    q("mechanics.land.pad_length", Length, Req, 1e-4, 0.1, "\"2.4 mm\"", "Extent of one pad along the axis through both."),
    q("mechanics.land.pad_width", Length, Req, 1e-4, 0.1, "\"6 mm\"", "Extent of one pad across that axis."),
    q("mechanics.land.gap", Length, Req, 1e-4, 0.1, "\"3.2 mm\"", "Free distance between the pads."),
    key("mechanics.fillets", Table, Opt("only the share of the terminals on their pads is checked"), "", "Goals of the solder fillets by the method of IPC-7351 and IPC-7352, with `mechanics.land`; a table without keys takes the usual ones."),
    q("mechanics.fillets.toe", Length, Std("0.35 mm", FILLETS), -2e-3, 5e-3, "\"0.35 mm\"", "Least extent of the pad beyond the outer end of the terminal."),
    q("mechanics.fillets.heel", Length, Std("-0.05 mm", FILLETS), -2e-3, 5e-3, "\"-0.05 mm\"", "Least extent of the pad beyond the inner end of the terminal."),
    q("mechanics.fillets.side", Length, Std("0 mm", FILLETS), -2e-3, 5e-3, "\"0 mm\"", "Least extent of the pad beyond each side of the terminal."),
    q("mechanics.fillets.fabrication", Length, Std("0.1 mm", CP), 0.0, 1e-3, "\"0.1 mm\"", "Tolerance of the land on the board, whole width."),
    q("mechanics.fillets.placement", Length, Std("0.1 mm", CP), 0.0, 1e-3, "\"0.1 mm\"", "Tolerance of the placement, whole width."),
    key("mechanics.keep_out", Table, Opt("the fit of the body is not checked"), "", "Room for the body."),
    q("mechanics.keep_out.length", Length, Req, 1e-4, 0.2, "\"8 mm\"", "Along the axis through both pads."),
    q("mechanics.keep_out.width", Length, Req, 1e-4, 0.2, "\"8 mm\"", "Across that axis."),
    q("mechanics.keep_out.height", Length, Req, 1e-4, 0.2, "\"5.2 mm\"", "Above the board."),
    key("limits", Table, Std("", ""), "", "Limits of the board and agreed changes against the original."),
    q("limits.output_band", Fraction, Opt("not judged"), 1e-4, 0.5, "\"5 %\"", "Total band of the output around its aim, either way."),
    q("limits.ripple", Voltage, Opt("not judged"), 1e-5, 10.0, "\"25 mV\"", "Output ripple, peak to peak, at 20 MHz bandwidth."),
    q("limits.step_deviation", Voltage, Opt("not judged"), 1e-4, 100.0, "\"250 mV\"", "Dip and rise at the load step."),
    q("limits.recovery", Time, Opt("not judged"), 1e-7, 1.0, "\"120 us\"", "Recovery time after the load step."),
    q("limits.recovery_band", Fraction, Std("1 %", CP), 1e-4, 0.2, "\"1 %\"", "Band around the final output in which it counts as recovered."),
    q("limits.winding_temperature", Temperature, Opt("only the part's own limit is judged"), 0.0, 300.0, "\"115 degC\"", "Highest winding temperature."),
    q("limits.efficiency", Fraction, Opt("not judged"), 0.01, 1.0, "\"88 %\"", "Least efficiency at full load and nominal input."),
    q("limits.phase_margin", Angle, Opt("held against 45 deg, which leads to a note only"), 1.0, 180.0, "\"45 deg\"", "Least phase margin of the control loop."),
    q("limits.gain_margin", Level, Opt("held against 6 dB, which leads to a note only"), 0.1, 100.0, "\"10 dB\"", "Least gain margin of the control loop."),
    q("limits.start_time", Time, Opt("not judged"), 1e-6, 100.0, "\"6 ms\"", "Longest time from the beginning of a start until the output stays in the recovery band."),
    q("limits.start_overshoot", Fraction, Opt("held against 5 %, which leads to a note only"), 1e-4, 1.0, "\"3 %\"", "Largest overshoot at a start and after a short circuit, of the output voltage."),
    q("limits.input_step", Voltage, Opt("not judged"), 1e-4, 100.0, "\"100 mV\"", "Deviation at a step of the input voltage."),
    q("limits.dropout_overshoot", Fraction, Opt("held against `output_band`, where that is stated"), 1e-4, 1.0, "\"8 %\"", "Largest overshoot as the input returns from a dropout, of the output voltage."),
    q("limits.trip_lowest", Current, Opt("held against the full load"), 1e-3, 1e4, "\"6.2 A\"", "Lowest load at which the output may give way."),
    q("limits.trip_highest", Current, Opt("not judged"), 1e-3, 1e4, "\"13.5 A\"", "Highest load at which the output must have given way."),
    key("limits.changes", Table, Std("", ""), "", "Changes against the original that are agreed to be harmless."),
    q("limits.changes.ripple", Fraction, Std("15 %", CP), 0.0, 10.0, "\"15 %\"", "Output ripple, upwards."),
    q("limits.changes.inductor_ripple", Fraction, Std("15 %", CP), 0.0, 10.0, "\"15 %\"", "Inductor ripple current, either way."),
    q("limits.changes.peak_current", Fraction, Std("5 %", CP), 0.0, 10.0, "\"5 %\"", "Peak current, upwards."),
    q("limits.changes.crossover", Fraction, Std("25 %", CP), 0.0, 10.0, "\"25 %\"", "Crossover of the control loop, either way."),
    q("limits.changes.frequency", Fraction, Std("10 %", CP), 0.0, 10.0, "\"10 %\"", "Switching frequency at full load of control without a clock, either way."),
    q("limits.changes.trip", Fraction, Std("15 %", CP), 0.0, 10.0, "\"15 %\"", "Overload trip current, either way."),
    q("limits.changes.inductance", Fraction, Std("15 %", CP), 0.0, 10.0, "\"15 %\"", "Incremental inductance at the peak, downwards."),
    q("limits.changes.step_deviation", Fraction, Std("10 %", CP), 0.0, 10.0, "\"10 %\"", "Dip and rise, upwards."),
    q("limits.changes.recovery", Fraction, Std("20 %", CP), 0.0, 10.0, "\"20 %\"", "Recovery time, upwards."),
    q("limits.changes.efficiency", Points, Std("0.3 points", CP), 0.0, 0.5, "\"0.3 points\"", "Efficiency at full load, downwards."),
    q("limits.changes.temperature", TemperatureRise, Std("5 K", CP), 0.0, 200.0, "\"5 K\"", "Winding temperature, upwards."),
    key("waiver", Tables, Opt("nobody has accepted anything"), "", "What the board's owner accepts: a limit that the board itself does not meet, or does not show to meet. Kept in the record."),
    key("waiver.requirement", Choice(REQUIREMENTS), Req, "\"phase_margin\"", "Which requirement; by the identifier in the record."),
    key("waiver.by", Text, Req, "\"owner of the board\"", "Who accepts it."),
    key("waiver.date", Text, Req, "\"2026-11-28\"", "When."),
    key("waiver.reason", Text, Req, "\"measured on three boards, margin seen\"", "Why."),
    q("waiver.allowance", Fraction, Opt("the usual allowance of that requirement"), 0.0, 1.0, "\"8 %\"", "How much worse than the original still counts as no worse, of the limit."),
    key("reading", Tables, Opt("nothing of the original has been read"), "", "What was read on the board with the original fitted. A temperature tells how well this board cools its inductor."),
    q("reading.winding_temperature", Temperature, Req, -40.0, 300.0, "\"71 degC\"", "Winding temperature at rest: by resistance, or of the body plus its offset."),
    q("reading.input", Voltage, Req, 1.0, 1000.0, "\"24 V\"", "Input voltage."),
    q("reading.load", Current, Req, 1e-3, 1000.0, "\"3 A\"", "Load current."),
    q("reading.ambient", Temperature, Req, -65.0, 175.0, "\"25 degC\"", "Ambient temperature at the inductor."),
    q("reading.uncertainty", TemperatureRise, Std("2 K", CP), 0.1, 50.0, "\"2 K\"", "Standard uncertainty of the reading."),
    key("bench", Table, Std("", ""), "", "What the bench can resolve: standard uncertainty of a difference between two readings."),
    q("bench.voltage_fixed", Voltage, Std("0.5 mV", CP), 1e-9, 1.0, "\"0.5 mV\"", "Voltages at the output: fixed part."),
    q("bench.voltage", Fraction, Std("2 %", CP), 0.0, 0.5, "\"2 %\"", "Voltages at the output: part of the reading."),
    q("bench.current", Fraction, Std("1 %", CP), 1e-6, 0.5, "\"1 %\"", "Currents: part of the reading."),
    q("bench.time", Time, Std("1 us", CP), 1e-12, 1e-2, "\"1 us\"", "Times."),
    q("bench.temperature", TemperatureRise, Std("2 K", CP), 1e-3, 50.0, "\"2 K\"", "Temperatures."),
    q("bench.efficiency", Points, Std("0.3 points", CP), 1e-5, 0.5, "\"0.3 points\"", "Efficiency."),
    q("bench.ambient", Temperature, Opt("as `stage.ambient`: the board is tested where it will stand"), -65.0, 175.0, "\"25 degC\"", "Ambient temperature at the inductor on the bench, for which readings are predicted."),
    q("bench.probe_loop", Length, Opt("60 mm, common practice"), 1e-3, 1.0, "\"60 mm\"", "Length of the wire loop for a current probe; its inductance is told beside that of the part."),
    key("measure", Table, Opt("everything as in its rows"), "", "How conditions are run and measured."),
    q("measure.instrument_bandwidth", Frequency, Opt("20 MHz"), 1e4, 1e10, "\"20 MHz\"", "Bandwidth of the instrument at the output, a first-order low-pass."),
    Key { range: (1.0, 64.0), ..key("measure.step_phases", Count, Opt("4"), "4", "Begins of the load step within the switching period that are tried; the worst counts.") },
    q("measure.repeats", Fraction, Opt("0.1 %"), 1e-9, 0.5, "\"0.1 %\"", "Difference of the states within which a load program has come back to its begin."),
    q("measure.settling_periods", Number, Opt("240"), 1.0, 1e6, "240", "Switching periods in which a loop settles, at the least."),
    q("measure.settling_recoveries", Number, Opt("8"), 1.0, 1e3, "8", "Multiple of `limits.recovery` in which everything settles."),
    q("measure.off_aim", Fraction, Opt("2 %"), 1e-4, 0.5, "\"2 %\"", "Share of the output beyond which a mean output counts as missing its target."),
    q("measure.gives_way", Fraction, Opt("90 %"), 0.1, 0.999, "\"90 %\"", "Share of the output below which it has given way: it is not delivered any more."),
    q("measure.overload_furthest", Number, Opt("20"), 1.1, 1e3, "20", "Multiple of the full load at which an overload is given up."),
    q("measure.start_patience", Number, Opt("12"), 1.0, 1e3, "12", "Multiple of soft start and settling time after which a start is given up."),
    q("measure.bleeder", Fraction, Opt("1 %"), 1e-6, 1.0, "\"1 %\"", "Load of a start into a charged output, of the full load."),
    q("measure.leads", Time, Opt("60 ns"), 1e-10, 1e-5, "\"60 ns\"", "Time constant of a resistive load with its leads: 10 cm of wire and an ohm or two."),
    q("measure.short_phase", Fraction, Opt("37 %"), 0.0, 0.999, "\"37 %\"", "Place in the switching period at which a short circuit begins."),
    Key { range: (1.0, 64.0), ..key("measure.short_phases", Count, Opt("8"), "8", "Begins of a short circuit all over the switching period that are tried, from there on; around the worst it is looked closer.") },
    Key { range: (1.0, 1e6), ..key("measure.short_first", Count, Opt("10"), "10", "Cycles of a short circuit whose energy counts as that of the first ones.") },
    Key { range: (2.0, 100.0), ..key("measure.light_loads", Count, Opt("9"), "9", "Loads at which the light load is followed, in equal ratios.") },
    Key { range: (1.0, 1e6), ..key("measure.pattern_settling", Count, Opt("400"), "400", "Pulses that a pattern is given to settle in.") },
    Key { range: (2.0, 1e6), ..key("measure.pattern_counted", Count, Opt("40"), "40", "Pulses or bursts over which a pattern is averaged.") },
    Key { range: (100.0, 1e9), ..key("measure.pattern_longest", Count, Opt("60000"), "60000", "Switching periods after which watching a pattern ends in any case.") },
    q("measure.pattern_gap", Number, Opt("1.5"), 1.0, 1e3, "1.5", "Distance of two pulses in switching periods from which there is a gap between them."),
    q("measure.audible_low", Frequency, Opt("20 Hz"), 1.0, 1e6, "\"20 Hz\"", "Lowest repetition at which a pattern may be heard."),
    q("measure.audible_high", Frequency, Opt("20 kHz"), 1.0, 1e6, "\"20 kHz\"", "Highest repetition at which it may."),
    q("measure.most_audible_low", Frequency, Opt("2 kHz"), 1.0, 1e6, "\"2 kHz\"", "Lowest repetition to which the ear is most sensitive."),
    q("measure.most_audible_high", Frequency, Opt("5 kHz"), 1.0, 1e6, "\"5 kHz\"", "Highest repetition to which it is."),
    key("parts", Table, Opt("`parts.csv` is read where it is there; without it and `parts.toml` also `parts.xlsx`, `parts.ods` or `parts.tsv`"), "", "Tables of parts as they come from a spreadsheet or a maker's page (`parts-tables.md`), and what they leave open."),
    key("parts.table", Texts, Opt("as above"), "\"inductors.xlsx\"", "File with the table, relative to the case, or several of them."),
    key("parts.sheets", Texts, Opt("the one sheet that is a list of inductors; of several it is asked"), "[\"Shielded\"]", "Sheets of a workbook that are read."),
    Key { range: (1.0, 1e6), ..key("parts.header", Count, Opt("the line in which most titles are understood"), "4", "Line of the header.") },
    key("parts.decimal", Choice(&["point", "comma"]), Opt("as the other cells of the column show"), "\"comma\"", "Decimal mark of numbers that are text."),
    key("parts.columns", Pairs, Opt("as the titles say"), "{ \"Isat [A]\" = \"saturation_current at 30 %\" }", "What a column is, by its title or as `column F`: a key of a part, its unit in brackets, the drop, rise or temperature behind `at`; `-` leaves it out."),
    key("parts.all", Pairs, Opt("nothing"), "{ core = \"composite\" }", "What holds for every part of the tables that says nothing of it."),
    key("parts.lines", Pairs, Opt("a part that stands twice with different values is asked about"), "{ \"Teal-10\" = 14 }", "Which line counts for a part that stands in several."),
    key("numerics", Table, Std("", ""), "", "Numerical settings."),
    q("numerics.saturation_error", Current, Derived("0.02 % of full load, at least 0.1 mA: far below what a bench resolves"), 1e-6, 1.0, "\"0.5 mA\"", "Largest error of the piecewise-linear current against flux linkage; it widens beyond 1.5 times the full load, to 25 times."),
];

/// Keys of one part: of an entry `[[part]]` in `parts.toml` or, except for the tables, a column in `parts.csv`.
#[rustfmt::skip] // one row a line, as a table
pub const PART: &[Key] = &[
    key("name", Text, Req, "\"Teal-10\"", "Name, unique in the case."),
    key("core", Choice(&["ferrite", "composite", "iron-powder"]), Req, "\"ferrite\"", "Family of the core material."),
    q("inductance", Inductance, Req, 1e-9, 0.1, "\"10 uH\"", "Nominal inductance."),
    q("tolerance", Fraction, Ruled, 1e-3, 0.6, "\"20 %\"", "Tolerance of the inductance, either way; scales the whole curve."),
    q("dcr_typical", Resistance, Ruled, 1e-6, 100.0, "\"36 mohm\"", "Typical winding resistance at 25 degC."),
    q("dcr_max", Resistance, Ruled, 1e-6, 100.0, "\"41 mohm\"", "Largest winding resistance at 25 degC."),
    key("saturation", Tables, Opt("estimated from the saturation ratings; without any nothing can be said of any current"), "", "Saturation curves in place (parts.toml only)."),
    q("saturation.temperature", Temperature, Opt("one of the columns is the temperature"), -65.0, 250.0, "\"25 degC\"", "Temperature of the curve."),
    key("saturation.columns", Texts, Req, "[\"current [A]\", \"inductance [uH]\"]", "What the columns of `points` are, each with its unit; the inductance may be in % of the nominal one."),
    key("saturation.points", Rows, Req, "[[0, 10], [2.15, 9.4], [4.3, 7], [8.6, 3.4]]", "The curve, current ascending from 0; incremental inductance, not rising."),
    key("saturation_files", Texts, Opt("as without `saturation`"), "[\"curves/teal-25.csv @ 25 degC\", \"curves/teal-100.csv @ 100 degC\"]", "Saturation curves in CSV files, relative to the case; the temperature follows the @, or is a column of the file."),
    q("saturation_current", Current, Opt("the curve is not held against the rating"), 1e-3, 1e4, "\"5.7 A\"", "Current at which the inductance has dropped by `saturation_drop`."),
    q("saturation_drop", Fraction, Opt("must be given with `saturation_current`"), 0.05, 0.6, "\"30 %\"", "Drop of the inductance that belongs to the saturation currents."),
    q("saturation_temperature", Temperature, Derived("25 degC, common practice"), -65.0, 250.0, "\"25 degC\"", "Temperature of `saturation_current`."),
    q("hot_saturation_current", Current, Ruled, 1e-3, 1e4, "\"4.3 A\"", "The same when hot."),
    q("hot_saturation_temperature", Temperature, Derived("100 degC, common practice"), -65.0, 250.0, "\"100 degC\"", "Temperature of `hot_saturation_current`."),
    key("saturation_knee", Choice(&["soft", "hard"]), Ruled, "\"soft\"", "In place of a curve: the curve is estimated from the saturation ratings with a soft or a hard knee."),
    q("heating_current", Current, Opt("`thermal_resistance` or the size of the body must be given"), 1e-3, 1e4, "\"4.2 A\"", "Direct current that heats the part by `heating_rise`."),
    q("heating_rise", TemperatureRise, Opt("must be given with `heating_current`"), 1.0, 150.0, "\"40 K\"", "Rise that belongs to `heating_current`."),
    q("thermal_resistance", ThermalResistance, Derived("rise / (I^2 x `dcr_typical` x (1 + 0.00385 /K x rise)) from the heating rating, without one by the size of the body"), 0.1, 1e4, "\"54.4 K/W\"", "Thermal resistance from the winding to ambient."),
    q("thermal_time_constant", Time, Opt("by the size of the body: `thermal_resistance` x its mass x 0.55 J/(g K), half to double"), 0.1, 1e5, "\"32 s\"", "Time constant with which the part warms up above its board; only for the soak of the bench plan."),
    key("ac_resistance", Texts, Ruled, "[\"1.8 @ 100 kHz\", \"3.0 @ 400 kHz\"]", "Ratio of a.c. to d.c. resistance; a ratio without frequency belongs to the switching frequency."),
    q("core_loss", Power, Ruled, 1e-6, 1e4, "\"150 mW\"", "Core loss at the reference point below, for a symmetric triangle."),
    q("core_loss_frequency", Frequency, Opt("must be given with `core_loss`"), 1e3, 1e8, "\"400 kHz\"", "Reference frequency."),
    q("core_loss_volt_seconds", VoltSeconds, Opt("must be given with `core_loss`"), 1e-9, 1.0, "\"10 V us\"", "Reference volt-seconds: swing of the flux linkage, peak to peak."),
    q("core_loss_alpha", Number, Ruled, 0.5, 3.0, "1.28", "Exponent of frequency."),
    q("core_loss_beta", Number, Ruled, 1.0, 4.0, "2.15", "Exponent of the swing."),
    q("core_loss_tolerance", Fraction, Derived("25 %, common practice"), 0.0, 1.0, "\"20 %\"", "Part by which the core loss may exceed its data."),
    q("steinmetz_k", PowerDensity, Opt("`core_loss` may be given instead"), 1e-9, 1e9, "\"8.2 W/m3\"", "Steinmetz coefficient for sinusoidal flux, f in Hz and B in T (peak)."),
    q("steinmetz_alpha", Number, Opt("must be given with `steinmetz_k`"), 0.5, 3.0, "1.45", "Exponent of frequency."),
    q("steinmetz_beta", Number, Opt("must be given with `steinmetz_k`"), 1.0, 4.0, "2.5", "Exponent of the flux density."),
    q("core_volume", Volume, Opt("must be given with `steinmetz_k`"), 1e-12, 1e-2, "\"310 mm3\"", "Core volume."),
    q("turns_area", Area, Opt("must be given with `steinmetz_k`"), 1e-9, 1.0, "\"180 mm2\"", "Number of turns times core area."),
    q("max_temperature", Temperature, Ruled, 0.0, 300.0, "\"125 degC\"", "Highest temperature including its own heating."),
    key("max_temperature_of", Choice(&["winding", "ambient"]), Opt("as `winding`"), "\"winding\"", "What the printed temperature range is of: the winding, own heating included, or the ambient. The winding is held to it in either case."),
    q("no_ageing_below", Temperature, Opt("iron powder is taken to age above 100 degC"), 100.0, 300.0, "\"150 degC\"", "Temperature up to which the maker says that the core does not age."),
    key("grade", Choice(GRADES), Opt("undecided where board or original state one"), "\"industrial\"", "Grade of the part."),
    key("shield", Choice(&["unshielded", "partial", "shielded"]), Opt("undecided where the original states one"), "\"shielded\"", "How far its field stays in its body."),
    key("start_mark", Flag, Opt("undecided where the original has one"), "true", "Whether the body shows where the winding begins, so that it can be placed alike."),
    q("working_voltage", Voltage, Ruled, 1.0, 1e4, "\"60 V\"", "Rated voltage between the terminals."),
    q("self_resonance", Frequency, Ruled, 1e5, 1e10, "\"24 MHz\"", "Self-resonance."),
    q("body_length", Length, Opt("the fit of the body is not checked"), 1e-4, 0.2, "\"7.2 mm\"", "Largest length along the axis through both terminals."),
    q("body_width", Length, Opt("must be given with `body_length`"), 1e-4, 0.2, "\"6.7 mm\"", "Largest width across that axis."),
    q("body_height", Length, Opt("must be given with `body_length`"), 1e-4, 0.2, "\"4.8 mm\"", "Largest height."),
    q("terminal_length", Length, Opt("the fit of the terminals is not checked"), 1e-5, 0.1, "\"2 mm\"", "Extent of one terminal along the axis through both."),
    q("terminal_width", Length, Opt("must be given with `terminal_length`"), 1e-5, 0.1, "\"5.4 mm\"", "Extent of one terminal across that axis."),
    q("terminal_gap", Length, Opt("must be given with `terminal_length`"), 1e-5, 0.1, "\"3.4 mm\"", "Free distance between the terminals."),
    q("terminal_tolerance", Length, Opt("0.2 mm, common practice"), 0.0, 2e-4, "\"0.1 mm\"", "Tolerance of the terminals over all, of their gap and of their width, either way."),
    key("origin", Choice(ORIGINS), Opt("not stated"), "\"typical\"", "Where the data of this part come from, unless a datum says otherwise."),
    key("note", Text, Opt("none"), "\"data sheet, issue 3\"", "Remark on the origin."),
];

/// Keys of the file of house rules that `rules` in `board.toml` names. Each is asked only where it is stated, and then it binds.
#[rustfmt::skip] // one row a line, as a table
pub const RULES: &[Key] = &[
    q("inductance_left", Fraction, Opt(NOT_ASKED), 0.01, 1.0, "\"70 %\"", "Least share of the nominal inductance that is left at the highest current: where the current limit or a short circuit ends, and at the peaks of steady states."),
    q("saturation_share", Fraction, Opt(NOT_ASKED), 0.01, 1.0, "\"80 %\"", "Most of `saturation_current` that the peaks of steady states, load step and input step take."),
    q("heating_share", Fraction, Opt(NOT_ASKED), 0.01, 1.0, "\"90 %\"", "Most of `heating_current` that the rms current of a steady state takes."),
    q("winding_margin", TemperatureRise, Opt(NOT_ASKED), 0.0, 100.0, "\"15 K\"", "Distance that the winding keeps from the part's own `max_temperature`."),
    q("resonance_ratio", Number, Opt(NOT_ASKED), 1.0, 1000.0, "10", "Least self-resonance as a multiple of the switching frequency."),
    q("voltage_share", Fraction, Opt(NOT_ASKED), 0.01, 1.0, "\"80 %\"", "Most of the rated `working_voltage` that the highest input takes."),
];

const NOT_ASKED: &str = "not asked";

/// Grades, the least demanding first.
const GRADES: &[&str] = &["commercial", "industrial", "automotive"];

/// Words for the origin of a datum.
pub const ORIGINS: &[&str] = &["measured", "guaranteed", "typical", "digitised", "estimated", "assumed"];
