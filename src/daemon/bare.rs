//! Plain letters about a plan whose stored data can't be read.

use std::fmt;

use super::Daemon;
use crate::letter::{Bare, plain_fallback};
use crate::post::Outgoing;
use crate::settings::Mailbox;
use crate::store::{Claimed, Spare, StoreError};
use crate::watch::Recipient;

/// A letter with the little that is known; `None` when its reader's address can't be read either.
pub(super) async fn plain_letter(
    daemon: &Daemon,
    claimed: &Claimed,
    why: &(dyn fmt::Display + Sync),
) -> Result<Option<Outgoing>, StoreError> {
    let plan_ref = claimed.plan_ref.as_str();
    daemon.tell_keeper(
        "unreadable",
        &format!("{why}; its letters go out in plain words"),
        &[
            "Look at the board, and reach the crew and its contacts yourself.",
            "`shorelamp doctor` tells whether the rest of the database is sound.",
        ],
    );
    let spare = daemon.0.store.spare(plan_ref).await?;
    let Some(to) = mailbox(daemon, &spare, claimed.order.to) else { return Ok(None) };
    let page = daemon.page_of(plan_ref, claimed.order.to);
    let stored_plan = spare.stored_plan.as_deref();
    let stored_plan = stored_plan.map(|text| daemon.0.secrets.open_sealed(plan_ref, text).text);
    let bare = Bare {
        service_name: &daemon.0.house.name,
        plan_ref,
        overdue_at: spare.overdue_at,
        stored_plan: stored_plan.as_deref(),
        rescue: &daemon.0.house.rescues,
        launch: spare.card.as_ref().and_then(|card| card.launch),
        page: page.as_deref(),
    };
    let kind = claimed.order.kind;
    let letter = plain_fallback(&bare, kind, daemon.now());
    let name = format!("{}.{plan_ref}", claimed.id);
    Ok(Some(daemon.outgoing(&name, kind.name(), Some(plan_ref), to, letter)))
}

fn mailbox(daemon: &Daemon, spare: &Spare, to: Recipient) -> Option<Mailbox> {
    let card = spare.card.as_ref();
    let mailed = match to {
        Recipient::Keeper => return daemon.keeper_mailbox(),
        Recipient::Contact(at) => card?.contacts.get(at)?,
        Recipient::Crew(at) => card?.crew.get(at)?.as_ref()?,
    };
    Some(Mailbox { name: Some(mailed.name.clone()), email: mailed.email.clone() })
}
