//! The record: findings and figures put into words and into a layout that is published.

pub mod boards;
pub mod calibrated;
mod checks;
mod columns;
pub mod curves;
pub mod difference;
mod digits;
mod facts;
pub mod impedance;
pub mod layout;
pub mod machine;
pub mod maps;
pub mod plan;
pub mod remedies;
mod results;
pub mod run;
pub mod screen;
pub mod specification;
pub mod sweep;
pub mod verify;
pub(crate) mod words;
pub mod worst_load;

use crate::condition::contract::Found;
use crate::condition::curves::Curve;
use crate::condition::figures::{Failure, Figures, PartFigures, Place};
use crate::condition::limit::hottest_degc;
use crate::corridor::deciding::Deciding;
use crate::corridor::tipping::Tipping;
use crate::corridor::{self, Checked, Comparison, Depth};
use crate::engine::book::Closing;
use crate::error::Error;
use crate::judge::finding::{Asked, Finding, Spread};
use crate::judge::{Cell, Outcome, Row, State, Verdict};
use crate::model::case::{Case, Origin};
use crate::model::parts::Inductor;
use crate::model::parts::saturation::FluxCurve;
use crate::quantity::Side;
use curves::{Curves, DecidingCurves, SaturationPlot, Shown};
use layout::{
    CaseIdentity, ConditionRecord, CrossCheckRecord, EnergyRecord, FileRecord, LimitRecord, OriginRecord, PartRecord,
    QuantityRow, RECORD_VERSION, Record, ValueRecord,
};

/// End of the plots of inductance, as a multiple of the highest current of any part.
const BEYOND_HIGHEST: f64 = 1.1;
/// Points of an inductance curve in a plot.
const CURVE_POINTS: usize = 120;

/// Compares the original with every substitute, for people. `progress` is told how many of how many jobs have been done.
///
/// # Errors
/// A compensator that cannot be laid out, or an interruption.
pub fn compare(case: &Case, depth: Depth, progress: &(dyn Fn(usize, usize) + Sync)) -> Result<(Record, Curves), Error> {
    let comparison = corridor::compare(case, depth, progress).map_err(|failure| error(failure, &case.parts[0].name))?;
    let curves = curves_of(&comparison).map_err(|failure| error(failure, "plot of the inductance"))?;
    Ok((record(&comparison), curves))
}

/// The independent integration of the conditions, for the record.
///
/// # Errors
/// Whatever stops either engine.
pub fn cross_check(case: &Case) -> Result<Vec<CrossCheckRecord>, Error> {
    let checks = corridor::cross_check(case).map_err(|failure| error(failure, "cross-check"))?;
    Ok(checks.into_iter().map(|check| checked(case, check)).collect())
}

/// A failure that ends a command, with the condition in which it came.
pub(crate) fn error(failure: Failure, condition: &str) -> Error {
    let condition = condition.to_string();
    match failure {
        stop if stop.is_interruption() => Error::Interrupted,
        Failure::Engine(source) => Error::Simulation { source, condition },
        Failure::Synthesis(what) => {
            let condition = format!("{condition}, control.compensator of kind margins");
            Error::Unreachable { what: what.to_string(), condition }
        }
        other => Error::Unreachable { what: other.to_string(), condition },
    }
}

fn checked(case: &Case, check: Checked) -> CrossCheckRecord {
    let found = check.difference.as_ref().ok();
    CrossCheckRecord {
        part: check.part,
        condition: words::checked(case, check.condition, check.load),
        output_v: found.map_or(0.0, |found| found.output_v),
        current_a: found.map_or(0.0, |found| found.current_a),
        samples: found.map_or(0, |found| found.samples),
        until_s: found.and_then(|found| found.parted).map(|cycle| cycle as f64 * check.period_s),
        not_compared: check.difference.err().map(|failure| failure.to_string()),
    }
}

