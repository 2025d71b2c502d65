//! The board: everything that is not the part under comparison, as data with SI units.

pub mod modulator;

pub use super::load::{Course, LoadProfile, LoadStep, NamedLoad};
use super::parts::{Body, CapacitorBranch, FilletGoals, Grade, PadPair};
use super::procedure::Procedure;
pub use modulator::{Comparator, Modulator, OnTime, Ramp};

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
    /// Coldest ambient temperature in degrees Celsius, where it is stated.
    pub coldest_degc: Option<f64>,
    /// What differs from board to board.
    pub tolerances: Tolerances,
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
    /// Further loads, each with a name.
    pub loads: Vec<NamedLoad>,
    /// Further conditions.
    pub events: Events,
    /// Land on the board.
    pub land: Option<PadPair>,
    /// Room for the body.
    pub keep_out: Option<Body>,
    /// Goals of the solder fillets; `None`: not asked.
    pub fillets: Option<FilletGoals>,
    /// Grade that its parts must have; `None`: not stated.
    pub grade: Option<Grade>,
    /// How conditions are run and measured.
    pub procedure: Procedure,
}

/// Tolerances of a board, as fractions either way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tolerances {
    /// Of the switching frequency, or of the on-time.
    pub frequency: f64,
    /// Of the reference.
    pub reference: f64,
    /// Of each resistor of the divider.
    pub divider: f64,
}

impl Board {
    /// Full load in A: the last of the loads, 0 without any.
    pub fn full_load_a(&self) -> f64 {
        self.load_a.last().copied().unwrap_or(0.0)
    }

    /// A named load by its number, from 1 on.
    pub fn named(&self, load: usize) -> Option<&NamedLoad> {
        self.loads.get(load.checked_sub(1)?)
    }

    /// A load step by its number: 0 is the board's own, the named loads follow.
    pub fn step(&self, load: usize) -> Option<LoadStep> {
        match load {
            0 => self.load_step,
            _ => {
                self.named(load).and_then(|named| if let Course::Step(step) = named.course { Some(step) } else { None })
            }
        }
    }

    /// A load profile by its number.
    pub fn profile(&self, load: usize) -> Option<&LoadProfile> {
        self.named(load)
            .and_then(|named| if let Course::Profile(profile) = &named.course { Some(profile) } else { None })
    }

    /// Every load step with its number.
    pub fn steps(&self) -> impl Iterator<Item = (usize, LoadStep)> {
        (0..=self.loads.len()).filter_map(|load| Some((load, self.step(load)?)))
    }

    /// Highest input voltage in V.
    pub fn highest_input_v(&self) -> f64 {
        self.input_v.iter().copied().fold(0.0, f64::max)
    }
}

/// Conditions beyond steady states and load step, each where the board states it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Events {
    /// Starts.
    pub start: Option<Start>,
    /// Step of the input voltage.
    pub input_step: Option<InputStep>,
    /// Dropout of the input and its return.
    pub input_dropout: Option<InputDropout>,
    /// Slow overload.
    pub overload: Option<Overload>,
    /// Short circuit.
    pub short: Option<ShortCircuit>,
    /// Loads in A below the smallest of the steady states, down to which the light load is followed.
    pub light_load_a: Option<f64>,
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
    /// Where the amplifier's network is not known: what its loop does with the original part. The compensator then stands for one
    /// that is yet to be laid out, or has been.
    pub aim: Option<LoopAim>,
    /// Pulse forming.
    pub modulator: Modulator,
    /// Shortest high-side conduction in s; comparators are not looked at before (blanking included).
    pub min_on_s: f64,
    /// Shortest time from high-side turn-off to the next clock edge, or without a clock to the next turn-on, in s.
    pub min_off_s: f64,
    /// What protects the stage and how it starts.
    pub protection: Protection,
}

/// A control loop that is known from outside only.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LoopAim {
    /// Crossover in Hz, at full load and nominal input.
    pub crossover_hz: f64,
    /// Phase margin there in degrees.
    pub phase_deg: f64,
    /// Reference in V.
    pub reference_v: f64,
    /// Lowest and highest control voltage in V.
    pub clamp_v: (f64, f64),
}

/// What protects the stage, how it starts, and where it leaves pulses out.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Protection {
    /// Limit of the inductor current; `None` where there is none, or nobody states it.
    pub current_limit: Option<CurrentLimit>,
    /// Whether it is stated that there is none.
    pub is_unlimited: bool,
    /// Time in which the reference rises from nothing, at the start and after a pause; 0 for at once.
    pub soft_start_s: f64,
    /// Clock pulses are left out while the output is low.
    pub foldback: Option<Foldback>,
    /// Peak current mode: a pulse is left out where the clock finds less commanded, in A; 0 where only a command of nothing leaves
    /// it out.
    pub skip_below_a: f64,
    /// What nobody says that the controller has or has not.
    pub unanswered: Unanswered,
}

/// What a controller may have besides, where nobody says: each is simulated with and without.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Unanswered {
    /// A pause after some limited cycles.
    pub hiccup: bool,
    /// No pulse while the current in the low side is high.
    pub inhibit: bool,
    /// A lower frequency while the output is low.
    pub foldback: bool,
    /// Pulses left out at light load.
    pub skipping: bool,
}

