//! Alerts that are on their way while contacts answer.

use shorelamp::watch::{Answer, By, Event};

use super::*;

/// Else one contact, who answers and takes it back as fast as a relay says whom it takes a letter for,
/// keeps the alert from everybody.
#[tokio::test(flavor = "multi_thread")]
async fn an_alert_is_written_anew_while_its_relay_waits_and_then_leaves() {
    let slow = Whims { before_each_byte: Duration::from_millis(20), ..Whims::NONE };
    let server = Server::start(whims(slow)).await;
    let lamp = Lamp::with(vec![server.relay(PLAIN)], 60).await;
    let plan = lamp.file("one@example.org").await;
    lamp.handed_over(&plan, Kind::Filed).await;
    let before = server.heard().commands.len();
    lamp.pass(UNTIL_OVERDUE);
    let (daemon, of) = (lamp.daemon.clone(), plan.clone());
    let talks = tokio::spawn(async move {
        let begun = Instant::now();
        let name = "Dunstan".to_owned();
        let on_it = Event::Answered { contact: 0, name: name.clone(), answer: Answer::OnIt };
        let mut said = 0;
        while begun.elapsed() < Duration::from_secs(8) {
            let event = daemon.act(&of, &on_it, None).await.unwrap().state.events;
            let undo = Event::Undone { event, by: By::Contact(0, name.clone()) };
            // An "I am on it" may just have run out.
            let _ = daemon.act(&of, &undo, None).await;
            said += 1;
        }
        said
    });
    lamp.handed_over(&plan, Kind::Overdue).await;
    let commands = server.heard().commands.split_off(before);
    let alert = commands.iter().take_while(|line| !line.starts_with("DATA"));
    let asked = alert.filter(|line| line.starts_with("RCPT TO:<one@example.org>")).count();
    assert_eq!(asked, 1, "{commands:?}");
    assert!(talks.await.unwrap() > 10, "the test would show nothing");
}
