//! Sentences: every word that a result says is made here.

use crate::condition;
use crate::condition::figures::{Figures, Note, OffAim, PartFigures, Place, Value};
use crate::judge::{AGEING_DEGC, Basis, Cell, Finding, Judgement, RINGING, Row, Verdict, row_of};
use crate::model::board::{Compensator, LoadStep};
use crate::model::case::Case;
use crate::model::corner::NOMINAL;
use crate::quantity::{ChangeKind, Limit, Quantity, Side};
use crate::units;

/// A value with its unit for sentences.
pub(crate) fn say(value: f64, unit: &str) -> String {
    match unit {
        "degC" => format!("{value:.1} °C"),
        "K" => format!("{value:.1} K"),
        "deg" => format!("{value:.1}°"),
        "dB" => format!("{value:.1} dB"),
        "fraction" => format!("{:.1} %", 100.0 * value),
        // The trade writes slews in amperes per microsecond.
        "A/s" if value < 1e4 => format!("{} A/ms", say(1e-3 * value, "")),
        "A/s" => format!("{} A/µs", say(1e-6 * value, "")),
        "" => {
            let text = format!("{value:.3}");
            text.trim_end_matches('0').trim_end_matches('.').to_string()
        }
        _ => {
            let text = units::format_si(value, unit, 4);
            match text.split_once(' ') {
                Some((number, unit)) if number.contains('.') => {
                    format!("{} {unit}", number.trim_end_matches('0').trim_end_matches('.'))
                }
                _ => text,
            }
        }
    }
}

/// Kind of a condition in words; data that need no run are one kind.
pub(crate) fn kind(place: &Place) -> String {
    match place.condition {
        name if condition::find(name).is_some_and(|condition| condition.is_data()) => "data".into(),
        name if place.prebias_v > 0.0 => format!("{name} at {}", say(place.prebias_v, "V")),
        name => name.into(),
    }
}

/// A place in words.
pub(crate) fn place(place: &Place) -> String {
    place_of(&kind(place), place.corner, place.input_v, place.load_a)
}

/// A place in words, from what the record has of it.
pub(crate) fn place_of(condition: &str, corner: &str, input_v: Option<f64>, load_a: Option<f64>) -> String {
    if condition == "data" {
        return corner.into();
    }
    let steady = condition == "steady";
    let mut words = if steady { vec![] } else { vec![condition.to_string()] };
    words.extend(input_v.map(|v| say(v, "V")));
    words.extend(load_a.filter(|_| steady).map(|a| say(a, "A")));
    words.push(corner.into());
    words.join(", ")
}

/// The nominal condition at a load.
pub(crate) fn at_load(case: &Case, load_a: f64) -> String {
    format!("{} in, {} load, {NOMINAL}", say(case.board.nominal_input_v, "V"), say(load_a, "A"))
}

/// The load step at the nominal condition.
pub(crate) fn load_step(case: &Case, step: &LoadStep) -> String {
    format!(
        "{} in, {} to {} and back at {}, {NOMINAL}",
        say(case.board.nominal_input_v, "V"),
        say(step.from_a, "A"),
        say(step.to_a, "A"),
        say(step.slew_a_per_s, "A/s")
    )
}

/// A condition of the cross-check.
pub(crate) fn checked(case: &Case, condition: &str) -> String {
    match (condition, case.board.load_step) {
        ("steady", _) => at_load(case, case.board.full_load_a()),
        ("load step", Some(step)) => load_step(case, &step),
        _ => format!("{condition}, {} in, {NOMINAL}", say(case.board.nominal_input_v, "V")),
    }
}

