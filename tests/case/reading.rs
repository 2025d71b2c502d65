//! Cases are read to the expected SI values; the published format keeps step with the reader.

use crate::folders::copy;
use std::path::PathBuf;

use presolder::board::{Compensator, LoadKind, LowSide, Modulator, Ramp};
use presolder::case::{self, Case, Origin};
use presolder::parts::{CoreFamily, CoreLoss};
use presolder::units::{self, Dimension};

/// Division of a bank's values by the number of capacitors rounds once or twice.
const ROUNDING: f64 = 4.0 * f64::EPSILON;

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

pub fn demo(name: &str) -> Case {
    case::read(&root().join("cases").join(name)).unwrap_or_else(|e| panic!("{e}"))
}

fn close(a: f64, b: f64) {
    assert!((a - b).abs() <= ROUNDING * b.abs(), "{a} is not {b}");
}

/// A copy of a demo case in which some texts are replaced: (file, old, new).
pub fn changed(name: &str, changes: &[(&str, &str, &str)]) -> (tempfile::TempDir, PathBuf) {
    let dir = tempfile::tempdir().expect("temporary folder");
    let to = dir.path().join(name);
    copy(&root().join("cases").join(name), &to);
    for (file, old, new) in changes {
        let path = to.join(file);
        let text = std::fs::read_to_string(&path).expect("a file of the demo case");
        assert!(text.contains(old), "{file} does not contain {old}");
        std::fs::write(path, text.replacen(old, new, 1)).expect("writing the copy");
    }
    (dir, to)
}

#[test]
fn law_valve_controller_reads_to_si() {
    let case = demo("valve-controller");
    let board = &case.board;
    assert_eq!(board.input_v, [18.0, 24.0, 32.0]);
    assert_eq!((board.nominal_input_v, board.output_v, board.frequency_hz), (24.0, 5.0, 400e3));
    assert_eq!(board.load_a, [0.15, 2.0, 3.0]);
    assert_eq!(board.ambient_degc, 50.0);
    assert_eq!((board.stage.high_side_ohm, board.stage.gate_charge_c), (75e-3, 9e-9));
    assert_eq!((board.stage.output_capacitance_f, board.stage.pulse_rating_a), (140e-12, Some(6.8)));
    assert_eq!(
        board.stage.low_side,
        LowSide::Switch { on_ohm: 45e-3, dead_time_s: 22e-9, body_diode_v: 0.8, emulation: true }
    );
    let [ceramic] = &board.output_bank[..] else { panic!("one branch") };
    close(ceramic.capacitance_f, 45e-6);
    close(ceramic.aged_capacitance_f, 39e-6);
    close(ceramic.esr_ohm, 1.2e-3);
    close(ceramic.esl_h, 0.3e-9);
    close(board.input_bank[0].capacitance_f, 11e-6);
    assert_eq!(
        board.control.modulator,
        Modulator::PeakCurrent { gain_a_per_v: 5.0, slope_a_per_s: 0.45e6, delay_s: 30e-9 }
    );
    let ota = Compensator::Transconductance {
        reference_v: 0.8,
        gm_s: 240e-6,
        ro_ohm: 4e6,
        rc_ohm: 49e3,
        cc_f: 330e-12,
        chf_f: 12e-12,
        clamp_v: (0.0, 1.2),
    };
    assert_eq!(board.control.compensator, ota);
    let limit = board.control.protection.current_limit.expect("a current limit");
    assert_eq!((limit.threshold, limit.delay_s), ((4.4, 4.9, 5.4), 100e-9));
    let step = board.load_step.expect("a load step");
    assert_eq!((step.from_a, step.to_a, step.slew_a_per_s), (0.5, 2.5, 1e6));
    close(step.hold_s, 960e-6); // 8 x 120 us = 384 periods exactly
    assert_eq!((case.limits.output_band, case.limits.ripple_v), (Some(0.08), Some(25e-3)));
    assert_eq!((case.limits.recovery_s, case.limits.winding_degc), (Some(120e-6), Some(115.0)));
    assert_eq!(board.land.expect("a land").width_m, 6e-3);
    assert_eq!(board.keep_out.expect("a keep-out").height_m, 5.2e-3);
}

