//! Four services at once, one of them hanging; what was heard is kept over a restart, marked
//! questions cost nothing, and who fails is not asked again at once. Values and names are invented.

#![allow(clippy::expect_used)]

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use shorelamp::conditions::{Service, Station};
use shorelamp::fetch::{Asker, Heard, Homes, Questions};
use shorelamp::measure::Position;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

const TABLE: &str = "\
#YY  MM DD hh mm WDIR WSPD GST  WVHT   DPD   APD MWD   PRES  ATMP  WTMP  DEWP  VIS PTDY  TIDE
2026 06 14 12 00 230  3.0  5.0    MM    MM    MM  MM 1015.6  12.7   9.1  11.1   MM   MM    MM
";
const LIST: &str = r#"<stations>
<station id="near1" lat="48.51" lon="-123.1" type="buoy" met="y"/>
<station id="far01" lat="30.0" lon="-80.0" type="buoy" met="y"/></stations>"#;
const WATER: &str = r#"{"data":[{"t":"2026-06-14 12:00","v":"11.4","f":"0,0,0"}]}"#;
const GRID: &str = r#"{"table":{"columnNames":["time","latitude","longitude","sst"],
"columnUnits":["UTC","degrees_north","degrees_east","degree_C"],
"rows":[["2026-06-14T12:00:00Z",48.5,-123.1,10.5]]}}"#;
const PLACE: &str = r#"{"properties":{"county":null,
"forecastZone":"https://api.weather.gov/zones/forecast/PZZ999"}}"#;
const ALERTS: &str = r#"{"features":[{"properties":{"id":"a","event":"Gale Warning",
"status":"Actual","messageType":"Alert","severity":"Severe"}}]}"#;
/// As the weather service tells of its own errors, which are common and gone at the next request
/// (its public issue list; RFC 9457).
const STUMBLED: &str = r#"{"title":"Unexpected Problem",
"type":"https://api.weather.gov/problems/UnexpectedProblem","status":500}"#;
const NONE: &str = r#"{"error":{"message":" No data was found. This product may not be offered at this station at the requested time.\n"}}"#;

/// A stand-in for all services, and how often each path was asked for.
#[derive(Clone, Default)]
struct StandIn {
    asked: Arc<Mutex<BTreeMap<String, u32>>>,
    down: Arc<AtomicBool>,
}

impl StandIn {
    async fn listen(&self) -> String {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
        let url = format!("http://{}", listener.local_addr().expect("its address"));
        let this = self.clone();
        tokio::spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                tokio::spawn(this.clone().serve(stream));
            }
        });
        url
    }

    fn asked(&self, part: &str) -> u32 {
        let asked = self.asked.lock().expect("counts");
        asked.iter().filter(|(path, _)| path.contains(part)).map(|(_, count)| count).sum()
    }

    async fn serve(self, mut stream: TcpStream) -> std::io::Result<()> {
        let mut request = [0; 4096];
        let read = stream.read(&mut request).await?;
        let request = String::from_utf8_lossy(&request[..read]).to_lowercase();
        let path = request.split_whitespace().nth(1).unwrap_or_default().to_owned();
        let asked_before = self.asked(&path);
        *self.asked.lock().expect("counts").entry(path.clone()).or_default() += 1;
        let (status, body) = match path.as_str() {
            path if path.contains("hang01") => {
                tokio::time::sleep(Duration::from_secs(60)).await;
                ("200 OK", "")
            }
            _ if self.down.load(Ordering::Relaxed) => ("503 Service Unavailable", "down"),
            path if path.contains("fail01") => ("503 Service Unavailable", "later"),
            path if path.contains("marked") && request.contains("if-none-match: \"one\"") => {
                ("304 Not Modified", "")
            }
            path if path.contains("realtime2") => ("200 OK", TABLE),
            path if path.contains("activestations") => ("200 OK", LIST),
            path if path.contains("product=water_temperature") => ("200 OK", WATER),
            path if path.contains("product=wind") => ("400 Bad Request", NONE),
            path if path.contains("griddap") => ("200 OK", GRID),
            path if path.contains("/points/") && path.contains("48.6") && asked_before == 0 => {
                ("500 Internal Server Error", STUMBLED)
            }
            path if path.contains("/points/") => ("200 OK", PLACE),
            path if path.contains("/alerts/active") => ("200 OK", ALERTS),
            _ => ("404 Not Found", "no"),
        };
        let head = format!(
            "HTTP/1.1 {status}\r\netag: \"one\"\r\nconnection: close\r\ncontent-length: {}\r\n\r\n",
            body.len()
        );
        stream.write_all(format!("{head}{body}").as_bytes()).await?;
        stream.shutdown().await
    }
}

