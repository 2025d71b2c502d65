//! The load of a swing, a slew and a shortest dwell that takes a linear output furthest: an exact search over all of them on a grid of time.
//!
//! Method: docs/physics.md, "worst load".

/// What a load may do, on the grid.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Freedom {
    /// Swing in A.
    pub swing_a: f64,
    /// Steps from the lowest to the highest level, of which one is gone through in a cell at most.
    pub levels: usize,
    /// Cells from the end of a rise to the begin of a fall at least, and from the end of a fall to the begin of a rise.
    pub dwell: usize,
}

/// The furthest that a load takes the output.
#[derive(Clone, Debug, PartialEq)]
pub struct Furthest {
    /// Output in V.
    pub output_v: f64,
    /// The load at the boundaries of the cells, in levels, the latest first.
    pub course: Vec<usize>,
}

/// How a boundary is reached from the later ones.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Step {
    /// At the same level.
    Stays,
    /// By one level in the cell.
    Moves,
    /// The other way, after the dwell.
    Turns,
}

/// Whether the load rises or falls at most around a boundary.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Way {
    Rises,
    Falls,
}

/// Best outputs of one way at the boundaries, in a ring that goes back as far as the dwell, and how each was reached.
struct Table {
    width: usize,
    rows: usize,
    best: Vec<f64>,
    steps: Vec<Step>,
}

impl Table {
    fn new(width: usize, dwell: usize, cells: usize) -> Table {
        let rows = dwell + 2;
        Table { width, rows, best: vec![0.0; rows * width], steps: vec![Step::Stays; (cells + 1) * width] }
    }

    fn row(&self, boundary: usize) -> &[f64] {
        let at = boundary % self.rows * self.width;
        &self.best[at..at + self.width]
    }

    fn set(&mut self, boundary: usize, level: usize, (value, step): (f64, Step)) {
        let at = boundary % self.rows * self.width;
        self.best[at + level] = value;
        self.steps[boundary * self.width + level] = step;
    }

    fn step(&self, boundary: usize, level: usize) -> Step {
        self.steps[boundary * self.width + level]
    }
}

/// The better of two, the first of equals.
fn better(a: (f64, Step), b: (f64, Step)) -> (f64, Step) {
    if b.0 > a.0 { b } else { a }
}

/// The load that takes the output highest. `rises` is the output in V per ampere by which the load rises in each cell before the instant, the
/// latest first; `settled` the same of a rise before all of them.
pub fn highest(rises: &[f64], settled: f64, freedom: &Freedom) -> Furthest {
    let (levels, dwell, cells) = (freedom.levels.max(1), freedom.dwell, rises.len());
    let step_a = freedom.swing_a / levels as f64;
    let mut up = Table::new(levels + 1, dwell, cells);
    let mut down = Table::new(levels + 1, dwell, cells);
    for (cell, rise) in rises.iter().enumerate() {
        let gain = step_a * rise;
        for level in 0..=levels {
            // Seen from the later boundary a load that rises was a level lower before, one that falls a level higher.
            let stays = (up.row(cell)[level], Step::Stays);
            let rose = up.row(cell).get(level + 1).map_or(stays, |best| better(stays, (best + gain, Step::Moves)));
            let stays = (down.row(cell)[level], Step::Stays);
            let before = level.checked_sub(1).map(|lower| down.row(cell)[lower]);
            let fell = before.map_or(stays, |best| better(stays, (best - gain, Step::Moves)));
            let turned = |table: &Table| (cell + 1).checked_sub(dwell).map(|at| (table.row(at)[level], Step::Turns));
            let (after_fall, after_rise) = match dwell {
                0 => (Some((fell.0, Step::Turns)), Some((rose.0, Step::Turns))),
                _ => (turned(&down), turned(&up)),
            };
            up.set(cell + 1, level, after_fall.map_or(rose, |turn| better(rose, turn)));
            down.set(cell + 1, level, after_rise.map_or(fell, |turn| better(fell, turn)));
        }
    }
    let at_first = |table: &Table, level: usize| table.row(cells)[level] + level as f64 * step_a * settled;
    let ends = (0..=levels)
        .flat_map(|level| [(Way::Rises, at_first(&up, level), level), (Way::Falls, at_first(&down, level), level)]);
    let (way, output_v, level) = ends.reduce(|a, b| if b.1 > a.1 { b } else { a }).unwrap_or((Way::Rises, 0.0, 0));
    Furthest { output_v, course: course((&up, &down), (way, level), (cells, dwell)) }
}

/// The levels at all boundaries, followed from the earliest to the latest.
fn course(
    (up, down): (&Table, &Table),
    (mut way, mut level): (Way, usize),
    (cells, dwell): (usize, usize),
) -> Vec<usize> {
    let mut course = vec![level; cells + 1];
    let mut boundary = cells;
    while boundary > 0 {
        let table = if way == Way::Rises { up } else { down };
        match table.step(boundary, level) {
            Step::Turns => {
                way = if way == Way::Rises { Way::Falls } else { Way::Rises };
                (boundary - dwell..boundary).for_each(|held| course[held] = level);
                boundary -= dwell;
                continue;
            }
            Step::Moves if way == Way::Rises => level += 1,
            Step::Moves => level -= 1,
            Step::Stays => {}
        }
        boundary -= 1;
        course[boundary] = level;
    }
    course
}
