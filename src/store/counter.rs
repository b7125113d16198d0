//! The counter where senders ask for the last look and bring outcomes. Those that come while the
//! writer is busy are answered together, in the order in which they came and by one commit.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use sqlx::{AnyConnection, Row};
use tokio::sync::{mpsc, oneshot};

use super::batch::Batch;
use super::ledger::Ledger;
use super::letters::LetterState;
use super::plans::state_of;
use super::way::Way;
use super::writer::Writer;
use super::{Claimed, LastLook, StoreError, millis, places};
use crate::guarded::guarded;
use crate::watch::{Event, Watched, wanted};

/// How many are answered together at most.
const MOST_TOGETHER: usize = 64;
/// How many may wait before those who bring more are held up.
const LONGEST_QUEUE: usize = 1024;

/// The way to the counter.
#[derive(Clone, Debug)]
pub(super) struct Counter {
    queue: mpsc::Sender<Waiting>,
}

/// What is asked about a letter: a last look, unless there is an outcome to be written down.
#[derive(Clone)]
pub(super) struct Question {
    pub(super) letter: Claimed,
    pub(super) outcome: Option<Outcome>,
    /// Whether the letter was written anew in this attempt, since it said what was so no longer.
    pub(super) anew: bool,
    pub(super) at: DateTime<Utc>,
}

/// What became of an attempt.
#[derive(Clone, Debug)]
pub enum Outcome {
    /// A relay took the letter.
    Handed {
        /// What it said.
        note: String,
    },
    /// The letter's address is refused.
    Refused {
        /// What the relay said.
        note: String,
        /// When it is tried once more, if at all.
        again_at: Option<DateTime<Utc>>,
    },
    /// Its plan does not owe it any more.
    Dropped,
}

impl Outcome {
    fn state(&self) -> LetterState {
        match self {
            Outcome::Handed { .. } => LetterState::Handed,
            Outcome::Refused { again_at: Some(_), .. } => LetterState::Queued,
            Outcome::Refused { again_at: None, .. } => LetterState::Refused,
            Outcome::Dropped => LetterState::Dropped,
        }
    }

    fn note(&self) -> Option<&str> {
        match self {
            Outcome::Handed { note } | Outcome::Refused { note, .. } => Some(note),
            Outcome::Dropped => None,
        }
    }

    fn again_at(&self) -> Option<DateTime<Utc>> {
        match self {
            Outcome::Refused { again_at, .. } => *again_at,
            Outcome::Handed { .. } | Outcome::Dropped => None,
        }
    }

    /// What the plan hears of it.
    fn event(&self, letter: &Claimed) -> Option<Event> {
        let (to, kind) = (letter.order.to, letter.order.kind);
        match self {
            Outcome::Handed { .. } => Some(Event::TakenAgain { to }),
            Outcome::Refused { .. } if !letter.refused_before => Some(Event::Refused { to, kind }),
            Outcome::Refused { .. } | Outcome::Dropped => None,
        }
    }
}

/// An answer that is to come.
pub(super) struct Asked(oneshot::Receiver<Result<LastLook, StoreError>>);

impl Asked {
    pub(super) async fn answer(self) -> Result<LastLook, StoreError> {
        self.0.await.map_err(|_| closed())?
    }
}

struct Waiting {
    question: Question,
    answer: oneshot::Sender<Result<LastLook, StoreError>>,
}

impl Counter {
    pub(super) fn open(writer: Writer) -> Self {
        let (queue, waiting) = mpsc::channel(LONGEST_QUEUE);
        tokio::spawn(serve(writer, waiting));
        Counter { queue }
    }

    /// Takes a place in the queue.
    pub(super) async fn ask(&self, question: Question) -> Result<Asked, StoreError> {
        let (answer, asked) = oneshot::channel();
        self.queue.send(Waiting { question, answer }).await.map_err(|_| closed())?;
        Ok(Asked(asked))
    }
}

fn closed() -> StoreError {
    sqlx::Error::PoolClosed.into()
}

