//! From values to the board: current limit, start and what may befall the board, with the checks that go with them.

use super::board::TO_BE_FILLED;
use super::walk::{Fault, Values};
use crate::board::*;
use crate::model::case::Origin;
use crate::units::{Dimension, show};

/// Lowest and highest threshold over the typical one where only that is known: as the table of missing data has it.
const LOWEST: f64 = 0.8;
const HIGHEST: f64 = 1.2;

/// Lowest, typical and highest threshold of a limit that is stated as a current, in A. Where the lowest is not stated it is the typical
/// one here: nothing is refused for a number that the case does not hold.
pub fn current_limit_a(v: &Values) -> Option<(f64, f64, f64)> {
    let at = |name: &str| v.number(&format!("control.current_limit.{name}"));
    let typical = at("typical")?;
    Some((at("lowest").unwrap_or(typical), typical, at("highest").unwrap_or(HIGHEST * typical)))
}

const KIND: &str = "control.current_limit.kind";
const WITHOUT: &str = "control.without";

/// Whether the case states a limit, and not that there is none.
fn has_limit(v: &Values) -> bool {
    v.count("control.current_limit") == 1 && v.text(KIND) != Some("none")
}

/// What protects the stage and how it starts.
pub fn build(v: &mut Values) -> Option<Protection> {
    let current_limit = if has_limit(v) { Some(current_limit(v)?) } else { None };
    let at = |name: &str| v.number(&format!("control.{name}"));
    let foldback = at("foldback.below").zip(at("foldback.divisor"));
    Some(Protection {
        current_limit,
        is_unlimited: v.text(KIND) == Some("none"),
        soft_start_s: at("soft_start").unwrap_or(TO_BE_FILLED),
        foldback: foldback.map(|(below, divisor)| Foldback { below, divisor: divisor as u64 }),
        skip_below_a: at("modulator.skip_below").unwrap_or(0.0),
        unanswered: unanswered(v),
    })
}

fn current_limit(v: &mut Values) -> Option<CurrentLimit> {
    let path = |name: &str| format!("control.current_limit.{name}");
    let kind = v.text(&path("kind"))?.to_string();
    let ending = if kind == "winding" { "_voltage" } else { "" };
    let typical = v.number(&path(&format!("typical{ending}")))?;
    let at = |name: &str| v.number(&path(name));
    let level = |name: &str, share: f64| at(&format!("{name}{ending}")).unwrap_or(share * typical);
    let hiccup = at("hiccup_cycles").zip(at("hiccup_pause"));
    Some(CurrentLimit {
        sense: match kind.as_str() {
            "valley" => LimitSense::Valley,
            "winding" => LimitSense::Winding { r_ohm: at("sense_resistance")?, c_f: at("sense_capacitance")? },
            _ => LimitSense::Peak { falls_with_slope: v.flag(&path("falls_with_slope")).unwrap_or(false) },
        },
        threshold: (level("lowest", LOWEST), typical, level("highest", HIGHEST)),
        delay_s: at("delay").unwrap_or(TO_BE_FILLED),
        inhibit_a: at("inhibit"),
        hiccup: hiccup.map(|(cycles, pause_s)| Hiccup { cycles: cycles as u64, pause_s }),
    })
}

/// Conditions beyond steady states and load step.
pub fn events(v: &mut Values) -> Option<Events> {
    let has = |v: &Values, path: &str| v.count(path) == 1;
    let start = has(v, "start").then(|| Start { prebias_v: v.numbers("start.prebias").unwrap_or(&[]).to_vec() });
    Some(Events {
        start,
        input_step: if has(v, "input.step") { Some(input_step(v)?) } else { None },
        input_dropout: if has(v, "input.dropout") { Some(input_dropout(v)?) } else { None },
        overload: if has(v, "load.overload") { Some(overload(v)?) } else { None },
        short: if has(v, "load.short") { Some(short(v)?) } else { None },
        light_load_a: v.number("load.lightest"),
    })
}

