//! Files of scopes in many shapes, with what they hold. The table was written before the reader; none follows a maker's format.

use presolder::bench::scope::{self, Said, Scope};

/// Values are kept as single precision numbers: seven digits.
const SINGLE: f64 = 3e-7;
/// A time step printed in a few digits is known to about that share over the few rows here.
const PRINTED: f64 = 1e-6;

/// How the text becomes bytes.
#[derive(Clone, Copy)]
enum Bytes {
    Utf8,
    Utf8Mark,
    Utf16LittleMark,
    Utf16Big,
    Windows,
}

/// What a channel holds: name, unit, values in SI.
type Holds = (&'static str, &'static str, &'static [f64]);

struct Shape {
    name: &'static str,
    bytes: Bytes,
    text: &'static str,
    /// Start and step in s that the person states.
    said: (Option<f64>, Option<f64>),
    start_s: f64,
    step_s: f64,
    channels: &'static [Holds],
    /// Words that what was understood must have.
    told: &'static [&'static str],
}

const NAN: f64 = f64::NAN;

const PLAIN: Shape = Shape {
    name: "plain",
    bytes: Bytes::Utf8,
    text: "time,CH1\n-2e-9,4.97\n-1e-9,4.98\n0,5.01\n1e-9,5.02\n2e-9,4.99\n",
    said: (None, None),
    start_s: -2e-9,
    step_s: 1e-9,
    channels: &[("CH1", "", &[4.97, 4.98, 5.01, 5.02, 4.99])],
    told: &["commas", "5 rows", "1 ns"],
};

