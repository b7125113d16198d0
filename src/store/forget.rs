//! Forgetting plans for good. Only closed ones: what is open is watched.

use std::fmt;
use std::time::Duration;

use chrono::{DateTime, Utc};
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Connection, Executor, Row};

use super::backup::has_table;
use super::blotted::blot_out;
use super::spare::{self, Card};
use super::{Store, StoreError, millis, writer};

/// How many are forgotten in one transaction.
const AT_ONCE: i64 = 100;
/// How often the log is tried to be emptied while somebody reads, and what lies between: 5 s in all.
const ATTEMPTS_AT_LOG: u32 = 25;
const BETWEEN_ATTEMPTS: Duration = Duration::from_millis(200);
/// The tables that hold a plan's rows, and the column that names it; the plans themselves last.
const TABLES: [(&str, &str); 8] = [
    ("letters", "DELETE FROM letters WHERE plan = $1"),
    ("events", "DELETE FROM events WHERE plan = $1"),
    ("links", "DELETE FROM links WHERE plan = $1"),
    ("named_addresses", "DELETE FROM named_addresses WHERE plan = $1"),
    ("spares", "DELETE FROM spares WHERE plan = $1"),
    ("versions", "DELETE FROM versions WHERE plan = $1"),
    ("papers", "DELETE FROM papers WHERE plan = $1"),
    ("plans", "DELETE FROM plans WHERE ref = $1 AND closed_at IS NOT NULL"),
];
/// A letter of a plan that is still to leave: a stand-down is not forgotten on its way.
const NOTHING_WAITS: &str = "NOT EXISTS (SELECT 1 FROM letters WHERE letters.plan = plans.ref \
                             AND letters.state IN ('queued', 'sending')) \
                             AND NOT EXISTS (SELECT 1 FROM quarantine WHERE plan = ref)";

/// A closed plan without the contacts who never answered.
#[derive(Clone)]
pub struct Thinned {
    /// Its ref.
    pub plan_ref: String,
    /// The newest version.
    pub plan_json: String,
    /// The versions before, each with the number of the event that replaced it.
    pub old: Vec<(u32, String)>,
    /// Whom its letters went to.
    pub card: Card,
    /// The places of those taken out.
    pub contacts: Vec<usize>,
}

/// It holds private text, so it can't print itself.
impl fmt::Debug for Thinned {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "Thinned {}", self.plan_ref)
    }
}

impl Store {
    /// Forgets the plans of one key that were closed before; how many, at most a hundred.
    ///
    /// # Errors
    /// The database.
    pub async fn forget_closed(
        &self,
        key_id: &'static str,
        before: DateTime<Utc>,
    ) -> Result<usize, StoreError> {
        self.write(move |connection| {
            Box::pin(async move {
                let rows = sqlx::query(
                    "SELECT ref FROM plans WHERE key_id = $1 AND closed_at < $2 \
                     AND NOT EXISTS (SELECT 1 FROM quarantine WHERE plan = ref) LIMIT $3",
                )
                .bind(key_id)
                .bind(millis(before))
                .bind(AT_ONCE)
                .fetch_all(&mut *connection)
                .await?;
                for row in &rows {
                    let plan_ref: String = row.try_get("ref")?;
                    forget(connection, &plan_ref).await?;
                }
                Ok(rows.len())
            })
        })
        .await
    }

    /// Forgets plans that were closed before and have no letter on its way; which, at most a
    /// hundred.
    ///
    /// # Errors
    /// The database.
    pub async fn forget_closed_before(
        &self,
        before: DateTime<Utc>,
        now: DateTime<Utc>,
    ) -> Result<Vec<String>, StoreError> {
        let text =
            format!("SELECT ref FROM plans WHERE closed_at < $1 AND {NOTHING_WAITS} LIMIT $2");
        self.write(move |connection| {
            Box::pin(async move {
                let rows = sqlx::query(sqlx::AssertSqlSafe(text))
                    .bind(millis(before))
                    .bind(AT_ONCE)
                    .fetch_all(&mut *connection)
                    .await?;
                let refs: Result<Vec<String>, _> =
                    rows.iter().map(|row| row.try_get("ref")).collect();
                let refs = refs?;
                for plan_ref in &refs {
                    forget(connection, plan_ref).await?;
                    remember_forgotten(connection, plan_ref, now).await?;
                }
                Ok(refs)
            })
        })
        .await
    }

