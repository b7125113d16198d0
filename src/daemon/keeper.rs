//! Letters to the keeper about the service itself. They need no database: they wait in memory, one
//! a topic, and go as soon as somebody takes them. A restart forgets them, and sees anew what is
//! the matter.

use std::collections::BTreeMap;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use sha2::{Digest, Sha256};
use tokio::sync::Notify;
use tokio::time::timeout;
use tokio_util::sync::CancellationToken;

use super::{Daemon, House, NotTaken};
use crate::guarded::guarded_while;
use crate::letter::{Letter, service_trouble, service_trouble_over};
use crate::post::Outgoing;
use crate::settings::Mailbox;

/// One trouble is told of at most once in this time.
const BETWEEN_LETTERS: TimeDelta = TimeDelta::hours(1);
/// A letter that nobody took is tried again after this.
const TRY_AGAIN: TimeDelta = TimeDelta::seconds(15);
/// After this the letter lies in the folder, whatever answer may still come.
const LONGEST_TRY: Duration = Duration::from_secs(30);
const BETWEEN_LOOKS: Duration = Duration::from_secs(2);
/// After a sleep of the machine everything seems to hang, for a look or two.
const LOOKS_THAT_COUNT: u32 = 3;
/// The most troubles that are kept in mind.
const MOST_TOPICS: usize = 64;

/// What is the matter with the service, and what mends it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Trouble {
    /// Its name, by which the same trouble is known again.
    pub(super) topic: String,
    pub(super) what: String,
    pub(super) mend: Vec<String>,
}

/// What the keeper is to hear.
#[derive(Default)]
pub(super) struct Desk {
    topics: Mutex<BTreeMap<String, Topic>>,
    bell: Notify,
}

struct Topic {
    trouble: Trouble,
    /// How many looks in a row have found it.
    looks: u32,
    /// Whether its present occurrence was told of.
    told: bool,
    told_at: Option<DateTime<Utc>>,
    unsent: Option<Note>,
}

/// A letter that waits.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Note {
    trouble: Trouble,
    over: bool,
    queued_at: DateTime<Utc>,
    next_try_at: DateTime<Utc>,
    in_folder: bool,
}

impl Desk {
    /// Takes in what is the matter now; what was and is no more, is over.
    pub(super) fn see(&self, troubles: Vec<Trouble>, now: DateTime<Utc>) {
        let mut topics = self.lock();
        for (name, topic) in topics.iter_mut() {
            if topic.looks > 0 && !troubles.iter().any(|trouble| trouble.topic == *name) {
                topic.end(now);
            }
        }
        topics.retain(|_, topic| {
            topic.looks > 0 || topic.unsent.is_some() || topic.was_told_lately(now)
        });
        for trouble in troubles {
            if topics.len() < MOST_TOPICS || topics.contains_key(&trouble.topic) {
                let topic = topics.entry(trouble.topic.clone());
                topic.or_insert_with(|| Topic::new(trouble.clone())).go_on(trouble, now);
            }
        }
    }

    /// Takes in what has just happened; it does not end.
    fn tell(&self, trouble: Trouble, now: DateTime<Utc>) {
        let mut topics = self.lock();
        if topics.len() >= MOST_TOPICS && !topics.contains_key(&trouble.topic) {
            return;
        }
        let topic = topics.entry(trouble.topic.clone());
        let topic = topic.or_insert_with(|| Topic::new(trouble.clone()));
        topic.trouble = trouble;
        topic.tell(now);
    }

    fn due(&self, now: DateTime<Utc>) -> Vec<Note> {
        let topics = self.lock();
        let unsent = topics.values().filter_map(|topic| topic.unsent.clone());
        unsent.filter(|note| note.next_try_at <= now).collect()
    }

    /// Puts what became of a letter in its place, unless another has taken that meanwhile.
    fn settle(&self, before: &Note, after: Option<Note>) {
        let mut topics = self.lock();
        if let Some(topic) = topics.get_mut(&before.trouble.topic)
            && topic.unsent.as_ref() == Some(before)
        {
            topic.unsent = after;
        }
    }

