//! The keeper's board.

use reqwest::StatusCode;
use shorelamp::watch::{By, Event, Kind};
use sqlx::Connection;
use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection};

use super::browser::forms;
use super::house::{Lamp, Wish, plan, text};

const PLANS: usize = 70;
/// Open plans besides, which are due back later.
const MORE: usize = 10_000;
const COPIES: &str = "
    CREATE TEMP TABLE one AS SELECT * FROM plans ORDER BY due_at DESC LIMIT 1;
    INSERT INTO plans
        (ref, state_json, state_sum, version, filed_at, due_at, next_at, key_id, body_hash)
        WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 10000)
        SELECT printf('ZZ%02d-%06d', i % 100, i), state_json, state_sum, version, filed_at,
            due_at + i * 1000, next_at, key_id, body_hash FROM one, n;
    INSERT INTO papers (plan, plan_json, review_json)
        SELECT plans.ref, plan_json, review_json FROM plans, papers
        WHERE plans.ref LIKE 'ZZ__-______' AND papers.plan = (SELECT ref FROM one);";

/// Rows like the last plan's, written beside the service: to file as many would take minutes.
async fn ten_thousand_more(lamp: &Lamp) {
    let options = SqliteConnectOptions::new().filename(lamp.folder.path().join("shorelamp.db"));
    let mut connection = SqliteConnection::connect_with(&options).await.unwrap();
    sqlx::raw_sql(COPIES).execute(&mut connection).await.unwrap();
}

/// Whoever files with one key names hundreds who never answered.
fn many() -> Wish {
    Wish { filings_per_key_per_hour: Some(1000), ..Wish::default() }
}

#[tokio::test]
async fn the_board_is_the_keepers_and_small_however_many_are_out() {
    let lamp = Lamp::with(many()).await;
    for at in 0..PLANS {
        let mut plan = plan();
        plan["times"]["return_by"] =
            format!("2026-06-14T{:02}:{:02}", 10 + at / 60, at % 60).into();
        plan["crew"][0]["name"] = format!("{at} {}", "Long-Name ".repeat(12)).trim().into();
        plan["contact"][0]["email"] = format!("dunstan{at}@example.org").into();
        plan["contact"][1]["email"] = format!("mirela{at}@example.org").into();
        plan["crew"][0]["email"] = format!("ines{at}@example.org").into();
        lamp.file(&plan).await;
    }
    ten_thousand_more(&lamp).await;
    lamp.move_clock(4 * 60 + 16);
    for cookie in ["shorelamp=nothing".to_owned(), format!("shorelamp={}", lamp.key)] {
        let answer = lamp.get("/board").header("cookie", &cookie).send().await.unwrap();
        assert_eq!(answer.status(), StatusCode::NOT_FOUND);
        let answer = lamp.get("/board/live").header("cookie", &cookie).send().await.unwrap();
        assert_eq!(answer.status(), StatusCode::NOT_FOUND);
    }
    let cookie = format!("shorelamp={}", lamp.keeper);
    let answer = lamp.get("/board").header("cookie", &cookie).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::OK);
    let board = text(answer).await;
    assert!(board.len() < 100_000, "{} bytes", board.len());
    assert!(board.contains(&format!("{} open, 2 overdue", PLANS + MORE)), "{board}");
    let (first, third) = (board.find("OVERDUE: 0 Long"), board.find("Late: 2 Long"));
    assert!(first.is_some() && first < third, "the most urgent first");
    assert!(board.contains("Dunstan: queued") && board.contains("Letters: 3 queued"));
    assert!(
        board.contains("expected, not measured") && board.contains("Wind unknown"),
        "no station was asked: {board}"
    );
    assert!(board.contains("Pell Marsh") && board.contains("filed last 4 h 1"));
    assert!(!board.contains("CANARY"), "health is no business of the board");

    // The command asks for so many, and is told of all that are overdue besides.
    let part = lamp.get("/api/v1/plans?most=1").bearer_auth(&lamp.keeper).send().await.unwrap();
    let part: serde_json::Value = part.json().await.unwrap();
    assert_eq!((&part["open"], &part["overdue"]), (&(PLANS + MORE).into(), &2.into()));
    assert_eq!(part["plans"].as_array().unwrap().len(), 2, "one was asked for, two are overdue");

    let mut live = lamp.get("/board/live").header("cookie", &cookie).send().await.unwrap();
    assert_eq!(live.headers()["content-type"], "text/event-stream");
    let chunk = live.chunk().await.unwrap().unwrap();
    assert!(String::from_utf8_lossy(&chunk).starts_with("data: {\"html\":"));
}

