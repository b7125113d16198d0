//! A letter that is written in the first of several forms, each plainer than the one before it, over
//! which neither its data nor the program fails.

use thiserror::Error;

use crate::guarded::{Panicked, guarded_while};
use crate::post::{MimeError, Outgoing};
use crate::store::StoreError;
use crate::watch::Watched;

/// A letter that is ready to go.
pub(super) struct Written {
    pub(super) letter: Outgoing,
    pub(super) bytes: Vec<u8>,
    /// The state of the plan that it was written from, where it was read for it.
    pub(super) from: Option<Box<Watched>>,
}

/// Why a letter can't be written in one form.
#[derive(Debug, Error)]
pub(super) enum Unwritten {
    /// Its plan can't be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// It can't be put together. What stands in it is not quoted.
    #[error("a letter of a plan can't be put together")]
    Mime(#[from] MimeError),
    /// The program fails over it.
    #[error("the program has a fault, and can't write a letter of a plan")]
    Panicked,
}

impl Unwritten {
    /// Whether a plainer form may do. Where the database does not answer, none does.
    fn is_of_this_form(&self) -> bool {
        match self {
            Unwritten::Store(error) => error.is_damage(),
            Unwritten::Mime(_) | Unwritten::Panicked => true,
        }
    }
}

/// The first of three forms that can be written. `heed` hears why it is not the first.
pub(super) async fn first_to_be_written<T>(
    rich: impl Future<Output = Result<T, Unwritten>>,
    plain: impl Future<Output = Result<T, Unwritten>>,
    barest: impl Future<Output = Result<T, Unwritten>>,
    heed: impl FnOnce(&Unwritten),
) -> Result<T, Unwritten> {
    match unfailing(rich).await {
        Err(why) if why.is_of_this_form() => heed(&why),
        written => return written,
    }
    match unfailing(plain).await {
        Err(why) if why.is_of_this_form() => {
            tracing::error!(%why, "in plain words neither: it goes with a ref and whom to call alone");
            unfailing(barest).await
        }
        written => written,
    }
}

async fn unfailing<T>(writing: impl Future<Output = Result<T, Unwritten>>) -> Result<T, Unwritten> {
    guarded_while(writing).await.unwrap_or_else(|Panicked| Err(Unwritten::Panicked))
}

#[cfg(test)]
mod tests {
    use super::*;

    async fn panics(form: &'static str) -> Result<&'static str, Unwritten> {
        assert!(form.is_empty(), "as it was told to");
        Ok(form)
    }

    async fn answers<T>(said: T) -> T {
        said
    }

    #[tokio::test]
    async fn what_the_program_fails_over_is_written_more_plainly() {
        let mut heard = Vec::new();
        let plain = answers(Ok("plain"));
        let written = first_to_be_written(panics("rich"), plain, panics("barest"), |why| {
            heard.push(why.to_string());
        });
        assert!(matches!(written.await, Ok("plain")));
        let control = MimeError::ControlCharacter("recipient");
        let plain = answers(Err(control.into()));
        let written = first_to_be_written(panics("rich"), plain, answers(Ok("barest")), |why| {
            heard.push(why.to_string());
        });
        assert!(matches!(written.await, Ok("barest")));
        assert_eq!(heard.len(), 2);
        assert!(heard.iter().all(|why| why.contains("has a fault")), "{heard:?}");
        let all = first_to_be_written(panics("rich"), panics("plain"), panics("barest"), |_| {});
        assert!(matches!(all.await, Err(Unwritten::Panicked)), "it is tried later");
    }

    #[tokio::test]
    async fn a_database_that_does_not_answer_is_asked_again_and_nobody_told() {
        let mut heard = 0;
        let gone = answers(Err(StoreError::DiskFull.into()));
        let written =
            first_to_be_written(gone, panics("plain"), panics("barest"), |_| heard += 1).await;
        assert!(matches!(written, Err(Unwritten::Store(StoreError::DiskFull))));
        assert_eq!(heard, 0);
    }
}
