//! Very many who ask at once: what whoever asks too much is told, and that nobody else is.

use std::future::poll_fn;
use std::pin::Pin;
use std::task::Poll;

use futures_util::future::join_all;
use reqwest::StatusCode;
use serde_json::{Value, json};
use shorelamp::daemon::{Asked, TooMany, View};

use super::browser::form_of;
use super::house::{Lamp, plan, text};

type Waiting<'a> = Pin<Box<dyn Future<Output = Result<Option<View>, TooMany>> + Send + 'a>>;

/// Asks again and again, until the line is full, and is content to wait.
async fn fill<'a>(lamp: &'a Lamp, asked: Asked<'a>) -> (Vec<View>, Vec<Waiting<'a>>) {
    let (mut held, mut waiting) = (Vec::new(), Vec::new());
    loop {
        let mut one: Waiting<'a> = Box::pin(lamp.daemon.view(asked));
        if held.is_empty() {
            held.extend(one.await.unwrap());
            continue;
        }
        match poll_fn(|context| Poll::Ready(one.as_mut().poll(context))).await {
            Poll::Ready(Ok(_)) => panic!("its turn has not come"),
            Poll::Ready(Err(TooMany)) => return (held, waiting),
            Poll::Pending => waiting.push(one),
        }
    }
}

fn secret(link: &Value) -> &str {
    link.as_str().unwrap().rsplit('/').next().unwrap()
}

#[tokio::test]
async fn whoever_asks_too_often_by_a_link_is_told_so_and_nobody_else_is() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let crew = filed["links"]["crew"].as_str().unwrap();
    let page = text(lamp.get(crew).send().await.unwrap()).await;
    let (held, waiting) = fill(&lamp, Asked::Link(secret(&filed["links"]["crew"]))).await;
    // However the link is written.
    let (start, last) = crew.split_at(crew.len() - 1);
    let spelt = format!("{start}%{:02X}", last.as_bytes()[0]);
    for link in [crew.to_owned(), spelt, format!("{crew}/change")] {
        let refused = lamp.get(&link).send().await.unwrap();
        assert_eq!(refused.status(), StatusCode::TOO_MANY_REQUESTS, "{link}");
        assert_eq!(refused.headers()["retry-after"], "5");
        assert_eq!(refused.headers()["cache-control"], "no-store");
        let said = text(refused).await;
        assert!(said.len() < 4096 && said.contains("asked for too often"), "{said}");
    }
    // A contact of the same trip, and whoever filed it.
    let contact = lamp.contact_page(filed["ref"].as_str().unwrap(), 0);
    assert_eq!(lamp.get(&contact).send().await.unwrap().status(), StatusCode::OK);
    let own = format!("/api/v1/plans/{}", filed["ref"].as_str().unwrap());
    let own = lamp.get(&own).bearer_auth(&lamp.key).send().await.unwrap();
    assert_eq!(own.status(), StatusCode::OK);
    // By the same link: a form that was not taken is told in few words, and one that was is done.
    let form = form_of(&page, "checkin");
    let wrong = lamp.post(&form.action).form(&form.typed(&[("name", "Ines")]).fields);
    let wrong = wrong.send().await.unwrap();
    assert_eq!(wrong.status(), StatusCode::UNPROCESSABLE_ENTITY);
    let said = text(wrong).await;
    assert!(said.len() < 4096 && said.contains("Tick who is ashore."), "{said}");
    let home = form.typed(&[("name", "Ines"), ("who", "all")]);
    let home = lamp.post(&form.action).form(&home.fields).send().await.unwrap();
    assert_eq!(home.status(), StatusCode::SEE_OTHER);
    drop((held, waiting));
    assert_eq!(lamp.get(crew).send().await.unwrap().status(), StatusCode::OK);
}

#[tokio::test]
async fn too_many_forms_by_one_link_are_told_to_come_again() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let crew = filed["links"]["crew"].as_str().unwrap();
    let page = text(lamp.get(crew).send().await.unwrap()).await;
    let home = form_of(&page, "checkin").typed(&[("name", "Ines"), ("who", "all")]);
    let token = secret(&filed["links"]["crew"]);
    let hanging: Vec<_> = std::iter::from_fn(|| lamp.daemon.deed(token).ok()).collect();
    // The page's script takes nothing for an answer but a document.
    let scripted = lamp.post(crew).header("accept", "application/json").form(&home.fields);
    let refused = scripted.send().await.unwrap();
    assert_eq!(refused.status(), StatusCode::TOO_MANY_REQUESTS);
    let said: Value = refused.json().await.unwrap();
    assert!(said["detail"].as_str().unwrap().contains("nothing was changed"), "{said}");
    // The device that filed has a link of its own.
    let own = lamp.post(filed["links"]["checkin"].as_str().unwrap()).json(&json!({}));
    assert_eq!(own.send().await.unwrap().status(), StatusCode::OK);
    drop(hanging);
}

