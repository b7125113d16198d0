//! One attempt at one letter: written, looked at once more, handed over, and its fate recorded.

use std::borrow::Cow;
use std::pin::{Pin, pin};
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use tokio::sync::{OwnedSemaphorePermit, watch};
use tokio::time::{sleep, timeout};

use super::bare::{barest_letter, plain_letter, tell_of_plain_words, untyped_letter};
use super::charts::LeftOut;
use super::handing::WHOLE_WITHIN;
use super::sparing::Spared;
use super::wording::{mailbox, write};
use super::written::{Unwritten, Written, first_to_be_written};
use super::{Daemon, Dossier, enclosing, posting, retry};
use crate::guarded::{Panicked, guarded_while};
use crate::post::{Envelope, Outgoing, Phase, Place, Receipt, SendClass, SendError, Tried};
use crate::store::{self, Claimed, LastLook, Read, StoreError};
use crate::watch::{Kind, Watched};

/// A letter that takes longer than this hangs, and gives up its desk and its place at the door.
pub(super) const HANGS_AFTER: Duration = Duration::from_secs(5);
/// A letter that found no place is claimed again after this.
pub(super) const NO_PLACE: TimeDelta = TimeDelta::seconds(5);

/// What came of trying to hand a letter over.
enum Outcome {
    Taken(Receipt),
    Failed(SendError),
    /// The plan has moved since it was written: it is written again at once.
    Outdated,
    /// The plan no longer owes it, or another attempt has taken it over: nothing is to be
    /// recorded.
    Over,
}

/// What a letter comes to before it leaves.
enum Ready {
    Letter(Box<Written>),
    /// Its plan has no address for its reader.
    Nowhere,
    /// Its reader is spared it, for now or for good.
    Later(DateTime<Utc>),
    Never,
}

/// One attempt at one letter; its outcome is written down whatever it is.
/// What was read of its plan already is not read again.
pub(super) async fn send(
    daemon: &Daemon,
    claimed: &Claimed,
    read: Option<Read>,
    desk: Option<OwnedSemaphorePermit>,
) {
    let written = match guarded_while(try_to_send(daemon, claimed, read, desk)).await {
        Ok(written) => written,
        // Whether it was taken is not known, so it goes again.
        Err(Panicked) => try_later(daemon, claimed, "the program failed while it left").await,
    };
    if claimed.order.kind.is_alert() {
        posting::see_whether_it_is_held_up(daemon, claimed, &written);
    }
    if let Err(error) = written {
        // The lease runs out, and the letter is tried again.
        tracing::error!(plan = claimed.plan_ref, letter = claimed.id, %error, "a letter's fate can't be written down");
    }
}

async fn try_to_send(
    daemon: &Daemon,
    claimed: &Claimed,
    read: Option<Read>,
    desk: Option<OwnedSemaphorePermit>,
) -> Result<(), StoreError> {
    let urgent = claimed.order.kind.is_alert();
    if urgent && daemon.0.memory.has_left(&claimed.plan_ref, &claimed.order) {
        // What its plan is to hear of it is written down apart, as soon as that can be.
        let handed = store::Outcome::Handed { note: "it left from memory".to_owned() };
        return daemon.store().settle(claimed, handed, daemon.now()).await?.written().await;
    }
    let post = &daemon.0.post;
    let can_wait = claimed.order.kind.can_wait();
    if can_wait && let Some(rest) = post.rest_left() {
        return put_back(daemon, claimed, TimeDelta::from_std(rest).unwrap_or(NO_PLACE)).await;
    }
    let written = first_to_be_written(
        richly(daemon, claimed, read),
        plainly(daemon, plain_letter(daemon, claimed)),
        plainly(daemon, barest_letter(daemon, claimed)),
        |why| tell_of_plain_words(daemon, why),
    );
    let Written { letter, bytes, from } = match written.await {
        Ok(Ready::Letter(written)) => *written,
        Ok(Ready::Nowhere) => return no_address(daemon, claimed).await,
        Ok(Ready::Later(at)) => return daemon.store().put_off(claimed, at).await,
        Ok(Ready::Never) => {
            let dropped = store::Outcome::Dropped;
            let dropped = daemon.store().settle(claimed, dropped, daemon.now()).await?;
            return dropped.written().await;
        }
        Err(why) => {
            tracing::error!(plan = claimed.plan_ref, letter = claimed.id, %why, "a letter can't be written");
            return try_later(daemon, claimed, &why.to_string()).await;
        }
    };
    // All that takes the processor is done before: a place is a connection that others wait for.
    let Some(place) = post.place(&letter.to.email, letter.urgency).await else {
        return put_back(daemon, claimed, NO_PLACE).await;
    };
    // Last of all, for whoever is told of no wait asks for the others, and is to come as far as that.
    if can_wait && let Some(rest) = post.holds_up(&letter.to.email) {
        drop(place);
        return put_back(daemon, claimed, TimeDelta::from_std(rest).unwrap_or(NO_PLACE)).await;
    }
    let claimed = Claimed { written_from: from, ..claimed.clone() };
    let pictured = letter.picture.is_some() || !letter.attachments.is_empty();
    attempt(daemon, &claimed, &letter.envelope(), (&bytes, pictured), place, desk).await
}

