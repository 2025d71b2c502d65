//! The energy book of a long run, from the values at the ends of its stretches.
//!
//! Between two instants the power stage obeys `w' = A w + B v + b` with inputs `v` that are straight lines, so that the change of
//! every product of states over a stretch says what the integrals of such products are. The changes are added up mode by mode, which
//! costs next to nothing, and the integrals are worked out once, at the end. Equations: docs/physics.md, "energy book".

use super::book::{Book, Closing, Integrals};
use super::error::EngineError;
use super::mode::Mode;
use super::network::{Circuit, Path};
use super::row::{INPUTS, Input, InputVector, MAX_STATES, Row, StateVector};
use super::stretch::{Observer, Stretch};
use nalgebra::{Complex, DMatrix, DVector};

/// Inputs that the power stage feels and that may move: the source and the load.
const MOVING: [Input; 2] = [Input::Source, Input::Load];
/// States and moving inputs together, at most.
const MOST: usize = MAX_STATES + MOVING.len();
/// Products of them.
const PRODUCTS: usize = MOST * (MOST + 1) / 2;
/// Least size of the sum of two eigenvalues of the power stage, per period: the integrals are known to rounding divided by its square.
const LEAST_SUM: f64 = 3e-3;

type Small = Complex<f64>;

/// Changes of states and inputs, and of their products, summed over the stretches of one mode.
#[derive(Clone, Debug)]
struct Sums {
    time_s: f64,
    change: [f64; MOST],
    products: [f64; PRODUCTS],
    /// Integrals of the moving inputs and of their products.
    input: [f64; 2],
    input_products: [[f64; 2]; 2],
    /// Slopes of the moving inputs, the same for all stretches summed.
    slopes: [f64; 2],
}

impl Sums {
    const NONE: Sums = Sums {
        time_s: 0.0,
        change: [0.0; MOST],
        products: [0.0; PRODUCTS],
        input: [0.0; 2],
        input_products: [[0.0; 2]; 2],
        slopes: [0.0; 2],
    };

    /// Product of two of the states and inputs, the second not after the first.
    fn product(&self, i: usize, j: usize) -> f64 {
        self.products[i * (i + 1) / 2 + j]
    }

    /// Adds a stretch, given by both of its ends.
    #[inline]
    fn add(&mut self, from: &End, to: &End, duration_s: f64) {
        self.time_s += duration_s;
        // A fixed number of values keeps the sums in registers.
        match to.size {
            0..=4 => self.add_first::<4, 10>(from, to),
            5 => self.add_first::<5, 15>(from, to),
            6 => self.add_first::<6, 21>(from, to),
            7 => self.add_first::<7, 28>(from, to),
            8 => self.add_first::<8, 36>(from, to),
            9 => self.add_first::<9, 45>(from, to),
            10 => self.add_first::<10, 55>(from, to),
            _ => self.add_first::<MOST, PRODUCTS>(from, to),
        }
    }

    #[inline]
    fn add_first<const N: usize, const P: usize>(&mut self, from: &End, to: &End) {
        for i in 0..N {
            self.change[i] += to.values[i] - from.values[i];
        }
        for k in 0..P {
            self.products[k] += to.products[k] - from.products[k];
        }
    }

    /// Adds the integrals of inputs that are straight lines from one value to another.
    fn add_inputs(&mut self, from: [f64; 2], to: [f64; 2], duration_s: f64) {
        for i in 0..2 {
            self.input[i] += 0.5 * (from[i] + to[i]) * duration_s;
            for j in 0..2 {
                let ends = 2.0 * (from[i] * from[j] + to[i] * to[j]) + from[i] * to[j] + to[i] * from[j];
                self.input_products[i][j] += ends * duration_s / 6.0;
            }
        }
    }
}

/// States and moving inputs at an end of a stretch, and their products: where the next stretch begins there they are known.
#[derive(Clone, Debug)]
struct End {
    size: usize,
    values: [f64; MOST],
    products: [f64; PRODUCTS],
}

impl End {
    const NONE: End = End { size: 0, values: [0.0; MOST], products: [0.0; PRODUCTS] };

