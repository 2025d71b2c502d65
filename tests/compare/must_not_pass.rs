//! Parts that must not pass, on small simulated boards: each has a closed form that says what happens. The original of each board is
//! sound, so that the substitute alone is to blame.

use presolder::board::{Board, CurrentLimit, Foldback, Modulator};
use presolder::case::Case;
use presolder::condition::figures::{Note, Value, Why};
use presolder::corridor::{self, Comparison, Depth};
use presolder::judge::finding::Finding;
use presolder::judge::{Outcome, State};
use presolder::parts::{CapacitorBranch, Inductor};

/// Temperature coefficient of copper at 25 C (IEC 60028).
const COPPER: f64 = 0.003854;

fn board(input_v: f64, output_v: f64, load_a: f64, capacitance_f: f64) -> Board {
    let bank = vec![CapacitorBranch::new("ceramic", capacitance_f, 2e-3, 0.0).expect("a branch")];
    Board::peak_current(input_v, output_v, load_a, 400e3, bank).expect("a board")
}

fn part(name: &str, inductance_h: f64, dcr_ohm: f64) -> Inductor {
    Inductor::new(name, inductance_h, dcr_ohm).expect("a part")
}

/// The comparison of an original and a substitute, every datum as it is shown.
fn compared(board: Board, original: Inductor, substitute: Inductor) -> Comparison {
    let case = Case::new(board, vec![original, substitute]).expect("a case");
    corridor::compare(&case, Depth::Quick, &|_, _| {}).unwrap_or_else(|failure| panic!("{failure}"))
}

fn finding<'a>(comparison: &'a Comparison, part: usize, id: &str) -> &'a Finding {
    let all = &comparison.verdicts[part].findings;
    all.iter().find(|finding| finding.asked.id() == id).unwrap_or_else(|| panic!("{id} is not asked"))
}

/// The original meets a requirement, the substitute misses it and fails.
fn assert_fails(comparison: &Comparison, id: &str) {
    let (original, substitute) = (finding(comparison, 0, id), finding(comparison, 1, id));
    let states = (original.state, substitute.original_state, substitute.state);
    assert_eq!(states, (State::Met, State::Met, State::Missed), "{id}: {substitute:?}");
    assert_eq!((substitute.outcome, comparison.verdicts[1].outcome), (Outcome::Fail, Outcome::Fail), "{id}");
}

/// Copper that heats itself, T = T_a + R_th P (1 + a (T - 25)), has a balance only while R_th P a is below 1.
#[test]
fn closed_form_a_part_without_a_thermal_balance_fails() {
    let with = |resistance_k_per_w: f64| {
        let hot = Inductor { thermal_resistance_k_per_w: resistance_k_per_w, ..part("Hot", 10e-6, 130e-3) };
        compared(board(12.0, 5.0, 2.0, 100e-6), part("Cool", 10e-6, 30e-3), hot)
    };
    // 4 A2 in 130 mohm are 0.52 W, and 15 % more in the worst unit.
    let (runs_away_from, runs_away_surely) = (1.0 / (0.52 * 1.15 * COPPER), 1.0 / (0.52 * COPPER));
    let comparison = with(1.2 * runs_away_surely);
    assert_fails(&comparison, "thermal_balance");
    assert_eq!(finding(&comparison, 1, "thermal_balance").value.value, Value::NotComputed(Why::Runaway));
    let balanced = with(0.3 * runs_away_from);
    assert_eq!(finding(&balanced, 1, "thermal_balance").state, State::Met);
}

/// At 5.4 V the part's 500 mohm take 1 V of the 0.4 V that are left for 5 V at 2 A.
#[test]
fn closed_form_a_part_in_dropout_fails() {
    let mut low = board(5.4, 5.0, 2.0, 100e-6);
    let Modulator::PeakCurrent { slope_a_per_s, .. } = &mut low.control.modulator else { unreachable!() };
    *slope_a_per_s = 0.8e6;
    let cool = Inductor { thermal_resistance_k_per_w: 5.0, ..part("Thin", 4.7e-6, 500e-3) };
    let comparison = compared(low, part("Thick", 4.7e-6, 10e-3), cool);
    assert_fails(&comparison, "regulation");
}