/// The letter as it should be.
async fn richly(
    daemon: &Daemon,
    claimed: &Claimed,
    read: Option<Read>,
) -> Result<Ready, Unwritten> {
    let dossier = match read {
        Some(read) => Dossier::of(daemon, read)?,
        None => daemon.dossier(&claimed.plan_ref).await?,
    };
    let Some(to) = mailbox(daemon, &dossier.plan, claimed.order.to) else {
        return Ok(Ready::Nowhere);
    };
    match daemon.is_spared(claimed, &dossier, &to.email).await {
        Spared::No => {}
        Spared::For(wait) => return Ok(Ready::Later(daemon.now() + wait)),
        Spared::Forever => return Ok(Ready::Never),
    }
    let (state, to_whom) = (&dossier.record.state, claimed.order.to);
    let left_out = match state.told(to_whom).words_refused {
        true if has_typed(claimed.order.kind) => LeftOut::Typed,
        _ => daemon.0.charts.left_out_of(&claimed.id),
    };
    // Words of ours are of the plan as it now is, which whoever was taken out is not to read.
    let left_out = match state.removed_by(to_whom) {
        Some(_) if claimed.order.kind == Kind::Changed => left_out.min(LeftOut::Picture),
        _ => left_out,
    };
    let picture = match left_out {
        LeftOut::Nothing => daemon.picture(&dossier, claimed.order.kind).await,
        LeftOut::Picture | LeftOut::Typed => None,
    };
    let plain = left_out != LeftOut::Nothing;
    let mut letter = match left_out {
        LeftOut::Typed => {
            let facts = daemon.facts(&dossier, None, claimed.queued_at);
            untyped_letter(daemon, claimed, &facts, to)
        }
        _ => write(daemon, claimed, &dossier, to, picture.as_deref(), plain),
    };
    let bytes = daemon.0.post.write_within(&mut letter, enclosing::LARGEST)?;
    let from = Some(Box::new(dossier.record.state));
    Ok(Ready::Letter(Box::new(Written { letter, bytes, from })))
}

/// The letter in plain words, if its reader's address can be read. Better plain than none.
async fn plainly(
    daemon: &Daemon,
    letter: impl Future<Output = Result<Option<Outgoing>, StoreError>>,
) -> Result<Ready, Unwritten> {
    let Some(mut letter) = letter.await? else { return Ok(Ready::Nowhere) };
    let bytes = daemon.0.post.write_within(&mut letter, enclosing::LARGEST)?;
    Ok(Ready::Letter(Box::new(Written { letter, bytes, from: None })))
}

/// Holds its place until the outcome is on its way to the disk. The next letter's last look is
/// answered after it, so of each place at most one letter's fate is unknown to the database. What
/// hangs lets others go first.
async fn attempt(
    daemon: &Daemon,
    claimed: &Claimed,
    envelope: &Envelope,
    (letter, pictured): (&[u8], bool),
    place: Place,
    desk: Option<OwnedSemaphorePermit>,
) -> Result<(), StoreError> {
    let unwelcome = watch::Sender::new(false);
    let less = less_of(daemon, claimed, pictured);
    let outcome = {
        let parcel =
            Parcel { daemon, claimed, envelope, letter, place: &place, unwelcome: &unwelcome };
        let mut handing = pin!(hand_over_soon(parcel, less.is_some()));
        match timeout(HANGS_AFTER, &mut handing).await {
            Ok(outcome) => outcome?,
            Err(_) => {
                place.step_aside();
                drop(desk);
                handing.await?
            }
        }
    };
    let outcome = with_less(daemon, claimed, outcome, less, *unwelcome.borrow());
    record(daemon, claimed, outcome, place).await
}

/// A letter that every relay refuses for what is in it may be refused for its picture, or for what
/// somebody typed: that is not yet a contact out of reach. It goes again at once, without; and whoever
/// types what no filter lets through keeps no alert from the others. For an alert it is enough that one
/// relay refused it so, whatever the others lack: nobody knows when they will take one.
fn with_less(
    daemon: &Daemon,
    claimed: &Claimed,
    outcome: Outcome,
    less: Option<LeftOut>,
    unwelcome: bool,
) -> Outcome {
    let unwelcome = unwelcome && claimed.order.kind.is_alert();
    let Some(what) = less else { return outcome };
    match outcome {
        Outcome::Failed(error) if unwelcome || error.class == SendClass::MessageRefused => {
            let (plan, letter) = (&claimed.plan_ref, &claimed.id);
            tracing::warn!(plan, letter, without = ?what, "refused; it goes again with less in it");
            daemon.0.charts.leave_out(letter, what);
            Outcome::Outdated
        }
        other => other,
    }
}