fn station(service: Service, id: &str) -> Station {
    Station { service, id: id.to_owned(), position: route()[0], url: None }
}

fn route() -> Vec<Position> {
    vec![Position::new(48.5, -123.1).expect("a place")]
}

fn homes(url: &str) -> Homes {
    let home = Some(url.to_owned());
    Homes { ndbc: home.clone(), coops: home.clone(), erddap: home.clone(), nws: home }
}

fn asker(url: &str) -> Asker {
    Asker::new("keeper@example.org", Duration::from_millis(1400)).at(homes(url))
}

fn water_c(heard: &Heard) -> Vec<Option<f64>> {
    let said = heard.answers.iter().map(|answer| answer.said.as_ref().ok());
    said.map(|said| said.and_then(|said| said.water_c).map(|water| water.value)).collect()
}

#[tokio::test]
async fn four_services_at_once_one_hanging() {
    let stand_in = StandIn::default();
    let url = stand_in.listen().await;
    let wanted = Questions {
        stations: vec![
            station(Service::Ndbc, "hang01"),
            station(Service::Coops, "9999999"),
            station(Service::Erddap, "GRID_ONE"),
        ],
        nearby: true,
        within_m: 100_000.0,
        warnings: true,
    };
    let began = Instant::now();
    let heard = asker(&url).hear(&wanted, &route()).await;
    assert!(began.elapsed() < Duration::from_secs(30), "{:?}", began.elapsed());
    assert_eq!(water_c(&heard), [None, Some(11.4), Some(10.5), Some(9.1)]);
    assert_eq!(heard.answers[3].station.id, "NEAR1");
    let silent = heard.answers[0].said.as_ref().expect_err("it hangs");
    assert!(silent.contains("did not answer within 1.4 s"), "{silent}");
    let events: Vec<_> = heard.warnings.alerts.iter().map(|alert| alert.event.as_str()).collect();
    assert_eq!((events, heard.warnings.silent), (vec!["Gale Warning"], None));
}

#[tokio::test]
async fn a_list_and_warnings_that_cannot_be_had_are_told() {
    let wanted = Questions { nearby: true, within_m: 1e5, warnings: true, ..Questions::default() };
    let heard = asker("http://127.0.0.1:1").hear(&wanted, &route()).await;
    assert!(heard.silent[0].why.contains("could not be reached"), "{:?}", heard.silent);
    let silent = heard.warnings.silent.expect("why");
    assert!(heard.warnings.asked && silent.contains("could not be reached"), "{silent}");
}

#[tokio::test]
async fn what_was_heard_survives_a_restart() {
    let folder = tempfile::tempdir().expect("a folder");
    let stand_in = StandIn::default();
    let url = stand_in.listen().await;
    let stations = [station(Service::Ndbc, "ok01")];
    for _ in 0..2 {
        let answers = asker(&url).keeping_in(folder.path()).ask(&stations).await;
        assert!(answers[0].said.is_ok(), "{answers:?}");
    }
    assert_eq!(stand_in.asked("OK01".to_lowercase().as_str()), 1);
    // Whoever damages the folder costs us a question, no more.
    for entry in std::fs::read_dir(folder.path()).expect("files") {
        std::fs::write(entry.expect("a file").path(), "{").expect("written");
    }
    let answers = asker(&url).keeping_in(folder.path()).ask(&stations).await;
    assert!(answers[0].said.is_ok());
    assert_eq!(stand_in.asked("ok01"), 2);
}

