//! A plan without its words.

use super::{Contact, Craft, CrewMember, Gear, Landing, Launch, Plan, Waypoint};

impl Plan {
    /// The plan with nothing in it that somebody typed but times, positions, numbers and choices:
    /// what no reader of mail can take for anything else. The crew is numbered, in its places.
    #[must_use]
    pub fn figures(&self) -> Plan {
        let landing = self.landing.as_ref();
        Plan {
            title: None,
            times: self.times.clone(),
            pace: self.pace,
            launch: Launch { name: None, vehicle: None, position: self.launch.position },
            waypoints: self.waypoints.iter().map(|one| Waypoint { name: None, ..*one }).collect(),
            landing: landing.map(|one| Landing { name: None, position: one.position }),
            crew: self.crew.iter().enumerate().map(member).collect(),
            craft: self.craft.iter().map(length).collect(),
            gear: Gear { vhf: None, notes: None, ..self.gear.clone() },
            stated: self.stated.clone(),
            contacts: self.contacts.iter().enumerate().map(contact).collect(),
        }
    }
}

fn member((at, one): (usize, &CrewMember)) -> CrewMember {
    CrewMember {
        name: format!("Person {}", at + 1),
        // Digits and what may stand between them: see how it is read.
        phone: one.phone.clone(),
        email: None,
        age: one.age,
        wearing: None,
        immersion_wear: one.immersion_wear,
        lifejacket: one.lifejacket,
        medical: None,
        swims: None,
        experience: None,
        beginner: one.beginner,
    }
}

fn length(one: &Craft) -> Craft {
    Craft { length_m: one.length_m, ..Craft::default() }
}

fn contact((at, one): (usize, &Contact)) -> Contact {
    let name = format!("Contact {}", at + 1);
    Contact { name, email: String::new(), relation: None, phone: one.phone.clone() }
}

#[cfg(test)]
mod tests {
    use crate::plan::read_toml;

    /// Invented people and places; each word that somebody can type holds the mark.
    const PLAN: &str = r#"
        title = "MARK title"
        [times]
        launch = "2026-06-14T12:30:00-07:00"
        return_by = "2026-06-14T19:30:00-07:00"
        [launch]
        name = "MARK beach"
        position = "48.5420 -123.1620"
        vehicle = "MARK van"
        [[waypoint]]
        name = "MARK reef"
        position = "48.5160 -123.1524"
        stay = "20m"
        [landing]
        name = "MARK cove"
        position = "48.5300 -123.1500"
        [[crew]]
        name = "MARK Ines"
        phone = "+1 (360) 555-0142"
        age = 41
        wearing = "MARK red"
        immersion_wear = "drysuit"
        lifejacket = "worn"
        medical = "MARK asthma"
        swims = "MARK well"
        experience = "MARK years"
        [[craft]]
        name = "MARK boat"
        kind = "MARK kayak"
        length_m = 4.1
        colours = "MARK blue"
        marks = "MARK tape"
        [gear]
        vhf = "MARK radio"
        mmsi = "338123456"
        notes = "MARK rope"
        [[contact]]
        name = "MARK Dunstan"
        relation = "MARK brother"
        email = "mark@example.org"
        phone = "+1 360 555 0143"
    "#;

    #[test]
    fn no_word_that_was_typed_is_left_and_every_figure_is() {
        let plan = read_toml(PLAN, &|_| Err(String::new())).unwrap();
        let whole = serde_json::to_string(&plan).unwrap();
        let figures = plan.figures();
        let left = serde_json::to_string(&figures).unwrap();
        assert!(whole.matches("MARK").count() >= 18, "the plan holds too few: {whole}");
        assert!(!left.to_lowercase().contains("mark"), "{left}");
        assert_eq!(figures.route(), plan.route());
        assert_eq!((figures.times.clone(), figures.crew.len()), (plan.times.clone(), 1));
        for figure in ["+1 (360) 555-0142", "41", "drysuit", "worn", "4.1", "338123456"] {
            assert!(left.contains(figure), "{figure} in {left}");
        }
    }
}
