//! Evidence for copper loss. HW stands for W. G. Hurley, W. H. Woelfle, Transformers and Inductors for Power Electronics,
//! Wiley 2013; EM for R. W. Erickson, D. Maksimovic, Fundamentals of Power Electronics, 3rd ed., Springer 2020.

use presolder::loss::copper::*;
use presolder::loss::{LossError, mean, mean_square, variance};
use presolder::parts::AcResistance;
use std::f64::consts::PI;

/// Closed forms against closed forms: rounding of a few sums and trigonometric functions.
const ROUNDING_REL: f64 = 1e-12;
/// Elements of a worked example whose inputs are printed with three digits.
const PRINTED_REL: f64 = 0.01;

fn difference(what: &str, ours: f64, reference: f64, tolerance: f64) {
    let relative = ours / reference - 1.0;
    println!("{what}: {ours:.9e}, reference {reference:.9e}, relative difference {relative:.1e}");
    assert!(relative.abs() <= tolerance, "{what}: {ours:e} against {reference:e}");
}

/// Triangle with the given rising share of the period.
fn triangle(period_s: f64, duty: f64, mean: f64, swing: f64) -> Vec<(f64, f64)> {
    let valley = mean - swing / 2.0;
    vec![(0.0, valley), (duty * period_s, valley + swing), (period_s, valley)]
}

/// Source: HW Ex. 3.1 (buck inductor: 13 turns of 8.6 cm, 10.75 uohm/cm at 20 C, 20 A, 85 C): 1.51 mohm, 0.604 W.
#[test]
fn outside_winding_resistance_and_loss_of_a_worked_example() {
    let at_20_ohm = 13.0 * 8.6 * 10.75e-6;
    let at_25_ohm = at_20_ohm * (1.0 + COPPER_ALPHA_20_PER_K * 5.0);
    let hot_ohm = resistance_ohm(at_25_ohm, 70.0 + 15.0);
    difference("winding resistance of HW Ex. 3.1", hot_ohm, 1.51e-3, PRINTED_REL);
    difference("copper loss of HW Ex. 3.1", dc_loss_w(20.0, hot_ohm), 0.604, PRINTED_REL);
}

/// Source: IEC 60028:1925, 1/58 ohm mm2/m and 0.00393 /K at 20 C; the other line in use, (234.5 + T)/254.5, differs by 5e-5.
#[test]
fn outside_copper_constants() {
    assert_eq!((COPPER_RESISTIVITY_20_OHM_M * 1e8 * 1e5).round(), 172_414.0);
    let ratio = resistance_ohm(1.0, 100.0) / resistance_ohm(1.0, 20.0);
    difference("R(100 C)/R(20 C)", ratio, 1.3144, ROUNDING_REL);
    difference("R(100 C)/R(20 C), other line", ratio, (234.5 + 100.0) / (234.5 + 20.0), 5e-5);
    assert_eq!(resistance_ohm(0.0131, 25.0), 0.0131);
    assert_eq!(resistance_ohm(0.0131, -300.0), 0.0);
}

/// Source: tests/data/copper_resistivity.csv (published cubic fit of measurements); the line stays within 1 % from -40 C to 180 C.
#[test]
fn outside_straight_line_against_measured_resistivity() {
    const LINE_REL: f64 = 0.01;
    let text = include_str!("../data/copper_resistivity.csv");
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_reader(text.as_bytes());
    let mut worst: f64 = 0.0;
    let mut points = 0;
    for record in reader.deserialize::<(f64, f64, f64, f64)>() {
        let (degc, _, relative, _) = record.expect("four numbers");
        let ours = resistance_ohm(1.0, degc) / resistance_ohm(1.0, 20.0);
        worst = worst.max((ours / relative - 1.0).abs());
        points += 1;
    }
    println!("copper line against measured fit: largest difference {worst:.5} of {points} points");
    assert_eq!(points, 23);
    assert!(worst < LINE_REL);
}

/// Source: skin depth from the conductivity of IEC 60028: 66.0855 mm sqrt(Hz) at 20 C, 75.7652 at 100 C; EM print 7.5 cm sqrt(Hz)
/// at 100 C, HW 66 mm sqrt(Hz).
#[test]
fn outside_skin_depth() {
    let hot_ohm_m = COPPER_RESISTIVITY_20_OHM_M * resistance_ohm(1.0, 100.0) / resistance_ohm(1.0, 20.0);
    for (resistivity, frequency_hz, depth_mm) in [
        (COPPER_RESISTIVITY_20_OHM_M, 60.0, 8.5316),
        (COPPER_RESISTIVITY_20_OHM_M, 1e5, 0.20898),
        (COPPER_RESISTIVITY_20_OHM_M, 1e6, 0.06609),
        (hot_ohm_m, 60.0, 9.78125),
        (hot_ohm_m, 1e5, 0.23959),
        (hot_ohm_m, 5e5, 0.10715),
    ] {
        difference("skin depth in mm", skin_depth_m(resistivity, frequency_hz) * 1e3, depth_mm, 1e-3);
    }
    difference("EM skin depth", skin_depth_m(hot_ohm_m, 1e5), 0.075 / 1e5_f64.sqrt(), 0.02);
    difference("HW skin depth", skin_depth_m(COPPER_RESISTIVITY_20_OHM_M, 1e5), 0.066 / 1e5_f64.sqrt(), 2e-3);
}

