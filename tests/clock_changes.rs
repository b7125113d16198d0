//! The times of a plan on every clock: around each change of the clocks from 2020 to 2035 in
//! several zones, a time is the right instant, or a fault that spells out the choices.

#![allow(clippy::unwrap_used)]

use chrono::{
    DateTime, Datelike, Days, FixedOffset, NaiveDate, NaiveDateTime, TimeDelta, Utc, Weekday,
};
use serde_json::json;
use shorelamp::measure::Span;
use shorelamp::plan::{Plan, Waypoint, read_json};
use shorelamp::watch::{
    Anchor, Event, Ladder, Rung, RungKind, Terms, To, Watched, next_wakeup, step,
};

fn no_files(name: &str) -> Result<Vec<Waypoint>, String> {
    Err(format!("{name} is not there"))
}

/// The smallest plan, of invented people, with these times.
fn small_plan(zone: &str, launch: &str, return_by: &str) -> String {
    json!({
        "times": {"zone": zone, "launch": launch, "return_by": return_by},
        "launch": {"position": "48.5608 -123.1755"},
        "crew": [{"name": "Maren Tollefsby"}],
        "contact": [{"name": "Philippa Ashgrove", "email": "philippa@example.org"}],
    })
    .to_string()
}

/// A change of the clocks: the local time at which it happens, by the clocks before it, and the
/// offsets before and after, in minutes.
struct Change {
    local: NaiveDateTime,
    before_min: i32,
    after_min: i32,
}

/// The `nth` (1 first, 5 last) Sunday of a month.
fn sunday(year: i32, month: u32, nth: u8) -> NaiveDate {
    if let Some(date) = NaiveDate::from_weekday_of_month_opt(year, month, Weekday::Sun, nth) {
        return date;
    }
    NaiveDate::from_weekday_of_month_opt(year, month, Weekday::Sun, 4).unwrap()
}

/// Both changes of a year, from the laws themselves and not from a zone table:
/// - United States: second Sunday of March, first Sunday of November, 02:00 local (Energy Policy
///   Act of 2005, section 110)
/// - European Union, and the United Kingdom since: last Sundays of March and October, 01:00 UTC
///   (Directive 2000/84/EC; the Summer Time Order 2002)
/// - New Zealand: last Sunday of September, first Sunday of April, 02:00 standard time (Daylight
///   Time Order 2007)
/// - Lord Howe Island: half an hour, first Sundays of October and April, 02:00 local (from memory)
fn changes(zone: &str, year: i32) -> [Change; 2] {
    let change = |date: NaiveDate, hour: u32, before_min: i32, after_min: i32| {
        let local = date.and_hms_opt(hour, 0, 0).unwrap();
        Change { local, before_min, after_min }
    };
    let american = |winter: i32| {
        [
            change(sunday(year, 3, 2), 2, winter, winter + 60),
            change(sunday(year, 11, 1), 2, winter + 60, winter),
        ]
    };
    let european = |hour: u32, winter: i32| {
        [
            change(sunday(year, 3, 5), hour, winter, winter + 60),
            change(sunday(year, 10, 5), hour + 1, winter + 60, winter),
        ]
    };
    match zone {
        "America/Los_Angeles" => american(-480),
        "America/Chicago" => american(-360),
        "Europe/London" => european(1, 0),
        "Europe/Oslo" => european(2, 60),
        "Pacific/Auckland" => {
            [change(sunday(year, 9, 5), 2, 720, 780), change(sunday(year, 4, 1), 3, 780, 720)]
        }
        "Australia/Lord_Howe" => {
            [change(sunday(year, 10, 1), 2, 630, 660), change(sunday(year, 4, 1), 2, 660, 630)]
        }
        other => panic!("no law known for {other}"),
    }
}

const ZONES: [&str; 6] = [
    "America/Los_Angeles",
    "America/Chicago",
    "Europe/London",
    "Europe/Oslo",
    "Pacific/Auckland",
    "Australia/Lord_Howe",
];

