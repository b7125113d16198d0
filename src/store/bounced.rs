//! A letter that a relay took and that came back.

use chrono::{DateTime, Utc};
use sqlx::{AnyConnection, Row};

use super::batch::Batch;
use super::ledger::Ledger;
use super::way::{Way, by_any_way};
use super::{Store, StoreError, damaged, millis};
use crate::watch::{Event, Kind, Recipient};

/// A letter whose report has come in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CameBack {
    /// The plan that owed it.
    pub plan_ref: String,
    /// Whose it was.
    pub to: Recipient,
    /// What it was.
    pub kind: Kind,
    /// Whether it was known already.
    pub known: bool,
}

impl Store {
    /// Writes down that the letter with this id came back for good; `None` where there is no such
    /// letter that has left. `for_content` where it may have been sent back for what stands in it. A
    /// second report of the same letter changes nothing.
    ///
    /// # Errors
    /// Damage, or the database.
    pub async fn came_back(
        &self,
        letter: &str,
        note: &str,
        for_content: bool,
        now: DateTime<Utc>,
    ) -> Result<Option<CameBack>, StoreError> {
        by_any_way("of a letter that came back", |way| {
            let (letter, note) = (letter.to_owned(), note.to_owned());
            self.write(move |connection| {
                Box::pin(async move {
                    came_back(connection, &letter, (&note, for_content), now, way).await
                })
            })
        })
        .await
    }
}

async fn came_back(
    connection: &mut AnyConnection,
    letter: &str,
    (note, for_content): (&str, bool),
    now: DateTime<Utc>,
    way: Way,
) -> Result<Option<CameBack>, StoreError> {
    let text = "SELECT plan, recipient, kind, state FROM letters WHERE id = $1 \
                AND (state = 'handed' OR state = 'refused')";
    let row = sqlx::query(text).bind(letter).fetch_optional(&mut *connection).await?;
    let Some(row) = row else { return Ok(None) };
    let plan_ref: String = row.try_get("plan")?;
    let word = |column| -> Result<String, StoreError> { Ok(row.try_get(column)?) };
    let unreadable = |()| damaged(&plan_ref, "a letter's row can't be read");
    let to: Recipient = word("recipient")?.parse().map_err(unreadable)?;
    let kind: Kind = word("kind")?.parse().map_err(unreadable)?;
    let known = word("state")? == "refused";
    if !known {
        sqlx::query(
            "UPDATE letters SET state = 'refused', settled_at = $1, note = $2 WHERE id = $3",
        )
        .bind(millis(now))
        .bind(note)
        .bind(letter)
        .execute(&mut *connection)
        .await?;
        let mut ledger = Ledger::open(connection, [plan_ref.as_str()].into()).await?;
        ledger.step(&plan_ref, &Event::Bounced { to, kind, for_content }, None, now)?;
        ledger.write(connection, way, Batch::default()).await?;
    }
    Ok(Some(CameBack { plan_ref, to, kind, known }))
}