    /// Forgets one closed plan that has no letter on its way; whether it was forgotten.
    ///
    /// # Errors
    /// The database.
    pub async fn forget_one(
        &self,
        plan_ref: &str,
        closed_before: DateTime<Utc>,
        now: DateTime<Utc>,
    ) -> Result<bool, StoreError> {
        let plan_ref = plan_ref.to_owned();
        let text =
            format!("SELECT 1 FROM plans WHERE ref = $1 AND closed_at <= $2 AND {NOTHING_WAITS}");
        self.write(move |connection| {
            Box::pin(async move {
                let row = sqlx::query(sqlx::AssertSqlSafe(text))
                    .bind(&plan_ref)
                    .bind(millis(closed_before))
                    .fetch_optional(&mut *connection)
                    .await?;
                if row.is_none() {
                    return Ok(false);
                }
                forget(connection, &plan_ref).await?;
                remember_forgotten(connection, &plan_ref, now).await?;
                Ok(true)
            })
        })
        .await
    }

    /// The plans closed before that still hold contacts who may never have answered; at most a
    /// hundred.
    ///
    /// # Errors
    /// The database.
    pub async fn to_be_thinned(&self, before: DateTime<Utc>) -> Result<Vec<String>, StoreError> {
        let text = format!(
            "SELECT ref FROM plans WHERE closed_at < $1 AND thinned_at IS NULL AND {NOTHING_WAITS} \
             LIMIT $2"
        );
        let rows = sqlx::query(sqlx::AssertSqlSafe(text))
            .bind(millis(before))
            .bind(AT_ONCE)
            .fetch_all(&self.readers)
            .await?;
        rows.iter().map(|row| Ok(row.try_get("ref")?)).collect()
    }

    /// How many closed plans have something in them to be forgotten: all of those closed before the
    /// first instant, and contacts who never answered of those closed before the second.
    ///
    /// # Errors
    /// The database.
    pub async fn count_to_be_forgotten(
        &self,
        closed: DateTime<Utc>,
        unconfirmed: DateTime<Utc>,
    ) -> Result<i64, StoreError> {
        let text = format!(
            "SELECT COUNT(*) FROM plans WHERE (closed_at < $1 \
             OR (closed_at < $2 AND thinned_at IS NULL)) AND {NOTHING_WAITS}"
        );
        let count = sqlx::query_scalar(sqlx::AssertSqlSafe(text));
        Ok(count.bind(millis(closed)).bind(millis(unconfirmed)).fetch_one(&self.readers).await?)
    }

    /// The places of a plan's contacts whose addresses have never been confirmed.
    ///
    /// # Errors
    /// The database.
    pub async fn unconfirmed(&self, plan_ref: &str) -> Result<Vec<usize>, StoreError> {
        let rows = sqlx::query(
            "SELECT contact FROM named_addresses WHERE plan = $1 \
             AND contact >= 0 AND hash NOT IN (SELECT hash FROM confirmed_addresses)",
        )
        .bind(plan_ref)
        .fetch_all(&self.readers)
        .await?;
        let place = |row: &AnyRow| Ok(usize::try_from(row.try_get::<i64, _>("contact")?).ok());
        let places: Result<Vec<Option<usize>>, sqlx::Error> = rows.iter().map(place).collect();
        Ok(places?.into_iter().flatten().collect())
    }

    /// Puts a closed plan without some of its contacts in the place of the whole one; `None` only
    /// remembers that nobody had to be taken out.
    ///
    /// # Errors
    /// The database.
    pub async fn thin(
        &self,
        plan_ref: &str,
        thinned: Option<Thinned>,
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let plan_ref = plan_ref.to_owned();
        self.write(move |connection| {
            Box::pin(async move {
                let closed =
                    sqlx::query("SELECT 1 FROM plans WHERE ref = $1 AND closed_at IS NOT NULL")
                        .bind(&plan_ref)
                        .fetch_optional(&mut *connection)
                        .await?;
                if closed.is_none() {
                    // Its closing was taken back a moment ago: everybody is needed.
                    return Ok(());
                }
                if let Some(thinned) = &thinned {
                    write_thinned(connection, thinned).await?;
                }
                sqlx::query("UPDATE plans SET thinned_at = $1 WHERE ref = $2")
                    .bind(millis(now))
                    .bind(plan_ref)
                    .execute(connection)
                    .await?;
                Ok(())
            })
        })
        .await
    }

