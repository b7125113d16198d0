//! The edge towards mail: letters are handed to relays or, without any, written to a folder.
//!
//! A letter goes in two steps. [`Post::begin`] says from whom and to whom; when it has come back,
//! the caller looks once more whether the letter is still wanted; only [`Handing::finish`] lets it
//! go. An error says whose fault it is ([`SendClass`]) and whether the letter may have been taken
//! all the same ([`SendError::in_doubt`]).

mod error;
mod folder;
mod mime;
mod pool;
mod relay;
mod tls;

pub use error::{Phase, SendClass, SendError};
pub use folder::Folder;
pub use mime::{Attachment, MimeError, Outgoing};
pub use pool::Relays;
pub use relay::{Receipt, Relay, RelayError, Session};
pub use tls::TrustError;

use lettre::Address;

use crate::settings::Mail;

/// Where letters go.
pub enum Post {
    /// Into a folder, for somebody to carry on.
    Folder(Folder),
    /// To the first relay that takes them.
    Relays(Relays),
}

/// From whom, to whom, and what it is; all that is needed before the letter itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Envelope {
    /// The sender's address.
    pub from: String,
    /// The recipient's address.
    pub to: String,
    /// The kind of letter, for the name of a file.
    pub kind: String,
    /// The plan's reference, for the name of a file.
    pub plan_ref: Option<String>,
}

/// A letter that may go at a word. Dropped, it does not go.
#[must_use = "the letter goes only with `finish`"]
pub struct Handing(At);

enum At {
    Folder(folder::InFolder),
    // Much larger than the other.
    Relay(Box<pool::AtRelay>),
}

impl Post {
    /// The post as the settings describe it: relays, or the folder if there are none.
    ///
    /// # Errors
    /// A relay's password or certificates can't be read.
    pub fn new(mail: &Mail) -> Result<Self, RelayError> {
        if mail.relays.is_empty() {
            return Ok(Post::Folder(Folder::new(mail.folder.clone())));
        }
        Ok(Post::Relays(Relays::new(mail)?))
    }

    /// Finds somebody who takes a letter with this envelope.
    ///
    /// # Errors
    /// Nobody does; the error's class says what to do about it.
    pub async fn begin(&self, envelope: &Envelope) -> Result<Handing, SendError> {
        let from =
            address(&envelope.from, |said| SendError::transport(Phase::Sender, "settings", said))?;
        let to = address(&envelope.to, |said| SendError::recipient("address", said))?;
        Ok(Handing(match self {
            Post::Folder(folder) => At::Folder(folder.begin(envelope).await?),
            Post::Relays(relays) => At::Relay(Box::new(relays.begin(&from, &to).await?)),
        }))
    }
}

impl Handing {
    /// Lets the letter go.
    ///
    /// # Errors
    /// It was not taken, or that is [in doubt](SendError::in_doubt).
    pub async fn finish(self, letter: &[u8]) -> Result<Receipt, SendError> {
        match self.0 {
            At::Folder(folder) => folder.finish(letter).await,
            At::Relay(relay) => relay.finish(letter).await,
        }
    }

    /// Takes the envelope back: the letter is not wanted any more.
    pub async fn abandon(self) {
        if let At::Relay(relay) = self.0 {
            relay.abandon().await;
        }
    }
}

/// An address as it stands between the angle brackets of an envelope; ASCII alone, because not
/// every relay takes more.
fn address(text: &str, fault: impl FnOnce(&str) -> SendError) -> Result<Address, SendError> {
    match text.parse() {
        Ok(address) if text.is_ascii() => Ok(address),
        _ => Err(fault("is no address that a relay takes")),
    }
}
