//! All that is held of one plan, for whoever filed it.

use serde_json::{Value, json};

use super::Daemon;
use crate::store::StoreError;

impl Daemon {
    /// The plan with its versions, what happened to it and what became of its letters.
    ///
    /// # Errors
    /// [`StoreError::NoSuchPlan`], damage, or the database.
    pub async fn export(&self, plan_ref: &str) -> Result<Value, StoreError> {
        let store = self.store();
        let record = store.plan(plan_ref).await?;
        let opened = |text: &str| -> Value {
            let opened = self.0.secrets.open_sealed(plan_ref, text).text;
            serde_json::from_str(&opened).unwrap_or(Value::String(opened))
        };
        let old = store.old_versions(plan_ref).await?;
        let old = old.iter().map(|version| {
            json!({"replaced_at": version.replaced_at, "plan": opened(&version.plan_json)})
        });
        let history = store.history(plan_ref).await?;
        let history = history.iter().map(|past| json!({"at": past.at, "event": past.event}));
        let letters = store.letters(plan_ref).await?;
        let letters = letters.iter().map(|letter| {
            json!({
                "to": letter.to.to_string(),
                "kind": letter.kind.name(),
                "state": letter.state.name(),
                "queued_at": letter.queued_at,
                "settled_at": letter.settled_at,
                "note": letter.note,
            })
        });
        Ok(json!({
            "ref": plan_ref,
            "filed_at": record.filed_at,
            "plan": opened(&record.plan_json),
            "review": serde_json::from_str::<Value>(&record.review_json).unwrap_or_default(),
            "earlier_versions": old.collect::<Vec<_>>(),
            "history": history.collect::<Vec<_>>(),
            "letters": letters.collect::<Vec<_>>(),
        }))
    }
}
