//! How a quantity is read on a bench: probe, settings, what can hurt.
//!
//! All of it is common practice unless a line says otherwise; the numbers follow from the expected values.
//! Definitions: docs/physics.md, "bench plan".

use super::super::layout::{BenchScreen, BenchSetting, BenchSoak};
use super::super::words::say;
use crate::condition::figures::{Figures, Place};
use crate::judge::COVERAGE;
use crate::model::board::LoadStep;
use crate::model::case::Case;
use crate::model::parts::{CoreFamily, Inductor, Shield};
use crate::quantity::{Instrument, Quantity};

/// Divisions of a screen: upwards and sideways (what most oscilloscopes have).
const DIVISIONS: (f64, f64) = (8.0, 10.0);
/// Steps of an 8-bit converter over the height of the screen.
const CONVERTER_STEPS: f64 = 256.0;
/// Samples a second for each hertz of bandwidth: peaks of a sampled trace are then as good as drawn (common practice).
const SAMPLES_PER_HERTZ: f64 = 5.0;
/// Samples a switching period, at the least.
const SAMPLES_PER_PERIOD: f64 = 20.0;
/// Switching periods on the screen: a steady state, one that does not repeat, a load step.
const PERIODS_SHOWN: (f64, f64, f64) = (5.0, 50.0, 40.0);
/// Repetitions of a load step on the screen.
const REPETITIONS_SHOWN: f64 = 4.0;
/// Recoveries and load edges on the screen.
const RECOVERIES_SHOWN: f64 = 3.0;
const EDGES_SHOWN: f64 = 4.0;
/// Bandwidth times rise time from 10 % to 90 % of a single pole (derived: ln 9 / 2 pi).
const BANDWIDTH_RISE: f64 = 0.35;
/// Rise time of a current probe as a share of the shorter flank of the current.
const PROBE_RISE_SHARE: f64 = 0.1;
/// Temperature in degrees Celsius from which a metal surface can burn at a touch (common practice).
const BURNS_DEGC: f64 = 60.0;
/// Direct voltage in V above which open-bench work needs more care (the same as in the cautions of every report).
const SAFE_V: f64 = 60.0;
/// Minutes that a board runs before a reading, so that it is warm throughout (common practice).
pub(super) const WARM_UP_MIN: f64 = 30.0;
/// Inductance of a wire loop in H/m (common practice: 1 nH a millimetre).
const LOOP_H_PER_M: f64 = 1e-6;
/// Share of the inductance from which a probe's loop is to be taken into account.
const LOOP_MATTERS: f64 = 0.02;
/// By how much a moulded body stays below its winding, as a share of the rise (common practice).
const BODY_BELOW_WINDING: f64 = 0.1;
/// Temperature in degrees Celsius at which the resistance of copper would be nothing, with its sign turned (IEC 60028).
const COPPER_ZERO_DEGC: f64 = 234.5;

/// Edges of the load that are tried by chance, where the simulation tries four starts in the period.
const SHOTS: usize = 20;

/// Way in which a quantity is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Method {
    /// Voltage at the output on an oscilloscope.
    Voltage,
    /// Time from the output voltage on an oscilloscope.
    Recovery,
    /// Current probe on the inductor.
    Current,
    /// Electronic load that draws more and more.
    Overload,
    /// Loop analyser.
    Loop,
    /// Counter at the switch node.
    Counter,
    /// Thermometer on the inductor.
    Temperature,
    /// Power meters.
    Efficiency,
}

/// What is to be read where.
pub(crate) struct At<'a> {
    /// Case.
    pub case: &'a Case,
    /// Quantity.
    pub quantity: &'a Quantity,
    /// Expected values in its unit.
    pub values: Vec<f64>,
    /// Conditions in which they stand.
    pub conditions: Vec<&'a Figures>,
    /// Names of the parts.
    pub names: Vec<&'a str>,
    /// Their numbers.
    pub of: Vec<usize>,
    /// The soak.
    pub soak: Option<&'a BenchSoak>,
}

