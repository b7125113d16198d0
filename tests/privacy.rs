//! What is kept of a plan, where, and for how long: the built program, told of an invented trip in
//! which every private field bears a word that stands nowhere else.

#![allow(clippy::unwrap_used)]

use std::fs::{self, File};
use std::io::{BufRead, BufReader};
use std::os::unix::process::ExitStatusExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;
use sqlx::Connection;
use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection};

#[allow(dead_code, reason = "other commands need more of it")]
#[path = "commands/world.rs"]
mod world;

use world::World;

/// The codes, from FreeBSD's manual page sysexits(3).
const BAD_DATA: i32 = 65;
const NOT_ALLOWED: i32 = 77;

/// One word a private field, without the medical notes, which have rules of their own.
const WORDS: [&str; 18] = [
    "Zqtitle",
    "Zqramp",
    "Zqvehicle",
    "Zqpoint",
    "Zqcrewname",
    "Zqwearing",
    "Zqswims",
    "Zqexperience",
    "zqcrewmail",
    "360 555 0142",
    "Zqcraft",
    "Zqmarks",
    "Zqnotes",
    "Zqcontact",
    "Zqrelation",
    "zqcontactmail",
    "360 555 0177",
    "48.5413",
];
const MEDICAL: &str = "Zqmedical";
/// Of the second contact, who never answers.
const STRANGER: [&str; 3] = ["Zqstranger", "zqstrangermail", "360 555 0118"];

fn plan(back_in_s: i64) -> String {
    let now = chrono::Utc::now();
    let time = |seconds| (now + chrono::TimeDelta::seconds(seconds)).to_rfc3339();
    format!(
        r#"
title = "Zqtitle"
[times]
launch = "{}"
return_by = "{}"
[launch]
name = "Zqramp"
position = "48.5413 -123.1620"
vehicle = "Zqvehicle"
[[waypoint]]
name = "Zqpoint"
position = "48.5500 -123.2000"
[[crew]]
name = "Zqcrewname Tollefsby"
phone = "+1 360 555 0142"
email = "zqcrewmail@example.org"
wearing = "Zqwearing"
medical = "Zqmedical, inhaler"
swims = "Zqswims"
experience = "Zqexperience"
[[craft]]
name = "Zqcraft"
marks = "Zqmarks"
[gear]
notes = "Zqnotes"
[[contact]]
name = "Zqcontact Ashgrove"
relation = "Zqrelation"
email = "zqcontactmail@example.org"
phone = "+1 360 555 0177"
[[contact]]
name = "Zqstranger Okafor"
email = "zqstrangermail@example.org"
phone = "+1 360 555 0118"
"#,
        time(-1800),
        time(back_in_s)
    )
}

/// A world whose service writes all that it can say into a file, and whose temporary files lie in
/// a folder of their own.
struct Lamp {
    world: World,
    process: Child,
    key: String,
}

impl Lamp {
    fn new() -> Self {
        let world = World::new();
        let settings = world.path("shorelamp.toml");
        let text = fs::read_to_string(&settings).unwrap();
        let ladder = r#"
[ladder]
grace = "1s"
repeat = "1h"
[[ladder.rung]]
at = "overdue"
to = ["contacts"]
kind = "call-rescue"
"#;
        fs::write(&settings, format!("{text}\n{ladder}")).unwrap();
        for folder in ["tmp", "elsewhere"] {
            fs::create_dir(world.path(folder)).unwrap();
        }
        let process = serve(&world);
        let key = world.key(&[]);
        Lamp { world, process, key }
    }

    fn restart(&mut self) {
        self.stop();
        self.process = serve(&self.world);
    }

    fn stop(&mut self) {
        self.process.kill().unwrap();
        self.process.wait().unwrap();
    }

    fn file(&self, back_in_s: i64) -> Value {
        let file = || {
            let path = self.world.write("plan.toml", &plan(back_in_s));
            let ended =
                self.world.run_with_key(&self.key, &["file", path.to_str().unwrap(), "--json"]);
            fs::remove_file(path).unwrap();
            ended
        };
        let mut filed = file();
        // A busy machine may come too late with it, but not again and again.
        for _ in 0..3 {
            if filed.err.contains("this return time has passed already") {
                filed = file();
            }
        }
        serde_json::from_str(&filed.out).unwrap_or_else(|_| panic!("{filed:?}"))
    }

