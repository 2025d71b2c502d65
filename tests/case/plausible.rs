//! Doubts about what was typed: each comes with a case that trips it, names file and line, and changes nothing. No demo board trips any.

use crate::reading::{changed, demo};
use presolder::case::plausible::PLAUSIBLE;
use presolder::case::read;
use std::collections::BTreeSet;
use std::fs::read_to_string;

const KIOSK: &str = "ticket-kiosk";
const BOARD: &str = "board.toml";
const PARTS: &str = "parts.toml";

/// One doubt: its identifier, file, what is replaced and by what, the key, and what the doubt says. The line is that of the new text.
type Doubt = (&'static str, &'static str, &'static str, &'static str, &'static str, &'static [&'static str]);

#[rustfmt::skip] // one doubt a row, as a table
const DOUBTS: &[Doubt] = &[
    // A step of milliamperes on a rail of 4 A.
    ("load_step", BOARD, "from = \"1.0 A\"\nto   = \"3.5 A\"", "from = \"1.0 mA\"\nto   = \"3.5 mA\"", "load.step.to", &["3.5 mA: share of the full load 0.0875 %, usual is 2 % to 200 %", "3.5 A would be plausible"]),
    ("limit", BOARD, "lowest  = { value = \"5.8 A\", origin = \"guaranteed\" }\ntypical = { value = \"6.3 A\", origin = \"typical\" }\nhighest = { value = \"6.9 A\", origin = \"guaranteed\" }", "lowest = \"5.6 kA\"\ntypical = \"6.3 kA\"\nhighest = \"6.9 kA\"", "control.current_limit.typical", &["6.3 kA: share of the full load 158000 %", "6.3 A would be plausible"]),
    ("ripple_limit", BOARD, "ripple              = \"40 mV\"", "ripple              = \"40 uV\"", "limits.ripple", &["40 mV would be plausible"]),
    ("step_limit", BOARD, "\"240 mV\"", "\"0.24 mV\"", "limits.step_deviation", &["240 \u{b5}V: share of the output voltage 0.002 %", "240 mV would be plausible"]),
    ("recovery_limit", BOARD, "\"300 us\"", "\"0.3 us\"", "limits.recovery", &["300 \u{b5}s would be plausible"]),
    ("output_filter", BOARD, "\"150 uF\"", "\"150 mF\"", "output.capacitors[1].capacitance", &["150 mF: switching frequency over the resonance of the output filter", "150 \u{b5}F would be plausible"]),
    ("bias", BOARD, "\"13 uF\", origin", "\"23 uF\", origin", "output.capacitors[0].capacitance", &["23 \u{b5}F: share of the printed capacitance 105 %, usual is 5 % to 100 %", "may be swapped"]),
    ("ceramic_esr", BOARD, "\"3.9 mohm\"", "\"3.9 ohm\"", "output.capacitors[0].esr", &["3.9 ohm: esr x capacitance of a ceramic 50.7 \u{b5}s, usual is at most 3 \u{b5}s", "3.9 mohm would be plausible"]),
    ("esr", BOARD, "\"180 mohm\"", "\"99 ohm\"", "input.capacitors[1].esr", &["99 ohm: esr x capacitance 9.9 ms", "99 mohm would be plausible"]),
    ("ripple_ratio", PARTS, "inductance  = \"33 uH\"", "inductance  = \"33 nH\"", "Alder-33: inductance", &["33 nH: ripple current as a share of the full load 27300 %", "33 \u{b5}H would be plausible"]),
    ("drop", PARTS, "dcr_typical = \"44 mohm\"\ndcr_max     = { value = \"50 mohm\", origin = \"guaranteed\" }", "dcr_typical = \"440 mohm\"\ndcr_max = \"500 mohm\"", "Alder-33: dcr_typical", &["440 mohm: share of the output voltage that the winding takes at full load 14.7 %", "smaller load"]),
    ("winding", PARTS, "dcr_typical = \"44 mohm\"", "dcr_typical = \"44 uohm\"", "Alder-33: dcr_typical", &["44 \u{b5}ohm: inductance over winding resistance 750 ms", "44 mohm would be plausible"]),
    ("saturation", PARTS, "\"7.8 A\"", "\"7.8 mA\"", "Alder-33: saturation_current", &["7.8 mA: share of the full load 0.195 %", "7.8 A would be plausible"]),
    ("heating", PARTS, "\"4.9 A\"", "\"4.9 mA\"", "Alder-33: heating_current", &["4.9 mA: ", "4.9 A would be plausible"]),
    ("heating_rise", PARTS, "\"32.7 K/W\"", "\"92 K/W\"", "Alder-33: thermal_resistance", &["92 K/W: rise at the heating current as a share of the stated one ", "not of one part"]),
    ("resonance", PARTS, "\"9.5 MHz\"", "\"0.6 MHz\"", "Alder-33: self_resonance", &["600 kHz: multiple of the switching frequency 2.4, usual is at least 3", "hardly an inductance"]),
    ("winding_capacitance", PARTS, "\"9.5 MHz\"", "\"9.5 GHz\"", "Alder-33: self_resonance", &["9.5 MHz would be plausible"]),
    ("core_loss", PARTS, "\"110 mW\"", "\"110 W\"", "Alder-33: core_loss", &["110 W: share of the output power 229 %", "110 mW would be plausible"]),
    ("length", PARTS, "\"12.3 mm\"\nbody_width", "\"9.3 mm\"\nbody_width", "Alder-33: body_length", &["9.3 mm: share of it that the terminals take over all 140 %", "of two parts"]),
    ("width", PARTS, "body_width      = \"12.3 mm\"", "body_width      = \"4.1 mm\"", "Alder-33: body_width", &["4.1 mm: share of it that a terminal takes 112 %"]),
];

#[test]
fn law_each_doubt_is_told_with_file_line_and_likely_meaning() {
    for (id, file, old, new, key, says) in DOUBTS {
        let nominal = ("board.toml", "count         = 3\n", "count         = 3\nnominal_capacitance = \"22 uF\"\n");
        let (_keep, folder) = changed(KIOSK, &[nominal, (file, old, new)]);
        let case = read(&folder).unwrap_or_else(|error| panic!("{id}: {error}"));
        let found: Vec<&String> = case.warnings.iter().filter(|doubt| doubt.contains(&format!(": {key}: "))).collect();
        assert!(!found.is_empty(), "{id}: {:?}", case.warnings);
        let text = read_to_string(folder.join(file)).expect("the file");
        let last = key.rsplit(['.', ' ']).next().expect("a key");
        let begin = text.find(new).expect("the new text");
        let line = text[..begin].matches('\n').count() + 1;
        let within = new.lines().position(|line| line.starts_with(last)).unwrap_or(0);
        assert!(found[0].starts_with(&format!("{file}:{}: {key}: ", line + within)), "{id}: {}", found[0]);
        says.iter().for_each(|part| assert!(found[0].contains(part), "{id}: {}\nlacks {part}", found[0]));
    }
    let tested: BTreeSet<&str> = DOUBTS.iter().map(|doubt| doubt.0).collect();
    let known: BTreeSet<&str> = PLAUSIBLE.iter().map(|row| row.id).collect();
    assert_eq!(tested, known);
}

#[test]
fn law_what_is_typed_at_the_demo_boards_is_plausible() {
    for name in ["buoy-winch", "oven-panel", "river-gauge", "ticket-kiosk", "valve-controller"] {
        assert_eq!(demo(name).warnings, Vec::<String>::new(), "{name}");
    }
}

/// A doubt corrects nothing.
#[test]
fn law_a_doubt_leaves_the_datum_as_it_is() {
    let (_keep, folder) = changed(KIOSK, &[(PARTS, "\"9.5 MHz\"", "\"0.6 MHz\"")]);
    let case = read(&folder).unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(case.parts[0].self_resonance_hz, Some(0.6e6));
}

/// Curve and ratings are held against each other.
#[test]
fn law_a_curve_that_belongs_to_another_part_is_doubted() {
    let doubts = |old: &str, new: &str| {
        let (_keep, folder) = changed(KIOSK, &[(PARTS, old, new)]);
        read(&folder).unwrap_or_else(|error| panic!("{error}")).warnings.join("\n")
    };
    let text =
        doubts("[0, 33], [3.9, 33], [5.46, 32.5], [6.24, 31.8]", "[0, 43], [3.9, 33], [5.46, 32.5], [6.24, 31.8]");
    assert!(text.contains("begins at 43 \u{b5}H, outside the tolerance of the nominal inductance"), "{text}");
    assert!(text.starts_with("parts.toml:") && text.contains(": Alder-33: saturation: "), "{text}");
    let text = doubts("\"7.8 A\"", "\"7.1 A\"");
    assert!(text.contains("the rating says 30.0 %; curve and rating may be of two parts"), "{text}");
}
