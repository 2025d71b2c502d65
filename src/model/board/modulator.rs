//! Control schemes: how a pulse begins and ends. Everything that the exact engine and the loop analysis need to know of a scheme
//! is told here.
//!
//! Equations: docs/physics.md, "switching sequence".

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

/// What ends a pulse beside comparators.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum OnTime {
    /// Nothing before the next clock edge, if there is one.
    Open,
    /// A share of the period.
    Share(f64),
    /// A time in s at the nominal input voltage, shorter in proportion at a higher one.
    AtNominalInput(f64),
}

/// A comparator: it trips where a weighted sum of current, control voltage (or tap) and reference, plus what grows from the clock
/// edge on, is no longer negative. Its output may have any unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Comparator {
    /// Per A of inductor current.
    pub current: f64,
    /// Per V of control voltage, or of the tap where there is no amplifier.
    pub control: f64,
    /// Per V of reference.
    pub reference: f64,
    /// Fixed part.
    pub constant: f64,
    /// Growth in 1/s.
    pub ramp: f64,
    /// Growth in 1/s per V of input at the clock edge.
    pub ramp_per_input_v: f64,
    /// Whether it is looked at while the high side is open too.
    pub always: bool,
}

impl Comparator {
    const NOTHING: Comparator = Comparator {
        current: 0.0,
        control: 0.0,
        reference: 0.0,
        constant: 0.0,
        ramp: 0.0,
        ramp_per_input_v: 0.0,
        always: false,
    };

    /// Control voltage in V at which it trips some time after the clock edge; 0 where the control voltage takes no part.
    pub fn control_v(&self, current_a: f64, reference_v: f64, (phase_s, input_v): (f64, f64)) -> f64 {
        let grown = (self.ramp + self.ramp_per_input_v * input_v) * phase_s;
        let rest = self.current * current_a + self.reference * reference_v + self.constant + grown;
        if self.control == 0.0 { 0.0 } else { -rest / self.control }
    }
}

impl Modulator {
    /// Whether a clock begins every cycle.
    pub fn is_clocked(&self) -> bool {
        match self {
            Modulator::FixedDuty { .. } | Modulator::VoltageMode { .. } | Modulator::PeakCurrent { .. } => true,
            Modulator::ConstantOnTime { .. } | Modulator::Hysteretic { .. } => false,
        }
    }

    /// Comparator and driver delay in s.
    pub fn delay_s(&self) -> f64 {
        match self {
            Modulator::FixedDuty { .. } => 0.0,
            Modulator::VoltageMode { delay_s, .. }
            | Modulator::PeakCurrent { delay_s, .. }
            | Modulator::ConstantOnTime { delay_s, .. }
            | Modulator::Hysteretic { delay_s, .. } => *delay_s,
        }
    }

    /// What ends a pulse beside comparators.
    pub fn on_time(&self) -> OnTime {
        match self {
            Modulator::FixedDuty { duty } => OnTime::Share(*duty),
            Modulator::ConstantOnTime { on_time_s, .. } => OnTime::AtNominalInput(*on_time_s),
            Modulator::VoltageMode { .. } | Modulator::PeakCurrent { .. } | Modulator::Hysteretic { .. } => {
                OnTime::Open
            }
        }
    }

    /// Whether comparators are not looked at during the shortest conduction.
    pub fn is_blanked(&self) -> bool {
        match self {
            Modulator::PeakCurrent { .. } | Modulator::Hysteretic { .. } => true,
            Modulator::FixedDuty { .. } | Modulator::VoltageMode { .. } | Modulator::ConstantOnTime { .. } => false,
        }
    }

    /// Comparator that ends a pulse, on a board of that switching period.
    pub fn turn_off(&self, period_s: f64) -> Option<Comparator> {
        match *self {
            Modulator::FixedDuty { .. } | Modulator::ConstantOnTime { .. } => None,
            Modulator::VoltageMode { ramp, .. } => {
                let (ramp, ramp_per_input_v) = match ramp {
                    Ramp::Fixed(amplitude_v) => (amplitude_v / period_s, 0.0),
                    Ramp::InputOver(n) => (0.0, 1.0 / (n * period_s)),
                };
                Some(Comparator { control: -1.0, ramp, ramp_per_input_v, always: true, ..Comparator::NOTHING })
            }
            Modulator::PeakCurrent { gain_a_per_v, slope_a_per_s, .. } => {
                Some(Comparator { current: 1.0, control: -gain_a_per_v, ramp: slope_a_per_s, ..Comparator::NOTHING })
            }
            Modulator::Hysteretic { band_v, .. } => {
                Some(Comparator { control: 1.0, reference: -1.0, constant: -0.5 * band_v, ..Comparator::NOTHING })
            }
        }
    }

    /// Comparator that asks for a pulse where no clock does, while the high side is open.
    pub fn turn_on(&self) -> Option<Comparator> {
        let below_v = match self {
            Modulator::FixedDuty { .. } | Modulator::VoltageMode { .. } | Modulator::PeakCurrent { .. } => return None,
            Modulator::ConstantOnTime { .. } => 0.0,
            Modulator::Hysteretic { band_v, .. } => 0.5 * band_v,
        };
        Some(Comparator { control: -1.0, reference: 1.0, constant: -below_v, always: true, ..Comparator::NOTHING })
    }

    /// Control voltage in V below which a clock edge begins no pulse; `skip_below_a` is the least peak current commanded.
    pub fn least_command_v(&self, skip_below_a: f64) -> f64 {
        match self {
            Modulator::FixedDuty { .. } => f64::NEG_INFINITY,
            Modulator::PeakCurrent { gain_a_per_v, .. } => skip_below_a / gain_a_per_v,
            Modulator::VoltageMode { .. } | Modulator::ConstantOnTime { .. } | Modulator::Hysteretic { .. } => 0.0,
        }
    }

    /// Slope compensation in A/s; 0 where no current is commanded.
    pub fn slope_compensation_a_per_s(&self) -> f64 {
        match self {
            Modulator::PeakCurrent { slope_a_per_s, .. } => *slope_a_per_s,
            Modulator::FixedDuty { .. }
            | Modulator::VoltageMode { .. }
            | Modulator::ConstantOnTime { .. }
            | Modulator::Hysteretic { .. } => 0.0,
        }
    }

    /// Output voltage per volt of control voltage at zero frequency, for an input voltage and a load resistance; infinite where
    /// there is no control voltage.
    pub fn plant_gain(&self, input_v: f64, load_ohm: f64) -> f64 {
        match *self {
            Modulator::PeakCurrent { gain_a_per_v, .. } => gain_a_per_v * load_ohm,
            Modulator::VoltageMode { ramp: Ramp::Fixed(amplitude_v), .. } => input_v / amplitude_v,
            Modulator::VoltageMode { ramp: Ramp::InputOver(n), .. } => n,
            Modulator::FixedDuty { .. } | Modulator::ConstantOnTime { .. } | Modulator::Hysteretic { .. } => {
                f64::INFINITY
            }
        }
    }
}
