//! The page in a real browser: what the first screen holds, links, contrast, paper. Without a browser these tests say so and end.
//! `PRESOLDER_BROWSER` names one; else `chromium` is looked for.

use crate::support;
use presolder::case;
use presolder::corridor::Depth;
use presolder::record;
use presolder::report::html;
use std::fs;
use std::path::Path;
use std::process::Command;

/// Screens of a desk and of a telephone.
const SCREENS: [(u32, u32); 2] = [(1280, 800), (390, 844)];
/// Least contrast of text to its ground (WCAG 2.1, 1.4.3).
const LEAST_CONTRAST: f64 = 4.5;
/// Most pages for four parts.
const MOST_PAGES: usize = 8;
/// Height of a page in mm: a letter sheet, the lower of the two usual ones, without the margins of the page.
const PAGE_MM: f64 = 279.4 - 9.0 - 12.0;
/// Milliseconds that the checker of accessibility may take; the clock of the browser only runs while the page waits.
const CHECKER_MS: u32 = 60_000;

/// What is measured in the page; the result becomes its title.
const MEASURE: &str = include_str!("../support/measure.js");

fn browser() -> Option<String> {
    let named = std::env::var("PRESOLDER_BROWSER").ok();
    let known = named.unwrap_or_else(|| "chromium".into());
    Command::new(&known).arg("--version").output().ok().filter(|output| output.status.success()).map(|_| known)
}

fn run(browser: &str, folder: &Path, arguments: &[String]) -> String {
    let fixed = ["--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"];
    let profile = format!("--user-data-dir={}", folder.join("profile").display());
    let output = Command::new(browser).args(fixed).arg(profile).args(arguments).output().expect("the browser runs");
    String::from_utf8_lossy(&output.stdout).into_owned()
}

fn measured(browser: &str, page: &str, screen: (u32, u32), dark: bool) -> serde_json::Value {
    scripted(browser, page, &MEASURE.replace("LEAST", &LEAST_CONTRAST.to_string()), screen, dark)
}

/// What a script makes the title of a page; the policy that forbids scripts is taken away for that.
fn scripted(browser: &str, page: &str, script: &str, (width, height): (u32, u32), dark: bool) -> serde_json::Value {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let begin = page.find("<meta http-equiv").expect("the policy");
    let end = begin + page[begin..].find('>').expect("its end") + 1;
    let page =
        format!("{}{}", &page[..begin], &page[end..]).replace("</body>", &format!("<script>{script}</script></body>"));
    let path = folder.path().join("page.html");
    fs::write(&path, page).expect("a page");
    let mut arguments = vec![format!("--window-size={width},{height}"), "--dump-dom".into()];
    // A checker answers later; the browser's clock goes on only while the page waits.
    if script.contains("then(") {
        arguments.push(format!("--virtual-time-budget={CHECKER_MS}"));
    }
    if dark {
        arguments.push("--blink-settings=preferredColorScheme=0".into());
    }
    arguments.push(format!("file://{}", path.display()));
    let dom = run(browser, folder.path(), &arguments);
    let begin = dom.find("MEASURED").unwrap_or_else(|| panic!("nothing was measured: {dom:.300}")) + "MEASURED".len();
    let end = begin + dom[begin..].find("END").expect("the end");
    let text = dom[begin..end].replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&");
    serde_json::from_str(&text).expect("what was measured")
}

fn numbers(list: &serde_json::Value) -> Vec<f64> {
    list.as_array().expect("a list").iter().filter_map(serde_json::Value::as_f64).collect()
}

fn page_of_four() -> String {
    let (record, curves) = support::comparison(4);
    html::page(&record, &curves).expect("a page")
}

