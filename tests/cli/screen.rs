//! `presolder screen`: lists as they come, the same outcomes as `compare`, rows that are kept after an interruption, requests that are
//! refused.

use crate::folders;
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// Events of the board that are left out, so that a part takes little time.
const LEFT_OUT: [&str; 5] = ["[input.step]", "[load.step]", "[load.overload]", "[load.short]", "[start]"];
/// Limits of theirs, and the lightest load.
const LINES_LEFT_OUT: [&str; 4] = ["start_time", "step_deviation", "recovery ", "lightest"];
/// A list as somebody keeps it: a title above, a total below, an empty cell, a line that cannot be used, a part that stands twice.
const LIST: &str = "\
Stock of the workshop;;;;;;
Part;L [uH];DCR max [mOhm];Isat 30% [A];Size [mm];Core;Rated voltage [V]
Teal-10;10;38;6.9;7.1 x 6.6 x 4.8;composite;60
Widgeon-10;10;39;6.4;7.1 x 6.6 x 6.1;composite;60
Pochard-22;22;300;2.1;7.1 x 6.6 x 4.8;composite;60
Smew-15;fifteen;60;4.1;7.1 x 6.6 x 4.8;composite;60
Gadwall-10;10;38;6.9;7.1 x 6.6 x 4.8;composite;60
Teal-10;10;38;6.9;7.1 x 6.6 x 4.8;composite;60
Total;;;;;;
";

pub struct Room {
    keep: tempfile::TempDir,
}

impl Room {
    /// The valve board without most of its events, its original alone, and a list.
    pub fn new() -> Room {
        let room = Room { keep: tempfile::tempdir().expect("a temporary folder") };
        folders::copy(&Path::new(env!("CARGO_MANIFEST_DIR")).join("cases/valve-controller"), &room.path("board"));
        let board = fs::read_to_string(room.path("board/board.toml")).expect("the board");
        let mut kept = String::new();
        let mut leaves_out = false;
        for line in board.lines() {
            if line.starts_with('[') {
                leaves_out = LEFT_OUT.iter().any(|table| line.starts_with(table));
            }
            if !leaves_out && !LINES_LEFT_OUT.iter().any(|begin| line.starts_with(begin)) {
                kept.push_str(line);
                kept.push('\n');
            }
        }
        let one_input = kept.replace("voltages = [\"18 V\", \"24 V\", \"32 V\"]", "voltages = [\"24 V\"]");
        fs::write(room.path("board/board.toml"), one_input).expect("a file");
        let parts = fs::read_to_string(room.path("board/parts.csv")).expect("the parts");
        let original: Vec<&str> = parts.lines().take(3).collect();
        fs::write(room.path("board/parts.csv"), original.join("\n") + "\n").expect("a file");
        fs::write(room.path("list.csv"), LIST).expect("a file");
        room
    }

    /// The same with one part fewer that is simulated.
    fn short() -> Room {
        let room = Room::new();
        let fewer = LIST.lines().filter(|line| !line.starts_with("Gadwall")).collect::<Vec<_>>().join("\n");
        fs::write(room.path("list.csv"), fewer + "\n").expect("a file");
        room
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.keep.path().join(name)
    }

    pub fn run(&self, arguments: &[&str]) -> Output {
        self.run_on("2", arguments)
    }

    fn run_on(&self, threads: &str, arguments: &[&str]) -> Output {
        let mut command = Command::new(env!("CARGO_BIN_EXE_presolder"));
        command.current_dir(self.keep.path()).env("COLUMNS", "80").env("RAYON_NUM_THREADS", threads);
        command.args(arguments).output().expect("the program runs")
    }

    /// The record of a screening.
    fn record(&self, threads: &str, arguments: &[&str]) -> Value {
        let output = self.run_on(threads, &[&["screen", "board"], arguments, &["--json"]].concat());
        assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
        serde_json::from_slice(&output.stdout).expect("JSON")
    }
}

pub fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("output is UTF-8")
}

/// Name and outcome of each part.
fn outcomes(rows: &Value, name: &str) -> Vec<(String, String)> {
    let word = |row: &Value, key: &str| row[key].as_str().expect("a word").to_string();
    let mut all: Vec<_> =
        rows.as_array().expect("rows").iter().map(|row| (word(row, name), word(row, "outcome"))).collect();
    all.sort();
    all
}

