//! Integrals along a run: the energy book, mean and rms values, by Gauss-Legendre quadrature on panels that follow
//! the fastest mode alive.
//!
//! Equations: docs/physics.md, "energy book".

use super::crossing::Track;
use super::error::EngineError;
use super::machine::{Observer, Output, Stretch};
use super::network::{Circuit, FLUX_STATE, Path};
use super::row::{Input, InputVector, Row, StateVector};

/// A Gauss-Legendre rule on (-1, 1) (Abramowitz and Stegun, table 25.4).
struct Rule {
    /// Nodes and weights.
    nodes: &'static [(f64, f64)],
    /// Error constant: an exponential of rate m on a panel of width w is off by this times (m w) to twice the number of nodes,
    /// relatively: (n!)^4 / ((2 n + 1) ((2 n)!)^3).
    error: f64,
}

/// Two nodes, for a stretch in which next to nothing bends.
const TWO: Rule = Rule { nodes: &[(-0.577_350_269_189_625_8, 1.0), (0.577_350_269_189_625_8, 1.0)], error: 2.315e-4 };
/// Three nodes.
const THREE: Rule = Rule {
    nodes: &[(-0.774_596_669_241_483_4, 5.0 / 9.0), (0.0, 8.0 / 9.0), (0.774_596_669_241_483_4, 5.0 / 9.0)],
    error: 4.961e-7,
};
/// Six nodes, the rule for panels.
const SIX: Rule = Rule {
    nodes: &[
        (-0.932_469_514_203_152, 0.171_324_492_379_170_36),
        (-0.661_209_386_466_264_5, 0.360_761_573_048_138_6),
        (-0.238_619_186_083_196_9, 0.467_913_934_572_691_04),
        (0.238_619_186_083_196_9, 0.467_913_934_572_691_04),
        (0.661_209_386_466_264_5, 0.360_761_573_048_138_6),
        (0.932_469_514_203_152, 0.171_324_492_379_170_36),
    ],
    error: 1.88e-16,
};
/// Error allowed to a panel, relative to the size of what is integrated.
const PANEL_ERROR: f64 = 1e-12;
/// Relative size below which a mode no longer counts.
const FAINT: f64 = 1e-14;
/// Panels of a stretch where the modes are not known.
const PANELS_WITHOUT_MODES: f64 = 4.0;
/// Share of the stored energy that stands in for the energy through the converter where that is less.
const STORE_SHARE: f64 = 1e-3;
/// Share of full load and output below which a current and a voltage are small.
const LEAST_SHARE: f64 = 1e-2;
/// Largest residual of the energy book as a fraction of the energy through the converter, where [`Book::allowed`] finds no more rounding.
pub const ALLOWED_RESIDUAL: f64 = 1e-9;

/// Residual of an energy book, and the largest that is allowed, as fractions of the energy through the converter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Closing {
    /// Magnitude of the residual.
    pub residual: f64,
    /// Largest that is allowed, see [`Book::allowed`].
    pub allowed: f64,
}

impl Closing {
    /// The residual as a share of what is allowed.
    pub fn share(&self) -> f64 {
        self.residual / self.allowed
    }
}

/// How wide a panel may be for one mode: its logarithm is a straight line in time, since a fading mode matters less and less.
struct Tempo {
    log_width: f64,
    growth_per_s: f64,
    /// Time from which the mode is too faint to count.
    until_s: f64,
}

/// Tempo of every mode in which the power stage takes part. The mode enters a product with something larger than itself
/// (rate m) and its own square (rate 2 m); `size` gives its size relative to what is integrated.
fn tempos(stretch: &Stretch<'_>, size: impl Fn(usize) -> f64) -> Vec<Tempo> {
    let log_ratio = (PANEL_ERROR / SIX.error).ln();
    let modal = &stretch.mode.modal;
    stretch
        .mode
        .plant_modes()
        .iter()
        .map(|&j| {
            let (decay, rate) = (-modal.rate[j], modal.rate[j].hypot(modal.omega[j]));
            let log_size = size(j).max(f64::MIN_POSITIVE).ln();
            let product = (log_ratio - log_size) / 12.0;
            let square = (log_ratio - 2.0 * log_size) / 12.0 - std::f64::consts::LN_2;
            Tempo {
                log_width: product.min(square) - rate.ln(),
                growth_per_s: decay.max(0.0) / 12.0,
                until_s: if decay > 0.0 { (log_size - FAINT.ln()) / decay } else { f64::INFINITY },
            }
        })
        .collect()
}

