//! Sentences: every word that a result says is made here.

use crate::condition;
use crate::condition::DATA_SHEET;
use crate::condition::figures::{Datum, Figures, Note, OffAim, PartFigures, Place, Value, Why};
use crate::corridor::tipping::{Tipping, Within};
use crate::judge::finding::{self, Asked, Finding};
use crate::judge::requirement::Requirement;
use crate::judge::{AcceptedChange, Outcome, State, Verdict};
use crate::model::board::{Compensator, LoadProfile, LoadStep};
use crate::model::case::Case;
use crate::model::corner::NOMINAL;
use crate::quantity::{ChangeKind, Quantity, Side};
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
pub(crate) fn kind(case: &Case, place: &Place) -> String {
    match place.condition {
        name if condition::find(name).is_some_and(|condition| condition.is_data()) => "data".into(),
        name if place.load > 0 => format!("{name} {}", load_name(case, place.load)),
        name if place.prebias_v > 0.0 => format!("{name} at {}", say(place.prebias_v, "V")),
        name => name.into(),
    }
}

/// The name of a load step or profile by its number.
fn load_name(case: &Case, load: usize) -> &str {
    case.board.named(load).map_or("", |named| &named.name)
}

/// A place in words.
pub(crate) fn place(case: &Case, place: &Place) -> String {
    place_of(&kind(case, place), &place.corner.name(), place.input_v, place.load_a)
}

