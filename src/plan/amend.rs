//! A plan and its new version: who keeps which place, and what differs.
//!
//! Everything that was said, sent and answered names people by their place in the plan. So a new
//! version keeps everybody in theirs: the crew are known by their names (they differ within a
//! plan), contacts by their addresses (an address that was mistyped may be a stranger's, who must
//! hear that they are asked no longer). Whoever is added gets the next place.

use super::{Contact, CrewMember, Plan};

/// A new version of a plan with everybody in their place for life.
#[derive(Clone, Debug, PartialEq)]
pub struct Placed {
    /// The new version; those who are not in it any more stand in their places, with their name
    /// and address alone.
    pub plan: Plan,
    /// For each place of the crew, whether the new version names them.
    pub on_trip: Vec<bool>,
    /// The places of the contacts whom the new version names, in its own order.
    pub asked: Vec<usize>,
}

impl Plan {
    /// The new version `new` of this plan, with everybody in the places that they have here.
    #[must_use]
    pub fn amended_by(&self, new: &Plan) -> Placed {
        let same_name = |one: &CrewMember, other: &CrewMember| {
            one.name.to_lowercase() == other.name.to_lowercase()
        };
        let crew_places = places(&self.crew, &new.crew, &[&same_name]);
        // Two contacts may share an address; then the name tells them apart.
        let same_address =
            |one: &Contact, other: &Contact| one.email.to_lowercase() == other.email.to_lowercase();
        let same_person = |one: &Contact, other: &Contact| {
            same_address(one, other) && one.name.to_lowercase() == other.name.to_lowercase()
        };
        let asked = places(&self.contacts, &new.contacts, &[&same_person, &same_address]);
        let mut plan = new.clone();
        plan.crew = merged(self.crew.iter().map(name_of_crew), &new.crew, &crew_places);
        plan.contacts = merged(self.contacts.iter().map(name_of_contact), &new.contacts, &asked);
        let on_trip = (0..plan.crew.len()).map(|at| crew_places.contains(&at)).collect();
        Placed { plan, on_trip, asked }
    }
}

type Same<'a, T> = &'a dyn Fn(&T, &T) -> bool;

/// The place of each of the new: that of the same person among the old, by the first test that
/// finds one, else the next one behind.
fn places<T>(old: &[T], new: &[T], tests: &[Same<'_, T>]) -> Vec<usize> {
    let mut found: Vec<Option<usize>> = vec![None; new.len()];
    for same in tests {
        for (at, one) in new.iter().enumerate() {
            if found[at].is_none() {
                let free = |place: usize| !found.contains(&Some(place));
                found[at] = (0..old.len()).find(|&place| free(place) && same(&old[place], one));
            }
        }
    }
    let mut next = old.len()..;
    found.into_iter().map(|place| place.or_else(|| next.next()).unwrap_or(usize::MAX)).collect()
}

fn merged<T: Clone>(old: impl Iterator<Item = T>, new: &[T], places: &[usize]) -> Vec<T> {
    let mut merged: Vec<T> = old.collect();
    let mut in_order: Vec<(usize, &T)> = places.iter().copied().zip(new).collect();
    in_order.sort_by_key(|(place, _)| *place);
    for (place, one) in in_order {
        match merged.get_mut(place) {
            Some(known) => *known = one.clone(),
            None => merged.push(one.clone()),
        }
    }
    merged
}

/// Of those who are not on the trip any more, nothing is kept but how to reach them.
fn name_of_crew(one: &CrewMember) -> CrewMember {
    CrewMember {
        name: one.name.clone(),
        email: one.email.clone(),
        phone: None,
        age: None,
        wearing: None,
        immersion_wear: None,
        lifejacket: None,
        medical: None,
        swims: None,
        experience: None,
        beginner: None,
    }
}

fn name_of_contact(one: &Contact) -> Contact {
    Contact { name: one.name.clone(), email: one.email.clone(), relation: None, phone: None }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::read_toml;

    /// Invented people.
    fn plan(crew: &[&str], contacts: &[(&str, &str)]) -> Plan {
        let crew: String =
            crew.iter().map(|name| format!("[[crew]]\nname = \"{name}\"\n")).collect();
        let contact =
            |(name, email)| format!("[[contact]]\nname = \"{name}\"\nemail = \"{email}\"\n");
        let contacts: String = contacts.iter().copied().map(contact).collect();
        let text = format!(
            "times = {{ launch = \"2026-06-14T05:30\", return_by = \"2026-06-14T12:30\" }}\n\
             launch = {{ position = \"48.5420 -123.1620\" }}\n{crew}{contacts}"
        );
        read_toml(&text, &|_| Err(String::new())).unwrap()
    }

    #[test]
    fn everybody_keeps_their_place_and_the_new_come_behind() {
        let old =
            plan(&["Ines", "Tomas"], &[("Dunstan", "d@example.org"), ("Mirela", "m@example.org")]);
        let new =
            plan(&["Anouk", "INES"], &[("Pia", "p@example.org"), ("Mirela S", "M@example.org")]);
        let placed = old.amended_by(&new);
        let crew: Vec<_> = placed.plan.crew.iter().map(|one| one.name.as_str()).collect();
        assert_eq!(crew, ["INES", "Tomas", "Anouk"]);
        assert_eq!(placed.on_trip, [true, false, true]);
        let contacts: Vec<_> = placed.plan.contacts.iter().map(|one| one.name.as_str()).collect();
        assert_eq!(contacts, ["Dunstan", "Mirela S", "Pia"]);
        assert_eq!(placed.asked, [2, 1], "in the order of the new version");
        // And back: everybody is found in their place again.
        let back = placed.plan.amended_by(&old);
        assert_eq!(back.on_trip, [true, true, false]);
        assert_eq!(back.asked, [0, 1]);
    }

    #[test]
    fn two_contacts_with_one_address_are_told_apart_by_name() {
        let old =
            plan(&["Ines"], &[("Dunstan", "home@example.org"), ("Mirela", "home@example.org")]);
        let new = plan(&["Ines"], &[("Mirela", "home@example.org")]);
        assert_eq!(old.amended_by(&new).asked, [1]);
        let new = plan(&["Ines"], &[("Pia", "home@example.org"), ("Mirela", "home@example.org")]);
        assert_eq!(old.amended_by(&new).asked, [0, 1]);
    }

    #[test]
    fn of_those_who_leave_nothing_is_kept_but_how_to_reach_them() {
        let mut old = plan(&["Ines", "Tomas"], &[("Dunstan", "d@example.org")]);
        old.crew[1].medical = Some("Asthma".to_owned());
        let new = plan(&["Ines"], &[("Dunstan", "d@example.org")]);
        let placed = old.amended_by(&new);
        assert_eq!(placed.plan.crew[1].medical, None);
    }
}
