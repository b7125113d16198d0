//! Plain letters: about a plan whose stored data can't be read, or over which the program fails, and
//! where the whole letter is refused.

use std::fmt;

use super::Daemon;
use crate::guarded::guarded_while;
use crate::letter::{Bare, Facts, plain_fallback};
use crate::post::Outgoing;
use crate::settings::Mailbox;
use crate::store::{Claimed, Spare, StoreError};
use crate::watch::{Recipient, Watched};

/// Tells the keeper that a plan's letters go out in plain words, and why.
pub(super) fn tell_of_plain_words(daemon: &Daemon, why: &dyn fmt::Display) {
    daemon.tell_keeper(
        "unreadable",
        &format!("{why}; its letters go out in plain words"),
        &[
            "Look at the board, and reach the crew and its contacts yourself.",
            "`shorelamp doctor` tells whether the rest of the database is sound.",
        ],
    );
}

/// A letter with the little that is known; `None` when its reader's address can't be read either.
pub(super) async fn plain_letter(
    daemon: &Daemon,
    claimed: &Claimed,
) -> Result<Option<Outgoing>, StoreError> {
    let plan_ref = claimed.plan_ref.as_str();
    let spare = daemon.store().spare(plan_ref).await?;
    let Some(to) = mailbox(daemon, &spare, claimed.order.to) else { return Ok(None) };
    let stored_plan = spare.stored_plan.as_deref();
    let stored_plan = stored_plan.map(|text| daemon.0.secrets.open_sealed(plan_ref, text).text);
    let watched = state_of(daemon, plan_ref).await;
    let bare = Bare {
        overdue_at: spare.overdue_at,
        stored_plan: stored_plan.as_deref(),
        watched: watched.as_ref(),
        launch: spare.card.as_ref().and_then(|card| card.launch),
        ..nothing_of(daemon, claimed)
    };
    Ok(Some(outgoing(daemon, claimed, &bare, to)))
}

/// The plan's state; `None` where it can't be read, or the program fails over it: the letter goes all
/// the same.
async fn state_of(daemon: &Daemon, plan_ref: &str) -> Option<Watched> {
    let record = guarded_while(daemon.store().plan(plan_ref)).await.ok()?;
    record.ok().map(|record| record.state)
}

/// The same with nothing that anybody typed or that depends on the plan, but for its ref and its
/// reader's address: what the program failed over is not in it.
pub(super) async fn barest_letter(
    daemon: &Daemon,
    claimed: &Claimed,
) -> Result<Option<Outgoing>, StoreError> {
    let spare = daemon.store().spare(&claimed.plan_ref).await?;
    let Some(to) = mailbox(daemon, &spare, claimed.order.to) else { return Ok(None) };
    let to = Mailbox { name: None, ..to };
    Ok(Some(outgoing(daemon, claimed, &nothing_of(daemon, claimed), to)))
}

/// A letter in words of ours and the figures of the plan alone, with the way to all the rest: where the whole one is
/// refused, or comes back for what stands in it, something that was typed may be what no filter lets
/// through.
pub(super) fn untyped_letter(
    daemon: &Daemon,
    claimed: &Claimed,
    facts: &Facts<'_>,
    to: Mailbox,
) -> Outgoing {
    daemon.tell_keeper(
        "refused-words",
        "a letter is refused for what stands in it; it goes in plain words, without what its crew \
         and its contacts wrote",
        &[
            "Look at the board, and reach the crew and its contacts yourself.",
            "Ask whoever keeps the relay or that mailbox which rule it breaks; the log names the letter.",
        ],
    );
    let bare = Bare {
        overdue_at: Some(facts.watched.overdue_at()),
        figures: Some(facts),
        launch: Some(facts.plan.launch.position),
        why: "a mail service refused the whole of it. Names and all that anybody wrote stand on your page",
        ..nothing_of(daemon, claimed)
    };
    outgoing(daemon, claimed, &bare, Mailbox { name: None, ..to })
}

/// What can be said of any plan.
fn nothing_of<'a>(daemon: &'a Daemon, claimed: &'a Claimed) -> Bare<'a> {
    Bare {
        service_name: &daemon.0.house.name,
        plan_ref: &claimed.plan_ref,
        overdue_at: None,
        stored_plan: None,
        watched: None,
        figures: None,
        rescue: &daemon.0.house.rescues,
        launch: None,
        page: None,
        why: "the plan could not be read",
    }
}

fn outgoing(daemon: &Daemon, claimed: &Claimed, bare: &Bare<'_>, to: Mailbox) -> Outgoing {
    let (plan_ref, kind) = (claimed.plan_ref.as_str(), claimed.order.kind);
    let page = daemon.page_of(plan_ref, claimed.order.to);
    let letter = plain_fallback(&Bare { page: page.as_deref(), ..*bare }, kind, daemon.now());
    let name = format!("{}.{plan_ref}", claimed.id);
    let outgoing = daemon.outgoing(&name, kind.name(), Some(plan_ref), to, letter);
    Outgoing { return_path: daemon.return_path(&claimed.id), ..outgoing }
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
