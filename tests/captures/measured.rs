//! Predicted against measured, on invented captures.

use crate::folders;
use crate::invented::{self, Truth, USUAL};
use presolder::bench::layout::{FigureRecord, Measured, Standing};
use presolder::bench::{files, measured};
use presolder::case::{self, captures};
use presolder::report::measured as report;
use std::path::{Path, PathBuf};

/// Beyond the stated uncertainties of what was measured lie rounding and the tests' own coarse grid: in V and A.
const GRID_V: f64 = 1e-3;
const GRID_A: f64 = 20e-3;

/// A case with captures.
pub struct Bench {
    _keep: tempfile::TempDir,
    pub folder: PathBuf,
}

/// A copy of the demo case, its board on the bench since yesterday.
pub fn bench(captures: &str) -> Bench {
    let keep = tempfile::tempdir().expect("a temporary folder");
    let folder = keep.path().join("valve-controller");
    folders::copy(&Path::new(env!("CARGO_MANIFEST_DIR")).join("cases/valve-controller"), &folder);
    let setup = "[setup]\nambient = \"23 degC\"\nboard = \"serial 0007\"\n";
    std::fs::write(folder.join("captures.toml"), format!("{setup}{captures}")).expect("room");
    Bench { _keep: keep, folder }
}

/// An entry of `captures.toml` for a written capture.
pub fn entry(part: &str, condition: &str, file: &str) -> String {
    format!(
        "\n[[capture]]\npart = \"{part}\"\ncondition = \"{condition}\"\ninput = \"24.05 V\"\nfile = \"{file}\"\n\
         output = {{ column = \"CH1\", coupling = \"ac\", bandwidth = \"20 MHz\", error = \"2 %\" }}\n\
         inductor = {{ column = \"CH2\", scale = \"10 A/V\", error = \"3 %\" }}\n\
         load_current = {{ column = \"CH3\", scale = \"1 A/V\", error = \"1 %\" }}\n"
    )
}

pub fn write(bench: &Bench, truth: &Truth, file: &str) -> invented::Capture {
    let case = case::read(&bench.folder).expect("the case");
    let capture = invented::capture(&case, truth);
    invented::write(&capture, &bench.folder.join(file), truth.seed);
    capture
}

pub fn measure(bench: &Bench) -> Result<Measured, String> {
    let case = case::read(&bench.folder).map_err(|error| error.to_string())?;
    let captures = captures::read(&bench.folder, &case).map_err(|error| error.to_string())?;
    let taken = files::take(&bench.folder, &captures).map_err(|error| error.to_string())?;
    measured::measure(&case, &captures, taken, &|_, _| {}).map_err(|trouble| format!("{trouble:?}"))
}

fn figure<'a>(figures: &'a [FigureRecord], id: &str) -> &'a FigureRecord {
    figures.iter().find(|figure| figure.quantity == id).unwrap_or_else(|| panic!("no {id}"))
}

/// Dip, rise and window of clean samples, by their plain definition.
pub fn true_step(capture: &invented::Capture, truth: &Truth) -> [f64; 3] {
    let at = |time_s: f64| (time_s / capture.step_s) as usize;
    let (step, release) = (at(truth.step_s.0), at(truth.step_s.1));
    let period = at(1.0 / (400e3 * truth.frequency));
    let mean = |from: usize, until: usize| capture.output_v[from..until].iter().sum::<f64>() / (until - from) as f64;
    let least = |values: &[f64]| values.iter().copied().fold(f64::INFINITY, f64::min);
    let most = |values: &[f64]| values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let (after_step, after_release) = (&capture.output_v[step..release], &capture.output_v[release..]);
    [
        mean(step - 12 * period, step) - least(after_step),
        most(after_release) - mean(release - 12 * period, release),
        most(after_step).max(most(after_release)) - least(after_step).min(least(after_release)),
    ]
}

#[test]
fn outside_load_steps_of_both_parts_agree_with_an_independent_integration() {
    let bench =
        bench(&(entry("Larkspur-10", "load-step", "a/one.csv") + &entry("Kestrel-10", "load-step", "a/two.csv")));
    let original = USUAL;
    let substitute = Truth { part: 2, inductance: 0.96, dcr_ohm: 28e-3, seed: 2, ..USUAL };
    let truths =
        [(original, write(&bench, &original, "a/one.csv")), (substitute, write(&bench, &substitute, "a/two.csv"))];
    let measured = measure(&bench).expect("a result");
    let text = report::text(&measured, 80);
    println!("{text}");
    for (item, (truth, capture)) in measured.items.iter().zip(&truths) {
        let expected = true_step(capture, truth);
        for (id, expected) in ["dip", "rise", "window"].into_iter().zip(expected) {
            let found = figure(&item.figures, id);
            let off = (found.measured - expected).abs();
            assert!(off <= found.measured_uncertainty + GRID_V, "{id}: {} of {expected}", found.measured);
            assert!(found.measured_uncertainty < 0.1 * found.measured, "{found:?}");
        }
        let highest = capture.inductor_a.iter().copied().fold(0.0, f64::max);
        let peak = figure(&item.figures, "peak_current");
        assert!((peak.measured - highest).abs() <= peak.measured_uncertainty + GRID_A, "{peak:?} {highest}");
        // The truth is well within the doubts about the data.
        for found in &item.figures {
            assert!(found.is_inside() == Some(true), "{}: {found:?}\n{text}", item.part);
            assert!(found.predicted_uncertainty > 0.0 && !found.largest.is_empty());
        }
        // 24 ns of a lagging load probe: the output seems to come before it.
        let skew = item.notes.iter().find(|note| note.starts_with("output") && note.contains("behind the load"));
        assert!(skew.is_some(), "{:?}", item.notes);
        assert_eq!(item.overlays.len(), 2);
    }
    assert_eq!(measured.changes.len(), measured.items[0].figures.len());
    for change in &measured.changes {
        assert!(change.score.is_none_or(|score| score.abs() <= 1.0), "{change:?}\n{text}");
        assert!(!change.unlike);
    }
    let peak = measured.changes.iter().find(|change| change.quantity == "peak_current").expect("a change");
    assert_ne!(peak.standing, Standing::NotAgreed);
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
    assert!(text.contains("Larkspur-10, load step") && text.contains("serial 0007"));
    let json = report::json(&measured).expect("JSON");
    assert!(json.contains("\"E_n\"") || json.contains("\"score\""));
    let page = report::page(&measured).expect("a page");
    assert_eq!(page.matches("<svg").count(), 4);
    assert!(!page.contains("NaN") && !page.contains("http-equiv=\"refresh\""));
}

