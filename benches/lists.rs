//! What a line of a purchasing list costs to read and to match, against the `csv` crate that reads the same bytes into strings, at several
//! lengths: whether it grows with the length is seen from one run. And the memory that a list takes.
//!
//! `cargo bench --bench lists`; `-- 100000` reads so many lines besides.

#[path = "../tests/support/lists.rs"]
mod lists;

use presolder::case;
use std::hint::black_box;
use std::path::{Path, PathBuf};
use std::time::Instant;

/// Lines of the lists.
const ROWS: [usize; 4] = [100, 1000, 10_000, 20_000];
/// Lines that are read in all for a length, so that a short list is timed as well as a long one, and the least number of runs.
const LINES: usize = 60_000;
const RUNS: usize = 3;

/// The fastest of several runs in s.
fn fastest<T>(runs: usize, work: impl Fn() -> T) -> f64 {
    let once = || {
        let begin = Instant::now();
        black_box(work());
        begin.elapsed().as_secs_f64()
    };
    (0..runs).map(|_| once()).fold(f64::INFINITY, f64::min)
}

/// Every cell as a string of its own, as plainly as `csv` lets one.
fn peer(text: &str) {
    let mut reader = csv::ReaderBuilder::new().delimiter(b';').from_reader(text.as_bytes());
    let rows: Vec<Vec<String>> =
        reader.records().map(|record| record.expect("a line").iter().map(String::from).collect()).collect();
    black_box(rows);
}

/// Parts of the demo board with the lists.
fn read(lists: &[PathBuf]) -> usize {
    let board = Path::new(env!("CARGO_MANIFEST_DIR")).join("cases/valve-controller");
    let case = case::read_with_lists(&board, lists, &[]).expect("a list that is read");
    black_box(&case).parts.len()
}

/// Highest resident memory of this process so far in MiB, where the system tells.
fn peak_mib() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM"))?;
    line.split_whitespace().nth(1)?.parse::<f64>().ok().map(|kib| kib / 1024.0)
}

fn main() {
    if !std::env::args().any(|argument| argument == "--bench") {
        return;
    }
    let more = std::env::args().filter_map(|word| word.parse().ok());
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join("lists-bench.csv");
    let board_s = fastest(RUNS, || read(&[]));
    let own = read(&[]);
    println!("{:>7}  {:>10}  {:>10}  {:>6}  {:>9}", "lines", "us a line", "csv crate", "ratio", "peak MiB");
    for rows in ROWS.into_iter().chain(more) {
        let text = lists::list(rows);
        std::fs::write(&path, &text).expect("room for the list");
        assert_eq!(read(std::slice::from_ref(&path)) - own, rows - rows / lists::SLIP_EVERY, "lines that can be used");
        let runs = (LINES / rows).max(RUNS);
        let own_us = (fastest(runs, || read(std::slice::from_ref(&path))) - board_s) * 1e6 / rows as f64;
        let peak = peak_mib().map_or_else(String::new, |mib| format!("{mib:.0}"));
        let peer_us = fastest(runs, || peer(&text)) * 1e6 / rows as f64;
        println!("{rows:>7}  {own_us:>10.1}  {peer_us:>10.2}  {:>6.0}  {peak:>9}", own_us / peer_us);
    }
    let _ = std::fs::remove_file(&path);
}