#[test]
fn law_the_first_screen_holds_every_outcome_and_nothing_is_wider_than_it() {
    let Some(browser) = browser() else { return println!("skipped: no browser") };
    let page = page_of_four();
    for screen in SCREENS {
        let found = measured(&browser, &page, screen, false);
        let outcomes = numbers(&found["outcomes"]);
        let height = found["height"].as_f64().expect("a height");
        assert_eq!(outcomes.len(), 3);
        assert!(outcomes.iter().all(|bottom| *bottom <= height), "{screen:?}: {outcomes:?} of {height}");
        assert!(found["beyond"].as_f64() <= Some(0.0), "{screen:?}: {} px too wide", found["beyond"]);
    }
}

#[test]
fn law_every_link_leads_somewhere_and_every_text_can_be_read() {
    let Some(browser) = browser() else { return println!("skipped: no browser") };
    let page = page_of_four();
    for dark in [false, true] {
        let found = measured(&browser, &page, SCREENS[0], dark);
        assert!(found["links"].as_u64() > Some(20), "{}", found["links"]);
        for empty in ["broken", "faint"] {
            assert_eq!(found[empty].as_array().map(Vec::len), Some(0), "dark {dark}, {empty}: {}", found[empty]);
        }
        assert_eq!(found["unnamed"].as_u64(), Some(0), "tables without heads");
    }
}

/// The page as it is, under its own policy: the script runs, and only adds the line that it writes into. With the policy away a pointer
/// is moved over each plot.
#[test]
fn law_the_read_out_tells_values_and_the_page_is_complete_without_it() {
    let Some(browser) = browser() else { return println!("skipped: no browser") };
    let page = page_of_four();
    assert!(!page.contains("class=\"told\"") && page.matches("<svg").count() == page.matches("<metadata>").count() + 2);
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("page.html");
    fs::write(&path, &page).expect("a page");
    let dom = run(&browser, folder.path(), &["--dump-dom".into(), format!("file://{}", path.display())]);
    assert!(dom.contains("data-told=\"yes\""), "the policy keeps the script of the page from running");
    let found = measured(&browser, &page, SCREENS[0], false);
    let told: Vec<&str> = found["told"].as_array().expect("a list").iter().filter_map(|text| text.as_str()).collect();
    assert_eq!(told.len(), 5, "{told:?}");
    for text in told {
        assert!(text.contains(" at ") && text.contains("Original-10 "), "{text}");
    }
    // Right of the step the undershoot of the part that decides, in the units of the axis.
    assert!(
        found["screens"].as_array().expect("a list").iter().all(|share| share.as_f64() <= Some(1.0)),
        "{}",
        found["screens"]
    );
}

/// On paper: a page is "/Type /Page" in a file of the Portable Document Format (ISO 32000-1, 7.7.3.3).
fn pages(browser: &str, page: &str) -> usize {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (path, paper) = (folder.path().join("page.html"), folder.path().join("page.pdf"));
    fs::write(&path, page).expect("a page");
    let print = format!("--print-to-pdf={}", paper.display());
    run(browser, folder.path(), &[print, "--no-pdf-header-footer".into(), format!("file://{}", path.display())]);
    let bytes = fs::read(&paper).expect("a print");
    let text = String::from_utf8_lossy(&bytes);
    text.matches("/Type /Page").count() - text.matches("/Type /Pages").count()
}

fn assert_fits_on_paper(browser: &str, name: &str, page: &str, found: &serde_json::Value) {
    let pages = pages(browser, page);
    assert!((1..=MOST_PAGES).contains(&pages), "{name}: {pages} pages");
    let bottoms = numbers(&found["paper"]);
    assert!(bottoms.len() == 2 && bottoms.iter().all(|mm| *mm <= PAGE_MM), "{name}: {bottoms:?} mm of {PAGE_MM}");
}

#[test]
fn law_four_parts_take_eight_pages_of_paper_and_the_first_holds_outcomes_and_matrix() {
    let Some(browser) = browser() else { return println!("skipped: no browser") };
    let page = page_of_four();
    assert_fits_on_paper(&browser, "made-up record", &page, &measured(&browser, &page, SCREENS[0], false));
}

/// The demo board whose page is tested without results.
const DEMO: &str = "valve-controller";