#[test]
fn law_valve_controller_parts_come_from_csv() {
    let case = demo("valve-controller");
    let names: Vec<&str> = case.parts.iter().map(|p| p.name.as_str()).collect();
    assert_eq!(names, ["Larkspur-10", "Meadowsweet-10", "Kestrel-10", "Sedge-6R8"]);
    let kestrel = &case.parts[2];
    assert_eq!((kestrel.core, kestrel.inductance_h, kestrel.tolerance), (CoreFamily::Ferrite, 10e-6, 0.2));
    assert_eq!((kestrel.dcr_typical_ohm, kestrel.dcr_max_ohm), (27e-3, 31e-3));
    let [room, hot] = &kestrel.saturation[..] else { panic!("two curves") };
    assert_eq!((room.temperature_degc, hot.temperature_degc), (25.0, 100.0));
    assert_eq!((room.points[5], hot.points[5]), ((5.7, 7e-6), (3.999, 7.21e-6)));
    assert_eq!(kestrel.saturation_ratings[1].temperature_degc, 100.0);
    let loss = CoreLoss::VoltSeconds { loss_w: 55e-3, frequency_hz: 400e3, swing_wb: 10e-6, alpha: 1.5, beta: 2.5 };
    assert_eq!(kestrel.core_loss, Some(loss));
    // A ratio without frequency belongs to the switching frequency.
    assert_eq!(kestrel.ac_resistance.as_ref().expect("a ratio").ratio_points, [(400e3, 4.5)]);
    assert_eq!((kestrel.thermal_resistance_k_per_w, kestrel.working_voltage_v), (55.6, Some(100.0)));
    assert_eq!(kestrel.body.expect("a body").height_m, 4.6e-3);
    assert_eq!(kestrel.terminals.expect("terminals").gap_m, 3.2e-3);
    // This curve is in per cent of the nominal inductance.
    let meadowsweet = &case.parts[1].saturation[1];
    close(meadowsweet.points[3].1, 8.84e-6);
    assert_eq!(case.warnings, Vec::<String>::new());
}

#[test]
fn law_ticket_kiosk_reads_to_si() {
    let case = demo("ticket-kiosk");
    let board = &case.board;
    assert_eq!(board.control.modulator, Modulator::VoltageMode { ramp: Ramp::InputOver(10.0), delay_s: 150e-9 });
    let Compensator::OpAmp { reference_v, r1_ohm, rb_ohm, lead, r2_ohm, c1_f, c2_f, gain_bandwidth_hz, clamp_v } =
        board.control.compensator
    else {
        panic!("an operational amplifier")
    };
    assert_eq!((reference_v, r1_ohm, lead, r2_ohm), (0.8, 20e3, Some((820.0, 1.2e-9)), 43e3));
    assert_eq!((c1_f, c2_f, gain_bandwidth_hz, clamp_v), (1.2e-9, 22e-12, 8e6, (0.0, 6.0)));
    close(rb_ohm, 20e3 * 0.8 / 11.2);
    assert_eq!(board.control.min_off_s, 200e-9);
    assert!(board.output_bank.len() == 2 && board.output_bank[1].capacitance_f == 150e-6);
    close(board.output_bank[1].aged_capacitance_f, 120e-6);
    close(board.load_step.expect("a load step").hold_s, 2.4e-3);
    let names: Vec<&str> = case.parts.iter().map(|p| p.name.as_str()).collect();
    assert_eq!(names, ["Alder-33", "Hawthorn-33", "Hornbeam-33", "Rowan-47"]);
    let rowan = &case.parts[3];
    assert_eq!((rowan.saturation[0].points[10], rowan.saturation[1].points[10]), ((18.0, 4.7e-6), (14.1, 4.84e-6)));
    assert_eq!(case.warnings, Vec::<String>::new());
}