fn record(comparison: &Comparison) -> Record {
    let Comparison { case, parts, found, rows, verdicts, tipping, depth, left_out, .. } = comparison;
    let mut warnings = words::doubtful_losses(case, parts);
    warnings.extend(case.warnings.clone());
    if *depth == Depth::Quick {
        warnings.insert(0, words::QUICK.into());
    }
    if let Some(only) = &case.only_conditions {
        warnings.insert(0, words::only(only));
    }
    if *left_out > 0 {
        warnings.insert(0, words::left_out(*left_out));
    }
    warnings.extend(words::shared_notes(parts).iter().map(|note| format!("all parts: {}", words::note(note))));
    Record {
        record_version: RECORD_VERSION,
        presolder_version: env!("CARGO_PKG_VERSION").into(),
        run: layout::RunRecord::default(),
        case: identity(case),
        parts: parts.iter().zip(&case.parts).map(|(figures, inductor)| part(case, figures, inductor)).collect(),
        quantities: rows.iter().map(|found| row(case, found)).collect(),
        original: verdict(case, parts, &verdicts[0], &tipping[0]),
        verdicts: verdicts[1..]
            .iter()
            .zip(&tipping[1..])
            .map(|(found, tipping)| verdict(case, parts, found, tipping))
            .collect(),
        waivers: case
            .waivers
            .iter()
            .map(|waiver| layout::WaiverRecord {
                requirement: waiver.requirement.clone(),
                by: waiver.by.clone(),
                date: waiver.date.clone(),
                reason: waiver.reason.clone(),
            })
            .collect(),
        bench_plan: plan::plan(case, parts, rows),
        origins: origins(case),
        warnings,
        energy_book: energy_book(found.iter().flatten().flat_map(|found| &found.books)),
        calibration: None,
        cross_check: vec![],
        method: words::method(case, found.iter().flatten().map(|found| found.load_error).fold(0.0, f64::max)),
        equations: words::EQUATIONS.iter().map(ToString::to_string).collect(),
        cautions: words::CAUTIONS.iter().map(ToString::to_string).collect(),
    }
}

/// The energy book over all runs: the one that comes nearest to what is allowed stands for them.
fn energy_book<'a>(books: impl Iterator<Item = &'a Closing> + Clone) -> EnergyRecord {
    let nearest = books.clone().max_by(|a, b| a.share().total_cmp(&b.share()));
    EnergyRecord {
        runs: books.count(),
        worst_residual: nearest.map_or(0.0, |book| book.residual),
        allowed_residual: nearest.map_or(0.0, |book| book.allowed),
    }
}

fn part(case: &Case, part: &PartFigures, inductor: &Inductor) -> PartRecord {
    let results = part.results.iter().map(|figures| condition(case, figures)).collect();
    PartRecord { name: part.name.clone(), original: part.original, facts: facts::of(inductor), results }
}

fn condition(case: &Case, figures: &Figures) -> ConditionRecord {
    let value = |figure: &crate::condition::figures::Figure| ValueRecord {
        quantity: figure.quantity.id.into(),
        value: figure.value.clone(),
        unit: figure.quantity.unit.into(),
    };
    ConditionRecord {
        condition: words::kind(case, &figures.place),
        corner: figures.place.corner.name(),
        input_v: figures.place.input_v,
        load_a: figures.place.load_a,
        winding_degc: figures.winding_degc,
        values: figures.values.iter().map(value).collect(),
        notes: figures.notes.iter().map(words::note).collect(),
    }
}

/// A row as it is recorded.
pub fn row(case: &Case, row: &Row) -> QuantityRow {
    let limit = row.cells[0].as_ref().and_then(|cell| cell.limit);
    QuantityRow {
        quantity: row.quantity.id.into(),
        label: row.quantity.label.into(),
        unit: row.quantity.unit.into(),
        change_kind: row.quantity.change_kind,
        limit,
        cells: row.cells.iter().map(|found| found.as_ref().map(|found| cell(case, found, limit))).collect(),
    }
}

fn cell(case: &Case, cell: &Cell, of_row: Option<LimitRecord>) -> layout::Cell {
    layout::Cell {
        value: cell.value.clone(),
        uncertainty: cell.uncertainty,
        ends: cell.ends,
        place: words::place(case, &cell.place),
        own_limit: cell.limit.filter(|_| cell.limit != of_row),
        original: cell.original.clone(),
        state: cell.state,
    }
}

/// A verdict as it is recorded, in sentences.
pub fn verdict(case: &Case, parts: &[PartFigures], verdict: &Verdict, tipping: &Tipping) -> layout::Verdict {
    layout::Verdict {
        part: case.parts[verdict.part].name.clone(),
        outcome: verdict.outcome,
        waived: verdict
            .findings
            .iter()
            .filter(|finding| finding.outcome == Outcome::NoWorse)
            .all(|finding| finding.is_waived(case)),
        sentence: words::decision(case, verdict),
        condition: verdict.deciding().map_or_else(String::new, |finding| words::condition(case, finding)),
        next: if words::is_all_met_in_part(case, verdict) {
            words::LOOK_AT_ALL.into()
        } else {
            words::next(case, verdict, tipping)
        },
        within: words::within(verdict.outcome, &tipping.within),
        checks: verdict.findings.iter().enumerate().map(|(rank, finding)| check(case, finding, rank == 0)).collect(),
        not_asked: words::not_asked(case, verdict),
        changes: verdict.changes.iter().map(|change| words::accepted(case, change)).collect(),
        notes: words::part_notes(case, parts, verdict.part),
        bench: if verdict.part == 0 { String::new() } else { words::seen(case, verdict) },
    }
}

