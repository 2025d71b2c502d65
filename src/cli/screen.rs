//! `presolder screen`.

use super::filters::{Filters, Sorted, Wanted};
use super::given::Given;
use super::{Done, output};
use crate::case::Case;
use crate::corridor::screen::Screen as Bench;
use crate::error::Error;
use crate::record;
use crate::record::screen::{Row, Scope, ScreenRecord, Shard};
use crate::report::folder;
use crate::report::journal::{Journal, Writer};
use crate::report::{ReportError, boards, screen};
use crate::visible::{visible, visible_path};
use clap::Args;
use rayon::prelude::*;
use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

const EXAMPLE: &str = "Examples:\n  presolder screen cases/valve-controller stock.xlsx\n  presolder screen cases/valve-controller stock.csv \
offer.ods --inductance \"8 uH..15 uH\" --top 20\n  presolder screen cases/valve-controller stock.csv --highest-price \"0.80 EUR\" --least-stock 500\n\n\
Lists are read as compare reads them (docs/parts-tables.md): CSV, tab, XLSX, ODS. The parts of the case itself are screened with them. First what a \
data sheet alone fails, then the conditions in which the original comes closest to its limits, then everything for the parts that are left: \
a part that passes here passes compare. The order is PASS, NO WORSE, UNDECIDED, FAIL; of open parts by the share of what is not known within which \
they pass, then by the smallest margin, the price, the stock. Prices and stocks are read from the lists; quantity breaks are not: of several columns of prices \
you say which counts. Writes screen.html, screen.csv, left_out.csv and screen.json into a folder.\n\n\
An interrupted screening keeps the parts that are done, beside the folder, and the same command goes on with them.";

/// Arguments of `screen`.
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Screen {
    #[command(flatten)]
    given: Given,
    /// Lists of parts.
    lists: Vec<PathBuf>,
    /// Folder for the results [default: presolder-CASE-screen in the working directory].
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Replace an earlier result in the folder.
    #[arg(long)]
    replace: bool,
    /// Print the record as JSON instead of the table, and write no folder unless --out names one.
    #[arg(long)]
    json: bool,
    /// Parts to print, the best first.
    #[arg(long, value_name = "COUNT", default_value_t = 10)]
    top: usize,
    #[command(flatten)]
    filters: Filters,
    /// Run everything for every part, also for those that fail early.
    #[arg(long)]
    everything: bool,
    /// Look at one share of the parts alone, for example 2/7: the others run elsewhere, and `presolder merge` joins their results.
    #[arg(long, value_name = "NUMBER/COUNT", conflicts_with = "also")]
    shard: Option<String>,
    /// Use what captures have told of the board that was captured: calibration.toml in the folder of the case, as calibrate writes it. Says
    /// which data that moves.
    #[arg(long, conflicts_with = "also")]
    calibrated: bool,
    /// Look at the lists on another board as well, several times: what passes on all of them, and which board decides.
    #[arg(long, value_name = "CASE")]
    also: Vec<PathBuf>,
}

impl Screen {
    /// Does it.
    pub fn run(&self) -> Result<Done, Error> {
        let wanted = self.filters.wanted()?;
        let shard = self.shard.as_deref().map(shard).transpose()?;
        self.lists.iter().try_for_each(|list| is_there(list))?;
        let mut cases = vec![self.given.read_with_lists(&self.lists)?];
        for also in &self.also {
            cases.push(self.given.read_another(also, &self.lists)?);
        }
        let calibration = self.given.calibrated(self.calibrated, &mut cases[0])?;
        let target = self.target(&cases[0], shard);
        let reserved = match self.writes() {
            true => Some(folder::reserve(&target, self.replace).map_err(|error| self.refused(error))?),
            false => None,
        };
        reserved.iter().for_each(|_| output::note_target(&target));
        output::begin_simulating();
        let mut found = vec![];
        let boards = cases.len();
        for (number, case) in cases.into_iter().enumerate() {
            if boards > 1 {
                output::note(&format!("board {} of {boards}: {}", number + 1, visible(&case.name)));
            }
            found.push(self.screened(case, &beside(&target, number), (wanted, shard))?);
        }
        found[0].calibration = calibration;
        let done = match &found[..] {
            [only] => give(only, reserved, &target, (self.json, self.top))?,
            several => self.give_boards(several, reserved, &target)?,
        };
        if self.writes() {
            // The result holds all of it now.
            (0..boards).for_each(|number| drop(std::fs::remove_file(beside(&target, number))));
        }
        Ok(done)
    }

