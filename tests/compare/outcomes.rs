//! Outcomes that must come, and such that must never come: each cell of the table of states, each requirement that is always on, bounds,
//! ends of absent data, twins, parts that are better in everything. Results are hand-made, so that the truth is arithmetic and stands
//! beside them; `law_`: the rule itself (docs/method.md), `closed_form_`: a number.
//!
//! The limit of the ripple is 40 mV throughout. Of it 5 % are allowed against the original, 2 mV; an uncertainty is at least half of
//! that, 1 mV, and the model's share of the value.

use crate::support;
use presolder::case::Case;
use presolder::condition::figures::{AtEnds, Datum, Figures, Moved, PartFigures, Place, Shift, Value, Why};
use presolder::judge::finding::Finding;
use presolder::judge::sight::expanded;
use presolder::judge::{self, COVERAGE, Outcome, State, Verdict};
use presolder::model::case::{Agreed, Limits};
use presolder::model::corner::{CORNERS, Corner, End, NOMINAL};
use presolder::model::doubt::{Owner, rules};
use presolder::parts::{Class, CoreFamily, FilletGoals, Grade, PadPair, Shield};
use presolder::quantity::{Side, find};
use support::case_of;

/// Sums and roots of a few numbers.
const ROUNDING: f64 = 1e-12;
/// Corner in which an aged board and a part at its least inductance are.
const AGED: Corner = CORNERS[1];

/// A setting of the board: full load at its nominal input.
const SETTING: Place =
    Place { condition: "steady", corner: NOMINAL, input_v: Some(47.0), load_a: Some(3.9), prebias_v: 0.0, load: 0 };

/// Values of one quantity in some places.
fn part_of(index: usize, quantity: &str, shown: &[(Place, Value)]) -> PartFigures {
    let results = shown.iter().map(|(place, value)| {
        let mut figures = Figures::at(*place, Some(83.0));
        figures.push(quantity, value.clone());
        figures
    });
    support::with_results(index, results.collect())
}

/// Original and substitute with one value each.
fn two(quantity: &str, original: impl Into<Value>, substitute: impl Into<Value>) -> Vec<PartFigures> {
    vec![part_of(0, quantity, &[(SETTING, original.into())]), part_of(1, quantity, &[(SETTING, substitute.into())])]
}

fn verdict(case: &Case, parts: &[PartFigures]) -> Verdict {
    judge::verdicts(case, parts).remove(1)
}

/// The finding that decides a requirement.
fn finding<'a>(verdict: &'a Verdict, id: &str) -> &'a Finding {
    verdict.findings.iter().find(|finding| finding.asked.id() == id).unwrap_or_else(|| panic!("{id} is not asked"))
}

/// States of substitute and original, and the outcome, of one requirement.
fn states(case: &Case, parts: &[PartFigures], id: &str) -> (State, State, Outcome) {
    let verdict = verdict(case, parts);
    let found = finding(&verdict, id);
    (found.state, found.original_state, found.outcome)
}

/// A board on which only the ripple is limited.
fn ripple_case() -> Case {
    let mut case = case_of(2);
    case.limits = Limits { ripple_v: Some(40e-3), ..Limits::default() };
    case
}

use Outcome::{Fail, NoWorse, Pass, Undecided};
use State::{Met, Missed, Open};

/// The table: what the substitute shows, what the original shows, how the two compare. In mV: original, substitute.
#[test]
fn law_each_cell_of_the_table_of_states() {
    let cells = [
        // Met is met, whatever the original does.
        (20.0, 20.0, Met, Met, Pass),
        (40.0, 20.0, Met, Open, Pass),
        (60.0, 20.0, Met, Missed, Pass),
        // Open: the limit is within the uncertainty. No worse: 0.6 + 1.0 is within 2.0.
        (38.7, 39.3, Open, Met, NoWorse),
        (40.0, 40.0, Open, Open, NoWorse),
        (60.0, 39.9, Open, Missed, NoWorse),
        // Not shown no worse: 1.6 + 1.0 is more than 2.0; and 1.85 + 1.0 with the original open; and far beyond.
        (38.5, 40.1, Open, Met, Undecided),
        (39.1, 40.95, Open, Open, Undecided),
        (30.0, 39.9, Open, Met, Undecided),
        // Missed where the original meets it.
        (38.5, 41.4, Missed, Met, Fail),
        (20.0, 60.0, Missed, Met, Fail),
        // Missed where the original misses it too: no worse, worse by more than 2.0 + 1.0, between the two.
        (60.0, 60.0, Missed, Missed, NoWorse),
        (70.0, 60.0, Missed, Missed, NoWorse),
        (50.0, 60.0, Missed, Missed, Fail),
        (60.0, 62.0, Missed, Missed, Undecided),
        // Missed where the original is open, the same three.
        (40.9, 41.3, Missed, Open, NoWorse),
        (40.8, 45.0, Missed, Open, Fail),
        (40.8, 43.5, Missed, Open, Undecided),
    ];
    for (original, substitute, state, original_state, outcome) in cells {
        let parts = two("ripple_20mhz", 1e-3 * original, 1e-3 * substitute);
        let found = states(&ripple_case(), &parts, "ripple");
        assert_eq!(found, (state, original_state, outcome), "{original} mV, then {substitute} mV");
    }
}

