//! The page and the plots.

use crate::support;
use presolder::record::layout::{Curves, Value, ValueRecord};
use presolder::report::{ReportError, html, plots};

const VOID: [&str; 5] = ["meta", "br", "hr", "img", "input"];

/// Names of the tags in order, "/name" for an end; panics where one is not closed by its own end.
fn assert_well_formed(text: &str) {
    let mut open: Vec<String> = Vec::new();
    let mut rest = text;
    while let Some(at) = rest.find('<') {
        rest = &rest[at + 1..];
        let end = tag_end(rest);
        let tag = &rest[..end];
        rest = &rest[end + 1..];
        let name: String = tag.trim_start_matches('/').chars().take_while(|c| c.is_ascii_alphanumeric()).collect();
        if tag.starts_with('!') || tag.ends_with('/') || VOID.contains(&name.as_str()) {
            continue;
        }
        if tag.starts_with('/') {
            assert_eq!(
                open.pop().as_deref(),
                Some(name.as_str()),
                "end of {name} near {}",
                &rest[..rest.len().min(80)]
            );
        } else {
            if ["style", "script"].contains(&name.as_str()) {
                rest = &rest[rest.find(&format!("</{name}")).expect("it ends")..];
            }
            open.push(name);
        }
    }
    assert!(open.is_empty(), "never closed: {open:?}");
}

/// Position of the `>` that ends a tag; one inside an attribute's quotes does not.
fn tag_end(tag: &str) -> usize {
    let mut quoted = false;
    for (at, c) in tag.char_indices() {
        match c {
            '"' => quoted = !quoted,
            '>' if !quoted => return at,
            _ => {}
        }
    }
    panic!("a tag does not end")
}

fn page(parts: usize) -> String {
    let (record, curves) = support::comparison(parts);
    html::page(&record, &curves).expect("a page")
}

#[test]
fn law_every_tag_is_closed() {
    for parts in [1, 2, 4, 8] {
        assert_well_formed(&page(parts));
    }
}

#[test]
fn law_nothing_is_loaded_from_elsewhere_and_one_script_of_our_own_runs() {
    let page = page(4).replace("http://www.w3.org/2000/svg", "");
    for trace in
        ["http:", "https:", "src=", "href=\"h", "@import", "url(", "<link", "<iframe", "onload", "fetch(", "eval("]
    {
        assert!(!page.contains(trace), "{trace} occurs");
    }
    assert_eq!(page.matches("<script").count(), 1);
    assert!(page.contains("default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-"));
}

#[test]
fn law_text_of_the_case_is_escaped() {
    let (mut record, curves) = support::comparison(2);
    record.case.title = "<script>alert(1)</script> & \"quoted\"".into();
    record.parts[1].name = "A<b>&\"C\"".into();
    record.verdicts[0].sentence = "</section><img src=x>".into();
    let page = html::page(&record, &curves).expect("a page");
    assert!(page.matches("<script").count() == 1 && !page.contains("<img"));
    assert_well_formed(&page);
}

#[test]
fn law_verdicts_come_before_plots_and_plots_before_numbers() {
    let page = page(4);
    let at = |text: &str| page.find(text).unwrap_or_else(|| panic!("{text} is missing"));
    let order =
        [">Outcomes</h2>", "<h2>Evidence", "<h2>Plots", "<h2>Comparison", "<h2>Every condition", "<h2>Signatures"];
    assert!(order.windows(2).all(|pair| at(pair[0]) < at(pair[1])));
    assert!(at("Fitted: Original-10") < at("NO WORSE"), "the original's own state comes first");
    assert_eq!(page.matches("<h1").count(), 1);
    assert!(page.contains("lang=\"en\"") && page.contains("<title>"));
}

#[test]
fn law_the_page_holds_every_caution_origin_and_hash() {
    let (record, curves) = support::comparison(3);
    let page = html::page(&record, &curves).expect("a page");
    for text in record.cautions.iter().chain(&record.method).chain(&record.equations) {
        assert!(page.contains(text.as_str()), "{text} is missing");
    }
    assert!(record.origins.iter().all(|origin| page.contains(&origin.datum)));
    assert!(record.case.files.iter().all(|file| page.contains(&file.sha256)));
}

#[test]
fn law_every_kind_of_condition_has_one_table_and_no_raw_name() {
    let (mut record, curves) = support::comparison(3);
    for result in record.parts.iter_mut().flat_map(|part| &mut part.results).filter(|r| r.condition == "steady") {
        let uneven = result.input_v == Some(32.0);
        for (quantity, value) in
            [("discontinuous", f64::from(u8::from(uneven))), ("output_mean", 5.07), ("new_thing", 1.0)]
        {
            result.values.push(ValueRecord {
                quantity: quantity.into(),
                value: Value::Number(value),
                unit: String::new(),
            });
        }
    }
    let page = html::page(&record, &curves).expect("a page");
    assert_well_formed(&page);
    for raw in ["discontinuous", "output_mean", "new_thing", "rms_current,"] {
        assert!(!page.contains(raw), "{raw} is shown as it is");
    }
    assert!(page.contains("Discontinuous") && page.contains(">yes<") && page.contains(">no<"));
    // The same everywhere: said once above the table.
    assert!(page.contains("The same in every line: Output, mean 5.070; New thing 1"), "a constant column");
    for part in &record.parts {
        assert!(page.contains("scope=\"rowgroup\"") && page.contains(&part.name));
    }
    assert_eq!(page.matches("<summary>Steady: 54 results").count(), 1);
    assert_eq!(page.matches("<summary>Load step: 9 results").count(), 1);
}