/// A check as it is recorded; the budget stands with the one that decides and with those that are not met.
fn check(case: &Case, finding: &Finding, deciding: bool) -> layout::Check {
    let spread = |spread: &Spread| layout::Doubtful {
        value: spread.value.clone(),
        uncertainty: spread.uncertainty,
        ends: spread.ends,
    };
    let contribution = |effect: &crate::judge::sight::Effect| layout::Contribution {
        datum: effect.datum.key(),
        label: effect.datum.rule.label.into(),
        change: effect.change,
    };
    layout::Check {
        key: finding.key(),
        requirement: finding.asked.id().into(),
        quantity: finding.quantity.id.into(),
        label: words::label(case, finding),
        unit: finding.quantity.unit.into(),
        place: words::place(case, &finding.place),
        winding_degc: finding.winding_degc,
        limit: finding.limit,
        stands_in: finding.stands_in,
        source: finding.source.clone(),
        value: spread(&finding.value),
        original: finding.original.as_ref().map(spread),
        worse: finding.worse.map(|worse| layout::WorseRecord {
            shown: worse.shown,
            least: worse.range.0,
            most: worse.range.1,
            uncertainty: worse.uncertainty,
            allowance: worse.allowance,
        }),
        state: finding.state,
        original_state: finding.original_state,
        outcome: finding.outcome,
        margin_in_u: Some(finding.margin_in_u).filter(|margin| margin.is_finite()),
        decides: finding.decides.map(|(datum, at_least, at_most)| layout::DecidingDatum {
            datum: datum.key(),
            label: datum.rule.label.into(),
            of_part: datum.of_part,
            at_least,
            at_most,
        }),
        budget: finding.budget.iter().filter(|_| deciding || finding.state != State::Met).map(contribution).collect(),
    }
}

fn identity(case: &Case) -> CaseIdentity {
    let file =
        |file: &crate::model::case::CaseFile| FileRecord { path: file.path.clone(), sha256: file.sha256.clone() };
    CaseIdentity {
        name: case.name.clone(),
        title: case.board.title.clone(),
        files: case.files.iter().map(file).collect(),
        set: case.set.clone(),
        sha256: sweep::case_hash(case),
    }
}

fn origins(case: &Case) -> Vec<OriginRecord> {
    let word = |origin: Origin| match origin {
        Origin::Measured => "measured",
        Origin::Guaranteed => "guaranteed",
        Origin::Typical => "typical",
        Origin::Digitised => "digitised",
        Origin::Estimated => "estimated",
        Origin::Assumed => "assumed",
        Origin::Absent => "absent",
    };
    let stated = case.origins.iter().map(|origin| OriginRecord {
        datum: origin.datum(),
        value: origin.value.to_string(),
        origin: word(origin.origin).into(),
        note: origin.note().into_owned(),
    });
    let laid_out = case.board.control.aim.map(|_| OriginRecord {
        datum: "board: control.compensator".into(),
        value: words::components(&case.board.control.compensator),
        origin: word(Origin::Estimated).into(),
        note: "laid out on the original part for the stated crossover and phase margin, then kept".into(),
    });
    stated.chain(laid_out).collect()
}

/// All curves, with the words that go with them.
fn curves_of(comparison: &Comparison) -> Result<Curves, Failure> {
    let case = &comparison.case;
    let board = &case.board;
    let mut curves = Curves {
        period_condition: words::at_load(case, board.full_load_a()),
        step_condition: board.load_step.map_or_else(String::new, |step| words::load_step(case, &step)),
        step_band_v: case.limits.recovery_band * board.output_v,
        step_limit_v: case.limits.step_deviation_v,
        loss_condition: words::at_load(case, board.full_load_a()),
        ..Curves::default()
    };
    let all = comparison.found.iter().flatten().flat_map(|found| &found.curves);
    all.cloned().for_each(|curve| sort_in(&mut curves, curve));
    let marks: Vec<Marks> = comparison.found.iter().map(|found| Marks::of(found)).collect();
    let end_a = BEYOND_HIGHEST * marks.iter().map(Marks::highest_a).fold(0.0, f64::max);
    for ((part, marks), found) in case.parts.iter().zip(&marks).zip(&comparison.found) {
        let found: Vec<&Found> = found.iter().collect();
        curves.saturation.push(saturation_plot(part, marks, hottest_degc(case, &found), end_a)?);
    }
    curves.deciding = comparison.deciding.iter().filter_map(|found| deciding(comparison, found)).collect();
    Ok(curves)
}

