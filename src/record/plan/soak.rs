//! Temperature over time in a soak: when the bench may call it steady, and what it would read.
//!
//! The rule: docs/physics.md, "bench plan"; the equation: "thermal-soak".

use super::super::layout::{BenchSoak, SoakLate, SoakPart, SoakPoint, SoakRange};
use super::super::words::say;
use super::settings::WARM_UP_MIN;
use crate::condition::figures::{Failure, Note, PartFigures};
use crate::condition::stand::Stand;
use crate::loss::copper;
use crate::loss::soak::{Cooling, Losses, Soak};
use crate::model::case::Case;
use crate::model::corner::{CORNERS, NOMINAL};
use crate::model::parts::Inductor;

/// Minutes after the begin at which the winding's temperature is told.
const TOLD_MIN: [f64; 6] = [1.0, 2.0, 5.0, 10.0, 20.0, 30.0];
/// Steady: the winding moves by less than so many K in so many seconds (the rule of IEC 62368-1, B.1.6, for what stays well below its limit,
/// quoted from memory).
const STEADY: (f64, f64) = (1.0, 300.0);
/// Longest soak that is followed, in s: longer than any bench waits.
const FOLLOWED_S: f64 = 6.0 * 3600.0;
/// Share of the thermal resistance that is the board's: as the doubt about it is split, 20 % common to 22 % own. Least and most: common
/// practice, no source.
const BOARD_SHARE: [f64; 3] = [0.2 / 0.42, 0.3, 0.7];
/// Time constant of a board in s: 3 to 10 min (common practice), the middle in equal ratios.
const BOARD_S: [f64; 3] = [329.0, 180.0, 600.0];
/// Factors on a time constant that the case states: as little is known of it as of any typical value of heat.
const STATED: [f64; 3] = [1.0, 0.6, 1.4];
/// Factors on a part's time constant from the size of its body.
const BY_BODY: [f64; 3] = [1.0, 0.5, 2.0];
/// The same where even the size follows from the thermal resistance.
const BY_RESISTANCE: [f64; 3] = [1.0, 0.3, 3.0];
/// Density of an inductor in kg/m3 and its specific heat in J/(kg K): core, copper and plastic together (derived from ordinary parts).
const DENSITY_KG_PER_M3: f64 = 4800.0;
const HEAT_J_PER_KG_K: f64 = 550.0;
/// Rule of missing data, R = 61 K/W (6.6 mm / side)^0.86, turned round; and the usual height as a share of the side.
const SIZE: (f64, f64, f64) = (61.0, 6.6e-3, 0.86);
const HEIGHT_SHARE: f64 = 0.6;
/// Temperatures between cold and settled at which the losses are simulated.
const EVALUATED: usize = 5;
/// Where there is no settled state the losses are followed to so far above the limit, in K.
const BEYOND_LIMIT_K: f64 = 40.0;
/// Limit of a winding of which nobody states one, in degrees Celsius (rule of missing data).
const USUAL_LIMIT_DEGC: f64 = 125.0;
/// Seconds after switching off at which a resistance may be read.
const LATE_S: [f64; 3] = [5.0, 10.0, 30.0];
/// By how much the surface of a body stays below its winding, as a share of the part's own rise (common practice, no source).
const SURFACE_BELOW: f64 = 0.3;

/// What the soak of all parts is expected to show, at full load and the input at which a nominal part gets hottest.
pub(super) fn soak(case: &Case, parts: &[PartFigures]) -> Option<BenchSoak> {
    let (input_v, load_a) = hottest(case, parts)?;
    let bench = at_bench(case);
    let soaked = |index: usize| Soaked::of(&bench, index, input_v, load_a).ok().flatten();
    let all: Vec<(usize, Soaked)> = (0..parts.len()).filter_map(|index| Some((index, soaked(index)?))).collect();
    if all.is_empty() {
        return None;
    }
    let minutes = all.iter().filter_map(|(_, soaked)| soaked.steady_min()).map(|range| range.most).fold(0.0, f64::max);
    let minutes = minutes.ceil().max(WARM_UP_MIN);
    Some(BenchSoak {
        place: format!("{} input, {} load", say(input_v, "V"), say(load_a, "A")),
        input_v,
        load_a,
        ambient_degc: bench.board.ambient_degc,
        minutes,
        rule: format!(
            "steady: less than {} in {:.0} min (as IEC 62368-1, B.1.6, from memory)",
            say(STEADY.0, "K"),
            STEADY.1 / 60.0
        ),
        parts: all.iter().map(|(index, soaked)| soaked.record(&bench, *index, minutes)).collect(),
        remarks: remarks(),
    })
}

