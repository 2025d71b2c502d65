//! A stand made ready for loads that move between levels: what every such run begins from, found once for all of them.

use super::figures::Failure;
use super::stand::{Stand, Warm};
use crate::engine::machine::Machine;
use crate::engine::row::StateVector;
use crate::engine::steady::Orbit;
use crate::model::parts::saturation::FluxCurve;

/// A machine at the winding temperature of the highest level, with the steady states between which the load moves.
pub(crate) struct Ready {
    /// Machine with the instrument at the output, for steady states.
    watched: Machine,
    /// The same without it: nothing reads the instrument in a run.
    pub(super) machine: Machine,
    /// Smooth saturation curve behind it.
    pub(super) curve: FluxCurve,
    /// Winding temperature in degrees Celsius.
    pub(super) winding_degc: f64,
    /// Lowest level in A, and the steady state there.
    pub(super) low: (f64, Orbit),
    /// Mean outputs at the lowest and the highest level in V.
    pub(super) means_v: (f64, f64),
}

impl Ready {
    /// A stand ready for currents between two levels in A, the lower one first.
    ///
    /// # Errors
    /// No steady state at one of them, or losses without a balance.
    pub(crate) fn of(stand: &Stand<'_>, (low_a, high_a): (f64, f64)) -> Result<Ready, Failure> {
        let Warm { machine: mut watched, steady: high, winding_degc, curve, .. } = stand.warm(high_a)?;
        let low = stand.steady(&mut watched, low_a)?;
        let means_v = (low.mean_output_v(), high.mean_output_v());
        let machine = Machine::new(watched.circuit.clone())?.without_instrument()?;
        Ok(Ready { watched, machine, curve, winding_degc, low: (low_a, low.orbit), means_v })
    }

    /// As it was before any run: what a machine keeps from run to run shows in the last bits.
    ///
    /// # Errors
    /// As [`Machine::new`].
    pub(crate) fn renew(&mut self) -> Result<(), Failure> {
        self.machine = Machine::new(self.machine.circuit.clone())?;
        Ok(())
    }

    /// State at a clock edge at a level in A.
    ///
    /// # Errors
    /// No steady state there.
    pub(super) fn state(&mut self, stand: &Stand<'_>, load_a: f64) -> Result<StateVector, Failure> {
        match load_a == self.low.0 {
            true => Ok(self.low.1.x),
            false => Ok(stand.steady(&mut self.watched, load_a)?.orbit.x),
        }
    }
}