/// Smallest of 1, 2, 5 times a power of ten that is not below a positive value.
pub fn step_125(least: f64) -> f64 {
    let exponent = least.log10().floor() as i32;
    // One decade of rounding: a value that is 2 but for its last digit takes step 2.
    let mantissa = least / 10_f64.powi(exponent) * (1.0 - 1e-9);
    let step = [1.0, 2.0, 5.0, 10.0].into_iter().find(|step| mantissa <= *step).unwrap_or(10.0);
    // Dividing by a whole power of ten is exact where multiplying by its inverse is not.
    if exponent < 0 { step / 10_f64.powi(-exponent) } else { step * 10_f64.powi(exponent) }
}

fn setting(what: &str, setting: impl Into<String>) -> BenchSetting {
    BenchSetting { what: what.into(), setting: setting.into() }
}

impl Method {
    /// The way in which a quantity is read, or why there is none.
    pub(crate) fn of(quantity: &Quantity) -> Result<Method, &'static str> {
        match (quantity.id, quantity.instrument) {
            ("ripple_raw", _) => {
                Err("ringing and pick-up, which the model leaves out, lie on it: read it with a limited bandwidth")
            }
            (_, Instrument::None) => Err("the case states no bench resolution for it"),
            ("trip", _) => Ok(Method::Overload),
            (_, Instrument::Counter) => Ok(Method::Counter),
            (_, Instrument::Voltage) => Ok(Method::Voltage),
            (_, Instrument::Time) => Ok(Method::Recovery),
            (_, Instrument::Current) => Ok(Method::Current),
            (_, Instrument::Analyser) => Ok(Method::Loop),
            (_, Instrument::Temperature) => Ok(Method::Temperature),
            (_, Instrument::Efficiency) => Ok(Method::Efficiency),
        }
    }

    /// Settings in words, in the order in which they are made.
    pub(crate) fn settings(self, at: &At<'_>) -> Vec<BenchSetting> {
        let mut list = match self {
            Method::Voltage if at.is_step() => step_voltage(at),
            Method::Voltage => ripple(at),
            Method::Recovery => recovery(at),
            Method::Current => current(at),
            Method::Overload => overload(at),
            Method::Loop => control_loop(at),
            Method::Counter => counter(at),
            Method::Temperature => temperature(at),
            Method::Efficiency => efficiency(at),
        };
        if let Some(screen) = self.screen(at) {
            list.extend(screen_settings(at, self, &screen));
        }
        list.extend(uneven_cycles(at));
        list
    }

    /// The screen, for what is read from one.
    pub(crate) fn screen(self, at: &At<'_>) -> Option<BenchScreen> {
        let sample_rate_hz = match self {
            Method::Voltage => SAMPLES_PER_HERTZ * at.case.board.procedure.instrument_hz,
            Method::Recovery => SAMPLES_PER_HERTZ / at.case.bench.time_s,
            Method::Current => at.current_sample_rate_hz(),
            _ => return None,
        };
        let sample_rate_hz = sample_rate_hz.max(SAMPLES_PER_PERIOD * at.case.board.frequency_hz);
        let height = at.height();
        if !(height > 0.0 && height.is_finite() && sample_rate_hz.is_finite()) {
            return None;
        }
        let per_division = step_125(height / DIVISIONS.0);
        let time_per_division_s = step_125(at.duration_s() / DIVISIONS.1);
        let sample_rate_hz = step_125(sample_rate_hz);
        Some(BenchScreen {
            per_division,
            fill: height / (DIVISIONS.0 * per_division),
            time_per_division_s,
            sample_rate_hz,
            record_points: (sample_rate_hz * DIVISIONS.1 * time_per_division_s).ceil(),
        })
    }

    /// What can hurt.
    pub(crate) fn cautions(self, at: &At<'_>) -> Vec<String> {
        let mut cautions = vec![];
        let input_v = at.conditions.iter().filter_map(|condition| condition.place.input_v).fold(0.0, f64::max);
        if input_v > SAFE_V {
            cautions.push("above 60 V d.c.: isolation, insulated probes and a second person".to_string());
        }
        let hottest_degc = at.conditions.iter().filter_map(|condition| condition.winding_degc).fold(0.0, f64::max);
        if hottest_degc > BURNS_DEGC {
            cautions.push(format!(
                "the winding reaches about {hottest_degc:.0} °C: do not touch, let it cool before it is changed"
            ));
        }
        cautions.push(match self {
            Method::Current => {
                "lift the inductor and insert the loop with the supply off and the capacitors discharged".into()
            }
            Method::Overload => {
                "an overload can eject parts: eye protection, screen, limited supply; give the parts time to cool"
                    .into()
            }
            Method::Temperature => {
                "the winding is live: insulate a thermocouple from it, or use a meter that runs on a battery".into()
            }
            Method::Efficiency => "connect the meters with the supply off".into(),
            _ => "attach probes with the supply off; the clip of an earthed oscilloscope goes to board ground only"
                .into(),
        });
        cautions
    }
}

