//! All captures and readings of a case: each beside its prediction, then each substitute beside the original.

use super::analysis::{Analysis, Compared};
use super::calibrate::{self, Calibration, ROUNDS, Row};
use super::channel::{Channels, Column};
use super::layout::{Change, FigureRecord, Item, Measured, Standing};
use super::predict::{Prior, Shifts};
use super::reading;
use super::score::Known;
use super::{steady, transient};
use crate::condition::figures::Failure;
use crate::corridor;
use crate::model::capture::{Capture, Captures, Setting};
use crate::model::case::Case;
use crate::quantity::{self, ChangeKind, Side};

/// Effects that are told of a figure.
const TOLD: usize = 3;
/// Inputs and loads of two measurements are alike within this share.
const ALIKE: f64 = 0.02;
/// Fewest figures, share of them that are outside, and median of E_n, from which nothing fits: what the load alone sets fits any board.
const NOTHING_FITS: (usize, f64, f64) = (3, 0.75, 3.0);
/// Heights of folded waveforms.
const HEIGHTS: [&str; 3] = ["ripple_20mhz", "ripple_raw", "inductor_ripple"];
/// Label, unit of what the table of quantities does not have.
const MEAN: (&str, &str) = ("Mean output", "V");

/// A capture that has been read.
pub struct Taken<'a> {
    /// What its engineer states.
    pub capture: &'a Capture,
    /// Its columns, in the order of [`Capture::probes`].
    pub columns: Vec<Column>,
    /// What was understood of the file, and what must be said of it.
    pub understood: Vec<String>,
}

/// Why there is no result: a simulation that failed for a part, or what is wrong with a capture or reading stated in some place.
#[derive(Debug)]
pub enum Trouble {
    /// A simulation failed.
    Simulation(Failure, String),
    /// Captures and readings that hold no such condition: where they are stated, and what is wrong.
    NotThere(Vec<(String, String)>),
}

/// One thing that was analysed.
struct Analysed<'a> {
    setting: &'a Setting,
    file: String,
    understood: Vec<String>,
    analysis: Analysis,
}

impl Analysed<'_> {
    /// Its file, or where its readings are stated.
    fn name(&self) -> String {
        if self.file.is_empty() { self.setting.place.clone() } else { self.file.clone() }
    }
}

/// Measures and predicts everything. `progress` is told how many of how many are done.
///
/// # Errors
/// [`Trouble`].
pub fn measure(
    case: &Case,
    captures: &Captures,
    taken: Vec<Taken<'_>>,
    progress: &dyn Fn(usize, usize),
) -> Result<Measured, Trouble> {
    let case = &learned(case)?;
    let all = analyse(case, captures, &read(taken), &[], progress)?;
    let changes = changes(case, &all);
    let items: Vec<Item> = all.into_iter().map(|one| item(case, one)).collect();
    let remarks = remarks(&items);
    Ok(Measured {
        presolder_version: env!("CARGO_PKG_VERSION").into(),
        case: case.name.clone(),
        set: case.set.clone(),
        board: captures.board.clone(),
        items,
        changes,
        remarks,
    })
}

/// What the captures and readings of the original tell of board and part; `None` where there are none of it. With the name of each
/// capture, by the number that the result has for it.
///
/// # Errors
/// [`Trouble`].
pub fn calibrate(
    case: &Case,
    captures: &Captures,
    taken: Vec<Taken<'_>>,
    progress: &dyn Fn(usize, usize),
) -> Result<(Option<Calibration>, Vec<String>), Trouble> {
    let case = &learned(case)?;
    let of_original = Captures {
        readings: captures.readings.iter().filter(|reading| reading.setting.part == 0).cloned().collect(),
        meters: captures.meters.iter().filter(|metered| metered.setting.part == 0).cloned().collect(),
        ..Captures::default()
    };
    let taken = read(taken.into_iter().filter(|one| one.capture.setting.part == 0).collect());
    let (mut shifts, mut names, mut found) = (vec![], vec![], None);
    for _ in 0..ROUNDS {
        let all = match analyse(case, &of_original, &taken, &shifts, progress) {
            Ok(all) => all,
            // Where the data have come to stand nothing runs: what was learned holds, and is the more doubtful by how far it moved.
            Err(Trouble::Simulation(failure, _)) if found.is_some() && !failure.is_interruption() => break,
            Err(trouble) => return Err(trouble),
        };
        names = all.iter().map(Analysed::name).collect();
        let (priors, rows) = rows(&all, &shifts);
        let Some(learned) = calibrate::learn(&priors, &rows) else { break };
        let (next, stays) = (learned.shifts(), learned.stays(&shifts));
        found = Some(learned.at_rest(&shifts));
        shifts = next;
        if stays {
            break;
        }
    }
    Ok((found, names))
}

