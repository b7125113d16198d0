//! People who have not asked to hear of us: how often they may be named, when they are asked whether
//! they are willing, and that they can say never.

use chrono::{DateTime, Days, NaiveTime, TimeDelta, TimeZone, Utc};
use chrono_tz::Tz;

use super::filing::FilingError;
use super::{Daemon, Visit};
use crate::caution::{self, Caution};
use crate::plan::{Contact, CrewMember, Plan};
use crate::settings::Limits;
use crate::store::{Reader, StoreError, Strangers, Unwanted};
use crate::watch::{Answer, Cause, Event, Kind, Order, Recipient, Refusal};

/// By day, on the clocks of the launch: from eight in the morning to eight in the evening (common
/// practice, no source).
const DAY: (u32, u32) = (8, 20);
/// How many are asked at a look.
const MOST_ASKED: u32 = 50;

impl Daemon {
    /// What a filing of this plan may ask of people who have never answered.
    ///
    /// # Errors
    /// The database.
    pub(super) async fn strangers(
        &self,
        plan: &Plan,
        key_id: &str,
        now: DateTime<Utc>,
    ) -> Result<Strangers, StoreError> {
        let limits = &self.0.house.limits;
        Ok(Strangers {
            key_id: key_id.to_owned(),
            most_by_key: limits.filings_per_key_per_hour,
            by_key_since: now - TimeDelta::hours(1),
            most_open: most_open(limits),
            most_naming: limits.filings_per_address_per_day,
            since: now - TimeDelta::days(1),
            most_of_key: most_strangers(limits),
            crew: self.crew_hashes(plan),
            ask_at: (limits.confirmations_per_address_per_day > 0)
                .then(|| by_day(plan.times.zone, now)),
            confirmed: self.confirmed(contacts(plan).chain(crew(plan))).await?,
        })
    }

    /// Those of these who have answered from the very address, or from the one that speaks for it. A
    /// yes from `name+x` is not one from `name`.
    async fn confirmed(
        &self,
        people: impl Iterator<Item = (Recipient, &str)>,
    ) -> Result<Vec<Recipient>, StoreError> {
        let all: Vec<(Recipient, Reader)> =
            people.map(|(who, email)| (who, self.0.secrets.reader(email))).collect();
        let hashes = all.iter().flat_map(|(_, one)| [one.mailbox.clone(), one.hash.clone()]);
        let known = self.store().confirmed_among(&hashes.collect::<Vec<_>>()).await?;
        let is_known =
            |one: &Reader| [&one.mailbox, &one.hash].into_iter().any(|hash| known.contains(hash));
        Ok(all.iter().filter(|(_, one)| is_known(one)).map(|(who, _)| *who).collect())
    }

    /// The same of a plan's contacts.
    pub(super) async fn confirmed_contacts(
        &self,
        plan: &Plan,
    ) -> Result<Vec<Recipient>, StoreError> {
        self.confirmed(contacts(plan)).await
    }

    /// Remembers that somebody has answered on the page of this contact.
    pub(super) async fn confirm(&self, plan_ref: &str, contact: usize) -> Result<(), StoreError> {
        let plan = self.plan_of(&self.store().plan(plan_ref).await?)?;
        let Some(contact) = plan.contacts.get(contact) else { return Ok(()) };
        let reader = self.0.secrets.reader(&contact.email);
        self.store().confirm(&reader, self.now()).await
    }

    fn crew_hashes(&self, plan: &Plan) -> Vec<(usize, String)> {
        let crew = plan.crew.iter().enumerate();
        crew.filter_map(|(at, one)| Some((at, self.0.secrets.address_hash(one.email.as_deref()?))))
            .collect()
    }

    /// Nobody is named who wants no letters, and nobody who has never answered is named too often.
    pub(super) async fn check_naming(
        &self,
        contacts: impl Iterator<Item = &Contact>,
    ) -> Result<(), FilingError> {
        let day_ago = self.now() - TimeDelta::days(1);
        let most = self.0.house.limits.filings_per_address_per_day;
        for contact in contacts {
            let reader = self.0.secrets.reader(&contact.email);
            if self.store().wants_no_letters(&reader).await? {
                return Err(FilingError::WantsNoLetters { contact: contact.name.clone() });
            }
            let named = self.store().filings_naming_unconfirmed(&reader.counted, day_ago).await?;
            // Looked at again, and in full, by the transaction that files.
            if named >= i64::from(most)
                && self.store().confirmed_among(&[reader.mailbox, reader.hash]).await?.is_empty()
            {
                return Err(FilingError::TooManyNaming { contact: contact.name.clone(), most });
            }
        }
        Ok(())
    }

