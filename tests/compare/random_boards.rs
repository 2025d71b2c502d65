//! Laws that hold for any board, over random ones. `PRESOLDER_BOARDS` gives another number of boards, `PRESOLDER_SEED` another begin,
//! `PRESOLDER_WHOLE=1` usual numbers of the procedures and every part, corner and input in place of a few, `PRESOLDER_KEEP` a folder for
//! the cases that break something.

#[path = "../support/random_boards.rs"]
pub(crate) mod generator;

use generator::{Extent, RandomCase, random_case};
use presolder::board::{Board, Compensator, Injection, LimitSense, LowSide, Modulator};
use presolder::case::{self, Case};
use presolder::condition::contract::{Found, Setup, Wish};
use presolder::condition::figures::Failure;
use presolder::condition::load_step;
use presolder::condition::stand::{Stand, prepared};
use presolder::condition::{CONDITIONS, find};
use presolder::corridor::{self, Comparison, Depth};
use presolder::crosscheck::{Difference, compare};
use presolder::engine::cancel::Cancel;
use presolder::engine::error::EngineError;
use presolder::engine::machine::{Machine, Output};
use presolder::engine::program::Program;
use presolder::engine::steady::ORBIT_RESIDUAL;
use presolder::judge::finding::Asked;
use presolder::judge::{Outcome, State, Verdict};
use presolder::measure::extremes::Extremes;
use presolder::measure::steady::{Conduction, SteadyResult, measure};
use presolder::model::corner::CORNERS;
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::mpsc;
use std::time::Duration;

/// Boards of an ordinary run.
const BOARDS: u64 = 300;
const SEED: u64 = 5;
/// CPU time in s after which a board hangs: some hundred times what the slowest needs.
const HANGS_S: f64 = 20.0;
/// CPU time in s from which a board is told.
const SLOW_S: f64 = 1.0;
/// Share of boards that the reader may refuse: more, and the generator is not that of valid boards.
const REFUSED: f64 = 0.05;

/// Share of boards that may reach an effort limit.
const GIVEN_UP: f64 = 0.01;

fn number_of(name: &str) -> Option<u64> {
    std::env::var(name).ok().and_then(|text| text.parse().ok())
}

fn boards() -> u64 {
    number_of("PRESOLDER_BOARDS").unwrap_or(BOARDS)
}

fn seed() -> u64 {
    number_of("PRESOLDER_SEED").unwrap_or(SEED)
}

fn extent() -> Extent {
    if number_of("PRESOLDER_WHOLE") == Some(1) { Extent::Whole } else { Extent::Short }
}

/// A random case on its way through the reader.
struct Drawn {
    number: u64,
    files: RandomCase,
    read: Result<Case, String>,
}

impl Drawn {
    fn of(number: u64) -> Drawn {
        let files = random_case(seed(), number, extent());
        let folder = tempfile::tempdir().expect("a folder");
        files.write(folder.path());
        let read = case::read(folder.path()).map_err(|error| error.to_string());
        Drawn { number, files, read }
    }

    /// Keeps the case for a closer look, where a folder is named for it.
    fn keep(&self) {
        let Ok(folder) = std::env::var("PRESOLDER_KEEP") else { return };
        let folder = PathBuf::from(folder).join(format!("{}-{}", seed(), self.number));
        fs::create_dir_all(&folder).expect("a folder");
        self.files.write(&folder);
    }
}

/// The cases of every `step`-th board that the reader accepts and whose unknown amplifiers can be laid out.
fn cases(step: u64) -> impl Iterator<Item = (Drawn, Case)> {
    (0..boards()).step_by(step as usize).filter_map(|number| {
        let drawn = Drawn::of(number);
        let case = drawn.read.as_ref().ok()?;
        let case = prepared(case).ok()?;
        Some((drawn, case))
    })
}

fn stand(case: &Case) -> Stand<'_> {
    Stand::new(case, &case.parts[0], CORNERS[0], case.board.nominal_input_v)
}

