//! Rows a second of a scope's file through the reader, and through reader and measures of a ripple, against the `csv` crate that splits the same
//! file and parses each cell; the memory that a long record takes; and how long a calibration takes.
//!
//! `cargo bench --bench captures`; `-- 100000000` reads so many rows instead, and calibrates nothing. Files are written beside the build and
//! deleted.

use presolder::bench::fold::fold;
use presolder::bench::predict::{Asked, Unit};
use presolder::bench::run::{self, OnBench, Seen, Wanted};
use presolder::bench::scope::{self, Said, Scope};
use presolder::bench::trace::Trace;
use presolder::bench::{files, measured, noise};
use presolder::case::{self, captures};
use presolder::corridor;
use presolder::model::board::LoadStep;
use std::fs::File;
use std::hint::black_box;
use std::io::{BufWriter, Write};
use std::path::Path;
use std::time::Instant;

/// Rows of the file.
const ROWS: u64 = 10_000_000;
/// Runs of which the fastest counts.
const RUNS: usize = 3;
/// Time between samples in s, and the frequency in Hz near which the signal repeats.
const STEP_S: f64 = 4e-9;
const NEAR_HZ: f64 = 80e3;

/// Two columns: a time of ten digits and a voltage of 256 levels, with some noise.
fn write(path: &Path, rows: u64) -> std::io::Result<()> {
    let mut file = BufWriter::new(File::create(path)?);
    writeln!(file, "Time (s),CH1 (V)")?;
    let mut state = 1u64;
    for k in 0..rows {
        state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        let level = 100.0 * (k as f64 * 0.002).sin() + (state >> 61) as f64;
        writeln!(file, "{:.9},{:.5}", k as f64 * STEP_S - 1e-3, 5.0 + 4e-4 * level.round())?;
    }
    file.flush()
}

/// Highest resident memory of this process so far in MiB, where the system tells.
fn peak_mib() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM"))?;
    line.split_whitespace().nth(1)?.parse::<f64>().ok().map(|kib| kib / 1024.0)
}

fn fastest(runs: usize, work: impl Fn()) -> f64 {
    let once = || {
        let begin = Instant::now();
        work();
        begin.elapsed().as_secs_f64()
    };
    (0..runs).map(|_| once()).fold(f64::INFINITY, f64::min)
}

/// Every cell as a number and their sum, as plainly as `csv` lets one.
fn peer(path: &Path) {
    let mut reader = csv::Reader::from_path(path).expect("the file is there");
    let mut record = csv::ByteRecord::new();
    let mut sum = 0.0;
    while reader.read_byte_record(&mut record).expect("rows") {
        for cell in &record {
            sum += std::str::from_utf8(cell).expect("text").parse::<f64>().expect("a number");
        }
    }
    black_box(sum);
}

fn read(path: &Path, rows: u64) -> Scope {
    let scope = scope::read(File::open(path).expect("the file"), &Said::default()).expect("a record");
    assert_eq!(scope.told.rows, rows);
    scope
}

/// Ripple by folding, with the noise floor.
fn measure(scope: &Scope) -> f64 {
    let values = scope.channels[0].values.iter().map(|value| f64::from(*value)).collect();
    let trace = Trace { start_s: scope.time_s(0), step_s: scope.point_s(), values };
    fold(&trace, NEAR_HZ, noise::floor(&trace, None, 0.0)).expect("it repeats").height
}

/// Load steps of the calibration's captures in A, and loads of its ripples.
const STEPS_A: [(f64, f64); 2] = [(0.5, 2.5), (1.0, 2.0)];
const RIPPLES_A: [f64; 2] = [1.0, 2.9];
const INPUT_V: f64 = 24.05;
const AMBIENT_DEGC: f64 = 23.0;
/// Grid of them: 12 ns over 420 us, from 60 us before the step on.
const GRID: Wanted = Wanted { from_s: -60e-6, step_s: 12e-9, count: 35_000 };