    /// A "never" is for letters, whatever a plan calls its reader.
    pub(super) async fn check_crew(
        &self,
        crew: impl Iterator<Item = &CrewMember>,
    ) -> Result<(), FilingError> {
        for one in crew {
            let Some(email) = &one.email else { continue };
            if self.store().wants_no_letters(&self.0.secrets.reader(email)).await? {
                return Err(FilingError::CrewWantsNoLetters { member: one.name.clone() });
            }
        }
        Ok(())
    }

    /// The caution that contacts have never answered; none when all have, or none can be asked.
    pub(super) async fn unconfirmed(&self, plan: &Plan) -> Option<Caution> {
        let confirmed = self.confirmed_contacts(plan).await.unwrap_or_else(|error| {
            // What can't be looked up is not known, and that is told.
            tracing::warn!(%error, "who has confirmed can't be looked up");
            Vec::new()
        });
        let contacts = plan.contacts.iter().enumerate();
        let unknown = contacts.filter(|(at, _)| !confirmed.contains(&Recipient::Contact(*at)));
        caution::unconfirmed(&unknown.map(|(_, one)| one.name.as_str()).collect::<Vec<_>>())
    }

    /// The reader of a contact's page never wants to be written to: the address is noted for good,
    /// and every open plan that names it is marked, each crew being told.
    ///
    /// # Errors
    /// The database; then nothing may be said to be done.
    pub async fn never_write_to(&self, visit: &Visit) -> Result<(), StoreError> {
        let contact = visit.dossier.plan.contacts.get(visit.link.who);
        let contact = contact.ok_or(StoreError::Refused(Refusal::Nobody))?;
        let reader = self.0.secrets.reader(&contact.email);
        self.store().never_write_to(&reader, self.now()).await?;
        let (plan_ref, who) = (&visit.dossier.record.plan_ref, visit.link.who);
        self.mark_unwanted(plan_ref, who).await?;
        self.mark_all_unwanted().await
    }

    /// Marks every open plan that names somebody who wants no letters. What is marked already is
    /// left alone, and so is whoever reads at another address than the one it was said at: nobody
    /// keeps an alert from another's mailbox.
    pub(super) async fn mark_all_unwanted(&self) -> Result<(), StoreError> {
        let mut trouble = None;
        for unwanted in self.store().unwanted_in_open_plans().await? {
            let (plan, contact) = (&unwanted.plan_ref, unwanted.contact);
            let marked = match self.is_to_be_marked(&unwanted).await {
                Ok(true) => self.mark_unwanted(plan, contact).await,
                Ok(false) => Ok(()),
                Err(error) => {
                    tracing::warn!(plan, %error, "whether a contact is to be marked can't be told");
                    Ok(())
                }
            };
            // One plan that can't be moved keeps no other's reader from being left alone.
            if let Err(error) = marked {
                tracing::warn!(plan, %error, "a contact can't be marked now");
                trouble = trouble.or(Some(error));
            }
        }
        trouble.map_or(Ok(()), Err)
    }

    async fn is_to_be_marked(&self, unwanted: &Unwanted) -> Result<bool, StoreError> {
        let record = self.store().plan(&unwanted.plan_ref).await?;
        let state = record.state.contacts.get(unwanted.contact);
        if state.is_none_or(|one| one.opted_out.is_some()) {
            return Ok(false);
        }
        let plan = self.plan_of(&record)?;
        let contact = plan.contacts.get(unwanted.contact);
        let reader = contact.map(|one| self.0.secrets.reader(&one.email));
        Ok(reader.is_some_and(|one| [one.mailbox, one.hash].contains(&unwanted.said_by)))
    }

    async fn mark_unwanted(&self, plan_ref: &str, contact: usize) -> Result<(), StoreError> {
        let record = self.store().plan(plan_ref).await?;
        let plan = self.plan_of(&record)?;
        let name = plan.contacts.get(contact).map(|one| one.name.clone()).unwrap_or_default();
        let event = Event::Answered { contact, name, answer: Answer::Never };
        self.act(plan_ref, &event, None).await?;
        tracing::info!(plan = plan_ref, contact = contact + 1, "a contact wants no letters");
        Ok(())
    }

