//! Evidence for core loss. HW stands for W. G. Hurley, W. H. Woelfle, Transformers and Inductors for Power Electronics, Wiley 2013.

use presolder::loss::LossError;
use presolder::loss::core::*;
use presolder::parts::CoreLoss;
use std::f64::consts::PI;
use std::ops::RangeInclusive;

/// Closed forms against closed forms.
const ROUNDING_REL: f64 = 1e-12;
/// Numbers printed with four digits, made with rounded intermediate values.
const PRINTED_REL: f64 = 2e-3;

fn difference(what: &str, ours: f64, reference: f64, tolerance: f64) {
    let relative = ours / reference - 1.0;
    println!("{what}: {ours:.9e}, reference {reference:.9e}, relative difference {relative:.1e}");
    assert!(relative.abs() <= tolerance, "{what}: {ours:e} against {reference:e}");
}

/// Material in a core of odd size, so that volume and area do not cancel by being 1.
const VOLUME_M3: f64 = 2.3e-6;
const TURNS_AREA_M2: f64 = 3.7e-4;

fn material(k: f64, alpha: f64, beta: f64) -> CoreLoss {
    CoreLoss::Steinmetz { k_w_per_m3: k, alpha, beta, volume_m3: VOLUME_M3, turns_area_m2: TURNS_AREA_M2 }
}

/// Loss density in W/m3 of a waveform of flux density in T.
fn density(k: f64, alpha: f64, beta: f64, flux_density: &[(f64, f64)]) -> f64 {
    let flux: Vec<_> = flux_density.iter().map(|&(t, b)| (t, b * TURNS_AREA_M2)).collect();
    core_loss(&material(k, alpha, beta), &flux).expect("valid").loss_w / VOLUME_M3
}

fn triangle(frequency_hz: f64, duty: f64, swing: f64) -> Vec<(f64, f64)> {
    let period_s = 1.0 / frequency_hz;
    vec![(0.0, -swing / 2.0), (duty * period_s, swing / 2.0), (period_s, -swing / 2.0)]
}

/// Source: HW Ex. 7.3, 16.9 f^1.25 B^2.35 at 1 MHz and 0.4 T: 62.05 W/cm3. HW Ex. 3.1, the same material at 80 kHz and a swing of
/// 13.8 mT in 23.8 cm3: 0.005 W, one digit (0.004516 W recomputed), by the generalised equation 0.004334 W.
#[test]
fn outside_steinmetz_worked_examples() {
    const ONE_DIGIT_REL: f64 = 0.1;
    let fit = SteinmetzFit { k: 16.9, alpha: 1.25, beta: 2.35, rms_residual: 0.0, max_residual: 0.0 };
    difference("HW Ex. 7.3 in W/cm3", fit.loss_w_per_m3(1e6, 0.4) * 1e-6, 62.05, 1e-3);
    let swing_t = 6.0 * 0.5 / 80e3 / (13.0 * 2.09e-4);
    difference("HW Ex. 3.1 in W", fit.loss_w_per_m3(80e3, swing_t / 2.0) * 23.8e-6, 0.005, ONE_DIGIT_REL);
    let igse_w = density(16.9, 1.25, 2.35, &triangle(80e3, 0.5, swing_t)) * 23.8e-6;
    difference("HW Ex. 3.1, generalised", igse_w, 0.004334, 1e-3);
}

/// Source: exact values by mpmath with 30 digits; HW print 3.964 and 0.9275 from an approximation of the integral that is good to 1e-3.
#[test]
fn outside_coefficient_of_the_generalised_equation() {
    for (k, alpha, beta, exact) in [
        (37.2, 1.13, 2.07, 3.966925107144992),
        (9.12, 1.24, 2.0, 0.9279648713340941),
        (0.83, 1.57, 2.61, 0.04116892427045328),
        (2.3, 0.71, 1.9, 0.3896112726567687),
    ] {
        difference("k_i", igse_coefficient(k, alpha, beta), exact, 1e-13);
    }
    difference("k_i of HW", igse_coefficient(37.2, 1.13, 2.07), 3.964, 1e-3);
    difference("k_i of HW", igse_coefficient(9.12, 1.24, 2.0), 0.9275, 1e-3);
}

