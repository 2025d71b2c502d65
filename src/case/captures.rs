//! `captures.toml`: what was captured and read on the bench.

use super::keys::{Key, Kind, Need};
use super::source::{Place, Sources};
use super::walk::{Values, walk};
use crate::error::{Error, Problem};
use crate::model::capture::{Capture, Captures, Metered, Probe, Reading, Setting};
use crate::model::case::Case;
use crate::units;
use crate::units::Dimension::{self, *};
use std::path::Path;

/// Name of the file, in the folder of the case.
pub const FILE: &str = "captures.toml";
/// Conditions that a bench sets: word in the file, name of the condition.
const CONDITIONS: [(&str, &str); 2] = [("steady", "steady"), ("load-step", "load step")];
const WORDS: &[&str] = &[CONDITIONS[0].0, CONDITIONS[1].0];
/// Quantities that may be read: word, identifier, dimension of value and of error.
const QUANTITIES: [(&str, &str, Dimension, Dimension); 8] = [
    ("winding_temperature", "winding_temperature", Temperature, TemperatureRise),
    ("output_mean", "output_mean", Voltage, Voltage),
    ("ripple", "ripple_20mhz", Voltage, Voltage),
    ("inductor_ripple", "inductor_ripple", Current, Current),
    ("peak_current", "peak_current", Current, Current),
    ("dip", "dip", Voltage, Voltage),
    ("rise", "rise", Voltage, Voltage),
    ("recovery", "recovery", Time, Time),
];
const READ: [&str; QUANTITIES.len()] = {
    let mut words = [""; QUANTITIES.len()];
    let mut at = 0;
    while at < words.len() {
        words[at] = QUANTITIES[at].0;
        at += 1;
    }
    words
};
const COUPLINGS: &[&str] = &["dc", "ac"];
/// Corner of an a.c. coupling in Hz where none is stated (common practice).
const USUAL_HIGH_PASS_HZ: f64 = 10.0;
/// Ranges of the keys.
const EVER: (f64, f64) = (f64::NEG_INFINITY, f64::INFINITY);
const VOLTS: (f64, f64) = (0.1, 1e4);
const AMPERES: (f64, f64) = (0.0, 1e4);
const DEGREES: (f64, f64) = (-60.0, 150.0);
const HERTZ: (f64, f64) = (1e3, 1e11);
const SCALES: (f64, f64) = (1e-6, 1e6);
const ERRORS: (f64, f64) = (0.0, 0.5);

const fn key(
    path: &'static str,
    kind: Kind,
    need: Need,
    range: (f64, f64),
    example: &'static str,
    text: &'static str,
) -> Key {
    Key::new(path, kind, need, range, example, text)
}

use Kind::{Choice, Quantity, Table, Tables, Text};
use Need::{Optional, Required};

