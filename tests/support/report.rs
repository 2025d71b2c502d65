//! A made-up comparison with plausible numbers, for tests of the formats. Nothing here is simulated.
#![allow(dead_code)] // every test file uses another part of it

use presolder::record::layout::*;

const NAMES: [&str; 8] = [
    "Original-10",
    "Kestrel-10",
    "Harrier-10-HT",
    "Merlin-8R2-SM",
    "Osprey-12",
    "Buzzard-15",
    "Goshawk-4R7",
    "Falcon-22",
];

/// Inductance in H and series resistance in ohm of the made-up parts.
const INDUCTANCES_H: [f64; 8] = [10.3e-6, 9.7e-6, 10.1e-6, 8.2e-6, 12.4e-6, 14.9e-6, 4.8e-6, 21.7e-6];
const RESISTANCES_OHM: [f64; 8] = [0.0212, 0.0187, 0.0304, 0.0158, 0.0281, 0.0344, 0.0121, 0.0517];

/// Record and curves of the first `parts` made-up parts.
pub fn comparison(parts: usize) -> (Record, Curves) {
    comparison_of(&NAMES[..parts])
}

/// Record and curves of parts with these names.
pub fn comparison_of(names: &[&str]) -> (Record, Curves) {
    (record(names), curves(names))
}

fn record(names: &[&str]) -> Record {
    let quantities = quantities(names.len());
    let verdicts = names.iter().enumerate().skip(1).map(|(i, name)| verdict(&quantities, i, name)).collect();
    Record {
        record_version: RECORD_VERSION,
        presolder_version: "0.1.0".into(),
        run: RunRecord { machine: "x86_64+fma linux".into(), ..RunRecord::default() },
        case: CaseIdentity {
            name: "valve-controller".into(),
            title: "Valve controller, 5 V rail <rev. C & later>".into(),
            files: vec![
                FileRecord { path: "board.toml".into(), sha256: "9f2c".repeat(16) },
                FileRecord { path: "parts/kestrel-10.toml".into(), sha256: "41d0".repeat(16) },
            ],
            set: vec![],
            sha256: "7e55".repeat(16),
        },
        parts: names.iter().enumerate().map(|(i, name)| part(i, name)).collect(),
        original: original(&quantities, names[0]),
        quantities,
        verdicts,
        waivers: vec![],
        bench_plan: bench_plan(names),
        origins: origins(),
        warnings: vec![
            "Harrier-10-HT: the saturation curve ends at 6.2 A, the current at the limit is 7.31 A; the last \
             inductance was held."
                .into(),
            "Output bank: capacitance at bias is digitised from a chart, not guaranteed.".into(),
        ],
        energy_book: EnergyRecord { runs: 72, worst_residual: 3.17e-10, allowed_residual: 1e-6 },
        calibration: None,
        cross_check: vec![CrossCheckRecord {
            part: "Kestrel-10".into(),
            condition: "24 V, 3 A, nominal".into(),
            output_v: 2.3e-5,
            current_a: 3.1e-4,
            samples: 20_011,
            until_s: None,
            not_compared: None,
        }],
        method: vec![
            "Switch states are propagated exactly; switching instants are located to 1 ps.".into(),
            "Saturation as a piecewise-linear curve; current error below 0.5 mA.".into(),
        ],
        equations: vec!["flux linkage and volt-seconds".into(), "copper loss from the true RMS".into()],
        cautions: vec![
            "Predictions support a qualified person; they do not replace a bench test, the part maker's data or a \
             qualification standard."
                .into(),
            "Energised boards, stored charge, hot parts and rework fumes can injure; local rules come first.".into(),
        ],
    }
}

