//! What the reader does where a case leaves a datum out.

use crate::folders::copy;
use presolder::case::keys::{BOARD, Key, Need, PART};
use presolder::case::{Case, Origin, read};
use presolder::model::doubt::{Doubt, Nature, doubts, rules};
use presolder::parts::{CapacitorKind, CoreLoss, SaturationBasis};
use std::f64::consts::TAU;
use std::path::{Path, PathBuf};

/// Rounding of a few multiplications and divisions.
const ROUNDING: f64 = 1e-12;
/// Fewest data that are deleted one by one: a law over nothing proves nothing.
const FEWEST_DELETED: usize = 200;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("cases")
}

/// A demo case in which a file is another.
fn with(demo: &str, file: &str, text: &str) -> Case {
    let keep = tempfile::tempdir().expect("a temporary folder");
    let folder = keep.path().join(demo);
    copy(&root().join(demo), &folder);
    std::fs::write(folder.join(file), text).expect("writing the copy");
    read(&folder).unwrap_or_else(|error| panic!("{error}"))
}

fn text(demo: &str, file: &str) -> String {
    std::fs::read_to_string(root().join(demo).join(file)).expect("a file of a demo case")
}

/// A demo case without some lines: those that begin with one of the words, of the part of that name where one is given.
fn without(demo: &str, file: &str, part: Option<&str>, words: &[&str]) -> Case {
    let mut inside = part.is_none();
    let kept = |line: &&str| {
        if let (Some(part), true) = (part, line.starts_with("name")) {
            inside = line.contains(part);
        }
        let word = line.split([' ', '=']).next().unwrap_or("");
        !(inside && words.contains(&word))
    };
    let text = text(demo, file);
    let kept: Vec<&str> = text.lines().filter(kept).collect();
    assert!(kept.len() + words.len() <= text.lines().count(), "{words:?} are not all there");
    with(demo, file, &kept.join("\n"))
}

/// Every line of a file that states a datum with a rule: its number, its key without and with the numbers of branches, and its part.
fn ruled_lines(file: &str, text: &str) -> Vec<(usize, &'static Key, String, Option<String>)> {
    let keys = if file == "board.toml" { BOARD } else { PART };
    let (mut section, mut count, mut part) = (String::new(), 0, None);
    let mut found = vec![];
    for (number, line) in text.lines().enumerate() {
        if let Some(name) = line.strip_prefix("[[").and_then(|rest| rest.split("]]").next()) {
            count = if name == section { count + 1 } else { 0 };
            section = name.to_string();
        } else if let Some(name) = line.strip_prefix('[').and_then(|rest| rest.split(']').next()) {
            (section, count) = (name.to_string(), 0);
        }
        let Some((name, value)) = line.split_once('=').map(|(name, value)| (name.trim(), value.trim())) else {
            continue;
        };
        if section == "part" && name == "name" {
            part = Some(value.trim_matches('"').to_string());
        }
        let path = if file == "board.toml" { format!("{section}.{name}") } else { name.to_string() };
        let of_part = section == "part" || file == "board.toml";
        if let Some(key) = keys.iter().find(|key| of_part && key.path == path && key.need == Need::Ruled) {
            let place = path.replace("capacitors.", &format!("capacitors[{count}]."));
            found.push((number, key, place, part.clone()));
        }
    }
    found
}

fn doubt_of<'a>(all: &'a [Doubt], key: &str) -> Option<&'a Doubt> {
    all.iter().find(|doubt| doubt.key == key)
}

/// Every datum that has a rule may be left out: it is listed as absent, and lies between two ends that hold what was stated.
#[test]
fn law_whatever_has_a_rule_may_be_left_out() {
    let mut deleted = 0;
    for demo in ["buoy-winch", "oven-panel", "river-gauge", "ticket-kiosk", "valve-controller"] {
        for file in ["board.toml", "parts.toml"].into_iter().filter(|file| root().join(demo).join(file).is_file()) {
            let text = text(demo, file);
            for (number, key, place, part) in ruled_lines(file, &text) {
                // A loss without its reference point is no datum, and a hot rating beside a hot curve is only held against it.
                if ["core_loss", "hot_saturation_current"].contains(&key.path) {
                    continue;
                }
                let kept: Vec<&str> =
                    text.lines().enumerate().filter(|(n, _)| *n != number).map(|(_, line)| line).collect();
                let case = with(demo, file, &kept.join("\n"));
                let index =
                    part.as_ref().map_or(0, |name| case.parts.iter().position(|p| p.name == *name).expect("the part"));
                deleted += check_absent(&case, index, &place, part.as_deref());
            }
        }
    }
    assert!(deleted >= FEWEST_DELETED, "{deleted}");
}