#[test]
fn law_defaults_are_listed_as_assumed() {
    let (_keep, folder) = changed(
        "ticket-kiosk",
        &[
            ("parts.toml", "core_loss_tolerance    = \"20 %\"\n", ""),
            ("parts.toml", "hot_saturation_temperature = \"100 degC\"\n", ""),
        ],
    );
    let case = case::read(&folder).unwrap_or_else(|e| panic!("{e}"));
    let origin = |datum: &str| case.origins.iter().find(|o| o.datum() == datum).map(|o| (o.origin, o.value.as_ref()));
    assert_eq!(origin("board: limits.changes.ripple"), Some((Origin::Assumed, "15 %")));
    assert_eq!(origin("board: stage.quiescent_current"), Some((Origin::Absent, "700 \u{b5}A")));
    assert_eq!(origin("Alder-33: core_loss_tolerance"), Some((Origin::Assumed, "25 %")));
    assert_eq!(origin("Alder-33: hot_saturation_temperature"), Some((Origin::Assumed, "100 degC")));
    assert_eq!(origin("board: load.step.hold"), Some((Origin::Assumed, "2.4 ms")));
    assert_eq!(origin("board: control.compensator.rb").map(|o| o.0), Some(Origin::Estimated));
    assert_eq!(origin("board: control.compensator.gain_bandwidth"), Some((Origin::Measured, "8 MHz")));
    assert_eq!(origin("board: control.current_limit.typical"), Some((Origin::Typical, "6.3 A")));
    assert_eq!(origin("Rowan-47: dcr_max"), Some((Origin::Guaranteed, "71 mohm")));
    let changes = case.limits.changes;
    assert_eq!((changes.ripple.change, changes.ripple.stated), (0.15, false));
    assert_eq!((changes.efficiency.change, changes.temperature_k.change), (0.003, 5.0));
    assert_eq!((case.bench.voltage_v, case.bench.voltage), (0.5e-3, 0.02));
    assert_eq!(case.numerics.saturation_error_a, 2e-4 * case.board.load_a.last().unwrap());
    let hashed = |c: &Case| c.files.iter().all(|f| f.sha256.len() == 64);
    assert!(hashed(&case) && case.files.iter().any(|f| f.path == "parts.toml"));
}

#[test]
fn law_stated_values_replace_defaults() {
    let (_keep, folder) = changed(
        "ticket-kiosk",
        &[
            ("board.toml", "[limits]\n", "[limits.changes]\nripple = \"15 %\"\n\n[limits]\n"),
            ("board.toml", "clamp_high     = \"6 V\"\n", ""),
            ("board.toml", "[mechanics.land]", "[bench]\ncurrent = \"1.7 %\"\n\n[mechanics.land]"),
        ],
    );
    let case = case::read(&folder).unwrap_or_else(|e| panic!("{e}"));
    assert!(case.limits.changes.ripple.stated && !case.limits.changes.recovery.stated);
    assert_eq!(case.bench.current, 0.017);
    let Compensator::OpAmp { clamp_v, .. } = case.board.control.compensator else { panic!("an operational amplifier") };
    close(clamp_v.1, 1.1 * 56.0 / 10.0);
}

/// House rules stand in a file that several cases may share; its hash is among those of the files that were read.
#[test]
fn law_house_rules_are_read_from_another_folder() {
    let (keep, folder) =
        changed("ticket-kiosk", &[("board.toml", "[input]", "rules = \"../company/deratings.toml\"\n[input]")]);
    let company = keep.path().join("company");
    std::fs::create_dir(&company).expect("a folder");
    let text =
        "winding_margin = \"15 K\"\nsaturation_share = { value = \"80 %\", origin = \"assumed\", note = \"rule 4\" }\n";
    std::fs::write(company.join("deratings.toml"), text).expect("a file");
    let case = case::read(&folder).unwrap_or_else(|error| panic!("{error}"));
    let rules = case.rules.as_ref().expect("house rules");
    assert_eq!((rules.winding_margin_k, rules.saturation_share, rules.voltage_share), (Some(15.0), Some(0.8), None));
    assert_eq!(rules.file, "../company/deratings.toml");
    let hash = case.files.iter().find(|file| file.path == rules.file).expect("a hash");
    let expected: String =
        <sha2::Sha256 as sha2::Digest>::digest(text).iter().map(|byte| format!("{byte:02x}")).collect();
    assert_eq!(hash.sha256, expected);
    let origin =
        case.origins.iter().find(|origin| origin.datum() == "house rules: saturation_share").expect("an origin");
    assert_eq!((origin.value.as_ref(), origin.note().as_ref()), ("80 %", "rule 4"));
    assert!(case::read(&root().join("cases/ticket-kiosk")).expect("a case").rules.is_none());
}