/// One measurement of the ripple, which is equal for the first two parts, and a line of every kind.
fn bench_plan(names: &[&str]) -> BenchPlan {
    let value = |i: usize| 0.02731 * (1.0 + 0.17 * (i / 2) as f64);
    let resolution = |volts: f64| 0.5e-3 + 0.02 * volts;
    let pair = |a: usize, b: usize| {
        let separation = (value(b) - value(a)).abs() / resolution(value(a).max(value(b)));
        BenchPair { first: names[a].into(), second: names[b].into(), separation, told_apart: separation >= 2.0 }
    };
    let pairs: Vec<BenchPair> = (0..names.len()).flat_map(|a| (a + 1..names.len()).map(move |b| pair(a, b))).collect();
    let reading = BenchReading {
        condition: "steady".into(),
        input_v: Some(32.0),
        load_a: Some(3.0),
        place: "32 V input, 3 A load".into(),
        expected: (0..names.len())
            .map(|i| BenchExpected {
                part: names[i].into(),
                value: value(i),
                uncertainty: 0.03 * value(i),
                from_original: (i > 0).then(|| (value(i) - value(0)) / resolution(value(i))),
            })
            .collect(),
        smallest_separation: pairs.iter().map(|pair| pair.separation).fold(f64::MAX, f64::min),
        pairs,
    };
    let line = |quantity: &str, label: &str, unit: &str, answer, reading, reason: Option<&str>| BenchLine {
        quantity: quantity.into(),
        label: label.into(),
        unit: unit.into(),
        answer,
        reason: reason.map(String::from),
        reading,
    };
    let left_equal = reading.pairs.iter().filter(|pair| !pair.told_apart).cloned().collect();
    BenchPlan {
        summary: "\"Output ripple, 20 MHz low-pass\" tells most pairs of parts apart".into(),
        lines: vec![
            line("ripple_20mhz", "Output ripple, 20 MHz", "V", BenchAnswer::Differs, Some(reading.clone()), None),
            line("dip", "Dip at the load step", "V", BenchAnswer::EqualForAll, Some(reading.clone()), None),
            line("height", "Height over the board", "m", BenchAnswer::NoInstrument, None, Some("no resolution stated")),
        ],
        measurements: vec![BenchMeasurement {
            quantity: "ripple_20mhz".into(),
            label: "Output ripple, 20 MHz low-pass".into(),
            unit: "V".into(),
            reading,
            highest: BenchHighest { current_a: Some(3.9), voltage_v: Some(32.0), winding_degc: Some(97.0) },
            settings: vec![
                BenchSetting { what: "Input".into(), setting: "AC coupling, bandwidth limit 20 MHz".into() },
                BenchSetting { what: "Screen".into(), setting: "5 mV/div, 2 µs/div".into() },
            ],
            screen: Some(BenchScreen {
                per_division: 5e-3,
                fill: 0.81,
                time_per_division_s: 2e-6,
                sample_rate_hz: 1e8,
                record_points: 2000.0,
            }),
            cautions: vec!["the winding reaches about 97 °C: do not touch".into()],
        }],
        do_not_run: vec![BenchDanger {
            condition: "short circuit".into(),
            parts: vec![names[names.len() - 1].into()],
            reason: "7.4 A flow, and the switches bear pulses of 6.6 A (short circuit, 32 V, low L, aged)".into(),
        }],
        left_equal,
        soak: None,
        remarks: vec!["Settings of instruments are common practice, chosen from the expected values.".into()],
    }
}

/// What the original itself shows.
fn original(quantities: &[QuantityRow], name: &str) -> Verdict {
    let checks = checks(quantities, 0);
    let missed = checks.iter().any(|check| check.state == State::Missed);
    Verdict {
        part: name.into(),
        outcome: if missed { Outcome::Fail } else { Outcome::Pass },
        sentence: "meets every check; closest: load-step undershoot 134.2 mV, limit 150 mV".into(),
        waived: false,
        condition: "32 V, 3 A, low L, aged".into(),
        next: String::new(),
        within: String::new(),
        checks,
        not_asked: vec!["short circuit".into(), "input step".into()],
        changes: vec![],
        notes: vec![],
        bench: String::new(),
    }
}

