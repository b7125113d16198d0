//! How often a day one plan may be changed. Each change is a letter to everybody it names, and they
//! may be strangers who never asked for it.
//!
//! What is under way counts too, so that many at once are no more than one after the other; a deed
//! holds its place until it is [finished](UnderWay::finish).
//!
//! No crew and no contact comes near these numbers. What stops an alert is taken as long as it was
//! not taken back very often; then the keeper closes the plan by hand.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use axum::http::StatusCode;
use chrono::{DateTime, TimeDelta, Utc};

use super::deed::Notice;
use super::problem::Problem;
use crate::daemon::Daemon;
use crate::watch::{By, Event, How, Past};

const A_DAY: TimeDelta = TimeDelta::days(1);
/// A new time or a new version of the plan.
const MOST_CHANGES: usize = 24;
/// Word from a crew that is still out.
const MOST_WORDS: usize = 60;
/// One contact's answers.
const MOST_ANSWERS: usize = 60;
/// Of what the crew has said of an end, what it took back itself, and of what one contact has, what anybody
/// did: whoever is both would else end and reopen a trip without end. After that they are told to
/// telephone. So often, too, one contact takes back what the crew has said: what the others say still
/// counts.
const MOST_UNDONE: usize = 12;
/// So often all contacts together, and so often the crew, may open again what the keeper has closed by
/// hand: the keeper hears of each, and closes it again only where they know better.
const MOST_AGAINST_KEEPER: usize = 3;

/// A request that broke off may still be carried out, though hardly later than this.
const BROKEN_OFF: Duration = Duration::from_secs(10);

/// The deeds that are under way, by plan.
#[derive(Clone, Default)]
pub(super) struct Often(Arc<Mutex<BTreeMap<(String, Deed), usize>>>);

/// What is counted together.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Deed {
    Change,
    Word,
    Answer(usize),
    /// That somebody is ashore, or that the trip is off: as the crew says it, or one contact.
    Closing(Side),
    /// That this contact takes back this event.
    TakenBack(usize, u32),
    /// That the crew, or else a contact, takes back something of a trip that the keeper has closed.
    AgainstKeeper {
        crew: bool,
    },
}

/// Who says something. What a contact says and takes back keeps no crew from ending its own trip, and no
/// other contact; nor does what they take back of the crew's.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Side {
    Crew,
    Contact(usize),
}

impl Side {
    fn of(by: &By) -> Self {
        match by {
            By::Contact(contact, _) => Side::Contact(*contact),
            By::Crew(_) | By::Keeper(_) => Side::Crew,
        }
    }
}

impl Deed {
    fn of(event: &Event) -> Option<Self> {
        Some(match event {
            Event::Extended { .. } | Event::Amended { .. } => Deed::Change,
            Event::StillOut { .. } => Deed::Word,
            Event::Answered { contact, .. } => Deed::Answer(*contact),
            Event::CheckedIn { by, .. } | Event::CalledOff { by } => Deed::Closing(Side::of(by)),
            Event::Undone { event, by: By::Contact(contact, _) } => {
                Deed::TakenBack(*contact, *event)
            }
            _ => return None,
        })
    }
}

/// A deed that may be done. One that is dropped unfinished, as when its reader hangs up, may still be
/// carried out by the daemon, and counts on for a while.
#[must_use = "it counts no longer once it is dropped"]
pub(super) struct UnderWay {
    among: Often,
    what: Option<(String, Deed)>,
    finished: bool,
}

impl UnderWay {
    /// How many others of its kind are under way.
    fn beside(&self) -> usize {
        let number = self.what.as_ref().and_then(|what| self.among.all().get(what).copied());
        number.unwrap_or(0).saturating_sub(1)
    }

    /// It is written down, or never will be.
    pub(super) fn finish(mut self) {
        self.finished = true;
    }
}

impl Drop for UnderWay {
    fn drop(&mut self) {
        let Some(what) = self.what.take() else { return };
        match tokio::runtime::Handle::try_current() {
            Ok(runtime) if !self.finished => {
                let among = self.among.clone();
                runtime.spawn(async move {
                    tokio::time::sleep(BROKEN_OFF).await;
                    among.end(&what);
                });
            }
            _ => self.among.end(&what),
        }
    }
}