/// What is known of the data, and everything that was measured.
fn rows(all: &[Analysed<'_>], shifts: &Shifts) -> (Vec<Prior>, Vec<Row>) {
    let mut priors: Vec<Prior> = vec![];
    let mut rows = vec![];
    for (source, one) in all.iter().enumerate() {
        for prior in &one.analysis.priors {
            if !priors.iter().any(|known| known.name == prior.name) {
                priors.push(prior.clone());
            }
        }
        let row = |figure: &Compared, teaches| row(source, figure, teaches, &one.analysis.priors, shifts);
        let used = one.analysis.figures.iter().filter(|figure| Row::is_used(figure.id) && !figure.bounded);
        // The height of a waveform whose points are known says nothing more.
        let follows = |figure: &Compared| {
            HEIGHTS.contains(&figure.id) && one.analysis.points.iter().any(|point| point.probe == figure.probe)
        };
        rows.extend(used.map(|figure| row(figure, !follows(figure))));
        rows.extend(one.analysis.points.iter().map(|point| row(point, true)));
    }
    (priors, rows)
}

fn row(source: usize, figure: &Compared, teaches: bool, priors: &[Prior], shifts: &Shifts) -> Row {
    let effects = &figure.predicted.effects;
    let stands = |name: &str| priors.iter().find(|prior| prior.name == name).map_or(0.0, |prior| prior.stands(shifts));
    let moved: f64 = effects.iter().map(|effect| effect.change * stands(&effect.name)).sum();
    Row {
        source,
        id: figure.id,
        predicted: figure.predicted.value,
        difference: figure.measured - figure.predicted.value + moved,
        teaches,
        own: figure.noise.hypot(figure.predicted.model),
        probe: figure.probe.map(|probe| (probe, figure.gain)),
        effects: effects.iter().map(|effect| (effect.name.clone(), effect.change)).collect(),
    }
}

fn learned(case: &Case) -> Result<Case, Trouble> {
    let first = case.parts.first().map_or("", |part| part.name.as_str());
    corridor::learned(case).map_err(|failure| Trouble::Simulation(failure, first.into()))
}

/// A capture with its channels.
struct Channelled<'a> {
    capture: &'a Capture,
    understood: Vec<String>,
    channels: Channels,
}

fn read(taken: Vec<Taken<'_>>) -> Vec<Channelled<'_>> {
    let taken = taken.into_iter();
    taken
        .map(|Taken { capture, columns, understood }| {
            let channels = Channels::new(capture, columns);
            Channelled { capture, understood, channels }
        })
        .collect()
}

/// Each capture, and what was read in each setting, with the data at some shifts.
fn analyse<'a>(
    case: &Case,
    captures: &'a Captures,
    taken: &[Channelled<'a>],
    shifts: &Shifts,
    progress: &dyn Fn(usize, usize),
) -> Result<Vec<Analysed<'a>>, Trouble> {
    let settings = reading::settings(captures);
    let total = taken.len() + settings.len();
    let (mut all, mut wrong) = (vec![], vec![]);
    for Channelled { capture, understood, channels } in taken {
        let setting = &capture.setting;
        let result = match setting.condition {
            "load step" => transient::analyse(case, capture, channels, shifts),
            _ => steady::analyse(case, capture, channels, shifts),
        };
        match result.map_err(|failure| failed(case, setting, failure))? {
            Ok(analysis) => {
                let understood = understood.clone();
                all.push(Analysed { setting, file: capture.file.clone(), understood, analysis });
            }
            Err(words) => wrong.push((setting.place.clone(), format!("{}: {words}", capture.file))),
        }
        progress(all.len() + wrong.len(), total);
    }
    for (setting, reads) in settings {
        let result =
            reading::analyse(case, setting, &reads, shifts).map_err(|failure| failed(case, setting, failure))?;
        match result {
            Ok(analysis) => all.push(Analysed { setting, file: String::new(), understood: vec![], analysis }),
            Err(words) => wrong.push((setting.place.clone(), words)),
        }
        progress(all.len() + wrong.len(), total);
    }
    if wrong.is_empty() { Ok(all) } else { Err(Trouble::NotThere(wrong)) }
}

fn failed(case: &Case, setting: &Setting, failure: Failure) -> Trouble {
    let part = case.parts.get(setting.part).map_or("", |part| part.name.as_str());
    Trouble::Simulation(failure, format!("{part}, {}, {}", setting.condition, setting.place))
}

/// Label and unit of a quantity.
fn named(id: &str) -> (&'static str, &'static str) {
    quantity::find(id).map_or(MEAN, |quantity| (quantity.label, quantity.unit))
}

fn item(case: &Case, one: Analysed<'_>) -> Item {
    Item {
        part: case.parts[one.setting.part].name.clone(),
        condition: one.setting.condition.into(),
        input_v: one.setting.input_v,
        ambient_degc: one.setting.ambient_degc,
        load: one.analysis.load,
        file: one.file,
        stated_at: one.setting.place.clone(),
        understood: one.understood,
        figures: one.analysis.figures.iter().map(figure).collect(),
        notes: one.analysis.notes,
        overlays: one.analysis.overlays,
    }
}

