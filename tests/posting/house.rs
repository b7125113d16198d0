//! The watch and the post over a real database, with relays that follow a script and a clock that
//! a test moves. All names and addresses are invented.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Duration, Instant};

use chrono::{DateTime, TimeDelta, Utc};
use shorelamp::caution::Limits;
use shorelamp::conditions::Trust;
use shorelamp::daemon::{Clock, Daemon, House, Judge, Secrets};
use shorelamp::fetch::{Asker, Questions};
use shorelamp::plan::{Contact, Plan, read_toml};
use shorelamp::post::Post;
use shorelamp::settings::{Relay, Settings};
use shorelamp::shoreline::Shorelines;
use shorelamp::store::{Key, LetterState, Store};
use shorelamp::watch::{By, Kind};
use tempfile::TempDir;
use tokio_util::sync::CancellationToken;

/// What has not come by then never will, on a busy machine too.
const NEVER: Duration = Duration::from_secs(180);
/// When every test begins. Plans are overdue 30 minutes later.
const BEGIN: &str = "2026-06-14T13:00:00Z";
pub const UNTIL_OVERDUE: TimeDelta = TimeDelta::minutes(30);

pub struct Lamp {
    pub daemon: Daemon,
    pub folder: TempDir,
    moved_ms: Arc<AtomicI64>,
    stop: CancellationToken,
}

impl Lamp {
    /// A service with these relays; a letter is tried elsewhere after `patience_s`.
    pub async fn with(relays: Vec<Relay>, patience_s: u32) -> Lamp {
        let folder = tempfile::tempdir().unwrap();
        let mut settings = Settings::read(&settings_text(patience_s), folder.path()).unwrap();
        settings.mail.relays = relays;
        let moved_ms = Arc::new(AtomicI64::new(0));
        let daemon = daemon(&settings, &folder, Arc::clone(&moved_ms)).await;
        let stop = CancellationToken::new();
        let (running, until) = (daemon.clone(), stop.clone());
        tokio::spawn(async move { running.run(until).await });
        Lamp { daemon, folder, moved_ms, stop }
    }

    /// Files a plan of one contact, and gives its ref.
    pub async fn file(&self, contact: &str) -> String {
        self.file_until(contact, "2026-06-14T13:15:00Z").await
    }

    /// The same with another time of return.
    pub async fn file_until(&self, contact: &str, return_by: &str) -> String {
        let key = Key { id: "key".to_owned(), name: "ramp".to_owned(), keeper: false };
        let filed = self.daemon.file(&key, &plan(contact, return_by), None, b"").await.unwrap();
        filed.status.plan_ref
    }

    /// Files a plan whose crew has this address, and gives its ref.
    pub async fn file_for_crew(&self, crew: &str, contact: &str) -> String {
        let mut plan = plan(contact, "2026-06-14T13:15:00Z");
        plan.crew[0].email = Some(crew.to_owned());
        let key = Key { id: "key".to_owned(), name: "ramp".to_owned(), keeper: false };
        self.daemon.file(&key, &plan, None, b"").await.unwrap().status.plan_ref
    }

    /// Files a plan of twenty contacts by this key, and gives its ref.
    pub async fn file_crowd(&self, key: &str, at: usize, return_by: &str) -> String {
        let mut plan = plan("0@example.org", return_by);
        let one = plan.contacts.remove(0);
        plan.contacts = (0..20)
            .map(|contact| Contact {
                name: format!("{} {contact}", one.name),
                email: format!("{contact}@{key}{at}.example.org"),
                ..one.clone()
            })
            .collect();
        let key = Key { id: key.to_owned(), name: key.to_owned(), keeper: false };
        self.daemon.file(&key, &plan, None, b"").await.unwrap().status.plan_ref
    }

    /// The crew takes its contact out, and names this one.
    pub async fn names_instead(&self, plan_ref: &str, contact: &str, return_by: &str) {
        let plan = plan(contact, return_by);
        self.daemon.amend(plan_ref, &plan, &By::Crew(None), None, b"").await.unwrap();
    }

