//! The bytes of a letter, read by a parser that is not ours (the crate mail-parser).

use chrono::{DateTime, Utc};
use mail_parser::{Address, HeaderValue, Message, MessageParser, MimeHeaders};
use proptest::prelude::*;
use shorelamp::post::{Attachment, Invitation, MimeError, Outgoing, Picture};
use shorelamp::settings::Mailbox;
use shorelamp::watch::Urgency;

/// An invented letter.
pub fn letter() -> Outgoing {
    Outgoing {
        message_id: "8f3a.overdue.1@lamp.example.org".to_owned(),
        date: "2026-06-14T19:45:00Z".parse::<DateTime<Utc>>().unwrap(),
        from: mailbox(Some("Shorelamp"), "lamp@example.org"),
        to: mailbox(Some("Dunstan Okafor"), "dunstan@example.org"),
        reply_to: Some(mailbox(None, "keeper@example.org")),
        subject: "OVERDUE: Ines Halloran, due 12:30".to_owned(),
        kind: "overdue".to_owned(),
        plan_ref: Some("k7pq2".to_owned()),
        thread: Some("8f3a.filed@lamp.example.org".to_owned()),
        text: "Two people are overdue.\n\n.A line that begins with a dot\n".to_owned(),
        html: Some("<p>Two people are overdue.</p>\n".to_owned()),
        urgency: Urgency::Alert,
        picture: None,
        attachments: Vec::new(),
        invitation: None,
        return_path: None,
    }
}

fn mailbox(name: Option<&str>, email: &str) -> Mailbox {
    Mailbox { name: name.map(str::to_owned), email: email.to_owned() }
}

fn parse(bytes: &[u8]) -> Message<'_> {
    MessageParser::default().parse(bytes).unwrap()
}

fn field<'a>(message: &'a Message<'_>, name: &'static str) -> Option<&'a str> {
    match message.header(name)? {
        HeaderValue::Text(text) => Some(text),
        other => panic!("{name}: {other:?}"),
    }
}

fn only(address: Option<&Address<'_>>) -> (Option<String>, String) {
    let mut all = address.unwrap().clone().into_list();
    assert_eq!(all.len(), 1);
    let one = all.remove(0);
    (one.name.map(Into::into), one.address.unwrap().into())
}

/// RFC 5322, 2.1.1: at most 998 characters a line, better 78; RFC 2045, 2.7 for seven bits.
fn assert_carried_by_every_relay(bytes: &[u8]) {
    let text = std::str::from_utf8(bytes).unwrap();
    assert!(text.is_ascii());
    assert!(text.ends_with("\r\n"));
    for line in text.split("\r\n") {
        assert!(line.len() <= 998, "{line}");
        assert!(!line.contains(['\r', '\n', '\0']), "{line:?}");
    }
}

#[test]
fn a_letter_has_its_fields_and_both_texts() {
    let bytes = letter().build().unwrap();
    assert_carried_by_every_relay(&bytes);
    let read = parse(&bytes);
    assert_eq!(read.message_id(), Some("8f3a.overdue.1@lamp.example.org"));
    assert_eq!(read.date().unwrap().to_rfc3339(), "2026-06-14T19:45:00Z");
    assert_eq!(only(read.from()), (Some("Shorelamp".into()), "lamp@example.org".into()));
    assert_eq!(only(read.to()), (Some("Dunstan Okafor".into()), "dunstan@example.org".into()));
    assert_eq!(only(read.reply_to()).1, "keeper@example.org");
    assert_eq!(read.subject(), Some("OVERDUE: Ines Halloran, due 12:30"));
    assert_eq!(field(&read, "Auto-Submitted"), Some("auto-generated"));
    assert_eq!(field(&read, "Shorelamp-Kind"), Some("overdue"));
    assert_eq!(field(&read, "Shorelamp-Plan"), Some("k7pq2"));
    assert_eq!(field(&read, "Importance"), Some("high"));
    assert_eq!(read.in_reply_to().as_text(), Some("8f3a.filed@lamp.example.org"));
    assert_eq!(read.references().as_text(), Some("8f3a.filed@lamp.example.org"));
    // The plain text stands first (RFC 2046, 5.1.4: the best comes last).
    assert!(read.content_type().unwrap().subtype() == Some("alternative"));
    let (text, html) = (&read.parts[1], &read.parts[2]);
    assert_eq!(text.content_type().unwrap().subtype(), Some("plain"));
    assert_eq!(html.content_type().unwrap().subtype(), Some("html"));
    let lines: Vec<_> = text.text_contents().unwrap().lines().collect();
    assert_eq!(lines, ["Two people are overdue.", "", ".A line that begins with a dot"]);
}

