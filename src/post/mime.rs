//! Builds the bytes of a letter: RFC 5322, seven bits, the same at every attempt.

use std::time::SystemTime;

use chrono::{DateTime, Utc};
use lettre::Message;
use lettre::message::header::{ContentTransferEncoding, ContentType, HeaderName, HeaderValue};
use lettre::message::{
    Attachment as Enclosure, Body, Mailbox as Party, MessageBuilder, MultiPart, SinglePart,
};
use sha2::{Digest, Sha256};
use thiserror::Error;

use super::Envelope;
use super::dkim::Seal;
use crate::settings::Mailbox;
use crate::watch::Urgency;

/// A letter as its writer hands it over.
#[derive(Clone, Debug, PartialEq)]
pub struct Outgoing {
    /// `name@host`, with or without angle brackets; the same at every attempt.
    pub message_id: String,
    /// When it was written.
    pub date: DateTime<Utc>,
    /// Whom it comes from.
    pub from: Mailbox,
    /// Whom it goes to: one letter a person.
    pub to: Mailbox,
    /// Where an answer by mail goes, if not to `from`.
    pub reply_to: Option<Mailbox>,
    /// The subject; cut where it is longer than a line can hold.
    pub subject: String,
    /// The kind of letter, as `call-rescue`.
    pub kind: String,
    /// The plan's reference; none for a letter about no plan.
    pub plan_ref: Option<String>,
    /// The Message-ID of the letter under which a reader's program files this one.
    pub thread: Option<String>,
    /// The text that stands on its own.
    pub text: String,
    /// The same, dressed.
    pub html: Option<String>,
    /// Whether a reader's program is asked to mark it, and a place kept for alerts may be taken.
    pub urgency: Urgency,
    /// A picture that the HTML shows.
    pub picture: Option<Picture>,
    /// What is enclosed.
    pub attachments: Vec<Attachment>,
    /// What goes into the reader's calendar.
    pub invitation: Option<Invitation>,
    /// Where reports about it go, if not to `from`: the envelope's sender.
    pub return_path: Option<String>,
}

/// An iCalendar object by mail (RFC 6047): shown by programs that know it, and enclosed as a file
/// for those that don't.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Invitation {
    /// `REQUEST` or `CANCEL`; the same as in the object, else it is not taken for one.
    pub method: String,
    /// The object, its lines ending in CR LF.
    pub text: String,
}

/// A picture shown in a letter's HTML, where that says `cid:` and its id (RFC 2392).
#[derive(Clone, Debug, PartialEq)]
pub struct Picture {
    /// `name@host`.
    pub content_id: String,
    /// What it is, as `image/png`.
    pub content_type: String,
    /// Its bytes.
    pub bytes: Vec<u8>,
}

/// A file enclosed in a letter.
#[derive(Clone, Debug, PartialEq)]
pub struct Attachment {
    /// The name under which a reader may keep it.
    pub name: String,
    /// What it is, as `text/calendar`.
    pub content_type: String,
    /// Its bytes.
    pub bytes: Vec<u8>,
}

/// Why a letter can't be built. The writer of letters prevents all of them.
#[derive(Clone, Debug, Error, PartialEq, Eq)]
pub enum MimeError {
    /// A line break or other control character in what becomes a header.
    #[error("the letter's {0} has a line break or another control character in it")]
    ControlCharacter(&'static str),
    /// An address that no relay takes.
    #[error("the letter's {field} is no address: {address}")]
    Address {
        /// Which of its addresses.
        field: &'static str,
        /// The address.
        address: String,
    },
    /// A Message-ID that is not `name@host` in plain letters.
    #[error("the letter's Message-ID is not well formed: {0}")]
    MessageId(String),
    /// A content type that is none.
    #[error("an enclosed file's content type is not well formed: {0}")]
    ContentType(String),
    /// The parts don't make a letter.
    #[error("the letter can't be put together: {0}")]
    Incomplete(String),
}

impl Outgoing {
    /// The envelope in which it goes.
    #[must_use]
    pub fn envelope(&self) -> Envelope {
        Envelope {
            from: self.return_path.clone().unwrap_or_else(|| self.from.email.clone()),
            to: self.to.email.clone(),
            kind: self.kind.clone(),
            plan_ref: self.plan_ref.clone(),
        }
    }

    /// Its bytes: lines of at most 998 characters ending in CR LF, all ASCII.
    ///
    /// # Errors
    /// A header that could not be what it seems; nothing of it is sent then.
    pub fn build(&self) -> Result<Vec<u8>, MimeError> {
        self.build_signed(None)
    }

