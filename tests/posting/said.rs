//! Letters that are on their way while contacts answer.

use std::pin::pin;

use shorelamp::watch::{Answer, By, Event};
use tokio::time::timeout;

use super::*;

const DUNSTAN: &str = "Dunstan";

/// One plan, and a relay that takes its time over each letter.
struct Slow {
    server: Server,
    lamp: Lamp,
    plan: String,
}

impl Slow {
    async fn filed() -> Slow {
        let slow = Whims { before_each_byte: Duration::from_millis(20), ..Whims::NONE };
        let server = Server::start(whims(slow)).await;
        let lamp = Lamp::with(vec![server.relay(PLAIN)], 60).await;
        let plan = lamp.file("one@example.org").await;
        lamp.handed_over(&plan, Kind::Filed).await;
        Slow { server, lamp, plan }
    }

    async fn alerted() -> Slow {
        let slow = Slow::filed().await;
        slow.lamp.pass(UNTIL_OVERDUE);
        slow.lamp.handed_over(&slow.plan, Kind::Overdue).await;
        slow
    }

    async fn happens(&self, event: &Event) -> u32 {
        self.lamp.daemon.act(&self.plan, event, None).await.unwrap().state.events
    }

    /// While the contact says this and takes it back, as fast as the service hears it, a letter of this
    /// kind leaves, and its relay is asked for it once.
    async fn leaves_though_said(&self, kind: Kind, word: &Event, before: usize) {
        let mut said = 0;
        let talks = async {
            loop {
                let event = self.happens(word).await;
                let undo = Event::Undone { event, by: By::Contact(0, DUNSTAN.to_owned()) };
                // An "I am on it" may just have run out.
                let _ = self.lamp.daemon.act(&self.plan, &undo, None).await;
                said += 1;
            }
        };
        let mut handed = pin!(self.lamp.handed_over(&self.plan, kind));
        let talked = timeout(Duration::from_secs(8), talks);
        let done = tokio::select! { _ = &mut handed => true, _ = talked => false };
        if !done {
            handed.await;
        }
        let commands = self.server.heard().commands.split_off(before);
        let letter = commands.iter().take_while(|line| !line.starts_with("DATA"));
        let asked = letter.filter(|line| line.starts_with("RCPT TO:<one@example.org>")).count();
        assert_eq!(asked, 1, "{commands:?}");
        assert!(said > 0, "the test would show nothing");
    }

    fn asked(&self) -> usize {
        self.server.heard().commands.len()
    }
}

fn on_it() -> Event {
    Event::Answered { contact: 0, name: DUNSTAN.to_owned(), answer: Answer::OnIt }
}

fn ashore(by: By) -> Event {
    Event::CheckedIn { who: vec![0], by, how: None }
}

/// Else one contact, who answers and takes it back as fast as a relay says whom it takes a letter for,
/// keeps the alert from everybody.
#[tokio::test(flavor = "multi_thread")]
async fn an_alert_is_written_anew_while_its_relay_waits_and_then_leaves() {
    let slow = Slow::filed().await;
    let before = slow.asked();
    slow.lamp.pass(UNTIL_OVERDUE);
    slow.leaves_though_said(Kind::Overdue, &on_it(), before).await;
}

/// Whoever searches goes on until they hear.
#[tokio::test(flavor = "multi_thread")]
async fn a_stand_down_leaves_though_others_say_too_who_is_ashore() {
    let slow = Slow::alerted().await;
    let before = slow.asked();
    slow.happens(&ashore(By::Crew(None))).await;
    let word = ashore(By::Contact(0, DUNSTAN.to_owned()));
    slow.leaves_though_said(Kind::StandDown, &word, before).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn whoever_was_alerted_hears_of_the_new_times_though_contacts_answer() {
    let slow = Slow::alerted().await;
    let before = slow.asked();
    let later = Span::from_minutes(120);
    slow.happens(&Event::Extended { later, by: By::Crew(None) }).await;
    slow.leaves_though_said(Kind::Changed, &on_it(), before).await;
}
