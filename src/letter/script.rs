//! "Say this": what the reader says to a rescue service, most important first.

use chrono::{DateTime, Utc};

use super::Facts;
use super::block::Block;
use super::brief::{lifejacket, wear};
use super::disclosure::Disclosure;
use super::scene::Scene;
use super::spelled;
use super::status::{self, Sent, Told};
use super::weather::{self, Line, What};
use super::when::{Clock, utc};
use super::words::{self, clean, cut, name, people, quote};
use crate::measure::{Position, Span};
use crate::plan::{Craft, CrewMember, Lifejacket, Wear};
use crate::watch::{Cause, Kind, Order, Recipient};

/// How many of each the script names; the plan below it has them all.
const MOST_POINTS: usize = 6;
const MOST_CRAFT: usize = 4;
const MOST_PEOPLE: usize = 6;
/// How many of each it names where it must be short.
const MOST_IN_SHORT: usize = 3;
/// The longest typed text where it must be short.
const SHORT: usize = 80;
/// The longest typed text in the script.
const LONGEST: usize = 200;

/// The words to read aloud under their heading.
pub(super) fn say_this(scene: &Scene<'_>, heading: &str) -> Vec<Block> {
    vec![
        Block::heading(heading),
        Block::Say(words_of(scene, scene.disclosure())),
        Block::para(
            "They will ask more. The answers that we have stand below; to the rest say \"I don't \
             know\". Stay on the line until they end the call. Ask for a reference number, and \
             whether you should call again, and what they will do next. Then keep your telephone free. If the crew turns up after \
             that, call again at once and say so.",
        ),
    ]
}

/// What a contact reads aloud to the rescue service while the crew is overdue, for a page: the same
/// words as in the alert. At any other time there are none.
#[must_use]
pub fn words_to_say(facts: &Facts<'_>, contact: usize, now: DateTime<Utc>) -> Option<Vec<String>> {
    let disclosure = Disclosure::of_page(facts.watched, now);
    if !disclosure.is_for_rescue() {
        return None;
    }
    let alert = Order {
        round: facts.watched.round,
        cause: Cause::Rung(0),
        to: Recipient::Contact(contact),
        kind: Kind::Overdue,
        scheduled_at: now,
    };
    Some(words_of(&Scene::new(facts, &alert, now), disclosure))
}

pub(super) fn words_of(scene: &Scene<'_>, disclosure: Disclosure) -> Vec<String> {
    let mut say = vec![caller(scene), opening(scene), in_short(scene, disclosure)];
    say.extend([timing(scene), last_known(scene), digit_by_digit(scene)]);
    say.push(route(scene));
    say.extend(craft(scene));
    say.extend(crew(scene, disclosure));
    say.push(signals(scene));
    say.push(vehicle(scene));
    if disclosure.is_for_rescue() {
        say.push(conditions(scene));
        say.push(so_far(scene));
    }
    say
}

fn opening(scene: &Scene<'_>) -> String {
    let out = scene.out().len();
    let all = scene.facts.on_trip().len();
    let ashore = if all == 1 {
        " By the plan this person is alone.".to_owned()
    } else if out < all {
        format!(" The party was of {all}. {}", ashore(scene))
    } else {
        String::new()
    };
    format!(
        "I want to report {} overdue on the water. I have the float plan that they filed with {}, \
         which watches the clock. I know of no distress call; I only know that {} not reported back. I \
         ask you to look for them.{ashore}",
        people(out),
        scene.service(),
        if out == 1 { "this person has" } else { "they have" },
    )
}

/// Who is ashore may know where the others are; who said it, and how they know, since it may be wrong.
fn ashore(scene: &Scene<'_>) -> String {
    let (on_trip, out) = (scene.facts.on_trip(), scene.out());
    let ashore = on_trip.into_iter().filter(|at| !out.contains(at)).take(MOST_PEOPLE);
    let reported: Vec<String> = ashore
        .filter_map(|at| {
            let one = scene.facts.plan.crew.get(at)?;
            let phone =
                one.phone.as_ref().map(|phone| format!(", telephone {}", words::phone(phone)));
            let said = scene.facts.watched.crew.get(at)?.ashore()?;
            let how = said.how.as_ref().map(|how| format!("; how they know: {}", quote(how)));
            Some(format!(
                "{}{}, said at {} by {}{}",
                name(&one.name),
                phone.unwrap_or_default(),
                scene.clock.aloud(said.at),
                status::who(scene, &said.by),
                how.unwrap_or_default()
            ))
        })
        .collect();
    let others = if out.len() == 1 { "the one who is missing was" } else { "the others were" };
    format!(
        "Reported ashore: {}. Whoever is ashore may know where {others} last seen.",
        reported.join(". Reported ashore: ")
    )
}