fn verdict(quantities: &[QuantityRow], i: usize, name: &str) -> Verdict {
    let outcome = [Outcome::NoWorse, Outcome::Undecided, Outcome::Fail, Outcome::Pass][(i - 1) % 4];
    let (sentence, next) = match outcome {
        Outcome::Fail => (
            "output ripple, 20 MHz 33.9 ± 1.0 mV, limit 30 mV, at the low end of the inductance with an aged output bank",
            "needs at most 29 mV here",
        ),
        Outcome::Undecided => (
            "load-step undershoot 148 ± 7 mV (139 to 155 mV with assumed data), limit 150 mV",
            "what decides is the board's ageing of the output bank: it moves the value from 139 mV to 155 mV",
        ),
        Outcome::NoWorse => (
            "load-step undershoot 149 ± 7 mV, limit 150 mV; no worse than the original",
            "the board itself does not show this limit: its owner accepts that, or not",
        ),
        Outcome::Pass => (
            "meets every check; closest: load-step undershoot 136 ± 7 mV, limit 150 mV",
            "solder it and measure output ripple at 32 V, 3 A, nominal",
        ),
    };
    let some = |yes: bool, text: &str| if yes { vec![text.to_string()] } else { vec![] };
    Verdict {
        part: name.into(),
        outcome,
        sentence: sentence.into(),
        waived: false,
        condition: "18 V, 3 A, low L, aged, winding 91 °C".into(),
        next: next.into(),
        within: if outcome == Outcome::Fail { "to 2.7 A".into() } else { String::new() },
        checks: checks(quantities, i),
        not_asked: vec!["short circuit".into(), "input step".into()],
        changes: some(i == 1, "Inductor ripple current 1.14 A to 1.31 A (32 V, 3 A, nominal)"),
        notes: some(outcome != Outcome::Pass, "the output was not back in its band before the next edge"),
        bench: "the bench sees the change best in output ripple (32 V, 3 A, nominal): 4 times what it resolves".into(),
    }
}

/// One check a row with a limit, the worst state first.
fn checks(quantities: &[QuantityRow], i: usize) -> Vec<Check> {
    let asked = quantities.iter().filter(|row| row.limit.is_some_and(|limit| limit.stated));
    let mut checks: Vec<Check> = asked.filter_map(|row| check(row, i)).collect();
    checks.sort_by_key(|check| std::cmp::Reverse(check.state));
    checks
}

fn check(row: &QuantityRow, i: usize) -> Option<Check> {
    let (limit, cell) = (row.limit?, row.cells[i].clone()?);
    let original = row.cells[0].as_ref()?;
    let (value, base) = (cell.value.number()?, original.value.number()?);
    let worse = if limit.side == Side::AtLeast { base - value } else { value - base };
    let doubtful = |cell: &Cell| Doubtful { value: cell.value.clone(), uncertainty: cell.uncertainty, ends: cell.ends };
    let state = cell.state?;
    Some(Check {
        key: format!("limit: {}", row.quantity),
        requirement: "limit".into(),
        quantity: row.quantity.clone(),
        label: row.label.clone(),
        unit: row.unit.clone(),
        place: cell.place.clone(),
        winding_degc: Some(91.7),
        limit: Some(limit),
        stands_in: false,
        source: None,
        value: doubtful(&cell),
        original: Some(doubtful(original)),
        worse: Some(WorseRecord {
            shown: worse,
            least: worse,
            most: worse,
            uncertainty: 0.4 * cell.uncertainty,
            allowance: 0.05 * limit.value,
        }),
        state,
        original_state: original.state?,
        outcome: match state {
            State::Met => Outcome::Pass,
            State::Open => Outcome::Undecided,
            State::Missed => Outcome::Fail,
        },
        margin_in_u: Some((value - limit.value).abs() / cell.uncertainty),
        decides: (row.quantity == "dip").then(|| DecidingDatum {
            datum: "output.capacitors[0].aged_capacitance".into(),
            label: "ageing of the output bank".into(),
            of_part: false,
            at_least: 0.96 * value,
            at_most: 1.06 * value,
        }),
        budget: vec![Contribution {
            datum: "inductance".into(),
            label: "inductance".into(),
            change: 0.3 * cell.uncertainty,
        }],
    })
}

fn origins() -> Vec<OriginRecord> {
    let origin = |datum: &str, value: &str, origin: &str, note: &str| OriginRecord {
        datum: datum.into(),
        value: value.into(),
        origin: origin.into(),
        note: note.into(),
    };
    let mut all = vec![
        origin("Kestrel-10, inductance tolerance", "±20 %", "guaranteed", ""),
        origin("output bank, branch 1, capacitance at bias", "14.2 µF", "digitised", "chart of the data sheet, 5 V"),
        origin("gate charge of the low side", "11 nC", "typical", ""),
    ];
    for i in 0..10 {
        all.push(origin(
            &format!("assumed datum {i} of the stage"),
            "12 ns",
            "assumed",
            "usual for this class of stage",
        ));
    }
    all
}

fn limit(value: f64, side: Side, stated: bool) -> Option<LimitRecord> {
    Some(LimitRecord { value, side, stated })
}