    pub fn pass(&self, span: TimeDelta) {
        self.moved_ms.fetch_add(span.num_milliseconds(), Ordering::SeqCst);
    }

    /// Waits until this plan's letter of this kind is handed over, and says how long that took.
    pub async fn handed_over(&self, plan_ref: &str, kind: Kind) -> Duration {
        let start = Instant::now();
        loop {
            let fates = self.daemon.store().letters(plan_ref).await.unwrap();
            let fate = fates.iter().find(|fate| fate.kind == kind);
            if fate.is_some_and(|fate| fate.state == LetterState::Handed) {
                return start.elapsed();
            }
            assert!(start.elapsed() < NEVER, "{plan_ref}: {fates:?}");
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    }

    /// The note on the plan's first letter: what the relay said last.
    pub async fn note(&self, plan_ref: &str) -> Option<String> {
        self.daemon.store().letters(plan_ref).await.unwrap().remove(0).note
    }

    /// Waits until this is so.
    pub async fn until(&self, what: &str, mut so: impl AsyncFnMut() -> bool) {
        let start = Instant::now();
        while !so().await {
            assert!(start.elapsed() < NEVER, "never: {what}");
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    }
}

impl Drop for Lamp {
    fn drop(&mut self) {
        self.stop.cancel();
    }
}

/// The Message-IDs of these letters, in order.
pub fn message_ids(letters: &[String]) -> Vec<&str> {
    letters
        .iter()
        .map(|letter| {
            let mut lines = letter.lines();
            lines.find_map(|line| line.strip_prefix("Message-ID: ")).unwrap()
        })
        .collect()
}

fn begin() -> DateTime<Utc> {
    BEGIN.parse().unwrap()
}

fn plan(contact: &str, return_by: &str) -> Plan {
    let text = format!(
        r#"
        [times]
        launch = "2026-06-14T05:30"
        return_by = "{return_by}"
        [launch]
        position = "48.5420 -123.1620"
        [[crew]]
        name = "Ines Halloran"
        [[contact]]
        name = "Dunstan Okafor"
        email = "{contact}"
        "#
    );
    read_toml(&text, &|_: &str| Err("no files here".to_owned())).unwrap()
}

fn settings_text(patience_s: u32) -> String {
    format!(
        r#"
        [service]
        name = "Madrona Point"
        base_url = "http://127.0.0.1:8040"
        keeper_email = "keeper@example.org"
        [mail]
        from = "Shorelamp <lamp@example.org>"
        deadline = "{patience_s}s"
        bounces = "bounces@example.org"
        [limits]
        filings_per_key_per_hour = 100000
        filings_per_address_per_day = 100000
        "#
    )
}

async fn daemon(settings: &Settings, folder: &TempDir, moved_ms: Arc<AtomicI64>) -> Daemon {
    let judge = Judge {
        shores: Shorelines::default(),
        questions: Questions::default(),
        tables: Vec::new(),
        asker: Asker::new("keeper@example.org", Duration::from_secs(1)),
        trust: Trust::default(),
        limits: Limits::default(),
        grace: settings.ladder.grace(),
    };
    let house = House {
        name: settings.service.name.clone(),
        base_url: settings.service.base_url.clone(),
        keeper_email: settings.service.keeper_email.clone(),
        from: settings.mail.from.clone(),
        rescues: settings.rescues.clone(),
        ladder: settings.ladder.clone(),
        limits: settings.limits,
        retention: settings.retention,
        security_contact: settings.service.security_contact.clone(),
    };
    let started = Instant::now();
    let clock = Clock::from_fn(move || {
        let ran = TimeDelta::from_std(started.elapsed()).unwrap();
        begin() + ran + TimeDelta::milliseconds(moved_ms.load(Ordering::SeqCst))
    });
    let secrets = Secrets::open(folder.path()).unwrap();
    let store = Store::open(folder.path()).await.unwrap();
    let post = Post::new(&settings.mail).unwrap();
    Daemon::new(house, store, post, secrets, judge, clock)
}
