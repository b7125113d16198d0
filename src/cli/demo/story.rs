//! The story: who does what, and which letters must leave for it.

use std::collections::BTreeSet;
use std::time::{Duration, Instant};

use chrono::{TimeDelta, Utc};
use serde_json::json;
use tokio::time::sleep;

use super::super::armed::Armed;
use super::super::exit::{Done, Exit, Failure};
use super::super::print::{moment, plain, say};
use super::contact::Page;
use super::plan;
use super::postbox::{Letter, Postbox};
use super::stage::Stage;
use crate::caution::Caution;
use crate::daemon::secrets::new_key;
use crate::measure::Span;
use crate::plan::Plan;
use crate::review::{self, Review};

/// The crew is due back after so many seconds, and overdue after three more.
const BACK_IN: TimeDelta = TimeDelta::seconds(12);
const GRACE_S: u32 = 3;
/// Longer than any letter of the ladder is away.
const LONGEST_WAIT: Duration = Duration::from_secs(20);
const BETWEEN_LOOKS: Duration = Duration::from_millis(50);
/// How many lines of a letter are shown, of the first of its kind.
const LINES_SHOWN: usize = 7;
/// What nobody gets more than once in this story.
const ONCE: [&str; 6] = ["filed", "reminder", "due", "call-rescue", "stand-down", "home"];
const MARGIN: &str = "                  ";
const KEEPER: &str = "the keeper";

/// What the story is told with.
struct Teller<'a> {
    stage: &'a Stage,
    plan: Plan,
    armed: Armed,
    postbox: Postbox,
    /// The kinds of which a letter was shown.
    shown: BTreeSet<String>,
    began: Instant,
}

/// Tells the whole story, and fails where a letter that it promises does not leave.
pub(super) async fn tell(stage: &Stage) -> Done {
    let began = Instant::now();
    say(format!(
        "Shorelamp's demo: the real service, a real shoreline, invented people, and seconds where \
         a trip has minutes and hours.\n{}",
        where_letters_go(stage)
    ))?;
    let plan = plan::due_back_in(BACK_IN, Span::from_seconds(GRACE_S), Utc::now())?;
    let armed = file(stage, &plan).await?;
    let keeper = stage.settings.service.keeper_email.clone().unwrap_or_default();
    let postbox = match stage.settings.mail.relays.is_empty() {
        true => Postbox::folder(&stage.settings.mail.folder, &plan, &keeper),
        false => Postbox::service(&armed.plan_ref),
    };
    let mut teller = Teller { stage, plan, armed, postbox, shown: BTreeSet::new(), began };
    teller.filed().await?;
    teller.overdue().await?;
    teller.answered().await?;
    teller.home().await?;
    teller.end()
}

fn where_letters_go(stage: &Stage) -> String {
    match stage.settings.mail.relays.first() {
        Some(relay) => format!("Letters go to the mail server {relay}."),
        None => format!("Letters become files in {}.", stage.settings.mail.folder.display()),
    }
}

async fn file(stage: &Stage, plan: &Plan) -> Done<Armed> {
    let software = |error: serde_json::Error| Failure::new(Exit::Software, error);
    let body = serde_json::to_value(plan).map_err(software)?;
    let once = new_key().map_err(|error| Failure::new(Exit::Unavailable, error))?;
    let answer = stage.client.post_once("/api/v1/plans", &body, &once).await;
    serde_json::from_value(stage.client.settle(answer)?).map_err(software)
}

