//! Whom a letter says to call.

use chrono::NaiveDate;
use geographiclib_rs::{Geodesic, InverseGeodesic};

use super::block::{Callee, Number};
use super::words;
use crate::measure::Position;

/// A rescue service, as a letter names it.
#[derive(Clone, Debug, PartialEq)]
pub struct Rescue {
    /// What it is called in a sentence: "the coast guard's centre for these waters".
    pub name: String,
    /// Its number in the international form, reachable from anywhere.
    pub phone: Option<String>,
    /// A short code; it reaches the caller's own local centre.
    pub short_code: Option<String>,
    /// Where it is the one to call; `None` for the last resort.
    pub within: Option<Area>,
    /// The day on which somebody last made sure of the numbers.
    pub checked: Option<NaiveDate>,
}

/// A circle on the earth.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Area {
    /// Its middle.
    pub position: Position,
    /// Its radius, in metres along the ground.
    pub radius_m: f64,
}

impl Area {
    /// Whether a position lies in it (WGS 84 geodesic).
    #[must_use]
    pub fn holds(&self, position: Position) -> bool {
        let (from, to) = (self.position, position);
        let distance_m: f64 =
            Geodesic::wgs84().inverse(from.lat_deg(), from.lon_deg(), to.lat_deg(), to.lon_deg());
        distance_m <= self.radius_m
    }
}

impl Rescue {
    /// What an alert says when the settings name nobody: every phone has an emergency number.
    #[must_use]
    pub fn last_resort() -> Self {
        Rescue {
            name: "your emergency number, and ask for the coast guard".to_owned(),
            phone: None,
            short_code: None,
            within: None,
            checked: None,
        }
    }

    /// Whether it is the one to call for a launch there.
    #[must_use]
    pub fn serves(&self, launch: Position) -> bool {
        self.within.is_none_or(|area| area.holds(launch))
    }
}

/// Whom to call for a launch there, in order: the first area that holds it, then the first
/// without an area if that adds a number. Never empty.
#[must_use]
pub fn choose(all: &[Rescue], launch: Position) -> Vec<Callee> {
    let area = all.iter().find(|one| one.within.is_some_and(|area| area.holds(launch)));
    let last_resort = all.iter().find(|one| one.within.is_none());
    let mut chosen: Vec<Callee> = area.map(callee).into_iter().collect();
    if let Some(other) = last_resort.map(callee) {
        let is_new = |number: &Number| {
            !chosen.iter().flat_map(|one| &one.numbers).any(|known| known.dial == number.dial)
        };
        if chosen.is_empty() || other.numbers.iter().any(is_new) {
            chosen.push(other);
        }
    }
    or_else_any(chosen)
}

/// Whom to call where the launch is not known: those without an area. Never empty.
pub(super) fn last_resorts(all: &[Rescue]) -> Vec<Callee> {
    or_else_any(all.iter().filter(|one| one.within.is_none()).take(1).map(callee).collect())
}

fn or_else_any(mut chosen: Vec<Callee>) -> Vec<Callee> {
    if chosen.is_empty() {
        chosen.push(callee(&Rescue::last_resort()));
    }
    chosen
}

fn callee(rescue: &Rescue) -> Callee {
    let number = |dial: &Option<String>, purpose: &str| {
        dial.as_ref().map(|dial| Number { dial: words::phone(dial), purpose: purpose.to_owned() })
    };
    let international = number(&rescue.phone, "works from any phone, anywhere in the world");
    let short = number(
        &rescue.short_code,
        "short code: reaches the emergency centre where YOU are. Ask there for the coast guard",
    );
    let note = match (rescue.checked, &rescue.phone, &rescue.short_code) {
        (Some(day), ..) => {
            Some(format!("The keeper of this service checked it on {}.", day.format("%-d %b %Y")))
        }
        (None, Some(_), _) => Some("It is not noted when this was last checked.".to_owned()),
        (None, None, Some(_)) => None,
        (None, None, None) => Some("This service was given no number for these waters.".to_owned()),
    };
    Callee {
        name: words::clean(&rescue.name),
        numbers: international.into_iter().chain(short).collect(),
        note,
    }
}

/// In a sentence: `the coast guard's centre: +1 360 555 0100 (or 911, and ask for the coast guard)`.
pub(super) fn in_a_sentence(callees: &[Callee]) -> String {
    let Some(first) = callees.first() else { return Rescue::last_resort().name };
    let dials: Vec<&str> = first.numbers.iter().map(|number| number.dial.as_str()).collect();
    match dials[..] {
        [] => first.name.clone(),
        [only] => format!("{}: {only}", first.name),
        [international, short, ..] => {
            format!("{}: {international} (or {short}, and ask for the coast guard)", first.name)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rescue(name: &str, phone: Option<&str>, area: Option<(&str, f64)>) -> Rescue {
        Rescue {
            name: name.to_owned(),
            phone: phone.map(str::to_owned),
            short_code: Some("911".to_owned()),
            within: area.map(|(at, radius_m)| Area { position: at.parse().unwrap(), radius_m }),
            checked: None,
        }
    }

    fn names(all: &[Rescue], launch: &str) -> Vec<String> {
        choose(all, launch.parse().unwrap()).into_iter().map(|one| one.name).collect()
    }

    #[test]
    fn the_first_area_that_holds_the_launch_then_the_last_resort() {
        let all = [
            rescue("last", None, None),
            rescue("north", Some("+1 360 555 0101"), Some(("49.5 -123.0", 80_000.0))),
            rescue("here", Some("+1 360 555 0100"), Some(("48.5 -123.0", 80_000.0))),
            rescue("here too", Some("+1 360 555 0102"), Some(("48.5 -123.0", 90_000.0))),
        ];
        // The last resort adds no number that the area lacks.
        assert_eq!(names(&all, "48.5420 -123.1620"), ["here"]);
        assert_eq!(names(&all, "47.0 -123.1"), ["last"]);
        assert_eq!(names(&all[1..], "47.0 -123.1"), [Rescue::last_resort().name]);
        assert_eq!(names(&[], "47.0 -123.1"), [Rescue::last_resort().name]);
        let phone = rescue("last", Some("+1 360 555 0199"), None);
        assert_eq!(names(&[all[2].clone(), phone], "48.5 -123.1"), ["here", "last"]);
    }

    /// One minute of latitude at 45° is 1852.2 m on WGS 84 (111 131.75 m a degree there, from the
    /// meridian arc of the ellipsoid).
    #[test]
    fn an_area_ends_at_its_radius() {
        let middle = Position::new(45.0, 7.0).unwrap();
        let minute_north = Position::new(45.0 + 1.0 / 60.0, 7.0).unwrap();
        assert!(Area { position: middle, radius_m: 1853.0 }.holds(minute_north));
        assert!(!Area { position: middle, radius_m: 1851.0 }.holds(minute_north));
    }
}
