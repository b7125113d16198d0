//! A filed plan replaced by a new version of itself, and plans judged anew when they are put off.

use std::time::Duration;

use chrono::{DateTime, Utc};
use tokio::time::timeout;

use super::acting::Dossier;
use super::differing::parts_changed;
use super::filing::{FilingError, card, to_json};
use super::judging::For;
use super::{Daemon, Filed};
use crate::caution::{Caution, worse};
use crate::guarded::to_its_end;
use crate::plan::{CrewMember, Faults, Moment, Placed, Plan, read_json};
use crate::review::Review;
use crate::store::{NewVersion, PlanRecord, StoreError};
use crate::watch::{Amendment, By, Event, Order, Part, Place, Recipient, Refusal, Watched, step};

/// How often an amendment is made again because the plan has moved meanwhile.
const MOST_TRIES: u32 = 3;
/// For so long whoever put a trip off waits to hear what got worse by it: half of what an answer may take.
const LONGEST_LOOK: Duration = Duration::from_secs(15);

/// A plan that was amended.
#[derive(Clone, Debug)]
pub struct Amended {
    /// Where it stands, as after a filing.
    pub filed: Filed,
    /// The cautions that are new or graver than for the version before, the worst first.
    pub worse: Vec<Caution>,
}

/// What a new version was made by.
#[derive(Clone, Debug)]
pub struct Seen {
    /// The round of the plan that was looked at.
    pub round: u32,
    /// What was written without being shown what stood there: it counts as changed though it be the
    /// same, so that nobody finds out by trying.
    pub anew: Vec<Part>,
    /// Where how long that is was not shown either: so many bytes were written there.
    pub typed_unseen: Option<usize>,
}

impl Daemon {
    /// Replaces a plan by a new version of itself: judged, then taken by the watch and its letters
    /// queued in one transaction. The same idempotency key and body changes nothing a second time.
    ///
    /// # Errors
    /// [`FilingError`]; the plan then stays as it is.
    pub async fn amend(
        &self,
        plan_ref: &str,
        plan: &Plan,
        by: &By,
        idempotency: Option<&str>,
        body: &[u8],
    ) -> Result<Amended, FilingError> {
        self.amend_in(None, plan_ref, plan, by, idempotency, body).await
    }

    /// The same for a version that was made by looking at one round of the plan: when another has
    /// begun, whoever made it has to look again.
    ///
    /// # Errors
    /// [`FilingError`], and so [`Refusal::MovedOn`]; the plan then stays as it is.
    pub async fn amend_seen(
        &self,
        seen: &Seen,
        plan_ref: &str,
        plan: &Plan,
        by: &By,
        once: &str,
        body: &[u8],
    ) -> Result<Amended, FilingError> {
        self.amend_in(Some(seen), plan_ref, plan, by, Some(once), body).await
    }

    /// Whether this very amendment was made before.
    ///
    /// # Errors
    /// [`StoreError::OtherBody`] where the key came with other words, or the database.
    pub async fn is_amended(
        &self,
        plan_ref: &str,
        once: &str,
        body: &[u8],
    ) -> Result<bool, FilingError> {
        let body_hash = self.0.secrets.body_mark(body)?;
        Ok(self.store().amended_before(plan_ref, once, &body_hash).await?)
    }