    /// The same, signed. The signature holds the time of signing, all else is the same each time.
    ///
    /// # Errors
    /// As [`build`](Self::build).
    pub(super) fn build_signed(&self, seal: Option<&Seal>) -> Result<Vec<u8>, MimeError> {
        let id = message_id(&self.message_id)?;
        let plan = self.plan_ref.as_deref().unwrap_or(NO_PLAN);
        let mut builder = Message::builder()
            .message_id(Some(id.clone()))
            .date(SystemTime::from(self.date))
            .from(party(&self.from, "sender")?)
            .to(party(&self.to, "recipient")?)
            .subject(header_text(&self.subject, "subject", LONGEST_SUBJECT)?)
            .raw_header(header("Auto-Submitted", "auto-generated".to_owned()))
            .raw_header(header("Shorelamp-Kind", header_text(&self.kind, "kind", LONGEST_NAME)?))
            .raw_header(header("Shorelamp-Plan", header_text(plan, "plan", LONGEST_NAME)?));
        if let Some(reply_to) = &self.reply_to {
            builder = builder.reply_to(party(reply_to, "answer's address")?);
        }
        if let Some(thread) = &self.thread {
            builder = in_thread(builder, message_id(thread)?, &id);
        }
        if self.urgency == Urgency::Alert {
            builder = builder
                .raw_header(header("Importance", "high".to_owned()))
                .raw_header(header("X-Priority", "1".to_owned()));
        }
        let mut message = self.parts(builder, &boundary(&id))?;
        if let Some(seal) = seal {
            seal.sign(&mut message);
        }
        Ok(message.formatted())
    }

    /// The same, within so many bytes if that can be: the last of its files is left out first, and
    /// the picture last; its words never.
    ///
    /// # Errors
    /// As [`build`](Self::build).
    pub fn build_within(&mut self, most_bytes: usize) -> Result<Vec<u8>, MimeError> {
        loop {
            let bytes = self.build()?;
            let mut over = bytes.len().saturating_sub(most_bytes);
            let enclosed = self.attachments.len() + usize::from(self.picture.is_some());
            if over == 0 || enclosed == 0 {
                return Ok(bytes);
            }
            // Not built anew for each of them: a long letter takes the processor from the others.
            while over > 0
                && let Some(file) = self.last_enclosed()
            {
                over = over.saturating_sub(most_on_the_line(file.len()));
            }
        }
    }

    /// Takes out the last of its files, or else its picture.
    fn last_enclosed(&mut self) -> Option<Vec<u8>> {
        let file = self.attachments.pop().map(|file| file.bytes);
        file.or_else(|| self.picture.take().map(|picture| picture.bytes))
    }