/// Source: HW Ex. 7.5, triangle of 0.1 T peak to peak, 25 kHz, duty 0.75: 7034 W/m3. HW Ex. 7.6, push-pull of duty 0.67 at 50 kHz with
/// the flux at rest in between, 0.116 T peak (36 V rms 29.47 V over 4.88 x 50 kHz x 6 x 1.73 cm2): 0.871e5 W/m3.
#[test]
fn outside_generalised_worked_examples() {
    let ours = density(37.2, 1.13, 2.07, &triangle(25e3, 0.75, 0.1));
    difference("HW Ex. 7.5 in W/m3", ours, 7034.0, PRINTED_REL);
    let (half, on) = (10e-6, 0.67 * 10e-6);
    let rests = [(0.0, -0.116), (on, 0.116), (half, 0.116), (half + on, -0.116), (2.0 * half, -0.116)];
    difference("HW Ex. 7.6 in W/m3", density(9.12, 1.24, 2.0, &rests), 0.871e5, PRINTED_REL);
}

/// Triangle against Steinmetz's sine of equal peak: [D^(1-a) + D'^(1-a)] 2^b k_i / k. Source: closed form, five digits.
#[test]
fn closed_form_triangle_against_sine() {
    const FIVE_DIGITS_REL: f64 = 1e-5;
    let duties = [0.5, 0.4, 0.3, 0.2, 0.1, 0.05];
    for (alpha, beta, ratios) in [
        (1.5, 2.5, [0.91289, 0.92700, 0.97504, 1.08256, 1.36086, 1.77455]),
        (1.25, 2.35, [0.95958, 0.96572, 0.98622, 1.02990, 1.13167, 1.26186]),
    ] {
        for (duty, ratio) in duties.into_iter().zip(ratios) {
            let sine = 16.9 * 130e3_f64.powf(alpha) * 0.083_f64.powf(beta);
            let ours = density(16.9, alpha, beta, &triangle(130e3, duty, 0.166)) / sine;
            difference("triangle over sine", ours, ratio, FIVE_DIGITS_REL);
        }
    }
}

/// On sinusoidal flux the generalised equation is Steinmetz's; the straight lines between samples err by the square of the step.
#[test]
fn order_sine_converges_to_steinmetz() {
    let (k, alpha, beta, frequency_hz, peak) = (2.9, 1.43, 2.52, 170e3, 0.061);
    let exact = k * f64::powf(frequency_hz, alpha) * f64::powf(peak, beta);
    let error = |steps: u32| {
        let wave: Vec<_> = (0..=steps)
            .map(|j| f64::from(j) / f64::from(steps))
            .map(|x| (x / frequency_hz, peak * (2.0 * PI * (x + 0.113)).sin()))
            .collect();
        density(k, alpha, beta, &wave) / exact - 1.0
    };
    let (coarse, fine) = (error(4 * 173), error(16 * 173));
    println!("sine by polyline: relative errors {coarse:.2e}, {fine:.2e}");
    assert!(fine.abs() < 1e-5);
    let order = (coarse / fine).log(4.0);
    assert!((order - 2.0).abs() < 0.1, "order {order}");
}

