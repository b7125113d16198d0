//! What letters say. The plan, its people and numbers are invented.

#![allow(clippy::expect_used)]

#[path = "letters/amended.rs"]
mod amended;
#[path = "letters/as_sent.rs"]
mod as_sent;
#[path = "letters/awkward.rs"]
mod awkward;
#[path = "letters/by_hand.rs"]
mod by_hand;
#[path = "letters/calendar.rs"]
mod calendar;
#[path = "letters/clocks.rs"]
mod clocks;
#[path = "letters/coordinator.rs"]
mod coordinator;
#[path = "letters/first_lines.rs"]
mod first_lines;
#[path = "letters/late.rs"]
mod late;
#[path = "letters/questions.rs"]
mod questions;
#[path = "letters/story.rs"]
mod story;
#[path = "letters/strangers.rs"]
mod strangers;

use shorelamp::letter::{Bare, CHART_ID, Letter, plain_fallback, service_trouble};
use shorelamp::watch::{Answer, By, Event, Kind, Recipient, Urgency};
use story::{MEDICAL, Sent, Story, flat, rescue, utc, whole_story};

/// The kinds that a trip's story holds: one is asked before any trip, one is an exercise.
fn kinds() -> impl Iterator<Item = Kind> {
    Kind::ALL.into_iter().filter(|kind| !matches!(kind, Kind::Confirm | Kind::Drill))
}

#[test]
fn the_story_holds_every_kind_of_letter() {
    let sent = whole_story();
    for kind in kinds() {
        assert!(sent.iter().any(|sent| sent.order.kind == kind), "{kind}");
    }
}

/// Lines of 78 characters: RFC 5322, 2.1.1. A subject's 120 are our own.
pub fn is_well_made(letter: &Letter) {
    for line in letter.text.lines().filter(|line| !line.starts_with("https://")) {
        let columns = textwrap::core::display_width(line);
        assert!(columns <= 78, "{columns} columns: {line}");
    }
    assert!(letter.text.ends_with('\n') && !letter.text.contains("\n\n\n"), "{}", letter.text);
    assert!(letter.subject.chars().count() <= 120, "{}", letter.subject);
    assert!(!letter.subject.chars().any(char::is_control), "{:?}", letter.subject);
    assert!(!letter.text.chars().any(|c| c.is_control() && c != '\n'), "{:?}", letter.text);
    assert!(letter.html.len() <= 30_000, "{} bytes", letter.html.len());
    for tag in letter.html.split('<').skip(1) {
        let (tag, _) = tag.split_once('>').expect("the end of a tag");
        let name = tag.trim_start_matches('/').split(' ').next().unwrap_or_default();
        assert!(TAGS.contains(&name), "<{tag}>");
        let tag = tag.replace(&format!("src=\"cid:{CHART_ID}\""), "");
        for bad in ["src=", "action=", "url(", " on"] {
            let found = tag.split('"').step_by(2).any(|outside| outside.contains(bad));
            assert!(!found, "<{tag}>");
        }
        if let Some((_, to)) = tag.split_once("href=\"") {
            assert!(
                to.starts_with("tel:") || to.starts_with("https://lamp.example.org/p/"),
                "<{tag}>"
            );
        }
    }
}

/// All that our HTML is made of: nothing remote, no forms, no script (common practice, no source).
const TAGS: [&str; 19] = [
    "!doctype", "html", "head", "meta", "title", "style", "body", "div", "p", "b", "br", "h2",
    "h3", "ol", "ul", "li", "bdi", "a", "img",
];

/// The picture has words in its place, and the text says the same without it.
#[test]
fn the_chart_goes_with_the_plan_and_with_alerts() {
    for Sent { order, letter } in whole_story() {
        let shown = letter.html.matches(&format!("src=\"cid:{CHART_ID}\"")).count();
        assert_eq!(shown, usize::from(story::shows_a_chart(order.kind)), "{}", order.kind);
        let alt = letter
            .html
            .contains("alt=\"Chart of the planned route, which may not be where they went: ");
        assert_eq!(alt, shown > 0, "{}", letter.html);
        assert!(!letter.text.contains("Chart of") && !letter.text.contains("cid:"));
    }
}

#[test]
fn every_letter_is_well_made_and_says_what_the_service_is() {
    for Sent { order, letter } in whole_story() {
        is_well_made(&letter);
        let text = flat(&letter.text);
        assert!(text.contains("no rescue service"), "{}: {text}", order.kind);
        assert!(text.contains("has called nobody"), "{}: {text}", order.kind);
        assert!(!letter.html.is_empty());
        assert_eq!(letter.urgency == Urgency::Alert, order.kind.is_alert());
        assert_eq!(letter.thread.starts_with("alert-"), order.kind.is_alert());
    }
}