/// CPU time in s of the thread behind a path of the system; 0 where the system does not tell.
fn cpu_s(path: &Path) -> f64 {
    let text = fs::read_to_string(path).unwrap_or_default();
    text.split_whitespace().next().and_then(|ns| ns.parse::<f64>().ok()).map_or(0.0, |ns| ns * 1e-9)
}

fn thread_s() -> f64 {
    cpu_s(Path::new("/proc/thread-self/schedstat"))
}

/// Runs something; what takes too much CPU time is interrupted, and where that does not help the whole run ends with the board's name.
fn guarded<T>(what: &str, cancel: &Cancel, run: impl FnOnce() -> T) -> T {
    let task = fs::read_link("/proc/thread-self").unwrap_or_default();
    let path = Path::new("/proc").join(task).join("schedstat");
    let begin_s = cpu_s(&path);
    let (done, waits) = mpsc::channel::<()>();
    std::thread::scope(|scope| {
        scope.spawn(move || {
            while let Err(mpsc::RecvTimeoutError::Timeout) = waits.recv_timeout(Duration::from_millis(200)) {
                let used_s = cpu_s(&path) - begin_s;
                if used_s > HANGS_S {
                    cancel.cancel();
                }
                if used_s > 3.0 * HANGS_S {
                    eprintln!("{what} hangs and cannot be interrupted");
                    std::process::abort();
                }
            }
        });
        let result = run();
        drop(done);
        result
    })
}

/// What came of the runs of many boards.
#[derive(Default)]
struct Tally {
    boards: u64,
    refused: Vec<String>,
    computed: u64,
    not_computed: BTreeMap<String, u64>,
    broken: Vec<String>,
    /// Largest residual of an energy book, and largest as a share of what that book allows.
    largest_residual: (f64, f64),
    /// Boards whose runs reached an effort limit.
    given_up: BTreeSet<u64>,
    cpu_s: BTreeMap<&'static str, f64>,
    slowest: (f64, u64),
}

impl Tally {
    fn broken(&mut self, drawn: &Drawn, what: String) {
        println!("BROKEN board {} of seed {}: {what}", drawn.number, seed());
        self.broken.push(format!("board {} of seed {}: {what}", drawn.number, seed()));
        drawn.keep();
    }

    fn add(&mut self, drawn: &Drawn, what: &str, found: &Found) {
        self.computed += 1;
        for book in &found.books {
            let (residual, share) = self.largest_residual;
            self.largest_residual = (residual.max(book.residual), share.max(book.share()));
            if book.share().is_nan() || book.share() > 1.0 {
                self.broken(drawn, format!("{what}: the energy book is off by {book:?}"));
            }
        }
        let numbers =
            found.figures.values.iter().filter_map(|figure| Some((figure.quantity.id, figure.value.number()?)));
        for (id, _) in numbers.filter(|(_, number)| !number.is_finite()) {
            self.broken(drawn, format!("{what}: {id} is not finite"));
        }
    }

    fn add_failure(&mut self, drawn: &Drawn, what: &str, failure: &Failure) {
        let reason = reason(failure);
        *self.not_computed.entry(format!("{what}: {reason}")).or_default() += 1;
        if is_effort(failure) {
            self.given_up.insert(drawn.number);
        }
        if is_internal(failure) {
            self.broken(drawn, format!("{what}: {failure}"));
        } else {
            println!("board {} of seed {}: {what}: {failure}", drawn.number, seed());
        }
    }

    fn print(&self) {
        let missing: u64 = self.not_computed.values().sum();
        let all = self.computed + missing;
        println!("{} boards from seed {}: {} refused", self.boards, seed(), self.refused.len());
        self.refused.iter().for_each(|refused| println!("  {refused}"));
        println!("{all} conditions, {missing} of them not computed ({:.2} %)", 100.0 * missing as f64 / all as f64);
        self.not_computed.iter().for_each(|(reason, count)| println!("  {count} x {reason}"));
        println!("{} boards reached an effort limit", self.given_up.len());
        let (residual, share) = self.largest_residual;
        println!("largest residual of an energy book {residual:.1e}, and at most {share:.1e} of what it is allowed");
        println!("CPU time in s: {:.1?}; slowest board {:?}", self.cpu_s, self.slowest);
    }
}