    fn lock(&self) -> MutexGuard<'_, BTreeMap<String, Topic>> {
        self.topics.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Topic {
    fn new(trouble: Trouble) -> Self {
        Topic { trouble, looks: 0, told: false, told_at: None, unsent: None }
    }

    fn was_told_lately(&self, now: DateTime<Utc>) -> bool {
        self.told_at.is_some_and(|at| now < at + BETWEEN_LETTERS)
    }

    fn go_on(&mut self, trouble: Trouble, now: DateTime<Utc>) {
        self.looks = self.looks.saturating_add(1);
        self.trouble = trouble;
        if self.looks >= LOOKS_THAT_COUNT {
            self.tell(now);
        }
    }

    fn tell(&mut self, now: DateTime<Utc>) {
        if self.was_told_lately(now) {
            return;
        }
        tracing::error!(topic = self.trouble.topic, what = self.trouble.what, "trouble");
        self.told = true;
        self.told_at = Some(now);
        self.unsent = Some(Note::new(&self.trouble, false, now));
    }

    fn end(&mut self, now: DateTime<Utc>) {
        self.looks = 0;
        if !std::mem::take(&mut self.told) {
            return;
        }
        tracing::info!(what = self.trouble.what, "this trouble is over");
        // Whoever has not heard of it need not hear that it is over.
        let unheard = self.unsent.take().is_some_and(|note| !note.in_folder);
        self.unsent = (!unheard).then(|| Note::new(&self.trouble, true, now));
    }
}

impl Note {
    fn new(trouble: &Trouble, over: bool, now: DateTime<Utc>) -> Self {
        let trouble = trouble.clone();
        Note { trouble, over, queued_at: now, next_try_at: now, in_folder: false }
    }
}

impl Daemon {
    /// Tells the keeper of something that could stop an alert, and what to do about it; the same
    /// topic at most once an hour.
    pub(super) fn tell_keeper(&self, topic: &'static str, what: &str, mend: &[&str]) {
        let mend = mend.iter().map(|step| (*step).to_owned()).collect();
        let trouble = Trouble { topic: topic.to_owned(), what: what.to_owned(), mend };
        self.0.desk.tell(trouble, self.now());
        self.0.desk.bell.notify_one();
    }

    /// What lasting troubles there are now; those that are no more are told to be over.
    pub(super) fn see_troubles(&self, troubles: Vec<Trouble>) {
        self.0.desk.see(troubles, self.now());
        self.0.desk.bell.notify_one();
    }

    /// What goes to this reader, under this name.
    pub(super) fn outgoing(
        &self,
        name: &str,
        kind: &str,
        plan_ref: Option<&str>,
        to: Mailbox,
        letter: Letter,
    ) -> Outgoing {
        outgoing(&self.0.house, name, kind, plan_ref, to, letter, self.now())
    }

