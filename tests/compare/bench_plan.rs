//! Which test would show it: the choice of measurements and their settings.

use crate::support;
use approx::assert_relative_eq;
use presolder::case::{self, Case};
use presolder::condition::figures::Value;
use presolder::corridor::Depth;
use presolder::judge::COVERAGE;
use presolder::model::corner::{CORNERS, Corner, NOMINAL};
use presolder::parts::CoreFamily;
use presolder::quantity::find;
use presolder::record;
use presolder::record::layout::{BenchAnswer, BenchPlan};
use presolder::record::plan::{plan, step_125};
use support::{Shown, case_of, part, rows};

/// Sums and quotients of a few numbers.
const ROUNDING: f64 = 1e-12;

fn plan_of(case: &Case, parts: &[Vec<Shown>]) -> BenchPlan {
    let parts: Vec<_> = parts.iter().enumerate().map(|(index, shown)| part(index, shown)).collect();
    plan(case, &parts, &rows())
}

fn steady(input_v: f64, load_a: f64, quantity: &'static str, value: f64) -> Shown {
    Shown { condition: "steady", corner: NOMINAL, input_v, load_a, values: vec![(quantity, value)] }
}

fn answer(plan: &BenchPlan, quantity: &str) -> BenchAnswer {
    plan.lines.iter().find(|line| line.quantity == quantity).unwrap_or_else(|| panic!("no line on {quantity}")).answer
}

#[test]
fn closed_form_scale_steps_are_one_two_five() {
    for (least, step) in [
        (1.0, 1.0),
        (1.0001, 2.0),
        (2.0, 2.0),
        (2.31, 5.0),
        (5.0, 5.0),
        (5.7, 10.0),
        (0.0193, 0.02),
        (0.002, 0.002),
        (3.3e-7, 5e-7),
        (2.7e8, 5e8),
        (0.1 + 0.2 - 0.1, 0.2), // 0.2 and a rounding error
    ] {
        assert_relative_eq!(step_125(least), step, max_relative = ROUNDING);
    }
}

/// Every height between two decades: the trace fits, and fills half of the screen wherever the three steps allow that.
#[test]
fn law_a_trace_fits_the_screen_and_fills_half_of_it_where_a_step_allows() {
    for k in 0..500 {
        let height = 0.0137 * 1.011_f64.powi(k);
        let fill = height / (8.0 * step_125(height / 8.0));
        // From 2 to 5 the step is 2.5: a trace just too high for 8 divisions of 2 fills 3.2 of 5.
        assert!(fill <= 1.0 + ROUNDING && fill > 0.4 - ROUNDING, "{height} fills {fill}");
        let per_division = height / 8.0;
        let mantissa = per_division / 10_f64.powf(per_division.log10().floor());
        if !(2.0..=2.5).contains(&mantissa) {
            assert!(fill >= 0.5 - 1e-9, "{height} fills {fill}");
        }
    }
}

#[test]
fn law_parts_that_read_alike_are_equal_for_all() {
    let case = case_of(3);
    // 20 mV with 0.5 mV + 2 % resolved: 0.9 mV; the largest difference is 1.1 mV, less than twice that.
    let alike = [19.1e-3, 19.6e-3, 20.2e-3].map(|value| vec![steady(47.0, 3.9, "ripple_20mhz", value)]);
    let plan = plan_of(&case, &alike);
    assert_eq!(answer(&plan, "ripple_20mhz"), BenchAnswer::EqualForAll);
    assert!(plan.measurements.is_empty());
    assert!(plan.summary.starts_with("equal for all candidates"), "{}", plan.summary);
    assert_eq!(plan.left_equal.len(), 3);
    let largest = 1.1e-3 / (0.5e-3 + 0.02 * 20.2e-3);
    let farthest = plan.left_equal.iter().map(|pair| pair.separation).fold(0.0, f64::max);
    assert_relative_eq!(farthest, largest, max_relative = ROUNDING);
    assert!(farthest < COVERAGE);
}