fn overload(v: &Values) -> Option<Overload> {
    let at = |name: &str| v.number(&format!("load.overload.{name}"));
    let winding_degc = (at("coldest_winding")?, at("hottest_winding")?);
    Some(Overload { slew_a_per_s: at("slew")?, winding_degc })
}

fn short(v: &Values) -> Option<ShortCircuit> {
    let at = |name: &str| v.number(&format!("load.short.{name}"));
    Some(ShortCircuit { ohm: at("resistance")?, henry: at("inductance")?, hold_s: at("hold")? })
}

fn input_step(v: &mut Values) -> Option<InputStep> {
    let at = |name: &str| v.number(&format!("input.step.{name}"));
    let (from_v, to_v, slew_v_per_s) = (at("from")?, at("to")?, at("slew")?);
    let load_a = at("load").or(v.numbers("load.currents").and_then(|all| all.last().copied()))?;
    let hold_s = at("hold").or_else(|| derived_hold_s(v, "input.step.hold"))?;
    Some(InputStep { from_v, to_v, slew_v_per_s, load_a, hold_s })
}

fn input_dropout(v: &Values) -> Option<InputDropout> {
    let at = |name: &str| v.number(&format!("input.dropout.{name}"));
    Some(InputDropout {
        from_v: at("from").or(v.number("input.nominal"))?,
        to_v: at("to")?,
        fall_s: at("fall")?,
        hold_s: at("hold")?,
        rise_s: at("rise")?,
        load_a: at("load").or(v.numbers("load.currents").and_then(|all| all.last().copied()))?,
    })
}

/// Time for which a level of a step is held where it is not stated.
pub fn derived_hold_s(v: &mut Values, path: &str) -> Option<f64> {
    let frequency_hz = v.number("stage.frequency")?;
    let least_s = (8.0 * v.number("limits.recovery").unwrap_or(0.0)).max(120.0 / frequency_hz);
    // A rounding error must not add a whole period.
    let hold_s = (least_s * frequency_hz - 1e-6).ceil() / frequency_hz;
    let rule = "the larger of 8 x the recovery limit and 120 switching periods, in whole periods";
    v.assume(path.to_string(), show(hold_s, Dimension::Time), Origin::Assumed, rule);
    Some(hold_s)
}

/// What a controller may have, as `control.without` names it, and the key that states it.
const FEATURES: [(&str, &str); 4] = [
    ("hiccup", "control.current_limit.hiccup_cycles"),
    ("inhibit", "control.current_limit.inhibit"),
    ("foldback", "control.foldback.below"),
    ("skipping", "control.modulator.skip_below"),
];

/// What nobody says the controller has or has not.
fn unanswered(v: &Values) -> Unanswered {
    let [hiccup, inhibit, foldback, skipping] =
        FEATURES.map(|(name, key)| v.number(key).is_none() && !is_without(v, name));
    Unanswered { hiccup, inhibit, foldback, skipping }
}

fn is_without(v: &Values, feature: &str) -> bool {
    v.texts(WITHOUT).is_some_and(|all| all.iter().any(|name| name.text == feature))
}

/// Names what there is, and nothing that is stated besides.
fn check_without(v: &Values, fault: &mut Fault<'_>) {
    let named = v.texts(WITHOUT).unwrap_or_default();
    if named.iter().any(|name| FEATURES.iter().all(|(feature, _)| *feature != name.text)) {
        fault(WITHOUT, format!("some of {}", FEATURES.map(|(name, _)| name).join(", ")), "");
    }
    for (feature, key) in FEATURES.iter().filter(|(feature, key)| is_without(v, feature) && v.number(key).is_some()) {
        fault(WITHOUT, format!("no {feature:?}, since {key} is stated"), "leave out one of the two");
    }
}

