//! What came back: reports of what became of a letter after a relay took it (RFC 3464), and the
//! addresses by which such a report is known to be about a letter of ours.

use mail_parser::{Message, MessageParser, MimeHeaders};

/// How much of a report is read. What matters stands at its beginning; the letter itself, which
/// may be enclosed, behind it.
pub const MOST_REPORT_BYTES: usize = 1024 * 1024;
/// The most recipients that are looked at: a letter of ours has one.
const MOST_BLOCKS: usize = 50;

/// What a report says of one letter.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Report {
    /// Whether it was given up for good, for everybody it was to reach.
    pub failed: bool,
    /// Whether it may have been given up for what stands in it: for anything but its address, a mailbox
    /// that is closed or full, or the way there (RFC 3463: X.1, X.2.1, X.2.2, X.2.4 and X.4), for
    /// filters say it in many ways. One that was given up for want of time (4.X.X) was not.
    pub for_content: bool,
    /// The report's own words, for the keeper: `failed, 5.1.1`.
    pub said: String,
    /// Whom the report was sent to: among them the address that the letter came from.
    pub sent_to: Vec<String>,
}

/// Reads one mail; `None` for anything but a report of delivery. An automatic reply is none: it
/// says nothing about whether the letter was read. Any bytes may stand in it.
#[must_use]
pub fn read_report(mail: &[u8]) -> Option<Report> {
    let mail = &mail[..mail.len().min(MOST_REPORT_BYTES)];
    let message = MessageParser::default().parse(mail)?;
    let kind = message.content_type()?;
    let is_report = kind.ctype().eq_ignore_ascii_case("multipart")
        && kind.subtype().is_some_and(|subtype| subtype.eq_ignore_ascii_case("report"))
        && kind
            .attribute("report-type")
            .is_some_and(|kind| kind.eq_ignore_ascii_case("delivery-status"));
    if !is_report {
        return None;
    }
    let status = message.parts.iter().find(|part| {
        part.content_type().is_some_and(|kind| {
            let subtype = kind.subtype().unwrap_or_default();
            // The second is its form for addresses that are not ASCII (RFC 6533).
            kind.ctype().eq_ignore_ascii_case("message")
                && ["delivery-status", "global-delivery-status"]
                    .iter()
                    .any(|known| subtype.eq_ignore_ascii_case(known))
        })
    })?;
    let (failed, for_content, said) = outcome(&String::from_utf8_lossy(status.contents()))?;
    Some(Report { failed, for_content, said, sent_to: sent_to(&message) })
}

/// By what each recipient's `Action` says (RFC 3464, 2.3.3), and by nothing else: a letter is lost
/// when it failed for somebody and reached nobody. `delayed` is no failure.
fn outcome(status: &str) -> Option<(bool, bool, String)> {
    let status = status.replace("\r\n", "\n");
    let (mut failed, mut reached, mut for_content) = (false, false, false);
    let mut said = Vec::new();
    for block in status.split("\n\n").take(MOST_BLOCKS) {
        let block = format!("{}\n\n", block.trim_start());
        let Some(fields) = MessageParser::default().parse(block.as_bytes()) else { continue };
        let Some(action) = word(&fields, "Action") else { continue };
        let status = word(&fields, "Status").unwrap_or_default();
        match action.as_str() {
            "failed" => {
                failed = true;
                for_content |= may_be_content(&status);
            }
            "delivered" | "relayed" | "expanded" => reached = true,
            _ => {}
        }
        said.push(format!("{action}, {status}"));
    }
    let failed = failed && !reached;
    let words = said.join("; ").chars().take(200).collect();
    (!said.is_empty()).then_some((failed, failed && for_content, words))
}

/// Whether a status may mean what stands in the letter.
fn may_be_content(status: &str) -> bool {
    let parts: Vec<_> = status.split('.').collect();
    !matches!(parts[..], ["4", ..] | ["5", "1" | "4", ..] | ["5", "2", "1" | "2" | "4"])
}

/// The first word of a field, without what is no letter, digit or dot.
fn word(fields: &Message<'_>, name: &str) -> Option<String> {
    let text = fields.header_raw(name)?.trim();
    let word: String =
        text.chars().take_while(|c| c.is_ascii_alphanumeric() || *c == '.').take(20).collect();
    (!word.is_empty()).then(|| word.to_ascii_lowercase())
}

/// Every address in the fields in which a mail server says for whom a mail is.
fn sent_to(message: &Message<'_>) -> Vec<String> {
    let fields = ["Delivered-To", "X-Original-To", "Envelope-To", "To"];
    let texts = fields.iter().filter_map(|name| message.header_raw(*name));
    let words =
        texts.flat_map(|text| text.split(|c: char| c.is_whitespace() || "<>,;\"".contains(c)));
    words.filter(|word| word.contains('@')).take(20).map(str::to_owned).collect()
}

/// The address from which a letter goes, so that its report is known by it:
/// `bounces+LETTER.TAG@host`. The tag keeps others from inventing reports.
#[must_use]
pub fn return_path(bounces: &str, letter: &str, tag: &str) -> Option<String> {
    let (mailbox, host) = bounces.rsplit_once('@')?;
    Some(format!("{mailbox}+{letter}.{tag}@{host}"))
}

/// The letter and the tag in such an address.
#[must_use]
pub fn letter_of<'a>(bounces: &str, address: &'a str) -> Option<(&'a str, &'a str)> {
    let (mailbox, host) = bounces.rsplit_once('@')?;
    let (local, at) = address.rsplit_once('@')?;
    let is_ours = at.eq_ignore_ascii_case(host)
        && local.get(..mailbox.len()).is_some_and(|own| own.eq_ignore_ascii_case(mailbox));
    let detail = local.get(mailbox.len()..)?.strip_prefix('+').filter(|_| is_ours)?;
    detail.split_once('.')
}
