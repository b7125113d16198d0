//! Handing a letter over without asking the database for anything.

use std::pin::pin;
use std::time::Duration;

use thiserror::Error;
use tokio::time::{Instant, timeout, timeout_at};

use super::Daemon;
use super::charts::LeftOut;
use super::sending::HANGS_AFTER;
use crate::post::{MimeError, Outgoing, Place, Post, SendClass, SendError, Tried, return_path};
use crate::watch::Urgency;

/// For so long others may take the whole of an alert that one relay has refused for what is in it; then it
/// goes with less. More than the head start that a relay has before the next is asked.
pub(super) const WHOLE_WITHIN: Duration = Duration::from_secs(7);

/// Why a letter did not leave.
#[derive(Debug, Error)]
pub enum NotTaken {
    /// It could not be written.
    #[error(transparent)]
    Unwritten(#[from] MimeError),
    /// There is no answer yet.
    #[error("nobody has answered yet")]
    Silence,
    /// No place became free for it.
    #[error("all places are taken by letters that wait for an answer")]
    NoPlace,
    /// It was not wanted any more.
    #[error("it was not wanted any more")]
    Unwanted,
    /// Nobody took it.
    #[error(transparent)]
    Unsent(SendError),
    /// Nobody took it, and a relay refused it for what stands in it.
    #[error(transparent)]
    Unwelcome(SendError),
}

impl NotTaken {
    fn of(error: SendError, unwelcome: bool) -> Self {
        match unwelcome || error.class == SendClass::MessageRefused {
            true => NotTaken::Unwelcome(error),
            false => NotTaken::Unsent(error),
        }
    }

    /// Whether a relay refused it for what stands in it.
    pub(super) fn is_for_content(&self) -> bool {
        matches!(self, NotTaken::Unwelcome(_))
    }

    /// Whether trying again leads nowhere.
    pub(super) fn is_final(&self) -> bool {
        matches!(self, NotTaken::Unsent(error) | NotTaken::Unwelcome(error) if error.is_final())
    }

    /// What a log may say of it: a relay's own words may repeat an address.
    pub(super) fn in_log(&self) -> String {
        match self {
            NotTaken::Unsent(error) | NotTaken::Unwelcome(error) => {
                format!("{}: {:?}", error.relay, error.class)
            }
            other => other.to_string(),
        }
    }
}

impl Daemon {
    /// Where a report of this letter's fate is to come.
    pub(super) fn return_path(&self, letter: &str) -> Option<String> {
        let bounces = self.0.post.bounces()?;
        return_path(bounces, letter, &self.0.secrets.bounce_tag(letter))
    }

    /// Hands a letter over.
    pub(super) async fn hand_over(&self, letter: &Outgoing) -> Result<(), NotTaken> {
        hand_over(&self.0.post, letter).await
    }

    /// The same for an alert from memory, with a last look before each relay lets it go. An alert that can go with less waits for
    /// none that hangs, once another has refused it.
    pub(super) async fn hand_over_if(
        &self,
        letter: &Outgoing,
        is_wanted: impl Fn() -> bool,
    ) -> Result<(), NotTaken> {
        let id = letter.message_id.split('.').next().unwrap_or_default();
        let has_less = self.0.charts.left_out_of(id) != LeftOut::Typed;
        let has_less = has_less && letter.urgency == Urgency::Alert;
        let post = &self.0.post;
        let place = post.place_apart(&letter.to.email, letter.urgency).await;
        let whole_within = has_less.then_some(WHOLE_WITHIN);
        hand_over_from(place, post, letter, whole_within, is_wanted).await
    }
}

/// Tries one relay after the other.
pub(super) async fn hand_over(post: &Post, letter: &Outgoing) -> Result<(), NotTaken> {
    let place = post.place(&letter.to.email, letter.urgency).await;
    hand_over_from(place, post, letter, None, || true).await
}

/// The same while it is wanted; once one has refused it for what stands in it, for no longer than this.
/// What hangs lets others go first.
async fn hand_over_from(
    place: Option<Place>,
    post: &Post,
    letter: &Outgoing,
    whole_within: Option<Duration>,
    is_wanted: impl Fn() -> bool,
) -> Result<(), NotTaken> {
    let place = place.ok_or(NotTaken::NoPlace)?;
    let bytes = post.write(letter)?;
    let mut trying = pin!(try_each(post, letter, &bytes, &place, whole_within, is_wanted));
    match timeout(HANGS_AFTER, &mut trying).await {
        Ok(handed) => handed,
        Err(_) => {
            place.step_aside();
            trying.await
        }
    }
}

async fn try_each(
    post: &Post,
    letter: &Outgoing,
    bytes: &[u8],
    place: &Place,
    whole_within: Option<Duration>,
    is_wanted: impl Fn() -> bool,
) -> Result<(), NotTaken> {
    let (envelope, tried) = (letter.envelope(), Tried::default());
    let (mut failure, mut unwelcome, mut until): (Option<SendError>, _, Option<Instant>) =
        (None, false, None);
    loop {
        let handing = async {
            match post.begin(place, &envelope, &tried).await {
                Ok(handing) if is_wanted() => Ok(handing.finish(bytes).await),
                Ok(handing) => {
                    handing.abandon().await;
                    Err(NotTaken::Unwanted)
                }
                Err(error) => Err(NotTaken::Unsent(error)),
            }
        };
        let handed = match until {
            Some(until) => timeout_at(until, handing).await.unwrap_or(Err(NotTaken::Silence)),
            None => handing.await,
        };
        let error = match handed {
            Ok(Ok(_)) => return Ok(()),
            Ok(Err(error)) => error,
            Err(NotTaken::Unsent(error)) => {
                return Err(NotTaken::of(error.after(failure), unwelcome));
            }
            Err(error) => {
                let refused = failure.filter(|_| matches!(error, NotTaken::Silence));
                return Err(refused.map_or(error, |refused| NotTaken::of(refused, unwelcome)));
            }
        };
        unwelcome |= error.class == SendClass::MessageRefused;
        let error = error.after(failure);
        if !error.is_worth_another_relay() || !post.any_but(&tried) {
            return Err(NotTaken::of(error, unwelcome));
        }
        failure = Some(error);
        if unwelcome {
            until = until.or_else(|| Some(Instant::now() + whole_within?));
        }
    }
}
