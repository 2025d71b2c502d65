//! Wrong cases: each is a demo case with one wrong thing in it, and the message must name file, line, key, what was
//! found, what was expected and what to do.

use crate::folders::copy;
use std::path::{Path, PathBuf};

use presolder::case;
use presolder::error::{Error, Problem};

#[path = "../support/mutants.rs"]
mod mutants;

const KIOSK: &str = "ticket-kiosk";
const VALVE: &str = "valve-controller";
const OVEN: &str = "oven-panel";
const WINCH: &str = "buoy-winch";
const GAUGE: &str = "river-gauge";
const BOARD: &str = "board.toml";
const TOML: &str = "parts.toml";
const CSV: &str = "parts.csv";
const CURVE: &str = "curves/kestrel-10-25.csv";

/// A folder that goes away with the test.
struct Copy {
    _keep: tempfile::TempDir,
    folder: PathBuf,
}

impl Copy {
    fn of(demo: &str) -> Copy {
        let keep = tempfile::tempdir().expect("temporary folder");
        let folder = keep.path().join(demo);
        copy(&Path::new(env!("CARGO_MANIFEST_DIR")).join("cases").join(demo), &folder);
        Copy { _keep: keep, folder }
    }

    fn text(&self, file: &str) -> String {
        std::fs::read_to_string(self.folder.join(file)).expect("a file of the case")
    }

    fn write(&self, file: &str, bytes: impl AsRef<[u8]>) {
        std::fs::write(self.folder.join(file), bytes).expect("writing the copy");
    }

    fn replace(&self, file: &str, old: &str, new: &str) {
        let text = self.text(file);
        assert!(text.contains(old), "{file} does not contain {old:?}");
        self.write(file, text.replacen(old, new, 1));
    }

    fn problems(&self) -> Vec<Problem> {
        let error = case::read(&self.folder).expect_err("the case is wrong");
        assert_eq!(error.exit_code(), 2);
        let shown = error.to_string();
        assert!(!shown.contains('\u{1b}'), "no colour codes unless asked for");
        self.program_says(&shown);
        let Error::Case(problems) = error else { panic!("not a problem of the case: {shown}") };
        // Of more than ten only the most telling are shown.
        for p in problems.iter().filter(|_| problems.len() <= 10) {
            assert!(shown.contains(&p.expected) && shown.contains(&p.key), "{shown}");
            let place = if p.line > 0 { format!("{}:{}:{}", p.file, p.line, p.column) } else { p.file.clone() };
            assert!(shown.contains(&place), "{shown} lacks {place}");
            assert!(shown.contains(&p.found), "{shown} lacks {}", p.found);
            assert!(shown.contains(&p.hint), "{shown} lacks {}", p.hint);
        }
        problems
    }
}

impl Copy {
    /// The program refuses the case with the same text, exit code 2, and leaves nothing behind.
    fn program_says(&self, text: &str) {
        let beside = |folder: &Path| std::fs::read_dir(folder).expect("a folder").count();
        let around = self._keep.path();
        let before = beside(around);
        let output = std::process::Command::new(env!("CARGO_BIN_EXE_presolder"))
            .args([Path::new("compare"), &self.folder, Path::new("--out"), &around.join("result")])
            .output()
            .expect("the program runs");
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{said}");
        assert_eq!(said.trim_end(), text.trim_end());
        assert!(output.stdout.is_empty() && !said.contains("panicked"));
        assert_eq!(beside(around), before, "nothing may be left behind");
    }
}

