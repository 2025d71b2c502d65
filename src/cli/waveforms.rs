//! `presolder waveforms`.

use super::Done;
use crate::case::{self, Case};
use crate::compare::judge::say;
use crate::engine::error::EngineError;
use crate::engine::machine::INTERRUPT;
use crate::engine::program::Program;
use crate::error::Error;
use crate::measure::curves::{Grid, Sample};
use crate::measure::steady;
use crate::measure::step::Timing;
use crate::run::{self, CORNERS, Corner};
use crate::units::{self, Dimension};
use clap::{Args, ValueEnum};
use std::fs::File;
use std::io::{BufWriter, ErrorKind, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;

const EXAMPLE: &str = "Example:\n  presolder waveforms cases/valve-controller --part Kestrel-10 --condition load-step --every 50ns \
--from -5us --to 60us --out dip.csv\n\nColumns in SI units: time_s, output_v, output_20mhz_v, inductor_a, load_a, switch_v, control_v. \
Time counts from a clock edge (steady) or from the begin of the step (load-step). The winding is at the temperature of the \
steady state at that load (steady) or at the upper level (load-step).";

/// Most samples written: beyond that a typing error is likelier than a wish.
const MOST_SAMPLES: f64 = 5e7;
/// Periods of a steady state shown unless told otherwise.
const STEADY_PERIODS: f64 = 2.0;

/// Condition whose waveforms are wanted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Condition {
    /// Periodic steady state.
    Steady,
    /// Load step and release of the board.
    LoadStep,
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
    #[arg(long, value_name = "VOLTAGE", value_parser = voltage)]
    input: Option<f64>,
    /// Load current of the steady state [default: full load], for example 2A.
    #[arg(long, value_name = "CURRENT", value_parser = current)]
    load: Option<f64>,
    /// Corner of the tolerances.
    #[arg(long, value_enum, default_value = "nominal")]
    corner: CornerName,
    /// Distance of the samples [default: a two-hundredth (steady) or a twentieth (load step) of the period].
    #[arg(long, value_name = "TIME", value_parser = time)]
    every: Option<f64>,
    /// First sample, for example -5us.
    #[arg(long, value_name = "TIME", value_parser = time, allow_hyphen_values = true)]
    from: Option<f64>,
    /// Last sample.
    #[arg(long, value_name = "TIME", value_parser = time, allow_hyphen_values = true)]
    to: Option<f64>,
    /// File to write [default: standard output]. An existing file is not overwritten.
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

/// A run with its time axis.
struct Plan {
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
        let index = self.part_index(&case)?;
        let input_v = self.input.unwrap_or(case.board.nominal_input_v);
        if input_v <= case.board.output_v {
            return Err(Error::Output(format!(
                "error: --input {}: expected more than the output voltage of {}",
                say(input_v, "V"),
                say(case.board.output_v, "V")
            )));
        }
        let step = match self.condition {
            Condition::Steady => None,
            Condition::LoadStep => Some(case.board.load_step.ok_or_else(|| {
                Error::Output(format!(
                    "error: the case {} states no load step: give load.step in board.toml",
                    case.name
                ))
            })?),
        };
        let full_a = case.board.load_a.last().copied().unwrap_or(0.0);
        let load_a = step.map_or(self.load.unwrap_or(full_a), |step| step.to_a);
        let warm = run::warm_steady(&case, &case.parts[index], self.corner.corner(), input_v, load_a)?;
        let mut machine = warm.machine;
        let failed =
            |error: EngineError| Error::Simulation { source: error, condition: case.parts[index].name.clone() };
        let (start, plan) = match step {
            None => (warm.steady.orbit.clone(), self.steady_plan(machine.period_s(), warm.steady.orbit.program_a)?),
            Some(step) => {
                let low = steady::measure(&mut machine, step.from_a).map_err(failed)?;
                let timing = Timing::new(&step, machine.period_s(), 0.0);
                let program = timing.program(&step, &machine);
                (low.orbit, self.step_plan(machine.period_s(), program, &timing)?)
            }
        };
        let mut sink = CsvSink::open(self.out.as_deref())?;
        let mut grid =
            Grid::new(plan.origin, machine.period_s(), plan.every_s, plan.span_s, |sample| sink.write(&sample));
        let mut program = plan.program;
        let mut state = machine.at_clock(start.x);
        let ran = machine.run(&mut state, plan.cycles, &mut program, &mut grid, None);
        match ran {
            // The sink asks for the stop when its reader has gone away.
            Err(EngineError::Interrupted) if sink.reader_gone => Ok(Done::Well),
            Err(EngineError::Interrupted) => Err(Error::Interrupted),
            Err(error) => Err(failed(error)),
            Ok(()) => sink.close().map(|()| Done::Well),
        }
    }

    fn part_index(&self, case: &Case) -> Result<usize, Error> {
        let Some(name) = &self.part else { return Ok(0) };
        run::part_index(case, name).ok_or_else(|| {
            let names: Vec<&str> = case.parts.iter().map(|part| part.name.as_str()).collect();
            Error::Output(format!(
                "error: --part {name}: the case {} has no such part; it has {}",
                case.name,
                names.join(", ")
            ))
        })
    }

    fn steady_plan(&self, period_s: f64, program_a: f64) -> Result<Plan, Error> {
        let span_s = (self.from.unwrap_or(0.0), self.to.unwrap_or(STEADY_PERIODS * period_s));
        let every_s = self.every.unwrap_or(period_s / 200.0);
        self.plan(Program::constant(program_a), (0, 0.0), span_s, every_s, period_s, u64::MAX)
    }

    fn step_plan(&self, period_s: f64, program: Program, timing: &Timing) -> Result<Plan, Error> {
        let before_s = timing.step.0 as f64 * period_s + timing.step.1;
        let whole_s = timing.cycles as f64 * period_s - before_s;
        let span_s = (self.from.unwrap_or(0.0).max(-before_s), self.to.unwrap_or(whole_s));
        let every_s = self.every.unwrap_or(period_s / 20.0);
        self.plan(program, timing.step, span_s, every_s, period_s, timing.cycles)
    }

    fn plan(
        &self,
        program: Program,
        origin: (u64, f64),
        span_s: (f64, f64),
        every_s: f64,
        period_s: f64,
        most_cycles: u64,
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
        let needed = origin.0 + ((span_s.1 + origin.1).max(0.0) / period_s).floor() as u64 + 1;
        Ok(Plan { program, origin, cycles: needed.min(most_cycles), span_s, every_s })
    }
}

