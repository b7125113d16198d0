//! One world: the real daemon with its real database, through all of its lives, while people file,
//! check in, extend and answer, and the network does what the script says. Names are invented.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use chrono::TimeDelta;
use shorelamp::caution::Limits;
use shorelamp::conditions::Trust;
use shorelamp::daemon::{Clock, Daemon, FilingError, House, Judge, Readings, Secrets};
use shorelamp::fetch::{Asker, Questions};
use shorelamp::measure::Span;
use shorelamp::plan::{Plan, read_toml};
use shorelamp::post::{Network, Post};
use shorelamp::settings::Settings;
use shorelamp::shoreline::Shorelines;
use shorelamp::store::{Key, Store, StoreError};
use shorelamp::watch::{Answer, By, Event, Phase};
use tokio::time::sleep;
use tokio_util::sync::CancellationToken;

use super::idle;
use super::script::{Deed, END, Life, Script};
use super::time::{Timeline, at};
use super::wire::{Arrival, Sea, millis};

const SETTINGS: &str = r#"
[service]
name = "Madrona Point"
base_url = "http://127.0.0.1:8040"
keeper_email = "keeper@keeper.example.org"
[mail]
from = "Shorelamp <lamp@example.org>"
deadline = "20s"
[ladder]
grace = "2m"
repeat = "10m"
[[ladder.rung]]
at = "due"
to = ["crew"]
kind = "due"
[[ladder.rung]]
at = "overdue"
to = ["contact:1"]
kind = "overdue"
[[ladder.rung]]
at = "overdue+3m"
to = ["contacts"]
kind = "overdue"
[[ladder.rung]]
at = "overdue+6m"
to = ["contacts", "keeper"]
kind = "call-rescue"
[limits]
filings_per_key_per_hour = 10000000
filings_per_address_per_day = 10000000
"#;

/// How far a deed has come, as the one who did it sees it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Said {
    #[default]
    NotYet,
    /// Said at this time; no answer has come.
    Unanswered(i64),
    /// Said, and answered: it is so.
    Done(i64, i64),
    /// Said, and answered: it does not apply.
    Refused(i64, i64),
}

/// What is seen of one plan from outside.
#[derive(Clone, Debug, Default)]
pub struct Story {
    pub plan_ref: Option<String>,
    /// The number of the event by which it was closed last.
    pub closing: Option<u32>,
    pub said: Vec<Said>,
}

/// All that is seen from outside.
pub struct Seen {
    pub stories: Vec<Story>,
    pub arrivals: Vec<Arrival>,
    /// When the service was up: from its being open, until it was stopped or cut off.
    pub up: Vec<(i64, i64)>,
}

/// The address of a plan's contact.
pub fn address(plan: usize, contact: usize) -> String {
    format!("contact{contact}@p{plan}.example.org")
}

/// Lets the world run from its beginning to its end.
pub fn run(script: &Script, folder: &Path) -> Seen {
    let lives = script.lives.iter().enumerate();
    let unknown = lives.flat_map(|(plan, life)| {
        let dead = (0..2).filter(|contact| !life.alive[*contact]);
        dead.map(move |contact| address(plan, contact))
    });
    let time = Timeline::new();
    let mut world = World {
        sea: Sea::new(script.clone(), time.clone(), unknown.collect()),
        time,
        folder: folder.join("0"),
        relays: script.relays,
        stories: Arc::new(Mutex::new(stories(script))),
    };
    let mut up = Vec::new();
    let mut from = 0;
    for outage in &script.outages {
        up.push((world.live(script, from, outage.from, outage.in_order), outage.from));
        from = outage.to;
    }
    up.push((world.live(script, from, END, true), END));
    let stories = world.stories.lock().expect("whole").clone();
    Seen { stories, arrivals: world.sea.mailbox(), up }
}

/// The files of a folder as they are now, in a new one beside it.
fn snapshot(folder: &Path) -> PathBuf {
    let lives = std::fs::read_dir(folder.parent().expect("it stands in another")).expect("read");
    let copy = folder.with_file_name(format!("{}", lives.count()));
    std::fs::create_dir(&copy).expect("made");
    for file in std::fs::read_dir(folder).expect("read").flatten() {
        if file.file_type().is_ok_and(|kind| kind.is_file()) {
            std::fs::copy(file.path(), copy.join(file.file_name())).expect("copied");
        }
    }
    copy
}

