//! Constructors: a board, a part and a case from a few numbers, with usual values for the rest. They refuse what no simulation could
//! use, and [`Case::check`] looks at the whole.

use super::board::{
    Board, Compensator, Control, Events, LoadKind, LoadProfile, LoadStep, LowSide, Modulator, Protection, Stage,
    Tolerances,
};
use super::case::{Agreed, AgreedChanges, Bench, Case, Limits, Numerics, usual_saturation_error_a};
use super::parts::{CapacitorBranch, CapacitorKind, Class, CoreFamily, Inductor, SaturationBasis, SaturationCurve};
use super::procedure::Procedure;
use std::collections::BTreeMap;
use std::f64::consts::TAU;
use thiserror::Error;

/// A number that no simulation could use.
#[derive(Clone, Debug, PartialEq, Error)]
#[error("{what} is {value}; expected {expected}")]
pub struct Refused {
    /// Which number, with its unit.
    pub what: String,
    /// Its value.
    pub value: f64,
    /// What would do.
    pub expected: String,
}

fn refuse(what: &str, value: f64, expected: &str) -> Result<(), Refused> {
    Err(Refused { what: what.into(), value, expected: expected.into() })
}

fn positive(what: &str, value: f64) -> Result<(), Refused> {
    if value > 0.0 && value.is_finite() { Ok(()) } else { refuse(what, value, "a finite number above 0") }
}

fn not_negative(what: &str, value: f64) -> Result<(), Refused> {
    if value >= 0.0 && value.is_finite() { Ok(()) } else { refuse(what, value, "a finite number, 0 or above") }
}

fn ascending(what: &str, values: &[f64]) -> Result<(), Refused> {
    positive(what, values.first().copied().unwrap_or(0.0))?;
    let wrong = values.windows(2).find(|pair| pair[0] >= pair[1] || !pair[1].is_finite());
    wrong.map_or(Ok(()), |pair| refuse(what, pair[1], "more than the one before"))
}

impl CapacitorBranch {
    /// A branch of a bank, as good at the end of its life as when new; 20 % tolerance, of the kind that goes with its resistance.
    ///
    /// # Errors
    /// A capacitance that is not positive; a negative resistance or inductance.
    pub fn new(name: &str, capacitance_f: f64, esr_ohm: f64, esl_h: f64) -> Result<CapacitorBranch, Refused> {
        let branch = CapacitorBranch {
            name: name.into(),
            kind: CapacitorKind::by_time_constant(esr_ohm, capacitance_f),
            count: 1.0,
            tolerance: 0.2,
            capacitance_f,
            aged_capacitance_f: capacitance_f,
            esr_ohm,
            least_esr: 1.0,
            stated_cold_esr: None,
            esl_h,
            ripple_rating_a: None,
        };
        branch.check()?;
        Ok(branch)
    }

    fn check(&self) -> Result<(), Refused> {
        if !(0.0..1.0).contains(&self.tolerance) {
            return refuse("tolerance of the capacitance", self.tolerance, "from 0 to below 1");
        }
        positive("capacitance in F", self.capacitance_f)?;
        positive("aged capacitance in F", self.aged_capacitance_f)?;
        not_negative("series resistance in ohm", self.esr_ohm)?;
        not_negative("series inductance in H", self.esl_h)?;
        if self.aged_capacitance_f > self.capacitance_f {
            return refuse("aged capacitance in F", self.aged_capacitance_f, "at most the capacitance when new");
        }
        Ok(())
    }
}

impl Inductor {
    /// A part of constant inductance without core loss; 20 % tolerance, resistance up to 15 % above the typical, 50 K/W.
    ///
    /// # Errors
    /// An inductance or a resistance that is not positive.
    pub fn new(name: &str, inductance_h: f64, dcr_ohm: f64) -> Result<Inductor, Refused> {
        let part = Inductor {
            name: name.into(),
            core: CoreFamily::Ferrite,
            inductance_h,
            tolerance: 0.2,
            saturation: vec![SaturationCurve { temperature_degc: 25.0, points: vec![(0.0, inductance_h)] }],
            saturation_basis: SaturationBasis::Curves,
            saturation_ratings: vec![],
            heating_rating: None,
            dcr_typical_ohm: dcr_ohm,
            dcr_max_ohm: 1.15 * dcr_ohm,
            ac_resistance: None,
            core_loss: None,
            core_loss_tolerance: 0.2,
            thermal_resistance_k_per_w: 50.0,
            thermal_time_constant_s: None,
            max_temperature_degc: None,
            working_voltage_v: None,
            self_resonance_hz: None,
            body: None,
            terminals: None,
            terminal_tolerance_m: None,
            class: Class::default(),
        };
        part.check()?;
        Ok(part)
    }

