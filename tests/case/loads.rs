//! Named load steps and load profiles: what is refused in which words, and what is read.

use crate::folders::copy;
use presolder::board::{Course, LoadStep};
use presolder::case::{self, Case};
use presolder::error::{Error, Problem};
use std::path::{Path, PathBuf};

const CASE: &str = "valve-controller";
const STEP: &str = "[[load.steps]]\nname = \"motor\"\nfrom = \"0.4 A\"\nto = \"2.7 A\"\nslew = \"3 A/us\"\n";
const PROFILE: &str = "[[load.profiles]]\nname = \"radio\"\nkind = \"file\"\nfile = \"radio.csv\"\n";
const RANDOM: &str = "[[load.profiles]]\nname = \"noise\"\nkind = \"random\"\nfrom = \"0.4 A\"\nto = \"2.7 A\"\nslew = \"3 A/us\"\n\
                      shortest = \"7 us\"\nlongest = \"170 us\"\nduration = \"3 ms\"\nseed = 11\n";
const TABLE: &str = "time [us],current [A]\n0,0.5\n12.5,2.3\n30,0.7\n";

/// The demo case with lines behind those of its board, and a table.
struct With {
    _keep: tempfile::TempDir,
    folder: PathBuf,
}

impl With {
    fn new(lines: &str, table: &str) -> With {
        let keep = tempfile::tempdir().expect("a temporary folder");
        let folder = keep.path().join(CASE);
        copy(&Path::new(env!("CARGO_MANIFEST_DIR")).join("cases").join(CASE), &folder);
        let board = std::fs::read_to_string(folder.join("board.toml")).expect("the board");
        std::fs::write(folder.join("board.toml"), format!("{board}\n{lines}")).expect("the board");
        std::fs::write(folder.join("radio.csv"), table).expect("the table");
        With { _keep: keep, folder }
    }

    fn read(&self) -> Case {
        case::read(&self.folder).unwrap_or_else(|error| panic!("{error}"))
    }

    fn problems(&self) -> Vec<Problem> {
        let Err(Error::Case(problems)) = case::read(&self.folder) else { panic!("the case is wrong") };
        problems
    }
}