/// RFC 6047, 2.4: the method stands in the Content-Type as in the object; the last part of an
/// alternative is the one that a program shows which knows it (RFC 2046, 5.1.4).
#[test]
fn an_invitation_is_the_last_alternative_and_a_file() {
    let text = "BEGIN:VCALENDAR\r\nMETHOD:REQUEST\r\nSUMMARY:Ærø\r\nEND:VCALENDAR\r\n".to_owned();
    let invitation = Some(Invitation { method: "REQUEST".to_owned(), text: text.clone() });
    let bytes = Outgoing { invitation, ..letter() }.build().unwrap();
    assert_carried_by_every_relay(&bytes);
    let read = parse(&bytes);
    let kinds: Vec<_> = read
        .parts
        .iter()
        .map(|part| part.content_type().unwrap())
        .map(|kind| format!("{}/{}", kind.ctype(), kind.subtype().unwrap()))
        .collect();
    assert_eq!(
        kinds,
        [
            "multipart/mixed",
            "multipart/alternative",
            "text/plain",
            "text/html",
            "text/calendar",
            "application/ics"
        ]
    );
    let calendar = read.parts[4].content_type().unwrap();
    assert_eq!(calendar.attribute("method"), Some("REQUEST"));
    assert_eq!(calendar.attribute("charset"), Some("utf-8"));
    assert_eq!(read.parts[4].contents(), text.as_bytes());
    assert_eq!(read.parts[5].contents(), text.as_bytes());
    assert_eq!(read.parts[5].attachment_name(), Some("invite.ics"));
    assert!(read.parts[4].content_disposition().is_none());
}

#[test]
fn every_attempt_has_the_same_bytes() {
    assert_eq!(letter().build().unwrap(), letter().build().unwrap());
}

#[test]
fn a_letter_of_plain_text_alone_has_one_part() {
    let bytes = Outgoing {
        html: None,
        thread: None,
        plan_ref: None,
        reply_to: None,
        urgency: Urgency::Ordinary,
        ..letter()
    }
    .build()
    .unwrap();
    assert_carried_by_every_relay(&bytes);
    let read = parse(&bytes);
    assert_eq!(read.parts.len(), 1);
    assert_eq!(read.content_type().unwrap().subtype(), Some("plain"));
    let names: Vec<_> = read.headers().iter().map(|header| header.name().to_owned()).collect();
    assert_eq!(field(&read, "Shorelamp-Plan"), Some("none"));
    for absent in ["In-Reply-To", "References", "Reply-To", "Importance"] {
        assert!(!names.iter().any(|name| name == absent), "{absent} in {names:?}");
    }
}

#[test]
fn the_first_letter_of_a_thread_does_not_answer_itself() {
    let first = Outgoing { thread: Some(letter().message_id), ..letter() };
    let bytes = first.build().unwrap();
    assert!(parse(&bytes).header("References").is_none());
}

#[test]
fn names_and_texts_of_any_script_arrive() {
    let name = "Ærøskøbing Ōtautahi 北海道";
    let text = "Wasser 6 °C – 48°30.960′N\r\nдолгая строка ".to_owned() + &"é".repeat(2000);
    let sent = Outgoing {
        to: mailbox(Some(name), "dunstan@example.org"),
        subject: format!("Overdue: {name}"),
        text: text.clone(),
        ..letter()
    };
    let bytes = sent.build().unwrap();
    assert_carried_by_every_relay(&bytes);
    let (_, body) = std::str::from_utf8(&bytes).unwrap().split_once("\r\n\r\n").unwrap();
    assert!(body.lines().all(|line| line.len() <= 78));
    let read = parse(&bytes);
    assert_eq!(only(read.to()).0.as_deref(), Some(name));
    assert_eq!(read.subject(), Some(&*format!("Overdue: {name}")));
    let arrived = read.body_text(0).unwrap();
    assert_eq!(arrived.trim_end().replace("\r\n", "\n"), text.replace("\r\n", "\n"));
}

#[test]
fn a_line_break_never_becomes_a_header() {
    let evil = "x\r\nBcc: everybody@example.org";
    for (field, sent) in [
        ("subject", Outgoing { subject: evil.to_owned(), ..letter() }),
        ("kind", Outgoing { kind: "x\nBcc: a@example.org".to_owned(), ..letter() }),
        ("plan", Outgoing { plan_ref: Some("x\u{2028}y".to_owned()), ..letter() }),
        ("recipient", Outgoing { to: mailbox(Some(evil), "d@example.org"), ..letter() }),
        ("sender", Outgoing { from: mailbox(Some("a\0b"), "d@example.org"), ..letter() }),
    ] {
        assert_eq!(sent.build(), Err(MimeError::ControlCharacter(field)));
    }
    for address in ["d@example.org\r\nBcc: e@example.org", "d@example.org>", "d", "", "d@e, f@e"] {
        let sent = Outgoing { to: mailbox(None, address), ..letter() };
        assert!(matches!(sent.build(), Err(MimeError::Address { .. })), "{address}");
    }
    for id in ["", "a", "a@", "a b@example.org", "a@example.org>\r\nBcc: x", "<a@b><c@d>", "é@b"] {
        let sent = Outgoing { message_id: id.to_owned(), ..letter() };
        assert!(matches!(sent.build(), Err(MimeError::MessageId(_))), "{id}");
    }
}