    async fn amend_in(
        &self,
        seen: Option<&Seen>,
        plan_ref: &str,
        plan: &Plan,
        by: &By,
        idempotency: Option<&str>,
        body: &[u8],
    ) -> Result<Amended, FilingError> {
        let body_hash = self.0.secrets.body_mark(body)?;
        let store = self.store();
        if let Some(key) = idempotency
            && store.amended_before(plan_ref, key, &body_hash).await?
        {
            return self.amended(plan_ref, None).await;
        }
        self.record_sent_of(plan_ref).await;
        // What comes many times waits for itself, and has one place at most among all that its key files.
        let _turn = self.0.hands.plans.beside(plan_ref).turn().await;
        let before = store.plan(plan_ref).await?;
        let plan_before = self.plan_of(&before)?;
        let check = |now| match seen.and_then(|seen| seen.typed_unseen) {
            Some(typed) => plan.check_amending_unseen(&plan_before, typed, now),
            None => plan.check_amending(&plan_before, now),
        };
        check(self.now()).map_err(FilingError::Faults)?;
        self.check_new_addresses(&plan_before, plan).await?;
        // What changes nothing, or can't be taken, is not judged.
        let Some((_, amendment)) = weighed(seen, &before, &plan_before, plan)? else {
            return self.amended(plan_ref, None).await;
        };
        let event = Event::Amended { to: Box::new(amendment), by: by.clone() };
        step(&before.state, &event, self.now()).map_err(StoreError::Refused)?;
        let place = self.0.hands.filers.enter(&before.key_id).ok_or(FilingError::TooManyAtOnce)?;
        let review = self.review_for(plan, For::Filing(Some(place.turn().await))).await;
        let now = self.now();
        check(now).map_err(FilingError::Faults)?;
        for tries in 1.. {
            let record = store.plan(plan_ref).await?;
            let old = self.plan_of(&record)?;
            let Some((placed, amendment)) = weighed(seen, &record, &old, plan)? else {
                return self.amended(plan_ref, None).await;
            };
            let plan_json = self.stored_text(plan_ref, &placed.plan).await?;
            let version = NewVersion {
                plan_ref: plan_ref.to_owned(),
                plan_json,
                review_json: to_json(plan_ref, &review)?,
                event: Event::Amended { to: Box::new(amendment), by: by.clone() },
                idempotency: idempotency.map(str::to_owned),
                body_hash: body_hash.clone(),
                links: self.link_hashes(plan_ref, &placed.plan),
                addresses: self.address_hashes(&placed.plan),
                card: card(&placed.plan, &placed.asked),
                strangers: Some(self.strangers(&placed.plan, &record.key_id, now).await?),
            };
            let (daemon, of) = (self.clone(), plan_ref.to_owned());
            let amending = async move {
                let amended = daemon.store().amend(version, now).await;
                if let Ok(applied) = &amended {
                    daemon.0.memory.follow(&of, applied);
                    daemon.ring();
                    // Whoever has a place since stands in the plan's text.
                    if let Err(error) = daemon.read_anew(&of).await {
                        tracing::warn!(plan = of, %error, "a plan is not in memory as it stands");
                    }
                }
                amended
            };
            match to_its_end(amending).await {
                Err(StoreError::Refused(Refusal::MovedOn)) if tries < MOST_TRIES => continue,
                Err(error) => return Err(self.named_too_often(&placed.plan, error)),
                Ok(_) => {
                    tracing::info!(plan = plan_ref, "a plan was amended");
                    break;
                }
            }
        }
        let old = serde_json::from_str::<Review>(&before.review_json).ok();
        let worse = worse(&old.map(|old| old.cautions).unwrap_or_default(), &review.cautions);
        self.amended(plan_ref, Some(worse)).await
    }

    async fn amended(
        &self,
        plan_ref: &str,
        worse: Option<Vec<Caution>>,
    ) -> Result<Amended, FilingError> {
        self.ring();
        let filed = self.filed(plan_ref).await?;
        if let Some(worse) = worse {
            if let Some(event) = filed.status.state.changed_by {
                self.note_worse(plan_ref, event, &worse).await;
            }
            return Ok(Amended { filed, worse });
        }
        let event = filed.status.state.changed_by.unwrap_or(0);
        let worse = self.worse(plan_ref, event).await.unwrap_or_default();
        Ok(Amended { filed, worse })
    }

    /// Judges a plan anew by its present return time, and tells which cautions are new or graver
    /// than when it was filed or last amended, the worst first; `None` where that can't be told in
    /// time. For after an extension: that is written by then, and nothing here can take it back, nor
    /// may its answer wait for long.
    pub async fn judge_anew(&self, plan_ref: &str, key_id: &str) -> Option<Vec<Caution>> {
        timeout(LONGEST_LOOK, self.judged_anew(plan_ref, key_id)).await.ok()?
    }