/// Whether a run was given up since it took too much work.
fn is_effort(failure: &Failure) -> bool {
    matches!(
        failure,
        Failure::Engine(EngineError::Chatter { .. } | EngineError::Unresolved { .. } | EngineError::TooSlow { .. })
    )
}

/// A failure without its numbers, to be counted.
fn reason(failure: &Failure) -> String {
    let text = failure.to_string();
    let end = text.find([',', ':', ';']).unwrap_or(text.len());
    text[..end].chars().map(|c| if c.is_ascii_digit() { '#' } else { c }).collect()
}

/// Whether a failure says that the program is wrong, and not that the board does something that has no answer.
fn is_internal(failure: &Failure) -> bool {
    match failure {
        Failure::Engine(error) => !matches!(
            error,
            EngineError::Chatter { .. }
                | EngineError::Unresolved { .. }
                | EngineError::TooSlow { .. }
                | EngineError::NoSteadyState { .. }
                | EngineError::DoesNotDeliver { .. }
        ),
        Failure::Saturation(_) => true,
        Failure::Loss(_) | Failure::Synthesis(_) => false,
    }
}

/// Every board that is read answers in every condition, or says why it cannot: the steady state of all, and in turn one of the conditions
/// that it states.
#[test]
fn law_random_boards_answer_or_say_why_not() {
    let mut tally = Tally::default();
    for number in 0..boards() {
        let drawn = Drawn::of(number);
        tally.boards += 1;
        match &drawn.read {
            Ok(case) => {
                let begin_s = thread_s();
                let case = Case { cancel: Cancel::default(), ..case.clone() };
                let what = format!("board {number} of seed {}", seed());
                guarded(&what, &case.cancel, || answers(&drawn, &case, &mut tally));
                let used_s = thread_s() - begin_s;
                if used_s > SLOW_S {
                    println!("board {number} of seed {} takes {used_s:.1} s", seed());
                }
                if used_s > HANGS_S {
                    tally.broken(&drawn, format!("{used_s:.1} s of CPU time: it hangs"));
                }
                if used_s > tally.slowest.0 {
                    tally.slowest = (used_s, number);
                }
            }
            Err(refusal) => tally.refused.push(format!("board {number}: {refusal}")),
        }
    }
    tally.print();
    assert!(tally.refused.len() as f64 <= REFUSED * tally.boards as f64, "{} refused", tally.refused.len());
    let given_up = tally.given_up.len() as f64;
    assert!(given_up <= GIVEN_UP * tally.boards as f64, "effort limits on {:?}", tally.given_up);
    assert!(tally.broken.is_empty(), "{:#?}", tally.broken);
}

fn answers(drawn: &Drawn, case: &Case, tally: &mut Tally) {
    let Ok(prepared) = catch_unwind(|| prepared(case)) else {
        return tally.broken(drawn, "a panic in the layout of the amplifier".into());
    };
    let case = match prepared {
        Ok(case) => case,
        Err(failure) => return tally.add_failure(drawn, "layout of the amplifier", &failure),
    };
    let stand = stand(&case);
    let stated: Vec<_> = CONDITIONS.iter().filter(|condition| !condition.places(&stand).is_empty()).collect();
    let (steady, others) = stated.split_first().expect("a steady state");
    let whole = extent() == Extent::Whole;
    let one = drawn.number as usize % others.len().max(1);
    let chosen = others.iter().enumerate().filter(|(k, _)| whole || *k == one).map(|(_, condition)| condition);
    for condition in std::iter::once(steady).chain(chosen) {
        let places = condition.places(&stand);
        let first = if whole { 0 } else { places.len() - 1 };
        for place in &places[first..] {
            let begin_s = thread_s();
            let found = catch_unwind(AssertUnwindSafe(|| condition.simulate(&stand, *place)));
            *tally.cpu_s.entry(condition.name()).or_default() += thread_s() - begin_s;
            match found {
                Ok(Ok(found)) => tally.add(drawn, condition.name(), &found),
                Ok(Err(failure)) => tally.add_failure(drawn, condition.name(), &failure),
                Err(_) => tally.broken(drawn, format!("{}: a panic", condition.name())),
            }
        }
    }
}

