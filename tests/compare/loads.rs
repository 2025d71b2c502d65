//! Named load steps and load profiles: conditions like any other, with limits of their own or of the board.

use presolder::board::{Board, Course, LoadProfile, LoadStep, NamedLoad};
use presolder::case::{self, Case};
use presolder::condition;
use presolder::condition::contract::Wish;
use presolder::condition::figures::{Figures, Note};
use presolder::condition::stand::Stand;
use presolder::corridor::{self, Comparison, Depth};
use presolder::crosscheck::compare;
use presolder::judge::State;
use presolder::judge::finding::Finding;
use presolder::model::corner::{CORNERS, NOMINAL};
use presolder::parts::{CapacitorBranch, Inductor};
use std::path::Path;

const STEP: LoadStep =
    LoadStep { from_a: 0.6, to_a: 1.9, slew_a_per_s: 1.3e6, release_a_per_s: 1.3e6, hold_s: 310e-6, every_s: None };

fn board() -> Board {
    let bank = vec![CapacitorBranch::new("ceramic", 61e-6, 2.3e-3, 0.0).expect("a branch")];
    Board::peak_current(12.0, 5.0, 2.1, 400e3, bank).expect("a board")
}

fn part(name: &str, inductance_h: f64) -> Inductor {
    Inductor::new(name, inductance_h, 27e-3).expect("a part")
}

fn named(name: &str, step: LoadStep) -> NamedLoad {
    NamedLoad { name: name.into(), course: Course::Step(step), deviation_v: None, recovery_s: None }
}

fn profile(name: &str, points: &[(f64, f64)]) -> NamedLoad {
    let course = Course::Profile(LoadProfile { points: points.into() });
    NamedLoad { name: name.into(), course, deviation_v: None, recovery_s: None }
}

fn case_with(loads: Vec<NamedLoad>) -> Case {
    let board = Board { load_step: Some(STEP), loads, ..board() };
    Case::new(board, vec![part("Fescue-10", 10e-6), part("Sorrel-8", 8.1e-6)]).expect("a case")
}

/// What every load shows in the nominal corner, the board's own step first, each on a stand that knows nothing of the others.
fn shown(case: &Case) -> Vec<Figures> {
    let stand = || Stand::new(case, &case.parts[0], NOMINAL, case.board.nominal_input_v);
    let of = |name: &str| -> Vec<Figures> {
        let condition = condition::find(name).expect("a condition");
        let one = |place| condition.simulate(&stand(), place).unwrap_or_else(|failure| panic!("{failure}")).figures;
        condition.places(&stand()).into_iter().map(one).collect()
    };
    ["load step", "load profile"].iter().flat_map(|name| of(name)).collect()
}

fn compared(case: &Case) -> Comparison {
    corridor::compare(case, Depth::Quick, &|_, _| {}).unwrap_or_else(|failure| panic!("{failure}"))
}

fn finding<'a>(comparison: &'a Comparison, part: usize, id: &str, load: usize) -> &'a Finding {
    let mut all = comparison.verdicts[part].findings.iter();
    let is_it = |finding: &&Finding| finding.asked.id() == id && finding.load().unwrap_or(0) == load;
    all.find(is_it).unwrap_or_else(|| panic!("{id} of load {load} is not asked"))
}

/// In a comparison the second of two equal runs begins its search for the steady state where the first has found it.
const ROUNDING: f64 = 1e-9;

#[test]
fn law_a_second_step_like_the_first_gives_the_same_numbers() {
    let case = case_with(vec![named("again", STEP)]);
    let [first, second] = <[Figures; 2]>::try_from(shown(&case)).expect("two steps");
    assert_eq!((first.place.load, second.place.load), (0, 1));
    assert_eq!((first.values.len(), &first.values), (7, &second.values));
    // And the first is what it is without the second.
    assert_eq!(shown(&case_with(vec![]))[0], first);
    // Its checks are the same too, each of its own.
    let mut case = case;
    (case.limits.step_deviation_v, case.limits.output_band) = (Some(0.21), Some(0.06));
    let comparison = compared(&case);
    for id in ["step_deviation", "output_band"] {
        let [own, again] = [0, 1].map(|load| finding(&comparison, 1, id, load));
        let [a, b] = [own, again].map(|found| found.value.value.number().expect("a number"));
        assert!((a / b - 1.0).abs() < ROUNDING, "{id}: {a} {b}");
        assert_eq!((own.state, own.limit, own.place.corner), (again.state, again.limit, again.place.corner));
        assert_ne!(own.key(), again.key());
    }
}

