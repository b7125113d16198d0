//! The wind forecast of the United States' weather service: bodies in the recorded form with
//! invented values, and what it does instead of answering.
#![allow(clippy::expect_used)]

use std::time::{Duration, Instant};

use chrono::{DateTime, Utc};
use proptest::prelude::*;
use shorelamp::conditions::forecast::{read_grid, read_hours};
use shorelamp::conditions::nws::NwsError;
use shorelamp::conditions::{Forecast, Wind};
use shorelamp::fetch::{Asker, Homes, Questions};
use shorelamp::measure::Position;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpListener;

fn utc(text: &str) -> DateTime<Utc> {
    DateTime::parse_from_rfc3339(text).expect("a time of this test").to_utc()
}

/// One hour of a forecast with this wind.
fn hours(speed: &str, gust: &str, direction: &str) -> String {
    format!(
        r#"{{"properties":{{"updateTime":"2026-06-14T10:00:00+00:00","periods":[{{"number":1,"name":"",
        "startTime":"2026-06-14T05:00:00-07:00","endTime":"2026-06-14T06:00:00-07:00","isDaytime":true,
        "temperature":61,"temperatureUnit":"F","windSpeed":{speed},"windGust":{gust},
        "windDirection":{direction},"shortForecast":"Sunny"}}]}}}}"#
    )
}

fn only(text: &str) -> Wind {
    let mut hours = read_hours(text).expect("an hour");
    assert_eq!(hours.len(), 1);
    hours.remove(0)
}