    /// Where the keeper is written to.
    pub(super) fn keeper_mailbox(&self) -> Option<Mailbox> {
        keeper_mailbox(&self.0.house)
    }
}

/// A letter about this trouble, for whoever can't wait for the desk. None without a keeper.
pub(super) fn trouble_letter(
    house: &House,
    trouble: &Trouble,
    now: DateTime<Utc>,
) -> Option<Outgoing> {
    write(house, &Note::new(trouble, false, now))
}

/// That such a trouble is over, in the same thread.
pub(super) fn trouble_over_letter(
    house: &House,
    topic: &str,
    what: &str,
    now: DateTime<Utc>,
) -> Option<Outgoing> {
    let (topic, what) = (topic.to_owned(), what.to_owned());
    write(house, &Note::new(&Trouble { topic, what, mend: Vec::new() }, true, now))
}

fn outgoing(
    house: &House,
    name: &str,
    kind: &str,
    plan_ref: Option<&str>,
    to: Mailbox,
    letter: Letter,
    now: DateTime<Utc>,
) -> Outgoing {
    let domain = house.from.email.rsplit('@').next().unwrap_or("localhost");
    Outgoing {
        message_id: format!("{name}@{domain}"),
        date: now,
        from: house.from.clone(),
        to,
        reply_to: None,
        subject: letter.subject,
        kind: kind.to_owned(),
        plan_ref: plan_ref.map(str::to_owned),
        thread: Some(format!("{}@{domain}", letter.thread)),
        text: letter.text,
        html: (!letter.html.is_empty()).then_some(letter.html),
        urgency: letter.urgency,
        picture: None,
        attachments: Vec::new(),
        invitation: None,
        return_path: None,
    }
}

fn keeper_mailbox(house: &House) -> Option<Mailbox> {
    let name = Some(format!("Keeper of {}", house.name));
    house.keeper_email.clone().map(|email| Mailbox { name, email })
}

/// Sends what waits for the keeper.
pub(super) async fn write_to_keeper(daemon: Daemon, stop: CancellationToken) {
    let desk = &daemon.0.desk;
    while !stop.is_cancelled() {
        for note in desk.due(daemon.now()) {
            // A letter over which the program fails would only end it again.
            let after = guarded_while(send(&daemon, &note)).await;
            desk.settle(&note, after.unwrap_or_default());
        }
        tokio::select! {
            () = stop.cancelled() => break,
            () = desk.bell.notified() => {}
            () = tokio::time::sleep(BETWEEN_LOOKS) => {}
        }
    }
}

/// One attempt; what is left to be done. The trouble may be the relay itself: so a letter that no
/// relay takes lies in the outgoing folder as well, and goes once one does.
async fn send(daemon: &Daemon, note: &Note) -> Option<Note> {
    let letter = write(&daemon.0.house, note)?;
    let error = match timeout(LONGEST_TRY, daemon.hand_over(&letter)).await {
        Ok(taken) => taken.err()?,
        Err(_) => NotTaken::Silence,
    };
    let why = error.in_log();
    tracing::warn!(topic = note.trouble.topic, why, "the keeper can't be told yet");
    let in_folder = note.in_folder || leave_in_folder(daemon, &letter).await;
    Some(Note { next_try_at: daemon.now() + TRY_AGAIN, in_folder, ..note.clone() })
}

pub(super) async fn leave_in_folder(daemon: &Daemon, letter: &Outgoing) -> bool {
    let Ok(bytes) = letter.build() else { return false };
    match daemon.0.post.leave_in_folder(&letter.envelope(), &bytes).await {
        Ok(receipt) => {
            tracing::error!(file = receipt.by, "a letter to the keeper lies in the folder");
            true
        }
        Err(error) => {
            tracing::error!(%error, "a letter to the keeper can't be written down either");
            false
        }
    }
}

/// The same at every attempt, as every letter. None without a keeper's address.
fn write(house: &House, note: &Note) -> Option<Outgoing> {
    let to = keeper_mailbox(house)?;
    let Trouble { topic, what, mend } = &note.trouble;
    let (service, at) = (&house.name, note.queued_at);
    let thread = hash(topic);
    let letter = if note.over {
        service_trouble_over(service, &thread, what, at)
    } else {
        service_trouble(service, &thread, what, mend, at)
    };
    let name = hash(&format!("{topic} {what} {at} {}", note.over));
    Some(outgoing(house, &name, "trouble", None, to, letter, at))
}

fn hash(text: &str) -> String {
    Sha256::digest(text).iter().take(16).map(|byte| format!("{byte:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn relay_fails() -> Vec<Trouble> {
        let word = |text: &str| text.to_owned();
        vec![Trouble { topic: word("relay"), what: word("it fails"), mend: vec![word("mend it")] }]
    }

    fn minutes(minutes: i64) -> DateTime<Utc> {
        DateTime::UNIX_EPOCH + TimeDelta::minutes(minutes)
    }

    /// Looks as often as counts.
    fn see(letters: &Desk, troubles: &[Trouble], now: DateTime<Utc>) {
        for _ in 0..LOOKS_THAT_COUNT {
            letters.see(troubles.to_vec(), now);
        }
    }

    /// What is told at each minute, if every letter is taken at once: T for trouble, O for over.
    fn told(seen: &[(i64, bool)]) -> String {
        let letters = Desk::default();
        let mut told = String::new();
        for (minute, fails) in seen {
            let troubles = if *fails { relay_fails() } else { Vec::new() };
            see(&letters, &troubles, minutes(*minute));
            for note in letters.due(minutes(*minute)) {
                told.push(if note.over { 'O' } else { 'T' });
                letters.settle(&note, None);
            }
            told.push(' ');
        }
        told
    }

    #[test]
    fn a_trouble_is_told_once_an_hour_and_so_is_its_end() {
        let lasting = [(0, true), (1, true), (59, true), (60, true), (61, false), (62, false)];
        assert_eq!(told(&lasting), "T   T O  ");
        let coming_and_going = [(0, true), (1, false), (2, true), (3, false), (70, true)];
        assert_eq!(told(&coming_and_going), "T O   T ");
    }

    #[test]
    fn what_happens_is_told_at_once_and_once_an_hour() {
        let desk = Desk::default();
        for minute in [0, 1, 59] {
            desk.tell(relay_fails().remove(0), minutes(minute));
            desk.see(Vec::new(), minutes(minute));
        }
        let first = desk.due(minutes(59)).remove(0);
        assert_eq!((first.queued_at, first.over), (minutes(0), false));
        desk.settle(&first, None);
        desk.tell(relay_fails().remove(0), minutes(60));
        assert_eq!(desk.due(minutes(60)).len(), 1);
    }

    #[test]
    fn what_is_seen_for_a_moment_is_not_told() {
        let letters = Desk::default();
        for _ in 0..LOOKS_THAT_COUNT - 1 {
            letters.see(relay_fails(), minutes(0));
        }
        letters.see(Vec::new(), minutes(1));
        letters.see(relay_fails(), minutes(2));
        assert_eq!(letters.due(minutes(2)), []);
    }

    #[test]
    fn what_nobody_has_heard_of_ends_unheard() {
        let letters = Desk::default();
        see(&letters, &relay_fails(), minutes(0));
        assert_eq!(letters.due(minutes(0)).len(), 1);
        see(&letters, &[], minutes(1));
        assert_eq!(letters.due(minutes(1)), []);
    }

    #[test]
    fn a_letter_that_failed_waits_and_goes_again() {
        let letters = Desk::default();
        see(&letters, &relay_fails(), minutes(0));
        let note = letters.due(minutes(0)).remove(0);
        let later = Note { next_try_at: minutes(1), in_folder: true, ..note.clone() };
        letters.settle(&note, Some(later.clone()));
        assert_eq!(letters.due(minutes(0)), []);
        assert_eq!(letters.due(minutes(1)), [later]);
    }

    #[test]
    fn there_is_an_end_to_topics() {
        let letters = Desk::default();
        let many = (0..100).map(|at| Trouble { topic: at.to_string(), ..relay_fails().remove(0) });
        see(&letters, &many.collect::<Vec<_>>(), minutes(0));
        assert_eq!(letters.due(minutes(0)).len(), MOST_TOPICS);
        see(&letters, &[], minutes(61));
        see(&letters, &relay_fails(), minutes(61));
        assert_eq!(letters.due(minutes(61)).len(), 1);
    }
}