/// What replaces a piece of the lines; key, what was found, what was expected, hint.
type Wrong = [&'static str; 6];

/// One problem, at the line that holds what was found.
fn check(lines: &str, all: &[Wrong]) {
    for [old, new, key, found, expected, hint] in all {
        assert!(lines.contains(old), "{old:?}");
        let with = With::new(&lines.replacen(old, new, 1), TABLE);
        let problems = with.problems();
        assert_eq!(problems.len(), 1, "{new:?}: {problems:#?}");
        let p = &problems[0];
        assert_eq!((p.file.as_str(), p.key.as_str(), p.found.as_str()), ("board.toml", *key, *found), "{p}");
        assert!(p.line > 100 && p.expected.contains(expected) && p.hint.contains(hint), "{p}");
    }
}

#[test]
#[rustfmt::skip]
fn error_load_steps() {
    check(STEP, &[
        ["name = \"motor\"\n", "", "load.steps[0].name", "nothing", "the key name", "\"motor\""],
        ["\"3 A/us\"", "\"0 A/us\"", "load.steps[0].slew", "\"0 A/us\"", "slew from", ""],
        ["\"2.7 A\"", "\"0.3 A\"", "load.steps[0].to", "\"0.3 A\"", "above from = 400 mA", "release"],
        ["\"2.7 A\"", "\"27 A\"", "load.steps[0].to", "\"27 A\"", "below the lowest current-limit threshold", "limit at work"],
        ["\"0.4 A\"", "\"0 A\"", "load.steps[0].from", "\"0 A\"", "current from 1 mA", ""],
        ["slew =", "slow =", "load.steps[0].slow", "slow", "a known key", "did you mean slew?"],
        ["slew = \"3 A/us\"\n", "slew = \"3 A/us\"\nrelease_slew = \"0 A/us\"\n", "load.steps[0].release_slew", "\"0 A/us\"", "slew from", ""],
        ["slew = \"3 A/us\"\n", "slew = \"3 A/us\"\nrepeat = \"0 Hz\"\n", "load.steps[0].repeat", "\"0 Hz\"", "frequency from 1 Hz", ""],
        ["slew = \"3 A/us\"\n", "slew = \"3 A/us\"\nrepeat = \"210 kHz\"\n", "load.steps[0].repeat", "\"210 kHz\"", "at most half the switching frequency, 200 kHz", "slower"],
        ["slew = \"3 A/us\"\n", "slew = \"3 A/us\"\nrepeat = \"20 kHz\"\nhold = \"49 us\"\n", "load.steps[0].hold", "\"49 us\"", "within 50 µs", "less often"],
        ["slew = \"3 A/us\"\n", "slew = \"10 A/ms\"\nrepeat = \"20 kHz\"\n", "load.steps[0].repeat", "\"20 kHz\"", "edges of 230 µs", "faster"],
        ["slew = \"3 A/us\"\n", "slew = \"3 A/us\"\nrepeat = \"20 kHz\"\nrecovery = \"90 us\"\n", "load.steps[0].recovery", "\"90 us\"", "no such key with repeat", "leave out"],
        ["slew = \"3 A/us\"\n", "slew = \"3 A/us\"\ndeviation = \"90\"\n", "load.steps[0].deviation", "\"90\"", "voltage with its unit", ""],
    ]);
    let twice = With::new(&format!("{STEP}{STEP}"), TABLE).problems();
    assert_eq!((twice.len(), twice[0].key.as_str()), (1, "load.steps[1].name"), "{twice:?}");
    let shared = With::new(&format!("{STEP}{}", PROFILE.replace("radio\"\n", "motor\"\n")), TABLE).problems();
    assert_eq!((shared.len(), shared[0].key.as_str(), shared[0].found.as_str()), (1, "load.profiles[0].name", "\"motor\""));
    assert!(shared[0].expected.contains("a name of its own"), "{}", shared[0]);
}

#[test]
#[rustfmt::skip]
fn error_load_profiles() {
    check(PROFILE, &[
        ["\"radio.csv\"", "\"radios.csv\"", "load.profiles[0].file", "\"radios.csv\"", "a readable file, but \"radios.csv\" is: no such file", "relative"],
        ["\"radio.csv\"", "\"/radio.csv\"", "load.profiles[0].file", "\"/radio.csv\"", "a path relative to the case", "loads/radio.csv"],
        ["file = \"radio.csv\"\n", "", "load.profiles[0].file", "nothing", "the key file", "radio.csv"],
        ["\"file\"", "\"files\"", "load.profiles[0].kind", "\"files\"", "one of file, random", "\"file\""],
        ["file = \"radio.csv\"\n", "file = \"radio.csv\"\nseed = 3\n", "load.profiles[0].seed", "seed", "no such key with kind = \"file\"", "random"],
    ]);
    check(RANDOM, &[
        ["\"3 A/us\"", "\"0 A/us\"", "load.profiles[0].slew", "\"0 A/us\"", "slew from", ""],
        ["\"2.7 A\"", "\"0.3 A\"", "load.profiles[0].to", "\"0.3 A\"", "above from = 400 mA", ""],
        ["\"170 us\"", "\"6 us\"", "load.profiles[0].longest", "\"6 us\"", "at least shortest = 7 µs", "swapped"],
        ["\"3 ms\"", "\"30 us\"", "load.profiles[0].duration", "\"30 us\"", "at least longest = 170 µs", "swapped"],
        ["seed = 11", "seed = -1", "load.profiles[0].seed", "-1", "a whole number from 0", ""],
    ]);
}

/// A table; line, what was found, what was expected, hint.
type WrongTable = (&'static str, usize, &'static str, &'static str, &'static str);

#[test]
#[rustfmt::skip]
fn error_tables_of_load_profiles() {
    let all: &[WrongTable] = &[
        ("", 0, "an empty file", "a header line and at least one row", "export"),
        ("time [us],current [A]\n", 0, "a header without rows", "a header line and at least one row", "export"),
        ("time [us],current [A]\n0,0.5\n", 2, "0", "at least two points", "straight"),
        ("time [us],current [A]\n0,0.5\n12,2.3\n12,0.7\n", 4, "12", "a time above 12 µs of the row before", "each time once"),
        ("time [us],current [A]\n0,0.5\n12,2.3\n7,0.7\n", 4, "7", "a time above 12 µs of the row before", "sort"),
        ("time [us],current [A]\n0,0.5\n12,23\n30,0.7\n", 3, "23", "below the lowest current-limit threshold", "limit at work"),
        ("time [us],current [A]\n0,0.5\n12,0\n30,0.7\n", 3, "0", "a current from 1 mA to 1 kA", "without load"),
        ("time [us],current [A]\n0,0.5\n12,-2\n30,0.7\n", 3, "-2", "a current from 1 mA to 1 kA", "without load"),
        ("time [us],current [A]\n0,0.5\n12,x\n30,0.7\n", 3, "x", "current with its unit", ""),
        ("time,current\n0,0.5\n12,2.3\n", 2, "0", "time with its unit", ""),
        ("time [uV],current [A]\n0,0.5\n12,2.3\n", 1, "time [uV]", "time with its unit", ""),
        ("t [us],current [A]\n0,0.5\n12,2.3\n", 1, "nothing", "a column time", "time [us]"),
        ("time [us],current [A],note [A]\n0,0.5,1\n12,2.3,1\n", 1, "note [A]", "the columns time and current alone", "remove"),
        ("time [us],current [A]\n0,0.5\n12\n", 3, "12", "2 fields as in the header, not 1", "separator"),
        ("time [s],current [A]\n0,0.5\n12.5,2.3\n", 3, "12.5", "a profile of at most 10 s, not 12.5 s", "unit"),
    ];
    for (table, line, found, expected, hint) in all {
        let problems = With::new(PROFILE, table).problems();
        let p = &problems[0];
        assert_eq!((p.file.as_str(), p.line, p.found.as_str()), ("radio.csv", *line, *found), "{table:?}: {problems:#?}");
        assert!(p.expected.contains(expected) && p.hint.contains(hint), "{p}");
        // What cannot be read at all is told once; a number without a unit in each row.
        assert!(problems.len() == 1 || *table == "time,current\n0,0.5\n12,2.3\n", "{problems:#?}");
    }
}

#[test]
fn law_loads_are_read_to_si() {
    let more = "release_slew = \"0.5 A/us\"\nrepeat = \"12.5 kHz\"\ndeviation = \"310 mV\"\n";
    let plain = STEP.replace("motor", "pump") + "recovery = \"90 us\"\n";
    let case = With::new(&format!("{STEP}{more}{plain}{PROFILE}{RANDOM}"), TABLE).read();
    let loads = &case.board.loads;
    let names: Vec<&str> = loads.iter().map(|load| load.name.as_str()).collect();
    assert_eq!(names, ["motor", "pump", "radio", "noise"]);
    let Course::Step(motor) = loads[0].course else { panic!("a step") };
    let every_s = 1.0 / 12.5e3;
    let hold_s = 0.5 * every_s - (2.7 - 0.4) / 3e6;
    let wanted =
        LoadStep { from_a: 0.4, to_a: 2.7, slew_a_per_s: 3e6, release_a_per_s: 0.5e6, hold_s, every_s: Some(every_s) };
    assert!((motor.hold_s - hold_s).abs() < 1e-15);
    assert_eq!(motor, LoadStep { hold_s: motor.hold_s, ..wanted });
    assert_eq!((loads[0].deviation_v, loads[0].recovery_s, loads[1].recovery_s), (Some(0.31), None, Some(90e-6)));
    let Course::Step(pump) = loads[1].course else { panic!("a step") };
    assert_eq!((Some(pump.hold_s), pump.every_s), (case.board.load_step.map(|step| step.hold_s), None));
    let Course::Profile(radio) = &loads[2].course else { panic!("a profile") };
    assert_eq!(radio.points.to_vec(), [(0.0, 0.5), (12.5e-6, 2.3), (30e-6, 0.7)]);
    assert!(case.files.iter().any(|file| file.path == "radio.csv"), "its hash stands in the record");
    assert!(case.warnings.iter().all(|warning| !warning.contains("radio.csv")), "{:?}", case.warnings);
}

#[test]
fn law_random_profiles_are_the_same_for_a_seed_and_within_their_bounds() {
    let points = |seed: &str| {
        let case = With::new(&RANDOM.replace("seed = 11", seed), TABLE).read();
        let Course::Profile(profile) = &case.board.loads[0].course else { panic!("a profile") };
        profile.points.to_vec()
    };
    let [one, same, other] = ["seed = 11", "seed = 11", "seed = 12"].map(points);
    assert_eq!(one, same);
    assert_ne!(one, other);
    assert!(one[0].0 == 0.0 && one.len() > 60 && one[one.len() - 1].0 > 3e-3);
    for pair in one.windows(2) {
        let (by_s, by_a) = (pair[1].0 - pair[0].0, (pair[1].1 - pair[0].1).abs());
        // Times add up, and are differences of what has been added up.
        assert!(
            if by_a > 0.0 { (by_a / by_s / 3e6 - 1.0).abs() < 1e-6 } else { (7e-6..170e-6).contains(&by_s) },
            "{pair:?}"
        );
        assert!([0.4, 2.7].contains(&pair[0].1));
    }
}
