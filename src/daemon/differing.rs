//! What differs between two versions of a plan, in the words of the watch. (Pure: it stands here
//! because neither the plan nor the watch knows the other.)

use crate::plan::{Placed, Plan};
use crate::watch::Part;

/// What differs, besides who is in the plan and when they are back.
pub(super) fn parts_changed(old: &Plan, new: &Placed) -> Vec<Part> {
    let plan = &new.plan;
    let route = |plan: &Plan| {
        (plan.launch.clone(), plan.waypoints.clone(), plan.landing.clone(), plan.pace)
    };
    let mut crew = old.crew.iter().zip(&plan.crew).zip(&new.on_trip);
    let mut contacts = new.asked.iter().filter_map(|&at| {
        // Whoever is asked in both.
        Some((old.contacts.get(at)?, plan.contacts.get(at)?))
    });
    let other = |plan: &Plan| (plan.title.clone(), plan.stated.clone(), plan.times.zone);
    [
        (Part::Launch, old.times.launch != plan.times.launch),
        (Part::Route, route(old) != route(plan)),
        (Part::Craft, old.craft != plan.craft),
        (Part::Gear, old.gear != plan.gear),
        (Part::Person, crew.any(|((old, new), on_trip)| *on_trip && old != new)),
        (Part::Contact, contacts.any(|(old, new)| old != new)),
        (Part::Other, other(old) != other(plan)),
    ]
    .into_iter()
    .filter_map(|(part, differs)| differs.then_some(part))
    .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::read_toml;

    /// Invented people.
    const PLAN: &str = r#"
        times = { launch = "2026-06-14T05:30", return_by = "2026-06-14T12:30" }
        launch = { position = "48.5420 -123.1620" }
        crew = [{ name = "Ines" }, { name = "Tomas" }]
        contact = [{ name = "Dunstan", email = "dunstan@example.org" }]
    "#;

    #[test]
    fn what_differs_is_named_and_who_leaves_is_no_difference() {
        let old = read_toml(PLAN, &|_| Err(String::new())).unwrap();
        let mut new = old.clone();
        new.crew.pop();
        assert_eq!(parts_changed(&old, &old.amended_by(&new)), []);
        new.crew[0].age = Some(44);
        new.contacts[0].phone = Some("+1 360 555 0177".to_owned());
        new.launch.position = "48.5430 -123.1620".parse().unwrap();
        new.title = Some("Another".to_owned());
        let parts = parts_changed(&old, &old.amended_by(&new));
        assert_eq!(parts, [Part::Route, Part::Person, Part::Contact, Part::Other]);
    }
}
