//! The links that letters and answers carry: each for one plan, one purpose and one person. Only
//! their hashes are stored.

use chrono::{DateTime, Utc};
use sqlx::{AnyConnection, Row};

use super::backup::{read_meta, write_meta};
use super::{Store, StoreError, damaged, millis, places};

/// Under which name the mark of the links' secret stands.
const MARK: &str = "links-mark";
/// Under this name stands the table of time zones by which plans were looked through.
const ZONES: &str = "zones";

/// What a link opens.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Link {
    /// Its purpose.
    pub purpose: Purpose,
    /// Whose it is: the place of the person in the plan, 0 where it is for the whole crew.
    pub who: usize,
}

/// What a link is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Purpose {
    /// The page of one of the crew.
    Crew,
    /// The page of a contact.
    Contact,
    /// The page on which a contact says whether they are willing.
    Confirm,
    /// The filing device checks in.
    CheckIn,
    /// The filing device extends.
    Extend,
    /// The filing device calls off.
    Cancel,
    /// The filing device amends.
    Amend,
    /// The page for a rescue service, by the contact who hands it on. It is told by its keyed hash
    /// alone and stored nowhere.
    Rescue,
}

const PURPOSES: [(Purpose, &str); 8] = [
    (Purpose::Crew, "crew"),
    (Purpose::Contact, "contact"),
    (Purpose::Confirm, "confirm"),
    (Purpose::CheckIn, "checkin"),
    (Purpose::Extend, "extend"),
    (Purpose::Cancel, "cancel"),
    (Purpose::Amend, "amend"),
    (Purpose::Rescue, "rescue"),
];

impl Purpose {
    /// Its name on the outside.
    #[must_use]
    pub fn name(self) -> &'static str {
        PURPOSES.iter().find(|(purpose, _)| *purpose == self).map_or("", |(_, name)| name)
    }
}

pub(super) async fn insert(
    connection: &mut AnyConnection,
    plan_ref: &str,
    links: &[(String, Link)],
) -> Result<(), StoreError> {
    if links.is_empty() {
        return Ok(());
    }
    let places = places(links.len(), 4);
    let text = format!(
        "INSERT INTO links (hash, plan, purpose, who) VALUES {places} ON CONFLICT DO NOTHING"
    );
    let mut insert = sqlx::query(sqlx::AssertSqlSafe(text));
    for (hash, link) in links {
        insert = insert
            .bind(hash)
            .bind(plan_ref)
            .bind(link.purpose.name())
            .bind(i64::try_from(link.who).unwrap_or(i64::MAX));
    }
    insert.execute(connection).await?;
    Ok(())
}

impl Store {
    /// The mark of the secret that the links of open plans were made of; `None` for a new database.
    ///
    /// # Errors
    /// The database.
    pub async fn links_mark(&self) -> Result<Option<String>, StoreError> {
        read_meta(&mut *self.readers.acquire().await?, MARK).await
    }

    /// By which table of time zones the plans were last looked through.
    ///
    /// # Errors
    /// The database.
    pub async fn zones_mark(&self) -> Result<Option<String>, StoreError> {
        read_meta(&mut *self.readers.acquire().await?, ZONES).await
    }

    /// Remembers by which table of time zones they were.
    ///
    /// # Errors
    /// The database.
    pub async fn mark_zones(&self, mark: &'static str) -> Result<(), StoreError> {
        self.write(move |connection| {
            Box::pin(async move { write_meta(connection, ZONES, mark).await })
        })
        .await
    }

    /// Adds links made of another secret to those that are known.
    ///
    /// # Errors
    /// The database.
    pub async fn add_links(
        &self,
        plan_ref: &str,
        links: Vec<(String, Link)>,
    ) -> Result<(), StoreError> {
        let plan_ref = plan_ref.to_owned();
        self.write(move |connection| {
            Box::pin(async move { insert(connection, &plan_ref, &links).await })
        })
        .await
    }

    /// Remembers of which secret the links of open plans are made.
    ///
    /// # Errors
    /// The database.
    pub async fn mark_links(&self, mark: String) -> Result<(), StoreError> {
        self.write(move |connection| {
            Box::pin(async move { write_meta(connection, MARK, &mark).await })
        })
        .await
    }

    /// The plan and purpose of the link whose secret has this hash, unless the plan was closed
    /// before. One that expired is asked for in the same breath as one that never was, so that
    /// nobody can tell them apart by the time that it takes.
    ///
    /// # Errors
    /// Damage, or the database.
    pub async fn link(
        &self,
        hash: &str,
        closed_before: DateTime<Utc>,
    ) -> Result<Option<(String, Link)>, StoreError> {
        let text = "SELECT plan, purpose, who FROM links JOIN plans ON plans.ref = links.plan \
                    WHERE hash = $1 AND (closed_at IS NULL OR closed_at >= $2)";
        let row = sqlx::query(text)
            .bind(hash)
            .bind(millis(closed_before))
            .fetch_optional(&self.readers)
            .await?;
        let Some(row) = row else { return Ok(None) };
        let plan: String = row.try_get("plan")?;
        let (name, who): (String, i64) = (row.try_get("purpose")?, row.try_get("who")?);
        let purpose =
            PURPOSES.iter().find(|(_, known)| *known == name).map(|(purpose, _)| *purpose);
        let purpose = purpose.ok_or_else(|| damaged(&plan, "a link is for no purpose of ours"))?;
        let who = usize::try_from(who).map_err(|error| damaged(&plan, error))?;
        Ok(Some((plan, Link { purpose, who })))
    }
}