/// What a letter that is refused goes without then; none where it holds no more than it must.
fn less_of(daemon: &Daemon, claimed: &Claimed, pictured: bool) -> Option<LeftOut> {
    match daemon.0.charts.left_out_of(&claimed.id) {
        LeftOut::Nothing if pictured => Some(LeftOut::Picture),
        LeftOut::Nothing | LeftOut::Picture if has_typed(claimed.order.kind) => {
            Some(LeftOut::Typed)
        }
        _ => None,
    }
}

/// Whether a letter of this kind holds what somebody typed.
fn has_typed(kind: Kind) -> bool {
    !matches!(kind, Kind::Trouble | Kind::Confirm | Kind::Drill)
}

/// All that is needed to hand a letter over, once or twice.
#[derive(Clone, Copy)]
struct Parcel<'a> {
    daemon: &'a Daemon,
    claimed: &'a Claimed,
    envelope: &'a Envelope,
    letter: &'a [u8],
    place: &'a Place,
    /// Whether a relay has refused the letter for what is in it.
    unwelcome: &'a watch::Sender<bool>,
}

/// As [`hand_over`]; but an alert that a relay has refused for what is in it, and that can go with less,
/// waits a moment and no more for another to take the whole of it.
async fn hand_over_soon(parcel: Parcel<'_>, has_less: bool) -> Result<Outcome, StoreError> {
    if !has_less || !parcel.claimed.order.kind.is_alert() {
        return hand_over(parcel).await;
    }
    let mut refused = parcel.unwelcome.subscribe();
    let too_long = async {
        drop(refused.wait_for(|unwelcome| *unwelcome).await);
        sleep(WHOLE_WITHIN).await;
    };
    tokio::select! {
        biased;
        outcome = hand_over(parcel) => outcome,
        () = too_long => Ok(Outcome::Failed(SendError::silence(Phase::Letter, "relays"))),
    }
}

/// Hands the letter over. While a relay keeps silent for too long, it is tried elsewhere as well:
/// whoever takes it first, counts.
async fn hand_over(parcel: Parcel<'_>) -> Result<Outcome, StoreError> {
    let post = &parcel.daemon.0.post;
    let tried = Tried::default();
    let mut first = pin!(try_each(parcel, &tried));
    if let Ok(outcome) = timeout(post.patience(), &mut first).await {
        return outcome;
    }
    let (plan, letter) = (&parcel.claimed.plan_ref, &parcel.claimed.id);
    tracing::warn!(plan, letter, "no answer yet; the letter is tried elsewhere as well");
    let second = pin!(try_each(parcel, &tried));
    let left = post.longest_attempt().saturating_sub(post.patience());
    match timeout(left, first_to_end_well(first, second)).await {
        Ok(outcome) => outcome,
        Err(_) => Ok(Outcome::Failed(SendError::silence(Phase::Letter, "relays"))),
    }
}

/// The first outcome that settles the letter, or the last one.
async fn first_to_end_well<F>(mut one: Pin<&mut F>, mut other: Pin<&mut F>) -> F::Output
where
    F: Future<Output = Result<Outcome, StoreError>>,
{
    let (ended, left) = tokio::select! {
        ended = &mut one => (ended, other),
        ended = &mut other => (ended, one),
    };
    match ended {
        Ok(Outcome::Failed(_)) | Err(_) => left.await,
        settled => settled,
    }
}

/// Tries the relays until one takes the letter, with a last look before each lets it go.
async fn try_each(parcel: Parcel<'_>, tried: &Tried) -> Result<Outcome, StoreError> {
    let Parcel { daemon, envelope, place, unwelcome, .. } = parcel;
    let post = &daemon.0.post;
    let mut claimed = Cow::Borrowed(parcel.claimed);
    let mut letter = Cow::Borrowed(parcel.letter);
    let mut failure: Option<SendError> = None;
    loop {
        let handing = match post.begin(place, envelope, tried).await {
            Ok(handing) => handing,
            Err(error) => return Ok(Outcome::Failed(error.after(failure))),
        };
        let mut found = look(daemon, &claimed, false).await;
        if matches!(found, Ok(LastLook::Outdated))
            && let Some((from, bytes)) = written_anew(parcel).await
        {
            claimed.to_mut().written_from = Some(from);
            letter = Cow::Owned(bytes);
            found = look(daemon, &claimed, true).await;
        }
        match found {
            Ok(LastLook::Send) => {}
            Ok(LastLook::Dropped | LastLook::LostLease) => {
                handing.abandon().await;
                return Ok(Outcome::Over);
            }
            Ok(LastLook::Outdated) => {
                handing.abandon().await;
                return Ok(Outcome::Outdated);
            }
            Err(error) => {
                handing.abandon().await;
                return Err(error);
            }
        }
        let error = match handing.finish(&letter).await {
            Ok(receipt) => return Ok(Outcome::Taken(receipt)),
            Err(error) => error,
        };
        if error.class == SendClass::MessageRefused {
            unwelcome.send_replace(true);
        }
        let error = error.after(failure);
        if !error.is_worth_another_relay() || !post.any_but(tried) {
            return Ok(Outcome::Failed(error));
        }
        failure = Some(error);
    }
}

