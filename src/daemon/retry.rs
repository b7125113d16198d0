//! When a letter that did not leave is tried again.

use chrono::TimeDelta;

use crate::watch::Kind;

/// After how many failed attempts the delay is the longest.
const SLOW: u32 = 3 + MINUTES_IN_SIX_HOURS;
const MINUTES_IN_SIX_HOURS: u32 = 360;
/// How much longer a delay of a minute or more may become, so that what failed together is not
/// tried together for ever: a tenth.
const MOST_JITTER_PER_MILLE: i64 = 100;

/// When a letter that failed so many times is tried again; `id` spreads letters out, always by
/// the same.
#[must_use]
pub fn jittered_delay(failures: u32, id: &str) -> TimeDelta {
    let delay = delay(failures);
    if delay < TimeDelta::minutes(1) {
        return delay;
    }
    let spread = id.bytes().fold(0, |sum, byte| (sum * 31 + i64::from(byte)) % 1000);
    delay + TimeDelta::milliseconds(delay.num_seconds() * spread * MOST_JITTER_PER_MILLE / 1000)
}

/// When a letter is tried again whose address was refused. An alert goes again with the next rung
/// or repeat; what nothing else will say again is tried by itself, at the slowest pace.
#[must_use]
pub fn after_refusal(kind: Kind, id: &str) -> Option<TimeDelta> {
    match kind {
        Kind::StandDown | Kind::Home | Kind::Withdrawn | Kind::Changed | Kind::News => {
            Some(jittered_delay(SLOW, id))
        }
        Kind::Filed
        | Kind::Reminder
        | Kind::Due
        | Kind::Overdue
        | Kind::CallRescue
        | Kind::Trouble
        | Kind::Confirm
        | Kind::Drill => None,
    }
}

/// After so many failed attempts, how long until the next: 5, 15, 30 and 60 seconds, then each
/// minute for six hours, then each five minutes.
fn delay(failures: u32) -> TimeDelta {
    let seconds = match failures {
        0 => 5,
        1 => 15,
        2 => 30,
        _ if failures < SLOW => 60,
        _ => 300,
    };
    TimeDelta::seconds(seconds)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_failed_together_is_spread_over_a_tenth_of_the_delay() {
        assert_eq!(jittered_delay(2, "id"), TimeDelta::seconds(30));
        let all: Vec<i64> = (0..1000)
            .map(|letter| jittered_delay(3, &format!("{letter:032x}")).num_milliseconds())
            .collect();
        let (least, most) = (all.iter().min(), all.iter().max());
        assert!(least.is_some_and(|ms| (60_000..61_000).contains(ms)), "{least:?}");
        assert!(most.is_some_and(|ms| (65_000..=66_000).contains(ms)), "{most:?}");
        assert_eq!(jittered_delay(3, "one"), jittered_delay(3, "one"));
    }

    #[test]
    fn the_first_minute_is_dense_and_six_hours_are_by_the_minute() {
        let seconds: Vec<i64> = (0..5).map(|failures| delay(failures).num_seconds()).collect();
        assert_eq!(seconds, [5, 15, 30, 60, 60]);
        let until_slow: i64 = (0..).map(|n| delay(n).num_seconds()).take_while(|s| *s < 300).sum();
        assert_eq!(until_slow, 50 + 6 * 3600);
    }
}