/// RFC 2047, 2: such a text would be shown as another one.
#[test]
fn a_text_that_looks_encoded_is_not_decoded() {
    let hidden = "=?utf-8?b?YWxsIGFyZSBob21l?=";
    let sent = Outgoing {
        subject: format!("OVERDUE: {hidden}"),
        to: mailbox(Some(hidden), "d@example.org"),
        ..letter()
    };
    let bytes = sent.build().unwrap();
    let read = parse(&bytes);
    for shown in [read.subject().unwrap().to_owned(), only(read.to()).0.unwrap()] {
        assert!(!shown.contains("all are home"), "{shown}");
        assert!(shown.contains("YWxsIGFyZSBob21l"), "{shown}");
    }
}

#[test]
fn an_endless_subject_is_cut() {
    for subject in ["x".repeat(5000), "ö".repeat(5000), "a b ".repeat(2000)] {
        let bytes = Outgoing { subject: subject.clone(), ..letter() }.build().unwrap();
        assert_carried_by_every_relay(&bytes);
        let read = parse(&bytes);
        let (start, rest) = read.subject().unwrap().split_at(subject.floor_char_boundary(100));
        assert!(subject.starts_with(start));
        assert!(rest.ends_with('…'));
    }
}

#[test]
fn enclosed_files_arrive_as_they_are() {
    let chart = Attachment {
        name: "Küste.png".to_owned(),
        content_type: "image/png".to_owned(),
        bytes: (0..=255).cycle().take(5000).collect(),
    };
    let sent = Outgoing { attachments: vec![chart.clone()], ..letter() };
    let bytes = sent.build().unwrap();
    assert_carried_by_every_relay(&bytes);
    let read = parse(&bytes);
    assert_eq!(read.body_text(0).unwrap().lines().next(), Some("Two people are overdue."));
    let enclosed: Vec<_> = read.attachments().collect();
    assert_eq!(enclosed.len(), 1);
    assert_eq!(enclosed[0].attachment_name(), Some("Küste.png"));
    assert_eq!(enclosed[0].contents(), chart.bytes);
}

/// RFC 2387 (related), RFC 2392 (`cid:`): the picture stands beside the HTML, which alone shows it.
#[test]
fn a_picture_belongs_to_the_html() {
    let picture = Picture {
        content_id: "chart@lamp.example.org".to_owned(),
        content_type: "image/png".to_owned(),
        bytes: (0..=255).cycle().take(5000).collect(),
    };
    let html = Some("<p><img src=\"cid:chart@lamp.example.org\" alt=\"Chart\"></p>".to_owned());
    let sent = Outgoing { html, picture: Some(picture.clone()), ..letter() };
    let bytes = sent.build().unwrap();
    assert_carried_by_every_relay(&bytes);
    let read = parse(&bytes);
    let kinds: Vec<String> = read
        .parts
        .iter()
        .map(|part| {
            let kind = part.content_type().unwrap();
            format!("{}/{}", kind.ctype(), kind.subtype().unwrap_or_default())
        })
        .collect();
    assert_eq!(
        kinds,
        ["multipart/alternative", "text/plain", "multipart/related", "text/html", "image/png"]
    );
    let shown = read.parts.last().unwrap();
    assert_eq!(shown.content_id(), Some("chart@lamp.example.org"));
    assert_eq!(shown.content_disposition().map(|it| it.ctype()), Some("inline"));
    assert_eq!(shown.contents(), picture.bytes);
    assert_eq!(read.body_text(0).unwrap().lines().next(), Some("Two people are overdue."));
    let evil = Picture { content_id: "a\r\nBcc: b@example.org".to_owned(), ..picture };
    let refused = Outgoing { picture: Some(evil), ..letter() }.build();
    assert!(matches!(refused, Err(MimeError::MessageId(_))), "{refused:?}");
}

/// The only fields that a letter may have.
const FIELDS: [&str; 16] = [
    "Message-ID",
    "Date",
    "From",
    "To",
    "Reply-To",
    "Subject",
    "Auto-Submitted",
    "Shorelamp-Kind",
    "Shorelamp-Plan",
    "In-Reply-To",
    "References",
    "Importance",
    "X-Priority",
    "MIME-Version",
    "Content-Type",
    "Content-Transfer-Encoding",
];

proptest! {
    #[test]
    fn no_text_adds_a_field(name in "\\PC{0,60}", subject in ".{0,200}", text in "(?s).{0,400}") {
        let sent = Outgoing {
            to: mailbox(Some(&name), "dunstan@example.org"),
            subject,
            text,
            ..letter()
        };
        let Ok(bytes) = sent.build() else { return Ok(()) };
        assert_carried_by_every_relay(&bytes);
        let read = parse(&bytes);
        for header in read.headers() {
            prop_assert!(FIELDS.iter().any(|known| known.eq_ignore_ascii_case(header.name())),
                "{}", header.name());
        }
        prop_assert_eq!(only(read.to()).1, "dunstan@example.org");
        prop_assert_eq!(read.parts.len(), 3);
    }
}
