//! How much one key or one address has been asked for.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row};

use super::strangers::{BY_COUNT, MOVED, Reader};
use super::{Claimed, Store, StoreError, from_millis, list, millis};

/// In how many places an address that has never answered is named.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Times {
    /// Since an instant, or in a plan that is open or, of contacts, was closed since then.
    pub(super) named: i64,
    /// In a plan that is open, or was closed since then and can be opened again.
    pub(super) in_reach: i64,
}

/// Whom a key's plans name, of those who have never answered.
#[derive(Debug, Default)]
pub(super) struct OfKey {
    /// Since an instant, or in trips that are not over.
    pub(super) named: BTreeSet<String>,
    /// These, and who is named in trips that were closed since then and can be opened again.
    pub(super) in_reach: BTreeSet<String>,
}

/// How many plans of a key are open.
#[derive(Clone, Copy, Debug)]
pub(super) struct OpenPlans {
    /// Now.
    pub(super) now: i64,
    /// Now, or once they are opened again.
    pub(super) in_reach: i64,
}

/// What has gone to a reader.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Gone {
    /// How many letters were handed over.
    pub handed: i64,
    /// When the one ordered last was: not the latest time, which may be of a clock that was set back since.
    pub last: Option<DateTime<Utc>>,
    /// How many that were ordered before are on their way.
    pub under_way: i64,
}

impl Store {
    /// How many plans this key has filed since an instant.
    ///
    /// # Errors
    /// The database.
    pub async fn filings_by_key(
        &self,
        key_id: &str,
        since: DateTime<Utc>,
    ) -> Result<i64, StoreError> {
        filed_by(&mut *self.readers.acquire().await?, key_id, since).await
    }

    /// In how many places since an instant plans, or versions of them, have named an address that has
    /// never been confirmed; never one that has.
    ///
    /// # Errors
    /// The database.
    pub async fn filings_naming_unconfirmed(
        &self,
        address_hash: &str,
        since: DateTime<Utc>,
    ) -> Result<i64, StoreError> {
        let text = "SELECT COUNT(*) AS number FROM named_addresses WHERE hash = $1 \
                    AND filed_at > $2 AND hash NOT IN (SELECT hash FROM confirmed_addresses)";
        let row = sqlx::query(text)
            .bind(address_hash)
            .bind(millis(since))
            .fetch_one(&self.readers)
            .await?;
        Ok(row.try_get("number")?)
    }

    /// How many letters from each of these instants until now, besides this one, have told the keeper what
    /// could stop this plan's alert.
    ///
    /// # Errors
    /// The database.
    pub async fn troubles_of_late(
        &self,
        beside: &Claimed,
        [long, short, now]: [DateTime<Utc>; 3],
    ) -> Result<(i64, i64), StoreError> {
        let count = sqlx::query(
            "SELECT COUNT(CASE WHEN state = 'sending' OR settled_at > $3 THEN 1 END), \
             COUNT(CASE WHEN state = 'sending' OR settled_at > $4 THEN 1 END) \
             FROM letters WHERE plan = $1 AND recipient = 'keeper' AND kind = 'trouble' \
             AND id <> $2 AND (state = 'sending' OR (state = 'handed' AND settled_at <= $5))",
        );
        let count = count.bind(&beside.plan_ref).bind(&beside.id);
        let count = count.bind(millis(long)).bind(millis(short)).bind(millis(now));
        let row = count.fetch_one(&self.readers).await?;
        Ok((row.try_get(0)?, row.try_get(1)?))
    }

    /// Whether a newer letter of this kind waits for the same reader.
    ///
    /// # Errors
    /// The database.
    pub async fn newer_waits(&self, than: &Claimed) -> Result<bool, StoreError> {
        let row = sqlx::query(
            "SELECT 1 FROM letters WHERE plan = $1 AND recipient = $2 AND kind = $3 \
             AND state = 'queued' AND (queued_at > $4 OR (queued_at = $4 AND id > $5)) LIMIT 1",
        );
        let row = row.bind(&than.plan_ref).bind(than.order.to.to_string());
        let row = row.bind(than.order.kind.name()).bind(millis(than.queued_at)).bind(&than.id);
        Ok(row.fetch_optional(&self.readers).await?.is_some())
    }

    /// How many letters of this kind from this plan have gone to this reader between these instants.
    ///
    /// # Errors
    /// The database.
    pub async fn gone_of_late(
        &self,
        like: &Claimed,
        [since, now]: [DateTime<Utc>; 2],
    ) -> Result<Gone, StoreError> {
        let gone = sqlx::query(
            "SELECT COUNT(CASE WHEN state = 'handed' AND settled_at > $4 AND settled_at <= $7 \
             THEN 1 END) AS handed, \
             (SELECT settled_at FROM letters WHERE plan = $1 AND recipient = $2 AND kind = $3 \
             AND state = 'handed' ORDER BY rowid DESC LIMIT 1) AS last, \
             COUNT(CASE WHEN state = 'sending' AND (queued_at < $5 OR (queued_at = $5 AND id < $6)) \
             THEN 1 END) AS under_way FROM letters WHERE plan = $1 AND recipient = $2 AND kind = $3",
        );
        let gone = gone.bind(&like.plan_ref).bind(like.order.to.to_string());
        let gone = gone.bind(like.order.kind.name()).bind(millis(since));
        let gone = gone.bind(millis(like.queued_at)).bind(&like.id).bind(millis(now));
        let row = gone.fetch_one(&self.readers).await?;
        Ok(Gone {
            handed: row.try_get("handed")?,
            last: row.try_get::<Option<i64>, _>("last")?.map(from_millis).transpose()?,
            under_way: row.try_get("under_way")?,
        })
    }