/// The defaults of the constructors are those that the table of keys prints: a board that states them all reads the same.
#[test]
fn law_printed_defaults_are_those_of_the_library() {
    use presolder::case::keys::{BOARD, Need};
    use presolder::model::case::{Bench, Limits};
    use presolder::model::procedure::Procedure;
    let mut stated = String::from("\n[measure]\n");
    for key in BOARD.iter().filter(|key| key.parent() == "measure") {
        let Need::Optional(usual) = key.need else { panic!("{} has a default of its own", key.path) };
        let written = if usual.parse::<f64>().is_ok() { usual.to_string() } else { format!("\"{usual}\"") };
        stated += &format!("{} = {written}\n", key.name());
        assert!(key.example.trim_matches('"') == usual, "{}", key.path);
    }
    let keep = tempfile::tempdir().expect("temporary folder");
    let folder = keep.path().join("case");
    copy(&root().join("cases/ticket-kiosk"), &folder);
    let plain = case::read(&folder).unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(plain.board.procedure, Procedure::default());
    let text = std::fs::read_to_string(folder.join("board.toml")).expect("the board");
    let (before, after) = text.split_once("[limits]").expect("limits");
    let rest = after.find("\n[").map_or("", |next| &after[next..]);
    assert!(!rest.contains("[limits.changes]") && !text.contains("[bench]"), "the demo states limits only");
    std::fs::write(folder.join("board.toml"), format!("{before}{rest}{stated}")).expect("a copy");
    let case = case::read(&folder).unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(case.board.procedure, Procedure::default());
    assert_eq!((case.limits, case.bench), (Limits::default(), Bench::default()));
}

#[test]
fn law_other_stages_loads_and_core_data_read() {
    let switch = "kind       = \"switch\"\nresistance = \"18 mohm\"\ndead_time  = \"35 ns\"\nbody_diode = \"0.85 V\"\nemulation  = false";
    let loss = "core_loss              = \"110 mW\"\ncore_loss_frequency    = \"250 kHz\"\ncore_loss_volt_seconds = \"36 V us\"\ncore_loss_alpha        = 1.5\ncore_loss_beta         = 2.5\n";
    let steinmetz = "steinmetz_k = \"7.3 W/m3\"\nsteinmetz_alpha = 1.43\nsteinmetz_beta = 2.57\ncore_volume = \"812 mm3\"\nturns_area = \"0.93 cm2\"\n";
    let (_keep, folder) = changed(
        "ticket-kiosk",
        &[
            ("board.toml", switch, "kind = \"diode\"\nforward_voltage = \"0.43 V\"\nslope_resistance = \"27 mohm\""),
            ("board.toml", "\"2.5 A\", \"4 A\"]", "\"2.5 A\", \"4 A\"]\nkind = \"power\""),
            ("board.toml", "ramp_divisor = { value = \"10\"", "ramp_amplitude = { value = \"4.7 V\""),
            ("parts.toml", loss, steinmetz),
            ("parts.toml", "[\"4.5 @ 250 kHz\"]", "[\"1.9 @ 100 kHz\", \"4.5 @ 250 kHz\", 7.7]"),
        ],
    );
    let wrong = case::read(&folder).expect_err("the last ratio belongs to 250 kHz as well").to_string();
    assert!(wrong.contains("frequencies in ascending order"), "{wrong}");
    let text = std::fs::read_to_string(folder.join("parts.toml")).expect("parts.toml").replace(", 7.7]", "]");
    std::fs::write(folder.join("parts.toml"), text).expect("writing the copy");
    let case = case::read(&folder).unwrap_or_else(|e| panic!("{e}"));
    assert_eq!(case.board.stage.low_side, LowSide::Diode { forward_v: 0.43, slope_ohm: 27e-3 });
    assert_eq!(case.board.load_kind, LoadKind::Power);
    assert_eq!(case.board.control.modulator, Modulator::VoltageMode { ramp: Ramp::Fixed(4.7), delay_s: 150e-9 });
    let part = &case.parts[0];
    let expected =
        CoreLoss::Steinmetz { k_w_per_m3: 7.3, alpha: 1.43, beta: 2.57, volume_m3: 812e-9, turns_area_m2: 0.93e-4 };
    assert_eq!(part.core_loss, Some(expected));
    assert_eq!(part.ac_resistance.as_ref().expect("ratios").ratio_points, [(100e3, 1.9), (250e3, 4.5)]);
}