/// Loss against volt-seconds: at its reference point exactly its loss, elsewhere K (f/f0)^a (S/S0)^b [D^(1-a) + D'^(1-a)]/2^a.
#[test]
fn closed_form_volt_seconds() {
    let (alpha, beta) = (1.37, 2.43);
    let data = CoreLoss::VoltSeconds { loss_w: 0.131, frequency_hz: 310e3, swing_wb: 11.7e-6, alpha, beta };
    let loss = |f, d, s| core_loss(&data, &triangle(f, d, s)).expect("valid").loss_w;
    difference("reference point", loss(310e3, 0.5, 11.7e-6), 0.131, ROUNDING_REL);
    let shape = (0.21_f64.powf(1.0 - alpha) + 0.79_f64.powf(1.0 - alpha)) / 2f64.powf(alpha);
    let other = 0.131 * (470.0_f64 / 310.0).powf(alpha) * (7.9_f64 / 11.7).powf(beta) * shape;
    difference("another point", loss(470e3, 0.21, 7.9e-6), other, ROUNDING_REL);
}

/// Major loop 0 - 12 with minor loops 7 - 5 and, on the way down, 3 - 6 - 4 - 5 - 3 (itself with 4 - 5 inside), in uV s, counted by hand.
#[test]
fn closed_form_nested_minor_loops() {
    let (alpha, beta) = (1.41, 2.37);
    let data = CoreLoss::VoltSeconds { loss_w: 0.09, frequency_hz: 200e3, swing_wb: 10e-6, alpha, beta };
    let levels = [0.0, 7.0, 5.0, 12.0, 3.0, 6.0, 4.0, 5.0, 0.0];
    let times = [0.0, 1.1, 1.5, 2.7, 4.0, 4.3, 4.9, 5.0, 5.7];
    let wave: Vec<_> = times.iter().zip(levels).map(|(t, l)| (t * 1e-6, l * 1e-6)).collect();
    let rate = |k: usize| f64::abs(levels[k + 1] - levels[k]) / (times[k + 1] - times[k]);
    // A stroke at rate r over a distance d adds r^(alpha - 1) d to its loop.
    let part = |k: usize, distance: f64| rate(k).powf(alpha - 1.0) * distance;
    let scaled = |swing: f64, sum: f64| (swing * 1e-6).powf(beta - alpha) * sum * 1e-6;
    let major = part(0, 7.0) + part(2, 5.0) + part(3, 9.0) + part(7, 3.0);
    let first = part(1, 2.0) + part(2, 2.0);
    let second = part(4, 3.0) + part(5, 2.0) + part(7, 1.0);
    let inner = part(6, 1.0) + part(7, 1.0);
    let total = scaled(12.0, major) + scaled(2.0, first) + scaled(3.0, second) + scaled(1.0, inner);
    let kappa = 0.09 / ((2.0 * 200e3_f64).powf(alpha) * 10e-6_f64.powf(beta));
    let result = core_loss(&data, &wave).expect("valid");
    difference("nested loops", result.loss_w, kappa * total / 5.7e-6, ROUNDING_REL);
    assert_eq!(result.minor_loops, 3);
    difference("major swing", result.swing_wb, 12e-6, ROUNDING_REL);
}

/// Neither the start of the period, nor a constant flux, nor the sign of the flux changes the loss; a rest without voltage at an
/// end only lengthens the period.
#[test]
fn law_loss_does_not_depend_on_where_the_period_starts() {
    let data = material(3.1, 1.39, 2.44);
    let levels = [2.0, 7.1, 5.3, 6.2, 5.9, 11.7, 3.3, 6.4, 4.1, 5.2, -1.3, 0.4, -0.2];
    let n = levels.len();
    let wave = |shift: usize, offset: f64, sign: f64| {
        let mut t = 0.0;
        let mut samples = vec![];
        for at in (shift..=shift + n).map(|k| k % n) {
            samples.push((t, (sign * levels[at] + offset) * 1e-6));
            t += 0.13e-6 * (1.0 + 0.37 * (at % 5) as f64);
        }
        samples
    };
    let loss = |samples: &[(f64, f64)]| core_loss(&data, samples).expect("valid");
    let base = loss(&wave(0, 0.0, 1.0));
    // 12 turning points make 6 loops; the last one, 0.4 to -0.2, goes down with the wrap.
    assert_eq!(base.minor_loops, 5);
    for shift in 0..n {
        for (offset, sign) in [(0.0, 1.0), (3.7, 1.0), (-8.1, -1.0)] {
            let other = loss(&wave(shift, offset, sign));
            let relative = other.loss_w / base.loss_w - 1.0;
            assert!(relative.abs() < ROUNDING_REL, "shift {shift}, offset {offset}, sign {sign}: {relative:e}");
            assert_eq!(other.minor_loops, base.minor_loops);
        }
    }
    let mut rest = wave(0, 0.0, 1.0);
    let (end_s, end_wb) = rest[n];
    rest.push((1.7 * end_s, end_wb));
    difference("rest", loss(&rest).loss_w, base.loss_w / 1.7, ROUNDING_REL);
}