/// Source: HW eq. 6.47, EM eq. 10.87, evaluated by mpmath with 30 digits; EM: three thick layers cost 19/3 times their thickness
/// in skin depths.
#[test]
fn outside_dowell_factor() {
    for (layers, delta, ratio) in [
        (1.0, 0.5, 1.005542361774591),
        (3.0, 0.5, 1.060957734724856),
        (10.0, 1.0, 11.65795697754753),
        (6.0, 2.0, 39.79910774099804),
        (3.0, 10.0, 63.34003152449709),
    ] {
        difference("Dowell factor", dowell_ratio(layers, delta), ratio, ROUNDING_REL);
    }
    for delta in [19.7, 20.3, 731.0] {
        difference("thick layers", dowell_ratio(3.0, delta), delta * 19.0 / 3.0, 1e-8);
    }
    assert_eq!(dowell_ratio(3.0, 0.0), 1.0);
}

/// Source: Fourier series of a triangle, a_n = swing |sin(n pi D)| / (n^2 pi^2 D D'); of a pulse, 2 h |sin(n pi D)| / (n pi).
#[test]
fn closed_form_harmonics() {
    let (period_s, duty, swing) = (2.37e-6, 0.31, 1.43);
    let amplitudes = harmonics(&triangle(period_s, duty, 6.2, swing), 40).expect("valid");
    for (k, a) in amplitudes.iter().enumerate() {
        let n = (k + 1) as f64;
        let exact = swing * (n * PI * duty).sin().abs() / (n * n * PI * PI * duty * (1.0 - duty));
        assert!((a - exact).abs() < 1e-13 * swing, "harmonic {n}: {a:e} against {exact:e}");
    }
    let pulse =
        [(0.4e-6, 0.3), (0.4e-6 + duty * period_s, 0.3), (0.4e-6 + duty * period_s, -1.9), (0.4e-6 + period_s, -1.9)];
    for (k, a) in harmonics(&pulse, 40).expect("valid").iter().enumerate() {
        let n = (k + 1) as f64;
        let exact = 2.0 * 2.2 * (n * PI * duty).sin().abs() / (n * PI);
        assert!((a - exact).abs() < 1e-13, "harmonic {n}: {a:e} against {exact:e}");
    }
}

/// Source: EM eq. 10.94 and 10.101, distortion of a pulse train: 48 % at duty 0.5, 76 % at 0.3, 191 % at 0.1.
#[test]
fn outside_distortion_of_a_pulse_train() {
    const PRINTED_WHOLE_PERCENT: f64 = 0.01;
    for (duty, printed) in [(0.5, 0.48), (0.3, 0.76), (0.1, 1.91)] {
        let pulse = [(0.0, 1.7), (duty, 1.7), (duty, 0.0), (1.0, 0.0)];
        let first = harmonics(&pulse, 1).expect("valid")[0];
        let distortion = (2.0 * variance(&pulse).expect("valid") / (first * first) - 1.0).sqrt();
        difference("pulse distortion", distortion, printed, PRINTED_WHOLE_PERCENT);
    }
}

/// Mean square = mean^2 + half the sum of squared amplitudes.
#[test]
fn law_harmonics_carry_the_whole_alternating_power() {
    let wave = [(0.0, 1.3), (0.2e-6, 1.9), (0.7e-6, 4.4), (0.9e-6, 2.1), (1.9e-6, 2.6), (2.3e-6, 1.3)];
    let amplitudes = harmonics(&wave, 20_000).expect("valid");
    let power: f64 = amplitudes.iter().map(|a| 0.5 * a * a).sum();
    // The tail of amplitudes falling as n^-2 beyond N is of relative order N^-3.
    difference("power of the harmonics", power, variance(&wave).expect("valid"), 1e-11);
    let direct = mean(&wave).expect("valid");
    difference("mean square", mean_square(&wave).expect("valid"), direct * direct + power, 1e-11);
}