fn stories(script: &Script) -> Vec<Story> {
    let story = |life: &Life| {
        let said = vec![Said::NotYet; life.deeds.len()];
        Story { said, ..Story::default() }
    };
    script.lives.iter().map(story).collect()
}

#[derive(Clone)]
struct World {
    sea: Sea,
    time: Timeline,
    folder: PathBuf,
    relays: usize,
    stories: Arc<Mutex<Vec<Story>>>,
}

impl World {
    /// One life of the service; when it was open.
    fn live(&mut self, script: &Script, from: i64, to: i64, in_order: bool) -> i64 {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .start_paused(true)
            .on_thread_park(idle::wait)
            .build()
            .expect("a runtime");
        let open_at = runtime.block_on(async {
            self.time.go_on_from(from);
            let daemon = self.daemon(script).await;
            let stop = CancellationToken::new();
            let (running, until) = (daemon.clone(), stop.clone());
            let runs = tokio::spawn(async move { running.run(until).await });
            let open_at = self.time.now();
            for (plan, life) in script.lives.iter().enumerate() {
                if self.stories.lock().expect("whole")[plan].is_over() {
                    continue;
                }
                let (world, daemon, life) = (self.clone(), daemon.clone(), life.clone());
                tokio::spawn(async move { world.people(&daemon, plan, &life).await });
            }
            sleep(millis(to - self.time.now())).await;
            if in_order {
                stop.cancel();
                runs.await.expect("it ended").expect("it ran");
            }
            open_at
        });
        // Whatever is under way is cut off in its middle, and what is in the files now is all that
        // the next life finds: dropping the runtime would close them in good order.
        if !in_order {
            self.folder = snapshot(&self.folder);
        }
        drop(runtime);
        idle::wait();
        open_at
    }

    async fn daemon(&self, script: &Script) -> Daemon {
        let mut settings = Settings::read(SETTINGS, &self.folder).expect("settings");
        let relay = |port| {
            format!("[[mail.relay]]\nhost = \"relay\"\nport = {port}\nsecurity = \"none\"\n")
        };
        let relays: String = (1..=self.relays).map(relay).collect();
        let with = format!("{SETTINGS}{relays}");
        settings.mail.relays = Settings::read(&with, &self.folder).expect("settings").mail.relays;
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
        let (time, steps) = (self.time.clone(), script.clone());
        let read = move || Readings {
            wall: at(time.now() + steps.wrong_by(time.now())),
            since_boot: TimeDelta::milliseconds(time.now()),
            synchronised: false,
        };
        let clock = Clock::of(Box::new(read), "one start".to_owned(), None, None);
        let secrets = Secrets::open(&self.folder).expect("secrets");
        let store = Store::open(&self.folder).await.expect("opened");
        let network: Arc<dyn Network> = Arc::new(self.sea.clone());
        let post = Post::through(&settings.mail, &network).expect("a post");
        Daemon::new(house, store, post, secrets, judge, clock)
    }

    /// Those who have to do with one plan, one deed after the other, each until it is answered.
    async fn people(&self, daemon: &Daemon, plan: usize, life: &Life) {
        for (at, (when, deed)) in life.deeds.iter().enumerate() {
            let said = self.stories.lock().expect("whole")[plan].said[at];
            let began = match said {
                // What was not taken, because its return had passed meanwhile, has no more to it.
                Said::Refused(..) if *deed == Deed::File => return,
                Said::Done(..) | Said::Refused(..) => continue,
                Said::Unanswered(began) => began,
                Said::NotYet => {
                    sleep(millis(when - self.time.now())).await;
                    self.time.now()
                }
            };
            loop {
                self.note(plan, at, Said::Unanswered(began));
                match self.say(daemon, plan, at, life, deed).await {
                    Ok(true) => break self.note(plan, at, Said::Done(began, self.time.now())),
                    Ok(false) => {
                        self.note(plan, at, Said::Refused(began, self.time.now()));
                        if *deed == Deed::File {
                            return;
                        }
                        break;
                    }
                    Err(error) => {
                        eprintln!("plan {plan}, {deed:?}: {error}");
                        sleep(Duration::from_secs(2)).await;
                    }
                }
            }
        }
    }

