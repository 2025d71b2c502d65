//! What the data sheet alone says: working voltage and fit.

use super::contract::{Condition, Found, Setup, Wish};
use super::figures::{Failure, Figures, Place};
use super::stand::Stand;
use crate::model::case::Case;
use crate::model::parts::Inductor;

/// Data that need no run.
pub(crate) struct DataSheet;

impl Condition for DataSheet {
    fn name(&self) -> &'static str {
        "sheet"
    }

    fn key(&self) -> &'static str {
        "mechanics"
    }

    fn quantities(&self) -> &'static [&'static str] {
        &["working_voltage", "self_resonance", "body_height", "body_length", "body_width", "terminal_on_pad"]
    }

    fn places(&self, _: &Stand<'_>) -> Vec<Place> {
        vec![]
    }

    fn simulate(&self, _: &Stand<'_>, place: Place) -> Result<Found, Failure> {
        Ok(Found::of(Figures::at(place, None)))
    }

    fn set_up(&self, _: &Stand<'_>, _: &Wish) -> Result<Option<Setup>, Failure> {
        Ok(None)
    }

    fn is_data(&self) -> bool {
        true
    }

    fn conclude(&self, case: &Case, part: &Inductor, _: &[&Found]) -> Result<Option<Figures>, Failure> {
        let body = part.body.filter(|_| case.board.keep_out.is_some());
        let on_pad = case.board.land.zip(part.terminals).map(|(land, terminals)| terminals.share_on(&land));
        let corner = super::DATA_SHEET;
        let place = Place { condition: self.name(), corner, input_v: None, load_a: None, prebias_v: 0.0 };
        let mut figures = Figures::at(place, None);
        let values = [
            ("working_voltage", part.working_voltage_v),
            ("self_resonance", part.self_resonance_hz),
            ("body_height", body.map(|body| body.height_m)),
            ("body_length", body.map(|body| body.length_m)),
            ("body_width", body.map(|body| body.width_m)),
            ("terminal_on_pad", on_pad),
        ];
        values.into_iter().filter_map(|(id, value)| Some((id, value?))).for_each(|(id, value)| figures.push(id, value));
        Ok(Some(figures))
    }
}
