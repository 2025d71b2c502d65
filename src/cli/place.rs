//! Where on a board parts are looked at: which of them, at which input voltage, in which corner.

use super::output;
use super::waveforms::{checked_input, corner_of, corner_words, voltage};
use crate::error::Error;
use crate::model::case::Case;
use crate::model::corner::Corner;
use clap::Args;

/// Arguments of commands that look at parts in one place.
#[derive(Args)]
pub struct Place {
    /// Name of a part [default: the original and all substitutes]; several: --part A --part B.
    #[arg(long, value_name = "NAME")]
    part: Vec<String>,
    /// Input voltage [default: nominal], for example 24V.
    #[arg(long, value_name = "VOLTAGE", value_parser = voltage, allow_hyphen_values = true)]
    input: Option<f64>,
    /// Corner of the tolerances.
    #[arg(long, value_parser = corner_words(), default_value = "nominal")]
    corner: String,
}

/// The place that they name.
pub struct Placed {
    /// Numbers of the parts in the order of the case.
    pub parts: Vec<usize>,
    /// Corner.
    pub corner: Corner,
    /// Input voltage in V.
    pub input_v: f64,
}

impl Place {
    /// The place on the board of a case.
    ///
    /// # Errors
    /// A part that the case does not have, an input voltage that it cannot run from.
    pub fn of(&self, case: &Case) -> Result<Placed, Error> {
        let named = self.part.iter().map(|name| output::part_index("--part", case, name));
        let named = named.collect::<Result<Vec<_>, Error>>()?;
        let parts = (0..case.parts.len()).filter(|number| named.is_empty() || named.contains(number)).collect();
        Ok(Placed { parts, corner: corner_of(&self.corner), input_v: checked_input(case, self.input)? })
    }
}