/// More are overdue than have a row: those beyond stand there by ref.
#[tokio::test]
async fn no_overdue_plan_is_hidden_however_many_there_are() {
    let lamp = Lamp::with(many()).await;
    let mut refs = Vec::new();
    for at in 0..PLANS {
        let mut plan = plan();
        plan["contact"][0]["email"] = format!("dunstan{at}@example.org").into();
        plan["contact"][1]["email"] = format!("mirela{at}@example.org").into();
        plan["crew"][0]["email"] = format!("ines{at}@example.org").into();
        refs.push(lamp.file(&plan).await["ref"].as_str().unwrap().to_owned());
    }
    let cookie = format!("shorelamp={}", lamp.keeper);
    let board =
        async || text(lamp.get("/board").header("cookie", &cookie).send().await.unwrap()).await;
    assert!(!board().await.contains("OVERDUE"));
    lamp.move_clock(3 * 24 * 60);
    let board = board().await;
    assert!(board.contains(&format!("{PLANS} open, {PLANS} overdue")), "{board}");
    let missing: Vec<_> = refs.iter().filter(|one| !board.contains(one.as_str())).collect();
    assert!(missing.is_empty(), "{missing:?}");
    assert!(board.contains("OVERDUE too: 10 more"), "{board}");
}

#[tokio::test]
async fn an_exercise_is_ordered_by_a_keeper_who_types_the_plan() {
    let lamp = Lamp::lit().await;
    let plan_ref = lamp.file(&plan()).await["ref"].as_str().unwrap().to_owned();
    let cookie = format!("shorelamp={}", lamp.keeper);
    let board = text(lamp.get("/board").header("cookie", &cookie).send().await.unwrap()).await;
    let form = forms(&board).remove(0);
    let send = async |cookie: &str, typed: &[(&str, &str)]| {
        let path = form.action.split('#').next().unwrap();
        let form = form.typed(typed);
        lamp.post(path).header("cookie", cookie).form(&form.fields).send().await.unwrap()
    };
    let drills = async || {
        let letters = lamp.daemon.store().letters(&plan_ref).await.unwrap();
        letters.iter().filter(|one| one.kind == Kind::Drill).count()
    };
    let filer = format!("shorelamp={}", lamp.key);
    let typed = [("ref", plan_ref.as_str())];
    assert_eq!(send(&filer, &typed).await.status(), StatusCode::NOT_FOUND, "no keeper's");
    let forged = [typed[0], ("token", "AAAA")];
    assert_eq!(send(&cookie, &forged).await.status(), StatusCode::FORBIDDEN);
    for nothing in ["", "AAAA-BBBB"] {
        let answer = send(&cookie, &[("ref", nothing)]).await;
        assert_eq!(answer.status(), StatusCode::UNPROCESSABLE_ENTITY);
        assert!(text(answer).await.contains("No exercise was ordered"));
    }
    assert_eq!(drills().await, 0);
    let answer = send(&cookie, &[("ref", &plan_ref.to_lowercase())]).await;
    assert_eq!(answer.status(), StatusCode::OK);
    let said = text(answer).await;
    assert!(said.contains("An exercise goes to Dunstan Okafor and Mirela Sandoval"), "{said}");
    assert_eq!(drills().await, 2);
    let ashore = Event::CheckedIn { who: vec![0, 1], by: By::Crew(None), how: None };
    lamp.daemon.act(&plan_ref, &ashore, None).await.unwrap();
    let answer = send(&cookie, &typed).await;
    assert_eq!(answer.status(), StatusCode::UNPROCESSABLE_ENTITY, "the trip is over");
}

/// Else a keeper's device that was lost reads on for as long as its connection lasts.
#[tokio::test]
async fn a_board_that_is_looked_at_ends_with_its_key() {
    let lamp = Lamp::lit().await;
    let cookie = format!("shorelamp={}", lamp.keeper);
    let mut live = lamp.get("/board/live").header("cookie", cookie).send().await.unwrap();
    assert_eq!(live.status(), StatusCode::OK);
    assert!(live.chunk().await.unwrap().is_some());
    lamp.daemon.store().revoke_keys("k-keeper", lamp.daemon.now()).await.unwrap();
    let mut more = 0;
    while live.chunk().await.unwrap().is_some() {
        more += 1;
        assert!(more < 3, "it goes on");
    }
}