    /// Takes on other values, of which that many count.
    #[inline]
    fn set(&mut self, values: &[f64; MOST], size: usize) {
        if self.size == size && self.values[..size] == values[..size] {
            return;
        }
        self.size = size;
        match size {
            0..=4 => self.multiply::<4>(values),
            5 => self.multiply::<5>(values),
            6 => self.multiply::<6>(values),
            7 => self.multiply::<7>(values),
            8 => self.multiply::<8>(values),
            9 => self.multiply::<9>(values),
            10 => self.multiply::<10>(values),
            _ => self.multiply::<MOST>(values),
        }
    }

    #[inline]
    fn multiply<const N: usize>(&mut self, values: &[f64; MOST]) {
        for i in 0..N {
            self.values[i] = values[i];
            for j in 0..=i {
                self.products[i * (i + 1) / 2 + j] = values[i] * values[j];
            }
        }
    }
}

/// An affine function of modal coordinates and moving inputs.
struct Reading {
    modes: DVector<Small>,
    moving: [f64; 2],
    level: f64,
    /// Share of the load's slew.
    slew: f64,
}

/// The power stage of one mode, split into exponentials.
struct Plant {
    path: Path,
    rates: Vec<Small>,
    /// Modal coordinates of a unit of each state.
    left: DMatrix<Small>,
    /// Modal coordinates of the drive: of the moving inputs, of everything that is constant, and of the slew of the load.
    moving: [DVector<Small>; 2],
    constant: DVector<Small>,
    slew: DVector<Small>,
    /// Inductor current, output voltage, load current, source voltage, branch currents.
    rows: Vec<(Row, Reading)>,
}

/// What belongs to one mode.
struct Slot {
    /// `None` where the integrals cannot be had from the ends.
    plant: Option<Plant>,
    branches: Vec<Row>,
    sums: Sums,
}

/// The energy book of a run. It is an observer of the run.
pub struct RunBook {
    /// Stretches that are integrated by quadrature, and what has been worked out.
    book: Book,
    slots: Vec<Option<Box<Slot>>>,
    /// Values from which states and inputs count: differences of what differs little lose nothing.
    origin: (StateVector, InputVector),
    plant_states: usize,
    period_s: f64,
    /// Mode, state and inputs at the end of the last stretch.
    last: (usize, StateVector, InputVector),
    /// Both ends of the latest stretch, from the origin, and whether the end comes first.
    ends: Box<[End; 2]>,
    swapped: bool,
    /// Whether the run has leapt since the last stretch.
    leapt: bool,
}

impl RunBook {
    /// An empty book.
    pub fn new(circuit: &Circuit) -> RunBook {
        RunBook {
            book: Book::new(circuit),
            slots: vec![],
            origin: ([0.0; MAX_STATES], [0.0; INPUTS]),
            plant_states: 0,
            period_s: 1.0 / circuit.board.frequency_hz,
            last: (usize::MAX, [0.0; MAX_STATES], [0.0; INPUTS]),
            ends: Box::new([End::NONE; 2]),
            swapped: false,
            leapt: false,
        }
    }

    /// Everything summed over the run so far.
    pub fn totals(&self) -> Book {
        let mut book = self.book.clone();
        for slot in self.slots.iter().flatten() {
            if let Some(plant) = slot.plant.as_ref().filter(|_| slot.sums.time_s > 0.0) {
                book.add(plant.path, &plant.integrals(&slot.sums));
            }
        }
        if let Some(Some(slot)) = self.slots.get(self.last.0) {
            book.set_stored(&slot.branches, &self.last.1, &self.last.2);
        }
        book
    }

    /// How the book stands, or an error where the residual is larger than allowed.
    ///
    /// # Errors
    /// [`EngineError::EnergyBook`].
    pub fn close(&self) -> Result<Closing, EngineError> {
        self.totals().close()
    }

    /// The book is of what has been simulated: by how much a leap has changed what is stored does not count.
    fn leave_out(&mut self, stretch: &Stretch<'_>) {
        let Some(Some(slot)) = self.slots.get(self.last.0) else { return };
        let before_j = self.book.stored_j(&slot.branches, &self.last.1, &self.last.2);
        let (branches, flow) = (&stretch.mode.network.branch_a, stretch.flow);
        self.book.leave_out(self.book.stored_j(branches, &flow.start, &flow.settled.inputs) - before_j);
    }

