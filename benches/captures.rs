//! Rows a second of a scope's file through the reader, and through reader and measures of a ripple, against the `csv` crate that splits the same file and parses each cell, and the
//! memory that a long record takes.
//!
//! `cargo bench --bench captures`; `-- 100000000` reads so many rows instead. The file is written beside the build and deleted.

use presolder::bench::fold::fold;
use presolder::bench::noise;
use presolder::bench::scope::{self, Said, Scope};
use presolder::bench::trace::Trace;
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

fn main() {
    let rows = std::env::args().filter_map(|word| word.parse().ok()).next().unwrap_or(ROWS);
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
