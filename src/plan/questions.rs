//! What a rescue coordinator asks for and a plan may tell: each question once, with the words of its
//! three readers. A plan's score asks whoever files it, and an alert whoever is ashore
//! (`review::asked`); a caution says what a searcher would not know (`caution::missing`); a letter
//! lists what stands nowhere in the plan, so that its reader says "I don't know".
//!
//! The questions are those of the US National Search and Rescue Manual, section 412, and of the US
//! Coast Guard's addendum to it, chapter 3 (read in excerpts, in our own words); their order by worth
//! is our own. What no plan can tell (whether the crew launched, what the weather is now) is not
//! among them.

use super::{Craft, CrewMember, Plan};

/// A question.
#[derive(Debug)]
pub struct Question {
    /// Whom or what it is of, and whether that tells it.
    pub of: Of,
    /// What the answer is worth to a search, from 1 to 3.
    pub worth: u8,
    /// Whether somebody ashore who knows the crew may be able to tell.
    pub ashore_may_know: bool,
    /// As it is asked of whoever files the plan, and of those ashore.
    pub asked: &'static str,
    /// As a caution says that it is unknown; `None` where it does not, or goes by another measure.
    pub unknown: Option<&'static str>,
    /// As a letter says that the plan does not tell it; `None` where it goes by another measure.
    pub not_told: Option<&'static str>,
}

/// Whom or what a question is of, with whether the plan tells it of one.
#[derive(Clone, Copy, Debug)]
pub enum Of {
    /// The whole trip.
    Trip(fn(&Plan) -> bool),
    /// Each craft.
    EachCraft(fn(&Craft) -> bool),
    /// Each of the crew.
    EachOfCrew(fn(&CrewMember) -> bool),
}

/// What a plan leaves open of a question.
#[derive(Debug)]
pub enum Open<'a> {
    /// The whole of it.
    Trip,
    /// The plan has no craft of which it could tell.
    NoCraft,
    /// So many craft of which it does not tell.
    Craft(usize),
    /// Those of the crew of whom it does not tell.
    Crew(Vec<&'a CrewMember>),
}

impl Question {
    /// What a plan leaves open of this; `None` when it tells all. `crew` are those asked about.
    #[must_use]
    pub fn open<'a>(&self, plan: &Plan, crew: &[&'a CrewMember]) -> Option<Open<'a>> {
        match self.of {
            Of::Trip(is_told) => (!is_told(plan)).then_some(Open::Trip),
            Of::EachCraft(_) if plan.craft.is_empty() => Some(Open::NoCraft),
            Of::EachCraft(is_told) => {
                let count = plan.craft.iter().filter(|one| !is_told(one)).count();
                (count > 0).then_some(Open::Craft(count))
            }
            Of::EachOfCrew(is_told) => {
                let of: Vec<_> = crew.iter().copied().filter(|one| !is_told(one)).collect();
                (!of.is_empty()).then_some(Open::Crew(of))
            }
        }
    }
}

/// Where they go.
pub const WAY: Question = Question {
    of: Of::Trip(|plan| !plan.waypoints.is_empty() || plan.landing.is_some()),
    worth: 3,
    ashore_may_know: true,
    asked: "where they go: points of the route, and where they land",
    unknown: Some("where the crew goes"),
    // A letter asks for the points alone.
    not_told: None,
};

/// `pace.speed_kn`.
pub const SPEED: Question = Question {
    of: Of::Trip(|plan| plan.pace.speed_kn.is_some()),
    worth: 2,
    ashore_may_know: false,
    asked: "their speed, so that it can be told where they should be at each hour",
    unknown: Some("the speed"),
    not_told: Some("their speed"),
};

/// `launch.vehicle`.
pub const VEHICLE: Question = Question {
    of: Of::Trip(|plan| plan.launch.vehicle.is_some()),
    worth: 3,
    ashore_may_know: true,
    asked: "the vehicle at the launch: make, colour, plate, where it stands",
    unknown: Some("the vehicle left at the launch"),
    not_told: Some("a vehicle or trailer left at the launch"),
};

/// `craft.kind`.
pub const KIND: Question = Question {
    of: Of::EachCraft(|one| one.kind.is_some()),
    worth: 3,
    ashore_may_know: true,
    asked: "what they paddle",
    unknown: Some("the kind"),
    not_told: Some("the kind of each craft"),
};

/// `craft.colours`.
pub const COLOURS: Question = Question {
    of: Of::EachCraft(|one| one.colours.is_some()),
    worth: 3,
    ashore_may_know: true,
    asked: "the colours of hull, deck and paddles",
    unknown: Some("the colours"),
    not_told: Some("the colours of each craft"),
};

/// `craft.marks`, or `craft.name`.
pub const MARKS: Question = Question {
    of: Of::EachCraft(|one| one.marks.is_some() || one.name.is_some()),
    worth: 2,
    ashore_may_know: true,
    asked: "names, marks and reflective tape on the craft",
    unknown: Some("name or marks"),
    // A letter asks for marks though there is a name.
    not_told: None,
};

/// `craft.length_m`.
pub const LENGTH: Question = Question {
    of: Of::EachCraft(|one| one.length_m.is_some()),
    worth: 1,
    ashore_may_know: true,
    asked: "the length of the craft",
    unknown: None,
    not_told: Some("the length of each craft"),
};

