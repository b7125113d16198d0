//! The forms of a beacon's and a radio's identities.
//!
//! Beacons: COSPAS-SARSAT C/S T.001, G.005, as given with a decoder's published examples: 15
//! hexadecimal digits are bits 26 to 85 of the message; the first bit is the protocol flag, the
//! next ten the country, with flag 1 the next three the kind, of which 111 is for tests and 101 for
//! a second-generation beacon's shortened id. Its whole id has 23 digits.
//!
//! Radios: ITU-R M.585: nine digits; a ship's begins with a country's three (201 to 775), a
//! handheld's with 8 and a country; groups, coast stations, aircraft and aids begin otherwise and
//! are nobody to call from a kayak.

use super::{Ashore, Caution, Facts, Level, Limits};

pub(super) const ID: &str = "identity";

const SOURCE: &str = "COSPAS-SARSAT C/S T.001 and G.005; ITU-R M.585-9";

/// Countries' numbers.
const COUNTRIES: std::ops::RangeInclusive<u64> = 201..=775;

/// What a beacon's id says of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BeaconForm {
    /// An id in use, with the number of its country.
    Country(u64),
    /// The same of a second-generation beacon.
    SecondGeneration(u64),
    /// Coded for tests: rescuers may take its alert for one.
    Test(u64),
    /// No such id.
    Wrong(&'static str),
}

pub(super) fn raise(facts: &Facts<'_>, _: &Limits) -> Vec<Caution> {
    let gear = &facts.plan.gear;
    let beacon = gear.beacon.as_deref().and_then(|id| of_beacon(id, beacon_form(id)));
    let mmsi = gear.mmsi.as_deref().and_then(|mmsi| {
        let wrong = mmsi_fault(mmsi)?;
        let text = format!("The radio's number {mmsi} {wrong}: rescuers could not call it.");
        let clears = "The nine digits of the radio's own licence.";
        Some(Caution::new(ID, Level::Caution, text, Ashore::Whole, SOURCE, clears))
    });
    beacon.into_iter().chain(mmsi).collect()
}

fn of_beacon(id: &str, form: BeaconForm) -> Option<Caution> {
    let (level, text, clears) = match form {
        BeaconForm::Country(_) => return None,
        BeaconForm::SecondGeneration(country) => (
            Level::Notice,
            format!(
                "The beacon {id} is a second-generation one (country {country}): see that its whole \
                 id of 23 digits is registered."
            ),
            "Its registration, looked at.",
        ),
        BeaconForm::Test(_) => (
            Level::Warning,
            format!("The beacon {id} is coded for tests: nobody may come when it calls."),
            "The id of the beacon that is carried, as it stands on it; if it is this one, another \
             beacon.",
        ),
        BeaconForm::Wrong(why) => (
            Level::Caution,
            format!("{id} is no beacon's id: {why}."),
            "The 15 hexadecimal digits that stand on the beacon, or the 23 of a newer one.",
        ),
    };
    Some(Caution::new(ID, level, text, Ashore::Whole, SOURCE, clears))
}

/// What a beacon's id says, spaces and dashes left out.
#[must_use]
pub fn beacon_form(id: &str) -> BeaconForm {
    let digits: String = id.chars().filter(|c| !c.is_whitespace() && *c != '-').collect();
    let length = digits.chars().count();
    if digits.contains(['O', 'o', 'I', 'i', 'L', 'l']) {
        return BeaconForm::Wrong("it has a letter O, I or L, where a 0 or 1 is likely meant");
    }
    if length == 30 || length == 36 {
        return BeaconForm::Wrong("this is a beacon's whole message, and its id is a part of it");
    }
    if length != 15 && length != 23 {
        return BeaconForm::Wrong("it has neither 15 nor 23 hexadecimal digits");
    }
    let Some(Ok(bits)) = digits.get(..15).map(|first| u64::from_str_radix(first, 16)) else {
        return BeaconForm::Wrong("it has something else than hexadecimal digits");
    };
    if digits[15..].chars().any(|c| !c.is_ascii_hexdigit()) {
        return BeaconForm::Wrong("it has something else than hexadecimal digits");
    }
    let country = (bits >> 49) & 0x3FF;
    if !COUNTRIES.contains(&country) {
        return BeaconForm::Wrong("its country is none");
    }
    let user = bits >> 59 == 1;
    match (user, (bits >> 46) & 0b111) {
        (true, 0b101) => BeaconForm::SecondGeneration(country),
        _ if length == 23 => BeaconForm::SecondGeneration(country),
        (true, 0b111) => BeaconForm::Test(country),
        _ => BeaconForm::Country(country),
    }
}

/// What is wrong with a radio's number, as the end of a sentence that begins with it.
#[must_use]
pub fn mmsi_fault(mmsi: &str) -> Option<&'static str> {
    let digits: String = mmsi.chars().filter(|c| !c.is_whitespace()).collect();
    if digits.len() != 9 || !digits.bytes().all(|byte| byte.is_ascii_digit()) {
        return Some("has not nine digits");
    }
    let country = |at: usize| digits[at..at + 3].parse().is_ok_and(|mid| COUNTRIES.contains(&mid));
    match digits.as_bytes() {
        [b'2'..=b'7', ..] if country(0) => None,
        [b'8', ..] if country(1) => None,
        [b'2'..=b'8', ..] => Some("names no country"),
        [b'0', ..] => Some("is a group's or a coast station's"),
        [b'1', ..] => Some("is an aircraft's"),
        _ => Some("is a beacon's, a buoy's or a ship's boat's"),
    }
}