/// 1 where the datum is listed as absent with ends; 0 where it acts on nothing on this board.
fn check_absent(case: &Case, index: usize, place: &str, part: Option<&str>) -> usize {
    let told = || format!("{}: {place} of {part:?}", case.name);
    let here = |key: &str| {
        rules().any(|rule| {
            (0..rule.branches(&case.board)).any(|branch| {
                rule.key_of(branch) == key && rule.value(&case.board, &case.parts[index], branch).is_some()
            })
        })
    };
    if !here(place) {
        return 0;
    }
    let entry = case.origin_of(part, place).unwrap_or_else(|| panic!("{}: not listed", told()));
    assert!(entry.origin == Origin::Absent && !entry.stated, "{}: {entry:?}", told());
    let all = doubts(case, index);
    match doubt_of(&all, place).map(|doubt| doubt.nature) {
        Some(Nature::Ends { low, high }) => assert!(low < high, "{}", told()),
        // Its two ends are one value: what differs is a corner.
        None => assert!(place.contains("tolerance") || place.contains("current_limit"), "{}", told()),
        other => panic!("{}: {other:?}", told()),
    }
    1
}

#[test]
fn closed_form_core_loss_that_nobody_printed() {
    let words = ["core_loss", "core_loss_frequency", "core_loss_volt_seconds", "core_loss_alpha", "core_loss_beta"];
    let case = without("ticket-kiosk", "parts.toml", Some("Alder-33"), &words);
    // 48 V to 12 V at 250 kHz: a swing of 12 V x 0.75 / 250 kHz = 36 V us; Q of 25 to 250.
    let stored_w = TAU * 250e3 * 0.5 * 33e-6 * (0.5 * 36e-6 / 33e-6f64).powi(2);
    let all = doubts(&case, 0);
    let doubt = doubt_of(&all, "core_loss").expect("a doubt");
    let Nature::Ends { low, high } = doubt.nature else { panic!("{doubt:?}") };
    for (is, wanted) in [(low, stored_w / 250.0), (high, stored_w / 25.0), (doubt.shown, 0.5 * (low + high))] {
        assert!((is / wanted - 1.0).abs() < ROUNDING, "{is} is not {wanted}");
    }
    let Some(CoreLoss::VoltSeconds { loss_w, frequency_hz, swing_wb, alpha, beta }) = case.parts[0].core_loss else {
        panic!()
    };
    assert!(loss_w == doubt.shown && frequency_hz == 250e3 && (swing_wb / 36e-6 - 1.0).abs() < ROUNDING);
    assert_eq!((alpha, beta), (1.45, 2.5));
    assert!(doubt_of(&all, "core_loss_alpha").is_some_and(|doubt| matches!(doubt.nature, Nature::Ends { .. })));
}

/// A ferrite of which only the cold curve is printed saturates at 0.73 times the current at 100 degC, in a line from 25 degC on.
#[test]
fn closed_form_hot_curves_that_nobody_printed() {
    let text = text("ticket-kiosk", "parts.toml");
    let (before, rest) =
        text.split_once("[[part.saturation]]\ntemperature = \"100 degC\"").expect("the hot curve of the first part");
    let after = &rest[rest.find("# Gapped ferrite, shielded, same outline.").expect("the next part")..];
    let lines = ["hot_saturation_current = \"6.2 A\"\n", "hot_saturation_temperature = \"100 degC\"\n"];
    let both = lines.iter().fold(format!("{before}{after}"), |text, line| text.replacen(line, "", 1));
    let case = with("ticket-kiosk", "parts.toml", &both);
    let part = &case.parts[0];
    let ends: Vec<(f64, f64)> = part
        .saturation
        .iter()
        .map(|curve| (curve.temperature_degc, curve.points.last().expect("a point").0 / 23.4))
        .collect();
    for ((degc, factor), wanted) in
        ends.iter().zip([(25.0, 1.0), (62.5, 0.865), (100.0, 0.73), (125.0, 0.64), (150.0, 0.55)])
    {
        assert!(*degc == wanted.0 && (factor - wanted.1).abs() < ROUNDING, "{degc}: {factor}");
    }
    let all = doubts(&case, 0);
    let Nature::Ends { low, high } = doubt_of(&all, "hot_saturation_current").expect("a doubt").nature else {
        panic!()
    };
    assert_eq!((low, high), (0.58, 0.87));
    assert_curves_stay_usable(&case);
    // With the hot rating alone the curve follows it: 6.2 A over 7.8 A.
    let case = with("ticket-kiosk", "parts.toml", &format!("{before}{after}"));
    let hot = case.parts[0].saturation.iter().find(|curve| curve.temperature_degc == 100.0).expect("a hot curve");
    assert!((hot.points.last().expect("a point").0 / (23.4 * 6.2 / 7.8) - 1.0).abs() < ROUNDING);
    assert!(doubt_of(&doubts(&case, 0), "hot_saturation_current").is_none());
}

