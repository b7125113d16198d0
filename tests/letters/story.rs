//! One invented plan on its way through the watch, with every letter that it owes. The people,
//! numbers and addresses are made up (555-0100 to 555-0199, example.org).
#![allow(dead_code)]

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use shorelamp::letter::{Area, Facts, Letter, Rescue, compose};
use shorelamp::measure::Span;
use shorelamp::plan::{Plan, read_toml};
use shorelamp::review::Review;
use shorelamp::watch::{
    Anchor, Answer, By, Event, Kind, Ladder, Order, Past, Phase, Recipient, Rung, RungKind, Terms,
    To, Watched, step,
};

/// The page for a rescue service.
pub const RESCUE_PAGE: &str =
    "https://lamp.example.org/p/rescue/7Q4K-M2/k3k3k3k3k3k3k3k3k3k3k3k3k3k";

pub const MEDICAL: &str = "Asthma, inhaler in the left pocket";

pub const PLAN: &str = r#"
title = "Halibut drift in the strait"
[times]
launch = "2026-06-14T05:30:00-07:00"
return_by = "2026-06-14T12:30:00-07:00"
[pace]
speed_kn = 3.0
[launch]
name = "Gravel ramp below the county park"
position = "48.5420 -123.1620"
vehicle = "Green estate car, roof bars, plate TEST-123, lower lot"
[[waypoint]]
name = "Kelp edge"
position = "48.5500 -123.2000"
stay = "2h"
[[waypoint]]
name = "Tide rip"
position = "48°31.20'N 123°11.40'W"
stay = "45m"
[[crew]]
name = "Ines Halloran"
phone = "+1 360 555 0142"
email = "ines@example.org"
age = 44
wearing = "orange drysuit, yellow life jacket, white cap"
immersion_wear = "drysuit"
lifejacket = "worn"
medical = "Asthma, inhaler in the left pocket"
swims = "strong"
experience = "Twelve seasons on this water"
[[crew]]
name = "Tomas Bright"
age = 31
wearing = "black wetsuit, red life jacket"
immersion_wear = "wetsuit"
lifejacket = "carried"
swims = "fair"
experience = "Second season"
[[craft]]
name = "Petrel"
kind = "sit-on-top kayak"
length_m = 4.3
colours = "lime hull, black hatch covers, red paddle blades"
marks = "Name and telephone number on the stern"
[gear]
vhf = "handheld, DSC"
mmsi = "833800001"
beacon = "9C7F4B013595551"
night_signals = true
light = true
sound_signal = true
notes = "Tow line, spare paddle, two litres of water"
[stated]
air_c = 14.0
wind_kn = 12.0
wind_from_deg = 270.0
taken_at = "2026-06-14T05:00:00-07:00"
[[contact]]
name = "Dunstan Okafor"
relation = "brother"
email = "dunstan@example.org"
phone = "+1 360 555 0177"
[[contact]]
name = "Mirela Sandoval"
relation = "neighbour"
email = "mirela@example.org"
phone = "+1 360 555 0118"
"#;

pub fn utc(text: &str) -> DateTime<Utc> {
    text.parse().expect("a time")
}

pub fn plan(text: &str) -> Plan {
    read_toml(text, &|_| Err("none".to_owned())).expect("a plan")
}

pub fn rescue() -> Vec<Rescue> {
    vec![
        Rescue {
            name: "the coast guard's centre for these waters".to_owned(),
            phone: Some("+1 360 555 0100".to_owned()),
            short_code: Some("911".to_owned()),
            within: Some(Area {
                position: "48.5 -123.0".parse().expect("a position"),
                radius_m: 80_000.0,
            }),
            checked: NaiveDate::from_ymd_opt(2026, 6, 1),
        },
        Rescue {
            name: "your emergency number, and ask for the coast guard".to_owned(),
            phone: None,
            short_code: Some("911".to_owned()),
            within: None,
            checked: None,
        },
    ]
}