/// Where somebody launches stands in what is asked; the folder around may be open to all.
#[tokio::test]
async fn what_is_kept_is_for_its_owner_alone() {
    use std::os::unix::fs::PermissionsExt;
    let mode = |path: &std::path::Path| {
        std::fs::metadata(path).expect("metadata").permissions().mode() & 0o777
    };
    let folder = tempfile::tempdir().expect("a folder");
    let readings = folder.path().join("readings");
    let url = StandIn::default().listen().await;
    asker(&url).keeping_in(&readings).ask(&[station(Service::Ndbc, "ok01")]).await;
    assert_eq!(mode(&readings), 0o700);
    let kept: Vec<_> = std::fs::read_dir(&readings).expect("files").flatten().collect();
    assert_eq!(kept.len(), 1);
    assert_eq!(mode(&kept[0].path()), 0o600);
}

/// Makes what was kept older than any freshness.
fn age(folder: &std::path::Path) {
    for entry in std::fs::read_dir(folder).expect("files") {
        let path = entry.expect("a file").path();
        let text = std::fs::read_to_string(&path).expect("a file");
        let mut kept: serde_json::Value = serde_json::from_str(&text).expect("JSON");
        kept["asked_at_s"] = 1_000_000.into();
        std::fs::write(&path, kept.to_string()).expect("written");
    }
}

#[tokio::test]
async fn an_unchanged_answer_is_asked_for_by_its_mark() {
    let folder = tempfile::tempdir().expect("a folder");
    let stand_in = StandIn::default();
    let url = stand_in.listen().await;
    let stations = [station(Service::Ndbc, "marked")];
    let asker = asker(&url).keeping_in(folder.path());
    asker.ask(&stations).await;
    age(folder.path());
    for _ in 0..2 {
        let answers = asker.ask(&stations).await;
        let said = answers[0].said.as_ref().expect("an answer");
        assert_eq!((said.water_c.map(|water| water.value), &said.kept), (Some(9.1), &None));
    }
    // The second is fresh again: the 304 renewed it.
    assert_eq!(stand_in.asked("marked"), 2);
}

#[tokio::test]
async fn who_fails_is_left_in_peace_and_what_was_kept_stands_in() {
    let folder = tempfile::tempdir().expect("a folder");
    let stand_in = StandIn::default();
    let url = stand_in.listen().await;
    let failing = [station(Service::Ndbc, "fail01")];
    let asker = asker(&url).keeping_in(folder.path());
    let first = asker.ask(&failing).await[0].said.clone().expect_err("it fails");
    let second = asker.ask(&failing).await[0].said.clone().expect_err("it fails");
    assert!(first.contains("503") && second.contains("not asked again for a while"), "{second}");
    assert_eq!(stand_in.asked("fail01"), 1);

    let stations = [station(Service::Ndbc, "ok01")];
    asker.ask(&stations).await;
    age(folder.path());
    stand_in.down.store(true, Ordering::Relaxed);
    let said = asker.ask(&stations).await[0].said.clone().expect("what was kept");
    assert_eq!(said.water_c.map(|water| water.value), Some(9.1));
    assert!(said.kept.is_some_and(|why| why.contains("503")));
}

#[tokio::test]
async fn a_weather_service_that_stumbles_is_asked_again_at_once() {
    let stand_in = StandIn::default();
    let url = stand_in.listen().await;
    let wanted = Questions { warnings: true, ..Questions::default() };
    let near_by = [Position::new(48.6, -123.15).expect("a position")];
    let heard = asker(&url).at(homes(&url)).hear(&wanted, &near_by).await;
    assert_eq!(heard.warnings.silent, None);
    assert_eq!(heard.warnings.alerts.len(), 1);
    assert_eq!(stand_in.asked("/points/48.6"), 2);
}
