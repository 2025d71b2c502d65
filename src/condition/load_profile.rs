//! Load profiles: the load follows a current against time, from a file or drawn at random.
//!
//! Definitions: docs/physics.md, "load profile".

use super::contract::{Condition, Found, Setup, Wish};
use super::course::{self, Course};
use super::figures::{Failure, Figures, Place};
use super::stand::Stand;

/// Every load profile of the board.
pub(crate) struct LoadProfiles;

impl Condition for LoadProfiles {
    fn name(&self) -> &'static str {
        "load profile"
    }

    fn key(&self) -> &'static str {
        "load.profiles"
    }

    fn quantities(&self) -> &'static [&'static str] {
        &["dip", "rise", "window", "output_deviation", "peak_current", "limited_cycles"]
    }

    fn places(&self, stand: &Stand<'_>) -> Vec<Place> {
        let board = &stand.case.board;
        let profiles = (1..=board.loads.len()).filter_map(|load| Some((load, board.profile(load)?)));
        profiles.map(|(load, profile)| Place { load, ..stand.place(self.name(), profile.levels_a().1) }).collect()
    }

    fn simulate(&self, stand: &Stand<'_>, place: Place) -> Result<Found, Failure> {
        let Some(profile) = stand.case.board.profile(place.load) else {
            return Ok(Found::of(Figures::at(place, None)));
        };
        course::simulate(stand, place, &Course::of_profile(stand, profile))
    }

    fn set_up(&self, stand: &Stand<'_>, wish: &Wish) -> Result<Option<Setup>, Failure> {
        let load = wish.load.or_else(|| self.places(stand).first().map(|place| place.load));
        let profile = load.and_then(|load| stand.case.board.profile(load));
        profile.map(|profile| course::set_up(stand, wish, &Course::of_profile(stand, profile))).transpose()
    }

    fn is_checked_for_all(&self) -> bool {
        true
    }

    fn can_be_read(&self, _: &str) -> bool {
        true
    }
}
