//! A letter's facts with the order that asks for it and the time: what the kinds share.

use chrono::{DateTime, Utc};

use super::block::{Block, Callee};
use super::brief::{self, Form, Section};
use super::disclosure::Disclosure;
use super::facts::Facts;
use super::warned::Reader;
use super::when::Clock;
use super::{rescue, words};
use crate::plan::Contact;
use crate::watch::{Amendment, Cause, Event, Order, Place, Recipient};

pub(super) struct Scene<'a> {
    pub(super) facts: &'a Facts<'a>,
    pub(super) order: &'a Order,
    pub(super) now: DateTime<Utc>,
    pub(super) clock: Clock,
}

impl<'a> Scene<'a> {
    pub(super) fn new(facts: &'a Facts<'a>, order: &'a Order, now: DateTime<Utc>) -> Self {
        Scene { facts, order, now, clock: Clock::new(facts.plan.times.zone) }
    }

    /// How much of the plan this letter may tell.
    pub(super) fn disclosure(&self) -> Disclosure {
        Disclosure::of_letter(self.order.kind)
    }

    pub(super) fn due_at(&self) -> DateTime<Utc> {
        self.facts.watched.terms.due_at
    }

    pub(super) fn overdue_at(&self) -> DateTime<Utc> {
        self.facts.watched.overdue_at()
    }

    /// Everybody on the trip.
    pub(super) fn crew(&self) -> Vec<String> {
        self.named(&self.facts.on_trip())
    }

    /// The contacts who are asked, with their places, in the plan's order.
    pub(super) fn contacts(&self) -> Vec<(usize, &'a Contact)> {
        let asked = self.facts.watched.asked().into_iter();
        asked.filter_map(|at| Some((at, self.facts.plan.contacts.get(at)?))).collect()
    }

    /// The amendment that took this reader out of the plan.
    pub(super) fn removed_by(&self) -> Option<u32> {
        self.facts.watched.removed_by(self.order.to)
    }