    /// Folds the log into the database and leaves it empty, so that it holds nothing that was
    /// forgotten. Whoever reads for long holds it up: whether it was done.
    ///
    /// # Errors
    /// The database.
    pub async fn empty_log(&self) -> Result<bool, StoreError> {
        let mut connection = writer::connect(&writer::url(&self.folder.database())).await?;
        // SQLite lets nobody write while it waits for those who read: it must not wait.
        connection.execute("PRAGMA busy_timeout = 0").await?;
        let emptied = empty_log(&mut connection).await;
        connection.close().await?;
        emptied
    }
}

/// Tries it for a while; in between others may write.
async fn empty_log(connection: &mut AnyConnection) -> Result<bool, StoreError> {
    for _ in 0..ATTEMPTS_AT_LOG {
        // This lets others write meanwhile; what is left for the next is little.
        connection.execute("PRAGMA wal_checkpoint(PASSIVE)").await?;
        let row = connection.fetch_one("PRAGMA wal_checkpoint(TRUNCATE)").await?;
        let busy: i64 = row.try_get(0)?;
        if busy == 0 {
            return Ok(true);
        }
        tokio::time::sleep(BETWEEN_ATTEMPTS).await;
    }
    Ok(false)
}

async fn write_thinned(connection: &mut AnyConnection, plan: &Thinned) -> Result<(), StoreError> {
    let plan_ref = plan.plan_ref.as_str();
    // A review may name whom it found too few of.
    sqlx::query("UPDATE papers SET plan_json = $1, review_json = 'null' WHERE plan = $2")
        .bind(&plan.plan_json)
        .bind(plan_ref)
        .execute(&mut *connection)
        .await?;
    for (replaced_by, plan_json) in &plan.old {
        sqlx::query(
            "UPDATE versions SET plan_json = $1, review_json = 'null' \
             WHERE plan = $2 AND replaced_by = $3",
        )
        .bind(plan_json)
        .bind(plan_ref)
        .bind(i64::from(*replaced_by))
        .execute(&mut *connection)
        .await?;
    }
    spare::write_card(connection, plan_ref, &plan.card).await?;
    blot_out(connection, plan).await?;
    // A relay's answer may repeat an address.
    sqlx::query("UPDATE letters SET note = NULL WHERE plan = $1")
        .bind(plan_ref)
        .execute(&mut *connection)
        .await?;
    for contact in &plan.contacts {
        sqlx::query(
            "DELETE FROM named_addresses WHERE plan = $1 AND hash IN \
             (SELECT hash FROM named_addresses WHERE plan = $1 AND contact = $2)",
        )
        .bind(plan_ref)
        .bind(i64::try_from(*contact).unwrap_or(i64::MAX))
        .execute(&mut *connection)
        .await?;
    }
    Ok(())
}

/// The same in a copy of the database: an older schema lacks some of the tables, and a plan that was
/// forgotten here may be open there.
pub(super) async fn forget_open(
    copy: &mut AnyConnection,
    plan_ref: &str,
) -> Result<(), StoreError> {
    for (table, delete) in TABLES {
        if table != "plans" && has_table(copy, table).await? {
            sqlx::query(delete).bind(plan_ref).execute(&mut *copy).await?;
        }
    }
    sqlx::query("DELETE FROM plans WHERE ref = $1").bind(plan_ref).execute(copy).await?;
    Ok(())
}

pub(super) async fn forget(
    connection: &mut AnyConnection,
    plan_ref: &str,
) -> Result<(), StoreError> {
    for (_, delete) in TABLES {
        sqlx::query(delete).bind(plan_ref).execute(&mut *connection).await?;
    }
    Ok(())
}

async fn remember_forgotten(
    connection: &mut AnyConnection,
    plan_ref: &str,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let text = "INSERT INTO forgotten (plan, forgotten_at) VALUES ($1, $2) ON CONFLICT DO NOTHING";
    sqlx::query(text).bind(plan_ref).bind(millis(now)).execute(connection).await?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn forgetting_a_plan_reads_no_table_whole() {
        let folder = tempfile::tempdir().expect("a folder");
        let store = Store::open(folder.path()).await.expect("opened");
        for (table, delete) in TABLES {
            let explain = sqlx::AssertSqlSafe(format!("EXPLAIN QUERY PLAN {delete}"));
            let rows = sqlx::query(explain).bind("A").fetch_all(&store.readers).await;
            for row in rows.expect("explained") {
                let step: String = row.try_get("detail").expect("a step");
                assert!(step.starts_with("SEARCH"), "{table}: {step}");
            }
        }
    }
}
