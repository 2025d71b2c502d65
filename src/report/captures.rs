//! The bench plan as a `captures.toml` that is ready but for what the bench gives: names of files, and readings.

use crate::record::layout::{BenchMeasurement, Record};
use crate::units::format_si;
use std::fmt::Write;

/// Conditions that `measured` reads: their names, and the words of the file.
const CONDITIONS: [(&str, &str); 2] = [("steady", "steady"), ("load step", "load-step")];
/// Quantities by what shows them.
const ON_SCOPE: [&str; 8] =
    ["ripple_20mhz", "ripple_raw", "inductor_ripple", "peak_current", "dip", "rise", "window", "recovery"];
const CURRENTS: [&str; 2] = ["inductor_ripple", "peak_current"];
const WINDING: &str = "winding_temperature";
const EFFICIENCY: &str = "efficiency";

/// The file; what a person fills in is marked by REPLACE.
pub fn ready(record: &Record) -> String {
    let mut text = String::from(
        "# Ready for `presolder measured`: put it into the folder of the case, replace what is marked, leave out what was not measured.\n\
         # docs/captures.md has every key. Errors are limits, as the data sheet of the instrument states them.\n\n\
         [setup]\nambient = \"23 degC\"   # REPLACE\nboard = \"serial\"      # REPLACE\n",
    );
    for measurement in &record.bench_plan.measurements {
        for expected in &measurement.reading.expected {
            push(&mut text, measurement, &expected.part);
        }
    }
    text
}

fn push(text: &mut String, measurement: &BenchMeasurement, part: &str) {
    let at = &measurement.reading;
    // Writing to a string cannot fail.
    let _ = writeln!(text, "\n# {}: {}, {}", measurement.label, part, at.place);
    let word = CONDITIONS.iter().find(|(name, _)| *name == at.condition).map(|(_, word)| *word);
    let (Some(word), Some(input_v)) = (word, at.input_v) else {
        text.push_str("# not read by measured\n");
        return;
    };
    let input = format_si(input_v, "V", 4);
    let load =
        at.load_a.map_or(String::new(), |load_a| format!("load = \"{}\"   # REPLACE\n", format_si(load_a, "A", 4)));
    let part = quoted(part);
    match measurement.quantity.as_str() {
        EFFICIENCY => {
            let (output, current) = ("0 V", format_si(at.load_a.unwrap_or(0.0), "A", 4));
            let _ = write!(
                text,
                "[[meters]]\npart = {part}\ninput_voltage = \"{input}\"   # REPLACE\ninput_current = \"0 A\"   # REPLACE\n\
                 output_voltage = \"{output}\"   # REPLACE\noutput_current = \"{current}\"   # REPLACE\nvoltage_error = \"0.1 %\"   # REPLACE\n\
                 current_error = \"0.5 %\"   # REPLACE\n"
            );
        }
        WINDING => {
            let _ = write!(
                text,
                "[[reading]]\npart = {part}\nquantity = \"winding_temperature\"\ncondition = \"{word}\"\ninput = \"{input}\"   # REPLACE\n\
                 {load}value = \"REPLACE degC\"\nerror = \"2 K\"   # REPLACE\n"
            );
        }
        id if ON_SCOPE.contains(&id) => {
            let load = if word == "steady" { load } else { String::new() };
            let _ = write!(
                text,
                "[[capture]]\npart = {part}\ncondition = \"{word}\"\ninput = \"{input}\"   # REPLACE\n{load}file = \"REPLACE.csv\"\n{}",
                probes(id)
            );
        }
        _ => text.push_str("# not read by measured\n"),
    }
}

/// The probe that shows a quantity; the others, where they were used, as remarks.
fn probes(id: &str) -> String {
    let output = "output = { column = \"CH1\", bandwidth = \"20 MHz\", error = \"2 %\" }   # REPLACE\n";
    let inductor = "inductor = { column = \"CH2\", scale = \"1 A/V\", error = \"3 %\" }   # REPLACE\n";
    let load = "# load_current = { column = \"CH3\", scale = \"1 A/V\", error = \"2 %\" }\n";
    if CURRENTS.contains(&id) { format!("{inductor}# {output}{load}") } else { format!("{output}# {inductor}{load}") }
}

/// A name as TOML writes it.
fn quoted(name: &str) -> String {
    format!("\"{}\"", name.replace('\\', "\\\\").replace('"', "\\\""))
}
