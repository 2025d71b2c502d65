//! Currents as shares of the part's own ratings, where house rules ask for them.

use super::figures::{Figures, Value, Why};
use super::stand::Stand;
use crate::model::case::HouseRules;

/// The share of the saturation rating that a peak of ordinary use takes.
pub(crate) fn of_peak(stand: &Stand<'_>, peak_a: f64, figures: &mut Figures) {
    let asked = stand.case.rules.as_ref().is_some_and(|rules| rules.saturation_share.is_some());
    // The first rating is that of a cold part; where only a hot one is stated it is the stricter.
    let rated_a = stand.part.saturation_ratings.first().map(|rating| rating.current_a);
    if asked {
        figures.push("saturation_use", share(peak_a, rated_a));
    }
}

/// The share of the heating rating that an rms current takes.
pub(crate) fn of_rms(stand: &Stand<'_>, rms_a: f64, figures: &mut Figures) {
    let asked = stand.case.rules.as_ref().is_some_and(|rules| rules.heating_share.is_some());
    let rated_a = stand.part.heating_rating.map(|rating| rating.current_a);
    if asked {
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
    let (why, rules) = (why.clone(), stand.case.rules.as_ref());
    let asks = |of: fn(&HouseRules) -> Option<f64>| rules.is_some_and(|rules| of(rules).is_some());
    if matches!(figures.place.condition, "steady" | "load step" | "input step") && asks(|rules| rules.saturation_share)
    {
        figures.push("saturation_use", Value::NotComputed(why.clone()));
    }
    if figures.place.condition == "steady" && asks(|rules| rules.heating_share) {
        figures.push("heating_use", Value::NotComputed(why));
    }
}

/// Without a rating nothing is known of its share.
fn share(current_a: f64, rated_a: Option<f64>) -> Value {
    rated_a.map_or(Value::NotComputed(Why::NotStated), |rated_a| Value::Number(current_a / rated_a))
}
