//! Load programs: levels joined by edges of finite slew, on integer cycle and phase.

/// A corner of the program: from there on the current follows a straight line.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Corner {
    cycle: u64,
    phase_s: f64,
    value_a: f64,
    slope_a_per_s: f64,
}

/// Load current against time. The run asks in ascending time.
#[derive(Clone, Debug)]
pub struct Program {
    corners: Vec<Corner>,
    next: usize,
}

/// The load from an instant on.
#[derive(Clone, Copy, Debug)]
pub struct LoadNow {
    /// Current in A.
    pub value_a: f64,
    /// Slew in A/s.
    pub slope_a_per_s: f64,
    /// Time after the clock edge of this cycle until which this holds, in s; infinite when beyond this cycle.
    pub until_s: f64,
}

impl Program {
    /// A constant current.
    pub fn constant(load_a: f64) -> Program {
        Program { corners: vec![Corner { cycle: 0, phase_s: 0.0, value_a: load_a, slope_a_per_s: 0.0 }], next: 1 }
    }

    /// Adds an edge that begins at an instant, later than all before, and ends at `to_a`.
    /// A slew that is infinite makes a jump.
    pub fn edge(mut self, cycle: u64, phase_s: f64, to_a: f64, slew_a_per_s: f64, period_s: f64) -> Program {
        let from_a = self.corners.last().expect("a program has a first level").value_a;
        let duration_s = if slew_a_per_s.is_finite() { (to_a - from_a).abs() / slew_a_per_s } else { 0.0 };
        if duration_s > 0.0 {
            let slope = (to_a - from_a).signum() * slew_a_per_s;
            self.corners.push(Corner { cycle, phase_s, value_a: from_a, slope_a_per_s: slope });
        }
        let end_s = phase_s + duration_s;
        let cycles = (end_s / period_s).floor();
        let end_phase_s = (end_s - cycles * period_s).max(0.0);
        self.corners.push(Corner {
            cycle: cycle + cycles as u64,
            phase_s: end_phase_s,
            value_a: to_a,
            slope_a_per_s: 0.0,
        });
        self
    }

    /// The load at an instant.
    pub fn at(&mut self, cycle: u64, phase_s: f64, period_s: f64) -> LoadNow {
        let reached = |corner: &Corner| corner.cycle < cycle || (corner.cycle == cycle && corner.phase_s <= phase_s);
        while self.corners.get(self.next).is_some_and(reached) {
            self.next += 1;
        }
        let corner = &self.corners[self.next - 1];
        let since_s = (cycle as f64 - corner.cycle as f64) * period_s + (phase_s - corner.phase_s);
        let until_s = match self.corners.get(self.next) {
            Some(next) if next.cycle == cycle => next.phase_s,
            _ => f64::INFINITY,
        };
        let slope = corner.slope_a_per_s;
        let value_a = if slope == 0.0 { corner.value_a } else { corner.value_a + slope * since_s };
        LoadNow { value_a, slope_a_per_s: slope, until_s }
    }
}
