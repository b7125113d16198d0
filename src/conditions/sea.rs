//! How high a sea the wind raises on open water of a length.
//!
//! Coastal Engineering Manual (US Army Corps of Engineers, EM 1110-2-1100, Part II, chapter 2, of
//! 2003), for deep water and a wind that has blown long enough, on the straight line of the fetch:
//! g H / u*² = 0.0413 √(g X / u*²), at most 211.5, with the friction velocity u*² = C U², where
//! C = 0.001 (1.1 + 0.035 U) and U is the wind at ten metres. The last three were read in the
//! manual's pages, the first in a program that follows it.
//!
//! An estimate, no measurement: shoals, currents against the wind, and cliffs make steeper seas.

use crate::measure::kn_to_m_per_s;

const GRAVITY_M_PER_S2: f64 = 9.81;

/// Significant wave height in metres, of a wind in knots on so many metres of open water.
#[must_use]
pub fn height_on_fetch_m(speed_kn: f64, fetch_m: f64) -> f64 {
    let wind_m_per_s = kn_to_m_per_s(speed_kn.max(0.0));
    let drag = 0.001 * (1.1 + 0.035 * wind_m_per_s);
    let friction2 = drag * wind_m_per_s * wind_m_per_s;
    if friction2 <= 0.0 {
        return 0.0;
    }
    let fetch = GRAVITY_M_PER_S2 * fetch_m.max(0.0) / friction2;
    (0.0413 * fetch.sqrt()).min(211.5) * friction2 / GRAVITY_M_PER_S2
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::m_per_s_to_kn;

    /// By `parametricwavedeep(wind, fetch, 'cem')` of the Python package scientimate 2.0, another's
    /// program for the same manual: metres a second, metres, and the height in metres.
    #[test]
    fn as_another_program_has_it() {
        for (wind_m_per_s, fetch_m, height_m) in [
            (5.0, 500.0, 0.0526),
            (5.0, 10_000.0, 0.2354),
            (5.0, 100_000.0, 0.6872),
            (5.0, 2_000_000.0, 0.6872),
            (7.7167, 2_000.0, 0.1684),
            (7.7167, 100_000.0, 1.191),
            (10.0, 10_000.0, 0.5021),
            (10.0, 2_000_000.0, 3.1261),
            (12.8611, 10_000.0, 0.6677),
            (15.0, 100_000.0, 2.5214),
        ] {
            let ours_m = height_on_fetch_m(m_per_s_to_kn(wind_m_per_s), fetch_m);
            assert!((ours_m - height_m).abs() < 1e-4, "{wind_m_per_s} {fetch_m}: {ours_m}");
        }
    }

    #[test]
    fn no_wind_and_no_water_raise_nothing() {
        assert_eq!((height_on_fetch_m(0.0, 5_000.0), height_on_fetch_m(20.0, 0.0)), (0.0, 0.0));
    }
}
