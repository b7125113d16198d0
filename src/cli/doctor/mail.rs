//! Whether letters would leave: every relay is greeted and logged in to, as far as one can go
//! without a letter.

use std::path::Path;
use std::time::Duration;

use tokio::time::Instant;

use super::Finding;
use crate::post::{Relay, Seal};
use crate::settings::{self, Dkim, Mail, Security};

const LONGEST: Duration = Duration::from_secs(15);
const PART: &str = "relay";

pub(super) async fn look(mail: &Mail) -> Vec<Finding> {
    if mail.relays.is_empty() {
        return vec![folder(&mail.folder)];
    }
    let mut findings = Vec::new();
    for relay in &mail.relays {
        findings.push(self::relay(relay, &mail.hello).await);
    }
    findings.extend(mail.dkim.as_ref().map(signed));
    if let [only] = mail.relays.as_slice() {
        let what = format!("{only} is the only one: when it is down, no alert goes out");
        findings.push(Finding::look(PART, what, "add a second [[mail.relay]] of another owner"));
    }
    findings
}

async fn relay(settings: &settings::Relay, hello: &str) -> Finding {
    let relay = match Relay::new(settings, hello) {
        Ok(relay) => relay,
        Err(error) => return Finding::broken(PART, settings, error),
    };
    let until = Instant::now() + LONGEST;
    match relay.open(until).await {
        Ok(session) => {
            session.quit(until).await;
            Finding::ok(PART, format!("{settings} answers{}", privately(settings)))
        }
        Err(error) => Finding::broken(
            PART,
            format!("{settings}: {error}"),
            "look at host, port, `security`, user and password under [[mail.relay]], and whether \
             this machine's network lets it out",
        ),
    }
}

/// What the DNS must hold is shown, not asked for: only the keeper knows who serves it.
fn signed(settings: &Dkim) -> Finding {
    match Seal::open(settings) {
        Ok(seal) => {
            let (at, record) = (seal.at(), seal.record());
            Finding::ok("dkim", format!("letters are signed; the DNS must have at {at}: {record}"))
        }
        Err(error) => Finding::look(
            "dkim",
            format!("letters go unsigned: {error}"),
            "mend `key_file` under [mail.dkim], then start the service again",
        ),
    }
}

fn privately(relay: &settings::Relay) -> String {
    let tls = match relay.security {
        Security::None => ", without TLS",
        Security::Starttls | Security::Tls => ", with TLS",
    };
    let login = if relay.username.is_some() { ", and takes our password" } else { "" };
    format!("{tls}{login}")
}

/// Without a relay, letters must at least become files.
fn folder(folder: &Path) -> Finding {
    let shown = folder.display();
    if let Err(error) = try_to_write(folder) {
        let what = format!("letters can't be written into {shown}: {error}");
        return Finding::broken(PART, what, "let the service write there, or change `folder`");
    }
    Finding::look(
        PART,
        format!("none: letters become files in {shown} and reach nobody by themselves"),
        "add [[mail.relay]], unless something else carries them on",
    )
}

/// Makes a file in the folder, or where the folder is not there yet, in the nearest one above it,
/// and takes it away again.
fn try_to_write(folder: &Path) -> std::io::Result<()> {
    let there = folder.ancestors().find(|folder| folder.is_dir()).unwrap_or(folder);
    let file = there.join(format!(".shorelamp-doctor-{}", std::process::id()));
    std::fs::File::create_new(&file)?;
    std::fs::remove_file(&file)
}