    fn parts(&self, builder: MessageBuilder, boundary: &str) -> Result<Message, MimeError> {
        let text = printable(&self.text, ContentType::TEXT_PLAIN)?;
        let incomplete = |error: lettre::error::Error| MimeError::Incomplete(error.to_string());
        let alternative = match &self.html {
            Some(html) => {
                let parts = MultiPart::alternative().boundary(format!("{boundary}a"));
                let (parts, html) =
                    (parts.singlepart(text.clone()), printable(html, ContentType::TEXT_HTML)?);
                let parts = match &self.picture {
                    Some(picture) => parts.multipart(
                        MultiPart::related()
                            .boundary(format!("{boundary}r"))
                            .singlepart(html)
                            .singlepart(shown(picture)?),
                    ),
                    None => parts.singlepart(html),
                };
                // Last, for that is what a program shows that knows it.
                Some(match &self.invitation {
                    Some(invitation) => parts.singlepart(invitation.inline()?),
                    None => parts,
                })
            }
            None => None,
        };
        let file = self.invitation.as_ref().map(Invitation::file);
        let enclosures: Vec<&Attachment> = self.attachments.iter().chain(&file).collect();
        if enclosures.is_empty() {
            return match alternative {
                Some(parts) => builder.multipart(parts),
                None => builder.singlepart(text),
            }
            .map_err(incomplete);
        }
        let mixed = MultiPart::mixed().boundary(format!("{boundary}m"));
        let mut mixed = match alternative {
            Some(parts) => mixed.multipart(parts),
            None => mixed.singlepart(text),
        };
        for attachment in enclosures {
            mixed = mixed.singlepart(enclosed(attachment)?);
        }
        builder.multipart(mixed).map_err(incomplete)
    }
}

/// What `Shorelamp-Plan` says in a letter about no plan: every letter has the field.
const NO_PLAN: &str = "none";

/// Longer texts than these are cut, in characters: encoded, they must fit a header's line.
const LONGEST_SUBJECT: usize = 150;
const LONGEST_NAME: usize = 80;

/// The most that a file of so many bytes takes on the line: base64 in lines of 76 (RFC 2045, 6.8), and
/// what stands before it.
fn most_on_the_line(bytes: usize) -> usize {
    bytes.div_ceil(57) * 78 + 1000
}

/// A header's text, cut to its length. A control character is refused, not taken out: whoever
/// wrote it meant something that we don't understand. `=?` would be decoded by a reader's program
/// and shown as another text (RFC 2047, 2), so it is parted.
fn header_text(text: &str, field: &'static str, longest: usize) -> Result<String, MimeError> {
    let breaks = |c: char| c.is_control() || matches!(c, '\u{2028}' | '\u{2029}');
    if text.chars().any(breaks) {
        return Err(MimeError::ControlCharacter(field));
    }
    let text = text.replace("=?", "= ?");
    if text.chars().nth(longest).is_none() {
        return Ok(text);
    }
    Ok(text.chars().take(longest - 1).chain(['…']).collect())
}

fn header(name: &'static str, value: String) -> HeaderValue {
    HeaderValue::new(HeaderName::new_from_ascii_str(name), value)
}

fn party(mailbox: &Mailbox, field: &'static str) -> Result<Party, MimeError> {
    let name = match &mailbox.name {
        Some(name) => Some(header_text(name, field, LONGEST_NAME)?),
        None => None,
    };
    let address = mailbox.email.parse().ok().filter(|_| mailbox.email.is_ascii());
    match address {
        Some(address) => Ok(Party::new(name, address)),
        None => Err(MimeError::Address { field, address: mailbox.email.escape_debug().collect() }),
    }
}

/// `<name@host>` (RFC 5322, 3.6.4), of the letters that need no quoting.
fn message_id(text: &str) -> Result<String, MimeError> {
    const LONGEST: usize = 200;
    let bare = text.strip_prefix('<').and_then(|rest| rest.strip_suffix('>')).unwrap_or(text);
    let half = |half: &str| {
        let plain = |b: u8| b.is_ascii_alphanumeric() || b"-_.+=:[]".contains(&b);
        !half.is_empty() && half.bytes().all(plain)
    };
    match bare.split_once('@') {
        Some((name, host)) if half(name) && half(host) && bare.len() <= LONGEST => {
            Ok(format!("<{bare}>"))
        }
        _ => Err(MimeError::MessageId(text.escape_debug().collect())),
    }
}

fn in_thread(builder: MessageBuilder, thread: String, own_id: &str) -> MessageBuilder {
    if thread == own_id {
        return builder;
    }
    builder.in_reply_to(thread.clone()).references(thread)
}

/// The same for every attempt, and never a line of the content: `=_` can't stand in
/// quoted-printable or base64 (RFC 2045, 6.7).
fn boundary(message_id: &str) -> String {
    let hash = Sha256::digest(message_id.as_bytes());
    let hex: String = hash.iter().take(12).map(|byte| format!("{byte:02x}")).collect();
    format!("=_{hex}")
}

/// A part in quoted-printable, which every relay carries and every line of which is short.
fn printable(text: &str, content_type: ContentType) -> Result<SinglePart, MimeError> {
    let encoding = ContentTransferEncoding::QuotedPrintable;
    let body = Body::new_with_encoding(with_line_ends(text), encoding)
        .map_err(|_| MimeError::Incomplete("the text can't be encoded".to_owned()))?;
    Ok(SinglePart::builder().header(content_type).body(body))
}

/// The library puts in each CR by itself and moves all that follows it, a megabyte for every letter.
fn with_line_ends(text: &str) -> String {
    text.replace("\r\n", "\n").replace('\n', "\r\n")
}

impl Invitation {
    fn inline(&self) -> Result<SinglePart, MimeError> {
        let method = header_text(&self.method, "calendar's method", LONGEST_NAME)?;
        let kind = format!("text/calendar; method={method}; charset=utf-8");
        let (body, content_type) = base64(self.text.as_bytes(), &kind)?;
        Ok(SinglePart::builder().header(content_type).body(body))
    }

    fn file(&self) -> Attachment {
        Attachment {
            name: "invite.ics".to_owned(),
            content_type: "application/ics".to_owned(),
            bytes: self.text.clone().into_bytes(),
        }
    }
}

fn enclosed(attachment: &Attachment) -> Result<SinglePart, MimeError> {
    let name = header_text(&attachment.name, "enclosed file's name", LONGEST_NAME)?;
    let (body, content_type) = base64(&attachment.bytes, &attachment.content_type)?;
    Ok(Enclosure::new(name).body(body, content_type))
}

fn shown(picture: &Picture) -> Result<SinglePart, MimeError> {
    let id = message_id(&picture.content_id)?;
    let bare = id.trim_matches(['<', '>']).to_owned();
    let (body, content_type) = base64(&picture.bytes, &picture.content_type)?;
    Ok(Enclosure::new_inline(bare).body(body, content_type))
}

fn base64(bytes: &[u8], content_type: &str) -> Result<(Body, ContentType), MimeError> {
    let content_type = ContentType::parse(content_type)
        .map_err(|_| MimeError::ContentType(content_type.escape_debug().collect()))?;
    let body = Body::new_with_encoding(bytes.to_vec(), ContentTransferEncoding::Base64)
        .map_err(|_| MimeError::Incomplete("an enclosed file can't be encoded".to_owned()))?;
    Ok((body, content_type))
}
