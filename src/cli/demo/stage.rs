//! What the story is played on: a data folder, the service as a process of its own, a buoy, a key.

use std::fs::{self, DirBuilder, File};
use std::net::TcpListener;
use std::os::unix::fs::DirBuilderExt;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::time::Duration;

use secrecy::SecretString;
use tokio::process::{Child, Command};
use tokio::time::sleep;

use super::super::client::{self, Client};
use super::super::exit::{Done, Exit, Failure};
use super::super::{assemble, key};
use super::{Server, buoy};
use crate::daemon::Secrets;
use crate::daemon::secrets::new_ref;
use crate::settings::Settings;
use crate::store::{Link, Purpose};

const SHORELINE: &str = include_str!("../../../demo-data/shoreline.geojson");
const LONGEST_START: Duration = Duration::from_secs(15);
const BETWEEN_LOOKS: Duration = Duration::from_millis(50);

/// Everything that the story needs, and that ends with it.
pub(super) struct Stage {
    pub(super) folder: PathBuf,
    pub(super) settings: Settings,
    pub(super) client: Client,
    pub(super) key: String,
    service: Child,
}

impl Stage {
    /// Sets it up in a fresh folder; when it answers, the service is ready.
    pub(super) async fn set(smtp: Option<&Server>) -> Done<Self> {
        let folder = fresh_folder()?;
        let config = folder.join("shorelamp.toml");
        let text = settings_text(free_port()?, &buoy::start().await?, smtp);
        write(&folder.join("shoreline.geojson"), SHORELINE)?;
        write(&config, &text)?;
        let settings = assemble::settings(&config)?;
        let mut service = start(&config, &folder)?;
        ready(&settings.service.base_url, &mut service, &folder).await?;
        let key = key::make(&settings, "Demo", true).await?;
        let secret = SecretString::from(key.clone());
        let client = Client::with_key(&settings.service.base_url, secret)?;
        Ok(Stage { folder, settings, client, key, service })
    }

    /// The page of the plan's contact of this number, counted from 0: the link in its letters,
    /// made anew from the service's secret.
    pub(super) fn contact_page(&self, plan_ref: &str, who: usize) -> Done<String> {
        let secrets = Secrets::open(&self.settings.service.data_dir)
            .map_err(|error| Failure::new(Exit::Io, error))?;
        let token = secrets.token(plan_ref, &Link { purpose: Purpose::Contact, who });
        Ok(format!("{}/contact/{token}", self.settings.service.base_url))
    }

    /// Ends the service.
    pub(super) async fn clear(mut self) -> Done {
        // What it has answered is on the disk: it needs no farewell.
        self.service.kill().await.map_err(|error| Failure::new(Exit::Software, error))
    }

    /// Waits until the service ends.
    pub(super) async fn last(mut self) -> Done {
        match self.service.wait().await {
            Ok(status) if status.success() => Ok(()),
            ended => Err(died(&ended, &self.folder)),
        }
    }
}

fn fresh_folder() -> Done<PathBuf> {
    let name = new_ref().map_err(|error| Failure::new(Exit::Unavailable, error))?;
    let folder = std::env::temp_dir().join(format!("shorelamp-demo-{name}"));
    DirBuilder::new().mode(0o700).create(&folder).map_err(|error| cant_make(&folder, error))?;
    Ok(folder)
}

fn write(path: &Path, text: &str) -> Done {
    fs::write(path, text).map_err(|error| cant_make(path, error))
}

fn cant_make(path: &Path, error: std::io::Error) -> Failure {
    Failure::new(Exit::CantCreate, format!("{} can't be made: {error}", path.display()))
}

fn free_port() -> Done<u16> {
    let port = TcpListener::bind("127.0.0.1:0").and_then(|probe| probe.local_addr());
    let cant = |error| Failure::new(Exit::Unavailable, format!("no free port: {error}"));
    Ok(port.map_err(cant)?.port())
}

/// The settings of the demo: a ladder of seconds, the stand-in's buoy, the folder or the server.
fn settings_text(port: u16, buoy: &str, smtp: Option<&Server>) -> String {
    let relay = smtp.map_or_else(String::new, |Server { host, port }| {
        let host = toml::Value::from(host.as_str());
        format!("[[mail.relay]]\nhost = {host}\nport = {port}\nsecurity = \"none\"\n")
    });
    include_str!("settings.toml")
        .replace("PORT", &port.to_string())
        .replace("BUOY", buoy)
        .replace("# RELAY", &relay)
}

/// Starts this very program as the service.
fn start(config: &Path, folder: &Path) -> Done<Child> {
    let log = folder.join("daemon.log");
    let out = File::create(&log).map_err(|error| cant_make(&log, error))?;
    let err = out.try_clone().map_err(|error| cant_make(&log, error))?;
    let cant = |error| Failure::new(Exit::Software, format!("the service can't start: {error}"));
    Command::new(std::env::current_exe().map_err(cant)?)
        .arg("--config")
        .arg(config)
        .arg("serve")
        .stdin(Stdio::null())
        .stdout(out)
        .stderr(err)
        .kill_on_drop(true)
        .spawn()
        .map_err(cant)
}

/// Waits until the service says that an alert could go out.
async fn ready(base_url: &str, service: &mut Child, folder: &Path) -> Done {
    let http = client::http(base_url)?;
    let asked = async {
        loop {
            if let Ok(Some(status)) = service.try_wait() {
                return Err(died(&Ok(status), folder));
            }
            let health = http.get(format!("{base_url}/healthz")).send().await;
            if health.is_ok_and(|health| health.status().is_success()) {
                return Ok(());
            }
            sleep(BETWEEN_LOOKS).await;
        }
    };
    let too_slow = |_| Failure::new(Exit::Unavailable, "the service did not get ready");
    tokio::time::timeout(LONGEST_START, asked).await.map_err(too_slow)?
}

fn died(ended: &std::io::Result<std::process::ExitStatus>, folder: &Path) -> Failure {
    let how = ended.as_ref().map_or_else(ToString::to_string, ToString::to_string);
    let log = fs::read_to_string(folder.join("daemon.log")).unwrap_or_default();
    Failure::new(Exit::Software, format!("the service ended ({how}):\n{log}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_settings_are_read_with_and_without_a_server() {
        let server = Server { host: "::1".to_owned(), port: 2525 };
        for (smtp, relays) in [(None, 0), (Some(&server), 1)] {
            let text = settings_text(8123, "http://127.0.0.1:9000", smtp);
            let settings = Settings::read(&text, Path::new("/tmp"));
            let settings = settings.unwrap_or_else(|error| panic!("{error}"));
            assert_eq!(settings.mail.relays.len(), relays);
            assert_eq!(settings.service.base_url, "http://127.0.0.1:8123");
        }
    }
}