    async fn judged_anew(&self, plan_ref: &str, key_id: &str) -> Option<Vec<Caution>> {
        let hands = &self.0.hands;
        // Whoever waits keeps no plan meanwhile: it may be long, and they may be many.
        let _of_plan = hands.plans.beside(plan_ref).turn().await;
        // Of what its key files and changes no more than one is judged at once; but this keeps nothing from
        // being filed.
        let turn = hands.filers.beside(key_id).turn().await;
        let record = self.record_to_judge(plan_ref).await?;
        if let Some(event) = record.state.changed_by
            && let Some(found) = self.worse(plan_ref, event).await
        {
            // Another that waited has had it judged as it stands.
            return Some(found);
        }
        let mut plan = self.plan_of(&record).ok()?;
        let state = &record.state;
        plan.times.return_by = Moment { at: state.terms.due_at };
        let mut at = 0..;
        plan.crew.retain(|_| at.next().is_some_and(|at| state.is_on_trip(at)));
        let mut at = 0..;
        plan.contacts.retain(|_| at.next().is_some_and(|at| state.is_asked(at)));
        let before = serde_json::from_str::<Review>(&record.review_json).ok();
        let before = before.map(|review| review.cautions).unwrap_or_default();
        let review = self.review_for(&plan, For::Filing(Some(turn))).await;
        let worse = worse(&before, &review.cautions);
        if let Some(event) = state.changed_by {
            self.note_worse(plan_ref, event, &worse).await;
        }
        Some(worse)
    }

    async fn record_to_judge(&self, plan_ref: &str) -> Option<PlanRecord> {
        let record = self.store().plan(plan_ref).await;
        record
            .inspect_err(|error| {
                tracing::warn!(plan = plan_ref, %error, "a plan can't be judged anew");
            })
            .ok()
    }

    /// What had got worse when a plan was judged because of this event; `None` where it was not.
    pub async fn worse(&self, plan_ref: &str, event: u32) -> Option<Vec<Caution>> {
        let noted = self.store().worse(plan_ref, event).await.ok().flatten()?;
        serde_json::from_str(&noted).ok()
    }

    /// That this can't be written down must not make anybody think that the change was lost.
    async fn note_worse(&self, plan_ref: &str, event: u32, worse: &[Caution]) {
        let Ok(noted) = to_json(plan_ref, &worse) else { return };
        if let Err(error) = self.store().note_worse(plan_ref, event, &noted).await {
            tracing::warn!(plan = plan_ref, %error, "what got worse can't be written down");
        }
    }

    /// Somebody who was not in the plan before is named as by a filing.
    async fn check_new_addresses(&self, old: &Plan, new: &Plan) -> Result<(), FilingError> {
        let known = |email: &str| old.contacts.iter().any(|one| one.email == email);
        let added = new.contacts.iter().filter(|contact| !known(&contact.email));
        self.check_naming(added).await?;
        let known = |one: &CrewMember| old.crew.iter().any(|before| before.email == one.email);
        self.check_crew(new.crew.iter().filter(|one| !known(one))).await
    }
}

/// What a new version of a plan would do.
#[derive(Clone, Debug)]
pub struct Foreseen {
    /// What the watch would take it by.
    pub to: Amendment,
    /// The new version, with everybody in their place for life.
    pub plan: Plan,
    /// The letters that would be owed at once; or why it would be refused.
    pub letters: Result<Vec<Order>, Refusal>,
}

impl Dossier {
    /// What this new version would do at `now`; `None` where nothing in it differs. Changes nothing.
    #[must_use]
    pub fn foresee(
        &self,
        new: &Plan,
        anew: &[Part],
        by: &By,
        now: DateTime<Utc>,
    ) -> Option<Foreseen> {
        let state = &self.record.state;
        let placed = self.plan.amended_by(new);
        let to = amendment(state, &self.plan, &placed, anew);
        if is_the_same(state, &placed, &to) {
            return None;
        }
        let event = Event::Amended { to: Box::new(to.clone()), by: by.clone() };
        let letters = step(state, &event, now).map(|stepped| stepped.orders);
        Some(Foreseen { to, plan: placed.plan, letters })
    }
}