/// With equal exponents the swing drops out, so however the loops are cut, together they must hold every stroke exactly once.
#[test]
fn law_loops_hold_every_stroke_once() {
    let exponent = 1.73;
    let data =
        CoreLoss::VoltSeconds { loss_w: 0.21, frequency_hz: 190e3, swing_wb: 8e-6, alpha: exponent, beta: exponent };
    // A fixed sequence that looks irregular: fractional parts of multiples of two irrational numbers.
    let mut wave: Vec<_> = (0..400)
        .map(f64::from)
        .map(|k| (0.01e-6 * (k + 0.5 * (k * 0.754_877_7).fract()), 9e-6 * (k * k * 0.569_840_3).fract()))
        .collect();
    wave.push((4.03e-6, wave[0].1));
    let direct: f64 =
        wave.windows(2).map(|w| ((w[1].1 - w[0].1).abs() / (w[1].0 - w[0].0)).powf(exponent) * (w[1].0 - w[0].0)).sum();
    let (kappa, ..) = kappa(&data).expect("valid");
    let result = core_loss(&data, &wave).expect("valid");
    difference("all strokes", result.loss_w, kappa * direct / (4.03e-6 - wave[0].0), ROUNDING_REL);
    let turns = (0..400)
        .filter(|&k| {
            let (before, at, after) = (wave[(k + 399) % 400].1, wave[k].1, wave[(k + 1) % 400].1);
            (at - before) * (after - at) < 0.0
        })
        .count();
    // Two turning points make a loop.
    assert_eq!(2 * (result.minor_loops + 1), turns);
}

#[test]
fn law_cautions_follow_the_waveform() {
    let data = material(3.1, 1.39, 2.44);
    let cautions = |samples: &[(f64, f64)]| core_loss(&data, samples).expect("valid").cautions;
    let always = [CoreCaution::NoBiasData, CoreCaution::NoTemperatureData];
    assert_eq!(cautions(&triangle(210e3, 0.43, 9e-6)), always);
    let short = cautions(&triangle(210e3, 0.17, 9e-6));
    assert_eq!(short[0], CoreCaution::ShortEdge);
    assert!(short[0].to_string().contains("30 %"));
    let rests = [(0.0, 0.0), (1.9e-6, 6e-6), (3.6e-6, 0.0), (4.7e-6, 0.0)];
    assert_eq!(cautions(&rests)[0], CoreCaution::Dwell);
    let still = core_loss(&data, &[(0.0, 5e-6), (3e-6, 5e-6)]).expect("valid");
    assert_eq!((still.loss_w, still.swing_wb, still.minor_loops), (0.0, 0.0, 0));
}

/// A measured triangle: frequency in Hz, rising share of the period, peak-to-peak flux density in T, loss in W/m3.
type Measured = (f64, f64, f64, f64);