/// Components of an op-amp compensator.
pub(crate) fn components(compensator: &Compensator) -> String {
    let Compensator::OpAmp { r1_ohm, lead, r2_ohm, c1_f, c2_f, .. } = compensator else { return String::new() };
    let mut words = vec![("R1", *r1_ohm, "ohm"), ("R2", *r2_ohm, "ohm"), ("C1", *c1_f, "F"), ("C2", *c2_f, "F")];
    words.extend(lead.iter().flat_map(|(r3_ohm, c3_f)| [("R3", *r3_ohm, "ohm"), ("C3", *c3_f, "F")]));
    let words: Vec<String> = words.iter().map(|(name, value, unit)| format!("{name} {}", say(*value, unit))).collect();
    words.join(", ")
}

/// A note.
pub(crate) fn note(note: &Note) -> String {
    match note {
        Note::ThermalRunaway => "the winding temperature does not settle: thermal runaway".into(),
        Note::RoughTemperature => {
            "the winding temperature is rough: the loss changes from stretch to stretch of the waveform".into()
        }
        Note::BeyondSaturationData => {
            "the peak current lies beyond the saturation data: inductance held at its last value".into()
        }
        Note::LimitBeyondSaturationData => {
            "the current at the limit lies beyond the saturation data: inductance held at its last value".into()
        }
        Note::BeyondTemperatures => {
            "the winding is outside the temperatures of the saturation data: nearest curve held".into()
        }
        Note::OneTemperature => "saturation data at one temperature only".into(),
        Note::OffAim { share, cause } => off_aim(*share, *cause),
        Note::Core(caution) => caution.to_string(),
        Note::NotDelivered { how } => format!("the current limit does not deliver the load: {how}"),
        Note::NotComputed(why) => format!("not computed: {why}"),
        other => event_note(other),
    }
}

/// A note on cycles, transients and events.
fn event_note(note: &Note) -> String {
    match note {
        Note::EdgesLeftOut => "clock edges are left out at light load".into(),
        Note::SecondWaveform { output_v } => format!(
            "a second stable waveform is possible here, with a mean output of {}: which one runs depends on what came before; the worse value of each quantity counts",
            say(*output_v, "V")
        ),
        Note::NoRepetition { watched } => {
            format!("long and short cycles follow each other without a rule: measured over {watched} periods")
        }
        Note::Alternates { periods } => {
            format!("long and short cycles alternate: the waveform repeats after {periods} periods")
        }
        Note::NotBack => "the output was not back in its band before the next edge".into(),
        Note::NotBackAtInput => "the output was not back in its band before the next edge of the input".into(),
        Note::NotSettled => "the load program ends before everything has settled".into(),
        Note::NoStart { within_s } => {
            format!("the output does not stay in its band within {}: no start", say(*within_s, "s"))
        }
        Note::StartPauses => "the start trips the limit for so long that it pauses".into(),
        Note::NotBackAfterShort => "the output is not back in its band after the short circuit".into(),
        Note::HoldsUpTo { load_a } => format!("the output does not give way up to {}", say(*load_a, "A")),
        Note::GivesWayBeforeLimit => "the output gives way before the current limit acts".into(),
        Note::MostAudible { range_hz: (low_hz, high_hz) } => format!(
            "towards light load the pulses come in a pattern of {} to {}, where the ear is most sensitive",
            say(1e-3 * low_hz, ""),
            say(*high_hz, "Hz")
        ),
        Note::Audible => "towards light load the pulses come in a pattern that may be heard".into(),
        _ => String::new(),
    }
}

fn off_aim(share: f64, cause: OffAim) -> String {
    let why = match cause {
        OffAim::Dropout => "the high side conducts as long as it may (dropout)",
        OffAim::EndStop => "the loop is at an end stop",
        OffAim::FiniteGain => "the gain of the loop at rest is finite",
    };
    format!("the output is {:.1} % off its aim: {why}", 100.0 * share)
}

/// Notes that the results of every part carry: they say something about the data or the model, not about a part.
pub(crate) fn shared_notes(parts: &[PartFigures]) -> Vec<Note> {
    let has = |part: &PartFigures, note: &Note| part.results.iter().any(|result| result.notes.contains(note));
    let mut shared: Vec<Note> = vec![];
    for note in parts[0].results.iter().flat_map(|result| &result.notes) {
        if !shared.contains(note) && parts.iter().all(|part| has(part, note)) {
            shared.push(note.clone());
        }
    }
    shared
}