async fn serve(writer: Writer, mut waiting: mpsc::Receiver<Waiting>) {
    let mut together = Vec::with_capacity(MOST_TOGETHER);
    while waiting.recv_many(&mut together, MOST_TOGETHER).await > 0 {
        let (questions, answers): (Vec<_>, Vec<_>) =
            together.drain(..).map(|one| (one.question, one.answer)).unzip();
        let found = match ask_writer(&writer, questions.clone(), Plans::Move(Way::default())).await
        {
            Ok(found) => found,
            Err(error) if error.may_be_of_one_row() => {
                tracing::error!(%error, "letters can't be looked at together: each goes by itself");
                ask_each(&writer, questions).await
            }
            Err(error) => questions.iter().map(|_| Err(error.clone())).collect(),
        };
        for (answer, found) in answers.into_iter().zip(found) {
            // Whoever asked may have gone; what is written holds all the same.
            let _gone = answer.send(found);
        }
    }
}

/// What becomes of the letters' plans.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Plans {
    Move(Way),
    /// They are neither asked nor told.
    Leave,
}

type Found = Vec<Result<LastLook, StoreError>>;

async fn ask_each(writer: &Writer, questions: Vec<Question>) -> Found {
    let mut found = Vec::with_capacity(questions.len());
    for question in questions {
        let mut one = Err(closed());
        // A plan whose page can't be read can't say that it does not owe the letter.
        for plans in Way::ALL.map(Plans::Move).into_iter().chain([Plans::Leave]) {
            one = ask_writer(writer, vec![question.clone()], plans).await;
            if !one.as_ref().is_err_and(StoreError::is_of_a_page) {
                break;
            }
        }
        found.push(one.and_then(|mut one| one.pop().ok_or_else(closed)?));
    }
    found
}

async fn ask_writer(
    writer: &Writer,
    questions: Vec<Question>,
    plans: Plans,
) -> Result<Found, StoreError> {
    writer
        .make(move |connection| {
            Box::pin(async move { answer_all(connection, questions, plans).await })
        })
        .await
}

/// Answers each in its turn, and writes down what follows from all of them.
async fn answer_all(
    connection: &mut AnyConnection,
    questions: Vec<Question>,
    plans: Plans,
) -> Result<Found, StoreError> {
    let with_plans = plans != Plans::Leave;
    let (mut held, read) = match leases(connection, &questions, with_plans).await {
        // One state that is no text must not hide the others.
        Err(error) if with_plans && error.may_be_of_one_row() => {
            leases(connection, &questions, false).await?
        }
        read => read?,
    };
    let refs = questions.iter().filter(|_| with_plans);
    let refs = refs.map(|one| one.letter.plan_ref.as_str()).collect();
    let mut ledger = Ledger::over(connection, refs, read).await?;
    let mut settled = Vec::new();
    let mut found = Vec::with_capacity(questions.len());
    for Question { letter, outcome, anew, at } in &questions {
        let lease = (letter.id.clone(), letter.attempt);
        if !held.contains(&lease) {
            found.push(Ok(LastLook::LostLease));
            continue;
        }
        let (outcome, look) = match outcome {
            Some(outcome) => {
                let told = match with_plans {
                    true => tell(&mut ledger, letter, outcome, *at),
                    false => Ok(()),
                };
                (Some(outcome.clone()), told.map(|()| LastLook::Send))
            }
            None if !with_plans => (None, Ok(LastLook::Send)),
            None => match look(&mut ledger, letter, *anew, *at) {
                Ok(LastLook::Dropped) => (Some(Outcome::Dropped), Ok(LastLook::Dropped)),
                look => (None, look),
            },
        };
        if let Some(outcome) = outcome {
            held.remove(&lease);
            settled.push(Settled { letter, outcome, at: *at });
        }
        found.push(look);
    }
    let mut batch = Batch::default();
    write(&mut batch, &settled);
    match plans {
        Plans::Move(way) => ledger.write(connection, way, batch).await?,
        Plans::Leave => batch.execute(connection).await?,
    }
    Ok(found)
}

/// The attempts that hold their leases, and the states of their plans, as far as these can be read
/// with them.
type Held = (BTreeSet<(String, i64)>, BTreeMap<String, Watched>);

