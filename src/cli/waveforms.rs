//! `presolder waveforms`.

use super::{Done, output};
use crate::board::LoadStep;
use crate::case::{self, Case};
use crate::compare::judge::say;
use crate::engine::error::EngineError;
use crate::engine::machine::{Begin, INTERRUPT, Machine};
use crate::engine::program::Program;
use crate::engine::steady::Orbit;
use crate::error::Error;
use crate::measure::curves::{Grid, Sample};
use crate::measure::steady;
use crate::measure::step::Timing;
use crate::report::claim::Claim;
use crate::run::events::{Event, Setup};
use crate::run::{self, CORNERS, Corner};
use crate::units::{self, Dimension};
use crate::visible::{visible, visible_path};
use clap::{Args, ValueEnum};
use std::fs::File;
use std::io::{BufWriter, ErrorKind, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;

const EXAMPLE: &str = "Example:\n  presolder waveforms cases/valve-controller --part Kestrel-10 --condition load-step --every 50ns \
--from -5us --to 60us --out dip.csv\n\nColumns in SI units: time_s, output_v, output_20mhz_v, inductor_a, load_a, switch_v, control_v. \
Time counts from a clock edge (steady), or from the begin of the step, the start or the short circuit. The winding is at the \
temperature of the steady state at that load (steady), at the upper level (load-step) or at full load.";

/// Most samples written: beyond that a typing error is likelier than a wish.
const MOST_SAMPLES: f64 = 5e7;
/// Most switching periods simulated, for the same reason.
const MOST_PERIODS: f64 = 1e7;
/// Periods of a steady state shown unless told otherwise.
const STEADY_PERIODS: f64 = 2.0;
/// Input voltages in V that a case may state as well.
const INPUT_V: (f64, f64) = (1.0, 1000.0);
/// Most load current in A that a case may state as well.
const MOST_LOAD_A: f64 = 1000.0;

/// Condition whose waveforms are wanted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Condition {
    /// Periodic steady state.
    Steady,
    /// Load step and release of the board.
    LoadStep,
    /// Start at full load.
    Start,
    /// Step of the input voltage and back.
    InputStep,
    /// Load that grows until the output gives way.
    Overload,
    /// Short circuit at the output and its end.
    ShortCircuit,
    /// Pulses at the lightest load.
    LightLoad,
}

impl Condition {
    fn event(self) -> Option<Event> {
        match self {
            Condition::Steady | Condition::LoadStep => None,
            Condition::Start => Some(Event::Start),
            Condition::InputStep => Some(Event::InputStep),
            Condition::Overload => Some(Event::Overload),
            Condition::ShortCircuit => Some(Event::Short),
            Condition::LightLoad => Some(Event::LightLoad),
        }
    }
}

/// Corner of the tolerances.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum CornerName {
    /// Everything as stated.
    Nominal,
    /// Least inductance, worn parts.
    LowL,
    /// Most inductance, worn parts.
    HighL,
}

impl CornerName {
    fn corner(self) -> Corner {
        CORNERS[match self {
            CornerName::Nominal => 0,
            CornerName::LowL => 1,
            CornerName::HighL => 2,
        }]
    }
}

fn time(text: &str) -> Result<f64, String> {
    quantity(text, Dimension::Time)
}

fn voltage(text: &str) -> Result<f64, String> {
    quantity(text, Dimension::Voltage)
}

fn current(text: &str) -> Result<f64, String> {
    quantity(text, Dimension::Current)
}

fn quantity(text: &str, dimension: Dimension) -> Result<f64, String> {
    units::parse(text, dimension).map_err(|refusal| format!("expected {}: {}", refusal.expected, refusal.hint))
}

