//! What becomes of a letter that is claimed: looked at once more, handed over, refused, put off.
//!
//! A letter is claimed by a lease, and every later word about it must name the attempt that the
//! claim gave out: a sender that lost its lease can no longer change anything. Looks and outcomes
//! of many letters go to the [counter](super::counter), which writes them down together.

use chrono::{DateTime, Utc};
use sqlx::AnyConnection;

use super::batch::Batch;
use super::counter::{Asked, Outcome, Question};
use super::ledger::Ledger;
use super::letters::{insert, letter_id};
use super::way::{Way, by_any_way};
use super::{Claimed, Store, StoreError, millis};
use crate::watch::{Event, Order};

/// What the last look found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LastLook {
    /// It is still wanted; from now on its reader may have it.
    Send,
    /// It is no longer wanted, and is dropped.
    Dropped,
    /// What it says is no longer so: it must be written again.
    Outdated,
    /// Another attempt has taken it over.
    LostLease,
}

/// A letter's outcome on its way to the disk. Whatever is asked of the store later, is answered
/// after it.
#[must_use = "the outcome is written down when `written` has come back"]
pub struct Pending(Asked);

impl Pending {
    /// Waits until it is on the disk.
    ///
    /// # Errors
    /// The database.
    pub async fn written(self) -> Result<(), StoreError> {
        self.0.answer().await.map(|_| ())
    }
}

impl Store {
    /// Looks once more, just before a letter leaves, whether the plan still owes it; if so, the
    /// plan records in the same transaction that its reader may have it from now on. A plan that
    /// can't be read can't say that it does not owe it.
    ///
    /// # Errors
    /// The database.
    pub async fn last_look(
        &self,
        letter: &Claimed,
        now: DateTime<Utc>,
    ) -> Result<LastLook, StoreError> {
        self.look(letter, false, now).await
    }

    /// The same for a letter that was written anew in this attempt, since the first look found that it
    /// must be. It now leaves though more was said meanwhile, if nothing else has changed; whoever is
    /// alerted hears of that by `news`.
    ///
    /// # Errors
    /// The database.
    pub async fn last_look_anew(
        &self,
        letter: &Claimed,
        now: DateTime<Utc>,
    ) -> Result<LastLook, StoreError> {
        self.look(letter, true, now).await
    }

    async fn look(
        &self,
        letter: &Claimed,
        anew: bool,
        now: DateTime<Utc>,
    ) -> Result<LastLook, StoreError> {
        let question = Question { letter: letter.clone(), outcome: None, anew, at: now };
        self.counter.ask(question).await?.answer().await
    }

    /// A relay took the letter.
    ///
    /// # Errors
    /// The database.
    pub async fn handed(
        &self,
        letter: &Claimed,
        note: &str,
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        self.settle(letter, Outcome::Handed { note: note.to_owned() }, now).await?.written().await
    }

    /// The letter's address is refused for good. With a time, the letter is tried once more then;
    /// the plan hears of its first refusal alone.
    ///
    /// # Errors
    /// The database.
    pub async fn refused(
        &self,
        letter: &Claimed,
        note: &str,
        again_at: Option<DateTime<Utc>>,
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        self.settle(letter, Outcome::Refused { note: note.to_owned(), again_at }, now)
            .await?
            .written()
            .await
    }

    /// Brings a letter's outcome on its way to the disk.
    ///
    /// # Errors
    /// The database.
    pub async fn settle(
        &self,
        letter: &Claimed,
        outcome: Outcome,
        now: DateTime<Utc>,
    ) -> Result<Pending, StoreError> {
        let (letter, outcome) = (letter.clone(), Some(outcome));
        let question = Question { letter, outcome, anew: false, at: now };
        Ok(Pending(self.counter.ask(question).await?))
    }

