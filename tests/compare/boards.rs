//! The boards of `cases/`: what their substitutes come to, and the alternating cycles of the river gauge by brute force.

use nalgebra::{DMatrix, DVector};
use presolder::board::{Board, Compensator, LoadKind, LowSide, Modulator};
use presolder::case::{self, Case};
use presolder::condition::stand::Stand;
use presolder::corridor::Depth;
use presolder::engine::machine::{Machine, Observer, Stretch};
use presolder::engine::network::{Circuit, Path};
use presolder::engine::program::Program;
use presolder::model::corner::{CORNERS, Corner};
use presolder::parts::CapacitorBranch;
use presolder::parts::saturation::FluxTable;
use presolder::record;
use presolder::record::layout::Outcome::{self, Fail, Pass, Undecided};

fn cases() -> std::path::PathBuf {
    std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("cases")
}

fn demo(name: &str) -> Case {
    case::read(&cases().join(name)).unwrap_or_else(|error| panic!("{error}"))
}

/// Outcomes of the substitutes in order, and a text that the deciding sentence begins with, at the input voltages and loads that
/// decide and with every datum as it is shown: the rest only takes time.
fn expect(name: &str, inputs_v: &[f64], loads_a: &[f64], expected: &[(&str, Outcome, &str)]) {
    let mut case = demo(name);
    case.board.input_v.retain(|input_v| inputs_v.contains(input_v));
    case.board.load_a.retain(|load_a| loads_a.contains(load_a));
    assert_eq!((case.board.input_v.len(), case.board.load_a.len()), (inputs_v.len(), loads_a.len()));
    let (record, _) = record::compare(&case, Depth::Quick, &|_, _| {}).unwrap_or_else(|error| panic!("{error}"));
    let found: Vec<(&str, Outcome, &str)> =
        record.verdicts.iter().map(|v| (v.part.as_str(), v.outcome, v.sentence.as_str())).collect();
    assert_eq!(found.len(), expected.len());
    found.iter().for_each(|found| println!("{name}: {found:?}"));
    for (found, expected) in found.iter().zip(expected) {
        assert_eq!((found.0, found.1), (expected.0, expected.1), "{name}: {}", found.2);
        assert!(found.2.starts_with(expected.2), "{name}, {}: {}", found.0, found.2);
    }
}

#[test]
fn law_every_case_reads_without_a_doubt() {
    let mut seen = 0;
    for entry in std::fs::read_dir(cases()).unwrap().map(|entry| entry.unwrap().path()) {
        let case = case::read(&entry).unwrap_or_else(|error| panic!("{error}"));
        assert_eq!(case.warnings, Vec::<String>::new(), "{}", case.name);
        assert!(case.parts.len() == 4, "{}", case.name);
        seen += 1;
    }
    assert!(seen >= 5);
}

#[test]
fn frozen_oven_panel() {
    // More inductance answers more slowly in this scheme; the tall part is good in everything but its height.
    expect(
        "oven-panel",
        &[12.0],
        &[10.0],
        &[
            ("Wren-R56", Pass, ""),
            ("Harebell-1R0", Fail, "Load-step undershoot 78."),
            ("Stoat-R47", Fail, "Body height 7.2 mm, limit 5.5 mm"),
        ],
    );
}

#[test]
fn frozen_river_gauge() {
    // On a discharged battery the duty is 0.81: 10 uH alternates at its least inductance, 6.8 uH always. The dip of the 15 uH
    // parts, limited by the 2 V that are left to raise the current, comes close to its limit with the original already.
    expect(
        "river-gauge",
        &[9.6],
        &[2.4],
        &[
            ("Bulrush-15", Undecided, "Load-step undershoot 198"),
            ("Teasel-10", Fail, "Steady waveform (cycles to a repeat) does not repeat"),
            ("Mallow-6R8", Fail, "Current-limited cycles"),
        ],
    );
}

#[test]
fn frozen_buoy_winch() {
    // The protection senses the winding: half the resistance lets twice the current pass, more resistance does not deliver the load.
    expect(
        "buoy-winch",
        &[28.0],
        &[5.0],
        &[
            ("Juniper-15", Undecided, "Overload trip current, min 6.07"),
            ("Yewtree-15", Fail, "Overload peak current, switches 32."),
            ("Gorse-15", Fail, "Output voltage error: the load is not delivered"),
        ],
    );
}

#[test]
fn frozen_ticket_kiosk() {
    // Core loss and working voltage against the small part; the larger one saturates hot in the load step where its gap is
    // small.
    expect(
        "ticket-kiosk",
        &[36.0, 56.0],
        &[2.5, 4.0],
        &[
            ("Hawthorn-33", Pass, ""),
            ("Hornbeam-33", Fail, "Working voltage rating 40 V, at least 72.8 V"),
            ("Rowan-47", Fail, "Peak current 5.98"),
        ],
    );
}