/// A limit of 2.6 A leaves 2.6 A less half the ripple: with 3.3 uH, whose ripple is 2.2 A, 1.5 A of the 2 A asked for.
#[test]
fn closed_form_a_part_whose_ripple_meets_the_limit_fails() {
    let mut limited = board(12.0, 5.0, 2.0, 100e-6);
    limited.control.protection.current_limit = Some(CurrentLimit::peak((2.6, 2.7, 2.8), 0.0));
    let comparison = compared(limited, part("Large", 33e-6, 30e-3), part("Small", 3.3e-6, 30e-3));
    assert_fails(&comparison, "regulation");
    // What it cannot hold it cannot reach.
    assert_fails(&comparison, "starts");
}

/// One type of capacitor bears all of the ripple: a triangle of dI has dI / sqrt(12), 0.21 A with 10 uH and 0.96 A with 2.2 uH. The
/// rating is 0.5 A; without one the original's current stands in, and more of it is undecided.
#[test]
fn closed_form_capacitors_above_their_ripple_rating_fail() {
    let with = |rating_a: Option<f64>| {
        let mut rated = board(12.0, 5.0, 2.0, 100e-6);
        rated.output_bank[0].ripple_rating_a = rating_a;
        compared(rated, part("Large", 10e-6, 30e-3), part("Small", 2.2e-6, 30e-3))
    };
    let comparison = with(Some(0.5));
    assert_fails(&comparison, "output_ripple_rating");
    let use_of =
        |part: usize| finding(&comparison, part, "output_ripple_rating").value.value.number().expect("a number");
    // The worst unit has a fifth less inductance; dead times and drops take some percent of the volt-seconds.
    for (part, inductance_h) in [(0, 8e-6), (1, 1.76e-6)] {
        let triangle_a = 7.0 * 5.0 / 12.0 / (inductance_h * 400e3) / 12f64.sqrt();
        assert!((use_of(part) / (triangle_a / 0.5) - 1.0).abs() < 0.06, "{}", use_of(part));
    }
    let unrated = with(None);
    let found = finding(&unrated, 1, "output_ripple_current");
    assert_eq!((found.state, found.outcome, found.stands_in), (State::Open, Outcome::Undecided, true));
    assert_eq!(finding(&unrated, 0, "output_ripple_current").state, State::Met);
}

/// Above half duty cycles alternate below L = (2 V_o - V_in) / (2 S_e): 6.75 uH here.
#[test]
fn closed_form_a_part_that_alternates_fails() {
    let mut steep = board(9.6, 7.5, 2.4, 100e-6);
    let Modulator::PeakCurrent { slope_a_per_s, .. } = &mut steep.control.modulator else { unreachable!() };
    *slope_a_per_s = 0.4e6;
    let comparison = compared(steep, part("Above", 22e-6, 30e-3), part("Below", 4.7e-6, 30e-3));
    assert_fails(&comparison, "cycles_alike");
}

/// A board whose frequency folds to a quarter while its output is low: once low, 12 uH bring 2.8 A of ripple, and 4.7 A less half of it
/// do not lift a load of 3.4 A. With 100 uH the ripple is 0.3 A, and it comes back.
#[test]
fn closed_form_of_two_waveforms_the_worse_is_judged() {
    let mut folding = board(24.0, 5.0, 3.4, 45e-6);
    folding.control.protection.current_limit = Some(CurrentLimit::peak((4.4, 4.7, 5.2), 90e-9));
    folding.control.protection.foldback = Some(Foldback { below: 0.97, divisor: 4 });
    let comparison = compared(folding, part("Large", 100e-6, 30e-3), part("Small", 12e-6, 30e-3));
    assert_fails(&comparison, "regulation");
    let second = |part: usize| {
        let notes = comparison.parts[part].results.iter().flat_map(|figures| &figures.notes);
        notes.filter(|note| matches!(note, Note::SecondWaveform { .. })).count()
    };
    assert_eq!((second(0), second(1)), (0, 1));
}