    /// The attempt failed; the letter waits until `next_try_at`.
    ///
    /// # Errors
    /// The database.
    pub async fn try_later(
        &self,
        letter: &Claimed,
        next_try_at: DateTime<Utc>,
        note: &str,
    ) -> Result<(), StoreError> {
        let (id, attempt, note) = (letter.id.clone(), letter.attempt, note.to_owned());
        let text = "UPDATE letters SET state = 'queued', lease_until = NULL, \
                    failures = failures + 1, next_try_at = $1, note = $2 \
                    WHERE id = $3 AND attempt = $4 AND state = 'sending'";
        self.write(move |connection| {
            Box::pin(async move {
                let next_try_at = millis(next_try_at);
                let update = sqlx::query(text).bind(next_try_at).bind(note).bind(id).bind(attempt);
                update.execute(connection).await?;
                Ok(())
            })
        })
        .await
    }

    /// There was no place for an attempt; the letter waits, and nothing has failed.
    ///
    /// # Errors
    /// The database.
    pub async fn put_back(&self, letter: &Claimed, until: DateTime<Utc>) -> Result<(), StoreError> {
        self.wait_again(letter, "next_try_at = $1", until).await
    }

    /// The same for one that is due then, and not late before.
    ///
    /// # Errors
    /// The database.
    pub async fn put_off(&self, letter: &Claimed, until: DateTime<Utc>) -> Result<(), StoreError> {
        self.wait_again(letter, "next_try_at = $1, scheduled_at = $1", until).await
    }

    async fn wait_again(
        &self,
        letter: &Claimed,
        times: &'static str,
        until: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let (id, attempt) = (letter.id.clone(), letter.attempt);
        let text = format!(
            "UPDATE letters SET state = 'queued', lease_until = NULL, {times} \
             WHERE id = $2 AND attempt = $3 AND state = 'sending'"
        );
        self.write(move |connection| {
            let text = text.clone();
            let id = id.clone();
            Box::pin(async move {
                let update = sqlx::query(sqlx::AssertSqlSafe(text)).bind(millis(until));
                update.bind(id).bind(attempt).execute(connection).await?;
                Ok(())
            })
        })
        .await
    }

    /// Writes down a letter that left while the database could not be written: as its row would
    /// be had it been claimed and handed over, so that it does not go a second time.
    ///
    /// # Errors
    /// The database.
    pub async fn record_sent(
        &self,
        plan_ref: &str,
        order: &Order,
        note: &str,
        at: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let with = |way| self.record_sent_with(plan_ref, order, note, at, way);
        by_any_way(plan_ref, with).await
    }

    async fn record_sent_with(
        &self,
        plan_ref: &str,
        order: &Order,
        note: &str,
        at: DateTime<Utc>,
        way: Way,
    ) -> Result<(), StoreError> {
        let (plan_ref, order, note) = (plan_ref.to_owned(), order.clone(), note.to_owned());
        self.write(move |connection| {
            Box::pin(
                async move { record_sent(connection, &plan_ref, &order, &note, at, way).await },
            )
        })
        .await
    }
}

async fn record_sent(
    connection: &mut AnyConnection,
    plan_ref: &str,
    order: &Order,
    note: &str,
    at: DateTime<Utc>,
    way: Way,
) -> Result<(), StoreError> {
    // Else the letter would break a rule of its table, now and at each try, and all others wait for it.
    let plan = sqlx::query("SELECT 1 FROM plans WHERE ref = $1").bind(plan_ref);
    if plan.fetch_optional(&mut *connection).await?.is_none() {
        return Err(StoreError::NoSuchPlan);
    }
    insert(connection, &[(plan_ref, order)], at, way.end).await?;
    sqlx::query(
        "UPDATE letters SET state = 'handed', lease_until = NULL, settled_at = $1, note = $2 \
         WHERE id = $3 AND state IN ('queued', 'sending')",
    )
    .bind(millis(at))
    .bind(note)
    .bind(letter_id(plan_ref, order))
    .execute(&mut *connection)
    .await?;
    let mut ledger = Ledger::open(connection, [plan_ref].into()).await?;
    for event in [Event::Tick, Event::Handing { to: order.to, kind: order.kind }] {
        match ledger.step(plan_ref, &event, None, at) {
            // A plan that can't be read keeps nothing back.
            Err(error) if !error.is_damage() => return Err(error),
            _ => {}
        }
    }
    ledger.write(connection, way, Batch::default()).await
}
