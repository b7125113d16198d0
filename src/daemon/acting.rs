//! What people do with a plan once it is armed, by key or by link.

use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use tokio::time::timeout;

use super::Daemon;
use super::emergency::LONGEST_READ;
use super::secrets::{is_same, token_hash};
use crate::guarded::{guarded, to_its_end};
use crate::letter::Facts;
use crate::plan::{MOST_CREW, Plan};
use crate::review::Review;
use crate::store::{Applied, Key, Link, PlanRecord, Purpose, Read, StoreError};
use crate::watch::{Answer, Event, Past, Phase, Recipient, step};

/// For how long after its closing a plan's links still open: as long as the closing can be taken
/// back.
pub(super) const LINKS_OUTLIVE_CLOSING: TimeDelta = TimeDelta::hours(24);

/// A write that takes longer may never end, as on a disk that hangs: then what it says is heard all the
/// same. Sooner than alerts go from memory.
const LONGEST_WRITE: Duration = Duration::from_secs(4);

/// So many places of contacts are tried for a rescue service's link.
const MOST_PLACES: usize = 256;

/// A plan opened by a link.
#[derive(Clone, Debug)]
pub struct Visit {
    /// What the link is for, and whose it is.
    pub link: Link,
    /// All about the plan.
    pub dossier: Dossier,
}

/// All that is known of a plan.
#[derive(Clone, Debug)]
pub struct Dossier {
    /// The plan's row: its ref and its state.
    pub record: PlanRecord,
    /// The newest version of the plan, with everybody in their place for life.
    pub plan: Plan,
    /// Its review; `None` where that can't be read any more.
    pub review: Option<Review>,
    /// What has happened to it.
    pub history: Vec<Past>,
}

impl Dossier {
    /// What is known of a plan that was read.
    pub(super) fn of(daemon: &Daemon, (record, history): Read) -> Result<Self, StoreError> {
        let plan = daemon.plan_of(&record)?;
        let review = stored_review(&record);
        Ok(Dossier { record, plan, review, history })
    }
}

/// A plan's stored review; `None` where it can't be read: a letter says all without.
pub(super) fn stored_review(record: &PlanRecord) -> Option<Review> {
    guarded(|| serde_json::from_str(&record.review_json).ok()).ok().flatten()
}

impl Daemon {
    /// The key in force with this secret.
    ///
    /// # Errors
    /// The database.
    pub async fn key(&self, secret: &str) -> Result<Option<Key>, StoreError> {
        self.store().key(&token_hash(secret)).await
    }

    /// Opens the plan behind a link for one purpose; `None` for a link that is unknown, meant for
    /// something else, or expired: nobody can tell which.
    ///
    /// # Errors
    /// Damage, or the database.
    pub async fn visit(&self, token: &str, purpose: Purpose) -> Result<Option<Visit>, StoreError> {
        let (hash, before) = (token_hash(token), self.now() - LINKS_OUTLIVE_CLOSING);
        let Some((plan_ref, link)) = self.store().link(&hash, before).await? else {
            return Ok(None);
        };
        if link.purpose != purpose {
            return Ok(None);
        }
        let key_id = self.store().filed_by(&plan_ref).await?.unwrap_or_default();
        let _turn = self.0.viewings.reading(&hash, &key_id).await;
        let dossier = self.dossier_at_hand(&plan_ref).await?;
        Ok(Some(Visit { link, dossier }))
    }

    /// Moves a plan by an event; an idempotency key that the plan has seen changes nothing. Whoever asked
    /// may go meanwhile, as a telephone does: what is written all the same is known here all the same.
    ///
    /// # Errors
    /// [`StoreError::Refused`] with what a paddler is told, or the database.
    pub async fn act(
        &self,
        plan_ref: &str,
        event: &Event,
        idempotency: Option<&str>,
    ) -> Result<Applied, StoreError> {
        let (daemon, plan_ref, event) = (self.clone(), plan_ref.to_owned(), event.clone());
        let once = idempotency.map(str::to_owned);
        to_its_end(async move { daemon.carry_out(&plan_ref, &event, once.as_deref()).await }).await
    }

    async fn carry_out(
        &self,
        plan_ref: &str,
        event: &Event,
        idempotency: Option<&str>,
    ) -> Result<Applied, StoreError> {
        let mut writing = pin!(self.write_down(plan_ref, event, idempotency));
        let in_time = timeout(LONGEST_WRITE, &mut writing).await;
        let heard_already = in_time.is_err();
        if heard_already {
            self.hear(plan_ref, event, idempotency).await;
        }
        let applied = match in_time {
            Ok(applied) => applied,
            Err(_) => writing.await,
        };
        let transient = applied.as_ref().is_err_and(StoreError::is_transient);
        if transient && !heard_already {
            self.hear(plan_ref, event, idempotency).await;
        }
        if heard_already && !transient && applied.is_err() {
            // It was heard, and does not hold.
            self.forget_words(plan_ref).await;
        }
        let applied = applied?;
        let reopened = matches!(event, Event::Undone { .. }) && !applied.state.is_closed();
        // A closed plan was forgotten; one that is open again must alert without the database too.
        match reopened && self.is_read_anew(plan_ref).await {
            true => self.0.memory.owe(plan_ref, &applied.orders),
            false => self.0.memory.follow(plan_ref, &applied),
        }
        self.ring();
        // Whoever answers a letter has shown that the address is theirs. That this could not be
        // written down must not make anybody think that their answer was lost.
        if let Event::Answered { contact, answer, .. } = event
            && !matches!(answer, Answer::CantAct | Answer::Never)
            && let Err(error) = self.confirm(plan_ref, *contact).await
        {
            tracing::warn!(plan = plan_ref, %error, "an address that answered can't be marked so");
        }
        Ok(applied)
    }

