//! The documents that the API answers with.

use serde::Serialize;
use serde_json::Value;

use crate::caution::Caution;
use crate::daemon::{Amended, Filed, NOBODY_REACHED, PersonStatus, PlanStatus};
use crate::store::LetterFate;

/// Where a plan stands, in the words that every answer begins with.
#[derive(Serialize)]
pub(super) struct Standing {
    r#ref: String,
    state: &'static str,
    due_at: String,
    overdue_at: String,
}

/// A plan is armed.
#[derive(Serialize)]
pub(super) struct Armed {
    #[serde(flatten)]
    standing: Standing,
    /// Loud, while nobody ashore has been reached.
    #[serde(skip_serializing_if = "Option::is_none")]
    notice: Option<&'static str>,
    letters: Vec<Letter>,
    contacts: Vec<Contact>,
    /// None for a keeper who changes another's plan, since they would outlast the keeper's key; none for
    /// whoever changes it by a link.
    #[serde(skip_serializing_if = "Option::is_none")]
    links: Option<Links>,
    review: Value,
    /// After an amendment: the cautions that are new or graver than before.
    #[serde(skip_serializing_if = "Option::is_none")]
    worse: Option<Vec<Caution>>,
}

/// A plan in full.
#[derive(Serialize)]
pub(super) struct Shown {
    #[serde(flatten)]
    standing: Standing,
    title: Option<String>,
    filed_at: String,
    ashore: Vec<String>,
    out: Vec<String>,
    removed: Vec<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    notice: Option<&'static str>,
    letters: Vec<Letter>,
    contacts: Vec<Contact>,
}

/// The answer to a check-in, an extension or a calling-off.
#[derive(Serialize)]
pub(super) struct Moved {
    state: &'static str,
    ashore: Vec<String>,
    out: Vec<String>,
    due_at: String,
    overdue_at: String,
    /// After an extension: the cautions that are new or graver than before.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) worse: Option<Vec<Caution>>,
}

#[derive(Serialize)]
struct Letter {
    to: String,
    kind: &'static str,
    state: &'static str,
    settled_at: Option<String>,
}

#[derive(Serialize)]
struct Contact {
    name: String,
    state: &'static str,
    removed: bool,
    confirmed: bool,
    refused: bool,
    reached: bool,
}

#[derive(Serialize)]
struct Links {
    crew: String,
    checkin: String,
    extend: String,
    cancel: String,
    amend: String,
}

impl From<&PlanStatus> for Standing {
    fn from(status: &PlanStatus) -> Self {
        let times = &status.plan.times;
        Standing {
            r#ref: status.plan_ref.clone(),
            state: status.word(),
            due_at: times.local(status.state.terms.due_at),
            overdue_at: times.local(status.state.overdue_at()),
        }
    }
}

impl From<Filed> for Armed {
    fn from(filed: Filed) -> Self {
        let links = filed.links;
        Armed {
            standing: Standing::from(&filed.status),
            notice: notice(&filed.status),
            letters: letters(&filed.status),
            contacts: contacts(&filed.status),
            links: Some(Links {
                crew: links.crew,
                checkin: links.checkin,
                extend: links.extend,
                cancel: links.cancel,
                amend: links.amend,
            }),
            review: filed.review,
            worse: None,
        }
    }
}

impl From<Amended> for Armed {
    fn from(amended: Amended) -> Self {
        Armed { worse: Some(amended.worse), ..Armed::from(amended.filed) }
    }
}

impl Armed {
    /// The same for somebody who is not given the crew's links.
    pub(super) fn without_links(self) -> Self {
        Armed { links: None, ..self }
    }
}

impl From<&PlanStatus> for Shown {
    fn from(status: &PlanStatus) -> Self {
        Shown {
            standing: Standing::from(status),
            title: status.plan.title.clone(),
            filed_at: status.plan.times.local(status.filed_at),
            ashore: owned(status.ashore()),
            out: owned(status.out()),
            removed: owned(status.removed()),
            notice: notice(status),
            letters: letters(status),
            contacts: contacts(status),
        }
    }
}

impl From<&PlanStatus> for Moved {
    fn from(status: &PlanStatus) -> Self {
        let Standing { state, due_at, overdue_at, .. } = Standing::from(status);
        Moved {
            state,
            ashore: owned(status.ashore()),
            out: owned(status.out()),
            due_at,
            overdue_at,
            worse: None,
        }
    }
}

impl From<PersonStatus> for Contact {
    fn from(person: PersonStatus) -> Self {
        let state = person.word();
        let PersonStatus { name, confirmed, refused, reached, removed } = person;
        Contact { name, state, removed, confirmed, refused, reached }
    }
}

fn notice(status: &PlanStatus) -> Option<&'static str> {
    (!status.state.is_closed() && !status.reached_anybody()).then_some(NOBODY_REACHED)
}

fn contacts(status: &PlanStatus) -> Vec<Contact> {
    status.contacts().into_iter().map(Contact::from).collect()
}

fn letters(status: &PlanStatus) -> Vec<Letter> {
    let letter = |fate: &LetterFate| Letter {
        to: status.reader_name(fate.to).to_owned(),
        kind: fate.kind.name(),
        state: fate.state.name(),
        settled_at: fate.settled_at.map(|at| status.plan.times.local(at)),
    };
    status.letters.iter().map(letter).collect()
}

fn owned(names: Vec<&str>) -> Vec<String> {
    names.into_iter().map(str::to_owned).collect()
}
