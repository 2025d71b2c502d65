//! What the documentation says of captures, against the table of keys.

use presolder::case::captures::KEYS;
use presolder::case::keys::Kind;

const PAGE: &str = include_str!("../../docs/captures.md");

#[test]
fn law_every_key_is_on_the_page() {
    let keys = KEYS.iter().filter(|key| !matches!(key.kind, Kind::Table | Kind::Tables));
    let missing: Vec<&str> = keys.map(|key| key.path).filter(|path| !PAGE.contains(&format!("`{path}`"))).collect();
    assert!(missing.is_empty(), "docs/captures.md does not have {missing:?}");
}

#[test]
fn law_the_example_on_the_page_is_read() {
    let lines = PAGE.lines().filter_map(|line| line.strip_prefix("    ").or(line.is_empty().then_some("")));
    let example: String = lines.map(|line| format!("{line}\n")).collect();
    let bench = crate::measured::bench("");
    std::fs::write(bench.folder.join("captures.toml"), example).expect("room");
    let case = presolder::case::read(&bench.folder).expect("the case");
    let captures = presolder::case::captures::read(&bench.folder, &case).expect("the example");
    assert_eq!((captures.captures.len(), captures.readings.len(), captures.meters.len()), (1, 1, 1));
    let capture = &captures.captures[0];
    assert_eq!(capture.loop_h, 30e-9);
    assert_eq!(capture.output.as_ref().and_then(|probe| probe.high_pass_hz), Some(10.0));
    assert_eq!(capture.setting.ambient_degc, 23.0);
}
