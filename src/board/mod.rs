//! The board: everything that is not the part under comparison, as data with SI units.

use crate::parts::{Body, CapacitorBranch, PadPair};

/// A buck-converter board.
#[derive(Clone, Debug, PartialEq)]
pub struct Board {
    /// Title for people.
    pub title: String,
    /// Input voltages to be simulated in V, ascending; the nominal one is `nominal_input_v`.
    pub input_v: Vec<f64>,
    /// Nominal input voltage in V, one of `input_v`.
    pub nominal_input_v: f64,
    /// Output voltage aimed at, in V.
    pub output_v: f64,
    /// Switching frequency in Hz.
    pub frequency_hz: f64,
    /// Load currents of the steady states in A, ascending; the last is the full load.
    pub load_a: Vec<f64>,
    /// What kind of load draws these currents.
    pub load_kind: LoadKind,
    /// Ambient temperature at the inductor in degrees Celsius.
    pub ambient_degc: f64,
    /// Switches.
    pub stage: Stage,
    /// Output capacitors, at least one branch.
    pub output_bank: Vec<CapacitorBranch>,
    /// Input capacitors; only their ripple current and loss are calculated.
    pub input_bank: Vec<CapacitorBranch>,
    /// Control.
    pub control: Control,
    /// Load step, where the board states one.
    pub load_step: Option<LoadStep>,
    /// Land on the board.
    pub land: Option<PadPair>,
    /// Room for the body.
    pub keep_out: Option<Body>,
}

/// Kind of load in the steady states. A load step always adds or removes a current sink.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LoadKind {
    /// Current sink.
    Current,
    /// Resistor that draws the stated current at the output voltage aimed at.
    Resistance,
    /// Constant power, the stated current times the output voltage aimed at.
    Power,
}

/// Power switches. On-resistances at 25 C are multiplied by `hot_factor` in every simulation.
#[derive(Clone, Debug, PartialEq)]
pub struct Stage {
    /// On-resistance of the high side at 25 C in ohm.
    pub high_side_ohm: f64,
    /// Low side.
    pub low_side: LowSide,
    /// Factor on the on-resistances for a warm board.
    pub hot_factor: f64,
    /// Rise time of the switch node in s (transition loss).
    pub rise_s: f64,
    /// Fall time of the switch node in s (transition loss).
    pub fall_s: f64,
    /// Total gate charge a cycle in C.
    pub gate_charge_c: f64,
    /// Gate supply in V.
    pub gate_v: f64,
    /// Recovery charge of the low-side diode in C.
    pub recovery_charge_c: f64,
    /// Output capacitance at the switch node in F.
    pub output_capacitance_f: f64,
    /// Quiescent current from the input in A.
    pub quiescent_a: f64,
    /// Pulse current rating of the switches in A.
    pub pulse_rating_a: Option<f64>,
}

/// What conducts while the high side is off.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum LowSide {
    /// A driven switch with its body diode.
    Switch {
        /// On-resistance at 25 C in ohm.
        on_ohm: f64,
        /// Dead time at each edge in s.
        dead_time_s: f64,
        /// Forward voltage of either body diode in V.
        body_diode_v: f64,
        /// Opens when its current falls to zero (diode emulation), or conducts on with negative current.
        emulation: bool,
    },
    /// A diode.
    Diode {
        /// Forward voltage at zero current in V.
        forward_v: f64,
        /// Slope resistance in ohm.
        slope_ohm: f64,
    },
}

/// Control: what forms the control voltage, what turns it into pulses, and the timing limits.
#[derive(Clone, Debug, PartialEq)]
pub struct Control {
    /// Error amplifier and its network.
    pub compensator: Compensator,
    /// Pulse forming.
    pub modulator: Modulator,
    /// Shortest high-side conduction in s; comparators are not looked at before (blanking included).
    pub min_on_s: f64,
    /// Shortest time from high-side turn-off to the next clock edge, or without a clock to the next turn-on, in s.
    pub min_off_s: f64,
    /// Cycle-by-cycle limit of the inductor current.
    pub current_limit: Option<CurrentLimit>,
}