/// What the plan's review said: invented, in the form in which reviews are stored.
pub fn review() -> Review {
    let review = serde_json::json!({
        "reviewed_at": "2026-06-14T05:00:00-07:00",
        "route": {
            "length_m": 11_200.0,
            "farthest": {
                "distance_m": 2_300.0, "at_most_m": 2_350.0, "lat": 48.55, "lon": -123.2,
                "along_m": 2_900.0, "shore_lat": 48.55, "shore_lon": -123.168, "bearing_deg": 90.0
            },
            "farthest_unknown": null, "over_land_m": 0.0, "shoreline_accuracy_m": 50.0, "legs": []
        },
        "timing": {
            "paddling_s": 7_260, "stays_s": 9_900, "available_s": 25_200,
            "sunset": "2026-06-14T21:13:00-07:00", "civil_dusk": "2026-06-14T21:53:00-07:00",
            "sun": "rises and sets", "overdue_at": "2026-06-14T12:45:00-07:00"
        },
        "water": {
            "temperature_c": 9.5, "kind": "observed", "source": "NDBC station 46088",
            "taken_at": "2026-06-14T04:20:00-07:00", "age_s": 2_400, "passed": [], "silent": []
        },
        "cautions": [{
            "id": "cold-water", "level": "danger",
            "text": "The water is 9.5 °C (49 °F) (NDBC station 46088, 40 min ago): falling in takes the \
                     breath for a minute, and useful hands within about ten minutes.",
            "source": "an invented source", "clears": "Warmer water."
        }, {
            "id": "help", "level": "danger",
            "text": "If the worst happened just before the return, help might be there at 15:15, 2 h \
                     45 min later. In water of 9.5 °C (49 °F), an adult can be exhausted after 30 min.",
            "source": "an invented source", "clears": "A beacon."
        }, {
            "id": "immersion", "level": "warning",
            "text": "Falling into water of 9.5 °C (49 °F): exhausted or unconscious in 30 min to 1 h; most \
                     drown before that.",
            "source": "an invented source", "clears": "Warmer water."
        }, {
            "id": "contacts", "level": "caution",
            "text": "Dunstan Okafor and Mirela Sandoval have never answered a letter of this service.",
            "source": "an invented source", "clears": "An answer."
        }],
        "quiet": [], "unknown": [],
        "planned": [
            {"at": "2026-06-14T05:30:00-07:00", "lat": 48.542, "lon": -123.162, "along_m": 0.0,
             "shore_at_most_m": 0.0},
            {"at": "2026-06-14T06:30:00-07:00", "lat": 48.55, "lon": -123.2, "along_m": 2_900.0,
             "shore_at_most_m": 2_350.0},
            {"at": "2026-06-14T09:30:00-07:00", "lat": 48.52, "lon": -123.19, "along_m": 6_500.0,
             "shore_at_most_m": null},
            {"at": "2026-06-14T10:15:00-07:00", "lat": 48.542, "lon": -123.162, "along_m": 11_200.0,
             "shore_at_most_m": 0.0}
        ]
    });
    serde_json::from_value(review).expect("a review")
}

fn rung(anchor: Anchor, minutes: i64, to: &[To], kind: RungKind) -> Rung {
    Rung { anchor, offset_s: minutes * 60, to: to.to_vec(), kind }
}

fn ladder() -> Ladder {
    let rungs = vec![
        rung(Anchor::Due, -30, &[To::Crew], RungKind::Reminder),
        rung(Anchor::Due, 0, &[To::Crew], RungKind::Due),
        rung(Anchor::Overdue, 0, &[To::Contact(1)], RungKind::Overdue),
        rung(Anchor::Overdue, 15, &[To::Contacts], RungKind::Overdue),
        rung(Anchor::Overdue, 30, &[To::Contacts, To::Keeper], RungKind::CallRescue),
    ];
    let span = Span::from_minutes;
    Ladder::new(rungs, span(15), span(10), span(15)).expect("a ladder")
}

/// A letter that was composed, with what it was composed for.
#[derive(Clone)]
pub struct Sent {
    pub order: Order,
    pub letter: Letter,
}

pub struct Story {
    pub plan: Plan,
    pub watched: Watched,
    pub history: Vec<Past>,
    pub filed_at: DateTime<Utc>,
    pub now: DateTime<Utc>,
    pub review: Option<Review>,
    pub latest: Option<Review>,
    pub rescue: Vec<Rescue>,
    pub sent: Vec<Sent>,
    pub clocks_apart: Option<TimeDelta>,
}

impl Story {
    /// The plan filed at 05:00 local time.
    pub fn filed() -> Self {
        Self::of(PLAN, "2026-06-14T12:00:00Z")
    }

    pub fn of(text: &str, filed_at: &str) -> Self {
        let plan = plan(text);
        let now = utc(filed_at);
        let terms = Terms {
            due_at: plan.times.return_by.at,
            grace: plan.times.grace.unwrap_or(Span::from_minutes(15)),
            ladder: ladder(),
            crew: plan.crew.iter().map(|one| one.email.is_some()).collect(),
            contacts: plan.contacts.len(),
        };
        let first = Watched::file(terms, now);
        let mut story = Story {
            plan,
            watched: first.plan,
            history: Vec::new(),
            filed_at: now,
            now,
            review: Some(review()),
            latest: None,
            rescue: rescue(),
            sent: Vec::new(),
            clocks_apart: None,
        };
        story.hand_over(first.orders);
        story
    }

    pub fn minutes_after_overdue(&mut self, minutes: i64) -> &mut Self {
        self.now = self.watched.overdue_at() + TimeDelta::minutes(minutes);
        self
    }

    /// The event happens, and every letter that it owes leaves at once.
    pub fn happens(&mut self, event: Event) -> Vec<Sent> {
        let before = self.sent.len();
        let orders = self.apply(event);
        self.hand_over(orders);
        self.sent[before..].to_vec()
    }

    pub fn tick(&mut self) -> Vec<Sent> {
        self.happens(Event::Tick)
    }

    pub fn apply(&mut self, event: Event) -> Vec<Order> {
        let next = step(&self.watched, &event, self.now).expect("an event that applies");
        if next.changed {
            self.history.push(Past { number: next.plan.events, at: self.now, event });
        }
        self.watched = next.plan;
        next.orders
    }

