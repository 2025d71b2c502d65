//! The company's own deratings: a file of its own, which a case names and several may share.

use super::keys;
use super::settings::Settings;
use super::source::{Place, Sources};
use super::walk::{Values, walk};
use crate::model::case::{DatumOrigin, HouseRules};
use crate::visible::visible;
use std::path::Path;

/// The rules that a board names, and what the file says of their origin; `None` where it names none or they are wrong.
pub fn read(
    sources: &mut Sources,
    folder: &Path,
    board: &Values,
    settings: &mut Settings,
) -> Option<(HouseRules, Vec<DatumOrigin>)> {
    let file = board.text("rules")?;
    let place = board.place("rules");
    if Path::new(file).is_absolute() {
        let hint = "for example rules = \"../rules.toml\": who checks the record has other folders";
        sources.problem(&place, "rules", "a path relative to the case", hint);
        return None;
    }
    let number = sources.read(folder, file, Some((&place, "rules")))?;
    let mut tree = sources.toml(number)?;
    settings.put_in_rules(sources, &mut tree);
    let values = walk(sources, keys::RULES, &tree, LABEL);
    check(sources, &values, number);
    let at = |key: &str| values.number(key);
    let rules = HouseRules {
        file: visible(file).into_owned(),
        inductance_left: at("inductance_left"),
        saturation_share: at("saturation_share"),
        heating_share: at("heating_share"),
        winding_margin_k: at("winding_margin"),
        resonance_ratio: at("resonance_ratio"),
        voltage_share: at("voltage_share"),
    };
    Some((rules, values.origins))
}

/// What stands before the keys of the file in messages and in the list of origins.
const LABEL: &str = "house rules";

/// A file that asks nothing is a slip: nobody names it for that.
fn check(sources: &mut Sources, values: &Values, file: usize) {
    let absent = keys::RULES.iter().all(|key| values.absent(key.path));
    let told = sources.problems.iter().any(|problem| problem.key.starts_with(LABEL));
    if absent && !told {
        let hint = "for example winding_margin = \"15 K\"; or remove the key rules from board.toml";
        sources.problem(&Place { file, span: 0..0 }, LABEL, "at least one rule", hint);
    }
}
