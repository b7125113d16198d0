//! Whether the database is sound, and every state the fold of its events.

use sqlx::{AnyConnection, Connection, Executor, Row};

use super::error::of_row;
use super::guarded::guarded_over_while;
use super::spare::refold;
use super::{Store, StoreError, plans};
use crate::watch::next_wakeup;

/// How many plans are read in one go.
const AT_ONCE: i64 = 500;

/// A plan that is not what its events make of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Difference {
    /// Its ref.
    pub plan_ref: String,
    /// What differs.
    pub what: String,
}

impl Store {
    /// Whether SQLite finds the whole file sound; what is wrong with it otherwise.
    ///
    /// # Errors
    /// The database could not be asked.
    pub async fn quick_check(&self) -> Result<Option<String>, StoreError> {
        let mut connection = self.readers.acquire().await?;
        match quick_check(&mut connection).await {
            Ok(()) => Ok(None),
            Err(error) if error.is_damage() || error.is_unsound() => Ok(Some(error.to_string())),
            Err(error) => Err(error),
        }
    }

    /// Folds every plan again from its events, and tells where its state, its times or its spare
    /// copy say something else. Reads only.
    ///
    /// # Errors
    /// The database.
    pub async fn verify(&self) -> Result<Vec<Difference>, StoreError> {
        let mut differences = Vec::new();
        let mut after = String::new();
        loop {
            let refs = self.refs_after(&after).await?;
            let Some(last) = refs.last() else { return Ok(differences) };
            after.clone_from(last);
            differences.extend(self.verify_these(&refs).await?);
        }
    }

    /// The same of the open plans whose time comes first, so many of them.
    ///
    /// # Errors
    /// The database.
    pub async fn verify_soonest(&self, most: u32) -> Result<Vec<Difference>, StoreError> {
        self.verify_these(&self.soonest(most).await?).await
    }

    async fn verify_these(&self, refs: &[String]) -> Result<Vec<Difference>, StoreError> {
        let mut differences = Vec::new();
        let mut connection = self.readers.acquire().await?;
        for plan_ref in refs {
            if let Some(what) = difference(&mut connection, plan_ref).await? {
                differences.push(Difference { plan_ref: plan_ref.clone(), what });
            }
        }
        Ok(differences)
    }

    async fn refs_after(&self, after: &str) -> Result<Vec<String>, StoreError> {
        let rows = sqlx::query("SELECT ref FROM plans WHERE ref > $1 ORDER BY ref LIMIT $2")
            .bind(after)
            .bind(AT_ONCE)
            .fetch_all(&self.readers)
            .await?;
        rows.iter().map(|row| Ok(row.try_get("ref")?)).collect()
    }
}

/// # Errors
/// What is wrong with the file, or that it could not be asked.
pub(super) async fn quick_check(connection: &mut AnyConnection) -> Result<(), StoreError> {
    let row = connection.fetch_one("PRAGMA quick_check(1)").await?;
    let found: String = row.try_get(0)?;
    if found == "ok" { Ok(()) } else { Err(super::damaged("of every kind", found)) }
}

async fn difference(
    connection: &mut AnyConnection,
    plan_ref: &str,
) -> Result<Option<String>, StoreError> {
    // One look at one moment: what the watch writes meanwhile must not seem a difference.
    let mut moment = connection.begin().await?;
    let compared = guarded_over_while(plan_ref, compare(&mut moment, plan_ref)).await;
    moment.rollback().await?;
    match compared {
        Ok(what) => Ok(what.map(str::to_owned)),
        Err(StoreError::Damaged { why, .. }) => Ok(Some(why)),
        Err(error) => Err(error),
    }
}

async fn compare(
    connection: &mut AnyConnection,
    plan_ref: &str,
) -> Result<Option<&'static str>, StoreError> {
    let state = plans::read_state(connection, plan_ref).await?;
    let folded = refold(connection, plan_ref).await?;
    if state != folded {
        return Ok(Some("its state is not the fold of its events"));
    }
    let card = super::spare::read(connection, plan_ref).await?.card;
    if card.is_some_and(|card| !card.is_of(&state)) {
        return Ok(Some("the spare copy names other people than its state"));
    }
    let row = sqlx::query(
        "SELECT plans.next_at, spares.wake_at, spares.overdue_at FROM plans \
         JOIN spares ON spares.plan = plans.ref WHERE plans.ref = $1",
    )
    .bind(plan_ref)
    .fetch_one(connection)
    .await
    .map_err(|error| of_row(plan_ref, error))?;
    let time = |column| row.try_get::<Option<i64>, _>(column).ok();
    let wake = Some(next_wakeup(&state).map(super::millis));
    if time("next_at") != wake || time("wake_at") != wake {
        return Ok(Some("its wake-up is not the one that its state asks for"));
    }
    if time("overdue_at") != Some(Some(super::millis(state.overdue_at()))) {
        return Ok(Some("the spare copy's time is not the state's"));
    }
    Ok(None)
}
