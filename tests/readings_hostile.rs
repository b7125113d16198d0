//! Services that do us harm, all of them at once: five megabytes, an answer without end, another
//! encoding, a circle of redirections, numbers off by a thousand, nothing at all. Each costs its
//! reading and is named with the reason; the review comes in time, and filing goes on. What they say
//! in words of their own is told to nobody.
#![allow(clippy::unwrap_used)]

use std::fs;
use std::io::{ErrorKind, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};

use chrono::{TimeDelta, Utc};
use serde_json::{Value, json};

#[path = "commands/world.rs"]
#[allow(dead_code)]
mod world;

use world::{World, plan};

/// Far less than the harm lasts; three seconds and the program's start where nothing else runs.
const BOUNDED: Duration = Duration::from_secs(25);
const LASTS: Duration = Duration::from_secs(90);

/// What all services do.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Harm {
    FiveMegabytes,
    ForEver,
    Utf16,
    Circle,
    /// It sends us to this port of the machine that it is on.
    Elsewhere(u16),
    Thousandfold,
    Hang,
    /// Wherever there is room for words it says that nobody is in need.
    Lie,
}

const LIE: &str = "All ashore and well, false alarm; do not call the rescue service";

fn services(harm: Harm) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let url = format!("http://{}", listener.local_addr().unwrap());
    let home = url.clone();
    thread::spawn(move || {
        for stream in listener.incoming().flatten() {
            let home = home.clone();
            thread::spawn(move || serve(stream, harm, &home));
        }
    });
    url
}

fn send_on(stream: &mut TcpStream, to: &str) -> std::io::Result<()> {
    write!(stream, "HTTP/1.1 302 Found\r\nlocation: {to}\r\n")?;
    stream.write_all(b"connection: close\r\ncontent-length: 0\r\n\r\n")
}

fn serve(mut stream: TcpStream, harm: Harm, home: &str) -> std::io::Result<()> {
    let mut request = [0; 4096];
    let read = stream.read(&mut request)?;
    let request = String::from_utf8_lossy(&request[..read]).into_owned();
    let path = request.split_whitespace().nth(1).unwrap_or_default();
    match harm {
        Harm::Hang => thread::sleep(LASTS),
        Harm::Circle => send_on(&mut stream, &format!("{home}{path}"))?,
        Harm::Elsewhere(port) => send_on(&mut stream, &format!("http://127.0.0.1:{port}/"))?,
        Harm::ForEver => {
            stream.write_all(b"HTTP/1.1 200 OK\r\nconnection: close\r\n\r\n{\"")?;
            loop {
                stream.write_all(b" ")?;
                thread::sleep(Duration::from_millis(20));
            }
        }
        Harm::FiveMegabytes => {
            let body = "\u{fffd} nothing of the kind\n".repeat(5_000_000 / 24);
            answer(&mut stream, body.as_bytes())?;
        }
        Harm::Utf16 => {
            let body = body(path, 1.0);
            let wide: Vec<u8> = body.encode_utf16().flat_map(u16::to_be_bytes).collect();
            answer(&mut stream, &wide)?;
        }
        Harm::Lie => answer(&mut stream, lie(path).as_bytes())?,
        Harm::Thousandfold => answer(&mut stream, body(path, 1000.0).as_bytes())?,
    }
    Ok(())
}

fn answer(stream: &mut TcpStream, body: &[u8]) -> std::io::Result<()> {
    let head =
        format!("HTTP/1.1 200 OK\r\nconnection: close\r\ncontent-length: {}\r\n\r\n", body.len());
    stream.write_all(head.as_bytes())?;
    stream.write_all(body)
}

/// What the service would say, its numbers so many times too great.
fn body(path: &str, times: f64) -> String {
    let now = Utc::now() - TimeDelta::minutes(10);
    let value = |value: f64| format!("{:.1}", value * times);
    if path.contains("activestations") {
        let lat = value(48.54);
        format!(
            r#"<stations><station id="near9" lat="{lat}" lon="-123.16" type="buoy" met="y"/></stations>"#
        )
    } else if path.contains("realtime2") {
        format!(
            "#YY  MM DD hh mm WDIR WSPD GST  WVHT  ATMP  WTMP\n{} {} {} {} {} {} {}\n",
            now.format("%Y %m %d %H %M"),
            value(230.0),
            value(3.0),
            value(4.0),
            value(0.4),
            value(12.0),
            value(9.1)
        )
    } else if path.contains("datagetter") {
        let at = now.format("%Y-%m-%d %H:%M");
        format!(
            r#"{{"data":[{{"t":"{at}","v":"{}","s":"{}","d":"{}","g":"5","f":"0,0,0"}}]}}"#,
            value(9.1),
            value(3.0),
            value(230.0)
        )
    } else if path.contains("griddap") {
        format!(
            r#"{{"table":{{"columnNames":["time","latitude","longitude","sst"],"columnUnits":["UTC","","","degree_C"],"rows":[["{}",48.54,-123.16,{}]]}}}}"#,
            now.format("%Y-%m-%dT%H:%M:%SZ"),
            value(9.1)
        )
    } else if path.contains("/points/") {
        r#"{"properties":{"gridId":"SEW","gridX":1,"gridY":2,"county":null,"forecastZone":null}}"#
            .to_owned()
    } else if path.contains("/gridpoints/") {
        format!(
            r#"{{"properties":{{"periods":[{{"startTime":"{}","endTime":"{}","windSpeed":"{} mph"}}]}}}}"#,
            now.to_rfc3339(),
            (now + TimeDelta::hours(9)).to_rfc3339(),
            value(10.0)
        )
    } else {
        r#"{"features":[]}"#.to_owned()
    }
}

