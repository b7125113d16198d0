//! From a plan to an armed one: nothing is called filed before it is on the disk.

use std::fmt;

use chrono::{DateTime, TimeDelta, Utc};
use thiserror::Error;

use super::judging::For;
use super::secrets::{SecretsError, new_ref, token_hash};
use super::strangers::{most_open, most_strangers};
use super::{Daemon, PlanStatus};
use crate::guarded::to_its_end;
use crate::plan::{Faults, Plan};
use crate::review::Review;
use crate::store::{
    Card, Filing, Key, LetterFate, LetterState, Link, Mailed, PlanRecord, Purpose, StoreError,
};
use crate::watch::{Order, Terms, Watched};

/// A plan that is armed.
#[derive(Clone, Debug)]
pub struct Filed {
    /// Where it stands, with the fate of its letters.
    pub status: PlanStatus,
    /// Its review at filing, in the form of the answer to a review.
    pub review: serde_json::Value,
    /// The links of the device that filed it.
    pub links: Links,
}

/// The links that the filing device alone holds.
#[derive(Clone)]
pub struct Links {
    /// The crew's page.
    pub crew: String,
    /// Checks in.
    pub checkin: String,
    /// Extends.
    pub extend: String,
    /// Calls the trip off.
    pub cancel: String,
    /// Amends.
    pub amend: String,
}

/// It holds private text, so it can't print itself.
impl fmt::Debug for Links {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("Links")
    }
}

/// Why a plan is not armed.
#[derive(Debug, Error)]
pub enum FilingError {
    /// The plan itself.
    #[error("{0}")]
    Faults(Faults),
    /// This key has filed too many plans in an hour.
    #[error("this key has filed {0} plans within an hour; wait, or ask the keeper for more")]
    TooManyByKey(u32),
    /// This key has too many plans open.
    #[error(
        "this key has {0} plans open, or twice as many with those closed within a day, and no more \
         are taken: end those that are over, by a check-in or by calling them off, wait a day, or \
         ask the keeper for another key"
    )]
    TooManyOpen(i64),
    /// This key's line of plans that are being judged is full.
    #[error(
        "very many plans of this key are on their way at once; wait a moment and send it again"
    )]
    TooManyAtOnce,
    /// Too many plans a day name an address that has never answered.
    #[error(
        "{contact} has been named {most} times within a day or in trips that are not over, or twice \
         as often with those closed within a day, and has never answered; have them open one of our letters and say on its page that they have it, or \
         name somebody else"
    )]
    TooManyNaming {
        /// Which contact.
        contact: String,
        /// The limit.
        most: u32,
    },
    /// Too many plans a day name an address of the crew.
    #[error(
        "{member} has been named {most} times within a day or in trips that are not over, or twice \
         as often with those closed within a day, and no more is written to one address; leave out the email of this crew member, who can check in \
         by the link of whoever files"
    )]
    TooManyOfCrew {
        /// Which member.
        member: String,
        /// The limit.
        most: u32,
    },
    /// This key's plans name too many people a day who have never answered.
    #[error(
        "with these, this key has named more than {0} people who have never answered, within a day or \
         in trips that are not over, or twice as many with those closed within a day; name those who have said on our page that they have a letter, \
         leave out addresses of the crew, or ask the keeper for more"
    )]
    TooManyStrangers(u32),
    /// A contact has asked never to be written to.
    #[error(
        "{contact} has asked this service never to write to them, so nobody would be told there; \
         name somebody else who has agreed"
    )]
    WantsNoLetters {
        /// Which contact.
        contact: String,
    },
    /// Whoever reads at the address of one of the crew has asked never to be written to.
    #[error(
        "whoever reads at the address of {member} has asked this service never to write to it; \
         leave out the email of this crew member, who can check in by the link of whoever files"
    )]
    CrewWantsNoLetters {
        /// Which member.
        member: String,
    },
    /// The disk is nearly full: what is left is kept for the plans that are armed.
    #[error(
        "the service has no room left for another plan, so this one is NOT filed: nobody watches \
         this trip. Tell somebody ashore yourself when to worry, and tell the keeper"
    )]
    DiskFull,
    /// The same filing came before, and what was armed then can't be read now.
    #[error(
        "this plan IS armed, as {plan_ref}, and it is watched; only the answer can't be put \
         together now. Ask again in a moment, and tell the keeper"
    )]
    Unreadable {
        /// The ref of the plan that is armed.
        plan_ref: String,
        /// Why it can't be read.
        source: StoreError,
    },
    /// The database.
    #[error(transparent)]
    Store(StoreError),
    /// No random numbers for its ref.
    #[error(transparent)]
    Secrets(#[from] SecretsError),
}

impl From<StoreError> for FilingError {
    fn from(error: StoreError) -> Self {
        match error {
            StoreError::DiskFull => FilingError::DiskFull,
            error => FilingError::Store(error),
        }
    }
}

