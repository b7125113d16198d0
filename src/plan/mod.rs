//! What a crew files before it launches: who, where, in what, with what, until when, and who
//! ashore is to be told.
//!
//! A [`Plan`] can only be made by [`read_toml`] or [`read_json`], which find every fault of a
//! text at once; one that exists is therefore complete and possible. Serialized, it has the keys
//! of the plan file again.

mod amend;
mod fault;
mod figures;
mod filing;
mod gpx;
mod json;
mod people;
pub mod questions;
mod read;
mod table;
mod times;
mod trip;
mod zone;

pub use amend::Placed;
pub(crate) use fault::turns_text;
pub use fault::{Fault, Faults};
pub use gpx::{GpxError, read_gpx};
pub use people::{Contact, CrewMember, Lifejacket, Wear};
pub(crate) use read::{MOST_CREW, email as read_email};
pub use read::{RouteFiles, read_json, read_toml};
pub use times::{Moment, Reruled, Times, reruled};
pub use trip::{Craft, Gear, Landing, Launch, Pace, Stated, Waypoint};
pub use zone::zone_at;

use std::fmt;

use serde::Serialize;

use crate::measure::Position;

/// A checked float plan.
#[derive(Clone, PartialEq, Serialize)]
pub struct Plan {
    /// What the crew calls the trip.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub title: Option<String>,
    /// When it starts and ends, and the zone in which the crew reads its clocks.
    pub times: Times,
    /// How fast it means to paddle.
    #[serde(skip_serializing_if = "Pace::is_unsaid")]
    pub pace: Pace,
    /// Where it starts.
    pub launch: Launch,
    /// Where it goes, in order.
    #[serde(rename = "waypoint", skip_serializing_if = "Vec::is_empty")]
    pub waypoints: Vec<Waypoint>,
    /// Where it ends, when that is not the launch.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub landing: Option<Landing>,
    /// Who goes: at least one, all names different.
    pub crew: Vec<CrewMember>,
    /// What they paddle.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub craft: Vec<Craft>,
    /// What they carry to be found with.
    #[serde(skip_serializing_if = "Gear::is_unsaid")]
    pub gear: Gear,
    /// What the crew has itself read of the day.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stated: Option<Stated>,
    /// Who ashore is told: at least one.
    #[serde(rename = "contact")]
    pub contacts: Vec<Contact>,
}

/// It holds private text, so it can't print itself.
impl fmt::Debug for Plan {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("Plan")
    }
}

impl Plan {
    /// The route's corners: the launch, every waypoint in order, then the landing or, without
    /// one, the launch again.
    #[must_use]
    pub fn route(&self) -> Vec<Position> {
        let landing = self.landing.as_ref().map_or(self.launch.position, |at| at.position);
        let waypoints = self.waypoints.iter().map(|waypoint| waypoint.position);
        std::iter::once(self.launch.position).chain(waypoints).chain([landing]).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Invented people.
    const SMALLEST: &str = r#"
        [times]
        launch = "2026-06-14T05:30"
        return_by = "2026-06-14T12:30"
        [launch]
        position = "48.5420 -123.1620"
        [[crew]]
        name = "Ines Halloran"
        [[contact]]
        name = "Dunstan Okafor"
        email = "dunstan@example.org"
    "#;

    fn no_files(_: &str) -> Result<Vec<Waypoint>, String> {
        Err("none here".to_owned())
    }

    #[test]
    fn the_smallest_plan_goes_there_and_back() {
        let plan = read_toml(SMALLEST, &no_files).unwrap();
        assert_eq!(plan.times.zone.name(), "America/Los_Angeles");
        assert_eq!(plan.times.return_by.at.to_rfc3339(), "2026-06-14T19:30:00+00:00");
        assert_eq!(plan.route(), vec![plan.launch.position; 2]);
    }

    #[test]
    fn a_plan_survives_the_way_through_json_and_toml() {
        let plan = read_toml(SMALLEST, &no_files).unwrap();
        let json = serde_json::to_string(&plan).unwrap();
        assert_eq!(read_json(&json, &no_files).unwrap(), plan);
        let toml = toml::to_string(&plan).unwrap();
        assert_eq!(read_toml(&toml, &no_files).unwrap(), plan);
    }

    #[test]
    fn every_fault_is_told_at_once() {
        let text = SMALLEST
            .replace("12:30", "04:30")
            .replace("48.5420", "98.5420")
            .replace("name = \"Ines Halloran\"", "nmae = \"Ines\"\nage = -3")
            .replace("dunstan@example.org", "dunstan@");
        let faults = read_toml(&text, &no_files).unwrap_err();
        let keys: Vec<_> = faults.list().iter().map(|fault| fault.key.as_str()).collect();
        for key in [
            "launch.position",
            "times.return_by",
            "crew[1].name",
            "crew[1].nmae",
            "crew[1].age",
            "contact[1].email",
        ] {
            assert!(keys.contains(&key), "{key} not among {keys:?}");
        }
        assert!(faults.to_string().contains("did you mean `name`?"));
    }

    #[test]
    fn filing_takes_a_launch_that_has_passed_but_no_such_return() {
        let plan = read_toml(SMALLEST, &no_files).unwrap();
        let minute = chrono::TimeDelta::minutes(1);
        assert!(plan.check_filing(plan.times.return_by.at - minute).is_ok());
        assert!(plan.check_filing(plan.times.return_by.at).is_err());
    }

    /// Armed before there were these limits: whoever is out must be able to put it off.
    #[test]
    fn a_plan_that_could_not_be_filed_now_can_be_changed_where_it_is_armed() {
        let mut armed =
            read_toml(&SMALLEST.replace("dunstan@", "dunstan%home@"), &no_files).unwrap();
        armed.crew[0].medical = Some("a word or two ".repeat(5000));
        let now = armed.times.launch.at;
        assert_eq!(armed.check_filing(now).unwrap_err().list().len(), 2);
        let mut later = armed.clone();
        later.times.return_by.at += chrono::TimeDelta::hours(1);
        assert!(later.check_amending(&armed, now).is_ok());
        assert!(later.check_amending(&armed, later.times.return_by.at).is_err());
        later.crew[0].medical = Some("a word or more ".repeat(5000));
        later.contacts[0].email = "mirela%home@example.org".to_owned();
        assert_eq!(later.check_amending(&armed, now).unwrap_err().list().len(), 2);
    }

    /// Whoever wakes to an alert reads it, and the service writes one for each contact: two dozen
    /// plans as large as they could be kept all others' waiting for half a minute.
    #[test]
    fn a_plan_has_no_more_words_than_an_alert_can_hold() {
        let text = SMALLEST.replace("[[contact]]", "experience = \"EXPERIENCE\"\n[[contact]]");
        let with = |crew: usize, experience: &str| {
            let one = text.split_once("[[crew]]").unwrap().1.split_once("[[contact]]").unwrap().0;
            let more: String = (1..crew)
                .map(|at| format!("[[crew]]{}", one.replace("Halloran", &format!("Halloran {at}"))))
                .collect();
            let all = text.replace("[[contact]]", &format!("{more}[[contact]]"));
            read_toml(&all.replace("EXPERIENCE", experience), &no_files).unwrap()
        };
        let at = |plan: &Plan| plan.check_filing(plan.times.launch.at);
        assert!(at(&with(60, &"a word or two ".repeat(40))).is_ok(), "a full party that says much");
        let faults = at(&with(60, &"a word or two ".repeat(90))).unwrap_err();
        assert!(faults.to_string().contains("an alert holds 64 kB"), "{faults}");
    }
}
