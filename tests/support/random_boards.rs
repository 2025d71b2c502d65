//! Random boards that somebody might build, as case files: every modulator with every amplifier and ripple injection, banks of one to
//! five branches, every load, both low sides, every protection, every condition. The same seed gives the same files on every machine.
#![allow(dead_code)] // every test file uses another part of it

use std::f64::consts::TAU;
use std::fmt::Write;
use std::path::Path;

/// Random numbers without a crate (SplitMix64, G. L. Steele, D. Lea, C. H. Flood, OOPSLA 2014).
pub struct Random(u64);

impl Random {
    /// The numbers of one board of a seed.
    pub fn of(seed: u64, board: u64) -> Random {
        Random(seed.wrapping_mul(1_000_003).wrapping_add(board.wrapping_mul(0x9e37_79b9)))
    }

    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// From 0 to below 1.
    fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Evenly spread.
    pub fn within(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Evenly spread in ratio.
    pub fn ratio(&mut self, low: f64, high: f64) -> f64 {
        low * (high / low).powf(self.unit())
    }

    /// True with that probability.
    pub fn chance(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }

    fn whole(&mut self, low: u64, high: u64) -> u64 {
        low + self.next() % (high - low + 1)
    }

    fn pick<T: Copy>(&mut self, all: &[T]) -> T {
        all[(self.next() % all.len() as u64) as usize]
    }
}

/// How much of the conditions a case states.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Extent {
    /// Numbers of the procedures that keep a run short, and seldom more than one input voltage.
    Short,
    /// The usual numbers of the procedures, up to three inputs.
    Whole,
}

/// A random case: the text of its two files.
pub struct RandomCase {
    pub board: String,
    pub parts: String,
}

impl RandomCase {
    /// Writes the files into a folder that exists.
    pub fn write(&self, folder: &Path) {
        std::fs::write(folder.join("board.toml"), &self.board).expect("board.toml can be written");
        std::fs::write(folder.join("parts.toml"), &self.parts).expect("parts.toml can be written");
    }
}

/// The case of a number.
pub fn random_case(seed: u64, number: u64, extent: Extent) -> RandomCase {
    let mut random = Random::of(seed, number);
    let plan = Plan::draw(&mut random, extent);
    let mut board = Toml::default();
    board.line("title", &quoted(&format!("Random board {number} of seed {seed}: which part?")));
    board.line("original", "\"Part-0\"");
    input_tables(&mut board, &mut random, &plan, extent);
    output_tables(&mut board, &plan);
    load_tables(&mut board, &mut random, &plan);
    stage_tables(&mut board, &mut random, &plan);
    control_tables(&mut board, &mut random, &plan);
    limit_table(&mut board, &mut random, &plan);
    rest(&mut board, &mut random, &plan, extent);
    let mut parts = Toml::default();
    for k in 0..3 {
        part_table(&mut parts, &mut random, &plan, k);
    }
    let board = if number.is_multiple_of(SILENT) { board.0 } else { answered(&board.0) };
    RandomCase { board, parts: parts.0 }
}

/// Of so many boards one does not say what its controller has not.
const SILENT: u64 = 4;

/// The board with a word on everything that its controller has not.
fn answered(board: &str) -> String {
    let all = [
        ("hiccup", "hiccup_cycles ="),
        ("inhibit", "inhibit ="),
        ("foldback", "foldback ="),
        ("skipping", "skip_below ="),
    ];
    let without: Vec<String> =
        all.iter().filter(|(_, key)| !board.contains(key)).map(|(feature, _)| quoted(feature)).collect();
    let line = format!("[control]\nwithout = [{}]\n", without.join(", "));
    if without.is_empty() { board.to_string() } else { board.replacen("[control]\n", &line, 1) }
}

/// Text of a file.
#[derive(Default)]
struct Toml(String);

impl Toml {
    fn line(&mut self, key: &str, value: &str) {
        writeln!(self.0, "{key} = {value}").expect("text grows");
    }

    fn table(&mut self, header: &str) {
        writeln!(self.0, "\n{header}").expect("text grows");
    }

    /// A quantity with five digits.
    fn q(&mut self, key: &str, value: f64, unit: &str) {
        self.line(key, &quoted(&quantity(value, unit)));
    }
}

fn quoted(text: &str) -> String {
    format!("\"{text}\"")
}

fn quantity(value: f64, unit: &str) -> String {
    format!("{value:.4e} {unit}")
}

fn list(values: &[f64], unit: &str) -> String {
    let texts: Vec<String> = values.iter().map(|value| quoted(&quantity(*value, unit))).collect();
    format!("[{}]", texts.join(", "))
}