    fn writes(&self) -> bool {
        self.out.is_some() || !self.json
    }

    fn target(&self, case: &Case, shard: Option<Shard>) -> PathBuf {
        let share = shard.map_or_else(String::new, |shard| format!("-{}-of-{}", shard.number, shard.of));
        let boards = if self.also.is_empty() { "" } else { "-and-others" };
        let usual = format!("presolder-{}{boards}-screen{share}", folder::safe_name(&case.name));
        self.out.clone().unwrap_or_else(|| PathBuf::from(usual))
    }

    /// The parts on one board; those that are done stand in the journal.
    fn screened(
        &self,
        case: Case,
        journal: &Path,
        (wanted, shard): (Wanted, Option<Shard>),
    ) -> Result<ScreenRecord, Error> {
        let Sorted { mut examined, not_examined, filters, offers } = wanted.sort(&case);
        if let Some(shard) = shard {
            examined = shard.of_parts(&case, examined);
        }
        let (header, original) = (self.header(&case), case.parts[0].name.clone());
        let bench = Bench::new(case, &|_, _| {}).map_err(|failure| record::error(failure, &original))?;
        let journal = match self.writes() {
            true => Some(Journal::read(journal, &header).map_err(output::report_error)?),
            false => None,
        };
        let mut rows = self.rows(&bench, &examined, journal)?;
        for row in &mut rows {
            row.offer = offers.get(&row.part).cloned().unwrap_or_default();
        }
        Ok(record::screen::record(&bench, rows, Scope { filters, not_examined, staged: !self.everything, shard }))
    }

    fn give_boards(
        &self,
        found: &[ScreenRecord],
        reserved: Option<folder::Reservation>,
        target: &Path,
    ) -> Result<Done, Error> {
        let record = record::boards::beside(found);
        let writes = reserved.is_some();
        if let Some(reserved) = reserved {
            let written = reserved.write_boards(&record, found).map_err(output::report_error)?;
            output::note_kept(target, &written.kept);
        }
        if self.json {
            output::print_as_it_is(&boards::json(&record).map_err(output::report_error)?)?;
        } else {
            output::print(&boards::text(&record, self.top, output::width()))?;
        }
        if writes && !self.json {
            let said = "boards.html, boards.csv, and a folder for each board";
            output::print(&format!("\nEverything   {}/{said}\n", visible_path(target)))?;
        }
        Ok(Done::Well)
    }

    /// What the rows of a journal belong to; the lists may change, since each row knows the data of its part.
    fn header(&self, case: &Case) -> String {
        let staged = if self.everything { "everything for every part" } else { "as far as is needed" };
        let items = [
            format!("# presolder screen of {}", case.name),
            format!("version {}", env!("CARGO_PKG_VERSION")),
            format!("board sha256 {}", record::screen::board_hash(case)),
            staged.into(),
        ];
        format!("{}\n", visible(&items.join("; ")))
    }