    /// Asks those whose time has come.
    pub(super) async fn ask_strangers(&self) {
        match self.store().ask_strangers(self.now(), MOST_ASKED).await {
            Ok(0) => {}
            Ok(asked) => {
                tracing::info!(asked, "contacts are asked whether they are willing");
                self.ring();
            }
            Err(error) => tracing::warn!(%error, "contacts can't be asked now"),
        }
    }

    /// Sends a contact an exercise.
    ///
    /// # Errors
    /// [`StoreError::Refused`] for whoever is not asked, for one who wants no letters and for a
    /// closed plan; or the database.
    pub async fn drill(&self, plan_ref: &str, contact: usize) -> Result<(), StoreError> {
        let state = self.store().plan(plan_ref).await?.state;
        if state.is_closed() {
            return Err(Refusal::Closed.into());
        }
        let one = state.contacts.get(contact).filter(|_| state.is_asked(contact));
        let one = one.ok_or(StoreError::Refused(Refusal::Nobody))?;
        if one.opted_out.is_some() {
            return Err(Refusal::NoLetters.into());
        }
        let now = self.now();
        // One for each minute: whoever asks twice at once means one.
        let minute = u32::try_from(now.timestamp().div_euclid(60)).unwrap_or(u32::MAX);
        let order = Order {
            round: state.round,
            cause: Cause::Repeat(minute),
            to: Recipient::Contact(contact),
            kind: Kind::Drill,
            scheduled_at: now,
        };
        self.store().order_letter(plan_ref, order, now).await?;
        self.ring();
        Ok(())
    }
}

/// So many people in a day who have never answered are named by one key's plans: two hundred, or ten for
/// each plan that it may file in an hour where those are more (common sense, no source).
pub(super) fn most_strangers(limits: &Limits) -> u32 {
    limits.filings_per_key_per_hour.saturating_mul(10).max(200)
}

/// A key has no more plans open than it may file in a day: else it could lay up so many for one moment
/// that every other's alerts would wait behind theirs for good.
pub(super) fn most_open(limits: &Limits) -> i64 {
    i64::from(limits.filings_per_key_per_hour) * 24
}

fn contacts(plan: &Plan) -> impl Iterator<Item = (Recipient, &str)> {
    let contacts = plan.contacts.iter().enumerate();
    contacts.map(|(at, one)| (Recipient::Contact(at), one.email.as_str()))
}

fn crew(plan: &Plan) -> impl Iterator<Item = (Recipient, &str)> {
    let crew = plan.crew.iter().enumerate();
    crew.filter_map(|(at, one)| Some((Recipient::Crew(at), one.email.as_deref()?)))
}

/// Now, or the next morning.
fn by_day(zone: Tz, now: DateTime<Utc>) -> DateTime<Utc> {
    let local = now.with_timezone(&zone);
    let clock = |hour| NaiveTime::from_hms_opt(hour, 0, 0).unwrap_or_default();
    let (begins, ends) = (clock(DAY.0), clock(DAY.1));
    if (begins..ends).contains(&local.time()) {
        return now;
    }
    let today = local.date_naive();
    let day = match local.time() < begins {
        true => Some(today),
        false => today.checked_add_days(Days::new(1)),
    };
    // A morning that a change of the clocks leaves out is an hour later.
    let morning = day.map(|day| day.and_time(begins));
    morning
        .and_then(|morning| {
            let later = morning + TimeDelta::hours(1);
            zone.from_local_datetime(&morning)
                .earliest()
                .or_else(|| zone.from_local_datetime(&later).earliest())
        })
        .map_or(now, |morning| morning.with_timezone(&Utc))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Offsets of the IANA database: Los Angeles is UTC-7 in June, Auckland UTC+12.
    #[test]
    fn contacts_are_asked_by_day_on_the_clocks_of_the_launch() {
        for (zone, now, asked) in [
            (Tz::America__Los_Angeles, "2026-06-14T15:00:00Z", "2026-06-14T15:00:00Z"),
            (Tz::America__Los_Angeles, "2026-06-14T14:59:59Z", "2026-06-14T15:00:00Z"),
            (Tz::America__Los_Angeles, "2026-06-15T03:00:00Z", "2026-06-15T15:00:00Z"),
            (Tz::America__Los_Angeles, "2026-06-15T02:59:59Z", "2026-06-15T02:59:59Z"),
            (Tz::Pacific__Auckland, "2026-06-14T13:00:00Z", "2026-06-14T20:00:00Z"),
        ] {
            let at = |text: &str| text.parse::<DateTime<Utc>>().unwrap();
            assert_eq!(by_day(zone, at(now)), at(asked), "{zone} {now}");
        }
    }
}
