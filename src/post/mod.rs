//! The edge towards mail: letters are handed to relays or, without any, written to a folder.
//!
//! A letter takes a [`Place`] first, so that no backlog and no silent server stands in the way of
//! an alert. It then goes in two steps. [`Post::begin`] says from whom and to whom; when it has
//! come back, the caller looks once more whether the letter is still wanted; only
//! [`Handing::finish`] lets it go. An error says whose fault it is ([`SendClass`]) and whether the
//! letter may have been taken all the same ([`SendError::in_doubt`]).

mod dkim;
mod error;
mod folder;
mod health;
mod mime;
mod places;
mod pool;
mod relay;
mod report;
mod rests;
mod slot;
mod tls;

pub use dkim::{DkimError, Seal};
pub use error::{Phase, SendClass, SendError};
pub use folder::Folder;
pub use health::RelayHealth;
pub use mime::{Attachment, Invitation, MimeError, Outgoing, Picture};
pub use places::{Place, Room};
pub use pool::Tried;
pub use relay::{Connecting, Network, Receipt, Relay, RelayError, Session};
pub use report::{MOST_REPORT_BYTES, Report, letter_of, read_report, return_path};
pub use tls::TrustError;

use std::sync::Arc;
use std::time::Duration;

use lettre::Address;

use crate::settings::Mail;
use crate::watch::Urgency;
use places::{Places, domain_of};
use pool::Relays;

/// How many letters are handed over at once, those not counted that hang.
const ROOM: Room = Room { shared: 12, for_alerts: 4 };

/// Where letters go.
pub struct Post {
    road: Road,
    places: Places,
    places_apart: Places,
    folder: Folder,
    deadline: Duration,
    bounces: Option<String>,
    seal: Result<Option<Seal>, DkimError>,
}