fn quantities(parts: usize) -> Vec<QuantityRow> {
    use ChangeKind::{Difference, Fraction};
    let row = |id: &str, label: &str, unit: &str, kind, limit, base: f64, spread: f64| {
        quantity_row(parts, (id, label, unit), kind, limit, (base, spread))
    };
    vec![
        row(
            "ripple_20mhz",
            "Output ripple, 20 MHz low-pass",
            "V",
            Fraction,
            limit(0.03, Side::AtMost, true),
            0.02731,
            0.24,
        ),
        row("ripple_full", "Output ripple, full bandwidth", "V", Fraction, None, 0.0357, 0.2),
        row("dip", "Dip at the load step", "V", Fraction, limit(0.15, Side::AtMost, true), 0.1342, 0.11),
        row("rise", "Rise at the release", "V", Fraction, limit(0.15, Side::AtMost, true), 0.0987, 0.13),
        row("recovery", "Recovery to the band", "s", Fraction, limit(0.0002, Side::AtMost, true), 0.0000873, 0.3),
        row("current_ripple", "Inductor current ripple", "A", Fraction, None, 1.137, 0.24),
        row("peak_current", "Peak inductor current", "A", Fraction, limit(6.2, Side::AtMost, false), 5.713, 0.05),
        row(
            "inductance_at_limit",
            "Inductance at the current limit",
            "H",
            Fraction,
            limit(3e-6, Side::AtLeast, false),
            6.71e-6,
            -0.4,
        ),
        row("rms_current", "RMS inductor current", "A", Fraction, None, 3.021, 0.003),
        row(
            "winding_temperature",
            "Winding temperature",
            "degC",
            Difference,
            limit(125.0, Side::AtMost, true),
            88.31,
            0.12,
        ),
        row("inductor_loss", "Inductor loss", "W", Fraction, None, 0.4312, 0.3),
        row("efficiency", "Efficiency", "", Difference, None, 0.9231, -0.004),
        row("crossover", "Crossover frequency", "Hz", Fraction, limit(80e3, Side::AtMost, false), 41_230.0, 0.09),
        row("phase_margin", "Phase margin", "deg", Difference, limit(45.0, Side::AtLeast, true), 58.7, -0.28),
        row("gain_margin", "Gain margin", "dB", Difference, limit(10.0, Side::AtLeast, false), 13.2, -0.1),
        row("height", "Height over the board", "m", Difference, None, 0.0042, 0.0),
    ]
}

fn quantity_row(
    parts: usize,
    (id, label, unit): (&str, &str, &str),
    change_kind: ChangeKind,
    limit: Option<LimitRecord>,
    (base, spread): (f64, f64),
) -> QuantityRow {
    let judge = |value: f64, limit: &LimitRecord, uncertainty: f64| {
        let over = match limit.side {
            Side::AtMost => value - limit.value,
            Side::AtLeast => limit.value - value,
            Side::Within => value.abs() - limit.value,
        };
        if over > uncertainty {
            State::Missed
        } else if over > -uncertainty {
            State::Open
        } else {
            State::Met
        }
    };
    let cells = (0..parts).map(|i| {
        let part_share = [0.0, 0.17, 0.87, 1.03, -0.64, -0.9, 2.3, -1.4][i];
        if id == "height" && i == 2 {
            return None;
        }
        let value = base * (1.0 + spread * part_share);
        Some(Cell {
            value: Value::Number(value),
            uncertainty: 0.013 * value.abs(),
            ends: (id == "dip").then_some((0.96 * value, 1.06 * value)),
            place: "32 V, 3 A, low L, aged".into(),
            own_limit: None,
            original: (i > 0).then_some(Value::Number(base)),
            state: limit.as_ref().map(|limit| judge(value, limit, 0.013 * value.abs())),
        })
    });
    QuantityRow {
        quantity: id.into(),
        label: label.into(),
        unit: unit.into(),
        change_kind,
        cells: cells.collect(),
        limit,
    }
}

fn part(i: usize, name: &str) -> PartRecord {
    let mut results = Vec::new();
    for corner in ["nominal", "low L, aged", "high L, aged"] {
        for input_v in [18.0, 24.0, 32.0] {
            for load_a in [0.31, 3.0] {
                results.push(steady(i, corner, input_v, load_a));
            }
        }
        results.push(load_step(i, corner));
    }
    let facts = [("Inductance", "10 µH ± 20.0 %"), ("Length, width, height", "7.1 x 6.6 x 4.8 mm")];
    let facts = facts.map(|(label, value)| Fact { label: label.into(), value: value.into() }).to_vec();
    PartRecord { name: name.into(), original: i == 0, facts, results }
}