/// The filing page takes a 429 as word that nothing was filed; nobody has looked here.
#[tokio::test]
async fn a_filing_that_can_not_be_looked_up_now_is_not_said_to_be_none() {
    let lamp = Lamp::lit().await;
    let (held, waiting) = fill(&lamp, Asked::Key(&lamp.key)).await;
    let look = |path: &str| lamp.get(path).bearer_auth(&lamp.key).send();
    let filing = look("/api/v1/filings/0f8fad5b-d9cb-469f-a165-70867728950e").await.unwrap();
    assert_eq!(filing.status(), StatusCode::SERVICE_UNAVAILABLE);
    assert_eq!(
        look("/api/v1/plans/NONE-0000").await.unwrap().status(),
        StatusCode::TOO_MANY_REQUESTS
    );
    drop((held, waiting));
    let filing = look("/api/v1/filings/0f8fad5b-d9cb-469f-a165-70867728950e").await.unwrap();
    assert_eq!(filing.status(), StatusCode::NOT_FOUND);
}

/// Packed or not, all of a page comes, to all whom a plan names in the same second.
#[tokio::test]
async fn all_whom_a_plan_names_may_look_in_the_same_second() {
    let lamp = Lamp::lit().await;
    let mut long = plan();
    long["contact"] = (0..20)
        .map(|at| json!({"name": format!("Contact {at}"), "email": format!("c{at}@example.org")}))
        .collect();
    long["waypoint"] = (0..200)
        .map(|at| json!({"name": format!("Point {at}"), "position": format!("48.5{at:03} -123.1{at:03}")}))
        .collect();
    let filed = lamp.file(&long).await;
    let pages = (0..20).map(|at| lamp.contact_page(filed["ref"].as_str().unwrap(), at));
    let looks = pages.map(|page| async {
        let page = page;
        let answer = lamp.get(&page).send().await.unwrap();
        assert_eq!(answer.status(), StatusCode::OK);
        let length: usize = answer.headers()["content-length"].to_str().unwrap().parse().unwrap();
        let page = text(answer).await;
        assert_eq!(page.len(), length);
        assert!(page.contains("Point 199") && page.contains("</html>"), "{} bytes", page.len());
    });
    join_all(looks).await;
}

/// The page is made by the key in the cookie, whatever else the request comes with.
#[tokio::test]
async fn a_secret_that_opens_nothing_takes_no_page_out_of_its_line() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let page = format!("/filed/{}", filed["ref"].as_str().unwrap());
    let look = || {
        let cookie = format!("shorelamp={}", lamp.key);
        lamp.get(&page).header("cookie", cookie).bearer_auth("of-nobody").send()
    };
    assert_eq!(look().await.unwrap().status(), StatusCode::OK);
    let (held, waiting) = fill(&lamp, Asked::Key(&lamp.key)).await;
    assert_eq!(look().await.unwrap().status(), StatusCode::TOO_MANY_REQUESTS);
    drop((held, waiting));
}

/// Two who send the body of a request that needs none, a byte at a time, must not keep both hands.
#[tokio::test]
async fn a_body_that_does_not_end_holds_no_turn() {
    use tokio::io::AsyncWriteExt;
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let address = lamp.base.split_once("//").unwrap().1;
    let (crew, contact) = (
        filed["links"]["crew"].as_str().unwrap().to_owned(),
        lamp.contact_page(filed["ref"].as_str().unwrap(), 0),
    );
    let mut hanging = Vec::new();
    for link in [&crew, &contact] {
        let path = link.split_once("://").unwrap().1.split_once('/').unwrap().1;
        let head = format!("GET /{path} HTTP/1.1\r\nHost: {address}\r\nContent-Length: 9\r\n\r\nx");
        let mut stream = tokio::net::TcpStream::connect(address).await.unwrap();
        stream.write_all(head.as_bytes()).await.unwrap();
        hanging.push(stream);
    }
    // They have been read by then, as far as they go.
    tokio::time::sleep(std::time::Duration::from_millis(500)).await;
    let view = lamp.daemon.view(Asked::Link(secret(&filed["links"]["crew"])));
    let view = tokio::time::timeout(std::time::Duration::from_secs(10), view).await;
    assert!(view.expect("its turn comes").unwrap().is_some());
}

/// Anybody may send the form of a spoken code.
#[tokio::test]
async fn what_strangers_type_is_not_repeated_at_length() {
    let lamp = Lamp::lit().await;
    let answer = lamp.post("/code").form(&[("name", "<".repeat(80_000))]).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::UNPROCESSABLE_ENTITY);
    let page = text(answer).await;
    assert!(page.len() < 16 * 1024 && page.contains("Type them again"), "{} bytes", page.len());
}