impl Daemon {
    /// Judges a plan without filing it; `None` where this key has too many judged already.
    pub async fn review(&self, key_id: &str, plan: &Plan) -> Option<Review> {
        let place = self.0.hands.askers.enter(key_id)?;
        Some(self.review_for(plan, For::Asking(place.turn().await)).await)
    }

    /// Judges a plan that is filed, or was.
    pub(super) async fn review_for(&self, plan: &Plan, what_for: For) -> Review {
        let mut review = self.judged(plan, what_for).await;
        if let Some(caution) = self.unconfirmed(plan).await {
            review.quiet.retain(|id| *id != caution.id);
            review.cautions.push(caution);
            review.cautions.sort_by_key(|caution| std::cmp::Reverse(caution.level));
        }
        review
    }

    /// Files a plan: judged, then armed and its letters queued in one transaction. The same key
    /// with the same idempotency key and body gets the first filing again.
    ///
    /// # Errors
    /// [`FilingError`]; nothing is then armed.
    pub async fn file(
        &self,
        key: &Key,
        plan: &Plan,
        idempotency: Option<&str>,
        body: &[u8],
    ) -> Result<Filed, FilingError> {
        let body_hash = self.0.secrets.body_mark(body)?;
        if let Some(idempotency) = idempotency
            && let Some(first) = self.store().filed_before(&key.id, idempotency, &body_hash).await?
        {
            return self.filed(&first).await;
        }
        plan.check_filing(self.now()).map_err(FilingError::Faults)?;
        if self.store().is_low() {
            return Err(FilingError::DiskFull);
        }
        self.check_limits(key, plan).await?;
        let place = self.0.hands.filers.enter(&key.id).ok_or(FilingError::TooManyAtOnce)?;
        let review = self.review_for(plan, For::Filing(Some(place.turn().await))).await;
        // The stations may have taken their time: the return must still lie ahead.
        let now = self.now();
        plan.check_filing(now).map_err(FilingError::Faults)?;
        let first = Watched::file(self.terms(plan), now);
        let plan_ref = new_ref()?;
        let record = PlanRecord {
            plan_json: self.stored_text(&plan_ref, plan).await?,
            review_json: to_json(&plan_ref, &review)?,
            state: first.plan.clone(),
            filed_at: now,
            key_id: key.id.clone(),
            plan_ref,
        };
        let strangers = self.strangers(plan, &key.id, now).await?;
        let (daemon, whole) = (self.clone(), plan.clone());
        let idempotency = idempotency.map(str::to_owned);
        let arming = async move {
            let plan_ref = &record.plan_ref;
            let reading = daemon.0.memory.begin_reading(plan_ref);
            let filing = Filing {
                plan_ref,
                plan_json: &record.plan_json,
                review_json: &record.review_json,
                first: &first,
                key_id: &record.key_id,
                idempotency: idempotency.as_deref(),
                body_hash: &body_hash,
                links: &daemon.link_hashes(plan_ref, &whole),
                addresses: &daemon.address_hashes(&whole),
                card: &card(&whole, &first.plan.asked()),
                strangers: Some(strangers),
            };
            let armed = daemon.store().file(&filing, now).await;
            if armed.as_ref().is_ok_and(|armed| armed == plan_ref) {
                daemon.ring();
                if !reading.remember(record.clone())
                    && let Err(error) = daemon.read_anew(plan_ref).await
                {
                    tracing::warn!(plan = plan_ref, %error, "a plan is not in memory as it stands");
                }
            }
            (armed, record, first)
        };
        let (armed, record, first) = to_its_end(arming).await;
        let armed = match armed {
            Err(StoreError::FiledTooOften) => {
                return Err(FilingError::TooManyByKey(
                    self.0.house.limits.filings_per_key_per_hour,
                ));
            }
            Err(StoreError::TooManyOpen) => {
                return Err(FilingError::TooManyOpen(most_open(&self.0.house.limits)));
            }
            Err(error) => return Err(self.named_too_often(plan, error)),
            Ok(armed) => armed,
        };
        if armed != record.plan_ref {
            // The same filing came a moment before.
            return self.filed(&armed).await;
        }
        tracing::info!(plan = armed, key = key.id, "a plan is armed");
        let letters = first.orders.iter().map(|order| queued(order, now)).collect();
        Ok(self.answer(&record, plan.clone(), letters))
    }

    /// The answer to a filing that came before.
    pub(super) async fn filed(&self, plan_ref: &str) -> Result<Filed, FilingError> {
        let unreadable = |source| FilingError::Unreadable { plan_ref: plan_ref.to_owned(), source };
        let record = self.read_anew(plan_ref).await.map_err(unreadable)?;
        let status = self.status_of(&record).await.map_err(unreadable)?;
        Ok(self.answer(&record, status.plan, status.letters))
    }

    /// Put together from what was written: once a plan is armed, nothing that fails may make its
    /// crew think that it is not.
    fn answer(&self, record: &PlanRecord, plan: Plan, letters: Vec<LetterFate>) -> Filed {
        let review = serde_json::from_str(&record.review_json).unwrap_or_default();
        let links = self.links(record);
        let status = PlanStatus {
            plan_ref: record.plan_ref.clone(),
            plan,
            state: record.state.clone(),
            filed_at: record.filed_at,
            key_id: record.key_id.clone(),
            letters,
        };
        Filed { status, review, links }
    }