/// The original 1 % over a limit excuses nobody who is 41 % over it.
#[test]
fn law_a_part_far_over_a_limit_is_not_excused_by_an_original_a_little_over_it() {
    let parts = two("ripple_20mhz", 40.4e-3, 56.4e-3);
    assert_eq!(states(&ripple_case(), &parts, "ripple"), (Missed, Open, Fail));
    // The same of a quantity that must not be too small: 44.5 degrees, then 26.5, where 45 are asked.
    let mut case = ripple_case();
    case.limits.phase_margin_deg = Some(45.0);
    let parts = two("phase_margin", 44.5, 26.5);
    assert_eq!(states(&case, &parts, "phase_margin"), (Missed, Open, Fail));
}

/// A bound is met or missed only where all that it leaves open is; beside a number it is no worse only where it cannot be.
#[test]
fn law_bounds_are_judged_by_their_direction() {
    let case = ripple_case();
    let ripple =
        |original: Value, substitute: Value| states(&case, &two("ripple_20mhz", original, substitute), "ripple");
    let met = || Value::Number(20e-3);
    assert_eq!(ripple(met(), Value::AtMost(30e-3)), (Met, Met, Pass));
    assert_eq!(ripple(met(), Value::AtMost(50e-3)), (Open, Met, Undecided));
    assert_eq!(ripple(met(), Value::AtLeast(30e-3)), (Open, Met, Undecided));
    assert_eq!(ripple(met(), Value::AtLeast(50e-3)), (Missed, Met, Fail));
    // Nobody knows how much more it is than the original, which misses too.
    assert_eq!(ripple(Value::Number(60e-3), Value::AtLeast(60e-3)).2, Undecided);
    assert_eq!(ripple(Value::AtLeast(60e-3), Value::Number(50e-3)), (Missed, Missed, NoWorse));
    // The load at which it gives way: full load, 3.9 A, must be below it.
    let trip = |bound: Value| states(&case, &two("trip_lowest", 5.0, bound), "delivers_full_load");
    assert_eq!(trip(Value::AtLeast(4.7)), (Met, Met, Pass));
    assert_eq!(trip(Value::AtMost(4.7)), (Open, Met, Undecided));
    assert_eq!(trip(Value::AtMost(3.1)), (Missed, Met, Fail));
}

/// What happens instead of a number, in one place: alike in the original it is no worse, in the part alone it is missed.
#[test]
fn law_events_are_missed_and_excused_only_where_the_original_has_them() {
    let case = ripple_case();
    let events = [
        ("thermal_balance", "winding_temperature", Why::Runaway, 83.0),
        ("regulation", "regulation_error", Why::NotDelivered, 0.01),
        ("starts", "start_time", Why::NeverStarts, 7e-3),
        ("limit_not_acting", "limited_cycles", Why::NotDelivered, 0.0),
    ];
    for (id, quantity, why, sound) in events {
        let event = || Value::NotComputed(why.clone());
        assert_eq!(states(&case, &two(quantity, sound, event()), id), (Missed, Met, Fail), "{id}");
        assert_eq!(states(&case, &two(quantity, event(), event()), id), (Missed, Missed, NoWorse), "{id}");
        assert_eq!(states(&case, &two(quantity, event(), sound), id), (Met, Missed, Pass), "{id}");
        // The original has it at the highest input only; the part at the lowest too.
        let low = Place { input_v: Some(36.0), ..SETTING };
        let parts = vec![
            part_of(0, quantity, &[(SETTING, event()), (low, sound.into())]),
            part_of(1, quantity, &[(SETTING, event()), (low, event())]),
        ];
        let verdict = verdict(&case, &parts);
        assert_eq!((finding(&verdict, id).outcome, finding(&verdict, id).place.input_v), (Fail, Some(36.0)), "{id}");
    }
}

/// A start from half the output is one of its own.
#[test]
fn law_a_part_that_starts_from_zero_only_does_not_start() {
    let charged = Place { condition: "start", prebias_v: 6.0, ..SETTING };
    let empty = Place { prebias_v: 0.0, ..charged };
    let starts = |last: Value| [(empty, Value::Number(7e-3)), (charged, last)];
    let parts = vec![
        part_of(0, "start_time", &starts(Value::Number(5e-3))),
        part_of(1, "start_time", &starts(Value::NotComputed(Why::NeverStarts))),
    ];
    let verdict = verdict(&ripple_case(), &parts);
    assert_eq!((verdict.outcome, finding(&verdict, "starts").place.prebias_v), (Fail, 6.0));
}