/// What a new version comes to for a plan that stands so; `None` where nothing in it differs.
fn weighed(
    seen: Option<&Seen>,
    record: &PlanRecord,
    old: &Plan,
    new: &Plan,
) -> Result<Option<(Placed, Amendment)>, FilingError> {
    let state = &record.state;
    if seen.is_some_and(|seen| seen.round != state.round) {
        return Err(StoreError::Refused(Refusal::MovedOn).into());
    }
    let placed = old.amended_by(new);
    check_readable(record, &placed)?;
    check_places(state, old, &placed)?;
    let anew = seen.map_or(&[][..], |seen| &seen.anew);
    let amendment = amendment(state, old, &placed, anew);
    Ok((!is_the_same(state, &placed, &amendment)).then_some((placed, amendment)))
}

/// The new version must be one that can be read again.
fn check_readable(record: &PlanRecord, placed: &Placed) -> Result<(), FilingError> {
    let text = to_json(&record.plan_ref, &placed.plan)?;
    let no_files = |_: &str| Err("a stored plan names no files".to_owned());
    match read_json(&text, &no_files) {
        Ok(_) => Ok(()),
        Err(_) => Err(FilingError::Faults(Faults::one(
            "",
            "",
            "so many people have come into this plan and gone that it can take no more; call it \
             off and file a new one",
        ))),
    }
}

/// An address that differs in capitals alone takes the place of the other, and what was said there
/// with it. A host may tell the two apart: then a "never" of the one would keep the alert from the other.
fn check_places(state: &Watched, old: &Plan, placed: &Placed) -> Result<(), FilingError> {
    for &at in &placed.asked {
        let (Some(before), Some(now)) = (old.contacts.get(at), placed.plan.contacts.get(at)) else {
            continue;
        };
        let said_never = state.contacts.get(at).is_some_and(|one| one.opted_out.is_some());
        if said_never && before.email != now.email {
            return Err(FilingError::WantsNoLetters { contact: now.name.clone() });
        }
    }
    Ok(())
}

/// What the watch takes a new version by; these parts count as changed whatever stands in them.
fn amendment(state: &Watched, old: &Plan, placed: &Placed, anew: &[Part]) -> Amendment {
    let crew = placed.plan.crew.iter().enumerate().map(|(at, one)| {
        let email = |plan: &Plan| plan.crew.get(at).and_then(|one| one.email.clone());
        match (&one.email, email(old)) {
            _ if !placed.on_trip[at] => Place::Removed,
            (None, _) => Place::Unreached,
            (Some(new), Some(old)) if *new != old => Place::ReachedAnew,
            (Some(_), _) => Place::Reached,
        }
    });
    let times = &placed.plan.times;
    let (joined, left) = moves(state, placed);
    let mut parts = [&parts_changed(old, placed), anew].concat();
    parts.sort_unstable();
    parts.dedup();
    Amendment {
        from_round: state.round,
        due_at: times.return_by.at,
        grace: times.grace.unwrap_or(state.terms.ladder.grace()),
        crew: crew.collect(),
        contacts: placed.plan.contacts.len(),
        asked: placed.asked.clone(),
        was_due_at: state.terms.due_at,
        was_overdue_at: state.overdue_at(),
        joined,
        left,
        parts,
    }
}

/// Who is in the new version and was not before, and who was and is no more.
fn moves(state: &Watched, placed: &Placed) -> (Vec<Recipient>, Vec<Recipient>) {
    let crew = placed.on_trip.iter().enumerate();
    let crew = crew.map(|(at, now)| (Recipient::Crew(at), state.is_on_trip(at), *now));
    let contacts = (0..placed.plan.contacts.len())
        .map(|at| (Recipient::Contact(at), state.is_asked(at), placed.asked.contains(&at)));
    let all: Vec<_> = crew.chain(contacts).collect();
    let those = |was: bool, is: bool| {
        let these = all.iter().filter(|(_, before, now)| (*before, *now) == (was, is));
        these.map(|(who, ..)| *who).collect()
    };
    (those(false, true), those(true, false))
}

/// Nothing in it differs: nobody has to hear of it.
fn is_the_same(state: &Watched, placed: &Placed, to: &Amendment) -> bool {
    (to.due_at, to.grace) == (state.terms.due_at, state.terms.grace)
        && placed.asked == state.asked()
        && to.joined.is_empty()
        && to.left.is_empty()
        && to.parts.is_empty()
}