#[test]
fn frozen_valve_controller() {
    // The ferrite saturates hot at the current limit, which no room-temperature rating shows; the small part is too hot.
    expect(
        "valve-controller",
        &[32.0],
        &[3.0],
        &[
            ("Meadowsweet-10", Pass, "meets every check"),
            ("Kestrel-10", Fail, "Short-circuit peak current, switches 7.77"),
            ("Sedge-6R8", Fail, "Pad coverage 57.7 %"),
        ],
    );
}

/// High-side conduction time of every cycle, in s.
#[derive(Default)]
struct OnTimes(Vec<f64>);

impl Observer for OnTimes {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        let cycle = stretch.cycle as usize;
        if self.0.len() <= cycle {
            self.0.resize(cycle + 1, 0.0);
        }
        if stretch.mode.key.path == Path::High {
            self.0[cycle] += stretch.duration_s;
        }
    }
}

/// Cycles that a plain run is given to settle, and cycles looked at after them.
const SETTLE: u64 = 5000;
const LOOK: usize = 48;

/// Duties of the last cycles of a long plain run that begins a little off the state that was found.
fn last_duties(machine: &mut Machine, load_a: f64) -> Vec<f64> {
    let orbit = machine.steady(load_a).unwrap();
    let mut x = orbit.x;
    x[0] *= 1.001;
    let mut state = machine.at_clock(x);
    let mut times = OnTimes::default();
    machine.run(&mut state, SETTLE + LOOK as u64, &mut Program::constant(orbit.program_a), &mut times, None).unwrap();
    times.0[SETTLE as usize..].iter().map(|time_s| time_s / machine.period_s()).collect()
}

fn spread(duties: &[f64]) -> f64 {
    duties.iter().copied().fold(0.0, f64::max) - duties.iter().copied().fold(1.0, f64::min)
}

/// Winding temperature of the runs below, about what the comparison finds.
const WINDING_DEGC: f64 = 80.0;
/// Cycles of a run that has settled differ by rounding only.
const SAME_DUTY: f64 = 1e-9;
/// Long and short cycles differ at the least by this once their growth has met the longest duty.
const ALTERNATING: f64 = 0.1;

#[test]
fn law_cycles_alternate_in_a_plain_run_exactly_where_the_steady_state_says_so() {
    let case = demo("river-gauge");
    let [nominal, low, high] = CORNERS;
    let expected: [(&str, [(Corner, bool); 3]); 4] = [
        ("Cattail-15", [(nominal, false), (low, false), (high, false)]),
        ("Bulrush-15", [(nominal, false), (low, false), (high, false)]),
        ("Teasel-10", [(nominal, false), (low, true), (high, false)]),
        ("Mallow-6R8", [(nominal, true), (low, true), (high, true)]),
    ];
    for (part, (name, corners)) in case.parts.iter().zip(expected) {
        assert_eq!(part.name, name);
        for (corner, alternates) in corners {
            let (mut machine, _) = Stand::new(&case, part, corner, 9.6).machine(2.4, WINDING_DEGC).unwrap();
            let orbit = machine.steady(2.4).unwrap();
            let duties = last_duties(&mut machine, 2.4);
            println!("{name}, {}: {} periods, {:.4?}", corner.name(), orbit.periods, &duties[..6]);
            assert_eq!(orbit.periods > 1, alternates);
            if alternates {
                assert!(spread(&duties) > ALTERNATING);
                // As a rule a long cycle is followed by a short one and the other way round.
                let turns = duties.windows(3).filter(|d| (d[1] - d[0]) * (d[2] - d[1]) < 0.0).count();
                assert!(turns > 3 * LOOK / 4, "{turns} of {}", LOOK - 2);
            } else {
                assert!(spread(&duties) < SAME_DUTY, "{}", spread(&duties));
            }
        }
    }
}

/// The river gauge without loss, delay or saturation, on a capacitor that holds the output still.
fn ideal_river_gauge(slope_a_per_s: f64) -> Board {
    let mut board = demo("river-gauge").board;
    board.load_kind = LoadKind::Current;
    board.stage.high_side_ohm = 0.0;
    board.stage.low_side = LowSide::Switch { on_ohm: 0.0, dead_time_s: 0.0, body_diode_v: 0.8, emulation: false };
    board.output_bank = vec![CapacitorBranch::new("large", 2.0, 0.0, 0.0).expect("a branch that can be used")];
    let Modulator::PeakCurrent { slope_a_per_s: slope, .. } = &mut board.control.modulator else { unreachable!() };
    *slope = slope_a_per_s;
    let Compensator::OpAmp { clamp_v, .. } = &mut board.control.compensator else { unreachable!() };
    clamp_v.1 = 3.0;
    board
}

