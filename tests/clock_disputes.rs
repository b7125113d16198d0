//! The running service between two clocks that a test sets, with a kernel that vouches for the one
//! on the wall or does not.

#![allow(clippy::unwrap_used)]

#[allow(dead_code, reason = "the pages' tests need more of it")]
#[path = "web/house.rs"]
mod house;

use std::fs;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};
use std::time::{Duration, Instant};

use chrono::{DateTime, TimeDelta, Utc};
use house::{BEGIN, Lamp, Wish, plan};
use shorelamp::daemon::{Clock, Readings};

/// From the service's beginning to the plan's overdue time, in seconds.
const UNTIL_OVERDUE_S: i64 = (6 * 60 + 45) * 60;
const HOUR_S: i64 = 3600;
const TEN_YEARS_S: i64 = 3652 * 86_400;
/// Long enough for the watch to look, and for a letter to be written.
const A_LOOK: Duration = Duration::from_millis(2500);

/// What the machine shows: time that has passed for both clocks, and a step of one.
#[derive(Clone)]
struct Machine {
    passed_s: Arc<AtomicI64>,
    step_s: Arc<AtomicI64>,
    synchronised: Arc<AtomicBool>,
}

impl Machine {
    fn new(synchronised: bool) -> Self {
        let synchronised = Arc::new(AtomicBool::new(synchronised));
        Machine { passed_s: Arc::default(), step_s: Arc::default(), synchronised }
    }

    fn clock(&self) -> Clock {
        let (machine, started) = (self.clone(), Instant::now());
        let begin: DateTime<Utc> = BEGIN.parse().unwrap();
        let read = move || {
            let passed = TimeDelta::seconds(machine.passed_s.load(Ordering::SeqCst));
            let since_boot = passed + TimeDelta::from_std(started.elapsed()).unwrap();
            Readings {
                wall: begin
                    + since_boot
                    + TimeDelta::seconds(machine.step_s.load(Ordering::SeqCst)),
                since_boot,
                synchronised: machine.synchronised.load(Ordering::SeqCst),
            }
        };
        Clock::of(Box::new(read), "boot".to_owned(), None, None)
    }

    /// Both clocks go on, and the service looks.
    async fn pass(&self, seconds: i64) {
        self.passed_s.fetch_add(seconds, Ordering::SeqCst);
        tokio::time::sleep(A_LOOK).await;
    }

    /// Somebody sets the wall clock, and the service looks.
    async fn set_wall(&self, step_s: i64) {
        self.step_s.store(step_s, Ordering::SeqCst);
        tokio::time::sleep(A_LOOK).await;
    }
}

/// The service with an armed plan, and the machine it runs on.
async fn armed(synchronised: bool) -> (Machine, Lamp) {
    let machine = Machine::new(synchronised);
    let lamp = Lamp::with(Wish { runs: true, clock: Some(machine.clock()), ..Wish::default() });
    let lamp = lamp.await;
    lamp.file(&plan()).await;
    (machine, lamp)
}

/// The alerts' texts so far.
fn alerts(lamp: &Lamp) -> Vec<String> {
    let Ok(entries) = fs::read_dir(lamp.folder.path().join("outgoing")) else { return Vec::new() };
    let mut alerts = Vec::new();
    // What is still being written has another name.
    let paths = entries.map(|entry| entry.unwrap().path());
    for path in paths.filter(|path| path.extension().is_some_and(|end| end == "eml")) {
        let bytes = fs::read(path).unwrap();
        let letter = mail_parser::MessageParser::default().parse(&bytes).unwrap();
        let kind = letter.header("Shorelamp-Kind").and_then(|kind| kind.as_text()).unwrap_or("");
        if ["overdue", "call-rescue"].contains(&kind.trim()) {
            let text = letter.body_text(0).unwrap();
            alerts.push(text.split_whitespace().collect::<Vec<_>>().join(" "));
        }
    }
    alerts
}

fn says_so(alerts: &[String]) -> bool {
    alerts.iter().all(|text| text.contains("clocks of this service's machine disagree"))
}

#[tokio::test(flavor = "multi_thread")]
async fn a_step_on_that_nobody_vouches_for_alerts_after_two_minutes_and_says_so() {
    for step_s in [UNTIL_OVERDUE_S + HOUR_S, TEN_YEARS_S] {
        let (machine, lamp) = armed(false).await;
        machine.set_wall(step_s).await;
        machine.pass(110).await;
        assert_eq!(alerts(&lamp), Vec::<String>::new(), "{step_s}: the boot clock rules");
        machine.pass(10).await;
        let sent = alerts(&lamp);
        assert!(!sent.is_empty() && says_so(&sent), "{step_s}: {sent:?}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_step_back_that_nobody_vouches_for_keeps_no_alert_back() {
    for step_s in [-HOUR_S, -TEN_YEARS_S] {
        let (machine, lamp) = armed(false).await;
        machine.pass(UNTIL_OVERDUE_S - 400).await;
        machine.set_wall(step_s).await;
        machine.pass(300).await;
        assert_eq!(alerts(&lamp), Vec::<String>::new(), "{step_s}: it is not overdue");
        machine.pass(100).await;
        let sent = alerts(&lamp);
        assert!(!sent.is_empty() && says_so(&sent), "{step_s}: {sent:?}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_synchronised_clock_is_believed_and_alerts_nobody_early_nor_late() {
    // The machine was an hour behind, and a time service sets it right: the crew is overdue now.
    let (machine, lamp) = armed(true).await;
    machine.pass(UNTIL_OVERDUE_S - HOUR_S).await;
    machine.set_wall(HOUR_S + 30).await;
    assert_eq!(alerts(&lamp), Vec::<String>::new(), "it could be a slip");
    machine.pass(61).await;
    let sent = alerts(&lamp);
    assert!(!sent.is_empty() && !says_so(&sent), "{sent:?}");

    // It was an hour ahead: what would be overdue by the boot clock is not.
    let (machine, lamp) = armed(true).await;
    machine.pass(UNTIL_OVERDUE_S - HOUR_S).await;
    machine.set_wall(-HOUR_S).await;
    machine.pass(61).await;
    machine.pass(HOUR_S).await;
    assert_eq!(alerts(&lamp), Vec::<String>::new(), "the crew is not overdue");
    let well = lamp.get("/healthz").send().await.unwrap();
    assert_eq!(well.status(), 200, "{}", well.text().await.unwrap());
    machine.pass(HOUR_S).await;
    assert!(!alerts(&lamp).is_empty());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_clock_that_is_set_wrong_and_right_again_alerts_nobody() {
    // Setting it by hand takes the kernel's word away, until a time service gives it again.
    let (machine, lamp) = armed(true).await;
    for step_s in [UNTIL_OVERDUE_S + HOUR_S, TEN_YEARS_S, -TEN_YEARS_S] {
        machine.synchronised.store(false, Ordering::SeqCst);
        machine.set_wall(step_s).await;
        machine.pass(100).await;
        machine.synchronised.store(true, Ordering::SeqCst);
        machine.set_wall(0).await;
        machine.pass(300).await;
        assert_eq!(alerts(&lamp), Vec::<String>::new(), "{step_s}");
    }
    let well = lamp.get("/healthz").send().await.unwrap();
    assert_eq!(well.status(), 200, "{}", well.text().await.unwrap());
}
