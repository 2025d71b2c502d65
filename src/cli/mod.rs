//! Command line: argument text in, requests out; printing and exit codes.
//!
//! Exit codes: 0 it ran; 1 it ran and, with `--strict`, a substitute fails; 2 it could not run; 130 interrupted.

mod check;
mod compare;
mod output;
mod waveforms;

use crate::engine::machine::INTERRUPT;
use crate::error::Error;
use clap::{Parser, Subcommand};
use std::process::ExitCode;
use std::sync::atomic::Ordering;

/// Exit code of a comparison with `--strict` in which a substitute fails.
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
    /// Read a case and say what it holds, what is missing and what was assumed. Nothing is simulated.
    Check(check::Check),
    /// Write the waveforms of one part in one condition as CSV.
    Waveforms(waveforms::Waveforms),
}

/// What a command came to.
enum Done {
    /// It ran.
    Well,
    /// It ran, and a substitute fails.
    SubstituteFails,
}

/// Runs the program with the arguments of the process.
pub fn main() -> ExitCode {
    let arguments = Arguments::parse();
    if let Err(error) = ctrlc::set_handler(on_interrupt) {
        eprintln!("warning: Ctrl-C ends the program at once: {error}");
    }
    let result = match &arguments.command {
        Command::Compare(request) => request.run(),
        Command::Check(request) => request.run(),
        Command::Waveforms(request) => request.run(),
    };
    match result {
        Ok(Done::Well) => ExitCode::SUCCESS,
        Ok(Done::SubstituteFails) => ExitCode::from(A_SUBSTITUTE_FAILS),
        Err(error) => {
            output::error(&error);
            ExitCode::from(error.exit_code())
        }
    }
}

/// The first interruption asks the simulation to stop, which it does at the next clock edge; results are moved into
/// place in one step, so nothing half-written can be left. A second one ends the program at once.
fn on_interrupt() {
    if INTERRUPT.swap(true, Ordering::Relaxed) {
        output::discard_drafts();
        std::process::exit(i32::from(Error::Interrupted.exit_code()));
    }
}