    fn hand_over(&mut self, orders: Vec<Order>) {
        for order in orders {
            let letter = self.compose(&order, self.now, self.now);
            self.apply(Event::Handing { to: order.to, kind: order.kind });
            self.sent.push(Sent { order, letter });
        }
    }

    pub fn compose(&self, order: &Order, queued_at: DateTime<Utc>, now: DateTime<Utc>) -> Letter {
        self.facts_at(order, queued_at, |facts| compose(facts, order, now))
    }

    /// What is made of the facts of a letter that is ordered now.
    pub fn with_facts<T>(&self, order: &Order, make: impl FnOnce(&Facts<'_>) -> T) -> T {
        self.facts_at(order, self.now, make)
    }

    fn facts_at<T>(
        &self,
        order: &Order,
        queued_at: DateTime<Utc>,
        make: impl FnOnce(&Facts<'_>) -> T,
    ) -> T {
        let page = format!("https://lamp.example.org/p/{}", "k3".repeat(11));
        let page = (order.to != Recipient::Keeper).then_some(page.as_str());
        let rescue_page = order.kind.is_alert().then_some(RESCUE_PAGE);
        let facts = self.facts(page, queued_at, shows_a_chart(order.kind));
        make(&Facts { rescue_page, ..facts })
    }

    pub fn facts<'a>(
        &'a self,
        page: Option<&'a str>,
        queued_at: DateTime<Utc>,
        has_chart: bool,
    ) -> Facts<'a> {
        Facts {
            service_name: "Madrona Point Paddle Anglers",
            plan_ref: "7Q4K-M2",
            filed_at: self.filed_at,
            plan: &self.plan,
            watched: &self.watched,
            history: &self.history,
            review: self.review.as_ref(),
            latest: self.latest.as_ref(),
            rescue: &self.rescue,
            page,
            rescue_page: None,
            has_chart,
            queued_at,
            from_memory: false,
            clocks_apart: self.clocks_apart,
        }
    }
}

/// The letters with which the chart goes.
pub fn shows_a_chart(kind: Kind) -> bool {
    kind == Kind::Filed || kind.is_alert()
}

/// The letter of this kind to this reader.
pub fn one(sent: &[Sent], to: Recipient, kind: Kind) -> Letter {
    let found = sent.iter().find(|sent| sent.order.to == to && sent.order.kind == kind);
    found.unwrap_or_else(|| panic!("no {kind} to {to}")).letter.clone()
}

/// A text without its line breaks, to look for sentences in.
pub fn flat(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The letters of two plans, one that goes wrong and one that doesn't: every kind is among them.
pub fn whole_story() -> Vec<Sent> {
    let mut sent = long_story(Story::filed()).sent;
    let mut quiet = Story::filed();
    let ashore = all_ashore(&quiet.plan);
    quiet.minutes_after_overdue(-60).happens(ashore);
    sent.extend(quiet.sent);
    sent
}

/// The crew says that everybody is ashore.
pub fn all_ashore(plan: &Plan) -> Event {
    Event::CheckedIn { who: (0..plan.crew.len()).collect(), by: By::Crew(None), how: None }
}

/// From the reminder over alerts, answers, a closing and its taking back to a calling-off.
pub fn long_story(mut story: Story) -> Story {
    story.minutes_after_overdue(-45).tick();
    story.minutes_after_overdue(-15).tick();
    story.minutes_after_overdue(0).tick();
    story.minutes_after_overdue(5).happens(Event::Answered {
        contact: 0,
        name: "Dunstan Okafor".to_owned(),
        answer: Answer::OnIt,
    });
    story.minutes_after_overdue(15).tick();
    story.minutes_after_overdue(21).tick();
    story.minutes_after_overdue(30).tick();
    story.minutes_after_overdue(34).happens(Event::Answered {
        contact: 1,
        name: "Mirela S.".to_owned(),
        answer: Answer::Called {
            service: "coast guard".to_owned(),
            when: "13:15".to_owned(),
            reference: Some("CG-4711".to_owned()),
        },
    });
    story.minutes_after_overdue(90).tick();
    let by = By::Contact(1, "Mirela S.".to_owned());
    let last = story.plan.crew.len() - 1;
    let ashore =
        |who, how: &str| Event::CheckedIn { who, by: by.clone(), how: Some(how.to_owned()) };
    story.minutes_after_overdue(95).happens(ashore(vec![last], "spoke with him"));
    story.minutes_after_overdue(100).happens(ashore((0..last).collect(), "saw her at the ramp"));
    let Phase::Closed(closing) = story.watched.phase else { panic!("all are ashore") };
    let event = closing.event;
    story
        .minutes_after_overdue(110)
        .happens(Event::Undone { event, by: By::Crew(Some("Ines".to_owned())) });
    let later = Span::from_hours(4);
    story.minutes_after_overdue(115).happens(Event::Extended { later, by: By::Crew(None) });
    story.happens(Event::Refused { to: Recipient::Contact(1), kind: Kind::Filed });
    story.happens(Event::CalledOff { by: By::Crew(None) });
    story
}
