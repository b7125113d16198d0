//! A letter put together: from whom to whom, its words, and what goes with them.

use super::{Daemon, Dossier, enclosing, is_canary};
use crate::letter::{self, Facts, Letter};
use crate::plan::Plan;
use crate::post::{Invitation, Outgoing, Picture};
use crate::settings::Mailbox;
use crate::store::Claimed;
use crate::watch::{Kind, Order, Recipient};

/// Writes the letter as the plan now stands.
pub(super) fn write(
    daemon: &Daemon,
    claimed: &Claimed,
    dossier: &Dossier,
    to: Mailbox,
    chart: Option<&Vec<u8>>,
    plain: bool,
) -> Outgoing {
    let page = match (claimed.order.kind, claimed.order.to) {
        (Kind::Confirm, Recipient::Contact(at)) => Some(daemon.confirm_page(&claimed.plan_ref, at)),
        (_, to) => daemon.page_of(&claimed.plan_ref, to),
    };
    // Fixed words alone: the name was typed by whoever filed the plan.
    let name = to.name.filter(|_| claimed.order.kind != Kind::Confirm);
    let to = Mailbox { name, ..to };
    let facts = daemon.facts(dossier, page.as_deref(), claimed.queued_at);
    let is_alert = claimed.order.kind.is_alert();
    let rescue_page = match is_alert {
        true => daemon.rescue_page_of(&claimed.plan_ref, claimed.order.to),
        false => None,
    };
    let latest = is_alert.then(|| daemon.latest(&dossier.record)).flatten();
    let facts = Facts {
        has_chart: chart.is_some(),
        rescue_page: rescue_page.as_deref(),
        latest: latest.as_deref(),
        ..facts
    };
    let letter = compose(daemon, dossier, &facts, &claimed.order);
    let name = format!("{}.{}", claimed.id, claimed.plan_ref);
    let kind = claimed.order.kind.name();
    let picture = chart.map(|png| Picture {
        content_id: letter::CHART_ID.to_owned(),
        content_type: "image/png".to_owned(),
        bytes: png.clone(),
    });
    let organizer = &daemon.house().from.email;
    // A canary's reader is a mailbox of the keeper's.
    let entry = match is_canary(&dossier.record) {
        true => None,
        false => letter::calendar_entry(&facts, &claimed.order, organizer),
    };
    let invitation =
        entry.map(|entry| Invitation { method: entry.method.to_owned(), text: entry.text });
    let outgoing = daemon.outgoing(&name, kind, Some(&claimed.plan_ref), to, letter);
    let attachments = if is_alert && !plain { enclosing::files(&facts) } else { Vec::new() };
    let return_path = daemon.return_path(&claimed.id);
    Outgoing { picture, invitation, attachments, return_path, ..outgoing }
}

/// The letter's words as the plan now stands; those of a canary say that they are a test.
pub(super) fn compose(
    daemon: &Daemon,
    dossier: &Dossier,
    facts: &Facts<'_>,
    order: &Order,
) -> Letter {
    let compose = if is_canary(&dossier.record) { letter::compose_test } else { letter::compose };
    compose(facts, order, daemon.now())
}

/// A reader's name and address; none where the plan has none.
pub(super) fn mailbox(daemon: &Daemon, plan: &Plan, to: Recipient) -> Option<Mailbox> {
    let (name, email) = match to {
        Recipient::Crew(at) => {
            plan.crew.get(at).and_then(|one| Some((one.name.clone(), one.email.clone()?)))?
        }
        Recipient::Contact(at) => {
            plan.contacts.get(at).map(|one| (one.name.clone(), one.email.clone()))?
        }
        Recipient::Keeper => return daemon.keeper_mailbox(),
    };
    Some(Mailbox { name: Some(name), email })
}
