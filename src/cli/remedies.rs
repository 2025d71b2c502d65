//! `presolder remedies`.

use super::given::Given;
use super::{Done, output};
use crate::case::Case;
use crate::corridor::remedies::{Found, Knob, Search};
use crate::error::Error;
use crate::record;
use crate::record::remedies::setting;
use crate::report::remedies as report;
use clap::Args;

const EXAMPLE: &str = "Examples:\n  presolder remedies cases/oven-panel Harebell-1R0\n  presolder remedies cases/valve-controller --json\n\n\
Varied are the number of output capacitors of each kind that is fitted, and the resistors (E24) and capacitors (E12, IEC 60063) of the \
compensator, of feed-forward and ripple injection, and of the current sense, from a third to three times what is fitted: one of them, then \
two. Each board that is proposed has passed the whole comparison with all corners, and the original keeps on it what it met \
(docs/remedies.md).";

/// Arguments of `remedies`.
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Remedies {
    #[command(flatten)]
    given: Given,
    /// Part [default: every substitute that fails or is undecided].
    part: Option<String>,
    /// Print the record as JSON.
    #[arg(long)]
    json: bool,
}

impl Remedies {
    /// Does it.
    pub fn run(&self) -> Result<Done, Error> {
        let case = self.given.read()?;
        let parts = match &self.part {
            Some(name) => vec![substitute(&case, name)?],
            None => (1..case.parts.len()).collect(),
        };
        output::begin_simulating();
        let pose = |changes: &[(&Knob, f64)]| -> Option<Case> {
            let set: Vec<String> = changes.iter().map(|(knob, value)| setting(knob, *value)).collect();
            self.given.read_with(&set).ok()
        };
        let failed = |failure| record::error(failure, &case.parts[0].name);
        let search = Search::new(&case, &pose, &output::progress_of_changes).map_err(failed)?;
        let of_part =
            |part: &usize| search.look(*part).map_err(|failure| record::error(failure, &case.parts[*part].name));
        let found: Vec<Found> = parts.iter().map(of_part).collect::<Result<_, Error>>()?;
        output::end_progress();
        let command = |part: &str, changes: &[(&Knob, f64)]| {
            let set: Vec<String> = changes.iter().map(|(knob, value)| setting(knob, *value)).collect();
            format!("presolder compare {}", self.given.again_with(&set, Some(part)))
        };
        let record = record::remedies::record(&case, &search.knobs, &found, &command);
        match self.json {
            true => output::print_as_it_is(&report::json(&record).map_err(output::report_error)?)?,
            false => output::print(&report::text(&record, output::width()))?,
        }
        Ok(Done::Well)
    }
}

/// The number of a substitute by its name.
fn substitute(case: &Case, name: &str) -> Result<usize, Error> {
    match output::part_index("part", case, name)? {
        0 => Err(Error::Output(format!(
            "error: part {name}: it is the original; a remedy is looked for on behalf of a substitute"
        ))),
        number => Ok(number),
    }
}
