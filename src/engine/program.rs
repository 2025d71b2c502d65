//! What a run is driven with: load, input voltage and short circuit against time, on integer cycle and phase.

/// An instant: cycle, and time after its clock edge in s.
pub type Instant = (u64, f64);

/// A corner of a course: from there on it follows a straight line.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Corner {
    at: Instant,
    value: f64,
    slope_per_s: f64,
}

/// Levels joined by edges of finite slew. It is asked in ascending time.
#[derive(Clone, Debug)]
struct Course {
    corners: Vec<Corner>,
    next: usize,
}

/// A course from an instant on.
#[derive(Clone, Copy, Debug)]
pub struct Line {
    /// Value.
    pub value: f64,
    /// Slope in 1/s.
    pub slope_per_s: f64,
}

impl Course {
    fn constant(value: f64) -> Course {
        Course { corners: vec![Corner { at: (0, 0.0), value, slope_per_s: 0.0 }], next: 1 }
    }

    fn add_edge(&mut self, at: Instant, to: f64, slew_per_s: f64, period_s: f64) {
        let from = self.corners.last().expect("a course has a first level").value;
        let duration_s = if slew_per_s.is_finite() { (to - from).abs() / slew_per_s } else { 0.0 };
        if duration_s > 0.0 {
            self.corners.push(Corner { at, value: from, slope_per_s: (to - from).signum() * slew_per_s });
        }
        self.corners.push(Corner { at: later(at, duration_s, period_s), value: to, slope_per_s: 0.0 });
    }

    /// Follows points of time in s after an instant and value, from the level of the first on; a level is held after the last.
    fn follow(&mut self, from: Instant, points: &[(f64, f64)], period_s: f64) {
        for (number, (at_s, value)) in points.iter().enumerate() {
            let (next_s, next) = points.get(number + 1).copied().unwrap_or((f64::INFINITY, *value));
            // Two points at one time are a jump: the later one counts.
            if next_s > *at_s {
                let slope_per_s = if next == *value { 0.0 } else { (next - value) / (next_s - at_s) };
                self.corners.push(Corner { at: later(from, *at_s, period_s), value: *value, slope_per_s });
            }
        }
    }

    /// The line at an instant, and the instant until which it holds.
    fn at(&mut self, (cycle, phase_s): Instant, period_s: f64) -> (Line, Instant) {
        let reached = |corner: &Corner| corner.at <= (cycle, phase_s);
        while self.corners.get(self.next).is_some_and(reached) {
            self.next += 1;
        }
        let corner = &self.corners[self.next - 1];
        let since_s = (cycle as f64 - corner.at.0 as f64) * period_s + (phase_s - corner.at.1);
        let slope_per_s = corner.slope_per_s;
        let value = if slope_per_s == 0.0 { corner.value } else { corner.value + slope_per_s * since_s };
        (Line { value, slope_per_s }, self.corners.get(self.next).map_or(NEVER, |next| next.at))
    }
}

/// The instant some time after another.
pub fn later((cycle, phase_s): Instant, by_s: f64, period_s: f64) -> Instant {
    let end_s = phase_s + by_s;
    let cycles = (end_s / period_s).floor();
    (cycle + cycles as u64, (end_s - cycles * period_s).max(0.0))
}

/// Later than every instant of a run.
const NEVER: Instant = (u64::MAX, f64::INFINITY);

/// The earlier one.
fn earlier(a: Instant, b: Instant) -> Instant {
    if a < b { a } else { b }
}

/// Load current, input voltage and short circuit against time. The run asks in ascending time.
#[derive(Clone, Debug)]
pub struct Program {
    load: Course,
    source: Option<Course>,
    short: Option<(Instant, Instant)>,
}

/// What drives the run from an instant on.
#[derive(Clone, Copy, Debug)]
pub struct Drive {
    /// Programmed load current in A.
    pub load_a: Line,
    /// Input voltage in V; `None` for the circuit's own.
    pub source_v: Option<Line>,
    /// Whether the output is shorted.
    pub shorted: bool,
    /// Instant until which this holds.
    pub until: Instant,
}

impl Program {
    /// A constant load current at the circuit's own input voltage.
    pub fn constant(load_a: f64) -> Program {
        Program { load: Course::constant(load_a), source: None, short: None }
    }

    /// Adds an edge of the load that begins at an instant, later than all before, and ends at `to_a`.
    /// A slew that is infinite makes a jump.
    pub fn edge(mut self, cycle: u64, phase_s: f64, to_a: f64, slew_a_per_s: f64, period_s: f64) -> Program {
        self.load.add_edge((cycle, phase_s), to_a, slew_a_per_s, period_s);
        self
    }

    /// Follows a current in A against time in s after an instant, in straight lines from point to point; what the load draws by itself, such
    /// as a resistor, is `own_a` less of it.
    pub fn through(mut self, from: Instant, points: &[(f64, f64)], own_a: f64, period_s: f64) -> Program {
        let points: Vec<(f64, f64)> = points.iter().map(|(at_s, load_a)| (*at_s, load_a + own_a)).collect();
        self.load.follow(from, &points, period_s);
        self
    }

    /// The input voltage is programmed and begins at a value in V.
    pub fn with_source(mut self, source_v: f64) -> Program {
        self.source = Some(Course::constant(source_v));
        self
    }

    /// Adds an edge of the input voltage, as [`Program::edge`] does of the load.
    ///
    /// # Panics
    /// Without [`Program::with_source`] before.
    pub fn source_edge(mut self, at: Instant, to_v: f64, slew_v_per_s: f64, period_s: f64) -> Program {
        self.source.as_mut().expect("a programmed source").add_edge(at, to_v, slew_v_per_s, period_s);
        self
    }

    /// Shorts the output from one instant to another.
    pub fn with_short(mut self, from: Instant, until: Instant) -> Program {
        self.short = Some((from, until));
        self
    }

    /// What drives the run at an instant.
    pub fn at(&mut self, cycle: u64, phase_s: f64, period_s: f64) -> Drive {
        let now = (cycle, phase_s);
        let (load_a, mut until) = self.load.at(now, period_s);
        let source_v = self.source.as_mut().map(|course| {
            let (line, source_until) = course.at(now, period_s);
            until = earlier(until, source_until);
            line
        });
        let (shorted, short_until) = match self.short {
            Some((from, _)) if now < from => (false, from),
            Some((_, until)) if now < until => (true, until),
            _ => (false, NEVER),
        };
        Drive { load_a, source_v, shorted, until: earlier(until, short_until) }
    }
}

impl Drive {
    /// Whether load and input stay where they are as long as this holds.
    pub fn is_level(&self) -> bool {
        self.load_a.slope_per_s == 0.0 && self.source_v.is_none_or(|line| line.slope_per_s == 0.0)
    }

    /// Time after the clock edge of a cycle until which this holds, in s; infinite when beyond that cycle.
    pub fn until_s(&self, cycle: u64) -> f64 {
        if self.until.0 == cycle { self.until.1 } else { f64::INFINITY }
    }
}