/// The value that the file will hold.
fn rounded(value: f64) -> f64 {
    format!("{value:.4e}").parse().expect("a number")
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Scheme {
    FixedDuty,
    VoltageMode,
    PeakCurrent,
    ConstantOnTime,
    Hysteretic,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Amplifier {
    Open,
    TypeTwo,
    TypeThree,
    Transconductance,
    Margins,
    Ripple,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum LimitKind {
    Peak,
    Valley,
    Winding,
}

/// One capacitor type of the bank: count, capacitance, share left when aged, resistance, inductance of one.
struct Capacitor {
    name: &'static str,
    count: u64,
    farad: f64,
    aged: f64,
    ohm: f64,
    henry: f64,
}

/// Limit of the inductor current: least threshold in A, and ratio of the typical to it and of the highest to that.
struct Limit {
    kind: LimitKind,
    least_a: f64,
    steps: (f64, f64),
}

/// What a designer settles before drawing: everything else follows within limits.
struct Plan {
    scheme: Scheme,
    amplifier: Amplifier,
    inputs_v: Vec<f64>,
    nominal_v: f64,
    output_v: f64,
    frequency_hz: f64,
    full_a: f64,
    inductance_h: f64,
    dcr_ohm: f64,
    /// Ripple of the inductor current at the nominal input, peak to peak.
    swing_a: f64,
    bank: Vec<Capacitor>,
    limit: Option<Limit>,
}

impl Plan {
    fn draw(random: &mut Random, extent: Extent) -> Plan {
        let scheme = random.pick(&[
            Scheme::FixedDuty,
            Scheme::VoltageMode,
            Scheme::VoltageMode,
            Scheme::PeakCurrent,
            Scheme::PeakCurrent,
            Scheme::ConstantOnTime,
            Scheme::Hysteretic,
        ]);
        let amplifier = match scheme {
            Scheme::FixedDuty => Amplifier::Open,
            Scheme::ConstantOnTime | Scheme::Hysteretic => Amplifier::Ripple,
            _ => random.pick(&[
                Amplifier::TypeTwo,
                Amplifier::TypeThree,
                Amplifier::TypeThree,
                Amplifier::Transconductance,
                Amplifier::Transconductance,
                Amplifier::Margins,
            ]),
        };
        let nominal_v = rounded(random.ratio(4.5, 70.0));
        let duty = random.within(0.07, 0.8).max(0.7 / nominal_v);
        let output_v = rounded(duty * nominal_v);
        let several = random.chance(if extent == Extent::Whole { 0.8 } else { 0.3 });
        let lowest_v = rounded((nominal_v * random.within(0.75, 0.97)).max(1.12 * output_v));
        let highest_v = rounded(nominal_v * random.within(1.05, 1.4));
        let inputs_v = match several {
            true if lowest_v < nominal_v => vec![lowest_v, nominal_v, highest_v],
            true => vec![nominal_v, highest_v],
            false => vec![nominal_v],
        };
        let frequency_hz = rounded(random.ratio(80e3, 2.2e6));
        let full_a = rounded(random.ratio(0.15, 20.0));
        let swing_a = full_a * random.ratio(0.12, 0.9);
        let inductance_h = rounded(output_v * (1.0 - output_v / nominal_v) / (swing_a * frequency_hz));
        let dcr_ohm = rounded(output_v / full_a * random.ratio(0.002, 0.03));
        let sense = scheme != Scheme::ConstantOnTime && random.chance(0.2);
        let bank = bank(random, swing_a, output_v, frequency_hz, states_left(amplifier, sense));
        let limit = limit(random, scheme, sense, full_a, swing_a);
        Plan {
            scheme,
            amplifier,
            inputs_v,
            nominal_v,
            output_v,
            frequency_hz,
            full_a,
            inductance_h,
            dcr_ohm,
            swing_a,
            bank,
            limit,
        }
    }

    fn period_s(&self) -> f64 {
        1.0 / self.frequency_hz
    }

    fn lowest_v(&self) -> f64 {
        self.inputs_v[0]
    }

    fn highest_v(&self) -> f64 {
        self.inputs_v[self.inputs_v.len() - 1]
    }

    fn peak_a(&self) -> f64 {
        self.full_a + 0.5 * self.swing_a
    }

    fn is_clocked(&self) -> bool {
        !matches!(self.scheme, Scheme::ConstantOnTime | Scheme::Hysteretic)
    }

    /// Impedance of the bank at a frequency, real and imaginary part.
    fn bank_ohm(&self, hz: f64) -> (f64, f64) {
        let w = TAU * hz;
        let (mut g, mut b) = (0.0, 0.0);
        for one in &self.bank {
            let n = one.count as f64;
            let (r, x) = (one.ohm / n, w * one.henry / n - 1.0 / (w * n * one.farad));
            let square = r * r + x * x;
            (g, b) = (g + r / square, b - x / square);
        }
        let square = g * g + b * b;
        (g / square, -b / square)
    }

    /// Gain at a frequency from the inductor's voltage to the output, and by how many degrees it lags.
    fn filter(&self, hz: f64) -> (f64, f64) {
        let (r, x) = self.bank_ohm(hz);
        let (whole_r, whole_x) = (r + self.dcr_ohm, x + TAU * hz * self.inductance_h);
        (r.hypot(x) / whole_r.hypot(whole_x), (whole_x.atan2(whole_r) - x.atan2(r)).to_degrees())
    }

    /// Ripple at the output that lags the current: on it no comparator holds a cycle.
    fn lagging_v(&self) -> f64 {
        let farad: f64 = self.bank.iter().map(|one| one.count as f64 * one.farad).sum();
        self.swing_a / (8.0 * self.frequency_hz * farad)
    }
}

/// States that a bank may have beside the rest of the network: 18 in all, of which four are the inductor, the instrument and the leads.
fn states_left(amplifier: Amplifier, sense: bool) -> usize {
    let taken = match amplifier {
        Amplifier::Open => 0,
        Amplifier::Ripple => 2,
        _ => 4,
    };
    14 - taken - usize::from(sense)
}

fn bank(random: &mut Random, swing_a: f64, output_v: f64, frequency_hz: f64, states: usize) -> Vec<Capacitor> {
    let kinds = random.pick(&[1, 1, 1, 2, 2, 2, 3, 3, 4, 5]);
    let inductive = random.chance(0.6);
    // Of the first, alone, the ripple that is aimed at is a few per mille to a few per cent.
    let wanted_f = swing_a / (8.0 * frequency_hz * output_v * random.ratio(0.002, 0.03));
    let mut left = states;
    let mut all = vec![];
    for k in 0..kinds {
        let name = if k == 0 {
            random.pick(&["ceramic", "polymer", "electrolytic"])
        } else {
            random.pick(&["ceramic", "polymer", "electrolytic", "ceramic"])
        };
        let (farad, ohm, henry) = match name {
            "ceramic" => (wanted_f * random.ratio(0.3, 1.5), random.ratio(1.5e-3, 12e-3), random.ratio(0.2e-9, 1.2e-9)),
            "polymer" => (random.ratio(33e-6, 470e-6), random.ratio(5e-3, 45e-3), random.ratio(0.8e-9, 4e-9)),
            _ => (random.ratio(47e-6, 1.5e-3), random.ratio(25e-3, 0.5), random.ratio(3e-9, 18e-9)),
        };
        // Ripple-based control and a light load want the bank to be of the board's own impedance too.
        let farad = if k == 0 { farad.max(0.2 * wanted_f) } else { farad };
        let henry = if left >= 2 + (kinds - k - 1) && (inductive || random.chance(0.2)) { henry } else { 0.0 };
        left -= 1 + usize::from(henry > 0.0);
        let count = random.pick(&[1, 1, 2, 3, 6]);
        let aged = random.pick(&[1.0, 0.9, 0.8, 0.65]);
        all.push(Capacitor { name, count, farad: farad.clamp(2e-8, 0.1), aged, ohm, henry });
    }
    all
}

fn limit(random: &mut Random, scheme: Scheme, sense: bool, full_a: f64, swing_a: f64) -> Option<Limit> {
    if !random.chance(0.75) {
        return None;
    }
    let kind = match scheme {
        Scheme::ConstantOnTime => LimitKind::Valley,
        _ if sense => LimitKind::Winding,
        _ => LimitKind::Peak,
    };
    let room = random.ratio(1.05, 1.9);
    let least_a = match kind {
        LimitKind::Valley => full_a * room,
        LimitKind::Winding => full_a * room * 1.15,
        LimitKind::Peak => (full_a + 0.6 * swing_a) * room,
    };
    Some(Limit { kind, least_a, steps: (random.within(1.0, 1.15), random.within(1.0, 1.15)) })
}

fn input_tables(toml: &mut Toml, random: &mut Random, plan: &Plan, extent: Extent) {
    toml.table("[input]");
    toml.line("voltages", &list(&plan.inputs_v, "V"));
    toml.q("nominal", plan.nominal_v, "V");
    if random.chance(0.6) {
        toml.table("[[input.capacitors]]");
        toml.line("name", "\"ceramic\"");
        toml.line("count", &random.whole(1, 5).to_string());
        toml.q("capacitance", random.ratio(1e-6, 50e-6), "F");
        toml.q("esr", random.ratio(1e-3, 50e-3), "ohm");
    }
    if plan.inputs_v.len() > 1 && random.chance(0.8) {
        let (from_v, to_v) = (plan.lowest_v(), plan.highest_v());
        let down = random.chance(0.5);
        toml.table("[input.step]");
        toml.q("from", if down { to_v } else { from_v }, "V");
        toml.q("to", if down { from_v } else { to_v }, "V");
        toml.q("slew", (to_v - from_v) * plan.frequency_hz / random.ratio(0.5, 100.0), "V/s");
        if random.chance(0.5) {
            toml.q("load", plan.full_a * random.ratio(0.05, 1.0), "A");
        }
        if extent == Extent::Short || random.chance(0.5) {
            toml.q("hold", random.ratio(60.0, 300.0) * plan.period_s(), "s");
        }
    }
}

fn output_tables(toml: &mut Toml, plan: &Plan) {
    toml.table("[output]");
    toml.q("voltage", plan.output_v, "V");
    for (k, one) in plan.bank.iter().enumerate() {
        toml.table("[[output.capacitors]]");
        toml.line("name", &quoted(&format!("{} {k}", one.name)));
        toml.line("count", &one.count.to_string());
        toml.q("capacitance", one.farad, "F");
        toml.q("aged_capacitance", rounded(one.farad) * one.aged, "F");
        toml.q("esr", one.ohm, "ohm");
        if one.henry > 0.0 {
            toml.q("esl", one.henry, "H");
        }
    }
}

fn load_tables(toml: &mut Toml, random: &mut Random, plan: &Plan) {
    let full_a = plan.full_a;
    let mut loads = vec![full_a];
    if random.chance(0.6) {
        loads.insert(0, rounded((full_a * random.ratio(0.01, 0.6)).max(1.1e-3)));
    }
    toml.table("[load]");
    toml.line("currents", &list(&loads, "A"));
    toml.line("kind", &quoted(random.pick(&["current", "resistance", "power"])));
    if random.chance(0.4) {
        toml.q("lightest", (full_a * random.ratio(1e-3, 0.05)).max(1e-3), "A");
    }
    if random.chance(0.7) {
        let (from_a, to_a) = (full_a * random.ratio(0.02, 0.5), full_a * random.within(0.55, 1.0));
        toml.table("[load.step]");
        toml.q("from", from_a.max(1.1e-3), "A");
        toml.q("to", to_a, "A");
        toml.q("slew", (to_a - from_a) * plan.frequency_hz / random.ratio(0.03, 40.0), "A/s");
        toml.q("hold", random.ratio(60.0, 300.0) * plan.period_s(), "s");
    }
    if plan.limit.is_some() && random.chance(0.6) {
        toml.table("[load.overload]");
        toml.q("slew", (full_a * plan.frequency_hz / random.ratio(100.0, 1000.0)).clamp(1.0, 1e6), "A/s");
        toml.q("coldest_winding", random.within(-40.0, 20.0), "degC");
        toml.q("hottest_winding", random.within(60.0, 120.0), "degC");
    }
    if plan.limit.is_some() && random.chance(0.6) {
        toml.table("[load.short]");
        toml.q("resistance", (plan.output_v / full_a * random.ratio(0.002, 0.2)).max(1e-5), "ohm");
        toml.q("inductance", random.ratio(10e-9, 1e-6), "H");
        toml.q("hold", random.ratio(20.0, 400.0) * plan.period_s(), "s");
    }
    if plan.scheme != Scheme::FixedDuty && random.chance(0.6) {
        toml.table("[start]");
        if random.chance(0.5) {
            toml.line("prebias", &list(&[plan.output_v * random.within(0.1, 0.95)], "V"));
        }
    }
}

fn stage_tables(toml: &mut Toml, random: &mut Random, plan: &Plan) {
    let scale_ohm = plan.output_v / plan.full_a;
    toml.table("[stage]");
    toml.q("frequency", plan.frequency_hz, "Hz");
    toml.q("ambient", random.within(-20.0, 70.0), "degC");
    toml.q("high_side_resistance", scale_ohm * random.ratio(0.002, 0.03), "ohm");
    toml.line("hot_factor", &format!("{:.3}", random.within(1.0, 1.5)));
    if random.chance(0.7) {
        toml.q("rise_time", random.ratio(2e-9, 15e-9), "s");
        toml.q("fall_time", random.ratio(2e-9, 15e-9), "s");
        toml.q("gate_charge", random.ratio(2e-9, 40e-9), "C");
        toml.q("recovery_charge", random.ratio(2e-9, 60e-9), "C");
        toml.q("output_capacitance", random.ratio(50e-12, 500e-12), "F");
    }
    toml.table("[stage.low_side]");
    if random.chance(0.3) {
        toml.line("kind", "\"diode\"");
        toml.q("forward_voltage", random.within(0.25, 0.8), "V");
        if random.chance(0.6) {
            toml.q("slope_resistance", scale_ohm * random.ratio(0.001, 0.02), "ohm");
        }
        return;
    }
    toml.line("kind", "\"switch\"");
    toml.q("resistance", scale_ohm * random.ratio(0.002, 0.03), "ohm");
    let dead_s = random.ratio(3e-9, 60e-9).min(0.04 * plan.period_s());
    toml.q("dead_time", if random.chance(0.15) { 0.0 } else { dead_s }, "s");
    toml.q("body_diode", random.within(0.55, 1.0), "V");
    toml.line("emulation", if random.chance(0.5) { "true" } else { "false" });
}

fn control_tables(toml: &mut Toml, random: &mut Random, plan: &Plan) {
    let (on_s, off_s) =
        (plan.output_v / plan.highest_v() * plan.period_s(), (1.0 - plan.output_v / plan.lowest_v()) * plan.period_s());
    toml.table("[control]");
    if random.chance(0.6) {
        toml.q("min_on", on_s * random.ratio(0.03, 0.7), "s");
    }
    if random.chance(0.7) || plan.scheme == Scheme::Hysteretic {
        toml.q("min_off", off_s * random.ratio(0.03, 0.7), "s");
    }
    if plan.scheme != Scheme::FixedDuty && random.chance(0.7) {
        toml.q("soft_start", random.ratio(30.0, 600.0) * plan.period_s(), "s");
    }
    if plan.is_clocked() && random.chance(0.2) {
        toml.line(
            "foldback",
            &format!("{{ below = \"{:.1} %\", divisor = {} }}", random.within(10.0, 70.0), random.whole(2, 8)),
        );
    }
    let delay_s = if random.chance(0.2) { 0.0 } else { random.ratio(5e-9, 150e-9).min(0.15 * on_s.min(off_s)) };
    toml.table("[control.modulator]");
    match plan.scheme {
        Scheme::FixedDuty => {
            let duty = (plan.output_v / plan.nominal_v * random.within(0.96, 1.06)).min(0.97);
            toml.line("kind", "\"fixed-duty\"");
            toml.line("duty", &format!("{duty:.5}"));
            toml.table("[control.compensator]");
            toml.line("kind", "\"open\"");
        }
        Scheme::VoltageMode => voltage_mode(toml, random, plan, delay_s),
        Scheme::PeakCurrent => peak_current(toml, random, plan, delay_s),
        Scheme::ConstantOnTime => {
            toml.line("kind", "\"constant-on-time\"");
            toml.q("on_time", (plan.output_v / plan.nominal_v * plan.period_s()).clamp(1.1e-8, 1e-4), "s");
            toml.q("delay", delay_s, "s");
            let reference_v = reference_v_of(random, plan);
            ripple(toml, random, plan, reference_v);
        }
        Scheme::Hysteretic => {
            let reference_v = reference_v_of(random, plan);
            toml.line("kind", "\"hysteretic\"");
            toml.q("delay", delay_s, "s");
            ripple(toml, random, plan, reference_v);
        }
    }
}

fn reference_v_of(random: &mut Random, plan: &Plan) -> f64 {
    rounded(random.within(0.4, 2.6).min(random.within(0.4, 0.9) * plan.output_v))
}

/// Lag of the filter at the crossover up to which one zero is enough, in degrees.
const MOST_LAG_DEG: f64 = 110.0;

fn voltage_mode(toml: &mut Toml, random: &mut Random, plan: &Plan, delay_s: f64) {
    let amplitude_v = random.ratio(0.5, 4.0);
    let forward = random.chance(0.4);
    toml.line("kind", "\"voltage-mode\"");
    if forward {
        toml.line("ramp_divisor", &format!("{:.3}", plan.nominal_v / amplitude_v));
    } else {
        toml.q("ramp_amplitude", amplitude_v, "V");
    }
    toml.q("delay", delay_s, "s");
    let crossover_hz = plan.frequency_hz / random.ratio(8.0, 40.0);
    let (filter, lag_deg) = plan.filter(crossover_hz);
    let plant = plan.nominal_v / amplitude_v * filter;
    let top_v = if forward { amplitude_v * plan.highest_v() / plan.nominal_v } else { amplitude_v };
    let high_v = random.chance(0.5).then_some(top_v * random.within(1.05, 1.8));
    let kind = match plan.amplifier {
        // One zero does not make up for the lag of two stores.
        Amplifier::TypeTwo | Amplifier::Transconductance if lag_deg > MOST_LAG_DEG => Amplifier::TypeThree,
        kind => kind,
    };
    amplifier(toml, random, (plan, kind), (crossover_hz, plant), high_v);
}

fn peak_current(toml: &mut Toml, random: &mut Random, plan: &Plan, delay_s: f64) {
    let at_peak_v = random.within(0.4, 1.5);
    let gain = plan.peak_a() / at_peak_v;
    let falling = plan.output_v / plan.inductance_h;
    toml.line("kind", "\"peak-current\"");
    toml.q("current_gain", gain, "A/V");
    toml.q("slope", if random.chance(0.1) { 0.0 } else { falling * random.within(0.4, 1.2) }, "A/s");
    if random.chance(0.3) {
        toml.q("skip_below", (plan.full_a * random.ratio(0.05, 0.4)).max(1.1e-3), "A");
    }
    toml.q("delay", delay_s, "s");
    let crossover_hz = plan.frequency_hz / random.ratio(8.0, 40.0);
    let (r, x) = plan.bank_ohm(crossover_hz);
    // The slope compensation takes part of the command.
    let high_v = (plan.limit.is_none() || random.chance(0.4))
        .then_some(at_peak_v * random.within(1.6, 4.0) + falling * plan.period_s() / gain);
    let kind = if plan.amplifier == Amplifier::TypeThree { Amplifier::TypeTwo } else { plan.amplifier };
    amplifier(toml, random, (plan, kind), (crossover_hz, gain * r.hypot(x)), high_v);
}

/// An amplifier that crosses near a frequency at which the rest of the loop has that gain, detuned at random.
fn amplifier(
    toml: &mut Toml,
    random: &mut Random,
    (plan, kind): (&Plan, Amplifier),
    (crossover_hz, plant): (f64, f64),
    high_v: Option<f64>,
) {
    let reference_v = reference_v_of(random, plan);
    let gain = random.ratio(0.5, 1.2) / plant;
    let (zero_hz, pole_hz) = (crossover_hz / random.ratio(3.0, 9.0), crossover_hz * random.ratio(3.0, 10.0));
    toml.table("[control.compensator]");
    match kind {
        Amplifier::Margins => {
            toml.line("kind", "\"margins\"");
            toml.q("crossover", crossover_hz, "Hz");
            toml.q("phase_margin", random.within(40.0, 70.0), "deg");
        }
        Amplifier::Transconductance => {
            let gm_s = random.ratio(50e-6, 3e-3);
            let rc_ohm = (gain * plan.output_v / (gm_s * reference_v)).clamp(1.5, 9e7);
            toml.line("kind", "\"transconductance\"");
            toml.q("gm", gm_s, "S");
            toml.q("ro", random.ratio(0.3e6, 20e6), "ohm");
            toml.q("rc", rc_ohm, "ohm");
            toml.q("cc", (1.0 / (TAU * zero_hz * rc_ohm)).clamp(1e-12, 1e-3), "F");
            if random.chance(0.7) {
                toml.q("chf", (1.0 / (TAU * pole_hz * rc_ohm)).clamp(1e-13, 1e-3), "F");
            }
        }
        _ => op_amp(toml, random, kind == Amplifier::TypeThree, (gain, crossover_hz, zero_hz, pole_hz)),
    }
    toml.q("reference", reference_v, "V");
    if let Some(high_v) = high_v {
        toml.q("clamp_high", high_v, "V");
    }
}

fn op_amp(
    toml: &mut Toml,
    random: &mut Random,
    three: bool,
    (gain, crossover_hz, zero_hz, pole_hz): (f64, f64, f64, f64),
) {
    let r1_ohm = random.ratio(2e3, 60e3);
    // A second zero below the crossover lifts the gain there.
    let r2_ohm = (r1_ohm * gain * if three { zero_hz / crossover_hz } else { 1.0 }).clamp(1.5, 9e7);
    toml.line("kind", "\"op-amp\"");
    toml.q("r1", r1_ohm, "ohm");
    toml.q("r2", r2_ohm, "ohm");
    toml.q("c1", (1.0 / (TAU * zero_hz * r2_ohm)).clamp(1e-12, 1e-3), "F");
    if random.chance(0.7) {
        toml.q("c2", (1.0 / (TAU * pole_hz * r2_ohm)).clamp(1e-13, 1e-3), "F");
    }
    if three {
        let r3_ohm = (r1_ohm * zero_hz / (pole_hz - zero_hz)).max(1.5);
        toml.q("r3", r3_ohm, "ohm");
        toml.q("c3", (1.0 / (TAU * pole_hz * r3_ohm)).clamp(1e-12, 1e-3), "F");
    }
    if random.chance(0.6) {
        toml.q("gain_bandwidth", random.ratio(15.0, 500.0) * crossover_hz * gain.max(1.0), "Hz");
    }
}

/// Divider and injection with a ripple at the tap that a comparator can live on.
fn ripple(toml: &mut Toml, random: &mut Random, plan: &Plan, reference_v: f64) {
    let share = reference_v / plan.output_v;
    // More than what lags, and of a hysteretic band about its width.
    let least_v = 2.0 * share * plan.lagging_v();
    let ripple_v = (reference_v * random.ratio(0.01, 0.05)).max(least_v * random.ratio(1.0, 3.0));
    if plan.scheme == Scheme::Hysteretic {
        toml.q("band", ripple_v * random.ratio(0.7, 1.6), "V");
    }
    let on_vs = (plan.nominal_v - plan.output_v) * plan.output_v / plan.nominal_v * plan.period_s();
    let r1_ohm = random.ratio(4e3, 60e3);
    let tap_ohm = r1_ohm * share;
    // The time constant at the tap is some periods.
    let cff_f = (random.ratio(0.5, 10.0) * plan.period_s() / tap_ohm).clamp(1e-13, 1e-3);
    toml.table("[control.compensator]");
    toml.line("kind", "\"ripple\"");
    toml.q("reference", reference_v, "V");
    toml.q("r1", r1_ohm, "ohm");
    toml.q("cff", cff_f, "F");
    let first = &plan.bank[0];
    let own_v = plan.swing_a * first.ohm / first.count as f64;
    match random.pick(&[0, 1, 1, 2, 2]) {
        // Without injection the ripple comes from the resistance of the bank, where there is any to speak of.
        0 if own_v > 0.01 * plan.output_v => {}
        0 | 1 => {
            toml.q("injection_resistance", (on_vs / (cff_f * ripple_v)).clamp(1.5, 9e7), "ohm");
            toml.q("injection_capacitance", (cff_f * random.ratio(20.0, 300.0)).min(1e-3), "F");
        }
        _ => {
            let r_ohm = random.ratio(2e3, 50e3);
            let c_f = (on_vs / (r_ohm * ripple_v)).clamp(1e-12, 1e-3);
            toml.q("injection_resistance", r_ohm, "ohm");
            toml.q("injection_capacitance", c_f, "F");
            toml.q(
                "coupling_capacitance",
                (random.ratio(3.0, 30.0) * plan.period_s() / tap_ohm).clamp(1e-12, 1e-3),
                "F",
            );
        }
    }
}

fn limit_table(toml: &mut Toml, random: &mut Random, plan: &Plan) {
    let Some(limit) = &plan.limit else { return };
    let (lowest, typical) = (limit.least_a, limit.least_a * limit.steps.0);
    let highest = typical * limit.steps.1;
    toml.table("[control.current_limit]");
    if limit.kind == LimitKind::Winding {
        let time_s = plan.inductance_h / plan.dcr_ohm * random.ratio(0.7, 1.4);
        let ohm = random.ratio(1e3, 2e4);
        toml.line("kind", "\"winding\"");
        toml.q("lowest_voltage", lowest * plan.dcr_ohm, "V");
        toml.q("typical_voltage", typical * plan.dcr_ohm, "V");
        toml.q("highest_voltage", highest * plan.dcr_ohm, "V");
        toml.q("sense_resistance", ohm, "ohm");
        toml.q("sense_capacitance", time_s / ohm, "F");
    } else {
        toml.line("kind", if limit.kind == LimitKind::Peak { "\"peak\"" } else { "\"valley\"" });
        toml.q("lowest", lowest, "A");
        toml.q("typical", typical, "A");
        toml.q("highest", highest, "A");
    }
    if limit.kind != LimitKind::Valley {
        toml.q("delay", if random.chance(0.2) { 0.0 } else { random.ratio(10e-9, 250e-9) }, "s");
    }
    if limit.kind == LimitKind::Peak && plan.scheme == Scheme::PeakCurrent && random.chance(0.2) {
        toml.line("falls_with_slope", "true");
    }
    if plan.is_clocked() && random.chance(0.3) {
        toml.q("inhibit", plan.full_a * random.ratio(1.05, 2.0), "A");
    }
    if random.chance(0.35) {
        toml.line("hiccup_cycles", &random.whole(1, 64).to_string());
        toml.q("hiccup_pause", random.ratio(30.0, 800.0) * plan.period_s(), "s");
    }
}

fn rest(toml: &mut Toml, random: &mut Random, plan: &Plan, extent: Extent) {
    toml.table("[limits]");
    toml.line("output_band", "\"5 %\"");
    if random.chance(0.5) {
        toml.q("ripple", 0.03 * plan.output_v, "V");
        toml.q("recovery", random.ratio(10.0, 40.0) * plan.period_s(), "s");
    }
    if extent == Extent::Short {
        toml.table("[measure]");
        for (key, number) in [
            ("step_phases", 1),
            ("settling_periods", 90),
            ("settling_recoveries", 2),
            ("overload_furthest", 3),
            ("start_patience", 3),
            ("light_loads", 2),
            ("pattern_settling", 37),
            ("pattern_counted", 9),
            ("pattern_longest", 3000),
        ] {
            toml.line(key, &number.to_string());
        }
    }
}

/// Saturation of a part: where it gives way, and how.
struct Knee {
    ferrite: bool,
    rated_a: f64,
    by_rating: bool,
}

fn part_table(toml: &mut Toml, random: &mut Random, plan: &Plan, number: usize) {
    let by = |random: &mut Random, spread: f64| if number == 0 { 1.0 } else { random.ratio(1.0 / spread, spread) };
    let henry = plan.inductance_h * by(random, 1.6);
    let dcr_ohm = plan.dcr_ohm * by(random, 1.8);
    let rated_a = plan.peak_a() * random.ratio(0.8, 2.6);
    let knee = Knee { ferrite: random.chance(0.5), rated_a, by_rating: random.chance(0.35) };
    toml.table("[[part]]");
    toml.line("name", &quoted(&format!("Part-{number}")));
    toml.line("core", if knee.ferrite { "\"ferrite\"" } else { random.pick(&["\"composite\"", "\"iron-powder\""]) });
    toml.q("inductance", henry, "H");
    toml.line("tolerance", &quoted(random.pick(&["10 %", "20 %", "30 %"])));
    toml.q("dcr_typical", dcr_ohm, "ohm");
    toml.q("dcr_max", rounded(dcr_ohm) * random.within(1.03, 1.3), "ohm");
    let copper_w = plan.full_a * plan.full_a * dcr_ohm;
    toml.q("thermal_resistance", (random.ratio(3.0, 50.0) / copper_w).clamp(0.11, 9e3), "K/W");
    if random.chance(0.6) {
        toml.line("ac_resistance", &format!("[\"{:.2}\"]", random.ratio(1.0, 8.0)));
    }
    if random.chance(0.7) {
        toml.q("core_loss", (copper_w * random.ratio(0.02, 1.5)).clamp(1e-6, 1e4), "W");
        toml.q("core_loss_frequency", plan.frequency_hz, "Hz");
        toml.q("core_loss_volt_seconds", (plan.inductance_h * plan.swing_a).clamp(1e-9, 1.0), "V s");
        toml.line("core_loss_alpha", &format!("{:.3}", random.within(1.05, 1.9)));
        toml.line("core_loss_beta", &format!("{:.3}", random.within(1.9, 2.9)));
    }
    if knee.by_rating {
        ratings(toml, random, &knee);
    } else {
        curves(toml, random, &knee, henry);
    }
}

fn ratings(toml: &mut Toml, random: &mut Random, knee: &Knee) {
    toml.q("saturation_current", knee.rated_a, "A");
    toml.line("saturation_drop", &quoted(random.pick(&["10 %", "20 %", "30 %", "40 %"])));
    if random.chance(0.6) {
        toml.q("hot_saturation_current", knee.rated_a * random.within(0.7, 0.98), "A");
    }
    toml.line("saturation_knee", if knee.ferrite { "\"hard\"" } else { "\"soft\"" });
}

/// Currents of a curve as shares of the rated one.
const CURVE: [f64; 10] = [0.0, 0.3, 0.55, 0.75, 0.9, 1.0, 1.15, 1.4, 1.8, 2.5];

fn curves(toml: &mut Toml, random: &mut Random, knee: &Knee, henry: f64) {
    let (steep, floor) = if knee.ferrite { (random.within(4.0, 9.0), 0.08) } else { (random.within(1.2, 2.2), 0.15) };
    let hot_share = if knee.ferrite { 0.8 } else { 0.97 };
    let both = [(25.0, 1.0), (100.0, hot_share)];
    let temperatures = if random.chance(0.7) { &both[..] } else { &both[..1] };
    for (degc, share) in temperatures {
        let point = |part: f64| {
            let left = floor + (1.0 - floor) / (1.0 + 0.43 * part.powf(steep));
            format!("[{:.5e}, {:.5e}]", part * knee.rated_a * share, henry * left)
        };
        toml.table("[[part.saturation]]");
        toml.q("temperature", *degc, "degC");
        toml.line("columns", "[\"current [A]\", \"inductance [H]\"]");
        toml.line("points", &format!("[{}]", CURVE.map(point).join(", ")));
    }
}