    /// Remembers that this reader has answered: for all that their address speaks for, or for that
    /// address alone.
    ///
    /// # Errors
    /// The database.
    pub async fn confirm(&self, reader: &Reader, now: DateTime<Utc>) -> Result<(), StoreError> {
        let hashes = match reader.for_all {
            true if reader.counted != reader.hash => {
                vec![reader.hash.clone(), format!("{}{BY_COUNT}", reader.counted)]
            }
            true => vec![reader.hash.clone()],
            false => vec![reader.mailbox.clone()],
        };
        self.write(move |connection| {
            Box::pin(async move {
                for hash in hashes {
                    sqlx::query(
                        "INSERT INTO confirmed_addresses (hash, confirmed_at) VALUES ($1, $2) \
                         ON CONFLICT (hash) DO NOTHING",
                    )
                    .bind(hash)
                    .bind(millis(now))
                    .execute(&mut *connection)
                    .await?;
                }
                Ok(())
            })
        })
        .await
    }
}

/// How many plans a key has filed since an instant; inside the transaction that files one more, of
/// many that come at once no more than are allowed pass.
pub(super) async fn filed_by(
    connection: &mut AnyConnection,
    key_id: &str,
    since: DateTime<Utc>,
) -> Result<i64, StoreError> {
    let text = "SELECT COUNT(*) FROM plans WHERE key_id = $1 AND filed_at > $2";
    let count = sqlx::query_scalar(text).bind(key_id).bind(millis(since));
    Ok(count.fetch_one(connection).await?)
}

/// In how many places each of these is named. What may alert counts however old it is: else plans that
/// go on for many days pile up, and no limit holds for alerts.
pub(super) async fn named_times<'a>(
    connection: &mut AnyConnection,
    hashes: impl ExactSizeIterator<Item = &'a str>,
    since: DateTime<Utc>,
) -> Result<BTreeMap<String, Times>, StoreError> {
    if hashes.len() == 0 {
        return Ok(BTreeMap::new());
    }
    let text = format!(
        "SELECT hash, COUNT(CASE WHEN filed_at > $1 \
         OR (in_reach = 1 AND (contact >= 0 OR closed_at IS NULL)) THEN 1 END) AS named, \
         COUNT(CASE WHEN in_reach = 1 THEN 1 END) AS in_reach \
         FROM (SELECT named.hash AS hash, named.contact AS contact, named.filed_at AS filed_at, \
         plans.closed_at AS closed_at, CASE WHEN plans.ref IS NOT NULL AND named.contact > {MOVED} \
         AND (plans.closed_at IS NULL OR plans.closed_at >= $1) THEN 1 ELSE 0 END AS in_reach \
         FROM named_addresses AS named LEFT JOIN plans ON plans.ref = named.plan \
         WHERE named.hash IN ({})) GROUP BY hash",
        list(2, hashes.len())
    );
    let mut select = sqlx::query(sqlx::AssertSqlSafe(text)).bind(millis(since));
    for hash in hashes {
        select = select.bind(hash);
    }
    let rows = select.fetch_all(connection).await?;
    let times = |row: &AnyRow| {
        let times = Times { named: row.try_get("named")?, in_reach: row.try_get("in_reach")? };
        Ok((row.try_get("hash")?, times))
    };
    rows.iter().map(times).collect()
}

/// Whom this key's plans name who, by what counts as their mailbox, have never answered.
pub(super) async fn strangers_of(
    connection: &mut AnyConnection,
    key_id: &str,
    since: DateTime<Utc>,
) -> Result<OfKey, StoreError> {
    let text = format!(
        "SELECT named.hash AS hash, MAX(CASE WHEN named.filed_at > $2 \
         OR (plans.closed_at IS NULL AND named.contact > {MOVED}) THEN 1 ELSE 0 END) AS is_now \
         FROM plans JOIN named_addresses AS named ON named.plan = plans.ref \
         WHERE plans.key_id = $1 AND (named.filed_at > $2 OR (named.contact > {MOVED} \
         AND (plans.closed_at IS NULL OR plans.closed_at >= $2))) \
         AND named.hash NOT IN (SELECT hash FROM confirmed_addresses) \
         AND named.hash || '{BY_COUNT}' NOT IN (SELECT hash FROM confirmed_addresses) \
         GROUP BY named.hash"
    );
    let select = sqlx::query(sqlx::AssertSqlSafe(text)).bind(key_id).bind(millis(since));
    let mut of_key = OfKey::default();
    for row in select.fetch_all(connection).await? {
        let hash: String = row.try_get("hash")?;
        if row.try_get::<i64, _>("is_now")? == 1 {
            of_key.named.insert(hash.clone());
        }
        of_key.in_reach.insert(hash);
    }
    Ok(of_key)
}

/// How many plans of a key are open, or were closed since an instant and can be opened again.
pub(super) async fn open_of(
    connection: &mut AnyConnection,
    key_id: &str,
    since: DateTime<Utc>,
) -> Result<OpenPlans, StoreError> {
    let count = sqlx::query(
        "SELECT COUNT(CASE WHEN closed_at IS NULL THEN 1 END), COUNT(*) FROM plans \
         WHERE key_id = $1 AND (closed_at IS NULL OR closed_at >= $2)",
    );
    let row = count.bind(key_id).bind(millis(since)).fetch_one(connection).await?;
    Ok(OpenPlans { now: row.try_get(0)?, in_reach: row.try_get(1)? })
}
