//! Parts: what the inductor under comparison and the capacitors are, as data with SI units.
//!
//! Their physics that needs no circuit (flux linkage, saturation) lives in [`saturation`].

pub mod saturation;

/// Family of the core material, as far as it changes a default or a caution.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CoreFamily {
    /// Gapped ferrite: flat, then a sharp knee that moves to lower current when hot.
    Ferrite,
    /// Metal composite, moulded: soft saturation, little change with temperature.
    Composite,
    /// Pressed iron powder: soft saturation, may age thermally.
    IronPowder,
}

/// Incremental inductance against current at one temperature.
#[derive(Clone, Debug, PartialEq)]
pub struct SaturationCurve {
    /// Temperature of the core to which the curve belongs, in degrees Celsius.
    pub temperature_degc: f64,
    /// (current in A, incremental inductance in H), current ascending from 0, inductance positive and not rising.
    pub points: Vec<(f64, f64)>,
}

/// What the saturation curves of a part rest on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SaturationBasis {
    /// Printed or measured curves.
    Curves,
    /// Estimated from saturation ratings with a hard (`true`) or a soft knee.
    Ratings {
        /// Whether the knee is hard, as that of a gapped ferrite.
        hard: bool,
    },
    /// Neither curve nor rating: the inductance is held constant, and nothing can be said of any current.
    Nothing,
}

/// Current at which the inductance has dropped by a stated fraction (IEC 62024-2, "d.c. saturation limited current").
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SaturationRating {
    /// Rated current in A.
    pub current_a: f64,
    /// Stated drop of the inductance as a fraction, 0.3 for 30 %.
    pub drop: f64,
    /// Temperature of the rating in degrees Celsius.
    pub temperature_degc: f64,
}

/// Direct current that heats the part by a stated rise (IEC 62024-2, "temperature rise limited current").
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeatingRating {
    /// Rated current in A.
    pub current_a: f64,
    /// Stated rise in K.
    pub rise_k: f64,
}

/// Winding resistance for alternating current relative to direct current.
#[derive(Clone, Debug, PartialEq)]
pub struct AcResistance {
    /// (frequency in Hz, R_ac / R_dc), frequency ascending, ratio at least 1.
    pub ratio_points: Vec<(f64, f64)>,
}

/// Data from which the core loss is calculated.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum CoreLoss {
    /// Loss in W at a reference frequency and flux-linkage swing for a symmetric triangle (duty 0.5),
    /// with exponents of frequency and swing.
    VoltSeconds {
        /// Loss in W at the reference point.
        loss_w: f64,
        /// Reference frequency in Hz.
        frequency_hz: f64,
        /// Reference swing of the flux linkage, peak to peak, in V s.
        swing_wb: f64,
        /// Exponent of frequency.
        alpha: f64,
        /// Exponent of the swing.
        beta: f64,
    },
    /// Steinmetz coefficients for sinusoidal flux: P/V = k f^alpha B^beta (W/m3, Hz, T peak) with the core's geometry.
    Steinmetz {
        /// Coefficient in W/m3 for f in Hz and B in T.
        k_w_per_m3: f64,
        /// Exponent of frequency.
        alpha: f64,
        /// Exponent of the peak flux density.
        beta: f64,
        /// Core volume in m3.
        volume_m3: f64,
        /// Turns times core area in m2.
        turns_area_m2: f64,
    },
}

/// Outline of the body, maximum material condition, in m.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Body {
    /// Length along the axis through both terminals.
    pub length_m: f64,
    /// Width across that axis.
    pub width_m: f64,
    /// Height above the board.
    pub height_m: f64,
}

/// Two equal terminals facing each other, or the two pads of a land, in m.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PadPair {
    /// Extent of one terminal or pad along the axis through both.
    pub length_m: f64,
    /// Extent across that axis.
    pub width_m: f64,
    /// Free distance between the two.
    pub gap_m: f64,
}

/// Goals of the solder fillets of a joint and the tolerances of the board beside those of the part, in m (method of IPC-7351).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FilletGoals {
    /// Least extent of the pad beyond the outer end of the terminal.
    pub toe_m: f64,
    /// Least extent of the pad beyond the inner end of the terminal.
    pub heel_m: f64,
    /// Least extent of the pad beyond each side of the terminal.
    pub side_m: f64,
    /// Tolerance of the land on the board, whole width.
    pub fabrication_m: f64,
    /// Tolerance of the placement, whole width.
    pub placement_m: f64,
}