impl At<'_> {
    /// The parts that are read.
    fn parts(&self) -> impl Iterator<Item = &Inductor> {
        self.of.iter().filter_map(|index| self.case.parts.get(*index))
    }

    /// Whether the load moves.
    fn is_step(&self) -> bool {
        self.place().is_some_and(|place| ["load step", "load profile"].contains(&place.condition))
    }

    fn place(&self) -> Option<&Place> {
        self.conditions.first().map(|condition| &condition.place)
    }

    /// The load step in which it is read.
    fn step(&self) -> Option<LoadStep> {
        self.place().filter(|_| self.is_step()).and_then(|place| self.case.board.step(place.load))
    }

    fn largest(&self) -> f64 {
        self.values.iter().map(|value| value.abs()).fold(0.0, f64::max)
    }

    /// Largest value of another quantity in the same conditions.
    fn largest_of(&self, id: &str) -> Option<f64> {
        self.conditions.iter().filter_map(|figures| figures.number(id)).reduce(f64::max)
    }

    fn period_s(&self) -> f64 {
        1.0 / self.case.board.frequency_hz
    }

    /// Height of the largest expected trace in V or A.
    fn height(&self) -> f64 {
        match self.quantity.instrument {
            Instrument::Voltage | Instrument::Time if self.is_step() => {
                self.largest_of("window").unwrap_or(self.largest())
            }
            _ => self.largest(),
        }
    }

    /// Time on the screen in s.
    fn duration_s(&self) -> f64 {
        if let Some(profile) = self.place().and_then(|place| self.case.board.profile(place.load)) {
            return profile.duration_s();
        }
        let Some(step) = self.step() else {
            let periods = self.largest_of("periods").unwrap_or(1.0);
            return self.period_s() * (PERIODS_SHOWN.0 * periods).min(PERIODS_SHOWN.1);
        };
        if let Some(every_s) = step.every_s {
            return REPETITIONS_SHOWN * every_s;
        }
        let edge_s = step.rise_s();
        let level_s = edge_s + step.hold_s;
        if ["window", "output_deviation"].contains(&self.quantity.id) {
            return 2.0 * level_s;
        }
        let recovery_s = self.largest_of("recovery").unwrap_or(0.0);
        [RECOVERIES_SHOWN * recovery_s, EDGES_SHOWN * edge_s, PERIODS_SHOWN.2 * self.period_s()]
            .into_iter()
            .fold(0.0, f64::max)
            .min(level_s)
    }

    /// Shorter flank of the inductor current in s.
    fn flank_s(&self) -> Option<f64> {
        let shares = self.conditions.iter().filter_map(|condition| {
            let duty = condition.number("duty")?;
            Some(duty.min(1.0 - duty))
        });
        shares.filter(|share| *share > 0.0).reduce(f64::min).map(|share| share * self.period_s())
    }

    /// Where the corner of a triangle of height A falls between two samples, the higher of them is below it by at most A dt / T,
    /// for any duty: the two flanks in parallel. Top and bottom together stay below half of what is resolved (derived).
    fn current_sample_rate_hz(&self) -> f64 {
        let swing_a = self.largest_of("inductor_ripple").unwrap_or(self.largest());
        let resolved_a = self.quantity.bench_resolution(&self.case.bench, self.largest()).unwrap_or(0.0);
        if resolved_a > 0.0 { 2.0 * swing_a * self.case.board.frequency_hz / (0.5 * resolved_a) } else { 0.0 }
    }
}