#[test]
fn law_a_screening_comes_to_what_a_comparison_comes_to() {
    let room = Room::new();
    let lines: Vec<&str> = LIST.lines().collect();
    let list = |order: [usize; 3]| [&lines[1..2], &order.map(|number| lines[number])].concat().join("\n");
    fs::write(room.path("list.csv"), list([3, 4, 6])).expect("a file");
    fs::write(room.path("turned.csv"), list([6, 4, 3])).expect("a file");
    let screened = room.record("2", &["list.csv"]);
    let turned = room.record("1", &["turned.csv"]);
    assert_eq!(screened["rows"], turned["rows"], "order of rows and threads");
    // The same list as a table of the case.
    let board = fs::read_to_string(room.path("board/board.toml")).expect("the board");
    fs::write(room.path("board/board.toml"), format!("{board}\n[parts]\ntable = \"../list.csv\"\n")).expect("a file");
    let output = room.run(&["compare", "board", "--json"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let compared: Value = serde_json::from_slice(&output.stdout).expect("JSON");
    let outcomes_of = outcomes(&screened["rows"], "part");
    assert_eq!(outcomes_of, outcomes(&compared["verdicts"], "part"));
    let words: Vec<&str> = outcomes_of.iter().map(|(_, outcome)| outcome.as_str()).collect();
    assert_eq!(
        words,
        ["undecided", "fail", "fail"],
        "a part without land data, one that saturates, one that is too tall"
    );
}

#[test]
fn law_what_is_not_looked_at_is_listed() {
    let room = Room::new();
    let found = room.record("2", &["list.csv", "--inductance", "5 uH..15 uH"]);
    let rows = found["rows"].as_array().expect("rows");
    assert_eq!(rows.len(), 3, "{rows:?}");
    let tall = rows.iter().find(|row| row["part"] == "Widgeon-10").expect("a row");
    assert_eq!((tall["outcome"].as_str(), tall["stage"].as_str()), (Some("fail"), Some("paper")));
    assert!(tall["decision"].as_str().expect("words").contains("Body height"), "{tall}");
    let twin = rows.iter().find(|row| row["part"] == "Teal-10").expect("a row");
    assert_eq!(twin["like"], "Gadwall-10");
    // A part without land data does not pass.
    assert_eq!(twin["outcome"], "undecided");
    assert_eq!(found["not_examined"][0]["part"], "Pochard-22");
    let left_out = found["left_out"].to_string();
    assert!(left_out.contains("Smew-15") && left_out.contains("list.csv:6"), "{left_out}");
}

/// A list with prices and stocks; two parts have the same data, one has no price, one no stock that is enough.
const OFFERED: &str = "\
Part;L [uH];DCR max [mOhm];Isat 30% [A];Size [mm];Core;Rated voltage [V];Price;Stock
Gadwall-10;10;38;6.9;7.1 x 6.6 x 4.8;composite;60;0.42 EUR;1200
Teal-10;10;38;6.9;7.1 x 6.6 x 4.8;composite;60;0.35 EUR;900
Widgeon-10;10;39;6.4;7.1 x 6.6 x 6.1;composite;60;on request;1000+
Smew-15;15;60;4.1;7.1 x 6.6 x 4.8;composite;60;1.90 EUR;700
Garganey-10;10;38;6.9;7.1 x 6.6 x 6.3;composite;60;0.30 EUR;3
";

#[test]
fn law_no_part_is_left_out_for_want_of_a_price() {
    let room = Room::new();
    fs::write(room.path("list.csv"), OFFERED).expect("a file");
    let filters = ["list.csv", "--highest-price", "0,80 \u{20ac}", "--least-stock", "500"];
    let found = room.record("2", &filters);
    let names: Vec<&str> =
        found["rows"].as_array().expect("rows").iter().map(|row| row["part"].as_str().expect("a name")).collect();
    // The cheaper one of equals first, against the order of names; the one without a price is there.
    assert_eq!(names, ["Teal-10", "Gadwall-10", "Widgeon-10"]);
    assert_eq!(found["rows"][1]["like"], "Teal-10");
    assert_eq!(
        found["rows"][0]["offer"],
        serde_json::json!({ "price": 0.35, "currency": "EUR", "stock": 900, "or_more": false })
    );
    let reasons: Vec<&str> = found["not_examined"]
        .as_array()
        .expect("parts")
        .iter()
        .map(|part| part["reason"].as_str().expect("why"))
        .collect();
    assert_eq!(reasons, ["price 1.90 EUR is above 0.80 EUR", "stock 3 is below 500"]);
    let counted = |at: usize| (&found["filters"][at]["outside"], &found["filters"][at]["not_stated"]);
    assert_eq!((counted(0), counted(1)), ((&1.into(), &1.into()), (&1.into(), &0.into())));
    let output = room.run(&[&["screen", "board"], &filters[..], &["--out", "out"]].concat());
    let printed = text(&output.stdout);
    assert!(printed.lines().all(|line| line.chars().count() <= 80), "{printed}");
    let words = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    for said in [
        "0.35 EUR, 900 in stock",
        "1 part without a price in that currency, examined all the same",
        "at least 500: 1 part not examined",
    ] {
        assert!(words(&printed).contains(said), "{said}: {printed}");
    }
    let table = fs::read_to_string(room.path("out/screen.csv")).expect("a table");
    assert!(table.contains(",0.35,EUR,900,") && table.contains(",1000+,"), "{table}");
    let page = fs::read_to_string(room.path("out/screen.html")).expect("a page");
    assert!(page.contains("0.35 EUR, 900 in stock") && page.contains("1000+ in stock"));
    let left_out = fs::read_to_string(room.path("out/left_out.csv")).expect("a table");
    assert!(left_out.contains("Smew-15,price 1.90 EUR is above 0.80 EUR"), "{left_out}");
    // Currencies are not converted: a price in another one leaves nobody out.
    let dollars = room.record("2", &["list.csv", "--highest-price", "0.10 USD", "--inductance", "10 uH..10 uH"]);
    assert_eq!(dollars["rows"].as_array().expect("rows").len(), 4);
    assert_eq!(dollars["filters"][1]["not_stated"], 4);
}

#[test]
fn law_rows_that_are_done_are_kept() {
    let room = Room::new();
    let whole = room.run(&["screen", "board", "list.csv", "--out", "whole"]);
    assert_eq!(whole.status.code(), Some(0), "{}", text(&whole.stderr));
    let printed = text(&whole.stdout);
    assert!(printed.lines().all(|line| line.chars().count() <= 80), "{printed}");
    for file in ["screen.csv", "screen.html", "screen.json", "left_out.csv"] {
        assert!(room.path("whole").join(file).is_file(), "{file}");
    }
    // A row of an earlier run is taken as it is: here one that no run would come to.
    let record: Value =
        serde_json::from_slice(&fs::read(room.path("whole/screen.json")).expect("a record")).expect("JSON");
    let mut row = record["rows"][0].clone();
    row["like"] = Value::Null;
    row["next"] = "kept".into();
    let stopped = room.run(&["screen", "board", "list.csv", "--out", "again", "--inductance", "1 uH..1 uH"]);
    assert_eq!(stopped.status.code(), Some(0));
    fs::remove_dir_all(room.path("again")).expect("a folder");
    let mut command = Command::new(env!("CARGO_BIN_EXE_presolder"));
    command.current_dir(room.keep.path()).args(["screen", "board", "list.csv", "--out", "again"]);
    let mut child = command.spawn().expect("the program starts");
    let unfinished = room.path("again.unfinished");
    while child.try_wait().expect("a child").is_none() && !unfinished.is_file() {
        std::thread::sleep(std::time::Duration::from_millis(1));
    }
    let _ = Command::new("kill").args(["-INT", &child.id().to_string()]).status();
    let code = child.wait().expect("it ends").code();
    assert!(code == Some(130) || code == Some(0), "{code:?}");
    if code == Some(130) {
        let kept = fs::read_to_string(&unfinished).expect("what is done");
        let header = kept.lines().next().expect("a header");
        fs::write(&unfinished, format!("{header}\n{row}\n{{\"part\": \"torn")).expect("a file");
        assert_eq!(room.run(&["screen", "board", "list.csv", "--out", "again"]).status.code(), Some(0));
        let again: Value =
            serde_json::from_slice(&fs::read(room.path("again/screen.json")).expect("a record")).expect("JSON");
        assert_eq!(again["rows"][0]["next"], "kept");
        assert!(!unfinished.exists());
    }
}

/// Parts of the invented list, and how many of them are looked at without staging as well. `PRESOLDER_LIST=60` takes more: a comparison of as many
/// takes minutes.
const LIST_OF: (usize, usize) = (6, 2);

/// A list of invented parts with the scatter of a catalogue: series of a size each, resistance and saturation by the laws of the trade (resistance with
/// inductance over volume, saturation current with the root of volume over inductance; common practice), with gaps. The data sheet fails few of them.
fn catalogue(parts: usize) -> String {
    let mut random = 88_172_645_463_325_252_u64;
    let mut share = move || {
        random ^= random << 13;
        random ^= random >> 7;
        random ^= random << 17;
        (random >> 11) as f64 / (1_u64 << 53) as f64
    };
    let mut text =
        "Part;L [uH];DCR max [mOhm];Isat 30% [A];Irms 40K [A];Size [mm];Rated voltage [V];Core\n".to_string();
    for number in 0..parts {
        let inductance_uh = [4.7, 6.8, 8.2, 10.0, 10.0, 12.0, 15.0, 22.0][(8.0 * share()) as usize];
        let (side_mm, height_mm) =
            ([5.2, 6.2, 6.6, 7.2][(4.0 * share()) as usize], [3.1, 4.0, 4.8][(3.0 * share()) as usize]);
        let volume = side_mm * side_mm * height_mm;
        let resistance = 18.0 * (inductance_uh / 10.0) * (250.0 / volume) * (0.8 + 0.4 * share()) + 12.0;
        let saturation_a = 6.4 * (volume / 250.0 * 10.0 / inductance_uh).sqrt() * (0.85 + 0.3 * share());
        let heating_a = 3.6 * (30.0 / resistance).sqrt();
        let or_gap = |value: String, gaps: bool| if gaps { String::new() } else { value };
        let cells = [
            format!("Plover-{number}"),
            format!("{inductance_uh}"),
            format!("{resistance:.1}"),
            or_gap(format!("{saturation_a:.2}"), share() < 0.06),
            or_gap(format!("{heating_a:.2}"), share() < 0.1),
            format!("{side_mm} x {side_mm} x {height_mm}"),
            or_gap("60".into(), share() < 0.2),
            ["composite", "composite", "ferrite"][(3.0 * share()) as usize].into(),
        ];
        text += &(cells.join(";") + "\n");
    }
    text
}

#[test]
fn law_a_list_comes_to_what_comparisons_come_to_and_staging_hides_nothing() {
    let room = Room::new();
    let asked = std::env::var("PRESOLDER_LIST").ok().map(|count| count.parse().expect("a number of parts"));
    let count = asked.unwrap_or(LIST_OF.0);
    let list = catalogue(count);
    fs::write(room.path("list.csv"), &list).expect("a file");
    let screened = room.record("2", &["list.csv"]);
    let rows = screened["rows"].as_array().expect("rows");
    assert_eq!(rows.len(), count, "{}", screened["left_out"]);
    let at = |stage: &str| rows.iter().filter(|row| row["stage"] == stage).count();
    assert!(at("full") > 0 && at("full") < count, "{rows:?}");
    let few: Vec<&str> = list.lines().take(1 + LIST_OF.1).collect();
    fs::write(room.path("few.csv"), few.join("\n")).expect("a file");
    let everything = room.record("2", &["few.csv", "--everything"]);
    let staged = outcomes(&screened["rows"], "part");
    for (name, outcome) in outcomes(&everything["rows"], "part") {
        assert!(staged.contains(&(name.clone(), outcome.clone())), "{name} {outcome}: {staged:?}");
    }
    let board = fs::read_to_string(room.path("board/board.toml")).expect("the board");
    fs::write(room.path("board/board.toml"), format!("{board}\n[parts]\ntable = \"../list.csv\"\n")).expect("a file");
    let output = room.run(&["compare", "board", "--json"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let compared: Value = serde_json::from_slice(&output.stdout).expect("JSON");
    assert_eq!(staged, outcomes(&compared["verdicts"], "part"));
}

#[test]
fn law_what_is_checked_of_a_long_list_fits_a_screen_or_two() {
    let room = Room::new();
    fs::write(room.path("list.csv"), catalogue(300)).expect("a file");
    let board = fs::read_to_string(room.path("board/board.toml")).expect("the board");
    fs::write(room.path("board/board.toml"), format!("{board}\n[parts]\ntable = \"../list.csv\"\n")).expect("a file");
    let output = room.run(&["check", "board"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let told = text(&output.stdout);
    assert!(told.contains("and 289 more") || told.contains("and 288 more"), "{told}");
    assert!(told.contains(" and others"), "{told}");
    assert!(told.lines().count() < 160, "{}", told.lines().count());
}

/// Bytes of everything that a screening writes.
fn files(folder: &Path) -> Vec<(String, Vec<u8>)> {
    let of = |entry: fs::DirEntry| {
        let name = entry.file_name().to_string_lossy().into_owned();
        (name, fs::read(entry.path()).expect("a file"))
    };
    let mut files: Vec<_> = fs::read_dir(folder).expect("a folder").map(|entry| of(entry.expect("an entry"))).collect();
    files.sort();
    files
}

#[test]
fn law_shares_are_joined_to_the_bytes_of_one_run() {
    let room = Room::short();
    let ok = |arguments: &[&str]| {
        let output = room.run(arguments);
        assert_eq!(output.status.code(), Some(0), "{arguments:?}: {}", text(&output.stderr));
        text(&output.stdout)
    };
    ok(&["screen", "board", "list.csv", "--out", "whole"]);
    for of in [1, 2, 7] {
        let names: Vec<String> = (1..=of).map(|number| format!("{number}of{of}")).collect();
        for name in &names {
            ok(&["screen", "board", "list.csv", "--shard", &name.replace("of", "/"), "--out", name]);
        }
        let mut shares: Vec<&str> = names.iter().rev().map(String::as_str).collect();
        // One of them may have run twice.
        shares.push(&names[0]);
        let joined = format!("joined-{of}");
        ok(&[&["merge"], &shares[..], &["--out", &joined]].concat());
        assert_eq!(files(&room.path("whole")), files(&room.path(&joined)), "{of}");
    }
    // The same once more takes the place of what it wrote.
    let again = ["merge", "1of2", "2of2", "--out", "joined-2"];
    assert_eq!(room.run(&again).status.code(), Some(2), "the folder is taken");
    fs::write(room.path("joined-2/notes.txt"), "mine").expect("a file");
    ok(&[&again[..], &["--replace"]].concat());
    assert_eq!(fs::read_to_string(room.path("joined-2/notes.txt")).expect("a file"), "mine");
    let refused = |arguments: &[&str], told: &str| {
        let output = room.run(&[&["merge"], arguments].concat());
        let error = text(&output.stderr);
        assert!(output.status.code() == Some(2) && error.contains(told), "{arguments:?}: {error}");
    };
    refused(&["1of7", "2of7", "4of7", "5of7", "6of7"], "share 3, 7 is missing");
    refused(&["1of2", "2of7"], "differ in number of shares");
    refused(&["whole"], "no share");
    refused(&["board"], "read the share");
    let share = fs::read_to_string(room.path("2of2/screen.json")).expect("a share");
    let now = env!("CARGO_PKG_VERSION");
    let set =
        serde_json::from_str::<Value>(&share).expect("JSON")["instruction_set"].as_str().expect("a word").to_string();
    for (from, to, told) in [
        (format!("\"presolder_version\": \"{now}\""), "\"presolder_version\": \"0.0.9\"", "version of this program"),
        (set, "abacus", "instruction set"),
        ("\"title\": \"".into(), "\"title\": \"Another ", "case or lists"),
    ] {
        fs::write(room.path("other.json"), share.replacen(&from, to, 1)).expect("a file");
        refused(&["1of2", "other.json"], told);
    }
    let numbered = share.replacen("\"number\": 2", "\"number\": 1", 1);
    fs::write(room.path("other.json"), numbered).expect("a file");
    refused(&["1of2", "other.json"], "do not say the same");
    fs::write(room.path("2of2/screen.json"), share.replacen("10", "11", 1)).expect("a file");
    refused(&["1of2", "2of2"], "was changed after it was written");
    for shard in ["0/2", "3/2", "2", "a/b", "1/0"] {
        let output = room.run(&["screen", "board", "list.csv", "--shard", shard]);
        assert!(text(&output.stderr).contains("for example 2/7"), "{shard}");
    }
}

#[test]
fn law_several_boards_are_each_screened_as_alone() {
    let room = Room::short();
    folders::copy(&room.path("board"), &room.path("lower"));
    let board = fs::read_to_string(room.path("lower/board.toml")).expect("the board");
    let lower = board.replace("height = \"5.2 mm\"", "height = \"4.0 mm\"");
    assert_ne!(board, lower, "the room is lower");
    fs::write(room.path("lower/board.toml"), lower).expect("a file");
    let output = room.run(&["screen", "board", "list.csv", "--also", "lower", "--out", "both"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let printed = text(&output.stdout);
    assert!(printed.lines().all(|line| line.chars().count() <= 80), "{printed}");
    assert!(printed.contains("parts pass on all boards"), "{printed}");
    for case in ["board", "lower"] {
        assert_eq!(room.run(&["screen", case, "list.csv", "--out", "alone", "--replace"]).status.code(), Some(0));
        let alone: Vec<_> =
            files(&room.path("alone")).into_iter().filter(|(name, _)| name != "contents.sha256").collect();
        assert_eq!(files(&room.path("both").join(case)), alone, "{case}");
    }
    let record: Value =
        serde_json::from_slice(&fs::read(room.path("both/boards.json")).expect("a record")).expect("JSON");
    let teal = record["rows"].as_array().expect("rows").iter().find(|row| row["part"] == "Teal-10").expect("a row");
    assert_eq!(teal["cells"][0]["outcome"], "undecided");
    assert_eq!(teal["cells"][1]["outcome"], "fail");
    assert_eq!((&teal["worst"], &teal["decides"], &teal["on_all"]), (&"fail".into(), &1.into(), &false.into()));
    // The whole result may be replaced, and nothing unfinished is left.
    let again = room.run(&["screen", "board", "list.csv", "--also", "lower", "--out", "both", "--replace"]);
    assert_eq!(again.status.code(), Some(0), "{}", text(&again.stderr));
    let left: Vec<_> =
        fs::read_dir(room.keep.path()).expect("a folder").map(|entry| entry.expect("an entry").file_name()).collect();
    assert!(left.iter().all(|name| !name.to_string_lossy().contains("unfinished")), "{left:?}");
    let shared = room.run(&["screen", "board", "list.csv", "--also", "lower", "--shard", "1/2"]);
    assert_eq!(shared.status.code(), Some(2));
}

#[test]
fn error_lists_that_are_none_and_windows_without_sense() {
    let room = Room::new();
    fs::write(room.path("empty.csv"), "").expect("a file");
    fs::write(room.path("letter.csv"), "Dear colleague,\nplease find the list below.\n").expect("a file");
    let cases: [(&[&str], &str); 9] = [
        (&["missing.csv"], "missing.csv"),
        (&["empty.csv"], "empty.csv"),
        (&["letter.csv"], "letter.csv"),
        (&["list.csv", "--inductance", "5 uH to 10 uH"], "expected two inductances"),
        (&["list.csv", "--inductance", "10 uH..5 uH"], "expected two inductances"),
        (&["list.csv", "--highest-price", "0.80"], "for example \"0.80 EUR\""),
        (&["list.csv", "--highest-price", "0 EUR"], "a price above 0"),
        (&["list.csv", "--highest-price", "cheap"], "a price above 0"),
        (&["list.csv", "--least-stock", "some"], "invalid value"),
    ];
    for (arguments, told) in cases {
        let output = room.run(&[&["screen", "board"], arguments].concat());
        assert_eq!(output.status.code(), Some(2), "{arguments:?}");
        let error = text(&output.stderr);
        assert!(error.contains(told), "{arguments:?}: {error}");
    }
    let left = fs::read_dir(room.keep.path()).expect("a folder").count();
    assert_eq!(left, 4, "the board and three lists, and nothing else");
    let taken = room.run(&["screen", "board", "list.csv", "--out", "board"]);
    assert_eq!(taken.status.code(), Some(2));
}