    fn check(&self) -> Result<(), Refused> {
        let what = |datum: &str| format!("{}: {datum}", self.name);
        positive(&what("inductance in H"), self.inductance_h)?;
        positive(&what("typical winding resistance in ohm"), self.dcr_typical_ohm)?;
        positive(&what("thermal resistance in K/W"), self.thermal_resistance_k_per_w)?;
        if !(0.0..1.0).contains(&self.tolerance) {
            return refuse(&what("tolerance"), self.tolerance, "from 0 to below 1");
        }
        if self.dcr_max_ohm < self.dcr_typical_ohm {
            let expected = "at least the typical one";
            return refuse(&what("largest winding resistance in ohm"), self.dcr_max_ohm, expected);
        }
        Ok(())
    }
}

impl Default for Stage {
    /// Switches of 50 and 40 mohm with a dead time of 20 ns and no switching loss.
    fn default() -> Stage {
        let low_side = LowSide::Switch { on_ohm: 40e-3, dead_time_s: 20e-9, body_diode_v: 0.8, emulation: false };
        Stage {
            high_side_ohm: 50e-3,
            low_side,
            hot_factor: 1.25,
            rise_s: 0.0,
            fall_s: 0.0,
            gate_charge_c: 0.0,
            gate_v: 5.0,
            recovery_charge_c: 0.0,
            output_capacitance_f: 0.0,
            quiescent_a: 0.0,
            pulse_rating_a: None,
        }
    }
}

impl Control {
    /// Peak current mode with a transconductance amplifier, laid out for a crossover of a fifteenth of the switching frequency on
    /// the capacitance of a bank (common practice: zero at an eighth of the crossover, pole at five times it, slope compensation of
    /// half the falling slope at a ripple of 0.4 of the load).
    fn peak_current(input_v: f64, output_v: f64, load_a: f64, frequency_hz: f64, capacitance_f: f64) -> Control {
        let (reference_v, gm_s, gain_a_per_v) = (0.8, 240e-6, 2.0 * load_a);
        let crossover = TAU * frequency_hz / 15.0;
        let rc_ohm = crossover * capacitance_f * output_v / (gain_a_per_v * gm_s * reference_v);
        let falling_a_per_s = 0.4 * load_a * frequency_hz / (1.0 - output_v / input_v);
        Control {
            compensator: Compensator::Transconductance {
                reference_v,
                gm_s,
                ro_ohm: 4e6,
                rc_ohm,
                cc_f: 8.0 / (crossover * rc_ohm),
                chf_f: 0.2 / (crossover * rc_ohm),
                clamp_v: (0.0, 1.5),
            },
            aim: None,
            modulator: Modulator::PeakCurrent { gain_a_per_v, slope_a_per_s: 0.5 * falling_a_per_s, delay_s: 0.0 },
            min_on_s: 0.0,
            min_off_s: 0.02 / frequency_hz,
            protection: Protection::default(),
        }
    }
}

impl Board {
    /// A board in peak current mode at one input voltage and one load, with usual switches and a usual controller. Everything in it
    /// may be changed afterwards.
    ///
    /// # Errors
    /// Numbers that are not positive, an output that is not below the input, a bank without a branch.
    pub fn peak_current(
        input_v: f64,
        output_v: f64,
        load_a: f64,
        frequency_hz: f64,
        output_bank: Vec<CapacitorBranch>,
    ) -> Result<Board, Refused> {
        let capacitance_f = output_bank.iter().map(|branch| branch.capacitance_f).sum();
        let board = Board {
            title: String::new(),
            input_v: vec![input_v],
            nominal_input_v: input_v,
            output_v,
            frequency_hz,
            load_a: vec![load_a],
            load_kind: LoadKind::Current,
            ambient_degc: 25.0,
            coldest_degc: None,
            tolerances: Tolerances { frequency: 0.1, reference: 0.015, divider: 0.01 },
            stage: Stage::default(),
            output_bank,
            input_bank: vec![],
            control: Control::peak_current(input_v, output_v, load_a, frequency_hz, capacitance_f),
            load_step: None,
            loads: vec![],
            events: Events::default(),
            land: None,
            keep_out: None,
            grade: None,
            fillets: None,
            procedure: Procedure::default(),
        };
        board.check()?;
        Ok(board)
    }

    fn check(&self) -> Result<(), Refused> {
        ascending("input voltage in V", &self.input_v)?;
        ascending("load in A", &self.load_a)?;
        positive("output voltage in V", self.output_v)?;
        positive("switching frequency in Hz", self.frequency_hz)?;
        if !self.input_v.contains(&self.nominal_input_v) {
            return refuse("nominal input voltage in V", self.nominal_input_v, "one of the input voltages");
        }
        if self.input_v[0] <= self.output_v {
            return refuse("output voltage in V", self.output_v, "less than every input voltage");
        }
        self.check_bank()?;
        self.check_steps()
    }

    fn check_bank(&self) -> Result<(), Refused> {
        self.output_bank.iter().chain(&self.input_bank).try_for_each(CapacitorBranch::check)?;
        let bare = self.output_bank.iter().filter(|branch| branch.esr_ohm == 0.0 && branch.esl_h == 0.0).count();
        match (self.output_bank.len(), bare) {
            (0, _) => refuse("number of output capacitor branches", 0.0, "one or more"),
            (_, 0 | 1) => Ok(()),
            (_, bare) => refuse("number of branches without resistance and inductance", bare as f64, "one at most"),
        }
    }

