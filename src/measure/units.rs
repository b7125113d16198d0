//! Conversions between the units people use on the water, and how numbers are told in them.

use serde::{Deserialize, Serialize};

/// Which units come first in words. The other stands behind it wherever a mistake would hurt;
/// wind is told in knots in any case.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Units {
    /// Degrees Celsius, metres and kilometres.
    #[default]
    Metric,
    /// Degrees Fahrenheit, yards and nautical miles, waves in feet: as in the United States.
    NauticalUs,
}

/// The international nautical mile, in metres (by definition, exactly).
pub const METRES_PER_NAUTICAL_MILE: f64 = 1852.0;

/// Knots to metres a second.
#[must_use]
pub fn kn_to_m_per_s(speed_kn: f64) -> f64 {
    speed_kn * METRES_PER_NAUTICAL_MILE / 3600.0
}

/// Metres a second to knots.
#[must_use]
pub fn m_per_s_to_kn(speed_m_per_s: f64) -> f64 {
    speed_m_per_s * 3600.0 / METRES_PER_NAUTICAL_MILE
}

/// Degrees Celsius to degrees Fahrenheit.
#[must_use]
pub fn celsius_to_fahrenheit(temperature_c: f64) -> f64 {
    temperature_c * 9.0 / 5.0 + 32.0
}

/// Degrees Fahrenheit to degrees Celsius.
#[must_use]
pub fn fahrenheit_to_celsius(temperature_f: f64) -> f64 {
    (temperature_f - 32.0) * 5.0 / 9.0
}

/// The international foot, in metres (1959, exactly).
pub const METRES_PER_FOOT: f64 = 0.3048;
const METRES_PER_YARD: f64 = 3.0 * METRES_PER_FOOT;
const METRES_PER_MILE: f64 = 1760.0 * METRES_PER_YARD;

impl Units {
    /// `9.1 °C (48 °F)`, or `48 °F (9.1 °C)`.
    #[must_use]
    pub fn temperature(self, temperature_c: f64) -> String {
        // Adding zero turns a negative zero into a plain one.
        let celsius = format!("{:.1} °C", (temperature_c * 10.0).round() / 10.0 + 0.0);
        let fahrenheit = format!("{:.0} °F", celsius_to_fahrenheit(temperature_c).round() + 0.0);
        self.both(celsius, fahrenheit)
    }

    /// `640 m`, from a kilometre on `2.1 km (1.1 nautical miles)`; or `700 yards (640 m)`, from a
    /// kilometre on `1.1 nautical miles (2.1 km)`.
    #[must_use]
    pub fn distance(self, distance_m: f64) -> String {
        let metric = Units::Metric.short_distance(distance_m);
        match (self, distance_m.round()) {
            (Units::Metric, ..1000.0) => metric,
            (Units::NauticalUs, ..1000.0) => {
                self.both(metric, format!("{:.0} yards", distance_m / METRES_PER_YARD))
            }
            (_, _) => {
                let miles = distance_m / METRES_PER_NAUTICAL_MILE;
                self.both(metric, format!("{miles:.1} nautical miles"))
            }
        }
    }

    /// `640 m`, from a kilometre on `2.1 km`; or `700 yd`, `1.1 nm`: for tables.
    #[must_use]
    pub fn short_distance(self, distance_m: f64) -> String {
        match (self, distance_m.round()) {
            (Units::Metric, ..1000.0) => format!("{distance_m:.0} m"),
            (Units::Metric, _) => format!("{:.1} km", distance_m / 1000.0),
            (Units::NauticalUs, ..1000.0) => format!("{:.0} yd", distance_m / METRES_PER_YARD),
            (Units::NauticalUs, _) => format!("{:.1} nm", distance_m / METRES_PER_NAUTICAL_MILE),
        }
    }

    /// `0.9 m (3 ft)`, or `3 ft (0.9 m)`.
    #[must_use]
    pub fn height(self, height_m: f64) -> String {
        let feet = format!("{:.0} ft", height_m / METRES_PER_FOOT);
        self.both(format!("{height_m:.1} m"), feet)
    }

    /// What stands behind a wind's knots: `33 km/h`, or `21 mph`.
    #[must_use]
    pub fn speed(self, speed_kn: f64) -> String {
        match self {
            Units::Metric => {
                format!("{:.0} km/h", speed_kn * METRES_PER_NAUTICAL_MILE / 1000.0)
            }
            Units::NauticalUs => {
                format!("{:.0} mph", speed_kn * METRES_PER_NAUTICAL_MILE / METRES_PER_MILE)
            }
        }
    }

    fn both(self, metric: String, other: String) -> String {
        match self {
            Units::Metric => format!("{metric} ({other})"),
            Units::NauticalUs => format!("{other} ({metric})"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_told_in_both_units() {
        let metric = Units::Metric;
        assert_eq!(metric.temperature(9.14), "9.1 °C (48 °F)");
        assert_eq!(metric.temperature(-0.01), "0.0 °C (32 °F)");
        assert_eq!(metric.temperature(-1.8), "-1.8 °C (29 °F)");
        assert_eq!(metric.distance(640.4), "640 m");
        assert_eq!(metric.distance(2065.0), "2.1 km (1.1 nautical miles)");
        assert_eq!(metric.short_distance(640.4), "640 m");
        assert_eq!(metric.short_distance(999.6), "1.0 km");
        assert_eq!(metric.height(0.9), "0.9 m (3 ft)");
        assert_eq!(metric.speed(18.0), "33 km/h");
    }

    /// A yard is 0.9144 m and a foot 0.3048 m (international yard, 1959).
    #[test]
    fn the_first_unit_is_the_keepers() {
        let nautical = Units::NauticalUs;
        assert_eq!(nautical.temperature(9.14), "48 °F (9.1 °C)");
        assert_eq!(nautical.temperature(-17.8), "0 °F (-17.8 °C)");
        assert_eq!(nautical.distance(640.08), "700 yards (640 m)");
        assert_eq!(nautical.distance(999.6), "0.5 nautical miles (1.0 km)");
        assert_eq!(nautical.distance(2065.0), "1.1 nautical miles (2.1 km)");
        assert_eq!(nautical.short_distance(548.64), "600 yd");
        assert_eq!(nautical.short_distance(1852.0), "1.0 nm");
        assert_eq!(nautical.height(0.9), "3 ft (0.9 m)");
        assert_eq!(nautical.speed(20.0), "23 mph");
    }

    /// WMO conversion as printed with the Beaufort scale: 1 kn = 0.514444 m/s.
    #[test]
    fn one_knot_is_0_514444_metres_a_second() {
        assert!((kn_to_m_per_s(1.0) - 0.514_444).abs() < 1e-6);
        assert!((m_per_s_to_kn(kn_to_m_per_s(17.0)) - 17.0).abs() < 1e-12);
    }

    /// Fixed points of both scales (definition).
    #[test]
    fn freezing_and_seventy_fahrenheit() {
        assert_eq!(celsius_to_fahrenheit(0.0), 32.0);
        assert!((fahrenheit_to_celsius(70.0) - 21.111).abs() < 1e-3);
    }
}
