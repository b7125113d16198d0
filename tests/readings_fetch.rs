//! Asking a service that answers, fails, hangs, floods, and leads in circles.

#![allow(clippy::expect_used)]

use std::time::{Duration, Instant};

use shorelamp::conditions::{Answer, Service, Station};
use shorelamp::fetch::Asker;
use shorelamp::measure::Position;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

/// An invented reading in the form of NDBC's realtime2 files.
const TABLE: &str = "\
#YY  MM DD hh mm WDIR WSPD GST  WVHT   DPD   APD MWD   PRES  ATMP  WTMP  DEWP  VIS PTDY  TIDE
#yr  mo dy hr mn degT m/s  m/s     m   sec   sec degT   hPa  degC  degC  degC  nmi  hPa    ft
2026 06 14 12 00 230  3.0  5.0    MM    MM    MM  MM 1015.6  12.7   9.1  11.1   MM   MM    MM
";

/// A service on loopback that does to each station what its name says; gives its address.
async fn service() -> String {
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let url = format!("http://{}", listener.local_addr().expect("its address"));
    let home = url.clone();
    tokio::spawn(async move {
        while let Ok((stream, _)) = listener.accept().await {
            tokio::spawn(serve(stream, home.clone()));
        }
    });
    url
}

async fn serve(mut stream: TcpStream, home: String) -> std::io::Result<()> {
    let mut request = [0; 2048];
    let read = stream.read(&mut request).await?;
    let request = String::from_utf8_lossy(&request[..read]).into_owned();
    let path = request.split_whitespace().nth(1).unwrap_or_default();
    let name = path.trim_start_matches("/data/realtime2/").trim_end_matches(".txt");
    let ok =
        |body: &str| format!("HTTP/1.1 200 OK\r\ncontent-length: {}\r\n\r\n{body}", body.len());
    let unending = "HTTP/1.1 200 OK\r\nconnection: close\r\n\r\n";
    match name {
        "OK01" => stream.write_all(ok(TABLE).as_bytes()).await?,
        "AGENT" => {
            let agent = request.lines().find(|line| line.to_lowercase().starts_with("user-agent"));
            let named = agent.is_some_and(|agent| agent.contains("keeper@example.org"));
            stream.write_all(ok(if named { TABLE } else { "nobody" }).as_bytes()).await?;
        }
        "MOVED" => {
            let to = format!(
                "HTTP/1.1 302 Found\r\nlocation: {home}/data/realtime2/OK01.txt\r\ncontent-length: 0\r\n\r\n"
            );
            stream.write_all(to.as_bytes()).await?;
        }
        "LOOP" => {
            let to = format!(
                "HTTP/1.1 302 Found\r\nlocation: {home}/data/realtime2/LOOP.txt\r\ncontent-length: 0\r\n\r\n"
            );
            stream.write_all(to.as_bytes()).await?;
        }
        "HANG" => tokio::time::sleep(Duration::from_secs(60)).await,
        "DRIP" => {
            stream.write_all(unending.as_bytes()).await?;
            loop {
                stream.write_all(b"#").await?;
                tokio::time::sleep(Duration::from_millis(50)).await;
            }
        }
        "FLOOD" => {
            stream.write_all(unending.as_bytes()).await?;
            stream.write_all(TABLE.as_bytes()).await?;
            loop {
                stream.write_all(&[b'#'; 65_536]).await?;
                stream.write_all(b"\n").await?;
            }
        }
        "UTF16" => {
            let body: Vec<u8> = TABLE.encode_utf16().flat_map(u16::to_le_bytes).collect();
            let head = format!("HTTP/1.1 200 OK\r\ncontent-length: {}\r\n\r\n", body.len());
            stream.write_all(head.as_bytes()).await?;
            stream.write_all(&body).await?;
        }
        "LATIN" => {
            let body = [b"# caf\xe9\n", TABLE.as_bytes()].concat();
            let head = format!("HTTP/1.1 200 OK\r\ncontent-length: {}\r\n\r\n", body.len());
            stream.write_all(head.as_bytes()).await?;
            stream.write_all(&body).await?;
        }
        "CUT" => {
            let head = format!("HTTP/1.1 200 OK\r\ncontent-length: {}\r\n\r\n", TABLE.len() + 100);
            stream.write_all(head.as_bytes()).await?;
            stream.write_all(TABLE.as_bytes()).await?;
        }
        "NOISE" => stream.write_all(b"\x00\xff\xff what?\r\n\r\n").await?,
        _ => {
            let page = "<html><body>Not Found</body></html>";
            let head = format!("HTTP/1.1 404 Not Found\r\ncontent-length: {}\r\n\r\n", page.len());
            stream.write_all(format!("{head}{page}").as_bytes()).await?;
        }
    }
    stream.shutdown().await
}

async fn ask(ids: &[&str], url: &str) -> Vec<Answer> {
    let position = Position::new(48.332, -123.179).expect("a position");
    let stations: Vec<_> = ids
        .iter()
        .map(|id| Station {
            service: Service::Ndbc,
            id: (*id).to_owned(),
            position,
            url: Some(url.to_owned()),
        })
        .collect();
    Asker::new("keeper@example.org", Duration::from_millis(700)).ask(&stations).await
}

fn water_c(answer: &Answer) -> Option<f64> {
    answer.said.as_ref().ok().and_then(|said| said.water_c).map(|water| water.value)
}

#[tokio::test]
async fn whoever_can_be_understood_is() {
    // The list of stations spells names in lower case, the files in upper case.
    let ids = ["ok01", "AGENT", "MOVED", "FLOOD", "LATIN"];
    for answer in ask(&ids, &service().await).await {
        assert_eq!(water_c(&answer), Some(9.1), "{answer:?}");
    }
}

#[tokio::test]
async fn every_failure_is_a_fact_with_its_reason() {
    let expected = [
        ("GONE", "answered `404 Not Found`"),
        ("HANG", "did not answer within 0.7 s"),
        ("DRIP", "did not answer within 0.7 s"),
        ("LOOP", "sent us on more than 3 times"),
        ("UTF16", "not a table of observations"),
        ("CUT", "could not be reached"),
        ("NOISE", "could not be reached"),
        ("../x", "was not asked"),
    ];
    let ids = expected.map(|(id, _)| id);
    let answers = ask(&ids, &service().await).await;
    assert_eq!(answers.len(), expected.len());
    for (answer, (id, why)) in answers.iter().zip(expected) {
        assert_eq!(answer.station.id, id);
        let said = answer.said.as_ref().expect_err(id);
        assert!(said.contains(why), "{id}: {said}");
    }
}

#[tokio::test]
async fn nobody_waits_for_one_after_another() {
    let url = service().await;
    let began = Instant::now();
    let answers = ask(&["HANG", "DRIP", "HANG", "OK01", "HANG", "HANG"], &url).await;
    assert!(began.elapsed() < Duration::from_millis(5 * 700), "{:?}", began.elapsed());
    assert_eq!(answers.iter().filter_map(water_c).count(), 1);
}

#[tokio::test]
async fn where_nobody_listens_nobody_answers() {
    let answers = ask(&["OK01"], "http://127.0.0.1:1").await;
    assert!(answers[0].said.as_ref().is_err_and(|why| why.contains("could not be reached")));
    let answers = ask(&["OK01"], "not an address").await;
    assert!(answers[0].said.is_err());
}
