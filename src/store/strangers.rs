//! Who has never answered, who is asked whether they are willing, and who never wants to be
//! written to. Addresses stand here as keyed hashes alone.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use sqlx::{AnyConnection, Row};

use super::letters::insert;
use super::limits::{named_times, strangers_of};
use super::way::End;
use super::{Claimed, Store, StoreError, instant, list, millis};
use crate::watch::{Cause, Kind, Order, Recipient};

/// What marks the row of a "never", or of a yes, that tells under which hash its mailbox is counted.
pub(super) const BY_COUNT: &str = " counted";

/// Whoever's place was taken, or who was named anew, stands at it less a thousand for each who moved
/// in this plan; from here down.
pub(super) const MOVED: i64 = -500;

/// So many in one plan may have one address, whatever the limit is.
const HOUSEHOLD: i64 = 2;

/// So many times each bound holds for all that is open, or was closed within a day and can be opened
/// again. Else what is closed while more is filed, and then opened again, piles up. Whoever opens nothing
/// again stays below: it is what was filed within the day, and what was open a day ago.
pub(super) const IN_REACH: i64 = 2;

/// What a filing may ask of people who have never answered, and how many a key may file.
#[derive(Clone, Debug)]
pub struct Strangers {
    /// The key by which the plan is filed.
    pub key_id: String,
    /// So many plans it may file,
    pub most_by_key: u32,
    /// counted from this instant on.
    pub by_key_since: DateTime<Utc>,
    /// So many of its plans may be open, and twice as many be so or be opened again.
    pub most_open: i64,
    /// So many plans may name an address that has never been confirmed,
    pub most_naming: u32,
    /// counted from this instant on; each place in a plan counts, for each has its letter. A plan that
    /// is open counts however old it is, and for its contacts one that was closed no longer ago.
    pub since: DateTime<Utc>,
    /// So many who have never answered this key's plans may name, counted from the same instant and in
    /// what is open.
    pub most_of_key: u32,
    /// When an address that was never asked is; `None` asks nobody.
    pub ask_at: Option<DateTime<Utc>>,
    /// The keyed hashes of the crew's addresses, with their places: nobody is asked there, but they
    /// count as named.
    pub crew: Vec<(usize, String)>,
    /// Those of whom somebody has answered from the very address: they are no strangers.
    pub confirmed: Vec<Recipient>,
}

/// Who reads at an address, in keyed hashes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reader {
    /// The mailbox, by the address exactly as letters reach it.
    pub mailbox: String,
    /// Every address that they may speak for: the same without capitals and without a `+`.
    pub hash: String,
    /// What counts as one mailbox where letters are counted.
    pub counted: String,
    /// Whether their "never" holds for all of that in plans to come. Only for whoever reads at the
    /// address without a `+`: they read the others' letters too, or there are no others.
    pub for_all: bool,
}

/// A contact of an open plan of whom somebody may have said never, at an address that counts as the
/// same.
#[derive(Clone, Debug)]
pub struct Unwanted {
    /// The plan's ref.
    pub plan_ref: String,
    /// The contact's place in it.
    pub contact: usize,
    /// Who said it: a mailbox, or all that counts as one.
    pub said_by: String,
}

/// Who is told of a plan as of a new one, at an address that is told as a keyed hash.
pub(super) type Fresh<'a> = (Recipient, &'a str);

/// All whom a plan names, its contacts in their places.
pub(super) fn named<'a>(strangers: &'a Strangers, addresses: &'a [String]) -> Vec<Fresh<'a>> {
    let contacts = addresses.iter().enumerate();
    let contacts = contacts.map(|(at, hash)| (Recipient::Contact(at), hash.as_str()));
    let crew = strangers.crew.iter().map(|(at, hash)| (Recipient::Crew(*at), hash.as_str()));
    contacts.chain(crew).collect()
}

