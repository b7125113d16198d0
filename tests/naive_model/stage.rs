//! The real store with a plan in it, a clock, a relay that works or not, and the letters that left.

use std::collections::BTreeSet;
use std::path::Path;

use chrono::{DateTime, TimeDelta, Utc};
use shorelamp::measure::Span;
use shorelamp::store::{Card, Filing, LastLook, Store, StoreError};
use shorelamp::watch::{
    Anchor, Answer, By, Event, Ladder, Recipient, Rung, RungKind, Terms, To, Watched,
};
use tempfile::TempDir;

use super::model::{Deed, Happened, What, last_words};

const PLAN: &str = "PLAN-0001";
const LEASE: TimeDelta = TimeDelta::seconds(75);

pub struct Stage {
    store: Store,
    _folder: TempDir,
    now: i64,
    relay_works: bool,
    happened: Vec<Happened>,
    /// The number of the event that closed the plan last, while it is closed.
    closing: Option<u32>,
    /// What each contact has got, oldest first, but for news.
    heard: [Vec<String>; 2],
    ids: BTreeSet<String>,
}

fn at(minutes: i64) -> DateTime<Utc> {
    let due: DateTime<Utc> = "2026-06-14T19:30:00Z".parse().expect("a time");
    due + TimeDelta::minutes(minutes)
}

fn terms() -> Terms {
    let rung = |minutes: i64, to: &[To], kind| Rung {
        anchor: Anchor::Overdue,
        offset_s: minutes * 60,
        to: to.to_vec(),
        kind,
    };
    let rungs = vec![
        rung(0, &[To::Contact(1)], RungKind::Overdue),
        rung(15, &[To::Contacts], RungKind::Overdue),
        rung(30, &[To::Contacts, To::Keeper], RungKind::CallRescue),
    ];
    let span = Span::from_minutes;
    let ladder = Ladder::new(rungs, span(15), span(10), span(15)).expect("a ladder");
    Terms { due_at: at(0), grace: span(15), ladder, crew: vec![true, false], contacts: 2 }
}

impl Stage {
    /// An hour before its return time.
    pub async fn filed() -> Stage {
        let memory = Path::new("/dev/shm");
        let folder =
            if memory.is_dir() { tempfile::tempdir_in(memory) } else { tempfile::tempdir() };
        let folder = folder.expect("a folder");
        let store = Store::open(folder.path()).await.expect("opened");
        let first = Watched::file(terms(), at(-60));
        let filing = Filing {
            plan_ref: PLAN,
            plan_json: "{}",
            review_json: "{}",
            first: &first,
            key_id: "key",
            idempotency: None,
            body_hash: "",
            links: &[],
            addresses: &[],
            card: &Card {
                contacts: Vec::new(),
                crew: Vec::new(),
                launch: None,
                not_asked: Vec::new(),
            },
            strangers: None,
        };
        store.file(&filing, at(-60)).await.expect("filed");
        let mut stage = Stage {
            store,
            _folder: folder,
            now: -60,
            relay_works: true,
            happened: Vec::new(),
            closing: None,
            heard: Default::default(),
            ids: BTreeSet::new(),
        };
        stage.post().await;
        stage
    }

    /// Lets the clock run, and the watch wake each time it asked for.
    pub async fn pass(&mut self, minutes: i64) {
        let end = self.now + minutes;
        loop {
            let next = self.store.next_due_at().await.expect("asked");
            let next = next.map(|next| (next - at(0)).num_minutes()).filter(|next| *next <= end);
            let Some(next) = next else { break };
            self.now = next;
            for plan_ref in self.store.due(at(next), 10).await.expect("asked") {
                self.store.apply(&plan_ref, &Event::Tick, None, at(next)).await.expect("a tick");
            }
            self.post().await;
        }
        self.now = end;
        self.post().await;
    }

    pub async fn happens(&mut self, deed: &Deed) {
        let by = By::Crew(None);
        let answered =
            |contact, answer| Event::Answered { contact, name: "Dunstan".to_owned(), answer };
        let event = match deed {
            Deed::Nothing => return,
            Deed::RelayDown => return self.relay_works = false,
            Deed::RelayUp => {
                self.relay_works = true;
                return self.post().await;
            }
            Deed::Ashore(who) => Event::CheckedIn { who: vec![*who], by, how: None },
            Deed::AllAshore => Event::CheckedIn { who: vec![0, 1], by, how: None },
            Deed::CalledOff => Event::CalledOff { by },
            Deed::Extended(minutes) => {
                let later = Span::from_minutes(u32::try_from(*minutes).expect("small"));
                Event::Extended { later, by }
            }
            Deed::TakenBack => match self.closing {
                Some(event) => Event::Undone { event, by },
                None => return,
            },
            Deed::OnIt(contact) => answered(*contact, Answer::OnIt),
            Deed::Called(contact) => {
                let (service, when) = ("the coast guard".to_owned(), "21:10".to_owned());
                answered(*contact, Answer::Called { service, when, reference: None })
            }
        };
        let applied = match self.store.apply(PLAN, &event, None, at(self.now)).await {
            Ok(applied) => applied,
            Err(StoreError::Refused(_)) => return,
            Err(error) => panic!("{error}"),
        };
        let what = match deed {
            Deed::Extended(minutes) => Some(What::Extended(*minutes)),
            _ => match (self.closing.is_some(), applied.state.is_closed()) {
                (false, true) => Some(What::Closed),
                (true, false) => Some(What::Reopened),
                _ => None,
            },
        };
        match what {
            Some(What::Closed) => self.closing = Some(applied.state.events),
            Some(What::Reopened) => self.closing = None,
            _ => {}
        }
        self.happened.extend(what.map(|what| Happened { at: self.now, what }));
        self.post().await;
    }

    /// Hands over whatever is owed, while the relay works.
    async fn post(&mut self) {
        if !self.relay_works {
            return;
        }
        let now = at(self.now);
        loop {
            let letters = self.store.claim(now, LEASE, 1).await.expect("claimed");
            if letters.is_empty() {
                return;
            }
            for letter in letters {
                if self.store.last_look(&letter, now).await.expect("looked") != LastLook::Send {
                    continue;
                }
                self.store.handed(&letter, "250", now).await.expect("recorded");
                assert!(self.ids.insert(letter.id.clone()), "sent twice: {letter:?}");
                let kind = letter.order.kind.name();
                if let Recipient::Contact(contact) = letter.order.to
                    && kind != "news"
                {
                    self.heard[contact].push(kind.to_owned());
                }
            }
        }
    }

    /// Holds what each contact has heard against the model.
    pub fn check(&self) {
        for (contact, heard) in self.heard.iter().enumerate() {
            let heard: Vec<&str> = heard.iter().map(String::as_str).collect();
            let (may, beside) = last_words(contact, &self.happened, &heard, self.now);
            let last = heard.iter().rev().find(|kind| !beside.contains(kind));
            let told = format!("{heard:?} after {:?}", self.happened);
            let (number, now) = (contact + 1, self.now);
            match last {
                Some(last) => assert!(may.contains(last), "contact {number} at {now}: {told}"),
                None => assert!(may.is_empty(), "contact {number} at {now}: {told}"),
            }
        }
    }
}