/// Checks across keys.
pub fn check(v: &Values, fault: &mut Fault<'_>) {
    check_without(v, fault);
    check_kind(v, fault);
    check_thresholds(v, fault);
    check_events(v, fault);
    check_dropout(v, fault);
    check_start(v, fault);
}

/// Whether the control can act on what the limit looks at.
fn check_kind(v: &Values, fault: &mut Fault<'_>) {
    let (Some(modulator), Some(kind)) = (v.text("control.modulator.kind"), v.text("control.current_limit.kind")) else {
        return;
    };
    let fixed_time = modulator == "constant-on-time";
    if kind == "none" {
        return;
    }
    if fixed_time && kind != "valley" {
        let hint = "a conduction of fixed time is not cut short; the limit holds the next turn-on back";
        fault("control.current_limit.kind", "valley with constant on-time".into(), hint);
    }
    if !fixed_time && kind == "valley" {
        let hint = "with a clock the key is inhibit, beside a limit of kind peak or winding";
        fault("control.current_limit.kind", format!("peak or winding with {modulator}"), hint);
    }
    let clocked = !fixed_time && modulator != "hysteretic";
    if !clocked && v.number("control.current_limit.inhibit").is_some() {
        fault("control.current_limit.inhibit", format!("no such key with {modulator}"), "it acts at clock edges");
    }
    if !clocked && v.count("control.foldback") == 1 {
        fault("control.foldback", format!("no such table with {modulator}"), "it leaves clock edges out");
    }
    if v.flag("control.current_limit.falls_with_slope") == Some(true) && modulator != "peak-current" {
        let hint = "only peak current mode has a slope compensation";
        fault("control.current_limit.falls_with_slope", format!("false with {modulator}"), hint);
    }
}

fn check_thresholds(v: &Values, fault: &mut Fault<'_>) {
    let at = |name: &str| v.number(&format!("control.current_limit.{name}"));
    for (ending, dimension) in [("", Dimension::Current), ("_voltage", Dimension::Voltage)] {
        let level = |name: &str| at(&format!("{name}{ending}"));
        let Some(typical) = level("typical") else { continue };
        let (lowest, highest) = (level("lowest").unwrap_or(typical), level("highest").unwrap_or(typical));
        if !(lowest <= typical && typical <= highest) {
            let hint =
                format!("now {}, {}, {}", show(lowest, dimension), show(typical, dimension), show(highest, dimension));
            let key = format!("control.current_limit.typical{ending}");
            fault(
                &key,
                "lowest <= typical <= highest".into(),
                &format!("check the order of the three thresholds: {hint}"),
            );
        }
    }
    let given = |name: &str| at(name).is_some() || v.spoilt(&format!("control.current_limit.{name}"));
    if given("hiccup_cycles") != given("hiccup_pause") {
        let expected = "hiccup_cycles and hiccup_pause together".into();
        fault(
            "control.current_limit.hiccup_cycles",
            expected,
            "where the limit never pauses, control.without = [\"hiccup\"]",
        );
    }
    let Some(full_a) = v.numbers("load.currents").and_then(|all| all.last().copied()) else { return };
    for (key, level_a) in [("lowest", current_limit_a(v).map(|limit| limit.0)), ("inhibit", at("inhibit"))] {
        if level_a.is_some_and(|level_a| level_a <= full_a) {
            let expected = format!("above the full load of {}", show(full_a, Dimension::Current));
            fault(&format!("control.current_limit.{key}"), expected, "the board could not deliver its load");
        }
    }
}

