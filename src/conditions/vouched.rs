//! What of a service's own words may stand in ours.
//!
//! Alerts and reviews are read by people who decide whether to call for help, and no letter of ours
//! says that anybody is safe. So whatever a service calls its warnings or its reasons is shown only
//! where each word is one that we know of it; the words shown are then ours.
//!
//! Sources: the list of events at api.weather.gov (`/alerts/types`) as clients of it recorded it in
//! 2020 to 2026; titles of its problem documents and messages of CO-OPS, recorded in the same years.

/// Stands for a warning's name that is not shown.
pub(super) const UNNAMED: &str = "a warning whose name can't be shown here";

/// What events are called, but for their last word.
const EVENTS: &str = "Air And Ashfall Avalanche Bar Beach Blizzard Blowing Brisk Chill Coastal Cold \
     Craft Cyclone Debris Dense Depression Dust Earthquake Effect Extreme Excessive Fire Flag Flash \
     Flood Flow Fog For Force Freeze Freezing Frost Gale Hard Hazard Hazardous Hazards Heat Heavy \
     High Hurricane Hydrologic Ice Lake Lakeshore Local Low Marine Materials Nuclear Plant Power \
     Quality Radiological Rain Red Rip Rough Seas Severe Sleet Small Smoke Snow Special Spray Squall \
     Stagnation Stream Storm Surf Surge Current Term Short Thunderstorm Tornado Tropical Tsunami \
     Typhoon Urban Volcano Water Waterspout Weather Wind Winds Winter";
/// What they end with, or with such a word and `For` what it is.
const KINDS: &str = "Advisory Alert Forecast Outlook Statement Warning Watch";
/// Those of another form.
const OTHERS: [&str; 15] = [
    "911 Telephone Outage",
    "911 Telephone Outage Emergency",
    "Administrative Message",
    "Blue Alert",
    "Child Abduction Emergency",
    "Civil Danger Warning",
    "Civil Emergency Message",
    "Evacuation Immediate",
    "Evacuation - Immediate",
    "Extreme Fire Danger",
    "Hurricane Force Winds",
    "Law Enforcement Warning",
    "Local Area Emergency",
    "Network Message Notification",
    "Shelter In Place Warning",
];
/// No name has more words.
const MOST_WORDS: usize = 8;

/// Why services refuse, in their words.
const REFUSALS: [&str; 17] = [
    "Bad Gateway",
    "Bad Request",
    "Data Unavailable For Requested Point",
    "Forbidden",
    "Forecast Grid Expired",
    "Gateway Timeout",
    "Internal Server Error",
    "Invalid Gridpoint",
    "Invalid Parameter",
    "Invalid Point",
    "Marine Forecast Not Supported",
    "Not Found",
    "Service Unavailable",
    "The station is not a valid station or there is system error",
    "Unexpected Problem",
    "Wrong Product",
    "Wrong Station ID",
];

/// What a sign's letters may not spell: it stands in letters beside our words.
const UNSAID: [&str; 8] = ["DEAD", "DIED", "FINE", "HOME", "OKAY", "SAFE", "SAVE", "WELL"];

/// The name of a warning in the service's usual capitals; [`UNNAMED`] if any word of it is none that
/// such a name has.
pub(super) fn event(text: &str) -> String {
    let words: Vec<_> = text.split_whitespace().take(MOST_WORDS + 1).collect();
    let same = |other: &&&str| other.split(' ').eq(words.iter().copied());
    if let Some(other) = OTHERS.iter().find(same) {
        return (*other).to_owned();
    }
    let known = (2..=MOST_WORDS).contains(&words.len()).then(|| named(&words)).flatten();
    known.map_or_else(|| UNNAMED.to_owned(), |words| words.join(" "))
}

/// `Gale Warning`, or `Small Craft Advisory For Winds`.
fn named(words: &[&str]) -> Option<Vec<&'static str>> {
    let one_of = |all: &'static str, word: &str| {
        all.split_whitespace().find(|known| known.eq_ignore_ascii_case(word))
    };
    let end = words.iter().position(|word| one_of(KINDS, word).is_some()).filter(|at| *at > 0)?;
    let of_kind = words
        .iter()
        .enumerate()
        .map(|(at, word)| one_of(if at == end { KINDS } else { EVENTS }, word));
    let all: Vec<_> = of_kind.collect::<Option<_>>()?;
    let first = all[0];
    let for_what = &all[end + 1..];
    let is_whole = for_what.is_empty() || (for_what.len() > 1 && for_what[0] == "For");
    (first != "For" && first != "And" && is_whole).then_some(all)
}

/// Why a service refuses, by the first of these that is known; else that its words are not.
pub(super) fn refusal(words: &[&str]) -> &'static str {
    let known = |words: &&str| {
        let words = words.trim().trim_end_matches('.');
        REFUSALS.into_iter().find(|known| known.eq_ignore_ascii_case(words))
    };
    words.iter().find_map(known).unwrap_or("in words that are not known here")
}

/// Whether a listed station's name is a sign as the service gives them, and no word: five characters
/// with a digit among them, an airport's four letters, or digits alone.
pub(super) fn is_sign(id: &str) -> bool {
    let letters: String = id.chars().filter(char::is_ascii_alphabetic).collect();
    let digits = id.len() - letters.len();
    let is_known = match (letters.len(), digits) {
        (0, digits) => digits <= 7,
        (4, 0) => letters.starts_with(['K', 'k']),
        (_, digits) => digits > 0 && id.len() <= 5,
    };
    is_known && !UNSAID.iter().any(|word| letters.eq_ignore_ascii_case(word))
}