#[test]
fn law_open_loop_reads() {
    let (_keep, folder) = changed("ticket-kiosk", &[]);
    let text = std::fs::read_to_string(folder.join("board.toml")).expect("board.toml");
    let (before, rest) = text.split_once("kind         = \"voltage-mode\"").expect("the modulator");
    // Without control there is no start, and without a limit nothing ends an overload.
    let events = before.find("[load.overload]").expect("the events")..before.find("[stage]").expect("the stage");
    let before = format!("{}{}", &before[..events.start], &before[events.end..]);
    let after = rest.find("[control.current_limit]").map_or("", |i| &rest[i..]);
    let open = format!(
        "{before}kind = \"fixed-duty\"\nduty = \"25.3 %\"\n\n[control.compensator]\nkind = \"open\"\n\n{after}"
    );
    std::fs::write(folder.join("board.toml"), open).expect("writing the copy");
    let case = case::read(&folder).unwrap_or_else(|e| panic!("{e}"));
    assert_eq!(case.board.control.modulator, Modulator::FixedDuty { duty: 0.253 });
    assert_eq!(case.board.control.compensator, Compensator::Open);
}

#[test]
fn law_clamp_in_current_mode_follows_the_current_limit() {
    let (_keep, folder) = changed("valve-controller", &[("board.toml", "clamp_high = \"1.2 V\"\n", "")]);
    let case = case::read(&folder).unwrap_or_else(|e| panic!("{e}"));
    let Compensator::Transconductance { clamp_v, .. } = case.board.control.compensator else {
        panic!("a transconductance amplifier")
    };
    close(clamp_v.1, 1.2 * 5.4 / 5.0);
}

#[test]
fn closed_form_estimated_curves_meet_the_rating() {
    for (knee, part) in [("soft", "Meadowsweet-10"), ("hard", "Kestrel-10")] {
        let csv = std::fs::read_to_string(root().join("cases/valve-controller/parts.csv")).expect("parts.csv");
        let row = csv.lines().find(|l| l.starts_with(part)).expect("the part");
        let files: &str = row.split(',').find(|c| c.starts_with("curves/")).expect("its curve");
        let other = row.replacen(files, "", 1) + &format!(",{knee}");
        let text = csv.replace(row, &other).replace(",note\n", ",note,saturation_knee\n");
        let text: String = text
            .lines()
            .map(|l| {
                if l == other || l.starts_with('#') || l.ends_with("knee") {
                    format!("{l}\n")
                } else {
                    format!("{l},\n")
                }
            })
            .collect();
        let (_keep, folder) = changed("valve-controller", &[]);
        std::fs::write(folder.join("parts.csv"), text).expect("writing the copy");
        let case = case::read(&folder).unwrap_or_else(|e| panic!("{e}"));
        let inductor = case.parts.iter().find(|p| p.name == part).expect("the part");
        assert_eq!(inductor.saturation.len(), 2);
        for (curve, rating) in inductor.saturation.iter().zip(&inductor.saturation_ratings) {
            assert!(curve.points.len() >= 12);
            assert!(curve.points.windows(2).all(|w| w[1].0 > w[0].0 && w[1].1 <= w[0].1));
            let at = curve
                .points
                .iter()
                .min_by(|a, b| (a.0 - rating.current_a).abs().total_cmp(&(b.0 - rating.current_a).abs()));
            // The rated current is one of the points, to rounding; there the drop is 30 % to rounding.
            assert!((at.expect("a point").1 - 7e-6).abs() < 1e-15);
        }
        if knee == "hard" {
            let last = inductor.saturation[0].points.last().expect("a point").1;
            assert!((1e-6..1.001e-6).contains(&last), "the floor is a tenth of the nominal inductance");
        }
        assert!(
            case.origins.iter().any(|o| o.datum() == format!("{part}: saturation") && o.origin == Origin::Estimated)
        );
    }
}

#[test]
fn closed_form_thermal_resistance_from_the_heating_rating() {
    let (_keep, folder) = changed("ticket-kiosk", &[("parts.toml", "thermal_resistance = \"32.7 K/W\"\n", "")]);
    let case = case::read(&folder).unwrap_or_else(|e| panic!("{e}"));
    close(
        case.parts[0].thermal_resistance_k_per_w,
        40.0 / (4.9f64 * 4.9 * 44e-3 * (1.0 + 0.00393 / (1.0 + 0.00393 * 5.0) * 40.0)),
    );
}

