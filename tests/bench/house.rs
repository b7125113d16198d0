//! The service as it runs, with a clock that the bench sets. All names are invented.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use shorelamp::caution::Limits;
use shorelamp::conditions::Trust;
use shorelamp::daemon::{Clock, Daemon, House, Judge, Secrets};
use shorelamp::fetch::{Asker, Questions};
use shorelamp::plan::{Plan, read_toml};
use shorelamp::post::{Post, Room};
use shorelamp::settings::Settings;
use shorelamp::shoreline::Shorelines;
use shorelamp::store::{Key, Store};
use tempfile::TempDir;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

use super::sink::Sink;

const SETTINGS: &str = r#"
[service]
name = "Madrona Point"
base_url = "http://127.0.0.1:8040"
[mail]
from = "Shorelamp <lamp@example.org>"
[ladder]
grace = "15m"
[[ladder.rung]]
at = "overdue"
to = ["contacts"]
kind = "overdue"
[[ladder.rung]]
at = "overdue+12h"
to = ["contacts"]
kind = "call-rescue"
[limits]
filings_per_key_per_hour = 10000000
filings_per_address_per_day = 10000000
"#;

/// Four connections, all of which alerts may take.
const ROOM: Room = Room { shared: 2, for_alerts: 2 };

pub struct Lamp {
    pub begin: DateTime<Utc>,
    room: Room,
    daemon: Daemon,
    folder: TempDir,
    moved_ms: Arc<AtomicI64>,
    stop: CancellationToken,
    runs: JoinHandle<()>,
}

/// A service that does not run.
pub struct Dark {
    begin: DateTime<Utc>,
    room: Room,
    folder: TempDir,
}

/// When a plan with this return time is overdue.
pub fn overdue_at(due_at: DateTime<Utc>) -> DateTime<Utc> {
    due_at + TimeDelta::minutes(15)
}

impl Lamp {
    pub async fn lit(sink: &Sink) -> Lamp {
        Lamp::with_room(sink, ROOM).await
    }

    pub async fn with_room(sink: &Sink, room: Room) -> Lamp {
        let begin = DateTime::from_timestamp(Utc::now().timestamp(), 0).expect("a time");
        let on = std::env::var_os("BENCH_FOLDER").unwrap_or_else(|| std::env::temp_dir().into());
        let folder = tempfile::tempdir_in(on).expect("a folder");
        Dark { begin, room, folder }.light_again(sink, begin).await
    }

    /// The folder with its database.
    pub fn folder(&self) -> &std::path::Path {
        self.folder.path()
    }

    /// Stops and waits until all is closed.
    pub async fn put_out(self) -> Dark {
        self.stop.cancel();
        self.runs.await.expect("ended");
        Dark { begin: self.begin, room: self.room, folder: self.folder }
    }

    pub async fn file(&self, number: usize, return_by: DateTime<Utc>) -> String {
        let to = format!("dunstan{number}@{}.example.org", number % 50);
        self.file_to(&to, return_by, "15m").await
    }

    /// A plan of one contact at this address, with so much grace.
    pub async fn file_to(&self, to: &str, return_by: DateTime<Utc>, grace: &str) -> String {
        let key = Key { id: "key".to_owned(), name: "ramp".to_owned(), keeper: false };
        let plan = plan(to, return_by, grace);
        self.daemon.file(&key, &plan, None, b"").await.expect("filed").status.plan_ref
    }

    pub fn set_clock(&self, to: DateTime<Utc>) {
        let by = (to - self.daemon.now()).num_milliseconds();
        self.moved_ms.fetch_add(by, Ordering::SeqCst);
    }