    fn prepare(&mut self, stretch: &Stretch<'_>) {
        let mode = stretch.mode;
        if self.last.0 == usize::MAX {
            self.origin = (stretch.flow.start, stretch.flow.settled.inputs);
            self.plant_states = mode.network.plant_states;
            self.book.set_stored(&mode.network.branch_a, &stretch.flow.start, &self.origin.1);
        }
        if self.slots.len() <= mode.index {
            self.slots.resize_with(mode.index + 1, || None);
        }
        let plant = Plant::new(mode, &self.origin, self.period_s);
        let branches = mode.network.branch_a.clone();
        self.slots[mode.index] = Some(Box::new(Slot { plant, branches, sums: Sums::NONE }));
    }
}

impl Observer for RunBook {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        let index = stretch.mode.index;
        if std::mem::take(&mut self.leapt) {
            self.leave_out(stretch);
        }
        if !self.slots.get(index).is_some_and(Option::is_some) {
            self.prepare(stretch);
        }
        let settled = &stretch.flow.settled;
        let states = self.plant_states;
        let (x, duration_s) = (&stretch.flow.start, stretch.duration_s);
        self.last.0 = index;
        self.last.1[..states].copy_from_slice(&stretch.end[..states]);
        self.last.2 = if settled.is_sloping() { settled.inputs_at(duration_s) } else { settled.inputs };
        let Some(slot) = &mut self.slots[index] else { return };
        let Some(plant) = &slot.plant else {
            self.book.integrate(stretch);
            return;
        };
        let slopes = MOVING.map(|input| settled.input_slopes[input as usize]);
        if slot.sums.slopes != slopes {
            if slot.sums.time_s > 0.0 {
                self.book.add(plant.path, &plant.integrals(&slot.sums));
            }
            slot.sums = Sums { slopes, ..Sums::NONE };
        }
        let (mut from, mut to) = ([0.0; MOST], [0.0; MOST]);
        for i in 0..states {
            from[i] = x[i] - self.origin.0[i];
            to[i] = stretch.end[i] - self.origin.0[i];
        }
        let away = |inputs: &InputVector| MOVING.map(|input| inputs[input as usize] - self.origin.1[input as usize]);
        let (before, after) = (away(&settled.inputs), away(&self.last.2));
        let moved = (before, after) != ([0.0; 2], [0.0; 2]);
        if moved {
            from[states..states + 2].copy_from_slice(&before);
            to[states..states + 2].copy_from_slice(&after);
            slot.sums.add_inputs(before, after, duration_s);
        }
        let size = if moved { states + 2 } else { states };
        // A stretch begins where the last one ended, as a rule.
        self.swapped = !self.swapped;
        let [begin, end] = &mut *self.ends;
        let (begin, end) = if self.swapped { (end, begin) } else { (begin, end) };
        begin.set(&from, size);
        end.set(&to, size);
        slot.sums.add(begin, end, duration_s);
        self.book.note_ends(stretch);
    }

    fn knows_repeats(&self) -> bool {
        true
    }

    fn knows_leaps(&self) -> bool {
        true
    }

    fn leapt(&mut self) {
        self.leapt = true;
    }
}

impl Plant {
    /// The power stage of a mode about an origin; `None` where a sum of two of its eigenvalues is next to zero.
    fn new(mode: &Mode, origin: &(StateVector, InputVector), period_s: f64) -> Option<Plant> {
        let states = mode.network.plant_states;
        let (rates, right) = mode.modal.plant_split(mode.plant_modes(), states)?;
        let sums = rates.iter().flat_map(|a| rates.iter().map(move |b| (a + b).norm()));
        if sums.fold(f64::INFINITY, f64::min) * period_s < LEAST_SUM {
            return None;
        }
        let left = right.clone().try_inverse()?;
        let derivative = &mode.network.derivative[..states];
        let column =
            |of: &dyn Fn(&Row) -> f64| &left * DVector::from_fn(states, |i, _| Small::from(of(&derivative[i])));
        let at_origin = |row: &Row| (0..states).map(|i| row.x[i] * origin.0[i]).sum::<f64>() + driven(row, &origin.1);
        let input = |input: Input| move |row: &Row| row.u[input as usize];
        let network = &mode.network;
        let mut rows = vec![network.inductor_a, network.output_v, network.load_a, Row::input(Input::Source)];
        rows.extend(&network.branch_a);
        let reading = |row: &Row| Reading {
            modes: right.transpose() * DVector::from_fn(states, |i, _| Small::from(row.x[i])),
            moving: MOVING.map(|input| row.u[input as usize]),
            level: at_origin(row),
            slew: row.u[Input::LoadSlew as usize],
        };
        Some(Plant {
            path: mode.key.path,
            moving: MOVING.map(|name| column(&input(name))),
            constant: column(&at_origin),
            slew: column(&input(Input::LoadSlew)),
            rows: rows.iter().map(|row| (*row, reading(row))).collect(),
            rates,
            left,
        })
    }