    async fn write_down(
        &self,
        plan_ref: &str,
        event: &Event,
        idempotency: Option<&str>,
    ) -> Result<Applied, StoreError> {
        let store = self.store();
        self.record_sent_of(plan_ref).await;
        match store.apply(plan_ref, event, idempotency, self.now()).await {
            // What was set aside for a full disk has just been given back.
            Err(StoreError::DiskFull) => {
                store.apply(plan_ref, event, idempotency, self.now()).await
            }
            other => other,
        }
    }

    /// What can't be written is heard in memory, unless it is written already: it may have been taken
    /// back since. Where that can't be read it is heard, for a crew that is ashore should alarm nobody;
    /// but not where a closing of this plan was taken back, for then it may be that one, and a missed
    /// alert is worse.
    async fn hear(&self, plan_ref: &str, event: &Event, once: Option<&str>) {
        let memory = &self.0.memory;
        if let Some(once) = once {
            let seen = timeout(LONGEST_READ, self.store().has_seen(plan_ref, once)).await;
            if matches!(seen, Ok(Ok(true)))
                || (!matches!(seen, Ok(Ok(_))) && memory.was_reopened(plan_ref))
            {
                return;
            }
        }
        memory.hear(plan_ref, event, once, self.now());
    }

    async fn forget_words(&self, plan_ref: &str) {
        let reading = self.0.memory.begin_reading(plan_ref);
        match self.store().plan(plan_ref).await {
            Ok(record) => reading.replace(record),
            Err(error) => {
                tracing::warn!(plan = plan_ref, %error, "a plan is not in memory as it stands");
            }
        }
    }

    async fn is_read_anew(&self, plan_ref: &str) -> bool {
        self.read_anew(plan_ref)
            .await
            .inspect_err(|error| {
                tracing::warn!(plan = plan_ref, %error, "a plan is not in memory as it stands");
            })
            .is_ok()
    }

    /// Opens a plan for a rescue service, by the link that one of its contacts was sent; `None` for
    /// a link that is wrong, expired, or of a contact who is no longer asked: nobody can tell which.
    ///
    /// # Errors
    /// Damage, or the database.
    pub async fn rescue_visit(
        &self,
        plan_ref: &str,
        token: &str,
    ) -> Result<Option<Visit>, StoreError> {
        // Nothing is read for whoever holds no token of this plan.
        let Some(who) = self.place_for_rescue(plan_ref, token) else { return Ok(None) };
        let dossier = match self.dossier_at_hand(plan_ref).await {
            // It was forgotten: as if it had never been.
            Err(StoreError::NoSuchPlan) => return Ok(None),
            other => other?,
        };
        let state = &dossier.record.state;
        let expired = match state.phase {
            Phase::Closed(closing) => self.now() > closing.at + LINKS_OUTLIVE_CLOSING,
            Phase::Armed | Phase::Overdue => false,
        };
        let open = !expired && state.is_asked(who);
        let link = Link { purpose: Purpose::Rescue, who };
        Ok(open.then_some(Visit { link, dossier }))
    }

    /// The place of the contact who was sent this link for a rescue service.
    pub(super) fn place_for_rescue(&self, plan_ref: &str, token: &str) -> Option<usize> {
        let link = |who| Link { purpose: Purpose::Rescue, who };
        (0..MOST_PLACES).find(|&who| self.0.secrets.is_token(plan_ref, &link(who), token))
    }

    /// The page for a rescue service, in the alerts of one contact.
    #[must_use]
    pub fn rescue_page_of(&self, plan_ref: &str, reader: Recipient) -> Option<String> {
        let Recipient::Contact(who) = reader else { return None };
        let token = self.0.secrets.token(plan_ref, &Link { purpose: Purpose::Rescue, who });
        (who < MOST_PLACES).then(|| format!("{}/rescue/{plan_ref}/{token}", self.0.house.base_url))
    }

    /// The digits of one of the crew, to be said beside the plan's ref by whoever checks all of them
    /// in.
    #[must_use]
    pub fn spoken_code(&self, plan_ref: &str, who: usize) -> String {
        self.0.secrets.spoken(plan_ref, who)
    }