/// A count has no uncertainty: as it must be it is met, one more is missed.
#[test]
fn law_cycles_that_are_not_alike_and_a_limit_that_acts_are_missed() {
    let case = ripple_case();
    assert_eq!(states(&case, &two("periods", 1.0, 1.0), "cycles_alike"), (Met, Met, Pass));
    assert_eq!(states(&case, &two("periods", 1.0, 2.0), "cycles_alike"), (Missed, Met, Fail));
    assert_eq!(states(&case, &two("periods", 2.0, 2.0), "cycles_alike"), (Missed, Missed, NoWorse));
    assert_eq!(states(&case, &two("periods", 2.0, 4.0), "cycles_alike"), (Missed, Missed, Fail));
    assert_eq!(states(&case, &two("periods", 2.0, 1.0), "cycles_alike"), (Met, Missed, Pass));
    assert_eq!(states(&case, &two("periods", 1.0, Value::AtLeast(64.0)), "cycles_alike"), (Missed, Met, Fail));
    assert_eq!(states(&case, &two("limited_cycles", 0.0, 0.0), "limit_not_acting"), (Met, Met, Pass));
    assert_eq!(states(&case, &two("limited_cycles", 0.0, 1.0), "limit_not_acting"), (Missed, Met, Fail));
}

/// A computation that fails in one corner leaves the check open there, and nothing else.
#[test]
fn law_a_computation_that_fails_in_one_corner_is_open_there() {
    let aged = Place { corner: AGED, ..SETTING };
    let failed = Value::NotComputed(Why::Told("the energy book does not close".into()));
    let mut parts = vec![
        part_of(0, "ripple_20mhz", &[(SETTING, 20e-3.into()), (aged, 22e-3.into())]),
        part_of(1, "ripple_20mhz", &[(SETTING, 20e-3.into()), (aged, failed)]),
    ];
    let verdict_of = |parts: &[PartFigures]| verdict(&ripple_case(), parts);
    let open = verdict_of(&parts);
    assert_eq!((open.outcome, finding(&open, "ripple").state), (Undecided, Open));
    assert_eq!(finding(&open, "ripple").place.corner, AGED);
    // The rest goes on: what is missed elsewhere is missed.
    parts[1].results[0].values[0].value = Value::Number(60e-3);
    let missed = verdict_of(&parts);
    assert_eq!((missed.outcome, finding(&missed, "ripple").place.corner), (Fail, NOMINAL));
}

/// Without a stated band the mean output is regulated within 1 %, 120 mV of 12 V; with one within that.
#[test]
fn law_an_output_off_its_voltage_is_missed() {
    let mut case = ripple_case();
    let error = |case: &Case, to_v| states(case, &two("regulation_error", 12e-3, to_v), "regulation").2;
    assert_eq!((error(&case, 90e-3), error(&case, 300e-3)), (Pass, Fail));
    case.limits.output_band = Some(0.04);
    assert_eq!((error(&case, 300e-3), error(&case, 600e-3)), (Pass, Fail));
}

/// What the limit senses stays below its lowest threshold, 5.6 A here. Where nobody says whether there is a limit no more is shown than
/// that a part is no worse than the original; where it is said that there is none, nothing is asked.
#[test]
fn law_a_peak_at_the_limits_threshold_is_missed() {
    let mut case = ripple_case();
    let peak =
        |case: &Case, original: f64, to_a: f64| states(case, &two("peak_current", original, to_a), "below_limit");
    assert_eq!(peak(&case, 4.8, 5.0), (Met, Met, Pass));
    assert_eq!(peak(&case, 4.8, 6.3), (Missed, Met, Fail));
    assert_eq!(peak(&case, 4.8, 5.8), (Open, Met, Undecided));
    case.board.control.protection.current_limit = None;
    assert_eq!(peak(&case, 4.8, 4.8), (Open, Open, NoWorse));
    assert_eq!(peak(&case, 4.8, 6.1), (Open, Open, Undecided));
    case.board.control.protection.is_unlimited = true;
    let verdict = verdict(&case, &two("peak_current", 4.8, 6.1));
    assert!(verdict.not_asked.iter().any(|asked| asked.id == "below_limit"));
}

/// The board's pulse rating is 10 A. Where nobody states one, the original's highest current stands in: it is not known to be enough.
#[test]
fn law_currents_beyond_the_pulse_rating_are_missed() {
    let mut case = ripple_case();
    let peak =
        |case: &Case, original: f64, to_a: f64| states(case, &two("short_peak", original, to_a), "pulse_rating").2;
    assert_eq!((peak(&case, 8.0, 9.0), peak(&case, 8.0, 12.0)), (Pass, Fail));
    case.board.stage.pulse_rating_a = None;
    assert_eq!((peak(&case, 8.0, 7.9), peak(&case, 8.0, 12.0)), (NoWorse, Undecided));
}