    /// Says one thing; whether it applies.
    async fn say(
        &self,
        daemon: &Daemon,
        plan: usize,
        at: usize,
        life: &Life,
        deed: &Deed,
    ) -> Result<bool, StoreError> {
        let by = By::Crew(None);
        let answered =
            |contact, answer| Event::Answered { contact, name: "Dunstan".to_owned(), answer };
        let known = self.stories.lock().expect("whole")[plan].clone();
        let plan_ref = known.plan_ref.unwrap_or_default();
        let key = format!("deed {at}");
        let event = match deed {
            Deed::File => return self.file(daemon, plan, life).await,
            Deed::Amend { due } => {
                let text = plan_text(plan, *due);
                let draft = plan_of(&text);
                let amended = daemon.amend(&plan_ref, &draft, &by, Some(&key), text.as_bytes());
                return match amended.await {
                    Ok(_) => Ok(true),
                    Err(FilingError::Store(StoreError::Refused(_))) => Ok(false),
                    Err(FilingError::Store(error)) => Err(error),
                    // After an outage the new return may have passed.
                    Err(_) => Ok(false),
                };
            }
            Deed::CloseByHand => {
                let by = By::Keeper("board".to_owned());
                Event::ClosedByHand { by, reason: "they telephoned".to_owned() }
            }
            Deed::TakeBack => {
                let Some(event) = known.closing else { return Ok(false) };
                Event::Undone { event, by }
            }
            Deed::CheckIn => Event::CheckedIn { who: vec![0], by, how: None },
            Deed::CallOff => Event::CalledOff { by },
            Deed::Extend { by_s } => Event::Extended { later: Span::from_seconds(*by_s), by },
            Deed::OnIt(contact) => answered(*contact, Answer::OnIt),
            Deed::CantAct(contact) => answered(*contact, Answer::CantAct),
            Deed::Called(contact) => {
                let (service, when) = ("the coast guard".to_owned(), "21:10".to_owned());
                answered(*contact, Answer::Called { service, when, reference: None })
            }
        };
        match daemon.act(&plan_ref, &event, Some(&key)).await {
            Ok(applied) => {
                if let Phase::Closed(closing) = applied.state.phase {
                    let mut stories = self.stories.lock().expect("whole");
                    stories[plan].closing = Some(closing.event);
                }
                Ok(true)
            }
            Err(StoreError::Refused(_)) => Ok(false),
            Err(error) => Err(error),
        }
    }

    async fn file(&self, daemon: &Daemon, plan: usize, life: &Life) -> Result<bool, StoreError> {
        let key = Key { id: "key".to_owned(), name: "ramp".to_owned(), keeper: false };
        let text = plan_text(plan, life.due);
        let draft = plan_of(&text);
        let name = format!("filing {plan}");
        match daemon.file(&key, &draft, Some(&name), text.as_bytes()).await {
            Ok(filed) => {
                let plan_ref = Some(filed.status.plan_ref);
                self.stories.lock().expect("whole")[plan].plan_ref = plan_ref;
                Ok(true)
            }
            Err(FilingError::Store(error)) => Err(error),
            // After an outage the return may have passed.
            Err(_) => Ok(false),
        }
    }

    fn note(&self, plan: usize, at: usize, said: Said) {
        self.stories.lock().expect("whole")[plan].said[at] = said;
    }
}

impl Story {
    /// Whether nothing is left to be said. A plan that was not taken has no more to it.
    fn is_over(&self) -> bool {
        let answered = |said: &Said| matches!(said, Said::Done(..) | Said::Refused(..));
        self.said.iter().all(answered) || matches!(self.said[0], Said::Refused(..))
    }
}

fn plan_of(text: &str) -> Plan {
    read_toml(text, &|_: &str| Err("no files here".to_owned())).expect("a plan")
}

fn plan_text(plan: usize, due: i64) -> String {
    format!(
        r#"
        [times]
        launch = "{}"
        return_by = "{}"
        [launch]
        position = "48.5420 -123.1620"
        [[crew]]
        name = "Ines Halloran"
        email = "ines@p{plan}.example.org"
        [[contact]]
        name = "Dunstan Okafor"
        email = "{}"
        [[contact]]
        name = "Mirela Vance"
        email = "{}"
        "#,
        at(-3_600_000).to_rfc3339(),
        at(due).to_rfc3339(),
        address(plan, 0),
        address(plan, 1),
    )
}