/// Whether a whole stretch is one panel for a rule: as [`tempos`] has it, for a mode that does not fade.
fn suffices(rule: &Rule, stretch: &Stretch<'_>, size: impl Fn(usize) -> f64) -> bool {
    let modal = &stretch.mode.modal;
    let power = rule.nodes.len() as i32;
    !modal.is_dense()
        && stretch.mode.plant_modes().iter().all(|&j| {
            let steepness = (modal.rate[j].powi(2) + modal.omega[j].powi(2)) * stretch.duration_s.powi(2);
            let (size, error) = (size(j), rule.error * steepness.powi(power));
            // Its own square has twice the rate.
            modal.rate[j] <= 0.0 && error * size <= PANEL_ERROR && error * 4f64.powi(power) * size * size <= PANEL_ERROR
        })
}

/// Calls `panel` with the rule, begin and end of every panel of a stretch.
fn panels(stretch: &Stretch<'_>, size: impl Fn(usize) -> f64, mut panel: impl FnMut(&Rule, f64, f64)) {
    let end_s = stretch.duration_s;
    for rule in [&TWO, &THREE] {
        if suffices(rule, stretch, &size) {
            return panel(rule, 0.0, end_s);
        }
    }
    let dense = stretch.mode.modal.is_dense();
    let tempos = if dense { vec![] } else { tempos(stretch, size) };
    let mut from_s = 0.0;
    while from_s < end_s {
        let width = |tempo: &Tempo| (tempo.log_width + tempo.growth_per_s * from_s).exp();
        let alive = tempos.iter().filter(|tempo| from_s < tempo.until_s);
        let widest = if dense { end_s / PANELS_WITHOUT_MODES } else { f64::INFINITY };
        let width_s = alive.map(width).fold(widest, f64::min);
        let to_s = if from_s + 1.2 * width_s >= end_s { end_s } else { from_s + width_s };
        panel(&SIX, from_s, to_s);
        from_s = to_s;
    }
}

/// Running sums of a run.
#[derive(Clone, Debug)]
pub struct Book {
    circuit: Circuit,
    first: Option<f64>,
    stored_now_j: f64,
    /// How often over rounding may have changed the stored energy, see [`Book::allowed`].
    roundings: f64,
    /// Duration in s.
    pub duration_s: f64,
    /// Energy taken from the source in J (what flows back is subtracted).
    pub source_j: f64,
    /// Energy into the load in J.
    pub load_j: f64,
    /// Energy that crossed the source terminals in either direction in J, by the chords of the current: a scale, no balance.
    pub throughput_j: f64,
    /// Loss in the winding resistance in J.
    pub winding_j: f64,
    /// Loss in the high-side switch in J.
    pub high_side_j: f64,
    /// Loss in the low-side switch in J.
    pub low_side_j: f64,
    /// Loss in diodes and body diodes in J.
    pub diode_j: f64,
    /// Loss in each capacitor branch in J.
    pub branch_j: Vec<f64>,
    /// Integral of the inductor current in A s, and of its square in A2 s.
    pub current: (f64, f64),
    /// Integral of the source current in A s, and of its square in A2 s.
    pub source_current: (f64, f64),
    /// Integral of the output voltage in V s.
    pub output_vs: f64,
    /// Time for which the high side conducts in s.
    pub high_side_s: f64,
    /// Time without any current in s.
    pub idle_s: f64,
}

impl Book {
    /// Root mean square of the current in a branch of the output bank in A; `None` without resistance, where its loss tells nothing.
    pub fn branch_rms_a(&self, branch: usize) -> Option<f64> {
        let ohm = self.circuit.bank.get(branch)?.esr_ohm;
        (ohm > 0.0).then(|| (self.branch_j[branch] / (self.duration_s * ohm)).sqrt())
    }

    /// An empty book.
    pub fn new(circuit: &Circuit) -> Book {
        Book {
            circuit: circuit.clone(),
            first: None,
            stored_now_j: 0.0,
            roundings: 0.0,
            duration_s: 0.0,
            source_j: 0.0,
            load_j: 0.0,
            throughput_j: 0.0,
            winding_j: 0.0,
            high_side_j: 0.0,
            low_side_j: 0.0,
            diode_j: 0.0,
            branch_j: vec![0.0; circuit.bank.len()],
            current: (0.0, 0.0),
            source_current: (0.0, 0.0),
            output_vs: 0.0,
            high_side_s: 0.0,
            idle_s: 0.0,
        }
    }