#[test]
fn outside_a_steady_state_agrees_with_an_independent_integration() {
    let bench = bench(&entry("Larkspur-10", "steady", "ripple.csv"));
    let truth = Truth { load_a: (2.87, 2.87 + 1e-9), length_s: 300e-6, ..USUAL };
    let capture = write(&bench, &truth, "ripple.csv");
    let measured = measure(&bench).expect("a result");
    let text = report::text(&measured, 80);
    println!("{text}");
    let figures = &measured.items[0].figures;
    let height = |values: &[f64]| {
        values.iter().copied().fold(f64::NEG_INFINITY, f64::max) - values.iter().copied().fold(f64::INFINITY, f64::min)
    };
    let ripple = figure(figures, "ripple_20mhz");
    let expected_v = height(&capture.output_v[2000..]);
    // 1 mV of noise on some millivolts of ripple: only folding shows it.
    assert!(
        (ripple.measured - expected_v).abs() <= ripple.measured_uncertainty + 0.02 * expected_v,
        "{ripple:?} {expected_v}"
    );
    let coil = figure(figures, "inductor_ripple");
    let expected_a = height(&capture.inductor_a[2000..]);
    assert!((coil.measured - expected_a).abs() <= coil.measured_uncertainty + GRID_A, "{coil:?} {expected_a}");
    figures.iter().for_each(|found| assert_eq!(found.is_inside(), Some(true), "{found:?}\n{text}"));
    let notes = measured.items[0].notes.join("\n");
    assert!(notes.contains("403.6 kHz"), "the clock that the board really has: {notes}");
    assert!(notes.contains("would have added"), "{notes}");
    assert!(measured.items[0].load.starts_with("2.8"), "{}", measured.items[0].load);
}

#[test]
fn law_readings_and_meters_stand_beside_their_prediction() {
    let readings = "\n[[reading]]\npart = \"Larkspur-10\"\nquantity = \"winding_temperature\"\ncondition = \"steady\"\ninput = \"24 V\"\n\
         load = \"3 A\"\nambient = \"25 degC\"\nvalue = \"53 degC\"\nerror = \"2 K\"\n\
         [[meters]]\npart = \"Larkspur-10\"\ninput_voltage = \"24.02 V\"\ninput_current = \"0.711 A\"\noutput_voltage = \"5.013 V\"\n\
         output_current = \"3.000 A\"\nvoltage_error = \"0.1 %\"\ncurrent_error = \"0.5 %\"\ncorrelation = \"0.5\"\n";
    let measured = measure(&bench(readings)).expect("a result");
    let text = report::text(&measured, 80);
    println!("{text}");
    let winding = figure(&measured.items[0].figures, "winding_temperature");
    // The case has learned from this very reading.
    assert!((winding.predicted - 53.0).abs() < 3.0 && winding.is_inside() == Some(true), "{winding:?}");
    assert!((winding.measured_uncertainty - 2.0 * 2.0 / 3f64.sqrt()).abs() < 1e-9);
    let efficiency = figure(&measured.items[1].figures, "efficiency");
    let expected = 5.013 * 3.0 / (24.02 * 0.711);
    assert!((efficiency.measured - expected).abs() < 1e-12);
    // JCGM 100, 5.2.2, by hand: relative standard uncertainties 0.1 % and 0.5 % over root 3; half of each pair cancels.
    let relative = (2.0 * 0.5 * (0.001f64.powi(2) + 0.005f64.powi(2)) / 3.0).sqrt();
    assert!((efficiency.measured_uncertainty / (2.0 * relative * expected) - 1.0).abs() < 1e-9, "{efficiency:?}");
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
}

#[test]
fn law_a_slow_load_and_a_probe_loop_are_in_the_prediction() {
    let slow = Truth { slew_a_per_s: 0.12e6, seed: 5, ..USUAL };
    let text = entry("Larkspur-10", "load-step", "slow.csv")
        .replace("scale = \"10 A/V\"", "scale = \"10 A/V\", loop = \"900 nH\"");
    let bench = bench(&text);
    // The loop is in the truth as well.
    write(&bench, &Truth { inductance: 1.09, ..slow }, "slow.csv");
    let measured = measure(&bench).expect("a result");
    println!("{}", report::text(&measured, 80));
    let item = &measured.items[0];
    let notes = item.notes.join("\n");
    assert!(notes.contains("easier step") && notes.contains("wire loop adds 9"), "{notes}");
    assert!(item.load.contains("0.12"), "{}", item.load);
    let dip = figure(&item.figures, "dip");
    assert_eq!(dip.is_inside(), Some(true), "{dip:?}");
}
