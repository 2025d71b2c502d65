//! Preferred values of resistors and capacitors: the series of IEC 60063, which a store has.

/// E24 within one decade, times 10. The values that the standard gives: in its middle they are not the roundings of the powers.
const E24: [f64; 24] = [
    10.0, 11.0, 12.0, 13.0, 15.0, 16.0, 18.0, 20.0, 22.0, 24.0, 27.0, 30.0, 33.0, 36.0, 39.0, 43.0, 47.0, 51.0, 56.0,
    62.0, 68.0, 75.0, 82.0, 91.0,
];

/// A series of preferred values.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Series {
    /// Every second value of E24: capacitors.
    E12,
    /// Resistors.
    E24,
}

impl Series {
    /// The values of one decade, times 10.
    fn decade(self) -> impl Iterator<Item = f64> {
        E24.into_iter().step_by(if self == Series::E12 { 2 } else { 1 })
    }

    /// Its values from one to another, rising.
    pub fn between(self, low: f64, high: f64) -> Vec<f64> {
        if !(low > 0.0 && high >= low && high.is_finite()) {
            return vec![];
        }
        let decades = low.log10().floor() as i32..=high.log10().floor() as i32;
        // A whole power of ten is exact, its inverse is not: values below one are divided.
        let scaled = |value: f64, decade: i32| match decade - 1 {
            power if power < 0 => value / 10f64.powi(-power),
            power => value * 10f64.powi(power),
        };
        let all = decades.flat_map(|decade| self.decade().map(move |value| scaled(value, decade)));
        all.filter(|value| (low..=high).contains(value)).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IEC 60063: 12 and 24 values a decade, in ratios near the twelfth and the twenty-fourth root of ten; from memory of the standard.
    #[test]
    fn outside_the_series_have_the_values_of_the_standard() {
        assert_eq!(Series::E12.between(1.0, 9.9), [1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2]);
        let all = Series::E24.between(1e3, 9.2e3);
        assert_eq!(all.len(), 24);
        // The standard's values lie up to 4.7 % beside the powers.
        let ideal = |number: usize| 1e3 * 10f64.powf(number as f64 / 24.0);
        assert!(all.iter().enumerate().all(|(number, value)| (value / ideal(number) - 1.0).abs() < 0.05));
    }

    #[test]
    fn law_values_of_all_decades_are_those_a_person_writes() {
        assert_eq!(Series::E12.between(0.9e-9, 2.3e-9), [1e-9, 1.2e-9, 1.5e-9, 1.8e-9, 2.2e-9]);
        assert_eq!(Series::E24.between(43e3, 52e3), [43e3, 47e3, 51e3]);
        assert!(Series::E24.between(0.0, 10.0).is_empty());
    }
}