/// What must have been said if the line drops now: who, where from, in what, and what can't wait.
fn in_short(scene: &Scene<'_>, disclosure: Disclosure) -> String {
    let (plan, out) = (scene.facts.plan, scene.out());
    let short = |text: &String| cut(&clean(text), SHORT);
    let crew = || out.iter().filter_map(|&at| plan.crew.get(at));
    let mut who: Vec<String> = crew()
        .take(MOST_IN_SHORT)
        .map(|one| match one.age {
            Some(age) => format!("{}, {age} years old", name(&one.name)),
            None => name(&one.name),
        })
        .collect();
    if out.len() > who.len() {
        who.push(format!("and {} more", out.len() - who.len()));
    }
    let from = plan.launch.name.as_ref().map(|name| format!(" {},", short(name)));
    let craft = plan.craft.iter().map(|one| {
        let seen = [one.kind.as_ref().map(short), one.colours.as_ref().map(short)];
        seen.into_iter().flatten().collect::<Vec<_>>().join(", ")
    });
    let craft: Vec<String> = craft.filter(|seen| !seen.is_empty()).take(MOST_IN_SHORT).collect();
    let craft = match craft.is_empty() {
        true => "what they paddle is not told".to_owned(),
        false => craft.join("; "),
    };
    let medical = crew().filter_map(|one| {
        let medical = disclosure.medical_of(one)?;
        Some(format!(" {}: {}.", words::first_name(&one.name), short(medical)))
    });
    format!(
        "In short. {}. From{} {}, near (the nearest town, if you know it). {}: {craft}.{}",
        who.join("; "),
        from.unwrap_or_default(),
        words::degrees_aloud(plan.launch.position),
        if plan.craft.len() > 1 { "Craft of the party" } else { "Craft" },
        medical.take(MOST_IN_SHORT).collect::<String>()
    )
}

fn timing(scene: &Scene<'_>) -> String {
    let (due_at, overdue_at) = (scene.due_at(), scene.overdue_at());
    if scene.now < overdue_at {
        return format!(
            "They meant to be back by {} local time, {}, which is {}. I was to act if I had heard \
             nothing by {}.",
            scene.clock.aloud(due_at),
            scene.clock.zone_at(due_at),
            utc(due_at),
            scene.clock.aloud(overdue_at),
        );
    }
    let grace = scene.facts.watched.terms.grace;
    let they_count = match grace == Span::ZERO {
        true => "They count".to_owned(),
        false => format!("With {} of grace they count", grace.spoken()),
    };
    format!(
        "They meant to be back by {} local time, {}, which is {}. {they_count} as overdue since {}. \
         The letter that tells me so was written at {}. All times that I read are local there.",
        scene.clock.aloud(due_at),
        scene.clock.zone_at(due_at),
        utc(due_at),
        scene.clock.aloud(overdue_at),
        scene.clock.aloud(scene.now),
    )
}

fn last_known(scene: &Scene<'_>) -> String {
    let plan = scene.facts.plan;
    if let Some(word) = &scene.facts.watched.last_word {
        let at = word.place.as_ref().and_then(|place| place.parse().ok());
        let at = at.map(|at| format!(", at {}", words::position_aloud(at)));
        let note =
            word.note.as_ref().map(|note| format!(". They said: {}", cut(&clean(note), LONGEST)));
        return format!(
            "Their last word was sent at {} local time{}{}. I have heard nothing since. Their \
             planned launch was from {}.",
            scene.clock.aloud(word.at),
            at.unwrap_or_default(),
            note.unwrap_or_default(),
            place(plan.launch.name.as_deref(), plan.launch.position),
        );
    }
    // Who is ashore again knows whether they launched.
    let nobody_knows = match scene.out().len() < scene.facts.on_trip().len() {
        true => "",
        false => "Nobody has confirmed to me that they launched, and ",
    };
    format!(
        "Their planned launch was at {}, from {}. {nobody_knows}I have no position since then, only \
         the plan. All positions are from the plan, WGS 84, not from a fix.",
        scene.clock.aloud(plan.times.launch.at),
        place(plan.launch.name.as_deref(), plan.launch.position),
    )
}

/// For a bad line, or a listener who writes it down.
fn digit_by_digit(scene: &Scene<'_>) -> String {
    let plan = scene.facts.plan;
    let launch = spelled::position(plan.launch.position);
    let farthest = scene.facts.review.and_then(|review| {
        let farthest = review.route.farthest?;
        let at = spelled::position(Position::new(farthest.lat, farthest.lon).ok()?);
        let out = review.units.distance(farthest.at_most_m);
        Some(format!(" The point of their plan that is farthest from shore, at most {out}, digit by digit: {at}."))
    });
    format!("The launch, digit by digit: {launch}.{}", farthest.unwrap_or_default())
}