    /// One row a part: from the journal where it is there, else looked at and added.
    fn rows(&self, bench: &Bench, wanted: &[usize], journal: Option<Journal>) -> Result<Vec<Row>, Error> {
        let known = journal.as_ref().map(known).transpose().map_err(output::report_error)?.unwrap_or_default();
        let writer: Option<Writer> = journal.map(Journal::go_on).transpose().map_err(output::report_error)?;
        let writer = Mutex::new(writer);
        let case = bench.case();
        let done = AtomicUsize::new(0);
        let one = |&part: &usize| -> Result<Row, Error> {
            let name = &case.parts[part].name;
            let sha256 = record::screen::hash(&bench.beside(part), 1);
            let row = match known.get(&(name.clone(), sha256)) {
                Some(row) => row.clone(),
                None => {
                    let looked = bench.look(part, !self.everything).map_err(|failure| record::error(failure, name))?;
                    let row = record::screen::row(&looked);
                    note(&writer, &row)?;
                    row
                }
            };
            output::progress_with_time(done.fetch_add(1, Ordering::Relaxed) + 1, wanted.len());
            Ok(row)
        };
        let rows = wanted.par_iter().map(one).collect();
        let keeps = writer.into_inner().is_ok_and(|writer| writer.is_some());
        if keeps && matches!(rows, Err(Error::Interrupted)) {
            let (done, all) = (done.into_inner(), wanted.len());
            output::note(&format!("{done} of {all} parts are done and kept; the same command goes on with them"));
        }
        rows
    }

    /// A target that is taken, with the option that helps where one does.
    fn refused(&self, error: ReportError) -> Error {
        match error {
            ReportError::Occupied { path, reason, hint } if !self.replace => {
                let hint = hint.replace("allow it to be replaced", "add --replace, or name another with --out");
                output::report_error(ReportError::Occupied { path, reason, hint })
            }
            other => output::report_error(other),
        }
    }
}

/// Writes and prints what was found: as JSON, or so many parts.
pub(super) fn give(
    found: &ScreenRecord,
    reserved: Option<folder::Reservation>,
    target: &Path,
    (as_json, top): (bool, usize),
) -> Result<Done, Error> {
    let writes = reserved.is_some();
    if let Some(reserved) = reserved {
        let written = reserved.write_screen(found).map_err(output::report_error)?;
        output::note_kept(target, &written.kept);
    }
    if as_json {
        output::print_as_it_is(&screen::json(found).map_err(output::report_error)?)?;
    } else {
        output::print(&screen::text(found, top, output::width()))?;
    }
    if writes && !as_json {
        output::print(&format!("\nEverything   {}/screen.html, screen.csv\n", visible_path(target)))?;
    }
    Ok(Done::Well)
}

/// Where the rows of a board stand that are done, until all are.
fn beside(target: &Path, board: usize) -> PathBuf {
    let mut name = target.file_name().unwrap_or_default().to_os_string();
    name.push(if board == 0 { ".unfinished".into() } else { format!(".unfinished-{}", board + 1) });
    target.with_file_name(name)
}

fn is_there(list: &Path) -> Result<(), Error> {
    std::fs::metadata(list).map(|_| ()).map_err(|source| Error::Io {
        path: list.to_path_buf(),
        action: "read the list".into(),
        source,
    })
}

/// The rows of a journal, by name and data of the part.
fn known(journal: &Journal) -> Result<HashMap<(String, String), Row>, ReportError> {
    let mut rows = HashMap::new();
    for (number, line) in journal.lines().iter().enumerate() {
        let row: Row = serde_json::from_str(line)
            .map_err(|_| journal.refused(&format!("has a line that is no part of a screening: line {}", number + 2)))?;
        rows.insert((row.part.clone(), row.sha256.clone()), row);
    }
    Ok(rows)
}

fn note(writer: &Mutex<Option<Writer>>, row: &Row) -> Result<(), Error> {
    let line = serde_json::to_string(row).map_err(|error| output::report_error(error.into()))?;
    let mut writer = writer.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    writer.as_mut().map_or(Ok(()), |writer| writer.write(&format!("{line}\n"))).map_err(output::report_error)
}

/// Which share of the parts: two numbers with a slash between.
fn shard(text: &str) -> Result<Shard, Error> {
    let wrong = || {
        let text = visible(text);
        Error::Output(format!("error: --shard {text}: expected which share of how many, for example 2/7"))
    };
    let (number, of) = text.split_once('/').ok_or_else(wrong)?;
    let count = |text: &str| text.trim().parse::<usize>().map_err(|_| wrong());
    let (number, of) = (count(number)?, count(of)?);
    if (1..=of).contains(&number) { Ok(Shard { number, of }) } else { Err(wrong()) }
}