/// What decides on a part, as a plot shows it.
fn deciding(comparison: &Comparison, found: &Deciding) -> Option<DecidingCurves> {
    let case = &comparison.case;
    let finding = comparison.verdicts.get(found.part)?.findings.get(found.finding)?;
    let aim_v = case.board.output_v;
    let worst = |curves: &[Curve]| Shown::worst(curves, found.reading, aim_v);
    Some(DecidingCurves {
        part: found.part,
        label: words::label(case, finding),
        condition: words::condition(case, finding),
        kind: shown_as(case, &finding.place),
        unit: finding.quantity.unit.into(),
        reading: found.reading,
        limit: limit_shown(finding)?,
        value: finding.value.value.number()?,
        uncertainty: finding.value.uncertainty,
        ends: finding.value.ends,
        aim_v,
        band_v: case.limits.recovery_band * aim_v,
        period_s: 1.0 / case.board.frequency_hz,
        substitute: worst(&found.substitute)?,
        original: worst(&found.original),
    })
}

/// The limit of a finding on the axis of its value: an agreed change counts from the original.
fn limit_shown(finding: &Finding) -> Option<LimitRecord> {
    let limit = finding.limit?;
    if let Asked::Requirement(_) = finding.asked {
        return Some(limit);
    }
    let base = finding.original.as_ref()?.value.number()?;
    let value = if limit.side == Side::AtLeast { base - limit.value } else { base + limit.value };
    Some(LimitRecord { value, ..limit })
}

/// The kind of condition as a plot shows it: a step that comes again and again has no release of its own.
fn shown_as(case: &Case, place: &Place) -> &'static str {
    let repeats = case.board.step(place.load).is_some_and(|step| step.every_s.is_some());
    if repeats && place.condition == "load step" { "load profile" } else { place.condition }
}

fn sort_in(curves: &mut Curves, curve: Curve) {
    match curve {
        Curve::Period(curve) => curves.periods.push(curve),
        Curve::Loop(curve) => curves.loops.push(curve),
        Curve::Losses(split) => curves.losses.push(split),
        Curve::Light(curve) => curves.light.push(curve),
        Curve::Event("load step", curve) if curve.load.is_empty() => curves.steps.push(curve),
        Curve::Event("start", curve) => curves.starts.push(curve),
        Curve::Event("short circuit", curve) => curves.shorts.push(curve),
        Curve::Event(condition, curve) => curves.events.push((condition, curve)),
    }
}

/// Currents that the plot of the inductance marks.
struct Marks {
    peak_a: f64,
    /// Current reached in a short circuit: simulated, or what the limit's data say.
    at_limit_a: Option<f64>,
}

impl Marks {
    fn of(found: &[Found]) -> Marks {
        let largest = |id: &str| found.iter().filter_map(|found| found.figures.number(id)).reduce(f64::max);
        Marks {
            peak_a: found.iter().map(|found| found.peak_a).fold(0.0, f64::max),
            at_limit_a: largest("short_peak").or(largest("limit_current")),
        }
    }

    /// Highest current of the part.
    fn highest_a(&self) -> f64 {
        self.at_limit_a.map_or(self.peak_a, |current_a| current_a.max(self.peak_a))
    }
}

/// Inductance against current, cold and at the hottest winding that occurred, up to a current.
fn saturation_plot(part: &Inductor, marks: &Marks, hot_degc: f64, end_a: f64) -> Result<SaturationPlot, Failure> {
    let curve_at = |degc: f64| FluxCurve::new(&part.saturation, degc, 1.0);
    let (cold, hot) = (curve_at(25.0)?, curve_at(hot_degc)?);
    let points = |curve: &FluxCurve| {
        (0..=CURVE_POINTS).map(|k| end_a * k as f64 / CURVE_POINTS as f64).map(|a| (a, curve.inductance_h(a))).collect()
    };
    Ok(SaturationPlot {
        part: part.name.clone(),
        cold: points(&cold),
        hot: points(&hot),
        hot_degc,
        peak: (marks.peak_a, hot.inductance_h(marks.peak_a)),
        limit: marks.at_limit_a.map(|current_a| (current_a, hot.inductance_h(current_a))),
    })
}

/// What decides on a part, in one sentence.
pub fn decision(case: &Case, verdict: &Verdict) -> String {
    words::decision(case, verdict)
}
