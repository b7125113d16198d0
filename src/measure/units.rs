//! Conversions between the units people use on the water.

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

#[cfg(test)]
mod tests {
    use super::*;

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
