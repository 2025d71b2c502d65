//! The page in a real browser: what the first screen holds, links, contrast, paper. Without a browser these tests say so and end.
//! `PRESOLDER_BROWSER` names one; else `chromium` is looked for.

use crate::support;
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

/// The page with the measurement in it; the policy that forbids scripts is taken away for that.
fn measured(browser: &str, page: &str, (width, height): (u32, u32), dark: bool) -> serde_json::Value {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let begin = page.find("<meta http-equiv").expect("the policy");
    let end = begin + page[begin..].find('>').expect("its end") + 1;
    let script = MEASURE.replace("LEAST", &LEAST_CONTRAST.to_string());
    let page =
        format!("{}{}", &page[..begin], &page[end..]).replace("</body>", &format!("<script>{script}</script></body>"));
    let path = folder.path().join("page.html");
    fs::write(&path, page).expect("a page");
    let mut arguments = vec![format!("--window-size={width},{height}"), "--dump-dom".into()];
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
#[test]
fn law_four_parts_take_eight_pages_of_paper_at_most() {
    let Some(browser) = browser() else { return println!("skipped: no browser") };
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (path, paper) = (folder.path().join("page.html"), folder.path().join("page.pdf"));
    fs::write(&path, page_of_four()).expect("a page");
    let print = format!("--print-to-pdf={}", paper.display());
    run(&browser, folder.path(), &[print, "--no-pdf-header-footer".into(), format!("file://{}", path.display())]);
    let bytes = fs::read(&paper).expect("a print");
    let text = String::from_utf8_lossy(&bytes);
    let pages = text.matches("/Type /Page").count() - text.matches("/Type /Pages").count();
    assert!((1..=MOST_PAGES).contains(&pages), "{pages} pages");
}
