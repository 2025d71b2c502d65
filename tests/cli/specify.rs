//! `presolder specify`: the range holds by `compare`, a part beyond a side does not, requests that are refused.

use crate::screen::{Room, text};
use serde_json::Value;
use std::fs;

/// Random parts inside the range, few since each takes its time.
const RANDOM: &str = "4";
/// How far beyond a side a part lies that must not pass.
const BEYOND: f64 = 1.25;

/// Least and largest value of a line.
fn ends(found: &Value, label: &str) -> (Option<f64>, Option<f64>) {
    let lines = found["lines"].as_array().expect("lines");
    let line = lines.iter().find(|line| line["label"] == label).expect("a line");
    (line["least"].as_f64(), line["most"].as_f64())
}

/// The original's line of the table with some data times a factor, and its curve likewise.
fn offer(room: &Room, name: &str, [inductance, resistance, saturation, loss]: [f64; 4]) {
    let path = room.path("board/parts.csv");
    let table = fs::read_to_string(&path).expect("the parts");
    let lines: Vec<&str> = table.lines().filter(|line| !line.starts_with('#')).collect();
    let titles: Vec<&str> = lines[0].split(',').map(|title| title.split(" [").next().unwrap_or(title)).collect();
    let factor = |title: &str| match title {
        "inductance" => inductance,
        "dcr_typical" | "dcr_max" => resistance,
        "saturation_current" | "hot_saturation_current" => saturation,
        "heating_current" => 1.0 / resistance.sqrt(),
        "core_loss" => loss,
        _ => 1.0,
    };
    let one = |(title, cell): (&str, &str)| match title {
        "name" => name.to_string(),
        "saturation_curve" => format!("curves/{name}.csv"),
        title if factor(title) != 1.0 => (cell.parse::<f64>().expect("a number") * factor(title)).to_string(),
        _ => cell.to_string(),
    };
    let row: Vec<String> = titles.into_iter().zip(lines[1].split(',')).map(one).collect();
    fs::write(&path, format!("{}\n{}\n{}\n", lines[0], lines[1], row.join(","))).expect("a file");
    let curve = fs::read_to_string(room.path("board/curves/larkspur-10.csv")).expect("a curve");
    let scaled = |line: &str| {
        let values: Vec<f64> = line.split(',').filter_map(|cell| cell.trim().parse().ok()).collect();
        match values[..] {
            [degc, current, inductance_uh] => format!("{degc},{},{}", current * saturation, inductance_uh * inductance),
            _ => line.to_string(),
        }
    };
    let text: Vec<String> = curve.lines().map(scaled).collect();
    fs::write(room.path(&format!("board/curves/{name}.csv")), text.join("\n") + "\n").expect("a file");
}

fn outcome(room: &Room) -> String {
    let output = room.run(&["compare", "board", "--json"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let record: Value = serde_json::from_slice(&output.stdout).expect("JSON");
    record["verdicts"][0]["outcome"].as_str().expect("an outcome").to_string()
}

#[test]
fn law_parts_inside_the_range_pass_and_parts_beyond_it_do_not() {
    let room = Room::new();
    let output = room.run(&["specify", "board", "--random", RANDOM, "--json"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let found: Value = serde_json::from_slice(&output.stdout).expect("JSON");
    let count: u64 = RANDOM.parse().expect("a count");
    assert_eq!((found["random_parts"].as_u64(), found["random_passes"].as_u64()), (Some(count), Some(count)));
    assert_eq!(found["vertices_in_full"], 16);
    assert_eq!(found["sides"][0], found["sides"][1], "each side holds");
    let (least_h, most_h) = ends(&found, "Inductance");
    let (_, most_ohm) = ends(&found, "Winding resistance");
    let (least_a, _) = ends(&found, "Saturation current");
    let (_, most_w) = ends(&found, "Core loss");
    let (high, resistance) = (most_h.unwrap_or(40e-6) / 10e-6, most_ohm.expect("a side") / 41e-3);
    let saturation = least_a.unwrap_or(6.6 / 4.0) / 6.6;
    let low = least_h.unwrap_or(2.5e-6) / 10e-6;
    let loss = most_w.unwrap_or(0.6) / 0.15;
    assert!(low < 1.0 && high > 1.0 && resistance > 1.0 && saturation < 1.0 && loss > 1.0, "{found}");
    offer(&room, "Inside-10", [high, resistance, saturation, loss]);
    assert_eq!(outcome(&room), "pass");
    offer(&room, "Outside-10", [low, BEYOND * resistance, saturation, loss]);
    assert_ne!(outcome(&room), "pass");
}

#[test]
fn error_weights_that_are_none_and_an_original_that_does_not_pass() {
    let room = Room::new();
    for weight in ["resistance", "resistance=0", "resistance=-1", "colour=2", "core-loss=inf"] {
        let output = room.run(&["specify", "board", "--weight", weight]);
        assert_eq!(output.status.code(), Some(2), "{weight}");
        assert!(text(&output.stderr).contains("for example resistance=2"), "{weight}");
    }
    let output = room.run(&["specify", "board", "--set", "limits.winding_temperature=60 degC"]);
    assert_eq!(output.status.code(), Some(2), "{}", text(&output.stdout));
    assert!(text(&output.stderr).contains("does not pass itself"), "{}", text(&output.stderr));
}