/// Arguments of `waveforms`.
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Waveforms {
    /// Folder of the case: board.toml with parts.toml or parts.csv.
    case: PathBuf,
    /// Name of the part [default: the original].
    #[arg(long, value_name = "NAME")]
    part: Option<String>,
    /// Condition.
    #[arg(long, value_enum, default_value = "steady")]
    condition: Condition,
    /// Input voltage [default: nominal], for example 24V.
    #[arg(long, value_name = "VOLTAGE", value_parser = voltage, allow_hyphen_values = true)]
    input: Option<f64>,
    /// Load current of the steady state [default: full load], for example 2A. Other conditions take theirs from the case.
    #[arg(long, value_name = "CURRENT", value_parser = current, allow_hyphen_values = true)]
    load: Option<f64>,
    /// Corner of the tolerances.
    #[arg(long, value_enum, default_value = "nominal")]
    corner: CornerName,
    /// Distance of the samples [default: a two-hundredth (steady) or a twentieth of the period].
    #[arg(long, value_name = "TIME", value_parser = time, allow_hyphen_values = true)]
    every: Option<f64>,
    /// First sample [default: 0 s], for example -5us before a load step.
    #[arg(long, value_name = "TIME", value_parser = time, allow_hyphen_values = true)]
    from: Option<f64>,
    /// Last sample [default: two periods (steady) or the end of the run].
    #[arg(long, value_name = "TIME", value_parser = time, allow_hyphen_values = true)]
    to: Option<f64>,
    /// File to write [default: standard output]. An existing file is not overwritten.
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

/// A run with its begin and time axis.
struct Plan {
    begin: Begin,
    program: Program,
    origin: (u64, f64),
    cycles: u64,
    span_s: (f64, f64),
    every_s: f64,
}

impl Waveforms {
    /// Does it.
    pub fn run(&self) -> Result<Done, Error> {
        let case = case::read(&self.case)?;
        output::begin_simulating();
        let case = run::prepared(&case)?;
        let index = self.part_index(&case)?;
        let input_v = self.input_v(&case)?;
        let failed =
            |error: EngineError| Error::Simulation { source: error, condition: case.parts[index].name.clone() };
        let (mut machine, plan) = match self.condition.event() {
            Some(event) => self.event_plan(&case, index, input_v, event)?,
            None => self.periodic_plan(&case, index, input_v, &failed)?,
        };
        let mut sink = CsvSink::open(self.out.as_deref())?;
        let mut grid =
            Grid::new(plan.origin, machine.period_s(), plan.every_s, plan.span_s, |sample| sink.write(&sample));
        let mut program = plan.program;
        let mut state = machine.begin(plan.begin);
        let ran = machine.run(&mut state, plan.cycles, &mut program, &mut grid, None);
        match ran {
            // The sink asks for the stop when nothing more can be written.
            Err(EngineError::Interrupted) if sink.failed.is_some() => sink.close().map(|()| Done::Well),
            Err(EngineError::Interrupted) => Err(Error::Interrupted),
            Err(error) => Err(failed(error)),
            Ok(()) => sink.close().map(|()| Done::Well),
        }
    }

    /// A steady state or a load step from one.
    fn periodic_plan(
        &self,
        case: &Case,
        index: usize,
        input_v: f64,
        failed: &dyn Fn(EngineError) -> Error,
    ) -> Result<(Machine, Plan), Error> {
        let step = match self.condition {
            Condition::LoadStep => Some(case.board.load_step.ok_or_else(|| not_stated(case, "load.step"))?),
            _ => None,
        };
        let steady_a = self.load_a(case)?;
        let load_a = step.map_or(steady_a, |step| step.to_a);
        let warm = run::warm_steady(case, &case.parts[index], self.corner.corner(), input_v, load_a)?;
        let mut machine = warm.machine;
        let plan = match step {
            None => self.steady_plan(machine.period_s(), &warm.steady.orbit)?,
            Some(step) => {
                let low = steady::measure(&mut machine, step.from_a).map_err(failed)?;
                let timing = self.timing(&step, machine.period_s(), low.orbit.periods)?;
                let program = timing.program(&step, &machine);
                self.step_plan(machine.period_s(), Begin::Clock(low.orbit.x), program, &timing)?
            }
        };
        Ok((machine, plan))
    }

    /// What befalls the board.
    fn event_plan(&self, case: &Case, index: usize, input_v: f64, event: Event) -> Result<(Machine, Plan), Error> {
        self.load_a(case)?;
        let setup = run::events::setup(case, index, self.corner.corner(), input_v, event)?;
        let key = match event {
            Event::Start => "start",
            Event::InputStep => "input.step",
            Event::Overload => "load.overload",
            Event::Short => "load.short",
            Event::LightLoad => "load.lightest",
        };
        let Setup { machine, begin, program, origin, cycles, .. } = setup.ok_or_else(|| not_stated(case, key))?;
        let period_s = machine.period_s();
        let end_s = (cycles - origin.0) as f64 * period_s - origin.1;
        let span_s = (self.from.unwrap_or(0.0), self.to.unwrap_or(end_s));
        let begin_s = -(origin.0 as f64 * period_s + origin.1);
        for (name, wanted_s) in [("--from", span_s.0), ("--to", span_s.1)] {
            if !(begin_s..=end_s).contains(&wanted_s) {
                return Err(Error::Output(format!(
                    "error: {name} {}: expected a time from {} to {}, the begin and the end of this run",
                    say(wanted_s, "s"),
                    say(begin_s, "s"),
                    say(end_s, "s")
                )));
            }
        }
        let every_s = self.every.unwrap_or(period_s / 20.0);
        let mut plan = self.plan((begin, program), origin, span_s, every_s, period_s)?;
        plan.cycles = plan.cycles.min(cycles);
        Ok((machine, plan))
    }

    fn part_index(&self, case: &Case) -> Result<usize, Error> {
        let Some(name) = &self.part else { return Ok(0) };
        run::part_index(case, name).ok_or_else(|| {
            let names: Vec<&str> = case.parts.iter().map(|part| part.name.as_str()).collect();
            Error::Output(format!(
                "error: --part {}: the case {} has no such part; it has {}",
                visible(name),
                case.name,
                names.join(", ")
            ))
        })
    }

    fn input_v(&self, case: &Case) -> Result<f64, Error> {
        let input_v = self.input.unwrap_or(case.board.nominal_input_v);
        if input_v > case.board.output_v && (INPUT_V.0..=INPUT_V.1).contains(&input_v) {
            return Ok(input_v);
        }
        Err(Error::Output(format!(
            "error: --input {}: expected more than the output voltage of {}, from {} to {}",
            say(input_v, "V"),
            say(case.board.output_v, "V"),
            say(INPUT_V.0, "V"),
            say(INPUT_V.1, "V")
        )))
    }

    /// Load current of the steady state. What a case may not ask for is refused here too.
    fn load_a(&self, case: &Case) -> Result<f64, Error> {
        let full_a = case.board.load_a.last().copied().unwrap_or(0.0);
        let Some(load_a) = self.load else { return Ok(full_a) };
        let wrong =
            |expected: String| Err(Error::Output(format!("error: --load {}: expected {expected}", say(load_a, "A"))));
        let lowest_a = case.board.control.protection.lowest_peak_a();
        match lowest_a {
            _ if self.condition != Condition::Steady => {
                wrong("no load current but with --condition steady: the others take theirs from board.toml".into())
            }
            _ if !(0.0..=MOST_LOAD_A).contains(&load_a) => {
                wrong(format!("a current from 0 A to {}", say(MOST_LOAD_A, "A")))
            }
            Some(lowest_a) if load_a >= lowest_a => wrong(format!(
                "less than the lowest current-limit threshold of {}: the board could not deliver it",
                say(lowest_a, "A")
            )),
            _ => Ok(load_a),
        }
    }

    /// Timing of the load step with as many periods before it as the first sample asks for.
    fn timing(&self, step: &LoadStep, period_s: f64, orbit_periods: u64) -> Result<Timing, Error> {
        let mut timing = Timing::new(step, period_s, 0.0);
        let wanted = (-self.from.unwrap_or(0.0) / period_s).ceil().max(0.0);
        if wanted > MOST_PERIODS {
            return Err(too_many_periods("--from", self.from.unwrap_or(0.0)));
        }
        // Whole orbits, so that the step meets the phase that it meets without them.
        let more = (wanted as u64).saturating_sub(timing.step.0).next_multiple_of(orbit_periods.max(1));
        timing.step.0 += more;
        timing.release.0 += more;
        timing.cycles += more;
        Ok(timing)
    }

    fn steady_plan(&self, period_s: f64, orbit: &Orbit) -> Result<Plan, Error> {
        let from_s = self.from.unwrap_or(0.0);
        if from_s < 0.0 {
            return Err(Error::Output(format!(
                "error: --from {}: expected 0 s or later: a steady state has nothing before its first clock edge",
                say(from_s, "s")
            )));
        }
        // Two periods from wherever the first sample is.
        let span_s = (from_s, self.to.unwrap_or(from_s + STEADY_PERIODS * period_s));
        let every_s = self.every.unwrap_or(period_s / 200.0);
        let run = (Begin::Clock(orbit.x), Program::constant(orbit.program_a));
        self.plan(run, (0, 0.0), span_s, every_s, period_s)
    }

    fn step_plan(&self, period_s: f64, begin: Begin, program: Program, timing: &Timing) -> Result<Plan, Error> {
        let end_s = (timing.cycles - timing.step.0) as f64 * period_s - timing.step.1;
        for (name, wanted) in [("--from", self.from), ("--to", self.to)] {
            if let Some(wanted_s) = wanted.filter(|wanted_s| *wanted_s > end_s) {
                return Err(Error::Output(format!(
                    "error: {name} {}: expected at most {}, the end of step and release: a longer load.step.hold in board.toml moves it",
                    say(wanted_s, "s"),
                    say(end_s, "s")
                )));
            }
        }
        let span_s = (self.from.unwrap_or(0.0), self.to.unwrap_or(end_s));
        let every_s = self.every.unwrap_or(period_s / 20.0);
        let mut plan = self.plan((begin, program), timing.step, span_s, every_s, period_s)?;
        plan.cycles = plan.cycles.min(timing.cycles);
        Ok(plan)
    }

    fn plan(
        &self,
        (begin, program): (Begin, Program),
        origin: (u64, f64),
        span_s: (f64, f64),
        every_s: f64,
        period_s: f64,
    ) -> Result<Plan, Error> {
        let wrong = |text: String| Err(Error::Output(text));
        if every_s <= 0.0 {
            return wrong(format!("error: --every {}: expected a time above zero", say(every_s, "s")));
        }
        if span_s.1 < span_s.0 {
            return wrong(format!("error: --to {} lies before --from {}", say(span_s.1, "s"), say(span_s.0, "s")));
        }
        if (span_s.1 - span_s.0) / every_s > MOST_SAMPLES {
            return wrong(format!(
                "error: --every {} makes more than {MOST_SAMPLES:.0e} samples: choose a longer distance or a shorter span",
                say(every_s, "s")
            ));
        }
        if span_s.1 / period_s > MOST_PERIODS {
            return Err(too_many_periods("--to", span_s.1));
        }
        let cycles = origin.0 + ((span_s.1 + origin.1).max(0.0) / period_s).floor() as u64 + 1;
        Ok(Plan { begin, program, origin, cycles, span_s, every_s })
    }
}

fn not_stated(case: &Case, key: &str) -> Error {
    Error::Output(format!("error: the case {} does not state this condition: give {key} in board.toml", case.name))
}

fn too_many_periods(option: &str, time_s: f64) -> Error {
    Error::Output(format!(
        "error: {option} {} is more than {MOST_PERIODS:.0e} switching periods away: choose a shorter span",
        say(time_s, "s")
    ))
}

/// Writes samples as CSV, to standard output or to a file that appears only when it is whole.
struct CsvSink {
    out: Box<dyn Write>,
    /// The place of the file, which the draft is moved to.
    file: Option<Claim>,
    failed: Option<std::io::Error>,
}

impl CsvSink {
    fn open(file: Option<&Path>) -> Result<CsvSink, Error> {
        let (out, file): (Box<dyn Write>, _) = match file {
            None => (Box::new(BufWriter::new(std::io::stdout())), None),
            Some(path) => {
                refuse_existing(path)?;
                let claim = Claim::on(path).map_err(output::report_error)?;
                output::note_target(path);
                let out = File::create(claim.draft()).map_err(|source| CsvSink::trouble(path, source))?;
                (Box::new(BufWriter::new(out)), Some(claim))
            }
        };
        let mut sink = CsvSink { out, file, failed: None };
        sink.line("time_s,output_v,output_20mhz_v,inductor_a,load_a,switch_v,control_v");
        Ok(sink)
    }

    fn trouble(path: &Path, source: std::io::Error) -> Error {
        Error::Io { path: path.to_path_buf(), action: "write".into(), source }
    }

    fn line(&mut self, text: &str) {
        if self.failed.is_some() {
            return;
        }
        if let Err(error) = writeln!(self.out, "{text}\r") {
            self.failed = Some(error);
            // Nothing more can be written: the simulation may stop.
            INTERRUPT.store(true, Ordering::Relaxed);
        }
    }

    fn write(&mut self, s: &Sample) {
        self.line(&format!(
            "{:.10e},{:.9e},{:.9e},{:.9e},{:.9e},{:.9e},{:.9e}",
            s.time_s, s.output_v, s.instrument_v, s.current_a, s.load_a, s.switch_v, s.control_v
        ));
    }

    fn close(mut self) -> Result<(), Error> {
        if self.failed.is_none() {
            self.failed = self.out.flush().err();
        }
        let place = self.file.as_ref().map_or(Path::new("standard output"), Claim::target);
        match self.failed.take() {
            Some(error) if error.kind() == ErrorKind::BrokenPipe => return Ok(()),
            Some(error) => return Err(CsvSink::trouble(place, error)),
            None => {}
        }
        let Some(claim) = &self.file else { return Ok(()) };
        refuse_existing(claim.target())?;
        std::fs::rename(claim.draft(), claim.target()).map_err(|source| CsvSink::trouble(claim.target(), source))
    }
}

/// Nothing that exists is overwritten.
fn refuse_existing(path: &Path) -> Result<(), Error> {
    if std::fs::symlink_metadata(path).is_err() {
        return Ok(());
    }
    Err(Error::Output(format!(
        "error: {} exists already and is not overwritten: choose another name or remove it",
        visible_path(path)
    )))
}