    /// The same, as it was made.
    fn removal(&self) -> Option<&'a Amendment> {
        match &self.facts.past(self.removed_by()?)?.event {
            Event::Amended { to, .. } => Some(to),
            _ => None,
        }
    }

    /// Whether this reader was taken out and never alerted: what became of the trip since is not theirs to
    /// read, and they have told no rescue service of it, unless they said so.
    pub(super) fn is_of_no_concern(&self) -> bool {
        self.removed_by().is_some() && !self.facts.watched.told(self.order.to).alerted
    }

    /// Everybody on the trip as that amendment left it.
    pub(super) fn crew_then(&self) -> Vec<String> {
        let Some(removal) = self.removal() else { return vec!["this crew".to_owned()] };
        let crew = removal.crew.iter().enumerate();
        let on_trip = crew.filter(|(_, place)| **place != Place::Removed);
        self.named(&on_trip.map(|(at, _)| at).collect::<Vec<_>>())
    }

    /// When the crew was due, and overdue, as it left them; as it is now for everybody else.
    pub(super) fn times_then(&self) -> (DateTime<Utc>, DateTime<Utc>) {
        match self.removal() {
            Some(to) => (to.due_at, to.due_at + to.grace.delta()),
            None => (self.due_at(), self.overdue_at()),
        }
    }

    /// Whether what the reader says on their page counts: of those who were taken out, that of a contact
    /// who was alerted before.
    pub(super) fn is_heard(&self) -> bool {
        let is_alerted = || self.facts.watched.told(self.order.to).alerted;
        self.facts.page.is_some()
            && (self.removed_by().is_none() || (!self.to_crew() && is_alerted()))
    }

    /// Those who are not ashore, by their place in the plan; everybody where nobody is out, so
    /// that no letter is about nobody.
    pub(super) fn out(&self) -> Vec<usize> {
        let all = self.facts.on_trip();
        let out: Vec<usize> =
            self.facts.watched.out().into_iter().filter(|at| all.contains(at)).collect();
        if out.is_empty() { all } else { out }
    }

    /// Their names.
    pub(super) fn out_names(&self) -> Vec<String> {
        self.named(&self.out())
    }

    pub(super) fn named(&self, crew: &[usize]) -> Vec<String> {
        crew.iter()
            .filter_map(|&at| self.facts.plan.crew.get(at))
            .map(|one| one.name.clone())
            .collect()
    }

    /// Whether the reader is one of the crew.
    pub(super) fn to_crew(&self) -> bool {
        matches!(self.order.to, Recipient::Crew(_))
    }

    /// The reader, if a contact.
    pub(super) fn reading_contact(&self) -> Option<(usize, &'a Contact)> {
        match self.order.to {
            Recipient::Contact(at) => Some((at, self.facts.plan.contacts.get(at)?)),
            _ => None,
        }
    }

    /// The number of the event that owes this letter.
    pub(super) fn event(&self) -> Option<u32> {
        match self.order.cause {
            Cause::Event(number) => Some(number),
            Cause::Rung(_) | Cause::Repeat(_) => None,
        }
    }

    /// When that event happened; when the letter was ordered, where that is not known.
    pub(super) fn happened_at(&self) -> DateTime<Utc> {
        let past = self.event().and_then(|number| self.facts.past(number));
        past.map_or(self.facts.queued_at, |past| past.at)
    }

    /// Whom to call.
    pub(super) fn rescue(&self) -> Vec<Callee> {
        rescue::choose(self.facts.rescue, self.facts.plan.launch.position)
    }

    /// The service's name.
    pub(super) fn service(&self) -> String {
        words::name(self.facts.service_name)
    }

    /// The link to the reader's page, after what it is for.
    pub(super) fn link(&self, purpose: &str) -> Option<Block> {
        let page = self.facts.page?;
        let note = "Opening it changes nothing; what you do there asks for your name first.";
        Some(Block::Link(format!("{purpose} {note}"), words::clean(page)))
    }

    /// The crew's telephones, or that the plan has none: one line each of those still out.
    pub(super) fn phones(&self) -> Vec<String> {
        let out = self.out().into_iter().filter_map(|at| self.facts.plan.crew.get(at));
        out.map(|one| match &one.phone {
            Some(phone) => format!("{} {}", words::name(&one.name), words::phone(phone)),
            None => format!("{} (no telephone told)", words::name(&one.name)),
        })
        .collect()
    }

    pub(super) fn has_phones(&self) -> bool {
        self.out()
            .iter()
            .any(|&at| self.facts.plan.crew.get(at).is_some_and(|one| one.phone.is_some()))
    }

    /// Where every point of the route is to be found.
    fn all_points(&self) -> &'static str {
        match (self.facts.rescue_page, self.facts.page) {
            (Some(_), _) => {
                "they stand on the page for the rescue service, and in the route files (GPX and \
                 GeoJSON) there and, where it has room, with this letter"
            }
            (None, Some(_)) => "they stand on your page",
            (None, None) => "the service's keeper has them",
        }
    }

    /// The whole plan.
    pub(super) fn whole_plan(&self) -> Vec<Block> {
        let disclosure = self.disclosure();
        let reader = match self.to_crew() && !disclosure.is_for_rescue() {
            true => Reader::Crew,
            false => Reader::Ashore,
        };
        let now = disclosure.is_for_rescue().then_some(self.now);
        let elsewhere = Some(self.all_points());
        let brief = brief::write(self.facts, Form { reader, disclosure, now, elsewhere });
        let mut blocks = listed(brief.sections);
        blocks.push(Block::Section("Not told in this plan".to_owned()));
        blocks.push(Block::para(if self.to_crew() {
            "A rescue service will ask for these, and your contacts can't answer:"
        } else {
            "If asked for these, and you don't know either, say \"I don't know\":"
        }));
        blocks.push(Block::List(brief.not_told));
        blocks
    }
}

/// Sections of a brief in a letter.
pub(super) fn listed(sections: Vec<Section>) -> Vec<Block> {
    sections
        .into_iter()
        .flat_map(|one| [Block::Section(one.title), Block::Rows(one.rows)])
        .collect()
}