fn at_the_capacitor() -> BenchSetting {
    setting(
        "Probe",
        "across an output capacitor, ground spring of at most 10 mm or soldered 50 ohm coax; no ground lead",
    )
}

fn ripple(at: &At<'_>) -> Vec<BenchSetting> {
    vec![
        at_the_capacitor(),
        setting("Input", format!("AC coupling, bandwidth limit {}", at.bandwidth_say())),
        setting("Reading", "peak to peak, parts warm, median of 16 readings, so that noise adds little"),
        setting("Zero", format!("short the probe at its place: what remains must be far below {}", at.resolved_say())),
    ]
}

fn load_edge(at: &At<'_>) -> Vec<BenchSetting> {
    let edge = if at.quantity.id == "rise" { "falling" } else { "rising" };
    let slew = at.step().map_or_else(String::new, |step| {
        format!("; check its slew at the board with a probe: {} expected", say(step.slew_a_per_s, "A/s"))
    });
    vec![
        setting("Trigger", format!("single shot on the {edge} edge of the load current{slew}")),
        setting(
            "Repeat",
            format!(
                "{SHOTS} shots, take the largest: the load does not wait for the clock, and the expected value is the worst start"
            ),
        ),
    ]
}

/// The output over a load step: AC coupling would sag within the held level.
fn step_voltage(at: &At<'_>) -> Vec<BenchSetting> {
    let mut list = vec![
        at_the_capacitor(),
        setting(
            "Input",
            format!(
                "DC coupling with an offset of {}, bandwidth limit {}; AC coupling sags while a level is held",
                say(at.case.board.output_v, "V"),
                at.bandwidth_say()
            ),
        ),
    ];
    list.extend(load_edge(at));
    list
}

fn recovery(at: &At<'_>) -> Vec<BenchSetting> {
    let band_v = at.case.limits.recovery_band * at.case.board.output_v;
    let mut list = step_voltage(at);
    list.push(setting(
        "Reading",
        format!(
            "from the first leaving to the last return into ±{} around the final mean, ripple included",
            say(band_v, "V")
        ),
    ));
    list
}

fn current(at: &At<'_>) -> Vec<BenchSetting> {
    let bandwidth = at.flank_s().map_or_else(String::new, |flank_s| {
        format!(", bandwidth at least {}", say(step_125(BANDWIDTH_RISE / (PROBE_RISE_SHARE * flank_s)), "Hz"))
    });
    let mut list = vec![setting(
        "Probe",
        format!(
            "short wire loop in series on the output (quiet) side of the inductor, current probe{bandwidth}, rated above {}",
            say(at.largest_of("peak_current").unwrap_or(at.largest()), "A")
        ),
    )];
    list.extend(probe_loop(at));
    // The mean of a steady ripple does not matter and would need an offset.
    let coupling = if at.quantity.id == "inductor_ripple" { "AC" } else { "DC" };
    list.push(setting(
        "Input",
        format!("{coupling} coupling; demagnetise and zero the probe before each part, same loop for all"),
    ));
    if at.is_step() {
        list.extend(load_edge(at));
    } else {
        list.push(setting("Trigger", "rising edge of the switch node"));
    }
    list
}

fn overload(at: &At<'_>) -> Vec<BenchSetting> {
    let slew = at.case.board.events.overload.map_or(0.0, |overload| overload.slew_a_per_s);
    let band_v = at.case.limits.recovery_band * at.case.board.output_v;
    vec![
        setting(
            "Load",
            format!("electronic load as a current sink that grows by {} from the full load on", say(slew, "A/s")),
        ),
        setting(
            "Reading",
            format!(
                "load current at which the output leaves ±{} around its mean for good, or the controller pauses",
                say(band_v, "V")
            ),
        ),
        setting(
            "Repeat",
            "three ramps from the same winding temperature; the threshold has a spread of its own, so use one board",
        ),
    ]
}