#[test]
fn law_a_larger_step_gives_a_larger_dip() {
    let levels_a = [0.9, 1.15, 1.4, 1.65, STEP.to_a];
    let loads = levels_a.map(|to_a| named(&format!("to {to_a}"), LoadStep { to_a, ..STEP }));
    let found = shown(&case_with(loads.to_vec()));
    for quantity in ["dip", "rise", "window"] {
        let values: Vec<f64> = found[1..].iter().map(|figures| figures.number(quantity).expect("a number")).collect();
        assert!(values.windows(2).all(|pair| pair[1] > pair[0]), "{quantity}: {values:?}");
    }
    assert_eq!(found[5].values, found[0].values, "the last is the board's own");
}

#[test]
fn law_a_slower_release_rises_less() {
    let slow = named("slow release", LoadStep { release_a_per_s: 0.02e6, ..STEP });
    let found = shown(&case_with(vec![slow]));
    let [own, slow] = [0, 1].map(|load| found[load].number("rise").expect("a number"));
    assert!(slow < 0.8 * own, "{slow} {own}");
    assert_eq!(found[0].number("dip"), found[1].number("dip"));
}

/// A step that comes once within a long time is the single one, again and again; a faster one swings around its mean, and at half the
/// switching frequency the bank alone carries it.
#[test]
fn law_repeated_steps_from_slow_to_half_the_switching_frequency() {
    let every = |every_s: f64| {
        let hold_s = 0.5 * every_s - STEP.rise_s();
        named(
            &format!("every {every_s}"),
            LoadStep { hold_s, every_s: Some(every_s), slew_a_per_s: 5e6, release_a_per_s: 5e6, ..STEP },
        )
    };
    let period_s = 1.0 / 400e3;
    let once = named("once", LoadStep { slew_a_per_s: 5e6, release_a_per_s: 5e6, ..STEP });
    let found = shown(&case_with(vec![once, every(640e-6), every(2.0 * period_s)]));
    let [once, slow, fast] = [1, 2, 3].map(|load| &found[load]);
    let of = |figures: &Figures, id: &str| figures.number(id).expect("a number");
    // The first of many steps is the single one; the later ones meet the clock elsewhere.
    assert!((of(slow, "dip") / of(once, "dip") - 1.0).abs() < 0.1, "{slow:?} {once:?}");
    assert!(slow.value("recovery").is_none() && once.value("recovery").is_some());
    assert!(of(fast, "window") < of(slow, "window"), "{fast:?}");
    assert!(!slow.notes.contains(&Note::NotSettled), "{slow:?}");
    assert!(of(fast, "peak_current") > 0.6);
}

