//! Digits to numbers, fast where they are short and always to the nearest.

/// Powers of ten that a double holds exactly.
const EXACT: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20,
    1e21, 1e22,
];
/// Whole numbers below it are exact.
const WHOLE: u64 = 1 << 53;
/// Digits that fit 64 bits.
const DIGITS: usize = 19;

/// A number at the begin of some bytes and its length; `None` where there is none, or none that is short.
///
/// A whole number below 2^53 times or over an exact power of ten is rounded once, so to the nearest double (W. D. Clinger, "How to read
/// floating point numbers accurately", 1990).
#[inline]
pub(super) fn short(bytes: &[u8], point: u8) -> Option<(f64, usize)> {
    let mut at = 0;
    let negative = match bytes.first()? {
        b'-' => {
            at = 1;
            true
        }
        b'+' => {
            at = 1;
            false
        }
        _ => false,
    };
    let mut whole = 0u64;
    let first = at;
    at = digits(bytes, at, &mut whole);
    let mut count = at - first;
    let mut power = 0i32;
    if bytes.get(at) == Some(&point) {
        let begin = at + 1;
        at = digits(bytes, begin, &mut whole);
        count += at - begin;
        power = -((at - begin) as i32);
    }
    if count == 0 || count > DIGITS {
        return None;
    }
    if matches!(bytes.get(at), Some(b'e' | b'E')) {
        let (exponent, behind) = exponent(bytes, at + 1)?;
        power += exponent;
        at = behind;
    }
    if whole >= WHOLE {
        return None;
    }
    let whole = whole as f64;
    let value = match power {
        0 => whole,
        1..=22 => whole * EXACT[power as usize],
        -22..=-1 => whole / EXACT[-power as usize],
        _ => return None,
    };
    Some((if negative { -value } else { value }, at))
}

#[inline]
fn digits(bytes: &[u8], mut at: usize, whole: &mut u64) -> usize {
    while let Some(digit) = bytes.get(at).map(|byte| byte.wrapping_sub(b'0')).filter(|digit| *digit < 10) {
        *whole = whole.wrapping_mul(10).wrapping_add(u64::from(digit));
        at += 1;
    }
    at
}

#[inline]
fn exponent(bytes: &[u8], mut at: usize) -> Option<(i32, usize)> {
    let negative = bytes.get(at) == Some(&b'-');
    at += usize::from(matches!(bytes.get(at), Some(b'-' | b'+')));
    let begin = at;
    let mut whole = 0u64;
    at = digits(bytes, at, &mut whole);
    let exponent = i32::try_from(whole).ok().filter(|_| (1..=4).contains(&(at - begin)))?;
    Some((if negative { -exponent } else { exponent }, at))
}

/// A cell as a number: `None` where it is none, not a number where it says that there is none.
pub(super) fn cell(text: &str, decimal_comma: bool) -> Option<f64> {
    let text = text.trim().trim_matches('"').trim();
    if text.is_empty() || is_word_for_none(text) {
        return Some(f64::NAN);
    }
    // A comma or point that is not the decimal mark separates thousands, or is no number.
    if text.contains(if decimal_comma { '.' } else { ',' }) {
        return None;
    }
    let text = text.replace('\u{2212}', "-").replace(',', ".");
    let first = text.trim_start_matches(['-', '+']).bytes().next()?;
    let value: f64 = (first.is_ascii_digit() || first == b'.').then(|| text.parse().ok()).flatten()?;
    Some(if value.is_finite() { value } else { f64::NAN })
}

/// Whether a cell says in a word that it holds no value.
fn is_word_for_none(text: &str) -> bool {
    const WORDS: [&str; 9] = ["nan", "inf", "-inf", "+inf", "-", "--", "---", "n/a", "null"];
    WORDS.iter().any(|word| text.eq_ignore_ascii_case(word))
}

#[cfg(test)]
mod tests {
    use super::{cell, short};

    #[test]
    fn law_the_short_way_gives_what_the_long_way_gives() {
        let mut state = 0x9e37_79b9_97f4_a7c5u64;
        let mut random = |below: u64| {
            state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            (state >> 33) % below
        };
        let mut taken = 0;
        for _ in 0..200_000 {
            let sign = ["", "-", "+"][random(3) as usize];
            let (whole, part) = (random(1_000_000), random(1_000_000_000));
            let exponent = ["", "e-6", "E+3", "e-12", "E05", "e-30"][random(6) as usize];
            let text = format!("{sign}{whole}.{part}{exponent}");
            let long = cell(&text, false).expect("a number");
            if let Some((value, length)) = short(text.as_bytes(), b'.') {
                assert_eq!(length, text.len(), "{text}");
                assert_eq!(value.to_bits(), long.to_bits(), "{text}");
                taken += 1;
            }
        }
        assert!(taken > 100_000, "{taken} went the short way");
    }

    #[test]
    fn error_what_is_no_number_is_none() {
        ["", "-", "e5", ".", "+", "abc", "-e-3", "1e"]
            .iter()
            .for_each(|text| assert!(short(text.as_bytes(), b'.').is_none(), "{text}"));
        ["1.2.3", "1,2", "12 V", "0x10", "1e", "infinity"]
            .iter()
            .for_each(|text| assert!(cell(text, false).is_none(), "{text}"));
        assert!(cell("NaN", false).expect("a gap").is_nan() && cell(" ", true).expect("a gap").is_nan());
    }
}