#[test]
fn law_what_nothing_reads_is_told_with_its_reason() {
    let case = case_of(2);
    let parts =
        [7.3, 91.0].map(|value| vec![steady(47.0, 3.9, "multiplier", value), steady(47.0, 3.9, "ripple_raw", value)]);
    let plan = plan_of(&case, &parts);
    for quantity in ["multiplier", "ripple_raw"] {
        let line = plan.lines.iter().find(|line| line.quantity == quantity).expect("a line");
        assert_eq!(line.answer, BenchAnswer::NoInstrument);
        assert!(line.reason.is_some() && line.reading.is_none());
    }
    assert!(plan.measurements.is_empty());
}

/// The first measurement tells most pairs apart, although another has a larger separation; the second tells what the first left.
#[test]
fn law_the_choice_is_greedy_by_pairs_then_by_the_smallest_separation() {
    let case = case_of(4);
    let ripple_a = [1.013, 1.017, 1.237, 1.411]; // leaves the first two equal
    let degc = [71.3, 101.9, 71.7, 71.1]; // tells the second from all others, by far
    let efficiency = [0.931, 0.929, 0.932, 0.93]; // nothing
    let parts: Vec<Vec<Shown>> = (0..4)
        .map(|i| {
            vec![
                steady(36.0, 3.9, "inductor_ripple", 1.31 * ripple_a[i]),
                steady(47.0, 3.9, "inductor_ripple", ripple_a[i]),
                steady(47.0, 3.9, "winding_temperature", degc[i]),
                steady(47.0, 3.9, "efficiency", efficiency[i]),
            ]
        })
        .collect();
    let plan = plan_of(&case, &parts);
    let chosen: Vec<&str> = plan.measurements.iter().map(|m| m.quantity.as_str()).collect();
    assert_eq!(chosen, ["inductor_ripple", "winding_temperature"]);
    assert!(plan.left_equal.is_empty(), "{:?}", plan.left_equal);
    assert!(plan.summary.contains("all 6 pairs"), "{}", plan.summary);
    let first = &plan.measurements[0].reading;
    assert_eq!(first.pairs.iter().filter(|pair| pair.told_apart).count(), 5);
    // (1.237 - 1.017) / 1.237 is larger than (1.411 - 1.237) / 1.411, each over 1 %.
    let closest = first.closest_told_apart().expect("a pair");
    assert_eq!((closest.first.as_str(), closest.second.as_str()), (support::NAMES[2], support::NAMES[3]));
    assert_relative_eq!(closest.separation, (1.411 - 1.237) / 1.411 / 0.01, max_relative = 1e-9);
    assert_relative_eq!(first.smallest_separation, 0.004 / 1.017 / 0.01, max_relative = 1e-9);
    let against: Vec<Option<f64>> = first.expected.iter().map(|part| part.from_original).collect();
    assert_eq!(against[0], None);
    assert!(against[3].is_some_and(|times| times > 25.0));
}

/// Of two conditions which tell the same pairs apart, the one with the larger smallest separation.
#[test]
fn law_the_better_condition_of_a_quantity_is_taken() {
    let case = case_of(3);
    let parts = [(1.01, 1.02), (1.11, 1.31), (1.57, 1.61)]
        .map(|(low, high)| vec![steady(36.0, 3.9, "inductor_ripple", low), steady(53.0, 3.9, "inductor_ripple", high)]);
    let plan = plan_of(&case, &parts);
    assert_eq!(plan.measurements.len(), 1);
    assert_eq!(plan.measurements[0].reading.input_v, Some(53.0));
}

