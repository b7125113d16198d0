//! `key add`: makes a key.

use std::path::Path;

use chrono::Utc;
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
        let Key::Add(add) = self;
        let settings = assemble::settings(config)?;
        let secret = make(&settings, &add.name, add.keeper).await?;
        add.tell(&secret, &format!("{}/key/{secret}", settings.service.base_url))
    }
}

/// Makes a key, keeps its hash, and answers with its secret.
pub(super) async fn make(settings: &Settings, name: &str, keeper: bool) -> Done<String> {
    let no_random = |error: SecretsError| Failure::new(Exit::Unavailable, error);
    let (secret, id) = (new_key().map_err(no_random)?, new_ref().map_err(no_random)?);
    let store = assemble::store(&settings.service.data_dir).await?;
    let key = store::Key { id, name: name.to_owned(), keeper };
    store
        .add_key(&key, &token_hash(&secret), Utc::now())
        .await
        .map_err(|error| Failure::new(Exit::Io, format!("no key was made: {error}")))?;
    store.close().await;
    Ok(secret)
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
