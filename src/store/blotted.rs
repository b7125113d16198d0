//! What was said of a closed plan, without the names of contacts who are forgotten.

use sqlx::{AnyConnection, Row};

use super::StoreError;
use super::forget::Thinned;
use super::history::{past, rows_of_history};
use super::plans::{read_state, to_json, write_state};
use super::spare::refold;
use crate::watch::Watched;

/// Puts the name that the plan now has for each of them in the place of theirs, in every event, and
/// in the state, which is made of its events anew.
pub(super) async fn blot_out(
    connection: &mut AnyConnection,
    plan: &Thinned,
) -> Result<(), StoreError> {
    let plan_ref = plan.plan_ref.as_str();
    // What got worse may name whom it found too few of.
    sqlx::query("UPDATE events SET worse_json = NULL WHERE plan = $1")
        .bind(plan_ref)
        .execute(&mut *connection)
        .await?;
    let state = sound_state(connection, plan_ref).await?;
    for row in rows_of_history(connection, plan_ref).await? {
        // One that can't be read says nothing to anybody.
        let Ok(mut past) = past(&row, plan_ref) else { continue };
        let before = past.event.clone();
        for at in &plan.contacts {
            let name = plan.card.contacts.get(*at).map_or("", |nobody| nobody.name.as_str());
            past.event.rename_contact(*at, name);
        }
        if past.event == before {
            continue;
        }
        sqlx::query("UPDATE events SET event_json = $1 WHERE plan = $2 AND number = $3")
            .bind(to_json(plan_ref, &past.event)?)
            .bind(plan_ref)
            .bind(row.try_get::<i64, _>("number")?)
            .execute(&mut *connection)
            .await?;
    }
    let Some(state) = state else { return Ok(()) };
    let renamed = refold(connection, plan_ref).await?;
    if renamed != state {
        write_state(connection, plan_ref, &renamed).await?;
    }
    Ok(())
}

/// The state, if it is the fold of its events: one that is not is left as it stands, for `verify` to
/// tell.
async fn sound_state(
    connection: &mut AnyConnection,
    plan_ref: &str,
) -> Result<Option<Watched>, StoreError> {
    let read = read_state(connection, plan_ref).await;
    let folded = match &read {
        Ok(_) => refold(connection, plan_ref).await,
        Err(error) => Err(error.clone()),
    };
    match (read, folded) {
        (Ok(read), Ok(folded)) => Ok((read == folded).then_some(read)),
        (_, Err(error)) if error.is_damage() => Ok(None),
        (_, Err(error)) | (Err(error), _) => Err(error),
    }
}