/// A difference that the model itself cannot vouch for is none, however fine the bench is.
#[test]
fn law_a_difference_within_the_model_uncertainty_tells_nothing() {
    let mut case = case_of(2);
    case.bench.temperature_k = 0.01;
    // Rise of about 40 K over 50 C.
    let doubt_k = 40.3 * find("winding_temperature").expect("a quantity").trust.change;
    let apart = |difference_k: f64| {
        let parts = [90.3, 90.3 + difference_k].map(|degc| vec![steady(47.0, 3.9, "winding_temperature", degc)]);
        answer(&plan_of(&case, &parts), "winding_temperature")
    };
    assert_eq!(apart(0.9 * doubt_k), BenchAnswer::EqualForAll);
    assert_eq!(apart(1.2 * doubt_k), BenchAnswer::Differs);
}

#[test]
fn law_only_what_a_bench_can_set_is_proposed() {
    let case = case_of(2);
    let mut hot = case.clone();
    hot.parts.iter_mut().for_each(|part| part.max_temperature_degc = Some(60.0));
    let shown = |corner: Corner, condition: &'static str, value: f64| Shown {
        condition,
        corner,
        input_v: 47.0,
        load_a: 3.9,
        values: vec![("inductor_ripple", value)],
    };
    let differs = |case: &Case, corner: Corner, condition| {
        let parts = [vec![shown(corner, condition, 1.07)], vec![shown(corner, condition, 1.93)]];
        answer(&plan_of(case, &parts), "inductor_ripple") == BenchAnswer::Differs
    };
    assert!(differs(&case, NOMINAL, "steady"));
    assert!(differs(&case, NOMINAL, "load step"));
    assert!(!differs(&case, CORNERS[1], "steady"), "a corner of tolerance is not in anybody's hands");
    assert!(!differs(&case, NOMINAL, "short circuit"), "what destroys is not proposed");
    assert!(!differs(&hot, NOMINAL, "steady"), "a winding above its rating is not proposed");
}

/// A recovery that never came is no time, and a bench that states a resolution of nothing is no bench.
#[test]
fn law_an_open_recovery_and_a_resolution_of_nothing_are_left_out() {
    let mut case = case_of(2);
    let shown = |value: f64| Shown {
        condition: "load step",
        corner: NOMINAL,
        input_v: 47.0,
        load_a: 3.7,
        values: vec![("recovery", value)],
    };
    let mut parts = [part(0, &[shown(83e-6)]), part(1, &[shown(1.3e-3)])];
    assert_eq!(answer(&plan(&case, &parts, &rows()), "recovery"), BenchAnswer::Differs);
    parts[1].results[0].values[0].value = Value::AtLeast(1.3e-3);
    assert_eq!(answer(&plan(&case, &parts, &rows()), "recovery"), BenchAnswer::NoInstrument);
    case.bench.current = 0.0;
    let parts = [1.07, 1.93].map(|value| vec![steady(47.0, 3.9, "inductor_ripple", value)]);
    assert_eq!(answer(&plan_of(&case, &parts), "inductor_ripple"), BenchAnswer::NoInstrument);
}

/// Screen of a ripple of 19.3 mV at 250 kHz: 8 divisions of 5 mV, five periods of 4 us in 10 divisions.
#[test]
fn closed_form_screen_of_a_ripple() {
    let case = case_of(2);
    let parts = [11.7e-3, 19.3e-3].map(|value| vec![steady(47.0, 3.9, "ripple_20mhz", value)]);
    let plan = plan_of(&case, &parts);
    let screen = plan.measurements[0].screen.expect("an oscilloscope is used");
    assert_relative_eq!(screen.per_division, 5e-3, max_relative = ROUNDING);
    assert_relative_eq!(screen.fill, 19.3 / 40.0, max_relative = ROUNDING);
    assert_relative_eq!(screen.time_per_division_s, 2e-6, max_relative = ROUNDING);
    assert_relative_eq!(screen.sample_rate_hz, 100e6, max_relative = ROUNDING);
    assert_relative_eq!(screen.record_points, 2000.0, max_relative = 1e-3);
    let said = |what: &str| {
        let found = plan.measurements[0].settings.iter().find(|setting| setting.what == what);
        found.map_or_else(String::new, |setting| setting.setting.clone())
    };
    assert!(said("Input").contains("AC coupling") && said("Input").contains("20 MHz"));
    assert!(said("Screen").contains("5 mV/div") && said("Screen").contains("variable scale"), "{}", said("Screen"));
}