/// `crew.phone`.
pub const PHONE: Question = Question {
    of: Of::EachOfCrew(|one| one.phone.is_some()),
    worth: 3,
    ashore_may_know: true,
    asked: "the telephone afloat",
    // One telephone of the party is enough to call with.
    unknown: None,
    not_told: Some("telephone"),
};

/// `crew.wearing`.
pub const CLOTHING: Question = Question {
    of: Of::EachOfCrew(|one| one.wearing.is_some()),
    worth: 3,
    ashore_may_know: true,
    asked: "the clothing and its colours",
    unknown: Some("what is worn, and its colours, by"),
    not_told: Some("colours of the clothing"),
};

/// `crew.lifejacket`: a caution of its own tells of it.
pub const LIFEJACKET: Question = Question {
    of: Of::EachOfCrew(|one| one.lifejacket.is_some()),
    worth: 3,
    ashore_may_know: true,
    asked: "the life jacket, worn or only carried,",
    unknown: None,
    not_told: Some("whether a life jacket is worn"),
};

/// `crew.immersion_wear`: a caution of its own tells of it.
pub const SUIT: Question = Question {
    of: Of::EachOfCrew(|one| one.immersion_wear.is_some()),
    worth: 3,
    ashore_may_know: true,
    asked: "the wetsuit or drysuit",
    unknown: None,
    not_told: Some("wetsuit or drysuit"),
};

/// `crew.age`.
pub const AGE: Question = Question {
    of: Of::EachOfCrew(|one| one.age.is_some()),
    worth: 2,
    ashore_may_know: true,
    asked: "the age",
    unknown: Some("the age of"),
    not_told: Some("age"),
};

/// `crew.medical`.
pub const HEALTH: Question = Question {
    of: Of::EachOfCrew(|one| one.medical.is_some()),
    worth: 2,
    ashore_may_know: true,
    asked: "illness and medicine, or that there is none,",
    unknown: None,
    not_told: Some("anything medical"),
};

/// `crew.experience`.
pub const EXPERIENCE: Question = Question {
    of: Of::EachOfCrew(|one| one.experience.is_some()),
    worth: 2,
    ashore_may_know: true,
    asked: "the experience on this water",
    unknown: None,
    not_told: Some("experience"),
};

/// `crew.swims`.
pub const SWIMMING: Question = Question {
    of: Of::EachOfCrew(|one| one.swims.is_some()),
    worth: 1,
    ashore_may_know: true,
    asked: "the skill in swimming",
    unknown: None,
    not_told: Some("how well they swim"),
};

/// `gear.beacon`.
pub const BEACON: Question = Question {
    of: Of::Trip(|plan| plan.gear.beacon.is_some()),
    worth: 3,
    ashore_may_know: true,
    asked: "a 406 MHz beacon and its number, or that there is none",
    unknown: Some("whether there is a beacon"),
    not_told: Some("whether they have a beacon"),
};

/// `gear.vhf`.
pub const RADIO: Question = Question {
    of: Of::Trip(|plan| plan.gear.vhf.is_some()),
    worth: 3,
    ashore_may_know: true,
    asked: "a VHF radio, or that there is none",
    unknown: Some("whether there is a radio"),
    not_told: Some("whether they have a VHF radio"),
};

/// `gear.night_signals`.
pub const NIGHT_SIGNALS: Question = Question {
    of: Of::Trip(|plan| plan.gear.night_signals.is_some()),
    worth: 2,
    ashore_may_know: false,
    asked: "distress signals that show at night",
    unknown: Some("night signals"),
    not_told: Some("whether they have distress signals"),
};

/// `gear.light`.
pub const LIGHT: Question = Question {
    of: Of::Trip(|plan| plan.gear.light.is_some()),
    worth: 2,
    ashore_may_know: false,
    asked: "a white light",
    unknown: Some("a light"),
    not_told: Some("whether they have a light"),
};

/// `gear.sound_signal`.
pub const SOUND_SIGNAL: Question = Question {
    of: Of::Trip(|plan| plan.gear.sound_signal.is_some()),
    worth: 1,
    ashore_may_know: false,
    asked: "a whistle or horn",
    unknown: Some("a whistle or horn"),
    not_told: Some("whether they have a whistle or horn"),
};

/// `gear.notes`.
pub const OTHER_GEAR: Question = Question {
    of: Of::Trip(|plan| plan.gear.notes.is_some()),
    worth: 1,
    ashore_may_know: true,
    asked: "food, water, shelter and other gear",
    unknown: None,
    not_told: Some("other gear: food, water, camping, spare paddle, tow line, flotation"),
};

/// `gear.mmsi`: asked where a radio calls by number, for that has one.
pub const MMSI: Question = Question {
    of: Of::Trip(|plan| plan.gear.mmsi.is_some()),
    worth: 2,
    ashore_may_know: false,
    asked: "the radio's MMSI",
    unknown: None,
    not_told: Some("a radio's MMSI"),
};

/// Those that are asked of every plan: all but [`MMSI`].
pub const ALL: [&Question; 21] = [
    &WAY,
    &SPEED,
    &VEHICLE,
    &KIND,
    &COLOURS,
    &MARKS,
    &LENGTH,
    &PHONE,
    &CLOTHING,
    &LIFEJACKET,
    &SUIT,
    &AGE,
    &HEALTH,
    &EXPERIENCE,
    &SWIMMING,
    &BEACON,
    &RADIO,
    &NIGHT_SIGNALS,
    &LIGHT,
    &SOUND_SIGNAL,
    &OTHER_GEAR,
];
