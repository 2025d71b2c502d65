//! What the data sheet alone says: working voltage and fit.

use super::contract::{Condition, Found, Setup, Wish};
use super::figures::{Failure, Figures, Place, Value, Why};
use super::stand::Stand;
use crate::model::case::Case;
use crate::model::parts::{Body, Inductor};

/// Data that need no run.
pub(crate) struct DataSheet;

impl Condition for DataSheet {
    fn name(&self) -> &'static str {
        super::SHEET
    }

    fn key(&self) -> &'static str {
        "mechanics"
    }

    fn quantities(&self) -> &'static [&'static str] {
        &[
            "working_voltage",
            "self_resonance",
            "body_height",
            "body_length",
            "body_width",
            "terminal_on_pad",
            "grade",
            "shield",
            "start_mark",
            "toe_fillet",
            "heel_fillet",
            "side_fillet",
        ]
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
        let place = Place {
            condition: self.name(),
            corner: super::DATA_SHEET,
            input_v: None,
            load_a: None,
            prebias_v: 0.0,
            load: 0,
        };
        let mut figures = Figures::at(place, None);
        // What the board does not state, the part that fits it now does. Where nothing is said of that one either, nobody knows what fits.
        let fitted = case.original();
        let any = |states: fn(&Inductor) -> bool| case.parts.iter().any(states);
        let room = case.board.keep_out.or(fitted.and_then(|original| original.body));
        let land = case.board.land.or(fitted.and_then(|original| original.terminals));
        let coverage = match land {
            Some(land) => Some(part.terminals.map(|terminals| terminals.share_on(&land))),
            None => any(|part| part.terminals.is_some()).then_some(None),
        };
        let asked = case.board.land.filter(|_| case.board.fillets.is_some());
        let fillets = asked.map(|land| part.terminals.map(|terminals| land.fillets_m(&terminals)));
        let fillet = |which: usize| fillets.map(|known| known.map(|known| known[which]));
        let body = match room {
            Some(_) => Some(part.body),
            None => any(|part| part.body.is_some()).then_some(None),
        };
        let of_body = |pick: fn(&Body) -> f64| body.map(|body| body.as_ref().map(pick));
        let values = [
            ("working_voltage", part.working_voltage_v.map(Some)),
            ("self_resonance", part.self_resonance_hz.map(Some)),
            ("body_height", of_body(|body| body.height_m)),
            ("body_length", of_body(|body| body.length_m)),
            ("body_width", of_body(|body| body.width_m)),
            ("terminal_on_pad", coverage),
            ("toe_fillet", fillet(0)),
            ("heel_fillet", fillet(1)),
            ("side_fillet", fillet(2)),
            ("grade", case.least_grade().map(|_| part.class.grade.map(|grade| f64::from(grade as u8)))),
            ("shield", case.least_shield().map(|_| part.class.shield.map(|shield| f64::from(shield as u8)))),
            ("start_mark", case.least_mark().map(|_| part.class.start_mark.map(|mark| f64::from(u8::from(mark))))),
        ];
        for (id, value) in values {
            match value {
                Some(Some(value)) => figures.push(id, value),
                Some(None) => figures.push(id, Value::NotComputed(Why::NotStated)),
                None => {}
            }
        }
        Ok(Some(figures))
    }
}
