//! Reports of delivery. Their form is that of RFC 3464 (2, 2.3.3 and the examples of its appendix
//! E), with invented names; what a real server of a kind adds is not tested here.

use proptest::prelude::*;
use shorelamp::post::{letter_of, read_report, return_path};

const LETTER: &str = "0123456789abcdef0123456789abcdef";
const SENT_FROM: &str = "bounces+0123456789abcdef0123456789abcdef.0a1b2c3d4e5f@example.org";

/// A report with these blocks of recipients.
fn report(recipients: &str) -> String {
    format!(
        "Date: Thu, 18 Jun 2026 17:16:05 -0400\r\n\
         From: Mail Delivery Subsystem <MAILER-DAEMON@mx.example.org>\r\n\
         Subject: Returned mail: Cannot send message for 5 days\r\n\
         To: <{SENT_FROM}>\r\n\
         Auto-Submitted: auto-replied\r\n\
         MIME-Version: 1.0\r\n\
         Content-Type: multipart/report; report-type=delivery-status;\r\n\
         \tboundary=\"RAA14128.773615765/mx.example.org\"\r\n\
         \r\n\
         --RAA14128.773615765/mx.example.org\r\n\
         \r\n\
         The original message was received from root@localhost.\r\n\
         Action: delivered\r\n\
         \r\n\
         --RAA14128.773615765/mx.example.org\r\n\
         content-type: message/delivery-status\r\n\
         \r\n\
         Reporting-MTA: dns; mx.example.org\r\n\
         \r\n\
         {recipients}\r\n\
         --RAA14128.773615765/mx.example.org\r\n\
         content-type: message/rfc822\r\n\
         \r\n\
         Subject: Watch the clock\r\n\
         Action: delivered\r\n\
         \r\n\
         --RAA14128.773615765/mx.example.org--\r\n"
    )
}

fn recipient(action: &str, status: &str) -> String {
    format!(
        "Original-Recipient: rfc822;dunstan@example.org\r\n\
         Final-Recipient: rfc822;dunstan@example.org\r\n\
         Action: {action}\r\n\
         Status: {status}\r\n\
         Diagnostic-Code: smtp; 550 no such user\r\n"
    )
}

/// The action decides, not the status: a letter that was given up after five days has failed though
/// its status begins with a 4 (RFC 3464, appendix E.1).
#[test]
fn the_action_decides() {
    for (action, status, failed) in [
        ("failed", "5.1.1", true),
        ("failed", "4.4.7", true),
        ("Failed (for good)", "5.0.0", true),
        ("delayed", "4.4.1", false),
        ("delivered", "2.0.0", false),
        ("relayed", "2.0.0", false),
        ("expanded", "2.0.0", false),
        ("unheard-of", "5.0.0", false),
    ] {
        let read = read_report(report(&recipient(action, status)).as_bytes()).unwrap();
        assert_eq!(read.failed, failed, "{action} {status}");
        assert!(read.said.contains(status), "{}", read.said);
        assert!(read.sent_to.iter().any(|to| to == SENT_FROM), "{:?}", read.sent_to);
    }
}

/// RFC 3463: X.1 is about addresses, X.2.1, X.2.2 and X.2.4 about a mailbox that is closed, full or a
/// list's, X.4 about the way there; all else may be said of what a letter holds (common practice, no
/// source: 5.0.0 is what some programs say of everything).
#[test]
fn the_status_tells_whether_it_may_be_for_what_stands_in_it() {
    for (status, for_content) in [
        ("5.7.1", true),
        ("5.6.0", true),
        ("5.2.3", true),
        ("5.3.4", true),
        ("5.0.0", true),
        ("5.5.0", true),
        ("5.2.0", true),
        ("5.3.0", true),
        ("", true),
        ("5.1.1", false),
        ("5.1.10", false),
        ("5.2.1", false),
        ("5.2.2", false),
        ("5.4.4", false),
        ("4.7.1", false),
        ("4.4.7", false),
    ] {
        let read = read_report(report(&recipient("failed", status)).as_bytes()).unwrap();
        assert!(read.failed && read.for_content == for_content, "{status}: {read:?}");
        let only_late = read_report(report(&recipient("delayed", status)).as_bytes()).unwrap();
        assert!(!only_late.for_content, "{status}: {only_late:?}");
    }
}

#[test]
fn a_letter_that_reached_anybody_is_not_lost() {
    let both = format!("{}\r\n{}", recipient("failed", "5.1.1"), recipient("delivered", "2.0.0"));
    assert!(!read_report(report(&both).as_bytes()).unwrap().failed);
    let none = format!("{}\r\n{}", recipient("failed", "5.1.1"), recipient("failed", "5.2.2"));
    let read = read_report(report(&none).as_bytes()).unwrap();
    assert!(read.failed && read.said == "failed, 5.1.1; failed, 5.2.2");
}

/// An out-of-office reply (RFC 3834) and a read receipt (RFC 8098) say nothing of delivery.
#[test]
fn an_automatic_reply_is_no_report() {
    let away = format!(
        "From: dunstan@example.org\r\nTo: {SENT_FROM}\r\nAuto-Submitted: auto-replied\r\n\
         Subject: Away\r\n\r\nI am away. Action: failed\r\n"
    );
    assert_eq!(read_report(away.as_bytes()), None);
    let receipt = report(&recipient("failed", "5.1.1"))
        .replace("report-type=delivery-status", "report-type=disposition-notification");
    assert_eq!(read_report(receipt.as_bytes()), None);
    for nothing in ["", "\r\n", "Subject: x\r\n\r\n", "Content-Type: multipart/report"] {
        assert_eq!(read_report(nothing.as_bytes()), None);
    }
    let empty = report("").replace("message/delivery-status", "text/plain");
    assert_eq!(read_report(empty.as_bytes()), None);
}

#[test]
fn a_letter_is_known_by_the_address_it_came_from() {
    let path = return_path("bounces@example.org", LETTER, "0a1b2c3d4e5f").unwrap();
    assert_eq!(path, SENT_FROM);
    // RFC 5321, 4.5.3.1.1: at most 64 bytes before the @.
    assert!(path.split('@').next().unwrap().len() <= 64);
    assert_eq!(letter_of("bounces@example.org", &path), Some((LETTER, "0a1b2c3d4e5f")));
    assert_eq!(letter_of("Bounces@Example.org", &path), Some((LETTER, "0a1b2c3d4e5f")));
    for foreign in
        ["bounces@example.org", "bounces+a.b@elsewhere.example", "x+a.b@example.org", "é"]
    {
        assert_eq!(letter_of("bounces@example.org", foreign), None, "{foreign}");
    }
}

proptest! {
    /// Whatever comes in, it is read or it is none; nothing panics.
    #[test]
    fn any_bytes_are_borne(bytes in proptest::collection::vec(any::<u8>(), 0..2000)) {
        let _ = read_report(&bytes);
    }

    /// The same for reports that were damaged on the way.
    #[test]
    fn any_damage_is_borne(
        cuts in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..20),
        end in any::<prop::sample::Index>(),
    ) {
        let mut bytes = report(&recipient("failed", "5.1.1")).into_bytes();
        for (at, byte) in cuts {
            let at = at.index(bytes.len());
            bytes[at] = byte;
        }
        bytes.truncate(end.index(bytes.len()) + 1);
        let _ = read_report(&bytes);
    }

    #[test]
    fn any_address_is_borne(bounces in ".*", address in ".*") {
        let _ = letter_of(&bounces, &address);
    }
}