/// What is known of the water and the wind, and the light that is left.
fn conditions(scene: &Scene<'_>) -> String {
    let said = |lines: &[Line], of: &[What]| {
        let told = lines.iter().filter(|line| of.contains(&line.what));
        told.map(|line| format!(" {}: {}.", line.what.label(), line.told)).collect::<String>()
    };
    let then = said(&weather::then(scene.facts, scene.clock), &[What::Water, What::Wind]);
    let now = weather::now(scene.facts, scene.now);
    let light = said(&now, &[What::Light]);
    let now = match scene.facts.latest {
        Some(_) => format!(
            " Now, as stations tell.{}",
            said(&now, &[What::Water, What::Wind, What::Waves])
        ),
        None => " What they are now, I don't know.".to_owned(),
    };
    format!("Conditions as known when they filed their plan.{then}{now}{light}")
}

/// What was done until now.
fn so_far(scene: &Scene<'_>) -> String {
    let told: Vec<String> = status::contacts(scene)
        .into_iter()
        .map(|told| match told.is_reader {
            true => format!("I myself: {}", of_myself(&told, scene.clock)),
            false => {
                let name = words::first_name(&told.contact.name);
                format!("{name}: {}", told.words(scene.clock))
            }
        })
        .collect();
    let calls = status::calls(scene);
    let called = match calls.is_empty() {
        true => "As far as I know, nobody has called you yet.".to_owned(),
        false => calls.join(" "),
    };
    format!(
        "What was done so far. {called} The watching service writes letters and has called nobody. \
         The contacts ashore: {}.",
        told.join(". ")
    )
}

/// What the caller was sent and answered; that there is no answer yet is not said of oneself.
fn of_myself(told: &Told<'_>, clock: Clock) -> String {
    let sent = match told.sent {
        Sent::ThisLetter => "alerted now".to_owned(),
        before => before.words(clock),
    };
    sent + &told.answered.as_ref().map(|said| format!("; {said}")).unwrap_or_default()
}

fn place(name: Option<&str>, position: Position) -> String {
    let position = words::position_aloud(position);
    name.map_or(position.clone(), |name| format!("{}, {position}", cut(&clean(name), LONGEST)))
}

fn route(scene: &Scene<'_>) -> String {
    let plan = scene.facts.plan;
    let points = plan.waypoints.iter().take(MOST_POINTS).enumerate().map(|(at, point)| {
        let stay = point.stay.map(|stay| format!(", staying {}", stay.spoken()));
        let place = place(point.name.as_deref(), point.position);
        format!("Point {}: {place}{}.", at + 1, stay.unwrap_or_default())
    });
    let more = match plan.waypoints.len().saturating_sub(MOST_POINTS) {
        0 => String::new(),
        more => format!(" Then {more} more points, which I can read to you."),
    };
    let end = match &plan.landing {
        Some(landing) => {
            format!("to land at {}.", place(landing.name.as_deref(), landing.position))
        }
        None => "back to the launch.".to_owned(),
    };
    let points = points.collect::<Vec<_>>().join(" ");
    if points.is_empty() {
        return format!("The plan names no points on the way. They meant to come {end}");
    }
    format!("Their planned route. {points}{more} Then {end}")
}

fn craft(scene: &Scene<'_>) -> Vec<String> {
    let all = &scene.facts.plan.craft;
    if all.is_empty() {
        return vec![
            "What craft they paddle, kayak, canoe or board, is not in their plan.".to_owned(),
        ];
    }
    let mut said: Vec<String> =
        all.iter().take(MOST_CRAFT).map(|one| one_craft(one, all.len())).collect();
    if all.len() > MOST_CRAFT {
        said.push(format!("And {} more craft.", all.len() - MOST_CRAFT));
    }
    let aboard = scene.facts.on_trip().len();
    if aboard > 1 {
        if all.len() < aboard {
            said.push(format!("Their plan describes {} craft for {}.", all.len(), people(aboard)));
        }
        said.push(
            "Who is in which craft, and who carries the radio and the beacon, I don't know."
                .to_owned(),
        );
    }
    said
}

