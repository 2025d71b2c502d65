//! Mutated cases: a demo case with a few random changes in one file. Whatever stands there, reading ends soon, never panics, and
//! gives a case that can be simulated or problems with their places.

use std::collections::BTreeMap;
use std::panic::catch_unwind;
use std::path::Path;
use std::time::{Duration, Instant};

use presolder::case::{self, Case};
use presolder::error::Error;
use presolder::parts::saturation::{FluxCurve, FluxTable};

use super::{BOARD, CSV, CURVE, Copy, KIOSK, OVEN, TOML, VALVE, WINCH};

/// Mutants of an ordinary run; `PRESOLDER_MUTANTS` gives another number, `PRESOLDER_SEED` another begin.
const MUTANTS: u64 = 400;
/// Longer than any reading takes on a busy machine: beyond it, it hangs.
const HANGS: Duration = Duration::from_secs(20);

/// What an editor, a spreadsheet or an ill-disposed person may leave in a text.
const ODD: &[&str] =
    &["\u{1b}[31m", "\u{202e}", "\0", "\"", "'''", "[", "]]", "=", ",", ";", "#", "\r", "\u{2028}", "@"];

/// Random numbers without a crate (SplitMix64, G. L. Steele, D. Lea, C. H. Flood, OOPSLA 2014).
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn below(&mut self, n: usize) -> usize {
        (self.next() % n.max(1) as u64) as usize
    }

    fn of<'a, T>(&mut self, all: &'a [T]) -> &'a T {
        &all[self.below(all.len())]
    }
}

/// A span of the text: where the file has numbers, a random one of them.
fn number(text: &str, random: &mut Random) -> Option<(usize, usize)> {
    let digit = |c: char| c.is_ascii_digit() || c == '.';
    let starts: Vec<usize> = text
        .char_indices()
        .filter(|&(i, c)| c.is_ascii_digit() && !text[..i].ends_with(|c: char| digit(c) || c.is_alphanumeric()))
        .map(|(i, _)| i)
        .collect();
    let start = (!starts.is_empty()).then(|| *random.of(&starts))?;
    let length = text[start..].find(|c: char| !digit(c)).unwrap_or(text.len() - start);
    Some((start, start + length))
}

fn line(text: &str, random: &mut Random) -> (usize, usize) {
    let starts: Vec<usize> = std::iter::once(0).chain(text.match_indices('\n').map(|(i, _)| i + 1)).collect();
    let start = *random.of(&starts);
    (start, text[start..].find('\n').map_or(text.len(), |i| start + i + 1))
}

/// One change of the text; its name.
fn change(text: &mut String, random: &mut Random) -> &'static str {
    let kind = random.below(12);
    let (from, to) = line(text, random);
    let old = text[from..to].to_string();
    match kind {
        0 => {
            text.replace_range(from..to, "");
            "line removed"
        }
        1 => {
            text.insert_str(from, &old);
            "line twice"
        }
        2 => {
            let value =
                *random.of(&["true", "[]", "{}", "1979-05-27", "\"\"", "0x1F", "[[1, 2]]", "''", "-0", "1_000"]);
            let start = text[from..to].find('=').map_or(from, |i| from + i + 1);
            let end = from + old.trim_end().len();
            text.replace_range(start..end.max(start), &format!(" {value}"));
            "another type"
        }
        3 => replace_number(text, random, |n, r| format!("{n}e{}", *r.of(&[-30, -9, -6, -3, -1, 1, 3, 6, 9, 30, 400]))),
        4 => replace_number(text, random, |n, _| format!("-{n}")),
        5 => replace_number(text, random, |_, r| {
            r.of(&["NaN", "inf", "-inf", "0", "1e308", "5e-324", "1,5", "٣"]).to_string()
        }),
        6 => {
            let unit = *random.of(&["V", "A", "uH", "mohm", "kHz", "%", "degC", "K/W", "furlong", "A/us", ""]);
            let spans: Vec<(usize, usize)> = text
                .match_indices(' ')
                .filter_map(|(i, _)| Some((i + 1, i + 1 + text[i + 1..].find('"')?)))
                .filter(|(a, b)| b - a < 6 && !text[*a..*b].contains('\n'))
                .collect();
            if let Some(&(a, b)) = (!spans.is_empty()).then(|| random.of(&spans)) {
                text.replace_range(a..b, unit);
            }
            "another unit"
        }
        7 => {
            let cut = text.floor_char_boundary(random.below(text.len()));
            text.truncate(cut);
            "cut off"
        }
        8 => {
            let at = text.floor_char_boundary(random.below(text.len() + 1));
            let odd: &str = ODD[random.below(ODD.len())];
            text.insert_str(at, odd);
            "odd character"
        }
        9 => {
            let at = text.floor_char_boundary(random.below(text.len() + 1));
            let fill = *random.of(&["x", "9", "[", ",", "\"", "a.", "é"]);
            text.insert_str(at, &fill.repeat(100_000));
            "very long line"
        }
        10 => {
            *text = text.replace('\n', "\r\n");
            "carriage returns"
        }
        _ => {
            let (a, b) = line(text, random);
            let other = text[a..b].to_string();
            text.insert_str(from.min(a), &other);
            "line moved"
        }
    }
}