/// Why this is not done; none where it may be.
fn too_often(deed: Deed, history: &[Past], beside: usize, now: DateTime<Utc>) -> Option<String> {
    let (what, most) = match deed {
        Deed::Change => ("changed", MOST_CHANGES),
        Deed::Word => ("heard of", MOST_WORDS),
        Deed::Answer(_) => ("answered", MOST_ANSWERS),
        Deed::Closing(_) => ("ended, and that taken back,", MOST_UNDONE),
        Deed::AgainstKeeper { .. } => {
            ("opened again after its keeper had closed it", MOST_AGAINST_KEEPER)
        }
        Deed::TakenBack(_, event) if !is_of_crew(history, event) => return None,
        Deed::TakenBack(..) => ("opened again by your word", MOST_UNDONE),
    };
    let is_counted = |past: &&Past| match (deed, &past.event) {
        (Deed::Closing(side), Event::Undone { event, by }) => {
            let undone = history.iter().find(|one| one.number == *event);
            let own = undone.is_some_and(|one| Deed::of(&one.event) == Some(deed));
            own && (side != Side::Crew || Side::of(by) == side)
        }
        (Deed::TakenBack(who, _), Event::Undone { event, by: By::Contact(one, _) }) => {
            who == *one && is_of_crew(history, *event)
        }
        (Deed::AgainstKeeper { crew }, Event::ClosedByHand { .. }) => {
            opened(history, past.number).and_then(takes_back) == Some(crew)
        }
        (Deed::AgainstKeeper { .. }, _) => false,
        (Deed::Closing(_) | Deed::TakenBack(..), _) => false,
        (_, event) => Deed::of(event) == Some(deed),
    };
    // What lies ahead was written down by a clock that was set back since.
    let recent = history.iter().filter(|past| past.at <= now && now - past.at < A_DAY);
    let so_far = recent.filter(is_counted).count() + beside;
    let ask = match deed {
        Deed::AgainstKeeper { .. } => {
            "Telephone the keeper; and if you know of somebody in distress, call the rescue service"
        }
        Deed::TakenBack(..) => {
            "The others can still do so, and so can the keeper of this service: telephone them. If \
             you know of somebody in distress, call the rescue service"
        }
        _ => "Telephone its contacts, or the keeper of this service, who can close it by hand",
    };
    (so_far >= most).then(|| {
        format!(
            "this trip was {what} {so_far} times within a day, and each time others were written \
             to. {ask}"
        )
    })
}

/// Whether this event was the crew's own word of an end.
fn is_of_crew(history: &[Past], event: u32) -> bool {
    let past = history.iter().find(|past| past.number == event);
    past.is_some_and(|past| Deed::of(&past.event) == Some(Deed::Closing(Side::Crew)))
}

/// What opened the trip again that the keeper had closed by this event, which is so where the keeper
/// closed it once more: that the closing was taken back, or else the first word of somebody ashore. What
/// else is taken back by then opens nothing.
fn opened(history: &[Past], closing: u32) -> Option<&Event> {
    let since = history.iter().filter(|past| past.number > closing);
    let next = since.clone().find(|past| matches!(past.event, Event::ClosedByHand { .. }))?.number;
    let is_word = |event: u32| {
        let past = history.iter().find(|past| past.number == event);
        past.is_some_and(|past| matches!(past.event, Event::CheckedIn { .. }))
    };
    let taken_back = since.take_while(|past| past.number < next).filter_map(|past| {
        let Event::Undone { event, .. } = past.event else { return None };
        (event == closing || is_word(event)).then_some((event, &past.event))
    });
    taken_back.min_by_key(|(event, _)| *event != closing).map(|(_, undone)| undone)
}

/// Whether this takes something back, and the crew does, or else a contact.
fn takes_back(event: &Event) -> Option<bool> {
    match event {
        Event::Undone { by: By::Crew(_), .. } => Some(true),
        Event::Undone { by: By::Contact(..), .. } => Some(false),
        _ => None,
    }
}

