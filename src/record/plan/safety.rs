//! What a test does to the board at its worst, and which are decided on paper instead of being run.
//!
//! The rule: docs/physics.md, "bench plan".

use super::super::layout::{BenchDanger, BenchHighest};
use super::super::words::{self, say};
use crate::condition;
use crate::condition::figures::{Figures, Note, PartFigures, Place};
use crate::model::case::Case;

/// Quantities that are currents of the inductor and the switches.
const PEAKS: [&str; 6] =
    ["peak_current", "input_step_peak", "dropout_peak", "start_peak", "overload_peak", "short_peak"];

/// A rating that a condition passes.
struct Breach {
    /// What passes it: of each kind the worst is told.
    kind: &'static str,
    /// By how much, as a factor.
    by: f64,
    reason: String,
}

fn peak_a(figures: &Figures) -> Option<f64> {
    PEAKS.iter().filter_map(|id| figures.number(id)).reduce(f64::max)
}

/// The results of a part in a condition and setting, in every corner.
fn alike<'a>(part: &'a PartFigures, place: &'a Place) -> impl Iterator<Item = &'a Figures> {
    let same = |other: &Place| Place { corner: place.corner, ..*other } == *place;
    part.results.iter().filter(move |figures| same(&figures.place))
}

/// The highest that the simulation expects of these parts in a condition and setting, over all corners.
pub(super) fn highest<'a>(parts: impl Iterator<Item = &'a PartFigures>, place: &'a Place) -> BenchHighest {
    let mut highest = BenchHighest { voltage_v: place.input_v, ..BenchHighest::default() };
    for figures in parts.flat_map(|part| alike(part, place)) {
        highest.current_a = highest.current_a.into_iter().chain(peak_a(figures)).reduce(f64::max);
        highest.winding_degc = highest.winding_degc.into_iter().chain(figures.winding_degc).reduce(f64::max);
    }
    highest
}

/// Whether a part passes no rating in a condition and setting, in any corner.
pub(super) fn is_safe(case: &Case, part: &PartFigures, index: usize, place: &Place) -> bool {
    alike(part, place).all(|figures| breaches(case, index, figures).is_empty())
}

/// Conditions that a rating forbids, each kind of breach once, with the worst of it.
pub(super) fn do_not_run(case: &Case, parts: &[PartFigures]) -> Vec<BenchDanger> {
    let mut found: Vec<(&'static str, Breach, BenchDanger)> = vec![];
    for (index, part) in parts.iter().enumerate() {
        for figures in part.results.iter().filter(|figures| is_run(figures)) {
            for breach in breaches(case, index, figures) {
                add(case, &mut found, figures, breach, &part.name);
            }
        }
    }
    found.into_iter().map(|(_, _, danger)| danger).collect()
}

fn add(
    case: &Case,
    found: &mut Vec<(&'static str, Breach, BenchDanger)>,
    figures: &Figures,
    breach: Breach,
    part: &str,
) {
    let place = figures.place;
    let told = |breach: &Breach| format!("{} ({})", breach.reason, words::place(case, &place));
    let known =
        found.iter_mut().find(|(condition, known, _)| *condition == place.condition && known.kind == breach.kind);
    match known {
        None => {
            let condition = if place.condition == "steady" { "steady load" } else { place.condition };
            let danger = BenchDanger { condition: condition.into(), parts: vec![part.into()], reason: told(&breach) };
            found.push((place.condition, breach, danger));
        }
        Some((_, worst, danger)) => {
            if !danger.parts.iter().any(|name| name == part) {
                danger.parts.push(part.into());
            }
            if breach.by > worst.by {
                danger.reason = told(&breach);
                *worst = breach;
            }
        }
    }
}

fn is_run(figures: &Figures) -> bool {
    condition::find(figures.place.condition).is_some_and(|condition| !condition.is_data())
}

/// Every rating that a part's results in one corner pass.
fn breaches(case: &Case, index: usize, figures: &Figures) -> Vec<Breach> {
    let part = case.parts.get(index);
    let input_v = figures.place.input_v;
    let mut found = vec![
        breach("pulse", peak_a(figures), case.board.stage.pulse_rating_a, |is, bears| {
            format!("{} flow, and the switches bear pulses of {}", say(is, "A"), say(bears, "A"))
        }),
        breach("winding", figures.winding_degc, part.and_then(|part| part.max_temperature_degc), |is, bears| {
            format!("the winding reaches {}, and the part bears {}", say(is, "degC"), say(bears, "degC"))
        }),
        breach("working voltage", input_v, part.and_then(|part| part.working_voltage_v), |is, bears| {
            format!("{} lie across the part, which is rated for {}", say(is, "V"), say(bears, "V"))
        }),
        breach("capacitor", input_v, least_capacitor_v(case), |is, bears| {
            format!("{} lie at the input capacitors, which are rated for {}", say(is, "V"), say(bears, "V"))
        }),
    ];
    let runs_away = figures.notes.contains(&Note::ThermalRunaway);
    let reason = || "losses and temperature have no balance".to_string();
    found.push(runs_away.then(|| Breach { kind: "runaway", by: f64::INFINITY, reason: reason() }));
    found.into_iter().flatten().collect()
}

fn breach(
    kind: &'static str,
    is: Option<f64>,
    bears: Option<f64>,
    reason: impl Fn(f64, f64) -> String,
) -> Option<Breach> {
    let (is, bears) = is.zip(bears)?;
    (is > bears).then(|| Breach { kind, by: is / bears, reason: reason(is, bears) })
}

/// Lowest rated voltage in V of the input capacitors that state one.
fn least_capacitor_v(case: &Case) -> Option<f64> {
    let rated = |i: usize| case.number(&format!("input.capacitors[{i}].voltage_rating"));
    (0..case.board.input_bank.len()).filter_map(rated).reduce(f64::min)
}