/// What binds: the load's own limit in place of the board's, and the total band in any case.
#[test]
fn law_a_load_is_bound_by_its_own_limits_or_by_those_of_the_board() {
    /// Tolerances and another part change a deviation by far less than this, either way.
    const FAR: f64 = 2.5;
    let hard = LoadStep { to_a: 2.1, from_a: 0.3, ..STEP };
    let free = shown(&case_with(vec![named("hard", hard)]));
    let largest_v = |figures: &Figures| {
        let of = |id: &str| figures.number(id).expect("a number");
        of("dip").max(of("rise"))
    };
    let (own_v, hard_v) = (largest_v(&free[0]), largest_v(&free[1]));
    assert!(hard_v > own_v, "{hard_v} {own_v}");
    let compared = |deviation_v: Option<f64>| {
        let mut case = case_with(vec![NamedLoad { deviation_v, recovery_s: Some(170e-6), ..named("hard", hard) }]);
        let limits = &mut case.limits;
        (limits.step_deviation_v, limits.output_band, limits.recovery_s) =
            (Some(FAR * hard_v), Some(0.03), Some(200e-6));
        compared(&case)
    };
    let state = |comparison: &Comparison, load: usize| finding(comparison, 1, "step_deviation", load).state;
    let limit = |comparison: &Comparison, id: &str, load: usize| {
        finding(comparison, 1, id, load).limit.map(|limit| limit.value)
    };
    let tight = compared(Some(hard_v / FAR));
    assert_eq!((state(&tight, 0), state(&tight, 1)), (State::Met, State::Missed));
    assert_eq!(limit(&tight, "step_deviation", 1), Some(hard_v / FAR));
    let board = compared(None);
    assert_eq!((state(&board, 0), state(&board, 1)), (State::Met, State::Met));
    assert_eq!(limit(&board, "step_deviation", 1), Some(FAR * hard_v));
    for comparison in [&tight, &board] {
        assert_eq!([0, 1].map(|load| limit(comparison, "settling", load)), [Some(200e-6), Some(170e-6)]);
        let bands = [0, 1].map(|load| limit(comparison, "output_band", load));
        assert_eq!(bands, [Some(0.03 * 5.0); 2], "the total band is the board's, whatever the load");
    }
}

/// A step written as a profile gives the step's numbers, and a profile is not settled by rest: its last edge is followed to the end.
#[test]
fn law_a_profile_of_a_step_is_the_step() {
    let found = shown(&case_with(vec![profile("the step", &STEP.profile(1).points)]));
    for quantity in ["dip", "rise", "window", "output_deviation", "peak_current"] {
        let [step, profile] = [0, 1].map(|load| found[load].number(quantity).expect("a number"));
        // The points are joined by lines of a slope that is rounded.
        assert!((step / profile - 1.0).abs() < 1e-6, "{quantity}: {step} {profile}");
    }
}

/// Largest difference of the two integrations in V and A: what a saturation table of 20 uA leaves.
const WHOLE_RUN: (f64, f64) = (1e-4, 1e-3);

/// A profile and a step at half the switching frequency through the independent integration.
#[test]
fn outside_profile_through_the_independent_integration() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("cases/ticket-kiosk");
    let mut case = case::read(&path).unwrap_or_else(|error| panic!("{error}"));
    case.numerics.saturation_error_a = 2e-5;
    case.limits.recovery_s = None;
    case.board.procedure.settling_periods = 60.0;
    let points = [(0.0, 0.9), (3.1e-6, 3.3), (57e-6, 2.1), (58.3e-6, 3.6), (140e-6, 0.7), (260e-6, 0.7)];
    let period_s = 1.0 / case.board.frequency_hz;
    let fast = LoadStep {
        hold_s: 0.9 * period_s,
        every_s: Some(2.0 * period_s),
        slew_a_per_s: 9e6,
        release_a_per_s: 7e6,
        ..STEP
    };
    case.board.loads = vec![profile("radio", &points), named("fast", fast)];
    for (name, load) in [("load profile", 1), ("load step", 2)] {
        let stand = Stand::new(&case, &case.parts[0], CORNERS[0], case.board.nominal_input_v);
        let wish = Wish { load: Some(load), ..Wish::default() };
        let ready = condition::find(name).expect("a condition").set_up(&stand, &wish);
        let mut ready = ready.unwrap_or_else(|error| panic!("{error}")).expect("the case states it");
        let (cycles, every_s, offset_s) = (ready.cycles.expect("an end"), period_s / 11.0, 0.0137 * period_s);
        let found =
            compare(&mut ready.machine, &ready.curve, ready.begin, cycles, &ready.program, every_s, offset_s, 1e-9)
                .unwrap_or_else(|error| panic!("{error}"));
        println!("{name}: {cycles} cycles, {found:?}");
        assert!(found.output_v < WHOLE_RUN.0 && found.current_a < WHOLE_RUN.1 && found.parted.is_none(), "{found:?}");
    }
}
