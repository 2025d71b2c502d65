//! What a technician can change on a board: capacitors of a kind that is fitted, and the resistors and capacitors around the controller.

use crate::model::board::{Board, Compensator, Injection, LimitSense};
use crate::model::series::Series;

/// Largest ratio in which a resistor or capacitor is changed, up and down: more is another design.
const FURTHEST: f64 = 3.4;
/// Capacitors that are added to a few, at the most; where more than that are fitted, as many again.
const ADDED: usize = 3;

/// A part of the board that can be another one.
#[derive(Clone, Debug, PartialEq)]
pub struct Knob {
    /// Its key in the case.
    pub key: String,
    /// What it is.
    pub kind: Kind,
    /// What is fitted, in SI units.
    pub now: f64,
}

/// Kind of a part of the board.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Number of equal capacitors.
    Count,
    /// Resistor.
    Resistor,
    /// Capacitor.
    Capacitor,
}

/// Everything on a board that can be changed.
pub fn knobs(board: &Board) -> Vec<Knob> {
    let count = |(number, branch): (usize, &crate::model::parts::CapacitorBranch)| Knob {
        key: format!("output.capacitors[{number}].count"),
        kind: Kind::Count,
        now: branch.count,
    };
    let mut all: Vec<Knob> = board.output_bank.iter().enumerate().map(count).collect();
    all.extend(of_compensator(&board.control.compensator));
    if let Some(LimitSense::Winding { r_ohm, .. }) = board.control.protection.current_limit.map(|limit| limit.sense) {
        all.push(Knob { key: "control.current_limit.sense_resistance".into(), kind: Kind::Resistor, now: r_ohm });
    }
    all
}

/// The network around the amplifier. The divider is left as it is: it sets the output.
fn of_compensator(compensator: &Compensator) -> Vec<Knob> {
    let knob = |name: &str, kind: Kind, now: f64| Knob { key: format!("control.compensator.{name}"), kind, now };
    match *compensator {
        Compensator::Open => vec![],
        Compensator::OpAmp { lead, r2_ohm, c1_f, c2_f, .. } => {
            let mut all = vec![knob("r2", Kind::Resistor, r2_ohm), knob("c1", Kind::Capacitor, c1_f)];
            all.extend((c2_f > 0.0).then(|| knob("c2", Kind::Capacitor, c2_f)));
            all.extend(
                lead.into_iter()
                    .flat_map(|(r3_ohm, c3_f)| [knob("r3", Kind::Resistor, r3_ohm), knob("c3", Kind::Capacitor, c3_f)]),
            );
            all
        }
        Compensator::Transconductance { rc_ohm, cc_f, chf_f, .. } => vec![
            knob("rc", Kind::Resistor, rc_ohm),
            knob("cc", Kind::Capacitor, cc_f),
            knob("chf", Kind::Capacitor, chf_f),
        ],
        Compensator::Ripple { cff_f, injection, .. } => {
            let mut all = vec![knob("cff", Kind::Capacitor, cff_f)];
            all.extend(injection.map(|injection| {
                let (Injection::SwitchNode { r_ohm, .. } | Injection::Inductor { r_ohm, .. }) = injection;
                knob("injection_resistance", Kind::Resistor, r_ohm)
            }));
            all
        }
    }
}

impl Knob {
    /// What may stand in its place, rising.
    pub fn values(&self) -> Vec<f64> {
        match self.kind {
            Kind::Count => {
                let now = self.now as usize;
                let counts = now.saturating_sub(1).max(1)..=now + now.max(ADDED);
                counts.map(|count| count as f64).filter(|count| *count != self.now).collect()
            }
            Kind::Resistor => self.preferred(Series::E24),
            Kind::Capacitor => self.preferred(Series::E12),
        }
    }

    fn preferred(&self, series: Series) -> Vec<f64> {
        let is_another = |value: &f64| (value / self.now - 1.0).abs() > 1e-6;
        series.between(self.now / FURTHEST, self.now * FURTHEST).into_iter().filter(is_another).collect()
    }

    /// Values that are left out between two where it is changed together with another.
    pub(super) fn coarseness(&self) -> usize {
        match self.kind {
            Kind::Count | Kind::Capacitor => 0,
            Kind::Resistor => 1,
        }
    }
}
