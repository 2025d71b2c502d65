//! How conditions are run and measured: every number of a procedure that a case may state otherwise.

/// Numbers of the procedures. The defaults are common practice.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Procedure {
    /// Bandwidth in Hz of the instrument at the output, a first-order low-pass.
    pub instrument_hz: f64,
    /// Begins of a load step within the switching period that are tried, evenly spread; the worst counts.
    pub step_phases: u64,
    /// Relative difference of states within which a load program has come back to its begin.
    pub repeats: f64,
    /// Switching periods in which a loop settles, at the least.
    pub settling_periods: f64,
    /// Multiple of the stated recovery time in which everything settles.
    pub settling_recoveries: f64,
    /// Share of the output aimed at beyond which a mean output is told to be off its aim.
    pub off_aim: f64,
    /// Share of the output below which it has given way: it is not delivered any more.
    pub gives_way: f64,
    /// Multiple of the full load at which an overload is given up.
    pub overload_furthest: f64,
    /// Multiple of soft start and settling time after which a start is given up.
    pub start_patience: f64,
    /// Load of a start into a charged output as a share of the full load.
    pub bleeder: f64,
    /// Time constant in s of a resistive load with its leads: some 10 cm of wire and an ohm or two.
    pub leads_s: f64,
    /// Place in the switching period at which a short circuit begins, as a share of it.
    pub short_phase: f64,
    /// Begins of a short circuit all over the switching period that are tried, from that place on; the worst counts.
    pub short_phases: u64,
    /// Cycles of a short circuit whose energy counts as that of the first ones.
    pub short_first: u64,
    /// Loads at which the light load is followed, in equal ratios.
    pub light_loads: u64,
    /// Pulses that a pattern is given to settle in.
    pub pattern_settling: u64,
    /// Pulses or bursts over which a pattern is averaged.
    pub pattern_counted: u64,
    /// Switching periods after which watching a pattern ends in any case.
    pub pattern_longest: u64,
    /// Distance of two pulses in switching periods from which there is a gap between them.
    pub pattern_gap: f64,
    /// Range of repetition in Hz in which a pattern may be heard (common practice).
    pub audible_hz: (f64, f64),
    /// Range of repetition in Hz to which the ear is most sensitive (common practice).
    pub most_audible_hz: (f64, f64),
}

impl Default for Procedure {
    fn default() -> Procedure {
        Procedure {
            instrument_hz: 20e6,
            step_phases: 4,
            repeats: 1e-3,
            settling_periods: 240.0,
            settling_recoveries: 8.0,
            off_aim: 0.02,
            gives_way: 0.9,
            overload_furthest: 20.0,
            start_patience: 12.0,
            bleeder: 0.01,
            leads_s: 60e-9,
            short_phase: 0.37,
            short_phases: 8,
            short_first: 10,
            light_loads: 9,
            pattern_settling: 400,
            pattern_counted: 40,
            pattern_longest: 60_000,
            pattern_gap: 1.5,
            audible_hz: (20.0, 20e3),
            most_audible_hz: (2e3, 5e3),
        }
    }
}