/// Ripple currents above the capacitors' rating are missed. Where nobody states one, the original may be above it: a part is no worse at
/// the best, as it is where the original is above a rating that is stated.
#[test]
fn law_capacitors_above_their_ripple_rating_are_missed() {
    let mut case = ripple_case();
    for bank in ["input", "output"] {
        let (rated, used) = (format!("{bank}_ripple_rating"), format!("{bank}_ripple_use"));
        let use_of = |original: f64, share: f64| states(&case, &two(&used, original, share), &rated);
        assert_eq!(use_of(0.8, 0.9), (Met, Met, Pass));
        assert_eq!(use_of(0.8, 1.0), (Open, Met, Undecided));
        assert_eq!(use_of(0.8, 1.1), (Missed, Met, Fail));
        assert_eq!(use_of(1.1, 1.1), (Missed, Missed, NoWorse));
        assert_eq!(use_of(1.1, 1.4), (Missed, Missed, Fail));
    }
    case.board
        .input_bank
        .iter_mut()
        .chain(&mut case.board.output_bank)
        .for_each(|branch| branch.ripple_rating_a = None);
    for bank in ["input", "output"] {
        let current = format!("{bank}_ripple_current");
        let of = |to_a: f64| states(&case, &two(&current, 1.4, to_a), &current);
        assert_eq!((of(1.3), of(1.4)), ((Open, Open, NoWorse), (Open, Open, NoWorse)));
        assert_eq!(of(1.7), (Open, Open, Undecided));
        // Nothing stands in where the original's own was not computed.
        let none = Value::NotComputed(Why::Told("the losses are a poem".into()));
        assert_eq!(states(&case, &two(&current, none, 1.4), &current), (Open, Open, Undecided));
    }
}

/// A part of a lower grade than the board's, or without one than the original's, is missed; where it states none it is open. The original
/// excuses nothing.
#[test]
fn law_a_lower_grade_is_missed() {
    let (commercial, industrial, automotive) = (1.0, 2.0, 3.0);
    let mut case = ripple_case();
    case.board.grade = Some(Grade::Industrial);
    let grade = |case: &Case, original: f64, substitute: Value| {
        let found = states(case, &two("grade", original, substitute), "grade");
        (found.0, found.2)
    };
    assert_eq!(grade(&case, commercial, commercial.into()), (Missed, Fail));
    assert_eq!(grade(&case, commercial, industrial.into()), (Met, Pass));
    assert_eq!(grade(&case, commercial, Value::NotComputed(Why::NotStated)), (Open, Undecided));
    case.board.grade = None;
    case.parts[0].class.grade = Some(Grade::Automotive);
    assert_eq!(grade(&case, automotive, industrial.into()), (Missed, Fail));
    assert_eq!(grade(&case, automotive, automotive.into()), (Met, Pass));
}

/// Where neither board nor original says which grade, shield or mark is needed and another part states its own, the best of them alone is
/// enough for sure. A datum of the original that is deleted passes nobody.
#[test]
fn law_what_the_original_does_not_say_of_its_class_passes_nobody() {
    let mut case = ripple_case();
    case.parts[1].class = Class {
        grade: Some(Grade::Industrial),
        shield: Some(Shield::Partial),
        start_mark: Some(false),
        ..Class::default()
    };
    let silent = || Value::NotComputed(Why::NotStated);
    for (quantity, best, less) in [("grade", 3.0, 2.0), ("shield", 3.0, 2.0), ("start_mark", 1.0, 0.0)] {
        let of = |value: Value| states(&case, &two(quantity, silent(), value), quantity);
        assert_eq!(of(best.into()), (Met, Open, Pass), "{quantity}");
        assert_eq!(of(less.into()), (Open, Open, Undecided), "{quantity}");
        assert_eq!(of(silent()), (Open, Open, Undecided), "{quantity}");
    }
    // Where no part says a word, nothing is asked.
    case.parts[1].class = Class::default();
    assert_eq!((case.least_grade(), case.least_shield(), case.least_mark()), (None, None, None));
}

/// Less shield than the original, or no mark where the original has one, is for a look at the board: open, never met.
#[test]
fn law_less_shield_and_a_missing_mark_are_open() {
    let mut case = ripple_case();
    case.parts[0].class = Class { shield: Some(Shield::Shielded), start_mark: Some(true), ..Class::default() };
    let of = |quantity: &str, original: f64, value: Value| states(&case, &two(quantity, original, value), quantity);
    assert_eq!(of("shield", 3.0, 3.0.into()), (Met, Met, Pass));
    assert_eq!(of("shield", 3.0, 2.0.into()), (Open, Met, Undecided));
    assert_eq!(of("shield", 3.0, Value::NotComputed(Why::NotStated)), (Open, Met, Undecided));
    assert_eq!(of("start_mark", 1.0, 1.0.into()), (Met, Met, Pass));
    assert_eq!(of("start_mark", 1.0, 0.0.into()), (Open, Met, Undecided));
}