    /// The same with eight more behind it, which count where the six were guessed at too often.
    #[must_use]
    pub fn spoken_code_whole(&self, plan_ref: &str, who: usize) -> String {
        self.0.secrets.spoken_whole(plan_ref, who)
    }

    /// The places of the crew whose digits these are, on the trip or not: as long to find out for a
    /// plan that there is as for any other text.
    #[must_use]
    pub fn whose_code(&self, plan_ref: &str, digits: &str) -> Vec<usize> {
        let code = |who| match digits.len() {
            6 => Some(self.spoken_code(plan_ref, who)),
            14 => Some(self.spoken_code_whole(plan_ref, who)),
            _ => None,
        };
        (0..MOST_CREW).filter(|&who| code(who).is_some_and(|code| is_same(&code, digits))).collect()
    }

    /// The page of one reader: where their letters send them.
    #[must_use]
    pub fn page_of(&self, plan_ref: &str, reader: Recipient) -> Option<String> {
        let (folder, purpose, who) = match reader {
            Recipient::Crew(who) => ("crew", Purpose::Crew, who),
            Recipient::Contact(who) => ("contact", Purpose::Contact, who),
            Recipient::Keeper => return None,
        };
        let token = self.0.secrets.token(plan_ref, &Link { purpose, who });
        Some(format!("{}/{folder}/{token}", self.0.house.base_url))
    }

    /// The page on which a contact says whether they are willing, which tells nothing of the trip.
    #[must_use]
    pub fn confirm_page(&self, plan_ref: &str, contact: usize) -> String {
        let link = Link { purpose: Purpose::Confirm, who: contact };
        format!("{}/confirm/{}", self.0.house.base_url, self.0.secrets.token(plan_ref, &link))
    }

    /// All that is known of a plan.
    ///
    /// # Errors
    /// [`StoreError::NoSuchPlan`], damage, or the database.
    pub async fn dossier(&self, plan_ref: &str) -> Result<Dossier, StoreError> {
        let record = self.store().plan(plan_ref).await?;
        Dossier::of(self, (record, self.store().history(plan_ref).await?))
    }

    /// The same for a page: whoever wants to check in or to answer must be able to where what has
    /// happened so far can't be read.
    ///
    /// # Errors
    /// [`StoreError::NoSuchPlan`], damage of the plan itself, or the database.
    pub async fn dossier_at_hand(&self, plan_ref: &str) -> Result<Dossier, StoreError> {
        let record = self.store().plan(plan_ref).await?;
        Dossier::of(self, (record, self.history(plan_ref).await))
    }

    /// What has happened to a plan, oldest first; nothing where that can't be read, which is logged.
    /// For what is done with it or without, and never for what depends on it.
    pub async fn history(&self, plan_ref: &str) -> Vec<Past> {
        self.store().history(plan_ref).await.unwrap_or_else(|error| {
            tracing::error!(plan = plan_ref, %error, "what has happened can't be read; it goes on without");
            Vec::new()
        })
    }

    /// Whether this was done already, so that doing it again changes nothing: it comes under a key
    /// that the plan has seen, or it is an ending of what has ended. In doubt it was: the plan itself
    /// tells then. `None` is a new version of the plan.
    pub async fn is_done(&self, plan_ref: &str, event: Option<&Event>, once: Option<&str>) -> bool {
        let store = self.store();
        if let Some(once) = once
            && store.has_seen(plan_ref, once).await.unwrap_or(true)
        {
            return true;
        }
        let Some(event @ (Event::CheckedIn { .. } | Event::CalledOff { .. })) = event else {
            return false;
        };
        let Ok(record) = store.plan(plan_ref).await else { return true };
        step(&record.state, event, self.now()).is_ok_and(|next| !next.changed)
    }

    /// All that a letter or a page about a plan may say; `page` is its reader's own link, and
    /// `queued_at` the time at which the letter was ordered.
    #[must_use]
    pub fn facts<'a>(
        &'a self,
        dossier: &'a Dossier,
        page: Option<&'a str>,
        queued_at: DateTime<Utc>,
    ) -> Facts<'a> {
        Facts {
            service_name: &self.0.house.name,
            plan_ref: &dossier.record.plan_ref,
            filed_at: dossier.record.filed_at,
            plan: &dossier.plan,
            watched: &dossier.record.state,
            history: &dossier.history,
            review: dossier.review.as_ref(),
            latest: None,
            rescue: &self.0.house.rescues,
            page,
            rescue_page: None,
            has_chart: false,
            queued_at,
            from_memory: false,
            clocks_apart: self.clocks_apart(),
        }
    }

    /// The same for a page about the trip as it is now.
    #[must_use]
    pub fn facts_now<'a>(&'a self, dossier: &'a Dossier, latest: Option<&'a Review>) -> Facts<'a> {
        Facts { latest, ..self.facts(dossier, None, self.now()) }
    }

    /// What was last heard of the weather at this plan's route, if that still says something.
    #[must_use]
    pub fn latest(&self, record: &PlanRecord) -> Option<Arc<Review>> {
        self.0.latest.of(record, self.now())
    }
}
