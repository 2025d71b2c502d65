//! The soak of the bench plan on whole comparisons.

use presolder::case::{self, Case};
use presolder::corridor::Depth;
use presolder::model::corner::NOMINAL;
use presolder::record;
use presolder::record::layout::{BenchSoak, Record};
use std::path::Path;

/// A fixed point of loss and temperature is found to that, in K.
const SETTLED_K: f64 = 0.02;

fn controller() -> Case {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("cases/valve-controller");
    let mut case = case::read(&folder).unwrap_or_else(|error| panic!("{error}"));
    case.board.input_v.retain(|input_v| *input_v == case.board.nominal_input_v);
    // Of what may befall the board nothing matters here.
    case.board.events = Default::default();
    case
}

fn compared(case: &Case) -> Record {
    record::compare(case, Depth::Quick, &|_, _| {}).unwrap_or_else(|error| panic!("{error}")).0
}

fn soak(record: &Record) -> &BenchSoak {
    record.bench_plan.soak.as_ref().expect("a soak")
}

/// The settled winding of a part in the record, nominal and at full load.
fn settled_degc(record: &Record, name: &str, load_a: f64) -> f64 {
    let part = record.parts.iter().find(|part| part.name == name).expect("the part");
    let at = part.results.iter().find(|result| {
        result.condition == "steady" && result.corner == NOMINAL.name() && result.load_a == Some(load_a)
    });
    at.and_then(|result| result.winding_degc).expect("a winding")
}

/// In the end the soak is where the fixed point of loss and temperature is; before, it is below it and rises.
#[test]
fn law_a_soak_ends_at_the_balance_of_losses_and_temperature() {
    let record = compared(&controller());
    let soak = soak(&record);
    assert_eq!(soak.parts.len(), record.parts.len());
    for part in &soak.parts {
        let settled = settled_degc(&record, &part.part, soak.load_a);
        assert!((part.settled_degc.expect("it settles") - settled).abs() < SETTLED_K, "{part:?}");
        let curve: Vec<f64> = part.curve.iter().map(|at| at.winding_degc.shown).collect();
        assert!(curve.len() == 6 && curve.is_sorted() && curve[0] > soak.ambient_degc, "{part:?}");
        assert!(part.curve.iter().all(|at| at.winding_degc.most < settled + SETTLED_K), "{part:?}");
        let steady = part.steady_min.expect("it settles");
        assert!(steady.least <= steady.shown && steady.shown <= steady.most && steady.most <= soak.minutes);
        // The winding is warmer than its body, and a late reading is low by ever more.
        let surface = part.surface_degc.expect("it settles");
        assert!(surface.least < surface.most && surface.most <= settled + SETTLED_K, "{part:?}");
        assert!(part.late.is_sorted_by(|a, b| a.low_k.shown < b.low_k.shown), "{part:?}");
        // Copper, from cold to settled.
        let ratio = (234.5 + settled) / (234.5 + soak.ambient_degc);
        assert!((part.resistance_ratio.expect("it settles").shown / ratio - 1.0).abs() < 5e-3, "{part:?} {ratio}");
        assert_eq!(part.over_limit_min, None);
    }
}

/// A board that takes an hour to warm up is not warm after half of one: the plan soaks longer, and what it expects then is below what settles.
#[test]
fn law_a_slow_board_is_not_predicted_as_settled() {
    let mut case = controller();
    let expected = |record: &Record| {
        let plan = record.bench_plan.measurements.iter();
        let found = plan.clone().find(|test| test.quantity == "winding_temperature").expect("a temperature").clone();
        found.reading.expected
    };
    let quick = compared(&case);
    case.stated.insert("stage.thermal_time_constant".into(), vec![3600.0]);
    let slow = compared(&case);
    assert!(soak(&slow).minutes > 1.5 * soak(&quick).minutes, "{} min", soak(&slow).minutes);
    for record in [&quick, &slow] {
        let after = format!("warm for {:.0} min", soak(record).minutes);
        assert!(record.bench_plan.remarks.iter().any(|remark| remark.contains(&after)), "{after}");
    }
    for (part, expected) in soak(&slow).parts.iter().zip(expected(&slow)) {
        let settled = settled_degc(&slow, &part.part, soak(&slow).load_a);
        let at_30 = part.curve.iter().find(|at| at.minutes == 30.0).expect("half an hour").winding_degc;
        assert!(at_30.shown < settled - 5.0 && at_30.most < settled - 1.0, "{part:?}");
        // Half a kelvin and more is still to come by the rule of 1 K in 5 min.
        assert!(expected.value < settled - 0.5 && expected.value > at_30.shown, "{expected:?} {settled}");
        assert!(part.to_come_k.expect("it settles") > 1.0);
    }
}

/// A part without balance has no settled value and no steady state, but a time at which it passes its limit.
#[test]
fn law_a_part_that_runs_away_is_told_when_it_passes_its_limit() {
    let mut case = controller();
    case.parts.truncate(2);
    case.parts[1].thermal_resistance_k_per_w *= 30.0;
    let record = compared(&case);
    let [calm, wild] = &soak(&record).parts[..] else { panic!("two parts") };
    assert!(calm.settled_degc.is_some() && calm.over_limit_min.is_none());
    assert!(wild.settled_degc.is_none() && wild.steady_min.is_none() && wild.resistance_ratio.is_none(), "{wild:?}");
    let over = wild.over_limit_min.expect("it passes its limit");
    assert!(over.least > 0.0 && over.least < over.shown && over.shown < over.most, "{over:?}");
    assert!(wild.curve.iter().all(|at| at.minutes > over.shown || at.winding_degc.shown < wild.limit_degc));
}

/// A stated time constant leaves 40 % either way, no word on it half to double.
#[test]
fn law_a_stated_time_constant_narrows_the_range() {
    let mut case = controller();
    case.parts.truncate(2);
    case.parts[1].thermal_time_constant_s = Some(47.0);
    let record = compared(&case);
    let [absent, stated] = [0, 1].map(|index| soak(&record).parts[index].time_constant_s);
    assert!((absent.least / absent.shown - 0.5).abs() < 1e-12 && (absent.most / absent.shown - 2.0).abs() < 1e-12);
    assert_eq!((stated.shown, stated.most), (47.0, 1.4 * 47.0));
    let body = case.parts[0].body.expect("a body");
    let grams = 4.8e6 * body.length_m * body.width_m * body.height_m;
    assert!((absent.shown / (case.parts[0].thermal_resistance_k_per_w * grams * 0.55) - 1.0).abs() < 0.25);
}