/// Fillets by the method of IPC-7351: the pad less the least dimension less all tolerances must be the goal. Pads of 2.4 by 6 mm, 3.2 mm
/// apart, are 8 mm over all. Terminals of 7.0 mm over all leave a toe of 0.5 mm; with 0.1 mm of the part, either way, and 0.1 mm each of board
/// and placement that is 0.5 -+ (root(0.2^2 + 2 x 0.1^2) - 0.1) / 2 = 0.5 -+ 0.072 mm.
#[test]
fn closed_form_fillets_are_judged_with_all_tolerances() {
    let land = PadPair { length_m: 2.4e-3, width_m: 6e-3, gap_m: 3.2e-3 };
    let terminals = PadPair { length_m: 1.8e-3, width_m: 5.4e-3, gap_m: 3.4e-3 };
    for (found, expected) in land.fillets_m(&terminals).into_iter().zip([0.5e-3, 0.1e-3, 0.3e-3]) {
        assert!((found - expected).abs() < ROUNDING);
    }
    let mut case = ripple_case();
    case.board.land = Some(land);
    case.parts.iter_mut().for_each(|part| part.terminal_tolerance_m = Some(0.1e-3));
    let toe = |case: &mut Case, goal_m: f64, toe_m: f64| {
        let tolerance_m = 0.1e-3;
        let (fabrication_m, placement_m) = (tolerance_m, tolerance_m);
        case.board.fillets =
            Some(FilletGoals { toe_m: goal_m, heel_m: -0.05e-3, side_m: 0.0, fabrication_m, placement_m });
        let found = states(case, &two("toe_fillet", 0.2e-3, toe_m), "toe_fillet");
        (found.0, found.2)
    };
    assert_eq!(toe(&mut case, 0.42e-3, 0.5e-3), (Met, Pass));
    assert_eq!(toe(&mut case, 0.44e-3, 0.5e-3), (Open, Undecided));
    assert_eq!(toe(&mut case, 0.56e-3, 0.5e-3), (Open, Undecided));
    assert_eq!(toe(&mut case, 0.58e-3, 0.5e-3), (Missed, Fail));
    // Without a word on the part's tolerance, 0.2 mm: -+ (root(0.4^2 + 0.02) - 0.2) / 2 = 0.112 mm.
    case.parts[1].terminal_tolerance_m = None;
    assert_eq!(toe(&mut case, 0.42e-3, 0.5e-3), (Open, Undecided));
    assert_eq!(toe(&mut case, 0.38e-3, 0.5e-3), (Met, Pass));
}

/// Iron powder above 100 degrees ages unless its maker says up to where it does not; a rise of 45 K is known to 7 K.
#[test]
fn law_iron_powder_is_open_above_the_temperature_at_which_it_ages() {
    let mut case = ripple_case();
    case.board.ambient_degc = 60.0;
    case.parts.iter_mut().for_each(|part| part.max_temperature_degc = Some(155.0));
    case.parts[1].core = CoreFamily::IronPowder;
    let at = |case: &Case, degc: f64| {
        let verdict = verdict(case, &two("winding_temperature", 90.0, degc));
        let found = verdict.findings.iter().find(|finding| finding.asked.id() == "ageing");
        found.map(|finding| (finding.state, finding.outcome))
    };
    assert_eq!(at(&case, 85.0), Some((Met, Pass)));
    assert_eq!(at(&case, 105.0), Some((Open, Undecided)));
    assert_eq!(at(&case, 140.0), Some((Open, Undecided)));
    case.parts[1].class.no_ageing_degc = Some(125.0);
    assert_eq!(at(&case, 105.0), Some((Met, Pass)));
    assert_eq!(at(&case, 140.0), Some((Missed, Fail)));
    case.parts[1].core = CoreFamily::Composite;
    assert_eq!(at(&case, 140.0), None);
}

/// A board that gives way at 3.4 A does not deliver its 3.9 A.
#[test]
fn law_a_board_that_gives_way_below_full_load_is_missed() {
    let trip =
        |original: f64, to_a: f64| states(&ripple_case(), &two("trip_lowest", original, to_a), "delivers_full_load");
    assert_eq!(trip(5.0, 4.6), (Met, Met, Pass));
    assert_eq!(trip(5.0, 3.4), (Missed, Met, Fail));
    assert_eq!(trip(3.4, 3.4), (Missed, Missed, NoWorse));
}

/// Against its own ratings a part is judged alone: an original as bad, or worse, excuses nothing. The board runs at up to 53 V and
/// 250 kHz, its keep-out is 8.5 mm high.
#[test]
fn law_own_ratings_are_judged_alone() {
    let mut case = ripple_case();
    let rating = |case: &Case, quantity: &str, original: f64, value: f64, id: &str| {
        states(case, &two(quantity, original, value), id).2
    };
    // 1.3 times the highest input is at least 68.9 V.
    assert_eq!(rating(&case, "working_voltage", 60.0, 60.0, "working_voltage"), Fail);
    assert_eq!(rating(&case, "working_voltage", 60.0, 100.0, "working_voltage"), Pass);
    // 0.5 and 1.25 MHz are twice and five times the switching frequency.
    assert_eq!(rating(&case, "self_resonance", 0.4e6, 0.4e6, "self_resonance"), Fail);
    assert_eq!(rating(&case, "self_resonance", 0.4e6, 0.8e6, "self_resonance"), Undecided);
    assert_eq!(rating(&case, "self_resonance", 0.4e6, 1.3e6, "self_resonance"), Pass);
    // A margin of nothing on the drawing is met.
    assert_eq!(rating(&case, "body_height", 9.1e-3, 9.0e-3, "body_height"), Fail);
    assert_eq!(rating(&case, "body_height", 9.1e-3, 8.5e-3, "body_height"), Pass);
    assert_eq!(rating(&case, "terminal_on_pad", 0.4, 0.5, "pads"), Fail);
    assert_eq!(rating(&case, "terminal_on_pad", 0.4, 0.9, "pads"), Pass);
    // The part's own highest temperature.
    case.board.ambient_degc = 50.0;
    case.parts.iter_mut().for_each(|part| part.max_temperature_degc = Some(125.0));
    assert_eq!(rating(&case, "winding_temperature", 160.0, 160.0, "winding_rating"), Fail);
    assert_eq!(rating(&case, "winding_temperature", 125.0, 125.0, "winding_rating"), Undecided);
    assert_eq!(rating(&case, "winding_temperature", 125.0, 90.0, "winding_rating"), Pass);
}