/// By how much a part's winding is still below its settled temperature after a soak of some minutes, in K; `None` where it does not settle.
pub(super) fn still_to_come_k(case: &Case, index: usize, (input_v, load_a): (f64, f64), minutes: f64) -> Option<f64> {
    Soaked::of(&at_bench(case), index, input_v, load_a).ok().flatten()?.to_come_k(0, minutes)
}

/// The case at the bench's own ambient.
fn at_bench(case: &Case) -> Case {
    let mut bench = case.clone();
    bench.board.ambient_degc = case.bench.ambient_degc.unwrap_or(case.board.ambient_degc);
    bench
}

/// Input in V and load in A of the hottest nominal steady state at full load.
fn hottest(case: &Case, parts: &[PartFigures]) -> Option<(f64, f64)> {
    let full_a = case.board.full_load_a();
    let results = parts.iter().flat_map(|part| &part.results).filter(|figures| {
        let place = figures.place;
        place.condition == "steady" && place.corner == NOMINAL && place.load_a == Some(full_a)
    });
    let hottest = results.max_by(|a, b| a.winding_degc.unwrap_or(0.0).total_cmp(&b.winding_degc.unwrap_or(0.0)))?;
    Some((hottest.place.input_v?, full_a))
}

/// Time constant of a part in s, as shown and at its ends.
fn part_s(part: &Inductor) -> [f64; 3] {
    let (factors, shown_s) = match (part.thermal_time_constant_s, part.body) {
        (Some(stated_s), _) => (STATED, stated_s),
        (None, Some(body)) => (BY_BODY, by_volume_s(part, body.length_m * body.width_m * body.height_m)),
        (None, None) => {
            let (known_k_per_w, known_m, exponent) = SIZE;
            let side_m = known_m * (known_k_per_w / part.thermal_resistance_k_per_w).powf(1.0 / exponent);
            (BY_RESISTANCE, by_volume_s(part, HEIGHT_SHARE * side_m.powi(3)))
        }
    };
    factors.map(|factor| factor * shown_s)
}

fn by_volume_s(part: &Inductor, volume_m3: f64) -> f64 {
    part.thermal_resistance_k_per_w * volume_m3 * DENSITY_KG_PER_M3 * HEAT_J_PER_KG_K
}

/// Every way in which part and board may warm up: as shown, then all combinations of the ends.
fn coolings(case: &Case, part: &Inductor) -> Vec<Cooling> {
    let stated_s = case.number("stage.thermal_time_constant");
    let board_s = stated_s.map_or(BOARD_S, |stated_s| STATED.map(|factor| factor * stated_s));
    let part_s = part_s(part);
    let of = |a: usize, b: usize, c: usize| Cooling {
        resistance_k_per_w: part.thermal_resistance_k_per_w,
        board_share: BOARD_SHARE[a],
        part_s: part_s[b],
        board_s: board_s[c],
    };
    let ends = (0..8).map(|k| of(1 + k % 2, 1 + k / 2 % 2, 1 + k / 4));
    std::iter::once(of(0, 0, 0)).chain(ends).collect()
}

/// The soaks of a nominal part.
struct Soaked {
    /// As shown, then with the time constants at their ends.
    soaks: Vec<Soak>,
    part_s: [f64; 3],
    settled_degc: Option<f64>,
    limit_degc: f64,
}

impl Soaked {
    /// `None` without losses that could be followed.
    fn of(case: &Case, index: usize, input_v: f64, load_a: f64) -> Result<Option<Soaked>, Failure> {
        let part = &case.parts[index];
        let stand = Stand::new(case, part, CORNERS[0], input_v);
        let warm = stand.warm(load_a)?;
        let settles = match warm.unsettled {
            None => warm.budget.is_ok(),
            Some(Note::ThermalRunaway) => false,
            Some(_) => return Ok(None),
        };
        let limits = [part.max_temperature_degc, case.limits.winding_degc];
        let limit_degc = limits.into_iter().flatten().reduce(f64::min).unwrap_or(USUAL_LIMIT_DEGC);
        let ambient_degc = case.board.ambient_degc;
        let settled_degc = settles.then_some(warm.winding_degc);
        let hottest_degc = settled_degc.unwrap_or(limit_degc.max(ambient_degc) + BEYOND_LIMIT_K);
        let mut points = vec![];
        for k in 0..EVALUATED {
            let share = k as f64 / (EVALUATED - 1) as f64;
            let degc = ambient_degc + share * (hottest_degc - ambient_degc);
            points.push((degc, stand.inductor_loss_w(load_a, degc)?));
        }
        let Some(losses) = Losses::new(points) else { return Ok(None) };
        let soak = |cooling: Cooling| Soak::from_cold(cooling, ambient_degc, &losses, FOLLOWED_S);
        let soaks = coolings(case, part).into_iter().map(soak).collect();
        Ok(Some(Soaked { soaks, part_s: part_s(part), settled_degc, limit_degc }))
    }