/// Whatever doubt is set to whichever end, the curves stay usable: inductance positive and not rising, currents ascending.
fn assert_curves_stay_usable(case: &Case) {
    for doubt in doubts(case, 0).iter().filter(|doubt| doubt.key.contains("saturation")) {
        let Nature::Ends { low, high } = doubt.nature else { continue };
        for value in [low, doubt.shown, high] {
            let (mut board, mut part) = (case.board.clone(), case.parts[0].clone());
            doubt.set(&mut board, &mut part, value);
            let rising = |curve: &presolder::parts::SaturationCurve| {
                curve.points.windows(2).any(|w| w[1].0 <= w[0].0 || w[1].1 > w[0].1 * (1.0 + ROUNDING) || w[1].1 <= 0.0)
            };
            assert!(!part.saturation.iter().any(rising), "{} at {value}: {part:?}", doubt.rule.label);
            let far = |a: &presolder::parts::SaturationCurve, b: &presolder::parts::SaturationCurve| {
                a.points
                    .iter()
                    .zip(&b.points)
                    .any(|(a, b)| (a.0 - b.0).abs() > 1e-9 * b.0 || (a.1 - b.1).abs() > 1e-9 * b.1)
            };
            let moved = part.saturation.iter().zip(&case.parts[0].saturation).any(|(a, b)| far(a, b));
            assert_eq!(moved, value != doubt.shown, "{} at {value}", doubt.rule.label);
        }
    }
}

/// Without a curve the ratings say where it bends, without these nothing does.
#[test]
fn law_what_a_curve_rests_on_is_known() {
    let text = text("ticket-kiosk", "parts.toml");
    let begin = text.find("[[part.saturation]]").expect("a curve");
    let end = text.find("# Gapped ferrite, shielded, same outline.").expect("the next part");
    let bare = format!("{}{}", &text[..begin], &text[end..]);
    let case = with("ticket-kiosk", "parts.toml", &bare);
    assert_eq!(case.parts[0].saturation_basis, SaturationBasis::Ratings { hard: true });
    let Nature::Ends { low, high } = doubt_of(&doubts(&case, 0), "saturation_knee").expect("a doubt").nature else {
        panic!()
    };
    assert_eq!((low, high), (0.0, 1.0));
    assert_curves_stay_usable(&case);
    let cold_only = bare.replacen("hot_saturation_current = \"6.2 A\"\n", "", 1);
    assert_curves_stay_usable(&with("ticket-kiosk", "parts.toml", &cold_only));
    let soft = bare.replacen("saturation_drop        =", "saturation_knee = \"soft\"\nsaturation_drop        =", 1);
    let case = with("ticket-kiosk", "parts.toml", &soft);
    assert_eq!(case.parts[0].saturation_basis, SaturationBasis::Ratings { hard: false });
    assert!(doubt_of(&doubts(&case, 0), "saturation_knee").is_none());
    let rated = ["saturation_current     = \"7.8 A\"\n", "hot_saturation_current = \"6.2 A\"\n"];
    let case = with("ticket-kiosk", "parts.toml", &rated.iter().fold(bare, |text, line| text.replacen(line, "", 1)));
    assert_eq!(case.parts[0].saturation_basis, SaturationBasis::Nothing);
    assert!(case.origin_of(Some("Alder-33"), "saturation").is_some_and(|entry| entry.origin == Origin::Absent));
}