#[test]
fn law_other_separators_and_encodings_give_the_same_parts() {
    let plain = demo("valve-controller");
    let csv = std::fs::read_to_string(root().join("cases/valve-controller/parts.csv")).expect("parts.csv");
    let kestrel = "curves/kestrel-10-25.csv @ 25 degC; curves/kestrel-10-100.csv @ 100 degC";
    let semicolons = csv.replace(',', ";").replace(kestrel, &format!("\"{kestrel}\"")).replace('\n', "\r\n");
    let utf16: Vec<u8> = [0xFF, 0xFE].into_iter().chain(csv.encode_utf16().flat_map(u16::to_le_bytes)).collect();
    let marked: Vec<u8> = [0xEF, 0xBB, 0xBF].into_iter().chain(csv.bytes()).collect();
    let greek = csv.replace("[uH]", "(\u{3bc}H)").replace("[mohm]", "[m\u{2126}]").replace("[degC]", "[\u{b0}C]");
    for bytes in [semicolons.into_bytes(), utf16, marked, greek.into_bytes()] {
        let (_keep, folder) = changed("valve-controller", &[]);
        std::fs::write(folder.join("parts.csv"), bytes).expect("writing the copy");
        let case = case::read(&folder).unwrap_or_else(|e| panic!("{e}"));
        assert_eq!(case.parts, plain.parts);
    }
}

#[test]
fn law_doubts_are_warnings() {
    let doubts = |changes: &[(&str, &str, &str)]| {
        let (_keep, folder) = changed("ticket-kiosk", changes);
        case::read(&folder).unwrap_or_else(|e| panic!("{e}")).warnings.join("\n")
    };
    assert!(doubts(&[("parts.toml", "\"9.5 MHz\"", "\"2.4 MHz\"")]).is_empty());
    assert!(
        doubts(&[("parts.toml", "\"9.5 MHz\"", "\"0.7 MHz\"")])
            .contains("Alder-33: self_resonance: 700 kHz: multiple of the switching frequency 2.8")
    );
    assert!(doubts(&[("parts.toml", "\"7.8 A\"", "\"7.1 A\"")]).contains("the rating says 30.0 %"));
    let low = doubts(&[("parts.toml", "\"58 mohm\"", "\"0.9 mohm\"")]);
    assert!(low.contains("Hornbeam-33: dcr_typical: 900 \u{b5}ohm is outside what moulded composite parts"), "{low}");
    assert!(
        doubts(&[("parts.toml", "inductance  = \"33 uH\"", "inductance  = \"20 uH\"")])
            .contains("outside the tolerance of the nominal")
    );
    let no_hot = doubts(&[
        ("parts.toml", "hot_saturation_temperature = \"100 degC\"\n", ""),
        ("parts.toml", "hot_saturation_current = \"6.2 A\"\n", ""),
        ("parts.toml", "temperature = \"100 degC\"", "temperature = \"60 degC\""),
    ]);
    assert!(no_hot.contains("Alder-33: saturation: no hot curve"));
    let short = doubts(&[
        ("parts.toml", "[8.58, 15.5], [9.75, 9.24], [11.7, 5.94], [15.6, 4.29], [23.4, 3.3],", ""),
        ("parts.toml", "[7.02, 29.7], [7.8, 23.1],", ""),
        ("parts.toml", "saturation_current     = \"7.8 A\"\n", ""),
    ]);
    assert!(short.contains("ends at 6.24 A, below the 6.9 A"), "{short}");
}

/// Regenerate with `UPDATE_DOCS=1 cargo test --test case_reading`.
#[test]
fn frozen_published_format_keeps_step_with_the_keys() {
    for (file, text) in [
        ("docs/case-format.md", case::docs::format_text()),
        ("docs/case.schema.json", case::docs::schema_text()),
        ("docs/missing-data.md", case::docs::missing_text()),
        ("docs/parts-tables.md", case::docs::tables_text()),
    ] {
        let path = root().join(file);
        if std::env::var_os("UPDATE_DOCS").is_some() {
            std::fs::create_dir_all(root().join("docs")).expect("the folder docs");
            std::fs::write(&path, &text).expect("writing the documentation");
        }
        let committed = std::fs::read_to_string(&path).unwrap_or_default();
        assert!(committed == text, "{file} is out of step: run UPDATE_DOCS=1 cargo test --test case_reading");
    }
}

