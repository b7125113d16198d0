//! What shows others that the service works: systemd's watchdog, a heartbeat to another machine,
//! a test alert through the whole road, and the keeper's letters at a stop.

#![allow(clippy::unwrap_used)]

use std::fs;
use std::io::{Read, Write};
use std::net::TcpListener;
use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::process::{Child, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use serde_json::Value;
use shorelamp::settings::{Canary, Heartbeat};
use tokio_util::sync::CancellationToken;

#[allow(dead_code, reason = "the commands' tests need more of it")]
#[path = "commands/world.rs"]
mod world;

#[allow(dead_code, reason = "the pages' tests need more of it")]
#[path = "web/house.rs"]
mod house;

use house::{Lamp, Wish};
use world::World;

const LONG: Duration = Duration::from_secs(20);

/// A letter in a folder.
#[derive(Clone, Debug)]
struct Eml {
    kind: String,
    plan: String,
    to: String,
    subject: String,
    text: String,
    html: String,
}

fn letters(folder: &Path) -> Vec<Eml> {
    let Ok(entries) = fs::read_dir(folder) else { return Vec::new() };
    let paths = entries.map(|entry| entry.unwrap().path());
    paths
        .filter(|path| path.extension().is_some_and(|end| end == "eml"))
        .map(|at| eml(&at))
        .collect()
}

fn eml(path: &Path) -> Eml {
    let bytes = fs::read(path).unwrap();
    let parsed = mail_parser::MessageParser::default().parse(&bytes).unwrap();
    let field = |name: &str| {
        let value = parsed.header(name).and_then(|value| value.as_text());
        value.unwrap_or_default().trim().to_owned()
    };
    Eml {
        kind: field("Shorelamp-Kind"),
        plan: field("Shorelamp-Plan"),
        to: parsed.to().and_then(|to| to.first()?.address()).unwrap_or_default().to_owned(),
        subject: parsed.subject().unwrap_or_default().to_owned(),
        text: parsed.body_text(0).unwrap_or_default().into_owned(),
        html: parsed.body_html(0).unwrap_or_default().into_owned(),
    }
}

/// Waits for what `look` finds.
async fn until<T>(what: &str, mut look: impl AsyncFnMut() -> Option<T>) -> T {
    let began = Instant::now();
    loop {
        if let Some(found) = look().await {
            return found;
        }
        assert!(began.elapsed() < LONG, "not within {LONG:?}: {what}");
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
}

/// A process that is killed when it is dropped.
struct Running(Child);

impl Running {
    fn signal(&self, name: &str) {
        let pid = self.0.id().to_string();
        assert!(std::process::Command::new("kill").args([name, &pid]).status().unwrap().success());
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// What the service tells systemd (sd_notify(3)), word by word.
struct Systemd(UnixDatagram);

impl Systemd {
    /// The words that come within this time.
    fn hear(&self, within: Duration) -> Vec<String> {
        let until = Instant::now() + within;
        let mut words = Vec::new();
        while let Some(left) = until.checked_duration_since(Instant::now()) {
            self.0.set_read_timeout(Some(left.max(Duration::from_millis(1)))).unwrap();
            let mut buffer = [0; 4096];
            if let Ok(length) = self.0.recv(&mut buffer) {
                let text = String::from_utf8_lossy(&buffer[..length]).into_owned();
                words.extend(text.lines().map(str::to_owned));
            }
        }
        words
    }

    /// Hears until this word comes; the words before it.
    fn hear_until(&self, word: &str) -> Vec<String> {
        let until = Instant::now() + LONG;
        let mut words = Vec::new();
        while Instant::now() < until {
            for heard in self.hear(Duration::from_millis(50)) {
                if heard == word {
                    return words;
                }
                words.push(heard);
            }
        }
        panic!("no {word} in {words:?}");
    }
}

fn count(words: &[String], word: &str) -> usize {
    words.iter().filter(|heard| *heard == word).count()
}

#[test]
fn systemd_hears_that_the_service_is_ready_and_lives_and_when_it_hangs() {
    let world = World::new();
    let socket = world.path("notify");
    let systemd = Systemd(UnixDatagram::bind(&socket).unwrap());
    let mut serve = world.command(&["serve"]);
    serve.env("NOTIFY_SOCKET", &socket).env("WATCHDOG_USEC", "900000");
    let mut running = Running(serve.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap());
    let _before = systemd.hear_until("READY=1");
    let fed = systemd.hear(Duration::from_secs(2));
    assert!(count(&fed, "WATCHDOG=1") >= 4, "every 0.3 s: {fed:?}");
    assert!(fed.contains(&"STATUS=an alert could go out".to_owned()), "{fed:?}");
    assert_eq!(count(&fed, "READY=1"), 0, "once only");

    // A process that does not come to its turn: systemd would end it after 0.9 s.
    running.signal("-STOP");
    systemd.hear(Duration::from_millis(300));
    let silent = systemd.hear(Duration::from_millis(1500));
    assert_eq!(count(&silent, "WATCHDOG=1"), 0, "{silent:?}");
    running.signal("-CONT");
    systemd.hear_until("WATCHDOG=1");

    running.signal("-TERM");
    systemd.hear_until("STOPPING=1");
    assert!(running.0.wait().unwrap().success());
}

/// A listener that gives every question this answer, and tells of each; to be asked at the address.
fn listener(answer: &'static str) -> (String, Receiver<String>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = format!("http://{}/beat/secret-7?of=us", listener.local_addr().unwrap());
    let (asked, questions) = channel();
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            let mut stream = stream.unwrap();
            let mut buffer = [0; 4096];
            let length = stream.read(&mut buffer).unwrap_or(0);
            let _ = stream.write_all(answer.as_bytes());
            if asked.send(String::from_utf8_lossy(&buffer[..length]).into_owned()).is_err() {
                return;
            }
        }
    });
    (address, questions)
}

fn heartbeat(address: &str) -> Heartbeat {
    Heartbeat { url: address.parse().unwrap(), every: "1s".parse().unwrap() }
}

async fn health(lamp: &Lamp) -> (u16, Value) {
    let answer = lamp.get("/healthz").send().await.unwrap();
    (answer.status().as_u16(), answer.json().await.unwrap())
}

const OK: &str = "HTTP/1.1 200 OK\r\nContent-Length: 2\r\nConnection: close\r\n\r\nok";

#[tokio::test(flavor = "multi_thread")]
async fn the_heart_beats_while_an_alert_could_go_out_and_then_no_more() {
    let lamp = Lamp::lit().await;
    // Nothing runs: after a minute the watch counts as hanging.
    lamp.move_clock(1);
    let (address, questions) = listener(OK);
    let stop = CancellationToken::new();
    tokio::spawn(lamp.daemon.clone().beat(heartbeat(&address), stop.clone()));
    assert!(questions.recv_timeout(Duration::from_secs(4)).is_err(), "it is not well");
    lamp.run();
    let beat = questions.recv_timeout(LONG).unwrap();
    assert!(beat.starts_with("GET /beat/secret-7?of=us HTTP/1.1"), "{beat}");
    // Nothing of ours is in it but the program's name.
    let fields: Vec<_> = beat.lines().skip(1).filter_map(|line| line.split_once(": ")).collect();
    for (name, value) in &fields {
        match name.to_lowercase().as_str() {
            "user-agent" => assert_eq!(*value, "shorelamp"),
            "host" => assert!(address.contains(value)),
            "accept" => assert_eq!(*value, "*/*"),
            other => panic!("{other}: {value}"),
        }
    }
    until("it is told", async || {
        let (status, said) = health(&lamp).await;
        (status == 200 && said["heartbeat"].as_str()?.starts_with("last arrived")).then_some(())
    })
    .await;
    let first = Instant::now();
    questions.recv_timeout(LONG).unwrap();
    questions.recv_timeout(LONG).unwrap();
    assert!(first.elapsed() >= Duration::from_millis(900), "once a second");
    stop.cancel();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_heartbeat_that_does_not_arrive_is_told_and_makes_nothing_red() {
    let elsewhere = listener(OK);
    let moved: &'static str = Box::leak(
        format!(
            "HTTP/1.1 302 Found\r\nLocation: {}\r\nContent-Length: 0\r\nConnection: close\r\n\r\n",
            elsewhere.0
        )
        .into_boxed_str(),
    );
    for (answer, words) in [
        (moved, "302"),
        ("HTTP/1.1 500 Oh\r\nContent-Length: 0\r\nConnection: close\r\n\r\n", "500"),
        ("", "does not arrive"),
    ] {
        let lamp = Lamp::with(Wish { runs: true, ..Wish::default() }).await;
        let (address, _questions) = listener(answer);
        let stop = CancellationToken::new();
        tokio::spawn(lamp.daemon.clone().beat(heartbeat(&address), stop.clone()));
        let said = until(words, async || {
            let (status, said) = health(&lamp).await;
            assert_eq!(status, 200, "{said}");
            said["heartbeat"].as_str().map(str::to_owned)
        })
        .await;
        assert!(said.starts_with("does not arrive") && said.contains(words), "{said}");
        assert!(!said.contains("secret-7"), "whoever knows the address can keep the alarm quiet");
        stop.cancel();
    }
    assert!(elsewhere.1.try_recv().is_err(), "it follows nobody elsewhere");
}

fn canary(folder: Option<&Path>) -> Canary {
    Canary {
        to: "canary@example.org".to_owned(),
        folder: folder.map(Path::to_owned),
        every: "1h".parse().unwrap(),
        within: "3s".parse().unwrap(),
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_canary_goes_the_whole_road_and_is_nobody_s_trip() {
    let lamp = Lamp::with(Wish { runs: true, ..Wish::default() }).await;
    let outgoing = lamp.folder.path().join("outgoing");
    let stop = CancellationToken::new();
    tokio::spawn(lamp.daemon.clone().sing(canary(Some(&outgoing)), stop.clone()));
    until("the test alert arrives", async || {
        assert!(lamp.daemon.board().await.unwrap().is_empty(), "it stands on no board");
        assert!(lamp.daemon.open_trips().await.unwrap().is_empty());
        let (status, said) = health(&lamp).await;
        assert_eq!(status, 200, "{said}");
        said["canary"].as_str().filter(|said| said.starts_with("last arrived")).map(|_| ())
    })
    .await;
    let all = until("it is stood down", async || {
        let all = letters(&outgoing);
        all.iter().any(|letter| letter.kind == "stand-down").then_some(all)
    })
    .await;
    let kinds: Vec<_> = all.iter().map(|letter| letter.kind.as_str()).collect();
    assert!(kinds.contains(&"filed") && kinds.contains(&"call-rescue"), "{kinds:?}");
    for letter in &all {
        assert_eq!(letter.to, "canary@example.org");
        assert!(letter.subject.starts_with("TEST, nobody is missing"), "{}", letter.subject);
        assert!(letter.text.trim_start().starts_with("THIS IS A TEST"), "{}", letter.text);
        assert!(letter.html.contains("THIS IS A TEST"), "{}", letter.html);
    }
    assert!(lamp.daemon.store().open_plans().await.unwrap().is_empty(), "it closed itself");
    assert!(lamp.daemon.store().verify().await.unwrap().is_empty());
    // What is left of it is forgotten, and nothing else.
    let people_s = lamp.file(&house::plan()).await["ref"].as_str().unwrap().to_owned();
    let later = lamp.daemon.now() + chrono::TimeDelta::days(3);
    assert_eq!(lamp.daemon.store().forget_closed("canary", later).await.unwrap(), 1);
    assert!(lamp.daemon.status(&all[0].plan).await.is_err());
    assert!(lamp.daemon.status(&people_s).await.is_ok());
    assert_eq!(lamp.daemon.store().forget_closed("k-filer", later).await.unwrap(), 0, "it is open");
    stop.cancel();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_canary_that_does_not_arrive_turns_the_service_red() {
    let lamp = Lamp::with(Wish { runs: true, ..Wish::default() }).await;
    let nowhere = lamp.folder.path().join("another-mailbox");
    fs::create_dir(&nowhere).unwrap();
    let stop = CancellationToken::new();
    tokio::spawn(lamp.daemon.clone().sing(canary(Some(&nowhere)), stop.clone()));
    let said = until("it is red", async || {
        let (status, said) = health(&lamp).await;
        (status == 503).then_some(said)
    })
    .await;
    let detail = said["detail"].as_str().unwrap();
    assert!(detail.contains("the test alert did not come through"), "{detail}");
    assert!(detail.contains("handed over, but did not arrive"), "{detail}");
    assert!(!detail.contains("canary@") && !detail.contains("another-mailbox"), "{detail}");
    until("the keeper is told", async || {
        let all = letters(&lamp.folder.path().join("outgoing"));
        all.into_iter()
            .find(|letter| letter.kind == "trouble" && letter.text.contains("test alert"))
    })
    .await;
    assert!(lamp.daemon.store().open_plans().await.unwrap().is_empty(), "it closed itself");
    stop.cancel();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_canary_left_by_an_earlier_life_is_closed_at_the_start() {
    let lamp = Lamp::lit().await;
    let stop = CancellationToken::new();
    // Nothing runs yet, so its alert never goes: it stays open until the stop.
    tokio::spawn(lamp.daemon.clone().sing(canary(None), stop.clone()));
    let open = async || lamp.daemon.store().open_plans().await.unwrap().len();
    until("it is filed", async || (open().await == 1).then_some(())).await;
    lamp.daemon.close_canaries().await.unwrap();
    assert_eq!(open().await, 0);
    stop.cancel();
}

#[test]
fn a_stop_over_open_plans_is_told_to_the_keeper_and_so_is_its_end() {
    let world = World::new();
    let outgoing = world.path("var/outgoing");
    let serve = || {
        let mut serve = world.command(&["serve"]);
        let log = fs::File::options().create(true).append(true).open(world.path("log")).unwrap();
        let running = Running(serve.stdout(Stdio::null()).stderr(log).spawn().unwrap());
        let began = Instant::now();
        let answers = || world.run(&["doctor"]).out.contains("an alert could go out");
        while !answers() {
            assert!(began.elapsed() < LONG, "{:?}", world.run(&["doctor"]));
        }
        running
    };
    let stop = |mut running: Running| {
        let began = Instant::now();
        running.signal("-TERM");
        assert!(running.0.wait().unwrap().success());
        assert!(began.elapsed() < Duration::from_secs(15));
    };
    let trouble = || letters(&outgoing).into_iter().filter(|one| one.kind == "trouble").collect();
    stop(serve());
    let told: Vec<Eml> = trouble();
    assert!(told.is_empty(), "no plan was open: {told:?}");

    let running = serve();
    let key = world.key(&[]);
    let plan = world.write("plan.toml", &world::plan());
    let filed = world.run_with_key(&key, &["file", plan.to_str().unwrap()]);
    assert_eq!(filed.code, 0, "{filed:?}");
    stop(running);
    let told: Vec<Eml> = trouble();
    assert_eq!(told.len(), 1, "{told:?}");
    let text = told[0].text.split_whitespace().collect::<Vec<_>>().join(" ");
    for words in ["NOBODY WATCHES: 1 plan is open", "the next letter is due at", "Start it again"] {
        assert!(text.contains(words), "{words}: {text}");
    }
    assert!(!text.contains("Tollefsby"), "it names nobody: {text}");
    assert!(fs::read_to_string(world.path("log")).unwrap().contains("NOBODY WATCHES THE OPEN"));

    let _running = serve();
    let began = Instant::now();
    let over = loop {
        let over: Vec<Eml> = trouble();
        if let Some(over) = over.into_iter().find(|one| one.subject.starts_with("Over:")) {
            break over;
        }
        assert!(began.elapsed() < LONG, "nobody says that it is over");
        std::thread::sleep(Duration::from_millis(100));
    };
    assert!(over.text.contains("was stopped"), "{}", over.text);
}