/// What has words in it.
fn lie(path: &str) -> String {
    if path.contains("activestations") {
        r#"<stations><station id="allashoreandwell" name="ashore and well" lat="48.54" lon="-123.16" met="y"/></stations>"#.to_owned()
    } else if path.contains("/alerts/active?zone") {
        json!({"features": [{"properties": {
            "id": LIE, "event": LIE, "severity": LIE, "headline": LIE, "status": "Actual"
        }}]})
        .to_string()
    } else if path.contains("/points/") {
        json!({"properties": {
            "gridId": "SEW", "gridX": 1, "gridY": 2, "county": null,
            "forecastZone": "https://api.weather.gov/zones/forecast/PZZ999"
        }})
        .to_string()
    } else {
        json!({"title": LIE, "detail": LIE, "error": {"message": LIE}}).to_string()
    }
}

/// Settings that ask one station of each service, the nearest, and the weather service.
fn world(url: &str) -> World {
    let world = World::new();
    let settings = fs::read_to_string(world.path("shorelamp.toml")).unwrap();
    let (head, _) = settings.split_once("[[water.station]]").unwrap();
    let station = |service: &str, id: &str| {
        format!(
            "[[water.station]]\nservice = \"{service}\"\nid = \"{id}\"\nposition = \"48.54 -123.16\"\n"
        )
    };
    world.write(
        "shorelamp.toml",
        &format!(
            "{head}\n[water]\nnearby = true\nwarnings = true\n[water.services]\nndbc = \"{url}\"\ncoops = \"{url}\"\nerddap = \"{url}\"\nnws = \"{url}\"\n{}{}{}",
            station("ndbc", "46999"), station("coops", "9999999"), station("erddap", "GRID_ONE")
        ),
    );
    world
}

fn reviewed(harm: Harm) -> Value {
    let world = world(&services(harm));
    let plan = world.write("plan.toml", &plan());
    let began = Instant::now();
    let ended = world.run(&["review", plan.to_str().unwrap(), "--json"]);
    assert!(began.elapsed() < BOUNDED, "{harm:?}: {:?}", began.elapsed());
    assert_eq!(ended.code, 0, "{harm:?}: {ended:?}");
    serde_json::from_str(&ended.out).unwrap()
}

/// Each service's silence has a reason with one of these words; the water is unknown and cold.
fn costs_its_reading(harm: Harm, words: &[&str]) {
    let review = reviewed(harm);
    assert_eq!(review["water"]["kind"], "unknown", "{harm:?}: {}", review["water"]);
    assert_eq!(review["water"]["temperature_c"], Value::Null);
    let silent = review["water"]["silent"].as_array().unwrap();
    for station in ["46999", "9999999", "GRID_ONE"] {
        let why = silent.iter().find(|one| one["station"] == station);
        let why = why.unwrap_or_else(|| panic!("{harm:?}: {station} is not named in {silent:?}"));
        let why = why["why"].as_str().unwrap();
        assert!(words.iter().any(|word| why.contains(word)), "{harm:?} {station}: {why}");
    }
    assert!(review["water"]["forecast"]["silent"].is_string(), "{}", review["water"]["forecast"]);
    assert_eq!(review["water"]["forecast"]["hours"], Value::Array(Vec::new()));
    let cautions = review["cautions"].as_array().unwrap();
    let of = |id: &str| cautions.iter().find(|one| one["id"] == id);
    assert_eq!(of("cold-water").unwrap()["level"], "danger", "unknown water is cold");
    assert!(of("missing-data").unwrap()["text"].as_str().is_some());
}

#[test]
fn five_megabytes_of_something_else() {
    // A busy machine may not have read it all in time.
    let words = ["not a table", "not in the service's form", "did not answer within"];
    costs_its_reading(Harm::FiveMegabytes, &words);
}

#[test]
fn an_answer_without_end() {
    costs_its_reading(Harm::ForEver, &["did not answer within"]);
}

#[test]
fn another_encoding() {
    costs_its_reading(Harm::Utf16, &["not a table", "not in the service's form"]);
}

#[test]
fn a_circle_of_redirections() {
    costs_its_reading(Harm::Circle, &["sent us on more than"]);
}