/// The letter, written anew while the relay waits for it; none where it had better be claimed anew. Else
/// each answer of a contact that comes while a relay takes its time would keep an alert, or what ends
/// one, from everybody for as long as that relay takes.
async fn written_anew(parcel: Parcel<'_>) -> Option<(Box<Watched>, Vec<u8>)> {
    let Parcel { daemon, claimed, envelope, .. } = parcel;
    let written = guarded_while(richly(daemon, claimed, None)).await;
    let Ok(Ok(Ready::Letter(written))) = written else { return None };
    let Written { letter, bytes, from } = *written;
    // The relay was told whom it is for.
    (letter.envelope() == *envelope).then_some((from?, bytes))
}

/// The last look, after what left from memory is written down, if it can be: this may be among it.
async fn look(daemon: &Daemon, claimed: &Claimed, anew: bool) -> Result<LastLook, StoreError> {
    let _ = daemon.record_sent().await;
    if daemon.0.memory.has_left(&claimed.plan_ref, &claimed.order) {
        return Ok(LastLook::LostLease);
    }
    let (store, now) = (daemon.store(), daemon.now());
    if anew {
        store.last_look_anew(claimed, now).await
    } else {
        store.last_look(claimed, now).await
    }
}

async fn record(
    daemon: &Daemon,
    claimed: &Claimed,
    outcome: Outcome,
    place: Place,
) -> Result<(), StoreError> {
    let (plan, letter, kind) = (&claimed.plan_ref, &claimed.id, claimed.order.kind.name());
    // What has not left needs none until that is written down: on a disk that hangs, for ever.
    let place = matches!(outcome, Outcome::Taken(_)).then_some(place);
    let error = match outcome {
        Outcome::Over => return Ok(()),
        Outcome::Outdated => return put_back(daemon, claimed, TimeDelta::zero()).await,
        Outcome::Taken(receipt) => {
            daemon.0.memory.handed(&claimed.plan_ref, &claimed.order);
            let handed =
                store::Outcome::Handed { note: format!("{}: {}", receipt.by, receipt.said) };
            let settled = async {
                let pending = daemon.store().settle(claimed, handed, daemon.now()).await?;
                drop(place);
                pending.written().await
            };
            if let Err(error) = settled.await {
                if claimed.order.kind.is_alert() {
                    // Else it goes again when its lease has run out, and again.
                    daemon.0.memory.sent(&claimed.plan_ref, &claimed.order, daemon.now());
                }
                return Err(error);
            }
            tracing::info!(plan, letter, kind, "a letter was handed over");
            return Ok(());
        }
        Outcome::Failed(error) => error,
    };
    let relay = &error.relay;
    tracing::warn!(plan, letter, kind, class = ?error.class, relay, "a letter did not leave");
    // A permanent refusal settles the letter; everything else is tried again.
    if error.is_final() {
        let again_in = retry::after_refusal(claimed.order.kind, &claimed.id);
        return refused(daemon, claimed, &error.to_string(), again_in).await;
    }
    try_later(daemon, claimed, &error.to_string()).await
}

async fn no_address(daemon: &Daemon, claimed: &Claimed) -> Result<(), StoreError> {
    refused(daemon, claimed, "no address", None).await
}

async fn refused(
    daemon: &Daemon,
    claimed: &Claimed,
    note: &str,
    again_in: Option<TimeDelta>,
) -> Result<(), StoreError> {
    let now = daemon.now();
    daemon.store().refused(claimed, note, again_in.map(|wait| now + wait), now).await?;
    // The plan may owe letters because of it.
    daemon.ring();
    Ok(())
}

async fn try_later(daemon: &Daemon, claimed: &Claimed, note: &str) -> Result<(), StoreError> {
    let delay = retry::jittered_delay(claimed.failures, &claimed.id);
    daemon.store().try_later(claimed, daemon.now() + delay, note).await
}

async fn put_back(daemon: &Daemon, claimed: &Claimed, wait: TimeDelta) -> Result<(), StoreError> {
    daemon.store().put_back(claimed, daemon.now() + wait).await
}