/// Notes of a part that not every part has, each once, with the first place where it arose.
pub(crate) fn part_notes(parts: &[PartFigures], part: usize) -> Vec<String> {
    let shared = shared_notes(parts);
    let mut notes: Vec<(&Note, &Figures, usize)> = vec![];
    for figures in &parts[part].results {
        // What was not computed is a finding of the verdict.
        let own = |note: &&Note| !shared.contains(note) && !matches!(note, Note::NotComputed(_));
        for note in figures.notes.iter().filter(own) {
            match notes.iter_mut().find(|(known, _, _)| *known == note) {
                Some((_, _, count)) => *count += 1,
                None => notes.push((note, figures, 1)),
            }
        }
    }
    let said = |(found, figures, count): (&Note, &Figures, usize)| match count {
        1 => format!("{} ({})", note(found), place(&figures.place)),
        _ => format!("{} ({} and {} more)", note(found), place(&figures.place), count - 1),
    };
    notes.into_iter().map(said).collect()
}

/// A change, with its sign.
fn say_change(quantity: &Quantity, change: f64) -> String {
    match (quantity.change_kind, quantity.unit) {
        (ChangeKind::Fraction, _) => format!("{:+.1} %", 100.0 * change),
        (ChangeKind::Difference, "fraction") => format!("{:+.2} points", 100.0 * change),
        (ChangeKind::Difference, "degC") => format!("{change:+.1} K"),
        (ChangeKind::Difference, "deg") => format!("{change:+.1}°"),
        (ChangeKind::Difference, "dB") => format!("{change:+.1} dB"),
        (ChangeKind::Difference, unit) => format!("{}{}", if change > 0.0 { "+" } else { "" }, say(change, unit)),
    }
}

/// An uncertainty: of a temperature in kelvins, of an efficiency in points.
fn say_uncertainty(quantity: &Quantity, uncertainty: f64) -> String {
    match (quantity.unit, quantity.change_kind) {
        ("degC", _) => say(uncertainty, "K"),
        ("fraction", ChangeKind::Difference) => format!("{:.1} points", 100.0 * uncertainty),
        (unit, _) => say(uncertainty, unit),
    }
}

/// A value; what is only a bound is said as one.
pub(crate) fn say_value(value: &Value, unit: &str) -> String {
    match value {
        Value::Number(number) => say(*number, unit),
        Value::AtLeast(_) if unit.is_empty() => "does not repeat".into(),
        Value::AtLeast(number) => format!("more than {}", say(*number, unit)),
        Value::AtMost(number) => format!("less than {}", say(*number, unit)),
        Value::NotComputed(why) => format!("not computed ({why})"),
    }
}

/// A finding as a sentence.
pub(crate) fn finding(case: &Case, rows: &[Row], part: usize, finding: &Finding) -> String {
    let cell = |quantity| row_of(rows, quantity).and_then(|row| row.cells[part].as_ref());
    match &finding.basis {
        Basis::Limit(quantity) => {
            let limit = (quantity.limit)(case, &case.parts[part]);
            cell(quantity)
                .zip(limit)
                .map_or_else(String::new, |(cell, limit)| against_limit(quantity, cell, &limit, finding.shared))
        }
        Basis::Change(quantity) => {
            let agreed = row_of(rows, quantity).and_then(|row| row.agreed_change);
            cell(quantity)
                .zip(agreed)
                .map_or_else(String::new, |(cell, agreed)| against_agreed(quantity, cell, &agreed))
        }
        Basis::NoWorkingVoltage => "no working voltage is stated: ask the maker".into(),
        Basis::TightWorkingVoltage(rating_v) => format!(
            "working voltage {} leaves less than {:.0} % above the highest input for ringing (common practice)",
            say(*rating_v, "V"),
            100.0 * (RINGING - 1.0)
        ),
        Basis::Ageing => format!(
            "iron powder above {AGEING_DEGC:.0} °C may age: its core loss can rise over months (common practice)"
        ),
        Basis::NoCoreLoss => "no core-loss data: losses and temperature are too low by the core's share".into(),
        Basis::NotComputed { place: at, why, more } => {
            let further = if *more > 0 { format!(" and {more} more") } else { String::new() };
            format!("not everything could be calculated: {why} ({}{further})", place(at))
        }
        Basis::Assumed(data) => format!("assumed data of the part: {}", data.join(", ")),
    }
}

