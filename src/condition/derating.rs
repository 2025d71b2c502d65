//! Currents as shares of the part's own ratings, where house rules ask for them.

use super::figures::{Figures, Value, Why};
use super::stand::Stand;
use crate::model::case::HouseRules;

/// The share of the saturation rating that a peak of ordinary use takes.
pub(crate) fn of_peak(stand: &Stand<'_>, peak_a: f64, figures: &mut Figures) {
    // The first rating is that of a cold part; where only a hot one is stated it is the stricter.
    let rated_a = stand.part.saturation_ratings.first().map(|rating| rating.current_a);
    if is_asked(stand, |rules| rules.saturation_share) {
        figures.push("saturation_use", share(peak_a, rated_a));
    }
}

/// The share of the heating rating that an rms current takes.
pub(crate) fn of_rms(stand: &Stand<'_>, rms_a: f64, figures: &mut Figures) {
    let rated_a = stand.part.heating_rating.map(|rating| rating.current_a);
    if is_asked(stand, |rules| rules.heating_share) {
        figures.push("heating_use", share(rms_a, rated_a));
    }
}

/// In a condition that could not be run the shares that it would tell are not known.
pub(crate) fn unknown(stand: &Stand<'_>, figures: &mut Figures) {
    let Some(Value::NotComputed(why)) =
        figures.values.iter().map(|figure| &figure.value).find(|value| value.number().is_none())
    else {
        return;
    };
    let (why, condition) = (why.clone(), figures.place.condition);
    let has_peak = matches!(condition, "steady" | "load step" | "load profile" | "input step");
    if has_peak && is_asked(stand, |rules| rules.saturation_share) {
        figures.push("saturation_use", Value::NotComputed(why.clone()));
    }
    if condition == "steady" && is_asked(stand, |rules| rules.heating_share) {
        figures.push("heating_use", Value::NotComputed(why));
    }
}

/// Whether the house rules of the case hold a share.
fn is_asked(stand: &Stand<'_>, share: fn(&HouseRules) -> Option<f64>) -> bool {
    stand.case.rules.as_ref().and_then(share).is_some()
}

/// Without a rating nothing is known of its share.
fn share(current_a: f64, rated_a: Option<f64>) -> Value {
    rated_a.map_or(Value::NotComputed(Why::NotStated), |rated_a| Value::Number(current_a / rated_a))
}