    /// A value over all time constants; `None` where the shown ones give none.
    fn range(&self, of: impl Fn(&Soak) -> Option<f64>) -> Option<SoakRange> {
        let shown = of(&self.soaks[0])?;
        let all = self.soaks.iter().filter_map(of);
        let (least, most) = all.fold((shown, shown), |(least, most), value| (least.min(value), most.max(value)));
        Some(SoakRange { shown, least, most })
    }

    /// When the bench may call it steady, in minutes; `None` where it does not settle.
    fn steady_min(&self) -> Option<SoakRange> {
        self.settled_degc?;
        self.range(|soak| Some(soak.steady_s(STEADY.0, STEADY.1)? / 60.0))
    }

    /// What the winding still rises after some minutes, in K, for one of the soaks.
    fn to_come_k(&self, soak: usize, minutes: f64) -> Option<f64> {
        Some((self.settled_degc? - self.soaks[soak].winding_degc(60.0 * minutes)?).max(0.0))
    }

    fn record(&self, case: &Case, index: usize, minutes: f64) -> SoakPart {
        let soaked_s = 60.0 * minutes;
        let point = |at_min: f64| {
            let winding_degc = self.range(|soak| soak.winding_degc(60.0 * at_min))?;
            Some(SoakPoint { minutes: at_min, winding_degc })
        };
        let ohm = |degc: f64| copper::resistance_ohm(1.0, degc);
        let late = |late_s: f64| Some(SoakLate { after_s: late_s, low_k: self.range(|s| s.late_k(soaked_s, late_s))? });
        let surface = |below: f64| {
            move |soak: &Soak| Some(soak.winding_degc(soaked_s)? - below * SURFACE_BELOW * soak.rise(soaked_s)?.part_k)
        };
        let settles = self.settled_degc.is_some();
        SoakPart {
            part: case.parts[index].name.clone(),
            time_constant_s: SoakRange { shown: self.part_s[0], least: self.part_s[1], most: self.part_s[2] },
            curve: TOLD_MIN.into_iter().filter_map(point).collect(),
            settled_degc: self.settled_degc,
            steady_min: self.steady_min(),
            to_come_k: (0..self.soaks.len()).filter_map(|soak| self.to_come_k(soak, minutes)).reduce(f64::max),
            limit_degc: self.limit_degc,
            over_limit_min: self.range(|soak| Some(soak.passes_s(self.limit_degc)? / 60.0)),
            resistance_ratio: self
                .range(|soak| Some(ohm(soak.winding_degc(soaked_s)?) / ohm(case.board.ambient_degc)))
                .filter(|_| settles),
            late: if settles { LATE_S.into_iter().filter_map(late).collect() } else { vec![] },
            surface_degc: self.range(surface(1.0)).zip(self.range(surface(0.0))).filter(|_| settles).map(
                |(below, level)| SoakRange {
                    shown: 0.5 * (below.shown + level.shown),
                    least: below.least,
                    most: level.most,
                },
            ),
        }
    }
}

fn remarks() -> Vec<String> {
    vec![
        format!(
            "Soak: parts of nominal data, from cold; the losses follow the winding. Two time constants: the part's (its body's mass; half to \
             double where only the size is known) and the board's, {:.0} to {:.0} min, which has {:.0} to {:.0} % of the thermal resistance \
             (common practice, no source). Ranges are over these alone; state `thermal_time_constant` of part and stage to narrow them.",
            BOARD_S[1] / 60.0,
            BOARD_S[2] / 60.0,
            100.0 * BOARD_SHARE[1],
            100.0 * BOARD_SHARE[2]
        ),
        format!(
            "The resistance method reads the mean of the winding as it is at that moment: draw it back to the switching off. A camera or a \
             thermocouple on the body reads 0 to {:.0} % of the part's own rise below the winding (common practice, no source).",
            100.0 * SURFACE_BELOW
        ),
    ]
}