impl Protection {
    /// The limit, where it acts on the peak current.
    pub fn peak_limit(&self) -> Option<CurrentLimit> {
        self.current_limit.filter(|limit| matches!(limit.sense, LimitSense::Peak { .. }))
    }

    /// Lowest threshold of a limit of the peak current in A, where there is one.
    pub fn lowest_peak_a(&self) -> Option<f64> {
        self.peak_limit().map(|limit| limit.threshold.0)
    }
}

/// Frequency foldback: below a share of the output aimed at only every n-th clock edge begins a pulse.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Foldback {
    /// Share of the output voltage aimed at.
    pub below: f64,
    /// Every which clock edge is left.
    pub divisor: u64,
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
        /// Ripple that is added at the divider tap.
        injection: Option<Injection>,
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

/// Where the ripple comes from that is added at the divider tap.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Injection {
    /// Resistor and capacitor in series from the switch node to the tap.
    SwitchNode {
        /// Resistor in ohm.
        r_ohm: f64,
        /// Capacitor in F.
        c_f: f64,
    },
    /// Resistor from the switch node to a junction, capacitor from there to the output: across the inductor. A coupling
    /// capacitor joins the junction and the tap.
    Inductor {
        /// Resistor in ohm.
        r_ohm: f64,
        /// Capacitor to the output in F.
        c_f: f64,
        /// Coupling capacitor in F.
        coupling_f: f64,
    },
}

/// Limit of the inductor current.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurrentLimit {
    /// What is held against the threshold.
    pub sense: LimitSense,
    /// Lowest, typical and highest threshold: in A, or across the winding in V.
    pub threshold: (f64, f64, f64),
    /// Delay from threshold to turn-off in s.
    pub delay_s: f64,
    /// With a clock: current in A above which a clock edge begins no pulse, seen in the low side.
    pub inhibit_a: Option<f64>,
    /// Pause after some limited cycles in a row.
    pub hiccup: Option<Hiccup>,
}

/// What is held against the threshold of a current limit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum LimitSense {
    /// The current in the high side: opens it.
    Peak {
        /// Whether the slope compensation is in it, so that the limit falls during the conduction.
        falls_with_slope: bool,
    },
    /// The current in the low side: holds the turn-on back (without a clock only).
    Valley,
    /// The voltage across the winding resistance, through a resistor and a capacitor across the inductor: opens the high side.
    Winding {
        /// Resistor in ohm.
        r_ohm: f64,
        /// Capacitor in F.
        c_f: f64,
    },
}

impl CurrentLimit {
    /// A cycle-by-cycle peak limit and nothing else.
    pub fn peak(threshold_a: (f64, f64, f64), delay_s: f64) -> CurrentLimit {
        let sense = LimitSense::Peak { falls_with_slope: false };
        CurrentLimit { sense, threshold: threshold_a, delay_s, inhibit_a: None, hiccup: None }
    }
}

/// Pause after limited cycles.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hiccup {
    /// Limited cycles in a row that lead to it.
    pub cycles: u64,
    /// Its length in s, after which a soft start follows.
    pub pause_s: f64,
}

/// A step of the input voltage and back.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct InputStep {
    /// Voltage before the step in V.
    pub from_v: f64,
    /// Voltage after the step in V.
    pub to_v: f64,
    /// Slew of both edges in V/s.
    pub slew_v_per_s: f64,
    /// Load in A.
    pub load_a: f64,
    /// Time for which each level is held in s.
    pub hold_s: f64,
}

/// A dropout of the input and its return.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct InputDropout {
    /// Voltage before and after in V.
    pub from_v: f64,
    /// Voltage to which it falls in V.
    pub to_v: f64,
    /// Time of the fall in s.
    pub fall_s: f64,
    /// Time for which it stays down in s.
    pub hold_s: f64,
    /// Time of the return in s.
    pub rise_s: f64,
    /// Load in A at the output voltage aimed at, a resistance.
    pub load_a: f64,
}

/// A short circuit at the output.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ShortCircuit {
    /// Resistance in ohm.
    pub ohm: f64,
    /// Inductance in H.
    pub henry: f64,
    /// Time for which it lasts in s.
    pub hold_s: f64,
}

/// An overload that grows slowly until the output gives way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Overload {
    /// Slew in A/s.
    pub slew_a_per_s: f64,
    /// Coldest and hottest winding in degrees Celsius at which it may come.
    pub winding_degc: (f64, f64),
}

/// Starts of the board.
#[derive(Clone, Debug, PartialEq)]
pub struct Start {
    /// Output voltages in V that are already there, at a hundredth of the full load; the start from nothing is always one, at full load.
    pub prebias_v: Vec<f64>,
}

impl Compensator {
    /// Reference in V; `None` without one.
    pub fn reference_v(&self) -> Option<f64> {
        match self {
            Compensator::Open => None,
            Compensator::OpAmp { reference_v, .. }
            | Compensator::Transconductance { reference_v, .. }
            | Compensator::Ripple { reference_v, .. } => Some(*reference_v),
        }
    }

    pub(super) fn scale_reference(&mut self, factor: f64) {
        match self {
            Compensator::Open => {}
            Compensator::OpAmp { reference_v, .. }
            | Compensator::Transconductance { reference_v, .. }
            | Compensator::Ripple { reference_v, .. } => *reference_v *= factor,
        }
    }
}