/// A capture in a file, and its entry in `captures.toml`.
fn write_capture(folder: &Path, name: &str, condition: &str, seen: &Seen) -> String {
    let mut file = BufWriter::new(File::create(folder.join(name)).expect("room for the file"));
    let rounded = |value: f64, level: f64| (value / level).round() * level;
    writeln!(file, "Time (s),CH1 (V),CH2 (V),CH3 (V)").expect("room");
    let noise = [1, 2].map(|seed| noise::draw(seen.output.values.len(), GRID.step_s, 1e-3, None, seed));
    for (k, output_v) in seen.output.values.iter().enumerate() {
        let output_v = rounded(output_v - 5.0 + noise[0][k], 3e-3);
        let coil_v = rounded(seen.inductor.values[k] / 10.0 + noise[1][k], 3e-3);
        let load_v = rounded(seen.load.values[k] + 10.0 * noise[0][k], 15e-3);
        writeln!(file, "{:.9},{output_v:.5},{coil_v:.5},{load_v:.5}", k as f64 * GRID.step_s).expect("room");
    }
    format!(
        "[[capture]]\npart = \"Larkspur-10\"\ncondition = \"{condition}\"\ninput = \"{INPUT_V} V\"\nfile = \"{name}\"\n\
         output = {{ column = \"CH1\", coupling = \"ac\", bandwidth = \"20 MHz\", error = \"2 %\" }}\n\
         inductor = {{ column = \"CH2\", scale = \"10 A/V\", error = \"3 %\" }}\n\
         load_current = {{ column = \"CH3\", scale = \"1 A/V\", error = \"1 %\" }}\n\n"
    )
}

/// Four captures of a board that is a little different from its data, and what they tell: seconds, data learned.
fn calibrate() -> (f64, usize) {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("captures-bench");
    std::fs::create_dir_all(&folder).expect("a folder");
    let case = case::read(&Path::new(env!("CARGO_MANIFEST_DIR")).join("cases/valve-controller")).expect("the case");
    let learned = corridor::learned(&case).expect("it can be laid out");
    let at = OnBench {
        part: 0,
        input_v: INPUT_V,
        ambient_degc: AMBIENT_DEGC,
        loop_h: 0.0,
        frequency_hz: None,
        bandwidth_hz: Some(20e6),
    };
    let shifts = [("inductance tolerance".to_string(), 0.7), ("output.capacitors[0].tolerance".to_string(), -0.6)];
    let unit: Unit = Asked { case: &at.case(&learned), part: 0, feels: |_| true, shifts: &shifts }.unit();
    let mut text = format!("[setup]\nambient = \"{AMBIENT_DEGC} degC\"\n\n");
    for (number, (from_a, to_a)) in STEPS_A.into_iter().enumerate() {
        let step = LoadStep { from_a, to_a, slew_a_per_s: 1e6, release_a_per_s: 1e6, hold_s: 180e-6, every_s: None };
        let seen = run::load_step(&unit, &at, &step, 0.3, &GRID).expect("a run");
        text += &write_capture(&folder, &format!("step-{number}.csv"), "load-step", &seen);
    }
    for (number, load_a) in RIPPLES_A.into_iter().enumerate() {
        let seen = run::steady(&unit, &at, load_a, &Wanted { from_s: 0.0, ..GRID }).expect("a run");
        text += &write_capture(&folder, &format!("ripple-{number}.csv"), "steady", &seen);
    }
    std::fs::write(folder.join(captures::FILE), text).expect("room");
    let begin = Instant::now();
    let captures = captures::read(&folder, &case).expect("the captures");
    let taken = files::take(&folder, &captures).expect("the files");
    let (found, _) = measured::calibrate(&case, &captures, taken, &|_, _| {}).expect("a run");
    let took_s = begin.elapsed().as_secs_f64();
    let _ = std::fs::remove_dir_all(&folder);
    (took_s, found.expect("something is learned").data.iter().filter(|datum| datum.is_learned()).count())
}

fn main() {
    let rows = std::env::args().filter_map(|word| word.parse().ok()).next();
    read_rows(rows.unwrap_or(ROWS));
    if rows.is_none() {
        let (took_s, learned) = calibrate();
        println!("calibration  {took_s:.1} s, {learned} data learned of four captures");
    }
}

fn read_rows(rows: u64) {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join("captures-bench.csv");
    write(&path, rows).expect("room for the file");
    let runs = if rows > ROWS { 1 } else { RUNS };
    let own_s = fastest(runs, || drop(black_box(read(&path, rows))));
    let all_s = fastest(runs, || {
        black_box(measure(&read(&path, rows)));
    });
    let peak = peak_mib();
    let peer_s = fastest(runs, || peer(&path));
    println!("reader       {:.2e} rows/s, {rows} rows of two columns", rows as f64 / own_s);
    println!("and measures {:.2e} rows/s", rows as f64 / all_s);
    println!("csv crate    {:.2e} rows/s, split and parsed only", rows as f64 / peer_s);
    println!("ratio        {:.2}, with measures {:.2}", peer_s / own_s, peer_s / all_s);
    peak.iter().for_each(|mib| println!("peak memory  {mib:.0} MiB"));
    let _ = std::fs::remove_file(&path);
}