    pub async fn wait_until(&self, at: DateTime<Utc>) {
        while self.daemon.now() < at {
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
    }

    /// Waits until nothing is queued or under way.
    pub async fn all_sent(&self) {
        while self.daemon.store().next_letter_at().await.expect("asked").is_some() {
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
    }

    /// Waits until every one of these plans has its alert out, and says when the last one left.
    pub async fn last_alert(&self, plans: &[String]) -> DateTime<Utc> {
        let store = self.daemon.store();
        loop {
            tokio::time::sleep(Duration::from_millis(200)).await;
            let none_due = store.due(self.daemon.now(), 1).await.expect("asked").is_empty();
            if none_due && store.next_letter_at().await.expect("asked").is_none() {
                break;
            }
        }
        let mut last = self.begin;
        for plan in plans {
            last = last.max(self.alerted_at(plan).await);
        }
        last
    }

    /// Waits until the plan's first letter was handed over.
    pub async fn told(&self, plan: &str) {
        while self.daemon.store().letters(plan).await.expect("read")[0].settled_at.is_none() {
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    }

    /// When the plan's alert was handed over, once.
    pub async fn alerted_at(&self, plan: &str) -> DateTime<Utc> {
        let fates = self.daemon.store().letters(plan).await.expect("read");
        let mut alerts = fates.iter().filter(|fate| fate.kind.is_alert());
        let (alert, other) = (alerts.next().expect("an alert"), alerts.next());
        assert!(other.is_none(), "one alert a plan");
        assert_eq!(alert.state, shorelamp::store::LetterState::Handed);
        alert.settled_at.expect("a time")
    }
}

impl Dark {
    /// The folder with its database.
    pub fn folder(&self) -> &std::path::Path {
        self.folder.path()
    }

    pub async fn light_again(self, sink: &Sink, now: DateTime<Utc>) -> Lamp {
        let mut settings = Settings::read(SETTINGS, self.folder.path()).expect("settings");
        settings.mail.relays = vec![sink.relay()];
        let moved_ms = Arc::new(AtomicI64::new((now - Utc::now()).num_milliseconds()));
        let moved = Arc::clone(&moved_ms);
        let clock = Clock::from_fn(move || {
            Utc::now() + TimeDelta::milliseconds(moved.load(Ordering::SeqCst))
        });
        let secrets = Secrets::open(self.folder.path()).expect("secrets");
        let store = Store::open(self.folder.path()).await.expect("opened");
        let post = Post::with_room(&settings.mail, self.room).expect("a post");
        let judge = judge(&settings);
        let daemon = Daemon::new(house(&settings), store, post, secrets, judge, clock);
        let stop = CancellationToken::new();
        let (running, until) = (daemon.clone(), stop.clone());
        let runs = tokio::spawn(async move { running.run(until).await.expect("ran") });
        Lamp {
            begin: self.begin,
            room: self.room,
            daemon,
            folder: self.folder,
            moved_ms,
            stop,
            runs,
        }
    }
}

fn plan(to: &str, return_by: DateTime<Utc>, grace: &str) -> Plan {
    let launch = (return_by - TimeDelta::hours(8)).to_rfc3339();
    let text = format!(
        r#"
        [times]
        launch = "{launch}"
        return_by = "{}"
        grace = "{grace}"
        [launch]
        position = "48.5420 -123.1620"
        [[waypoint]]
        position = "48.5500 -123.2000"
        [[crew]]
        name = "Ines Halloran"
        phone = "+1 360 555 0142"
        medical = "asthma"
        [[crew]]
        name = "Teo Brandvold"
        [[contact]]
        name = "Dunstan Okafor"
        email = "{to}"
        "#,
        return_by.to_rfc3339(),
    );
    read_toml(&text, &|_: &str| Err("no files here".to_owned())).expect("a plan")
}

fn judge(settings: &Settings) -> Judge {
    Judge {
        shores: Shorelines::default(),
        questions: Questions::default(),
        tables: Vec::new(),
        asker: Asker::new("keeper@example.org", Duration::from_secs(1)),
        trust: Trust::default(),
        limits: Limits::default(),
        grace: settings.ladder.grace(),
    }
}

fn house(settings: &Settings) -> House {
    House {
        name: settings.service.name.clone(),
        base_url: settings.service.base_url.clone(),
        keeper_email: settings.service.keeper_email.clone(),
        from: settings.mail.from.clone(),
        rescues: settings.rescues.clone(),
        ladder: settings.ladder.clone(),
        limits: settings.limits,
        retention: settings.retention,
        security_contact: settings.service.security_contact.clone(),
    }
}
