//! Checks against references from outside. Each is asserted and written down, so that docs/validation.md is made by a run
//! and not typed.

pub mod current_mode;
pub mod derivation;
pub mod losses;
pub mod motion;
pub mod regulator;
pub mod stability;
pub mod steady;

use std::fmt::Write;

/// How much a source is worth.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Status {
    /// Read in the source.
    Seen,
    /// From memory of the source, recomputed.
    Memory,
    /// A closed form derived for this project and confirmed numerically.
    Derived,
    /// The number of a general-purpose library (NumPy, SciPy, mpmath) for this problem.
    Oracle,
}

impl Status {
    fn text(self) -> &'static str {
        match self {
            Status::Seen => "read in the source",
            Status::Memory => "from memory of the source, recomputed",
            Status::Derived => "derived and confirmed numerically",
            Status::Oracle => "computed with general-purpose numerics",
        }
    }
}

#[derive(Clone, Copy, Debug)]
enum Reference {
    /// A value and the largest relative difference.
    Value(f64, f64),
    /// The lowest and highest value.
    Band(f64, f64),
    /// A largest magnitude, for residuals; what is below is rounding and not written down.
    Below(f64),
}

struct Check {
    quantity: String,
    ours: f64,
    reference: Reference,
}

struct Case {
    title: &'static str,
    source: &'static str,
    status: Status,
    checks: Vec<Check>,
}

/// All checks of a run, in order.
#[derive(Default)]
pub struct Log {
    cases: Vec<Case>,
}

/// Digits to which values are written: more than any difference that matters, fewer than rounding reaches.
const DIGITS: usize = 8;
/// Relative differences below are rounding and differ between machines.
const ROUNDING: f64 = 1e-9;

impl Log {
    /// The checks that follow belong to this case.
    pub fn case(&mut self, title: &'static str, source: &'static str, status: Status) {
        self.cases.push(Case { title, source, status, checks: vec![] });
    }

    fn note(&mut self, quantity: String, ours: f64, reference: Reference) {
        self.cases.last_mut().expect("a check belongs to a case").checks.push(Check { quantity, ours, reference });
    }

    /// Asserts a relative difference.
    pub fn near(&mut self, quantity: impl Into<String>, ours: f64, reference: f64, tolerance: f64) {
        let quantity = quantity.into();
        let relative = ours / reference - 1.0;
        println!(
            "{quantity}: {ours:.12e}, reference {reference:.12e}, difference {relative:.2e}, allowed {tolerance:e}"
        );
        assert!(relative.abs() <= tolerance, "{quantity}: {ours:e} against {reference:e}, difference {relative:e}");
        self.note(quantity, ours, Reference::Value(reference, tolerance));
    }

    /// Asserts a band.
    pub fn within(&mut self, quantity: impl Into<String>, ours: f64, low: f64, high: f64) {
        let quantity = quantity.into();
        println!("{quantity}: {ours:.12e}, reference {low:e} to {high:e}");
        assert!(ours >= low && ours <= high, "{quantity}: {ours:e} is outside {low:e} to {high:e}");
        self.note(quantity, ours, Reference::Band(low, high));
    }

    /// Asserts that a residual is small.
    pub fn below(&mut self, quantity: impl Into<String>, ours: f64, limit: f64) {
        let quantity = quantity.into();
        println!("{quantity}: {ours:.3e}, limit {limit:e}");
        assert!(ours.abs() <= limit, "{quantity}: {ours:e} is above {limit:e}");
        self.note(quantity, ours, Reference::Below(limit));
    }

    /// The page docs/validation.md.
    pub fn page(&self) -> String {
        let mut page = String::from(PREFACE);
        let count: usize = self.cases.iter().map(|case| case.checks.len()).sum();
        let _ = writeln!(page, "{count} values in {} cases.", self.cases.len());
        for case in &self.cases {
            let _ = write!(page, "\n## {}\n\nSource: {} ({}).\n\n", case.title, case.source, case.status.text());
            page.push_str("| Quantity | Ours | Reference | Difference | Allowed |\n|---|---|---|---|---|\n");
            case.checks.iter().for_each(|check| page.push_str(&check.line()));
        }
        page
    }
}

/// Whether two pages say the same: equal words, and numbers that differ by no more than machines may differ.
pub fn same_page(a: &str, b: &str) -> bool {
    /// Relative difference of two numbers on the page that is rounding, and the absolute one of two small differences.
    const SAME: (f64, f64) = (1e-6, 1e-7);
    let same_word = |(a, b): (&str, &str)| match (a.parse::<f64>(), b.parse::<f64>()) {
        (Ok(x), Ok(y)) => {
            (x - y).abs() <= SAME.0 * x.abs().max(y.abs()) + SAME.1 * f64::from(x.abs().max(y.abs()) < 1e-3)
        }
        _ => a == b,
    };
    let words = |page: &'_ str| page.split_whitespace().map(str::to_owned).collect::<Vec<_>>();
    let (a, b) = (words(a), words(b));
    a.len() == b.len() && a.iter().zip(&b).all(|(a, b)| same_word((a, b)))
}

const PREFACE: &str = "# Validation

Checks of the calculation against references from outside the project. This page is written by the test
`tests/engine/validation.rs`, which fails when it no longer holds; `PRESOLDER_FREEZE=1 cargo test --test engine validation::` writes
it anew. Values are in SI units unless the line says otherwise. Differences are relative; 1e-9 stands for that or less.

";

impl Check {
    fn line(&self) -> String {
        let (reference, difference, allowed) = match self.reference {
            Reference::Value(value, tolerance) => {
                let relative = (self.ours / value - 1.0).abs();
                (digits(value), short(relative.max(ROUNDING)), short(tolerance))
            }
            Reference::Band(low, high) => {
                (format!("{} to {}", digits(low), digits(high)), "inside".into(), "inside".into())
            }
            Reference::Below(limit) => ("0".into(), "below".into(), short(limit)),
        };
        let ours = if matches!(self.reference, Reference::Below(_)) { "rounding".into() } else { digits(self.ours) };
        format!("| {} | {ours} | {reference} | {difference} | {allowed} |\n", self.quantity)
    }
}

/// A tolerance with at most two digits.
fn short(value: f64) -> String {
    format!("{value:.1e}").replace(".0e", "e")
}

/// A number with a fixed count of significant digits, trailing zeros cut.
fn digits(value: f64) -> String {
    let exponent = if value == 0.0 { 0 } else { value.abs().log10().floor() as i32 };
    if !(-4..7).contains(&exponent) {
        let (mantissa, power) =
            format!("{value:.*e}", DIGITS - 1).split_once('e').map(|(m, p)| (m.to_owned(), p.to_owned())).unwrap();
        return format!("{}e{power}", cut_zeros(&mantissa));
    }
    cut_zeros(&format!("{value:.*}", (DIGITS as i32 - 1 - exponent).max(0) as usize)).to_owned()
}

fn cut_zeros(text: &str) -> &str {
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { text }
}