fn at_full_load(stand: &Stand<'_>) -> Result<(Machine, SteadyResult), EngineError> {
    let (mut machine, _) =
        stand.machine(stand.full_load_a(), stand.case.board.ambient_degc).map_err(|failure| match failure {
            Failure::Engine(error) => error,
            other => panic!("{other}"),
        })?;
    let what = &stand.case.board.title;
    let steady = guarded(what, &stand.case.cancel, || measure(&mut machine, stand.full_load_a()));
    assert!(!matches!(steady, Err(EngineError::Interrupted)), "{what}: the search for its steady state hangs");
    Ok((machine, steady?))
}

/// Differences that rounding leaves in a stable orbit that is found again, of the voltage and of the ripple.
const SAME_ORBIT: f64 = 1e-7;

/// An orbit that repeats does so: a second round shows the same ranges as the first, and ends where it began.
#[test]
fn law_steady_states_of_random_boards_repeat() {
    let (mut seen, mut wandering) = (0, 0);
    for (drawn, case) in cases(3) {
        let stand = stand(&case);
        let Ok((mut machine, steady)) = at_full_load(&stand) else { continue };
        if !steady.orbit.repeats {
            wandering += 1;
            continue;
        }
        let mut state = machine.at_clock(steady.orbit.x);
        let mut program = Program::constant(steady.orbit.program_a);
        let mut round = || {
            let mut extremes = Extremes::of(&[Output::Voltage, Output::Inductor]);
            machine
                .run_control_cycles(&mut state, steady.orbit.periods, &mut program, &mut extremes, None)
                .expect("it runs");
            [Output::Voltage, Output::Inductor].map(|output| extremes.range(output))
        };
        let (first, second) = (round(), round());
        for ((a, b), size) in first.iter().zip(&second).zip([case.board.output_v, stand.full_load_a()]) {
            let off = (a.low - b.low).abs().max((a.high - b.high).abs()) / size;
            assert!(off <= SAME_ORBIT, "board {} of seed {}: the second round is off by {off:e}", drawn.number, seed());
        }
        seen += 1;
    }
    println!("{seen} orbits repeat, {wandering} waveforms do not");
    assert!(3 * seen >= 2 * (boards() / 3), "only {seen}");
}

/// The same board, everything in it slower by `time` and of `impedance` times the impedance.
fn scaled(case: &Case, time: f64, impedance: f64) -> Case {
    let mut case = case.clone();
    case.numerics.saturation_error_a /= impedance;
    for part in &mut case.parts {
        part.dcr_typical_ohm *= impedance;
        part.inductance_h *= time * impedance;
        let points = part.saturation.iter_mut().flat_map(|curve| &mut curve.points);
        points.for_each(|(current_a, inductance_h)| {
            *current_a /= impedance;
            *inductance_h *= time * impedance;
        });
    }
    let board = &mut case.board;
    board.frequency_hz /= time;
    board.procedure.instrument_hz /= time;
    board.procedure.leads_s *= time;
    board.load_a.iter_mut().for_each(|load_a| *load_a /= impedance);
    for branch in &mut board.output_bank {
        branch.capacitance_f *= time / impedance;
        branch.esr_ohm *= impedance;
        branch.esl_h *= time * impedance;
    }
    if let Some(step) = &mut board.load_step {
        (step.from_a, step.to_a) = (step.from_a / impedance, step.to_a / impedance);
        step.slew_a_per_s /= impedance * time;
        step.release_a_per_s /= impedance * time;
        step.every_s = step.every_s.map(|every_s| every_s * time);
        step.hold_s *= time;
    }
    scale_stage(board, time, impedance);
    scale_control(board, time, impedance);
    case
}