/// Error amplifier and its network.
#[derive(Clone, Debug, PartialEq)]
pub enum Compensator {
    /// None: open loop.
    Open,
    /// Operational amplifier, inverting, type II or III.
    OpAmp {
        /// Reference in V.
        reference_v: f64,
        /// Upper divider resistor from the output to the inverting input in ohm.
        r1_ohm: f64,
        /// Lower divider resistor from the inverting input to ground in ohm.
        rb_ohm: f64,
        /// Series resistor and capacitor across R1 (type III) in ohm and F.
        lead: Option<(f64, f64)>,
        /// Feedback series resistor in ohm.
        r2_ohm: f64,
        /// Feedback series capacitor in F.
        c1_f: f64,
        /// Feedback parallel capacitor in F; 0 for none.
        c2_f: f64,
        /// Gain-bandwidth product in Hz.
        gain_bandwidth_hz: f64,
        /// Lowest and highest control voltage in V.
        clamp_v: (f64, f64),
    },
    /// None: the comparator sees a divided output with ripple added, as ripple-based control does.
    Ripple {
        /// Reference of the comparator in V.
        reference_v: f64,
        /// Upper divider resistor in ohm.
        r1_ohm: f64,
        /// Lower divider resistor in ohm.
        rb_ohm: f64,
        /// Capacitor across the upper resistor in F.
        cff_f: f64,
        /// Series resistor and capacitor from the switch node to the divider tap in ohm and F.
        injection: Option<(f64, f64)>,
    },
    /// Transconductance amplifier with a type II network to ground.
    Transconductance {
        /// Reference in V.
        reference_v: f64,
        /// Transconductance in S.
        gm_s: f64,
        /// Output resistance in ohm.
        ro_ohm: f64,
        /// Series resistor in ohm.
        rc_ohm: f64,
        /// Series capacitor in F.
        cc_f: f64,
        /// Parallel capacitor in F.
        chf_f: f64,
        /// Lowest and highest control voltage in V.
        clamp_v: (f64, f64),
    },
}

/// Pulse forming.
#[derive(Clone, Debug, PartialEq)]
pub enum Modulator {
    /// Fixed conduction time of the high side as a fraction of the period.
    FixedDuty {
        /// Duty, 0 to 1.
        duty: f64,
    },
    /// Trailing-edge ramp comparator.
    VoltageMode {
        /// Ramp.
        ramp: Ramp,
        /// Comparator and driver delay in s.
        delay_s: f64,
    },
    /// Constant on-time, valley: the high side closes when the tap falls to the reference, for a time that falls with the input.
    ConstantOnTime {
        /// Conduction time of the high side at the nominal input voltage in s.
        on_time_s: f64,
        /// Comparator and driver delay in s.
        delay_s: f64,
    },
    /// Hysteretic: the high side closes below the band around the reference and opens above it.
    Hysteretic {
        /// Width of the band in V.
        band_v: f64,
        /// Comparator and driver delay in s.
        delay_s: f64,
    },
    /// Peak current mode.
    PeakCurrent {
        /// Peak current commanded per volt of control voltage in A/V.
        gain_a_per_v: f64,
        /// Slope compensation in A/s.
        slope_a_per_s: f64,
        /// Comparator and driver delay in s.
        delay_s: f64,
    },
}

/// Amplitude of the modulator's ramp.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Ramp {
    /// Fixed amplitude in V.
    Fixed(f64),
    /// Input voltage divided by this number (feed-forward).
    InputOver(f64),
}

/// Cycle-by-cycle limit of the inductor current.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurrentLimit {
    /// Lowest, typical and highest threshold in A.
    pub threshold_a: (f64, f64, f64),
    /// Delay from threshold to turn-off in s.
    pub delay_s: f64,
}

/// Load step and release.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LoadStep {
    /// Current before the step in A.
    pub from_a: f64,
    /// Current after the step in A.
    pub to_a: f64,
    /// Slew of both edges in A/s.
    pub slew_a_per_s: f64,
    /// Time for which each level is held in s.
    pub hold_s: f64,
}