#[test]
fn law_the_plan_stands_between_the_comparison_and_the_places() {
    let page = page(3);
    let at = |text: &str| page.find(text).unwrap_or_else(|| panic!("{text} is missing"));
    assert!(at("<h2>Comparison") < at("<h2>Bench tests"));
    assert!(at("<h2>Bench tests") < at("<h2>Where the worst"));
    assert!(page.contains("No instrument reads (no resolution stated): Height over the board."));
}

#[test]
fn law_identifiers_are_unique() {
    let page = page(4);
    let mut ids: Vec<&str> = page.split(" id=\"").skip(1).filter_map(|rest| rest.split('"').next()).collect();
    let count = ids.len();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), count);
}

#[test]
fn law_plots_are_standalone_svg_with_title_and_description() {
    let (record, curves) = support::comparison(4);
    let plots = plots::all(&record, &curves).expect("plots");
    assert_eq!(
        plots.iter().map(|p| p.name.as_str()).collect::<Vec<_>>(),
        ["margins", "load-step", "period", "loop-gain", "inductance", "losses", "deciding-2"]
    );
    for plot in &plots {
        assert_well_formed(&plot.svg);
        let head = plot.svg.lines().next().expect("a first line");
        for attribute in ["width=\"", "height=\"", "viewBox=\"", "xmlns=\"http://www.w3.org/2000/svg\""] {
            assert!(head.contains(attribute), "{} lacks {attribute}", plot.name);
        }
        assert!(plot.svg.contains("<title id=") && plot.svg.contains("<desc id=") && plot.svg.contains("<text"));
        assert!(!plot.svg.contains("NaN") && !plot.svg.contains("0000000"), "{} has a raw float", plot.name);
    }
}

#[test]
fn law_every_part_has_a_line_of_its_own_colour_and_dash() {
    let (record, curves) = support::comparison(8);
    let plots = plots::all(&record, &curves).expect("plots");
    let period = &plots.iter().find(|plot| plot.name == "period").expect("it is drawn").svg;
    let mut looks: Vec<String> = Vec::new();
    for line in period.lines().filter(|line| line.starts_with("<polyline") && !line.contains("#DDDDDD")) {
        let from = line.find("stroke=").expect("a colour");
        looks.push(line[from..line.find(" points").expect("points")].to_string());
    }
    looks.sort();
    looks.dedup();
    assert_eq!(looks.len(), 8, "{looks:?}");
}

#[test]
fn law_curves_of_many_samples_are_thinned() {
    let (record, mut curves) = support::comparison(2);
    for curve in &mut curves.periods {
        let rows = 60_000;
        let wave = |k: usize| (k as f64 * 0.7).sin();
        curve.time_s = (0..rows).map(|k| k as f64 * 41e-12).collect();
        curve.current_a = (0..rows).map(wave).collect();
        curve.output_v = curve.current_a.clone();
        curve.output_20mhz_v = curve.current_a.clone();
    }
    let plots = plots::all(&record, &curves).expect("plots");
    let period = plots.iter().find(|plot| plot.name == "period").expect("it is drawn");
    // Two panels of two parts with at most four points of some nine bytes in each of 1400 columns.
    assert!(period.svg.len() < 2 * 2 * 1400 * 4 * 10, "{} bytes", period.svg.len());
}

#[test]
fn law_no_curves_no_plots_but_a_page() {
    let (mut record, _) = support::comparison(2);
    record.quantities.clear();
    record.original.checks.clear();
    record.verdicts.iter_mut().for_each(|verdict| verdict.checks.clear());
    assert!(plots::all(&record, &Curves::default()).expect("nothing to draw").is_empty());
    assert_well_formed(&html::page(&record, &Curves::default()).expect("a page"));
}

#[test]
fn error_a_damaged_curve_is_refused() {
    let (record, mut curves) = support::comparison(2);
    curves.steps[1].output_low_v[40] = f64::NAN;
    let error = html::page(&record, &curves).expect_err("it must be refused");
    assert!(matches!(&error, ReportError::NotFinite { place, .. } if place.contains("output_low_v")), "{error}");
}

#[test]
fn law_loop_gain_is_drawn_over_decades_with_its_crossover() {
    let (record, mut curves) = support::comparison(3);
    let find = |curves: &Curves| {
        let plots = plots::all(&record, curves).expect("plots");
        plots.into_iter().find(|plot| plot.name == "loop-gain").map(|plot| plot.svg)
    };
    let svg = find(&curves).expect("it is drawn");
    for label in ["\n1 k\n", "\n10 k\n", "\n100 k\n", "\nFrequency (Hz)\n"] {
        assert!(svg.contains(label), "{label:?}");
    }
    // A dot a part and panel, and that of the legend.
    assert_eq!(svg.matches("<circle").count(), 2 * 3 + 1);
    // A part without a loop keeps its place, and with it the look of the others.
    curves.loops[1].frequency_hz.clear();
    curves.loops[1].gain_db.clear();
    curves.loops[1].phase_deg.clear();
    curves.loops[1].crossover_hz = None;
    assert_eq!(find(&curves).expect("it is drawn").matches("<circle").count(), 2 * 2 + 1);
    curves.loops.truncate(2);
    curves.loops.remove(0);
    assert_eq!(find(&curves), None);
}