fn scale_stage(board: &mut Board, time: f64, impedance: f64) {
    board.stage.high_side_ohm *= impedance;
    match &mut board.stage.low_side {
        LowSide::Switch { on_ohm, dead_time_s, .. } => {
            *on_ohm *= impedance;
            *dead_time_s *= time;
        }
        LowSide::Diode { slope_ohm, .. } => *slope_ohm *= impedance,
    }
}

fn scale_control(board: &mut Board, time: f64, impedance: f64) {
    let control = &mut board.control;
    control.min_on_s *= time;
    control.min_off_s *= time;
    match &mut control.modulator {
        Modulator::VoltageMode { delay_s, .. } | Modulator::Hysteretic { delay_s, .. } => *delay_s *= time,
        Modulator::PeakCurrent { gain_a_per_v, slope_a_per_s, delay_s } => {
            *gain_a_per_v /= impedance;
            *slope_a_per_s /= impedance * time;
            *delay_s *= time;
        }
        Modulator::ConstantOnTime { on_time_s, delay_s } => {
            *on_time_s *= time;
            *delay_s *= time;
        }
        Modulator::FixedDuty { .. } => {}
    }
    match &mut control.compensator {
        Compensator::OpAmp { lead, c1_f, c2_f, gain_bandwidth_hz, .. } => {
            lead.iter_mut().for_each(|(_, c3_f)| *c3_f *= time);
            (*c1_f, *c2_f) = (*c1_f * time, *c2_f * time);
            *gain_bandwidth_hz /= time;
        }
        Compensator::Transconductance { cc_f, chf_f, .. } => (*cc_f, *chf_f) = (*cc_f * time, *chf_f * time),
        Compensator::Ripple { cff_f, injection, .. } => {
            *cff_f *= time;
            match injection {
                Some(Injection::SwitchNode { c_f, .. }) => *c_f *= time,
                Some(Injection::Inductor { c_f, coupling_f, .. }) => {
                    (*c_f, *coupling_f) = (*c_f * time, *coupling_f * time);
                }
                None => {}
            }
        }
        Compensator::Open => {}
    }
    scale_protection(board, time, impedance);
}

fn scale_protection(board: &mut Board, time: f64, impedance: f64) {
    let protection = &mut board.control.protection;
    protection.soft_start_s *= time;
    protection.skip_below_a /= impedance;
    let Some(limit) = &mut protection.current_limit else { return };
    limit.delay_s *= time;
    limit.inhibit_a = limit.inhibit_a.map(|inhibit_a| inhibit_a / impedance);
    limit.hiccup.iter_mut().for_each(|hiccup| hiccup.pause_s *= time);
    match &mut limit.sense {
        LimitSense::Winding { c_f, .. } => *c_f *= time,
        LimitSense::Peak { .. } | LimitSense::Valley => {
            let (lowest, typical, highest) = limit.threshold;
            limit.threshold = (lowest / impedance, typical / impedance, highest / impedance);
        }
    }
}