const SHAPES: &[Shape] = &[
    PLAIN,
    Shape {
        name: "semicolons, decimal commas, units in brackets",
        text: "Aufnahme 7\n\nZeit [ms];K1 [mV];K2 [A]\n-0,002;12,5;0,53\n-0,001;-3,25;0,54\n0,000;7,75;0,61\n0,001;8,00;0,97\n",
        start_s: -2e-6,
        step_s: 1e-6,
        channels: &[("K1", "V", &[12.5e-3, -3.25e-3, 7.75e-3, 8e-3]), ("K2", "A", &[0.53, 0.54, 0.61, 0.97])],
        told: &["semicolons", "decimal comma", "4 rows"],
        ..PLAIN
    },
    Shape {
        name: "tabs, a row of names and a row of units",
        text: "Time\tOut\tCoil\nus\tV\tmA\n0.0\t5.013\t310\n0.5\t5.017\t355\n1.0\t5.021\t402\n1.5\t5.012\t371\n2.0\t5.008\t339\n",
        start_s: 0.0,
        step_s: 0.5e-6,
        channels: &[
            ("Out", "V", &[5.013, 5.017, 5.021, 5.012, 5.008]),
            ("Coil", "A", &[0.310, 0.355, 0.402, 0.371, 0.339]),
        ],
        told: &["tabs"],
        ..PLAIN
    },
    Shape {
        name: "columns of blanks under remarks",
        text: "# bench 3, ninth capture\n# t/s   u/V\n  1.000E-06   3.31\n  1.002E-06   3.29\n  1.004E-06  -3.32\n  1.006E-06   3.35\n",
        start_s: 1e-6,
        step_s: 2e-9,
        channels: &[("u", "V", &[3.31, 3.29, -3.32, 3.35])],
        told: &["blanks"],
        ..PLAIN
    },
    Shape {
        name: "byte order mark and a micro sign",
        bytes: Bytes::Utf8Mark,
        text: "t;CH3\n(µs);(mV)\n10.0;-1.5\n10.2;2.5\n10.4;3.5\n10.6;0.5\n",
        start_s: 10e-6,
        step_s: 0.2e-6,
        channels: &[("CH3", "V", &[-1.5e-3, 2.5e-3, 3.5e-3, 0.5e-3])],
        told: &["UTF-8"],
        ..PLAIN
    },
    Shape {
        name: "two bytes a letter, with mark",
        bytes: Bytes::Utf16LittleMark,
        text: "Time (s)\tΔU (V)\r\n0.00003\t1.25\r\n0.00004\t1.50\r\n0.00005\t1.75\r\n0.00006\t1.25\r\n",
        start_s: 3e-5,
        step_s: 1e-5,
        channels: &[("ΔU", "V", &[1.25, 1.5, 1.75, 1.25])],
        told: &["UTF-16"],
        ..PLAIN
    },
    Shape {
        name: "two bytes a letter, without mark",
        bytes: Bytes::Utf16Big,
        text: "second,volt\n7.0,0.125\n7.5,0.250\n8.0,0.375\n8.5,0.250\n",
        start_s: 7.0,
        step_s: 0.5,
        channels: &[("volt", "V", &[0.125, 0.25, 0.375, 0.25])],
        told: &["UTF-16"],
        ..PLAIN
    },
    Shape {
        name: "one byte a letter, with a micro sign",
        bytes: Bytes::Windows,
        text: "Messung für Gerät 4\nt [µs];U [mV]\n0;5,5\n4;6,5\n8;7,5\n12;4,5\n",
        start_s: 0.0,
        step_s: 4e-6,
        channels: &[("U", "V", &[5.5e-3, 6.5e-3, 7.5e-3, 4.5e-3])],
        told: &["Windows-1252"],
        ..PLAIN
    },
    Shape {
        name: "start and increment above the numbers",
        text: "Start;-8.0E-09\nIncrement;4.0E-09\nCH1;CH2\n1.5;0.25\n1.6;0.26\n1.4;0.24\n1.5;0.25\n",
        start_s: -8e-9,
        step_s: 4e-9,
        channels: &[("CH1", "", &[1.5, 1.6, 1.4, 1.5]), ("CH2", "", &[0.25, 0.26, 0.24, 0.25])],
        told: &["line 2"],
        ..PLAIN
    },
    Shape {
        name: "sample rate with its unit above one column",
        text: "Probe 10:1\nSample rate: 250 MS/s\nVolts\n0.51\n0.52\n0.53\n0.50\n0.51\n",
        start_s: 0.0,
        step_s: 4e-9,
        channels: &[("Volts", "V", &[0.51, 0.52, 0.53, 0.50, 0.51])],
        told: &["line 2"],
        ..PLAIN
    },
    Shape {
        name: "no time at all; the person states it",
        text: "CH1,CH2\n1.25,2.5\n1.5,2.25\n1.25,2.5\n1.0,2.75\n",
        said: (Some(-3e-6), Some(2e-8)),
        start_s: -3e-6,
        step_s: 2e-8,
        channels: &[("CH1", "", &[1.25, 1.5, 1.25, 1.0]), ("CH2", "", &[2.5, 2.25, 2.5, 2.75])],
        told: &["as stated"],
        ..PLAIN
    },
    Shape {
        name: "samples counted, four channels",
        text: "x increment = 0.8 us\nx origin = -16 us\nSample,CH1,CH2,CH3,CH4\n0,1,10,0.1,5\n1,2,11,0.2,5\n2,3,12,0.1,5\n3,2,11,0.2,6\n",
        start_s: -16e-6,
        step_s: 0.8e-6,
        channels: &[
            ("CH1", "", &[1.0, 2.0, 3.0, 2.0]),
            ("CH2", "", &[10.0, 11.0, 12.0, 11.0]),
            ("CH3", "", &[0.1, 0.2, 0.1, 0.2]),
            ("CH4", "", &[5.0, 5.0, 5.0, 6.0]),
        ],
        told: &["4 channels"],
        ..PLAIN
    },
    Shape {
        name: "a separator behind the last cell",
        text: "t,a,b,\ns,V,V,\n0.1,1.5,-1.5,\n0.2,1.6,-1.6,\n0.3,1.7,-1.7,\n0.4,1.6,-1.6,\n",
        start_s: 0.1,
        step_s: 0.1,
        channels: &[("a", "V", &[1.5, 1.6, 1.7, 1.6]), ("b", "V", &[-1.5, -1.6, -1.7, -1.6])],
        told: &["2 channels"],
        ..PLAIN
    },
    Shape {
        name: "gaps: empty cells, a word for none, rows left out",
        text: "t,CH1,CH2\n0.00,1.5,7\n0.01,,7\n0.02,NaN,7\n0.03,1.7,\n0.06,1.6,8\n0.07,1.5,8\n0.08,1.5,8\n",
        start_s: 0.0,
        step_s: 0.01,
        channels: &[
            ("CH1", "", &[1.5, NAN, NAN, 1.7, NAN, NAN, 1.6, 1.5, 1.5]),
            ("CH2", "", &[7.0, 7.0, 7.0, NAN, NAN, NAN, 8.0, 8.0, 8.0]),
        ],
        told: &["1 gap", "no value"],
        ..PLAIN
    },
    Shape {
        name: "pairs of least and most in two columns",
        text: "Time (us),CH1 min (V),CH1 max (V),CH2\n0,4.9,5.1,1\n1,4.8,5.2,1\n2,4.7,5.1,2\n3,4.9,5.1,1\n",
        start_s: 0.0,
        step_s: 1e-6,
        channels: &[("CH1", "V", &[5.0, 5.0, 4.9, 5.0]), ("CH2", "", &[1.0, 1.0, 2.0, 1.0])],
        told: &["pairs of least and most"],
        ..PLAIN
    },
    Shape {
        name: "pairs of least and most in two rows of one time",
        text: "s,V\n0.5,1.0\n0.5,1.5\n0.6,1.1\n0.6,1.3\n0.7,0.9\n0.7,1.2\n0.8,1.0\n0.8,1.4\n",
        start_s: 0.5,
        step_s: 0.1,
        channels: &[("V", "V", &[1.25, 1.2, 1.05, 1.2])],
        told: &["pairs of least and most"],
        ..PLAIN
    },
    Shape {
        name: "the last row cut between two cells",
        text: "t,CH1,CH2\n0.0,1.5,2.5\n0.1,1.6,2.6\n0.2,1.7,2.7\n0.3,1.8,2.8\n0.4,1.",
        start_s: 0.0,
        step_s: 0.1,
        channels: &[("CH1", "", &[1.5, 1.6, 1.7, 1.8]), ("CH2", "", &[2.5, 2.6, 2.7, 2.8])],
        told: &["last row is cut"],
        ..PLAIN
    },
    Shape {
        name: "the last row cut within its last number",
        text: "t,CH1\n0.0,1.512\n0.1,1.613\n0.2,1.714\n0.3,1.815\n0.4,1.9",
        start_s: 0.0,
        step_s: 0.1,
        channels: &[("CH1", "", &[1.512, 1.613, 1.714, 1.815])],
        told: &["last row is cut"],
        ..PLAIN
    },
    Shape {
        name: "no line end behind the last row, which is whole",
        text: "t,CH1\n0.0,1.512\n0.1,1.613\n0.2,1.714\n0.3,1.815\n0.4,1.916",
        start_s: 0.0,
        step_s: 0.1,
        channels: &[("CH1", "", &[1.512, 1.613, 1.714, 1.815, 1.916])],
        told: &["5 rows"],
        ..PLAIN
    },
    Shape {
        name: "settings beside the first rows",
        text: "Points,6,,-0.003,0.51\nRange,2,V,-0.002,0.52\nProbe,10,x,-0.001,0.53\n,,,0.000,0.54\n,,,0.001,0.55\n,,,0.002,0.53\n",
        start_s: -3e-3,
        step_s: 1e-3,
        channels: &[("column 5", "", &[0.51, 0.52, 0.53, 0.54, 0.55, 0.53])],
        told: &["6 rows"],
        ..PLAIN
    },
    Shape {
        name: "every cell in quotation marks, lines end in two characters",
        text: "\"Time\",\"Ch A\"\r\n\"(s)\",\"(V)\"\r\n\r\n\"0.25\",\"1.125\"\r\n\"0.50\",\"1.250\"\r\n\"0.75\",\"1.375\"\r\n\"1.00\",\"1.250\"\r\n",
        start_s: 0.25,
        step_s: 0.25,
        channels: &[("Ch A", "V", &[1.125, 1.25, 1.375, 1.25])],
        told: &["4 rows"],
        ..PLAIN
    },
    Shape {
        name: "words behind the numbers",
        text: "t;U\n0;1,5\n1;1,6\n2;1,7\n3;1,5\nend of record\nchecked by nobody\n",
        start_s: 0.0,
        step_s: 1.0,
        channels: &[("U", "", &[1.5, 1.6, 1.7, 1.5])],
        told: &["2 lines behind the numbers"],
        ..PLAIN
    },
    Shape {
        name: "numbers above the numbers",
        text: "3,17\n2026,11,28\n0.5,0.25\nt,CH1,CH2\n0.000,1,2\n0.001,2,1\n0.002,1,2\n0.003,2,1\n0.004,1,2\n",
        start_s: 0.0,
        step_s: 1e-3,
        channels: &[("CH1", "", &[1.0, 2.0, 1.0, 2.0, 1.0]), ("CH2", "", &[2.0, 1.0, 2.0, 1.0, 2.0])],
        told: &["from line 5"],
        ..PLAIN
    },
    Shape {
        name: "blanks, decimal commas and exponents",
        text: "t u\n1,0E-05 -4,5E-01\n1,5E-05 -4,0E-01\n2,0E-05 +3,5e+01\n2,5E-05 -3,0E-01\n",
        start_s: 1e-5,
        step_s: 5e-6,
        channels: &[("u", "", &[-0.45, -0.4, 35.0, -0.3])],
        told: &["blanks", "decimal comma"],
        ..PLAIN
    },
    Shape {
        name: "a minus sign that is not a hyphen",
        text: "t;u\n\u{2212}0.2;\u{2212}1.5\n\u{2212}0.1;\u{2212}1.25\n0.0;1.5\n0.1;1.25\n",
        start_s: -0.2,
        step_s: 0.1,
        channels: &[("u", "", &[-1.5, -1.25, 1.5, 1.25])],
        told: &["4 rows"],
        ..PLAIN
    },
    Shape {
        name: "one column of decimal commas",
        text: "Increment: 2 us\nU\n0,125\n0,250\n0,075\n-0,250\n0,012\n",
        start_s: 0.0,
        step_s: 2e-6,
        channels: &[("U", "", &[0.125, 0.25, 0.075, -0.25, 0.012])],
        told: &["decimal comma"],
        ..PLAIN
    },
    Shape {
        name: "time printed in too few digits",
        text: "t,u\n1.000e-3,1\n1.000e-3,2\n1.000e-3,3\n1.001e-3,2\n1.001e-3,1\n1.001e-3,2\n1.001e-3,3\n1.002e-3,1\n1.002e-3,0\n",
        start_s: 1e-3,
        step_s: 0.25e-6,
        channels: &[("u", "", &[1.0, 2.0, 3.0, 2.0, 1.0, 2.0, 3.0, 1.0, 0.0])],
        told: &["too few digits"],
        ..PLAIN
    },
];