fn check_events(v: &Values, fault: &mut Fault<'_>) {
    let volt = |x| show(x, Dimension::Voltage);
    let step = |name: &str| v.number(&format!("input.step.{name}"));
    if let Some(input_v) = v.numbers("input.voltages") {
        let (lowest_v, highest_v) = (input_v[0], input_v[input_v.len() - 1]);
        for name in ["from", "to"] {
            if step(name).is_some_and(|at_v| !(lowest_v..=highest_v).contains(&at_v)) {
                let expected = format!("between {} and {}", volt(lowest_v), volt(highest_v));
                fault(&format!("input.step.{name}"), expected, "the range that input.voltages covers");
            }
        }
    }
    if let (Some(from_v), Some(to_v)) = (step("from"), step("to"))
        && from_v == to_v
    {
        fault("input.step.to", format!("another voltage than from = {}", volt(from_v)), "a step goes somewhere");
    }
    let overload = |name: &str| v.number(&format!("load.overload.{name}"));
    if let (Some(cold), Some(hot)) = (overload("coldest_winding"), overload("hottest_winding"))
        && cold >= hot
    {
        let expected = format!("above coldest_winding = {}", show(cold, Dimension::Temperature));
        fault("load.overload.hottest_winding", expected, "");
    }
    for (table, path) in [("load.overload", "load.overload"), ("load.short", "load.short")] {
        if v.count(path) == 1 && !has_limit(v) {
            fault(table, "a [control.current_limit] on the board".into(), "without a limit nothing ends it");
        }
    }
    let (lightest_a, loads) = (v.number("load.lightest"), v.numbers("load.currents"));
    if let (Some(lightest_a), Some(loads)) = (lightest_a, loads)
        && lightest_a >= loads[loads.len() - 1]
    {
        let full = show(loads[loads.len() - 1], Dimension::Current);
        fault("load.lightest", format!("below the full load of {full}"), "it is the end of a sweep towards light load");
    }
    if let (Some(lowest_a), Some(highest_a)) = (v.number("limits.trip_lowest"), v.number("limits.trip_highest"))
        && lowest_a >= highest_a
    {
        let expected = format!("above trip_lowest = {}", show(lowest_a, Dimension::Current));
        fault("limits.trip_highest", expected, "");
    }
}

fn check_dropout(v: &Values, fault: &mut Fault<'_>) {
    let volt = |x| show(x, Dimension::Voltage);
    let at = |name: &str| v.number(&format!("input.dropout.{name}"));
    if v.count("input.dropout") == 1 && v.text("control.compensator.kind") == Some("open") {
        fault("input.dropout", "a controlled board".into(), "a fixed duty regulates nothing that could be lost");
    }
    let Some(input_v) = v.numbers("input.voltages") else { return };
    let (lowest_v, highest_v) = (input_v[0], input_v[input_v.len() - 1]);
    if at("from").is_some_and(|from_v| !(lowest_v..=highest_v).contains(&from_v)) {
        let expected = format!("between {} and {}", volt(lowest_v), volt(highest_v));
        fault("input.dropout.from", expected, "the range that input.voltages covers");
    }
    if at("to").is_some_and(|to_v| to_v >= lowest_v) {
        let expected = format!("below {}, the lowest of input.voltages", volt(lowest_v));
        fault("input.dropout.to", expected, "what stays within the range is a step: input.step");
    }
}

fn check_start(v: &Values, fault: &mut Fault<'_>) {
    if v.count("start") == 1 && v.text("control.compensator.kind") == Some("open") {
        fault("start", "a controlled board".into(), "a fixed duty has no start of its own");
    }
    if let (Some(prebias_v), Some(output_v)) = (v.numbers("start.prebias"), v.number("output.voltage"))
        && prebias_v.last().is_some_and(|last_v| *last_v >= output_v)
    {
        let expected = format!("below the output voltage of {}", show(output_v, Dimension::Voltage));
        fault("start.prebias", expected, "what is above it nothing brings down");
    }
    if v.number("control.compensator.coupling_capacitance").is_some()
        && v.number("control.compensator.injection_resistance").is_none()
    {
        let expected = "injection_resistance and injection_capacitance beside it".into();
        fault("control.compensator.coupling_capacitance", expected, "the three form one network");
    }
}