/// What the still output leaves of the voltage loop.
const VOLTAGE_LOOP: f64 = 2e-4;

#[test]
fn closed_form_slope_that_ends_the_alternation() {
    // A disturbance of the current is multiplied by -(Sf - Se) / (Sn + Se) in every cycle, Sn and Sf being the slopes of the
    // current; -1, where cycles begin to alternate, is Se = (2 Vout - Vin) / (2 L). Standard result of peak current mode.
    let (source_v, output_v) = (9.6, 7.5);
    for inductance_h in [14.7e-6, 10.3e-6, 6.8e-6] {
        let limit = (2.0 * output_v - source_v) / (2.0 * inductance_h);
        let (rising, falling) = ((source_v - output_v) / inductance_h, output_v / inductance_h);
        for share in [0.93, 1.04, 1.37] {
            let slope = share * limit;
            let board = ideal_river_gauge(slope);
            let flux = FluxTable::linear(inductance_h).unwrap();
            let mut machine = Machine::new(Circuit::new(&board, flux, 0.0, source_v, 2.4)).unwrap();
            let orbit = machine.steady(2.4).unwrap();
            let expected = -(falling - slope) / (rising + slope);
            println!("{inductance_h} H, {share} of the limit: {} periods, {expected}", orbit.periods);
            if share > 1.0 {
                let nearest = orbit.multipliers.iter().map(|m| (m - expected).norm()).fold(f64::INFINITY, f64::min);
                assert_eq!(orbit.periods, 1);
                assert!(nearest < VOLTAGE_LOOP, "{nearest}");
            } else {
                assert!(orbit.periods > 1);
                assert!(spread(&last_duties(&mut machine, 2.4)) > ALTERNATING);
            }
        }
    }
}

/// Peak current mode above half duty is stable where the slope compensation exceeds half the difference of the slopes:
/// S_e > (2 V_o - V_in) / (2 L), L the inductance at the peak. Source: R. W. Erickson, D. Maksimovic, Fundamentals of Power
/// Electronics, 3rd ed., eq. 18.54 (a multiplier of -1), with the slopes of the buck converter.
#[test]
fn outside_alternation_of_the_river_gauge_follows_the_slope_compensation() {
    let case = demo("river-gauge");
    let (input_v, load_a, slope) = (9.6, 2.4, 0.40e6);
    let expected = [
        ("Cattail-15", [true, true]),
        ("Bulrush-15", [true, true]),
        ("Teasel-10", [true, false]),
        ("Mallow-6R8", [false, false]),
    ];
    for (part, (name, regular)) in case.parts.iter().zip(expected) {
        assert_eq!(part.name, name);
        for (corner, regular) in CORNERS[..2].iter().zip(regular) {
            let warm = Stand::new(&case, part, *corner, input_v).warm(load_a).unwrap_or_else(|error| panic!("{error}"));
            let orbit = &warm.steady.orbit;
            let inductance_h = warm.curve.inductance_h(warm.steady.mean_current_a());
            let needed = (2.0 * case.board.output_v - input_v) / (2.0 * inductance_h);
            println!(
                "{name}, {}: {} periods, L {inductance_h:.3e} H, slope needed {needed:.3e} A/s, multiplier {:.3}",
                corner.name(),
                orbit.periods,
                orbit.largest_multiplier()
            );
            assert_eq!(orbit.periods == 1 && orbit.repeats, regular, "{name}, {}", corner.name());
            // Losses and the amplifier's own ripple shift the limit a little: the closed form decides where it is clear.
            if (needed / slope - 1.0).abs() > 0.15 {
                assert_eq!(needed < slope, regular, "{name}, {}", corner.name());
            }
        }
    }
}

/// Steps of the slope from where the orbit is stable down to the board's own, and Newton steps at each.
const SLOPES: [f64; 9] = [0.8e6, 0.7e6, 0.62e6, 0.56e6, 0.51e6, 0.47e6, 0.44e6, 0.42e6, 0.4e6];
const NEWTON_STEPS: usize = 8;