    fn check_steps(&self) -> Result<(), Refused> {
        if let Some(limit) = self.control.protection.current_limit {
            let (lowest, typical, highest) = limit.threshold;
            if !(lowest > 0.0 && lowest <= typical && typical <= highest) {
                return refuse("typical current-limit threshold", typical, "between the lowest and the highest");
            }
        }
        self.steps().try_for_each(|(_, step)| check_step(&step))?;
        (1..=self.loads.len()).filter_map(|load| self.profile(load)).try_for_each(check_profile)
    }
}

fn check_step(step: &LoadStep) -> Result<(), Refused> {
    ascending("level of the load step in A", &[step.from_a, step.to_a])?;
    positive("slew of the load step in A/s", step.slew_a_per_s)?;
    positive("slew of the load release in A/s", step.release_a_per_s)?;
    positive("hold of the load step in s", step.hold_s)?;
    match step.every_s {
        Some(every_s) if every_s <= step.rise_s() + step.hold_s + step.fall_s() => {
            refuse("time from one load step to the next in s", every_s, "longer than both edges and the upper level")
        }
        _ => Ok(()),
    }
}

fn check_profile(profile: &LoadProfile) -> Result<(), Refused> {
    if profile.points.len() < 2 {
        return refuse("number of points of a load profile", profile.points.len() as f64, "two or more");
    }
    for (number, (time_s, load_a)) in profile.points.iter().enumerate() {
        let rises = number.checked_sub(1).is_none_or(|before| profile.points[before].0 < *time_s);
        if !rises || !time_s.is_finite() {
            return refuse("time of a load profile in s", *time_s, "above the one before");
        }
        positive("current of a load profile in A", *load_a)?;
    }
    Ok(())
}

/// A default that is agreed where nothing is stated (common practice).
fn usual(change: f64) -> Agreed {
    Agreed { change, stated: false }
}

impl Default for AgreedChanges {
    fn default() -> AgreedChanges {
        AgreedChanges {
            ripple: usual(0.15),
            inductor_ripple: usual(0.15),
            peak_current: usual(0.05),
            crossover: usual(0.25),
            frequency: usual(0.1),
            trip: usual(0.15),
            inductance: usual(0.15),
            step_deviation: usual(0.1),
            recovery: usual(0.2),
            efficiency: usual(0.003),
            temperature_k: usual(5.0),
        }
    }
}

impl Default for Limits {
    /// Nothing is stated; a recovery band of 1 %.
    fn default() -> Limits {
        Limits {
            output_band: None,
            ripple_v: None,
            step_deviation_v: None,
            recovery_s: None,
            recovery_band: 0.01,
            winding_degc: None,
            efficiency: None,
            phase_margin_deg: None,
            gain_margin_db: None,
            start_s: None,
            start_overshoot: None,
            input_step_v: None,
            dropout_overshoot: None,
            trip_a: (None, None),
            changes: AgreedChanges::default(),
        }
    }
}

impl Default for Bench {
    /// An ordinary bench (common practice).
    fn default() -> Bench {
        Bench {
            voltage_v: 0.5e-3,
            voltage: 0.02,
            current: 0.01,
            time_s: 1e-6,
            temperature_k: 2.0,
            efficiency: 0.003,
            ambient_degc: None,
            probe_loop_m: Bench::USUAL_LOOP_M,
        }
    }
}

impl Case {
    /// A board with its parts, the original first, without limits.
    ///
    /// # Errors
    /// As [`Case::check`].
    pub fn new(board: Board, parts: Vec<Inductor>) -> Result<Case, Refused> {
        let numerics = Numerics { saturation_error_a: usual_saturation_error_a(board.full_load_a()) };
        let case = Case {
            name: String::new(),
            board,
            parts,
            fitted: None,
            limits: Limits::default(),
            rules: None,
            waivers: vec![],
            readings: vec![],
            cooling: None,
            learned: vec![],
            bench: Bench::default(),
            numerics,
            stated: BTreeMap::new(),
            origins: vec![],
            left_out: vec![],
            places: BTreeMap::new(),
            offers: BTreeMap::new(),
            warnings: vec![],
            files: vec![],
            only_conditions: None,
            set: vec![],
            cancel: Default::default(),
        };
        case.check()?;
        Ok(case)
    }

    /// Looks at board and parts as a whole.
    ///
    /// # Errors
    /// The first number that no simulation could use.
    pub fn check(&self) -> Result<(), Refused> {
        self.board.check()?;
        if self.parts.is_empty() {
            return refuse("number of parts", 0.0, "one or more, the original first");
        }
        self.parts.iter().try_for_each(Inductor::check)?;
        positive("error of the saturation table in A", self.numerics.saturation_error_a)
    }
}