/// An agreed change binds like a limit on the difference, also inside every absolute limit.
#[test]
fn law_an_agreed_change_binds() {
    let mut case = ripple_case();
    case.limits.changes.ripple = Agreed { change: 0.2, stated: true };
    let change = |to_v: f64| verdict(&case, &two("ripple_20mhz", 20e-3, to_v)).outcome;
    assert_eq!((change(22e-3), change(29e-3), change(24e-3)), (Pass, Fail, Undecided));
    // It never widens a limit.
    assert_eq!(verdict(&case, &two("ripple_20mhz", 38e-3, 44e-3)).outcome, Fail);
}

/// A datum that nobody printed, the first or a later one of those that the board or a part has.
fn datum(owner: Owner, index: usize, shown: f64) -> Datum {
    let rule = rules().filter(|rule| rule.owner == owner).nth(index).expect("both have some");
    Datum { rule, branch: 0, of_part: owner == Owner::Part, shown }
}

fn of_board() -> Datum {
    datum(Owner::Board, 0, 1.0)
}

/// How far two parts share the doubt in a datum of their own is decided by what is shown of it.
fn of_part(shown: f64) -> Datum {
    datum(Owner::Part, 0, shown)
}

/// Adds the value at both ends of an absent datum.
fn with_ends(part: &mut PartFigures, datum: Datum, least: f64, most: f64) {
    for (end, value) in [(End::Least, least), (End::Most, most)] {
        let mut results = part.results.clone();
        results[0].values[0].value = Value::Number(value);
        part.ends.push(AtEnds { data: vec![(datum, end)], results });
    }
}

/// Outcome with both parts at the ends of a datum: (least, shown, most) in mV, `None` where the part does not lack it.
fn at_ends(
    (original, original_ends): (f64, Option<(f64, f64)>),
    (substitute, ends): (f64, Option<(f64, f64)>),
    data: [Datum; 2],
) -> (State, State, Outcome) {
    let mut parts = two("ripple_20mhz", 1e-3 * original, 1e-3 * substitute);
    for (part, (ends, datum)) in parts.iter_mut().zip([(original_ends, data[0]), (ends, data[1])]) {
        let ends = ends.into_iter();
        ends.for_each(|(least, most)| with_ends(part, datum, 1e-3 * least, 1e-3 * most));
    }
    states(&ripple_case(), &parts, "ripple")
}

/// Met only where it is at every end, missed only where it is at every end.
#[test]
fn law_an_absent_datum_is_never_a_benefit() {
    let own = [of_part(1.0); 2];
    assert_eq!(at_ends((20.0, None), (30.0, Some((20.0, 35.0))), own), (Met, Met, Pass));
    assert_eq!(at_ends((20.0, None), (30.0, Some((20.0, 45.0))), own), (Open, Met, Undecided));
    assert_eq!(at_ends((20.0, None), (45.0, Some((35.0, 55.0))), own), (Open, Met, Undecided));
    assert_eq!(at_ends((20.0, None), (50.0, Some((45.0, 60.0))), own), (Missed, Met, Fail));
    // The middle may be worse than both ends.
    assert_eq!(at_ends((20.0, None), (50.0, Some((30.0, 31.0))), own), (Open, Met, Undecided));
}

/// Several absent data stand at their adverse ends together: the value there counts too.
#[test]
fn law_absent_data_are_adverse_together() {
    let mut parts = two("ripple_20mhz", 20e-3, 30e-3);
    let other = datum(Owner::Part, 1, 1.0);
    with_ends(&mut parts[1], of_part(1.0), 29e-3, 34e-3);
    with_ends(&mut parts[1], other, 29e-3, 34e-3);
    assert_eq!(states(&ripple_case(), &parts, "ripple"), (Met, Met, Pass));
    let mut results = parts[1].results.clone();
    results[0].values[0].value = Value::Number(45e-3);
    parts[1].ends.push(AtEnds { data: vec![(of_part(1.0), End::Most), (other, End::Most)], results });
    assert_eq!(states(&ripple_case(), &parts, "ripple"), (Open, Met, Undecided));
}