/// Sampled triangles of any duty lose less height than the sample rate of the plan allows for.
#[test]
fn law_samples_of_a_triangle_lose_less_than_half_a_resolution() {
    let case = case_of(2);
    let (swing_a, period_s) = (1.93, 1.0 / case.board.frequency_hz);
    let parts = [1.07, swing_a].map(|value| vec![steady(47.0, 3.9, "inductor_ripple", value)]);
    let screen = plan_of(&case, &parts).measurements[0].screen.expect("an oscilloscope is used");
    for (duty, offset) in [(0.07, 0.31), (0.29, 0.83), (0.5, 0.11), (0.77, 0.47), (0.93, 0.69)] {
        let triangle = |phase: f64| if phase < duty { phase / duty } else { (1.0 - phase) / (1.0 - duty) };
        let samples = (0..(screen.record_points as usize))
            .map(|k| triangle(((k as f64 + offset) / screen.sample_rate_hz / period_s).fract()) * swing_a);
        let (low, high) = samples.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| (l.min(x), h.max(x)));
        let lost = swing_a - (high - low);
        assert!(lost <= 0.5 * case.bench.current * swing_a + ROUNDING, "duty {duty}: {lost} A of {swing_a} A");
    }
}

/// On a real board: every value is one of those simulated with nominal parts, and every separation follows from two of them.
#[test]
fn law_the_plan_of_a_demo_stands_on_its_record() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("cases/valve-controller");
    let mut case = case::read(&folder).unwrap_or_else(|error| panic!("{error}"));
    case.board.input_v.retain(|input_v| *input_v == case.board.nominal_input_v);
    let (record, _) = record::compare(&case, Depth::Quick, &|_, _| {}).unwrap_or_else(|error| panic!("{error}"));
    let plan = &record.bench_plan;
    assert_eq!(plan.lines.len(), record.quantities.len());
    let readings = plan.lines.iter().filter_map(|line| Some((&line.quantity, line.reading.as_ref()?)));
    let chosen = plan.measurements.iter().map(|m| (&m.quantity, &m.reading));
    let mut looked_at = 0;
    for (quantity, reading) in readings.chain(chosen) {
        for expected in &reading.expected {
            let part = record.parts.iter().find(|part| part.name == expected.part).expect("a part of the record");
            let simulated = part.results.iter().filter(|result| {
                result.corner == NOMINAL.name()
                    && result.condition == reading.condition
                    && (result.input_v, result.load_a) == (reading.input_v, reading.load_a)
            });
            let of_quantity = simulated.flat_map(|r| &r.values).filter(|v| v.quantity == *quantity);
            let values: Vec<Option<f64>> = of_quantity.map(|v| v.value.exact()).collect();
            if quantity == "winding_temperature" {
                // At the end of the soak something is still to come.
                let to_come_k = values[0].expect("a number") - expected.value;
                assert!((0.0..3.0).contains(&to_come_k), "{to_come_k} K of {}", expected.part);
            } else {
                assert_eq!(values, [Some(expected.value)], "{quantity} of {}", expected.part);
            }
            looked_at += 1;
        }
        let smallest = reading.pairs.iter().map(|pair| pair.separation).fold(f64::INFINITY, f64::min);
        assert_eq!(smallest, reading.smallest_separation);
        assert!(reading.pairs.iter().all(|pair| !pair.told_apart || pair.separation >= COVERAGE));
    }
    assert!(looked_at > 2 * record.parts.len(), "only {looked_at} values were looked at");
    assert!(!plan.measurements.is_empty() && plan.measurements.len() <= 2);
    for measurement in &plan.measurements {
        assert!(!measurement.settings.is_empty() && !measurement.cautions.is_empty());
    }
}