fn value(quantity: &str, value: f64, unit: &str) -> ValueRecord {
    ValueRecord { quantity: quantity.into(), value: Value::Number(value), unit: unit.into() }
}

fn steady(i: usize, corner: &str, input_v: f64, load_a: f64) -> ConditionRecord {
    let ripple_a = 5.07 * (1.0 - 5.07 / input_v) / (INDUCTANCES_H[i] * 417e3);
    ConditionRecord {
        condition: "steady".into(),
        corner: corner.into(),
        input_v: Some(input_v),
        load_a: Some(load_a),
        winding_degc: Some(61.3 + 8.7 * load_a),
        values: vec![
            value("ripple_20mhz", 0.0232 * ripple_a, "V"),
            value("ripple_full", 0.0302 * ripple_a, "V"),
            value("current_ripple", ripple_a, "A"),
            value("peak_current", load_a + ripple_a / 2.0, "A"),
            value("rms_current", load_a.hypot(ripple_a / 12_f64.sqrt()), "A"),
            value("inductor_loss", load_a * load_a * RESISTANCES_OHM[i] + 0.08, "W"),
            value("efficiency", 0.9231 - 0.001 * input_v / load_a, ""),
        ],
        notes: if input_v > 30.0 {
            vec!["The saturation curve was held beyond its last point.".into()]
        } else {
            vec![]
        },
    }
}

fn load_step(i: usize, corner: &str) -> ConditionRecord {
    ConditionRecord {
        condition: "load step".into(),
        corner: corner.into(),
        input_v: Some(24.0),
        load_a: Some(3.0),
        winding_degc: Some(91.7),
        values: vec![
            value("dip", 0.11 + 0.3e4 * INDUCTANCES_H[i], "V"),
            value("rise", 0.08 + 0.3e4 * INDUCTANCES_H[i], "V"),
            value("recovery", 87.3e-6, "s"),
        ],
        notes: vec![],
    }
}

fn curves(names: &[&str]) -> Curves {
    let each = || names.iter().enumerate();
    Curves {
        starts: vec![],
        shorts: vec![],
        events: vec![],
        light: vec![],
        periods: each().map(|(i, name)| period(i, name)).collect(),
        period_condition: "24 V in, 3 A, nominal".into(),
        steps: each().map(|(i, name)| step(i, name)).collect(),
        step_condition: "24 V in, 0.31 A to 3 A at 1.7 A/µs, low L, aged".into(),
        step_band_v: 0.05,
        step_limit_v: Some(0.15),
        loops: each().map(|(i, name)| loop_gain(i, name)).collect(),
        saturation: each().map(|(i, name)| saturation(i, name)).collect(),
        losses: each().map(|(i, name)| loss(i, name)).collect(),
        loss_condition: "24 V in, 3 A, nominal".into(),
        deciding: names.get(2).map(|name| deciding(2, name, names[0])).into_iter().collect(),
    }
}

/// An integrator with a pole: crossover and phase in closed form.
fn loop_gain(i: usize, name: &str) -> LoopCurve {
    let (one_hz, pole_hz) = (31e3 * (1.0 + 0.07 * i as f64), 83e3);
    let gain = |hz: f64| one_hz / hz / (1.0 + (hz / pole_hz).powi(2)).sqrt();
    let frequency_hz: Vec<f64> = (0..=120).map(|k| 208e3 * 10f64.powf(-3.5 * (1.0 - f64::from(k) / 120.0))).collect();
    let squared = 0.5 * pole_hz.powi(2) * ((1.0 + (2.0 * one_hz / pole_hz).powi(2)).sqrt() - 1.0);
    LoopCurve {
        part: name.into(),
        gain_db: frequency_hz.iter().map(|hz| 20.0 * gain(*hz).log10()).collect(),
        phase_deg: frequency_hz.iter().map(|hz| -90.0 - (hz / pole_hz).atan().to_degrees()).collect(),
        frequency_hz,
        crossover_hz: Some(squared.sqrt()),
    }
}

const PERIOD_S: f64 = 1.0 / 417e3;
const SAMPLES: usize = 400;