/// Tolerance of the terminals of a part in m, either way, where nobody states it: the largest that the format takes (common practice).
const USUAL_TERMINAL_TOLERANCE_M: f64 = 0.2e-3;

impl FilletGoals {
    /// By how much a fillet may be off the one of nominal dimensions, in m: the part's own tolerance with those of board and placement,
    /// as the root of the sum of squares, less what the part's own is counted twice (IPC-7351: from the least of a dimension all tolerances are taken).
    pub fn spread_m(&self, part: &Inductor) -> f64 {
        let own_m = part.terminal_tolerance_m.unwrap_or(USUAL_TERMINAL_TOLERANCE_M);
        let all_m = (4.0 * own_m * own_m + self.fabrication_m.powi(2) + self.placement_m.powi(2)).sqrt();
        0.5 * (all_m - own_m)
    }
}

/// Grade of a part or of a board, from the least demanding on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Grade {
    /// Commercial.
    Commercial = 1,
    /// Industrial.
    Industrial = 2,
    /// Automotive.
    Automotive = 3,
}

impl Grade {
    /// The most demanding one.
    pub const HIGHEST: Grade = Grade::Automotive;
}

/// How far the field of a part stays in its body, from the least on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Shield {
    /// Open core.
    Unshielded = 1,
    /// A core that is closed in part, such as by coated resin.
    Partial = 2,
    /// Closed core, or moulded.
    Shielded = 3,
}

impl Shield {
    /// The one that keeps most of the field.
    pub const BEST: Shield = Shield::Shielded;
}

/// What a part is, apart from its numbers. `None`: not stated.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Class {
    /// Grade.
    pub grade: Option<Grade>,
    /// Shield.
    pub shield: Option<Shield>,
    /// Whether the body shows where the winding begins.
    pub start_mark: Option<bool>,
    /// Winding temperature in degrees Celsius up to which the core is said not to age.
    pub no_ageing_degc: Option<f64>,
}

/// One inductor: the original on the board or an offered substitute.
#[derive(Clone, Debug, PartialEq)]
pub struct Inductor {
    /// Name as in the case.
    pub name: String,
    /// Family of the core material.
    pub core: CoreFamily,
    /// Nominal inductance in H.
    pub inductance_h: f64,
    /// Tolerance of the inductance as a fraction, 0.2 for 20 %.
    pub tolerance: f64,
    /// Incremental inductance against current, one curve a temperature, temperature ascending, at least one.
    pub saturation: Vec<SaturationCurve>,
    /// What these curves rest on.
    pub saturation_basis: SaturationBasis,
    /// Ratings of the saturation current.
    pub saturation_ratings: Vec<SaturationRating>,
    /// Rating of the heating current.
    pub heating_rating: Option<HeatingRating>,
    /// Typical winding resistance at 25 C in ohm.
    pub dcr_typical_ohm: f64,
    /// Largest winding resistance at 25 C in ohm.
    pub dcr_max_ohm: f64,
    /// Rise of the winding resistance with frequency; `None`: taken as equal to the d.c. value.
    pub ac_resistance: Option<AcResistance>,
    /// Core loss data; `None`: no core loss can be calculated, and every result says so.
    pub core_loss: Option<CoreLoss>,
    /// Fraction by which the core loss may exceed its data.
    pub core_loss_tolerance: f64,
    /// Thermal resistance from winding to ambient in K/W.
    pub thermal_resistance_k_per_w: f64,
    /// Time constant of the part above its board in s; `None`: by the size of its body.
    pub thermal_time_constant_s: Option<f64>,
    /// Highest temperature of the part including its own heating, in degrees Celsius.
    pub max_temperature_degc: Option<f64>,
    /// Rated voltage between the terminals in V.
    pub working_voltage_v: Option<f64>,
    /// Self-resonance in Hz.
    pub self_resonance_hz: Option<f64>,
    /// Outline.
    pub body: Option<Body>,
    /// Terminals.
    pub terminals: Option<PadPair>,
    /// Tolerance of their length over all, of their gap and of their width in m, either way; `None`: not stated.
    pub terminal_tolerance_m: Option<f64>,
    /// What it is, apart from its numbers.
    pub class: Class,
}