/// The page of a demo board, compared as data are shown, or those of all of them from the results below the folder that `PRESOLDER_RESULTS`
/// names.
fn demo_pages() -> Vec<(String, String)> {
    let folder = std::env::var("PRESOLDER_RESULTS").ok();
    let cases = Path::new(env!("CARGO_MANIFEST_DIR")).join("cases");
    let mut all = vec![];
    for entry in fs::read_dir(cases).expect("the cases").map(|entry| entry.expect("an entry").path()) {
        let name = entry.file_name().expect("a name").to_string_lossy().into_owned();
        let page = match &folder {
            None if name != DEMO => continue,
            Some(folder) => fs::read_to_string(Path::new(folder).join(&name).join("report.html")).expect("a page"),
            None => {
                let case = case::read(&entry).unwrap_or_else(|error| panic!("{error}"));
                let compared = record::compare(&case, Depth::Quick, &|_, _| {});
                let (record, curves) = compared.unwrap_or_else(|error| panic!("{error}"));
                html::page(&record, &curves).expect("a page")
            }
        };
        all.push((name, page));
    }
    all
}

#[test]
fn law_the_page_of_every_demo_board_decides_on_its_first_screen_and_fits_on_paper() {
    let Some(browser) = browser() else { return println!("skipped: no browser") };
    let pages = demo_pages();
    assert!(!pages.is_empty());
    for (name, page) in &pages {
        for screen in SCREENS {
            let found = measured(&browser, page, screen, false);
            if screen == SCREENS[0] {
                assert_fits_on_paper(&browser, name, page, &found);
            }
            let (outcomes, height) = (numbers(&found["outcomes"]), found["height"].as_f64().expect("a height"));
            assert!(outcomes.len() == 3 && outcomes.iter().all(|bottom| *bottom <= height), "{name}: {outcomes:?}");
            assert!(found["beyond"].as_f64() <= Some(0.0), "{name}, {screen:?}: too wide by {}", found["beyond"]);
            for empty in ["broken", "faint"] {
                assert_eq!(found[empty].as_array().map(Vec::len), Some(0), "{name}, {empty}: {}", found[empty]);
            }
        }
    }
}

/// What a screen reader and a keyboard need, as far as a script can tell: names, landmarks, order of headings, a focus that is seen.
#[test]
fn law_everything_has_a_name_and_shows_its_focus() {
    let Some(browser) = browser() else { return println!("skipped: no browser") };
    for dark in [false, true] {
        let found = measured(&browser, &page_of_four(), SCREENS[0], dark);
        for none in ["jumps", "nameless", "blind"] {
            assert_eq!(found[none].as_u64(), Some(0), "{none}");
        }
        for empty in ["landmarks", "unfocused"] {
            assert_eq!(found[empty].as_array().map(Vec::len), Some(0), "{empty}: {}", found[empty]);
        }
        assert_eq!(found["language"].as_str(), Some("en"));
    }
}

/// The rules of an open checker of accessibility (axe-core), where `.ci/run` has fetched it.
#[test]
fn outside_a_checker_of_accessibility_finds_nothing() {
    let Some(browser) = browser() else { return println!("skipped: no browser") };
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/axe/package/axe.min.js");
    let Ok(checker) = fs::read_to_string(&path) else { return println!("skipped: no {}", path.display()) };
    let checker = checker.replace("</script", "<\\/script");
    let ask = "axe.run(document, { resultTypes: ['violations'] }).then(found => { document.title = 'MEASURED' + JSON.stringify({ \
               rules: found.passes.length, against: found.violations.map(one => one.id + ': ' + one.nodes.map(node => node.html).join(' ')) }) + 'END'; });";
    for (screen, dark) in [(SCREENS[0], false), (SCREENS[1], true)] {
        let found = scripted(&browser, &page_of_four(), &format!("{checker}\n{ask}"), screen, dark);
        assert!(found["rules"].as_u64() > Some(20), "{} rules", found["rules"]);
        assert_eq!(found["against"].as_array().map(Vec::len), Some(0), "{}", found["against"]);
    }
}