    /// Integrals over everything summed.
    fn integrals(&self, sums: &Sums) -> Integrals {
        let moments = Moments::new(self, sums);
        let rows: Vec<&Reading> = self.rows.iter().map(|(_, reading)| reading).collect();
        let (current, output, load, source) = (rows[0], rows[1], rows[2], rows[3]);
        Integrals {
            current: moments.first(current),
            current_square: moments.second(current, current),
            output: moments.first(output),
            load_j: moments.second(output, load),
            source_j: moments.second(source, current),
            branch_square: rows[4..].iter().map(|branch| moments.second(branch, branch)).collect(),
        }
    }
}

/// What the constant inputs contribute to a row: the slew of the load, which is constant along a stretch only, apart.
fn driven(row: &Row, inputs: &InputVector) -> f64 {
    (0..INPUTS).filter(|&k| k != Input::LoadSlew as usize).map(|k| row.u[k] * inputs[k]).sum()
}

/// Integrals of the modal coordinates, of their products with the moving inputs, and with each other.
struct Moments<'a> {
    sums: &'a Sums,
    modes: DVector<Small>,
    with_inputs: [DVector<Small>; 2],
    products: DMatrix<Small>,
}

impl<'a> Moments<'a> {
    fn new(plant: &Plant, sums: &'a Sums) -> Moments<'a> {
        let n = plant.rates.len();
        let drive = &plant.constant + &plant.slew * Small::from(sums.slopes[1]);
        let [by_source, by_load] = &plant.moving;
        let change = &plant.left * DVector::from_fn(n, |i, _| Small::from(sums.change[i]));
        let solve = |mut right: DVector<Small>| {
            right.iter_mut().zip(&plant.rates).for_each(|(value, rate)| *value /= rate);
            right
        };
        let inputs = |of: [f64; 2]| by_source * Small::from(of[0]) + by_load * Small::from(of[1]);
        let modes = solve(change - inputs(sums.input) - &drive * Small::from(sums.time_s));
        let with_inputs = [0, 1].map(|k| {
            let change = &plant.left * DVector::from_fn(n, |i, _| Small::from(sums.product(n + k, i)));
            let driven = inputs(sums.input_products[k]) + &drive * Small::from(sums.input[k]);
            solve(change - driven - &modes * Small::from(sums.slopes[k]))
        });
        let states = DMatrix::from_fn(n, n, |i, j| Small::from(sums.product(i.max(j), i.min(j))));
        let driven =
            by_source * with_inputs[0].transpose() + by_load * with_inputs[1].transpose() + &drive * modes.transpose();
        let mut products = &plant.left * states * plant.left.transpose() - &driven - driven.transpose();
        for i in 0..n {
            for j in 0..n {
                products[(i, j)] /= plant.rates[i] + plant.rates[j];
            }
        }
        Moments { sums, modes, with_inputs, products }
    }

    fn level(&self, a: &Reading) -> f64 {
        a.level + a.slew * self.sums.slopes[1]
    }

    /// Integral of a reading.
    fn first(&self, a: &Reading) -> f64 {
        let moving: f64 = (0..2).map(|k| a.moving[k] * self.sums.input[k]).sum();
        a.modes.dot(&self.modes).re + moving + self.level(a) * self.sums.time_s
    }

    /// Integral of the product of two readings.
    fn second(&self, a: &Reading, b: &Reading) -> f64 {
        let mut sum = a.modes.dot(&(&self.products * &b.modes)).re;
        for k in 0..2 {
            let with = self.with_inputs[k].clone();
            sum += b.moving[k] * a.modes.dot(&with).re + a.moving[k] * b.modes.dot(&with).re;
            for l in 0..2 {
                sum += a.moving[k] * b.moving[l] * self.sums.input_products[k][l];
            }
        }
        let (first_a, first_b) = (self.first(a), self.first(b));
        let (level_a, level_b) = (self.level(a), self.level(b));
        sum + level_a * first_b + level_b * first_a - level_a * level_b * self.sums.time_s
    }
}