/// Writes samples as CSV, to standard output or to a file that appears only when it is whole.
struct CsvSink {
    out: Box<dyn Write>,
    file: Option<(PathBuf, PathBuf)>,
    failed: Option<std::io::Error>,
    reader_gone: bool,
}

impl CsvSink {
    fn open(file: Option<&Path>) -> Result<CsvSink, Error> {
        let (out, file): (Box<dyn Write>, _) = match file {
            None => (Box::new(BufWriter::new(std::io::stdout())), None),
            Some(path) => {
                if std::fs::symlink_metadata(path).is_ok() {
                    return Err(Error::Output(format!(
                        "error: {} exists already and is not overwritten: choose another name or remove it",
                        path.display()
                    )));
                }
                let mut draft = path.as_os_str().to_owned();
                draft.push(format!(".draft-{}", std::process::id()));
                let draft = PathBuf::from(draft);
                let out = File::create(&draft).map_err(|source| CsvSink::trouble(path, source))?;
                (Box::new(BufWriter::new(out)), Some((draft, path.to_path_buf())))
            }
        };
        let mut sink = CsvSink { out, file, failed: None, reader_gone: false };
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
            self.reader_gone = error.kind() == ErrorKind::BrokenPipe;
            self.failed = Some(error);
            // Nobody reads on: the simulation may stop.
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
        let place = self.file.as_ref().map_or_else(|| PathBuf::from("standard output"), |(_, path)| path.clone());
        match self.failed.take() {
            Some(error) if error.kind() == ErrorKind::BrokenPipe => return Ok(()),
            Some(error) => return Err(CsvSink::trouble(&place, error)),
            None => {}
        }
        match self.file.take() {
            Some((draft, path)) => std::fs::rename(&draft, &path).map_err(|source| CsvSink::trouble(&path, source)),
            None => Ok(()),
        }
    }
}

impl Drop for CsvSink {
    fn drop(&mut self) {
        if let Some((draft, _)) = &self.file {
            let _ = std::fs::remove_file(draft);
        }
    }
}
