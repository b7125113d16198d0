//! What the law asks to be carried, worn and shown, as far as a plan tells.
//!
//! One table a jurisdiction, one row a rule, with its section, when somebody last checked it, and
//! whether the text was seen or is told from memory. These are papers, hence notices; what can hurt
//! is told elsewhere. Nothing here is legal advice: check your state's and your water's own rules.
//!
//! Where a trip is goes by its time zone, the launch's unless the plan names another; states of the United States go by boxes
//! around them, which overlap, so that several can be named.

mod canada;
mod ireland_uk;
mod navigation;
mod states;
mod us;

use chrono::{Datelike, NaiveDate};

use super::facts::first_outside;
use super::{Ashore, Caution, Facts, Level, Limits, words};
use crate::measure::METRES_PER_FOOT;
use crate::plan::{Craft, CrewMember, Lifejacket};

pub(super) const ID: &str = "law";

/// So many findings are told.
const TOLD: usize = 5;

/// A rule.
pub(super) struct Row {
    /// Where it is written.
    section: &'static str,
    /// How it is known: `seen 2026-04-05`, `from memory`.
    known: &'static str,
    /// What of it the plan doesn't meet or doesn't say, as a noun phrase; `None` if it is met or
    /// does not apply.
    lacks: fn(&Case<'_>) -> Option<String>,
}

/// A trip as the law looks at it.
struct Case<'a> {
    crew: &'a [CrewMember],
    craft: &'a [Craft],
    facts: &'a Facts<'a>,
    /// Whether the crew may be out between sunset and sunrise, the grace counted in.
    dark: bool,
    /// The first and the last local day.
    days: (NaiveDate, NaiveDate),
}

/// A country whose rules stand here.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Country {
    UnitedStates,
    Canada,
    UnitedKingdom,
    Ireland,
}

pub(super) fn raise(facts: &Facts<'_>, _: &Limits) -> Vec<Caution> {
    let case = Case::of(facts);
    let found: Vec<_> = rows(&case)
        .filter_map(|row| Some(((row.lacks)(&case)?, format!("{} ({})", row.section, row.known))))
        .collect();
    if found.is_empty() {
        return Vec::new();
    }
    let (lacks, sections): (Vec<_>, Vec<_>) = found.into_iter().unzip();
    let text = format!("By law, not met or not told in the plan: {}.", words::list(&lacks, TOLD));
    let clears = "These aboard or worn, and the plan saying so. No legal advice: check the rules of \
                  your state and your water.";
    vec![Caution::new(ID, Level::Notice, text, Ashore::Whole, sections.join("; "), clears)]
}

/// Whether there are tables for where a trip starts.
pub(super) fn is_known(facts: &Facts<'_>) -> bool {
    country(facts).is_some()
}

fn rows<'a>(case: &Case<'_>) -> impl Iterator<Item = &'a Row> {
    let (tables, state_rows): (&[&[Row]], Vec<&Row>) = match country(case.facts) {
        Some(Country::UnitedStates) => {
            (&[us::ROWS, navigation::INLAND], states::rows(case.facts.plan.launch.position))
        }
        Some(Country::Canada) => (&[canada::ROWS, navigation::INTERNATIONAL], Vec::new()),
        Some(Country::UnitedKingdom) => (&[ireland_uk::UK, navigation::INTERNATIONAL], Vec::new()),
        Some(Country::Ireland) => (&[ireland_uk::IRELAND, navigation::INTERNATIONAL], Vec::new()),
        None => (&[navigation::INTERNATIONAL], Vec::new()),
    };
    tables.iter().flat_map(|table| table.iter()).chain(state_rows)
}

fn country(facts: &Facts<'_>) -> Option<Country> {
    let name = facts.plan.times.zone.name();
    let is_in = |zones: &[&str]| {
        zones.iter().any(|one| name == *one || name.starts_with(&format!("{one}/")))
    };
    if is_in(us::ZONES) {
        Some(Country::UnitedStates)
    } else if is_in(canada::ZONES) {
        Some(Country::Canada)
    } else if is_in(&["Europe/London", "Europe/Belfast"]) {
        Some(Country::UnitedKingdom)
    } else {
        is_in(&["Europe/Dublin"]).then_some(Country::Ireland)
    }
}

impl<'a> Case<'a> {
    fn of(facts: &'a Facts<'a>) -> Self {
        let times = &facts.plan.times;
        let (launch, back) = (times.launch.at, times.return_by.at);
        let day = |at: chrono::DateTime<chrono::Utc>| at.with_timezone(&times.zone).date_naive();
        Case {
            crew: &facts.plan.crew,
            craft: &facts.plan.craft,
            facts,
            dark: first_outside(&facts.light.sun, launch, facts.overdue_at).is_some(),
            days: (day(launch), day(back)),
        }
    }

    /// Who of the crew fits, as a list of names.
    fn names(&self, is_meant: impl Fn(&CrewMember) -> bool) -> Option<String> {
        let names: Vec<_> =
            self.crew.iter().filter(|one| is_meant(one)).map(|one| one.name.as_str()).collect();
        (!names.is_empty()).then(|| words::list(&names, 3))
    }

    /// Who of those meant does not wear a life jacket, or is not said to.
    fn not_wearing(&self, is_meant: impl Fn(&CrewMember) -> bool) -> Option<String> {
        self.names(|one| is_meant(one) && one.lifejacket != Some(Lifejacket::Worn))
    }

    /// Who has no life jacket aboard, or is not said to.
    fn without(&self) -> Option<String> {
        self.names(|one| matches!(one.lifejacket, None | Some(Lifejacket::None)))
    }

    fn any_craft(&self, is_meant: impl Fn(&Craft) -> bool) -> bool {
        self.craft.iter().any(is_meant)
    }

    /// Whether a day of the trip is in a season, its first and last day as (month, day).
    fn in_season(&self, from: (u32, u32), to: (u32, u32)) -> bool {
        let (first, last) = self.days;
        let is_in = |day: NaiveDate| {
            let day = (day.month(), day.day());
            if from <= to { (from..=to).contains(&day) } else { day >= from || day <= to }
        };
        first.iter_days().take_while(|day| *day <= last).take(400).any(is_in)
    }
}

/// Whether a craft's kind names one of these.
fn is_kind(craft: &Craft, kinds: &[&str]) -> bool {
    let kind = craft.kind.as_deref().unwrap_or_default().to_lowercase();
    kinds.iter().any(|one| kind.contains(one))
}

/// Whether a craft is at least so long; one of unknown length may be.
fn may_reach_m(craft: &Craft, length_m: f64) -> bool {
    craft.length_m.is_none_or(|own_m| own_m >= length_m)
}

const KAYAKS_AND_CANOES: [&str; 2] = ["kayak", "canoe"];
const BOARDS: [&str; 3] = ["board", "sup", "surfski"];
const FEET_16_M: f64 = 16.0 * METRES_PER_FOOT;
