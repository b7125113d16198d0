//! The keeper's board.

use reqwest::StatusCode;

use super::house::{Lamp, Wish, plan, text};

/// Ten thousand plans are no heavier than these: the board holds the most urgent sixty.
const PLANS: usize = 70;

#[tokio::test]
async fn the_board_is_the_keepers_and_small_however_many_are_out() {
    let lamp = Lamp::with(Wish { filings_per_key_per_hour: Some(1000), ..Wish::default() }).await;
    for at in 0..PLANS {
        let mut plan = plan();
        plan["times"]["return_by"] =
            format!("2026-06-14T{:02}:{:02}", 10 + at / 60, at % 60).into();
        plan["crew"][0]["name"] = format!("{at} {}", "Long-Name ".repeat(12)).trim().into();
        plan["contact"][0]["email"] = format!("dunstan{at}@example.org").into();
        plan["contact"][1]["email"] = format!("mirela{at}@example.org").into();
        lamp.file(&plan).await;
    }
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
    assert!(board.contains(&format!("{PLANS} open, 2 overdue")), "{board}");
    let (first, third) = (board.find("OVERDUE: 0 Long"), board.find("Late: 2 Long"));
    assert!(first.is_some() && first < third, "the most urgent first");
    assert!(board.contains("Dunstan: queued") && board.contains("Letters: 3 queued"));
    assert!(!board.contains("CANARY"), "health is no business of the board");

    let mut live = lamp.get("/board/live").header("cookie", &cookie).send().await.unwrap();
    assert_eq!(live.headers()["content-type"], "text/event-stream");
    let chunk = live.chunk().await.unwrap().unwrap();
    assert!(String::from_utf8_lossy(&chunk).starts_with("data: {\"html\":"));
}