/// Which of these attempts hold their leases.
async fn leases(
    connection: &mut AnyConnection,
    questions: &[Question],
    with_plans: bool,
) -> Result<Held, StoreError> {
    let (states, plans) = match with_plans {
        true => (
            ", plans.ref, plans.state_json, plans.state_sum",
            "JOIN plans ON plans.ref = letters.plan",
        ),
        false => ("", ""),
    };
    let text = format!(
        "SELECT held.column1 AS id, held.column2 AS attempt {states} \
         FROM (VALUES {}) AS held \
         JOIN letters ON letters.id = held.column1 AND letters.attempt = held.column2 {plans} \
         WHERE letters.state = 'sending'",
        places(questions.len(), 2)
    );
    let mut select = sqlx::query(sqlx::AssertSqlSafe(text));
    for Question { letter, .. } in questions {
        select = select.bind(&letter.id).bind(letter.attempt);
    }
    let rows = select.fetch_all(connection).await?;
    let (mut held, mut read) = Held::default();
    for row in &rows {
        held.insert((row.try_get("id")?, row.try_get("attempt")?));
        if !with_plans {
            continue;
        }
        let plan_ref: String = row.try_get("ref")?;
        // One that is damaged is left out here, and read by itself.
        if !read.contains_key(&plan_ref)
            && let Ok(state) = state_of(row, &plan_ref)
        {
            read.insert(plan_ref, state);
        }
    }
    Ok((held, read))
}

fn look(
    ledger: &mut Ledger,
    letter: &Claimed,
    anew: bool,
    now: DateTime<Utc>,
) -> Result<LastLook, StoreError> {
    let state = match ledger.state(&letter.plan_ref) {
        Ok(state) => state,
        Err(error) if error.is_damage() => return Ok(LastLook::Send),
        Err(error) => return Err(error),
    };
    // A plan that was set aside, because what it moves to can't be written, has plain letters of its
    // own, outside every round.
    if letter.order.round == 0 && letter.order.kind.is_alert() && !state.is_closed() {
        return Ok(LastLook::Send);
    }
    // Whoever can't say whether it is owed can't say that it is not.
    if guarded(|| wanted(state, &letter.order, now)) == Ok(false) {
        return Ok(LastLook::Dropped);
    }
    let (to, kind) = (letter.order.to, letter.order.kind);
    let mut event = Event::Handing { to, kind };
    if let Some(from) = letter.written_from.as_ref().filter(|from| !from.tells_the_same(state)) {
        // Whoever answers again and again keeps no letter from the others.
        if !(anew && from.differs_in_words_alone(state)) {
            return Ok(LastLook::Outdated);
        }
        // Who hears of what is said depends on who was alerted. Of any other letter it is as if it had
        // left a moment before.
        if kind.is_alert() {
            event = Event::HandingWithout { to, kind };
        }
    }
    match ledger.step(&letter.plan_ref, &event, None, now) {
        Err(error) if !error.is_damage() => Err(error),
        _ => Ok(LastLook::Send),
    }
}

/// Moves a plan by what became of a letter. One that can't be read keeps nothing back.
fn tell(
    ledger: &mut Ledger,
    letter: &Claimed,
    outcome: &Outcome,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let Some(event) = outcome.event(letter) else { return Ok(()) };
    match ledger.step(&letter.plan_ref, &event, None, now) {
        Err(error) if !error.is_damage() => Err(error),
        _ => Ok(()),
    }
}

/// A letter whose attempt is over.
struct Settled<'a> {
    letter: &'a Claimed,
    outcome: Outcome,
    at: DateTime<Utc>,
}

fn write(batch: &mut Batch, settled: &[Settled<'_>]) {
    let rows = settled.iter().map(|Settled { letter, outcome, at }| {
        [
            letter.id.as_str().into(),
            letter.attempt.into(),
            outcome.state().stored().into(),
            millis(*at).into(),
            outcome.note().into(),
            outcome.again_at().map(millis).into(),
        ]
    });
    // Of a letter that is tried again `settled_at` tells that it was refused.
    batch.add(
        "UPDATE letters SET state = new.column3, lease_until = NULL, settled_at = new.column4, \
         note = new.column5, next_try_at = COALESCE(new.column6, letters.next_try_at) \
         FROM (VALUES",
        rows,
        ") AS new WHERE letters.id = new.column1 AND letters.attempt = new.column2",
    );
}