/// Triangular current; output as its integral, with a step of an inductive branch at the edges.
fn period(i: usize, name: &str) -> PeriodCurve {
    let (duty, capacitance_f, esl_v) = (5.07 / 24.0, 38e-6, 0.0041);
    let ripple_a = 5.07 * (1.0 - duty) * PERIOD_S / INDUCTANCES_H[i];
    let mut curve = PeriodCurve {
        part: name.into(),
        time_s: vec![],
        current_a: vec![],
        output_v: vec![],
        output_20mhz_v: vec![],
        switch_v: vec![],
    };
    for (range, on) in [((0.0, duty), true), ((duty, 1.0), false)] {
        for k in 0..=SAMPLES / 2 {
            let x = range.0 + (range.1 - range.0) * k as f64 / (SAMPLES / 2) as f64;
            // Phase within the rising or falling flank, -1/2 to 1/2.
            let flank = (x - range.0) / (range.1 - range.0) - 0.5;
            let (shape, width) = if on { (flank, duty) } else { (-flank, 1.0 - duty) };
            let bow = (0.25 - flank * flank) * width * PERIOD_S * ripple_a / (2.0 * capacitance_f);
            let charge = if on { -bow } else { bow };
            let settled = 1.0 - (-(x - range.0) * PERIOD_S / 8e-9).exp();
            let edge = if on { esl_v } else { -0.3 * esl_v };
            curve.time_s.push(x * PERIOD_S);
            curve.current_a.push(3.0 + ripple_a * shape);
            let smooth = 5.07 + charge + 0.0112 * ripple_a * shape;
            // A spike of the falling edge that the 20 MHz low-pass hides.
            let spike = if on { 0.0 } else { 0.006 * (-(x - range.0) * PERIOD_S / 9e-9).exp() };
            curve.output_v.push(smooth + edge + spike);
            let before = if on { -0.3 * esl_v } else { esl_v };
            curve.output_20mhz_v.push(smooth + edge * settled + before * (1.0 - settled));
            curve.switch_v.push(if on { 23.8 } else { -0.06 });
        }
    }
    curve
}

/// The load step of a part that undershoots too far, beside the original's.
fn deciding(i: usize, name: &str, original: &str) -> DecidingCurves {
    let lowest = |curve: &StepCurve| curve.output_low_v.iter().copied().fold(f64::INFINITY, f64::min);
    let substitute = step(i, name);
    DecidingCurves {
        part: i,
        label: "Load-step undershoot".into(),
        condition: "load step, 24 V, low L, aged, winding 97 °C".into(),
        kind: "load step",
        unit: "V".into(),
        reading: (Signal::Output, Reading::BelowMean),
        limit: LimitRecord { value: 0.083, side: Side::AtMost, stated: true },
        value: substitute.mean_low_load_v - lowest(&substitute),
        uncertainty: 0.0047,
        ends: None,
        aim_v: 5.07,
        band_v: 0.05,
        period_s: PERIOD_S,
        substitute: Shown::Run(substitute),
        original: Some(Shown::Run(step(0, original))),
    }
}

/// Damped response to a step at 20 µs and to the release at 320 µs, ripple on top.
fn step(i: usize, name: &str) -> StepCurve {
    let (hold_s, end_s, rows) = (300e-6, 620e-6, 2600);
    let response = |t: f64, dip: f64| {
        if t <= 0.0 { 0.0 } else { -dip * 2.1 * (-t / 38e-6).exp() * (t * (0.051e6 - 1.3e3 * i as f64)).sin() }
    };
    let current = |t: f64| {
        if t <= 0.0 { 0.0 } else { 1.0 - (-t / 22e-6).exp() * (t * 0.06e6).cos() }
    };
    let dip = 0.07 + 5.9e3 * INDUCTANCES_H[i];
    let ripple_a = 5.07 * (1.0 - 5.07 / 24.0) * PERIOD_S / INDUCTANCES_H[i];
    let mut curve = StepCurve {
        part: name.into(),
        load: String::new(),
        time_s: vec![],
        output_low_v: vec![],
        output_high_v: vec![],
        current_low_a: vec![],
        current_high_a: vec![],
        load_a: vec![],
        mean_high_load_v: 5.068,
        mean_low_load_v: 5.0703,
    };
    for k in 0..rows {
        let t = end_s * k as f64 / rows as f64;
        let (since_step, since_release) = (t - 20e-6, t - 20e-6 - hold_s);
        let output = 5.07 + response(since_step, dip) - response(since_release, 0.8 * dip);
        let mean = 0.31 + 2.69 * (current(since_step) - current(since_release));
        let phase = (t / PERIOD_S).fract();
        let shape = if phase < 0.21 { phase / 0.21 - 0.5 } else { 0.5 - (phase - 0.21) / 0.79 };
        let slope = ripple_a * 0.09;
        let ramp = |since: f64| (since * 1.7e6).clamp(0.0, 2.69);
        curve.time_s.push(t);
        curve.output_low_v.push(output + 0.017 * ripple_a * shape - 0.0004);
        curve.output_high_v.push(output + 0.017 * ripple_a * shape + 0.0004);
        curve.current_low_a.push(mean + ripple_a * shape - slope);
        curve.current_high_a.push(mean + ripple_a * shape + slope);
        curve.load_a.push(0.31 + ramp(since_step) - ramp(since_release));
    }
    curve
}

