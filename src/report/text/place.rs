//! A condition in few words, for a line of a terminal.

/// Words of a corner and their short form; what is not here stays.
const SHORT: [(&str, &str); 4] =
    [("frequency", "f"), ("reference", "ref"), ("core loss", "core"), ("winding", "winding")];

/// The condition with its corner in signs: "32 V, 3 A, low L, aged, high DCR" becomes "32 V, 3 A, L- aged DCR+".
pub fn short(place: &str) -> String {
    joined(&parts(place))
}

/// A setting and its corner.
pub(super) fn joined((setting, corner): &(String, String)) -> String {
    let between = if setting.is_empty() || corner.is_empty() { "" } else { ", " };
    format!("{setting}{between}{corner}")
}

/// What is set, and the corner in signs.
pub(super) fn parts(place: &str) -> (String, String) {
    let mut setting: Vec<&str> = vec![];
    let mut corner: Vec<String> = vec![];
    for word in place.split(", ") {
        match signed(word) {
            Some(sign) => corner.push(sign),
            None if ["aged", "new", "cold", "warm", "nominal"].contains(&word) => corner.push(word.into()),
            None => setting.push(word),
        }
    }
    // What is not told is typical in a corner that is not an aged one.
    if corner.len() > 1 {
        corner.retain(|word| word != "nominal");
    }
    (setting.join(", "), corner.join(" "))
}

/// "low frequency" as "f-".
fn signed(word: &str) -> Option<String> {
    let (end, what) = word.split_once(' ')?;
    let sign = match end {
        "low" => "-",
        "high" => "+",
        "typical" => " typ.",
        _ => return None,
    };
    let short = SHORT.iter().find(|(long, _)| *long == what).map_or(what, |(_, short)| short);
    Some(format!("{short}{sign}"))
}