fn bytes(shape: &Shape) -> Vec<u8> {
    let units = || shape.text.encode_utf16();
    match shape.bytes {
        Bytes::Utf8 => shape.text.as_bytes().to_vec(),
        Bytes::Utf8Mark => [b"\xef\xbb\xbf", shape.text.as_bytes()].concat(),
        Bytes::Utf16LittleMark => [vec![0xff, 0xfe], units().flat_map(u16::to_le_bytes).collect()].concat(),
        Bytes::Utf16Big => units().flat_map(u16::to_be_bytes).collect(),
        // Every letter used here has its own code as byte.
        Bytes::Windows => shape.text.chars().map(|letter| u8::try_from(u32::from(letter)).expect("one byte")).collect(),
    }
}

fn read(shape: &Shape) -> Scope {
    let said = Said { start_s: shape.said.0, step_s: shape.said.1, ..Said::default() };
    scope::read(&bytes(shape)[..], &said).unwrap_or_else(|fault| panic!("{}: {fault:?}", shape.name))
}

fn is_near(a: f64, b: f64, share: f64) -> bool {
    (a.is_nan() && b.is_nan()) || (a - b).abs() <= share * b.abs().max(1e-12)
}

#[test]
fn law_every_shape_gives_what_it_holds() {
    for shape in SHAPES {
        let scope = read(shape);
        let (name, told) = (shape.name, scope.told.lines().join("\n"));
        assert!(is_near(scope.told.start_s, shape.start_s, PRINTED), "{name}: start {} \n{told}", scope.told.start_s);
        assert!(is_near(scope.told.step_s, shape.step_s, PRINTED), "{name}: step {}\n{told}", scope.told.step_s);
        let names: Vec<(&str, &str)> = scope.channels.iter().map(|c| (c.name.as_str(), c.unit.as_str())).collect();
        let wanted: Vec<(&str, &str)> = shape.channels.iter().map(|c| (c.0, c.1)).collect();
        assert_eq!(names, wanted, "{name}\n{told}");
        for (channel, holds) in scope.channels.iter().zip(shape.channels) {
            let values: Vec<f64> = channel.values.iter().map(|v| f64::from(*v)).collect();
            assert_eq!(values.len(), holds.2.len(), "{name}, {}: {values:?}\n{told}", holds.0);
            assert!(
                values.iter().zip(holds.2).all(|(a, b)| is_near(*a, *b, SINGLE)),
                "{name}, {}: {values:?}",
                holds.0
            );
        }
        shape.told.iter().for_each(|word| assert!(told.contains(word), "{name}: \"{word}\" is not in\n{told}"));
        assert!(scope.told.lines().iter().all(|line| line.chars().count() <= 80), "{name}: {told}");
    }
}

