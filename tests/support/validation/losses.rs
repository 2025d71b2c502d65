//! The main loss equations; the whole of their evidence is in tests/engine/loss_*.rs.

use super::{Log, Status};
use presolder::loss::{copper, core, thermal};

/// Numbers printed with three or four digits.
const PRINTED: f64 = 2e-3;
/// Exact values given to six digits or more.
const SIX_DIGITS: f64 = 1e-6;

pub fn core_loss(log: &mut Log) {
    log.case(
        "Core loss",
        "W. G. Hurley, W. H. Woelfle, Transformers and Inductors for Power Electronics, Wiley 2013, examples 7.3 to 7.5; exact coefficients with mpmath",
        Status::Seen,
    );
    let fit = core::SteinmetzFit { k: 16.9, alpha: 1.25, beta: 2.35, rms_residual: 0.0, max_residual: 0.0 };
    log.near("loss at 1 MHz and 0.4 T in W/cm3", fit.loss_w_per_m3(1e6, 0.4) * 1e-6, 62.05, PRINTED);
    for (k, alpha, beta, exact) in [(37.2, 1.13, 2.07, 3.966925107), (9.12, 1.24, 2.0, 0.9279648713)] {
        let name = format!("coefficient for {k}, {alpha}, {beta}");
        log.near(name, core::igse_coefficient(k, alpha, beta), exact, 1e-9);
    }
    let data = presolder::parts::CoreLoss::Steinmetz {
        k_w_per_m3: 37.2,
        alpha: 1.13,
        beta: 2.07,
        volume_m3: 1.0,
        turns_area_m2: 3.7e-4,
    };
    let flux: Vec<(f64, f64)> = [(0.0, -0.05), (30e-6, 0.05), (40e-6, -0.05)].map(|(t, b)| (t, b * 3.7e-4)).to_vec();
    let ours = core::core_loss(&data, &flux).expect("the waveform is sound").loss_w;
    log.near("triangle of 0.1 T at 25 kHz and duty 0.75 in W/m3", ours, 7034.0, PRINTED);
}

pub fn copper_loss(log: &mut Log) {
    log.case(
        "Copper loss",
        "IEC 60028:1925; Hurley, Woelfle, as above, and Erickson, Maksimovic (2020) eq. 10.87; table of the factor with general-purpose numerics",
        Status::Seen,
    );
    let resistivity = copper::COPPER_RESISTIVITY_20_OHM_M;
    log.near("skin depth at 100 kHz and 20 degC in mm", copper::skin_depth_m(resistivity, 100e3) * 1e3, 0.20898, 1e-3);
    let hot_ohm = copper::resistance_ohm(1.0, 100.0) / copper::resistance_ohm(1.0, 20.0);
    log.near("resistance at 100 degC over 20 degC", hot_ohm, 1.3144, SIX_DIGITS);
    for (layers, delta, factor) in [(1.0, 0.5, 1.005542), (3.0, 1.0, 1.939965), (6.0, 2.0, 39.799108)] {
        let name = format!("factor of {layers} layers, {delta} skin depths");
        log.near(name, copper::dowell_ratio(layers, delta), factor, SIX_DIGITS);
    }
    let triangle = [(0.0, -1.0), (0.3, 1.0), (1.0, -1.0)];
    let ratio = copper::ripple_ratio(&triangle, 2000, 3.0, 0.5).expect("the waveform is sound");
    log.near("triangle of duty 0.3 in 3 layers, 0.5 skin depths", ratio, 1.085118, 1e-5);
}

pub fn temperature(log: &mut Log) {
    log.case(
        "Temperature",
        "closed form of the electro-thermal balance; formula of the IEC 60335-1 family",
        Status::Memory,
    );
    let rise_k = thermal::linear_rise_k(0.5, 60.0, 40.0).expect("it does not run away");
    log.near("rise of 0.5 W of copper loss at 40 degC over 60 K/W", rise_k, 33.68169, 1e-6);
    log.near(
        "rise by resistance, 10 mohm to 11.6 mohm at 25 degC",
        thermal::rise_by_resistance_k(10e-3, 25.0, 11.6e-3, 25.0),
        41.520,
        1e-6,
    );
    log.near("share of the final rise after 3 time constants", thermal::soak_rise_k(1.0, 3.0, 1.0), 0.95021, 1e-5);
}