/// Source: HW Table 6.1 waveform 7; Fourier-Dowell sums by mpmath (400 harmonics). The small-thickness closed form
/// 1 + (Psi/3) Delta^4 (I'/(w I))^2 with Psi = (5 p^2 - 1)/15 agrees within 0.4 %.
#[test]
fn outside_triangular_ripple_in_layers() {
    const CLOSED_FORM_REL: f64 = 4e-3;
    for (layers, delta, duty, exact, closed_form) in [
        (1.0, 0.5, 0.5, 1.00654994571, 1.006755),
        (3.0, 0.5, 0.5, 1.07194713509, 1.074302),
        (3.0, 0.5, 0.3, 1.08511732272, 1.088455),
        (6.0, 0.3, 0.3, 1.04600052742, 1.046637),
        (3.0, 0.3, 0.1, 1.02590015696, 1.026749),
        (4.0, 0.37, 0.23, 1.05508421603, f64::NAN),
    ] {
        let ours = ripple_ratio(&triangle(3.1e-6, duty, 4.7, 1.3), 400, layers, delta).expect("valid");
        difference("ripple resistance ratio", ours, exact, 1e-10);
        if closed_form.is_finite() {
            difference("its closed form", ours, closed_form, CLOSED_FORM_REL);
        }
    }
}

/// A ratio that grows with f^2 makes the sum over harmonics the mean square of the slope: R (k-1)/(w0^2) (dI/dt)^2 mean.
#[test]
fn closed_form_ac_loss_in_the_low_frequency_law() {
    let (period_s, duty, swing, dcr, k, f0_hz) = (2.9e-6, 0.27, 1.7, 0.0183, 5.3, 4e9);
    let data = AcResistance { ratio_points: vec![(f0_hz, k)] };
    let loss = ac_extra(&triangle(period_s, duty, 3.3, swing), 10_000, dcr, Some(&data)).expect("valid");
    let mean_square_slope = swing * swing / (period_s * period_s * duty * (1.0 - duty));
    let exact = dcr * (k - 1.0) / (2.0 * PI * f0_hz).powi(2) * mean_square_slope;
    // The sum converges as 1/N.
    difference("ac copper loss", loss.extra_w, exact, 1e-4);
    assert_eq!(loss.basis, AcBasis::OnePoint);
    assert!(loss.covered > 1.0 - 1e-9);
}

/// Straight in log-log between the points, the two laws outside, never below 1.
#[test]
fn closed_form_ac_ratio() {
    let data = AcResistance { ratio_points: vec![(1.3e5, 1.7), (1.1e6, 6.1)] };
    let ratio = |f| ac_ratio(Some(&data), f);
    for (f, k) in data.ratio_points.iter() {
        difference("at a point", ratio(*f), *k, ROUNDING_REL);
    }
    difference("between", ratio((1.3e5f64 * 1.1e6).sqrt()), (1.7f64 * 6.1).sqrt(), ROUNDING_REL);
    difference("below", ratio(0.7 * 1.3e5), 1.0 + 0.7 * 0.49, ROUNDING_REL);
    difference("above", ratio(2.89 * 1.1e6), 1.0 + 5.1 * 1.7, ROUNDING_REL);
    assert_eq!(ac_ratio(None, 3e5), 1.0);
    assert_eq!(ac_ratio(Some(&AcResistance { ratio_points: vec![] }), 3e5), 1.0);
    let none = ac_extra(&triangle(2e-6, 0.4, 3.1, 0.9), 30, 0.011, None).expect("valid");
    assert_eq!((none.extra_w, none.basis), (0.0, AcBasis::NoData));
    let both = ac_extra(&triangle(2e-6, 0.4, 3.1, 0.9), 30, 0.011, Some(&data)).expect("valid");
    assert_eq!(both.basis, AcBasis::Points);
}

#[test]
fn error_unusable_waveforms_are_refused() {
    let bad = |samples: &[(f64, f64)]| harmonics(samples, 3).expect_err("not a waveform");
    assert_eq!(bad(&[]), LossError::Sample { index: 1 });
    assert_eq!(bad(&[(0.0, 2.0)]), LossError::Sample { index: 1 });
    assert_eq!(bad(&[(0.3, 2.0), (0.3, 2.1)]), LossError::Sample { index: 2 });
    assert_eq!(bad(&[(0.0, 2.0), (0.3, 2.1), (0.2, 2.0)]), LossError::Sample { index: 3 });
    assert_eq!(bad(&[(0.0, 2.0), (0.3, f64::NAN)]), LossError::Sample { index: 2 });
    let flat = ripple_ratio(&[(0.0, 2.0), (0.3, 2.0)], 3, 2.0, 0.4).expect_err("no ripple");
    assert_eq!(flat.to_string(), "sum of squared harmonics is 0; it must be positive");
}
