//! The built service under clients that mean it ill: slow, large, deep, many. It must go on
//! answering others, and stay small. And its pages over TLS.

#![allow(clippy::unwrap_used)]

use std::collections::VecDeque;
use std::fs;
use std::io::{ErrorKind, Read, Write};
use std::net::TcpStream;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use reqwest::{Certificate, Client, StatusCode};

#[allow(dead_code, reason = "other commands need more of it")]
#[path = "commands/world.rs"]
mod world;

use world::World;

/// The most that the service may need of its own, beside its program's text: that of a debug build
/// alone takes 39 MB, of a shipped one less than 20. Both together are to stay below 64 MB.
const MOST_KB: u64 = 40 * 1024;
/// Between letters and connections a service that is idle has some 30 files open.
const FEW_FILES: u32 = 48;
/// With so many it has half as many connections as with all that it asks for.
const USUAL_FILES: u32 = 1024;
/// Far beyond every deadline of the service, for a machine that is busy.
const PATIENCE: Duration = Duration::from_secs(90);

struct Lamp {
    world: World,
    process: Child,
    key: String,
    http: Client,
}

impl Lamp {
    fn lit() -> Self {
        Self::lit_in(World::new(), None)
    }

    /// With so many files to open at once.
    fn lit_in(world: World, may_open: Option<u32>) -> Self {
        let process = start(&world, may_open);
        let key = world.key(&[]);
        Lamp { world, process, key, http: client(None) }
    }

    fn address(&self) -> String {
        self.world.base_url.split_once("//").unwrap().1.to_owned()
    }

    fn connect(&self) -> TcpStream {
        let stream = TcpStream::connect(self.address()).unwrap();
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        stream
    }

    /// The most memory that the service has had, without the pages of its own program file, in kB;
    /// proc(5).
    fn peak_kb(&self) -> u64 {
        let status = fs::read_to_string(format!("/proc/{}/status", self.process.id())).unwrap();
        let kb = |name: &str| -> u64 {
            let line = status.lines().find(|line| line.starts_with(name)).unwrap();
            line.split_whitespace().nth(1).unwrap().parse().unwrap()
        };
        kb("VmHWM:").saturating_sub(kb("RssFile:"))
    }

    async fn is_well(&self) -> bool {
        let healthz = format!("{}/healthz", self.world.base_url);
        let answer = self.http.get(healthz).timeout(Duration::from_secs(30)).send().await;
        answer.is_ok_and(|answer| answer.status() == StatusCode::OK)
    }

