//! When a letter that did not leave is tried again.

use chrono::TimeDelta;

/// After so many failed attempts, how long until the next: 5, 15, 30 and 60 seconds, then each
/// minute for six hours, then each five minutes.
#[must_use]
pub fn delay(failures: u32) -> TimeDelta {
    const MINUTES_IN_SIX_HOURS: u32 = 360;
    let seconds = match failures {
        0 => 5,
        1 => 15,
        2 => 30,
        _ if failures < 3 + MINUTES_IN_SIX_HOURS => 60,
        _ => 300,
    };
    TimeDelta::seconds(seconds)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_minute_is_dense_and_six_hours_are_by_the_minute() {
        let seconds: Vec<i64> = (0..5).map(|failures| delay(failures).num_seconds()).collect();
        assert_eq!(seconds, [5, 15, 30, 60, 60]);
        let until_slow: i64 = (0..).map(|n| delay(n).num_seconds()).take_while(|s| *s < 300).sum();
        assert_eq!(until_slow, 50 + 6 * 3600);
    }
}
