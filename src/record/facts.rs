//! What the data of a part say, for people.

use super::layout::Fact;
use super::words::say;
use crate::model::parts::{CoreFamily, Inductor};

/// Inductance, resistance, ratings and size, in the order in which a data sheet has them.
pub(super) fn of(part: &Inductor) -> Vec<Fact> {
    let core = match part.core {
        CoreFamily::Ferrite => "ferrite",
        CoreFamily::Composite => "composite",
        CoreFamily::IronPowder => "iron powder",
    };
    let mut all = vec![
        ("Core".to_string(), core.to_string()),
        ("Inductance".into(), format!("{} ± {}", say(part.inductance_h, "H"), say(part.tolerance, "fraction"))),
        (
            "Winding resistance at 25 °C, typical / most".into(),
            format!("{} / {}", say(part.dcr_typical_ohm, "ohm"), say(part.dcr_max_ohm, "ohm")),
        ),
    ];
    for rating in &part.saturation_ratings {
        let label = format!(
            "Saturation current at {}, drop of {}",
            say(rating.temperature_degc, "degC"),
            say(rating.drop, "fraction")
        );
        all.push((label, say(rating.current_a, "A")));
    }
    let heating = part.heating_rating.map(|rating| (rating.rise_k, rating.current_a));
    all.extend(
        heating.map(|(rise_k, current_a)| (format!("Heating current for {}", say(rise_k, "K")), say(current_a, "A"))),
    );
    all.extend(part.working_voltage_v.map(|volt| ("Working voltage".to_string(), say(volt, "V"))));
    all.extend(part.max_temperature_degc.map(|degc| ("Highest temperature".to_string(), say(degc, "degC"))));
    all.extend(part.body.map(|body| {
        let mm = |metre: f64| format!("{:.1}", 1e3 * metre);
        let size = format!("{} x {} x {} mm", mm(body.length_m), mm(body.width_m), mm(body.height_m));
        ("Length, width, height".to_string(), size)
    }));
    all.into_iter().map(|(label, value)| Fact { label, value }).collect()
}