/// Least multiplier of the orbit of one period, also where it is unstable: followed from more slope compensation.
fn least_multiplier(case: &mut Case, part: usize, corner: Corner) -> f64 {
    let part = case.parts[part].clone();
    // With that much slope compensation the limit, which it lowers, would not let the load pass.
    case.board.control.protection.current_limit = None;
    let mut state = None;
    let mut least = 0.0;
    for slope in SLOPES {
        let Modulator::PeakCurrent { slope_a_per_s, .. } = &mut case.board.control.modulator else { unreachable!() };
        *slope_a_per_s = slope;
        let (mut machine, _) = Stand::new(case, &part, corner, 9.6).machine(2.4, WINDING_DEGC).unwrap();
        let program_a = machine.circuit.program_a(2.4);
        let mut x = state.unwrap_or_else(|| machine.steady(2.4).unwrap().x);
        for _ in 0..NEWTON_STEPS {
            let mapped = machine.map(&x, program_a, 1).unwrap();
            let n = machine.states;
            let change = DVector::from_fn(n, |i, _| mapped.end[i] - x[i]);
            let step = (DMatrix::identity(n, n) - &mapped.matrix).lu().solve(&change).unwrap();
            (0..n).for_each(|i| x[i] += step[i]);
            least = mapped.matrix.complex_eigenvalues().iter().map(|m| m.re).fold(f64::INFINITY, f64::min);
        }
        let end = machine.map(&x, program_a, 1).unwrap().end;
        assert!((end[0] / x[0] - 1.0).abs() < 1e-9, "the orbit is followed");
        state = Some(x);
    }
    least
}

#[test]
fn law_alternation_begins_where_the_multiplier_passes_minus_one() {
    let [nominal, low, _] = CORNERS;
    let mut case = demo("river-gauge");
    for (part, corner, stable) in
        [(0, low, true), (1, low, true), (2, nominal, true), (2, low, false), (3, nominal, false), (3, low, false)]
    {
        let least = least_multiplier(&mut case, part, corner);
        println!("{}, {}: {least:.4}", case.parts[part].name, corner.name());
        assert_eq!(least > -1.0, stable);
    }
}

#[test]
fn closed_form_gate_loss_follows_the_pulses() {
    // Q_g V_g times the pulses a second: at a light load with diode emulation constant on-time sends fewer.
    let mut case = demo("oven-panel");
    let LowSide::Switch { emulation, .. } = &mut case.board.stage.low_side else { unreachable!() };
    *emulation = true;
    for load_a in [0.31, 10.0] {
        let warm = Stand::new(&case, &case.parts[0], CORNERS[0], 12.0).warm(load_a).unwrap();
        let drive_w = warm.budget.as_ref().expect("losses").drive_w;
        let pulses_hz = warm.steady.trace.high_side.len() as f64 / warm.steady.book.duration_s;
        println!("{load_a} A: {pulses_hz} Hz, {} W", drive_w);
        let quiescent_w = 12.0 * case.board.stage.quiescent_a;
        assert!((drive_w / (22e-9 * 5.0 * pulses_hz + quiescent_w) - 1.0).abs() < 1e-12);
        assert_eq!(pulses_hz > 500e3, load_a > 1.0);
    }
}

/// With some conditions alone nothing passes, what is not asked is told, and what is asked shows the same values.
#[test]
fn law_what_is_not_looked_at_does_not_pass() {
    let whole = demo("valve-controller");
    let mut partial = whole.clone();
    partial.only_conditions = Some(vec!["load step"]);
    let compared =
        |case: &Case| record::compare(case, Depth::Quick, &|_, _| {}).unwrap_or_else(|error| panic!("{error}")).0;
    let (whole, partial) = (compared(&whole), compared(&partial));
    assert!(whole.verdicts.iter().any(|verdict| verdict.outcome == Pass), "the board has a part that passes");
    assert!(partial.warnings.iter().any(|warning| warning.starts_with("only load step was looked at")));
    for (whole, partial) in whole.verdicts.iter().zip(&partial.verdicts) {
        assert!(partial.outcome >= Undecided, "{}: {}", partial.part, partial.sentence);
        assert!(partial.outcome == Undecided || whole.outcome == Fail, "{}: {}", partial.part, partial.sentence);
        for check in &whole.checks {
            let known = partial.checks.iter().find(|other| other.key == check.key);
            let told = || partial.not_asked.contains(&check.requirement.replace('_', " "));
            assert!(known.is_some() || told(), "{}: {} is neither asked nor told", partial.part, check.key);
            if let Some(known) = known.filter(|known| known.place == check.place) {
                assert_eq!(known.value.value, check.value.value, "{}", check.key);
            }
        }
        let of_step = |check: &&presolder::record::layout::Check| check.place.starts_with("load step");
        assert!(partial.checks.iter().any(|check| of_step(&check)), "the load step is looked at");
        assert!(partial.checks.iter().all(|check| of_step(&check) || check.place.is_empty()), "{:?}", partial.checks);
    }
}
