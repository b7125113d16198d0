//! The light of a trip's days, at the launch.

use chrono::{DateTime, Days, NaiveDate, NaiveTime, TimeZone, Utc};

use crate::caution::{Light, Stretch};
use crate::plan::Plan;
use crate::sun::{self, Daylight, Sun};

/// The light on the local day of the return, if that can be worked out.
pub(super) fn of_return(plan: &Plan) -> Option<Daylight> {
    daylight(plan, local_day(plan, plan.times.return_by.at))
}

/// The light from the evening before the launch until the morning after `until`: at high latitudes
/// a day's light reaches into the next day. A day that can't be worked out counts as dark.
pub(super) fn of_trip(plan: &Plan, until: DateTime<Utc>) -> Light {
    let first = local_day(plan, plan.times.launch.at) - Days::new(1);
    let last = local_day(plan, until) + Days::new(1);
    let mut light = Light::default();
    for date in first.iter_days().take_while(|date| *date <= last) {
        let Some(day) = daylight(plan, date) else { continue };
        let whole = Stretch { from: midnight(plan, date), to: midnight(plan, date + Days::new(1)) };
        let up = day.sun != Sun::DownAllDay;
        light.sun.extend(up.then(|| within(whole, day.sunrise, day.sunset)));
        let civil = up || day.civil_dawn.is_some() || day.civil_dusk.is_some();
        light.civil.extend(civil.then(|| within(whole, day.civil_dawn, day.civil_dusk)));
    }
    light.sun.sort_by_key(|stretch| stretch.from);
    light.civil.sort_by_key(|stretch| stretch.from);
    light
}

/// From the rise to the set; where there is none, it is light until the day's end.
fn within(whole: Stretch, rise: Option<DateTime<Utc>>, set: Option<DateTime<Utc>>) -> Stretch {
    Stretch { from: rise.unwrap_or(whole.from), to: set.unwrap_or(whole.to) }
}

fn daylight(plan: &Plan, date: NaiveDate) -> Option<Daylight> {
    sun::daylight(plan.launch.position, date, plan.times.zone)
}

fn local_day(plan: &Plan, at: DateTime<Utc>) -> NaiveDate {
    at.with_timezone(&plan.times.zone).date_naive()
}

/// The first instant of a local day; in a zone that skips it, the same hour of UTC.
fn midnight(plan: &Plan, date: NaiveDate) -> DateTime<Utc> {
    let local = date.and_time(NaiveTime::MIN);
    plan.times
        .zone
        .from_local_datetime(&local)
        .earliest()
        .map_or_else(|| local.and_utc(), |at| at.to_utc())
}
