//! `key`: makes keys, lists them and revokes them.

use std::path::Path;

use chrono::{DateTime, Utc};
use clap::{Args, Subcommand};
use serde_json::json;

use super::exit::{Done, Exit, Failure};
use super::{assemble, print};
use crate::daemon::secrets::{SecretsError, new_key, new_ref, token_hash};
use crate::settings::Settings;
use crate::store;

/// Make keys: a filing key files plans, a keeper's key sees them all
#[derive(Debug, Subcommand)]
pub(super) enum Key {
    Add(Add),
    List(List),
    Revoke(Revoke),
}

/// List the keys, the newest first; a key itself is stored nowhere
#[derive(Debug, Args)]
pub(super) struct List {
    /// Print the list as JSON
    #[arg(long)]
    json: bool,
}

/// Revoke the keys of this name, at once; plans filed with them stay watched
#[derive(Debug, Args)]
pub(super) struct Revoke {
    /// Whose key it is, or its id from `key list`
    #[arg(value_name = "NAME")]
    name: String,
}

/// Make a key and print it, this once; works beside a running service
#[derive(Debug, Args)]
pub(super) struct Add {
    /// Whose key it is, as the board and the letters call it
    #[arg(value_parser = name)]
    name: String,
    /// Make a keeper's key, which sees every plan and acts for every crew
    #[arg(long)]
    keeper: bool,
    /// Print {"key": "…", "link": "…"}
    #[arg(long)]
    json: bool,
}

impl Key {
    pub(super) async fn run(self, config: &Path) -> Done {
        let settings = assemble::settings(config)?;
        let add = match self {
            Key::Add(add) => add,
            Key::List(list) => return list.run(&settings).await,
            Key::Revoke(revoke) => return revoke.run(&settings).await,
        };
        let secret = make(&settings, &add.name, add.keeper).await?;
        add.tell(&secret, &format!("{}/key/{secret}", settings.service.base_url))
    }
}

/// Makes a key, keeps its hash, and answers with its secret.
pub(super) async fn make(settings: &Settings, name: &str, keeper: bool) -> Done<String> {
    let no_random = |error: SecretsError| Failure::new(Exit::Unavailable, error);
    let (secret, id) = (new_key().map_err(no_random)?, new_ref().map_err(no_random)?);
    let key = store::Key { id, name: name.to_owned(), keeper };
    let made = assemble::with_store(&settings.service.data_dir, async |store| {
        let made = store.add_key(&key, &token_hash(&secret), Utc::now()).await;
        made.map_err(|error| Failure::new(Exit::Io, format!("no key was made: {error}")))
    });
    made.await?;
    Ok(secret)
}

impl List {
    async fn run(self, settings: &Settings) -> Done {
        let data_dir = &settings.service.data_dir;
        let keys = assemble::with_store_that_is_there(data_dir, async |store| {
            store.keys().await.map_err(unread)
        });
        let keys = keys.await?;
        if self.json {
            let keys = keys.iter().map(|one| {
                json!({
                    "id": one.key.id,
                    "name": one.key.name,
                    "keeper": one.key.keeper,
                    "made_at": one.made_at,
                    "revoked_at": one.revoked_at,
                })
            });
            return print::say_json(&json!({"keys": keys.collect::<Vec<_>>()}));
        }
        if keys.is_empty() {
            return print::say("There is no key yet: `shorelamp key add NAME` makes one.");
        }
        for one in keys {
            print::say(line(&one))?;
        }
        Ok(())
    }
}

fn line(one: &store::KnownKey) -> String {
    let kind = if one.key.keeper { "keeper" } else { "filing" };
    let day = |at: DateTime<Utc>| at.format("%-d %b %Y").to_string();
    let revoked = one.revoked_at.map(|at| format!(", REVOKED {}", day(at))).unwrap_or_default();
    let name = print::plain(&one.key.name);
    format!("{}  {kind}  {name}, made {}{revoked}", one.key.id, day(one.made_at))
}

impl Revoke {
    async fn run(self, settings: &Settings) -> Done {
        let data_dir = &settings.service.data_dir;
        let revoked = assemble::with_store_that_is_there(data_dir, async |store| {
            store.revoke_keys(self.name.trim(), Utc::now()).await.map_err(unread)
        });
        match revoked.await?.len() {
            0 => {
                let words = format!(
                    "no key in force bears the name or id \"{}\": `shorelamp key list` shows them \
                     all",
                    print::plain(self.name.trim())
                );
                Err(Failure::new(Exit::BadData, words))
            }
            number => print::say(format!(
                "Revoked: {number}. No program and no device gets in with it any more. Plans filed \
                 with it stay watched, and their crews' and contacts' links stay open."
            )),
        }
    }
}

fn unread(error: store::StoreError) -> Failure {
    Failure::new(Exit::Io, format!("the keys can't be read: {error}"))
}

impl Add {
    fn tell(&self, secret: &str, link: &str) -> Done {
        if self.json {
            return print::say_json(&json!({"key": secret, "link": link}));
        }
        let kind = if self.keeper { "keeper's" } else { "filing" };
        print::say(format!(
            "A {kind} key for {}, shown this once:\n\n  {secret}\n\nFor a browser, open this link \
             on the device that is to hold the key:\n\n  {link}\n\nWhoever has it can use it: hand \
             it over in private.",
            self.name
        ))
    }
}

/// A name that fits on a line.
fn name(text: &str) -> Result<String, &'static str> {
    let text = text.trim();
    match text.chars().count() {
        0 => Err("write whose key it is"),
        1..=80 if !text.chars().any(char::is_control) => Ok(text.to_owned()),
        _ => Err("write it on one line, in 80 characters at most"),
    }
}
