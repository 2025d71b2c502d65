//! Cases with constant on-time and hysteretic control: what the reader makes of their keys, and what it refuses.

use std::path::{Path, PathBuf};

use presolder::board::{Compensator, Injection, Modulator};
use presolder::case::{self, Case};
use presolder::error::{Error, Problem};

/// A copy of the oven panel with texts of its board replaced.
fn changed(changes: &[(&str, &str)]) -> (tempfile::TempDir, PathBuf) {
    let from = Path::new(env!("CARGO_MANIFEST_DIR")).join("cases/oven-panel");
    let keep = tempfile::tempdir().expect("temporary folder");
    let folder = keep.path().join("oven-panel");
    std::fs::create_dir(&folder).expect("a folder for the copy");
    std::fs::copy(from.join("parts.toml"), folder.join("parts.toml")).expect("a copy");
    let mut text = std::fs::read_to_string(from.join("board.toml")).expect("the board");
    for (old, new) in changes {
        assert!(text.contains(old), "the board does not contain {old:?}");
        text = text.replacen(old, new, 1);
    }
    std::fs::write(folder.join("board.toml"), text).expect("writing the copy");
    (keep, folder)
}

fn read(changes: &[(&str, &str)]) -> Case {
    let (_keep, folder) = changed(changes);
    case::read(&folder).unwrap_or_else(|error| panic!("{error}"))
}

fn problem(changes: &[(&str, &str)]) -> Problem {
    let (_keep, folder) = changed(changes);
    let Error::Case(problems) = case::read(&folder).expect_err("the case is wrong") else { panic!("another error") };
    assert_eq!(problems.len(), 1, "{problems:#?}");
    problems[0].clone()
}

/// From constant on-time to a band.
const BAND: (&str, &str) = (
    "kind    = \"constant-on-time\"\non_time = { value = \"167 ns\", origin = \"measured\", note = \"at 12 V; falls with the input\" }",
    "kind = \"hysteretic\"\nband = \"31 mV\"",
);
/// From a limit of the valley to one of the peak.
const PEAK: (&str, &str) = ("kind    = \"valley\"", "kind = \"peak\"\ndelay = \"100 ns\"");
const RB: &str = "rb                    = \"8.06 kohm\"";

#[test]
fn law_keys_read_to_si() {
    let control = read(&[]).board.control;
    assert_eq!(control.modulator, Modulator::ConstantOnTime { on_time_s: 167e-9, delay_s: 60e-9 });
    let expected = Compensator::Ripple {
        reference_v: 0.6,
        r1_ohm: 7.5e3,
        rb_ohm: 8.06e3,
        cff_f: 470e-12,
        injection: Some(Injection::SwitchNode { r_ohm: 75e3, c_f: 100e-9 }),
    };
    assert_eq!(control.compensator, expected);
    let control = read(&[BAND, PEAK, (RB, "rb = \"7.5 kohm\"")]).board.control;
    assert_eq!(control.modulator, Modulator::Hysteretic { band_v: 31e-3, delay_s: 60e-9 });
}

#[test]
fn closed_form_lower_divider_where_it_is_not_stated() {
    let lower_ohm = |changes: &[(&str, &str)]| {
        let case = read(changes);
        let note = case
            .origins
            .iter()
            .find(|o| o.datum() == "board: control.compensator.rb")
            .expect("an estimate")
            .note()
            .into_owned();
        let Compensator::Ripple { rb_ohm, .. } = case.board.control.compensator else { panic!("another compensator") };
        (rb_ohm, note)
    };
    // A band lies about the reference: R1 Vref / (Vout - Vref).
    let (rb_ohm, note) = lower_ohm(&[BAND, PEAK, (RB, "")]);
    assert!((rb_ohm / 7.5e3 - 1.0).abs() < 1e-12 && !note.contains("ripple"), "{note}");
    // A valley lies at the reference, so the mean is half of (Vin - Vout) t_on / (R C_ff) above it.
    let tap_v = 0.6 + 0.5 * (12.0 - 1.2) * 167e-9 / (75e3 * 470e-12);
    let (rb_ohm, note) = lower_ohm(&[(RB, "")]);
    assert!(
        (rb_ohm / (7.5e3 * tap_v / (1.2 - tap_v)) - 1.0).abs() < 1e-12 && note.contains("half the injected ripple")
    );
}

#[test]
fn error_keys_that_do_not_fit_together() {
    let amplifier = "the comparator looks at the output itself";
    let ota = "kind                  = \"transconductance\"\ngm = \"240 uS\"\nro = \"4 Mohm\"\nrc = \"51 kohm\"\ncc = \"330 pF\"\nclamp_high = \"1 V\"";
    let networks = "r1                    = \"7.5 kohm\"\nrb                    = \"8.06 kohm\"     # the valley is regulated: set for a mean of 1.2 V\ncff                   = \"470 pF\"\ninjection_resistance  = { value = \"75 kohm\", origin = \"measured\", note = \"1 %, ohmmeter\" }\ninjection_capacitance = \"100 nF\"\n";
    let found = problem(&[("kind                  = \"ripple\"", ota), (networks, "")]);
    assert!(found.key == "control.compensator.kind" && found.expected.contains(amplifier), "{found}");

    let peak = "kind = \"peak-current\"\ncurrent_gain = \"5 A/V\"\nslope = \"0.4 A/us\"";
    let found = problem(&[(BAND.0, peak), PEAK]);
    assert!(found.key == "control.compensator.kind" && found.expected.contains("an amplifier"), "{found}");

    let found = problem(&[("injection_capacitance = \"100 nF\"\n", "")]);
    assert!(found.expected.contains("injection_resistance and injection_capacitance together"), "{found}");

    let found = problem(&[("on_time = {", "band = \"20 mV\"\non_time = {")]);
    assert!(found.key == "control.modulator.band" && found.hint.contains("hysteretic"), "{found}");

    // With a fixed on-time the shortest off-time bounds the duty; a band gives way in its period.
    let slow = ("min_off    = \"220 ns\"", "min_off = \"1.7 us\"");
    let found = problem(&[slow]);
    assert!(found.key == "control.min_off" && found.expected.contains("at most"), "{found}");
    read(&[BAND, PEAK, (RB, ""), slow]);
}

#[test]
fn law_doubts_are_listed() {
    let case = read(&[BAND, PEAK, (RB, "")]);
    assert!(case.board.control.protection.current_limit.is_some() && case.warnings.is_empty(), "{:?}", case.warnings);

    let case = read(&[("\"167 ns\"", "\"201 ns\"")]);
    assert!(case.warnings.iter().any(|w| w.contains("more than 10 % off the frequency")), "{:?}", case.warnings);

    let case = read(&[("\"8.06 kohm\"", "\"7.5 kohm\"")]);
    assert!(case.warnings.len() == 1 && case.warnings[0].contains("the divider sets"), "{:?}", case.warnings);
}
