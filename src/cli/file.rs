//! `file`: files a plan with the running service.

use std::path::{Path, PathBuf};
use std::time::Duration;

use chrono::Utc;
use clap::Args;
use serde_json::Value;
use tokio::time::sleep;

use super::armed::{Armed, Letters};
use super::client::{Client, KeyArgs, Outcome};
use super::exit::{Done, Exit, Failure};
use super::{assemble, plan_file, print};
use crate::daemon::secrets::new_key;
use crate::plan::Plan;

const NOT_FILED: &str = "NOT FILED. Nobody watches for this crew.";
/// How long it waits before it tries again.
const PAUSES: [Duration; 3] =
    [Duration::from_millis(300), Duration::from_secs(1), Duration::from_secs(2)];
/// How often and how long it looks whether the first letters have left.
const BETWEEN_LOOKS: Duration = Duration::from_millis(200);
const MOST_LOOKS: u32 = 25;

/// File a plan: it is armed, and the people ashore are told
#[derive(Debug, Args)]
pub(super) struct File {
    /// The plan, TOML or JSON; a `route_file` in it lies beside it
    plan: PathBuf,
    /// Print the service's answer as JSON
    #[arg(long)]
    json: bool,
    /// Under this name the plan is filed once, however often it is sent; else a random one
    #[arg(long, value_name = "TEXT", value_parser = once_name)]
    once: Option<String>,
    #[command(flatten)]
    key: KeyArgs,
}

impl File {
    pub(super) async fn run(self, config: &Path) -> Done {
        let (client, plan, answer) = self.filed(config).await?;
        if self.json {
            return print::say_json(&answer);
        }
        let armed: Armed = serde_json::from_value(answer).map_err(|error| {
            let words = format!("FILED, but the service's answer can't be read: {error}");
            Failure::new(Exit::Software, words)
        })?;
        print::say(print::plain(&armed.told()))?;
        let letters = letters(&client, &armed).await;
        print::say(print::plain(&letters.told(&plan)))?;
        print::say(print::plain(&armed.links_told()))
    }

    /// Whatever goes wrong here, the plan is not filed, or nobody can tell.
    async fn filed(&self, config: &Path) -> Done<(Client, Plan, Value)> {
        let not_filed = |failure: Failure| failure.headed(NOT_FILED);
        let settings = assemble::settings(config).map_err(not_filed)?;
        let plan = self.checked().map_err(not_filed)?;
        let client = Client::new(&settings, &self.key).map_err(not_filed)?;
        let random = || new_key().map_err(|error| Failure::new(Exit::Unavailable, error));
        let once = self.once.clone().map_or_else(random, Ok).map_err(not_filed)?;
        let answer = post(&client, &plan, &once).await.map_err(|lost| match lost {
            Lost::NotFiled(failure) => not_filed(failure),
            Lost::Unclear(why) => self.cant_tell(&once, &why),
        })?;
        Ok((client, plan, answer))
    }

    fn checked(&self) -> Done<Plan> {
        let plan = plan_file::read(&self.plan)?;
        plan.check_filing(Utc::now()).map_err(|faults| {
            Failure::new(Exit::BadData, format!("{}: {faults}", self.plan.display()))
        })?;
        Ok(plan)
    }

    fn cant_tell(&self, once: &str, why: &str) -> Failure {
        let words = format!(
            "WE CAN'T TELL WHETHER THIS PLAN IS FILED. It was sent, and no clear answer came \
             ({why}).\nSend it again; it is filed once only, however often you do:\n\n  shorelamp \
             file {} --once {once}\n\nUntil that says `armed`, take it that nobody watches.",
            self.plan.display()
        );
        Failure::new(Exit::Unavailable, words)
    }
}

/// Why there is no answer that says "armed".
enum Lost {
    NotFiled(Failure),
    Unclear(String),
}

/// Sends the plan, and sends it again under the same name where nobody answered.
async fn post(client: &Client, plan: &Plan, once: &str) -> Result<Value, Lost> {
    let body = serde_json::to_value(plan)
        .map_err(|error| Lost::NotFiled(Failure::new(Exit::Software, error)))?;
    let mut pauses = PAUSES.into_iter();
    let mut doubt = None;
    loop {
        let why = match client.post_once("/api/v1/plans", &body, once).await {
            Outcome::Done(answer) => return Ok(answer),
            Outcome::Refused(failure) => return Err(Lost::NotFiled(failure)),
            Outcome::NotSent(why) => why,
            Outcome::Unclear(why) => doubt.insert(why).clone(),
        };
        match (pauses.next(), doubt.clone()) {
            (Some(pause), _) => sleep(pause).await,
            (None, Some(why)) => return Err(Lost::Unclear(why)),
            (None, None) => return Err(Lost::NotFiled(client.nobody(&why))),
        }
    }
}

/// The first letters, once each has come to something or the patience ends.
async fn letters(client: &Client, armed: &Armed) -> Letters {
    let mut letters = armed.letters.clone();
    for _ in 0..MOST_LOOKS {
        if letters.are_settled() {
            break;
        }
        sleep(BETWEEN_LOOKS).await;
        match client.get(&format!("/api/v1/plans/{}", armed.plan_ref)).await {
            Ok(status) => letters = Letters::read(&status).unwrap_or(letters),
            Err(_) => break,
        }
    }
    letters
}

fn once_name(text: &str) -> Result<String, &'static str> {
    let plain = text.bytes().all(|byte| byte.is_ascii_graphic());
    if plain && (1..=200).contains(&text.len()) {
        return Ok(text.to_owned());
    }
    Err("write 1 to 200 letters, digits or signs, without a space")
}
