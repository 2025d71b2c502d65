//! `presolder merge`.

use super::screen::give;
use super::{Done, output};
use crate::error::Error;
use crate::record::screen::{NotJoined, ScreenRecord, joined};
use crate::report::folder;
use crate::visible::visible_path;
use clap::Args;
use std::path::{Path, PathBuf};

const EXAMPLE: &str = "Example:\n  presolder screen cases/valve-controller stock.xlsx --shard 1/2 --out half-1\n  \
presolder screen cases/valve-controller stock.xlsx --shard 2/2 --out half-2\n  presolder merge half-1 half-2 --out all\n\n\
The result is that of one run over all parts, to the last byte. docs/scale.md shows how to run shares on several machines.";

/// Arguments of `merge`.
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Merge {
    /// Results of `presolder screen --shard`: their folders, or their screen.json.
    #[arg(required = true)]
    shares: Vec<PathBuf>,
    /// Folder for the joined result [default: presolder-CASE-screen in the working directory].
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
}

impl Merge {
    /// Does it.
    pub fn run(&self) -> Result<Done, Error> {
        let shares = self.shares.iter().map(|path| read(path)).collect::<Result<Vec<_>, _>>()?;
        let record = joined(shares).map_err(|why| Error::Output(format!("error: {}", self.told(&why))))?;
        let usual = || PathBuf::from(format!("presolder-{}-screen", folder::safe_name(&record.case.name)));
        let target = self.out.clone().unwrap_or_else(usual);
        let reserved = match self.out.is_some() || !self.json {
            true => Some(folder::reserve(&target, self.replace).map_err(output::report_error)?),
            false => None,
        };
        give(&record, reserved, &target, (self.json, self.top))
    }

    fn told(&self, why: &NotJoined) -> String {
        let path = |at: &usize| visible_path(&self.shares[*at]);
        match why {
            NotJoined::Whole(at) => format!("{}: no share: it holds all parts already", path(at)),
            NotJoined::Differ(a, b, what) => {
                format!("{} and {} differ in {what}: run one of them again", path(a), path(b))
            }
            NotJoined::Doubled(a, b) => {
                format!("{} and {} are the same share and do not say the same: run it again", path(a), path(b))
            }
            NotJoined::Missing(numbers) => {
                let numbers: Vec<String> = numbers.iter().map(usize::to_string).collect();
                format!("share {} is missing: name its folder as well, or run it", numbers.join(", "))
            }
        }
    }
}

fn read(given: &Path) -> Result<ScreenRecord, Error> {
    let path = if given.is_dir() { given.join(folder::SCREEN) } else { given.to_path_buf() };
    let text = std::fs::read_to_string(&path).map_err(|source| Error::Io {
        path: path.clone(),
        action: "read the share".into(),
        source,
    })?;
    if folder::is_changed(&path) {
        let what = "was changed after it was written: run this share again";
        return Err(Error::Output(format!("error: {}: {what}", visible_path(&path))));
    }
    let hint = "name the folder of a result of `presolder screen --shard`, or its screen.json";
    let wrong =
        |error| Error::Output(format!("error: {}: no result of a screening: {error}; {hint}", visible_path(&path)));
    serde_json::from_str(&text).map_err(wrong)
}