/// Keys of `captures.toml`.
#[rustfmt::skip] // one row a line, as a table
pub const KEYS: &[Key] = &[
    key("setup", Table, Optional("nothing is said of the set-up"), EVER, "", "The set-up, once for all."),
    key("setup.ambient", Quantity(Temperature), Optional("the bench's, else the board's"), DEGREES, "\"23 degC\"", "Ambient temperature."),
    key("setup.board", Text, Optional("not said"), EVER, "\"serial 0007\"", "Which board it is."),
    key("capture", Tables, Optional("no waveforms"), EVER, "", "A file with waveforms."),
    key("capture.part", Text, Required, EVER, "\"Larkspur-10\"", "Part that is fitted, by its name in the case."),
    key("capture.condition", Choice(WORDS), Required, EVER, "\"load-step\"", "Condition, as compare prints it."),
    key("capture.input", Quantity(Voltage), Required, VOLTS, "\"24.05 V\"", "Input at the board's terminals."),
    key("capture.load", Quantity(Current), Optional("the mean of the load channel, else the full load; a load step has its own"), AMPERES, "\"3.00 A\"", "Load."),
    key("capture.ambient", Quantity(Temperature), Optional("that of the set-up"), DEGREES, "\"23 degC\"", "Ambient temperature."),
    key("capture.file", Text, Required, EVER, "\"captures/larkspur-step.csv\"", "File, relative to the case."),
    key("capture.start", Quantity(Time), Optional("by the file, else 0"), (-1e4, 1e4), "\"-20 us\"", "Time of the first sample, where the file has no time."),
    key("capture.step", Quantity(Time), Optional("by the file"), (1e-12, 1.0), "\"4 ns\"", "Time between samples, where the file has no time."),
    key("capture.output", Table, Optional("not captured"), EVER, "", "Output voltage."),
    key("capture.output.column", Text, Required, EVER, "\"CH1\"", "Title of its column, or its number."),
    key("capture.output.coupling", Choice(COUPLINGS), Optional("dc"), EVER, "\"ac\"", "Coupling."),
    key("capture.output.high_pass", Quantity(Frequency), Optional("10 Hz with coupling ac (common practice)"), (1e-3, 1e6), "\"10 Hz\"", "Corner of the coupling."),
    key("capture.output.bandwidth", Quantity(Frequency), Optional("not limited"), HERTZ, "\"20 MHz\"", "Bandwidth."),
    key("capture.output.scale", Quantity(Ratio), Optional("1"), SCALES, "\"10\"", "Volts for one volt of the file, where it does not know its probe."),
    key("capture.output.error", Quantity(Fraction), Required, ERRORS, "\"2 %\"", "Limits of the gain's error."),
    key("capture.inductor", Table, Optional("not captured"), EVER, "", "Inductor current."),
    key("capture.inductor.column", Text, Required, EVER, "\"CH2\"", "Title of its column, or its number."),
    key("capture.inductor.scale", Quantity(CurrentGain), Optional("1 A/V, or a file in amperes"), SCALES, "\"10 A/V\"", "Amperes for one volt of the file."),
    key("capture.inductor.loop", Quantity(Inductance), Optional("none"), (0.0, 1e-5), "\"30 nH\"", "What the wire loop for the probe adds to the inductance."),
    key("capture.inductor.bandwidth", Quantity(Frequency), Optional("not limited"), HERTZ, "\"50 MHz\"", "Bandwidth."),
    key("capture.inductor.error", Quantity(Fraction), Required, ERRORS, "\"3 %\"", "Limits of the gain's error."),
    key("capture.load_current", Table, Optional("the load is as it is stated"), EVER, "", "Load current."),
    key("capture.load_current.column", Text, Required, EVER, "\"CH3\"", "Title of its column, or its number."),
    key("capture.load_current.scale", Quantity(CurrentGain), Optional("1 A/V, or a file in amperes"), SCALES, "\"1 A/V\"", "Amperes for one volt of the file."),
    key("capture.load_current.bandwidth", Quantity(Frequency), Optional("not limited"), HERTZ, "\"50 MHz\"", "Bandwidth."),
    key("capture.load_current.error", Quantity(Fraction), Required, ERRORS, "\"2 %\"", "Limits of the gain's error."),
    key("reading", Tables, Optional("no readings"), EVER, "", "A number that was read."),
    key("reading.part", Text, Required, EVER, "\"Larkspur-10\"", "Part that is fitted."),
    key("reading.quantity", Choice(&READ), Required, EVER, "\"winding_temperature\"", "What was read."),
    key("reading.condition", Choice(WORDS), Required, EVER, "\"steady\"", "Condition."),
    key("reading.input", Quantity(Voltage), Required, VOLTS, "\"24.05 V\"", "Input at the board's terminals."),
    key("reading.load", Quantity(Current), Optional("the full load"), AMPERES, "\"3.00 A\"", "Load."),
    key("reading.ambient", Quantity(Temperature), Optional("that of the set-up"), DEGREES, "\"23 degC\"", "Ambient temperature."),
    key("reading.value", Text, Required, EVER, "\"78.4 degC\"", "Value with its unit."),
    key("reading.error", Text, Required, EVER, "\"2 K\"", "Limits of its error with their unit."),
    key("meters", Tables, Optional("no power meters"), EVER, "", "Four power meters read at once."),
    key("meters.part", Text, Required, EVER, "\"Larkspur-10\"", "Part that is fitted."),
    key("meters.ambient", Quantity(Temperature), Optional("that of the set-up"), DEGREES, "\"23 degC\"", "Ambient temperature."),
    key("meters.input_voltage", Quantity(Voltage), Required, VOLTS, "\"24.05 V\"", "At the board's input."),
    key("meters.input_current", Quantity(Current), Required, (1e-6, 1e4), "\"0.702 A\"", "Into the board's input."),
    key("meters.output_voltage", Quantity(Voltage), Required, VOLTS, "\"5.012 V\"", "At the board's output."),
    key("meters.output_current", Quantity(Current), Required, (1e-6, 1e4), "\"3.000 A\"", "Out of the board's output."),
    key("meters.voltage_error", Quantity(Fraction), Required, ERRORS, "\"0.1 %\"", "Limits of error of the voltmeters."),
    key("meters.current_error", Quantity(Fraction), Required, ERRORS, "\"0.5 %\"", "Limits of error of the ammeters."),
    key("meters.correlation", Quantity(Ratio), Optional("0: nothing in common"), (-1.0, 1.0), "\"0.5\"", "What two meters of a kind have in common: 1 for one meter that reads both, 0 for two makes."),
];

