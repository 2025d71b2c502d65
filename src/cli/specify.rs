//! `presolder specify`.

use super::given::Given;
use super::{Done, output};
use crate::corridor::screen::Screen;
use crate::corridor::specify::{NoBox, SIDES, Wish, specify};
use crate::error::Error;
use crate::model::family::Axis;
use crate::record;
use crate::report::specification;
use crate::visible::visible;
use clap::Args;

const EXAMPLE: &str = "Example:\n  presolder specify cases/valve-controller --weight resistance=2\n\n\
Looks for the widest range of inductance, winding resistance, saturation current and core loss around the original in which every part \
passes, says which check sets each limit, and holds the range against the board: its corners in full, random parts inside.";

/// Arguments of `specify`.
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Specify {
    #[command(flatten)]
    given: Given,
    /// Let one datum grow faster than the others, several times: inductance, resistance, saturation or core-loss, each with a weight
    /// [default: 1 each].
    #[arg(long, value_name = "DATUM=WEIGHT")]
    weight: Vec<String>,
    /// Random parts that are tried inside the range.
    #[arg(long, value_name = "COUNT", default_value_t = 500)]
    random: usize,
    /// Where those begin.
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    seed: u64,
    /// Print everything as JSON.
    #[arg(long)]
    json: bool,
}

impl Specify {
    /// Does it.
    pub fn run(&self) -> Result<Done, Error> {
        let wish = Wish { weights: self.weights()?, random: self.random, seed: self.seed };
        let case = self.given.read_original()?;
        output::begin_simulating();
        let original = case.parts[0].name.clone();
        let stopped = |failure| record::error(failure, &original);
        output::note("looking at the original");
        let screen = Screen::new(case, &|_, _| {}).map_err(stopped)?;
        let found = specify(&screen, &wish, &|what| output::note(what)).map_err(|why| self.refused(why, &original))?;
        let record = record::specification::record(&found);
        match self.json {
            true => output::print_as_it_is(&specification::json(&record).map_err(output::report_error)?)?,
            false => output::print(&specification::text(&record, output::width()))?,
        }
        Ok(Done::Well)
    }

    fn refused(&self, why: NoBox, original: &str) -> Error {
        match why {
            NoBox::Stopped(failure) => record::error(failure, original),
            NoBox::NotSettled => Error::Output(
                "error: no range was found whose corners all pass in full: narrow it with --weight, or compare parts one by one".into(),
            ),
            NoBox::Original(found) => {
                let (case, verdict) = *found;
                let why = record::decision(&case, &verdict);
                let again = self.given.again();
                Error::Output(format!(
                    "error: a part like {original} does not pass itself, and so no range around it does: {why}. \
`presolder compare {again}` says what the board or its data lack"
                ))
            }
        }
    }

    /// The weight of each side.
    fn weights(&self) -> Result<[f64; SIDES.len()], Error> {
        let mut weights = [1.0; SIDES.len()];
        for given in &self.weight {
            let wrong = || {
                let given = visible(given);
                Error::Output(format!(
                    "error: --weight {given}: expected inductance, resistance, saturation or core-loss and a number above 0, for example resistance=2"
                ))
            };
            let (name, weight) = given.split_once('=').ok_or_else(wrong)?;
            let axis = axis(name.trim()).ok_or_else(wrong)?;
            let weight = weight.trim().parse().ok().filter(|weight: &f64| *weight > 0.0 && weight.is_finite());
            let weight = weight.ok_or_else(wrong)?;
            SIDES.iter().zip(&mut weights).filter(|(side, _)| side.axis == axis).for_each(|(_, known)| *known = weight);
        }
        Ok(weights)
    }
}

fn axis(name: &str) -> Option<Axis> {
    match name {
        "inductance" => Some(Axis::Inductance),
        "resistance" => Some(Axis::Resistance),
        "saturation" => Some(Axis::Saturation),
        "core-loss" => Some(Axis::CoreLoss),
        _ => None,
    }
}