/// Kind of a capacitor, as far as it changes a rule for data that nobody printed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CapacitorKind {
    /// Multilayer ceramic.
    Ceramic,
    /// Conductive polymer.
    Polymer,
    /// Wet electrolytic.
    Electrolytic,
}

/// Time constants in s of resistance and capacitance below which a capacitor is a ceramic one, and a polymer one (derived from ordinary
/// parts: a ceramic of 22 uF has 3 mohm, a polymer one of 150 uF 22 mohm, an electrolytic one of 470 uF 40 mohm and more).
const KIND_BELOW_S: (f64, f64) = (1e-6, 12e-6);

impl CapacitorKind {
    /// Kind by the time constant of resistance in ohm and capacitance in F.
    pub fn by_time_constant(esr_ohm: f64, capacitance_f: f64) -> CapacitorKind {
        match esr_ohm * capacitance_f {
            constant_s if constant_s < KIND_BELOW_S.0 => CapacitorKind::Ceramic,
            constant_s if constant_s < KIND_BELOW_S.1 => CapacitorKind::Polymer,
            _ => CapacitorKind::Electrolytic,
        }
    }
}

/// One branch of a capacitor bank: `count` equal capacitors in parallel, already combined.
#[derive(Clone, Debug, PartialEq)]
pub struct CapacitorBranch {
    /// Name for messages and tables.
    pub name: String,
    /// Kind, which decides what holds for data that nobody printed.
    pub kind: CapacitorKind,
    /// Number of equal capacitors that it stands for.
    pub count: f64,
    /// Tolerance of the effective capacitance as a fraction, 0.2 for 20 %.
    pub tolerance: f64,
    /// Effective capacitance at the running bias, whole branch, in F.
    pub capacitance_f: f64,
    /// Effective capacitance at the end of life, whole branch, in F; equal to the above where not stated.
    pub aged_capacitance_f: f64,
    /// Series resistance, whole branch, in ohm. May be 0 in one branch without inductance.
    pub esr_ohm: f64,
    /// Share of that resistance that a good unit has.
    pub least_esr: f64,
    /// Multiple of it at -20 C, where that is stated.
    pub stated_cold_esr: Option<f64>,
    /// Series inductance, whole branch, in H; 0 for none.
    pub esl_h: f64,
    /// Rated ripple current (rms), whole branch, in A.
    pub ripple_rating_a: Option<f64>,
}

/// Multiple of the series resistance of an electrolytic capacitor at -20 C (range of ordinary data sheets: 3 to 10), and the span in K
/// below 20 C over which it grows by that.
const COLD_ELECTROLYTIC: (f64, f64) = (5.0, 40.0);

impl CapacitorBranch {
    /// Multiple of the series resistance at a temperature in degrees Celsius: as stated for -20 C, for an electrolytic capacitor five there,
    /// else one; it grows by the same factor with every kelvin below 20 C.
    pub fn cold_esr(&self, degc: f64) -> f64 {
        let usual = if self.kind == CapacitorKind::Electrolytic { COLD_ELECTROLYTIC.0 } else { 1.0 };
        let colder = (20.0 - degc).max(0.0) / COLD_ELECTROLYTIC.1;
        self.stated_cold_esr.unwrap_or(usual).powf(colder)
    }
}

impl PadPair {
    /// Fillets of a part's terminals on this land in m, both pairs centred: toe, heel, side. Negative where the terminal reaches over.
    pub fn fillets_m(&self, terminals: &PadPair) -> [f64; 3] {
        let over_all_m = |pair: &PadPair| pair.gap_m + 2.0 * pair.length_m;
        [
            0.5 * (over_all_m(self) - over_all_m(terminals)),
            0.5 * (terminals.gap_m - self.gap_m),
            0.5 * (self.width_m - terminals.width_m),
        ]
    }

    /// Share of each terminal's area that lies on its pad, both pairs centred on each other.
    pub fn share_on(&self, land: &PadPair) -> f64 {
        let (begin, end) = (0.5 * self.gap_m, 0.5 * self.gap_m + self.length_m);
        let (pad_begin, pad_end) = (0.5 * land.gap_m, 0.5 * land.gap_m + land.length_m);
        let along = (end.min(pad_end) - begin.max(pad_begin)).max(0.0);
        let across = self.width_m.min(land.width_m);
        along * across / (self.length_m * self.width_m)
    }
}