/// The shapes by every way a source may hand over its bytes: one at a time, seven at a time.
#[test]
fn law_a_slow_source_changes_nothing() {
    struct Slow<'a>(&'a [u8], usize);
    impl std::io::Read for Slow<'_> {
        fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
            let count = self.1.min(into.len()).min(self.0.len());
            into[..count].copy_from_slice(&self.0[..count]);
            self.0 = &self.0[count..];
            Ok(count)
        }
    }
    for shape in SHAPES {
        let said = Said { start_s: shape.said.0, step_s: shape.said.1, ..Said::default() };
        let whole = read(shape);
        for count in [1, 7] {
            let slow = scope::read(Slow(&bytes(shape), count), &said).expect("the same");
            assert_eq!(format!("{:?}", slow.told), format!("{:?}", whole.told), "{}", shape.name);
            assert_eq!(format!("{:?}", slow.channels), format!("{:?}", whole.channels), "{}", shape.name);
        }
    }
}

#[test]
fn law_clipped_samples_are_counted() {
    // A sine of 200 levels, cut at 70 % of its height on the upper side only.
    let row = |k: usize| {
        let level = (100.0 * (k as f64 * 0.0123).sin()).round().min(70.0);
        format!("{:.3},{:.2}\n", k as f64 * 1e-3, 0.04 * level)
    };
    let text: String = std::iter::once("t,CH1\n".into()).chain((0..9000).map(row)).collect();
    let scope = scope::read(text.as_bytes(), &Said::default()).expect("it is sound");
    // The sine is above 70 % for (pi - 2 asin 0.695) / 2 pi of the time, half a level taken off for rounding.
    let above = 0.5 - (0.695f64).asin() / std::f64::consts::PI;
    let channel = &scope.told.channels[0];
    assert!((channel.clipped - above).abs() < 0.01, "{} of {above}", channel.clipped);
    assert_eq!(channel.bits, Some(8), "170 levels");
    assert!(scope.told.lines().join("\n").contains("clipped"));
    let whole: String = text.lines().map(|line| line.replace(",2.80", ",2.76") + "\n").take(3).collect();
    let scope = scope::read(whole.as_bytes(), &Said::default()).expect("it is sound");
    assert_eq!(scope.told.channels[0].clipped, 0.0, "three rows are no evidence");
}