/// What the board lacks is alike in both: 1 mV more at either end is no worse, whatever the ends; 9 mV more at one end may be worse.
#[test]
fn law_common_data_stand_at_like_ends() {
    let common = [of_board(); 2];
    let original = (40.0, Some((30.0, 50.0)));
    assert_eq!(at_ends(original, (40.5, Some((30.5, 50.5))), common), (Open, Open, NoWorse));
    assert_eq!(at_ends(original, (40.5, Some((30.5, 59.0))), common), (Open, Open, Undecided));
    // Both are open, and the part is surely worse: 4 mV at either end.
    assert_eq!(at_ends((39.5, Some((25.0, 41.0))), (43.5, Some((29.0, 45.0))), common), (Open, Open, Undecided));
    assert_eq!(at_ends((60.0, Some((50.0, 70.0))), (60.5, Some((50.5, 70.5))), common), (Missed, Missed, NoWorse));
    assert_eq!(at_ends((60.0, Some((50.0, 70.0))), (68.0, Some((58.0, 78.0))), common), (Missed, Missed, Fail));
}

/// What both parts lack, from the same kind of sheet, cancels in a twin, in a tenth of it does not, and where only one lacks it never.
#[test]
fn law_own_data_cancel_as_far_as_they_are_alike() {
    let (original, same) = ((40.0, Some((30.0, 50.0))), (40.0, Some((30.0, 50.0))));
    assert_eq!(at_ends(original, same, [of_part(7.0), of_part(7.0)]), (Open, Open, NoWorse));
    assert_eq!(at_ends(original, same, [of_part(7.0), of_part(7.0 * 1.001)]), (Open, Open, NoWorse));
    assert_eq!(at_ends(original, same, [of_part(7.0), of_part(9.0)]), (Open, Open, Undecided));
    assert_eq!(at_ends((40.0, None), same, [of_part(7.0), of_part(7.0)]), (Open, Open, Undecided));
}

/// The doubt of a printed datum, 2 mV for one standard uncertainty, is 2 x 2 mV and the model's share in a value; in a difference it
/// cancels where both share it.
#[test]
fn closed_form_doubt_in_printed_data() {
    let with = |datum: [Datum; 2]| {
        let mut parts = two("ripple_20mhz", 37e-3, 37e-3);
        for (part, datum) in parts.iter_mut().zip(datum) {
            let shifts = vec![Shift { place: part.results[0].place, by: vec![("ripple_20mhz", 2e-3)] }];
            part.spreads.push(Moved { datum, half_width: None, shifts, back: vec![] });
        }
        verdict(&ripple_case(), &parts)
    };
    let common = with([of_board(); 2]);
    let found = finding(&common, "ripple");
    let model = find("ripple_20mhz").expect("a quantity").uncertainty(37e-3, 50.0);
    let expected = (16e-6 + model * model).sqrt();
    assert!((found.value.uncertainty / expected - 1.0).abs() < ROUNDING, "{:?}", found.value);
    assert_eq!((found.state, found.outcome), (Open, NoWorse));
    // Half of the default allowance is the least of any difference.
    assert!((found.worse.expect("both have numbers").uncertainty / 1e-3 - 1.0).abs() < ROUNDING);
    assert_eq!(finding(&with([of_part(7.0), of_part(7.0)]), "ripple").outcome, NoWorse);
    let own = with([of_part(7.0), of_part(9.0)]);
    let found = finding(&own, "ripple");
    assert!((found.worse.expect("numbers").uncertainty / (COVERAGE * 8f64.sqrt() * 1e-3) - 1.0).abs() < ROUNDING);
    assert_eq!(found.outcome, Undecided);
}

/// A quantity, the condition in which it stands, its requirement, its limit, and how to ask for it.
type Limited = (&'static str, &'static str, f64, fn(&mut Limits));

const LIMITED: [Limited; 8] = [
    ("ripple_20mhz", "ripple", 40e-3, |limits| limits.ripple_v = Some(40e-3)),
    ("dip", "step_deviation", 240e-3, |limits| limits.step_deviation_v = Some(240e-3)),
    ("recovery", "settling", 300e-6, |limits| limits.recovery_s = Some(300e-6)),
    ("winding_temperature", "winding_temperature", 115.0, |limits| limits.winding_degc = Some(115.0)),
    ("phase_margin", "phase_margin", 45.0, |limits| limits.phase_margin_deg = Some(45.0)),
    ("gain_margin", "gain_margin", 10.0, |limits| limits.gain_margin_db = Some(10.0)),
    ("efficiency", "efficiency", 0.9, |limits| limits.efficiency = Some(0.9)),
    ("trip_highest", "trip_highest", 9.0, |limits| limits.trip_a.1 = Some(9.0)),
];
/// Values of the original, as shares of the limit: well inside, about it, well past.
const SHARES: [f64; 15] = [0.5, 0.8, 0.9, 0.95, 0.97, 0.98, 0.99, 1.0, 1.01, 1.02, 1.03, 1.05, 1.1, 1.2, 1.5];