fn saturation(i: usize, name: &str) -> SaturationPlot {
    let inductance = |current: f64, hot: bool| {
        let knee = if hot { 6.9 } else { 8.1 } + 0.4 * i as f64;
        let drop = if i.is_multiple_of(2) {
            1.0 / (1.0 + (current / knee).powi(12))
        } else {
            1.0 / (1.0 + (current / knee).powi(2))
        };
        INDUCTANCES_H[i] * (0.18 + 0.82 * drop)
    };
    let points = |hot| (0..=60).map(|k| 0.17 * k as f64).map(|a| (a, inductance(a, hot))).collect::<Vec<_>>();
    let (peak, limit) = (5.4 + 0.2 * i as f64, 7.3 + 0.1 * i as f64);
    SaturationPlot {
        part: name.into(),
        cold: points(false),
        hot: points(true),
        hot_degc: 88.3 + 2.0 * i as f64,
        peak: (peak, inductance(peak, true)),
        limit: Some((limit, inductance(limit, true))),
    }
}

fn loss(i: usize, name: &str) -> LossSplit {
    let items = [
        ("inductor copper, dc", 9.1 * RESISTANCES_OHM[i]),
        ("inductor copper, ac", 0.012 + 0.004 * i as f64),
        ("inductor core", 0.091 - 0.008 * i as f64),
        ("high side conduction", 0.0613),
        ("high side transitions", 0.1871),
        ("low side conduction", 0.0982),
        ("dead time", 0.0413),
        ("gate drive and control", 0.0527),
        ("capacitor series resistance", 0.0019),
    ];
    LossSplit { part: name.into(), items: items.iter().map(|(cause, loss)| (cause.to_string(), *loss)).collect() }
}

/// A made-up soak: a part that settles and one that runs away.
pub fn soak() -> BenchSoak {
    let range = |shown: f64, least: f64, most: f64| SoakRange { shown, least, most };
    let calm = SoakPart {
        part: NAMES[0].into(),
        time_constant_s: range(41.0, 20.5, 82.0),
        curve: vec![SoakPoint { minutes: 2.0, winding_degc: range(44.2, 41.1, 52.3) }],
        settled_degc: Some(77.3),
        steady_min: Some(range(28.2, 19.3, 36.2)),
        to_come_k: Some(1.42),
        limit_degc: 125.0,
        over_limit_min: None,
        resistance_ratio: Some(range(1.1742, 1.1713, 1.1751)),
        late: vec![SoakLate { after_s: 5.0, low_k: range(1.72, 0.91, 3.08) }],
        surface_degc: Some(range(70.9, 66.3, 75.4)),
    };
    let wild = SoakPart {
        part: NAMES[1].into(),
        curve: vec![SoakPoint { minutes: 2.0, winding_degc: range(93.1, 93.1, 93.1) }],
        settled_degc: None,
        steady_min: None,
        to_come_k: None,
        over_limit_min: Some(range(3.71, 2.93, 4.78)),
        resistance_ratio: None,
        late: vec![],
        surface_degc: None,
        ..calm.clone()
    };
    BenchSoak {
        place: "24 V input, 3 A load".into(),
        input_v: 24.0,
        load_a: 3.0,
        ambient_degc: 31.0,
        minutes: 37.0,
        rule: "steady: so and so".into(),
        parts: vec![calm, wild],
        remarks: vec!["Soak: parts of nominal data.".into()],
    }
}