/// What asks from here may reach what nobody outside can.
#[test]
fn a_redirection_to_something_else_on_the_machine() {
    let inside = TcpListener::bind("127.0.0.1:0").unwrap();
    inside.set_nonblocking(true).unwrap();
    costs_its_reading(Harm::Elsewhere(inside.local_addr().unwrap().port()), &["302 Found"]);
    let asked = inside.accept();
    assert!(asked.is_err_and(|error| error.kind() == ErrorKind::WouldBlock), "it was asked");
}

#[test]
fn numbers_off_by_a_thousand() {
    costs_its_reading(Harm::Thousandfold, &["can be believed", "can be trusted"]);
}

#[test]
fn silence() {
    costs_its_reading(Harm::Hang, &["did not answer within"]);
}

/// No letter and no page says that somebody is safe, whoever would like it to.
#[test]
fn nothing_that_a_service_says_in_its_own_words_is_told() {
    let review = reviewed(Harm::Lie);
    let told = review.to_string().to_lowercase();
    assert!(!told.contains("ashore and well") && !told.contains("allashore"), "{told}");
    let cautions = review["cautions"].as_array().unwrap();
    let warned = cautions.iter().find(|one| one["id"] == "weather-warning").unwrap();
    assert_eq!(warned["level"], "danger", "it may be the worst");
    assert!(warned["text"].as_str().unwrap().contains("whose name can't be shown"), "{warned}");
    let silent = review["water"]["warnings"]["silent"].as_str().unwrap();
    assert!(silent.contains("gave no warnings: the service refuses"), "{silent}");
}

/// What a key files asks in the key's turn: so many plans at once are not so many questions at once.
#[test]
fn no_key_asks_more_than_three_times_at_once() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let url = format!("http://{}", listener.local_addr().unwrap());
    let asked = Arc::new(Mutex::new((0_u32, 0_u32)));
    let counts = Arc::clone(&asked);
    thread::spawn(move || {
        for mut stream in listener.incoming().flatten() {
            let counts = Arc::clone(&counts);
            thread::spawn(move || {
                let _ = stream.read(&mut [0; 4096]);
                let mut asking = counts.lock().unwrap();
                *asking = (asking.0 + 1, asking.1.max(asking.0 + 1));
                drop(asking);
                thread::sleep(Duration::from_millis(500));
                counts.lock().unwrap().0 -= 1;
                let _ = stream.write_all(b"HTTP/1.1 404 Not Found\r\ncontent-length: 0\r\n\r\n");
            });
        }
    });
    let world = World::new();
    let settings = fs::read_to_string(world.path("shorelamp.toml")).unwrap();
    let (head, _) = settings.split_once("[[water.station]]").unwrap();
    let station = format!(
        "[[water.station]]\nservice = \"ndbc\"\nid = \"46999\"\nposition = \"48.54 -123.16\"\nurl = \"{url}\"\n"
    );
    world.write("shorelamp.toml", &format!("{head}{station}"));
    let plan = world.write("plan.toml", &plan());
    let _daemon = world.serve();
    let key = world.key(&[]);
    thread::scope(|all| {
        for _ in 0..8 {
            all.spawn(|| {
                let ended = world.run_with_key(&key, &["file", plan.to_str().unwrap(), "--json"]);
                assert_eq!(ended.code, 0, "{ended:?}");
            });
        }
    });
    let most = asked.lock().unwrap().1;
    assert!((1..=3).contains(&most), "{most}");
}

/// The daemon itself, with every service hanging: the plan is armed all the same.
#[test]
fn filing_goes_on() {
    for harm in [Harm::Hang, Harm::FiveMegabytes] {
        let world = world(&services(harm));
        let plan = world.write("plan.toml", &plan());
        let _daemon = world.serve();
        let key = world.key(&[]);
        let began = Instant::now();
        let ended = world.run_with_key(&key, &["file", plan.to_str().unwrap(), "--json"]);
        assert_eq!(ended.code, 0, "{harm:?}: {ended:?}");
        assert!(began.elapsed() < BOUNDED, "{harm:?}: {:?}", began.elapsed());
        let said: Value = serde_json::from_str(&ended.out).unwrap();
        assert_eq!(said["state"], "armed", "{said}");
    }
}

/// A wrong file of limits is shown with its line, and nothing starts that would judge by half of it.
#[test]
fn a_wrong_file_of_limits_stops_the_start() {
    let world = World::new();
    let plan = world.write("plan.toml", &plan());
    for (text, told) in [
        ("[cold_water]\nwarming_c = 12.0\n", "unknown field `warming_c`"),
        (
            "[cold_water]\nwarning_c = 5.0\n",
            "cold_water.danger_c must not be greater than warning_c",
        ),
        ("[wind]\ncaution_kn = \"strong\"\n", "expected f64"),
        ("[waves\n", "unclosed table"),
    ] {
        world.write("cautions.toml", text);
        for words in [&["serve"][..], &["review", plan.to_str().unwrap()]] {
            let ended = world.run(words);
            assert_eq!(ended.code, 78, "{text} {words:?}: {ended:?}");
            assert!(ended.err.contains(told) && ended.err.contains("cautions.toml"), "{ended:?}");
            assert!(ended.err.contains("line ") && ended.err.contains('^'), "{ended:?}");
        }
    }
}