    /// Energy in the inductor and the capacitor bank in J, with the rows of the branch currents.
    pub(super) fn stored_j(&self, branches: &[Row], x: &StateVector, inputs: &InputVector) -> f64 {
        let mut energy = self.circuit.flux.energy_j(x[FLUX_STATE]);
        for (k, branch) in self.circuit.bank.iter().enumerate() {
            energy += 0.5 * branch.capacitance_f * x[1 + k].powi(2);
            if branch.esl_h > 0.0 {
                energy += 0.5 * branch.esl_h * branches[k].at(x, inputs).powi(2);
            }
        }
        energy
    }

    /// Notes the stored energy, at the begin of a run and then at any time.
    pub(super) fn set_stored(&mut self, branches: &[Row], x: &StateVector, inputs: &InputVector) {
        self.stored_now_j = self.stored_j(branches, x, inputs);
        self.first.get_or_insert(self.stored_now_j);
    }

    /// What is stored has changed by an energy in J while nothing was summed.
    pub(super) fn leave_out(&mut self, changed_j: f64) {
        self.first = self.first.map(|first_j| first_j + changed_j);
    }

    /// Residual of the book as a fraction of the energy through the converter: source in minus load out, every dissipation and
    /// the change in stored energy. Where next to nothing goes through, a thousandth of the stored energy takes its place: the
    /// change of a large store is only known to rounding.
    pub fn residual(&self) -> f64 {
        let lost: f64 =
            self.winding_j + self.high_side_j + self.low_side_j + self.diode_j + self.branch_j.iter().sum::<f64>();
        let through_j = self.through_j();
        if through_j == 0.0 { 0.0 } else { (self.source_j - self.load_j - lost - self.change_j()) / through_j }
    }

    fn change_j(&self) -> f64 {
        self.stored_now_j - self.first.unwrap_or(0.0)
    }

    fn through_j(&self) -> f64 {
        let change_j = self.change_j().abs();
        self.throughput_j.max(self.load_j.abs()).max(change_j).max(STORE_SHARE * self.stored_now_j)
    }

    /// Largest residual that is allowed: 1e-9, and beyond that the rounding of the states. In every stretch each sum of the equations is
    /// rounded once for each state, and the rounding of a matrix is multiplied by how often its fastest mode goes through the stretch;
    /// relative to the states, and so to the energy that they store.
    pub fn allowed(&self) -> f64 {
        let through_j = self.through_j();
        let stored_j = self.stored_now_j.max(self.first.unwrap_or(0.0));
        let rounding_j = f64::EPSILON * self.roundings * stored_j;
        if through_j == 0.0 { ALLOWED_RESIDUAL } else { ALLOWED_RESIDUAL + rounding_j / through_j }
    }

    /// How the book stands.
    pub fn closing(&self) -> Closing {
        Closing { residual: self.residual().abs(), allowed: self.allowed() }
    }

    /// How the book stands, or an error where the residual is larger than allowed.
    ///
    /// # Errors
    /// [`EngineError::EnergyBook`].
    pub fn close(&self) -> Result<Closing, EngineError> {
        let closing = self.closing();
        let Closing { residual, allowed } = closing;
        if residual <= allowed { Ok(closing) } else { Err(EngineError::EnergyBook { residual, allowed }) }
    }
}

/// Integrals over time in one way of the current.
#[derive(Clone, Debug, Default)]
pub(super) struct Integrals {
    /// Of the inductor current, and of its square.
    pub current: f64,
    pub current_square: f64,
    /// Of the output voltage.
    pub output: f64,
    /// Energy into the load, and what the source would give if the inductor current were its own.
    pub load_j: f64,
    pub source_j: f64,
    /// Of the square of each branch current.
    pub branch_square: Vec<f64>,
}

impl Book {
    /// Adds integrals over time in one way of the current.
    pub(super) fn add(&mut self, path: Path, sums: &Integrals) {
        let (current, square) = (sums.current, sums.current_square);
        self.current.0 += current;
        self.current.1 += square;
        self.winding_j += square * self.circuit.dcr_ohm;
        self.output_vs += sums.output;
        self.load_j += sums.load_j;
        for ((sum, branch), square) in self.branch_j.iter_mut().zip(&self.circuit.bank).zip(&sums.branch_square) {
            *sum += branch.esr_ohm * square;
        }
        if matches!(path, Path::High | Path::HighDiode) {
            self.source_current.0 += current;
            self.source_current.1 += square;
            self.source_j += sums.source_j;
        }
        let (diode_v, diode_ohm) = self.circuit.diode();
        match path {
            Path::High => self.high_side_j += square * self.circuit.high_side_ohm(),
            Path::Low => self.low_side_j += square * self.circuit.low_side_ohm(),
            Path::LowDiode => self.diode_j += diode_v * current + square * diode_ohm,
            Path::HighDiode => self.diode_j -= diode_v * current,
            Path::Idle => {}
        }
    }