    /// Waits until a letter of this kind lies in the folder; its text.
    fn letter(&self, kind: &str) -> String {
        let began = Instant::now();
        loop {
            let letters = files(&self.world.path("var/outgoing"));
            let name = |path: &PathBuf| path.file_name().unwrap().to_string_lossy().contains(kind);
            if let Some(letter) = letters.into_iter().find(name) {
                return fs::read_to_string(letter).unwrap();
            }
            assert!(began.elapsed() < Duration::from_secs(60), "no {kind}");
            std::thread::sleep(Duration::from_millis(100));
        }
    }

    /// As if it had been closed so many days ago. What waits is settled first.
    async fn age(&self, days: i64) {
        let options = SqliteConnectOptions::new().filename(self.world.path("var/shorelamp.db"));
        let mut connection = SqliteConnection::connect_with(&options).await.unwrap();
        let waiting = "SELECT COUNT(*) FROM letters WHERE state IN ('queued', 'sending')";
        let began = Instant::now();
        while sqlx::query_scalar::<_, i64>(waiting).fetch_one(&mut connection).await.unwrap() > 0 {
            assert!(began.elapsed() < Duration::from_secs(60), "letters wait");
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
        let at = (chrono::Utc::now() - chrono::TimeDelta::days(days)).timestamp_millis();
        let text = "UPDATE plans SET closed_at = ? WHERE closed_at IS NOT NULL";
        let changed = sqlx::query(text).bind(at).execute(&mut connection).await.unwrap();
        assert_eq!(changed.rows_affected(), 1);
        connection.close().await.unwrap();
    }

    /// The files in which this word stands, but for the letters and the plan's own text.
    fn holding(&self, word: &str) -> Vec<PathBuf> {
        let all = ["var", "tmp", "elsewhere", "log"].map(|name| self.world.path(name));
        let mut found = Vec::new();
        for path in all.iter().flat_map(|path| files(path)) {
            let bytes = fs::read(&path).unwrap_or_default();
            if bytes.windows(word.len()).any(|part| part == word.as_bytes()) {
                found.push(path);
            }
        }
        found
    }
}

impl Drop for Lamp {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

fn serve(world: &World) -> Child {
    let log = File::options().create(true).append(true).open(world.path("log")).unwrap();
    let mut process = world
        .command(&["serve"])
        .env("RUST_LOG", "trace")
        .env("RUST_BACKTRACE", "full")
        .env("TMPDIR", world.path("tmp"))
        .stdout(Stdio::piped())
        .stderr(log)
        .spawn()
        .unwrap();
    let mut greeting = String::new();
    BufReader::new(process.stdout.take().unwrap()).read_line(&mut greeting).unwrap();
    assert!(greeting.contains(&world.base_url), "{greeting}");
    process
}

fn files(path: &Path) -> Vec<PathBuf> {
    if path.is_file() {
        return vec![path.to_owned()];
    }
    let Ok(entries) = fs::read_dir(path) else { return Vec::new() };
    entries.flatten().flat_map(|entry| files(&entry.path())).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_whole_life_leaves_nothing_where_it_does_not_belong() {
    let mut lamp = Lamp::new();
    let filed = lamp.file(25);
    let plan_ref = filed["ref"].as_str().unwrap();
    assert!(lamp.letter("filed").contains("Zqcrewname") && !lamp.letter("filed").contains(MEDICAL));
    assert!(lamp.letter("call-rescue").contains(MEDICAL), "a rescuer must know");

    // A crash loses no key: after it the same words go out again.
    lamp.restart();
    let exported = lamp.world.run_with_key(&lamp.key, &["export", plan_ref]);
    assert_eq!(exported.code, 0, "{exported:?}");
    for word in WORDS.iter().chain(&STRANGER).chain([&MEDICAL]) {
        assert!(exported.out.contains(word), "{word} is not in {}", exported.out);
    }
    let stranger = lamp.world.key(&["--keeper"]);
    let refused = lamp.world.run_with_key(&stranger, &["export", plan_ref]);
    assert_eq!(refused.code, NOT_ALLOWED, "not even a keeper: {refused:?}");
    let refused = lamp.world.run_with_key(&lamp.key, &["erase", plan_ref]);
    assert_eq!(refused.code, BAD_DATA, "{refused:?}");
    assert!(refused.err.contains("open"), "{refused:?}");

    let backup = lamp.world.path("elsewhere/backup.db");
    assert_eq!(lamp.world.run(&["backup", backup.to_str().unwrap()]).code, 0);
    let purged = lamp.world.run(&["purge"]);
    assert!(purged.err.contains("1 plans are open"), "{purged:?}");

    // While it is open: the words lie in the database, what is medical in letters alone.
    // (A crash may leave one half written; it goes with its plan as the others do.)
    let at = |path: &PathBuf| path.parent().is_some_and(|folder| folder.ends_with("outgoing"));
    assert!(lamp.holding(MEDICAL).iter().all(at), "{:?}", lamp.holding(MEDICAL));
    assert!(lamp.holding("Zqnotes").contains(&backup));

    let closed = lamp.world.run_with_key(&lamp.key, &["checkin", plan_ref]);
    assert_eq!(closed.code, 0, "{closed:?}");
    lamp.letter("stand-down");
    let refused = lamp.world.run_with_key(&lamp.key, &["erase", plan_ref]);
    assert_eq!(refused.code, BAD_DATA, "{refused:?}");
    assert!(refused.err.contains("24 hours"), "{refused:?}");

    // After a day: contacts who never answered are gone; the rest is there.
    lamp.age(2).await;
    let purged = lamp.world.run(&["purge"]);
    assert_eq!(purged.code, 0, "{purged:?}");
    let exported = lamp.world.run_with_key(&lamp.key, &["export", plan_ref]);
    assert!(exported.out.contains("Zqnotes") && exported.out.contains(MEDICAL), "{exported:?}");
    for word in STRANGER {
        assert!(!exported.out.contains(word), "{word}: {}", exported.out);
        let kept: Vec<_> = lamp.holding(word).into_iter().filter(|path| !at(path)).collect();
        assert!(kept.iter().all(|path| *path == backup), "{word} is in {kept:?}");
    }

    // After a week: all of it, everywhere.
    lamp.age(8).await;
    let purged = lamp.world.run(&["purge"]);
    assert_eq!(purged.code, 0, "{purged:?}");
    assert!(purged.out.contains("1 plans"), "{purged:?}");
    for word in WORDS.iter().chain(&STRANGER).chain([&MEDICAL]) {
        assert_eq!(lamp.holding(word), Vec::<PathBuf>::new(), "{word}");
    }
    assert!(files(&lamp.world.path("var/sealed")).is_empty(), "its key is gone");
    let healthy = lamp.world.run(&["verify"]);
    assert_eq!(healthy.code, 0, "{healthy:?}");

    let secrets = ["crew", "checkin", "extend", "cancel", "amend"];
    let links = secrets.iter().filter_map(|name| filed["links"][*name].as_str());
    let tokens = links.map(|link| link.rsplit('/').next().unwrap().to_owned());
    for token in tokens.chain([lamp.key.clone()]) {
        assert_eq!(lamp.holding(&token), Vec::<PathBuf>::new(), "a secret");
    }
    // The log was written indeed, as much as could be.
    let log = fs::read_to_string(lamp.world.path("log")).unwrap();
    assert!(log.contains("TRACE") && log.contains("a plan is armed"), "{} bytes", log.len());
}

/// Kills a command where it is about to give a file that it has written its own name.
fn kill_at_the_rename(world: &World, words: &[&str]) {
    let command = world.command(words);
    let mut killed = Command::new("strace");
    killed.args(["-f", "-qq", "-o", "/dev/null", "-e", "trace=?rename,?renameat,?renameat2"]);
    killed.args(["-e", "inject=?rename,?renameat,?renameat2:signal=SIGKILL:error=EIO", "--"]);
    killed.arg(command.get_program()).args(command.get_args()).current_dir(world.folder.path());
    // SIGKILL is 9 (signal(7)); strace ends as what it traced.
    let ended = killed.output().unwrap().status;
    assert_eq!(ended.signal(), Some(9), "{words:?}");
}

#[test]
fn what_a_backup_or_a_restore_leaves_that_was_killed_is_forgotten() {
    if Command::new("strace").arg("-V").output().is_err() {
        eprintln!("SKIPPED: no strace here to kill at a system call");
        return;
    }
    let mut lamp = Lamp::new();
    lamp.file(900);
    let backup = |name: &str| lamp.world.path("elsewhere").join(name);
    let (first, second) = (backup("night-1.db"), backup("night-2.db"));
    let (first, second) = (first.to_str().unwrap(), second.to_str().unwrap());
    let part = backup("night-1.db.part");
    let holds = |lamp: &Lamp, path: &PathBuf| lamp.holding("Zqnotes").contains(path);

    for command in [&["backup", second][..], &["purge"]] {
        kill_at_the_rename(&lamp.world, &["backup", first]);
        assert!(holds(&lamp, &part), "killed in the middle");
        fs::write(backup("night-1.db.part-wal"), "Zqnotes").unwrap();
        let ended = lamp.world.run(command);
        assert_eq!((ended.code, ended.err.contains("still hold")), (0, false), "{ended:?}");
        assert!(!part.exists() && !backup("night-1.db.part-wal").exists(), "{ended:?}");
    }

    let part = lamp.world.path("var/restored.part");
    for start_again in [true, false] {
        lamp.stop();
        kill_at_the_rename(&lamp.world, &["restore", second]);
        assert!(holds(&lamp, &part), "killed in the middle");
        if start_again {
            lamp.process = serve(&lamp.world);
        } else {
            lamp.world.run(&["purge"]);
        }
        assert!(!part.exists());
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_plan_is_erased_by_whoever_filed_it_after_a_day() {
    let lamp = Lamp::new();
    let filed = lamp.file(3600);
    let plan_ref = filed["ref"].as_str().unwrap();
    lamp.letter("filed");
    assert_eq!(lamp.world.run_with_key(&lamp.key, &["checkin", plan_ref]).code, 0);
    lamp.age(2).await;
    // The plan itself says when it was closed; a day must pass indeed.
    let refused = lamp.world.run_with_key(&lamp.key, &["erase", plan_ref]);
    assert_eq!(refused.code, BAD_DATA, "{refused:?}");
    let other = lamp.world.key(&[]);
    let refused = lamp.world.run_with_key(&other, &["erase", plan_ref]);
    assert_eq!(refused.code, BAD_DATA, "as if it were not there: {refused:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_lost_secret_loses_no_alert() {
    for lost in ["secret", "sealed"] {
        let mut lamp = Lamp::new();
        lamp.file(25);
        lamp.stop();
        let path = lamp.world.path("var").join(lost);
        if path.is_dir() {
            fs::remove_dir_all(path).unwrap()
        } else {
            fs::remove_file(path).unwrap()
        }
        lamp.process = serve(&lamp.world);
        let alert = lamp.letter("call-rescue").replace("=\n", "").replace("=\r\n", "");
        assert!(!alert.contains(MEDICAL), "{lost}");
        assert!(alert.contains("lost the key to it"), "{lost}: {alert}");
        assert!(alert.contains("Zqcrewname") && alert.contains("Zqwearing"), "{lost}");
        // Its link opens, though it was made of another secret.
        let token = alert.split("/contact/").nth(1).unwrap().split_whitespace().next().unwrap();
        let page = format!("{}/contact/{token}", lamp.world.base_url);
        let opened = reqwest_get(&page).await;
        assert_eq!(opened, 200, "{lost}: {page}");
    }
}

async fn reqwest_get(url: &str) -> u16 {
    let _ = rustls::crypto::ring::default_provider().install_default();
    let http = reqwest::Client::builder().tls_certs_only([]).no_proxy().build().unwrap();
    http.get(url).send().await.unwrap().status().as_u16()
}

/// A crash's dump would hold every open plan: there is none, to a file or to a program.
#[test]
fn the_service_leaves_no_core_dump() {
    let lamp = Lamp::new();
    let limits = fs::read_to_string(format!("/proc/{}/limits", lamp.process.id())).unwrap();
    let core = limits.lines().find(|line| line.starts_with("Max core file size")).unwrap();
    assert_eq!(core.split_whitespace().nth(4), Some("0"), "{core}");
    let killed = std::process::Command::new("kill")
        .args(["-ABRT", &lamp.process.id().to_string()])
        .status()
        .unwrap();
    assert!(killed.success());
    std::thread::sleep(Duration::from_millis(300));
    for folder in ["", "var", "tmp"] {
        for file in files(&lamp.world.path(folder)) {
            let name = file.file_name().unwrap().to_string_lossy().into_owned();
            assert!(!name.starts_with("core"), "{name}");
        }
    }
}