/// A twin, exact or a part in a thousand away, has the original's own state on each check: met passes, anything else is no worse.
#[test]
fn law_a_twin_is_the_original() {
    for (quantity, id, limit, ask) in LIMITED {
        let mut case = ripple_case();
        ask(&mut case.limits);
        case.parts.iter_mut().for_each(|part| part.max_temperature_degc = None);
        for share in SHARES {
            let own = states(&case, &two(quantity, share * limit, share * limit), id);
            assert_eq!(own.0, own.1, "{quantity} at {share}");
            let expected = if own.1 == Met { Pass } else { NoWorse };
            assert_eq!(own.2, expected, "{quantity} at {share}");
            for by in [0.999, 1.001] {
                let near = states(&case, &two(quantity, share * limit, share * limit * by), id);
                let expected = if near.0 == Met { Pass } else { NoWorse };
                assert_eq!(near.2, expected, "{quantity} at {share}, {by} of it: {near:?}");
                let verdict = verdict(&case, &two(quantity, share * limit, share * limit * by));
                assert!(verdict.changes.is_empty() && verdict.seen.is_empty(), "{quantity} at {share}");
            }
        }
    }
}

/// A part that is better in everything is never below a twin.
#[test]
fn law_a_better_part_is_never_below_a_twin() {
    for (quantity, id, limit, ask) in LIMITED {
        let mut case = ripple_case();
        ask(&mut case.limits);
        case.parts.iter_mut().for_each(|part| part.max_temperature_degc = None);
        let higher_is_worse = find(quantity).expect("a quantity").side != Side::AtLeast;
        for share in SHARES {
            let original = share * limit;
            let twin = states(&case, &two(quantity, original, original), id).2;
            for by in [0.001, 0.01, 0.03, 0.1, 0.3] {
                let better = if higher_is_worse { original * (1.0 - by) } else { original * (1.0 + by) };
                let found = states(&case, &two(quantity, original, better), id);
                assert!(found.2 <= twin, "{quantity} at {share}, better by {by}: {found:?}");
            }
        }
    }
}

/// A part is as good as its worst check.
#[test]
fn law_the_outcome_of_a_part_is_that_of_its_worst_check() {
    let mut case = ripple_case();
    case.limits.step_deviation_v = Some(240e-3);
    case.limits.phase_margin_deg = Some(45.0);
    let with = |ripple_v: f64, dip_v: f64, margin_deg: f64| {
        let mut parts = two("ripple_20mhz", 20e-3, ripple_v);
        for (part, (dip_v, margin_deg)) in parts.iter_mut().zip([(300e-3, 60.0), (dip_v, margin_deg)]) {
            part.results[0].push("dip", dip_v);
            part.results[0].push("phase_margin", margin_deg);
        }
        let verdict = verdict(&case, &parts);
        (verdict.outcome, verdict.deciding().expect("a finding").quantity.id)
    };
    assert_eq!(with(20e-3, 200e-3, 60.0).0, Pass);
    assert_eq!(with(20e-3, 300e-3, 60.0), (NoWorse, "dip"));
    assert_eq!(with(20e-3, 300e-3, 45.0), (Undecided, "phase_margin"));
    assert_eq!(with(50e-3, 300e-3, 45.0), (Fail, "ripple_20mhz"));
}

/// Twice the root of the sum of squares.
#[test]
fn closed_form_expanded_uncertainty_of_normal_doubts() {
    // 3, 4 and 12 are 13 together.
    let normal = expanded([(3.0, None), (-4.0, None)].into_iter(), 12.0);
    assert!((normal / 26.0 - 1.0).abs() < ROUNDING);
    assert_eq!(expanded([].into_iter(), 0.0), 0.0);
    assert!((expanded([].into_iter(), 0.7) / 1.4 - 1.0).abs() < ROUNDING);
}

/// A single rectangular doubt has its half width: the standard uncertainty of it is the half width over the root of 3 (JCGM 100, 4.3.7).
#[test]
fn closed_form_expanded_uncertainty_of_a_rectangular_doubt() {
    let root = 3f64.sqrt();
    for half_width in [0.2, 1.0, 17.0] {
        let one = expanded([(half_width / root, Some(root))].into_iter(), 0.0);
        assert!((one / half_width - 1.0).abs() < ROUNDING);
    }
}

/// A large rectangular doubt with normal ones: half width and twice the rest (JCGM 100, G.2.2, where a rectangular contribution
/// dominates); where the root of the sum of squares is less, that.
#[test]
fn closed_form_expanded_uncertainty_of_a_rectangular_and_normal_doubts() {
    let root = 3f64.sqrt();
    // Half width 3 root 3, and 0.3 with 0.4, which are 0.5: 6.196 against 2 x 3.041.
    let mixed = |normal: [f64; 2], model: f64| {
        expanded([(normal[0], None), (3.0, Some(root)), (normal[1], None)].into_iter(), model)
    };
    assert!((mixed([0.3, 0.0], 0.4) / (3.0 * root + 1.0).min(2.0 * 9.25f64.sqrt()) - 1.0).abs() < ROUNDING);
    assert!((mixed([0.1, 0.1], 0.0) / (3.0 * root + 2.0 * 0.02f64.sqrt()) - 1.0).abs() < ROUNDING);
    assert!((mixed([4.0, 0.0], 0.0) / 10.0 - 1.0).abs() < ROUNDING);
    // Of two rectangular ones the larger counts by its half width.
    let two = expanded([(3.0, Some(root)), (0.2, Some(root))].into_iter(), 0.0);
    assert!((two / (3.0 * root + 0.4) - 1.0).abs() < ROUNDING);
}