#[test]
fn law_the_kind_of_a_capacitor_follows_its_time_constant() {
    let case = read(&root().join("buoy-winch")).expect("a demo board");
    let kinds: Vec<CapacitorKind> = case.board.output_bank.iter().map(|branch| branch.kind).collect();
    assert_eq!(kinds, [CapacitorKind::Ceramic, CapacitorKind::Electrolytic]);
    let case = read(&root().join("oven-panel")).expect("a demo board");
    let kinds: Vec<CapacitorKind> = case.board.input_bank.iter().map(|branch| branch.kind).collect();
    assert_eq!(kinds, [CapacitorKind::Ceramic, CapacitorKind::Polymer]);
}

#[test]
fn closed_form_thermal_resistance_by_the_size_of_the_body() {
    let words = ["heating_current", "heating_rise", "thermal_resistance"];
    let case = without("ticket-kiosk", "parts.toml", Some("Alder-33"), &words);
    let wanted = 61.0 * (6.6f64 / 12.3).powf(0.86);
    assert!((case.parts[0].thermal_resistance_k_per_w / wanted - 1.0).abs() < ROUNDING);
    let all = doubts(&case, 0);
    let factors: Vec<(f64, f64)> = all
        .iter()
        .filter(|doubt| doubt.key == "thermal_resistance")
        .map(|doubt| match doubt.nature {
            Nature::Ends { low, high } => (low, high),
            Nature::Spread { .. } => panic!("{doubt:?}"),
        })
        .collect();
    let (low, high) = factors.iter().fold((1.0, 1.0), |(low, high), ends| (low * ends.0, high * ends.1));
    assert!(factors.len() == 2 && (low - 0.6).abs() < ROUNDING && (high - 1.6).abs() < ROUNDING, "{low} {high}");
}

/// A guaranteed saturation current bounds the currents of the curve from below.
#[test]
fn law_a_guaranteed_saturation_current_is_the_lower_end() {
    let text = text("ticket-kiosk", "parts.toml");
    let ends = |datum: &str| {
        let case = with("ticket-kiosk", "parts.toml", &text.replacen("\"7.8 A\"", datum, 1));
        let all = doubts(&case, 0);
        let currents =
            all.iter().find(|doubt| doubt.rule.label == "factor on the currents of the curve").expect("a doubt");
        // The curve of this part has fallen by 30 % at 7.8 A.
        assert!((currents.printed / 7.8 - 1.0).abs() < ROUNDING, "{currents:?}");
        match currents.nature {
            Nature::Ends { low, high } => (low, high),
            Nature::Spread { .. } => panic!("{currents:?}"),
        }
    };
    assert_eq!(ends("\"7.8 A\""), (0.9, 1.1));
    let (low, high) = ends("{ value = \"7.41 A\", origin = \"guaranteed\" }");
    assert!((low - 0.95).abs() < ROUNDING && high == 1.1, "{low}");
}

/// A measured value has the uncertainty that is stated with it.
#[test]
fn closed_form_uncertainty_of_a_measured_value() {
    let text = text("ticket-kiosk", "board.toml");
    let stated = |datum: &str| with("ticket-kiosk", "board.toml", &text.replacen("\"9 ns\"", datum, 1));
    for (datum, wanted_s) in [
        ("{ value = \"9 ns\", origin = \"measured\" }", 0.18e-9),
        ("{ value = \"9 ns\", origin = \"measured\", uncertainty = \"5 %\" }", 0.45e-9),
        ("{ value = \"9 ns\", origin = \"typical\" }", 4.5e-9 / 3f64.sqrt()),
        ("\"9 ns\"", 4.5e-9 / 3f64.sqrt()),
    ] {
        let all = doubts(&stated(datum), 0);
        let Nature::Spread { standard, .. } = doubt_of(&all, "stage.rise_time").expect("a doubt").nature else {
            panic!()
        };
        assert!((standard / wanted_s - 1.0).abs() < ROUNDING, "{datum}: {standard}");
    }
    let all = doubts(&stated("{ value = \"9 ns\", origin = \"estimated\" }"), 0);
    let Nature::Ends { low, high } = doubt_of(&all, "stage.rise_time").expect("a doubt").nature else { panic!() };
    // In the proportion of 2, 8 and 20 ns.
    assert!((low / 2.25e-9 - 1.0).abs() < ROUNDING && (high / 22.5e-9 - 1.0).abs() < ROUNDING, "{low} {high}");
    let all = doubts(&stated("{ value = \"9 ns\", origin = \"guaranteed\" }"), 0);
    assert!(doubt_of(&all, "stage.rise_time").is_none());
}