/// Reads the captures of a case. `None` where there is no such file.
///
/// # Errors
/// [`Error::Case`] with every problem found.
pub fn read(folder: &Path, case: &Case) -> Result<Captures, Error> {
    let mut sources = Sources::default();
    let captures = sources.read(folder, FILE, None).and_then(|file| {
        let tree = sources.toml(file)?;
        let values = walk(&mut sources, KEYS, &tree, "");
        Some(Reader { sources: &mut sources, values, case }.all(file))
    });
    match captures {
        Some(captures) if sources.problems.is_empty() => Ok(captures),
        _ => Err(Error::Case(sources.problems)),
    }
}

struct Reader<'a> {
    sources: &'a mut Sources,
    values: Values,
    case: &'a Case,
}

impl Reader<'_> {
    fn all(mut self, file: usize) -> Captures {
        let board = self.values.text("setup.board").unwrap_or("").to_string();
        let each = |list: &str| (0..self.values.count(list)).map(|i| format!("{list}[{i}]")).collect::<Vec<_>>();
        let (captures, readings, meters) = (each("capture"), each("reading"), each("meters"));
        if captures.is_empty() && readings.is_empty() && meters.is_empty() && self.sources.problems.is_empty() {
            let hint = "add an entry [[capture]], [[reading]] or [[meters]]";
            self.sources.problem(&Place { file, span: 0..0 }, FILE, "something that was captured or read", hint);
        }
        Captures {
            board,
            captures: captures.iter().filter_map(|path| self.capture(path)).collect(),
            readings: readings.iter().filter_map(|path| self.reading(path)).collect(),
            meters: meters.iter().filter_map(|path| self.metered(path)).collect(),
        }
    }

    fn problem(&mut self, path: &str, expected: impl Into<String>, hint: impl Into<String>) {
        let place = self.values.place(path);
        self.sources.problem(&place, path, expected, hint);
    }

    fn part(&mut self, path: &str) -> Option<usize> {
        let name = self.values.text(path)?.to_string();
        let names: Vec<&str> = self.case.parts.iter().map(|part| part.name.as_str()).collect();
        let found = names.iter().position(|known| *known == name);
        if found.is_none() {
            let near = super::nearest(&name, names.iter().copied()).map(|near| format!("did you mean \"{near}\"?"));
            let hint = near.unwrap_or_else(|| format!("the case has {}", names.join(", ")));
            self.problem(path, "a part of the case", hint);
        }
        found
    }

    fn setting(&mut self, path: &str, input: &str) -> Option<Setting> {
        let part = self.part(&format!("{path}.part"));
        let at = |key: &str| self.values.number(&format!("{path}.{key}"));
        let word = self.values.text(&format!("{path}.condition")).unwrap_or("steady");
        let condition = CONDITIONS.iter().find(|known| known.0 == word).map(|known| known.1);
        let usual_degc = self.case.bench.ambient_degc.unwrap_or(self.case.board.ambient_degc);
        let ambient_degc = at("ambient").or(self.values.number("setup.ambient")).unwrap_or(usual_degc);
        let (file, line) = self.sources.line(&self.values.place(path));
        let place = format!("{file}:{line}");
        let (input_v, load_a) = (at(input), at("load"));
        let input_v = self.checked_input(&format!("{path}.{input}"), input_v);
        Some(Setting { part: part?, condition: condition?, input_v: input_v?, load_a, ambient_degc, place })
    }

    /// A buck converter needs more than it gives.
    fn checked_input(&mut self, path: &str, input_v: Option<f64>) -> Option<f64> {
        let output_v = self.case.board.output_v;
        let input_v = input_v?;
        if input_v <= output_v {
            let hint = "the input at the board's terminals, not the output";
            self.problem(path, format!("more than the output of {}", units::show(output_v, Dimension::Voltage)), hint);
            return None;
        }
        Some(input_v)
    }

    fn capture(&mut self, path: &str) -> Option<Capture> {
        let setting = self.setting(path, "input");
        let probe = |key: &str| self.probe(&format!("{path}.{key}"));
        let (output, inductor, load) = (probe("output"), probe("inductor"), probe("load_current"));
        let number = |key: &str| self.values.number(&format!("{path}.{key}"));
        let (start_s, step_s) = (number("start"), number("step"));
        let loop_h = number("inductor.loop").unwrap_or(0.0);
        let file = self.values.text(&format!("{path}.file")).map(str::to_string);
        let any =
            ["output", "inductor", "load_current"].iter().any(|key| self.values.count(&format!("{path}.{key}")) > 0);
        if !any {
            let hint = "for example output = { column = \"CH1\", error = \"2 %\" }";
            self.problem(path, "at least one of output, inductor and load_current", hint);
        }
        if file.as_deref().is_some_and(|file| Path::new(file).is_absolute()) {
            self.problem(&format!("{path}.file"), "a path relative to the case", "for example \"captures/step.csv\"");
        }
        let setting = setting?;
        let needs = setting.condition == "load step" && load.is_none() && self.case.board.load_step.is_none();
        if needs {
            let hint = "state load.step in board.toml, or capture the load current";
            self.problem(&format!("{path}.condition"), "a load step that the case states or the capture holds", hint);
        }
        Some(Capture { setting, file: file?, start_s, step_s, output, inductor, load, loop_h })
    }

    fn probe(&self, path: &str) -> Option<Probe> {
        let number = |key: &str| self.values.number(&format!("{path}.{key}"));
        let is_ac = self.values.text(&format!("{path}.coupling")) == Some("ac");
        Some(Probe {
            column: self.values.text(&format!("{path}.column"))?.to_string(),
            scale: number("scale").unwrap_or(1.0),
            bandwidth_hz: number("bandwidth"),
            high_pass_hz: is_ac.then(|| number("high_pass").unwrap_or(USUAL_HIGH_PASS_HZ)),
            error: number("error").unwrap_or(0.0),
        })
    }

    fn reading(&mut self, path: &str) -> Option<Reading> {
        let setting = self.setting(path, "input");
        let word = self.values.text(&format!("{path}.quantity"))?.to_string();
        let (_, quantity, dimension, of_error) = QUANTITIES.into_iter().find(|known| known.0 == word)?;
        let value = self.quantity(&format!("{path}.value"), dimension);
        let error = self.quantity(&format!("{path}.error"), of_error);
        if error.is_some_and(|error| error < 0.0) {
            self.problem(&format!("{path}.error"), "limits of error of 0 or more", "");
        }
        Some(Reading { setting: setting?, quantity, value: value?, error: error? })
    }

    fn quantity(&mut self, path: &str, dimension: Dimension) -> Option<f64> {
        match units::parse(self.values.text(path)?, dimension) {
            Ok(value) => Some(value),
            Err(refusal) => {
                self.problem(path, refusal.expected, refusal.hint);
                None
            }
        }
    }

    fn metered(&mut self, path: &str) -> Option<Metered> {
        let mut setting = self.setting(path, "input_voltage");
        let number = |key: &str| self.values.number(&format!("{path}.{key}"));
        let values = ["input_voltage", "input_current", "output_voltage", "output_current"].map(number);
        let errors = (number("voltage_error"), number("current_error"));
        let correlation = number("correlation").unwrap_or(0.0);
        let [Some(in_v), Some(in_a), Some(out_v), Some(out_a)] = values else { return None };
        let (Some(voltage), Some(current)) = errors else { return None };
        if out_v * out_a >= in_v * in_a {
            let hint = "are input and output swapped, or is a shunt's factor wrong?";
            self.problem(path, "less power out than in", hint);
        }
        setting.iter_mut().for_each(|setting| setting.load_a = Some(out_a));
        let errors = [voltage * in_v, current * in_a, voltage * out_v, current * out_a];
        Some(Metered { setting: setting?, values: [in_v, in_a, out_v, out_a], errors, correlation })
    }
}

/// A problem of a capture's file: at its own line where it has one, else where `captures.toml` names it.
pub fn file_problem(file: &str, line: usize, source_line: String, said: [String; 3]) -> Problem {
    let [found, expected, hint] = said;
    Problem {
        key: format!("capture {file}"),
        file: file.into(),
        line,
        column: usize::from(line > 0),
        found,
        expected,
        hint,
        shown_column: usize::from(line > 0),
        source_line,
        explains: true,
        alike: 0,
        paste: String::new(),
    }
}