fn figure(compared: &Compared) -> FigureRecord {
    let (label, unit) = named(compared.id);
    let (predicted, measured) = (compared.predicted.known(), compared.measured());
    let largest = compared.predicted.largest();
    FigureRecord {
        quantity: compared.id.into(),
        label: label.into(),
        unit: unit.into(),
        predicted: predicted.value,
        predicted_uncertainty: predicted.uncertainty,
        measured: measured.value,
        measured_uncertainty: measured.uncertainty,
        difference: measured.value - predicted.value,
        score: compared.score(),
        bounded: compared.bounded,
        largest: largest.into_iter().take(TOLD).map(|effect| (effect.name.clone(), effect.change)).collect(),
    }
}

/// Each figure of a substitute that was measured on the original too.
fn changes(case: &Case, all: &[Analysed<'_>]) -> Vec<Change> {
    let mut changes = vec![];
    for one in all.iter().filter(|one| one.setting.part != 0) {
        for figure in &one.analysis.figures {
            let same =
                |other: &&Analysed<'_>| other.setting.part == 0 && other.setting.condition == one.setting.condition;
            let originals = all.iter().filter(same).filter_map(|other| {
                let found = other.analysis.figures.iter().find(|original| original.id == figure.id)?;
                Some((found, unlike(one.setting, other.setting)))
            });
            let nearest = originals.min_by(|a, b| a.1.total_cmp(&b.1));
            changes.extend(nearest.map(|(original, unlike)| change(case, one.setting, figure, original, unlike)));
        }
    }
    changes
}

/// By how much two settings differ in input and load, as a share.
fn unlike(a: &Setting, b: &Setting) -> f64 {
    let load = a.load_a.zip(b.load_a).map_or(0.0, |(a, b)| if b > 0.0 { (a / b - 1.0).abs() } else { a });
    (a.input_v / b.input_v - 1.0).abs().max(load)
}

fn change(case: &Case, setting: &Setting, figure: &Compared, original: &Compared, unlike: f64) -> Change {
    let (label, unit) = named(figure.id);
    let (measured, predicted) = (figure.measured_change(original), figure.predicted_change(original));
    let bounded = figure.bounded || original.bounded;
    let agreed = agreed(case, figure.id, original.measured);
    Change {
        part: case.parts[setting.part].name.clone(),
        condition: setting.condition.into(),
        quantity: figure.id.into(),
        label: label.into(),
        unit: unit.into(),
        measured: measured.value,
        measured_uncertainty: measured.uncertainty,
        predicted: predicted.value,
        predicted_uncertainty: predicted.uncertainty,
        score: predicted.score(&measured).filter(|_| !bounded),
        agreed,
        standing: if bounded { Standing::Open } else { standing(figure.id, &measured, agreed) },
        unlike: unlike > ALIKE,
    }
}

/// The agreed change of a quantity in its unit, for a value of the original.
fn agreed(case: &Case, id: &str, original: f64) -> Option<f64> {
    let quantity = quantity::find(id)?;
    let agreed = (quantity.agreed)(&case.limits.changes)?;
    Some(match quantity.change_kind {
        ChangeKind::Fraction => agreed.change * original.abs(),
        ChangeKind::Difference => agreed.change,
    })
}

fn standing(id: &str, measured: &Known, agreed: Option<f64>) -> Standing {
    let (Some(agreed), Some(quantity)) = (agreed, quantity::find(id)) else { return Standing::NotAgreed };
    let worse = match quantity.side {
        Side::AtMost => measured.value,
        Side::AtLeast => -measured.value,
        Side::Within => measured.value.abs(),
    };
    match (worse + measured.uncertainty <= agreed, worse - measured.uncertainty > agreed) {
        (true, _) => Standing::Within,
        (_, true) => Standing::Beyond,
        _ => Standing::Open,
    }
}

fn remarks(items: &[Item]) -> Vec<String> {
    let mut remarks = vec![];
    let scores_of = |items: &mut dyn Iterator<Item = &Item>| {
        let mut scores: Vec<f64> =
            items.flat_map(|item| &item.figures).filter_map(|figure| figure.score).map(f64::abs).collect();
        scores.sort_by(f64::total_cmp);
        scores
    };
    let nothing_fits = |scores: &[f64]| {
        let outside = scores.iter().filter(|score| **score > 1.0).count() as f64;
        let count = scores.len();
        count >= NOTHING_FITS.0 && outside >= NOTHING_FITS.1 * count as f64 && scores[count / 2] > NOTHING_FITS.2
    };
    if nothing_fits(&scores_of(&mut items.iter())) {
        remarks.push(
            "Nothing fits: nearly every figure is far outside. These are captures of another board, part or condition, or a probe's \
             scale is wrong. Nothing can be learned from them before that is found."
                .into(),
        );
        return remarks;
    }
    for item in items.iter().filter(|item| nothing_fits(&scores_of(&mut std::iter::once(*item)))) {
        let what = if item.file.is_empty() { "the readings" } else { item.file.as_str() };
        remarks.push(format!(
            "Nothing of {what} ({}) fits: another board, part or condition, or a wrong scale?",
            item.stated_at
        ));
    }
    let scores = scores_of(&mut items.iter());
    let inside = scores.iter().filter(|score| **score <= 1.0).count();
    if !scores.is_empty() {
        remarks.push(format!("{inside} of {} figures agree within both uncertainties (E_n at most 1).", scores.len()));
    }
    remarks
}