#[test]
fn law_every_example_in_the_table_of_keys_is_valid() {
    use presolder::case::keys::{BOARD, Kind, Need, PART, RULES};
    for key in BOARD.iter().chain(PART).chain(RULES) {
        let text = key.example.trim_matches('"');
        if let Kind::Quantity(dimension) = key.kind {
            let value = units::parse(text, dimension).unwrap_or_else(|e| panic!("{}: {e:?}", key.path));
            assert!((key.range.0..=key.range.1).contains(&value), "{}: {value}", key.path);
            if let Need::Default(default, _) = key.need {
                let value = units::parse(default, dimension).unwrap_or_else(|e| panic!("{}: {e:?}", key.path));
                assert!((key.range.0..=key.range.1).contains(&value), "default of {}", key.path);
            }
        }
    }
}

#[test]
fn closed_form_quantities_are_exact() {
    use Dimension::*;
    let cases: &[(&str, Dimension, f64)] = &[
        ("4.7 uH", Inductance, 4.7e-6),
        ("4.7uH", Inductance, 4.7e-6),
        ("4.7 \u{b5}H", Inductance, 4.7e-6),
        ("4.7 \u{3bc}H", Inductance, 4.7e-6),
        ("  4.7  uH ", Inductance, 4.7e-6),
        ("4.7 nH", Inductance, 4.7e-9),
        ("22 mohm", Resistance, 22e-3),
        ("22 m\u{3a9}", Resistance, 22e-3),
        ("22 m\u{2126}", Resistance, 22e-3),
        ("22mOhm", Resistance, 22e-3),
        ("4 Mohm", Resistance, 4e6),
        ("1.43 k\u{3a9}", Resistance, 1.43e3),
        ("1 A/us", Slew, 1e6),
        ("0.45 A/\u{b5}s", Slew, 0.45e6),
        ("850 mA/ns", Slew, 850e6),
        ("3 A / s", Slew, 3.0),
        ("85 degC", Temperature, 85.0),
        ("85 \u{b0}C", Temperature, 85.0),
        ("-40\u{b0}C", Temperature, -40.0),
        ("\u{2212}40 degC", Temperature, -40.0),
        ("54.4 K/W", ThermalResistance, 54.4),
        ("54.4 \u{b0}C/W", ThermalResistance, 54.4),
        ("0.4 K/mW", ThermalResistance, 400.0),
        ("10 V us", VoltSeconds, 10e-6),
        ("10 V\u{b7}\u{b5}s", VoltSeconds, 10e-6),
        ("10 Vus", VoltSeconds, 10e-6),
        ("7.3 uWb", VoltSeconds, 7.3e-6),
        ("20 %", Fraction, 0.2),
        ("+-20 %", Fraction, 0.2),
        ("\u{b1}20%", Fraction, 0.2),
        ("0.3 points", Points, 0.003),
        ("0.45", Ratio, 0.45),
        ("45 %", Ratio, 0.45),
        ("1.28", Number, 1.28),
        ("12.3 mm", Length, 12.3e-3),
        ("310 mm3", Volume, 310e-9),
        ("1.9 cm\u{b3}", Volume, 1.9e-6),
        ("180 mm2", Area, 180e-6),
        ("95 kW/m3", PowerDensity, 95e3),
        ("120 mW/cm3", PowerDensity, 120e3),
        ("240 uS", Conductance, 240e-6),
        ("240 uA/V", Conductance, 240e-6),
        ("5 A/V", CurrentGain, 5.0),
        ("9 nC", Charge, 9e-9),
        ("4.7e-6 H", Inductance, 4.7e-6),
        ("1.5E3 mV", Voltage, 1.5),
        ("120 mT", FluxDensity, 120e-3),
        (".5 A", Current, 0.5),
    ];
    for (text, dimension, expected) in cases {
        assert_eq!(units::parse(text, *dimension).as_ref(), Ok(expected), "{text}");
    }
}