/// How they go there.
enum Road {
    /// Into a folder, for somebody to carry on.
    Folder,
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
        Self::with_room(mail, ROOM)
    }

    /// The same, with so many letters at once.
    ///
    /// # Errors
    /// As [`new`](Self::new).
    pub fn with_room(mail: &Mail, room: Room) -> Result<Self, RelayError> {
        Self::build(mail, room, None)
    }

    /// The same through another network than the machine's.
    ///
    /// # Errors
    /// As [`new`](Self::new).
    pub fn through(mail: &Mail, network: &Arc<dyn Network>) -> Result<Self, RelayError> {
        Self::build(mail, ROOM, Some(network))
    }

    fn build(
        mail: &Mail,
        room: Room,
        network: Option<&Arc<dyn Network>>,
    ) -> Result<Self, RelayError> {
        let deadline = mail.deadline.into();
        let folder = Folder::new(mail.folder.clone(), deadline);
        let road = match mail.relays.is_empty() {
            true => Road::Folder,
            false => Road::Relays(Relays::new(mail, network)?),
        };
        let bounces = mail.bounces.clone();
        // Better unsigned than not at all: the keeper hears of it.
        let seal = mail.dkim.as_ref().map(Seal::open).transpose();
        Ok(Post {
            road,
            places: Places::new(room),
            places_apart: Places::new(ROOM),
            folder,
            deadline,
            bounces,
            seal,
        })
    }

    /// Waits, but not for long, for a place from which a letter to this address may go; `None`
    /// when others hold all that it may take.
    pub async fn place(&self, to: &str, urgency: Urgency) -> Option<Place> {
        self.places.take(to, urgency).await
    }

    /// The same apart from all others: for letters that go by another road than the ordinary one, because
    /// that may hang with all its places taken.
    pub async fn place_apart(&self, to: &str, urgency: Urgency) -> Option<Place> {
        self.places_apart.take(to, urgency).await
    }

    /// Finds somebody who takes a letter with this envelope, and who has not been tried.
    ///
    /// # Errors
    /// Nobody does; the error's class says what to do about it.
    pub async fn begin(
        &self,
        place: &Place,
        envelope: &Envelope,
        tried: &Tried,
    ) -> Result<Handing, SendError> {
        let from =
            address(&envelope.from, |said| SendError::transport(Phase::Sender, "settings", said))?;
        let to = address(&envelope.to, |said| SendError::recipient("address", said))?;
        Ok(Handing(match &self.road {
            Road::Folder => At::Folder(self.folder.begin(envelope).await?),
            Road::Relays(relays) => {
                At::Relay(Box::new(relays.begin(&from, &to, place.urgency, tried).await?))
            }
        }))
    }

    /// A letter's bytes, signed where there is a key and relays to take it; what stays in the folder
    /// goes through hands that may change it.
    ///
    /// # Errors
    /// As [`Outgoing::build`].
    pub fn write(&self, letter: &Outgoing) -> Result<Vec<u8>, MimeError> {
        letter.build_signed(self.seal())
    }

    /// The same, [within](Outgoing::build_within) so many bytes, the signature not counted.
    ///
    /// # Errors
    /// As [`Outgoing::build`].
    pub fn write_within(
        &self,
        letter: &mut Outgoing,
        most_bytes: usize,
    ) -> Result<Vec<u8>, MimeError> {
        let plain = letter.build_within(most_bytes)?;
        if self.seal().is_some() { self.write(letter) } else { Ok(plain) }
    }

    fn seal(&self) -> Option<&Seal> {
        let seal = self.seal.as_ref().ok()?.as_ref();
        seal.filter(|_| matches!(self.road, Road::Relays(_)))
    }

    /// Why letters go unsigned although the settings name a key.
    #[must_use]
    pub fn unsigned_because(&self) -> Option<&DkimError> {
        self.seal.as_ref().err()
    }

    /// Where reports about letters go, if the settings name an address for them.
    #[must_use]
    pub fn bounces(&self) -> Option<&str> {
        self.bounces.as_deref()
    }

    /// Whether there is a relay that has not been tried.
    #[must_use]
    pub fn any_but(&self, tried: &Tried) -> bool {
        matches!(&self.road, Road::Relays(relays) if relays.any_but(tried))
    }

    /// How long a letter is awaited before it is tried elsewhere as well.
    #[must_use]
    pub fn patience(&self) -> Duration {
        self.deadline
    }

    /// How long an attempt takes at most, the second one elsewhere included.
    #[must_use]
    pub fn longest_attempt(&self) -> Duration {
        self.deadline * 2
    }

    /// How each relay is doing, in the order of the settings.
    #[must_use]
    pub fn health(&self) -> Vec<RelayHealth> {
        match &self.road {
            Road::Folder => vec![self.folder.health()],
            Road::Relays(relays) => relays.health(),
        }
    }

    /// How long every letter that can wait has to, because each relay says that we send too much.
    #[must_use]
    pub fn rest_left(&self) -> Option<Duration> {
        match &self.road {
            Road::Folder => None,
            Road::Relays(relays) => relays.rest_left(),
        }
    }

    /// How long a letter to this address has to, if it can wait, because each relay says so or passes
    /// on that its host does. Whoever is told of no wait goes ahead, and after a rest is the only one
    /// for a moment.
    #[must_use]
    pub fn holds_up(&self, to: &str) -> Option<Duration> {
        match &self.road {
            Road::Folder => None,
            Road::Relays(relays) => relays.holds_up(&domain_of(to)),
        }
    }

    /// Where letters lie that were written into the folder.
    #[must_use]
    pub fn folder(&self) -> &std::path::Path {
        self.folder.path()
    }

    /// Writes a letter into the folder, whatever relays there are.
    ///
    /// # Errors
    /// It can't be written.
    pub async fn leave_in_folder(
        &self,
        envelope: &Envelope,
        letter: &[u8],
    ) -> Result<Receipt, SendError> {
        self.folder.begin(envelope).await?.finish(letter).await
    }

    /// Asks relays that failed a while ago whether they can be reached again.
    pub async fn look_again(&self) {
        if let Road::Relays(relays) = &self.road {
            relays.look_again().await;
        }
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
