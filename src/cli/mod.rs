//! Command line: argument text in, requests out; printing and exit codes.
//!
//! Exit codes: 0 it ran; 1 it ran and, with `--strict`, not every substitute passes, or two results differ; 2 it could not run; 130 interrupted.

mod calibrate;
mod check;
mod compare;
mod diff;
mod filters;
mod given;
mod impedance;
mod measured;
mod merge;
mod new;
mod output;
mod place;
mod remedies;
mod screen;
mod specify;
mod sweep;
mod transients;
mod verify;
mod waveforms;
mod worst_load;

use crate::engine::cancel::Cancel;
use crate::error::Error;
use clap::{CommandFactory, Parser, Subcommand};
use std::process::ExitCode;
use std::sync::LazyLock;

/// Exit code of a comparison with `--strict` in which not every substitute passes.
const A_SUBSTITUTE_FAILS: u8 = 1;

const CAUTION: &str = "Example:\n  presolder compare cases/ticket-kiosk\n\nPredictions support a qualified person. They replace neither the bench test nor the makers' data nor \
a qualification standard; local codes and licensed practice come first. Energised boards, stored charge, hot parts and \
rework fumes can hurt: see the cautions in every report.";

/// Predicts, before any rework, how a buck converter behaves with a substitute inductor.
#[derive(Parser)]
#[command(version, about, after_help = CAUTION, max_term_width = 90, arg_required_else_help = true)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Simulate the original and every substitute on the board of a case and compare them.
    Compare(compare::Compare),
    /// Write a case that runs as it stands, with every value marked that you replace by your own.
    New(new::New),
    /// Read a case and say what it holds, what is missing and what was assumed. Nothing is simulated.
    Check(check::Check),
    /// Hold two results against each other: which data changed, which outcomes moved.
    Diff(diff::Diff),
    /// Run a result again from the copies of its inputs, and say whether anything differs.
    Verify(verify::Verify),
    /// Look for the least change of the board with which a part passes that does not pass now.
    Remedies(remedies::Remedies),
    /// Look at every part of a purchasing list on the board of a case, and say which are worth soldering.
    Screen(screen::Screen),
    /// Say what a part must have to pass on the board of a case: a specification for purchasing.
    Specify(specify::Specify),
    /// Join the shares of a list that were screened apart.
    Merge(merge::Merge),
    /// Run every combination of tolerances, or random draws of them, and say what share of units meets each limit.
    Sweep(sweep::Sweep),
    /// Map load steps of every size, slew and repetition, each part beside the original.
    Transients(transients::Transients),
    /// Write the waveforms of one part in one condition as CSV.
    Waveforms(waveforms::Waveforms),
    /// Say what a small sine of the load does to the output at each frequency, and who exceeds the target impedance where.
    Impedance(impedance::Impedance),
    /// Find the load within a swing, a slew and a dwell that moves the output most: a linear bound, and the worst found in full simulation.
    WorstLoad(worst_load::WorstLoad),
    /// Set what was measured on the bench beside what is predicted for the bench's own condition.
    Measured(measured::Measured),
    /// Say which data of board and part the captures of the original tell, and which they do not.
    Calibrate(calibrate::Calibrate),
    /// Write the completion script of a shell to standard output.
    Completions {
        /// Shell.
        shell: clap_complete::Shell,
    },
    /// Write the manual page to standard output.
    Man,
}

/// What a signal cancels: whatever this process simulates.
static CANCEL: LazyLock<Cancel> = LazyLock::new(Cancel::default);

/// What a command came to.
enum Done {
    /// It ran.
    Well,
    /// It ran, and not every substitute passes.
    SubstituteFails,
    /// It ran, and two results differ.
    Differs,
}

/// Runs the program with the arguments of the process.
pub fn main() -> ExitCode {
    let arguments = Arguments::parse();
    if let Err(error) = watch_signals() {
        eprintln!("warning: Ctrl-C ends the program at once: {error}");
    }
    let result = match &arguments.command {
        Command::Compare(request) => request.run(),
        Command::New(request) => request.run(),
        Command::Check(request) => request.run(),
        Command::Diff(request) => request.run(),
        Command::Verify(request) => request.run(),
        Command::Remedies(request) => request.run(),
        Command::Screen(request) => request.run(),
        Command::Merge(request) => request.run(),
        Command::Specify(request) => request.run(),
        Command::Sweep(request) => request.run(),
        Command::Transients(request) => request.run(),
        Command::Waveforms(request) => request.run(),
        Command::Impedance(request) => request.run(),
        Command::WorstLoad(request) => request.run(),
        Command::Measured(request) => request.run(),
        Command::Calibrate(request) => request.run(),
        Command::Completions { shell } => completions(*shell),
        Command::Man => manual(),
    };
    match result {
        Ok(Done::Well) => ExitCode::SUCCESS,
        Ok(Done::SubstituteFails | Done::Differs) => ExitCode::from(A_SUBSTITUTE_FAILS),
        Err(error) => {
            output::error(&error);
            ExitCode::from(error.exit_code())
        }
    }
}

fn completions(shell: clap_complete::Shell) -> Result<Done, Error> {
    let mut script = vec![];
    clap_complete::generate(shell, &mut Arguments::command(), "presolder", &mut script);
    output::print_as_it_is(&String::from_utf8_lossy(&script)).map(|()| Done::Well)
}

/// The manual page, with a section for each command.
fn manual() -> Result<Done, Error> {
    let mut page = vec![];
    let program = Arguments::command();
    let commands = program.get_subcommands().filter(|command| command.get_name() != "help").cloned();
    let titled = commands.map(|command| {
        let name = format!("presolder-{}", command.get_name());
        command.name(name.clone()).bin_name(name)
    });
    for command in std::iter::once(program.clone()).chain(titled.collect::<Vec<_>>()) {
        let written = clap_mangen::Man::new(command).render(&mut page);
        written.map_err(|source| Error::Io { path: "standard output".into(), action: "write to".into(), source })?;
    }
    output::print_as_it_is(&String::from_utf8_lossy(&page)).map(|()| Done::Well)
}

/// Ctrl-C and a polite request to end (SIGTERM) are one thing here. A hang-up is left as it is, so that `nohup` works.
#[cfg(unix)]
fn watch_signals() -> std::io::Result<()> {
    use signal_hook::consts::{SIGINT, SIGTERM};
    let mut signals = signal_hook::iterator::Signals::new([SIGINT, SIGTERM])?;
    std::thread::Builder::new().name("signals".into()).spawn(move || signals.forever().for_each(|_| on_interrupt()))?;
    Ok(())
}

/// Elsewhere Ctrl-C ends the program at once; what that leaves, the next run sweeps.
#[cfg(not(unix))]
fn watch_signals() -> std::io::Result<()> {
    Ok(())
}

/// While a simulation runs, the first interruption asks it to stop, which it does at the next clock edge; results are moved
/// into place in one step, so nothing half-written can be left. Before it, and the second time, the program ends at once.
fn on_interrupt() {
    let again = CANCEL.cancel();
    if again || !output::is_simulating() {
        output::discard_drafts();
        std::process::exit(i32::from(Error::Interrupted.exit_code()));
    }
}