fn one_craft(craft: &Craft, count: usize) -> String {
    let short = |text: &String| cut(&clean(text), LONGEST);
    let parts = [
        craft.kind.as_ref().map(short),
        craft.name.as_ref().map(|name| format!("named {}", short(name))),
        craft.length_m.map(|length_m| format!("{length_m:.1} metres long")),
        craft.colours.as_ref().map(short),
        craft.marks.as_ref().map(|marks| format!("marks: {}", short(marks))),
    ];
    let parts: Vec<String> = parts.into_iter().flatten().collect();
    let title = if count == 1 { "The craft" } else { "One craft" };
    if parts.is_empty() {
        return format!("{title}: not described.");
    }
    format!("{title}: {}.", parts.join(", "))
}

fn crew(scene: &Scene<'_>, disclosure: Disclosure) -> Vec<String> {
    let out = scene.out();
    let members = out.iter().filter_map(|&at| scene.facts.plan.crew.get(at));
    let mut said: Vec<String> =
        members.take(MOST_PEOPLE).map(|one| person(one, disclosure)).collect();
    if out.len() > MOST_PEOPLE {
        said.push(format!("And {}; I can read you their names.", more_people(out.len())));
    }
    said
}

fn more_people(out: usize) -> String {
    format!("{} more", people(out - MOST_PEOPLE))
}

fn person(one: &CrewMember, disclosure: Disclosure) -> String {
    let short = |text: &String| cut(&clean(text), LONGEST);
    let parts = [
        one.age.map(|age| format!("{age} years old")),
        one.wearing.as_ref().map(|wearing| format!("wearing {}", short(wearing))),
        one.immersion_wear.map(|worn| match worn {
            Wear::None => "no wetsuit or drysuit".to_owned(),
            suit => wear(suit).to_owned(),
        }),
        one.lifejacket.map(|jacket| match jacket {
            Lifejacket::None => "no life jacket".to_owned(),
            jacket => format!("life jacket {}", lifejacket(jacket)),
        }),
        one.phone.as_ref().map(|phone| format!("carries telephone {}", words::phone(phone))),
        disclosure.medical_of(one).map(|medical| format!("medical: {}", short(medical))),
    ];
    let parts: Vec<String> = parts.into_iter().flatten().collect();
    let name = name(&one.name);
    if parts.is_empty() {
        format!("{name}: the plan tells nothing more.")
    } else {
        format!("{name}: {}.", parts.join("; "))
    }
}

fn signals(scene: &Scene<'_>) -> String {
    let gear = &scene.facts.plan.gear;
    let has = |told: Option<bool>, what: &str| (told == Some(true)).then(|| what.to_owned());
    let parts = [
        gear.vhf.as_ref().map(|vhf| format!("VHF radio: {}", cut(&clean(vhf), LONGEST))),
        gear.mmsi.as_ref().map(|mmsi| format!("MMSI {}", grouped(mmsi))),
        gear.beacon.as_ref().map(|beacon| {
            let by_letter = spelled::spelled(beacon);
            format!("beacon {}, letter by letter {by_letter}", grouped(beacon))
        }),
        has(gear.night_signals, "distress signals for the night"),
        has(gear.light, "a white light"),
        has(gear.sound_signal, "a whistle or horn"),
    ];
    let parts: Vec<String> = parts.into_iter().flatten().collect();
    if parts.is_empty() {
        return "I don't know whether they have a radio, a beacon, signals or a light: the plan tells \
                of none."
            .to_owned();
    }
    format!("To call and be found with: {}.", parts.join("; "))
}

/// In groups of three, to be read out: `833 800 001`.
fn grouped(digits: &str) -> String {
    let digits: Vec<char> = clean(digits).chars().collect();
    digits.chunks(3).map(|group| group.iter().collect::<String>()).collect::<Vec<_>>().join(" ")
}

fn vehicle(scene: &Scene<'_>) -> String {
    match &scene.facts.plan.launch.vehicle {
        Some(vehicle) => {
            format!("They left a vehicle at the launch: {}.", cut(&clean(vehicle), LONGEST))
        }
        None => "The plan tells of no vehicle at the launch.".to_owned(),
    }
}

fn caller(scene: &Scene<'_>) -> String {
    let Some((_, contact)) = scene.reading_contact() else {
        return "My name is (your name). My telephone number is (your number). I call from (where you \
                are)."
            .to_owned();
    };
    let number =
        contact.phone.as_ref().map_or("(your number)".to_owned(), |phone| words::phone(phone));
    let relation = contact.relation.as_ref().map(|relation| {
        format!(" I am the contact ashore named in their plan: {}.", cut(&clean(relation), LONGEST))
    });
    let relation =
        relation.unwrap_or_else(|| " I am a contact ashore named in their plan.".to_owned());
    format!(
        "My name is {}. My telephone number is {number}. I call from (where you are).{relation} I \
         last heard from them (when, and what they said).",
        name(&contact.name),
    )
}