    async fn grows_well(&self) {
        let began = Instant::now();
        while !self.is_well().await {
            assert!(began.elapsed() < PATIENCE);
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
    }

    /// Files a plan that is overdue in some seconds.
    async fn file_for_soon(&self) {
        let soon = chrono::Utc::now() + chrono::TimeDelta::seconds(8);
        let plan = world::plan();
        let (_, after) = plan.split_once("[launch]").unwrap();
        let launch = soon - chrono::TimeDelta::hours(1);
        let times = format!(
            "[times]\nlaunch = \"{}\"\nreturn_by = \"{}\"\n[launch]{after}",
            launch.to_rfc3339(),
            soon.to_rfc3339()
        );
        assert_eq!(self.post("application/toml", times.into_bytes()).await, StatusCode::CREATED);
    }

    /// Whether a letter of this kind lies in the folder, within a while.
    async fn has_written(&self, kind: &str) -> bool {
        let began = Instant::now();
        while began.elapsed() < Duration::from_secs(40) {
            let letters = fs::read_dir(self.world.path("var/outgoing")).into_iter().flatten();
            let mut names = letters.map(|one| one.unwrap().file_name());
            if names.any(|name| name.to_string_lossy().contains(kind)) {
                return true;
            }
            tokio::time::sleep(Duration::from_millis(200)).await;
        }
        false
    }

    async fn post(&self, kind: &str, body: Vec<u8>) -> StatusCode {
        let url = format!("{}/api/v1/plans", self.world.base_url);
        let request = self.http.post(url).bearer_auth(&self.key).header("content-type", kind);
        request.body(body).send().await.unwrap().status()
    }
}

impl Drop for Lamp {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

fn start(world: &World, may_open: Option<u32>) -> Child {
    let mut serve = world.command(&["serve"]);
    if let Some(may_open) = may_open {
        let mut limited = Command::new("sh");
        limited.args(["-c", &format!("ulimit -n {may_open}; exec \"$0\" \"$@\"")]);
        limited.arg(serve.get_program()).args(serve.get_args());
        serve = limited;
        serve.current_dir(world.folder.path()).env_remove("RUST_LOG").stdin(Stdio::null());
    }
    let child = serve.stdout(Stdio::piped()).stderr(Stdio::null()).spawn();
    let mut child = child.unwrap();
    let mut greeting = [0; 10];
    child.stdout.as_mut().unwrap().read_exact(&mut greeting).unwrap();
    child
}

/// Overdue a second after the return time, and then at once the last rung.
fn with_a_short_ladder() -> World {
    let world = World::new();
    let settings = world.path("shorelamp.toml");
    let text = fs::read_to_string(&settings).unwrap();
    let ladder = "\n[ladder]\ngrace = \"1s\"\n[[ladder.rung]]\nat = \"overdue\"\n\
                  to = [\"contacts\"]\nkind = \"call-rescue\"\n";
    fs::write(&settings, text + ladder).unwrap();
    world
}

fn client(trusted: Option<&str>) -> Client {
    let _ = rustls::crypto::ring::default_provider().install_default();
    let trusted: Vec<_> =
        trusted.iter().map(|pem| Certificate::from_pem(pem.as_bytes()).unwrap()).collect();
    let builder = Client::builder().redirect(reqwest::redirect::Policy::none());
    builder.tls_certs_only(trusted).no_proxy().build().unwrap()
}

/// What comes until the other side closes; `None` if it is not closed in time.
fn to_the_end(mut stream: TcpStream) -> Option<String> {
    let mut text = Vec::new();
    match stream.read_to_end(&mut text) {
        Err(error) if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => None,
        _ => Some(String::from_utf8_lossy(&text).into_owned()),
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn who_says_nothing_or_says_it_slowly_is_shown_out_and_keeps_nobody_out() {
    let lamp = Lamp::lit();
    lamp.grows_well().await;
    let heads: Vec<_> = (0..100).map(|_| lamp.connect()).collect();
    let bodies: Vec<_> = (0..100).map(|_| lamp.connect()).collect();
    for mut head in &heads {
        head.write_all(b"GET / HTTP/1.1\r\nHost: x\r\nX-A: ").unwrap();
    }
    for mut body in &bodies {
        let head = "POST /api/v1/plans HTTP/1.1\r\nHost: x\r\nContent-Length: 200000\r\n\r\n{";
        body.write_all(head.as_bytes()).unwrap();
    }
    assert!(lamp.is_well().await, "others are answered meanwhile");
    for body in bodies {
        let said = to_the_end(body).expect("a slow body is given up");
        assert!(said.starts_with("HTTP/1.1 408 "), "{said}");
    }
    for head in heads {
        to_the_end(head).expect("a slow head is given up");
    }
    assert!(lamp.is_well().await);
    assert!(lamp.peak_kb() < MOST_KB, "{} kB", lamp.peak_kb());
}

/// More heads that never end than there are seats, all from one address, as behind a web server on
/// this machine: others are answered at once, and nobody who is being answered is shown out.
#[tokio::test(flavor = "multi_thread")]
async fn heads_that_never_end_take_no_seat_from_those_who_speak() {
    let lamp = Lamp::lit_in(World::new(), Some(USUAL_FILES));
    lamp.grows_well().await;
    let mut speaks = lamp.connect();
    let head = format!(
        "POST /api/v1/review HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer {}\r\n\
         Content-Type: application/json\r\nContent-Length: 2\r\nConnection: close\r\n\r\n{{",
        lamp.key
    );
    speaks.write_all(head.as_bytes()).unwrap();
    let mut heads: Vec<_> = (0..700)
        .map(|_| {
            let mut head = lamp.connect();
            // It may be shown out already.
            let _ = head.write_all(b"GET / HTTP/1.1\r\nHost: x\r\nX-A: ");
            head
        })
        .collect();
    for _ in 0..20 {
        // A client of its own each time: none of them sits on a connection that is kept.
        let answer = client(None).get(format!("{}/healthz", lamp.world.base_url)).send().await;
        assert_eq!(answer.unwrap().status(), StatusCode::OK);
    }
    speaks.write_all(b"}").unwrap();
    let said = to_the_end(speaks).expect("an answer");
    assert!(said.starts_with("HTTP/1.1 422 "), "{said}");
    // The oldest have made room.
    let first = to_the_end(heads.swap_remove(0)).expect("shown out");
    assert!(!first.contains("200"), "{first}");
}

/// The same with bodies: a head costs a line, and must not buy a seat for as long as a body may take.
#[tokio::test(flavor = "multi_thread")]
async fn bodies_that_never_end_take_no_seat_from_those_who_say_all() {
    let lamp = Lamp::lit_in(World::new(), Some(USUAL_FILES));
    lamp.grows_well().await;
    let head = "POST /contact/x HTTP/1.1\r\nHost: x\r\nContent-Length: 200\r\n\r\na";
    let bodies: Vec<_> = (0..700)
        .map(|_| {
            let mut body = lamp.connect();
            // It may be shown out already.
            let _ = body.write_all(head.as_bytes());
            body
        })
        .collect();
    for _ in 0..20 {
        let answer = client(None).get(format!("{}/healthz", lamp.world.base_url)).send().await;
        assert_eq!(answer.unwrap().status(), StatusCode::OK);
    }
    drop(bodies);
}

/// Connections are files, and so are letters and the database: people who come and stay by the
/// hundred leave enough of them for an alert.
#[tokio::test(flavor = "multi_thread")]
async fn with_few_files_to_open_alerts_go_out_beside_a_crowd() {
    let lamp = Lamp::lit_in(with_a_short_ladder(), Some(FEW_FILES));
    lamp.grows_well().await;
    lamp.file_for_soon().await;
    let (end, address) = (Arc::new(AtomicBool::new(false)), lamp.address());
    let crowd = std::thread::spawn({
        let end = Arc::clone(&end);
        move || {
            let mut held = VecDeque::new();
            while !end.load(Ordering::Relaxed) {
                if let Ok(stream) = TcpStream::connect(&address) {
                    let _ = (&stream).write_all(b"GET / HTTP/1.1\r\nHost: x\r\nX-A: ");
                    held.push_back(stream);
                }
                if held.len() > 300 {
                    held.pop_front();
                }
                std::thread::sleep(Duration::from_millis(5));
            }
        }
    });
    let (alerted, mut well) = (lamp.has_written("call-rescue").await, false);
    // Of four seats one is lost within 20 ms where the machine is busy: whoever asks again is heard.
    for _ in 0..5 {
        well = well || lamp.is_well().await;
    }
    end.store(true, Ordering::Relaxed);
    crowd.join().unwrap();
    assert!(alerted, "no alert in time");
    assert!(well, "and it is well");
}

/// Anybody on the machine can take a port above 1023 while the service is down for a moment.
#[tokio::test(flavor = "multi_thread")]
async fn whoever_takes_its_port_keeps_no_alert_back() {
    let mut lamp = Lamp::lit_in(with_a_short_ladder(), None);
    lamp.grows_well().await;
    lamp.file_for_soon().await;
    lamp.process.kill().unwrap();
    lamp.process.wait().unwrap();
    let taker = std::net::TcpListener::bind(lamp.address()).unwrap();
    lamp.process = start(&lamp.world, None);
    assert!(lamp.has_written("call-rescue").await, "no alert in time");
    assert!(lamp.has_written("trouble").await, "the keeper is told");
    drop(taker);
    lamp.grows_well().await;
    // Where nobody is out, whoever starts it hears why it can't.
    let (world, taken) = (World::new(), std::net::TcpListener::bind("127.0.0.1:0").unwrap());
    let settings = world.path("shorelamp.toml");
    let port = taken.local_addr().unwrap().to_string();
    let text = fs::read_to_string(&settings).unwrap();
    fs::write(&settings, text.replace(world.base_url.trim_start_matches("http://"), &port))
        .unwrap();
    let letters = || fs::read_dir(world.path("var/outgoing")).map_or(0, Iterator::count);
    for _ in 0..3 {
        assert_eq!(world.run(&["serve"]).code, 69);
        assert_eq!(letters(), 1, "the keeper is told, once however often it is started");
    }
    let letter = fs::read_dir(world.path("var/outgoing")).unwrap().next().unwrap().unwrap();
    let letter = fs::read_to_string(letter.path()).unwrap();
    let letter = letter.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(letter.contains("revoke their keys"), "{letter}");
    drop(taken);
    let (mut again, began) = (start(&world, None), Instant::now());
    while world.path("var/start-failed").exists() {
        assert!(began.elapsed() < PATIENCE);
        std::thread::sleep(Duration::from_millis(50));
    }
    again.kill().unwrap();
    again.wait().unwrap();
    let _taken = std::net::TcpListener::bind(port).unwrap();
    assert_eq!(world.run(&["serve"]).code, 69);
    assert_eq!(letters(), 2, "it has run since");
}

#[tokio::test(flavor = "multi_thread")]
async fn large_and_deep_bodies_cost_little() {
    let lamp = Lamp::lit();
    lamp.grows_well().await;
    let deep_json = "[".repeat(250_000).into_bytes();
    assert_eq!(lamp.post("application/json", deep_json).await, StatusCode::UNPROCESSABLE_ENTITY);
    let deep_objects = "{\"a\":".repeat(50_000).into_bytes();
    assert_eq!(lamp.post("application/json", deep_objects).await, StatusCode::UNPROCESSABLE_ENTITY);
    let deep_toml = format!("a = {}", "[".repeat(250_000)).into_bytes();
    assert_eq!(lamp.post("application/toml", deep_toml).await, StatusCode::UNPROCESSABLE_ENTITY);
    let dotted = format!("{}a = 1", "a.".repeat(100_000)).into_bytes();
    assert_eq!(lamp.post("application/toml", dotted).await, StatusCode::UNPROCESSABLE_ENTITY);
    let many = format!("{{{}}}", vec!["\"crew\":[]"; 20_000].join(",")).into_bytes();
    assert_eq!(lamp.post("application/json", many).await, StatusCode::UNPROCESSABLE_ENTITY);
    let large = (0..24).map(|_| lamp.post("application/json", vec![b' '; 8 << 20]));
    let large = futures_all(large.collect()).await;
    assert!(large.iter().all(|status| *status == StatusCode::PAYLOAD_TOO_LARGE), "{large:?}");
    let heads: Vec<_> = (0..50).map(|_| lamp.connect()).collect();
    for mut head in &heads {
        // Whatever becomes of it: it may be shown out before its end.
        let _ = head.write_all(b"GET / HTTP/1.1\r\nHost: x\r\nX-A: ");
        let _ = head.write_all(&[b'a'; 256 * 1024]);
    }
    drop(heads);
    assert!(lamp.is_well().await);
    assert!(lamp.peak_kb() < MOST_KB, "{} kB", lamp.peak_kb());
}

/// One after the other in one task, but all under way at once.
async fn futures_all<F: Future + Send>(futures: Vec<F>) -> Vec<F::Output> {
    let mut futures: Vec<_> = futures.into_iter().map(Box::pin).collect();
    let mut done: Vec<Option<F::Output>> = futures.iter().map(|_| None).collect();
    std::future::poll_fn(|context| {
        for (future, done) in futures.iter_mut().zip(&mut done) {
            if done.is_none()
                && let std::task::Poll::Ready(output) = future.as_mut().poll(context)
            {
                *done = Some(output);
            }
        }
        match done.iter().all(Option::is_some) {
            true => std::task::Poll::Ready(()),
            false => std::task::Poll::Pending,
        }
    })
    .await;
    done.into_iter().flatten().collect()
}

/// The "billion laughs" (CVE-2003-1564) and an external entity (CWE-611), in a route's file.
#[test]
fn xml_bombs_in_a_route_are_refused() {
    let world = World::new();
    let mut laughs = String::from("<!DOCTYPE gpx [<!ENTITY a0 \"ha\">");
    for at in 1..10 {
        let ten = format!("&a{};", at - 1).repeat(10);
        laughs.push_str(&format!("<!ENTITY a{at} \"{ten}\">"));
    }
    let route = |entity: &str| {
        format!(
            "<gpx version=\"1.1\" creator=\"x\"><rte><rtept lat=\"48.55\" lon=\"-123.2\">\
             <name>{entity}</name></rtept></rte></gpx>"
        )
    };
    let laughs = format!("{laughs}]>{}", route("&a9;"));
    let outside =
        format!("<!DOCTYPE gpx [<!ENTITY x SYSTEM \"file:///etc/passwd\">]>{}", route("&x;"));
    for bomb in [laughs, outside] {
        world.write("route.gpx", &bomb);
        let plan = format!("route_file = \"route.gpx\"\n{}", world::plan());
        let plan = world.write("plan.toml", &plan);
        let ended = world.run(&["review", plan.to_str().unwrap(), "--json"]);
        assert_eq!(ended.code, 65, "{ended:?}");
        assert!(ended.err.contains("route.gpx"), "{ended:?}");
        assert!(!ended.err.contains("root:"), "{ended:?}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn the_pages_are_served_over_tls_and_a_bad_certificate_stops_no_alert() {
    let world = World::new();
    let settings = fs::read_to_string(world.path("shorelamp.toml")).unwrap();
    let base_url = world.base_url.replace("http://127.0.0.1", "https://localhost");
    let settings = settings.replace(
        &format!("base_url = \"{}\"", world.base_url),
        &format!("base_url = \"{base_url}\"\nsecurity_contact = \"keeper@example.org\""),
    );
    let tls = "[service.tls]\ncertificate = \"certificate.pem\"\nkey = \"key.pem\"\n";
    world.write("shorelamp.toml", &format!("{settings}\n{tls}"));
    world.write("certificate.pem", "no certificate");
    let process = start(&world, None);
    let key = world.key(&[]);
    let made = rcgen::generate_simple_self_signed(vec!["localhost".to_owned()]).unwrap();
    let lamp = Lamp { world, process, key, http: client(Some(&made.cert.pem())) };

    // The keeper is told, and nothing else stops.
    let folder = lamp.world.path("var/outgoing");
    let began = Instant::now();
    let told = || {
        let letters = fs::read_dir(&folder).ok().into_iter().flatten().flatten();
        letters
            .map(|one| fs::read_to_string(one.path()).unwrap_or_default())
            .any(|letter| letter.contains("certificate"))
    };
    while !told() {
        assert!(began.elapsed() < PATIENCE);
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    assert!(lamp.http.get(format!("{base_url}/healthz")).send().await.is_err());

    lamp.world.write("key.pem", &made.signing_key.serialize_pem());
    lamp.world.write("certificate.pem", &made.cert.pem());
    let began = Instant::now();
    let home = loop {
        match lamp.http.get(format!("{base_url}/key/{}", lamp.key)).send().await {
            Ok(home) => break home,
            Err(error) => assert!(began.elapsed() < PATIENCE, "{error:?}"),
        }
        tokio::time::sleep(Duration::from_millis(200)).await;
    };
    let headers = home.headers();
    assert!(headers["set-cookie"].to_str().unwrap().starts_with("__Host-shorelamp="));
    // RFC 6797; a year is what ASVS 5.0, 3.4.1 asks for.
    assert_eq!(headers["strict-transport-security"], "max-age=31536000");

    // RFC 9116: 2.5.3 Contact and 2.5.5 Expires stand once at least, and once; 2.5.5: less than a
    // year ahead; 3: in UTF-8 plain text.
    let contact = lamp.http.get(format!("{base_url}/.well-known/security.txt")).send().await;
    let contact = contact.unwrap();
    assert_eq!(contact.headers()["content-type"], "text/plain; charset=utf-8");
    let text = contact.text().await.unwrap();
    let field = |name: &str| {
        let found: Vec<_> = text.lines().filter_map(|line| line.strip_prefix(name)).collect();
        assert_eq!(found.len(), 1, "{name} in {text}");
        found[0].to_owned()
    };
    assert_eq!(field("Contact: "), "mailto:keeper@example.org");
    let expires: chrono::DateTime<chrono::Utc> = field("Expires: ").parse().unwrap();
    let ahead = expires - chrono::Utc::now();
    assert!(ahead > chrono::TimeDelta::days(60) && ahead < chrono::TimeDelta::days(365));

    // Without TLS nobody gets a word on that port.
    let mut plain = lamp.connect();
    plain.write_all(b"GET /healthz HTTP/1.1\r\nHost: localhost\r\n\r\n").unwrap();
    assert!(!to_the_end(plain).expect("closed").contains("HTTP/1.1 200"));
}