fn control_loop(at: &At<'_>) -> Vec<BenchSetting> {
    let lowest_hz = at.values.iter().copied().fold(f64::INFINITY, f64::min) / 30.0;
    let highest_hz = (10.0 * at.largest()).min(0.5 * at.case.board.frequency_hz);
    let spacing = COVERAGE * at.case.bench.current;
    let density = if spacing > 0.0 { format!(", {:.0} points a decade or more", 2.3 / spacing) } else { String::new() };
    vec![
        setting("Injection", "transformer across 10 to 50 ohm in series with the top of the feedback divider"),
        setting(
            "Level",
            "small signal: halve it until the crossover moves no more; less around crossover than at low frequency",
        ),
        setting("Sweep", format!("{} to {}{density}", say(lowest_hz, "Hz"), say(highest_hz, "Hz"))),
        setting("Reading", "frequency at which the gain falls through 0 dB, interpolated"),
    ]
}

fn counter(at: &At<'_>) -> Vec<BenchSetting> {
    vec![
        setting("Probe", "10:1 at the switch node, shortest ground"),
        setting("Reading", "frequency counter, trigger at half the input voltage, gate time 1 s, mean of 10 readings"),
        setting("Expect", format!("about {}; jitter shows as a spread of the readings", say(at.largest(), "Hz"))),
    ]
}

/// What the loop adds to the inductance that it is to tell about.
fn probe_loop(at: &At<'_>) -> Option<BenchSetting> {
    let least_h = at.parts().map(|part| part.inductance_h).reduce(f64::min)?;
    let loop_m = at.case.bench.probe_loop_m;
    let loop_h = LOOP_H_PER_M * loop_m;
    let share = loop_h / least_h;
    let what = if share > LOOP_MATTERS { "too much to be left out: shorten it, or correct for it" } else { "little" };
    Some(setting(
        "Loop",
        format!(
            "{} of wire add about {}, {} of the least inductance of these parts, {what} (1 nH/mm, common practice)",
            say(loop_m, "m"),
            say(loop_h, "H"),
            say(share, "fraction")
        ),
    ))
}

fn temperature(at: &At<'_>) -> Vec<BenchSetting> {
    let ambient_degc = at.case.bench.ambient_degc.unwrap_or(at.case.board.ambient_degc);
    let mut list = if at.parts().any(hides_its_winding) { by_resistance(at, ambient_degc) } else { by_sensor() };
    list.push(setting(
        "Soak",
        format!("{:.0} min, and until the reading changes by less than 1 K in 5 min", at.soak_min()),
    ));
    list.extend(at.late());
    list.push(setting("Reading", format!("rise above the air beside the board, plus {}", say(ambient_degc, "degC"))));
    list
}

/// Whether no sensor reaches the winding: moulded in, or closed in by its shield.
fn hides_its_winding(part: &Inductor) -> bool {
    part.core == CoreFamily::Composite || part.class.shield == Some(Shield::Shielded)
}

fn by_sensor() -> Vec<BenchSetting> {
    let how = "thin thermocouple glued to the winding, or infrared on matt black paint; same spot and same air for every part; a \
               surface reads a few kelvin below the winding";
    vec![setting("Sensor", how)]
}

/// The winding as its own thermometer; or the body, and by how much it stays below.
fn by_resistance(at: &At<'_>, ambient_degc: f64) -> Vec<BenchSetting> {
    let offset_k = BODY_BELOW_WINDING * (at.largest() - ambient_degc).max(0.0);
    vec![
        setting(
            "Method",
            format!(
                "the body hides the winding: four-wire resistance of the winding, cold (R1 at T1) and within 5 s after switching off (R2), \
                 drawn back to that instant; T2 = R2/R1 ({COPPER_ZERO_DEGC} + T1) - {COPPER_ZERO_DEGC} in degC (copper, IEC 60028)"
            ),
        ),
        setting(
            "Or",
            format!(
                "thermocouple or infrared on the body, plus a tenth of its rise, up to {} here (common practice); same spot and same air \
                 for every part",
                say(offset_k, "K")
            ),
        ),
    ]
}