/// A test states its worst over all corners and parts, and one that passes a rating in any corner is decided on paper: 10 A are what the
/// switches of this board bear.
#[test]
fn law_a_test_that_passes_a_rating_in_any_corner_is_not_proposed() {
    let case = case_of(2);
    let at = |condition: &'static str, corner: Corner, values: Vec<(&'static str, f64)>| Shown {
        condition,
        corner,
        input_v: 47.0,
        load_a: 3.9,
        values,
    };
    let parts = |peak_a: f64, short_a: f64| -> Vec<Vec<Shown>> {
        let one = |ripple_a: f64, factor: f64| {
            vec![
                at("steady", NOMINAL, vec![("inductor_ripple", ripple_a), ("peak_current", 4.7)]),
                at("steady", CORNERS[1], vec![("peak_current", factor * peak_a)]),
                at("short circuit", CORNERS[1], vec![("short_peak", factor * short_a)]),
            ]
        };
        vec![one(1.07, 0.5), one(1.93, 1.0)]
    };
    let safe = plan_of(&case, &parts(6.3, 9.1));
    assert!(safe.do_not_run.is_empty(), "{:?}", safe.do_not_run);
    let highest = safe.measurements[0].highest;
    assert_eq!((highest.current_a, highest.voltage_v, highest.winding_degc), (Some(6.3), Some(47.0), Some(83.0)));
    let short = plan_of(&case, &parts(6.3, 12.7));
    assert_eq!(short.measurements.len(), 1);
    let [danger] = &short.do_not_run[..] else { panic!("{:?}", short.do_not_run) };
    assert_eq!((danger.condition.as_str(), &danger.parts[..]), ("short circuit", &[support::NAMES[1].to_string()][..]));
    let reason = "12.7 A flow, and the switches bear pulses of 11 A (short circuit, 47 V, low L, aged)";
    assert_eq!(danger.reason, reason);
    // The nominal peak is harmless; that of the corner is not, and the steady state itself is left alone with that part.
    let steady = plan_of(&case, &parts(11.3, 9.1));
    assert!(steady.measurements.is_empty(), "{:?}", steady.measurements);
    assert_eq!(steady.do_not_run[0].condition, "steady load");
}

/// Winding, working voltage and input capacitors are ratings too.
#[test]
fn law_every_rating_that_is_known_keeps_a_test_from_being_proposed() {
    let dangers = |change: &dyn Fn(&mut Case)| {
        let mut case = case_of(2);
        change(&mut case);
        let parts = [1.07, 1.93].map(|value| vec![steady(47.0, 3.9, "inductor_ripple", value)]);
        let plan = plan_of(&case, &parts);
        assert_eq!(plan.do_not_run.is_empty(), !plan.measurements.is_empty());
        plan.do_not_run.into_iter().map(|danger| danger.reason).collect::<Vec<_>>().join("\n")
    };
    assert_eq!(dangers(&|_| {}), "");
    // The hand-made winding is at 83 degrees.
    let cool = |case: &mut Case| case.parts.iter_mut().for_each(|part| part.max_temperature_degc = Some(80.0));
    assert!(dangers(&cool).contains("the winding reaches 83.0 °C, and the part bears 80.0 °C"));
    let low = |case: &mut Case| case.parts.iter_mut().for_each(|part| part.working_voltage_v = Some(40.0));
    assert!(dangers(&low).contains("47 V lie across the part, which is rated for 40 V"));
    let capacitor = |case: &mut Case| {
        case.stated.insert("input.capacitors[1].voltage_rating".into(), vec![45.0]);
    };
    assert!(dangers(&capacitor).contains("47 V lie at the input capacitors, which are rated for 45 V"));
}