impl Teller<'_> {
    async fn filed(&mut self) -> Done {
        self.head("A plan is filed, and judged by the shoreline, the sun and a buoy")?;
        let review: Review = serde_json::from_value(self.armed.review.clone())
            .map_err(|error| Failure::new(Exit::Software, error))?;
        let raised =
            |caution: &Caution| format!("{} ({})", caution.id, caution.level.signal_word());
        let raised: Vec<_> = review.cautions.iter().map(raised).collect();
        say(format!("         Cautions: {}\n", raised.join(", ")))?;
        say(indented(review::text(&review, &self.plan).trim_end()))?;
        self.head(&format!(
            "It is armed as {}; the crew and both contacts are told. Back by {}",
            self.armed.plan_ref,
            moment(&self.armed.due_at)
        ))?;
        let (crew, contacts) = (self.crew(), self.contacts());
        self.wait("filed", &[&crew[..], &contacts[..]].concat()).await?;
        self.head("The return time comes near; the crew is asked to check in, and does not")?;
        self.wait("reminder", &crew).await?;
        self.wait("due", &crew).await
    }

    async fn overdue(&mut self) -> Done {
        let [first, second] = self.two_contacts()?;
        self.head(&format!("The return time passes. When the grace ends too, {first} is alarmed"))?;
        self.wait("overdue", std::slice::from_ref(&first)).await?;
        self.answer("on-it", &[("name", &first)], "I am on it").await?;
        self.wait("news", std::slice::from_ref(&first)).await?;
        self.head("As long as nobody has called, the ladder goes on: the next contact is alarmed")?;
        self.wait("overdue", &[second]).await
    }

    async fn answered(&mut self) -> Done {
        let [first, second] = self.two_contacts()?;
        self.head("The last rung: everybody is told to call for rescue")?;
        let all = [first.clone(), second.clone(), KEEPER.to_owned()];
        self.wait("call-rescue", &all).await?;
        let typed = [
            ("service", "the coast guard's centre"),
            ("when", "just now"),
            ("reference", "R-17 (invented)"),
            ("name", first.as_str()),
        ];
        self.answer("called", &typed, "I have called the coast guard's centre").await?;
        self.wait("news", &[second]).await
    }

    async fn home(&mut self) -> Done {
        let plan_ref = self.armed.plan_ref.clone();
        self.head(&format!("The crew is ashore: shorelamp checkin {plan_ref}"))?;
        let once = new_key().map_err(|error| Failure::new(Exit::Unavailable, error))?;
        let path = format!("/api/v1/plans/{plan_ref}/checkin");
        let moved = self.stage.client.post_once(&path, &json!({}), &once).await;
        let moved = self.stage.client.settle(moved)?;
        say(format!(
            "         the plan is {}",
            moved["state"].as_str().unwrap_or("in an odd state")
        ))?;
        let (crew, [first, second]) = (self.crew(), self.two_contacts()?);
        self.wait("stand-down", &[first, second, KEEPER.to_owned()]).await?;
        self.wait("home", &crew).await
    }

    /// Where everything can be seen, if nothing has happened that must not.
    fn end(&self) -> Done {
        let odd = |words: String| Err(Failure::new(Exit::Software, words));
        for reader in self.crew() {
            if self.postbox.has("overdue", &reader) || self.postbox.has("call-rescue", &reader) {
                return odd(format!("{reader} is of the crew and got an alert"));
            }
        }
        if let Some(twice) = ONCE.iter().find(|kind| self.postbox.has_twice(kind)) {
            return odd(format!("somebody got `{twice}` more than once"));
        }
        let stage = self.stage;
        say(format!(
            "\nThat was it: {} letters in {} s, and every one that was due was seen.\n\n  {}\n  \
             Settings, data and log: {}\n  A contact's page:  {}\n  The crew's page:   {}\n  The \
             ramp page:     {}/key/{}",
            self.postbox.seen().len(),
            self.began.elapsed().as_secs(),
            where_letters_go(stage),
            stage.folder.display(),
            stage.contact_page(&self.armed.plan_ref, 0)?,
            self.armed.links.crew,
            stage.settings.service.base_url,
            stage.key
        ))
    }

    /// The first contact opens the page of the letter and answers there.
    async fn answer(&self, act: &str, typed: &[(&str, &str)], words: &str) -> Done {
        let page = Page::open(&self.stage.contact_page(&self.armed.plan_ref, 0)?).await?;
        let [first, _] = self.two_contacts()?;
        self.head(&format!("{first} opens the page \"{}\" and writes: {words}", page.title()))?;
        page.answer(act, typed).await
    }

    /// Waits until each of these has a letter of this kind.
    async fn wait(&mut self, kind: &str, readers: &[String]) -> Done {
        let whom = format!("`{kind}` to {}", readers.join(", "));
        let all = |postbox: &Postbox| readers.iter().all(|reader| postbox.has(kind, reader));
        self.until(&whom, all).await
    }

    /// Tells each letter as it leaves, until enough have.
    async fn until(&mut self, what: &str, enough: impl Fn(&Postbox) -> bool) -> Done {
        let start = Instant::now();
        loop {
            for letter in self.postbox.look(&self.stage.client).await? {
                self.letter(&letter)?;
            }
            if enough(&self.postbox) {
                return Ok(());
            }
            if start.elapsed() > LONGEST_WAIT {
                let log = self.stage.folder.join("daemon.log");
                let words = format!("no letter {what}; the service's log is {}", log.display());
                return Err(Failure::new(Exit::Software, words));
            }
            sleep(BETWEEN_LOOKS).await;
        }
    }

    /// A letter's subject, and how the first of its kind begins.
    fn letter(&mut self, letter: &Letter) -> Done {
        let head = format!("{} letter   {} -> {}", self.clock(), letter.kind, letter.to);
        let Some(text) = &letter.text else { return say(format!("{head}: handed over")) };
        say(format!("{head}\n{MARGIN}Subject: {}", plain(&text.subject)))?;
        if !self.shown.insert(letter.kind.clone()) {
            return Ok(());
        }
        let lines = text.body.lines().filter(|line| !line.trim().is_empty()).take(LINES_SHOWN);
        let shown: Vec<_> = lines.map(|line| format!("{MARGIN}| {}", plain(line))).collect();
        say(shown.join("\n"))
    }

    fn head(&self, words: &str) -> Done {
        say(format!("\n{} {words}", self.clock()))
    }

    fn clock(&self) -> String {
        format!("{:5.1} s ", self.began.elapsed().as_secs_f64())
    }

    fn crew(&self) -> Vec<String> {
        self.plan.crew.iter().map(|one| one.name.clone()).collect()
    }

    fn contacts(&self) -> Vec<String> {
        self.plan.contacts.iter().map(|one| one.name.clone()).collect()
    }

    fn two_contacts(&self) -> Done<[String; 2]> {
        self.contacts()
            .try_into()
            .map_err(|_| Failure::new(Exit::Software, "the demo's plan must have two contacts"))
    }
}

fn indented(text: &str) -> String {
    let lines: Vec<_> = text.lines().map(|line| format!("         {line}")).collect();
    lines.join("\n")
}