fn against_agreed(quantity: &Quantity, cell: &Cell, agreed: &Limit) -> String {
    let Some(change) = &cell.change else { return String::new() };
    let said = match &change.value {
        Value::Number(number) => say_change(quantity, *number),
        Value::AtLeast(number) => format!("at least {}", say_change(quantity, *number)),
        Value::AtMost(number) => format!("at most {}", say_change(quantity, *number)),
        Value::NotComputed(_) => {
            let sign = if change.difference > 0.0 { "+" } else { "" };
            let difference = format!("{sign}{}", say(change.difference, quantity.unit));
            let at = place(&change.place);
            return format!("{}: {difference} against the original, which has next to none ({at})", quantity.label);
        }
    };
    format!(
        "{}: {said} against the original, {} the {} {} ({})",
        quantity.label,
        if cell.relative == Judgement::Fail { "more than" } else { "which cannot be told from" },
        if agreed.stated { "agreed" } else { "default" },
        say_change(quantity, agreed.value.abs()).trim_start_matches('+'),
        place(&change.place)
    )
}

fn against_limit(quantity: &Quantity, cell: &Cell, limit: &Limit, shared: bool) -> String {
    let (value, at) = (say_value(&cell.value, quantity.unit), place(&cell.place));
    let bound = say(limit.value, quantity.unit);
    let failing = if shared { "; already failing with the original" } else { "" };
    let relation = match (&cell.value, cell.absolute, limit.side) {
        (Value::Number(_), Judgement::Inconclusive, _) => {
            let flag = if shared { "; the same with the original" } else { "" };
            let doubt = say_uncertainty(quantity, cell.uncertainty);
            return format!(
                "{}: {value} with an uncertainty of {doubt} cannot be told from the limit of {bound} ({at}){flag}",
                quantity.label
            );
        }
        (Value::Number(_), _, Side::AtLeast) => "is below",
        (Value::Number(_), _, _) => "is past",
        _ => {
            let what = if limit.stated { "limit" } else { "default" };
            return format!("{}: {value}, where the {what} is {bound} ({at}){failing}", quantity.label);
        }
    };
    let what = if limit.stated { "its limit" } else { "the default" };
    format!("{}: {value} {relation} {what} of {bound} ({at}){failing}", quantity.label)
}

/// A default limit that the original breaks as well.
pub(crate) fn broken_default(case: &Case, rows: &[Row], part: usize, quantity: &Quantity) -> Option<String> {
    let row = row_of(rows, quantity)?;
    let (original, cell) = (row.cells[0].as_ref()?, row.cells[part].as_ref()?);
    let sentence = against_limit(quantity, cell, &(quantity.limit)(case, &case.parts[part])?, false);
    let original = say_value(&original.value, quantity.unit);
    Some(format!("{sentence}; so is the original with {original}: no yardstick for this board"))
}

/// For a part without findings: which limit is nearest.
pub(crate) fn nearest(rows: &[Row], verdict: &Verdict) -> String {
    let nearest = verdict.nearest.and_then(|(quantity, share)| {
        let cell = row_of(rows, quantity)?.cells[verdict.part].as_ref()?;
        let (label, used, at) = (quantity.label, 100.0 * share, place(&cell.place));
        Some(format!("every limit is met; nearest to its limit: {label}, {used:.0} % of it ({at})"))
    });
    nearest.unwrap_or_else(|| "no limit is stated that could be broken".into())
}