fn with_offset(local: NaiveDateTime, offset_min: i32) -> DateTime<FixedOffset> {
    let offset = FixedOffset::east_opt(offset_min * 60).unwrap();
    local.and_local_timezone(offset).unwrap()
}

/// Reads a plan that launches the day before and returns at `local`, on the zone's clocks.
fn returning(zone: &str, local: NaiveDateTime) -> Result<Plan, String> {
    let launch = (local.date() - Days::new(1)).and_hms_opt(12, 0, 0).unwrap();
    let text = |time: NaiveDateTime| time.format("%Y-%m-%dT%H:%M").to_string();
    read_json(&small_plan(zone, &text(launch), &text(local)), &no_files)
        .map_err(|faults| faults.to_string())
}

#[test]
fn times_around_every_change_of_the_clocks_are_read_or_spelled_out() {
    for zone in ZONES {
        for year in 2020..=2035 {
            for change in changes(zone, year) {
                check_change(zone, &change);
            }
        }
    }
}

fn check_change(zone: &str, change: &Change) {
    let minutes = |minutes: i32| TimeDelta::minutes(i64::from(minutes));
    let step = change.after_min - change.before_min;
    let (first, last) = if step > 0 {
        (change.local, change.local + minutes(step))
    } else {
        (change.local + minutes(step), change.local)
    };
    let just_before = first - minutes(1);
    let read = returning(zone, just_before).unwrap().times.return_by.at;
    assert_eq!(read, with_offset(just_before, change.before_min), "{zone} {just_before}");
    let read = returning(zone, last).unwrap().times.return_by.at;
    assert_eq!(read, with_offset(last, change.after_min), "{zone} {last}");

    for within in [first, first + minutes(step.abs() / 2), last - minutes(1)] {
        let fault = returning(zone, within).unwrap_err();
        let choices = if step > 0 {
            [with_offset(just_before, change.before_min), with_offset(last, change.after_min)]
        } else {
            [with_offset(within, change.before_min), with_offset(within, change.after_min)]
        };
        for choice in choices {
            assert!(fault.contains(&choice.to_rfc3339()), "{zone} {within}: {fault}");
        }
        for choice in choices {
            let launch = (choice - TimeDelta::hours(12)).to_rfc3339();
            let plan = small_plan(zone, &launch, &choice.to_rfc3339());
            let read = read_json(&plan, &no_files).unwrap();
            assert_eq!(read.times.return_by.at, choice, "{zone} {within}");
        }
    }
}

/// Every change that this zone's clocks make, by another program: `data/clock-changes.py`.
fn known_changes() -> Vec<(Vec<&'static str>, Vec<Change>)> {
    let mut known: Vec<(Vec<&str>, Vec<Change>)> = Vec::new();
    for line in include_str!("data/clock-changes.txt").lines() {
        let words: Vec<&str> = line.split(' ').collect();
        match words[..] {
            ["#", ..] => {}
            ["zones", ref zones @ ..] => known.push((zones.to_vec(), Vec::new())),
            [at, before, after] => {
                let at: DateTime<Utc> = at.parse().unwrap();
                let (before_min, after_min) = (before.parse().unwrap(), after.parse().unwrap());
                let local = at.naive_utc() + TimeDelta::minutes(i64::from(before_min));
                known.last_mut().unwrap().1.push(Change { local, before_min, after_min });
            }
            _ => panic!("{line}"),
        }
    }
    known
}

/// Between a return time and the moment at which the crew is overdue.
const GRACE_MIN: i64 = 15;