#[test]
fn nothing_ever_says_safe() {
    for Sent { order, letter } in whole_story() {
        for part in [&letter.subject, &letter.text, &letter.html] {
            let part = part.to_lowercase();
            for word in
                ["safe", "saved", "secure", "rescued", "all clear", "die", "death", "survive"]
            {
                let words = part.split(|c: char| !c.is_alphabetic());
                assert!(!words.clone().any(|found| found == word), "{word} in {}", order.kind);
                assert!(word != "safe" || !part.contains(word), "{word} in {}", order.kind);
            }
        }
    }
}

#[test]
fn medical_notes_leave_with_alerts_alone() {
    for Sent { order, letter } in whole_story() {
        let told = letter.text.contains(MEDICAL);
        assert_eq!(told, order.kind.is_alert(), "{} to {}", order.kind, order.to);
        assert_eq!(letter.html.contains(MEDICAL), told);
        assert!(!letter.subject.contains("Asthma"));
    }
}

#[test]
fn no_letter_gives_an_address_or_a_contacts_last_name_away() {
    for Sent { order, letter } in whole_story() {
        assert!(!letter.text.contains("@example.org"), "{}", order.kind);
        assert!(!letter.html.contains("@example.org"), "{}", order.kind);
        if order.to == Recipient::Contact(0) {
            assert!(!letter.text.contains("Sandoval"), "{}: {}", order.kind, letter.text);
        }
    }
}

#[test]
fn the_keepers_trouble_names_nobody() {
    let sent = whole_story();
    for Sent { letter, .. } in sent.iter().filter(|sent| sent.order.kind == Kind::Trouble) {
        for name in ["Ines", "Tomas", "Dunstan", "Mirela", "555-01", "555 01"] {
            assert!(!letter.text.contains(name), "{name}: {}", letter.text);
        }
        assert!(letter.text.contains("What to do"));
    }
}

/// The headings of the text stand in the HTML, in the same order.
#[test]
fn text_and_html_say_the_same_in_the_same_order() {
    for Sent { order, letter } in whole_story() {
        let lines: Vec<&str> = letter.text.lines().collect();
        let is_rule = |line: &str| line.len() > 2 && line.chars().all(|c| c == '=' || c == '-');
        let headings = lines.windows(2).filter(|pair| is_rule(pair[1])).map(|pair| pair[0]);
        let mut rest = letter.html.as_str();
        for heading in headings {
            let escaped = heading.replace('\'', "&#39;").replace('"', "&#34;");
            let at = rest.find(&format!(">{escaped}</h")).unwrap_or_else(|| {
                panic!("{heading:?} not in the HTML of {}", order.kind);
            });
            rest = &rest[at..];
        }
    }
}

#[test]
fn once_somebody_has_called_nothing_is_asked_for_twice() {
    let mut story = Story::filed();
    story.minutes_after_overdue(0).tick();
    story.minutes_after_overdue(15).tick();
    story.minutes_after_overdue(20).happens(Event::Answered {
        contact: 1,
        name: "Mirela".to_owned(),
        answer: Answer::Called {
            service: "coast guard".to_owned(),
            when: "13:04".to_owned(),
            reference: Some("CG-4711".to_owned()),
        },
    });
    let sent = story.minutes_after_overdue(30).tick();
    let letter = story::one(&sent, Recipient::Contact(0), Kind::CallRescue);
    let text = flat(&letter.text);
    assert!(letter.subject.ends_with(" - rescue service called"), "{}", letter.subject);
    assert!(text.contains(
        "Mirela wrote at 13:05 (1:05 pm PDT): \"I have called coast guard at 13:04, reference \
         CG-4711\"."
    ));
    assert!(text.contains("you need not call again"));
    assert!(!text.contains("Call now"));
    assert!(!text.contains("Write on your page (link below) that you have called"));
    assert!(text.contains("We write again every hour"));
}

#[test]
fn only_those_still_out_are_counted() {
    let mut story = Story::filed();
    story.minutes_after_overdue(-60).happens(Event::CheckedIn {
        who: vec![1],
        by: By::Crew(None),
        how: None,
    });
    let sent = story.minutes_after_overdue(0).tick();
    let letter = story::one(&sent, Recipient::Contact(0), Kind::Overdue);
    assert_eq!(letter.subject, "OVERDUE since 12:45 PDT: 1 person, Ines Halloran - act now");
    let text = flat(&letter.text);
    assert!(text.starts_with("1 person is overdue on the water: Ines Halloran."));
    assert!(
        text.contains("Ashore: Tomas Bright, said at Sun 14 Jun, 11:45 (11:45 am PDT) by the crew")
    );
    assert!(text.contains("The party was of 2. Reported ashore: Tomas Bright, said at"), "{text}");
}