    async fn check_limits(&self, key: &Key, plan: &Plan) -> Result<(), FilingError> {
        let limits = &self.0.house.limits;
        let hour_ago = self.now() - TimeDelta::hours(1);
        let filed = self.store().filings_by_key(&key.id, hour_ago).await?;
        if filed >= i64::from(limits.filings_per_key_per_hour) {
            return Err(FilingError::TooManyByKey(limits.filings_per_key_per_hour));
        }
        self.check_crew(plan.crew.iter()).await?;
        self.check_naming(plan.contacts.iter()).await
    }

    /// The store's refusal in the words of this plan.
    pub(super) fn named_too_often(&self, plan: &Plan, error: StoreError) -> FilingError {
        let most = self.0.house.limits.filings_per_address_per_day;
        match error {
            StoreError::NamedTooOften { contact } => {
                let name = plan.contacts.get(contact).map(|one| one.name.clone());
                FilingError::TooManyNaming { contact: name.unwrap_or_default(), most }
            }
            StoreError::CrewNamedTooOften { member } => {
                let name = plan.crew.get(member).map(|one| one.name.clone());
                FilingError::TooManyOfCrew { member: name.unwrap_or_default(), most }
            }
            StoreError::TooManyStrangers => {
                FilingError::TooManyStrangers(most_strangers(&self.0.house.limits))
            }
            error => error.into(),
        }
    }

    fn terms(&self, plan: &Plan) -> Terms {
        let ladder = self.0.house.ladder.clone();
        Terms {
            due_at: plan.times.return_by.at,
            grace: plan.times.grace.unwrap_or(ladder.grace()),
            ladder,
            crew: plan.crew.iter().map(|member| member.email.is_some()).collect(),
            contacts: plan.contacts.len(),
        }
    }

    fn links(&self, record: &PlanRecord) -> Links {
        let token = |purpose| self.0.secrets.token(&record.plan_ref, &Link { purpose, who: 0 });
        let base = &self.0.house.base_url;
        let who = record.state.on_trip().first().copied().unwrap_or(0);
        let crew = Link { purpose: Purpose::Crew, who };
        Links {
            crew: format!("{base}/crew/{}", self.0.secrets.token(&record.plan_ref, &crew)),
            checkin: format!("{base}/api/v1/checkin/{}", token(Purpose::CheckIn)),
            extend: format!("{base}/api/v1/extend/{}", token(Purpose::Extend)),
            cancel: format!("{base}/api/v1/cancel/{}", token(Purpose::Cancel)),
            amend: format!("{base}/api/v1/amend/{}", token(Purpose::Amend)),
        }
    }

    pub(super) fn link_hashes(&self, plan_ref: &str, plan: &Plan) -> Vec<(String, Link)> {
        let crew = (0..plan.crew.len()).map(|who| (Purpose::Crew, who));
        let contacts = (0..plan.contacts.len())
            .flat_map(|who| [(Purpose::Contact, who), (Purpose::Confirm, who)]);
        let device = [Purpose::CheckIn, Purpose::Extend, Purpose::Cancel, Purpose::Amend];
        crew.chain(contacts)
            .chain(device.map(|one| (one, 0)))
            .map(|(purpose, who)| {
                let link = Link { purpose, who };
                (token_hash(&self.0.secrets.token(plan_ref, &link)), link)
            })
            .collect()
    }

    pub(super) fn address_hashes(&self, plan: &Plan) -> Vec<String> {
        plan.contacts.iter().map(|contact| self.0.secrets.address_hash(&contact.email)).collect()
    }
}

fn queued(order: &Order, now: DateTime<Utc>) -> LetterFate {
    LetterFate {
        to: order.to,
        kind: order.kind,
        state: LetterState::Queued,
        queued_at: now,
        settled_at: None,
        note: None,
    }
}

pub(super) fn to_json<T: serde::Serialize>(
    plan_ref: &str,
    value: &T,
) -> Result<String, StoreError> {
    serde_json::to_string(value).map_err(|error| StoreError::Damaged {
        plan: plan_ref.to_owned(),
        why: error.to_string(),
        page: false,
    })
}

/// Whom a plan's letters go to, kept beside the plan.
pub(super) fn card(plan: &Plan, asked: &[usize]) -> Card {
    let mailed =
        |name: &str, email: &str| Mailed { name: name.to_owned(), email: email.to_owned() };
    let crew = plan.crew.iter();
    Card {
        contacts: plan.contacts.iter().map(|one| mailed(&one.name, &one.email)).collect(),
        crew: crew.map(|one| Some(mailed(&one.name, one.email.as_deref()?))).collect(),
        launch: Some(plan.launch.position),
        not_asked: (0..plan.contacts.len()).filter(|at| !asked.contains(at)).collect(),
    }
}