fn efficiency(at: &At<'_>) -> Vec<BenchSetting> {
    let load_w = at.conditions.first().and_then(|c| c.place.load_a).unwrap_or(0.0) * at.case.board.output_v;
    let input_w = |efficiency: f64| load_w / efficiency;
    let inputs = || at.values.iter().filter(|value| **value > 0.0).map(|value| input_w(*value));
    let span_w = inputs().fold(0.0, f64::max) - inputs().fold(f64::INFINITY, f64::min);
    let mut list = vec![
        setting("Leads", "four-wire: voltages sensed at the board's terminals, shunts or meters in the current paths"),
        setting("Meters", "the same, in the same ranges, for every part; mean of 10 readings of all four at once"),
        setting("Soak", format!("{:.0} min, and until the input power is steady", at.soak_min())),
    ];
    if span_w.is_finite() && span_w > 0.0 {
        list.push(setting(
            "Reading",
            format!(
                "the whole difference is {} of {} input power",
                say(span_w, "W"),
                say(inputs().fold(0.0, f64::max), "W")
            ),
        ));
    }
    list
}

impl At<'_> {
    /// Least time in minutes for which the board runs before a reading of heat.
    fn soak_min(&self) -> f64 {
        self.soak.map_or(WARM_UP_MIN, |soak| soak.minutes)
    }

    /// What a reading of the resistance loses by its time.
    fn late(&self) -> Option<BenchSetting> {
        let mut parts = self.soak?.parts.iter().filter(|part| self.names.contains(&part.part.as_str()));
        let after_s = parts.clone().flat_map(|part| part.late.first()).map(|late| late.after_s).next()?;
        let low_k = parts.try_fold((f64::INFINITY, 0f64), |(least, most), part| {
            let low_k = part.late.first()?.low_k;
            Some((least.min(low_k.least), most.max(low_k.most)))
        })?;
        let words = format!(
            "a resistance read {after_s:.0} s after switching off is low by {:.1} to {:.1} K: log it for a minute and draw it back",
            low_k.0, low_k.1
        );
        Some(setting("Late", words))
    }

    fn bandwidth_say(&self) -> String {
        say(self.case.board.procedure.instrument_hz, "Hz")
    }

    fn resolved_say(&self) -> String {
        let resolved = self.quantity.bench_resolution(&self.case.bench, self.largest()).unwrap_or(0.0);
        say(resolved, self.quantity.unit)
    }
}

fn screen_settings(at: &At<'_>, method: Method, screen: &BenchScreen) -> Vec<BenchSetting> {
    let unit = if method == Method::Current { "A" } else { "V" };
    let fine = if screen.fill < 0.5 { "; use the variable scale, there is no closer step" } else { "" };
    let mut list = vec![
        setting(
            "Screen",
            format!(
                "{}/div ({} fills {:.0} % of 8 divisions{fine}), {}/div",
                say(screen.per_division, unit),
                say(at.height(), unit),
                100.0 * screen.fill,
                say(screen.time_per_division_s, "s")
            ),
        ),
        setting(
            "Record",
            format!("at least {} and {:.0} samples", say(screen.sample_rate_hz, "S/s"), screen.record_points),
        ),
    ];
    let converter = DIVISIONS.0 * screen.per_division / CONVERTER_STEPS;
    let resolved = at.quantity.bench_resolution(&at.case.bench, at.largest()).unwrap_or(0.0);
    if method != Method::Recovery && converter > 0.5 * resolved {
        list.push(setting(
            "Depth",
            format!(
                "high-resolution mode: a step of 8 bits is {}, the bench resolves {}",
                say(converter, unit),
                say(resolved, unit)
            ),
        ));
    }
    list
}

/// What a person must know where the cycles of a part are not all alike.
fn uneven_cycles(at: &At<'_>) -> Option<BenchSetting> {
    let periods = |figures: &Figures| figures.number("periods");
    let uneven: Vec<&str> = at
        .conditions
        .iter()
        .zip(&at.names)
        .filter(|(condition, _)| periods(condition).is_some_and(|count| count > 1.0))
        .map(|(_, name)| *name)
        .collect();
    (!uneven.is_empty()).then(|| {
        setting(
            "Cycles",
            format!(
                "long and short ones alternate with {}: persistence on, peak to peak over 500 cycles",
                uneven.join(", ")
            ),
        )
    })
}