/// When this plan, filed a day before, first alerts a contact; that nothing comes earlier, at the
/// change of the clocks least of all.
fn first_alert(plan: &Plan, change: DateTime<Utc>) -> DateTime<Utc> {
    let rung = |anchor, to, kind| Rung { anchor, offset_s: 0, to: vec![to], kind };
    let rungs = vec![
        rung(Anchor::Due, To::Crew, RungKind::Due),
        rung(Anchor::Overdue, To::Contacts, RungKind::CallRescue),
    ];
    let minutes = Span::from_minutes;
    let ladder = Ladder::new(rungs, minutes(15), minutes(10), minutes(15)).unwrap();
    let due_at = plan.times.return_by.at;
    let terms = Terms { due_at, grace: ladder.grace(), ladder, crew: vec![false], contacts: 1 };
    let mut plan = Watched::file(terms, due_at - TimeDelta::days(1)).plan;
    let mut at_the_change = [-1, 0, 1].map(|second| change + TimeDelta::seconds(second)).to_vec();
    loop {
        let wakes = next_wakeup(&plan).unwrap();
        at_the_change.retain(|at| *at > due_at - TimeDelta::days(1));
        let next = at_the_change.first().copied().filter(|at| *at < wakes);
        let now = next.unwrap_or(wakes);
        at_the_change.retain(|at| *at > now);
        let moved = step(&plan, &Event::Tick, now).unwrap();
        if moved.orders.iter().any(|order| order.kind.is_alert()) {
            return now;
        }
        plan = moved.plan;
    }
}

#[test]
fn at_every_change_of_every_zone_a_plan_is_overdue_at_the_right_instant() {
    let (mut zones_seen, mut changes_seen) = (0, 0);
    for (zones, changes) in known_changes() {
        for (at, zone) in zones.iter().enumerate() {
            zones_seen += 1;
            for change in &changes {
                changes_seen += 1;
                if at == 0 {
                    check_change(zone, change);
                }
                check_alert(zone, change);
            }
        }
    }
    assert!(zones_seen > 590 && changes_seen > 6500, "{zones_seen} zones, {changes_seen} changes");
}

fn check_alert(zone: &str, change: &Change) {
    let minutes = |minutes: i32| TimeDelta::minutes(i64::from(minutes));
    let first = change.local.min(change.local + minutes(change.after_min - change.before_min));
    let last = change.local.max(change.local + minutes(change.after_min - change.before_min));
    let instant = with_offset(change.local, change.before_min).to_utc();
    for (local, offset_min) in [
        (first - minutes(1), change.before_min),
        (last, change.after_min),
        (last + minutes(600), change.after_min),
    ] {
        let plan = returning(zone, local).unwrap();
        let overdue = with_offset(local, offset_min).to_utc() + TimeDelta::minutes(GRACE_MIN);
        assert_eq!(first_alert(&plan, instant), overdue, "{zone} {local}");
        // What the letter calls that moment is what clocks there show.
        let shown = if overdue < instant { change.before_min } else { change.after_min };
        let shown = overdue.with_timezone(&FixedOffset::east_opt(shown * 60).unwrap());
        assert_eq!(plan.times.local(overdue), shown.to_rfc3339(), "{zone} {local}");
    }
}

#[test]
fn the_zone_of_the_launch_decides_without_an_offset() {
    let plan = small_plan("America/Chicago", "2027-05-15T06:15", "2027-05-15T12:00");
    let without = plan.replace("\"zone\":\"America/Chicago\"", "\"grace\":\"20m\"");
    let read = read_json(&without, &no_files).unwrap();
    assert_eq!(read.times.launch.at.to_rfc3339(), "2027-05-15T13:15:00+00:00");
    let named = read_json(&plan, &no_files).unwrap();
    assert_eq!(named.times.launch.at.to_rfc3339(), "2027-05-15T11:15:00+00:00");
}

#[test]
fn a_plan_of_several_days_is_a_plan() {
    let plan = small_plan("Europe/Oslo", "2027-10-29T08:00", "2027-11-02T18:00");
    let times = read_json(&plan, &no_files).unwrap().times;
    // Four days and ten hours on the clocks, and the hour that October gives back.
    assert_eq!(times.return_by.at - times.launch.at, TimeDelta::hours(4 * 24 + 10 + 1));
    assert_eq!(times.local(times.launch.at), "2027-10-29T08:00:00+02:00");
    assert_eq!(times.local(times.return_by.at), "2027-11-02T18:00:00+01:00");
    assert_eq!(times.launch.at.year(), 2027);
}