/// Whether, and where best, the bench sees that the part was changed.
pub(crate) fn seen(rows: &[Row], verdict: &Verdict) -> String {
    let best = verdict.seen.first().and_then(|quantity| {
        let change = row_of(rows, quantity)?.cells[verdict.part].as_ref()?.change.as_ref()?;
        Some((quantity, change, change.value.number()?, change.in_resolutions?))
    });
    let Some((quantity, change, size, times)) = best else {
        return "the stated bench would not see a difference from the original in any of these quantities".into();
    };
    let readable = |row: &&Row| row.cells[verdict.part].as_ref().is_some_and(|cell| cell.bench_sees().is_some());
    format!(
        "the bench would see the change best in: {} {} ({}), about {times:.0} times what it resolves; {} of {} quantities differ visibly",
        quantity.label,
        say_change(quantity, size),
        place(&change.place),
        verdict.seen.len(),
        rows.iter().filter(readable).count()
    )
}

/// Method and numerical settings.
pub(crate) fn method(case: &Case, load_error: f64) -> Vec<String> {
    let mut lines = vec![
        "Switched model, propagated exactly between switching instants; steady states by Newton's method on the period map.".to_string(),
        format!(
            "Saturation curve by flux linkage, piecewise linear with a current error of at most {}.",
            say(case.numerics.saturation_error_a, "A")
        ),
        "Corners: nominal; low L, worn (least inductance, largest winding resistance and core loss, aged capacitors); high L, worn (most inductance, the rest the same).".to_string(),
        format!(
            "Load step: worst of {} starts within the switching period, at the winding temperature of the upper level.",
            case.board.procedure.step_phases
        ),
        "Winding temperature: fixed point of loss and thermal resistance at each steady state.".to_string(),
        format!("Recovery band: {:.1} % of the output voltage around the final mean.", 100.0 * case.limits.recovery_band),
    ];
    lines.push(format!(
        "Instrument at the output: first-order low-pass of {}.",
        say(case.board.procedure.instrument_hz, "Hz")
    ));
    if load_error > 0.0 {
        lines.push(format!("Constant-power load: linearised in cells of the output voltage, current error at most {load_error:.1e} of its value."));
    }
    lines
}

/// Names of the equations behind the numbers, as docs/physics.md lists them.
pub(crate) const EQUATIONS: &[&str] = &[
    "power stage",
    "capacitor bank",
    "load",
    "flux linkage",
    "op-amp compensator",
    "transconductance compensator",
    "switching sequence",
    "exact propagation",
    "event location",
    "period map",
    "loop gain",
    "synthesised compensator",
    "energy book",
    "steady-state quantities",
    "load step",
    "limit overshoot",
    "slope margin",
    "start",
    "input step",
    "overload",
    "short circuit",
    "light load",
    "copper-resistance",
    "copper-dc",
    "copper-ac",
    "copper-ac-ratio",
    "core-igse",
    "core-kappa",
    "switch-conduction",
    "switch-diode",
    "switch-transition",
    "switch-recovery",
    "switch-gate",
    "switch-output-capacitance",
    "capacitor-esr",
    "capacitor-share",
    "thermal-settle",
    "decision rule",
    "bench plan",
];

/// Cautions that go with every result.
pub(crate) const CAUTIONS: &[&str] = &[
    "A prediction supports a qualified person; it replaces neither the bench test, nor the maker's data, nor a qualification standard.",
    "Local codes and licensed practice come first; in regulated sectors their own qualification and change procedures rule.",
    "Energised boards: above 60 V d.c., or where anything is derived from the mains, work only with isolation, insulated probes and a second person.",
    "Capacitors stay charged after switching off: wait, measure, discharge through a resistor before rework.",
    "Inductors and switches can exceed 100 °C; overload and short-circuit tests can eject parts: eye protection, screen, limited supply.",
    "Rework: hot air and flux fume; extract at the joint, protect eyes, keep combustibles away.",
];