#[test]
fn error_what_is_no_capture_is_refused_with_its_line() {
    let rows = |count: usize, last: &str| -> String {
        (0..count).map(|k| format!("{:.2};{:.1}\n", k as f64 * 0.01, k % 7)).collect::<String>() + last
    };
    let cases: [(&str, String, usize, &str); 8] = [
        ("empty", String::new(), 0, "empty"),
        ("no numbers", "a,b\nc,d\n".into(), 0, "numbers"),
        ("time falls", rows(40, "0.05;3.0\n0.41;3.0\n"), 41, "rising"),
        ("time stands", "t,u\n1.5,2\n1.5,3\n1.5,2\n1.5,2\n1.5,4\n".into(), 0, "rising"),
        ("no time", "CH1\n0.5\n0.7\n0.2\n0.4\n".into(), 0, "step"),
        ("a word among the numbers", rows(40, "0.40;oops\n0.41;3.0\n0.42;2.0\n"), 41, "number"),
        ("a row too short", rows(40, "0.40\n0.41;3.0\n0.42;2.0\n"), 41, "2 cells"),
        ("a gap without end", rows(40, "9e9;1.0\n"), 41, "gap"),
    ];
    for (name, text, line, word) in cases {
        let fault = scope::read(text.as_bytes(), &Said::default()).err().unwrap_or_else(|| panic!("{name} is read"));
        let all = format!("{} {} {}", fault.found, fault.expected, fault.hint);
        assert_eq!(fault.line, line, "{name}: {all}");
        assert!(all.contains(word), "{name}: {all}");
    }
    let picture = [&b"\x89PNG\r\n\x1a\n"[..], &[0, 1, 2, 3, 200, 201, 0, 0, 7]].concat();
    let fault = scope::read(&picture[..], &Said::default()).expect_err("a picture");
    assert!(fault.found.contains("picture") || fault.hint.contains("picture"), "{fault:?}");
    let wanted = Said { columns: vec!["CH7".into()], ..Said::default() };
    let fault = scope::read(PLAIN.text.as_bytes(), &wanted).expect_err("no such column");
    assert!(fault.hint.contains("CH1"), "{fault:?}");
}

#[test]
fn law_a_long_record_is_averaged_and_says_so() {
    const ROWS: usize = 70_000;
    let text: String = (0..ROWS).map(|k| format!("{:.6},{}\n", k as f64 * 1e-6, k % 4)).collect();
    let said = Said { most_points: 8192, ..Said::default() };
    let scope = scope::read(text.as_bytes(), &said).expect("it is sound");
    assert_eq!(scope.told.rows, ROWS as u64);
    assert!(scope.channels[0].values.len() <= 8192);
    assert_eq!(scope.told.averaged, 16);
    let step_s = scope.told.step_s * f64::from(scope.told.averaged);
    assert!((step_s / 16e-6 - 1.0).abs() < 1e-9, "{step_s}");
    // Four samples in a row have the mean 1.5.
    assert!(scope.channels[0].values.iter().all(|value| *value == 1.5));
    assert!(scope.told.lines().join("\n").contains("averaged"));
    // What was between the averages is kept as least and most.
    let ends = scope.channels[0].ends.as_ref().expect("ends");
    assert!(ends.0.iter().all(|value| *value == 0.0) && ends.1.iter().all(|value| *value == 3.0));
}