/// One wrong thing: demo case, file, what is replaced, and by what; then the essential parts of the message: a text that
/// marks the line it must point at (in the changed file), key, what was found, what was expected, and the hint.
type Wrong = [&'static str; 9];

/// Exactly one problem, and it says what it must.
fn check(all: &[Wrong]) {
    for [demo, file, old, new, at, key, found, expected, hint] in all {
        let copy = Copy::of(demo);
        copy.replace(file, old, new);
        let problems = copy.problems();
        let listed: Vec<String> = problems.iter().map(|p| p.to_string()).collect();
        assert_eq!(problems.len(), 1, "{new:?} for {old:?}: {listed:#?}");
        let p = &problems[0];
        let line = copy.text(file).lines().position(|l| l.contains(at)).map(|i| i + 1);
        assert_eq!((p.file.as_str(), Some(p.line)), (*file, line), "{p}");
        assert_eq!((p.key.as_str(), p.found.as_str()), (*key, *found), "{p}");
        assert!(p.expected.contains(expected), "{p}\nlacks {expected}");
        assert!(p.hint.contains(hint), "{p}\nlacks {hint}");
        assert!(p.source_line.contains(at), "{p}");
    }
}

#[test]
#[rustfmt::skip]
fn error_quantities() {
    check(&[
        [KIOSK, BOARD, "\"250 kHz\"", "\"250 mHz\"", "250 mHz", "stage.frequency", "\"250 mHz\"", "frequency from 10 kHz to 20 MHz", "\"250 kHz\""],
        [KIOSK, BOARD, "\"8 MHz\"", "\"8 mHz\"", "8 mHz", "control.compensator.gain_bandwidth", "\"8 mHz\"", "frequency from 10 kHz", "\"8 MHz\""],
        [KIOSK, BOARD, "\"250 kHz\"", "\"0 Hz\"", "0 Hz", "stage.frequency", "\"0 Hz\"", "frequency from 10 kHz to 20 MHz", ""],
        [KIOSK, BOARD, "\"26 mohm\"", "\"26\"", "\"26\"", "stage.high_side_resistance", "\"26\"", "resistance with its unit", "\"26 mohm\""],
        [KIOSK, BOARD, "\"26 mohm\"", "26", "= 26", "stage.high_side_resistance", "26", "resistance with its unit", "\"26 mohm\""],
        [KIOSK, BOARD, "\"26 mohm\"", "\"26 m\"", "26 m", "stage.high_side_resistance", "\"26 m\"", "resistance with its unit", "\"26 mohm\""],
        [KIOSK, BOARD, "\"26 mohm\"", "\"26 mV\"", "26 mV", "stage.high_side_resistance", "\"26 mV\"", "resistance", "unit of voltage"],
        [KIOSK, BOARD, "\"26 mohm\"", "true", "= true", "stage.high_side_resistance", "true", "resistance as text with its unit", "75 mohm"],
        [KIOSK, TOML, "\"33 uH\"", "\"33,5 uH\"", "33,5 uH", "Alder-33: inductance", "\"33,5 uH\"", "inductance with its unit", "\"33.5 uH\""],
        [KIOSK, BOARD, "\"150 uF\"", "\"1,000 uF\"", "1,000 uF", "output.capacitors[1].capacitance", "\"1,000 uF\"", "capacitance", "\"1000 uF\""],
        [KIOSK, BOARD, "\"9 ns\"", "\"9 ns typ\"", "9 ns typ", "stage.rise_time", "\"9 ns typ\"", "time with its unit", "\"9 ns\""],
        [KIOSK, BOARD, "\"26 mohm\"", "\"NaN ohm\"", "NaN", "stage.high_side_resistance", "\"NaN ohm\"", "resistance", "finite"],
        [KIOSK, BOARD, "\"26 mohm\"", "nan", "= nan", "stage.high_side_resistance", "nan", "resistance", "finite"],
        [KIOSK, BOARD, "\"26 mohm\"", "\"1e30 ohm\"", "1e30", "stage.high_side_resistance", "\"1e30 ohm\"", "from 10 µohm to 100 ohm", ""],
        [KIOSK, BOARD, "\"26 mohm\"", "\"1e-400 ohm\"", "1e-400", "stage.high_side_resistance", "\"1e-400 ohm\"", "resistance", "proportion"],
        [KIOSK, BOARD, "hot_factor           = 1.25", "hot_factor           = inf", "inf", "stage.hot_factor", "inf", "a ratio", "finite"],
        [KIOSK, BOARD, "\"5 %\"", "0.05", "= 0.05", "limits.output_band", "0.05", "percentage", "\"0.05 %\""],
        [KIOSK, BOARD, "\"3.9 mohm\"", "\"-3.9 mohm\"", "-3.9", "output.capacitors[0].esr", "\"-3.9 mohm\"", "from 0 ohm to 100 ohm", ""],
        [KIOSK, BOARD, "\"13 uF\"", "\"0 uF\"", "\"0 uF\"", "output.capacitors[0].capacitance", "\"0 uF\"", "capacitance from 100 pF", ""],
        [KIOSK, BOARD, "\"50 degC\"", "\"50 C\"", "50 C", "stage.ambient", "\"50 C\"", "temperature with its unit", "\"50 degC\""],
        [KIOSK, BOARD, "\"1 A/us\"", "\"1 A\"", "slew = \"1 A\"", "load.step.slew", "\"1 A\"", "slew with its unit", "\"1 A/us\""],
        [KIOSK, BOARD, "\"43 kohm\"", "\"43 Kohm\"", "43 Kohm", "control.compensator.r2", "\"43 Kohm\"", "resistance", "\"43 kohm\""],
    ]);
}

#[test]
#[rustfmt::skip]
fn error_keys_and_types() {
    check(&[
        [KIOSK, BOARD, "ambient  ", "ambiant  ", "ambiant", "stage.ambiant", "ambiant", "a known key", "did you mean ambient?"],
        [KIOSK, BOARD, "kind         = \"voltage-mode\"", "kind         = \"voltage mode\"", "voltage mode", "control.modulator.kind", "\"voltage mode\"", "one of fixed-duty, voltage-mode, peak-current", "\"voltage-mode\""],
        [KIOSK, BOARD, "delay        = { value = \"150 ns\"", "slope = \"1 A/us\"\ndelay = { value = \"150 ns\"", "slope", "control.modulator.slope", "slope", "no such key with kind = \"voltage-mode\"", "peak-current"],
        [KIOSK, BOARD, "emulation  = false", "emulation  = \"no\"", "\"no\"", "stage.low_side.emulation", "\"no\"", "true or false", "emulation = true"],
        [KIOSK, BOARD, "count         = 4", "count         = 0", "count         = 0", "input.capacitors[0].count", "0", "whole number from 1 to 1000", ""],
        [KIOSK, BOARD, "count         = 4", "count         = 4.5", "4.5", "input.capacitors[0].count", "4.5", "whole number", ""],
        [KIOSK, BOARD, "[\"36 V\", \"48 V\", \"56 V\"]", "\"48 V\"", "voltages", "input.voltages", "\"48 V\"", "a list of voltages", "[\"18 V\""],
        [KIOSK, BOARD, "[\"0.3 A\", \"2.5 A\", \"4 A\"]", "[]", "currents", "load.currents", "[]", "at least one value", "0.15 A"],
        [KIOSK, BOARD, "[\"0.3 A\", \"2.5 A\", \"4 A\"]", "[\"2.5 A\", \"0.3 A\", \"4 A\"]", "currents", "load.currents", "\"0.3 A\"", "ascending order", "before 2.5 A"],
        [KIOSK, BOARD, "title    = \"", "title    = \"\" # ", "title", "title", "\"\"", "a text in quotation marks, not empty", "title ="],
        [KIOSK, BOARD, "origin = \"guaranteed\" }\ntypical", "origin = \"garanteed\" }\ntypical", "garanteed", "control.current_limit.lowest.origin", "\"garanteed\"", "one of measured, guaranteed", "\"guaranteed\""],
        [KIOSK, BOARD, "{ value = \"8 MHz\", origin", "{ size = \"8 MHz\", value = \"8 MHz\", origin", "size =", "control.compensator.gain_bandwidth.size", "size", "value, origin, uncertainty or note", "no other keys"],
        [KIOSK, TOML, "core      = \"ferrite\"", "core      = \"ferite\"", "ferite", "Alder-33: core", "\"ferite\"", "one of ferrite, composite, iron-powder", "\"ferrite\""],
        [KIOSK, TOML, "\n[[part]]", "\nunit = \"mm\"\n[[part]]", "unit", "unit", "unit", "only entries [[part]]", "[[part]]"],
        [KIOSK, BOARD, "\"12 V\"", "\"12 V", "voltage = \"12 V", "board.toml", "voltage = \"12 V", "TOML, but: invalid basic string", "quotation marks"],
        [KIOSK, BOARD, "[limits]", "[stage] # again", "# again", "board.toml", "stage", "duplicate key", "once"],
        [KIOSK, BOARD, "[output]\nvoltage = \"12 V\"\n", "", "[[output.capacitors]]", "output.voltage", "nothing", "the key voltage: Output voltage", "voltage = \"5 V\""],
        [KIOSK, BOARD, "reference      = \"0.8 V\"\n", "", "[control.compensator]", "control.compensator.reference", "nothing", "the key reference: Reference voltage", "reference = \"0.8 V\""],
    ]);
}

#[test]
#[rustfmt::skip]
fn error_values_that_do_not_fit_together() {
    check(&[
        [KIOSK, BOARD, "voltage = \"12 V\"", "voltage = \"40 V\"", "40 V", "output.voltage", "\"40 V\"", "below the lowest input voltage of 36 V", "steps down"],
        [KIOSK, BOARD, "nominal  = \"48 V\"", "nominal  = \"50 V\"", "50 V", "input.nominal", "\"50 V\"", "one of the values of input.voltages", "add it"],
        [VALVE, BOARD, "min_on     = { value = \"90 ns\", origin = \"measured\", note = \"shorted output\" }", "min_on  = \"0.4 us\"", "min_on", "control.min_on", "\"0.4 us\"", "at most 390.625 ns, the conduction needed at 32 V", "out of reach"],
        [VALVE, BOARD, "min_off    = \"110 ns\"", "min_off = \"1.9 us\"", "min_off", "control.min_off", "\"1.9 us\"", "the time left at 18 V", "out of reach"],
        [KIOSK, BOARD, "to   = \"3.5 A\"", "to   = \"3.5 kA\"", "3.5 kA", "load.step.to", "\"3.5 kA\"", "current from 1 mA to 1 kA", "\"3.5 A\""],
        [KIOSK, BOARD, "to   = \"3.5 A\"", "to   = \"35 A\"", "35 A", "load.step.to", "\"35 A\"", "below the lowest current-limit threshold of 5.8 A", "limit at work"],
        [KIOSK, BOARD, "to   = \"3.5 A\"", "to   = \"0.7 A\"", "0.7 A", "load.step.to", "\"0.7 A\"", "above from = 1 A", "release"],
        [KIOSK, BOARD, "{ value = \"5.8 A\", origin = \"guaranteed\" }", "\"3.9 A\"", "3.9 A", "control.current_limit.lowest", "\"3.9 A\"", "above the full load of 4 A", "load"],
        [KIOSK, BOARD, "{ value = \"6.3 A\", origin = \"typical\" }", "\"7.2 A\"", "7.2 A", "control.current_limit.typical", "\"7.2 A\"", "lowest <= typical <= highest", "order"],
        [KIOSK, BOARD, "r3             = \"820 ohm\"\n", "", "[control.compensator]", "control.compensator.r3", "[control.compensator]", "r3 and c3 together", "type II"],
        [KIOSK, BOARD, "ramp_divisor = {", "ramp_amplitude = \"4.8 V\"\nramp_divisor = {", "ramp_amplitude", "control.modulator.ramp_amplitude", "\"4.8 V\"", "either ramp_amplitude or ramp_divisor", "feed-forward"],
        [KIOSK, BOARD, "clamp_low      = \"0 V\"", "clamp_low      = \"6.5 V\"", "clamp_high", "control.compensator.clamp_high", "\"6 V\"", "above clamp_low = 6.5 V", ""],
        [KIOSK, BOARD, "reference      = \"0.8 V\"", "reference      = \"12.8 V\"", "12.8 V", "control.compensator.reference", "\"12.8 V\"", "below the output voltage of 12 V", "divide"],
        [VALVE, BOARD, "\"13 uF\"", "\"16 uF\"", "16 uF", "output.capacitors[0].aged_capacitance", "{ value = \"16 uF\", origin = \"typical\", note = \"maker's ageing curve ov…", "at most the capacitance of 15 µF", "age"],
        [KIOSK, BOARD, "dead_time  = \"35 ns\"", "dead_time  = \"900 ns\"", "900 ns", "stage.low_side.dead_time", "\"900 ns\"", "less than a fifth of the period of 4 µs", "both edges"],
        [KIOSK, BOARD, "original = \"Alder-33\"", "original = \"Alder33\"", "Alder33", "original", "\"Alder33\"", "the name of one of the parts", "\"Alder-33\""],
        [KIOSK, TOML, "name      = \"Rowan-47\"", "name      = \"Hawthorn-33\" # twice", "# twice", "Hawthorn-33: name", "\"Hawthorn-33\"", "a name of its own", "parts.toml, line 63"],
        [KIOSK, TOML, "dcr_typical = \"44 mohm\"", "dcr_typical = \"54 mohm\"", "54 mohm", "Alder-33: dcr_typical", "\"54 mohm\"", "at most dcr_max = 50 mohm", "swapped"],
        [KIOSK, TOML, "saturation_drop        = \"30 %\"\n", "", "\"7.8 A\"", "Alder-33: saturation_current", "\"7.8 A\"", "saturation_drop with it", "30 %"],
        [KIOSK, TOML, "heating_rise       = \"40 K\"\n", "", "heating_current", "Alder-33: heating_current", "\"4.9 A\"", "heating_rise with it", "belong together"],
        [KIOSK, TOML, "core_loss_frequency    = \"250 kHz\"\n", "", "core_loss  ", "Alder-33: core_loss", "\"110 mW\"", "core_loss_frequency with it", "belong together"],
        [KIOSK, TOML, "dcr_typical = \"44 mohm\"\ndcr_max     = { value = \"50 mohm\", origin = \"guaranteed\" }\n", "", "[[part]]", "Alder-33: dcr_typical", "nothing", "the winding resistance: dcr_typical or dcr_max", "one of the two is enough"],
        [VALVE, BOARD, "name             = \"ceramic\"    # 22 uF 10 V X7R; values of one of the three\ncount            = 3\ncapacitance      = { value = \"15 uF\", origin = \"measured\", note = \"impedance analyser, 5 V bias, three samples\" }\naged_capacitance = { value = \"13 uF\", origin = \"typical\", note = \"maker's ageing curve over the service life, together 39 uF\" }\nesr              = { value = \"3.6 mohm\", origin = \"measured\", note = \"the same; together 1.2 mohm\" }\n", "name = \"bulk\"\ncount = 3\ncapacitance = \"15 uF\"\n", "[[output.capacitors]]", "output.capacitors[0].kind", "[[output.capacitors]]", "the key kind, or esr", "ceramic"],
        [KIOSK, TOML, "\"4.5 @ 250 kHz\"", "\"0.5 @ 250 kHz\"", "0.5 @", "Alder-33: ac_resistance", "\"0.5 @ 250 kHz\"", "a ratio from 1 to 1000", "does not fall"],
        [KIOSK, TOML, "\"4.5 @ 250 kHz\"", "\"4.5 @ 250\"", "@ 250\"", "Alder-33: ac_resistance", "\"4.5 @ 250\"", "frequency with its unit", "\"250 kHz\""],
    ]);
}

#[test]
#[rustfmt::skip]
fn error_saturation_curves() {
    check(&[
        [KIOSK, TOML, "[5.46, 32.5], [6.24, 31.8]", "[6.24, 31.8], [5.46, 31.5]", "[5.46, 31.5]", "Alder-33: saturation", "5.46", "a current above 6.24 A of the row before", "sort"],
        [KIOSK, TOML, "[6.24, 31.8]", "[6.24, 32.8]", "[6.24, 32.8]", "Alder-33: saturation", "6.24", "an inductance not above 32.5 µH", "does not rise"],
        [KIOSK, TOML, "    [0, 33], [3.9, 33],", "    [3.9, 33],", "[3.9, 33]", "Alder-33: saturation", "3.9", "a first point at 0 A", "without current"],
        [KIOSK, TOML, "[3.9, 33]", "[3.9, 33, 1]", "[3.9, 33, 1]", "Alder-33: saturation[0].points", "3.9", "2 numbers in each row", "each column"],
        [KIOSK, TOML, "[3.9, 33]", "[3.9, -33]", "[3.9, -33]", "Alder-33: saturation[0].points", "-33", "inductance from 100 pH", "unit of the column"],
        [KIOSK, TOML, "inductance [uH]", "inductance [uF]", "inductance [uF]", "Alder-33: saturation[0].points", "\"inductance [uF]\"", "inductance with its unit", "capacitance"],
        [KIOSK, TOML, "[\"current [A]\", \"inductance [uH]\"]", "[\"current [A]\", \"L [uH]\"]", "L [uH]", "Alder-33: saturation[0].points", "\"L [uH]\"", "a column current, inductance", "current [A]"],
        [VALVE, CURVE, "3.99,9.85", "3.99,\"9,85\"", "3.99,", "Kestrel-10: saturation_files", "\"9,85\"", "inductance", "\"9.85 uH\""],
        [VALVE, CURVE, "3.99,9.85", "3,99,9,85", "3,99", CURVE, "3,99,9,85", "2 fields as in the header, not 4", "point"],
        [VALVE, CURVE, "3.99,9.85", "3.99", "3.99", CURVE, "3.99", "2 fields as in the header, not 1", "separator"],
        [VALVE, CURVE, "3.99,9.85", "3.99,NaN", "NaN", "Kestrel-10: saturation_files", "NaN", "inductance", "finite"],
        [VALVE, CURVE, "3.99,9.85", "2.85,9.85", "2.85,9.85", "Kestrel-10: saturation", "2.85", "a current above 2.85 A", "sort"],
        [VALVE, CURVE, "3.99,9.85", "3.99,\"9.85", "\"9.85", CURVE, "\"9.85", "a closing quotation mark", "double"],
        [VALVE, CURVE, "current [A]", "current [mV]", "current [mV]", "Kestrel-10: saturation_files", "current [mV]", "current with its unit", "voltage"],
    ]);
}

#[test]
#[rustfmt::skip]
fn error_tables_of_parts() {
    check(&[
        [VALVE, CSV, "dcr_typical [mohm]", "dcr_typ [mohm]", "dcr_typ ", "dcr_typ", "dcr_typ [mohm]", "a known column", "did you mean dcr_typical?"],
        [VALVE, CSV, "working_voltage [V]", "dcr_max [mohm]", "dcr_max [mohm]", "dcr_max [mohm]", "dcr_max [mohm]", "each column once", "remove"],
        [VALVE, CURVE, "inductance [uH]", "current [A]", "current [A]", "Kestrel-10: saturation_files", "current [A]", "each column once", "remove"],
        [VALVE, CSV, "name,core", "name,core [kg]", "core [kg]", "core", "core [kg]", "no unit", "remove it"],
        [VALVE, CSV, "working_voltage [V]", "working_voltage [A]", "working_voltage", "working_voltage", "working_voltage [A]", "voltage with its unit", "unit of current"],
        [VALVE, CSV, "Kestrel-10,ferrite,10,20,27", "Kestrel-10,ferrite,10,20,\"2,7\"", "Kestrel-10", "Kestrel-10: dcr_typical", "\"2,7\"", "resistance", "\"2.7 mohm\""],
        [VALVE, CSV, "Kestrel-10,ferrite,10,20,27,31", "Kestrel-10,ferrite,10,20,27,nan", "Kestrel-10", "Kestrel-10: dcr_max", "nan", "resistance", "finite"],
        [VALVE, CSV, "Kestrel-10,ferrite,10,20,27,31", "Kestrel-10,ferrite,10,20,27", "Kestrel-10", CSV, "Kestrel-10,ferrite,10,20,27,5.7,4.0,30,25,100,4.8,40,55.6,125,55,400,1…", "33 fields as in the header, not 32", "separator"],
        [VALVE, CSV, "Sedge-6R8", "Kestrel-10", "Kestrel-10,composite", "Kestrel-10: name", "Kestrel-10", "a name of its own", "parts.csv, line 5"],
        [VALVE, CSV, "curves/sedge-6r8.csv", "curves/sedge.csv", "curves/sedge.csv", "Sedge-6R8: saturation_files", "curves/sedge.csv", "no such file", "relative to the case folder"],
        [VALVE, CSV, "curves/sedge-6r8.csv", "curves", "Sedge", "Sedge-6R8: saturation_files", "curves", "a folder", "relative to the case folder"],
        [VALVE, CSV, "kestrel-10-100.csv @ 100 degC", "kestrel-10-100.csv @ hot", "Kestrel", "Kestrel-10: saturation_files", "curves/kestrel-10-25.csv @ 25 degC; curves/kestrel-10-100.csv @ hot", "temperature with its unit", "decimal number"],
    ]);
}

#[test]
#[rustfmt::skip]
fn error_protection_and_events() {
    check(&[
        [VALVE, BOARD, "kind    = \"peak\"\nlowest  = { value = \"4.4 A\", origin = \"guaranteed\" }\ntypical = { value = \"4.9 A\", origin = \"typical\" }\nhighest = { value = \"5.4 A\", origin = \"guaranteed\" }\ndelay   = { value = \"100 ns\", origin = \"measured\", note = \"shorted output, current probe\" }", "kind    = \"valley\"\ntypical = \"4.9 A\"", "\"valley\"", "control.current_limit.kind", "\"valley\"", "peak or winding with peak-current", "inhibit"],
        [OVEN, BOARD, "kind    = \"valley\"", "kind    = \"peak\"\ndelay = \"50 ns\"", "\"peak\"", "control.current_limit.kind", "\"peak\"", "valley with constant on-time", "fixed time"],
        [VALVE, BOARD, "kind    = \"peak\"", "kind    = \"average\"", "average", "control.current_limit.kind", "\"average\"", "one of peak, valley, winding", ""],
        [VALVE, BOARD, "inhibit = { value = \"4.1 A\", origin = \"measured\", note = \"the same\" }", "inhibit = \"2.9 A\"", "2.9 A", "control.current_limit.inhibit", "\"2.9 A\"", "above the full load of 3 A", "could not deliver"],
        [OVEN, BOARD, "kind    = \"valley\"", "kind    = \"valley\"\ninhibit = \"12 A\"", "inhibit", "control.current_limit.inhibit", "\"12 A\"", "no such key with constant-on-time", "clock edges"],
        [OVEN, BOARD, "kind    = \"valley\"", "kind    = \"valley\"\ndelay = \"50 ns\"", "delay = \"50 ns\"", "control.current_limit.delay", "delay", "no such key with kind = \"valley\"", "peak or winding"],
        [VALVE, BOARD, "hiccup_cycles = 64\n", "", "[control.current_limit]", "control.current_limit.hiccup_cycles", "[control.current_limit]", "hiccup_cycles and hiccup_pause together", "where the limit never pauses"],
        [VALVE, BOARD, "without    = [\"foldback\"]", "without    = [\"fold back\"]", "without", "control.without", "[\"fold back\"]", "some of hiccup, inhibit, foldback, skipping", ""],
        [VALVE, BOARD, "without    = [\"foldback\"]", "without    = [\"foldback\", \"hiccup\"]", "without", "control.without", "[\"foldback\", \"hiccup\"]", "no \"hiccup\", since control.current_limit.hiccup_cycles is stated", "leave out one of the two"],
        [VALVE, BOARD, "hiccup_cycles = 64", "hiccup_cycles = 0", "hiccup_cycles", "control.current_limit.hiccup_cycles", "0", "a whole number from 1 to 1000000", ""],
        [VALVE, BOARD, "hiccup_cycles = 64", "hiccup_cycles = 6.4", "hiccup_cycles", "control.current_limit.hiccup_cycles", "6.4", "a whole number", ""],
        [KIOSK, BOARD, "kind    = \"peak\"", "kind    = \"peak\"\nfalls_with_slope = true", "falls_with_slope", "control.current_limit.falls_with_slope", "true", "false with voltage-mode", "slope compensation"],
        [WINCH, BOARD, "lowest_voltage   = { value = \"160 mV\"", "lowest_voltage   = { value = \"175 mV\"", "typical_voltage", "control.current_limit.typical_voltage", "{ value = \"170 mV\", origin = \"typical\" }", "lowest <= typical <= highest", "175 mV, 170 mV, 180 mV"],
        [WINCH, BOARD, "sense_resistance  = \"8.2 kohm\"\n", "", "[control.current_limit]", "control.current_limit.sense_resistance", "nothing", "the key sense_resistance", "8.2 kohm"],
        [WINCH, BOARD, "lowest_voltage   =", "lowest   =", "lowest   =", "control.current_limit.lowest", "lowest", "no such key with kind = \"winding\"", "peak or valley"],
        [VALVE, BOARD, "from = \"24 V\"", "from = \"12 V\"", "from = \"12 V\"", "input.step.from", "\"12 V\"", "between 18 V and 32 V", "input.voltages"],
        [VALVE, BOARD, "to   = \"18 V\"", "to   = \"24 V\"", "to   = \"24 V\"", "input.step.to", "\"24 V\"", "another voltage than from = 24 V", "goes somewhere"],
        [VALVE, BOARD, "\"0.2 V/us\"", "\"0.2 A/us\"", "0.2 A/us", "input.step.slew", "\"0.2 A/us\"", "slew of a voltage", "unit of slew"],
        [GAUGE, BOARD, "to   = \"6 V\"", "to   = \"9.6 V\"", "to   = \"9.6 V\"", "input.dropout.to", "\"9.6 V\"", "below 9.6 V, the lowest of input.voltages", "input.step"],
        [GAUGE, BOARD, "to   = \"6 V\"", "to   = \"6 V\"\nfrom = \"18 V\"", "from = \"18 V\"", "input.dropout.from", "\"18 V\"", "between 9.6 V and 15 V", "the range"],
        [GAUGE, BOARD, "rise = \"0.1 ms\"", "rise = \"0.1 V/us\"", "0.1 V/us", "input.dropout.rise", "\"0.1 V/us\"", "time with its unit", ""],
        [OVEN, TOML, "thermal_resistance = \"55.3 K/W\"", "thermal_resistance = \"55.3 K/W\"\nthermal_time_constant = \"0.5 K\"", "0.5 K", "Wren-R56: thermal_time_constant", "\"0.5 K\"", "time with its unit", ""],
        [GAUGE, BOARD, "hold = \"2 ms\"\n", "", "[input.dropout]", "input.dropout.hold", "nothing", "the key hold", ""],
        [VALVE, BOARD, "coldest_winding = \"-10 degC\"", "coldest_winding = \"120 degC\"", "hottest_winding", "load.overload.hottest_winding", "\"115 degC\"", "above coldest_winding = 120 degC", ""],
        [VALVE, BOARD, "resistance = \"60 mohm\"", "resistance = \"0 ohm\"", "\"0 ohm\"", "load.short.resistance", "\"0 ohm\"", "resistance from 10 µohm", ""],
        [VALVE, BOARD, "inductance = \"400 nH\"", "inductance = \"400 nF\"", "400 nF", "load.short.inductance", "\"400 nF\"", "inductance with its unit", "unit of capacitance"],
        [VALVE, BOARD, "prebias = [\"2 V\"]", "prebias = [\"2 V\", \"5 V\"]", "prebias", "start.prebias", "[\"2 V\", \"5 V\"]", "below the output voltage of 5 V", "nothing brings down"],
        [VALVE, BOARD, "prebias = [\"2 V\"]", "prebias = \"2 V\"", "prebias", "start.prebias", "\"2 V\"", "a list of voltages", ""],
        [VALVE, BOARD, "lightest = \"5 mA\"", "lightest = \"3.5 A\"", "3.5 A", "load.lightest", "\"3.5 A\"", "below the full load of 3 A", "light load"],
        [WINCH, BOARD, "\"13.5 A\"", "\"6.1 A\"", "\"6.1 A\"", "limits.trip_highest", "\"6.1 A\"", "above trip_lowest = 6.2 A", ""],
        [KIOSK, BOARD, "soft_start = \"8 ms\"", "soft_start = \"8 s\"\nsoftstart = \"8 ms\"", "softstart", "control.softstart", "softstart", "a known key", ""],
        [KIOSK, BOARD, "without    = [\"hiccup\", \"foldback\"]", "without = [\"hiccup\"]\n[control.foldback]\nbelow = \"40 %\"\ndivisor  = 1", "divisor  = 1", "control.foldback.divisor", "1", "a whole number from 2 to 1000", ""],
        [OVEN, BOARD, "[control.compensator]           #", "[control.foldback]\nbelow = \"40 %\"\ndivisor = 4\n\n[control.compensator]           #", "[control.foldback]", "control.foldback", "[control.foldback]", "no such table with constant-on-time", "clock edges"],
        [KIOSK, BOARD, "delay        = { value = \"150 ns\"", "skip_below = \"0.5 A\"\ndelay        = { value = \"150 ns\"", "skip_below", "control.modulator.skip_below", "skip_below", "no such key with kind = \"voltage-mode\"", "peak-current"],
        [OVEN, BOARD, "injection_resistance  = { value = \"75 kohm\", origin = \"measured\", note = \"1 %, ohmmeter\" }\ninjection_capacitance = \"100 nF\"", "coupling_capacitance = \"2.2 nF\"", "coupling_capacitance", "control.compensator.coupling_capacitance", "\"2.2 nF\"", "injection_resistance and injection_capacitance beside it", "one network"],
    ]);
}

#[test]
fn error_several_problems_come_in_one_go() {
    let copy = Copy::of(KIOSK);
    copy.replace(BOARD, "\"250 kHz\"", "\"250 k\"");
    copy.replace(BOARD, "esr           = { value = \"3.9 mohm\"", "esr           = { value = \"3,9 mohm\"");
    copy.replace(BOARD, "voltage = \"12 V\"", "voltage = \"57 V\"");
    copy.replace(BOARD, "emulation", "emulate");
    copy.replace(TOML, "dcr_typical = \"47 mohm\"", "dcr_typical = \"47 uH\"");
    copy.replace(TOML, "[7.2, 23.1]", "[7.2, 33.1]");
    let problems = copy.problems();
    let keys: Vec<&str> = problems.iter().map(|p| p.key.as_str()).collect();
    // In the order of the files.
    let expected = [
        "output.voltage",
        "output.capacitors[0].esr",
        "stage.frequency",
        "stage.low_side.emulate",
        "Hawthorn-33: dcr_typical",
        "Hawthorn-33: saturation",
    ];
    assert_eq!(keys, expected, "{problems:#?}");
    let shown = Error::Case(problems).to_text(false);
    assert!(shown.ends_with("error: 6 problems in the case"), "{shown}");
    assert!(shown.contains("250 k\" alone is no") || shown.contains("write \"250 kHz\""), "{shown}");
}

#[test]
fn error_missing_tables_and_files() {
    let copy = Copy::of(KIOSK);
    std::fs::remove_file(copy.folder.join(TOML)).expect("removing");
    let problems = copy.problems();
    assert_eq!((problems.len(), problems[0].file.as_str(), problems[0].line), (1, TOML, 0));
    assert!(problems[0].found.contains("neither parts.toml nor a table of parts"));

    let copy = Copy::of(KIOSK);
    std::fs::remove_file(copy.folder.join(BOARD)).expect("removing");
    let problems = copy.problems();
    assert_eq!((problems.len(), problems[0].file.as_str(), problems[0].found.as_str()), (1, BOARD, "no such file"));

    let copy = Copy::of(KIOSK);
    std::fs::remove_file(copy.folder.join(BOARD)).expect("removing");
    std::fs::create_dir(copy.folder.join(BOARD)).expect("a folder");
    assert_eq!(copy.problems()[0].found, "a folder");

    let copy = Copy::of(KIOSK);
    copy.write(BOARD, "title = \"t\"\noriginal = \"Alder-33\"\n");
    let problems = copy.problems();
    let keys: Vec<&str> = problems.iter().map(|p| p.key.as_str()).collect();
    assert_eq!(keys, ["input", "output", "load", "stage", "control"]);
    assert!(problems[0].hint.contains("[input]") && problems[0].line == 1);

    let copy = Copy::of(KIOSK);
    copy.write(BOARD, "");
    assert_eq!(copy.problems().len(), 7);
}

#[test]
fn error_case_folder_that_is_not_there() {
    let copy = Copy::of(KIOSK);
    let error = case::read(&copy.folder.join("nowhere")).expect_err("no folder");
    assert!(matches!(error, Error::Io { .. }));
    let shown = error.to_string();
    assert!(shown.contains("cannot read the case folder") && shown.contains("nowhere"), "{shown}");
    assert_eq!(error.exit_code(), 2);
    // Who names the file means its folder.
    let named = case::read(&copy.folder.join(BOARD)).expect("the case around the file");
    assert_eq!(named.name, case::read(&copy.folder).expect("the case").name);
    assert_eq!(Error::Interrupted.exit_code(), 130);
}

#[test]
fn error_tables_without_parts() {
    for (file, demo, text, found) in [
        (CSV, VALVE, "", "an empty file"),
        (CSV, VALVE, "# nothing but a remark\n\n", "an empty file"),
        (CSV, VALVE, "name,core,inductance [uH]\n", "a header without rows"),
        (CURVE, VALVE, "", "an empty file"),
        (CURVE, VALVE, "current [A],inductance [uH]\n", "a header without rows"),
    ] {
        let copy = Copy::of(demo);
        copy.write(file, text);
        let problems = copy.problems();
        assert_eq!(
            (problems.len(), problems[0].file.as_str(), problems[0].found.as_str()),
            (1, file, found),
            "{problems:#?}"
        );
        assert!(problems[0].expected.contains("a header line and at least one row"));
    }
    let copy = Copy::of(KIOSK);
    copy.write(TOML, "");
    let problems = copy.problems();
    assert_eq!((problems.len(), problems[0].key.as_str()), (1, "part"), "{problems:#?}");
    assert!(problems[0].hint.contains("[[part]]"));
}

#[test]
fn error_curve_without_temperature() {
    let copy = Copy::of(VALVE);
    copy.replace(CSV, "kestrel-10-100.csv @ 100 degC", "kestrel-10-100.csv");
    let problems = copy.problems();
    assert_eq!((problems.len(), problems[0].file.as_str(), problems[0].line), (1, "curves/kestrel-10-100.csv", 2));
    assert!(
        problems[0].expected.contains("the temperature of the curve")
            && problems[0].hint.contains("temperature [degC]")
    );
    copy.replace("curves/larkspur-10.csv", "temperature [degC]", "temperature [kohm]");
    assert_eq!(copy.problems().len(), 2);
}

#[test]
fn error_no_substitutes() {
    let copy = Copy::of(KIOSK);
    let text = copy.text(TOML);
    let first_only: String = text.split("# Gapped ferrite, shielded, same outline.").next().unwrap_or("").to_string();
    copy.write(TOML, first_only);
    let problems = copy.problems();
    assert_eq!((problems.len(), problems[0].key.as_str(), problems[0].line), (1, "part", 6));
    assert!(problems[0].expected.contains("at least two parts") && problems[0].hint.contains("substitute"));
}

#[test]
fn error_wrong_encodings() {
    let copy = Copy::of(KIOSK);
    let text = copy.text(BOARD).replacen("\"150 uF\"", "\"150 \u{b5}F\"", 1);
    let line = text.lines().position(|l| l.contains('\u{b5}')).map_or(0, |i| i + 1);
    let latin: Vec<u8> = text.chars().map(|c| u8::try_from(u32::from(c)).expect("Latin-1")).collect();
    copy.write(BOARD, latin);
    let problems = copy.problems();
    assert_eq!((problems.len(), problems[0].line, problems[0].found.as_str()), (1, line, "\u{b5}"));
    assert!(
        problems[0].expected.contains("windows-1252")
            && problems[0].hint.contains("0xB5")
            && problems[0].hint.contains("UTF-8")
    );

    let copy = Copy::of(VALVE);
    let utf16: Vec<u8> = copy.text(CSV).encode_utf16().flat_map(u16::to_le_bytes).collect();
    copy.write(CSV, utf16);
    let problems = copy.problems();
    assert_eq!((problems.len(), problems[0].file.as_str()), (1, CSV));
    assert!(problems[0].hint.contains("UTF-16 without a byte order mark"));

    let copy = Copy::of(VALVE);
    copy.write(CURVE, [0xFF, 0xFE, 0x00, 0xD8, 0x41, 0x00]);
    assert!(copy.problems()[0].found.contains("UTF-16"));
}

#[test]
fn error_decimal_commas_in_a_table_with_semicolons() {
    let copy = Copy::of(VALVE);
    let text = copy.text(CURVE).replace(',', ";").replace('.', ",");
    copy.write(CURVE, text);
    let problems = copy.problems();
    assert!(problems.len() > 5 && problems.iter().all(|p| p.file == CURVE));
    assert!(problems[0].found == "2,85" && problems[0].hint.contains("\"2.85 A\""), "{}", problems[0]);
}

#[test]
fn error_clamp_cannot_be_derived_without_a_current_limit() {
    let copy = Copy::of(VALVE);
    copy.replace(BOARD, "clamp_high = \"1.2 V\"\n", "");
    let text = copy.text(BOARD);
    let (before, after) = text.split_once("[control.current_limit]").expect("the current limit");
    let rest = after.find("[mechanics.land]").map_or("", |i| &after[i..]);
    copy.write(BOARD, format!("{before}{rest}"));
    let problems = copy.problems();
    let keys: Vec<&str> = problems.iter().map(|p| p.key.as_str()).collect();
    assert_eq!(keys, ["load.overload", "load.short", "control.compensator.clamp_high"]);
    assert!(problems.iter().all(|p| p.hint.contains("limit")), "{problems:#?}");
}

#[test]
fn error_fixed_duty_and_open_loop_belong_together() {
    let copy = Copy::of(KIOSK);
    let text = copy.text(BOARD);
    let (before, after) = text.split_once("kind         = \"voltage-mode\"").expect("the modulator");
    let rest = after.find("[control.compensator]").map_or("", |i| &after[i..]);
    copy.write(BOARD, format!("{before}kind = \"fixed-duty\"\nduty = \"25.3 %\"\n\n{rest}"));
    let problems = copy.problems();
    assert!(
        problems.iter().any(|p| p.key == "control.compensator.kind" && p.expected.starts_with("open")),
        "{problems:#?}"
    );
}

#[test]
fn error_rating_data_without_its_percentage() {
    let copy = Copy::of(VALVE);
    let text = copy.text(CSV);
    copy.write(CSV, text.replace("saturation_drop [%],", "").replace(",30,25,100,", ",25,100,"));
    let problems = copy.problems();
    // One for each part, whether it has one rating or two.
    assert_eq!(problems.len(), 4, "{problems:#?}");
    assert!(problems.iter().all(|p| p.expected.contains("saturation_drop") && p.hint.contains("30 %")));
}

#[test]
fn error_knee_and_curve_exclude_each_other() {
    let copy = Copy::of(KIOSK);
    copy.replace(
        TOML,
        "saturation_drop        = \"30 %\"\n",
        "saturation_drop        = \"30 %\"\nsaturation_knee = \"hard\"\n",
    );
    let problems = copy.problems();
    assert_eq!((problems.len(), problems[0].key.as_str()), (1, "Alder-33: saturation_knee"));
}

/// Whatever is done to the bytes of a file, the reader answers with a case or with an error, and does not panic.
#[test]
fn error_damaged_files_do_not_panic() {
    let marks: [&[u8]; 8] = [b"\"", b"[", b"]", b",", b"\n", b"\xB5", "\u{3a9}".as_bytes(), b"="];
    for (demo, files) in [(KIOSK, [BOARD, TOML]), (VALVE, [CSV, CURVE])] {
        let copy = Copy::of(demo);
        for file in files {
            let whole = copy.text(file).into_bytes();
            let mut state = 12345usize;
            for round in 0..60 {
                state = state.wrapping_mul(1_103_515_245).wrapping_add(12345) % 2_147_483_648;
                let at = state % whole.len();
                let mark = marks[round % marks.len()];
                let damaged = match round % 3 {
                    0 => [&whole[..at], mark, &whole[at..]].concat(),
                    1 => [&whole[..at], &whole[(at + 1 + round).min(whole.len())..]].concat(),
                    _ => whole[..at].to_vec(),
                };
                copy.write(file, damaged);
                if let Err(error) = case::read(&copy.folder) {
                    assert!(!error.to_string().is_empty() && !error.to_text(true).is_empty());
                }
            }
            copy.write(file, &whole);
        }
    }
}

/// Rows of the valve controller's parts table, changed one by one, behind its own.
fn many_rows(rows: usize, change: impl Fn(&mut Vec<String>, usize)) -> Copy {
    let copy = Copy::of(VALVE);
    let table = copy.text(CSV);
    let model: Vec<String> = table.lines().nth(3).expect("a part").split(',').map(str::to_string).collect();
    let more = (0..rows).map(|i| {
        let mut row = model.clone();
        row[0] = format!("Bulk-{i}");
        change(&mut row, i);
        row.join(",") + "\n"
    });
    copy.write(CSV, table.clone() + &more.collect::<String>());
    copy
}

#[test]
fn error_thousands_of_odd_rows_are_ten_messages_and_a_number() {
    let odd = many_rows(3000, |row, _| {
        row[2] = "-5".into();
        row[4] = "4 V".into();
        row[13] = "furlong".into();
    });
    let shown = case::read(&odd.folder).expect_err("it is wrong").to_string();
    assert_eq!(shown.matches("--> ").count(), 10, "{shown}");
    assert!(shown.ends_with("error: 9000 problems in the case: the 10 above, and 8990 more"), "{shown}");
    assert!(shown.len() < 8000, "{} bytes", shown.len());
    for key in ["Bulk-0: inductance", "Bulk-0: dcr_typical", "Bulk-0: thermal_resistance"] {
        assert!(shown.contains(key), "one of each kind comes before the next of any: {shown}");
    }
    let twins = many_rows(3000, |row, _| row[0] = "Twin".into());
    let shown = case::read(&twins.folder).expect_err("it is wrong").to_string();
    assert!(shown.contains("error: 2999 problems in the case: the 10 above, and 2989 more"), "{shown}");
}

#[test]
fn error_what_explains_others_comes_first() {
    // Rows that are wrong each for itself, and behind them a file whose header is wrong.
    let copy = many_rows(60, |row, _| row[2] = "x".into());
    copy.replace(CURVE, "current", "courant");
    let shown = case::read(&copy.folder).expect_err("it is wrong").to_string();
    let first = shown.split("\n\n").next().expect("a message");
    assert!(first.contains(CURVE) && first.contains("courant"), "{shown}");
    // A column that is missing is one problem and not one a row.
    let copy = Copy::of(VALVE);
    let table = copy.text(CSV);
    let without = |line: &str| match line.starts_with('#') {
        true => line.to_string(),
        false => {
            line.split(',').enumerate().filter(|(i, _)| *i != 2).map(|(_, cell)| cell).collect::<Vec<_>>().join(",")
        }
    };
    copy.write(CSV, table.lines().map(|line| without(line) + "\n").collect::<String>());
    let problems = copy.problems();
    assert_eq!(problems.len(), 1, "{problems:?}");
    assert!(problems[0].key == "inductance" && problems[0].line == 2, "{problems:?}");
}

#[test]
fn error_a_very_long_line_is_shown_around_what_is_wrong() {
    let copy = Copy::of(KIOSK);
    let long = format!("note = \"{}\"\nx = [{}\"26 furlongs\"]\n", "n".repeat(500_000), "\"1 V\", ".repeat(100_000));
    copy.write(TOML, copy.text(TOML) + &long);
    let problems = copy.problems();
    assert!(problems.iter().all(|p| p.source_line.len() < 1500 && p.found.len() < 300), "{problems:?}");
    let copy = Copy::of(KIOSK);
    copy.replace(BOARD, "\"26 mohm\"", &format!("\"{}\"", "26 mohm ".repeat(100_000)));
    let problem = &copy.problems()[0];
    assert!(problem.key == "stage.high_side_resistance" && problem.hint.len() < 200, "{problem}");
}

#[cfg(unix)]
#[test]
fn error_what_is_no_ordinary_file_is_refused_and_nothing_waits() {
    let without_table = || {
        let copy = Copy::of(VALVE);
        std::fs::remove_file(copy.folder.join(CSV)).expect("removed");
        copy
    };
    let pipe = without_table();
    let made = std::process::Command::new("mkfifo").arg(pipe.folder.join(CSV)).status().expect("mkfifo runs");
    assert!(made.success());
    assert_eq!(pipe.problems()[0].found, "a pipe or device");
    for device in ["/dev/zero", "/dev/null"] {
        let copy = without_table();
        std::os::unix::fs::symlink(device, copy.folder.join(CSV)).expect("a link");
        let problems = copy.problems();
        assert_eq!((problems.len(), problems[0].found.as_str()), (1, "a pipe or device"), "{problems:?}");
        assert!(problems[0].file == CSV && problems[0].hint.contains("ordinary file"));
    }
    let folder = without_table();
    std::fs::create_dir(folder.folder.join(CSV)).expect("a folder");
    assert_eq!(folder.problems()[0].found, "a folder");
    let huge = Copy::of(VALVE);
    huge.write(CSV, "x".repeat(50_000_000));
    let problems = huge.problems();
    assert_eq!((problems.len(), problems[0].found.as_str()), (1, "a file of more than 32 MB"), "{problems:?}");
}

#[test]
fn error_names_with_control_characters_are_shown_and_not_obeyed() {
    let copy = Copy::of(KIOSK);
    copy.replace(TOML, "\"Alder-33\"", "\"Al\\u001b[31mder\\u202e\\u0000\\nPASS\"");
    copy.replace(BOARD, "\"Alder-33\"", "\"Al\\u001b[31mder\\u202e\\u0000\\nPASS\"");
    let case = case::read(&copy.folder).expect("a case");
    assert_eq!(case.parts[0].name, "Al\\u001b[31mder\\u202e\\u0000\\nPASS");
    // And what is wrong is echoed in the same way.
    copy.replace(BOARD, "\"26 mohm\"", "\"26 m\u{202e}\u{9b}ohm\"");
    let shown = case::read(&copy.folder).expect_err("it is wrong").to_string();
    assert!(shown.contains("26 m\\u202e\\u009bohm") && !shown.contains(['\u{202e}', '\u{9b}']), "{shown}");
}

#[test]
#[rustfmt::skip]
fn error_what_compare_would_refuse_is_found_at_reading() {
    check(&[
        [VALVE, BOARD, "[mechanics.land]", "[bench]\ncurrent = \"0 %\"\n[mechanics.land]", "current = \"0 %\"", "bench.current", "\"0 %\"", "from 0.0001 %", ""],
        [VALVE, BOARD, "[mechanics.land]", "[bench]\ntime = \"0 s\"\n[mechanics.land]", "time = \"0 s\"", "bench.time", "\"0 s\"", "from 1 ps", ""],
        [VALVE, BOARD, "[mechanics.land]", "[bench]\nvoltage_fixed = \"0 V\"\n[mechanics.land]", "voltage_fixed = \"0 V\"", "bench.voltage_fixed", "\"0 V\"", "from 1 nV", ""],
        [VALVE, BOARD, "[mechanics.land]", "[bench]\ntemperature = \"0 K\"\n[mechanics.land]", "temperature = \"0 K\"", "bench.temperature", "\"0 K\"", "from 0.001 K", ""],
        [VALVE, BOARD, "[mechanics.land]", "[bench]\nefficiency = \"0 points\"\n[mechanics.land]", "efficiency = \"0 points\"", "bench.efficiency", "\"0 points\"", "from 0.001 points", ""],
    ]);
    // A curve up to 10 kA with an error of a microampere.
    let copy = Copy::of(VALVE);
    copy.replace(BOARD, "[mechanics.land]", "[numerics]\nsaturation_error = \"1 uA\"\n[mechanics.land]");
    copy.replace(CURVE, copy.text(CURVE).lines().last().expect("a row"), "9999, 0.1");
    let problems = copy.problems();
    assert!(problems.iter().any(|p| p.key == "numerics.saturation_error" && p.found == "\"1 uA\""), "{problems:?}");
    // More capacitors than the engine holds.
    let copy = Copy::of(VALVE);
    let entry = "[[output.capacitors]]\nname = \"more\"\ncapacitance = \"1 uF\"\nesr = \"5 mohm\"\nesl = \"1 nH\"\n";
    copy.replace(BOARD, "[load]\n", &format!("{}[load]\n", entry.repeat(6)));
    let problems = copy.problems();
    assert_eq!(problems.len(), 1, "{problems:?}");
    assert!(problems[0].key == "output.capacitors" && problems[0].expected.contains("not 14"), "{problems:?}");
}

/// A demo case that names house rules, and what stands in their file.
fn with_rules(name: &str, text: &str) -> Copy {
    let copy = Copy::of(KIOSK);
    copy.replace(BOARD, "[input]\n", &format!("rules = \"{name}\"\n[input]\n"));
    copy.write("rules.toml", text);
    copy
}

#[test]
fn error_house_rules() {
    for (text, line, key, found, expected, hint) in [
        ("", 1, "house rules", "nothing", "at least one rule", "winding_margin = \"15 K\""),
        ("# to come\n", 1, "house rules", "nothing", "at least one rule", "remove the key rules"),
        (
            "winding_margn = \"15 K\"",
            1,
            "house rules: winding_margn",
            "winding_margn",
            "a known key",
            "winding_margin?",
        ),
        (
            "voltage_share = \"80 %\"\nwinding_margin = \"15 degC\"",
            2,
            "house rules: winding_margin",
            "\"15 degC\"",
            "temperature difference",
            "K",
        ),
        (
            "winding_margin = 15",
            1,
            "house rules: winding_margin",
            "15",
            "temperature difference with its unit",
            "\"15 K\"",
        ),
        ("voltage_share = 0.8", 1, "house rules: voltage_share", "0.8", "percentage", "%"),
        ("voltage_share = \"120 %\"", 1, "house rules: voltage_share", "\"120 %\"", "from 1 % to 100 %", ""),
        ("inductance_left = \"0 %\"", 1, "house rules: inductance_left", "\"0 %\"", "from 1 % to 100 %", ""),
        ("resonance_ratio = \"4 MHz\"", 1, "house rules: resonance_ratio", "\"4 MHz\"", "plain number", ""),
        ("resonance_ratio = 0.5", 1, "house rules: resonance_ratio", "0.5", "from 1 to 1000", ""),
        (
            "heating_share = [\"80 %\"]",
            1,
            "house rules: heating_share",
            "[\"80 %\"]",
            "percentage as text with its unit",
            "\"90 %\"",
        ),
        ("[winding]\nmargin = \"15 K\"", 1, "house rules: winding", "winding", "a known key", ""),
        (
            "heating_share = \"80 %\"\nheating_share = \"90 %\"",
            2,
            "rules.toml",
            "heating_share",
            "duplicate",
            "stands once",
        ),
    ] {
        let problems = with_rules("rules.toml", text).problems();
        assert_eq!(problems.len(), 1, "{text}: {problems:#?}");
        let p = &problems[0];
        assert_eq!(
            (p.file.as_str(), p.line, p.key.as_str(), p.found.as_str()),
            ("rules.toml", line, key, found),
            "{p}"
        );
        assert!(p.expected.contains(expected) && p.hint.contains(hint), "{p}");
    }
    let good = "winding_margin = \"15 K\"";
    for (name, expected, hint) in [
        (
            "../nowhere/rules.toml",
            "a readable file, but \"../nowhere/rules.toml\" is: no such file",
            "relative to the case folder",
        ),
        ("/etc/rules.toml", "a path relative to the case", "rules = \"../rules.toml\""),
        ("..", "is: a folder", "relative to the case folder"),
    ] {
        let copy = with_rules(name, good);
        let problems = copy.problems();
        assert_eq!(
            (problems.len(), problems[0].key.as_str(), problems[0].file.as_str()),
            (1, "rules", BOARD),
            "{problems:?}"
        );
        assert_eq!(
            problems[0].line,
            copy.text(BOARD).lines().position(|line| line.starts_with("rules")).map_or(0, |at| at + 1)
        );
        assert!(problems[0].expected.contains(expected) && problems[0].hint.contains(hint), "{}", problems[0]);
    }
}

/// Readings, waivers, ratings, land, capacitors, limits, bench.
#[test]
#[rustfmt::skip]
fn error_what_people_add_to_a_case() {
    check(&[
        [VALVE, BOARD, "winding_temperature = \"53 degC\"", "winding_temperature = \"53 K\"", "53 K", "reading[0].winding_temperature", "\"53 K\"", "temperature", "degC"],
        [VALVE, BOARD, "winding_temperature = \"53 degC\"", "winding_temperature = \"23 degC\"", "23 degC", "reading[0].winding_temperature", "\"23 degC\"", "above the ambient of 25 degC", "swapped"],
        [VALVE, BOARD, "load    = \"3 A\"\nambient", "load    = \"30 A\"\nambient", "30 A", "reading[0].load", "\"30 A\"", "below the highest current-limit threshold of 5.4 A", "check the unit"],
        [VALVE, BOARD, "input   = \"24 V\"", "input   = \"2.4 V\"", "2.4 V", "reading[0].input", "\"2.4 V\"", "above the output voltage of 5 V", "steps down"],
        [VALVE, BOARD, "input   = \"24 V\"", "inptu   = \"24 V\"", "inptu", "reading[0].inptu", "inptu", "a known key", "did you mean input?"],
        [VALVE, BOARD, "ambient = \"25 degC\"", "ambient = \"25 degC\"\nuncertainty = \"0 K\"", "uncertainty = \"0 K\"", "reading[0].uncertainty", "\"0 K\"", "temperature difference from 0.1 K to 50 K", ""],
        [VALVE, BOARD, "[limits]", "[[waiver]]\nrequirement = \"phase_margn\"\nby = \"owner\"\ndate = \"2026-11-28\"\nreason = \"seen\"\n[limits]", "phase_margn", "waiver[0].requirement", "\"phase_margn\"", "one of regulation", "\"phase_margin\""],
        [VALVE, BOARD, "[limits]", "[[waiver]]\nrequirement = \"house_winding\"\nby = \"owner\"\ndate = \"2026-11-28\"\nreason = \"seen\"\n[limits]", "house_winding", "waiver[0].requirement", "\"house_winding\"", "one of regulation", ""],
        [VALVE, BOARD, "[limits]", "[[waiver]]\nrequirement = \"ripple\"\nby = \"owner\"\ndate = \"28.11.2026\"\nreason = \"seen\"\n[limits]", "28.11.2026", "waiver[0].date", "\"28.11.2026\"", "a date as year-month-day", "2026-11-28"],
        [VALVE, BOARD, "[limits]", "[[waiver]]\nrequirement = \"ripple\"\nby = \"owner\"\ndate = \"2026-13-28\"\nreason = \"seen\"\n[limits]", "2026-13-28", "waiver[0].date", "\"2026-13-28\"", "a date as year-month-day", "2026-11-28"],
        [VALVE, BOARD, "[limits]", "[[waiver]]\nrequirement = \"ripple\"\nby = \" \"\ndate = \"2026-11-28\"\nreason = \"seen\"\n[limits]", "by = ", "waiver[0].by", "\" \"", "a text in quotation marks, not empty", "owner of the board"],
        [VALVE, BOARD, "[limits]", "[[waiver]]\nrequirement = \"ripple\"\nby = \"owner\"\ndate = \"2026-11-28\"\nreason = \"seen\"\nallowance = \"150 %\"\n[limits]", "150 %", "waiver[0].allowance", "\"150 %\"", "from 0 % to 100 %", ""],
        [VALVE, BOARD, "[limits]", "[[waiver]]\nrequirement = \"ripple\"\nby = \"owner\"\ndate = \"2026-11-28\"\nreason = \"seen\"\n[[waiver]]\nby = \"owner\"\ndate = \"2026-11-28\"\nreason = \"again\"\nrequirement  = \"ripple\"\n[limits]", "requirement  = \"ripple\"", "waiver[1].requirement", "\"ripple\"", "each requirement once", "one entry a requirement"],
        [VALVE, BOARD, "gap        = \"3.2 mm\"", "gap        = \"0 mm\"", "= \"0 mm\"", "mechanics.land.gap", "\"0 mm\"", "length from 100 \u{b5}m", ""],
        [VALVE, BOARD, "[mechanics.land]                # two pads 2.4 mm x 6.0 mm\npad_length = \"2.4 mm\"\npad_width  = \"6.0 mm\"\ngap        = \"3.2 mm\"", "[mechanics.fillets]", "[mechanics.fillets]", "mechanics.fillets", "[mechanics.fillets]", "the land with it", "[mechanics.land]"],
        [VALVE, BOARD, "count            = 3", "count            = 3\nnominal_capacitance = \"22 uV\"", "22 uV", "output.capacitors[0].nominal_capacitance", "\"22 uV\"", "capacitance", "unit of voltage"],
        [VALVE, BOARD, "ripple_rating    = \"4 A\"", "ripple_rating    = \"0 A\"", "= \"0 A\"", "output.capacitors[0].ripple_rating", "\"0 A\"", "current from 1 mA", ""],
        [VALVE, BOARD, "ripple_rating = \"3 A\"", "ripple_rating = \"3 A\"\nvoltage_rating = \"50\"", "\"50\"", "input.capacitors[0].voltage_rating", "\"50\"", "voltage with its unit", ""],
        [VALVE, BOARD, "phase_margin        = \"45 deg\"", "phase_margin        = \"45 degC\"", "45 degC", "limits.phase_margin", "\"45 degC\"", "angle", ""],
        [VALVE, BOARD, "gain_margin         = \"10 dB\"", "efficiency          = \"102 %\"", "102 %", "limits.efficiency", "\"102 %\"", "from 1 % to 100 %", ""],
        [VALVE, BOARD, "[mechanics.land]", "[bench]\nprobe_loop = \"60\"\n[mechanics.land]", "probe_loop", "bench.probe_loop", "\"60\"", "length with its unit", ""],
        [VALVE, BOARD, "[mechanics.land]", "[bench]\nambient = \"25\"\n[mechanics.land]", "ambient = \"25\"", "bench.ambient", "\"25\"", "temperature with its unit", ""],
        [VALVE, BOARD, "[input]\n", "rules = true\n[input]\n", "rules = true", "rules", "true", "a text in quotation marks", "rules.toml"],
        [KIOSK, TOML, "working_voltage = \"120 V\"", "working_voltage = \"-120 V\"", "-120 V", "Alder-33: working_voltage", "\"-120 V\"", "voltage from 1 V", ""],
        [KIOSK, TOML, "saturation_drop        = \"30 %\"", "saturation_drop        = \"30\"", "\"30\"", "Alder-33: saturation_drop", "\"30\"", "percentage", ""],
    ]);
}
