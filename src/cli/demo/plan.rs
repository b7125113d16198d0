//! The demo's plan, with its times moved to now.

use chrono::{DateTime, SubsecRound, TimeDelta, Utc};

use super::super::exit::{Done, Exit, Failure};
use crate::measure::Span;
use crate::plan::{Moment, Plan, read_toml};

/// The plan as it lies in `demo-data`.
const PLAN: &str = include_str!("../../../demo-data/plan-strait.toml");

/// The plan of a crew that is due back after `back_in`, at a whole second. It launched as long
/// before as in the file.
pub(super) fn due_back_in(back_in: TimeDelta, grace: Span, now: DateTime<Utc>) -> Done<Plan> {
    let no_files = |_: &str| Err("the demo's plan has no route file".to_owned());
    let mut plan =
        read_toml(PLAN, &no_files).map_err(|faults| Failure::new(Exit::Software, faults))?;
    let times = &mut plan.times;
    let length = times.return_by.at - times.launch.at;
    let return_by = (now + back_in).trunc_subsecs(0);
    times.launch = Moment { at: return_by - length };
    times.return_by = Moment { at: return_by };
    times.grace = Some(grace);
    Ok(plan)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_trip_keeps_its_length() {
        let now = Utc::now();
        let plan = due_back_in(TimeDelta::seconds(7), Span::from_seconds(3), now).unwrap();
        let times = &plan.times;
        // 06:15 to 12:00.
        assert_eq!(times.return_by.at - times.launch.at, TimeDelta::minutes(345));
        assert!(
            (TimeDelta::seconds(6)..=TimeDelta::seconds(7)).contains(&(times.return_by.at - now))
        );
    }
}
