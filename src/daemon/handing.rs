//! Handing a letter over without asking the database for anything.

use std::pin::pin;

use thiserror::Error;
use tokio::time::timeout;

use super::Daemon;
use super::sending::HANGS_AFTER;
use crate::post::{MimeError, Outgoing, Place, Post, SendClass, SendError, Tried};

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
    /// Hands a letter over.
    pub(super) async fn hand_over(&self, letter: &Outgoing) -> Result<(), NotTaken> {
        hand_over(&self.0.post, letter, || true).await
    }

    /// The same with a last look before each relay lets it go.
    pub(super) async fn hand_over_if(
        &self,
        letter: &Outgoing,
        is_wanted: impl Fn() -> bool,
    ) -> Result<(), NotTaken> {
        hand_over(&self.0.post, letter, is_wanted).await
    }
}

/// Tries one relay after the other, while it is wanted. What hangs lets others go first.
pub(super) async fn hand_over(
    post: &Post,
    letter: &Outgoing,
    is_wanted: impl Fn() -> bool,
) -> Result<(), NotTaken> {
    let bytes = post.write(letter)?;
    let place = post.place(&letter.to.email, letter.urgency).await;
    let place = place.ok_or(NotTaken::NoPlace)?;
    let mut trying = pin!(try_each(post, letter, &bytes, &place, is_wanted));
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
    is_wanted: impl Fn() -> bool,
) -> Result<(), NotTaken> {
    let (envelope, tried) = (letter.envelope(), Tried::default());
    let (mut failure, mut unwelcome) = (None, false);
    loop {
        let handed = match post.begin(place, &envelope, &tried).await {
            Ok(handing) if is_wanted() => handing.finish(bytes).await,
            Ok(handing) => {
                handing.abandon().await;
                return Err(NotTaken::Unwanted);
            }
            Err(error) => return Err(NotTaken::of(error.after(failure), unwelcome)),
        };
        let Err(error) = handed else { return Ok(()) };
        unwelcome |= error.class == SendClass::MessageRefused;
        let error = error.after(failure);
        if !error.is_worth_another_relay() || !post.any_but(&tried) {
            return Err(NotTaken::of(error, unwelcome));
        }
        failure = Some(error);
    }
}
