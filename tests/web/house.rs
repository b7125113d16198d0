//! A service on a free port of loopback, with a clock that a test moves.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use reqwest::{Client, RequestBuilder, Response, StatusCode};
use serde_json::{Value, json};
use shorelamp::caution::Limits as CautionLimits;
use shorelamp::conditions::Trust;
use shorelamp::daemon::secrets::{new_key, token_hash};
use shorelamp::daemon::{Clock, Daemon, House, Judge, Secrets};
use shorelamp::fetch::{Asker, Questions};
use shorelamp::post::Post;
use shorelamp::settings::Settings;
use shorelamp::shoreline::Shorelines;
use shorelamp::store::{Key, Store};
use shorelamp::watch::Event;
use tempfile::TempDir;
use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;

/// The time at which every test begins: 14 June 2026, 06:00 in the zone of the launch.
pub const BEGIN: &str = "2026-06-14T13:00:00Z";

pub struct Lamp {
    pub daemon: Daemon,
    pub base: String,
    pub client: Client,
    pub key: String,
    pub keeper: String,
    moved_ms: Arc<AtomicI64>,
    stop: CancellationToken,
    /// Where its database and its letters lie.
    #[allow(dead_code, reason = "the pages do not look there")]
    pub folder: TempDir,
}

/// What is different from the usual house.
#[derive(Default)]
pub struct Wish {
    /// What its links begin with, when that is not where it listens.
    pub base_url: Option<&'static str>,
    /// Whether the watch and the post run.
    pub runs: bool,
    pub filings_per_key_per_hour: Option<u32>,
    /// A clock of its own, instead of one that the test moves.
    pub clock: Option<Clock>,
}

impl Lamp {
    pub async fn lit() -> Lamp {
        Lamp::with(Wish::default()).await
    }

    pub async fn with(wish: Wish) -> Lamp {
        let folder = tempfile::tempdir().unwrap();
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let base = format!("http://{}", listener.local_addr().unwrap());
        let settings = settings(wish.base_url.unwrap_or(&base), &folder);
        // The secret is made before the database: one without the other is a loss.
        Secrets::open(folder.path()).unwrap();
        let store = Store::open(folder.path()).await.unwrap();
        let (key, keeper) = (add_key(&store, false).await, add_key(&store, true).await);
        let moved_ms = Arc::new(AtomicI64::new(0));
        let daemon = daemon(settings, store, &folder, &wish, moved_ms.clone());
        let stop = CancellationToken::new();
        let router = shorelamp::web::router(daemon.clone());
        tokio::spawn(shorelamp::web::serve(listener, router, stop.clone()));
        let client = Client::builder()
            .redirect(reqwest::redirect::Policy::none())
            .timeout(Duration::from_secs(60))
            .build()
            .unwrap();
        let lamp = Lamp { daemon, base, client, key, keeper, moved_ms, stop, folder };
        if wish.runs {
            lamp.run();
        }
        lamp
    }

    pub fn get(&self, path: &str) -> RequestBuilder {
        self.client.get(self.url(path))
    }

    pub fn post(&self, path: &str) -> RequestBuilder {
        self.client.post(self.url(path))
    }

    /// A path of this service, or a link that it gave out.
    pub fn url(&self, path: &str) -> String {
        if path.starts_with("http") { path.to_owned() } else { format!("{}{path}", self.base) }
    }

    /// Files this plan with the usual key.
    pub async fn file(&self, plan: &Value) -> Value {
        let answer =
            self.post("/api/v1/plans").bearer_auth(&self.key).json(plan).send().await.unwrap();
        assert_eq!(answer.status(), StatusCode::CREATED);
        answer.json().await.unwrap()
    }

    /// The service as it starts beside this one on the same database, with a clock of its own: what
    /// a machine that started again has.
    pub async fn started_again(&self, clock: Clock) -> Daemon {
        let wish = Wish { clock: Some(clock), ..Wish::default() };
        let store = Store::open(self.folder.path()).await.unwrap();
        daemon(settings(&self.base, &self.folder), store, &self.folder, &wish, Arc::default())
    }

    /// Starts the watch and the post of a house that did not run.
    pub fn run(&self) {
        let (daemon, stop) = (self.daemon.clone(), self.stop.clone());
        tokio::spawn(async move { daemon.run(stop).await });
    }

