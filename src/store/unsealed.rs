//! Plans that an earlier version of this program stored with their medical notes in plain text.

use std::fmt;

use sqlx::Row;

use super::{Store, StoreError};

const PLAIN: [&str; 2] = [
    "SELECT plan, plan_json, CAST(0 AS BIGINT) AS number FROM papers \
     WHERE plan_json LIKE '%\"medical\":\"%' AND plan_json NOT LIKE '%\"medical\":\"sealed:1:%'",
    "SELECT plan, plan_json, replaced_by AS number FROM versions \
     WHERE plan_json LIKE '%\"medical\":\"%' AND plan_json NOT LIKE '%\"medical\":\"sealed:1:%'",
];

/// A version of a plan with medical notes in plain text.
#[derive(Clone)]
pub struct Unsealed {
    /// The plan's ref.
    pub plan_ref: String,
    /// Its text.
    pub plan_json: String,
    /// Of an old version, the event that replaced it; 0 for the newest.
    replaced_by: i64,
}

/// It holds private text, so it can't print itself.
impl fmt::Debug for Unsealed {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "Unsealed {}", self.plan_ref)
    }
}

impl Store {
    /// Every stored version of a plan with medical notes in plain text.
    ///
    /// # Errors
    /// The database.
    pub async fn unsealed(&self) -> Result<Vec<Unsealed>, StoreError> {
        let mut found = Vec::new();
        for text in PLAIN {
            for row in sqlx::query(text).fetch_all(&self.readers).await? {
                found.push(Unsealed {
                    plan_ref: row.try_get("plan")?,
                    plan_json: row.try_get("plan_json")?,
                    replaced_by: row.try_get("number")?,
                });
            }
        }
        Ok(found)
    }

    /// Puts the sealed text in the plain one's place, unless that has changed meanwhile.
    ///
    /// # Errors
    /// The database.
    pub async fn replace_unsealed(
        &self,
        plain: Unsealed,
        sealed: String,
    ) -> Result<(), StoreError> {
        let text = match plain.replaced_by {
            0 => "UPDATE papers SET plan_json = $1 WHERE plan_json = $2 AND plan = $3 AND $4 = 0",
            _ => {
                "UPDATE versions SET plan_json = $1 WHERE plan_json = $2 AND plan = $3 \
                 AND replaced_by = $4"
            }
        };
        self.write(move |connection| {
            Box::pin(async move {
                sqlx::query(text)
                    .bind(sealed)
                    .bind(plain.plan_json)
                    .bind(plain.plan_ref)
                    .bind(plain.replaced_by)
                    .execute(connection)
                    .await?;
                Ok(())
            })
        })
        .await
    }
}