/// What a steady state and a load step show, in units that scaling leaves alone, and by how much rounding may change it.
type Shown = (Vec<(&'static str, f64)>, f64);

/// What a board shows; `None` where its waveform does not repeat, or hardly fades to one that does.
fn shown(case: &Case, time: f64, impedance: f64) -> Result<Option<Shown>, EngineError> {
    let stand = stand(case);
    let (mut machine, steady) = at_full_load(&stand)?;
    if !steady.orbit.repeats || steady.orbit.largest_multiplier() > FADES {
        return Ok(None);
    }
    let mut rounding = SAME_NUMBERS + ORBIT_RESIDUAL / (1.0 - steady.orbit.largest_multiplier());
    let full_a = stand.full_load_a();
    let mut all = vec![
        ("mean output", steady.mean_output_v() / case.board.output_v),
        ("duty", steady.duty()),
        ("ripple", steady.output.width() / case.board.output_v),
        ("ripple current", steady.current.width() / full_a),
        ("frequency", steady.cycles_hz() / case.board.frequency_hz),
        ("copper loss", steady.book.winding_j / steady.book.duration_s * impedance / case.board.output_v.powi(2)),
        (
            "cycle energy",
            steady.book.source_j * impedance / time / case.board.output_v.powi(2) * case.board.frequency_hz * time,
        ),
    ];
    if let Some(step) = &case.board.load_step {
        let low = measure(&mut machine, step.from_a)?;
        if low.orbit.repeats && low.orbit.largest_multiplier() <= FADES {
            rounding += ORBIT_RESIDUAL / (1.0 - low.orbit.largest_multiplier());
            let means = (low.mean_output_v(), steady.mean_output_v());
            let run = load_step::run(&mut machine, step, 0.0, &low.orbit, means, stand.half_band_v(), &mut ())?;
            if run.limited > 0 {
                rounding = LIMITED;
            }
            let peak_a = run.peak_a() / full_a;
            all.extend([("dip", run.dip_v() / means.0), ("rise", run.rise_v() / means.1), ("step's peak", peak_a)]);
        }
    }
    Ok(Some((all, rounding)))
}

/// Largest multiplier with which an orbit is found again well enough to compare: where less fades, what is left of its residual is
/// more than the smallest of the numbers compared.
const FADES: f64 = 1.0 - 1e-5;
/// Rounding of two runs that do the same in other units, as a share of output and full load: instants are found to 1e-12 of a period and
/// loops carry that on. An orbit besides is off by its residual over what fades in a cycle.
const SAME_NUMBERS: f64 = 1e-7;

/// As [`SAME_NUMBERS`] where a step runs into the current limit: at more than half of the period a limited cycle lets a disturbance
/// grow, D / (1 - D) times each, so that rounding becomes another sequence of the same range.
const LIMITED: f64 = 1e-2;

/// Time and impedance can be scaled: voltages, shares and ratios stay.
#[test]
fn law_random_boards_scale() {
    let (mut compared, mut wander, mut fail, mut all, mut off) = (0, 0, 0, 0, vec![]);
    for (drawn, case) in cases(5) {
        all += 1;
        let (time, impedance) = [(1.7, 1.0), (1.0, 2.3), (0.61, 0.37)][drawn.number as usize % 3];
        let (ours, other) = (shown(&case, 1.0, 1.0), shown(&scaled(&case, time, impedance), time, impedance));
        let name = format!("board {} of seed {}, time {time}, impedance {impedance}", drawn.number, seed());
        match (ours, other) {
            (Ok(Some((ours, rounding))), Ok(Some((other, _)))) if ours.len() == other.len() => {
                for ((what, a), (_, b)) in ours.iter().zip(&other).filter(|((_, a), (_, b))| (a - b).abs() > rounding) {
                    off.push(format!("{name}: {what} {a:e} and {b:e}, allowed {rounding:.1e}"));
                }
                compared += 1;
            }
            (Ok(None), Ok(None)) => wander += 1,
            (Err(a), Err(b)) if std::mem::discriminant(&a) == std::mem::discriminant(&b) => fail += 1,
            (a, b) => off.push(format!("{name}: one has {a:?}, the other {b:?}")),
        }
    }
    println!("{compared} of {all} boards scale; {wander} do not repeat or fade, {fail} fail in the same way");
    assert!(off.is_empty(), "{off:#?}");
    assert!(4 * compared >= 3 * all, "only {compared} of {all}");
}

/// Everything that a part shows, to the last bit.
fn bits(comparison: &Comparison, name: &str) -> String {
    let part = comparison.parts.iter().find(|part| part.name == name).expect("the part is there");
    format!("{:?}", part.results)
}

fn few(case: &mut Case) {
    if extent() == Extent::Short {
        case.board.input_v = vec![case.board.nominal_input_v];
        let (light, keeps) = (&mut case.board.events, case.board.load_step.is_none());
        light.light_load_a = None;
        light.overload = light.overload.filter(|_| keeps);
        light.short = light.short.filter(|_| keeps);
    }
}

fn compared(case: &Case) -> Comparison {
    corridor::compare(case, Depth::Quick, &|_, _| {}).unwrap_or_else(|failure| panic!("{failure}"))
}

/// Each check of a copy follows from the original's own state on it alone: met passes, and what is not met is no worse, or by a rating
/// of its own what the original would be as well.
fn assert_twin(verdicts: &[Verdict], name: &str) {
    let [original, twin] = verdicts else { panic!("{name}: {} verdicts", verdicts.len()) };
    assert_eq!(original.findings.len(), twin.findings.len(), "{name}");
    for finding in &twin.findings {
        let alone = matches!(finding.asked, Asked::Requirement(asked) if asked.is_alone());
        let expected = match (finding.original_state, alone) {
            (State::Met, _) => Outcome::Pass,
            (_, false) => Outcome::NoWorse,
            (State::Open, true) => Outcome::Undecided,
            (State::Missed, true) => Outcome::Fail,
        };
        let key = finding.key();
        assert_eq!((finding.state, finding.outcome), (finding.original_state, expected), "{name}: {key}");
        let same = original.findings.iter().find(|own| own.key() == key).map(|own| own.state);
        assert_eq!(same, Some(finding.state), "{name}: {key}");
    }
    assert!(twin.changes.is_empty() && twin.seen.is_empty(), "{name}: {:?}", twin.changes);
}

/// A copy of the original under another name is the original: every number to the last bit, and no change anywhere.
#[test]
fn law_a_copy_of_the_original_changes_nothing() {
    for (drawn, mut case) in cases(37) {
        few(&mut case);
        case.parts.truncate(1);
        case.parts.push(case.parts[0].clone());
        case.parts[1].name = "The same".into();
        let comparison = compared(&case);
        let name = format!("board {} of seed {}", drawn.number, seed());
        assert_eq!(bits(&comparison, "Part-0"), bits(&comparison, "The same"), "{name}");
        for cell in comparison.rows.iter().filter_map(|row| row.cells[1].as_ref()) {
            assert_eq!(Some(&cell.value), cell.original.as_ref(), "{name}: {:?}", cell.place);
        }
        assert_twin(&comparison.verdicts, &name);
    }
}

/// Neither the order of the parts nor the number of threads changes a bit.
#[test]
fn law_order_of_parts_and_threads_change_no_bit() {
    for (drawn, mut case) in cases(61) {
        few(&mut case);
        let with = |threads: usize, case: &Case| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("threads");
            pool.install(|| compared(case))
        };
        let one = with(1, &case);
        case.parts.swap(1, 2);
        let two = with(2, &case);
        for name in ["Part-0", "Part-1", "Part-2"] {
            let place = format!("board {} of seed {}, {name}", drawn.number, seed());
            assert_eq!(bits(&one, name), bits(&two, name), "{place}");
        }
    }
}

/// More winding resistance, more loss in it; and where a loop holds the output, more duty.
#[test]
fn law_copper_loss_and_duty_rise_with_the_winding_resistance() {
    /// Factor on the resistance.
    const MORE: f64 = 1.31;
    let mut compared = 0;
    for (drawn, case) in cases(4) {
        let regulated = matches!(case.board.control.modulator, Modulator::VoltageMode { .. });
        if !regulated && !matches!(case.board.control.modulator, Modulator::FixedDuty { .. }) {
            continue;
        }
        let stand = stand(&case);
        let at = |factor: f64| {
            let machine = stand.changed(case.board.ambient_degc, &[], |circuit| circuit.dcr_ohm *= factor);
            measure(&mut machine.expect("a machine").0, stand.full_load_a()).ok()
        };
        let (Some(less), Some(more)) = (at(1.0), at(MORE)) else { continue };
        let smooth = |steady: &SteadyResult| {
            let near = (steady.mean_output_v() / case.board.output_v - 1.0).abs() < 0.02;
            steady.conduction() == Conduction::Continuous
                && steady.orbit.periods == 1
                && steady.effort.limited == 0
                && steady.effort.omitted == 0
                && (near || !regulated)
        };
        if !smooth(&less) || !smooth(&more) {
            continue;
        }
        let name = format!("board {} of seed {}", drawn.number, seed());
        let loss_w = |steady: &SteadyResult| steady.book.winding_j / steady.book.duration_s;
        assert!(loss_w(&more) > loss_w(&less), "{name}: copper loss {} and {} W", loss_w(&less), loss_w(&more));
        let duties = (less.duty(), more.duty());
        let rises = if regulated { duties.1 > duties.0 } else { (duties.1 - duties.0).abs() < 1e-12 };
        assert!(rises, "{name}: duty {duties:?}");
        compared += 1;
    }
    println!("{compared} boards in continuous conduction without an event");
    assert!(compared >= boards() / 30, "only {compared}");
}

/// Bound of the piecewise-linear current as a share of the full load, and tolerance of the integrator.
const FINE: f64 = 1e-5;
const INTEGRATOR: f64 = 1e-9;
/// Cycles at most, samples a period, and offset of the first: none falls on a clock edge.
const MOST_CYCLES: u64 = 400;
/// Cycles at most where the steady waveform does not repeat: a difference up to doubles in each.
const WANDERING_CYCLES: u64 = 5;
const SAMPLES: f64 = 11.0;
const OFFSET: f64 = 0.0137;
/// Largest differences as shares of output and full load: the bound of the curve, times what a loop makes of it in some hundred cycles.
const AGREES: (f64, f64) = (1e-3, 1e-2);
/// Largest shift of an edge as a share of the period: what the bound of the curve adds up to in some hundred cycles without a clock.
const SHIFT: f64 = 1e-2;

/// The steady state and one event of every tenth board (of a few in an ordinary run) by the independent integration.
#[test]
fn outside_random_boards_by_the_independent_integration() {
    let step = if number_of("PRESOLDER_BOARDS").is_some() { 10 } else { 50 };
    let (mut compared, mut parted, mut off) = (0, 0, vec![]);
    for (drawn, mut case) in cases(step) {
        case.numerics.saturation_error_a = FINE * case.board.full_load_a();
        let event =
            ["load step", "start", "short circuit", "overload", "input step"][(drawn.number / step) as usize % 5];
        let wanders = at_full_load(&stand(&case)).is_ok_and(|(_, steady)| !steady.orbit.repeats);
        let most = if wanders { WANDERING_CYCLES } else { MOST_CYCLES };
        for condition in ["steady", event] {
            let Ok(Some(difference)) = checked(&case, condition, most) else { continue };
            compared += 1;
            parted += u64::from(difference.parted.is_some());
            let shares = (difference.output_v / case.board.output_v, difference.current_a / case.board.full_load_a());
            println!("board {}, {condition}: {:.1e} {:.1e} {difference:?}", drawn.number, shares.0, shares.1);
            // A shift of an edge is seen as its time times the slope of the current there.
            let steepest_a_per_s = case.board.highest_input_v() / case.parts[0].inductance_h;
            let drift = steepest_a_per_s * difference.turn_off_s / case.board.full_load_a();
            let shifts = difference.turn_off_s * case.board.frequency_hz > SHIFT;
            if shares.0 > AGREES.0 || shares.1 > AGREES.1 + drift || shifts {
                off.push(format!("board {} of seed {}, {condition}: {difference:?}", drawn.number, seed()));
                drawn.keep();
            }
        }
    }
    println!("{compared} runs, {parted} of them part");
    assert!(off.is_empty(), "{off:#?}");
    assert!(compared >= boards() / step, "only {compared}");
}

fn checked(case: &Case, condition: &str, most: u64) -> Result<Option<Difference>, Failure> {
    let set_up = find(condition).expect("a condition").set_up(&stand(case), &Wish::default())?;
    let Some(Setup { mut machine, curve, begin, program, cycles, .. }) = set_up else { return Ok(None) };
    let cycles = cycles.unwrap_or(50).min(most);
    let period_s = machine.period_s();
    let (every_s, offset_s) = (period_s / SAMPLES, OFFSET * period_s);
    Ok(Some(compare(&mut machine, &curve, begin, cycles, &program, every_s, offset_s, INTEGRATOR)?))
}