/// Whether the keeper has closed this plan; where that can't be read, it counts for nothing.
async fn is_closed_by_keeper(daemon: &Daemon, plan_ref: &str) -> bool {
    let read = daemon.store().plan(plan_ref).await;
    read.is_ok_and(|plan| plan.state.closing().is_some_and(|closing| closing.how == How::ByKeeper))
}

impl Often {
    /// That this event may be applied, under the key that it comes with; or why not.
    pub(super) async fn begin(
        &self,
        daemon: &Daemon,
        plan_ref: &str,
        event: &Event,
        once: Option<&str>,
    ) -> Result<UnderWay, String> {
        self.begun(daemon, plan_ref, (Deed::of(event), Some(event)), once).await
    }

    /// The same, with what a page says instead of doing it.
    pub(super) async fn notice(
        &self,
        daemon: &Daemon,
        plan_ref: &str,
        event: &Event,
        once: &str,
    ) -> Result<UnderWay, Notice> {
        let status = StatusCode::TOO_MANY_REQUESTS;
        let notice = |why| Notice { status, text: format!("Nothing was changed: {why}.") };
        self.begin(daemon, plan_ref, event, Some(once)).await.map_err(notice)
    }

    /// The same, with what a program is told instead.
    pub(super) async fn allowed(
        &self,
        daemon: &Daemon,
        plan_ref: &str,
        event: &Event,
        once: Option<&str>,
    ) -> Result<UnderWay, Problem> {
        self.begin(daemon, plan_ref, event, once).await.map_err(|why| problem(&why))
    }

    /// The same of a new version of the plan.
    pub(super) async fn change_allowed(
        &self,
        daemon: &Daemon,
        plan_ref: &str,
        once: Option<&str>,
    ) -> Result<UnderWay, Problem> {
        let begun = self.begun(daemon, plan_ref, (Some(Deed::Change), None), once).await;
        begun.map_err(|why| problem(&why))
    }

    /// That this may be done now, or why not. It keeps nobody from anything that stops or brings an
    /// alert because of its own numbers: where they can't be read, there are none. A deed that was
    /// done already is no other, however late it is sent again. An ending is never counted beside
    /// others: it waits for nobody, and ends a trip once.
    async fn begun(
        &self,
        daemon: &Daemon,
        plan_ref: &str,
        (deed, event): (Option<Deed>, Option<&Event>),
        once: Option<&str>,
    ) -> Result<UnderWay, String> {
        // Whatever they take back of it may open it.
        let deed = match event.and_then(takes_back) {
            Some(crew) if is_closed_by_keeper(daemon, plan_ref).await => {
                Some(Deed::AgainstKeeper { crew })
            }
            _ => deed,
        };
        let waits = |deed: &Deed| {
            !matches!(deed, Deed::Closing(_) | Deed::TakenBack(..) | Deed::AgainstKeeper { .. })
        };
        let counted = deed.filter(waits);
        // Before the history is read: what is written down meanwhile is in one of the two.
        let under_way = self.count(plan_ref, counted);
        let Some(deed) = deed else { return Ok(under_way) };
        let beside = under_way.beside();
        let why = too_often(deed, &daemon.history(plan_ref).await, beside, daemon.now());
        match why {
            Some(why) if !daemon.is_done(plan_ref, event, once).await => {
                under_way.finish();
                Err(why)
            }
            _ => Ok(under_way),
        }
    }

    /// One more of these; nothing for what is not counted.
    fn count(&self, plan_ref: &str, deed: Option<Deed>) -> UnderWay {
        let what = deed.map(|deed| (plan_ref.to_owned(), deed));
        if let Some(what) = &what {
            *self.all().entry(what.clone()).or_default() += 1;
        }
        UnderWay { among: self.clone(), what, finished: false }
    }

    fn end(&self, what: &(String, Deed)) {
        let mut all = self.all();
        if let Some(number) = all.get_mut(what) {
            *number -= 1;
            if *number == 0 {
                all.remove(what);
            }
        }
    }

    fn all(&self) -> MutexGuard<'_, BTreeMap<(String, Deed), usize>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

fn problem(why: &str) -> Problem {
    let detail = format!("nothing was changed: {why}");
    Problem::new(StatusCode::TOO_MANY_REQUESTS, detail).retry_after_s(3600)
}
