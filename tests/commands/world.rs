//! A folder with settings of its own, and the built program run in it.

use std::fs;
use std::io::{BufRead, BufReader};
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdout, Command, Stdio};

use tempfile::TempDir;

/// The root of the repository.
pub fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// A folder of its own, with settings that ask nobody on the internet.
pub struct World {
    pub folder: TempDir,
    pub base_url: String,
}

/// What a command came to.
#[derive(Debug)]
pub struct Ended {
    pub code: i32,
    pub out: String,
    pub err: String,
}

/// A daemon; it is killed when it is dropped.
pub struct Daemon {
    process: Child,
    _out: BufReader<ChildStdout>,
}

impl World {
    pub fn new() -> Self {
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let base_url = format!("http://127.0.0.1:{port}");
        let world = World { folder: TempDir::new().unwrap(), base_url };
        let shoreline = root().join("demo-data/shoreline.geojson");
        world.write(
            "shorelamp.toml",
            // Port 9 is the discard service's; nobody listens there on a machine of today.
            &format!(
                r#"
                [service]
                listen = "127.0.0.1:{port}"
                base_url = "{}"
                keeper_email = "keeper@example.org"
                [mail]
                folder = "var/outgoing"
                [shoreline]
                files = ["{}"]
                [[water.station]]
                service = "ndbc"
                id = "46088"
                position = "48.332 -123.179"
                url = "http://127.0.0.1:9"
                "#,
                world.base_url,
                shoreline.display()
            ),
        );
        world
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub fn write(&self, name: &str, text: &str) -> PathBuf {
        let path = self.path(name);
        fs::write(&path, text).unwrap();
        path
    }

    /// The program with these words, without a key.
    pub fn command(&self, words: &[&str]) -> Command {
        let mut command = Command::new(assert_cmd::cargo::cargo_bin!("shorelamp"));
        command
            .arg("--config")
            .arg(self.path("shorelamp.toml"))
            .args(words)
            .env_remove("SHORELAMP_KEY")
            .env_remove("RUST_LOG")
            .current_dir(self.folder.path())
            .stdin(Stdio::null());
        command
    }

    pub fn run(&self, words: &[&str]) -> Ended {
        ended(&mut self.command(words))
    }

    #[allow(dead_code, reason = "what files nothing needs no key")]
    pub fn run_with_key(&self, key: &str, words: &[&str]) -> Ended {
        ended(self.command(words).env("SHORELAMP_KEY", key))
    }

    /// Starts a daemon; when this comes back it listens.
    pub fn serve(&self) -> Daemon {
        let mut process =
            self.command(&["serve"]).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
        let mut out = BufReader::new(process.stdout.take().unwrap());
        let mut greeting = String::new();
        out.read_line(&mut greeting).unwrap();
        assert!(greeting.contains(&self.base_url), "{greeting}");
        Daemon { process, _out: out }
    }

    /// A new key's secret.
    pub fn key(&self, words: &[&str]) -> String {
        let made = self.run(&[&["key", "add", "Ramp", "--json"], words].concat());
        let key: serde_json::Value =
            serde_json::from_str(&made.out).unwrap_or_else(|_| panic!("{made:?}"));
        key["key"].as_str().unwrap().to_owned()
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

pub fn ended(command: &mut Command) -> Ended {
    let done = command.output().unwrap();
    Ended {
        code: done.status.code().unwrap_or(-1),
        out: String::from_utf8(done.stdout).unwrap(),
        err: String::from_utf8(done.stderr).unwrap(),
    }
}

/// A plan of invented people that comes back in an hour.
pub fn plan() -> String {
    let now = chrono::Utc::now();
    let time = |minutes| (now + chrono::TimeDelta::minutes(minutes)).to_rfc3339();
    format!(
        r#"
[times]
launch = "{}"
return_by = "{}"
[launch]
position = "48.5608 -123.1755"
[[crew]]
name = "Maren Tollefsby"
email = "maren@example.org"
medical = "none"
[[contact]]
name = "Philippa Ashgrove"
email = "philippa@example.org"
"#,
        time(-30),
        time(60)
    )
}
