//! `presolder new`.

use super::{Done, output};
use crate::error::Error;
use crate::visible::visible_path;
use clap::{Args, ValueEnum};
use std::fs;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

const EXAMPLE: &str = "Example:\n  presolder new my-board --control voltage-mode\n  presolder compare my-board\n\n\
The case runs as it is written. Every value to be replaced is marked REPLACE; a comparison counts the marks that are left.";

const BOARD: &str = include_str!("new/board.toml");
const PARTS: &str = include_str!("new/parts.toml");
/// Line of the board at which the control stands.
const CONTROL: &str = "CONTROL\n";

/// Arguments of `new`.
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct New {
    /// Folder of the case; made where it is not there.
    case: PathBuf,
    /// How the board is controlled.
    #[arg(long, value_enum, default_value_t = Control::PeakCurrent)]
    control: Control,
}

/// Schemes for which there is a skeleton.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Control {
    /// A comparator of the peak current, transconductance amplifier.
    PeakCurrent,
    /// A ramp comparator, operational amplifier type III.
    VoltageMode,
    /// Turn-on at the reference for a fixed time, ripple injection.
    ConstantOnTime,
    /// A band around the reference, ripple injection.
    Hysteretic,
    /// A loop of which only crossover and phase margin are known.
    Margins,
    /// A fixed duty, nothing regulated.
    FixedDuty,
}

impl Control {
    fn table(self) -> &'static str {
        match self {
            Control::PeakCurrent => include_str!("new/peak-current.toml"),
            Control::VoltageMode => include_str!("new/voltage-mode.toml"),
            Control::ConstantOnTime => include_str!("new/constant-on-time.toml"),
            Control::Hysteretic => include_str!("new/hysteretic.toml"),
            Control::Margins => include_str!("new/margins.toml"),
            Control::FixedDuty => include_str!("new/fixed-duty.toml"),
        }
    }
}

impl New {
    /// Does it.
    pub fn run(&self) -> Result<Done, Error> {
        let folder = &self.case;
        refuse_taken(folder)?;
        write_case(folder, self.control).map_err(|source| Error::Io {
            path: folder.clone(),
            action: "write the new case into".into(),
            source,
        })?;
        let shown = visible_path(folder);
        output::print(&format!(
            "{shown}/board.toml   the board and its limits\n{shown}/parts.toml   the fitted inductor and what may replace it\n\n\
             It runs as it is: presolder compare {shown}\n\
             Then replace every value marked REPLACE: presolder check {shown} says what is missing and what it assumes.\n"
        ))?;
        Ok(Done::Well)
    }
}

/// Nothing of somebody's is written over: the folder is not there, or empty.
fn refuse_taken(folder: &Path) -> Result<(), Error> {
    let refused = |what: &str| Error::Output(format!("error: {} {what}: choose another folder", visible_path(folder)));
    match fs::read_dir(folder).map(Iterator::count) {
        Ok(0) => Ok(()),
        Ok(_) => Err(refused("is not empty")),
        Err(error) if error.kind() == ErrorKind::NotFound => Ok(()),
        Err(error) if error.kind() == ErrorKind::NotADirectory => Err(refused("is no folder")),
        Err(source) => Err(Error::Io { path: folder.into(), action: "look into".into(), source }),
    }
}

/// Both files, or none.
fn write_case(folder: &Path, control: Control) -> std::io::Result<()> {
    let is_new = !folder.exists();
    fs::create_dir_all(folder)?;
    let files = [("board.toml", BOARD.replace(CONTROL, control.table())), ("parts.toml", PARTS.to_string())];
    let written = files.iter().try_for_each(|(name, text)| fs::write(folder.join(name), text));
    if written.is_err() {
        // What is there of it stems from here: the folder was empty.
        files.iter().for_each(|(name, _)| drop(fs::remove_file(folder.join(name))));
        if is_new {
            drop(fs::remove_dir(folder));
        }
    }
    written
}