/// Measured triangles within a window of frequency in Hz and peak-to-peak flux density in T: symmetric ones, and the others.
fn measured(frequency_hz: RangeInclusive<f64>, swing_t: RangeInclusive<f64>) -> (Vec<Measured>, Vec<Measured>) {
    let text = include_str!("../data/mnzn_25c_triangle_loss.csv");
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_reader(text.as_bytes());
    let (mut symmetric, mut other) = (vec![], vec![]);
    for row in reader.deserialize::<(String, f64, f64, f64, f64)>() {
        let (set, f, d, b, p) = row.expect("five columns");
        if frequency_hz.contains(&f) && swing_t.contains(&b) {
            if set == "fit" { &mut symmetric } else { &mut other }.push((f, d, b, p));
        }
    }
    (symmetric, other)
}

/// Steinmetz fit to symmetric triangles, and its volt-second form, whose loss is that of a symmetric triangle.
fn fitted(symmetric: &[Measured]) -> (SteinmetzFit, CoreLoss) {
    let points: Vec<_> = symmetric.iter().map(|&(f, _, b, p)| (f, b / 2.0, p)).collect();
    let fit = fit_steinmetz(&points).expect("well spread points");
    println!(
        "fit: k {:.4}, alpha {:.4}, beta {:.4}, rms {:.4}, max {:.4}",
        fit.k, fit.alpha, fit.beta, fit.rms_residual, fit.max_residual
    );
    let (frequency_hz, peak_t) = (270e3, 0.053);
    let data = CoreLoss::VoltSeconds {
        loss_w: fit.loss_w_per_m3(frequency_hz, peak_t) * VOLUME_M3,
        frequency_hz,
        swing_wb: 2.0 * peak_t * TURNS_AREA_M2,
        alpha: fit.alpha,
        beta: fit.beta,
    };
    (fit, data)
}

/// Relative error of the generalised equation on a measured triangle.
fn generalised_error(data: &CoreLoss, &(f, d, b, p): &Measured) -> f64 {
    core_loss(data, &triangle(f, d, b * TURNS_AREA_M2)).expect("valid").loss_w / VOLUME_M3 / p - 1.0
}

struct Spread {
    mean: f64,
    max: f64,
    bias: f64,
}

impl Spread {
    fn of(errors: &[f64]) -> Self {
        let n = errors.len() as f64;
        Self {
            mean: errors.iter().map(|e| e.abs()).sum::<f64>() / n,
            max: errors.iter().fold(0.0, |m, e| m.max(e.abs())),
            bias: errors.iter().sum::<f64>() / n,
        }
    }

    /// Accepts a prediction of duties 0.2 to 0.8: mean error below 5 %, largest below 13 % (found by an independent evaluation of the
    /// whole data set: 3.7 % and 12.3 %).
    fn acceptable(&self) -> bool {
        self.mean < 0.05 && self.max < 0.13
    }
}

/// Source: measured loss of an MnZn ferrite, see the header of tests/data/mnzn_25c_triangle_loss.csv. The coefficients are fitted to
/// symmetric triangles only; the generalised equation must predict the other duties, a duty-blind law must fail the same test.
#[test]
fn outside_measured_triangles() {
    let (symmetric, other) = measured(200e3..=450e3, 0.04..=0.2);
    assert_eq!((symmetric.len(), other.len()), (84, 120));
    let (fit, data) = fitted(&symmetric);
    let generalised = |m: &Measured| generalised_error(&data, m);
    let blind = |&(f, _, b, p): &Measured| fit.loss_w_per_m3(f, b / 2.0) / p - 1.0;
    let all: Vec<_> = symmetric.iter().chain(&other).copied().collect();
    for (name, set) in [("asymmetric", &other), ("all", &all)] {
        let ours = Spread::of(&set.iter().map(generalised).collect::<Vec<_>>());
        let naive = Spread::of(&set.iter().map(blind).collect::<Vec<_>>());
        println!("{name}: generalised mean {:.4} max {:.4} bias {:.4}", ours.mean, ours.max, ours.bias);
        println!("{name}: duty-blind mean {:.4} max {:.4} bias {:.4}", naive.mean, naive.max, naive.bias);
        assert!(ours.acceptable());
        assert!(!naive.acceptable());
    }
}

