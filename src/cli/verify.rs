//! `presolder verify`.

use super::diff::{read_record, record_path};
use super::{CANCEL, Done, output};
use crate::case::copies::Copies;
use crate::case::{self, Calibration, Case, calibration};
use crate::error::Error;
use crate::record::curves::Curves;
use crate::record::difference::{Changed, Difference};
use crate::record::layout::Record;
use crate::record::run;
use crate::record::verify::{Agreement, Altered, Verification, values};
use crate::report::{contents, folder, json, verify};
use crate::sha256;
use crate::visible::visible_path;
use clap::Args;
use std::path::{Path, PathBuf};

const EXAMPLE: &str = "Example:\n  presolder verify presolder-valve-controller\n\n\
Exit code: 0 identical, or equal to a part in 1e9 on another machine, and nothing was changed by hand; 1 something differs; 2 it could not run.";

/// Arguments of `verify`.
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Verify {
    /// Folder of a result, with record.json and the copies of its inputs.
    folder: PathBuf,
    /// Print everything as JSON.
    #[arg(long)]
    json: bool,
}

impl Verify {
    /// Does it.
    pub fn run(&self) -> Result<Done, Error> {
        let folder = result_folder(&self.folder);
        let path = record_path(folder);
        let old = read_record(&path)?;
        let bytes = std::fs::read(&path).map_err(|source| Error::Io { path, action: "read".into(), source })?;
        let inputs = changed_inputs(folder, &old);
        let (case, calibration) = read_case(folder, &old).inspect_err(|_| tell(&inputs))?;
        output::begin_simulating();
        let (new, curves) = run::compare(case, calibration.as_ref(), &old.run, &output::progress)?;
        let verification = hold(folder, (&old, &bytes), (&new, &curves), inputs)?;
        if self.json {
            output::print_as_it_is(&verify::json(&verification).map_err(output::report_error)?)?;
        } else {
            output::print(&verify::text(&verification, output::width()))?;
        }
        Ok(if verification.is_sound() { Done::Well } else { Done::Differs })
    }
}

/// The folder, of which the record may be named.
fn result_folder(named: &Path) -> &Path {
    let parent = named.parent().map(|parent| if parent == Path::new("") { Path::new(".") } else { parent });
    parent.filter(|_| named.file_name().is_some_and(|name| name == folder::RECORD) && named.is_file()).unwrap_or(named)
}

/// The case from the copies in a result, by the name that the record has for it.
fn read_case(folder: &Path, record: &Record) -> Result<(Case, Option<Calibration>), Error> {
    let copies = Copies::of(folder, &record.case.name);
    if !copies.case.is_dir() {
        let place = visible_path(&copies.case);
        return Err(Error::Output(format!(
            "error: {place}: no copies of the inputs, without which the record cannot be run again; compare writes them beside it"
        )));
    }
    let mut case = case::read_copies(&copies, &record.case.set)?;
    case.name.clone_from(&record.case.name);
    case.cancel = CANCEL.clone();
    let calibration = record.run.calibrated.then(|| calibration::read(&copies.case, &mut case)).transpose()?;
    Ok((case, calibration))
}

/// Copies that are not what the record was made from.
fn changed_inputs(folder: &Path, record: &Record) -> Vec<Changed> {
    let copies = Copies::of(folder, &record.case.name);
    let changed = |file: &crate::record::layout::FileRecord| {
        let now = std::fs::read(copies.place(&file.path)).ok().map(|bytes| sha256::of(&bytes));
        let of = |sha256: &String| format!("SHA-256 {sha256}");
        (now.as_ref() != Some(&file.sha256)).then(|| Changed {
            what: file.path.clone(),
            old: Some(of(&file.sha256)),
            new: now.as_ref().map(of),
        })
    };
    record.case.files.iter().filter_map(changed).collect()
}

/// Tells of changed inputs where they are why nothing can be run.
fn tell(inputs: &[Changed]) {
    for input in inputs {
        let now = if input.new.is_some() { "is not what the record was made from" } else { "is not there" };
        output::note(&format!("the copy of {} {now}", input.what));
    }
}

/// Holds a record, and what stands beside it, against what its inputs give now.
fn hold(
    folder: &Path,
    (old, bytes): (&Record, &[u8]),
    (new, curves): (&Record, &Curves),
    inputs: Vec<Changed>,
) -> Result<Verification, Error> {
    let versions = (old.presolder_version.clone(), new.presolder_version.clone());
    let machines = (old.run.machine.clone(), new.run.machine.clone());
    let mut alike = new.clone();
    alike.presolder_version.clone_from(&versions.0);
    alike.run.machine.clone_from(&machines.0);
    let values = values(old, new).map_err(|error| output::report_error(error.into()))?;
    let agreement = match json::record(&alike).map_err(output::report_error)?.as_bytes() == bytes {
        true => Agreement::Identical,
        false if values.is_empty() => Agreement::Equal,
        false => Agreement::Differs,
    };
    let mut altered = altered(folder);
    if versions.0 == versions.1 {
        altered.extend(not_of_the_record(folder, old, curves, agreement)?);
    }
    altered.sort_by(|a, b| a.file.cmp(&b.file));
    altered.dedup_by(|a, b| a.file == b.file);
    Ok(Verification {
        record_sha256: sha256::of(bytes),
        versions,
        machines,
        agreement,
        inputs,
        altered,
        moved: Difference::between(old, &alike),
        values,
    })
}

/// Files that are not what the list says was written.
fn altered(folder: &Path) -> Vec<Altered> {
    let is_to_be_filled_in = |file: &str| file == folder::CAPTURES;
    match contents::altered(folder) {
        None => vec![Altered { file: contents::CONTENTS.into(), what: "missing, or no list of this tool".into() }],
        Some(all) => all
            .into_iter()
            .filter(|(file, _)| !is_to_be_filled_in(file))
            .map(|(file, what)| Altered { file, what: what.into() })
            .collect(),
    }
}

/// Files that a record does not give: all of them where it is identical; else the page without its plots, which the last digits move.
fn not_of_the_record(
    folder: &Path,
    record: &Record,
    curves: &Curves,
    agreement: Agreement,
) -> Result<Vec<Altered>, Error> {
    let identical = agreement == Agreement::Identical;
    let is_looked_at =
        |name: &str| name == folder::REPORT || (identical && ![folder::RECORD, folder::CAPTURES].contains(&name));
    let mut found = vec![];
    for (name, wanted) in folder::files(record, curves).map_err(output::report_error)? {
        let Ok(there) = std::fs::read_to_string(folder.join(&name)) else { continue };
        let [wanted, there] = [wanted, there].map(|text| if identical { text } else { without_plots(&text) });
        if is_looked_at(&name) && wanted != there {
            let line = 1 + wanted.lines().zip(there.lines()).take_while(|(wanted, there)| wanted == there).count();
            found.push(Altered { file: name, what: format!("not what the record gives, from line {line} on") });
        }
    }
    Ok(found)
}

/// A page without what is drawn in it.
fn without_plots(page: &str) -> String {
    let mut rest = page;
    let mut kept = String::new();
    while let Some((before, plot)) = rest.split_once("<svg") {
        kept.push_str(before);
        rest = plot.split_once("</svg>").map_or("", |(_, behind)| behind);
    }
    kept + rest
}