/// A loop of 60 mm adds 60 nH at 1 nH/mm: 0.2 % of 33 uH are little, 6 % of 1 uH are not.
#[test]
fn closed_form_the_loop_of_a_current_probe_is_told() {
    let said = |inductance_h: f64| {
        let mut case = case_of(2);
        case.parts.iter_mut().for_each(|part| part.inductance_h = inductance_h);
        let parts = [1.07, 1.93].map(|value| vec![steady(47.0, 3.9, "inductor_ripple", value)]);
        let settings = plan_of(&case, &parts).measurements.remove(0).settings;
        settings.into_iter().find(|setting| setting.what == "Loop").expect("the loop").setting
    };
    let (large, small) = (said(33e-6), said(1e-6));
    assert!(large.contains("60 mm of wire add about 60 nH, 0.2 %") && large.contains("little"), "{large}");
    assert!(small.contains("6.0 %") && small.contains("correct for it"), "{small}");
}

/// Where a moulded body hides the winding no sensor is asked for: its resistance, or the body plus a tenth of the rise of 55 K.
#[test]
fn law_no_sensor_is_asked_for_where_the_body_hides_the_winding() {
    let said = |core: CoreFamily| {
        let mut case = case_of(2);
        case.parts.iter_mut().for_each(|part| part.core = core);
        let parts = [71.0, 105.0].map(|degc| vec![steady(47.0, 3.9, "winding_temperature", degc)]);
        let settings = plan_of(&case, &parts).measurements.remove(0).settings;
        settings.iter().map(|setting| format!("{}: {}\n", setting.what, setting.setting)).collect::<String>()
    };
    let (open, moulded) = (said(CoreFamily::Ferrite), said(CoreFamily::Composite));
    assert!(open.contains("Sensor: ") && !open.contains("four-wire resistance"), "{open}");
    assert!(!moulded.contains("Sensor: ") && moulded.contains("T2 = R2/R1 (234.5 + T1) - 234.5"), "{moulded}");
    assert!(
        moulded.contains("plus a tenth of its rise, up to 5.5 K here") && moulded.contains("Soak: 30 min"),
        "{moulded}"
    );
}

/// Readings are predicted for the bench's own ambient: 25 K below the board's the winding is about that much cooler, by less than copper's
/// share of a tenth more.
#[test]
fn law_readings_are_predicted_for_the_bench_s_own_ambient() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("cases/valve-controller");
    let mut case = case::read(&folder).unwrap_or_else(|error| panic!("{error}"));
    case.board.input_v.retain(|input_v| *input_v == case.board.nominal_input_v);
    let planned = |case: &Case| {
        let (record, _) = record::compare(case, Depth::Quick, &|_, _| {}).unwrap_or_else(|error| panic!("{error}"));
        record.bench_plan
    };
    let at_board = planned(&case);
    case.bench.ambient_degc = Some(25.0);
    let at_bench = planned(&case);
    let temperature = |plan: &BenchPlan| -> Vec<f64> {
        let found =
            plan.measurements.iter().find(|found| found.quantity == "winding_temperature").expect("a temperature");
        found.reading.expected.iter().map(|part| part.value).collect()
    };
    let (warm, cool) = (temperature(&at_board), temperature(&at_bench));
    let cooler_k = case.board.ambient_degc - 25.0;
    assert!(warm.len() > 1 && warm.len() == cool.len());
    for (warm, cool) in warm.iter().zip(&cool) {
        assert!((cooler_k..1.1 * cooler_k).contains(&(warm - cool)), "{warm} to {cool}");
    }
    let warm_for = format!("warm for {:.0} min", at_bench.soak.as_ref().expect("a soak").minutes);
    assert!(at_bench.remarks.iter().any(|remark| remark.contains("25.0 °C ambient") && remark.contains(&warm_for)));
}