/// Refuses a plan, or a version of it, by which a stranger would hear too often of a plan as of a new
/// one, in the transaction that would write it: of many that come at once, no more than are allowed
/// pass. Whom a version names as the one before did is no news.
pub(super) async fn check(
    connection: &mut AnyConnection,
    strangers: &Strangers,
    fresh: &[Fresh<'_>],
) -> Result<(), StoreError> {
    let is_stranger = |one: &&Fresh<'_>| !strangers.confirmed.contains(&one.0);
    let fresh: Vec<Fresh<'_>> = fresh.iter().filter(is_stranger).copied().collect();
    check_key(connection, strangers, &fresh).await?;
    let mut times: BTreeMap<&str, i64> = BTreeMap::new();
    fresh.iter().for_each(|(_, hash)| *times.entry(*hash).or_default() += 1);
    let before = named_times(connection, times.keys().copied(), strangers.since).await?;
    let most = i64::from(strangers.most_naming);
    // A household may have one address, where the keeper allows one letter a day.
    let most_at_once = most.max(HOUSEHOLD);
    for (who, hash) in fresh {
        let (now, before) = (times[hash], before.get(hash).copied().unwrap_or_default());
        let fits = before.named < most && before.named + now <= most_at_once;
        if fits && before.in_reach + now <= IN_REACH * most_at_once {
            continue;
        }
        return Err(match who {
            Recipient::Crew(member) => StoreError::CrewNamedTooOften { member },
            Recipient::Contact(contact) => StoreError::NamedTooOften { contact },
            Recipient::Keeper => StoreError::NamedTooOften { contact: 0 },
        });
    }
    Ok(())
}

/// Refuses a plan by which one key would write to too many people who never answered: no number of
/// plans for one of them keeps a key from writing to thousands.
async fn check_key(
    connection: &mut AnyConnection,
    strangers: &Strangers,
    fresh: &[Fresh<'_>],
) -> Result<(), StoreError> {
    let most = usize::try_from(strangers.most_of_key).unwrap_or(usize::MAX);
    if fresh.is_empty() {
        return Ok(());
    }
    let known = strangers_of(connection, &strangers.key_id, strangers.since).await?;
    let fresh: BTreeSet<&str> = fresh.iter().map(|one| one.1).collect();
    let fits = |known: &BTreeSet<String>, most: usize| {
        let new = fresh.iter().filter(|hash| !known.contains(**hash)).count();
        new == 0 || known.len() + new <= most
    };
    let twice = most.saturating_mul(usize::try_from(IN_REACH).unwrap_or(usize::MAX));
    if fits(&known.named, most) && fits(&known.in_reach, twice) {
        return Ok(());
    }
    Err(StoreError::TooManyStrangers)
}

/// Notes which addresses a plan is told to; the crew stands below the contacts: member 0 at place -1.
/// Who was named before and is `fresh`, or whose place has another address, is named anew, and that
/// they were before still counts: it moves out of the way, far below.
pub(super) async fn note(
    connection: &mut AnyConnection,
    plan_ref: &str,
    all: &[Fresh<'_>],
    fresh: &[Fresh<'_>],
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let rows = sqlx::query("SELECT contact, hash FROM named_addresses WHERE plan = $1")
        .bind(plan_ref)
        .fetch_all(&mut *connection)
        .await?;
    let known: Result<BTreeMap<i64, String>, sqlx::Error> =
        rows.iter().map(|row| Ok((row.try_get("contact")?, row.try_get("hash")?))).collect();
    let known = known?;
    for one in all {
        let place = place(one.0);
        let before = known.get(&place);
        if before.is_some_and(|before| before == one.1) && !fresh.contains(one) {
            continue;
        }
        if before.is_some() {
            sqlx::query(sqlx::AssertSqlSafe(format!(
                "UPDATE named_addresses SET contact = contact - 1000 * (1 + \
                     (SELECT COUNT(*) FROM named_addresses WHERE plan = $1 AND contact < {MOVED})) \
                     WHERE plan = $1 AND contact = $2"
            )))
            .bind(plan_ref)
            .bind(place)
            .execute(&mut *connection)
            .await?;
        }
        sqlx::query(
            "INSERT INTO named_addresses (hash, plan, contact, filed_at) VALUES ($1, $2, $3, $4)",
        )
        .bind(one.1)
        .bind(plan_ref)
        .bind(place)
        .bind(millis(now))
        .execute(&mut *connection)
        .await?;
    }
    Ok(())
}

fn place(who: Recipient) -> i64 {
    match who {
        Recipient::Crew(at) => i64::try_from(at).map_or(i64::MIN, |at| -1 - at),
        Recipient::Contact(at) => i64::try_from(at).unwrap_or(i64::MAX),
        Recipient::Keeper => i64::MIN,
    }
}

/// Notes that the addresses which this plan names from an instant on, and which were never asked nor
/// confirmed, are to be asked.
pub(super) async fn ask(
    connection: &mut AnyConnection,
    plan_ref: &str,
    named_from: DateTime<Utc>,
    strangers: &Strangers,
) -> Result<(), StoreError> {
    let Some(at) = strangers.ask_at else { return Ok(()) };
    let known = strangers.confirmed.iter().map(|one| place(*one).to_string());
    let known = known.collect::<Vec<_>>().join(", ");
    let text = format!(
        "INSERT INTO confirmations (hash, plan, contact, send_at) \
         SELECT hash, plan, MIN(contact), $1 FROM named_addresses WHERE plan = $2 \
         AND contact >= 0 AND filed_at >= $3 AND contact NOT IN ({known}) AND hash NOT IN (SELECT hash FROM confirmed_addresses) \
         AND hash NOT IN (SELECT hash FROM never_mailboxes WHERE for_all = 1) GROUP BY hash, plan \
         ON CONFLICT (hash) DO UPDATE SET plan = excluded.plan, contact = excluded.contact, \
         send_at = excluded.send_at WHERE confirmations.sent_at IS NULL"
    );
    let insert = sqlx::query(sqlx::AssertSqlSafe(text)).bind(millis(at)).bind(plan_ref);
    insert.bind(millis(named_from)).execute(connection).await?;
    Ok(())
}

/// In SQL, the place in which a row of `named_addresses` stands, or stood.
fn place_of(row: &str) -> String {
    format!("({row}.contact + 1000 * ((500 - {row}.contact) / 1000))")
}

impl Store {
    /// Notes that this reader never wants to be written to.
    ///
    /// # Errors
    /// The database.
    pub async fn never_write_to(
        &self,
        reader: &Reader,
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let Reader { mailbox, hash, counted, for_all } = reader.clone();
        self.write(move |connection| {
            Box::pin(async move {
                let mut rows = Vec::new();
                if counted != hash {
                    // By this they are found where plans name them, and by nothing else.
                    rows.push((format!("{mailbox}{BY_COUNT}"), counted, false));
                }
                rows.push((mailbox, hash, for_all));
                for (mailbox, hash, for_all) in rows {
                    sqlx::query(
                        "INSERT INTO never_mailboxes (mailbox, hash, for_all, at) \
                         VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING",
                    )
                    .bind(mailbox)
                    .bind(hash)
                    .bind(i64::from(for_all))
                    .bind(millis(now))
                    .execute(&mut *connection)
                    .await?;
                }
                Ok(())
            })
        })
        .await
    }

    /// Whether a plan to come may not name this reader.
    ///
    /// # Errors
    /// The database.
    pub async fn wants_no_letters(&self, reader: &Reader) -> Result<bool, StoreError> {
        let text = "SELECT 1 FROM never_mailboxes WHERE mailbox = $1 \
                    UNION ALL SELECT 1 FROM never_mailboxes WHERE hash = $2 AND for_all = 1 LIMIT 1";
        let row = sqlx::query(text)
            .bind(&reader.mailbox)
            .bind(&reader.hash)
            .fetch_optional(&self.readers)
            .await?;
        Ok(row.is_some())
    }

    /// Whether somebody has said at this very mailbox that they want no letters.
    ///
    /// # Errors
    /// The database.
    pub async fn has_said_never(&self, mailbox: &str) -> Result<bool, StoreError> {
        let row = sqlx::query("SELECT 1 FROM never_mailboxes WHERE mailbox = $1")
            .bind(mailbox)
            .fetch_optional(&self.readers)
            .await?;
        Ok(row.is_some())
    }

    /// How many letters of what became of trips, besides this one, have left for a reader between these
    /// instants or are leaving now, and how many of those are of its own plan; none for one who has
    /// answered once. What left while they stood in a place was theirs, whoever stands there now.
    ///
    /// # Errors
    /// The database.
    pub async fn told_of_late(
        &self,
        reader: &Reader,
        beside: &Claimed,
        [since, now]: [DateTime<Utc>; 2],
    ) -> Result<(i64, i64), StoreError> {
        let (own, other) = (place_of("named"), place_of("next"));
        let text = format!(
            "SELECT COUNT(*), COUNT(CASE WHEN letters.plan = $6 THEN 1 END) \
             FROM named_addresses AS named JOIN letters \
             ON letters.plan = named.plan AND letters.recipient = CASE WHEN {own} < 0 \
             THEN 'crew:' || (-{own}) ELSE 'contact:' || ({own} + 1) END \
             WHERE named.hash = $1 AND letters.id <> $2 \
             AND letters.kind IN ('changed', 'home', 'withdrawn', 'news') \
             AND ((letters.state = 'sending' AND named.contact > {MOVED}) \
             OR (letters.state = 'handed' AND letters.settled_at > $3 AND letters.settled_at <= $7 \
             AND letters.settled_at >= named.filed_at \
             AND NOT EXISTS (SELECT 1 FROM named_addresses AS next WHERE next.plan = named.plan \
             AND {other} = {own} AND next.filed_at > named.filed_at \
             AND next.filed_at <= letters.settled_at))) \
             AND NOT EXISTS (SELECT 1 FROM confirmed_addresses WHERE hash IN ($4, $5))"
        );
        let count = sqlx::query(sqlx::AssertSqlSafe(text));
        let count = count.bind(&reader.counted).bind(&beside.id).bind(millis(since));
        let count = count.bind(&reader.mailbox).bind(&reader.hash).bind(&beside.plan_ref);
        let count = count.bind(millis(now));
        let row = count.fetch_one(&self.readers).await?;
        Ok((row.try_get(0)?, row.try_get(1)?))
    }

    /// Which of these somebody has answered from.
    ///
    /// # Errors
    /// The database.
    pub async fn confirmed_among(&self, hashes: &[String]) -> Result<BTreeSet<String>, StoreError> {
        if hashes.is_empty() {
            return Ok(BTreeSet::new());
        }
        let text = format!(
            "SELECT hash FROM confirmed_addresses WHERE hash IN ({})",
            list(1, hashes.len())
        );
        let mut select = sqlx::query(sqlx::AssertSqlSafe(text));
        for hash in hashes {
            select = select.bind(hash);
        }
        let rows = select.fetch_all(&self.readers).await?;
        rows.iter().map(|row| Ok(row.try_get("hash")?)).collect()
    }

    /// The contacts of open plans of whom somebody may have said never. Whether it was they, the
    /// address as it stands in the plan tells.
    ///
    /// # Errors
    /// The database.
    pub async fn unwanted_in_open_plans(&self) -> Result<Vec<Unwanted>, StoreError> {
        let rows = sqlx::query(
            "SELECT named.plan AS plan, named.contact AS contact, never.mailbox AS mailbox \
             FROM never_mailboxes AS never \
             JOIN named_addresses AS named ON named.hash = never.hash AND named.contact >= 0 \
             JOIN plans ON plans.ref = named.plan AND plans.closed_at IS NULL",
        )
        .fetch_all(&self.readers)
        .await?;
        rows.iter()
            .map(|row| {
                let contact: i64 = row.try_get("contact")?;
                Ok(Unwanted {
                    plan_ref: row.try_get("plan")?,
                    contact: usize::try_from(contact).unwrap_or(usize::MAX),
                    said_by: row.try_get::<String, _>("mailbox")?.replace(BY_COUNT, ""),
                })
            })
            .collect()
    }

    /// Orders `confirm` for the addresses whose time has come, each once; how many.
    ///
    /// # Errors
    /// The database.
    pub async fn ask_strangers(&self, now: DateTime<Utc>, most: u32) -> Result<usize, StoreError> {
        // Most looks find nothing, and then nothing is written.
        if due(&mut *self.readers.acquire().await?, now, 1).await?.is_empty() {
            return Ok(0);
        }
        self.write(move |connection| {
            Box::pin(async move {
                let due = due(connection, now, most).await?;
                for (hash, plan_ref, order) in &due {
                    insert(connection, &[(plan_ref.as_str(), order)], now, End::Last).await?;
                    sqlx::query("UPDATE confirmations SET sent_at = $1 WHERE hash = $2")
                        .bind(millis(now))
                        .bind(hash)
                        .execute(&mut *connection)
                        .await?;
                }
                Ok(due.len())
            })
        })
        .await
    }

    /// Orders a letter that no event of the plan owes: an exercise.
    ///
    /// # Errors
    /// The database.
    pub async fn order_letter(
        &self,
        plan_ref: &str,
        order: Order,
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let plan_ref = plan_ref.to_owned();
        self.write(move |connection| {
            Box::pin(async move {
                insert(connection, &[(plan_ref.as_str(), &order)], now, End::Last).await
            })
        })
        .await
    }
}

async fn due(
    connection: &mut AnyConnection,
    now: DateTime<Utc>,
    most: u32,
) -> Result<Vec<(String, String, Order)>, StoreError> {
    let rows = sqlx::query(
        "SELECT asked.hash AS hash, asked.plan AS plan, asked.contact AS contact, \
         asked.send_at AS send_at FROM confirmations AS asked \
         JOIN plans ON plans.ref = asked.plan AND plans.closed_at IS NULL \
         WHERE asked.sent_at IS NULL AND asked.send_at <= $1 \
         AND asked.hash NOT IN (SELECT hash FROM confirmed_addresses) \
         AND asked.hash NOT IN (SELECT hash FROM never_mailboxes WHERE for_all = 1) LIMIT $2",
    )
    .bind(millis(now))
    .bind(i64::from(most))
    .fetch_all(connection)
    .await?;
    rows.iter()
        .map(|row| {
            let contact: i64 = row.try_get("contact")?;
            let order = Order {
                round: 1,
                cause: Cause::Event(1),
                to: Recipient::Contact(usize::try_from(contact).unwrap_or(usize::MAX)),
                kind: Kind::Confirm,
                scheduled_at: instant(row, "send_at")?,
            };
            Ok((row.try_get("hash")?, row.try_get("plan")?, order))
        })
        .collect()
}