/// A place in words, from what the record has of it.
pub(crate) fn place_of(condition: &str, corner: &str, input_v: Option<f64>, load_a: Option<f64>) -> String {
    if condition == "data" {
        // Of the data sheet there is nothing to say; a rule of data has its own conditions in its name.
        return if corner == DATA_SHEET.name() { String::new() } else { corner.into() };
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
    format!("{} in, {}, {NOMINAL}", say(case.board.nominal_input_v, "V"), step_levels(step))
}

/// Levels and slews of a load step, and how often it comes.
pub(crate) fn step_levels(step: &LoadStep) -> String {
    let [from, to] = [step.from_a, step.to_a].map(|level_a| say(level_a, "A"));
    let [rise, fall] = [step.slew_a_per_s, step.release_a_per_s].map(|slew| say(slew, "A/s"));
    let slews = if rise == fall { format!("and back at {rise}") } else { format!("at {rise} and back at {fall}") };
    let again = step.every_s.map_or_else(String::new, |every_s| format!(", {} times a second", say(1.0 / every_s, "")));
    format!("{from} to {to} {slews}{again}")
}

/// What a load profile does.
pub(crate) fn profile_levels(profile: &LoadProfile) -> String {
    let (least_a, most_a) = profile.levels_a();
    let [least, most] = [least_a, most_a].map(|level_a| say(level_a, "A"));
    format!("{least} to {most}, {} points within {}", profile.points.len(), say(profile.duration_s(), "s"))
}

/// A condition of the cross-check.
pub(crate) fn checked(case: &Case, condition: &str, load: usize) -> String {
    match (condition, case.board.step(load)) {
        ("steady", _) => at_load(case, case.board.full_load_a()),
        _ if load > 0 => {
            let (name, input) = (load_name(case, load), say(case.board.nominal_input_v, "V"));
            format!("{condition} {name}, {input} in, {NOMINAL}")
        }
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
        Note::NotBackAfterDropout { within_s } => {
            format!("the output does not stay in its band within {} after the return of the input", say(*within_s, "s"))
        }
        Note::ReturnPauses => "the return of the input trips the limit for so long that it pauses".into(),
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
    format!("the output misses its target by {:.1} %: {why}", 100.0 * share)
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
pub(crate) fn part_notes(case: &Case, parts: &[PartFigures], part: usize) -> Vec<String> {
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
        1 => format!("{} ({})", note(found), place(case, &figures.place)),
        _ => format!("{} ({} and {} more)", note(found), place(case, &figures.place), count - 1),
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

/// Share of the output power that the losses at full load take in no converter that anybody would ship (common practice).
const LOSSES_TAKE: f64 = 0.3;

/// Parts with which the losses at full load are out of all proportion, in the nominal corner at the nominal input.
pub(crate) fn doubtful_losses(case: &Case, parts: &[PartFigures]) -> Vec<String> {
    let output_w = case.board.output_v * case.board.full_load_a();
    let place = |figures: &&Figures| {
        let Place { condition, corner, input_v, load_a, .. } = figures.place;
        let nominal = input_v == Some(case.board.nominal_input_v) && load_a == Some(case.board.full_load_a());
        condition == "steady" && corner == NOMINAL && nominal
    };
    let doubtful = |part: &PartFigures| {
        let loss_w = part.results.iter().find(place)?.number("total_loss")?;
        let at = case.places.get(&part.name).map_or_else(String::new, |place| format!("{place}: "));
        (loss_w > LOSSES_TAKE * output_w).then(|| {
            format!(
                "{at}{}: the losses at full load are {}, {:.0} % of the output power, usual is at most {:.0} %; a resistance, \
                 a core loss or a load may have a wrong prefix",
                part.name,
                say(loss_w, "W"),
                100.0 * loss_w / output_w,
                100.0 * LOSSES_TAKE
            )
        })
    };
    parts.iter().filter_map(doubtful).collect()
}

/// What a closer look leaves open because it would take too long.
pub fn left_out(runs: u64) -> String {
    let what = if runs == 1 { "run is" } else { "runs are" };
    format!(
        "{runs} {what} left out: this board takes long to simulate. The checks that need them stay open. Fewer parts, input voltages or conditions at a time leave room for them"
    )
}

/// What stands above the outcomes of a quick look.
pub(crate) const QUICK: &str =
    "quick look: every datum as shown, nothing of what is not known is tried; no outcome here is one to sign";

/// What a check is called: the quantity, or what is asked of it where that is another thing.
pub(crate) fn label(case: &Case, finding: &Finding) -> String {
    let label = label_of(finding);
    finding.load().map_or(label.clone(), |load| format!("{label}, {}", load_name(case, load)))
}

fn label_of(finding: &Finding) -> String {
    match &finding.asked {
        Asked::Change(_) => format!("{}, agreed change", finding.quantity.label),
        Asked::Requirement(asked) => match asked.id {
            "pulse_rating" => format!("{}, switches", finding.quantity.label),
            "winding_rating" => format!("{}, part's own rating", finding.quantity.label),
            "ageing" => format!("{}, ageing of iron powder", finding.quantity.label),
            "thermal_balance" => "Balance of losses and temperature".into(),
            "starts" => "Board starts".into(),
            _ if asked.house_key().is_some() => format!("{}, house rule", finding.quantity.label),
            _ => finding.quantity.label.into(),
        },
    }
}

/// What is not asked; house rules are one matter where the case names none.
pub(crate) fn not_asked(case: &Case, verdict: &Verdict) -> Vec<String> {
    let told = |asked: &&&Requirement| case.rules.is_some() || asked.house_key().is_none();
    let mut all: Vec<String> = verdict.not_asked.iter().filter(told).map(|asked| requirement(asked.id)).collect();
    if case.rules.is_none() {
        all.push("house rules".into());
    }
    all
}

/// A requirement by its identifier, in words.
pub(crate) fn requirement(id: &str) -> String {
    id.replace('_', " ")
}

/// What stands above the outcomes where only some conditions are looked at.
pub(crate) fn only(conditions: &[&str]) -> String {
    let were = if conditions.len() == 1 { "was" } else { "were" };
    format!("only {} {were} looked at: all else is not asked, and no part passes", conditions.join(", "))
}

/// What to do where all is well that was looked at.
pub(crate) const LOOK_AT_ALL: &str = "look at all conditions before you decide";

/// Whether a part meets every check that is asked, while others are not asked.
pub(crate) fn is_all_met_in_part(case: &Case, verdict: &Verdict) -> bool {
    let met = verdict.findings.iter().all(|finding| finding.outcome <= Outcome::NoWorse);
    case.only_conditions.is_some() && verdict.part > 0 && met
}

/// What decides, in one sentence: value, uncertainty, ends, limit.
pub(crate) fn decision(case: &Case, verdict: &Verdict) -> String {
    let Some(finding) = verdict.deciding() else { return "nothing is asked of this part".into() };
    let said = said(case, finding);
    if is_all_met_in_part(case, verdict) {
        let count = verdict.findings.len();
        let met = verdict.findings.iter().all(|finding| finding.outcome == Outcome::Pass);
        let well = if met { "met" } else { "met or no worse than the original" };
        return format!("not asked in full; {count} checks were looked at and are {well}; closest: {}", lower(&said));
    }
    match (finding.outcome, verdict.part) {
        (Outcome::Pass, _) => format!("meets every check; closest: {}", lower(&said)),
        (Outcome::NoWorse, part) if part > 0 => format!("{said}; no worse than the original"),
        _ => said,
    }
}

/// A finding without its condition.
pub(crate) fn said(case: &Case, finding: &Finding) -> String {
    let quantity = finding.quantity;
    let label = label(case, finding);
    let number = |spread: &finding::Spread| {
        let ends = spread.ends.filter(|(low, high)| (high - low).abs() > spread.uncertainty).map(|ends| {
            let (low, high) = (rounded(ends.0), rounded(ends.1));
            format!(" ({} to {} with assumed data)", say(low, quantity.unit), say(high, quantity.unit))
        });
        format!("{}{}", with_doubt(quantity, &spread.value, spread.uncertainty), ends.unwrap_or_default())
    };
    if let Value::NotComputed(why) = &finding.value.value {
        return format!("{label}: {why}");
    }
    let value = number(&finding.value);
    match (&finding.asked, finding.limit, &finding.original) {
        (Asked::Change(agreed), _, Some(original)) => format!(
            "{label}: {} against {} of the original, agreed {}",
            say_value(&finding.value.value, quantity.unit),
            say_value(&original.value, quantity.unit),
            say_change(quantity, agreed.change).trim_start_matches('+')
        ),
        (_, Some(limit), _) if finding.stands_in => {
            format!("{label} {value}, the original's own {}", say(limit.value, quantity.unit))
        }
        (_, Some(limit), _) => {
            let word = if limit.side == Side::AtLeast { "at least" } else { "limit" };
            let source = finding.source.as_ref().map_or_else(String::new, |source| format!(" ({source})"));
            format!("{label} {value}, {word} {}{source}", say(limit.value, quantity.unit))
        }
        _ => format!("{label} {value}"),
    }
}

/// A value with its uncertainty, both with one prefix: "7.29 ± 0.22 A".
fn with_doubt(quantity: &Quantity, value: &Value, uncertainty: f64) -> String {
    let Value::Number(number) = value else { return say_value(value, quantity.unit) };
    // A count is a count.
    if uncertainty <= 0.0 || quantity.unit.is_empty() {
        return say(*number, quantity.unit);
    }
    match (quantity.unit, quantity.change_kind) {
        ("degC" | "deg" | "dB" | "fraction" | "", _) => {
            format!("{} ± {}", say(*number, quantity.unit), say_uncertainty(quantity, uncertainty))
        }
        _ => {
            let text = units::format_si(*number, quantity.unit, 3);
            let (shown, unit) = text.split_once(' ').unwrap_or((&text, ""));
            let decimals = shown.split_once('.').map_or(0, |(_, decimals)| decimals.len());
            let prefix = number / shown.parse::<f64>().unwrap_or(*number);
            format!("{shown} ± {:.decimals$} {unit}", uncertainty / prefix)
        }
    }
}

/// The condition of a finding, in words.
pub(crate) fn condition(case: &Case, finding: &Finding) -> String {
    let at = place(case, &finding.place);
    match finding.winding_degc.filter(|_| finding.quantity.unit != "degC" && !at.is_empty()) {
        Some(degc) => format!("{at}, winding {degc:.0} °C"),
        None => at,
    }
}

/// Within which part of the range a part would pass.
pub(crate) fn within(outcome: Outcome, within: &[Within]) -> String {
    if outcome <= Outcome::NoWorse || within.is_empty() {
        return String::new();
    }
    let each = within.iter().map(|within| match within {
        Within::Ambient(degc) => format!("up to {degc:.0} °C ambient"),
        Within::Load(load_a) => format!("up to {}", say_round(*load_a, "A")),
        Within::InputFrom(input_v) => format!("from {} input", say_round(*input_v, "V")),
        Within::InputUpTo(input_v) => format!("up to {} input", say_round(*input_v, "V")),
    });
    format!("would pass {}", each.collect::<Vec<_>>().join(", or "))
}

/// Two significant digits are enough for the edge of a range.
fn say_round(value: f64, unit: &str) -> String {
    units::format_si(value, unit, 2)
}

/// Three significant digits of a number.
pub(crate) fn rounded(value: f64) -> f64 {
    format!("{value:.2e}").parse().unwrap_or(value)
}

/// A datum, and whose it is.
fn whose(datum: &Datum) -> String {
    format!("{} {}", if datum.of_part { "this part's" } else { "the board's" }, datum.rule.label)
}

/// A value of a datum in its unit.
fn say_datum(datum: &Datum, value: f64) -> String {
    units::show(value, datum.rule.unit)
}

/// What to do where the original's own value stands in for a limit that nobody states.
const STATE_IT: &str = "look what the board itself allows and state it: the original's own value stands in";

/// What to do next.
pub(crate) fn next(case: &Case, verdict: &Verdict, tipping: &Tipping) -> String {
    let Some(finding) = verdict.deciding() else { return String::new() };
    let tip = || {
        tipping.datum.map(|tip| {
            let (datum, ask) = (whose(&tip.datum), tip.datum.rule.ask);
            if tip.datum.rule.is_feature {
                let with = if tip.met_below { "without" } else { "with" };
                return format!("decides whether there is {datum}; passes {with} it; {ask}");
            }
            let side = if tip.met_below { "below" } else { "above" };
            format!("decides: {datum}; passes with it {side} {}; {ask}", say_datum(&tip.datum, rounded(tip.value)))
        })
    };
    let datum = || {
        finding.decides.map(|(datum, low, high)| {
            let unit = finding.quantity.unit;
            let (low, high) = (say(low.min(high), unit), say(low.max(high), unit));
            format!("decides: {}, which moves the value from {low} to {high}; {}", whose(&datum), datum.rule.ask)
        })
    };
    let budget = || {
        let largest = finding.budget.first()?;
        Some(format!(
            "largest doubt: {}, now {}; {}",
            whose(&largest.datum),
            say_datum(&largest.datum, largest.datum.shown),
            largest.datum.rule.ask
        ))
    };
    match (finding.outcome, verdict.part) {
        (Outcome::Pass, 0) => String::new(),
        (Outcome::Pass, _) => match verdict.seen.first() {
            Some((quantity, at, _)) => {
                format!("solder it and measure {} at {}", lower(quantity.label), place(case, at))
            }
            None => "solder it; the stated bench sees no difference from the original".into(),
        },
        (_, 0) => datum().or_else(budget).unwrap_or_default(),
        (Outcome::NoWorse, _) if finding.original_state == State::Met => {
            datum().or_else(budget).unwrap_or_else(|| "the original meets it with little room".into())
        }
        (Outcome::NoWorse, _) => "the board itself does not show this limit: its owner accepts that, or not".into(),
        (Outcome::Undecided, _) => {
            let stated = || finding.stands_in.then(|| STATE_IT.to_string());
            let read = || "a reading at the bench decides".into();
            if finding.value.value == Value::NotComputed(Why::NotStated) {
                return "take it from the data sheet of the part and state it".into();
            }
            tip().or_else(datum).or_else(budget).or_else(stated).unwrap_or_else(read)
        }
        (Outcome::Fail, _) => needs(case, finding),
    }
}

/// A label within a sentence; one that begins with an abbreviation stays as it is.
pub(crate) fn lower(label: &str) -> String {
    if label.chars().nth(1).is_some_and(char::is_uppercase) {
        return label.into();
    }
    let mut chars = label.chars();
    chars.next().map_or_else(String::new, |first| first.to_lowercase().chain(chars).collect())
}

/// What a part would need.
fn needs(case: &Case, finding: &Finding) -> String {
    let Some(limit) = finding.limit.filter(|_| finding.value.value.number().is_some()) else {
        return String::new();
    };
    let room = finding.value.uncertainty;
    let (word, value) = match limit.side {
        Side::AtLeast => ("at least", limit.value + room),
        _ => ("at most", limit.value - room),
    };
    let here = if place(case, &finding.place).is_empty() { "" } else { " here" };
    format!("needs {word} {}{here}", say(value, finding.quantity.unit))
}

/// A change to accept.
pub(crate) fn accepted(case: &Case, change: &AcceptedChange) -> String {
    let unit = change.quantity.unit;
    format!(
        "{} {} to {} ({})",
        change.quantity.label,
        say(change.original, unit),
        say(change.value, unit),
        place(case, &change.place)
    )
}

/// Whether, and where best, the bench sees that the part was changed.
pub(crate) fn seen(case: &Case, verdict: &Verdict) -> String {
    let Some((quantity, at, times)) = verdict.seen.first() else {
        return "the stated bench sees no difference from the original".into();
    };
    format!(
        "the bench sees the change best in {} ({}): {times:.0} times what it resolves",
        lower(quantity.label),
        place(case, at)
    )
}

/// Method and numerical settings.
pub(crate) fn method(case: &Case, load_error: f64) -> Vec<String> {
    let mut lines = vec![
        "Switched model, propagated exactly between switching instants; steady states by Newton's method on the period map.".to_string(),
        format!(
            "Saturation curve by flux linkage, piecewise linear with a current error of at most {}, more beyond 1.5 times the full load.",
            say(case.numerics.saturation_error_a, "A")
        ),
        "Corners: nominal; low L, aged (least inductance, largest winding resistance and core loss, aged capacitors); high L, aged (most inductance, the rest the same).".to_string(),
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
    "load profile",
    "limit overshoot",
    "slope margin",
    "start",
    "input step",
    "input dropout",
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
    "thermal-soak",
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