    /// Moves the clock, and lets the watch look at the plan.
    pub async fn pass(&self, minutes: i64, plan_ref: &str) {
        self.moved_ms.fetch_add(minutes * 60_000, Ordering::SeqCst);
        self.daemon.act(plan_ref, &Event::Tick, None).await.unwrap();
    }

    pub fn move_clock(&self, minutes: i64) {
        self.moved_ms.fetch_add(minutes * 60_000, Ordering::SeqCst);
    }

    /// The page of a contact, counted from 0.
    pub fn contact_page(&self, plan_ref: &str, contact: usize) -> String {
        let reader = shorelamp::watch::Recipient::Contact(contact);
        self.daemon.page_of(plan_ref, reader).unwrap()
    }

    /// Everything that a change would show in.
    pub async fn snapshot(&self, plan_ref: &str) -> String {
        let dossier = self.daemon.dossier(plan_ref).await.unwrap();
        let letters = self.daemon.store().letters(plan_ref).await.unwrap().len();
        format!("{:?} {:?} {letters}", dossier.record.state, dossier.history)
    }
}

impl Drop for Lamp {
    fn drop(&mut self) {
        self.stop.cancel();
    }
}

/// A plan of two people and two contacts: back by 12:30, overdue at 12:45 on the launch's clocks.
pub fn plan() -> Value {
    json!({
        "title": "Halibut drift",
        "times": {"launch": "2026-06-14T05:30", "return_by": "2026-06-14T12:30"},
        "launch": {"position": "48.5420 -123.1620", "name": "Gravel ramp"},
        "waypoint": [{"name": "Kelp edge", "position": "48.5500 -123.2000", "stay": "2h"}],
        "crew": [
            {"name": "Ines Halloran", "phone": "+1 360 555 0142", "medical": "Asthma-CANARY",
             "email": "ines@example.org"},
            {"name": "Tomas Bright"},
        ],
        "contact": [
            {"name": "Dunstan Okafor", "email": "dunstan@example.org"},
            {"name": "Mirela Sandoval", "email": "mirela@example.org"},
        ],
    })
}

pub async fn text(answer: Response) -> String {
    answer.text().await.unwrap()
}

/// The part of a link after this service's name.
pub fn token(link: &str) -> &str {
    link.rsplit('/').next().unwrap()
}

async fn add_key(store: &Store, keeper: bool) -> String {
    let secret = new_key().unwrap();
    let id = if keeper { "k-keeper" } else { "k-filer" }.to_owned();
    let name = if keeper { "Pell Marsh" } else { "Ines Halloran" }.to_owned();
    let key = Key { id, name, keeper };
    store.add_key(&key, &token_hash(&secret), begin()).await.unwrap();
    secret
}

fn begin() -> DateTime<Utc> {
    BEGIN.parse().unwrap()
}

fn settings(base_url: &str, folder: &TempDir) -> Settings {
    let text = include_str!("house.toml").replace("BASE_URL", base_url);
    Settings::read(&text, folder.path()).unwrap()
}

fn daemon(
    settings: Settings,
    store: Store,
    folder: &TempDir,
    wish: &Wish,
    moved_ms: Arc<AtomicI64>,
) -> Daemon {
    let mut limits = settings.limits;
    limits.filings_per_key_per_hour =
        wish.filings_per_key_per_hour.unwrap_or(limits.filings_per_key_per_hour);
    let judge = Judge {
        shores: Shorelines::default(),
        questions: Questions::default(),
        tables: Vec::new(),
        asker: Asker::new("keeper@example.org", Duration::from_secs(1)),
        trust: Trust::default(),
        limits: CautionLimits::default(),
        grace: settings.ladder.grace(),
    };
    let house = House {
        name: settings.service.name.clone(),
        base_url: settings.service.base_url.clone(),
        keeper_email: settings.service.keeper_email.clone(),
        from: settings.mail.from.clone(),
        rescues: settings.rescues.clone(),
        ladder: settings.ladder.clone(),
        limits,
        retention: settings.retention,
        security_contact: settings.service.security_contact.clone(),
    };
    let started = std::time::Instant::now();
    let usual = Clock::from_fn(move || {
        let ran = TimeDelta::from_std(started.elapsed()).unwrap();
        begin() + ran + TimeDelta::milliseconds(moved_ms.load(Ordering::SeqCst))
    });
    let clock = wish.clock.clone().unwrap_or(usual);
    let post = Post::new(&settings.mail).unwrap();
    Daemon::new(house, store, post, Secrets::open(folder.path()).unwrap(), judge, clock)
}