#[test]
fn error_quantities_that_are_refused() {
    use Dimension::*;
    let cases: &[(&str, Dimension, &str)] = &[
        ("4,7 uH", Inductance, "\"4.7 uH\""),
        ("1,000 uF", Capacitance, "\"1000 uF\""),
        ("1,234,567 Hz", Frequency, "\"1234567 Hz\""),
        ("1'000 Hz", Frequency, "without separators"),
        ("1 000 Hz", Frequency, "without spaces"),
        ("4.7.1 uH", Inductance, "one decimal point"),
        ("22", Resistance, "\"22 mohm\""),
        ("22 m", Resistance, "\"22 mohm\""),
        ("22 m\u{b5}H", Inductance, "no unit known"),
        ("500 khz", Frequency, "\"500 kHz\""),
        ("500 MHZ", Frequency, "\"500 MHz\""),
        ("44 mohm typ", Resistance, "\"44 mohm\""),
        ("NaN H", Inductance, "finite"),
        ("inf V", Voltage, "finite"),
        ("nan", Number, "finite"),
        ("1e400 V", Voltage, "proportion"),
        ("1e99999999999 V", Voltage, "proportion"),
        ("", Voltage, "decimal number"),
        ("V", Voltage, "decimal number"),
        ("10 uF", Inductance, "capacitance"),
        ("60 C", Temperature, "charge"),
        ("0.2", Fraction, "\"0.2 %\""),
        ("+-5 V", Voltage, "plus-minus"),
        ("5 kK/W", ThermalResistance, "no unit known"),
        ("3 A", Number, "remove the unit"),
        ("10 V 5", Voltage, "\"10 V\""),
        ("0,5 mV", Voltage, "\"0.5 mV\""),
        ("--5 V", Voltage, "decimal number"),
    ];
    for (text, dimension, hint) in cases {
        match units::parse(text, *dimension) {
            Ok(value) => panic!("{text:?} was read as {value}"),
            Err(refusal) => assert!(refusal.hint.contains(hint), "{text:?}: {refusal:?} lacks {hint}"),
        }
    }
}

/// A small congruential generator: the same values on every run.
fn values() -> impl Iterator<Item = f64> {
    let mut state: u64 = 0x9E37_79B9_7F4A_7C15;
    std::iter::repeat_with(move || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let mantissa = 1.0 + (state >> 11) as f64 / (1u64 << 53) as f64 * 9.0;
        let exponent = ((state >> 3) % 21) as i32 - 11;
        let sign = if state & 1 == 0 { 1.0 } else { -1.0 };
        sign * mantissa * 10f64.powi(exponent)
    })
}

#[test]
fn law_a_written_value_reads_back() {
    for value in values().take(5000) {
        for dimension in [Dimension::Voltage, Dimension::Resistance, Dimension::Slew, Dimension::Time] {
            let text = units::format_si(value, dimension.si_unit(), 17);
            // Seventeen digits determine a double.
            assert_eq!(units::parse(&text, dimension), Ok(value), "{text}");
            let short = units::format_si(value, dimension.si_unit(), 4);
            let back = units::parse(&short, dimension).unwrap_or_else(|e| panic!("{short}: {e:?}"));
            // Half a unit of the fourth digit.
            assert!((back / value - 1.0).abs() <= 0.5e-3 * (1.0 + 1e-9), "{short} for {value}");
            let number: f64 = short.split(' ').next().and_then(|n| n.parse().ok()).unwrap_or(0.0);
            assert!((1.0..1000.0).contains(&number.abs()), "{short}");
        }
    }
}

#[test]
fn closed_form_rounding_comes_before_the_prefix() {
    let cases = [
        (999.96e-6, "V", 4, "1.000 mV"),
        (999.94e-6, "V", 4, "999.9 \u{b5}V"),
        (0.0, "A", 3, "0 A"),
        (4.7e-6, "H", 2, "4.7 \u{b5}H"),
        (-12.34e-9, "s", 3, "-12.3 ns"),
        (99.96, "degC", 3, "100 degC"),
        (0.0456, "K", 2, "0.046 K"),
        (1234.0, "K/W", 3, "1230 K/W"),
        (2.5e12, "Hz", 3, "2.50e12 Hz"),
        (3.1e-15, "F", 2, "3.1e-15 F"),
        (999.5, "V", 3, "1.00 kV"),
        (0.45, "", 3, "0.450"),
    ];
    for (value, unit, digits, expected) in cases {
        assert_eq!(units::format_si(value, unit, digits), expected);
    }
}
