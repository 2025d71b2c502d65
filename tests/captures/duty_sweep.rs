//! A duty sweep of a public student laboratory (repository Frupla/Unlimited_Sugar, folder Lab1; these figures alone): half of the points
//! calibrate, the other half is predicted.

use crate::support::{branch, diode, linear, resistive, steady};
use presolder::bench::calibrate::{Row, learn};
use presolder::bench::predict::Prior;
use presolder::units::Dimension;

/// Mean output in V at a duty of 0.1 to 0.9 in steps of 0.1: open loop with a diode, 24 V supply of which 23.6 to 23.7 V reach the board,
/// L = 100 uH nominal, C = 100 uF, R = 10 ohm, 100 kHz.
const OUTPUTS_V: [f64; 9] = [1.937, 4.250, 6.577, 8.931, 11.272, 13.571, 15.875, 18.188, 20.594];
/// What is doubtful: name, value, standard uncertainty. Nobody published diode and resistances: ordinary values; the input is as published.
const DOUBTS: [(&str, f64, f64); 3] =
    [("diode drop", 0.5, 0.2), ("series resistance", 0.4, 0.2), ("input", 23.65, 0.03)];
/// How well a duty was set is not published: two thousandths of a period, of 23.65 V.
const OWN_V: f64 = 0.002 * 23.65;

/// Mean output in V by the engine.
fn output_v(duty: f64, [drop_v, series_ohm, input_v]: [f64; 3]) -> f64 {
    let (mut board, load_a) = resistive(input_v, duty, 100e3, vec![branch(100e-6, 0.05, 0.0)], 10.0);
    board.stage.low_side = diode(drop_v, 0.0);
    steady(&board, linear(100e-6), series_ohm, input_v, load_a).mean_voltage()
}

fn row(number: usize) -> Row {
    let duty = 0.1 * (number + 1) as f64;
    let shown = DOUBTS.map(|doubt| doubt.1);
    let predicted = output_v(duty, shown);
    let effect = |(moved, (name, _, standard)): (usize, (&str, f64, f64))| {
        let mut values = shown;
        values[moved] += standard;
        (name.to_string(), output_v(duty, values) - predicted)
    };
    let effects = DOUBTS.into_iter().enumerate().map(effect).collect();
    let difference = OUTPUTS_V[number] - predicted;
    Row { source: number, id: "output_mean", predicted, difference, teaches: true, own: OWN_V, probe: None, effects }
}

#[test]
fn outside_half_of_a_published_duty_sweep_predicts_the_other_half() {
    let prior = |(name, shown, standard): (&str, f64, f64)| Prior {
        name: name.into(),
        key: name.into(),
        label: String::new(),
        of_part: false,
        shown,
        middle: shown,
        standard,
        unit: Dimension::Number,
        limits: (f64::NEG_INFINITY, f64::INFINITY),
    };
    let priors = DOUBTS.map(prior);
    let (to_learn, to_predict): (Vec<Row>, Vec<Row>) =
        (0..OUTPUTS_V.len()).map(row).partition(|row| row.source % 2 == 0);
    let found = learn(&priors, &to_learn).expect("something");
    assert!(found.is_sound(), "{:?}", found.misfit);
    let shift = |name: &str| found.data.iter().find(|datum| datum.prior.name == name).expect("it is known").shift;
    let after = |row: &Row| row.difference - row.effects.iter().map(|(name, by)| by * shift(name)).sum::<f64>();
    let root = |values: &[f64]| (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt();
    let before: Vec<f64> = to_predict.iter().map(|row| row.difference).collect();
    let errors: Vec<f64> = to_predict.iter().map(after).collect();
    for datum in &found.data {
        let value = datum.prior.middle + datum.shift * datum.prior.standard;
        println!("{}: {value:.3} ± {:.3}", datum.prior.name, 2.0 * datum.left * datum.prior.standard);
    }
    println!("before {before:.3?} V, after {errors:.3?} V, rms {:.3} and {:.3} V", root(&before), root(&errors));
    // Twice what the setting of the duty leaves.
    assert!(errors.iter().all(|error| error.abs() < 2.0 * OWN_V), "{errors:?}");
    assert!(root(&errors) < 0.5 * root(&before), "{before:?} {errors:?}");
}