    /// Adds what the ends of a stretch say: its duration, and the energy through the source terminals.
    pub(super) fn note_ends(&mut self, stretch: &Stretch<'_>) {
        let duration_s = stretch.duration_s;
        self.duration_s += duration_s;
        let modal = &stretch.mode.modal;
        self.roundings += modal.n as f64 * (1.0 + modal.fastest_per_s() * duration_s);
        match stretch.mode.key.path {
            Path::High => self.high_side_s += duration_s,
            Path::Idle => self.idle_s += duration_s,
            _ => {}
        }
        if matches!(stretch.mode.key.path, Path::High | Path::HighDiode) {
            let row = &stretch.mode.network.inductor_a;
            let level_a = row.u[Input::One as usize];
            let current_a = |x: &StateVector| (row.x[FLUX_STATE] * x[FLUX_STATE] + level_a).abs();
            let mean_a = 0.5 * (current_a(&stretch.flow.start) + current_a(stretch.end));
            self.throughput_j += mean_a * stretch.flow.settled.inputs[Input::Source as usize] * duration_s;
        }
    }

    /// Adds a stretch by quadrature.
    pub(super) fn integrate(&mut self, stretch: &Stretch<'_>) {
        let tracks = Tracks::new(stretch);
        // Sizes are relative to the current and the voltage that carry the power.
        // Before a start there is neither.
        let board = &self.circuit.board;
        let full_a = board.load_a.last().copied().unwrap_or(0.0).max(f64::MIN_POSITIVE);
        let current_scale = tracks.current.start().abs().max(tracks.load.start().abs()).max(LEAST_SHARE * full_a);
        let voltage_scale = tracks.output.start().abs().max(LEAST_SHARE * board.output_v);
        let size = |j: usize| {
            let of = |output: Output| stretch.mode.output(output).size[j] * stretch.flow.amplitude(j);
            let branches = (0..self.circuit.bank.len()).map(Output::Branch);
            let currents = branches.map(of).fold(of(Output::Inductor), f64::max);
            (currents / current_scale).max(of(Output::Voltage) / voltage_scale)
        };
        let mut sums = Integrals { branch_square: vec![0.0; self.circuit.bank.len()], ..Integrals::default() };
        panels(stretch, size, |rule, from_s, to_s| {
            let half_s = 0.5 * (to_s - from_s);
            for &(node, weight) in rule.nodes {
                tracks.add_node(stretch, from_s + half_s * (1.0 + node), weight * half_s, &mut sums);
            }
        });
        self.add(stretch.mode.key.path, &sums);
        self.note_ends(stretch);
    }
}

/// What the book reads along a stretch.
struct Tracks<'a> {
    current: Track<'a>,
    output: Track<'a>,
    load: Track<'a>,
    branches: Vec<Track<'a>>,
}

impl<'a> Tracks<'a> {
    fn new(stretch: &'a Stretch<'_>) -> Tracks<'a> {
        let branches = 0..stretch.mode.network.branch_a.len();
        Tracks {
            current: stretch.track(Output::Inductor),
            output: stretch.track(Output::Voltage),
            load: stretch.track(Output::Load),
            branches: branches.map(|k| stretch.track(Output::Branch(k))).collect(),
        }
    }

    /// Adds the values at a node of the quadrature.
    fn add_node(&self, stretch: &Stretch<'_>, t_s: f64, weight_s: f64, sums: &mut Integrals) {
        let basis = stretch.mode.plant_basis(t_s);
        let read = |track: &Track<'_>| track.value_at_basis(&basis, t_s);
        let (current_a, output_v) = (read(&self.current), read(&self.output));
        let source_v = stretch.inputs(t_s)[Input::Source as usize];
        sums.current += weight_s * current_a;
        sums.current_square += weight_s * current_a * current_a;
        sums.output += weight_s * output_v;
        sums.load_j += weight_s * output_v * read(&self.load);
        sums.source_j += weight_s * source_v * current_a;
        for (sum, track) in sums.branch_square.iter_mut().zip(&self.branches) {
            *sum += weight_s * read(track).powi(2);
        }
    }
}

impl Observer for Book {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        let branches = &stretch.mode.network.branch_a;
        if self.first.is_none() {
            self.set_stored(branches, &stretch.flow.start, &stretch.flow.settled.inputs);
        }
        self.integrate(stretch);
        self.set_stored(branches, stretch.end, &stretch.inputs(stretch.duration_s));
    }
}