fn replace_number(text: &mut String, random: &mut Random, by: impl Fn(&str, &mut Random) -> String) -> &'static str {
    if let Some((from, to)) = number(text, random) {
        let new = by(&text[from..to], random);
        text.replace_range(from..to, &new);
    }
    "another number"
}

/// The changed text as bytes, now and then in another encoding or with bytes changed.
fn encoded(text: &str, random: &mut Random) -> (Vec<u8>, &'static str) {
    match random.below(20) {
        0 => ([b"\xef\xbb\xbf", text.as_bytes()].concat(), "UTF-8 with mark"),
        1 => (
            [&[0xff, 0xfe][..], &text.encode_utf16().flat_map(u16::to_le_bytes).collect::<Vec<u8>>()].concat(),
            "UTF-16",
        ),
        2 => (text.encode_utf16().flat_map(u16::to_be_bytes).collect(), "UTF-16 without mark"),
        3 => {
            let mut bytes = text.as_bytes().to_vec();
            for _ in 0..1 + random.below(8) {
                let at = random.below(bytes.len());
                if let Some(byte) = bytes.get_mut(at) {
                    *byte = random.next() as u8;
                }
            }
            (bytes, "random bytes")
        }
        _ => (text.as_bytes().to_vec(), ""),
    }
}

/// What `check` accepts, the engine's tables hold.
fn can_be_laid_out(case: &Case) {
    for part in &case.parts {
        for curve in &part.saturation {
            let smooth =
                FluxCurve::new(&part.saturation, curve.temperature_degc, 1.0 - part.tolerance).expect("a curve");
            FluxTable::from_curve(&smooth, case.numerics.saturation_error_a).expect("a table");
        }
    }
}

/// Reads the case; what came of it.
fn read(folder: &Path) -> &'static str {
    match case::read(folder) {
        Ok(case) => {
            can_be_laid_out(&case);
            "a case"
        }
        Err(error) => {
            let shown = error.to_string();
            assert!(shown.len() < 40_000, "{} bytes of message", shown.len());
            assert!(!shown.contains(|c: char| c.is_control() && c != '\n'), "{shown:?}");
            let Error::Case(problems) = error else { panic!("no problem of the case: {shown}") };
            assert!(!problems.is_empty());
            assert!(problems.iter().all(|p| !p.file.is_empty() && !p.expected.is_empty()), "{shown}");
            if problems.iter().any(|p| p.line == 0) { "a file refused" } else { "problems with lines" }
        }
    }
}

#[test]
fn error_mutated_cases_are_read_or_refused_with_their_places() {
    let number_of = |name: &str| std::env::var(name).ok().and_then(|text| text.parse::<u64>().ok());
    let (count, seed) = (number_of("PRESOLDER_MUTANTS").unwrap_or(MUTANTS), number_of("PRESOLDER_SEED").unwrap_or(7));
    let demos: Vec<(&str, Copy, &[&str])> = vec![
        (KIOSK, Copy::of(KIOSK), &[BOARD, TOML]),
        (VALVE, Copy::of(VALVE), &[BOARD, CSV, CURVE]),
        (OVEN, Copy::of(OVEN), &[BOARD, TOML]),
        (WINCH, Copy::of(WINCH), &[BOARD, TOML]),
    ];
    let mut came_of_it: BTreeMap<&str, u64> = BTreeMap::new();
    for k in 0..count {
        let mut random = Random(seed.wrapping_mul(1_000_003).wrapping_add(k));
        let (demo, copy, files) = random.of(&demos);
        let file = *random.of(files);
        let original = copy.text(file);
        let mut text = original.clone();
        let mut done: Vec<&str> = (0..1 + random.below(3)).map(|_| change(&mut text, &mut random)).collect();
        let (bytes, encoding) = encoded(&text, &mut random);
        done.push(encoding);
        copy.write(file, &bytes);
        let begin = Instant::now();
        let folder = copy.folder.clone();
        let result = catch_unwind(|| read(&folder));
        let took = begin.elapsed();
        let Ok(result) = result else { panic!("mutant {k} of seed {seed}: {demo}/{file}: {done:?}") };
        assert!(took < HANGS, "mutant {k} of seed {seed}: {demo}/{file}: {done:?} took {took:?}");
        *came_of_it.entry(result).or_default() += 1;
        copy.write(file, original);
    }
    println!("{count} mutants from seed {seed}: {came_of_it:?}");
    assert_eq!(came_of_it.values().sum::<u64>(), count);
}