#[test]
fn without_a_rescue_service_in_the_settings_the_emergency_number_is_named() {
    let mut story = Story::filed();
    story.rescue.clear();
    let sent = story.minutes_after_overdue(0).tick();
    let text = flat(&story::one(&sent, Recipient::Contact(0), Kind::Overdue).text);
    assert!(text.contains("call your emergency number, and ask for the coast guard"));
    assert!(text.contains("This service was given no number for these waters."));
}

#[test]
fn the_crew_gets_the_call_when_no_contact_is_left() {
    let mut story = Story::filed();
    for contact in [0, 1] {
        story.happens(Event::Refused { to: Recipient::Contact(contact), kind: Kind::Overdue });
    }
    let sent = story.minutes_after_overdue(0).tick();
    let text = flat(&story::one(&sent, Recipient::Crew(0), Kind::CallRescue).text);
    assert!(text.contains("none of your contacts ashore can be reached or can act"));
    let text = flat(&story::one(&sent, Recipient::Keeper, Kind::CallRescue).text);
    assert!(text.contains("Nobody but you may know of this."));
    assert!(text.contains(MEDICAL));
}

#[test]
fn a_plan_that_cannot_be_read_still_gives_a_letter() {
    let rescue = rescue();
    let stored = format!(
        "{{\"crew\":[{{\"name\":\"Ines\",\"email\":\"ines@example.org\",\"medical\":\"{MEDICAL}\"}}]}}"
    );
    let bare = Bare {
        service_name: "Madrona Point Paddle Anglers",
        plan_ref: "7Q4K-M2",
        overdue_at: Some(utc("2026-06-14T19:45:00Z")),
        stored_plan: Some(&stored),
        watched: None,
        figures: None,
        rescue: &rescue,
        launch: "48.5420 -123.1620".parse().ok(),
        page: Some("https://lamp.example.org/p/k3k3"),
        why: "the plan could not be read",
    };
    for kind in kinds() {
        let letter = plain_fallback(&bare, kind, utc("2026-06-14T20:00:00Z"));
        is_well_made(&letter);
        assert_eq!(flat(&letter.text).contains(MEDICAL), kind.is_alert(), "{kind}");
        assert!(!letter.text.contains("ines@"), "{kind}");
        assert!(letter.text.contains("has called nobody"), "{kind}");
        assert_eq!(letter.text.contains("+1 360 555 0100"), kind != Kind::Trouble, "{kind}");
        assert!(letter.html.is_empty());
    }
    let letter = plain_fallback(
        &Bare { launch: None, ..bare },
        Kind::CallRescue,
        utc("2026-06-14T20:00:00Z"),
    );
    // Without the place, the number of an area could be the wrong one.
    assert!(!letter.text.contains("+1 360 555 0100"));
    assert!(letter.text.contains("911"));
}

#[test]
fn trouble_of_the_service_itself_has_its_own_thread() {
    let mend = ["Make room on the disk.".to_owned()];
    let now = utc("2026-06-14T20:00:00Z");
    let letter = service_trouble("Lamp", "disk", "the disk is full", &mend, now);
    is_well_made(&letter);
    assert_eq!(letter.subject, "Trouble: the disk is full");
    assert_eq!(letter.thread, "trouble-disk");
    assert!(letter.text.contains("1. Make room on the disk."));
}

/// Writes every letter of the story to var/letters, to be looked at.
#[test]
#[ignore = "writes files to be looked at"]
fn write_them_all_to_files() {
    let folder = std::path::Path::new("var/letters");
    std::fs::create_dir_all(folder).expect("a folder");
    let awkward = awkward::letters();
    for (at, sent) in whole_story().iter().chain(&awkward).enumerate() {
        let to = sent.order.to.to_string().replace(':', "-");
        let name = format!("{at:02}-{}-{to}", sent.order.kind);
        let text = format!("Subject: {}\n\n{}", sent.letter.subject, sent.letter.text);
        std::fs::write(folder.join(format!("{name}.txt")), text).expect("a file");
        std::fs::write(folder.join(format!("{name}.html")), &sent.letter.html).expect("a file");
    }
}
