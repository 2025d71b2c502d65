//! The demo boards: every case reads, and the river gauge alternates exactly where the slope compensation says so.

use presolder::case;
use presolder::run::{CORNERS, warm_steady};
use std::path::Path;

fn cases() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("cases")
}

#[test]
fn law_every_case_reads_without_a_doubt() {
    let mut seen = 0;
    for entry in std::fs::read_dir(cases()).expect("the cases") {
        let folder = entry.expect("an entry").path();
        let case = case::read(&folder).unwrap_or_else(|error| panic!("{error}"));
        assert_eq!(case.warnings, Vec::<String>::new(), "{}", case.name);
        assert!(case.parts.len() == 4, "{}", case.name);
        seen += 1;
    }
    assert!(seen >= 3);
}

/// Peak current mode above half duty is stable where the slope compensation exceeds half the difference of the slopes:
/// S_e > (2 V_o - V_in) / (2 L), L the inductance at the peak. Source: R. W. Erickson, D. Maksimovic, Fundamentals of Power
/// Electronics, 3rd ed., eq. 18.54 (a multiplier of -1), with the slopes of the buck converter.
#[test]
fn outside_alternation_of_the_river_gauge_follows_the_slope_compensation() {
    let case = case::read(&cases().join("river-gauge")).unwrap_or_else(|error| panic!("{error}"));
    let (input_v, load_a, slope) = (9.6, 2.4, 0.40e6);
    let expected = [
        ("Cattail-15", [true, true]),
        ("Bulrush-15", [true, true]),
        ("Teasel-10", [true, false]),
        ("Mallow-6R8", [false, false]),
    ];
    for (part, (name, regular)) in case.parts.iter().zip(expected) {
        assert_eq!(part.name, name);
        for (corner, regular) in CORNERS[..2].iter().zip(regular) {
            let warm = warm_steady(&case, part, *corner, input_v, load_a).unwrap_or_else(|error| panic!("{error}"));
            let orbit = &warm.steady.orbit;
            let inductance_h = warm.curve.inductance_h(warm.steady.mean_current_a());
            let needed = (2.0 * case.board.output_v - input_v) / (2.0 * inductance_h);
            println!(
                "{name}, {}: {} periods, L {inductance_h:.3e} H, slope needed {needed:.3e} A/s, multiplier {:.3}",
                corner.name,
                orbit.periods,
                orbit.largest_multiplier()
            );
            assert_eq!(orbit.periods == 1 && orbit.repeats, regular, "{name}, {}", corner.name);
            // Losses and the amplifier's own ripple shift the limit a little: the closed form decides where it is clear.
            if (needed / slope - 1.0).abs() > 0.15 {
                assert_eq!(needed < slope, regular, "{name}, {}", corner.name);
            }
        }
    }
}