/// 5 mph are 4.34 kn, 10 mph 8.69, 15 mph 13.03 (1 mi = 1609.344 m, 1 nautical mile = 1852 m).
#[test]
fn speeds_come_in_every_documented_form() {
    for (speed, gust, speed_kn, gust_kn) in [
        (r#""5 mph""#, "null", 4.34, None),
        (r#""5 to 10 mph""#, r#""15 mph""#, 8.69, Some(13.03)),
        (r#""0 to 10 mph""#, r#""""#, 8.69, None),
        (
            r#"{"unitCode":"wmoUnit:km_h-1","value":18.52}"#,
            r#"{"unitCode":"wmoUnit:km_h-1","value":null}"#,
            10.0,
            None,
        ),
        (
            r#"{"unitCode":"wmoUnit:km_h-1","minValue":9.26,"maxValue":18.52}"#,
            r#"{"unitCode":"wmoUnit:m_s-1","value":10.28888}"#,
            10.0,
            Some(20.0),
        ),
    ] {
        let wind = only(&hours(speed, gust, r#""WSW""#));
        let round = |kn: f64| (kn * 100.0).round() / 100.0;
        assert_eq!((round(wind.speed_kn), wind.gust_kn.map(round)), (speed_kn, gust_kn), "{speed}");
        assert_eq!(wind.from_deg, Some(247.5));
        let of = wind.forecast_for.expect("its hour");
        assert_eq!(of.from, utc("2026-06-14T12:00:00Z"));
        assert_eq!(of.to, utc("2026-06-14T13:00:00Z"));
    }
    let lacking = hours(r#""5 mph""#, "null", r#""NW""#).replace(r#""windGust":null,"#, "");
    assert_eq!(only(&lacking).gust_kn, None, "the field may be left out");
    for direction in ["null", r#""""#, r#""VRB""#] {
        assert_eq!(only(&hours(r#""5 mph""#, "null", direction)).from_deg, None, "{direction}");
    }
}

/// Without a unit, in an unknown one, beyond any wind, or no number: no wind, never a calm.
#[test]
fn what_cannot_be_read_is_no_calm() {
    for speed in [
        r#""""#,
        r#""Calm""#,
        r#""10""#,
        "10",
        "null",
        r#""10 furlongs""#,
        r#""15000 mph""#,
        r#""NaN mph""#,
        r#"{"unitCode":"wmoUnit:km_h-1","value":null}"#,
        r#"{"unitCode":"wmoUnit:degC","value":9}"#,
        r#"{"value":9}"#,
    ] {
        assert_eq!(read_hours(&hours(speed, "null", r#""N""#)), Err(NwsError::NoWind), "{speed}");
    }
    let problem = r#"{"correlationId":"1d604a85","title":"Marine Forecast Not Supported",
        "type":"https://api.weather.gov/problems/MarineForecastNotSupported","status":404,
        "detail":"Forecasts for marine areas are not yet supported by this API."}"#;
    let refused = read_hours(problem).expect_err("a refusal").to_string();
    assert!(refused.contains("Marine Forecast Not Supported"), "{refused}");
    for text in ["", "[]", "{}", "Access Denied Reference #18.c968", r#"{"properties":{}}"#] {
        assert_eq!(read_hours(text), Err(NwsError::NotJson), "{text}");
    }
}

#[test]
fn a_place_names_its_cell_or_none() {
    let place = |grid: &str| format!(r#"{{"properties":{{{grid}}}}}"#);
    let grid = read_grid(&place(r#""gridId":"SEW","gridX":121,"gridY":95"#)).expect("a place");
    let path = grid.expect("a cell").path();
    assert_eq!(path, "/gridpoints/SEW/121,95/forecast/hourly");
    for none in [
        r#""gridId":null,"gridX":null,"gridY":null"#,
        r#""gridId":"../x","gridX":1,"gridY":2"#,
        r#""gridId":"SEW","gridX":1"#,
        "",
    ] {
        assert_eq!(read_grid(&place(none)), Ok(None), "{none}");
    }
    assert!(read_grid(&place(r#""gridId":"SEW","gridX":-1,"gridY":2"#)).is_err());
}

/// What the stand-in does when it is asked for the forecast.
#[derive(Clone, Copy)]
enum Does {
    Answer,
    Refuse,
    Fail,
    Hang,
}

async fn foreseen(does: Does) -> Forecast {
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let url = format!("http://{}", listener.local_addr().expect("its address"));
    tokio::spawn(async move {
        while let Ok((mut stream, _)) = listener.accept().await {
            tokio::spawn(async move {
                let mut request = [0; 4096];
                let read = stream.read(&mut request).await?;
                let request = String::from_utf8_lossy(&request[..read]).into_owned();
                let path = request.split_whitespace().nth(1).unwrap_or_default();
                let (status, body) = match (path, does) {
                    (path, _) if path.starts_with("/alerts/") => ("200 OK", r#"{"features":[]}"#.to_owned()),
                    ("/points/48.5,-123.1", _) => (
                        "200 OK",
                        r#"{"properties":{"gridId":"SEW","gridX":121,"gridY":95,"county":null,
                        "forecastZone":"https://api.weather.gov/zones/forecast/PZZ999"}}"#.to_owned(),
                    ),
                    ("/gridpoints/SEW/121,95/forecast/hourly", Does::Answer) => {
                        ("200 OK", hours(r#""5 to 20 mph""#, "null", r#""E""#))
                    }
                    (_, Does::Refuse) => (
                        "404 Not Found",
                        r#"{"title":"Marine Forecast Not Supported","status":404,"detail":"Not yet."}"#.to_owned(),
                    ),
                    (_, Does::Hang) => {
                        tokio::time::sleep(Duration::from_secs(60)).await;
                        return Ok(());
                    }
                    _ => ("500 Internal Server Error", "<html>Unexpected</html>".to_owned()),
                };
                let head = format!(
                    "HTTP/1.1 {status}\r\nconnection: close\r\ncontent-length: {}\r\n\r\n",
                    body.len()
                );
                stream.write_all(format!("{head}{body}").as_bytes()).await?;
                stream.shutdown().await
            });
        }
    });
    let homes = Homes { nws: Some(url), ..Homes::default() };
    let asker = Asker::new("keeper@example.org", Duration::from_millis(900)).at(homes);
    let wanted = Questions { warnings: true, ..Questions::default() };
    let began = Instant::now();
    let heard = asker.hear(&wanted, &[Position::new(48.5, -123.1).expect("a place")]).await;
    assert!(began.elapsed() < Duration::from_secs(30), "{:?}", began.elapsed());
    assert_eq!(heard.warnings.silent, None, "what befalls the forecast befalls no warning");
    heard.forecast
}

#[tokio::test]
async fn the_forecast_is_asked_of_the_place_s_cell() {
    let forecast = foreseen(Does::Answer).await;
    assert_eq!((forecast.asked, &forecast.silent), (true, &None));
    assert_eq!(forecast.hours[0].from_deg, Some(90.0));
    assert!((forecast.hours[0].speed_kn - 17.38).abs() < 0.01, "{forecast:?}");
    let (from, to) = (utc("2026-06-14T12:30:00Z"), utc("2026-06-14T15:00:00Z"));
    assert_eq!(forecast.during(from, to).count(), 1);
    assert_eq!(forecast.during(to, to).count(), 0);
    assert!(!forecast.reaches(to), "it ends before the return");
}

#[tokio::test]
async fn no_forecast_is_told_with_the_reason() {
    for (does, why) in [
        (Does::Refuse, "the service refuses: Marine Forecast Not Supported"),
        (Does::Fail, "answered `500"),
        (Does::Hang, "did not answer within 0.9 s"),
    ] {
        let forecast = foreseen(does).await;
        let silent = forecast.silent.expect("why");
        assert!(forecast.asked && forecast.hours.is_empty() && silent.contains(why), "{silent}");
    }
}

proptest! {
    #[test]
    fn no_text_brings_it_down(text in "\\PC{0,200}", speed in "\\PC{0,20}") {
        let _ = (read_grid(&text), read_hours(&text));
        let speed = serde_json::Value::from(speed).to_string();
        if let Ok(read) = read_hours(&hours(&speed, "null", "null")) {
            prop_assert!(read.iter().all(|wind| (0.0..=220.0).contains(&wind.speed_kn)));
        }
    }
}
