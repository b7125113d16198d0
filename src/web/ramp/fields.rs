//! The fields of the filing form: the plan file's keys, in the order in which a person thinks of
//! them.

/// How a field is typed, and what it becomes in a plan.
#[derive(Clone, Copy)]
pub(super) enum Kind {
    /// A line of text; what a phone's keyboard and autofill make of it.
    Line(Keyboard),
    Paragraph,
    /// A number; it may be typed with a comma.
    Number,
    YesNo,
    /// The value sent, and what it is called.
    Choice(&'static [(&'static str, &'static str)]),
    /// A day and a time on the clocks of the launch.
    Moment,
}

#[derive(Clone, Copy)]
pub(super) enum Keyboard {
    Text,
    Name,
    Email,
    Telephone,
}

/// One field.
pub(super) struct Field {
    pub(super) key: &'static str,
    pub(super) label: &'static str,
    pub(super) hint: &'static str,
    pub(super) kind: Kind,
}

/// Fields that belong together: a table of the plan, or several of one kind.
pub(super) struct Group {
    pub(super) title: &'static str,
    pub(super) hint: &'static str,
    /// The table's key; empty for the plan itself.
    pub(super) table: &'static str,
    /// How many of them; 0 for a table of its own.
    pub(super) rows: usize,
    /// What a row is called.
    pub(super) row: &'static str,
    /// Whether a plan needs it: then its first row is always sent, and stands open.
    pub(super) needed: bool,
    pub(super) fields: &'static [Field],
}

const fn line(key: &'static str, label: &'static str, hint: &'static str) -> Field {
    Field { key, label, hint, kind: Kind::Line(Keyboard::Text) }
}

const fn field(key: &'static str, label: &'static str, hint: &'static str, kind: Kind) -> Field {
    Field { key, label, hint, kind }
}

const WEAR: Kind = Kind::Choice(&[
    ("none", "ordinary clothes"),
    ("wetsuit", "a wetsuit"),
    ("drysuit", "a drysuit"),
]);
const JACKET: Kind = Kind::Choice(&[
    ("worn", "worn, the whole way"),
    ("carried", "carried in the craft"),
    ("none", "there is none"),
]);
const NAME: Kind = Kind::Line(Keyboard::Name);
const EMAIL: Kind = Kind::Line(Keyboard::Email);
const PHONE: Kind = Kind::Line(Keyboard::Telephone);
const POSITION: &str = "Like 48.5160 -123.1524, or 48°30.96'N 123°09.14'W";

/// The fields without which there is no plan.
pub(super) const NEEDED: [(&str, &str); 6] = [
    ("times", "launch"),
    ("times", "return_by"),
    ("launch", "position"),
    ("crew", "name"),
    ("contact", "name"),
    ("contact", "email"),
];

/// The most lines of waypoints that have a row of their own.
pub(super) const WAYPOINT_ROWS: usize = 4;

/// Every group, in the order of the form.
pub(super) const GROUPS: [Group; 11] = [
    Group {
        title: "When",
        hint: "On the clocks of the place where you launch.",
        table: "times",
        rows: 0,
        row: "",
        needed: true,
        fields: &[
            field("launch", "Launch", "", Kind::Moment),
            field("return_by", "Back ashore by", "The time from which you are late", Kind::Moment),
            line(
                "grace",
                "Grace",
                "How long after that your contacts are told: like 20m or 1h. Left empty, this service's own",
            ),
        ],
    },
    Group {
        title: "Where you launch",
        hint: "",
        table: "launch",
        rows: 0,
        row: "",
        needed: true,
        fields: &[
            field("position", "Position of the launch", POSITION, Kind::Line(Keyboard::Text)),
            line("name", "What the place is called", ""),
            line("vehicle", "Vehicle left there", "Make, colour, plate, where it stands"),
        ],
    },
    Group {
        title: "Who goes",
        hint: "",
        table: "crew",
        rows: 4,
        row: "Paddler",
        needed: true,
        fields: &[
            field("name", "Name", "", NAME),
            field("phone", "Telephone they carry", "", PHONE),
            field("email", "Email for their own letters", "", EMAIL),
            line("wearing", "What a searcher will see", "Colours, garments"),
            field("immersion_wear", "Worn against cold water", "", WEAR),
            field("lifejacket", "Life jacket", "", JACKET),
            field(
                "medical",
                "Medical",
                "Shown to your contacts only once you are overdue",
                Kind::Paragraph,
            ),
            field("age", "Age", "", Kind::Number),
            line("swims", "How well they swim", ""),
            field("experience", "What they have done on the water", "", Kind::Paragraph),
            field("beginner", "A beginner?", "", Kind::YesNo),
        ],
    },
    Group {
        title: "Who ashore is told",
        hint: "They get a letter now, and the alert if you are overdue. Choose people who will call \
               for rescue.",
        table: "contact",
        rows: 4,
        row: "Contact",
        needed: true,
        fields: &[
            line("name", "Name", ""),
            field("email", "Email", "", EMAIL),
            field("phone", "Telephone", "", PHONE),
            line("relation", "What they are to you", "Brother, neighbour"),
        ],
    },
    Group {
        title: "Where you go",
        hint: "The corners of your route, in order. Without a landing it ends where it began.",
        table: "waypoint",
        rows: WAYPOINT_ROWS,
        row: "Point",
        needed: false,
        fields: &[
            line("position", "Position", POSITION),
            line("name", "What the place is called", ""),
            line("stay", "How long you stay there", "Like 45m or 2h"),
        ],
    },
    Group {
        title: "Where you land, if not at the launch",
        hint: "",
        table: "landing",
        rows: 0,
        row: "",
        needed: false,
        fields: &[
            line("position", "Position of the landing", POSITION),
            line("name", "What the place is called", ""),
        ],
    },
    Group {
        title: "How fast",
        hint: "",
        table: "pace",
        rows: 0,
        row: "",
        needed: false,
        fields: &[field("speed_kn", "Speed in knots", "A touring pace is about 3", Kind::Number)],
    },
    Group {
        title: "What you paddle",
        hint: "",
        table: "craft",
        rows: 4,
        row: "Craft",
        needed: false,
        fields: &[
            line("kind", "What it is", "Sit-on-top kayak, canoe, paddleboard"),
            line("colours", "Colours", "Hull, deck, paddle blades"),
            line("name", "Name", ""),
            field("length_m", "Length in metres", "", Kind::Number),
            line("marks", "Marks on it", "Name, number, reflective tape"),
        ],
    },
    Group {
        title: "What you carry to be found with",
        hint: "",
        table: "gear",
        rows: 0,
        row: "",
        needed: false,
        fields: &[
            line("vhf", "VHF radio", "Like: handheld, DSC"),
            line("mmsi", "Its MMSI", "Nine digits"),
            line("beacon", "406 MHz beacon's identity", "15 hexadecimal digits, on its label"),
            field("night_signals", "Distress signals for the night", "", Kind::YesNo),
            field("light", "A white light", "", Kind::YesNo),
            field("sound_signal", "A whistle or horn", "", Kind::YesNo),
            field("notes", "Other gear", "Tow line, food, water, camping", Kind::Paragraph),
        ],
    },
    Group {
        title: "What you have read of the day yourself",
        hint: "Without it we ask the nearest stations for the water.",
        table: "stated",
        rows: 0,
        row: "",
        needed: false,
        fields: &[
            field("water_c", "Water, in degrees Celsius", "", Kind::Number),
            field("air_c", "Air, in degrees Celsius", "", Kind::Number),
            field("wind_kn", "Wind, in knots", "", Kind::Number),
            field("wind_from_deg", "Wind from, in degrees", "North 0, west 270", Kind::Number),
            field("taken_at", "When you read it", "", Kind::Moment),
        ],
    },
    Group {
        title: "What you call the trip",
        hint: "",
        table: "",
        rows: 0,
        row: "",
        needed: false,
        fields: &[line("title", "Title", "")],
    },
];

impl Group {
    /// The key of a field in a row (counted from 1), as faults name it: `crew[2].phone`.
    pub(super) fn key(&self, row: usize, field: &str) -> String {
        match (self.table, self.rows) {
            ("", _) => field.to_owned(),
            (table, 0) => format!("{table}.{field}"),
            (table, _) => format!("{table}[{row}].{field}"),
        }
    }

    /// The numbers of its rows.
    pub(super) fn row_numbers(&self) -> std::ops::RangeInclusive<usize> {
        1..=self.rows.max(1)
    }
}