/// Source: the same measurements at 100 to 300 kHz and 30 to 150 mT; an independent evaluation of the whole data set found -1.5 %,
/// -6.7 % and -16.6 % at duty 0.4, 0.3 and 0.2. That the equation is low there is what its caution says.
#[test]
fn outside_short_duty_reads_low() {
    /// Every third point of the set is used here, which moves the mean by less than this.
    const THIRD_OF_THE_SET: f64 = 0.01;
    let (symmetric, other) = measured(100e3..=300e3, 0.06..=0.3);
    let (_, data) = fitted(&symmetric);
    for (duty, reference) in [(0.4, -0.015), (0.3, -0.067), (0.2, -0.166)] {
        let near = other.iter().filter(|m| (m.1 - duty).abs() < 0.03);
        let errors: Vec<_> = near.map(|m| generalised_error(&data, m)).collect();
        let bias = Spread::of(&errors).bias;
        println!("duty {duty}: bias {bias:.4} of {} points, reference {reference}", errors.len());
        assert!((bias - reference).abs() < THIRD_OF_THE_SET);
    }
}

/// Exact points give back their coefficients.
#[test]
fn closed_form_fit() {
    let (k, alpha, beta) = (0.73, 1.61, 2.53);
    let mut points = vec![];
    for f in [93e3, 210e3, 540e3] {
        for b in [0.021, 0.047, 0.11] {
            points.push((f, b, k * f64::powf(f, alpha) * f64::powf(b, beta)));
        }
    }
    let fit = fit_steinmetz(&points).expect("well spread points");
    difference("k", fit.k, k, 1e-11);
    difference("alpha", fit.alpha, alpha, ROUNDING_REL);
    difference("beta", fit.beta, beta, ROUNDING_REL);
    assert!(fit.max_residual < 1e-12 && fit.rms_residual <= fit.max_residual);
    points[4].2 *= 1.1;
    let off = fit_steinmetz(&points).expect("well spread points");
    // One of nine points 10 % high in the middle of the grid: the constant takes a ninth of it.
    difference("largest residual", off.max_residual, 1.1f64.ln() * 8.0 / 9.0, 0.02);
}

#[test]
fn error_core_data_and_waveforms_are_refused() {
    let data = material(3.1, 1.39, 2.44);
    let fail = |samples: &[(f64, f64)]| core_loss(&data, samples).expect_err("refused");
    assert_eq!(fail(&[(0.0, 0.0), (1e-6, 4e-6), (1e-6, 1e-6), (2e-6, 0.0)]), LossError::FluxStep { index: 3 });
    assert!(matches!(fail(&[(0.0, 0.0), (1e-6, 4e-6), (2e-6, 1e-6)]), LossError::NotClosed { .. }));
    assert_eq!(fail(&[(0.0, 0.0)]), LossError::Sample { index: 1 });
    let negative = core_loss(&material(-3.1, 1.39, 2.44), &triangle(2e5, 0.4, 9e-6)).expect_err("refused");
    assert_eq!(negative.to_string(), "Steinmetz coefficient is -3.1; it must be positive");
    let no_swing = CoreLoss::VoltSeconds { loss_w: 0.1, frequency_hz: 3e5, swing_wb: 0.0, alpha: 1.3, beta: 2.4 };
    assert!(matches!(kappa(&no_swing), Err(LossError::NotPositive { .. })));
    let one_frequency = [(2e5, 0.03, 3e4), (2e5, 0.05, 9e4), (2e5, 0.09, 4e5)];
    assert_eq!(fit_steinmetz(&one_frequency), Err(LossError::Undetermined { points: 3 }));
    assert_eq!(fit_steinmetz(&one_frequency[..2]), Err(LossError::Undetermined { points: 2 }));
    assert!(matches!(fit_steinmetz(&[(2e5, 0.0, 3e4)]), Err(LossError::NotPositive { .. })));
}
