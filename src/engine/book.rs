//! Integrals along a run: the energy book, mean and rms values, by Gauss-Legendre quadrature on panels that follow
//! the fastest mode alive.
//!
//! Equations: docs/physics.md, "energy book".

use super::error::EngineError;
use super::machine::{Observer, Output, Stretch};
use super::network::{Circuit, FLUX_STATE, Path};
use super::row::StateVector;

/// Nodes and weights of the six-point Gauss-Legendre rule on (-1, 1) (Abramowitz and Stegun, table 25.4).
const GAUSS: [(f64, f64); 6] = [
    (-0.932_469_514_203_152_1, 0.171_324_492_379_170_36),
    (-0.661_209_386_466_264_5, 0.360_761_573_048_138_6),
    (-0.238_619_186_083_196_9, 0.467_913_934_572_691_04),
    (0.238_619_186_083_196_9, 0.467_913_934_572_691_04),
    (0.661_209_386_466_264_5, 0.360_761_573_048_138_6),
    (0.932_469_514_203_152_1, 0.171_324_492_379_170_36),
];
/// Widest panel in time constants of the fastest mode alive: the rule is then exact to about 1e-12 of that mode's share.
const PANEL: f64 = 1.5;
/// A mode counts as alive for this many of its decay times.
const ALIVE: f64 = 25.0;
/// Largest residual of the energy book as a fraction of the energy through the converter.
pub const ALLOWED_RESIDUAL: f64 = 1e-9;

/// Ends of the panels of a stretch.
fn panels(stretch: &Stretch<'_>) -> impl Iterator<Item = (f64, f64)> {
    let modal = &stretch.mode.modal;
    let end_s = stretch.duration_s;
    let plant = stretch.mode.plant_rates();
    let dense = modal.is_dense();
    let mut from_s = 0.0;
    std::iter::from_fn(move || {
        if from_s >= end_s {
            return None;
        }
        let alive = |&&(decay, _): &&(f64, f64)| decay >= 0.0 || -decay * from_s < ALIVE;
        let fastest = plant.iter().filter(alive).map(|&(_, size)| size).fold(0.0, f64::max);
        let width_s = if dense { end_s / 4.0 } else { PANEL / fastest };
        let to_s = if from_s + 1.3 * width_s >= end_s { end_s } else { from_s + width_s };
        let panel = (from_s, to_s);
        from_s = to_s;
        Some(panel)
    })
}

/// Calls `visit` with (time in the stretch in s, weight in s, state) for every node of the quadrature.
pub fn quadrature(stretch: &Stretch<'_>, mut visit: impl FnMut(f64, f64, &StateVector)) {
    for (from_s, to_s) in panels(stretch) {
        let half_s = 0.5 * (to_s - from_s);
        for (node, weight) in GAUSS {
            let t_s = from_s + half_s * (1.0 + node);
            visit(t_s, weight * half_s, &stretch.state(t_s));
        }
    }
}

/// Running sums of a run.
#[derive(Clone, Debug)]
pub struct Book {
    circuit: Circuit,
    first: Option<f64>,
    stored_now_j: f64,
    /// Duration in s.
    pub duration_s: f64,
    /// Energy taken from the source in J (what flows back is subtracted).
    pub source_j: f64,
    /// Energy into the load in J.
    pub load_j: f64,
    /// Energy that crossed the source terminals in either direction in J.
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
    /// An empty book.
    pub fn new(circuit: &Circuit) -> Book {
        Book {
            circuit: circuit.clone(),
            first: None,
            stored_now_j: 0.0,
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

    /// Energy in the inductor and the capacitor bank in J.
    fn stored_j(&self, stretch: &Stretch<'_>, x: &StateVector, t_s: f64) -> f64 {
        let mut energy = self.circuit.flux.energy_j(x[FLUX_STATE]);
        for (k, branch) in self.circuit.bank.iter().enumerate() {
            let current = stretch.read(Output::Branch(k), x, t_s);
            energy += 0.5 * branch.capacitance_f * x[1 + k].powi(2) + 0.5 * branch.esl_h * current.powi(2);
        }
        energy
    }

    /// Residual of the book as a fraction of the energy through the converter: source in minus load out, every dissipation and
    /// the change in stored energy.
    pub fn residual(&self) -> f64 {
        let lost: f64 =
            self.winding_j + self.high_side_j + self.low_side_j + self.diode_j + self.branch_j.iter().sum::<f64>();
        let change = self.stored_now_j - self.first.unwrap_or(0.0);
        let through = self.throughput_j.max(self.load_j.abs()).max(change.abs());
        if through == 0.0 { 0.0 } else { (self.source_j - self.load_j - lost - change) / through }
    }

    /// The residual, or an error where it is larger than allowed.
    ///
    /// # Errors
    /// [`EngineError::EnergyBook`].
    pub fn close(&self) -> Result<f64, EngineError> {
        let residual = self.residual().abs();
        if residual <= ALLOWED_RESIDUAL {
            Ok(residual)
        } else {
            Err(EngineError::EnergyBook { residual, allowed: ALLOWED_RESIDUAL })
        }
    }
}

impl Observer for Book {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        let path = stretch.mode.key.path;
        if self.first.is_none() {
            self.first = Some(self.stored_j(stretch, &stretch.flow.start, 0.0));
        }
        let (diode_v, diode_ohm) = self.circuit.diode();
        let source_v = self.circuit.source_v;
        let (high_ohm, low_ohm) = (self.circuit.high_side_ohm(), self.circuit.low_side_ohm());
        quadrature(stretch, |t_s, weight_s, x| {
            let current = stretch.read(Output::Inductor, x, t_s);
            let output_v = stretch.read(Output::Voltage, x, t_s);
            let square = weight_s * current * current;
            self.current.0 += weight_s * current;
            self.current.1 += square;
            self.winding_j += square * self.circuit.dcr_ohm;
            self.output_vs += weight_s * output_v;
            self.load_j += weight_s * output_v * stretch.read(Output::Load, x, t_s);
            for (k, branch) in self.circuit.bank.iter().enumerate() {
                self.branch_j[k] += weight_s * branch.esr_ohm * stretch.read(Output::Branch(k), x, t_s).powi(2);
            }
            if matches!(path, Path::High | Path::HighDiode) {
                self.source_current.0 += weight_s * current;
                self.source_current.1 += square;
                self.source_j += weight_s * source_v * current;
                self.throughput_j += weight_s * source_v * current.abs();
            }
            match path {
                Path::High => self.high_side_j += square * high_ohm,
                Path::Low => self.low_side_j += square * low_ohm,
                Path::LowDiode => self.diode_j += weight_s * diode_v * current + square * diode_ohm,
                Path::HighDiode => self.diode_j -= weight_s * diode_v * current,
                Path::Idle => {}
            }
        });
        self.duration_s += stretch.duration_s;
        match path {
            Path::High => self.high_side_s += stretch.duration_s,
            Path::Idle => self.idle_s += stretch.duration_s,
            _ => {}
        }
        self.stored_now_j = self.stored_j(stretch, stretch.end, stretch.duration_s);
    }
}
