//! What was captured and read on a bench, as its engineer states it. Plain data in SI units.

/// All of it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Captures {
    /// Which board, in words.
    pub board: String,
    /// Waveforms.
    pub captures: Vec<Capture>,
    /// Numbers that were read.
    pub readings: Vec<Reading>,
    /// Four power meters at once.
    pub meters: Vec<Metered>,
}

/// What was done to the board, and with which part on it.
#[derive(Clone, Debug, PartialEq)]
pub struct Setting {
    /// Number of the part.
    pub part: usize,
    /// Name of the condition.
    pub condition: &'static str,
    /// Input at the board's terminals in V.
    pub input_v: f64,
    /// Load in A, where it is stated.
    pub load_a: Option<f64>,
    /// Ambient temperature in degrees Celsius.
    pub ambient_degc: f64,
    /// File and line that state it.
    pub place: String,
}

/// A waveform file and what its columns are.
#[derive(Clone, Debug, PartialEq)]
pub struct Capture {
    /// What was done.
    pub setting: Setting,
    /// File, relative to the case.
    pub file: String,
    /// Time of the first sample in s, for a file without time.
    pub start_s: Option<f64>,
    /// Time between samples in s, for a file without time.
    pub step_s: Option<f64>,
    /// Output voltage.
    pub output: Option<Probe>,
    /// Inductor current.
    pub inductor: Option<Probe>,
    /// Load current.
    pub load: Option<Probe>,
    /// Inductance in H of the wire loop for the current probe.
    pub loop_h: f64,
}

impl Capture {
    /// The probes that are there, with the key of each.
    pub fn probes(&self) -> impl Iterator<Item = (&'static str, &Probe)> {
        let all = [("output", &self.output), ("inductor", &self.inductor), ("load", &self.load)];
        all.into_iter().filter_map(|(key, probe)| Some((key, probe.as_ref()?)))
    }
}

/// What one column of a file is.
#[derive(Clone, Debug, PartialEq)]
pub struct Probe {
    /// Title of the column, or its number from 1.
    pub column: String,
    /// V or A of the signal for one of the column's unit.
    pub scale: f64,
    /// Bandwidth in Hz.
    pub bandwidth_hz: Option<f64>,
    /// Corner of an a.c. coupling in Hz.
    pub high_pass_hz: Option<f64>,
    /// Limits of the error of its gain, as a fraction.
    pub error: f64,
}

/// A number that was read.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// What was done.
    pub setting: Setting,
    /// Identifier of the quantity.
    pub quantity: &'static str,
    /// Value in SI.
    pub value: f64,
    /// Limits of its error in the same unit.
    pub error: f64,
}

/// Readings of four power meters.
#[derive(Clone, Debug, PartialEq)]
pub struct Metered {
    /// What was done.
    pub setting: Setting,
    /// Input in V, input in A, output in V, output in A.
    pub values: [f64; 4],
    /// Limits of the error of each, in its unit.
    pub errors: [f64; 4],
    /// Correlation of meters of a kind.
    pub correlation: f64,
}
